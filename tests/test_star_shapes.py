"""Star widths in main frames: simulated frames of known shape, pairing with a log, and frames that can't be
measured.
"""

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from scipy import stats

from helpers.night_comparison.main_frames import compare_widths, frame_shapes, pair_with_log, star_shapes
from helpers.shared.files import TableError


def frame(wide=4.0, narrow=4.0, angle=0.0, seed=1, stars=25):
    rng = np.random.default_rng(seed)
    image = rng.normal(200, 5, (220, 260))
    y, x = np.mgrid[0:220, 0:260]
    turn = np.radians(angle)
    for k in range(stars):
        x0, y0 = 30 + 45 * (k % 5) + rng.random(), 25 + 40 * (k // 5) + rng.random()
        along = (x - x0) * np.cos(turn) + (y - y0) * np.sin(turn)
        across = -(x - x0) * np.sin(turn) + (y - y0) * np.cos(turn)
        image += rng.uniform(500, 3000) * np.exp(-4 * np.log(2) * ((along / wide) ** 2 + (across / narrow) ** 2))
    return image


@pytest.mark.parametrize(("wide", "narrow", "angle"), [(4, 4, 0), (5, 4, 30), (6, 4.5, -60), (3, 3, 0)])
@pytest.mark.long
def test_known_shapes_are_found(wide, narrow, angle):
    shapes = star_shapes(frame(wide, narrow, angle), fwhm_guess=4)
    assert len(shapes) > 15
    assert np.median(shapes["fwhm"]) == pytest.approx(np.sqrt(wide * narrow), rel=0.02)
    assert np.median(shapes["elongation"]) == pytest.approx(wide / narrow, abs=0.03)
    if wide > narrow:
        assert np.median(shapes["angle"]) == pytest.approx(angle, abs=5)


def test_saturated_stars_are_left_out():
    image = np.minimum(frame(), 2000)
    assert len(star_shapes(image)) < len(star_shapes(image, saturation=1e9))


@pytest.mark.parametrize(
    ("image", "found"),
    [
        (np.zeros((50, 50)), "same level"),
        (np.random.default_rng(0).normal(0, 1, (60, 60)), "at least one single star"),
        (np.full((40, 40), np.nan), "finite"),
        (np.zeros((3, 40, 40)), "shape"),
        (np.zeros((4, 4)), "16 x 16"),
    ],
)
def test_pictures_that_tell_nothing_are_refused(image, found):
    with pytest.raises(ValueError, match="image") as caught:
        star_shapes(image)
    assert found in str(caught.value)


def saved(path, image, start="2026-11-07T20:41:00", exposure=120.0):
    part = fits.PrimaryHDU(image.astype(np.float32))
    if start:
        part.header["DATE-OBS"] = start
        part.header["EXPTIME"] = exposure
    part.writeto(path)
    return path


@pytest.mark.long
def test_frames_are_paired_with_the_log(tmp_path):
    paths = [
        saved(tmp_path / "a.fits", frame(4)),
        saved(tmp_path / "b.fits", frame(5, seed=2), "2026-11-07T20:44:00"),
        saved(tmp_path / "late.fits", frame(5, seed=2), "2026-11-08T03:00:00"),
    ]
    frames = frame_shapes(paths, scale=0.58 * u.arcsec / u.pix)
    assert frames["fwhm"].unit == u.arcsec
    assert frames["fwhm"][0] == pytest.approx(4 * 0.58, rel=0.03)
    errors = np.random.default_rng(0).normal(0, 0.5, (600, 2))
    log = Table({"time": np.arange(600.0), "ra_error": errors[:, 0], "dec_error": errors[:, 1]})
    log["camera"] = ["A"] * 200 + ["B"] * 400
    log.meta["start"] = "2026-11-07T20:40:00"
    paired = pair_with_log(frames, log)
    assert paired["file"].tolist() == ["a.fits", "b.fits"]
    assert paired["camera"].tolist() == ["A", "B"]
    assert paired["guide_rms"][0] == pytest.approx(0.5 * np.sqrt(2), rel=0.15)
    log.meta["start"] = ""
    with pytest.raises(ValueError, match="only seconds"):
        pair_with_log(frames, log)
    log.meta["start"] = "2026-12-07T20:40:00"
    with pytest.raises(ValueError, match="within the time of the log"):
        pair_with_log(frames, log)


def test_frames_without_time_or_stars_are_named(tmp_path):
    with pytest.raises(TableError, match=r"no_time\.fits: expected a date .* as DATE-OBS"):
        frame_shapes(saved(tmp_path / "no_time.fits", frame(), start=""))
    empty = np.random.default_rng(0).normal(0, 1, (60, 60))
    with pytest.raises(ValueError, match=r"empty\.fits: image: expected at least one single star"):
        frame_shapes(saved(tmp_path / "empty.fits", empty))
    with pytest.raises(ValueError, match="paths"):
        frame_shapes([])


def test_widths_of_two_cameras_are_compared_as_scipy_does():
    rng = np.random.default_rng(4)
    a, b = rng.normal(2.6, 0.2, 9), rng.normal(2.4, 0.05, 14)
    found = compare_widths(a * u.arcsec, b * u.arcsec)
    welch = stats.ttest_ind(b, a, equal_var=False).confidence_interval(0.95)
    assert found.difference.value == pytest.approx(b.mean() - a.mean())
    assert u.Quantity(found.interval).value == pytest.approx([welch.low, welch.high])


@pytest.mark.parametrize(
    ("wrong", "error", "said"),
    [
        ([2.4] * u.arcsec, ValueError, "at least two frames, found 1"),
        ([2.4, 0] * u.arcsec, ValueError, "above 0"),
        ([2.4, 2.5], TypeError, "unit"),
        ([2.4, 2.5] * u.s, u.UnitsError, "arcsec"),
    ],
)
def test_wrong_widths_are_named(wrong, error, said):
    right = [2.4, 2.5, 2.7] * u.arcsec
    with pytest.raises(error, match=f"widths_b: .*{said}"):
        compare_widths(right, wrong)
    with pytest.raises(error, match=f"widths_a: .*{said}"):
        compare_widths(wrong, right)
