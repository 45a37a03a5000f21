"""What a night's log of two cameras tells the diagnosis: rms, exposures, stars used, turns."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.night_comparison.compare import compare
from helpers.night_comparison.log import as_log
from helpers.shared.checks import optional, takes


@dataclass(frozen=True)
class LogFacts:
    """What was read from a log.

    Attributes
    ----------
    cameras : tuple of str
        Names of the first and of the second camera.
    measured : tuple of (Quantity, Quantity) [arcsec]
        Total rms and its standard error of both, as `diagnose` takes them.
    known : dict
        Exposures, star counts and turns of both, as `diagnose` takes them.
    counts : tuple of (int, int)
        Fewest and most stars of both; empty where the log does not tell.
    sky_drift : float
        Relative change of the errors in an hour that the sky seems to have made.
    """

    cameras: tuple
    measured: tuple
    known: dict
    counts: tuple
    sky_drift: float


def _of_two_cameras(name, log):
    """A log that names two cameras; a rule for `takes`."""
    log = as_log(name, log)
    found = sorted(_names(log) - {""}) if "camera" in log.colnames else []
    if len(found) != 2:
        raise ValueError(f"{name}: expected rows of two cameras, found {len(found)}")
    return log


def _names(log):
    return set(np.asarray(log["camera"]).astype(str).ravel().tolist())


def _as_pair(name, value):
    """Two names."""
    if not isinstance(value, (tuple, list)) or len(value) != 2 or not all(isinstance(one, str) for one in value):
        raise TypeError(f"{name}: expected the names of two cameras, found {value!r:.60}")
    return tuple(value)


@takes(log=_of_two_cameras, cameras=optional(_as_pair))
def facts_of(log, cameras=None):
    """Read what a log tells.

    Parameters
    ----------
    log : Table
        From `night_comparison.load_log`.
    cameras : (str, str), optional
        The first and the second camera; in the order of their names if not given.

    Returns
    -------
    LogFacts
        The exposure is the usual time from one row to the next: exact where a camera exposes while it reads out.

    Raises
    ------
    ValueError
        The log does not name two cameras.
    """
    names = _names(log) - {""}
    cameras = tuple(sorted(names)) if cameras is None else cameras
    if set(cameras) != names:
        raise ValueError(f"cameras: expected {' and '.join(sorted(names))} as in the log, found {cameras!r:.60}")
    there = np.asarray(log["camera"]).astype(str)
    parts = [log[there == name] for name in cameras]
    found = compare(*parts)
    known, counts = {}, []
    for side, part, turns in zip("ab", parts, found.blocks, strict=True):
        known[f"exposure_{side}"] = round(float(np.median(np.diff(np.asarray(part["time"], float)))), 3) * u.s
        known[f"turns_{side}"] = int(turns)
        stars = _star_counts(part)
        if stars.size:
            known[f"stars_{side}"] = int(np.median(stars))
            counts.append((int(stars.min()), int(stars.max())))
    measured = tuple(_rms_and_error(interval) for interval in (found.rms_a, found.rms_b))
    return LogFacts(cameras, measured, known, tuple(counts), float(found.sky_drift))


def _star_counts(log):
    """Numbers of stars in the rows that tell one."""
    if "star_count" not in log.colnames or log["star_count"].dtype.kind not in "iu":
        return np.array([], int)
    counts = np.asarray(log["star_count"])
    return counts[counts > 0]


def _rms_and_error(interval):
    # an interval of 95 in 100 is 1.96 standard errors each way
    return interval.value * u.arcsec, (interval.high - interval.low) / (2 * 1.96) * u.arcsec
