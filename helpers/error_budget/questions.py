"""Guesses, exercises, forms and words of workbook 10; each answer is computed."""

from dataclasses import dataclass, fields, replace
from functools import lru_cache

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord, UnitSphericalRepresentation

from helpers import night_comparison as logs
from helpers.classroom import figures, guesses
from helpers.classroom.exercises import Question
from helpers.correction_loop.own_settings import band_of, gains_in_words
from helpers.error_budget import nights
from helpers.error_budget.cases import Priors
from helpers.error_budget.diagnosis import CAUSES, causes_that_fit, diagnose, diagnose_anew, listed, most_telling
from helpers.error_budget.log_model import noise_share
from helpers.error_budget.next_change import usual_changes, what_next
from helpers.error_budget.own_log import LogFacts, facts_of
from helpers.error_budget.predict import predict
from helpers.error_budget.suspects import FAINTER, FAULTY, SENSOR, SEVERAL, city_rigs, logged, suspects, together
from helpers.error_budget.terms import MODEL_ERROR, air_before_the_loop, centroid_errors, evaluate, stars_like
from helpers.guide_field.coma import coma_shift
from helpers.guide_field.fit import focus_tolerance, unsharpness
from helpers.guide_field.plan import plan, sides, try_list, usable_in_words
from helpers.guide_field.stars import DEFAULT_ANGLE, star_columns
from helpers.guide_field.usable import USABLE_ERROR
from helpers.night_comparison.log import TYPICAL_RMS
from helpers.pixel_scale import compare_scales
from helpers.rig.demo import demo_rig
from helpers.rig.values import changed, flat
from helpers.seeing.named_air import atmosphere_for
from helpers.seeing.wander import image_motion
from helpers.starlight.spectra import SHARES_THAT_COUNT
from helpers.starlight.view import view

_SIGMA = 2.3548  # FWHM of a Gaussian in units of its rms
NIGHTS, _DRAWS = 300, 20_000
_TELLING = 0.01  # arcsec, a step that a log could show
# Causes that are noise of the measurement, not motion.
MEASURING = tuple(name for name in CAUSES if name not in ("exposure", "seeing between the runs", "chance"))


_predicted, _ranked = {}, {}  # what was computed for a rig, for it takes some seconds


def mine(rig, progress=None):
    """The reader's prediction with its intervals; computed once for a rig."""
    if rig not in _predicted:
        _predicted[rig] = predict(rig, rng=np.random.default_rng(1), draws=NIGHTS, progress=progress)
    return _predicted[rig]


def guiding_in_the_picture(rig):
    """What guiding adds to the star in the picture."""
    found = evaluate(rig)
    air, star = found.picture_terms["air and diffraction"], found.final_fwhm
    largest = max(found.terms, key=lambda name: found.terms[name])
    return guesses.choices(
        "10.picture",
        "Your star in the picture has some width. How much of that width would go away on a perfect mount?",
        {"nearly nothing, up to a tenth": 0.05, "about a third": 0.33, "two thirds": 0.67},
        float(1 - air / star),
        f"{1 - float(air / star):.0%}: from {star.value:.2f} to {air.value:.2f} arcsec, which air and the telescope's "
        f"own diffraction make anyway. The log shows {found.logged_rms.value:.2f} arcsec, and most of that is "
        f"{largest}: it is not the same list.",
    )


def near_infrared_alone(rig):
    """What the newer camera's near infrared is worth on the log."""
    with_it, without = together(()), together(("infrared",))
    step = float((without.logged_rms - with_it.logged_rms) / u.arcsec)
    return guesses.choices(
        "10.infrared",
        f"Take from the newer camera what it gains in the near infrared, and nothing else. As calculated, it logged "
        f"{logged(with_it):.2f} arcsec. What does it log now?",
        {"hardly more": 0.01, "some 0.1 more": 0.1, "the older camera's 0.70": 0.25},
        step,
        f"{_now_logged(with_it, without)} The near infrared is some more light, no more: the air moves stars of all "
        "colours alike. Try the other switches, then several at once.",
    )


def _now_logged(base, run):
    """What a log becomes, in a sentence."""
    if abs(logged(run) - logged(base)) > 0.005:
        return f"{logged(run):.2f} instead of {logged(base):.2f} arcsec."
    return f"As before, {logged(run):.2f} arcsec: the number does not change by as much as {_TELLING:g}."


def step_in_words(base, run):
    """By how much one log is larger than another, as far as it can be told."""
    step = logged(run) - logged(base)
    return f"{step:+.2f}" if abs(step) > 0.005 else "below 0.01"


def _star(found):
    """Width of the star in the picture [arcsec] as far as it is shown."""
    return round(float(found.final_fwhm.value), 2)


def _told(step):
    """A step of log or picture, as far as it can be told."""
    return f"{step:.2f}" if step >= 0.5 * _TELLING else f"less than {_TELLING:g}"


def parts_in_words(rig):
    """What the bars of both lists are, in words, with why air is larger in the log than before a loop follows it."""
    still, logged_air = air_before_the_loop(rig), evaluate(rig).terms["air"].to_value(u.arcsec)
    motion = image_motion(rig.guide_optics.aperture, atmosphere_for(rig.site), rig.guiding.exposure)
    one = float(np.sqrt(2) * motion.value)
    alike = f"{still:.2f}" == f"{one:.2f}"
    seen = f"{one:.2f} arcsec" if alike else f"{one:.2f} arcsec on one star, {still:.2f} on the mean of yours"
    times = round(logged_air, 2) / round(still, 2)
    loop = (
        f"a loop that answers the dance too late makes it {logged_air:.2f}"
        if times > 1
        else f"the loop follows a part of it and leaves {logged_air:.2f}"
        if times < 1
        else "the loop leaves as much"
    )
    return figures.marked(
        "**At the left** each bar is an rms of both axes. *Air* is the dance of the guide stars, *centroid noise* how "
        "badly their middle is known, *mount and its play* what the loop leaves of the mount's own motion. On a mount "
        f"that stood still air would make {seen} (`04_seeing`); {loop}.\n\n"
        f"**At the right** each bar is a width{_width_of_motion(rig)}, so the same motion has a "
        "longer bar there. *Corrections* are movements that answered no fault of the mount (the strip at the top "
        "counts them in *what the loop leaves*); *fast shake* is too quick for any guide camera; *flexure* is slow "
        f"bending between guide and main camera.\n\nNobody knows the seeing beforehand. So {NIGHTS} nights are tried, "
        "with other air, stars and mounts; 95 of 100 lie in the interval."
    )


def times_of_a_width(rig):
    """Width that motion adds in squares to the star in the picture, over the motion's rms on one axis."""
    shake = rig.mount.jitter.to_value(u.arcsec)
    return evaluate(rig).picture_terms["fast shake"].to_value(u.arcsec) / shake if shake > 0 else np.nan


def _width_of_motion(rig):
    """How much wider than its rms on one axis motion is drawn, in words; nothing where the rig tells no such number."""
    times = times_of_a_width(rig)
    if not np.isfinite(times):
        return ""
    more = "; a star behind air is more pointed" if times > _SIGMA + 0.05 else ""
    return f", about {times:.1f} times the rms of one axis ({_SIGMA:.2f} for bell curves{more})"


def own_number(rig):
    """The reader's three numbers, in words."""
    found = mine(rig)
    low, high = (limit.value for limit in found.intervals["logged_rms"])
    thin, wide = (limit.value for limit in found.intervals["final_fwhm"])
    return (
        f"Your log should show {found.logged_rms.value:.2f} arcsec, both axes together ({low:.2f} to {high:.2f} in 95 "
        f"of 100 nights), and a star in your picture should be {found.final_fwhm.value:.2f} arcsec wide "
        f"({thin:.2f} to {wide:.2f})."
    )


def table_of_numbers(rig):
    """Head and rows: log, true motion and picture with intervals."""
    found = mine(rig)

    def spread(name):
        low, high = (limit.value for limit in found.intervals[name])
        return f"{getattr(found, name).value:.2f}", f"{low:.2f} to {high:.2f}"

    rows = [
        ("logged rms: what the guide camera measured", *spread("logged_rms"), "you, on the screen"),
        ("pointing rms: what the mount really did", *spread("pointing_rms"), "nobody"),
        ("final FWHM: width of a star in the picture", *spread("final_fwhm"), "all who look at it"),
    ]
    return ("in arcsec", "middling night", "95 of 100 nights", "who sees it"), rows


def table_of_cameras(rig):
    """Head and rows: what cameras A and B are."""
    (old, new), (best, near_infrared) = map(flat, city_rigs()), SHARES_THAT_COUNT
    rows = [
        ("read noise", "guide_camera.read_noise", "{:.1f} electrons"),
        (f"{best} (efficiency)", "guide_camera.peak_quantum_efficiency", "{:.0%}"),
        (near_infrared, "guide_camera.quantum_efficiency_850", "{:.0%}"),
        ("colour mosaic", "guide_camera.mosaic", "{}"),
        ("pixel", "guide_camera.pixel_size", "{:.1f} µm"),
    ]

    def written(value, template):
        value = {True: "yes", False: "no"}.get(value, value) if isinstance(value, bool) else value
        return template.format(getattr(value, "value", value))

    head = ("", "A, the older", "B, the newer")
    return head, [(name, written(old[key], text), written(new[key], text)) for name, key, text in rows]


def stars_of_the_case(rig):
    """What both cameras look at in the side-by-side, in words."""
    new, old = together(()), together(SENSOR)
    sky = f"each square arcsecond of it shines like a star of magnitude {new.rig.site.sky_brightness.value:g}"
    good = (
        f"only the brightest {new.stars} stand out well enough from a city sky to be used"
        if new.stars == old.stars
        else f"the newer camera can use the brightest {new.stars}, the older the brightest {old.stars}: the others do "
        "not stand out well enough from a city sky"
    )
    return (
        f"Both are offered the same {len(SEVERAL)} stars, which reach the camera with G = {min(SEVERAL):g} to "
        f"{max(SEVERAL):g}, with exposures of {new.rig.guiding.exposure.value:g} s and a seeing of "
        f"{new.rig.site.seeing.value:g} arcsec. Of these stars "
        f"{good} ({sky}). Where none does, the brightest guides all the same. "
        "Start from the newer camera's run, and give the older run one thing after the other."
    )


_alone = []  # the suspects of the reported case, once computed


def alone(progress=None):
    """The suspects one by one, for the reported case; computed once."""
    if not _alone:
        _alone.extend(suspects(*city_rigs(), rng=np.random.default_rng(3), draws=40, progress=progress))
    return _alone


_TOLD = {  # rows of the table of what was found: name, and what differs from the newer camera's run
    "newer camera": (),
    "newer camera without its gain in the near infrared": ("infrared",),
    "older camera, healthy": SENSOR,
    f"older camera with a fault ({FAULTY.value:g} electrons)": (*SENSOR, "fault"),
    f"older camera, stars {FAINTER:g} magnitudes fainter": (*SENSOR, "faint"),
    "both: the fault and the fainter stars": (*SENSOR, "faint", "fault"),
    "older camera, fainter stars, half the exposure": (*SENSOR, "short", "faint"),
}


def table_of_runs(rig):
    """Head and rows: some runs of the side-by-side, with log and star in the picture."""
    runs = {name: together(chosen) for name, chosen in _TOLD.items()}
    rows = [(name, f"{logged(run):.2f}", f"{_star(run):.2f}") for name, run in runs.items()]
    return ("same sky [arcsec]", "log", "star in the picture"), rows


def what_the_suspects_say(rig):
    """The answer of the side-by-side, in words."""
    old, every = together(SENSOR), [together(chosen) for chosen in _TOLD.values()]
    new = every[0]
    same = logged(new) == logged(old)
    cameras = "the two cameras log the same" if same else f"the newer camera logs {logged(old) - logged(new):.2f} less"
    grown = max(_star(run) for run in every) - _star(new)
    return (
        f"With the same stars {cameras}. A fault or faint stars alone cost little, together "
        f"much, for noise of the camera moves a faint star more. The star in the picture "
        f"hardly notices: at most {grown:.2f} arcsec."
    )


def half_the_exposure(rig):
    """What half the exposure does to the air in the older camera's run on faint stars, in words."""
    long, short = (together((*SENSOR, *more, "faint")).terms["air"].value for more in ((), ("short",)))
    return f"Half the exposure leaves more air, {short:.2f} instead of {long:.2f}." if short > long + _TELLING else ""


# The demo night.


OTHER_PRIORS = {
    f"a fault in {0.03:.0%} of cameras, not {Priors().fault:.0%}": Priors(fault=0.03),
    f"a fault in {0.5:.0%}": Priors(fault=0.5),
    f"other stars in {0.05:.0%} of logs, not {Priors().other_stars:.0%}": Priors(other_stars=0.05),
}


@dataclass(frozen=True)
class Night:
    """Two logs of one night: what was read of them, what is known, and what follows."""

    facts: LogFacts
    known: dict
    predicted: tuple
    diagnosis: object
    otherwise: tuple  # the diagnosis under each of `OTHER_PRIORS`

    @property
    def measured(self):
        """Rms and standard error of each log; pair of pairs of Quantity [arcsec]."""
        return self.facts.measured


def demo_rigs(exposure, gain):
    """The club's rig with camera A and with camera B, with the settings of a night."""
    settings = {"guiding.exposure": exposure, "guiding.loop_gain": gain}
    return tuple(changed(demo_rig("club", camera), settings) for camera in "AB")


def night_of(log, gain):
    """What the room makes of a log of both demo cameras.

    Parameters
    ----------
    log : Table
        From `night_comparison.load_log`.
    gain : float
        As the observer set it: no log tells it. Exposure, star counts and turns are read from the log.
    """
    facts = facts_of(log, ("A", "B"))
    rigs = demo_rigs(facts.known["exposure_a"], gain)
    known = {"rig_a": rigs[0], "rig_b": rigs[1]} | facts.known

    def foretold(rig):
        return predict(rig, rng=np.random.default_rng(2), draws=NIGHTS)

    predicted = tuple(nights.side_by_side(foretold, rigs))
    rng = np.random.default_rng(4)
    found, *others = diagnose_anew(*facts.measured, known, rng, _DRAWS, others=list(OTHER_PRIORS.values()))
    return Night(facts, known, predicted, found, tuple(others))


def facts_in_words(facts):
    """What was read of a log, in words."""
    told = []
    for k, (name, side) in enumerate(zip(facts.cameras, "ab", strict=True)):
        rms, error = facts.measured[k]
        stars = f", {facts.counts[k][0]} to {facts.counts[k][1]} stars" if len(facts.counts) == 2 else ""
        turns = facts.known[f"turns_{side}"]
        told.append(
            f"camera {name}: {rms.value:.2f} ± {error.value:.2f} arcsec in {turns} turn{'s' if turns > 1 else ''} with "
            f"exposures of {facts.known[f'exposure_{side}'].value:g} s{stars}"
        )
    return f"Read from the log: {'; '.join(told)}."


def outside_or_inside(night):
    """Whether each log lies where 95 of 100 nights would have it, and how both compare, in words."""
    spans, told = [], []
    for camera, (rms, _), budget in zip("AB", night.measured, night.predicted, strict=True):
        low, high = budget.intervals["logged_rms"]
        where = "inside" if low <= rms <= high else "above" if rms > high else "below"
        spans.append(f"{low.value:.2f} to {high.value:.2f} arcsec")
        told.append(f"{camera}'s {rms.value:.2f} lies {where}")
    expected = f"{spans[0]} with either camera" if spans[0] == spans[1] else f"{spans[0]} with A, {spans[1]} with B"
    return (
        f"With the settings of this night 95 of 100 nights log {expected}: {', '.join(told)}. So wide an interval "
        f"is what nights differ by. These two logs are of one night, in turns under the same sky: {_apart(night)}"
    )


def _apart(night):
    """Whether the two logs differ by more than chance, in words."""
    (log_a, error_a), (log_b, error_b) = night.measured
    apart, error = abs(log_a - log_b).value, float(np.hypot(error_a.value, error_b.value))
    if apart > 3 * error:
        return (
            f"the {apart:.2f} arcsec between them are {apart / error:.0f} times the ± of a difference, more than "
            "chance makes."
        )
    return f"the {apart:.2f} arcsec between them may be chance (± {error:.2f})."


def share_of_measuring(found):
    """Chance that the largest part is noise of the measurement: few or faint stars, fault, sensor, focus."""
    return sum(found.probabilities[name] for name in MEASURING)


def to_a_friend(night):
    """The diagnosis in a sentence to repeat."""
    found = night.diagnosis
    change = (night.measured[0][0] - night.measured[1][0]).value
    share = round(100 * share_of_measuring(found))
    order = sorted(found.probabilities, key=lambda name: -found.probabilities[name])
    first, second = (f"{name} ({round(100 * found.probabilities[name])})" for name in order[:2])
    which = (
        f"what made it noisy is {first} rather than {second}"
        if found.probabilities[order[0]] >= 0.5
        else f"what made it noisy can't be told: {causes_that_fit(found.probabilities, found.likeliest, '{} ({})')}"
        f"{_hardly_less(found)}"
    )
    return (
        f"“B logged {change:.2f} arcsec less than A. In {share} of 100 cases that fit, the reason is how well the "
        f"stars were measured, not the air; {which}. What would tell most: {most_telling(found.tell_most)}.”"
    )


def _hardly_less(found):
    """Causes that fit less well than the likeliest, but half as often at least, in words."""
    named = (
        found.likeliest if len(found.likeliest) > 1 else sorted(found.probabilities, key=found.probabilities.get)[-2:]
    )
    least = max(found.probabilities.values()) / 2
    rest = [f"{name} ({100 * chance:.0f})" for name, chance in found.probabilities.items() if chance >= least]
    rest = [words for words in rest if words.rpartition(" (")[0] not in named]
    return f", and hardly less {listed(rest)}" if rest else ""


def without_the_number_of_stars(night):
    """Why the number of stars is no cause of the change, in words; nothing where it is one."""
    largest = max(abs(limit.value) for limit in night.diagnosis.shares["stars used"])
    if len(night.facts.counts) < 2 or largest >= 0.5 * _TELLING:
        return "The likeliest causes first."
    low, high = night.facts.counts[0]
    return (
        f"The number of stars is not among them: in such a field those beyond A's {low} to {high} are so faint that "
        f"they change the log by less than {_TELLING:g} arcsec."
    )


def opened(night, truth):
    """What was put into the demo night and found again, in words."""
    put_in, found = revealed(night, truth)[1][0][1:]
    (log_a, _), (log_b, _) = night.measured
    apart = float(np.sqrt(max((log_a**2 - log_b**2).value, 0.0) / 2))
    times = float(np.sqrt(noise_share(night.known["rig_a"]) / 2))
    passed = "makes it {:.1f} times as large" if times > 1.05 else "leaves {:.1f} of it" if times < 0.95 else ""
    passed = f": the loop passes noise on and {passed.format(times)}" if passed else ""
    noise = [logged(together(("noise", *more))) - logged(together(more)) for more in ((), ("faint",))]
    return (
        f"Read noise made only {_told(noise[0])} arcsec on the stars of section 2 and {_told(noise[1])} on those "
        f"{FAINTER:g} magnitudes fainter. {_how_read_noise_does_it(night.diagnosis)}"
        "How bright the stars of this night were, its log does not say: that is why it can't be told. The "
        f"night is invented, so it can be opened: camera A was given {put_in} more noise on one axis than B (in "
        f"squares); found from the logs: {found}. (The logs differ by {apart:.2f} on one axis{passed}.)"
    )


def _how_read_noise_does_it(found):
    """What it takes that read noise makes the largest part, in words; nothing where it never does."""
    if found.faint_for_read_noise is None:
        return ""
    return (
        f"Where it made the largest part here, a fault multiplies it in {round(100 * found.read_noise_with_fault)} of "
        f"100 cases; in the others the brightest star has about G = {found.faint_for_read_noise:.0f}, "
        f"fainter than what is called usable (the brightest of section 2: {min(SEVERAL):g}). "
    )


def revealed(night, truth):
    """Head and rows: what was put into the demo night, and what the room found.

    Parameters
    ----------
    night : Night
    truth : demo_data.make_night_logs.Truth
    """
    put_in = {side: truth.noise[side].to_value(u.arcsec) for side in "AB"}
    more = np.sqrt(put_in["A"] ** 2 - put_in["B"] ** 2)
    found, error = noise_beyond(night)
    low, middle, high = (value.value for value in night.diagnosis.seeing["a"])
    grown = 1 + truth.seeing_growth / 2  # the mean of the hour over its start
    rows = [
        ("noise of A beyond that of B, one axis", f"{more:.2f} arcsec", f"{found:.2f} ± {error:.2f} arcsec"),
        ("stars of A", "{} to {}".format(*truth.stars["A"]), "{} to {}".format(*night.facts.counts[0])),
        ("stars of B", "{} to {}".format(*truth.stars["B"]), "{} to {}".format(*night.facts.counts[1])),
        ("what made the difference", "noise of the measurement, not said from what", _largest_kind(night.diagnosis)),
        (
            "seeing, mean of the hour",
            f"{truth.seeing.value * grown:.1f} arcsec",
            f"{middle:.1f} arcsec ({low:.1f} to {high:.1f})",
        ),
        (
            "air moves stars more after an hour, by",
            f"{(1 + truth.seeing_growth) ** (5 / 6) - 1:.0%} (seeing {truth.seeing_growth:.0%})",
            f"{night.facts.sky_drift:.0%} of the log, whose noise does not grow (workbook 09)",
        ),
    ]
    return ("", "put in", "found"), rows


def _largest_kind(found):
    share = share_of_measuring(found)
    name = "noise of the measurement" if share >= 0.5 else "air, exposure or chance"
    return f"{name}, {round(100 * max(share, 1 - share))} in 100"


def noise_beyond(night):
    """Centroid noise that the first log has beyond the second, one axis, and its standard error; floats [arcsec].

    Both logs had the same air and mount; what noise leaves in a log is `noise_share` times its square.
    """
    share = noise_share(night.known["rig_a"])
    (a, error_a), (b, error_b) = ((rms.value, error.value) for rms, error in night.measured)
    square = (a**2 - b**2) / share
    found = np.sqrt(max(square, 0.0))
    return float(found), float(np.hypot(a * error_a, b * error_b) / share / max(found, 1e-9))


BOTH_FAULTY = (
    "Where half of all cameras have a fault, both of these often have one. Then it is no difference between them, but "
    "what it multiplies is: their read noise."
)


def table_of_priors(night):
    """Head and rows: what the answer becomes when something else is taken to be likely."""
    rows = []
    for name, found in zip(("as taken here", *OTHER_PRIORS), (night.diagnosis, *night.otherwise), strict=True):
        order = sorted(found.probabilities, key=lambda cause: -found.probabilities[cause])[:3]
        said = ", ".join(f"{cause} {round(100 * found.probabilities[cause])}" for cause in order)
        rows.append((name, said, f"{round(100 * share_of_measuring(found))} in 100"))
    return ("taken to be likely", "most likely causes, in 100", "some noise of the measurement"), rows


# What next.


def options(rig, progress=None):
    """Changes ranked for the rig; computed once."""
    if rig not in _ranked:
        _ranked[rig] = tuple(what_next(rig, draws=40, progress=progress))
    return _ranked[rig]


def table_of_options(rig):
    """Head and rows: changes that the model can tell, by place, and *nothing*, which all others share."""
    rows, same = [], _not_told(rig)
    for option in options(rig):
        if not option.can_tell:
            continue
        low, high = (limit.value for limit in option.interval)
        words = "narrower" if option.gain > 0 else "wider"
        rows.append(
            (
                f"{option.place}",
                option.name,
                f"{abs(option.gain.value):.2f} {words}",
                f"{low:+.2f} to {high:+.2f}",
            )
        )
    place = next(option.place for option in options(rig) if not option.can_tell)
    others = f", or one of the {len(same)} below" if same else ""
    rows.append((f"{place}", f"nothing{others}", "no change that can be told", f"below {_least(rig):.2f}"))
    rows.sort(key=lambda row: int(row[0]))
    return ("place", "change", "star in the picture [arcsec]", "narrower by, in 95 of 100 nights"), rows


def _not_told(rig):
    """Names of the changes that the model cannot tell from nothing."""
    return [option.name for option in options(rig) if not option.can_tell and option.name != "nothing"]


def not_told_in_words(rig):
    """How many changes the model cannot tell from nothing, in words, with the first of them; the list follows."""
    same = _not_told(rig)
    if not same:
        return ""
    other = "" if len(same) == len(options(rig)) - 1 else "other "
    return (
        f"{len(same)} {other}changes were tried that can't be told from *nothing*: “{same[0]}” and those named below."
    )


def list_of_not_told(rig):
    """Names of all changes that the model cannot tell from nothing, as a list."""
    return "\n".join(f"- {name}" for name in _not_told(rig)) or "There are none."


def ranking(rig):
    """Changes by place, as far as any can be told, and those that can't."""
    table = figures.table(*table_of_options(rig)) if any(option.can_tell for option in options(rig)) else ""
    return figures.marked("{table}\n\n{rest}", table=table, rest=figures.marked(not_told_in_words(rig)))


def _least(rig):
    return MODEL_ERROR * float(mine(rig).final_fwhm.value)


def recommended(rig):
    """The change worth making, or None."""
    return next((option for option in options(rig) if option.worthwhile and option.gain > 0), None)


def advice(rig):
    """What to change next, in words."""
    best, star = recommended(rig), mine(rig).final_fwhm.value
    if best is None:
        return (
            f"Leave the rig as it is. Nothing on the list takes more off a star of {star:.2f} arcsec than this model "
            f"can tell, {MODEL_ERROR:.0%} of it ({_least(rig):.2f} arcsec): air and optics set its width."
        )
    return f"{best.name[0].upper()}{best.name[1:]}: it takes {best.gain.value:.2f} of {star:.2f} arcsec off the star."


@lru_cache(maxsize=2)
def _behind_both():
    """Log and star with camera A and with B, behind the pick-off and in a guide telescope, over a city."""
    city = {"site.seeing": 3 * u.arcsec, "site.sky_brightness": 17.5 * u.mag / u.arcsec**2}
    change = next(value for name, value in usual_changes(demo_rig()).items() if name.startswith("guide telescope"))
    return {
        name: tuple(evaluate(changed(demo_rig("club", camera), optic | city)) for camera in "AB")
        for name, optic in (("pick-off", {}), ("guide telescope", change))
    }


def table_of_optics(rig):
    """Head and rows: the same two cameras behind the pick-off and in a guide telescope."""
    rows = []
    for name, both in _behind_both().items():
        for camera, found in zip("AB", both, strict=True):
            rows.append(
                (
                    name,
                    camera,
                    f"{found.stars}",
                    f"{found.centroid_error.value:.3f}",
                    f"{logged(found):.2f}",
                    step_in_words(both[1], both[0]) if camera == "B" else "",
                    f"{found.final_fwhm.value:.2f}",
                )
            )
    head = (
        "club's rig over a city, stars of a middling field [arcsec]",
        "camera",
        "stars used",
        "noise of their mean",
        "log",
        "B takes off the log",
        "star in the picture",
    )
    return head, rows


def who_gains(rig):
    """Whether pick-off or guide telescope gains from the better sensor, in words."""
    told, gains, noise = [], {}, {}
    for name, (old, new) in _behind_both().items():
        gains[name] = logged(old) - logged(new)
        change = f"{-gains[name]:+.2f}" if abs(gains[name]) > 0.5 * _TELLING else f"less than {_TELLING:g}"
        told.append(f"in the {name} by {change}")
        noise[name] = [float(found.centroid_error.value) for found in (old, new)]
    most = max(gains, key=gains.get)
    telling = gains[most] > 0.5 * _TELLING
    start = f"The {most} gains more" if telling else "Neither gains anything that a log could show"
    widths = _told(max(abs(_star(old) - _star(new)) for old, new in _behind_both().values()))
    bare = float(without_filters().centroid_error.value)
    (old, new), (first, second) = noise["pick-off"], noise["guide telescope"]
    return (
        f"{start}: over a city, with B in the place of A, the log changes {' and '.join(told)} arcsec, and the star in "
        f"the picture by {widths}. What noise the stars leave is small against the air. In the "
        f"pick-off B's sensor alone would take that noise from {old:.3f} to {bare:.3f}; the filters of its colour "
        f"mosaic make it {new:.3f} again. In the guide telescope it is {second:.3f} instead of {first:.3f}: why, "
        "stands below."
    )


@lru_cache(maxsize=1)
def without_filters():
    """Budget of camera B without its colour mosaic, behind the pick-off over a city."""
    return evaluate(changed(_behind_both()["pick-off"][1].rig, {"guide_camera.mosaic": False}))


def coarse_in_the_guide_telescope(rig):
    """Why the two cameras use so different numbers of stars in the guide telescope, in words."""
    old, new = _behind_both()["guide telescope"]
    seen = [view(found.rig).signal(found.magnitudes.min()) for found in (old, new)]
    best = [float(one.centroid_error.value) for one in seen]
    return (
        f"A pixel of the guide telescope sees {seen[1].pixel_scale.value:.1f} arcsec of sky. On pixels so coarse, "
        f"under a colour mosaic, the measured centre depends on where among the pixels the star stands, and more light "
        f"does not cure that (02_starlight): the best star is known to {best[1]:.2f} arcsec behind B, to "
        f"{best[0]:.2f} behind A, which has no mosaic. So {new.stars} stars are usable, known to "
        f"{USABLE_ERROR.value:g} arcsec, for B, and {old.stars} for A.{_air_of_both()}"
    )


def _air_of_both():
    """Why both logs are smaller in the guide telescope, in words; nothing where they are not, or not for that."""
    airs, alone = [], []
    for _, new in _behind_both().values():
        airs.append(new.terms["air"].value)
        alone.append(evaluate(changed(new.rig, {"guiding.stars": 1})).terms["air"].value)
    if airs[1] > airs[0] - _TELLING or alone[1] < alone[0]:
        return ""
    return (
        f" Air makes {airs[0]:.2f} of the log in the pick-off and {airs[1]:.2f} in the guide telescope, whose stars "
        f"stand farther apart and share less of it; on one star it would be {alone[0]:.2f} and {alone[1]:.2f}."
    )


def _unsharp_runs(rig):
    """Name, and what coma and defocus add to the width of a guide star (None: no estimate), of each run."""
    tolerance = focus_tolerance(rig)
    runs = [("sharp, at the height of the target", 0 * u.mm, True)]
    runs += [(f"{times * tolerance.value:.2f} mm out of focus", times * tolerance, True) for times in (1, 4)]
    runs += [("no coma corrector", 0 * u.mm, False), ("both of these", 4 * tolerance, False)]
    return [(name, unsharpness(rig, *more) if more[1] or bends(rig) else None) for name, *more in runs]


def bends(rig):
    """Whether the estimate of coma holds for the rig's guide stars: behind a pick-off of a reflector."""
    return rig.guide_optics.kind == "pick-off" and rig.telescope.kind == "reflector"


@lru_cache(maxsize=8)
def unsharp(rig):
    """Budgets with a guide star that is not sharp: name to Budget, or to None where there is no estimate."""
    return {name: None if blur is None else evaluate(rig, blur=blur) for name, blur in _unsharp_runs(rig)}


def table_of_unsharp_stars(rig):
    """Head and rows: what coma and defocus of the guide star do to its centre, to the log and to the picture."""
    rows = []
    for name, found in unsharp(rig).items():
        if found is None:
            rows.append((name, "no estimate", "", "", "", ""))
            continue
        rows.append(
            (
                name,
                f"{found.guide_star_fwhm.value:.1f}",
                f"{found.stars}",
                f"{found.centroid_error.value:.3f}",
                f"{logged(found):.2f}",
                f"{found.final_fwhm.value:.2f}",
            )
        )
    head = ("guide star [arcsec]", "as wide as", "stars used", "noise of their mean", "log", "star in the picture")
    return head, rows


def unsharp_in_words(rig):
    """What coma and defocus of the guide star do, in words."""
    sharp, _, out, *bent = unsharp(rig).values()
    worst = next((found for found in reversed(bent) if found is not None), out)
    noise = float(worst.centroid_error / sharp.centroid_error)
    grown = _told(logged(worst) - logged(sharp)), _told(_star(worst) - _star(sharp))
    told = (
        "Both make the guide star wider, and so its centre is known less well: in the worst row the noise is "
        f"{noise:.1f} times as large, the log grows by {grown[0]} and the star in the picture by {grown[1]} arcsec. "
    )
    if not worst.guidable:
        told += "No star is then good enough; the best of the poor ones is used. "
    if not bends(rig):
        kind = rig.telescope.kind
        return told + (
            "A guide telescope looks along its own axis, where there is no coma."
            if rig.guide_optics.kind != "pick-off"
            else f"For coma in a {kind} there is no simple estimate: look at stars in the corner of a picture."
        )
    return told + (
        f"Coma also moves the middle of the light, here by {coma_shift(rig).value:.1f} arcsec away from the axis, but "
        "by the same in every exposure: guiding does not notice that."
    )


def settings_in_words(rig):
    """Which exposures and gains make no difference to the picture: the band of workbook 07."""
    here = band_of(rig)
    exposure, gain = rig.guiding.exposure.to_value(u.s), rig.guiding.loop_gain
    good = here.exposures[np.isfinite(here.low)].to_value(u.s)
    low, high = here.at_setting
    set_to = f"{here.exposure.value:g} s"
    now = here.gains_at(rig.guiding.exposure)
    told = (
        f"With exposures from {good[0]:g} to {good[-1]:g} s there are gains that leave the star in the picture within "
        f"{here.within:.0%} of the narrowest. "
    )
    if now and now[0] <= gain <= now[1]:
        return told + (
            f"At your {exposure:g} s these are the gains from {gains_in_words(rig, *now)}; yours, {gain:g}, is among "
            "them: leave it."
        )
    return told + (
        f"Yours, {gain:g} at {exposure:g} s, is not one of these: set {set_to} and a gain of {here.gain:.2f}, the "
        f"middle, by factors, of {gains_in_words(rig, low, high)}."
    )


def stars_in_words(rig):
    """How likely usable guide stars are, on the average of the sky about the default target: as workbook 03 says."""
    one, three = (plan(rig, wanted=number) for number in (1, 3))
    faint = "" if one.limits.reached else " (where coarse pixels let no star reach 0.1 arcsec)"
    if sides(rig) == 2 and one.limits.reached:
        listed = view(rig).faintest(one.limits.error)
        faint = f" (in a star list, before the pick-off keeps back its part, G = {listed:.1f} overhead)"
    return (
        f"Stars are usable down to G = {one.limits.faint:.1f} as they reach the camera{faint}. For a target "
        f"{abs(one.target.galactic.b.deg):.0f} degrees from the Milky Way the chance of at least one on the guide "
        f"sensor is {one.one_field:.0%}, of three {three.one_field:.0%}"
        + (
            f", on both sides of the flip {one.all_night:.0%} and {three.all_night:.0%}. The angle to set is found "
            "from a star list: workbook 03."
            if sides(rig) == 2
            else "; a guide telescope keeps its field through the flip."
        )
    )


def stars_used(rig):
    """The stars that the prediction guides on, best first: magnitudes, and how well each centre is known.

    Returns
    -------
    magnitudes : array, shape (N,)
        Gaia G as they reach the camera.
    errors : Quantity [arcsec], shape (N,)
        One axis, one exposure.
    """
    found = mine(rig)
    errors, _ = centroid_errors(rig, found.magnitudes, found.airmass, found.guide_star_fwhm)
    return found.magnitudes, errors * u.arcsec


def list_of_stars(rig):
    """The stars that the prediction guides on, in words."""
    magnitudes, errors = stars_used(rig)
    each = [f"{magnitude:.1f} ({error:.3f})" for magnitude, error in zip(magnitudes, errors.value, strict=True)]
    return (
        "The prediction guides on a field such as the sky has there on the average: "
        f"{usable_in_words(len(each)).replace('usable ', '')} of G = {', '.join(each)}, as they reach the camera; in "
        "brackets how well the centre of each is known in one exposure [arcsec, one axis]."
    )


def angle_in_words(rig, catalogue):
    """What a star list says of both sides of the flip, and the angle to set.

    Parameters
    ----------
    rig : Rig
    catalogue : Table
        From `guide_field.load_catalogue`; the target is taken to be in its middle.

    Raises
    ------
    ValueError
        The list does not reach as far as the guide field.
    """
    ra, dec, _ = star_columns("catalogue", catalogue)
    middle = SkyCoord(ra * u.deg, dec * u.deg).cartesian.mean().represent_as(UnitSphericalRepresentation)
    target = SkyCoord(middle.lon, middle.lat)
    limits = plan(rig, target).limits
    found = try_list(catalogue, target, rig, limits)
    where = f"about {target.to_string('hmsdms', precision=0)}, the middle of your star list"
    if sides(rig) == 1:
        return f"{usable_in_words(len(found.before))} {where}; a guide telescope keeps its field through the flip."
    told = (
        f"{usable_in_words(len(found.before))} before the flip and {len(found.after)} after it {where}, at a position "
        f"angle of the guide field of {DEFAULT_ANGLE.value:.0f} degrees. "
    )
    if not found.search.turn.value:
        return told + "No other angle is better on the poorer side."
    return told + (
        f"Set {found.search.best.value:.0f} degrees, a turn of {found.search.turn.value:+.0f}: {found.promise}."
    )


# Where people go wrong.


def sharper_pictures(rig):
    """A log that fell to less than two thirds, and the picture."""
    poor, good = together((*SENSOR, "faint", "fault")), together(())
    return (
        f"With a noisy camera on faint stars the log falls from {poor.logged_rms.value:.2f} to "
        f"{good.logged_rms.value:.2f} arcsec when the newer one comes with good stars, by "
        f"{1 - logged(good) / logged(poor):.0%}. The star in the picture goes from "
        f"{poor.final_fwhm.value:.2f} to {good.final_fwhm.value:.2f} arcsec, by "
        f"{1 - _star(good) / _star(poor):.0%}: most of the log was noise of the measurement, and the "
        "mount followed only a part of it."
    )


def more_stars(rig):
    """One star of G = 14 against thirty."""
    club = demo_rig()
    one, thirty = (
        evaluate(changed(club, {"guiding.stars": 30}), None, stars_like(club, [14.0] * count)) for count in (1, 30)
    )
    return (
        f"With one star that reaches the camera with G = 14 the club's log shows {one.logged_rms.value:.2f} arcsec, "
        f"of which air {one.terms['air'].value:.2f} and centroid noise {one.terms['centroid noise'].value:.2f}; with "
        f"{thirty.stars} such stars {thirty.logged_rms.value:.2f}, air {thirty.terms['air'].value:.2f} and noise "
        f"{thirty.terms['centroid noise'].value:.2f}. The noise goes, most of the air stays: all stars of a small "
        "field share it."
    )


# Exercises.


def width_with_error(rig):
    """Exercise: how wide a star becomes."""
    air, error = 2.2, 0.5
    right = np.hypot(air, _SIGMA * error)
    return Question(
        "10.1",
        f"On a perfect mount a star would be {air} arcsec wide. The mount's true error is {error} arcsec rms on each "
        f"axis. How wide is the star? (Widths add as squares; an error of rms 1 makes a blur {_SIGMA:.3f} wide.)",
        right * u.arcsec,
        unit=u.arcsec,
        percent=3,
        mistakes=(
            ((air + _SIGMA * error) * u.arcsec, "widths add as squares: take the root of the sum of the squares."),
            (np.hypot(air, error) * u.arcsec, f"turn the rms into a width first: times {_SIGMA:.3f}."),
        ),
        hint=f"{air} squared plus ({_SIGMA:.3f} x {error}) squared, then the root.",
        solution=f"{right:.2f} arcsec. (This workbook takes the true shape of a star and finds a little more.)",
    )


def part_of_the_mount(rig):
    """Exercise: what is left for the mount."""
    right = (0.6**2 - 0.5**2 - 0.2**2) ** 0.5
    wrong = "parts add up as squares, not as they are."
    return Question(
        "10.2",
        "A log shows 0.60 arcsec, both axes; 0.50 of it is air, 0.20 centroid noise. How large is the mount's part?",
        right * u.arcsec,
        unit=u.arcsec,
        percent=4,
        mistakes=((-0.1 * u.arcsec, wrong), (0.1 * u.arcsec, wrong)),
        hint="0.60 squared less 0.50 squared less 0.20 squared, then the root.",
        solution=f"{right:.2f} arcsec.",
    )


def likely_reason(rig):
    """Exercise: why a log fell by a third."""
    right = "two of these together: a camera that is not well, fainter stars, a shorter exposure"
    return Question(
        "10.3",
        "Two cameras, the same night. The log falls from 0.70 to 0.45 arcsec. Which reason is large enough?",
        right,
        options=(
            "the newer one's near infrared, which the air moves less",
            right,
            "read noise of 1 electron instead of 3",
        ),
        mistakes=(
            (
                "the newer one's near infrared, which the air moves less",
                "the air moves stars of every colour alike; look at its switch.",
            ),
            ("read noise of 1 electron instead of 3", "look at the step that it makes in section 2."),
        ),
        hint="Which switches of section 2 make steps longer than 0.1 arcsec, alone or together?",
        solution=_two_together(),
    )


def _two_together():
    """What a fault and fainter stars make alone and together, in words."""
    more = ((), ("fault",), ("faint",), ("faint", "fault"), ("short", "faint"))
    healthy, fault, faint, both, short = (logged(together((*SENSOR, *each))) for each in more)
    return (
        f"A fault makes {healthy:.2f} into {fault:.2f}, fainter stars make it {faint:.2f}, both {both:.2f} arcsec; "
        f"half the exposure and fainter stars {short:.2f}."
    )


# The reader's own two logs.

_PRIORS = {
    "seeing": "spread of the seeing from night to night (0.25: a quarter)",
    "drift": "spread of its change from one run to the next",
    "fewer_stars": "chance that a log used fewer stars than there are",
    "other_stars": "chance that it used others than the brightest",
    "brightness": "spread of their brightness [mag]",
    "out_of_focus": "chance that a guide camera is out of focus",
    "defocus": "what that adds to a star's width [arcsec]",
    "fault": "chance of a fault that raises the read noise",
    "fault_least": "at least so many times",
    "fault_most": "at most so many times",
}
_OPTIONAL = {
    "turns_{}": ("turns, if both cameras took turns", u.one, "Then one is assumed."),
    "stars_{}": ("guide stars used", u.one, "Look at the star count of the log."),
    "brightest_{}": ("Gaia G of the brightest of them", u.one, "From a star list."),
    "read_noise_{}": ("read noise as measured", u.electron, "Workbook 08 measures it from your own frames."),
    "seeing_{}": ("seeing at that time", u.arcsec, "From star widths in main frames of that run."),
}


def diagnosis_fields(rig):
    """Fields of the form "my own two logs"."""
    old = flat(demo_rig("club", "A"))
    exposure = float(rig.guiding.exposure.to_value(u.s))
    found = []

    def field(key, section, label, unit, value, **more):
        found.append({"key": key, "section": section, "label": label, "unit": unit, "value": value, "choices": None})
        found[-1] |= more

    for side, word, rms in (("a", "older camera", 0.70), ("b", "newer camera", 0.45)):
        field(f"rms_{side}", "logs", f"log of the {word}, both axes", "arcsec", rms, folded=False, typical=TYPICAL_RMS)
        field(
            f"error_{side}",
            "logs",
            f"± of the log of the {word}",
            "arcsec",
            0.03,
            folded=False,
            if_unknown="Workbook 09 computes it from the log; a twentieth of the log is a fair guess.",
        )
        field(f"exposure_{side}", "logs", f"exposure of the {word}", "s", exposure, folded=False, typical="1 to 4")
    for side, word in (("a", "older camera"), ("b", "newer camera")):
        for key, (label, unit, advice_) in _OPTIONAL.items():
            unit = "" if unit == u.one else unit.to_string()
            field(
                key.format(side),
                "what else is known",
                f"{word}: {label}",
                unit,
                "",
                if_unknown=f"Leave it empty. {advice_}",
            )
    field("read_noise", "the older camera", "read noise", "electron", float(old["guide_camera.read_noise"].value))
    field(
        "peak", "the older camera", "light that counts at best", "", float(old["guide_camera.peak_quantum_efficiency"])
    )
    field("at_850", "the older camera", "efficiency at 850 nm", "", float(old["guide_camera.quantum_efficiency_850"]))
    field("mosaic", "the older camera", "colour mosaic", "", False, choices=(True, False))
    for key, label in _PRIORS.items():
        field(key, "what is taken to be likely", label, "", float(getattr(Priors(), key)))
    return found


def _known_number(name, text):
    text = str(text).strip().replace(",", ".")
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"{name}: expected a number or nothing, found {text!r:.40}") from None


def known_from(rig, answers):
    """What `diagnose` is told, from the answers of the form."""
    camera = replace(
        rig.guide_camera,
        read_noise=answers["read_noise"] * u.electron,
        peak_quantum_efficiency=answers["peak"],
        quantum_efficiency_850=answers["at_850"],
        mosaic=answers["mosaic"],
    )
    known = {"rig_a": replace(rig, guide_camera=camera), "rig_b": rig}
    for side in "ab":
        known[f"exposure_{side}"] = answers[f"exposure_{side}"] * u.s
        for key, (label, unit, _) in _OPTIONAL.items():
            value = _known_number(label, answers[key.format(side)])
            if value is not None:
                value = int(value) if key.startswith(("stars", "turns")) else value
                known[key.format(side)] = value if unit == u.one else value * unit
    return known


def diagnosis_reply(rig, own=None):
    """What the form answers: a function of its answers; `own`: OwnLog, whose facts go before what was typed."""

    def reply(answers):
        known = known_from(rig, answers)
        measured = [(answers[f"rms_{side}"] * u.arcsec, answers[f"error_{side}"] * u.arcsec) for side in "ab"]
        told = []
        if own is not None and own.facts is not None:
            known, measured = known | own.facts.known, own.facts.measured
            told.append(f"{facts_in_words(own.facts)} These stand in for what is typed below.")
        chosen = Priors(**{each.name: answers[each.name] for each in fields(Priors)})
        for priors in [chosen] + [Priors()] * (chosen != Priors()):
            found = diagnose(*measured, known, np.random.default_rng(4), _DRAWS, priors=priors)
            order = sorted(found.probabilities, key=lambda name: -found.probabilities[name])[:4]
            said = ", ".join(f"{name} {round(100 * found.probabilities[name])}" for name in order)
            start = "With what this room takes to be likely instead: " if priors != chosen else ""
            told.append(f"{start}{found.sentence}\nMost likely, in 100 cases that fit: {said}.")
        return "\n".join(told)

    return reply


class OwnLog:
    """The reader's own log of two cameras; what was read of it is kept for the diagnosis."""

    def __init__(self, rig):
        self.rig, self.facts = rig, None

    def fields(self, paths):
        """Fields that ask what stands in the log."""
        scale = compare_scales(self.rig).guide_scale
        asked = logs.log_fields(paths[0], scale, self.rig.guiding.exposure)
        older = {"key": "older", "section": "columns", "label": "name of the older camera in the log", "unit": ""}
        return [*asked, older | {"value": "A", "choices": None}]

    def read(self, paths, answers):
        """Read the log and say what it tells."""
        self.facts = None
        answers = dict(answers)
        older = str(answers.pop("older")).strip()
        log, notes = logs.clean_log(logs.read_night(paths, answers, self.rig.guiding.exposure))
        names = sorted(set(log["camera"]) - {""})
        if len(names) == 2 and older not in names:
            raise ValueError(f"name of the older camera: expected {names[0]} or {names[1]}, found {older!r:.40}")
        self.facts = facts_of(log, None if len(names) != 2 else sorted(names, key=lambda name: name != older))
        return "\n".join([*notes, f"{facts_in_words(self.facts)} The form below takes them."])


def card(rig):
    """The three texts of the card: number, meaning, what to do."""
    found = mine(rig)
    air = found.picture_terms["air and diffraction"]
    largest = max(found.terms, key=lambda name: found.terms[name])
    meaning = (
        f"{float(air / found.final_fwhm):.0%} of that width is there on a perfect mount too. Most of the "
        f"{found.logged_rms.value:.2f} arcsec on your log is {largest}."
    )
    return (
        f"{found.final_fwhm.value:.2f} arcsec: the width of a star in your picture.",
        meaning,
        advice(rig),
    )
