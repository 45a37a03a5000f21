"""Which stars are good enough to guide on: one rule for all rooms.

A star is usable when its centre is known to 0.1 arcsec. Where pixels are so coarse that none is, those not much worse
than the best are taken, for the mean of several is better.
"""

import astropy.units as u
import numpy as np

USABLE_ERROR = 0.1 * u.arcsec  # one axis
USUAL_MAGNITUDES = "10 to 14 behind a pick-off, 7 to 11 in a guide telescope"  # of guide stars: common practice
_POOR_ERROR, _MUCH_WORSE = 0.5, 2  # arcsec; times the best


def error_asked(best):
    """How well the centre of a star must be known, where the best star is known so well.

    Parameters
    ----------
    best : float or array
        One axis [arcsec].

    Returns
    -------
    array [arcsec]
        `USABLE_ERROR` where the best reaches it; else twice the best, 0.5 arcsec at most, and never less than the best.
    """
    best = np.asarray(best, float)
    poor = np.maximum(np.minimum(_MUCH_WORSE * best, _POOR_ERROR), best)
    return np.where(best <= USABLE_ERROR.value, USABLE_ERROR.value, poor)


def choose_stars(errors, saturated, most):
    """Which stars are used: the `most` best of those that are known well enough, by `error_asked`.

    Parameters
    ----------
    errors, saturated : array, shape (..., N)
        Centroid errors [arcsec, one axis], and which stars fill a pixel: they are not used unless all do.
    most : int

    Returns
    -------
    weights : array, shape (..., N)
        Best for the centroid noise, summing to 1; 0 for a star that is not used.
    guidable : bool array, shape (...)
        False where no star is known to `USABLE_ERROR`.
    """
    unsaturated = np.where(saturated, np.inf, errors)
    best = unsaturated.min(axis=-1, keepdims=True)
    guidable = best[..., 0] <= USABLE_ERROR.value
    good = unsaturated <= error_asked(best)
    full = saturated.all(axis=-1, keepdims=True)
    good = np.where(full, np.arange(errors.shape[-1]) == errors.shape[-1] - 1, good)
    order = np.where(good, errors, np.inf).argsort(axis=-1, kind="stable").argsort(axis=-1, kind="stable")
    power = np.where(good & (order < most), errors.min(axis=-1, keepdims=True) / errors, 0.0) ** 2
    return power / power.sum(axis=-1, keepdims=True), guidable
