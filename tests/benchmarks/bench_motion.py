"""One hour of the motion of 20 stars against phase screens of general-purpose libraries. Run by hand; prints table
rows.

    python tests/benchmarks/bench_motion.py

Libraries that are not installed are left out; hcipy and pyturb go into an environment of their own:
    python -m venv bench && bench/bin/pip install astropy scipy aotools numba hcipy pyturb

The same series from phase screens: one endless screen for each layer, as wide as the beams of all stars in it, moved by
the wind for an hour. Pixels of a quarter of the aperture are as coarse as they may be. New rows are timed over a
shorter piece and scaled by their number (time is linear in rows; set-up is not counted); taking the tilts of the stars
from the screens and averaging them over each exposure is not counted either. All of this favours the screens.
"""

import resource
import sys
import time
from pathlib import Path

import astropy.units as u
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from helpers.multi_star.averaging import pair_covariance, simulate_motion
from helpers.seeing.air import Atmosphere
from helpers.seeing.named_air import ATMOSPHERES
from helpers.seeing.widths import fried_parameter

STARS, EXPOSURES, EXPOSURE, DIAMETER, RUNS = 20, 3600, 1 * u.s, 0.2 * u.m, 150
AIR = ATMOSPHERES["valley night"]
FIELD = 10 * u.arcmin
PIXEL_M = DIAMETER.value / 4
POSITIONS = np.random.default_rng(1).uniform(-0.5, 0.5, (STARS, 2)) * FIELD


def seconds(task, repeats=3):
    """Shortest wall-clock time of some runs."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        task()
        times.append(time.perf_counter() - start)
    return min(times)


def ours(count=EXPOSURES, seed=2):
    return simulate_motion(POSITIONS, DIAMETER, AIR, EXPOSURE, count, np.random.default_rng(seed))


def width_in_pixels(layer):
    return int(np.ceil(((FIELD.to_value(u.rad) * layer.height + DIAMETER) / PIXEL_M).to_value(u.m)))


def rows_in_all(layer):
    return (layer.wind_speed * EXPOSURE * EXPOSURES).to_value(u.m) / PIXEL_M


def screen_aotools(width, r0_m):
    from aotools.turbulence.infinitephasescreen import PhaseScreenVonKarman

    screen = PhaseScreenVonKarman(width, PIXEL_M, r0_m, AIR.outer_scale.value, random_seed=1)

    def add(rows):
        for _ in range(rows):
            screen.add_row()

    return add


def screen_hcipy(width, r0_m):
    import hcipy

    grid = hcipy.make_pupil_grid(width, width * PIXEL_M)
    strength = hcipy.Cn_squared_from_fried_parameter(r0_m, 500e-9)
    layer = hcipy.InfiniteAtmosphericLayer(
        grid, strength, AIR.outer_scale.value, PIXEL_M, use_interpolation=False, seed=1
    )
    layer.evolve_until(0)
    return lambda rows: layer.evolve_until(layer.t + rows)  # a wind of one pixel in a second


def screen_pyturb(width, r0_m):
    import pyturb

    return pyturb.InfinitePhaseScreen(width, PIXEL_M, r0_m, AIR.outer_scale.value, seed=1).step


def hour_of_screens(make_screen):
    total = 0
    for layer in AIR.layers:
        width, r0_m = width_in_pixels(layer), fried_parameter(AIR.fwhm).value * layer.fraction**-0.6
        add = make_screen(width, r0_m)
        rows = 1000 if width < 100 else 100
        total += seconds(lambda add=add, rows=rows: add(rows)) / rows * rows_in_all(layer)
    return total


def worst_octave(runs=RUNS):
    """Largest deviation of the mean spectrum, in octaves and on both axes, from that of the integrals."""
    lags = np.arange(EXPOSURES)
    covariance = np.zeros((2, EXPOSURES))
    for layer in AIR.layers:
        alone = Atmosphere(
            AIR.fwhm * layer.fraction**0.6,
            AIR.outer_scale,
            [type(layer)(layer.height, 1, layer.wind_speed, layer.wind_direction)],
        )
        way = (layer.wind_speed * EXPOSURE / layer.height).to_value(u.one) * u.rad.to(u.arcmin) * lags
        angle = layer.wind_direction.to_value(u.rad)
        way = np.outer(np.minimum(way, 9e3), [np.cos(angle), np.sin(angle)]) * u.arcmin
        covariance += pair_covariance(way, DIAMETER, alone, EXPOSURE).value
    both_sides = np.concatenate([covariance, covariance[:, :0:-1]], axis=1)
    expected = np.fft.rfft(both_sides, axis=1).real
    taper = np.sqrt(8 / 3) * np.hanning(EXPOSURES)[:, None, None]
    found = np.mean(
        [
            np.mean(np.abs(np.fft.rfft(ours(seed=seed).value * taper, axis=0)) ** 2, axis=1) / EXPOSURES
            for seed in range(runs)
        ],
        axis=0,
    )
    frequency, fine = np.fft.rfftfreq(EXPOSURES), np.fft.rfftfreq(2 * EXPOSURES - 1)
    deviations = []
    for low in 2.0 ** np.arange(-6, -1):
        mean = found[(frequency >= low) & (frequency < 2 * low)].mean(axis=0)
        right = expected[:, (fine >= low) & (fine < 2 * low)].mean(axis=1)
        deviations.append(np.abs(mean / right - 1).max())
    return max(deviations)


def main():
    print("| what | ours | other | ratio |\n| --- | --- | --- | --- |")
    # first of all, since the screens below leave their memory behind
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    ours(36000)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"| largest memory of the process, 20 stars x 36,000 exposures | {after:.0f} MB | {before:.0f} MB before | - |"
    )
    for name, make_screen in (("aotools", screen_aotools), ("hcipy", screen_hcipy), ("pyturb", screen_pyturb)):
        try:
            other = hour_of_screens(make_screen)
        except ImportError:
            print(f"| one hour, 20 stars, 3 layers, against {name} | - | not installed | - |")
            continue
        own = seconds(ours)
        print(
            f"| one hour of 1 s, 20 stars, 3 layers, against {name} | {own:.2f} s | {other:.0f} s | {other / own:.0f} |"
        )
    print(
        f"| largest deviation of the spectrum in an octave, mean of {RUNS} runs | {100 * worst_octave():.1f} % | "
        f"integrals | - |"
    )


if __name__ == "__main__":
    main()
