"""Guesses, exercises, forms and words of workbook 10; each answer is computed."""

from dataclasses import dataclass, fields, replace
from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers import night_comparison as logs
from helpers.classroom import guesses
from helpers.classroom.exercises import Question
from helpers.correction_loop.own_settings import band_of
from helpers.error_budget import drawings
from helpers.error_budget.diagnosis import CAUSES, Priors, diagnose
from helpers.error_budget.log_model import noise_share
from helpers.error_budget.next_change import usual_changes, what_next
from helpers.error_budget.predict import predict
from helpers.error_budget.suspects import city_rigs, suspects
from helpers.error_budget.terms import MODEL_ERROR, evaluate, stars_like
from helpers.guide_field.chances import chance_on_sensor
from helpers.guide_field.pick_off import sensor_field
from helpers.guide_field.stars import sensor_size
from helpers.guide_field.usable import USABLE_ERROR
from helpers.rig.demo import demo_rig
from helpers.rig.values import changed, flat
from helpers.starlight.view import view

_SIGMA = 2.3548  # FWHM of a Gaussian in units of its rms
_NIGHTS, _DRAWS = 300, 20_000
# Causes that are noise of the measurement, not motion.
MEASURING = tuple(name for name in CAUSES if name not in ("exposure", "seeing between the runs", "chance"))


_predicted, _ranked = {}, {}  # what was computed for a rig, for it takes some seconds


def mine(rig, progress=None):
    """The reader's prediction with its intervals; computed once for a rig."""
    if rig not in _predicted:
        _predicted[rig] = predict(rig, rng=np.random.default_rng(1), draws=_NIGHTS, progress=progress)
    return _predicted[rig]


def guiding_in_the_picture(rig):
    """What guiding adds to the star in the picture."""
    found = evaluate(rig)
    air, star = found.picture_terms["air and diffraction"], found.final_fwhm
    largest = max(found.terms, key=lambda name: found.terms[name])
    return guesses.choices(
        "10.picture",
        "Your star in the picture has some width. How much of that width would go away if guiding were perfect?",
        {"nearly nothing, up to a tenth": 0.05, "about a third": 0.33, "two thirds": 0.67},
        float(1 - air / star),
        f"{1 - float(air / star):.0%}: from {star.value:.2f} to {air.value:.2f} arcsec, which air and the telescope's "
        f"own diffraction make anyway. The log shows {found.logged_rms.value:.2f} arcsec, and most of that is "
        f"{largest}: it is not the same list.",
    )


def near_infrared_alone(rig):
    """What the newer camera's near infrared is worth on the log."""
    with_it, without = drawings.together(()), drawings.together(("infrared",))
    step = float((without.logged_rms - with_it.logged_rms) / u.arcsec)
    return guesses.choices(
        "10.infrared",
        f"Take from the newer camera what it gains in the near infrared, and nothing else. It logged "
        f"{with_it.logged_rms.value:.2f} arcsec. What does it log now?",
        {"hardly more": 0.01, "some 0.1 more": 0.1, "the older camera's 0.70": 0.25},
        step,
        f"{without.logged_rms.value:.3f} instead of {with_it.logged_rms.value:.3f} arcsec. The near infrared is some "
        "more light, no more: the air moves stars of all colours alike. Try the other switches, then several at once.",
    )


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
    old, new = (flat(one) for one in city_rigs())
    rows = [
        ("read noise", "guide_camera.read_noise", "{:.1f} electrons"),
        ("efficiency at its best, visible", "guide_camera.peak_quantum_efficiency", "{:.0%}"),
        ("efficiency at 850 nm, near infrared", "guide_camera.quantum_efficiency_850", "{:.0%}"),
        ("colour mosaic", "guide_camera.mosaic", "{}"),
        ("pixel", "guide_camera.pixel_size", "{:.1f} um"),
    ]

    def written(value, template):
        value = {True: "yes", False: "no"}.get(value, value) if isinstance(value, bool) else value
        return template.format(getattr(value, "value", value))

    head = ("", "A, the older", "B, the newer")
    return head, [(name, written(old[key], text), written(new[key], text)) for name, key, text in rows]


_alone = []  # the suspects of the reported case, once computed


def alone(progress=None):
    """The suspects one by one, for the reported case; computed once."""
    if not _alone:
        _alone.extend(suspects(*city_rigs(), rng=np.random.default_rng(3), draws=40, progress=progress))
    return _alone


def table_of_suspects(rig):
    """Head and rows: log and picture of each suspect alone."""
    rows = []
    for one in alone():
        log = " to ".join(f"{limit.value:.2f}" for limit in one.logged_interval)
        picture = " to ".join(f"{limit.value:.2f}" for limit in one.picture_interval or ())
        change = f"{one.logged_change.value:+.3f}" if one.cause else ""
        rows.append((one.name, f"{one.logged_rms.value:.2f}", log, change, f"{one.final_fwhm.value:.2f}", picture))
    return ("one thing changed", "log", "in 95 of 100", "step", "star in the picture", "in 95 of 100"), rows


def what_the_suspects_say(rig):
    """The answer of the side-by-side, in words."""
    found = {one.name: one for one in alone()}
    new, old = alone()[:2]
    sensor = ("infrared", "noise", "rest")
    fault, faint, both = (drawings.together((*sensor, *more)) for more in (("fault",), ("faint",), ("faint", "fault")))
    short = drawings.together((*sensor, "short", "faint"))
    infrared = found["the old one's efficiency, near infrared"]
    healthy = drawings.together(sensor)
    return (
        f"With the same stars, exposure and sky the newer camera takes the log from {old.logged_rms.value:.2f} to "
        f"{new.logged_rms.value:.2f} arcsec; its near infrared alone is worth {infrared.logged_change.value:.3f}. From "
        f"0.70 to 0.45 it takes more. With several good stars a fault of the camera costs little "
        f"({healthy.logged_rms.value:.2f} to {fault.logged_rms.value:.2f}), and so do fainter stars "
        f"({faint.logged_rms.value:.2f}); both at once make {both.logged_rms.value:.2f}. So do half the exposure and "
        f"fainter stars: {short.logged_rms.value:.2f}. The star in the picture grows by "
        f"{(both.final_fwhm - healthy.final_fwhm).value:.2f} arcsec at the most of these, "
        f"{float(both.final_fwhm / healthy.final_fwhm) - 1:.0%}."
    )


# The demo night.


@dataclass(frozen=True)
class Night:
    """Two logs of one night: rms and standard error of each, what is known, and what follows."""

    measured: tuple
    known: dict
    counts: tuple
    predicted: tuple
    diagnosis: object


def measured_by(log, camera):
    """Total rms of one camera's rows of a log and its standard error; pair of Quantity [arcsec]."""
    found = logs.compare(log[log["camera"] == "A"], log[log["camera"] == "B"])
    interval = found.rms_a if camera == "A" else found.rms_b
    return interval.value * u.arcsec, (interval.high - interval.low) / (2 * 1.96) * u.arcsec


def demo_rigs(exposure, gain):
    """The club's rig with camera A and with camera B, with the settings of a night."""
    settings = {"guiding.exposure": exposure, "guiding.loop_gain": gain}
    return tuple(changed(demo_rig("club", camera), settings) for camera in "AB")


def night_of(log, exposure, gain):
    """What the room makes of a log of both demo cameras.

    Parameters
    ----------
    log : Table
        From `night_comparison.load_log`.
    exposure, gain
        As the observer set them.
    """
    rigs = demo_rigs(exposure, gain)
    measured = tuple(measured_by(log, camera) for camera in "AB")
    counts = tuple(np.asarray(log["star_count"][log["camera"] == camera]) for camera in "AB")
    known = {"rig_a": rigs[0], "rig_b": rigs[1]}
    known |= {f"stars_{side}": int(np.median(part)) for side, part in zip("ab", counts, strict=True)}
    predicted = tuple(predict(rig, rng=np.random.default_rng(2), draws=_NIGHTS) for rig in rigs)
    found = diagnose(*measured, known, np.random.default_rng(4), _DRAWS)
    return Night(measured, known, counts, predicted, found)


def outside_or_inside(night):
    """Whether each log lies where 95 of 100 nights would have it, in words."""
    told = []
    for camera, (rms, error), budget in zip("AB", night.measured, night.predicted, strict=True):
        low, high = budget.intervals["logged_rms"]
        where = "inside" if low <= rms <= high else "above" if rms > high else "below"
        told.append(
            f"camera {camera} logged {rms.value:.2f} ± {error.value:.2f} arcsec, {where} the {low.value:.2f} to "
            f"{high.value:.2f} of 95 of 100 nights"
        )
    return f"On the demo night {told[0]}; {told[1]}."


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
        else f"which of them can't be told: {first} and {second} both fit"
    )
    return (
        f"“B logged {change:.2f} arcsec less than A. In {share} of 100 cases that fit, the reason is how well the "
        f"stars were measured, not the air; {which}. The next thing to do is {found.decides_most}.”"
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
    (rms_a, _), (rms_b, _) = night.measured
    low, high = (np.min(night.counts[0]), np.max(night.counts[0]))
    fewest, most = (np.min(night.counts[1]), np.max(night.counts[1]))
    rows = [
        ("noise of A beyond that of B, one axis", f"{more:.2f} arcsec", f"{found:.2f} ± {error:.2f} arcsec"),
        ("stars of A", "{} to {}".format(*truth.stars["A"]), f"{low} to {high}"),
        ("stars of B", "{} to {}".format(*truth.stars["B"]), f"{fewest} to {most}"),
        ("what made the difference", "noise of the measurement", _largest_kind(night.diagnosis)),
        (
            "seeing at the start, and how much it grew in the hour",
            f"{truth.seeing.value:.1f} arcsec, {truth.seeing_growth:.0%}",
            f"{night.predicted[0].rig.site.seeing.value:.1f} arcsec was assumed",
        ),
        ("log of A, of B", "", f"{rms_a.value:.2f}, {rms_b.value:.2f} arcsec measured"),
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


@lru_cache(maxsize=4)
def _with_priors(known, measured, priors):
    return diagnose(*measured, dict(known), np.random.default_rng(4), _DRAWS // 2, priors=priors)


def table_of_priors(night):
    """Head and rows: what the answer becomes when something else is taken to be likely."""
    known = tuple(night.known.items())
    usual = Priors()
    cases = {
        "as taken here": usual,
        f"a fault in {0.03:.0%} of cameras instead of {usual.fault:.0%}": Priors(fault=0.03),
        f"in {0.5:.0%}": Priors(fault=0.5),
        f"other stars in {0.05:.0%} of logs instead of {usual.other_stars:.0%}": Priors(other_stars=0.05),
    }
    rows = []
    for name, priors in cases.items():
        found = _with_priors(known, night.measured, priors)
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
    """Head and rows: changes that the model can tell, by place; all others in one row."""
    rows, same = [], []
    for option in options(rig):
        if not option.can_tell:
            same.append(option.name)
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
    if same:
        place = next(option.place for option in options(rig) if not option.can_tell)
        rows.append((f"{place}", "; ".join(same), "no change that can be told", f"below {_least(rig):.2f}"))
    rows.sort(key=lambda row: int(row[0]))
    return ("place", "change", "star in the picture [arcsec]", "narrower by, in 95 of 100 nights"), rows


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
            f"can tell, {_least(rig):.2f} arcsec: air and optics set its width."
        )
    return f"{best.name[0].upper()}{best.name[1:]}: it takes {best.gain.value:.2f} of {star:.2f} arcsec off the star."


def table_of_optics(rig):
    """Head and rows: the same two cameras behind the pick-off and in a guide telescope."""
    old, new = (demo_rig("club", camera) for camera in "AB")
    change = next(value for name, value in usual_changes(new).items() if name.startswith("guide telescope"))
    rows = []
    for name, more in (("pick-off, 9 mm mirror", {}), ("guide telescope, 60 mm, 4 arcsec/h flexure", change)):
        first, second = (evaluate(changed(one, more)) for one in (old, new))
        rows.append(
            (
                name,
                f"{first.logged_rms.value:.3f} and {second.logged_rms.value:.3f}",
                f"{first.final_fwhm.value:.2f} and {second.final_fwhm.value:.2f}",
                f"{first.stars} and {second.stars}",
            )
        )
    return ("club's rig, with camera A and with B", "log [arcsec]", "star in the picture [arcsec]", "stars used"), rows


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
            f"At your {exposure:g} s these are the gains from {now[0]:.2f} to {now[1]:.2f}; yours, {gain:g}, is among "
            "them: leave it."
        )
    return told + (
        f"Yours, {gain:g} at {exposure:g} s, is not one of these: set {set_to} and a gain of {here.gain:.2f}, the "
        f"middle, by factors, of {low:.2f} to {high:.2f}."
    )


def stars_in_words(rig):
    """How likely usable guide stars are, on the average of the sky about the default target."""
    target = mine(rig).target
    faintest = view(rig, light_share=1, airmass=mine(rig).airmass).faintest(USABLE_ERROR)
    sensor = sensor_size(rig.guide_camera)
    field = sensor_field(rig.guide_optics, *(side * u.mm for side in sensor))
    place = target.galactic
    limit = min(float(faintest), 17.0)  # the end of the star counts
    one, three = (chance_on_sensor(field, limit, None, place.b, place.l, at_least=number) for number in (1, 3))
    return (
        f"Stars are usable down to G = {float(faintest):.1f}, as they reach the camera. For a target "
        f"{abs(place.b.deg):.0f} degrees from the Milky Way the chance of at least one on the guide sensor is "
        f"{float(one):.0%}, of three {float(three):.0%}"
        + (
            ", and the same again after the flip, with another field. Workbook 03 finds the angle to set from a star "
            "list."
            if rig.guide_optics.kind == "pick-off"
            else "; a guide telescope keeps its field through the flip."
        )
    )


# Where people go wrong.


def sharper_pictures(rig):
    """A log that fell to less than two thirds, and the picture."""
    sensor = ("infrared", "noise", "rest")
    poor, good = drawings.together((*sensor, "faint", "fault")), drawings.together(())
    return (
        f"With a noisy camera on faint stars the log falls from {poor.logged_rms.value:.2f} to "
        f"{good.logged_rms.value:.2f} arcsec when the newer one comes with good stars, by "
        f"{1 - float(good.logged_rms / poor.logged_rms):.0%}. The star in the picture goes from "
        f"{poor.final_fwhm.value:.2f} to {good.final_fwhm.value:.2f} arcsec, by "
        f"{1 - float(good.final_fwhm / poor.final_fwhm):.0%}: most of the log was noise of the measurement, and the "
        "mount followed only a part of it."
    )


def more_stars(rig):
    """One star of G = 14 against thirty."""
    club = demo_rig()
    one, thirty = (
        evaluate(changed(club, {"guiding.stars": 30}), None, stars_like(club, [14.0] * count)) for count in (1, 30)
    )
    return (
        f"With one star of G = 14 the club's log shows {one.logged_rms.value:.2f} arcsec, of which air "
        f"{one.terms['air'].value:.2f} and centroid noise {one.terms['centroid noise'].value:.2f}; with {thirty.stars} "
        f"such stars {thirty.logged_rms.value:.2f}, air {thirty.terms['air'].value:.2f} and noise "
        f"{thirty.terms['centroid noise'].value:.2f}. The noise goes, most of the air stays: all stars of a small "
        "field share it."
    )


def faulty_camera(rig):
    """What a fault costs with several stars and with few faint ones."""
    sensor = ("infrared", "noise", "rest")
    healthy, fault = drawings.together(sensor), drawings.together((*sensor, "fault"))
    faint, both = drawings.together((*sensor, "faint")), drawings.together((*sensor, "faint", "fault"))
    return (
        f"It depends on the stars. With several stars 15 electrons of read noise move the log from "
        f"{healthy.logged_rms.value:.2f} to {fault.logged_rms.value:.2f} arcsec; with stars 1.3 magnitudes fainter "
        f"from {faint.logged_rms.value:.2f} to {both.logged_rms.value:.2f}. A noisy camera costs little while stars "
        "are bright and many, and much when they are faint and few."
    )


# Exercises.


def width_with_error(rig):
    """Exercise: how wide a star becomes."""
    air, error = 2.2, 0.5
    right = np.hypot(air, _SIGMA * error)
    return Question(
        "10.1",
        f"With perfect guiding a star would be {air} arcsec wide. The mount's true error is {error} arcsec rms on each "
        f"axis. How wide is the star? (Widths add as squares; an error of rms 1 makes a blur {_SIGMA:.2f} wide.)",
        right * u.arcsec,
        unit=u.arcsec,
        percent=3,
        mistakes=(
            ((air + _SIGMA * error) * u.arcsec, "widths add as squares: take the root of the sum of the squares."),
            (np.hypot(air, error) * u.arcsec, f"turn the rms into a width first: times {_SIGMA:.2f}."),
        ),
        hint=f"{air} squared plus ({_SIGMA:.2f} x {error}) squared, then the root.",
        solution=f"{right:.2f} arcsec. (The room uses the true shape of a star and finds a little more.)",
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
            ("read noise of 1 electron instead of 3", "look at the step that it makes in the list of suspects."),
        ),
        hint="Which steps in the list of suspects are longer than 0.1 arcsec, alone or together?",
        solution=what_the_suspects_say(rig),
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
        field(f"rms_{side}", "logs", f"log of the {word}, both axes", "arcsec", rms, folded=False, typical="0.3 to 1.2")
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
    field("peak", "the older camera", "efficiency at its best", "", float(old["guide_camera.peak_quantum_efficiency"]))
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
                value = int(value) if key.startswith("stars") else value
                known[key.format(side)] = value if unit == u.one else value * unit
    return known


def diagnosis_reply(rig):
    """What the form answers: a function of its answers."""

    def reply(answers):
        known = known_from(rig, answers)
        measured = [(answers[f"rms_{side}"] * u.arcsec, answers[f"error_{side}"] * u.arcsec) for side in "ab"]
        chosen = Priors(**{each.name: answers[each.name] for each in fields(Priors)})
        told = []
        for priors in [chosen] + [Priors()] * (chosen != Priors()):
            found = diagnose(*measured, known, np.random.default_rng(4), _DRAWS, priors=priors)
            order = sorted(found.probabilities, key=lambda name: -found.probabilities[name])[:4]
            said = ", ".join(f"{name} {round(100 * found.probabilities[name])}" for name in order)
            told.append(f"{found.sentence}\nMost likely, in 100 cases that fit: {said}.")
        return "\nWith what this room takes to be likely instead: ".join(told)

    return reply


def card(rig):
    """The three texts of the card: number, meaning, what to do."""
    found = mine(rig)
    air = found.picture_terms["air and diffraction"]
    largest = max(found.terms, key=lambda name: found.terms[name])
    meaning = (
        f"{float(air / found.final_fwhm):.0%} of that width is there with perfect guiding too. Most of the "
        f"{found.logged_rms.value:.2f} arcsec on your log is {largest}."
    )
    return (
        f"{found.final_fwhm.value:.2f} arcsec: the width of a star in your picture.",
        meaning,
        advice(rig),
    )
