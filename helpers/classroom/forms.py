"""A form: labelled fields with units and a save button; what is wrong is said under the button, in words. And a
progress bar.
"""

import html

import ipywidgets as widgets

from helpers.classroom import figures


def _input(field):
    common = {
        "description": f"{field['label']} [{field['unit']}]" if field["unit"] else field["label"],
        "style": {"description_width": "400px"},
        "layout": widgets.Layout(width="620px", max_width="100%"),
    }
    value, options = field["value"], field["choices"]
    if options is not None:
        shown = [({True: "yes", False: "no"}.get(option, option), option) for option in options]
        return widgets.Dropdown(options=shown, value=value, **common)
    if isinstance(value, int):
        return widgets.IntText(value=value, **common)
    if isinstance(value, float):
        return widgets.FloatText(value=value, **common)
    return widgets.Text(value=value, **common)


class Form:
    """A form to fill; made by `form`. `answers` is what it holds now, `message` what was last said under the button."""

    def __init__(self, fields, save, button):
        self._save = save
        self._inputs = {field["key"]: _input(field) for field in fields}
        sections = {}
        for field in fields:
            sections.setdefault(field["section"], []).append(self._inputs[field["key"]])
        titles = [name.replace("_", " ").capitalize() for name in sections]
        self._accordion = widgets.Accordion([widgets.VBox(rows) for rows in sections.values()], selected_index=0)
        for index, title in enumerate(titles):
            self._accordion.set_title(index, title)
        at_left = widgets.Layout(width="auto", align_self="flex-start")
        self._button = widgets.Button(description=button, button_style="primary", layout=at_left)
        self._button.on_click(lambda _: self.save())
        self._said = widgets.HTML()
        self.message = ""
        self.box = widgets.VBox([self._accordion, self._button, self._said])

    @property
    def answers(self):
        return {key: field.value for key, field in self._inputs.items()}

    def set(self, **values):
        """Fill fields from Python; in a key write __ for the point: ``guide_camera__read_noise=1.2``."""
        for key, value in values.items():
            self._inputs[key.replace("__", ".")].value = value

    def fill(self, fields):
        """Fill all fields anew from a list as `form` takes it."""
        for field in fields:
            self._inputs[field["key"]].value = field["value"]

    def save(self):
        """Hand the answers to the save function and say what it answered, or what was wrong."""
        try:
            self.message, colour = str(self._save(self.answers)), "inherit"
        except Exception as error:  # said to the reader in the form
            self.message, colour = f"Not done. {error}", "#8a3b00"
        lines = "<br>".join(html.escape(line) for line in self.message.splitlines())
        self._said.value = f'<div role="status" aria-live="polite" style="color:{colour}">{lines}</div>'

    def _ipython_display_(self):
        _show(self.box, "A form to fill; it appears when the workbook runs.")


def _show(widget, text):
    """Display a widget, and a text where no kernel runs."""
    from IPython.display import display

    display(figures.live_view(widget) | {"text/plain": text}, raw=True)


def progress_bar(label):
    """Show a bar for something that takes a while.

    Parameters
    ----------
    label : str
        What is being done.

    Returns
    -------
    function
        Called with the share done, 0 to 1.
    """
    style, layout = {"description_width": "initial"}, widgets.Layout(width="620px", max_width="100%")
    bar = widgets.FloatProgress(value=0, min=0, max=1, description=label, style=style, layout=layout)
    _show(bar, f"{label}: a bar shows how far it is.")

    def move(share):
        bar.value = float(share)

    return move


def form(fields, save, button="Save"):
    """A live form; make it the last expression of a cell.

    Parameters
    ----------
    fields : list of dict
        Keys: key, section, label, unit, value, choices (None for free input).
    save : function
        Called with the answers by key; returns the sentence to show. What it raises is shown in words.
    button : str
        Text on the save button.

    Returns
    -------
    Form
    """
    return Form(list(fields), save, button)
