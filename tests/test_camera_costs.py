"""What a fault of the guide camera costs: formulas against sums over pixels, simulated frames and the error budget."""

import importlib

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, numbers, quantities
from hypothesis import strategies as st

from helpers import ledger
from helpers import rig as rigs
from helpers.camera_check import costs
from helpers.correction_loop.night import mean_centroid_error
from helpers.guide_field import middling_stars, stars_at
from helpers.rig.values import changed

predict = importlib.import_module("helpers.error_budget.predict").predict
E = u.electron
SCALE = 1 * u.arcsec / u.pix


def weights(sigma, side=61):
    """Pixel grid and weights by which least squares measure the x of a Gaussian star of total 1."""
    y, x = np.mgrid[:side, :side] - (side - 1) / 2
    star = np.exp(-(x**2 + y**2) / (2 * sigma**2)) / (2 * np.pi * sigma**2)
    slope = x / sigma**2 * star
    return x, y, star, slope / np.sum(slope**2)


@pytest.mark.parametrize("sigma", [2.0, 3.0, 4.0])
def test_stripes_and_slopes_are_sums_over_weighted_pixels(sigma):
    x, _, _, weight = weights(sigma)
    fwhm = 2.354820 * sigma * u.arcsec
    grain, columns = np.sum(weight**2), np.sum(weight.sum(axis=0) ** 2)
    assert costs.shared_noise_weight(fwhm, SCALE) == pytest.approx(columns / grain, rel=0.01)
    assert np.sum(weight.sum(axis=1) ** 2) < 1e-6 * columns  # rows move nothing along x
    pulled = costs.slope_shift(fwhm, SCALE, 500 * E, 0.1 * E / u.pix)
    assert pulled.to_value(u.arcsec) == pytest.approx(np.sum(weight * 0.1 * x) / 500, rel=0.01)
    hot = max(weight.ravel()) * 20 / 500
    assert costs.hot_pixel_pull(fwhm, SCALE, 500 * E, 20 * E).to_value(u.arcsec) == pytest.approx(hot, rel=0.03)


def test_columns_jump_as_far_as_simulated_frames_do():
    """2,000 simulated stars; an rms is known to 1.6 %, so 10 % is six standard errors."""
    sigma, electrons = 2.0, 20_000
    _, _, star, weight = weights(sigma, side=31)
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 5, (2000, 1, 31))
    measured = np.einsum("nyx,yx->n", electrons * star + noise, weight) / electrons
    alone = np.sqrt(8 * np.pi) * sigma**2 * 5 / electrons
    expected = alone * np.sqrt(costs.shared_noise_weight(2.354820 * sigma * u.arcsec, SCALE))
    assert measured.std() == pytest.approx(expected, rel=0.1)


@pytest.mark.parametrize("share", [0.02, 0.3, 1.0])
def test_a_pulled_star_balances_its_window(share):
    """The window, its star and the hot pixel are summed on a fine grid; nothing is left over."""
    step = 0.05
    y, x = np.mgrid[-8:12:step, -8:12:step]
    places = np.linspace(0, 3, 7)
    for place, found in zip(places, costs.pulled_place(places, share), strict=True):
        star = np.exp(-((x - place) ** 2 + y**2) / 2) / (2 * np.pi) * step**2
        window = np.exp(-((x - found) ** 2 + y**2) / 2)
        pull = share * -found * np.exp(-(found**2) / 2)
        assert np.sum(star * window * (x - found)) + pull == pytest.approx(0, abs=2e-4)


def test_a_hot_pixel_as_bright_as_the_star_holds_it_and_a_faint_one_does_not():
    places = np.linspace(0, 4, 81)
    assert np.abs(costs.pulled_place(places, 1.0)).max() < 0.3
    assert costs.pulled_place(places, 0.05)[-1] == pytest.approx(4, abs=0.01)
    assert costs.pulled_place(places, 0.0) == pytest.approx(places)


@pytest.mark.parametrize("noise", [1.0, 8.0, 25.0])
def test_single_pixels_count_as_in_the_guide_night(noise):
    rig = rigs.demo_rig()
    error, found = costs.star_errors(rig, [13.0, 14.0], costs.CameraNoise(noise * E))
    noisy = changed(rig, {"guide_camera.read_noise": noise * E})
    expected = mean_centroid_error(noisy, np.array([13.0, 14.0]), rig.guiding.exposure)
    assert found
    assert error.to_value(u.arcsec) == pytest.approx(expected.to_value(u.arcsec), rel=0.03)


@pytest.mark.parametrize("magnitude", [14.0, 15.0])
@pytest.mark.parametrize("noise", [5.0, 14.0])  # with 15 a star of magnitude 15 is at the limit of being found
def test_cost_agrees_with_the_error_budget(magnitude, noise):
    """The error budget computes air, mount and loop anew; here only noise is added to its healthy case."""
    rig = rigs.demo_rig()
    field = middling_stars(rig)
    star = stars_at(rig, field.offsets[:1], [magnitude], field.target)
    healthy, bad = (predict(one, stars=star) for one in (rig, changed(rig, {"guide_camera.read_noise": noise * E})))
    before, _ = costs.star_errors(rig, [magnitude])
    error, _ = costs.star_errors(rig, [magnitude], costs.CameraNoise(noise * E))
    loop = rig.guiding.loop_gain, rig.guiding.delay
    logged, width = costs.log_and_picture(healthy.logged_rms, healthy.final_fwhm, error, before, *loop)
    assert logged.value == pytest.approx(bad.logged_rms.value, rel=0.05)
    assert width.value == pytest.approx(bad.final_fwhm.value, rel=0.01)


def test_stars_in_use_are_those_of_the_ledger():
    for rig in (rigs.demo_rig(), rigs.demo_rig("starter"), rigs.demo_rig(guide_camera="A")):
        numbers = ledger.ledger(rig)
        used = costs.stars_in_use(rig, middling_stars(rig).magnitudes, numbers.stars)
        assert used.size == numbers.stars
        assert costs.star_errors(rig, used)[0][0].value == pytest.approx(numbers.noise.value, rel=0.1)


def test_a_star_that_is_lost_is_told():
    error, found = costs.star_errors(rigs.demo_rig(), [15.5], costs.CameraNoise(40 * E))
    assert not found
    assert error[0] > 1 * u.arcsec


STAR = {"fwhm": quantities(u.arcsec, 0.5, 10), "pixel_scale": quantities(SCALE.unit, 0.3, 5)}


@pytest.mark.parametrize(
    ("function", "others"),
    [
        (costs.shared_noise_weight, {}),
        (costs.slope_shift, {"slope": quantities(E / u.pix, -10, 10)}),
        (costs.hot_pixel_pull, {"hot": quantities(E, 0, 1e4)}),
    ],
)
def test_any_star(function, others):
    light = {"electrons": quantities(E, 10, 1e6)} if others else {}
    check_any_call(function, STAR | light | others, spoiled={"fwhm": [0 * u.arcsec], "hot": [-1 * E]})


def test_any_pull_and_any_picture():
    places = st.lists(numbers(-50, 50), min_size=1, max_size=20)
    check_any_call(costs.pulled_place, {"distance": places, "share": numbers(0, 100)}, spoiled={"share": [-1]})
    valid = {
        "logged_rms": quantities(u.arcsec, 0.2, 2),
        "star_fwhm": quantities(u.arcsec, 1, 5),
        "error": quantities(u.arcsec, 0.1, 0.5),
        "error_before": quantities(u.arcsec, 0, 0.1),
        "gain": numbers(0.05, 0.9),
        "delay": st.sampled_from([0, 1]),
    }
    check_any_call(costs.log_and_picture, valid, spoiled={"error": [np.ones(3) * u.arcsec], "gain": [2]})


@pytest.mark.parametrize(
    ("call", "error", "named"),
    [
        (lambda: costs.CameraNoise(-1 * E), ValueError, "pixels"),
        (lambda: costs.CameraNoise(1 * E, columns=np.nan * E), ValueError, "columns"),
        (lambda: costs.CameraNoise(1 * u.s), u.UnitsError, "pixels"),
        (lambda: costs.star_errors("rig", [12]), TypeError, "rig"),
        (lambda: costs.star_errors(rigs.demo_rig(), [12], 3.0), TypeError, "noise"),
        (lambda: costs.star_errors(rigs.demo_rig(), [np.nan]), ValueError, "magnitudes"),
        (lambda: costs.slope_shift(0 * u.arcsec, SCALE, 1 * E, 1 * E / u.pix), ValueError, "fwhm"),
        (lambda: costs.hot_pixel_pull(1 * u.arcsec, SCALE, 0 * E, 1 * E), ValueError, "electrons"),
        (lambda: costs.pulled_place([0.0], -1), ValueError, "share"),
        (
            lambda: costs.log_and_picture(0.1 * u.arcsec, 2 * u.arcsec, 0 * u.arcsec, 1 * u.arcsec, 0.5),
            ValueError,
            "error_before",
        ),
        (
            lambda: costs.log_and_picture(1 * u.arcsec, 2 * u.arcsec, [1, 1, 1] * u.arcsec, 0 * u.arcsec, 0.5),
            ValueError,
            r"error: expected shape \(\) or \(2,\), found \(3,\)",
        ),
    ],
)
def test_wrong_values_are_named(call, error, named):
    with pytest.raises(error, match=named):
        call()
