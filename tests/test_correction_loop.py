"""The correction loop: three truths, delays, limits of a real mount, and agreement of simulation and algebra."""

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, numbers, quantities
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.correction_loop import loop

QUICK = settings(max_examples=30, deadline=None, derandomize=True)
ARCSEC = u.arcsec
# Gains up to 0.95 of the stability limit.
cases = st.sampled_from([0, 1]).flatmap(
    lambda d: st.tuples(st.just(d), st.floats(0.02, 0.95 * loop.stability_limit(d)))
)


def zeros(n):
    return np.zeros((n, 2)) * ARCSEC


def both(series):
    return np.column_stack([series, series]) * ARCSEC


def test_a_loop_worked_by_hand():
    disturbance = both([1.0, 1.0, 1.0, 1.0])
    noise = both([0.0, 0.2, 0.0, 0.0])
    at_once = loop.simulate_loop(disturbance, noise, 0.5)
    assert at_once.pointing[:, 0].value == pytest.approx([1.0, 0.5, 0.15, 0.075])
    assert at_once.logged[:, 1].value == pytest.approx([1.0, 0.7, 0.15, 0.075])
    assert at_once.corrections[:, 0].value == pytest.approx([-0.5, -0.35, -0.075, -0.0375])
    late = loop.simulate_loop(disturbance, noise, 0.5, delay=1)
    assert late.pointing[:, 0].value == pytest.approx([1.0, 1.0, 0.5, -0.1])


def test_the_log_is_pointing_plus_noise():
    rng = np.random.default_rng(1)
    disturbance, noise = rng.standard_normal((2, 50, 2)) * ARCSEC
    result = loop.simulate_loop(disturbance, noise, 0.4)
    assert np.allclose(result.logged - result.pointing, noise)
    arrived = np.vstack([np.zeros(2), np.cumsum(result.corrections.value, axis=0)[:-1]])
    assert np.allclose(result.pointing.value, disturbance.value + arrived)


def test_gain_zero_leaves_the_mount_alone():
    disturbance = both(np.arange(9.0))
    assert np.all(loop.simulate_loop(disturbance, zeros(9), 0).pointing == disturbance)


@pytest.mark.parametrize("delay", [0, 1])
@pytest.mark.parametrize("share", [0.1, 0.3, 0.6, 0.85])
@pytest.mark.long
def test_noise_gain_of_the_simulation(delay, share):
    gain = share * loop.stability_limit(delay)
    noise = np.random.default_rng(2).standard_normal((60_000, 2)) * ARCSEC
    result = loop.simulate_loop(zeros(60_000), noise, gain, delay)
    found = np.mean(result.pointing_rms.value**2)
    assert found == pytest.approx(loop.noise_gain(gain, delay), rel=0.03)


@pytest.mark.parametrize("delay", [0, 1])
@pytest.mark.parametrize("gain", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("frequency", [0.01, 0.05, 0.125, 0.25, 0.4])
def test_rejection_of_the_simulation(delay, gain, frequency):
    exposure = 2 * u.s
    cycles = both(np.sin(2 * np.pi * frequency * np.arange(4000)))
    left = loop.simulate_loop(cycles, zeros(4000), gain, delay).pointing[2000:, 0]
    copied = loop.simulate_loop(zeros(4000), cycles, gain, delay).pointing[2000:, 0]
    true_frequency = frequency / exposure
    rest = loop.rejection(true_frequency, exposure, gain, delay)
    assert left.std().value * np.sqrt(2) == pytest.approx(rest, rel=0.03)
    followed = loop.noise_response(true_frequency, exposure, gain, delay)
    assert copied.std().value * np.sqrt(2) == pytest.approx(followed, rel=0.03)


@pytest.mark.parametrize("delay", [0, 1])
def test_drift_residual_of_the_simulation(delay):
    rate, exposure, gain = 0.26 * u.arcsec / u.min, 3 * u.s, 0.3
    path = both((rate * exposure).to_value(ARCSEC) * np.arange(400))
    lag = loop.simulate_loop(path, zeros(400), gain, delay).pointing[-1, 0]
    assert lag.value == pytest.approx(loop.drift_residual(rate, exposure, gain).to_value(ARCSEC), rel=0.03)


@pytest.mark.parametrize("delay", [0, 1])
def test_just_below_the_stability_limit_errors_die_away_and_at_it_they_are_refused(delay):
    limit = loop.stability_limit(delay)
    kick = both(np.ones(4000))
    assert abs(loop.simulate_loop(kick, zeros(4000), 0.99 * limit, delay).pointing[-1, 0].value) < 1e-3
    for call in (lambda: loop.noise_gain(limit, delay), lambda: loop.simulate_loop(kick, zeros(4000), limit, delay)):
        with pytest.raises(ValueError, match=r"gain: expected below .* swings ever wider"):
            call()


@pytest.mark.parametrize("delay", [0, 1])
@pytest.mark.parametrize("gain", [0.05, 0.5, 0.9])
def test_useful_frequency_and_peak(delay, gain):
    exposure = 0.5 * u.s
    edge = loop.useful_frequency(exposure, gain, delay)
    assert loop.rejection(edge, exposure, gain, delay) == pytest.approx(1)
    assert loop.rejection(0.9 * edge, exposure, gain, delay) < 1
    where, height = loop.worst_amplification(exposure, gain, delay)
    grid = np.linspace(0, 1, 5001) * u.Hz
    assert height == pytest.approx(loop.rejection(grid, exposure, gain, delay).max(), rel=1e-4)
    assert loop.rejection(where, exposure, gain, delay) == pytest.approx(height)
    if delay == 0:
        assert height == pytest.approx(2 / (2 - gain))


def test_dead_band_leaves_small_errors_and_answers_large_ones_in_full():
    disturbance = both([0.1, 0.1, 1.0, 1.0])
    result = loop.simulate_loop(disturbance, zeros(4), 0.5, dead_band=[0.3, 0.0] * ARCSEC)
    assert result.corrections[:, 0].value == pytest.approx([0, 0, -0.5, -0.25])
    assert result.corrections[0, 1].value == pytest.approx(-0.05)


def test_largest_correction_bounds_each_command():
    result = loop.simulate_loop(both([5.0] * 6), zeros(6), 1.0, largest_correction=2 * ARCSEC)
    assert result.pointing[:, 0].value == pytest.approx([5, 3, 1, 0, 0, 0])


def test_backlash_swallows_a_change_of_direction():
    # The star is pushed one way until the gears bear on one flank, then the other way: the play of 2 must be used up
    # first.
    disturbance = both(np.concatenate([np.full(40, -3.0), np.full(200, 3.0)]))
    stiff = loop.simulate_loop(disturbance, zeros(240), 0.1)
    loose = loop.simulate_loop(disturbance, zeros(240), 0.1, backlash=[0, 2] * ARCSEC)
    assert np.allclose(loose.pointing[:, 0], stiff.pointing[:, 0])
    moved = np.abs(np.diff(loose.pointing[:, 1].value)) > 1e-12
    assert not moved[40:43].any() and moved[44:60].all()
    assert abs(loose.pointing[-1, 1].value) < 0.01  # it gets there in the end
    assert np.abs(loose.pointing[45:70, 1]).sum() > np.abs(stiff.pointing[45:70, 1]).sum()


def test_backlash_and_drift_reversing_swing():
    # Noise about balance makes the gears change flank all the time; the axis then moves less than it was told to.
    noise = np.random.default_rng(3).standard_normal((5000, 2)) * ARCSEC
    loose = loop.simulate_loop(zeros(5000), noise, 0.3, backlash=4 * ARCSEC)
    stiff = loop.simulate_loop(zeros(5000), noise, 0.3)
    assert np.abs(np.diff(loose.pointing.value, axis=0)).mean() < np.abs(np.diff(stiff.pointing.value, axis=0)).mean()


def test_a_star_lost_for_a_minute():
    exposure, n = 2, 300
    drift = both(np.linspace(0, 0.02 * exposure * n, n))  # 1.2 arcsec a minute
    seen = np.ones(n, bool)
    seen[100:130] = False
    result = loop.simulate_loop(drift, zeros(n), 0.5, seen=seen, largest_correction=0.5 * ARCSEC)
    assert np.all(result.corrections[100:130] == 0)
    assert result.pointing[130, 0].value - result.pointing[100, 0].value == pytest.approx(1.2, rel=0.01)
    assert result.pointing[150, 0].value == pytest.approx(result.pointing[99, 0].value, abs=1e-3)
    assert result.logged_rms[0] < result.pointing_rms[0]  # what was not logged does not count in the log


def test_gain_per_axis():
    kick = both([1.0, 1.0, 1.0])
    result = loop.simulate_loop(kick, zeros(3), [0.5, 1.0])
    assert result.pointing[1].value == pytest.approx([0.5, 0.0])


def test_arguments_are_not_changed():
    disturbance, noise = both([1.0, 2.0, 3.0]), both([0.1, 0.2, 0.3])
    loop.simulate_loop(disturbance, noise, 0.5, dead_band=0.1 * ARCSEC, backlash=1 * ARCSEC)
    assert disturbance[:, 0].value.tolist() == [1, 2, 3] and noise[:, 0].value.tolist() == [0.1, 0.2, 0.3]


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"disturbance": np.zeros((3, 2))}, TypeError, "disturbance: expected a quantity"),
        ({"disturbance": np.zeros((3, 2)) * u.s}, u.UnitsError, "disturbance"),
        ({"disturbance": np.zeros((0, 2)) * ARCSEC}, ValueError, "disturbance: expected at least one"),
        ({"disturbance": np.zeros((3, 3)) * ARCSEC}, ValueError, r"disturbance: expected shape \(any, 2\)"),
        ({"disturbance": np.zeros(3) * ARCSEC}, ValueError, "disturbance"),
        ({"noise": np.full((3, 2), np.nan) * ARCSEC}, ValueError, "noise: expected a finite number, found nan"),
        ({"noise": np.zeros((4, 2)) * ARCSEC}, ValueError, "noise: expected the shape of disturbance"),
        ({"gain": 2.5}, ValueError, "gain"),
        ({"gain": 1.0, "delay": 1}, ValueError, "gain: expected below 1"),
        ({"gain": -0.1}, ValueError, "gain"),
        ({"gain": np.nan}, ValueError, "gain"),
        ({"gain": [0.1, 0.2, 0.3]}, ValueError, "gain: expected one value or one for each axis"),
        ({"gain": None}, TypeError, "gain"),
        ({"delay": 2}, ValueError, "delay"),
        ({"delay": 0.5}, TypeError, "delay"),
        ({"dead_band": -1 * ARCSEC}, ValueError, "dead_band"),
        ({"dead_band": 0.1}, TypeError, "dead_band"),
        ({"dead_band": np.zeros(3) * ARCSEC}, ValueError, "dead_band: expected one value"),
        ({"backlash": np.inf * ARCSEC}, ValueError, "backlash"),
        ({"largest_correction": -1 * ARCSEC}, ValueError, "largest_correction"),
        ({"seen": [True]}, ValueError, "seen: expected 3 truth values"),
        ({"seen": [1, 1, 1]}, TypeError, "seen"),
        ({"seen": np.zeros(3, bool)}, ValueError, "seen: expected at least one exposure with a star"),
    ],
)
def test_wrong_arguments_are_named(change, error, words):
    arguments = {"disturbance": zeros(3), "noise": zeros(3), "gain": 0.5} | change
    with pytest.raises(error, match=words):
        loop.simulate_loop(**arguments)


@pytest.mark.parametrize("function", [loop.rejection, loop.noise_response])
def test_curves_refuse_frequencies_beyond_half_a_cycle_an_exposure(function):
    with pytest.raises(ValueError, match="frequency"):
        function(0.6 * u.Hz, 1 * u.s, 0.5)
    with pytest.raises(ValueError, match="gain"):
        function(0.1 * u.Hz, 1 * u.s, 0)
    with pytest.raises(u.UnitsError, match="exposure"):
        function(0.1 * u.Hz, 1 * u.m, 0.5)


@given(cases)
@QUICK
def test_noise_gain_grows_with_gain_and_delay(case):
    delay, gain = case
    assert 0 < loop.noise_gain(0.9 * gain, delay) < loop.noise_gain(gain, delay) < np.inf
    if gain < 0.95:
        assert loop.noise_gain(gain, 1) > loop.noise_gain(gain, 0)


@given(cases, st.floats(0.01, 100))
@QUICK
def test_curves_are_finite_and_bounded_by_their_peak(case, exposure_s):
    delay, gain = case
    exposure = exposure_s * u.s
    frequency = np.linspace(0, 0.5, 60) / exposure
    curve = loop.rejection(frequency, exposure, gain, delay)
    _, height = loop.worst_amplification(exposure, gain, delay)
    assert curve[0] == 0 and np.all(np.isfinite(curve)) and curve.max() <= height * (1 + 1e-6)
    assert np.all(np.isfinite(loop.noise_response(frequency, exposure, gain, delay)))
    assert 0 < loop.useful_frequency(exposure, gain, delay) < 0.5 / exposure


paths = quantities(ARCSEC, -5, 5, (6, 2))
slow = {"frequency": quantities(u.Hz, 0, 0.005), "exposure": quantities(u.s, 0.01, 100)}


@pytest.mark.parametrize(
    ("function", "others"),
    [
        (loop.noise_gain, {}),
        (loop.check_gain, {}),
        (loop.rejection, slow),
        (loop.noise_response, slow),
        (loop.useful_frequency, {"exposure": slow["exposure"]}),
        (loop.worst_amplification, {"exposure": slow["exposure"]}),
        (loop.simulate_loop, {"disturbance": paths, "noise": paths, "dead_band": quantities(ARCSEC, 0, 3)}),
    ],
)
def test_any_stable_loop(function, others):
    valid = {"gain": numbers(0.01, 0.95), "delay": st.sampled_from([0, 1])} | others
    check_any_call(function, valid, spoiled={"gain": [2, -0.1], "delay": [2, 0.5], "exposure": [0 * u.s]})


def test_any_drift():
    valid = {
        "rate": quantities(ARCSEC / u.s, -1, 1),
        "exposure": quantities(u.s, 0.01, 100),
        "gain": numbers(0.01, 2),
    }
    check_any_call(loop.drift_residual, valid, spoiled={"gain": [0, 2.1]})


@given(cases, st.integers(0, 2**32 - 1), st.floats(0, 3), st.floats(0, 5), st.floats(0.01, 5))
@QUICK
def test_any_mount_gives_finite_series(case, seed, dead_band, backlash, largest):
    delay, gain = case
    rng = np.random.default_rng(seed)
    disturbance, noise = rng.standard_normal((2, 40, 2)) * ARCSEC
    seen = rng.random(40) < 0.7
    seen[0] = True
    result = loop.simulate_loop(
        disturbance,
        noise,
        gain,
        delay,
        dead_band * ARCSEC,
        backlash=backlash * ARCSEC,
        largest_correction=largest * ARCSEC,
        seen=seen,
    )
    for series in (result.logged, result.pointing, result.corrections):
        assert series.shape == (40, 2) and np.all(np.isfinite(series))
    assert np.abs(result.corrections).max() <= largest * ARCSEC
    assert np.all(result.corrections[~seen] == 0)
