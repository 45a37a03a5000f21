"""A panel goes on working when the cells below it have run: no name that it uses is given to something else there."""

import symtable
from pathlib import Path

import nbformat
import pytest

WORKBOOKS = sorted((Path(__file__).resolve().parent.parent.parent / "workbooks").glob("[0-9][0-9]_*.ipynb"))


def bound(source):
    """Names that a cell binds."""
    return {name.get_name() for name in symtable.symtable(source, "cell", "exec").get_symbols() if name.is_assigned()}


def looked_up(source):
    """Names that the functions of a cell look up outside themselves, when they are called."""
    found, tables = set(), [symtable.symtable(source, "cell", "exec")]
    while tables:
        table = tables.pop()
        tables += table.get_children()
        if table.get_type() == "function":
            found |= {name.get_name() for name in table.get_symbols() if name.is_global()}
    return found


@pytest.mark.parametrize("path", WORKBOOKS, ids=lambda path: path.stem)
def test_names_of_a_panel_keep_their_meaning(path):
    cells = [cell["source"] for cell in nbformat.read(path, as_version=4)["cells"] if cell["cell_type"] == "code"]
    panels = [index for index, source in enumerate(cells) if "sliders.panel(" in source]
    assert len(panels) >= 2
    for index in panels:
        names = looked_up(cells[index])
        for earlier in cells[:index]:
            if names & bound(earlier):
                names |= looked_up(earlier)
        for later in cells[index + 1 :]:
            assert not names & bound(later), f"{path.name}: the cell {later[:50]!r} gives a new meaning to a name of a panel"
