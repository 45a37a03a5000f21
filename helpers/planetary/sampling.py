"""How much focal length brings a camera to the finest detail that a telescope shows."""

import astropy.units as u
import numpy as np

from helpers.pixel_scale.scale import pixel_scale
from helpers.shared.checks import quantity, takes

_PIXEL = quantity(u.um, minimum=1e-3, maximum=1e3)
_ONE_PIXEL = quantity(u.um, minimum=1e-3, maximum=1e3, ndim=0)
_WAVELENGTH = quantity(u.um, minimum=0.1, maximum=100)
_LENGTH = quantity(u.mm, minimum=1e-3, maximum=1e9, ndim=0)


@takes("pixel_size wavelength", pixel_size=_PIXEL, wavelength=_WAVELENGTH)
def critical_focal_ratio(pixel_size, wavelength):
    """Focal ratio at which a pixel just takes in the finest detail an aperture passes: two pixels to lambda N.

    Parameters
    ----------
    pixel_size, wavelength : Quantity [length]

    Returns
    -------
    float
        2 p / lambda.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Cut-off frequency 1 / (lambda N) of a circular aperture: Goodman, "Introduction to Fourier optics", 6.3; two samples
    to the shortest period: Shannon 1949.
    """
    ratio = 2 * pixel_size.value / wavelength.value
    return float(ratio) if np.ndim(ratio) == 0 else ratio


@takes("aperture wavelength", aperture=quantity(u.mm, minimum=1e-3, maximum=1e9), wavelength=_WAVELENGTH)
def critical_pixel(aperture, wavelength):
    """Angle of a pixel that just takes in the finest detail of an aperture.

    Parameters
    ----------
    aperture, wavelength : Quantity [length]

    Returns
    -------
    Quantity [arcsec]
        lambda / (2 D): half of the finest period.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    As `critical_focal_ratio`.
    """
    return ((wavelength / (2 * aperture)).to_value(u.one) * u.rad).to(u.arcsec)


@takes(
    pixel_size=_ONE_PIXEL,
    wavelength=quantity(u.um, minimum=0.1, maximum=100, ndim=0),
    aperture=_LENGTH,
    focal_length=_LENGTH,
)
def amplifier(pixel_size, wavelength, aperture, focal_length):
    """Factor of a focal extender that brings a telescope to critical sampling; below 1 it is sampled finely enough
    already.

    Parameters
    ----------
    pixel_size, wavelength, aperture, focal_length : Quantity [length]

    Returns
    -------
    float

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    return critical_focal_ratio(pixel_size, wavelength) / float((focal_length / aperture).value)


@takes(angle=quantity(u.arcsec, above=0, maximum=1e6, ndim=0), pixel_size=_ONE_PIXEL, focal_length=_LENGTH)
def pixels_across(angle, pixel_size, focal_length):
    """Pixels that an angle covers, not rounded.

    Parameters
    ----------
    angle : Quantity [angle]
    pixel_size, focal_length : Quantity [length]
        Focal length with its extender.

    Returns
    -------
    float

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    return float((angle / pixel_scale(pixel_size, focal_length)).to_value(u.pix))
