"""Simulated motion of many stars through drifting layers of air, drawn directly from its spectrum.

Each layer's wavefront is a sum of plane waves with wavenumbers (kappa along the wind, q across it) and complex Gaussian
amplitudes. The wind turns kappa into time, so one Fourier transform over kappa gives the whole series of every star.
Wavenumbers across the wind, and those so fast that an exposure folds them to slower ones, are drawn at random from
narrow strata. So no screen is stored, nothing repeats, and the mean spectrum is exact.
"""

import itertools

import astropy.units as u
import numpy as np
from scipy import fft
from scipy.interpolate import CubicSpline

from helpers.seeing.air import Atmosphere
from helpers.seeing.tilt_spectrum import aperture_filter
from helpers.seeing.wander import tilt_scale
from helpers.shared.checks import count, instance, quantity, takes
from helpers.shared.limits import STEPS, VALUES, check_work

_ARCMIN = u.arcmin.to(u.rad)
_FASTEST = 8  # highest wavenumber in units of 1 / D; what lies beyond holds less than 0.01 % of the variance
_MOST_ORDERS = 64  # highest wavenumber in units of 1 / path and of 1 / outer scale, of which an exposure leaves 0.1 %
_STEPS_PER_DIAMETER = 32  # of the path, when an exposure's own path is shorter
_MOST_PADDING = 2**14  # steps added to a series, so that its end knows nothing of its beginning
_WIDEST_FIELD = 2**18  # steps between the farthest stars
_STRATUM = 0.5  # width of a stratum of wavenumbers, natural logarithm
_BLOCK = 1024  # frequencies handled at once, which limits the memory


def _folded_orders(most):
    """Groups (first, number) of whole sampling frequencies: 0, 1, 2, 3, then groups that grow; one of each is drawn."""
    first, groups = 0, []
    while first < most:
        number = max(1, int(0.35 * first))
        groups.append((first, min(number, most - first)))
        first += number
    return groups


def _blocks(first, stop):
    """Slices of frequency numbers; near zero they grow by a quarter, so that a block's wavenumbers are much alike."""
    while first < stop:
        end = min(stop, max(first + 1, min(int(1.25 * first) + 1, first + _BLOCK)))
        yield first, end
        first = end


def _waves(kappa, kappa_width, across_m, layer, rng):
    """Sum over q of all waves at each wavenumber `kappa` (K,) along the wind, for stars at `across_m` (N,).

    Returns complex (2, K, N): motion along and across the wind, of which the real part counts.
    """
    diameter_m, outer_scale_m, path_m, scale = layer
    bend = max(np.hypot(kappa.mean(), 1 / outer_scale_m), 1e-12)
    highest = np.arcsinh(_FASTEST / diameter_m / bend)
    count = int(np.ceil(highest / _STRATUM))
    stratum = highest / count
    # q = bend sinh(v) is even in v near zero and logarithmic beyond; v is drawn once in each stratum, for either sign
    v = stratum * (np.arange(-count, count) + rng.random(2 * count))
    q, q_width = bend * np.sinh(v), bend * np.cosh(v) * stratum
    square = kappa[:, None] ** 2 + q**2
    power = (square + outer_scale_m**-2) ** (-11 / 6) * aperture_filter(np.sqrt(square), diameter_m)
    power *= (2 * scale * kappa_width * np.sinc(kappa * path_m) ** 2)[:, None] * q_width
    amplitude = rng.standard_normal((len(kappa), len(q), 2)).view(complex)[..., 0] * np.sqrt(power)
    phase = np.exp(2j * np.pi * np.multiply.outer(q, across_m))
    count = len(across_m)
    both = amplitude @ np.hstack([phase, q[:, None] * phase])
    return np.stack([kappa[:, None] * both[:, :count], both[:, count:]])


def _slow_waves(lowest_kappa, along_m, across_m, way_m, layer, rng):
    """Motion by all waves slower than the first frequency of the series; shape (2, N, n)."""
    outer_scale_m = layer[1]
    floor = 0.02 / outer_scale_m if np.isfinite(outer_scale_m) else 1e-9 * lowest_kappa
    floor = min(floor, lowest_kappa)
    count = int(np.ceil(np.log(lowest_kappa / floor) / _STRATUM))
    edges = np.concatenate([[0], np.geomspace(floor, lowest_kappa, count + 1)])
    result = np.zeros((2, len(along_m), len(way_m)))
    for low, high in itertools.pairwise(edges):
        kappa = np.array([low + (high - low) * rng.random()])
        if high == low or kappa[0] == 0:
            continue
        wave = _waves(kappa, np.array([high - low]), across_m, layer, rng)[:, 0]
        wave = wave * np.exp(2j * np.pi * kappa * along_m)
        result += (wave[..., None] * np.exp(-2j * np.pi * kappa * way_m)).real
    return result


def _layer_motion(along_m, across_m, diameter_m, outer_scale_m, path_m, count, scale, rng):
    """Motion along and across the wind by one layer, shape (2, N, count), in units of sqrt(scale)."""
    layer = (diameter_m, outer_scale_m, path_m, scale)
    step = max(path_m, diameter_m / _STEPS_PER_DIAMETER)
    along_m = along_m - along_m.min()
    field = along_m.max() / step
    if field > _WIDEST_FIELD:
        raise ValueError(
            f"positions: expected stars whose light is at most {_WIDEST_FIELD * step:.3g} m apart in a layer for this "
            f"diameter and exposure, found {along_m.max():.3g} m"
        )
    steps = int(np.ceil(path_m * count / step)) + 8
    # the Fourier sum repeats itself: far enough away to be forgotten, or, if that is too far, a long way off
    apart = min(2 * outer_scale_m / step, steps + 2 * field + 200 * diameter_m / step)
    length = fft.next_fast_len(steps + int(field) + int(min(apart, _MOST_PADDING)))
    width = 1 / (length * step)
    spectrum = np.zeros((2, len(along_m), length), dtype=complex)
    most = int(np.ceil(min(_FASTEST * step / diameter_m, _MOST_ORDERS * max(1, step / outer_scale_m))))
    for first, number in _folded_orders(most):
        stop = min(length, int(_FASTEST / diameter_m / width - first * length) + 1)
        start = 0 if first else 1
        for low, high in _blocks(max(start, 1), stop) if not first else _even_blocks(stop):
            order = first + (rng.integers(number, size=high - low) if number > 1 else 0)
            kappa = (np.arange(low, high) + order * length) * width
            waves = _waves(kappa, np.full(len(kappa), number * width), across_m, layer, rng)
            waves *= np.exp(2j * np.pi * np.multiply.outer(kappa, along_m))
            spectrum[:, :, low:high] += waves.transpose(0, 2, 1)
    series = fft.fft(spectrum, axis=-1, overwrite_x=True).real
    way = step * np.arange(steps)
    series = series[..., :steps] + _slow_waves(width / 2, along_m, across_m, way, layer, rng)
    if step == path_m:
        return series[..., :count]
    return CubicSpline(way, series, axis=-1)(path_m * np.arange(count) + 4 * step)


def _even_blocks(stop):
    for low in range(0, stop, _BLOCK):
        yield low, min(stop, low + _BLOCK)


@takes(
    positions=quantity(u.arcmin, minimum=-1e4, maximum=1e4, shape=(None, 2)),
    diameter=quantity(u.m, minimum=1e-3, maximum=100, ndim=0),
    atmosphere=instance(Atmosphere),
    exposure=quantity(u.s, above=0, maximum=1e6, ndim=0),
    n_exposures=count(minimum=1, maximum=STEPS),
    rng=instance(np.random.Generator),
)
def simulate_motion(positions, diameter, atmosphere, exposure, n_exposures, rng):
    """Motion of N stars by the air in consecutive exposures without gaps.

    Parameters
    ----------
    positions : Quantity [angle], shape (N, 2)
        Of the stars in the field, x and y.
    diameter : Quantity [length]
        Of the aperture.
    atmosphere : Atmosphere
        Its outer scale may be infinite; a wind speed may be zero (the layer then stands still for the whole series).
    exposure : Quantity [time]
        Above 0 s.
    n_exposures : int
    rng : numpy.random.Generator

    Returns
    -------
    Quantity [arcsec], shape (n_exposures, N, 2)
        A random draw whose mean spectrum and covariance, in time and from star to star, are those of
        `multi_star.motion_covariance` and `seeing.image_motion`.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is out of range, no finite number, of the wrong shape or physical type, or the field is too wide for the
        diameter to be simulated.

    References
    ----------
    Spectral synthesis: Shinozuka & Deodatis 1991, Applied Mechanics Reviews 44, 191; wavenumbers drawn at random:
    Charnotskii 2013, JOSA A 30, 479; spectrum: Tokovinin 2002, PASP 114, 1156; frozen flow: Taylor 1938.
    """
    scale = tilt_scale(atmosphere)
    check_work("n_exposures", n_exposures * len(positions), VALUES / 4, "exposures of all stars together")
    motion = np.zeros((n_exposures, len(positions), 2))
    for layer in atmosphere.layers:
        direction = layer.wind_direction.to_value(u.rad)
        turn = np.array([[np.cos(direction), np.sin(direction)], [-np.sin(direction), np.cos(direction)]])
        along_m, across_m = turn @ (positions.value.T * _ARCMIN * layer.height.value)
        wind_motion = _layer_motion(
            along_m,
            across_m,
            diameter.value,
            atmosphere.outer_scale.value,
            layer.wind_speed.value * exposure.value,
            n_exposures,
            layer.fraction * scale,
            rng,
        )
        motion += np.einsum("wa,wnt->tna", turn, wind_motion)
    return motion * u.arcsec
