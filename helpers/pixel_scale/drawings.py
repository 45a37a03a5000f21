"""Drawings of workbook 01: a star on the guide camera's pixels, the sky a pixel sees, the movement that shows, how
finely a centre is known, and where pixels are too coarse."""

from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers import pixel_scale as pixels
from helpers import seeing
from helpers.classroom import figures
from helpers.classroom.panels import Drawing
from helpers.rig.values import changed
from helpers.starlight.widths import picture_star_fwhm

ELECTRONS = 2000 * u.electron  # light of the star in the pictures; workbook 02 calculates that of real ones
WIDENING = 0.05
_MOON = 15.5  # arcmin, half its width on the average
_PICTURES = 400
_LIGHTS = (200, 2000, 20_000)  # electrons of the three curves
_HARDLY = 0.2  # share of an error; where light takes less off, its curves have run together
_PLACE = 0.25 * u.pix  # of the star inside its pixel, where coarse pixels mislead most


def star_on_pixels(fwhm, scale, electrons, shift=0 * u.arcsec, reach=10.0, rng=None):
    """Light of a star on pixels of some scale, and the extent of the picture in arcsec.

    The star stands in the middle of a pixel, then moves to the right by `shift`; with `rng`, in whole electrons.
    """
    half = int(np.ceil(reach / scale.value)) + 1
    centre = half + np.array([(shift / scale).value, 0])
    light = pixels.star_image(centre * u.pix, fwhm / scale, (2 * half + 1, 2 * half + 1), electrons).value
    edge = (half + 0.5) * scale.value
    return (light if rng is None else rng.poisson(light)), (-edge, edge, -edge, edge)


def before_and_after(rig):
    """The opening picture: one star as the guide camera sees it, before and after a movement that just shows."""
    check, rng = pixels.compare_scales(rig, ELECTRONS), np.random.default_rng(11)
    figure, axes = figures.new_figure(1, 2, width=7.6, height=3.9, sharey=True)
    reach, found = 2 * check.guide_fwhm.value + check.guide_scale.value, []
    for ax, shift, title in zip(axes, (0 * u.arcsec, check.noticed), ("before", "after"), strict=True):
        light, extent = star_on_pixels(check.guide_fwhm, check.guide_scale, ELECTRONS, shift, 2 * reach, rng)
        found.append((pixels.centroid(light)[0] - light.shape[1] // 2 * u.pix) * check.guide_scale)
        ax.imshow(light, origin="lower", extent=extent)
        ax.grid(False)
        ax.set(xlim=(-reach, reach), ylim=(-reach, reach))
        figures.label(ax, "x [arcsec]", "y [arcsec]" if shift == 0 else None, title)
    sentence = (
        f"The pixels are {check.guide_scale.value:.2f} arcsec wide, the star has moved by "
        f"{check.noticed.value:.2f}, once: hard to tell by eye. By calculation it moved "
        f"{(found[1] - found[0]).value:.2f} arcsec, give or take {2**0.5 * check.seen.value:.2f} by the grain of the "
        "star's light in both pictures (sky and camera add theirs: section 4). "
        f"(Why {check.noticed.value:.2f}? A star that strays so far again and again begins to show in your picture: "
        "section 2.)"
    )
    alt = "Two grainy pictures of a star on the guide camera's pixels. By eye they can hardly be told apart."
    return figures.show(figure, alt, sentence)


def scale_and_field(rig):
    """Left: the field of a sensor beside the Moon. Right: its pixels under a star."""
    camera, star = rig.guide_camera, pixels.compare_scales(rig).guide_fwhm.value
    turn = np.linspace(0, 2 * np.pi, 200)
    figure, (sky, close) = figures.new_figure(1, 2, width=8, height=4)
    sky.fill(_MOON * np.cos(turn), _MOON * np.sin(turn), color="#d9d4c3")
    sky.text(0, -_MOON - 9, "full Moon", ha="center", va="center", fontsize=12)
    (frame,) = sky.plot([0], [0], **figures.line_look(0))
    sky.set(xlim=(-90, 90), ylim=(-90, 90), aspect="equal")
    figures.label(sky, "x [arcmin]", "y [arcmin]", "frame: what the sensor sees")
    (grid,) = close.plot([0], [0], color="#a0a0a0", linewidth=0.8)
    close.plot(star / 2 * np.cos(turn), star / 2 * np.sin(turn), color=figures.COLOURS[6], linewidth=3)
    close.set(xlim=(-6, 6), ylim=(-6, 6), aspect="equal")
    close.grid(False)
    figures.label(close, "x [arcsec]", "y [arcsec]", "squares: pixels; ring: star")

    def update(focal, size):
        scale = pixels.pixel_scale(size, focal, camera.binning)
        field = pixels.field_of_view((camera.columns, camera.rows), size, focal).value
        frame.set_data(*figures.outline(*field))
        lines = (np.arange(-60, 60) + 0.5) * scale.value
        lines = np.repeat(lines[np.abs(lines) < 12], 3)
        ends = np.tile([-6, 6, np.nan], len(lines) // 3)
        grid.set_data(np.r_[lines, ends], np.r_[ends, lines])
        return (
            f"Each pixel sees {scale.value:.2f} arcsec: a star is {star / scale.value:.1f} pixels wide. The sensor "
            f"sees {field[0]:.0f} x {field[1]:.0f} arcmin; the Moon is {2 * _MOON:.0f} wide."
        )

    alt = "Left: the outline of the sensor's field over the Moon. Right: the grid of pixels under a ring, the star."
    return Drawing(figure, (frame, grid), update, alt)


def widened_star(rig):
    """Left: the star in the picture at rest and moving. Right: its width against the movement."""
    scale = pixels.compare_scales(rig).main_scale
    motions = np.linspace(0, 1.6, 81)
    figure, (rest, moving, curve) = figures.new_figure(1, 3, width=8, height=3.7, width_ratios=[1, 1, 1.7])
    shown = [axes.imshow(np.zeros((3, 3)), origin="lower", vmin=0, vmax=1) for axes in (rest, moving)]
    for axes, name in ((rest, "at rest"), (moving, "moving")):
        axes.grid(False)
        axes.set(xlim=(-5, 5), ylim=(-5, 5))
        figures.label(axes, "x [arcsec]", "y [arcsec]" if axes is rest else None, name)
    (line,) = curve.plot(motions, motions, **figures.line_look(0))
    (limit,) = curve.plot([0, 1.6], [1, 1], linestyle="--", color="black", linewidth=1.6)
    (drop,) = curve.plot([1, 1], [0, 1], linestyle="--", color="black", linewidth=1.6)
    (point,) = curve.plot([1], [1], "o", color="black", markersize=11)
    halo = figures.label_curve(curve, [1.58], [1.0], "5% wider", at=0, ha="right")
    curve.set(xlim=(0, 1.6), ylim=(0, 7))
    figures.label(curve, "movement, rms [arcsec]", "width [arcsec]")

    def update(motion, seen):
        star = star_in_nights_of(rig, seen)
        still, now = (pixels.blurred_fwhm(star, m, scale).value for m in (0 * u.arcsec, motion))
        for picture, m in zip(shown, (0 * u.arcsec, motion), strict=True):
            light, extent = star_on_pixels(pixels.blurred_fwhm(star, m), scale, 1 * u.electron)
            picture.set_data(light / light.max())
            picture.set_extent(extent)
        line.set_ydata(pixels.blurred_fwhm(star, motions * u.arcsec, scale).value)
        allowed = pixels.allowed_motion(still * u.arcsec, WIDENING).value
        wider = (1 + WIDENING) * still
        limit.set_ydata([wider] * 2)
        halo.xy = (1.58, wider)
        drop.set_data([allowed] * 2, [0, wider])
        point.set_data([motion.value], [now])
        return (
            f"At rest, straight overhead and on your pixels, the star is {still:.2f} arcsec wide; moving by "
            f"{motion.value:.2f} arcsec rms, "
            f"{now:.2f}: {now / still - 1:.1%} wider. It grows by {WIDENING:.0%} at {allowed:.2f} arcsec rms on each "
            "axis."
        )

    alt = (
        "Left and middle: a star in the picture, at rest and moving. Right: its width against the movement, flat at "
        "first, then rising; a dashed line where it has grown by 5%."
    )
    return Drawing(figure, (*shown, line, limit, drop, halo, point), update, alt)


@lru_cache(maxsize=256)
def _star_arcsec(rig, seeing_arcsec):
    return picture_star_fwhm(changed(rig, {"site.seeing": seeing_arcsec * u.arcsec})).value


def star_in_nights_of(rig, seen):
    """Width of a star behind the main telescope for another seeing overhead; Quantity [arcsec]."""
    return _star_arcsec(rig, float(seen.to_value(u.arcsec))) * u.arcsec


def known_centre(rig):
    """Left: one picture of a star on pixels. Right: where its centre was measured in 400 such pictures."""
    check = pixels.compare_scales(rig)
    fwhm, notices = check.guide_fwhm, check.noticed.value
    half, reach = 1.6 * fwhm.value, 3 * notices
    figure, (left, right) = figures.new_figure(1, 2, width=8, height=4.1)
    one = left.imshow(np.zeros((3, 3)), origin="lower", vmin=0, vmax=1)
    sides = [left.axvline(side, color="white", linewidth=1.6) for side in (-reach, reach)]
    left.set(xlim=(-half, half), ylim=(-half, half))
    left.grid(False)
    figures.label(left, "x [arcsec]", "y [arcsec]", "one picture; lines: range at right")
    bars, show = figures.places_measured(right, reach, notices)

    def update(electrons, scale):
        scale = scale * u.arcsec / u.pix
        place = (_PLACE * scale).value
        light, extent = star_on_pixels(fwhm, scale, electrons, 0 * u.arcsec, 2 * half + scale.value)
        light = pixels.star_image(np.array([1, 1]) * (light.shape[0] // 2 * u.pix + _PLACE), fwhm / scale, light.shape)
        frame = np.random.default_rng(3).poisson(light.value * electrons.value)
        one.set_data(frame / max(1, frame.max()))
        one.set_extent(np.array(extent) - place)
        errors = pixels.simulated_centroids(fwhm, electrons, scale, _PLACE, _PICTURES, np.random.default_rng(12)).value
        show(errors[:, 0])
        shift, spread = np.mean(errors), np.sqrt(np.mean(errors.var(axis=0)))
        aside = f"{abs(shift):.3f}" if abs(shift) >= 0.0005 else "less than 0.001"
        return (
            f"Pixels of {scale.value:.2f} arcsec, {electrons.value:,.0f} electrons: in these {_PICTURES} pictures the "
            f"centres scatter by {spread:.3f} arcsec rms on each axis, and lie off the true place by {aside} in the "
            "mean."
        )

    alt = (
        "Left: a grainy star on pixels; the right plot spans what lies between its two lines. Right: bars for how "
        "often its centre was measured how far beside the true place, and dashed lines: the movement that shows in the "
        "picture. With more light the heap gets narrow; with coarse pixels it moves away."
    )
    return Drawing(figure, (one, *sides, bars), update, alt)


def errors_of_coarse_pixels(rig, electrons, scales):
    """What the guide camera sees at best, with the rig's guide star on pixels of other scales; array in arcsec."""
    fwhm = pixels.compare_scales(rig).guide_fwhm
    limit = pixels.centroid_limit(fwhm, electrons * u.electron, scales)
    return np.hypot(limit, pixels.inside_pixel_error(fwhm, scales)).value


def run_together(rig):
    """Width of a pixel, in widths of the star, from which on a hundred times the light takes less than a fifth off."""
    widths = np.arange(0.5, 2.5, 0.1)
    scales = widths * pixels.compare_scales(rig).guide_fwhm / u.pix
    faint, bright = (errors_of_coarse_pixels(rig, electrons, scales) for electrons in _LIGHTS[::2])
    return float(widths[np.flatnonzero(bright < (1 - _HARDLY) * faint)[-1] + 1])


def coarse_pixels(rig):
    """Error of the centre against the sky that a guide pixel sees, for three amounts of light."""
    check = pixels.compare_scales(rig)
    main, wide = check.main_scale.value, check.guide_fwhm.value
    scales = np.geomspace(0.2 * min(main, check.guide_scale.value), max(8 * main, 2.5 * wide), 80) * u.arcsec / u.pix
    figure, axes = figures.new_figure(width=7.6, height=4.2)
    for k, electrons in enumerate(_LIGHTS):
        errors = errors_of_coarse_pixels(rig, electrons, scales)
        axes.loglog(scales.value, errors, **figures.line_look(k))
        figures.label_curve(axes, scales.value, errors, f"{electrons:,} electrons", 0.12, color=figures.COLOURS[k])
    axes.axvspan(3 * main, 5 * main, color=figures.GREY, alpha=0.2)
    axes.axvline(wide, color=figures.COLOURS[6], linestyle="-.")
    place = {"xycoords": axes.get_xaxis_transform(), "textcoords": "offset points", "fontsize": 11}
    axes.annotate("3 to 5 times the main camera", (15**0.5 * main, 1), (0, 4), ha="center", va="bottom", **place)
    star = {"color": figures.COLOURS[6], "ha": "left", "va": "bottom"}
    axes.annotate("a pixel as wide\nas the star", (wide, 0), (5, 3), **star, **place)
    air = seeing.image_motion(rig.guide_optics.aperture, seeing.atmosphere_for(rig.site), rig.guiding.exposure)
    figures.ruler(axes, notices=check.noticed.value, air=air.value)
    axes.plot(check.guide_scale.value, check.seen.value, "o", color="black")
    figures.label_curve(axes, [check.guide_scale.value], [check.seen.value], "your pixels", 0, above=False)
    figures.log_ticks(axes, x=[0.1, 0.3, 1, 3, 10], y=[0.01, 0.03, 0.1, 0.3, 1])
    axes.set(xlim=(scales[0].value, scales[-1].value), ylim=(0.005, 1.5))
    figures.label(axes, "sky that a guide pixel sees [arcsec]", "error of the centre, one axis [arcsec]")
    fine, coarse, coarser = errors_of_coarse_pixels(rig, 2000, np.array([0.2, 1, 2]) * wide * u.arcsec / u.pix)
    sentence = (
        f"2,000 electrons, light and pixels alone: {fine:.3f} arcsec with pixels a fifth as wide as the star, "
        f"{coarse:.3f} with pixels as "
        f"wide as the star ({wide:.1f} arcsec), {coarser:.2f} with pixels twice as wide. "
        f"From {run_together(rig):.1f} times the star's width on the curves have run together: a hundred times the "
        f"light takes less than {_HARDLY:.0%} off. (Each number up the side is about three times the one below.)"
    )
    alt = (
        "Three curves of the centre's error against the sky that a guide pixel sees. They are nearly flat until a "
        "pixel is three quarters as wide as the star, then rise steeply and run together."
    )
    return figures.show(figure, alt, sentence)
