"""Refraction by air: limits, signs, shapes and errors."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.near_infrared.refraction import (
    airmass,
    along_axes,
    differential_refraction,
    refraction,
    refractivity,
    standard_air,
    zenith_direction,
)

QUICK = settings(max_examples=40, deadline=None, derandomize=True)
DOCUMENTED = (ValueError, TypeError, u.UnitsError)
AIR = (1013.25 * u.hPa, 288.15 * u.K, 0.5)
anything = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, -1.0, 5e-324, 1e308]))
units = st.sampled_from([u.nm, u.um, u.deg, u.rad, u.hPa, u.Pa, u.K, u.deg_C, u.m, u.one])


@st.composite
def quantities(draw):
    return draw(anything) * draw(units)


def finite_or_documented(function, *arguments):
    try:
        results = function(*arguments)
    except DOCUMENTED as error:
        assert ":" in str(error)
        return
    for result in results if isinstance(results, tuple) else (results,):
        assert np.all(np.isfinite(u.Quantity(result).value))


def test_degrees_celsius_are_understood():
    warm = refractivity(550 * u.nm, 1000 * u.hPa, 20 * u.deg_C, 0.3)
    assert warm == pytest.approx(refractivity(550 * u.nm, 1000 * u.hPa, 293.15 * u.K, 0.3))
    assert refractivity(550 * u.nm, 1000 * u.hPa, 293.15 * u.K, 30 * u.percent) == pytest.approx(warm)


def test_thin_warm_moist_and_red_bend_less():
    base = refractivity(550 * u.nm, *AIR)
    assert refractivity(550 * u.nm, 506.625 * u.hPa, 288.15 * u.K, 0) == pytest.approx(base / 2, rel=0.002)
    assert refractivity(550 * u.nm, 1013.25 * u.hPa, 300 * u.K, 0.5) < base
    assert refractivity(550 * u.nm, 1013.25 * u.hPa, 288.15 * u.K, 1) < base
    assert np.all(np.diff(refractivity(np.linspace(300, 1700, 50) * u.nm, *AIR)) < 0)


def test_nothing_is_bent_at_the_zenith():
    assert refraction(550 * u.nm, 0 * u.deg, *AIR) == 0 * u.arcsec
    assert differential_refraction(400 * u.nm, 800 * u.nm, 0 * u.deg, *AIR) == 0 * u.arcsec


def test_differential_refraction_is_the_difference_of_refractions():
    zenith_angle = [10, 45, 70] * u.deg
    difference = refraction(450 * u.nm, zenith_angle, *AIR) - refraction(820 * u.nm, zenith_angle, *AIR)
    computed = differential_refraction(450 * u.nm, 820 * u.nm, zenith_angle, *AIR)
    assert computed.unit == u.arcsec and computed.value == pytest.approx(difference.value, rel=1e-9)
    assert np.all(computed > 0 * u.arcsec)
    swapped = differential_refraction(820 * u.nm, 450 * u.nm, zenith_angle, *AIR)
    assert swapped.value == pytest.approx(-computed.value)
    assert differential_refraction(500 * u.nm, 500 * u.nm, 60 * u.deg, *AIR) == 0 * u.arcsec


def test_differential_refraction_grows_like_the_tangent():
    ratio = differential_refraction(450 * u.nm, 820 * u.nm, [30, 60] * u.deg, *AIR)
    assert (ratio[1] / ratio[0]).value == pytest.approx(3, rel=0.006)


def test_shapes_fit_or_are_named():
    table = differential_refraction([400, 500, 600] * u.nm, 550 * u.nm, [[20], [60]] * u.deg, *AIR)
    assert table.shape == (2, 3)
    with pytest.raises(ValueError, match="zenith_angle"):
        differential_refraction([400, 500, 600] * u.nm, 550 * u.nm, [20, 60] * u.deg, *AIR)
    with pytest.raises(ValueError, match="pressure"):
        refractivity(550 * u.nm, [1000, 900] * u.hPa, [280, 290, 300] * u.K, 0)


@pytest.mark.parametrize(
    ("position", "value", "named"),
    [
        (0, 200 * u.nm, "wavelength"),
        (0, 550, "wavelength"),
        (1, np.nan * u.nm, "reference_wavelength"),
        (1, 5 * u.s, "reference_wavelength"),
        (2, 86 * u.deg, "zenith_angle"),
        (2, -1 * u.deg, "zenith_angle"),
        (3, -5 * u.hPa, "pressure"),
        (3, 1000 * u.m, "pressure"),
        (4, 20 * u.K, "temperature"),
        (4, 500 * u.deg_C, "temperature"),
        (5, 1.2, "relative_humidity"),
        (5, -0.1, "relative_humidity"),
        (5, None, "relative_humidity"),
    ],
)
def test_wrong_values_are_named(position, value, named):
    arguments = [450 * u.nm, 800 * u.nm, 45 * u.deg, *AIR]
    arguments[position] = value
    with pytest.raises(DOCUMENTED, match=named):
        differential_refraction(*arguments)


def test_air_cannot_be_mostly_water():
    with pytest.raises(ValueError, match="relative_humidity"):
        refractivity(550 * u.nm, 50 * u.hPa, 330 * u.K, 1)


def test_airmass():
    assert airmass(0 * u.deg) == 1
    assert airmass(60 * u.deg) == pytest.approx(2)
    assert airmass([0, 60] * u.deg).shape == (2,)


def test_the_zenith_stands_over_a_star_on_the_meridian():
    zenith_angle, parallactic_angle = zenith_direction(0 * u.deg, [20, 47, 70] * u.deg, 47 * u.deg)
    assert zenith_angle.value == pytest.approx([27, 0, 23], abs=1e-6)
    assert parallactic_angle.value == pytest.approx([0, 0, 180])  # north of the zenith, up is south


def test_the_zenith_lies_east_of_a_star_in_the_west():
    _, west = zenith_direction(4 * u.hourangle, 20 * u.deg, 47 * u.deg)
    _, east = zenith_direction(-4 * u.hourangle, 20 * u.deg, 47 * u.deg)
    assert 0 < west.value < 90 and east == -west
    shift = along_axes(2 * u.arcsec, west)
    assert shift[0] > 0 and shift[1] > 0
    assert np.hypot(*shift).value == pytest.approx(2)


def test_at_the_pole_of_the_earth_the_zenith_is_north():
    zenith_angle, parallactic_angle = zenith_direction([-50, 0, 80] * u.deg, 30 * u.deg, 90 * u.deg)
    assert zenith_angle.value == pytest.approx(60) and parallactic_angle.value == pytest.approx([0, 0, 0], abs=1e-9)


@QUICK
@given(quantities(), quantities(), quantities(), quantities(), quantities(), anything)
def test_any_refraction_is_finite_or_refused(first, second, third, fourth, fifth, sixth):
    finite_or_documented(refractivity, first, fourth, fifth, sixth)
    finite_or_documented(refraction, first, third, fourth, fifth, sixth)
    finite_or_documented(differential_refraction, first, second, third, fourth, fifth, sixth)
    finite_or_documented(zenith_direction, first, second, third)
    finite_or_documented(along_axes, first, second)
    finite_or_documented(airmass, first)
    finite_or_documented(standard_air, first)


@QUICK
@given(
    st.floats(300, 1700),
    st.floats(300, 1700),
    st.floats(0, 85),
    st.floats(100, 1100),
    st.floats(230, 315),
    st.floats(0, 1),
)
def test_sensible_air_always_gives_an_answer(first, second, zenith_angle, pressure, temperature, humidity):
    air = pressure * u.hPa, temperature * u.K, humidity
    shift = differential_refraction(first * u.nm, second * u.nm, zenith_angle * u.deg, *air)
    assert np.isfinite(shift.value)
    assert shift.value * (second - first) >= -1e-9  # blue stands higher
