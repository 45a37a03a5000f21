"""Times of the guide field, against astropy's coordinate classes for the same angles or against the time allowed. Run
by hand:

    python tests/benchmarks/bench_guide_field.py

Prints rows of a table: what | ours | other | ratio.
"""

import sys
import time
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord
from astropy.table import Table

sys.path.insert(0, str(Path(__file__).parents[2]))

from helpers import guide_field, rig, starlight

CLUB = rig.demo_rig("club")
TARGET = SkyCoord(188 * u.deg, 33 * u.deg)


def seconds(work, repeats=3):
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def whole_sky():
    field = guide_field.lit_field(CLUB.guide_optics, CLUB.guide_camera)
    view = starlight.view_of_arrived(CLUB)
    limits = view.faintest(0.1 * u.arcsec), view.brightest()
    sky = guide_field.sky_grid("equatorial", 1 * u.deg)
    guide_field.chance_on_sensor(field, *limits, sky.latitude, sky.longitude, at_least=3)


def stars(number):
    rng = np.random.default_rng(1)
    place = TARGET.directional_offset_by(rng.uniform(0, 360, number) * u.deg, np.sqrt(rng.random(number)) * u.deg)
    return Table({"ra": place.ra, "dec": place.dec, "magnitude": rng.uniform(8, 16, number)})


def search_with_astropy(table):
    """Counts inside the sensor for 180 angles with an offset frame each; light and margin left out, which
    favours it.
    """
    place = SkyCoord(table["ra"], table["dec"])
    for angle in np.arange(0, 360, 2) * u.deg:
        centre = TARGET.directional_offset_by(angle, guide_field.off_axis_angle(CLUB.guide_optics))
        seen = place.transform_to(centre.skyoffset_frame(rotation=angle))
        np.sum((abs(seen.lon.wrap_at(180 * u.deg)) < 6.9 * u.arcmin) & (abs(seen.lat) < 3.8 * u.arcmin))


def main():
    table = stars(2000)
    print("| what | ours | other | ratio |\n| --- | --- | --- | --- |")
    sky = seconds(whole_sky)
    print(f"| chance over the whole sky, 64,800 places | {sky:.2f} s | 2 s allowed | {2 / sky:.0f} |")
    ours = seconds(lambda: guide_field.search_position_angles(table, TARGET, CLUB, 15))
    other = seconds(lambda: search_with_astropy(table), repeats=1)
    print(
        f"| 180 position angles, 2,000 stars | {ours:.3f} s | astropy offset frames {other:.2f} s | "
        f"{other / ours:.0f} |"
    )


if __name__ == "__main__":
    main()
