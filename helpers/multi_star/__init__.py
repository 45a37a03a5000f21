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

__all__ = [
    "StarMeasurements",
    "best_weights",
    "mean_variance",
    "measure_centroids",
    "measure_stars",
    "motion_covariance",
    "pair_covariance",
    "robust_mean",
    "simulate_motion",
    "snr_weights",
    "with_centroid_noise",
]
