"""A run of guide frames: its stars are found and measured, from files or from arrays."""

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits

from helpers import multi_star, pixel_scale

SCALE = 0.8 * u.arcsec / u.pix
PLACES = np.array([[30.0, 40.0], [90.0, 35.0], [60.0, 90.0], [110.0, 100.0]])
LIGHT = np.array([20000.0, 12000.0, 8000.0, 5000.0])


def run(frames=120, shared=0.5, apart=0.1, seed=1):
    """Frames of four stars that move together and apart by pixels of one-axis rms, with noise; and the movements."""
    rng = np.random.default_rng(seed)
    moves = shared * rng.standard_normal((frames, 1, 2)) + apart * rng.standard_normal((frames, 4, 2))
    stars = sum(
        light * pixel_scale.star_image((PLACES[k] + moves[:, k]) * u.pix, 3 * u.pix, (140, 130)).value
        for k, light in enumerate(LIGHT)
    )
    return rng.poisson(stars + 20) + rng.normal(0, 2, stars.shape), moves


@pytest.fixture(scope="module")
def measured():
    frames, moves = run()
    return multi_star.measure_run(frames, SCALE, 0.5 * u.s), frames, moves


def test_stars_are_found_brightest_first():
    frames, _ = run(10)
    found = multi_star.find_stars(frames)
    assert len(found) == 4
    assert np.abs(found - PLACES).max() <= 1.5
    assert len(multi_star.find_stars(frames, most=2)) == 2


def test_centres_are_where_the_stars_were_put(measured):
    found, _, moves = measured
    assert found.centres.shape == (120, 4, 2) and found.frames == 120
    assert found.fwhm.value == pytest.approx(3 * 0.8, rel=0.05)
    missed = found.centres.value - 0.8 * (moves - moves.mean(axis=0))
    # 240 coordinates a star: an rms is uncertain by 4.6 per cent; five times that
    assert np.sqrt(np.mean(missed**2, axis=(0, 2))) == pytest.approx(found.errors.value, rel=0.23)
    middle = 0.8 * (PLACES + moves.mean(axis=0))
    assert found.places.value == pytest.approx(middle - middle.mean(axis=0), abs=0.03)
    assert np.diff(found.time.value) == pytest.approx(0.5)


@pytest.mark.long
def test_one_cube_and_one_file_a_frame_give_the_same(measured, tmp_path):
    found, frames, _ = measured
    counts = np.round(frames).astype(np.int32)
    cards = {"PIXSCALE": 0.8, "EXPTIME": 0.5, "GAIN": 1.0}
    fits.PrimaryHDU(counts, fits.Header(cards)).writeto(tmp_path / "cube.fits")
    cube = multi_star.read_guide_run([tmp_path / "cube.fits"])
    paths = []
    for k, frame in enumerate(counts):
        # names in another order than the times
        paths.append(tmp_path / f"{(7 * k) % 120:03d}.fits")
        start = {"DATE-OBS": f"2026-05-01T22:{k // 60:02d}:{k % 60:02d}.250"}
        fits.PrimaryHDU(frame, fits.Header(cards | start)).writeto(paths[-1])
    single = multi_star.read_guide_run(paths)
    assert single.centres.value == pytest.approx(cube.centres.value, abs=1e-9)
    assert np.diff(cube.time.value) == pytest.approx(0.5)
    assert np.diff(single.time.value) == pytest.approx(1.0, abs=1e-4)
    assert cube.centres.value == pytest.approx(found.centres.value, abs=0.1)


def test_hot_pixels_are_no_stars():
    frames, _ = run()
    frames[:, 70, 20] += 3000
    assert len(multi_star.measure_run(frames, SCALE, 0.5 * u.s)) == 4


def test_frames_without_a_star_are_left_out():
    frames, _ = run(130)
    frames[60:65, 20:60, 70:110] = 20  # a cloud before the second star
    found = multi_star.measure_run(frames, SCALE, 0.5 * u.s)
    assert found.frames == 130 and len(found.time) == 125 and len(found) == 4
    assert np.diff(found.time.value).max() == pytest.approx(3)


def test_what_is_no_run_of_frames_is_refused(tmp_path):
    with pytest.raises(ValueError, match="frames"):
        multi_star.find_stars(np.zeros((10, 10)))
    with pytest.raises(ValueError, match="star that stands out"):
        multi_star.find_stars(np.random.default_rng(1).normal(100, 5, (10, 80, 80)))
    with pytest.raises(ValueError, match="finite"):
        multi_star.find_stars(np.full((6, 60, 60), np.nan))
    frames, _ = run()
    with pytest.raises(ValueError, match="at least 100"):
        multi_star.measure_run(frames[:20], SCALE, 0.5 * u.s)
    with pytest.raises(ValueError, match="growing"):
        multi_star.measure_run(frames, SCALE, 0.5 * u.s, time=np.zeros(120) * u.s)
    with pytest.raises(ValueError, match="two stars"):
        multi_star.measure_run(frames[:, :, :60], SCALE, 0.5 * u.s)
    for shape, cards, message in (
        ((60, 60), {}, "PIXSCALE"),
        ((60, 60), {"PIXSCALE": 0.8}, "EXPTIME"),
        ((60, 60), {"PIXSCALE": -1.0}, "positive"),
        ((60, 60), {"PIXSCALE": 0.8, "EXPTIME": 0.5}, "at least 100"),
    ):
        path = tmp_path / f"{message}.fits"
        fits.PrimaryHDU(np.zeros(shape, np.int16), fits.Header(cards)).writeto(path)
        with pytest.raises(ValueError, match=message):
            multi_star.read_guide_run([path])
    fits.PrimaryHDU(np.zeros((50, 50), np.int16)).writeto(tmp_path / "other.fits")
    with pytest.raises(ValueError, match="one size"):
        multi_star.read_guide_run([path, tmp_path / "other.fits"])
    with pytest.raises(ValueError, match="at least one file"):
        multi_star.read_guide_run([])
