"""Drawings of workbook 04: a star that boils and wanders, its wander against aperture, and what an exposure averages
away.
"""

from dataclasses import dataclass
from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers import pixel_scale, seeing
from helpers.classroom import figures
from helpers.classroom.panels import Drawing
from helpers.correction_loop import mount
from helpers.seeing import instant_pictures, simulated_motion
from helpers.starlight.widths import detected_wavelength

_SCALE, _PIXELS = 0.2 * u.arcsec, 60  # of the drawn stars
_BETWEEN = 0.03 * u.s  # from one picture of the film to the next
_FINE, _PLACES = 0.1 * u.s, 300  # the drawn wander: one place each tenth of a second, half a minute long
_SIGMA = 2.3548  # FWHM of a Gaussian in units of its rms


@dataclass(frozen=True)
class Film:
    """One star through moving air: pictures (n, rows, columns), the middle of its light (n, 2) in arcsec."""

    pictures: np.ndarray
    track: np.ndarray

    @property
    def wander(self):
        """One-axis rms of the middle about its mean place."""
        return np.sqrt(np.mean((self.track - self.track.mean(axis=0)) ** 2)) * u.arcsec


@lru_cache(maxsize=4)
def _film(aperture_mm, obstruction, site, count):
    air, times = seeing.atmosphere_for(site), _BETWEEN * np.arange(count)
    rng, aperture = np.random.default_rng(4), aperture_mm * u.mm
    pictures = instant_pictures.star_images(aperture, air, times, rng, _SCALE, _PIXELS, central_obstruction=obstruction)
    angles = _SCALE.value * (np.arange(_PIXELS) - (_PIXELS - 1) / 2)
    light = pictures.sum(axis=(1, 2))
    track = np.stack([pictures.sum(axis=1) @ angles, pictures.sum(axis=2) @ angles], axis=1) / light[:, None]
    return Film(pictures, track)


def film(rig, count=150):
    """The film of a star behind the rig's guide optics, the same at each call."""
    optics = rig.guide_optics
    return _film(optics.aperture.to_value(u.mm), optics.central_obstruction, rig.site, count)


def boiling_star(rig):
    """Left: the star at one instant. Right: all instants added, and the way of its middle."""
    shot = film(rig)
    count, reach = len(shot.pictures), _SCALE.value * _PIXELS / 2
    figure, (left, right) = figures.new_figure(1, 2, width=8, height=4.2)
    edges, brightest = (-reach, reach, -reach, reach), 0.7 * np.median(shot.pictures.max(axis=(1, 2)))
    now = left.imshow(shot.pictures[0], origin="lower", extent=edges, vmax=brightest)
    right.imshow(shot.pictures.mean(axis=0), origin="lower", extent=edges)
    right.plot(*shot.track.T, color="white", linewidth=0.8)
    marks = []
    for axes, title in ((left, "one instant"), (right, f"all {count} instants added")):
        axes.grid(False)
        axes.set(xlim=(-4.5, 4.5), ylim=(-4.5, 4.5))
        figures.label(axes, "x [arcsec]", "y [arcsec]", title)
        marks += axes.plot([0], [0], "+", color=figures.COLOURS[6], markersize=18, markeredgewidth=3)
    seconds = (_BETWEEN * count).value

    def update(number):
        now.set_data(shot.pictures[number])
        for mark in marks:
            mark.set_data(shot.track[number, :1], shot.track[number, 1:])
        return (
            f"At {number * _BETWEEN.value:.2f} s the middle of the light (+) is "
            f"{np.hypot(*shot.track[number]):.2f} arcsec from where the star would stand without air. "
            f"In all {seconds:.1f} s it strays {shot.wander.value:.2f} arcsec rms on each axis."
        )

    alt = (
        "Left: the star at one instant, a boiling cluster of speckles, with a cross at the middle of its light. "
        "Right: all "
        "instants added, a blurred spot, with the way of its middle drawn as a thin line."
    )
    return Drawing(figure, (now, *marks), update, alt)


def width_and_wander(rig):
    """Left: the blurred star and the places of its middle. Right: width and wander against the aperture."""
    site, obstruction = rig.site, {"obstruction": rig.guide_optics.central_obstruction}
    colour = detected_wavelength(rig)
    apertures = np.geomspace(30, 1000, 25) * u.mm
    places = np.random.default_rng(7).standard_normal((2, 250))
    figure, (sky, curve) = figures.new_figure(1, 2, width=8, height=4.1, width_ratios=[1, 1.2])
    blur = sky.imshow(np.zeros((60, 60)), origin="lower", extent=(-6, 6, -6, 6), cmap="Greys", vmin=0, vmax=1.6)
    (dots,) = sky.plot([0], [0], ".", color=figures.COLOURS[6], markersize=4)
    sky.set(xlim=(-4.5, 4.5), ylim=(-4.5, 4.5))
    sky.grid(False)
    figures.label(sky, "x [arcsec]", "y [arcsec]", "dots: places of its middle")
    (widths,) = curve.loglog(apertures.value, apertures.value, **figures.line_look(0))
    (moves,) = curve.plot(apertures.value, apertures.value, **figures.line_look(6))
    (chosen,) = curve.plot([100, 100], [1, 1], "o", color="black")
    names = [
        figures.label_curve(curve, [60.0], [1.0], name, color=figures.COLOURS[k], ha="left")
        for name, k in (("width (FWHM)", 0), ("wander, one-axis rms", 6))
    ]
    curve.set(ylim=(0.1, 20))
    figures.log_ticks(curve, x=[30, 100, 300, 1000], y=[0.1, 0.3, 1, 3, 10])
    figures.label(curve, "aperture [mm]", "width or wander [arcsec]")

    def update(diameter, width, airmass):
        air = seeing.at_airmass(instant_air(width, site.outer_scale), airmass)
        widths.set_ydata(seeing.spot_fwhm(apertures, air, colour, **obstruction).value)
        moves.set_ydata(seeing.image_motion(apertures, air).value)
        spot, wander = (
            seeing.spot_fwhm(diameter, air, colour, **obstruction).value,
            seeing.image_motion(diameter, air).value,
        )
        star = pixel_scale.star_image([29.5, 29.5] * u.pix, spot / 0.2 * u.pix, (60, 60)).value
        blur.set_data(star / star.max())
        dots.set_data(*(wander * places))
        chosen.set_data([diameter.to_value(u.mm)] * 2, [spot, wander])
        for name, line in zip(names, (widths, moves), strict=True):
            name.xy = (60, np.interp(60, apertures.value, line.get_ydata()))
        return (
            f"The star is {spot:.2f} arcsec wide and wanders {wander:.2f} arcsec rms on each axis: a blur of "
            f"{_SIGMA * wander:.1f} arcsec by the wander alone."
        )

    alt = (
        "Left: the blurred star of a long exposure, and on it the places that its middle takes from instant to "
        "instant. "
        "Right: width and wander against the aperture; the wander falls slowly."
    )
    return Drawing(figure, (blur, dots, widths, moves, chosen, *names), update, alt)


def instant_air(width, outer_scale):
    """Air of one layer without wind: all that matters for an instant."""
    return seeing.Atmosphere(width, outer_scale, [seeing.Layer(0 * u.m, 1, 0 * u.m / u.s)])


def layered_air(rig, name):
    """The seeing and outer scale of the rig's site with the layers of a named atmosphere."""
    return seeing.Atmosphere(rig.site.seeing, rig.site.outer_scale, seeing.ATMOSPHERES[name].layers)


def averaging(rig):
    """Left: what an exposure leaves of the wander, in all and layer by layer. Right: half a minute of it, and the
    means.
    """
    aperture, notices = rig.guide_optics.aperture, pixel_scale.compare_scales(rig).noticed.value
    exposures = np.geomspace(0.05, 20, 30)
    most = seeing.image_motion(aperture, seeing.atmosphere_for(rig.site)).value
    figure, (curve, motion) = figures.new_figure(1, 2, width=8, height=4.1, width_ratios=[1.3, 1])
    (whole,) = curve.loglog(exposures, exposures, **figures.line_look(0))
    parts = [curve.plot(exposures, exposures, color=figures.GREY, linewidth=1)[0] for _ in range(7)]
    (here,) = curve.plot([1], [1], "o", color="black")
    ends = {"ha": "left", "va": "center", "color": figures.GREY, "fontsize": 11}
    names = [figures.label_curve(curve, [21.0], [1.0], "", above=None, **ends) for _ in parts]
    names.append(figures.label_curve(curve, [0.06], [1.0], "all layers", ha="left", color=figures.COLOURS[0]))
    curve.set(xlim=(0.04, 90), ylim=(0.01, 2 * most))
    figures.ruler(curve, notices=notices, texts=figures.BESIDE_THE_AIR)
    figures.log_ticks(curve, x=[0.1, 0.3, 1, 3, 10], y=[0.01, 0.03, 0.1, 0.3, 1])
    figures.label(curve, "exposure [s]", "what is left, one-axis rms [arcsec]")
    seconds = _FINE.value * (np.arange(_PLACES) + 0.5)
    (thin,) = motion.plot(seconds, seconds, color=figures.GREY, linewidth=0.9)
    (steps,) = motion.plot(seconds, seconds, color=figures.COLOURS[1], linewidth=2.8)
    motion.set(xlim=(0, seconds[-1]), ylim=(-3.2 * most, 3.2 * most))
    figures.label(motion, "time [s]", "place on one axis [arcsec]", "thin: star; thick: exposures")

    @lru_cache(maxsize=8)
    def of(name):
        air = layered_air(rig, name)
        alone = np.array([seeing.motion_by_layer(aperture, air, t * u.s).value for t in exposures]).T
        rng = np.random.default_rng(3)
        place = simulated_motion.simulate_motion([[0, 0]] * u.arcmin, aperture, air, _FINE, _PLACES, rng)[:, 0, 0].value
        return air, alone, np.hypot.reduce(alone), place

    def update(exposure, name):
        air, alone, together, place = of(name)
        left = seeing.motion_by_layer(aperture, air, exposure).value
        rest, instant = np.hypot.reduce(left), seeing.image_motion(aperture, air).value
        whole.set_ydata(together)
        names[-1].xy = (0.06, together[0])
        for k, (line, text) in enumerate(zip(parts, names[:-1], strict=True)):
            line.set_ydata(alone[k] if k < len(alone) else np.full(exposures.size, np.nan))
            text.set_text(f"{air.layers[k].height.value:,.0f} m" if k < len(alone) and _stands_alone(k, alone) else "")
            text.xy = (21, alone[k, -1] if k < len(alone) else 1)
        here.set_data([exposure.value], [rest])
        group = max(1, round(float(exposure / _FINE)))
        means = place[: len(place) // group * group].reshape(-1, group).mean(axis=1)
        thin.set_ydata(place)
        steps.set_data(seconds[: means.size * group], np.repeat(means, group))
        slow = int(np.argmax(left))
        return (
            f"Left of the wander after {exposure.value:.3g} s: {rest:.2f} arcsec, of {instant:.2f} at an instant (rms "
            "on each axis). "
            f"The layer at {_named(air.layers[slow])}, alone leaves {left[slow]:.3f}. Layers add by squares: "
            f"{left[slow]:.3f} x {left[slow]:.3f} is {left[slow] ** 2 / rest**2:.0%} of {rest:.3f} x {rest:.3f}."
        )

    alt = (
        "Left: what an exposure leaves of the wander, falling with its length; thin lines for the single layers of "
        "air, the "
        "fast high ones falling first. Right: a jittery line of the star's place over half a minute, and its mean over "
        "each exposure as steps."
    )
    return Drawing(figure, (whole, *parts, here, *names, thin, steps), update, alt)


def _named(layer):
    return f"{layer.height.value:,.0f} m, wind {layer.wind_speed.value:.0f} m/s"


def _stands_alone(k, alone, apart=1.25):
    """Whether the name of a layer's line has room: no stronger line (or an equal one before it) ends close by."""
    last = alone[:, -1]
    return not any(
        max(last[k], other) / min(last[k], other) < apart and (other, -j) > (last[k], -k)
        for j, other in enumerate(last)
        if j != k
    )


@dataclass(frozen=True)
class Balance:
    """Air and mount against the exposure: all in one-axis rms, arcsec, over `exposures` in s."""

    exposures: np.ndarray
    air: np.ndarray
    mount: np.ndarray

    @property
    def both(self):
        return np.hypot(self.air, self.mount)

    @property
    def best(self):
        """Index of the exposure with the least sum."""
        return int(np.argmin(self.both))

    @property
    def crossing(self):
        """The exposure at which the mount moves the star as far as the air does; None if they don't cross."""
        ahead = self.mount >= self.air
        if ahead.all() or not ahead.any():
            return None
        k = int(np.argmax(ahead))
        gaps = np.log(self.mount[k - 1 : k + 1] / self.air[k - 1 : k + 1])
        return float(np.exp(np.interp(0, gaps, np.log(self.exposures[k - 1 : k + 1])))) * u.s


def balance(rig):
    """What the air leaves in an exposure, and how far the mount's periodic error moves the star to the next one."""
    step, lengths = 0.25 * u.s, np.array([1, 2, 4, 8, 16, 32, 64])
    worm = mount.periodic_error(4 * 3600, step, rig.mount.worm_period, rig.mount.periodic_error)  # an hour
    moved = [np.sqrt(np.mean(np.diff(mount.step_means(worm, n)) ** 2)).value for n in lengths]
    exposures = step.value * lengths
    air = seeing.image_motion(rig.guide_optics.aperture, seeing.atmosphere_for(rig.site), exposures * u.s).value
    return Balance(exposures, air, np.maximum(moved, 1e-6))


_SLOW = 8 * u.s  # the longest exposure that workbook 07 tries


def within_a_picture(rig, exposure=_SLOW):
    """How far the mount moves the star to the next exposure, about its mean in each picture: one-axis rms."""
    step = 0.25 * u.s
    worm = mount.periodic_error(4 * 3600, step, rig.mount.worm_period, rig.mount.periodic_error)
    moved = np.diff(mount.step_means(worm, round(float(exposure / step))))
    rows = max(1, round(float(rig.guiding.picture_exposure / exposure)))
    pictures = moved[: len(moved) // rows * rows].reshape(-1, rows)
    return np.sqrt(np.mean((pictures - pictures.mean(axis=1, keepdims=True)) ** 2))


def slow_motion_in_words(rig):
    """Why a mount above the line need not show in the picture, in words; empty where it is not above, or would show."""
    found, notices = balance(rig), pixel_scale.compare_scales(rig).noticed
    whole, within = found.mount[found.exposures == _SLOW.value][0], within_a_picture(rig)
    if not within < notices < whole * u.arcsec:
        return ""
    return (
        f"At {_SLOW.value:g} s the mount's {whole:.2f} lies above the dashed line, and yet no picture shows it "
        f"(`07_correction_loop`): the worm moves one axis (the line is for both), and within one picture of "
        f"{rig.guiding.picture_exposure.to_value(u.min):g} min only by {within.value:.2f}. Slower motion shifts the "
        "picture as a whole and widens nothing."
    )


def air_and_mount(rig):
    """The figure of `balance`, with its words."""
    found = balance(rig)
    figure, axes = figures.new_figure(width=7.6, height=4.2)
    named = (
        ("air that the exposure leaves", found.air, 1, "right"),
        ("mount, to the next one", found.mount, 0.25, "left"),
    )
    for k, (text, values, at, side) in enumerate(named):
        axes.loglog(found.exposures, values, **figures.look(k))
        style = {"ha": side, "color": figures.COLOURS[k]}
        figures.label_curve(axes, found.exposures, values, text, at, above=False, **style)
    axes.loglog(found.exposures, found.both, **figures.look(4))
    figures.label_curve(axes, found.exposures, found.both, "both together", at=0.85, ha="right")
    _, name = figures.ruler(axes, notices=pixel_scale.compare_scales(rig).noticed.value, texts=figures.BESIDE_THE_AIR)
    name.set_ha("center")
    name.xy = (0.42, name.xy[1])  # at the right the curves rise through the line
    figures.log_ticks(axes, x=found.exposures, y=[0.01, 0.03, 0.1, 0.3, 1, 3])
    figures.label(axes, "exposure [s]", "one-axis rms [arcsec]")
    best, crossing = found.exposures[found.best], found.crossing
    sentence = f"Both together are least near {best:g} s: {found.both[found.best]:.2f} arcsec. "
    if crossing is not None:
        sentence += f"Below {crossing.value:.1f} s more of the movement comes from the air, above it from the mount. "
    sentence += slow_motion_in_words(rig)
    alt = "The air's curve falls with the exposure, the mount's rises; their sum has one lowest point."
    return figures.show(figure, alt, sentence.strip())
