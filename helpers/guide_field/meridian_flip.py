"""Which stars of a list fall on the guide sensor, before and after the mount turns over at the meridian.

A pick-off sees a field beside the target. The flip turns the telescope by half a turn about the target, so the field
afterwards lies on the other side. A guide telescope looks at the target itself and keeps its field, turned.
"""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.guide_field.star_counts import MOST_WANTED
from helpers.guide_field.stars import (
    MARGIN,
    as_angle,
    as_end,
    margin_mm,
    sensor_size,
    sensor_to_sky,
    sky_to_sensor,
    star_columns,
    usable_on_sensor,
)
from helpers.rig.parts import Rig
from helpers.shared import sky
from helpers.shared.checks import count, instance, optional, quantity, takes
from helpers.shared.limits import PLACES

SLACK = 3 * u.deg  # how far off a camera turned by hand may come to stand; common practice, no source


@dataclass(frozen=True)
class AngleSearch:
    """Usable stars before and after the flip for each position angle of the guide field, and the angle to set.

    position_angle, before, after, poorer (the smaller of the two), holds (the least of `poorer` within `slack` to
    both sides): shape (n,). best: the angle to set; turn: from the present angle, the shorter way, when the two fields
    may change places; frame_kept: share of the picture as framed at present that is still in the frame; enough: whether
    both fields have the wanted stars at the best angle.
    """

    position_angle: u.Quantity
    before: np.ndarray
    after: np.ndarray
    poorer: np.ndarray
    holds: np.ndarray
    slack: u.Quantity
    best: u.Quantity
    turn: u.Quantity
    frame_kept: float
    enough: bool


@takes(catalogue=star_columns, target=sky.as_place)
def sky_offsets(catalogue, target):
    """Places of stars as seen from a target, for a chart.

    Parameters
    ----------
    catalogue : Table
    target : SkyCoord

    Returns
    -------
    Quantity, arcmin, shape (n, 2)
        To the east and to the north on the tangent plane.

    Raises
    ------
    ValueError, TypeError
        Among them a star 90 degrees or more from the target: the plane does not hold it.
    """
    ra, dec, _ = catalogue
    offsets = sky.tangent_plane(ra, dec, target)
    far = ~np.isfinite(offsets).all(axis=0)
    if far.any():
        raise ValueError(
            f"catalogue: expected stars within 90 deg of the target, found row {int(np.flatnonzero(far)[0]) + 1} beyond"
        )
    return np.transpose(offsets) * u.rad.to(u.arcmin) * u.arcmin


@takes(position_angle=as_angle, rig=instance(Rig))
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
    angle, half = position_angle.value, sensor_size(rig.guide_camera) / 2
    x, y = np.array([-1, 1, 1, -1, -1]) * half[0], np.array([-1, -1, 1, 1, -1]) * half[1]
    return np.transpose(sensor_to_sky(x, y, angle, rig.guide_optics)) * u.rad.to(u.arcmin) * u.arcmin


def _needed_radius(rig):
    """Distance from the target of the farthest corner of the guide field, in radians on the tangent plane."""
    optics, half = rig.guide_optics, sensor_size(rig.guide_camera) / 2
    corner = np.hypot(half[0], half[1] + optics.off_axis_distance.to_value("mm"))
    return corner / optics.focal_length.to_value("mm")


@takes(rig=instance(Rig))
def search_radius(rig):
    """How far around a target a star list must reach to hold every guide field of a rig.

    Returns
    -------
    Quantity, arcmin
    """
    return np.arctan(_needed_radius(rig)) * u.rad.to(u.arcmin) * u.arcmin


@takes(catalogue=star_columns, target=sky.as_place, rig=instance(Rig))
def list_falls_short(catalogue, target, rig):
    """Why a star list can't serve a rig at a target.

    Parameters
    ----------
    catalogue : Table
    target : SkyCoord
    rig : Rig

    Returns
    -------
    str
        One sentence; empty when the list reaches as far as the guide field of the rig at any angle.
    """
    ra, dec, _ = catalogue
    return _falls_short(np.hypot(*sky.tangent_plane(ra, dec, target)), rig)


def _falls_short(distance, rig):
    distance, needed = distance[np.isfinite(distance)], _needed_radius(rig)
    if not np.any(distance <= needed):
        return (
            f"expected stars within {search_radius(rig):.0f} of the target, found none; are target and list of one "
            "place, and right ascensions in degrees?"
        )
    reach = (np.arctan(distance.max()) * u.rad).to(u.arcmin)
    if reach >= 0.9 * search_radius(rig):
        return ""
    said = f"expected stars out to {search_radius(rig):.0f} from the target, found none beyond {reach:.0f}"
    if rig.guide_optics.kind == "guide telescope":
        said += "; a guide telescope keeps its field through the flip and needs no search for an angle"
    return said


_SIDE = count(minimum=1, maximum=1_000_000)


@takes(turn=as_angle, columns=_SIDE, rows=_SIDE)
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
    angle, width, height = turn.to_value("rad"), columns, rows
    x, y = np.meshgrid(
        (np.arange(200) + 0.5) / 200 * width - width / 2, (np.arange(200) + 0.5) / 200 * height - height / 2
    )
    turned_x, turned_y = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    return float(np.mean((np.abs(turned_x) <= width / 2) & (np.abs(turned_y) <= height / 2)))


def _least_within(counts, reach):
    """The least of each count on a full circle and its neighbours, up to `reach` on both sides."""
    return np.min([np.roll(counts, k) for k in range(-reach, reach + 1)], axis=0)


@takes(
    catalogue=star_columns,
    target=sky.as_place,
    rig=instance(Rig),
    limiting_magnitude=as_end,
    saturation_magnitude=optional(as_end),
    at_least=count(minimum=1, maximum=MOST_WANTED),
    present=as_angle,
    step=quantity(u.deg, minimum=0.1, maximum=90, ndim=0),
    margin=MARGIN,
    slack=quantity(u.deg, minimum=0, maximum=45, ndim=0),
)
def search_position_angles(
    catalogue,
    target,
    rig,
    limiting_magnitude,
    saturation_magnitude=None,
    at_least=1,
    present=0 * u.deg,
    step=1 * u.deg,
    margin=0.5 * u.arcmin,
    slack=SLACK,
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
    slack : Quantity, angle
        How far off the camera may come to stand; 0 to 45 degrees.

    Returns
    -------
    AngleSearch
        The angle to set has the most stars on the poorer side when it is missed by up to `slack`; of several such the
        most at the angle itself; of these the smallest turn. Stars beyond `at_least` do not count.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also when the list ends before the guide field does.
    """
    (ra, dec, magnitude), present, step = catalogue, present.value, step.value
    saturation = -np.inf if saturation_magnitude is None else saturation_magnitude
    border = margin_mm(margin, rig)
    east, north = sky.tangent_plane(ra, dec, target)
    if said := _falls_short(np.hypot(east, north), rig):
        raise ValueError(f"catalogue: {said}")
    near = np.hypot(east, north) <= _needed_radius(rig)
    east, north, magnitude = east[near], north[near], magnitude[near]
    half_turn = np.arange(0, 180, step)
    angles = np.concatenate([half_turn, half_turn + 180]) + present
    if angles.size * magnitude.size > PLACES:
        raise ValueError(
            f"step: expected a larger one for {magnitude.size:,} stars about the target, found {step:g} deg"
        )
    counts = np.empty(angles.size, int)
    for i, angle in enumerate(angles):
        x, y = sky_to_sensor(east, north, angle, rig.guide_optics)
        counts[i] = usable_on_sensor(x, y, magnitude, rig, limiting_magnitude, saturation, border)[1].sum()
    other_side = np.roll(counts, -half_turn.size)
    fewer = np.minimum(counts, other_side)
    poorer, holds = fewer[: half_turn.size], _least_within(fewer, int(slack.value / step + 1e-9))
    turns = (half_turn + 90) % 180 - 90  # by half a turn the two fields change places, so 90 degrees is the most
    merit = np.minimum(holds[: half_turn.size], at_least) * (at_least + 1) + np.minimum(poorer, at_least)
    good = merit == merit.max()
    best = np.flatnonzero(good)[np.argmin(np.abs(turns[good]))]
    camera = rig.main_camera
    return AngleSearch(
        position_angle=np.mod(angles, 360) * u.deg,
        before=counts,
        after=other_side,
        poorer=fewer,
        holds=holds,
        slack=slack,
        best=np.mod(present + turns[best], 360) * u.deg,
        turn=turns[best] * u.deg,
        frame_kept=frame_kept(turns[best] * u.deg, camera.columns, camera.rows),
        enough=bool(poorer[best] >= at_least),
    )
