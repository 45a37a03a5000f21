"""Drawings of workbook 07: a mount that chases the air, the three truths, a knock, and the band of good settings."""

from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers import correction_loop
from helpers.classroom import figures
from helpers.classroom.panels import Drawing
from helpers.correction_loop import log_check
from helpers.correction_loop import night as nights
from helpers.correction_loop.own_settings import EXPOSURES, band_of, map_of, night_of

EXPOSURE_TEXTS = {f"{exposure.value:g} s": exposure for exposure in EXPOSURES}
_QUICK = 0.5 * u.s  # exposures of the opening picture


@lru_cache(maxsize=4)
def chased(rig):
    """A mount without any fault, left alone and corrected in full twice a second: loop and image of each."""
    faultless = nights.perfect_mount(night_of(rig))
    return [nights.guide(faultless, _QUICK, gain, delay=0) for gain in (0, 1)]


def chasing(rig):
    """Opening picture: what correcting does to a mount that needs none."""
    figure, axes = figures.new_figure(1, 2, width=8, height=3.9, sharey=True)
    seconds = np.arange(240) * _QUICK
    for ax, (loop, _), title in zip(axes, chased(rig), ("left alone", "every error corrected in full"), strict=True):
        ax.plot(seconds, loop.logged[:240, 1], ".", color=figures.GREY, label="measured")
        ax.plot(seconds, loop.pointing[:240, 1], color=figures.COLOURS[0], label="the mount itself")
        figures.label(ax, "time [s]", "up and down [arcsec]" if ax is axes[0] else None, title)
    axes[0].set_ylim(-2, 2.6)
    axes[0].legend(loc="upper left", ncols=2)
    (_, still), (_, moved) = chased(rig)
    wider = (moved.mean_fwhm / still.mean_fwhm).value - 1
    return figures.show(
        figure,
        "Left alone, the mount's line is flat while the measured points scatter around it. Corrected in full, the line "
        "shakes about as much as the points scatter.",
        f"The measured star dances in both. Left alone, the mount stands still and the star in the picture is "
        f"{still.mean_fwhm.value:.2f} arcsec wide; corrected in full, the mount dances too and the star is "
        f"{moved.mean_fwhm.value:.2f}, {wider:.0%} wider.",
    )


def truths(rig):
    """Log, pointing and picture for a gain and an exposure."""
    night = night_of(rig)
    mounts = {"your mount": night, "a mount without any fault": nights.perfect_mount(night)}
    figure, (left, right) = figures.new_figure(1, 2, width=8, height=3.9, width_ratios=[1.4, 1])
    (dots,) = left.plot([0, 180] * u.s, [0, 0] * u.arcsec, ".", color=figures.GREY, label="log")
    (line,) = left.plot([0, 180] * u.s, [0, 0] * u.arcsec, **figures.line_look(1), label="pointing")
    left.set(xlim=(0, 180), ylim=(-2.2, 2.8))
    left.legend(loc="upper left", ncols=2)
    figures.label(left, "time [s]", "up and down (declination) [arcsec]")
    bars = right.barh([2, 1, 0], [0.1] * 3, color=[figures.GREY, figures.COLOURS[1], figures.COLOURS[0]])
    for bar, hatch in zip(bars, ("", "//", ".."), strict=True):
        bar.set(hatch=hatch, edgecolor="black")
    right.set_yticks(
        [2, 1, 0], ["log, rms\n(both axes)", "pointing, rms\n(both axes)", "star in the\npicture wider by"]
    )
    right.set_xlim(0, 1.4)
    figures.label(right, "size [arcsec]")

    def update(gain, exposure, mount):
        here = mounts[mount]
        loop, image = nights.guide(here, exposure, gain)
        seconds = np.arange(len(loop.logged)) * exposure.value
        dots.set_data(seconds, loop.logged[:, 1].value)
        line.set_data(seconds, loop.pointing[:, 1].value)
        sizes = [np.hypot(*rms.value) for rms in (loop.logged_rms, loop.pointing_rms)]
        widened = image.mean_fwhm.value - here.star_fwhm.value
        for bar, size in zip(bars, (*sizes, widened), strict=True):
            bar.set_width(max(size, 0))
        return (
            f"Log {sizes[0]:.2f} arcsec, true pointing {sizes[1]:.2f} arcsec (rms, both axes). The star is "
            f"{image.mean_fwhm.value:.2f} arcsec wide; on a mount that stands still, {here.star_fwhm.value:.2f}."
        )

    alt = (
        "Left: measured errors as points and the mount's true pointing as a line over three minutes. Right: three "
        "bars: the log, the pointing, and how much wider the star in the picture becomes."
    )
    return Drawing(figure, (dots, line, *bars), update, alt)


def reaches_the_top(rig):
    """For each exposure whether the band goes on to the highest gain that was tried, so that its end is unknown."""
    return band_of(rig).high >= 0.999 * map_of(rig).gains[-1]


def reaches_the_bottom(rig):
    """For each exposure whether the band goes on to the lowest gain that was tried."""
    return band_of(rig).low <= 1.001 * map_of(rig).gains[0]


def _edge(found):
    """Where the line of an end that was found is drawn: up to the first exposure without one."""
    return np.convolve(found, [1, 1, 1], "same") > 0


def good_settings(rig):
    """The band: gains that give the same picture, for each exposure; a setting to move through it."""
    found, here = map_of(rig), band_of(rig)
    best, highest = found.mean.min(), found.gains[-1]
    figure, (left, right) = figures.new_figure(1, 2, width=8, height=4.1, width_ratios=[1.25, 1])
    seconds, gains = EXPOSURES.value, found.gains
    left.fill_between(seconds, here.low, here.high, color=figures.COLOURS[0], alpha=0.25, hatch="//", edgecolor="none")
    lower, upper = _edge(~reaches_the_bottom(rig)), _edge(~reaches_the_top(rig))
    left.plot(seconds, np.where(lower, here.low, np.nan), color=figures.COLOURS[0])
    left.plot(seconds, np.where(upper, here.high, np.nan), color=figures.COLOURS[0])
    left.plot([here.exposure.value], [here.gain], "*", color="black", markersize=15)
    left.annotate(f"gain {here.gain:.2f}", (here.exposure.value, here.gain), (8, -16), textcoords="offset points")
    look = {"markersize": 11, "markerfacecolor": "white", "color": figures.COLOURS[6]}
    (mark,) = left.plot([1], [0.5], "o", **look)
    mark.set(clip_on=False, in_layout=False)  # whole on the upper edge too
    left.set(
        xscale="log", yscale="log", xlim=(0.45, 9), ylim=(gains[0], highest)
    )  # open at the top and at the bottom: nothing was tried there
    figures.log_ticks(left, x=[0.5, 1, 2, 4, 8], y=[0.05, 0.1, 0.2, 0.5, 1])
    figures.label(
        left,
        "guide exposure [s]",
        "loop gain [-]",
        f"striped: the same picture\n(nothing was tried beyond {gains[0]:g} and {highest:g})",
    )
    left.title.set_fontsize(12)
    (curve,) = right.plot(gains, gains, **figures.line_look(0))
    (point,) = right.plot([0.5], [2], "o", **look)
    limit = (1 + here.within) * best.value
    right.axhline(limit, color="black", linestyle="--")
    right.annotate("3 % wider", (0.13, limit), (0, 4), textcoords="offset points")
    right.set(xscale="log", xlim=(0.045, 1.15), ylim=(0.99 * best.value, 1.12 * best.value))
    figures.log_ticks(right, x=[0.05, 0.1, 0.2, 0.5, 1])
    figures.label(right, "loop gain [-]", "star in the picture [arcsec]")

    def update(exposure, gain):
        row = int(np.argmin(np.abs(EXPOSURES - exposure)))
        widths = found.mean[row].value
        width = float(np.interp(np.log(gain), np.log(gains), widths))
        mark.set_data([EXPOSURES[row].value], [gain])
        curve.set_ydata(widths)
        point.set_data([gain], [width])
        inside = here.low[row] <= gain <= here.high[row]
        more = round(100 * (width / best.value - 1))
        return (
            f"{EXPOSURES[row].value:g} s and gain {gain:.2f}: the star is {width:.2f} arcsec wide (mean of the three), "
            f"{f'{more}% more than' if more > 0 else 'the same to 1% as'} with the best settings: "
            f"{'inside the band' if inside else 'outside the band'}."
        )

    alt = (
        "Left: for each guide exposure the gains that give the same picture, a striped band that rises with the "
        "exposure, and is open where no end was found; a star marks a setting in its middle. Right: "
        "the star's width against the gain at one exposure."
    )
    return Drawing(figure, (mark, curve, point), update, alt)


def knock(rig):
    """A knock of 3 arcsec that corrections take back, for a gain and a delay; the same for every rig."""
    false = 0.1 * np.random.default_rng(72).standard_normal((40, 2)) * u.arcsec
    push = np.where(np.arange(40) < 10, 0, 3)[:, None] * np.ones(2) * u.arcsec
    figure, axes = figures.new_figure(width=7.5, height=3.8)
    (dots,) = axes.plot(np.arange(40), np.zeros(40) * u.arcsec, **figures.look(0))
    axes.axhline(0, color="black", linewidth=1)
    axes.set(ylim=(-4, 4))
    figures.label(axes, "number of the picture [-]", "where the mount points [arcsec]")

    def update(gain, delay):
        limit = correction_loop.stability_limit(delay)
        shown = min(gain, 0.99 * limit)
        loop = correction_loop.simulate_loop(push, false, shown, delay)
        dots.set_ydata(loop.pointing[:, 0].value)
        quiet = np.abs(loop.pointing[10:, 0].value) < 0.5
        last = np.flatnonzero(~quiet)
        after = int(last[-1]) + 1 if last.size else 0
        settled = f"after {after} more it stays below 0.5 arcsec" if after < len(quiet) else "it does not settle"
        if gain > shown:
            return (
                f"Gain {gain:.2f}: each correction is larger than the error it answers, and the mount swings ever "
                f"wider. The limit is {limit:g}; drawn is {shown:.2f}."
            )
        return f"Gain {gain:.2f}: the knock comes at picture 10, and {settled}."

    alt = "The mount is knocked aside by 3 arcsec; corrections bring it back, slowly, at once, or swinging to and fro."
    return Drawing(figure, (dots,), update, alt)


def two_curves(rig):
    """What is left of the mount's own motion, and what is copied from the air, by frequency."""
    exposure, gain, delay = rig.guiding.exposure, rig.guiding.loop_gain, rig.guiding.delay
    frequency = np.geomspace(1e-3, 0.5 / exposure.value, 300) * u.Hz
    left = correction_loop.rejection(frequency, exposure, gain, delay)
    copied = correction_loop.noise_response(frequency, exposure, gain, delay)
    figure, axes = figures.new_figure(width=7.5, height=3.9)
    axes.loglog(frequency, left, **figures.line_look(0))
    axes.loglog(frequency, copied, **figures.line_look(1))
    figures.label_curve(
        axes, frequency, left, "left of the mount's motion", at=0.45, color=figures.COLOURS[0], ha="right"
    )
    figures.label_curve(axes, frequency, copied, "copied from the air", at=0.15, color=figures.COLOURS[1], ha="left")
    axes.axhline(1, color=figures.GREY, linewidth=1)
    axes.set_ylim(1e-2, 8)
    figures.log_ticks(axes, x=[0.001, 0.01, 0.1], y=[0.01, 0.1, 1])
    figures.label(axes, "waves in a second [Hz]", "share of the size [-]")
    worm = float(correction_loop.rejection(1 / rig.mount.worm_period, exposure, gain, delay))
    noise = correction_loop.noise_gain(gain, delay)
    limit = correction_loop.useful_frequency(exposure, gain, delay)
    return figures.show(
        figure,
        "Two curves over frequency: what is left of the mount's motion rises from almost nothing to above 1; what is "
        "copied from the air falls from 1.",
        f"At {exposure.value:g} s and gain {gain:g}, {worm:.1%} of the worm's main wave is left; motion quicker than "
        f"one wave in {1 / limit.value:.1f} s is made larger; of what is false and new in each exposure the mount "
        f"copies {noise**0.5:.0%} ({noise:.0%} in squares).",
    )


def persistence(rig):
    """How alike errors are that lie some pictures apart, for three gains; the rig's own night."""
    figure, axes = figures.new_figure(width=7.5, height=3.9)
    said, exposure = [], 1.5 * u.s
    for number, gain in enumerate((0.1, 0.4, 0.9)):
        log = nights.guide(night_of(rig), exposure, gain)[0].logged
        curve = log_check.correlation_curve(log, 6)[:, 0]
        axes.plot(range(7), curve, **figures.look(number))
        figures.label_curve(axes, np.arange(7), curve, f"gain {gain:g}", at=0.4, color=figures.COLOURS[number])
        said.append(f"gain {gain:g}: {curve[1]:+.2f}")
    axes.axhline(0, color="black", linewidth=1)
    figures.label(axes, "pictures apart [-]", "correlation [-]")
    return figures.show(
        figure,
        "Correlation of errors against how many pictures they are apart, for three gains: the lower the gain, the "
        "longer errors persist.",
        f"One picture apart, at {exposure.value:g} s: {'; '.join(said)}.",
    )
