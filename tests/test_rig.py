"""Rigs: the demo rigs, files that come back equal, and every wrong value named."""

import dataclasses
import os

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers import rig as rigs

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
        ("stars = 20", "star = 20"),
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
        "guiding.loop_gain: expected at least 0.0001 and below 2, found 3.5",
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
    assert "guide_optics.aperture" in rig.own


def test_a_form_that_changes_the_kind_alone_gives_plausible_optics():
    answers = {field["key"]: field["value"] for field in rigs.form_fields(rigs.demo_rig())}
    optics = rigs.rig_from_form(answers | {"guide_optics.kind": "guide telescope"}).guide_optics
    assert (optics.aperture, optics.focal_length) == (50 * u.mm, 200 * u.mm)
    assert optics.central_obstruction == 0 and optics.flexure > 0 * u.arcsec / u.h
    answers = {field["key"]: field["value"] for field in rigs.form_fields(rigs.demo_rig("starter"))}
    changed = rigs.rig_from_form(answers | {"guide_optics.kind": "pick-off"})
    assert changed.guide_optics.mirror_size > 0 * u.mm
    assert changed.guide_optics.aperture == changed.telescope.aperture
    # what the form put in is nobody's own value
    assert not {"guide_optics.mirror_size", "guide_optics.aperture"} & changed.own
    stiff = rigs.changed(rigs.demo_rig("starter"), {"guide_optics.flexure": 0 * u.arcsec / u.h})
    answers = {field["key"]: field["value"] for field in rigs.form_fields(stiff)}
    assert rigs.rig_from_form(answers) == stiff  # a guide telescope that was one already may be stiff


@pytest.mark.parametrize("name", ["club", "starter"])
def test_what_a_form_proposes_for_another_kind_is_a_rig_and_the_demos(name):
    answers = {field["key"]: field["value"] for field in rigs.form_fields(rigs.demo_rig(name))}
    for kind in rigs.GUIDE_KINDS:
        rig = rigs.rig_from_form(answers | {"guide_optics.kind": kind} | rigs.usual_optics(kind, answers))
        assert rig.guide_optics.kind == kind
        assert rig.own == frozenset()
        assert (rig.guide_optics.mirror_size > 0 * u.mm) == (kind == "pick-off")
        assert (rig.guide_optics.flexure > 0 * u.arcsec / u.h) == (kind == "guide telescope")
    with pytest.raises(ValueError, match="kind: expected one of"):
        rigs.usual_optics("prism", answers)


def test_the_worm_turns_once_a_tooth():
    assert (rigs.worm_period(180) * 180).to_value(u.h) == pytest.approx(23.9345, abs=1e-4)  # a sidereal day
    for wrong in (0, 2.5, "many"):
        with pytest.raises((ValueError, TypeError), match="teeth"):
            rigs.worm_period(wrong)


@pytest.mark.parametrize("angle", [0, 35, 130, 271])
def test_the_guide_field_lies_where_astropy_puts_it(angle):
    # second route: a star in the guide field, then the telescope moved until the star stands there
    axis = SkyCoord(40 * u.deg, 20 * u.deg)
    star = axis.directional_offset_by(angle * u.deg, 0.7 * u.deg)  # stands in the guide field
    moved_to = star.directional_offset_by((angle + 180) * u.deg, 0.7 * u.deg)  # the star in the main picture, then this
    east, north = star.spherical_offsets_to(moved_to)
    found, distance = rigs.guide_field_place(east, north, 1350 * u.mm)
    assert found.value == pytest.approx(angle, abs=0.3)
    assert distance.value == pytest.approx(1350 * np.tan(np.radians(0.7)), rel=1e-3)
    with pytest.raises(ValueError, match="east, north"):
        rigs.guide_field_place(0 * u.arcmin, 0 * u.arcmin, 1350 * u.mm)


def test_the_values_of_the_reader_are_known(tmp_path):
    demo = rigs.demo_rig()
    assert demo.own == frozenset()
    mine = rigs.changed(demo, {"site.seeing": 3 * u.arcsec}, guide_camera__binning=2)
    assert mine.own == {"site.seeing", "guide_camera.binning"} and mine.guide_camera.binning == 2
    path = tmp_path / "rig.toml"
    rigs.save_rig(mine, path)
    again = rigs.load_rig(path)
    assert again == mine and again.own == mine.own
    # a value that is changed with an editor becomes the reader's
    path.write_text(path.read_text().replace('jitter = "0.15 arcsec"', 'jitter = "0.4 arcsec"'))
    assert rigs.load_rig(path).own == mine.own | {"mount.jitter"}
    rigs.save_rig(rigs.load_rig(path), path)
    assert rigs.load_rig(path).own == mine.own | {"mount.jitter"}
    # a file without the list is the reader's altogether
    text = path.read_text()
    start, end = text.index("from_demo"), text.index("]", text.index("from_demo")) + 1
    path.write_text(text[:start] + text[end:])
    assert rigs.load_rig(path).own == set(rigs.flat(demo))
    rigs.save_rig(rigs.load_rig(path), path)
    assert "from_demo" not in path.read_text()


def test_a_form_knows_whose_values_it_holds():
    start = rigs.changed(rigs.demo_rig(), {"mount.worm_period": 480 * u.s})  # the demo's value, confirmed by the reader
    fields = rigs.form_fields(start)
    assert [field["key"] for field in fields if field["own"]] == ["mount.worm_period"]
    answers = {field["key"]: field["value"] for field in fields} | {"site.seeing": 1.7}
    assert rigs.rig_from_form(answers, own=start.own).own == {"mount.worm_period", "site.seeing"}
    assert rigs.rig_from_form(answers).own == {"site.seeing"}


@pytest.mark.parametrize(("name", "camera"), ALL_DEMOS)
def test_a_flat_rig_comes_back_equal(name, camera):
    rig = rigs.demo_rig(name, camera)
    values = rigs.flat(rig)
    assert rigs.from_flat(values) == rig
    assert values["guide_camera.read_noise"] == rig.guide_camera.read_noise and values["name"] == rig.name
    with pytest.raises(rigs.RigError, match=r"gide_camera.read_noise: unknown; did you mean 'guide_camera'"):
        rigs.from_flat(values | {"gide_camera.read_noise": 1})


UNUSABLE = [
    ({"site.atmosphere": "no such air"}, "site.atmosphere: expected one of 'valley night'"),
    ({"guiding.loop_gain": 2.0}, "guiding.loop_gain: expected at least 0.0001 and below 2"),
    ({"guiding.loop_gain": 1.0, "guiding.delay": 1}, "guiding.loop_gain: expected below 1 with a delay"),
    ({"guiding.exposure": "1e-30 s"}, "guiding.exposure: expected at least 0.001"),
    ({"guide_camera.quantum_efficiency_850": 0.9}, "guide_camera.quantum_efficiency_850: expected at most the peak"),
    ({"main_camera.columns": 10**9}, "main_camera.columns"),
    ({"main_camera.rows": 10**4000}, "main_camera.rows"),
    ({"guiding.loop_gain": 10**4000}, "guiding.loop_gain"),
    ({"site.seeing": "1" * 4000 + " arcsec"}, "site.seeing"),
    ({"guide_optics.central_obstruction": 0.2}, "guide_optics.central_obstruction: expected the telescope's 0.32"),
]


@pytest.mark.parametrize(("changes", "words"), UNUSABLE)
def test_a_rig_that_no_room_can_use_is_refused(changes, words, tmp_path):
    with pytest.raises(rigs.RigError, match=words) as caught:
        rigs.changed(rigs.demo_rig(), changes)
    assert len(str(caught.value)) < 300
    path = tmp_path / "rig.toml"
    rigs.save_rig(rigs.demo_rig(), path)
    lines, section = [], ""
    for line in path.read_text().splitlines():
        section = line.strip("[]") if line.startswith("[") else section
        for key, value in changes.items():
            if line.startswith(key.removeprefix(section + ".") + " ="):
                written = f'"{value}"' if isinstance(value, str) else "1" + "0" * 4000 if value == 10**4000 else value
                line = f"{key.rpartition('.')[2]} = {written}"
        lines.append(line)
    path.write_text("\n".join(lines))
    with pytest.raises(rigs.RigError, match=words) as caught:
        rigs.load_rig(path)
    assert str(caught.value).startswith("rig.toml: ") and len(str(caught.value)) < 400


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("mount = 5", "mount: expected a table"),
        ("[[mount]]\nx = 1", "mount: expected a table"),
        ("x = " + "[" * 5000 + "]" * 5000, "nested too deep|expected TOML"),
        ("guiding = " + "9" * 5000, "expected TOML, found|expected a table"),  # tomlkit 0.12 reads it as a number
        ("from_demo = 3", "expected a list of keys|missing"),
        ("name = 'a'\nname = 'b'", "expected TOML"),
        ("\udcff", "expected TOML"),
    ],
)
def test_odd_files_are_refused_and_left_alone(text, words, tmp_path):
    path = tmp_path / "rig.toml"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(rigs.RigError, match=words) as caught:
        rigs.load_rig(path)
    assert len(str(caught.value)) < 5000
    if "from_demo" not in text:
        with pytest.raises(rigs.RigError, match=words):
            rigs.save_rig(rigs.demo_rig(), path)
        assert path.read_bytes() == text.encode("utf-8", "surrogateescape")
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(os.name == "nt", reason="permissions and links of this kind are not on every system")
def test_saving_keeps_permissions_and_links(tmp_path):
    path, link = tmp_path / "rig.toml", tmp_path / "link.toml"
    mask = os.umask(0o022)
    try:
        rigs.save_rig(rigs.demo_rig(), path)
    finally:
        os.umask(mask)
    assert path.stat().st_mode & 0o777 == 0o644
    path.chmod(0o640)
    link.symlink_to(path)
    rigs.save_rig(rigs.demo_rig("starter"), link)
    assert link.is_symlink() and path.stat().st_mode & 0o777 == 0o640
    assert rigs.load_rig(path) == rigs.demo_rig("starter")


def good(field):
    """Values that a field takes, in the unit of the form."""
    value, choices = field["value"], field["choices"]
    if choices:
        return st.sampled_from(choices)
    if isinstance(value, str):
        return st.text(min_size=1, max_size=8).filter(str.strip)
    if isinstance(value, int):
        return st.integers(max(1, value // 2), value) if value else st.just(0)
    return st.floats(0.6 * value, value)


DEMO_FIELDS = rigs.form_fields(rigs.demo_rig("starter"))


@pytest.mark.long
def test_most_filled_forms_give_a_rig_that_survives_a_file(tmp_path):
    path, reached = tmp_path / "form.toml", []

    @settings(max_examples=40, deadline=None, derandomize=True)
    @given(st.fixed_dictionaries({field["key"]: good(field) for field in DEMO_FIELDS}))
    def fill(answers):
        try:
            rig = rigs.rig_from_form(answers)
        except rigs.RigError as error:
            reached.append(False)
            assert any(key in str(error) for key in answers)
            return
        reached.append(True)
        rigs.save_rig(rig, path)
        again = rigs.load_rig(path)
        assert again == rig and again.own == rig.own

    fill()
    print(f"{np.mean(reached):.0%} of the {len(reached)} filled forms gave a rig")
    assert np.mean(reached) >= 0.8


@settings(max_examples=80, deadline=None, derandomize=True)
@given(
    key=st.sampled_from([field["key"] for field in DEMO_FIELDS]),
    value=st.one_of(
        st.none(),
        st.booleans(),
        st.text(max_size=5),
        st.floats(),
        st.integers(),
        st.floats().map(lambda x: x * u.mm),
        st.complex_numbers(),
        st.lists(st.floats()),
    ),
)
def test_one_spoilt_value_is_taken_or_named(key, value):
    try:
        rig = rigs.changed(rigs.demo_rig(), {key: value})
    except rigs.RigError as error:
        assert key in str(error) or key.replace("telescope", "guide_optics") in str(error)
    else:
        assert isinstance(rig, rigs.Rig)


def test_the_angle_of_something_far_away():
    assert rigs.angle_of(1 * u.m, 206264.806 * u.m).value == pytest.approx(1, rel=1e-6)
    assert rigs.angle_of(2 * u.m, 1 * u.m).to_value(u.deg) == pytest.approx(90)
    with pytest.raises(ValueError, match="distance"):
        rigs.angle_of(1 * u.m, 0 * u.m)
    with pytest.raises(u.UnitsError, match="size"):
        rigs.angle_of(1 * u.s, 1 * u.m)
