"""Single pixels that stand out: hot, cold, jumping between two levels, or restless."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter
from scipy.stats import chi2

from helpers.frame_statistics import planes_of

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
    """Whether a pixel's values jump between two levels (telegraph noise), not just scatter."""
    ordered = np.sort(np.asarray(series, float))
    gaps = np.diff(ordered)
    split = int(np.argmax(gaps)) + 1
    low, high = ordered[:split], ordered[split:]
    if min(low.size, high.size) < 2:
        return False
    within = np.sqrt((low.var() * low.size + high.var() * high.size) / (ordered.size - 2))
    return high.mean() - low.mean() > 4 * max(within, 0.5 * noise) and within < 2 * noise


def _restless(sets):
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
    factor = max(4.0, chi2.isf(1e-3 / one.pixel_variance.size, freedom) / freedom)
    places = np.argwhere(one.pixel_variance > factor * max(typical, 0.25))
    if not 0 < len(places) <= 5000:
        return none, places
    series = np.stack([np.asarray(frames[n], float)[tuple(places.T)] for n in range(one.variance_frames)])
    jumping = np.array([_two_levels(values, np.sqrt(typical)) for values in series.T], bool)
    lonely = np.array([_one_event(values) for values in series.T], bool)
    return places[jumping], places[~jumping & ~lonely]


def _one_event(series):
    """Whether one value alone makes a pixel look restless: an event in one frame, not a property of the pixel."""
    rest = np.sort(np.abs(series - np.median(series)))[:-1]
    return bool(np.var(series) > 8 * np.mean(rest**2) + 1)


def find_bad_pixels(bias_frames, bias, dark_sets, darks, flat, mosaic, quantum):
    pixels = bias.mean_frame.size
    if darks:
        longest = max(darks, key=lambda pair: pair[0])[1]
        excess, noise = longest.mean_frame - bias.mean_frame, np.sqrt(longest.variance.mean())
    else:
        excess, noise = bias.mean_frame, np.sqrt(bias.variance.mean())
    low, middle, high = np.percentile(excess.ravel()[:: max(1, excess.size // 200_000)], [15.87, 50, 84.13])
    hot = np.argwhere(excess > middle + _SEEN * max(noise, (high - low) / 2, 0.5 * quantum))
    cold = np.empty((0, 2), int)
    if flat is not None:
        found = np.zeros(bias.mean_frame.shape, bool)
        response = flat.mean_frame - bias.mean_frame
        for plane, bad in zip(planes_of(response, mosaic), planes_of(found, mosaic), strict=True):
            bad[:] = plane < 0.5 * uniform_filter(plane, 15, mode="nearest")
        cold = np.argwhere(found)
    telegraph, noisy = _restless([(bias_frames, bias), *zip(dark_sets, (one for _, one in darks), strict=True)])
    frames = max(one.variance_frames for one in [bias, *(one for _, one in darks)])
    return BadPixels(hot, cold, telegraph, noisy, pixels, frames)
