"""How a mount moves when nobody corrects it: periodic error, polar drift, wind gusts, flexure of a guide telescope.

Motion is returned as (n, 2) arcsec on the sky: column 0 along right ascension (eastwards, the factor cos(declination)
included), column 1 along declination (northwards). Each row is the mean over one step of a regular time grid, so motion
within a step is averaged as an exposure averages it.
"""

import astropy.units as u
import numpy as np

from helpers.rig.parts import Mount
from helpers.shared.checks import count, instance, number, quantity, takes
from helpers.shared.recursion import recursion
from helpers.shared.sky import SIDEREAL_RATE

# Strength of one, two and three waves a turn of the worm, and their phases [turns]. Invented, with the usual look of a
# measured curve: a main wave and weaker overtones (common practice, no source).
HARMONICS = (1.0, 0.35, 0.2)
PHASES = (0.0, 0.15, 0.4)


_N_STEPS, _STEP = count(minimum=1, maximum=2_000_000), quantity(u.s, minimum=1e-6, maximum=1e5, ndim=0)
_ROUND = quantity(u.deg, minimum=-360, maximum=360, ndim=0)
_POLE = {
    "hour_angle": _ROUND,
    "declination": quantity(u.deg, minimum=-90, maximum=90, ndim=0),
    "polar_error": quantity(u.arcsec, minimum=0, maximum=36000, ndim=0),
    "pole_hour_angle": _ROUND,
}


def _middles(n_steps, step):
    """Middle of each step, in s."""
    return step.value * (np.arange(n_steps) + 0.5)


@takes(
    "harmonics phases",
    n_steps=_N_STEPS,
    step=_STEP,
    period=quantity(u.s, minimum=1e-3, maximum=1e7, ndim=0),
    peak_to_peak=quantity(u.arcsec, minimum=0, maximum=1e6, ndim=0),
    declination=_POLE["declination"],
    harmonics=number(minimum=0, ndim=1, most_values=50),
    phases=number(minimum=-1e6, maximum=1e6, ndim=1, most_values=50),
)
def periodic_error(n_steps, step, period, peak_to_peak, declination=0 * u.deg, harmonics=HARMONICS, phases=PHASES):
    """Periodic error of a worm drive, in right ascension.

    Parameters
    ----------
    n_steps : int
        At most 2,000,000, here and in the functions below.
    step : Quantity [time]
    period : Quantity [time]
        One turn of the worm.
    peak_to_peak : Quantity [angle]
        On the celestial equator; the curve's highest less its lowest point, overtones included.
    declination : Quantity [angle]
        Of the target; an error in hour angle is smaller on the sky by its cosine.
    harmonics, phases : sequence of float, same length
        Relative strength of one, two, three ... waves a turn, and phases in turns.

    Returns
    -------
    Quantity [arcsec], shape (n_steps,)
        Mean over each step: each wave is weakened by sinc(frequency x step), exactly.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument.
    """
    if harmonics.shape != phases.shape:
        raise ValueError(f"harmonics, phases: expected the same length, found {harmonics.size} and {phases.size}")
    if harmonics.max() == 0:
        raise ValueError("harmonics: expected at least one wave above 0, found none")
    harmonics = harmonics / harmonics.max()
    waves = np.arange(1, harmonics.size + 1)

    def curve(turns, strength):
        each = zip(waves, phases, strength, strict=True)
        return sum(one * np.sin(2 * np.pi * (turns * wave + phase)) for wave, phase, one in each)

    scale = peak_to_peak / np.ptp(curve(np.linspace(0, 1, 4096), harmonics))
    averaged = harmonics * np.sinc(waves * float(step / period))
    return scale * curve(_middles(n_steps, step) / period.value, averaged) * np.cos(declination).value


@takes(**_POLE)
def polar_drift_rate(hour_angle, declination, polar_error, pole_hour_angle=90 * u.deg):
    """Drift of the star when the mount's axis misses the celestial pole.

    Parameters
    ----------
    hour_angle, declination : Quantity [angle]
        Of the target; hour angle positive in the west.
    polar_error : Quantity [angle]
        Distance of the mount's pole from the celestial pole; small (below 10 deg).
    pole_hour_angle : Quantity [angle]
        Hour angle of the mount's pole: 0 deg is above the celestial pole, 90 deg west of it.

    Returns
    -------
    Quantity [arcsec / min], shape (2,)
        In right ascension (on the sky) and in declination.

    References
    ----------
    First order of a rotation about a displaced pole: with polar error e, sidereal rate w and angle H - Hp,
    right ascension -e w sin(dec) cos(H - Hp), declination -e w sin(H - Hp). Never more than e w, 0.26 arcsec/min for
    each arcmin of e.
    """
    angle, sine, error = _polar_geometry(hour_angle, declination, polar_error, pole_hour_angle)
    speed = error * SIDEREAL_RATE.value * 60
    return -speed * np.array([sine * np.cos(angle), np.sin(angle)]) * u.arcsec / u.min


def _polar_geometry(hour_angle, declination, polar_error, pole_hour_angle):
    """Hour angle from the mount's pole [rad], sine of the declination, polar error [arcsec]."""
    return (hour_angle - pole_hour_angle).to_value(u.rad), np.sin(declination.to_value(u.rad)), polar_error.value


@takes(n_steps=_N_STEPS, step=_STEP, **_POLE)
def polar_drift(n_steps, step, hour_angle, declination, polar_error, pole_hour_angle=90 * u.deg):
    """Path of the star when the mount's axis misses the celestial pole, from its place at the start.

    Parameters
    ----------
    n_steps : int
    step : Quantity [time]
    hour_angle : Quantity [angle]
        Of the target at the start.
    declination, polar_error, pole_hour_angle : Quantity [angle]
        See `polar_drift_rate`.

    Returns
    -------
    Quantity [arcsec], shape (n_steps, 2)
        Values at mid-step; over a guide exposure the path is straight.
    """
    angle, sine, error = _polar_geometry(hour_angle, declination, polar_error, pole_hour_angle)
    turned = SIDEREAL_RATE.value * _middles(n_steps, step)
    right_ascension = -error * sine * (np.sin(angle + turned) - np.sin(angle))
    return np.column_stack([right_ascension, error * (np.cos(angle + turned) - np.cos(angle))]) * u.arcsec


@takes(
    n_steps=_N_STEPS,
    step=_STEP,
    rms=quantity(u.arcsec, minimum=0, maximum=1e6, ndim=0),
    correlation_time=quantity(u.s, minimum=1e-6, maximum=1e6, ndim=0),
    rng=instance(np.random.Generator),
)
def gusts(n_steps, step, rms, correlation_time, rng):
    """Shake by wind: random motion that forgets itself after a correlation time, both axes alike.

    Parameters
    ----------
    n_steps : int
    step : Quantity [time]
    rms : Quantity [angle]
        Of one axis, at an instant (the mean over a long step is calmer).
    correlation_time : Quantity [time]
        After which the correlation has fallen to 1/e.
    rng : numpy.random.Generator

    Returns
    -------
    Quantity [arcsec], shape (n_steps, 2)
        Exact means over each step.

    References
    ----------
    Ornstein-Uhlenbeck process and its time integral: Gillespie 1996, Phys. Rev. E 54, 2084, eqs 1.9 and 2.13-2.18.
    That a mount shakes in this way is a model (no source); fit rms and correlation time to your own log.
    """
    # All for unit rms and time in correlation times, so Gillespie's c tau / 2 is 1.
    length = float(step / correlation_time)
    lost = -np.expm1(-length)  # 1 - exp(-length), without loss of digits for short steps
    value_variance = -np.expm1(-2 * length)
    shared = lost**2
    if length < 1e-3:  # series, for the exact form cancels
        integral_variance = 2 / 3 * length**3 * (1 - 0.75 * length)
    else:
        integral_variance = 2 * (length - 2 * lost + 0.5 * value_variance)
    pushes = rng.standard_normal((2, n_steps, 2))
    value_push = np.sqrt(value_variance) * pushes[0]
    own_variance = max(integral_variance - shared**2 / value_variance, 0.0)
    integral_push = shared / np.sqrt(value_variance) * pushes[0] + np.sqrt(own_variance) * pushes[1]
    first = rng.standard_normal(2)  # the motion has long begun when the series starts
    before = recursion([1.0, lost - 1.0], np.vstack([first, value_push[:-1]]))
    return (before * lost + integral_push) / length * rms


@takes(
    n_steps=_N_STEPS,
    step=_STEP,
    rate=quantity(u.arcsec / u.s, minimum=0, maximum=3600, ndim=0),
    direction=_ROUND,
)
def flexure(n_steps, step, rate, direction=0 * u.deg):
    """Slow bend of a guide telescope against the main telescope: the guider sees none of it, the picture all of it.

    Parameters
    ----------
    n_steps : int
    step : Quantity [time]
    rate : Quantity [angle / time]
        0 for a pick-off, whose light comes through the main telescope.
    direction : Quantity [angle]
        0 deg along right ascension, 90 deg along declination.

    Returns
    -------
    Quantity [arcsec], shape (n_steps, 2)
        Values at mid-step.
    """
    along = np.array([np.cos(direction).value, np.sin(direction).value])
    return np.outer(_middles(n_steps, step), rate.value * along) * u.arcsec


@takes(
    mount=instance(Mount),
    n_steps=_N_STEPS,
    step=_STEP,
    hour_angle=_ROUND,
    declination=_POLE["declination"],
    worm_phase=number(minimum=-1e6, maximum=1e6),
)
def mount_motion(mount, n_steps, step, hour_angle=0 * u.deg, declination=0 * u.deg, worm_phase=0.0):
    """What a mount does without guiding: periodic error and polar drift together.

    Parameters
    ----------
    mount : helpers.rig.Mount
        Its worm_period, periodic_error and polar_error are used. Backlash belongs to the corrections
        (`helpers.correction_loop.loop.simulate_loop`); jitter is too fast to be seen or corrected and goes straight
        into the picture (`helpers.correction_loop.picture.final_image`).
    n_steps : int
    step : Quantity [time]
    hour_angle, declination : Quantity [angle]
        Of the target at the start.
    worm_phase : float
        Turns that the worm has made when it starts; what it does next depends on it.

    Returns
    -------
    Quantity [arcsec], shape (n_steps, 2)
        From where it pointed in the first step, for guiding starts with the star in its place.
    """
    path = polar_drift(n_steps, step, hour_angle, declination, mount.polar_error)
    waves = np.arange(1, len(PHASES) + 1)
    phases = (np.array(PHASES) + waves * worm_phase) % 1
    path[:, 0] += periodic_error(n_steps, step, mount.worm_period, mount.periodic_error, declination, HARMONICS, phases)
    return path - path[0]


_SERIES = quantity(u.arcsec, minimum=-1e9, maximum=1e9, most_values=100_000_000)


@takes(series=_SERIES, steps=count(minimum=1, maximum=10_000_000))
def step_means(series, steps):
    """Means over groups of consecutive steps: a fine series as a longer exposure sees it.

    Parameters
    ----------
    series : Quantity, shape (n, ...)
    steps : int
        Steps to an exposure; an incomplete group at the end is left out.

    Returns
    -------
    Quantity, shape (n // steps, ...)
    """
    return _groups(series, steps).mean(axis=1)


@takes(series=_SERIES, steps=count(minimum=1, maximum=10_000_000))
def motion_within(series, steps):
    """Variance of the motion inside each exposure, which blurs it and no correction can reach.

    Parameters
    ----------
    series : Quantity [arcsec], shape (n, ...)
    steps : int
        Steps to an exposure.

    Returns
    -------
    Quantity [arcsec2], shape (n // steps, ...)
    """
    return _groups(series, steps).var(axis=1)


def _groups(series, steps):
    if series.ndim == 0 or len(series) < steps:
        raise ValueError(f"series, steps: expected at least one exposure of {steps} rows, found shape {series.shape}")
    groups = len(series) // steps
    return series[: groups * steps].reshape((groups, steps) + series.shape[1:])
