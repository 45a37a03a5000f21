"""The correction loop of a guided mount: what it measures, what it does, and what algebra says of it.

One exposure after another, without gaps: the guide camera measures where the star is, the mount is moved by the share
`gain` of what was measured, the next exposure begins. Three truths are kept apart:

* the logged error: what the guide camera measured, `pointing + noise`, centroid noise and air included;
* the true pointing of the mount: `disturbance + corrections`, without air and without centroid noise;
* the final image: what the main camera's long exposure makes of pointing and air (`helpers.correction_loop.picture`).

Axis 0 is right ascension (on the sky), axis 1 declination.
"""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from scipy import optimize

from helpers.shared.checks import as_flags, count, number, optional, quantity, takes

AXES = ("right ascension", "declination")
_LARGEST = 1e6  # arcsec: more than half round the sky
_EXPOSURE = quantity(u.s, minimum=1e-6, maximum=1e5, ndim=0)  # as in starlight.view
_GAIN, _DELAY = number(minimum=1e-9), count(maximum=1)


@takes(delay=_DELAY)
def stability_limit(delay=0):
    """Loop gain from which corrections grow instead of dying away.

    Parameters
    ----------
    delay : int
        Whole exposures that pass before a correction acts, besides the exposure that measured it: 0 or 1.

    Returns
    -------
    float
        2 cos(pi delay / (2 delay + 1)): 2 without delay, 1 with a delay of one exposure.

    Raises
    ------
    ValueError, TypeError

    References
    ----------
    Levin & May 1976, "A note on difference-delay equations", Theor. Popul. Biol. 9, 178.
    """
    return 2.0 if delay == 0 else 1.0


@takes(gain=number(minimum=0, ndim=None), delay=_DELAY, above=optional(number()))
def check_gain(gain, delay=0, above=None):
    """Refuse a gain at which the loop is not stable.

    Parameters
    ----------
    gain : float or array
    delay : int
        0 or 1 exposures.
    above : float, optional
        Limit that the gain must exceed; without it 0 is allowed (no guiding).

    Returns
    -------
    float or array

    Raises
    ------
    ValueError, TypeError
    """
    if above is not None and np.min(gain) <= above:
        raise ValueError(f"gain: expected above {above:g}, found {np.min(gain):g}")
    return _stable(gain, delay)


def _stable(gain, delay):
    limit = stability_limit(delay)
    if np.max(gain) >= limit:
        raise ValueError(
            f"gain: expected below {limit:g}, found {np.max(gain):g}; with a delay of {delay} exposure(s) the "
            "corrections from there on are larger than the errors they answer, and the mount swings ever wider"
        )
    return gain


@takes(gain=number(minimum=0), delay=_DELAY)
def noise_gain(gain, delay=0):
    """Share of the measuring noise that the loop hands on to the mount, as variance.

    Parameters
    ----------
    gain : float
        Loop gain, from 0 to below the stability limit.
    delay : int
        0 or 1 exposures.

    Returns
    -------
    float
        Variance of the mount's pointing over the variance of the noise (independent from exposure to exposure):
        g / (2 - g) without delay, g (1 + g) / ((1 - g) (2 + g)) with one exposure of delay.

    Raises
    ------
    ValueError, TypeError
        Among them a gain at which the loop is not stable.

    References
    ----------
    Stationary variance of x[k+1] = x[k] - g (x[k-delay] + n[k-delay]): Box, Jenkins & Reinsel, "Time series analysis",
    section 3.2 (autoregressive processes of order 1 and 2).
    """
    gain = _stable(gain, delay)
    return gain / (2 - gain) if delay == 0 else gain * (1 + gain) / ((1 - gain) * (2 + gain))


@takes(
    "rate exposure",
    rate=quantity(u.arcsec / u.s, minimum=-3600, maximum=3600),
    exposure=quantity(u.s, minimum=1e-6, maximum=1e5),
    gain=number(minimum=1e-9, maximum=2),
)
def drift_residual(rate, exposure, gain):
    """Distance by which the mount lags behind a steady drift.

    Parameters
    ----------
    rate : Quantity [angle / time]
    exposure : Quantity [time]
    gain : float
        Above 0, at most 2.

    Returns
    -------
    Quantity [arcsec]
        rate x exposure / gain, with and without delay. A steady lag blurs nothing; it shifts the picture.
    """
    return (rate * exposure / gain).to(u.arcsec)


def _loop_functions(frequency, exposure, gain, delay):
    if np.max(frequency * exposure) > 0.5 * (1 + 1e-12):
        raise ValueError(
            f"frequency: expected at most half a cycle an exposure, {(0.5 / exposure).to(u.Hz):g}, found "
            f"{np.max(frequency):g}"
        )
    gain = _stable(gain, delay)
    z = np.exp(2j * np.pi * frequency.value * exposure.value)
    swing = (z - 1) * z**delay
    return swing, swing + gain


_FREQUENCY = quantity(u.Hz, minimum=0, maximum=1e6, most_values=1_000_000)


@takes(frequency=_FREQUENCY, exposure=_EXPOSURE, gain=_GAIN, delay=_DELAY)
def rejection(frequency, exposure, gain, delay=0):
    """What guiding leaves of a motion of the mount, by frequency: |1 / (1 + L)|.

    Parameters
    ----------
    frequency : Quantity [Hz]
        From 0 to half a cycle an exposure; faster motion is not followed at all.
    exposure : Quantity [time]
    gain : float
        Above 0.
    delay : int
        0 or 1 exposures.

    Returns
    -------
    float or array
        Amplitude left over amplitude without guiding; above 1 guiding makes it worse. L = g / ((z - 1) z^delay),
        z = exp(2 pi i frequency exposure).

    References
    ----------
    Sensitivity function: Franklin, Powell & Workman, "Digital control of dynamic systems".
    """
    swing, closed = _loop_functions(frequency, exposure, gain, delay)
    return np.abs(swing / closed)


@takes(frequency=_FREQUENCY, exposure=_EXPOSURE, gain=_GAIN, delay=_DELAY)
def noise_response(frequency, exposure, gain, delay=0):
    """How much of a false error (air, centroid noise) the mount is made to follow, by frequency: |L / (1 + L)|.

    Parameters and source as in `rejection`.

    Returns
    -------
    float or array
        Amplitude of the mount's motion over amplitude of the false error; the mean of its square over all frequencies
        is `noise_gain`.
    """
    _, closed = _loop_functions(frequency, exposure, gain, delay)
    return np.abs(gain / closed)


@takes(exposure=_EXPOSURE, gain=_GAIN, delay=_DELAY)
def useful_frequency(exposure, gain, delay=0):
    """Frequency below which guiding reduces a motion of the mount and above which it enlarges it (rejection of 1).

    Returns
    -------
    Quantity [Hz]
        From |1 + L| = 1: cos(w) = 1 - g/2 without delay, (1 + sqrt(9 - 4 g)) / 4 with one exposure of delay, where w is
        the phase that a motion gains in an exposure.
    """
    gain = _stable(gain, delay)
    cosine = 1 - gain / 2 if delay == 0 else (1 + np.sqrt(9 - 4 * gain)) / 4
    return np.arccos(cosine) / (2 * np.pi * exposure.value) * u.Hz


@takes(exposure=_EXPOSURE, gain=_GAIN, delay=_DELAY)
def worst_amplification(exposure, gain, delay=0):
    """Peak of the rejection curve.

    Returns
    -------
    frequency : Quantity [Hz]
    height : float
        2 / (2 - g) at half a cycle an exposure without delay; with delay found numerically.
    """
    half = 0.5 / exposure.value
    grid = np.linspace(0, half, 400)
    curve = rejection(grid * u.Hz, exposure, gain, delay)
    top = int(np.argmax(curve))
    found = optimize.minimize_scalar(
        lambda frequency_hz: -rejection(frequency_hz * u.Hz, exposure, gain, delay),
        bounds=(grid[max(top - 1, 0)], grid[min(top + 1, grid.size - 1)]),
        method="bounded",
        options={"xatol": half * 1e-9},
    )
    best = found.x if -found.fun > curve[top] else grid[top]
    return best * u.Hz, float(max(-found.fun, curve[top]))


@dataclass(frozen=True)
class LoopResult:
    """A simulated stretch of guiding, one row an exposure, in arcsec.

    Attributes
    ----------
    logged : Quantity, shape (n, 2)
        Measured error: pointing + noise. Where `seen` is False the star was lost: no camera could have logged that row.
    pointing : Quantity, shape (n, 2)
        True pointing error of the mount, mean over the exposure: disturbance + corrections that have arrived.
    corrections : Quantity, shape (n, 2)
        Command given after each exposure (of which backlash may swallow some, and which acts after the delay).
    seen : bool array, shape (n,)
    """

    logged: u.Quantity
    pointing: u.Quantity
    corrections: u.Quantity
    seen: np.ndarray

    @property
    def logged_rms(self):
        """One-axis rms of the logged error about its mean, over the rows with a star; Quantity [arcsec], shape (2,)."""
        return self.logged[self.seen].std(axis=0)

    @property
    def pointing_rms(self):
        """One-axis rms of the true pointing about its mean; Quantity [arcsec], shape (2,)."""
        return self.pointing.std(axis=0)


def _per_axis(rule):
    """The rule for one value, or one for each axis."""

    def checked(name, value):
        value = rule(name, value)
        if np.shape(value) not in ((), (2,)):
            raise ValueError(f"{name}: expected one value or one for each axis, found shape {np.shape(value)}")
        return value

    return checked


def run_loop(disturbance, noise, gain, delay=0, dead_band=0.0, backlash=0.0, largest=np.inf, seen=None):
    """`simulate_loop` on plain arrays in arcsec, many loops side by side and without checks.

    Parameters
    ----------
    disturbance, noise : array, shape (n, ...)
        They broadcast against each other; `gain` and the limits against all their axes but the first.
    gain, dead_band, backlash, largest : float or array
    delay : int
    seen : bool array, shape (n,), optional

    Returns
    -------
    pointing, commands : array, shape (n, ...)
    """
    n = len(disturbance)
    shape = np.broadcast_shapes(disturbance.shape[1:], noise.shape[1:], np.shape(gain))
    uncorrected = disturbance + noise
    commands = np.empty((n, *shape))
    axis = np.zeros((n + 1, *shape))  # where the corrections have brought the axis
    # The motor moves freely inside the play of the gears and drags the axis along at either end of it.
    low, high = np.zeros(shape) - np.asarray(backlash) / 2, np.zeros(shape) + np.asarray(backlash) / 2
    with_dead_band, with_play, with_limit = np.any(dead_band > 0), np.any(backlash > 0), np.any(largest < np.inf)
    turn, waiting = -np.asarray(gain), np.zeros(shape)
    for k in range(n):
        command, before, after = commands[k], axis[k], axis[k + 1]
        np.add(uncorrected[k], before, out=command)
        if with_dead_band:
            command[np.abs(command) < dead_band] = 0.0
        command *= turn
        if with_limit:
            np.clip(command, -largest, largest, out=command)
        if seen is not None and not seen[k]:
            command[...] = 0.0
        arriving, waiting = (command, None) if delay == 0 else (waiting, command)
        if with_play:
            low += arriving
            high += arriving
            np.maximum(before, low, out=after)
            np.minimum(after, high, out=after)
        else:
            np.add(before, arriving, out=after)
    return disturbance + axis[:-1], commands


_PATH = quantity(u.arcsec, minimum=-_LARGEST, maximum=_LARGEST, shape=(None, 2), most_values=4_000_000)
_SIZE = _per_axis(quantity(u.arcsec, minimum=0, maximum=_LARGEST))


@takes(
    disturbance=_PATH,
    noise=_PATH,
    gain=_per_axis(number(minimum=0, ndim=None)),
    delay=_DELAY,
    dead_band=_SIZE,
    backlash=_SIZE,
    largest_correction=optional(_SIZE),
)
def simulate_loop(
    disturbance,
    noise,
    gain,
    delay=0,
    dead_band=0 * u.arcsec,
    *,
    backlash=0 * u.arcsec,
    largest_correction=None,
    seen=None,
):
    """Guide through a series of exposures.

    After exposure k the command is ``-gain * (pointing[k] + noise[k])``; it acts before exposure k + 1 (delay 0) or k +
    2 (delay 1).

    Parameters
    ----------
    disturbance : Quantity [angle], shape (n, 2)
        Where the mount would point without guiding, mean over each exposure (a position, not a step): see
        `helpers.correction_loop.mount`. At most 2,000,000 rows.
    noise : Quantity [angle], shape (n, 2)
        False error in each exposure: centroid noise plus motion of the star by the air.
    gain : float or pair of floats
        Loop gain, for both axes or for each; 0 leaves the mount alone.
    delay : int
        0 or 1 exposures.
    dead_band : Quantity [angle]
        A measured error smaller than this is not answered. One value, or one for each axis.
    backlash : Quantity [angle]
        Play of the gears: after a change of direction the axis stands still until the play is used up. One value for
        both axes, or one for each; a driven right-ascension axis has none, since it never turns back.
    largest_correction : Quantity [angle], optional
        No command is larger. No limit if not given.
    seen : bool array, shape (n,), optional
        False where the star was lost; no command is given there.

    Returns
    -------
    LoopResult

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument; among them a gain at which the loop is not stable.
    """
    if disturbance.shape != noise.shape:
        raise ValueError(f"noise: expected the shape of disturbance {disturbance.shape}, found {noise.shape}")
    gain = _stable(gain, delay)
    seen = np.ones(len(noise), bool) if seen is None else as_flags("seen", seen, length=len(noise))
    if not seen.any():
        raise ValueError("seen: expected at least one exposure with a star, found none")
    pointing, commands = run_loop(
        disturbance.value,
        noise.value,
        gain,
        delay,
        dead_band.value,
        backlash.value,
        np.inf if largest_correction is None else largest_correction.value,
        None if seen.all() else seen,
    )
    return LoopResult((pointing + noise.value) * u.arcsec, pointing * u.arcsec, commands * u.arcsec, seen)
