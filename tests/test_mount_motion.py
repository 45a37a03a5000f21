"""What a mount does when nobody corrects it."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers import rig
from helpers.correction_loop import mount

QUICK = settings(max_examples=30, deadline=None, derandomize=True)
STEP = 1 * u.s


def test_periodic_error_has_the_height_asked_for_and_repeats():
    curve = mount.periodic_error(960, STEP, 480 * u.s, 9 * u.arcsec)
    assert np.ptp(curve).to_value(u.arcsec) == pytest.approx(9, rel=1e-3)
    assert np.allclose(curve[:480], curve[480:])
    # Equator to declination 60 deg: half as large on the sky.
    assert np.allclose(mount.periodic_error(960, STEP, 480 * u.s, 9 * u.arcsec, 60 * u.deg), curve / 2)


def test_periodic_error_is_averaged_over_the_step():
    fine = mount.periodic_error(48_000, 0.01 * u.s, 480 * u.s, 9 * u.arcsec)
    coarse = mount.periodic_error(8, 60 * u.s, 480 * u.s, 9 * u.arcsec)
    assert np.allclose(mount.step_means(fine, 6000), coarse, atol=1e-6 * u.arcsec)


def test_polar_drift_follows_its_rate():
    arguments = (30 * u.deg, 40 * u.deg, 5 * u.arcmin, 20 * u.deg)
    path = mount.polar_drift(2, STEP, *arguments)  # longer, the turning sky would change the rate
    rate = mount.polar_drift_rate(*arguments)
    assert np.allclose(np.diff(path, axis=0)[0] / STEP, rate, rtol=1e-3)


def test_polar_drift_never_exceeds_a_quarter_arcsec_a_minute_for_each_arcmin():
    angles = np.arange(0, 360, 10) * u.deg
    rates = [mount.polar_drift_rate(h, d, 1 * u.arcmin) for h in angles for d in (-90, -30, 0, 45, 90) * u.deg]
    speeds = np.linalg.norm([rate.value for rate in rates], axis=1)
    assert speeds.max() == pytest.approx(0.2625, rel=1e-3)


def test_flexure_is_a_straight_line():
    path = mount.flexure(3600, STEP, 4 * u.arcsec / u.h, 90 * u.deg)
    assert path[-1, 1].value == pytest.approx(4, rel=1e-3) and abs(path[-1, 0].value) < 1e-12
    assert np.all(mount.flexure(10, STEP, 0 * u.arcsec / u.h) == 0)


def test_gusts_have_their_rms_and_forget():
    path = mount.gusts(100_000, 0.1 * u.s, 0.5 * u.arcsec, 2 * u.s, np.random.default_rng(4)).value
    assert path.std(axis=0) == pytest.approx([0.5, 0.5], rel=0.05)
    assert np.corrcoef(path[:-20, 0], path[20:, 0])[0, 1] == pytest.approx(np.exp(-1), abs=0.05)
    assert abs(np.corrcoef(path.T)[0, 1]) < 0.05


def test_gusts_of_short_steps_average_to_those_of_long_steps():
    fine = mount.step_means(mount.gusts(400_000, 0.01 * u.s, 1 * u.arcsec, 1 * u.s, np.random.default_rng(5)), 200)
    coarse = mount.gusts(200_000, 2 * u.s, 1 * u.arcsec, 1 * u.s, np.random.default_rng(6))
    assert np.var(fine.value) == pytest.approx(np.var(coarse.value), rel=0.05)


def test_motion_of_a_rig_is_the_sum_of_its_parts():
    club = rig.demo_rig().mount
    path = mount.mount_motion(club, 500, STEP, 15 * u.deg, 30 * u.deg)
    drift = mount.polar_drift(500, STEP, 15 * u.deg, 30 * u.deg, club.polar_error)
    worm = mount.periodic_error(500, STEP, club.worm_period, club.periodic_error, 30 * u.deg)
    assert np.all(path[0] == 0)
    assert np.allclose(path[:, 1], (drift - drift[0])[:, 1])
    assert np.allclose(path[:, 0], (drift - drift[0])[:, 0] + worm - worm[0])


def test_means_and_motion_within():
    series = np.array([[0.0, 1.0], [2.0, 1.0], [4.0, 0.0], [4.0, 2.0], [9.0, 9.0]]) * u.arcsec
    assert mount.step_means(series, 2).value.tolist() == [[1, 1], [4, 1]]
    assert mount.motion_within(series, 2).value.tolist() == [[1, 0], [0, 1]]
    assert mount.motion_within(series, 2).unit == u.arcsec**2


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        (lambda: mount.periodic_error(10, STEP, 0 * u.s, 9 * u.arcsec), ValueError, "period"),
        (lambda: mount.periodic_error(10, STEP, 480 * u.s, 9), TypeError, "peak_to_peak"),
        (
            lambda: mount.periodic_error(10, STEP, 480 * u.s, 9 * u.arcsec, harmonics=[1]),
            ValueError,
            "harmonics, phases",
        ),
        (
            lambda: mount.periodic_error(10, STEP, 480 * u.s, 9 * u.arcsec, harmonics=[0], phases=[0]),
            ValueError,
            "wave",
        ),
        (lambda: mount.periodic_error(0, STEP, 480 * u.s, 9 * u.arcsec), ValueError, "n_steps"),
        (lambda: mount.polar_drift(5, STEP, 0 * u.deg, 95 * u.deg, 1 * u.arcmin), ValueError, "declination"),
        (lambda: mount.polar_drift_rate(np.nan * u.deg, 5 * u.deg, 1 * u.arcmin), ValueError, "hour_angle"),
        (lambda: mount.polar_drift_rate(0 * u.deg, 5 * u.deg, 20 * u.deg), ValueError, "polar_error"),
        (lambda: mount.gusts(5, STEP, -1 * u.arcsec, 1 * u.s, np.random.default_rng()), ValueError, "rms"),
        (lambda: mount.gusts(5, STEP, 1 * u.arcsec, 0 * u.s, np.random.default_rng()), ValueError, "correlation_time"),
        (lambda: mount.gusts(5, STEP, 1 * u.arcsec, 1 * u.s, 7), TypeError, "rng"),
        (lambda: mount.flexure(5, STEP, 4 * u.arcsec), u.UnitsError, "rate"),
        (lambda: mount.mount_motion("mount", 5, STEP), TypeError, "mount"),
        (lambda: mount.step_means([1.0] * u.arcsec, 2), ValueError, "series"),
        (lambda: mount.motion_within([1.0] * u.arcsec, 0), ValueError, "steps"),
    ],
)
def test_wrong_arguments_are_named(call, error, words):
    with pytest.raises(error, match=words):
        call()


@given(
    st.floats(-180, 180),
    st.floats(-90, 90),
    st.floats(0, 600),
    st.floats(0.01, 300),
    st.floats(0, 100),
    st.floats(1e-4, 1e4),
)
@QUICK
def test_any_mount_moves_finitely(hour_angle, declination, polar_error, step, height, correlation_time):
    step, declination = step * u.s, declination * u.deg
    parts = [
        mount.polar_drift(20, step, hour_angle * u.deg, declination, polar_error * u.arcmin),
        mount.polar_drift_rate(hour_angle * u.deg, declination, polar_error * u.arcmin),
        mount.periodic_error(20, step, 480 * u.s, height * u.arcsec, declination),
        mount.gusts(20, step, height * u.arcsec, correlation_time * u.s, np.random.default_rng(1)),
        mount.flexure(20, step, height * u.arcsec / u.h),
    ]
    assert all(np.all(np.isfinite(part)) for part in parts)


@given(st.integers(1, 40), st.integers(1, 50))
@QUICK
def test_any_grouping_gives_means_and_variances_or_a_named_error(n, steps):
    series = np.random.default_rng(n).standard_normal((n, 2)) * u.arcsec
    try:
        means, within = mount.step_means(series, steps), mount.motion_within(series, steps)
    except ValueError as error:
        assert str(error).startswith("series") and steps > n
    else:
        assert means.shape == within.shape == (n // steps, 2) and np.all(within >= -1e-12 * u.arcsec**2)
