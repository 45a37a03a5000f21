"""Centroids of 20 stars in 1,000 frames, against loops over photutils.centroids; scatter against the Cramer-Rao bound.

Run by hand: python tests/benchmarks/bench_centroids.py [frames]. Prints rows of a table: what | ours | other | ratio.
A slow way is timed on fewer cut-outs and scaled up: its time does not depend on which. Ways are like in accuracy where
their scatter is: a centre of mass is quick, but far from the bound on faint stars; a parabola through the peak is
between.
"""

import sys
import time
import warnings
from functools import partial
from pathlib import Path

import astropy.units as u
import numpy as np
from photutils.centroids import centroid_1dg, centroid_2dg, centroid_com, centroid_quadratic

sys.path.insert(0, str(Path(__file__).parents[2]))
from helpers.multi_star.centroids import METHODS, measure_stars
from helpers.starlight.centroid_noise import centroid_error
from helpers.starlight.simulated_frames import render_frames

COLUMNS, ROWS, STARS, FWHM, BOX = 450, 250, 20, 3.0, 15
SKY, READ_NOISE, FULL_WELL = 4.0, 1.5, 60000.0
LOOPS = {centroid_com: 1.0, centroid_quadratic: 0.5, centroid_1dg: 0.01, centroid_2dg: 0.01}  # share that is timed


def scene(frames):
    rng = np.random.default_rng(1)
    grid = np.stack(np.meshgrid(np.arange(5), np.arange(4)), axis=-1).reshape(-1, 2)
    places = np.array([45, 30]) + grid * [88, 60] + rng.uniform(-5, 5, (STARS, 2))
    light = np.geomspace(195, 40000, STARS)  # the faintest has a signal-to-noise ratio of 10
    motion = rng.normal(0, 0.3, (frames, STARS, 2))
    image = render_frames(
        places,
        light * u.electron,
        motion * u.arcsec,
        FWHM * u.arcsec,
        1 * u.arcsec / u.pix,
        (COLUMNS, ROWS),
        rng,
        sky=SKY * u.electron / u.pix,
        read_noise=READ_NOISE * u.electron,
        full_well=FULL_WELL * u.electron,
        bit_depth=16,
        profile="gaussian",
    )
    return image, places, light, places + motion


def seconds(function, repeats):
    """Least processor time of some repeats, which other work on the machine disturbs little; and the result."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        result = function()
        times.append(time.process_time() - start)
    return min(times), result


def loop(function, image, corners):
    """What a loop must do: cut out, take the background off (middle value of two edges), find the centre."""
    found = np.empty((len(image), len(corners), 2))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for number, frame in enumerate(image):
            for star, (x, y) in enumerate(corners):
                stamp = frame[y : y + BOX, x : x + BOX].astype(float)
                found[number, star] = function(stamp - np.median(stamp[[0, -1]]))
    return found + corners


def main(frames=1000):
    image, places, light, truth = scene(frames)
    gain = FULL_WELL / (2**16 - 1) * u.electron / u.DN
    bound = centroid_error(
        FWHM * u.arcsec,
        light * u.electron,
        (SKY + READ_NOISE**2) * u.electron / u.pix,
        1 * u.arcsec / u.pix,
        "maximum likelihood",
    ).value
    ours = {}
    for method in METHODS:
        ours[method], found = seconds(partial(measure_stars, image, places, BOX, method, gain=gain), 9)
        off = np.std(found.centroids.value - truth, axis=(0, 2)) / bound
        for what, stars in (("signal-to-noise ratio 10", [0]), ("well exposed (the brightest 12)", range(8, STARS))):
            rms = np.sqrt(np.mean(off[stars] ** 2))
            print(
                f"| scatter over bound, {method}, {what} | {rms:.3f} | 1 (Mortensen et al. 2010, eq. 5) | {rms:.3f} |"
            )
    corners = np.round(places).astype(int) - BOX // 2
    for function, share in LOOPS.items():
        chosen = max(10, int(share * frames))
        other, found = seconds(partial(loop, function, image[:chosen], corners), 3 if share > 0.1 else 1)
        other *= frames / chosen
        off = np.nanstd(found - truth[:chosen], axis=(0, 2)) / bound
        note = f"scatter / bound {off[0]:.1f} at 10, {np.sqrt(np.mean(off[8:] ** 2)):.2f} well exposed"
        for method in METHODS:
            what = f"{frames} frames, {STARS} stars, {method}"
            print(
                f"| {what} | {ours[method]:.3f} s | {other:.2f} s ({function.__name__}: {note}) | "
                f"{other / ours[method]:.0f} |"
            )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
