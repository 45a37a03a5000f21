"""Exercises that check themselves: not yet attempted, wrong with something to reconsider, or right."""

import html
from dataclasses import dataclass

import astropy.units as u
import numpy as np

NOT_YET, WRONG, RIGHT = "not yet", "wrong", "right"


@dataclass(frozen=True)
class Outcome:
    """State ("not yet", "wrong" or "right") and message; a workbook shows it with folded hint and solution."""

    state: str
    message: str
    hint: str = ""
    solution: str = ""

    def _repr_mimebundle_(self, include=None, exclude=None):
        mark = {NOT_YET: "… Not yet", WRONG: "✗ Not right yet", RIGHT: "✓ Right"}[self.state]
        page = f"<p><b>{mark}:</b> {html.escape(self.message)}</p>"
        for name, text in (("Hint", self.hint), ("Solution", self.solution)):
            if text:
                page += f"<details><summary>{name}</summary><p>{html.escape(text)}</p></details>"
        return {"text/html": page, "text/plain": f"{mark}: {self.message}"}


def _plain(answer, unit):
    """The answer as a float in `unit`; a ValueError or TypeError says what can't be understood."""
    if isinstance(answer, str):
        answer = u.Quantity(answer)
        if answer.unit == u.dimensionless_unscaled:
            answer = answer.value
    if isinstance(answer, u.Quantity):
        return float(answer.to_value(unit or u.dimensionless_unscaled))
    if isinstance(answer, (bool, np.bool_)):
        raise TypeError("a number is wanted")
    return float(answer)


def _close(value, target, percent, absolute):
    margin = absolute if absolute is not None else abs(target) * percent / 100
    return abs(value - target) <= margin * (1 + 1e-9)


def check_number(answer, right, unit=None, percent=None, absolute=None, reconsider=(), hint="", solution=""):
    """Check an answer that is a number.

    Parameters
    ----------
    answer : None, Ellipsis, number, str or Quantity
        None or ... means not attempted. A plain number is in `unit`; "0.6 arcsec" and ``0.6 * u.arcsec`` are
        understood.
    right : number or Quantity
        The right value, computed by the workbook.
    unit : Unit or str, optional
        The unit of the answer; none for a plain number.
    percent, absolute : float, optional
        Tolerance, one of the two; `absolute` in `unit`.
    reconsider : list of (value, str)
        Typical wrong values and what to think about again. The same tolerance holds.
    hint, solution : str
        Shown folded.

    Returns
    -------
    Outcome

    Raises
    ------
    ValueError
        Not exactly one tolerance is given.
    """
    if (percent is None) == (absolute is None):
        raise ValueError("percent, absolute: expected exactly one tolerance")
    unit = u.Unit(unit) if unit is not None else None
    in_unit = f" in {unit}" if unit is not None and unit != u.dimensionless_unscaled else ""
    if answer is None or answer is ...:
        return Outcome(NOT_YET, f"put your answer{in_unit} in place of the dots and run the cell.", hint, solution)
    try:
        value = _plain(answer, unit)
    except u.UnitConversionError:
        found = u.Quantity(answer).unit
        return Outcome(WRONG, f"this answer has the unit '{found}'; think{in_unit or ' of a plain number'}.", hint)
    except (TypeError, ValueError):
        return Outcome(WRONG, f"a number{in_unit} is wanted, such as 1.5; {answer!r:.40} can't be read as one.", hint)
    if not np.isfinite(value):
        return Outcome(WRONG, f"a finite number{in_unit} is wanted.", hint)
    if _close(value, _plain(right, unit), percent, absolute):
        return Outcome(RIGHT, f"{value:.4g}{in_unit and ' ' + str(unit)}.", "", solution)
    for wrong, message in reconsider:
        if _close(value, _plain(wrong, unit), percent, absolute):
            return Outcome(WRONG, message, hint, solution)
    larger = "too large" if value > _plain(right, unit) else "too small"
    return Outcome(WRONG, f"{value:.4g} is {larger}. Look at the hint, then try again.", hint, solution)


def check_choice(answer, right, options, reconsider=None, hint="", solution=""):
    """Check an answer that is one of several texts.

    Parameters
    ----------
    answer : None, Ellipsis or str
        The letter or key of an option; None or ... means not attempted.
    right : str
        Key of the right option.
    options : dict
        Key to text, such as ``{"a": "the air", "b": "the mount"}``.
    reconsider : dict, optional
        Key of a wrong option to what to think about again.
    hint, solution : str
        Shown folded.

    Returns
    -------
    Outcome

    Raises
    ------
    ValueError
        `right` or a key of `reconsider` is no option.
    """
    reconsider = reconsider or {}
    for key in (right, *reconsider):
        if key not in options:
            raise ValueError(f"options: expected to hold {key!r}, found {', '.join(options)}")
    listed = "; ".join(f"{key}: {text}" for key, text in options.items())
    if answer is None or answer is ...:
        return Outcome(NOT_YET, f"put one of the letters in quotes in place of the dots. {listed}.", hint, solution)
    key = str(answer).strip().lower()
    if key not in options:
        return Outcome(WRONG, f"{answer!r:.40} is none of the letters. {listed}.", hint, solution)
    if key == right:
        return Outcome(RIGHT, f"{options[key]}.", "", solution)
    return Outcome(WRONG, reconsider.get(key, f"not {options[key]}. Look at the hint, then try again."), hint, solution)
