"""Camera A or B on one night: is the difference real?"""

import itertools
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from scipy import special

from helpers.night_comparison import sky
from helpers.shared.checks import count, instance, optional, takes
from helpers.shared.limits import RESAMPLES, ROWS
from helpers.shared.series import (
    Interval,
    batch_means,
    correlation_length,
    cut,
    effective_samples,
    relative_error,
    squared_total,
)

_FEWEST_PIECES = 6  # of both cameras together, to tell drift of the sky from a difference of cameras
FEWEST_TURNS = 3  # of each camera; with two the interval still keeps its promise, but is so wide that it hides much


@dataclass(frozen=True)
class Comparison:
    """What two logs say about two cameras.

    Attributes
    ----------
    ratio : float
        Total rms of B over that of A.
    interval : tuple of float
        Its 95 % interval. It leaves out 1 in at most 5 of 100 nights with equal cameras; a p value would say nothing
        more.
    effective_samples : tuple of float
        Independent errors in each log.
    rms_a, rms_b : Interval
        Total rms [arcsec] of each whole log.
    blocks : tuple of int
        Turns of each camera.
    paired : bool
        Whether the cameras alternated, so that drift of the sky could be told apart from the difference of cameras.
    sky_drift : float
        Rms relative change of the error level over one hour that the sky seems to have made (0 when not paired).
    conclusion : str
    cautions : tuple of str
    """

    ratio: float
    interval: tuple
    effective_samples: tuple
    rms_a: Interval
    rms_b: Interval
    blocks: tuple
    paired: bool
    sky_drift: float
    conclusion: str
    cautions: tuple


@dataclass(frozen=True)
class _Log:
    """One camera's errors: time [s], squared total error [arcsec2], and first and last rows of its turns."""

    time: np.ndarray
    squares: np.ndarray
    turns: list

    def rms(self):
        error, freedom = relative_error(self.squares, self.time)
        rms, half = np.sqrt(self.squares.mean()), 0.5 * error * special.stdtrit(freedom, 0.975)
        return Interval(float(rms), float(rms * np.exp(-half)), float(rms * np.exp(half)))

    def memory(self):
        """Correlation length of the squares within a turn, in which the sky has hardly changed."""
        whole = [(start, stop) for start, stop in self.turns if stop - start >= sky.MIN_ROWS]
        lengths = [correlation_length(self.squares[a:b], self.time[a:b] * u.s) for a, b in whole]
        # The mean of a short turn takes a part of a long memory with it: each lag is low by one length over the turn.
        rows = np.mean([stop - start for start, stop in whole])
        length = float(np.mean(lengths))
        return length / max(1 - 3 * length / rows, 0.5)


_LARGEST_ERROR = 1e6  # arcsec: beyond a right angle, no error of guiding
_LARGEST_TIME = 1e12  # s


def _series(name, log):
    """Time [s] and errors [arcsec] of a log's rows that hold both errors."""
    try:
        columns = [log[key] for key in ("time", "ra_error", "dec_error")]
    except (KeyError, TypeError, IndexError, AttributeError, ValueError):
        raise ValueError(f"{name}: expected a table with time, ra_error and dec_error") from None
    plain = []
    for column, unit in zip(columns, (u.s, u.arcsec, u.arcsec), strict=True):
        if hasattr(column, "jd"):
            plain.append((column - column[0]).to_value(u.s) if len(column) else np.array([]))
            continue
        try:
            values = np.ma.filled(np.ma.asarray(column, float), np.nan)
            plain.append(u.Quantity(values, getattr(column, "unit", None) or unit).to_value(unit))
        except (TypeError, ValueError) as error:
            raise ValueError(f"{name}: expected numbers in {unit}, found: {error}") from error
    if any(np.ndim(column) != 1 for column in plain) or len(plain[0]) > ROWS:
        raise ValueError(f"{name}: expected one number a row and column, and at most {ROWS:,} rows")
    if not len(plain[0]) == len(plain[1]) == len(plain[2]) or np.nanmax(np.abs(plain[1:]), initial=0) > _LARGEST_ERROR:
        raise ValueError(f"{name}: expected columns of one length and errors below {_LARGEST_ERROR:g} arcsec")
    time, errors = plain[0], np.column_stack(plain[1:])
    good = np.isfinite(errors).all(axis=1) & np.isfinite(time)
    if np.max(np.abs(time[good]), initial=0) > _LARGEST_TIME:
        raise ValueError(f"{name}: expected times below {_LARGEST_TIME:g} s")
    if good.sum() < sky.MIN_ROWS:
        raise ValueError(f"{name}: expected at least {sky.MIN_ROWS} rows with both errors, found {good.sum()}")
    if np.any(np.ptp(errors[good], axis=0) == 0):
        raise ValueError(f"{name}: expected errors that vary, found a constant column")
    order = np.argsort(time[good], kind="stable")
    time, errors = time[good][order], errors[good][order]
    if np.any(np.diff(time) <= 0):
        raise ValueError(f"{name}: expected one row an instant, found several")
    return time, errors


def _runs(time_a, time_b):
    """Start and stop rows of each camera's stretches, when the cameras took turns; None when they ran at the
    same time.
    """
    time = np.concatenate([time_a, time_b])
    camera = np.concatenate([np.zeros(time_a.size, int), np.ones(time_b.size, int)])
    order = np.argsort(time, kind="stable")
    changes = np.flatnonzero(np.diff(camera[order])) + 1
    bounds = np.concatenate([[0], changes, [time.size]])
    if np.median(np.diff(bounds)) < sky.MIN_ROWS:
        return None
    runs, used = ([], []), [0, 0]
    for start, stop in itertools.pairwise(bounds):
        which = camera[order][start]
        runs[which].append((used[which], used[which] + stop - start))
        used[which] += stop - start
    return runs


def _pieces(logs, memories):
    """All pieces of both logs, in order of time; None where they are too few to tell the sky from the cameras."""
    rows = max(sky.MIN_ROWS, int(np.ceil(sky.PIECE * max(memories))))
    found = []
    for is_b, (log, memory) in enumerate(zip(logs, memories, strict=True)):
        pieces = [(start + a, start + b) for start, stop in log.turns for a, b in cut(log.time[start:stop], rows)]
        if len(pieces) < 2:
            return None
        independent = np.diff(np.array(pieces), axis=1)[:, 0] / memory
        means = batch_means(log.squares, pieces)
        # The log of a mean of few squares is low on average by half its relative variance.
        relative = np.array([np.var(log.squares[a:b]) for a, b in pieces]) / means**2 / independent
        first, last = (np.array([log.time[row] for row in ends]) for ends in zip(*((a, b - 1) for a, b in pieces)))
        level = 0.5 * (np.log(means) + 0.5 * relative)
        found.append(
            np.array([(first + last) / 7200, (last - first) / 3600, level, np.full(len(pieces), is_b), independent])
        )
    joined = np.concatenate(found, axis=1)
    if joined.shape[1] < _FEWEST_PIECES:
        return None
    return sky.Pieces(*joined[:, np.argsort(joined[0], kind="stable")])


def _compare_turns(pieces, n_resamples, rng):
    """Logarithm of the ratio, half its interval and the drift of the sky, for cameras that took turns."""
    step = sky.fit_step(pieces, n_resamples, rng)
    return step.value, step.half, step.walk


def _compare_apart(logs):
    """The same for two separate nights: the ratio of the rms values, each with its own error (Welch 1947, "
    "Biometrika 34, 28)."""
    (error_a, freedom_a), (error_b, freedom_b) = (relative_error(log.squares, log.time) for log in logs)
    variances = np.array([error_a**2, error_b**2]) / 4
    freedom = variances.sum() ** 2 / (variances**2 / [freedom_a, freedom_b]).sum()
    value = 0.5 * np.log(logs[1].squares.mean() / logs[0].squares.mean())
    return value, special.stdtrit(freedom, 0.975) * np.sqrt(variances.sum()), 0.0


@takes(
    log_a=_series,
    log_b=_series,
    n_resamples=count(minimum=100, maximum=RESAMPLES),
    rng=optional(instance(np.random.Generator)),
)
def compare(log_a, log_b, n_resamples=5000, rng=None):
    """Compare two cameras by their logs of one night.

    When the cameras took turns, each log is cut into pieces that hardly remember each other, and a step between the
    cameras is fitted together with a random walk of the sky, so that drifting seeing cancels. When they did not (one
    stretch each, or both at the same time) the ratio is that of the two rms values. No piece lies across a gap.

    Parameters
    ----------
    log_a, log_b : Table
        Columns time [s], ra_error, dec_error [arcsec]; cleaned by `clean_log`, on one clock.
    n_resamples : int
        Nights with equal cameras that are simulated to set the interval of cameras that took turns.
    rng : numpy.random.Generator, optional
        Seeded with 0 if not given.

    Returns
    -------
    Comparison

    Raises
    ------
    ValueError
        Fewer than 30 usable rows, constant errors, or columns missing.

    References
    ----------
    Patterson & Thompson 1971, Biometrika 58, 545 (restricted maximum likelihood); Harvey 1989, "Forecasting,
    structural time series models", 2.3; Davison & Hinkley 1997, "Bootstrap methods", chapter 4 (simulated tests).
    """
    rng = np.random.default_rng(0) if rng is None else rng
    (time_a, errors_a), (time_b, errors_b) = log_a, log_b
    runs = _runs(time_a, time_b)
    turns = runs or ([(0, time_a.size)], [(0, time_b.size)])
    logs = (
        _Log(time_a, squared_total(errors_a), turns[0]),
        _Log(time_b, squared_total(errors_b), turns[1]),
    )
    blocks = (len(turns[0]), len(turns[1]))
    pieces = _pieces(logs, [log.memory() for log in logs]) if min(blocks) >= 2 else None
    if pieces is None:
        value, half, drift = _compare_apart(logs)
    else:
        value, half, drift = _compare_turns(pieces, n_resamples, rng)
    ratio, interval = float(np.exp(value)), (float(np.exp(value - half)), float(np.exp(value + half)))
    counts = tuple(effective_samples(log.squares, log.time * u.s) for log in logs)
    return Comparison(
        ratio,
        interval,
        counts,
        *(log.rms() for log in logs),
        blocks,
        pieces is not None,
        drift,
        _conclusion(ratio, interval, pieces is not None or runs is None, min(blocks)),
        _cautions(runs, pieces, blocks, counts),
    )


def _cautions(runs, pieces, blocks, counts):
    found = []
    if pieces is None and runs is None:
        found.append("The logs overlap in time, so they were compared as two separate nights.")
    elif pieces is None:
        found.append(
            "The cameras did not take turns often enough, so a changing sky is not told from a difference of cameras."
        )
    elif min(blocks) < FEWEST_TURNS:
        found.append(
            f"{min(blocks)} turns of a camera are few: the interval is wide, and hides smaller differences. Plan "
            f"{FEWEST_TURNS} or more of each."
        )
    if min(counts) < 50:
        found.append(f"Only {min(counts):.0f} independent errors in one log: the interval itself is rough.")
    return tuple(found)


def _conclusion(ratio, interval, camera_or_sky_known, turns):
    low, high = interval
    if not camera_or_sky_known and not low <= 1 <= high:
        return (
            f"The total rms with B is {ratio:.2f} times that with A ({low:.2f} to {high:.2f}), but without "
            "turns enough this "
            "can't tell the camera from the sky."
        )
    few = (
        f"; {turns} turns each are few and hide smaller differences, so plan {FEWEST_TURNS} or more"
        if camera_or_sky_known and 1 < turns < FEWEST_TURNS
        else ""
    )
    if high < 1:
        return f"B guides better: its total rms is {ratio:.2f} times that of A ({low:.2f} to {high:.2f}){few}."
    if low > 1:
        return f"A guides better: the total rms of B is {ratio:.2f} times that of A ({low:.2f} to {high:.2f}){few}."
    smallest = 100 * max(1 - low, high - 1)
    return (
        f"These logs can't tell the cameras apart: the ratio is {ratio:.2f}, but anything from {low:.2f} to "
        f"{high:.2f} fits; "
        f"a difference below {smallest:.0f} % would stay hidden."
    )
