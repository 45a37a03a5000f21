"""The camera on planets: limits, errors, and figures of the trade."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers import planetary
from helpers.seeing import air as seeing

AIR = seeing.ATMOSPHERES["valley night"]


def test_sampling():
    assert planetary.critical_focal_ratio(2.9 * u.um, 550 * u.nm) == pytest.approx(10.545, abs=0.01)
    factor = planetary.amplifier(3 * u.um, 550 * u.nm, 250 * u.mm, 1350 * u.mm)
    assert factor * 1350 / 250 == pytest.approx(planetary.critical_focal_ratio(3 * u.um, 550 * u.nm))
    assert planetary.pixels_across(49 * u.arcsec, 3 * u.um, 2700 * u.mm) == pytest.approx(213.8, rel=0.01)


def test_a_critical_pixel_is_half_the_finest_period():
    # the finest period an aperture passes is lambda / D; in arcsec two critical pixels cover just that
    focal = 250 * u.mm * planetary.critical_focal_ratio(3 * u.um, 550 * u.nm)
    period = (550 * u.nm / (250 * u.mm)).to_value(u.one) * u.rad
    assert planetary.pixels_across(period.to(u.arcsec), 3 * u.um, focal) == pytest.approx(2, rel=1e-3)


def test_frame_rates_of_the_trade():
    # common practice, no source: 2 million pixels on USB 3: about 90 a second at 8 bit, 70 at 16 bit; USB 2: 35 to 40
    # MB/s
    full = (1920, 1080)
    assert planetary.frame_rate(full, 8, "USB 3").value == pytest.approx(90, abs=3)
    assert planetary.frame_rate(full, 16, "USB 3").value == pytest.approx(70, abs=3)
    assert 35e6 < planetary.frame_rate(full, 8, "USB 2").value * 1920 * 1080 < 40e6


def test_a_smaller_region_is_quicker_until_the_rows_decide():
    rates = [planetary.frame_rate((side, side), 8, "USB 3").value for side in (200, 400, 800)]
    assert rates == sorted(rates, reverse=True)
    assert planetary.frame_rate((100, 400), 8, "USB 3") == planetary.frame_rate((400, 400), 8, "USB 3")


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ((5, 8, "USB 3"), "shape"),
        (((0, 5), 8, "USB 3"), "shape"),
        (((5, 5), 7, "USB 3"), "bit_depth"),
        (((5, 5), 8, "USB 4"), "link"),
    ],
)
def test_wrong_frames_are_named(arguments, named):
    with pytest.raises((ValueError, TypeError), match=named):
        planetary.frame_rate(*arguments)


def test_rotation():
    film = planetary.longest_film("Jupiter", 49 * u.arcsec, 0.3 * u.arcsec)
    assert planetary.rotation_smear("Jupiter", 49 * u.arcsec, film).value == pytest.approx(0.3)
    assert 1 < film.to_value(u.min) < 2
    assert planetary.longest_film("Mars", 24 * u.arcsec, 0.3 * u.arcsec) > film
    assert planetary.rotation_smear("Mars", 24 * u.arcsec, 100 * u.h) == 12 * u.arcsec
    with pytest.raises(ValueError, match="planet"):
        planetary.rotation_period("Pluto")


def test_the_air_changes_in_milliseconds():
    assert 1 < planetary.coherence_time(AIR).to_value(u.ms) < 20
    assert planetary.coherence_time(AIR, 850 * u.nm) > planetary.coherence_time(AIR)


def test_near_infrared_trades_detail_for_lucky_moments():
    for diameter in (100, 250, 400) * u.mm:
        assert planetary.finest_detail(diameter, 850 * u.nm) > planetary.finest_detail(diameter, 550 * u.nm)
        visible, infrared = (planetary.lucky_share(diameter, AIR, wave) for wave in (550 * u.nm, 850 * u.nm))
        assert infrared >= visible


def test_a_long_exposure_is_as_wide_as_the_seeing_says():
    wide = planetary.finest_detail(10 * u.m, 500 * u.nm, 2 * u.arcsec)
    assert wide.value == pytest.approx(2, rel=1e-3)


NUMBER = st.one_of(st.floats(1e-3, 1e4), st.sampled_from([0.0, -1.0, float("nan"), float("inf")]), st.none())


@settings(max_examples=40, deadline=None, derandomize=True)
@given(a=NUMBER, b=NUMBER, c=NUMBER, d=NUMBER)
def test_finite_or_refused(a, b, c, d):
    def length(x, unit):
        return None if x is None else x * unit

    calls = [
        lambda: planetary.critical_focal_ratio(length(a, u.um), length(b, u.nm)),
        lambda: planetary.amplifier(length(a, u.um), length(b, u.nm), length(c, u.mm), length(d, u.mm)),
        lambda: planetary.pixels_across(length(a, u.arcsec), length(b, u.um), length(c, u.mm)),
        lambda: planetary.rotation_smear("Mars", length(a, u.arcsec), length(b, u.h)),
        lambda: planetary.longest_film("Saturn", length(a, u.arcsec), length(b, u.arcsec)),
        lambda: planetary.lucky_share(length(a, u.mm), AIR, length(b, u.nm)),
        lambda: planetary.finest_detail(length(a, u.mm), length(b, u.nm), length(c, u.arcsec)),
    ]
    for call in calls:
        try:
            result = call()
        except (ValueError, TypeError, u.UnitsError) as error:
            assert ":" in str(error)
        else:
            assert np.all(np.isfinite(u.Quantity(result).value))
