"""How wide a star is on a rig's two sensors: one rule for all workbooks.

Air (seeing and outer scale of the site), aperture and central obstruction, multiplied as transfer functions. A width
holds for one wavelength: on the guide sensor for the mean wavelength that the camera detects of a usual star (class K0)
through its filter, whatever star is meant; in the picture for 550 nm.
"""

from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers.rig.parts import Rig
from helpers.shared import optics
from helpers.shared.checks import instance, number, optional, quantity, takes
from helpers.shared.limits import SETTINGS
from helpers.starlight import spectra

_USUAL_STAR = "K0"
_LARGEST_AIRMASS = 40  # at the horizon it is about 38: Kasten & Young 1989, Applied Optics 28, 4735
_AIRMASSES = number(minimum=1, maximum=_LARGEST_AIRMASS, ndim=None, most_values=SETTINGS)
_WAVELENGTH = quantity(u.nm, minimum=100, maximum=1e5)


@lru_cache(maxsize=256)
def _detected_nm(camera, filter_name, airmass, height_m, band_nm):
    light = spectra.sensor_response(camera, filter_name) * spectra.star_grid(_USUAL_STAR)
    light = light * spectra.transmission_of_air(airmass, height_m)
    light = light * spectra.window_of(None if band_nm is None else band_nm * u.nm)
    if not np.sum(light) > 0:
        raise ValueError("band: expected some light between these wavelengths on this sensor, found none")
    return np.sum(light * spectra.WAVELENGTHS.to_value(u.nm)) / np.sum(light)


@takes(
    rig=instance(Rig), airmass=number(minimum=1, maximum=_LARGEST_AIRMASS), band=optional(spectra.as_wavelength_pair)
)
def detected_wavelength(rig, airmass=1, band=None):
    """Mean wavelength of the electrons that the guide camera gets from a usual star (class K0).

    Parameters
    ----------
    rig : Rig
    airmass : float
        1 to 40.
    band : Quantity pair, nm, optional
        Only light between two wavelengths; all that the filter passes if not given.

    Returns
    -------
    Quantity [nm]

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also where the camera sees no light in the band.
    """
    band_nm = None if band is None else tuple(band.value.tolist())
    height_m = rig.site.height.to_value(u.m)
    return _detected_nm(rig.guide_camera, rig.guide_optics.filter, float(airmass), float(height_m), band_nm) * u.nm


def _star(site, optic, airmass, wavelength):
    """Long exposure of a star behind a telescope or guide optics of a rig."""
    wavelength_m = wavelength.to_value(u.m)
    r0_m = optics.fried_parameter_m(site.seeing.to_value(u.rad), wavelength_m, airmass)
    return optics.LongExposure(
        r0_m, site.outer_scale.to_value(u.m), optic.aperture.to_value(u.m), wavelength_m, optic.central_obstruction
    )


def picture_star(rig, airmass=1, wavelength=550 * u.nm):
    """The star of `picture_star_fwhm` with its whole shape; a `shared.optics.LongExposure`."""
    return _star(rig.site, rig.telescope, airmass, wavelength)


def guide_star(rig, airmass=1, wavelength=None):
    """The star of `guide_star_fwhm` with its whole shape; a `shared.optics.LongExposure`."""
    wavelength = detected_wavelength(rig, airmass) if wavelength is None else wavelength
    return _star(rig.site, rig.guide_optics, airmass, wavelength)


@takes(
    rig=instance(Rig),
    airmass=_AIRMASSES,
    wavelength=optional(_WAVELENGTH),
)
def guide_star_fwhm(rig, airmass=1, wavelength=None):
    """Width of a star on the guide sensor in a long exposure: air and guide optics.

    Parameters
    ----------
    rig : Rig
    airmass : float or array
        1 to 40; an array only with a wavelength.
    wavelength : Quantity [length], optional
        `detected_wavelength` if not given.

    Returns
    -------
    Quantity [arcsec]

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    As `shared.optics`; focus, pixels and the guide optics' own faults are left out.
    """
    return _arcsec(guide_star(rig, airmass, wavelength))


@takes(rig=instance(Rig), airmass=_AIRMASSES, wavelength=_WAVELENGTH)
def picture_star_fwhm(rig, airmass=1, wavelength=550 * u.nm):
    """Width of a star in the main camera's long exposure with perfect guiding: air and telescope.

    Parameters
    ----------
    rig : Rig
    airmass : float or array
        1 to 40.
    wavelength : Quantity [length]

    Returns
    -------
    Quantity [arcsec]

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    return _arcsec(picture_star(rig, airmass, wavelength))


def _arcsec(long_exposure):
    return (long_exposure.fwhm_rad * u.rad).to(u.arcsec)
