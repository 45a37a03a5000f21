"""A check of one's own log: would a higher or a lower loop gain have given a visibly smaller star in the picture?"""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.correction_loop.loop import check_gain, noise_response, rejection, stability_limit
from helpers.shared import series
from helpers.shared.checks import count, instance, number, optional, quantity, takes
from helpers.shared.limits import JUDGED_ROWS

TOO_LOW, FITTING, TOO_HIGH, CANT_TELL = "too low", "about right", "too high", "can't tell"
_FEWEST = 40
_NOTICED = 0.03  # a star narrower by less than 3 per cent is the same star, as in the map of settings
_DRAWS = 400
_SURE = 0.95
_WALKS = np.concatenate([[0.0], np.geomspace(1e-3, 30, 24)])  # step variance over that of the white noise
_LARGEST = 1e6  # arcsec
_TIME = optional(quantity(u.s, minimum=-1e12, maximum=1e12, ndim=1))


def _errors(most_rows, least=_FEWEST, largest=_LARGEST):
    """The rule for errors, shape (n, 2), that vary on both axes."""
    rule = quantity(u.arcsec, minimum=-largest, maximum=largest, shape=(None, 2), most_values=2 * most_rows)

    def checked(name, value):
        errors = rule(name, value)
        if len(errors) < least:
            raise ValueError(f"{name}: expected shape (n, 2) with at least {least} rows, found {errors.shape}")
        if np.any(np.ptp(errors.value, axis=0) == 0):
            raise ValueError(f"{name}: expected errors that vary on both axes, found one that is always the same")
        return errors

    return checked


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
    pairs : int
        Pairs of errors that went in.
    """

    lag: int
    correlation: np.ndarray
    interval: np.ndarray
    pairs: int


@dataclass(frozen=True)
class Judgement:
    """What a log says of the loop gain, for each axis (right ascension, declination).

    Attributes
    ----------
    verdict : tuple of 2 str
        "too low": a higher gain would have made the star in the picture more than 3 per cent narrower. "too high": a
        lower one would. "about right": neither. "can't tell": the log is too short to say.
    gains : array, shape (G,)
        Gains that were tried on the log.
    star : Quantity [arcsec], shape (G, 2)
        Width of the star along each axis that each of them would have given.
    best_gain : array, shape (2,)
        Of those the one with the narrowest star.
    sentence : str
    """

    verdict: tuple
    gains: np.ndarray
    star: u.Quantity
    best_gain: np.ndarray
    sentence: str


def _times(errors, time):
    """Times in s, or one row after another where there are none."""
    if time is None:
        return np.arange(float(len(errors)))
    if time.size != len(errors) or np.any(np.diff(time) <= 0):
        raise ValueError(f"time: expected {len(errors)} growing times, found {time.size}")
    return time.value


@takes(errors=_errors(1_000_000), delay=count(maximum=1), time=_TIME)
def check_log(errors, delay=0, time=None):
    """Correlation of each error with the first one that the answer to it can have changed.

    A loop that does the best its noise allows leaves errors in which nothing can be predicted from what it had seen
    when it gave its last effective command: errors 1 + delay exposures apart are then uncorrelated. Errors that
    persist (above 0) or change sign (below 0) need not show in the picture: that is what `judge` is for.

    Parameters
    ----------
    errors : Quantity [angle], shape (n, 2)
        Logged errors, one row an exposure; 40 to 1,000,000 rows. Leave out rows in which the star was lost.
    delay : int
        0 or 1 exposures, as in `correction_loop.simulate_loop`.
    time : Quantity [time], shape (n,), optional
        Time of each row, growing. Errors with a missing row between them are not compared as neighbours.

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
    theory", chapter 6; Harris 1989, Can. J. Chem. Eng. 67, 856. Interval: Bartlett 1946, J. R. Stat. Soc. Suppl. 8, 27.
    """
    time, lag = _times(errors, time), 1 + delay
    place = series.places(time, reach=lag + 1)
    pairs = int(np.isin(place + lag, place, assume_unique=True).sum())
    if pairs < _FEWEST - 2:
        raise ValueError(f"time: expected at least {_FEWEST - 2} errors without a gap before the next, found {pairs}")
    found = [_bartlett(axis, time, lag, pairs) for axis in errors.value.T]
    correlation = np.array([value for value, _ in found])
    half = np.array([error for _, error in found])
    interval = np.clip(np.stack([correlation - half, correlation + half], axis=1), -1, 1)
    return LogCheck(lag, correlation, interval, pairs)


def _bartlett(values, time, lag, pairs):
    """Correlation at a lag and 1.96 times its standard error, from the correlations at all lags that matter."""
    reach = min(values.size - 1, max(10, int(10 * np.log10(values.size))) + 2 * lag)
    rho = series.autocorrelation(values, reach, time * u.s)
    known = np.where(np.abs(rho) > 2 / np.sqrt(pairs), rho, 0.0)
    both = np.concatenate([known[:0:-1], known])  # lags -reach to reach
    shifted = np.zeros((2, both.size))
    shifted[0, lag:], shifted[1, :-lag] = both[:-lag], both[lag:]
    terms = shifted[0] + shifted[1] - 2 * known[lag] * both
    variance = 0.5 * np.sum(terms**2) / pairs
    return float(rho[lag]), 1.96 * float(np.sqrt(variance))


def _spectra(errors, time, exposure_s):
    """Periodograms of stretches of a log: frequencies [Hz], powers and the share of each, for all stretches in a row.

    A taper (Hann) keeps a strong slow motion from leaking into quick frequencies. Each row of powers, times its share,
    sums to the variance of the errors.
    """
    frequencies, powers = [], []
    whole = [(a, b) for a, b in series.stretches(time) if b - a >= _FEWEST]
    rows = sum(b - a for a, b in whole)
    for start, stop in whole:
        part = errors[start:stop] - errors[start:stop].mean(axis=0)
        n = len(part)
        taper = np.hanning(n + 2)[1:-1, None]
        raw = np.abs(np.fft.rfft(part * taper, axis=0)[1:]) ** 2
        frequencies.append(np.fft.rfftfreq(n, exposure_s)[1:])
        powers.append(2 * raw / (n * (taper**2).sum()) * n / rows)
    return np.concatenate(frequencies), np.concatenate(powers)


def _white_levels(frequency_hz, uncorrected, exposure_s):
    """Level of the white part of a motion that is a random walk plus white noise, for each column of powers.

    Fitted over all but the slow motion by the likelihood of a periodogram (Whittle), on a grid of the walk's share.
    """
    quick = frequency_hz > 0.1 / exposure_s
    walk, power = 1 / (4 * np.sin(np.pi * frequency_hz[quick] * exposure_s) ** 2), uncorrected[quick]
    levels, unlikeliness = [], []
    for share in _WALKS:
        shape = 1 + share * walk
        levels.append(np.maximum((1 / shape) @ power / shape.size, 1e-30))
        unlikeliness.append(np.log(shape).sum() + shape.size * np.log(levels[-1]))
    best = np.argmin(unlikeliness, axis=0)
    return np.array(levels)[best, np.arange(best.size)]


def _star_widths(frequency_hz, power, gains, now, delay, exposure_s, picture_s, star_arcsec):
    """Width of the star along one axis, shape (gains, draws), for powers of shape (frequencies, draws)."""
    frequency = frequency_hz * u.Hz
    exposure = exposure_s * u.s
    uncorrected = power / (rejection(frequency, exposure, now, delay) ** 2)[:, None]
    white = _white_levels(frequency_hz, uncorrected, exposure_s)
    # What is slower than a picture moves it as a whole.
    blurs = 1 - np.sinc(frequency_hz * picture_s) ** 2
    added = []
    for gain in gains:
        left, copied = (response(frequency, exposure, gain, delay) ** 2 for response in (rejection, noise_response))
        added.append((blurs * left) @ uncorrected + (blurs * (copied - left)).sum() * white)
    return np.sqrt(star_arcsec**2 + 8 * np.log(2) * np.maximum(added, 0.0))


@takes(
    errors=_errors(JUDGED_ROWS),
    exposure=quantity(u.s, minimum=1e-3, maximum=3600, ndim=0),
    gain=number(above=0),
    star_fwhm=quantity(u.arcsec, minimum=0.01, maximum=1000, ndim=0),
    delay=count(maximum=1),
    time=_TIME,
    band=optional(number(minimum=0, maximum=2, shape=(2,))),
    picture_exposure=quantity(u.s, minimum=1e-3, maximum=1e6, ndim=0),
    rng=optional(instance(np.random.Generator)),
)
def judge(
    errors,
    exposure,
    gain,
    star_fwhm=2.2 * u.arcsec,
    *,
    delay=0,
    time=None,
    band=None,
    picture_exposure=180 * u.s,
    rng=None,
):
    """Judge the loop gain from a log, by what another gain would have done to the star in the picture.

    With exposure and gain known, the motion that the loop met can be worked out of the log, frequency by frequency.
    What it has of white noise (centroids, quick air) only shakes the mount when it is followed; the rest is worth
    following. Other gains are tried on both, and "too low" is said only where a higher gain would make the star more
    than 3 per cent narrower: the step within which the map of settings calls settings equal.

    Parameters
    ----------
    errors : Quantity [angle], shape (n, 2)
        Logged errors, one row an exposure; 40 to 100,000 rows. Leave out rows in which the star was lost.
    exposure : Quantity [time]
        From one correction to the next.
    gain : float
        With which the log was made, above 0.
    star_fwhm : Quantity [angle]
        Star in the main camera with perfect guiding; a small star shows more.
    delay : int
        0 or 1 exposures, as in `correction_loop.simulate_loop`.
    time : Quantity [time], shape (n,), optional
        Of each row, growing; stretches between gaps are looked at one by one.
    band : pair of float, optional
        Lowest and highest gain that the map of settings blesses at this exposure. A gain inside is left alone.
    picture_exposure : Quantity [time]
        Of the main camera.
    rng : numpy.random.Generator, optional
        Seeded with 0 if not given.

    Returns
    -------
    Judgement

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument.

    Notes
    -----
    A dead band, backlash that swallows commands, and limits of corrections are not known to it.

    References
    ----------
    Sensitivity functions: Franklin, Powell & Workman, "Digital control of dynamic systems". White part: Whittle 1953,
    Ark. Mat. 2, 423. Uncertainty by exponential draws of the periodogram: Franke & Haerdle 1992, Ann. Stat. 20, 121.
    """
    time, errors = _times(errors, time), errors.value
    exposure_s, picture_s, star = exposure.value, picture_exposure.value, star_fwhm.value
    check_gain(gain, delay)
    rng = np.random.default_rng(0) if rng is None else rng
    if not any(b - a >= _FEWEST for a, b in series.stretches(time)):
        raise ValueError(f"time: expected a stretch of at least {_FEWEST} rows without a gap, found none")
    frequency, power = _spectra(errors, time, exposure_s)
    gains = np.unique(np.append(np.linspace(0.05, min(1.0, 0.95 * stability_limit(delay)), 20), gain))
    here = int(np.searchsorted(gains, gain))
    verdicts, stars = [], []
    for axis in range(2):
        # neighbouring ordinates of a tapered series are not independent, so pairs of them are drawn together
        drawn = np.repeat(rng.standard_exponential((-(-frequency.size // 2), _DRAWS)), 2, axis=0)[: frequency.size]
        widths = _star_widths(
            frequency,
            np.column_stack([power[:, axis], power[:, axis, None] * drawn]),
            gains,
            gain,
            delay,
            exposure_s,
            picture_s,
            star,
        )
        verdicts.append(_verdict(widths[:, 1:], here))
        stars.append(widths[:, 0])
    stars = np.array(stars).T
    best = gains[np.argmin(stars, axis=0)]
    if band is not None and band[0] <= gain <= band[1]:
        verdicts = [FITTING, FITTING]
    return Judgement(tuple(verdicts), gains, stars * u.arcsec, best, _sentence(verdicts, gain, band))


def _verdict(widths, here):
    """Of one axis, from the widths of the star in many draws, shape (gains, draws)."""
    now = widths[here] / (1 + _NOTICED)
    higher = widths[here:].min(axis=0) < now
    lower = widths[: here + 1].min(axis=0) < now
    if higher.mean() >= _SURE:
        return TOO_LOW
    if lower.mean() >= _SURE:
        return TOO_HIGH
    return FITTING if (higher | lower).mean() <= 1 - _SURE else CANT_TELL


def _sentence(verdicts, gain, band):
    if band is not None and band[0] <= gain <= band[1]:
        return f"Gain {gain:g} lies inside the band: leave it."
    if verdicts[0] == verdicts[1]:
        return f"Gain {gain:g}: {verdicts[0]} on both axes."
    return f"Gain {gain:g}: {verdicts[0]} in right ascension, {verdicts[1]} in declination."


@takes(errors=_errors(1_000_000, least=4, largest=1e9), lags=count(minimum=1))
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
    if lags >= len(errors):
        raise ValueError(f"lags: expected less than the {len(errors)} rows of errors, found {lags}")
    return np.stack([series.autocorrelation(axis, lags) for axis in errors.value.T], axis=1)


@takes(
    errors=quantity(u.arcsec, minimum=-1e9, maximum=1e9, shape=(None, 2), most_values=4_000_000),
    share=number(above=0, maximum=0.9999),
    points=count(minimum=4, maximum=100_000),
)
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
    if len(errors) < 3:
        raise ValueError(f"errors: expected shape (n, 2) with at least 3 rows, found {errors.shape}")
    errors = errors.value
    variances, directions = np.linalg.eigh(np.cov(errors.T))
    angle = np.linspace(0, 2 * np.pi, points)
    axes = directions * np.sqrt(np.maximum(variances, 0) * -2 * np.log1p(-share))
    return (errors.mean(axis=0) + np.column_stack([np.cos(angle), np.sin(angle)]) @ axes.T) * u.arcsec
