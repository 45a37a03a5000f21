"""How the air above guide stars and target moves them in time, as spectra: what a linear loop makes of it, exactly.

The motion of the mean of the guide stars ("guide") and that of the target are stationary Gaussian series, one value an
exposure. Their covariances in time follow from those of two stars in the field: in an exposure's time the wind
carries a layer on, as if the second star stood elsewhere (frozen flow). A Fourier transform over the time between
exposures gives the spectra, and a linear loop multiplies each frequency by its own factor. Variances about the mean
of `n` exposures leave out what an exposure series of that length takes for a constant: the factor 1 - [sin(pi f n) /
(n sin(pi f))]^2.

All arrays are plain float64 in arcsec; frequencies are in cycles per exposure. Axis 0 is right ascension, 1
declination.
"""

from dataclasses import dataclass
from functools import lru_cache

import astropy.units as u
import numpy as np
from scipy import fft
from scipy.interpolate import PchipInterpolator

from helpers.seeing.tilt_spectrum import layer_pair_covariance, tilt_covariance_table
from helpers.seeing.wander import tilt_scale

_ARCMIN = u.arcmin.to(u.rad)
_DENSE_LAGS, _GROWTH = 8, 1.35  # exposures apart: each of the first, then by a growing step


@dataclass(frozen=True)
class AirSpectra:
    """Spectra of the motion by the air in a series of exposures; both axes, `fft.rfftfreq(length)`.

    Attributes
    ----------
    guide, target : array, shape (..., 2, F)
        Power of the mean of the guide stars and of the target [arcsec2]; the mean over all frequencies of a two-sided
        spectrum is the variance.
    both : complex array, shape (..., 2, F)
        Cross spectrum, of the target with the guide stars.
    length : int
        Of the series, in exposures; even.
    """

    guide: np.ndarray
    target: np.ndarray
    both: np.ndarray
    length: int

    def scaled(self, factor):
        """The same air with `factor` times the motion, one number or one for each leading index."""
        square = np.square(factor)[..., None, None]
        return AirSpectra(self.guide * square, self.target * square, self.both * square, self.length)


def series_length(count):
    """Length of the periodic series of which `count` exposures don't know that it repeats itself."""
    return 2 * fft.next_fast_len(2 * count, real=True)


def _lags(length):
    lags = list(range(_DENSE_LAGS))
    while lags[-1] < length // 2:
        lags.append(min(length // 2, max(lags[-1] + 1, round(_GROWTH * lags[-1]))))
    return np.array(lags)


def _lagged_covariance(separations_arcmin, diameter_m, atmosphere, exposure_s, lags):
    """Covariance of one star with another some exposures later, shape (2, lags, P) in arcsec2.

    separations_arcmin (P, 2) are of the second star less the first, east and north; lags (L,) in exposures.
    """
    table = tilt_covariance_table(diameter_m / atmosphere.outer_scale.value)
    total = np.zeros((2, len(lags), len(separations_arcmin)))
    for layer in atmosphere.layers:
        direction, path_m = layer.wind_direction.to_value(u.rad), layer.wind_speed.value * exposure_s
        carried = path_m * lags[:, None] * [np.cos(direction), np.sin(direction)]
        separation_m = separations_arcmin * _ARCMIN * layer.height.value - carried[:, None]
        found = layer_pair_covariance(separation_m.reshape(-1, 2), diameter_m, table, path_m, direction)
        total += layer.fraction * found.reshape(total.shape)
    return total * tilt_scale(atmosphere)


@lru_cache(maxsize=64)
def _pairs(offsets, diameter_m, atmosphere, exposure_s, length):
    """Covariance at each lag of star i with star j later, star 0 being the target; lags, (2, L, 1 + N, 1 + N)."""
    places = np.vstack([[0.0, 0.0], offsets])
    lags = _lags(length)
    count = len(places)
    separations = (places[None, :] - places[:, None]).reshape(-1, 2)
    unlike = np.flatnonzero(~np.eye(count, dtype=bool).ravel())
    some = _lagged_covariance(np.vstack([[0.0, 0.0], separations[unlike]]), diameter_m, atmosphere, exposure_s, lags)
    found = np.repeat(some[..., :1], count * count, axis=-1)
    found[..., unlike] = some[..., 1:]
    return lags, found.reshape(2, len(lags), count, count)


def _spectra(lags, guide, target, after, before, length):
    """Power of one, of another, and their cross spectrum, from covariances at lags (..., L).

    after: of the other with the one earlier; before: with the one later.
    """
    half = length // 2
    every = np.arange(half + 1)
    guide, target, after, before = PchipInterpolator(lags, np.stack([guide, target, after, before]), axis=-1)(every)
    alike = [np.concatenate([part, part[..., half - 1 : 0 : -1]], axis=-1) for part in (guide, target)]
    cross = np.concatenate([after, before[..., half - 1 : 0 : -1]], axis=-1)
    guide, target, both = fft.rfft(np.stack([*alike, cross]), axis=-1)
    return np.maximum(guide.real, 0.0), np.maximum(target.real, 0.0), both


def air_spectra(offsets_arcmin, weights, diameter_m, atmosphere, exposure_s, count):
    """Spectra for guide stars at known places.

    Parameters
    ----------
    offsets_arcmin : array, shape (N, 2)
        Of the guide stars from the target, east and north.
    weights : array, shape (N,)
        Sum to 1.
    diameter_m : float
    atmosphere : Atmosphere
        Along the line of sight (`seeing.at_airmass`).
    exposure_s : float
    count : int
        Exposures whose statistics are wanted.

    Returns
    -------
    AirSpectra
    """
    length = series_length(count)
    places = tuple(map(tuple, np.asarray(offsets_arcmin, float)))
    lags, pairs = _pairs(places, diameter_m, atmosphere, exposure_s, length)
    weights = np.asarray(weights)
    guide = np.einsum("alij,i,j->al", pairs[:, :, 1:, 1:], weights, weights)
    after, before = pairs[:, :, 1:, 0] @ weights, pairs[:, :, 0, 1:] @ weights
    return AirSpectra(*_spectra(lags, guide, pairs[:, :, 0, 0], after, before, length), length)


@lru_cache(maxsize=512)
def mean_pairs(offsets, diameter_m, atmosphere, exposure_s, length):
    """Spectra of one star, of the mean pair of stars, and of a star with the target, each (2, F).

    For guide stars of which only the brightness is known: `offsets`, pairs of numbers in arcmin, are places that
    stand for all on the sensor. A mean of stars whose squared weights add up to c then has the spectrum c own + (1 -
    c) pair.
    """
    lags, pairs = _pairs(offsets, diameter_m, atmosphere, exposure_s, length)
    stars = len(offsets)
    unlike = ~np.eye(stars, dtype=bool)
    own = pairs[:, :, 0, 0]
    pair = pairs[:, :, 1:, 1:][..., unlike].mean(axis=-1) if stars > 1 else own
    after, before = pairs[:, :, 1:, 0].mean(axis=-1), pairs[:, :, 0, 1:].mean(axis=-1)
    return _spectra(lags, own, pair, after, before, length)


def loop_filters(gain, delay, length):
    """Response of the log and of the mount to a false error, by frequency: S = 1 / (1 + L) and H = L / (1 + L).

    gain: float or array (...); returns complex arrays (..., F). The log holds S times the false error and the mount
    moves by -H times it. At frequency 0 a loop follows entirely, if its gain is not 0.
    """
    z = np.exp(2j * np.pi * fft.rfftfreq(length))
    swing = (z - 1) * z**delay
    gain = np.asarray(gain, float)[..., None]
    closed = swing + gain
    closed[..., 0] = np.where(gain[..., 0] > 0, closed[..., 0], 1.0)
    moved = gain / closed
    return 1 - moved, moved


def seen_in(count, length):
    """Share of the power at each frequency that is left about the mean of `count` exposures, shape (F,)."""
    frequency = fft.rfftfreq(length)
    bottom = count * np.sin(np.pi * frequency)
    constant = np.divide(np.sin(np.pi * frequency * count), bottom, out=np.ones_like(bottom), where=bottom != 0)
    return 1 - constant**2


def mean_power(spectrum):
    """Variance of a two-sided spectrum of which half the frequencies are given, (..., F) to (...)."""
    twice = np.full(spectrum.shape[-1], 2.0)
    twice[[0, -1]] = 1.0
    return spectrum @ twice / (2 * (spectrum.shape[-1] - 1))


@dataclass(frozen=True)
class LinearVariances:
    """What a loop without play and dead band makes of false errors; variances in arcsec2, (..., 2), of each axis.

    logged_air, logged_noise: on the log, for `count` exposures. pointing_air, pointing_noise: of the mount's motion
    over them. picture_air: what corrections of air add to a picture of `rows` exposures, their covariance with the
    target's own motion included. picture_noise: the same of noise.
    """

    logged_air: np.ndarray
    logged_noise: np.ndarray
    pointing_air: np.ndarray
    pointing_noise: np.ndarray
    picture_air: np.ndarray
    picture_noise: np.ndarray


def linear_variances(air, noise_rms, gain, delay, count, rows):
    """Exact variances of a linear loop.

    Parameters
    ----------
    air : AirSpectra
    noise_rms : float or array, shape (...)
        Of one axis, new in each exposure.
    gain : float or array, shape (...)
    delay : int
    count, rows : int
        Exposures of the log and of a picture.

    Returns
    -------
    LinearVariances
    """
    left, moved = (part[..., None, :] for part in loop_filters(gain, delay, air.length))
    white = np.square(noise_rms)[..., None, None] * np.ones((2, 1))
    log, picture = seen_in(count, air.length), seen_in(rows, air.length)
    square_left, square_moved = np.abs(left) ** 2, np.abs(moved) ** 2
    shared = (np.conj(moved) * air.both).real
    return LinearVariances(
        logged_air=mean_power(air.guide * square_left * log),
        logged_noise=mean_power(white * square_left * log),
        pointing_air=mean_power(air.guide * square_moved * log),
        pointing_noise=mean_power(white * square_moved * log),
        picture_air=mean_power((air.guide * square_moved - 2 * shared) * picture),
        picture_noise=mean_power(white * square_moved * picture),
    )


def draw_series(air, count, draws, rng):
    """Series of guide stars' and target's motion with these spectra.

    Parameters
    ----------
    air : AirSpectra
        Spectra of shape (2, F), or (draws, 2, F), one for each draw.
    count, draws : int
    rng : numpy.random.Generator

    Returns
    -------
    guide, target : array, shape (count, 2, draws)
    """
    first, second = rng.standard_normal((2, draws, 2, air.length // 2 + 1, 2)).view(complex)[..., 0]
    for wave in (first, second):  # the constant and the quickest one are real
        wave[..., [0, -1]] = wave[..., [0, -1]].real * np.sqrt(2)
    power = np.sqrt(air.guide)
    shared = air.both * np.divide(1.0, power, out=np.zeros_like(power), where=power > 0)
    own = np.sqrt(np.maximum(air.target - shared.real**2 - shared.imag**2, 0.0))
    scale = np.sqrt(air.length / 2)
    return tuple(
        np.ascontiguousarray(
            np.moveaxis(scale * fft.irfft(part, air.length, axis=-1)[..., :count], -1, 0).swapaxes(1, 2)
        )
        for part in (power * first, shared * first + own * second)
    )
