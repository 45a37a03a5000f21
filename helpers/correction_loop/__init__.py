"""The correction loop of a guided mount: what it measures, what it does, and what algebra says of it."""

from helpers.correction_loop.loop import (
    AXES,
    LoopResult,
    check_gain,
    drift_residual,
    noise_gain,
    noise_response,
    rejection,
    run_loop,
    simulate_loop,
    stability_limit,
    useful_frequency,
    worst_amplification,
)

__all__ = [
    "AXES",
    "LoopResult",
    "check_gain",
    "drift_residual",
    "noise_gain",
    "noise_response",
    "rejection",
    "run_loop",
    "simulate_loop",
    "stability_limit",
    "useful_frequency",
    "worst_amplification",
]
