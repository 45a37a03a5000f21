"""Many stars: covariances, weights, robust means, and simulated motion that keeps to the integrals."""

import tracemalloc

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import integrate, special

from helpers.multi_star.averaging import (
    best_weights,
    mean_variance,
    motion_covariance,
    pair_covariance,
    robust_mean,
    simulate_motion,
    snr_weights,
    with_centroid_noise,
)
from helpers.seeing.air import Atmosphere, Layer
from helpers.seeing.named_air import ATMOSPHERES
from helpers.seeing.wander import image_motion, image_motion_axes
from helpers.seeing.widths import fried_parameter

quick = settings(max_examples=30, deadline=None, derandomize=True)
REFUSED = (ValueError, TypeError, u.UnitsError)
KILOMETRE = (1 * u.m / u.km * u.rad).to_value(u.arcmin)  # arcmin that are 1 m apart at 1 km


def one_layer(outer_scale=20 * u.m, wind=10 * u.m / u.s, direction=0 * u.deg, fwhm=2 * u.arcsec):
    return Atmosphere(fwhm, outer_scale, [Layer(1 * u.km, 1, wind, direction)])


def field(count, seed=1):
    return np.random.default_rng(seed).uniform(-8, 8, (count, 2)) * u.arcmin


# Covariance


@pytest.mark.parametrize("exposure", [0, 0.01, 0.1, 1, 20])
@pytest.mark.parametrize("outer_scale", [3, 20, np.inf])
def test_a_star_with_itself_has_the_variance_of_image_motion(exposure, outer_scale):
    """Two routes: closed forms of the mean over directions there, triangle-weighted covariance here."""
    air = one_layer(outer_scale * u.m, direction=30 * u.deg)
    both = motion_covariance([[3, -2]] * u.arcmin, 0.2 * u.m, air, exposure * u.s)[:, 0, 0]
    expected = image_motion_axes(0.2 * u.m, air, exposure * u.s) ** 2
    assert both.value == pytest.approx(expected.value, rel=2e-3)


@pytest.mark.parametrize(("x", "y", "path"), [(0.3, 0, 0), (0.3, 0.4, 0), (1, -0.5, 0.1), (-2, 0.2, 3), (0.5, 4, 10)])
def test_covariance_is_the_integral_of_its_spectrum(x, y, path):
    """Against the two-dimensional integral over wavenumbers, summed on a fine polar grid."""
    logarithm = np.arange(np.log(1e-5), np.log(60), 0.004)
    frequency = np.exp(logarithm)[:, None]
    angle = (np.arange(1024) + 0.5) * (2 * np.pi / 1024)
    kx, ky = frequency * np.cos(angle), frequency * np.sin(angle)
    filtered = (2 * special.j1(np.pi * frequency * 0.2) / (np.pi * frequency * 0.2)) ** 2
    power = 0.0228956 * (frequency**2 + 1 / 400) ** (-11 / 6) * filtered * np.sinc(kx * path) ** 2 * frequency**2
    power = power * np.cos(2 * np.pi * (kx * x + ky * y)) * 0.004 * (2 * np.pi / 1024)
    air = one_layer(wind=1 * u.m / u.s)
    unit = ((500e-9 * u.rad).to_value(u.arcsec)) ** 2 * fried_parameter(air.fwhm).value ** (-5 / 3)
    expected = unit * np.array([np.sum(kx**2 * power), np.sum(ky**2 * power)])
    found = pair_covariance([[x, y]] * u.arcmin * KILOMETRE, 0.2 * u.m, air, path * u.s)[:, 0].value
    variance = image_motion(0.2 * u.m, air).value ** 2
    assert found == pytest.approx(expected, abs=2e-4 * variance)


@pytest.mark.parametrize("exposure", [0, 1])
def test_turning_field_and_wind_together_changes_nothing_but_the_axes(exposure):
    separation = np.array([[0.7, 0.3]]) * KILOMETRE
    straight = pair_covariance(separation * u.arcmin, 0.2 * u.m, one_layer(), exposure * u.s)[:, 0]
    quarter = np.array([[-0.3, 0.7]]) * KILOMETRE
    turned = pair_covariance(quarter * u.arcmin, 0.2 * u.m, one_layer(direction=90 * u.deg), exposure * u.s)[:, 0]
    assert turned.value == pytest.approx(straight.value[::-1])
    oblique = pair_covariance(
        separation @ [[np.cos(1), np.sin(1)], [-np.sin(1), np.cos(1)]] * u.arcmin,
        0.2 * u.m,
        one_layer(direction=1 * u.rad),
        exposure * u.s,
    )[:, 0]
    assert oblique.sum().value == pytest.approx(straight.sum().value)


def test_covariance_is_symmetric_positive_and_falls_with_separation():
    line = np.stack([np.geomspace(0.01, 100, 12), np.zeros(12)], axis=1) * u.arcmin
    air = ATMOSPHERES["valley night"]
    covariance = motion_covariance(field(12), 0.2 * u.m, air, 1 * u.s).value
    assert covariance.shape == (2, 12, 12)
    assert np.array_equal(covariance, covariance.swapaxes(1, 2))
    assert np.linalg.eigvalsh(covariance).min() > 0
    across = pair_covariance(line, 0.2 * u.m, air, 1 * u.s)[1].value
    assert np.all(np.diff(across) < 0)


def test_limits_of_separation():
    air = one_layer()
    alone, same, far = pair_covariance([[0, 0], [1e-6, 0], [9e3, 0]] * u.arcmin, 0.2 * u.m, air, 0.5 * u.s)[0].value
    assert same == pytest.approx(alone, rel=1e-5)
    assert abs(far) < 1e-4 * alone
    ground = Atmosphere(2 * u.arcsec, 20 * u.m, [Layer(0 * u.m, 1, 5 * u.m / u.s)])
    common = motion_covariance(field(4), 0.2 * u.m, ground, 1 * u.s).value
    assert common[0] == pytest.approx(np.full((4, 4), common[0, 0, 0]))


@quick
@given(
    arrays(float, (4, 2), elements=st.floats(-60, 60)),
    st.floats(0.01, 3),
    st.floats(0.5, 1e4) | st.just(np.inf),
    st.floats(0, 600),
    st.floats(0, 60),
    st.floats(-180, 180),
)
def test_covariance_is_finite_and_a_covariance(positions, diameter, outer_scale, exposure, wind, angle):
    air = one_layer(outer_scale * u.m, wind * u.m / u.s, angle * u.deg)
    covariance = motion_covariance(positions * u.arcmin, diameter * u.m, air, exposure * u.s)
    assert np.all(np.isfinite(covariance))
    scale = image_motion(diameter * u.m, air).value ** 2
    assert np.linalg.eigvalsh(covariance.value).min() > -5e-4 * scale
    assert np.all(mean_variance(covariance) <= covariance[:, 0, 0] * 1.001 + 1e-12 * u.arcsec**2)


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ({"positions": [1, 2] * u.arcmin}, "positions"),
        ({"positions": [[1, 2, 3]] * u.arcmin}, "positions"),
        ({"positions": [[1, 2]]}, "positions"),
        ({"positions": [[1, np.nan]] * u.arcmin}, "positions"),
        ({"positions": np.empty((0, 2)) * u.arcmin}, "positions"),
        ({"positions": [[1, 2]] * u.m}, "positions"),
        ({"diameter": -1 * u.m}, "diameter"),
        ({"diameter": [1, 2] * u.m}, "diameter"),
        ({"atmosphere": "calm night"}, "atmosphere"),
        ({"exposure": -1 * u.s}, "exposure"),
        ({"exposure": 1}, "exposure"),
    ],
)
def test_wrong_values_are_named(values, name):
    good = {
        "positions": [[0, 0], [1, 2]] * u.arcmin,
        "diameter": 0.2 * u.m,
        "atmosphere": one_layer(),
        "exposure": 1 * u.s,
    }
    with pytest.raises(REFUSED, match=name):
        motion_covariance(**good | values)
    with pytest.raises(REFUSED, match=name):
        simulate_motion(**good | values, n_exposures=3, rng=np.random.default_rng(0))


# Means and weights


def test_independent_noise_falls_with_the_number_of_stars_and_common_air_does_not():
    for count in (1, 4, 16):
        noise = with_centroid_noise(np.zeros((count, count)) * u.arcsec**2, np.full(count, 0.2) * u.arcsec)
        assert mean_variance(noise).value == pytest.approx(0.04 / count)
        common = np.full((count, count), 0.09) * u.arcsec**2
        assert mean_variance(common).value == pytest.approx(0.09)


def test_best_weights_are_the_textbook_ones():
    errors = [0.1, 0.2, 0.4] * u.arcsec
    noise = with_centroid_noise(np.zeros((3, 3)) * u.arcsec**2, errors)
    assert best_weights(noise) == pytest.approx(snr_weights(errors))
    assert snr_weights(errors) == pytest.approx(np.array([16, 4, 1]) / 21)
    # two variables with correlation: w1 = (s2^2 - c) / (s1^2 + s2^2 - 2 c)
    assert best_weights(np.array([[1, 0.5], [0.5, 4]])) == pytest.approx([3.5 / 4, 0.5 / 4])
    # stars that can't be told apart share their weight
    assert best_weights(np.ones((3, 3)) * u.arcsec**2) == pytest.approx(np.full(3, 1 / 3))
    assert best_weights(np.zeros((2, 2)) * u.arcsec**2) == pytest.approx([0.5, 0.5])
    assert best_weights([[2]] * u.arcsec**2) == pytest.approx([1])
    doubled = np.array([[1, 1, 0], [1, 1, 0], [0, 0, 1]])
    assert best_weights(doubled) == pytest.approx([0.25, 0.25, 0.5])


@quick
@given(arrays(float, (5, 2), elements=st.floats(-10, 10)), arrays(float, 5, elements=st.floats(0.01, 2)))
def test_no_weights_beat_the_best(positions, errors):
    covariance = motion_covariance(positions * u.arcmin, 0.2 * u.m, ATMOSPHERES["valley night"], 1 * u.s)
    total = with_centroid_noise(covariance, errors * u.arcsec)[0]
    best = best_weights(total)
    assert best.sum() == pytest.approx(1)
    least = mean_variance(total, best)
    for other in (None, snr_weights(errors * u.arcsec), np.eye(5)[0]):
        assert least <= mean_variance(total, other) * (1 + 1e-6)


@pytest.mark.parametrize(
    "wrong",
    [
        np.ones((2, 3)) * u.arcsec**2,
        np.ones(3) * u.arcsec**2,
        [[1, 2], [3, 4]] * u.arcsec**2,
        [[1, 2], [2, 1]] * u.arcsec**2,
        [[1, np.nan], [np.nan, 1]] * u.arcsec**2,
        [[-1]] * u.arcsec**2,
        None,
        [] * u.arcsec**2,
    ],
)
def test_wrong_covariances_are_named(wrong):
    with pytest.raises(REFUSED, match="covariance"):
        best_weights(wrong)
    with pytest.raises(REFUSED, match="covariance"):
        mean_variance(wrong)


def test_wrong_weights_and_errors_are_named():
    covariance = np.eye(2) * u.arcsec**2
    for weights in ([1, 1], [1], [np.nan, 1], "ab", [[0.5, 0.5]]):
        with pytest.raises(REFUSED, match="weights"):
            mean_variance(covariance, weights)
    for errors in ([1, 1, 1] * u.arcsec, [-1, 1] * u.arcsec, [1, 1], [1, 1] * u.m):
        with pytest.raises(REFUSED, match="errors"):
            with_centroid_noise(covariance, errors)
    for errors in ([0, 1] * u.arcsec, [] * u.arcsec, 1 * u.arcsec):
        with pytest.raises(REFUSED, match="errors"):
            snr_weights(errors)
    with pytest.raises(REFUSED, match="covariance"):
        mean_variance(np.eye(2) * u.arcsec)


def test_one_bad_star_is_left_out():
    rng = np.random.default_rng(3)
    offsets = rng.normal(0, 0.1, (500, 8, 2))
    offsets[::2, 3, 0] += 5
    mean, used = robust_mean(offsets * u.arcsec)
    assert mean.shape == (500, 2) and used.shape == (500, 8)
    assert not used[::2, 3].any()
    good = np.delete(np.arange(8), 3)
    assert used[:, good].mean() > 0.85
    rms = np.sqrt(np.mean(mean.value[::2, 0] ** 2))
    assert rms < 1.25 * 0.1 / np.sqrt(7)
    assert np.sqrt(np.mean(offsets[::2, :, 0].mean(axis=1) ** 2)) > 0.6  # the plain mean is dragged along


@pytest.mark.parametrize(("stars", "dearest"), [(3, 1.15), (5, 1.06), (12, 1.03)])
def test_robust_mean_costs_little_where_all_stars_are_good(stars, dearest):
    offsets = np.random.default_rng(stars).normal(0, 1, (3000, stars, 2)) * u.arcsec
    mean, _ = robust_mean(offsets)
    assert np.std(mean.value) < dearest * np.std(offsets.mean(axis=1).value)


def test_robust_mean_with_weights_and_stars_not_measured():
    rng = np.random.default_rng(5)
    offsets = rng.normal(0, 0.1, (40, 6, 2))
    measured = np.ones((40, 6), bool)
    measured[7, 2] = measured[9, [0, 1, 3, 4, 5]] = False
    offsets[7, 2] = 0.03
    mean, used = robust_mean(offsets * u.arcsec, limit=1e6, weights=[1, 1, 2, 0, 1, 1], measured=measured)
    assert not used[7, 2] and not used[:, 3].any()
    assert mean.value[9] == pytest.approx(offsets[9, 2])
    assert mean.value[0] == pytest.approx(np.average(offsets[0], axis=0, weights=[1, 1, 2, 0, 1, 1]))
    assert mean.value[7] == pytest.approx(offsets[7, [0, 1, 4, 5]].mean(axis=0))
    measured[9] = False
    with pytest.raises(ValueError, match="none in exposure 9"):
        robust_mean(offsets * u.arcsec, measured=measured)
    for wrong in ([1, 2], np.zeros(6), -np.ones(6), [np.nan] * 6):
        with pytest.raises((TypeError, ValueError), match="weights|measured"):
            robust_mean(offsets * u.arcsec, weights=wrong)
    for wrong in (np.ones((40, 6)), np.ones((40, 5), bool)):
        with pytest.raises((TypeError, ValueError), match="measured"):
            robust_mean(offsets * u.arcsec, measured=wrong)


def test_robust_mean_of_few_or_equal_stars():
    mean, used = robust_mean([[[0, 0], [9, 0]]] * u.arcsec)
    assert mean.value.tolist() == [[4.5, 0]] and used.all()
    mean, used = robust_mean(np.ones((2, 5, 2)) * u.arcsec)
    assert np.all(mean.value == 1) and used.all()
    mean, used = robust_mean([[[0, 0], [0.1, 0], [9, 0]]] * u.arcsec)
    assert used.tolist() == [[True, True, False]]
    for wrong in (
        [1, 2] * u.arcsec,
        np.ones((2, 3, 3)) * u.arcsec,
        np.ones((2, 3, 2)),
        np.full((1, 3, 2), np.nan) * u.deg,
    ):
        with pytest.raises(REFUSED, match="offsets"):
            robust_mean(wrong)
    with pytest.raises(ValueError, match="limit"):
        robust_mean(np.ones((2, 3, 2)) * u.arcsec, limit=0.5)


@quick
@given(arrays(float, (3, 6, 2), elements=st.floats(-1e3, 1e3)))
def test_robust_mean_stays_within_the_stars(offsets):
    mean, used = robust_mean(offsets * u.arcsec)
    assert used.any(axis=1).all()
    slack = 1e-9
    assert np.all(mean.value <= offsets.max(axis=1) + slack) and np.all(mean.value >= offsets.min(axis=1) - slack)


# Simulated motion


def simulated_covariance(positions, air, exposure, count, repeats, seed=5):
    rng = np.random.default_rng(seed)
    motion = np.stack([simulate_motion(positions, 0.2 * u.m, air, exposure, count, rng).value for _ in range(repeats)])
    return motion, np.einsum("rtia,rtja->aij", motion, motion) / (repeats * count)


@pytest.mark.parametrize(
    ("air", "exposure", "count", "repeats", "tolerance"),
    [
        (one_layer(), 1 * u.s, 3000, 12, 0.03),
        pytest.param(one_layer(direction=30 * u.deg), 0.1 * u.s, 3000, 30, 0.03, marks=pytest.mark.slow),
        (one_layer(wind=25 * u.m / u.s), 10 * u.s, 3000, 8, 0.03),
        pytest.param(one_layer(3 * u.m, direction=100 * u.deg), 0.02 * u.s, 3000, 20, 0.03, marks=pytest.mark.slow),
        # the slowest waves are few
        pytest.param(one_layer(np.inf * u.m), 1 * u.s, 3000, 20, 0.08, marks=pytest.mark.slow),
        pytest.param(ATMOSPHERES["valley night"], 1 * u.s, 3000, 12, 0.03, marks=pytest.mark.slow),
        # Short pieces of air: each hardly more than one independent value, hence the margin
        pytest.param(one_layer(), 0.002 * u.s, 2, 400, 0.16, marks=pytest.mark.slow),
        pytest.param(one_layer(wind=0 * u.m / u.s), 1 * u.s, 2, 400, 0.16, marks=pytest.mark.slow),
        pytest.param(
            one_layer(np.inf * u.m, 0.01 * u.m / u.s, 50 * u.deg), 1 * u.s, 2, 400, 0.16, marks=pytest.mark.slow
        ),
    ],
)
@pytest.mark.long
def test_simulated_motion_has_the_covariance_of_the_integrals(air, exposure, count, repeats, tolerance):
    positions = np.array([[0, 0], [0.1, 0], [0, 0.3], [1, 1], [-3, 2]]) * KILOMETRE * u.arcmin
    expected = motion_covariance(positions, 0.2 * u.m, air, exposure).value
    motion, found = simulated_covariance(positions, air, exposure, count, repeats)
    assert motion.shape == (repeats, count, 5, 2)
    variance = expected[:, :1, :1]
    assert np.abs((found - expected) / variance).max() < tolerance
    assert np.abs(motion.mean(axis=(0, 1))).max() < 5 * np.sqrt(expected.max() / repeats)


@pytest.mark.parametrize(("exposure", "lags"), [(0.05, [1, 2, 5, 20]), pytest.param(1, [1, 3], marks=pytest.mark.slow)])
@pytest.mark.long
def test_simulated_motion_has_the_right_memory(exposure, lags):
    """A star's motion k exposures later is that of a star displaced by the wind's way in that time."""
    air, step = one_layer(direction=20 * u.deg), 10 * exposure
    motion, _ = simulated_covariance([[0, 0]] * u.arcmin, air, exposure * u.s, 4000, 25)
    way = np.outer([0, *lags], [np.cos(np.radians(20)), np.sin(np.radians(20))]) * step * KILOMETRE
    expected = pair_covariance(way * u.arcmin, 0.2 * u.m, air, exposure * u.s).value
    for number, lag in enumerate(lags):
        found = np.mean(motion[:, lag:, 0] * motion[:, :-lag, 0], axis=(0, 1))
        assert np.abs(found - expected[:, number + 1]).max() < 0.03 * expected[:, 0].min()


def test_the_pattern_blows_from_star_to_star():
    """A star that lies down the wind moves like its neighbour did before."""
    air = one_layer()
    down_wind = np.array([[0, 0], [2, 0]]) * KILOMETRE * u.arcmin
    motion = simulate_motion(down_wind, 0.2 * u.m, air, 0.05 * u.s, 4000, np.random.default_rng(2)).value
    delay = 4  # exposures in which the wind crosses 2 m
    later = np.corrcoef(motion[:-delay, 0, 0], motion[delay:, 1, 0])[0, 1]
    earlier = np.corrcoef(motion[delay:, 0, 0], motion[:-delay, 1, 0])[0, 1]
    assert later > 0.999
    assert earlier < 0.5


@pytest.mark.slow
def test_the_spectrum_of_a_series_is_the_folded_integral():
    """One-axis spectra in octaves against the integral over the wavenumber across the wind, all folds added."""
    exposure, wind, diameter, outer_scale = 0.2, 10, 0.2, 20
    rng = np.random.default_rng(4)
    motion = np.stack(
        [
            simulate_motion([[0, 0]] * u.arcmin, diameter * u.m, one_layer(), exposure * u.s, 4096, rng).value[:, 0]
            for _ in range(50)
        ]
    )
    taper = np.sqrt(2 / 3) * (1 - np.cos(2 * np.pi * (np.arange(4096) + 0.5) / 4096))
    found = np.mean(np.abs(np.fft.rfft(motion * taper[:, None], axis=1)) ** 2, axis=0) * exposure / 4096
    frequency = np.fft.rfftfreq(4096, exposure)

    def one_sided(hertz):
        kappa = abs(hertz) / wind
        across = np.concatenate([[0], np.geomspace(1e-4, 40, 600)])
        square = kappa**2 + across**2
        argument = np.maximum(np.pi * np.sqrt(square) * diameter, 1e-9)
        power = 0.0228956 * (square + outer_scale**-2) ** (-11 / 6) * (2 * special.j1(argument) / argument) ** 2
        both = [integrate.trapezoid(power * part**2, across) for part in (kappa, across)]
        return 2 * np.array(both) / wind * np.sinc(hertz * exposure) ** 2

    unit = ((500e-9 * u.rad).to_value(u.arcsec)) ** 2 * fried_parameter(2 * u.arcsec).value ** (-5 / 3)
    for low in (0.1, 0.2, 0.4, 0.8, 1.6):
        band = (frequency >= low) & (frequency < 2 * low)
        middle = frequency[band][:: max(1, band.sum() // 8)]
        expected = unit * np.mean([sum(one_sided(f + n / exposure) for n in range(-60, 61)) for f in middle], axis=0)
        assert found[band].mean(axis=0) == pytest.approx(expected, rel=0.05)


def test_coincident_stars_move_as_one_and_one_star_is_enough():
    same = simulate_motion([[1, 2], [1, 2]] * u.arcmin, 0.2 * u.m, one_layer(), 1 * u.s, 50, np.random.default_rng(1))
    assert same.unit == u.arcsec
    assert np.allclose(same[:, 0].value, same[:, 1].value, atol=1e-12)
    alone = simulate_motion([[1, 2]] * u.arcmin, 0.2 * u.m, one_layer(), 1 * u.s, 1, np.random.default_rng(1))
    assert alone.shape == (1, 1, 2)


def test_the_seed_decides():
    draws = [
        simulate_motion(field(3), 0.2 * u.m, one_layer(), 1 * u.s, 20, np.random.default_rng(seed)).value
        for seed in (1, 1, 2)
    ]
    assert np.array_equal(draws[0], draws[1]) and not np.array_equal(draws[0], draws[2])


@pytest.mark.long
def test_memory_grows_with_stars_times_exposures_only():
    def peak(stars, exposures):
        tracemalloc.start()
        simulate_motion(field(stars), 0.2 * u.m, one_layer(), 1 * u.s, exposures, np.random.default_rng(0))
        highest = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return highest

    base, longer, more = peak(10, 2000), peak(10, 8000), peak(40, 2000)
    assert longer < 4.2 * base and more < 4.2 * base
    assert peak(20, 9000) < 500e6 / 4


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ({"exposure": 0 * u.s}, "exposure"),
        ({"n_exposures": 0}, "n_exposures"),
        ({"n_exposures": 2.5}, "n_exposures"),
        ({"rng": 5}, "rng"),
        ({"rng": np.random}, "rng"),
        ({"positions": [[0, 0], [9000, 0]] * u.arcmin, "diameter": 1 * u.mm, "exposure": 1e-6 * u.s}, "positions"),
    ],
)
def test_what_cannot_be_simulated_is_refused(values, name):
    good = {
        "positions": [[0, 0]] * u.arcmin,
        "diameter": 0.2 * u.m,
        "atmosphere": one_layer(),
        "exposure": 1 * u.s,
        "n_exposures": 5,
        "rng": np.random.default_rng(0),
    }
    with pytest.raises(REFUSED, match=name):
        simulate_motion(**good | values)


@quick
@given(
    arrays(float, (3, 2), elements=st.floats(-30, 30)),
    st.floats(0.02, 2),
    st.floats(1, 1e3) | st.just(np.inf),
    st.floats(1e-3, 60),
    st.floats(0, 50),
    st.integers(1, 30),
)
def test_simulated_motion_is_finite(positions, diameter, outer_scale, exposure, wind, count):
    air = one_layer(outer_scale * u.m, wind * u.m / u.s, 25 * u.deg)
    motion = simulate_motion(positions * u.arcmin, diameter * u.m, air, exposure * u.s, count, np.random.default_rng(0))
    assert motion.shape == (count, 3, 2)
    assert np.all(np.isfinite(motion))
    assert np.abs(motion).max() < 12 * image_motion(diameter * u.m, air)
