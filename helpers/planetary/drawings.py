"""Drawings of workbook 11: pixels against the finest detail, lucky frames, and light against exposure."""

from dataclasses import replace
from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers import planetary, seeing
from helpers import rig as rigs
from helpers.classroom import figures
from helpers.classroom.panels import Drawing
from helpers.shared import optics

GREEN, RED = 550 * u.nm, 850 * u.nm
BANDS = {
    "all light": None,
    "green (500 to 600 nm)": [500, 600] * u.nm,
    "near infrared (beyond 700 nm)": [700, 1100] * u.nm,
}
BITS = {"8 bit": 8, "12 bit (sent as 16)": 12}
LINK = "USB 3"
MARGIN = 1.5  # side of the read-out region over the planet's diameter
_FINE, _GRID, _RADIUS, _PERIOD = 8, 768, 30, 2.2  # samples in wavelength / aperture; grid; disc and bands in the latter


def focal_ratio(rig):
    """Of the telescope alone, a plain number."""
    return float(rig.telescope.focal_length / rig.telescope.aperture)


def extender(rig, wavelength=GREEN):
    """Extender that brings the rig to its finest detail; 1 where none is needed."""
    telescope = rig.telescope
    factor = planetary.amplifier(rig.guide_camera.pixel_size, wavelength, telescope.aperture, telescope.focal_length)
    return max(1.0, factor)


@lru_cache(maxsize=4)
def _planet(obstruction):
    """A disc with fine bands as an aperture passes it, `_FINE` samples to wavelength / aperture."""
    place = (np.arange(_GRID) - (_GRID - 1) / 2) / _FINE
    y, x = np.meshgrid(place, place, indexing="ij")
    light = np.where(np.hypot(x, y) < _RADIUS, 0.7 + 0.3 * np.cos(2 * np.pi * y / _PERIOD), 0)
    frequency = np.fft.fftfreq(_GRID, 1 / _FINE)
    passes = optics.aperture_transfer(np.minimum(np.hypot(*np.meshgrid(frequency, frequency)), 1.0), obstruction)
    return np.fft.ifft2(np.fft.fft2(light) * passes).real


def _bands_left(picture, samples):
    """Strength of the bands in a picture with pixels of so many samples."""
    rows = picture.shape[0]
    y = (np.arange(rows) - (rows - 1) / 2) * samples / _FINE
    inside = np.abs(y) < 0.6 * _RADIUS
    column = picture[inside][:, rows // 2 - max(1, 64 // samples) : rows // 2 + max(1, 64 // samples)].mean(axis=1)
    return np.abs(np.mean((column - column.mean()) * np.exp(-2j * np.pi * y[inside] / _PERIOD)))


@lru_cache(maxsize=4)
def _pictures(obstruction):
    """Four pictures of the disc, and the share of the bands' strength that each keeps."""
    fine = _planet(obstruction)
    found = []
    for samples in (16, 8, 4, 2):
        size = _GRID // samples
        picture = fine.reshape(size, samples, size, samples).mean(axis=(1, 3))
        found.append((picture, _bands_left(picture, samples) / _bands_left(fine, 1)))
    return found


def pixels_on_a_planet(rig):
    """A disc with bands, as the reader's telescope shows it, on four kinds of pixels."""
    telescope = rig.telescope
    found = _pictures(telescope.central_obstruction)
    just = planetary.critical_pixel(telescope.aperture, GREEN)
    figure, axes = figures.new_figure(1, 4, width=8, height=2.6)
    titles = ("4 times too coarse", "2 times too coarse", "just fine enough", "finer than that")
    for place, (picture, _), title in zip(axes, found, titles, strict=True):
        place.imshow(picture, cmap="gray", vmin=0, vmax=1)
        place.set_axis_off()
        place.set_title(title, fontsize=12)
    kept = [f"{share:.0%}" for _, share in found]
    return figures.show(
        figure,
        "Four pictures of one disc with narrow bands. The bands are gone or false with the coarsest pixels, weak and "
        "uneven with the next, there with the third, and hardly stronger with the finest.",
        f"These bands are {_PERIOD:g} times as wide as the finest that a telescope shows. Of their strength {kept[0]}, "
        f"{kept[1]}, {kept[2]} and {kept[3]} are left. Just fine enough is a pixel of "
        f"{just.value:.2f} arcsec behind your {telescope.aperture.to_value(u.mm):.0f} mm.",
    )


def sampling(rig):
    """Focal ratio that a pixel needs, and what the telescope has with an extender."""
    pixels, plain, telescope = np.linspace(1, 8, 60) * u.um, focal_ratio(rig), rig.telescope
    figure, axes = figures.new_figure(width=7.4, height=4)
    (needed,) = axes.plot(pixels, pixels.value, **figures.line_look(0))
    (have,) = axes.plot(pixels.value, pixels.value, **figures.line_look(6))
    (here,) = axes.plot([3], [10], "o", color="black")
    names = [
        figures.label_curve(axes, [1.5], [1.0], text, ha="left", color=figures.COLOURS[k], above=above)
        for text, k, above in (("needed for the finest detail", 0, False), ("telescope with extender", 6, True))
    ]
    axes.set(ylim=(0, 34), xlim=(1, 8))
    figures.label(axes, "pixel size [µm]", "focal ratio [-]")

    def update(pixel, wavelength, factor):
        ratios = planetary.critical_focal_ratio(pixels, wavelength)
        goal, ratio = planetary.critical_focal_ratio(pixel, wavelength), plain * factor
        needed.set_ydata(ratios)
        have.set_ydata(np.full(pixels.size, ratio))
        here.set_data([pixel.value], [goal])
        names[0].xy, names[1].xy = (5.0, np.interp(5.0, pixels.value, ratios)), (1.2, ratio)
        across = planetary.pixels_across(planetary.LARGEST_DIAMETER["Jupiter"], pixel, telescope.focal_length * factor)
        state = (
            "just right"
            if 0.85 < ratio / goal < 1.15
            else "too coarse, detail is lost"
            if ratio < goal
            else "finer than needed, at the cost of light in each pixel"
        )
        return (
            f"Needed: f/{goal:.1f}. With the extender: f/{ratio:.1f}, {state}. Jupiter would be {across:.0f} "
            "pixels wide."
        )

    alt = (
        "The focal ratio that is needed rises in a straight line with the pixel size; a level line shows what the "
        "telescope has with its extender."
    )
    return Drawing(figure, (needed, have, here, *names), update, alt)


def lucky_frames(rig):
    """Share of lucky frames and finest detail over the aperture, in green and near infrared."""
    mine, site = rig.telescope.aperture, seeing.atmosphere_for(rig.site)
    apertures = np.unique(np.append(np.linspace(50, 500, 31), mine.to_value(u.mm))) * u.mm
    figure, (left, right) = figures.new_figure(1, 2, width=8, height=4)
    colours = {GREEN: ("green, 550 nm", 2), RED: ("near infrared, 850 nm", 6)}
    shares = [left.semilogy(apertures, apertures.value, **figures.line_look(k))[0] for _, k in colours.values()]
    (dots,) = left.plot(2 * [mine.to_value(u.mm)], [1, 1], "o", color="black")
    for (colour, (text, k)), at, above in zip(colours.items(), (0.3, 0.3), (False, True), strict=True):
        detail = planetary.finest_detail(apertures, colour)
        right.plot(apertures, detail, **figures.line_look(k))
        own = planetary.finest_detail(mine, colour)
        right.plot([mine.to_value(u.mm)], [own.value], "o", color="black")
        style = {"ha": "left" if above else "right", "color": figures.COLOURS[k], "va": "bottom" if above else "top"}
        figures.label_curve(right, apertures, detail, text.split(",")[0], at, None, **style)
    names = [
        figures.label_curve(left, [60.0], [1.0], text.split(",")[0], color=figures.COLOURS[k], above=k == 6, ha=side)
        for (text, k), side in zip(colours.values(), ("right", "left"), strict=True)
    ]
    left.set(ylim=(1e-4, 2.5), xlim=(30, 510))
    right.set(ylim=(0, None), xlim=(30, 510))
    left.set_yticks([1, 0.1, 0.01, 0.001, 0.0001], ["all", "1 in 10", "1 in 100", "1 in 1,000", "1 in 10,000"])
    left.minorticks_off()
    figures.label(left, "aperture [mm]", None, "lucky frames")
    figures.label(right, "aperture [mm]", "width of a point [arcsec]", "finest detail in them")

    def update(width, altitude):
        air = seeing.Atmosphere(width, site.outer_scale, site.layers)
        airmass = 1 / np.sin(altitude.to_value(u.rad))
        own, told = [], []
        for line, name, colour, start, last in zip(shares, names, colours, (1e-2, 0.3), (500, 320), strict=True):
            values = np.maximum(planetary.lucky_share(apertures, air, colour, airmass), 1e-9)
            line.set_ydata(values)
            own.append(planetary.lucky_share(mine, air, colour, airmass))
            at = min(np.searchsorted(-values, -start), np.searchsorted(apertures.value, last))
            name.xy = (apertures.value[at], max(values[at], 2e-4))
            held = planetary.coherence_time(air, colour, airmass).value
            told.append(f"{one_in(own[-1])} at {colour.value:.0f} nm (the air holds still for {held:.1f} ms)")
        dots.set_ydata(own)
        details = [planetary.finest_detail(mine, colour).value for colour in colours]
        return (
            f"Your {mine.to_value(u.mm):.0f} mm, lucky frames: {told[0]}, {told[1]}. In them a point is "
            f"{details[0]:.2f} and {details[1]:.2f} arcsec wide."
        )

    alt = (
        "Left: the share of lucky frames falls steeply with the aperture, and is larger at 850 nm. Right: the finest "
        "detail gets smaller with aperture, and is coarser at 850 nm. Dots: the reader's telescope."
    )
    moving = (*shares, dots, *names)
    return Drawing(figure, moving, update, alt, hidden=moving)


def one_in(share):
    """A share in words."""
    if share > 0.95:
        return "nearly all"
    if share > 0.1:
        return f"{10 * share:.0f} in 10" if share > 0.15 else "1 in 10"
    if share > 1e-6:
        count = 1 / share
        return f"1 in {float(f'{count:.2g}'):,.0f}"
    return "none"


def region(rig, planet, focal_length, diameter=None):
    """Side in pixels of the square to read out for a planet, at most the sensor's shorter side."""
    camera = rig.guide_camera
    diameter = planetary.LARGEST_DIAMETER[planet] if diameter is None else diameter
    across = planetary.pixels_across(diameter, camera.pixel_size, focal_length)
    return int(min(np.ceil(MARGIN * across / 8) * 8, camera.columns, camera.rows))


def light_and_time(rig):
    """Electrons in the brightest pixel against the exposure, between the light that read noise drowns and full well."""
    camera, telescope = rig.guide_camera, rig.telescope
    full, read = camera.full_well.value, max(camera.read_noise.value, 0.3) ** 2
    times = np.geomspace(0.1, 1000, 41) * u.ms
    still = planetary.coherence_time(seeing.atmosphere_for(rig.site), GREEN).to_value(u.ms)
    figure, axes = figures.new_figure(width=7.8, height=4.2)
    axes.set(xscale="log", yscale="log", xlim=(0.1, 1000), ylim=(0.05, 20 * full))
    (line,) = axes.plot(times, times.value, **figures.line_look(0))
    axes.axhline(full, color="black", linestyle="--", linewidth=1.6)
    axes.axhline(read, color=figures.GREY, linestyle=":", linewidth=1.6)
    axes.text(0.12, full * 1.25, "a pixel is full")
    axes.text(900, read * 1.25, "light with a noise as large as read noise", ha="right", color=figures.GREY)
    axes.axvline(still, color=figures.COLOURS[2], linestyle="-.")
    (frame,) = axes.plot([1, 1], [1e-3, 1e9], color=figures.COLOURS[6], linestyle=(0, (8, 3)))
    axes.text(still / 1.08, 6 * full, "air holds still", ha="right", color=figures.COLOURS[2])
    frame_name = axes.text(1, 0.08, "", color=figures.COLOURS[6])
    name = figures.label_curve(axes, [10.0], [1.0], "brightest pixel", color=figures.COLOURS[0], above=False, ha="left")
    figures.log_ticks(axes, x=[0.1, 1, 10, 100, 1000], y=[0.1, 1, 10, 100, 1000, 10000])
    figures.label(axes, "exposure [ms]", "electrons in one exposure [electron]")

    def update(planet, light, factor, link):
        focal_length = telescope.focal_length * factor
        filled = planetary.filling_exposure(rig, planet, focal_length, 1, BANDS[light])
        line.set_ydata((times / filled).to_value(u.one) * full)
        name.xy = (30, float(30 * u.ms / filled) * full)
        side = region(rig, planet, focal_length)
        rate = planetary.frame_rate((side, side), 12, link)
        wait = (1 / rate).to_value(u.ms)
        frame.set_xdata([wait, wait])
        sensor = rate == planetary.sensor_rate((side, side), 12)
        frame_name.set(x=wait * 1.08, text=f"one frame, by the {'sensor' if sensor else 'link'}")
        seen = planetary.disc_signal(rig, planet, focal_length, still * u.ms, BANDS[light])
        return (
            f"{planet}, {side} x {side} pixels: {rate.value:.0f} frames a second, one every {wait:.1f} ms: the "
            f"{'sensor is' if sensor else f'link, {link}, is'} the limit. In the {still:.1f} ms that the air holds "
            f"still the brightest pixel gets {seen.filling:.1%} of what it holds, a pixel of the disc "
            f"{seen.electrons.value:.0f} electrons on the average (signal to noise "
            f"{seen.signal_to_noise:.0f}). "
            f"{(0.7 * filled).to_value(u.ms):.0f} ms would fill it to 70%. From mark to mark either axis grows "
            "tenfold."
        )

    alt = (
        "A straight line that rises with the exposure, between a dotted line (light whose noise is as large as "
        "read noise) and a dashed one (full). Upright: how long the air holds still, and how long one frame takes."
    )
    return Drawing(figure, (line, name, frame, frame_name), update, alt)


def demo_cameras(rig):
    """The rig with the reader's guide camera and with the two of the demo rigs."""
    demo = {f"demo camera {name}": rigs.demo_rig(guide_camera=name).guide_camera for name in "AB"}
    cameras = {"mine": rig.guide_camera} | demo
    return {name: replace(rig, guide_camera=camera) for name, camera in cameras.items()}
