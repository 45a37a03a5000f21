"""Simulated guide frames: stars that move, photon noise, sky, dark current, hot pixels, read noise, digitising.

Almost every pixel of a frame holds background only, and all such pixels share one distribution of digital values. It is
computed once and drawn from with a table; only pixels that a star's electrons fell on are drawn one by one.
"""

from functools import lru_cache

import astropy.units as u
import numpy as np
from scipy import fft, special

from helpers.shared.checks import (
    as_count,
    choice,
    count,
    frame_shape,
    frames,
    instance,
    number,
    optional,
    places,
    quantity,
    takes,
)
from helpers.shared.limits import PIXELS, SIDE, check_work
from helpers.shared.optics import FWHM_PER_SIGMA, MOFFAT_WITH_WINGS
from helpers.starlight.spot import AIR_ALONE, Shape, transfer_function

PROFILES = ("gaussian", "moffat", "kolmogorov")
MOSAIC = np.array([[0, 1], [1, 2]])  # colour of the pixels at (row, column): red 0, green 1, blue 2; the first is red
_ENCLOSED = 0.995  # share of a star's light that a stamp must hold
_LEAST_RADIUS = 3.0  # of a stamp, in FWHM: keeps the second moments
_LARGEST_STAMP = 201  # pixels a side
_BLOCK_BYTES = 12_000_000  # keeps the work in the processor's cache
_BLOCK_VALUES = 4_000_000  # of a table that is worked out in parts
_FAINT = 1.0  # expected electrons below which Poisson numbers are drawn by inversion
_TABLE = 65536


def _transfer_function(profile, frequency, fwhm, shape):
    """Fourier transform of a profile of total 1; cycles per pixel, pixels."""
    if profile == "gaussian":
        return np.exp(-2 * (np.pi * frequency * fwhm / FWHM_PER_SIGMA) ** 2)
    if profile == "kolmogorov":
        return transfer_function(frequency, fwhm, shape)
    order = MOFFAT_WITH_WINGS - 1
    scale = fwhm / (2 * np.sqrt(2 ** (1 / MOFFAT_WITH_WINGS) - 1))
    argument = np.maximum(2 * np.pi * frequency * scale, 1e-9)
    return 2 * (argument / 2) ** order * special.kv(order, argument) / special.gamma(order)


def _enclosed_half_width(image, oversampling, centre, least):
    """Half side in pixels, at least `least`, of the square that holds the wanted share of an oversampled picture."""
    for half in range(least, (_LARGEST_STAMP - 1) // 2):
        reach = int((half + 0.5) * oversampling)
        span = slice(centre - reach, centre + reach + 1, oversampling)
        if image[span, span].sum() >= _ENCLOSED:
            return half
    return (_LARGEST_STAMP - 1) // 2


@lru_cache(maxsize=16)
def _stamps(profile, fwhm, shape=AIR_ALONE):
    """Pixel-integrated profile for star centres on a fine grid of places within a pixel.

    Returns
    -------
    table : (k + 1, k + 1, side * side) float32
        Share of the light per pixel; first axis is the place in y, second in x, from 0 to 1 pixel in k steps.
    side : int
        Pixels of a stamp; a star at place 0 is centred on pixel (side - 1) / 2.
    """
    oversampling = int(np.clip(np.ceil(24 / fwhm), 4, 64))
    pixels = int(np.clip(2 ** np.ceil(np.log2(16 * fwhm)), 32, 512))
    size = pixels * oversampling
    frequency_y = fft.fftfreq(size, 1 / oversampling)[:, None]
    frequency_x = fft.rfftfreq(size, 1 / oversampling)[None, :]
    transfer = _transfer_function(profile, np.hypot(frequency_y, frequency_x), fwhm, shape)
    # numpy's sinc is the transform of a square pixel; the factor turns density on the fine grid into share per pixel
    image = fft.irfft2(transfer * np.sinc(frequency_y) * np.sinc(frequency_x), s=(size, size)) * oversampling**2
    centre = size // 2
    image = np.maximum(np.roll(image, (centre, centre), axis=(0, 1)), 0)
    least = int(np.ceil(_LEAST_RADIUS * fwhm))
    half = min(_enclosed_half_width(image, oversampling, centre, least) + 1, pixels // 2 - 2)
    side = 2 * half + 1
    table = np.empty((oversampling + 1, oversampling + 1, side, side), np.float32)
    for y in range(oversampling + 1):
        for x in range(oversampling + 1):
            rows = slice(centre - y - half * oversampling, centre - y + half * oversampling + 1, oversampling)
            columns = slice(centre - x - half * oversampling, centre - x + half * oversampling + 1, oversampling)
            table[y, x] = image[rows, columns]
    return table.reshape(oversampling + 1, oversampling + 1, side * side), side


def _expected(table, side, x, y):
    """Share of light per stamp pixel (n, side * side) for star centres (n,), and the stamps' first column and row."""
    steps = table.shape[0] - 1
    column, row = np.floor(x).astype(int), np.floor(y).astype(int)
    place_x, place_y = (x - column) * steps, (y - row) * steps
    at_x = np.minimum(place_x.astype(int), steps - 1)
    at_y = np.minimum(place_y.astype(int), steps - 1)
    right = (place_x - at_x).astype(np.float32)[:, None]
    up = (place_y - at_y).astype(np.float32)[:, None]
    # linear between the four places around: keeps the flux and the centre exact
    low = (1 - right) * table[at_y, at_x] + right * table[at_y, at_x + 1]
    high = (1 - right) * table[at_y + 1, at_x] + right * table[at_y + 1, at_x + 1]
    half = (side - 1) // 2
    return (1 - up) * low + up * high, column - half, row - half


def _faint_poisson(expected, rng):
    """Poisson numbers for small expected values: the distribution function, summed up only where it is passed."""
    chance = rng.random(expected.shape, dtype=np.float32)
    counts = np.zeros(expected.shape, np.int32)
    left = np.flatnonzero(chance >= np.exp(-expected))
    chance, mean = chance.reshape(-1)[left].astype(float), expected.reshape(-1)[left].astype(float)
    found = np.ones(len(mean), np.int32)
    term = mean * np.exp(-mean)
    passed = np.exp(-mean) + term
    active = np.flatnonzero(chance >= passed)
    while active.size:
        found[active] += 1
        term[active] *= mean[active] / found[active]
        passed[active] += term[active]
        active = active[(chance[active] >= passed[active]) & (term[active] > 1e-12)]
    counts.reshape(-1)[left] = found
    return counts


def _poisson(expected, rng):
    """Poisson numbers of an array (n, pixels); pixels that are faint throughout take the quick way."""
    faint = expected.max(axis=0) < _FAINT
    counts = np.empty(expected.shape, np.int32)
    if faint.any():
        counts[:, faint] = _faint_poisson(expected[:, faint], rng)
    if not faint.all():
        counts[:, ~faint] = rng.poisson(expected[:, ~faint])
    return counts


class _TableSampler:
    """Exact and quick random numbers of a discrete distribution.

    Most of the probability is held in whole shares of 1/65536 by a table that a 16-bit random number looks up; the few
    entries that are left send the draw to the exact remainder (Marsaglia, Tsang & Wang 2004, J. Stat. Softw. 11(3)).
    """

    def __init__(self, values, probabilities):
        probabilities = probabilities / probabilities.sum()
        whole = np.floor(probabilities * _TABLE).astype(int)
        rest = probabilities - whole / _TABLE
        self._values = values
        self._filled = whole.sum()
        self._table = np.zeros(_TABLE, values.dtype)
        self._table[: self._filled] = np.repeat(values, whole)
        self._rest = np.cumsum(rest)

    def draw(self, shape, rng):
        size = int(np.prod(shape))
        code = rng.integers(0, _TABLE, size, dtype=np.uint16)
        drawn = self._table[code]
        if self._filled < _TABLE:
            redo = np.flatnonzero(code >= self._filled)
            place = np.searchsorted(self._rest, rng.random(redo.size) * self._rest[-1], side="right")
            drawn[redo] = self._values[np.minimum(place, len(self._values) - 1)]
        return drawn.reshape(shape)


def _poisson_range(mean):
    """Counts that matter for a Poisson mean, and their probabilities."""
    reach = 9 * np.sqrt(mean) + 25
    counts = np.arange(max(0, int(mean - reach)), int(mean + reach) + 1)
    return counts, np.exp(counts * np.log(mean) - mean - special.gammaln(counts + 1)) if mean > 0 else counts == 0


@lru_cache(maxsize=16)
def _background_samplers(mean, read_noise, full_well, step, offset, top):
    """Samplers of a background pixel: its electrons, and its digital value."""
    counts, chance = _poisson_range(mean)
    electrons = _TableSampler(counts.astype(np.int32), chance.astype(float))
    filled = np.minimum(counts, full_well)
    width = max(read_noise, 1e-6)
    first = max(0, int((filled[0] - 8 * width) / step + offset) - 1)
    last = min(top, int((filled[-1] + 8 * width) / step + offset) + 2)
    values = np.arange(min(first, top), max(last, min(first, top)) + 1)
    edges = (values[:-1] + 0.5 - offset) * step
    below = np.zeros(len(edges))
    for part in np.array_split(np.arange(len(counts)), 1 + len(counts) * len(edges) // _BLOCK_VALUES):
        below += chance[part] @ special.ndtr((edges[None, :] - filled[part, None]) / width)
    cumulative = np.concatenate([[0.0], below, [chance.sum()]])
    return electrons, _TableSampler(values.astype(np.uint16), np.maximum(np.diff(cumulative), 0))


def _digitise(electrons, step, offset, top):
    return np.clip(np.floor(electrons / step + (offset + 0.5)), 0, top).astype(np.uint16)


def _add_stars(counts, x, y, electrons, stamps, colour_shares, rng):
    """Add Poisson electrons of all stars to counts (n, rows, columns); x, y (n, stars) in pixels."""
    table, side = stamps
    frames, rows, columns = counts.shape
    if colour_shares is not None:
        tile = np.tile(colour_shares[MOSAIC], (side // 2 + 2, side // 2 + 2))
        patterns = [[tile[i : i + side, j : j + side].ravel() for j in (0, 1)] for i in (0, 1)]
        patterns = np.array(patterns, np.float32)
    for star, light in enumerate(electrons):
        share, first_column, first_row = _expected(table, side, x[:, star], y[:, star])
        share *= np.float32(light)
        if colour_shares is not None:
            share *= patterns[first_row % 2, first_column % 2]
        stamp = _poisson(share, rng).reshape(frames, side, side)
        for frame in range(frames):
            row, column = first_row[frame], first_column[frame]
            top, left = max(row, 0), max(column, 0)
            bottom, right = min(row + side, rows), min(column + side, columns)
            if top < bottom and left < right:
                part = stamp[frame, top - row : bottom - row, left - column : right - column]
                counts[frame, top:bottom, left:right] += part


@takes(
    positions=places(),
    electrons=quantity(u.electron, minimum=0, maximum=1e9, shape=[(), (None,)]),
    motion=quantity(u.arcsec, minimum=-1e6, maximum=1e6, shape=(None, None, 2)),
    fwhm=quantity(u.arcsec, above=0, maximum=1e5, ndim=0),
    pixel_scale=quantity(u.arcsec / u.pix, minimum=1e-6, maximum=3600, ndim=0),
    shape=frame_shape(maximum=SIDE),
    rng=instance(np.random.Generator),
    sky=quantity(u.electron / u.pix, minimum=0, maximum=1e6, shape=[(), (3,)]),
    dark=quantity(u.electron / u.pix, minimum=0, maximum=5e8, shape=[(), (None, None)]),
    read_noise=quantity(u.electron, minimum=0, maximum=1e4, ndim=0),
    full_well=quantity(u.electron, minimum=1e-3, maximum=1e8, ndim=0),
    bit_depth=count(minimum=1, maximum=16),
    offset=count(minimum=0, maximum=2**16 - 1),
    profile=choice(PROFILES),
    colour_shares=optional(number(minimum=0, maximum=100, shape=(3,))),
    shape_of_stars=instance(Shape),
)
def render_frames(
    positions,
    electrons,
    motion,
    fwhm,
    pixel_scale,
    shape,
    rng,
    *,
    sky=0 * u.electron / u.pix,
    dark=0 * u.electron / u.pix,
    read_noise=0 * u.electron,
    full_well=12000 * u.electron,
    bit_depth=12,
    offset=20,
    profile="kolmogorov",
    colour_shares=None,
    shape_of_stars=AIR_ALONE,
):
    """Frames as a guide camera would record them.

    Parameters
    ----------
    positions : (N, 2) array or Quantity, pix
        Mean place of each star as (x, y); the centre of the first pixel is (0, 0).
    electrons : Quantity, electron, (N,) or one value
        All light of each star in one frame; a stamp holds 99.5 % of it or more.
    motion : Quantity, arcsec, (frames, N, 2)
        How far each star is from its place in each frame.
    fwhm : Quantity, arcsec
        Width of the spot that falls on the sensor, at least 0.4 and at most 20 pixels.
    pixel_scale : Quantity, arcsec / pix
    shape : (int, int)
        Columns and rows.
    rng : numpy.random.Generator
    sky : Quantity, electron / pix
        Per frame; with a colour mosaic one value or three (red, green, blue).
    dark : Quantity, electron / pix, one value or (rows, columns)
        Per frame; hot pixels are those with more: see `hot_pixel_map`.
    read_noise : Quantity, electron
    full_well : Quantity, electron
        A pixel holds no more; it sets the size of a digital step, full_well / (2^bit_depth - 1).
    bit_depth : int
        1 to 16.
    offset : int
        Digital value of no light.
    profile : {"gaussian", "moffat", "kolmogorov"}
        Moffat with exponent 2.5; "kolmogorov" is a long exposure through turbulent air and an aperture.
    colour_shares : (3,) array, optional
        Star light that red, green and blue pixels get, against the mean pixel; without it there is no colour mosaic.
    shape_of_stars : spot.Shape
        What aperture and outer scale do besides the width; only for "kolmogorov".

    Returns
    -------
    ndarray of uint16, shape (frames, rows, columns)
        Digital values.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Fried 1966, J. Opt. Soc. Am. 56, 1372 (the long-exposure spot of the air); Moffat 1969, A&A 3, 455.
    """
    columns, rows = shape
    check_work("motion", len(motion) * columns * rows, PIXELS, "pixels in all frames")
    stars, motion, top = len(positions), motion.value, 2**bit_depth - 1
    if motion.shape[1] != stars:
        raise ValueError(f"motion: expected shape (frames, {stars}, 2), found {motion.shape}")
    if electrons.shape not in ((), (stars,)):
        raise ValueError(f"electrons: expected one value or {stars}, found shape {electrons.shape}")
    light = np.broadcast_to(electrons.value, (stars,))
    check_work("electrons", light.sum(), 1e9, "electrons of all stars together")
    scale, width = pixel_scale.value, (fwhm / pixel_scale).value
    if not 0.4 <= width <= 20:
        raise ValueError(f"fwhm: expected from 0.4 to 20 pixels, found {width:.3g}")
    if dark.ndim and dark.shape != (rows, columns):
        raise ValueError(f"dark: expected one value or shape {(rows, columns)}, found {dark.shape}")
    dark_map = np.broadcast_to(dark.value, (rows, columns))
    offset = as_count("offset", offset, maximum=top)
    sky_values, noise, full = sky.value, read_noise.value.item(), full_well.value.item()
    if sky_values.shape == (3,) and colour_shares is None:
        raise ValueError(f"sky: expected one value, or three with a colour mosaic, found shape {sky_values.shape}")

    step = full / top
    base = float(dark_map.min())
    hot = np.nonzero(dark_map > base)
    extra = dark_map[hot] - base
    stamps = _stamps(profile, round(float(width), 6), shape_of_stars)
    planes = [(slice(None), slice(None), 0)]
    if sky_values.shape == (3,):
        planes = [(slice(i, None, 2), slice(j, None, 2), MOSAIC[i, j]) for i in (0, 1) for j in (0, 1)]
    samplers = {
        colour: _background_samplers(
            # a pixel that this much fills several times over says the same
            min(np.atleast_1d(sky_values)[colour] + base, 4 * full + 1000),
            *(noise, full, step, offset, top),
        )
        for colour in {plane[2] for plane in planes}
    }
    # Which sampler a pixel with star light takes its background from.
    colour_of = np.zeros((rows, columns), np.int8)
    for plane_rows, plane_columns, colour in planes:
        colour_of[plane_rows, plane_columns] = colour

    frames = np.empty((len(motion), rows, columns), np.uint16)
    size = max(1, _BLOCK_BYTES // (4 * rows * columns))
    for start in range(0, len(motion), size):
        block = frames[start : start + size]
        moved = positions + motion[start : start + size] / scale
        counts = np.zeros(block.shape, np.int32)
        _add_stars(counts, moved[..., 0], moved[..., 1], light, stamps, colour_shares, rng)
        if extra.size:
            counts[:, *hot] += rng.poisson(extra, (len(block), extra.size)).astype(np.int32)
        for plane_rows, plane_columns, colour in planes:
            part = block[:, plane_rows, plane_columns]
            part[...] = samplers[colour][1].draw(part.shape, rng)
        flat_counts, flat_block = counts.reshape(-1), block.reshape(-1)
        lit = np.flatnonzero(flat_counts)
        colours = colour_of.reshape(-1)[lit % (rows * columns)] if len(samplers) > 1 else None
        for colour, (background, _) in samplers.items():
            here = lit if colours is None else lit[colours == colour]
            held = np.minimum(flat_counts[here] + background.draw(here.size, rng), full).astype(np.float32)
            held += np.float32(noise) * rng.standard_normal(here.size, dtype=np.float32)
            flat_block[here] = _digitise(held, step, offset, top)
    return frames


@takes(
    shape=frame_shape(maximum=SIDE),
    dark=quantity(u.electron / u.pix, minimum=0, maximum=1e7, ndim=0),
    share=number(minimum=0, maximum=1),
    strength=quantity(u.electron / u.pix, minimum=0, maximum=1e8, ndim=0),
    rng=instance(np.random.Generator),
)
def hot_pixel_map(shape, dark, share, strength, rng):
    """Dark signal per pixel with some hot pixels.

    Parameters
    ----------
    shape : (int, int)
        Columns and rows.
    dark : Quantity, electron / pix
        Of an ordinary pixel, per frame.
    share : float
        Share of pixels that are hot, 0 to 1.
    strength : Quantity, electron / pix
        Mean of what a hot pixel adds; exponentially distributed (invented).
    rng : numpy.random.Generator

    Returns
    -------
    Quantity, electron / pix, shape (rows, columns)

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    size = shape[::-1]
    hot = rng.random(size) < share
    return dark + hot * rng.exponential(strength.value, size) * dark.unit


@takes(frames=frames(), factor=count(minimum=1))
def bin_frames(frames, factor):
    """Add up squares of pixels, as software binning does; what does not fill a square at the edge is dropped.

    Parameters
    ----------
    frames : (n, rows, columns) array
    factor : int

    Returns
    -------
    ndarray, shape (n, rows // factor, columns // factor)

    Raises
    ------
    ValueError, TypeError
    """
    factor = as_count("factor", factor, maximum=min(frames.shape[1:]))
    rows, columns = (length // factor for length in frames.shape[1:])
    cut = frames[:, : rows * factor, : columns * factor]
    kind = frames.dtype.kind
    if kind == "f":
        dtype = np.result_type(frames.dtype, np.float32)
    else:
        small = frames.dtype.itemsize <= 2 and factor <= 256  # the sum fits 32 bits
        dtype = np.dtype(f"{kind}{4 if small else 8}")
    return cut.reshape(-1, rows, factor, columns, factor).sum(axis=(2, 4), dtype=dtype)
