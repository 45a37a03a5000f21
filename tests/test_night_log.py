"""Reading and cleaning error logs: the demo logs, mappings and units, and damaged files."""

import hashlib
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.table import Table

from helpers.night_comparison.log import NO_COLUMN, clean_log, join_logs, load_log, log_fields, read_night, runs
from helpers.shared.files import TableError

DEMO = Path(__file__).parent.parent / "demo_data"
HEADER = "time,ra_error,dec_error,camera,star_count\n"


def written(tmp_path, text, name="log.csv"):
    path = tmp_path / name
    path.write_bytes(text.encode("utf-8"))
    return path


def rows(count, step=1.0, seed=1):
    errors = np.random.default_rng(seed).normal(0, 0.3, (count, 2))
    return [f"{k * step},{ra:.3f},{dec:.3f},A,5" for k, (ra, dec) in enumerate(errors)]


def test_the_demo_night():
    log = load_log(DEMO / "night_log.ecsv")
    assert log.colnames == ["time", "ra_error", "dec_error", "camera", "star_count"]
    assert log["time"].unit == u.s
    assert log["ra_error"].unit == u.arcsec
    assert log.meta["start"].startswith("2026-11-07T20:40:00")
    changes = np.flatnonzero(log["camera"][1:] != log["camera"][:-1])
    assert [log["camera"][0], *log["camera"][changes + 1]] == ["A", "B", "A", "B"]
    clean, notes = clean_log(log)
    assert len(clean) == len(log)
    assert notes == []


def test_the_demo_night_with_trouble_is_told_in_words():
    log = load_log(DEMO / "night_log_gaps.csv")
    clean, notes = clean_log(log)
    told = " ".join(notes)
    for part in ("clock went back 1 time(s)", "star was lost in", "field moved 1 time(s)", "gap(s)"):
        assert part in told
    assert np.all(np.diff(clean["time"]) > 0)
    assert np.hypot(clean["ra_error"], clean["dec_error"]).max() < 3
    assert len(log) > len(clean) > 600


def test_names_units_and_scale(tmp_path):
    table = Table({"t": [0.0, 1.0] * u.min, "dx": [1.0, 2.0] * u.pix, "dy": [0.5, 0.5] * u.pix})
    table.write(tmp_path / "log.ecsv")
    names = {"time": "t", "ra_error": "dx", "dec_error": "dy"}
    log = load_log(tmp_path / "log.ecsv", columns=names, scale=0.5 * u.arcsec / u.pix)
    assert log["time"].tolist() == [0, 60]
    assert log["ra_error"].tolist() == [0.5, 1.0]
    assert log["camera"].tolist() == ["", ""]
    assert log["star_count"].tolist() == [-1, -1]
    with pytest.raises(TableError, match="give the scale"):
        load_log(tmp_path / "log.ecsv", columns=names)
    with pytest.raises(TypeError, match="scale"):
        load_log(tmp_path / "log.ecsv", columns=names, scale=0.5)
    with pytest.raises(ValueError, match="scale"):
        load_log(tmp_path / "log.ecsv", columns=names, scale=-0.5 * u.arcsec / u.pix)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("time,ra_error\n1,2\n", "expected a column 'dec_error'"),
        (
            HEADER + "2026-11-07T20:00:00,0.1,0.2,A,5\nyesterday,0.1,0.2,A,5\n",
            "data row 2, column 'time': expected a date",
        ),
        (HEADER + "0,0.1,0.2,A,5\nx,0.1,0.2,A,5\n", "data row 2, column 'time': expected seconds, found 'x'"),
        (HEADER + ",0.1,0.2,A,5\n", "data row 1, column 'time'"),
        (HEADER + "0,0.1,0.2,A,5\n1,abc,0.2,A,5\n", "data row 2, column 'ra_error': expected a number, found 'abc'"),
        ("time;ra_error;dec_error\n0;0,1;0,2\n", "comma as decimal sign"),
        (HEADER + "0,0.1,0.2,A,2.5\n", "data row 1, column 'star_count': expected a whole number"),
        (HEADER + "0,,,A,0\n1,,,A,0\n", "at least one row with both errors"),
        (HEADER, "at least one row"),
        (HEADER + "0,0.1,0.2,A,5,9,9\n", "expected 5 values"),
        ("\0\0\0", "binary"),
    ],
)
def test_what_is_wrong_is_named(tmp_path, text, found):
    with pytest.raises(TableError) as caught:
        load_log(written(tmp_path, text))
    assert "log.csv" in str(caught.value)
    assert found in str(caught.value)


def test_mixed_line_ends(tmp_path):
    text = HEADER + "0,0.1,0.2,A,5\r\n1,0.2,0.1,A,5\n2,0.3,0.1,A,5\r"
    assert len(load_log(written(tmp_path, text))) == 3


def test_duplicates_are_reported(tmp_path):
    body = rows(50)
    log = load_log(written(tmp_path, HEADER + "\n".join(body[:20] + body[15:]) + "\n"))
    clean, notes = clean_log(log)
    assert len(clean) == 50
    assert any("5 row(s) stand in the log twice" in note or "clock went back" in note for note in notes)


def test_duplicates_side_by_side(tmp_path):
    body = [row for row in rows(40) for _ in range(2)]
    clean, notes = clean_log(load_log(written(tmp_path, HEADER + "\n".join(body) + "\n")))
    assert len(clean) == 40
    assert "40 row(s) stand in the log twice" in notes[0]


def test_logs_are_joined_in_order(tmp_path):
    first = HEADER + "2026-11-07T20:00:00,0.1,0.2,A,5\n2026-11-07T20:00:01,0.1,0.2,A,5\n"
    second = HEADER + "2026-11-07T21:00:00,0.3,0.2,B,5\n"
    a, b = load_log(written(tmp_path, first)), load_log(written(tmp_path, second, "b.csv"))
    joined = join_logs([b, a])
    assert joined["camera"].tolist() == ["A", "A", "B"]
    assert joined["time"].tolist() == pytest.approx([0, 1, 3600])
    counted = load_log(written(tmp_path, HEADER + "0,0.1,0.2,A,5\n", "c.csv"))
    with pytest.raises(ValueError, match=r"only seconds in c\.csv"):
        join_logs([a, counted])
    with pytest.raises(ValueError, match="at least one"):
        join_logs([])
    assert len(join_logs([counted])) == 1


def damage(raw, rng):
    """One of several ways in which a text file is damaged."""
    raw = bytearray(raw)
    place = int(rng.integers(0, len(raw)))
    kind = rng.integers(0, 7)
    if kind == 0:
        return bytes(raw[:place])
    if kind == 1:
        raw[place : place + 40] = rng.integers(0, 256, 40).astype(np.uint8).tobytes()
    elif kind == 2:
        raw = raw.replace(b",", b";", int(rng.integers(1, 50)))
    elif kind == 3:
        raw = raw.replace(b".", b",", int(rng.integers(1, 50)))
    elif kind == 4:
        del raw[place : place + int(rng.integers(1, 200))]
    elif kind == 5:
        raw[place:place] = b"\n\n,,,\n"
    else:
        raw = raw.replace(b"ra_error", b"ra_eror")
    return bytes(raw)


@pytest.mark.parametrize("seed", range(100))
def test_damaged_logs_are_refused_or_read_and_left_alone(tmp_path, seed):
    rng = np.random.default_rng(seed)
    path = tmp_path / "log.csv"
    path.write_bytes(damage((HEADER + "\n".join(rows(60, seed=seed)) + "\n").encode(), rng))
    before = hashlib.sha256(path.read_bytes()).digest()
    try:
        log = load_log(path)
    except TableError as error:
        assert "log.csv" in str(error)
        assert "expected" in str(error) or "empty" in str(error)
    else:
        assert np.all(np.isfinite(log["time"]))
        clean, _ = clean_log(log)
        assert np.all(np.isfinite(clean["ra_error"]))
    assert hashlib.sha256(path.read_bytes()).digest() == before


FOREIGN = "When;DX;DY;who;n\n2026-11-07T21:30:00;0.5;-1;A;5\n2026-11-07T21:30:01;0.25;1;A;6\n"


def answered(path, **changed):
    return {field["key"]: field["value"] for field in log_fields(path, 0.5 * u.arcsec / u.pix)} | changed


def test_a_form_knows_the_columns_and_chooses_ours(tmp_path):
    fields = {field["key"]: field for field in log_fields(DEMO / "night_log_gaps.csv")}
    assert [fields[key]["value"] for key in ("time", "ra_error", "camera")] == ["time", "ra_error", "camera"]
    assert (fields["unit"]["value"], fields["scale"]["value"]) == ("arcsec", 1.0)
    fields = {field["key"]: field for field in log_fields(written(tmp_path, FOREIGN))}
    assert fields["ra_error"]["value"] == NO_COLUMN
    assert fields["ra_error"]["choices"] == [NO_COLUMN, "When", "DX", "DY", "who", "n"]


def test_a_filled_form_reads_pixels_and_several_files(tmp_path):
    early = written(tmp_path, FOREIGN)
    late = written(tmp_path, FOREIGN.replace("21:30", "22:30"), "late.csv")
    columns = {"time": "When", "ra_error": "DX", "dec_error": "DY", "camera": "who"}
    log = read_night([late, early], answered(early, **columns, unit="pixels"))
    assert log["time"].tolist() == pytest.approx([0, 1, 3600, 3601])
    assert log["ra_error"].tolist() == [0.25, 0.125, 0.25, 0.125]
    assert log["camera"].tolist() == ["A"] * 4
    assert log["star_count"].tolist() == [-1] * 4
    assert len(read_night(early, answered(early, **columns))) == 2


def test_a_column_that_is_not_wanted_stays_out():
    path = DEMO / "night_log_gaps.csv"
    log = read_night(path, answered(path, camera=NO_COLUMN, star_count=NO_COLUMN))
    assert set(log["camera"]) == {""}
    assert set(log["star_count"]) == {-1}


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"dec_error": NO_COLUMN}, "error in declination: expected a column of your log, found \\(none\\)"),
        ({"dec_error": "ra_error"}, "expected a different column for each question, found 'ra_error' twice"),
        ({"unit": "pixels", "scale": 0.0}, "scale: expected .*above 0"),
        ({"time": "camera"}, "found 'camera' twice"),
        ({"time": "camera", "camera": NO_COLUMN}, "column 'time': expected a date such as .*, found 'B'"),
    ],
)
def test_a_wrongly_filled_form_is_refused(changed, told):
    path = DEMO / "night_log_gaps.csv"
    with pytest.raises(ValueError, match=told):
        read_night(path, answered(path, **changed))


SECONDS = 2.0 * np.arange(40)
CLOCK = (SECONDS // 3600 + 21) * 10000 + SECONDS // 60 % 60 * 100 + SECONDS % 60


def log_text(times):
    errors = np.random.default_rng(1).normal(0, 0.3, (len(times), 2))
    lines = [f"{time},{ra:.3f},{dec:.3f}\n" for time, (ra, dec) in zip(times, errors, strict=True)]
    return "time,ra_error,dec_error\n" + "".join(lines)


@pytest.mark.parametrize(
    ("times", "unit"),
    [
        ([f"{1000 * t:.0f}" for t in SECONDS], "milliseconds"),
        ([f"{1.8e12 + 1000 * t:.0f}" for t in SECONDS], "milliseconds"),
        ([f"{2461352.4 + t / 86400:.9f}" for t in SECONDS], "days"),
        ([f"{61351.9 + t / 86400:.9f}" for t in SECONDS], "days"),
        ([f"{46333.9 + t / 86400:.9f}" for t in SECONDS], "days"),
        ([f"{0.9 + t / 86400:.9f}" for t in SECONDS], "days"),
        ([f"{20 + t / 3600:.8f}" for t in SECONDS], "hours"),
        ([f"{t / 60:.6f}" for t in SECONDS], "minutes"),
        ([f"{t:06.0f}" for t in CLOCK], "hhmmss"),
        ([f"20261107{t:06.0f}" for t in CLOCK], "yyyymmddhhmmss"),
    ],
)
def test_times_that_are_no_seconds_are_asked_about(tmp_path, times, unit):
    path = written(tmp_path, log_text(times))
    with pytest.raises(TableError, match="time_unit"):
        load_log(path)
    asked = {field["key"]: field for field in log_fields(path)}["time_unit"]
    assert asked["value"] == unit and unit in asked["label"]
    for log in (load_log(path, time_unit=unit), read_night(path, answered(path))):
        assert log["time"].tolist() == pytest.approx(SECONDS, abs=0.002)
    if unit in ("milliseconds", "days"):
        with pytest.raises(TableError, match=r"column 'time': expected"):
            load_log(path, time_unit="hhmmss")


@pytest.mark.parametrize(
    ("step", "size", "unit"), [(10.0, 60, "minutes"), (0.03, 1e-3, "milliseconds"), (1800.0, 3600, "hours")]
)
@pytest.mark.parametrize("where", ["column", "rig"])
def test_steps_like_seconds_that_the_exposure_contradicts_are_asked_about(tmp_path, step, size, unit, where):
    exposure_s = 0.8 * step
    text = log_text([f"{k * step / size:.6f}" for k in range(40)])  # steps of 0.17, 30 and 0.5 look like seconds
    if where == "column":
        text = "\n".join(line + (f",{exposure_s:g}" if k else ",Exposure") for k, line in enumerate(text.splitlines()))
    path, rig = written(tmp_path, text), exposure_s * u.s if where == "rig" else None
    with pytest.raises(TableError, match=f"an exposure takes .*time_unit='{unit}'"):
        load_log(path, exposure=rig)
    asked = {field["key"]: field for field in log_fields(path, exposure=rig)}["time_unit"]
    assert asked["value"] == unit and "an exposure takes" in asked["label"]
    log = read_night(path, {field["key"]: field["value"] for field in log_fields(path, exposure=rig)}, rig)
    assert log["time"].tolist() == pytest.approx(list(step * np.arange(40)), rel=1e-3, abs=1e-3 * step)
    assert clean_log(log)[1] == []


def test_what_nothing_tells_is_said(tmp_path):
    path = written(tmp_path, log_text([f"{k / 6:.6f}" for k in range(40)]))  # minutes, ten seconds apart
    assert "taken for seconds, which puts its rows 0.17 s apart" in clean_log(load_log(path))[1][-1]
    assert clean_log(load_log(path, exposure=0.15 * u.s))[1] == []
    with pytest.raises(u.UnitsError, match="exposure"):
        load_log(path, exposure=2 * u.m)
    table = Table(
        {"time": np.arange(40) * u.s, "ra_error": np.ones(40) * u.arcsec, "dec_error": np.ones(40) * u.arcsec}
    )
    table.write(tmp_path / "log.ecsv")
    assert clean_log(load_log(tmp_path / "log.ecsv"))[1] == []


@pytest.mark.parametrize("rows", [6, 40, 400])
def test_times_that_go_back_and_forth_are_refused(tmp_path, rows):
    with pytest.raises(TableError, match=r"log\.csv: column 'time': expected times in order"):
        load_log(written(tmp_path, log_text([str(k % 2) for k in range(rows)])))
    mixed = np.random.default_rng(rows).permutation(rows)
    with pytest.raises(TableError, match="that go back, first after data row"):
        load_log(written(tmp_path, log_text([str(k) for k in mixed])))


def test_order_runs_and_preamble(tmp_path):
    lines = log_text(SECONDS).splitlines()
    turned = load_log(written(tmp_path, "\n".join([lines[0], *reversed(lines[1:])])))
    assert turned["time"].tolist() == pytest.approx(SECONDS)
    assert "turned round" in clean_log(turned)[1][0]
    text = "A night of guiding\nscale = 1.2\n" + "\n".join([*lines[:21], "the field was moved", lines[0], *lines[21:]])
    path = written(tmp_path, text)
    assert [one.rows for one in runs(path)] == [20, 20]
    with pytest.raises(TableError, match="run 2: 20 rows"):
        load_log(path)
    assert len(load_log(path, run=2)) == 20


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("\n4.0,", '\n4.0,"', "data row 3"),
        ("\n4.0,", "\n4.0,1_5,", "data row 3"),
        ("\n4.0,", "\n1_4,", "data row 3, column 'time'"),
        (".", ",", "expected"),
    ],
)
def test_what_would_be_read_wrongly_is_refused(tmp_path, old, new, told):
    with pytest.raises(TableError, match=told):
        load_log(written(tmp_path, log_text(SECONDS).replace(old, new)))


def test_an_axis_that_was_lost_and_counts_beyond_reason_are_refused(tmp_path):
    lost = "\n".join(f"{t},,0.1" if k % 2 else f"{t},0.1," for k, t in enumerate(SECONDS))
    with pytest.raises(TableError, match="at least one row with both errors"):
        load_log(written(tmp_path, "time,ra_error,dec_error\n" + lost))
    with pytest.raises(TableError, match="data row 1, column 'star_count'"):
        load_log(written(tmp_path, HEADER + "0,0.1,0.2,A,1e300\n"))
