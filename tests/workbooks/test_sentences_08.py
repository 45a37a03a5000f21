"""What workbook 08 says, for several rigs: its claims hold, and old wrong ones are gone."""

import json
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from scipy import stats

from helpers import ledger
from helpers import rig as rigs
from helpers.camera_check import drawings, questions, read_frames
from helpers.camera_check import simulated_camera as invented
from helpers.camera_check.verdict import LIMITS
from helpers.classroom import guesses
from helpers.starlight import view
from tests.three_rigs import RIGS

WORKBOOK = Path(__file__).resolve().parent.parent.parent / "workbooks" / "08_camera_check.ipynb"


@pytest.fixture(scope="module", params=RIGS)
def reader(request):
    rig = RIGS[request.param]
    return rig, ledger.ledger(rig)


@pytest.mark.long
def test_light_decides_what_noise_costs(reader):
    rig, numbers = reader
    own = drawings.telling_noise(rig, numbers, drawings.own_stars(rig, numbers))
    one = drawings.telling_noise(rig, numbers, drawings.one_faint(rig, numbers))
    assert own > one
    assert f"{own.value:.0f} electrons" in questions.own_number(rig, numbers)
    number, meaning, action = questions.card(rig, numbers)
    assert all((number, meaning, action))
    assert ("Nothing" in action) == ("would not show" in meaning)


def test_the_faint_star_is_the_faintest_usable_one_of_the_strip(reader):
    rig, numbers = reader
    faint = drawings.faint_star(rig, numbers)
    error, found = drawings.one_faint(rig, numbers).errors(rig)
    assert found
    if error.max().value < 0.11:  # elsewhere coarse pixels know no star so well
        assert faint == pytest.approx(numbers.faintest_star, abs=0.01)
    assert f"magnitude {faint:.1f}" in questions.own_number(rig, numbers)
    assert f"magnitude {faint:.1f}" in questions.noisy_camera(rig, numbers).answer


def test_the_faint_star_of_the_club_is_known_to_a_tenth_of_an_arcsecond():
    rig = rigs.demo_rig("club")
    error, _ = drawings.one_faint(rig, ledger.ledger(rig)).errors(rig)
    assert error.value == pytest.approx(0.1, abs=0.002)


def test_bright_specks_but_no_dark_ones_in_camera_1():
    away = {
        name: frame - np.median(frame) for name in drawings.FOLDERS for frame in drawings.frames_of(name, "bias")[:1]
    }
    assert -away["camera 1"].min() < 0.5 * away["camera 1"].max()
    assert -away["camera 2"].min() == pytest.approx(away["camera 2"].max(), rel=0.4)
    frame = drawings.frames_of("camera 1", "bias")[0]
    low = drawings.judged("camera 1").measurement.low_pile
    assert np.mean(frame == 0) == pytest.approx(low, abs=0.02), "the pile stands at the marked zero"
    medians = [np.median(drawings.frames_of(name, "bias")[0]) for name in drawings.FOLDERS]
    assert medians[0] == min(medians)


def test_the_marked_zero_is_that_of_the_file():
    drawing = drawings.three_cameras(rigs.demo_rig())
    drawing.update(difference=False)
    outline, mark = drawing.moving[1], drawing.moving[2]
    x, shares = outline.get_data()
    assert x[np.argmax(shares)] == mark.get_xdata()[0], "the pile is the tallest bar"
    assert mark.get_visible()
    drawing.update(difference=True)
    assert not mark.get_visible()


def test_single_pixels_and_stripes_make_the_read_noise():
    m = drawings.judged("camera 3").measurement
    together = np.sqrt(sum(part.value.value**2 for part in (m.pixel_noise, m.row_noise, m.column_noise)))
    assert together == pytest.approx(m.dark_noise.value.value, rel=0.02)
    assert (
        "with these stripes the read noise is"
        in dict(questions.verdicts(rigs.demo_rig())[1])["camera 3, sold as camera A"]
    )


def test_three_standard_errors_are_reached_by_chance_once_in_about_700():
    assert 1 / stats.norm.sf(drawings.camera_verdict.LIMITS["sure"].value) == pytest.approx(700, rel=0.1)


def test_a_lost_star_ends_its_curve_in_a_cross(reader):
    rig, numbers = reader
    panel = drawings.what_noise_costs(rig, numbers)
    said = panel.update(noise=60 * u.electron, columns=0 * u.electron, magnitude=questions.magnitudes(rig, numbers)[1])
    words = [artist.get_text().strip() for artist in panel.moving if hasattr(artist, "get_text")]
    assert ("lost" in words) == ("lost" in said)


def test_the_guess_about_noise_is_resolved(reader):
    guess = questions.noisy_camera(*reader)
    for said in guess.options:
        assert guesses.resolve(guess, said).endswith(guess.answer)
    assert "nan" not in guess.answer


def test_only_light_shows_a_bent_response():
    guess = questions.stays_hidden(None)
    assert guess.right == "bent response"
    traces = {fault: questions.trace_in_the_dark(fault) for fault in guess.options}
    assert traces["bent response"] < 0.01
    assert min(traces["missing codes"], traces["smoothing"]) > 0.05
    assert f"changes {traces['bent response']:.1%} of" in guess.answer and "the response bends" in guess.answer
    # a sound camera's frames without light spread as much; its flats do not bend
    bent, sound = drawings.broken("bent response", 1.0)[0], drawings.broken("none", 0.0)[0]
    assert bent.bias.std() == pytest.approx(sound.bias.std(), rel=0.01)
    assert "bends" not in drawings.broken("none", 0.0)[1].text


@pytest.mark.long
def test_no_row_vanishes_and_no_number_is_missing(reader):
    rig, numbers = reader
    texts = [questions.beliefs(rig, numbers), questions.bad_pixels_in_words(rig)]
    for said in (questions.glow_in_words(rig, numbers), *texts):
        assert "nan" not in said


@pytest.mark.long
def test_panels_answer_over_their_range(reader):
    rig, numbers = reader
    low, high, start = questions.magnitudes(rig, numbers)
    panel = drawings.what_noise_costs(rig, numbers)
    for noise in (0.5, 15, 60):
        for magnitude in (low, start, high):
            said = panel.update(noise=noise * u.electron, columns=0 * u.electron, magnitude=magnitude)
            assert "nan" not in said
            assert said.count("log") == 2 or "too faint" in said


def test_stripes_cost_more_than_grain_of_the_same_size(reader):
    rig, numbers = reader
    stars, noise = drawings.own_stars(rig, numbers), rig.guide_camera.read_noise
    striped = drawings.costs.CameraNoise(noise, columns=5 * u.electron)
    grain = drawings.costs.CameraNoise((noise**2 + 25 * u.electron**2) ** 0.5)
    errors = [drawings.case(rig, numbers, stars, camera).error for camera in (striped, grain)]
    assert errors[0][0] > errors[1][0]
    assert errors[0][1] < errors[1][1]


def test_an_offset_at_zero_hardly_moves_the_centre():
    """300 simulated frames, the same noise with both offsets: the two errors differ only by what is cut off."""
    rig = rigs.demo_rig()
    room, clipped = questions.clipped_errors(rig, ledger.ledger(rig))
    assert clipped == pytest.approx(room, rel=0.15)
    said = questions.beliefs(rig, ledger.ledger(rig))
    # two medians of 600 values each: their ratio has a standard error of 1.17 x root of 2 / root of 600
    alike = abs(clipped / room - 1) < 2 * 1.17 * np.sqrt(2 / 600)
    assert f"{clipped:.2f} arcsec, " in said
    assert ("leaves room below or not" if alike else f"{room:.2f} where the offset leaves room below") in said


@pytest.mark.parametrize("fault", [name for name in invented.FAULTS if name != "none"])
def test_each_fault_of_the_panel_is_seen_when_gross_and_none_when_absent(fault):
    assert drawings.broken(fault, 1.0)[1].grade != "healthy"
    assert drawings.broken(fault, 0.0)[1].grade == "healthy"


@pytest.mark.parametrize("fault", list(invented.FAULTS))
def test_the_panel_says_what_the_fault_is(fault):
    assert set(drawings.FAULTS_IN_WORDS) == set(invented.FAULTS)
    said = drawings.break_a_camera(None).update(fault=fault, strength=50)
    assert said.lower().startswith(f"{fault}: {drawings.FAULTS_IN_WORDS[fault]}. The check says: ".lower())
    assert said.endswith(drawings.broken(fault, 0.5)[1].text)


def test_conversion_gains_are_those_of_the_table():
    said = questions.gains_in_words(None)
    for name in drawings.FOLDERS:
        gain = float(said.split(f" ({name})")[0].split(" ± ")[-2].split()[-1])
        assert gain == pytest.approx(drawings.judged(name).measurement.photon_transfer.gain.value, rel=0.01)
    assert dict(questions.measured_rows(None)[1])["conversion gain (inverse of the overall system gain K)"].startswith(
        said.split(" (camera 2)")[0].split(", ")[-1]
    )


def test_the_time_for_frames_is_that_of_its_steps():
    _, rows = questions.table_of_frames(rigs.demo_rig())
    *steps, total = (int(row[-1]) for row in rows)
    assert sum(steps) == total
    assert 75 <= total <= 90
    counts = {step.name.split()[0]: step.frames for step in questions.STEPS if step.name[0].isdigit()}
    assert counts == {"16": 16, "8": 8, "2": 2}


def test_frames_of_a_camera_are_found_from_one_of_them(tmp_path):
    assert questions.camera_folder(tmp_path / "mine" / "flat_0.5s" / "a.fits") == (tmp_path / "mine").resolve()
    assert questions.camera_folder(tmp_path / "mine" / "a.fits") == (tmp_path / "mine").resolve()


class Claims:
    """Stands for the form of claims."""

    @property
    def answers(self):
        return {"read_noise": 0.9, "dark_current": 0.2}


def test_own_frames_get_a_verdict_with_its_cost(reader):
    rig, numbers = reader
    check = questions.check_reply(rig, numbers, Claims())
    said = check([drawings.DRAWER / "healthy" / "bias_01.fits"])
    assert said.startswith("healthy")
    assert "log" in said
    assert "full well" in said
    several = check(sorted((drawings.DRAWER / "column_driver").glob("*.fits")))
    assert several.startswith("defective")


def test_a_hot_pixel_as_bright_as_the_star_holds_the_measured_place(reader):
    rig, numbers = reader
    away, held = drawings.held_by_a_hot_pixel(rig)
    setting = view(rig, light_share=1)
    assert away * setting.pixel_scale.value > 1.8 * setting.fwhm.value, "the star is well away"
    assert abs(held) < 0.1 * away
    assert f"moved {away:.0f} pixels away, it still reports\n{abs(held):.1f}." in questions.beliefs(rig, numbers)


def test_at_least_is_explained_where_it_stands():
    _, rows = questions.measured_rows(None)
    flats = [path for path in (drawings.DRAWER / "healthy").glob("flat*.fits")]
    assert dict(rows)["full well (saturation capacity)"].startswith("at least") == bool(questions.why_at_least(None))
    # second route: no pile of pixels at one highest number, as an overexposed flat has it
    assert max(np.mean(frame == frame.max()) for frame in (read_frames([path])[0] for path in flats)) < 0.01


def test_old_claims_are_gone():
    text = "\n".join("".join(cell["source"]) for cell in json.loads(WORKBOOK.read_text(encoding="utf-8"))["cells"])
    assert "decides more than any other setting" not in text
    assert "an hour, once" not in text


def test_the_table_of_limits_has_what_condemns_camera_1_and_missing_codes():
    rows = dict(questions.limits(None)[1])
    assert rows["clipped offset: values at the lowest number"].startswith("0.001 ")
    assert rows["numbers that never come although their neighbours do"] == "0: defective"
    measured = drawings.judged("camera 1").measurement
    assert measured.low_pile > LIMITS["clipped"].value


def test_a_few_hot_pixels_are_usual_as_said():
    pixels = drawings.broken("bad column driver", 0.5)[1].measurement.bad_pixels
    assert 0 < len(pixels.hot) <= LIMITS["hot"].value * pixels.pixels
