"""Drawings of workbook 03: the two fields of a flip and the angle to set, the light behind a pick-off mirror, the
housing of the guide camera, and the chance of enough stars.
"""

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import astropy.units as u
import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.patches import Polygon, Rectangle

from helpers import guide_field
from helpers import rig as rigs
from helpers.classroom import figures, panels
from helpers.classroom.panels import Drawing
from helpers.guide_field.own_fit import fit_of
from helpers.guide_field.plan import WANTED
from helpers.rig.beam import mirror_outline

LIST = Path(__file__).parents[2] / "demo_data" / "field_surroundings.ecsv"  # about `guide_field.DEMO_TARGET`
_LOSS = "share of the light that arrives [-]"


@lru_cache(maxsize=1)
def demo_list():
    """The invented star list about the demo target."""
    return guide_field.load_catalogue(LIST)


def with_pick_off(rig):
    """The rig, or the demo club rig in the place of one with a guide telescope, which has no mirror to draw."""
    return rig if guide_field.sides(rig) == 2 else rigs.demo_rig("club")


def list_serves(rig):
    """Whether the demo list reaches as far as the guide field of the rig."""
    return not guide_field.list_falls_short(demo_list(), guide_field.DEMO_TARGET, rig)


def shown_rig(rig):
    """The rig whose stars are counted in the demo list: the reader's, or the demo club rig where the list ends."""
    return rig if list_serves(rig) else rigs.demo_rig("club")


@lru_cache(maxsize=8)
def listed(rig):
    """The demo list with a rig's camera at the demo scenario's angle."""
    limits = guide_field.plan(rig).limits
    return guide_field.try_list(demo_list(), guide_field.DEMO_TARGET, rig, limits, wanted=WANTED)


def lost_at_the_mirror(rig):
    """Magnitudes that a star in the middle of the guide field loses there."""
    return float(-2.5 * np.log10(guide_field.lit_fraction(0 * u.mm, 0 * u.mm, rig.guide_optics)))


def _frame(camera, optics):
    """Width and height of a sensor on the sky in arcmin."""
    size = np.array([camera.columns, camera.rows]) * camera.pixel_size / optics.focal_length
    return size.to_value("") * u.rad.to(u.arcmin)


def _chart(axes, rig):
    stars = demo_list()
    bright = stars[stars["magnitude"] < guide_field.plan(rig).limits.faint - lost_at_the_mirror(rig)]
    offsets = guide_field.sky_offsets(bright, guide_field.DEMO_TARGET).value
    size = np.clip(22 - 1.5 * (bright["magnitude"].value - 6), 3, 22)
    axes.scatter(*offsets.T, s=size, color=figures.GREY, linewidths=0)
    frame = _frame(rig.main_camera, rig.telescope)
    style = {"above": None, "fontsize": 11, "va": "center"}
    figures.label_curve(axes, [0.0], [0.0], "picture", **style)
    reach = (1.4 if guide_field.sides(rig) == 2 else 1.12) * max(guide_field.search_radius(rig).value, *frame / 2)
    axes.set(xlim=(reach, -reach), ylim=(-reach, reach), aspect="equal")
    axes.grid(False)
    figures.label(axes, "east of the target [arcmin]", "north [arcmin]", "the sky, north up")


def _picture_outline(rig, position_angle):
    """Corners of the picture's frame, east and north of the target in arcmin; the mirror sits beside its long side.

    Camera and mirror turn together. A guide telescope stands on its own: its angle leaves the frame as it is.
    """
    across, away = figures.outline(*sorted(_frame(rig.main_camera, rig.telescope), reverse=True))
    angle = position_angle.to_value(u.rad) if guide_field.sides(rig) == 2 else 0.0
    return away * np.sin(angle) + across * np.cos(angle), away * np.cos(angle) - across * np.sin(angle)


def _angle_curve(axes, rig, search):
    """Stars on the poorer side against the angle; the artists that tell how many."""
    order = np.argsort(search.position_angle)
    angles, poorer = search.position_angle[order].value, search.poorer[order]
    first_half = angles <= 180  # by half a turn the two fields only change places
    counted = axes.step(angles[first_half], poorer[first_half], where="mid", color=figures.COLOURS[0])
    holds = search.holds[order][first_half]
    shading = {"color": figures.COLOURS[0], "alpha": 0.25, "linewidth": 0}
    counted.append(axes.fill_between(angles[first_half], holds, step="mid", **shading))
    axes.axhline(WANTED, color=figures.GREY, linestyle="--", linewidth=1.2)
    if guide_field.sides(rig) == 2:
        best = search.best.value % 180
        height = poorer[np.argmin(np.abs(angles - best))]
        counted += axes.plot([best], [height], "D", color=figures.COLOURS[6], markersize=9)
        text = "best" if not search.enough else "set this" if search.turn.value else "stay here"
        style = {"color": figures.COLOURS[6], "ha": "left" if best < 120 else "right"}
        counted.append(figures.label_curve(axes, [float(best)], [float(height) + 0.08], text, **style))
    axes.set(xlim=(0, 180), ylim=(0, max(poorer.max(), WANTED) + 1.5))
    axes.set_xticks(range(0, 181, 30))
    axes.yaxis.get_major_locator().set_params(integer=True)
    shade = f"filled: also {search.slack.value:g}° off"
    title = f"on the poorer side; {shade}" if guide_field.sides(rig) == 2 else "all night: the field stays"
    figures.label(axes, "position angle [deg]", "usable stars [-]", title)
    # at the end where the curve is lower, clear of it
    left = poorer[angles <= 45].max() < poorer[angles >= 135].max()
    style = {"color": figures.GREY, "fontsize": 11, "ha": "left" if left else "right"}
    figures.label_curve(axes, [2.0 if left else 178.0], [float(WANTED)], f"{WANTED} wanted", **style)
    return counted


def _beyond(corners):
    """Where the name of a field stands clear of its stars: farther out from the target; arcmin."""
    middle = corners.mean(axis=0)
    outward = middle / np.hypot(*middle)
    half = np.abs(corners - middle) @ np.abs(outward)
    # the name itself is about 20 arcmin wide and 6 high on this chart
    return tuple(middle + outward * (half.max() + 11 * abs(outward[0]) + 5 * abs(outward[1])))


def two_fields(rig):
    """Left: the sky with both guide fields. Right: stars on the poorer side against the position angle."""
    rig = shown_rig(rig)
    found, two = listed(rig), guide_field.sides(rig) == 2
    search, present = found.search, guide_field.DEFAULT_ANGLE
    figure, (sky, curve) = figures.new_figure(1, 2, width=8, height=4.2, width_ratios=[1, 1.05])
    _chart(sky, rig)
    sky.plot(*_picture_outline(rig, present), color=figures.GREY, linestyle="--", linewidth=1.4)
    (frame,) = sky.plot([0], [0], color="black", linewidth=1.2)
    counted = _angle_curve(curve, rig, search)
    edges = [sky.plot([0], [0], **figures.line_look(k), linewidth=2.4)[0] for k in (0, 6)[: 2 if two else 1]]
    style = {"above": None, "fontsize": 11, "va": "center"}
    names = [
        figures.label_curve(sky, [0.0], [0.0], text, color=figures.COLOURS[k], **style)
        for text, k in (("before" if two else "guide field", 0), ("after", 6))[: len(edges)]
    ]
    (cursor,) = curve.plot([0, 0], [0, 100], color="black", linestyle=":", linewidth=2)
    outward = 1 if two else 0
    camera = rig.main_camera

    def update(position_angle):
        frame.set_data(*_picture_outline(rig, position_angle))
        for k, edge in enumerate(edges):
            corners = guide_field.field_outline(position_angle + 180 * k * u.deg, rig).value
            edge.set_data(*corners.T)
            names[k].xy = _beyond(corners[:4]) if outward else (0, corners[:, 1].min())
        cursor.set_xdata([position_angle.value % 180] * 2)
        away = (search.position_angle - position_angle).value
        at = int(np.argmin(np.abs((away + 180) % 360 - 180)))
        before, after = int(search.before[at]), int(search.after[at])
        if not two:
            there = guide_field.usable_in_words(before)
            return f"{there} at {position_angle.value:.0f}°, before and after the flip: it is the same field."
        turn = (position_angle - present + 90 * u.deg).value % 180 - 90  # half a turn only swaps the fields
        kept = guide_field.frame_kept(turn * u.deg, camera.columns, camera.rows)
        said = f"At {position_angle.value:.0f}°: {guide_field.usable_in_words(before)} before the flip, {after} after."
        if turn:
            said += f" A turn of {turn:+.0f}° from {present.value:.0f}°; "
            said += f"{kept:.0%} of the dashed frame stays in the picture."
        return said

    alt = (
        "Left: stars, the frame of the picture, and the guide sensor's field: "
        + ("beside it before the flip, opposite after it; all turn together. " if two else "about the target. ")
        + "Right: usable stars on the poorer side against the position angle, in steps"
        + (
            f", a diamond at the angle to set; filled: how many are left up to {search.slack.value:g} degrees off."
            if two
            else "."
        )
    )
    hidden = (*edges[1:], *names[1:], *counted, cursor)
    return Drawing(figure, (frame, *edges, *names, cursor), update, alt, hidden=hidden)


def _reach(rig):
    """Most of what the side view must show: beyond the main sensor and outside the axis, in mm."""
    off = rig.guide_optics.off_axis_distance.to_value(u.mm)
    distance = rig.guide_optics.mirror_distance.to_value(u.mm)
    return max(125.0, 1.4 * distance), off + max(95.0, distance) + 8


class _SideView:
    """The light cones, the mirror and both sensors from the side, to scale."""

    def __init__(self, axes, rig):
        optics = rig.guide_optics
        self.off = optics.off_axis_distance.to_value(u.mm)
        self.slope = (optics.aperture / optics.focal_length).to_value("") / 2
        self.far, top = _reach(rig)
        main = (rig.main_camera.rows * rig.main_camera.pixel_size / 2).to_value(u.mm)
        wide = self.far * self.slope + main
        axes.add_patch(
            Polygon(
                [(-self.far, wide), (0, main), (0, -main), (-self.far, -wide)], color=figures.COLOURS[0], alpha=0.15
            )
        )
        axes.plot([0, 0], [-main, main], linewidth=5, color=figures.COLOURS[0])
        dashed = {"closed": True, "facecolor": "none", "edgecolor": figures.GREY, "linestyle": "--"}
        self.whole = axes.add_patch(Polygon([(0, 0)], **dashed))
        self.caught = axes.add_patch(Polygon([(0, 0)], closed=True, color=figures.COLOURS[1], alpha=0.6))
        (self.mirror,) = axes.plot([0, 1], [0, 1], linewidth=4, color="black")
        (self.sensor,) = axes.plot([0, 1], [0, 1], linewidth=6, color=figures.COLOURS[2])
        style = {"above": None, "fontsize": 11, "va": "center"}
        figures.label_curve(axes, [-self.far * 0.55], [0.0], "light of the picture", **style)
        self.name = figures.label_curve(axes, [0.0], [0.0], "guide sensor", ha="right", **style)
        self.mirror_name = figures.label_curve(axes, [0.0], [0.0], "mirror", ha="left", **style)
        axes.set(xlim=(-self.far, 12), ylim=(-wide, top), aspect="equal")
        figures.label(axes, "before the main sensor [mm]", "from the axis [mm]", "from the side")
        self.moving = (self.whole, self.caught, self.mirror, self.sensor, self.name, self.mirror_name)

    def move(self, mirror_mm, distance_mm, height_mm):
        half, beam, off, far = mirror_mm * 0.5**0.5 / 2, distance_mm * self.slope, self.off, self.far
        share = min(half / beam, 1) if beam > 0 else 1
        self.mirror.set_data([-distance_mm - half, -distance_mm + half], [off - half, off + half])
        self.whole.set_xy([(-far, off + far * self.slope), (0, off), (-far, off - far * self.slope)])
        reach = far * self.slope * share
        self.caught.set_xy(
            [
                (-far, off + reach),
                (-distance_mm + beam * share, off + beam * share),
                (-distance_mm, off + distance_mm),
                (-distance_mm - beam * share, off - beam * share),
                (-far, off - reach),
            ]
        )
        self.sensor.set_data([-distance_mm - height_mm / 2, -distance_mm + height_mm / 2], [off + distance_mm] * 2)
        self.mirror_name.xy = (-distance_mm + half + 3, off + half)
        self.name.xy = (-distance_mm - height_mm / 2 - 4, off + distance_mm)


def sensors(rig):
    """Names of sensors to choose from, the rig's own first, each with width and height in mm."""
    camera = rig.guide_camera
    own = tuple(n * camera.pixel_size.to_value(u.mm) for n in (camera.columns, camera.rows))
    usual = {f"{width} x {height} mm": (width, height) for width, height in guide_field.SENSOR_FORMATS.values()}
    return {f"the rig's, {own[0]:.1f} x {own[1]:.1f} mm": own} | usual


def light_of_mirror(optics):
    """All the light that the mirror sends to the guide side, whatever sensor is there, as sky with the full beam."""
    side = 2 * (optics.mirror_size + guide_field.beam_width(optics) + 1 * u.mm)
    return guide_field.sensor_field(optics, side, side, cells=64).lit_area


def mirror_and_sensor(rig):
    """Left: mirror and sensors from the side. Right: how much of a star's light each place of the sensor gets."""
    rig = with_pick_off(rig)
    optics = rig.guide_optics
    figure, (side, front) = figures.new_figure(1, 2, width=8, height=4.2, width_ratios=[1.1, 1])
    view = _SideView(side, rig)
    grid = (np.arange(64) - 31.5) / 64 * 26 * u.mm
    light = front.imshow(np.zeros((64, 64)), extent=[-13, 13, -13, 13], origin="lower", vmin=0, vmax=1)
    front.grid(False)
    bar = figure.colorbar(ScalarMappable(light.norm, light.cmap), ax=front, shrink=0.85)
    bar.set_label(_LOSS.removesuffix(" [-]"))
    (edge,) = front.plot([0], [0], color="white", linewidth=2.5)
    name = front.annotate("sensor", (0, 0), (0, 4), textcoords="offset points", color="white", ha="center")
    figures.label(front, "across [mm]", "away from the axis [mm]", "light on the guide side")

    def update(mirror_size, distance, sensor):
        now = replace(optics, mirror_size=mirror_size, mirror_distance=distance)
        view.move(mirror_size.value, distance.value, sensor[1])
        light.set_data(guide_field.lit_fraction(grid[None, :], grid[:, None], now))
        edge.set_data(*figures.outline(*sensor))
        name.xy = (0, sensor[1] / 2)
        field = guide_field.sensor_field(now, *(sensor * u.mm), cells=24)
        beam, middle = guide_field.beam_width(now), guide_field.lit_fraction(0 * u.mm, 0 * u.mm, now)
        caught = min(float(field.lit_area / light_of_mirror(now)), 1)
        area = np.pi / 4 * beam.value**2 * (1 - now.central_obstruction**2)
        ring = ", dark in its middle (the second mirror's shadow)" if now.central_obstruction else ""
        width, height = mirror_outline(now)
        return (
            f"The beam of a star is {beam.value:.1f} mm wide at the mirror{ring}: {area:.0f} mm². The mirror, "
            f"{width.value:.1f} x {height.value:.1f} mm as it leans, catches {middle * area:.0f} of them: {middle:.0%} "
            f"of the light reaches the middle. The sensor catches {caught:.0%} of the starlight that the mirror sends."
        )

    alt = (
        "Left: beside the light of the picture the cone of one guide star, wider or narrower than the small mirror "
        "that turns it up. Right: the patch of light, bright in the middle with a soft edge, and the sensor's outline."
    )
    return Drawing(figure, (*view.moving, light, edge, name), update, alt)


def mirror_controls(rig):
    """Controls of `mirror_and_sensor`."""
    rig = with_pick_off(rig)
    optics = rig.guide_optics
    return [
        panels.slider("mirror_size", "Mirror, side", 4, 16, optics.mirror_size, 0.5, u.mm),
        panels.slider("distance", "Mirror to sensor", 15, 90, optics.mirror_distance, 1, u.mm),
        panels.choice("sensor", "Sensor", sensors(rig)),
    ]


def _picture_light(axes, rig, far):
    """Main sensor and the light that reaches its edges, up to `far` mm before it; returns how wide that is there."""
    telescope = rig.telescope
    slope, shrink = (
        (telescope.aperture / telescope.focal_length / 2).to_value(""),
        1 - far / telescope.focal_length.value,
    )
    half = (min(rig.main_camera.rows, rig.main_camera.columns) * rig.main_camera.pixel_size / 2).to_value(u.mm)
    wide = half * shrink + far * slope
    light = [(-far, wide), (0, half), (0, -half), (-far, -wide)]
    axes.add_patch(Polygon(light, color=figures.COLOURS[0], alpha=0.15))
    axes.plot([0, 0], [-half, half], linewidth=5, color=figures.COLOURS[0])
    return wide


def _guide_side(axes, rig, answers):
    """Mirror, light, seat, spacer and guide camera over the middle of the mirror, to scale; names beside them."""
    optics, found = rig.guide_optics, fit_of(answers)
    at, focus, sensor = -answers["main"], found.needed.value, found.present.value
    middle = optics.off_axis_distance.value * (1 - answers["main"] / optics.focal_length.value)
    tilted = guide_field.mirror_outline(optics)[1].value / 2
    cone = min(tilted, answers["main"] * (optics.aperture / optics.focal_length).value / 2)
    axes.plot([at - tilted, at + tilted], [middle - tilted, middle + tilted], linewidth=4, color="black")
    light = [(at - cone, middle - cone), (at + cone, middle + cone), (at, middle + focus)]
    axes.add_patch(Polygon(light, color=figures.COLOURS[1], alpha=0.6))
    seat, spacer, radius = middle + answers["seat"], answers["spacer"], 16
    look = {"facecolor": "none", "edgecolor": figures.GREY, "linewidth": 1.4}
    axes.add_patch(Rectangle((at - radius, seat), 2 * radius, spacer, **(look | {"facecolor": "#dddddd"})))
    axes.add_patch(Rectangle((at - radius, seat + spacer), 2 * radius, answers["depth"] + 14, **look))
    half = (min(rig.guide_camera.rows, rig.guide_camera.columns) * rig.guide_camera.pixel_size / 2).to_value(u.mm)
    axes.plot([at - half, at + half], [middle + sensor] * 2, linewidth=6, color=figures.COLOURS[2])
    axes.plot([at - radius, at + radius], [middle + focus] * 2, "--", color=figures.COLOURS[6], linewidth=2)
    style = {"above": None, "fontsize": 11, "va": "center", "ha": "left"}
    for beside, height, name, colour in (
        (radius, sensor, "guide sensor", figures.COLOURS[2]),
        (radius, answers["seat"] + spacer / 2, "spacer on the seat" if spacer else "seat", "black"),
        (tilted, tilted, "mirror", "black"),
    ):
        figures.label_curve(axes, [at + beside + 2], [middle + height], name, color=colour, **style)
    style |= {"ha": "right", "color": figures.COLOURS[6]}
    figures.label_curve(axes, [at - radius - 2], [middle + focus], "focus", **style)
    return middle + max(focus, answers["seat"] + spacer + answers["depth"] + 14) + 4


def said_to_fit(said):
    """Whether the answer of the form on the housing says that both cameras are sharp at once."""
    return "It fits" in said


def housing(rig, answers=None, fold=""):
    """Mirror, both sensors, seat and spacer from the side, to scale, and in words what must change.

    `answers` are those of the form `guide_field.fit_fields`, the invented ones if not given. The demo club rig stands
    in for one with a guide telescope.
    """
    whose = "Invented lengths" if guide_field.sides(rig) == 2 else "The demo club rig, invented lengths"
    rig, invented = with_pick_off(rig), answers is None
    answers = guide_field.demo_housing(rig) if invented else answers
    said = guide_field.fit_reply(rig)(answers)
    if invented:
        moved = " of a housing before it is set; all counts of this page take stars as sharp"
        said = f"{whose}{'' if said_to_fit(said) else moved}. {said}"
    figure, axes = figures.new_figure(width=7.4, height=4.2)
    far = answers["main"] + 36
    wide = _picture_light(axes, rig, far)
    top = _guide_side(axes, rig, answers)
    if answers["glass"]:
        axes.add_patch(Rectangle((-14 - answers["glass"], -wide), answers["glass"], 2 * wide, color=figures.COLOURS[5]))
        style = {"above": None, "fontsize": 11, "va": "top"}
        figures.label_curve(axes, [-14.0 - answers["glass"] / 2], [-wide - 1], "filter", **style)
    style = {"above": None, "fontsize": 11, "va": "center", "ha": "left"}
    figures.label_curve(axes, [-far + 3], [0.0], "light of the picture", **style)
    figures.label_curve(axes, [3.0], [0.0], "main sensor", **style)
    axes.set(xlim=(-far, 45), ylim=(-wide - 9, top), aspect="equal")
    figures.label(axes, "before the main sensor [mm]", "from the axis [mm]", "from the side, to scale")
    alt = (
        "The light of the picture runs to the main sensor; above it a small mirror sends a cone of light up to a "
        "point, the dashed focus. The guide sensor lies " + ("on that line." if said_to_fit(said) else "off that line.")
    )
    return figures.show(figure, alt, said, fold)


def try_housing(rig):
    """What the form on the housing answers: a function of its answers; with a drawing for a pick-off."""
    if guide_field.sides(rig) == 1:
        return guide_field.fit_reply(rig)
    return lambda answers: housing(rig, answers)


def chance_controls(rig):
    """Controls of `chance_of_enough`; a guide telescope has no mirror to change."""
    optics, exposure = rig.guide_optics, rig.guiding.exposure
    controls = [
        panels.slider("at_least", "Stars wanted", 1, 10, WANTED),
        panels.slider("exposure", "Guide exposure", 0.2, 8.0, exposure, unit=u.s, logarithmic=True),
    ]
    if guide_field.sides(rig) == 2:
        controls.append(panels.slider("mirror_size", "Mirror, side", 4, 16, optics.mirror_size, 0.5, u.mm))
    return controls


class ChanceByDistance:
    """The chance of enough usable stars in one field, against the distance [deg] from the plane of the Milky Way.

    At the galactic longitude of the target and on its side of the plane; the last of all is the target's own.
    """

    def __init__(self, rig):
        self.rig, self.plan = rig, guide_field.plan(rig, wanted=WANTED)
        self.place = self.plan.target.galactic
        self.distance = np.append(np.linspace(0, 90, 46), abs(self.place.b.deg))

    def at(self, at_least=WANTED, exposure=None, mirror_size=None):
        """Limits of the usable stars, and the chances; where nothing is given, with what the rig has."""
        limits = guide_field.usable_limits(self.rig, exposure, self.plan.airmass, self.plan.limits.error)
        optics = self.rig.guide_optics
        optics = optics if mirror_size is None else replace(optics, mirror_size=mirror_size)
        field = guide_field.lit_field(optics, self.rig.guide_camera)
        places = np.copysign(self.distance, self.place.b.deg) * u.deg
        return limits, guide_field.chance_on_sensor(field, limits.faint, limits.bright, places, self.place.l, at_least)


def chance_of_enough(rig):
    """The chance of enough stars against the distance from the Milky Way, in one field and all night."""
    chances, two = ChanceByDistance(rig), guide_field.sides(rig) == 2
    distance = chances.distance
    figure, axes = figures.new_figure(width=7.4, height=4.2)
    (one,) = axes.plot(distance[:-1], distance[:-1], **figures.line_look(0))
    (night,) = axes.plot(distance[:-1], distance[:-1], **figures.line_look(6))
    (dot,) = axes.plot([distance[-1]], [0], "o", color="black")
    texts = ("in one field", "on both sides of the flip") if two else ("", "all night: the field stays")
    names = [
        figures.label_curve(axes, [30.0], [0.5], text, above=above, color=figures.COLOURS[k], ha=side)
        for text, k, above, side in zip(texts, (0, 6), (True, False), ("left", "right"), strict=True)
    ]
    axes.axvline(distance[-1], color=figures.GREY, linestyle=":", linewidth=1.4)
    style = {"above": None, "fontsize": 11, "color": figures.GREY, "ha": "right", "rotation": 90, "va": "bottom"}
    figures.label_curve(axes, [distance[-1] - 1], [0.03], "target", **style)
    axes.set(xlim=(0, 90), ylim=(0, 1.05))
    axes.yaxis.set_major_formatter("{x:.0%}")
    figures.label(axes, "distance from the plane of the Milky Way [deg]", "chance of enough usable stars [-]")

    def update(at_least, exposure, mirror_size=None):
        limits, chance = chances.at(at_least, exposure, mirror_size)
        all_night = chance ** guide_field.sides(rig)
        one.set_ydata(chance[:-1])
        night.set_ydata(all_night[:-1])
        dot.set_ydata(all_night[-1:])
        for name, values, at in zip(names, (chance, all_night), (30, 27), strict=True):
            name.xy = (distance[at], values[at])
        said = f"At the target, {distance[-1]:.0f}° from the plane: {_at_least(at_least)} "
        said += f"in one field {chance[-1]:.0%}, on both sides of the flip " if two else "all night "
        said += f"{all_night[-1]:.0%}."
        end = " (end of the star counts)" if limits.faint == 17 else ""
        return said + f" Usable as they arrive: magnitude {limits.bright:.1f} to {limits.faint:.1f}{end}."

    alt = (
        "The chance of enough usable stars against the distance from the plane of the Milky Way: high "
        "near it, low far from it" + (", and lower for both sides of the flip than for one field." if two else ".")
    )
    return Drawing(figure, (one, night, dot, *names), update, alt)


def _at_least(number):
    return f"at least {number} star" + ("" if number == 1 else "s")
