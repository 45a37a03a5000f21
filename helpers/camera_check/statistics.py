"""Statistics of one set of frames taken under the same conditions, in one pass with one frame at a time in memory.

What changes from frame to frame (temporal noise) is told from the difference of two frames, in which everything fixed
falls out; what is fixed (the pattern) from the mean frame.
"""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
import scipy  # loads its parts when they are used

from helpers.camera_check.files import LARGEST, FrameSet
from helpers.shared import checks
from helpers.shared.checks import count, flag, odd, takes
from helpers.shared.series import robust_spread

# Enough pixel pairs to know a variance to a thousandth; what comes after only adds to the mean frame.
_PAIR_PIXELS = 2e6
_CODE_PIXELS = 2e6
_LAG_PIXELS = 5e5
_VARIANCE_FRAMES = 32
_SMALLEST = 1e-6  # DN; frames in which no number is larger are from no camera
_LEAST_SIDE = 16  # pixels; fewer tell no row's or column's noise from that of single pixels
_BLOCK = 128  # rows handled at a time: a block stays in the processor's cache
_CLIP = 8.0  # spreads; beyond it a pixel is an event (cosmic ray, damaged byte, telegraph pixel), not noise
_MOST_EVENTS = 100
_DAMAGED = 20.0  # spreads by which a damaged row stands out
_TENTH_PIXELS = 2e5  # of each colour plane, enough to compare its brightest tenth with the rest
LAGS = ((0, 1), (1, 0), (0, 2), (2, 0))  # (rows, columns) between the pixels whose noise is compared


@dataclass(frozen=True)
class SetStatistics:
    """Statistics of a set of frames, in DN of the file.

    Attributes
    ----------
    frames : int
    shape : (rows, columns)
    frame_means : ndarray, shape (frames,)
    mean_frame : ndarray, shape (rows, columns)
    level : ndarray, shape (planes,)
        Mean signal of each colour plane (one plane for a monochrome camera) in the compared pairs.
    variance, variance_error : ndarray, shape (planes,)
        Temporal noise variance of one pixel, EMVA 1288 (two-frame method).
    own_variance, own_error : ndarray, shape (planes,)
        The part of it that rows and columns do not share: the noise of light is in it, flicker of a lamp is not.
    brightest_calm : ndarray, shape (planes,)
        Variance of the brightest tenth of the pixels over that of the middle tenth (the median of the other nine):
        about 1, and nearly 0 where the brightest pixels are full. 1 without a `dark_level`.
    brightest_calm_error : float
        Standard error of it in a healthy frame; 0 without a `dark_level`.
    row_variance, column_variance, pixel_variance_mean : float
        The parts of it that whole rows share, whole columns share, and the rest.
    correlation : ndarray, shape (4,)
        Correlation of the noise of pixels `LAGS` apart, rows' and columns' parts taken off.
    correlation_error : float
    pixel_variance : ndarray, shape (rows, columns), or None
        Temporal variance of each pixel over the first frames; None for flats and for fewer than 8 frames.
    variance_frames : int
        Frames in `pixel_variance`.
    codes, counts : ndarray
        Values met in the first frames and how often; empty when the frames hold no finite set of values.
    events : tuple of (frame, row, column)
        Single pixels that stood out in one frame only; left out of the mean frame.
    damaged : tuple of (frame, first row, last row)
        Rows of one frame that are nothing like the same rows of the others.
    equal_pairs, pairs : int
        Pairs of frames compared, and those that were equal to the last bit.
    """

    frames: int
    shape: tuple
    frame_means: np.ndarray
    mean_frame: np.ndarray
    level: np.ndarray
    variance: np.ndarray
    variance_error: np.ndarray
    own_variance: np.ndarray
    own_error: np.ndarray
    brightest_calm: np.ndarray
    brightest_calm_error: float
    row_variance: float
    column_variance: float
    pixel_variance_mean: float
    correlation: np.ndarray
    correlation_error: float
    pixel_variance: np.ndarray | None
    variance_frames: int
    codes: np.ndarray
    counts: np.ndarray
    events: tuple
    damaged: tuple
    equal_pairs: int
    pairs: int


def as_frames(name, value):
    """At least two frames: an array (n, rows, columns) of finite numbers, or Frames on disk; a rule for `takes`."""
    frames = value if isinstance(value, FrameSet) else _as_array(name, value)
    count, rows, columns = frames.shape
    if count < 2:
        raise ValueError(f"{name}: expected at least two frames, found {count}")
    if min(rows, columns) < _LEAST_SIDE:
        raise ValueError(
            f"{name}: expected at least {_LEAST_SIDE} rows and {_LEAST_SIDE} columns, found {rows} and {columns}"
        )
    return frames


def _as_array(name, frames):
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
    if array.dtype.kind == "f" and array.size and not np.all(np.abs(array) <= LARGEST):
        frame, row, column = np.argwhere(~(np.abs(array) <= LARGEST))[0]
        raise ValueError(
            f"{name}: frame {frame}, row {row}, column {column}: expected a number of a camera, "
            f"found {array[frame, row, column]}"
        )
    if array.dtype.kind == "f" and 0 < np.max(np.abs(array), initial=0) < _SMALLEST:
        raise ValueError(f"{name}: expected numbers of a camera, found none above {np.max(np.abs(array)):g}")
    return array


def _as_frame(name, frame, least=2):
    """One picture of finite numbers as an array; ValueError or TypeError names the argument otherwise."""
    try:
        array = np.asarray(frame)
    except ValueError as error:
        raise ValueError(f"{name}: expected rows of one length, found several lengths") from error
    if array.dtype.kind not in "iufb" or np.ma.is_masked(frame):
        raise TypeError(f"{name}: expected numbers, found {type(frame).__name__} of {array.dtype}")
    if array.ndim != 2 or min(array.shape) < least:
        raise ValueError(f"{name}: expected rows and columns, at least {least} of each, found shape {array.shape}")
    if array.dtype.kind == "f" and not np.all(np.abs(array) <= LARGEST):
        row, column = np.argwhere(~(np.abs(array) <= LARGEST))[0]
        raise ValueError(
            f"{name}: row {row}, column {column}: expected a number of a camera, found {array[row, column]}"
        )
    return array


@takes(frame=_as_frame, mosaic=flag())
def planes_of(frame, mosaic):
    """The colour planes of a mosaic (2 x 2 pattern) as views, or the frame itself.

    ValueError or TypeError for what is no picture of finite numbers.
    """
    return _views(frame, mosaic)


def _views(frame, mosaic):
    return [frame[i::2, j::2] for i in (0, 1) for j in (0, 1)] if mosaic else [frame]


def _flag(difference):
    """Flat indices of pixels whose difference is no noise; not those of a row or column that is bad as a whole."""
    sample = difference.ravel()[:: max(1, difference.size // 20_000)]
    low, middle, high = np.percentile(sample, [15.87, 50, 84.13])
    steps = sample[sample != middle] if high > low else difference[difference != middle]
    if steps.size == 0:
        return np.empty(0, int)
    # Noise that hides within one step of the numbers is taken as one step.
    spread = max((high - low) / 2, np.abs(steps - middle).min())
    if difference.max() <= middle + _CLIP * spread and difference.min() >= middle - _CLIP * spread:
        return np.empty(0, int)
    flagged = np.flatnonzero(np.abs(difference - middle) > _CLIP * spread)
    rows, columns = np.divmod(flagged, difference.shape[1])
    many_rows = np.bincount(rows, minlength=difference.shape[0]) > difference.shape[1] / 4
    many_columns = np.bincount(columns, minlength=difference.shape[1]) > difference.shape[0] / 4
    flagged = flagged[~(many_rows[rows] | many_columns[columns])]
    return flagged if flagged.size < 0.01 * difference.size else flagged[:0]


def _lag_products(residual, own):
    """Correlation of pixels `LAGS` apart in what is left of a difference, `own` the variance of single pixels.

    Taking off the rows' and columns' means makes neighbours of pure noise differ a little; that is added back.
    """
    rows, columns = residual.shape
    if own <= 0:
        return np.zeros(len(LAGS))
    bias = np.array([(1 - 1 / rows) / columns if across else (1 - 1 / columns) / rows for _, across in LAGS])
    residual = residual[: max(16, int(_LAG_PIXELS // columns))]  # enough pixels for any correlation worth telling
    rows = len(residual)
    products = [
        np.vdot(residual[down:, across:], residual[: rows - down, : columns - across])
        / ((rows - down) * (columns - across))
        for down, across in LAGS
    ]
    return np.array(products) / own + bias


def _brightest_calm(brightness, difference):
    """Variance of the brightest tenth of the pixels over the median variance of the other tenths; (ratio, its error).

    The sum of two frames tells nothing about their difference (for equal normal noise the two are independent), so that
    sorting by the sum picks bright pixels, not quiet ones.
    """
    step = max(1, int(np.sqrt(brightness.size / _TENTH_PIXELS)))
    brightness, difference = brightness[::step, ::step].ravel(), difference[::step, ::step].ravel()
    size = brightness.size // 10
    tenths = np.argpartition(brightness, [size * part for part in range(1, 10)])[: 10 * size].reshape(10, size)
    variances = difference[tenths].var(axis=1, dtype=float)
    middle = np.median(variances[:9])
    return (variances[9] / middle if middle > 0 else 1.0), np.sqrt(2 / size)


class _Pairs:
    """Sums over disjoint pairs of consecutive frames."""

    def __init__(self, mosaic, dark_level):
        self.mosaic, self.dark_level = mosaic, dark_level
        self.levels, self.variances, self.parts, self.products, self.events = [], [], [], [], []
        self.calm, self.calm_errors = [], []
        self.equal, self.pixels = 0, 0

    def add(self, first, second, numbers):
        difference = np.subtract(first, second, dtype=np.float32, casting="unsafe")
        if not difference.any():
            self.equal += 1
        planes = _views(difference, self.mosaic)
        levels, weights = self._level(_views(first, self.mosaic), _views(second, self.mosaic), planes)
        flagged = _flag(difference)
        if flagged.size:
            # A fixed hot pixel does not stand out here, so these are rare events or, when they are many, restless
            # pixels.
            if flagged.size <= _MOST_EVENTS:
                self.events += [(numbers, *map(int, np.divmod(pixel, first.shape[1]))) for pixel in flagged]
            difference.ravel()[flagged] = 0
        counted = difference.size - flagged.size
        variances = []
        for plane in planes:
            plane -= np.float32(plane.mean(dtype=float))
        difference.ravel()[flagged] = 0
        for plane, weight in zip(planes, weights, strict=True):
            flat = plane.ravel()
            variance = np.vdot(flat, flat) / plane.size - plane.mean(dtype=float) ** 2
            variances.append(variance * difference.size / counted / weight)
        if self.dark_level is not None:
            brightness = np.add(first, second, dtype=np.float32, casting="unsafe")
            bright = _views(brightness, self.mosaic)
            found = [_brightest_calm(light, plane) for light, plane in zip(bright, planes, strict=True)]
            self.calm.append([ratio for ratio, _ in found])
            self.calm_errors.append(found[0][1])
        self.levels.append(levels)
        self.variances.append(variances)
        self._split(difference, np.mean(weights))
        self.pixels += difference.size

    def _level(self, first, second, difference):
        """Levels of the planes and weights of their differences, out of which the drift of a lamp is taken.

        A lamp that drifts leaves a faint picture of the field's shading in the difference, which scaling takes away.
        Plane by plane, since a plane that is full does not follow the lamp.
        """
        levels = np.array([plane.mean(dtype=float) for plane in first])
        weights = np.full(len(levels), 2.0)
        if self.dark_level is None:
            return levels, weights
        for number, plane in enumerate(second):
            of_first, of_second = levels[number] - self.dark_level, plane.mean(dtype=float) - self.dark_level
            if of_first > 0 and of_second > 0:
                ratio = of_first / of_second
                difference[number] -= np.multiply(plane, np.float32(ratio - 1), dtype=np.float32, casting="unsafe")
                weights[number] = 1 + ratio**2
                # The shot noise of both, taken together, is that of a frame at this level.
                levels[number] = self.dark_level + of_first * (1 + ratio) / weights[number]
        return levels, weights

    def _split(self, difference, weight):
        """Analysis of variance of one difference: the parts that rows share, that columns share, and the rest."""
        rows, columns = difference.shape
        row_means, column_means = difference.mean(axis=1), difference.mean(axis=0)
        difference -= row_means[:, None]
        difference -= column_means[None, :]
        rest = np.vdot(difference, difference) / max(1, (rows - 1) * (columns - 1))
        by_row = row_means.var(ddof=1, dtype=float) - rest / columns
        by_column = column_means.var(ddof=1, dtype=float) - rest / rows
        self.parts.append(np.array([by_row, by_column, rest]) / weight)
        self.products.append(_lag_products(difference, rest))

    def calmness(self):
        """Mean of `_brightest_calm` over the pairs, and its error."""
        if not self.calm:
            planes = 4 if self.mosaic else 1
            return np.ones(planes), 0.0
        return np.mean(self.calm, axis=0), float(np.mean(self.calm_errors) / np.sqrt(len(self.calm)))


def _single_events(flagged):
    """Of all flagged pixels those that stood out in one frame only: (frames it may be, row, column)."""
    places = {}
    for pair, row, column in flagged:
        places[row, column] = places.get((row, column), {*pair}) & {*pair}
    return [(sorted(suspects), *place) for place, suspects in places.items() if suspects]


def _codes(frame):
    """Values of a frame and their counts; nothing for numbers that are spread without a step."""
    if frame.dtype.kind == "u" and frame.dtype.itemsize <= 2:
        counts = np.bincount(frame.ravel())
        codes = np.flatnonzero(counts)
        return codes.astype(float), counts[codes]
    codes, counts = np.unique(frame, return_counts=True)
    if frame.dtype.kind == "f" and codes.size > frame.size / 4 and codes.size > 1000:
        return np.empty(0), np.empty(0, int)
    return codes.astype(float), counts


def _merge(found):
    codes = np.concatenate([codes for codes, _ in found])
    counts = np.concatenate([counts for _, counts in found])
    merged, place = np.unique(codes, return_inverse=True)
    return merged, np.bincount(place, weights=counts, minlength=merged.size).astype(int)


class _Frames:
    """Sums over the frames of one set, of which only the last and the first are kept: `add` each, then `mean`."""

    def __init__(self, count, shape, restless):
        self.count, self.shape = count, shape
        self.variance_frames, self.restless = min(count, _VARIANCE_FRAMES), restless
        self.start, self.total, self.squares = (np.zeros(shape, np.float32) for _ in range(3))
        self.block = np.empty((min(_BLOCK, shape[0]), shape[1]), np.float32)
        self.row_means, self.codes = np.empty((count, shape[0])), []

    def add(self, number, frame):
        if number == 0:
            self.start[:] = frame
        if number * frame.size < _CODE_PIXELS:
            self.codes.append(_codes(frame))
        squared = self.restless and number < self.variance_frames
        share = np.full(self.shape[1], 1 / self.shape[1], np.float32)
        for low in range(0, self.shape[0], _BLOCK):
            part = slice(low, low + _BLOCK)
            change = self.block[: min(_BLOCK, self.shape[0] - low)]
            np.subtract(frame[part], self.start[part], out=change, dtype=np.float32, casting="unsafe")
            self.total[part] += change
            self.row_means[number, part] = change @ share
            if squared:
                np.multiply(change, change, out=change)
                self.squares[part] += change
            if squared and number + 1 == self.variance_frames:
                self.squares[part] -= self.total[part] ** 2 / self.variance_frames

    def mean(self):
        """Mean frame and means of the rows of each frame."""
        return self.start + self.total / self.count, self.row_means + self.start.mean(axis=1, dtype=float)

    def pixel_variance(self):
        return self.squares / (self.variance_frames - 1) if self.restless else None


def summarise(frames, mosaic=False, dark_level=None):
    """Statistics of a set of frames taken under the same conditions.

    Parameters
    ----------
    frames : ndarray or Frames, shape (n, rows, columns)
        As `as_frames` hands them on; they are not checked again.
    mosaic : bool
        Take the four colour planes of a 2 x 2 mosaic one at a time.
    dark_level : float, optional
        For flats, the level without light in DN: lets a slow drift of the lamp fall out.

    Returns
    -------
    SetStatistics
    """
    count, shape = len(frames), tuple(frames.shape[1:])
    pairs, sums, previous = _Pairs(mosaic, dark_level), _Frames(count, shape, count >= 8 and dark_level is None), None
    for number, frame in enumerate(frames):
        sums.add(number, frame)
        if (number % 2 or (number == count - 1 and number)) and pairs.pixels < _PAIR_PIXELS:
            pairs.add(previous, frame, (number - 1, number))
        previous = frame
    events = _repair(frames, sums.total, sums.start, pairs.events)
    return _statistics(frames, sums, pairs, events, mosaic)


def _statistics(frames, sums, pairs, events, mosaic):
    """The sums over frames and over pairs as `SetStatistics`."""
    mean_frame, row_means = sums.mean()
    shape, compared = sums.shape, len(pairs.levels)
    parts = np.mean(pairs.parts, axis=0)
    variance = np.mean(pairs.variances, axis=0)
    own = np.maximum(variance - parts[0] - parts[1], 0)
    codes, counts = _merge(sums.codes)
    calm, calm_error = pairs.calmness()
    odd = _odd_rows(row_means, mean_frame.size)
    return SetStatistics(
        frames=sums.count,
        shape=shape,
        frame_means=row_means.mean(axis=1),
        mean_frame=mean_frame,
        level=np.mean(pairs.levels, axis=0),
        variance=variance,
        variance_error=_variance_error(own, parts, shape, compared, mosaic),
        own_variance=own,
        own_error=_variance_error(own, np.zeros(3), shape, compared, mosaic),
        brightest_calm=calm,
        brightest_calm_error=calm_error,
        row_variance=float(parts[0]),
        column_variance=float(parts[1]),
        pixel_variance_mean=float(parts[2]),
        correlation=np.mean(pairs.products, axis=0),
        correlation_error=1 / np.sqrt(compared * min(mean_frame.size, _LAG_PIXELS)),
        pixel_variance=sums.pixel_variance(),
        variance_frames=sums.variance_frames,
        codes=codes,
        counts=counts,
        events=events,
        damaged=tuple(rows for rows in odd if _is_damaged(frames, mean_frame, rows)),
        equal_pairs=pairs.equal,
        pairs=compared,
    )


def _odd_rows(row_means, size):
    """Rows of single frames that are nothing like the same rows of the other frames: (frame, first row, last row).

    A whole frame is damaged, or of another kind, when its mean is far from that of the others. Of two frames alone the
    one whose rows differ more among themselves is named.
    """
    frames, rows = row_means.shape
    columns = size // rows
    away = row_means - np.median(row_means, axis=0)
    if frames == 2:
        odder = int(np.argmax(np.ptp(row_means, axis=1)))
        away = np.zeros_like(row_means)
        away[odder] = row_means[odder] - row_means[1 - odder]
    level = np.median(away, axis=1)
    found = []
    others = [np.ptp(np.delete(level, number)) for number in range(frames)] if frames > 2 else []
    for number, spread in enumerate(others):
        alone = np.abs(level[number] - np.median(np.delete(level, number)))
        if alone > _DAMAGED * spread:
            # The noise of a row's mean: far more than the noise of single pixels is meant.
            rough = np.median(np.abs(np.delete(away - level[:, None], number, axis=0)))
            if alone > _DAMAGED * rough * np.sqrt(columns):
                found.append((number, 0, rows - 1))
    away -= level[:, None]
    known = away if frames > 2 else away[[odder]]
    spread = robust_spread(known)
    bad = np.abs(away) > _DAMAGED * max(spread, 1e-9)
    for number in np.flatnonzero(bad.any(axis=1)):
        where = np.flatnonzero(bad[number])
        if bad[:, where].sum(axis=0).max() == 1:
            found.append((int(number), int(where[0]), int(where[-1])))
    return tuple(found)


def _is_damaged(frames, mean_frame, rows):
    """Whether many pixels of odd rows differ, not only one that is hot or jumps."""
    number, first, last = rows
    away = np.asarray(frames[number], float) - mean_frame
    away -= np.median(away) if last - first + 1 < len(away) else 0
    spread = np.median(np.abs(away)) if last - first + 1 < len(away) else 0
    return bool(np.mean(np.abs(away[first : last + 1]) > 4 * max(spread, 1e-9)) > 0.25)


def _variance_error(own, parts, shape, pairs, mosaic):
    """Standard error of the temporal variance: 2 s^4 / n for the pixels' own part, and likewise for rows and columns.

    Rows and columns are few, so noise that they share is known far less well than the number of pixels suggests.
    """
    rows, columns = (shape[0] // 2, shape[1] // 2) if mosaic else shape
    by_row, by_column, _ = np.maximum(parts, 0)
    return np.sqrt(2 / pairs * (own**2 / (rows * columns) + by_row**2 / rows + by_column**2 / columns))


def _repair(frames, total, start, flagged):
    """Take single events out of the sums; returns their places. A pixel that is flagged again and again stays."""
    single = _single_events(flagged)
    if len(single) > _MOST_EVENTS:
        return ()  # so many are no events: the pixels themselves are restless
    events, count = [], len(frames)
    for suspects, row, column in single:
        summed = float(start[row, column]) * count + float(total[row, column])
        values = np.array([float(frames[number][row, column]) for number in suspects])
        if count <= len(suspects):
            worst = int(np.argmax(np.abs(values - np.median(frames[suspects[0]]))))  # of two frames, the odder one
        else:
            worst = int(np.argmax(np.abs(values - (summed - values.sum()) / (count - len(suspects)))))
        others = (summed - values[worst]) / (count - 1)
        total[row, column] = (others - float(start[row, column])) * count
        events.append((suspects[worst], row, column))
    return tuple(events)


@takes(
    mean_frame=_as_frame,
    temporal=checks.number(minimum=-1e24, maximum=1e24, shape=(3,)),
    frames=count(minimum=1, maximum=1_000_000),
)
def split_pattern(mean_frame, temporal, frames):
    """Split the fixed pattern of a mean frame into what rows share, what columns share, and the pixels' own part.

    The parts are defined as in EMVA Standard 1288 release 4.0 (variance of row, column and pixel; from memory), solved
    from the expected mean squares of a two-way analysis of variance.

    Parameters
    ----------
    mean_frame : ndarray, shape (rows, columns)
    temporal : (row, column, pixel)
        Temporal variances of one frame; what is left of them in the mean is taken off.
    frames : int
        Frames in the mean.

    Returns
    -------
    parts, errors : ndarray, shape (4,)
        Variances of rows, columns, pixels and their sum, and standard errors. A variance can come out slightly negative
        when the pattern is lost in noise.

    Raises
    ------
    TypeError, ValueError
        No picture, or numbers that are not finite; fewer than one frame.
    """
    frame = mean_frame.astype(float)
    rows, columns = frame.shape
    row_means, column_means, mean = frame.mean(axis=1), frame.mean(axis=0), frame.mean()
    whole = np.mean(frame**2) - mean**2
    ms_row, ms_column = columns * row_means.var(ddof=1), rows * column_means.var(ddof=1)
    squares = whole * frame.size - ms_row * (rows - 1) - ms_column * (columns - 1)
    rest = squares / ((rows - 1) * (columns - 1))
    row, column, pixel = np.array([(ms_row - rest) / columns, (ms_column - rest) / rows, rest]) - np.divide(
        temporal, frames
    )
    errors = np.sqrt(2 / np.array([rows - 1, columns - 1, frame.size])) * np.array(
        [ms_row / columns, ms_column / rows, rest]
    )
    return np.array([row, column, pixel, row + column + pixel]), np.append(errors, np.sqrt(np.sum(errors**2)))


@takes(frame=_as_frame, box=odd(minimum=3, maximum=9999))
def take_off_shading(frame, box=11):
    """The frame less its smooth part (mean over `box` x `box` pixels), scaled so that uneven pixels keep their
    variance.

    EMVA 1288 filters flats in this way before it measures the pixels' response (box size from memory). Without the
    edges. ValueError or TypeError for what is no picture of finite numbers, or a box that is no odd number above 1.
    """
    smooth = scipy.ndimage.uniform_filter(np.asarray(frame, np.float32), box, mode="nearest")
    even = (frame - smooth) / np.float32(np.sqrt(1 - 1 / box**2))
    edge = box // 2  # there the box has no pixels on one side
    return even[edge:-edge, edge:-edge] if min(frame.shape) > 2 * box else even
