"""How long a workbook takes, measured on the saved workbook itself.

The speeds are common practice in course planning, no source: words at 200 a minute, 45 seconds for a picture, two
minutes for a panel (its guess and answer within) and for an exercise, half a minute for any other guess and for a
form.
"""

import json
import re
from pathlib import Path

from helpers.classroom import figures
from helpers.classroom.text import say

WORDS_A_MINUTE = 200
MINUTES = {"figure": 0.75, "panel": 2, "exercise": 2, "guess": 0.5, "form": 0.5}
_REST = re.compile(r"^## .*(More|Where people go wrong|Exercises|With your own)", re.MULTILINE)
_FOLDED = re.compile(r"<details>.*?</details>", re.DOTALL)


def _words(text, folded):
    text = text if folded else _FOLDED.sub(" ", text)
    return len(re.findall(r"\w[\w'’.,-]*", re.sub(r"<[^>]*>|\$[^$]*\$", " ", text)))


def _kind(output):
    kind = output.get("metadata", {}).get(figures.KIND)
    return kind or ("figure" if "image/png" in output.get("data", {}) else "")


def _minutes_of(cell, folded):
    """Minutes for one cell: its text or what it shows, never its code."""
    if cell["cell_type"] == "markdown":
        return _words("".join(cell["source"]), folded) / WORDS_A_MINUTE
    total = 0
    kinds = [_kind(output) for output in cell.get("outputs", [])]
    for output, kind in zip(cell.get("outputs", []), kinds, strict=True):
        data = output.get("data", {})
        shown = data.get("text/html") or data.get("text/markdown") or output.get("text") or ""
        alone = kind == "guess" and "panel" not in kinds  # its answer comes at once; a panel's minutes hold both
        total += _words("".join(shown), folded or alone) / WORDS_A_MINUTE
        if kind != "guess" or alone:
            total += MINUTES.get(kind, 0)
    return total


def minutes(notebook):
    """Minutes that a workbook takes a reader.

    Parameters
    ----------
    notebook : dict
        A workbook as its file holds it, with its outputs.

    Returns
    -------
    core, whole : float
        Up to the first of the parts "More", "Where people go wrong", "Exercises", "With your own ..." without what is
        folded; and all of it, what is folded included.
    """
    cells = notebook["cells"]
    core = sum(_minutes_of(cell, folded=False) for cell in _core_of(cells))
    return core, sum(_minutes_of(cell, folded=True) for cell in cells)


def _core_of(cells):
    """The cells up to the heading that ends the core; of the cell that holds it, what stands above."""
    for cell in cells:
        text = "".join(cell["source"]) if cell["cell_type"] == "markdown" else ""
        heading = _REST.search(text)
        if heading:
            yield cell | {"source": text[: heading.start()]}
            return
        yield cell


def time_needed(number, folder="."):
    """The line that tells how long this workbook takes; make it the last expression of a cell.

    Parameters
    ----------
    number : str
        Of the workbook, such as "04"; the saved file is measured.
    folder : path
        Where the workbooks lie; a workbook's own folder unless given.

    Returns
    -------
    IPython.display.Markdown

    Raises
    ------
    ValueError
        No such workbook.
    """
    found = sorted(Path(folder).glob(f"{number}_*.ipynb"))
    if not found:
        raise ValueError(f"number: expected the number of a workbook in this folder, found {number!r}")
    core, whole = minutes(json.loads(found[0].read_text(encoding="utf-8")))
    template = (
        "**Time:** about {core:.0f} minutes to the answer; about {whole:.0f} with all that is folded or optional."
    )
    return say(template, core=core, whole=whole)
