"""What guiding in the near infrared gains and loses, piece by piece."""

from helpers.near_infrared.gains import (
    GAIN_QUANTITIES,
    GuideStar,
    compare_filters,
    gain_pieces,
    guide_star,
    light_against_width,
    picture_drift,
    wavelength_gain,
)
from helpers.near_infrared.refraction import (
    airmass,
    along_axes,
    differential_refraction,
    refractivity,
    standard_air,
    zenith_direction,
)

__all__ = [
    "GAIN_QUANTITIES",
    "GuideStar",
    "airmass",
    "along_axes",
    "compare_filters",
    "differential_refraction",
    "gain_pieces",
    "guide_star",
    "light_against_width",
    "picture_drift",
    "refractivity",
    "standard_air",
    "wavelength_gain",
    "zenith_direction",
]
