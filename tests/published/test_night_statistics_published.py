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


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.8])
@pytest.mark.long
def test_interval_of_a_long_log_as_arch_finds_it(memory):
    # Python package arch: StationaryBootstrap (Politis & Romano 1994), block length of Politis & White 2004. In long
    # logs both measure the same spread of the mean; that of 30 or more batches is known to about 15 %.
    import astropy.units as u
    from arch.bootstrap import StationaryBootstrap, optimal_block_length

    errors = ar1(20_000, memory, 5)
    squares = (errors - errors.mean()) ** 2
    length = float(optimal_block_length(squares)["stationary"].iloc[0])
    theirs = np.sqrt(StationaryBootstrap(max(length, 1), squares, seed=2).apply(np.mean, 2000)[:, 0])
    ours = statistics.rms_interval(errors * u.arcsec)
    assert (ours.high - ours.low) / 3.92 == pytest.approx(np.std(theirs), rel=0.35)
    assert ours.value == pytest.approx(np.mean(theirs), rel=0.01)


def test_independent_errors_against_the_classical_interval():
    # chi-squared interval of a variance of normal errors (scipy.stats.chi2), mean over 100 logs
    import astropy.units as u

    ours, classical = [], []
    for seed in range(100):
        errors = np.random.default_rng(seed).normal(0, 1, 1000)
        found = statistics.rms_interval(errors * u.arcsec)
        ours.append([found.low, found.high])
        classical.append(np.sqrt(np.sum((errors - errors.mean()) ** 2) / stats.chi2.ppf([0.975, 0.025], 999)))
    assert np.mean(ours, axis=0) == pytest.approx(np.mean(classical, axis=0), rel=0.005)


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
