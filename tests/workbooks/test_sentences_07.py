"""What workbook 07 says, for three rigs: claims hold, numbers agree with each other and with other workbooks."""

import itertools
import json
import re
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest

from helpers import correction_loop, pixel_scale, starlight
from helpers import ledger as ledgers
from helpers import rig as rigs
from helpers.classroom import columns
from helpers.correction_loop import drawings, log_check, own_settings, questions
from helpers.correction_loop import night as nights
from helpers.correction_loop.picture import added_motion
from helpers.error_budget.terms import evaluate
from helpers.night_comparison import log
from tests.three_rigs import CLUB, RIGS

FOLDER = Path(__file__).resolve().parent.parent.parent / "workbooks"


@pytest.fixture(params=RIGS, ids=str)
def rig(request):
    return RIGS[request.param]


def numbers(text):
    return [float(number) for number in re.findall(r"\d+(?:\.\d+)?", text)]


@pytest.mark.long
def test_correcting_a_faultless_mount_widens_the_star(rig):
    (_, still), (_, moved) = drawings.chased(rig)
    assert moved.mean_fwhm > still.mean_fwhm
    gentle, hard = (questions._star(rig, drawings.EXPOSURES[0], gain, faultless=True)[0] for gain in (0.3, 0.9))
    assert still.mean_fwhm <= gentle < hard


def test_more_gain_moves_the_mount_more_as_said(rig):
    guess = questions.more_gain(rig)
    assert guess.right.startswith("farther")
    assert guess.options[0].startswith("less") and guess.right != guess.options[0]
    low, high, star, wider, still, chasing, *_ = numbers(guess.answer)
    assert high > 1.2 * low and wider > star and chasing > 1.2 * still
    exposure, _, _ = questions._own_loop(rig)
    panel = drawings.truths(rig)
    for gain, pointing, width in zip((0.5, 0.95), (low, high), (star, wider), strict=True):
        said = panel.update(gain=gain, exposure=exposure, mount="your mount")
        assert f"true pointing {pointing:.2f} arcsec" in said and f"{width:.2f} arcsec wide" in said
    said = panel.update(gain=0.0, exposure=exposure, mount="a mount without any fault")
    assert "true pointing 0.00 arcsec" in said


def test_play_leaves_out_corrections_of_air(rig):
    """A mount with play misses by less than the same one without, where the loop answers hard, and copies less air."""
    exposure, _, _ = questions._own_loop(rig)
    firm, loose = (nights.guide(night, exposure, 0.95)[0] for night in (questions._without_play(rig), _night(rig)))
    firm, loose = (np.hypot(*loop.pointing_rms.value) for loop in (firm, loose))
    assert loose < firm
    told = questions.play_in_numbers(rig)
    assert f"your mount misses by {loose:.3f} arcsec, without play by {firm:.3f}" in told
    answer = questions.more_gain(rig).answer
    chasing = nights.guide(nights.perfect_mount(_night(rig)), exposure, 0.95)[0]
    assert ("keeps a part of it out" in answer) == (loose < np.hypot(*chasing.pointing_rms.value))
    parts = evaluate(rigs.changed(rig, {"mount.backlash": 0 * u.arcsec})).picture_terms
    squares = {name: part.value**2 for name, part in parts.items() if name not in ("air and diffraction", "flexure")}
    freely = squares["corrections of air"] / sum(squares.values())
    assert f"without play, those of air would be {freely:.0%}), but makes motion" in questions.play_and_air(rig)
    assert evaluate(rig).picture_terms["mount and its play"] > parts["mount and its play"], "play moves the mount"
    assert questions.play_and_air(rigs.changed(rig, {"mount.backlash": 0 * u.arcsec})) == ""
    assert freely > questions.widening_shares(rig)[1] + 0.05


def _night(rig):
    return drawings.night_of(rig)


def test_the_own_number_is_one_loop_and_its_parts_add_up(rig):
    exposure, loop, image = questions._own_loop(rig)
    words = questions.one_stretch(rig)
    logged, pointing = (np.hypot(*rms.value) for rms in (loop.logged_rms, loop.pointing_rms))
    assert f"it is {pointing:.2f}, and the log says {logged:.2f}." in words
    assert f"exposures of {exposure.value:g} s" in words
    added = np.trace(image.added_motion.value)
    # what is added widens the star about as it does a Gaussian one; a star with a sharper core answers more
    star = drawings.night_of(rig).star_fwhm.value
    assert image.mean_fwhm.value**2 - star**2 == pytest.approx(8 * np.log(2) * added / 2, rel=0.4)
    by_rule = pixel_scale.blurred_fwhm(star * u.arcsec, np.sqrt(added / 2) * u.arcsec)
    assert "its sharp core widens more than by 01's rule." in words and image.mean_fwhm > by_rule


def test_what_widens_the_star_is_told_as_workbook_10_draws_it(rig):
    terms = evaluate(rig).picture_terms
    told, shares = dict(questions.table_of_widening(rig)[1]), questions.widening_shares(rig)
    assert sum(shares) == pytest.approx(1)
    squares = {name: float(value.value * abs(value.value)) for name, value in terms.items()}
    whole = sum(squares.values()) - squares["air and diffraction"] - squares["flexure"]
    (mount,) = (share for name, share in told.items() if name.startswith("the mount's own motion"))
    assert mount == f"{squares['mount and its play'] / whole:.0%}"
    air = squares["corrections of air"] / whole
    (said,) = (share for name, share in told.items() if "air" in name)
    assert said == f"{air:.0%}"
    # the one simulated stretch of this workbook finds the same parts: fast shake by its share of all that is added
    _, _, image = questions._own_loop(rig)
    shake = 2 * rig.mount.jitter.value**2 / np.trace(image.added_motion.value)
    assert shares[3] == pytest.approx(shake, rel=0.25)
    (said,) = (share for name, share in told.items() if "fast shake" in name)
    assert said == f"{shares[3]:.0%}"


def test_the_pointing_alone_widens_as_workbook_01_says():
    """For the club: a mount without fast shake, whose pointing had nothing to do with the air, by the curve of 01."""
    star = drawings.night_of(CLUB).star_fwhm
    _, loop, image = questions._own_loop(CLUB)
    added = np.trace(image.added_motion.value)
    alone = pixel_scale.blurred_fwhm(star, np.sqrt(np.sum(loop.pointing_rms**2) / 2))
    everything = pixel_scale.blurred_fwhm(star, np.sqrt(added / 2) * u.arcsec)
    assert star < alone < image.mean_fwhm
    assert everything.value == pytest.approx(image.mean_fwhm.value, rel=0.01)
    assert questions.widening_shares(CLUB)[0] < 0.6, "fast shake and corrections of air count as well"


def test_the_strip_and_this_workbook_tell_the_same_loop(rig):
    """Foretold from spectra and simulated once: alike within a fifth, with as many stars, and the words name both."""
    assert len(own_settings.stars_in_use(rig)) == ledgers.ledger(rig).stars
    foretold = ledgers.ledger(rig).pointing_rms.value
    _, loop, _ = questions._own_loop(rig)
    simulated = np.hypot(*loop.pointing_rms.value)
    assert simulated == pytest.approx(foretold, rel=0.2)
    assert all(f"{foretold:.2f} arcsec (rms, both axes)" in told(rig) for told in (questions.own_number, _card_number))
    assert f"it is {simulated:.2f}" in questions.one_stretch(rig)
    logged = np.hypot(*loop.logged_rms.value)
    assert logged == pytest.approx(evaluate(rig).logged_rms.value, rel=0.1), "as workbook 10 foretells the log"


def _card_number(rig):
    return questions.card(rig)[0]


def test_no_exposure_of_the_band_is_better_than_another(rig):
    """What is told to be set: of the band, at an exposure whose best star is as narrow as that of all the others."""
    band, found = drawings.band_of(rig), drawings.map_of(rig)
    said, told = questions.what_to_set(rig), questions.exposures_alike(rig)
    first, last, narrow, wide, kept = numbers(told)
    known = np.isfinite(band.low)
    assert (first, last) == tuple(band.exposures[known].value[[0, -1]]) and known[: known.sum()].all()
    best = found.fwhm.mean(axis=0).min(axis=1)[known].value
    assert narrow == round(best.min(), 2) and wide == round(best.max(), 2) and wide < (1 + band.within) * narrow
    assert f"set {band.exposure.value:g} s and gain {band.gain:.2f}:" in said
    *_, times = numbers(said)
    low, high = band.at_setting
    assert band.gain / low == pytest.approx(times, abs=0.051) and high / band.gain == pytest.approx(times, abs=0.051)
    assert kept == band.exposure.value and ("keep yours" in told) == (band.exposure == questions._own_loop(rig)[0])


def test_the_band_is_one_band(rig):
    band, found = drawings.band_of(rig), drawings.map_of(rig)
    best = found.mean.min()
    gains = np.asarray(found.gains)
    for row, (low, high) in enumerate(zip(band.low, band.high, strict=True)):
        if np.isfinite(low):
            inside = (gains >= low) & (gains <= high)
            assert np.all(found.mean[row][inside] <= (1 + band.within) * best * 1.02)
    _, rows = questions.table_of_band(rig)
    assert len(rows) == len(drawings.EXPOSURES) and sum(bool(row[2]) for row in rows) == 1
    marked = next(row for row in rows if row[2])
    low, high = band.at_setting
    assert marked[0] == f"{band.exposure.value:g} s" and f"{low:.2f} to {high:.2f}" in marked[1]
    number, _, action = questions.card(rig)
    assert f"{low:.2f} to {high:.2f}" in number and low < band.gain < high
    now = band.gains_at(rig.guiding.exposure)
    assert action.startswith("Nothing") == bool(now and now[0] <= rig.guiding.loop_gain <= now[1])


def test_the_highest_gain_that_was_tried_is_called_so(rig):
    lowest, *_, highest = own_settings.gains_of(rig)
    for _, gains, _ in questions.table_of_band(rig)[1]:
        if "to" in gains:
            assert ("the highest tried" in gains) == (numbers(gains)[1] >= highest - 0.005)
            assert ("the lowest tried" in gains) == (numbers(gains)[0] <= lowest + 0.0005)


def test_the_band_is_drawn_open_where_no_upper_end_was_found(rig):
    drawing = drawings.good_settings(rig)
    left = drawing.figure.axes[0]
    highest = own_settings.gains_of(rig)[-1]
    assert left.get_ylim() == pytest.approx((own_settings.gains_of(rig)[0], highest))
    lower, ends = np.asarray(left.lines[0].get_ydata()), ~drawings.reaches_the_bottom(rig)
    assert np.all(np.isfinite(lower[ends])), "a line where a lower end was found"
    unknown, upper = drawings.reaches_the_top(rig), np.asarray(left.lines[1].get_ydata())
    beside = np.convolve(~unknown, [1, 1, 1], "same") > 0
    assert np.all(np.isnan(upper[~beside])), "no line where both ends of it are unknown"
    row = int(np.argmin(np.abs(drawings.map_of(rig).exposures - drawings.band_of(rig).exposure)))
    answer = questions.room_for_mistakes(rig).answer
    assert ("not enough to leave the band" in answer) == unknown[row]
    if unknown[row]:
        at_top, best = numbers(answer.split("the star is")[1])
        assert best < at_top <= (1 + drawings.band_of(rig).within) * drawings.map_of(rig).mean.min().value * 1.02


def test_play_between_the_gears_drifts_evenly_and_then_jumps():
    """The same mount with and without play: longest run of steps of the axis that all go the same way."""

    def longest(rig):
        loop, _ = nights.guide(own_settings.night_of(rig), 1 * u.s, 0.5)
        up = np.diff(loop.pointing[:, 1].value) > 0
        return max(len(list(run)) for _, run in itertools.groupby(up))

    still = longest(rigs.changed(CLUB, {"mount.backlash": 0 * u.arcsec}))
    assert CLUB.mount.backlash > 0 * u.arcsec and longest(CLUB) > 2 * still


def test_errors_that_alternate_inside_the_band_are_left_alone():
    """The exercise and the check of a log follow one rule: the band judges, not the signs."""
    question = questions.signs_that_alternate(CLUB)
    assert question.right == "nothing" and "inside the band" in question.task
    exposure, gain = 1.5 * u.s, 0.9
    loop, _ = nights.guide(drawings.night_of(CLUB), exposure, gain)
    assert log_check.correlation_curve(loop.logged, 1)[1, 0] < -0.1, "the errors alternate"
    band = drawings.band_of(CLUB).gains_at(exposure)
    assert band[0] < gain < band[1]
    star = drawings.night_of(CLUB).star_fwhm
    assert log_check.judge(loop.logged, exposure, gain, star, band=band).sentence.endswith("leave it.")


def test_short_exposures_want_less_gain(rig):
    """What the text says of the band: its lower edge, where there is one, rises with the exposure."""
    band = drawings.band_of(rig)
    low = band.low[np.isfinite(band.low)]
    assert low[-1] > low[0] and np.all(np.diff(np.log(low)) > -0.3)


def test_the_log_is_no_judge(rig):
    _, rows = questions.table_of_logs(rig)
    narrowest, smallest, misleading = ([float(text) for text in row[3:]] for row in rows)
    assert smallest[0] <= narrowest[0] and smallest[2] >= narrowest[2]
    assert misleading[0] <= narrowest[0] + 0.005 and misleading[2] >= narrowest[2]
    said = questions.lower_log(rig)
    assert f"log says {smallest[0]:.2f} arcsec, that of the best picture {narrowest[0]:.2f};" in said
    assert (
        f"no narrower: {smallest[2]:.2f} against {narrowest[2]:.2f}. In the last line it is {misleading[2]:.2f}" in said
    )


def test_motion_slower_than_a_picture_shifts_it_and_widens_nothing(rig):
    """The pointing of the table is what widens: with the fast shake it makes the star but for what the air adds."""
    found, rows = drawings.map_of(rig), questions.table_of_logs(rig)[1]
    pointing = found.pointing_rms.mean(axis=0)
    for row, cell in zip(rows, (found.best, found.lowest_log, found.misleading), strict=True):
        within = float(row[4])
        assert within <= pointing[cell].value + 0.01
        star = drawings.night_of(rig).star_fwhm
        least = pixel_scale.blurred_fwhm(star, np.hypot(within / 2**0.5, rig.mount.jitter.value) * u.arcsec)
        assert 0.98 * float(row[5]) < least.value < float(row[5]) + 0.006
    slow, quick = np.linspace(-1, 1, 240)[:, None] * np.ones(2), np.resize([-1.0, 1.0], 240)[:, None] * np.ones(2)
    for motion, least, most in ((slow, 0, 1e-3), (quick, 0.99, 1.01)):
        share = np.trace(added_motion(motion, rows=2).mean(axis=0)) / np.trace(np.cov(motion.T))
        assert least <= share <= most


def test_a_quarter_of_the_knock_is_left():
    still = np.zeros(3)
    place = 3.0 + still
    for k in (1, 2):
        place[k:] -= 0.5 * place[k - 1]  # a half of what is seen, twice
    guess = questions.half_a_knock(CLUB)
    assert guess.right == "a quarter" and f"{place[2] / 3:.0%} of it" in guess.answer
    update = drawings.knock(CLUB).update
    assert "swings ever wider" in update(1.9, 1) and "limit is 1" in update(1.0, 1) and "stays below" in update(1.0, 0)


def test_waves_that_pass_the_loop(rig):
    exposure, gain = rig.guiding.exposure, rig.guiding.loop_gain
    left = correction_loop.rejection(1 / rig.mount.worm_period, exposure, gain, rig.guiding.delay)
    # from the definition: each correction takes off the gain's share of what is left
    turn = np.exp(-2j * np.pi * (exposure / rig.mount.worm_period).to_value(u.one))
    assert float(left) == pytest.approx(abs((1 - turn) / (1 - (1 - gain) * turn)), rel=0.05)


def test_the_share_of_single_errors_is_told_in_sizes_and_in_squares(rig):
    said, (gain, delay) = drawings.two_curves(rig).sentence, (rig.guiding.loop_gain, rig.guiding.delay)
    sizes, squares = numbers(said.split("mount copies")[1])
    single = np.random.default_rng(6).normal(size=(200_000, 2)) * u.arcsec  # new in each exposure
    moved = correction_loop.simulate_loop(np.zeros_like(single), single, gain, delay).pointing[50:]
    assert sizes == pytest.approx(100 * np.std(moved.value), abs=1.1)
    assert squares == pytest.approx(100 * np.var(moved.value), abs=1.1)


def test_when_corrections_come_is_said_as_the_simulation_has_it(rig):
    for delay, words in ((0, "come at once, as in section 3"), (1, "come one picture late, as in section 3")):
        late = rigs.changed(rig, {"guiding.delay": delay, "guiding.loop_gain": 0.4})
        assert words in questions.one_stretch(late)
    exposure, loop, _ = questions._own_loop(late)
    again, _ = nights.guide(_night(late), exposure, 0.4, delay=1)
    assert np.all(loop.pointing == again.pointing)


def test_declination_is_drawn_where_no_worm_runs_and_gears_have_play(rig):
    drawing, exposure = drawings.truths(rig), questions._own_loop(rig)[0]
    drawing.update(gain=0.5, exposure=exposure, mount="your mount")
    loop, _ = nights.guide(_night(rig), exposure, 0.5)
    assert np.all(drawing.moving[1].get_ydata() == loop.pointing[:, 1].value)
    still = rigs.changed(rig, {"mount.periodic_error": 0 * u.arcsec})
    free, worm = (nights.guide(own_settings.night_of(one), exposure, 0)[0].pointing.value for one in (still, rig))
    assert np.allclose(free[:, 1], worm[:, 1]) and np.ptp(worm[:, 0]) > 2 * np.ptp(free[:, 0])


def test_what_lasts_is_taken_off_and_single_errors_are_copied_by_a_hard_answer(rig):
    """The answer of the page, from the definition: each correction takes off the gain's share of what is seen."""
    words, found = questions.rule(rig), drawings.map_of(rig)
    assert "Correcting helps against what lasts many exposures, the worm and the drift." in words
    assert "It chases the air when it answers each single exposure nearly in full (here, at " in words
    row = list(found.exposures).index(drawings.band_of(rig).exposure)
    wider = float(found.fwhm[:, row, -1].mean() / found.fwhm.mean(axis=0).min()) - 1
    assert wider > 0.005 and f"a star {wider:.0%} wider" in words
    gain, still = rig.guiding.loop_gain, np.zeros((2000, 2)) * u.arcsec
    slow = np.sin(2 * np.pi * np.arange(2000) / 200)[:, None] * np.ones(2) * u.arcsec  # one wave in 200 exposures
    left = correction_loop.simulate_loop(slow, still, gain, rig.guiding.delay).pointing[400:]
    assert np.std(left.value) < 0.2 * np.std(slow.value)
    single = np.random.default_rng(5).normal(size=(2000, 2)) * u.arcsec  # new in each exposure
    for share, least, most in ((gain, 0, 0.75), (0.95, 0.85, 1.1)):
        moved = correction_loop.simulate_loop(still, single, share, 0).pointing[50:]
        assert least < np.std(moved.value) < most


def test_magnitudes_are_those_of_a_star_list(rig):
    field = questions.star_fields(rig)[0]
    assert "star list" in field["unit"]
    typed = numbers(field["value"])
    stars = own_settings.stars_in_use(rig)
    assert typed == pytest.approx(stars.catalogue_magnitudes[:3], abs=0.051)
    seconds = re.search(r"about ([.0-9]+) s", questions.faint_star(rig))
    if seconds:
        time = float(seconds.group(1)) * u.s
        assert not starlight.view(rig, 0.85 * time).signal(16).measurable
        assert starlight.view(rig, 1.15 * time).signal(16).measurable


def test_own_stars_in_the_form_give_a_band():
    reply = questions.star_reply(CLUB)
    said = reply({"magnitudes": "11.5, 12.8"})
    assert said.startswith("With these 2 stars")
    for wrong in ("bright", "", "1e999"):
        with pytest.raises(ValueError, match="your guide stars"):
            reply({"magnitudes": wrong})


def test_the_demo_log_is_judged_as_it_was_made():
    said = questions.demo_log(CLUB)
    assert said.count("about right") == 4 and said.count("leave it") == 2
    low, high = drawings.band_of(CLUB).gains_at(1.5 * u.s)
    assert said.endswith(f"At 1.5 s the band goes from {own_settings.gains_in_words(CLUB, low, high)}.")
    assert ("the highest tried" in said) == (high >= 0.999 * own_settings.gains_of(CLUB)[-1])


def test_no_number_is_missing(rig):
    cells = json.loads((FOLDER / "07_correction_loop.ipynb").read_text(encoding="utf-8"))["cells"]
    words = " ".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown")
    assert "fast shake" in words and "sixteen minutes" in words
    told = (questions.own_number, questions.one_stretch, questions.play_and_air, questions.play_in_numbers)
    told += (questions.rule, questions.exposures_alike, questions.what_to_set)
    told += (questions.faint_star, questions.lower_log)
    for text in (*(tell(rig) for tell in told), *questions.card(rig)):
        assert "nan" not in text and "inf " not in text
    exposure, loop, image = questions._own_loop(rig)
    again = nights.guide(drawings.night_of(rig), exposure, rig.guiding.loop_gain)
    assert again[1].mean_fwhm == image.mean_fwhm and np.all(again[0].pointing_rms == loop.pointing_rms)


def own_log(tmp_path, time, name):
    """A log with other column names, 300 rows 1.5 s apart, their times written by a function."""
    errors = np.random.default_rng(4).normal(0, 0.4, (300, 2))
    rows = [f"{time(1.5 * k)},{ra:.3f},{dec:.3f}" for k, (ra, dec) in enumerate(errors)]
    path = tmp_path / name
    path.write_text("\n".join(["when,dx,dy", *rows]))
    return path


def test_the_form_asks_what_stands_in_the_own_log(tmp_path):
    own, said = questions.OwnLog(CLUB), []
    for time, unit in ((lambda t: f"{t:.2f}", "seconds"), (lambda t: f"{t / 60:.6f}", "minutes")):
        path = own_log(tmp_path, time, f"{unit}.csv")
        form = columns.files_then_form("Your guide log", own.fields, own.read)
        assert "say below" in form.take([path])
        assert form.form.answers["time_unit"] == log.AS_IN_FILE
        form.form.set(time="when", ra_error="dx", dec_error="dy", time_unit=unit, exposure=1.5, gain=0.4)
        form.form.save()
        said.append(form.form.message)
    assert said[0] == said[1] and "RA: " in said[0] and "Camera" not in said[0]
    keys = [field["key"] for field in own.fields([path])]
    asked = [field["key"] for field in log.log_fields(path)]
    assert keys == ["exposure", "gain", *asked], "one form for the columns of a log, here as in workbook 09"


def test_what_is_wrong_with_the_own_log_is_said(tmp_path):
    own = questions.OwnLog(CLUB)
    form = columns.files_then_form("Your guide log", own.fields, own.read)
    form.take([own_log(tmp_path, lambda t: f"{t:.2f}", "log.csv")])
    form.form.save()
    assert "time, in seconds or as dates: expected a column of your log" in form.form.message
    form.form.set(time="when", ra_error="dx", dec_error="dy", gain=3.0)
    form.form.save()
    assert form.form.message.startswith("Not done. gain")
