"""The sky over a site: how high a star stands, how much air its light crosses, and its place beside another."""

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord

from helpers.shared.checks import quantity, takes

SIDEREAL_DAY = 86164.0905 * u.s  # mean: Explanatory Supplement to the Astronomical Almanac, 2013
SIDEREAL_RATE = 2 * np.pi * u.rad / SIDEREAL_DAY


def as_place(name, place):
    """One SkyCoord in ICRS; TypeError naming the argument otherwise."""
    if not isinstance(place, SkyCoord) or not place.isscalar:
        raise TypeError(f"{name}: expected one SkyCoord, found {type(place).__name__}")
    try:
        return place.icrs
    except Exception as error:  # frames that need a site and a time, in several ways
        raise TypeError(f"{name}: expected a place among the stars, found one in the frame '{place.name}'") from error


@takes(
    "declination latitude hour_angle",
    declination=quantity(u.deg, minimum=-90, maximum=90),
    latitude=quantity(u.deg, minimum=-90, maximum=90),
    hour_angle=quantity(u.deg, minimum=-1e6, maximum=1e6),
)
def altitude(declination, latitude, hour_angle=0 * u.deg):
    """Height above the horizon.

    Parameters
    ----------
    declination, latitude : Quantity [angle]
        -90 to 90 deg.
    hour_angle : Quantity [angle]
        0 on the meridian; broadcast with the others.

    Returns
    -------
    Quantity [deg]

    References
    ----------
    sin(altitude) = sin(latitude) sin(declination) + cos(latitude) cos(declination) cos(hour angle): law of cosines of
    spherical trigonometry.
    """
    dec, lat, hour = (angle.to_value(u.rad) for angle in (declination, latitude, hour_angle))
    # the half angles keep the last digits at the zenith
    half = np.sin((dec - lat) / 2) ** 2 + np.cos(dec) * np.cos(lat) * np.sin(hour / 2) ** 2
    return 90 * u.deg - (2 * np.arcsin(np.sqrt(np.clip(half, 0, 1))) * u.rad).to(u.deg)


@takes(altitude=quantity(u.deg, minimum=0, maximum=90))
def airmass(altitude):
    """Air that starlight crosses, against the zenith.

    Parameters
    ----------
    altitude : Quantity [angle]
        Of the star as seen, 0 to 90 deg.

    Returns
    -------
    float or ndarray
        At least 1.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Pickering 2002, DIO 12, 1, 20; within 1 per cent of 1 / sin(altitude) above 19 degrees.
    """
    height = altitude.value
    air = np.maximum(1 / np.sin(np.radians(height + 244 / (165 + 47 * height**1.1))), 1.0)
    return float(air) if np.ndim(air) == 0 else air


def tangent_plane(ra_deg, dec_deg, centre):
    """Places east and north of `centre` on the tangent plane, in radians; NaN for the far half of the sky.

    Calabretta & Greisen 2002, A&A 395, 1077: gnomonic (TAN) projection. Differences of right ascension enter through
    sine and cosine only, so 0 h and the poles need no care.
    """
    east_of = np.radians(ra_deg - centre.ra.deg)
    dec, centre_dec = np.radians(dec_deg), centre.dec.rad
    depth = np.sin(centre_dec) * np.sin(dec) + np.cos(centre_dec) * np.cos(dec) * np.cos(east_of)
    depth = np.where(depth > 0.1, depth, np.nan)
    east = np.cos(dec) * np.sin(east_of) / depth
    north = (np.cos(centre_dec) * np.sin(dec) - np.sin(centre_dec) * np.cos(dec) * np.cos(east_of)) / depth
    return east, north


def from_tangent_plane(east, north, centre):
    """The reverse of `tangent_plane`: SkyCoord of places given in radians on the tangent plane."""
    distance, angle = np.arctan(np.hypot(east, north)), np.arctan2(east, north)
    return centre.directional_offset_by(angle * u.rad, distance * u.rad)
