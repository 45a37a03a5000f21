"""One setting for all property tests: the same examples every time, and no time limit on a busy machine."""

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
