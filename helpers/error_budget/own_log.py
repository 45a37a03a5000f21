"""What a night's log of two cameras tells the diagnosis: rms, exposures, stars used, turns."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.night_comparison.compare import compare


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
    names = sorted(set(log["camera"]) - {""})
    if len(names) != 2:
        raise ValueError(f"log: expected rows of two cameras, found {len(names)}")
    cameras = tuple(names) if cameras is None else tuple(cameras)
    parts = [log[log["camera"] == name] for name in cameras]
    found = compare(*parts)
    known, counts = {}, []
    for side, part, turns in zip("ab", parts, found.blocks, strict=True):
        known[f"exposure_{side}"] = round(float(np.median(np.diff(part["time"].quantity.to_value(u.s)))), 3) * u.s
        known[f"turns_{side}"] = int(turns)
        stars = np.asarray(part["star_count"])
        stars = stars[stars > 0]
        if stars.size:
            known[f"stars_{side}"] = int(np.median(stars))
            counts.append((int(stars.min()), int(stars.max())))
    measured = tuple(_rms_and_error(interval) for interval in (found.rms_a, found.rms_b))
    return LogFacts(cameras, measured, known, tuple(counts), float(found.sky_drift))


def _rms_and_error(interval):
    # an interval of 95 in 100 is 1.96 standard errors each way
    return interval.value * u.arcsec, (interval.high - interval.low) / (2 * 1.96) * u.arcsec
