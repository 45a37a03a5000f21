"""What the long exposure makes of guiding."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.correction_loop.picture import add_motion, added_motion, final_image, picture_widths

QUICK = settings(max_examples=30, deadline=None, derandomize=True)
ARCSEC = u.arcsec


def still(n=8):
    return np.zeros((n, 2)) * ARCSEC


def alternating(x, y, n=8):
    return np.outer((-1.0) ** np.arange(n), [x, y]) * ARCSEC


def test_a_still_mount_leaves_the_star_as_it_is():
    image = final_image(still(), 2 * ARCSEC)
    assert image.fwhm.value == pytest.approx([2, 2], rel=1e-3) and image.mean_fwhm.value == pytest.approx(2, rel=1e-3)
    assert image.elongation == pytest.approx(1, abs=1e-6)
    offset = final_image(still() + 5 * ARCSEC, 2 * ARCSEC)
    assert offset.mean_fwhm.value == pytest.approx(2, rel=1e-3)  # a constant offset blurs nothing


def test_motion_on_one_axis_makes_the_star_long():
    noise = np.random.default_rng(4).standard_normal(3000)
    image = final_image(np.column_stack([noise / noise.std() / 2, 0 * noise]) * ARCSEC, 2 * ARCSEC)
    long, across = add_motion(2 * ARCSEC, [0.25, 0] * ARCSEC**2).value
    assert 1.01 * np.sqrt(4 + 8 * np.log(2) * 0.25) < long < 1.05 * np.sqrt(4 + 8 * np.log(2) * 0.25)
    assert 2 < across < 2.1  # the star's wings hide some of its narrow side
    assert image.fwhm.value == pytest.approx([long, across], rel=2e-3)
    assert image.elongation == pytest.approx(long / across, rel=2e-3)
    assert image.mean_fwhm.value == pytest.approx(np.hypot(long, across) / np.sqrt(2), rel=2e-3)


def test_elongation_does_not_depend_on_the_direction_of_the_motion():
    slanted = final_image(alternating(0.3, 0.4), 2 * ARCSEC)
    along = final_image(alternating(0.5, 0), 2 * ARCSEC)
    assert slanted.elongation == pytest.approx(along.elongation, rel=1e-3)
    # cuts along the axes of a slanted star miss its length and its narrow side alike
    assert slanted.mean_fwhm.value == pytest.approx(along.mean_fwhm.value, rel=0.02)


def test_air_is_not_counted_twice():
    air = np.array([[0.5, 0.5], [-0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]] * 2) * ARCSEC
    alone = final_image(still(), 2 * ARCSEC, air=air)
    assert alone.mean_fwhm.value == pytest.approx(2, rel=1e-3)  # the seeing already holds the air's wander
    copied = final_image(air, 2 * ARCSEC, air=air)
    assert np.diagonal(copied.added_motion).value == pytest.approx([0.75, 0.75])  # (1 + 1)^2 - 1^2 times 0.25
    followed = final_image(-air, 2 * ARCSEC, air=air)  # a perfect tip-tilt mirror
    assert np.diagonal(followed.added_motion).value == pytest.approx([-0.25, -0.25])
    assert followed.mean_fwhm < 2 * ARCSEC


def test_parts_add_as_squares():
    image = final_image(alternating(0.3, 0), 2 * ARCSEC, within=np.full((8, 2), 0.04) * ARCSEC**2, shake=0.1 * ARCSEC)
    assert np.diagonal(image.added_motion).value == pytest.approx([0.09 + 0.04 + 0.01, 0.05])


def test_drift_between_pictures_blurs_none():
    steps = np.repeat(np.arange(4.0), 5)
    moved = np.column_stack([steps, -steps]) * ARCSEC
    assert final_image(moved, 2 * ARCSEC, rows=5).mean_fwhm.value == pytest.approx(2, rel=1e-3)
    assert final_image(moved, 2 * ARCSEC).mean_fwhm > 2.7 * ARCSEC
    assert final_image(moved, 2 * ARCSEC, rows=7).picture_fwhm.shape == (2, 2)


def test_unseen_flexure_makes_a_trail():
    trail = np.column_stack([np.linspace(0, 1.2, 400), np.zeros(400)]) * ARCSEC
    image = final_image(still(400), 2 * ARCSEC, unseen=trail)
    assert image.added_motion[0, 0].value == pytest.approx(1.2**2 / 12, rel=0.01)


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"pointing": np.zeros((3, 2))}, TypeError, "pointing"),
        ({"pointing": np.zeros((3, 1)) * ARCSEC}, ValueError, "pointing: expected shape"),
        ({"pointing": np.zeros((0, 2)) * ARCSEC}, ValueError, "pointing"),
        ({"pointing": np.full((3, 2), np.nan) * ARCSEC}, ValueError, "pointing"),
        ({"star_fwhm": 0 * ARCSEC}, ValueError, "star_fwhm"),
        ({"air": still(5)}, ValueError, "air: expected the shape of pointing"),
        ({"within": np.full((8, 2), -1) * ARCSEC**2}, ValueError, "within"),
        ({"within": still()}, u.UnitsError, "within"),
        ({"unseen": still(5)}, ValueError, "unseen"),
        ({"shake": -1 * ARCSEC}, ValueError, "shake"),
        ({"rows": 9}, ValueError, "rows"),
        ({"rows": 2.5}, TypeError, "rows"),
    ],
)
def test_wrong_arguments_are_named(change, error, words):
    with pytest.raises(error, match=words):
        final_image(**({"pointing": still(), "star_fwhm": 2 * ARCSEC} | change))


def test_wider_motion_makes_a_wider_star_without_a_jump():
    variances = np.linspace(-0.3, 400, 4000)
    widths = add_motion(2 * ARCSEC, np.column_stack([variances, variances]) * ARCSEC**2).value[:, 0]
    steps = np.diff(widths**2)
    assert np.all(steps > 0) and steps.max() < 1.5 * steps.min()
    assert add_motion(2 * ARCSEC, [0, 0] * ARCSEC**2).value == pytest.approx([2, 2], rel=1e-3)


def test_both_ways_to_a_width_agree_where_motion_is_gaussian():
    covariance = np.array([[[0.3, 0], [0, 0.1]], [[-0.2, 0], [0, 0]], [[0, 0], [0, 4]]])
    drawn = picture_widths(np.zeros((3, 2, 2)), 2.0, extra=covariance)
    known = add_motion(2 * ARCSEC, np.diagonal(covariance, axis1=1, axis2=2) * ARCSEC**2).value
    assert drawn == pytest.approx(known, rel=2e-3)


def test_motion_of_parts_sums_to_that_of_the_whole():
    rng = np.random.default_rng(2)
    first, second, air = rng.standard_normal((3, 100, 4, 2))
    whole = added_motion(first + second, air, 30)
    parts = [added_motion(first + second, air, 30, part) for part in (first, second)]
    assert whole.shape == (3, 4, 2, 2) and sum(parts) == pytest.approx(whole)
    # from the definition: covariance of all motion less that of the air
    one, breeze = (first + second)[:30, 1], air[:30, 1]
    expected = np.cov((one + breeze).T, bias=True) - np.cov(breeze.T, bias=True)
    assert whole[0, 1] == pytest.approx(expected)


def test_motion_inside_an_exposure_counts_as_motion_between_exposures():
    drift = np.column_stack([np.linspace(0, 4, 800), np.linspace(0, 1, 800)])
    fine = final_image(drift * ARCSEC, 2 * ARCSEC)
    groups = drift.reshape(20, 40, 2)
    coarse = final_image(groups.mean(axis=1) * ARCSEC, 2 * ARCSEC, within=groups.var(axis=1) * ARCSEC**2)
    assert coarse.fwhm.value == pytest.approx(fine.fwhm.value, rel=2e-3)


def test_too_far_a_way_is_named():
    with pytest.raises(ValueError, match="pointing: expected motion of at most"):
        final_image(np.array([[0, 0], [1000, 0]]) * ARCSEC, 2 * ARCSEC)


def test_more_than_the_star_contains_can_not_be_taken_away():
    with pytest.raises(ValueError, match="variance"):
        add_motion(1 * ARCSEC, [0, -1] * ARCSEC**2)
    with pytest.raises(ValueError, match="air: expected no less"):
        final_image(alternating(-0.5, 0), 1 * ARCSEC, air=alternating(0.5, 0))


@given(st.integers(0, 2**32 - 1), st.floats(0.1, 10), st.floats(0, 5), st.integers(1, 30))
@QUICK
def test_any_motion_gives_a_finite_star_no_smaller_than_still(seed, fwhm, size, rows):
    pointing = size * fwhm * np.random.default_rng(seed).standard_normal((30, 2)) * ARCSEC
    image = final_image(pointing, fwhm * ARCSEC, rows=rows)
    assert image.mean_fwhm >= 0.999 * fwhm * ARCSEC and image.elongation >= 1
    assert np.all(np.isfinite(image.picture_fwhm))
