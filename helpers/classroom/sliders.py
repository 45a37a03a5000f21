"""A panel: sliders with units, a figure that answers at once, a sentence that says what it shows, a reset button.

The figure is drawn the quickest way that was measured: everything that does not move is drawn once and kept as a
background; a change draws only the moving artists over it and sends one PNG to an image widget. When something that
does not move changes after all (an axis limit, a title), matplotlib marks the figure as stale and the whole is redrawn.
The pictures one key press away are drawn ahead (`ahead.py`).
"""

import html
import math
from collections.abc import Callable
from dataclasses import dataclass

import astropy.units as u
import ipywidgets as widgets
import numpy as np

from helpers.classroom import figures, guesses
from helpers.classroom.ahead import Ahead, one_step
from helpers.classroom.text import folded

_QUICK = 1  # PNG compression level while sliders move
# Controls beside their figure where there is room, above it on a narrow screen; a label above its slider.
_STYLE = """<style>
.classroom-panel .widget-inline-hbox { flex-flow: row wrap; height: auto; }
.classroom-panel .widget-inline-hbox > .widget-label:first-child {
  width: 100% !important; text-align: left; white-space: normal; height: auto; line-height: 1.4; }
.classroom-panel .widget-checkbox > .widget-label:first-child { display: none; }
.classroom-panel img { width: 100%; height: auto; min-width: 440px; }
.classroom-picture { overflow-x: auto; }
</style>"""


def _as_it_is(value):
    return value


@dataclass(frozen=True)
class Control:
    """One slider, choice or switch of a panel; made by `slider`, `choice`, `switch` or `player`."""

    name: str
    make: Callable  # () -> list of widgets; the first one carries the value
    start: object  # of that widget
    said: str  # label, range and start value in words
    hand: Callable = _as_it_is  # what `update` gets for a value of the widget
    label: str = ""
    unit: str = ""
    interval: int = 0  # milliseconds between the pictures of a player; 0 for what does not play


def _text(value):
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _description(label, unit):
    return f"{label} [{unit}]" if unit else label


def _common(label, unit):
    return {
        "description": _description(label, unit),
        "style": {"description_width": "initial"},
        "layout": widgets.Layout(width="100%"),
    }


def _start(start, unit):
    return f"start: {_text(start)}{' ' + unit if unit else ''}"


def _mark(start, unit):
    return widgets.HTML(f'<span style="color:{figures.GREY}">{html.escape(_start(start, unit))}</span>')


def _bare(value, unit):
    """A plain number in `unit`, of a number or a Quantity."""
    return value.to_value(unit).item() if isinstance(value, u.Quantity) else value


def _grid(minimum, start, step):
    """The lower end and the step nearest to those wanted with which a step falls on the start value.

    A browser moves a value between two steps to the next of them, and so would change a reader's own value unasked.
    """
    count = round((start - minimum) / step)
    if count == 0:
        return start, step
    exact = (start - minimum) / count
    return minimum, exact if abs(exact / step - 1) > 1e-6 / count else step


def slider(name, label, minimum, maximum, start, step=None, unit="", logarithmic=False):
    """A slider for a number.

    Parameters
    ----------
    name : str
        Argument name in the panel's `update` function.
    label : str
        What the reader sees, without the unit.
    minimum, maximum, start : float, int or Quantity
        Whole numbers throughout (and no step) make a slider of whole numbers. A start value outside the range, such
        as one
        from the reader's own rig, widens the range.
    step : float, optional
        A hundredth of the range if not given; with `logarithmic`, a step in powers of ten (0.05 if not given). It is
        changed
        a little where it would pass over the start value; a start value less than half a step above `minimum`
        becomes the lower
        end.
    unit : Unit or str
        Shown behind the label; empty for a count or a share. With a unit of astropy, `update` gets Quantities; with
        a text,
        plain numbers.
    logarithmic : bool

    Returns
    -------
    Control

    Raises
    ------
    ValueError
        The range is empty, or a logarithmic one does not start above 0.
    """
    kind = unit if isinstance(unit, u.UnitBase) else None
    minimum, maximum, start = (_bare(value, kind) for value in (minimum, maximum, start))
    unit = unit.to_string() if kind is not None else unit
    if not minimum < maximum:
        raise ValueError(f"{name}: expected minimum below maximum, found {minimum} and {maximum}")
    if logarithmic and min(minimum, start) <= 0:
        raise ValueError(f"{name}: expected a range above 0, found {min(minimum, start)}")
    minimum, maximum = min(minimum, start), max(maximum, start)
    whole = all(isinstance(value, int) for value in (minimum, maximum, start)) and isinstance(step, (int, type(None)))

    def make():
        common = _common(label, unit)
        if logarithmic:
            low, size = _grid(np.log10(minimum), np.log10(start), step or 0.05)
            control = widgets.FloatLogSlider(
                value=start, base=10, min=low, max=np.log10(maximum), step=size, readout_format=".3r", **common
            )
        elif whole:
            size = math.gcd(start - minimum, step or 1)
            control = widgets.IntSlider(value=start, min=minimum, max=maximum, step=size, **common)
        else:
            low, size = _grid(minimum, start, step or (maximum - minimum) / 100)
            digits = max(0, int(np.ceil(-np.log10(size) - 1e-9)))
            control = widgets.FloatSlider(
                value=start, min=low, max=maximum, step=size, readout_format=f".{digits}f", **common
            )
        return [control, _mark(start, unit)]

    said = f"{_description(label, unit)}, {_text(minimum)} to {_text(maximum)}, {_start(start, unit)}"
    hand = _as_it_is if kind is None else lambda value: value * kind
    return Control(name, make, start, said, hand, label, unit)


def choice(name, label, options, start=None):
    """A drop-down list of texts; the first is the start value unless another is named.

    Of a dict, such as ``{"0.5 s": 0.5 * u.s}``, the texts are shown and `update` gets the values.
    """
    values = options if isinstance(options, dict) else None
    options = list(options)
    start = options[0] if start is None else start
    if start not in options:
        raise ValueError(f"{name}: expected a start value among {options}, found {start!r}")

    def make():
        return [widgets.Dropdown(options=options, value=start, **_common(label, "")), _mark(start, "")]

    said = f"{label}: {', '.join(map(str, options))}, {_start(start, '')}"
    return Control(name, make, start, said, _as_it_is if values is None else values.__getitem__, label)


def switch(name, label, start=False):
    """A box to tick."""

    def make():
        common = _common(label, "") | {"indent": False}
        return [widgets.Checkbox(value=bool(start), **common), _mark(word, "")]

    word = "on" if start else "off"
    return Control(name, make, bool(start), f"{label}: on or off, {_start(word, '')}", label=label)


def player(name, label, frames, interval=100, unit=""):
    """A slider over the pictures 0 to frames - 1 of an animation, with buttons to play it (interval in
    milliseconds).
    """

    def make():
        control = widgets.IntSlider(value=0, min=0, max=frames - 1, **_common(label, unit))
        play = widgets.Play(value=0, min=0, max=frames - 1, interval=interval, repeat=True)
        widgets.jslink((play, "value"), (control, "value"))
        return [control, play]

    said = f"{label}: {frames} pictures that play one after the other"
    return Control(name, make, 0, said, label=label, unit=unit, interval=interval)


def _read_out(sentence, failed):
    colour = "#8a3b00" if failed else "inherit"
    return (
        f'<div role="status" aria-live="polite" style="font-size:1.1em;line-height:1.35;min-height:2.7em;'
        f'color:{colour}">{html.escape(sentence)}</div>'
    )


def _cannot(error):
    return f"This can't be shown: {error}"


def _exactly(start, value):
    """The value, and the start value itself where a browser's rounding is the only difference."""
    return start if isinstance(value, float) and abs(value - start) <= 1e-9 * max(1, abs(start)) else value


class Panel:
    """A panel of controls beside a figure and a sentence; made by `panel`.

    `values` (dict), `sentence` (str) and `png` (bytes) tell its present state; `set(name=value)` moves controls from
    Python; `reset()` takes all back to their start values. `asked` is the guess that opens it, or None.
    """

    def __init__(self, controls, figure, moving, update, alt, question, guess, hidden):
        self._figure, self._update, self.alt = figure, update, alt
        self._hidden = frozenset(hidden if guess is not None else ())
        self._moving = [*moving, *(artist for artist in hidden if artist not in moving)]
        self._background = None
        self.sentence, self.png, self.failed = "", b"", False
        self._waiting = guess is not None
        self.waiting_text = guesses.WAITING_IN_PART if self._hidden else guesses.WAITING
        for artist in self._moving:
            artist.set_animated(True)
        figures.settle_layout(figure)
        self._controls = {control.name: control for control in controls}
        if len(self._controls) < len(controls):
            raise ValueError("controls: expected names that differ, found one twice")
        made = {control.name: control.make() for control in controls}
        self._starts = {control.name: control.start for control in controls}
        self._inputs = {name: parts[0] for name, parts in made.items()}
        self._image = widgets.Image(format="url", layout=widgets.Layout(width="100%"))
        self._readout = widgets.HTML()
        self.box = self._furnish(made, question)
        self._ahead = Ahead(list(self._inputs.values()), self._image, self._readout, self.alt, self._draw_ahead)
        self._refresh(raising=True)
        self._start_png, self._start_sentence = self.png, self.sentence
        for control in self._inputs.values():
            control.observe(lambda _: self._refresh(), names="value")
        self.asked = None if guess is None else guesses.Asked(guess, self._cover)

    def _furnish(self, made, question):
        """The box with everything in it: controls, then the picture beside them where there is room."""
        at_left = widgets.Layout(width="auto", align_self="flex-start")
        self._reset = widgets.Button(description="Back to start values", icon="undo", layout=at_left)
        self._reset.on_click(lambda _: self.reset())
        asked = [widgets.HTML(f"<p><b>What do you expect?</b> {html.escape(question)}</p>")] if question else []
        rows = [part for parts in made.values() for part in parts]
        self._covered = [*rows, self._reset]
        beside = widgets.VBox([*asked, *rows, self._reset], layout=widgets.Layout(flex="1 1 240px", min_width="0"))
        wide = widgets.Layout(flex="3 1 500px", min_width="0", max_width=f"{self._figure.bbox.width:.0f}px")
        scrolled = widgets.Box([self._image], layout=widgets.Layout(width="100%"))
        scrolled.add_class("classroom-picture")
        picture = widgets.VBox([scrolled, self._readout], layout=wide)
        around = widgets.Layout(display="flex", flex_flow="row wrap", align_items="flex-start", grid_gap="0 16px")
        box = widgets.Box([widgets.HTML(_STYLE, layout=widgets.Layout(display="none")), beside, picture], layout=around)
        box.add_class("classroom-panel")
        return box

    def _cover(self, covered):
        changed, self._waiting = covered != self._waiting, covered
        if changed and self._hidden:
            self._refresh()
        self._readout.value = self._read_out(self.sentence, self.failed)
        for part in self._covered:
            if hasattr(part, "disabled"):
                part.disabled = covered

    def _read_out(self, sentence, failed):
        """HTML of the sentence under the picture; it may hold the answer, so it waits for the guess."""
        return _read_out(self.waiting_text if self._waiting else sentence, failed)

    def _raw(self):
        """What the widgets say, by name."""
        return {name: _exactly(self._starts[name], control.value) for name, control in self._inputs.items()}

    def _handed(self, raw):
        return {name: self._controls[name].hand(value) for name, value in raw.items()}

    @property
    def values(self):
        """What `update` got last, by name."""
        return self._handed(self._raw())

    @property
    def inputs(self):
        """Each control with the widget that holds its value, in their order on the page."""
        return [(control, self._inputs[name]) for name, control in self._controls.items()]

    def still(self, **values):
        """What the panel shows with some controls at other values than at the start; it stays as it is itself.

        Parameters
        ----------
        **values
            By name, as the widgets hold them.

        Returns
        -------
        sentence : str
        pixels : ndarray of uint8, shape (rows, columns, 3), or None
            None where it can't be shown; the sentence then says why.
        """
        with figures.DRAWING:
            try:
                sentence = str(self._update(**self._handed(self._starts | values)))
            except Exception as error:
                return _cannot(error), None
            return sentence, np.array(self._pixels()[..., :3])

    def in_part(self):
        """The picture at the start values as it waits for the guess, as `still` gives it; None if it is then whole."""
        if not self._hidden:
            return None
        with figures.DRAWING:
            self._update(**self._handed(self._starts))
            return np.array(self._pixels(covered=True)[..., :3])

    def set(self, **values):
        """Move controls, to values as their widgets hold them; the figure is drawn once, after the last."""
        for name in values:
            if name not in self._inputs:
                raise ValueError(f"{name}: expected one of {', '.join(self._inputs)}")
        with figures.DRAWING:
            self._quiet = True
            try:
                for name, value in values.items():
                    self._inputs[name].value = value
            finally:
                self._quiet = False
            self._refresh()

    def reset(self):
        """Take all controls back to their start values."""
        self.set(**self._starts)

    _quiet = False

    def _refresh(self, raising=False):
        with figures.DRAWING:
            if self._quiet:
                return
            try:
                self.sentence, self.failed = str(self._update(**self.values)), False
            except Exception as error:  # shown to the reader in the panel, in words; the last good picture stays
                if raising:
                    raise
                self.sentence, self.failed = _cannot(error), True
            else:
                self.png = self._draw(covered=self._waiting)
                self._image.value = figures.data_address(self.png)
            self._readout.value = self._read_out(self.sentence, self.failed)
            self._ahead.answer()

    def _draw_ahead(self, number, direction):
        """Values, picture and read-out with one control a step further; None where that can't be shown."""
        with figures.DRAWING:
            name = list(self._inputs)[number]
            value = one_step(self._inputs[name], direction)
            if value is None:
                return None
            values = self._raw() | {name: _exactly(self._starts[name], value)}
            try:
                sentence = str(self._update(**self._handed(values)))
            except Exception:  # told when the reader gets there
                return None
            return values.values(), figures.data_address(self._draw()), _read_out(sentence, failed=False)

    def _draw(self, covered=False):
        return figures.encode_png(self._pixels(covered), _QUICK)

    def _pixels(self, covered=False):
        """The picture as an RGBA buffer, which the next drawing overwrites; covered: without what the guess hides."""
        canvas = self._figure.canvas
        if self._background is None or self._figure.stale:
            canvas.draw()
            self._background = canvas.copy_from_bbox(self._figure.bbox)
        else:
            canvas.restore_region(self._background)
        for artist in self._moving:
            if covered and artist in self._hidden:
                continue
            # figure.draw_artist and axes.draw_artist do the same; an axes' artist is clipped to it either way
            artist.draw(canvas.renderer)
        self._figure.stale = False  # some artists, such as legends, mark it while they are drawn
        return np.asarray(canvas.buffer_rgba())

    def _ipython_display_(self):
        from IPython.display import display

        if self.asked is not None:
            self.asked._ipython_display_()
        # One output holds the live panel and its start picture: a viewer with a kernel shows the panel, any other
        # the picture.
        data, metadata = figures.picture_bundle(self._start_png, self.alt)
        display(data | figures.live_view(self.box), metadata=metadata | {figures.KIND: "panel"}, raw=True)
        live = widgets.HTML(figures.in_words(self.alt))
        moved = "; ".join(html.escape(control.said) for control in self._controls.values())
        told, title = html.escape(self._start_sentence), "At the start values"
        # the sentence may hold the answer: folded under a guess
        told = folded(title, f"<p>{told}</p>{self._whole_start()}") if self.asked else f"<p><b>{title}: {told}</b></p>"
        page = f"{told}<p>To move: {moved}.</p>{figures.in_words(self.alt)}"
        figures.show_piece("words", page, self._start_sentence, live)

    def _whole_start(self):
        """HTML of the whole picture at the start values, where the guess hides a part of it; for the saved workbook."""
        if not self._hidden:
            return ""
        png = figures.encode_png(self.still()[1], compression=6)
        address, alt = figures.data_address(png).decode("ascii"), html.escape(self.alt, quote=True)
        return f'<img style="max-width:100%" alt="{alt}" src="{address}">'


def panel(controls, figure, moving, update, alt, question="", guess=None, hidden=()):
    """A live panel; make it the last expression of a cell.

    Parameters
    ----------
    controls : list of Control
        From `slider`, `choice`, `switch`, `player`.
    figure : matplotlib.figure.Figure
        From `figures.new_figure`, drawn once: axes, labels, legend, everything that stays.
    moving : list of Artist
        What changes with the sliders (lines, images, texts, patches); drawn anew at each change, in this order.
    update : function
        Called with the controls' values by name; sets the data of the moving artists and returns the read-out
        sentence. It may also change axis limits or titles; the whole figure is then redrawn (slower, so not at every
        step). Physics in it should take below 10 ms: compute beforehand what the sliders don't change.
    alt : str
        What somebody who can't see the figure needs to know.
    question : str
        Asked above the sliders: what does the reader expect?
    guess : guesses.Guess, optional
        Asked first; the sliders stay still until the reader has guessed or skipped.
    hidden : sequence of Artist, optional
        What would give the answer of the guess away; until then it is not drawn. Hidden from nobody without a guess.

    Returns
    -------
    Panel

    Raises
    ------
    ValueError
        No controls, no moving artists, no alt text, or two controls of one name.
    """
    if not controls or not moving:
        raise ValueError("controls, moving: expected at least one of each, found none")
    if not alt.strip():
        raise ValueError("alt: expected a description of the figure, found none")
    return Panel(list(controls), figure, list(moving), update, alt, question, guess, list(hidden))
