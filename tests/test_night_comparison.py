"""Comparing cameras: limits, errors, and intervals that cover the truth as often as they claim."""

from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.table import Table
from drawing import check_any_call, generators, numbers, quantities
from hypothesis import strategies as st
from scipy import signal

from helpers import night_comparison as nights
from helpers.shared import series as statistics

DEMO = Path(__file__).parent.parent / "demo_data"


def log_of(errors, start=0.0, step=1.0):
    time = start + step * np.arange(len(errors))
    return Table({"time": time * u.s, "ra_error": errors[:, 0] * u.arcsec, "dec_error": errors[:, 1] * u.arcsec})


def white(count, scale=1.0, seed=0):
    return np.random.default_rng(seed).normal(0, scale, (count, 2))


def test_the_demo_night_shows_the_better_camera():
    log = nights.load_log(DEMO / "night_log.ecsv")
    result = nights.compare(log[log["camera"] == "A"], log[log["camera"] == "B"])
    assert result.paired
    assert result.blocks == (2, 2)
    assert result.interval[0] < result.ratio < result.interval[1] < 1
    assert any("are few" in caution for caution in result.cautions)
    assert result.conclusion.startswith("B guides better")


def test_a_log_against_itself():
    log = log_of(white(900))
    result = nights.compare(log, log)
    assert result.ratio == pytest.approx(1)
    assert result.interval[0] < 1 < result.interval[1]
    assert "can't tell" in result.conclusion
    assert not result.paired


def test_swapping_the_cameras_inverts_the_ratio():
    a, b = nights.simulate_night(0.7, 2 * u.s, 1 * u.s, 3, np.random.default_rng(4))
    there, back = nights.compare(a, b, 500), nights.compare(b, a, 500)
    assert there.ratio * back.ratio == pytest.approx(1, rel=1e-6)
    assert there.interval[0] * back.interval[1] == pytest.approx(1, rel=1e-6)


def test_one_stretch_each_is_compared_with_a_caution():
    result = nights.compare(log_of(white(500)), log_of(white(500, 0.7, 1), start=500))
    assert not result.paired
    assert any("take turns" in caution for caution in result.cautions)
    assert "can't tell the camera from the sky" in result.conclusion
    assert result.interval[0] < 0.7 < result.interval[1]


def test_drift_of_the_sky_cancels_when_cameras_take_turns():
    ratios = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        blocks = [rng.normal(0, 1, (600, 2)) for _ in range(4)]
        grown = [block * np.exp(0.3 * (k + np.arange(600)[:, None] / 600)) for k, block in enumerate(blocks)]
        logs = [log_of(block, start=600 * k) for k, block in enumerate(grown)]
        a = Table(np.hstack([logs[0].as_array(), logs[2].as_array()]))
        b = Table(np.hstack([logs[1].as_array(), logs[3].as_array()]))
        ratios.append(nights.compare(a, b, 100).ratio)
    # the plain ratio of rms would be near exp(0.3) = 1.35
    assert np.mean(ratios) == pytest.approx(1, abs=0.03)


@pytest.mark.parametrize(
    ("log", "found"),
    [
        (log_of(white(20)), "at least 30 rows"),
        (log_of(np.zeros((100, 2))), "constant"),
        (log_of(np.full((100, 2), np.nan)), "found 0"),
        (Table({"time": [1, 2]}), "expected a table with time"),
        (None, "expected a table"),
    ],
)
def test_logs_that_tell_nothing_are_refused(log, found):
    with pytest.raises(ValueError, match="log_b") as caught:
        nights.compare(log_of(white(100)), log)
    assert found in str(caught.value)


def _covered(nights_tried):
    held = 0
    for seed in range(nights_tried):
        a, b = nights.simulate_night(0.8, 2 * u.s, 1 * u.s, 4, np.random.default_rng(seed), drift=0.2)
        result = nights.compare(a, b, n_resamples=100)
        held += result.interval[0] <= 0.8 <= result.interval[1]
    return held / nights_tried


@pytest.mark.long
def test_intervals_cover_the_truth():
    # with a coverage of 0.95, fewer than 83 of 100 nights have a chance of 2e-6 (binomial)
    assert _covered(100) >= 0.83


@pytest.mark.slow
def test_intervals_cover_the_truth_in_95_of_100_nights():
    # with a coverage of 0.95, fewer than 917 of 1,000 nights have a chance of 4e-6 (binomial)
    assert 0.917 <= _covered(1000) <= 0.995


@pytest.mark.slow
def test_equal_cameras_get_no_winner_under_a_sky_that_comes_back_and_errors_that_remember_for_a_minute():
    # with a share of 0.05, more than 19 of 120 nights have a chance of 2e-6 (binomial)
    winners = 0
    for seed in range(120):
        rng = np.random.default_rng(seed)
        turns = {"drift": 0.3, "block": 15 * u.min, "change": 5 * u.min, "sky_memory": 20 * u.min}
        low, high = nights.compare(*nights.simulate_night(1, 60 * u.s, 2 * u.s, 4, rng, **turns), 300).interval
        winners += not low <= 1 <= high
    assert winners <= 19


@pytest.mark.long
def test_cameras_with_different_memory_are_compared_fairly():
    # the log of a short mean is low on average; more so for errors that remember longer, unless that is put right
    ratios = []
    for seed in range(60):
        slow, _ = nights.simulate_night(1.0, 8 * u.s, 1 * u.s, 4, np.random.default_rng(seed), drift=0.0)
        _, quick = nights.simulate_night(1.0, 0.5 * u.s, 1 * u.s, 4, np.random.default_rng(1000 + seed), drift=0.0)
        ratios.append(np.log(nights.compare(slow, quick, 100).ratio))
    assert abs(np.mean(ratios)) < 3 * np.std(ratios) / np.sqrt(60) + 0.005


PLANS = [(0.9, 2, 4, 0.2, 5), (0.93, 2, 6, 0.2, 5), (0.9, 2, 6, 0.4, 5), (0.85, 10, 4, 0.2, 10)]


def _check_power(plan, drift, block, nights_tried, below, above):
    found = 0
    for seed in range(nights_tried):
        a, b = nights.simulate_night(*plan, np.random.default_rng(seed), drift=drift, block=block * u.min)
        low, high = nights.compare(a, b, n_resamples=100).interval
        found += not low <= 1 <= high
    expected = nights.chance_of_seeing(*plan, drift=drift, block=block * u.min)
    assert expected - below <= found / nights_tried <= expected + above


@pytest.mark.long
def test_the_planned_power_is_reached():
    # 60 nights fix a power of 0.9 to 4 points (one standard error): five of them below, chance below 1e-5
    ratio, correlation_time, pairs, drift, block = PLANS[0]
    _check_power((ratio, correlation_time * u.s, 1 * u.s, pairs), drift, block, 60, 0.25, 0.35)


@pytest.mark.slow
@pytest.mark.parametrize(("ratio", "correlation_time", "pairs", "drift", "block"), PLANS)
def test_the_planned_power_is_reached_in_many_nights(ratio, correlation_time, pairs, drift, block):
    # 300 nights fix a power of 0.85 to 2 points; 10 points below have a chance of 2e-6 (binomial). A plan is a little
    # more careful than the nights
    _check_power((ratio, correlation_time * u.s, 1 * u.s, pairs), drift, block, 300, 0.1, 0.16)


def test_a_smaller_difference_needs_more_time():
    minutes = [nights.minutes_needed(ratio, 2 * u.s, 1 * u.s).to_value(u.min) for ratio in (0.5, 0.7, 0.8, 0.9, 0.95)]
    assert minutes == sorted(minutes)
    assert minutes[-1] > minutes[0]
    same = [nights.minutes_needed(ratio, 2 * u.s, 1 * u.s) for ratio in (0.8, 1 / 0.8)]
    assert same[0] == same[1]


def test_more_drift_and_more_power_need_more_time():
    def minutes(**keywords):
        return nights.minutes_needed(0.93, 2 * u.s, 1 * u.s, **keywords).value

    assert minutes(drift=0.0) <= minutes(drift=0.2) <= minutes(drift=0.6)
    assert minutes(power=0.5) <= minutes(power=0.9) <= minutes(power=0.99)


def test_no_difference_can_not_be_planned_for():
    with pytest.raises(ValueError, match="ratio: expected one further from 1"):
        nights.minutes_needed(1.0, 2 * u.s, 1 * u.s)
    with pytest.raises(ValueError, match="block: expected at least 30 exposures"):
        nights.minutes_needed(0.7, 2 * u.s, 60 * u.s)


USABLE = {
    "ratio": numbers(0.5, 0.85),
    "correlation_time": quantities(u.s, 0, 15),
    "exposure": quantities(u.s, 0.5, 4),
    "drift": numbers(0, 0.3),
}
UNUSABLE = {"ratio": [0, 200], "exposure": [0 * u.s], "drift": [-1], "power": [0, 1], "pairs": [1], "rng": [1]}


def test_any_plan():
    def long(minutes):
        assert 30 * u.min <= minutes < 100 * u.h

    check_any_call(nights.minutes_needed, USABLE | {"power": numbers(0.5, 0.95)}, spoiled=UNUSABLE, check=long)


def test_any_chance_of_seeing():
    def between(chance):
        assert 0 <= chance <= 1

    check_any_call(nights.chance_of_seeing, USABLE | {"pairs": st.integers(2, 20)}, spoiled=UNUSABLE, check=between)


def test_any_night():
    valid = USABLE | {"pairs": st.integers(1, 5), "rng": generators()}
    check_any_call(nights.simulate_night, valid, examples=15, spoiled=UNUSABLE | {"pairs": [0]})


def test_any_two_logs():
    logs = st.builds(lambda seed: log_of(white(200, seed=seed)), st.integers(0, 2**31))
    valid = {"log_a": logs, "log_b": logs, "n_resamples": st.integers(100, 300)}
    wrong = {"log_a": [log_of(white(29)), Table({"time": [1.0]})], "n_resamples": [99, 10**9]}
    check_any_call(nights.compare, valid, examples=15, spoiled=wrong)


@pytest.mark.parametrize("function", [statistics.correlation_length, statistics.effective_samples])
def test_any_series(function):
    def counted(found):
        assert 0.99 <= found < np.inf

    valid = {"values": st.lists(st.floats(-1e6, 1e6), min_size=4, max_size=60)}
    check_any_call(function, valid, spoiled={"values": [[1.0, 2.0, 3.0]]}, check=counted)


def test_rms_and_interval():
    errors = white(2000, 0.5) * u.arcsec
    result = statistics.rms_interval(errors)
    assert result.value == pytest.approx(0.5 * np.sqrt(2), rel=0.03)
    assert result.low < result.value < result.high
    assert "to" in str(result)


@pytest.mark.parametrize(("memory", "least", "most"), [(0.0, 0.90, 0.99), (0.5, 0.88, 0.98), (0.9, 0.86, 0.97)])
@pytest.mark.long
def test_how_often_the_interval_of_one_log_holds_the_truth(memory, least, most):
    # as its description says: as often as it promises without memory, less often with a long one
    held = 0
    for seed in range(300):
        noise = np.random.default_rng(seed).standard_normal((2300, 2))
        errors = signal.lfilter([np.sqrt(1 - memory**2)], [1, -memory], noise, axis=0)[500:]
        interval = statistics.rms_interval(errors * u.arcsec)
        held += interval.low <= np.sqrt(2) <= interval.high
    assert least < held / 300 < most


def test_spectrum_holds_the_variance_and_shows_the_worm():
    time = np.arange(3000) * u.s
    error = (0.5 * np.sin(2 * np.pi * time.value / 480) + white(3000, 0.2)[:, 0]) * u.arcsec
    frequency, power = statistics.spectrum(time, error)
    assert np.sum(power * frequency[0]).value == pytest.approx(error.value.var(), rel=0.02)
    assert 1 / frequency[np.argmax(power)].value == pytest.approx(480, rel=0.1)


def test_drift():
    time = np.arange(1200) * u.s
    errors = white(1200, 0.2)
    rate, uncertainty = statistics.drift_rate(time, (errors[:, 0] + 0.01 * time.value) * u.arcsec)
    assert abs(rate.value - 0.6) < 4 * uncertainty.value
