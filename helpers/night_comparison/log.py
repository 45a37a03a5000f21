"""Error logs of a night: reading them, and putting right or pointing out what a real night does to a log."""

from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.table import Column, Table, vstack
from astropy.time import Time

from helpers.shared import files as tables
from helpers.shared.checks import as_quantity

_ERRORS = ("ra_error", "dec_error")
NO_COLUMN = "(none)"
_ASKED = {
    "time": "time, in seconds or as dates",
    "ra_error": "error in right ascension",
    "dec_error": "error in declination",
    "camera": "name of the camera, if it changed",
    "star_count": "number of stars, if the log has it",
}


def _seconds(path, column):
    """Seconds from the first row, and the first instant as text ("" when the file only counts seconds)."""
    if isinstance(column, Time):
        return (column - column[0]).to_value(u.s), column[0].isot
    name = f"{path.name}: column 'time'"
    if column.dtype.kind in "iuf":
        try:
            seconds = u.Quantity(np.ma.filled(np.ma.asarray(column, float), np.nan), column.unit or u.s).to_value(u.s)
        except u.UnitConversionError:
            raise tables.TableError(f"{name}: expected a unit such as s, found '{column.unit}'") from None
        wrong = ~np.isfinite(seconds)
        if wrong.any():
            raise tables.TableError(
                f"{path.name}: data row {_first(wrong)}, column 'time': expected seconds, found nothing"
            )
        return seconds, ""
    if column.dtype.kind not in "USO":
        raise tables.TableError(f"{name}: expected seconds or dates, found type {column.dtype}")
    texts = ["" if np.ma.is_masked(cell) else str(cell).strip() for cell in column]
    counted = _try_all(float, texts)
    if counted is not None and np.all(np.isfinite(counted)):
        return np.array(counted), ""
    if _try_all(float, texts[:1]) is not None:
        wrong = np.array([not np.all(np.isfinite(_try_all(float, [text]) or [np.nan])) for text in texts])
        found, wanted = texts[_first(wrong) - 1], "seconds"
    else:
        instants = _try_all(lambda several: Time(several, scale="utc"), [texts])
        if instants is not None:
            return _seconds(path, instants[0])
        wrong = np.array([_try_all(lambda text: Time(text, scale="utc"), [text]) is None for text in texts])
        found, wanted = texts[_first(wrong) - 1], "a date such as 2026-11-07T21:30:00"
    raise tables.TableError(
        f"{path.name}: data row {_first(wrong)}, column 'time': expected {wanted}, found {found!r:.40}"
    )


def _try_all(convert, values):
    try:
        return [convert(value) for value in values]
    except (ValueError, TypeError):
        return None


def _first(wrong):
    return int(np.flatnonzero(wrong)[0]) + 1


def load_log(path, columns=None, scale=None):
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

    Returns
    -------
    astropy.table.Table
        time [s from the first row], ra_error, dec_error [arcsec; NaN where the star was lost], camera (text, "" if the
        file has none), star_count (whole number, -1 if unknown). ``meta["start"]`` is the first instant, "" if unknown.

    Raises
    ------
    FileNotFoundError, helpers.shared.files.TableError
        What can't be read is named with file, row and column.
    TypeError, ValueError, astropy.units.UnitsError
        `scale` is no positive angle per pixel.
    """
    unit, factor = "arcsec", 1.0
    if scale is not None:
        unit, factor = "pix", as_quantity("scale", scale, "arcsec / pix", above=0, ndim=0).value
    wanted = {"time": None} | dict.fromkeys(_ERRORS, unit)
    try:
        raw = tables.read_table(path, wanted, {"camera": None, "star_count": ""}, columns, missing="keep")
    except tables.TableError as error:
        if "expected a unit such as arcsec, found 'pix'" in str(error):
            raise tables.TableError(f"{error}; give the scale in arcsec per pixel") from error
        raise
    path = Path(path)
    seconds, start = _seconds(path, raw["time"])
    log = Table({"time": Column(seconds, unit=u.s)}, meta={"start": start, "file": path.name})
    for name in _ERRORS:
        log[name] = Column(np.asarray(raw[name]) * factor, unit=u.arcsec)
    log["camera"] = [str(name).strip() for name in raw["camera"]] if "camera" in raw.colnames else [""] * len(raw)
    counts = np.asarray(raw["star_count"]) if "star_count" in raw.colnames else np.full(len(raw), np.nan)
    wrong = np.isfinite(counts) & ((counts < 0) | (counts != np.round(counts)))
    if wrong.any():
        found = counts[_first(wrong) - 1]
        place = f"{path.name}: data row {_first(wrong)}, column 'star_count'"
        raise tables.TableError(f"{place}: expected a whole number of stars, found {found:g}")
    log["star_count"] = np.where(np.isfinite(counts), counts, -1).astype(int)
    if not np.isfinite(_errors(log)).any():
        raise tables.TableError(f"{path.name}: expected at least one row with both errors, found none")
    return log


def log_fields(path, scale=None):
    """Fields of a form that asks which column of a log is which, as `helpers.classroom.forms.form` takes them.

    Parameters
    ----------
    path : str or Path
        The log, or the first of several that are alike.
    scale : Quantity, optional
        Arcsec per pixel, offered for errors in pixels; 1 if not given.

    Returns
    -------
    list of dict
        Columns with our names are already chosen, whatever their letter case.

    Raises
    ------
    FileNotFoundError, helpers.shared.files.TableError
        The file can't be read.
    """
    scale = 1.0 if scale is None else as_quantity("scale", scale, "arcsec / pix", above=0, ndim=0).value
    names = tables.column_names(path)

    def field(key, label, value, choices=None, unit=""):
        return {"key": key, "section": "columns", "label": label, "unit": unit, "value": value, "choices": choices}

    fields = []
    for key, label in _ASKED.items():
        found = next((name for name in names if name.lower() == key), NO_COLUMN)
        fields.append(field(key, label, found, [NO_COLUMN, *names]))
    fields.append(field("unit", "the errors are in", "arcsec", ["arcsec", "pixels"]))
    fields.append(field("scale", "scale, needed for errors in pixels only", round(scale, 4), unit="arcsec/pixel"))
    return fields


def read_night(paths, answers):
    """Read one log, or several of one night, as the form of `log_fields` was filled.

    Parameters
    ----------
    paths : str, Path, or list of them
    answers : dict
        Column for each of time, ra_error, dec_error, camera and star_count (`NO_COLUMN` where there is none); ``unit``,
        "arcsec" or "pixels"; ``scale``, a number of arcsec per pixel.

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
    logs = []
    for path in [paths] if isinstance(paths, (str, Path)) else paths:
        log = load_log(path, columns, scale)
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
    logs = list(logs)
    if not logs:
        raise ValueError("logs: expected at least one log, found none")
    unknown = [log.meta.get("file", "a log") for log in logs if not log.meta.get("start")]
    if len(logs) > 1 and unknown:
        raise ValueError(f"logs: expected dates, so that logs can be put in order, found only seconds in {unknown[0]}")
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
        In order of time, one row an instant, no lost stars, no settling.
    notes : list of str
        One sentence for each kind of thing met: clock steps, duplicates, lost stars, gaps, settling.
    """
    settle = as_quantity("settle", settle, u.s, minimum=0, ndim=0).value
    jump = as_quantity("jump", jump, u.arcsec, above=0, ndim=0).value
    notes, clean = [], log.copy()
    rows = np.column_stack([clean["time"], np.nan_to_num(_errors(clean), nan=1e9)])
    _, first = np.unique(rows, axis=0, return_index=True)
    if first.size < len(clean):
        notes.append(f"{len(clean) - first.size} row(s) stand in the log twice; one of each was kept.")
        clean = clean[np.sort(first)]

    time = np.array(clean["time"], float)
    steps = np.diff(time)
    backward = np.flatnonzero(steps < 0)
    if backward.size:
        notes.append(
            f"The clock went back {backward.size} time(s), first after row {backward[0] + 1} by "
            f"{-steps[backward[0]]:.1f} s; from there on the times were moved forward."
        )
        usual = np.median(steps[steps > 0]) if np.any(steps > 0) else 0.0
        for row in backward:
            time[row + 1 :] += usual - (time[row + 1] - time[row])
        clean["time"] = Column(time, unit=u.s)

    lost = ~np.isfinite(_errors(clean)).all(axis=1)
    if lost.any():
        notes.append(
            f"The star was lost in {lost.sum()} of {lost.size} rows ({100 * lost.mean():.1f} %); they are left out."
        )
        clean = clean[~lost]

    errors, time = _errors(clean), np.asarray(clean["time"], float)
    size = np.hypot(*(errors - np.median(errors, axis=0)).T)
    moves = np.flatnonzero(size > jump + np.median(size))
    if moves.size:
        starts = time[moves]
        settling = np.any((time[:, None] >= starts[None]) & (time[:, None] < starts[None] + settle), axis=1)
        events = 1 + np.count_nonzero(np.diff(starts) > settle)
        notes.append(
            f"The field moved {events} time(s) (errors above {jump + np.median(size):.1f} arcsec); "
            f"{settling.sum()} rows until it had settled are left out."
        )
        clean = clean[~settling]

    if len(clean) > 2:
        steps = np.diff(np.asarray(clean["time"], float))
        usual = np.median(steps)
        gaps = steps > max(5 * usual, 10.0)
        if gaps.any():
            notes.append(
                f"There are {gaps.sum()} gap(s), the longest of {steps.max():.0f} s; rows on either side are not "
                "taken to be neighbours."
            )
    return clean, notes
