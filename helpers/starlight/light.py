"""How much of a star's and the sky's light a rig's guide camera detects."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.rig.parts import Camera, Rig
from helpers.shared.checks import choice, instance, number, optional, takes
from helpers.starlight import spectra
from helpers.starlight.spectra import SPECTRAL_CLASSES, as_curve, as_magnitude, as_wavelength_pair

_BEFORE_AMPLIFIER = 0.5  # share of the read noise variance that no gain setting lowers; invented


@dataclass(frozen=True)
class GainSetting:
    """A camera at one gain setting: read noise, full well and electrons per step of the digitised value."""

    read_noise: u.Quantity
    full_well: u.Quantity
    step: u.Quantity


@takes(camera=instance(Camera), gain=number(minimum=0.1, maximum=100))
def gain_setting(camera, gain=1):
    """What a gain setting does: a smaller full well, smaller digital steps, less read noise. It makes no light.

    Parameters
    ----------
    camera : rig.Camera
        Its read noise and full well are those of gain 1.
    gain : float
        Amplification against the setting that the camera is described with, 0.1 to 100.

    Returns
    -------
    GainSetting

    Raises
    ------
    ValueError, TypeError

    Notes
    -----
    Half of the read noise variance is taken to arise before the amplifier (invented), where no setting lowers it.
    """
    full_well = camera.full_well / gain
    read_noise = camera.read_noise * np.sqrt(_BEFORE_AMPLIFIER + (1 - _BEFORE_AMPLIFIER) / gain**2)
    return GainSetting(read_noise, full_well, full_well / (2**camera.bit_depth - 1))


def _collecting_area(optics):
    """Square metres that gather light, times the share that passes the optics."""
    diameter = optics.aperture.to_value(u.m)
    return np.pi / 4 * diameter**2 * (1 - optics.central_obstruction**2) * optics.transmission


# What a view of a star's light takes.
CLASS, AIRMASS = choice(tuple(SPECTRAL_CLASSES)), number(minimum=1, maximum=40)
CURVE = optional(as_curve)


def detected(rig, spectral_class, airmass, curve=None, colour="mean"):
    """Electrons / (s nm) of a star of G = 0, and of an arcsec2 of sky, on the grid of wavelengths; plain arrays."""
    response = _collecting_area(rig.guide_optics) * spectra.sensor_response(
        rig.guide_camera, rig.guide_optics.filter, curve, colour
    )
    star = spectra.star_grid(spectral_class) * spectra.transmission_of_air(airmass, rig.site.height.to_value(u.m))
    return response * star, response * spectra.sky_grid(rig.site.sky_brightness.value.item())


@takes(
    rig=instance(Rig),
    magnitude=lambda name, value: as_magnitude(name, value, minimum=-30, maximum=40),
    spectral_class=CLASS,
    airmass=AIRMASS,
    curve=CURVE,
)
def detected_spectrum(rig, magnitude, spectral_class="K0", airmass=1, curve=None):
    """Electrons a second by wavelength that the guide camera gets from a star and from the sky.

    Parameters
    ----------
    rig : Rig
    magnitude : float or Quantity in mag
        Gaia G.
    spectral_class, airmass, curve
        As in `view`.

    Returns
    -------
    star : Quantity, electron / (s nm), shape of `WAVELENGTHS`
    sky : Quantity, electron / (s nm arcsec2), shape of `WAVELENGTHS`

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    star, sky = detected(rig, spectral_class, airmass, curve)
    unit = u.electron / (u.s * u.nm)
    return np.multiply.outer(10 ** (-0.4 * np.asarray(magnitude)), star) * unit, sky * unit / u.arcsec**2


@takes(rig=instance(Rig), spectral_class=CLASS, airmass=AIRMASS, band=optional(as_wavelength_pair))
def mosaic_shares(rig, spectral_class="K0", airmass=1, band=None):
    """Light that red, green and blue pixels of a colour mosaic get, against the mean pixel.

    Parameters
    ----------
    rig : Rig
    spectral_class : str
    airmass : float
    band : Quantity pair, nm, optional
        Only light between two wavelengths; all if not given.

    Returns
    -------
    star, sky : ndarray (3,)
        One red, two green and one blue pixel average to 1; all 1 for a camera without a colour mosaic.

    Raises
    ------
    ValueError, TypeError
    """

    window = spectra.window_of(band)

    def light(colour):
        return [spectra.integral(part * window) for part in detected(rig, spectral_class, airmass, None, colour)]

    star, sky = np.transpose([light(colour) for colour in spectra.MOSAIC_COLOURS])
    mean_star, mean_sky = light("mean")
    return star / mean_star, sky / mean_sky
