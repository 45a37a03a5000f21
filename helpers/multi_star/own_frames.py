"""A run of short guide frames: where its stars are, how far they move together, and how much apart."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from scipy import ndimage

from helpers.multi_star.centroids import measure_stars
from helpers.shared.checks import as_count, as_quantity
from helpers.shared.files import read_fits_image

BOX = 21  # pixels; side of the square round a star
LEAST_FRAMES = 5
_WELL_KNOWN = 0.1  # centroid error, in widths of a star, up to which a star is followed: not a hot pixel's
_IN_ONE_PIXEL = 0.75  # of the light of 3 x 3 pixels; a still star of FWHM 1.2 pixels has at most 0.46
_SIGNIFICANT = 8.0  # noise of the mean frame by which a star's middle stands out of it


@dataclass(frozen=True, eq=False)
class FramesFound:
    """What a run of guide frames tells; lengths in arcsec, rms of one axis.

    Attributes
    ----------
    frames : int
    places : array, shape (N, 2)
        Of the stars, (x, y) in pixels, brightest first.
    signal_to_noise : array, shape (N,)
    expected : Quantity, shape (N,)
        Centroid error to be expected from the light.
    moves : Quantity
        What one star moves: the brightest.
    apart : Quantity, shape (N,)
        What each moves against the brightest; that of the brightest itself is 0.
    fwhm : Quantity
        Width of the stars.
    measured : float
        Share of all centres that could be measured.
    """

    frames: int
    places: np.ndarray
    signal_to_noise: np.ndarray
    expected: u.Quantity
    moves: u.Quantity
    apart: u.Quantity
    fwhm: u.Quantity
    measured: float


def find_stars(frames, most=12, box=BOX):
    """The brightest stars of a run of frames.

    Parameters
    ----------
    frames : array, shape (n, rows, columns)
    most : int
    box : int
        Stars nearer to the edge or to a brighter star than this are left out.

    Returns
    -------
    array, shape (N, 2)
        Places (x, y) in pixels, brightest first.

    Raises
    ------
    ValueError, TypeError
        No star stands out.
    """
    frames = np.asarray(frames)
    if frames.ndim != 3 or frames.dtype.kind not in "iuf":
        raise ValueError(f"frames: expected numbers of shape (n, rows, columns), found shape {frames.shape}")
    most, box = as_count("most", most, minimum=1), as_count("box", box, minimum=5)
    mean = np.median(frames, axis=0) if len(frames) < 50 else frames.mean(axis=0)
    if not np.isfinite(mean).all():
        raise ValueError("frames: expected finite numbers, found some that are not")
    smooth = ndimage.gaussian_filter(mean.astype(float), 1.5)
    level = np.median(smooth)
    noise = 1.4826 * np.median(np.abs(smooth - level))
    peaks = (smooth == ndimage.maximum_filter(smooth, 2 * box + 1)) & (smooth > level + _SIGNIFICANT * noise)
    edge = box // 2 + 1
    peaks[:edge] = peaks[-edge:] = peaks[:, :edge] = peaks[:, -edge:] = False
    rows, columns = np.nonzero(peaks)
    wide = ~_hot_pixels(mean - np.median(mean), rows, columns)
    rows, columns = rows[wide], columns[wide]
    if rows.size == 0:
        raise ValueError("frames: expected a star that stands out of the noise, found none")
    order = np.argsort(-smooth[rows, columns], kind="stable")[:most]
    return np.column_stack([columns[order], rows[order]]).astype(float)


def _hot_pixels(mean, rows, columns):
    """Where one pixel holds nearly all light of its neighbourhood, as no star does; truth values."""
    around = np.stack([mean[rows + i, columns + k] for i in (-1, 0, 1) for k in (-1, 0, 1)])
    return around.max(axis=0) > _IN_ONE_PIXEL * around.sum(axis=0)


def measure_frames(frames, pixel_scale, gain=1 * u.electron / u.DN, box=BOX):
    """Find and measure the stars of a run of guide frames.

    Parameters
    ----------
    frames : array, shape (n, rows, columns)
    pixel_scale : Quantity [arcsec / pix]
        Of a pixel of the frames.
    gain : Quantity [electron / DN]
    box : int

    Returns
    -------
    FramesFound

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    scale = as_quantity("pixel_scale", pixel_scale, u.arcsec / u.pix, minimum=1e-3, maximum=1e3, ndim=0)
    places = find_stars(frames, box=box)
    if len(frames) < LEAST_FRAMES:
        raise ValueError(f"frames: expected at least {LEAST_FRAMES}, found {len(frames)}")
    found = measure_stars(frames, places, box, gain=gain)
    well = np.median(found.error.value, axis=0) < _WELL_KNOWN * found.fwhm.value
    places = places[well & (found.measured.mean(axis=0) > 0.5)]
    if len(places) == 0:
        raise ValueError("frames: expected a star that can be measured in most frames, found none")
    found = measure_stars(frames, places, box, gain=gain)  # the width anew, without what only looks like a star
    steady = found.measured.mean(axis=0) > 0.5
    # the brightest of those that can be followed is the one that others are held against
    order = np.flatnonzero(steady)[np.argsort(-np.median(found.signal_to_noise, axis=0)[steady], kind="stable")]
    centres = np.where(found.measured[..., None], found.centroids.value, np.nan)[:, order] * scale.value
    apart = np.nanstd(centres - centres[:, :1], axis=0, ddof=1)
    return FramesFound(
        frames=len(frames),
        places=places[order],
        signal_to_noise=np.median(found.signal_to_noise[:, order], axis=0),
        expected=np.median(found.error.value[:, order], axis=0) * scale.value * u.arcsec,
        moves=np.sqrt(np.mean(np.nanstd(centres[:, 0], axis=0, ddof=1) ** 2)) * u.arcsec,
        apart=np.sqrt(np.mean(apart**2, axis=1)) * u.arcsec,
        fwhm=found.fwhm.value * scale.value * u.arcsec,
        measured=float(found.measured[:, order].mean()),
    )


def read_guide_frames(path, pixel_scale=None):
    """Read a FITS cube of guide frames and measure its stars.

    Parameters
    ----------
    path : str or Path
        Frames, rows, columns. Header words PIXSCALE [arcsec] and GAIN [electron / DN] are used where they stand.
    pixel_scale : Quantity [arcsec / pix], optional
        Where the header has none.

    Returns
    -------
    FramesFound

    Raises
    ------
    FileNotFoundError, ValueError
        No FITS, no cube, no pixel scale, or no stars in it.
    """
    frames, header = read_fits_image(path)
    if frames.ndim != 3:
        raise ValueError(f"{path}: expected a cube of frames, found a picture of {frames.ndim} dimensions")
    scale = header.get("PIXSCALE")
    scale = pixel_scale if scale is None else float(scale) * u.arcsec / u.pix
    if scale is None:
        raise ValueError(f"{path}: expected PIXSCALE in the header, found none; give the pixel scale")
    gain = float(header.get("GAIN", 1)) * u.electron / u.DN
    return measure_frames(frames, scale, gain)
