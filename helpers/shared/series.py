"""Errors that remember the last one: gaps, correlation, intervals from batches, spectrum and drift of a log."""

import itertools
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.stats import mad_std
from scipy import fft, special

from helpers.shared.checks import as_number, count, optional, quantity, takes
from helpers.shared.limits import PLACES

_GAP_STEPS, _GAP_SECONDS = 5.0, 10.0  # a pause longer than both is a gap
_BATCH = 12  # a batch this many correlation lengths long hardly remembers the one before
_MOST_BATCHES, _FEWEST_BATCHES = 60, 4


@dataclass(frozen=True)
class Interval:
    """A value and the interval that holds the truth in 95 of 100 such nights."""

    value: float
    low: float
    high: float

    def __str__(self):
        return f"{self.value:.2f} ({self.low:.2f} to {self.high:.2f})"


def _series(name, values, minimum=4):
    values = as_number(name, values, ndim=1, most_values=10_000_000)
    if values.size < minimum:
        raise ValueError(f"{name}: expected at least {minimum} values, found {values.size}")
    if np.max(np.abs(values)) > 1e100:
        raise ValueError(f"{name}: expected values up to 1e100, found {values[np.argmax(np.abs(values))]:g}")
    return values


_LARGEST = 1e50  # its square is still a number
_TIME = quantity(u.s, minimum=-1e12, maximum=1e12, ndim=1)
_ERROR = quantity(u.arcsec, minimum=-_LARGEST, maximum=_LARGEST, ndim=1, most_values=10_000_000)


def _by_axis(name, value):
    """Errors of one axis or of several, shape (n,) or (n, axes); a rule for `takes`."""
    errors = quantity(u.arcsec, minimum=-_LARGEST, maximum=_LARGEST, most_values=20_000_000)(name, value)
    if errors.ndim not in (1, 2):
        raise ValueError(f"{name}: expected shape (n,) or (n, axes), found {errors.shape}")
    return errors


def usual_step(time_s):
    """The usual distance of one row from the next: the median of all distances that are not 0, in s."""
    steps = np.diff(time_s)
    steps = steps[steps > 0]
    return float(np.median(steps)) if steps.size else 0.0


def _is_gap(time_s):
    """Whether a gap (more than 5 usual steps, and more than 10 s) lies between each row and the next."""
    return np.diff(time_s) > max(_GAP_STEPS * usual_step(time_s), _GAP_SECONDS)


def gaps(time_s):
    """Number of gaps and the longest of them in s; rows on either side of a gap are not neighbours.

    Parameters
    ----------
    time_s : array, shape (n,)
        Growing times in s.

    Returns
    -------
    count : int
    longest : float
        0 where there is none.
    """
    found = np.diff(time_s)[_is_gap(time_s)]
    return int(found.size), float(found.max(initial=0.0))


def stretches(time_s):
    """First row and row after the last of each stretch without a gap.

    Parameters
    ----------
    time_s : array, shape (n,)

    Returns
    -------
    list of (int, int)
    """
    bounds = np.concatenate([[0], np.flatnonzero(_is_gap(time_s)) + 1, [len(time_s)]])
    return list(itertools.pairwise(bounds.tolist()))


def places(time_s, reach=np.inf):
    """Places of rows on an even grid of the usual step, so that a missing row leaves its place empty.

    Parameters
    ----------
    time_s : array, shape (n,)
        Growing times in s.
    reach : float
        No pause is drawn longer than this many places.

    Returns
    -------
    int array, shape (n,)
    """
    steps = np.round(np.diff(time_s) / (usual_step(time_s) or 1.0))
    return np.concatenate([[0], np.cumsum(np.clip(steps, 1, max(reach, 1)))]).astype(int)


def _checked_time(name, values, time):
    """Times as s, or one row after another where there are none."""
    if time is None:
        return np.arange(float(len(values)))
    if time.size != len(values):
        raise ValueError(
            f"{name}, time: expected one time for each row, found {len(values)} rows and {time.size} times"
        )
    if np.any(np.diff(time) <= 0):
        raise ValueError("time: expected times that grow from row to row")
    return time.to_value(u.s)


@takes(values=_series, lags=count(minimum=1), time=optional(_TIME))
def autocorrelation(values, lags, time=None):
    """Correlation of a series with itself 0, 1 ... `lags` steps later.

    Parameters
    ----------
    values : array, shape (n,)
    lags : int
        Less than n.
    time : Quantity, shape (n,), optional
        Only rows that are truly so many steps apart are compared; without it no row is missing.

    Returns
    -------
    array, shape (lags + 1,)
        First element 1; all 0 after the first when the series is constant. Biased form (sums over the full length), so
        that it is a true spectrum; with missing rows each sum is scaled up to the pairs that would be there.
    """
    if lags >= values.size:
        raise ValueError(f"lags: expected fewer than the {values.size} values, found {lags}")
    return _autocorrelation(values, lags, _checked_time("values", values, time))


def _autocorrelation(values, lags, time_s):
    place = places(time_s, reach=lags + 1)
    if place[-1] > PLACES:
        raise ValueError(f"lags: expected fewer for times with so many gaps: {place[-1]:,} places, at most {PLACES:,}")
    even, there = np.zeros(place[-1] + 1), np.zeros(place[-1] + 1)
    even[place], there[place] = values - values.mean(), 1.0
    size = fft.next_fast_len(even.size + lags + 1)
    covariance = fft.irfft(np.abs(fft.rfft(even, size)) ** 2, size)[: lags + 1]
    if covariance[0] <= 0 or np.ptp(values) == 0:
        return np.concatenate([[1.0], np.zeros(lags)])
    if even.size > values.size:
        pairs = np.round(fft.irfft(np.abs(fft.rfft(there, size)) ** 2, size)[: lags + 1])
        covariance *= (values.size - np.arange(lags + 1)) / np.maximum(pairs, 1)
    return np.clip(covariance / covariance[0], -1.0, 1.0)


@takes(values=_series, time=optional(_TIME))
def correlation_length(values, time=None):
    """Integrated correlation length 1 + 2 sum(rho) in samples, at least 1.

    The sum stops at the first lag that is at least five times the length found so far, so that noise of far lags is
    not summed.

    Parameters
    ----------
    values : array, shape (n,)
    time : Quantity, shape (n,), optional
        As in `autocorrelation`.

    References
    ----------
    Sokal 1997, "Monte Carlo methods in statistical mechanics", section 3.3 (automatic windowing).
    """
    return _length(values, _checked_time("values", values, time))


def _length(values, time_s):
    lags = min(values.size - 1, 1000)
    while True:
        lengths = 2 * np.cumsum(_autocorrelation(values, lags, time_s)) - 1
        window = np.flatnonzero(np.arange(lags + 1) >= 5 * lengths)
        if window.size or lags == values.size - 1:
            return float(max(1.0, lengths[window[0]] if window.size else lengths[-1]))
        lags = min(values.size - 1, 8 * lags)


@takes(values=_series, time=optional(_TIME))
def effective_samples(values, time=None):
    """Number of independent values that would fix the mean equally well: n / (1 + 2 sum(rho))."""
    return values.size / _length(values, _checked_time("values", values, time))


@takes(errors=_by_axis, time=optional(_TIME))
def memory(errors, time):
    """How long errors remember.

    Parameters
    ----------
    errors : Quantity, shape (n,) or (n, axes)
    time : Quantity, shape (n,)

    Returns
    -------
    Quantity [s]
        The time T for which exp(-t / T) has the integrated correlation of the errors (mean of the axes); 0 for errors
        that do not remember. It is the `correlation_time` that a plan of a comparison asks for.
    """
    time_s = _checked_time("errors", errors, time)
    axes = [_series("errors", axis) for axis in np.atleast_2d(errors.value.T)]
    step, length = usual_step(time_s), float(np.mean([_length(axis, time_s) for axis in axes]))
    rho = (length - 1) / (length + 1)  # 1 + 2 sum(rho^k) = (1 + rho) / (1 - rho)
    return (0.0 if rho <= 0 else -step / np.log(rho)) * u.s


def robust_spread(values, axis=None):
    """Standard deviation of a normal distribution with the same median absolute deviation (astropy.stats.mad_std)."""
    return mad_std(np.asarray(values, float), axis=axis)


def cut(time_s, length):
    """Batches of at least `length` rows, none across a gap.

    Parameters
    ----------
    time_s : array, shape (n,)
    length : int

    Returns
    -------
    list of (int, int)
        First row and row after the last of each batch.
    """
    found = []
    for start, stop in stretches(time_s):
        count = (stop - start) // length
        if count:
            bounds = np.linspace(start, stop, count + 1).astype(int).tolist()
            found += list(itertools.pairwise(bounds))
    return found


def batch_means(values, batches):
    """Mean of the values in each batch (first row, row after the last)."""
    running = np.concatenate([[0.0], np.cumsum(values)])
    starts, stops = np.array(batches).T
    return (running[stops] - running[starts]) / (stops - starts)


def relative_error(squares, time_s):
    """Standard error of the mean of squares over that mean, from the scatter of batches.

    Batches of twelve correlation lengths still share a little; where the correlation falls exponentially, the variance
    of their means is low by the length over twice the batch, which is put right.

    Parameters
    ----------
    squares, time_s : array, shape (n,)

    Returns
    -------
    error : float
    freedom : int
        Its degrees of freedom: batches less 1.
    """
    n, length = squares.size, _length(squares, time_s)
    rows = max(int(np.ceil(_BATCH * length)), -(-n // _MOST_BATCHES))
    batches = cut(time_s, max(1, min(rows, n // _FEWEST_BATCHES)))
    if len(batches) < _FEWEST_BATCHES:  # gaps everywhere: rows as they come
        bounds = np.linspace(0, n, _FEWEST_BATCHES + 1).astype(int).tolist()
        batches = list(itertools.pairwise(bounds))
    sizes = np.diff(np.array(batches), axis=1)[:, 0].astype(float)
    means = batch_means(squares, batches)
    mean = np.average(means, weights=sizes)
    scatter = np.sum(sizes * (means - mean) ** 2) / (sizes.size - 1)
    scatter /= max(1 - length / (2 * sizes.mean()), 0.5)
    return float(np.sqrt(scatter / sizes.sum()) / mean), sizes.size - 1


@takes(errors=_by_axis, time=optional(_TIME))
def rms_interval(errors, time=None):
    """Rms of errors with its 95 % interval, from how much the rms of batches of the log differs.

    A batch is so long that it hardly remembers the one before (twelve correlation lengths, at least four batches); the
    interval is that of Student's t for the logarithm of the mean square. The time it takes grows as the number of
    errors.

    Parameters
    ----------
    errors : Quantity, shape (n,) or (n, axes)
        At least 8 rows. With several axes the total (root of the summed squares) is taken.
    time : Quantity, shape (n,), optional
        Growing; no batch lies across a gap.

    Returns
    -------
    Interval
        In arcsec.

    References
    ----------
    Batch means: Law & Kelton, "Simulation modeling and analysis", chapter 9; Schmeiser 1982, Oper. Res. 30, 556.
    """
    squares = squared_total(errors.value)
    _series("errors", squares, minimum=8)
    if squares.max() <= 0:
        raise ValueError("errors: expected errors that vary, found all the same")
    error, freedom = relative_error(squares, _checked_time("errors", squares, time))
    rms, half = float(np.sqrt(squares.mean())), 0.5 * error * special.stdtrit(freedom, 0.975)
    return Interval(rms, float(rms * np.exp(-half)), float(rms * np.exp(half)))


def squared_total(errors_arcsec):
    """Squared total error in each row; the mean of every axis is taken out first, for a constant offset spoils no
    picture.
    """
    errors = np.atleast_2d(np.asarray(errors_arcsec, float).T).T
    return ((errors - errors.mean(axis=0)) ** 2).sum(axis=1)


@takes(time=_TIME, error=_ERROR)
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
    if time.shape != error.shape or time.size < 8:
        raise ValueError(f"time, error: expected the same length of at least 8, found {time.size} and {error.size}")
    time_s = _checked_time("error", error, time)
    step, place = usual_step(time_s), places(time_s)
    if place[-1] > 100 * time.size:
        raise ValueError("time: expected times without gaps of nearly all the night")
    even = np.zeros(place[-1] + 1)
    even[place] = error.value - error.value.mean()
    density = 2 * step * np.abs(fft.rfft(even)) ** 2 / np.unique(place).size
    if even.size % 2 == 0:
        density[-1] /= 2  # the highest frequency has no twin
    frequency = fft.rfftfreq(even.size, step)
    return frequency[1:] * u.Hz, density[1:] * u.arcsec**2 / u.Hz


@takes(time=_TIME, error=_ERROR)
def drift_rate(time, error):
    """Straight-line drift of an error with its standard error.

    The standard error is enlarged by the root of the correlation length of what the line leaves; rows on either side
    of a gap are not taken for neighbours.

    Parameters
    ----------
    time, error : Quantity, shape (n,)

    Returns
    -------
    rate, uncertainty : Quantity [arcsec / min]
    """
    time, error = time.to_value(u.min), error.value
    if time.size != error.size or time.size < 8 or np.ptp(time) < 1e-9:
        raise ValueError(f"time, error: expected at least 8 values over some time, found {time.size} and {error.size}")
    centred = time - time.mean()
    rate = np.sum(centred * error) / np.sum(centred**2)
    left = error - error.mean() - rate * centred
    length = _length(_series("error", left), _checked_time("error", left, time * u.min))
    uncertainty = np.sqrt(np.var(left, ddof=2) * length / np.sum(centred**2))
    return rate * u.arcsec / u.min, uncertainty * u.arcsec / u.min
