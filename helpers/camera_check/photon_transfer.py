"""Photon transfer and linearity: gain, read noise and saturation from the noise of light itself."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.camera_check.converter_codes import CodeUse, code_use
from helpers.camera_check.files import LARGEST, Frames
from helpers.camera_check.statistics import summarise
from helpers.shared.checks import as_quantity

_GAIN = u.electron / u.DN
# EMVA 1288: temporal variances below 0.24 DN^2 are hidden by the rounding to whole numbers; then only a limit is given.
HIDDEN_VARIANCE = 0.24
_ROUNDING = 1 / 12  # variance of rounding to steps of 1
_FIT_RANGE = 0.7  # EMVA 1288: photon transfer is fitted up to 70 % of saturation
_SAME_LEVEL = 0.1  # flats within 10 % are taken as one level


@dataclass(frozen=True)
class Measured:
    """A value with its standard error; `limit` is "" or "at least" or "below"."""

    value: u.Quantity
    error: u.Quantity
    limit: str = ""

    def __str__(self):
        unit = "" if self.value.unit == u.dimensionless_unscaled else f" {self.value.unit}"
        digits = 2
        if self.limit or not self.error > 0:
            return f"{self.limit} {self.value.value:.{digits + 1}g}{unit}".strip()
        places = max(0, digits - 1 - int(np.floor(np.log10(self.error.value))))
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


def as_frames(name, frames):
    """An array (n, rows, columns) of finite numbers, or Frames on disk."""
    if isinstance(frames, Frames):
        return frames
    if isinstance(frames, u.Quantity):
        if frames.unit not in (u.DN, u.adu, u.dimensionless_unscaled):
            raise u.UnitTypeError(f"{name}: expected plain numbers or DN, found the unit '{frames.unit}'")
        frames = frames.value
    try:
        array = np.asarray(frames)
    except ValueError as error:
        raise ValueError(f"{name}: expected frames of one size, found several sizes") from error
    if array.dtype.kind not in "iuf":
        raise TypeError(f"{name}: expected numbers, found {type(frames).__name__} of {array.dtype}")
    if array.ndim != 3:
        raise ValueError(f"{name}: expected the shape (frames, rows, columns), found {array.shape}")
    if array.shape[0] < 2:
        raise ValueError(f"{name}: expected at least two frames, found {array.shape[0]}")
    if array.dtype.kind == "f" and array.size and not np.all(np.abs(array) <= LARGEST):
        frame, row, column = np.argwhere(~(np.abs(array) <= LARGEST))[0]
        raise ValueError(
            f"{name}: frame {frame}, row {row}, column {column}: expected a number of a camera, "
            f"found {array[frame, row, column]}"
        )
    return array


def place_of(frames, number, kind):
    """Where a frame of a set is: its file, or its number."""
    return frames.place(number) if hasattr(frames, "place") else f"{kind} frame {number + 1}"


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
    return [_Chosen(frames, group) for group in groups if group.size >= 2]


class _Chosen:
    """Some frames of a set, looked up when needed, so that a large set stays on disk."""

    def __init__(self, frames, numbers):
        self.frames, self.numbers = frames, numbers
        self.shape, self.dtype = (len(numbers), *frames.shape[1:]), frames.dtype

    def __len__(self):
        return len(self.numbers)

    def place(self, number):
        return place_of(self.frames, int(self.numbers[number]), "flat")

    def __getitem__(self, number):
        return self.frames[int(self.numbers[number])]

    def __iter__(self):
        return (self[number] for number in range(len(self)))


def saturation_signal(bias, flats, codes):
    """Signal at saturation in DN above the bias, whether it is only a lower limit, and which flats are below it."""
    signal = np.array([flat.level.max() - bias.level.mean() for flat in flats])
    noise = np.array([flat.variance.max() for flat in flats])
    usable = np.ones(len(flats), bool)
    if codes.piled_high:
        for number, flat in enumerate(flats):
            usable[number] = flat.counts[flat.codes == codes.highest].sum() < 1e-3 * flat.counts.sum()
        top = codes.highest - bias.level.mean()
        return top, False, usable & (signal <= _FIT_RANGE * top * 1.001)
    brightest = int(np.argmax(signal))
    peak = int(np.argmax(noise))
    if peak != brightest and noise[brightest] < 0.8 * noise[peak]:
        # The noise falls again: the pixels are full before the converter is (EMVA 1288: saturation is at the largest
        # variance).
        usable = signal <= signal[peak]
        top = signal[brightest]
        return top, False, usable & (signal <= max(_FIT_RANGE * top, signal.min()))
    return signal[brightest], True, usable


def _fit_gain(signal, variance, error, dark_variance):
    """Slope of variance over signal at zero signal, and its error (larger when the points scatter more).

    A straight line through the origin; where the points bend for certain (a response that is not linear, charge that
    repels charge: Astier et al. 2019, A&A 629, A36), a parabola, so that the slope is that of faint light.
    """
    slope, slope_error = _fit_powers(signal, variance, error, dark_variance, (1,))
    if np.unique(signal).size >= 4:
        bent, bent_error = _fit_powers(signal, variance, error, dark_variance, (1, 2))
        if abs(bent[1]) > 5 * bent_error[1]:
            slope, slope_error = bent, bent_error
    return slope[0], slope_error[0]


def _fit_powers(signal, variance, error, dark_variance, powers):
    """Coefficients and errors of the powers of the signal, by weighted least squares."""
    design = np.stack([(signal / signal.max()) ** power for power in powers], axis=1)
    spread = error
    for _ in range(2):
        inverse = np.linalg.inv(design.T @ (design / spread[:, None] ** 2))
        fitted = inverse @ design.T @ (variance / spread**2)
        # The error of a variance grows with it: take it from the fitted curve, or points that are low by chance weigh
        # more.
        model = np.maximum(design @ fitted, 0.1 * variance.max())
        spread = error * (model + dark_variance) / np.maximum(variance + dark_variance, 1e-9)
    freedom = signal.size - len(powers)
    scatter = np.sum(((design @ fitted - variance) / spread) ** 2) / freedom if freedom > 0 else 1.0
    scale = signal.max() ** np.array(powers, float)
    return fitted / scale, np.sqrt(np.diag(inverse) * max(1.0, scatter)) / scale


def _rounding_error(variance):
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
        error = np.hypot(error, _rounding_error((noise / quantum) ** 2) * quantum**2)
    return noise, error / (2 * noise), False


def fit_photon_transfer(bias, flats, codes):
    """Photon transfer from the `SetStatistics` of the bias frames and of each level of flats; see `photon_transfer`."""
    top, top_is_limit, fitted = saturation_signal(bias, flats, codes)
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
        saturation=top / slope * u.electron,
        saturation_is_limit=top_is_limit,
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
    bias_frames, flat_frames = as_frames("bias_frames", bias_frames), as_frames("flat_frames", flat_frames)
    check_size("flat_frames", flat_frames, bias_frames)
    bias = summarise(bias_frames, mosaic, name="bias_frames")
    levels = split_levels(flat_frames, bias)
    if not levels:
        raise ValueError("flat_frames: expected at least two flats of the same level of light, found none")
    flats = [summarise(level, mosaic, bias.level.mean(), "flat_frames") for level in levels]
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
    exposures = as_quantity("exposures", exposures, u.s, above=0, ndim=1)
    unit = u.Quantity(signals).unit
    signals = as_quantity("signals", signals, unit, ndim=1)
    saturation = as_quantity("saturation", saturation, unit, above=0, ndim=0)
    if exposures.shape != signals.shape:
        raise ValueError(f"signals: expected {exposures.size} values, one an exposure, found {signals.size}")
    used = (signals > 0.05 * saturation) & (signals < 0.95 * saturation)
    if np.unique(exposures[used]).size < 4:
        raise ValueError(
            f"signals: expected at least four levels between 5 and 95 % of saturation, "
            f"found {np.unique(exposures[used]).size}"
        )
    x, y = exposures.value, signals.value
    design = np.stack([np.ones_like(x), x], axis=1)[used] / y[used, None]  # equal relative weights
    line = np.linalg.lstsq(design, np.ones(used.sum()), rcond=None)[0]
    fitted = line[0] + line[1] * x
    deviations = 100 * (y - fitted) / np.where(used, fitted, np.abs(fitted) + 1e-300)
    error = np.mean(np.abs(deviations[used]))
    return Linearity(
        error=Measured(error * u.percent, 100 * scatter / np.sqrt(used.sum()) * u.percent),
        exposures=exposures,
        signals=signals,
        deviations=deviations * u.percent,
        used=used,
    )
