"""Guesses, exercises, forms and card of workbook 07; each answer is computed for the rig it is asked of."""

from dataclasses import replace

import astropy.units as u
import numpy as np

from helpers import correction_loop, guide_field, pixel_scale
from helpers import ledger as ledgers
from helpers import rig as rigs
from helpers.classroom import forms, guesses
from helpers.classroom.exercises import Question
from helpers.correction_loop import band as bands
from helpers.correction_loop import drawings, log_check, own_settings
from helpers.correction_loop import night as nights
from helpers.correction_loop import settings as maps
from helpers.correction_loop.own_settings import gains_in_words
from helpers.correction_loop.picture import added_motion
from helpers.error_budget.predict import predict
from helpers.guide_field.usable import USUAL_MAGNITUDES
from helpers.shared.limits import JUDGED_ROWS
from helpers.starlight.view import view

_FALSE = 0.5 * u.arcsec  # of the first exercise
_DRIFT = 0.6 * u.arcsec / u.min  # of the second
_FAINT = 16.0
_GAINS = (0.5, 0.95)  # of a loop that is made to answer harder
_MINUTES = 16  # of a simulated night


def _star(rig, exposure, gain, faultless=False):
    """Width of the star in the picture, both axes, and the loop that made it."""
    night = drawings.night_of(rig)
    loop, image = nights.guide(nights.perfect_mount(night) if faultless else night, exposure, gain)
    return image.mean_fwhm, loop


def _without_play(rig):
    """The simulated night on the reader's mount, its gears without play."""
    night = drawings.night_of(rig)
    return replace(night, rig=rigs.changed(night.rig, {"mount.backlash": 0 * u.arcsec}))


def _total(rms):
    return float(np.hypot(*rms.to_value(u.arcsec)))


def half_a_knock(rig):
    """What two corrections of a half each leave of a knock."""
    still = np.zeros((4, 2)) * u.arcsec
    left = correction_loop.simulate_loop(still + 3 * u.arcsec, still, 0.5).pointing[2, 0] / (3 * u.arcsec)
    return guesses.choices(
        "07.knock",
        "A gust knocks the mount aside by 3 arcsec. Each correction takes back one half of what is seen (gain 0.5). "
        "How much of the knock is left after two corrections?",
        {"nothing": 0, "a quarter": 0.25, "a half": 0.5},
        float(left),
        f"{float(left):.0%} of it, {3 * float(left):.2f} arcsec: the second correction takes a half of the half that "
        "the first one left.",
    )


def more_gain(rig):
    """What a higher gain does to the true pointing of the reader's mount."""
    exposure, _, _ = _own_loop(rig)
    own, faultless = ([_star(rig, exposure, gain, faultless=one) for gain in _GAINS] for one in (False, True))
    (low, high), (still, chasing) = ([_total(loop.pointing_rms) for _, loop in pair] for pair in (own, faultless))
    less = " Play in your gears keeps a part of it out (below)." if high < chasing else ""
    return guesses.choices(
        "07.more-gain",
        f"Your mount, exposures of {exposure.value:g} s. You raise the gain from {_GAINS[0]:g} to {_GAINS[1]:g}: the "
        "loop answers harder. How far does the mount itself then miss (the true pointing)?",
        {"less: it is held more firmly": 0.7, "as far as before": 1.0, "farther, by a third or more": 1.45},
        high / low,
        f"It goes from {low:.2f} to {high:.2f} arcsec, the star in the picture from {own[0][0].value:.2f} to "
        f"{own[1][0].value:.2f}. A mount without any fault, left alone, would miss by nothing; corrected, it goes from "
        f"{still:.2f} to {chasing:.2f}: all of that is air and noise, which the mount follows.{less}",
    )


def room_for_mistakes(rig):
    """How far the gain may be off at the exposure that is recommended."""
    here, found = drawings.band_of(rig), drawings.map_of(rig)
    low, high = here.at_setting
    exposure = here.exposure
    row = int(np.argmin(np.abs(found.exposures - exposure)))
    widths = found.mean[row].value
    if drawings.reaches_the_top(rig)[row]:
        above = (
            f"Too high, and the mount chases the air, but here not enough to leave the band: at gain "
            f"{found.gains[-1]:g} the star is {widths[-1]:.2f} arcsec wide, at best {widths.min():.2f}."
        )
    else:
        above = "Too high, and the mount chases the air."
    return guesses.choices(
        "07.band",
        f"Expose {exposure.value:g} s. From the lowest to the highest gain that give the same picture (within 3 %): "
        "by which factor do they differ?",
        {"hardly any, it must be right": 1.2, "about two": 2, "five or more": 6},
        high / low,
        f"By a factor of about {high / low:.0f}: from {gains_in_words(rig, low, high)}. Too low, and the worm comes "
        f"through. {above}",
    )


def copied_share(rig):
    """Exercise: how far a faultless mount is moved by what is false."""
    share = correction_loop.noise_gain(0.5)
    right = _FALSE * np.sqrt(share)
    return Question(
        "07.1",
        "A mount without fault is guided at gain 0.5. Air and noise make a false error of 0.5 arcsec rms on each axis, "
        "new in each exposure. The share of the false variance (rms squared) that the mount copies is g / (2 - g). How "
        "large is the mount's own motion, rms on each axis?",
        right,
        unit=u.arcsec,
        percent=3,
        mistakes=(
            (_FALSE * share, "the share is one of the variance; the rms goes with its root."),
            (_FALSE * 0.5, "gain times error is the first correction; but corrections pile up."),
            (_FALSE, "only a part of the false error is copied."),
        ),
        hint="0.5 / (2 - 0.5) is a third. Of the variance, not of the rms.",
        solution=f"A third of the variance: 0.5 arcsec times the root of 1/3 is {right.value:.2f} arcsec.",
    )


def lag_behind_drift(rig):
    """Exercise: how far the mount lags behind a steady drift."""
    right = correction_loop.drift_residual(_DRIFT, 4 * u.s, 0.2)
    step = (_DRIFT * 4 * u.s).to(u.arcsec)
    return Question(
        "07.2",
        "A poor polar alignment drifts the star by 0.6 arcsec a minute. You guide with 4 s and gain 0.2. How far does "
        "the mount lag behind?",
        right,
        unit=u.arcsec,
        percent=3,
        mistakes=(
            (step * 0.2, "divide by the gain: a weak loop must see a larger error to answer the same drift."),
            (step, "that is the drift in one exposure; how large must the error be for a fifth of it to cancel that?"),
        ),
        hint="In the long run each correction, gain times lag, cancels what the drift adds in one exposure.",
        solution=f"{step.value:.3f} arcsec an exposure, divided by 0.2, is {right.value:.2f} arcsec. It is steady, it "
        "only shifts the picture and widens nothing.",
    )


def signs_that_alternate(rig):
    """Exercise: what errors say that change sign from one picture to the next, where the gain lies in the band."""
    return Question(
        "07.3",
        "In your log each error tends to have the other sign than the one before, on both axes. Your gain lies inside "
        "the band of section 3. What do you change?",
        "nothing",
        options=("raise the gain", "lower the gain", "nothing"),
        mistakes=(
            ("raise the gain", "alternating signs mean that the loop answers hard already."),
            ("lower the gain", "that is for a gain above the band; inside it the star gets narrower by 3 % at most."),
        ),
        hint="Which of the two is the judge, the log or the star in the picture?",
        solution="Nothing. Each correction undoes a part of the one before, so the loop answers hard; but inside the "
        "band the star is the same to 3 %. With a gain above the band: lower it, or expose longer.",
    )


def _own_loop(rig):
    """The rig's own loop at the exposure of the map that is nearest to its own: exposure, loop, image."""
    nearest = drawings.EXPOSURES[int(np.argmin(np.abs(drawings.EXPOSURES - rig.guiding.exposure)))]
    return nearest, *nights.guide(drawings.night_of(rig), nearest, rig.guiding.loop_gain)


def own_number(rig):
    """The reader's number of this workbook, the one in the strip, in words."""
    left = ledgers.ledger(rig).pointing_rms.value
    return (
        f"What the loop leaves in all, corrections of air included: {left:.2f} arcsec (rms, both axes), over many "
        "nights."
    )


def one_stretch(rig):
    """What one simulated stretch of the reader's night gives, in words."""
    exposure, loop, image = _own_loop(rig)
    late = "one picture late" if rig.guiding.delay else "at once"
    return (
        f"In {_MINUTES} simulated minutes (exposures of {exposure.value:g} s, gain "
        f"{rig.guiding.loop_gain:g}; corrections come {late}, as in section 3) it is {_total(loop.pointing_rms):.2f}, "
        f"and the log says {_total(loop.logged_rms):.2f}. The star in the picture is {image.mean_fwhm.value:.2f} "
        "arcsec wide; its sharp core widens more than by 01's rule."
    )


def widening_shares(rig):
    """Shares, in squares, of what widens the star: mount, corrections of air, of noise, fast shake.

    They are the parts that workbook 10 shows; what no loop can see, flexure, is left out.
    """
    _, mount, air, noise, _, shake = predict(rig).picture_terms.values()
    squares = np.array([part.value * abs(part.value) for part in (mount, air, noise, shake)])
    return squares / squares.sum()


def table_of_widening(rig):
    """Head and rows: what widens the star in the picture."""
    mount, air, noise, shake = widening_shares(rig)
    rows = [
        ("the mount's own motion that is left, with the play of its gears", mount),
        ("its fast shake within an exposure, which no guide camera sees", shake),
        ("corrections of air" if air >= 0 else "slow air that the mount follows", air),
    ]
    if abs(noise) >= 0.005:
        rows.append(("corrections of noise", noise))
    head = "what widens the star (the bars of 10_error_budget)", "share, in squares"
    return head, [(name, f"{share:.0%}") for name, share in rows]


def play_and_air(rig):
    """Why corrections of air count for so little where gears have play, in words; empty without play."""
    firm = rigs.changed(rig, {"mount.backlash": 0 * u.arcsec})
    air, freely = (float(widening_shares(one)[1]) for one in (rig, firm))
    if rig.mount.backlash == 0 or freely <= air:
        return ""
    return (
        f"Play in your gears swallows many small corrections (without play, those of air would be {freely:.0%}), but "
        "makes motion of its own."
    )


def play_in_numbers(rig):
    """What play of the gears does to the pointing of a loop that answers hard, in words."""
    exposure, _, _ = _own_loop(rig)
    own, firm = (
        _total(nights.guide(night, exposure, _GAINS[1])[0].pointing_rms)
        for night in (drawings.night_of(rig), _without_play(rig))
    )
    return (
        "Play leaves out many small corrections (section 2). "
        f"At gain {_GAINS[1]:g} your mount misses by {own:.3f} arcsec, without play by {firm:.3f}."
    )


def table_of_band(rig):
    """Head and rows: for each exposure the gains that give the same picture."""
    here = drawings.band_of(rig)
    rows = []
    for exposure, low, high in zip(here.exposures, here.low, here.high, strict=True):
        gains = gains_in_words(rig, low, high) if np.isfinite(low) else "none: expose shorter"
        mark = f"gain {here.gain:.2f}" if exposure == here.exposure else ""
        rows.append((f"{exposure.value:g} s", gains, mark))
    return ("guide exposure", "gains within 3 % of the best picture", "if you set anew"), rows


def rule(rig):
    """When correcting helps, in words, with what a hard answer costs at the exposure that is recommended."""
    here, found = drawings.band_of(rig), drawings.map_of(rig)
    row = int(np.argmin(np.abs(found.exposures - here.exposure)))
    wider = float(found.mean[row, -1] / found.mean.min()) - 1
    return (
        "Correcting helps against what lasts many exposures, the worm and the drift. It chases the air when it answers "
        f"each single exposure nearly in full (here, at {here.exposure.value:g} s and gain {found.gains[-1]:g}: a star "
        f"{wider:.0%} wider than at best)."
    )


def exposures_alike(rig):
    """What the choice of the exposure does to the star in the picture, in words."""
    here, found = drawings.band_of(rig), drawings.map_of(rig)
    good = np.isfinite(here.low)
    first, last = here.exposures[good].value[[0, -1]]
    widths = found.mean.value.min(axis=1)[good]
    kept = "So keep yours" if here.exposure == _own_loop(rig)[0] else "Where gains have the most room"
    return (
        f"With a good gain, every exposure from {first:g} to {last:g} s makes stars of {widths.min():.2f} to "
        f"{widths.max():.2f} arcsec: no picture shows a difference. {kept}: {here.exposure.value:g} s."
    )


def what_to_set(rig):
    """What to do with one's own settings, in words."""
    here = drawings.band_of(rig)
    times = here.gain / here.at_setting[0]
    return (
        "If your settings lie inside the band, leave them. If not, set "
        f"{here.exposure.value:g} s and gain {here.gain:.2f}: {times:.1f} times the lowest good gain, and as far "
        "below the highest."
    )


def table_of_logs(rig):
    """Head and rows: settings whose logs and whose pictures disagree."""
    found = drawings.map_of(rig)
    cells = {
        "the narrowest star in the picture": found.best,
        "the smallest number on the log": found.lowest_log,
        "a log no larger than in the first line, and the widest star": found.misleading,
    }
    logged, rows = found.logged_rms.mean(axis=0), []
    for name, cell in cells.items():
        exposure, gain = found.exposures[cell[0]], found.gains[cell[1]]
        sizes = logged[cell].value, _within_a_picture(rig, exposure, gain), found.mean[cell].value
        rows.append((name, f"{exposure.value:g} s", f"{gain:.2f}", *(f"{size:.2f}" for size in sizes)))
    minutes = rig.guiding.picture_exposure.to_value(u.min)
    pointing = f"true pointing within a picture of {minutes:g} min, rms, both axes [arcsec]"
    return ("", "exposure", "gain", "log, rms, both axes [arcsec]", pointing, "star [arcsec]"), rows


def _within_a_picture(rig, exposure, gain):
    """How far the mount misses within a picture, about its mean place there: two-axis rms in arcsec."""
    night, squares = drawings.night_of(rig), []
    rows = round(float(rig.guiding.picture_exposure / exposure))
    for run in range(len(night.air)):
        pointing = nights.guide(night, exposure, gain, run=run)[0].pointing.to_value(u.arcsec)
        squares.append(np.trace(added_motion(pointing, rows=min(len(pointing), max(1, rows))).mean(axis=0)))
    return float(np.sqrt(np.mean(squares)))


def lower_log(rig):
    """What the table of logs shows, in words."""
    found = drawings.map_of(rig)
    smallest, best = (found.logged_rms.mean(axis=0)[cell].value for cell in (found.lowest_log, found.best))
    star, narrowest, widest = (found.mean[cell].value for cell in (found.lowest_log, found.best, found.misleading))
    same = " (by section 3 still the same picture)" if widest <= 1.03 * narrowest else ""
    return (
        f"The smallest log says {smallest:.2f} arcsec, that of the best picture {best:.2f}; yet its star is no "
        f"narrower: {star:.2f} against {narrowest:.2f}. In the last line it is {widest:.2f}{same}. A small number on "
        "the log is no sign of a good picture. (Motion slower than a picture is left out here: it shifts the picture "
        "as a whole, and widens nothing.)"
    )


def faint_star(rig):
    """From which exposure on one faint star is a star at all, in words."""
    exposures = np.geomspace(0.05, 8, 60) * u.s
    strong = [bool(view(rig, t).signal(_FAINT).measurable) for t in exposures]
    if not any(strong):
        return (
            f"A single star of magnitude G = {_FAINT:g} stays below a signal to noise of 3 up to 8 s: this rig can't "
            "guide on it."
        )
    first = exposures[strong.index(True)]
    return (
        f"A single star of magnitude G = {_FAINT:g} rises above a signal to noise of 3 at about "
        f"{first.value:.2g} s. Below that it is no star but noise, and no setting of the loop helps: expose longer. "
        "(The strip asks more of a usable star: a centre known to 0.1 arcsec.)"
    )


def _said(verdicts):
    return "; ".join(f"{axis}: {verdict}" for axis, verdict in zip(("RA", "Dec"), verdicts, strict=True))


def judge_log(rig, log, exposure, gain, delay):
    """What a log says of its gain, camera by camera, in words; the band of the rig has the last word."""
    band = drawings.band_of(rig).gains_at(exposure)
    star = drawings.night_of(rig).star_fwhm
    said = []
    for camera in sorted(set(log["camera"])):
        rows = log[log["camera"] == camera]
        part = f" (the last {JUDGED_ROWS:,} rows)" if len(rows) > JUDGED_ROWS else ""
        rows = rows[-JUDGED_ROWS:]
        errors = u.Quantity([rows["ra_error"], rows["dec_error"]], u.arcsec).T
        time = u.Quantity(rows["time"])
        judged = log_check.judge(errors, exposure, gain, star, delay=delay, time=time, band=band)
        whose = f"Camera {camera}{part}: " if camera else ""
        said.append(f"{whose}{_said(judged.verdict)}. {judged.sentence}")
    if band is None:
        said.append(f"The map of this rig has no good gain at {exposure.value:g} s: expose shorter.")
    else:
        said.append(f"At {exposure.value:g} s the band goes from {gains_in_words(rig, *band)}.")
    return " ".join(said)


def demo_log(rig):
    """What the log of the invented night says of its gain, in words; made with the demo rig and a real loop."""
    from demo_data.make_night_logs import HERE, TRUTH
    from helpers.night_comparison.log import load_log

    club = rigs.demo_rig("club")
    return judge_log(club, load_log(HERE / "night_log.ecsv"), TRUTH.exposure, TRUTH.gain, 0)


def log_fields(rig):
    """Fields of the form for exposure and gain of the reader's own log."""
    settings = rig.guiding
    common = {"section": "log", "folded": False, "choices": None}
    return [
        common
        | {
            "key": "exposure",
            "label": "guide exposure of the log",
            "unit": "s",
            "value": float(settings.exposure.value),
            "typical": "1 to 4",
            "if_unknown": "Take the time from one row of the log to the next.",
        },
        common
        | {
            "key": "gain",
            "label": "loop gain of the log",
            "unit": "",
            "value": float(settings.loop_gain),
            "typical": "0.2 to 0.8",
            "if_unknown": "Leave it; the verdict is then worth less.",
        },
    ]


class OwnLog:
    """The reader's own log: what is asked about it, which columns and units it has, and what it says of the gain."""

    def __init__(self, rig):
        self.rig = rig

    def fields(self, paths):
        """Fields that ask for exposure and gain, and what stands in the log, as workbook 09 asks it."""
        from helpers.night_comparison import log as logs

        scale = pixel_scale.compare_scales(self.rig).guide_scale
        asked = logs.log_fields(paths[0], scale, self.rig.guiding.exposure)
        return log_fields(self.rig) + [field | {"folded": False} for field in asked]

    def read(self, paths, answers):
        """Read the log and judge its gain, in words."""
        from helpers.night_comparison import log as logs

        exposure, gain = answers["exposure"] * u.s, float(answers["gain"])
        correction_loop.check_gain(gain, self.rig.guiding.delay, above=0)
        log, notes = logs.clean_log(logs.read_night(paths, answers, exposure))
        return "\n".join([*notes, judge_log(self.rig, log, exposure, gain, self.rig.guiding.delay)])


def star_fields(rig):
    """Field of the form for the reader's own guide stars."""
    used = ", ".join(f"{value:.1f}" for value in own_settings.stars_in_use(rig).catalogue_magnitudes[:3])
    return [
        {
            "section": "stars",
            "folded": False,
            "choices": None,
            "key": "magnitudes",
            "label": "your guide stars",
            "unit": "Gaia G of a star list, commas between",
            "value": used,
            "typical": USUAL_MAGNITUDES,
            "if_unknown": "Leave it: these are the brightest that the sky holds there on the average.",
        }
    ]


def star_reply(rig):
    """What the form for own stars answers: a function of its answers."""

    def reply(answers):
        listed = np.array(forms.numbers("your guide stars", answers["magnitudes"]))
        magnitudes = listed - 2.5 * np.log10(view(rig).light_share)
        places = own_settings.stars_in_use(rig)
        offsets = np.resize(places.offsets.to_value(u.arcmin), (len(magnitudes), 2)) * u.arcmin
        stars = guide_field.stars_at(rig, offsets, magnitudes, places.target)
        rng = np.random.default_rng(78)
        night = nights.guide_night(rig, stars, rng, duration=12 * u.min, step=0.5 * u.s, runs=2)
        found = maps.settings_map(night, drawings.EXPOSURES, own_settings.gains_of(rig), np.random.default_rng(79))
        here = bands.band_of(found, rig.guiding.exposure)
        low, high = here.at_setting
        return (
            f"With these {len(magnitudes)} stars: {here.exposure.value:g} s, a gain from "
            f"{gains_in_words(rig, low, high)}; the middle is {here.gain:.2f}."
        )

    return reply


def card(rig):
    """The three texts of the card: number, meaning, what to do."""
    here = drawings.band_of(rig)
    low, high = here.at_setting
    exposure, gain = rig.guiding.exposure, rig.guiding.loop_gain
    now = here.gains_at(exposure)
    band = gains_in_words(rig, low, high)
    number = (
        f"{ledgers.ledger(rig).pointing_rms.value:.2f} arcsec (rms, both axes): what the loop leaves. The band at "
        f"{here.exposure.value:g} s: every gain from {band}."
    )
    meaning = (
        "Every gain in the band gives the same picture, to 3 %. The number on the log does differ; it is no judge."
    )
    if now and now[0] <= gain <= now[1]:
        return number, meaning, f"Nothing: your {exposure.value:g} s and gain {gain:g} lie inside the band. Leave them."
    return number, meaning, f"Set {here.exposure.value:g} s and gain {here.gain:.2f} instead of {gain:g}, and leave it."
