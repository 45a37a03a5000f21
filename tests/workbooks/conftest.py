"""Which rigs the sentences of the workbooks are held to in a usual run."""

from pathlib import Path

import pytest

LATER = "refractor"  # of the three rigs the one that tells least: the demo's and a guide telescope remain


@pytest.hookimpl(tryfirst=True)  # before pytest chooses by marks
def pytest_collection_modifyitems(items):
    for item in items:
        drawn = item.callspec.params.values() if hasattr(item, "callspec") else ()
        if LATER in [value for value in drawn if isinstance(value, str)] and Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.long)
