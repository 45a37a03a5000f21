"""How long "Run all" of each workbook takes, and when its first panel is alive; of several checkouts, room by room.

    PYTHONPATH=. .venv/bin/python tests/benchmarks/bench_rooms.py [another checkout ...]

Each workbook runs in a kernel of its own, whose start counts, in this checkout and in each of the others in turn.
"""

import os
import sys
import time
from pathlib import Path

import nbformat
from nbclient import NotebookClient

from helpers.command import processes


class _Clock(NotebookClient):
    """Runs a workbook and notes when its first panel is there."""

    first_panel = None

    def run(self):
        began = time.perf_counter()

        def note(cell, cell_index, **_):
            if self.first_panel is None and "panels.panel(" in cell.source:
                self.first_panel = time.perf_counter() - began

        self.on_cell_executed = note
        self.execute()
        return self.first_panel, time.perf_counter() - began


def seconds(path):
    """From the kernel's start to the first panel, and to the last cell."""
    where = {"metadata": {"path": str(path.parent)}}
    return _Clock(nbformat.read(path, 4), timeout=600, resources=where, allow_errors=False).run()


def main():
    os.environ.update(processes.fixed_surroundings())
    checkouts = [Path(__file__).parents[2], *map(Path, sys.argv[1:])]
    print("workbook", *(f"{checkout.name}: first panel, all [s]" for checkout in checkouts), sep="\t")
    for path in sorted((checkouts[0] / "workbooks").glob("*.ipynb")):
        told = [seconds(checkout / "workbooks" / path.name) for checkout in checkouts]
        print(path.stem, *(f"{first or 0:.1f}, {whole:.1f}" for first, whole in told), sep="\t", flush=True)


if __name__ == "__main__":
    main()
