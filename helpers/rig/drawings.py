"""Drawings of workbook 00: what guiding does to a star, who does what in a rig, how small an arcsecond is, and what a
mount that nobody corrects does to a picture."""

from dataclasses import dataclass
from functools import lru_cache

import astropy.units as u
import numpy as np
from matplotlib.patches import FancyArrowPatch, Polygon, Rectangle

from helpers import guide_field
from helpers import rig as rigs
from helpers.classroom import figures
from helpers.classroom.panels import Drawing
from helpers.correction_loop import mount
from helpers.error_budget.predict import predict

_SIGMA = 2.3548  # FWHM of a Gaussian in units of its rms
COIN = 24 * u.mm
_LINK = 0.5  # arcsec, pixels of the painted pictures
_STARS = ((-24, 12, 1.0), (9, -14, 0.8), (27, 15, 0.55), (-6, 3, 0.4), (-27, -13, 0.3))  # x, y, light; invented


def painted(path, fwhm, half=25.0):
    """Light of a star that takes each place of a path for the same time; shape (n, n), the brightest pixel is not 1.

    Parameters
    ----------
    path : Quantity [arcsec], shape (n, 2)
    fwhm : Quantity [arcsec]
        Of the star at rest; a Gaussian.
    half : float
        The picture reaches from -half to half, in arcsec.
    """
    grid, sigma = np.arange(-half, half + _LINK / 2, _LINK), fwhm.to_value(u.arcsec) / _SIGMA
    along = np.exp(-(((grid[:, None, None] - path.to_value(u.arcsec)) / sigma) ** 2) / 2)
    return along[:, :, 1] @ along[:, :, 0].T / len(path)


@dataclass(frozen=True)
class OpeningPicture:
    """One star on a rig's mount, three times.

    Attributes
    ----------
    unguided : Quantity [arcsec], shape (n, 2)
        Path of the star in one picture without guiding, at its worst: `worst_path`.
    guided, still : Quantity [arcsec]
        Width of the star in the picture, FWHM, guided and on a perfect mount, at the rig's own target and exposures:
        both from `error_budget.predict`, as in every workbook.
    shaken : bool
        A shake within the exposures, which no guide camera sees, widens the guided star.
    """

    unguided: u.Quantity
    guided: u.Quantity
    still: u.Quantity
    shaken: bool


@lru_cache(maxsize=8)
def opening_picture(rig):
    """The star of the opening picture; an `OpeningPicture`."""
    budget = predict(rig)
    unguided = worst_path(rig.mount, rig.guiding.picture_exposure)
    parts = budget.picture_terms
    shaken = bool(parts["fast shake"] > 0.05 * u.arcsec)
    return OpeningPicture(unguided, budget.final_fwhm, parts["air and diffraction"], shaken)


def longest_way(rig):
    """How far both faults of the mount move a star in one picture without guiding, from end to end; arcsec."""
    return np.hypot(*np.ptp(worst_path(rig.mount, rig.guiding.picture_exposure), axis=0))


def guided_and_not(rig):
    """The opening picture: one star without guiding, with it, and on a perfect mount."""
    star, spot = opening_picture(rig), np.zeros((1, 2)) * u.arcsec
    named = (
        ("nobody corrects", star.unguided, star.still),
        ("guided", spot, star.guided),
        ("a perfect mount", spot, star.still),
    )
    reach = max(8.0, 1.2 * np.abs(star.unguided.value).max() + star.still.value)
    figure, axes = figures.new_figure(1, 3, width=8, height=3.2, sharey=True)
    for ax, (title, path, width) in zip(axes, named, strict=True):
        light = painted(path, width, reach)
        ax.imshow(light, origin="lower", extent=(-reach, reach, -reach, reach), vmin=0, vmax=light.max())
        ax.grid(False)
        figures.label(ax, "east-west [arcsec]", "north-south [arcsec]" if ax is axes[0] else None, title)
    rest, kept = star.still.value, star.guided.value
    sentence = (
        f"One star in a picture of {rig.guiding.picture_exposure.value:g} s, on the mount of {rig.name}. Left, without "
        f"guiding, it moves up to {longest_way(rig).value:.1f} arcsec. Guided it is {kept:.2f} arcsec wide, the last "
        f"number of the strip; on a perfect mount {rest:.2f}: guiding leaves it {kept / rest - 1:.0%} wider"
        + (" (a shake too quick for any guide camera is part of it)." if star.shaken else ".")
    )
    alt = (
        "Three pictures of one star. Left, without guiding, it is drawn out into a streak. In the middle, guided, "
        "and at the right, with a perfect mount, it is a round spot, hardly to be told apart."
    )
    return figures.show(figure, alt, sentence)


def _box(axes, x, y, width, height, text):
    frame = axes.add_patch(Rectangle((x, y), width, height, facecolor="white", edgecolor="black", lw=2))
    return [frame, axes.text(x + width / 2, y + height / 2, text, ha="center", va="center", fontsize=12)]


def _main_telescope(axes):
    colour = figures.COLOURS[0]
    axes.add_patch(Polygon([(0, 1.4), (3, 1.4), (9, 0.55), (9, -0.55), (3, -1.4), (0, -1.4)], color=colour, alpha=0.25))
    axes.plot([3, 3], [-1.5, 1.5], lw=4, color="black")
    axes.text(1.4, 0, "main telescope", ha="center", va="center", fontsize=12)
    _box(axes, 9, -0.7, 1.9, 1.4, "main\ncamera")
    _box(axes, 1.3, -4.3, 3.4, 1.3, "mount (turns it all)")
    axes.plot([3, 3], [-3, -1.5], lw=6, color="black")
    for start, end, style in (((12.2, 3.6), (12.2, -3.6), "-"), ((12.2, -3.6), (4.7, -3.6), "-|>")):
        arrow = FancyArrowPatch(start, end, arrowstyle=style, mutation_scale=16, shrinkA=0, shrinkB=0, lw=1.8, ls="--")
        axes.add_patch(arrow)
    axes.text(8.5, -2.5, "computer: how far did the star move?\nturn back by a part of it", ha="center", fontsize=12)


def _striped(axes, corners):
    return axes.add_patch(Polygon(corners, edgecolor=figures.COLOURS[6], fill=False, hatch="//", lw=1.5))


def _to_computer(axes, x, y):
    return axes.plot([x, 12.2], [y, y], "--", color="black", lw=1.8)


def _pick_off(axes):
    """A star beside the picture comes to its focus at (9, 2.6); the mirror, at 45 degrees, catches what it can."""
    parts = [_striped(axes, [(3, 1.17), (7.95, 2.35), (8.2, 3.4), (6.75, 1.15), (3, -1.27)])]
    parts += axes.plot([6.75, 7.95], [1.15, 2.35], lw=5, color="black")
    arrow = {"arrowstyle": "-"}
    parts.append(axes.annotate("pick-off mirror", (6.8, 1.35), (1.2, 3.2), fontsize=12, va="center", arrowprops=arrow))
    return parts + _box(axes, 7.3, 3.4, 1.8, 1.4, "guide\ncamera") + _to_computer(axes, 9.1, 3.6)


def _guide_telescope(axes):
    parts = [_striped(axes, [(2, 3.6), (3, 3.6), (6.8, 3.0), (3, 2.4), (2, 2.4)])]
    parts += axes.plot([3, 3], [2.3, 3.7], lw=4, color="black")
    parts.append(axes.text(1.9, 3.0, "guide\ntelescope", ha="right", va="center", fontsize=12))
    return parts + _box(axes, 6.8, 2.3, 1.8, 1.4, "guide\ncamera") + _to_computer(axes, 8.6, 3.6)


_SAID = {
    "pick-off": "A pick-off: the guide camera looks through the main telescope, at stars just beside the picture. "
    "Their light (striped) crosses that of the picture, which loses nothing by that. The mirror belongs beside the "
    "picture's light; ",
    "guide telescope": "A guide telescope: the guide camera has a small telescope of its own. It sees a wide field, "
    "but when it bends against the main telescope, nobody notices until the picture is there.",
}


def _shade(rig):
    """What the mirror of a pick-off takes from the picture, in words."""
    shadow = guide_field.picture_shadow(rig) if rig.guide_optics.kind == "pick-off" else None
    if shadow is None or shadow.share < 0.005:
        return "pushed in too far, it would shade an edge."
    return f"yours reaches {shadow.farther.value:.1f} mm into it and takes {shadow.share:.0%} of it at one edge."


def who_does_what(rig):
    """A rig from the side, not to scale; the guide light is striped, the correction loop dashed."""
    figure, axes = figures.new_figure(width=7.6, height=3.9)
    axes.set(xlim=(-0.4, 12.5), ylim=(-4.5, 5.0))
    axes.axis("off")
    _main_telescope(axes)
    parts = {"pick-off": _pick_off(axes), "guide telescope": _guide_telescope(axes)}

    def update(kind):
        for name, artists in parts.items():
            for artist in artists:
                artist.set_visible(name == kind)
        return _SAID[kind] + (_shade(rig) if kind == "pick-off" else "")

    alt = (
        "A rig from the side, drawn with thin lenses. Light runs through the main telescope to the main camera. A "
        "mirror beside that light, or a small telescope of its own, gives light to the guide camera. A dashed arrow "
        "runs from the guide camera through a computer to the mount."
    )
    return Drawing(figure, tuple(part for artists in parts.values() for part in artists), update, alt)


def coin():
    """How wide a coin looks from far away."""
    distances = np.geomspace(20, 30_000, 200) * u.m
    angles = rigs.angle_of(COIN, distances)
    figure, axes = figures.new_figure(width=7.2, height=3.6)
    axes.loglog(distances.value, angles.value, **figures.line_look(0))
    figures.label_curve(axes, distances.value, angles.value, f"coin of {COIN.value:.0f} mm", 0.3, ha="left")
    axes.axhspan(2, 4, color=figures.GREY, alpha=0.3)
    axes.text(22, 2.8, "a star in a usual picture", va="center", fontsize=12)
    figures.log_ticks(axes, x=[20, 100, 1000, 10_000], y=[0.1, 1, 10, 100])
    axes.set(xlim=(20, 30_000), ylim=(0.1, 500))
    figures.label(axes, "distance [m]", "width of the coin [arcsec]")
    sentence = (
        f"A coin of {COIN.value:.0f} mm looks {rigs.angle_of(COIN, 100 * u.m).value:.0f} arcsec wide from 100 m. "
    )
    sentence += "Equal steps multiply here: up the side each number is ten times the one below."
    return figures.show(figure, "A falling line: how wide a coin looks from 20 m to 30 km, in arcseconds.", sentence)


@lru_cache(maxsize=64)
def _worst_wave(exposure_s, period_s):
    """Path in right ascension of a periodic error of 1 arcsec, peak to peak, where an exposure catches most of it."""
    step = exposure_s / 100
    count = 100 + int(np.ceil(period_s / step))
    wave = mount.periodic_error(count, step * u.s, period_s * u.s, 1 * u.arcsec).value
    stretches = np.lib.stride_tricks.sliding_window_view(wave, 100)[:: max(1, count // 300)]
    return stretches[np.argmax(np.ptp(stretches, axis=1))]


def worst_path(mount_of_rig, exposure):
    """Path of a star on the equator of the sky in one exposure without guiding, at its worst.

    Parameters
    ----------
    mount_of_rig : Mount
    exposure : Quantity [time]

    Returns
    -------
    Quantity [arcsec], shape (100, 2)
        About its middle; the worm at the moment of its farthest way, the axis missing the pole where it drifts most.
    """
    wave = _worst_wave(exposure.to_value(u.s), mount_of_rig.worm_period.to_value(u.s)) * mount_of_rig.periodic_error
    path = mount.polar_drift(100, exposure / 100, 0 * u.deg, 0 * u.deg, mount_of_rig.polar_error)
    path[:, 0] += wave
    return path - (path.max(axis=0) + path.min(axis=0)) / 2


def _field(spot):
    """A small picture of a few stars, each with the same spot."""
    canvas, half = np.zeros((121 + 200, 161 + 200)), spot.shape[0] // 2
    for x, y, light in _STARS:
        row, column = 160 + round(y / _LINK), 180 + round(x / _LINK)
        canvas[row - half : row + half + 1, column - half : column + half + 1] += light * spot
    return canvas[100:-100, 100:-100]


def spoiled_picture(rig):
    """Left: a picture on a mount that nobody corrects. Right: the same on a perfect mount."""
    star, edges = opening_picture(rig).still, (-40, 40, -30, 30)
    still = _field(painted(np.zeros((1, 2)) * u.arcsec, star))
    figure, (left, right) = figures.new_figure(1, 2, width=8, height=3.6, sharey=True)
    shown = {"origin": "lower", "extent": edges, "vmin": 0, "vmax": 0.4 * still.max()}
    picture = left.imshow(np.zeros_like(still), **shown)
    right.imshow(still, **shown)
    for axes, title in ((left, "nobody corrects your mount"), (right, "a perfect mount")):
        axes.grid(False)
        figures.label(axes, "east-west [arcsec]", "north-south [arcsec]" if axes is left else None, title)

    def update(exposure, periodic, polar):
        tried = rigs.changed(rig, {"mount.periodic_error": periodic, "mount.polar_error": polar}).mount
        path = worst_path(tried, exposure)
        picture.set_data(_field(painted(path, star)))
        ra, dec = np.ptp(path, axis=0).value
        return (
            f"In {exposure.value:.0f} s the stars move up to {ra:.1f} arcsec east-west, by the worm, and {dec:.1f} "
            "north-south, because the axis misses the pole. At rest they are "
            f"{star.value:.1f} arcsec wide."
        )

    alt = (
        "Two pictures of the same five stars. Left, on a mount that nobody corrects, they are drawn out into short "
        "streaks; right, on a perfect mount, they are round."
    )
    return Drawing(figure, (picture,), update, alt, hidden=(picture,))
