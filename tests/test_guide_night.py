"""A rig's night: what is drawn, and what guiding makes of it."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers import guide_field, rig, seeing, starlight
from helpers.correction_loop import loop as correction_loop
from helpers.correction_loop import night as guide_night
from helpers.correction_loop.settings import settings_map
from helpers.multi_star import averaging as multi_star

STARS = [[-3, 40], [2, 42], [4, 39]] * u.arcmin
MAGNITUDES = [12.0, 13.0, 13.5]


def draw(which="club", seed=1, **changes):
    arguments = {"duration": 10 * u.min, "step": 0.5 * u.s, "runs": 2} | changes
    mine = rig.demo_rig(which)
    stars = guide_field.stars_at(mine, STARS, MAGNITUDES)
    return guide_night.guide_night(mine, stars, np.random.default_rng(seed), **arguments)


@pytest.fixture(scope="module")
def night():
    return draw()


def test_a_night_has_the_motion_of_its_parts(night):
    assert night.air.shape == night.target_air.shape == (2, 1200, 2) and night.mount.shape == (1, 1200, 2)
    club = rig.demo_rig()
    above = seeing.at_airmass(seeing.atmosphere_for(club.site), night.airmass)
    covariance = multi_star.motion_covariance(STARS, club.guide_optics.aperture, above, night.step)
    expected = multi_star.mean_variance(covariance, night.weights)
    found = np.mean(night.air.var(axis=1), axis=0)
    assert found.value == pytest.approx(expected.value, rel=0.25)  # ten minutes of slow air scatter much
    assert night.weights.sum() == pytest.approx(1) and np.all(np.diff(night.weights) < 0)
    assert np.all(night.unseen == 0)  # a pick-off does not bend
    assert night.airmass == pytest.approx(1 / np.sin(np.radians(76)), rel=1e-3)  # the default target on the meridian
    star = seeing.spot_fwhm(club.telescope.aperture, above, 550 * u.nm, obstruction=0.32)
    assert night.star_fwhm.value == pytest.approx(star.value)


def test_a_guide_telescope_bends_unseen():
    starter = draw("starter")
    assert np.hypot(*starter.unseen[-1]).value == pytest.approx(4 / 6, rel=0.01)  # 4 arcsec an hour for 10 minutes


def test_gusts_are_added_to_both_axes():
    still, windy = draw(), draw(gust_rms=0.5 * u.arcsec)
    assert np.std((windy.mount - still.mount).value) == pytest.approx(0.5, rel=0.25)


def test_centroid_error_of_the_mean():
    club = rig.demo_rig()
    exposure = 1 * u.s
    one = guide_night.mean_centroid_error(club, [13.0], exposure)
    star = starlight.view_of_arrived(club, exposure, fwhm=starlight.guide_star_fwhm(club)).signal(13.0)
    assert one.value == pytest.approx(star.centroid_error.value)
    assert guide_night.mean_centroid_error(club, [13.0] * 4, exposure).value == pytest.approx(one.value / 2)
    assert guide_night.mean_centroid_error(club, [13.0, 20.0], exposure) <= one
    by_exposure = guide_night.mean_centroid_error(club, [13.0], [0.5, 1, 4] * u.s)
    assert np.all(np.diff(by_exposure) < 0) and by_exposure.shape == (3,)


def test_guiding_takes_the_rig_s_own_settings(night):
    own, image = guide_night.guide(night)
    same, _ = guide_night.guide(night, 1 * u.s, 0.5, delay=0, dead_band=0 * u.arcsec)
    assert np.all(own.logged == same.logged)
    assert own.logged.shape == (600, 2) and image.picture_fwhm.shape == (3, 2)
    assert image.mean_fwhm > night.star_fwhm
    unguided, trailed = guide_night.guide(night, gain=0)
    assert np.all(unguided.pointing_rms > own.pointing_rms) and trailed.mean_fwhm > image.mean_fwhm


def test_log_is_pointing_air_and_centroid_noise(night):
    loop, _ = guide_night.guide(night, 1 * u.s, 0.3, np.random.default_rng(5))
    air = night.air[0].reshape(600, 2, 2).mean(axis=1)
    noise = night.centroid_error(1 * u.s) * np.random.default_rng(5).standard_normal((600, 2))
    assert np.allclose(loop.logged - loop.pointing, air + noise)


def test_the_map_is_guiding_cell_by_cell(night):
    exposures, gains = [0.5, 1, 2] * u.s, [0.2, 0.6]
    found = settings_map(night, exposures, gains, np.random.default_rng(1))
    for i, exposure in enumerate(exposures):
        for j, gain in enumerate(gains):
            cell = [guide_night.guide(night, exposure, gain, run=run)[1].mean_fwhm.value for run in (0, 1)]
            assert found.mean[i, j].value == pytest.approx(np.mean(cell), rel=3e-3)  # other centroid noise


def test_the_map_of_a_guide_telescope_holds_its_flexure():
    bent = draw("starter")
    values = {"guide_optics.flexure": 0 * u.arcsec / u.h}
    straight = guide_night.GuideNight(
        **(vars(bent) | {"unseen": 0 * bent.unseen, "rig": rig.changed(bent.rig, values)})
    )
    maps = [settings_map(one, [1] * u.s, [0.3], np.random.default_rng(1)) for one in (bent, straight)]
    assert maps[0].mean[0, 0] > maps[1].mean[0, 0]
    cell = np.mean([guide_night.guide(bent, gain=0.3, run=run)[1].mean_fwhm.value for run in (0, 1)])
    assert maps[0].mean[0, 0].value == pytest.approx(cell, rel=3e-3)


def test_poorer_seeing_moves_stars_as_its_power_of_five_sixths(night):
    poor = guide_night.at_seeing(night, 5 * u.arcsec)
    above = [seeing.atmosphere_for(one.rig.site) for one in (night, poor)]
    ratio = np.divide(*[seeing.image_motion(0.25 * u.m, one, 0.5 * u.s).value for one in above[::-1]])
    assert np.std(poor.air.value) / np.std(night.air.value) == pytest.approx(ratio, rel=0.01)
    assert poor.rig.site.seeing == 5 * u.arcsec and poor.star_fwhm > 1.9 * night.star_fwhm
    assert poor.centroid_error(1 * u.s) > night.centroid_error(1 * u.s)
    back = guide_night.at_seeing(poor, night.rig.site.seeing)
    assert np.allclose(back.air, night.air) and back.star_fwhm.value == pytest.approx(night.star_fwhm.value)


def test_a_perfect_mount_is_spoilt_by_guiding(night):
    perfect = guide_night.perfect_mount(night)
    alone, still = guide_night.guide(perfect, gain=0)
    assert np.all(alone.pointing == 0) and still.mean_fwhm.value == pytest.approx(perfect.star_fwhm.value, rel=1e-6)
    chased, blurred = guide_night.guide(perfect, 0.5 * u.s, gain=1)
    assert np.all(chased.pointing_rms > 0.1 * u.arcsec) and blurred.mean_fwhm > still.mean_fwhm


def test_same_seed_same_night():
    assert np.all(draw(seed=4, duration=20 * u.s).air == draw(seed=4, duration=20 * u.s).air)


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        (lambda night: draw(duration=0 * u.s), ValueError, "duration"),
        (lambda night: draw(step=1 * u.m), u.UnitsError, "step"),
        (lambda night: draw(runs=0), ValueError, "runs"),
        (lambda night: draw(hour_angle=9 * u.hourangle), ValueError, "stars: expected a target above the horizon"),
        (lambda night: draw(gust_rms=-1 * u.arcsec), ValueError, "gust_rms"),
        (lambda night: guide_night.guide_night("rig", STARS, np.random.default_rng()), TypeError, "rig"),
        (
            lambda night: guide_night.guide_night(rig.demo_rig(), STARS, np.random.default_rng()),
            TypeError,
            "stars: expected a GuideStars",
        ),
        (lambda night: guide_night.guide(night, 0.7 * u.s), ValueError, "exposure: expected a whole multiple"),
        (lambda night: guide_night.guide(night, 0.1 * u.s), ValueError, "exposure"),
        (lambda night: guide_night.guide(night, gain=2.5), ValueError, "gain"),
        (lambda night: guide_night.guide(night, run=2), ValueError, "run"),
        (lambda night: guide_night.guide("night"), TypeError, "night"),
        (lambda night: guide_night.at_seeing("night", 2 * u.arcsec), TypeError, "night"),
        (lambda night: guide_night.at_seeing(night, 0 * u.arcsec), ValueError, "fwhm"),
        (lambda night: guide_night.perfect_mount("night"), TypeError, "night"),
        (lambda night: settings_map("night", [1] * u.s, [0.5], np.random.default_rng()), TypeError, "night"),
        (lambda night: guide_night.mean_centroid_error(rig.demo_rig(), [], 1 * u.s), ValueError, "magnitudes"),
        (lambda night: guide_night.mean_centroid_error(rig.demo_rig(), [np.nan], 1 * u.s), ValueError, "magnitudes"),
    ],
)
def test_wrong_arguments_are_named(night, call, error, words):
    with pytest.raises(error, match=words):
        call(night)


def test_a_lost_star_leaves_no_command(night):
    seen = np.ones(600, bool)
    seen[100:160] = False
    loop, _ = guide_night.guide(night, seen=seen)
    assert isinstance(loop, correction_loop.LoopResult) and np.all(loop.corrections[100:160] == 0)


@given(
    st.floats(-1, 30),
    st.floats(-0.1, 2.1),
    st.integers(-1, 2),
    st.sampled_from([0, 1]),
    st.floats(-0.1, 2),
    st.floats(-1, 120),
)
@settings(max_examples=40, deadline=None, derandomize=True)
def test_any_setting_guides_finitely_or_is_refused_by_name(night, steps, gain, run, delay, dead_band, seeing_arcsec):
    exposure = round(steps) * night.step
    try:
        here = guide_night.perfect_mount(guide_night.at_seeing(night, seeing_arcsec * u.arcsec))
        loop, image = guide_night.guide(here, exposure, gain, run=run, delay=delay, dead_band=dead_band * u.arcsec)
    except ValueError as error:
        assert str(error).split(":")[0] in ("exposure", "gain", "run", "dead_band", "fwhm", "outer_scale")
    else:
        assert np.all(np.isfinite(loop.logged)) and np.isfinite(image.mean_fwhm)


@given(st.lists(st.floats(-5, 30), max_size=4), st.floats(-1, 100), st.floats(0, 50))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_any_stars_have_a_finite_centroid_error_or_are_refused_by_name(magnitudes, exposure, airmass):
    try:
        error = guide_night.mean_centroid_error(rig.demo_rig(), np.array(magnitudes), exposure * u.s, airmass=airmass)
    except ValueError as refused:
        assert str(refused).split(":")[0] in ("magnitudes", "exposures", "airmass")
    else:
        assert np.isfinite(error) and error > 0 * u.arcsec
