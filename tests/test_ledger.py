"""The ledger: each quantity that several rooms show, computed by each, and whose numbers they are."""

import time
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest

from helpers import error_budget, guide_field, pixel_scale, seeing, starlight
from helpers import rig as rigs
from helpers.classroom import ledger_strip
from helpers.correction_loop import night
from helpers.error_budget import questions as budget_questions
from helpers.guide_field import questions as field_questions
from helpers.ledger import RESTS_ON, ledger, strip_entries
from helpers.multi_star import questions as star_questions
from helpers.pixel_scale.drawings import widened_star
from helpers.rig.drawings import opening_picture
from helpers.rig.parts import KEYS
from helpers.seeing import questions as seeing_questions
from tests.three_rigs import CLUB, RIGS

WORKBOOKS = Path(__file__).parent.parent / "workbooks"
ALL = RIGS | {"starter": rigs.demo_rig("starter")}


def shown(rig):
    """Every quantity that more than one room shows: name to room to value."""
    exposure, aperture = rig.guiding.exposure, rig.guide_optics.aperture
    mine, check, budget = ledger(rig), pixel_scale.compare_scales(rig), error_budget.predict(rig)
    air = seeing.atmosphere_for(rig.site)
    stars, opening = guide_field.middling_stars(rig), opening_picture(rig)
    drawn = night.guide_night(rig, stars, np.random.default_rng(0), duration=10 * u.s, runs=1)
    overhead = starlight.view(rig)
    lit = guide_field.lit_fraction(0 * u.mm, 0 * u.mm, rig.guide_optics)
    meridian = guide_field.meridian_passage(stars.target, rig.site.latitude)
    scale = pixel_scale.pixel_scale(
        rig.guide_camera.pixel_size, rig.guide_optics.focal_length, rig.guide_camera.binning
    )
    return {
        "width of a guide star": {
            "ledger": mine.guide_star_fwhm,
            "01": check.guide_fwhm,
            "02": overhead.fwhm,
            "06": starlight.guide_star_fwhm(rig),
        },
        "scale of the guide camera": {"01": check.guide_scale, "02": overhead.pixel_scale, "formula": scale},
        "movement that shows": {"ledger": mine.picture_notices, "01": check.noticed},
        "width in the picture": {
            "01": check.main_fwhm,
            "07": starlight.picture_star_fwhm(rig),
        },
        "width in the picture at the target": {
            "00": opening.still,
            "07": drawn.star_fwhm,
            "10": budget.picture_terms["air and diffraction"],
        },
        "light that passes": {
            "ledger": mine.light_share,
            "02": overhead.light_share,
            "03": lit,
        },
        "airmass": {"03": meridian.airmass, "07": drawn.airmass, "10": budget.airmass},
        "target, declination": {
            "03": stars.target.dec.deg,
            "10": guide_field.default_target(rig).dec.deg,
        },
        "magnitude of the brightest star used": {
            "10": budget.magnitudes.min(),
            "03": stars.magnitudes[np.argmin(np.abs(stars.magnitudes - budget.magnitudes.min()))],
        },
        "air": {"ledger": mine.air, "04": seeing.image_motion(aperture, air, exposure)},
        "centroid error of the mean": {
            "ledger": mine.noise,
            "10": budget.centroid_error,
            "07": night.mean_centroid_error(rig, budget.magnitudes, exposure, airmass=budget.airmass),
        },
        "log": {"ledger": mine.logged_rms, "10": budget.logged_rms},
        "pointing": {"ledger": mine.pointing_rms, "10": budget.pointing_rms},
        "star in the picture": {"ledger": mine.final_fwhm, "00": opening.guided, "10": budget.final_fwhm},
        "stars": {"ledger": mine.stars, "10": budget.stars},
    }


@pytest.mark.parametrize("name", ALL)
def test_a_quantity_is_the_same_in_every_room(name):
    for quantity, rooms in shown(ALL[name]).items():
        values = {room: float(u.Quantity(value).value) for room, value in rooms.items()}
        print(f"{name}: {quantity}: " + ", ".join(f"{room} {value:.4f}" for room, value in values.items()))
        first = next(iter(values.values()))
        assert values == pytest.approx(dict.fromkeys(values, first), rel=1e-6), quantity


@pytest.mark.parametrize("name", RIGS)
def test_each_width_of_the_star_in_the_picture_says_which_it_is(name):
    """One star: overhead, at the target's height, guided; and overhead on the main camera's pixels."""
    rig, mine = RIGS[name], ledger(RIGS[name])
    opening, check = opening_picture(rig), pixel_scale.compare_scales(rig)
    overhead, still, guided = (f"{value.value:.2f}" for value in (check.main_fwhm, opening.still, mine.final_fwhm))
    told = seeing_questions.table_of_widths(rig)[1]
    for width, words in (
        (overhead, "behind your main telescope"),
        (f"{check.recorded_fwhm.value:.2f}", "on the pixels of your main camera too"),
        (still, "at your target's height"),
        (guided, "the last number of the strip"),
    ):
        assert [row[1] for row in told if words in row[0]] == [width]
    moved = widened_star(rig).update(motion=0.5 * u.arcsec, seen=rig.site.seeing)
    assert f"straight overhead and on your pixels, the star is {check.recorded_fwhm.value:.2f}" in moved


def test_one_angle_is_set_in_every_workbook():
    stars = guide_field.load_catalogue(WORKBOOKS.parent / "demo_data" / "field_surroundings.ecsv")
    found = guide_field.try_list(stars, guide_field.DEMO_TARGET, CLUB, guide_field.plan(CLUB).limits)
    angle, turn = f"{found.search.best.value:.0f}", found.search.turn.value
    assert f"position angle of {angle}°" in field_questions.card(CLUB)[2]
    assert f"Turned by {abs(turn):.0f} degrees, to {angle}," in star_questions.flip_words()
    own = guide_field.OwnField(CLUB)
    own.plan({field["key"]: field["value"] for field in own.fields()})
    places = [field_questions.card(CLUB)[2], star_questions.flip_words()]
    places += [own.read_list([WORKBOOKS.parent / "demo_data" / "field_surroundings.ecsv"])]
    assert all(found.promise in said for said in places) and f"Set {angle}°" in places[2]
    # the report takes the middle of the list for the target
    report = budget_questions.angle_in_words(CLUB, stars)
    assert abs(float(report.split("Set ")[1].split(" degrees")[0]) - float(angle)) <= 3


@pytest.mark.parametrize("name", ALL)
def test_the_faintest_star_has_the_error_it_is_said_to_have(name):
    rig, mine = ALL[name], ledger(ALL[name])
    overhead = starlight.view(rig)
    error = overhead.signal(mine.faintest_star).centroid_error.value
    at_brightest = mine.faintest_star == pytest.approx(overhead.brightest(), abs=1e-6)
    assert error == pytest.approx(0.1, rel=1e-3) or (error > 0.1 and at_brightest)


def test_a_guide_telescope_keeps_its_stars_through_the_flip():
    mine = ledger(ALL["starter"])
    assert mine.stars_after_flip == mine.stars > 0 and mine.light_share == 1
    assert 0 < ledger(CLUB).light_share < 1


def test_a_remembered_ledger_is_quick_and_an_unknown_one_is_not_slow():
    ledger(CLUB)
    start = time.perf_counter()
    ledger(CLUB)
    assert time.perf_counter() - start < 0.05


def test_nothing_of_a_demo_rig_is_the_readers():
    assert ledger(CLUB).own == frozenset()
    mine = rigs.changed(CLUB, {key: rigs.flat(CLUB)[key] for key in RESTS_ON["picture_notices"]})
    assert mine.own >= RESTS_ON["picture_notices"] and ledger(mine).own == {"picture_notices"}
    everything = rigs.from_flat(rigs.flat(CLUB), own=KEYS)
    assert ledger(everything).own == set(RESTS_ON)


def spoilt(rig, key):
    """The rig with one value somewhat changed; None where the value is a text or can't be changed alone."""
    value = rigs.flat(rig)[key]
    if isinstance(value, str):
        other = {"guide_optics.filter": "long-pass", "site.atmosphere": "calm night"}.get(key)
    elif isinstance(value, bool):
        other = not value
    elif isinstance(value, int):
        other = {"guide_camera.binning": 2, "main_camera.binning": 2, "guiding.delay": 1}.get(key, max(1, value // 2))
    else:
        other = 0.8 * value
    try:
        return None if other is None else rigs.changed(rig, {key: other})
    except rigs.RigError:
        return None


@pytest.mark.slow
@pytest.mark.parametrize("name", ["club"])
def test_a_number_hangs_on_what_it_is_said_to_hang_on_and_on_nothing_else(name):
    rig = rigs.changed(ALL[name], {"guiding.dead_band": 0.1 * u.arcsec})
    before, moved = ledger(rig), {number: set() for number in RESTS_ON}
    for key in KEYS:
        if (other := spoilt(rig, key)) is None:
            continue
        after = ledger(other)
        for number in RESTS_ON:
            if getattr(before, number) != getattr(after, number):
                moved[number].add(key)
    for number, keys in RESTS_ON.items():
        # a pick-off's optics follow those of the telescope
        unsaid = {key for key in moved[number] if not {key, key.replace("telescope.", "guide_optics.")} & keys}
        assert unsaid == set(), number
        print(f"{name}: {number} moved with {len(moved[number] & keys)} of {len(keys)} values")


def test_the_strip_shows_the_numbers_whose_they_are_and_where_they_are_explained():
    mine = rigs.changed(CLUB, {key: rigs.flat(CLUB)[key] for key in RESTS_ON["picture_notices"]})
    numbers = ledger(mine)
    entries = [ledger_strip.Entry(*entry) for entry in strip_entries(numbers, "03_guide_field")]
    assert all((WORKBOOKS / f"{entry.room}.ipynb").is_file() for entry in entries)
    assert [entry.room for entry in entries if entry.here] == ["03_guide_field"] * 2
    assert [entry.label for entry in entries if entry.own] == ["what the picture notices"]
    texts = {entry.label: entry.text for entry in entries}
    assert texts["stars now, after the flip"] == f"{numbers.stars}, {numbers.stars_after_flip}"
    assert float(texts["what the picture notices"].split()[0]) == pytest.approx(
        numbers.picture_notices.value, abs=0.0051
    )
    assert float(texts["faintest usable star"].split()[-1]) == pytest.approx(numbers.faintest_star, abs=0.051)
    assert float(texts["what the pick-off lets through"].split("%")[0]) == pytest.approx(
        100 * numbers.light_share, abs=0.51
    )
    everything = ledger(rigs.from_flat(rigs.flat(CLUB), own=KEYS))
    assert all(own for _, _, own, _, _ in strip_entries(everything, "00_your_rig"))


@pytest.mark.parametrize("wrong", [None, CLUB, []])
def test_a_strip_of_something_else_is_refused(wrong):
    with pytest.raises(TypeError, match="ledger: "):
        strip_entries(wrong, "04_seeing")
    with pytest.raises(TypeError, match="room: "):
        strip_entries(ledger(CLUB), 4)


@pytest.mark.parametrize("wrong", [None, 5, "club", {}])
def test_something_else_than_a_rig_is_named(wrong):
    with pytest.raises(TypeError, match="rig: expected a Rig"):
        ledger(wrong)
