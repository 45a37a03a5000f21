"""Damaged and odd files of which it is known what they say: it is read or refused, never read as something else."""

import bz2
import functools
import gzip
import io
import tempfile
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.table import MaskedColumn, Table
from astropy.time import Time, TimeDelta
from outcomes import NOT_FINITE, RIGHT, WRONG, Case, refusal

from helpers import rig as rigs
from helpers.camera_check.files import open_frames, sort_frames
from helpers.guide_field import load_catalogue
from helpers.multi_star import read_guide_run
from helpers.night_comparison import clean_log, load_log
from helpers.night_comparison.main_frames import frame_shapes
from helpers.rig.parts import FROM_TELESCOPE, ZERO_FOR
from helpers.starlight import view

MUST_BE_REFUSED = "must be refused"
UNKNOWN = "damage of which nobody can tell what was meant"
START = Time("2026-11-07T20:00:00")


@functools.cache
def _folder():
    return tempfile.TemporaryDirectory()  # kept until the process ends, then removed


def _case(read, kind, word, name, content, truth=UNKNOWN, **how):
    """A case that writes a file, reads it by `read`, compares with the truth and sees that the file is as it was."""

    def run():
        path = Path(_folder().name, name)
        path.write_bytes(content)
        try:
            outcome = read(path, truth, **how)
        except Exception as error:  # noqa: BLE001  any kind is a result here
            outcome = refusal(error, [path.name, "frames:"])
        if path.read_bytes() != content:
            outcome = WRONG, "the file was changed"
        path.unlink()
        return outcome

    return Case(f"{kind}: {word}", run)


def _judged(found, truth):
    """Outcome for arrays by name against the true ones; NaN is right where the truth has it."""
    if truth is UNKNOWN:
        return RIGHT, ""
    if truth is MUST_BE_REFUSED:
        return WRONG, "accepted: " + ", ".join(f"{key} {np.ravel(value)[:3]}" for key, value in found.items())
    for key, true in truth.items():
        value = np.asarray(found[key], float)
        if value.shape != np.shape(true):
            return WRONG, f"{key}: {value.shape} instead of {np.shape(true)}"
        if not np.allclose(value, true, rtol=1e-6, atol=2e-3 if key == "time" else 1e-6, equal_nan=True):
            return WRONG, f"{key}: {value.flat[:3]} instead of {np.ravel(true)[:3]}"
    return RIGHT, ""


# Error logs


def _read_log(path, truth, **how):
    log = load_log(path, **how)
    clean, notes = clean_log(log)
    columns = {name: np.asarray(log[name], float) for name in ("time", "ra_error", "dec_error", "star_count")}
    cleaned = np.column_stack([np.asarray(clean[name], float) for name in ("time", "ra_error", "dec_error")])
    if not (np.isfinite(cleaned).all() and np.isfinite(columns["time"]).all()):
        return NOT_FINITE, "in the log"
    if np.any(np.diff(cleaned[:, 0]) <= 0):
        return WRONG, "the cleaned log has two rows of an instant, or goes back"
    if isinstance(truth, dict) and "marked" in truth:  # a row that only marks something missing may be taken out
        truth = dict(truth)
        row = truth.pop("marked")
        hidden = np.isnan(columns["ra_error"][row]) or (columns["time"][row] not in cleaned[:, 0] and notes)
        truth = {key: np.delete(value, row) for key, value in truth.items()}
        columns = {key: np.delete(value, row) for key, value in columns.items()}
        if not hidden:
            return WRONG, f"row {row} was taken for a number"
    return _judged(columns, truth)


def _log_truth(rng, count=None):
    count = count or int(rng.integers(25, 80))
    step = float(rng.choice([0.5, 1.0, 2.0, 3.0]))
    errors = np.round(rng.normal(0, 0.4, (2, count)), 3)
    return {
        "time": np.arange(count) * step,
        "ra_error": errors[0],
        "dec_error": errors[1],
        "star_count": rng.integers(1, 9, count).astype(float),
    }


def _log_cells(truth):
    """Columns of texts, as an ordinary log has them."""
    return {
        "time": [f"{value:g}" for value in truth["time"]],
        "ra_error": [f"{value:.3f}" for value in truth["ra_error"]],
        "dec_error": [f"{value:.3f}" for value in truth["dec_error"]],
        "camera": ["A"] * len(truth["time"]),
        "star_count": [f"{value:.0f}" for value in truth["star_count"]],
    }


def _text(cells, mark=",", end="\n"):
    return end.join([mark.join(cells), *(mark.join(row) for row in zip(*cells.values(), strict=True))]) + end


def _digits(instant, form):
    return instant.to_datetime().strftime(form)


def _odd_times(truth):
    """Times of a log written in other ways; all say the same instants."""
    time = truth["time"]
    instants = START + time * u.s
    return {
        "hours": [f"{value / 3600:.8f}" for value in time],
        "minutes": [f"{value / 60:.7f}" for value in time],
        "days": [f"{value / 86400:.10f}" for value in time],
        "milliseconds": [f"{1000 * value:.0f}" for value in time],
        "Julian days": [f"{value:.9f}" for value in instants.jd],
        "modified Julian days": [f"{value:.10f}" for value in instants.mjd],
        "days of a spreadsheet": [f"{value - 15018:.10f}" for value in instants.mjd],
        "fraction of a day": [f"{value % 1:.10f}" for value in instants.mjd],
        "seconds of 1970": [f"{value:.3f}" for value in instants.unix],
        "milliseconds of 1970": [f"{1000 * value:.0f}" for value in instants.unix],
        "microseconds": [f"{1e6 * value:.0f}" for value in time],
        "hhmmss": [_digits(instant, "%H%M%S") for instant in instants],
        "yyyymmddhhmmss": [_digits(instant, "%Y%m%d%H%M%S") for instant in instants],
        "dates": list(instants.isot),
        "dates with a blank": [text.replace("T", " ") for text in instants.isot],
        "dates with Z": [text + "Z" for text in instants.isot],
        "dates of another zone": [text + "+02:00" for text in instants.isot],
        "day first": [_digits(instant, "%d.%m.%Y %H:%M:%S.%f") for instant in instants],
        "month first": [_digits(instant, "%m/%d/%Y %H:%M:%S.%f") for instant in instants],
        "clock": [_digits(instant, "%H:%M:%S.%f") for instant in instants],
        "seconds with a unit": [f"{value:g} s" for value in time],
        "from 500 s on": [f"{value + 500:g}" for value in time],
    }


_MARKS = ("-999", "-999.0", "9999", "99.99", "-99", "1e30", "32767", "-32768", "1e300", "-1e300")
_ODD_CELLS = {
    "1_5": MUST_BE_REFUSED,
    "1,5": MUST_BE_REFUSED,
    "0x1A": MUST_BE_REFUSED,
    "1.5.2": MUST_BE_REFUSED,
    "True": MUST_BE_REFUSED,
    "1e400": MUST_BE_REFUSED,
    "inf": MUST_BE_REFUSED,
    "-inf": MUST_BE_REFUSED,
    "Infinity": MUST_BE_REFUSED,
    "1.5 arcsec": MUST_BE_REFUSED,
    "1 5": MUST_BE_REFUSED,
    "1'500": MUST_BE_REFUSED,
    "\u00bd": MUST_BE_REFUSED,
    "\u22121.5": -1.5,
    "\u0661.5": 1.5,
    "+1.5": 1.5,
    "1.5e-1": 0.15,
    "1.5d-1": 0.15,
    " 1.5 ": 1.5,
    "'1.5'": MUST_BE_REFUSED,
    "\u00a01.5": 1.5,
    "1.5\u2009": 1.5,
    "": np.nan,
    "nan": np.nan,
    "NaN": np.nan,
    "null": np.nan,
    "--": np.nan,
    "N/A": np.nan,
    "#REF!": MUST_BE_REFUSED,
    "1.5%": MUST_BE_REFUSED,
    "<img src=x onerror=alert(1)>": MUST_BE_REFUSED,
    "=1+1": MUST_BE_REFUSED,
    "1j": MUST_BE_REFUSED,
    "1e": MUST_BE_REFUSED,
    "lost": MUST_BE_REFUSED,
    "&#49;.5": MUST_BE_REFUSED,
    "\u0000": MUST_BE_REFUSED,
    "1.5f": MUST_BE_REFUSED,
}


def _text_logs(rng):
    """CSV, TSV and their kin: odd cells, marks, quotes, times, heads, orders."""
    make = functools.partial(_case, _read_log, "log")
    for mark in (",", ";", "\t", "|"):
        for end in ("\n", "\r\n", "\r"):
            truth = _log_truth(rng)
            yield make(f"mark {mark!r} end {end!r}", "log.txt", _text(_log_cells(truth), mark, end).encode(), truth)
            yield make(
                f"mark {mark!r} byte order mark",
                "log.tsv",
                b"\xef\xbb\xbf" + _text(_log_cells(truth), mark).encode(),
                truth,
            )
    for mark in (",", ";", "\t"):
        truth = _log_truth(rng)
        cells = _log_cells(truth)
        for key in ("ra_error", "dec_error"):
            cells[key] = [text.replace(".", ",") for text in cells[key]]
        yield make(f"decimal commas, mark {mark!r}", "log.csv", _text(cells, mark).encode(), truth)
        few = {key: cells[key] for key in ("time", "ra_error", "dec_error")}
        yield make(
            f"decimal commas, few columns, mark {mark!r}",
            "log.csv",
            _text(few, mark).encode(),
            truth | {"star_count": np.full(len(few["time"]), -1.0)},
        )
    truth = _log_truth(rng)
    for encoding in ("utf-16", "utf-32", "utf-16-le", "cp500"):
        yield make(f"in {encoding}", "log.csv", _text(_log_cells(truth)).encode(encoding), truth)
    for repeat in range(3):
        truth = _log_truth(rng)
        for word, texts in _odd_times(truth).items():
            # digits of the clock have whole seconds only
            told = truth | ({"time": np.floor(truth["time"])} if word.endswith("hhmmss") else {})
            content = _text(_log_cells(truth) | {"time": texts}).encode()
            yield make(f"times as {word} {repeat}", "log.csv", content, told)
        for word, texts in _odd_times(_log_truth(rng, 40)).items():  # one cell in another notation than the rest
            cells = _log_cells(truth)
            row = int(rng.integers(1, len(cells["time"])))
            cells["time"][row] = texts[20]
            allowed = word in ("seconds with a unit",)
            yield make(
                f"one time as {word} {repeat}",
                "log.csv",
                _text(cells).encode(),
                MUST_BE_REFUSED if allowed else UNKNOWN,
            )
    for column in ("time", "ra_error", "dec_error", "star_count"):
        for text, means in _ODD_CELLS.items():
            truth = {key: value.copy() for key, value in _log_truth(rng).items()}
            cells = _log_cells(truth)
            row = int(rng.integers(0, len(cells[column])))
            cells[column][row] = text
            if means is not MUST_BE_REFUSED:
                truth[column][row] = -1 if column == "star_count" and np.isnan(means) else means
                if column == "time":
                    truth = UNKNOWN if np.isfinite(means) else MUST_BE_REFUSED
                elif column == "star_count" and not float(means if np.isfinite(means) else 0).is_integer():
                    truth = MUST_BE_REFUSED
            else:
                truth = MUST_BE_REFUSED
            yield make(f"{column} cell {text!r}", "log.csv", _text(cells, ";").encode(), truth)
    for text in _MARKS:
        for column in ("ra_error", "dec_error"):
            truth = _log_truth(rng)
            cells = _log_cells(truth)
            row = int(rng.integers(1, len(cells["time"]) - 1))
            cells[column][row] = text
            yield make(f"{column} marked {text}", "log.csv", _text(cells).encode(), truth | {"marked": row})
    for text in ("1e300", "1e19", "-1", "2.5", "99999999999999999999", "123456789", "-32768", "nan%", "True"):
        truth = _log_truth(rng)
        cells = _log_cells(truth)
        cells["star_count"][3] = text
        yield make(f"star count {text}", "log.csv", _text(cells).encode(), MUST_BE_REFUSED)
    yield from _quoted_logs(rng, make)
    yield from _shapes_of_logs(rng, make)


def _quoted_logs(rng, make):
    for repeat in range(4):
        truth = _log_truth(rng)
        count = len(truth["time"])
        row, other = sorted(rng.choice(np.arange(1, count - 1), 2, replace=False))
        for word, put in {
            "one opens": lambda text: '"' + text,
            "one closes": lambda text: text + '"',
            "inside": lambda text: text[:1] + '"' + text[1:],
            "both": lambda text: f'"{text}"',
            "doubled": lambda text: f'""{text}""',
            "with the mark": lambda text: f'"{text},{text}"',
            "with a line end": lambda text: f'"{text}\n{text}"',
        }.items():
            for column in ("camera", "ra_error", "time"):
                cells = _log_cells(truth)
                cells[column][row] = put(cells[column][row])
                told = truth if column == "camera" or word == "both" else UNKNOWN
                yield make(f"quotes {word} {column} {repeat}", "log.csv", _text(cells).encode(), told)
                cells[column][other] = put(cells[column][other])
                yield make(f"quotes twice {word} {column} {repeat}", "log.csv", _text(cells).encode(), told)


def _shapes_of_logs(rng, make):
    """Orders, repeats, lost axes, heads, preambles, runs, comments, sizes."""
    truth = _log_truth(rng)
    cells, count = _log_cells(truth), len(truth["time"])
    lines = _text(cells).splitlines()

    def text(*parts):
        return (
            "\n".join([line for part in parts for line in ([part] if isinstance(part, str) else part)]).encode() + b"\n"
        )

    yield make("newest first", "log.csv", text(lines[0], lines[:0:-1]), truth)
    twice = {key: np.insert(value, 9, value[8]) for key, value in truth.items()}
    yield make("a row twice", "log.csv", text(lines[:10], lines[9], lines[10:]), twice)
    other = lines[9].split(",")
    other[1] = "0.777"
    changed = twice | {"ra_error": np.insert(truth["ra_error"], 9, 0.777)}
    yield make("one instant, other errors", "log.csv", text(lines[:10], ",".join(other), lines[10:]), changed)
    jumped = truth["time"].copy()
    jumped[20:] -= 5.5
    yield make(
        "clock goes back",
        "log.csv",
        _text(cells | {"time": [f"{t:g}" for t in jumped]}).encode(),
        truth | {"time": jumped},
    )
    for word, rows in {"all": slice(None), "even": slice(None, None, 2)}.items():
        for put in ("", "nan", "0"):
            lost = cells | {"ra_error": list(cells["ra_error"]), "dec_error": list(cells["dec_error"])}
            for k in range(count)[rows]:
                lost["ra_error"][k] = put
            if word == "even":
                for k in range(count)[1::2]:
                    lost["dec_error"][k] = put
            told = UNKNOWN if put == "0" else MUST_BE_REFUSED
            yield make(f"an axis lost in {word} rows as {put!r}", "log.csv", _text(lost).encode(), told)
    for word, head in {
        "upper case": lines[0].upper(),
        "blanks": lines[0].replace(",", " , "),
        "repeated": lines[0].replace("dec_error", "ra_error"),
        "quoted": ",".join(f'"{name}"' for name in cells),
        "missing": "",
        "empty names": ",,,,",
        "numbers": "1,2,3,4,5",
        "markup": lines[0].replace("camera", "<img src=x onerror=alert(1)>"),
        "one name missing": lines[0].removesuffix(",star_count"),
        "one name more": lines[0] + ",more",
        "swapped": "time,dec_error,ra_error,camera,star_count",
        "a comment": "# " + lines[0],
        "other names": "t,dx,dy,camera,stars",
        "units in names": "time [s],ra_error [arcsec],dec_error [arcsec],camera,star_count",
    }.items():
        told = truth if word in ("upper case", "blanks", "quoted") else UNKNOWN
        if word == "swapped":
            told = truth | {"ra_error": truth["dec_error"], "dec_error": truth["ra_error"]}
        if word in (
            "repeated",
            "missing",
            "empty names",
            "numbers",
            "one name missing",
            "one name more",
            "other names",
        ):
            told = MUST_BE_REFUSED
        yield make(f"head {word}", "log.csv", text(head, lines[1:]), told)
    half = count // 2
    for word, parts in {
        "preamble": (["Log of a night", "camera: A; exposure: 1.0 s", "12 stars, 3 used", ""], lines),
        "comments between": (lines[:10], "# dither", lines[10:20], "INFO settling done", lines[20:]),
        "empty lines": (lines[:10], "", "   ", lines[10:]),
        "note behind": (lines, "end of the night"),
        "a row of dashes": (lines[:1], "-----", lines[1:]),
        "head again": (lines[:half], lines[0], lines[half:]),
        "lines of words": (lines[:10], "guiding stopped", "guiding started", lines[10:]),
        "a row cut short": (lines[:10], lines[10][: len(lines[10]) // 2], lines[11:]),
        "a row too long": (lines[:10], lines[10] + ",9,9", lines[11:]),
        "row without commas": (lines[:10], "5", lines[11:]),
        "marks at the ends": ([line + "," for line in lines],),
    }.items():
        told = truth
        if word in ("a row cut short", "row without commas", "a row too long"):
            told = {key: np.delete(value, 9) for key, value in truth.items()}
        yield make(word, "log.csv", text(*parts), told)
        if word == "head again":
            second = {
                key: value[half - 1 :] - (value[half - 1] if key == "time" else 0) for key, value in truth.items()
            }
            yield make("second of two runs", "log.csv", text(*parts), second, run=2)
            yield make("third of two runs", "log.csv", text(*parts), MUST_BE_REFUSED, run=3)
    for word, content in {
        "empty": b"",
        "only a head": lines[0].encode(),
        "only blanks": b"   \n \n",
        "binary": bytes(range(256)) * 20,
        "a line of 1 MB": b"time,ra_error,dec_error\n" + b"1" * 10**6,
        "names without end": b"a," * 60_000 + b"a\n" + b"1," * 60_000 + b"1\n",
        "gzip bomb": _bomb(b"0,0,0\n"),
        "cut gzip": gzip.compress(_text(cells).encode())[:-20],
        "gzip of gzip": gzip.compress(gzip.compress(_text(cells).encode())),
        "XML in .csv": b"<?xml version='1.0'?><a/>",
        "head of SIMPLE": b"SIMPLE  =" + b" " * 4000,
    }.items():
        yield make(word, "log.csv", content, MUST_BE_REFUSED)
    yield make("gzip", "log.csv.gz", gzip.compress(_text(cells).encode()), truth)
    yield make(
        "scale",
        "log.csv",
        _text(cells).encode(),
        {**truth, "ra_error": 2 * truth["ra_error"], "dec_error": 2 * truth["dec_error"]},
        scale=2 * u.arcsec / u.pix,
    )


@functools.cache
def _bomb(block, size=400_000_000):
    """A gzip file of some 400 kB that unpacks to more than any reader's limit."""
    packed = io.BytesIO()
    chunk = block * (2**20 // len(block))
    with gzip.GzipFile(fileobj=packed, mode="wb", compresslevel=1, mtime=0) as file:
        for _ in range(size // len(chunk)):
            file.write(chunk)
    return packed.getvalue()


_KINDS = {"ecsv": "ascii.ecsv", "fits": "fits", "vot": "votable", "csv": "ascii.csv"}


def _written(table, ending):
    """The bytes that astropy writes for a table."""
    if ending in ("fits", "vot"):
        stream = io.BytesIO()
        table.write(stream, format=_KINDS[ending])
        return stream.getvalue()
    stream = io.StringIO()
    table.write(stream, format=_KINDS[ending])
    return stream.getvalue().encode()


def _written_if_possible(table, ending):
    """The same, or None where the format has no place for such columns."""
    try:
        return _written(table, ending)
    except Exception:  # noqa: BLE001  astropy says so in many ways
        return None


def _log_table(truth, time=None):
    table = Table({"time": truth["time"] * u.s if time is None else time})
    table["ra_error"], table["dec_error"] = truth["ra_error"] * u.arcsec, truth["dec_error"] * u.arcsec
    table["star_count"] = truth["star_count"].astype(int)
    return table


def _odd_log_tables(truth):
    """Tables of other types and units, and what they say."""
    count, instants = len(truth["time"]), START + truth["time"] * u.s

    def with_column(name, values):
        table = _log_table(truth)
        table[name] = values
        return table

    angle = truth["ra_error"] * u.arcsec
    for unit in ("mas", "arcmin", "deg", "rad", "uas"):
        yield f"errors in {unit}", with_column("ra_error", angle.to(unit)), truth
    for unit in ("min", "h", "d", "ms", "us"):
        yield f"time in {unit}", _log_table(truth, (truth["time"] * u.s).to(unit)), truth
    for unit in ("m", "mag", "dex", "s", "K", "arcsec / s", "arcsec2", "furlongs", "%"):
        column = MaskedColumn(truth["ra_error"], unit=u.Unit(unit, parse_strict="silent"))
        yield f"errors in {unit}", with_column("ra_error", column), MUST_BE_REFUSED
    for unit in ("m", "arcsec", "Hz"):
        yield f"time in {unit}", _log_table(truth, truth["time"] * u.Unit(unit)), MUST_BE_REFUSED
    yield "seconds that are days", _log_table(truth, instants.mjd * u.s), MUST_BE_REFUSED
    yield "hourangle as errors", with_column("ra_error", angle.to("hourangle")), truth
    yield "truth values as errors", with_column("ra_error", truth["ra_error"] > 0), MUST_BE_REFUSED
    yield "truth values as time", _log_table(truth, truth["time"] > 5), MUST_BE_REFUSED
    yield "truth values as counts", with_column("star_count", truth["star_count"] > 3), MUST_BE_REFUSED
    yield "two values a row", with_column("ra_error", np.stack([truth["ra_error"]] * 2, axis=1)), MUST_BE_REFUSED
    yield "two times a row", _log_table(truth, np.stack([truth["time"]] * 2, axis=1)), MUST_BE_REFUSED
    yield "complex errors", with_column("ra_error", truth["ra_error"] + 1j), MUST_BE_REFUSED
    yield "words as errors", with_column("ra_error", ["a"] * count), MUST_BE_REFUSED
    yield "numbers as words", with_column("ra_error", [f"{value:.3f}" for value in truth["ra_error"]]), truth
    yield "single numbers", with_column("ra_error", truth["ra_error"].astype("f4") * u.arcsec), truth
    yield "no rows", _log_table(truth)[:0], MUST_BE_REFUSED
    mask = np.arange(count) == 4
    lost = {**truth, "ra_error": np.where(mask, np.nan, truth["ra_error"])}
    yield "an error masked", with_column("ra_error", MaskedColumn(truth["ra_error"], mask=mask, unit="arcsec")), lost
    yield "a time masked", _log_table(truth, MaskedColumn(truth["time"], mask=mask, unit="s")), MUST_BE_REFUSED
    yield (
        "all masked",
        with_column("ra_error", MaskedColumn(truth["ra_error"], mask=True, unit="arcsec")),
        MUST_BE_REFUSED,
    )
    one_inf = truth["ra_error"].copy()
    one_inf[3] = np.inf
    yield "an infinite error", with_column("ra_error", one_inf * u.arcsec), MUST_BE_REFUSED
    one_nan = truth["time"].copy()
    one_nan[3] = np.nan
    yield "a time that is NaN", _log_table(truth, one_nan * u.s), MUST_BE_REFUSED
    yield "giant errors", with_column("ra_error", 1e30 * truth["ra_error"] * u.arcsec), MUST_BE_REFUSED
    yield "giant times", _log_table(truth, 1e30 * truth["time"] * u.s), MUST_BE_REFUSED
    yield "counts of 64 bit", with_column("star_count", np.full(count, 2**62)), MUST_BE_REFUSED
    yield "column twice but for the case", with_column("RA_ERROR", -truth["ra_error"] * u.arcsec), truth
    yield "dates", _log_table(truth, instants.isot), truth
    for scale in ("utc", "tai", "tdb"):
        yield f"instants in {scale}", _log_table(truth, getattr(instants, scale)), truth
    yield "time differences", _log_table(truth, TimeDelta(truth["time"] * u.s)), truth
    hidden = instants.copy()
    hidden[5] = np.ma.masked
    yield "an instant masked", _log_table(truth, hidden), MUST_BE_REFUSED
    sky = SkyCoord(truth["ra_error"] * u.deg, truth["dec_error"] * u.deg)
    for name in ("ra_error", "time", "star_count"):
        yield f"places as {name}", with_column(name, sky), MUST_BE_REFUSED
    for name in ("ra_error", "star_count"):
        yield f"instants as {name}", with_column(name, instants), MUST_BE_REFUSED
        yield f"differences as {name}", with_column(name, TimeDelta(truth["time"] * u.s)), MUST_BE_REFUSED


def _table_logs(rng):
    for ending in ("ecsv", "fits", "vot"):
        for word, table, told in _odd_log_tables(_log_truth(rng)):
            content = _written_if_possible(table, ending)
            lost = ending == "fits" and word == "errors in dex"  # FITS has no such unit: none is written
            if content is not None and not lost:
                yield _case(_read_log, f"log.{ending}", word, f"log.{ending}", content, told)
    truth = _log_truth(rng)
    text = _written(_log_table(truth), "ecsv").decode()
    for word, old, new, told in (
        (
            "integers announced",
            "ra_error, unit: arcsec, datatype: float64",
            "ra_error, unit: arcsec, datatype: int32",
            MUST_BE_REFUSED,
        ),
        (
            "truth announced",
            "ra_error, unit: arcsec, datatype: float64",
            "ra_error, unit: arcsec, datatype: bool",
            MUST_BE_REFUSED,
        ),
        ("a type of no kind", "datatype: float64", "datatype: elephant", MUST_BE_REFUSED),
        ("a name twice", "dec_error", "ra_error", MUST_BE_REFUSED),
        ("another version", "%ECSV 1.0", "%ECSV 9.0", UNKNOWN),
        ("no version", "%ECSV 1.0", "%ECSV", UNKNOWN),
        ("a tag", "# datatype:", "# datatype: !!python/object/apply:os.system [true]", MUST_BE_REFUSED),
        ("an anchor", "# datatype:", "# x: &a [1]\n# y: [*a, *a]\n# datatype:", UNKNOWN),
        ("head gone", "time ra_error", "0 0", MUST_BE_REFUSED),
        ("an open quote", "star_count\n", 'star_count\n"', MUST_BE_REFUSED),
        ("order of names", "time ra_error dec_error", "time dec_error ra_error", MUST_BE_REFUSED),
        ("unit gone", ", unit: arcsec", "", truth),
        ("a unit of none", "unit: arcsec", "unit: nothing", MUST_BE_REFUSED),
        ("a wrong mark", "# %ECSV 1.0", "# %ECSV 1.0\n# ---\n# delimiter: ','", MUST_BE_REFUSED),
    ):
        yield _case(_read_log, "log.ecsv", word, "log.ecsv", text.replace(old, new).encode(), told)
    raw = _written(_log_table(truth), "fits")
    for word, old, new, told in (
        ("rows negative", b"NAXIS2  =                   %2d", b"NAXIS2  =                  -%2d", MUST_BE_REFUSED),
        ("rows of a giant", b"NAXIS2  =                   %2d", b"NAXIS2  =         9999999999%2d", MUST_BE_REFUSED),
        ("rows of a word", b"NAXIS2  =                   %2d", b"NAXIS2  = 'many'            %2d", MUST_BE_REFUSED),
    ):
        count = len(truth["time"])
        yield _case(_read_log, "log.fits", word, "log.fits", raw.replace(old % count, new % count), told)
    for old, new in (
        (b"TFIELDS =                    4", b"TFIELDS =                    3"),
        (b"TFIELDS =                    4", b"TFIELDS =                   -4"),
        (b"TFIELDS =                    4", b"TFIELDS =                99999"),
        (b"TFORM2  = 'D", b"TFORM2  = 'K"),
        (b"TFORM2  = 'D", b"TFORM2  = 'E"),
        (b"TFORM2  = 'D", b"TFORM2  = 'Q"),
        (b"TFORM2  = 'D", b"TFORM2  = '?"),
        (b"BITPIX  =                    8", b"BITPIX  =                   16"),
        (b"PCOUNT  =                    0", b"PCOUNT  =                   -9"),
        (b"GCOUNT  =                    1", b"GCOUNT  =                    0"),
        (b"XTENSION= 'BINTABLE'", b"XTENSION= 'IMAGE   '"),
        (b"SIMPLE  =                    T", b"SIMPLE  =                    F"),
        (b"END" + b" " * 77, b"ENT" + b" " * 77),
    ):
        assert old in raw
        yield _case(
            _read_log,
            "log.fits",
            f"{new[:30]!r}",
            "log.fits",
            raw.replace(old, new),
            MUST_BE_REFUSED if new[:6] != b"SIMPLE" else UNKNOWN,
        )
    yield _case(_read_log, "log.fits", "bomb", "log.fits", _bomb(b" " * 80), MUST_BE_REFUSED)
    yield _case(
        _read_log,
        "log.fits",
        "bomb with a head",
        "log.fits",
        gzip.compress(raw[:2880]) + _bomb(b"\0" * 80),
        MUST_BE_REFUSED,
    )
    yield from _votables(_read_log, "log", _written(_log_table(truth), "vot").decode(), truth, "ra_error")


def _votables(read, kind, text, truth, column):
    """Addresses, entities and damage in XML."""
    head, _, rest = text.partition("?>")
    streams = (
        "http://127.0.0.1:9/x",
        "file:///etc/hostname",
        "ftp://127.0.0.1:9/x",
        "httpg://x",
        "data:,x",
        "\\\\server\\x",
        "x.bin",
    )
    for address in streams:
        for body in (
            f'<BINARY><STREAM href="{address}"/></BINARY>',
            f'<BINARY2><STREAM encoding="gzip" href="{address}"/></BINARY2>',
            f'<FITS><STREAM href="{address}"/></FITS>',
        ):
            start, end = text.index("<DATA>") + 6, text.index("</DATA>")
            yield _case(
                read,
                f"{kind}.vot",
                f"{body[:9]} {address}",
                f"{kind}.vot",
                (text[:start] + body + text[end:]).encode(),
                MUST_BE_REFUSED,
            )
    definitions = {
        "entity": '<!DOCTYPE v [<!ENTITY a "1">]>',
        "outside entity": '<!DOCTYPE v [<!ENTITY a SYSTEM "file:///etc/hostname">]>',
        "document type elsewhere": '<!DOCTYPE v SYSTEM "http://127.0.0.1:9/x">',
        "parameter entity": '<!DOCTYPE v [<!ENTITY % a "1">%a;]>',
        "laughs": "<!DOCTYPE v [<!ENTITY a0 'x'>"
        + "".join(f"<!ENTITY a{k} '{f'&a{k - 1};' * 10}'>" for k in range(1, 10))
        + "]>",
    }
    for word, put in definitions.items():
        for name in ("<TD>&a;</TD>", "<TD>&a9;</TD>", ""):
            changed = f"{head}?>{put}{rest}"
            first = changed.index("<TD>")
            changed = (
                changed[:first] + (name or "<TD>") + changed[changed.index("</TD>", first) + 5 if name else first + 4 :]
            )
            yield _case(read, f"{kind}.vot", f"{word} {name}", f"{kind}.vot", changed.encode(), MUST_BE_REFUSED)
    for word, old, new in (
        ("integers announced", f'datatype="double" name="{column}"', f'datatype="int" name="{column}"'),
        ("an end tag gone", "</TR>", ""),
        (
            "a cell gone",
            "</TD>",
            "</TD><TD>",
        ),
        ("a field gone", "<FIELD", "<GONE"),
        ("unknown type", 'datatype="double"', 'datatype="elephant"'),
        ("giant array", 'datatype="double"', 'datatype="double" arraysize="999999999x99999999"'),
        ("no rows", "<TR>", "<!--"),
        ("markup in a name", f'name="{column}"', 'name="&lt;img src=x onerror=alert(1)&gt;"'),
        ("cut", "</TABLEDATA>", "<"),
    ):
        yield _case(read, f"{kind}.vot", word, f"{kind}.vot", text.replace(old, new, 3).encode(), UNKNOWN)


def _cut_and_flipped(rng, read, kind, files, each):
    """Files cut short, with bytes changed, doubled, left out, or put in. What was meant is known only for cuts."""
    for name, content in files.items():
        places = rng.integers(1, len(content) - 1, 5 * each)
        for k, place in enumerate(places):
            raw, word = bytearray(content), ("cut", "bit", "bytes gone", "bytes put in", "zeros")[k % 5]
            length = int(rng.integers(1, 40))
            if word == "cut":
                raw = raw[:place]
            elif word == "bit":
                raw[place] ^= 1 << int(rng.integers(8))
            elif word == "bytes gone":
                del raw[place : place + length]
            elif word == "bytes put in":
                raw[place:place] = rng.bytes(length)
            else:
                raw[place : place + length] = bytes(length)
            yield _case(read, kind, f"{name} {word} at {place}", name, bytes(raw), UNKNOWN)


def _damaged_logs(rng):
    truth = _log_truth(rng, 30)
    files = {"log.csv": _text(_log_cells(truth)).encode()}
    files |= {f"log.{ending}": _written(_log_table(truth), ending) for ending in ("ecsv", "fits", "vot")}
    yield from _cut_and_flipped(rng, _read_log, "log", files, 14)


# Star lists


def _read_stars(path, truth, **how):
    stars = load_catalogue(path, **how)
    found = {name: np.asarray(stars[name], float) for name in ("ra", "dec", "magnitude")}
    if not all(np.isfinite(value).all() for value in found.values()):
        return NOT_FINITE, "in the star list"
    return _judged(found, truth)


def _star_truth(rng, count=30, width=1.0):
    return {
        "ra": np.round(120 + width * rng.uniform(size=count), 5),
        "dec": np.round(20 + width * rng.uniform(size=count), 5),
        "magnitude": np.round(rng.uniform(7, 15, count), 2),
    }


def _star_text(truth, **other):
    cells = {key: [f"{value:.9g}" for value in values] for key, values in truth.items()}
    return _text(cells | other).encode()


def _star_lists(rng):
    make = functools.partial(_case, _read_stars, "stars")
    for repeat in range(6):
        truth = _star_truth(rng, int(rng.integers(2, 60)), width=float(rng.choice([0.3, 2.0, 10.0])))
        for word, told, text in (
            ("degrees", truth, _star_text(truth)),
            ("hours", truth, _star_text({**truth, "ra": truth["ra"] / 15})),
            ("radians", truth, _star_text({**truth, "ra": np.radians(truth["ra"]), "dec": np.radians(truth["dec"])})),
            ("a whole turn more", MUST_BE_REFUSED, _star_text({**truth, "ra": truth["ra"] + 360})),
            ("a turn less", truth, _star_text({**truth, "ra": truth["ra"] - 360})),
            ("thousandths of a magnitude", truth, _star_text({**truth, "magnitude": 1000 * truth["magnitude"]})),
            (
                "sexagesimal",
                MUST_BE_REFUSED,
                _star_text(truth, ra=[f"08:{k:02}:30.5" for k in range(len(truth["ra"]))]),
            ),
            ("decimal commas", truth, _star_text(truth).replace(b",", b";").replace(b".", b",")),
            ("commas for all", truth, _star_text(truth).replace(b".", b",")),
            ("degrees, said so", truth, None),
            ("arcsec", MUST_BE_REFUSED, _star_text({**truth, "ra": 3600 * truth["ra"], "dec": 3600 * truth["dec"]})),
        ):
            few = len(truth["ra"]) < 10 and word in ("radians", "hours")  # two stars have no shape that could tell
            if text is None:
                yield make(f"{word} {repeat}", "stars.csv", _star_text(truth), told, ra_unit="deg")
            else:
                yield make(f"{word} {repeat}", "stars.csv", text, UNKNOWN if few else told)
    for text in _MARKS:
        truth = _star_truth(rng)
        cells = [f"{value:g}" for value in truth["magnitude"]]
        cells[7] = text
        left = {key: np.delete(value, 7) for key, value in truth.items()}
        yield make(f"magnitude {text}", "stars.csv", _star_text(truth, magnitude=cells), MUST_BE_REFUSED)
        yield make(
            f"magnitude {text} left out",
            "stars.csv",
            _star_text(truth, magnitude=cells),
            left,
            missing_magnitudes="leave out",
        )
    for column in ("ra", "dec", "magnitude"):
        for text, means in _ODD_CELLS.items():
            truth = _star_truth(rng)
            cells = [f"{value:.9g}" for value in truth[column]]
            cells[5] = text
            told = MUST_BE_REFUSED
            if means is not MUST_BE_REFUSED and np.isfinite(means):
                told = {key: value.copy() for key, value in truth.items()}
                told[column][5] = means % 360 if column == "ra" else means
            yield make(f"{column} cell {text!r}", "stars.csv", _star_text(truth, **{column: cells}), told)
    truth = _star_truth(rng)
    doubled = {key: np.concatenate([value, value]) for key, value in truth.items()}
    for apart in (0.0, 0.02, 0.05, 0.09):
        shifted = doubled | {
            "dec": np.concatenate([truth["dec"], truth["dec"] + apart / 3600]),
            "magnitude": np.concatenate([truth["magnitude"], truth["magnitude"] + 0.1]),
        }
        yield make(f"each star twice, {apart} arcsec apart", "stars.csv", _star_text(shifted), truth)
    for put in ('"8', '8"', '"', '8"9'):
        cells = [f"{value:.9g}" for value in truth["ra"]]
        cells[4] = put
        yield make(f"quotes {put}", "stars.csv", _star_text(truth, ra=cells), MUST_BE_REFUSED)
    table = Table({"ra": truth["ra"] * u.deg, "dec": truth["dec"] * u.deg, "magnitude": truth["magnitude"] * u.mag})

    def with_column(name, values):
        changed = table.copy()
        changed[name] = values
        return changed

    odd = {
        "hours with a unit": (with_column("ra", (truth["ra"] * u.deg).to("hourangle")), truth),
        "radians with a unit": (with_column("ra", (truth["ra"] * u.deg).to("rad")), truth),
        "ra in m": (with_column("ra", truth["ra"] * u.m), MUST_BE_REFUSED),
        "magnitude in Jy": (with_column("magnitude", truth["magnitude"] * u.Jy), MUST_BE_REFUSED),
        "truth values": (with_column("ra", truth["ra"] > 120.5), MUST_BE_REFUSED),
        "truth as magnitude": (with_column("magnitude", truth["ra"] > 120.5), MUST_BE_REFUSED),
        "complex": (with_column("ra", truth["ra"] + 1j), MUST_BE_REFUSED),
        "two a row": (with_column("ra", np.stack([truth["ra"]] * 2, axis=1) * u.deg), MUST_BE_REFUSED),
        "places": (with_column("ra", SkyCoord(truth["ra"] * u.deg, truth["dec"] * u.deg)), MUST_BE_REFUSED),
        "instants": (with_column("magnitude", START + truth["ra"] * u.s), MUST_BE_REFUSED),
        "masked": (
            with_column("magnitude", MaskedColumn(truth["magnitude"], mask=truth["ra"] > 120.5)),
            MUST_BE_REFUSED,
        ),
        "ra masked": (
            with_column("ra", MaskedColumn(truth["ra"], mask=truth["ra"] > 120.5, unit="deg")),
            MUST_BE_REFUSED,
        ),
        "nothing": (table[:0], MUST_BE_REFUSED),
        "beyond the pole": (with_column("dec", 80 * u.deg + truth["dec"] * u.deg), MUST_BE_REFUSED),
        "as it should be": (table, truth),
    }
    for ending in ("ecsv", "fits", "vot"):
        for word, (changed, told) in odd.items():
            content = _written_if_possible(changed, ending)
            if content is not None:
                yield _case(_read_stars, f"stars.{ending}", word, f"stars.{ending}", content, told)
    dex = _written(with_column("magnitude", MaskedColumn(truth["magnitude"], unit="dex")), "ecsv")
    yield make("dex", "stars.ecsv", dex, MUST_BE_REFUSED)
    yield from _votables(_read_stars, "stars", _written(table, "vot").decode(), truth, "ra")
    files = {"stars.csv": _star_text(truth)} | {
        f"stars.{ending}": _written(table, ending) for ending in ("ecsv", "fits", "vot")
    }
    yield from _cut_and_flipped(rng, _read_stars, "stars", files, 8)


# Rigs


def _read_rig(path, truth):
    found = rigs.load_rig(path)
    if truth is MUST_BE_REFUSED:
        return WRONG, "accepted"
    for magnitude in (9, 12):  # a rig that is taken must be of use
        if not np.isfinite(view(found).signal(magnitude).centroid_error.value):
            return NOT_FINITE, "the centroid error with this rig"
    if truth is UNKNOWN:
        return RIGHT, ""
    values = rigs.flat(found)
    for key, true in truth.items():
        if values[key] != true:
            return WRONG, f"{key}: {values[key]} instead of {true}"
    return RIGHT, ""


def _rig_texts():
    """Text of each demo rig as it is saved."""
    for name in ("club", "starter"):
        path = Path(_folder().name, f"{name}.toml")
        rigs.save_rig(rigs.demo_rig(name), path)
        yield rigs.flat(rigs.demo_rig(name)), path.read_text(encoding="utf-8")


# What may be left out: it follows from the telescope or from the kind of guide optics.
FOLLOWING = (*FROM_TELESCOPE, *(name for values in ZERO_FOR.values() for name in values))
_ODD_VALUES = (
    '"nan mm"',
    '"inf mm"',
    '"-1 mm"',
    '"0 mm"',
    '"1e300 mm"',
    '"1e-300 mm"',
    '"1e400 mm"',
    '"1_5 mm"',
    '"\u0661\u0662 mm"',
    '"5"',
    '"mm"',
    '"5 kg"',
    '"1 mm 2"',
    '""',
    "5",
    "0",
    "-5",
    "nan",
    "inf",
    "1e300",
    "1e-30",
    "true",
    "[]",
    "[1]",
    "{}",
    "{a = 1}",
    "1979-05-27",
    '"<img src=x onerror=alert(1)>"',
    '"no such thing"',
    '"1 cd"',
    '"1 / 0 mm"',
    '"()"',
    '"1 2"',
    "9" * 400,
    "9" * 4000,
    "0x10",
    '"1,5 mm"',
    '"1.5 mm; import os"',
    '"None"',
    "'''x\ny'''",
)


def _rig_files(rng):
    make = functools.partial(_case, _read_rig, "rig")
    for whole, text in _rig_texts():
        lines = text.splitlines()
        places = [k for k, line in enumerate(lines) if " = " in line and not line.startswith("from_demo")]
        for k in places:
            key = lines[k].split(" = ")[0]
            for odd in rng.choice(_ODD_VALUES, 7, replace=False):
                changed = [*lines[:k], f"{key} = {odd}", *lines[k + 1 :]]
                name_of = key == "name"
                wrong = odd in ("true", "[]", "[1]", "{}", "{a = 1}", "1979-05-27", '"nan mm"', "nan") or (
                    not name_of and odd in ('""', '"None"')
                )
                yield make(
                    f"{key} = {odd[:30]}",
                    "rig.toml",
                    "\n".join(changed).encode(),
                    MUST_BE_REFUSED
                    if wrong and not (name_of and odd[0] == '"') and not (odd == "true" and "mosaic" in key)
                    else UNKNOWN,
                )
            section = next(line for line in lines[k::-1] if line.startswith("[") or line is lines[0])
            told = whole if section == "[guide_optics]" and key in FOLLOWING else MUST_BE_REFUSED
            yield make(f"{key} gone", "rig.toml", "\n".join(lines[:k] + lines[k + 1 :]).encode(), told)
            yield make(f"{key} twice", "rig.toml", "\n".join(lines[: k + 1] + lines[k:]).encode(), MUST_BE_REFUSED)
    nested = {
        "arrays": "x = " + "[" * 5000 + "]" * 5000,
        "tables": "x = " + "{a = " * 5000 + "1" + "}" * 5000,
        "names": "[" + "a." * 20_000 + "a]",
        "arrays half": "x = " + "[" * 100_000,
    }
    for word, more in nested.items():
        for body in (more + "\n" + text, text + "\n" + more, more):
            yield make(f"nested {word}", "rig.toml", body.encode(), MUST_BE_REFUSED)
    for word, content in {
        "empty": b"",
        "binary": bytes(range(256)),
        "utf-16": text.encode("utf-16"),
        "a key more": text.encode() + b"\nmore = 1\n",
        "a section more": text.encode() + b"\n[more]\nx = 1\n",
        "2 MB": b"# " + b"x" * 2_000_000 + b"\n" + text.encode(),
        "sections in a list": text.replace("[mount]", "[[mount]]").encode(),
        "JSON": b'{"name": "x"}',
        "gzip": gzip.compress(text.encode()),
        "mount a number": text.encode().replace(b"[mount]", b"[mount_]") + b"\n",
        "only a name": b'name = "x"\n',
        "from_demo a number": b"from_demo = 5\n" + text.encode(),
        "zero bytes": text.encode() + b"\0\0",
    }.items():
        yield make(word, "rig.toml", content, MUST_BE_REFUSED)
    yield make("byte order mark", "rig.toml", b"\xef\xbb\xbf" + text.encode(), UNKNOWN)
    yield make("line ends", "rig.toml", text.replace("\n", "\r\n").encode(), rigs.flat(rigs.demo_rig("starter")))
    yield from _cut_and_flipped(rng, _read_rig, "rig", {"rig.toml": text.encode()}, 12)


# Frames


def _read_cube(path, truth):
    """A file of the camera check: its pixels, frame by frame."""
    frames = open_frames(path)
    pixels = np.asarray(frames)
    if not np.isfinite(pixels).all():
        return NOT_FINITE, "in the frames"
    return _judged({"pixels": pixels}, truth)


def _read_kinds(path, truth):
    """A file sorted by its header: kind and exposure."""
    found = sort_frames([path])
    exposures = [e.value for e, _ in [*found.darks, *found.flats] if e is not None]
    if not np.isfinite(exposures).all():
        return NOT_FINITE, "an exposure"
    return (WRONG, f"accepted with exposures {exposures}") if truth is MUST_BE_REFUSED else (RIGHT, "")


def _read_main(path, truth):
    table = frame_shapes([path])
    numbers = np.array([table[name][0] for name in ("exposure", "fwhm", "fwhm_error", "elongation")], float)
    if not np.isfinite(numbers).all():
        return NOT_FINITE, f"{numbers}"
    return (WRONG, f"accepted: {numbers}") if truth is MUST_BE_REFUSED else (RIGHT, "")


def _read_guide(path, truth):
    found = read_guide_run([path])
    numbers = [np.ravel(getattr(found, name).value) for name in ("centres", "errors")]
    if not np.isfinite(np.concatenate(numbers)).all():
        return NOT_FINITE, f"{numbers}"
    return (WRONG, "accepted") if truth is MUST_BE_REFUSED else (RIGHT, "")


def _picture(rng, shape, stars=5):
    """A picture of round stars with noise."""
    y, x = np.mgrid[: shape[-2], : shape[-1]]
    picture = rng.normal(200, 4, shape)
    for k in range(stars):
        a, b = 20 + (shape[-1] - 40) * (k + 0.5) / stars, 18 + (shape[-2] - 36) * ((3 * k) % stars) / stars
        picture += 2500 / (k + 1) * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 6)
    return picture.astype(np.uint16)


def _fits(data, checksum=False, **cards):
    stream = io.BytesIO()
    fits.PrimaryHDU(data, fits.Header(cards)).writeto(stream, checksum=checksum)
    return stream.getvalue()


def _with_card(raw, key, value):
    """FITS bytes with the card replaced, or put in, as text, be it allowed or not."""
    card = f"{key:<8}= {value:>20}"[:80].ljust(80).encode("latin-1", "replace")
    start = raw.find(f"{key:<8}=".encode())
    if 0 <= start < 2880:
        return raw[:start] + card + raw[start + 80 :]
    end = raw.index(b"END" + b" " * 77)
    assert end + 160 <= 2880, "the header has no place for one more card"
    return raw[:end] + card + raw[end : end + 80] + raw[end + 160 :]


_ODD_NUMBERS = (
    "0",
    "0.0",
    "-60.0",
    "'nan'",
    "'inf'",
    "'-inf'",
    "'1e400'",
    "1e400",
    "1E400",
    "T",
    "F",
    "'60 s'",
    "'x'",
    "''",
    "",
    "(1, 2)",
    "1e300",
    "-1e300",
    "'1_0'",
    "'\u0661'",
    "NaN",
    "99999999999999",
)
_SIZES = ("-1", "-64", "0", "1", "999999999", "99999999999999999999", "63", "65", "T", "'64'", "6.4", "1E9")


def _frame_files(rng):
    data = rng.integers(90, 1200, (48, 64)).astype(np.uint16)
    raw = _fits(data)
    truth = {"pixels": data[None].astype(float)}
    make = functools.partial(_case, _read_cube, "frame")
    for key in ("NAXIS1", "NAXIS2", "NAXIS", "BITPIX", "BZERO", "BSCALE", "BLANK"):
        for value in (
            *_SIZES,
            *(
                ("8", "-8", "32", "-32", "64", "17")
                if key == "BITPIX"
                else ("nan", "'inf'", "1e300", "-1e300")
                if key[0] == "B"
                else ()
            ),
        ):
            # 63 and 65 fill as many blocks as 64, so that nothing in the file speaks against them
            told = UNKNOWN if key[0] == "B" or value in ("63", "65") else MUST_BE_REFUSED
            yield make(
                f"{key} = {value}",
                "frame.fits",
                _with_card(raw, key, value),
                truth if (key, value) == ("BSCALE", "1") else told,
            )
    for key in ("SIMPLE", "EXTEND"):
        for value in ("F", "5", "'x'"):
            yield make(f"{key} = {value}", "frame.fits", _with_card(raw, key, value), UNKNOWN)
    kinds = ("u1", "i2", "u2", "i4", "u4", "i8", "f4", "f8")
    for kind in kinds:
        for shape in ((48, 64), (3, 16, 24)):
            cube = rng.integers(0, 120, shape).astype(kind)
            told = {"pixels": cube.reshape(-1, *shape[-2:]).astype(float)}
            for word, pack in (("", lambda raw: raw), (".gz", gzip.compress), (".bz2", bz2.compress)):
                yield make(f"{kind} {shape} {word}", f"frame.fits{word}", pack(_fits(cube)), told)
                yield make(f"{kind} {shape} {word} by another name", "frame.fits", pack(_fits(cube)), told)
                yield make(
                    f"{kind} {shape} {word} checksum", f"frame.fits{word}", pack(_fits(cube, checksum=True)), told
                )
                yield make(f"{kind} {shape} {word} cut", f"frame.fits{word}", pack(_fits(cube))[:-700], MUST_BE_REFUSED)
            changed = bytearray(_fits(cube, checksum=True))
            changed[-2880 + 11] ^= 4
            yield make(f"{kind} {shape} wrong checksum", "frame.fits", bytes(changed), MUST_BE_REFUSED)
    for put in (np.nan, np.inf, 1e300, -1e30):
        holed = data.astype(float)
        holed[5, 6] = put
        yield make(f"a pixel of {put}", "frame.fits", _fits(holed), MUST_BE_REFUSED)
    for shape in ((48,), (2, 2, 16, 24), (0,), (1, 1)):
        yield make(
            f"shape {shape}", "frame.fits", _fits(np.zeros(shape)), MUST_BE_REFUSED if len(shape) != 2 else UNKNOWN
        )
    for name, kind in (("tiles", "RICE_1"), ("gzip tiles", "GZIP_1"), ("hcompress", "HCOMPRESS_1")):
        stream = io.BytesIO()
        fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(data, compression_type=kind)]).writeto(stream)
        packed = stream.getvalue()
        yield make(name, "frame.fits.fz", packed, MUST_BE_REFUSED if name == "hcompress" else truth)
        for key in (
            "ZNAXIS1",
            "ZNAXIS2",
            "ZBITPIX",
            "ZTILE1",
            "ZTILE2",
            "NAXIS1",
            "NAXIS2",
            "PCOUNT",
            "ZCMPTYPE",
            "TFIELDS",
        ):
            start = packed.index(f"{key:<8}=".encode())
            for value in ("-1", "0", "99999999999", "'x'", "7"):
                card = f"{key:<8}= {value:>20}".ljust(80).encode()
                yield make(
                    f"{name} {key} = {value}", "frame.fits.fz", packed[:start] + card + packed[start + 80 :], UNKNOWN
                )
        yield make(f"{name} cut", "frame.fits.fz", packed[:-2000], MUST_BE_REFUSED)
    empty = _fits(None)
    stream = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(data)]).writeto(stream)
    yield make("picture in the second part", "frame.fits", stream.getvalue(), truth)
    yield make("picture in the second part, packed", "frame.fits.gz", gzip.compress(stream.getvalue()), truth)
    for word, content in {
        "no picture": empty,
        "bomb": _bomb(b" " * 80),
        "bomb behind an empty part": gzip.compress(empty) + _bomb(b"\0" * 80),
        "bomb behind a picture": gzip.compress(raw) + _bomb(b"\0" * 80),
        "bomb announced": gzip.compress(_with_card(raw, "NAXIS2", "9000000")[:2880]) + _bomb(b"\0" * 80),
        "text": b"not a picture",
        "empty": b"",
        "head without end": raw[:2880].replace(b"END", b"ENT") * 3,
        "giant head": raw[:2880].replace(b"END", b"ENT") + b"COMMENT " * 400_000,
        "a table": _written(_log_table(_log_truth(rng)), "fits"),
    }.items():
        yield make(word, "frame.fits", content, MUST_BE_REFUSED)
        yield _case(_read_guide, "guide frames", word, "guide.fits", content, MUST_BE_REFUSED)
        yield _case(_read_main, "main frame", word, "main.fits", content, MUST_BE_REFUSED)
    yield from _frame_headers(rng)
    cube = _picture(rng, (100, 56, 110), stars=2)
    guide = {
        "guide.fits": _fits(cube, PIXSCALE=1.1, GAIN=1.0, EXPTIME=0.5),
        "guide.fits.gz": gzip.compress(_fits(cube, PIXSCALE=1.1, EXPTIME=0.5)),
    }
    yield from _cut_and_flipped(rng, _read_guide, "guide frames", guide, 5)
    yield from _cut_and_flipped(
        rng, _read_cube, "frame", {"frame.fits": raw, "frame.fits.gz": gzip.compress(raw), "frame.fits.fz": packed}, 10
    )
    main = {"main.fits": _fits(_picture(rng, (80, 110)), **{"DATE-OBS": "2026-11-07T20:00:00", "EXPTIME": 60.0})}
    yield from _cut_and_flipped(rng, _read_main, "main frame", main, 4)


def _frame_headers(rng):
    """Exposure, date, scale and gain as no program should write them."""
    small = _fits(rng.integers(90, 1200, (48, 64)).astype(np.uint16), IMAGETYP="dark", EXPTIME=60.0)
    for value in _ODD_NUMBERS:
        yield _case(
            _read_kinds,
            "dark",
            f"EXPTIME = {value}",
            "dark.fits",
            _with_card(small, "EXPTIME", value),
            MUST_BE_REFUSED,
        )
    for value in ("''", "'light'", "'\u00e9'", "5", "T", "'bias'", "'<img src=x onerror=alert(1)>'"):
        yield _case(
            _read_kinds, "kind", f"IMAGETYP = {value}", "x.fits", _with_card(small, "IMAGETYP", value), MUST_BE_REFUSED
        )
    main = _fits(_picture(rng, (80, 110)), **{"DATE-OBS": "2026-11-07T20:00:00", "EXPTIME": 60.0})
    yield _case(_read_main, "main frame", "as it should be", "main.fits", main, UNKNOWN)
    for value in _ODD_NUMBERS:
        yield _case(
            _read_main,
            "main frame",
            f"EXPTIME = {value}",
            "main.fits",
            _with_card(main, "EXPTIME", value),
            MUST_BE_REFUSED,
        )
    for value in (
        "''",
        "'yesterday'",
        "'2026-13-07T20:00:00'",
        "'2026-11-07T25:00:00'",
        "5",
        "T",
        "'nan'",
        "'07.11.2026'",
        "1e300",
        "'99999-01-01'",
        "'2026-11-07T20:00:00<b>'",
    ):
        yield _case(
            _read_main,
            "main frame",
            f"DATE-OBS = {value}",
            "main.fits",
            _with_card(main, "DATE-OBS", value),
            MUST_BE_REFUSED,
        )
    guide = _fits(_picture(rng, (100, 56, 110), stars=2), PIXSCALE=1.1, GAIN=1.0, EXPTIME=0.5)
    yield _case(_read_guide, "guide frames", "as it should be", "guide.fits", guide, UNKNOWN)
    for key in ("PIXSCALE", "GAIN", "EXPTIME"):
        for value in _ODD_NUMBERS:
            yield _case(
                _read_guide,
                "guide frames",
                f"{key} = {value}",
                "guide.fits",
                _with_card(guide, key, value),
                UNKNOWN if (key, value) == ("GAIN", "") else MUST_BE_REFUSED,  # a card without value: not given
            )
    for put, kind in ((np.nan, "f4"), (np.inf, "f4"), (1e30, "f4"), (0, "u2"), (65535, "u2")):
        odd = _picture(rng, (100, 56, 110), stars=2).astype(kind)
        odd[2, 10:30, 10:30] = put
        yield _case(
            _read_guide,
            "guide frames",
            f"pixels of {put}",
            "guide.fits",
            _fits(odd, PIXSCALE=1.1, EXPTIME=0.5),
            UNKNOWN,
        )
        yield _case(
            _read_main,
            "main frame",
            f"pixels of {put}",
            "main.fits",
            _fits(odd[2], **{"DATE-OBS": "2026-11-07T20:00:00", "EXPTIME": 60.0}),
            UNKNOWN,
        )


def all_files(seed):
    """Cases of every kind, the same for the same seed."""
    for number, make in enumerate((_text_logs, _table_logs, _damaged_logs, _star_lists, _rig_files, _frame_files)):
        yield from make(np.random.default_rng([seed, number]))
