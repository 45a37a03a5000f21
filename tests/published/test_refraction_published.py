"""Refraction against published values, general-purpose libraries and a ray followed through the air."""

import astropy.units as u
import numpy as np
import pytest
from scipy import interpolate

from helpers.near_infrared.refraction import (
    airmass,
    differential_refraction,
    refraction,
    refractivity,
    standard_air,
    zenith_direction,
)

erfa = pytest.importorskip("erfa")
galsim = pytest.importorskip("galsim")
dcr = pytest.importorskip("galsim.dcr")


@pytest.mark.parametrize(
    ("celsius", "kilopascal", "published"),
    [(20, 80, 21458.0), (20, 100, 26824.4), (20, 120, 32191.6), (10, 100, 27774.7), (30, 100, 25937.2)],
)
def test_dry_air_of_ciddors_table(celsius, kilopascal, published):
    # Ciddor 1996, Applied Optics 35, 1566, table 1: (n - 1) x 1e8 at 633 nm, 450 ppm CO2 (from memory).
    value = refractivity(633 * u.nm, kilopascal * u.kPa, celsius * u.deg_C, 0) * 1e8
    assert value == pytest.approx(published, abs=0.06)


@pytest.mark.parametrize(("pascal", "published"), [(101325, 1.000271800), (60000, 1.000160924)])
def test_dry_air_of_the_metrology_toolbox(pascal, published):
    # NIST Engineering Metrology Toolbox (Stone & Zimmerman), validation of its Ciddor page: 633 nm, 20 C (from memory).
    assert 1 + refractivity(633 * u.nm, pascal * u.Pa, 20 * u.deg_C, 0) == pytest.approx(published, abs=1e-9)


@pytest.mark.parametrize("wavelength", [300, 400, 550, 700, 850, 1000])
@pytest.mark.parametrize("vapour_kpa", [0.0, 0.8])
def test_moist_air_of_filippenkos_formulas(wavelength, vapour_kpa):
    # Filippenko 1982, PASP 94, 715, eq. 1 to 3 (Edlen 1953, Barrell 1951), as GalSim carries them.
    other = dcr.air_refractive_index_minus_one(wavelength, pressure=80.0, temperature=280.15, H2O_pressure=vapour_kpa)
    saturation_kpa = 1.0021  # over water at 7 C: Wagner & Pruss 2002, J. Phys. Chem. Ref. Data 31, 387 (from memory)
    ours = refractivity(wavelength * u.nm, 80 * u.kPa, 280.15 * u.K, vapour_kpa / saturation_kpa)
    assert ours == pytest.approx(other, rel=5e-4)


@pytest.mark.parametrize("wavelength", [350, 450, 550, 656, 850, 1000])
@pytest.mark.parametrize("zenith_angle", [20, 48.2, 60])
def test_differential_refraction_of_filippenkos_formulas(wavelength, zenith_angle):
    # Filippenko 1982, PASP 94, 715, eq. 4, as GalSim carries it. Conditions of his table: 600 mm of mercury, 7 C, 8 mm
    # of water vapour; reference 500 nm. His sea-level dispersion (Edlen 1953) differs from Ciddor's by half a per cent.
    air = {"pressure": 79.99, "temperature": 280.15, "H2O_pressure": 1.0}
    angle = zenith_angle * galsim.degrees
    other = dcr.get_refraction(wavelength, angle, **air) - dcr.get_refraction(500, angle, **air)
    ours = differential_refraction(
        wavelength * u.nm, 500 * u.nm, zenith_angle * u.deg, 79.99 * u.kPa, 280.15 * u.K, 0.998
    )
    assert ours.value == pytest.approx(other * 206264.8, rel=0.01)


@pytest.mark.parametrize("zenith_angle", [30, 60, 75])
@pytest.mark.parametrize(("wavelength", "agreement"), [(400, 8e-4), (550, 5e-4), (850, 5e-4), (1000, 5e-4)])
def test_refraction_is_that_of_erfa(zenith_angle, wavelength, agreement):
    # ERFA refco (IAU SOFA; its refractivity after Hohenkerk & Sinclair): A tan z + B tan^3 z.
    a, b = erfa.refco(980, 10, 0.6, wavelength / 1000)
    tangent = np.tan(np.radians(zenith_angle))
    expected = (a * tangent + b * tangent**3) * 206264.806
    ours = refraction(wavelength * u.nm, zenith_angle * u.deg, 980 * u.hPa, 10 * u.deg_C, 0.6).value
    assert ours == pytest.approx(expected, rel=agreement if zenith_angle < 70 else 2 * agreement)


@pytest.mark.parametrize(("first", "second"), [(450, 820), (550, 850), (400, 700)])
def test_differential_refraction_is_that_of_erfa(first, second):
    # As above, from the difference of the constants.
    (a, b), (c, d) = (erfa.refco(980, 10, 0.6, wavelength / 1000) for wavelength in (first, second))
    tangent = np.tan(np.radians(60))
    expected = ((a - c) * tangent + (b - d) * tangent**3) * 206264.806
    ours = differential_refraction(first * u.nm, second * u.nm, 60 * u.deg, 980 * u.hPa, 10 * u.deg_C, 0.6)
    assert ours.value == pytest.approx(expected, rel=0.01)


def traced_refraction(refractivity_at_ground, zenith_deg, height_m, temperature_k):
    """Refraction in arcsec of a ray through spherical shells: Auer & Standish 2000, AJ 119, 2472; in log(n)."""
    radius, gravity, gas, lapse, tropopause = 6371e3, 9.80665, 287.053, 0.0065, 11000.0
    height = np.concatenate([np.linspace(height_m, tropopause, 20001), np.linspace(tropopause, 90000, 20001)[1:]])
    temperature = np.maximum(
        temperature_k - lapse * (height - height_m), temperature_k - lapse * (tropopause - height_m)
    )
    logarithm = interpolate.CubicSpline(height, -gravity / (gas * temperature)).antiderivative()
    pressure = np.exp(logarithm(height))
    index = 1 + refractivity_at_ground * pressure * temperature_k / temperature
    sine = index[0] * (radius + height_m) * np.sin(np.radians(zenith_deg)) / (index * (radius + height))
    return -np.trapezoid(sine / np.sqrt(1 - sine**2), np.log(index)) * 206264.806


@pytest.mark.parametrize(("zenith_angle", "agreement"), [(30, 1e-4), (60, 2e-4), (75, 1e-3), (80, 5e-3), (85, 5e-2)])
@pytest.mark.parametrize("height", [0, 3000])
def test_refraction_is_that_of_a_traced_ray(zenith_angle, agreement, height):
    pressure, temperature = standard_air(height * u.m)
    at_ground = refractivity(550 * u.nm, pressure, temperature, 0)
    expected = traced_refraction(at_ground, zenith_angle, height, temperature.value)
    ours = refraction(550 * u.nm, zenith_angle * u.deg, pressure, temperature, 0).value
    assert ours == pytest.approx(expected, rel=agreement)


@pytest.mark.parametrize(
    ("height", "hectopascal", "kelvin"),
    [(0, 1013.25, 288.15), (1000, 898.75, 281.65), (5000, 540.20, 255.65), (11000, 226.32, 216.65)],
)
def test_standard_air(height, hectopascal, kelvin):
    # ISO 2533:1975 / US Standard Atmosphere 1976, by geopotential height (from memory).
    pressure, temperature = standard_air(height * u.m)
    assert pressure.value == pytest.approx(hectopascal, abs=0.01) and temperature.value == pytest.approx(kelvin)


@pytest.mark.parametrize("latitude", [-35, 5, 47])
@pytest.mark.parametrize("declination", [-20, 0, 20, 75])
def test_zenith_direction_is_erfas(latitude, declination):
    # ERFA hd2ae and hd2pa (IAU SOFA): altitude and parallactic angle from hour angle and declination.
    hour_angle = np.linspace(-170, 170, 35)
    arguments = np.radians(hour_angle), np.radians(declination), np.radians(latitude)
    zenith_angle, parallactic_angle = zenith_direction(hour_angle * u.deg, declination * u.deg, latitude * u.deg)
    assert zenith_angle.value == pytest.approx(90 - np.degrees(erfa.hd2ae(*arguments)[1]), abs=1e-9)
    assert parallactic_angle.value == pytest.approx(np.degrees(erfa.hd2pa(*arguments)), abs=1e-9)


@pytest.mark.parametrize(("zenith_angle", "excess"), [(60, 0.005), (75, 0.02), (80, 0.035), (85, 0.12)])
def test_airmass_of_the_curved_earth(zenith_angle, excess):
    # Kasten & Young 1989, Applied Optics 28, 4735, eq. 3 (from memory).
    curved = 1 / (np.cos(np.radians(zenith_angle)) + 0.50572 * (96.07995 - zenith_angle) ** -1.6364)
    assert 0 < airmass(zenith_angle * u.deg) / curved - 1 < excess
