"""Both cameras in focus at once: how far the guide sensor must be from the pick-off mirror, how exactly, and whether
the mirror leaves the picture its light.
"""

from dataclasses import dataclass
from functools import lru_cache

import astropy.units as u
import numpy as np
from scipy import optimize

from helpers.guide_field.coma import width_without_corrector
from helpers.guide_field.plan import usable_limits
from helpers.rig.beam import beam_share, beam_width, checked_optics, mirror_outline
from helpers.rig.parts import GuideOptics, Rig
from helpers.shared.checks import flag, instance, number, quantity, takes
from helpers.shared.optics import FWHM_PER_SIGMA
from helpers.starlight.view import view_of_arrived
from helpers.starlight.widths import guide_star_fwhm

GLASS_INDEX = 1.52  # usual crown glass of filters and windows, in green light: from memory
WORSE = 0.25  # share by which defocus may enlarge the error of the faintest usable star (a choice made here, no source)

_length = quantity(u.mm, minimum=0, maximum=5000, ndim=0)
_defocus = quantity(u.mm, minimum=-1e9, maximum=1e9)


@dataclass(frozen=True)
class Fit:
    """Lengths in mm: `needed` from mirror to guide sensor, `present` there, and the spacer that makes them equal.

    move, from present to needed, is positive where the guide camera must go farther out. spacer may come out negative:
    then the guide camera is too far out even without one.
    """

    needed: u.Quantity
    present: u.Quantity
    spacer: u.Quantity

    @property
    def move(self):
        """needed less present."""
        return self.needed - self.present


@takes(main_distance=_length, seat_distance=_length, sensor_depth=_length, spacer=_length, glass=_length)
def fit(main_distance, seat_distance, sensor_depth, spacer=0 * u.mm, glass=0 * u.mm):
    """The spacer that brings a guide sensor as far from the pick-off mirror as the main sensor is.

    Parameters
    ----------
    main_distance : Quantity [length]
        From the middle of the mirror along the axis to the main sensor.
    seat_distance : Quantity [length]
        From the middle of the mirror to the seat of the guide camera.
    sensor_depth : Quantity [length]
        From the seat of the guide camera to its sensor.
    spacer : Quantity [length]
        Between seat and guide camera at present.
    glass : Quantity [length]
        Thickness of the filters between mirror and main sensor. They move its focus back by a third of that.

    Returns
    -------
    Fit
        Light that the mirror turns aside has the same way to the focus. Curvature of the field is left out.

    References
    ----------
    Plane-parallel plate, rays near the axis: thickness x (1 - 1 / index); Hecht, Optics, chapter 5 (from memory).
    """
    needed = main_distance - glass * (1 - 1 / GLASS_INDEX)
    if needed <= 0 * u.mm:
        raise ValueError(f"main_distance, glass: expected room for the glass, found {main_distance:g}, {glass:g}")
    return Fit(needed, seat_distance + spacer + sensor_depth, needed - seat_distance - sensor_depth)


@takes(defocus=_defocus, optics=instance(GuideOptics))
def blur_diameter(defocus, optics):
    """Diameter of the disc that a star becomes out of focus.

    Parameters
    ----------
    defocus : Quantity [length]
        From the focus, either way.
    optics : GuideOptics

    Returns
    -------
    Quantity [arcsec]
        Defocus / focal ratio, as an angle on the sky. The whole beam: what a pick-off mirror cuts off makes it smaller.

    References
    ----------
    Similar triangles: Schroeder, Astronomical Optics, 2nd ed. 2000, chapter 2.
    """
    blur = np.abs(defocus) * optics.aperture / optics.focal_length**2
    return blur.to(u.arcsec, u.dimensionless_angles())


@takes(rig=instance(Rig), defocus=_defocus)
def defocused_fwhm(rig, defocus):
    """Width of a guide star out of focus: the star in focus, and the disc (with its hole), added in squares.

    Parameters
    ----------
    rig : Rig
    defocus : Quantity [length]

    Returns
    -------
    Quantity [arcsec]
        FWHM of a round spot with that mean square width: 2 per cent below the true FWHM (of both transfer functions)
        for a disc half as wide as the star, 8 per cent for one as wide.

    References
    ----------
    A ring of light between the radii R o and R has the variance R^2 (1 + o^2) / 4 along an axis (integral).
    """
    hole = rig.guide_optics.central_obstruction
    disc = FWHM_PER_SIGMA * blur_diameter(defocus, rig.guide_optics) / 4 * np.sqrt(1 + hole**2)
    return np.hypot(guide_star_fwhm(rig), disc)


@takes(rig=instance(Rig), defocus=_defocus, corrector=flag())
def unsharpness(rig, defocus=0 * u.mm, corrector=True):
    """What coma and defocus add, in squares, to the width of a guide star.

    Parameters
    ----------
    rig : Rig
    defocus : Quantity [length]
    corrector : bool
        False for a plain reflector without coma corrector; a guide telescope looks along its axis and has no coma.

    Returns
    -------
    Quantity [arcsec]
        Coma and defocus together are added in squares: the centre's error by both comes out up to a tenth too large.
    """
    sharp = guide_star_fwhm(rig)
    comet = sharp if corrector else width_without_corrector(rig)
    return np.sqrt(np.maximum(defocused_fwhm(rig, defocus) ** 2 + comet**2 - 2 * sharp**2, 0 * u.arcsec**2))


@takes(rig=instance(Rig), defocus=quantity(u.mm, minimum=-1e9, maximum=1e9, ndim=0))
def defocused_error(rig, defocus):
    """Error of the faintest usable star's centre when the guide camera is out of focus.

    Parameters
    ----------
    rig : Rig
    defocus : Quantity [length]

    Returns
    -------
    Quantity [arcsec]
        One axis, one exposure; the star is the faintest that is usable in focus (`usable_limits`). As long as the disc
        is at most twice as wide as the star, it grows as that of the true shape does, within 3 per cent; then faster.
    """
    seen = view_of_arrived(rig, fwhm=min(defocused_fwhm(rig, defocus), 1 * u.deg))
    return seen.signal(usable_limits(rig).faint).centroid_error


@lru_cache(maxsize=64)
def _tolerance_mm(rig, worse):
    allowed = (1 + worse) * defocused_error(rig, 0 * u.mm).value

    def excess(defocus_mm):
        return defocused_error(rig, defocus_mm * u.mm).value - allowed

    # until the disc is as wide as the star, then twice as wide, ...
    wide = (guide_star_fwhm(rig) / blur_diameter(1 * u.mm, rig.guide_optics)).to_value(u.one)
    while excess(wide) < 0:
        wide *= 2
    return optimize.brentq(excess, 0, wide, rtol=1e-3, xtol=1e-6)


@takes(rig=instance(Rig), worse=number(minimum=0.01, maximum=10))
def focus_tolerance(rig, worse=WORSE):
    """How far from its focus the guide sensor may be, either way, before the error of a star's centre grows by a share.

    Parameters
    ----------
    rig : Rig
    worse : float
        Share by which the error of the faintest usable star may grow.

    Returns
    -------
    Quantity [mm]
    """
    return _tolerance_mm(rig, worse) * u.mm


@takes(rig=instance(Rig), sensor_depth=_length)
def needed_opening(rig, sensor_depth):
    """Clear opening of the guide camera's barrel at its seat, so that the whole guide sensor gets all its light.

    Parameters
    ----------
    rig : Rig
    sensor_depth : Quantity [length]
        From the seat to the sensor.

    Returns
    -------
    Quantity [mm]
        The sensor's diagonal and the width of a star's cone there.
    """
    camera, optics = rig.guide_camera, rig.guide_optics
    diagonal = np.hypot(camera.columns, camera.rows) * camera.pixel_size
    return (diagonal + sensor_depth * optics.aperture / optics.focal_length).to(u.mm)


@dataclass(frozen=True)
class Shadow:
    """What a pick-off mirror does to the picture: its share of the light at the worst place, and the room left.

    share, 0 to 1, in the middle of the long edge; clearance [mm] between mirror and the light of that edge, negative
    where the mirror stands in it; farther [mm], by which the guide field must lie farther from the axis to leave it.
    """

    share: float
    clearance: u.Quantity
    farther: u.Quantity


@takes(rig=instance(Rig))
def picture_shadow(rig):
    """Does the pick-off mirror stand in the light of the picture?

    Parameters
    ----------
    rig : Rig
        With a pick-off; its mirror lies beside the long side of the picture, and its stem comes from outside, so that
        nothing of it is nearer to the axis than the mirror's edge.

    Returns
    -------
    Shadow

    Raises
    ------
    ValueError, TypeError
        Also for a guide telescope, which has no mirror.

    References
    ----------
    What the mirror takes from a place of the picture is what would arrive at that place, were the guide sensor large
    enough to reach there: `lit_fraction`.
    """
    optics, camera = checked_optics(rig.guide_optics), rig.main_camera
    if optics.kind != "pick-off":
        raise ValueError("rig: expected one with a pick-off, found a guide telescope, which has no mirror")
    away = optics.off_axis_distance.to_value(u.mm)
    edge = min(camera.columns, camera.rows) * camera.pixel_size.to_value(u.mm) / 2
    share = float(beam_share(np.zeros(1), np.array([min(edge, away) - away]), optics)[0])
    shrink = 1 - (optics.mirror_distance / optics.focal_length).to_value(u.one)
    half = (mirror_outline(optics)[1] + beam_width(optics)).value / 2
    clearance = (away - edge) * shrink - half
    return Shadow(share, clearance * u.mm, max(-clearance / shrink, 0) * u.mm)
