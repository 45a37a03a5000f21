"""A target for one rig: which stars are usable, how many to expect, and what a star list says of both sides of the
flip.
"""

from dataclasses import dataclass
from functools import lru_cache

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord

from helpers.guide_field import star_counts
from helpers.guide_field.chances import chance_on_sensor, expected_stars
from helpers.guide_field.meridian_flip import AngleSearch, search_position_angles
from helpers.guide_field.pick_off import LitField, lit_field
from helpers.guide_field.star_counts import MOST_WANTED
from helpers.guide_field.stars import DEFAULT_ANGLE, GuideStars, as_angle, usable_stars
from helpers.guide_field.targets import default_target, meridian_passage
from helpers.guide_field.usable import USABLE_ERROR, error_asked
from helpers.rig.parts import Rig
from helpers.shared import sky
from helpers.shared.checks import count, instance, number, optional, quantity, takes
from helpers.starlight.view import view_of_arrived

WANTED = 3  # usable stars wanted in a field, where nobody says how many


@dataclass(frozen=True)
class Limits:
    """Which stars count: error of the centre on one axis [arcsec], faintest and brightest as they reach the camera.

    reached: False where no star's centre is known to 0.1 arcsec, and `error` is twice the best, 0.5 arcsec at most.
    """

    error: u.Quantity
    faint: float
    bright: float
    reached: bool = True


@lru_cache(maxsize=256)
def _limits(rig, exposure_s, airmass, error, fwhm):
    seen = view_of_arrived(rig, exposure_s * u.s, airmass, fwhm=None if fwhm is None else fwhm * u.arcsec)
    bright, reached = seen.brightest(), True
    if error is None:
        best = seen.signal(bright).centroid_error.to_value(u.arcsec)
        error = float(error_asked(best))
        reached = bool(best <= USABLE_ERROR.value)
    faint = min(float(seen.faintest(error * u.arcsec)), star_counts.FAINTEST)
    return Limits(error * u.arcsec, faint, min(bright, faint), reached)


@takes(
    rig=instance(Rig),
    exposure=optional(quantity(u.s, minimum=1e-6, maximum=1e5, ndim=0)),
    airmass=number(minimum=1, maximum=40),
    error=optional(quantity(u.arcsec, above=0, ndim=0)),
    fwhm=optional(quantity(u.arcsec, above=0, ndim=0)),
)
def usable_limits(rig, exposure=None, airmass=1, error=None, fwhm=None):
    """The faintest and the brightest star that a rig can use.

    Parameters
    ----------
    rig : Rig
    exposure : Quantity [s], optional
        The rig's guide exposure if not given.
    airmass : float
    error : Quantity [arcsec], optional
        Wanted of a star's centre, one axis: 0.1 arcsec if not given; where coarse pixels let no star reach that, twice
        the best, 0.5 arcsec at most.
    fwhm : Quantity [arcsec], optional
        Width of a star; as the air and the optics draw it if not given.

    Returns
    -------
    Limits
        faint is at most 17, the end of the star counts.
    """
    exposure = rig.guiding.exposure if exposure is None else exposure
    error, fwhm = (None if value is None else value.value for value in (error, fwhm))
    return _limits(rig, exposure.value, airmass, error, fwhm)


@takes(rig=instance(Rig))
def sides(rig):
    """Fields of one night: two for a pick-off, which sees another one after the flip; one for a guide telescope."""
    return 2 if rig.guide_optics.kind == "pick-off" else 1


@dataclass(frozen=True, eq=False)
class Plan:
    """What a rig can count on at a target, from the star counts of the sky.

    target; airmass as it crosses the meridian; limits of the usable stars; field, the lit guide sensor; mean number of
    usable stars in a field; chance of at least `wanted` in one field, and all night, on both sides of the flip.
    """

    target: SkyCoord
    airmass: float
    wanted: int
    limits: Limits
    field: LitField
    mean: float
    one_field: float
    all_night: float


@takes(rig=instance(Rig), target=optional(sky.as_place), wanted=count(minimum=1, maximum=100))
def plan(rig, target=None, wanted=WANTED):
    """What a rig can count on at a target.

    Parameters
    ----------
    rig : Rig
    target : SkyCoord, optional
        `default_target` if not given.
    wanted : int
        Usable stars wanted.

    Returns
    -------
    Plan

    Raises
    ------
    ValueError, TypeError
        Also when the target never rises at the site.
    """
    target = default_target(rig) if target is None else target
    airmass = meridian_passage(target, rig.site.latitude).airmass
    limits, place = usable_limits(rig, airmass=airmass), target.galactic
    field = lit_field(rig.guide_optics, rig.guide_camera)
    ends = limits.faint, limits.bright, place.b, place.l
    one = chance_on_sensor(field, *ends, at_least=wanted)
    return Plan(target, airmass, wanted, limits, field, expected_stars(field, *ends), one, one ** sides(rig))


@dataclass(frozen=True, eq=False)
class Listed:
    """What a star list says: usable stars before and after the flip as set at present, and the search for an angle."""

    before: GuideStars
    after: GuideStars
    search: AngleSearch

    @property
    def poorer(self):
        """Usable stars on the poorer side of the flip as set at present."""
        return min(len(self.before), len(self.after))

    @property
    def best_poorer(self):
        """The same at the angle to set."""
        return int(self.search.poorer[self._at_best])

    @property
    def best_holds(self):
        """The same when the angle to set is missed by up to `search.slack`."""
        return int(self.search.holds[self._at_best])

    @property
    def _at_best(self):
        return np.argmin(np.abs(self.search.position_angle - self.search.best))

    @property
    def promise(self):
        """What the angle to set gives, in words: how many on both sides, and how many where it is missed a little."""
        said, missed = f"at least {self.best_poorer} on both sides", f"where you miss it by up to {self._slack}°"
        if self.best_holds == self.best_poorer:
            return f"{said}, even {missed}"
        return f"{said}, and {f'still {self.best_holds}' if self.best_holds else 'none'} {missed}"

    @property
    def _slack(self):
        return f"{self.search.slack.value:g}"


@takes(rig=instance(Rig), limits=instance(Limits), present=as_angle, wanted=count(minimum=1, maximum=MOST_WANTED))
def try_list(catalogue, target, rig, limits, present=DEFAULT_ANGLE, wanted=WANTED):
    """Usable stars of a list before and after the flip, as the camera stands and at every other angle.

    A border of half an arcminute, or of a fifth of a small sensor, is left out: no telescope points perfectly.

    Parameters
    ----------
    catalogue : Table
    target : SkyCoord
    rig : Rig
    limits : Limits
    present : Quantity, angle
        Position angle of the guide field.
    wanted : int
        Stars wanted on each side.

    Returns
    -------
    Listed

    Raises
    ------
    ValueError
        The list does not reach far enough: see `list_falls_short`.
    """
    camera = rig.guide_camera
    short_side = min(camera.columns, camera.rows) * camera.pixel_size / rig.guide_optics.focal_length * u.rad
    border = min(0.5 * u.arcmin, (0.1 * short_side).to(u.arcmin, u.dimensionless_angles()))
    ends = limits.faint, limits.bright
    search = search_position_angles(catalogue, target, rig, *ends, at_least=wanted, present=present, margin=border)
    both = (
        usable_stars(catalogue, target, np.mod(present + turn, 360 * u.deg), rig, *ends, margin=border)
        for turn in (0, 180) * u.deg
    )
    return Listed(*both, search)


@takes(number=count(maximum=10**9))
def usable_in_words(number):
    """Such as "1 usable star"."""
    return f"{number} usable star" + ("" if number == 1 else "s")
