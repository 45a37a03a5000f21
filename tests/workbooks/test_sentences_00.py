"""What workbook 00 says is true for several rigs, and stays the same in meaning."""

import re

import astropy.units as u
import numpy as np
import pytest

from helpers import ledger, pixel_scale
from helpers import rig as rigs
from helpers.correction_loop import mount
from helpers.guide_field import questions as field_questions
from helpers.rig import drawings, questions
from helpers.rig.values import changed
from tests.three_rigs import CLUB, REFRACTOR, RIGS


@pytest.fixture(params=RIGS, ids=str)
def rig(request):
    return RIGS[request.param]


def numbers(text):
    return [float(found) for found in re.findall(r"(?<![\w.])-?\d+(?:\.\d+)?", text)]


def test_the_opening_picture_holds_a_guided_star_between_the_two_others(rig):
    star, said = drawings.opening_picture(rig), drawings.guided_and_not(rig).sentence
    unguided = np.sqrt(star.still**2 + 2.3548**2 * star.unguided.var(axis=0).mean())
    assert star.still < star.guided < unguided
    assert star.guided - star.still < 0.3 * (unguided - star.still)
    # one picture, and one number in all of the workbook
    assert f"picture of {rig.guiding.picture_exposure.value:g} s" in said
    way = re.search(r"moves up to ([\d.]+) arcsec", said)[1]
    assert f"move a star up to {way} arcsec from end to end" in questions.own_number(rig)
    assert float(way) == pytest.approx(np.hypot(*np.ptp(star.unguided, axis=0).value), abs=0.06)
    # the width that the strip above it shows
    strip = {label: text for label, text, *_ in ledger.strip_entries(ledger.ledger(rig), "00_your_rig")}
    assert f"Guided it is {strip['star in the picture, FWHM']} wide" in said
    guided, still = map(float, re.search(r"it is ([\d.]+) arcsec wide.* perfect mount ([\d.]+):", said).groups())
    wider = float(re.search(r"leaves it (\d+)% wider", said)[1])
    assert wider == pytest.approx(100 * (guided / still - 1), abs=1)  # both rounded to 0.01 arcsec
    calm = changed(rig, {"mount.jitter": 0 * u.arcsec})
    assert "a shake too quick" in said and "a shake" not in drawings.guided_and_not(calm).sentence
    assert drawings.opening_picture(calm).guided < star.guided


def test_what_the_mirror_takes_is_what_workbook_03_says(rig):
    said = drawings.who_does_what(rig).update("pick-off")
    shadows = "takes 3% of it at one edge" in said
    assert shadows == (rig is CLUB) == ("takes 3% of the light where" in field_questions.what_focus_costs(rig)[0])
    assert ("pushed in too far" in said) is not shadows


def test_the_worst_stretch_is_found_by_trying_all_starts(rig):
    exposure, step = rig.guiding.picture_exposure, 2 * u.s
    count = round(float(exposure / step))
    wave = mount.periodic_error(1000, step, rig.mount.worm_period, rig.mount.periodic_error).value
    worst = max(np.ptp(wave[start : start + count]) for start in range(250))
    assert np.ptp(drawings.worst_path(rig.mount, exposure)[:, 0].value) == pytest.approx(worst, rel=0.02)


def test_both_faults_together_no_longer_show_when_smaller_as_told(rig):
    noticed = pixel_scale.compare_scales(rig).noticed.value
    glide = np.linspace(0, 1, 100_001)
    shows = noticed / glide.std()  # an even way of that length has the rms that the picture notices
    assert f"shows it from {shows:.1f} on" in questions.own_number(rig)
    fewer = np.hypot(*np.ptp(drawings.worst_path(rig.mount, rig.guiding.picture_exposure), axis=0).value) / shows
    assert f"{fewer:.0f} times smaller: your mount needs guiding" in questions.own_number(rig)
    why = questions.why_it_shows(rig)
    assert why.startswith(f"Why {shows:.1f}?") and f"is {noticed:.2f} arcsec **rms** off the middle" in why
    better = changed(
        rig,
        {
            "mount.periodic_error": rig.mount.periodic_error / fewer,
            "mount.polar_error": rig.mount.polar_error / fewer,
        },
    )
    moved = np.ptp(drawings.worst_path(better.mount, rig.guiding.picture_exposure), axis=0).value
    assert np.hypot(*moved) == pytest.approx(shows, rel=1e-4)  # not each of them alone
    good = changed(rig, {"mount.periodic_error": 0.1 * u.arcsec, "mount.polar_error": 0.1 * u.arcmin})
    assert "stays below that by itself" in questions.own_number(good)


def test_the_larger_fault_follows_the_mount():
    assert questions.larger_fault(CLUB).right == "the worm"
    crooked = changed(CLUB, {"mount.periodic_error": 1 * u.arcsec, "mount.polar_error": 10 * u.arcmin})
    assert questions.larger_fault(crooked).right == "the axis that misses the pole"


def test_the_verdict_counts_what_the_reader_gave():
    number, _, action = questions.card(CLUB)
    assert numbers(number)[0] == 0 and "eight fields below the name" in action
    number, meaning, action = questions.card(REFRACTOR)
    assert numbers(number)[0] == 6  # kind, aperture, focal length, obstruction and both pixel sizes
    assert "kind of guide optics" in action
    everything = rigs.from_flat(rigs.flat(CLUB), own=rigs.flat(CLUB))
    number, meaning, action = questions.card(everything)
    assert numbers(number)[0] == numbers(number)[1] and "on your values alone" in meaning
    assert action.startswith("Nothing")


def test_each_value_is_either_described_or_assumed(rig):
    _, rows = questions.table_of_what_is_known(rig)
    assert [row[0] for row in rows] == [name.replace("_", " ") for name in rigs.SECTIONS]
    for part, described, assumed in rows:
        assert (described == "nothing yet") == assumed.startswith("all "), part
    mount_row = next(row for row in rows if row[0] == "mount")
    assert mount_row[1:] == ("nothing yet", "all 5 values")


@pytest.fixture
def form(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return questions.rig_form(CLUB)


def test_the_form_shows_eight_values_first_and_marks_whose_they_are(form):
    on_top = [key for key, part in form._parts.items() if part.input in form.box.children]
    assert on_top == ["name", *questions.FIRST, "confirmed"]
    assert len(questions.FIRST) == 8
    for key in questions.FIRST:
        assert form._inputs[key].description.endswith("(demo)")
    assert set(form.answers) == {*rigs.flat(CLUB), "confirmed"}


def test_another_kind_of_guide_optics_comes_with_a_plausible_one(form):
    form._inputs["guide_optics.kind"].value = "guide telescope"
    form.save()
    saved = rigs.load_rig(rigs.SAVED_RIG)
    optics = saved.guide_optics
    assert 20 * u.mm < optics.aperture < 100 * u.mm and 100 * u.mm < optics.focal_length < 500 * u.mm
    assert optics.central_obstruction == 0 and optics.flexure > 0 * u.arcsec / u.h
    assert "guide_optics.kind" in saved.own
    assert not {"guide_optics.aperture", "guide_optics.focal_length", "guide_optics.flexure"} & saved.own
    form._inputs["guide_optics.kind"].value = "pick-off"
    form.save()
    assert rigs.load_rig(rigs.SAVED_RIG).guide_optics == CLUB.guide_optics


def test_the_form_refuses_at_the_field_and_tells_where_the_reader_stands(form):
    form._inputs["main_camera.pixel_size"].value = -3.0
    assert "expected at least 0.1 and at most 100" in form._parts["main_camera.pixel_size"]._told.value
    form.save()
    assert form.message.startswith("Not done.")
    form._inputs["main_camera.pixel_size"].value = 3.76
    form.save()
    assert f"Saved as {rigs.SAVED_RIG}, beside the workbooks" in form.message
    assert "1 of the 53 values" in form.message and "Give next" in form.message
    assert rigs.load_rig(rigs.SAVED_RIG).own == {"main_camera.pixel_size"}


def test_the_form_of_a_visitor_names_no_folder_of_the_computer(form, tmp_path, monkeypatch):
    kept = tmp_path / "a visitor" / rigs.SAVED_RIG
    kept.parent.mkdir()
    monkeypatch.setenv(rigs.OWN_VARIABLE, str(kept))
    form.save()
    assert form.message.startswith("Saved under your name; “All workbooks” gives you the file my_rig.toml")
    assert str(tmp_path) not in form.message and "beside the workbooks" not in form.message
    assert rigs.load_rig(kept).guide_optics == CLUB.guide_optics and [kept.parent] == list(tmp_path.iterdir())


def test_values_left_as_they_are_become_the_readers_when_they_say_so(form):
    form._inputs["confirmed"].value = "they are mine too"
    form.save()
    assert set(questions.FIRST) <= rigs.load_rig(rigs.SAVED_RIG).own


def test_the_second_form_works_out_what_stands_on_no_label(rig):
    form = questions.finding_form(rig)
    form.save()
    lines = form.message.splitlines()
    assert lines[0] == "Worm period: 479 s."
    assert numbers(lines[1])[0] == pytest.approx(rig.site.seeing.value, abs=0.4)  # its start: a star of that seeing
    assert len(lines) == (5 if rig.guide_optics.kind == "pick-off" else 2)
    if rig is CLUB:
        assert numbers(lines[2]) == [60.0] and numbers(lines[3])[0] == pytest.approx(16, abs=0.5)
        assert numbers(lines[4])[0] == 60  # the demo's angle, as the guide field takes it


def test_advice_names_fields_that_exist():
    keys = set(rigs.flat(CLUB))
    assert set(questions.ADVICE) | set(questions.NEXT) <= keys
