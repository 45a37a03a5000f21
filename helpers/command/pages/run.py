"""Runs the cells of a workbook in this process, and keeps what each of them shows."""

import sys
from dataclasses import dataclass

import nbformat
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output


class PagesError(Exception):
    """Pages can't be made; the message is one sentence for the reader."""


@dataclass(frozen=True)
class Cell:
    """A cell that has run.

    Parameters
    ----------
    text : str
        Markdown of a text cell; empty for code.
    value : object
        What the last line of code gave: a panel, a guess, a card ...; None for a text cell.
    outputs : list of (data, metadata)
        What it displayed, as a workbook saves it.
    """

    text: str
    value: object = None
    outputs: tuple = ()


def _shell():
    """A place for a workbook's names; what this process calls its main module stays what it was."""
    main = sys.modules["__main__"]
    try:
        shell = InteractiveShell.instance()
        shell.reset()
    finally:
        sys.modules["__main__"] = main
    return shell


def cells(path):
    """Run a workbook.

    Parameters
    ----------
    path : Path
        The working directory must be the folder it lies in.

    Yields
    ------
    Cell

    Raises
    ------
    PagesError
        A cell failed.
    """
    shell = _shell()
    for number, cell in enumerate(nbformat.read(path, as_version=4)["cells"], start=1):
        if cell["cell_type"] != "code":
            yield Cell(cell["source"])
            continue
        with capture_output() as shown:
            ran = shell.run_cell(cell["source"])
        error = ran.error_before_exec or ran.error_in_exec
        if error is not None:
            raise PagesError(f"{path.stem}, cell {number}: {type(error).__name__}: {error}") from error
        outputs = [(output.data, output.metadata) for output in shown.outputs]
        if ran.result is not None and not hasattr(ran.result, "_ipython_display_"):  # what does not display itself
            outputs.append(shell.display_formatter.format(ran.result))
        yield Cell("", ran.result, tuple(outputs))
