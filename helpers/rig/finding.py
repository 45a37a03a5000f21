"""Values of a rig that stand on no label, from what a reader can count or read off the mount."""

import astropy.units as u
import numpy as np

from helpers.shared.checks import count, quantity, takes
from helpers.shared.sky import SIDEREAL_DAY


@takes(teeth=count(minimum=10, maximum=10_000))
def worm_period(teeth):
    """Time of one turn of a mount's worm.

    Parameters
    ----------
    teeth : int
        Of the wheel that the worm drives: each turn of the worm moves it on by one tooth.

    Returns
    -------
    Quantity [s]
        One sidereal day over the number of teeth.

    Raises
    ------
    ValueError, TypeError
    """
    return SIDEREAL_DAY / teeth


_MOVED = quantity(u.arcmin, minimum=-600, maximum=600, ndim=0)


@takes(east=_MOVED, north=_MOVED, focal_length=quantity(u.mm, above=0, maximum=1e9, ndim=0))
def guide_field_place(east, north, focal_length):
    """Where the guide field lies, from how far the telescope had to turn to bring a star there.

    Parameters
    ----------
    east, north : Quantity [angle]
        By how much the telescope's place on the sky changed, after the star stood in the middle of the main picture,
        until it stood in the middle of the guide picture; east as an angle on the sky (a step in right ascension times
        the cosine of the declination).
    focal_length : Quantity [length]
        Of the main telescope.

    Returns
    -------
    position_angle : Quantity [deg]
        From the target to the guide field, from north through east, 0 to 360: the star stayed and the telescope moved,
        so it points against the movement.
    distance : Quantity [mm]
        Of the guide field's centre from the main axis, in the focal plane: focal length times the tangent.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument; also when both movements are 0.
    """
    moved = np.hypot(east, north).value
    if moved == 0:
        raise ValueError("east, north: expected a movement, found 0 and 0")
    angle = np.degrees(np.arctan2(-east.value, -north.value)) % 360
    return angle * u.deg, np.tan(np.radians(moved / 60)) * focal_length
