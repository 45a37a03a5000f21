"""Drawings of workbook 05: arrows of air and noise, the mean of the reader's stars, the flip, and one bad star."""

from functools import lru_cache
from pathlib import Path

import astropy.units as u
import numpy as np

from helpers import guide_field, multi_star, pixel_scale, seeing, starlight
from helpers import rig as rigs
from helpers.classroom import figures
from helpers.classroom.panels import Drawing
from helpers.guide_field.stars import sensor_size, sensor_to_sky
from helpers.guide_field.usable import choose_stars

DEMO_DATA = Path(__file__).resolve().parent.parent.parent / "demo_data"
MOST = 12  # stars that a panel averages, at least
EXPOSURES = (0.5, 1, 2, 4)
_FRAMES = 400  # of a star, by which ways to find its middle are compared
METHODS_KNOWN_TO = (2 * 2 * _FRAMES) ** -0.5  # standard error of an rms of both coordinates, as a share of it
_EIGHT = np.array(
    [[-0.9, 0.5], [-0.5, -0.6], [-0.2, 0.8], [0.1, -0.9], [0.45, 0.45], [0.6, -0.4], [0.9, 0.7], [-0.75, 0]]
)
_SERIES = 100  # exposures of the arrows
_TIMES = 60  # exposures with one bad star
FLICKER = np.arange(20, 40, 2)  # of them, those in which its pixel flickers up


def exposures(rig):
    """Choices of an exposure: text to Quantity, the rig's own among them."""
    own = rig.guiding.exposure.to_value(u.s)
    return {f"{t:g} s": t * u.s for t in sorted({*EXPOSURES, own})}


def most_stars(rig):
    """The end of a slider over the stars of `own_field`."""
    return max(2, len(own_field(rig)))


def own_exposure(rig):
    """The text of the rig's own exposure among `exposures`."""
    return f"{rig.guiding.exposure.to_value(u.s):g} s"


@lru_cache(maxsize=16)
def own_field(rig, seconds=None, fainter=0.0):
    """The stars of a middling field on the rig's guide sensor that can be measured, best first."""
    stars = guide_field.middling_stars(rig)
    airmass = guide_field.meridian_passage(stars.target, rig.site.latitude).airmass
    exposure = None if seconds is None else seconds * u.s
    return multi_star.measure_field(rig, stars, exposure, airmass, fainter, max(MOST, rig.guiding.stars))


@lru_cache(maxsize=16)
def used(rig):
    """How many of `own_field` are used: those known to 0.1 arcsec, or else the best of the poor ones."""
    errors = own_field(rig).errors.to_value(u.arcsec)
    weights, _ = choose_stars(errors, np.zeros(errors.shape, bool), rig.guiding.stars)
    return int(np.count_nonzero(weights))


@lru_cache(maxsize=4)
def demo_fields():
    """The club's rig, its seven stars before the flip and the lone one after it."""
    club, target, fields = rigs.demo_rig(), guide_field.DEMO_TARGET, []
    for name, angle in (("before", 60), ("after", 240)):
        stars = guide_field.load_catalogue(DEMO_DATA / f"field_{name}_flip.ecsv")
        fields.append(guide_field.usable_stars(stars, target, angle * u.deg, club, limiting_magnitude=40))
    return club, *fields


def demo_airmass():
    """At which the club's target passes the meridian."""
    club, before, _ = demo_fields()
    return guide_field.meridian_passage(before.target, club.site.latitude).airmass


@lru_cache(maxsize=64)
def demo_measured(seconds=1.0, cloud=0.0):
    """Both demo fields as one exposure measures them; None for one that is lost."""
    club, *fields = demo_fields()
    found = []
    for stars in fields:
        lost = multi_star.cloud_that_hides(club, stars, seconds * u.s, demo_airmass()) <= cloud
        field = None if lost else multi_star.measure_field(club, stars, seconds * u.s, demo_airmass(), cloud)
        found.append(field)
    return tuple(found)


def spread(rig):
    """Eight places, all over the rig's guide sensor, on the sky about its middle; arcmin, shape (8, 2)."""
    places = _EIGHT * sensor_size(rig.guide_camera) / 2
    east, north = sensor_to_sky(*places.T, 0.0, rig.guide_optics)
    sky = np.column_stack([east, north])
    return (sky - np.mean([sky.min(axis=0), sky.max(axis=0)], axis=0)) * u.rad.to(u.arcmin) * u.arcmin


@lru_cache(maxsize=4)
def eight(rig):
    """Covariance by the air of eight stars all over the guide sensor, and what their mean keeps of one's motion."""
    covariance = multi_star.motion_covariance(
        spread(rig), rig.guide_optics.aperture, seeing.atmosphere_for(rig.site), rig.guiding.exposure
    )
    one = np.sqrt(covariance[:, 0, 0].mean())
    return covariance, float(np.sqrt(multi_star.mean_variance(covariance).mean()) / one)


def arrows(rig):
    """Eight stars in two skies: only the air moves them, or nothing does and each is measured with an error."""
    places, air = spread(rig), seeing.atmosphere_for(rig.site)
    _, kept = eight(rig)
    wander = seeing.image_motion(rig.guide_optics.aperture, air, rig.guiding.exposure).value
    rng = np.random.default_rng(11)
    moved = multi_star.simulate_motion(places, rig.guide_optics.aperture, air, rig.guiding.exposure, _SERIES, rng).value
    errors = wander * rng.standard_normal((_SERIES, 8, 2))
    figure, axes = figures.new_figure(1, 2, width=8, height=4.2)
    marks, reach = [], 1.35 * np.abs(places.value).max()
    thin = {"color": figures.COLOURS[0], "width": 0.008}
    scale, length = {"scale": 9 * wander, "scale_units": "width", "zorder": 3}, float(f"{2 * wander:.1g}")
    for ax, title in zip(axes, ("the air alone", "errors of measuring alone"), strict=True):
        for at, look in (
            (places.value, thin),
            (np.zeros((1, 2)), {"color": figures.COLOURS[6], "width": 0.013, "headlength": 3, "headaxislength": 2.7}),
        ):
            marks.append(ax.quiver(*at.T, *np.zeros_like(at).T, **scale, **look))
        ax.plot(*places.value.T, "o", color="black", markersize=5)
        ax.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
        figures.label(ax, "x [arcmin]", None, title)
        ax.quiver([-0.9 * reach], [-0.86 * reach], [length], [0], **scale, **thin)
        ax.text(-0.9 * reach, -0.8 * reach, f"{length:g} arcsec", va="bottom", fontsize=11)
    figures.label(axes[0], "x [arcmin]", "y [arcmin]", "the air alone")

    def update(number):
        means = []
        for (each, mean), series in zip((marks[:2], marks[2:]), (moved, errors), strict=True):
            each.set_UVC(*series[number].T)
            mean.set_UVC(*series[number].mean(axis=0)[:, None])
            means.append(np.hypot(*series[number].mean(axis=0)))
        return (
            f"Exposure {number + 1} of {_SERIES}, {rig.guiding.exposure.value:g} s each: the thick arrow, the mean of "
            f"all eight, is {means[0]:.2f} arcsec long in moving air and {means[1]:.2f} arcsec by errors of "
            f"measuring. In the long run it keeps {kept:.0%} of one star's movement by the air, and "
            f"{8**-0.5:.0%} of one star's error."
        )

    alt = (
        "Two star fields with a thin arrow at each of eight stars and a thick arrow for their mean. Air: the arrows "
        "point much the same way, and the mean is long. Errors: they point anywhere, and the mean is short."
    )
    return Drawing(figure, tuple(marks), update, alt)


def mean_of_own(rig):
    """What air and noise leave in the mean of the first N stars of the reader's own field."""
    notices = pixel_scale.compare_scales(rig).noticed.value
    most = most_stars(rig)
    counts = np.arange(1, most + 1)
    figure, axes = figures.new_figure(width=7.4, height=4.2)
    looks = ((0, "air"), (1, "errors of measuring"), (4, "both"))
    lines = [axes.semilogy(counts, counts, **figures.line_look(k))[0] for k, _ in looks]
    (here,) = axes.plot([1], [1], "o", color="black", markersize=10)
    names = [
        figures.label_curve(axes, [at], [1.0], text, ha=side, color=figures.COLOURS[k], above=text.startswith("errors"))
        for (k, text), at, side in zip(looks, (most, most, 1), ("right", "right", "left"), strict=True)
    ]
    axes.set(ylim=(0.003, 3), xlim=(0.8, most + 0.2))
    figures.ruler(axes, notices=notices, texts=figures.BESIDE_THE_AIR)
    axes.set_xticks(counts)
    figures.log_ticks(axes, y=[0.003, 0.01, 0.03, 0.1, 0.3, 1, 3])
    figures.label(axes, "stars averaged, best first [-]", "one-axis rms of the mean [arcsec]")

    def update(count, fainter, exposure):
        field = own_field(rig, exposure.to_value(u.s), round(fainter, 1))
        parts = [field.mean(min(n, len(field))) for n in counts]
        values = [[getattr(part, name).value for part in parts] for name in ("air", "noise", "both")]
        for line, name, value in zip(lines, names, values, strict=True):
            line.set_ydata(value)
            name.xy = (name.xy[0], value[round(name.xy[0]) - 1])
        names[2].set_text(_name_of_both(parts))
        now, first = parts[count - 1], parts[0]
        here.set_data([count], [now.both.value])
        stars = f"The mean of the best {count} stars" if count > 1 else "The best star alone"
        less = f" ({1 - now.both / first.both:.0%} less than the best alone)" if count > 1 else ""
        left = "" if count <= len(field) else f" Only {len(field)} of them can be measured."
        return (
            f"{stars} moves {now.both.value:.3f} arcsec{less}: {now.air.value:.3f} by the air, "
            f"{now.noise.value:.3f} by errors of measuring.{left}"
        )

    alt = (
        "One-axis rms against the number of stars averaged, for air, errors of measuring, and both; the line of "
        f"both {_where_both(rig)}."
    )
    shown = (*lines, here, *names)
    return Drawing(figure, shown, update, alt, hidden=shown)


def _runs_along(means):
    """The line that the one of both can't be told from, as an eye sees it; empty where it stands alone."""
    for name, part in (("air", "air"), ("errors", "noise")):
        if max(float(mean.both / getattr(mean, part)) for mean in means) < 1.05:
            return name
    return ""


def _name_of_both(means):
    """The name at the line of both, which tells where another line runs under it."""
    along = _runs_along(means)
    return f"both (on the line of {along})" if along else "both"


def _where_both(rig):
    """Where the line of both runs at the start, in words."""
    field = own_field(rig)
    along = _runs_along([field.mean(n) for n in range(1, len(field) + 1)])
    return f"runs along that of the {along}" if along else "lies above the two others"


@lru_cache(maxsize=4)
def nine_against_one(rig):
    """One-axis rms [arcsec] of one star and of nine, whose errors are a tenth of the air, equal, and twice: (3, 2)."""
    places = np.vstack([spread(rig).value, np.zeros((1, 2))]) * u.arcmin
    air = seeing.atmosphere_for(rig.site)
    covariance = multi_star.motion_covariance(places, rig.guide_optics.aperture, air, rig.guiding.exposure)
    wander = np.sqrt(covariance[:, 0, 0].mean())
    rows = []
    for factor in (0.1, 1, 2):
        full = multi_star.with_centroid_noise(covariance, np.full(9, factor) * wander)
        rows.append([np.sqrt(multi_star.mean_variance(full[:, :n, :n]).mean()).value for n in (1, 9)])
    return np.array(rows)


@lru_cache(maxsize=2)
def faulty(rig):
    """Places in x [arcsec] of one star with a fault, name to (60, 2) and where it was measured; and of eleven good."""
    exposure, air = rig.guiding.exposure, seeing.atmosphere_for(rig.site)
    seen = starlight.view_of_arrived(rig, exposure)
    wander = seeing.image_motion(rig.guide_optics.aperture, air, exposure)
    light = seen.signal(seen.faintest(wander / 6))
    scale, spot = seen.pixel_scale.value, seen.fwhm / seen.pixel_scale
    half = int(np.clip(round(4 * spot.value), 8, 25))
    size, rng = 2 * half + 1, np.random.default_rng(21)
    places = np.vstack([spread(rig).value, 0.6 * spread(rig).value[:4]]) * u.arcmin
    motion = multi_star.simulate_motion(places, rig.guide_optics.aperture, air, exposure, _TIMES, rng).value
    pictures = _faults(half + motion[:, 0] / scale, spot, light.electrons.value, size)
    bad = {}
    for name, mean in pictures.items():
        frames = rng.poisson(mean) + rng.normal(0, np.sqrt(light.background.value), mean.shape)
        found = multi_star.measure_stars(frames, [[half, half]], 2 * half - 1, fwhm=spot)
        offset = (found.centroids.value[:, 0] - half) * scale
        bad[name] = offset - np.median(offset[:15], axis=0) + np.median(motion[:15, 0], axis=0), found.measured[:, 0]
    good = motion[:, 1:] + light.centroid_error.value * rng.standard_normal((_TIMES, 11, 2))
    return bad, good


def _faults(centres, spot, light, size):
    """Pictures of the bad star, electrons, (60, rows, columns), by fault."""

    def star(shift=0.0, wide=1.0):
        return pixel_scale.star_image((centres + [shift, 0]) * u.pix, spot * wide, (size, size)).value * light

    half, number = size // 2, np.arange(_TIMES)
    plain, pixel = star(), np.zeros((_TIMES, size, size))
    pixel[FLICKER, half + round(0.4 * spot.value), half + round(spot.value)] = 0.6 * light
    worse = np.exp(-(((number - 30) / 8) ** 2))[:, None, None]
    blurred = 0.3 * star(1.3 * spot.value) + 0.7 * plain
    wide = 0.3 * star(1.3 * spot.value, 1.5) + 0.7 * star(0.0, 1.5)
    cloud = np.interp(number, [15, 22, 38, 45], [1, 0.02, 0.02, 1])[:, None, None]
    return {
        "none": plain,
        "a pixel that flickers": plain + pixel,
        "a close double star, seeing worsens": (1 - worse) * blurred + worse * wide,
        "the edge of a cloud": plain * cloud,
    }


@lru_cache(maxsize=8)
def _left_out(rig, fault, count):
    """Of `count` stars one has a fault: plain mean, mean without the one that disagrees, good stars; which are used."""
    bad, good = faulty(rig)
    offset, measured = bad[fault]
    stars = np.concatenate([offset[:, None], good[:, : count - 1]], axis=1) * u.arcsec
    seen = np.concatenate([measured[:, None], np.ones((_TIMES, count - 1), bool)], axis=1)
    mean, used_stars = multi_star.robust_mean(stars, measured=seen)
    return (stars.mean(axis=1).value, mean.value, stars[:, 1:].mean(axis=1).value), used_stars


def bad_star_words(rig, fault="a pixel that flickers", count=6):
    """What one star of several that goes wrong does to the plain mean, and to one without it, in words."""
    means, _ = _left_out(rig, fault, count)
    pulled = [np.abs(values - means[2]).max() for values in means[:2]]
    alone = {n: int(np.sum(~_left_out(rig, fault, n)[1][FLICKER, 0])) for n in (2, 3, count)}
    return (
        f"Beside one of {count} simulated stars a pixel flickers up in {FLICKER.size} exposures: the mean of all is "
        f"pulled away by up to {pulled[0]:.2f} arcsec; with the star left out that disagrees, by {pulled[1]:.2f}. "
        f"That star was found out in {alone[count]} of the {FLICKER.size}; where only three stars are "
        f"followed, in {alone[3]}; where two are, in {alone[2]}."
    )


@lru_cache(maxsize=4)
def centroid_methods(rig, magnitude):
    """One-axis error [arcsec] of ways to find a star's middle, anywhere in a pixel, on simulated frames; a dict."""
    seen = starlight.view_of_arrived(rig)
    light = seen.signal(magnitude)
    scale, spot, behind = seen.pixel_scale.value, seen.fwhm / seen.pixel_scale, light.background.value
    half = int(np.clip(round(2.5 * spot.value), 5, 25))
    size, rng = 2 * half + 5, np.random.default_rng(8)
    middle = size // 2
    places = middle + rng.uniform(-0.5, 0.5, (_FRAMES, 2))
    stars = pixel_scale.star_image(places * u.pix, spot, (size, size)).value * light.electrons.value
    frames = rng.poisson(stars) + rng.normal(0, np.sqrt(behind), stars.shape)
    found = {"least possible": _least_error(places, spot, size, light.electrons.value, behind) * scale}
    for name, method in (("fit of a spot", "fit"), ("windowed centre", "window")):
        stars = multi_star.measure_stars(frames, [[middle, middle]], 2 * half + 1, method, spot)
        seen_in = stars.measured[:, 0]
        off = stars.centroids.value[seen_in, 0] - places[seen_in]
        found[name] = float(np.sqrt(np.mean(off**2))) * scale
    cut = slice(middle - half, middle + half + 1)
    squares = frames[:, cut, cut]
    lit = squares.sum(axis=(1, 2)) > 0
    off = pixel_scale.centroid(squares[lit]).value + cut.start - places[lit]
    found["plain centre of mass"] = float(np.sqrt(np.mean(off**2))) * scale
    return found


def _least_error(places, spot, size, light, behind):
    """Cramer-Rao bound [pixels], rms over the places: 1 / sum of (d mean / d x)^2 / variance."""
    step = 1e-3

    def picture(shift):
        return pixel_scale.star_image((places + [shift, 0]) * u.pix, spot, (size, size)).value * light

    slope = (picture(step) - picture(-step)) / (2 * step)
    known = np.sum(slope**2 / (picture(0.0) + behind), axis=(1, 2))
    return float(np.sqrt(np.mean(1 / known)))


def motion_of_run(found):
    """What the stars of a run of guide frames do together and apart, as a figure."""
    figure, (left, right) = figures.new_figure(1, 2, width=8, height=3.9)
    numbers = np.arange(1, len(found.stars.value) + 1)
    _bars(left, numbers, found.stars, "o", figures.COLOURS[0], "each star")
    for estimate, k, name in ((found.together, 4, "what all share"), (found.apart, 6, "each for itself")):
        left.axhline(estimate.value.value, label=name, **figures.line_look(k))
        left.axhspan(estimate.low.value, estimate.high.value, color=figures.COLOURS[k], alpha=0.2, linewidth=0)
    left.set(ylim=(0, 1.75 * found.stars.high.value.max()), xlim=(0.4, len(numbers) + 0.6))
    left.set_xticks(numbers if len(numbers) < 9 else numbers[::2])
    left.legend(loc="upper left", fontsize=10.5)
    figures.label(left, "star, brightest first [-]", "one-axis rms [arcsec]", "how far they move")
    farthest = 1.15 * found.distance.value.max()
    apart = np.linspace(0, farthest, 40) * u.arcmin
    right.plot(apart.value, found.foretold(apart), label="model, seeing as found", **figures.line_look(0))
    _bars(right, found.distance.value, found.alike, "s", "black", "pairs of stars, grouped")
    right.set(xlim=(0, farthest), ylim=(min(0.6, 1.2 * found.alike.low.min() - 0.2), 1.02))
    right.legend(loc="lower left", fontsize=10.5)
    figures.label(right, "distance of two stars [arcmin]", "correlation of their movements [-]", "how alike")
    return figure


def _bars(axes, x, estimate, marker, colour, name):
    """Points with their intervals."""
    value, low, high = (getattr(part, "value", part) for part in (estimate.value, estimate.low, estimate.high))
    reach = [value - low, high - value]
    axes.errorbar(x, value, reach, fmt=marker, color=colour, capsize=4, markersize=6, label=name)


RUN_ALT = (
    "Left: the movement of each star with its interval, and two lines, what all stars share and what each has for "
    "itself. Right: correlation of pairs of stars against their distance, with intervals, beside the model's curve."
)


@lru_cache(maxsize=2)
def demo_run():
    """A simulated run of short frames of the club's field before the flip, and what it tells."""
    club, before, _ = demo_fields()
    simulated = multi_star.simulate_run(club, before, np.random.default_rng(57))
    return simulated, analysed(club, simulated.run)


def demo_run_figure(rig):
    """Still: the simulated run; the same for each rig."""
    _, found = demo_run()
    sentence = (
        f"On each axis all stars share {found.together.value.value:.2f} arcsec of their movement, mount and common "
        f"air; each has {found.apart.value.value:.2f} for itself. From that follows a seeing of "
        f"{found.seeing.value.value:.2f} arcsec."
    )
    return figures.show(motion_of_run(found), RUN_ALT, sentence)


def analysed(rig, run, airmass=1):
    """What a run of guide frames tells with the air above a rig's site."""
    return multi_star.analyse_run(run, rig.guide_optics.aperture, seeing.atmosphere_for(rig.site), airmass)
