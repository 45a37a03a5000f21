"""How wide the air and the aperture make a star."""

import astropy.units as u
import numpy as np

from helpers.seeing.air import MAXIMUM_AIRMASS, REFERENCE_WAVELENGTH, Atmosphere, as_outer_scale
from helpers.shared import optics
from helpers.shared.checks import instance, number, quantity, takes
from helpers.shared.optics import AIRY_WIDTH, KOLMOGOROV_WIDTH

_WAVELENGTH = quantity(u.m, minimum=1e-9, maximum=1)
_DIAMETER = quantity(u.m, minimum=1e-9, maximum=1e6)
_AIRMASS = number(minimum=1, maximum=MAXIMUM_AIRMASS, ndim=None)
# Tokovinin (2002) gives his formula for outer scales above 20 Fried parameters.
_SMALLEST_OUTER_SCALE = 20


@takes(
    "fwhm wavelength airmass",
    fwhm=quantity(u.rad, minimum=1e-12, maximum=0.1),
    wavelength=_WAVELENGTH,
    airmass=_AIRMASS,
)
def fried_parameter(fwhm, wavelength=REFERENCE_WAVELENGTH, airmass=1):
    """Size of a patch of air that is still optically calm.

    Parameters
    ----------
    fwhm : Quantity [angle]
        Seeing at 500 nm looking to the zenith (Kolmogorov).
    wavelength : Quantity [length]
        Where the result is wanted.
    airmass : float or array
        At which the result is wanted, 1 at the zenith.

    Returns
    -------
    Quantity [m]
        r0 = 0.97586 lambda / FWHM at 500 nm; it grows as wavelength^(6/5) and shrinks as airmass^(-3/5).

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is not positive and finite, an airmass is below 1, or a physical type is wrong.

    References
    ----------
    Fried 1966, JOSA 56, 1372; Roddier 1981, Progress in Optics 19, 281.
    """
    return optics.fried_parameter_m(fwhm.value, wavelength.value, airmass) * u.m


@takes(
    "fried_parameter wavelength outer_scale",
    fried_parameter=quantity(u.m, minimum=1e-9, maximum=1e6),
    wavelength=_WAVELENGTH,
    outer_scale=lambda _, value: as_outer_scale(value),
)
def seeing_fwhm(fried_parameter, wavelength=REFERENCE_WAVELENGTH, outer_scale=np.inf * u.m):
    """Width of a star in a long exposure through a large, perfect telescope.

    Parameters
    ----------
    fried_parameter : Quantity [length]
        At `wavelength`.
    wavelength : Quantity [length]
    outer_scale : Quantity [length]
        Infinite for Kolmogorov turbulence; else at least 20 Fried parameters, where the formula is good to 2 %.

    Returns
    -------
    Quantity [arcsec]
        0.97586 lambda / r0 x sqrt(1 - 2.183 (r0 / L0)^0.356).

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is not positive, the outer scale is below 20 Fried parameters, or a physical type is wrong.

    References
    ----------
    Tokovinin 2002, PASP 114, 1156, eq. 19.
    """
    share = (fried_parameter / outer_scale).value
    if np.any(share > 1 / _SMALLEST_OUTER_SCALE):
        raise ValueError(
            f"outer_scale: expected at least {_SMALLEST_OUTER_SCALE} Fried parameters, where the formula holds, "
            f"found {1 / np.max(share):.3g}"
        )
    kolmogorov = KOLMOGOROV_WIDTH * (wavelength / fried_parameter).value * u.rad
    return (kolmogorov * np.sqrt(1 - 2.183 * share**0.356)).to(u.arcsec)


@takes("diameter wavelength", diameter=_DIAMETER, wavelength=_WAVELENGTH)
def diffraction_fwhm(diameter, wavelength=REFERENCE_WAVELENGTH):
    """Width of a star without air: 1.029 lambda / D for a clear circular aperture.

    Parameters
    ----------
    diameter, wavelength : Quantity [length]

    Returns
    -------
    Quantity [arcsec]

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is not positive and finite, or a physical type is wrong.

    References
    ----------
    Born & Wolf, Principles of Optics, section 8.5.2.
    """
    return (AIRY_WIDTH * (wavelength / diameter).value * u.rad).to(u.arcsec)


@takes(
    "diameter wavelength airmass obstruction",
    diameter=_DIAMETER,
    atmosphere=instance(Atmosphere),
    wavelength=_WAVELENGTH,
    airmass=_AIRMASS,
    obstruction=number(minimum=0, maximum=0.95, ndim=None),
)
def spot_fwhm(diameter, atmosphere, wavelength=REFERENCE_WAVELENGTH, airmass=1, obstruction=0):
    """Width of a star on the sensor in a long exposure: air and diffraction.

    Parameters
    ----------
    diameter : Quantity [length]
    atmosphere : Atmosphere
    wavelength : Quantity [length]
    airmass : float or array
    obstruction : float or array
        Central obstruction, as a share of the diameter, 0 to 0.95.

    Returns
    -------
    Quantity [arcsec]
        Full width at half maximum of the image whose transfer function is the product of those of the air (von Karman)
        and of the aperture, within 0.1 % for outer scales of at least 5 Fried parameters. Below, the image may have a
        sharp core on a wide halo, and a width says little.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    As `shared.optics`.
    """
    r0 = optics.fried_parameter_m(atmosphere.fwhm.to_value(u.rad), wavelength.value, airmass)
    star = optics.LongExposure(r0, atmosphere.outer_scale.value, diameter.value, wavelength.value, obstruction)
    return (star.fwhm_rad * u.rad).to(u.arcsec)
