"""A target: where it stands at its best for a site, and one to go on with when the reader names none."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord

from helpers.rig.parts import Rig
from helpers.shared import sky
from helpers.shared.checks import instance, quantity, takes

DEMO_TARGET = SkyCoord(188.0 * u.deg, 33.0 * u.deg)  # the invented target of the demo star lists
_FROM_ZENITH = 14.0  # degrees by which the demo target passes the zenith of the demo site on the equator's side


@dataclass(frozen=True)
class MeridianPassage:
    """A target at its highest: altitude, airmass, the side of the zenith ("south", "north"), and what to mind."""

    altitude: u.Quantity
    airmass: float
    side: str
    note: str


@takes(rig=instance(Rig))
def default_target(rig):
    """A target that stands high at the site of a rig: the demo target, or one as near the zenith elsewhere on Earth.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    SkyCoord
        At the demo target's right ascension, passing the meridian 14 degrees from the zenith, towards the equator.

    Raises
    ------
    TypeError
        No Rig.
    """
    latitude = rig.site.latitude.to_value(u.deg)
    return SkyCoord(DEMO_TARGET.ra, (latitude - np.copysign(_FROM_ZENITH, latitude)) * u.deg)


@takes(target=sky.as_place, latitude=quantity(u.deg, minimum=-90, maximum=90, ndim=0))
def meridian_passage(target, latitude):
    """A target as it crosses the meridian at its highest, where a mount flips.

    Parameters
    ----------
    target : SkyCoord
    latitude : Quantity, angle
        Of the site.

    Returns
    -------
    MeridianPassage

    Raises
    ------
    ValueError
        The target never rises.
    """
    declination, latitude = target.dec.deg, latitude.value
    from_zenith = abs(latitude - declination)
    altitude = 90 - from_zenith
    if altitude <= 0:
        raise ValueError(
            f"target: expected one that rises at latitude {latitude:g} deg, found declination {declination:.3f} deg, "
            f"never higher than {altitude:.1f} deg"
        )
    side = "south" if declination < latitude else "north"
    if from_zenith < 5:
        note = (
            "Close to the zenith: the sky goes round fast in azimuth there and the tube may meet the tripod or pier; "
            "watch the flip."
        )
    elif 90 - abs(declination) < 5:
        note = (
            "Close to the pole: the mount hardly moves, but it must flip all the same, and the guide field "
            "changes sides."
        )
    elif altitude < 30:
        note = "Low even at its highest: the air takes light and steadiness."
    else:
        note = "Nothing special."
    return MeridianPassage(altitude * u.deg, sky.airmass(altitude * u.deg), side, note)
