"""Which stars of a list fall on the guide sensor, before and after the mount turns over at the meridian.

A pick-off sees a field beside the target. The flip turns the telescope by half a turn about the target, so the field
afterwards lies on the other side. A guide telescope looks at the target itself and keeps its field, turned.
"""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord
from astropy.table import Table

from helpers.guide_field import pick_off
from helpers.rig.rig import Rig
from helpers.shared.checks import as_count, as_quantity
from helpers.starlight.spectra import as_magnitude


@dataclass(frozen=True)
class MeridianPassage:
    """A target at its highest: altitude, airmass, the side of the zenith ("south", "north"), and what to mind."""

    altitude: u.Quantity
    airmass: float
    side: str
    note: str


@dataclass(frozen=True)
class AngleSearch:
    """Usable stars before and after the flip for each position angle of the guide field, and the angle to set.

    position_angle, before, after: shape (n,). best: the angle to set; turn: from the present angle, the shorter way,
    when the two fields may change places; frame_kept: share of the picture as framed at present that is still in the
    frame; enough: whether both fields have the wanted stars at the best angle.
    """

    position_angle: u.Quantity
    before: np.ndarray
    after: np.ndarray
    best: u.Quantity
    turn: u.Quantity
    frame_kept: float
    enough: bool


def _place(name, place):
    if not isinstance(place, SkyCoord) or not place.isscalar:
        raise TypeError(f"{name}: expected one SkyCoord, found {type(place).__name__}")
    return place.icrs


def _angle(name, value):
    return as_quantity(name, value, "deg", minimum=-360, maximum=720, ndim=0)


def _check_rig(rig):
    if not isinstance(rig, Rig):
        raise TypeError(f"rig: expected a Rig, found {type(rig).__name__}")
    return rig


def guide_field_centre(target, position_angle, optics):
    """Where a guide field is centred.

    Parameters
    ----------
    target : SkyCoord
    position_angle : Quantity, angle
        Direction from the target to the field, from north through east. At a pole north is the target's own meridian.
    optics : GuideOptics

    Returns
    -------
    SkyCoord
    """
    angle = _angle("position_angle", position_angle)
    return _place("target", target).directional_offset_by(angle, pick_off.off_axis_angle(optics))


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

    References
    ----------
    Altitude 90 deg - |latitude - declination|; airmass: Pickering 2002, DIO 12, 1, 20.
    """
    declination = _place("target", target).dec.deg
    latitude = as_quantity("latitude", latitude, "deg", minimum=-90, maximum=90, ndim=0).value
    from_zenith = abs(latitude - declination)
    altitude = 90 - from_zenith
    if altitude <= 0:
        raise ValueError(
            f"target: expected one that rises at latitude {latitude:g} deg, found declination {declination:.3f} deg, "
            f"never higher than {altitude:.1f} deg"
        )
    airmass = 1 / np.sin(np.radians(altitude + 244 / (165 + 47 * altitude**1.1)))
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
    return MeridianPassage(altitude * u.deg, max(float(airmass), 1.0), side, note)


def _tangent_plane(ra_deg, dec_deg, target):
    """Offsets from the target to the east and north on the tangent plane, in radians; NaN for the far half of the sky.

    Calabretta & Greisen 2002, A&A 395, 1077: gnomonic (TAN) projection. Differences of right ascension enter through
    sine and cosine only, so 0 h and the poles need no care.
    """
    east_of = np.radians(ra_deg - target.ra.deg)
    dec, centre = np.radians(dec_deg), target.dec.rad
    depth = np.sin(centre) * np.sin(dec) + np.cos(centre) * np.cos(dec) * np.cos(east_of)
    depth = np.where(depth > 0.1, depth, np.nan)
    east = np.cos(dec) * np.sin(east_of) / depth
    north = (np.cos(centre) * np.sin(dec) - np.sin(centre) * np.cos(dec) * np.cos(east_of)) / depth
    return east, north


def _on_sensor(east, north, angle_deg, optics):
    """Places in mm from the sensor's centre: y away from the target, x a quarter turn from y."""
    angle, focal_mm = np.radians(angle_deg), optics.focal_length.to_value("mm")
    away = east * np.sin(angle) + north * np.cos(angle)
    across = east * np.cos(angle) - north * np.sin(angle)
    return across * focal_mm, away * focal_mm - optics.off_axis_distance.to_value("mm")


def _columns(catalogue):
    try:
        table = Table(
            {
                "ra": u.Quantity(catalogue["ra"], "deg").value,
                "dec": u.Quantity(catalogue["dec"], "deg").value,
                "magnitude": np.asarray(catalogue["magnitude"], float),
            }
        )
    except (KeyError, TypeError, ValueError, u.UnitConversionError) as error:
        raise ValueError(
            f"catalogue: expected a table with ra, dec and magnitude as load_catalogue gives: {error}"
        ) from None
    bad = ~(np.isfinite(table["ra"]) & np.isfinite(table["dec"]) & np.isfinite(table["magnitude"]))
    if len(table) == 0 or bad.any():
        found = "no star" if len(table) == 0 else f"a value missing in row {int(np.flatnonzero(bad)[0]) + 1}"
        raise ValueError(f"catalogue: expected stars with ra, dec and magnitude, found {found}")
    return table


def _sensor_size(camera):
    return np.array([camera.columns, camera.rows]) * camera.pixel_size.to_value("mm")


def _usable(x_mm, y_mm, magnitude, rig, limiting, saturation, margin_mm):
    """Share of the light and whether a star counts; stars that get less light lose both at the faint and the bright
    end.
    """
    half = _sensor_size(rig.guide_camera) / 2 - margin_mm
    inside = (np.abs(x_mm) <= half[0]) & (np.abs(y_mm) <= half[1])
    fraction = np.zeros(x_mm.shape)
    fraction[inside] = pick_off.beam_share(x_mm[inside], y_mm[inside], rig.guide_optics)
    with np.errstate(divide="ignore"):
        seen = magnitude - 2.5 * np.log10(fraction)  # the magnitude that would give as much light in the full beam
    return fraction, inside & (seen <= limiting) & (seen > saturation)


def _magnitudes(limiting_magnitude, saturation_magnitude):
    limiting = as_magnitude("limiting_magnitude", limiting_magnitude, minimum=-30, maximum=40)
    if saturation_magnitude is None:
        return limiting, -np.inf
    return limiting, as_magnitude("saturation_magnitude", saturation_magnitude, minimum=-30, maximum=40)


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
        Faintest usable star in the full beam.
    saturation_magnitude : float, optional
        Brightest usable star in the full beam; none is too bright if not given.
    margin : Quantity, angle
        Border of the sensor that is not counted on (pointing errors).

    Returns
    -------
    Table
        ra, dec, magnitude, x, y [mm from the sensor's centre, y away from the target], light (share of the beam);
        brightest first; may be empty.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    stars, target = _columns(catalogue), _place("target", target)
    angle = _angle("position_angle", position_angle).value
    limiting, saturation = _magnitudes(limiting_magnitude, saturation_magnitude)
    optics = _check_rig(rig).guide_optics
    margin_mm = _margin_mm(margin, rig)
    east, north = _tangent_plane(np.asarray(stars["ra"]), np.asarray(stars["dec"]), target)
    x, y = _on_sensor(east, north, angle, optics)
    light, usable = _usable(x, y, np.asarray(stars["magnitude"]), rig, limiting, saturation, margin_mm)
    found = Table(
        {
            "ra": stars["ra"][usable] * u.deg,
            "dec": stars["dec"][usable] * u.deg,
            "magnitude": stars["magnitude"][usable] * u.mag,
            "x": x[usable] * u.mm,
            "y": y[usable] * u.mm,
            "light": light[usable],
        }
    )
    found.sort("magnitude")
    return found


def _margin_mm(margin, rig):
    half = (_sensor_size(rig.guide_camera).min() / 2 * u.mm / rig.guide_optics.focal_length).to_value("")
    margin = as_quantity("margin", margin, "arcmin", minimum=0, ndim=0)
    if margin.to_value("rad") >= half:
        raise ValueError(
            f"margin: expected below half the sensor, {(half * u.rad).to(u.arcmin):.2f}, found {margin:.2f}"
        )
    return (margin.to_value("rad") * rig.guide_optics.focal_length).to_value("mm")


def sky_offsets(catalogue, target):
    """Places of stars as seen from a target, for a chart.

    Parameters
    ----------
    catalogue : Table
    target : SkyCoord

    Returns
    -------
    Quantity, arcmin, shape (n, 2)
        To the east and to the north on the tangent plane; NaN for the far half of the sky.
    """
    stars = _columns(catalogue)
    offsets = _tangent_plane(np.asarray(stars["ra"]), np.asarray(stars["dec"]), _place("target", target))
    return np.transpose(offsets) * u.rad.to(u.arcmin) * u.arcmin


def field_outline(position_angle, rig):
    """The edge of the guide sensor on the sky, for a chart.

    Parameters
    ----------
    position_angle : Quantity, angle
    rig : Rig

    Returns
    -------
    Quantity, arcmin, shape (5, 2)
        Corners, the first again at the end: from the target to the east and to the north on the tangent plane.
    """
    angle = _angle("position_angle", position_angle).to_value("rad")
    optics, half = _check_rig(rig).guide_optics, _sensor_size(rig.guide_camera) / 2
    across = np.array([-1, 1, 1, -1, -1]) * half[0]
    away = np.array([-1, -1, 1, 1, -1]) * half[1] + optics.off_axis_distance.to_value("mm")
    east = away * np.sin(angle) + across * np.cos(angle)
    north = away * np.cos(angle) - across * np.sin(angle)
    scale = u.rad.to(u.arcmin) / optics.focal_length.to_value("mm")
    return np.transpose([east, north]) * scale * u.arcmin


def _needed_radius(rig):
    """Distance from the target of the farthest corner of the guide field, in radians on the tangent plane."""
    optics, half = rig.guide_optics, _sensor_size(rig.guide_camera) / 2
    corner = np.hypot(half[0], half[1] + optics.off_axis_distance.to_value("mm"))
    return corner / optics.focal_length.to_value("mm")


def search_radius(rig):
    """How far around a target a star list must reach to hold every guide field of a rig.

    Returns
    -------
    Quantity, arcmin
    """
    return np.arctan(_needed_radius(_check_rig(rig))) * u.rad.to(u.arcmin) * u.arcmin


def frame_kept(turn, columns, rows):
    """Share of a picture's frame that is still inside after the camera was turned about the middle.

    Parameters
    ----------
    turn : Quantity, angle
    columns, rows : int

    Returns
    -------
    float
    """
    angle = _angle("turn", turn).to_value("rad")
    width, height = as_count("columns", columns, minimum=1), as_count("rows", rows, minimum=1)
    x, y = np.meshgrid(
        (np.arange(200) + 0.5) / 200 * width - width / 2, (np.arange(200) + 0.5) / 200 * height - height / 2
    )
    turned_x, turned_y = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    return float(np.mean((np.abs(turned_x) <= width / 2) & (np.abs(turned_y) <= height / 2)))


def search_position_angles(
    catalogue,
    target,
    rig,
    limiting_magnitude,
    saturation_magnitude=None,
    at_least=1,
    present=0 * u.deg,
    step=2 * u.deg,
    margin=0.5 * u.arcmin,
):
    """Try the camera at all position angles: where are there enough stars on both sides of the flip?

    Parameters
    ----------
    catalogue, target, rig, limiting_magnitude, saturation_magnitude, margin
        As for `usable_stars`. The list must reach as far as `search_radius`.
    at_least : int
        Stars wanted on each side.
    present : Quantity, angle
        Position angle of the guide field as set now.
    step : Quantity, angle

    Returns
    -------
    AngleSearch
        Of the angles with enough stars on both sides, the one with the smallest turn; if there is none, of those with
        the most stars on the poorer side.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also when the list ends before the guide field does.
    """
    stars, target = _columns(catalogue), _place("target", target)
    optics = _check_rig(rig).guide_optics
    limiting, saturation = _magnitudes(limiting_magnitude, saturation_magnitude)
    at_least = as_count("at_least", at_least, minimum=1)
    present = _angle("present", present).value
    step = as_quantity("step", step, "deg", minimum=0.1, maximum=90, ndim=0).value
    margin_mm = _margin_mm(margin, rig)
    east, north = _tangent_plane(np.asarray(stars["ra"]), np.asarray(stars["dec"]), target)
    distance, needed = np.hypot(east, north), _needed_radius(rig)
    near = distance <= needed
    if not near.any():
        raise ValueError(
            f"catalogue: expected stars within {search_radius(rig):.0f} of the target, found none; are target and "
            f"list of "
            "one place, and right ascensions in degrees?"
        )
    if np.nanmax(distance) < 0.9 * needed:
        reach = (np.arctan(np.nanmax(distance)) * u.rad).to(u.arcmin)
        raise ValueError(
            f"catalogue: expected stars out to {search_radius(rig):.0f} from the target, found none beyond {reach:.0f}"
        )
    east, north, magnitude = east[near], north[near], np.asarray(stars["magnitude"])[near]
    half_turn = np.arange(0, 180, step)
    angles = np.concatenate([half_turn, half_turn + 180]) + present
    counts = np.empty(angles.size, int)
    for i, angle in enumerate(angles):
        x, y = _on_sensor(east, north, angle, optics)
        counts[i] = _usable(x, y, magnitude, rig, limiting, saturation, margin_mm)[1].sum()
    other_side = np.roll(counts, -half_turn.size)
    poorer = np.minimum(counts, other_side)[: half_turn.size]
    turns = (half_turn + 90) % 180 - 90  # by half a turn the two fields change places, so 90 degrees is the most
    good = poorer >= min(at_least, poorer.max())
    best = np.flatnonzero(good)[np.argmin(np.abs(turns[good]))]
    camera = rig.main_camera
    return AngleSearch(
        position_angle=np.mod(angles, 360) * u.deg,
        before=counts,
        after=other_side,
        best=np.mod(present + turns[best], 360) * u.deg,
        turn=turns[best] * u.deg,
        frame_kept=frame_kept(turns[best] * u.deg, camera.columns, camera.rows),
        enough=bool(poorer[best] >= at_least),
    )
