"""Measuring cameras whose truth is known: gain, noise, full well, linearity, dark current, patterns, bad pixels."""

from dataclasses import replace

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, numbers, quantities
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as st_numpy
from second_camera import SecondCamera

from helpers import camera_check
from helpers.camera_check import simulated_camera, statistics
from helpers.camera_check.converter_codes import code_use
from helpers.camera_check.photon_transfer import Measured, photon_transfer

E, DN, S = u.electron, u.DN, u.s
PLAIN = simulated_camera.SimulatedCamera(hot_pixels=0, telegraph_pixels=0, row_noise=0 * E, column_noise=0 * E)


def within(measured, truth, errors=4.0):
    value, error = measured.value.value, measured.error.value
    assert abs(value - truth.to_value(measured.value.unit)) < errors * error, f"{measured}, truth {truth}"


def taken_with(rng=1, shape=(96, 128), frames=None, **changes):
    camera = replace(PLAIN, **changes)
    return camera, simulated_camera.take_frames(camera, np.random.default_rng(rng), shape=shape, **(frames or {}))


def flats_of(taken):
    return np.concatenate([frames for _, frames in taken.flats])


# --- photon transfer


@pytest.mark.parametrize("mosaic", [False, True])
@pytest.mark.parametrize(
    ("bits", "gain", "step"), [(8, 4.0, 1), (12, 1.0, 1), (12, 1.0, 16), (14, 0.4, 4), (16, 0.2, 1), (12, 3.0, 1)]
)
def test_gain_and_read_noise_are_recovered(bits, gain, step, mosaic):
    camera, taken = taken_with(
        bit_depth=bits, gain=gain * E / DN, file_step=step, mosaic=mosaic, read_noise=2.4 * E, offset=60 * DN
    )
    result = photon_transfer(taken.bias, flats_of(taken), mosaic)
    assert result.gain.unit == E / DN
    assert abs(result.gain - camera.gain / step) < 4 * result.gain_error
    assert result.gain_error < 0.02 * result.gain
    assert abs(result.read_noise - 2.4 * E) < 4 * result.read_noise_error
    assert not result.read_noise_is_limit
    assert result.plane_gain.shape == ((4,) if mosaic else (1,))
    assert np.all(np.abs(result.plane_gain / result.gain - 1) < 0.08)


@pytest.mark.long
def test_stated_errors_are_the_true_ones():
    """Of cameras whose response bends a little, as usual (a share of 1 % at full well, either way)."""
    gains, noises = [], []
    for seed in range(60):
        rng = np.random.default_rng([13, seed])
        camera = SecondCamera(rng, 1.0, 2.0, 4000.0, shape=(40, 50), bend=rng.normal(0, 0.01))
        bias, _, flats = camera.frames(np.linspace(0.1, 0.9, 6), bias=8, darks=2)
        result = photon_transfer(bias, np.concatenate([frames for _, frames in flats]))
        gains.append((result.gain - 1.0 * E / DN) / result.gain_error)
        noises.append((result.read_noise - 2 * E) / result.read_noise_error)
    for pulls in (np.array(gains, float), np.array(noises, float)):
        # Of 60 pulls the mean has a spread of 0.13 and the spread one of 0.09: limits at 4 of them.
        assert abs(pulls.mean()) < 0.55
        assert 0.65 < pulls.std() < 1.4


def test_a_response_bent_by_one_per_cent_does_not_move_the_gain_beyond_its_error():
    pulls, gains = [], []
    for seed in range(12):
        rng = np.random.default_rng([14, seed])
        bias, _, flats = SecondCamera(rng, 1.0, 2.0, 4000.0, bend=0.01).frames(np.linspace(0.1, 0.9, 6), darks=2)
        result = photon_transfer(bias, np.concatenate([frames for _, frames in flats]))
        pulls.append(float((result.gain - 1.0 * E / DN) / result.gain_error))
        gains.append(result.gain.value)
    # Mean of twelve: spread 0.3 about the at most one error that a bend of the usual size is allowed.
    assert abs(np.mean(pulls)) < 1.5
    assert np.mean(gains) == pytest.approx(1, abs=0.015)


def test_one_level_of_light_is_enough_for_the_gain():
    _, taken = taken_with()
    result = photon_transfer(taken.bias[:2], taken.flats[3][1])
    assert result.gain.value == pytest.approx(1.0, rel=0.04)


def test_the_order_of_the_flats_does_not_matter():
    _, taken = taken_with()
    flats = flats_of(taken)
    mixed = flats[np.random.default_rng(0).permutation(len(flats))]
    assert photon_transfer(taken.bias, mixed).gain.value == pytest.approx(1.0, rel=0.03)


def test_a_drifting_lamp_and_its_shading_fall_out():
    rng = np.random.default_rng(3)
    shading = 1 - 0.4 * np.linspace(-1, 1, 200)[None, :] ** 2 * np.ones((150, 1))
    bias = np.rint(rng.normal(100, 2, (4, 150, 200)))
    flats = np.stack(
        [100 + rng.poisson(3000 * level * shading) + rng.normal(0, 2, shading.shape) for level in (1, 1.06)]
    )
    assert photon_transfer(bias, np.rint(flats)).gain.value == pytest.approx(1.0, rel=0.03)


def test_flicker_in_bands_falls_out():
    rng = np.random.default_rng(3)
    bands = 1 + 0.03 * np.sin(np.arange(150) / 4 + np.array([0, 2.0])[:, None])[:, :, None]
    bias = np.rint(rng.normal(100, 2, (4, 150, 200)))
    flats = 100 + rng.poisson(3000 * bands, (2, 150, 200)) + rng.normal(0, 2, (2, 150, 200))
    assert photon_transfer(bias, np.rint(flats)).gain.value == pytest.approx(1.0, rel=0.03)


def test_one_wild_pixel_does_not_matter():
    _, taken = taken_with()
    clean = photon_transfer(taken.bias, flats_of(taken))
    taken.bias[2, 10, 20] += 30000
    wild = photon_transfer(taken.bias, flats_of(taken))
    assert wild.read_noise.value == pytest.approx(clean.read_noise.value, rel=1e-3)


def test_rounding_is_taken_off_and_hides_what_is_smaller():
    _, coarse = taken_with(gain=4 * E / DN, read_noise=3 * E, bit_depth=10, offset=50 * DN)
    result = photon_transfer(coarse.bias, flats_of(coarse))
    assert abs(result.read_noise - 3 * E) < 4 * result.read_noise_error
    _, hidden = taken_with(gain=8 * E / DN, read_noise=2 * E, bit_depth=10, offset=50 * DN)
    result = photon_transfer(hidden.bias, flats_of(hidden))
    assert result.read_noise_is_limit
    assert 2 * E < result.read_noise < 4 * E
    assert result.gain.value == pytest.approx(8, rel=0.05)


def test_numbers_with_fractions_have_no_rounding_to_take_off():
    rng = np.random.default_rng(1)
    bias, light = rng.normal(50, 0.3, (6, 100, 100)), rng.normal(0, 0.3, (2, 100, 100)) + 50
    result = photon_transfer(bias, light + rng.poisson(400, (2, 100, 100)) / 10)
    assert result.gain.value == pytest.approx(10, rel=0.05)
    assert result.read_noise.value == pytest.approx(3, rel=0.05)


def test_saturation_dynamic_range_and_snr():
    camera, taken = taken_with(frames={"levels": 6})
    flats = [frames for _, frames in taken.flats]
    bright = np.full_like(flats[0], 4095)
    result = photon_transfer(taken.bias, np.concatenate([*flats, bright]))
    assert not result.saturation_is_limit
    assert result.saturation.value == pytest.approx(camera.saturation.value, rel=0.02)
    assert result.dynamic_range == pytest.approx(result.saturation.value / (result.read_noise.value + 0.5))
    assert result.snr_max == pytest.approx(np.sqrt(result.saturation.value))
    assert not result.fitted[-1]
    below = photon_transfer(taken.bias, np.concatenate(flats))
    assert below.saturation_is_limit
    assert below.saturation < result.saturation


def test_pixels_that_are_full_before_the_converter_is():
    rng = np.random.default_rng(1)
    bias = np.rint(rng.normal(100, 2, (4, 100, 120)))
    levels = [np.minimum(rng.poisson(mean, (2, 100, 120)), 8000) for mean in (2000, 4000, 6000, 8300)]
    flats = np.concatenate([100 + level + rng.normal(0, 2, level.shape) for level in levels])
    result = photon_transfer(bias, np.rint(flats))
    assert result.saturation.value == pytest.approx(8000, rel=0.02)
    assert not result.saturation_is_limit
    assert result.gain.value == pytest.approx(1, rel=0.03)


def test_a_bent_response_does_not_spoil_the_gain_for_faint_light():
    camera, taken = taken_with(frames={"levels": 8, "flats": 4}, bend=0.15, full_well=4200 * E)
    assert photon_transfer(taken.bias, flats_of(taken)).gain.value == pytest.approx(camera.gain.value, rel=0.05)


BIAS = np.random.default_rng(0).normal(100, 3, (3, 30, 40))
FLAT = np.random.default_rng(1).poisson(1000, (4, 30, 40)) + np.random.default_rng(2).normal(100, 3, (4, 30, 40))


@pytest.mark.parametrize(
    ("bias", "flat", "error", "message"),
    [
        (BIAS[:1], FLAT, ValueError, "bias_frames: expected at least two frames, found 1"),
        (BIAS, FLAT[:1], ValueError, "flat_frames: expected at least two frames, found 1"),
        (BIAS[0], FLAT, ValueError, r"bias_frames: expected the shape \(frames, rows, columns\), found \(30, 40\)"),
        (BIAS, FLAT[:, :20], ValueError, "flat_frames: expected 30 rows and 40 columns"),
        (np.where(BIAS == BIAS[1, 2, 3], np.nan, BIAS), FLAT, ValueError, "bias_frames: frame 1, row 2, column 3"),
        (BIAS, np.where(FLAT == FLAT[0, 0, 0], np.inf, FLAT), ValueError, "flat_frames: frame 0, row 0, column 0"),
        (BIAS, np.stack([FLAT[0]] * 2), ValueError, "flat_frames: .*copies of one"),
        (BIAS, BIAS - 9, ValueError, "flat_frames: expected more signal"),
        (FLAT, BIAS, ValueError, "flat_frames: expected more signal"),
        (BIAS, BIAS + 500, ValueError, "flat_frames: expected more noise"),
        (BIAS, FLAT * np.array([1, 2, 4, 8])[:, None, None], ValueError, "two flats of the same level"),
        (BIAS[:, :10, :10], FLAT[:, :10, :10], ValueError, "bias_frames: expected at least 16 rows"),
        (BIAS.astype(str), FLAT, TypeError, "bias_frames: expected numbers"),
        (None, FLAT, TypeError, "bias_frames"),
        ([BIAS[0], BIAS[1, :5]], FLAT, ValueError, "bias_frames: expected frames of one size"),
        (BIAS * u.m, FLAT, u.UnitTypeError, "bias_frames: expected plain numbers or DN"),
        (np.empty((0, 30, 40)), FLAT, ValueError, "bias_frames: expected at least two frames, found 0"),
    ],
)
def test_wrong_frames_are_named(bias, flat, error, message):
    with pytest.raises(error, match=message):
        photon_transfer(bias, flat)


def test_frames_in_dn_are_understood():
    assert photon_transfer(BIAS * DN, FLAT * u.adu).gain == photon_transfer(BIAS, FLAT).gain


def noisy(seed, noise, level=0.0, gain=1.0):
    """Four frames of a camera, of one level of light [electron]."""
    rng = np.random.default_rng(seed)
    electrons = rng.poisson(level, (4, 20, 24)) if level else 0
    return np.rint(100 + (electrons + rng.normal(0, noise, (4, 20, 24))) / gain)


def lit(seed, noise, gain):
    return np.concatenate([noisy(seed + k, noise, level, gain) for k, level in enumerate((500, 1500, 3000))])


seeds, noises = st.integers(0, 2**31), numbers(1, 5)
bias_frames = st.builds(noisy, seeds, noises)
flat_frames = st.builds(lit, seeds, noises, numbers(0.3, 1.5))


@pytest.mark.long
def test_any_photon_transfer():
    valid = {"bias_frames": bias_frames, "flat_frames": flat_frames, "mosaic": st.booleans()}
    wrong = {"bias_frames": [np.full((2, 20, 24), np.nan), np.ones((1, 20, 24)), 1e-300 * noisy(1, 3)], "mosaic": [1]}
    check_any_call(photon_transfer, valid, spoiled=wrong)


def test_any_camera():
    def measured(bias, mosaic):
        return camera_check.measure_camera(bias, [(10 * S, noisy(1, 3)), (60 * S, noisy(2, 3))], lit(3, 3, 1.0), mosaic)

    def told(found):
        assert found.in_electrons and np.isfinite(found.dark_noise.value)

    valid = {"bias": bias_frames, "mosaic": st.sampled_from([True, False, None])}
    check_any_call(measured, valid, examples=20, spoiled={"bias": [np.ones((1, 20, 24))]}, check=told)


# --- linearity


def test_linearity_error_of_a_known_bend():
    exposures = np.arange(1, 10) * S
    straight = camera_check.linearity(exposures, 100 * exposures.value * DN, 1000 * DN)
    assert straight.error.value < 1e-9 * u.percent
    offset = camera_check.linearity(exposures, (5 + 100 * exposures.value) * DN, 1000 * DN)
    assert offset.error.value < 1e-9 * u.percent
    bent = camera_check.linearity(exposures, (100 * exposures.value - exposures.value**2) * DN, 1000 * DN)
    assert 0.5 < bent.error.value.value < 3
    assert bent.deviations.shape == (9,)


def test_linearity_leaves_out_the_ends_of_the_range():
    exposures = np.array([0.1, 1, 2, 3, 4, 20]) * S
    signals = np.array([40.0, 100, 200, 300, 400, 1000]) * DN
    result = camera_check.linearity(exposures, signals, 1000 * DN)
    assert result.used.tolist() == [False, True, True, True, True, False]
    assert result.error.value < 1e-9 * u.percent


@pytest.mark.parametrize(
    ("arguments", "error", "named"),
    [
        (([1, 2, 3, 4] * S, [1, 2, 3] * DN, 10 * DN), ValueError, "signals"),
        (([1, 2, 3] * S, [1, 2, 3] * DN, 10 * DN), ValueError, "at least four levels"),
        (([1, 2, 3, -4] * S, [1, 2, 3, 4] * DN, 10 * DN), ValueError, "exposures"),
        (([1, 2, 3, 4], [1, 2, 3, 4] * DN, 10 * DN), TypeError, "exposures"),
        (([1, 2, 3, 4] * S, [1, 2, 3, np.nan] * DN, 10 * DN), ValueError, "signals"),
        (([1, 2, 3, 4] * S, [1, 2, 3, 4] * DN, 10 * E), u.UnitsError, "saturation"),
        (([1, 2, 3, 4] * S, [1, 2, 3, 4] * DN, 0 * DN), ValueError, "saturation"),
    ],
)
def test_wrong_arguments_of_linearity_are_named(arguments, error, named):
    with pytest.raises(error, match=named):
        camera_check.linearity(*arguments)


def test_any_linearity():
    valid = {
        "exposures": quantities(S, 0.1, 10).map(lambda shortest: shortest * np.arange(1, 7)),
        "signals": quantities(DN, 100, 900, (6,)),
        "saturation": quantities(DN, 1000, 1500),
        "scatter": numbers(0, 0.1),
    }
    wrong = {"exposures": [[1, 2, 3, 4, 5, 0] * S], "saturation": [0 * DN], "scatter": [-1]}
    check_any_call(camera_check.linearity, valid, spoiled=wrong)


# --- the whole camera


@pytest.mark.parametrize("mosaic", [False, True])
def test_all_parts_of_a_camera_are_recovered(mosaic):
    camera, taken = taken_with(
        shape=(128, 160),
        frames={"bias": 12, "darks": 6, "flats": 4},
        mosaic=mosaic,
        dsnu=1.0 * E,
        prnu=0.01,
        row_noise=0.6 * E,
        column_noise=0.4 * E,
        dark_current=0.1 * E / S,
    )
    measured = camera_check.measure_camera(taken.bias, taken.darks, taken.flats)
    assert measured.mosaic == mosaic
    assert measured.in_electrons
    within(measured.dsnu, camera.dsnu)
    within(measured.dsnu_pixels, camera.dsnu)
    within(measured.prnu, 1 * u.percent)
    within(measured.row_noise, camera.row_noise)
    within(measured.column_noise, camera.column_noise)
    within(measured.pixel_noise, camera.read_noise)
    within(measured.dark_noise, np.sqrt(2**2 + 0.6**2 + 0.4**2) * E)
    within(measured.dark_current, camera.dark_current)
    within(measured.dark_current_from_noise, camera.dark_current)
    assert measured.linearity.error.value < 0.1 * u.percent
    assert measured.dsnu_rows.limit == measured.dsnu_columns.limit == "below"
    assert abs(measured.correlation.value) < 5 * measured.correlation.error
    assert measured.frames == {"bias": 12, "dark": 12, "flat": 24}
    assert measured.longest_dark == 60 * S


def test_fixed_stripes_are_split_from_single_pixels():
    rng = np.random.default_rng(1)
    pattern = 100 + rng.normal(0, 3, (120, 1)) + rng.normal(0, 5, 160) + rng.normal(0, 2, (120, 160))
    measured = camera_check.measure_camera(np.rint(pattern + rng.normal(0, 4, (8, 120, 160))))
    assert not measured.in_electrons
    for part, truth in (("rows", 3), ("columns", 5), ("pixels", 2)):
        found = getattr(measured, f"dsnu_{part}")
        assert found.value.unit == DN
        assert abs(found.value.value - truth) < 4 * found.error.value + 0.05


def test_each_bad_pixel_is_found_and_no_other():
    rng = np.random.default_rng(1)
    _, taken = taken_with(shape=(64, 80), frames={"bias": 16, "flats": 4})
    hot, cold, jumping, wild = (5, 6), (20, 30), (40, 50), (60, 70)
    for _, frames in taken.darks:
        frames[(slice(None), *hot)] += 300
    for _, frames in taken.flats:
        frames[(slice(None), *cold)] = 100 + (frames[(slice(None), *cold)] - 100) // 5
    taken.bias[(slice(None), *jumping)] += (40 * (rng.random(16) < 0.5)).astype(np.uint16)
    taken.bias[(slice(None), *wild)] = 100 + rng.normal(0, 25, 16).round()
    bad = camera_check.measure_camera(taken.bias, taken.darks, taken.flats).bad_pixels
    assert bad.hot.tolist() == [[*hot]]
    assert bad.cold.tolist() == [[*cold]]
    assert bad.telegraph.tolist() == [[*jumping]]
    assert bad.noisy.tolist() == [[*wild]]
    assert bad.pixels == 64 * 80


def test_one_event_is_left_out_and_named():
    _, taken = taken_with(shape=(64, 80), frames={"bias": 9})
    clean = camera_check.measure_camera(taken.bias, taken.darks, taken.flats)
    taken.bias[8, 10, 11] += 2000  # the odd frame at the end is looked at too
    measured = camera_check.measure_camera(taken.bias, taken.darks, taken.flats)
    assert measured.events == (("bias frame 9", 10, 11),)
    assert measured.dsnu.value.value == pytest.approx(clean.dsnu.value.value, rel=0.02)
    assert len(measured.bad_pixels.noisy) == len(measured.bad_pixels.telegraph) == 0


def test_damaged_rows_are_named():
    _, taken = taken_with(shape=(64, 80))
    taken.darks[1][1][2, 30:40] = 0
    measured = camera_check.measure_camera(taken.bias, taken.darks, taken.flats)
    assert measured.damaged == (("dark frame 3", 30, 39),)


def test_light_from_one_side_and_drift_are_seen():
    _, taken = taken_with(light_leak=1 * E / S, black_level_drift=6 * E)
    measured = camera_check.measure_camera(taken.bias, taken.darks, taken.flats)
    assert measured.dark_shading.value - 4 * measured.dark_shading.error > 0.3 * E / S
    assert measured.shading_edge == "the first columns"
    within(measured.black_level_drift, 6 * E)


def test_smoothing_is_seen_as_correlation():
    _, taken = taken_with(smoothing=0.1)
    measured = camera_check.measure_camera(taken.bias, taken.darks, taken.flats)
    share = np.array([0.1, 0.8, 0.1])
    expected = np.sum(share[1:] * share[:-1]) / np.sum(share**2)
    assert measured.correlation_lag == (0, 1)
    assert measured.correlation.value.value == pytest.approx(expected, abs=0.02)


def test_flats_may_come_in_one_heap():
    _, taken = taken_with(shape=(64, 80))
    measured = camera_check.measure_camera(taken.bias, taken.darks, flats_of(taken))
    assert measured.photon_transfer.gain.value == pytest.approx(1, rel=0.03)
    assert measured.linearity is None
    assert len(measured.photon_transfer.signal) == len(taken.flats)


def test_wrong_sets_are_named():
    _, taken = taken_with(shape=(32, 40))
    with pytest.raises(ValueError, match="bias: expected at least two frames"):
        camera_check.measure_camera(taken.bias[:1])
    with pytest.raises(ValueError, match="darks: expected 32 rows"):
        camera_check.measure_camera(taken.bias, [(1 * S, taken.bias[:, :20])])
    with pytest.raises(TypeError, match="darks"):
        camera_check.measure_camera(taken.bias, [(60, taken.bias)])
    with pytest.raises(ValueError, match="flats"):
        camera_check.measure_camera(taken.bias, (), [(-1 * S, taken.bias)])


def test_values_are_written_with_their_error():
    assert str(Measured(1.2345 * E, 0.05 * E)) == "1.23 ± 0.05 electron"
    assert str(Measured(123.4 * E, 20.0 * E)) == "123 ± 20 electron"
    assert str(Measured(0.9023 * E, 0.0098 * E)) == "0.90 ± 0.01 electron"
    assert str(Measured(0.9023 * E, 0.0144 * E)) == "0.902 ± 0.014 electron"
    assert str(Measured(1.2345 * E, 0 * E, "below")) == "below 1.23 electron"
    assert str(Measured(0.5 * u.dimensionless_unscaled, 0.01 * u.dimensionless_unscaled)) == "0.500 ± 0.010"


# --- the numbers in the file


def histogram(values):
    return [np.unique(np.asarray(values), return_counts=True)]


@pytest.fixture(scope="module")
def values():
    return np.rint(np.random.default_rng(1).normal(2000, 40, 400_000)).astype(np.int64)


@pytest.mark.parametrize(
    ("change", "step", "bits"),
    [
        (lambda v: v, 1, 12),
        (lambda v: v * 16, 16, 12),
        (lambda v: v * 4, 4, 12),
        (lambda v: v // 16, 1, 8),
        (lambda v: v * 8, 8, 12),
        (lambda v: v * 7, 1, 14),
        (lambda v: v / 4096, 1 / 4096, 12),
    ],
)
def test_step_and_bits_are_recognised(values, change, step, bits):
    found = code_use(histogram(change(values)))
    assert found.step == pytest.approx(step)
    assert found.bits == bits or found.stretch > 1
    assert found.bits_at_least
    assert found.missing == 0


def test_twelve_bits_stretched_to_sixteen(values):
    found = code_use(histogram(np.rint(values * 65535 / 4095)))
    assert found.stretch == pytest.approx(65535 / 4095, rel=1e-3)
    assert (found.bits, found.missing) == (12, 0)


@pytest.mark.parametrize("last", [3, 8, 15])
def test_a_code_that_never_comes(values, last):
    found = code_use(histogram(np.where(values % 16 == last, values + 1, values)))
    assert found.missing >= 10
    assert found.missing_example % 16 == last


@pytest.mark.parametrize("bit", [1, 2, 3, 4])
def test_a_stuck_bit(values, bit):
    found = code_use(histogram(values & ~(1 << bit)))
    assert found.missing_share > 0.2
    assert found.stretch == 1


def test_piles_at_the_ends(values):
    clipped = code_use(histogram(np.maximum(values, 1980)))
    assert clipped.piled_low
    assert not clipped.piled_high
    full = code_use(histogram(np.minimum(values, 2047)))
    assert full.piled_high
    assert not full.piled_low
    assert (full.bits, full.bits_at_least) == (12, False)
    assert code_use(histogram(np.maximum(values - 2080, 0))).piled_low
    fine = code_use(histogram(values))
    assert not (fine.piled_low or fine.piled_high)


def test_damaged_values_do_not_hide_the_step(values):
    scaled = values * 16
    scaled[:3] += 5
    found = code_use(histogram(scaled))
    assert (found.step, found.off_step) == (16, 3)


def test_averages_have_no_step(values):
    spread = np.random.default_rng(2).normal(100, 3, 5000)
    assert code_use(histogram(spread)).step == 0
    assert code_use(histogram(values[:-1] / 3)).step == pytest.approx(1 / 3, rel=1e-6)


def test_no_values_are_refused():
    with pytest.raises(ValueError, match="histograms"):
        code_use([])


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st_numpy.arrays(np.float64, st.integers(1, 60), elements=st.floats(-1e6, 1e6)))
def test_any_values_are_described(values):
    found = code_use(histogram(values))
    assert found.lowest <= found.highest
    assert np.isfinite([found.step, found.stretch, found.missing_share]).all()


# --- invented cameras


@pytest.mark.parametrize(
    ("changes", "error", "named"),
    [
        ({"gain": 0 * E / DN}, ValueError, "gain"),
        ({"read_noise": 3}, TypeError, "read_noise"),
        ({"offset": -1 * DN}, ValueError, "offset"),
        ({"prnu": 0.9}, ValueError, "prnu"),
        ({"bit_depth": 40}, ValueError, "bit_depth"),
        ({"bit_depth": 12, "file_step": 32}, ValueError, "file_step"),
        ({"missing_code": 16}, ValueError, "missing_code"),
        ({"dark_current": 1 * E}, u.UnitsError, "dark_current"),
    ],
)
def test_wrong_properties_are_named(changes, error, named):
    with pytest.raises(error, match=named):
        simulated_camera.SimulatedCamera(**changes)


@pytest.mark.parametrize(
    ("arguments", "error", "named"),
    [
        ({"camera": 1}, TypeError, "camera"),
        ({"rng": 1}, TypeError, "rng"),
        ({"bias": 1}, ValueError, "bias"),
        ({"shape": (8, 40)}, ValueError, "shape"),
        ({"levels": 0}, ValueError, "levels"),
        ({"dark_exposures": [-1] * S}, ValueError, "dark_exposures"),
    ],
)
def test_wrong_sets_are_refused(arguments, error, named):
    with pytest.raises(error, match=named):
        simulated_camera.take_frames(**{"camera": PLAIN, "rng": np.random.default_rng(1), **arguments})


def test_the_same_seed_gives_the_same_frames():
    first, second = (taken_with(7, shape=(20, 24))[1] for _ in range(2))
    np.testing.assert_array_equal(first.bias, second.bias)
    np.testing.assert_array_equal(flats_of(first), flats_of(second))


@pytest.mark.parametrize("fault", simulated_camera.FAULTS)
def test_a_fault_is_named_and_grows_from_nothing(fault):
    gross = simulated_camera.with_fault(PLAIN, fault)
    assert (gross == PLAIN) == (fault == "none")
    for strength, error in ((1.5, ValueError), (np.nan, ValueError), ("much", TypeError)):
        with pytest.raises(error, match="strength"):
            simulated_camera.with_fault(PLAIN, fault, strength)
    with pytest.raises(ValueError, match="fault: expected one of"):
        simulated_camera.with_fault(PLAIN, "rust")
    with pytest.raises(TypeError, match="camera"):
        simulated_camera.with_fault(3, fault)


EVEN = np.ones((20, 24))
HOLED = np.where(np.arange(480).reshape(20, 24) == 50, np.nan, 1.0)


@pytest.mark.parametrize(
    ("call", "error", "named"),
    [
        (lambda: statistics.planes_of(HOLED, True), ValueError, "frame: row 2, column 2"),
        (lambda: statistics.planes_of(np.nan, True), ValueError, "frame"),
        (lambda: statistics.planes_of([["a", "b"]] * 2, False), TypeError, "frame"),
        (lambda: statistics.split_pattern(HOLED, (0, 0, 1), 4), ValueError, "mean_frame: row 2, column 2"),
        (lambda: statistics.split_pattern(1e300 * EVEN, (0, 0, 1), 4), ValueError, "mean_frame"),
        (lambda: statistics.split_pattern(EVEN, (0, np.nan, 1), 4), ValueError, "temporal"),
        (lambda: statistics.split_pattern(EVEN, (0, 1), 4), ValueError, "temporal"),
        (lambda: statistics.split_pattern(EVEN, (0, 0, 1), 0), ValueError, "frames"),
        (lambda: statistics.take_off_shading(HOLED), ValueError, "frame: row 2, column 2"),
        (lambda: statistics.take_off_shading(EVEN, 4), ValueError, "box"),
        (lambda: statistics.take_off_shading(EVEN, 0), ValueError, "box"),
    ],
)
def test_statistics_of_planes_refuse_what_is_no_picture(call, error, named):
    with pytest.raises(error, match=named):
        call()
