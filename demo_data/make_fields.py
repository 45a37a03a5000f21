"""Recipe of the invented star lists field_*.ecsv; run it from anywhere to make them anew.

A target that does not exist, high above the plane of the Milky Way, and stars strewn at random around it as densely as
the sky is there. field_surroundings.ecsv holds all stars to G = 16.5 that any position angle of a usual pick-off can
reach; field_before_flip.ecsv and field_after_flip.ecsv hold those that fall on its guide sensor and are usable,
seven before the meridian flip and one after. The seed is the first whose sky tells
that story; `first_seed` finds it anew, in some ten minutes.
"""

import itertools
import sys
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord
from astropy.table import Table, vstack

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from helpers import guide_field, rig

TARGET = SkyCoord(188.0 * u.deg, 33.0 * u.deg)
POSITION_ANGLE = 60 * u.deg
FAINTEST = 16.5
# Usable with a margin: the story must hold for every limit between these, so for camera A as for camera B at 1 s, and
# without the outer half arcminute of the sensor.
LIMITS = (15.0, 15.6)
SEED = 19212
STORY_RADIUS = 1.0 * u.deg  # holds every guide field of the club rig
RADIUS = 2.2 * u.deg  # those of pick-offs behind telescopes down to a focal length of some 450 mm too
ORDER = ["magnitude", "ra", "dec"]


def surroundings(rng):
    """Stars at random within RADIUS of the target, as many and as bright as the sky has them there."""
    return vstack([strewn(rng, 0 * u.deg, STORY_RADIUS), strewn(rng, STORY_RADIUS, RADIUS)])


def strewn(rng, nearest, farthest):
    """Stars at random in a ring around the target."""
    nearest, farthest = (np.cos(angle.to_value("rad")) for angle in (nearest, farthest))
    place = TARGET.galactic
    limits = np.arange(6.0, FAINTEST + 0.001, 0.01)
    cumulative = guide_field.star_density(limits, place.b, place.l).value
    mean = cumulative[-1] * 2 * np.pi * (nearest - farthest) * np.degrees(1) ** 2
    number = rng.poisson(mean)
    distance = np.arccos(nearest - rng.random(number) * (nearest - farthest))
    stars = TARGET.directional_offset_by(rng.uniform(0, 360, number) * u.deg, distance * u.rad)
    magnitude = np.interp(rng.random(number) * cumulative[-1], cumulative, limits)
    # 0.1 arcsec and a hundredth of a magnitude are enough
    return Table(
        {
            "ra": np.round(stars.ra.deg, 5) * u.deg,
            "dec": np.round(stars.dec.deg, 5) * u.deg,
            "magnitude": np.round(magnitude, 2) * u.mag,
        }
    )


def fields(stars, limit, margin=0 * u.arcmin):
    """Usable stars before and after the flip."""
    club = rig.demo_rig("club")
    return [
        guide_field.usable_stars(stars, TARGET, POSITION_ANGLE + turn, club, limit, margin=margin)
        for turn in (0, 180) * u.deg
    ]


def listed(stars):
    """Guide stars as a star list, rounded as `surroundings`."""
    places = stars.sky_places
    return Table(
        {
            "ra": np.round(places.ra.deg, 5) * u.deg,
            "dec": np.round(places.dec.deg, 5) * u.deg,
            "magnitude": np.round(stars.catalogue_magnitudes, 2) * u.mag,
        }
    )


def tells_the_story(stars):
    """Whether seven stars are usable before the flip and one after it, for both ends of the limits."""
    narrow, wide = fields(stars, LIMITS[0], margin=0.5 * u.arcmin), fields(stars, LIMITS[1])
    return [len(field) for field in narrow] == [len(field) for field in wide] == [7, 1]


def first_seed():
    """The first seed that tells the story."""
    return next(
        n for n in itertools.count() if tells_the_story(strewn(np.random.default_rng(n), 0 * u.deg, STORY_RADIUS))
    )


def main(seed=SEED):
    stars = surroundings(np.random.default_rng(seed))
    wide = fields(stars, LIMITS[1])
    assert tells_the_story(stars)
    names = {"field_surroundings": stars, "field_before_flip": listed(wide[0]), "field_after_flip": listed(wide[1])}
    for name, table in names.items():
        table = table["ra", "dec", "magnitude"]
        table.sort(ORDER)  # stars of one magnitude have an order too
        table.meta["comments"] = [
            f"Invented stars around an invented target at RA {TARGET.ra.deg:.1f}, Dec {TARGET.dec.deg:.1f} degrees.",
            f"Position angle of the guide field before the flip: {POSITION_ANGLE.value:.0f} degrees.",
            f"Made by make_fields.py with seed {seed}.",
        ]
        table.write(HERE / f"{name}.ecsv", overwrite=True)
    print(f"seed {seed}: {len(stars)} stars, {len(wide[0])} before the flip, {len(wide[1])} after")


if __name__ == "__main__":
    main()
