"""How long two cameras must take turns until a difference shows, and nights to try a plan on."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
import scipy  # loads its parts when they are used
from astropy.table import QTable, Table

from helpers.night_comparison import sky
from helpers.night_comparison.compare import FEWEST_TURNS
from helpers.shared.checks import count, instance, number, optional, quantity, takes
from helpers.shared.limits import NIGHT_ROWS

_MOST_TURNS = 1000
_MOST_PIECES = 500  # of a turn; more tell nothing new of it
_MOST_HOURS = 240  # of a simulated night


@dataclass(frozen=True)
class Plan:
    """A night of turns.

    Attributes
    ----------
    ratio : float
        Total rms of B over A that it is to show.
    turns : int
        Of each camera.
    minutes : Quantity [min]
        In all, from the first turn to the last.
    changing : Quantity [min]
        Of these, lost in changing cameras.
    chance : float
        Of seeing the difference at 95 %.
    """

    ratio: float
    turns: int
    minutes: u.Quantity
    changing: u.Quantity
    chance: float


@dataclass(frozen=True)
class _Turns:
    """A checked plan in plain numbers: logarithm of the ratio, seconds, relative change of the sky in an hour."""

    log_ratio: float
    memory_s: float
    exposure_s: float
    drift: float
    block_s: float
    change_s: float

    @property
    def rows(self):
        return int(self.block_s / self.exposure_s)

    @property
    def rho(self):
        # what is forgotten in a seven-hundredth of an exposure is no number any more
        return np.exp(-self.exposure_s / self.memory_s) if self.memory_s > self.exposure_s / 700 else 0.0

    @property
    def length(self):
        """Correlation length, in rows, of squared errors whose own correlation is rho^k."""
        return (1 + self.rho**2) / (1 - self.rho**2)


_COMMON = {
    "correlation_time": quantity(u.s, minimum=0, maximum=36_000, ndim=0),
    "exposure": quantity(u.s, minimum=1e-3, maximum=3600, ndim=0),
    "drift": number(minimum=0, maximum=5),
    "block": quantity(u.s, above=0, maximum=86_400, ndim=0),
    "change": quantity(u.s, minimum=0, maximum=86_400, ndim=0),
}
_RATIO, _POWER = number(minimum=0.01, maximum=100), number(above=0, maximum=0.999)
_RMS = quantity(u.arcsec, minimum=1e-6, maximum=1e6, ndim=0)


def _turns(ratio, correlation_time, exposure, drift, block, change):
    if block < sky.MIN_ROWS * exposure:
        least = sky.MIN_ROWS * exposure
        raise ValueError(f"block: expected at least {sky.MIN_ROWS} exposures, {least:g}, found {block:g}")
    lengths = (correlation_time.value, exposure.value, drift, block.value, change.value)
    return _Turns(float(np.log(ratio)), *lengths)


def _chance(turns, pairs):
    """Chance that the 95 % interval of `compare` leaves out 1, for errors of both axes alike."""
    pieces = max(1, turns.rows // max(sky.MIN_ROWS, int(np.ceil(sky.PIECE * turns.length))))
    pieces = min(pieces, _MOST_PIECES)
    count = 2 * pairs * pieces
    turn = np.repeat(np.arange(2 * pairs), pieces)
    within = (np.arange(count) % pieces + 0.5) * turns.block_s / pieces
    hours = (turn * (turns.block_s + turns.change_s) + within) / 3600
    noise = np.full(count, pieces * turns.length / (4 * turns.rows))
    error = sky.step_error(hours, turn % 2.0, noise, turns.drift**2)
    critical = sky.student_limit(count)
    shift = abs(turns.log_ratio) / error
    if shift > critical + 8:  # certain; the noncentral t distribution is not computed that far out
        return 1.0
    return min(1.0, sum(_beyond(critical, count - 2, one) for one in (shift, -shift)))


def _beyond(critical, freedom, shift):
    """Chance that a noncentral t lies above a limit; by Abramowitz & Stegun 26.7.10 where scipy gives no number."""
    exact = scipy.stats.nct.sf(critical, freedom, shift)
    if np.isfinite(exact):
        return float(exact)
    away = critical * (1 - 1 / (4 * freedom)) - shift
    return float(scipy.stats.norm.sf(away / np.sqrt(1 + critical**2 / (2 * freedom))))


def _turns_needed(turns, power, name="ratio", nothing="1"):
    high = FEWEST_TURNS
    while _chance(turns, high) < power:
        high *= 2
        if high > _MOST_TURNS:
            raise ValueError(
                f"{name}: expected one further from {nothing} (or a shorter correlation_time, a longer block), found a "
                f"ratio of {np.exp(turns.log_ratio):g}: {_MOST_TURNS} turns of each camera would not show it"
            )
    low = max(high // 2, FEWEST_TURNS - 1)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _chance(turns, middle) >= power else (middle, high)
    return high


@takes(ratio=_RATIO, power=_POWER, **_COMMON)
def minutes_needed(ratio, correlation_time, exposure, power=0.9, drift=0.2, block=5 * u.min, change=0 * u.min):
    """How long two cameras must take turns until a true ratio shows.

    Parameters
    ----------
    ratio : float
        True total rms of B over A, 0.01 to 100.
    correlation_time : Quantity
        After this time the correlation of the error with itself has fallen to 1/e; `series.memory` finds it in a log.
    exposure : Quantity
        Time from one logged error to the next.
    power : float
        Wanted chance of seeing the difference at 95 %.
    drift : float
        Rms relative change of the error level that the sky makes in one hour, as a random walk.
    block : Quantity
        Length of a turn.
    change : Quantity
        Lost at each change of cameras: taking out and in, focus, finding the stars, teaching the mount its directions
        anew.

    Returns
    -------
    Quantity
        Minutes in all, with the changes; a whole number of pairs of turns, at least three pairs.

    Raises
    ------
    ValueError
        A ratio so close to 1 that 1,000 pairs would not do, or a turn of less than 30 exposures.
    """
    turns = _turns(ratio, correlation_time, exposure, drift, block, change)
    return _minutes(turns, _turns_needed(turns, power))


def _minutes(turns, pairs):
    return (2 * pairs * turns.block_s + (2 * pairs - 1) * turns.change_s) / 60 * u.min


@takes(rms=_RMS, wanted=_RMS, power=_POWER, **_COMMON)
def plan(rms, wanted, correlation_time, exposure, power=0.9, drift=0.2, block=15 * u.min, change=10 * u.min):
    """A plan for a difference in arcsec.

    Parameters
    ----------
    rms : Quantity [angle]
        Total rms of the log with one camera.
    wanted : Quantity [angle]
        Total rms with the other that one wants to be able to see.
    correlation_time, exposure, power, drift, block, change
        As in `minutes_needed`. Turns of 15 to 20 minutes and 10 minutes for a change are common practice, no source.

    Returns
    -------
    Plan

    Raises
    ------
    ValueError
        As from `minutes_needed`.
    """
    ratio = float(wanted / rms)
    if not 0.01 <= ratio <= 100:
        raise ValueError(f"wanted: expected from {rms / 100:g} to {100 * rms:g} for that rms, found {wanted:g}")
    turns = _turns(ratio, correlation_time, exposure, drift, block, change)
    pairs = _turns_needed(turns, power, "wanted", f"the rms of {rms:g}")
    changing = (2 * pairs - 1) * turns.change_s / 60 * u.min
    return Plan(ratio, pairs, _minutes(turns, pairs), changing, _chance(turns, pairs))


@takes(ratio=_RATIO, pairs=count(minimum=2, maximum=2 * _MOST_TURNS), **_COMMON)
def chance_of_seeing(ratio, correlation_time, exposure, pairs, drift=0.2, block=5 * u.min, change=0 * u.min):
    """Chance that `compare` finds a true ratio after `pairs` turns of each camera; the rest as in `minutes_needed`."""
    return _chance(_turns(ratio, correlation_time, exposure, drift, block, change), pairs)


@takes(
    ratio=_RATIO,
    pairs=count(minimum=1, maximum=_MOST_TURNS),
    rng=instance(np.random.Generator),
    rms=_RMS,
    sky_memory=optional(quantity(u.s, minimum=1e-3, maximum=1e9, ndim=0)),
    **_COMMON,
)
def simulate_night(
    ratio,
    correlation_time,
    exposure,
    pairs,
    rng,
    drift=0.2,
    block=5 * u.min,
    rms=0.7 * u.arcsec,
    change=0 * u.min,
    sky_memory=None,
):
    """Logs of two invented cameras that take turns under a sky that drifts.

    Parameters
    ----------
    ratio, correlation_time, exposure, pairs, drift, block, change
        As in `minutes_needed`; at most 4,000,000 exposures and 240 hours in all.
    rng : numpy.random.Generator
    rms : Quantity
        Total rms of camera A at the start.
    sky_memory : Quantity [time], optional
        The level does not walk ever farther away but comes back within this time, with the same unrest from one moment
        to the next (an Ornstein-Uhlenbeck process); a random walk if not given.

    Returns
    -------
    log_a, log_b : Table
        time [s], ra_error, dec_error [arcsec].
    """
    turns = _turns(ratio, correlation_time, exposure, drift, block, change)
    between = int(np.ceil(turns.change_s / turns.exposure_s))
    total = 2 * pairs * (turns.rows + between)
    hours = total * turns.exposure_s / 3600
    if total > NIGHT_ROWS or hours > _MOST_HOURS:
        raise ValueError(
            f"pairs, block, change: expected a night of at most {NIGHT_ROWS:,} exposures and {_MOST_HOURS} hours in "
            f"all, found {total:,} exposures and {hours:.4g} hours"
        )
    time = np.arange(total) * turns.exposure_s
    rho = turns.rho
    start = rng.standard_normal((1, 2)) * rho
    noise = rng.standard_normal((total, 2))
    errors = scipy.signal.lfilter([np.sqrt(1 - rho**2)], [1, -rho], noise, axis=0, zi=start)[0]
    unrest = drift * np.sqrt(turns.exposure_s / 3600) * rng.standard_normal(total)
    back = 1.0 if sky_memory is None else np.exp(-turns.exposure_s / sky_memory.value)
    level = scipy.signal.lfilter([1.0], [1, -back], unrest)
    turn = np.arange(total) // (turns.rows + between)
    is_b, seen = turn % 2 == 1, np.arange(total) % (turns.rows + between) < turns.rows
    errors *= (rms.value / np.sqrt(2) * np.exp(level + turns.log_ratio * is_b))[:, None]
    night = Table(
        QTable({"time": time * u.s, "ra_error": errors[:, 0] * u.arcsec, "dec_error": errors[:, 1] * u.arcsec})
    )
    return night[~is_b & seen], night[is_b & seen]
