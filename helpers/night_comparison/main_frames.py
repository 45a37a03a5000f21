"""What only the main frames can say: width and elongation of the stars in them, put beside the guide log of the same
minutes.
"""

import warnings
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.table import Table
from astropy.time import Time
from scipy import special

from helpers.shared import files as tables
from helpers.shared.checks import as_quantity, count, number, optional, quantity, takes
from helpers.shared.limits import PIXELS_OF_A_PICTURE
from helpers.shared.optics import FWHM_PER_SIGMA
from helpers.shared.pictures import positive_card, read_fits_image
from helpers.shared.series import robust_spread, squared_total

_LONGEST_EXPOSURE = 86_400.0  # seconds


_BRIGHTEST = 1e12


def _as_picture(name, value):
    """A picture of one plane as floats; a rule for `takes`."""
    try:
        image = np.asarray(value)
    except ValueError as error:  # rows of different lengths
        raise ValueError(f"{name}: expected a picture, found {value!r:.60}") from error
    if image.ndim != 2 or image.dtype.kind not in "iuf" or min(image.shape) < 16 or image.size > PIXELS_OF_A_PICTURE:
        raise ValueError(
            f"{name}: expected a picture of at least 16 x 16 and at most {PIXELS_OF_A_PICTURE:,} pixels, found shape "
            f"{image.shape} of {image.dtype}"
        )
    image = image.astype(float)
    wrong = ~(np.abs(image) <= _BRIGHTEST)
    if wrong.any():
        raise ValueError(
            f"{name}: expected finite pixels up to {_BRIGHTEST:g}, found {np.count_nonzero(wrong)} that are not"
        )
    return image


@takes(
    image=_as_picture,
    fwhm_guess=number(above=0.5, maximum=100),
    saturation=optional(number()),
    most=count(minimum=1, maximum=1000),
)
def star_shapes(image, fwhm_guess=4.0, saturation=None, most=40):
    """Widths of the brightest stars of a picture, by a fit of an elliptical Gaussian to each.

    Parameters
    ----------
    image : array, shape (rows, columns)
        One colour plane, or a monochrome picture.
    fwhm_guess : float
        Rough width [pixels], for finding stars.
    saturation : float, optional
        Stars with a pixel at or above this level are left out; 0.98 of the highest level in the picture if not given.
    most : int
        Stars that are fitted at the most, brightest first.

    Returns
    -------
    Table
        x, y, fwhm (geometric mean of both axes), elongation (long over short axis, at least 1), angle [deg from x to
        y].

    Raises
    ------
    ValueError
        No picture of two dimensions, or no star in it that can be measured.

    References
    ----------
    Stars are found by photutils (DAOFIND, Stetson 1987) and fitted by astropy.modeling.
    """
    from astropy.modeling.fitting import TRFLSQFitter
    from astropy.modeling.models import Const2D, Gaussian2D
    from astropy.stats import sigma_clipped_stats
    from photutils.detection import DAOStarFinder

    guess = fwhm_guess
    saturation = 0.98 * image.max() if saturation is None else saturation
    _, sky, noise = sigma_clipped_stats(image, sigma=3.0, maxiters=5)
    if noise <= 0:
        raise ValueError("image: expected a picture with noise, found the same level nearly everywhere")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # "no sources": said below in the reader's words
        found = DAOStarFinder(threshold=8 * noise, fwhm=guess, exclude_border=True)(image - sky)
    half = int(np.ceil(2.5 * guess))
    shapes = []
    if found is not None:
        found.sort(["flux", "x_centroid", "y_centroid"], reverse=True)  # stars of one light have an order too
        places = np.column_stack([found["x_centroid"], found["y_centroid"]])
        grid_y, grid_x = np.mgrid[-half : half + 1, -half : half + 1]
        fit = TRFLSQFitter()
        for place in places:
            x, y = np.round(place).astype(int)
            neighbours = np.hypot(*(places - place).T)
            if np.sum(neighbours < 2 * half) > 1:
                continue  # a blend would pass for a long star
            stamp = image[max(y - half, 0) : y + half + 1, max(x - half, 0) : x + half + 1]
            if stamp.shape != grid_x.shape or stamp.max() >= saturation:
                continue
            start = Gaussian2D(stamp.max() - sky, 0, 0, guess / FWHM_PER_SIGMA, guess / FWHM_PER_SIGMA, 0.1) + Const2D(
                sky
            )
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # a fit that does not settle is dropped below
                best = fit(start, grid_x, grid_y, stamp, maxiter=200)
            widths = np.abs([best.x_stddev_0.value, best.y_stddev_0.value]) * FWHM_PER_SIGMA
            if not np.all((widths > 0.5) & (widths < 2 * half)) or best.amplitude_0.value < 5 * noise:
                continue
            angle = np.degrees(best.theta_0.value) + (90 if widths[1] > widths[0] else 0)
            shapes.append(
                (
                    x + best.x_mean_0.value,
                    y + best.y_mean_0.value,
                    np.sqrt(widths.prod()),
                    widths.max() / widths.min(),
                    (angle + 90) % 180 - 90,
                )
            )
            if len(shapes) == most:
                break
    if not shapes:
        raise ValueError(
            f"image: expected at least one single star about as wide as fwhm_guess, {guess:g} pixels, and fainter than "
            f"the saturation of {saturation:g}, found none"
        )
    return Table(np.array(shapes), names=["x", "y", "fwhm", "elongation", "angle"])


def _start_of(path, header):
    """The start of an exposure, from a header that may hold anything."""
    found = None
    try:
        found = header["DATE-OBS"]
        if isinstance(found, str):
            return Time(found, format="isot" if "T" in found else "iso", scale="utc")
    except Exception:  # noqa: BLE001, S110  what astropy raises depends on the damage; it is told below
        pass
    found = "nothing" if found is None else repr(found)[:40]
    raise tables.TableError(f"{path.name}: expected a date such as 2026-11-07T21:30:00 as DATE-OBS, found {found}")


def _as_paths(name, paths):
    """A list of paths, from one or several; a rule for `takes`."""
    listed = [paths] if isinstance(paths, (str, Path)) else list(paths) if np.iterable(paths) else [None]
    if not all(isinstance(path, (str, Path)) for path in listed):
        raise TypeError(f"{name}: expected paths of files, found {paths!r:.60}")
    if not listed:
        raise ValueError(f"{name}: expected at least one file, found none")
    return [Path(path) for path in listed]


@takes(paths=_as_paths, scale=optional(quantity(u.arcsec / u.pix, above=0, maximum=1e4, ndim=0)))
def frame_shapes(paths, scale=None, **keywords):
    """Median width and elongation of the stars in each of several main frames.

    Parameters
    ----------
    paths : list of str or Path
        FITS files with DATE-OBS (start, UTC; FITS standard 4.0, section 4.4.2) and EXPTIME [s] (common practice).
    scale : Quantity, optional
        Arcsec per pixel of the main camera; the widths stay in pixels without it.
    **keywords
        Passed to `star_shapes`.

    Returns
    -------
    Table
        file, start (Time), exposure [s], stars, fwhm [arcsec or pix], fwhm_error (standard error of the median),
        elongation.

    Raises
    ------
    ValueError, helpers.shared.files.TableError
        Naming the file.
    """
    size, unit = (1.0, u.pix) if scale is None else (scale.value, u.arcsec)
    rows = []
    for path in paths:
        image, header = read_fits_image(path)
        if image.ndim != 2:
            raise tables.TableError(f"{path.name}: expected one picture, found shape {image.shape}")
        start = _start_of(path, header)
        exposure = positive_card(path, header, "EXPTIME", most=_LONGEST_EXPOSURE)
        if exposure is None:
            raise tables.TableError(f"{path.name}: expected EXPTIME in the header, found none")
        try:
            shapes = star_shapes(image, **keywords)
        except ValueError as error:
            raise ValueError(f"{path.name}: {error}") from error
        error = 1.2533 * robust_spread(shapes["fwhm"]) / np.sqrt(len(shapes))  # of a median of normal values
        rows.append(
            (
                path.name,
                start.isot,
                exposure,
                len(shapes),
                size * np.median(shapes["fwhm"]),
                size * error,
                np.median(shapes["elongation"]),
            )
        )
    names = ["file", "start", "exposure", "stars", "fwhm", "fwhm_error", "elongation"]
    table = Table(rows=rows, names=names)
    table["start"] = Time(table["start"], scale="utc")
    table["exposure"].unit, table["fwhm"].unit, table["fwhm_error"].unit = u.s, unit, unit
    return table


def _holds(*columns):
    """The rule for a table with these columns."""

    def checked(name, value):
        if not isinstance(value, Table) or not set(columns) <= set(value.colnames):
            raise ValueError(f"{name}: expected a table with {', '.join(columns)}, found {type(value).__name__}")
        return value

    return checked


@takes(frames=_holds("start", "exposure"), log=_holds("time", "ra_error", "dec_error", "camera"))
def pair_with_log(frames, log):
    """Put the guide log's numbers beside each main frame.

    Parameters
    ----------
    frames : Table
        From `frame_shapes`.
    log : Table
        From `helpers.night_comparison.log.load_log`, with a known first instant.

    Returns
    -------
    Table
        The frames' columns and camera, guide_rms [arcsec, total], guide_rows; frames with fewer than 5 rows of log are
        left out.

    Raises
    ------
    ValueError
        The log only counts seconds, or no frame lies within it.
    """
    if not log.meta.get("start"):
        raise ValueError("log: expected dates, so that frames can be found in it, found only seconds")
    try:
        begin = (frames["start"] - Time(log.meta["start"])).to_value(u.s)
        lengths = np.asarray(frames["exposure"], float)
        time = np.asarray(log["time"], float)
        errors = np.column_stack([log["ra_error"], log["dec_error"]]).astype(float)
    except (TypeError, ValueError, AttributeError) as error:
        raise ValueError(f"frames, log: expected dates, and numbers for exposures and errors: {error}") from error
    kept, cameras, rms, counts = [], [], [], []
    for index, (first, length) in enumerate(zip(begin, lengths, strict=True)):
        inside = (time >= first) & (time < first + length) & np.isfinite(errors).all(axis=1)
        if inside.sum() < 5:
            continue
        names = {str(name) for name in log["camera"][inside]}
        kept.append(index)
        cameras.append(names.pop() if len(names) == 1 else "several")
        rms.append(np.sqrt(squared_total(errors[inside]).mean()))
        counts.append(int(inside.sum()))
    if not kept:
        raise ValueError("frames: expected at least one frame within the time of the log, found none")
    paired = frames[kept]
    paired["camera"], paired["guide_rows"] = cameras, counts
    paired["guide_rms"] = rms * u.arcsec
    return paired


@dataclass(frozen=True)
class Widths:
    """Widths of stars in two groups of frames.

    Attributes
    ----------
    difference : Quantity [arcsec]
        Mean width of the second group less that of the first.
    interval : tuple of Quantity
        Its 95 % interval.
    """

    difference: u.Quantity
    interval: tuple


def _as_widths(name, value):
    """Widths of stars in two frames or more; a rule for `takes`."""
    widths = as_quantity(name, value, u.arcsec, above=0, maximum=3600, ndim=1, most_values=1_000_000)
    if widths.size < 2:
        raise ValueError(f"{name}: expected at least two frames, found {widths.size}")
    return widths


@takes(widths_a=_as_widths, widths_b=_as_widths)
def compare_widths(widths_a, widths_b):
    """Compare the star widths of frames taken with two cameras.

    Frames of one camera differ by the sky between them, so their own scatter sets the interval; frames of turns A B A
    B share the sky.

    Parameters
    ----------
    widths_a, widths_b : Quantity [angle], shape (n,), (m,)
        One width a frame, at least two frames each.

    Returns
    -------
    Widths

    Raises
    ------
    ValueError
        Fewer than two frames in a group, or widths that are not above 0.

    References
    ----------
    Welch 1947, Biometrika 34, 28.
    """
    groups = (widths_a.value, widths_b.value)
    difference = groups[1].mean() - groups[0].mean()
    variances = np.array([values.var(ddof=1) / values.size for values in groups])
    freedom = variances.sum() ** 2 / max((variances**2 / [values.size - 1 for values in groups]).sum(), 1e-300)
    half = special.stdtrit(max(freedom, 1), 0.975) * np.sqrt(variances.sum())
    return Widths(difference * u.arcsec, ((difference - half) * u.arcsec, (difference + half) * u.arcsec))
