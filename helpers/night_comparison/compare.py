"""Camera A or B on one night: is the difference real, and how long must one measure?"""

import itertools
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from scipy import stats
from scipy.linalg import cho_solve_banded, cholesky_banded

from helpers.night_comparison.log import clean_log, join_logs, load_log, log_fields, read_night
from helpers.shared.checks import as_count, as_number, as_quantity
from helpers.shared.series import (
    Interval,
    block_length,
    bootstrap_means,
    correlation_length,
    effective_samples,
    rms_interval,
    squared_total,
)

__all__ = [
    "Comparison",
    "Interval",
    "clean_log",
    "compare",
    "effective_samples",
    "join_logs",
    "load_log",
    "log_fields",
    "minutes_needed",
    "plan_power",
    "read_night",
    "rms_interval",
    "simulate_night",
]

MIN_ROWS = 30  # fewer errors tell neither their spread nor their memory
_PIECE = 8  # a piece of log this many correlation lengths long hardly remembers the piece before
# What is thought of the sky before the data speak: between flat in the logarithm of the walk (0) and flat in its rms
# (1). So chosen that simulated nights of two, four and more turns are covered as often as they should be.
_WALK_PRIOR = 0.5
_FEWEST_PIECES = 6  # of both cameras together, to tell drift of the sky from a difference of cameras


@dataclass(frozen=True)
class Comparison:
    """What two logs say about two cameras.

    Attributes
    ----------
    ratio : float
        Total rms of B over that of A.
    interval : tuple of float
        Its 95 % interval.
    effective_samples : tuple of float
        Independent errors in each log.
    rms_a, rms_b : Interval
        Total rms [arcsec] of each whole log.
    p_value : float
        Of a permutation test of "no difference": how often chance alone does as much.
    blocks : tuple of int
        Stretches of each camera between changes.
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
    p_value: float
    blocks: tuple
    paired: bool
    sky_drift: float
    conclusion: str
    cautions: tuple


def _series(name, log):
    """Time [s] and errors [arcsec] of a log's rows that hold both errors."""
    try:
        columns = [log[key] for key in ("time", "ra_error", "dec_error")]
    except (KeyError, TypeError, IndexError):
        raise ValueError(f"{name}: expected a table with time, ra_error and dec_error") from None
    plain = []
    for column, unit in zip(columns, (u.s, u.arcsec, u.arcsec), strict=True):
        if hasattr(column, "jd"):
            plain.append((column - column[0]).to_value(u.s) if len(column) else np.array([]))
            continue
        values = u.Quantity(np.ma.filled(np.ma.asarray(column, float), np.nan), getattr(column, "unit", None) or unit)
        plain.append(values.to_value(unit))
    time, errors = plain[0], np.column_stack(plain[1:])
    good = np.isfinite(errors).all(axis=1) & np.isfinite(time)
    if good.sum() < MIN_ROWS:
        raise ValueError(f"{name}: expected at least {MIN_ROWS} rows with both errors, found {good.sum()}")
    if np.any(np.ptp(errors[good], axis=0) == 0):
        raise ValueError(f"{name}: expected errors that vary, found a constant column")
    order = np.argsort(time[good], kind="stable")
    return time[good][order], errors[good][order]


def _runs(time_a, time_b):
    """Start and stop rows of each camera's stretches, when the cameras took turns; None when they ran at the
    same time.
    """
    time = np.concatenate([time_a, time_b])
    camera = np.concatenate([np.zeros(time_a.size, int), np.ones(time_b.size, int)])
    order = np.argsort(time, kind="stable")
    changes = np.flatnonzero(np.diff(camera[order])) + 1
    bounds = np.concatenate([[0], changes, [time.size]])
    if np.median(np.diff(bounds)) < MIN_ROWS:
        return None
    runs, used = ([], []), [0, 0]
    for start, stop in itertools.pairwise(bounds):
        which = camera[order][start]
        runs[which].append((used[which], used[which] + stop - start))
        used[which] += stop - start
    return runs


def _memory(squares, runs):
    """Correlation length of the squares within a stretch, in which the sky has hardly changed."""
    return float(np.mean([correlation_length(squares[start:stop]) for start, stop in runs if stop - start >= MIN_ROWS]))


def _pieces(time, squares, runs, length, memory):
    """Log rms level of pieces of at least `length` rows: middle times [s], 0.5 log(mean square), independent errors."""
    middles, levels, freedom = [], [], []
    for start, stop in runs:
        count = (stop - start) // length
        for part in np.array_split(np.arange(start, stop), count) if count else []:
            independent = part.size / memory
            middles.append(time[part].mean())
            # the log of a mean of few squares is low on average by half its relative variance
            relative = np.var(squares[part]) / squares[part].mean() ** 2 / independent
            levels.append(0.5 * (np.log(squares[part].mean()) + 0.5 * relative))
            freedom.append(independent)
    return np.array(middles), np.array(levels), np.array(freedom)


class _WalkAndNoise:
    """Covariance of a random walk that starts at the first of `time_hours`, plus independent noise, handled as bands.

    The walk's own inverse has three diagonals, so that all costs grow as the number of pieces only.
    """

    def __init__(self, time_hours, walk_per_hour, noise):
        self.noise = noise
        steps = walk_per_hour * np.maximum(np.diff(time_hours), 1e-9)
        bands = np.zeros((2, steps.size))
        bands[1] = 1 / steps + 1 / noise[1:]
        bands[1, :-1] += 1 / steps[1:]
        bands[0, 1:] = -1 / steps[1:]
        self.factor = cholesky_banded(bands)
        self.log_determinant = np.log(noise).sum() + np.log(steps).sum() + 2 * np.log(self.factor[1]).sum()
        self.steps = steps

    def solve(self, values):
        """Inverse covariance times values, shape (n, columns)."""
        scaled = values / self.noise[:, None]
        scaled[1:] -= cho_solve_banded((self.factor, False), scaled[1:]) / self.noise[1:, None]
        return scaled

    def whiten(self, values):
        """Values turned into independent ones of variance 1: what each adds to what those before it foretold."""
        white = np.empty_like(values)
        foretold, spread = np.zeros(values.shape[1]), 0.0
        for k, noise in enumerate(self.noise):
            if k:
                spread += self.steps[k - 1]
            surprise = values[k] - foretold
            white[k] = surprise / np.sqrt(spread + noise)
            share = spread / (spread + noise)
            foretold, spread = foretold + share * surprise, spread * (1 - share)
        return white


def _fit_walk(time_hours, level, is_b, sizes):
    """Generalised least squares of a camera step over a random walk of the sky plus noise.

    Returns step, its standard error, degrees of freedom, walk variance per hour (means over all walks that the data
    allow), and the covariance of the likeliest walk for a noise of 1.
    """
    design = np.column_stack([np.ones(time_hours.size), is_b])
    noise = sizes.mean() / sizes
    freedom = level.size - 2

    def fit(log_ratio):
        covariance = _WalkAndNoise(time_hours, np.exp(log_ratio), noise)
        weighted = covariance.solve(design)
        information = design.T @ weighted
        beta = np.linalg.solve(information, weighted.T @ level)
        left = (level - design @ beta)[:, None]
        return covariance, information, beta, float(left[:, 0] @ covariance.solve(left)[:, 0])

    # Few turns hardly fix the walk, so all walks that the data allow have a say, each by its restricted likelihood.
    grid = np.linspace(-9, 9, 73)  # logarithm of walk over noise variance, per hour
    steps, errors, walks, weights = np.empty((4, grid.size))
    for k, log_ratio in enumerate(grid):
        covariance, information, beta, rest = fit(log_ratio)
        steps[k], variance = beta[1], rest / freedom
        errors[k], walks[k] = variance * np.linalg.inv(information)[1, 1], variance * np.exp(log_ratio)
        unlikeliness = freedom * np.log(rest) + covariance.log_determinant + np.linalg.slogdet(information)[1]
        weights[k] = unlikeliness - _WALK_PRIOR * log_ratio
    weights = np.exp(-0.5 * (weights - weights.min()))
    weights /= weights.sum()
    step = weights @ steps
    error = np.sqrt(weights @ (errors + (steps - step) ** 2))
    covariance = fit(grid[np.argmax(weights)])[0]
    return step, error, freedom, weights @ walks, covariance


def _permuted(covariance, level, is_b, n_permutations, rng):
    """Share of random orders of the whitened pieces in which the step is at least as large as in the true one."""
    y, one, camera = covariance.whiten(np.column_stack([level, np.ones(level.size), is_b])).T
    one = one / np.linalg.norm(one)
    y, camera = y - one * (one @ y), camera - one * (one @ camera)
    orders = np.argsort(rng.random((n_permutations, level.size)), axis=1)
    return (1 + np.sum(np.abs(y[orders] @ camera) >= abs(y @ camera) * (1 - 1e-9))) / (n_permutations + 1)


def compare(log_a, log_b, n_resamples=5000, rng=None, progress=None):
    """Compare two cameras by their logs of one night.

    When the cameras took turns, each log is cut into pieces that hardly remember each other, and a step between the
    cameras is fitted together with a random walk of the sky, so that drifting seeing cancels. When they did not (one
    stretch each, or both at the same time) the ratio is that of the two rms values, and its interval comes from the
    stationary bootstrap of both logs.

    Parameters
    ----------
    log_a, log_b : Table
        Columns time [s], ra_error, dec_error [arcsec]; cleaned by `clean_log`, on one clock.
    n_resamples : int
    rng : numpy.random.Generator, optional
        Seeded with 0 if not given.
    progress : function, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    Comparison

    Raises
    ------
    ValueError
        Fewer than 30 usable rows, constant errors, or columns missing.

    References
    ----------
    Politis & Romano 1994 (stationary bootstrap); Politis & White 2004 (block length); Patterson & Thompson 1971,
    Biometrika 58, 545 (restricted maximum likelihood); Harvey 1989, "Forecasting, structural time series models", 2.3
    (random walk plus noise).
    """
    n_resamples = as_count("n_resamples", n_resamples, minimum=100)
    if rng is not None and not isinstance(rng, np.random.Generator):
        raise TypeError(f"rng: expected a numpy.random.Generator, found {type(rng).__name__}")
    rng = np.random.default_rng(0) if rng is None else rng
    (time_a, errors_a), (time_b, errors_b) = _series("log_a", log_a), _series("log_b", log_b)
    squares = [squared_total(errors_a), squared_total(errors_b)]
    means, rms = [], []
    for index, values in enumerate(squares):
        report = None if progress is None else lambda share, index=index: progress((index + share) / 2)
        means.append(bootstrap_means(values, block_length(values), n_resamples, rng, report))
        low, high = np.sqrt(np.quantile(means[-1], [0.025, 0.975]))
        rms.append(Interval(float(np.sqrt(values.mean())), float(low), float(high)))
    counts = tuple(effective_samples(values) for values in squares)

    runs = _runs(time_a, time_b)
    blocks = (1, 1) if runs is None else (len(runs[0]), len(runs[1]))
    cautions, drift, paired = [], 0.0, False
    if min(blocks) >= 2:
        memories = [_memory(s, r) for s, r in zip(squares, runs, strict=True)]
        length = max(MIN_ROWS, int(np.ceil(_PIECE * max(memories))))
        logs = zip((time_a, time_b), squares, runs, memories, strict=True)
        cut = [_pieces(t, s, r, length, memory) for t, s, r, memory in logs]
        paired = min(part[0].size for part in cut) >= 2 and sum(part[0].size for part in cut) >= _FEWEST_PIECES
    if paired:
        hours, level, sizes = (np.concatenate([cut[0][k], cut[1][k]]) for k in range(3))
        is_b = np.repeat([0.0, 1.0], [cut[0][0].size, cut[1][0].size])
        order = np.argsort(hours)
        hours, level, sizes, is_b = hours[order] / 3600, level[order], sizes[order], is_b[order]
        step, error, freedom, walk, covariance = _fit_walk(hours, level, is_b, sizes)
        half = stats.t.ppf(0.975, freedom) * error
        ratio, interval = np.exp(step), (np.exp(step - half), np.exp(step + half))
        p_value, drift = _permuted(covariance, level, is_b, n_resamples, rng), float(np.sqrt(walk))
    else:
        logs = 0.5 * np.log(means[1] / means[0])
        ratio = rms[1].value / rms[0].value
        interval = tuple(np.exp(np.quantile(logs, [0.025, 0.975])))
        centred = logs - np.log(ratio)
        p_value = (1 + np.sum(np.abs(centred) >= abs(np.log(ratio)))) / (n_resamples + 1)
        if runs is None:
            cautions.append("The logs overlap in time, so they were compared as two separate nights.")
        else:
            cautions.append(
                "The cameras did not take turns often enough, so a changing sky is not told from a difference of "
                "cameras."
            )
    if min(counts) < 50:
        cautions.append(f"Only {min(counts):.0f} independent errors in one log: the interval itself is rough.")
    interval = (float(interval[0]), float(interval[1]))
    return Comparison(
        float(ratio),
        interval,
        counts,
        rms[0],
        rms[1],
        float(p_value),
        blocks,
        paired,
        drift,
        _conclusion(float(ratio), interval, paired or runs is None),
        tuple(cautions),
    )


def _conclusion(ratio, interval, camera_or_sky_known):
    low, high = interval
    if not camera_or_sky_known and not low <= 1 <= high:
        return (
            f"The total rms with B is {ratio:.2f} times that with A ({low:.2f} to {high:.2f}), but without turns "
            f"enough this can't "
            "tell the camera from the sky."
        )
    if high < 1:
        return f"B guides better: its total rms is {ratio:.2f} times that of A ({low:.2f} to {high:.2f})."
    if low > 1:
        return f"A guides better: the total rms of B is {ratio:.2f} times that of A ({low:.2f} to {high:.2f})."
    smallest = 100 * max(1 - low, high - 1)
    return (
        f"These logs can't tell the cameras apart: the ratio is {ratio:.2f}, but anything from {low:.2f} to "
        f"{high:.2f} fits; "
        f"a difference below {smallest:.0f} % would stay hidden."
    )


def _memory_of_squares(correlation_time_s, exposure_s):
    """Correlation length, in exposures, of squared errors whose own correlation falls as exp(-t / correlation_time)."""
    rho = np.exp(-2 * exposure_s / correlation_time_s)
    return (1 + rho) / (1 - rho)


def _power(log_ratio, exposure_s, memory, drift, block_s, pairs):
    """Chance that the 95 % interval of `compare` leaves out 1, for errors of both axes alike."""
    rows = max(1, int(block_s / exposure_s))
    pieces = max(1, rows // max(MIN_ROWS, int(np.ceil(_PIECE * memory))))
    count = 2 * pairs * pieces
    hours = (np.arange(count) + 0.5) * block_s / pieces / 3600
    design = np.column_stack([np.ones(count), np.repeat(np.arange(2 * pairs) % 2, pieces)])
    noise = np.full(count, pieces * memory / (4 * rows))
    information = design.T @ _WalkAndNoise(hours, max(drift**2, 1e-12), noise).solve(design)
    error = np.sqrt(np.linalg.inv(information)[1, 1])
    critical = stats.t.ppf(0.975, count - 2)
    shift = abs(log_ratio) / error
    if shift > critical + 8:  # certain; the noncentral t distribution is not computed that far out
        return 1.0
    return float(stats.nct.sf(critical, count - 2, shift) + stats.nct.cdf(-critical, count - 2, shift))


def _plan(ratio, correlation_time, exposure, drift, block):
    log_ratio = np.log(as_number("ratio", ratio, above=0, maximum=100))
    exposure_s = as_quantity("exposure", exposure, u.s, above=0, ndim=0).value
    memory = _memory_of_squares(
        as_quantity("correlation_time", correlation_time, u.s, above=0, ndim=0).value, exposure_s
    )
    block_s = as_quantity("block", block, u.s, above=0, ndim=0).value
    if block_s < MIN_ROWS * exposure_s:
        raise ValueError(
            f"block: expected at least {MIN_ROWS} exposures, {MIN_ROWS * exposure_s:g} s, found {block_s:g} s"
        )
    return log_ratio, exposure_s, memory, as_number("drift", drift, minimum=0, maximum=5), block_s


def plan_power(ratio, correlation_time, exposure, pairs, drift=0.2, block=5 * u.min):
    """Chance of seeing a difference between cameras that take turns.

    Parameters
    ----------
    ratio : float
        True total rms of B over A.
    correlation_time : Quantity
        After this time the correlation of the error with itself has fallen to 1/e.
    exposure : Quantity
        Time from one logged error to the next.
    pairs : int
        How often each camera has its turn, at least 2.
    drift : float
        Rms relative change of the error level that the sky makes in one hour, as a random walk.
    block : Quantity
        Length of a turn.

    Returns
    -------
    float
        Probability that `compare` finds the difference at 95 %.
    """
    log_ratio, exposure_s, memory, drift, block_s = _plan(ratio, correlation_time, exposure, drift, block)
    return _power(log_ratio, exposure_s, memory, drift, block_s, as_count("pairs", pairs, minimum=2, maximum=2000))


def minutes_needed(ratio, correlation_time, exposure, power=0.9, drift=0.2, block=5 * u.min):
    """How long two cameras must take turns until a true ratio shows.

    Parameters
    ----------
    ratio, correlation_time, exposure, drift, block
        As in `plan_power`.
    power : float
        Wanted chance of seeing the difference at 95 %.

    Returns
    -------
    Quantity
        Minutes in all, a whole number of pairs of turns, at least two pairs.

    Raises
    ------
    ValueError
        A ratio so close to 1 that 1,000 pairs would not do.
    """
    power = as_number("power", power, above=0, maximum=0.999)
    log_ratio, exposure_s, memory, drift, block_s = _plan(ratio, correlation_time, exposure, drift, block)

    def enough(pairs):
        return _power(log_ratio, exposure_s, memory, drift, block_s, pairs) >= power

    high = 2
    while not enough(high):
        high *= 2
        if high > 1000:
            raise ValueError(
                f"ratio: expected one further from 1, found {ratio:g}: 1000 pairs of turns would not show it"
            )
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return 2 * high * block_s / 60 * u.min


def simulate_night(ratio, correlation_time, exposure, pairs, rng, drift=0.2, block=5 * u.min, rms=0.7 * u.arcsec):
    """Logs of two invented cameras that take turns under a sky that drifts as a random walk.

    Parameters
    ----------
    ratio, correlation_time, exposure, pairs, drift, block
        As in `plan_power`.
    rng : numpy.random.Generator
    rms : Quantity
        Total rms of camera A at the start.

    Returns
    -------
    log_a, log_b : Table
        time [s], ra_error, dec_error [arcsec].
    """
    from astropy.table import QTable, Table
    from scipy.signal import lfilter

    log_ratio, exposure_s, _, drift, block_s = _plan(ratio, correlation_time, exposure, drift, block)
    rms = as_quantity("rms", rms, u.arcsec, above=0, ndim=0).value
    rows = int(block_s / exposure_s)
    total = 2 * as_count("pairs", pairs, minimum=1) * rows
    time = np.arange(total) * exposure_s
    rho = np.exp(-exposure_s / as_quantity("correlation_time", correlation_time, u.s).value)
    start = rng.standard_normal((1, 2)) * rho
    noise = rng.standard_normal((total, 2))
    errors = lfilter([np.sqrt(1 - rho**2)], [1, -rho], noise, axis=0, zi=start)[0]
    walk = np.cumsum(rng.standard_normal(total)) * drift * np.sqrt(exposure_s / 3600)
    is_b = np.arange(total) // rows % 2 == 1
    errors *= (rms / np.sqrt(2) * np.exp(walk + log_ratio * is_b))[:, None]
    night = Table(
        QTable({"time": time * u.s, "ra_error": errors[:, 0] * u.arcsec, "dec_error": errors[:, 1] * u.arcsec})
    )
    return night[~is_b], night[is_b]
