"""What workbook 03 says, for three rigs: it agrees with the calculation, and no row vanishes."""

import re

import astropy.units as u
import numpy as np
import pytest
from matplotlib.path import Path

from helpers import guide_field, ledger
from helpers import rig as rigs
from helpers.guide_field import drawings, questions
from helpers.guide_field.own_fit import SPACER_STEP, fit_of
from tests.three_rigs import CLUB, GUIDE_TELESCOPE, REFRACTOR, RIGS


@pytest.fixture(params=RIGS, ids=str)
def rig(request):
    return RIGS[request.param]


def two(rig):
    return guide_field.sides(rig) == 2


def start(controls):
    """The values a panel starts with, as its drawing gets them."""
    return {control.name: control.hand(control.start) for control in controls}


def test_the_first_panel_counts_the_stars_of_the_list(rig):
    limits, angle = guide_field.plan(rig).limits, guide_field.DEFAULT_ANGLE
    counted = [
        len(
            guide_field.usable_stars(
                drawings.demo_list(), guide_field.DEMO_TARGET, angle + turn, rig, limits.faint, limits.bright
            )
        )
        for turn in (0, 180) * u.deg
    ]
    before, after = (len(stars) for stars in (drawings.listed(rig).before, drawings.listed(rig).after))
    assert before <= counted[0] and after <= counted[1]  # without the border that no pointing reaches
    said = drawings.two_fields(rig).update(position_angle=angle)
    assert str(before) in said
    assert ("same field" in said) is not two(rig)
    assert "A turn of" not in said  # from where the camera stands to there
    turned = drawings.two_fields(rig).update(position_angle=angle + 30 * u.deg)
    assert ("A turn of +30°" in turned) is two(rig)
    guess = questions.after_the_flip(rig)
    assert guess.answer.startswith(f"{after} star") and str(before) in guess.ask
    assert (guess.right == guess.options[1]) is (after >= before / 2)


def test_the_chart_shows_the_stars_that_are_counted(rig):
    """Dots inside an outline: as many as usable stars, and a few near its edge, where no pointing is sure."""
    sky, found = drawings.two_fields(rig).figure.axes[0], drawings.listed(rig)
    dots = sky.collections[0].get_offsets()
    for turn, counted in ((0, found.before), (180, found.after)):
        outline = guide_field.field_outline(guide_field.DEFAULT_ANGLE + turn * u.deg, rig).value
        assert len(counted) <= Path(outline).contains_points(dots).sum() <= 1.1 * len(counted) + 0.5


@pytest.mark.parametrize("angle", [60, 141, 240])
def test_the_frame_turns_with_the_mirror(rig, angle):
    """As drawn: the corner farthest from the guide field is as far as the trail in the corner is worked out for."""
    drawn = drawings.two_fields(rig)
    drawn.update(position_angle=angle * u.deg)
    wanted, frame, *_ = (np.transpose(line.get_data()) for line in drawn.figure.axes[0].lines)
    field = guide_field.field_outline(angle * u.deg, rig).value[:4].mean(axis=0)
    away = np.hypot(*(frame[:4] - field).T)
    assert away.max() == pytest.approx(guide_field.corner_distance(rig).value, rel=1e-6)
    assert np.sort(away)[-1] == pytest.approx(np.sort(away)[-2]), "the field lies before the middle of a side"
    same = np.allclose(np.sort(frame[:4], axis=0), np.sort(wanted[:4], axis=0))
    assert same is (not two(rig) or angle % 180 == 60)


def test_the_angle_to_set_has_the_stars_it_promises(rig):
    found, limits = drawings.listed(rig), guide_field.plan(rig).limits
    _, meaning, action = questions.card(rig)
    if not two(rig):
        assert len(found.before) == len(found.after) and "no angle needs to be set" in meaning
        assert "angle" not in action
        return
    assert f"poorer side: {found.poorer} star" in meaning
    assert f"{guide_field.plan(rig).mean:.1f} stars, {guide_field.plan(rig).all_night:.0%}) is for a target" in meaning
    if found.search.turn == 0 * u.deg:
        assert found.poorer >= 3 and action.startswith("Nothing")
        return
    assert found.best_holds > 0, "a small slip leaves stars on both sides"
    angle = float(re.search(r"position angle of (\d+)°", action)[1]) * u.deg
    for turn in (0, 180) * u.deg:
        there = guide_field.usable_stars(
            drawings.demo_list(), guide_field.DEMO_TARGET, angle + turn, rig, limits.faint, limits.bright
        )
        assert len(there) >= int(re.search(r"at least (\d+)", action)[1])


def test_panel_text_and_own_number_give_one_chance_at_the_target(rig):
    plan = guide_field.plan(rig)
    said = drawings.chance_of_enough(rig).update(**start(drawings.chance_controls(rig)))
    chance = f"{plan.all_night:.0%}"
    assert chance in said and chance in questions.own_number(rig)
    assert f"{plan.mean:.1f}" in questions.own_number(rig)
    if two(rig):
        assert f"{plan.one_field:.0%}" in said and f"{plan.one_field:.0%}" in questions.both_sides(rig)


def test_why_the_chance_rises_again_far_from_the_milky_way(rig):
    plan, limits = guide_field.plan(rig), guide_field.plan(rig).limits
    distance = np.linspace(0, 90, 46)

    def chance(longitude):
        return guide_field.chance_on_sensor(
            plan.field, limits.faint, limits.bright, distance * u.deg, longitude, questions.WANTED
        )

    said = questions.why_it_rises(rig)
    own = chance(plan.target.galactic.l)
    rises = own[-1] - own.min() >= 0.01
    assert ("the chance rises again" in said) == rises == ("falls all the way" not in said)
    if rises:
        assert f"Beyond {distance[np.argmin(own)]:.0f}°" in said
        assert np.cos(plan.target.galactic.l) < 0, "away from the middle"
    aside = chance(90 * u.deg)  # neither towards the middle nor away from it
    assert np.all(np.diff(aside) <= 1e-12)


def test_a_longer_exposure_brings_what_the_answer_says(rig):
    guess = questions.longer_exposure(rig)
    more, now = map(float, re.match(r"([\d.]+) instead of ([\d.]+),", guess.answer).groups())
    assert now == pytest.approx(guide_field.plan(rig).mean, abs=0.06)
    assert (guess.right == guess.options[1]) is (1.1 <= more / now < 2)
    density = [guide_field.star_density([13, 14], b).value for b in (0, 90) * u.deg]
    assert density[0][1] / density[0][0] > density[1][1] / density[1][0]  # fewer faint ones far from the Milky Way


def test_a_guide_telescope_is_asked_about_the_demos_mirror(rig):
    asked = questions.nearer_mirror(rig).ask
    assert asked.startswith("Your rig has no such mirror") == (rig is GUIDE_TELESCOPE)


def test_the_mirror_decides_how_much_light_there_is(rig):
    guess = questions.nearer_mirror(rig)
    assert guess.right == "it stays nearly the same"
    optics = drawings.with_pick_off(rig).guide_optics
    assert f"instead of {guide_field.lit_fraction(0 * u.mm, 0 * u.mm, optics):.0%}" in guess.answer
    said = drawings.mirror_and_sensor(rig).update(**start(drawings.mirror_controls(rig)))
    assert f"{guide_field.beam_width(optics).value:.1f} mm wide" in said
    # the beam is wider than the mirror is high, and hits it in its middle: the share from the areas that are told
    told = r"(\d+) mm². The mirror, ([\d.]+) x ([\d.]+) mm as it leans, catches (\d+) of them"
    beam, wide, high, caught = map(float, re.search(told, said).groups())
    shade = np.pi / 4 * (guide_field.beam_width(optics).value * optics.central_obstruction) ** 2
    assert ("dark in its middle" in said) == (shade > 0)
    assert number(r"them: (\d+)%", said) == pytest.approx(100 * caught / beam, abs=1.5)
    assert caught <= wide * high - shade + 1  # both rounded; a corner may reach beyond the beam


def test_what_star_lists_say_of_the_usable_ones(rig):
    said, limits = questions.what_is_usable(rig), guide_field.plan(rig).limits
    assert f"camera*: usable are {limits.bright:.1f} to {limits.faint:.1f}." in said
    share = guide_field.lit_fraction(0 * u.mm, 0 * u.mm, rig.guide_optics)
    assert ("arrives as" in said) == (share < 0.9)
    best = guide_field.plan(rig).limits.bright  # behind a guide telescope stars arrive as lists have them
    assert ("the one of the strip" in said) == (not limits.reached)
    assert limits.reached or ledger.ledger(rig).faintest_star == pytest.approx(best, abs=0.05)
    if share < 0.9:
        listed = number(r"one of ([\d.]+) in a star list arrives as", said)
        assert listed == pytest.approx(limits.faint + 2.5 * np.log10(share), abs=0.051)
        # overhead, star and sky lose the same share: the strip's limit is that of the arriving light, less the mirror's
        overhead = guide_field.usable_limits(rig).faint + 2.5 * np.log10(share)
        assert ledger.ledger(rig).faintest_star == pytest.approx(overhead, abs=1e-6)


@pytest.mark.parametrize(("distance", "size"), [(60, 9), (25, 8), (10, 4), (60, 16)])
def test_what_a_larger_sensor_brings_is_said_as_it_is(distance, size):
    mine = rigs.changed(CLUB, guide_optics__mirror_distance=distance * u.mm, guide_optics__mirror_size=size * u.mm)
    camera, plan = mine.guide_camera, guide_field.plan(mine)
    place, ends = plan.target.galactic, (plan.limits.faint, plan.limits.bright)
    counts = [
        guide_field.expected_stars(
            guide_field.sensor_field(
                mine.guide_optics, k * camera.columns * camera.pixel_size, k * camera.rows * camera.pixel_size
            ),
            *ends,
            place.b,
            place.l,
        )
        for k in (1, 2)
    ]
    gain, said = counts[1] / counts[0], questions.larger_sensor(mine)
    assert f"would see {counts[1]:.1f} usable stars, not {counts[0]:.1f}" in said
    verdict = "this is true" if gain >= 3 else "half true" if gain >= 1.3 else "wrong"
    assert verdict in said


def test_a_filled_patch_is_said_where_the_table_shows_it(rig):
    said, rows = questions.larger_sensor(rig), questions.table_of_sensors(rig)[1]
    ends = re.search(r"the last two below see ([\d.]+) and ([\d.]+) stars", said)
    if not ends:
        assert not two(rig) or float(rows[-1][-1]) > 1.1 * float(rows[-2][-1])
        return
    assert [row[-1] for row in rows[-2:]] == list(ends.groups())
    area, stars = (float(rows[-1][at].split()[0]) / float(rows[-2][at].split()[0]) for at in (1, -1))
    assert stars < 1.1 and area > 1.7  # nearly twice the area, and no more stars


def test_the_three_counts_are_those_of_strip_list_and_mean(rig):
    said, strip = questions.list_against_strip(rig), {}
    for label, text, *_ in ledger.strip_entries(ledger.ledger(rig), "03_guide_field"):
        strip[label] = text
    assert f"{strip['stars now, after the flip']} in the strip are whole stars" in said
    assert f"{guide_field.plan(rig).mean:.1f} is the mean" in said
    assert f"{len(drawings.listed(rig).before)} and {len(drawings.listed(rig).after)} in the first panel" in said
    assert f"(The strip's {strip['stars now, after the flip']} stand for" in questions.whose_stars(rig)
    assert ledger.ledger(rig).stars <= rig.guiding.stars
    assert ("that your guiding uses" in said) == (ledger.ledger(rig).stars == rig.guiding.stars)


def test_no_row_vanishes():
    rows = {name: len(questions.table_of_sensors(rig)[1]) for name, rig in RIGS.items()}
    assert len(set(rows.values())) == 1
    rows = {name: len(questions.table_of_sky(rig)[1]) for name, rig in RIGS.items()}
    assert len(set(rows.values())) == 1
    for rig in RIGS.values():
        assert drawings.list_serves(rig)
        assert all(text.strip() for text in questions.card(rig))


def test_without_corrector_the_counts_are_said_not_to_hold():
    said = questions.comets(CLUB)
    plan, wide = guide_field.plan(CLUB), guide_field.width_without_corrector(CLUB)
    limits = guide_field.usable_limits(CLUB, None, plan.airmass, plan.limits.error, fwhm=wide)
    assert "hold with a coma corrector" in said and f"magnitude {limits.faint:.1f} instead of" in said
    assert limits.faint < plan.limits.faint - 1
    assert "does not hold" in questions.comets(REFRACTOR) and "own axis" in questions.comets(GUIDE_TELESCOPE)


def number(pattern, said):
    return float(re.search(pattern, said)[1])


def test_the_corner_trails_as_the_sentence_says(rig):
    said = questions.corner_of_the_picture(rig)
    place, exposure = guide_field.plan(rig).target.dec, rig.guiding.picture_exposure
    trail = guide_field.corner_trail(rig, place)
    assert number(r"trail of ([\d.]+) arcsec", said) == pytest.approx(trail.length.value, abs=0.006)
    shows = number(r"One of ([\d.]+) arcsec shows", said)
    minutes = number(r"of (\d+) min there", said), number(r"of (\d+) min at declination 80", said)
    for lasts, declination in zip(minutes, (place, 80 * u.deg), strict=True):
        drawn = guide_field.corner_trail(rig, declination, lasts * u.min).length.value
        assert drawn == pytest.approx(shows, abs=0.05 + 0.6 / lasts * shows)
    assert minutes[1] * u.min > exposure and said.endswith("Nothing to do.")


def test_a_poor_pole_is_told_what_guiding_cannot_do(rig):
    poor = rigs.changed(rig, mount__polar_error=60 * u.arcmin, guiding__picture_exposure=600 * u.s)
    said = questions.corner_of_the_picture(poor)
    assert guide_field.longest_exposure(poor, guide_field.plan(rig).target.dec) < 600 * u.s
    assert "Expose shorter or bring" in said
    between = rigs.changed(rig, mount__polar_error=12 * u.arcmin, guiding__picture_exposure=500 * u.s)
    assert "Expose shorter near the pole or bring" in questions.corner_of_the_picture(between)
    still = rigs.changed(rig, mount__polar_error=0 * u.arcmin)
    assert "no exposure makes such a trail" in questions.corner_of_the_picture(still)


def test_defocus_costs_what_words_and_table_say(rig):
    said, (_, rows) = questions.what_focus_costs(rig)
    limits, tolerance = guide_field.usable_limits(rig), guide_field.focus_tolerance(rig)
    assert number(r"bears ([\d.]+) mm", said) == pytest.approx(tolerance.value, abs=0.006)
    errors, faint = ([float(row[at].split()[0]) for row in rows] for at in (3, 4))
    assert errors[0] == pytest.approx(limits.error.value, abs=0.006)
    assert errors[1] == pytest.approx(1.25 * limits.error.value, abs=0.006)
    assert f"to {faint[0]:.1f}." in questions.what_is_usable(rig)
    assert errors == sorted(errors) and faint == sorted(faint, reverse=True) and faint[-1] < faint[0] - 1
    assert len(rows) == 4
    if not two(rig):
        assert "focuser of its own" in said and "mirror" not in said
    else:
        shadow = guide_field.picture_shadow(rig)
        assert (f"{shadow.share:.0%} of the light" in said) is (shadow.share > 0)
        assert tolerance < SPACER_STEP / 2 * u.mm and "No spacer is so exact" in said


def test_the_drawing_of_the_housing_says_what_the_form_says(rig):
    mine = drawings.with_pick_off(rig)
    shown = drawings.housing(rig)
    assert shown.sentence.endswith(f". {guide_field.fit_reply(mine)(guide_field.demo_housing(mine))}")
    assert "before it is set; all counts of this page take stars as sharp. Mirror" in shown.sentence
    assert ("demo club rig" in shown.sentence) is not two(rig)
    held = guide_field.demo_housing(rig)
    answer = drawings.try_housing(rig)(held)
    assert (answer.sentence if two(rig) else answer) == guide_field.fit_reply(rig)(held)
    assert "off that line" in shown.alt
    if two(rig):
        fitting = held | {"spacer": float(fit_of(held).spacer.value)}
        assert "on that line" in drawings.try_housing(rig)(fitting).alt


def test_a_list_too_short_is_said_once_and_the_demo_rig_shown():
    short = rigs.changed(CLUB, telescope__focal_length=300 * u.mm, telescope__aperture=60 * u.mm)
    assert not drawings.list_serves(short) and drawings.shown_rig(short) == CLUB
    assert questions.whose_stars(short).count("can't serve your rig") == 1
    assert "on average" in questions.card(short)[0]
    drawings.two_fields(short).update(position_angle=60 * u.deg)


def test_the_exercise_on_the_mirror_is_right():
    found = questions.which_helps(CLUB)
    numbers = list(map(float, re.findall(r"\d+\.\d", found.solution)))
    assert len(numbers) == 1 + len(found.options)
    assert found.right == found.options[2] and max(numbers) == numbers[-1]
    assert np.all(np.array(numbers[:-1]) < numbers[-1] / 1.5)
