"""Files to send, then a form that asks what stands in them: which column is which, in which unit."""

import ipywidgets as widgets

from helpers.classroom import figures, forms


class FilesThenForm:
    """Two steps in one place; made by `files_then_form`. `form` is the second step, None before it."""

    def __init__(self, label, pick, fields, answer, button):
        self._label, self._fields, self._answer, self._button = label, fields, answer, button
        self.form, self._second = None, widgets.VBox([])
        self.picker = pick(self.take)
        self.box = widgets.VBox([self.picker.box, self._second])

    def take(self, paths):
        """Show the form for these files; what it says goes under its button."""
        self._second.children = ()
        self.form = forms.form(self._fields(paths), lambda answers: self._answer(paths, answers), self._button)
        self._second.children = (self.form.box,)
        names = ", ".join(path.name for path in paths)
        return f"{names}: say below what stands in {'it' if len(paths) == 1 else 'them'}."

    def _ipython_display_(self):
        text = f"{self._label}: files are picked here when the workbook runs, then a form asks what is in them."
        figures.show_piece("form", f"<p>{text}</p>", text, self.box)


def files_then_form(label, fields, answer, accept="", button="Read"):
    """Files to send from the reader's computer, and a form about them; make it the last expression of a cell.

    Parameters
    ----------
    label : str
    fields : function
        Called with the list of paths; returns the fields of the form, as `forms.form` takes them.
    answer : function
        Called with paths and answers; returns the sentence to show. What it raises is shown in words.
    accept : str
        Endings, such as ".csv,.txt"; empty for all.
    button : str
        Of the form.

    Returns
    -------
    FilesThenForm
    """

    def pick(take):
        return forms.upload(label, take, accept=accept, multiple=True, button="Look into it")

    return FilesThenForm(label, pick, fields, answer, button)
