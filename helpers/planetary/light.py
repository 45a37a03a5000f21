"""What a rig's guide camera gets at the main telescope's focus from what has a surface: planets and galaxies."""

from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from helpers.pixel_scale.scale import field_of_view, pixel_scale
from helpers.planetary.planets import MIDDLE_OVER_MEAN, PLANETS, surface_brightness
from helpers.rig.parts import Rig
from helpers.shared.checks import choice, instance, number, quantity, takes
from helpers.starlight import spectra
from helpers.starlight.light import detected

_SUNLIGHT = "G2"
_GALAXY = "K0"  # colour of a galaxy's light, near enough (V - I about 1.1)
_V_NM = 545
# Length and width of some galaxies out to where they have faded to 25 mag / arcsec2 in blue light: de Vaucouleurs et
# al. 1991, Third Reference Catalogue of Bright Galaxies (from memory).
GALAXIES = {
    "M101": (28.8, 26.9) * u.arcmin,
    "M51": (11.2, 6.9) * u.arcmin,
    "NGC 7331": (10.5, 3.7) * u.arcmin,
    "M104": (8.7, 3.5) * u.arcmin,
    "M100": (7.4, 6.3) * u.arcmin,
    "NGC 7479": (4.1, 3.1) * u.arcmin,
}
# The same brightness in V, for a galaxy with the usual B - V of 0.9 (from memory).
EDGE_OF_A_GALAXY = 24.1 * u.mag / u.arcsec**2

_RIG = instance(Rig)
_FOCAL_LENGTH = quantity(u.mm, minimum=1, maximum=1e6, ndim=0)
_EXPOSURE = quantity(u.s, minimum=1e-6, maximum=1e5)
_AIRMASS = number(minimum=1, maximum=40)


def _band(name, value):
    spectra.window_of(value)
    return value


def on_axis(rig):
    """The rig with its guide camera in the place of the main camera: the whole aperture, no filter, no mirror."""
    telescope = rig.telescope
    optics = replace(
        rig.guide_optics,
        kind="guide telescope",
        aperture=telescope.aperture,
        focal_length=telescope.focal_length,
        central_obstruction=telescope.central_obstruction,
        transmission=telescope.transmission,
        filter="none",
    )
    return replace(rig, guide_optics=optics)


def surface_rates(rig, spectral_class, airmass, band, colour="mean"):
    """Electrons / (s arcsec2) from a surface of V = 0 per arcsec2 with a star's colour, and from the sky."""
    window = spectra.window_of(band)
    star, sky = (
        spectra.integral(part * window) for part in detected(on_axis(rig), spectral_class, airmass, None, colour)
    )
    # the star above has G = 0; what its V is follows from its own spectrum
    photons = np.interp(_V_NM, spectra.WAVELENGTHS.value, spectra.star_grid(spectral_class))
    wanted = spectra.photon_flux(0, "V").value / spectra.BANDS["V"][1].value
    return star * wanted / photons, sky


def _brightest_rate(rig, airmass, band):
    """As the star of `surface_rates` for the colour of a mosaic that gets most."""
    colours = spectra.MOSAIC_COLOURS if rig.guide_camera.mosaic else ("mean",)
    return max(surface_rates(rig, _SUNLIGHT, airmass, band, colour)[0] for colour in colours)


@takes(rig=_RIG)
def galaxies_in_field(rig):
    """Which of `GALAXIES` the guide camera in the main telescope's focus shows whole, turned as suits them best.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    list of str
    """
    camera = rig.guide_camera
    field = sorted(field_of_view((camera.columns, camera.rows), camera.pixel_size, rig.telescope.focal_length))
    return [name for name, size in GALAXIES.items() if all(np.sort(size) <= u.Quantity(field))]


@dataclass(frozen=True)
class DiscSignal:
    """A pixel on a planet's disc in one exposure.

    electrons [electron], of a mean pixel of the mean disc; signal_to_noise of that; filling, share of the full well in
    the brightest pixel: middle of the disc, and the colour of a mosaic that gets most.
    """

    electrons: u.Quantity
    signal_to_noise: float
    filling: float


@takes(
    rig=_RIG,
    planet=choice(PLANETS),
    focal_length=_FOCAL_LENGTH,
    exposure=_EXPOSURE,
    band=_band,
    airmass=_AIRMASS,
)
def disc_signal(rig, planet, focal_length, exposure, band=None, airmass=1):
    """What a pixel of the rig's guide camera gets from a planet's disc through the main telescope.

    Parameters
    ----------
    rig : Rig
        Its guide camera's own pixels count, not binned.
    planet : str
        One of `PLANETS`, opposite the Sun.
    focal_length : Quantity [length]
        With the extender, whose own losses are left out.
    exposure : Quantity [time]
    band : Quantity pair [length], optional
        Only light between two wavelengths, as a filter in front would leave it.
    airmass : float

    Returns
    -------
    DiscSignal

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    Notes
    -----
    Sunlight sent back alike in all colours: Mars is brighter in red and fainter in blue than that.
    """
    brightness = 10 ** (-0.4 * surface_brightness(planet).value)
    camera = rig.guide_camera
    per_pixel = brightness * pixel_scale(camera.pixel_size, focal_length).value ** 2 * exposure.value
    electrons = surface_rates(rig, _SUNLIGHT, airmass, band)[0] * per_pixel
    noise = np.sqrt(electrons + camera.dark_current.value * exposure.value + camera.read_noise.value**2)
    brightest = MIDDLE_OVER_MEAN * _brightest_rate(rig, airmass, band) * per_pixel
    return DiscSignal(electrons * u.electron, electrons / noise, brightest / camera.full_well.value)


@takes(
    rig=_RIG,
    planet=choice(PLANETS),
    focal_length=_FOCAL_LENGTH,
    share=number(above=0, maximum=1),
    band=_band,
    airmass=_AIRMASS,
)
def filling_exposure(rig, planet, focal_length, share=0.7, band=None, airmass=1):
    """The exposure in which the brightest pixel of a planet fills to a share of its full well.

    Parameters
    ----------
    rig, planet, focal_length, band, airmass
        As in `disc_signal`.
    share : float
        0 to 1; 0.7 leaves room for a moment of good air (common practice, no source).

    Returns
    -------
    Quantity [s]

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also when the camera sees no light in the band.
    """
    one = disc_signal(rig, planet, focal_length, 1 * u.s, band, airmass).filling
    if one <= 0:
        raise ValueError("band: expected wavelengths that this camera sees, found none")
    return share / one * u.s


@takes(rig=_RIG, more_noise=number(minimum=1e-6, maximum=1), airmass=_AIRMASS)
def sky_limited_exposure(rig, more_noise=0.05, airmass=1):
    """The single exposure from which reading adds no more than a given share to the noise of sky and dark current.

    Parameters
    ----------
    rig : Rig
        Its guide camera in the main telescope's focus, without extender.
    more_noise : float
        Share by which reading raises the noise, 0 to 1.
    airmass : float

    Returns
    -------
    Quantity [s]
        read noise^2 / (rate ((1 + share)^2 - 1)).

    Raises
    ------
    ValueError, TypeError

    References
    ----------
    Variances of independent noises add: Merline & Howell 1995, Experimental Astronomy 6, 163.
    """
    camera = rig.guide_camera
    area = pixel_scale(camera.pixel_size, rig.telescope.focal_length).value ** 2
    rate = surface_rates(rig, _GALAXY, airmass, None)[1] * area + camera.dark_current.value
    return camera.read_noise.value**2 / (rate * ((1 + more_noise) ** 2 - 1)) * u.s


@takes(
    "exposure",
    rig=_RIG,
    exposure=_EXPOSURE,
    total=quantity(u.s, minimum=1e-3, maximum=1e7, ndim=0),
    area=quantity(u.arcsec**2, minimum=1e-6, maximum=1e8, ndim=0),
    signal_to_noise=number(minimum=1e-3, maximum=1e6),
    airmass=_AIRMASS,
)
def faintest_surface(rig, exposure, total=1 * u.h, area=100 * u.arcsec**2, signal_to_noise=5, airmass=1):
    """The faintest surface that a stack of exposures shows.

    Parameters
    ----------
    rig : Rig
        Its guide camera in the main telescope's focus, without extender.
    exposure : Quantity [time]
        Of each frame.
    total : Quantity [time]
        Of all frames together.
    area : Quantity [solid angle]
        Over which the light is added up.
    signal_to_noise : float
    airmass : float

    Returns
    -------
    Quantity [mag / arcsec2]
        In V, above the atmosphere; same shape as `exposure`.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Merline & Howell 1995, Experimental Astronomy 6, 163: S/N = S / sqrt(S + pixels (sky + dark + read noise^2)).
    """
    camera = rig.guide_camera
    pixels = area.value / pixel_scale(camera.pixel_size, rig.telescope.focal_length).value ** 2
    surface, sky = surface_rates(rig, _GALAXY, airmass, None)
    reading = camera.read_noise.value**2 * total.value / exposure.value
    noise = sky * area.value * total.value + pixels * (camera.dark_current.value * total.value + reading)
    square = signal_to_noise**2
    wanted = (square + np.sqrt(square**2 + 4 * square * noise)) / 2
    return -2.5 * np.log10(wanted / (surface * area.value * total.value)) * u.mag / u.arcsec**2
