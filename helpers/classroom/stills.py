"""What a panel can show, drawn beforehand, for pages where no kernel runs.

Of all that the controls could say together only a part can be kept: choices and switches in all their combinations, and
for each of these every slider over its range while the other sliders stay at their start values.
"""

import itertools
import math
from dataclasses import dataclass

import ipywidgets as widgets
import numpy as np

_FEWEST, _MOST = 9, 31  # places of one slider
_PLAYED = 80  # pictures of a film


@dataclass(frozen=True)
class Row:
    """One control moved over its range, everything else standing still.

    Parameters
    ----------
    kept : tuple of int
        Place of each control that keeps its place, as `Stills.keeping` names them.
    moving : int
        Number of the control that moves.
    sentences : list of str
    pictures : list of ndarray, each of shape (rows, columns, 3)
        Where something can't be shown its sentence says so, and the picture before it stays.
    """

    kept: tuple
    moving: int
    sentences: list
    pictures: list


@dataclass(frozen=True)
class Stills:
    """What is kept of a panel; made by `stills`.

    Parameters
    ----------
    controls : list of sliders.Control
    values : list of list
        The places of each control, as its widget holds them.
    keeping, moving : list of int
        Numbers of the controls that keep their place when another one moves, and of those that are taken back.
    """

    panel: object
    controls: list
    values: list
    keeping: list
    moving: list

    def starts(self):
        """The place of each control's start value."""
        return [values.index(control.start) for control, values in zip(self.controls, self.values, strict=True)]

    def kinds(self):
        """What each control is: "list", "switch", "film" or "slider"."""
        found = {widgets.Dropdown: "list", widgets.Checkbox: "switch"}
        return [
            "film" if control.interval else found.get(type(widget), "slider") for control, widget in self.panel.inputs
        ]

    def texts(self):
        """What is shown beside each control at each of its places."""
        widgets_of = [widget for _, widget in self.panel.inputs]
        return [
            [said(control, widget, value) for value in values]
            for control, widget, values in zip(self.controls, widgets_of, self.values, strict=True)
        ]

    def rows(self):
        """Draw everything, one `Row` after the other."""
        for kept in itertools.product(*[range(len(self.values[number])) for number in self.keeping]):
            fixed = {
                self.controls[number].name: self.values[number][place]
                for number, place in zip(self.keeping, kept, strict=True)
            }
            for number in self.moving:
                yield self._row(kept, number, fixed)

    def _row(self, kept, number, fixed):
        sentences, pictures = [], []
        for value in self.values[number]:
            sentence, picture = self.panel.still(**fixed, **{self.controls[number].name: value})
            sentences.append(sentence)
            if picture is None:
                picture = pictures[-1] if pictures else self.panel.still()[1]
            pictures.append(picture)
        return Row(kept, number, sentences, pictures)


def places(control, widget, most):
    """Values of a control, at most about `most`, its start value and both ends of its range among them.

    Parameters
    ----------
    control : sliders.Control
    widget : ipywidgets widget
        That holds the control's value.
    most : int

    Returns
    -------
    list
        As the widget holds them; all options of a choice, off and on of a switch.
    """
    if isinstance(widget, widgets.Dropdown):
        return list(widget.options)
    if isinstance(widget, widgets.Checkbox):
        return [False, True]
    logarithmic = isinstance(widget, widgets.FloatLogSlider)
    start = math.log(control.start, widget.base) if logarithmic else control.start
    steps = max(1, math.ceil((widget.max - widget.min) / widget.step / (most - 1) - 1e-6))
    wide = steps * widget.step
    below, above = math.floor((start - widget.min) / wide + 1e-6), math.floor((widget.max - start) / wide + 1e-6)
    grid = [start + count * wide for count in range(-below, above + 1)]
    ends = [end for end in (widget.min, widget.max) if not np.isclose(end, grid, rtol=0, atol=0.1 * widget.step).any()]
    values = [float(widget.base**place) for place in sorted(grid + ends)] if logarithmic else sorted(grid + ends)
    nearest = min(values, key=lambda value: abs(value - control.start))
    return [control.start if value == nearest else value for value in values]


def said(control, widget, value):
    """A value as the live panel writes it beside its control, with its unit."""
    if isinstance(widget, widgets.Checkbox):
        return "on" if value else "off"
    if isinstance(value, float):
        value = (
            f"{float(f'{value:.3g}'):g}" if widget.readout_format.endswith("r") else f"{value:{widget.readout_format}}"
        )
    return f"{value} {control.unit}".strip()


def stills(panel, pictures):
    """Decide what of a panel is kept.

    Parameters
    ----------
    panel : sliders.Panel
    pictures : int
        At most about so many of the panel.

    Returns
    -------
    Stills
        Nothing is drawn yet.
    """
    controls = [control for control, _ in panel.inputs]
    chosen = [isinstance(widget, widgets.Dropdown | widgets.Checkbox) for _, widget in panel.inputs]
    if all(chosen):
        chosen[-1] = False
    moving = [number for number, chooses in enumerate(chosen) if not chooses]
    keeping = [number for number, chooses in enumerate(chosen) if chooses]
    ways = math.prod(len(places(*panel.inputs[number], _MOST)) for number in keeping)
    most = min(_MOST, max(_FEWEST, pictures // (ways * len(moving))))
    values = [
        places(control, widget, min(_PLAYED, pictures) if control.interval else most)
        for control, widget in panel.inputs
    ]
    return Stills(panel, controls, values, keeping, moving)
