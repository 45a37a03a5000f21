"""Rigs: the demo rigs, files that come back equal, and every wrong value named."""

import dataclasses

import astropy.units as u
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.rig import rig as rigs

ALL_DEMOS = [(name, camera) for name in ("club", "starter") for camera in ("A", "B")]


@pytest.mark.parametrize(("name", "camera"), ALL_DEMOS)
def test_a_saved_rig_comes_back_equal(tmp_path, name, camera):
    rig = rigs.demo_rig(name, camera)
    path = tmp_path / "my rig.toml"
    rigs.save_rig(rig, path)
    assert rigs.load_rig(path) == rig
    rigs.save_rig(rig, path)
    assert rigs.load_rig(str(path)) == rig


def test_demo_rigs_are_those_of_the_scenario():
    club, starter = rigs.demo_rig(), rigs.demo_rig("starter", "A")
    assert club.telescope.aperture == 250 * u.mm
    assert club.guide_optics.focal_length == 1350 * u.mm
    assert club.guide_optics.mirror_size == 9 * u.mm
    assert (club.guide_camera.columns, club.guide_camera.rows) == (1800, 1000)
    assert club.guide_camera.read_noise == 0.9 * u.electron
    assert club.guide_camera.mosaic
    assert starter.guide_optics.aperture == 50 * u.mm
    assert starter.guide_camera.read_noise == 3.2 * u.electron
    assert starter.guide_camera.pixel_size == club.guide_camera.pixel_size
    assert not starter.guide_camera.mosaic


def test_unknown_demo_names_are_refused():
    with pytest.raises(ValueError, match="name: expected one of 'club', 'starter'"):
        rigs.demo_rig("clubb")
    with pytest.raises(ValueError, match="guide_camera"):
        rigs.demo_rig(guide_camera="C")


def test_comments_of_the_reader_survive_a_save(tmp_path):
    path = tmp_path / "rig.toml"
    rig = rigs.demo_rig()
    rigs.save_rig(rig, path)
    text = "# my own note\n" + path.read_text(encoding="utf-8").replace("# read noise", "# measured in May")
    path.write_text(text, encoding="utf-8")
    rigs.save_rig(rigs.changed(rig, {"guide_camera.read_noise": 1.4 * u.electron}), path)
    saved = path.read_text(encoding="utf-8")
    assert "# my own note" in saved
    assert saved.count("# measured in May") == 2
    assert rigs.load_rig(path).guide_camera.read_noise == 1.4 * u.electron
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_that_is_no_toml_is_left_alone(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text("this = is = no toml", encoding="utf-8")
    with pytest.raises(rigs.RigError, match=r"rig\.toml: expected TOML"):
        rigs.save_rig(rigs.demo_rig(), path)
    with pytest.raises(rigs.RigError, match=r"rig\.toml: expected TOML"):
        rigs.load_rig(path)
    assert path.read_text(encoding="utf-8") == "this = is = no toml"


def test_every_wrong_value_of_a_file_is_named(tmp_path):
    path = tmp_path / "rig.toml"
    rigs.save_rig(rigs.demo_rig(), path)
    text = path.read_text(encoding="utf-8")
    for old, new in [
        ('pixel_size = "3.0 um"', 'pixel_size = "3.0 s"'),
        ("loop_gain = 0.5", "loop_gain = 3.5"),
        ("stars = 12", "star = 12"),
        ('aperture = "250.0 mm"', "aperture = 250"),
        ('kind = "pick-off"', 'kind = "prism"'),
        ("mosaic = true", 'mosaic = "perhaps"'),
    ]:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(rigs.RigError) as caught:
        rigs.load_rig(path)
    lines = str(caught.value).splitlines()
    for part in (
        "guide_camera.pixel_size: expected a unit such as um, found 's'",
        "guiding.loop_gain: expected above 0 and at most 2, found 3.5",
        "guiding.star: unknown; did you mean 'stars'?",
        "guiding.stars: missing",
        "telescope.aperture: expected a quantity with a unit such as mm, found int 250",
        "guide_optics.kind: expected one of 'pick-off', 'guide telescope', found 'prism'",
        "guide_camera.mosaic: expected true or false, found 'perhaps'",
    ):
        assert any(line.startswith("rig.toml: ") and part in line for line in lines), part


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"guide_camera.red_noise": 1 * u.electron}, "guide_camera.red_noise: unknown; did you mean 'read_noise'"),
        ({"gide_camera.read_noise": 1 * u.electron}, "unknown; did you mean 'guide_camera'"),
        ({"site.seeing": -1 * u.arcsec}, "site.seeing"),
        ({"site.seeing": float("nan") * u.arcsec}, "site.seeing"),
        ({"guide_optics.mirror_size": 0 * u.mm}, "guide_optics.mirror_size: expected above 0 mm"),
        ({"guide_optics.kind": "guide telescope"}, "guide_optics.aperture: missing"),
        ({"name": "  "}, "name: expected some text"),
    ],
)
def test_wrong_changes_are_named(changes, named):
    with pytest.raises(rigs.RigError) as caught:
        rigs.changed(rigs.demo_rig(), changes)
    assert named in str(caught.value)


def test_a_pick_off_follows_the_telescope():
    rig = rigs.changed(rigs.demo_rig(), {"telescope.aperture": 300 * u.mm})
    assert rig.guide_optics.aperture == 300 * u.mm
    own = rigs.changed(rigs.demo_rig(), {"guide_optics.focal_length": 900 * u.mm})
    assert rigs.changed(own, {"telescope.focal_length": 1000 * u.mm}).guide_optics.focal_length == 900 * u.mm


def test_parts_cannot_be_changed_or_mixed_up():
    rig = rigs.demo_rig()
    with pytest.raises(dataclasses.FrozenInstanceError):
        rig.mount.jitter = 1 * u.arcsec
    with pytest.raises(rigs.RigError, match="guide_camera: expected a GuideCamera, found MainCamera"):
        dataclasses.replace(rig, guide_camera=rig.main_camera)


def test_the_working_rig(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(rigs.RIG_VARIABLE, raising=False)
    assert rigs.working_rig() == rigs.demo_rig()
    mine = rigs.changed(rigs.demo_rig("starter"), {"name": "balcony rig"})
    rigs.save_rig(mine, rigs.SAVED_RIG)
    assert rigs.working_rig() == mine
    assert "balcony rig" in rigs.describe(mine)
    monkeypatch.setenv(rigs.RIG_VARIABLE, "demo")
    assert rigs.working_rig() == rigs.demo_rig()
    monkeypatch.setenv(rigs.RIG_VARIABLE, "other.toml")
    with pytest.raises(FileNotFoundError, match=r"other\.toml"):
        rigs.working_rig()


@pytest.mark.parametrize(("name", "camera"), ALL_DEMOS)
def test_a_form_gives_the_rig_back(name, camera):
    rig = rigs.demo_rig(name, camera)
    fields = rigs.form_fields(rig)
    assert rigs.rig_from_form({field["key"]: field["value"] for field in fields}) == rig


def test_a_form_may_change_the_kind_of_guide_optics():
    answers = {field["key"]: field["value"] for field in rigs.form_fields(rigs.demo_rig())}
    answers |= {
        "guide_optics.kind": "guide telescope",
        "guide_optics.aperture": 60.0,
        "guide_optics.focal_length": 240.0,
    }
    rig = rigs.rig_from_form(answers)
    assert rig.guide_optics.aperture == 60 * u.mm
    assert rig.guide_optics.mirror_size == 0 * u.mm


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    key=st.sampled_from([field["key"] for field in rigs.form_fields(rigs.demo_rig())]),
    value=st.one_of(st.none(), st.booleans(), st.text(max_size=5), st.floats(), st.floats().map(lambda x: x * u.mm)),
)
def test_any_value_is_taken_or_named(key, value):
    try:
        rig = rigs.changed(rigs.demo_rig(), {key: value})
    except rigs.RigError as error:
        assert key in str(error)
    else:
        assert isinstance(rig, rigs.Rig)


def test_the_angle_of_something_far_away():
    assert rigs.angle_of(1 * u.m, 206264.806 * u.m).value == pytest.approx(1, rel=1e-6)
    assert rigs.angle_of(2 * u.m, 1 * u.m).to_value(u.deg) == pytest.approx(90)
    with pytest.raises(ValueError, match="distance"):
        rigs.angle_of(1 * u.m, 0 * u.m)
    with pytest.raises(u.UnitsError, match="size"):
        rigs.angle_of(1 * u.s, 1 * u.m)
