"""Drawings of workbook 10: parts of log and picture, the suspects together and alone, what two logs say."""

from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers.classroom import figures
from helpers.classroom.panels import Drawing
from helpers.error_budget.suspects import FAINTER, FAULTY, logged, together
from helpers.error_budget.terms import evaluate
from helpers.rig.values import changed

REPORTED = (0.70, 0.45) * u.arcsec  # what practitioners report of an older and of a newer camera
_WIDEST = 1.25  # of the axis of the suspects
_LOST = 0.5 * u.arcsec  # a centre known no better than this is no star any more


def _bars(axes, names, values, colour):
    """Bars from 0, with their values behind them, and a faint mark where each began."""
    places = np.arange(len(names))
    bars = axes.barh(places, values, color=figures.COLOURS[colour], edgecolor="black", height=0.6)
    axes.plot(values, places, "|", color="black", markersize=24, markeredgewidth=2)
    texts = [axes.text(0, k, "", va="center", fontsize=11) for k in places]
    axes.set_yticks(places, names)
    axes.invert_yaxis()
    return bars, texts


def _move_bars(bars, texts, values):
    for bar, text, value in zip(bars, texts, values, strict=True):
        bar.set_width(value)
        text.set_x(max(value, 0))
        text.set_text(f" {value:.2f}")


def parts(rig):
    """Parts of the log and of the star in the picture, for the rig with other settings."""
    start = evaluate(rig)
    log, picture = list(start.terms), list(start.picture_terms)
    figure, (left, right) = figures.new_figure(1, 2, width=8, height=3.6)
    lists = []
    for axes, terms, title, kind, colour in (
        (left, start.terms, "in the log", "rms of both axes [arcsec]", 5),
        (right, start.picture_terms, "in the star of the picture", "width [arcsec]", 1),
    ):
        values = [value.value for value in terms.values()]
        lists.append(_bars(axes, [name.replace(" and ", "\nand ") for name in terms], values, colour))
        axes.set_xlim(min(0, 1.6 * min(values)), 2.2 * max(values))
        figures.label(axes, kind, None, title)

    @lru_cache(maxsize=64)
    def of(seeing, exposure, noise):
        return evaluate(
            changed(
                rig,
                {
                    "site.seeing": seeing * u.arcsec,
                    "guiding.exposure": exposure * u.s,
                    "guide_camera.read_noise": noise * u.electron,
                },
            )
        )

    def update(seeing, exposure, noise):
        found = of(seeing.value, exposure.value, noise.value)
        _move_bars(*lists[0], [found.terms[name].value for name in log])
        _move_bars(*lists[1], [found.picture_terms[name].value for name in picture])
        return (
            f"The log shows {found.logged_rms.value:.2f} arcsec (it began at {start.logged_rms.value:.2f}), the star "
            f"in the picture is {found.final_fwhm.value:.2f} arcsec wide (it began at "
            f"{start.final_fwhm.value:.2f}). Parts add up as squares."
        )

    alt = (
        "Two lists of bars, with marks where they began. Left: parts of the logged error. Right: parts of the width of "
        "the star in the picture, where air and diffraction are by far the longest."
    )
    moving = [artist for bars, texts in lists for artist in (*bars, *texts)]
    return Drawing(figure, moving, update, alt)


_STEPS = (
    ("infrared", "old camera's\nnear infrared"),
    ("noise", "old camera's\nread noise"),
    ("rest", "all else of it,\nno mosaic"),
    ("short", "0.5 s\ninstead of 1 s"),
    ("one", "one star\nonly"),
    ("faint", f"stars {FAINTER:g} mag\nfainter"),
    ("fault", f"fault: {FAULTY.value:g} e\nread noise"),
)


# What the panel of suspects switches: label, and whether it is on at the start.
SWITCHES = {
    "infrared": ("the older camera's near infrared", False),
    "noise": ("its read noise", False),
    "rest": ("all else of it: visible light, no mosaic", False),
    "short": ("exposure 0.5 s instead of 1 s", False),
    "one": ("one star only", False),
    "faint": (f"stars {FAINTER:g} magnitudes fainter", False),
    "fault": (f"a camera that reads with {FAULTY.value:g} electrons", False),
}


def lost(budget):
    """Whether no star can be measured any more."""
    return bool(not budget.guidable and budget.centroid_error > _LOST)


def suspects_together(rig):
    """A waterfall: from the newer camera's log upwards, step by step, as things are given to the older run."""
    figure, (left, right) = figures.new_figure(1, 2, width=8, height=4.2, width_ratios=[2.3, 1])
    names = ["newer camera", *(name for _, name in _STEPS), "older run"]
    places = np.arange(len(names))
    ends = {0: figures.COLOURS[5], len(names) - 1: figures.COLOURS[6]}
    bars = left.barh(
        places,
        0.1,
        color=[ends.get(k, figures.COLOURS[1]) for k in places],
        edgecolor="black",
        height=0.6,
    )
    texts = [left.text(0, k, "", va="center", fontsize=11) for k in places]
    for value, style, side in zip(REPORTED.value, ("-", "--"), ("left", "right"), strict=True):
        left.axvline(value, color="black", linestyle=style, linewidth=1.6)
        left.text(value, -0.75, f" reported {value:.2f} ", fontsize=11, ha=side)
    left.set_yticks(places, names, fontsize=10)
    left.set(xlim=(0, _WIDEST), ylim=(len(names) - 0.5, -1.1))
    figures.label(left, "log, both axes [arcsec]")
    widths = right.bar([0, 1], [1, 1], color=[ends[0], ends[len(names) - 1]], edgecolor="black", width=0.6)
    above = [right.text(k, 0, "", ha="center", va="bottom", fontsize=11) for k in (0, 1)]
    right.set_xticks([0, 1], ["newer", "older"])
    right.set(ylim=(0, 4.5))
    figures.label(right, None, "width [arcsec]", "star in the picture")

    def update(**switches):
        chosen, levels, gone = (), [logged(together(()))], None
        for name, _ in _STEPS:
            chosen = (*chosen, name) if switches[name] else chosen
            found = together(chosen)
            gone = name if gone is None and lost(found) else gone
            levels.append(min(logged(found), 2 * _WIDEST))
        _steps(bars, texts, levels)
        for bar, text, budget in zip(widths, above, (together(()), together(chosen)), strict=True):
            bar.set_height(budget.final_fwhm.value)
            text.set_y(min(budget.final_fwhm.value, 4.2))
            text.set_text(f"{budget.final_fwhm.value:.2f}")
        if gone is not None:
            return "With all of this no star stands out of the noise any more: there is nothing to guide on."
        step, stars = levels[-1] - levels[0], [one.final_fwhm.value for one in (together(()), together(chosen))]
        moved = f"goes from {levels[0]:.2f} to {levels[-1]:.2f} arcsec, by {step:+.2f}"
        log = moved if abs(step) > 5e-3 else f"stays at {levels[0]:.2f} arcsec"
        star = "goes from {:.2f} to {:.2f}" if f"{stars[0]:.2f}" != f"{stars[1]:.2f}" else "stays at {:.2f}"
        return f"The log {log}; the star in the picture {star.format(*stars)}. (Steps below 0.01 can't be told.)"

    alt = (
        "Left: a waterfall. A bar for the newer camera's log, then a step for each thing that the older run may have "
        "had otherwise, then the older run's log; two lines mark the reported 0.70 and 0.45 arcsec. Right: the star in "
        "the picture, hardly wider for the older run."
    )
    return Drawing(figure, (*bars, *texts, *widths, *above), update, alt)


def _steps(bars, texts, levels):
    """A first bar from 0, steps between levels, a last bar from 0."""
    starts = [0, *levels[:-1], 0]
    ends = [*levels, levels[-1]]
    for k, (bar, text, start, end) in enumerate(zip(bars, texts, starts, ends, strict=True)):
        bar.set_x(start)
        bar.set_width(end - start)
        text.set_x(min(max(start, end), 0.85 * _WIDEST) + 0.01)
        whole = k in (0, len(starts) - 1)
        moved = abs(end - start) > 5e-3
        text.set_text(f"{end:.2f}" if whole else f"{end - start:+.2f}" if moved else "")


def each_alone(found):
    """The suspects one by one: a still figure of `suspects`, with steps as far as they can be told, and its words."""
    figure, axes = figures.new_figure(width=7.6, height=4.2)
    rows = [one for one in found if one.cause]
    runs = {one.name: one for one in found}
    base = found[1].logged_rms.value
    for place, one in enumerate(rows):
        low, high = (limit.value for limit in one.logged_interval)
        axes.plot([low, high], [place, place], color="black", linewidth=2.5)
        axes.plot(one.logged_rms.value, place, "D", color=figures.COLOURS[6], markersize=8)
        step = logged(one) - logged(runs[one.base])
        axes.text(0.82, place, f"{step:+.2f} " if abs(step) > 5e-3 else "", fontsize=11, va="center", ha="right")
    axes.axvline(base, color=figures.GREY, linestyle=":")
    for value, style in zip(REPORTED.value, ("-", "--"), strict=True):
        axes.axvline(value, color="black", linestyle=style, linewidth=1.6)
    axes.text(REPORTED[0].value + 0.005, -0.6, "reported: older", fontsize=11, va="bottom")
    axes.text(REPORTED[1].value - 0.005, -0.6, "newer", fontsize=11, va="bottom", ha="right")
    axes.set_yticks(range(len(rows)), [one.name for one in rows], fontsize=11)
    axes.set(ylim=(len(rows) - 0.5, -1.5), xlim=(0.38, 0.82))
    figures.label(axes, "log, both axes [arcsec]")
    largest = max(rows, key=lambda one: one.logged_change)
    names = [f"“{one.name}”" for one in rows if one.logged_rms >= REPORTED[0]]
    reach = (
        f"Alone, {' and '.join(names)} reach 0.70" if names else "None of them alone reaches 0.70 on a middling night"
    )
    step = logged(largest) - logged(found[1])
    sentence = f"{reach}. The largest step is “{largest.name}”, {step:+.2f} arcsec."
    alt = (
        "A list of suspects, each with a diamond for the log it leads to alone, a line for 95 of 100 nights, and its "
        "step. Those of the camera's sensor lie near the dotted line of a healthy camera, seeing and exposure farthest."
    )
    return figures.show(figure, alt, sentence)


# What the causes mean, in the words of somebody at the telescope.
CAUSES_IN_WORDS = {
    "stars used": "fewer of them",
    "brightness of the stars": "guided on fainter ones than the best there were",
    "camera fault": "more noise than the sensor should have",
    "read noise": "what a healthy sensor has; a fault multiplies it",
    "efficiency, near infrared": "share of light beyond 700 nm that counts",
    "efficiency, visible": "the same of light that eyes see",
    "colour mosaic": "filters on the pixels keep light away",
    "exposure": "a longer one averages more air",
    "focus": "the guide camera out of it",
    "seeing between the runs": "the air itself changed from turn to turn",
    "chance": "what two logs of one thing differ by",
}


def shown_causes(found):
    """Causes of a diagnosis, the likeliest first, as far as they have a chance of half a per cent."""
    names = sorted(found.probabilities, key=lambda name: -found.probabilities[name])
    return [name for name in names if found.probabilities[name] >= 0.005]


def chances(found, sentence):
    """What `diagnose` says: a bar for the chance of each cause, with what its name means."""
    names = shown_causes(found)
    values = [100 * found.probabilities[name] for name in names]
    figure, axes = figures.new_figure(width=8, height=0.9 + 0.5 * len(names))
    axes.barh(names, values, color=figures.COLOURS[5], edgecolor="black", height=0.6)
    axes.set_yticks(range(len(names)), [f"{name}:\n{CAUSES_IN_WORDS[name]}" for name in names], fontsize=11)
    for place, value in enumerate(values):
        axes.text(value + 1, place, f"{value:.0f}", va="center", fontsize=12)
    axes.invert_yaxis()
    axes.set_xlim(0, 1.15 * max(values))
    figures.label(axes, "made the largest part, in 100 cases that fit [-]")
    told = "; ".join(f"{name} ({CAUSES_IN_WORDS[name]}) {value:.0f}" for name, value in zip(names, values, strict=True))
    alt = f"Bars for the causes: in how many of 100 cases that fit each made the largest part of the change: {told}."
    return figures.show(figure, alt, sentence)
