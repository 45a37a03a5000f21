"""Any workbook, run for any rig in a reader's folder, with what its forms answer, and its page."""

import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

import ipywidgets as widgets
import pytest

from helpers import rig as rigs
from helpers.classroom import columns, forms, stills
from helpers.command import pages_folder
from helpers.command.pages import make, run
from helpers.rig.files import RIG_VARIABLE

ROOT = Path(__file__).resolve().parent.parent
NAMES = sorted(path.stem for path in (ROOT / "workbooks").glob("[0-9][0-9]_*.ipynb"))
_FILLED = forms.Form | forms.FilePicker | columns.FilesThenForm


@dataclass(frozen=True)
class Ran:
    """A workbook that has run.

    Parameters
    ----------
    outputs : list of list of (data, metadata)
        What each cell showed.
    live : list of str
        HTML of every widget that it made, and of all that its forms answered.
    filled : int
        Fields filled and files sent.
    page : Path
    """

    outputs: list
    live: list
    filled: int
    page: Path


class Reader:
    """A reader's folder: workbooks, data and a rig; each workbook is run when it is asked for, once.

    Parameters
    ----------
    rig : Rig
    folder : Path
        Empty.
    fill : function, optional
        Called with each form and each field for files; an iterator that fills and sends it once a step.
    """

    def __init__(self, rig, folder, fill=lambda piece: []):
        self._folder, self._fill, self._ran = folder, fill, {}
        for name in ("workbooks", "demo_data"):
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("my_*", "__pycache__"))
        self._rig = folder / "workbooks" / rigs.SAVED_RIG
        rigs.save_rig(rig, self._rig)
        self.pages = folder / "pages"
        pages_folder.claim(self.pages)
        make.write_front(self.pages, NAMES)

    def ran(self, name):
        """The workbook of that name as `Ran`."""
        if name not in self._ran:
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(sys, "path", list(sys.path))
                patch.chdir(self._folder / "workbooks")
                patch.setenv(RIG_VARIABLE, str(self._rig))
                patch.setattr(stills, "places", _one_place)
                self._ran[name] = self._run(name)
        return self._ran[name]

    def _run(self, name):
        path = Path(f"{name}.ipynb").resolve()
        cells, live, filled = list(run.cells(path)), _shown_by_widgets(), 0
        for piece in (cell.value for cell in cells if isinstance(cell.value, _FILLED)):
            for _ in self._fill(piece):
                live |= _shown_by_widgets()
                filled += 1
        make.write_room(path, cells, self.pages / name, NAMES, [1])
        widgets.Widget.close_all()
        outputs = [list(cell.outputs) for cell in cells]
        return Ran(outputs, sorted(live), filled, self.pages / name / "index.html")


def _shown_by_widgets():
    return {one.value for one in widgets.Widget.widgets.values() if isinstance(one, widgets.HTML)}


def _one_place(control, widget, most):
    """In place of `stills.places`: a control stays where it starts (a film shows one more), so that little is drawn."""
    return [control.start, control.start + 1] if control.interval else [control.start]


def fill_with(text, paths):
    """A function for `Reader` that writes a text into one field after the other, and sends one file after the other.

    Parameters
    ----------
    text : str
    paths : iterable of Path

    Returns
    -------
    function
    """

    def fill_form(form):
        for field in form._inputs.values():
            if isinstance(field, widgets.Text):
                before, field.value = field.value, text
                form.save()
                yield
                field.value = before

    def fill(piece):
        if isinstance(piece, forms.Form):
            yield from fill_form(piece)
            return
        picker = getattr(piece, "picker", piece)
        for path in paths:
            picker._files = lambda path=path: [path]
            picker.read()
            yield
            if picker is not piece and piece.form is not None:
                yield from fill_form(piece.form)

    return fill
