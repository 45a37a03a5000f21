"""Motion of many stars against published formulas, and against phase screens of a general-purpose library."""

import itertools

import astropy.units as u
import numpy as np
import pytest
from aotools.turbulence import phasescreen
from scipy import fft

from helpers.multi_star.averaging import best_weights, mean_variance, pair_covariance, robust_mean, simulate_motion
from helpers.seeing.air import Atmosphere, Layer
from helpers.seeing.wander import image_motion, image_motion_axes
from helpers.seeing.widths import fried_parameter

KILOMETRE = (1 * u.m / u.km * u.rad).to_value(u.arcmin)  # arcmin that are 1 m apart at 1 km
FWHM = 2 * u.arcsec


def one_layer(outer_scale=20 * u.m, wind=10 * u.m / u.s, direction=0 * u.deg):
    return Atmosphere(FWHM, outer_scale, [Layer(1 * u.km, 1, wind, direction)])


@pytest.mark.parametrize("baseline", [2, 2.5, 3.5, 5, 8])
def test_differential_motion_of_two_apertures(baseline):
    """Tokovinin 2002, PASP 114, 1156, eq. 8 (G-tilt): variance of the difference K lambda^2 r0^(-5/3) D^(-1/3), with
    K_l = 0.340 (1 - 0.570 b^(-1/3) - 0.040 b^(-7/3)) and K_t = 0.340 (1 - 0.855 b^(-1/3) + 0.030 b^(-7/3)).

    Two small apertures a baseline apart see one star as one aperture sees two stars through a layer."""
    along = 0.340 * (1 - 0.570 * baseline ** (-1 / 3) - 0.040 * baseline ** (-7 / 3))
    across = 0.340 * (1 - 0.855 * baseline ** (-1 / 3) + 0.030 * baseline ** (-7 / 3))
    diameter = 0.1
    separations = np.array([[0, 0], [baseline * diameter, 0]]) * KILOMETRE * u.arcmin
    covariance = pair_covariance(separations, diameter * u.m, one_layer(np.inf * u.m)).to_value(u.rad**2)
    unit = 500e-9**2 * fried_parameter(FWHM).value ** (-5 / 3) * diameter ** (-1 / 3)
    found = 2 * (covariance[:, 0] - covariance[:, 1]) / unit
    assert found == pytest.approx([along, across], rel=5e-3)


@pytest.mark.parametrize(
    ("separation_m", "along", "across"),
    [(0.1, 0.752, 0.906), (0.3, 0.282, 0.609), (1, 0.037, 0.267), (3, -0.041, 0.076)],
)
def test_correlation_with_separation(separation_m, along, across):
    """D 0.2 m, L0 20 m, no exposure: computed outside the project with J0 -+ J2, checked there by the DIMM formula."""
    separations = np.array([[0, 0], [separation_m, 0]]) * KILOMETRE * u.arcmin
    covariance = pair_covariance(separations, 0.2 * u.m, one_layer()).value
    assert covariance[:, 1] / covariance[:, 0] == pytest.approx([along, across], abs=1.5e-3)


@pytest.fixture(scope="module")
def tilts_of_screens():
    """Gradient tilt in arcsec over a 0.4 m aperture anywhere on 160 screens of aotools (ft_phase_screen: Lane,
    Glindemann & Dainty 1992, Waves in Random Media 2, 209), r0 0.1 m, L0 4 m, 12.8 m wide; shape (screens, axis x y, y,
    x).
    """
    size, step, diameter = 256, 0.05, 0.4
    rng = np.random.default_rng(8)
    coordinate = fft.fftfreq(size, 1 / size) * step
    aperture = (np.hypot(coordinate[:, None], coordinate) < diameter / 2).astype(float)
    aperture_filter = fft.rfft2(aperture / aperture.sum())
    frequency_y, frequency_x = fft.fftfreq(size, step)[:, None], fft.rfftfreq(size, step)
    tilts = []
    for _ in range(160):
        screen = phasescreen.ft_phase_screen(0.1, size, step, 4, 1e-6, seed=rng)
        seen = fft.rfft2(screen) * aperture_filter
        tilts.append([fft.irfft2(2j * np.pi * part * seen, s=screen.shape) for part in (frequency_x, frequency_y)])
    return np.array(tilts) * 500e-9 / (2 * np.pi) * 206264.806


def air_of_screens():
    fwhm = (0.97586 * 500e-9 / 0.1) * u.rad
    return Atmosphere(fwhm, 4 * u.m, [Layer(1 * u.km, 1, 1 * u.m / u.s)])


@pytest.mark.long
def test_wander_against_phase_screens(tilts_of_screens):
    found = np.sqrt(np.mean(tilts_of_screens**2, axis=(0, 2, 3)))
    # a pixelled circle of eight pixels is 1 % off in size; the screens' sampling noise is 1.5 %
    assert found == pytest.approx(np.full(2, image_motion(0.4 * u.m, air_of_screens()).value), rel=0.04)


@pytest.mark.parametrize("way_m", [0.5, 2, 6])
@pytest.mark.long
def test_exposure_against_phase_screens(tilts_of_screens, way_m):
    """The screen blown along x by `way_m` during the exposure."""
    spectrum = fft.rfft(tilts_of_screens, axis=-1)
    averaged = fft.irfft(spectrum * np.sinc(fft.rfftfreq(256, 0.05) * way_m), n=256, axis=-1)
    found = np.sqrt(np.mean(averaged**2, axis=(0, 2, 3)))
    expected = image_motion_axes(0.4 * u.m, air_of_screens(), way_m * u.s).value
    assert found == pytest.approx(expected, rel=0.06)


@pytest.mark.parametrize("way_m", [0, 2])
@pytest.mark.parametrize(("x", "y"), [(0.5, 0), (0, 0.5), (1, 0), (0, 2), (1, 1)])
@pytest.mark.long
def test_star_to_star_correlation_against_phase_screens(tilts_of_screens, x, y, way_m):
    averaged = fft.irfft(fft.rfft(tilts_of_screens, axis=-1) * np.sinc(fft.rfftfreq(256, 0.05) * way_m), n=256, axis=-1)
    shifted = np.roll(averaged, (round(y / 0.05), round(x / 0.05)), axis=(-2, -1))
    found = np.mean(averaged * shifted, axis=(0, 2, 3)) / np.mean(averaged**2, axis=(0, 2, 3))
    separations = np.array([[0, 0], [x, y]]) * KILOMETRE * u.arcmin
    covariance = pair_covariance(separations, 0.4 * u.m, air_of_screens(), way_m * u.s).value
    assert found == pytest.approx(covariance[:, 1] / covariance[:, 0], abs=0.04)


@pytest.mark.long
def test_slopes_of_the_temporal_spectrum():
    """Conan, Rousset & Madec 1995, JOSA A 12, 1559: f^(-2/3) below about V/D and f^(-11/3) above, for gradient tilt."""
    rng = np.random.default_rng(9)
    exposure = 0.001
    series = np.stack(
        [
            simulate_motion([[0, 0]] * u.arcmin, 0.2 * u.m, one_layer(np.inf * u.m), exposure * u.s, 16384, rng).value[
                :, 0
            ]
            for _ in range(24)
        ]
    )
    taper = np.hanning(16384)[:, None]
    power = np.mean(np.abs(np.fft.rfft(series * taper, axis=1)) ** 2, axis=0)
    frequency = np.fft.rfftfreq(16384, exposure)
    power /= np.sinc(frequency * exposure)[:, None] ** 2  # of the exposure, which is not part of the air

    def slope(low, high, motion):
        edges = np.geomspace(low, high, 9)
        means = [motion[(frequency >= a) & (frequency < b)].mean() for a, b in itertools.pairwise(edges)]
        return np.polyfit(np.log(np.sqrt(edges[:-1] * edges[1:])), np.log(means), 1)[0]

    # across the wind the low slope is reached far lower only, and the zeros of the aperture filter ripple the high one
    assert slope(0.7, 5, power[:, 0]) == pytest.approx(-2 / 3, abs=0.12)
    assert slope(60, 380, power.sum(axis=1)) == pytest.approx(-11 / 3, abs=0.3)


def test_best_weights_of_a_worked_example():
    """Minimum-variance combination of correlated results: Lyons, Gibaut & Clifford 1988, Nucl. Instrum. Methods A 270,
    110: two results with errors 1 and 3 and correlation 0.5 give the more precise one a weight above one."""
    covariance = np.array([[1, 1.5], [1.5, 9]]) * u.arcsec**2
    weights = best_weights(covariance)
    assert weights == pytest.approx([7.5 / 7, -0.5 / 7])
    # variance (1 - r^2) s1^2 s2^2 / (s1^2 + s2^2 - 2 r s1 s2)
    assert mean_variance(covariance, weights).value == pytest.approx(0.75 * 9 / 7)


def test_modified_z_score_of_a_worked_example():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17: limit 3.5 of Iglewicz & Hoaglin; here with a set whose
    median 3 and MAD 1 are seen at a glance: 3 + 3.5/0.6745 = 8.19 is the limit."""
    for last, kept in ((8.18, True), (8.20, False)):
        x = np.array([1, 2, 3, 3, 4, 3, 2, 4, last])
        offsets = np.stack([x, np.zeros_like(x)], axis=1)[None] * u.arcsec
        _, used = robust_mean(offsets)
        assert used[0, -1] == kept and used[0, :-1].all()
