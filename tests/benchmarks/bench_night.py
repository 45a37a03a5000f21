"""Bootstrap of a long log against the package arch, side by side; prints a table row. Run by hand."""

import time

import numpy as np
from arch.bootstrap import StationaryBootstrap
from scipy.signal import lfilter

from helpers.shared import series as statistics


def main():
    noise = np.random.default_rng(1).standard_normal(30_000)
    squares = lfilter([0.6], [1, -0.8], noise) ** 2
    length = statistics.block_length(squares)
    ours, theirs = [], []
    for seed in range(3):
        start = time.perf_counter()
        means = statistics.bootstrap_means(squares, length, 5000, np.random.default_rng(seed))
        ours.append(time.perf_counter() - start)
        start = time.perf_counter()
        other = StationaryBootstrap(length, squares, seed=seed).apply(np.mean, 5000)[:, 0]
        theirs.append(time.perf_counter() - start)
    interval, other = (np.sqrt(np.quantile(values, [0.025, 0.975])) for values in (means, other))
    print("| what | ours | other | ratio |\n| --- | --- | --- | --- |")
    print(
        f"| 5,000 resamples of 30,000 errors (arch StationaryBootstrap) | {min(ours):.3f} s | {min(theirs):.3f} s | "
        f"{min(theirs) / min(ours):.0f} times faster |"
    )
    print(
        f"| ends of the 95 % interval of the rms | {interval.round(4)} | {other.round(4)} | "
        f"{100 * np.max(np.abs(interval / other - 1)):.2f} % apart |"
    )


if __name__ == "__main__":
    main()
