"""What darks tell: dark current by two routes, and light that is not even: a leak, or an amplifier that glows."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
import scipy  # loads its parts when they are used

from helpers.camera_check.photon_transfer import HIDDEN_VARIANCE, Measured, mean_error, rounding_error

_BLOCK = 8  # pixels; a block holds enough of them for a level that single pixels do not move
_BLOCKS = (24, 32)  # at most so many blocks down and across
# Our own limits: by chance 6 standard errors come once in 1e9 blocks; a leak lights most of a frame, a glow little of
# it.
_SURE = 6.0
_LOCAL = 0.4
_TENTH = 0.1


@dataclass(frozen=True)
class Glow:
    """Uneven light in the longest dark, as an amplifier beside the pixels makes it, or a leak.

    Attributes
    ----------
    rate : Measured [electron/s]
        At its brightest place, above the dark current.
    where : str
        Where that is.
    share : float
        Share of the frame with more than a tenth of it.
    local : bool
        It lights less than two fifths of the frame, as a glow does; a leak often lights more.
    reach : Quantity [pix]
        Side of a square as large as the part above half of it.
    slope : Quantity [electron / (s pix)]
        Steepest change from one place to the next.
    frame : Quantity [electron/s], shape (blocks down, blocks across)
        The whole picture, smoothed.
    """

    rate: Measured
    where: str
    share: float
    local: bool
    reach: u.Quantity
    slope: u.Quantity
    frame: u.Quantity


def _block_levels(frame):
    """Level (mean of the middle half) and spread of blocks of a frame, and the size of a block (rows, columns)."""
    rows, columns = frame.shape
    size = max(_BLOCK, rows // _BLOCKS[0]), max(_BLOCK, columns // _BLOCKS[1])
    # The last blocks are filled up by a mirror: a glow is brightest at the very edge, which must not be cut off.
    filled = np.pad(frame, [(0, -rows % size[0]), (0, -columns % size[1])], mode="symmetric")
    tall, wide = filled.shape[0] // size[0], filled.shape[1] // size[1]
    blocks = filled.reshape(tall, size[0], wide, size[1]).swapaxes(1, 2)
    ordered = np.sort(blocks.reshape(tall, wide, -1), axis=-1)
    quarter = ordered.shape[-1] // 4
    middle = ordered[..., quarter : ordered.shape[-1] - quarter]
    # Quartiles of a normal distribution are 1.349 spreads apart.
    return middle.mean(axis=-1), (middle[..., -1] - middle[..., 0]) / 1.349, size


def smooth_part(frame):
    """The smooth part of a frame and the spread about it, pixel by pixel, from `_block_levels`."""
    level, spread, size = _block_levels(frame)
    rows, columns = frame.shape
    smooth, about = (
        scipy.ndimage.zoom(np.asarray(part, np.float32), size, order=1, mode="nearest", grid_mode=True)[:rows, :columns]
        for part in (level, spread)
    )
    return smooth, about


def _named_place(row, column, shape):
    """A block's place in words."""
    thirds = [3 * at // size if size > 2 else 1 for at, size in zip((row, column), shape, strict=True)]
    vertical = {0: "the first rows", 2: "the last rows"}.get(int(thirds[0]), "")
    horizontal = {0: "the first columns", 2: "the last columns"}.get(int(thirds[1]), "")
    return " and ".join(text for text in (vertical, horizontal) if text) or "the middle"


def _excess(bias, dark):
    """Smooth part of a dark above its dark part [DN], its error, and which blocks are dark."""
    level, spread, size = _block_levels(dark.mean_frame - bias.mean_frame)
    row_part = (bias.row_variance / bias.frames + dark.row_variance / dark.frames) / size[0]
    column_part = (bias.column_variance / bias.frames + dark.column_variance / dark.frames) / size[1]
    # The mean of the middle half of normal numbers is 1.09 times as uncertain as the mean of all.
    error = np.sqrt((1.09 * np.median(spread)) ** 2 / (size[0] * size[1]) + max(row_part, 0) + max(column_part, 0))
    smooth = scipy.ndimage.uniform_filter(level, 3, mode="nearest")
    base = np.percentile(smooth, 25)
    for _ in range(5):
        # An error of one block is three of a mean of 3 x 3 blocks.
        dark_blocks = smooth <= max(base + error, smooth.min())
        base = level[dark_blocks].mean()
    return level - base, error, dark_blocks, size


def find_glow(bias, darks, scale):
    """`Glow` of the longest dark, or None when its light is even within the noise.

    Parameters
    ----------
    bias : SetStatistics
    darks : list of (exposure, SetStatistics)
    scale : Scale
        Turns DN into electrons.

    Returns
    -------
    Glow or None
    """
    if not darks:
        return None
    exposure, dark = max(darks, key=lambda pair: pair[0])
    excess, error, _, size = _excess(bias, dark)
    peak = float(excess.max())
    if peak <= _SURE * error:
        return None
    at_row, at_column = np.unravel_index(np.argmax(excess), excess.shape)
    share = float(np.mean(excess > max(_TENTH * peak, 3 * error)))
    above = excess > peak / 2
    steps = [np.abs(np.diff(excess, axis=axis)).max(initial=0) / size[axis] for axis in (0, 1)]
    per_second = scale.unit / u.s
    rate = scale.factor / exposure.to_value(u.s)
    return Glow(
        rate=scale.value(peak / exposure.to_value(u.s), error / exposure.to_value(u.s), per_second),
        where=_named_place(at_row, at_column, excess.shape),
        share=share,
        # Where a tenth of it is lost in noise, how far it reaches can't be told.
        local=bool(share < _LOCAL and 3 * error <= _TENTH * peak),
        reach=float(np.sqrt(above.sum() * size[0] * size[1])) * u.pix,
        slope=max(steps) * rate * per_second / u.pix,
        frame=excess * rate * per_second,
    )


def _without(mean_frame, hot, region):
    """Mean of a frame over a region, hot pixels left out."""
    use = region.copy()
    use[tuple(hot.T)] = False
    return float(mean_frame[use].mean(dtype=float))


def _region(bias, darks, glow):
    """Pixels for the dark current: all of them, or those that a glow does not reach; and how much may be left [DN]."""
    shape = bias.mean_frame.shape
    if glow is None or not glow.local:
        return np.ones(shape, bool), 0.0
    excess, error, blocks, size = _excess(bias, max(darks, key=lambda pair: pair[0])[1])
    inside = np.repeat(np.repeat(blocks, size[0], axis=0), size[1], axis=1)
    inside = inside[: shape[0], : shape[1]]
    # A tail of the glow is brighter on the side of its brightest place.
    away = np.hypot(*np.subtract(np.nonzero(blocks), np.array([np.unravel_index(np.argmax(excess), excess.shape)]).T))
    near = away < np.median(away)
    tail = excess[blocks][near].mean() - excess[blocks][~near].mean() if near.any() else 0.0
    return inside, error / 2 + max(tail, 0.0)


def dark_current(bias, darks, hot, glow, quantum, scale, known):
    """Dark current from the level and from the growth of the noise: two `Measured`, or None where nothing can be told.

    Parameters
    ----------
    bias : SetStatistics
    darks : list of (exposure, SetStatistics)
    hot : ndarray, shape (n, 2)
        Pixels left out.
    glow : Glow or None
        What it lights is left out.
    quantum : float
        Step of the numbers [DN].
    scale : Scale
    known : bool
        Whether the gain is known: without it the noise tells no current.

    Returns
    -------
    level, noise : Measured or None
        `noise` is None too where the noise is so small beside a step that rounding hides how it grows (EMVA 1288: below
        0.24 steps squared); above that its error holds how far rounding can be off (Widrow & Kollar 2008).
    """
    if not darks:
        return None, None
    sets = [(0.0, bias), *((exposure.to_value(u.s), one) for exposure, one in darks)]
    exposure = np.array([seconds for seconds, _ in sets])
    region, left = _region(bias, darks, glow)
    hidden = HIDDEN_VARIANCE * quantum**2 if bias.variance.mean() < HIDDEN_VARIANCE * quantum**2 else 0.0
    level = np.array([_without(one.mean_frame, hot, region) for _, one in sets])
    error = []
    for _, one in sets:
        least = one.variance.mean() / region.sum()
        error.append(np.sqrt(max(one.frame_means.var(ddof=1), least) / one.frames + hidden / 3))
    slope, slope_error = _weighted_slope(exposure, level - level[0], np.array(error))
    left = left / exposure.max()  # of the glow, in the darkest part
    current = scale.value(slope, np.hypot(slope_error, left), scale.unit / u.s)
    if not known or hidden:
        return current, None
    variance = np.array([one.variance.mean() for _, one in sets])
    rounding = [rounding_error(v / quantum**2 - 1 / 12) * quantum**2 if quantum > 0 else 0.0 for v in variance]
    variance_error = np.hypot([mean_error(one.variance_error) for _, one in sets], rounding)
    slope, slope_error = _weighted_slope(exposure, variance, variance_error)
    added, added_error = 0.0, 0.0
    if glow is not None and glow.local:
        # What glows is counted too, electron by electron: the mean of the frame beyond its dark part.
        everywhere = np.ones_like(region)
        beyond = np.array([_without(one.mean_frame, hot, everywhere) for _, one in sets]) - level
        added, added_error = _weighted_slope(exposure, beyond - beyond[0], np.array(error))
        added_error = np.hypot(added_error, left)
    counted = slope * scale.factor**2 - added * scale.factor
    # Where it is strong its noise is taken for single events now and then: a twentieth of it at most.
    added_error = np.hypot(added_error, 0.05 * added)
    parts = slope_error * scale.factor**2, added_error * scale.factor, 2 * scale.relative * slope * scale.factor**2
    return current, Measured(counted * u.electron / u.s, np.linalg.norm(parts) * u.electron / u.s)


def _weighted_slope(x, y, error):
    """Weighted straight line: slope and its error (larger when the points scatter more)."""
    weight = 1 / np.maximum(error, 1e-12) ** 2
    mean_x, mean_y = np.average(x, weights=weight), np.average(y, weights=weight)
    total = np.sum(weight * (x - mean_x) ** 2)
    slope = np.sum(weight * (x - mean_x) * (y - mean_y)) / total
    rest = np.sum(weight * (y - mean_y - slope * (x - mean_x)) ** 2)
    scatter = rest / (x.size - 2) if x.size > 2 else 1.0
    return slope, np.sqrt(max(1.0, scatter) / total)
