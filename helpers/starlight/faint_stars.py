"""A faint star is found only in those exposures in which noise does not hide it: in how many, and how well there.

The picture is smoothed with a window as wide as the star, and its brightest spot is the star if it is bright enough.
Where spots of such a picture stand, and how high, is a law of its own (Rice); so both answers follow from how far the
star stands out and how bright a spot must be.
"""

import numpy as np
from scipy.special import ndtr

from helpers.shared.checks import as_number
from helpers.shared.limits import SETTINGS
from helpers.shared.optics import FWHM_PER_SIGMA

__all__ = [
    "FAINT_RATIOS",
    "FAINT_WIDTHS",
    "NARROWEST_WINDOW",
    "edge_depth",
    "error_over_law",
    "found_frames",
    "least_height",
    "measuring_box",
    "measuring_window",
]

_FALSE_STARS = 5e-4  # boxes of pure noise that may pass for a star
NARROWEST_WINDOW = 1.0  # pixels, of the window's sigma
_HALF_LIGHT = np.sqrt(2 * np.log(2))  # how far out the smoothed star is half as bright, in its own scale
_GAUSSIAN_REACH = 0.7071
FAINT_WIDTHS = (1.0, 1.25, 1.5, 2.0, 3.0, 4.0, 8.0)  # FWHM of a star in pixels, and its signal to noise, of the table
FAINT_RATIOS = (3.0, 3.5, 4.0, 5.0, 6.0)
# one row for each width; demo_data/make_faint_errors.py prints it
_OVER_LAW = np.array(
    [
        [1.213, 1.174, 1.117, 1.068, 1.032],
        [1.087, 1.055, 1.020, 1.008, 0.989],
        [1.023, 1.010, 0.990, 0.979, 0.982],
        [0.955, 0.946, 0.940, 0.953, 0.980],
        [0.967, 0.973, 0.960, 0.947, 0.977],
        [0.961, 0.965, 0.954, 0.951, 0.961],
        [0.902, 0.900, 0.918, 0.923, 0.934],
    ]
)
_OFFSETS = (np.arange(80) + 0.5) * 0.1  # of a spot from the star, in errors of a star that never hides


def _spots_above(height, area, border, window):
    """How many spots of pure noise, smoothed with a Gaussian window, are to be expected above a height in sigma.

    Adler & Taylor 2007, Random Fields and Geometry, chapter 11 (Euler characteristic of a region of this area and half
    its border), for a field whose neighbours' correlation is exp(-d^2 / (4 window^2)).
    """
    scale = np.sqrt(2) * window
    bell = np.exp(-(height**2) / 2)
    of_area = area * height / (2 * np.pi) ** 1.5 / scale**2
    return bell * (of_area + border / (2 * np.pi) / scale) + ndtr(-height)


def least_height(area, border, window):
    """How far a spot must stand out to pass for a star.

    Parameters
    ----------
    area : float or array
        Where it is sought [square pixels].
    border : float or array
        Half the border of that area [pixels].
    window : float or array
        Sigma of the Gaussian that smooths the picture [pixels].

    Returns
    -------
    ndarray
        In sigma of the smoothed noise: spots of pure noise pass in 1 of 4,000 such areas.
    """
    area, border, window = np.broadcast_arrays(area, border, window)
    low, high = np.zeros(window.shape), np.full(window.shape, 9.0)
    for _ in range(30):
        middle = (low + high) / 2
        many = _spots_above(middle, area, border, window) > _FALSE_STARS / 2
        low, high = np.where(many, middle, low), np.where(many, high, middle)
    return high


def edge_depth(box):
    """How many pixels deep the edge of a box is from which the level of the sky is taken."""
    return 1 if box < 13 else 2


def measuring_box(width):
    """Side in pixels, an odd number, of the box in which a star of FWHM `width` pixels is measured."""
    return max(9, int(5 * width) // 2 * 2 + 1)


def measuring_window(width):
    """Sigma in pixels of the window for a faint star of FWHM `width` pixels: as wide as the star on its pixels."""
    return max(float(np.hypot(width / FWHM_PER_SIGMA, np.sqrt(1 / 12))), NARROWEST_WINDOW)


def found_frames(signal_to_noise, near, far, level_noise=0.0, reach=_GAUSSIAN_REACH):
    """In how many exposures a faint star is found, and how well its centre is known in those.

    Parameters
    ----------
    signal_to_noise : float or array
        Of the star in the smoothed picture, at least 0.001.
    near, far : float or array
        How high, in the noise of the smoothed picture at the star, a spot must be to count: closer to the usual place
        than a window's sigma, and farther away.
    level_noise : float or array
        Variance that the unknown level of the sky adds to a spot's height, over that of the smoothed noise.
    reach : float or array
        The window's sigma, over signal-to-noise times the error that a star would have if noise never changed its
        height; not given, that of a Gaussian star.

    Returns
    -------
    share : float or ndarray
        Of the exposures, 0 to 1, in which the star's own spot, out to half its light, counts.
    error : float or ndarray
        Error of the centre in those, over what it would be if noise shifted the spot and never changed its height.
        Above 1 for a star that is always found; below where only its lucky exposures count.

    Raises
    ------
    ValueError, TypeError

    References
    ----------
    Rice 1945, Bell Syst. Tech. J. 24, 46, and Adler & Taylor 2007, Random Fields and Geometry, chapter 11: mean number
    of maxima of a field at a place and of a height, for a spot exp(-d^2 / 4) in noise of the correlation exp(-d^2 / 4).
    """
    many = {"ndim": None, "most_values": SETTINGS}
    ratio = as_number("signal_to_noise", signal_to_noise, minimum=1e-3, maximum=1e9, **many)
    near, far = (as_number(name, v, minimum=0, maximum=1e9, **many) for name, v in (("near", near), ("far", far)))
    level = as_number("level_noise", level_noise, minimum=0, maximum=1e6, **many)
    reach = as_number("reach", reach, above=0, maximum=1e6, **many)
    ratio, near, far, level, reach = (part[..., None] for part in np.broadcast_arrays(ratio, near, far, level, reach))
    offset = np.minimum(_OFFSETS, _HALF_LIGHT * ratio) / ratio  # beyond half its light it is another spot
    inside = _OFFSETS < _HALF_LIGHT * ratio
    height = ratio * np.exp(-(offset**2) / 2)
    chance = np.exp(-((height * offset) ** 2) / 2) * np.where(inside, _OFFSETS, 0) * (_OFFSETS[1] - _OFFSETS[0])
    close = _share_inside_square(offset / reach)
    spots = sum(
        part * _maxima(height, offset, threshold, level) for part, threshold in ((close, near), (1 - close, far))
    )
    weight = chance * np.maximum(spots, 0) / ratio**2
    found = np.maximum(weight.sum(axis=-1), 1e-300)
    share = np.minimum(found, 1.0)
    error = np.sqrt((weight * (offset * ratio) ** 2).sum(axis=-1) / found / 2)
    return (float(share), float(error)) if share.ndim == 0 else (share, error)


def error_over_law(width, signal_to_noise):
    """How well the better centroid knows the faint stars that it finds, over what `found_frames` foretells.

    Measured once on simulated frames (demo_data/make_faint_errors.py), because two things have no law: stars narrower
    than 1.5 pixels are sought with a window wider than they are, and the centroid begins at the star's usual place.
    Each number is the mean of three cameras, which lie 0.07 apart or less; its random error is below 0.01.

    Parameters
    ----------
    width : float
        FWHM of the star in pixels; beyond the table's ends the last number holds.
    signal_to_noise : array
        As `width`.

    Returns
    -------
    ndarray
    """
    place = np.interp(np.log(width), np.log(FAINT_WIDTHS), np.arange(len(FAINT_WIDTHS)))
    first = min(int(place), len(FAINT_WIDTHS) - 2)
    row = _OVER_LAW[first] + (place - first) * (_OVER_LAW[first + 1] - _OVER_LAW[first])
    return np.interp(signal_to_noise, FAINT_RATIOS, row)


def _share_inside_square(radius):
    """Of a circle round the middle of a square of half side 1."""
    return np.where(
        radius <= 1, 1.0, np.maximum(1 - 4 / np.pi * np.arccos(np.minimum(1 / np.maximum(radius, 1), 1)), 0)
    )


def _maxima(height, offset, threshold, level):
    """Mean of det(-curvature) over spots whose height, mean `height` and variance 1, passes with the level's noise."""
    spread = np.sqrt(1 + level)
    margin = (height - threshold) / spread
    bell = np.exp(-(margin**2) / 2) / np.sqrt(2 * np.pi)
    passed = ndtr(margin)
    first, second = bell / spread, passed - margin * bell / (1 + level)  # moments of height - mean, where it passes
    square = offset**2
    return (height**2 * (1 - square) - 1) * passed + height * (2 - square) * first + second
