"""The map over exposure and gain."""

import itertools
from dataclasses import replace

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers import rig as rigs
from helpers.correction_loop import loop as correction_loop
from helpers.correction_loop import mount as mount_motion
from helpers.correction_loop import night as guide_night
from helpers.correction_loop.picture import final_image
from helpers.correction_loop.settings import settings_map
from helpers.guide_field.stars import stars_at

ARCSEC = u.arcsec
STEP = 0.5 * u.s
EXPOSURES = [0.5, 1, 2, 4] * u.s
GAINS = np.array([0.1, 0.3, 0.6, 0.9])
SETTINGS = {"guiding.picture_exposure": 120 * u.s, "mount.backlash": 0 * ARCSEC, "mount.jitter": 0 * ARCSEC}


def night(seed=1, runs=4, n=1440, shared=0.5, values=None, **changes):
    rng = np.random.default_rng(seed)
    mount = mount_motion.polar_drift(n, STEP, 0 * u.deg, 30 * u.deg, 5 * u.arcmin)
    mount[:, 0] += mount_motion.periodic_error(n, STEP, 300 * u.s, 9 * ARCSEC)
    air = np.stack([mount_motion.gusts(n, STEP, 0.4 * ARCSEC, 1 * u.s, rng) for _ in range(runs)])
    rig = rigs.changed(rigs.demo_rig(), SETTINGS | (values or {}))
    stars = stars_at(rig, [[3, 40]] * u.arcmin, [14.0])
    drawn = guide_night.guide_night(rig, stars, rng, duration=2 * STEP, step=STEP, runs=1, wavelength=550 * u.nm)
    parts = {"mount": mount[None], "air": air, "target_air": shared * air, "unseen": 0 * mount}
    return replace(drawn, **(parts | changes))


def small_map(exposures=EXPOSURES, gains=GAINS, rng=None, **changes):
    return settings_map(night(**changes), exposures, gains, np.random.default_rng(2) if rng is None else rng)


@pytest.mark.parametrize(
    "real_mount",
    [
        {},
        {
            "guiding.dead_band": 0.3 * ARCSEC,
            "guiding.delay": 1,
            "mount.backlash": 2 * ARCSEC,
            "mount.jitter": 0.2 * ARCSEC,
        },
    ],
)
@pytest.mark.long
def test_a_cell_of_the_map_is_the_loop_and_the_final_image_of_that_cell(real_mount):
    found, drawn = small_map(values=real_mount), night(values=real_mount)
    rig, noise = drawn.rig, np.random.default_rng(2)
    for i, exposure in enumerate(EXPOSURES):
        size = int(exposure / STEP)
        errors = drawn.centroid_error(exposure) * noise.standard_normal((1440 // size, 1, 4, 2))
        for j, run in itertools.product((0, 2), range(4)):
            result = correction_loop.simulate_loop(
                mount_motion.step_means(drawn.mount[0], size),
                mount_motion.step_means(drawn.air[run], size) + errors[:, 0, run],
                GAINS[j],
                rig.guiding.delay,
                rig.guiding.dead_band,
                backlash=[0, 1] * rig.mount.backlash,
            )
            image = final_image(
                result.pointing,
                drawn.star_fwhm,
                air=mount_motion.step_means(drawn.target_air[run], size),
                shake=rig.mount.jitter,
                within=mount_motion.motion_within(drawn.mount[0], size),
                rows=round(120 / exposure.value),
                shape=drawn.star_shape,
            )
            # the map takes the motion for Gaussian
            assert found.fwhm[run, i, j].value == pytest.approx(image.mean_fwhm.value, rel=0.01)
            total = np.sqrt((result.logged_rms**2).sum()).value
            assert found.logged_rms[run, i, j].value == pytest.approx(total)
            total = np.sqrt((result.pointing_rms**2).sum()).value
            assert found.pointing_rms[run, i, j].value == pytest.approx(total)


def test_the_plateau_holds_the_best_and_grows_with_its_share():
    found = small_map()
    plateau = found.plateau(0.03)
    assert plateau[found.best] and not plateau.all()
    assert np.all(found.mean[plateau] <= 1.03 * found.mean.min())
    assert found.plateau(0.1).sum() > plateau.sum()
    assert np.all(found.uncertainty > 0) and np.all(found.uncertainty < 0.1 * found.mean)


def test_the_misleading_setting_has_as_good_a_log_and_the_worst_picture():
    found = small_map()
    logged, width = found.logged_rms.mean(axis=0), found.mean
    assert logged[found.misleading] <= logged[found.best]
    for cell in np.ndindex(*width.shape):
        assert logged[cell] > logged[found.best] or width[cell] <= width[found.misleading]


def test_uncertainty_is_the_scatter_of_the_mean():
    means, stated = [], []
    for seed in range(12):
        found = small_map(exposures=[1] * u.s, gains=[0.3], rng=np.random.default_rng(seed), seed=seed + 10)
        means.append(found.mean[0, 0].value)
        stated.append(found.uncertainty[0, 0].value)
    # the spread of twelve means lies outside these limits in fewer than 1 of 100,000 cases (chi-squared, 11)
    assert 0.2 < np.std(means, ddof=1) / np.sqrt(np.mean(np.square(stated))) < 2.3


def test_a_perfect_mount_is_best_left_alone():
    found = small_map(gains=[0.05, 0.2, 0.4, 0.8], mount=np.zeros((1, 1440, 2)) * ARCSEC, shared=0)
    assert found.best[1] == 0
    assert np.all(np.diff(found.mean.value, axis=1) > 0)


def test_a_guide_telescope_s_flexure_is_in_the_map():
    bend = mount_motion.flexure(1440, STEP, 40 * ARCSEC / u.h)
    held = {"exposures": [0.5, 1] * u.s, "gains": [0.6, 0.9]}  # a mount left to itself may drift against the bend
    assert np.all(small_map(unseen=bend, **held).mean > small_map(**held).mean)


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"runs": 1}, ValueError, "night: expected at least 2 runs"),
        ({"exposures": [0.5, 0.7, 2, 4] * u.s}, ValueError, "exposures: expected whole multiples"),
        ({"exposures": [1] * u.m}, u.UnitsError, "exposures"),
        ({"gains": [0.5, 2.0]}, ValueError, "gain"),
        ({"gains": []}, ValueError, "gains"),
        ({"gains": [0.5, 1.0], "values": {"guiding.delay": 1}}, ValueError, "gain"),
        ({"values": {"guiding.picture_exposure": 3600 * u.s}}, ValueError, "night: expected at least one picture"),
        ({"rng": 3}, TypeError, "rng"),
    ],
)
def test_wrong_arguments_are_named(change, error, words):
    with pytest.raises(error, match=words):
        small_map(**change)
    with pytest.raises(TypeError, match="night"):
        settings_map("night", EXPOSURES, GAINS, np.random.default_rng())


def test_plateau_refuses_a_share_of_nothing():
    with pytest.raises(ValueError, match="within"):
        small_map(exposures=[4] * u.s).plateau(0)


@given(
    seed=st.integers(0, 2**32 - 1),
    runs=st.integers(2, 4),
    sizes=st.lists(st.integers(1, 12), min_size=1, max_size=3),
    gains=st.lists(st.floats(0, 0.99), min_size=1, max_size=4),
    picture=st.floats(0.5, 60),
    delay=st.sampled_from([0, 1]),
    spoilt=st.sampled_from([None] * 9 + [({"gains": [2.5]}, "gain"), ({"sizes": [0.3]}, "exposures")]),
)
@settings(max_examples=30, deadline=None, derandomize=True)
def test_any_map_is_finite_or_refused_by_name(seed, runs, sizes, gains, picture, delay, spoilt):
    wrong, name = ({}, None) if spoilt is None else spoilt
    values = {"guiding.delay": delay, "guiding.picture_exposure": picture * u.s}
    drawn = night(seed, runs, n=180, values=values)
    arguments = {"sizes": sizes, "gains": gains} | wrong

    def draw():
        exposures = np.array(arguments["sizes"]) * STEP
        return settings_map(drawn, exposures, arguments["gains"], np.random.default_rng(seed))

    if name:
        with pytest.raises(ValueError, match=f"^{name}"):
            draw()
        return
    found = draw()
    assert found.fwhm.shape == (runs, len(sizes), len(gains)) and np.all(found.fwhm.value > 0)
    assert np.all(np.isfinite(found.logged_rms)) and np.all(np.isfinite(found.uncertainty))
    assert found.plateau().shape == found.mean.shape
