"""Runs workbooks and saves them with their outputs, so that they can be read where nothing runs.

Called as ``python -m helpers.command.workbooks PATH...`` by ``python3 -m helpers refresh``.
"""

import os
import sys
import time
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

from helpers.command import processes

# The live part of a panel. It means nothing without the kernel that made it, and would hide the picture saved beside
# it.
WIDGET_VIEW = "application/vnd.jupyter.widget-view+json"
_SECONDS_A_CELL = 300


class WorkbookError(Exception):
    """A workbook did not run to its end; the message names the cell and the error."""


def run(workbook, folder):
    """Run all cells of a workbook, outputs replaced.

    Parameters
    ----------
    workbook : nbformat.NotebookNode
        Changed in place.
    folder : str or Path
        Working directory of the cells: the folder the workbook lies in.

    Raises
    ------
    WorkbookError
        A cell failed, took too long, or the kernel died.
    """
    running = []
    client = NotebookClient(
        workbook,
        timeout=_SECONDS_A_CELL,
        kernel_name="python3",
        resources={"metadata": {"path": str(folder)}},
        record_timing=False,
        extra_arguments=["--log-level=CRITICAL"],
        store_widget_state=False,
        on_cell_start=lambda cell, cell_index: running.append((cell_index, cell)),
    )
    try:
        client.execute()
    except Exception as error:
        if hasattr(client, "_async_cleanup_kernel_future"):  # nbclient has ended the kernel because it was told to stop
            raise KeyboardInterrupt from error
        if not isinstance(error, CellExecutionError | CellTimeoutError | DeadKernelError):
            raise
        index, cell = running[-1]  # a kernel that does not start at all raises another error
        first_line = cell["source"].strip().splitlines()[0]
        what = f"{error.ename}: {error.evalue}" if isinstance(error, CellExecutionError) else str(error)
        raise WorkbookError(f"cell {index + 1} ({first_line!r:.60}): {what}") from error


def tidy(workbook):
    """Take away what differs from run to run or hides a panel's picture; execution counts stay.

    Parameters
    ----------
    workbook : nbformat.NotebookNode
        Changed in place.
    """
    workbook["metadata"].pop("widgets", None)
    workbook["metadata"]["language_info"] = {"name": "python"}  # a run writes the version of Python there
    for cell in workbook["cells"]:
        cell["metadata"].pop("execution", None)
        for output in cell.get("outputs", []):
            output.get("data", {}).pop(WIDGET_VIEW, None)
        if "outputs" in cell:
            # what had only a live part leaves nothing behind
            cell["outputs"] = [output for output in cell["outputs"] if output.get("data", True)]


def refresh(path):
    """Run a workbook and save it with its outputs; a workbook that fails is left as it was.

    Parameters
    ----------
    path : Path

    Raises
    ------
    WorkbookError
        As `run`.
    """
    workbook = nbformat.read(path, as_version=4)
    run(workbook, path.parent)
    tidy(workbook)
    nbformat.validate(workbook)
    partial = path.with_name(path.name + ".partial")
    try:
        partial.write_text(nbformat.writes(workbook).rstrip("\n") + "\n", encoding="utf-8", newline="\n")
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)


def main(paths):
    """Refresh each workbook in turn; exit status 1 if one of them failed."""
    failed = 0
    for path in map(Path, paths):
        began = time.monotonic()
        print(f"{path.stem} ... ", end="", flush=True)
        try:
            refresh(path)
        except WorkbookError as error:
            failed += 1
            print(f"failed and left as it was; {error}", flush=True)
        else:
            print(f"{time.monotonic() - began:.0f} s", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(processes.politely(main, sys.argv[1:]))
