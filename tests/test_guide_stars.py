"""Guide stars: one frame for sky and sensor, real lists and middling fields, and what passes the pick-off."""

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.table import Table
from scipy.stats import poisson

from helpers import guide_field, seeing
from helpers import rig as rigs
from helpers.multi_star import averaging
from helpers.shared import sky

CLUB, STARTER = rigs.demo_rig(), rigs.demo_rig("starter")
TARGET = guide_field.DEMO_TARGET


def at_latitude(degrees, rig=CLUB):
    return rigs.changed(rig, {"site.latitude": degrees * u.deg})


@pytest.mark.parametrize("rig", [CLUB, STARTER])
@pytest.mark.parametrize("angle", [0, 60, 200] * u.deg)
def test_sky_and_sensor_are_one_frame(rig, angle):
    stars = guide_field.middling_stars(rig, position_angle=angle)
    listed = Table({"ra": stars.sky_places.ra, "dec": stars.sky_places.dec, "magnitude": stars.catalogue_magnitudes})
    again = guide_field.usable_stars(listed, stars.target, angle, rig, 25)
    assert len(again) == len(stars)
    order = again.on_sensor[:, 0].value.argsort(), stars.on_sensor[:, 0].value.argsort()
    for name in ("on_sensor", "offsets", "magnitudes", "light"):
        found, expected = (
            u.Quantity(getattr(one, name)).value[k] for one, k in zip((again, stars), order, strict=True)
        )
        assert found == pytest.approx(expected, abs=1e-6), name
    # second route: separation and position angle on the sphere against the place on the sensor
    distance = np.tan(stars.target.separation(stars.sky_places).rad) * rig.guide_optics.focal_length.to_value("mm")
    direction = stars.target.position_angle(stars.sky_places).rad - angle.to_value("rad")
    off_axis = rig.guide_optics.off_axis_distance.to_value("mm")
    assert stars.on_sensor[:, 1].value == pytest.approx(distance * np.cos(direction) - off_axis, abs=1e-6)
    assert stars.on_sensor[:, 0].value == pytest.approx(distance * np.sin(direction), abs=1e-6)


def test_offsets_are_those_of_astropy_near_the_target():
    stars = guide_field.middling_stars(STARTER)
    east, north = stars.target.spherical_offsets_to(stars.sky_places)
    # tangent plane against angles: a relative difference of distance^2 / 3
    assert stars.offsets[:, 0].value == pytest.approx(east.to_value("arcmin"), abs=4e-3)
    assert stars.offsets[:, 1].value == pytest.approx(north.to_value("arcmin"), abs=4e-3)


def test_middling_stars_are_as_many_as_the_sky_has():
    stars = guide_field.middling_stars(STARTER)
    lit = guide_field.lit_field(STARTER.guide_optics, STARTER.guide_camera)
    place = stars.target.galactic
    for number in (1, 5, 10):
        mean = guide_field.expected_stars(lit, float(stars.magnitudes[number - 1]), None, place.b, place.l)
        # so many are there in half of all fields
        assert poisson.sf(number - 1, mean) == pytest.approx(0.5, abs=0.02)
    assert np.all(np.diff(stars.magnitudes) > 0) and len(stars) <= 40


@pytest.mark.long
def test_drawn_fields_scatter_about_the_mean_of_the_sky():
    rng, lit = np.random.default_rng(8), guide_field.lit_field(CLUB.guide_optics, CLUB.guide_camera)
    mean = guide_field.expected_stars(lit, 15.5, None, TARGET.galactic.b, TARGET.galactic.l)
    numbers = [np.sum(guide_field.middling_stars(CLUB, rng=rng).magnitudes < 15.5) for _ in range(200)]
    # five standard errors of a Poisson mean: false alarm 6e-7
    assert np.mean(numbers) == pytest.approx(mean, abs=5 * np.sqrt(mean / 200))


def test_middling_stars_stand_where_light_falls():
    small = rigs.changed(CLUB, {"guide_optics.mirror_size": 4 * u.mm})
    for rig in (CLUB, small):
        stars = guide_field.middling_stars(rig, TARGET, np.random.default_rng(1))
        half = np.array([2.7, 1.5]) * u.mm
        assert np.all(np.abs(stars.on_sensor) <= half)
        assert stars.light == pytest.approx(guide_field.lit_fraction(*stars.on_sensor.T, rig.guide_optics))
        assert stars.light.min() > 0.2 * guide_field.lit_field(rig.guide_optics, rig.guide_camera).fraction.max()


def test_a_small_change_of_the_rig_moves_the_stars_little():
    before = guide_field.middling_stars(CLUB)
    after = guide_field.middling_stars(rigs.changed(CLUB, {"guide_optics.mirror_size": 9.1 * u.mm}))
    count = min(len(before), len(after))
    assert np.abs(after.on_sensor[:count] - before.on_sensor[:count]).max() < 0.1 * u.mm


@pytest.mark.parametrize("latitude", [90, 47, 10, 0, -34, -45, -58, -90])
def test_the_default_target_stands_high_everywhere(latitude):
    target = guide_field.default_target(at_latitude(latitude))
    assert guide_field.meridian_passage(target, latitude * u.deg).altitude.value == pytest.approx(76)
    assert len(guide_field.middling_stars(at_latitude(latitude))) >= 1


def test_the_default_target_of_the_demo_site_is_that_of_the_demo_lists():
    assert guide_field.default_target(CLUB).separation(TARGET) < 1e-6 * u.arcsec


def test_a_target_below_the_horizon_is_refused_in_words():
    with pytest.raises(ValueError, match="never higher than -17.0 deg"):
        guide_field.middling_stars(at_latitude(-74), TARGET)


def test_some_of_the_stars():
    stars = guide_field.middling_stars(STARTER)
    few = stars[stars.magnitudes < stars.magnitudes[3]]
    assert len(few) == 3 and few.target is stars.target
    assert np.all(few.offsets == stars[:3].offsets) and stars[2].magnitudes.tolist() == [stars.magnitudes[2]]


def test_covariances_take_guide_stars():
    stars = guide_field.middling_stars(CLUB)
    above = seeing.atmosphere_for(CLUB.site)
    whole = averaging.motion_covariance(stars, 250 * u.mm, above, 1 * u.s)
    assert np.all(whole == averaging.motion_covariance(stars.offsets, 250 * u.mm, above, 1 * u.s))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"offsets": np.zeros((3, 2)) * u.arcmin}, "offsets: expected shape"),
        ({"offsets": np.zeros((2, 2)) * u.mm}, "offsets: expected a unit"),
        ({"magnitudes": [np.nan, 1]}, "magnitudes"),
        ({"light": [0.0, 1.0]}, "light"),
        ({"target": "M 0"}, "target"),
        ({"target": SkyCoord(0, 0, unit="deg", frame="altaz")}, "target"),
    ],
)
def test_wrong_parts_are_named(changes, words):
    parts = {"target": TARGET, "offsets": np.zeros((2, 2)) * u.arcmin, "on_sensor": np.zeros((2, 2)) * u.mm}
    with pytest.raises((ValueError, TypeError, u.UnitsError), match=words):
        guide_field.GuideStars(**(parts | {"magnitudes": [10.0, 11.0]} | changes))


def test_altitude_agrees_with_a_turn_of_axes():
    rng = np.random.default_rng(2)
    dec, latitude = np.degrees(np.arcsin(rng.uniform(-1, 1, (2, 200))))
    hour = rng.uniform(-180, 180, 200)
    # second route: unit vectors, turned from the equator to the horizon
    star = np.array([np.cos(np.radians(dec)) * np.cos(np.radians(hour)), np.sin(np.radians(dec))])
    up = np.array([np.cos(np.radians(latitude)), np.sin(np.radians(latitude))])
    expected = np.degrees(np.arcsin((star * up).sum(axis=0)))
    assert sky.altitude(dec * u.deg, latitude * u.deg, hour * u.deg).value == pytest.approx(expected, abs=1e-6)
    assert sky.altitude(33 * u.deg, 47 * u.deg).value == pytest.approx(76, abs=1e-9)


def test_the_tangent_plane_and_back():
    rng = np.random.default_rng(4)
    for place in ((188, 33), (0.01, -5), (359.99, 89.5), (77, 90), (12, -90)):
        centre = SkyCoord(*place, unit="deg")
        east, north = rng.uniform(-0.02, 0.02, (2, 30))
        back = sky.from_tangent_plane(east, north, centre)
        again = sky.tangent_plane(back.ra.deg, back.dec.deg, centre)
        assert np.array(again) == pytest.approx(np.array([east, north]), abs=1e-10)
