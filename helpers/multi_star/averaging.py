"""Many guide stars: how alike the air moves them, what averaging removes, and what it can't."""

import astropy.units as u
import numpy as np

from helpers.guide_field.stars import GuideStars
from helpers.multi_star.centroids import StarMeasurements, measure_centroids, measure_stars
from helpers.seeing.air import Atmosphere
from helpers.seeing.simulated_motion import simulate_motion
from helpers.seeing.tilt_spectrum import layer_pair_covariance, tilt_covariance_table
from helpers.seeing.wander import tilt_scale
from helpers.shared.checks import as_quantity, flags, instance, number, optional, quantity, takes
from helpers.shared.limits import STARS

__all__ = [
    "StarMeasurements",
    "best_weights",
    "mean_variance",
    "measure_centroids",
    "measure_stars",
    "motion_covariance",
    "pair_covariance",
    "robust_mean",
    "simulate_motion",
    "snr_weights",
    "with_centroid_noise",
]

_ARCMIN = u.arcmin.to(u.rad)


_ANGLES = {"minimum": -1e4, "maximum": 1e4}
_DIAMETER = quantity(u.m, minimum=1e-3, maximum=100, ndim=0)
_EXPOSURE = quantity(u.s, minimum=0, maximum=1e6, ndim=0)
_WEIGHTS = {"maximum": 1e100, "ndim": 1}


def _as_positions(name, value):
    offsets = value.offsets if isinstance(value, GuideStars) else value
    return as_quantity(name, offsets, u.arcmin, **_ANGLES, shape=(None, 2), most_values=2 * STARS)


def _pair_covariance_arcsec2(separations_arcmin, diameter_m, atmosphere, exposure_s):
    table = tilt_covariance_table(diameter_m / atmosphere.outer_scale.value)
    total = np.zeros((2, len(separations_arcmin)))
    for layer in atmosphere.layers:
        separation_m = separations_arcmin * _ARCMIN * layer.height.value
        total += layer.fraction * layer_pair_covariance(
            separation_m, diameter_m, table, layer.wind_speed.value * exposure_s, layer.wind_direction.to_value(u.rad)
        )
    return total * tilt_scale(atmosphere)


@takes(
    separations=quantity(u.arcmin, **_ANGLES, shape=(None, 2), most_values=STARS**2),
    diameter=_DIAMETER,
    atmosphere=instance(Atmosphere),
    exposure=_EXPOSURE,
)
def pair_covariance(separations, diameter, atmosphere, exposure=0 * u.s):
    """How alike the air moves two stars, for many pairs.

    Parameters
    ----------
    separations : Quantity [angle], shape (P, 2)
        Second star minus first, in x and y.
    diameter : Quantity [length]
    atmosphere : Atmosphere
        Its outer scale may be infinite.
    exposure : Quantity [time]
        0 s for an instant.

    Returns
    -------
    Quantity [arcsec2], shape (2, P)
        Covariance of the motion along x, and of that along y. Divide by that of separation zero for a correlation.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is out of range, no finite number, of the wrong shape or physical type.

    References
    ----------
    Instant: pi lambda^2 Int f^3 W A^2 [J0(2 pi f s) -+ J2(2 pi f s)] df along/across the separation (Conan, Borgnino,
    Ziad & Martin 2000, JOSA A 17, 1807; Tokovinin 2002, PASP 114, 1156). Exposure: weighted by the triangle of time
    differences within it, while the wind carries the layer (frozen flow).
    """
    return _pair_covariance_arcsec2(separations.value, diameter.value, atmosphere, exposure.value) * u.arcsec**2


@takes(positions=_as_positions, diameter=_DIAMETER, atmosphere=instance(Atmosphere), exposure=_EXPOSURE)
def motion_covariance(positions, diameter, atmosphere, exposure=0 * u.s):
    """Covariance of the motion of N stars by the air.

    Parameters
    ----------
    positions : Quantity [angle], shape (N, 2), or GuideStars
        Of the stars in the field, x and y (east and north, if the winds are to be those of the sky).
    diameter : Quantity [length]
    atmosphere : Atmosphere
    exposure : Quantity [time]
        0 s for an instant.

    Returns
    -------
    Quantity [arcsec2], shape (2, N, N)
        Axis 0 holds motion along x, then along y. Motion of one star along x with another's along y is left out: it
        does not enter an average along one axis.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        As `pair_covariance`.
    """
    count = len(positions)
    first, second = np.triu_indices(count, 1)
    separations = np.concatenate([np.zeros((1, 2)), positions.value[second] - positions.value[first]]) * u.arcmin
    pairs = pair_covariance(separations, diameter, atmosphere, exposure)
    result = np.empty((2, count, count))
    result[:, np.arange(count), np.arange(count)] = pairs.value[:, :1]
    result[:, first, second] = result[:, second, first] = pairs.value[:, 1:]
    return result * pairs.unit


def _check_square(name, matrix):
    if matrix.ndim < 2 or matrix.shape[-1] != matrix.shape[-2]:
        raise ValueError(f"{name}: expected shape (..., N, N), found {matrix.shape}")


def _check_covariance(name, matrix):
    """ValueError unless a (..., N, N) array is symmetric and without negative eigenvalues."""
    _check_square(name, matrix)
    scale = np.abs(matrix).max()
    if np.abs(matrix - np.swapaxes(matrix, -1, -2)).max() > 1e-8 * scale:
        raise ValueError(f"{name}: expected a symmetric matrix, found one that is not")
    lowest = np.linalg.eigvalsh(matrix).min()
    if lowest < -1e-4 * scale:
        raise ValueError(f"{name}: expected a covariance, found a negative eigenvalue {lowest:.3g}")


def _as_square(name, value):
    matrix = as_quantity(name, value, u.arcsec**2, minimum=-1e12, maximum=1e12, most_values=10 * STARS**2)
    _check_square(name, matrix)
    return matrix


def _as_covariance(name, value):
    matrix = _as_square(name, value)
    _check_covariance(name, matrix.value)
    return matrix


def _as_plain_covariance(name, value):
    """A covariance (N, N) in any unit, as plain numbers."""
    unit = value.unit if isinstance(value, u.Quantity) else u.dimensionless_unscaled
    matrix = as_quantity(name, value, unit, minimum=-1e100, maximum=1e100, ndim=2, most_values=STARS**2).value
    _check_covariance(name, matrix)
    return matrix


@takes(covariance=_as_square, errors=quantity(u.arcsec, minimum=0, maximum=1e6, ndim=1))
def with_centroid_noise(covariance, errors):
    """Add each star's own centroid noise to the covariance of the air.

    Parameters
    ----------
    covariance : Quantity [arcsec2], shape (..., N, N)
    errors : Quantity [angle], shape (N,)
        One-axis centroid error of each star.

    Returns
    -------
    Quantity [arcsec2], shape (..., N, N)

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Shapes that don't fit, negative errors, or a wrong physical type.
    """
    if len(errors) != covariance.shape[-1]:
        raise ValueError(f"errors: expected {covariance.shape[-1]} values, one for each star, found {len(errors)}")
    return covariance + np.diag(errors.value**2) * u.arcsec**2


@takes(covariance=_as_covariance, weights=optional(number(minimum=-1e100, **_WEIGHTS)))
def mean_variance(covariance, weights=None):
    """Variance of the weighted mean of N stars, w^T C w.

    Parameters
    ----------
    covariance : Quantity [arcsec2], shape (..., N, N)
    weights : array, shape (N,), optional
        Sum to 1; equal weights if not given.

    Returns
    -------
    Quantity [arcsec2], shape (...)

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Shapes that don't fit, no covariance matrix, or weights that do not sum to 1.
    """
    count = covariance.shape[-1]
    weights = np.full(count, 1 / count) if weights is None else weights
    if len(weights) != count:
        raise ValueError(f"weights: expected {count} values, one for each star, found {len(weights)}")
    if abs(weights.sum() - 1) > 1e-6:
        raise ValueError(f"weights: expected a sum of 1, found {weights.sum():.6g}")
    variance = np.einsum("i,...ij,j->...", weights, covariance.value, weights)
    return np.maximum(variance, 0) * u.arcsec**2


@takes(errors=quantity(u.arcsec, minimum=1e-9, maximum=1e9, ndim=1))
def snr_weights(errors):
    """Weights that are best if only centroid noise mattered: 1 / error^2.

    Parameters
    ----------
    errors : Quantity [angle], shape (N,)
        One-axis centroid error of each star; proportional to 1 / signal-to-noise ratio for stars of one width.

    Returns
    -------
    array, shape (N,)
        Sum to 1.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        An error is not positive, or of the wrong physical type.
    """
    weights = (errors.min() / errors).value ** 2
    return weights / weights.sum()


@takes(covariance=_as_plain_covariance)
def best_weights(covariance):
    """Weights of the mean with the smallest variance: w ~ C^-1 1.

    Parameters
    ----------
    covariance : Quantity [arcsec2] or array, shape (N, N)
        Of one axis: air and centroid noise.

    Returns
    -------
    array, shape (N,)
        Sum to 1. A weight may be negative. Stars that can't be told apart (a singular matrix) share their weight.

    Raises
    ------
    ValueError, TypeError
        No symmetric matrix without negative eigenvalues.

    References
    ----------
    Aitken 1935, Proc. Royal Society of Edinburgh 55, 42 (generalised least squares).
    """
    count = len(covariance)
    scale = np.mean(np.diag(covariance))
    # Minimum of w^T C w with sum w = 1 by its Lagrange equations; least squares copes with a singular C.
    system = np.ones((count + 1, count + 1))
    system[:count, :count] = covariance / (scale if scale > 0 else 1)
    system[count, count] = 0
    right = np.zeros(count + 1)
    right[count] = 1
    weights = np.linalg.lstsq(system, right, rcond=1e-9)[0][:count]
    return weights / weights.sum()


@takes(
    offsets=quantity(u.arcsec, minimum=-1e9, maximum=1e9, shape=(None, None, 2)),
    limit=number(minimum=1, maximum=1e9),
    weights=optional(number(minimum=0, **_WEIGHTS)),
    measured=optional(flags(ndim=2)),
)
def robust_mean(offsets, limit=3.5, weights=None, measured=None):
    """Mean offset of all stars in each exposure, leaving out stars that disagree with the rest.

    Parameters
    ----------
    offsets : Quantity [angle], shape (n, N, 2)
        Of each star from its own reference position.
    limit : float
        A star is left out where, on either axis, 0.6745 |offset - median| / MAD is larger; MAD is the median absolute
        deviation over the stars, or its usual value over all exposures where that is larger: with few stars it is often
        small by chance. Fewer than three stars are never left out.
    weights : array, shape (N,), optional
        Weights of the mean, not negative; those of the stars that are used are scaled to a sum of 1. Equal if not
        given.
    measured : bool array, shape (n, N), optional
        False where a star has no offset, such as `measure_stars` tells; all True if not given.

    Returns
    -------
    mean : Quantity [arcsec], shape (n, 2)
    used : bool array, shape (n, N)

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A wrong shape or physical type, a limit that is not at least 1, or an exposure without any star of positive
        weight.

    References
    ----------
    Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers, ASQC Basic References 16 (modified z-score, 3.5).
    """
    offsets, shape = offsets.value, offsets.shape[:2]
    weights = np.ones(shape[1]) if weights is None else weights
    if len(weights) != shape[1]:
        raise ValueError(f"weights: expected {shape[1]} values, one for each star, found {len(weights)}")
    measured = np.ones(shape, bool) if measured is None else measured
    if measured.shape != shape:
        raise ValueError(f"measured: expected truth values of shape {shape}, found {measured.shape}")
    measured = measured & (weights > 0)
    if not measured.any(axis=1).all():
        exposure = np.argmin(measured.any(axis=1))
        raise ValueError(f"measured: expected a star with a weight in each exposure, found none in exposure {exposure}")
    known = np.where(measured[..., None], offsets, np.nan)
    deviation = np.abs(known - np.nanmedian(known, axis=1, keepdims=True))
    spread = np.nanmedian(deviation, axis=1, keepdims=True)
    spread = np.maximum(spread, np.median(spread, axis=0, keepdims=True))
    few = measured.sum(axis=1, keepdims=True) < 3
    used = measured & (few | np.all(0.6745 * deviation <= limit * spread + 1e-12, axis=2))
    # Half of the stars lie within one MAD on each axis, but not always the same half on both.
    used = np.where(used.any(axis=1, keepdims=True), used, measured)
    weight = used * (weights / weights.max())
    mean = np.einsum("ij,ijk->ik", weight, offsets) / weight.sum(axis=1)[:, None]
    return mean * u.arcsec, used
