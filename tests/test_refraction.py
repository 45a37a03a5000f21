"""Refraction by air: limits, signs, shapes and errors."""

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, numbers, quantities

from helpers.near_infrared.refraction import (
    airmass,
    along_axes,
    differential_refraction,
    refraction,
    refractivity,
    standard_air,
    zenith_direction,
)
from helpers.shared import sky

DOCUMENTED = (ValueError, TypeError, u.UnitsError)
AIR = (1013.25 * u.hPa, 288.15 * u.K, 0.5)


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
    for zenith_angle, more in ((0, 0), (60, 0.0034), (75, 0.0146)):
        flat, curved = airmass(zenith_angle * u.deg), sky.airmass((90 - zenith_angle) * u.deg)
        assert flat / curved == pytest.approx(1 + more, abs=2e-4)
    altitude = np.linspace(19, 90, 200) * u.deg
    assert sky.airmass(altitude) * np.sin(altitude).value == pytest.approx(1, abs=0.01)


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


COLOUR = quantities(u.nm, 300, 1700)
ZENITH_ANGLE = quantities(u.deg, 0, 85)
AIR_OF = {
    "pressure": quantities(u.hPa, 100, 1100),
    "temperature": quantities(u.K, 230, 315),
    "relative_humidity": numbers(0, 1),
}
SPOILED = {
    "wavelength": [200 * u.nm, 2 * u.um],
    "zenith_angle": [86 * u.deg, -1 * u.deg],
    "pressure": [0 * u.Pa, 2000 * u.hPa],
    "temperature": [20 * u.K],
    "relative_humidity": [1.1, -0.1, 120],
}


@pytest.mark.parametrize(
    ("function", "valid"),
    [
        (refractivity, {"wavelength": COLOUR, **AIR_OF}),
        (refraction, {"wavelength": COLOUR, "zenith_angle": ZENITH_ANGLE, **AIR_OF}),
        (airmass, {"zenith_angle": ZENITH_ANGLE}),
        (standard_air, {"height": quantities(u.m, -500, 9000)}),
        (
            along_axes,
            {"towards_zenith": quantities(u.arcsec, -100, 100), "parallactic_angle": quantities(u.deg, -180, 180)},
        ),
        (
            zenith_direction,
            {
                "hour_angle": quantities(u.hourangle, -12, 12),
                "declination": quantities(u.deg, -90, 90),
                "latitude": quantities(u.deg, -90, 90),
            },
        ),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_any_call(function, valid):
    check_any_call(function, valid, spoiled={name: SPOILED.get(name, []) for name in valid})


def test_any_difference():
    check_any_call(
        differential_refraction,
        {"wavelength": COLOUR, "reference_wavelength": COLOUR, "zenith_angle": ZENITH_ANGLE, **AIR_OF},
        spoiled=SPOILED,
    )


def test_the_bluer_colour_stands_above():
    rng = np.random.default_rng(1)
    first, second = rng.uniform(300, 1700, (2, 200)) * u.nm
    shift = differential_refraction(first, second, rng.uniform(0, 85, 200) * u.deg, *AIR)
    assert np.all(shift * (second - first) >= -1e-9 * u.arcsec * u.nm)
