"""The mean of a field's stars, and the risk of being left without one."""

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, generators, numbers, quantities
from hypothesis import strategies as st

from helpers import guide_field, multi_star, seeing, starlight
from helpers import rig as rigs

CLUB, STARTER = rigs.demo_rig(), rigs.demo_rig("starter")
MIDDLING = {rig.name: guide_field.middling_stars(rig) for rig in (CLUB, STARTER)}


@pytest.fixture(params=[CLUB, STARTER], ids=["club", "starter"])
def rig(request):
    return request.param


def test_the_mean_of_a_field_by_the_definition(rig):
    field = multi_star.measure_field(rig, MIDDLING[rig.name], 2 * u.s, most=4)
    air = multi_star.motion_covariance(field.stars, rig.guide_optics.aperture, seeing.atmosphere_for(rig.site), 2 * u.s)
    errors = starlight.view_of_arrived(rig, 2 * u.s).signal(field.stars.magnitudes).centroid_error
    weights = errors.value**-2 / np.sum(errors.value**-2)
    whole = air + np.diag(errors.value**2) * u.arcsec**2
    expected = np.sqrt(np.mean([weights @ axis.value @ weights for axis in whole]))
    assert field.mean().both.value == pytest.approx(expected, rel=1e-9)
    assert field.mean(1).air.value == pytest.approx(np.sqrt(air[:, 0, 0].mean().value), rel=1e-9)
    assert np.all(np.diff(field.errors) >= 0)
    assert len(field) == 4
    equal = field.mean(2, [0.5, 0.5])
    assert equal.noise.value == pytest.approx(np.hypot(*errors[:2].value) / 2)
    for wrong in (0, 5, 1.5):
        with pytest.raises((ValueError, TypeError), match="count"):
            field.mean(wrong)


def test_stars_that_are_lost_or_too_bright_are_left_out():
    stars = guide_field.stars_at(CLUB, [[20, 30], [21, 31], [22, 32]] * u.arcmin, [2.0, 12.0, 25.0])
    field = multi_star.measure_field(CLUB, stars)
    assert field.stars.magnitudes.tolist() == [12.0]
    assert len(multi_star.measure_field(CLUB, stars[1:], fainter=13)) == 2, "where none is left, all are kept"


def test_a_cloud_hides_the_brightest_last(rig):
    stars = MIDDLING[rig.name]
    limit = multi_star.cloud_that_hides(rig, stars)
    for more, seen in ((-0.05, True), (0.05, False)):
        signal = starlight.view_of_arrived(rig).signal(stars.magnitudes + limit + more)
        assert signal.measurable.any() == seen
    assert multi_star.cloud_that_hides(rig, stars[1:]) < limit
    assert multi_star.cloud_that_hides(rig, stars, 4 * rig.guiding.exposure) > limit


def test_the_chance_to_miss_a_star_of_a_guide_telescope_is_that_of_a_rectangle():
    """One bright star off the middle; two normal errors, so a product of two normal chances (definition)."""
    from scipy.special import ndtr

    stars = guide_field.stars_at(STARTER, [[0.0, 0.0]] * u.arcmin, [7.0])
    camera, focal = STARTER.guide_camera, STARTER.guide_optics.focal_length
    half = np.array([camera.columns, camera.rows]) * (camera.pixel_size / focal).to_value(u.one) / 2
    sigma = 25 * u.arcmin
    place = (stars.on_sensor[0] / focal).to_value(u.one)
    inside = np.prod(ndtr((half - place) / sigma.to_value(u.rad)) - ndtr((-half - place) / sigma.to_value(u.rad)))
    draws = 20_000
    found = multi_star.chance_of_missing(STARTER, stars, sigma, np.random.default_rng(1), draws)
    # 4.5 standard errors: a chance below 1e-5
    assert found == pytest.approx(1 - inside, abs=4.5 * np.sqrt(inside * (1 - inside) / draws))
    assert multi_star.chance_of_missing(STARTER, stars, 0 * u.arcmin, np.random.default_rng(1)) == 0


def test_more_stars_are_missed_more_rarely():
    stars = MIDDLING[CLUB.name]
    alone, both = (
        multi_star.chance_of_missing(CLUB, stars[:n], 4 * u.arcmin, np.random.default_rng(2)) for n in (1, 2)
    )
    assert both <= alone


@pytest.mark.parametrize("magnitude", [11.0, 12.0, 14.0, 15.0])
def test_the_fall_back_exposure_is_the_shortest_that_is_enough(magnitude):
    found = multi_star.fallback_exposure(CLUB, magnitude)
    for time, enough in ((found, True), (0.95 * found, False)):
        signal = starlight.view_of_arrived(CLUB, time).signal(magnitude)
        assert (signal.centroid_error <= 0.1 * u.arcsec) == enough


def test_no_exposure_helps_a_star_that_is_too_faint():
    assert multi_star.fallback_exposure(CLUB, 22.0) is None


def test_any_call():
    some = st.sampled_from([MIDDLING[CLUB.name], MIDDLING[CLUB.name][:1]])
    check_any_call(
        lambda **arguments: multi_star.measure_field(CLUB, **arguments).errors,
        {"stars": some, "exposure": quantities(u.s, 0.2, 8), "airmass": numbers(1, 3), "fainter": numbers(0, 3)},
        spoiled={"exposure": [0 * u.s, -1 * u.s], "airmass": [0.5, -1]},
    )
    check_any_call(
        lambda **arguments: multi_star.cloud_that_hides(CLUB, **arguments),
        {"stars": some, "exposure": quantities(u.s, 0.2, 8), "airmass": numbers(1, 3)},
    )
    check_any_call(
        lambda **arguments: multi_star.chance_of_missing(CLUB, draws=50, **arguments),
        {"stars": some, "pointing_error": quantities(u.arcmin, 0.1, 30), "rng": generators()},
        spoiled={"pointing_error": [-1 * u.arcmin]},
    )
    check_any_call(
        lambda **arguments: multi_star.fallback_exposure(CLUB, **arguments),
        {"magnitude": numbers(8, 15), "centroid_error": quantities(u.arcsec, 0.08, 1)},
        examples=15,
    )
