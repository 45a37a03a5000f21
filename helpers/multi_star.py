"""Many guide stars: how alike the air moves them, what averaging removes, and what it can't."""

from functools import lru_cache

import astropy.units as u
import numpy as np
from scipy import special
from scipy.interpolate import CubicSpline

from helpers.motion_synthesis import simulate_motion
from helpers.quantities import as_number, as_quantity
from helpers.seeing import _aperture_filter, _tilt_scale_arcsec2, check_atmosphere

__all__ = [
    "best_weights",
    "mean_variance",
    "motion_covariance",
    "pair_covariance",
    "robust_mean",
    "simulate_motion",
    "snr_weights",
    "with_centroid_noise",
]

_ARCMIN = u.arcmin.to(u.rad)
_STEP = 0.03  # of the natural logarithm of frequency
_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(24)


@lru_cache(maxsize=64)
def _tilt_covariance_table(diameter_over_outer_scale):
    """Cubic spline of (B0, B2, E) against ln(distance / D), for unit D and unit lambda^2 0.0229 r0^(-5/3).

    B_n(s) = pi Int f^3 W A^2 J_n(2 pi f s) df; the covariances along and across the separation are B0 - B2 and B0 + B2.
    E(s) = 2 pi Int f W A^2 [1 - J0(2 pi f s)] df is half the structure function of the wavefront.
    """
    epsilon = diameter_over_outer_scale
    lowest = 1e-3 * epsilon if epsilon > 0 else 1e-11
    frequency = np.exp(np.arange(np.log(lowest), np.log(max(10, 10 * epsilon)), _STEP))
    spectrum = _STEP * frequency**4 * (frequency**2 + epsilon**2) ** (-11 / 6) * _aperture_filter(frequency, 1)
    farthest = 10 * max(1, 1 / epsilon) if epsilon > 0 else 1e9
    distance = np.exp(np.arange(np.log(0.01), np.log(farthest) + 0.1, 0.1))
    argument = np.minimum(2 * np.pi * np.multiply.outer(distance, frequency), 400)
    # The taper leaves out what oscillates too fast for the grid and cancels; it blurs the distance by 1/60 of itself.
    taper = np.exp(-0.5 * (argument / 60) ** 2)
    j0 = taper * special.j0(argument)
    j2 = 2 * taper * special.j1(argument) / argument - j0
    rise = np.where(argument < 1e-2, argument**2 / 4, 1 - j0)
    values = np.stack(
        [np.pi * j0 @ spectrum, np.pi * j2 @ spectrum, 2 * np.pi * rise @ (spectrum / frequency**2)], axis=-1
    )
    if epsilon == 0:  # below the grid the spectrum is f^(-2/3) df
        values[:, 0] += np.pi * 3 * lowest ** (1 / 3)
        values[:, 2] += 2 * np.pi**3 * distance**2 * 3 * lowest ** (1 / 3)
    return CubicSpline(np.log(distance), values), np.log(distance[0]), np.log(distance[-1])


def _tilt_covariance(distance, table):
    """(B0, B2, E) at distance / D of any shape; shape (..., 3). Beyond ten outer scales nothing is alike."""
    spline, first, last = table
    logarithm = np.log(np.maximum(distance, 1e-12))
    values = spline(np.clip(logarithm, first, last))
    values[..., 1:] *= np.exp(2 * np.minimum(logarithm - first, 0))[..., None]  # both begin as distance^2
    values[logarithm > last, :2] = 0
    return values


def _path_nodes(along, across, path):
    """Quadrature of the triangle (1 - |t|) over positions along + path t, dense where the stars' paths come closest.

    All lengths in units of D; along, across: (P,). Returns positions and weights, (P, nodes).
    """
    width = np.hypot(across, 0.3)[:, None]
    edges = [np.arcsinh((along[:, None] + path * t) / width) for t in (-1, 0, 1)]
    positions, weights = [], []
    for low, high in (edges[:2], edges[1:]):
        half = (high - low) / 2
        node = (high + low) / 2 + half * _NODES
        position = width * np.sinh(node)
        triangle = 1 - np.abs(position - along[:, None]) / path
        positions.append(position)
        weights.append(half * _NODE_WEIGHTS * width * np.cosh(node) * triangle / path)
    return np.concatenate(positions, axis=1), np.concatenate(weights, axis=1)


def _layer_pair_covariance(separation_m, diameter_m, table, path_m, direction_rad):
    """Covariance along x and along y, shape (2, P), for separations (P, 2) in a layer; unit lambda^2 0.0229 r0^(-5/3)."""
    cosine, sine = np.cos(direction_rad), np.sin(direction_rad)
    along = (separation_m @ [cosine, sine]) / diameter_m
    across = (separation_m @ [-sine, cosine]) / diameter_m
    path = path_m / diameter_m
    if path < 1e-6:
        position, weight = along[:, None], np.ones((len(along), 1))
    else:
        position, weight = _path_nodes(along, across, path)
    distance = np.hypot(position, across[:, None])
    table_values = _tilt_covariance(distance, table)
    square = np.maximum(distance**2, 1e-12)
    both = np.sum(weight * table_values[..., 0], axis=1)
    weight = weight * table_values[..., 1] / square
    sine_2 = np.sum(weight * 2 * position * across[:, None], axis=1)
    if path > 1:
        # A tilt averaged along its own direction is a difference of wavefront between both ends of the path. This
        # avoids the sum of positive and negative parts, of which little is left after a long exposure.
        ends = np.hypot(along + path * np.array([[-1], [0], [1]]), across)
        rise = _tilt_covariance(ends, table)[..., 2]
        cosine_2 = both - (rise[0] / 2 - rise[1] + rise[2] / 2) / (2 * np.pi**2 * path**2)
    else:
        cosine_2 = np.sum(weight * (position**2 - across[:, None] ** 2), axis=1)
    # Direction of the separation against x is that against the wind plus the wind's own.
    unequal = cosine_2 * (cosine**2 - sine**2) - sine_2 * 2 * sine * cosine
    return np.array([both - unequal, both + unequal]) * diameter_m ** (-1 / 3)


def _as_positions(positions, name="positions"):
    positions = as_quantity(name, positions, u.arcmin, minimum=-1e4, maximum=1e4)
    if positions.ndim != 2 or positions.shape[1] != 2:
        raise ValueError(f"{name}: expected shape (N, 2), found {positions.shape}")
    return positions


def _pair_covariance_arcsec2(separations_arcmin, diameter_m, atmosphere, exposure_s):
    table = _tilt_covariance_table(diameter_m / atmosphere.outer_scale.value)
    total = np.zeros((2, len(separations_arcmin)))
    for layer in atmosphere.layers:
        separation_m = separations_arcmin * _ARCMIN * layer.height.value
        total += layer.fraction * _layer_pair_covariance(
            separation_m, diameter_m, table, layer.wind_speed.value * exposure_s, layer.wind_direction.to_value(u.rad)
        )
    return total * _tilt_scale_arcsec2(atmosphere)


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
    separations = _as_positions(separations, "separations")
    check_atmosphere(atmosphere)
    diameter = as_quantity("diameter", diameter, u.m, minimum=1e-3, maximum=100, ndim=0)
    exposure = as_quantity("exposure", exposure, u.s, minimum=0, maximum=1e6, ndim=0)
    return _pair_covariance_arcsec2(separations.value, diameter.value, atmosphere, exposure.value) * u.arcsec**2


def motion_covariance(positions, diameter, atmosphere, exposure=0 * u.s):
    """Covariance of the motion of N stars by the air.

    Parameters
    ----------
    positions : Quantity [angle], shape (N, 2)
        Of the stars in the field, x and y.
    diameter : Quantity [length]
    atmosphere : Atmosphere
    exposure : Quantity [time]
        0 s for an instant.

    Returns
    -------
    Quantity [arcsec2], shape (2, N, N)
        Axis 0 holds motion along x, then along y. Motion of one star along x with another's along y is left out: it does
        not enter an average along one axis.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        As `pair_covariance`.
    """
    positions = _as_positions(positions)
    count = len(positions)
    first, second = np.triu_indices(count, 1)
    separations = np.concatenate([np.zeros((1, 2)), positions.value[second] - positions.value[first]]) * u.arcmin
    pairs = pair_covariance(separations, diameter, atmosphere, exposure)
    result = np.empty((2, count, count))
    result[:, np.arange(count), np.arange(count)] = pairs.value[:, :1]
    result[:, first, second] = result[:, second, first] = pairs.value[:, 1:]
    return result * pairs.unit


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
    covariance = as_quantity("covariance", covariance, u.arcsec**2)
    _check_square("covariance", covariance.value)
    errors = as_quantity("errors", errors, u.arcsec, minimum=0, ndim=1)
    if len(errors) != covariance.shape[-1]:
        raise ValueError(f"errors: expected {covariance.shape[-1]} values, one for each star, found {len(errors)}")
    return covariance + np.diag(errors.value**2) * u.arcsec**2


def _check_square(name, matrix):
    if matrix.ndim < 2 or matrix.shape[-1] != matrix.shape[-2]:
        raise ValueError(f"{name}: expected shape (..., N, N), found {matrix.shape}")


def _check_covariance(name, matrix):
    """A symmetric (..., N, N) array without negative eigenvalues; ValueError otherwise."""
    _check_square(name, matrix)
    scale = np.abs(matrix).max()
    if np.abs(matrix - np.swapaxes(matrix, -1, -2)).max() > 1e-8 * scale:
        raise ValueError(f"{name}: expected a symmetric matrix, found one that is not")
    lowest = np.linalg.eigvalsh(matrix).min()
    if lowest < -1e-4 * scale:
        raise ValueError(f"{name}: expected a covariance, found a negative eigenvalue {lowest:.3g}")


def _plain_covariance(name, value, ndim=None):
    unit = value.unit if isinstance(value, u.Quantity) else u.dimensionless_unscaled
    return as_quantity(name, value, unit, ndim=ndim).value, unit


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
    covariance = as_quantity("covariance", covariance, u.arcsec**2)
    _check_covariance("covariance", covariance.value)
    count = covariance.shape[-1]
    weights = np.full(count, 1 / count) if weights is None else as_number("weights", weights, ndim=1)
    if len(weights) != count:
        raise ValueError(f"weights: expected {count} values, one for each star, found {len(weights)}")
    if abs(weights.sum() - 1) > 1e-6:
        raise ValueError(f"weights: expected a sum of 1, found {weights.sum():.6g}")
    variance = np.einsum("i,...ij,j->...", weights, covariance.value, weights)
    return np.maximum(variance, 0) * u.arcsec**2


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
    errors = as_quantity("errors", errors, u.arcsec, minimum=1e-9, ndim=1).value
    weights = (errors.min() / errors) ** 2
    return weights / weights.sum()


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
    matrix, _ = _plain_covariance("covariance", covariance, ndim=2)
    _check_covariance("covariance", matrix)
    count = len(matrix)
    scale = np.mean(np.diag(matrix))
    # Minimum of w^T C w with sum w = 1 by its Lagrange equations; least squares copes with a singular C.
    system = np.ones((count + 1, count + 1))
    system[:count, :count] = matrix / (scale if scale > 0 else 1)
    system[count, count] = 0
    right = np.zeros(count + 1)
    right[count] = 1
    weights = np.linalg.lstsq(system, right, rcond=1e-9)[0][:count]
    return weights / weights.sum()


def robust_mean(offsets, limit=3.5):
    """Mean offset of all stars in each exposure, leaving out stars that disagree with the rest.

    Parameters
    ----------
    offsets : Quantity [angle], shape (n, N, 2)
        Of each star from its own reference position.
    limit : float
        A star is left out where, on either axis, 0.6745 |offset - median| / MAD is larger; MAD is the median absolute
        deviation over the stars. Fewer than three stars are never left out.

    Returns
    -------
    mean : Quantity [arcsec], shape (n, 2)
    used : bool array, shape (n, N)

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A wrong shape or physical type, or a limit that is not at least 1.

    References
    ----------
    Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers, ASQC Basic References 16 (modified z-score, 3.5).
    """
    offsets = as_quantity("offsets", offsets, u.arcsec, ndim=3).value
    if offsets.shape[2] != 2:
        raise ValueError(f"offsets: expected shape (n, N, 2), found {offsets.shape}")
    limit = as_number("limit", limit, minimum=1)
    used = np.ones(offsets.shape[:2], dtype=bool)
    if offsets.shape[1] >= 3:
        deviation = np.abs(offsets - np.median(offsets, axis=1, keepdims=True))
        spread = np.median(deviation, axis=1, keepdims=True)
        used = np.all(0.6745 * deviation <= limit * spread + 1e-12, axis=2)
    # Half of the stars lie within one MAD on each axis, but not always the same half on both.
    used[~used.any(axis=1)] = True
    mean = np.sum(offsets * used[..., None], axis=1) / used.sum(axis=1)[:, None]
    return mean * u.arcsec, used
