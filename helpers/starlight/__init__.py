"""How much light a guide star gives a sensor, and how well its centre can be known."""

from helpers.starlight.centroid_noise import centroid_error, electrons_needed, signal_to_noise
from helpers.starlight.faint_stars import found_frames
from helpers.starlight.light import GainSetting, detected_spectrum, gain_setting, mosaic_shares
from helpers.starlight.simulated_frames import bin_frames, hot_pixel_map, render_frames
from helpers.starlight.spectra import (
    BANDS,
    SPECTRAL_CLASSES,
    WAVELENGTHS,
    gaia_minus_visual,
    photon_flux,
    quantum_efficiency,
)
from helpers.starlight.view import StarSignal, View, view, view_of_arrived
from helpers.starlight.widths import detected_wavelength, guide_star_fwhm, picture_star_fwhm

__all__ = [
    "BANDS",
    "SPECTRAL_CLASSES",
    "WAVELENGTHS",
    "GainSetting",
    "StarSignal",
    "View",
    "bin_frames",
    "centroid_error",
    "detected_spectrum",
    "detected_wavelength",
    "electrons_needed",
    "found_frames",
    "gaia_minus_visual",
    "gain_setting",
    "guide_star_fwhm",
    "hot_pixel_map",
    "mosaic_shares",
    "photon_flux",
    "picture_star_fwhm",
    "quantum_efficiency",
    "render_frames",
    "signal_to_noise",
    "view",
    "view_of_arrived",
]
