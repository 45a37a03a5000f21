"""Kernels of the air's tilt: spectrum, filters of aperture and exposure, and their integrals.

Plain float64 numbers in the units that the names give; the modules `seeing`, `multi_star` and `motion_synthesis` put
units around them. Tilt means gradient (G-) tilt. Spectrum of phase: 0.0229 r0^(-5/3) (f^2 + L0^-2)^(-11/6), f in cycles
per metre (Noll 1976, JOSA 66, 207, eq. 20, with the outer scale of von Karman); a tilt is wavelength x f times it.
"""

from functools import lru_cache

import numpy as np
from scipy import special
from scipy.interpolate import CubicSpline

_PHASE_SPECTRUM = (4.8 * special.gamma(1.2)) ** (5 / 6) * special.gamma(11 / 6) ** 2 / (2 * np.pi ** (11 / 3))  # 0.0229
_ARCSEC = 180 * 3600 / np.pi
_COARSE_STEP, _FINE_STEP = 0.06, 0.03  # of the natural logarithm of frequency, in quadratures
_TABLE_STEP, _PRODUCT_STEP = 0.1, 0.01  # of the logarithm of distance, and one of which both others are multiples
_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(20)


def tilt_scale_arcsec2(r0_m, wavelength_m):
    """lambda^2 0.0229 r0^(-5/3), the factor of all tilt spectra, in arcsec^2 m^(1/3); the same at every wavelength."""
    return (wavelength_m * _ARCSEC) ** 2 * _PHASE_SPECTRUM * r0_m ** (-5 / 3)


def phase_spectrum(frequency_m, r0_m, outer_scale_m):
    """Spectrum of the wavefront's phase in radian^2 m^2, frequency in cycles per metre."""
    return _PHASE_SPECTRUM * r0_m ** (-5 / 3) * (frequency_m**2 + outer_scale_m**-2) ** (-11 / 6)


def aperture_filter(frequency_m, diameter_m):
    """Squared gradient-tilt filter [2 J1(pi f D) / (pi f D)]^2, frequency in cycles per metre."""
    argument = np.maximum(np.pi * frequency_m * diameter_m, 1e-9)
    return (2 * special.j1(argument) / argument) ** 2


def exposure_filters(half_phase):
    """Mean over all directions of sinc^2, and of cos^2 sinc^2, of half_phase x cos(direction), half_phase = pi f V T.

    Closed forms: [Ji(2z) - J1(2z)] / z with Ji the integral of J0 from 0, and [1 - J0(2z)] / (2 z^2). Far beyond z = 1
    the oscillating parts cancel in an integral over f and are left out, so that a coarse grid of f suffices.
    """
    z = np.asarray(half_phase, dtype=float)
    large = np.maximum(z, 1e-2)
    every, along = 1 / large, 0.5 / large**2
    middle = (z > 1e-2) & (z < 40)
    twice = 2 * z[middle]
    every[middle] *= special.itj0y0(twice)[0] - special.j1(twice)
    along[middle] *= 1 - special.j0(twice)
    small = z <= 1e-2
    every[small] = 1 - z[small] ** 2 / 6
    along[small] = 0.5 - z[small] ** 2 / 8
    return every, along


def path_integrals(diameter_m, outer_scale_m, path_m):
    """Integral of the tilt spectrum along and across the wind, for unit lambda^2 0.0229 r0^(-5/3).

    Integrates pi f^3 (f^2 + L0^-2)^(-11/6) A^2 over f, with the filters of an exposure in which the air moves by
    `path_m` (n,). Returns shape (2, n), in m^(-1/3).
    """
    path_m = np.asarray(path_m, dtype=float)
    largest = max(diameter_m, path_m.max()) if np.isinf(outer_scale_m) else outer_scale_m
    lowest, highest = 1e-3 / max(largest, diameter_m), 10 / min(diameter_m, outer_scale_m)
    count = int(np.log(highest / lowest) / _COARSE_STEP) + 2
    logarithm, step = np.linspace(np.log(lowest), np.log(highest), count, retstep=True)
    frequency = np.exp(logarithm)
    spectrum = frequency**4 * (frequency**2 + outer_scale_m**-2) ** (-11 / 6)
    weight = 2 * np.pi * step * spectrum * aperture_filter(frequency, diameter_m)
    weight[[0, -1]] /= 2
    every, along = exposure_filters(np.pi * np.multiply.outer(path_m, frequency))
    along_wind, all_directions = along @ weight, every @ weight
    if np.isinf(outer_scale_m):
        tail = 2 * np.pi * 3 * lowest ** (1 / 3)  # below the grid no filter acts and the spectrum is f^(-2/3) df
        along_wind, all_directions = along_wind + tail / 2, all_directions + tail
    return np.array([along_wind, all_directions - along_wind])


@lru_cache(maxsize=64)
def tilt_covariance_table(diameter_over_outer_scale):
    """Cubic splines of (B0, B2) and of E against ln(distance / D), for unit D and unit lambda^2 0.0229 r0^(-5/3).

    B_n(s) = pi Int f^3 W A^2 J_n(2 pi f s) df; the covariances along and across the separation are B0 - B2 and B0 + B2.
    E(s) = 2 pi Int f W A^2 [1 - J0(2 pi f s)] df is half the structure function of the wavefront.
    """
    epsilon = diameter_over_outer_scale
    lowest = 1e-3 * epsilon if epsilon > 0 else 1e-11
    frequency = np.exp(np.arange(np.log(lowest), np.log(max(10, 10 * epsilon)), _FINE_STEP))
    spectrum = _FINE_STEP * frequency**4 * (frequency**2 + epsilon**2) ** (-11 / 6) * aperture_filter(frequency, 1)
    farthest = 10 * max(1, 1 / epsilon) if epsilon > 0 else 1e9
    distance = np.exp(np.arange(np.log(0.01), np.log(farthest) + _TABLE_STEP, _TABLE_STEP))
    # Both grow by even steps of their logarithms, so that all their products are among few: `which` of these.
    every = [round(step / _PRODUCT_STEP) for step in (_TABLE_STEP, _FINE_STEP)]
    which = every[0] * np.arange(len(distance))[:, None] + every[1] * np.arange(len(frequency))
    product = distance[0] * frequency[0] * np.exp(_PRODUCT_STEP * np.arange(which[-1, -1] + 1))
    argument = np.minimum(2 * np.pi * product, 400)
    # The taper leaves out what oscillates too fast for the grid and cancels; it blurs the distance by 1/60 of itself.
    taper = np.exp(-0.5 * (argument / 60) ** 2)
    j0 = taper * special.j0(argument)
    j2 = 2 * taper * special.j1(argument) / argument - j0
    rise = np.where(argument < 1e-2, argument**2 / 4, 1 - j0)
    j0, j2, rise = j0[which], j2[which], rise[which]
    values = np.stack(
        [np.pi * j0 @ spectrum, np.pi * j2 @ spectrum, 2 * np.pi * rise @ (spectrum / frequency**2)], axis=-1
    )
    if epsilon == 0:  # below the grid the spectrum is f^(-2/3) df
        values[:, 0] += np.pi * 3 * lowest ** (1 / 3)
        values[:, 2] += 2 * np.pi**3 * distance**2 * 3 * lowest ** (1 / 3)
    logarithm = np.log(distance)
    return CubicSpline(logarithm, values[:, :2]), CubicSpline(logarithm, values[:, 2]), logarithm[0], logarithm[-1]


def _logarithm(square, first, last):
    """ln(distance) within the table, and how far a distance lies below it."""
    logarithm = 0.5 * np.log(square)
    below = np.minimum(logarithm - first, 0) if logarithm.min() < first else 0.0
    return np.clip(logarithm, first, last), below


def _tilt_covariance(square, table):
    """B0 and B2 at squared distances over D^2, of any shape. Beyond ten outer scales nothing is alike."""
    spline, _, first, last = table
    logarithm, below = _logarithm(square, first, last)
    values = spline(logarithm)
    alike = logarithm < last
    return values[..., 0] * alike, values[..., 1] * np.exp(2 * below) * alike  # B2 begins as distance^2


def _rise(square, table):
    """E at squared distances over D^2."""
    _, spline, first, last = table
    logarithm, below = _logarithm(square, first, last)
    return spline(logarithm) * np.exp(2 * below)


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
        up = np.exp(node)
        down = 1 / up
        position = width / 2 * (up - down)
        triangle = 1 - np.abs(position - along[:, None]) / path
        positions.append(position)
        weights.append(half * width / (2 * path) * _NODE_WEIGHTS * (up + down) * triangle)
    return np.concatenate(positions, axis=1), np.concatenate(weights, axis=1)


def layer_pair_covariance(separation_m, diameter_m, table, path_m, direction_rad):
    """Covariance along x and along y, shape (2, P), for separations (P, 2) in a layer; unit lambda^2 0.0229
    r0^(-5/3).
    """
    cosine, sine = np.cos(direction_rad), np.sin(direction_rad)
    along = (separation_m @ [cosine, sine]) / diameter_m
    across = (separation_m @ [-sine, cosine]) / diameter_m
    path = path_m / diameter_m
    found = np.zeros((2, len(along)))
    near = np.hypot(np.maximum(np.abs(along) - path, 0), across) < np.exp(table[3])
    if near.any():
        found[:, near] = _near_covariance(along[near], across[near], table, path, cosine, sine)
    return found * diameter_m ** (-1 / 3)


def _near_covariance(along, across, table, path, cosine, sine):
    """Of pairs whose paths come within the reach of the table, for unit D."""
    if path < 1e-6:
        position, weight = along[:, None], np.ones((len(along), 1))
    else:
        position, weight = _path_nodes(along, across, path)
    across = across[:, None]
    square = np.maximum(position**2 + across**2, 1e-12)
    same, double = _tilt_covariance(square, table)
    both = np.sum(weight * same, axis=1)
    weight = weight * double / square
    sine_2 = np.sum(weight * position, axis=1) * 2 * across[:, 0]
    if path > 1:
        # A tilt averaged along its own direction is a difference of wavefront between both ends of the path. This
        # avoids the sum of positive and negative parts, of which little is left after a long exposure.
        ends = (along + path * np.array([[-1], [0], [1]])) ** 2 + across[:, 0] ** 2
        rise = _rise(np.maximum(ends, 1e-24), table)
        cosine_2 = both - (rise[0] / 2 - rise[1] + rise[2] / 2) / (2 * np.pi**2 * path**2)
    else:
        cosine_2 = np.sum(weight * (position**2 - across**2), axis=1)
    # Direction of the separation against x is that against the wind plus the wind's own.
    unequal = cosine_2 * (cosine**2 - sine**2) - sine_2 * 2 * sine * cosine
    return np.array([both - unequal, both + unequal])
