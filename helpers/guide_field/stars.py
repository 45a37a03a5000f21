"""Guide stars: where they stand on the sky and on the guide sensor, and how bright they reach the camera.

One frame for all rooms: places on the sky are counted east and north of the target on the tangent plane; a turn by the
position angle gives the place on the sensor.
"""

from dataclasses import dataclass
from functools import lru_cache

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord
from astropy.table import Table

from helpers.guide_field import pick_off, star_counts
from helpers.guide_field.chances import expected_stars
from helpers.guide_field.targets import default_target, meridian_passage
from helpers.rig.parts import Rig
from helpers.shared import sky
from helpers.shared.checks import (
    as_instance,
    as_number,
    as_quantity,
    count,
    instance,
    number,
    optional,
    quantity,
    takes,
)
from helpers.shared.limits import ROWS

DEFAULT_ANGLE = 60 * u.deg  # position angle of the guide field where nobody gave one: that of the demo scenario
MOST_STARS = 40  # of a middling field; fainter ones add next to nothing
_MAGNITUDES = np.linspace(star_counts.BRIGHTEST + 0.25, star_counts.FAINTEST, 44)


def _row(name, value):
    """A row of numbers, which may be empty."""
    empty = len(value) == 0 if isinstance(value, (list, tuple)) else getattr(value, "size", 1) == 0
    return np.zeros(0) if empty else as_number(name, value, ndim=1)


@dataclass(frozen=True, eq=False)
class GuideStars:
    """Stars on a guide sensor, brightest first; made by `usable_stars`, `middling_stars` or `stars_at`.

    Attributes
    ----------
    target : SkyCoord or None
        What the main camera looks at.
    offsets : Quantity [arcmin], shape (N, 2)
        East and north of the target, on the tangent plane.
    on_sensor : Quantity [mm], shape (N, 2)
        From the sensor's centre: across, and away from the target.
    magnitudes : array, shape (N,)
        Gaia G as it reaches the camera: what the pick-off keeps back makes a star fainter.
    light : array, shape (N,), optional
        Share of the star's light that passes the pick-off; 1 if not given.
    position_angle : Quantity [deg]
        From the target to the guide field, from north through east.
    """

    target: SkyCoord
    offsets: u.Quantity
    on_sensor: u.Quantity
    magnitudes: np.ndarray
    light: np.ndarray = None
    position_angle: u.Quantity = DEFAULT_ANGLE

    def __post_init__(self):
        if self.target is not None:
            object.__setattr__(self, "target", sky.as_place("target", self.target))
        magnitudes = _row("magnitudes", self.magnitudes)
        light = np.ones(magnitudes.shape) if self.light is None else _row("light", self.light)
        if light.shape != magnitudes.shape or not ((light > 0) & (light <= 1)).all():
            raise ValueError("light: expected a share above 0 and at most 1 for each star")
        object.__setattr__(self, "magnitudes", magnitudes)
        object.__setattr__(self, "light", light)
        for name, unit in (("offsets", u.arcmin), ("on_sensor", u.mm)):
            value = getattr(self, name)
            if not (isinstance(value, u.Quantity) and value.size == 0):
                value = as_quantity(name, value, unit)
            if value.shape != (len(magnitudes), 2):
                raise ValueError(
                    f"{name}: expected shape ({len(magnitudes)}, 2) for the magnitudes, found {value.shape}"
                )
            object.__setattr__(self, name, value.to(unit))

    def __len__(self):
        return len(self.magnitudes)

    def __getitem__(self, chosen):
        """Some of the stars: a slice, a list of indices or an array of truth values."""
        if np.ndim(chosen) == 0 and not isinstance(chosen, slice):
            chosen = [chosen]
        parts = (part[chosen] for part in (self.offsets, self.on_sensor, self.magnitudes, self.light))
        return GuideStars(self.target, *parts, self.position_angle)

    @property
    def catalogue_magnitudes(self):
        """Gaia G above the atmosphere and the pick-off, as a star list has it; array (N,)."""
        return self.magnitudes + 2.5 * np.log10(self.light)

    @property
    def sky_places(self):
        """Right ascension and declination; SkyCoord (N,). ValueError without target."""
        if self.target is None:
            raise ValueError("target: expected a target for places on the sky, found None")
        return sky.from_tangent_plane(*self.offsets.to_value(u.rad).T, self.target)


def some_stars(name, value):
    """Guide stars, at least one of them; a rule for `takes`."""
    stars = as_instance(name, value, GuideStars)
    if len(stars) == 0:
        raise ValueError(f"{name}: expected at least one star, found none")
    return stars


def as_angle(name, value):
    """A position angle in degrees, -360 to 720."""
    return as_quantity(name, value, "deg", minimum=-360, maximum=720, ndim=0)


def sensor_size(camera):
    """Width and height of a sensor in mm; array (2,)."""
    return np.array([camera.columns, camera.rows]) * camera.pixel_size.to_value("mm")


def sky_to_sensor(east, north, angle_deg, optics):
    """Tangent plane [rad] to mm from the sensor's centre: y away from the target, x a quarter turn from y."""
    angle, focal_mm = np.radians(angle_deg), optics.focal_length.to_value("mm")
    away = east * np.sin(angle) + north * np.cos(angle)
    across = east * np.cos(angle) - north * np.sin(angle)
    return across * focal_mm, away * focal_mm - optics.off_axis_distance.to_value("mm")


def sensor_to_sky(x_mm, y_mm, angle_deg, optics):
    """The reverse of `sky_to_sensor`."""
    angle, focal_mm = np.radians(angle_deg), optics.focal_length.to_value("mm")
    across, away = x_mm / focal_mm, (y_mm + optics.off_axis_distance.to_value("mm")) / focal_mm
    return away * np.sin(angle) + across * np.cos(angle), away * np.cos(angle) - across * np.sin(angle)


def star_columns(name, catalogue):
    """ra and dec [deg], magnitude of a star list as plain arrays; a rule for `takes`."""
    try:
        columns = (
            np.atleast_1d(u.Quantity(catalogue["ra"], "deg").value),
            np.atleast_1d(u.Quantity(catalogue["dec"], "deg").value),
            np.atleast_1d(np.asarray(catalogue["magnitude"], float)),
        )
    except (KeyError, IndexError, AttributeError, TypeError, ValueError, u.UnitConversionError) as error:
        raise ValueError(
            f"{name}: expected a table with ra, dec and magnitude as load_catalogue gives: {error}"
        ) from None
    if len({column.shape for column in columns}) > 1 or columns[0].ndim != 1:
        raise ValueError(f"{name}: expected ra, dec and magnitude of one length")
    bad = ~np.isfinite(columns).all(axis=0)
    if bad.size == 0 or bad.any():
        found = "no star" if bad.size == 0 else f"a value missing in row {int(np.flatnonzero(bad)[0]) + 1}"
        raise ValueError(f"{name}: expected stars with ra, dec and magnitude, found {found}")
    as_number(name, columns[0], ndim=1, minimum=-360, maximum=720, most_values=ROWS)
    as_number(name, columns[1], ndim=1, minimum=-90, maximum=90)
    as_number(name, columns[2], ndim=1, minimum=-1000, maximum=1000)
    return columns


def as_end(name, value):
    """One magnitude; a rule for `takes`."""
    return star_counts.magnitudes(name, value, minimum=-30, maximum=40, shape=())


def margin_mm(margin, rig):
    """The border of the sensor that is left out, in mm."""
    half = (sensor_size(rig.guide_camera).min() / 2 * u.mm / rig.guide_optics.focal_length).to_value("")
    if margin.to_value("rad") >= half:
        raise ValueError(
            f"margin: expected below half the sensor, {(half * u.rad).to(u.arcmin):.2f}, found {margin:.2f}"
        )
    return (margin.to_value("rad") * rig.guide_optics.focal_length).to_value("mm")


def usable_on_sensor(x_mm, y_mm, magnitude, rig, limiting, saturation, margin):
    """Share of the light, and whether a star counts, by the light that reaches the camera at both ends."""
    half = sensor_size(rig.guide_camera) / 2 - margin
    inside = (np.abs(x_mm) <= half[0]) & (np.abs(y_mm) <= half[1])
    fraction = np.zeros(x_mm.shape)
    fraction[inside] = pick_off.beam_share(x_mm[inside], y_mm[inside], rig.guide_optics)
    with np.errstate(divide="ignore"):
        seen = magnitude - 2.5 * np.log10(fraction)  # the magnitude that would give as much light in the full beam
    return fraction, inside & (seen <= limiting) & (seen > saturation)


MARGIN = quantity(u.arcmin, minimum=0, ndim=0)


@takes(
    catalogue=star_columns,
    target=sky.as_place,
    position_angle=as_angle,
    rig=instance(Rig),
    limiting_magnitude=as_end,
    saturation_magnitude=optional(as_end),
    margin=MARGIN,
)
def usable_stars(
    catalogue, target, position_angle, rig, limiting_magnitude, saturation_magnitude=None, margin=0 * u.arcmin
):
    """The stars of a list that fall on the guide sensor and can be used there.

    Parameters
    ----------
    catalogue : Table
        ra, dec, magnitude, as `load_catalogue` gives.
    target : SkyCoord
    position_angle : Quantity, angle
        Direction from the target to the guide field, from north through east; for a guide telescope the direction of
        the sensor's short side.
    rig : Rig
    limiting_magnitude : float
        Faintest usable star as it reaches the camera.
    saturation_magnitude : float, optional
        Brightest usable star as it reaches the camera; none is too bright if not given.
    margin : Quantity, angle
        Border of the sensor that is not counted on (pointing errors).

    Returns
    -------
    GuideStars
        Brightest in the list first; may be empty.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    ra, dec, magnitude = catalogue
    saturation = -np.inf if saturation_magnitude is None else saturation_magnitude
    optics, margin = rig.guide_optics, margin_mm(margin, rig)
    east, north = sky.tangent_plane(ra, dec, target)
    x, y = sky_to_sensor(east, north, position_angle.value, optics)
    light, usable = usable_on_sensor(x, y, magnitude, rig, limiting_magnitude, saturation, margin)
    found = Table({"magnitude": magnitude[usable], "ra": ra[usable], "dec": dec[usable]})
    order = np.flatnonzero(usable)[
        found.argsort(["magnitude", "ra", "dec"])
    ]  # stars of one magnitude too have an order
    return GuideStars(
        target=target,
        offsets=np.transpose([east[order], north[order]]) * u.rad.to(u.arcmin) * u.arcmin,
        on_sensor=np.transpose([x[order], y[order]]) * u.mm,
        magnitudes=magnitude[order] - 2.5 * np.log10(light[order]),
        light=light[order],
        position_angle=position_angle,
    )


@takes(
    rig=instance(Rig),
    offsets=quantity(u.arcmin, minimum=-5400, maximum=5400, shape=(None, 2), most_values=200_000),
    magnitudes=number(minimum=-30, maximum=40, ndim=1),
    target=optional(sky.as_place),
    position_angle=as_angle,
)
def stars_at(rig, offsets, magnitudes, target=None, position_angle=DEFAULT_ANGLE):
    """Guide stars at known places, of brightnesses as they reach the camera.

    Parameters
    ----------
    rig : Rig
    offsets : Quantity [angle], shape (N, 2)
        East and north of the target.
    magnitudes : array, shape (N,)
    target : SkyCoord, optional
    position_angle : Quantity [angle]

    Returns
    -------
    GuideStars
    """
    on_sensor = sky_to_sensor(*offsets.to_value(u.rad).T, position_angle.value, rig.guide_optics)
    return GuideStars(target, offsets, np.transpose(on_sensor) * u.mm, magnitudes, position_angle=position_angle)


@lru_cache(maxsize=64)
def _counts(optics, width_mm, height_mm, latitude_deg, longitude_deg):
    """Mean number of stars on the sensor that reach the camera brighter than each of _MAGNITUDES."""
    lit = pick_off.sensor_field(optics, width_mm * u.mm, height_mm * u.mm)
    place = latitude_deg * u.deg, longitude_deg * u.deg
    return np.maximum([expected_stars(lit, magnitude, None, *place) for magnitude in _MAGNITUDES], 1e-9)


@lru_cache(maxsize=64)
def _galactic(ra_deg, dec_deg):
    """Galactic latitude and longitude [deg] of a place in ICRS."""
    place = SkyCoord(ra_deg * u.deg, dec_deg * u.deg).galactic
    return round(place.b.deg, 3), round(place.l.deg, 3)


def _expected(rig, target):
    width, height = sensor_size(rig.guide_camera)
    return _counts(rig.guide_optics, width, height, *_galactic(target.ra.deg, target.dec.deg))


_RNG = optional(instance(np.random.Generator))


@takes(rig=instance(Rig), target=sky.as_place, rng=_RNG, fields=count(minimum=1, maximum=1_000_000))
def drawn_magnitudes(rig, target, rng=None, fields=1):
    """How bright the stars of a field are, of the middling one or of many taken at random.

    Parameters
    ----------
    rig : Rig
    target : SkyCoord
        Any place among the stars, whether it rises at the site or not.
    rng : numpy.random.Generator, optional
        Without it, the k-th star is as bright as in a middling field.
    fields : int

    Returns
    -------
    array, shape (fields, MOST_STARS)
        Gaia G as it reaches the camera, brightest first; infinite where there is no further star. A field without any
        has one of G = 17, the end of the star counts.
    """
    expected = _expected(rig, target)
    if rng is None:
        # the k-th of Poisson events comes, in half of all cases, before a mean count of k - 0.3
        counts = np.tile(np.arange(1, MOST_STARS + 1) - 0.3, (fields, 1))
    else:
        counts = np.cumsum(rng.exponential(size=(fields, MOST_STARS)), axis=1)
    magnitudes = np.where(counts < expected[-1], np.interp(np.log(counts), np.log(expected), _MAGNITUDES), np.inf)
    magnitudes[:, 0] = np.minimum(magnitudes[:, 0], _MAGNITUDES[-1])
    return magnitudes


@lru_cache(maxsize=64)
def _middling_places(optics, width_mm, height_mm):
    """Well spread places on the sensor in mm, (MOST_STARS, 2), the more of them the more light arrives there.

    The R2 sequence, multiples of powers of the plastic number (Roberts 2018, "The unreasonable effectiveness of
    quasirandom sequences"), taken as shares of the light from edge to edge: across the sensor, then along each column.
    """
    lit = pick_off.sensor_field(optics, width_mm * u.mm, height_mm * u.mm)
    shares = (0.5 + np.arange(1, MOST_STARS + 1)[:, None] * [0.7548776662466927, 0.5698402909980532]) % 1

    def at_share(share, light, length):
        edges = np.linspace(-length / 2, length / 2, light.size + 1)
        return np.interp(share, np.concatenate([[0], np.cumsum(light + 1e-9)]) / (light + 1e-9).sum(), edges)

    x = at_share(shares[:, 0], lit.fraction.sum(axis=0), width_mm)
    column = np.clip(((x / width_mm + 0.5) * lit.fraction.shape[1]).astype(int), 0, lit.fraction.shape[1] - 1)
    y = [at_share(share, lit.fraction[:, k], height_mm) for share, k in zip(shares[:, 1], column, strict=True)]
    return np.column_stack([x, y])


@takes(rig=instance(Rig), target=optional(sky.as_place), rng=_RNG, position_angle=as_angle)
def middling_stars(rig, target=None, rng=None, position_angle=DEFAULT_ANGLE):
    """The stars on the guide sensor in a field as the sky there has it on the average, usable or not.

    Parameters
    ----------
    rig : Rig
    target : SkyCoord, optional
        `default_target` if not given.
    rng : numpy.random.Generator, optional
        Draws how bright the stars are, as in a field taken at random. Without it, the k-th star is as bright as in a
        middling field.
    position_angle : Quantity [angle]
        60 degrees if not given, as in the demo scenario.

    Returns
    -------
    GuideStars
        At most 40; one star of G = 17, the end of the star counts, when there is none. Their places are well spread
        over the lit part of the sensor, and the same for all rigs with the same guide optics and sensor.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also when the target never rises at the site.
    """
    target = default_target(rig) if target is None else target
    meridian_passage(target, rig.site.latitude)  # refuses a target that never rises
    magnitudes = drawn_magnitudes(rig, target, rng)[0]
    magnitudes = magnitudes[np.isfinite(magnitudes)]
    x, y = _middling_places(rig.guide_optics, *sensor_size(rig.guide_camera))[: len(magnitudes)].T
    return GuideStars(
        target=target,
        offsets=np.transpose(sensor_to_sky(x, y, position_angle.value, rig.guide_optics))
        * u.rad.to(u.arcmin)
        * u.arcmin,
        on_sensor=np.transpose([x, y]) * u.mm,
        magnitudes=magnitudes,
        light=np.clip(pick_off.beam_share(x, y, rig.guide_optics), 1e-6, 1),
        position_angle=position_angle,
    )
