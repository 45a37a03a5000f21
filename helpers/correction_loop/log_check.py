"""A check of one's own log: do errors that follow one another say that the loop gain is too low or too high?"""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.shared.checks import as_count, as_number, as_quantity

TOO_LOW, FITTING, TOO_HIGH = "too low", "about right", "too high"
_FEWEST = 40


@dataclass(frozen=True)
class LogCheck:
    """Correlation of errors that follow one another, for each axis.

    Attributes
    ----------
    lag : int
        Exposures between the two errors that are compared: 1 + delay.
    correlation : array, shape (2,)
    interval : array, shape (2, 2)
        Low and high end of the 95 per cent interval, for each axis (a row each).
    verdict : tuple of 2 str
        "too low": the interval lies above 0, errors persist, the loop answers too little. "too high": it lies below 0,
        each correction overshoots. "about right": it holds 0.
    pairs : int
        Pairs of errors that went in.
    """

    lag: int
    correlation: np.ndarray
    interval: np.ndarray
    verdict: tuple
    pairs: int


def check_log(errors, delay=0, time=None, n_resamples=2000, rng=None):
    """Judge the loop gain from a log.

    A loop that does the best its noise allows leaves errors in which nothing can be predicted from what it had seen
    when it gave its last effective command. Errors 1 + delay exposures apart are then uncorrelated. Air that outlasts
    an exposure also makes errors persist, and so does backlash that swallows the commands: where raising the gain does
    not lower the correlation, "too low" means one of these.

    Parameters
    ----------
    errors : Quantity [angle], shape (n, 2)
        Logged errors, one row an exposure; at least 40 rows. Leave out rows in which the star was lost.
    delay : int
        0 or 1 exposures, as in `correction_loop.simulate_loop`.
    time : Quantity [time], shape (n,), optional
        Time of each row, growing. Errors on either side of a gap (over 1.5 times the usual distance) are not compared.
    n_resamples : int
    rng : numpy.random.Generator, optional
        Seeded with 0 if not given.

    Returns
    -------
    LogCheck

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument: NaN in the log, too few rows, an axis on which all errors are the same.

    References
    ----------
    Uncorrelated errors beyond the delay as the mark of the best loop: Astrom 1970, "Introduction to stochastic control
    theory", chapter 6; Harris 1989, Can. J. Chem. Eng. 67, 856. Interval: circular block bootstrap of pairs, Politis &
    Romano 1992, with blocks of 2 n^(1/3) (Kunsch 1989 for the power of n).
    """
    errors = as_quantity("errors", errors, u.arcsec, ndim=2).value
    if errors.shape[1] != 2 or len(errors) < _FEWEST:
        raise ValueError(f"errors: expected shape (n, 2) with at least {_FEWEST} rows, found {errors.shape}")
    if np.any(np.ptp(errors, axis=0) == 0):
        raise ValueError("errors: expected errors that vary on both axes, found one that is always the same")
    lag = 1 + as_count("delay", delay, maximum=1)
    n_resamples = as_count("n_resamples", n_resamples, minimum=100)
    rng = np.random.default_rng(0) if rng is None else rng
    first = np.arange(len(errors) - lag)
    if time is not None:
        time = as_quantity("time", time, u.s, ndim=1).value
        if time.size != len(errors) or np.any(np.diff(time) <= 0):
            raise ValueError(f"time: expected {len(errors)} growing times, found {time.size}")
        first = first[time[first + lag] - time[first] < (lag + 0.5) * np.median(np.diff(time))]
        if first.size < _FEWEST:
            raise ValueError(
                f"time: expected at least {_FEWEST} errors without a gap before the next, found {first.size}"
            )
    before, after = errors[first], errors[first + lag]
    sums = np.stack([before, after, before**2, after**2, before * after])  # (5, pairs, 2)
    resampled = _block_means(sums, n_resamples, rng)
    correlation = _correlation(sums.mean(axis=1))
    interval = np.quantile(_correlation(resampled), [0.025, 0.975], axis=0).T
    verdict = tuple(TOO_LOW if low > 0 else TOO_HIGH if high < 0 else FITTING for low, high in interval)
    return LogCheck(lag, correlation, interval, verdict, first.size)


def _correlation(means):
    before, after, before2, after2, product = means
    spread = np.sqrt(np.maximum((before2 - before**2) * (after2 - after**2), 1e-300))
    return np.clip((product - before * after) / spread, -1.0, 1.0)


def _block_means(sums, n_resamples, rng):
    """Means over resamples made of blocks with random starts, read round a circle; (5, n_resamples, 2)."""
    count = sums.shape[1]
    length = min(count, round(2 * count ** (1 / 3)))
    running = np.concatenate(
        [np.zeros_like(sums[:, :1]), np.cumsum(np.concatenate([sums, sums], axis=1), axis=1)], axis=1
    )
    starts = rng.integers(0, count, (n_resamples, -(-count // length)))
    blocks = running[:, starts + length] - running[:, starts]
    return blocks.mean(axis=2) / length


def correlation_curve(errors, lags):
    """Correlation of errors 0, 1 ... `lags` exposures apart.

    Parameters
    ----------
    errors : Quantity [angle], shape (n, 2)
    lags : int

    Returns
    -------
    array, shape (lags + 1, 2)
        First row 1. Sums over the full length (biased form).
    """
    errors = as_quantity("errors", errors, u.arcsec, ndim=2).value
    lags = as_count("lags", lags, minimum=1, maximum=len(errors) - 1)
    if np.any(np.ptp(errors, axis=0) == 0):
        raise ValueError("errors: expected errors that vary on both axes, found one that is always the same")
    centred = errors - errors.mean(axis=0)
    products = [(centred[: len(errors) - lag] * centred[lag:]).sum(axis=0) for lag in range(lags + 1)]
    return np.array(products) / products[0]


def spread_ellipse(errors, share=0.95, points=120):
    """Outline that holds a share of all errors, if they are spread as a Gaussian of two dimensions.

    Parameters
    ----------
    errors : Quantity [angle], shape (n, 2)
    share : float
        Between 0 and 1.
    points : int

    Returns
    -------
    Quantity [arcsec], shape (points, 2)
        Closed; centred on the mean of the errors, axes along those of their covariance.

    References
    ----------
    Squared distance in units of the covariance follows chi-squared with 2 degrees of freedom, quantile -2 ln(1 -
    share).
    """
    errors = as_quantity("errors", errors, u.arcsec, ndim=2).value
    if errors.shape[1] != 2 or len(errors) < 3:
        raise ValueError(f"errors: expected shape (n, 2) with at least 3 rows, found {errors.shape}")
    share = as_number("share", share, above=0, maximum=0.9999)
    points = as_count("points", points, minimum=4)
    variances, directions = np.linalg.eigh(np.cov(errors.T))
    angle = np.linspace(0, 2 * np.pi, points)
    axes = directions * np.sqrt(np.maximum(variances, 0) * -2 * np.log1p(-share))
    return (errors.mean(axis=0) + np.column_stack([np.cos(angle), np.sin(angle)]) @ axes.T) * u.arcsec
