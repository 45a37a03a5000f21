"""The camera check against sources outside the project; each check names its source.

EMVA Standard 1288 release 3.1 (2016) and 4.0 (2021) are quoted from memory: their formulas are written out here anew,
in plain NumPy, beside what our module computes in another way.
"""

import astropy.units as u
import numpy as np
import pandas
import pytest
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from helpers import camera_check
from helpers.camera_check import statistics as frame_statistics
from helpers.camera_check.photon_transfer import dark_temporal_noise

E, DN = u.electron, u.DN


def camera(rng, gain=0.8, read_noise=3.0, levels=(500, 1000, 2000, 4000), shape=(100, 120), quantise=True):
    """Frames written down from first principles: Poisson light, normal read noise, rounding."""
    response = 1 + rng.normal(0, 0.01, shape)
    offset = 100 + rng.normal(0, 0.5, shape)

    def frame(electrons):
        light = rng.poisson(electrons * response) + rng.normal(0, read_noise, shape)
        return np.rint(light / gain + offset) if quantise else light / gain + offset

    return np.stack([frame(0) for _ in range(4)]), np.stack([frame(level) for level in levels for _ in range(2)])


def test_temporal_variance_is_that_of_emva_1288():
    """EMVA 1288 R3.1, eq. 18 (two-frame method): s^2 = sum((A - B)^2) / (2 N M) - (mean A - mean B)^2 / 2."""
    bias, _ = camera(np.random.default_rng(1))
    first, second = bias[:2] + np.array([0, 0.7])[:, None, None]
    expected = np.mean((first - second) ** 2) / 2 - (first.mean() - second.mean()) ** 2 / 2
    found = frame_statistics.summarise(np.stack([first, second])).variance[0]
    assert found == pytest.approx(expected, rel=1e-4)


def test_gain_is_the_slope_of_emva_1288():
    """EMVA 1288 R3.1, eq. 10 and 12: K is the slope of s^2 - s_dark^2 over mean - mean_dark; ours is its inverse, in
    e-/DN.

    Here by an ordinary least-squares line through the origin (numpy.linalg.lstsq) instead of our weighted one.
    """
    bias, flats = camera(np.random.default_rng(2))
    dark_mean, dark_variance = bias.mean(), np.var(bias[0] - bias[1]) / 2
    signal = flats.reshape(4, 2, -1).mean(axis=(1, 2)) - dark_mean
    variance = np.var(flats[::2] - flats[1::2], axis=(1, 2)) / 2 - dark_variance
    slope = np.linalg.lstsq(signal[:, None], variance, rcond=None)[0][0]
    found = camera_check.photon_transfer(bias, flats)
    assert found.gain.value == pytest.approx(1 / slope, rel=0.03)
    # the dark noise: EMVA 1288 R3.1, eq. 11 (sigma_d = sqrt(s_dark^2 - s_q^2) / K) with s_q^2 = 1/12 DN^2
    sigma_dark = np.sqrt(np.mean([np.var(bias[0] - bias[1]), np.var(bias[2] - bias[3])]) / 2 - 1 / 12)
    assert found.read_noise.value == pytest.approx(sigma_dark * found.gain.value, rel=0.01)


def test_janesick_two_flats_two_biases():
    """Janesick 2001, "Scientific Charge-Coupled Devices", section 2: from two flats and two bias frames,

    gain = (F1 + F2 - B1 - B2) / (var(F1 - F2) - var(B1 - B2)), read noise = gain x std(B1 - B2) / sqrt 2 (no rounding).
    """
    bias, flats = camera(np.random.default_rng(3), quantise=False)
    (b1, b2), (f1, f2) = bias[:2], flats[-2:]
    gain = (f1.mean() + f2.mean() - b1.mean() - b2.mean()) / (np.var(f1 - f2) - np.var(b1 - b2))
    found = camera_check.photon_transfer(bias[:2], flats[-2:])
    assert found.gain.value == pytest.approx(gain, rel=5e-3)
    assert found.read_noise.value == pytest.approx(gain * np.std(b1 - b2) / np.sqrt(2), rel=5e-3)


def test_hidden_noise_limit_of_emva_1288():
    """EMVA 1288 R3.1, section 6: dark variances below 0.24 DN^2 only allow the statement sigma_d < 0.40 / K."""
    rng = np.random.default_rng(4)
    bias, flats = camera(rng, gain=8.0, read_noise=1.0, levels=(4000, 8000, 16000))
    found = camera_check.photon_transfer(bias, flats)
    assert found.read_noise_is_limit
    assert found.read_noise.value == pytest.approx(0.40 * found.gain.value, abs=0.005 * found.gain.value)


def test_dynamic_range_and_snr_of_emva_1288():
    """EMVA 1288 R3.1, eq. 22 to 26: SNR_max = sqrt(saturation), DR = saturation / (sigma_d + 0.5), in electrons."""
    bias, flats = camera(np.random.default_rng(5))
    found = camera_check.photon_transfer(bias, flats)
    saturation, noise = found.saturation.value, found.read_noise.value
    assert found.snr_max == pytest.approx(np.sqrt(saturation))
    assert found.dynamic_range == pytest.approx(saturation / (noise + 0.5))


def test_dsnu_and_prnu_of_emva_1288():
    """EMVA 1288 R3.1, section 8: DSNU = s_dark / K, PRNU = sqrt(s_50^2 - s_dark^2) / (mean_50 - mean_dark), temporal
    noise taken off.
    """
    rng = np.random.default_rng(6)
    bias, flats = camera(rng, levels=(1000, 1500, 2000, 2500), shape=(128, 128))
    exposures = [1.0, 1.5, 2.0, 2.5] * u.s
    measured = camera_check.measure_camera(
        bias, (), [(t, flats[2 * n : 2 * n + 2]) for n, t in enumerate(exposures)], False
    )
    gain = measured.photon_transfer.gain.value
    temporal = np.mean([np.var(bias[0] - bias[1]), np.var(bias[2] - bias[3])]) / 2
    spatial_dark = np.var(bias.mean(axis=0)) - temporal / len(bias)
    assert measured.dsnu.value.value == pytest.approx(np.sqrt(spatial_dark) * gain, rel=0.02)
    # half of the brightest level is nearest to the first
    pair = flats[:2]
    spatial = np.var(pair.mean(axis=0)) - np.var(pair[0] - pair[1]) / 4
    prnu = 100 * np.sqrt(spatial - spatial_dark) / (pair.mean() - bias.mean())
    assert measured.prnu.value.value == pytest.approx(prnu, abs=4 * measured.prnu.error.value)
    assert prnu == pytest.approx(1.0, rel=0.15)


def test_pattern_is_split_as_in_emva_1288_release_4():
    """EMVA 1288 R4.0, section on row, column and pixel variances: three equations for the variances of row means,
    column means and all, solved here as a linear system; and statsmodels' two-way analysis of variance.
    """
    rng = np.random.default_rng(7)
    rows, columns = 60, 80
    frame = rng.normal(0, 3, (rows, 1)) + rng.normal(0, 2, columns) + rng.normal(0, 5, (rows, columns))
    parts, _ = frame_statistics.split_pattern(frame, (0, 0, 0), 1)
    # var(row means) = s_row + s_pixel / N, var(column means) = s_column + s_pixel / M, and for all of the frame
    # the share of rows (M - 1)/M and so on, since its own mean is taken off
    of_rows, of_columns = frame.mean(axis=1).var(ddof=1), frame.mean(axis=0).var(ddof=1)
    share = np.array([(rows - 1) / rows, (columns - 1) / columns, 1 - 1 / frame.size])
    solved = np.linalg.solve([[1, 0, 1 / columns], [0, 1, 1 / rows], share], [of_rows, of_columns, frame.var()])
    np.testing.assert_allclose(parts[:3], solved, rtol=1e-6)

    row, column = np.indices(frame.shape).reshape(2, -1)
    table = pandas.DataFrame({"value": frame.ravel(), "row": row, "column": column})
    anova = anova_lm(ols("value ~ C(row) + C(column)", table).fit())
    square = anova["sum_sq"] / anova["df"]
    rest = square["Residual"]
    expected = [(square["C(row)"] - rest) / columns, (square["C(column)"] - rest) / rows, rest]
    np.testing.assert_allclose(parts[:3], expected, rtol=1e-6)


def test_linearity_error_by_another_fit():
    """EMVA 1288 R4.0 linear, linearity error: here the line comes from numpy.polyfit with weights 1/y instead."""
    exposures = np.linspace(1, 10, 10)
    signals = 100 * exposures - 0.8 * exposures**2
    slope, start = np.polyfit(exposures, signals, 1, w=1 / signals)
    line = start + slope * exposures
    expected = np.mean(np.abs(100 * (signals - line) / line))
    found = camera_check.linearity(exposures * u.s, signals * DN, 1900 * DN)
    assert np.all(found.used)
    assert found.error.value.value == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("steps", [0.45, 0.6, 0.8, 1.5])
def test_rounding_adds_a_twelfth(steps):
    """Variance of rounded normal noise by summing scipy's normal distribution over all codes; Widrow & Kollar 2008
    (1/12).

    The error that is added for noise near one step must cover the true difference at every offset.
    """
    codes = np.arange(-30, 31)
    for offset in np.linspace(0, 1, 21):
        share = np.diff(stats.norm.cdf(np.append(codes, 31) - 0.5, offset, steps))
        variance = np.sum(share * codes**2) - np.sum(share * codes) ** 2
        noise, error, hidden = dark_temporal_noise(variance, 0.0, 1.0)
        assert hidden or abs(noise - steps) <= 1.3 * error + 1e-6


def test_mean_range_of_twelve():
    """Tippett 1925 (Biometrika 17, 364); ASTM E2587, table of d2: 3.258 for samples of 12. And by simulation here."""
    ranges = np.ptp(np.random.default_rng(8).normal(size=(200_000, 12)), axis=1)
    assert ranges.mean() == pytest.approx(3.258, abs=0.005)
    rng = np.random.default_rng(9)
    frames = [(rng.normal(100, 4, (6, 90, 120)), rng.normal(100, 4, (6, 90, 120))) for _ in range(40)]
    found = [camera_check.measure_camera(bias, [(10 * u.s, dark)]).dark_shading for bias, dark in frames]
    sizes = np.array([one.value.value for one in found])
    # Without shading the range beyond chance scatters about zero with the spread of a range of twelve (0.78), cut at
    # zero.
    assert np.mean(sizes == 0) == pytest.approx(0.5, abs=0.25)
    assert sizes.max() < 4 * found[0].error.value


def test_telegraph_threshold_is_chi_squared():
    """The variance of n normal values times (n - 1) follows chi squared (Fisher 1925): no restless pixel in 4e6 by
    chance.
    """
    rng = np.random.default_rng(10)
    measured = camera_check.measure_camera(np.rint(rng.normal(100, 5, (10, 500, 800))))
    assert len(measured.bad_pixels.telegraph) == len(measured.bad_pixels.noisy) == len(measured.bad_pixels.hot) == 0


def test_correlation_of_a_smoothed_frame():
    """Correlation of neighbours after a filter h is sum h_i h_(i+1) / sum h_i^2 (any text on moving averages); scipy's
    pearsonr.
    """
    rng = np.random.default_rng(11)
    white = rng.normal(0, 10, (4, 120, 162))
    bias = 100 + 0.25 * white[:, :, :-2] + 0.5 * white[:, :, 1:-1] + 0.25 * white[:, :, 2:]
    found = frame_statistics.summarise(bias).correlation
    assert found[0] == pytest.approx((0.25 * 0.5 * 2) / 0.375, abs=0.02)
    difference = bias[0] - bias[1]
    direct = stats.pearsonr(difference[:, 1:].ravel(), difference[:, :-1].ravel()).statistic
    assert found[0] == pytest.approx(direct, abs=0.02)
    assert abs(found[1]) < 0.03


def test_shot_noise_of_dark_current():
    """Dark current is counted in electrons, so its variance equals its mean (Poisson): both routes agree with the
    truth.
    """
    rng = np.random.default_rng(12)
    bias, flats = camera(rng, shape=(120, 160))
    darks = [
        (t * u.s, np.rint((rng.poisson(0.5 * t, (4, 120, 160)) + rng.normal(0, 3, (4, 120, 160))) / 0.8 + 100))
        for t in (20, 60)
    ]
    measured = camera_check.measure_camera(bias, darks, [(1 * u.s, flats[:2]), (2 * u.s, flats[2:4])])
    for found in (measured.dark_current, measured.dark_current_from_noise):
        assert abs(found.value - 0.5 * E / u.s) < 4 * found.error
