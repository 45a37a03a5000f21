"""Drawings of workbook 08: three cameras, a camera to break, what noise costs, and single pixels, stripes and glow."""

import itertools
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import astropy.units as u
import numpy as np

from helpers import camera_check, seeing
from helpers.camera_check import costs
from helpers.camera_check import simulated_camera as invented
from helpers.camera_check import verdict as camera_verdict
from helpers.classroom import figures
from helpers.classroom.panels import Drawing
from helpers.guide_field import middling_stars
from helpers.rig.demo import demo_rig
from helpers.starlight import view

DRAWER = Path(__file__).resolve().parent.parent.parent / "demo_data" / "camera_drawer"
FOLDERS = {"camera 1": "clipped_offset", "camera 2": "healthy", "camera 3": "column_driver"}
SOLD_AS = {"camera 1": "A", "camera 2": "B", "camera 3": "A"}
SOUND = invented.SimulatedCamera(read_noise=2 * u.electron, gain=1 * u.electron / u.DN, offset=100 * u.DN)
STRONGEST = 60 * u.electron  # of the noise that a panel can set
_ONE_STAR = 0.1 * u.arcsec  # the faint star of the comparison is known so well by a healthy camera


def frames_of(name, pattern):
    """Frames of a camera of the drawer, (n, rows, columns), DN."""
    return camera_check.read_frames(sorted((DRAWER / FOLDERS[name]).glob(f"{pattern}*.fits")))[0].astype(float)


@lru_cache
def judged(name):
    """The verdict on a camera of the drawer, against what it was sold as."""
    claimed = demo_rig(guide_camera=SOLD_AS[name]).guide_camera
    return camera_verdict.check_files(DRAWER / FOLDERS[name], claimed.read_noise, claimed.dark_current)


def three_cameras(rig):
    """A frame of nothing of each camera, or the difference of two, and how often each number occurs."""
    figure, several = figures.new_figure(2, 3, width=8, height=4.2, height_ratios=[1.25, 1])
    bias = {name: frames_of(name, "bias")[:2] for name in FOLDERS}
    moving, parts = [], {}
    low, high = 26, 38  # ends of the axes of the histograms
    for (above, below), (name, pair) in zip(several.T, bias.items(), strict=True):
        picture = figures.show_pixels(above, pair[0], vmin=-12, vmax=12)
        (outline,) = below.step(np.arange(-40, 41), np.zeros(81), where="mid", color=figures.COLOURS[0])
        below.set(xlim=(-low, low), ylim=(0, high))
        zero = -float(np.median(pair[0]))
        mark = below.axvline(zero, color="black", linestyle="--", linewidth=1.4)
        told = below.text(zero - 1, high, "0 in\nthe file" if zero > -low else "", ha="right", va="top", fontsize=11)
        above.set_title(name)
        figures.label(above)
        above.set(xticks=[], yticks=[])
        figures.label(below, "above the middle [DN]", "share [%]" if name == "camera 1" else None)
        parts[name] = picture, outline, mark, told
        moving += parts[name]

    def update(difference):
        said = []
        for name, pair in bias.items():
            one = pair[0] - np.median(pair[0])
            shown = (pair[0] - pair[1]) / np.sqrt(2) if difference else one
            parts[name][0].set_data(shown)
            for artist in parts[name][2:]:  # a difference has no zero of the file
                artist.set_visible(not difference)
            counts = np.bincount(np.clip(np.rint(shown), -40, 40).astype(int).ravel() + 40, minlength=81)
            parts[name][1].set_ydata(100 * counts / shown.size)
            said.append(f"{shown.std():.2f} ({name})")
        what = "Of the difference of two frames, over the root of 2" if difference else "Of one frame"
        return f"{what}, the numbers spread by {', '.join(said)} DN (rms)."

    alt = (
        "Three pictures of frames without light, and how often each number occurs. Camera 1: bright specks but no "
        "dark ones, and a histogram that ends at its left, where the file has zero, in a tall pile. Camera 2: fine "
        "grain, a narrow bell. Camera 3: vertical stripes, a broad bell; the stripes stay in the difference of two "
        "frames."
    )
    return Drawing(figure, tuple(moving), update, alt)


@lru_cache(maxsize=64)
def broken(fault, strength):
    """Frames of an invented camera with a fault, strength 0 to 1, and the verdict on them."""
    camera = invented.with_fault(SOUND, fault, strength)
    taken = invented.take_frames(camera, np.random.default_rng(6), darks=2, dark_exposures=[60] * u.s, levels=6)
    measured = camera_check.measure_camera(taken.bias, taken.darks, taken.flats)
    return taken, camera_verdict.verdict(measured, claimed_read_noise=SOUND.read_noise)


FAULTS_IN_WORDS = {
    "none": "a sound camera",
    "offset too low": "what lies below zero is cut off",
    "high read noise": "each reading scatters more",
    "bad column driver": "whole columns jump together, as in camera 3",
    "light leak": "daylight gets past the lid",
    "amplifier glow": "light of the camera's own electronics",
    "missing codes": "some numbers never come",
    "smoothing": "the camera averages neighbouring pixels",
    "drifting black level": "the offset changes from frame to frame",
    "bent response": "twice the light is not twice the number",
    "hot pixels": "points that leak far more than others",
    "telegraph pixels": "pixels that jump between two levels",
}


def break_a_camera(rig):
    """One dark of an invented camera, the numbers in its bias frames, and the verdict."""
    figure, (left, right) = figures.new_figure(1, 2, width=8, height=3.7, width_ratios=[1.25, 1])
    image = figures.show_pixels(left, np.zeros((48, 64)), vmin=85, vmax=125)
    left.set_title("a dark of 60 s")
    (outline,) = right.step(range(151), np.zeros(151), where="mid", color=figures.COLOURS[0])
    right.set(ylim=(0, 40), xlim=(-3, 150))
    figures.label(right, "number in the file [DN]", "share of the pixels [%]", "bias frames")

    def update(fault, strength):
        taken, found = broken(fault, strength / 100)
        image.set_data(taken.darks[0][1][0])
        outline.set_ydata(100 * np.bincount(np.minimum(taken.bias.ravel(), 150), minlength=151) / taken.bias.size)
        return f"{fault[0].upper()}{fault[1:]}: {FAULTS_IN_WORDS[fault]}. The check says: {found.text}"

    alt = "Left a dark frame of the invented camera, right how often each number occurs in its bias frames."
    return Drawing(figure, (image, outline), update, alt)


@dataclass(frozen=True)
class Case:
    """What a camera of some noise gives: centroid error (2,), log, star in the picture, arcsec; is the star found?"""

    error: u.Quantity
    logged: u.Quantity
    star: u.Quantity
    found: bool


@dataclass(frozen=True)
class Stars:
    """Guide stars: magnitudes, as they reach the camera; or as in a star list, with the share of light that comes."""

    magnitudes: tuple
    light_share: float | None = None

    def errors(self, rig, noise=None):
        """As from `costs.star_errors`."""
        return costs.star_errors(rig, self.magnitudes, noise, light_share=self.light_share)


@lru_cache(maxsize=16)
def _own_stars(rig, count):
    stars = Stars(tuple(costs.stars_in_use(rig, middling_stars(rig).magnitudes, count)))
    return stars, stars.errors(rig)[0]


def own_stars(rig, numbers):
    """The guide stars in use."""
    return _own_stars(rig, numbers.stars)[0]


def one_star(rig, magnitude):
    """One star of this magnitude in a star list, in the middle of the guide sensor."""
    return Stars((float(magnitude),), float(view(rig).light_share))


def faint_star(rig, numbers):
    """Magnitude, as in a star list, of one faint star that a healthy camera knows to 0.1 arcsec (one axis; coarse
    pixels: less well).
    """
    own = _own_stars(rig, numbers.stars)[1]
    return float(view(rig).faintest(max(_ONE_STAR, 1.5 * own.max())))


def one_faint(rig, numbers):
    """The faint star as `case` takes stars."""
    return one_star(rig, faint_star(rig, numbers))


def case(rig, numbers, stars, noise=None):
    """The case of a camera with this noise on these stars, from the log and the star of the rig's own stars."""
    before = _own_stars(rig, numbers.stars)[1]
    error, found = stars.errors(rig, noise)
    loop = rig.guiding.loop_gain, rig.guiding.delay
    logged, star = costs.log_and_picture(numbers.logged_rms, numbers.final_fwhm, error, before, *loop)
    return Case(error, logged, star, found)


def telling_noise(rig, numbers, stars, growth=0.1):
    """Noise of a pixel at which the log on these stars grows by a share, or a star is lost; at most 1,000 electrons."""
    healthy = case(rig, numbers, stars)
    low, high = np.log([rig.guide_camera.read_noise.value, 1000])
    for _ in range(12):
        middle = (low + high) / 2
        now = case(rig, numbers, stars, costs.CameraNoise(np.exp(middle) * u.electron))
        fine = now.found and now.logged < (1 + growth) * healthy.logged
        low, high = (middle, high) if fine else (low, middle)
    return np.exp(high) * u.electron


def what_noise_costs(rig, numbers):
    """Left the log, right the star in the picture, against the read noise: for the rig's own stars and for one."""
    claimed = rig.guide_camera.read_noise
    sweep = np.geomspace(0.5, STRONGEST.value, 20) * u.electron
    figure, (log, picture) = figures.new_figure(1, 2, width=8, height=4.1)
    lines, dots, names, ends = [], [], [], []
    for k, text in enumerate((named_stars(numbers.stars), "one star")):
        for axes in (log, picture):
            lines += axes.semilogx(sweep.value, sweep.value, **figures.line_look(6 * k))
            dots += axes.plot([1], [1], "o", color=figures.COLOURS[6 * k])
            ends.append(_end_mark(axes, figures.COLOURS[6 * k]))
            side = {"ha": "left", "color": figures.COLOURS[6 * k]}
            names.append(figures.label_curve(axes, [0.6], [1.0], text, above=bool(k), **side))
    base, wide = numbers.logged_rms.value, numbers.final_fwhm.value
    picture.set(ylim=(0.95 * wide, 1.15 * wide))
    air = seeing.image_motion(rig.guide_optics.aperture, seeing.atmosphere_for(rig.site), rig.guiding.exposure)
    log.set(ylim=(min(0.5 * base, float(air.value)), 2.6 * base))
    _, told = figures.ruler(log, air=np.sqrt(2) * air.value, texts=("", "air overhead, one exposure"))
    told.set(va="top", position=(0, -3))  # clear of the names of the curves
    for axes in (log, picture):
        figures.log_ticks(axes, x=[1, 3, 10, 30])
    figures.label(log, "noise of a pixel [electron]", "log, both axes, rms [arcsec]")
    figures.label(picture, "noise of a pixel [electron]", "star in the picture, FWHM [arcsec]")
    own = own_stars(rig, numbers)

    @lru_cache(maxsize=64)
    def curve(columns, stars):
        cameras = [costs.CameraNoise(noise, columns=columns * u.electron) for noise in sweep]
        return _where_found([case(rig, numbers, stars, camera) for camera in cameras])

    def update(noise, columns, magnitude):
        camera = costs.CameraNoise(noise, columns=columns)
        said = []
        for k, stars in enumerate((own, one_star(rig, magnitude))):
            values = curve(columns.value, stars)
            now, healthy = case(rig, numbers, stars, camera), case(rig, numbers, stars)
            for side, (series, value) in enumerate(zip(values, (now.logged, now.star), strict=True)):
                lines[2 * k + side].set_ydata(series)
                dots[2 * k + side].set_data([noise.value], [value.value if now.found else np.nan])
                names[2 * k + side].xy = (0.6, series[0] if np.isfinite(series[0]) else 0)
                _mark_end(ends[2 * k + side], sweep.value, series)
            said.append(compared(now, healthy))
        stripes = f" and stripes of {columns.value:.1f}" if columns.value > 0 else ""
        return (
            f"{noise.value:.1f} electrons{stripes} instead of {claimed.value:.1f}. On {named_stars(numbers.stars)}: "
            f"{said[0]}. On one star of magnitude {magnitude:.1f}: {said[1]}."
        )

    alt = (
        "Left the rms of the log, right the width of a star in the picture, both against the noise of a pixel. The "
        "curves of your own stars stay nearly level until the noise is large; those of one faint star rise far sooner. "
        "A cross marked lost ends a curve where the star drowns in the noise."
    )
    return Drawing(figure, (*lines, *dots, *names, *itertools.chain(*ends)), update, alt)


def _end_mark(axes, colour):
    """A cross and a word for the end of a curve."""
    (cross,) = axes.plot([np.nan], [np.nan], "X", color=colour, markersize=10)
    return cross, figures.label_curve(axes, [1.0], [1.0], "", above=None, color=colour, ha="left")


def _mark_end(mark, noise, series):
    """Put the mark where the curve ends, if it ends before the axis does."""
    cross, word = mark
    found = np.flatnonzero(np.isfinite(series))
    ended = 0 < found.size < series.size
    at = (noise[found[-1]], series[found[-1]]) if ended else (np.nan, np.nan)
    cross.set_data([at[0]], [at[1]])
    word.set_text("  lost" if ended else "")
    if ended:
        word.xy = at


def named_stars(count):
    return "your star" if count == 1 else f"your {count} stars"


def _where_found(cases):
    """Log and picture of several cases, arcsec; not a number where the star is lost."""
    shown = [(one.logged.value, one.star.value) if one.found else (np.nan, np.nan) for one in cases]
    return np.transpose(shown)


FINEST = 0.01  # arcsec: what log and picture are told to


def compared(now, healthy):
    """Log and star in the picture with a healthy camera and now, in words."""
    if not healthy.found:
        return "too faint even for the healthy camera"
    if not now.found:
        return f"log {healthy.logged.value:.2f} arcsec before, now the star is lost in the noise"
    pairs = ((healthy.logged.value, now.logged.value), (healthy.star.value, now.star.value))
    log, star = (
        f"{a:.2f} to {b:.2f}" if f"{a:.2f}" != f"{b:.2f}" and abs(b - a) >= FINEST / 2 else f"still {a:.2f}"
        for a, b in pairs
    )
    return f"log {log} arcsec, star in the picture {star}"


@lru_cache
def glowing_camera():
    """Measurement of an invented camera whose amplifier glows."""
    camera = invented.SimulatedCamera(amplifier_glow=3 * u.electron / u.s)
    taken = invented.take_frames(camera, np.random.default_rng(9), shape=(96, 128), levels=4)
    return camera_check.measure_camera(taken.bias, taken.darks, taken.flats)


@dataclass(frozen=True)
class GlowCost:
    """What a glow does to a star under which it is steepest: pull, error without and with its light, arcsec."""

    pull: u.Quantity
    without: u.Quantity
    with_it: u.Quantity


def glow_cost(rig, magnitude, glow):
    """Cost of a measured glow for a star of this magnitude in one exposure; None without a known gain."""
    if glow.slope.unit != u.electron / (u.s * u.pix):
        return None
    setting, time, star = view(rig), rig.guiding.exposure, one_star(rig, magnitude)
    # As read noise: what glows is counted electron by electron.
    light = (glow.rate.value * time).to_value(u.electron)
    noisy = costs.CameraNoise(np.sqrt(rig.guide_camera.read_noise.value**2 + light) * u.electron)
    return GlowCost(
        costs.slope_shift(
            setting.fwhm,
            setting.pixel_scale / rig.guide_camera.binning,
            setting.signal(magnitude).electrons,
            glow.slope * time,
        ),
        star.errors(rig)[0].max(),
        star.errors(rig, noisy)[0].max(),
    )


def held_by_a_hot_pixel(rig):
    """A distance from a hot pixel as bright as the star, and the measured one; floats [pixel]."""
    setting = view(rig)
    width = (setting.fwhm / setting.pixel_scale).to_value(u.pix)
    sigma = width / 2.3548
    away = int(np.ceil(2 * width))
    path = np.linspace(0, away / sigma, 81)  # where it is measured next depends on where it was measured last
    return away, float(sigma * costs.pulled_place(path, 1.0)[-1])
