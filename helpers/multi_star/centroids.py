"""Centres of many stars in many frames at once: a windowed centre of mass, and a fit of a Gaussian spot.

Both work on all small cut-outs of the frames together. A Gaussian is a product of a function of x and one of y, so that
sums over a cut-out are matrix products. Cut-outs are taken in blocks that fit the processor's cache.
"""

from dataclasses import dataclass
from functools import lru_cache

import astropy.units as u
import numpy as np
from scipy.special import ndtr

from helpers.shared.checks import choice, number, odd, optional, places, quantity, takes
from helpers.shared.checks import frames as pictures
from helpers.shared.optics import FWHM_PER_SIGMA
from helpers.starlight.faint_stars import NARROWEST_WINDOW, edge_depth, least_height

__all__ = ["StarMeasurements", "measure_centroids", "measure_stars"]

METHODS = ("window", "fit")
LEAST_SIGNAL_TO_NOISE = 3  # from which the light of a star sets its window
_OUTLIER = 4.0  # sigma, beyond which an edge pixel is not noise
_SAMPLE = 600  # cut-outs from which width and noise are learnt, in no fewer than 20 frames
_BLOCK_PIXELS = 400_000
_PIXEL_VARIANCE = 1 / 12  # of a square of one pixel, along one axis
_NARROWEST = 0.35  # sigma [pixels] of a spot as pixels sample it
_LARGEST = 1e9  # pixel value; squares of it fit single precision
_WINDOWS = np.geomspace(1, 0.1, 24)  # (spot / window)^2 among which the best window is chosen


@dataclass(frozen=True)
class StarMeasurements:
    """What was measured of N stars in n frames.

    centroids [pix], shape (n, N, 2), as (x, y); where `measured` is False they hold the given position. flux, in units
    of the frames, signal_to_noise and measured (bool), shape (n, N). error [pix], shape (n, N): one-axis rms expected
    from noise. fwhm [pix]: width of the stars, found or given, before pixels sample them.
    background: variance of a pixel without a star, in squares of the frames' unit.

    flux is the light of a Gaussian spot that is as bright in its core as the star. A spot of the air has wings besides:
    its whole light is 8 to 25 per cent more, most for faint stars, whose best window is narrow. So flux compares stars
    and frames with each other to some per cent; it is no photometry.
    """

    centroids: u.Quantity
    flux: np.ndarray
    signal_to_noise: np.ndarray
    error: u.Quantity
    measured: np.ndarray
    fwhm: u.Quantity
    background: float


@dataclass(frozen=True)
class _Scene:
    """What all frames share: width [pixels], noise variance per pixel, electrons per unit, and each star's light."""

    sigma: float  # of the spot as pixels sample it: its own variance + 1/12
    variance: float
    gain: float
    flux: np.ndarray  # (N,)
    place: np.ndarray  # (N, 2) usual centre in the cut-out
    ratio: np.ndarray  # (N,) best (spot / window)^2


def _corners(positions, box, shape):
    """First column and row of each star's box, shape (N, 2)."""
    corners = np.round(positions).astype(int) - box // 2
    inside = np.all((corners >= 0) & (corners + box <= shape[::-1]), axis=1)
    if not inside.all():
        star = np.argmin(inside)
        raise ValueError(
            f"positions: expected boxes of {box} pixels inside the frame of {shape[1]} x {shape[0]}, "
            f"found star {star} at ({positions[star, 0]:.6g}, {positions[star, 1]:.6g})"
        )
    return corners


def _cut(frames, corners, box):
    """Cut-outs (n * N, box, box) in single precision, and whether all pixels of each are finite."""
    stamps = np.empty((len(frames), len(corners), box, box), np.float32)
    with np.errstate(over="ignore"):
        for star, (column, row) in enumerate(corners):
            stamps[:, star] = frames[:, row : row + box, column : column + box]
    stamps = stamps.reshape(-1, box, box)
    finite = np.ones(len(stamps), bool)
    if frames.dtype.kind == "f":
        finite = np.isfinite(stamps).all(axis=(1, 2))
        stamps[~finite] = 0
    if frames.dtype.itemsize > 2 and (stamps.max() > _LARGEST or stamps.min() < -_LARGEST):
        raise ValueError(f"frames: expected pixels within {_LARGEST:g}, found {np.abs(stamps).max():g}")
    return stamps, finite


@lru_cache
def _ring(box):
    """Indices of the outermost pixels of a cut-out, two deep where it is large enough."""
    depth = edge_depth(box)
    edge = np.ones((box, box), bool)
    edge[depth:-depth, depth:-depth] = False
    return np.flatnonzero(edge)


def _edge_level(stamps, variance):
    """Background of each cut-out: mean of its outermost pixels, those left out that noise does not explain.

    A middle value would be a whole number where pixels are, and off by up to half a step over the whole window.
    """
    pixels = stamps.reshape(len(stamps), -1)[:, _ring(stamps.shape[1])]
    reach = np.float32(_OUTLIER * np.sqrt(variance) + 0.5)
    level = np.median(pixels, axis=1)
    for _ in range(2):
        kept = np.abs(pixels - level[:, None]) <= reach
        level = np.where(kept, pixels, 0).sum(axis=1) / np.maximum(kept.sum(axis=1), 1)
    return level


def _edge_variance(stamps):
    """Noise variance per pixel from neighbours along the edge; stamps (n, N, box, box).

    Differences of neighbours hardly feel a star's wings or a sloping sky; those far beyond the rest, as a hot pixel
    makes them, are left out.
    """
    box = stamps.shape[-1]
    along_x = np.diff(stamps[:, :, [0, -1], :], axis=3)
    along_y = np.diff(stamps[:, :, :, [0, -1]], axis=2)
    squares = np.concatenate(
        [np.square(part, dtype=float).reshape(*part.shape[:2], 2 * (box - 1)) for part in (along_x, along_y)], axis=2
    )
    usual = np.median(squares.mean(axis=0), axis=1) / 2  # of each star
    # one difference in 30,000 of Gaussian noise lies beyond
    reach = 2 * (_OUTLIER + 0.2) ** 2 * np.maximum(usual, 1 / 12)[:, None]
    kept = squares <= reach
    each = np.where(kept, squares, 0).sum(axis=(0, 2)) / np.maximum(kept.sum(axis=(0, 2)), 1) / 2
    return np.median(each)


def _is_star(centres, place, flux, scene, ratio, box):
    """Whether a spot stands out of noise by more than the search for the brightest one explains.

    A spot close to the star's usual place was sought in a small area, and need not be as bright as one far from it.
    """
    window = scene.sigma / np.sqrt(ratio)
    sigma = np.sqrt(_window_flux_variance(scene.sigma, 0, scene.variance, scene.gain, ratio, box))
    side = box - 3
    near = np.all(np.abs(centres - place) <= window[:, None], axis=1)
    least = np.where(near, least_height(4 * window**2, 4 * window, window), least_height(side**2, 2 * side, window))
    return flux > least * sigma


def _bell(squared_distance, sigma):
    """exp(-r^2 / 2 sigma^2) in single precision; its far wings are cut before they get so small that sums
    become slow.
    """
    scale = np.asarray(-0.5 / np.square(sigma), np.float32)
    return np.exp(np.maximum(scale * squared_distance, np.float32(-20)))


def _brightest(stamps, sigma):
    """Centre (x, y) of the brightest pixel of each cut-out, after smoothing with the spot."""
    box = stamps.shape[1]
    steps = np.arange(box, dtype=np.float32)
    smooth = _bell((steps[:, None] - steps) ** 2, sigma)
    smoothed = np.matmul(smooth, (stamps.reshape(-1, box) @ smooth).reshape(stamps.shape))
    row, column = np.divmod(smoothed.reshape(len(stamps), -1).argmax(axis=1), box)
    return np.stack([column, row], axis=1).astype(np.float32)


def _from_centres(stamps, centres):
    """Distance of each column and of each row from the centres, shape (M, box) each."""
    steps = np.arange(stamps.shape[1], dtype=np.float32)
    return steps - centres[:, :1], steps - centres[:, 1:]


def _window_sums(stamps, centres, window):
    """Sums of window x light, times 1, x and y from the centre; window (M, 1) in pixels."""
    from_x, from_y = _from_centres(stamps, centres)
    across_x, across_y = _bell(from_x**2, window), _bell(from_y**2, window)
    rows = np.matvec(stamps, across_x)
    total, along_y = np.vecdot(rows, across_y), np.vecdot(rows, across_y * from_y)
    along_x = np.vecdot(np.matvec(stamps, across_x * from_x), across_y)
    return total, along_x, along_y


def _window_square(stamps, centres, window):
    """Sums of window x light and of window x light x r^2."""
    from_x, from_y = _from_centres(stamps, centres)
    across_x, across_y = _bell(from_x**2, window), _bell(from_y**2, window)
    rows = np.matvec(stamps, across_x)
    along_x = np.vecdot(np.matvec(stamps, across_x * from_x**2), across_y)
    return np.vecdot(rows, across_y), along_x + np.vecdot(rows, across_y * from_y**2)


def _window_steps(stamps, centres, sigma, ratio, steps):
    """Iterated windowed centre of mass, and the star's whole light.

    A Gaussian spot that is off by d shows a windowed mean of d / (1 + ratio), and 1 / (1 + ratio) of its light.
    """
    window = (sigma / np.sqrt(ratio))[:, None]
    edge = stamps.shape[1] - 1
    for _ in range(steps):
        total, along_x, along_y = _window_sums(stamps, centres, window)
        step = np.stack([along_x, along_y], axis=1) * ((1 + ratio) / np.where(total > 0, total, np.inf))[:, None]
        centres = np.clip(centres + np.clip(step, -1, 1), 0, edge)
    return centres, total * (1 + ratio)


def _window_variance(sigma, flux, variance, gain, ratio):
    """One-axis variance [pixel^2] of the windowed centre of a Gaussian spot; from its weight function, see
    `measure_stars`.
    """
    star = (1 + ratio) ** 4 / (1 + 2 * ratio) ** 2 / (flux * gain)
    sky = (1 + ratio) ** 4 * np.pi * sigma**2 * variance / (2 * ratio**2 * flux**2)
    return sigma**2 * (star + sky)


def _window_flux_variance(sigma, flux, variance, gain, ratio, box):
    """Variance of a windowed sum of light, taken for the whole star; the background's own error is in it."""
    area = np.pi * sigma**2 / ratio
    noise = variance * (area + (2 * area) ** 2 / len(_ring(box)))
    return (1 + ratio) ** 2 * (np.maximum(flux, 0) / gain / (1 + 2 * ratio) + noise)


def _learn_scene(stamps, star_count, fwhm, gain, whole_numbers):
    """Width, noise and light of the stars from cut-outs of some frames, shape (n * N, box, box), background
    included.
    """
    box = stamps.shape[1]
    variance = _edge_variance(stamps.reshape(-1, star_count, box, box))
    variance = max(variance, 1 / 12 if whole_numbers else 0, 1e-9 * float(np.abs(stamps).max()) ** 2, 1e-20)
    light = stamps - _edge_level(stamps, variance)[:, None, None]
    widest = box / 4
    sigma = min(1.5, widest) if fwhm is None else np.hypot(fwhm / FWHM_PER_SIGMA, np.sqrt(_PIXEL_VARIANCE))
    centres = _brightest(light, sigma)
    for _ in range(4):
        # a window equal to the spot, but never so narrow that pixels sample it badly
        ratio = np.full(len(light), min(1, (sigma / NARROWEST_WINDOW) ** 2), np.float32)
        centres, flux = _window_steps(light, centres, sigma, ratio, steps=2)
        flux = np.median(flux.reshape(-1, star_count), axis=0)
        if fwhm is not None:
            break
        chance = flux / np.sqrt(_window_flux_variance(sigma, 0, variance, gain, ratio[0], box))
        least = least_height((box - 3) ** 2, 2 * (box - 3), sigma / np.sqrt(ratio[:1])).item()
        if chance.max() < least:
            raise ValueError(
                f"frames: expected a star in at least one box, found none whose light is {least:.1f} times the noise; "
                "give fwhm to go on without"
            )
        window = sigma / np.sqrt(ratio[:1, None])
        total, square = _window_square(light, centres, window)
        total, square = (part.reshape(-1, star_count).sum(axis=0, dtype=float) for part in (total, square))
        good = chance >= max(LEAST_SIGNAL_TO_NOISE, 0.3 * chance.max())
        seen = np.median(square[good] / np.maximum(total[good], 1e-3 * total[good].max())) / 2
        # second moments: 1 / seen = 1 / spot + 1 / window; a spot far from Gaussian must not run away
        inverse = 1 / max(seen, 1e-3) - 1 / window.item() ** 2
        sigma = np.clip(1 / np.sqrt(max(inverse, 1e-9)), sigma / 2, 2 * sigma).clip(_NARROWEST, widest).item()
    # The window must end inside the box, and be sampled well.
    allowed = _WINDOWS[sigma / np.sqrt(_WINDOWS) <= max(widest, sigma)] * min(1, (sigma / NARROWEST_WINDOW) ** 2)
    known = np.maximum(flux, LEAST_SIGNAL_TO_NOISE * np.sqrt(4 * np.pi * sigma**2 * variance))
    expected = _window_variance(sigma, known[:, None], variance, gain, allowed)
    place = np.median(centres.reshape(-1, star_count, 2), axis=0)
    return _Scene(sigma, variance, gain, known, place, allowed[np.argmin(expected, axis=1)])


def _spot_sigma(scene):
    """Of the spot itself, before the pixels sample it."""
    return float(np.sqrt(max(scene.sigma**2 - _PIXEL_VARIANCE, 0.04)))


def _spot(centres, sigma, count):
    """Share of a Gaussian line of light in each pixel (M, count), and its change with the centre."""
    edges = (np.arange(count + 1, dtype=np.float32) - np.float32(0.5) - centres[:, None]) / np.float32(sigma)
    share = np.diff(ndtr(np.clip(edges, -6, 6)), axis=1)
    change = -np.diff(_bell(edges**2, 1), axis=1) / np.float32(sigma * np.sqrt(2 * np.pi))
    return share, change


def _fit_steps(stamps, centres, flux, scene, star_flux, steps=3):
    """Centre, light and background of each cut-out by weighted least squares (scoring steps); also their variances.

    Weights are 1 / (background noise + the star's own photon noise), taken from the model; so the fixed point is that
    of maximum likelihood.
    """
    count = stamps.shape[1]
    sigma = _spot_sigma(scene)
    own_noise = (star_flux / scene.gain).astype(np.float32)[:, None, None]
    level = np.zeros(len(stamps), np.float32)
    for step in range(steps + 1):
        spot_x, change_x = _spot(centres[:, 0], sigma, count)
        spot_y, change_y = _spot(centres[:, 1], sigma, count)
        model = spot_y[:, :, None] * spot_x[:, None, :]
        weight = 1 / (np.float32(scene.variance) + own_noise * model)
        rows = np.matvec(weight, spot_x**2)
        known_flux = np.vecdot(rows, spot_y**2)
        known_y = np.vecdot(rows, change_y**2) * star_flux**2
        known_x = np.vecdot(np.matvec(weight, change_x**2), spot_y**2) * star_flux**2
        if step == steps:
            break
        left = (stamps - level[:, None, None] - flux[:, None, None] * model) * weight
        rows = np.matvec(left, spot_x)
        score_x = np.vecdot(np.matvec(left, change_x), spot_y) * star_flux
        score_y = np.vecdot(rows, change_y) * star_flux
        score_flux, score_level = np.vecdot(rows, spot_y), left.sum(axis=(1, 2))
        # light and background together; the centre is independent of both, by symmetry
        both, known_level = np.vecdot(np.matvec(weight, spot_x), spot_y), weight.sum(axis=(1, 2))
        determinant = np.maximum(known_flux * known_level - both**2, 1e-6 * known_flux * known_level)
        flux = flux + (known_level * score_flux - both * score_level) / determinant
        level = level + (known_flux * score_level - both * score_flux) / determinant
        change = np.stack([score_x / known_x, score_y / known_y], axis=1)
        centres = np.clip(centres + np.clip(change, -1, 1), 0, count - 1)
    return centres, flux, 1 / known_flux, (1 / known_x + 1 / known_y) / 2


def _window_centres(light, scene, star_flux, ratio, steps):
    """Windowed centres and light: from each star's usual place, and once more from the brightest spot where
    that fails.
    """
    start = np.tile(scene.place, (len(light) // len(scene.place), 1)).astype(np.float32)
    centres, flux = _window_steps(light, start, scene.sigma, ratio, steps)
    far = np.abs(centres - start).max(axis=1) > scene.sigma
    lost = np.flatnonzero(far | (flux < 0.6 * star_flux))
    if lost.size:
        anew = _brightest(light[lost], scene.sigma)
        centres[lost], flux[lost] = _window_steps(light[lost], anew, scene.sigma, ratio[lost], steps + 1)
    return centres, flux


def _measure_block(stamps, scene, method):
    """Centres in the cut-outs, light, its variance, the centre's variance, and whether it is a star at all."""
    frames = len(stamps) // len(scene.flux)
    star_flux, ratio = (np.tile(part, frames).astype(np.float32) for part in (scene.flux, scene.ratio))
    stamps -= _edge_level(stamps, scene.variance)[:, None, None]
    centres, flux = _window_centres(stamps, scene, star_flux, ratio, steps=3 if method == "window" else 2)
    place, box = np.tile(scene.place, (frames, 1)), stamps.shape[1]
    star = _is_star(centres, place, flux, scene, ratio, box)
    if method == "fit":
        return *_fit_steps(stamps, centres, flux, scene, star_flux), star
    centre_variance = _window_variance(scene.sigma, star_flux, scene.variance, scene.gain, ratio)
    flux_variance = _window_flux_variance(scene.sigma, flux, scene.variance, scene.gain, ratio, box)
    return centres, flux, flux_variance, centre_variance, star


@takes(
    frames=pictures(largest=None),
    positions=places(),
    box=odd(minimum=5, maximum=201),
    method=choice(METHODS),
    fwhm=optional(quantity(u.pix, minimum=0.5, maximum=134, ndim=0)),
    gain=quantity(u.electron / u.DN, minimum=1e-6, maximum=1e6, ndim=0),
    saturation=optional(number()),
)
def measure_stars(frames, positions, box, method="window", fwhm=None, gain=1 * u.electron / u.DN, saturation=None):
    """Centres, light and quality of N stars in n frames.

    Parameters
    ----------
    frames : array, shape (n, rows, columns)
        Plain numbers; a memory-mapped array is read in blocks.
    positions : array or Quantity [pix], shape (N, 2)
        About where each star stands, as (x, y); the middle of the first pixel is (0, 0). The brightest spot in the box
        is measured, wherever in it.
    box : int
        Side of the square of pixels round each star, an odd number of at least 5; about five times the stars' FWHM is
        good.
    method : {"window", "fit"}
        "window": centre of mass under a Gaussian window that moves along with the star, as wide as is best for its
        brightness. It assumes symmetry only and stays within a few per cent of the bound; on spots below 1.2 pixels
        FWHM it errs by more than 0.005 pixel with the place in the pixel. "fit": a Gaussian spot, integrated over each
        pixel, fitted with weights from its noise. The best there is if the spot is Gaussian, however small.
    fwhm : Quantity [pix], optional
        Width of the stars before pixels sample them; measured from the brighter ones if not given.
    gain : Quantity [electron / DN]
        Electrons per unit of the frames; it sets how much a star's own photon noise counts. A wrong value widens the
        scatter a little and shifts nothing.
    saturation : float, optional
        Pixels at or above this level spoil a star.

    Returns
    -------
    StarMeasurements
        A star is `measured` where all pixels of its box are finite and below saturation, its centre is more than a
        pixel inside the box, and it stands out of the noise by more than the search for the brightest spot explains:
        at most 1 of 1,000 boxes without a star passes. That takes about 4 times the noise near the usual place, and
        up to 5 far from it, more in a large box than in a small one.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Wrong shapes or numbers, a box that leaves the frame, or no star at all from which the width could be learnt.

    References
    ----------
    Window with fixed width and factor 2: Bertin & Arnouts 1996, A&AS 117, 393 (SExtractor, windowed positions); width
    and noise here from the product of Gaussians: with r = (spot / window)^2, variance = spot^2 (1 + r)^4 [1 / (N (1 + 2
    r)^2) + pi spot^2 b / (2 r^2 N^2)]; r = 1 without star noise is the last term of Thompson, Larson & Webb 2002, eq.
    17. Fit: Winick 1986, JOSA A 3, 1809; Mortensen et al. 2010, Nature Methods 7, 377 (weights from the model).
    """
    if fwhm is not None:
        if fwhm.value > box / 1.5:
            raise ValueError(f"fwhm: expected at most {box / 1.5:.3g} pix in a box of {box}, found {fwhm:.3g}")
        fwhm = fwhm.value.item()
    gain = gain.value.item()
    corners = _corners(positions, box, frames.shape[1:])
    n, stars = len(frames), len(positions)

    sample = np.unique(np.linspace(0, n - 1, min(n, max(20, _SAMPLE // stars))).astype(int))
    stamps, finite = _cut(np.stack([frames[number] for number in sample]), corners, box)
    scene = _learn_scene(stamps, stars, fwhm, gain, frames.dtype.kind in "iu")

    centres = np.empty((n * stars, 2))
    flux, flux_variance, centre_variance = np.empty((3, n * stars))
    good = np.empty(n * stars, bool)
    size = max(1, _BLOCK_PIXELS // (stars * box**2))
    for first in range(0, n, size):
        stamps, finite = _cut(frames[first : first + size], corners, box)
        here = slice(first * stars, first * stars + len(stamps))
        if saturation is not None:
            finite &= stamps.max(axis=(1, 2)) < saturation
        *found, star = _measure_block(stamps, scene, method)
        centres[here], flux[here], flux_variance[here], centre_variance[here] = found
        good[here] = finite & star
    ratio = flux / np.sqrt(flux_variance)
    good &= np.all((centres > 1) & (centres < box - 2), axis=1)
    centres = centres.reshape(n, stars, 2) + corners
    good = good.reshape(n, stars)
    return StarMeasurements(
        centroids=np.where(good[..., None], centres, positions) * u.pix,
        flux=flux.reshape(n, stars),
        signal_to_noise=ratio.reshape(n, stars),
        error=np.sqrt(centre_variance).reshape(n, stars) * u.pix,
        measured=good,
        fwhm=_spot_sigma(scene) * FWHM_PER_SIGMA * u.pix,
        background=float(scene.variance),
    )


def measure_centroids(frames, positions, box, **options):
    """Centres of N stars in n frames, all of which must be measurable.

    Parameters
    ----------
    frames : array, shape (n, rows, columns)
    positions : array or Quantity [pix], shape (N, 2)
        About where each star stands, as (x, y); the middle of the first pixel is (0, 0).
    box : int
        Side of the square of pixels round each star, an odd number.
    **options
        method, fwhm, gain, saturation of `measure_stars`.

    Returns
    -------
    Quantity [pix], shape (n, N, 2)
        x and y.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        As `measure_stars`, or a star could not be measured in some frame; the first is named. `measure_stars` goes on
        and tells which were.
    """
    found = measure_stars(frames, positions, box, **options)
    if not found.measured.all():
        frame, star = np.argwhere(~found.measured)[0]
        raise ValueError(
            f"frames: expected every star in every frame, found {np.count_nonzero(~found.measured)} not measured, "
            f"first "
            f"star {star} in frame {frame} (signal-to-noise ratio {found.signal_to_noise[frame, star]:.3g}); "
            "measure_stars leaves them out"
        )
    return found.centroids
