"""The gains that give the same picture at each exposure, and one setting in their middle."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.correction_loop.settings import SettingsMap
from helpers.shared.checks import instance, number, quantity, takes

NOTICED = 0.03  # a star wider by less than 3 per cent is the same star


@dataclass(frozen=True)
class Band:
    """Settings whose star is within `within` of the narrowest one on a map; made by `band_of`.

    Attributes
    ----------
    exposures : Quantity [s], shape (E,)
    low, high : array, shape (E,)
        Lowest and highest gain of the longest unbroken run that gives the same picture; NaN where none does.
    exposure : Quantity [s]
        The one to set.
    gain : float
        The one to set: the middle, by ratio, of the gains at that exposure.
    within : float
    """

    exposures: u.Quantity
    low: np.ndarray
    high: np.ndarray
    exposure: u.Quantity
    gain: float
    within: float

    @property
    def at_setting(self):
        """Lowest and highest gain at the exposure to set."""
        place = int(np.argmin(np.abs(self.exposures - self.exposure)))
        return float(self.low[place]), float(self.high[place])

    def gains_at(self, exposure):
        """Lowest and highest gain at an exposure, between two of the map in proportion; None where none is good."""
        seconds, known = exposure.to_value(u.s), self.exposures.to_value(u.s)
        if not known[0] <= seconds <= known[-1]:
            return None
        low, high = (float(np.interp(np.log(seconds), np.log(known), edge)) for edge in (self.low, self.high))
        return (low, high) if np.isfinite(low + high) and low <= high else None


def _longest_run(good):
    """First and last index of the longest run of True, or None."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(int)))
    if edges.size == 0:
        return None
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    return int(starts[longest]), int(ends[longest]) - 1


@takes(found=instance(SettingsMap), exposure=quantity(u.s, above=0, ndim=0), within=number(minimum=0.001, maximum=1))
def band_of(found, exposure=1 * u.s, within=NOTICED):
    """The band of a map of settings, and what to set.

    Parameters
    ----------
    found : SettingsMap
    exposure : Quantity [time]
        In use now: it is kept where gains are as free as at the most forgiving exposure, to a fifth (by ratio).
    within : float
        Share by which a star may be wider than the narrowest one.

    Returns
    -------
    Band

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument.
    """
    good, gains = found.plateau(within), np.asarray(found.gains)
    runs = [_longest_run(row) for row in good]
    low, high = (np.array([np.nan if run is None else gains[run[k]] for run in runs]) for k in (0, 1))
    freedom = np.nan_to_num(np.log(high / low), nan=-1.0)
    nearest = int(np.argmin(np.abs(np.log(found.exposures / exposure).value)))
    chosen = nearest if freedom[nearest] >= 0.8 * freedom.max() > 0 else int(np.argmax(freedom))
    middle = float(np.sqrt(low[chosen] * high[chosen]))
    return Band(found.exposures, low, high, found.exposures[chosen], middle, within)
