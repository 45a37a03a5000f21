"""Can the guide camera see a movement too small for the main camera to notice? Pixels, stars on them, centres."""

from helpers.pixel_scale.scale import (
    ScaleCheck,
    allowed_motion,
    blurred_fwhm,
    centroid,
    centroid_limit,
    compare_scales,
    field_of_view,
    inside_pixel_error,
    phase_error,
    pixel_scale,
    seeing_from_picture,
    simulated_centroids,
    spot_width,
    star_image,
)

__all__ = [
    "ScaleCheck",
    "allowed_motion",
    "blurred_fwhm",
    "centroid",
    "centroid_limit",
    "compare_scales",
    "field_of_view",
    "inside_pixel_error",
    "phase_error",
    "pixel_scale",
    "seeing_from_picture",
    "simulated_centroids",
    "spot_width",
    "star_image",
]
