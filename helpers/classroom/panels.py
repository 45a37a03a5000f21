"""Panels as a room's workbook calls them: controls, a drawing that moves, a guess that opens it."""

from collections.abc import Callable
from dataclasses import dataclass

from matplotlib.figure import Figure

from helpers.classroom import sliders
from helpers.classroom.sliders import choice, player, slider, switch

__all__ = ["Drawing", "choice", "panel", "player", "slider", "switch"]


@dataclass(frozen=True)
class Drawing:
    """A figure that moves; made by a function in a room's ``drawings.py``.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Drawn once: axes, labels, everything that stays.
    moving : sequence of Artist
        What changes with the controls.
    update : function
        Called with the controls' values by name; moves the artists and returns the sentence under the figure.
    alt : str
        What somebody who can't see the figure needs to know.
    hidden : sequence of Artist, optional
        What would give the answer of the guess away; it appears when the reader has guessed or skipped.
    """

    figure: Figure
    moving: tuple
    update: Callable
    alt: str
    hidden: tuple = ()


def panel(controls, drawing, guess):
    """A live panel that a guess opens; make it the last expression of a cell.

    Parameters
    ----------
    controls : list of Control
        From `slider`, `choice`, `switch`, `player`; their names are the arguments of `drawing.update`.
    drawing : Drawing
    guess : guesses.Guess

    Returns
    -------
    sliders.Panel
    """
    figure, moving, hidden = drawing.figure, drawing.moving, drawing.hidden
    return sliders.panel(controls, figure, moving, drawing.update, drawing.alt, guess=guess, hidden=hidden)
