"""A panel goes on working when the cells below it have run: no name that it uses is given to something else there."""

import symtable
from pathlib import Path

import nbformat
import pytest

WORKBOOKS = sorted((Path(__file__).resolve().parent.parent.parent / "workbooks").glob("[0-9][0-9]_*.ipynb"))

AT_ONCE = {"listcomp", "setcomp", "dictcomp", "genexpr"}  # these run where they stand


def bound(source):
    """Names that a cell binds."""
    return {name.get_name() for name in symtable.symtable(source, "cell", "exec").get_symbols() if name.is_assigned()}


def functions(source):
    """The functions that a cell defines, each with the names it looks up outside itself when it is called."""
    found = {}
    for table in symtable.symtable(source, "cell", "exec").get_children():
        tables, names = [table], set()
        while tables:
            inner = tables.pop()
            tables += inner.get_children()
            names |= {name.get_name() for name in inner.get_symbols() if name.is_global()}
        if table.get_type() == "function" and table.get_name() not in AT_ONCE:
            found[table.get_name()] = names
    return found


@pytest.mark.parametrize("path", WORKBOOKS, ids=lambda path: path.stem)
def test_names_of_a_panel_keep_their_meaning(path):
    cells = [cell["source"] for cell in nbformat.read(path, as_version=4)["cells"] if cell["cell_type"] == "code"]
    panels = [index for index, source in enumerate(cells) if "sliders.panel(" in source or "panels.panel(" in source]
    assert len(panels) >= 2
    known = {}
    for index, source in enumerate(cells):
        own = functions(source)
        known |= own
        if index not in panels:
            continue
        names, waiting = set(), list(own)
        while waiting:  # and what the functions call in their turn
            new = known.get(waiting.pop(), set()) - names
            names |= new
            waiting += new
        for later in cells[index + 1 :]:
            assert not names & bound(later), (
                f"{path.name}: the cell {later[:50]!r} gives a new meaning to a name of a panel"
            )
