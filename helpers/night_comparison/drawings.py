"""Drawings of workbook 09: a night of turns, errors that remember, the plan of a night, false winners, two pictures."""

import itertools
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.table import Table

from helpers import guide_field, seeing
from helpers import night_comparison as nights
from helpers.classroom import figures
from helpers.classroom.panels import Drawing
from helpers.correction_loop.picture import add_motion
from helpers.night_comparison.false_winners import COUNTS
from helpers.rig.demo import demo_rig
from helpers.shared import series
from helpers.shared.recursion import recursion
from helpers.starlight.widths import picture_star, picture_star_fwhm

DEMO = Path(__file__).resolve().parents[2] / "demo_data"
LEVEL = 0.7  # arcsec, total rms at the start of the drawn hour, with camera A
_PART = 3.0  # minutes that one drawn point stands for
MOST_TURNS = 12  # of each camera: more fill no single night


@dataclass(frozen=True)
class CameraLog:
    """What one camera's log of the demo night says."""

    rows: Table
    errors: u.Quantity
    rms: series.Interval
    memory: u.Quantity
    independent: float
    turns: tuple  # total rms of each [arcsec]
    stars: tuple  # least and most


def _rms(errors):
    return float(np.sqrt(series.squared_total(errors.to_value(u.arcsec)).mean()))


def _camera_log(log, name):
    rows = log[log["camera"] == name]
    errors = np.column_stack([rows["ra_error"], rows["dec_error"]]) * u.arcsec
    time = rows["time"].quantity
    squares = series.squared_total(errors.value)
    return CameraLog(
        rows,
        errors,
        series.rms_interval(errors, time),
        series.memory(errors, time),
        series.effective_samples(squares, time),
        tuple(_rms(errors[start:stop]) for start, stop in turns_of(rows)),
        (int(rows["star_count"].min()), int(rows["star_count"].max())),
    )


def turns_of(rows):
    """First and last row of each turn: a new one begins after a minute without rows."""
    breaks = np.flatnonzero(np.diff(np.asarray(rows["time"])) > 60) + 1
    bounds = [0, *breaks.tolist(), len(rows)]
    return list(itertools.pairwise(bounds))


@lru_cache(maxsize=1)
def demo_night():
    """The demo night: camera name to what its log says."""
    log = nights.load_log(DEMO / "night_log.ecsv")
    return {name: _camera_log(log, name) for name in "AB"}


@lru_cache(maxsize=1)
def demo_comparison():
    """The two cameras of the demo night compared."""
    found = demo_night()
    return nights.compare(found["A"].rows, found["B"].rows)


def longest_memory():
    """The longer memory of both logs of the demo night, to a tenth of a second, as a plan wants it."""
    return np.round(max(found.memory for found in demo_night().values()), 1)


def _air_line(axes, rig, exposure):
    """The line of the air for logged errors of both axes together; what shows in the picture is none of a log's."""
    air = seeing.image_motion(rig.guide_optics.aperture, seeing.atmosphere_for(rig.site), exposure)
    figures.ruler(axes, air=2**0.5 * air, texts=("", f"air overhead, exposures of {exposure.to_value(u.s):g} s"))


def night_of_turns():
    """The errors of the demo night, both axes together, and the total rms of each turn."""
    figure, axes = figures.new_figure(width=8, height=4)
    for index, (name, found) in enumerate(demo_night().items()):
        minutes = np.asarray(found.rows["time"]) / 60
        total = np.sqrt(series.squared_total(found.errors.value))
        axes.plot(minutes, total, figures.MARKERS[index], markersize=2.5, alpha=0.45, color=figures.COLOURS[index])
        for (start, stop), rms in zip(turns_of(found.rows), found.turns, strict=True):
            ends = minutes[[start, stop - 1]]
            axes.plot(ends, [rms, rms], color="black", linewidth=4)
            axes.text(ends.mean(), 1.82, f"camera {name}\n{rms:.2f}", ha="center", va="top", fontsize=13)
            axes.axvline(ends[0], color="black", linewidth=0.8)
    axes.set(ylim=(0, 1.9), xlim=(0, 60))
    _air_line(axes, demo_rig("club"), 1.5 * u.s)
    figures.label(axes, "time [min]", "error, both axes together [arcsec]")
    a, b = (demo_night()[name].turns for name in "AB")
    alt = (
        "An hour in four turns, A B A B: a dot for each exposure, how far the star was from its mean place. Black "
        "lines, the rms of each turn, lie lower for B."
    )
    sentence = (
        f"Total rms of the four turns (black lines): A {a[0]:.2f}, B {b[0]:.2f}, A {a[1]:.2f}, B {b[1]:.2f} arcsec. "
        "Dotted: what the air alone makes in your usual seeing."
    )
    return figures.show(figure, alt, sentence)


def hour_of_turns(turns, drift, ratio):
    """Error level of an hour under a sky that drifts evenly.

    Returns
    -------
    minutes, level : array
        Middle of each drawn piece, and total rms [arcsec] there.
    with_b : array of bool
    """
    edge = 60 / (2 * turns)
    pieces = max(1, round(edge / _PART))
    minutes = (np.arange(2 * turns * pieces) + 0.5) * edge / pieces
    with_b = np.arange(2 * turns * pieces) // pieces % 2 == 1
    level = LEVEL * np.exp(np.log1p(drift / 100) * minutes / 60) * np.where(with_b, ratio, 1.0)
    return minutes, level, with_b


def hour_ratio(turns, drift, ratio):
    """What dividing the two rms values of that hour gives: those of A and B, and B over A."""
    _, level, with_b = hour_of_turns(turns, drift, ratio)
    a, b = (float(np.sqrt(np.mean(level[rows] ** 2))) for rows in (~with_b, with_b))
    return a, b, b / a


def turns_and_sky(rig):
    """Points measured with A and with B under a drifting sky, and the rms that each camera gets for the hour."""
    figure, axes = figures.new_figure(width=7.6, height=4.1)
    style = {"linestyle": "none", "markersize": 9}
    points = [axes.plot([0], [1], figures.MARKERS[k], color=figures.COLOURS[k], zorder=3, **style)[0] for k in range(2)]
    lines = [axes.axhline(1, color=figures.COLOURS[k], linestyle=("--", "-.")[k]) for k in range(2)]
    names = [
        figures.label_curve(axes, [(1, 59)[k]], [1.0], "", above=k == 0, ha=("left", "right")[k], color="black")
        for k in range(2)
    ]
    axes.set(ylim=(0, 1.6), xlim=(0, 60))
    _air_line(axes, rig, rig.guiding.exposure)
    figures.label(axes, "time [min]", "total rms [arcsec]", "points: every few minutes; lines: the hour")

    def update(turns, drift, ratio):
        minutes, level, with_b = hour_of_turns(turns, drift, ratio)
        a, b, found = hour_ratio(turns, drift, ratio)
        for k, (rows, rms) in enumerate(((~with_b, a), (with_b, b))):
            points[k].set_data(minutes[rows], level[rows])
            lines[k].set_ydata([rms, rms])
            names[k].xy = (names[k].xy[0], rms)
            names[k].set_text(f"{'AB'[k]}: {rms:.2f}")
        taken = f"{turns} turn{'s' if turns > 1 else ''} each"
        alike = " Both lines lie on each other." if f"{a:.2f}" == f"{b:.2f}" else ""
        sky = f"{abs(found / ratio - 1):.0%} {'more' if found > ratio else 'less'}"
        sky = "nothing of it" if sky.startswith("0%") else f"it {sky}"
        return (
            f"With {taken} A gets {a:.2f} and B {b:.2f} arcsec: B over A is {found:.2f}, where the truth is "
            f"{ratio:.2f}. The sky alone makes {sky}.{alike} Dotted: what the air alone makes in your usual seeing."
        )

    alt = (
        "Round points where camera A measures, square ones where camera B does, in turns through an hour in which the "
        "sky changes. A dashed line marks the rms of A, a dash-dotted one that of B; the gap between them is what a "
        "reader of two logs would take for the difference of the cameras."
    )
    return Drawing(figure, (*points, *lines, *names), update, alt)


_RMS, _ROWS = 0.5, 1800  # arcsec on one axis; half an hour of seconds


@lru_cache(maxsize=64)
def remembering(memory_s, seed=3):
    """Half an hour of errors of one axis, one a second, rms 0.5 arcsec, whose memory is `memory_s`."""
    rho = np.exp(-1 / memory_s) if memory_s > 0 else 0.0
    noise = np.random.default_rng(seed).standard_normal(_ROWS)
    return _RMS * recursion([1, -rho], np.r_[noise[0], np.sqrt(1 - rho**2) * noise[1:]])


@lru_cache(maxsize=64)
def remembered(memory_s):
    """Interval of that half hour, and how many independent errors it counts like for an rms.

    The squares of such errors forget twice as fast as the errors, their correlation being rho^2, and 1 + 2 sum(rho^2k)
    = (1 + rho^2) / (1 - rho^2).
    """
    square = np.exp(-2 / memory_s) if memory_s > 0 else 0.0
    return series.rms_interval(remembering(memory_s) * u.arcsec), _ROWS * (1 - square) / (1 + square)


def memory_and_doubt(rig):
    """Left: errors that remember. Right: the rms of the half hour with its interval."""
    figure, (trace, value) = figures.new_figure(1, 2, width=8, height=3.9, width_ratios=[2, 1])
    (line,) = trace.plot(np.arange(180), np.zeros(180), color=figures.COLOURS[0], linewidth=1.3)
    trace.set_ylim(-2, 2)
    figures.label(trace, "time [s]", "error on one axis [arcsec]", "three minutes of it")
    (bar,) = value.plot([0, 0], [0.4, 0.6], color="black", linewidth=6)
    (dot,) = value.plot([0], [_RMS], "D", color=figures.COLOURS[1], markersize=11)
    value.set(ylim=(0.2, 0.8), xlim=(-1, 1), xticks=[])
    value.axhline(_RMS, color=figures.GREY, linestyle="--")
    value.text(-0.95, _RMS + 0.01, "truth", color=figures.GREY)
    figures.label(value, None, "rms of half an hour [arcsec]", "value and interval")

    def update(memory):
        seconds = float(memory.to_value(u.s))
        interval, independent = remembered(seconds)
        line.set_ydata(remembering(seconds)[:180])
        bar.set_ydata([interval.low, interval.high])
        dot.set_ydata([interval.value])
        return (
            f"1,800 errors of one axis that remember for {seconds:g} s tell as much as {independent:,.0f} independent "
            f"ones: rms {interval} arcsec. The truth is {_RMS:.2f}."
        )

    alt = (
        "Left: a trace of errors that becomes smoother as the memory grows. Right: the measured rms with its interval, "
        "which becomes longer; a dashed line marks the truth."
    )
    return Drawing(figure, (line, bar, dot), update, alt)


def chances_of_turns(ratio, memory, exposure, block, change, drift):
    """Numbers of turns of each camera, and the chance of seeing the ratio with each."""
    counts = np.arange(2, MOST_TURNS + 1)
    setting = {"drift": drift, "block": block, "change": change}
    return counts, np.array([nights.chance_of_seeing(ratio, memory, exposure, int(n), **setting) for n in counts])


def night_plan(rig):
    """Above: the night as a band of turns and changes. Below: the chance of seeing the difference, turn by turn."""
    exposure = rig.guiding.exposure
    figure, (band, curve) = figures.new_figure(2, 1, width=7.6, height=4.2, height_ratios=[1, 2.6])
    blocks = [band.barh([0], [1], left=0, color="white", edgecolor="black")[0] for _ in range(2 * MOST_TURNS)]
    names = [band.text(0, 0, "", ha="center", va="center", color="white", fontsize=12) for _ in blocks]
    band.set(ylim=(-0.6, 0.6), yticks=[], xlim=(0, 8))
    band.grid(False)
    figures.label(band, "hours from the start [h]", None, "turns of A and B; between them the camera is changed")
    counts = np.arange(2, MOST_TURNS + 1)
    (line,) = curve.plot(counts, counts * 0.0, **figures.look(0))
    (here,) = curve.plot([3], [0], "D", color=figures.COLOURS[6], markersize=13, zorder=3)
    curve.axhline(90, color="black", linestyle="--", linewidth=1.4)
    curve.text(MOST_TURNS, 88, "9 of 10 nights", ha="right", va="top")
    curve.axvspan(1.5, 2.5, color="#d8d8d8", zorder=0)
    curve.text(2, 4, "few", ha="center", fontsize=11)
    curve.set(ylim=(0, 105), xlim=(1.5, MOST_TURNS + 0.5))
    figures.label(curve, "turns of each camera [-]", "nights in 100 that show it [-]")

    def update(wanted, memory, block, change):
        ratio = float(wanted / (LEVEL * u.arcsec))
        _, chances = chances_of_turns(ratio, memory, exposure, block, change, 0.2)
        enough = np.flatnonzero((chances >= 0.9) & (counts >= nights.FEWEST_TURNS))
        turns = int(counts[enough[0]]) if enough.size else MOST_TURNS
        hour = 1 / 60
        length, pause = block.to_value(u.min) * hour, change.to_value(u.min) * hour
        for k, (bar, name) in enumerate(zip(blocks, names, strict=True)):
            bar.set_visible(k < 2 * turns)
            bar.set(x=k * (length + pause), width=length, facecolor=figures.COLOURS[(0, 6)[k % 2]])
            name.set_position((k * (length + pause) + length / 2, 0))
            name.set_text("AB"[k % 2] if k < 2 * turns else "")
        line.set_ydata(100 * chances)
        here.set_data([turns], [100 * chances[turns - 2]])
        start = f"To see {wanted.value:.2f} instead of {LEVEL:.2f} arcsec"
        if not enough.size:
            return f"{start}, {MOST_TURNS} turns of each camera are not enough. Look for a larger difference."
        total, lost = 2 * turns * length + (2 * turns - 1) * pause, (2 * turns - 1) * pause
        return (
            f"{start}, take {turns} turns of each camera: {total:.1f} h in all, of which {lost:.1f} h go into changing "
            f"cameras. {chances[turns - 2]:.0%} of such nights show it."
        )

    alt = (
        "Above: a band of turns A B A B with gaps in which the camera is changed. Below: the chance of seeing the "
        "difference rises with the number of turns; a dashed line marks 9 of 10 nights; two turns are shaded as "
        "few."
    )
    return Drawing(figure, (*blocks, *names, line, here), update, alt)


def false_winners():
    """How many of 100 nights with equal cameras name a winner, against the turns of each."""
    figure, axes = figures.new_figure(width=7.2, height=3.6)
    counts = np.array(list(COUNTS))
    shares = 100 * np.array([count.share for count in COUNTS.values()])
    ends = 100 * np.array([count.interval for count in COUNTS.values()]).T
    errors = np.abs(ends - shares)
    axes.errorbar(counts, shares, errors, fmt="o", color=figures.COLOURS[6], markersize=10, linewidth=3, capsize=6)
    for count, share in zip(counts, shares, strict=True):
        axes.annotate(f"{share:.0f}", (count, share), (12, 0), textcoords="offset points", va="center", fontsize=13)
    axes.axhline(5, color="black", linestyle="--", linewidth=1.6)
    axes.text(counts[-1] + 0.4, 9, "as promised: 5", ha="right", va="bottom")
    axes.set(ylim=(0, 100), xlim=(0.5, counts[-1] + 0.5), xticks=counts)
    figures.label(axes, "turns of each camera [-]", "nights in 100 with a winner [-]")
    alt = (
        "Nights in 100 that name a winner though both cameras are equal, against the turns of each camera. One turn "
        "each: most of the nights. From two turns on: a few."
    )
    told = ", ".join(
        f"{turns}: {100 * count.share:.0f} ({100 * count.interval[0]:.0f} to {100 * count.interval[1]:.0f})"
        for turns, count in COUNTS.items()
    )
    dashed = "Dashed: an interval that holds the truth in 95 of 100 nights may miss it in 5."
    return figures.show(figure, alt, f"Turns of each, and false winners in 100 nights: {told}. {dashed}")


def narrower_as_shown(widths):
    """Share that the second width is narrower than the first, of both as they are shown, to 0.01 arcsec."""
    first, second = (round(float(width.to_value(u.arcsec)), 2) for width in widths)
    return 1 - second / first


@dataclass(frozen=True)
class Pictures:
    """Stars of the main picture if all that the two logs of the demo night hold were movement of the mount."""

    air: u.Quantity
    widths: tuple  # with A, with B [arcsec]

    @property
    def narrower(self):
        """Share that the star is narrower with B."""
        return narrower_as_shown(self.widths)


def pictures(rig):
    """Widths of a star of the rig's main picture with the errors of the demo night added to the air."""
    widths = tuple(moved_star(rig, demo_night()[name].rms.value * u.arcsec) for name in "AB")
    return Pictures(picture_star_fwhm(rig, guide_field.plan(rig).airmass), widths)


def moved_star(rig, total_rms):
    """Width of a star in the rig's picture, at the target, if such a total rms [arcsec] were movement of the mount."""
    variance, airmass = np.full(2, total_rms.to_value(u.arcsec) ** 2 / 2) * u.arcsec**2, guide_field.plan(rig).airmass
    return add_motion(picture_star_fwhm(rig, airmass), variance, picture_star(rig, airmass)).mean()
