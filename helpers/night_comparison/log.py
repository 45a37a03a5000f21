"""Error logs of a night: reading them, and putting right or pointing out what a real night does to a log."""

from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.table import Column, Table, vstack
from astropy.time import Time

from helpers.night_comparison import times
from helpers.shared import files as tables
from helpers.shared.checks import as_number, choice, count, instance, optional, quantity, takes
from helpers.shared.files import runs
from helpers.shared.series import gaps

__all__ = ["NO_COLUMN", "TYPICAL_RMS", "clean_log", "join_logs", "load_log", "log_fields", "read_night", "runs"]

_ERRORS = ("ra_error", "dec_error")
NO_COLUMN = "(none)"
TYPICAL_RMS = "0.3 to 1.2"  # arcsec, of a guide log, both axes together; common practice, no source
AS_IN_FILE = "seconds or dates, as they stand"
_ASKED = {
    "time": "time, in seconds or as dates",
    "ra_error": "error in right ascension",
    "dec_error": "error in declination",
    "camera": "name of the camera, if it changed",
    "star_count": "number of stars, if the log has it",
}


_SCALE = optional(quantity(u.arcsec / u.pix, above=0, maximum=1e4, ndim=0))
_EXPOSURE = optional(quantity(u.s, minimum=1e-6, maximum=1e5, ndim=0))
_LARGEST_TIME = 1e12  # seconds
_LARGEST_ERROR = 36_000.0  # arcsec or pixels: ten degrees is no guiding error
_MOST_STARS = 100_000


def _first(wrong):
    return int(np.flatnonzero(wrong)[0]) + 1


@takes(
    columns=optional(instance(dict)),
    scale=_SCALE,
    time_unit=optional(choice(times.TIME_UNITS)),
    run=optional(count(minimum=1)),
    exposure=_EXPOSURE,
)
def load_log(path, columns=None, scale=None, time_unit=None, run=None, exposure=None):
    """Read an error log.

    Parameters
    ----------
    path : str or Path
        ECSV, CSV, FITS or VOTable with the columns time (seconds, or dates such as 2026-11-07T21:30:00), ra_error and
        dec_error, and perhaps camera and star_count. An empty error is a lost star.
    columns : dict, optional
        Our column name to the file's: ``{"ra_error": "dx"}``.
    scale : Quantity, optional
        Arcsec per pixel, when the errors are in pixels.
    time_unit : str, optional
        One of `times.TIME_UNITS`, for times that are plain numbers. Not given, they are taken for seconds; where their
        steps contradict that, the error asks.
    run : int, optional
        Which run of rows, counted from 1, where a text file has several.
    exposure : Quantity [s], optional
        Of the guide camera, to tell the unit of the times by. A column exposure of the file counts before it.

    Returns
    -------
    astropy.table.Table
        time [s from the first row], ra_error, dec_error [arcsec; NaN where the star was lost], camera (text, "" if the
        file has none), star_count (whole number, -1 if unknown). ``meta["start"]`` is the first instant, "" if unknown;
        ``meta["assumed"]`` says so where nothing told the unit of the times.

    Raises
    ------
    FileNotFoundError, helpers.shared.files.TableError
        What can't be read is named with file, row and column. Times that go back and forth are refused.
    TypeError, ValueError, astropy.units.UnitsError
        `scale` is no positive angle per pixel.
    """
    unit, factor = ("arcsec", 1.0) if scale is None else ("pix", scale.value)
    exposure_s = None if exposure is None else exposure.value.item()
    wanted = {"time": None} | dict.fromkeys(_ERRORS, unit)
    try:
        others = {"camera": None, "star_count": "", "exposure": None}
        raw = tables.read_table(path, wanted, others, columns, missing="keep", run=run)
    except tables.TableError as error:
        if "expected a unit such as arcsec, found 'pix'" in str(error):
            raise tables.TableError(f"{error}; give the scale in arcsec per pixel") from error
        raise
    path = Path(path)
    exposure_s = _exposure_in(raw) or exposure_s
    seconds, start = times.seconds_of(path, raw["time"], time_unit, exposure_s)
    assumed = "" if time_unit else times.assumed(raw["time"], exposure_s)
    meta = {"start": start, "file": path.name, "notes": [], "assumed": assumed}
    log = Table({"time": Column(seconds, unit=u.s)}, meta=meta)
    for name in _ERRORS:
        log[name] = Column(np.asarray(raw[name]) * factor, unit=u.arcsec)
    _check_errors(path.name, raw)
    log["camera"] = _cameras(path.name, raw)
    log["star_count"] = _counts(path.name, raw)
    return _oldest_first(log)


def _exposure_in(raw):
    """Usual exposure in seconds that a column of the file tells; None where there is none that can be read."""
    if "exposure" not in raw.colnames:
        return None
    column = raw["exposure"]
    try:
        values = np.array([float(cell) for cell in np.ma.filled(np.ma.asarray(column), np.nan)])
        values = u.Quantity(values, column.unit or u.s).to_value(u.s)
    except (ValueError, TypeError):
        return None
    usable = values[np.isfinite(values) & (values > 0)]
    return float(np.median(usable)) if usable.size else None


def _check_errors(name, raw):
    values = np.column_stack([np.asarray(raw[key], float) for key in _ERRORS])
    large = np.abs(values) > _LARGEST_ERROR
    if large.any():
        row, column = (int(place[0]) for place in np.nonzero(large))
        raise tables.TableError(
            f"{name}: data row {row + 1}, column '{_ERRORS[column]}': expected an error of at most "
            f"{_LARGEST_ERROR:g} {raw[_ERRORS[column]].unit}, found {values[row, column]:g}"
        )
    whole = np.isfinite(values).all(axis=1)
    if not whole.any():
        raise tables.TableError(f"{name}: expected at least one row with both errors, found none")
    commas = raw.meta.get("delimiter") == "," and len(raw) >= 5
    if commas and np.all(values[whole] == np.round(values[whole])):
        raise tables.TableError(
            f"{name}: expected errors with decimals, found whole numbers only; if commas are decimal signs in "
            "this file, "
            "write points, or separate the columns by semicolons"
        )


def _cameras(name, raw):
    if "camera" not in raw.colnames:
        return np.full(len(raw), "")
    column = raw["camera"]
    if not isinstance(column, Column) or column.ndim != 1:
        raise tables.TableError(f"{name}: column 'camera': expected one name a row, found {type(column).__name__}")
    texts = np.asarray(np.ma.filled(np.ma.asarray(column).astype(str), "") if column.dtype.kind != "O" else column, str)
    return np.strings.strip(texts)


def _counts(name, raw):
    if "star_count" not in raw.colnames:
        return np.full(len(raw), -1)
    counts = np.asarray(raw["star_count"])
    wrong = np.isfinite(counts) & ((counts < 0) | (counts != np.round(counts)) | (counts > _MOST_STARS))
    if wrong.any():
        raise tables.TableError(
            f"{name}: data row {_first(wrong)}, column 'star_count': expected a whole number of stars up to "
            f"{_MOST_STARS:,}, "
            f"found {counts[_first(wrong) - 1]:g}"
        )
    return np.where(np.isfinite(counts), counts, -1).astype(int)


def _oldest_first(log):
    """The log turned round if most of its times go back."""
    time = np.asarray(log["time"], float)
    if np.count_nonzero(np.diff(time) < 0) <= np.count_nonzero(np.diff(time) > 0):
        return log
    log = log[::-1]
    if log.meta.get("start"):
        log.meta["start"] = (Time(log.meta["start"]) + (log["time"][0] - time[0]) * u.s).isot
    log["time"] = Column(np.asarray(log["time"], float) - log["time"][0], unit=u.s)
    log.meta["notes"] = [*log.meta.get("notes", []), "The newest row stood first; the log was turned round."]
    return log


@takes(scale=_SCALE, exposure=_EXPOSURE)
def log_fields(path, scale=None, exposure=None):
    """Fields of a form that asks which column of a log is which, as `helpers.classroom.forms.form` takes them.

    Parameters
    ----------
    path : str or Path
        The log, or the first of several that are alike.
    scale : Quantity, optional
        Arcsec per pixel, offered for errors in pixels; 1 if not given.
    exposure : Quantity [s], optional
        As in `load_log`.

    Returns
    -------
    list of dict
        Columns with our names are already chosen, whatever their letter case. Where times do not look like seconds,
        the unit that they seem to be in is chosen and the label says what was seen. A file with several runs asks
        which one.

    Raises
    ------
    FileNotFoundError, helpers.shared.files.TableError
        The file can't be read.
    """
    scale = 1.0 if scale is None else scale.value
    exposure_s = None if exposure is None else exposure.value.item()
    found_runs = runs(path)
    longest = max(range(len(found_runs)), key=lambda k: found_runs[k].rows)
    names = found_runs[longest].names

    def field(key, label, value, choices=None, unit=""):
        return {"key": key, "section": "columns", "label": label, "unit": unit, "value": value, "choices": choices}

    fields = []
    for key, label in _ASKED.items():
        found = next((name for name in names if name.lower() == key), NO_COLUMN)
        fields.append(field(key, label, found, [NO_COLUMN, *names]))
    time_name = fields[0]["value"]
    unit, reason = "", ""
    if time_name != NO_COLUMN:
        raw = tables.read_table(path, {time_name: None}, {"exposure": None}, run=longest + 1)
        unit, reason = times.guess(raw[time_name], _exposure_in(raw) or exposure_s)
    label = f"times are in ({reason}: {unit}?)" if reason else "times are in"
    fields.append(field("time_unit", label, unit or AS_IN_FILE, [AS_IN_FILE, *times.TIME_UNITS]))
    if len(found_runs) > 1:
        choices = [f"{k}: {one}" for k, one in enumerate(found_runs, 1)]
        fields.append(field("run", "which run of the file", choices[longest], choices))
    fields.append(field("unit", "the errors are in", "arcsec", ["arcsec", "pixels"]))
    fields.append(field("scale", "scale, needed for errors in pixels only", round(scale, 4), unit="arcsec/pixel"))
    return fields


def _as_answers(name, answers):
    """The answers of the form of `log_fields`; a rule for `takes`."""
    wanted = {*_ASKED, "unit", "scale"}
    if not isinstance(answers, dict) or not wanted <= set(answers):
        raise ValueError(f"{name}: expected a dict with {', '.join(sorted(wanted))}, found {answers!r:.60}")
    for key in (*_ASKED, "unit", *({"time_unit", "run"} & set(answers))):
        if not isinstance(answers[key], str):
            raise TypeError(f"{name}: expected a text for {key}, found {answers[key]!r:.60}")
    if answers["unit"] == "pixels":
        as_number(f"{name}, scale", answers["scale"], above=0, maximum=1e4)
    if "run" in answers and not answers["run"].partition(":")[0].isdecimal():
        raise ValueError(f"{name}: expected a run such as '1: 200 rows', found {answers['run']!r:.60}")
    return answers


@takes(answers=_as_answers, exposure=_EXPOSURE)
def read_night(paths, answers, exposure=None):
    """Read one log, or several of one night, as the form of `log_fields` was filled.

    Parameters
    ----------
    paths : str, Path, or list of them
    answers : dict
        Column for each of time, ra_error, dec_error, camera and star_count (`NO_COLUMN` where there is none); ``unit``,
        "arcsec" or "pixels"; ``scale``, in arcsec per pixel; where the form asked, ``time_unit`` and ``run``.
    exposure : Quantity [s], optional
        As in `load_log`.

    Returns
    -------
    astropy.table.Table
        As from `load_log` and `join_logs`.

    Raises
    ------
    ValueError
        No column for time or an error, one column twice, or a scale that is not above 0.
    FileNotFoundError, helpers.shared.files.TableError
        As from `load_log`.
    """
    columns = {key: answers[key] for key in _ASKED if answers[key] != NO_COLUMN}
    for key in ("time", *_ERRORS):
        if key not in columns:
            raise ValueError(f"{_ASKED[key]}: expected a column of your log, found {NO_COLUMN}")
    chosen = list(columns.values())
    for name in chosen:
        if chosen.count(name) > 1:
            raise ValueError(f"columns: expected a different column for each question, found '{name}' twice")
    scale = answers["scale"] * u.arcsec / u.pix if answers["unit"] == "pixels" else None
    time_unit = answers.get("time_unit", AS_IN_FILE)
    time_unit = None if time_unit == AS_IN_FILE else time_unit
    run = int(answers["run"].partition(":")[0]) if "run" in answers else None
    logs = []
    for path in [paths] if isinstance(paths, (str, Path)) else paths:
        log = load_log(path, columns, scale, time_unit, run, exposure)
        # A column that the reader does not want must not come in by its name.
        if "camera" not in columns:
            log["camera"] = [""] * len(log)
        if "star_count" not in columns:
            log["star_count"] = -1
        logs.append(log)
    return join_logs(logs)


def _errors(log):
    """Both errors as a plain array, shape (rows, 2), in arcsec."""
    return np.column_stack([np.asarray(log[name], float) for name in _ERRORS])


def _as_logs(name, logs):
    """Tables of logs, one or several; a rule for `takes`."""
    if not isinstance(logs, (Table, list, tuple)):
        raise TypeError(f"{name}: expected tables from load_log, found {type(logs).__name__}")
    logs = [logs] if isinstance(logs, Table) else list(logs)
    if not all(isinstance(log, Table) for log in logs):
        raise TypeError(f"{name}: expected tables from load_log")
    if not logs:
        raise ValueError(f"{name}: expected at least one log, found none")
    for log in logs:
        as_log(name, log)
    unknown = [log.meta.get("file", "a log") for log in logs if not log.meta.get("start")]
    if len(logs) > 1 and unknown:
        raise ValueError(
            f"{name}: expected dates, so that logs can be put in order, found only seconds in {unknown[0]}"
        )
    return logs


def as_log(name, log):
    """A log with rows of plain numbers; NaN where an error is missing. A rule for `takes`."""
    if not isinstance(log, Table) or not {"time", *_ERRORS} <= set(log.colnames) or len(log) == 0:
        raise ValueError(f"{name}: expected a table with rows and with the columns time, ra_error and dec_error")
    for key, largest in (("time", _LARGEST_TIME), ("ra_error", _LARGEST_ERROR), ("dec_error", _LARGEST_ERROR)):
        kind = getattr(log[key], "dtype", np.dtype(object)).kind
        if kind not in "iuf" or log[key].ndim != 1 or np.ma.is_masked(log[key]):
            raise ValueError(f"{name}: column '{key}': expected one number a row, found type {type(log[key]).__name__}")
        values = np.asarray(log[key], float)
        wrong = np.abs(values) > largest
        if wrong.any():
            raise ValueError(
                f"{name}: data row {_first(wrong)}, column '{key}': expected at most {largest:g}, "
                f"found {values[_first(wrong) - 1]:g}"
            )
    if not np.isfinite(np.asarray(log["time"], float)).all():
        row = _first(~np.isfinite(np.asarray(log["time"], float)))
        raise ValueError(f"{name}: data row {row}, column 'time': expected seconds, found nothing")
    try:
        Time(log.meta.get("start") or "2000-01-01")
    except ValueError as error:
        raise ValueError(f"{name}: expected a date as its start, found {log.meta['start']!r:.60}") from error
    return log


@takes(logs=_as_logs)
def join_logs(logs):
    """Put several logs of one night in a row, in order of their first instants.

    Parameters
    ----------
    logs : list of Table
        From `load_log`, each with a known first instant (more than one), so that they can be put in order.

    Returns
    -------
    Table

    Raises
    ------
    ValueError
        No log, or one that only counts seconds.
    """
    if len(logs) == 1:
        return logs[0].copy()
    logs = sorted(logs, key=lambda log: Time(log.meta["start"]))
    first = Time(logs[0].meta["start"])
    moved = []
    for log in logs:
        log = log.copy()
        log["time"] += (Time(log.meta["start"]) - first).to_value(u.s)
        moved.append(log)
    joined = vstack(moved, metadata_conflicts="silent")
    joined.meta = dict(logs[0].meta)
    return joined


@takes(
    log=as_log,
    settle=quantity(u.s, minimum=0, maximum=86_400, ndim=0),
    jump=quantity(u.arcsec, above=0, maximum=_LARGEST_ERROR, ndim=0),
)
def clean_log(log, settle=30 * u.s, jump=5 * u.arcsec):
    """Take out of a log what is no guiding error, and say what was taken out.

    Parameters
    ----------
    log : Table
        From `load_log` or `join_logs`.
    settle : Quantity
        Left out after a move of the field (a dither, a new target).
    jump : Quantity
        An error this much larger than the spread of the night counts as a move of the field.

    Returns
    -------
    clean : Table
        In order of time, one row an instant (the first of several), no lost stars, no settling.
    notes : list of str
        One sentence for each kind of thing met: clock steps, duplicates, lost stars, gaps, settling.
    """
    clean = _oldest_first(log)
    notes = list(clean.meta.get("notes", []))
    clean = _without_repeats(clean, notes)
    clean = _clock_put_right(clean, notes)
    clean = _one_row_an_instant(clean, notes)
    clean = _without_lost(clean, notes)
    clean = _without_settling(clean, settle.value, jump.value, notes)
    if len(clean) == 0:
        raise ValueError("log: expected rows that are left after lost stars and settling, found none")
    count, longest = gaps(np.asarray(clean["time"], float))
    if count:
        notes.append(
            f"There are {count} gap(s), the longest of {longest:.0f} s; rows "
            "on either side "
            "are not taken to be neighbours."
        )
    if clean.meta.get("assumed"):
        notes.append(clean.meta["assumed"])
    return clean, notes


def _without_repeats(log, notes):
    rows = np.column_stack([log["time"], np.nan_to_num(_errors(log), nan=1e9)])
    _, first = np.unique(rows, axis=0, return_index=True)
    if first.size < len(log):
        notes.append(f"{len(log) - first.size} row(s) stand in the log twice; one of each was kept.")
        log = log[np.sort(first)]
    return log


def _clock_put_right(log, notes):
    """Where the clock went back, the times from there on are moved to follow at the usual distance."""
    time = np.array(log["time"], float)
    steps = np.diff(time)
    backward = np.flatnonzero(steps < 0)
    if backward.size:
        notes.append(
            f"The clock went back {backward.size} time(s), first after row {backward[0] + 1} by "
            f"{-steps[backward[0]]:.1f} s; from there on the times were moved forward."
        )
        steps[backward] = np.median(steps[steps > 0]) if np.any(steps > 0) else 0.0
        log = log.copy()
        log["time"] = Column(time[0] + np.concatenate([[0.0], np.cumsum(steps)]), unit=u.s)
    return log


def _one_row_an_instant(log, notes):
    time = np.asarray(log["time"], float)
    kept = np.concatenate([[True], np.diff(time) > 0])
    if not kept.all():
        notes.append(
            f"{np.count_nonzero(~kept)} row(s) have the time of the row before them but other errors; the first "
            "was kept."
        )
        log = log[kept]
    return log


def _without_lost(log, notes):
    lost = ~np.isfinite(_errors(log)).all(axis=1)
    if lost.any():
        notes.append(
            f"The star was lost in {lost.sum()} of {lost.size} rows ({100 * lost.mean():.1f} %); they are left out."
        )
        log = log[~lost]
    return log


def _without_settling(log, settle, jump, notes):
    if len(log) == 0:
        return log
    errors, time = _errors(log), np.asarray(log["time"], float)
    size = np.hypot(*(errors - np.median(errors, axis=0)).T)
    limit = jump + np.median(size)
    starts = time[size > limit]
    if starts.size:
        last = np.searchsorted(starts, time, side="right") - 1  # the latest move at or before each row
        settling = (last >= 0) & (time < starts[np.maximum(last, 0)] + settle)
        settling |= size > limit
        events = 1 + np.count_nonzero(np.diff(starts) > settle)
        notes.append(
            f"The field moved {events} time(s) (errors above {limit:.1f} arcsec); {settling.sum()} rows until "
            "it had settled "
            "are left out."
        )
        log = log[~settling]
    return log
