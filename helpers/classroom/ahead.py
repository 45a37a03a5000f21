"""Pictures drawn ahead, so that one key press shows its picture without waiting for the kernel.

Half of the time between a key and its picture is the way to the kernel and back, which no quick drawing can save. So,
while nobody moves anything, the browser asks for the pictures that one key press would lead to, keeps them, and shows
them at once when the key is pressed. The kernel answers that key as it answers any other, with the same picture.
Without this widget (an old page, another viewer) a panel works all the same, by the kernel's answers alone.
"""

from pathlib import Path

import anywidget
import ipywidgets as widgets
import numpy as np
import traitlets


class Ahead(anywidget.AnyWidget):
    """The part of a panel that lives in the browser; it has nothing to show of its own.

    Parameters
    ----------
    controls : list of widgets
        Sliders, drop-down lists and boxes to tick.
    image : ipywidgets.Image
    readout : ipywidgets.HTML
    alt : str
        What the picture shows, in words.
    draw : function
        ``draw(number, direction)`` gives the values of all controls, the picture's address and the HTML of the read-out
        with control `number` one step further; None where there is nothing to show.
    """

    _esm = Path(__file__).with_name("ahead.js").read_text(encoding="utf-8")
    controls = traitlets.List().tag(sync=True)
    image = traitlets.Unicode().tag(sync=True)
    readout = traitlets.Unicode().tag(sync=True)
    alt = traitlets.Unicode().tag(sync=True)

    def __init__(self, controls, image, readout, alt, draw):
        names = [control.model_id for control in controls]
        super().__init__(controls=names, image=image.model_id, readout=readout.model_id, alt=alt)
        self._controls, self._draw = controls, draw
        self.on_msg(self._asked)

    def answer(self):
        """Tell the browser that the panel shows what the controls say now."""
        self.send({"kind": "answer", "at": self._seen(control.value for control in self._controls)})

    def _asked(self, _, message, __):
        drawn = self._draw(message["control"], message["direction"])
        if drawn is None:
            self.send({"kind": "nothing"})
            return
        values, picture, html = drawn
        self.send({"kind": "picture", "at": self._seen(values), "html": html}, buffers=[picture])

    def _seen(self, values):
        """The controls' values as the browser knows them: of a list, it knows the place."""
        return [
            control.options.index(value) if isinstance(control, widgets.Dropdown) else value
            for control, value in zip(self._controls, values, strict=True)
        ]


def one_step(control, direction):
    """The value that one key press leads to.

    Parameters
    ----------
    control : widget
        Slider, drop-down list or box to tick.
    direction : {1, -1}

    Returns
    -------
    value, or None at the end of the range
    """
    if isinstance(control, widgets.Checkbox):
        return not control.value if direction > 0 else None
    if isinstance(control, widgets.Dropdown):
        place = control.index + direction
        return control.options[place] if 0 <= place < len(control.options) else None
    logarithmic = isinstance(control, widgets.FloatLogSlider)
    present = np.log(control.value) / np.log(control.base) if logarithmic else control.value
    place = min(max(present + direction * control.step, control.min), control.max)
    if np.isclose(place, present, rtol=1e-12, atol=1e-9 * control.step):
        return None
    return float(control.base**place) if logarithmic else place
