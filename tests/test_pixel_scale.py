"""Pixel scale, star on pixels, centroid, and the movement a picture notices."""

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, generators, numbers, quantities
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.pixel_scale import (
    allowed_motion,
    blurred_fwhm,
    centroid,
    centroid_limit,
    compare_scales,
    field_of_view,
    inside_pixel_error,
    phase_error,
    pixel_scale,
    seeing_from_picture,
    simulated_centroids,
    spot_width,
    star_image,
)
from helpers.rig import demo_rig
from helpers.rig.values import changed
from helpers.shared import sky
from helpers.starlight.widths import picture_star_fwhm

QUICK = settings(max_examples=30, deadline=None, derandomize=True)
ARC, SCALE = u.arcsec, u.arcsec / u.pix
DOCUMENTED = (ValueError, TypeError, u.UnitsError)


def test_scale_by_hand():
    assert pixel_scale(2.9 * u.um, 1000 * u.mm).to_value(SCALE) == pytest.approx(0.598, abs=5e-4)
    assert pixel_scale(3 * u.um, 206.264806 * u.mm).to_value(SCALE) == pytest.approx(3, rel=1e-7)
    assert pixel_scale(3 * u.um, 200 * u.mm, binning=2) == 2 * pixel_scale(3 * u.um, 200 * u.mm)


def test_a_longer_focal_length_and_a_smaller_pixel_do_the_same():
    base = pixel_scale(4 * u.um, 500 * u.mm)
    assert pixel_scale(4 * u.um, 1000 * u.mm).value == pytest.approx(base.value / 2, rel=1e-7)
    assert pixel_scale(2 * u.um, 500 * u.mm).value == pytest.approx(base.value / 2, rel=1e-7)


def test_scales_broadcast():
    table = pixel_scale([2, 3, 4] * u.um, [[200], [1000]] * u.mm)
    assert table.shape == (2, 3) and table[1, 0] == pixel_scale(2 * u.um, 1 * u.m)
    with pytest.raises(ValueError, match=r"found pixel_size \(2,\), focal_length \(3,\)"):
        pixel_scale([2, 3] * u.um, [1, 2, 3] * u.mm)


def test_field_is_scale_times_pixels_when_small():
    field = field_of_view((1800, 1000), 3 * u.um, 1350 * u.mm)
    scale = pixel_scale(3 * u.um, 1350 * u.mm).value
    assert field.unit == u.arcmin and field.shape == (2,)
    assert field.value == pytest.approx(np.array([1800, 1000]) * scale / 60, rel=1e-5)


def test_a_wide_field_is_less_than_scale_times_pixels():
    field = field_of_view((4000, 4000), 10 * u.um, 20 * u.mm)  # 40 mm of sensor at 20 mm: 90 degrees
    assert field.to_value(u.deg) == pytest.approx([90, 90])


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ((-3 * u.um, 1 * u.m), "pixel_size"),
        ((3 * u.um, 0 * u.m), "focal_length"),
        ((np.nan * u.um, 1 * u.m), "pixel_size"),
        ((3 * u.um, np.inf * u.m), "focal_length"),
        (([] * u.um, 1 * u.m), "pixel_size"),
        ((3 * u.s, 1 * u.m), "pixel_size"),
        ((3, 1 * u.m), "pixel_size"),
        ((3 * u.um, 1 * u.m, 0), "binning"),
        ((3 * u.um, 1 * u.m, 1.5), "binning"),
    ],
)
def test_wrong_values_of_a_scale_are_named(arguments, named):
    with pytest.raises(DOCUMENTED, match=named):
        pixel_scale(*arguments)


@pytest.mark.parametrize("shape", [5, (1,), (1, 2, 3), (0, 5), (5, 2.5), "ab", None])
def test_wrong_shapes_are_named(shape):
    with pytest.raises((ValueError, TypeError), match="shape"):
        field_of_view(shape, 3 * u.um, 1 * u.m)
    with pytest.raises((ValueError, TypeError), match="shape"):
        star_image([1, 1] * u.pix, 3 * u.pix, shape)


def test_motion_and_pixels_widen_in_quadrature():
    assert blurred_fwhm(3 * u.arcsec, 0 * u.arcsec) == 3 * u.arcsec
    assert blurred_fwhm(3 * u.arcsec, 4 / 2.354820045 * u.arcsec).value == pytest.approx(5)
    with_pixel = blurred_fwhm(3 * u.arcsec, 0 * u.arcsec, 2 * SCALE).value
    assert with_pixel == pytest.approx(np.sqrt(9 + 8 * np.log(2) * 4 / 12))


@QUICK
@given(st.floats(0.1, 20), st.floats(0, 3))
def test_allowed_motion_undoes_the_blur(fwhm, widening):
    motion = allowed_motion(fwhm * u.arcsec, widening)
    assert blurred_fwhm(fwhm * u.arcsec, motion).value == pytest.approx(fwhm * (1 + widening))


def test_a_recorded_star_is_as_wide_as_the_pixels_and_the_motion_make_it():
    # second moments of drawn, moved stars, against the quadrature
    rng = np.random.default_rng(1)
    places = 20 + rng.uniform(-0.5, 0.5, (400, 1)) * [1, 0] + rng.normal(0, 0.8, (400, 2)) * [1, 0]
    image = star_image(places * u.pix, 4 * u.pix, (41, 41)).value
    x = np.arange(41)
    line = image.sum(axis=1).mean(axis=0)
    width = 2.354820045 * np.sqrt(np.sum(line * x**2) - np.sum(line * x) ** 2)
    motion = np.std(places[:, 0])
    expected = blurred_fwhm(4 * u.arcsec, motion * u.arcsec, 1 * SCALE).value
    assert width == pytest.approx(expected, rel=1e-3)


def test_all_light_lands_on_the_pixels():
    image = star_image([10.3, 7.8] * u.pix, 3 * u.pix, (24, 18), 5000 * u.electron)
    assert image.shape == (18, 24) and image.unit == u.electron
    assert image.sum().value == pytest.approx(5000, rel=1e-3)
    assert np.unravel_index(image.argmax(), image.shape) == (8, 10)
    many = star_image([[10.3, 7.8], [4, 5]] * u.pix, 3 * u.pix, (24, 18), 5000 * u.electron)
    assert many.shape == (2, 18, 24) and np.array_equal(many[0], image)


def test_half_a_star_on_the_edge():
    image = star_image([-0.5, 10] * u.pix, 2 * u.pix, (21, 21))
    assert image.sum().value == pytest.approx(0.5, abs=1e-6)


def test_a_tiny_star_falls_into_one_pixel():
    image = star_image([3.2, 2.1] * u.pix, 0.01 * u.pix, (6, 5)).value
    assert image[2, 3] == pytest.approx(1) and image.sum() == pytest.approx(1)


def test_centroid_finds_a_star_far_finer_than_a_pixel():
    true = np.array([[10.37, 9.81], [11.02, 10.55]])
    images = star_image(true * u.pix, 3 * u.pix, (22, 21))
    assert centroid(images).value == pytest.approx(true, abs=1e-4)
    assert centroid(images[0]).shape == (2,)
    assert centroid(images, box=13).value == pytest.approx(true, abs=1e-4)


def test_a_box_leaves_out_what_lies_outside_and_reaches_over_the_edge():
    image = star_image([10, 10] * u.pix, 3 * u.pix, (40, 21)).value
    image[3, 35] = 0.05  # a hot pixel far away
    assert centroid(image, box=9).value == pytest.approx([10, 10], abs=1e-6)
    assert abs(centroid(image).value - 10).max() > 0.3
    corner = star_image([0, 0] * u.pix, 1.5 * u.pix, (9, 9))
    assert np.all(np.isfinite(centroid(corner, box=5)))


@pytest.mark.parametrize(
    "wrong", [np.zeros((5, 5)), np.ones(5), np.full((4, 4), np.nan), np.ones((0, 3, 3)), "x", None]
)
def test_wrong_images_are_named(wrong):
    with pytest.raises((ValueError, TypeError), match="image"):
        centroid(wrong)


@pytest.mark.parametrize("box", [0, 4, -3, 2.5, "a"])
def test_wrong_boxes_are_named(box):
    with pytest.raises((ValueError, TypeError), match="box"):
        centroid(np.ones((9, 9)), box)


def test_phase_error_vanishes_at_middle_and_edge_and_is_odd():
    error = phase_error(0.6 * u.pix, [-0.5, -0.25, 0, 0.25, 0.5] * u.pix).value
    assert error[[0, 2, 4]] == pytest.approx([0, 0, 0], abs=1e-12)
    assert error[1] == pytest.approx(-error[3]) and error[1] > 0.05


def test_phase_error_falls_steeply_with_the_width_of_the_star():
    errors = [abs(phase_error(width * u.pix, 0.25 * u.pix).value) for width in (0.5, 1.0, 1.5, 2.0)]
    assert np.all(np.diff(errors) < 0) and errors[2] > 1e-4 and errors[3] < 1e-6


def test_a_tight_box_pulls_towards_the_middle_of_the_pixel():
    wide, tight = (phase_error(3 * u.pix, 0.3 * u.pix, box).value for box in (15, 3))
    assert abs(wide) < 1e-4 and tight < -0.15


def test_centroid_limit_is_what_drawn_stars_show():
    rng = np.random.default_rng(4)
    fwhm, scale, electrons = 3 * u.arcsec, 1.2 * SCALE, 500 * u.electron
    phases = 12 + rng.uniform(-0.5, 0.5, (6000, 2))
    frames = rng.poisson(star_image(phases * u.pix, fwhm / scale, (25, 25), electrons).value)
    measured = (centroid(frames) - phases * u.pix) * scale
    assert np.std(measured.value) == pytest.approx(centroid_limit(fwhm, electrons, scale).value, rel=0.03)


@pytest.mark.parametrize("width", [0.1, 0.4, 0.7, 1.1, 1.5])
def test_inside_pixel_error_is_that_of_drawn_stars(width):
    places = (np.arange(400) + 0.5) / 400 - 0.5
    drawn = phase_error(width * u.pix, places * u.pix).value
    calculated = inside_pixel_error(3 * width * u.arcsec, 3 * SCALE).value / 3
    assert np.sqrt(np.mean(drawn**2)) == pytest.approx(calculated, rel=5e-3)


def test_inside_pixel_error_at_its_ends():
    assert inside_pixel_error(1e-5 * u.arcsec, 1 * SCALE).value == pytest.approx(12**-0.5, rel=3e-3)  # anywhere in it
    assert inside_pixel_error([4, 40] * u.arcsec, 1 * SCALE).value == pytest.approx([0, 0], abs=1e-12)
    for wrong in ((0 * u.arcsec, SCALE), (1 * u.arcsec, 0 * SCALE), (np.nan * u.arcsec, SCALE), (1 * u.s, SCALE)):
        with pytest.raises(DOCUMENTED):
            inside_pixel_error(*wrong)


@pytest.mark.parametrize("scale", [0.5, 2.5, 4.5])
def test_simulated_centroids_scatter_by_the_limit_about_the_shift_of_their_place(scale):
    fwhm, electrons, count = 3 * u.arcsec, 800 * u.electron, 20_000
    errors = simulated_centroids(fwhm, electrons, scale * SCALE, 0.25 * u.pix, count, np.random.default_rng(9))
    shift = phase_error(fwhm / (scale * SCALE), 0.25 * u.pix) * scale * SCALE
    spread = errors.std(axis=0).value
    # five standard errors of the mean: false alarm 1e-6
    assert errors.mean(axis=0).value == pytest.approx(shift.value, abs=5 * max(spread) / count**0.5)
    if scale < 1:
        assert spread == pytest.approx(centroid_limit(fwhm, electrons, scale * SCALE).value, rel=0.03)
    else:  # the limit is a mean over places; at one place coarse pixels scatter more or less
        assert spread == pytest.approx(centroid_limit(fwhm, electrons, scale * SCALE).value, rel=0.25)


@pytest.mark.parametrize(("seeing", "altitude"), [(1.2, 90), (2.5, 60), (4.0, 30)])
def test_seeing_from_a_picture_undoes_the_width_of_its_stars(seeing, altitude):
    rig = changed(demo_rig(), {"site.seeing": seeing * u.arcsec})
    star = picture_star_fwhm(rig, sky.airmass(altitude * u.deg))
    recorded = blurred_fwhm(star, 0 * u.arcsec, compare_scales(rig).main_scale)
    assert seeing_from_picture(demo_rig(), recorded, altitude * u.deg).value == pytest.approx(seeing, rel=1e-3)


def test_seeing_from_a_picture_says_what_can_not_be():
    with pytest.raises(ValueError, match="fwhm: expected .* with this telescope and these pixels, found 0.10"):
        seeing_from_picture(demo_rig(), 0.1 * u.arcsec, 60 * u.deg)
    for wrong in ((None, 2 * u.arcsec, 60 * u.deg), (demo_rig(), 2 * u.s, 60 * u.deg), (demo_rig(), 2 * u.arcsec, 5)):
        with pytest.raises(DOCUMENTED):
            seeing_from_picture(*wrong)


def test_simulated_centroids_refuse_what_can_not_be():
    good = (3 * u.arcsec, 800 * u.electron, 1 * SCALE, 0 * u.pix, 5)
    for place, wrong in ((0, 300 * u.arcsec), (1, 0 * u.electron), (2, 1 * u.s), (3, 3 * u.pix), (4, 0)):
        with pytest.raises(DOCUMENTED):
            simulated_centroids(*good[:place], wrong, *good[place + 1 :], np.random.default_rng(1))


def test_compare_scales_of_the_demo_rigs():
    club, starter = compare_scales(demo_rig("club")), compare_scales(demo_rig("starter"))
    assert club.scale_ratio == pytest.approx(3.0 / 3.8) and club.main_fwhm > club.guide_fwhm
    assert starter.scale_ratio > 1 and starter.guide_fwhm > starter.main_fwhm
    assert club.margin == pytest.approx((club.noticed / club.seen).value) and club.margin > 1
    binned = compare_scales(changed(demo_rig("starter"), {"guide_camera.binning": 2}))
    assert binned.guide_scale == 2 * starter.guide_scale and binned.margin < starter.margin


def test_compare_scales_follows_light_and_taste():
    rig = demo_rig("starter")
    base = compare_scales(rig, 1000 * u.electron, 0.05)
    brighter = compare_scales(rig, 4000 * u.electron, 0.05)
    assert brighter.by_light.value == pytest.approx(base.by_light.value / 2)
    assert brighter.inside_pixel == base.inside_pixel > 0 * u.arcsec
    assert base.margin < brighter.margin < 2 * base.margin  # light does not cure the place inside a pixel
    assert compare_scales(rig, 1000 * u.electron, 0.10).noticed > base.noticed
    for wrong in ((None,), (rig, 0 * u.electron), (rig, 5), (rig, 5 * u.electron, 0), (rig, 5 * u.electron, np.nan)):
        with pytest.raises(DOCUMENTED):
            compare_scales(*wrong)


FWHM, PIXEL, LIGHT = quantities(u.arcsec, 0.3, 20), quantities(SCALE, 0.05, 20), quantities(u.electron, 1, 1e7)


def test_any_call_of_a_scale():
    lengths = {"pixel_size": quantities(u.um, 1, 30), "focal_length": quantities(u.mm, 20, 2e4)}
    spoiled = {"pixel_size": [0 * u.um], "focal_length": [0 * u.m, np.inf * u.m]}
    check_any_call(
        pixel_scale, {**lengths, "binning": st.integers(1, 8)}, spoiled={**spoiled, "binning": [0, 1.5, 10**9]}
    )
    sides = st.integers(1, 10_000)
    check_any_call(field_of_view, {**lengths, "shape": st.tuples(sides, sides)}, spoiled={**spoiled, "shape": [(0, 5)]})


def test_any_call_of_a_width():
    motions = quantities(u.arcsec, 0, 5)
    check_any_call(blurred_fwhm, {"fwhm": FWHM, "motion": motions, "pixel_scale": PIXEL}, spoiled={"fwhm": [0 * ARC]})
    check_any_call(centroid_limit, {"fwhm": FWHM, "electrons": LIGHT, "pixel_scale": PIXEL})
    check_any_call(inside_pixel_error, {"fwhm": FWHM, "pixel_scale": PIXEL}, spoiled={"pixel_scale": [0 * SCALE]})
    check_any_call(allowed_motion, {"fwhm": FWHM, "widening": numbers(0, 3)}, spoiled={"widening": [-1]})
    check_any_call(
        spot_width,
        {
            "seeing": FWHM,
            "aperture": quantities(u.mm, 20, 2000),
            "wavelength": quantities(u.nm, 350, 1000),
            "obstruction": numbers(0, 0.6),
        },
        examples=20,
        spoiled={"seeing": [0 * ARC], "obstruction": [1]},
    )


def test_any_call_of_a_star():
    star = {"centre": quantities(u.pix, 0, 6, shape=(2,)), "fwhm": quantities(u.pix, 0.1, 9), "electrons": LIGHT}
    check_any_call(
        star_image, {**star, "shape": st.just((7, 5))}, spoiled={"fwhm": [0 * u.pix], "shape": [(0, 3), (10**9, 3)]}
    )
    boxes = st.one_of(st.none(), st.sampled_from([5, 9, 21]))
    phases = quantities(u.pix, -0.5, 0.5)
    check_any_call(phase_error, {"fwhm": quantities(u.pix, 0.1, 9), "phase": phases}, spoiled={"phase": [2 * u.pix]})
    images = star["electrons"].map(lambda light: star_image([3, 2] * u.pix, 2 * u.pix, (7, 5), light))
    check_any_call(lambda image, box: centroid(image, box), {"image": images, "box": boxes}, spoiled={"box": [0, 4]})
    check_any_call(
        simulated_centroids,
        {
            "fwhm": FWHM,
            "electrons": LIGHT,
            "pixel_scale": PIXEL,
            "phase": phases,
            "count": st.integers(1, 20),
            "rng": generators(),
        },
        spoiled={"count": [0, 10**9]},
    )
