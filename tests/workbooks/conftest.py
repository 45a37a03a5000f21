"""Which rigs the sentences of the workbooks are held to in a usual run."""

from pathlib import Path

import pytest

LATER = {"refractor", "guide telescope"}  # the demo's rig remains; the long run takes all three


@pytest.hookimpl(tryfirst=True)  # before pytest chooses by marks
def pytest_collection_modifyitems(items):
    for item in items:
        drawn = item.callspec.params.values() if hasattr(item, "callspec") else ()
        if LATER & {one for one in drawn if isinstance(one, str)} and item.path.is_relative_to(Path(__file__).parent):
            item.add_marker(pytest.mark.long)
