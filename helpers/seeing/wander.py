"""How far the air moves a star, and what an exposure averages away.

All motion is that of the gradient (G-) tilt, which is what the centroid of a star measures, for turbulence with a von
Karman spectrum that layers carry past the telescope without change (frozen flow, Taylor's hypothesis).
"""

from dataclasses import replace

import astropy.units as u
import numpy as np
from scipy import optimize

from helpers.seeing.air import REFERENCE_WAVELENGTH, Atmosphere
from helpers.seeing.tilt_spectrum import path_integrals, tilt_scale_arcsec2
from helpers.seeing.widths import fried_parameter
from helpers.shared.checks import instance, quantity, takes
from helpers.shared.limits import SETTINGS, check_work

_DIAMETER = quantity(u.m, minimum=1e-3, maximum=100, ndim=0)
_DIAMETERS = quantity(u.m, minimum=1e-3, maximum=100, most_values=SETTINGS)
_EXPOSURES = quantity(u.s, minimum=0, maximum=1e6, most_values=SETTINGS)


@takes(atmosphere=instance(Atmosphere))
def tilt_scale(atmosphere):
    """Plain factor of all tilt spectra of an Atmosphere, in arcsec^2 m^(1/3), for the kernels of `tilt_spectrum`."""
    wavelength_m = REFERENCE_WAVELENGTH.to_value(u.m)
    return tilt_scale_arcsec2(fried_parameter(atmosphere.fwhm).value, wavelength_m)


def _axis_variances(diameter_m, atmosphere, exposure_s):
    """One-axis variances in arcsec^2 along x and y, shape (2, n) for exposures (n,)."""
    total = np.zeros((2, exposure_s.size))
    for layer in atmosphere.layers:
        paths = layer.wind_speed.value * exposure_s
        along, across = path_integrals(diameter_m, atmosphere.outer_scale.value, paths)
        cosine2 = np.cos(layer.wind_direction.to_value(u.rad)) ** 2
        total += layer.fraction * np.array(
            [along * cosine2 + across * (1 - cosine2), along * (1 - cosine2) + across * cosine2]
        )
    return tilt_scale(atmosphere) * total


@takes("diameter exposure", diameter=_DIAMETERS, atmosphere=instance(Atmosphere), exposure=_EXPOSURES)
def image_motion_axes(diameter, atmosphere, exposure=0 * u.s):
    """Motion of a star's centroid that an exposure leaves, for each axis.

    Parameters
    ----------
    diameter : Quantity [length]
        Of the aperture; scalar or array.
    atmosphere : Atmosphere
    exposure : Quantity [time]
        Scalar or array, broadcast against `diameter`; 0 s for an instant.

    Returns
    -------
    Quantity [arcsec]
        One-axis rms along x and along y, shape (2, ...). With one layer and wind direction 0 deg, x is along the wind
        and y across it.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is negative or no finite number, the shapes don't fit, or a physical type is wrong.

    References
    ----------
    Spectrum and aperture filter: Tokovinin 2002, PASP 114, 1156, section 2; exposure in frozen flow: Martin 1987, PASP
    99, 1360; closed forms of the mean over directions: Gradshteyn & Ryzhik, 8.411.
    """
    diameters, exposures = np.broadcast_arrays(diameter.value, exposure.value)
    check_work("exposure", diameters.size, SETTINGS, "pairs of diameter and exposure")
    result = np.empty((2, *diameters.shape))
    for value in np.unique(diameter.value):
        same = diameters == value
        result[:, same] = _axis_variances(value, atmosphere, exposures[same])
    return np.sqrt(result) * u.arcsec


def image_motion(diameter, atmosphere, exposure=0 * u.s):
    """Motion of a star's centroid that an exposure leaves: one-axis rms, as the root of the mean variance of both axes.

    Parameters
    ----------
    diameter : Quantity [length]
        Of the aperture; scalar or array.
    atmosphere : Atmosphere
    exposure : Quantity [time]
        Scalar or array, broadcast against `diameter`; 0 s for an instant.

    Returns
    -------
    Quantity [arcsec]
        For an instant and Kolmogorov turbulence 0.170 (lambda/D)^2 (D/r0)^(5/3) rad^2 of variance, at any wavelength.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        As `image_motion_axes`.

    References
    ----------
    As `image_motion_axes`.
    """
    return np.sqrt(np.mean(image_motion_axes(diameter, atmosphere, exposure) ** 2, axis=0))


@takes(diameter=_DIAMETER, atmosphere=instance(Atmosphere), exposure=quantity(u.s, minimum=0, maximum=1e6, ndim=0))
def motion_by_layer(diameter, atmosphere, exposure=0 * u.s):
    """The share of each layer in the motion of a star's centroid.

    Parameters
    ----------
    diameter : Quantity [length]
        Of the aperture; scalar.
    atmosphere : Atmosphere
    exposure : Quantity [time]
        Scalar.

    Returns
    -------
    Quantity [arcsec], shape (number of layers,)
        One-axis rms that each layer alone would cause; their squares add up to that of `image_motion`.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        As `image_motion_axes`.
    """
    parts = [
        image_motion(diameter, replace(atmosphere, layers=(replace(layer, fraction=1),)), exposure)
        * layer.fraction**0.5
        for layer in atmosphere.layers
    ]
    return u.Quantity(parts)


@takes(diameter=_DIAMETER, atmosphere=instance(Atmosphere), motion=quantity(u.arcsec, above=0, maximum=1e6, ndim=0))
def exposure_for_motion(diameter, atmosphere, motion):
    """The shortest exposure that leaves no more than a given motion by the air.

    Parameters
    ----------
    diameter : Quantity [length]
        Of the aperture; scalar.
    atmosphere : Atmosphere
    motion : Quantity [angle]
        One-axis rms (mean of both axes); scalar, above 0.

    Returns
    -------
    Quantity [s]
        0 s if even an instant moves the star no more.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is out of range or of the wrong physical type, or no exposure up to an hour is long enough.
    """
    if image_motion(diameter, atmosphere) <= motion:
        return 0 * u.s

    def excess(logarithm):
        return np.log(image_motion(diameter, atmosphere, np.exp(logarithm) * u.s) / motion).value

    shortest, longest = np.log(1e-4), np.log(3600)
    if excess(longest) > 0:
        least = image_motion(diameter, atmosphere, np.exp(longest) * u.s).value
        raise ValueError(
            f"motion: expected at least {least:.3g} arcsec, left by an exposure of an hour, found {motion:.3g}"
        )
    if excess(shortest) <= 0:
        return 0 * u.s
    return np.exp(optimize.brentq(excess, shortest, longest, xtol=1e-6)) * u.s
