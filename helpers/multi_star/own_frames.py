"""A run of short guide frames: where its stars are, and their centres in each frame."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
import scipy  # loads its parts when they are used
from astropy.time import Time

from helpers.multi_star.centroids import measure_stars
from helpers.shared.checks import count, optional, places, quantity, takes
from helpers.shared.checks import frames as pictures
from helpers.shared.limits import PIXELS
from helpers.shared.pictures import positive_card, read_fits_image
from helpers.shared.series import robust_spread
from helpers.starlight.centroid_noise import centroid_error

BOX = 21  # pixels; side of the square round a star until its width is known
LEAST_FRAMES = 100
_LARGEST = 1e5  # arcsec per pixel, seconds, electrons per count: no header of a guide frame has more
_BOXES = (11, 61)  # smallest and largest side
_BOX_WIDTHS = 5  # side of the square in widths of a star
_WELL_KNOWN = 0.1  # centroid error, in widths of a star, up to which a star is followed: not a hot pixel's
_SEEN = 0.9  # of the frames, in which a star must be measured to be followed
_IN_ONE_PIXEL = 0.75  # of the light of 3 x 3 pixels; a still star of FWHM 1.2 pixels has at most 0.46
_SIGNIFICANT = 8.0  # noise of the mean frame by which a star's middle stands out of it


@dataclass(frozen=True, eq=False)
class GuideRun:
    """The stars of a run of guide frames, brightest first; made by `measure_run`.

    Attributes
    ----------
    centres : Quantity [arcsec], shape (n, N, 2)
        Of each star in each frame, x and y, against its mean. Frames in which one of the stars could not be measured
        are left out.
    places : Quantity [arcsec], shape (N, 2)
        Of the stars, against their middle.
    errors : Quantity [arcsec], shape (N,)
        The least error of measuring that the star's light and what lies behind it allow, one axis.
    time : Quantity [s], shape (n,)
    exposure : Quantity [s]
    fwhm : Quantity [arcsec]
    pixels : array, shape (N, 2)
        Places of the stars in the frames.
    frames : int
        In the run, with those left out.
    """

    centres: u.Quantity
    places: u.Quantity
    errors: u.Quantity
    time: u.Quantity
    exposure: u.Quantity
    fwhm: u.Quantity
    pixels: np.ndarray
    frames: int

    def __len__(self):
        return len(self.errors)


@takes(frames=pictures(), most=count(minimum=1, maximum=1000), box=count(minimum=5, maximum=201))
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
    mean = np.median(frames, axis=0) if len(frames) < 50 else frames.mean(axis=0)
    smooth = scipy.ndimage.gaussian_filter(mean.astype(float), 1.5)
    level = np.median(smooth)
    noise = robust_spread(smooth)
    peaks = (smooth == scipy.ndimage.maximum_filter(smooth, 2 * box + 1)) & (smooth > level + _SIGNIFICANT * noise)
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


def _fitting(places, box, shape):
    """Those of the places whose squares lie inside the frame."""
    corners = np.round(places).astype(int) - box // 2
    return places[np.all((corners >= 0) & (corners + box <= shape[::-1]), axis=1)]


def _followed(frames, places, gain):
    """Measurements of the stars that can be followed, brightest first, with their places."""
    found = measure_stars(frames, places, BOX, gain=gain)
    box = int(np.clip(2 * round(_BOX_WIDTHS * found.fwhm.value / 2) + 1, *_BOXES))
    well = np.median(found.error.value, axis=0) < _WELL_KNOWN * found.fwhm.value
    for _ in range(2):  # the width anew, without what only looked like a star
        places = _fitting(places[well], box, frames.shape[1:])
        if len(places) == 0:
            raise ValueError("frames: expected a star that can be measured in most frames, found none")
        found = measure_stars(frames, places, box, gain=gain)
        well = found.measured.mean(axis=0) >= _SEEN
    if well.sum() < 2:
        raise ValueError(
            f"frames: expected two stars that can be measured in at least {_SEEN:.0%} of the frames, found {well.sum()}"
        )
    order = np.flatnonzero(well)[np.argsort(-np.median(found.flux, axis=0)[well], kind="stable")]
    return found, order, places[order]


@takes(
    frames=pictures(largest=None),
    pixel_scale=quantity(u.arcsec / u.pix, minimum=1e-3, maximum=1e3, ndim=0),
    exposure=quantity(u.s, above=0, maximum=1e4, ndim=0),
    time=optional(quantity(u.s, minimum=-1e12, maximum=1e12, ndim=1)),
    gain=quantity(u.electron / u.DN, minimum=1e-6, maximum=1e6, ndim=0),
    places=optional(places()),
)
def measure_run(frames, pixel_scale, exposure, time=None, gain=1 * u.electron / u.DN, places=None):
    """Find the stars of a run of guide frames, and measure their centres in each.

    Parameters
    ----------
    frames : array, shape (n, rows, columns)
    pixel_scale : Quantity [arcsec / pix]
        Of a pixel of the frames.
    exposure : Quantity [time]
    time : Quantity [time], shape (n,), optional
        Of each frame, growing; one exposure after the other without a pause if not given.
    gain : Quantity [electron / DN]
    places : array, shape (N, 2), optional
        Of the stars, (x, y) in pixels; the brightest dozen is found if not given.

    Returns
    -------
    GuideRun

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Fewer than 100 frames, or fewer than two stars that can be followed.
    """
    scale = pixel_scale.value
    if len(frames) < LEAST_FRAMES:
        raise ValueError(f"frames: expected at least {LEAST_FRAMES}, found {len(frames)}")
    time = np.arange(len(frames)) * exposure if time is None else time
    if len(time) != len(frames) or np.any(np.diff(time.value) <= 0):
        raise ValueError(f"time: expected a growing time for each of {len(frames)} frames, found {len(time)} values")
    places = find_stars(frames) if places is None else places
    found, order, places = _followed(frames, places, gain)
    whole = found.measured[:, order].all(axis=1)
    if whole.sum() < LEAST_FRAMES:
        raise ValueError(
            f"frames: expected at least {LEAST_FRAMES} in which all {len(order)} stars can be measured, "
            f"found {whole.sum()}"
        )
    centres = found.centroids.value[whole][:, order] * scale
    middle = centres.mean(axis=0)
    electrons = np.maximum(np.median(found.flux[:, order], axis=0), 1) * gain.value * u.electron
    behind = found.background * gain.value**2 * u.electron / u.pix
    width = found.fwhm.value * scale * u.arcsec
    return GuideRun(
        centres=(centres - middle) * u.arcsec,
        places=(middle - middle.mean(axis=0)) * u.arcsec,
        errors=centroid_error(width, electrons, behind, scale * u.arcsec / u.pix, "maximum likelihood"),
        time=time[whole],
        exposure=exposure,
        fwhm=width,
        pixels=places,
        frames=len(frames),
    )


def read_guide_run(paths, pixel_scale=None, exposure=None, gain=None):
    """Read a run of guide frames and measure its stars.

    Parameters
    ----------
    paths : list of str or Path
        FITS: one cube (frames, rows, columns), or one file for each frame.
    pixel_scale : Quantity [arcsec / pix], optional
        Where the header has no PIXSCALE [arcsec].
    exposure : Quantity [time], optional
        Where the header has no EXPTIME [s].
    gain : Quantity [electron / DN], optional
        Where the header has no GAIN; 1 if not given.

    Returns
    -------
    GuideRun
        Files are put in order by DATE-OBS where each has one, else by name.

    Raises
    ------
    FileNotFoundError, ValueError
        No FITS, pictures of different size, no pixel scale or exposure, or too few frames or stars.
    """
    if not paths:
        raise ValueError("paths: expected at least one file, found none")
    read = [(path, *read_fits_image(path)) for path in sorted(map(str, paths))]
    shapes = {data.shape[-2:] for _, data, _ in read}
    if len(shapes) > 1:
        raise ValueError(f"frames: expected pictures of one size, found {' and '.join(map(str, sorted(shapes)))}")
    if sum(data.size for _, data, _ in read) > PIXELS:
        raise ValueError(f"frames: expected at most {PIXELS:,.0f} pixels in all, found more; take fewer frames")
    starts = [_start(header) for _, _, header in read]
    seconds = None
    if len(read) > 1 and None not in starts and all(data.ndim == 2 for _, data, _ in read):
        read = [read[k] for k in np.argsort(starts, kind="stable")]
        seconds = (np.sort(starts) - np.min(starts)) * 86400 * u.s
    frames = np.concatenate([data if data.ndim == 3 else data[None] for _, data, _ in read])
    name, header = read[0][0], read[0][2]
    scale = _of_header(name, header, "PIXSCALE", u.arcsec / u.pix, pixel_scale)
    time = _of_header(name, header, "EXPTIME", u.s, exposure)
    step = _of_header(name, header, "GAIN", u.electron / u.DN, 1 * u.electron / u.DN if gain is None else gain)
    return measure_run(frames, scale, time, seconds, step)


def _start(header):
    """Day and its part at which a frame began, as its header tells; None if it doesn't."""
    try:
        return float(Time(header["DATE-OBS"], format="isot", scale="utc").mjd)
    except (KeyError, ValueError, TypeError):
        return None


def _of_header(path, header, word, unit, otherwise):
    """A positive number of the header, or what is taken where it has none."""
    value = positive_card(path, header, word, most=_LARGEST)
    if value is not None:
        return value * unit
    if otherwise is None:
        raise ValueError(f"{path}: expected {word} in the header, found none; give it")
    return otherwise
