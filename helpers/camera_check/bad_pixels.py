"""Single pixels that stand out: hot, cold, jumping between two levels, or restless."""

from dataclasses import dataclass

import numpy as np
import scipy  # loads its parts when they are used
from scipy import special

from helpers.camera_check.darks import smooth_part
from helpers.camera_check.statistics import planes_of

_SEEN = 5.0  # a pixel that stands out in one frame by so many noises looks like a star


@dataclass(frozen=True)
class BadPixels:
    """Rows and columns (shape (n, 2) each) of pixels that are `hot`, `cold`, `telegraph` or else restless (`noisy`).

    `pixels` is the number of all; restless ones were looked for in `frames` frames (at least 8, else not at all).
    """

    hot: np.ndarray
    cold: np.ndarray
    telegraph: np.ndarray
    noisy: np.ndarray
    pixels: int
    frames: int


def _two_levels(series, noise):
    """Which pixels' values jump between two levels (telegraph noise) and do not just scatter; series (frames,
    pixels).
    """
    ordered = np.sort(series, axis=0)
    frames = len(ordered)
    split = np.argmax(np.diff(ordered, axis=0), axis=0) + 1  # the widest gap parts the two levels
    low = np.arange(frames)[:, None] < split
    low_mean = np.sum(ordered * low, axis=0) / split
    high_mean = np.sum(ordered * ~low, axis=0) / (frames - split)
    rest = ordered - np.where(low, low_mean, high_mean)
    within = np.sqrt(np.sum(rest**2, axis=0) / (frames - 2))
    both = np.minimum(split, frames - split) >= 2
    return both & (high_mean - low_mean > 4 * np.maximum(within, 0.5 * noise)) & (within < 2 * noise)


def _one_event(series, quantum):
    """Which pixels one value alone makes look restless: an event in one frame, not a property of the pixel."""
    rest = np.sort(np.abs(series - np.median(series, axis=0)), axis=0)[:-1]
    return np.var(series, axis=0) > 8 * np.mean(rest**2, axis=0) + quantum**2


def _restless(sets, quantum):
    """Pixels whose values change far more than the others', from the largest set: telegraph and otherwise noisy."""
    known = [(one.variance_frames, number) for number, (_, one) in enumerate(sets) if one.pixel_variance is not None]
    none = np.empty((0, 2), int)
    if not known:
        return none, none
    frames, one = sets[max(known)[1]]
    freedom = one.variance_frames - 1
    # The level of whole frames may drift; that is no fault of a pixel.
    typical = one.variance.mean() + one.frame_means[: one.variance_frames].var(ddof=1)
    # So rare that a healthy sensor shows none by chance, and at least twice the usual noise.
    factor = max(4.0, special.chdtri(freedom, 1e-3 / one.pixel_variance.size) / freedom)
    places = np.argwhere(one.pixel_variance > factor * max(typical, 0.25 * quantum**2))
    if not 0 < len(places) <= 5000:
        return none, places
    series = np.stack([np.asarray(frames[n], float)[tuple(places.T)] for n in range(one.variance_frames)])
    jumping, lonely = _two_levels(series, np.sqrt(typical)), _one_event(series, quantum)
    return places[jumping], places[~jumping & ~lonely]


def find_bad_pixels(bias_frames, bias, dark_frames, darks, flat, mosaic, quantum):
    """Find single pixels that stand out.

    Hot pixels stand out in one frame of the longest dark by five times its noise, as a faint star would; cold ones see
    less than half the light that those around them see; restless ones change at least twice as much as the others.

    Parameters
    ----------
    bias_frames, dark_frames : frames, list of frames
        What `bias` and `darks` were made from.
    bias : SetStatistics
    darks : list of (exposure, SetStatistics)
    flat : SetStatistics or None
    mosaic : bool
    quantum : float
        Step of the numbers in DN.

    Returns
    -------
    BadPixels
    """
    pixels = bias.mean_frame.size
    if darks:
        longest = max(darks, key=lambda pair: pair[0])[1]
        excess, noise = longest.mean_frame - bias.mean_frame, np.sqrt(longest.variance.mean())
    else:
        excess, noise = bias.mean_frame, np.sqrt(bias.variance.mean())
    # Above what is around them: a whole corner that glows is no hot pixel.
    smooth, spread = smooth_part(excess)
    hot = np.argwhere(excess > smooth + _SEEN * np.maximum(spread, max(noise, 0.5 * quantum)))
    cold = np.empty((0, 2), int)
    if flat is not None:
        found = np.zeros(bias.mean_frame.shape, bool)
        response = flat.mean_frame - bias.mean_frame
        noise = np.sqrt(flat.variance / flat.frames)
        for number, (plane, bad) in enumerate(zip(planes_of(response, mosaic), planes_of(found, mosaic), strict=True)):
            half = 0.5 * scipy.ndimage.uniform_filter(plane, 15, mode="nearest")
            bad[:] = (plane < half) & (half > _SEEN * noise[number])  # in a faint flat chance makes pixels dark
        cold = np.argwhere(found)
    telegraph, noisy = _restless(
        [(bias_frames, bias), *zip(dark_frames, (one for _, one in darks), strict=True)], quantum
    )
    frames = max(one.variance_frames for one in [bias, *(one for _, one in darks)])
    return BadPixels(hot, cold, telegraph, noisy, pixels, frames)
