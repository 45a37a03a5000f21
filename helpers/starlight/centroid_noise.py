"""How well a star's light stands out of the noise, and how well its centre can be known."""

import astropy.units as u
import numpy as np
from scipy.special import spence

from helpers.shared.checks import as_choice, as_number, as_quantity
from helpers.shared.optics import FWHM_PER_SIGMA


def _check_shapes(**values):
    """ValueError that names the arguments when their shapes do not fit together."""
    try:
        np.broadcast_shapes(*(np.shape(value) for value in values.values()))
    except ValueError as error:
        found = ", ".join(f"{name} {np.shape(value)}" for name, value in values.items())
        raise ValueError(f"{', '.join(values)}: expected shapes that fit together, found {found}") from error


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
    star = as_quantity("electrons", electrons, u.electron, minimum=0, maximum=1e15).value
    sky = as_quantity("background", background, u.electron / u.pix, minimum=0, maximum=1e15).value
    count = as_number("pixels", pixels, minimum=1e-6, maximum=1e12, ndim=None)
    noise = as_quantity("read_noise", read_noise, u.electron, minimum=0, maximum=1e9).value
    _check_shapes(electrons=star, background=sky, pixels=count, read_noise=noise)
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


def _unweighted_variance(sigma, electrons, background, pixel):
    """Mortensen et al. 2010, eq. 4."""
    broadened = sigma**2 + pixel**2 / 12
    return broadened / electrons * (16 / 9 + 8 * np.pi * broadened * background / (electrons * pixel**2))


CENTROID_FORMS = {
    "least squares": _least_squares_variance,
    "maximum likelihood": _maximum_likelihood_variance,
    "unweighted fit": _unweighted_variance,
}


def _checked_spot(fwhm, background, pixel_scale):
    """Sigma [arcsec], background per pixel and pixel [arcsec] as plain numbers."""
    sigma = as_quantity("fwhm", fwhm, u.arcsec, minimum=1e-6, maximum=3600).value / FWHM_PER_SIGMA
    sky = as_quantity("background", background, u.electron / u.pix, minimum=0, maximum=1e15).value
    pixel = as_quantity("pixel_scale", pixel_scale, u.arcsec / u.pix, minimum=1e-6, maximum=3600).value
    return sigma, sky, pixel


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
    sigma, sky, pixel = _checked_spot(fwhm, background, pixel_scale)
    star = as_quantity("electrons", electrons, u.electron, minimum=1e-6, maximum=1e15).value
    _check_shapes(fwhm=sigma, electrons=star, background=sky, pixel_scale=pixel)
    variance = CENTROID_FORMS[as_choice("method", method, tuple(CENTROID_FORMS))]
    return np.sqrt(variance(sigma, star, sky, pixel)) * u.arcsec


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
    sigma, sky, pixel = _checked_spot(fwhm, background, pixel_scale)
    wanted = as_quantity("error", error, u.arcsec, minimum=1e-9, maximum=3600).value
    _check_shapes(error=wanted, fwhm=sigma, background=sky, pixel_scale=pixel)
    # error^2 = a / N + b / N^2
    a = sigma**2 + pixel**2 / 12
    b = 8 * np.pi * sigma**4 * sky / pixel**2
    return (a + np.sqrt(a**2 + 4 * b * wanted**2)) / (2 * wanted**2) * u.electron
