"""What a rig gets in the final image, what made a difference, and what to change next."""

from helpers.error_budget.causes import (
    DEMO_TARGET,
    FACTORS,
    SPREADS,
    USABLE_ERROR,
    Budget,
    Option,
    attribute,
    attribute_intervals,
    drawn_budget,
    drawn_rig,
    fwhm_map,
    predict,
    sky_magnitudes,
    unexplained,
    usual_changes,
    what_next,
)

__all__ = [
    "DEMO_TARGET",
    "FACTORS",
    "SPREADS",
    "USABLE_ERROR",
    "Budget",
    "Option",
    "attribute",
    "attribute_intervals",
    "drawn_budget",
    "drawn_rig",
    "fwhm_map",
    "predict",
    "sky_magnitudes",
    "unexplained",
    "usual_changes",
    "what_next",
]
