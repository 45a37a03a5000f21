"""Recipe of the invented error logs night_log.ecsv and night_log_gaps.csv; run it from anywhere to make them anew.

The club's mount with its worm and its polar error is guided by a real loop (`simulate_loop`): one command after each
exposure, on the mean place of the guide stars, which dance in the air and are measured with noise. Camera A sees fewer
stars and has more noise than camera B. The seeing grows by a quarter in the hour. `TRUTH` holds what was put in.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.table import Table
from astropy.time import Time, TimeDelta

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from helpers import rig as rigs
from helpers import seeing
from helpers.correction_loop.loop import simulate_loop
from helpers.correction_loop.mount import mount_motion
from helpers.multi_star.averaging import simulate_motion

START = Time("2026-11-07T20:40:00", scale="utc")


@dataclass(frozen=True)
class Truth:
    """What was put into the demo night.

    Attributes
    ----------
    exposure : Quantity
        Also the distance of the rows: the camera reads out while the next exposure runs.
    gain : float
        Of the loop, both axes.
    seeing : Quantity
        FWHM at 500 nm at the start; it grows by `seeing_growth` in the hour, steadily.
    noise : dict
        Camera to the centroid noise of the mean of its stars on one axis.
    stars : dict
        Camera to the least and the largest number of stars.
    turn : Quantity
    """

    exposure: u.Quantity
    gain: float
    seeing: u.Quantity
    seeing_growth: float
    noise: dict
    stars: dict
    turn: u.Quantity


TRUTH = Truth(
    exposure=1.5 * u.s,
    gain=0.35,
    seeing=2.7 * u.arcsec,
    seeing_growth=0.25,
    noise={"A": 0.345 * u.arcsec, "B": 0.19 * u.arcsec},
    stars={"A": (3, 5), "B": (8, 12)},
    turn=15 * u.min,
)


def guided(rng, time_s, camera):
    """Logged errors (n, 2) in arcsec and number of stars (n,) for rows at even times, taken with `camera` (n,)."""
    rows = time_s.size
    club = rigs.changed(rigs.demo_rig("club"), {"site.seeing": TRUTH.seeing})
    low, high = (np.array([TRUTH.stars[name][k] for name in camera]) for k in (0, 1))
    stars = rng.integers(low, high + 1)
    places = rng.uniform(-10, 10, (max(TRUTH.stars["B"]), 2)) * u.arcmin
    above = seeing.atmosphere_for(club.site)
    dance = simulate_motion(places, club.guide_optics.aperture, above, TRUTH.exposure, rows, rng).to_value(u.arcsec)
    running = np.cumsum(dance, axis=1)
    mean = running[np.arange(rows), stars - 1] / stars[:, None]
    grown = (1 + TRUTH.seeing_growth * time_s / 3600) ** (5 / 6)  # motion by the air goes as seeing^(5/6)
    noise = np.array([TRUTH.noise[name].to_value(u.arcsec) for name in camera])
    false = grown[:, None] * mean + noise[:, None] * rng.standard_normal((rows, 2))
    mount = mount_motion(club.mount, rows, TRUTH.exposure, declination=33 * u.deg)
    loop = simulate_loop(mount - mount[0], false * u.arcsec, TRUTH.gain)
    return loop.logged.to_value(u.arcsec), stars


def table(time_s, camera, values, stars):
    instants = START + TimeDelta(time_s, format="sec")
    log = Table({"time": [instant[:-1] for instant in instants.isot]})  # hundredths of a second
    log["ra_error"], log["dec_error"] = np.round(values.T, 3)
    log["camera"], log["star_count"] = camera, stars
    for name in ("ra_error", "dec_error"):
        log[name].unit = "arcsec"
    return log


def alternating_night(rng):
    """A B A B, fifteen minutes each; the loop had settled before the first row."""
    step, lead = TRUTH.exposure.to_value(u.s), 40
    time_s = step * np.arange(-lead, 3600 / step)
    camera = np.where(np.maximum(time_s, 0) // TRUTH.turn.to_value(u.s) % 2 == 0, "A", "B")
    values, stars = guided(rng, time_s, camera)
    return table(time_s[lead:], camera[lead:], values[lead:], stars[lead:])


def troubled_night(rng):
    """Twenty minutes with camera B in which everything happens that happens in a real night."""
    step, lead = TRUTH.exposure.to_value(u.s), 40
    time_s = step * np.arange(-lead, 1200 / step)
    values, stars = guided(rng, time_s, np.full(time_s.size, "B"))
    time_s, values, stars = time_s[lead:], values[lead:], stars[lead:]
    camera = np.full(time_s.size, "B")
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


def main(folder=HERE):
    alternating_night(np.random.default_rng(20261107)).write(
        Path(folder) / "night_log.ecsv", format="ascii.ecsv", overwrite=True
    )
    troubled_night(np.random.default_rng(20261108)).write(
        Path(folder) / "night_log_gaps.csv", format="ascii.csv", overwrite=True
    )


if __name__ == "__main__":
    main()
