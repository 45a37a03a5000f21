"""The time column of a log in seconds; its unit is found out or asked for, never guessed in silence."""

import warnings

import astropy.units as u
import numpy as np
from astropy.table import Column
from astropy.time import Time, TimeDelta

from helpers.shared.files import TableError, first_failing, text_numbers

COUNTED = {"seconds": 1.0, "milliseconds": 1e-3, "minutes": 60.0, "hours": 3600.0, "days": 86400.0}
CLOCK, CALENDAR = "hhmmss", "yyyymmddhhmmss"
TIME_UNITS = (*COUNTED, CLOCK, CALENDAR)
# Rows of a guide log are usually so far apart [s] (common practice, no source); what lies outside is asked about.
_USUAL = (0.1, 30.0)
_POSSIBLE = (0.001, 3600.0)
# From one row to the next, in exposures, where the exposure is known: what lies outside is asked about (common
# practice, no source). A wrong unit is off by 60 at least.
_EXPOSURES_APART = (0.2, 100.0)
_CLOCK_STEPS = 0.01  # share of the rows at which a clock may go back; more often is another order of rows, or no time
_CALENDAR_RANGE = (19000101000000, 21001231235959)


def _row(wrong):
    return int(np.flatnonzero(wrong)[0]) + 1


def _usual_step(values):
    steps = np.abs(np.diff(values))
    steps = steps[steps > 0]
    return float(np.median(steps)) if steps.size else 0.0


def _clock_seconds(digits):
    """Seconds of hhmmss digits, the day carried on at midnight; None where they can't be such digits."""
    hours, minutes, seconds = digits // 10000, digits // 100 % 100, digits % 100
    if np.any((digits < 0) | (hours > 23) | (minutes > 59) | (seconds >= 61)):
        return None
    within = 3600 * hours + 60 * minutes + seconds
    return within + 86400 * np.concatenate([[0], np.cumsum(np.diff(within) < -43200)])


def _calendar_seconds(digits):
    """Seconds of yyyymmddhhmmss digits; None where they can't be such digits."""
    if np.any((digits < _CALENDAR_RANGE[0]) | (digits > _CALENDAR_RANGE[1])):
        return None
    whole = np.floor(digits)
    texts = np.char.mod("%014d", whole.astype(np.int64))
    parts = [np.array([text[start:stop] for text in texts]) for start, stop in ((0, 4), (4, 6), (6, 8))]
    try:
        days = np.array(["-".join(day) for day in zip(*parts, strict=True)], dtype="datetime64[D]")
    except ValueError:
        return None
    clock = _clock_seconds(digits % 1_000_000)
    within = None if clock is None else clock - clock // 86400 * 86400
    return None if within is None else (days - days[0]).astype(float) * 86400 + within


def _check_order(name, values):
    steps = np.diff(values)
    steps = (
        steps if np.count_nonzero(steps > 0) >= np.count_nonzero(steps < 0) else -steps
    )  # the newest may stand first
    back = np.flatnonzero(steps < 0)
    if back.size > max(1, _CLOCK_STEPS * len(values)):
        raise TableError(
            f"{name}: expected times in order, found {back.size} rows of {len(values)} that go back, first after data "
            f"row {back[0] + 1}; rows of two cameras must not take turns"
        )


def _unit_by_exposure(step, exposure_s):
    """The unit in which rows are about an exposure apart, seconds if none; and what speaks against seconds."""
    low, high = (limit * exposure_s for limit in _EXPOSURES_APART)
    apart = {unit: step * size for unit, size in COUNTED.items()}
    if low <= apart["seconds"] <= high:
        return "seconds", ""
    fitting = [unit for unit, seconds in apart.items() if low <= seconds <= high]
    nearest = min(fitting, key=lambda unit: abs(np.log(apart[unit] / exposure_s)), default="seconds")
    return nearest, f"your rows seem to be {step:.2g} apart, and an exposure takes {exposure_s:.3g} s"


def _likely_unit(values, exposure_s=None):
    """What unit plain numbers for times seem to be in.

    Parameters
    ----------
    values : array, shape (n,)
    exposure_s : float, optional
        Of the guide camera, in seconds, where it is known.

    Returns
    -------
    unit : str
        One of `TIME_UNITS`.
    reason : str
        "" where there is no doubt about seconds; else what was seen.
    """
    step, first = _usual_step(values), float(np.median(values))
    if len(values) < 3 or step == 0:
        return "seconds", ""
    apart = f"your rows seem to be {step:.2g} apart"
    if _CALENDAR_RANGE[0] <= first <= _CALENDAR_RANGE[1] and _calendar_seconds(values) is not None:
        return CALENDAR, f"your times look like a date in digits, such as {values[0]:.0f}"
    if (2.4e6 <= first <= 2.5e6 or 3e4 <= first <= 8e4) and step < 0.05:
        return "days", f"your times begin at {values[0]:.6g} and {apart}"
    if np.max(values) >= 100 and np.ptp(values) >= 41 and len(values) >= 5 and _clock_seconds(values) is not None:
        return CLOCK, f"no time lies between 60 and 100 of any hundred, as in {values[0]:06.0f}"
    if exposure_s is not None:
        return _unit_by_exposure(step, exposure_s)
    if _USUAL[0] <= step <= _USUAL[1]:
        return "seconds", ""
    fitting = [unit for unit, size in COUNTED.items() if 0.2 <= step * size <= 20]
    return (fitting[0] if fitting else "seconds"), apart


def _counted(name, values, unit, exposure_s):
    """Seconds of numbers in a unit that was told, or that there is no doubt about."""
    _check_order(name, values)
    found, reason = _likely_unit(values, exposure_s)
    if unit is None:
        if reason:
            raise TableError(
                f"{name}: expected seconds or dates; {reason}: {found}? Say so by time_unit={found!r}, or in the form"
                + (", or correct the exposure" if "an exposure takes" in reason else "")
            )
        unit = "seconds"
    convert = {CLOCK: _clock_seconds, CALENDAR: _calendar_seconds}.get(unit)
    seconds = values * COUNTED[unit] if convert is None else convert(values)
    if seconds is None:
        raise TableError(f"{name}: expected digits of the form {unit}, found {values[0]:.15g}")
    step = _usual_step(seconds)
    if len(seconds) > 2 and not _POSSIBLE[0] <= step <= _POSSIBLE[1]:
        raise TableError(
            f"{name}: expected rows {_POSSIBLE[0]:g} to {_POSSIBLE[1]:g} s apart, found {step:.2g} s with times "
            f"in {unit}"
        )
    return seconds


_BLOCK = 1000  # rows at a time, so that one odd date does not send a long log the slow way


def _dates(texts):
    """Dates as seconds since 1970."""
    texts = np.asarray(texts)
    if np.any(np.strings.str_len(texts) < 10):
        raise ValueError("a date has at least ten characters")
    blocks = [_dates_of_block(texts[k : k + _BLOCK]) for k in range(0, len(texts), _BLOCK)]
    return np.concatenate([np.zeros(0), *blocks])


def _dates_of_block(texts):
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # NumPy only warns of a time zone
        try:
            instants = texts.astype("datetime64[us]")
        except (ValueError, UserWarning):
            return np.asarray(Time(texts, scale="utc").unix, float)
    if np.isnat(instants).any():
        raise ValueError("not a date")
    return instants.astype(np.int64) / 1e6


def _of_texts(path, texts, unit, exposure_s):
    texts = np.strings.strip(np.asarray(texts, dtype=str))
    place = f"{path.name}: data row {{}}, column 'time'"
    empty = np.strings.str_len(texts) == 0
    if empty.any():
        raise TableError(f"{place.format(_row(empty))}: expected seconds or dates, found ''")
    first = texts[0].removesuffix("Z")
    if ":" in first and "-" not in first and len(first) < 16:  # a time of the day
        texts, unit = np.strings.replace(texts, ":", ""), CLOCK
        first = str(texts[0])
    try:
        float(first)
    except ValueError:
        zulu = np.strings.rstrip(texts, "Z")
        try:
            return _dates(zulu), True
        except (ValueError, TypeError):
            row = first_failing(_dates, zulu)
            expected = "a date such as 2026-11-07T21:30:00 in universal time"
            raise TableError(f"{place.format(row + 1)}: expected {expected}, found {str(texts[row])!r:.40}") from None
    try:
        values = text_numbers(path, texts, "time", empty=())
    except TableError as error:
        raise TableError(str(error).replace("expected a number", "expected seconds")) from None
    if not np.isfinite(values).all():
        row = _row(~np.isfinite(values))
        raise TableError(f"{place.format(row)}: expected seconds, found {str(texts[row - 1])!r:.40}")
    return _counted(f"{path.name}: column 'time'", values, unit, exposure_s), False


def _of_instants(path, column):
    """Seconds of astropy's own times."""
    name = f"{path.name}: column 'time'"
    if column.ndim != 1:
        raise TableError(f"{name}: expected one value a row, found shape {column.shape}")
    hidden = np.broadcast_to(np.asarray(getattr(column, "mask", False)), column.shape)
    if hidden.any():
        raise TableError(f"{path.name}: data row {_row(hidden)}, column 'time': expected a time, found nothing")
    if isinstance(column, TimeDelta):
        return np.asarray(column.to_value(u.s), float), False
    return np.asarray(column.unix, float), True


def seconds_of(path, column, unit=None, exposure_s=None):
    """Seconds from the first row, and the first instant as text.

    Parameters
    ----------
    path : Path
        For messages.
    column : Column, Quantity, Time or TimeDelta
    unit : str, optional
        One of `TIME_UNITS`, for plain numbers without a unit of their own.
    exposure_s : float, optional
        Of the guide camera, in seconds: plain numbers that contradict it are not taken for seconds.

    Returns
    -------
    seconds : array, shape (n,)
    start : str
        "" when the file only counts.

    Raises
    ------
    TableError
        Missing times, other types, times that go back and forth, numbers whose unit is in doubt, rows that are no
        possible distance apart.
    """
    name = f"{path.name}: column 'time'"
    if isinstance(column, (Time, TimeDelta)):
        seconds, dated = _of_instants(path, column)
    elif column.ndim != 1:
        raise TableError(f"{name}: expected one value a row, found shape {column.shape[1:]} in each")
    elif column.dtype.kind in "iuf":
        seconds, dated = _of_numbers(path, column, unit, exposure_s), False
    elif column.dtype.kind in "USO":
        hidden = np.ma.getmaskarray(column) if isinstance(column, np.ma.MaskedArray) else np.zeros(len(column), bool)
        texts = np.where(hidden, "", np.asarray(column).astype(str)) if hidden.any() else np.asarray(column).astype(str)
        seconds, dated = _of_texts(path, texts, unit, exposure_s)
    else:
        raise TableError(f"{name}: expected seconds or dates, found type {column.dtype}")
    if len(seconds) > 2 and np.ptp(seconds) == 0:
        raise TableError(f"{name}: expected times that grow, found the same in all {len(seconds)} rows")
    _check_order(name, seconds)
    start = Time(seconds[0], format="unix", scale="utc").isot if dated else ""
    return seconds - seconds[0], start


def _of_numbers(path, column, unit, exposure_s):
    values = np.ma.filled(np.ma.asarray(column, float), np.nan)
    if not np.isfinite(values).all():
        row = _row(~np.isfinite(values))
        raise TableError(f"{path.name}: data row {row}, column 'time': expected seconds, found nothing")
    name = f"{path.name}: column 'time'"
    if column.unit is None:
        return _counted(name, np.asarray(values, float), unit, exposure_s)
    try:
        seconds = u.Quantity(values, column.unit).to_value(u.s)
    except (u.UnitConversionError, TypeError, ValueError):
        raise TableError(f"{name}: expected a unit such as s, found '{column.unit}'") from None
    if _likely_unit(seconds)[0] in ("days", CALENDAR, CLOCK) and _likely_unit(seconds)[1]:
        raise TableError(f"{name}: expected times in {column.unit}; {_likely_unit(seconds)[1]}")
    return _counted(name, seconds - seconds[0], "seconds", None)


def _plain_numbers(column):
    """The values of a time column without a unit or dates of its own; None for any other."""
    if not isinstance(column, Column) or column.unit is not None or column.ndim != 1:
        return None
    try:
        values = np.array([float(cell) for cell in column[:100_000]])
    except (ValueError, TypeError):
        return None
    return values if np.isfinite(values).all() else None


def guess(column, exposure_s=None):
    """Unit of a time column for the form: "as in the file" where there is no doubt, and the reason for a doubt."""
    values = _plain_numbers(column)
    unit, reason = ("", "") if values is None else _likely_unit(values, exposure_s)
    return (unit, reason) if reason else ("", "")


def assumed(column, exposure_s=None):
    """A sentence that says so where plain numbers are taken for seconds and nothing else tells; "" elsewhere."""
    values = _plain_numbers(column)
    step = 0.0 if values is None else _usual_step(values)
    if step == 0 or exposure_s is not None:
        return ""
    return f"The file names no unit of its times; they are taken for seconds, which puts its rows {step:.2g} s apart."
