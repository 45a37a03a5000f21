"""One setting for all property tests: the same examples every time, and no time limit on a busy machine; Ctrl+C."""

import signal

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "steady",
    deadline=None,
    derandomize=True,
    database=None,
    max_examples=40,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("steady")


@pytest.fixture
def ctrl_c():
    # Where the tests themselves were started in the background, Ctrl+C is ignored, and what they start would ignore it
    # too.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)
