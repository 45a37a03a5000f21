"""Statistics of a night against sources outside the project, each named beside its check."""

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from helpers.shared import series as statistics


def ar1(count, memory, seed):
    """First-order autoregressive series of unit variance, started in its steady state."""
    noise = np.random.default_rng(seed).standard_normal(count + 500)
    return lfilter([np.sqrt(1 - memory**2)], [1, -memory], noise)[500:]


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.8, 0.95])
def test_effective_samples_of_a_known_process(memory):
    # AR(1): sum of rho^k gives n (1 - rho) / (1 + rho); Priestley 1981, "Spectral analysis and time series", 5.3.2.
    found = [statistics.effective_samples(ar1(20_000, memory, seed)) for seed in range(10)]
    assert np.mean(found) == pytest.approx(20_000 * (1 - memory) / (1 + memory), rel=0.08)


@pytest.mark.parametrize("memory", [0.3, 0.8, 0.95])
@pytest.mark.parametrize("count", [1000, 20_000])
def test_block_length_as_arch_finds_it(memory, count):
    # Python package arch, optimal_block_length (Politis & White 2004 with the correction of 2009)
    from arch.bootstrap import optimal_block_length

    series = ar1(count, memory, 3) ** 2
    theirs = float(optimal_block_length(series)["stationary"].iloc[0])
    assert statistics.block_length(series) == pytest.approx(theirs, rel=0.02)


def test_bootstrap_interval_as_arch_finds_it():
    # Python package arch, StationaryBootstrap with the same mean block length
    from arch.bootstrap import StationaryBootstrap

    series = ar1(5000, 0.8, 5) ** 2
    length = statistics.block_length(series)
    ours = statistics.bootstrap_means(series, length, 20_000, np.random.default_rng(1))
    theirs = StationaryBootstrap(length, series, seed=2).apply(np.mean, 20_000)[:, 0]
    assert np.std(ours) == pytest.approx(np.std(theirs), rel=0.03)
    assert np.quantile(ours, [0.025, 0.975]) == pytest.approx(np.quantile(theirs, [0.025, 0.975]), rel=0.02)


def test_bootstrap_variance_by_formula():
    # Politis & Romano 1994, lemma 1: variance of the resampled mean from the circular autocovariance of the series
    series = ar1(400, 0.6, 7)
    n, p = series.size, 1 / 9.0
    centred = series - series.mean()
    circular = np.array([np.mean(centred * np.roll(centred, -k)) for k in range(n)])
    k = np.arange(1, n)
    weight = (1 - k / n) * (1 - p) ** k + (k / n) * (1 - p) ** (n - k)
    expected = (circular[0] + np.sum(weight * circular[1:])) / n
    means = statistics.bootstrap_means(series, 9.0, 40_000, np.random.default_rng(3))
    assert np.var(means) == pytest.approx(expected, rel=0.04)


def test_independent_errors_against_the_classical_interval():
    # chi-squared interval of a variance of normal errors: scipy.stats.chi2
    errors = np.random.default_rng(11).normal(0, 1, 4000)
    low, high = np.sqrt(
        np.quantile(statistics.bootstrap_means(errors**2, 1.0, 20_000, np.random.default_rng(1)), [0.025, 0.975])
    )
    total = np.sum(errors**2)
    expected = np.sqrt(total / stats.chi2.ppf([0.975, 0.025], errors.size))
    assert [low, high] == pytest.approx(expected, rel=0.01)


def test_drift_against_the_classical_line():
    # scipy.stats.linregress, for errors without memory
    import astropy.units as u

    time = np.arange(500.0)
    error = np.random.default_rng(5).normal(0, 0.3, 500) + 0.002 * time
    rate, uncertainty = statistics.drift_rate(time * u.min, error * u.arcsec)
    line = stats.linregress(time, error)
    assert rate.value == pytest.approx(line.slope)
    assert uncertainty.value == pytest.approx(line.stderr, rel=0.15)


def test_spectrum_against_welch():
    # scipy.signal.welch on evenly spaced data: the same level of white noise, 2 x variance x step
    import astropy.units as u
    from scipy.signal import welch

    noise = np.random.default_rng(6).normal(0, 0.5, 4096)
    _, power = statistics.spectrum(np.arange(4096) * 0.5 * u.s, noise * u.arcsec)
    _, theirs = welch(noise, fs=2.0, nperseg=512)
    assert power.value.mean() == pytest.approx(theirs[2:-2].mean(), rel=0.05)
