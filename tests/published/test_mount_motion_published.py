"""Motion of a mount against exact rotations and published formulas."""

import astropy.units as u
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from helpers.correction_loop import mount


@pytest.mark.parametrize("declination", [-20, 0, 35, 70])
@pytest.mark.parametrize("pole_hour_angle", [0, 90, 200])
def test_polar_drift_is_the_exact_rotation_about_a_displaced_pole(declination, pole_hour_angle):
    # scipy Rotation: follow the star around the celestial pole, turn the mount about its own, compare directions.
    hour_angle, polar_error, minutes = -30.0, 3 / 60, 90
    seconds = np.arange(0, minutes * 60, 60.0)
    turned = mount.SIDEREAL_RATE.value * seconds

    def direction(hour_angle_rad):  # x south meridian, y west, z celestial pole
        dec = np.radians(declination)
        return np.array([np.cos(dec) * np.cos(hour_angle_rad), np.cos(dec) * np.sin(hour_angle_rad), np.sin(dec)])

    pole_angle = np.radians(pole_hour_angle)
    pole = np.array(
        [
            np.sin(np.radians(polar_error)) * np.cos(pole_angle),
            np.sin(np.radians(polar_error)) * np.sin(pole_angle),
            np.cos(np.radians(polar_error)),
        ]
    )
    start = direction(np.radians(hour_angle))
    west = np.array([-start[1], start[0], 0]) / np.hypot(start[0], start[1])
    north = np.cross(start, -west) * -1
    north *= np.sign(north[2])
    found = []
    for angle in turned:
        star = direction(np.radians(hour_angle) + angle)
        seen = Rotation.from_rotvec(-angle * pole).apply(star)  # in the frame that turns with the mount
        found.append([-seen @ west, seen @ north])
    found = np.array(found) * u.rad.to(u.arcsec)
    path = mount.polar_drift(
        seconds.size, 60 * u.s, hour_angle * u.deg, declination * u.deg, polar_error * u.deg, pole_hour_angle * u.deg
    ).value
    # The path is given at mid-step; the exact one at the start of each: compare half a step on.
    middle = (found[1:] + found[:-1]) / 2
    assert path[:-1] == pytest.approx(middle, abs=0.005 * np.abs(middle).max() + 0.01)


def test_polar_drift_of_one_arcmin():
    # Sidereal rate 15.041 arcsec/s times one arcmin in radians: 0.2625 arcsec a minute, on the celestial equator six
    # hours from the mount's pole.
    rate = mount.polar_drift_rate(0 * u.deg, 0 * u.deg, 1 * u.arcmin, 90 * u.deg)
    assert rate[1].value == pytest.approx(15.041 * 60 * np.radians(1 / 60), rel=1e-4)
    assert rate[0].value == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("ratio", [0.0005, 0.1, 1.0, 10.0])
def test_mean_of_gusts_over_a_step(ratio):
    # Taylor 1922, Proc. London Math. Soc. 20, 196: for correlation exp(-t/tau) the mean over T has the variance
    # 2 s^2 (tau/T) (1 - (tau/T) (1 - exp(-T/tau))).
    tau = 1.0
    path = mount.gusts(200_000, ratio * tau * u.s, 1 * u.arcsec, tau * u.s, np.random.default_rng(11)).value
    expected = 2 / ratio * (1 - (1 - np.exp(-ratio)) / ratio)
    # A series shorter than many correlation times scatters much about its true variance: there compare steps instead.
    if ratio > 0.01:
        assert np.mean(path**2) == pytest.approx(expected, rel=0.04 if ratio < 1 else 0.02)
    else:
        # Difference of two neighbouring means: 2 (var - cov); for T << tau it is (2 / 3) 2 s^2 T / tau.
        assert np.mean(np.diff(path, axis=0) ** 2) == pytest.approx(4 / 3 * ratio, rel=0.02)


def test_trail_of_a_uniform_drift():
    # Variance of a uniform distribution: length^2 / 12 (any table of distributions).
    path = mount.flexure(10_000, 1 * u.s, 3.6 * u.arcsec / u.h)
    assert mount.motion_within(path, 10_000)[0, 0].value == pytest.approx(10**2 / 12, rel=1e-6)
