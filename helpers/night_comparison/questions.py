"""Guesses, exercises, forms and card of workbook 09; each answer is computed for the rig it is asked of."""

import astropy.units as u
import numpy as np

from helpers import night_comparison as nights
from helpers import pixel_scale
from helpers.classroom import guesses
from helpers.classroom.exercises import Question
from helpers.error_budget.predict import predict
from helpers.night_comparison import drawings, log, main_frames
from helpers.night_comparison.false_winners import COUNTS
from helpers.pixel_scale.drawings import WIDENING
from helpers.rig.demo import demo_rig
from helpers.shared import series

_WANTED = 6 / 7  # 0.60 instead of 0.70
_SPREADS = [(60, np.inf, "slower than a minute"), (10, 60, "10 s to a minute"), (0, 10, "quicker than 10 s")]


def _minutes(quantity):
    return float(quantity.to_value(u.min))


def _duration(quantity):
    """Minutes as hours and minutes: 3:10 h."""
    whole = round(_minutes(quantity))
    return f"{whole // 60}:{whole % 60:02d} h"


def sky_alone(rig):
    """What one turn each makes of two equal cameras under a sky that grows worse."""
    _, _, ratio = drawings.hour_ratio(1, 40, 1.0)
    _, _, four = drawings.hour_ratio(4, 40, 1.0)
    return guesses.choices(
        "09.turns",
        "Both cameras are equal. In the hour the sky makes the errors 40 % larger. First half A, second half B: how "
        "much worse does B look?",
        {"not at all": 1.0, "a few per cent": 1.04, "nearly a fifth": 1.18, "40 %": 1.4},
        ratio,
        f"By {ratio - 1:.0%}, and all of it is sky: B had the worse half. With four turns each it is {four - 1:.0%}, "
        "because a slow change can't follow the change of cameras.",
    )


def what_memory_costs(rig):
    """How many independent errors half an hour holds when errors remember for 10 s."""
    _, independent = drawings.remembered(10.0)
    _, fresh = drawings.remembered(0.0)
    return guesses.choices(
        "09.memory",
        "Half an hour of errors, one a second: 1,800 rows. Now let each error remember for 10 s. How many "
        "“independent” errors, none of which remembers another, would tell the rms just as well?",
        {"1,800": 1800, "900": 900, "fewer than 300": 180},
        independent,
        f"{independent:,.0f} (without memory: {fresh:,.0f}). Rows that follow each other say nearly the same, so more "
        "rows a second make a log longer, not surer.",
    )


def _demo_plan(wanted):
    memory = drawings.longest_memory()
    return nights.plan(drawings.LEVEL * u.arcsec, wanted * u.arcsec, memory, 1.5 * u.s)


def half_the_difference(rig):
    """What half the difference costs in turns."""
    large, small = _demo_plan(0.60), _demo_plan(0.65)
    return guesses.choices(
        "09.plan",
        "To see 0.60 instead of 0.70 arcsec takes some turns of each camera. How many times as many does it take to "
        "see 0.65 instead of 0.70, half the difference?",
        {"as many": 1.0, "twice": 2.0, "about four times": 4.0, "ten times": 10.0},
        small.turns / large.turns,
        f"With exposures of 1.5 s and the memory of the demo night: {small.turns} turns of each instead of "
        f"{large.turns}, {small.turns / large.turns:.1f} times as many. Errors of a mean shrink with the root of the "
        "number, so half the difference needs about four times the turns.",
    )


def table_of_log(rig):
    """Head and rows: what stands in the two logs of the demo night."""
    found = drawings.demo_night()
    logs = [found[name] for name in "AB"]
    cameras = [demo_rig("club", guide_camera=name).guide_camera for name in "AB"]
    rows = [
        ("sees colours", ["yes" if camera.mosaic else "no" for camera in cameras]),
        ("read noise [electron]", [f"{camera.read_noise.value:g}" for camera in cameras]),
        ("total rms [arcsec], and its interval", [f.rms for f in logs]),
        ("guide stars used", [f"{f.stars[0]} to {f.stars[1]}" for f in logs]),
        ("rows (one for each exposure)", [f"{len(f.rows):,}" for f in logs]),
    ]
    return ("", "camera A", "camera B"), [(label, *map(str, values)) for label, values in rows]


def what_the_night_says(rig):
    """The comparison of the demo night in words."""
    return f"{drawings.demo_comparison().conclusion} By the log, that is: the picture is another matter."


def sky_of_the_night(rig):
    """What the sky did in the demo night, and to the plain ratio of both logs, in words."""
    found, logs = drawings.demo_comparison(), drawings.demo_night()
    a, b = (logs[name].rms.value for name in "AB")
    sky = f"the sky changed meanwhile, at a rate of about {found.sky_drift:.0%} an hour"
    if f"{b / a:.2f}" == f"{found.ratio:.2f}":
        return f"{sky[0].upper()}{sky[1:]}."
    return f"Dividing the two rms values, {b:.2f} by {a:.2f}, gives {b / a:.2f}: {sky}."


def memory_of_the_night(rig):
    """How long the errors of the demo night remember, and what that means for a plan."""
    logs = drawings.demo_night()
    a, b = (logs[name].memory.value for name in "AB")
    longer, more = ("B", "A") if b > a else ("A", "B")
    quick = {name: _band(found, *_SPREADS[-1][:2]) for name, found in logs.items()}
    seen = ": its quick errors are larger (see More)"
    return (
        f"In the demo night the errors of A remember for {a:.1f} s, those of B for {b:.1f} s. Noise forgets at once, "
        f"and {more} has more of it{seen if quick[more] > quick[longer] else ''}. A plan takes the longer memory, that "
        f"of {longer}."
    )


def rig_plan(rig):
    """The plan for a seventh less than the rig's own log should show: total rms now and wanted, and the plan."""
    now = round(float(predict(rig).logged_rms.to_value(u.arcsec)), 2) * u.arcsec
    wanted = round(float(now.value * _WANTED), 2) * u.arcsec
    exposure = rig.guiding.exposure
    return now, wanted, nights.plan(now, wanted, drawings.longest_memory(), exposure)


def own_number(rig):
    """The reader's number of this workbook, in words."""
    now, wanted, plan = rig_plan(rig)
    return (
        f"Your log should show about {now.value:.2f} arcsec in total. To see a difference such as {wanted.value:.2f} "
        f"instead, take {plan.turns} turns of each, 15 minutes long: {_duration(plan.minutes)} in all, "
        f"{_duration(plan.changing)} of it for changing cameras. {plan.chance:.0%} of such nights would show it. "
        f"{what_a_camera_can_do(rig)}"
    )


def without_noise(rig):
    """The rig's log with stars that are known perfectly: what air and mount leave, total rms [arcsec]."""
    found = predict(rig)
    return float(np.sqrt(max((found.logged_rms**2 - found.terms["centroid noise"] ** 2).to_value(u.arcsec**2), 0.0)))


def what_a_camera_can_do(rig):
    """How far a better camera can bring the rig's log down, in words."""
    now, wanted, _ = rig_plan(rig)
    least = without_noise(rig)
    if round(least, 2) > wanted.value:
        return (
            f"No better camera brings {wanted.value:.2f}: air and mount alone make {least:.2f}. But a poor one may be "
            f"worse by the same factor, {now.value**2 / wanted.value:.2f}."
        )
    return f"The best camera could bring it to {least:.2f}, which air and mount alone make."


def table_of_plan(rig):
    """Head and rows: the rig's plan with the clock, to print."""
    _, _, plan = rig_plan(rig)
    head = ("turn", "camera A, minutes", "camera B, minutes", "stars, sky")
    rows = plan_rows(plan.turns, 15.0, 10.0)
    return head, [(k + 1, rows[2 * k][0], rows[2 * k + 1][0], "") for k in range(plan.turns)]


def plan_rows(turns, block, change):
    """Clock and deed for each turn of a plan; minutes."""
    rows, clock = [], 0.0
    for k in range(2 * turns):
        rows.append((f"{clock:.0f}–{clock + block:.0f}", f"camera {'AB'[k % 2]}"))
        clock += block + change
    return rows


def bands_of_the_night(rig):
    """Head and rows: how much of the errors of the demo night is slow and how much quick, in right ascension."""
    rows = []
    for low, high, name in _SPREADS:
        cells = [_band(found, low, high) for found in drawings.demo_night().values()]
        rows.append((name, *(f"{cell:.2f}" for cell in cells), f"{cells[1] / cells[0]:.1f}"))
    return ("movements", "A [arcsec rms]", "B [arcsec rms]", "B over A"), rows


def _band(found, shortest, longest):
    """Rms [arcsec] of the movements in right ascension whose period lies between two times, over both turns."""
    parts = []
    for start, stop in drawings.turns_of(found.rows):
        rows = found.rows[start:stop]
        frequency, density = series.spectrum(rows["time"].quantity, rows["ra_error"].quantity)
        period = 1 / frequency.value
        inside = (period >= shortest) & (period < longest)
        parts.append(float(np.sum(density.value[inside]) * frequency.value[0]))
    return float(np.sqrt(np.mean(parts)))


def two_turns_are_few(rig):
    """Why two turns do not do, in words."""
    memory, setting = drawings.longest_memory(), {"block": 15 * u.min, "change": 10 * u.min}
    two, three, four = (nights.chance_of_seeing(_WANTED, memory, 1.5 * u.s, n, **setting) for n in (2, 3, 4))
    one = COUNTS[1]
    return (
        f"With one turn each, {one.share:.0%} of nights name a winner where there is none. From two on the interval "
        "keeps its promise, but with two it is so wide that 0.60 instead of 0.70 arcsec is found in "
        f"{two:.0%} of nights only (three turns: {three:.0%}, four: {four:.0%}). Two turns are few and hide smaller "
        f"differences: plan {nights.FEWEST_TURNS} or more."
    )


def what_the_picture_gains(rig):
    """What the two logs of the demo night mean in the rig's picture, at the very most, in words."""
    found = drawings.pictures(rig)
    log_a, log_b = (drawings.demo_night()[name].rms.value for name in "AB")
    a, b = (width.value for width in found.widths)
    shows = (
        f", less than the {WIDENING:.0%} that begin to show (01_pixel_scale)"
        if found.narrower < WIDENING
        else f", and {WIDENING:.0%} begin to show (01_pixel_scale)"
    )
    return (
        f"From {log_a:.2f} to {log_b:.2f} arcsec, {1 - log_b / log_a:.0%} less, says the log. Even if all of it were "
        f"movement of the mount, the star of your picture, under your own air, would go from {a:.2f} to {b:.2f} "
        f"arcsec: {found.narrower:.1%} narrower{shows}. Air and the telescope's own diffraction alone make it "
        f"{found.air.value:.2f} wide. Noise of the measurement stands in the log in full, but moves the picture only "
        "as far as the loop follows it."
    )


def counting_like(rig):
    """Exercise: independent errors of a log."""
    return Question(
        "09.1",
        "A log has 3,600 rows. Its errors remember so long that 12 rows tell as much as one independent error. As "
        "much as how many independent errors does it tell?",
        3600 / 12,
        percent=2,
        mistakes=(
            (3600, "that is the number of rows; neighbours tell nearly the same."),
            (3600 / 12**0.5, "divide by 12 itself, not by its root."),
            (3600 * 12, "memory makes a log worth less, not more."),
        ),
        hint="Divide the number of rows by the rows that make one independent error.",
        solution=f"3,600 / 12 = {3600 / 12:.0f} independent errors.",
    )


def minutes_of_a_plan(rig):
    """Exercise: how long a given plan takes."""
    turns, block, change = 4, 15, 10
    right = (2 * turns * block + (2 * turns - 1) * change) * u.min
    return Question(
        "09.2",
        f"You want {turns} turns of each camera, {block} minutes long, and each change of cameras costs you {change} "
        "minutes. How long is the night's work, from the first turn to the end of the last?",
        right,
        unit=u.min,
        percent=1,
        mistakes=(
            (2 * turns * block * u.min, "that leaves out the changes."),
            (turns * block * u.min, "that is one camera only."),
            ((2 * turns * (block + change)) * u.min, "after the last turn nothing needs changing."),
        ),
        hint=f"There are {2 * turns} turns, and {2 * turns - 1} changes between them.",
        solution=f"{2 * turns} turns of {block} minutes and {2 * turns - 1} changes of {change}: {right.value:.0f} "
        f"minutes.",
    )


def what_may_be_said(rig):
    """Exercise: what an interval allows to say."""
    options = ("B is better", "there is no difference", "this night can't tell")
    return Question(
        "09.3",
        "B's total rms is 0.85 times that of A, with an interval from 0.70 to 1.05. What may you say?",
        options[2],
        options=options,
        mistakes=(
            (options[0], "the interval also holds 1.05, where B would be worse."),
            (options[1], "it also holds 0.70, a large difference. Not seeing one does not mean that there is none."),
        ),
        hint="Does the interval hold 1? Does it hold values that would matter to you?",
        solution="It holds 1, so no winner; and it holds 0.70, so a difference that matters is possible. More turns "
        "are needed.",
    )


def plan_fields(rig):
    """Fields of the form that makes a plan."""
    now, wanted, _ = rig_plan(rig)
    below = {"section": "plan"}
    memory = round(float(drawings.longest_memory().value), 1)
    return [
        {
            "key": "rms",
            "label": "total rms of your log now",
            "unit": "arcsec",
            "value": float(now.value),
            "typical": log.TYPICAL_RMS,
            "if_unknown": "Leave it: it is what your rig's log should show.",
        },
        {
            "key": "wanted",
            "label": "total rms with the other camera that you would want to see",
            "unit": "arcsec",
            "value": float(wanted.value),
            "if_unknown": "Ask what difference would make you buy it.",
        },
        {
            "key": "change",
            "label": "minutes lost at each change of cameras",
            "unit": "min",
            "value": 10.0,
            "typical": "10",
        },
        below | {"key": "block", "label": "length of a turn", "unit": "min", "value": 15.0, "typical": "15 to 20"},
        below
        | {
            "key": "memory",
            "label": "your errors remember for",
            "unit": "s",
            "value": memory,
            "typical": "2 to 10",
            "if_unknown": "It is read from your log below; this is the demo night's.",
        },
        below
        | {
            "key": "exposure",
            "label": "time from one row of the log to the next",
            "unit": "s",
            "value": float(rig.guiding.exposure.to_value(u.s)),
        },
        below
        | {
            "key": "drift",
            "label": "the sky changes the errors in an hour by",
            "unit": "%",
            "value": 20.0,
            "typical": "10 to 40",
        },
    ]


def plan_reply(rig):
    """What the form of the plan answers: a function of its answers."""

    def reply(answers):
        plan = nights.plan(
            answers["rms"] * u.arcsec,
            answers["wanted"] * u.arcsec,
            answers["memory"] * u.s,
            answers["exposure"] * u.s,
            drift=answers["drift"] / 100,
            block=answers["block"] * u.min,
            change=answers["change"] * u.min,
        )
        head = (
            f"The ratio is {plan.ratio:.2f}. Take {plan.turns} turns of each camera: {_duration(plan.minutes)} in all, "
            f"{_duration(plan.changing)} of it for changing. {plan.chance:.0%} of such nights show the difference."
        )
        if plan.turns > drawings.MOST_TURNS:
            return (
                f"{head}\nNo single night is that long: look for a larger difference, or spread the turns over nights."
            )
        rows = plan_rows(plan.turns, answers["block"], answers["change"])
        return "\n".join([head, *(f"minute {clock}: {deed}" for clock, deed in rows)])

    return reply


class OwnNight:
    """The reader's own log and main frames; what was read of the log is kept for the frames."""

    def __init__(self, rig):
        self.rig, self.log = rig, None

    def fields(self, paths):
        """Fields that ask what stands in the log."""
        return nights.log_fields(paths[0], pixel_scale.compare_scales(self.rig).guide_scale, self.rig.guiding.exposure)

    def read(self, paths, answers):
        """Read the log and say what it says."""
        self.log = None
        log = nights.read_night(paths, answers, self.rig.guiding.exposure)
        clean, notes = nights.clean_log(log)
        self.log = log
        return "\n".join([*notes, _log_in_words(clean, len(log)), *_cameras_in_words(clean)])

    def frames(self, paths):
        """Read main frames and say how wide their stars are, by camera where the log tells."""
        if self.log is None:
            raise ValueError("Read your log first: it tells which camera guided during which frame.")
        scale = pixel_scale.compare_scales(self.rig).main_scale
        paired = main_frames.pair_with_log(main_frames.frame_shapes(paths, scale), self.log)
        lines = [
            f"{row['file']}: camera {row['camera'] or 'not named'}, guide rms {row['guide_rms']:.2f} arcsec, stars "
            f"{row['fwhm']:.2f} arcsec wide (± {row['fwhm_error']:.2f}), {row['elongation']:.2f} times as long as wide"
            for row in paired
        ]
        names = sorted(set(paired["camera"]) - {"", "several"})
        if len(names) != 2:
            return "\n".join([*lines, f"Frames of {len(names)} camera(s); a comparison needs two."])
        widths = [paired["fwhm"][paired["camera"] == name].quantity for name in names]
        return "\n".join([*lines, _widths_in_words(names, main_frames.compare_widths(*widths))])


def _log_in_words(clean, rows):
    errors = np.column_stack([clean["ra_error"], clean["dec_error"]]) * u.arcsec
    time = clean["time"].quantity
    counts = np.asarray(clean["star_count"])
    known = counts[counts >= 0]
    stars = f" Guide stars: {known.min()} to {known.max()}." if known.size else ""
    return (
        f"{len(clean):,} of {rows:,} rows are used. Total rms {series.rms_interval(errors, time)} arcsec. Your errors "
        f"remember for {series.memory(errors, time).value:.1f} s: take that to the plan above.{stars}"
    )


def _cameras_in_words(clean):
    names = sorted(set(clean["camera"]) - {""})
    if len(names) != 2:
        return [f"This log names {len(names)} camera(s); a comparison needs two that took turns."]
    found = nights.compare(*(clean[clean["camera"] == name] for name in names))
    return [
        f"A is {names[0]}, B is {names[1]}. {found.conclusion}",
        f"Turns: {found.blocks[0]} of A, {found.blocks[1]} of B.",
        *found.cautions,
    ]


def _widths_in_words(names, found):
    low, high = (end.value for end in found.interval)
    verdict = (
        "That includes 0: these frames can't tell them apart."
        if low <= 0 <= high
        else "So the pictures differ, not only the log."
    )
    return (
        f"Stars with {names[1]} are {found.difference.value:+.2f} arcsec wider than with {names[0]} (minus: narrower), "
        f"{low:+.2f} to {high:+.2f} in 95 of 100 such nights. {verdict}"
    )


def card(rig):
    """The three texts of the card: number, meaning, what to do."""
    now, wanted, plan = rig_plan(rig)
    widths = [drawings.moved_star(rig, rms) for rms in (now, wanted)]
    narrower = float(1 - widths[1] / widths[0])
    number = (
        f"{plan.turns} turns of each camera, {_duration(plan.minutes)}: what it takes to see {wanted.value:.2f} "
        f"instead of {now.value:.2f} arcsec."
    )
    setting = {"block": 15 * u.min, "change": 10 * u.min}
    fewer = plan.turns - 1
    seen = nights.chance_of_seeing(
        plan.ratio, drawings.longest_memory(), rig.guiding.exposure, max(fewer, 2), **setting
    )
    meaning = (
        f"{plan.chance:.0%} of such nights would show it, with {fewer} turns {seen:.0%}. Were all of the difference "
        f"movement, the star of your picture would be {narrower:.1%} narrower. No camera brings your log below "
        f"{without_noise(rig):.2f}."
    )
    action = (
        f"Nothing, for the picture's sake: so small a change does not show in it ({WIDENING:.0%} begin to). Compare "
        "when your log is far worse than this."
        if narrower < WIDENING
        else "Print the plan, and give it a night: the difference would show in the picture."
    )
    return number, meaning, action
