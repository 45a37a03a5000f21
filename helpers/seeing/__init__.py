"""The air above the telescope: how wide it makes a star, how far it moves it, and what an exposure averages away."""

from helpers.seeing.air import REFERENCE_WAVELENGTH, Atmosphere, Layer, at_airmass
from helpers.seeing.named_air import ATMOSPHERES, atmosphere_for
from helpers.seeing.wander import exposure_for_motion, image_motion, image_motion_axes, motion_by_layer, tilt_scale
from helpers.seeing.widths import diffraction_fwhm, fried_parameter, seeing_fwhm, spot_fwhm

__all__ = [
    "ATMOSPHERES",
    "REFERENCE_WAVELENGTH",
    "Atmosphere",
    "Layer",
    "at_airmass",
    "atmosphere_for",
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
