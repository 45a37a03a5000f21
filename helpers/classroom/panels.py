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
    """

    figure: Figure
    moving: tuple
    update: Callable
    alt: str


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
    return sliders.panel(controls, drawing.figure, drawing.moving, drawing.update, drawing.alt, guess=guess)
