"""What a pixel sees of the sky, how a star falls on pixels, and how finely its place can be read off them.

Stars here are Gaussian. Real ones have wider wings, which matters little for the places and widths asked about here.
"""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from scipy import optimize, special

from helpers.rig.parts import Rig
from helpers.rig.values import changed
from helpers.shared import optics, sky
from helpers.shared.checks import as_count, as_instance, as_number, as_quantity, number, optional, quantity, takes
from helpers.shared.optics import FWHM_PER_SIGMA

# A square pixel of side a spreads light by a variance of a^2 / 12 along each axis.
_PIXEL_SIGMA = 1 / np.sqrt(12)


def _broadcast(**arrays):
    """Arrays of one shape; ValueError that names the arguments when their shapes do not fit together."""
    try:
        return np.broadcast_arrays(*arrays.values())
    except ValueError as error:
        found = ", ".join(f"{name} {np.shape(array)}" for name, array in arrays.items())
        raise ValueError(f"{', '.join(arrays)}: expected shapes that fit together, found {found}") from error


def _lengths_mm(pixel_size, focal_length, ndim=None):
    pixel_size = as_quantity("pixel_size", pixel_size, u.mm, above=0, maximum=1e3, ndim=ndim).value
    focal_length = as_quantity("focal_length", focal_length, u.mm, minimum=1e-3, maximum=1e9, ndim=ndim).value
    return _broadcast(pixel_size=pixel_size, focal_length=focal_length)


def pixel_scale(pixel_size, focal_length, binning=1):
    """Angle on the sky that one pixel sees, at the optical axis.

    Parameters
    ----------
    pixel_size : Quantity [length]
        Side of one pixel of the sensor.
    focal_length : Quantity [length]
    binning : int
        Pixels along one side that are read as one.

    Returns
    -------
    Quantity [arcsec / pix]
        binning x atan(pixel size / focal length), which for small pixels is 206.265 x um / mm; lengths broadcast.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is not positive and finite, or a physical type is wrong.

    References
    ----------
    Schroeder, Astronomical Optics, 2nd ed., chapter 2: the image of a far point lies at focal length x tan(angle).
    """
    pixel_mm, focal_mm = _lengths_mm(pixel_size, focal_length)
    binning = as_count("binning", binning, minimum=1, maximum=1000)
    return binning * (np.arctan(pixel_mm / focal_mm) * u.rad).to(u.arcsec) / u.pix


def field_of_view(shape, pixel_size, focal_length):
    """Angles on the sky that a sensor sees along its two sides.

    Parameters
    ----------
    shape : (int, int)
        Columns and rows of pixels.
    pixel_size, focal_length : Quantity [length]

    Returns
    -------
    Quantity [arcmin], shape (2,)
        Width and height: 2 atan(n x pixel size / (2 focal length)).

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        As `pixel_scale`, or `shape` is no pair of whole numbers of at least 1.
    """
    pixel_mm, focal_mm = _lengths_mm(pixel_size, focal_length, ndim=0)
    sides = pixel_mm * np.array(_checked_shape(shape))
    return (2 * np.arctan(sides / (2 * focal_mm)) * u.rad).to(u.arcmin)


def _checked_shape(shape, maximum=1_000_000):
    try:
        columns, rows = shape
    except (TypeError, ValueError) as error:
        raise TypeError(f"shape: expected (columns, rows), found {shape!r:.60}") from error
    return as_count("shape", columns, minimum=1, maximum=maximum), as_count("shape", rows, minimum=1, maximum=maximum)


@takes(
    "seeing aperture wavelength outer_scale obstruction",
    seeing=quantity(u.rad, above=0, maximum=0.02),
    aperture=quantity(u.m, minimum=1e-6, maximum=1e3),
    wavelength=quantity(u.m, minimum=1e-7, maximum=1e-4),
    outer_scale=optional(quantity(u.m, above=0)),
    obstruction=number(minimum=0, maximum=0.95, ndim=None),
)
def spot_width(seeing, aperture, wavelength=550 * u.nm, outer_scale=None, obstruction=0):
    """Width of a star where it meets the sensor: what the air and the opening of the telescope make of it.

    Parameters
    ----------
    seeing : Quantity [angle]
        Width that the air alone gives at 500 nm (FWHM), without an outer scale.
    aperture : Quantity [length]
        Diameter.
    wavelength : Quantity [length]
    outer_scale : Quantity [length], optional
        Size of the largest eddies; without limit if not given.
    obstruction : float
        Central obstruction, as a share of the diameter, 0 to 0.95.

    Returns
    -------
    Quantity [arcsec]
        FWHM.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    As `shared.optics`.
    """
    r0 = optics.fried_parameter_m(seeing.value, wavelength.value)
    largest = np.inf if outer_scale is None else outer_scale.value
    star = optics.LongExposure(r0, largest, aperture.value, wavelength.value, obstruction)
    return (star.fwhm_rad * u.rad).to(u.arcsec)


def blurred_fwhm(fwhm, motion, pixel_scale=0 * u.arcsec / u.pix):
    """Width of a star in a picture during which it moved, on pixels of some size.

    Parameters
    ----------
    fwhm : Quantity [angle]
        Width of the star at rest.
    motion : Quantity [angle]
        One-axis rms of its movement.
    pixel_scale : Quantity [arcsec / pix]
        0 for pixels too small to matter.

    Returns
    -------
    Quantity [arcsec]
        Root of fwhm^2 + 2.3548^2 (motion^2 + pixel^2 / 12). Exact for a Gaussian star and motion, in the mean over
        where the star falls on the pixels. A star of long-exposure seeing has a sharper core, which motion widens more:
        by up to 3.5 per cent of the result.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    fwhm = as_quantity("fwhm", fwhm, u.arcsec, minimum=1e-6, maximum=1e6).value
    motion = as_quantity("motion", motion, u.arcsec, minimum=0, maximum=1e6).value
    pixel = as_quantity("pixel_scale", pixel_scale, u.arcsec / u.pix, minimum=0, maximum=1e6).value
    fwhm, motion, pixel = _broadcast(fwhm=fwhm, motion=motion, pixel_scale=pixel)
    return np.sqrt(fwhm**2 + FWHM_PER_SIGMA**2 * (motion**2 + (_PIXEL_SIGMA * pixel) ** 2)) * u.arcsec


def allowed_motion(fwhm, widening):
    """Movement that widens a star by a given share; the reverse of `blurred_fwhm`.

    Parameters
    ----------
    fwhm : Quantity [angle]
        Width of the star in a picture without the movement.
    widening : float or array
        Share of `fwhm`: 0.05 for a star that grows by 5 per cent.

    Returns
    -------
    Quantity [arcsec]
        One-axis rms.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    fwhm = as_quantity("fwhm", fwhm, u.arcsec, minimum=1e-6, maximum=1e6).value
    widening = as_number("widening", widening, minimum=0, maximum=1e6, ndim=None)
    fwhm, widening = _broadcast(fwhm=fwhm, widening=widening)
    return fwhm * np.sqrt(widening * (2 + widening)) / FWHM_PER_SIGMA * u.arcsec


def star_image(centre, fwhm, shape, electrons=1 * u.electron):
    """Light of a star in each pixel, without noise: a Gaussian spot summed up over every pixel's square.

    Parameters
    ----------
    centre : Quantity [pix], shape (2,) or (n, 2)
        x (column) and y (row) of the spot's middle; the middle of the first pixel is (0, 0).
    fwhm : Quantity [pix]
        Width of the spot before the pixels sum it up, at least 0.01 pix.
    shape : (int, int)
        Columns and rows, at most 2000 each.
    electrons : Quantity [electron]
        Light of the whole star.

    Returns
    -------
    Quantity [electron], shape (rows, columns) or (n, rows, columns)

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    centre = as_quantity("centre", centre, u.pix, minimum=-1e6, maximum=1e6).value
    if centre.ndim not in (1, 2) or centre.shape[-1] != 2:
        raise ValueError(f"centre: expected shape (2,) or (n, 2), found {centre.shape}")
    sigma = as_quantity("fwhm", fwhm, u.pix, minimum=0.01, maximum=1e4, ndim=0).value / FWHM_PER_SIGMA
    electrons = as_quantity("electrons", electrons, u.electron, minimum=0, maximum=1e15, ndim=0)
    columns, rows = _checked_shape(shape, maximum=2000)
    along_x = _share_in_pixels(centre[..., 0], sigma, columns)
    along_y = _share_in_pixels(centre[..., 1], sigma, rows)
    return electrons * along_y[..., :, np.newaxis] * along_x[..., np.newaxis, :]


def _share_in_pixels(centre, sigma, count):
    """Share of a Gaussian line of light between the edges of each of `count` pixels; last axis."""
    edges = np.arange(count + 1) - 0.5
    return np.diff(special.ndtr((edges - np.asarray(centre)[..., np.newaxis]) / sigma), axis=-1)


def centroid(image, box=None):
    """Middle of the light: the mean of the pixels' places, each counted with its light.

    Parameters
    ----------
    image : ndarray or Quantity, shape (rows, columns) or (n, rows, columns)
        Light of one star, with the background already taken off.
    box : int, optional
        Side, an odd number, of the square of pixels round the brightest one that is used; the whole image if not given.

    Returns
    -------
    Quantity [pix], shape (2,) or (n, 2)
        x (column) and y (row); the middle of the first pixel is (0, 0).

    Raises
    ------
    ValueError, TypeError
        An image that is no array of finite numbers or holds no light in the box, or an even box.
    """
    if isinstance(image, u.Quantity):
        image = image.value
    image = as_number("image", image, ndim=None)
    if np.ndim(image) not in (2, 3):
        raise ValueError(f"image: expected shape (rows, columns) or (n, rows, columns), found {np.shape(image)}")
    images = image.reshape((-1, *image.shape[-2:]))
    if np.abs(images).max() > 1e100:
        raise ValueError(f"image: expected light below 1e100, found {np.abs(images).max():g}")
    if box is not None:
        images, corner = _cut_out(images, as_count("box", box, minimum=1, maximum=999))
    else:
        corner = np.zeros((len(images), 2))
    light = images.sum(axis=(1, 2))
    if np.any(light <= 0):
        raise ValueError(f"image: expected light above 0 in the box, found a sum of {light.min():g}")
    x = images.sum(axis=1) @ np.arange(images.shape[2]) / light
    y = images.sum(axis=2) @ np.arange(images.shape[1]) / light
    return (corner + np.stack([x, y], axis=-1)).reshape((*image.shape[:-2], 2)) * u.pix


def _cut_out(images, box):
    """A square of pixels round the brightest one of each image, zero beyond the edges, and its first pixel (x, y)."""
    if box % 2 == 0:
        raise ValueError(f"box: expected an odd number of pixels, found {box}")
    half = box // 2
    n, _, columns = images.shape
    row, column = np.divmod(images.reshape(n, -1).argmax(axis=1), columns)
    padded = np.pad(images, ((0, 0), (half, half), (half, half)))
    steps = np.arange(box)
    cut = padded[np.arange(n)[:, None, None], (row[:, None] + steps)[:, :, None], (column[:, None] + steps)[:, None, :]]
    return cut, np.stack([column - half, row - half], axis=-1)


def phase_error(fwhm, phase, box=None):
    """Error of the centroid that comes from where in a pixel the star falls, with no noise at all.

    Parameters
    ----------
    fwhm : Quantity [pix]
        Width of the star's spot, 0.01 to 50 pix.
    phase : Quantity [pix], scalar or shape (n,)
        Distance of the star's middle from the middle of a pixel, along x; it lies in the middle along y.
    box : int, optional
        As in `centroid`; wide enough to hold all light if not given.

    Returns
    -------
    Quantity [pix]
        Measured less true x, same shape as `phase`.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    fwhm = as_quantity("fwhm", fwhm, u.pix, minimum=0.01, maximum=50, ndim=0)
    phase = as_quantity("phase", phase, u.pix, minimum=-1, maximum=1)
    if phase.ndim > 1:
        raise ValueError(f"phase: expected a scalar or shape (n,), found {phase.shape}")
    half = int(4 * fwhm.value) + 3
    centre = half + np.stack([phase.value, np.zeros(phase.shape)], axis=-1)
    measured = centroid(star_image(centre * u.pix, fwhm, (2 * half + 1, 2 * half + 1)), box)
    return measured[..., 0] - centre[..., 0] * u.pix


def centroid_limit(fwhm, electrons, pixel_scale):
    """Error of a star's measured middle when nothing disturbs but the star's own light coming in single electrons.

    Parameters
    ----------
    fwhm : Quantity [angle]
        Width of the star's spot before the pixels sum it up.
    electrons : Quantity [electron]
        Light of the whole star.
    pixel_scale : Quantity [arcsec / pix]

    Returns
    -------
    Quantity [arcsec]
        One-axis rms: root of (sigma^2 + pixel^2 / 12) / electrons. Sky and read noise make it worse.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Thompson, Larson & Webb 2002, Biophys. J. 82, 2775, eq. 17, without background.
    """
    fwhm = as_quantity("fwhm", fwhm, u.arcsec, minimum=1e-6, maximum=1e6).value
    electrons = as_quantity("electrons", electrons, u.electron, minimum=1e-6, maximum=1e15).value
    pixel = as_quantity("pixel_scale", pixel_scale, u.arcsec / u.pix, minimum=0, maximum=1e6).value
    fwhm, electrons, pixel = _broadcast(fwhm=fwhm, electrons=electrons, pixel_scale=pixel)
    return np.sqrt(((fwhm / FWHM_PER_SIGMA) ** 2 + (_PIXEL_SIGMA * pixel) ** 2) / electrons) * u.arcsec


def inside_pixel_error(fwhm, pixel_scale):
    """Error of the centroid that coarse pixels make and no light cures, over all places of a star inside a pixel.

    Parameters
    ----------
    fwhm : Quantity [angle]
        Width of the star's spot before the pixels sum it up.
    pixel_scale : Quantity [arcsec / pix]

    Returns
    -------
    Quantity [arcsec]
        One-axis rms of `phase_error` for a wide box, all places equally likely: pixel times the root of the sum over
        k = 1, 2, ... of exp(-(2 pi k sigma / pixel)^2) / (2 pi^2 k^2), sigma = FWHM / 2.3548.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Fourier series of the centre of mass of a sampled spot: Alexander & Ng 1991, Optical Engineering 30, 1320.
    """
    fwhm = as_quantity("fwhm", fwhm, u.arcsec, minimum=1e-6, maximum=1e6).value
    pixel = as_quantity("pixel_scale", pixel_scale, u.arcsec / u.pix, above=0, maximum=1e6).value
    fwhm, pixel = _broadcast(fwhm=fwhm, pixel_scale=pixel)
    waves = np.arange(1, 201)
    exponents = (2 * np.pi * waves * (fwhm / pixel / FWHM_PER_SIGMA)[..., np.newaxis]) ** 2
    squares = np.exp(-exponents) / (2 * np.pi**2 * waves**2)
    return pixel * np.sqrt(squares.sum(axis=-1)) * u.arcsec


def simulated_centroids(fwhm, electrons, pixel_scale, phase, count, rng):
    """Centroids of one star in many pictures, without sky and read noise.

    Parameters
    ----------
    fwhm : Quantity [angle]
        Width of the star's spot before the pixels sum it up.
    electrons : Quantity [electron]
        Mean light of the whole star, at least 1.
    pixel_scale : Quantity [arcsec / pix]
    phase : Quantity [pix]
        Place of the star, along both axes, from the middle of a pixel.
    count : int
        Pictures.
    rng : numpy.random.Generator

    Returns
    -------
    Quantity [arcsec], shape (count, 2)
        Measured less true place. The two axes are drawn apart: the sums over columns and over rows of a star's
        electrons tell nothing of each other but their number.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    as_instance("rng", rng, np.random.Generator)
    scale = as_quantity("pixel_scale", pixel_scale, u.arcsec / u.pix, above=0, maximum=1e6, ndim=0)
    wide = as_quantity("fwhm", fwhm, u.arcsec, minimum=1e-6, maximum=1e6, ndim=0).value / scale.value
    light = as_quantity("electrons", electrons, u.electron, minimum=1, maximum=1e12, ndim=0).value
    place = as_quantity("phase", phase, u.pix, minimum=-1, maximum=1, ndim=0).value
    count = as_count("count", count, minimum=1, maximum=100_000)
    if wide > 200:
        raise ValueError(f"fwhm: expected at most 200 pixels, found {wide:.0f}")
    half = int(3 * wide) + 3
    share = _share_in_pixels(place + half, wide / FWHM_PER_SIGMA, 2 * half + 1)
    landed = rng.poisson(light * share, (count, 2, share.size))
    summed = np.maximum(landed.sum(axis=-1), 1)  # a picture without light tells the middle of the box
    return (((landed @ np.arange(-half, half + 1)) / summed - place) * u.pix * scale).to(u.arcsec)


def seeing_from_picture(rig, fwhm, altitude):
    """Seeing overhead, as a rig's site wants it, from the width of stars in a short picture of the main camera.

    Parameters
    ----------
    rig : Rig
        Its telescope, main camera and outer scale are taken off.
    fwhm : Quantity [angle]
        Width of stars in the picture.
    altitude : Quantity [angle]
        Height of the stars above the horizon, at least 10 deg.

    Returns
    -------
    Quantity [arcsec]
        Too large by what focus, optics and tracking add.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also when no seeing of 0.1 to 20 arcsec makes such a star.
    """
    from helpers.starlight.widths import picture_star_fwhm

    as_instance("rig", rig, Rig)
    wanted = as_quantity("fwhm", fwhm, u.arcsec, above=0, maximum=1000, ndim=0).value
    altitude = as_quantity("altitude", altitude, u.deg, minimum=10, maximum=90, ndim=0)
    airmass = sky.airmass(altitude)
    scale = pixel_scale(rig.main_camera.pixel_size, rig.telescope.focal_length, rig.main_camera.binning)

    def excess(seeing):
        star = picture_star_fwhm(changed(rig, {"site.seeing": seeing * u.arcsec}), airmass)
        return blurred_fwhm(star, 0 * u.arcsec, scale).value - wanted

    low, high = 0.1, 20.0
    if excess(low) > 0 or excess(high) < 0:
        widths = [excess(end) + wanted for end in (low, high)]
        raise ValueError(
            f"fwhm: expected {widths[0]:.2f} to {widths[1]:.1f} arcsec with this telescope and these pixels, "
            f"found {wanted:.2f}"
        )
    return optimize.brentq(excess, low, high, xtol=1e-4) * u.arcsec


@dataclass(frozen=True)
class ScaleCheck:
    """Main and guide camera of a rig side by side.

    Attributes
    ----------
    main_scale, guide_scale : Quantity [arcsec / pix]
        Binning included.
    main_fwhm, guide_fwhm : Quantity [arcsec]
        Width of a star where it meets each sensor.
    recorded_fwhm : Quantity [arcsec]
        Width of a star in the main picture, its pixels included.
    noticed : Quantity [arcsec]
        Movement, one-axis rms, that widens a star of the main picture by the share asked about.
    by_light, inside_pixel : Quantity [arcsec]
        Errors, one-axis rms, of the guide star's measured middle: by its light coming in single electrons
        (`centroid_limit`), and by where inside a pixel it falls (`inside_pixel_error`).
    """

    main_scale: u.Quantity
    guide_scale: u.Quantity
    main_fwhm: u.Quantity
    guide_fwhm: u.Quantity
    recorded_fwhm: u.Quantity
    noticed: u.Quantity
    by_light: u.Quantity
    inside_pixel: u.Quantity

    @property
    def seen(self):
        """Error, one-axis rms, of the guide star's measured middle, at best: both parts together; Quantity [arcsec]."""
        return np.hypot(self.by_light, self.inside_pixel)

    @property
    def guide_star_pixels(self):
        """Width of a guide star in pixels, as a plain number."""
        return (self.guide_fwhm / self.guide_scale).value

    @property
    def scale_ratio(self):
        """Guide scale over main scale."""
        return (self.guide_scale / self.main_scale).to_value(u.one)

    @property
    def margin(self):
        """How many times finer the guide camera sees than the main picture notices."""
        return (self.noticed / self.seen).to_value(u.one)


def compare_scales(rig, electrons=2000 * u.electron, widening=0.05):
    """Can the guide camera of a rig see a movement too small for its main camera to notice?

    Parameters
    ----------
    rig : Rig
    electrons : Quantity [electron]
        Light that a guide star gives in one exposure.
    widening : float
        Share by which a star in the main picture may grow before somebody notices.

    Returns
    -------
    ScaleCheck

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    # Here, not above: starlight itself begins with the scale of a pixel.
    from helpers.starlight.widths import guide_star_fwhm, picture_star_fwhm

    as_instance("rig", rig, Rig)
    widening = as_number("widening", widening, above=0, maximum=10)
    electrons = as_quantity("electrons", electrons, u.electron, minimum=1, maximum=1e9, ndim=0)
    main, guide = rig.main_camera, rig.guide_camera
    main_scale = pixel_scale(main.pixel_size, rig.telescope.focal_length, main.binning)
    guide_scale = pixel_scale(guide.pixel_size, rig.guide_optics.focal_length, guide.binning)
    main_fwhm = picture_star_fwhm(rig)
    guide_fwhm = guide_star_fwhm(rig)
    recorded = blurred_fwhm(main_fwhm, 0 * u.arcsec, main_scale)
    return ScaleCheck(
        main_scale,
        guide_scale,
        main_fwhm,
        guide_fwhm,
        recorded,
        noticed=allowed_motion(recorded, widening),
        by_light=centroid_limit(guide_fwhm, electrons, guide_scale),
        inside_pixel=inside_pixel_error(guide_fwhm, guide_scale),
    )
