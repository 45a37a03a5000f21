"""Curves by wavelength: their ends, their shapes, and every wrong value named."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers import rig as rigs
from helpers.starlight import spectra

QUICK = settings(max_examples=30, deadline=None, derandomize=True)
CAMERA_A, CAMERA_B = (rigs.demo_rig("club", name).guide_camera for name in "AB")


@pytest.mark.parametrize("spectral_class", spectra.SPECTRAL_CLASSES)
def test_star_light_in_g_is_that_of_its_magnitude(spectral_class):
    star = spectra.star_grid(spectral_class) * 10**-2.8
    response = np.interp(spectra.WAVELENGTHS.value, spectra._G_RESPONSE_NM, spectra._G_RESPONSE, left=0, right=0)
    in_band = np.trapezoid(star * response, spectra.WAVELENGTHS.value)
    assert in_band == pytest.approx(spectra.photon_flux(7, "G").value, rel=1e-6)


def test_cool_stars_are_redder():
    spectrum = [spectra.star_grid(name) for name in spectra.SPECTRAL_CLASSES]
    grid = spectra.WAVELENGTHS.value
    ratios = [star[grid == 850][0] / star[grid == 550][0] for star in spectrum]
    assert np.all(np.diff(ratios) > 0)


def test_sky_has_the_brightness_asked_for_and_lamps_make_it_bluer():
    grid = spectra.WAVELENGTHS.value
    for brightness in (17.0, 19.2, 21.6, 22.5):
        sky = spectra.sky_grid(brightness)
        zero = spectra.photon_flux(brightness, "V").value / spectra.BANDS["V"][1].value
        assert np.interp(545, grid, sky) == pytest.approx(zero, rel=1e-6)
    dark, suburb = (spectra.sky_grid(v) for v in (21.6, 19.2))
    at = [np.interp([545, 850], grid, sky) for sky in (dark, suburb)]
    assert at[0][1] / at[0][0] > 3  # away from lamps the near infrared is far brighter
    assert at[1][1] / at[1][0] < at[0][1] / at[0][0] / 3
    assert np.all(suburb >= dark)


def test_air_takes_more_blue_light_and_less_on_a_mountain():
    wavelength = np.linspace(350, 1000, 50) * u.nm
    lost = spectra.extinction(wavelength).value
    assert np.all(np.diff(lost) < 0)
    assert spectra.extinction(wavelength, 2).value == pytest.approx(2 * lost)
    assert np.all(spectra.extinction(wavelength, height=2000 * u.m).value < lost)


def test_filters_pass_what_they_say():
    passed = {name: spectra.filter_transmission(name, [350, 550, 650, 750, 850] * u.nm) for name in spectra.FILTERS}
    assert passed["none"].tolist() == [1] * 5
    assert passed["infrared-blocking"] == pytest.approx([0, 0.95, 0.95, 0, 0], abs=0.01)
    assert passed["long-pass"] == pytest.approx([0, 0, 0, 0.95, 0.95], abs=0.01)
    assert set(spectra.FILTERS) == set(rigs.FILTERS)


def test_dyes_stop_mattering_beyond_850_nm():
    visible = np.linspace(450, 650, 41) * u.nm
    mean = spectra.mosaic_transmission("mean", visible)
    assert 1 / 3 < mean.mean() < 1 / 2
    assert mean.min() > 1 / 4
    colours = np.array([spectra.mosaic_transmission(name, [700, 850, 900] * u.nm) for name in spectra.MOSAIC_COLOURS])
    assert np.ptp(colours[:, 0]) > 0.5
    assert np.ptp(colours[:, 1]) < 0.03
    assert colours[:, 2] == pytest.approx(0.96, abs=0.01)


@pytest.mark.parametrize("camera", [CAMERA_A, CAMERA_B])
def test_sensor_curves_go_through_the_numbers_of_the_camera(camera):
    grid = np.linspace(250, 1150, 901) * u.nm
    curve = spectra.quantum_efficiency(camera, grid)
    assert curve.max() == pytest.approx(camera.peak_quantum_efficiency)
    assert spectra.quantum_efficiency(camera, 850 * u.nm) == pytest.approx(camera.quantum_efficiency_850)
    assert curve.min() == 0
    top = np.argmax(curve)
    assert np.all(np.diff(curve[:top]) >= 0)
    assert np.all(np.diff(curve[top:]) <= 0)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: spectra.extinction(500), "wavelength"),
        (lambda: spectra.extinction(500 * u.s), "wavelength"),
        (lambda: spectra.extinction(500 * u.nm, 0.5), "airmass"),
        (lambda: spectra.extinction(500 * u.nm, 1, 99 * u.km), "height"),
        (lambda: spectra.filter_transmission("red", 500 * u.nm), "name"),
        (lambda: spectra.filter_transmission("none", -1 * u.nm), "wavelength"),
        (lambda: spectra.mosaic_transmission("pink", 500 * u.nm), "colour"),
        (lambda: spectra.mosaic_transmission("red", [] * u.nm), "wavelength"),
        (lambda: spectra.quantum_efficiency(CAMERA_A, "long"), "wavelength"),
        (lambda: spectra.photon_flux("faint", "V"), "magnitude"),
    ],
)
def test_wrong_values_are_named(call, named):
    with pytest.raises((ValueError, TypeError, u.UnitsError), match=named):
        call()


@QUICK
@given(st.floats(300, 1100), st.floats(1, 40), st.floats(-500, 9000), st.sampled_from(spectra.FILTERS))
def test_shares_stay_between_0_and_1(wavelength, airmass, height, name):
    wavelength = wavelength * u.nm
    assert spectra.extinction(wavelength, airmass, height * u.m).value >= 0
    assert 0 <= spectra.filter_transmission(name, wavelength) <= 1
    for colour in (*spectra.MOSAIC_COLOURS, "mean"):
        assert 0 <= spectra.mosaic_transmission(colour, wavelength) <= 1
    for camera in (CAMERA_A, CAMERA_B):
        assert 0 <= spectra.quantum_efficiency(camera, wavelength) <= camera.peak_quantum_efficiency


def test_a_window_covers_its_width():
    for low, high in ((500, 600), (503.1, 503.9), (320, 1100), (100, 3000)):
        covered = 5 * np.sum(spectra.window_of([low, high] * u.nm))
        expected = min(high, 1102.5) - max(low, 317.5)
        assert covered == pytest.approx(expected)
