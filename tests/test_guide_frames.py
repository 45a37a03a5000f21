"""Simulated frames hold the light, the noise and the places they were asked for, and every wrong value is named."""

import runpy
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.table import Table
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from helpers import guide_field
from helpers import rig as rigs
from helpers.guide_field.star_lists import load_catalogue
from helpers.multi_star.centroids import measure_stars
from helpers.starlight import simulated_frames as guide_frames
from helpers.starlight.simulated_frames import bin_frames, hot_pixel_map, render_frames
from helpers.starlight.view import view

DEMO = Path(__file__).parents[1] / "demo_data"
E, PIX, ARCSEC = u.electron, u.pix, u.arcsec
QUICK = settings(max_examples=25, deadline=None, derandomize=True)
SCALE = 1 * ARCSEC / PIX
# a fine digitiser, so that frames read nearly as electrons
FINE = {"full_well": 65535 * E, "bit_depth": 16, "offset": 100}


def still(frames, stars):
    return np.zeros((frames, stars, 2)) * ARCSEC


def electrons_of(frames):
    return frames.astype(float) - FINE["offset"]


def frames_of(positions, electrons, motion, fwhm=3.5, shape=(41, 41), seed=1, **keywords):
    rng = np.random.default_rng(seed)
    return render_frames(positions, electrons * E, motion, fwhm * ARCSEC, SCALE, shape, rng, **FINE | keywords)


@pytest.mark.parametrize("profile", guide_frames.PROFILES)
@pytest.mark.parametrize("fwhm", [1.2, 3.5, 6.0])
def test_a_star_is_where_it_was_put_with_the_light_it_was_given(profile, fwhm):
    shape = (121, 101)
    frames = electrons_of(frames_of([[60.3, 49.8]], 20000, still(200, 1), fwhm, shape, profile=profile))
    mean = frames.mean(axis=0)
    assert mean.sum() == pytest.approx(20000, rel=0.01)
    y, x = np.indices(mean.shape)
    assert np.average(x, weights=mean) == pytest.approx(60.3, abs=0.01)
    assert np.average(y, weights=mean) == pytest.approx(49.8, abs=0.01)


def test_motion_moves_a_star_by_arcseconds():
    motion = np.array([[[0, 0]], [[5, 0]], [[0, -7.5]]]) * ARCSEC
    rng = np.random.default_rng(2)
    frames = render_frames([[30, 30]], 1e5 * E, motion, 5 * ARCSEC, 2.5 * ARCSEC / PIX, (61, 61), rng, **FINE)
    peaks = [np.unravel_index(np.argmax(frame), frame.shape) for frame in frames]
    assert peaks == [(30, 30), (30, 32), (27, 30)]


def test_background_pixels_have_the_distribution_asked_for():
    scene = {"sky": 2.3 * E / PIX, "dark": 0.4 * E / PIX, "read_noise": 1.7 * E, "shape": (80, 70)}
    frames = frames_of([[5, 5]], 0, still(60, 1), **scene)
    light = electrons_of(frames)
    assert light.mean() == pytest.approx(2.7, abs=5 * np.sqrt((2.7 + 1.7**2) / light.size))
    assert light.var() == pytest.approx(2.7 + 1.7**2 + 1 / 12, rel=0.01)
    # the exact distribution: Poisson electrons, Gaussian read noise, rounding
    values = np.arange(-6, 15)
    counts = np.arange(0, 40)
    chance = stats.poisson.pmf(counts, 2.7)
    upper = stats.norm.cdf((values[:, None] + 0.5 - counts) / 1.7) @ chance
    expected = np.diff(np.concatenate([[0], upper[:-1], [1]])) * light.size
    observed = np.histogram(np.clip(light, -6, 14), np.arange(-6.5, 15))[0]
    assert stats.chisquare(observed, expected).pvalue > 0.001


def test_star_pixels_have_poisson_and_read_noise():
    frames = frames_of([[10, 10]], 600, still(8000, 1), 3.0, (21, 21), sky=4 * E / PIX, read_noise=2 * E)
    light = electrons_of(frames)
    mean, variance = light.mean(axis=0), light.var(axis=0)
    # variance of the sample variance, near Gaussian: 2 var^2 / n
    assert np.abs(variance / (mean + 4 + 1 / 12) - 1).max() < 5 * np.sqrt(2 / 8000)
    # neighbours do not know of each other
    left, right = light[:, 10, 9], light[:, 10, 10]
    assert abs(np.corrcoef(left, right)[0, 1]) < 5 / np.sqrt(8000)


@pytest.mark.parametrize("mean", [0.01, 0.4, 0.99, 3.0, 250.0])
def test_poisson_numbers(mean):
    rng = np.random.default_rng(3)
    drawn = guide_frames._poisson(np.full((400, 500), mean, np.float32), rng)
    top = int(stats.poisson.isf(1e-4, mean)) + 1
    bottom = int(stats.poisson.ppf(1e-4, mean))
    observed = np.bincount(np.clip(drawn.ravel(), bottom, top))[bottom:]
    edges = stats.poisson.cdf(np.arange(bottom, top), mean)
    expected = np.diff(np.concatenate([[0], edges, [1]])) * drawn.size
    assert stats.chisquare(observed, expected).pvalue > 0.001


def test_the_table_sampler_is_exact_down_to_rare_values():
    chance = np.array([0.5, 0.3, 0.2 - 3e-6, 3e-6])
    sampler = guide_frames._TableSampler(np.arange(4, dtype=np.int32), chance)
    drawn = sampler.draw((3_000_000,), np.random.default_rng(4))
    observed = np.bincount(drawn, minlength=4)
    assert stats.chisquare(observed, chance * drawn.size).pvalue > 0.001
    assert observed[3] > 0


def test_two_stars_add_up_and_a_star_at_the_edge_is_cut():
    both = electrons_of(frames_of([[20, 20], [23, 20]], np.array([5000, 3000]), still(100, 2))).mean(axis=0)
    assert both.sum() == pytest.approx(8000, rel=0.01)
    edge = electrons_of(frames_of([[-0.5, 20]], 8000, still(100, 1), profile="gaussian")).mean(axis=0)
    assert edge.sum() == pytest.approx(4000, rel=0.01)
    outside = electrons_of(frames_of([[-300, 900]], 8000, still(3, 1)))
    assert np.all(outside == 0)


def test_a_full_pixel_is_cut_off():
    keywords = {"full_well": 1000 * E, "bit_depth": 10, "offset": 0, "read_noise": 5 * E}
    frames = frames_of([[20, 20]], 1e6, still(400, 1), **keywords)
    full = frames[:, 20, 20].astype(float)
    # the pixel holds its full well, whatever falls on it; read noise still moves what is read
    assert frames.max() == 1023
    assert np.mean(full < 1023) == pytest.approx(0.5, abs=0.15)
    assert full.min() > 1023 - 6 * 5 * 1.023
    assert frames_of([[20, 20]], 1e6, still(5, 1), **keywords | {"offset": 100}).max() == 1023


def test_digitising_rounds_to_whole_steps():
    frames = frames_of([[20, 20]], 0, still(20, 1), sky=50 * E / PIX, full_well=4095 * 5 * E, bit_depth=12, offset=20)
    assert (frames.mean() - 20) * 5 == pytest.approx(50, abs=0.2)
    assert frames.var() * 25 == pytest.approx(50 + 25 / 12, rel=0.03)


def test_hot_pixels_are_where_the_map_says():
    rng = np.random.default_rng(5)
    dark = hot_pixel_map((41, 31), 0.5 * E / PIX, 0.01, 300 * E / PIX, rng)
    assert dark.shape == (31, 41)
    mean = electrons_of(frames_of([[20, 20]], 0, still(300, 1), shape=(41, 31), dark=dark)).mean(axis=0)
    assert mean == pytest.approx(dark.value, abs=6 * np.sqrt(dark.value.max() / 300))
    assert (hot_pixel_map((9, 9), 1 * E / PIX, 0, 300 * E / PIX, rng).value == 1).all()


def test_a_mosaic_gives_each_colour_its_share():
    shares = [1.4, 0.9, 0.8]
    frames = frames_of([[60, 60]], 4e5, still(60, 1), 20.0, (121, 121), colour_shares=shares, sky=[5, 9, 2] * E / PIX)
    light = electrons_of(frames).mean(axis=0)
    centre = light[50:70, 50:70]
    planes = {(i, j): centre[i::2, j::2].mean() for i in (0, 1) for j in (0, 1)}
    plain = frames_of([[60, 60]], 4e5, still(60, 1), 20.0, (121, 121))
    smooth = electrons_of(plain).mean(axis=0)[50:70, 50:70].mean()
    assert planes[0, 0] == pytest.approx(1.4 * smooth + 5, rel=0.01)
    assert planes[0, 1] == pytest.approx(0.9 * smooth + 9, rel=0.01)
    assert planes[1, 0] == pytest.approx(0.9 * smooth + 9, rel=0.01)
    assert planes[1, 1] == pytest.approx(0.8 * smooth + 2, rel=0.01)


def test_frames_come_out_the_same_for_the_same_seed_only():
    one, same, other = (frames_of([[20, 20]], 3000, still(4, 1), seed=seed) for seed in (1, 1, 2))
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


def test_blocks_leave_no_seam(monkeypatch):
    motion = np.linspace(0, 3, 7)[:, None, None] * np.ones((7, 1, 2)) * ARCSEC
    monkeypatch.setattr(guide_frames, "_BLOCK_BYTES", 3 * 4 * 41 * 41)
    frames = electrons_of(frames_of([[20, 20]], 1e5, motion))
    centres = [np.average(np.arange(41), weights=frame.sum(axis=0)) for frame in frames]
    assert centres == pytest.approx(20 + np.linspace(0, 3, 7), abs=0.05)


@pytest.mark.parametrize("name", ["club", "starter"])
@pytest.mark.parametrize("camera", ["A", "B"])
def test_frames_of_a_rig_hold_what_the_signal_says(name, camera):
    rig = rigs.demo_rig(name, camera)
    rng = np.random.default_rng(6)
    seen = view(rig)
    signal = seen.signal(9)
    places = np.arange(8) / 4  # two pixels in each direction, so that every colour of a mosaic gets its turn
    motion = np.stack(np.meshgrid(places, places), axis=-1).reshape(64, 1, 2) * u.pix * signal.pixel_scale
    frames = seen.frames([[60, 60]] * u.pix, [9] * u.mag, motion, rng, shape=(120, 120))
    step = signal.full_well.value / 4095
    light = (frames - 20.0) * step
    behind = signal.sky.value + signal.dark.value
    assert np.median(light.mean(axis=0)) == pytest.approx(behind, abs=0.3)
    assert (light - behind).sum(axis=(1, 2)).mean() == pytest.approx(signal.electrons.value, rel=0.02)
    # a star centred on a pixel, on a red one of a mosaic, fills it as far as the signal says
    full = light[0, 60, 60] / signal.full_well.value
    assert full == pytest.approx(signal.peak_fraction, rel=0.02, abs=5 * np.sqrt(full / signal.full_well.value))


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("positions", [1, 2, 3]),
        ("magnitudes", [9, 9]),
        ("magnitudes", [[9]]),
        ("magnitudes", "bright"),
        ("magnitudes", np.nan),
        ("motion", still(2, 2)),
        ("rng", 1),
        ("shape", (3, -3)),
        ("profile", "flat"),
        ("offset", 70000),
        ("hot_rate", 3 * u.s),
        ("share", 2),
    ],
)
def test_wrong_values_for_frames_of_a_rig_are_named(name, value):
    good = {
        "positions": [[9, 9]],
        "magnitudes": [9],
        "motion": still(2, 1),
        "rng": np.random.default_rng(1),
        "shape": (20, 20),
    }
    key = "hot_share" if name == "share" else name
    expected = "magnitudes|positions" if name == "positions" else name
    with pytest.raises((ValueError, TypeError, u.UnitsError), match=expected):
        view(rigs.demo_rig()).frames(**good | {key: value})


def test_binning_adds_pixels():
    frames = np.arange(2 * 5 * 7).reshape(2, 5, 7).astype(np.uint16)
    binned = bin_frames(frames, 2)
    assert binned.shape == (2, 2, 3)
    assert binned[0, 0, 0] == 0 + 1 + 7 + 8
    assert bin_frames(np.full((1, 4, 4), 65535, np.uint16), 4)[0, 0, 0] == 16 * 65535
    with pytest.raises(ValueError, match="frames"):
        bin_frames(frames[0], 2)
    with pytest.raises(ValueError, match="factor"):
        bin_frames(frames, 6)


GOOD = {
    "positions": [[10, 10]],
    "electrons": 500 * E,
    "motion": still(2, 1),
    "fwhm": 3 * ARCSEC,
    "pixel_scale": SCALE,
    "shape": (20, 20),
    "rng": np.random.default_rng(1),
}


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("positions", [10, 10]),
        ("positions", [[10, 10, 10]]),
        ("positions", [[np.nan, 1]]),
        ("positions", [["a", "b"]]),
        ("positions", [[1, 1]] * u.arcsec),
        ("electrons", 500),
        ("electrons", -5 * E),
        ("electrons", [1, 2] * E),
        ("motion", np.zeros((2, 1, 2))),
        ("motion", still(2, 3)),
        ("motion", np.zeros((2, 2)) * ARCSEC),
        ("motion", np.full((2, 1, 2), np.inf) * ARCSEC),
        ("fwhm", 0.1 * ARCSEC),
        ("fwhm", 90 * ARCSEC),
        ("fwhm", 3 * u.s),
        ("pixel_scale", 0 * ARCSEC / PIX),
        ("shape", (0, 10)),
        ("shape", (10.5, 10)),
        ("shape", 10),
        ("rng", None),
        ("rng", np.random),
        ("sky", -1 * E / PIX),
        ("sky", [1, 2] * E / PIX),
        ("sky", [1, 2, 3] * E / PIX),
        ("dark", np.zeros((3, 3)) * E / PIX),
        ("read_noise", -1 * E),
        ("full_well", 0 * E),
        ("bit_depth", 32),
        ("bit_depth", 0),
        ("offset", -1),
        ("offset", 4096),
        ("profile", "airy"),
        ("colour_shares", [1, 1]),
        ("colour_shares", "RGB"),
    ],
)
def test_wrong_values_are_named(name, value):
    with pytest.raises((ValueError, TypeError, u.UnitsError), match=name):
        render_frames(**GOOD | {name: value})


@pytest.mark.parametrize(
    ("values", "named"),
    [
        (((4, 0), 1 * E / PIX, 0.1, 1 * E / PIX), "shape"),
        (((4, 4), 1 * E, 0.1, 1 * E / PIX), "dark"),
        (((4, 4), 1 * E / PIX, 1.1, 1 * E / PIX), "share"),
        (((4, 4), 1 * E / PIX, 0.1, np.nan * E / PIX), "strength"),
    ],
)
def test_wrong_values_of_a_hot_pixel_map_are_named(values, named):
    with pytest.raises((ValueError, TypeError, u.UnitsError), match=named):
        hot_pixel_map(*values, np.random.default_rng(1))
    with pytest.raises(TypeError, match="rng"):
        hot_pixel_map((4, 4), 1 * E / PIX, 0.1, 1 * E / PIX, None)


@QUICK
@given(
    st.floats(0, 1e6),
    st.floats(0, 1e4),
    st.floats(0, 50),
    st.floats(10, 1e5),
    st.integers(1, 16),
    st.floats(0.4, 8),
    st.sampled_from(guide_frames.PROFILES),
    st.floats(-50, 50),
)
def test_any_reasonable_scene_gives_frames(light, sky, noise, full_well, bits, fwhm, profile, place):
    frames = render_frames(
        [[place, 10]],
        light * E,
        still(2, 1),
        fwhm * ARCSEC,
        SCALE,
        (20, 25),
        np.random.default_rng(1),
        sky=sky * E / PIX,
        read_noise=noise * E,
        full_well=full_well * E,
        bit_depth=bits,
        offset=0,
        profile=profile,
    )
    assert frames.shape == (2, 25, 20)
    assert frames.dtype == np.uint16
    assert frames.max() <= 2**bits - 1


def test_the_demo_frames_show_the_seven_stars_of_their_list():
    folder = Path(__file__).parents[1] / "demo_data"
    with fits.open(folder / "guide_frames.fits") as file:
        frames, header, stars = file[0].data.astype(float), file[0].header, Table(file["STARS"].data)
    assert (folder / "guide_frames.fits").stat().st_size < 2e6
    assert frames.shape == (8, 250, 450)
    club = rigs.demo_rig("club", "B")
    target = SkyCoord(188 * u.deg, 33 * u.deg)
    expected = guide_field.usable_stars(load_catalogue(folder / "field_before_flip.ecsv"), target, 60 * u.deg, club, 40)
    assert np.array(stars["magnitude"]) == pytest.approx(expected.catalogue_magnitudes)
    places = np.transpose([stars["x"], stars["y"]])
    found = measure_stars(frames, places, 21, gain=header["GAIN"] * u.electron / u.DN)
    assert found.measured.all()
    # air and mount move all stars by some tenths of a pixel, nearly alike
    off = np.mean(found.centroids.value - places, axis=0)
    assert off == pytest.approx(np.broadcast_to(off.mean(axis=0), off.shape), abs=0.08)
    assert np.abs(off).max() < 0.3
    for (x, y, magnitude), share in zip(stars.iterrows("x", "y", "magnitude"), expected.light, strict=True):
        row, column = round(y), round(x)
        box = frames[:, row - 10 : row + 11, column - 10 : column + 11].mean(axis=0)
        behind = np.concatenate([box[:3].ravel(), box[-3:].ravel()])
        noise = 5 * np.sqrt(121 + 121**2 / behind.size) * behind.std()  # of the sum and of the level: 1 in 2 million
        # the mirror of the pick-off, smaller than the beam there, passes a share of a star's light
        light = view(club, light_share=share).signal(magnitude).electrons.value
        found_light = (box[5:-5, 5:-5] - behind.mean()).sum() * header["GAIN"]
        assert found_light == pytest.approx(light, abs=0.1 * light + noise * header["GAIN"])


def test_the_recipe_of_the_guide_frames_still_makes_them(tmp_path):
    runpy.run_path(DEMO / "make_guide_frames.py")["main"](tmp_path)
    with fits.open(tmp_path / "guide_frames.fits") as new, fits.open(DEMO / "guide_frames.fits") as old:
        assert new[0].header["GAIN"] == pytest.approx(old[0].header["GAIN"], rel=1e-6)
        for name in ("x", "y", "magnitude"):
            assert new["STARS"].data[name] == pytest.approx(old["STARS"].data[name], abs=2e-3)
        level = [np.median(file[0].data) for file in (new, old)]
        assert level[0] == pytest.approx(level[1], abs=1)
        # the same seed, yet other processors may draw other counts: light of each star in all frames, in its own noise
        for x, y, _ in old["STARS"].data:
            part = np.s_[:, round(y) - 8 : round(y) + 9, round(x) - 8 : round(x) + 9]
            light = [np.sum(file[0].data[part] - here) for file, here in zip((new, old), level, strict=True)]
            assert light[0] == pytest.approx(light[1], rel=0.05, abs=900)


def test_the_recipe_of_the_sensor_curve_still_makes_it(tmp_path):
    runpy.run_path(DEMO / "make_sensor_curve.py")["main"](tmp_path)
    made, kept = (
        Table.read(folder / "sensor_curve.csv", format="ascii.csv", comment="#") for folder in (tmp_path, DEMO)
    )
    assert np.array(made["wavelength"]) == pytest.approx(np.array(kept["wavelength"]))
    assert np.array(made["quantum_efficiency"]) == pytest.approx(np.array(kept["quantum_efficiency"]), abs=0.011)
