"""Field rotation against exact rotations and a published rule."""

import astropy.units as u
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from helpers import guide_field
from helpers import rig as rigs
from helpers.shared import sky

SIDEREAL = 2 * np.pi / sky.SIDEREAL_DAY.to_value(u.s)


def in_camera(stars, turned, declination, hour_angle, polar_error, pole_hour_angle):
    """Directions of stars, (n, 2) [rad] east and north of the guide star, as a camera on a guided mount sees them.

    scipy Rotation: the earth turns, the mount's two axes bring the guide star back to the middle, whatever it takes.
    Axes of the sky: z the celestial pole, angles about it eastwards from the meridian. `stars` (n, 2) are degrees in
    right ascension and declination from the guide star.
    """
    places = np.array([[-hour_angle, declination], *([-hour_angle + a, declination + d] for a, d in stars)])
    east, dec = np.radians(places).T
    directions = np.column_stack([np.cos(dec) * np.cos(east), np.cos(dec) * np.sin(east), np.sin(dec)])
    directions = Rotation.from_euler("z", -turned).apply(directions)
    to_mount = Rotation.from_euler("y", -polar_error, degrees=True) * Rotation.from_euler(
        "z", pole_hour_angle, degrees=True
    )
    seen = to_mount.apply(directions)
    axes = np.arctan2(seen[0, 1], seen[0, 0]), np.arcsin(seen[0, 2])  # right ascension and declination axis
    seen = (Rotation.from_euler("y", axes[1]) * Rotation.from_euler("z", -axes[0])).apply(seen)
    assert seen[0] == pytest.approx([1, 0, 0], abs=1e-12)
    return seen[1:, 1:] / seen[1:, :1]


@pytest.mark.parametrize("declination", [-30, 0, 40, 65, 80])
@pytest.mark.parametrize("pole_hour_angle", [0, 90, 200])
@pytest.mark.parametrize("hour_angle", [-60, 15, 100])
def test_the_picture_turns_as_exact_rotations_say(declination, pole_hour_angle, hour_angle):
    minutes, polar_error = 40, 5  # arcmin
    half = SIDEREAL * minutes * 30
    ends = [
        in_camera([(1.2, 0.7)], turned, declination, hour_angle, polar_error / 60, pole_hour_angle)[0]
        for turned in (-half, half)
    ]
    angles = [np.arctan2(*end) for end in ends]  # north through east, in the camera
    exact = (angles[0] - angles[1]) * u.rad  # the camera turns one way, stars on it the other
    lasts, place = minutes * u.min, (hour_angle * u.deg, pole_hour_angle * u.deg)
    found = guide_field.picture_rotation(lasts, declination * u.deg, polar_error * u.arcmin, *place)
    most = guide_field.picture_rotation(lasts, declination * u.deg, polar_error * u.arcmin)
    assert (found - exact).to_value(u.arcsec) == pytest.approx(0, abs=0.02 * most.value)
    rate = guide_field.rotation_rate(place[0], declination * u.deg, polar_error * u.arcmin, place[1])
    assert (rate * lasts - exact).to_value(u.arcsec) == pytest.approx(0, abs=0.02 * most.value)


@pytest.mark.parametrize("declination", [0, 50, 80])
@pytest.mark.parametrize("name", ["club", "starter"])
def test_the_trail_in_the_corner_is_that_of_exact_rotations(declination, name):
    rig = rigs.demo_rig(name)
    minutes, polar_error = 60, rig.mount.polar_error.to_value(u.deg)
    away = guide_field.corner_distance(rig).to_value(u.deg)
    half, stars = SIDEREAL * minutes * 30, [(0, away), (0, -away)]
    first, last = (in_camera(stars, turned, declination, 90, polar_error, 90) for turned in (-half, half))
    exact = np.degrees(np.hypot(*(first - last).T)) * 3600
    trail = guide_field.corner_trail(rig, declination * u.deg, minutes * u.min)
    assert trail.length.value == pytest.approx(exact, rel=0.02)


def test_the_rule_for_the_polar_error_that_a_picture_bears():
    # Hook 1989, J. Br. Astron. Assoc. 99, 19 (from memory): polar error [arcmin] = 45000 x trail [um] x
    # cos(declination) / (minutes x focal length [mm] x degrees from the guide star).
    trail, declination, minutes, focal_length, away = 10, 40, 20, 1000, 0.8
    error = 45000 * trail * np.cos(np.radians(declination)) / (minutes * focal_length * away)
    rotation = guide_field.picture_rotation(minutes * u.min, declination * u.deg, error * u.arcmin)
    on_film = rotation.to_value(u.rad) * np.radians(away) * focal_length * 1000
    assert on_film == pytest.approx(trail, rel=2e-3)
