"""How well a star's light stands out of the noise, and how well its centre can be known."""

import astropy.units as u
import numpy as np
from scipy.special import spence

from helpers.shared.checks import choice, number, quantity, takes
from helpers.shared.optics import FWHM_PER_SIGMA

_BACKGROUND = quantity(u.electron / u.pix, minimum=0, maximum=1e15)
_FWHM = quantity(u.arcsec, minimum=1e-6, maximum=3600)
_SCALE = quantity(u.arcsec / u.pix, minimum=1e-6, maximum=3600)


@takes(
    "electrons background pixels read_noise",
    electrons=quantity(u.electron, minimum=0, maximum=1e15),
    background=_BACKGROUND,
    pixels=number(minimum=1e-6, maximum=1e12, ndim=None),
    read_noise=quantity(u.electron, minimum=0, maximum=1e9),
)
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
    star = electrons.value
    variance = star + pixels * (background.value + read_noise.value**2)
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


def _unweighted_variance(sigma, electrons, background, pixel):
    """Mortensen et al. 2010, eq. 4."""
    broadened = sigma**2 + pixel**2 / 12
    return broadened / electrons * (16 / 9 + 8 * np.pi * broadened * background / (electrons * pixel**2))


CENTROID_FORMS = {
    "least squares": _least_squares_variance,
    "maximum likelihood": _maximum_likelihood_variance,
    "unweighted fit": _unweighted_variance,
}


@takes(
    "fwhm electrons background pixel_scale",
    fwhm=_FWHM,
    electrons=quantity(u.electron, minimum=1e-6, maximum=1e15),
    background=_BACKGROUND,
    pixel_scale=_SCALE,
    method=choice(tuple(CENTROID_FORMS)),
)
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
    method : {"least squares", "maximum likelihood", "unweighted fit"}
        "least squares" adds what the star's light and what the background alone would give: up to about a tenth too
        good where both count. "maximum likelihood" is the best that any fit can do. "unweighted fit" trusts all pixels
        alike.

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
    background-limited case); Mortensen et al. 2010, Nature Methods 7, 377, eq. 5 (maximum likelihood) and 4
    (unweighted). All hold for a Gaussian spot.
    """
    sigma = fwhm.value / FWHM_PER_SIGMA
    variance = CENTROID_FORMS[method](sigma, electrons.value, background.value, pixel_scale.value)
    return np.sqrt(variance) * u.arcsec


@takes(
    "error fwhm background pixel_scale",
    error=quantity(u.arcsec, minimum=1e-9, maximum=3600),
    fwhm=_FWHM,
    background=_BACKGROUND,
    pixel_scale=_SCALE,
)
def electrons_needed(error, fwhm, background, pixel_scale):
    """Light that gives a wanted centroid error, the reverse of `centroid_error` in its least squares form.

    Parameters
    ----------
    error : Quantity, arcsec
        One-axis rms.
    fwhm : Quantity, arcsec
    background : Quantity, electron / pix
    pixel_scale : Quantity, arcsec / pix

    Returns
    -------
    Quantity, electron

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    sigma, pixel, wanted = fwhm.value / FWHM_PER_SIGMA, pixel_scale.value, error.value
    # error^2 = a / N + b / N^2
    a = sigma**2 + pixel**2 / 12
    b = 8 * np.pi * sigma**4 * background.value / pixel**2
    return (a + np.sqrt(a**2 + 4 * b * wanted**2)) / (2 * wanted**2) * u.electron
