"""What guiding can't repair: a mount whose axis misses the pole turns the picture about the guide star."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.pixel_scale.scale import compare_scales, pixel_scale
from helpers.rig.parts import Rig
from helpers.shared.checks import instance, optional, quantity, takes
from helpers.shared.sky import SIDEREAL_RATE

HALF_TURN = 12 * u.h  # of the sky, nearly: after it the picture turns back
_LONGEST = HALF_TURN.to_value(u.s)
_NEAREST_POLE = 85  # deg; nearer to it the first order in the polar error says too little
# Light spread evenly over a line of length 1 has this rms along the line (any table of distributions).
_RMS_OF_LINE = 1 / np.sqrt(12)

_exposure = quantity(u.s, minimum=0, maximum=_LONGEST)
_declination = quantity(u.deg, minimum=-_NEAREST_POLE, maximum=_NEAREST_POLE)
_polar_error = quantity(u.arcsec, minimum=0, maximum=36000)
_hour_angle = quantity(u.deg, minimum=-360, maximum=360)


@takes(
    "hour_angle declination polar_error pole_hour_angle",
    hour_angle=_hour_angle,
    declination=_declination,
    polar_error=_polar_error,
    pole_hour_angle=_hour_angle,
)
def rotation_rate(hour_angle, declination, polar_error, pole_hour_angle=90 * u.deg):
    """How fast the picture turns about a guide star that is held in its place.

    Parameters
    ----------
    hour_angle, declination : Quantity [angle]
        Of the guide star, hour angle positive in the west, declination -85 to 85 deg; all broadcast.
    polar_error : Quantity [angle]
        Distance of the mount's pole from the celestial pole; small.
    pole_hour_angle : Quantity [angle]
        Hour angle of the mount's pole: 0 deg is above the celestial pole, 90 deg west of it.

    Returns
    -------
    Quantity [arcsec / min]
        Of the camera's position angle, positive from north through east: polar error x sidereal rate x cos(hour angle -
        that of the mount's pole) / cos(declination).

    References
    ----------
    First order of the angle at the star between both poles (law of sines of spherical trigonometry); within 2 per cent
    at declination 80 for 12 arcmin. Its largest value is the rule of Hook 1989, J. Br. Astron. Assoc. 99, 19 (from
    memory).
    """
    towards = np.cos((hour_angle - pole_hour_angle).to_value(u.rad)) / np.cos(declination.to_value(u.rad))
    return polar_error.value * SIDEREAL_RATE.value * 60 * towards * u.arcsec / u.min


@takes(
    "exposure declination polar_error hour_angle pole_hour_angle",
    exposure=_exposure,
    declination=_declination,
    polar_error=_polar_error,
    hour_angle=optional(_hour_angle),
    pole_hour_angle=_hour_angle,
)
def picture_rotation(exposure, declination, polar_error, hour_angle=None, pole_hour_angle=90 * u.deg):
    """How far the picture turns about the guide star in one exposure.

    Parameters
    ----------
    exposure : Quantity [time]
        0 to 12 h; all broadcast.
    declination, polar_error, pole_hour_angle : Quantity [angle]
        As for `rotation_rate`.
    hour_angle : Quantity [angle], optional
        Of the guide star in the middle of the exposure; where the picture turns most if not given.

    Returns
    -------
    Quantity [arcsec]
        `rotation_rate` summed up over the exposure.
    """
    turned = 2 * np.sin(SIDEREAL_RATE.value * exposure.value / 2)
    towards = 1.0 if hour_angle is None else np.cos((hour_angle - pole_hour_angle).to_value(u.rad))
    return polar_error.value * turned * towards / np.cos(declination.to_value(u.rad)) * u.arcsec


@takes(rig=instance(Rig))
def corner_distance(rig):
    """From the guide star to the farthest corner of the picture.

    The guide star stands in the middle of the guide field: beside the long side of the picture behind a pick-off, in
    the middle of the picture with a guide telescope.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    Quantity [arcmin]
        On the tangent plane.
    """
    camera = rig.main_camera
    long, short = (n * camera.pixel_size for n in sorted((camera.columns, camera.rows), reverse=True))
    away = np.hypot(long / 2, short / 2 + rig.guide_optics.off_axis_distance)
    return (away / rig.telescope.focal_length).to(u.arcmin, u.dimensionless_angles())


@dataclass(frozen=True)
class Trail:
    """What a star in the farthest corner draws while the guide star is held.

    rotation [arcsec] of the picture, where it turns most; distance [arcmin] from the guide star; length of the trail
    [arcsec], and in pixels of the main camera [pix]; shows [arcsec], the length from which on a picture shows it.
    """

    rotation: u.Quantity
    distance: u.Quantity
    length: u.Quantity
    pixels: u.Quantity
    shows: u.Quantity


@takes(
    rig=instance(Rig),
    declination=quantity(u.deg, minimum=-_NEAREST_POLE, maximum=_NEAREST_POLE, ndim=0),
    exposure=optional(quantity(u.s, minimum=0, maximum=_LONGEST, ndim=0)),
)
def corner_trail(rig, declination, exposure=None):
    """The trail in the corner of a rig's picture.

    Parameters
    ----------
    rig : Rig
    declination : Quantity [angle]
        -85 to 85 deg.
    exposure : Quantity [time], optional
        Of the picture, at most 12 h; the rig's own if not given.

    Returns
    -------
    Trail
        It shows when its rms along itself, length / sqrt(12), is the movement that the picture notices
        (`pixel_scale.compare_scales`).
    """
    camera = rig.main_camera
    exposure = rig.guiding.picture_exposure if exposure is None else exposure
    rotation = picture_rotation(exposure, declination, rig.mount.polar_error)
    distance = corner_distance(rig)
    length = (rotation.to_value(u.rad) * distance).to(u.arcsec)
    pixels = length / pixel_scale(camera.pixel_size, rig.telescope.focal_length, camera.binning)
    return Trail(rotation, distance, length, pixels, compare_scales(rig).noticed / _RMS_OF_LINE)


@takes(rig=instance(Rig), declination=quantity(u.deg, minimum=-_NEAREST_POLE, maximum=_NEAREST_POLE, ndim=0))
def longest_exposure(rig, declination):
    """The exposure of the picture from which on its farthest corner shows the rotation, at worst.

    Parameters
    ----------
    rig : Rig
    declination : Quantity [angle]
        -85 to 85 deg.

    Returns
    -------
    Quantity [min]
        12 h where no exposure shows it.
    """
    most = corner_trail(rig, declination, HALF_TURN)
    if most.length <= most.shows:
        return HALF_TURN.to(u.min)
    half = np.sin(SIDEREAL_RATE.value * _LONGEST / 2)
    share = (most.shows / most.length).to_value(u.one)
    return (2 * np.arcsin(share * half) / SIDEREAL_RATE.value * u.s).to(u.min)
