"""The self-check on one's own log."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from helpers.correction_loop import loop
from helpers.correction_loop.log_check import FITTING, TOO_HIGH, TOO_LOW, check_log, correlation_curve, spread_ellipse

ARCSEC = u.arcsec


def log_of(gain, delay=0, wander=0.3, n=1500, seed=1):
    """Log of a mount whose pointing is a random walk, measured with noise of 1 arcsec."""
    rng = np.random.default_rng(seed)
    disturbance = np.cumsum(wander * rng.standard_normal((n, 2)), axis=0) * ARCSEC
    return loop.simulate_loop(disturbance, rng.standard_normal((n, 2)) * ARCSEC, gain, delay).logged


def best_gain(wander):
    """Smallest pointing error of a random walk of steps `wander` in noise of 1: Muth 1960, J. Am. Stat. Assoc.
    55, 299.
    """
    return (-(wander**2) + np.sqrt(wander**4 + 4 * wander**2)) / 2


def test_low_fitting_and_high_gain_are_told_apart():
    assert check_log(log_of(0.05)).verdict == (TOO_LOW, TOO_LOW)
    assert check_log(log_of(best_gain(0.3))).verdict == (FITTING, FITTING)
    assert check_log(log_of(1.2)).verdict == (TOO_HIGH, TOO_HIGH)


def test_with_delay_errors_two_exposures_apart_are_compared():
    assert check_log(log_of(0.05, delay=1), delay=1).lag == 2
    assert check_log(log_of(0.05, delay=1), delay=1).verdict == (TOO_LOW, TOO_LOW)
    assert check_log(log_of(0.8, delay=1), delay=1).verdict == (TOO_HIGH, TOO_HIGH)


def test_axes_are_judged_apart():
    errors = np.column_stack([log_of(0.05)[:, 0], log_of(1.2)[:, 1]])
    assert check_log(errors).verdict == (TOO_LOW, TOO_HIGH)


@pytest.mark.parametrize("correlation", [-0.3, 0.0, 0.4])
def test_the_interval_covers_the_truth(correlation):
    rng = np.random.default_rng(7)
    hits = []
    for _ in range(60):
        series = signal.lfilter([1.0], [1.0, -correlation], rng.standard_normal((500, 2)), axis=0)
        found = check_log(series[100:] * ARCSEC, n_resamples=300, rng=rng)
        hits += list((found.interval[:, 0] <= correlation) & (correlation <= found.interval[:, 1]))
    assert 0.85 <= np.mean(hits) <= 0.99


def test_errors_across_a_gap_are_not_compared():
    errors = log_of(0.5, n=300)
    time = 2.0 * np.arange(300)
    whole = check_log(errors, time=time * u.s)
    assert whole.pairs == 299
    time[100:] += 60
    time[200:] += 60
    assert check_log(errors, time=time * u.s).pairs == 297
    assert check_log(errors, delay=1, time=time * u.s).pairs == 298 - 4


def test_same_log_same_answer():
    errors = log_of(0.5, n=300)
    assert np.array_equal(check_log(errors).interval, check_log(errors).interval)


def test_curve_starts_at_one_and_agrees_with_the_check():
    errors = log_of(0.5)
    curve = correlation_curve(errors, 5)
    assert curve.shape == (6, 2) and np.all(curve[0] == 1)
    assert curve[1] == pytest.approx(check_log(errors).correlation, abs=0.01)


@pytest.mark.parametrize("share", [0.5, 0.95])
def test_the_ellipse_holds_its_share(share):
    errors = np.random.default_rng(2).multivariate_normal([1, -2], [[1, 0.6], [0.6, 0.5]], 20_000)
    outline = spread_ellipse(errors * ARCSEC, share).value
    assert np.allclose(outline[0], outline[-1]) and outline.mean(axis=0) == pytest.approx([1, -2], abs=0.1)
    inverse = np.linalg.inv(np.cov(errors.T))
    size = np.einsum("ka,ab,kb->k", outline - errors.mean(axis=0), inverse, outline - errors.mean(axis=0))
    inside = np.einsum("ka,ab,kb->k", errors - errors.mean(axis=0), inverse, errors - errors.mean(axis=0)) < size[0]
    assert np.ptp(size) < 1e-6 * size[0] and inside.mean() == pytest.approx(share, abs=0.01)


def nan_log():
    errors = log_of(0.5, n=60)
    errors[7, 1] = np.nan * ARCSEC
    return errors


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        (lambda: check_log(nan_log()), ValueError, "errors: expected a finite number, found nan"),
        (lambda: check_log(np.zeros((0, 2)) * ARCSEC), ValueError, "errors: expected at least one"),
        (lambda: check_log(np.zeros((9, 2)) * ARCSEC), ValueError, "at least 40 rows"),
        (lambda: check_log(np.zeros((90, 2)) * ARCSEC), ValueError, "always the same"),
        (lambda: check_log(np.zeros((90, 2))), TypeError, "errors"),
        (lambda: check_log(log_of(0.5, n=60), delay=3), ValueError, "delay"),
        (lambda: check_log(log_of(0.5, n=60), n_resamples=3), ValueError, "n_resamples"),
        (lambda: check_log(log_of(0.5, n=60), time=np.zeros(60) * u.s), ValueError, "time: expected 60 growing"),
        (lambda: check_log(log_of(0.5, n=60), time=np.arange(50) * u.s), ValueError, "time"),
        (lambda: check_log(log_of(0.5, n=50), time=np.cumsum([1, 1, 9] * 17)[:50] * u.s), ValueError, "gap"),
        (lambda: spread_ellipse(np.zeros((2, 2)) * ARCSEC), ValueError, "errors"),
        (lambda: spread_ellipse(log_of(0.5, n=60), share=1.0), ValueError, "share"),
        (lambda: correlation_curve(log_of(0.5, n=60), 60), ValueError, "lags"),
        (lambda: correlation_curve(np.zeros((60, 2)) * ARCSEC, 6), ValueError, "always the same"),
    ],
)
def test_wrong_arguments_are_named(call, error, words):
    with pytest.raises(error, match=words):
        call()


@given(st.integers(0, 2**32 - 1), st.integers(40, 200), st.floats(-6, 6), st.sampled_from([0, 1]))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_any_log_gives_correlations_within_one(seed, n, size, delay):
    errors = 10**size * np.cumsum(np.random.default_rng(seed).standard_normal((n, 2)), axis=0) * ARCSEC
    found = check_log(errors, delay, n_resamples=100)
    assert np.all(np.abs(found.correlation) <= 1) and np.all(np.abs(found.interval) <= 1)
    assert np.all(found.interval[:, 0] <= found.interval[:, 1])


@given(st.integers(0, 2**32 - 1), st.integers(3, 80), st.floats(-6, 6), st.floats(0.01, 0.999), st.integers(1, 100))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_any_log_gives_a_finite_ellipse_and_curve_or_a_named_error(seed, n, size, share, lags):
    errors = 10**size * np.random.default_rng(seed).standard_normal((n, 2)) * ARCSEC
    outline = spread_ellipse(errors, share)
    assert outline.shape == (120, 2) and np.all(np.isfinite(outline))
    try:
        curve = correlation_curve(errors, lags)
    except ValueError as error:
        assert str(error).startswith("lags:") and lags >= n
    else:
        assert curve.shape == (lags + 1, 2) and np.all(np.abs(curve) <= 1 + 1e-12)
