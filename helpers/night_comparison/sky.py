"""A step between two cameras told apart from a sky that wanders meanwhile: levels of pieces of log, fitted together."""

from dataclasses import dataclass

import numpy as np
from scipy import special
from scipy.linalg import cho_solve_banded, cholesky_banded

MIN_ROWS = 30  # fewer errors tell neither their spread nor their memory
PIECE = 8  # a piece of log this many correlation lengths long hardly remembers the piece before
# What is thought of the sky before the data speak: between flat in the logarithm of the walk (0) and flat in its rms
# (1).
_WALK_PRIOR = 0.5
_GRID = np.linspace(-9, 9, 73)  # logarithm of the walk's variance in an hour over that of a piece's level
# Student's interval is made wider by the first share, and by the second over the degrees of freedom: found by counting
# how often simulated nights with equal cameras (memories to a minute, skies that walk or come back) get a winner.
_WIDER = 0.12, 1.35
_MOST_VALUES = 60_000  # of simulated levels at a time


@dataclass(frozen=True)
class Pieces:
    """Levels of pieces of both logs, in order of time.

    Attributes
    ----------
    hours : array, shape (n,)
        Middle of each piece.
    length : array, shape (n,)
        Hours from its first to its last row.
    level : array, shape (n,)
        Logarithm of its rms.
    is_b : array, shape (n,)
        1.0 for camera B, 0.0 for A.
    independent : array, shape (n,)
        Independent errors in it.
    """

    hours: np.ndarray
    length: np.ndarray
    level: np.ndarray
    is_b: np.ndarray
    independent: np.ndarray


@dataclass(frozen=True)
class Step:
    """Logarithm of the ratio of the cameras (B over A), half of its 95 % interval, and the sky's walk (rms in "
    "an hour)."""

    value: float
    half: float
    walk: float


class _WalkAndNoise:
    """Covariance of a random walk that starts at the first of `hours`, plus independent noise, handled as bands.

    The walk's own inverse has three diagonals, so that all costs grow as the number of pieces only.
    """

    def __init__(self, hours, walk_per_hour, noise):
        self.noise = noise
        steps = walk_per_hour * np.maximum(np.diff(hours), 1e-9)
        bands = np.zeros((2, steps.size))
        bands[1] = 1 / steps + 1 / noise[1:]
        bands[1, :-1] += 1 / steps[1:]
        bands[0, 1:] = -1 / steps[1:]
        self.factor = cholesky_banded(bands)
        self.log_determinant = np.log(noise).sum() + np.log(steps).sum() + 2 * np.log(self.factor[1]).sum()

    def solve(self, values):
        """Inverse covariance times values, shape (n, columns)."""
        scaled = values / self.noise[:, None]
        scaled[1:] -= cho_solve_banded((self.factor, False), scaled[1:]) / self.noise[1:, None]
        return scaled


def _fit(hours, level, is_b, noise, grid):
    """Generalised least squares of a step over a random walk plus noise, for many nights (columns of `level`) at once.

    Few turns hardly fix the walk, so all walks of the grid have a say, each by its restricted likelihood.

    Returns
    -------
    step, error : array, shape (columns,)
    walk : array, shape (columns,)
        Variance in an hour.
    weights : array, shape (grid, columns)
    """
    design = np.column_stack([np.ones(hours.size), is_b])
    freedom = hours.size - 2
    steps, errors, walks, weights = np.empty((4, grid.size, level.shape[1]))
    for k, log_ratio in enumerate(grid):
        covariance = _WalkAndNoise(hours, np.exp(log_ratio), noise)
        weighted = covariance.solve(design)
        information = design.T @ weighted
        beta = np.linalg.solve(information, weighted.T @ level)
        left = level - design @ beta
        rest = np.maximum(np.einsum("nk,nk->k", left, covariance.solve(left)), 1e-300)
        steps[k], variance = beta[1], rest / freedom
        errors[k], walks[k] = variance * np.linalg.inv(information)[1, 1], variance * np.exp(log_ratio)
        unlikeliness = freedom * np.log(rest) + covariance.log_determinant + np.linalg.slogdet(information)[1]
        weights[k] = unlikeliness - _WALK_PRIOR * log_ratio
    weights = np.exp(-0.5 * (weights - weights.min(axis=0)))
    weights /= weights.sum(axis=0)
    step = np.einsum("gk,gk->k", weights, steps)
    error = np.sqrt(np.einsum("gk,gk->k", weights, errors + (steps - step) ** 2))
    return step, error, np.einsum("gk,gk->k", weights, walks), weights


def _equal_nights(pieces, noise, log_ratios, rng):
    """Levels of nights with equal cameras under a walking sky, shape (n, nights): means of the walk over each piece.

    The mean of a walk over a piece is its value in the middle plus what it does around it, of variance length / 12.
    """
    count = log_ratios.size
    walk = np.exp(0.5 * log_ratios)
    gaps = np.sqrt(np.concatenate([[0.0], np.maximum(np.diff(pieces.hours), 0.0)]))
    path = np.cumsum(gaps[:, None] * rng.standard_normal((gaps.size, count)), axis=0)
    around = np.sqrt(pieces.length / 12)[:, None] * rng.standard_normal((gaps.size, count))
    return walk * (path + around) + np.sqrt(noise)[:, None] * rng.standard_normal((gaps.size, count))


def student_limit(count):
    """How many standard errors of the step make the interval, for a number of pieces."""
    freedom = count - 2
    return float(special.stdtrit(freedom, 0.975) * (1 + _WIDER[0] + _WIDER[1] / freedom))


def fit_step(pieces, n_nights, rng):
    """The step between the cameras and an interval that simulated nights with equal cameras have set.

    Student's t would be a little bold: the walk is hardly known from few turns. So nights with equal cameras are drawn
    under the walks that the data allow, each is fitted in the same way, and the interval is made so wide that 95 in
    100 of them hold "no step" (but never narrower than Student's, widened by `student_limit`).

    Parameters
    ----------
    pieces : Pieces
    n_nights : int
    rng : numpy.random.Generator

    Returns
    -------
    Step
    """
    noise = pieces.independent.mean() / pieces.independent
    step, error, walk, weights = _fit(pieces.hours, pieces.level[:, None], pieces.is_b, noise, _GRID)
    n_nights = min(n_nights, max(300, _MOST_VALUES // pieces.hours.size))
    drawn = rng.choice(_GRID, n_nights, p=weights[:, 0])
    levels = _equal_nights(pieces, noise, drawn, rng)
    steps, errors, _, _ = _fit(pieces.hours, levels, pieces.is_b, noise, _GRID[::6])
    critical = max(student_limit(pieces.hours.size), float(np.quantile(np.abs(steps) / errors, 0.95)))
    return Step(float(step[0]), critical * float(error[0]), float(np.sqrt(walk[0])))


def step_error(hours, is_b, noise, walk_per_hour):
    """Standard error of the step where the sky's walk (variance in an hour) and the noise of each level are known."""
    design = np.column_stack([np.ones(hours.size), is_b])
    information = design.T @ _WalkAndNoise(hours, max(walk_per_hour, 1e-12), noise).solve(design)
    return float(np.sqrt(np.linalg.inv(information)[1, 1]))
