"""The self-check on one's own log."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from helpers.correction_loop import loop
from helpers.correction_loop.log_check import (
    CANT_TELL,
    FITTING,
    TOO_HIGH,
    TOO_LOW,
    check_log,
    correlation_curve,
    judge,
    spread_ellipse,
)

ARCSEC = u.arcsec


def log_of(gain, delay=0, wander=0.3, n=1500, seed=1):
    """Log of a mount whose pointing is a random walk, measured with noise of 1 arcsec."""
    rng = np.random.default_rng(seed)
    disturbance = np.cumsum(wander * rng.standard_normal((n, 2)), axis=0) * ARCSEC
    return loop.simulate_loop(disturbance, rng.standard_normal((n, 2)) * ARCSEC, gain, delay).logged


def test_with_delay_errors_two_exposures_apart_are_compared():
    assert check_log(log_of(0.05, delay=1), delay=1).lag == 2
    assert np.all(check_log(log_of(0.05, delay=1), delay=1).interval[:, 0] > 0)
    assert np.all(check_log(log_of(0.8, delay=1), delay=1).interval[:, 1] < 0)


@pytest.mark.long
def test_white_errors_are_judged_wrong_on_few_axes():
    # nothing but noise at gain 0.5: neither gain is visibly better. Chance of 12 in 200 at a rate of 2 %: below 1e-3.
    verdicts = [v for seed in range(100) for v in judge(white_log(40, seed), 2 * u.s, 0.5).verdict]
    assert sum(v in (TOO_LOW, TOO_HIGH) for v in verdicts) <= 0.05 * len(verdicts)


def white_log(rows, seed):
    return 0.4 * np.random.default_rng(seed).standard_normal((rows, 2)) * ARCSEC


def wormy_night(noise, exposure, rows, seed):
    """A worm of 8 arcsec in right ascension, a slow drift in declination, and noise."""
    rng = np.random.default_rng(seed)
    time = exposure * np.arange(rows)
    mount = np.column_stack([4 * np.sin(2 * np.pi * time / 480 + rng.uniform(0, 6)), 0.005 * time])
    return mount, noise * rng.standard_normal((rows, 2))


def true_widths(mount, noise, gains, exposure, star):
    """Width along each axis by running the loop itself: mean variance of the pointing inside pictures of 180 s."""
    pictures = round(180 / exposure)
    widths = []
    for gain in gains:
        pointing = loop.simulate_loop(mount * ARCSEC, noise * ARCSEC, gain).pointing.value
        cut = pointing[: len(pointing) // pictures * pictures].reshape(-1, pictures, 2)
        widths.append(np.sqrt(star**2 + 8 * np.log(2) * cut.var(axis=1).mean(axis=0)))
    return np.array(widths)


@pytest.mark.long
def test_verdicts_agree_with_the_loop_itself():
    # The loop is run again with every gain: a verdict is right where the star gets more than 3 per cent narrower.
    right, told, cases = 0, 0, 0
    for seed in range(40):
        exposure, noise, gain = ((1, 0.1, 0.05), (2, 0.9, 0.9), (2, 0.2, 0.4), (4, 0.2, 0.1), (1, 0.6, 0.6))[seed % 5]
        mount, false = wormy_night(noise, exposure, 1200, seed)
        gains = np.append(np.linspace(0.05, 1, 20), gain)
        truth = true_widths(mount, false, gains, exposure, 2.2)
        log = loop.simulate_loop(mount * ARCSEC, false * ARCSEC, gain).logged
        for axis, verdict in enumerate(judge(log, exposure * u.s, gain, 2.2 * ARCSEC).verdict):
            noticed = truth[:, axis] < truth[-1, axis] / 1.03
            lower = TOO_HIGH if noticed[gains < gain].any() else FITTING
            expected = TOO_LOW if noticed[gains > gain].any() else lower
            cases += 1
            told += verdict != CANT_TELL
            right += verdict in (expected, CANT_TELL)
    print(f"{right} of {cases} right, {told} told")
    assert right >= 0.9 * cases and told >= 0.6 * cases


def test_inside_the_band_a_gain_is_left_alone():
    mount, false = wormy_night(0.1, 4, 900, 1)
    log = loop.simulate_loop(mount * ARCSEC, false * ARCSEC, 0.05).logged
    assert judge(log, 4 * u.s, 0.05).verdict[0] == TOO_LOW
    blessed = judge(log, 4 * u.s, 0.05, band=(0.05, 0.5))
    assert blessed.verdict == (FITTING, FITTING) and "inside the band" in blessed.sentence
    assert judge(log, 4 * u.s, 0.05, band=(0.1, 0.5)).verdict[0] == TOO_LOW


@pytest.mark.parametrize("correlation", [-0.3, 0.0, 0.4])
def test_the_interval_covers_the_truth(correlation):
    rng = np.random.default_rng(7)
    hits = []
    for _ in range(60):
        series = signal.lfilter([1.0], [1.0, -correlation], rng.standard_normal((500, 2)), axis=0)
        found = check_log(series[100:] * ARCSEC)
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
    assert judge(errors, 1 * u.s, 0.5).verdict == judge(errors, 1 * u.s, 0.5).verdict


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
        (lambda: judge(nan_log(), 1 * u.s, 0.5), ValueError, "errors: expected a finite number, found nan"),
        (lambda: judge(log_of(0.5, n=60), 1 * u.s, 0.0), ValueError, "gain"),
        (lambda: judge(log_of(0.5, n=60), 0 * u.s, 0.5), ValueError, "exposure"),
        (lambda: judge(log_of(0.5, n=60), 1 * u.s, 0.5, band=(0.1,)), ValueError, "band"),
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


@given(st.integers(0, 2**32 - 1), st.integers(40, 200), st.floats(-6, 4), st.sampled_from([0, 1]))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_any_log_gives_correlations_within_one(seed, n, size, delay):
    errors = 10**size * np.cumsum(np.random.default_rng(seed).standard_normal((n, 2)), axis=0) * ARCSEC
    found = check_log(errors, delay)
    assert np.all(np.abs(found.correlation) <= 1) and np.all(np.abs(found.interval) <= 1)
    assert np.all(found.interval[:, 0] <= found.interval[:, 1])


@given(st.integers(0, 2**32 - 1), st.integers(4, 80), st.floats(-6, 6), st.floats(0.01, 0.999), st.integers(1, 100))
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
