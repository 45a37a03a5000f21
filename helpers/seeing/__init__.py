"""The air above the telescope: how wide it makes a star, how far it moves it, and what an exposure averages away."""

from helpers.seeing.air import (
    ATMOSPHERES,
    REFERENCE_WAVELENGTH,
    Atmosphere,
    Layer,
    at_airmass,
    atmosphere_for,
    check_atmosphere,
    diffraction_fwhm,
    exposure_for_motion,
    fried_parameter,
    image_motion,
    image_motion_axes,
    motion_by_layer,
    seeing_fwhm,
    spot_fwhm,
    tilt_scale,
)

__all__ = [
    "ATMOSPHERES",
    "REFERENCE_WAVELENGTH",
    "Atmosphere",
    "Layer",
    "at_airmass",
    "atmosphere_for",
    "check_atmosphere",
    "diffraction_fwhm",
    "exposure_for_motion",
    "fried_parameter",
    "image_motion",
    "image_motion_axes",
    "motion_by_layer",
    "seeing_fwhm",
    "spot_fwhm",
    "tilt_scale",
]
