"""Exercises that check themselves: not yet attempted, wrong with something to reconsider, or right.

A room's ``questions.py`` makes each `Question` from the reader's rig; `box` shows it with a field, a button and the
reply.
"""

import html
import re
from dataclasses import dataclass

import astropy.units as u
import ipywidgets as widgets
import numpy as np

from helpers.classroom import figures, memory
from helpers.classroom.text import TIGHT, folded

NOT_YET, WRONG, RIGHT = "not yet", "wrong", "right"
_MARKS = {NOT_YET: "… Not yet", WRONG: "✗ Not right yet", RIGHT: "✓ Right"}


@dataclass(frozen=True)
class Outcome:
    """State ("not yet", "wrong" or "right") and message; a workbook shows it with folded hint and solution."""

    state: str
    message: str
    hint: str = ""
    solution: str = ""

    def _repr_mimebundle_(self, include=None, exclude=None):
        mark = _MARKS[self.state]
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
    except (TypeError, ValueError, OverflowError):
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


@dataclass(frozen=True)
class Question:
    """One exercise; a number with its unit, or one of several texts.

    Parameters
    ----------
    name : str
        Room and number, such as "04.1"; no two exercises share one.
    task : str
        What is asked.
    right : number, Quantity or str
        The right number, or the right one of `options`.
    unit : Unit, optional
        Of a number; none for a plain number.
    percent, absolute : float, optional
        Tolerance of a number, one of the two; `absolute` in `unit`.
    options : tuple of str
        Of a choice; empty for a number.
    mistakes : tuple of (value, str)
        Typical wrong answers and what to think about again.
    hint, solution : str
        Opened on demand.

    Raises
    ------
    ValueError
        A choice whose `right` or mistakes are no options, a number without exactly one tolerance, a part that is
        missing.
    """

    name: str
    task: str
    right: object
    unit: u.UnitBase | None = None
    percent: float | None = None
    absolute: float | None = None
    options: tuple = ()
    mistakes: tuple = ()
    hint: str = ""
    solution: str = ""

    def __post_init__(self):
        for part in ("task", "mistakes", "hint", "solution"):
            if not getattr(self, part):
                raise ValueError(f"{part}: expected something in exercise {self.name}, found none")
        if self.options:
            for text in (self.right, *(wrong for wrong, _ in self.mistakes)):
                if text not in self.options:
                    raise ValueError(f"options: expected to hold {text!r}, found {', '.join(self.options)}")
        elif (self.percent is None) == (self.absolute is None):
            raise ValueError("percent, absolute: expected exactly one tolerance")

    def check(self, answer):
        """The Outcome of an answer as the reader gives it: a typed text, or one of the options; None if there is
        none.
        """
        if answer is None or answer is ... or not str(answer).strip():
            how = "choose one" if self.options else f"type a number, such as {self.example}"
            return Outcome(NOT_YET, f"{how}, then press Check.", self.hint, self.solution)
        if self.options:
            return self._check_option(answer)
        reading = {"percent": self.percent, "absolute": self.absolute, "reconsider": self.mistakes}
        outcomes = [
            check_number(read, self.right, self.unit, hint=self.hint, solution=self.solution, **reading)
            for read in _readings(answer)
        ]
        return next((outcome for outcome in outcomes if outcome.state == RIGHT), outcomes[0])

    def without_kernel(self):
        """What a page needs to check answers by itself: plain values, for JSON.

        Returns
        -------
        dict
            Of a choice: `replies`, state and message of every option. Of a number: `right` and `mistakes` as intervals
            in `unit`; `units`, what each unit that may be typed is worth in it (None where it is of another kind); and
            `words`, the same for what people write in large or small letters.
            These are no secrets: the solution stands on the page.
        """
        if self.options:
            replies = [self.check(option) for option in self.options]
            return {"options": list(self.options), "replies": [[_MARKS[r.state], r.message] for r in replies]}
        unit = self.unit or u.dimensionless_unscaled
        own = {unit.to_string(), unit.to_string().replace(" ", "")} - {""}
        typed = {name: _worth(name, unit) for name in sorted({*_TYPED.split(), *own})}
        words = {name: typed[meant] if meant else 1 for name, meant in _UNITS.items()}
        return {
            "unit": unit.to_string(),
            "example": self.example,
            "right": self._interval(self.right),
            "mistakes": [[*self._interval(wrong), message] for wrong, message in self.mistakes],
            "middle": _plain(self.right, self.unit),
            "units": typed,
            "words": words,
        }

    def _interval(self, target):
        target = _plain(target, self.unit)
        margin = (self.absolute if self.absolute is not None else abs(target) * self.percent / 100) * (1 + 1e-9)
        return [target - margin, target + margin]

    @property
    def example(self):
        """How an answer is written."""
        return f"1.5 {self.unit}" if self.unit not in (None, u.dimensionless_unscaled) else "1.5"

    def _check_option(self, answer):
        if answer == self.right:
            return Outcome(RIGHT, f"{answer}.", "", self.solution)
        reply = dict(self.mistakes).get(answer, "Look at the hint, then try again.")
        return Outcome(WRONG, reply, self.hint, self.solution)


# How people write units, where astropy has another word.
_UNITS = {
    '"': "arcsec",
    "''": "arcsec",
    "″": "arcsec",
    "'": "arcmin",
    "′": "arcmin",
    "°": "deg",
    "sec": "s",
    "seconds": "s",
    "minutes": "min",
    "hours": "h",
    "degrees": "deg",
    "electrons": "electron",
    "e": "electron",
    "e-": "electron",
    "pixels": "pix",
    "px": "pix",
    "photons": "photon",
    "magnitudes": "mag",
    "micron": "um",
    "microns": "um",
    "times": "",
}


# Units that a page without Python reads; there a table stands in place of astropy.
_TYPED = (
    "arcsec arcmin mas deg rad s ms us min h d m cm mm um nm km mag pix electron photon % Hz kHz MHz GB MB kB Mbit "
    "Gbit 1/s arcsec/pix arcsec/s arcsec/min pix/s electron/s electron/pix photon/s 1/deg2 deg2 arcmin2 m2 cm2 mm2"
)


def _worth(name, unit):
    """What one of the unit `name` is in `unit`; None if it is of another kind."""
    try:
        return float(u.Unit(name).to(unit))
    except u.UnitConversionError:
        return None


def _readings(answer):
    """What a typed answer may mean: a comma is a decimal point, or else parts the thousands."""
    if not isinstance(answer, str):
        return [answer]
    found = re.fullmatch(r"\s*([-+−]?[\d.,]+(?:[eE][-+]?\d+)?)\s*(.*?)\s*", answer[:80])
    if found is None:
        return [answer[:80]]
    digits, unit = found[1].replace("−", "-"), found[2]
    unit = _UNITS.get(unit.lower(), unit)
    readings = [digits.replace(",", ".", 1)] if digits.count(",") == 1 and "." not in digits else []
    if re.fullmatch(r"[-+]?\d{1,3}(,\d{3})+(\.\d*)?", digits):
        readings.append(digits.replace(",", ""))
    return [f"{number} {unit}".strip() for number in readings or [digits]]


def page_of(question):
    """HTML of an exercise where no kernel runs: the task, what can be chosen, hint and solution folded."""
    offered = "".join(f"<li>{html.escape(text)}</li>" for text in question.options)
    return _task(question) + (f"<ul>{offered}</ul>" if offered else "") + _helps(question)


def _task(question):
    return f"<p {TIGHT}><b>Exercise {html.escape(question.name)}.</b> {html.escape(question.task)}</p>"


def _helps(question):
    named = (("Hint", question.hint), ("Solution", question.solution))
    return "".join(folded(name, f"<p>{html.escape(text)}</p>") for name, text in named)


class Box:
    """An exercise on the page; `outcome` is the last reply. Made by `box`."""

    def __init__(self, question):
        self.question = question
        if question.options:
            layout = widgets.Layout(width="100%", height="auto")
            self._input = widgets.RadioButtons(options=question.options, value=None, layout=layout)
        else:
            self._input = widgets.Text(
                placeholder=f"such as {question.example}",
                description="Your answer",
                layout=widgets.Layout(width="100%", max_width="320px"),
            )
        at_left = widgets.Layout(width="auto", align_self="flex-start")
        button = widgets.Button(description="Check", button_style="primary", layout=at_left)
        button.on_click(lambda _: self.check())
        self._said = widgets.HTML()
        rows = [widgets.HTML(_task(question)), self._input, button, self._said, widgets.HTML(_helps(question))]
        self.box = widgets.VBox(rows)
        self.box.add_class("classroom-exercise")
        self.outcome = question.check(None)
        kept = memory.recall(question.name, question.task, question.right)
        if kept is not None:
            self._input.value = kept
            self.check()

    def check(self, answer=None):
        """Check what stands in the box, or what is given, and say how it went."""
        if answer is not None:
            self._input.value = answer
        answer = self._input.value
        if answer is not None:
            memory.keep(self.question.name, self.question.task, self.question.right, answer)
        self.outcome = self.question.check(answer)
        self._said.value = (
            f'<div role="status" aria-live="polite"><b>{_MARKS[self.outcome.state]}:</b> '
            f"{html.escape(self.outcome.message)}</div>"
        )

    def _ipython_display_(self):
        offered = f" ({'; '.join(self.question.options)})" if self.question.options else ""
        figures.show_piece("exercise", page_of(self.question), self.question.task + offered, self.box)


def box(question):
    """An exercise in a box; make it the last expression of a cell.

    Parameters
    ----------
    question : Question

    Returns
    -------
    Box
    """
    return Box(question)
