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
from helpers.shared.checks import (
    as_number,
    count,
    frame_shape,
    instance,
    number,
    odd,
    optional,
    quantity,
    takes,
)
from helpers.shared.limits import FRAMES, SETTINGS, VALUES, check_work
from helpers.shared.optics import FWHM_PER_SIGMA

# A square pixel of side a spreads light by a variance of a^2 / 12 along each axis.
_PIXEL_SIGMA = 1 / np.sqrt(12)

# What several functions take.
_PIXEL_SIZE = quantity(u.mm, above=0, maximum=1e3)
_FOCAL_LENGTH = quantity(u.mm, minimum=1e-3, maximum=1e9)
_FWHM = quantity(u.arcsec, minimum=1e-6, maximum=1e6)
_SCALE = quantity(u.arcsec / u.pix, minimum=0, maximum=1e6)


@takes(
    "pixel_size focal_length",
    pixel_size=_PIXEL_SIZE,
    focal_length=_FOCAL_LENGTH,
    binning=count(minimum=1, maximum=1000),
)
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
    return binning * (np.arctan(pixel_size.value / focal_length.value) * u.rad).to(u.arcsec) / u.pix


@takes(
    shape=frame_shape(maximum=1_000_000),
    pixel_size=quantity(u.mm, above=0, maximum=1e3, ndim=0),
    focal_length=quantity(u.mm, minimum=1e-3, maximum=1e9, ndim=0),
)
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
    sides = pixel_size.value * np.array(shape)
    return (2 * np.arctan(sides / (2 * focal_length.value)) * u.rad).to(u.arcmin)


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


@takes("fwhm motion pixel_scale", fwhm=_FWHM, motion=quantity(u.arcsec, minimum=0, maximum=1e6), pixel_scale=_SCALE)
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
    moved = motion.value**2 + (_PIXEL_SIGMA * pixel_scale.value) ** 2
    return np.sqrt(fwhm.value**2 + FWHM_PER_SIGMA**2 * moved) * u.arcsec


@takes("fwhm widening", fwhm=_FWHM, widening=number(minimum=0, maximum=1e6, ndim=None))
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
    return fwhm * np.sqrt(widening * (2 + widening)) / FWHM_PER_SIGMA


@takes(
    centre=quantity(u.pix, minimum=-1e6, maximum=1e6, shape=[(2,), (None, 2)]),
    fwhm=quantity(u.pix, minimum=0.01, maximum=1e4, ndim=0),
    shape=frame_shape(maximum=2000),
    electrons=quantity(u.electron, minimum=0, maximum=1e15, ndim=0),
)
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
    columns, rows = shape
    check_work("centre", centre.size / 2 * columns * rows, VALUES, "pixels in all pictures")
    x, y, sigma = centre[..., 0].value, centre[..., 1].value, fwhm.value / FWHM_PER_SIGMA
    along_x, along_y = _share_in_pixels(x, sigma, columns), _share_in_pixels(y, sigma, rows)
    return electrons * along_y[..., :, np.newaxis] * along_x[..., np.newaxis, :]


def _share_in_pixels(centre, sigma, count):
    """Share of a Gaussian line of light between the edges of each of `count` pixels; last axis."""
    edges = np.arange(count + 1) - 0.5
    return np.diff(special.ndtr((edges - np.asarray(centre)[..., np.newaxis]) / sigma), axis=-1)


def _as_image(name, value):
    """Plain light of one picture or several."""
    light = value.value if isinstance(value, u.Quantity) else value
    light = as_number(name, light, minimum=-1e100, maximum=1e100, ndim=None)
    if np.ndim(light) not in (2, 3):
        raise ValueError(f"{name}: expected shape (rows, columns) or (n, rows, columns), found {np.shape(light)}")
    return light


@takes(image=_as_image, box=optional(odd()))
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
    images = image.reshape((-1, *image.shape[-2:]))
    corner = np.zeros((len(images), 2))
    if box is not None:
        images, corner = _cut_out(images, box)
    light = images.sum(axis=(1, 2))
    if np.any(light <= 0):
        raise ValueError(f"image: expected light above 0 in the box, found a sum of {light.min():g}")
    x = images.sum(axis=1) @ np.arange(images.shape[2]) / light
    y = images.sum(axis=2) @ np.arange(images.shape[1]) / light
    return (corner + np.stack([x, y], axis=-1)).reshape((*image.shape[:-2], 2)) * u.pix


def _cut_out(images, box):
    """A square of pixels round the brightest one of each image, zero beyond the edges, and its first pixel (x, y)."""
    half = box // 2
    n, _, columns = images.shape
    row, column = np.divmod(images.reshape(n, -1).argmax(axis=1), columns)
    padded = np.pad(images, ((0, 0), (half, half), (half, half)))
    steps = np.arange(box)
    cut = padded[np.arange(n)[:, None, None], (row[:, None] + steps)[:, :, None], (column[:, None] + steps)[:, None, :]]
    return cut, np.stack([column - half, row - half], axis=-1)


@takes(
    fwhm=quantity(u.pix, minimum=0.01, maximum=50, ndim=0),
    phase=quantity(u.pix, minimum=-1, maximum=1, shape=[(), (None,)]),
    box=optional(odd()),
)
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
    half = int(4 * fwhm.value) + 3
    check_work("phase", phase.size * (2 * half + 1) ** 2, VALUES, "pixels in all pictures")
    centre = half + np.stack([phase.value, np.zeros(phase.shape)], axis=-1)
    measured = centroid(star_image(centre * u.pix, fwhm, (2 * half + 1, 2 * half + 1)), box)
    return measured[..., 0] - centre[..., 0] * u.pix


@takes(
    "fwhm electrons pixel_scale",
    fwhm=_FWHM,
    electrons=quantity(u.electron, minimum=1e-6, maximum=1e15),
    pixel_scale=_SCALE,
)
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
    spot = (fwhm.value / FWHM_PER_SIGMA) ** 2 + (_PIXEL_SIGMA * pixel_scale.value) ** 2
    return np.sqrt(spot / electrons.value) * u.arcsec


@takes(
    "fwhm pixel_scale",
    fwhm=quantity(u.arcsec, minimum=1e-6, maximum=1e6, most_values=SETTINGS),
    pixel_scale=quantity(u.arcsec / u.pix, above=0, maximum=1e6, most_values=SETTINGS),
)
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
    waves = np.arange(1, 201)
    sigma = (fwhm / pixel_scale).value / FWHM_PER_SIGMA
    exponents = (2 * np.pi * waves * sigma[..., np.newaxis]) ** 2
    squares = np.exp(-exponents) / (2 * np.pi**2 * waves**2)
    return pixel_scale.value * np.sqrt(squares.sum(axis=-1)) * u.arcsec


@takes(
    fwhm=quantity(u.arcsec, minimum=1e-6, maximum=1e6, ndim=0),
    electrons=quantity(u.electron, minimum=1, maximum=1e12, ndim=0),
    pixel_scale=quantity(u.arcsec / u.pix, above=0, maximum=1e6, ndim=0),
    phase=quantity(u.pix, minimum=-1, maximum=1, ndim=0),
    count=count(minimum=1, maximum=FRAMES),
    rng=instance(np.random.Generator),
)
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
    wide, place = (fwhm / pixel_scale).value, phase.value
    if wide > 200:
        raise ValueError(f"fwhm: expected at most 200 pixels, found {wide:.0f}")
    half = int(3 * wide) + 3
    share = _share_in_pixels(place + half, wide / FWHM_PER_SIGMA, 2 * half + 1)
    landed = rng.poisson(electrons.value * share, (count, 2, share.size))
    summed = np.maximum(landed.sum(axis=-1), 1)  # a picture without light tells the middle of the box
    return (((landed @ np.arange(-half, half + 1)) / summed - place) * u.pix * pixel_scale).to(u.arcsec)


@takes(
    rig=instance(Rig),
    fwhm=quantity(u.arcsec, above=0, maximum=1000, ndim=0),
    altitude=quantity(u.deg, minimum=10, maximum=90, ndim=0),
)
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

    airmass = sky.airmass(altitude)
    scale = pixel_scale(rig.main_camera.pixel_size, rig.telescope.focal_length, rig.main_camera.binning)

    def excess(seeing):
        star = picture_star_fwhm(changed(rig, {"site.seeing": seeing * u.arcsec}), airmass)
        return blurred_fwhm(star, 0 * u.arcsec, scale).value - fwhm.value

    low, high = 0.1, 20.0
    if excess(low) > 0 or excess(high) < 0:
        widths = [excess(end) + fwhm.value for end in (low, high)]
        raise ValueError(
            f"fwhm: expected {widths[0]:.2f} to {widths[1]:.1f} arcsec with this telescope and these pixels, "
            f"found {fwhm.value:.2f}"
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


@takes(
    rig=instance(Rig),
    electrons=quantity(u.electron, minimum=1, maximum=1e9, ndim=0),
    widening=number(above=0, maximum=10),
)
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
