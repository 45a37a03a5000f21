"""Photon transfer and linearity: gain, read noise and saturation from the noise of light itself."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.camera_check.converter_codes import CodeUse, code_use
from helpers.camera_check.files import choose
from helpers.camera_check.statistics import as_frames, summarise
from helpers.shared.checks import as_quantity, flag, number, quantity, takes

_GAIN = u.electron / u.DN
# EMVA 1288: temporal variances below 0.24 DN^2 are hidden by the rounding to whole numbers; then only a limit is given.
HIDDEN_VARIANCE = 0.24
_ROUNDING = 1 / 12  # variance of rounding to steps of 1
_FIT_RANGE = 0.7  # EMVA 1288: photon transfer is fitted up to 70 % of saturation
_SAME_LEVEL = 0.1  # flats within 10 % are taken as one level
# Limits of saturation; our own, chosen so that healthy flats pass and what they let pass does not move the gain.
_FULL, _TOUCHED = 0.6, 0.7  # share of the noise variance that is left
_AT_TOP = 1e-3  # share of the pixels at the highest number
_SURE = 4.5  # standard errors: by chance in 1 of 300,000 points
# Standard deviation of how far responses bend, as a share of the signal at the brightest flat (common practice, no
# source).
_USUAL_BEND = 0.01


@dataclass(frozen=True)
class Measured:
    """A value with its standard error; `limit` is "" or "at least" or "below"."""

    value: u.Quantity
    error: u.Quantity
    limit: str = ""

    def __str__(self):
        unit = "" if self.value.unit == u.dimensionless_unscaled else f" {self.value.unit}"
        if self.limit or not self.error > 0:
            return f"{self.limit} {self.value.value:.3g}{unit}".strip()
        first, exponent = f"{self.error.value:.1e}"[0], np.floor(np.log10(float(f"{self.error.value:.0e}")))
        places = max(0, int(first == "1") - int(exponent))  # one digit of the error, two where it begins with 1
        return f"{self.value.value:.{places}f} ± {self.error.value:.{places}f}{unit}"


@dataclass(frozen=True)
class PhotonTransfer:
    """Result of `photon_transfer`.

    Attributes
    ----------
    gain, gain_error : Quantity [electron/DN]
        Electrons for one number of the file; the inverse of the overall system gain K of EMVA 1288.
    read_noise, read_noise_error : Quantity [electron]
        Temporal dark noise of EMVA 1288, the rounding to whole numbers taken off.
    read_noise_is_limit : bool
        The noise is hidden by rounding; `read_noise` is an upper limit.
    saturation : Quantity [electron]
        Saturation capacity; `saturation_is_limit` when no flat was bright enough: at least so much.
    signal, variance, variance_error : ndarray, shape (levels, planes)
        Points of the photon transfer curve, dark signal and dark variance taken off [DN, DN2]. The variance is without
        the part that whole rows or columns share: the noise of light is not in it, a flickering lamp and stripes are.
    fitted : ndarray of bool, shape (levels,)
    plane_gain, plane_read_noise : Quantity, shape (planes,)
        The same for each colour plane of a mosaic (one plane otherwise).
    """

    gain: u.Quantity
    gain_error: u.Quantity
    read_noise: u.Quantity
    read_noise_error: u.Quantity
    read_noise_is_limit: bool
    saturation: u.Quantity
    saturation_is_limit: bool
    signal: np.ndarray
    variance: np.ndarray
    variance_error: np.ndarray
    fitted: np.ndarray
    plane_gain: u.Quantity
    plane_read_noise: u.Quantity

    @property
    def dynamic_range(self):
        """Saturation over the smallest signal that can be told from nothing (read noise plus half an electron), EMVA
        1288.
        """
        return float(self.saturation / (self.read_noise + 0.5 * u.electron))

    @property
    def snr_max(self):
        """Largest signal-to-noise ratio of one pixel: the root of the saturation capacity, EMVA 1288."""
        return float(np.sqrt(self.saturation.to_value(u.electron)))


def check_size(name, frames, bias):
    """ValueError when frames are of another size than the bias frames."""
    if frames.shape[1:] != bias.shape[1:]:
        raise ValueError(
            f"{name}: expected {bias.shape[1]} rows and {bias.shape[2]} columns as in the bias frames, "
            f"found {frames.shape[1]} and {frames.shape[2]}"
        )


def split_levels(frames, bias):
    """Flats of several light levels as one set for each level, of at least two frames, in the order of their level."""
    means = np.array([frame.mean(dtype=float) for frame in frames]) - bias.level.mean()
    order = np.argsort(means, kind="stable")
    same = np.maximum(_SAME_LEVEL * np.abs(means[order][:-1]), np.sqrt(bias.variance.mean()))
    groups = [np.sort(group) for group in np.split(order, np.flatnonzero(np.diff(means[order]) > same) + 1)]
    return [choose(frames, group, "flat") for group in groups if group.size >= 2]


@dataclass(frozen=True)
class Saturation:
    """Which flats reach saturation, and what it is.

    Attributes
    ----------
    top : float
        Signal at saturation in DN above the bias, of the plane that is full first; `is_limit` when it is only a lower
        limit.
    clipped : ndarray of bool, shape (levels,)
        At least one colour plane of the flat is full, wholly or in its brightest pixels. Such flats tell the full well
        and nothing else.
    touched : ndarray of bool, shape (levels,)
        Only the brightest pixels of a plane are full.
    fitted : ndarray of bool, shape (levels,)
        Flats for the photon transfer: not clipped, and up to 70 % of saturation (EMVA 1288) where it is known.
    """

    top: float
    is_limit: bool
    clipped: np.ndarray
    touched: np.ndarray
    fitted: np.ndarray


def find_saturation(bias, flats, codes):
    """`Saturation` from the `SetStatistics` of bias and flats, judged plane by plane.

    A plane is full when its noise is far less than its light should have (`_planes_full`), and full in part when its
    brightest pixels are far quieter than the rest (`_planes_touched`), or when numbers are piled up at the highest.
    """
    signal = np.array([flat.level - bias.level for flat in flats])
    brightest = signal.max(axis=1)
    full, touched = _planes_full(signal, bias, flats), _planes_touched(flats, codes)
    clipped = (full | touched).any(axis=1)
    top, is_limit = brightest.max(), not full.any()
    if codes.piled_high:
        top, is_limit = codes.highest - bias.level.mean(), False
        at_top = [flat.counts[flat.codes == codes.highest].sum() / max(1, flat.counts.sum()) for flat in flats]
        clipped |= np.array(at_top) >= _AT_TOP
    elif full.any():
        top = signal[full].max()
    sound = ~clipped
    fitted = sound & (brightest <= _FIT_RANGE * top * 1.001) if clipped.any() else sound
    return Saturation(float(top), bool(is_limit), clipped, touched.any(axis=1), fitted if fitted.any() else sound)


def _planes_full(signal, bias, flats):
    """Points (levels, planes) with less than 0.6 of the variance that the fainter points foretell for their light."""
    variance = np.array([flat.own_variance for flat in flats]) - bias.own_variance
    total = np.array([flat.variance for flat in flats]) - bias.variance
    error = np.array([np.hypot(flat.own_error, bias.own_error) for flat in flats])
    full = np.zeros(signal.shape, bool)
    whole = np.array([not flat.damaged for flat in flats])[:, None]
    for place in zip(*np.unravel_index(np.argsort(signal, axis=None, kind="stable"), signal.shape), strict=True):
        fainter = (signal > 0) & (signal < 0.8 * signal[place]) & ~full & whole
        if not fainter.any():
            continue
        weight = 1 / np.maximum(error[fainter], 1e-12) ** 2
        x, y = signal[fainter], variance[fainter]
        slope = np.sum(weight * x * y) / np.sum(weight * x**2)
        spread = signal[place] / np.sqrt(np.sum(weight * x**2))
        lacks = _FULL * slope * signal[place] - variance[place]
        # What rows share counts here: a full plane has no noise at all, a damaged frame has far too much.
        quiet = total[place] < _FULL * slope * signal[place]
        full[place] = quiet and lacks > _SURE * np.hypot(error[place], _FULL * spread)
    return full


def _planes_touched(flats, codes):
    """Points (levels, planes) whose brightest pixels are far quieter than the others, so that they are full."""
    calm = np.array([flat.brightest_calm for flat in flats])
    error = np.array([flat.brightest_calm_error for flat in flats])[:, None]
    # Noise of about one step and less is quiet or not by rounding, not by light.
    told = np.array([flat.variance for flat in flats]) > 2 * (codes.step * codes.stretch) ** 2
    return told & (calm < _TOUCHED) & (1 - calm > _SURE * error)


def _fit_gain(signal, variance, error, dark_variance):
    """Slope of variance over signal at zero signal, and its error (larger when the points scatter more).

    A response that bends by a share b at the brightest flat, s = n - b n^2, has the variance n (1 - 2 b n)^2, in s
    about s (1 - 3 b s): a line through the origin and a parabola. Small bends can't be seen but move the slope, so the
    parabola always has a part, held near zero by what is usual; the error then holds what a usual bend does. Where the
    points bend for certain (also by charge that repels charge: Astier et al. 2019, A&A 629, A36), nothing holds it.
    """
    slope, slope_error = _fit_powers(signal, variance, error, dark_variance, (1,))
    if np.unique(signal).size < 4:
        allowance = 3 * _USUAL_BEND * 0.5 * slope[0]  # in the middle of the range, about
        return slope[0], float(np.hypot(slope_error[0], allowance))
    bent, bent_error = _fit_powers(signal, variance, error, dark_variance, (1, 2))
    if abs(bent[1]) <= 5 * bent_error[1]:
        held = 3 * _USUAL_BEND * slope[0] / signal.max()
        bent, bent_error = _fit_powers(signal, variance, error, dark_variance, (1, 2), held)
    return bent[0], bent_error[0]


def _fit_powers(signal, variance, error, dark_variance, powers, held=None):
    """Coefficients and errors of the powers of the signal, by weighted least squares.

    `held` is the standard deviation about zero that the last coefficient is expected to have (a normal prior).
    """
    design = np.stack([(signal / signal.max()) ** power for power in powers], axis=1)
    spread, scale = error, signal.max() ** np.array(powers, float)
    prior = np.zeros((len(powers), len(powers)))
    if held is not None:
        prior[-1, -1] = 1 / (held * scale[-1]) ** 2
    for _ in range(2):
        inverse = np.linalg.inv(design.T @ (design / spread[:, None] ** 2) + prior)
        fitted = inverse @ design.T @ (variance / spread**2)
        # The error of a variance grows with it: take it from the fitted curve, or points that are low by chance weigh
        # more.
        model = np.maximum(design @ fitted, 0.1 * variance.max())
        spread = error * (model + dark_variance) / np.maximum(variance + dark_variance, 1e-9)
    freedom = signal.size - len(powers)
    scatter = np.sum(((design @ fitted - variance) / spread) ** 2) / freedom if freedom > 0 else 1.0
    return fitted / scale, np.sqrt(np.diag(inverse) * max(1.0, scatter)) / scale


def rounding_error(variance):
    """How far rounding can be off its mean effect of 1/12, for a noise variance in steps squared.

    Widrow & Kollar 2008, "Quantization Noise", chapter 5: first harmonic, at the worst offset; taken once more where
    the variance itself may be too large by it.
    """

    def harmonic(v):
        return (1 / np.pi**2 + 4 * v) * np.exp(-2 * np.pi**2 * v)

    return harmonic(max(variance - harmonic(variance), 0.0))


def dark_temporal_noise(variance, error, quantum):
    """Temporal dark noise in DN, its error, and whether it is only an upper limit (hidden by the rounding)."""
    if variance < HIDDEN_VARIANCE * quantum**2:
        return np.sqrt(HIDDEN_VARIANCE - _ROUNDING) * quantum, 0.0, True
    noise = np.sqrt(variance - _ROUNDING * quantum**2)
    if quantum > 0:
        error = np.hypot(error, rounding_error((noise / quantum) ** 2) * quantum**2)
    return noise, error / (2 * noise), False


def fit_photon_transfer(bias, flats, codes):
    """Photon transfer from the `SetStatistics` of the bias frames and of each level of flats; see `photon_transfer`."""
    saturation = find_saturation(bias, flats, codes)
    fitted = saturation.fitted.copy()
    signal = np.array([flat.level - bias.level for flat in flats])
    quantum = codes.step * codes.stretch
    dark_variance, dark_error = bias.own_variance, bias.own_error
    hidden = HIDDEN_VARIANCE * quantum**2
    if dark_variance.mean() < hidden:
        # Noise that is hidden in rounding comes out too small: take the middle of what it can be.
        dark_variance, dark_error = np.full_like(dark_variance, _ROUNDING * quantum**2 * 1.5), hidden / 3
    variance = np.array([flat.own_variance - dark_variance for flat in flats])
    error = np.array([np.hypot(flat.own_error, dark_error) for flat in flats])
    fitted &= np.array([flat.own_variance.min() > hidden for flat in flats])
    if any(flat.equal_pairs == flat.pairs and np.ptp(flat.mean_frame) > 0 for flat in flats):
        raise ValueError("flat_frames: expected frames that differ by their noise, found equal frames (copies of one?)")
    if not fitted.any():
        raise ValueError(
            "flat_frames: expected a level below saturation whose noise is more than the rounding to whole numbers, "
            "found none; take flats with another exposure, or with finer numbers (more bits, higher gain setting)"
        )
    if (signal[fitted] <= 0).any():
        raise ValueError(f"flat_frames: expected more signal than in the bias frames, found {signal.min():.3g} DN more")
    dark_of = np.broadcast_to(dark_variance, variance.shape)
    slope, slope_error = _fit_gain(*(table[fitted].ravel() for table in (signal, variance, error, dark_of)))
    if slope < 3 * slope_error:
        raise ValueError(
            "flat_frames: expected more noise than in the bias frames (the noise of light), found no certain "
            "difference; "
            "take brighter flats"
        )
    noise, noise_error, hidden = dark_temporal_noise(bias.variance.mean(), mean_error(bias.variance_error), quantum)
    planes = [
        _fit_gain(*(table[fitted, plane] for table in (signal, variance, error, dark_of)))[0]
        for plane in range(signal.shape[1])
    ]
    plane_noise = [dark_temporal_noise(v, 0.0, quantum)[0] for v in bias.variance]
    read_noise = noise / slope
    return PhotonTransfer(
        gain=1 / slope * _GAIN,
        gain_error=slope_error / slope**2 * _GAIN,
        read_noise=read_noise * u.electron,
        read_noise_error=float(np.hypot(noise_error / slope, read_noise * slope_error / slope)) * u.electron,
        read_noise_is_limit=hidden,
        saturation=saturation.top / slope * u.electron,
        saturation_is_limit=saturation.is_limit,
        signal=signal,
        variance=variance,
        variance_error=error,
        fitted=fitted,
        plane_gain=1 / np.array(planes) * _GAIN,
        plane_read_noise=np.array(plane_noise) / np.abs(planes) * u.electron,
    )


def mean_error(errors):
    """Standard error of the mean of values with these errors."""
    return float(np.sqrt(np.sum(np.square(errors))) / np.size(errors))


@takes(bias_frames=as_frames, flat_frames=as_frames, mosaic=flag())
def photon_transfer(bias_frames, flat_frames, mosaic=False):
    """Gain and read noise from bias frames and evenly lit flat frames.

    The noise of light has a variance equal to the number of electrons, so the slope of noise variance over signal, both
    in DN, tells how many DN one electron makes. Variances are taken from differences of two frames, in which all fixed
    patterns fall out.

    Parameters
    ----------
    bias_frames : array, shape (n, rows, columns), n >= 2
        Shortest exposure, no light [DN].
    flat_frames : array, shape (m, rows, columns), m >= 2
        Evenly lit, of one or several levels of light, at least two frames each [DN].
    mosaic : bool
        The camera has a 2 x 2 colour mosaic.

    Returns
    -------
    PhotonTransfer

    Raises
    ------
    ValueError, TypeError
        Not enough frames, of different size, not finite, equal frames, all flats saturated or none bright enough.

    References
    ----------
    Janesick 2001, "Scientific Charge-Coupled Devices", chapter 2; EMVA Standard 1288, release 3.1, sections 2 and 6.
    """
    check_size("flat_frames", flat_frames, bias_frames)
    bias = summarise(bias_frames, mosaic)
    levels = split_levels(flat_frames, bias)
    if not levels:
        raise ValueError("flat_frames: expected at least two flats of the same level of light, found none")
    flats = [summarise(level, mosaic, bias.level.mean()) for level in levels]
    return fit_photon_transfer(bias, flats, codes_of(bias, flats))


def codes_of(*sets):
    """How the numbers of several `SetStatistics` (or lists of them) are spaced; bias first."""
    histograms = []
    for one in sets:
        histograms += [(each.codes, each.counts) for each in (one if isinstance(one, list) else [one])]
    histograms = [pair for pair in histograms if len(pair[0])]
    if histograms:
        return code_use(histograms)
    return CodeUse(0.0, 1.0, None, True, np.nan, np.nan, False, False, 0, 0.0, None, 0)


@dataclass(frozen=True)
class Linearity:
    """Straight line of signal over exposure: `error` is the linearity error of EMVA 1288, `deviations` in percent."""

    error: Measured
    exposures: u.Quantity
    signals: u.Quantity
    deviations: u.Quantity
    used: np.ndarray


def _as_signals(name, value):
    """A row of DN or electrons, as it was given."""
    unit = u.DN if getattr(value, "unit", u.DN) == u.DN else u.electron
    return quantity(unit, minimum=-1e12, maximum=1e12, ndim=1, most_values=100_000)(name, value)


@takes(
    exposures=quantity(u.s, minimum=1e-6, maximum=1e6, ndim=1, most_values=100_000),
    signals=_as_signals,
    scatter=number(minimum=0, maximum=10),
)
def linearity(exposures, signals, saturation, scatter=0.0):
    """Linearity error: mean relative distance of the signal from a straight line, between 5 and 95 % of saturation.

    Parameters
    ----------
    exposures : Quantity [time], shape (n,)
    signals : Quantity [DN or electron], shape (n,)
        Dark signal taken off.
    saturation : Quantity
        In the unit of `signals`.
    scatter : float
        Relative error of one signal (a lamp that flickers).

    Returns
    -------
    Linearity

    Raises
    ------
    ValueError
        Fewer than four levels in the range.

    References
    ----------
    EMVA Standard 1288, release 4.0 linear, "linearity error" (fit with equal relative weights; from memory).
    """
    saturation = as_quantity("saturation", saturation, signals.unit, minimum=1e-6, maximum=1e12, ndim=0)
    if exposures.shape != signals.shape:
        raise ValueError(
            f"exposures, signals: expected one signal an exposure, found {exposures.size} and {signals.size}"
        )
    used = (signals > 0.05 * saturation) & (signals < 0.95 * saturation)
    if np.unique(exposures[used]).size < 4:
        raise ValueError(
            f"exposures, signals: expected at least four levels between 5 and 95 % of saturation, "
            f"found {np.unique(exposures[used]).size}"
        )
    x, y = exposures.value, signals.value
    design = np.stack([np.ones_like(x), x], axis=1)[used] / y[used, None]  # equal relative weights
    line = np.linalg.lstsq(design, np.ones(used.sum()), rcond=None)[0]
    fitted = line[0] + line[1] * x
    deviations = 100 * (y - fitted) / np.where(used, fitted, np.maximum(np.abs(fitted), 1e-6 * saturation.value))
    error = np.mean(np.abs(deviations[used]))
    return Linearity(
        error=Measured(error * u.percent, 100 * scatter / np.sqrt(used.sum()) * u.percent),
        exposures=exposures,
        signals=signals,
        deviations=deviations * u.percent,
        used=used,
    )
