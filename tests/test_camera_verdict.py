"""The verdict: invented cameras with one fault each are told apart from healthy ones; the demo drawer; words
and sizes.
"""

import importlib.util
from dataclasses import replace
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits
from drawing import check_any_call, quantities

from helpers import camera_check, rig
from helpers.camera_check import simulated_camera
from helpers.camera_check import verdict as camera_verdict

E, DN = u.electron, u.DN
DRAWER = Path(__file__).parents[1] / "demo_data" / "camera_drawer"
SEEDS = 200


def healthy_camera(rng):
    """A healthy camera at random: bit depth, gain, noise, pattern, mosaic, scaling."""
    bits = int(rng.choice([8, 12, 12, 14, 16]))
    noise = rng.uniform(0.8, 4) * E
    gain = rng.uniform(0.4, 1.6) * {8: 1.0, 12: 1.5, 14: 0.5, 16: 0.3}[bits] * E / DN
    gain = min(gain, 2 * noise / DN)  # so that rounding to whole numbers does not hide the noise
    return simulated_camera.SimulatedCamera(
        gain=gain,
        read_noise=noise,
        offset=np.ceil(rng.uniform(18, 40) * (noise / gain).value + 4) * DN,
        bit_depth=bits,
        file_step=2 ** (16 - bits) if 8 < bits < 16 and rng.random() < 0.4 else 1,
        full_well=rng.uniform(6000, 20000) * E,
        dark_current=10 ** rng.uniform(-2.5, -0.5) * E / u.s,
        dsnu=rng.uniform(0.1, 0.5) * noise,
        prnu=rng.uniform(0.004, 0.012),
        row_noise=rng.uniform(0, 0.08) * noise,
        column_noise=rng.uniform(0, 0.08) * noise,
        mosaic=bool(rng.random() < 0.5),
    )


FAULTS = {
    "clipped offset": lambda c, r: {"offset": np.rint(r.uniform(0, 1.5) * (c.read_noise / c.gain).value) * DN},
    "read noise": lambda c, r: {"read_noise": r.uniform(1.8, 4) * c.read_noise},
    "column noise": lambda c, r: {"column_noise": r.uniform(1.3, 4) * c.read_noise},
    "row noise": lambda c, r: {"row_noise": r.uniform(1.3, 4) * c.read_noise},
    "light leak": lambda c, r: {"light_leak": r.uniform(2, 10) * c.read_noise / (60 * u.s)},
    "missing codes": lambda c, r: {"missing_code": int(r.integers(0, 16))},
    "smoothing": lambda c, r: {"smoothing": r.uniform(0.05, 0.2)},
    "black level": lambda c, r: {"black_level_drift": r.uniform(1.5, 8) * c.read_noise},
    "linearity": lambda c, r: {"bend": r.uniform(0.2, 0.4), "full_well": 1.05 * c.saturation},
    "hot pixels": lambda c, r: {"hot_pixels": r.uniform(0.03, 0.1)},
    "telegraph pixels": lambda c, r: {"telegraph_pixels": r.uniform(0.02, 0.05)},
}
GRADES = {
    "clipped offset": {"usable but"},
    "read noise": {"defective"},
    "column noise": {"defective"},
    "row noise": {"defective"},
    "light leak": {"these frames can't tell"},
    "missing codes": {"defective"},
    "smoothing": {"usable but"},
    "black level": {"usable but"},
    "linearity": {"usable but"},
    "hot pixels": {"usable but"},
    "telegraph pixels": {"usable but"},
}
# What a fault brings with it in truth: noise in stripes and jumping pixels raise the read noise; a driver that shifts
# whole rows or columns shifts the level of the frame a little too.
COMPANIONS = {
    "column noise": {"read noise", "black level"},
    "row noise": {"read noise", "black level"},
    "telegraph pixels": {"read noise"},
    "light leak": {"hot pixels"},
}


def judged(camera, claimed, rng):
    taken = simulated_camera.take_frames(camera, rng, darks=3, dark_exposures=[60] * u.s, levels=5)
    measured = camera_check.measure_camera(taken.bias, taken.darks, taken.flats)
    return camera_verdict.verdict(measured, claimed_read_noise=claimed)


@pytest.mark.long
def test_healthy_cameras_are_called_healthy():
    verdicts = []
    for seed in range(SEEDS):
        rng = np.random.default_rng([8, seed])
        camera = healthy_camera(rng)
        verdicts.append(judged(camera, camera.read_noise, rng))
    condemned = [verdict.text for verdict in verdicts if verdict.grade != "healthy"]
    assert len(condemned) <= 0.02 * SEEDS, condemned


QUICK = {"clipped offset", "column noise", "telegraph pixels"}  # one of each kind; all others with the slow studies


@pytest.mark.parametrize(
    "fault", [name if name in QUICK else pytest.param(name, marks=pytest.mark.slow) for name in FAULTS]
)
@pytest.mark.long
def test_one_fault_is_found_and_named_without_others(fault):
    wrong = []
    for seed in range(SEEDS):
        rng = np.random.default_rng([9, list(FAULTS).index(fault), seed])
        good = healthy_camera(rng)
        verdict = judged(replace(good, **FAULTS[fault](good, rng)), good.read_noise, rng)
        found = {finding.name: finding.grade for finding in verdict.findings if finding.grade != "note"}
        if found.get(fault) not in GRADES[fault] or set(found) - {fault} - COMPANIONS.get(fault, set()):
            wrong.append(verdict.text)
    assert len(wrong) <= 0.05 * SEEDS, wrong


@pytest.mark.parametrize(
    ("name", "guide_camera", "grade", "words"),
    [
        ("healthy", "B", "healthy", "nothing out of the ordinary"),
        ("clipped_offset", "A", "usable but", "the offset is clipped: 25 % of the bias pixels"),
        ("column_driver", "A", "defective", "whole columns jump together by 6.6"),
    ],
)
@pytest.mark.long
def test_the_cameras_of_the_drawer(name, guide_camera, grade, words):
    claimed = rig.demo_rig(guide_camera=guide_camera).guide_camera
    before = {path: path.read_bytes() for path in (DRAWER / name).iterdir()}
    for claims in ({}, {"claimed_read_noise": claimed.read_noise, "claimed_dark_current": claimed.dark_current}):
        verdict = camera_verdict.check_files(DRAWER / name, **claims)
        assert verdict.grade == grade
        assert verdict.text.startswith(grade)
        assert words in verdict.text
    assert before == {path: path.read_bytes() for path in (DRAWER / name).iterdir()}
    assert (name == "column_driver") == verdict.has("read noise")


def test_the_drawer_is_what_its_recipe_makes(tmp_path):
    spec = importlib.util.spec_from_file_location("make_camera_drawer", DRAWER.parent / "make_camera_drawer.py")
    recipe = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(recipe)
    recipe.main(tmp_path)
    kept = sorted(path.relative_to(DRAWER) for path in DRAWER.rglob("*.fits"))
    assert sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*.fits")) == kept
    assert sum((DRAWER / path).stat().st_size for path in kept) < 3e6
    for path in kept:
        made, header = fits.getdata(tmp_path / path, header=True)
        frame, other = fits.getdata(DRAWER / path, header=True)
        for card in ("IMAGETYP", "EXPTIME", "FRAMENO", "GAIN", "BAYERPAT"):
            assert header.get(card) == other.get(card)
        # Another stream of random numbers makes other frames of the same camera. Striped frames are known least, by
        # 128 columns of 4.4 DN: their mean to 0.4 DN and their spread to 6 %, so these are six standard errors.
        assert frame.shape == made.shape
        assert float(frame.mean()) == pytest.approx(float(made.mean()), rel=0.01, abs=2.5)
        spreads = [np.ptp(np.percentile(one, [16, 84])) for one in (frame, made)]
        assert spreads[0] == pytest.approx(spreads[1], rel=0.4, abs=1.01)


@pytest.fixture(scope="module")
def measured():
    camera = simulated_camera.SimulatedCamera()
    taken = simulated_camera.take_frames(camera, np.random.default_rng(3))
    return camera_check.measure_camera(taken.bias, taken.darks, taken.flats)


def changed(measured, value, error, name):
    unit = getattr(measured, name).value.unit
    return replace(measured, **{name: camera_check.Measured(value * unit, error * unit)})


@pytest.mark.parametrize(
    ("claim", "grade", "words"),
    [
        (2.0, "healthy", ""),
        (1.5, "usable but", "1.3 times the 1.5 electron"),
        (1.0, "defective", "2 times the 1 electron"),
    ],
)
def test_read_noise_is_held_against_its_claim(measured, claim, grade, words):
    verdict = camera_verdict.verdict(measured, claimed_read_noise=claim * E)
    assert verdict.grade == grade
    assert words in verdict.text


def test_noise_hidden_by_rounding_is_not_held_against_a_camera():
    camera = simulated_camera.SimulatedCamera(gain=20 * E / DN, bit_depth=10, offset=20 * DN)
    taken = simulated_camera.take_frames(camera, np.random.default_rng(1))
    measured = camera_check.measure_camera(taken.bias, taken.darks, taken.flats)
    assert camera_verdict.verdict(measured).grade == "healthy"
    claimed = camera_verdict.verdict(measured, claimed_read_noise=2 * E)
    assert claimed.grade == "these frames can't tell"
    assert "hidden by the rounding" in claimed.text


def test_dark_current_is_held_against_its_claim(measured):
    verdict = camera_verdict.verdict(measured, claimed_dark_current=0.005 * E / u.s)
    assert verdict.grade == "usable but"
    assert "times the 0.005 electron / s claimed" in verdict.text
    assert camera_verdict.verdict(measured, claimed_dark_current=0.02 * E / u.s).grade == "healthy"
    for nothing in (0, 1e-313):  # no ratio can be formed
        text = camera_verdict.verdict(measured, claimed_dark_current=nothing * E / u.s).text
        assert f"and {nothing:g} electron / s are claimed" in text and "inf" not in text


def test_nothing_is_called_a_fault_on_less_than_three_standard_errors(measured):
    assert camera_verdict.verdict(changed(measured, 5.0, 1.0, "prnu")).grade == "healthy"
    assert camera_verdict.verdict(changed(measured, 7.0, 1.0, "prnu")).has("response pattern")
    assert camera_verdict.verdict(changed(measured, 9.0, 1.0, "dsnu")).has("dark pattern")


def test_the_gravest_fault_leads_and_all_are_told(measured):
    bad = replace(
        changed(measured, 9.0, 0.1, "prnu"),
        codes=replace(measured.codes, missing=40, missing_share=0.1, missing_example=33.0),
    )
    verdict = camera_verdict.verdict(bad)
    assert verdict.grade == "defective"
    assert verdict.text.startswith("defective: 40 numbers never come")
    assert "PRNU" in verdict.text
    assert [finding.grade for finding in verdict.findings] == ["defective", "usable but"]


def test_frames_that_do_not_belong_together(measured):
    verdict = camera_verdict.verdict(replace(measured, setting_changes=("GAIN is 100 in a.fits, 200 in b.fits",)))
    assert verdict.grade == "these frames can't tell"
    assert "GAIN is 100 in a.fits, 200 in b.fits" in verdict.text
    warm = camera_verdict.verdict(replace(measured, temperatures=(-5.0, 12.5)))
    assert warm.grade == "healthy"
    assert "between -5.0 and 12.5 deg C" in warm.text


def frames_for(rng, **changes):
    return simulated_camera.take_frames(simulated_camera.SimulatedCamera(**changes), rng)


def test_copies_of_a_frame_are_seen():
    taken = frames_for(np.random.default_rng(2))
    taken.bias[1] = taken.bias[0]
    verdict = camera_verdict.verdict(camera_check.measure_camera(taken.bias, taken.darks, taken.flats))
    assert verdict.grade == "these frames can't tell"
    assert "two bias frames are equal to the last bit" in verdict.text


@pytest.mark.parametrize("how", ["mean", "ratio"])
def test_finished_pictures_are_not_taken_for_raw_frames(how):
    taken = frames_for(np.random.default_rng(2))

    def finished(frames):
        if how == "mean":
            return np.stack([frames[:2].mean(axis=0), frames[-2:].mean(axis=0)]) + np.array([0, 0.5])[:, None, None]
        return frames / np.random.default_rng(1).normal(1, 0.01, frames.shape)

    flats = [(t, finished(frames)) for t, frames in taken.flats]
    verdict = camera_verdict.verdict(camera_check.measure_camera(finished(taken.bias), (), flats))
    assert verdict.grade == "these frames can't tell"
    assert verdict.has("processed")


def test_numbers_as_shares_of_one_are_raw_enough():
    taken = frames_for(np.random.default_rng(2))
    flats = [(t, (frames / 65535).astype(np.float32)) for t, frames in taken.flats]
    darks = [(t, (frames / 65535).astype(np.float32)) for t, frames in taken.darks]
    measured = camera_check.measure_camera((taken.bias / 65535).astype(np.float32), darks, flats)
    assert camera_verdict.verdict(measured).grade == "healthy"
    assert measured.dark_noise.value.value == pytest.approx(2.0, rel=0.05)


def test_missing_kinds_of_frames_are_told():
    taken = frames_for(np.random.default_rng(2))
    verdict = camera_verdict.verdict(camera_check.measure_camera(taken.bias))
    assert verdict.grade == "these frames can't tell"
    assert "there are no flat frames" in verdict.text
    assert verdict.has("no darks")
    few = camera_verdict.verdict(camera_check.measure_camera(taken.bias[:4], (), taken.flats[:2]))
    assert few.has("no linearity")
    assert few.has("few frames")


def test_check_files_without_bias_frames(tmp_path):
    for number in range(2):
        fits.PrimaryHDU(np.full((20, 20), number, np.uint16)).writeto(tmp_path / f"flat_{number}.fits")
    verdict = camera_verdict.check_files(tmp_path)
    assert verdict.grade == "these frames can't tell"
    assert "expected bias frames" in verdict.text


@pytest.mark.parametrize(
    ("alone", "said"),
    [("bias", "bias: "), ("dark", "darks of 10 s: "), ("flat", "flats of 10 s: ")],
)
def test_one_file_of_a_kind_is_too_few(tmp_path, alone, said):
    rng = np.random.default_rng(3)
    for kind, level in {"bias": 100, "dark": 102, "flat": 1100}.items():
        for number in range(1 if kind == alone else 2):
            part = fits.PrimaryHDU(rng.normal(level, np.sqrt(level), (20, 20)).astype(np.uint16))
            part.header["EXPTIME"] = 0.001 if kind == "bias" else 10.0
            part.writeto(tmp_path / f"{kind}_{number}.fits")
    verdict = camera_verdict.check_files(tmp_path)
    assert verdict.grade == "these frames can't tell"
    assert f"because {said}expected at least two frames, found 1" in verdict.text


def test_digital_gain_is_seen():
    taken = frames_for(np.random.default_rng(2), bit_depth=12)
    flats = [(t, np.rint(frames * 1.3).astype(np.uint16)) for t, frames in taken.flats]
    darks = [(t, np.rint(frames * 1.3).astype(np.uint16)) for t, frames in taken.darks]
    measured = camera_check.measure_camera(np.rint(taken.bias * 1.3).astype(np.uint16), darks, flats)
    verdict = camera_verdict.verdict(measured)
    assert verdict.grade == "usable but"
    assert "multiplied by 1.3 after" in verdict.text


@pytest.mark.parametrize(
    ("arguments", "error", "named"),
    [
        ({"claimed_read_noise": 2.0}, TypeError, "claimed_read_noise"),
        ({"claimed_read_noise": -2.0 * E}, ValueError, "claimed_read_noise"),
        ({"claimed_read_noise": 2.0 * u.s}, u.UnitsError, "claimed_read_noise"),
        ({"claimed_dark_current": np.nan * E / u.s}, ValueError, "claimed_dark_current"),
    ],
)
def test_wrong_claims_are_named(measured, arguments, error, named):
    with pytest.raises(error, match=named):
        camera_verdict.verdict(measured, **arguments)


def test_only_a_measurement_is_judged():
    with pytest.raises(TypeError, match="measurement"):
        camera_verdict.verdict(3)


def test_any_claim(measured_once):
    def judged(claimed_read_noise, claimed_dark_current):
        return camera_verdict.verdict(measured_once, claimed_read_noise, claimed_dark_current)

    def in_words(verdict):
        assert verdict.grade in ("healthy", "usable but", "defective", "these frames can't tell")
        assert "nan" not in verdict.text

    valid = {"claimed_read_noise": quantities(E, 0.1, 100), "claimed_dark_current": quantities(E / u.s, 0, 100)}
    wrong = {"claimed_read_noise": [0 * E], "claimed_dark_current": [-1 * E / u.s]}
    check_any_call(judged, valid, spoiled=wrong, check=in_words)


@pytest.fixture(scope="module")
def measured_once(measured):
    return measured


def test_the_table_holds_names_and_errors():
    taken = frames_for(np.random.default_rng(2), mosaic=True)
    rows = camera_verdict.table_rows(camera_check.measure_camera(taken.bias, taken.darks, taken.flats))
    named = {name: value for name, _, value in rows}
    assert "± " in named["conversion gain"]
    assert sum(name == "... of the four colour planes" and value.count(",") == 3 for name, _, value in rows) == 2
    assert any(standard == "PRNU" for _, standard, _ in rows)
    assert named["bits of the converter"] == "12 or more, numbers 1 apart"
    little = camera_verdict.table_rows(camera_check.measure_camera(taken.bias[:4]))
    assert {name: value for name, _, value in little}["read noise"].endswith("DN")


def test_a_camera_that_takes_its_dark_level_off():
    taken = frames_for(np.random.default_rng(2), dark_current=1 * E / u.s)
    level = taken.bias.mean()
    darks = [(t, np.rint(frames - frames.mean() + level)) for t, frames in taken.darks]
    verdict = camera_verdict.verdict(camera_check.measure_camera(taken.bias, darks, taken.flats))
    assert verdict.grade == "healthy"
    assert verdict.has("dark level")
    as_taken = camera_verdict.verdict(camera_check.measure_camera(taken.bias, taken.darks, taken.flats))
    assert not as_taken.has("dark level")
