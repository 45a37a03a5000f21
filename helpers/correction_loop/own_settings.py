"""The map of settings of a rig, with the stars that its sky holds, and the band of good ones on it.

Workbooks 07 and 10 and the report show the same band.
"""

from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers.correction_loop import band as bands
from helpers.correction_loop import night as nights
from helpers.correction_loop import settings as maps
from helpers.guide_field.stars import middling_stars, stars_at
from helpers.guide_field.targets import meridian_passage
from helpers.guide_field.usable import choose_stars
from helpers.rig.parts import Rig
from helpers.shared.checks import instance, number, optional, takes
from helpers.starlight.view import view_of_arrived

EXPOSURES = [0.5, 1, 1.5, 2, 3, 4, 6, 8] * u.s
_STEP = 0.5 * u.s
_RIG, _MAGNITUDE = instance(Rig), optional(number(minimum=-30, maximum=40))
_GAIN = number(minimum=0, maximum=2)


@takes(rig=_RIG)
def stars_in_use(rig):
    """Of the stars that the sky holds there on the average, those that the guide camera would use, best first."""
    stars = middling_stars(rig)
    airmass = meridian_passage(stars.target, rig.site.latitude).airmass
    signal = view_of_arrived(rig, airmass=airmass).signal(stars.magnitudes)
    weights, _ = choose_stars(signal.centroid_error.to_value(u.arcsec), signal.saturated, rig.guiding.stars)
    return stars[np.argsort(-weights, kind="stable")[: np.count_nonzero(weights)]]


@takes(rig=_RIG, magnitude=_MAGNITUDE)
@lru_cache(maxsize=6)
def night_of(rig, magnitude=None):
    """Sixteen minutes of a rig's night, three times with other air; with its own stars, or with one of a magnitude."""
    stars = stars_in_use(rig)
    if magnitude is not None:
        stars = stars_at(rig, stars.offsets[:1], [magnitude], stars.target)
    return nights.guide_night(rig, stars, np.random.default_rng(71), duration=16 * u.min, step=_STEP, runs=3)


@takes(rig=_RIG)
def gains_of(rig):
    """The gains of the map, evenly by ratio; with a delay of one exposure they end below 1."""
    return np.geomspace(0.05, 1 if rig.guiding.delay == 0 else 0.9, 13)


@takes(rig=_RIG, low=_GAIN, high=_GAIN)
def gains_in_words(rig, low, high):
    """A range of gains in words; either end may be only that of the map."""
    lowest, *_, highest = gains_of(rig)
    first = f"{low:.2f}, the lowest tried," if low <= lowest * 1.001 else f"{low:.2f}"
    return f"{first} to {high:.2f}" + (", the highest tried" if high >= highest * 0.999 else "")


@takes(rig=_RIG, magnitude=_MAGNITUDE)
@lru_cache(maxsize=6)
def map_of(rig, magnitude=None):
    """The star's width in the picture for each exposure and gain."""
    return maps.settings_map(night_of(rig, magnitude), EXPOSURES, gains_of(rig), np.random.default_rng(76))


@takes(rig=_RIG, magnitude=_MAGNITUDE)
def band_of(rig, magnitude=None):
    """The band of settings of a rig."""
    return bands.band_of(map_of(rig, magnitude), rig.guiding.exposure)
