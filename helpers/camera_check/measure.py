"""Measuring a camera from its own bias, dark and flat frames: gain, noise, full well, dark current, pattern, bad
pixels.

Names follow EMVA Standard 1288 where it has one. "DN" is a number as it stands in the file ("digital number").
"""

from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from helpers.camera_check.bad_pixels import BadPixels, find_bad_pixels
from helpers.camera_check.converter_codes import CodeUse
from helpers.camera_check.darks import Glow, dark_current, find_glow
from helpers.camera_check.files import CameraFiles, FrameSet, place_of
from helpers.camera_check.photon_transfer import (
    HIDDEN_VARIANCE,
    Linearity,
    Measured,
    PhotonTransfer,
    Saturation,
    check_size,
    codes_of,
    dark_temporal_noise,
    find_saturation,
    fit_photon_transfer,
    linearity,
    mean_error,
    split_levels,
)
from helpers.camera_check.statistics import LAGS, as_frames, planes_of, split_pattern, summarise, take_off_shading
from helpers.shared.checks import flag, instance, optional, quantity, takes


@dataclass(frozen=True)
class CameraMeasurement:
    """What the frames of a camera tell; a part whose frames are missing is None.

    Attributes
    ----------
    photon_transfer : PhotonTransfer or None
        `photon_transfer_reason` says why there is none.
    linearity : Linearity or None
    dark_current : Measured [electron/s]
        From the mean, hot pixels and what glows left out; `dark_current_from_noise` from the growth of the noise:
        differs when the camera takes its dark level off by itself; None where rounding hides it.
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
    glow : Glow or None
        Where, how much and how steep that light is, when it stands out of the noise.
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
    setting_changes, temperatures, remarks
        As in `files.CameraFiles`.
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
    glow: Glow | None
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
    remarks: tuple = ()

    @property
    def in_electrons(self):
        """Whether the gain is known; without it noises and patterns are given in DN."""
        return self.photon_transfer is not None


class Scale:
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


@dataclass(frozen=True)
class _Sets:
    """The frames of a camera in one form, checked: darks and flats as lists of (exposure, frames)."""

    bias: object
    darks: list
    flats: list
    mosaic: bool


@dataclass(frozen=True)
class _Summaries:
    """The `SetStatistics` of each set, and what all sets tell together."""

    bias: object
    darks: list
    flats: list
    codes: CodeUse
    saturation: Saturation | None

    @property
    def quantum(self):
        """Distance of neighbouring numbers of the converter, in DN of the file."""
        return self.codes.step * self.codes.stretch

    @property
    def hidden(self):
        """Variance that rounding hides when the noise is less than a step, else 0."""
        limit = HIDDEN_VARIANCE * self.quantum**2
        return limit if self.bias.variance.mean() < limit else 0.0

    @property
    def sound_flats(self):
        """Flats with no full pixels: only these are evidence of noise, pattern, smoothing or damage."""
        return [flat for flat, clipped in zip(self.flats, self.clipped, strict=True) if not clipped]

    @property
    def clipped(self):
        return self.saturation.clipped if self.flats else ()


def _sees_colours(frames, bias):
    """Whether the four pixels of a 2 x 2 pattern see clearly different light."""
    levels = np.array([plane.mean(dtype=float) for plane in planes_of(frames[0], True)]) - bias.level.mean()
    return bool(levels.min() > 5 * np.sqrt(bias.variance.mean()) and levels.max() / levels.min() > 1.03)


def _entries(loose):
    """The rule for a list of (exposure, frames); with `loose` the exposure may be None, or the frames stand alone."""

    def checked(name, given):
        if loose and isinstance(given, (np.ndarray, FrameSet)) and not isinstance(given, u.Quantity):
            given = [(None, given)]
        if not isinstance(given, (list, tuple)):
            raise TypeError(
                f"{name}: expected a list of (exposure, frames), empty if there are none, found {given!r:.40}"
            )
        for entry in given:
            if not isinstance(entry, (list, tuple)) or len(entry) != 2:
                raise TypeError(f"{name}: expected pairs (exposure, frames), found {type(entry).__name__}")
        return [frames_of(name, exposure_of(name, exposure), frames) for exposure, frames in given]

    def exposure_of(name, exposure):
        if exposure is None and loose:
            return None
        return quantity(u.s, minimum=1e-6, maximum=1e6, ndim=0)(f"{name} (exposure)", exposure)

    def frames_of(name, exposure, frames):
        return exposure, as_frames(name if exposure is None else f"{name} of {exposure:g}", frames)

    return checked


def _as_sets(bias, darks, flats, mosaic):
    """Frames of a camera, in whichever way they were given, as `_Sets`."""
    for name, entries in (("darks", darks), ("flats", flats)):
        for _, frames in entries:
            check_size(name, frames, bias)
    flat_sets = [entry for entry in flats if entry[0] is not None]
    loose = [frames for exposure, frames in flats if exposure is None]
    if flats:
        rough = summarise(bias, bool(mosaic))
        flat_sets += [(None, level) for frames in loose for level in split_levels(frames, rough)]
        if not flat_sets:
            raise ValueError("flats: expected at least two flats of the same level of light, found none")
        if mosaic is None:
            mosaic = any(_sees_colours(frames, rough) for _, frames in flat_sets)
    return _Sets(bias, darks, flat_sets, bool(mosaic))


def _summaries(sets):
    bias = summarise(sets.bias, sets.mosaic)
    darks = [(exposure, summarise(frames, sets.mosaic)) for exposure, frames in sets.darks]
    flats = [summarise(frames, sets.mosaic, bias.level.mean()) for _, frames in sets.flats]
    codes = codes_of(bias, [one for _, one in darks], flats)
    return _Summaries(bias, darks, flats, codes, find_saturation(bias, flats, codes) if flats else None)


@takes(bias=as_frames, darks=_entries(loose=False), flats=_entries(loose=True), mosaic=optional(flag()))
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
    sets = _as_sets(bias, darks, flats, mosaic)
    found = _summaries(sets)
    transfer, reason = _transfer(found)
    scale = Scale(transfer)
    middle = _middle_flat(found)
    dark_frames = [frames for _, frames in sets.darks]
    bad = find_bad_pixels(sets.bias, found.bias, dark_frames, found.darks, middle, sets.mosaic, found.quantum)
    return CameraMeasurement(
        photon_transfer=transfer,
        photon_transfer_reason=reason,
        linearity=_linearity(found, [exposure for exposure, _ in sets.flats], transfer),
        prnu=_prnu(found.bias, middle, sets.mosaic),
        **_dark_noise(found, scale),
        **_fixed_pattern(found, sets.mosaic, scale),
        **_light_in_the_dark(found, bad, scale),
        **_processing(found, scale),
        **_odd_frames(sets, found, bad),
        bad_pixels=bad,
        codes=found.codes,
        low_pile=_share_at(found.bias, found.codes.lowest) if found.codes.piled_low else 0.0,
        mosaic=sets.mosaic,
        longest_dark=max((exposure for exposure, _ in found.darks), default=None),
        frames={
            "bias": found.bias.frames,
            "dark": sum(one.frames for _, one in found.darks),
            "flat": sum(one.frames for one in found.flats),
        },
    )


def _transfer(found):
    """Photon transfer, or None and the reason why there is none."""
    if not found.flats:
        return None, "there are no flat frames"
    try:
        return fit_photon_transfer(found.bias, found.flats, found.codes), ""
    except ValueError as error:
        return None, str(error).removeprefix("flat_frames: ")


def _dark_noise(found, scale):
    """Temporal noise of the bias frames and its parts."""
    bias, own, hidden = found.bias, found.bias.pixel_variance_mean, found.hidden
    parts = {"row_noise": (bias.row_variance, 0), "column_noise": (bias.column_variance, 1)}
    return {
        "dark_noise": _noise(scale, bias.variance.mean(), mean_error(bias.variance_error), found.codes),
        "pixel_noise": _noise(scale, own, own * np.sqrt(2 / bias.pairs / bias.mean_frame.size), found.codes),
        **{
            name: scale.root(variance, _part_error(bias, variance, axis), hidden=hidden)
            for name, (variance, axis) in parts.items()
        },
    }


def _fixed_pattern(found, mosaic, scale):
    parts = zip(*_pattern(found.bias, mosaic), strict=True)
    names = ("dsnu_rows", "dsnu_columns", "dsnu_pixels", "dsnu")
    return {
        name: scale.root(part, error, hidden=found.hidden) for name, (part, error) in zip(names, parts, strict=True)
    }


def _light_in_the_dark(found, bad, scale):
    shading, edge = _dark_shading(found.bias, found.darks, scale)
    glow = find_glow(found.bias, found.darks, scale)
    known = scale.unit == u.electron
    level, noise = dark_current(found.bias, found.darks, bad.hot, glow, found.quantum, scale, known)
    return {
        "dark_shading": shading,
        "shading_edge": edge,
        "glow": glow,
        "dark_current": level,
        "dark_current_from_noise": noise,
    }


def _processing(found, scale):
    """What the camera does to its frames: noise of neighbours that goes together, a level that drifts."""
    strongest, lag, spread = _strongest_correlation(found.bias, found.sound_flats, found.quantum)
    return {
        "correlation": Measured(strongest * u.dimensionless_unscaled, spread * u.dimensionless_unscaled),
        "correlation_lag": lag,
        "black_level_drift": scale.value(*_drift(found.bias)),
    }


def _odd_frames(sets, found, bad):
    """Frames and pixels that do not belong: damaged, copied, struck by something. A full flat is no evidence."""
    named = [("bias", sets.bias, found.bias)]
    named += [("dark", frames, one) for (_, frames), (_, one) in zip(sets.darks, found.darks, strict=True)]
    flats = zip(sets.flats, found.flats, found.clipped, strict=True)
    named += [("flat", frames, one) for (_, frames), one, clipped in flats if not clipped]
    equal = dict.fromkeys(kind for kind, _, one in named if _copies(one, found.quantum))
    return {
        "events": _events(named, bad),
        "damaged": tuple(
            (place_of(frames, number, kind), *rows) for kind, frames, one in named for number, *rows in one.damaged
        ),
        "equal_frames": tuple(equal),
    }


@takes(files=instance(CameraFiles))
def measure_files(files):
    """`measure_camera` on the frames of a camera that `files.sort_frames` found.

    Raises
    ------
    TypeError, ValueError
        Not `CameraFiles`, no bias frames; or as `measure_camera`.
    """
    if files.bias is None:
        raise ValueError(
            "bias: expected bias frames (shortest exposure, no light), found none; if your camera makes none, "
            "put darks of its shortest exposure in a folder named bias"
        )
    measured = measure_camera(files.bias, files.darks, files.flats, files.mosaic)
    return replace(
        measured, setting_changes=files.setting_changes, temperatures=files.temperatures, remarks=files.remarks
    )


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


def _strongest_correlation(bias, flats, quantum):
    """Largest correlation of neighbours' noise over bias and flats, its lag and its error."""
    strongest, lag, spread = 0.0, LAGS[0], bias.correlation_error
    for sets in ([bias], flats):
        # Noise that rounding hides can't be compared.
        chosen = [one for one in sets if one.variance.mean() > 0.5 * quantum**2]
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


def _middle_flat(found):
    """The flat nearest to half of saturation (EMVA 1288 takes the PRNU there)."""
    if not found.sound_flats:
        return None
    signal = np.array([one.level.max() - found.bias.level.mean() for one in found.sound_flats])
    top = found.saturation.top
    below = np.where(signal < 0.9 * top, np.abs(signal - 0.5 * top), np.inf)
    return found.sound_flats[int(np.argmin(below))] if np.isfinite(below).any() else None


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
    return Scale(None).root(1e4 * variance, 1e4 * error / np.sqrt(len(results)), u.percent)


def _linearity(found, exposures, transfer):
    """Linearity of the plane that is full first; None for fewer than four levels of known exposure."""
    if transfer is None:
        return None
    sets = zip(exposures, found.flats, found.saturation.touched, strict=True)
    known = [(t, one) for t, one, touched in sets if t is not None and not touched]
    if len(known) < 4:
        return None
    plane = int(np.argmax(np.sum([one.level for _, one in known], axis=0)))
    signals = np.array([one.level[plane] for _, one in known]) - found.bias.level[plane]
    # How far the lamp flickers, from the pairs of one level together.
    flicker = np.array([one.frame_means.std(ddof=1) for _, one in known]) / np.maximum(signals, 1e-9)
    scatter = float(np.sqrt(np.mean(flicker**2)))
    top = transfer.saturation.value / transfer.gain.value * (1.06 if transfer.saturation_is_limit else 1.0)
    try:
        return linearity(u.Quantity([t for t, _ in known]), signals * u.DN, top * u.DN, scatter / np.sqrt(2))
    except ValueError:
        return None
