"""How often a night names a winner although both cameras are equal: counted on simulated nights."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
import scipy  # loads its parts when they are used

from helpers.night_comparison.compare import compare
from helpers.night_comparison.power import simulate_night
from helpers.shared.checks import count, takes
from helpers.shared.limits import RESAMPLES, RUNS

MEMORY, EXPOSURE, TURN, CHANGE, DRIFT = 2 * u.s, 1 * u.s, 15 * u.min, 10 * u.min, 0.2


@dataclass(frozen=True)
class Count:
    """Nights that named a winner, of how many simulated ones.

    Attributes
    ----------
    wrong, nights : int
    """

    wrong: int
    nights: int

    @property
    def share(self):
        return self.wrong / self.nights

    @property
    def interval(self):
        """Exact 95 % interval of the share (Clopper & Pearson 1934, Biometrika 26, 404)."""
        found = scipy.stats.binomtest(self.wrong, self.nights).proportion_ci(method="exact")
        return float(found.low), float(found.high)


# Counted by `count_false_winners` with the seeds from 0 on: turns of each camera to nights with a winner.
COUNTS = {1: Count(214, 400), 2: Count(21, 400), 3: Count(13, 400), 4: Count(11, 300), 6: Count(7, 200)}


@takes(
    turns=count(minimum=1, maximum=50),
    nights=count(minimum=1, maximum=RUNS),
    first_seed=count(maximum=2**32),
    n_resamples=count(minimum=100, maximum=RESAMPLES),
)
def count_false_winners(turns, nights, first_seed=0, n_resamples=300):
    """Simulate nights with two equal cameras, and count those whose 95 % interval leaves out 1.

    Turns of 15 min, 10 min for a change; errors of 1 s that remember 2 s; a sky that walks by 20 % in an hour.

    Parameters
    ----------
    turns : int
        Of each camera.
    nights : int
        At most 1000, which take some minutes.
    first_seed : int
        Night k uses the seed first_seed + k.
    n_resamples : int
        As in `compare`.

    Returns
    -------
    Count
    """
    wrong = 0
    for seed in range(first_seed, first_seed + nights):
        rng = np.random.default_rng(seed)
        logs = simulate_night(1.0, MEMORY, EXPOSURE, turns, rng, drift=DRIFT, block=TURN, change=CHANGE)
        low, high = compare(*logs, n_resamples=n_resamples).interval
        wrong += not low <= 1 <= high
    return Count(wrong, nights)
