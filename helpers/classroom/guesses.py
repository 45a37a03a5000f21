"""Guess, commit, reveal: the reader says what to expect before a panel opens, then reads what it is and why.

A room's ``questions.py`` makes each `Guess` from the reader's rig, so that the answer is computed. In a saved
workbook the
question, its choices and the folded answer can be read.
"""

import html
from dataclasses import dataclass

import ipywidgets as widgets
import numpy as np

from helpers.classroom import figures, memory
from helpers.classroom.text import TIGHT, folded

WAITING = "Guess or skip: then the controls move, and a sentence here says what the picture shows."  # under a panel
WAITING_IN_PART = (  # under one whose picture holds something back
    "Guess or skip: then the rest of the picture appears, the controls move, and a sentence here says what it shows."
)
_CLOSE = 0.2  # a number this share away from the right one counts as close


@dataclass(frozen=True)
class Guess:
    """A question with its answer; made by `choices` or `number`.

    Parameters
    ----------
    name : str
        Room and word, such as "04.aperture"; no two guesses share one.
    ask : str
        The question.
    right : str or float
        The right option, or the right number in `unit`.
    answer : str
        What is so, and why: one or two sentences with computed numbers.
    options : tuple of str
        Empty for a number.
    scale : tuple
        Lowest, highest and first value of the slider for a number.
    unit : str
        Of a number.
    """

    name: str
    ask: str
    right: object
    answer: str
    options: tuple = ()
    scale: tuple = ()
    unit: str = ""


def choices(name, ask, options, right, answer):
    """A guess among a few options.

    Parameters
    ----------
    name, ask, answer : str
        As in `Guess`.
    options : sequence of str, or dict
        Of a dict, text to the number it stands for; the option nearest to `right` is then the right one.
    right : str, or number
        One of the texts; a number (or Quantity) if `options` is a dict.

    Returns
    -------
    Guess

    Raises
    ------
    ValueError
        Fewer than two options, or `right` is none of them.
    """
    texts = tuple(options)
    if len(texts) < 2:
        raise ValueError(f"options: expected at least two, found {len(texts)}")
    if isinstance(options, dict):
        right = min(texts, key=lambda text: abs(options[text] - right))
    if right not in texts:
        raise ValueError(f"right: expected one of {', '.join(map(repr, texts))}, found {right!r}")
    return Guess(name, ask, right, answer, options=texts)


def number(name, ask, low, high, right, answer, unit=""):
    """A guess on a slider.

    Parameters
    ----------
    name, ask, answer, unit : str
        As in `Guess`.
    low, high, right : float or Quantity
        Ends of the slider, and the right number (it may lie outside).

    Returns
    -------
    Guess
    """
    low, high, right = (float(getattr(value, "value", value)) for value in (low, high, right))
    if not low < high:
        raise ValueError(f"low, high: expected a range, found {low:g} to {high:g}")
    return Guess(name, ask, right, answer, scale=(low, high, (low + high) / 2), unit=str(unit))


def resolve(guess, said=None):
    """The line that answers a guess.

    Parameters
    ----------
    guess : Guess
    said : str or float, optional
        The reader's guess; None when skipped.

    Returns
    -------
    str
    """
    if said is None:
        return guess.answer
    if guess.options:
        return f"You said “{said}”: {'yes' if said == guess.right else 'no'}. {guess.answer}"
    unit = f" {guess.unit}" if guess.unit else ""
    if abs(said - guess.right) <= _CLOSE * abs(guess.right):
        verdict = "close"
    else:
        verdict = "too much" if said > guess.right else "too little"
    return f"You said {said:.3g}{unit}: {verdict}. {guess.answer}"


def page_of(guess):
    """HTML of a guess where no kernel runs: question, choices, folded answer."""
    if guess.options:
        offered = "<ul>" + "".join(f"<li>{html.escape(text)}</li>" for text in guess.options) + "</ul>"
    else:
        offered = f"<p>Somewhere from {guess.scale[0]:g} to {guess.scale[1]:g} {html.escape(guess.unit)}.</p>"
    answer = folded("The answer", f"<p>{html.escape(guess.answer)}</p>")
    return f"<p {TIGHT}><b>Guess first.</b> {html.escape(guess.ask)}</p>{offered}{answer}"


class Asked:
    """A guess on the page; `said` is what the reader committed to, `line` what was answered.

    Parameters
    ----------
    guess : Guess
    cover : function, optional
        Called with True while the reader has neither guessed nor skipped, then with False. Without it there is
        nothing to
        try first, and the answer comes at once.
    """

    def __init__(self, guess, cover=None):
        self.guess, self.said, self.line, self._cover = guess, None, "", cover
        self._input = _input(guess)
        self._commit = _button("That is my guess", button_style="primary")
        self._skip = _button("Skip")
        self._open = _button("Show the answer")
        self._open.layout.display = "none"
        self._told = widgets.HTML()
        asked = widgets.HTML(f"<p {TIGHT}><b>Guess first.</b> {html.escape(guess.ask)}</p>")
        buttons = widgets.Box([self._commit, self._skip, self._open], layout=widgets.Layout(flex_flow="row wrap"))
        self.box = widgets.VBox([asked, self._input, buttons, self._told])
        self.box.add_class("classroom-guess")
        self._commit.on_click(lambda _: self.commit())
        self._skip.on_click(lambda _: self.skip())
        self._open.on_click(lambda _: self.reveal())
        if cover is not None:
            cover(True)
        kept = memory.recall(guess.name, guess.ask, guess.right)
        if kept is not None:
            self._close(*kept)

    def commit(self, said=None):
        """Take the guess (what is chosen on the page, unless given) and open what it covered."""
        said = self._input.value if said is None else said
        if said is None:
            self._say("Choose one first, or skip.")
            return
        self._close(said)

    def skip(self):
        """Open what was covered without a guess."""
        self._close(None)

    def reveal(self):
        """Show the line that answers the guess."""
        self.line = resolve(self.guess, self.said)
        self._say(self.line)
        self._open.layout.display = "none"

    def _close(self, said):
        self.said = said
        memory.keep(self.guess.name, self.guess.ask, self.guess.right, (said,))
        if said is not None:
            self._input.value = said
        self._input.disabled = True
        for button in (self._commit, self._skip):
            button.layout.display = "none"
        if self._cover is None:
            self.reveal()
            return
        self._open.layout.display = None
        self._say("Try it below, then open the answer.")
        self._cover(False)

    def _say(self, text):
        self._told.value = f'<div role="status" aria-live="polite">{html.escape(text)}</div>'

    def _ipython_display_(self):
        offered = "; ".join(self.guess.options) or f"{self.guess.scale[0]:g} to {self.guess.scale[1]:g}"
        figures.show_piece("guess", page_of(self.guess), f"{self.guess.ask} ({offered})", self.box)


def _button(text, **keywords):
    return widgets.Button(description=text, layout=widgets.Layout(width="auto"), **keywords)


def _input(guess):
    if guess.options:
        layout = widgets.Layout(width="100%", height="auto")
        return widgets.RadioButtons(options=guess.options, value=None, layout=layout)
    low, high, start = guess.scale
    digits = max(0, int(np.ceil(-np.log10((high - low) / 100))))
    return widgets.FloatSlider(
        value=start,
        min=low,
        max=high,
        step=(high - low) / 100,
        description=f"[{guess.unit}]" if guess.unit else "",
        readout_format=f".{digits}f",
        layout=widgets.Layout(width="100%", max_width="420px"),
    )


def ask(guess):
    """Ask for a guess that belongs to no panel; make it the last expression of a cell.

    Parameters
    ----------
    guess : Guess

    Returns
    -------
    Asked
    """
    return Asked(guess)
