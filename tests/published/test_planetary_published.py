"""Planets against sources outside the project, each named beside its check."""

import astropy.units as u
import pytest

from helpers import planetary
from helpers.seeing import air as seeing


def test_rotation_periods():
    # NASA planetary fact sheets, sidereal rotation (from memory): Mars 24.6229 h, Jupiter 9.9250 h, Saturn 10.656 h
    for planet, hours in (("Mars", 24.6229), ("Jupiter", 9.9250), ("Saturn", 10.656)):
        assert planetary.rotation_period(planet).to_value(u.h) == pytest.approx(hours, rel=2e-4)


def test_lucky_exposures():
    # Fried 1978, table 1 (from memory): D/r0 = 4: 0.446, 7: 2.7e-3, 10: 1.1e-6, by numerical integration; eq. 1 fits
    # within 10 %
    air = seeing.ATMOSPHERES["valley night"]
    patch = seeing.fried_parameter(air.fwhm, 500 * u.nm)
    for ratio, share in ((5, 0.112), (7, 2.7e-3), (10, 1.07e-6)):
        assert planetary.lucky_share(ratio * patch, air) == pytest.approx(share, rel=0.15)


def test_coherence_time_of_one_layer():
    # Roddier 1981: 0.314 r0 / V; r0 = 10 cm and 10 m/s give 3.14 ms
    fwhm = 0.97586 * (500 * u.nm / (10 * u.cm)).to_value(u.one) * u.rad
    air = seeing.Atmosphere(fwhm.to(u.arcsec), 20 * u.m, (seeing.Layer(0 * u.m, 1.0, 10 * u.m / u.s, 0 * u.deg),))
    assert planetary.coherence_time(air).to_value(u.ms) == pytest.approx(3.14, rel=1e-3)


def test_ethernet_payload():
    # IEEE 802.3: 1,538 bytes on the wire for 1,500 bytes of payload, 1,472 of them data of UDP over IPv4 (RFC 768, RFC
    # 791)
    rate = planetary.frame_rate((1000, 1), 8, "gigabit Ethernet").value * 1000
    assert min(rate, planetary.LINKS["gigabit Ethernet"]) <= 125e6
    assert planetary.LINKS["gigabit Ethernet"] == pytest.approx(119.6e6, rel=1e-3)
