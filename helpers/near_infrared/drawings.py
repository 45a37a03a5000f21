"""Drawings of workbook 06: width and wander in two colours, width against light, and both beside the air."""

from dataclasses import replace
from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers import guide_field, near_infrared, pixel_scale, seeing
from helpers import rig as rigs
from helpers.classroom import figures
from helpers.classroom.panels import Drawing

GREEN, RED = 550 * u.nm, 850 * u.nm
SLICES = {"green": [500, 600] * u.nm, "near infrared": [800, 900] * u.nm}
FILTERED = {"none": "none", "long-pass": "long-pass"}
ALTITUDE = 50 * u.deg  # of the star, all over the page: a middling height
CALMEST = 0.4 * u.arcsec  # seeing
PLAIN_STAR = "K0"  # a usual star of the field
STARS = {"white (class F5)": "F5", "like the Sun (G2)": "G2", "usual (K0)": "K0", "red (M2)": "M2"}
_LARGE = {"aperture": 400 * u.mm, "obstruction": 0.32}  # of the first figure; the small one is 50 mm, clear


def airmass_at(altitude):
    """Airmass of a star that stands so high."""
    return near_infrared.airmass(90 * u.deg - altitude)


def bare(rig):
    """The rig without filter in front of its guide camera."""
    return replace(rig, guide_optics=replace(rig.guide_optics, filter="none"))


@lru_cache(maxsize=8)
def _brightest(rig):
    stars = guide_field.middling_stars(rig)
    return float(stars.catalogue_magnitudes[np.argmin(stars.magnitudes)])


def own_star(rig):
    """Magnitude of the brightest guide star that the rig's field usually holds, as a star list has it."""
    return round(_brightest(bare(rig)), 1)


def with_cameras(rig):
    """The rig without filter, with the reader's guide camera and with the two of the demo rigs."""
    demo = {f"demo camera {name}": rigs.demo_rig(guide_camera=name).guide_camera for name in "AB"}
    cameras = {"mine": rig.guide_camera} | demo
    return {name: replace(bare(rig), guide_camera=camera) for name, camera in cameras.items()}


def four_stars(rig):
    """A star in green and near infrared, behind a small lens and a large mirror."""
    air = seeing.atmosphere_for(rig.site)
    small = {"diameter": 50 * u.mm, "obstruction": 0}
    large = {"diameter": _LARGE["aperture"], "obstruction": _LARGE["obstruction"]}
    figure, axes = figures.new_figure(1, 4, width=8, height=2.7, sharey=True)
    widths, turn = [], np.linspace(0, 2 * np.pi, 99)
    cases = ((small, GREEN), (small, RED), (large, GREEN), (large, RED))
    for place, (optics, colour) in zip(axes, cases, strict=True):
        width = seeing.spot_fwhm(atmosphere=air, wavelength=colour, **optics).value
        widths.append(width)
        star = pixel_scale.star_image([40, 40] * u.pix, width * 8 * u.pix, (81, 81)).value
        place.imshow(star, origin="lower", extent=[-5, 5, -5, 5])
        place.grid(False)
        place.plot(width / 2 * np.cos(turn), width / 2 * np.sin(turn), color="white", linewidth=1.5)
        title = f"{optics['diameter'].value:.0f} mm, {colour.value:.0f} nm"
        figures.label(place, "x [arcsec]", "y [arcsec]" if place is axes[0] else None, title)
        place.title.set_fontsize(12)
    return figures.show(
        figure,
        "Four pictures of a star with a ring at its width, green and near infrared, behind 50 mm and behind 400 mm.",
        f"Overhead, width (ring) in green and in the near infrared: behind a lens of 50 mm {widths[0]:.2f} and "
        f"{widths[1]:.2f} arcsec, behind a mirror of 400 mm {widths[2]:.2f} and {widths[3]:.2f}. "
        f"{_lower_down(rig, widths[1] / widths[0])}".strip(),
    )


def _lower_down(rig, overhead):
    """Why the same aperture has another factor in the next figure, in words; empty where it has the same."""
    air, obstruction = seeing.atmosphere_for(rig.site), rig.guide_optics.central_obstruction
    how = (50 * u.mm, air, airmass_at(ALTITUDE), obstruction)
    below = near_infrared.wavelength_gain("spot", GREEN, RED, *how)
    if f"{below:.1f}" == f"{overhead:.1f}":
        return ""
    hole = ", and openings have a hole like yours" if obstruction else ""
    return (
        f"Behind 50 mm that is {overhead:.1f} times, in the next figure {below:.1f} times: there light crosses more "
        f"air{hole}."
    )


def percent(factor, less="narrower", more="wider"):
    """A factor in words: 0.92 is "8% narrower"."""
    change = round(100 * (factor - 1))
    return "the same to 1%" if change == 0 else f"{abs(change)}% {less if change < 0 else more}"


def narrower_from(apertures, factors):
    """The aperture at which a falling curve of factors crosses 1; None where it does not."""
    first = int(np.argmax(factors < 1))
    if first == 0:
        return None
    pair = slice(first - 1, first + 1)
    return float(np.exp(np.interp(0, -np.log(factors[pair]), np.log(apertures[pair]))))


def two_colours(rig):
    """Width and wander at 850 nm against 550 nm, over the aperture."""
    optics = rig.guide_optics
    mine, obstruction = optics.aperture, optics.central_obstruction
    apertures = np.unique(np.append(np.geomspace(25, 500, 24), mine.to_value(u.mm))) * u.mm
    figure, axes = figures.new_figure(width=7.4, height=4)
    axes.axhline(1, color="black", linewidth=1)
    named = {"spot": ("spot on the sensor", 0), "fwhm": ("air alone", 2), "image_motion": ("wander", 6)}
    curves = {
        key: axes.semilogx(apertures, np.ones(apertures.size), **figures.line_look(k))[0]
        for key, (_, k) in named.items()
    }
    places = {"spot": (40, True), "fwhm": (120, False), "image_motion": (320, True)}
    names = {
        key: figures.label_curve(axes, [places[key][0]], [1.0], text, above=places[key][1], color=figures.COLOURS[k])
        for key, (text, k) in named.items()
    }
    names["spot"].set_ha("left")  # its curve falls to the right
    (here,) = axes.plot([mine.to_value(u.mm)], [1], "o", color="black")
    axes.set(ylim=(0.75, 1.65), yticks=[0.8, 1, 1.2, 1.4, 1.6])
    figures.log_ticks(axes, x=[30, 50, 100, 200, 400])
    figures.label(axes, "aperture of the guide optics [mm]", "at 850 nm, times that at 550 nm [-]")

    def update(width, altitude):
        here_air, airmass = seeing.Atmosphere(width, rig.site.outer_scale, _layers(rig)), airmass_at(altitude)
        for key, curve in curves.items():
            values = near_infrared.wavelength_gain(key, GREEN, RED, apertures, here_air, airmass, obstruction)
            curve.set_ydata(np.broadcast_to(values, apertures.shape))
            names[key].xy = (places[key][0], np.interp(places[key][0], apertures.value, curve.get_ydata()))
        spot = curves["spot"].get_ydata()
        factor = float(np.interp(mine.to_value(u.mm), apertures.value, spot))
        here.set_ydata([factor])
        crossing = narrower_from(apertures.value, spot)
        from_here = f"It is narrower from about {crossing:.0f} mm on." if crossing else ""
        return (
            f"Behind your {mine.to_value(u.mm):.0f} mm the spot at 850 nm is {percent(factor)}. {from_here} "
            f"The wander is the same, behind every aperture."
        ).replace("  ", " ")

    alt = (
        "Against the aperture: the spot's curve falls from wider behind small apertures to narrower behind large "
        "ones; the wander is a flat line at 1."
    )
    return Drawing(figure, (*curves.values(), *names.values(), here), update, alt)


def _layers(rig):
    return seeing.atmosphere_for(rig.site).layers


PIECES = ("width of the star", "light", "pixels and dyes", "all together")


def factors(found):
    """The four factors of a row of `light_against_width`, in the order of `PIECES`."""
    return [float(found[name]) for name in ("width_alone", "light_alone", "pixels_alone", "centroid")]


def width_and_light(rig):
    """How width, light and pixels make up the error of the centre: two equal slices, and a long-pass filter."""
    seen_by = with_cameras(rig)
    figure, axes = figures.new_figure(width=8, height=4.2)
    heights = np.array([3.0, 2.3, 1.6, 0.7, -1.3, -2.0, -2.7, -3.6])
    axes.axvline(1, color="black", linewidth=1.2)
    axes.set_xscale("log")
    axes.set(xlim=(0.09, 60), ylim=(-4.3, 4.7), yticks=heights, yticklabels=2 * PIECES)
    figures.log_ticks(axes, x=[0.1, 0.2, 0.5, 1, 2, 5])
    titles = ("near infrared instead of green, 100 nm of each", "long-pass filter instead of no filter")
    for y, title in zip((3.9, -0.4), titles, strict=True):
        axes.text(0.094, y, title, fontweight="bold", fontsize=12, va="center", backgroundcolor="white")
    axes.text(0.97, 4.45, "better ◂", ha="right", va="center", fontsize=11)
    axes.text(1.03, 4.45, "▸ worse", ha="left", va="center", fontsize=11)
    figures.label(axes, "error of the star's centre: times as large [-]", None)
    bars = [
        axes.plot([1, 1], [y, y], linewidth=6 if k % 4 == 3 else 3, markevery=[1], markersize=10)[0]
        for k, y in enumerate(heights)
    ]
    style = {"ha": "right", "va": "center", "fontsize": 11, "backgroundcolor": "white"}
    texts = [axes.text(58, y, "", **style) for y in heights]

    def show(first, table):
        parts, changes = factors(table[1]), what_changes(table)
        starts = [1, parts[0], parts[0] * parts[1], 1]
        rows = zip(bars[first:], texts[first:], starts, parts, changes, strict=False)
        for bar, text, start, factor, change in rows:
            colour, marker = (4, "D") if abs(factor - 1) < 5e-3 else (2, "o") if factor < 1 else (6, "X")
            bar.set(xdata=np.clip([start, start * factor], 0.1, 6), color=figures.COLOURS[colour], marker=marker)
            text.set_text(f"{change}error × {factor:.2f}")

    def update(camera, magnitude, altitude):
        how = {"magnitude": magnitude.value, "spectral_class": PLAIN_STAR, "airmass": airmass_at(altitude)}
        tables = [near_infrared.light_against_width(seen_by[camera], bands, **how) for bands in (SLICES, FILTERED)]
        for first, table in zip((0, 4), tables, strict=True):
            show(first, table)
        return f"Equal slices: {in_words(tables[0])} Long-pass instead of no filter: {in_words(tables[1])}"

    alt = (
        "Two groups of four rows. In each, the first row says what the star's width does to the error of its centre, "
        "the next what the light does, then pixels and dyes; the last is their product. Beside the first two stand "
        "width and light themselves. Left of the line is better, right of it worse."
    )
    return Drawing(figure, (*bars, *texts), update, alt)


def what_changes(table):
    """What stands before the four factors of a table of two bands: how wide the star is, how much light it gives."""
    first, second = table
    width, light = (float(second[name] / first[name]) for name in ("spot", "electrons"))
    return f"width × {width:.2f}: ", f"light × {light:.2f}: ", "", ""


def in_words(table):
    """A table of two bands in a sentence: width, light, and what the centre's error becomes."""
    first, second = table
    if not second["measurable"]:
        return "this star then drowns in noise."
    light, spot = float(second["electrons"] / first["electrons"]), float(second["spot"] / first["spot"])
    pixels = float(second["pixels_alone"])
    told = f" The grid of pixels and dyes does its part (times {pixels:.2f})." if abs(pixels - 1) > 0.1 else ""
    return (
        f"the star is {percent(spot)} and gives {light:.2f} times the light; the error of its centre is times "
        f"{float(second['centroid']):.2f}.{told}"
    )


CURVES = {
    "none": ("no filter", 0, 0.45, False, "left"),
    "long-pass": ("long-pass", 6, 0.45, None, "center"),
    "infrared-blocking": ("infrared-blocking", 2, 0.55, True, "right"),
}


def beside_the_air(rig):
    """Error of the centre against the star's magnitude, behind three filters, the air, and both together."""
    star = own_star(rig)
    magnitudes = np.linspace(star - 5, star + 3, 17)
    figure, axes = figures.new_figure(width=7.8, height=4.2)
    lines = {
        key: axes.semilogy(magnitudes, np.ones(17), **figures.line_look(k))[0] for key, (_, k, *_) in CURVES.items()
    }
    names = {
        key: figures.label_curve(axes, [star], [1.0], text, above=above, color=figures.COLOURS[k], ha=side)
        for key, (text, k, _, above, side) in CURVES.items()
    }
    names["long-pass"].set(va="center", rotation=15, fontsize=11)  # between the others, along its own curve
    (whole,) = axes.plot(magnitudes, np.ones(17), color="black", linewidth=1.2)
    told = figures.label_curve(axes, [star - 4.9], [1.0], "one measurement: air and centre", ha="left", fontsize=11)
    (here,) = axes.plot([star, star], [1, 1], "o", color="black")
    axes.set(ylim=(0.002, 6), xlim=(magnitudes[0], magnitudes[-1]))
    ruler = figures.ruler(axes, air=0.2)
    ruler[1].set(ha="left", va="top", position=(0, -3))  # clear of the curves
    ruler[1].xy = (0.005, 0.2)
    figures.log_ticks(axes, y=[0.003, 0.01, 0.03, 0.1, 0.3, 1, 3])
    figures.label(axes, "magnitude of the star: brighter left, fainter right [mag]", "one-axis rms [arcsec]")

    def update(exposure, altitude, colour):
        exposed = replace(rig, guiding=replace(rig.guiding, exposure=exposure))
        how = {"spectral_class": STARS[colour], "airmass": airmass_at(altitude)}
        mine = {}
        for key, line in lines.items():
            seen = near_infrared.guide_star(exposed, key, np.append(magnitudes, star), **how)
            errors = np.where(seen.measurable, seen.centroid.value, np.nan)
            line.set_ydata(errors[:-1])
            known = np.flatnonzero(np.isfinite(errors[:-1]))
            at = known[round(CURVES[key][2] * (known.size - 1))] if known.size else 0
            names[key].xy = (magnitudes[at], errors[at] if known.size else 1)
            mine[key] = errors[-1], seen.error[-1].value, bool(seen.measurable[-1])
        air = seen.wander.value
        here.set_ydata(mine["none"][:2])
        both = np.hypot(lines["none"].get_ydata(), air)
        whole.set_ydata(both)
        told.xy = (told.xy[0], air if np.isnan(both[0]) else both[0])
        ruler[0].set_ydata([air, air])
        ruler[1].xy = (ruler[1].xy[0], air)
        ruler[1].set_text(f"air in one exposure, star {altitude.value:.0f} degrees high")
        overhead = seeing.image_motion(rig.guide_optics.aperture, seeing.atmosphere_for(rig.site), exposure).value
        return (
            f"{altitude.value:.0f} degrees above the horizon the air leaves {air:.3f} arcsec (overhead {overhead:.3f})."
            f" Your star (dots): {_three(mine)}"
        )

    alt = (
        "Three curves that rise to the right: the fainter the star, the larger the error of its centre, behind each of "
        "three filters. A dotted line marks the air. A thin black line is air and centre together, without filter: it "
        f"runs along the air for bright stars, and {_towards_the_centre(rig)} for faint ones."
    )
    asked = (*lines.values(), whole, *names.values(), told, here)
    return Drawing(figure, (*asked, *ruler), update, alt, hidden=asked)


def _towards_the_centre(rig):
    """Where the line of one measurement ends at the start, at the faintest star drawn, in words."""
    faintest = near_infrared.guide_star(rig, "none", own_star(rig) + 3, PLAIN_STAR, airmass_at(ALTITUDE))
    if not faintest.error < 1.05 * faintest.centroid:
        return "rises above it" if faintest.error > 1.05 * faintest.wander else "hardly leaves it"
    return "joins the curve of the centre"


def _three(mine):
    """What one measurement is off behind each filter, in words."""
    said = []
    for key, (text, *_) in CURVES.items():
        _, error, known = mine[key]
        more = error / mine["none"][1] - 1
        against = "" if key == "none" else f" ({more:+.1%})"
        said.append(f"{text} {error:.3f}{against}" if known else f"{text} lost in noise")
    return f"error of one measurement, centre and air together, in arcsec: {', '.join(said)}."


ROWS = {  # each with its place from the top
    "fwhm": ("star, by the air", 0),
    "diffraction": ("star, by diffraction", 1),
    "smear": ("smear by refraction", 2),
    "spot": ("spot on the sensor", 3),
    "light": ("light of the star", 4.7),
    "centroid": ("error of the centre", 5.7),
    "image_motion": ("wander", 7.4),
    "error": ("one measurement", 8.4),
}


def all_pieces(rig):
    """Every piece, near infrared against green, in one figure: width, error of the centre, one measurement."""
    magnitude, airmass = own_star(rig), airmass_at(ALTITUDE)
    stars = [near_infrared.guide_star(bare(rig), band, magnitude, PLAIN_STAR, airmass) for band in SLICES.values()]
    pieces = near_infrared.gain_pieces(*stars)
    how = {"magnitude": magnitude, "spectral_class": PLAIN_STAR, "airmass": airmass}
    table = near_infrared.light_against_width(bare(rig), SLICES, **how)
    shown = {key: float(pieces[key]) for key in ROWS if key != "light"} | {"light": float(table[1]["light_alone"])}
    figure, axes = figures.new_figure(width=7.8, height=4.2)
    axes.axvline(1, color="black", linewidth=1.2)
    axes.set_xscale("log")
    for key, (_, place) in ROWS.items():
        value, same = shown[key], abs(shown[key] - 1) < 5e-4
        k, marker = (4, "D") if same else (2, "o") if value < 1 else (6, "X")
        axes.plot([1, np.clip(value, 0.2, 6)], [-place] * 2, color=figures.GREY, linewidth=2)
        axes.plot([np.clip(value, 0.2, 6)], [-place], marker, color=figures.COLOURS[k], markersize=9)
        before = f"{what_changes(table)[1]}error " if key == "light" else ""
        text = "the same" if same else f"{before}× {value:.3f}" if key == "error" else f"{before}× {value:.2f}"
        axes.text(29, -place, text, va="center", ha="right", fontsize=11)
    names, places = zip(*ROWS.values(), strict=True)
    axes.set(yticks=-np.array(places), yticklabels=names, xlim=(0.18, 30), ylim=(-9.1, 0.7))
    figures.log_ticks(axes, x=[0.2, 0.5, 1, 2, 5])
    figures.label(axes, "better ◂  near infrared, times green  ▸ worse [-]", None)
    return figures.show(
        figure,
        "Rows with a mark each, in three groups: left of the line the near infrared is better, right of it worse.",
        f"Slice against slice: the smear is × {shown['smear']:.2f}, but small beside the star: "
        f"{stars[0].smear.value:.2f} of {stars[0].spot.value:.2f} arcsec in green. "
        f"The error of one measurement is × {shown['error']:.3f}.",
    )
