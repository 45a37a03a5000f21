"""What runs inside a visitor's kernel besides the cells of a workbook."""

import gc
import importlib
import os
from pathlib import Path

HELPERS = Path(__file__).resolve().parents[2]


def warm():
    """Load what the workbooks use, before anybody waits for it."""
    for path in sorted(HELPERS.glob("*/drawings.py")):
        for part in ("drawings", "questions"):
            importlib.import_module(f"helpers.{path.parent.name}.{part}")
    from helpers.classroom import cards, columns, exercises, figures, forms, ledger_strip, panels, reading  # noqa: F401

    figures.png_of(figures.new_figure()[0])  # fonts
    gc.collect()
    gc.freeze()  # all this stays: no later search for garbage need go through it


def begin(variables):
    """Make ready for another workbook: what the last one made is given up, what was answered is kept.

    Parameters
    ----------
    variables : dict
        Texts for the surroundings of the cells.
    """
    import ipywidgets
    from IPython import get_ipython

    os.environ.update(variables)
    ipywidgets.Widget.close_all()
    get_ipython().reset(new_session=False)
    gc.collect()
