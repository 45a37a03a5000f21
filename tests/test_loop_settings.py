"""The map over exposure and gain."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.correction_loop import loop as correction_loop
from helpers.correction_loop import mount as mount_motion
from helpers.correction_loop.picture import final_image
from helpers.correction_loop.settings import settings_map

ARCSEC = u.arcsec
STEP = 0.5 * u.s
EXPOSURES = [0.5, 1, 2, 4] * u.s
GAINS = np.array([0.1, 0.3, 0.6, 0.9])


def night(seed=1, runs=4, n=1440, shared=0.5):
    rng = np.random.default_rng(seed)
    mount = mount_motion.polar_drift(n, STEP, 0 * u.deg, 30 * u.deg, 5 * u.arcmin)
    mount[:, 0] += mount_motion.periodic_error(n, STEP, 300 * u.s, 9 * ARCSEC)
    air = np.stack([mount_motion.gusts(n, STEP, 0.4 * ARCSEC, 1 * u.s, rng) for _ in range(runs)])
    return mount[None], air, shared * air


def small_map(**changes):
    mount, air, target = night()
    arguments = {
        "disturbance": mount,
        "air": air,
        "centroid_errors": 0.2 / np.sqrt(EXPOSURES.value) * ARCSEC,
        "step": STEP,
        "exposures": EXPOSURES,
        "gains": GAINS,
        "star_fwhm": 2 * ARCSEC,
        "rng": np.random.default_rng(2),
        "target_air": target,
        "picture_exposure": 120 * u.s,
    }
    return settings_map(**(arguments | changes))


@pytest.mark.parametrize(
    "real_mount", [{}, {"dead_band": 0.3 * ARCSEC, "backlash": [0, 2] * ARCSEC, "shake": 0.2 * ARCSEC, "delay": 1}]
)
def test_a_cell_of_the_map_is_the_loop_and_the_final_image_of_that_cell(real_mount):
    found = small_map(**real_mount)
    mount, air, target = night()
    noise = np.random.default_rng(2)
    for i, exposure in enumerate(EXPOSURES):
        size = int(exposure / STEP)
        errors = 0.2 / np.sqrt(exposure.value) * noise.standard_normal((1440 // size, 1, 4, 2))
        for j in (0, 2):
            for run in range(4):
                shake = real_mount.get("shake", 0 * ARCSEC)
                limits = {name: value for name, value in real_mount.items() if name != "shake"}
                result = correction_loop.simulate_loop(
                    mount_motion.step_means(mount[0], size),
                    mount_motion.step_means(air[run], size) + errors[:, 0, run] * ARCSEC,
                    GAINS[j],
                    **limits,
                )
                image = final_image(
                    result.pointing,
                    2 * ARCSEC,
                    air=mount_motion.step_means(target[run], size),
                    shake=shake,
                    within=mount_motion.motion_within(mount[0], size),
                    rows=round(120 / exposure.value),
                )
                assert found.fwhm[run, i, j].value == pytest.approx(image.mean_fwhm.value)
                total = np.sqrt((result.logged_rms**2).sum()).value
                assert found.logged_rms[run, i, j].value == pytest.approx(total)
                total = np.sqrt((result.pointing_rms**2).sum()).value
                assert found.pointing_rms[run, i, j].value == pytest.approx(total)


def test_best_plateau_and_uncertainty():
    found = small_map()
    best = found.best
    assert found.mean[best] == found.mean.min()
    plateau = found.plateau(0.03)
    assert plateau[best] and not plateau.all()
    assert np.all(found.mean[plateau] <= 1.03 * found.mean[best])
    assert found.plateau(0.1).sum() >= plateau.sum()
    assert np.all(found.uncertainty > 0) and np.all(found.uncertainty < 0.1 * found.mean)
    assert found.logged_rms.mean(axis=0)[found.lowest_log] == found.logged_rms.mean(axis=0).min()


def test_the_misleading_setting_has_as_good_a_log_and_the_worst_picture():
    found = small_map()
    logged, width = found.logged_rms.mean(axis=0), found.mean
    assert logged[found.misleading] <= logged[found.best]
    for cell in np.ndindex(*width.shape):
        assert logged[cell] > logged[found.best] or width[cell] <= width[found.misleading]


def test_uncertainty_is_the_scatter_of_the_mean():
    means, stated = [], []
    for seed in range(12):
        mount, air, target = night(seed + 10)
        rng = np.random.default_rng(seed)
        found = small_map(
            disturbance=mount,
            air=air,
            target_air=target,
            rng=rng,
            exposures=[1] * u.s,
            gains=[0.3],
            centroid_errors=[0.2] * ARCSEC,
        )
        means.append(found.mean[0, 0].value)
        stated.append(found.uncertainty[0, 0].value)
    assert 0.5 < np.std(means, ddof=1) / np.mean(stated) < 2


def test_a_perfect_mount_is_best_left_alone():
    mount, air, _ = night()
    found = small_map(disturbance=0 * mount, air=air, target_air=None, gains=[0.05, 0.2, 0.4, 0.8])
    assert found.best[1] == 0
    assert np.all(np.diff(found.mean.value, axis=1) > 0)


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"air": np.zeros((1, 1440, 2)) * ARCSEC}, ValueError, "air: expected at least 2 runs"),
        ({"air": np.zeros((1440, 2)) * ARCSEC}, ValueError, "air"),
        ({"disturbance": np.zeros((1, 7, 2)) * ARCSEC}, ValueError, "disturbance: expected shape"),
        ({"target_air": np.zeros((4, 7, 2)) * ARCSEC}, ValueError, "target_air: expected shape"),
        ({"centroid_errors": [0.1] * ARCSEC}, ValueError, "centroid_errors"),
        ({"exposures": [0.5, 0.7, 2, 4] * u.s}, ValueError, "exposures: expected whole multiples"),
        ({"gains": [0.5, 2.0]}, ValueError, "gain"),
        ({"gains": []}, ValueError, "gains"),
        ({"gains": [0.5, 1.0], "delay": 1}, ValueError, "gain"),
        ({"picture_exposure": 1 * u.h}, ValueError, "picture_exposure"),
        ({"star_fwhm": 0 * ARCSEC}, ValueError, "star_fwhm"),
        ({"rng": 3}, TypeError, "rng"),
        ({"step": 1 * u.m}, u.UnitsError, "step"),
    ],
)
def test_wrong_arguments_are_named(change, error, words):
    with pytest.raises(error, match=words):
        small_map(**change)


def test_plateau_refuses_a_share_of_nothing():
    with pytest.raises(ValueError, match="within"):
        small_map(exposures=[4] * u.s, centroid_errors=[0.1] * ARCSEC).plateau(0)


@given(
    st.integers(0, 2**32 - 1),
    st.integers(2, 4),
    st.lists(st.integers(1, 12), min_size=1, max_size=3),
    st.lists(st.floats(-0.1, 2.1), min_size=1, max_size=4),
    st.floats(0.1, 5),
    st.floats(0, 60),
    st.sampled_from([0, 1]),
)
@settings(max_examples=30, deadline=None, derandomize=True)
def test_any_map_is_finite_or_refused_by_name(seed, runs, sizes, gains, fwhm, picture, delay):
    rng = np.random.default_rng(seed)
    mount, air = rng.standard_normal((1, 40, 2)), rng.standard_normal((runs, 40, 2))
    try:
        found = settings_map(
            mount * ARCSEC,
            air * ARCSEC,
            np.full(len(sizes), 0.1) * ARCSEC,
            1 * u.s,
            sizes * u.s,
            gains,
            fwhm * ARCSEC,
            rng,
            picture_exposure=picture * u.s,
            delay=delay,
        )
    except ValueError as error:
        assert str(error).startswith(("gain", "picture_exposure:"))
    else:
        assert found.fwhm.shape == (runs, len(sizes), len(gains)) and np.all(found.fwhm >= 0.999 * fwhm * ARCSEC)
        assert np.all(np.isfinite(found.logged_rms)) and np.all(np.isfinite(found.uncertainty))
        assert found.plateau().shape == found.mean.shape
