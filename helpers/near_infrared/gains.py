"""What guiding in the near infrared gains and loses, piece by piece."""

from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
from astropy.table import QTable

from helpers.near_infrared import refraction
from helpers.near_infrared.refraction import (
    airmass,
    along_axes,
    standard_air,
    zenith_direction,
)
from helpers.rig.parts import FILTERS, Rig
from helpers.seeing.air import Atmosphere, at_airmass
from helpers.seeing.named_air import atmosphere_for
from helpers.seeing.wander import image_motion
from helpers.seeing.widths import diffraction_fwhm, fried_parameter, seeing_fwhm, spot_fwhm
from helpers.shared.checks import as_choice, choice, instance, number, quantity, takes
from helpers.shared.optics import FWHM_PER_SIGMA
from helpers.starlight.light import detected_spectrum
from helpers.starlight.spectra import SPECTRAL_CLASSES, WAVELENGTHS, as_magnitude, extinction, window_of
from helpers.starlight.view import view
from helpers.starlight.widths import guide_star_fwhm

GAIN_QUANTITIES = ("fwhm", "image_motion", "diffraction", "spot")
_LARGEST_AIRMASS = 10  # sec z and the refraction formula hold to here
_COLOUR = quantity(u.m, minimum=1e-7, maximum=1e-4)


def _magnitude(name, value):
    return as_magnitude(name, value, minimum=-30, maximum=40)


def _one_magnitude(name, value):
    magnitude = _magnitude(name, value)
    if np.ndim(magnitude):
        raise ValueError(f"{name}: expected one number, found shape {np.shape(magnitude)}")
    return magnitude


def _band(name, value):
    """Two wavelengths, a filter's name, or None."""
    if isinstance(value, str):
        return as_choice(name, value, FILTERS)
    if value is not None:
        window_of(value)  # refuses by the name "band"
    return value


_STAR = {
    "rig": instance(Rig),
    "spectral_class": choice(tuple(SPECTRAL_CLASSES)),
    "airmass": number(minimum=1, maximum=_LARGEST_AIRMASS),
}


@takes(
    "from_wavelength to_wavelength diameter airmass obstruction",
    quantity=choice(GAIN_QUANTITIES),
    from_wavelength=_COLOUR,
    to_wavelength=_COLOUR,
    diameter=quantity(u.m, minimum=1e-3, maximum=100),
    atmosphere=instance(Atmosphere),
    airmass=number(minimum=1, maximum=_LARGEST_AIRMASS, ndim=None),
    obstruction=number(minimum=0, maximum=0.95, ndim=None),
)
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

    def value(wavelength):
        r0 = fried_parameter(atmosphere.fwhm, wavelength, airmass)
        if quantity == "fwhm":
            return seeing_fwhm(r0, wavelength, atmosphere.outer_scale)
        if quantity == "image_motion":  # Fried 1975; its factor 0.170 and the outer scale's share cancel in the ratio
            return (wavelength / diameter) * ((diameter / r0).to_value(u.one)) ** (5 / 6)
        if quantity == "diffraction":
            return diffraction_fwhm(diameter, wavelength)
        return spot_fwhm(diameter, atmosphere, wavelength, airmass, obstruction)

    old, new = value(from_wavelength), value(to_wavelength)
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
    noise, pixels, centroid : Quantity [arcsec]
        Errors of the measured centre, one-axis rms: by noise, by coarse pixels and a raw colour mosaic
        (`StarSignal.sampling_floor`), and by both.
    wander : Quantity [arcsec]
        Motion by the air that the exposure leaves, one-axis rms; the same in all colours.
    measurable : bool
        False where the star drowns in noise; its centroid error is then its whole width (`StarSignal`).
    """

    wavelength: u.Quantity
    seeing: u.Quantity
    diffraction: u.Quantity
    smear: u.Quantity
    spot: u.Quantity
    transmission: float
    electrons: u.Quantity
    sky: u.Quantity
    noise: u.Quantity
    pixels: u.Quantity
    centroid: u.Quantity
    wander: u.Quantity
    measurable: bool

    @property
    def error(self):
        """One-axis rms of both: what a single measured position is off, against perfect guiding."""
        return np.hypot(self.centroid, self.wander)


def _refraction_by_colour(rig, zenith_angle):
    """Refraction in arcsec on the grid of wavelengths (last axis) in the standard air of the site, dry."""
    pressure, temperature = standard_air(rig.site.height)
    return refraction.refraction(WAVELENGTHS, zenith_angle[..., np.newaxis], pressure, temperature, 0).value


@takes(band=_band, magnitude=_magnitude, **_STAR)
def guide_star(rig, band=None, magnitude=10, spectral_class="K0", airmass=1):
    """A guide star on a rig's guide camera, in a band of wavelengths.

    Parameters
    ----------
    rig : Rig
        Its guide exposure and, unless a filter is named, the filter of its guide optics count.
    band : Quantity pair [length] or str, optional
        Only light between two wavelengths; or all that a filter in `rig.FILTERS` passes instead of the rig's own; all
        that the rig's own filter passes if not given.
    magnitude : float, array or Quantity in mag
        Gaia G. Of the result, electrons, noise, pixels and centroid have its shape.
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
    rig, band = _behind(rig, band)
    detected = detected_spectrum(rig, 0, spectral_class, airmass)[0].value * window_of(band)
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
    spot = np.hypot(guide_star_fwhm(rig, airmass, wavelength), smear / np.sqrt(2))
    signal = view(rig, airmass=airmass, spectral_class=spectral_class, fwhm=spot, band=band).signal(magnitude)
    return GuideStar(
        wavelength=wavelength,
        seeing=seeing,
        diffraction=diffraction_fwhm(diameter, wavelength),
        smear=smear,
        spot=spot,
        transmission=float(1 / (share @ 10 ** (0.4 * lost))),
        electrons=signal.electrons,
        sky=signal.sky,
        noise=signal.noise_error,
        pixels=signal.sampling_floor,
        centroid=signal.centroid_error,
        wander=image_motion(diameter, at_airmass(atmosphere, airmass), rig.guiding.exposure),
        measurable=signal.measurable,
    )


def _behind(rig, band):
    """The rig with the filter that `band` names, and what is left to say of the band."""
    if not isinstance(band, str):
        return rig, band
    return replace(rig, guide_optics=replace(rig.guide_optics, filter=band)), None


@takes(old=instance(GuideStar), new=instance(GuideStar))
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


@takes(magnitude=_one_magnitude, **_STAR)
def compare_filters(rig, magnitude=10, spectral_class="K0", airmass=1):
    """The same guide star behind each filter: which one measures best?

    Parameters
    ----------
    rig : Rig
    magnitude, spectral_class, airmass
        As in `guide_star`; one magnitude.

    Returns
    -------
    dict of str to GuideStar
        One for each name in `rig.FILTERS`, best measured (least error) first.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    stars = {name: guide_star(rig, name, magnitude, spectral_class, airmass) for name in FILTERS}
    return dict(sorted(stars.items(), key=lambda item: item[1].error))


def _bands(name, value):
    if not isinstance(value, dict) or not value:
        raise TypeError(f"{name}: expected a dictionary of at least one band, found {value!r:.60}")
    return {key: _band(name, band) for key, band in value.items()}


@takes(bands=_bands, magnitude=_one_magnitude, **_STAR)
def light_against_width(rig, bands, magnitude=10, spectral_class="K0", airmass=1):
    """Why a narrower spot need not be a better one: what the width gives, and what the light takes.

    Parameters
    ----------
    rig : Rig
    bands : dict of str to band
        Bands by name, each as in `guide_star`. The first is what the others are compared with.
    magnitude, spectral_class, airmass
        As in `guide_star`; one magnitude.

    Returns
    -------
    QTable
        A row for each band, in order: band, wavelength [nm], spot [arcsec], electrons; then three factors, below 1 for
        a gain, of the error against the first band's: width_alone (noise error of a star that gives as many electrons
        as in the first band; sky as it is), light_alone (what the light that is really left then makes of it) and
        pixels_alone (what coarse pixels and a raw colour mosaic add); centroid, their product, the factor of the
        centroid error; measurable.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also when the star drowns in noise in the first band.
    """
    stars = {name: guide_star(rig, band, magnitude, spectral_class, airmass) for name, band in bands.items()}
    first = next(iter(stars.values()))
    if not first.measurable:
        raise ValueError(f"magnitude: expected a star that can be measured in the first band, found {magnitude:g}")
    rows = []
    for name, star in stars.items():
        # as bright a star as gives this band the electrons that the first one has
        even = magnitude + 2.5 * np.log10(float(star.electrons / first.electrons))
        behind, band = _behind(rig, bands[name])
        equal = view(behind, airmass=airmass, spectral_class=spectral_class, fwhm=star.spot, band=band).signal(even)
        width, noise, centroid = (
            float(a / b)
            for a, b in (
                (equal.noise_error, first.noise),
                (star.noise, first.noise),
                (star.centroid, first.centroid),
            )
        )
        factors = width, noise / width, centroid / noise, centroid
        rows.append((name, star.wavelength, star.spot, star.electrons, *factors, bool(star.measurable)))
    names = ("band", "wavelength", "spot", "electrons", "width_alone", "light_alone", "pixels_alone", "centroid")
    return QTable(rows=rows, names=(*names, "measurable"))


@takes(
    rig=instance(Rig),
    picture_wavelength=quantity(u.nm, minimum=300, maximum=1700, ndim=0),
    hour_angle=quantity(u.deg, minimum=-360, maximum=360, ndim=1, most_values=10_000),
    declination=quantity(u.deg, minimum=-90, maximum=90, ndim=0),
    spectral_class=choice(tuple(SPECTRAL_CLASSES)),
)
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
