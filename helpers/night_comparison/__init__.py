"""Camera A or B on one night: is the difference real, and how long must one measure?"""

from helpers.night_comparison.compare import (
    Comparison,
    Interval,
    clean_log,
    compare,
    effective_samples,
    join_logs,
    load_log,
    log_fields,
    minutes_needed,
    plan_power,
    read_night,
    rms_interval,
    simulate_night,
)

__all__ = [
    "Comparison",
    "Interval",
    "clean_log",
    "compare",
    "effective_samples",
    "join_logs",
    "load_log",
    "log_fields",
    "minutes_needed",
    "plan_power",
    "read_night",
    "rms_interval",
    "simulate_night",
]
