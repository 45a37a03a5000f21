"""Map of the final FWHM over 11 exposures and 20 gains, an hour of guiding in each cell, 4 runs: run by hand.

The other side is scipy.signal.lfilter run for each gain (it can follow neither backlash nor a dead band, so both sides
are timed without as well), and our own loop run cell by cell.
"""

import time

import astropy.units as u
import numpy as np
from scipy import signal

from helpers import guide_field, rig
from helpers.correction_loop import night as guide_night
from helpers.correction_loop import settings as loop_settings

EXPOSURES = np.array([0.2, 0.4, 0.6, 0.8, 1, 1.4, 2, 2.8, 4, 5.6, 8]) * u.s
GAINS = np.linspace(0.05, 1, 20)
STARS = ([[-3, 40], [2, 42], [4, 39]] * u.arcmin, [11.0, 12.0, 13.0])


def seconds(function, times=3):
    """The quickest of several runs, and what it gave."""
    best, result = np.inf, None
    for _ in range(times):
        start = time.perf_counter()
        result = function()
        best = min(best, time.perf_counter() - start)
    return best, result


def linear_map(night):
    """The same statistics by lfilter: FWHM for each run, exposure and gain, without backlash."""
    rng = np.random.default_rng(1)
    added = np.empty((len(night.air), EXPOSURES.size, GAINS.size, 2))
    for i, (exposure, error) in enumerate(zip(EXPOSURES, night.centroid_error(EXPOSURES).value, strict=True)):
        size = round(float(exposure / night.step))
        mount = loop_settings._means(night.mount.value[0], size)
        air = loop_settings._means(np.moveaxis(night.air.value, 0, 1), size)
        target = loop_settings._means(np.moveaxis(night.target_air.value, 0, 1), size)
        noise = air + error * rng.standard_normal(air.shape)
        rows = round(180 / float(exposure.value))
        inside = loop_settings._groups(night.mount.value[0], size).var(axis=1).mean(axis=0)
        for j, gain in enumerate(GAINS):
            pointing = signal.lfilter([1, -1], [1, gain - 1], mount, axis=0)[:, None]
            pointing = pointing + signal.lfilter([0, -gain], [1, gain - 1], noise, axis=0)
            motion = loop_settings._added_motion(pointing[:, None], target[:, None], rows)[0]
            added[:, i, j] = motion + inside + night.rig.mount.jitter.value**2
    along = guide_night.final_image.add_motion(night.star_fwhm, added * u.arcsec**2, night.star_shape)
    return np.sqrt((along**2).mean(axis=-1))


def cell_by_cell(night):
    """Our own loop and final image, one cell after the other."""
    for exposure in EXPOSURES:
        for gain in GAINS:
            for run in range(len(night.air)):
                guide_night.guide(night, exposure, gain, run=run)


def main():
    club = rig.demo_rig()
    drawn, night = seconds(
        lambda: guide_night.guide_night(club, guide_field.stars_at(club, *STARS), np.random.default_rng(1)), 1
    )
    ours, _ = seconds(lambda: loop_settings.settings_map(night, EXPOSURES, GAINS, np.random.default_rng(1)))
    stiff = rig.changed(club, {"mount.backlash": 0 * u.arcsec})
    plain = guide_night.GuideNight(**(vars(night) | {"rig": stiff}))
    ours_linear, one = seconds(lambda: loop_settings.settings_map(plain, EXPOSURES, GAINS, np.random.default_rng(1)))
    library, other = seconds(lambda: linear_map(plain))
    slow, _ = seconds(lambda: cell_by_cell(night), 1)
    assert np.allclose(one.mean, other.mean(axis=0), rtol=2e-3)
    print("| what | ours | other | ratio |")
    print("| --- | --- | --- | --- |")
    print(
        f"| settings map, 220 cells x 4 runs of an hour, backlash | {ours:.2f} s | cell by cell {slow:.1f} s | "
        f"{slow / ours:.0f} |"
    )
    print(
        f"| the same without backlash | {ours_linear:.2f} s | scipy.signal.lfilter {library:.2f} s | "
        f"{library / ours_linear:.1f} |"
    )
    print(f"| air and mount for it, 4 runs of an hour in steps of 0.2 s | {drawn:.2f} s | | |")


if __name__ == "__main__":
    main()
