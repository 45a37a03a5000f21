"""A run of guide frames: its stars are found, and what they do together and apart."""

from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits

from helpers import multi_star, pixel_scale
from helpers.multi_star.own_frames import measure_frames

DEMO = Path(__file__).resolve().parent.parent / "demo_data" / "guide_frames.fits"
SCALE = 0.8 * u.arcsec / u.pix
PLACES = np.array([[30.0, 40.0], [90.0, 35.0], [60.0, 90.0], [110.0, 100.0]])
LIGHT = np.array([20000.0, 12000.0, 8000.0, 5000.0])


def run(frames=60, shared=0.5, apart=0.1, seed=1):
    """Frames of four stars that move together and apart by pixels of one-axis rms, with noise; and the movements."""
    rng = np.random.default_rng(seed)
    moves = shared * rng.standard_normal((frames, 1, 2)) + apart * rng.standard_normal((frames, 4, 2))
    stars = sum(
        light * pixel_scale.star_image((PLACES[k] + moves[:, k]) * u.pix, 3 * u.pix, (140, 130)).value
        for k, light in enumerate(LIGHT)
    )
    return rng.poisson(stars + 20) + rng.normal(0, 2, stars.shape), moves


def test_stars_are_found_brightest_first():
    frames, _ = run(10)
    found = multi_star.find_stars(frames)
    assert len(found) == 4
    assert np.abs(found - PLACES).max() <= 1.5
    assert len(multi_star.find_stars(frames, most=2)) == 2


def test_movements_are_those_that_were_put_in():
    frames, moves = run()
    found = measure_frames(frames, SCALE)
    assert found.measured == 1
    assert found.fwhm.value == pytest.approx(3 * 0.8, rel=0.05)
    put_in = 0.8 * np.sqrt(np.mean(np.std(moves[:, 0], axis=0, ddof=1) ** 2))
    assert found.moves.value == pytest.approx(put_in, rel=0.03)
    against = 0.8 * np.sqrt(np.mean(np.std(moves - moves[:, :1], axis=0, ddof=1) ** 2, axis=1))
    noise = np.hypot(found.expected[0], found.expected).value
    assert found.apart[0] == 0 * u.arcsec
    assert found.apart[1:].value == pytest.approx(np.hypot(against, noise)[1:], rel=0.05)


def test_errors_of_measuring_are_those_expected_where_nothing_moves():
    found = measure_frames(run(200, 0, 0)[0], SCALE)
    expected = np.hypot(found.expected[0], found.expected[1:]).value
    # 400 coordinates: an rms is uncertain by 3.5 per cent; five times that, for three stars
    assert found.apart[1:].value == pytest.approx(expected, rel=0.18)


def test_stars_of_the_demo_frames_are_real():
    """The faintest of the seven is left out; none of the hot pixels passes for a star."""
    found = multi_star.read_guide_frames(DEMO)
    put_in = fits.getdata(DEMO, "STARS")
    assert len(put_in) == 7
    assert len(found.places) >= 6
    for x, y in found.places:
        assert np.hypot(put_in["x"] - x, put_in["y"] - y).min() < 2


def test_what_is_no_run_of_frames_is_refused(tmp_path):
    with pytest.raises(ValueError, match="frames"):
        multi_star.find_stars(np.zeros((10, 10)))
    with pytest.raises(ValueError, match="star that stands out"):
        multi_star.find_stars(np.random.default_rng(1).normal(100, 5, (10, 80, 80)))
    with pytest.raises(ValueError, match="at least 5"):
        measure_frames(run(3)[0], SCALE)
    with pytest.raises(ValueError, match="finite"):
        multi_star.find_stars(np.full((6, 60, 60), np.nan))
    for shape, message in (((60, 60), "cube"), ((6, 60, 60), "PIXSCALE")):
        path = tmp_path / f"{len(shape)}.fits"
        fits.PrimaryHDU(np.zeros(shape, np.int16)).writeto(path)
        with pytest.raises(ValueError, match=message):
            multi_star.read_guide_frames(path)
