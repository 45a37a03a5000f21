"""Drawings of workbook 02: a star that stands still and seems to dance, one change per bar, pixels and the place of a
star among them.
"""

from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers import pixel_scale, starlight
from helpers import rig as rigs
from helpers.classroom import figures
from helpers.classroom.panels import Drawing
from helpers.multi_star import measure_stars
from helpers.multi_star.centroids import METHODS
from helpers.seeing import atmosphere_for, image_motion
from helpers.starlight import spectra

WANTED = 0.1 * u.arcsec  # one-axis error of a star that is good enough to guide on
DARK_SKY, CITY_SKY = (value * u.mag / u.arcsec**2 for value in (21.5, 17.5))
BAR_NAMES = ("start", "+ low\nread noise", "+ better\nsensor", "+ dyes", "+ city\nsky", "+ filter")
BLOCKING, LONG_PASS = "infrared-blocking", "long-pass"
SURELY_FOUND = 0.995  # share of the exposures from which on nobody misses the others
_PICTURES = 60
_OFFSET = 20  # a camera adds such a number to every pixel, so that noise does not push it below zero
_SENSOR = ("mosaic", "read_noise", "peak_quantum_efficiency", "quantum_efficiency_850", "dark_current", "full_well")
_WIDEST, _NARROWEST = 10, 0.7  # width of a star in pixels, at the ends of the slider
_NAMED_AT = 0.004  # arcsec
_MOSTLY = 0.95  # share of the exposures in which a star is found; below, its curve is dotted
_STEPS = (1, 1.5, 2, 3, 4, 6, 8, 10, 12, 15, 20, 25, 30, 40)


def air_of(rig):
    """Wander of a star by the air in one exposure, one axis."""
    return image_motion(rig.guide_optics.aperture, atmosphere_for(rig.site), rig.guiding.exposure)


def notices(rig):
    """Movement that just shows in the picture, one axis."""
    return pixel_scale.compare_scales(rig).noticed


def faintest(view):
    """The faintest star whose centre is known to 0.1 arcsec, sampling floor included; None if there is none."""
    limit = float(view.faintest(WANTED))
    return limit if view.signal(limit).centroid_error <= WANTED * (1 + 1e-6) else None


def pixels_wide(seen):
    """Width of a star in pixels, of a view or a signal."""
    return float((seen.fwhm / seen.pixel_scale).to_value(u.pix))


def in_words(magnitude):
    """A magnitude, or that there is no such star."""
    return "no star" if magnitude is None else f"{magnitude:.1f}"


def example_star(rig):
    """A faint star of the rig, in half magnitudes: light and reading alone leave its centre unknown by 0.1 arcsec."""
    grid = np.arange(0, 20, 0.5)
    errors = starlight.view(rig).signal(grid).noise_error
    return float(grid[np.argmin(np.abs(np.log(errors / WANTED)))])


def measured(view, magnitude, motion, seed, side=None):
    """Frames of one star [electron, background taken off], its true and measured places [pixels], and which count.

    motion : (frames, 2) in pixels, about the middle of the frame. Of both ways of measuring the one is taken that comes
    closer, as errors are foretold for the better one.
    """
    width = pixels_wide(view)
    box = max(9, 2 * round(2.5 * width) + 1) + 2 * int(np.ceil(np.abs(motion).max()))
    side = box + 2 if side is None else side
    middle = side // 2
    moved = motion[:, None] * u.pix * view.pixel_scale
    rng = np.random.default_rng(seed)
    frames = view.frames(
        [[middle, middle]], u.Quantity([magnitude], u.mag), moved, rng, (side, side), offset=_OFFSET
    ).astype(float)
    step, true = view.gain_setting.step.value, middle + motion
    found = []
    for method in METHODS:
        seen = measure_stars(frames, [[middle, middle]], box, method, width * u.pix, step * u.electron / u.DN)
        found.append((seen.centroids.value[:, 0], seen.measured[:, 0]))
    behind = (view.sky + view.dark).value / view.rig.guide_camera.binning**2
    pictures = (frames - _OFFSET) * step - behind
    closer = min(found, key=lambda one: np.sum((one[0] - true)[one[1]] ** 2) / max(1, one[1].sum()))
    return pictures, true, *closer


def _single_pixels(rig):
    """The rig as its frames are drawn: not binned."""
    return rigs.changed(rig, {"guide_camera.binning": 1})


def dancing_star(rig):
    """Left: one guide picture of a star. Right: its measured centre in sixty of them, though it stands still."""
    drawn = _single_pixels(rig)
    first, limits = starlight.view(drawn), (notices(rig).value, air_of(rig).value)
    side = max(11, 2 * round(2.5 * pixels_wide(first)) + 3)
    still = np.zeros((_PICTURES, 2))
    figure, (left, right) = figures.new_figure(1, 2, width=8, height=4.2)
    scale, reach = first.pixel_scale.value, 1.2
    picture = figures.show_pixels(left, np.zeros((side, side)), scale, "arcsec", vmin=0, vmax=1)
    left.set_title("one guide picture")
    bars, show = figures.places_measured(right, reach, *limits, colour=figures.COLOURS[6])
    right.set_title(f"its centre in {_PICTURES} pictures")

    def update(magnitude, exposure):
        view = starlight.view(drawn, exposure)
        signal = view.signal(magnitude)
        pictures, true, found, counts = measured(view, magnitude, still, 2, side)
        picture.set_data(pictures[0])
        picture.set_clim(-3 * np.sqrt(signal.background.value), max(8.0, 0.8 * pictures[0].max()))
        errors = (found - true)[counts] * scale
        show(errors[:, 0])
        start = f"{signal.electrons.value:,.0f} electrons, {signal.signal_to_noise:.0f} times the noise. "
        if signal.saturated:
            return start + "Its brightest pixels are full: what they cut off spoils the centre."
        if not signal.measurable:
            return start + "Below 3 there is no star to speak of: noise makes such spots everywhere."
        share, error = view.found(magnitude)
        expected = np.sqrt(max(error.value**2 - signal.sampling_floor.value**2, 0))
        lost = ""
        if share < SURELY_FOUND or not counts.all():
            lost = f" Found in {counts.sum()} of {_PICTURES}, expected: {share:.0%}."
        spread = f"{np.sqrt(np.mean(errors**2)):.3f} arcsec rms" if counts.sum() > 10 else "too few to tell"
        return (
            f"{start}Beside the true place, each axis: {spread}; expected: {expected:.3f}, give or take "
            f"{expected / np.sqrt(4 * max(1, counts.sum())):.3f}.{lost}"
        )

    alt = (
        "Left: a guide picture of the star. Right: bars for how often its centre was measured how far beside its "
        "true place in sixty such pictures, and two pairs of lines: what "
        "shows in the picture, what the air moves a star in one exposure."
    )
    return Drawing(figure, (picture, bars), update, alt, hidden=(bars,))


def with_camera(rig, camera, sky=None, filter_name=None, **other):
    """The rig's optics with the sensor of a demo camera, under another sky, behind another filter."""
    sensor = {f"guide_camera.{name}": getattr(camera, name) for name in _SENSOR}
    changes = sensor | {f"guide_camera.{name}": value for name, value in other.items()}
    if sky is not None:
        changes["site.sky_brightness"] = sky
    if filter_name is not None:
        changes["guide_optics.filter"] = filter_name
    return rigs.changed(rig, changes)


def demo_cameras():
    """The invented guide cameras A and B."""
    return tuple(rigs.demo_rig("club", name).guide_camera for name in "AB")


@lru_cache(maxsize=8)
def _views(rig):
    """Views after each change, one at a time; the last two are the choice of filters."""
    old, new = demo_cameras()
    dark, city = {"sky": DARK_SKY, "filter_name": "none"}, {"sky": CITY_SKY, "filter_name": "none"}
    states = [
        with_camera(rig, old, **dark),
        with_camera(rig, old, read_noise=new.read_noise, **dark),
        with_camera(rig, new, mosaic=False, **dark),
        with_camera(rig, new, **dark),
        with_camera(rig, new, **city),
        *(with_camera(rig, new, **city | {"filter_name": name}) for name in (BLOCKING, LONG_PASS)),
    ]
    return [starlight.view(_single_pixels(state)) for state in states]


def one_by_one(rig, magnitude):
    """Errors of a star after each change, and the views: start, read noise, sensor, dyes, sky, blocking, long-pass."""
    return [view.signal(magnitude) for view in _views(rig)], _views(rig)


def one_change_per_bar(rig):
    """The error of a star's centre, camera and sky changed one thing at a time."""
    views = _views(rig)
    limits = [in_words(faintest(view)) for view in views]
    here = "" if rig.site.sky_brightness == DARK_SKY else "; the skies are this figure's, not yours"
    figure, axes = figures.new_figure(width=8, height=4.2)
    places, low = np.arange(len(BAR_NAMES)), 0.003
    axes.set_yscale("log")
    bars = axes.bar(places, np.ones(len(places)), 0.62, color=figures.COLOURS[5], edgecolor="black", linewidth=0.8)
    floors = axes.bar(places, np.ones(len(places)), 0.62, color="none", hatch="//", edgecolor="black", linewidth=0.8)
    # the numbers stand at the foot of the bars: on their tops they would lie on the two lines
    names = [figures.label_curve(axes, [float(k)], [low], "", fontsize=12) for k in places]
    axes.set_xticks(places, BAR_NAMES, fontsize=11)
    axes.set(ylim=(low, 8), xlim=(-0.6, 7.6))
    figures.ruler(axes, notices=notices(rig).value, air=air_of(rig).value)
    figures.log_ticks(axes, y=[0.01, 0.03, 0.1, 0.3, 1, 3])
    figures.label(axes, None, "error of the centre, one axis [arcsec]", "one change after the other")

    def update(magnitude, kind):
        signals, _ = one_by_one(rig, magnitude)
        shown, hatched = [*range(5), 5 if kind == BLOCKING else 6], False
        for place, k in enumerate(shown):
            signal = signals[k]
            error = float(signal.centroid_error.value)
            bars[place].set_height(error)
            floor = float(signal.sampling_floor.value) if signal.measurable else 0.0
            floors[place].set_height(max(floor, low / 2))
            hatched |= floor > low
            text = f"{error:.3f}" if signal.measurable else "no star"
            names[place].set_text(text)
        coarse = (
            "Hatched: the part that coarse pixels and dyes cause by the star's place among them."
            if hatched
            else "A star's place among pixels as fine as yours adds nothing that shows."
        )
        return (
            f"Numbers on the bars: error for magnitude {magnitude.value:g} (start: camera A far from lamps{here}). "
            f"Faintest star for 0.1 arcsec: {limits[0]} with camera A, {limits[3]} with B, {limits[shown[-1]]} in the "
            f"end. {coarse} (Each number up the side is about three times the one below.)"
        )

    alt = (
        "Six bars, the error of a star's centre after one change each; where pixels are coarse, the part that they and "
        "dyes cause is hatched. Two lines: what shows in the picture, and the air in one exposure."
    )
    asked = (*bars[3:], *floors[3:], *names[3:])  # the changes of which the guess asks
    return Drawing(figure, (*bars, *floors, *names), update, alt, hidden=asked)


def pixel_sizes(rig):
    """Sizes at which a star is 10 to 0.7 pixels wide [um], and one of about a pixel: ends and start of the slider."""
    per_um = starlight.view(_single_pixels(rig)).pixel_scale.value / rig.guide_camera.pixel_size.value
    width = starlight.guide_star_fwhm(rig).value
    low, high = (width / pixels / per_um for pixels in (_WIDEST, _NARROWEST))
    start = min(_STEPS, key=lambda size: abs(np.log(size * per_um / width * 1.1)))
    return round(float(low), 1), round(float(high), 1), float(np.clip(start, low, high))


def of_pixel(rig, size, mosaic):
    """The view of the rig with other pixels, not binned; the rest of the camera as it is."""
    values = {"guide_camera.pixel_size": size * u.um, "guide_camera.mosaic": mosaic}
    return starlight.view(rigs.changed(_single_pixels(rig), values))


def bright_star(rig):
    """A magnitude that fills a pixel of the largest size to a quarter."""
    largest = pixel_sizes(rig)[1]
    return round(max(of_pixel(rig, largest, mosaic).brightest() for mosaic in (False, True)) + 1.5, 1)


def _ways(count=_PICTURES):
    """Places of a star that stays put, drifts and wanders, in pixels, (frames, 2)."""
    drift = np.stack([np.linspace(-1.5, 1.5, count), np.full(count, 0.25)], axis=1)
    put = np.tile([0.25, 0.25], (count, 1))
    wander = np.random.default_rng(5).normal(0, 1.0, (count, 2))
    return {"stays put": put, "drifts 3 pixels": drift, "wanders 1 pixel rms": wander}


def pixels_and_places(rig):
    """Left: error against pixel size, with the part by the place in a pixel. Right: that part as it goes in time."""
    low, high, _ = pixel_sizes(rig)
    sizes, magnitude = np.geomspace(low, high, 22), bright_star(rig)
    figure, (curve, course) = figures.new_figure(1, 2, width=8, height=4.2, width_ratios=[1.25, 1])
    (total,) = curve.loglog(sizes, sizes, **figures.line_look(0))
    (noise,) = curve.plot(sizes, sizes, color=figures.GREY, linewidth=1.4)
    (floor,) = curve.plot(sizes, sizes, **figures.line_look(6))
    (here,) = curve.plot([sizes[0]], [1.0], "o", color="black")
    names = [
        figures.label_curve(curve, [sizes[5]], [1.0], text, color=colour, fontsize=11)
        for text, colour in (("both", figures.COLOURS[0]), ("place in the pixel", figures.COLOURS[6]))
    ]
    names[1].set_ha("right")
    curve.set(ylim=(1e-3, 5))
    figures.ruler(curve, notices=notices(rig).value, air=air_of(rig).value)
    ticks = [size for size in _STEPS if low <= size <= high and size not in (1.5, 8, 12, 25)]
    figures.log_ticks(curve, x=ticks, y=[0.003, 0.01, 0.03, 0.1, 0.3, 1, 3])
    figures.label(curve, "pixel size [µm]", "error of the centre, one axis [arcsec]", "grey: light and reading alone")
    ways, frames, gap = _ways(), np.arange(_PICTURES), 0.5
    traces = []
    for k, text in enumerate(ways):
        course.axhline(-gap * k, color="#b0b0b0", linewidth=0.8)
        traces += course.plot(frames, np.zeros(_PICTURES), color=figures.COLOURS[(0, 6, 2)[k]], linewidth=1.4)
        figures.label_curve(course, [_PICTURES / 2], [0.13 - gap * k], text, color=figures.COLOURS[(0, 6, 2)[k]])
    course.set(ylim=(-gap * 2.5, gap * 0.55))
    course.set_yticks([])
    figures.label(course, "number of the picture [-]", None, "error; lines 0.5 pixel apart")

    @lru_cache(maxsize=4)
    def along(mosaic):
        signals = [of_pixel(rig, size, mosaic).signal(magnitude) for size in sizes]
        return [np.array([getattr(s, name).value for s in signals]) for name in _ERRORS]

    def update(size, dyes):
        mosaic = dyes == "colour mosaic"
        view = of_pixel(rig, size.to_value(u.um), mosaic)
        signal = view.signal(magnitude)
        for line, values in zip((total, noise, floor), along(mosaic), strict=True):
            line.set_ydata(values)
        names[0].xy = (sizes[5], total.get_ydata()[5])
        at = int(np.argmax(floor.get_ydata() > _NAMED_AT))  # where its name stands clear of the other curves
        names[1].xy = (sizes[at], _NAMED_AT)
        here.set_data([size.to_value(u.um)], [signal.centroid_error.value])
        for k, (line, way) in enumerate(zip(traces, ways.values(), strict=True)):
            _, true, found, counts = measured(view, magnitude, way, 3 + k)
            errors = np.where(counts, (found - true)[:, 0], np.nan)
            line.set_ydata(np.clip(errors, -0.24, 0.24) - gap * k)
        return (
            f"A star is {pixels_wide(signal):.1f} pixels wide, magnitude {magnitude:g}. Light and "
            f"reading alone: {signal.noise_error.value:.3f} arcsec; with the place in the pixel: "
            f"{signal.centroid_error.value:.3f}."
        )

    alt = (
        "Left: error against pixel size; the part by the place in a pixel rises where pixels are nearly as wide as the "
        "star, under a colour mosaic where they are half as wide. Right: the error in sixty pictures: a steady offset, "
        "slow waves, noise."
    )
    return Drawing(figure, (total, noise, floor, here, *names, *traces), update, alt)


_ERRORS = ("centroid_error", "noise_error", "sampling_floor")


def _efficiency(axes):
    """Draw what share of light counts in cameras A and B; how much more B counts at 850 nm, and from where on more."""
    old, new = demo_cameras()
    wavelength = starlight.WAVELENGTHS
    dyed = starlight.quantum_efficiency(new, wavelength) * spectra.mosaic_transmission("mean", wavelength)
    plain = starlight.quantum_efficiency(old, wavelength)
    blocked = spectra.filter_transmission(BLOCKING, wavelength)
    curves = ((plain, "A", 0.2, "right"), (dyed, "B, dyes", 0.68, "left"), (blocked, "blocking filter", 0.36, "left"))
    for k, (values, text, at, side) in enumerate(curves):
        axes.plot(wavelength, values, **figures.line_look(k))
        figures.label_curve(axes, wavelength.value, values, text, at, color=figures.COLOURS[k], ha=side)
    axes.set(xlim=(350, 1080), ylim=(0, 1.12))
    figures.label(axes, "wavelength [nm]", "share of the light that counts [-]")
    at = int(np.argmin(np.abs(wavelength.to_value(u.nm) - 850)))
    below = wavelength[(dyed < plain) & (wavelength < 850 * u.nm)]
    return dyed[at] / plain[at], below[-1]


@lru_cache(maxsize=4)
def _checks(rig):
    """Magnitudes, measured errors of simulated pictures, and the errors foretold."""
    view = starlight.view(_single_pixels(rig))
    limit = view.brightest()
    magnitudes = np.linspace(limit + 1, limit + 7, 5)
    errors = []
    for k, magnitude in enumerate(magnitudes):
        motion = np.random.default_rng(k).uniform(-0.5, 0.5, (150, 2))
        _, true, found, counts = measured(view, magnitude, motion, 20 + k)
        errors.append(
            np.sqrt(np.mean((found - true)[counts] ** 2)) * view.pixel_scale.value if counts.sum() > 30 else 0
        )
    return magnitudes, np.array(errors)


def colours_and_measurements(rig):
    """Left: which colours of light count. Right: centroid error foretold, measured, and of a Gaussian spot."""
    view = starlight.view(_single_pixels(rig))
    magnitudes, errors = _checks(rig)
    grid = np.linspace(magnitudes[0], max(magnitudes[-1], view.faintest(1 * u.deg)), 80)
    signal = view.signal(grid)
    figure, (colours, axes) = figures.new_figure(1, 2, width=8, height=4)
    more, crossing = _efficiency(colours)
    gaussian = starlight.centroid_error(
        signal.fwhm, signal.electrons, signal.background, signal.pixel_scale, "maximum likelihood"
    )
    share, foretold = view.found(grid)
    axes.semilogy(grid, np.where(share >= _MOSTLY, foretold.value, np.nan), **figures.line_look(0))
    axes.plot(grid, np.where(share <= _MOSTLY + 0.02, foretold.value, np.nan), color=figures.COLOURS[0], linestyle=":")
    axes.plot(grid, gaussian.value, **figures.line_look(6))
    kept = errors > 0
    axes.plot(magnitudes[kept], errors[kept], "o", color="black")
    figures.label_curve(axes, grid, foretold.value, "foretold", 0.3, ha="right", color=figures.COLOURS[0])
    style = {"color": figures.COLOURS[6], "ha": "left"}
    figures.label_curve(axes, grid, gaussian.value, "Gaussian spot", 0.3, above=False, **style)
    figures.ruler(axes, notices=notices(rig).value, air=air_of(rig).value)
    axes.set_ylim(0.002, 3)
    figures.log_ticks(axes, y=[0.003, 0.01, 0.03, 0.1, 0.3, 1])
    figures.label(axes, "magnitude, Gaia G [mag]", "error of the centre, one axis [arcsec]", "dots: measured")
    ratio = errors[kept] / view.found(magnitudes[kept])[1].value
    sentence = (
        f"At 850 nm, in the near infrared, camera B counts {more:.1f} times what A counts, its dyes included; a "
        "blocking filter stops it "
        "all "
        "(curves invented; that dyes turn clear there: common practice, no source). On simulated pictures of your rig "
        f"the error is {ratio.min():.2f} to {ratio.max():.2f} times what is foretold; where its line is dotted, "
        f"the star is found in less than {_MOSTLY:.0%} of them."
    )
    alt = (
        f"Left: B is below A in the visible and above it beyond {crossing.value:.0f} nm. Right: dots on the curve of "
        "the foretold error."
    )
    return figures.show(figure, alt, sentence, fold="which colours count; the error, foretold and measured")
