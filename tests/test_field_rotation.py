"""Rotation of the picture about the guide star: limits, errors, what follows for a rig."""

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, quantities

from helpers import guide_field
from helpers.pixel_scale import compare_scales
from helpers.rig import changed
from tests.three_rigs import CLUB, GUIDE_TELESCOPE, RIGS


def test_any_rotation():
    place = {
        "declination": quantities(u.deg, -85, 85, (3,)),
        "polar_error": quantities(u.arcmin, 0, 60),
        "hour_angle": quantities(u.deg, -180, 180),
        "pole_hour_angle": quantities(u.deg, 0, 360),
    }
    wrong = {"declination": [90 * u.deg], "polar_error": [-1 * u.arcmin, 11 * u.deg], "exposure": [13 * u.h]}
    check_any_call(guide_field.rotation_rate, place, spoiled={k: v for k, v in wrong.items() if k != "exposure"})
    exposure = {"exposure": quantities(u.s, 0, 40000)}
    check_any_call(guide_field.picture_rotation, place | exposure, spoiled=wrong)


def test_the_rate_summed_up_is_the_rotation():
    place = {"declination": 50 * u.deg, "polar_error": 3 * u.arcmin, "pole_hour_angle": 30 * u.deg}
    hours = np.linspace(-2, 2, 401)
    angles = (20 + 15.041 * hours) * u.deg
    summed = np.trapezoid(guide_field.rotation_rate(angles, **place).value, 60 * hours)
    whole = guide_field.picture_rotation(4 * u.h, hour_angle=20 * u.deg, **place)
    assert whole.value == pytest.approx(summed, rel=1e-4)


def test_the_hour_angle_left_out_is_the_worst():
    at = np.arange(0, 360, 5) * u.deg
    all_round = guide_field.picture_rotation(1 * u.h, 20 * u.deg, 2 * u.arcmin, at)
    worst = guide_field.picture_rotation(1 * u.h, 20 * u.deg, 2 * u.arcmin)
    assert worst.value == pytest.approx(all_round.value.max(), rel=1e-9)


def test_the_farthest_corner_from_a_guide_star_beside_or_in_the_picture():
    # 6000 x 4000 pixels of 3.8 um behind 1350 mm; the guide star 16 mm above the middle: 11.4 and 7.6 + 16 mm
    assert guide_field.corner_distance(CLUB).to_value(u.rad) == pytest.approx(np.hypot(11.4, 23.6) / 1350)
    camera, focal = GUIDE_TELESCOPE.main_camera, GUIDE_TELESCOPE.telescope.focal_length
    half_diagonal = np.hypot(camera.columns, camera.rows) * camera.pixel_size / focal / 2
    assert guide_field.corner_distance(GUIDE_TELESCOPE).to_value(u.rad) == pytest.approx(half_diagonal.to_value(u.one))


@pytest.mark.parametrize("rig", RIGS.values(), ids=RIGS)
@pytest.mark.parametrize("declination", [0, 33, 80])
def test_the_longest_exposure_draws_the_trail_that_shows(rig, declination):
    lasts = guide_field.longest_exposure(rig, declination * u.deg)
    trail = guide_field.corner_trail(rig, declination * u.deg, lasts)
    assert lasts < 12 * u.h
    assert trail.length.value == pytest.approx(trail.shows.value, rel=1e-9)
    # light strewn evenly along the trail has the rms that the picture notices
    strewn = np.random.default_rng(5).uniform(0, trail.shows.value, 200_000).std()
    assert strewn == pytest.approx(compare_scales(rig).noticed.value, rel=0.01)  # 9 standard errors


def test_a_perfect_pole_turns_nothing():
    still = changed(CLUB, {"mount.polar_error": 0 * u.arcmin})
    assert guide_field.corner_trail(still, 60 * u.deg).length == 0 * u.arcsec
    assert guide_field.longest_exposure(still, 60 * u.deg) == 12 * u.h
