"""The loop's algebra against general-purpose libraries and published results; each source stands beside its check."""

import astropy.units as u
import numpy as np
import pytest
from scipy import linalg, signal

from helpers.correction_loop import loop

EXPOSURE = 1.5 * u.s
CASES = [(0, 0.1), (0, 0.5), (0, 1.0), (0, 1.7), (1, 0.1), (1, 0.5), (1, 0.8)]


def denominator(gain, delay):
    """Of the loop x[k+1] = x[k] - g (x[k-delay] + n[k-delay]), written by hand: z - 1 + g or z^2 - z + g."""
    return [1, gain - 1] if delay == 0 else [1, -1, gain]


def from_noise(gain, delay):
    return signal.dlti([-gain], denominator(gain, delay), dt=EXPOSURE.value)


def from_disturbance(gain, delay):
    return signal.dlti([1, -1] if delay == 0 else [1, -1, 0], denominator(gain, delay), dt=EXPOSURE.value)


@pytest.mark.parametrize(("delay", "gain"), CASES)
def test_noise_gain_is_the_power_of_the_impulse_response(delay, gain):
    # scipy.signal.dlti: the variance gain of a filter is the sum of its squared impulse response.
    _, (response,) = signal.dimpulse(from_noise(gain, delay), n=2000)
    assert loop.noise_gain(gain, delay) == pytest.approx(np.sum(response**2), rel=1e-6)


@pytest.mark.parametrize(("delay", "gain"), CASES)
def test_noise_gain_is_the_solution_of_the_lyapunov_equation(delay, gain):
    # scipy.linalg.solve_discrete_lyapunov on the state equations: stationary covariance P = A P A' + B B'.
    state = np.array([[1 - gain]]) if delay == 0 else np.array([[1.0, -gain], [1.0, 0.0]])
    drive = np.zeros_like(state)
    drive[0, 0] = gain**2
    assert loop.noise_gain(gain, delay) == pytest.approx(linalg.solve_discrete_lyapunov(state, drive)[0, 0], rel=1e-9)


def test_noise_gain_worked_by_hand():
    # g / (2 - g) and g (1 + g) / ((1 - g) (2 + g)) at g = 1/2.
    assert loop.noise_gain(0.5) == pytest.approx(1 / 3)
    assert loop.noise_gain(0.5, delay=1) == pytest.approx(0.6)


@pytest.mark.parametrize(("delay", "gain"), CASES)
def test_curves_are_the_frequency_responses(delay, gain):
    # scipy.signal.dfreqresp of the transfer functions.
    phase = np.linspace(0.001, np.pi, 300)
    frequency = phase / (2 * np.pi) / EXPOSURE
    _, rest = signal.dfreqresp(from_disturbance(gain, delay), phase)
    _, copied = signal.dfreqresp(from_noise(gain, delay), phase)
    assert loop.rejection(frequency, EXPOSURE, gain, delay) == pytest.approx(np.abs(rest), rel=1e-9)
    assert loop.noise_response(frequency, EXPOSURE, gain, delay) == pytest.approx(np.abs(copied), rel=1e-9)


@pytest.mark.parametrize(("delay", "gain"), CASES)
def test_noise_gain_is_the_mean_of_the_squared_response(delay, gain):
    # Parseval: the mean over frequency of |L / (1 + L)|^2.
    frequency = (np.arange(20_000) + 0.5) / 40_000 / EXPOSURE
    mean = np.mean(loop.noise_response(frequency, EXPOSURE, gain, delay) ** 2)
    assert loop.noise_gain(gain, delay) == pytest.approx(mean, rel=1e-6)


@pytest.mark.parametrize("delay", [0, 1])
def test_stability_limit(delay):
    # Levin & May 1976, Theor. Popul. Biol. 9, 178: 2 cos(pi k / (2 k + 1)); and the poles found by numpy.roots.
    limit = loop.stability_limit(delay)
    assert limit == pytest.approx(2 * np.cos(np.pi * delay / (2 * delay + 1)))
    assert np.abs(np.roots(denominator(0.999 * limit, delay))).max() < 1
    assert np.abs(np.roots(denominator(1.001 * limit, delay))).max() > 1


@pytest.mark.parametrize(("delay", "gain"), [(0, 0.3), (0, 0.9), (1, 0.3), (1, 0.7)])
def test_simulation_is_the_filter_of_the_library(delay, gain):
    # scipy.signal.dlsim run on the same series of disturbance and noise.
    disturbance, noise = np.random.default_rng(8).standard_normal((2, 300, 2))
    found = loop.simulate_loop(disturbance * u.arcsec, noise * u.arcsec, gain, delay).pointing.value
    for axis in (0, 1):
        _, pushed = signal.dlsim(from_disturbance(gain, delay), disturbance[:, axis : axis + 1])[:2]
        _, shaken = signal.dlsim(from_noise(gain, delay), noise[:, axis : axis + 1])[:2]
        assert found[:, axis] == pytest.approx((pushed + shaken)[:, 0], abs=1e-9)


@pytest.mark.parametrize("delay", [0, 1])
def test_drift_residual_is_the_step_response_of_the_library(delay):
    # A ramp of 1 arcsec an exposure through scipy.signal.dlsim settles at 1 / gain.
    _, left = signal.dlsim(from_disturbance(0.25, delay), np.arange(400.0)[:, None])[:2]
    lag = loop.drift_residual(1 * u.arcsec / u.s, 1 * u.s, 0.25)
    assert lag.value == pytest.approx(left[-1, 0])


def test_log_of_pure_noise_alternates_as_the_time_series_library_says():
    # statsmodels ArmaProcess: without delay the log of pure noise is e[k+1] = (1 - g) e[k] + n[k+1] - n[k].
    from statsmodels.tsa.arima_process import ArmaProcess

    gain = 0.6
    noise = np.random.default_rng(9).standard_normal((100_000, 2)) * u.arcsec
    log = loop.simulate_loop(0 * noise, noise, gain).logged.value[:, 0]
    theory = ArmaProcess([1, gain - 1], [1, -1]).acovf(4)
    found = [np.mean(log[: len(log) - lag] * log[lag:]) for lag in range(4)]
    assert found == pytest.approx(theory, abs=0.02)
    assert theory[1] / theory[0] == pytest.approx(-gain / 2)


@pytest.mark.parametrize("wander", [0.1, 0.5])
@pytest.mark.long
def test_best_gain_for_a_wandering_mount_and_white_noise(wander):
    # Muth 1960, J. Am. Stat. Assoc. 55, 299: the best constant gain for a random walk of steps `wander` in noise of 1.
    best = (-(wander**2) + np.sqrt(wander**4 + 4 * wander**2)) / 2
    rng = np.random.default_rng(10)
    walk = np.cumsum(wander * rng.standard_normal((60_000, 2)), axis=0) * u.arcsec
    noise = rng.standard_normal((60_000, 2)) * u.arcsec

    def error(gain):
        return np.mean(loop.simulate_loop(walk, noise, gain).pointing.value ** 2)

    assert error(best) < min(error(0.7 * best), error(1.4 * best))
    # Its stationary error is the variance before a measurement of the Kalman filter, best / (1 - best).
    assert error(best) == pytest.approx(best / (1 - best), rel=0.03)
