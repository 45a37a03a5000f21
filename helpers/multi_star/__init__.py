"""Many guide stars: how alike the air moves them, what averaging removes, and what it can't."""

from helpers.multi_star.averaging import (
    StarMeasurements,
    best_weights,
    mean_variance,
    measure_centroids,
    measure_stars,
    motion_covariance,
    pair_covariance,
    robust_mean,
    simulate_motion,
    snr_weights,
    with_centroid_noise,
)
from helpers.multi_star.field_mean import MeanMotion, MeasuredStars, measure_field
from helpers.multi_star.frame_motion import Estimate, FrameMotion, analyse_run, seeing_by_layers
from helpers.multi_star.losing import chance_of_missing, cloud_that_hides, fallback_exposure
from helpers.multi_star.own_frames import GuideRun, find_stars, measure_run, read_guide_run
from helpers.multi_star.simulated_run import SimulatedRun, simulate_run

__all__ = [
    "Estimate",
    "FrameMotion",
    "GuideRun",
    "MeanMotion",
    "MeasuredStars",
    "SimulatedRun",
    "StarMeasurements",
    "analyse_run",
    "best_weights",
    "chance_of_missing",
    "cloud_that_hides",
    "fallback_exposure",
    "find_stars",
    "mean_variance",
    "measure_centroids",
    "measure_field",
    "measure_run",
    "measure_stars",
    "motion_covariance",
    "pair_covariance",
    "read_guide_run",
    "robust_mean",
    "seeing_by_layers",
    "simulate_motion",
    "simulate_run",
    "snr_weights",
    "with_centroid_noise",
]
