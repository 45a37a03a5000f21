"""Measuring a camera from its own bias, dark and flat frames: gain, noise, full well, dark current, pattern, bad
pixels.

Names follow EMVA Standard 1288 where it has one. "DN" is a number as it stands in the file ("digital number").
"""

from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from helpers.camera_check.bad_pixels import BadPixels, find_bad_pixels
from helpers.camera_check.converter_codes import CodeUse
from helpers.camera_check.files import Frames, read_frames
from helpers.camera_check.photon_transfer import (
    HIDDEN_VARIANCE,
    Linearity,
    Measured,
    PhotonTransfer,
    as_frames,
    check_size,
    codes_of,
    dark_temporal_noise,
    fit_photon_transfer,
    linearity,
    mean_error,
    photon_transfer,
    place_of,
    saturation_signal,
    split_levels,
)
from helpers.camera_check.statistics import LAGS, planes_of, split_pattern, summarise, take_off_shading
from helpers.shared.checks import as_quantity

__all__ = [
    "CameraMeasurement",
    "Linearity",
    "Measured",
    "PhotonTransfer",
    "linearity",
    "measure_camera",
    "measure_files",
    "photon_transfer",
    "read_frames",
]


@dataclass(frozen=True)
class CameraMeasurement:
    """What the frames of a camera tell; a part whose frames are missing is None.

    Attributes
    ----------
    photon_transfer : PhotonTransfer or None
        `photon_transfer_reason` says why there is none.
    linearity : Linearity or None
    dark_current : Measured [electron/s]
        From the mean, hot pixels left out; `dark_current_from_noise` from the growth of the noise: differs when the
        camera takes its dark level off by itself.
    dsnu, dsnu_rows, dsnu_columns, dsnu_pixels : Measured [electron]
        Dark signal non-uniformity of EMVA 1288, and its parts (release 4.0).
    prnu : Measured [percent]
        Photo-response non-uniformity of EMVA 1288, the lamp's smooth shading taken off.
    row_noise, column_noise, pixel_noise : Measured [electron]
        Parts of the temporal dark noise that whole rows share, whole columns share, and the rest.
    black_level_drift : Measured [electron]
        Range of the mean of the bias frames.
    dark_shading : Measured [electron/s]
        Range of the smooth part of the longest dark: light leak or amplifier glow; `shading_edge` where it is
        brightest.
    correlation : Measured
        Largest correlation of the noise of neighbouring pixels; `correlation_lag` (rows, columns) between them.
    bad_pixels : BadPixels
    codes : CodeUse
    low_pile : float
        Share of bias pixels at the lowest number, when they are piled up there.
    events : tuple of (place, row, column)
        Single pixels that stood out in one frame: cosmic rays or damaged bytes; left out.
    damaged : tuple of (place, first row, last row)
        Rows of one frame that are nothing like the same rows of the others of its set.
    equal_frames : tuple of str
        Kinds of frames with pairs that are equal to the last bit.
    mosaic : bool
    frames : dict
        Frames of each kind.
    longest_dark : Quantity [s] or None
    setting_changes, temperatures
        As in `frame_files.CameraFiles`.
    """

    photon_transfer: PhotonTransfer | None
    photon_transfer_reason: str
    linearity: Linearity | None
    dark_current: Measured | None
    dark_current_from_noise: Measured | None
    dsnu: Measured
    dsnu_rows: Measured
    dsnu_columns: Measured
    dsnu_pixels: Measured
    prnu: Measured | None
    row_noise: Measured
    column_noise: Measured
    pixel_noise: Measured
    dark_noise: Measured
    black_level_drift: Measured
    dark_shading: Measured | None
    shading_edge: str
    correlation: Measured
    correlation_lag: tuple
    bad_pixels: BadPixels
    codes: CodeUse
    low_pile: float
    events: tuple
    damaged: tuple
    equal_frames: tuple
    mosaic: bool
    frames: dict
    longest_dark: u.Quantity | None
    setting_changes: tuple = ()
    temperatures: tuple = ()

    @property
    def in_electrons(self):
        """Whether the gain is known; without it noises and patterns are given in DN."""
        return self.photon_transfer is not None


class _Scale:
    """Turns values in DN into electrons when the gain is known, with both errors."""

    def __init__(self, transfer):
        self.factor = transfer.gain.value if transfer else 1.0
        self.relative = float(transfer.gain_error / transfer.gain) if transfer else 0.0
        self.unit = u.electron if transfer else u.DN

    def value(self, dn, error_dn, unit=None, limit=""):
        value, error = dn * self.factor, np.hypot(error_dn * self.factor, dn * self.factor * self.relative)
        return Measured(value * (unit or self.unit), float(error) * (unit or self.unit), limit)

    def root(self, variance, error, unit=None, hidden=0.0):
        """Square root of a variance; an upper limit (two standard errors) when it is lost in its error.

        `hidden` is the variance that rounding can hide.
        """
        if variance <= 2 * error or hidden:
            return self.value(np.sqrt(max(variance, 0) + 2 * error + hidden), 0.0, unit, "below")
        root = np.sqrt(variance)
        return self.value(root, error / (2 * root), unit)


def _pattern(bias, mosaic):
    """Mean over the colour planes of the split pattern of the mean bias frame: variances (4,) and their errors."""
    split = [
        split_pattern(plane, (bias.row_variance, bias.column_variance, own), bias.frames)
        for plane, own in zip(planes_of(bias.mean_frame, mosaic), bias.own_variance, strict=True)
    ]
    parts, errors = np.mean(split, axis=0)
    return parts, errors / np.sqrt(len(split))


def _dark_levels(bias, darks, hot, hidden):
    """Exposure [s], mean without hot pixels [DN above bias], its error, noise variance and its error: bias first."""
    sets = [(0.0, bias), *((exposure.to_value(u.s), one) for exposure, one in darks)]
    excess = np.array([one.frame_means.mean() for _, one in sets])
    if len(hot):
        share = len(hot) / bias.mean_frame.size
        inside = np.array([one.mean_frame[tuple(hot.T)].mean(dtype=float) for _, one in sets])
        excess = (excess - share * inside) / (1 - share)
    error = []
    for _, one in sets:
        scatter = one.frame_means.var(ddof=1)
        least = one.variance.mean() / one.mean_frame.size
        error.append(np.sqrt(max(scatter, least) / one.frames + hidden / 3))
    variance = np.array([one.variance.mean() for _, one in sets])
    variance_error = np.array([mean_error(one.variance_error) for _, one in sets])
    return np.array([exposure for exposure, _ in sets]), excess - excess[0], np.array(error), variance, variance_error


def _slope(x, y, error):
    """Weighted straight line: slope and its error (larger when the points scatter more)."""
    weight = 1 / np.maximum(error, 1e-12) ** 2
    mean_x, mean_y = np.average(x, weights=weight), np.average(y, weights=weight)
    total = np.sum(weight * (x - mean_x) ** 2)
    slope = np.sum(weight * (x - mean_x) * (y - mean_y)) / total
    rest = np.sum(weight * (y - mean_y - slope * (x - mean_x)) ** 2)
    scatter = rest / (x.size - 2) if x.size > 2 else 1.0
    return slope, np.sqrt(max(1.0, scatter) / total)


def _shading(bias, dark, exposure_s):
    """Range of the smooth part of a dark [DN/s] beyond what chance gives, its error, and where it is brightest."""
    change = dark.mean_frame - bias.mean_frame
    rows, columns = change.shape
    tall, wide = 3, 4
    blocks = change[: rows // tall * tall, : columns // wide * wide]
    blocks = blocks.reshape(tall, rows // tall, wide, columns // wide).swapaxes(1, 2).reshape(tall, wide, -1)
    # The middle half of each block: hot pixels do not count.
    middle = np.sort(blocks[..., :: max(1, blocks.shape[-1] // 20_000)], axis=-1)
    quarter = middle.shape[-1] // 4
    middle = middle[..., quarter : middle.shape[-1] - quarter]
    level = middle.mean(axis=-1)
    # Quartiles of a normal distribution are 1.349 spreads apart; the mean of its middle half is 1.09 times as uncertain
    # as the mean of all.
    spread = np.median(middle[..., -1] - middle[..., 0]) / 1.349
    row_part = (bias.row_variance / bias.frames + dark.row_variance / dark.frames) / (rows // tall)
    column_part = (bias.column_variance / bias.frames + dark.column_variance / dark.frames) / (columns // wide)
    error = np.sqrt((1.09 * spread) ** 2 / (2 * middle.shape[-1]) + max(row_part, 0) + max(column_part, 0))
    # The range of twelve numbers that differ by chance only is 3.26 spreads (Tippett 1925, table of the mean range).
    beyond = max(0.0, float(np.ptp(level)) - 3.26 * error)
    at_row, at_column = np.unravel_index(np.argmax(level), level.shape)
    vertical = {0: "the first rows", tall - 1: "the last rows"}.get(int(at_row), "")
    horizontal = {0: "the first columns", wide - 1: "the last columns"}.get(int(at_column), "")
    by_rows = np.ptp(level.mean(axis=1)) > 0.3 * np.ptp(level)
    by_columns = np.ptp(level.mean(axis=0)) > 0.3 * np.ptp(level)
    where = [text for text, counts in ((vertical, by_rows), (horizontal, by_columns)) if text and counts]
    return beyond / exposure_s, error / exposure_s, " and ".join(where) or "the middle"


def _is_mosaic(frames, dark_level):
    """Whether the four pixels of a 2 x 2 pattern see clearly different light."""
    levels = np.array([plane.mean(dtype=float) for plane in planes_of(frames[0], True)]) - dark_level
    return bool(levels.min() > 0 and levels.max() / levels.min() > 1.03)


def _flat_sets(flats, bias, bias_frames):
    """Flats as a list of (exposure or None, frames), whichever way they were given."""
    listed = isinstance(flats, (list, tuple)) and all(isinstance(one, tuple) and len(one) == 2 for one in flats)
    sets = list(flats) if listed else [(None, flats)]
    result = []
    for exposure, frames in sets:
        frames = as_frames("flats", frames)
        check_size("flats", frames, bias_frames)
        if exposure is None:
            result += [(None, level) for level in split_levels(frames, bias)]
        else:
            result.append((as_quantity("flats (exposure)", exposure, u.s, above=0, ndim=0), frames))
    if not result:
        raise ValueError("flats: expected at least two flats of the same level of light, found none")
    return result


def measure_camera(bias, darks=(), flats=(), mosaic=None):
    """Measure all that the frames of a camera can tell.

    Parameters
    ----------
    bias : ndarray or Frames, shape (n, rows, columns)
        Shortest exposure, no light.
    darks : list of (Quantity [time], frames)
        No light, one entry for each exposure.
    flats : list of (Quantity [time] or None, frames), or frames
        Evenly lit, one entry for each level; frames without exposures are sorted into levels by their signal.
    mosaic : bool, optional
        Colour mosaic; found out from the flats if not given.

    Returns
    -------
    CameraMeasurement

    Raises
    ------
    ValueError, TypeError
        Too few frames, of different size, not finite.

    References
    ----------
    EMVA Standard 1288, releases 3.1 and 4.0; Janesick 2001, 2007.
    """
    bias_frames = as_frames("bias", bias)
    if darks is None or flats is None:
        raise TypeError("darks, flats: expected lists of (exposure, frames), empty if there are none, found None")
    dark_sets = []
    for exposure, frames in darks:
        exposure = as_quantity("darks (exposure)", exposure, u.s, above=0, ndim=0)
        dark_sets.append((exposure, as_frames("darks", frames)))
        check_size("darks", dark_sets[-1][1], bias_frames)
    flats_given = isinstance(flats, (np.ndarray, Frames)) or len(flats) > 0
    bias = summarise(bias_frames, bool(mosaic), name="bias")
    flat_sets = _flat_sets(flats, bias, bias_frames) if flats_given else []
    if mosaic is None and flat_sets:
        mosaic = _is_mosaic(flat_sets[len(flat_sets) // 2][1], bias.level.mean())
        bias = summarise(bias_frames, True, name="bias") if mosaic else bias
    mosaic = bool(mosaic)
    dark = [(exposure, summarise(frames, mosaic, name="darks")) for exposure, frames in dark_sets]
    flat = [summarise(frames, mosaic, bias.level.mean(), "flats") for _, frames in flat_sets]
    codes = codes_of(bias, [one for _, one in dark], flat)
    transfer, reason = None, "there are no flat frames"
    if flat:
        try:
            transfer, reason = fit_photon_transfer(bias, flat, codes), ""
        except ValueError as error:
            reason = str(error).removeprefix("flat_frames: ")
    scale = _Scale(transfer)
    quantum = codes.step * codes.stretch
    # What rounding to whole numbers hides when the noise is less than a step.
    hidden = HIDDEN_VARIANCE * quantum**2 if bias.variance.mean() < HIDDEN_VARIANCE * quantum**2 else 0.0
    sets = {"bias": [bias], "dark": [one for _, one in dark], "flat": flat}
    named = [("bias", bias_frames, bias)]
    named += [("dark", frames, one) for (_, frames), (_, one) in zip(dark_sets, dark, strict=True)]
    named += [("flat", frames, one) for (_, frames), one in zip(flat_sets, flat, strict=True)]
    own = bias.pixel_variance_mean
    noise = {
        "dark_noise": _noise(scale, bias.variance.mean(), mean_error(bias.variance_error), codes),
        "pixel_noise": _noise(scale, own, own * np.sqrt(2 / bias.pairs / bias.mean_frame.size), codes),
        "row_noise": scale.root(bias.row_variance, _part_error(bias, bias.row_variance, 0), hidden=hidden),
        "column_noise": scale.root(bias.column_variance, _part_error(bias, bias.column_variance, 1), hidden=hidden),
    }
    pattern = _pattern(bias, mosaic)
    dsnu = [scale.root(part, error, hidden=hidden) for part, error in zip(*pattern, strict=True)]
    middle = _middle_flat(bias, flat, codes)
    strongest, lag, spread = _strongest_correlation(sets, quantum)
    drift, drift_error = _drift(bias)
    shading, edge = _dark_shading(bias, dark, scale)
    bad = find_bad_pixels(bias_frames, bias, [frames for _, frames in dark_sets], dark, middle, mosaic, quantum)
    current, current_from_noise = _dark_current(bias, dark, bad.hot, hidden, scale, transfer)
    return CameraMeasurement(
        photon_transfer=transfer,
        photon_transfer_reason=reason,
        linearity=_linearity(bias, flat_sets, flat, transfer),
        dark_current=current,
        dark_current_from_noise=current_from_noise,
        dsnu=dsnu[3],
        dsnu_rows=dsnu[0],
        dsnu_columns=dsnu[1],
        dsnu_pixels=dsnu[2],
        prnu=_prnu(bias, middle, mosaic),
        **noise,
        black_level_drift=scale.value(drift, drift_error),
        dark_shading=shading,
        shading_edge=edge,
        correlation=Measured(strongest * u.dimensionless_unscaled, spread * u.dimensionless_unscaled),
        correlation_lag=lag,
        bad_pixels=bad,
        codes=codes,
        low_pile=_share_at(bias, codes.lowest) if codes.piled_low else 0.0,
        events=_events(named, bad),
        damaged=tuple(
            (place_of(frames, number, kind), *rows) for kind, frames, one in named for number, *rows in one.damaged
        ),
        equal_frames=tuple(kind for kind, found in sets.items() if any(_copies(one, quantum) for one in found)),
        mosaic=mosaic,
        longest_dark=max((exposure for exposure, _ in dark), default=None),
        frames={kind: sum(one.frames for one in found) for kind, found in sets.items()},
    )


def measure_files(files):
    """`measure_camera` on the frames of a camera that `frame_files.sort_frames` found.

    Raises
    ------
    ValueError
        There are no bias frames; or as `measure_camera`.
    """
    if files.bias is None:
        raise ValueError(
            "bias: expected bias frames (shortest exposure, no light), found none; if your camera makes none, "
            "put darks of its shortest exposure in a folder named bias"
        )
    measured = measure_camera(files.bias, files.darks, files.flats, files.mosaic)
    return replace(measured, setting_changes=files.setting_changes, temperatures=files.temperatures)


def _noise(scale, variance, error, codes):
    noise, noise_error, hidden = dark_temporal_noise(variance, error, codes.step * codes.stretch)
    if codes.piled_low:
        return scale.value(noise, noise_error, limit="at least")  # the lower half of the noise is cut off
    return scale.value(noise, noise_error, limit="below" if hidden else "")


def _part_error(one, variance, axis):
    """Standard error of the variance that rows (axis 0) or columns (1) share."""
    count, across = one.shape[axis], one.shape[1 - axis]
    return np.sqrt(2 / one.pairs / count) * (max(variance, 0) + one.pixel_variance_mean / across)


def _copies(one, quantum):
    """Whether pairs are equal although the frames hold noise or a pattern that rounding can't hide."""
    if not one.equal_pairs:
        return False
    others = one.pairs - one.equal_pairs
    noise = one.variance.mean() * one.pairs / others if others else 0.0
    return bool(max(noise, float(one.mean_frame.var())) > HIDDEN_VARIANCE * quantum**2)


def _events(named, bad):
    """Events that are no property of the pixel: neither known as bad nor met in a second set."""
    found = [(place_of(frames, number, kind), *pixel) for kind, frames, one in named for number, *pixel in one.events]
    known = {tuple(place) for several in (bad.hot, bad.telegraph, bad.noisy) for place in several.tolist()}
    pixels = [(row, column) for _, row, column in found]
    return tuple(event for event in found if event[1:] not in known and pixels.count(event[1:]) == 1)


def _share_at(one, value):
    return float(one.counts[one.codes == value].sum() / one.counts.sum()) if one.counts.size else 0.0


def _strongest_correlation(sets, quantum):
    """Largest correlation of neighbours' noise over bias and flats, its lag and its error."""
    strongest, lag, spread = 0.0, LAGS[0], sets["bias"][0].correlation_error
    for kind in ("bias", "flat"):
        # Noise that rounding hides can't be compared.
        chosen = [one for one in sets[kind] if one.variance.mean() > 0.5 * quantum**2]
        if not chosen:
            continue
        weight = np.array([1 / one.correlation_error**2 for one in chosen])
        mean = np.average([one.correlation for one in chosen], axis=0, weights=weight)
        place = int(np.argmax(np.abs(mean)))
        if abs(mean[place]) > abs(strongest):
            strongest, lag, spread = float(mean[place]), LAGS[place], float(1 / np.sqrt(weight.sum()))
    return strongest, lag, spread


def _drift(bias):
    """Range of the means of the bias frames and its error [DN]."""
    rows, columns = bias.shape
    own = bias.pixel_variance_mean / (rows * columns)
    error = np.sqrt(own + max(bias.row_variance, 0) / rows + max(bias.column_variance, 0) / columns)
    return float(np.ptp(bias.frame_means)), float(error)


def _dark_shading(bias, dark, scale):
    if not dark:
        return None, ""
    exposure, longest = max(dark, key=lambda pair: pair[0])
    size, error, edge = _shading(bias, longest, exposure.to_value(u.s))
    return scale.value(size, error, scale.unit / u.s), edge


def _dark_current(bias, dark, hot, hidden, scale, transfer):
    if not dark:
        return None, None
    exposure, level, error, variance, variance_error = _dark_levels(bias, dark, hot, hidden)
    current = scale.value(*_slope(exposure, level, error), scale.unit / u.s)
    if transfer is None:
        return current, None
    slope, slope_error = _slope(exposure, variance, variance_error)
    factor = transfer.gain.value**2
    rate = u.electron / u.s
    return current, Measured(slope * factor * rate, slope_error * factor * rate)


def _middle_flat(bias, flat, codes):
    """The flat nearest to half of saturation (EMVA 1288 takes the PRNU there)."""
    if not flat:
        return None
    signal = np.array([one.level.max() - bias.level.mean() for one in flat])
    top, _, _ = saturation_signal(bias, flat, codes)
    below = np.where(signal < 0.9 * top, np.abs(signal - 0.5 * top), np.inf)
    return flat[int(np.argmin(below))] if np.isfinite(below).any() else None


def _prnu(bias, flat, mosaic):
    if flat is None:
        return None
    results = []
    for number, plane in enumerate(planes_of(flat.mean_frame - bias.mean_frame, mosaic)):
        signal = float(plane.mean(dtype=float))
        if signal <= 0:
            return None
        even = take_off_shading(plane)
        # The lamp is brighter in the middle, which is all that the filter leaves.
        inside = float(
            plane[tuple(slice((a - b) // 2, (a + b) // 2) for a, b in zip(plane.shape, even.shape, strict=True))].mean()
        )
        shot = (flat.variance[number] - bias.variance[number]) * inside / signal
        left = (shot + bias.variance[number]) / flat.frames + bias.variance[number] / bias.frames
        total = float(even.var(dtype=float)) - left
        error = np.sqrt(2 / even.size) * float(even.var(dtype=float))
        results.append((total / inside**2, error / inside**2))
    variance, error = np.mean(results, axis=0)
    return _Scale(None).root(1e4 * variance, 1e4 * error / np.sqrt(len(results)), u.percent)


def _linearity(bias, flat_sets, flat, transfer):
    if transfer is None:
        return None
    known = [(t, one) for (t, _), one in zip(flat_sets, flat, strict=True) if t is not None]
    if len(known) < 4:
        return None
    signals = np.array([one.frame_means.mean() for _, one in known]) - bias.frame_means.mean()
    scatter = float(
        np.median([one.frame_means.std(ddof=1) / max(s, 1e-9) for (_, one), s in zip(known, signals, strict=True)])
    )
    # Saturation is that of the brightest plane; scale it to the mean of all.
    ratio = float(np.mean(signals / np.array([one.level.max() - bias.level.mean() for _, one in known])))
    top = transfer.saturation.value / transfer.gain.value * ratio * (1.06 if transfer.saturation_is_limit else 1.0)
    try:
        return linearity(u.Quantity([t for t, _ in known]), signals * u.DN, top * u.DN, scatter / np.sqrt(2))
    except ValueError:
        return None
