"""Cameras of a second simulator, with overexposed flats: gain and read noise, false alarms, planted faults.

A share of 100 or 200 cameras is asked for, so these are counts and not chances; the cameras are drawn anew only when a
seed changes. The full studies are marked slow; a tenth of each runs always.
"""

import astropy.units as u
import numpy as np
import pytest
from second_camera import random_camera, random_levels

from helpers import camera_check
from helpers.camera_check import verdict as camera_verdict

E = u.electron


def measured(camera, levels):
    bias, darks, flats = camera.frames(levels)
    return measure(bias, darks, flats)


def measure(bias, darks, flats):
    timed = [[(seconds * u.s, frames) for seconds, frames in sets] for sets in (darks, flats)]
    return camera_check.measure_camera(bias, *timed)


def studied(count, start=0):
    """Numbers of all cameras of a study, in the always run part and in the slow one."""
    return [
        pytest.param(range(start, start + count // 10), id=f"{count // 10} cameras"),
        pytest.param(range(start, start + count), id=f"{count} cameras", marks=pytest.mark.slow),
    ]


@pytest.mark.parametrize("seeds", studied(200))
@pytest.mark.long
def test_gain_read_noise_and_no_false_alarm(seeds):
    """Gain within 4 % and read noise within 5 % for each of the cameras, at most 1 in 100 of them condemned.

    Gain and read noise are known to about 1 %, so these limits are at four standard errors and more.
    """
    wrong, condemned = [], []
    for seed in seeds:
        rng = np.random.default_rng([1, seed])
        camera = random_camera(rng)
        found = measured(camera, random_levels(rng))
        transfer, noise = found.photon_transfer, found.dark_noise
        off = transfer.gain.value / camera.gain - 1, noise.value.value / camera.read_noise - 1
        if abs(off[0]) > 0.04 or abs(off[1]) > 0.05 or noise.limit or found.mosaic != camera.mosaic:
            wrong.append((seed, off))
        verdict = camera_verdict.verdict(found, camera.read_noise * E)
        if verdict.grade != "healthy":
            condemned.append((seed, verdict.text))
    assert not wrong
    assert len(condemned) <= 0.01 * len(seeds), condemned


@pytest.mark.parametrize("seeds", studied(60))
def test_flats_just_below_and_above_saturation_do_not_move_the_gain(seeds):
    for seed in seeds:
        rng = np.random.default_rng([2, seed])
        camera = random_camera(rng)
        levels = [*np.linspace(0.15, 0.6, 4), *np.sort(rng.uniform(0.85, 1.3, 4))]
        found = measured(camera, levels)
        assert found.photon_transfer.gain.value == pytest.approx(camera.gain, rel=0.04), seed
        verdict = camera_verdict.verdict(found, camera.read_noise * E)
        assert verdict.grade == "healthy", (seed, verdict.text)


@pytest.mark.parametrize("mosaic", [False, True])
@pytest.mark.parametrize("level", [1.1, 1.4, 2.0, 3.0])
@pytest.mark.long
def test_the_full_well_is_found_from_one_overexposed_level(mosaic, level):
    camera = random_camera(np.random.default_rng(5), gain=1.0, read_noise=2.0, well=9000.0, bits=14, mosaic=mosaic)
    found = measured(camera, [*np.linspace(0.1, 0.9, 6), level]).photon_transfer
    assert not found.saturation_is_limit
    assert found.saturation.value == pytest.approx(9000, rel=0.06)
    assert not found.fitted[-1]


@pytest.mark.long
def test_noise_that_rounding_hides_is_a_limit_that_holds_the_truth():
    for seed in range(10):
        rng = np.random.default_rng([3, seed])
        camera = random_camera(rng, gain=rng.uniform(3, 4), read_noise=rng.uniform(0.5, 1.0), bits=12, well=9000.0)
        found = measured(camera, random_levels(rng))
        assert found.dark_noise.limit == "below"
        assert found.dark_noise.value > camera.read_noise * E
        assert found.photon_transfer.gain.value == pytest.approx(camera.gain, rel=0.04)
        assert found.dark_current_from_noise is None


def planted(fault, rng):
    """Frames of a camera with one fault, and the camera."""
    faults = {
        "read noise": {"noise": rng.uniform(1.8, 4)},
        "row noise": {"rows": rng.uniform(1.3, 4)},
        "column noise": {"columns": rng.uniform(1.3, 4)},
        "telegraph pixels": {"telegraph": rng.uniform(0.02, 0.05)},
        "hot pixels": {"hot": rng.uniform(0.03, 0.1)},
        "smoothing": {"smooth": rng.uniform(0.1, 0.4)},
        "scaled": {"step": 16},
        "black level": {"drift": rng.uniform(1.5, 8)},
    }.get(fault, {})
    camera = random_camera(rng, faults, **({"bits": 12} if fault == "scaled" else {}))
    if fault == "clipped offset":
        camera.offset = np.rint(rng.uniform(0, 1.5) * camera.read_noise / camera.gain)
    bias, darks, flats = camera.frames(random_levels(rng))
    if fault == "damaged frame":
        frames = rng.choice([0, 1, 2])
        frames = bias if frames == 0 else darks[1][1] if frames == 1 else flats[rng.integers(0, 5)][1]
        first = rng.integers(0, 60)
        frames[rng.integers(0, len(frames)), first : first + rng.integers(3, 30)] = 0
    return camera, (bias, darks, flats)


FAULTS = [
    "clipped offset",
    "read noise",
    "row noise",
    "column noise",
    "telegraph pixels",
    "hot pixels",
    "smoothing",
    "scaled",
    "black level",
    "damaged frame",
]


@pytest.mark.parametrize("seeds", studied(100))
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.long
def test_planted_faults_are_found_among_overexposed_flats(fault, seeds):
    missed = []
    for seed in seeds:
        camera, frames = planted(fault, np.random.default_rng([4, FAULTS.index(fault), seed]))
        verdict = camera_verdict.verdict(measure(*frames), camera.read_noise * E)
        if not verdict.has(fault):
            missed.append((seed, verdict.text))
    assert len(missed) <= 0.05 * len(seeds), missed


def glowing(seed, rate, reach, shape=(200, 300), dark=0.02):
    """Measurement of a camera whose lower left corner glows, fading as an exponential, and the true dark current."""
    camera = random_camera(
        np.random.default_rng([6, seed]), gain=1.0, read_noise=2.0, well=12000.0, bits=14, dark=dark, mosaic=False
    )
    camera = type(camera)(camera.rng, 1.0, 2.0, 12000.0, bits=14, dark=dark, shape=shape, mosaic=bool(seed % 2))
    y, x = np.mgrid[: shape[0], : shape[1]]
    camera.leak = camera.leak + rate * np.exp(-np.hypot(shape[0] - 1 - y, x) / reach)
    bias, darks, flats = camera.frames([0.1, 0.3, 0.5, 0.7, 0.9])
    return measure(bias, darks, flats), dark * np.exp(0.2**2 / 2)  # mean of the lognormal leaks


@pytest.mark.parametrize(("rate", "reach"), [(1.0, 60), (0.1, 60), (5.0, 30), (1.0, 12)])
@pytest.mark.long
def test_a_glow_is_told_as_glow_and_does_not_hide_the_dark_current(rate, reach):
    for seed in (0, 1):
        found, dark = glowing(seed, rate, reach)
        assert len(found.bad_pixels.hot) < 60  # 30 are hot in truth
        glow = found.glow
        assert glow.local
        assert glow.where == "the last rows and the first columns"
        # The corner block of 8 x 9 pixels, by the mean of its middle half.
        y, x = np.mgrid[:8, :9]
        corner = np.sort(np.exp(-np.hypot(x, y) / reach).ravel())
        assert glow.rate.value.value == pytest.approx(rate * corner[18:-18].mean(), rel=0.1)
        # A quarter disc of radius reach ln 2; wider by the part that the brightest block averages away, and in blocks.
        assert glow.reach.value == pytest.approx(np.sqrt(np.pi / 4) * np.log(2) * reach, abs=9)
        for current in (found.dark_current, found.dark_current_from_noise):
            assert abs(current.value.value - dark) < 4.5 * current.error.value, str(current)
        assert found.dark_current.value.value == pytest.approx(dark, rel=0.5)
        verdict = camera_verdict.verdict(found, 2 * E, 0.02 * E / u.s)
        assert verdict.has("glow")
        assert not verdict.has("light leak")
        assert not verdict.has("hot pixels")
        assert verdict.grade == ("healthy" if rate < 0.5 else "usable but")


@pytest.mark.long
def test_no_glow_is_found_where_there_is_none():
    for seed in range(10):
        found, _ = glowing(seed, 0.0, 1.0, shape=(96, 128))
        assert found.glow is None


@pytest.mark.parametrize("read_noise", [1.0, 1.5, 1.7, 2.0, 2.5, 3.5])
@pytest.mark.long
def test_dark_current_from_the_noise_with_coarse_numbers_is_right_or_not_told(read_noise):
    """At 4 electrons a number; each miss beyond 4.5 errors has a chance below 1e-5."""
    for seed in range(4):
        rng = np.random.default_rng([7, seed])
        camera = random_camera(rng, {"telegraph": 0.0, "hot": 0.0}, gain=4.0, read_noise=read_noise, bits=12, dark=0.02)
        camera.offset = 100 + rng.random()
        found = measured(camera, [0.1, 0.3, 0.5, 0.7, 0.9])
        counted = found.dark_current_from_noise
        truth = camera.leak.mean()
        assert counted is None or abs(counted.value.value - truth) < 4.5 * counted.error.value
        if read_noise >= 2.5:
            assert counted.error.value < 0.005
        if read_noise <= 1:
            assert counted is None
