"""Recipe of the invented error logs night_log.ecsv and night_log_gaps.csv; run it from this folder to make them anew.

An error is the sum of what the air does (it remembers itself for two seconds), the noise of the measured star, and a
rest of the mount's periodic error. Camera A sees fewer stars and has more noise than camera B. The seeing grows by a
quarter in the hour.
"""

from pathlib import Path

import numpy as np
from astropy.table import Table
from astropy.time import Time, TimeDelta
from scipy.signal import lfilter

STEP_S = 1.5  # exposure and download
START = Time("2026-11-07T20:40:00", scale="utc")
AIR_ARCSEC = 0.27  # one axis, at the start
NOISE_ARCSEC = {"A": 0.38, "B": 0.10}  # one axis
STARS = {"A": (3, 5), "B": (8, 12)}
WORM_S = 480.0


def errors(rng, time_s, camera):
    """Errors (n, 2) in arcsec and number of stars (n,) for rows taken with `camera` (n,)."""
    memory = np.exp(-STEP_S / 2.0)
    air = lfilter([np.sqrt(1 - memory**2)], [1, -memory], rng.standard_normal((time_s.size, 2)), axis=0)
    seeing = 1 + 0.25 * time_s / 3600
    noise = np.where(camera == "A", NOISE_ARCSEC["A"], NOISE_ARCSEC["B"])
    total = AIR_ARCSEC * seeing[:, None] * air + noise[:, None] * rng.standard_normal((time_s.size, 2))
    total[:, 0] += 0.08 * np.sin(2 * np.pi * time_s / WORM_S)
    low, high = (np.where(camera == "A", STARS["A"][k], STARS["B"][k]) for k in (0, 1))
    return total, rng.integers(low, high + 1)


def table(time_s, camera, values, stars):
    instants = START + TimeDelta(time_s, format="sec")
    log = Table({"time": [instant[:-1] for instant in instants.isot]})  # hundredths of a second
    log["ra_error"], log["dec_error"] = np.round(values.T, 3)
    log["camera"], log["star_count"] = camera, stars
    for name in ("ra_error", "dec_error"):
        log[name].unit = "arcsec"
    return log


def alternating_night(rng):
    """A B A B, fifteen minutes each."""
    time_s = np.arange(0, 3600, STEP_S)
    camera = np.where(time_s // 900 % 2 == 0, "A", "B")
    return table(time_s, camera, *errors(rng, time_s, camera))


def troubled_night(rng):
    """Twenty minutes with camera B in which everything happens that happens in a real night."""
    time_s = np.arange(0, 1200, STEP_S)
    camera = np.full(time_s.size, "B")
    values, stars = errors(rng, time_s, camera)
    moved = (time_s >= 300) & (time_s < 330)  # the field is moved by a few arcsec; the mount settles
    values[moved] += np.array([9.0, -6.0]) * np.exp(-(time_s[moved, None] - 300) / 6)
    lost = rng.random(time_s.size) < 0.01
    cloud = (time_s >= 600) & (time_s < 690)
    values[lost | cloud], stars[lost | cloud] = np.nan, 0
    kept = ~((time_s >= 690) & (time_s < 750))  # nothing was logged until the cloud had gone
    clock = time_s - np.where(time_s >= 900, 20.0, 0.0)  # the clock is set back by 20 s
    log = table(clock, camera, values, stars)[kept]
    log["ra_error"] = ["" if np.isnan(value) else f"{value:.3f}" for value in log["ra_error"]]
    log["dec_error"] = ["" if np.isnan(value) else f"{value:.3f}" for value in log["dec_error"]]
    return log


if __name__ == "__main__":
    folder = Path(__file__).parent
    rng = np.random.default_rng(20261107)
    alternating_night(rng).write(folder / "night_log.ecsv", format="ascii.ecsv", overwrite=True)
    troubled_night(rng).write(folder / "night_log_gaps.csv", format="ascii.csv", overwrite=True)
