"""Camera A or B on one night: is the difference real, and how long must one measure?"""

from helpers.night_comparison.compare import FEWEST_TURNS, Comparison, compare
from helpers.night_comparison.log import clean_log, join_logs, load_log, log_fields, read_night, runs
from helpers.night_comparison.power import Plan, chance_of_seeing, minutes_needed, plan, simulate_night
from helpers.shared.series import Interval, effective_samples, memory, rms_interval

__all__ = [
    "FEWEST_TURNS",
    "Comparison",
    "Interval",
    "Plan",
    "chance_of_seeing",
    "clean_log",
    "compare",
    "effective_samples",
    "join_logs",
    "load_log",
    "log_fields",
    "memory",
    "minutes_needed",
    "plan",
    "read_night",
    "rms_interval",
    "runs",
    "simulate_night",
]
