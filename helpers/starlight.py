"""How much light a guide star gives a sensor, and how well its centre can be known."""

import astropy.units as u
import numpy as np
from astropy import constants
from scipy.special import spence

from helpers.quantities import as_choice, as_number, as_quantity

_FWHM_PER_SIGMA = 2 * np.sqrt(2 * np.log(2))


def _as_magnitude(name, value, minimum=None, maximum=None):
    """Magnitude as float or array; a plain number or a quantity in mag."""
    if isinstance(value, u.Quantity) and value.unit == u.mag:
        value = value.value
    return as_number(name, value, minimum=minimum, maximum=maximum, ndim=None)


# Effective wavelength and flux density of magnitude 0: Bessell, Castelli & Plez 1998 (A&A 333, 231), table A2.
# Width (full width at half maximum): Bessell 2005 (ARA&A 43, 293), from memory.
BANDS = {
    "U": (366 * u.nm, 66 * u.nm, 1.790e-20 * u.erg / u.s / u.cm**2 / u.Hz),
    "B": (438 * u.nm, 94 * u.nm, 4.063e-20 * u.erg / u.s / u.cm**2 / u.Hz),
    "V": (545 * u.nm, 88 * u.nm, 3.636e-20 * u.erg / u.s / u.cm**2 / u.Hz),
    "R": (641 * u.nm, 138 * u.nm, 3.064e-20 * u.erg / u.s / u.cm**2 / u.Hz),
    "I": (798 * u.nm, 149 * u.nm, 2.416e-20 * u.erg / u.s / u.cm**2 / u.Hz),
}


def photon_flux(magnitude, band):
    """Photons of a star that reach the top of the atmosphere in a band.

    Parameters
    ----------
    magnitude : float, array or Quantity in mag
    band : str
        A name in `BANDS`.

    Returns
    -------
    Quantity, photon / (s m2)
        Same shape as `magnitude`: flux density of the magnitude at the effective wavelength times the band's width.

    Raises
    ------
    ValueError, TypeError
        Unknown band; magnitude not finite or outside -30 to 40.

    References
    ----------
    Bessell, Castelli & Plez 1998, A&A 333, 231, table A2.
    """
    magnitude = _as_magnitude("magnitude", magnitude, minimum=-30, maximum=40)
    wavelength, width, flux = BANDS[as_choice("band", band, tuple(BANDS))]
    per_wavelength = flux / (constants.h * wavelength)
    photons = (per_wavelength * width).to_value(1 / (u.s * u.m**2))
    return photons * 10 ** (-0.4 * magnitude) * u.photon / (u.s * u.m**2)


def signal_to_noise(electrons, background, pixels, read_noise):
    """Signal to noise of a star's light summed over some pixels (the 'CCD equation').

    Parameters
    ----------
    electrons : Quantity, electron
        Light of the star in those pixels.
    background : Quantity, electron / pix
        Sky and dark current per pixel, without read noise.
    pixels : float or array
        How many pixels are summed.
    read_noise : Quantity, electron
        Per pixel.

    Returns
    -------
    float or ndarray
        S / sqrt(S + n (B + R^2)).

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Merline & Howell 1995, Exp. Astron. 6, 163; the background is taken as known, without error of its own.
    """
    star = as_quantity("electrons", electrons, u.electron, minimum=0).value
    sky = as_quantity("background", background, u.electron / u.pix, minimum=0).value
    count = as_number("pixels", pixels, above=0, ndim=None)
    noise = as_quantity("read_noise", read_noise, u.electron, minimum=0).value
    variance = star + count * (sky + noise**2)
    ratio = star / np.sqrt(np.where(variance > 0, variance, 1.0))
    return float(ratio) if np.ndim(ratio) == 0 else ratio


def _least_squares_variance(sigma, electrons, background, pixel):
    """Thompson, Larson & Webb 2002, eq. 17; lengths in one unit."""
    return (sigma**2 + pixel**2 / 12) / electrons + 8 * np.pi * sigma**4 * background / (pixel * electrons) ** 2


def _maximum_likelihood_variance(sigma, electrons, background, pixel):
    """Mortensen et al. 2010, eq. 5: the integral of ln t / (1 + t/tau) from 0 to 1 is tau Li2(-1/tau)."""
    broadened = sigma**2 + pixel**2 / 12
    tau = 2 * np.pi * broadened * background / (electrons * pixel**2)
    dark = tau < 1e-12
    inverse = 1 / np.where(dark, 1.0, tau)
    faint = inverse < 1e-3  # where 1 + tau Li2(-1/tau) would cancel, its series
    series = inverse / 4 - inverse**2 / 9 + inverse**3 / 16
    information = np.where(faint, series, 1 + spence(1 + inverse) / inverse)
    return broadened / electrons / np.where(dark, 1.0, information)


_CENTROID_FORMS = {"least squares": _least_squares_variance, "maximum likelihood": _maximum_likelihood_variance}


def centroid_error(fwhm, electrons, background, pixel_scale, method="least squares"):
    """Error of a star's measured centre along one axis, from photon noise and background.

    Parameters
    ----------
    fwhm : Quantity, arcsec
        Width of the spot that falls on the sensor, before the pixels sample it.
    electrons : Quantity, electron
        All light of the star.
    background : Quantity, electron / pix
        Variance per pixel: sky, dark current and read noise squared.
    pixel_scale : Quantity, arcsec / pix
    method : {"least squares", "maximum likelihood"}
        The second is the best that any fit of a Gaussian can do.

    Returns
    -------
    Quantity, arcsec
        One-axis rms; arguments broadcast.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Thompson, Larson & Webb 2002, Biophys. J. 82, 2775, eq. 17 (an interpolation between the star-limited and the
    background-limited case); Mortensen et al. 2010, Nature Methods 7, 377, eq. 5. Both hold for a Gaussian spot.
    """
    sigma = as_quantity("fwhm", fwhm, u.arcsec, above=0).value / _FWHM_PER_SIGMA
    star = as_quantity("electrons", electrons, u.electron, above=0).value
    sky = as_quantity("background", background, u.electron / u.pix, minimum=0).value
    pixel = as_quantity("pixel_scale", pixel_scale, u.arcsec / u.pix, above=0).value
    variance = _CENTROID_FORMS[as_choice("method", method, tuple(_CENTROID_FORMS))]
    return np.sqrt(variance(sigma, star, sky, pixel)) * u.arcsec
