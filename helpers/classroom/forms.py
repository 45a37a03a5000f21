"""Forms: labelled fields with units and a button, files to pick, a progress bar; what is wrong is said in words."""

import fnmatch
import html
import math
import os
import tempfile
from pathlib import Path

import ipywidgets as widgets

from helpers.classroom import figures

_WRONG = "#8a3b00"
# Set where readers work with another one's computer: they send files of at most so many megabytes, and see no folders.
LIMIT_VARIABLE = "GUIDING_UPLOAD_LIMIT"
_FULL = {"width": "100%", "max_width": "620px"}
_STYLE = """<style>
.classroom-form .widget-inline-hbox { flex-flow: row wrap; height: auto; }
.classroom-form .widget-inline-hbox > .widget-label:first-child {
  width: 100% !important; text-align: left; white-space: normal; height: auto; line-height: 1.4; }
</style>"""


def _name(field, own):
    """What stands over a field: its label, its unit, and whose value it holds."""
    mark = {True: " (yours)", False: " (demo)"}.get(own, "")
    unit = _unit(field)
    return (f"{field['label']} [{unit}]" if unit else field["label"]) + mark


def _unit(field):
    unit = field.get("unit", "")
    return "µm" if unit == "um" else unit


def _on_top(field):
    """Whether a field stands open on top of the form; the others are folded by section."""
    return "section" not in field or field.get("folded") is False


def _input(field):
    common = {"description": _name(field, field.get("own")), "style": {"description_width": "initial"}, "layout": _FULL}
    value, options = field["value"], field.get("choices")
    if options is not None:
        shown = [({True: "yes", False: "no"}.get(option, option), option) for option in options]
        return widgets.Dropdown(options=shown, value=value, **common)
    if isinstance(value, int):
        return widgets.IntText(value=value, **common)
    if isinstance(value, float):
        return widgets.FloatText(value=value, **common)
    return widgets.Text(value=value, **common)


def _advice(field):
    """What helps to fill a field: a typical value, and what to do when it isn't known."""
    parts = []
    if field.get("typical"):
        parts.append(f"Typical: {field['typical']}.")
    if field.get("if_unknown"):
        parts.append(f"Not known? {field['if_unknown']}")
    return " ".join(parts)


def _said(answer, wrong=False):
    """HTML of an answer: its lines, under its picture if it has one."""
    picture = ""
    if isinstance(answer, figures.Shown):
        source = figures.data_address(answer.png).decode("ascii")
        picture = f'<img style="max-width:100%" alt="{html.escape(answer.alt, quote=True)}" src="{source}">'
    lines = "<br>".join(html.escape(line) for line in _text_of(answer).splitlines())
    colour = _WRONG if wrong else "inherit"
    return f'{picture}<div role="status" aria-live="polite" style="color:{colour};line-height:1.4">{lines}</div>'


def _text_of(answer):
    return answer.sentence if isinstance(answer, figures.Shown) else str(answer)


class _Field:
    """One field: its input, the advice under it, and what its check says."""

    def __init__(self, field):
        self.input, self._check, self._about = _input(field), field.get("check"), field
        self.touched, self.suggesting = False, False
        advice = html.escape(_advice(field))
        self._told = widgets.HTML()
        under = [widgets.HTML(f'<small style="color:{figures.GREY}">{advice}</small>')] if advice else []
        self.rows = [self.input, *under, *([self._told] if self._check else [])]
        self.input.observe(lambda _: self._changed(), names="value")

    def _changed(self):
        self.touched = not self.suggesting
        if "own" in self._about:
            self.input.description = _name(self._about, self.touched)
        if self._check:
            self._judge()

    def _judge(self):
        try:
            answer, wrong = self._check(self.input.value) or "", False
        except ValueError as error:
            answer, wrong = str(error), True
        self._told.value = _said(str(answer), wrong)


class Form:
    """A form to fill; made by `form`. `answers` is what it holds now, `message` what was last said under the button."""

    def __init__(self, fields, save, button):
        self._save, self._fields = save, fields
        self._parts = parts = {field["key"]: _Field(field) for field in fields}
        self._inputs = {key: part.input for key, part in parts.items()}
        first = [field for field in fields if _on_top(field)]
        sections = {}
        for field in fields:
            if not _on_top(field):
                sections.setdefault(field["section"], []).extend(parts[field["key"]].rows)
        titles = [name.replace("_", " ").capitalize() for name in sections]
        self._accordion = widgets.Accordion(
            [widgets.VBox(rows) for rows in sections.values()], selected_index=None if first else 0
        )
        for index, title in enumerate(titles):
            self._accordion.set_title(index, title)
        self._button = _wide_button(button)
        self._button.on_click(lambda _: self.save())
        self._said = widgets.HTML()
        self.message = ""
        on_top = [row for field in first for row in parts[field["key"]].rows]
        folded = [self._accordion] if sections else []
        self.box = _form_box([*on_top, *folded, self._button, self._said])

    @property
    def answers(self):
        return {key: field.value for key, field in self._inputs.items()}

    @property
    def touched(self):
        """Keys of the fields that the reader changed; a frozenset."""
        return frozenset(key for key, part in self._parts.items() if part.touched)

    def suggest(self, values):
        """Put values, by key, into fields as a proposal: they do not count as the reader's."""
        for key, value in values.items():
            part = self._parts[key]
            part.suggesting = True
            try:
                part.input.value = value
            finally:
                part.suggesting = False

    def set(self, **values):
        """Fill fields from Python as a reader would; in a key write __ for the point: ``camera__read_noise=1.2``."""
        for key, value in values.items():
            self._inputs[key.replace("__", ".")].value = value

    def fill(self, fields):
        """Fill all fields anew from a list as `form` takes it."""
        for field in fields:
            self._inputs[field["key"]].value = field["value"]

    def save(self):
        """Hand the answers to the save function and say what it answered, or what was wrong."""
        answer, wrong = _answer_of(self._save, self.answers)
        self.message, self._said.value = _text_of(answer), _said(answer, wrong)

    def _ipython_display_(self):
        first = [field for field in self._fields if _on_top(field)] or self._fields
        rows = "".join(
            f"<li>{html.escape(field['label'])}: {html.escape(str(field['value']))} {html.escape(_unit(field))}"
            f" {html.escape(_advice(field))}</li>"
            for field in first
        )
        if len(first) < len(self._fields):
            rows += f"<li>and {len(self._fields) - len(first)} more, folded</li>"
        text = "A form to fill; it appears when the workbook runs."
        page = f"<p>{text}</p><details><summary>Its fields, as they stand</summary><ul>{rows}</ul></details>"
        figures.show_piece("form", page, text, self.box)


def _form_box(rows):
    box = widgets.VBox([widgets.HTML(_STYLE, layout=widgets.Layout(display="none")), *rows])
    box.add_class("classroom-form")
    return box


def _wide_button(text):
    at_left = widgets.Layout(width="auto", align_self="flex-start")
    return widgets.Button(description=text, button_style="primary", layout=at_left)


def _answer_of(act, *arguments):
    """What a function of the reader's answers gives, and whether something was wrong."""
    try:
        return act(*arguments), False
    except Exception as error:  # said to the reader in the form
        return f"Not done. {error}", True


def numbers(label, text, most=40):
    """Numbers typed into one field: a point for decimals, commas (or semicolons, or blanks) between.

    Parameters
    ----------
    label : str
        Of the field, for the message.
    text : str
    most : int

    Returns
    -------
    list of float

    Raises
    ------
    ValueError
        No number, too many, or something else.
    """
    try:
        values = [float(part) for part in str(text).replace(";", " ").replace(",", " ").split()]
    except ValueError:
        values = [float("nan")]
    if not all(map(math.isfinite, values)):
        raise ValueError(f"{label}: expected numbers with a point, such as 10.5, 11.2; found {str(text)!r:.60}")
    if not 1 <= len(values) <= most:
        raise ValueError(f"{label}: expected 1 to {most} numbers, found {len(values)}")
    return values


def form(fields, save, button="Save"):
    """A live form; make it the last expression of a cell.

    Parameters
    ----------
    fields : list of dict
        Keys: key, label, value. And, where they help: `unit`, `choices` (without them, or None: free input), `section`
        (under which title the field is folded; without it, or with `folded` False, it stands open on top), `typical`
        and `if_unknown` (texts shown under the field), `own` (True or False: the reader's value or the demo's), `check`
        (called with the value at each change; returns what to say, or raises a ValueError).
    save : function
        Called with the answers by key; returns the sentence to show, or a figure as `figures.show` makes it. What it
        raises is shown in words.
    button : str
        Text on the save button.

    Returns
    -------
    Form
    """
    return Form(list(fields), save, button)


class FilePicker:
    """Files to pick; made by `upload` or `choose_file`. `message` is what was last said under the button."""

    def __init__(self, rows, files, read, button, label):
        self._files, self._read, self._label = files, read, label
        self._button, self._said, self.message = _wide_button(button), widgets.HTML(), ""
        self._button.on_click(lambda _: self.read())
        self.box = _form_box([widgets.HTML(f"<b>{html.escape(label)}</b>"), *rows, self._button, self._said])

    def read(self):
        """Hand the picked files to the reading function and say what it answered, or what was wrong."""
        answer, wrong = _answer_of(lambda: self._read(self._files()))
        self.message, self._said.value = _text_of(answer), _said(answer, wrong)

    def _ipython_display_(self):
        text = f"{self._label}: files are picked here when the workbook runs."
        figures.show_piece("form", f"<p>{html.escape(text)}</p>", text, self.box)


def upload(label, read, accept="", multiple=False, limit=8, button="Read"):
    """A field to send files from the reader's computer; make it the last expression of a cell.

    Parameters
    ----------
    label : str
    read : function
        Called with a list of paths of temporary copies; returns the sentence to show, or a figure as `figures.show`
        makes it. What it raises is shown in words.
    accept : str
        Endings, such as ".csv,.txt"; empty for all.
    multiple : bool
    limit : float
        Most megabytes of all files together; less where GUIDING_UPLOAD_LIMIT says so.
    button : str

    Returns
    -------
    FilePicker
    """
    allowed = os.environ.get(LIMIT_VARIABLE)
    limit = limit if allowed is None else min(limit, float(allowed))
    otherwise = "choose it from a folder instead" if allowed is None else "send fewer or smaller files"
    field = widgets.FileUpload(accept=accept, multiple=multiple, description="Pick a file", layout=_FULL)
    folder = tempfile.TemporaryDirectory(prefix="upload_")

    def files():
        if not field.value:
            raise ValueError("Pick a file first.")
        size = sum(sent["size"] for sent in field.value) / 1e6
        if size > limit:
            raise ValueError(f"expected at most {limit:g} MB, found {size:.1f} MB; {otherwise}")
        # The name of a file is its sender's: only the last part of it is taken, so that nothing is written elsewhere.
        paths = [Path(folder.name) / (Path(sent["name"].replace("\\", "/")).name or "file") for sent in field.value]
        for path, sent in zip(paths, field.value, strict=True):
            path.write_bytes(bytes(sent["content"]))
        return paths

    return FilePicker([field], files, read, button, label)


class OnlyHere:
    """Stands where a list of files can't be shown to readers of another one's computer."""

    def __init__(self, label):
        self.text = f"{label}: only where the workbooks run on your own computer; here, send files below."

    def _ipython_display_(self):
        figures.show_piece("form", f"<p>{html.escape(self.text)}</p>", self.text)


def choose_file(label, read, patterns=("*",), start=".", multiple=False, button="Read", sent=True):
    """A list of the files in a folder, to pick from; make it the last expression of a cell.

    Where GUIDING_UPLOAD_LIMIT is set, readers see no folders: a field to send files takes its place.

    Parameters
    ----------
    label : str
    read : function
        Called with a list of paths; returns the sentence to show, or a figure as `figures.show` makes it. What it
        raises is shown in words.
    patterns : sequence of str
        Of file names, such as ``["*.csv", "*.ecsv"]``.
    start : path
        Folder to begin in: the reader's own, where the workbooks lie, unless given.
    multiple : bool
    button : str
    sent : bool
        Whether sent files serve as well; if not, a sentence says that this is for one's own computer.

    Returns
    -------
    FilePicker or OnlyHere
    """
    if LIMIT_VARIABLE in os.environ:
        accept = ",".join(pattern.removeprefix("*") for pattern in patterns if pattern != "*")
        return upload(label, read, accept, multiple, float("inf"), button) if sent else OnlyHere(label)
    folders = widgets.Dropdown(description="Folder", style={"description_width": "initial"}, layout=_FULL)
    kind = widgets.SelectMultiple if multiple else widgets.Select
    listed = kind(description="Files", rows=6, style={"description_width": "initial"}, layout=_FULL)

    def enter(folder):
        folder = Path(folder).resolve()
        inside = sorted(path for path in _seen(folder) if path.is_dir() and not path.name.startswith("."))
        named = [(f"{folder.name or folder}  (here)", folder), ("..  (one up)", folder.parent)]
        folders.options = named + [(f"{path.name}/", path) for path in inside]
        folders.value = folder
        fitting = [path for path in _seen(folder) if any(fnmatch.fnmatch(path.name.lower(), p) for p in patterns)]
        listed.options = [(path.name, path) for path in sorted(fitting) if path.is_file()]

    def files():
        picked = list(listed.value) if multiple else [listed.value] if listed.value is not None else []
        if not picked:
            raise ValueError("Pick a file first.")
        return picked

    enter(start)
    folders.observe(lambda change: enter(change["new"]) if change["new"] is not None else None, names="value")
    return FilePicker([folders, listed], files, read, button, label)


def _seen(folder):
    """What lies in a folder; nothing where it may not be read."""
    try:
        return list(folder.iterdir())
    except OSError:
        return []


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
