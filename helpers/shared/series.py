"""Statistics of errors that remember the last one: effective samples, block bootstrap, spectrum and drift of a log."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from scipy import fft

from helpers.shared.checks import as_count, as_number, as_quantity


@dataclass(frozen=True)
class Interval:
    """A value and the interval that holds the truth in 95 of 100 such nights."""

    value: float
    low: float
    high: float

    def __str__(self):
        return f"{self.value:.2f} ({self.low:.2f} to {self.high:.2f})"


def _series(name, values, minimum=4):
    values = as_number(name, values, ndim=1)
    if values.size < minimum:
        raise ValueError(f"{name}: expected at least {minimum} values, found {values.size}")
    return values


def autocorrelation(values, lags):
    """Correlation of a series with itself shifted by 0, 1 ... `lags` steps (biased form, so that it is a true
    spectrum).

    Parameters
    ----------
    values : array, shape (n,)
    lags : int
        Less than n.

    Returns
    -------
    array, shape (lags + 1,)
        First element 1; all 0 after the first when the series is constant.
    """
    values = _series("values", values)
    lags = as_count("lags", lags, minimum=1, maximum=values.size - 1)
    centred = values - values.mean()
    size = fft.next_fast_len(2 * values.size)
    power = np.abs(fft.rfft(centred, size)) ** 2
    covariance = fft.irfft(power, size)[: lags + 1]
    if covariance[0] <= 0:
        return np.concatenate([[1.0], np.zeros(lags)])
    return covariance / covariance[0]


def correlation_length(values):
    """Integrated correlation length 1 + 2 sum(rho) in samples, at least 1.

    The sum stops at the first lag that is at least three times the length found so far, so that noise of far lags is
    not summed.

    References
    ----------
    Sokal 1997, "Monte Carlo methods in statistical mechanics", section 3.3 (automatic windowing).
    """
    values = _series("values", values)
    rho = autocorrelation(values, values.size - 1)
    lengths = 2 * np.cumsum(rho) - 1
    window = np.flatnonzero(np.arange(rho.size) >= 3 * lengths)
    length = lengths[window[0]] if window.size else lengths[-1]
    return float(max(1.0, length))


def effective_samples(values):
    """Number of independent values that would fix the mean equally well: n / (1 + 2 sum(rho))."""
    values = _series("values", values)
    return values.size / correlation_length(values)


def block_length(values):
    """Best mean block length of the stationary bootstrap for the mean of a series.

    Parameters
    ----------
    values : array, shape (n,)

    Returns
    -------
    float
        In samples, from 1 to n / 3 or 3 sqrt(n), whichever is smaller.

    References
    ----------
    Politis & White 2004, Econometric Reviews 23, 53; corrected by Patton, Politis & White 2009, Econometric Reviews 28,
    372.
    """
    values = _series("values", values)
    n = values.size
    reach = max(5, int(np.sqrt(np.log10(n))))
    longest = min(int(np.ceil(np.sqrt(n))) + reach, n - 1)
    rho = autocorrelation(values, longest)
    small = np.abs(rho[1:]) < 2 * np.sqrt(np.log10(n) / n)
    quiet = np.convolve(small, np.ones(reach), "valid") >= reach  # the first lag of such a run is where memory ends
    lags = min(2 * (int(np.argmax(quiet)) + 1), longest) if quiet.any() else longest
    k = np.arange(-lags, lags + 1)
    taper = np.minimum(1.0, 2 * (1 - np.abs(k) / lags)) if lags > 1 else np.ones(k.size)
    weighted = taper * rho[np.abs(k)] * np.var(values)
    g, spectral = np.sum(np.abs(k) * weighted), np.sum(weighted)
    if spectral <= 0 or g == 0:
        return 1.0
    best = (2 * g**2 / (2 * spectral**2)) ** (1 / 3) * n ** (1 / 3)
    return float(np.clip(best, 1.0, max(1.0, min(np.ceil(3 * np.sqrt(n)), np.ceil(n / 3)))))


def bootstrap_means(values, length, n_resamples, rng, progress=None):
    """Means of resamples of the stationary bootstrap.

    A resample is a row of blocks with random starts and geometric lengths, read round a circle. A block adds the
    difference of two running sums, so that a resample costs its number of blocks, not its number of samples.

    Parameters
    ----------
    values : array, shape (n,)
    length : float
        Mean block length in samples, at least 1.
    n_resamples : int
    rng : numpy.random.Generator
    progress : function, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    array, shape (n_resamples,)

    References
    ----------
    Politis & Romano 1994, J. Am. Stat. Assoc. 89, 1303.
    """
    values = _series("values", values)
    length = as_number("length", length, minimum=1)
    n_resamples = as_count("n_resamples", n_resamples, minimum=1)
    n = values.size
    running = np.concatenate([[0.0], np.cumsum(np.concatenate([values, values]))])
    # Lengths are geometric: the whole number above an exponential one. A few spare blocks make each resample long
    # enough.
    scale = 0.0 if length == 1 else -1 / np.log1p(-1 / length)
    blocks = min(n, int(np.ceil(n / length + 4 * np.sqrt(n / length) + 4)))
    means = np.empty(n_resamples)
    batch = max(1, 60_000 // blocks)  # small enough for the arrays to stay in the processor's cache
    for first in range(0, n_resamples, batch):
        count = min(batch, n_resamples - first)
        ends = np.zeros((count, 1), np.int32)
        while ends[:, -1].min() < n:  # seldom more than once
            lengths = rng.standard_exponential((count, blocks), np.float32) * np.float32(scale)
            lengths = np.clip(np.ceil(lengths), 1, n).astype(np.int32)
            ends = np.hstack([ends, ends[:, -1:] + np.cumsum(lengths, axis=1, dtype=np.int32)])
            np.minimum(ends, n, out=ends)
        lengths = np.diff(ends, axis=1)
        starts = rng.integers(0, n, lengths.shape, np.int32)
        means[first : first + count] = (running.take(starts + lengths) - running.take(starts)).sum(axis=1) / n
        if progress is not None:
            progress((first + count) / n_resamples)
    return means


def rms_interval(errors, n_resamples=5000, rng=None, progress=None):
    """Rms of errors with a nominal 95 % interval, too short for errors that remember for long.

    In 600 trials each, with two axes and 900 to 3,600 rows, it held the truth in 94 to 95 of 100 when errors did not
    remember, in 91 to 93 when half of an error carried over to the next row, in 84 to 90 at 0.9 and in 80 to 90 at
    0.95; least in short logs.

    Parameters
    ----------
    errors : Quantity, shape (n,) or (n, axes)
        With several axes the total (root of the summed squares) is taken.
    n_resamples : int
    rng : numpy.random.Generator, optional
        Seeded with 0 if not given, so that the same log gives the same interval.
    progress : function, optional

    Returns
    -------
    Interval
        In arcsec.
    """
    squares = squared_total(as_quantity("errors", errors, u.arcsec).value)
    rng = np.random.default_rng(0) if rng is None else rng
    means = bootstrap_means(squares, block_length(squares), n_resamples, rng, progress)
    low, high = np.sqrt(np.quantile(means, [0.025, 0.975]))
    return Interval(float(np.sqrt(squares.mean())), float(low), float(high))


def squared_total(errors_arcsec):
    """Squared total error in each row; the mean of every axis is taken out first, for a constant offset spoils no
    picture.
    """
    errors = np.atleast_2d(np.asarray(errors_arcsec, float).T).T
    return ((errors - errors.mean(axis=0)) ** 2).sum(axis=1)


def spectrum(time, error):
    """How much of an error happens at which frequency.

    Parameters
    ----------
    time : Quantity, shape (n,)
        Gaps are allowed.
    error : Quantity, shape (n,)

    Returns
    -------
    frequency : Quantity [Hz], shape (m,)
    power : Quantity [arcsec2 / Hz], shape (m,)
        One-sided; its integral is the variance of the error.

    References
    ----------
    Schuster 1898 (periodogram); rows are put on an even grid of the usual step, and gaps count as no error.
    """
    time = as_quantity("time", time, u.s, ndim=1)
    error = as_quantity("error", error, u.arcsec, ndim=1)
    if time.shape != error.shape or time.size < 8:
        raise ValueError(f"time, error: expected the same length of at least 8, found {time.size} and {error.size}")
    step = float(np.median(np.diff(time.value)))
    if step <= 0:
        raise ValueError("time: expected times that grow")
    place = np.round((time.value - time.value[0]) / step).astype(int)
    if np.any(np.diff(place) < 0) or place[-1] > 100 * time.size:
        raise ValueError("time: expected times that grow, without gaps of nearly all the night")
    even = np.zeros(place[-1] + 1)
    even[place] = error.value - error.value.mean()
    density = 2 * step * np.abs(fft.rfft(even)) ** 2 / np.unique(place).size
    if even.size % 2 == 0:
        density[-1] /= 2  # the highest frequency has no twin
    frequency = fft.rfftfreq(even.size, step)
    return frequency[1:] * u.Hz, density[1:] * u.arcsec**2 / u.Hz


def drift_rate(time, error):
    """Straight-line drift of an error with its standard error.

    The standard error is enlarged by the root of the correlation length of what the line leaves.

    Parameters
    ----------
    time, error : Quantity, shape (n,)

    Returns
    -------
    rate, uncertainty : Quantity [arcsec / min]
    """
    time = as_quantity("time", time, u.min, ndim=1).value
    error = as_quantity("error", error, u.arcsec, ndim=1).value
    if time.size != error.size or time.size < 8 or np.ptp(time) == 0:
        raise ValueError(f"time, error: expected at least 8 values over some time, found {time.size} and {error.size}")
    centred = time - time.mean()
    rate = np.sum(centred * error) / np.sum(centred**2)
    left = error - error.mean() - rate * centred
    uncertainty = np.sqrt(np.var(left, ddof=2) * correlation_length(left) / np.sum(centred**2))
    return rate * u.arcsec / u.min, uncertainty * u.arcsec / u.min


def outliers(errors, spreads=6.0):
    """Rows whose total error lies far outside the rest: more than `spreads` robust standard deviations on an axis.

    Parameters
    ----------
    errors : Quantity, shape (n, axes)
    spreads : float

    Returns
    -------
    bool array, shape (n,)
    """
    errors = as_quantity("errors", errors, u.arcsec, ndim=2).value
    spreads = as_number("spreads", spreads, above=0)
    away = np.abs(errors - np.median(errors, axis=0))
    robust = 1.4826 * np.median(away, axis=0)  # of a normal distribution, the standard deviation
    return np.any(away > spreads * np.maximum(robust, 1e-12), axis=1)
