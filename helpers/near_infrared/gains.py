"""What guiding in the near infrared gains and loses, piece by piece."""

from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
from astropy.table import QTable

from helpers.near_infrared import refraction
from helpers.near_infrared.refraction import (
    airmass,
    along_axes,
    differential_refraction,
    refractivity,
    standard_air,
    zenith_direction,
)
from helpers.rig.parts import FILTERS, Rig
from helpers.seeing.air import (
    at_airmass,
    atmosphere_for,
    check_atmosphere,
    diffraction_fwhm,
    fried_parameter,
    image_motion,
    seeing_fwhm,
    spot_fwhm,
)
from helpers.shared.checks import as_choice, as_number, as_quantity
from helpers.shared.optics import FWHM_PER_SIGMA
from helpers.starlight.light import detected_spectrum
from helpers.starlight.spectra import WAVELENGTHS, extinction, window_of
from helpers.starlight.view import view
from helpers.starlight.widths import guide_star_fwhm

__all__ = [
    "GAIN_QUANTITIES",
    "GuideStar",
    "airmass",
    "along_axes",
    "compare_filters",
    "differential_refraction",
    "gain_pieces",
    "guide_star",
    "light_against_width",
    "picture_drift",
    "refractivity",
    "standard_air",
    "wavelength_gain",
    "zenith_direction",
]

GAIN_QUANTITIES = ("fwhm", "image_motion", "diffraction", "spot")
_LARGEST_AIRMASS = 10  # sec z and the refraction formula hold to here


def wavelength_gain(quantity, from_wavelength, to_wavelength, diameter, atmosphere, airmass=1, obstruction=0):
    """What a change of wavelength does to a star: new value over old, below 1 where it shrinks.

    Parameters
    ----------
    quantity : {"fwhm", "image_motion", "diffraction", "spot"}
        Long-exposure seeing; wander of the centroid; width by diffraction; width on the sensor, by both.
    from_wavelength, to_wavelength : Quantity [length]
        100 nm to 100 um.
    diameter : Quantity [length]
        Aperture of the guide optics.
    atmosphere : Atmosphere
    airmass : float
        1 to 10.
    obstruction : float
        Central obstruction, as a share of the diameter, which counts for "spot" alone.

    Returns
    -------
    float
        An array when an argument is one. Wander gives 1, as (lambda/D)^2 (D/r0)^(5/3) does not change with r0 ~
        lambda^(6/5).

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Fried 1966, JOSA 56, 1372 (r0); Tokovinin 2002, PASP 114, 1156 (outer scale; wander); Born & Wolf, Principles of
    Optics, section 8.5.2 (diffraction).
    """
    quantity = as_choice("quantity", quantity, GAIN_QUANTITIES)
    check_atmosphere(atmosphere)
    airmass = as_number("airmass", airmass, minimum=1, maximum=_LARGEST_AIRMASS, ndim=None)
    diameter = as_quantity("diameter", diameter, u.m, minimum=1e-3, maximum=100)
    wavelengths = [
        as_quantity(name, value, u.m, minimum=1e-7, maximum=1e-4)
        for name, value in (("from_wavelength", from_wavelength), ("to_wavelength", to_wavelength))
    ]
    try:
        np.broadcast_shapes(np.shape(airmass), diameter.shape, *(wavelength.shape for wavelength in wavelengths))
    except ValueError as error:
        raise ValueError("from_wavelength, to_wavelength, diameter, airmass: expected shapes that fit") from error

    def value(wavelength):
        r0 = fried_parameter(atmosphere.fwhm, wavelength, airmass)
        if quantity == "fwhm":
            return seeing_fwhm(r0, wavelength, atmosphere.outer_scale)
        if quantity == "image_motion":  # Fried 1975; its factor 0.170 and the outer scale's share cancel in the ratio
            return (wavelength / diameter) * ((diameter / r0).to_value(u.one)) ** (5 / 6)
        if quantity == "diffraction":
            return diffraction_fwhm(diameter, wavelength)
        return spot_fwhm(diameter, atmosphere, wavelength, airmass, obstruction)

    old, new = (value(wavelength) for wavelength in wavelengths)
    gain = (new / old).to_value(u.one)
    return float(gain) if np.ndim(gain) == 0 else gain


@dataclass(frozen=True)
class GuideStar:
    """A guide star as one band of wavelengths shows it.

    Attributes
    ----------
    wavelength : Quantity [nm]
        Mean over the detected light of the star.
    seeing, diffraction : Quantity [arcsec]
        Widths (FWHM) by the air and by the aperture.
    smear : Quantity [arcsec]
        Length, as a width, of the small spectrum towards the zenith into which refraction draws the star.
    spot : Quantity [arcsec]
        Width on the sensor: `starlight.guide_star_fwhm`, widened by the smear as its mean over both axes.
    transmission : float
        Share of the star's light that the air lets pass.
    electrons : Quantity [electron]
        Of the star, in one exposure.
    sky : Quantity [electron / pix]
    centroid : Quantity [arcsec]
        Error of the measured centre, one-axis rms.
    wander : Quantity [arcsec]
        Motion by the air that the exposure leaves, one-axis rms; the same in all colours.
    """

    wavelength: u.Quantity
    seeing: u.Quantity
    diffraction: u.Quantity
    smear: u.Quantity
    spot: u.Quantity
    transmission: float
    electrons: u.Quantity
    sky: u.Quantity
    centroid: u.Quantity
    wander: u.Quantity

    @property
    def error(self):
        """One-axis rms of both: what a single measured position is off, against perfect guiding."""
        return np.hypot(self.centroid, self.wander)


def _check_rig(rig):
    if not isinstance(rig, Rig):
        raise TypeError(f"rig: expected a Rig, found {type(rig).__name__}")


def _refraction_by_colour(rig, zenith_angle):
    """Refraction in arcsec on the grid of wavelengths (last axis) in the standard air of the site, dry."""
    pressure, temperature = standard_air(rig.site.height)
    return refraction.refraction(WAVELENGTHS, zenith_angle[..., np.newaxis], pressure, temperature, 0).value


def guide_star(rig, band=None, magnitude=10, spectral_class="K0", airmass=1):
    """A guide star on a rig's guide camera, in a band of wavelengths.

    Parameters
    ----------
    rig : Rig
        Its guide exposure and the filter of its guide optics count.
    band : Quantity pair [length], optional
        Only light between two wavelengths; all that the filter passes if not given.
    magnitude : float
        Gaia G.
    spectral_class : str
        A name in `starlight.SPECTRAL_CLASSES`.
    airmass : float
        1 to 10.

    Returns
    -------
    GuideStar

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also when the camera sees no light in the band.

    Notes
    -----
    A perfectly corrected lens is assumed; a lens made for the visible must at least be focused anew, and may blur more.
    """
    _check_rig(rig)
    airmass = as_number("airmass", airmass, minimum=1, maximum=_LARGEST_AIRMASS)
    magnitude = as_number("magnitude", magnitude, minimum=-30, maximum=40)
    detected = detected_spectrum(rig, magnitude, spectral_class, airmass)[0].value * window_of(band)
    total = detected.sum()
    if total <= 0:
        raise ValueError("band: expected wavelengths that this camera and filter see, found none")
    share = detected / total
    wavelength = np.sum(share * WAVELENGTHS)
    lost = extinction(WAVELENGTHS, airmass, rig.site.height).value
    bending = _refraction_by_colour(rig, np.arccos(1 / airmass) * u.rad)
    smear = FWHM_PER_SIGMA * np.sqrt(max(share @ bending**2 - (share @ bending) ** 2, 0)) * u.arcsec
    atmosphere, diameter = atmosphere_for(rig.site), rig.guide_optics.aperture
    seeing = seeing_fwhm(fried_parameter(atmosphere.fwhm, wavelength, airmass), wavelength, atmosphere.outer_scale)
    diffraction = diffraction_fwhm(diameter, wavelength)
    spot = np.hypot(guide_star_fwhm(rig, airmass, wavelength), smear / np.sqrt(2))
    signal = view(rig, airmass=airmass, spectral_class=spectral_class, fwhm=spot, band=band).signal(magnitude)
    return GuideStar(
        wavelength=wavelength,
        seeing=seeing,
        diffraction=diffraction,
        smear=smear,
        spot=spot,
        transmission=float(1 / (share @ 10 ** (0.4 * lost))),
        electrons=signal.electrons,
        sky=signal.sky,
        centroid=signal.centroid_error,
        wander=image_motion(diameter, at_airmass(atmosphere, airmass), rig.guiding.exposure),
    )


def gain_pieces(old, new):
    """Compare a guide star in two bands, piece by piece.

    Parameters
    ----------
    old, new : GuideStar

    Returns
    -------
    dict of str to float
        New over old. Below 1 is a gain for "fwhm", "image_motion", "diffraction", "smear", "spot", "sky", "centroid"
        and "error"; above 1 is a gain for "extinction" (share of light that passes the air) and "light" (the rest of
        the star's electrons: its colour, and what sensor, dyes and filter take). "smear" is left out at the zenith.

    Raises
    ------
    TypeError
        No GuideStar.
    """
    for name, star in (("old", old), ("new", new)):
        if not isinstance(star, GuideStar):
            raise TypeError(f"{name}: expected a GuideStar, found {type(star).__name__}")
    pieces = {
        "fwhm": new.seeing / old.seeing,
        "image_motion": new.wander / old.wander,
        "diffraction": new.diffraction / old.diffraction,
        "spot": new.spot / old.spot,
        "extinction": new.transmission / old.transmission,
        "light": new.electrons / new.transmission / (old.electrons / old.transmission),
        "sky": new.sky / old.sky,
        "centroid": new.centroid / old.centroid,
        "error": new.error / old.error,
    }
    if old.smear > 0 * u.arcsec:
        pieces["smear"] = new.smear / old.smear
    return {name: float(u.Quantity(value).to_value(u.one)) for name, value in pieces.items()}


def compare_filters(rig, magnitude=10, spectral_class="K0", airmass=1):
    """The same guide star behind each filter: which one measures best?

    Parameters
    ----------
    rig : Rig
    magnitude, spectral_class, airmass
        As in `guide_star`.

    Returns
    -------
    dict of str to GuideStar
        One for each name in `rig.FILTERS`, best measured (least error) first.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    _check_rig(rig)
    stars = {}
    for name in FILTERS:
        behind = replace(rig, guide_optics=replace(rig.guide_optics, filter=name))
        stars[name] = guide_star(behind, None, magnitude, spectral_class, airmass)
    return dict(sorted(stars.items(), key=lambda item: item[1].error))


def light_against_width(rig, bands, magnitude=10, spectral_class="K0", airmass=1):
    """Why a narrower spot need not be a better one: what the width gives, and what the light takes.

    Parameters
    ----------
    rig : Rig
    bands : dict of str to Quantity pair [length] or None
        Bands by name; None is all that the rig's filter passes. The first is what the others are compared with.
    magnitude, spectral_class, airmass
        As in `guide_star`.

    Returns
    -------
    QTable
        A row for each band, in order: band, wavelength [nm], spot [arcsec], electrons, width_alone (centroid error of a
        star that gives as many electrons as in the first band, over that of the first; sky as it is), light_alone (what
        the light that is really left then makes of it) and centroid (both: their product). Below 1 is a gain.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    if not isinstance(bands, dict) or not bands:
        raise TypeError(f"bands: expected a dictionary of at least one band, found {bands!r:.60}")
    stars = {name: guide_star(rig, band, magnitude, spectral_class, airmass) for name, band in bands.items()}
    first = next(iter(stars.values()))
    rows = []
    for name, star in stars.items():
        # as bright a star as gives this band the electrons that the first one has
        even = magnitude + 2.5 * np.log10(float(star.electrons / first.electrons))
        equal = (
            view(rig, airmass=airmass, spectral_class=spectral_class, fwhm=star.spot, band=bands[name])
            .signal(even)
            .centroid_error
        )
        width_alone, both = float(equal / first.centroid), float(star.centroid / first.centroid)
        rows.append((name, star.wavelength, star.spot, star.electrons, width_alone, both / width_alone, both))
    names = ("band", "wavelength", "spot", "electrons", "width_alone", "light_alone", "centroid")
    return QTable(rows=rows, names=names)


def picture_drift(rig, picture_wavelength, hour_angle, declination, spectral_class="K0"):
    """How the main picture drifts because the guide camera watches its star in another colour.

    Parameters
    ----------
    rig : Rig
        Its latitude, height, guide camera and guide filter count.
    picture_wavelength : Quantity [length]
        Mean wavelength of the main picture, 300 to 1700 nm.
    hour_angle : Quantity [angle], shape (n,)
        Positive west of the meridian.
    declination : Quantity [angle]
        Of target and guide star alike.
    spectral_class : str
        Of the guide star.

    Returns
    -------
    Quantity [arcsec], shape (n, 2)
        Shift of the main picture along right ascension (east) and declination (north) since the first hour angle,
        guiding being perfect, in the standard air of the site.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also when the target is less than 5 degrees above the horizon at an hour angle.

    Notes
    -----
    Leaves out that guide star and target, in different places of the sky, are refracted differently in one colour.
    """
    _check_rig(rig)
    hour_angle = as_quantity("hour_angle", hour_angle, u.deg, minimum=-360, maximum=360, ndim=1)
    declination = as_quantity("declination", declination, u.deg, minimum=-90, maximum=90, ndim=0)
    picture_wavelength = as_quantity("picture_wavelength", picture_wavelength, u.nm, minimum=300, maximum=1700, ndim=0)
    detected = detected_spectrum(rig, 0, spectral_class, 1)[0].value
    zenith_angle, parallactic_angle = zenith_direction(hour_angle, declination, rig.site.latitude)
    low = zenith_angle > 85 * u.deg
    if np.any(low):
        raise ValueError(
            f"hour_angle: expected a target at least 5 deg above the horizon, found it at "
            f"{90 - zenith_angle[low][0].value:.1f} deg at {hour_angle[low][0]:g}"
        )
    more_air = airmass(zenith_angle)[:, np.newaxis] - 1
    share = detected * 10 ** (-0.4 * more_air * extinction(WAVELENGTHS, 1, rig.site.height).value)
    guide = np.sum(share * _refraction_by_colour(rig, zenith_angle), axis=1) / share.sum(axis=1) * u.arcsec
    pressure, temperature = standard_air(rig.site.height)
    picture = refraction.refraction(picture_wavelength, zenith_angle, pressure, temperature, 0)
    shift = along_axes(picture - guide, parallactic_angle)
    return shift - shift[0]
