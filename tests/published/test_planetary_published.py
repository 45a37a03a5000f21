"""Planets against sources outside the project, each named beside its check."""

import astropy.units as u
import numpy as np
import pytest

from helpers import planetary, seeing
from helpers.planetary import lucky


def test_rotation_periods():
    # NASA planetary fact sheets, sidereal rotation (from memory): Mars 24.6229 h, Jupiter 9.9250 h, Saturn 10.656 h
    for planet, hours in (("Mars", 24.6229), ("Jupiter", 9.9250), ("Saturn", 10.656)):
        assert planetary.rotation_period(planet).to_value(u.h) == pytest.approx(hours, rel=2e-4)


@pytest.mark.parametrize(
    ("planet", "magnitude", "distance", "semi_axes"),
    [
        # Explanatory Supplement to the Astronomical Almanac, 1992 (from memory): V(1,0), and semi-diameters in arcsec
        # at 1 astronomical unit, equator and poles; distances from the Sun in astronomical units
        ("Mars", -1.52, 1.524, (4.68, 4.66)),
        ("Jupiter", -9.40, 5.203, (98.44, 92.06)),
        ("Saturn", -8.88, 9.537, (82.73, 73.82)),
    ],
)
def test_surface_brightness(planet, magnitude, distance, semi_axes):
    # at opposition V = V(1,0) + 5 log10(r d) over a disc that shrinks with the distance d from the Earth: d drops out
    area = np.pi * np.prod(semi_axes)
    expected = magnitude + 5 * np.log10(distance) + 2.5 * np.log10(area)
    assert planetary.surface_brightness(planet).value == pytest.approx(expected, abs=0.12)


def test_lucky_exposures():
    # Fried 1978, J. Opt. Soc. Am. 68, 1651, table 1 (from memory), by numerical integration with 3 to 45 % of error;
    # his eq. 1, 5.6 exp(-0.1557 (D/r0)^2), from 4 on is a fit to it
    air = seeing.ATMOSPHERES["valley night"]
    patch = seeing.fried_parameter(air.fwhm, 500 * u.nm)
    table = ((2, 0.986), (3, 0.765), (4, 0.334), (5, 0.0938), (6, 0.01915), (7, 2.87e-3), (10, 1.07e-6))
    for ratio, share in table:
        assert planetary.lucky_share(ratio * patch, air) == pytest.approx(share, rel=0.22 if ratio > 6 else 0.05)
        if ratio >= 5:
            fit = 5.6 * np.exp(-0.1557 * ratio**2)
            assert planetary.lucky_share(ratio * patch, air) == pytest.approx(fit, rel=0.18)
    # as workbook 11 says: at a ratio of 5 it is 1 in 8.8 by the fit, 10.7 by the table, 10.5 by the calculation
    told = [1 / chance for chance in (5.6 * np.exp(-0.1557 * 25), 0.0938, planetary.lucky_share(5 * patch, air))]
    assert told == pytest.approx([8.8, 10.7, 10.5], abs=0.06)


def test_shapes_of_the_wavefront():
    # Noll 1976, JOSA 66, 207, table IV: what is left without piston and tilt is 0.134 (D/r0)^(5/3) rad^2; Fried 1965
    # and Wang & Markey 1978, JOSA 68, 78: largest of the independent shapes near 0.0234 rad^2
    modes = lucky._modes()
    assert modes.sum() == pytest.approx(0.134, rel=0.015) and modes.sum() < 0.134
    assert modes.max() == pytest.approx(0.0236, rel=0.03) and np.all(modes > 0)


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
