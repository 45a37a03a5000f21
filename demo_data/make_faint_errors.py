"""Measures anew the table of `faint_stars` of how well faint stars are known: run it to print it, in about 15 minutes.

Frames of stars of known width and signal-to-noise ratio are simulated and measured with both centroids; the better
one's rms, sampling floor taken off, over what the law of the highest spots foretells. Mean of three cameras: without
colours, with a raw colour mosaic, and with one binned 2 x 2.
"""

import sys
from pathlib import Path

import astropy.units as u
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from helpers import rig as rigs
from helpers import starlight
from helpers.multi_star.centroids import METHODS, measure_stars
from helpers.starlight.faint_stars import FAINT_RATIOS, FAINT_WIDTHS, measuring_box

CAMERAS = (("club", "A", 1), ("starter", "B", 1), ("club", "B", 2))  # rig, guide camera, binning
PLACES, FOUND = 48, 2500  # of stars among the pixels; stars found for each number
MOST_FRAMES = 500  # at each place


def view_with_width(name, camera, binning, width, exposure=None):
    """A rig's view with pixels of a size that makes a star `width` (binned) pixels wide."""
    rig = rigs.changed(rigs.demo_rig(name, camera), {"guide_camera.binning": binning})
    first = starlight.view(rig)
    size = rig.guide_camera.pixel_size * (first.fwhm / first.pixel_scale).value / width
    return starlight.view(rigs.changed(rig, {"guide_camera.pixel_size": size}), exposure)


def magnitude_of(view, ratio):
    """Of the star with a signal-to-noise ratio."""
    magnitudes = np.linspace(0, 24, 20000)
    return np.interp(-ratio, -view.signal(magnitudes).signal_to_noise, magnitudes)


def squares(view, magnitude, frames, rng):
    """Squared errors [pix^2] of the stars that are found, (found, 2), for each method."""
    width, binning = float((view.fwhm / view.pixel_scale).value), view.rig.guide_camera.binning
    box, off = measuring_box(width), {method: [] for method in METHODS}
    for k, place in enumerate(rng.uniform(-0.5, 0.5, (PLACES, 2))):
        middle = box // 2 + 3 + np.array([k % 2, k // 2 % 2])  # the corner of its box is red, green and blue in turn
        motion = np.tile(place, (frames, 1, 1)) * u.pix * view.pixel_scale
        side = binning * (2 * (box // 2 + 4) + 1)
        taken = view.frames([middle * binning + (binning - 1) / 2], [magnitude], motion, rng, shape=(side, side))
        taken = taken if binning == 1 else starlight.bin_frames(taken, binning)
        for method in METHODS:
            gain = view.gain_setting.step / u.DN
            seen = measure_stars(taken, [middle], box, method, fwhm=width * u.pix, gain=gain)
            off[method].append((seen.centroids.value[:, 0] - place - middle)[seen.measured[:, 0]])
    return [np.concatenate(parts) ** 2 for parts in off.values()]


def row(name, camera, binning, width):
    """Error over what the law foretells, and its standard error, for each ratio."""
    view, rng, factors = view_with_width(name, camera, binning, width), np.random.default_rng(int(100 * width)), []
    for ratio in FAINT_RATIOS:
        magnitude = magnitude_of(view, ratio + 1e-3)
        signal = view.signal(magnitude)
        share, law = view._found_by_law(signal.electrons.value)
        each = squares(view, magnitude, int(np.clip(FOUND / PLACES / share, 30, MOST_FRAMES)), rng)
        best = min(each, key=np.mean)
        square = best.mean() * view.pixel_scale.value**2 - signal.sampling_floor.value**2
        factors.append((np.sqrt(square) / law, 0.5 * best.std() / best.mean() / np.sqrt(best.size)))
    return np.array(factors)


def main():
    for width in FAINT_WIDTHS:
        rows = np.array([row(*camera, width) for camera in CAMERAS])
        print(f"{width:5.2f}  mean", *(f"{value:.3f}" for value in rows[..., 0].mean(axis=0)), end="  ")
        print("random", *(f"{value:.3f}" for value in np.sqrt(np.sum(rows[..., 1] ** 2, axis=0)) / len(rows)), end="  ")
        print("cameras apart", *(f"{value:.3f}" for value in np.ptp(rows[..., 0], axis=0)), flush=True)


if __name__ == "__main__":
    main()
