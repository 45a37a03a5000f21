"""The same small camera on planets and small galaxies: sampling, frame rate, exposure, rotation, lucky frames."""

from helpers.planetary.frames import LINKS, ROWS_PER_SECOND, frame_rate, link_rate, sensor_rate
from helpers.planetary.light import (
    EDGE_OF_A_GALAXY,
    GALAXIES,
    DiscSignal,
    disc_signal,
    faintest_surface,
    filling_exposure,
    galaxies_in_field,
    sky_limited_exposure,
)
from helpers.planetary.lucky import coherence_time, finest_detail, lucky_share
from helpers.planetary.planets import (
    LARGEST_DIAMETER,
    PLANETS,
    longest_film,
    rotation_period,
    rotation_smear,
    surface_brightness,
)
from helpers.planetary.sampling import amplifier, critical_focal_ratio, critical_pixel, pixels_across

__all__ = [
    "EDGE_OF_A_GALAXY",
    "GALAXIES",
    "LARGEST_DIAMETER",
    "LINKS",
    "PLANETS",
    "ROWS_PER_SECOND",
    "DiscSignal",
    "amplifier",
    "coherence_time",
    "critical_focal_ratio",
    "critical_pixel",
    "disc_signal",
    "faintest_surface",
    "filling_exposure",
    "finest_detail",
    "frame_rate",
    "galaxies_in_field",
    "link_rate",
    "longest_film",
    "lucky_share",
    "pixels_across",
    "rotation_period",
    "rotation_smear",
    "sensor_rate",
    "sky_limited_exposure",
    "surface_brightness",
]
