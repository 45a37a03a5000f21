"""The same small camera on planets: sampling, field, data rate, exposure, rotation, and visible against near
infrared.
"""

import astropy.units as u
import numpy as np

from helpers.pixel_scale.scale import pixel_scale
from helpers.seeing.air import check_atmosphere, diffraction_fwhm, fried_parameter
from helpers.shared import optics
from helpers.shared.checks import as_choice, as_count, as_number, as_quantity

# Bytes a second that a link really carries.
LINKS = {
    "USB 2": 37.5e6,  # common practice, no source: 35 to 40 MB/s of the 60 MB/s that 480 Mbit/s would be
    "USB 3": 380e6,  # common practice, no source: of the 500 MB/s that 5 Gbit/s carries after 8b/10b coding
    "gigabit Ethernet": 125e6 * 1472 / 1538,  # IEEE 802.3 frames of 1538 bytes with 1472 bytes of UDP data
}
# Rows a second that a sensor of this class reads out, by the bits it converts. Common practice, no source: about 90
# frames a second at 8 bit and 70 at 16 bit (12 bit converted, sent as two bytes) for 1080 rows.
_ROWS_PER_SECOND = {8: 90 * 1080, 16: 70 * 1080}

# Rotation rates, degrees a day: Archinal et al. 2018, Celest. Mech. Dyn. Astron. 130, 22 (IAU working group, report
# 2015); Jupiter and Saturn: rotation of the magnetic field (System III).
_TURN_DEG_PER_DAY = {"Mars": 350.891982443297, "Jupiter": 870.5360000, "Saturn": 810.7939024}
# Apparent equatorial diameters at a good opposition, from memory; the almanac of the year tells the true one.
LARGEST_DIAMETER = {"Mars": 24 * u.arcsec, "Jupiter": 49 * u.arcsec, "Saturn": 20 * u.arcsec}
PLANETS = tuple(_TURN_DEG_PER_DAY)


def critical_focal_ratio(pixel_size, wavelength):
    """Focal ratio at which a pixel just takes in the finest detail an aperture passes: two pixels to lambda N.

    Parameters
    ----------
    pixel_size, wavelength : Quantity [length]

    Returns
    -------
    float
        2 p / lambda.

    References
    ----------
    Cut-off frequency 1 / (lambda N) of a circular aperture: Goodman, "Introduction to Fourier optics", 6.3; two samples
    to the shortest period: Shannon 1949.
    """
    pixel = as_quantity("pixel_size", pixel_size, u.um, above=0).value
    wave = as_quantity("wavelength", wavelength, u.um, above=0).value
    ratio = 2 * pixel / wave
    return float(ratio) if np.ndim(ratio) == 0 else ratio


def amplifier(pixel_size, wavelength, aperture, focal_length):
    """Factor of a focal extender that brings a telescope to critical sampling; below 1 it is sampled finely enough
    already.

    Parameters
    ----------
    pixel_size, wavelength, aperture, focal_length : Quantity [length]

    Returns
    -------
    float
    """
    aperture = as_quantity("aperture", aperture, u.mm, above=0, ndim=0)
    focal_length = as_quantity("focal_length", focal_length, u.mm, above=0, ndim=0)
    return critical_focal_ratio(pixel_size, wavelength) / float((focal_length / aperture).value)


def pixels_across(angle, pixel_size, focal_length):
    """Pixels that an angle covers, not rounded.

    Parameters
    ----------
    angle : Quantity [angle]
    pixel_size, focal_length : Quantity [length]
        Focal length with its extender.

    Returns
    -------
    float
    """
    angle = as_quantity("angle", angle, u.arcsec, above=0, ndim=0)
    return float((angle / pixel_scale(pixel_size, focal_length)).to_value(u.pix))


def frame_rate(shape, bit_depth, link):
    """Frames a second: the slower of the sensor's rows and the link's bytes.

    Parameters
    ----------
    shape : tuple of int
        (columns, rows) that are read out; a smaller region is quicker.
    bit_depth : int
        8, or 9 to 16: those are sent as two bytes.
    link : str
        One of `LINKS`.

    Returns
    -------
    Quantity [1 / s]

    References
    ----------
    Common practice, no source, for a sensor of two million pixels: 90 a second at 8 bit, 70 at 16 bit over USB 3.
    """
    try:
        columns, rows = shape
    except (TypeError, ValueError):
        raise ValueError(f"shape: expected (columns, rows), found {shape!r:.40}") from None
    columns, rows = as_count("shape", columns, minimum=1), as_count("shape", rows, minimum=1)
    bits = as_count("bit_depth", bit_depth, minimum=8, maximum=16)
    size = 1 if bits == 8 else 2
    by_link = LINKS[as_choice("link", link, tuple(LINKS))] / (columns * rows * size)
    by_sensor = _ROWS_PER_SECOND[8 * size] / rows
    return min(by_link, by_sensor) / u.s


def rotation_period(planet):
    """Time of one turn of a planet against the stars [h].

    Parameters
    ----------
    planet : str
        One of `PLANETS`.

    Returns
    -------
    Quantity [h]
    """
    return (360 / _TURN_DEG_PER_DAY[as_choice("planet", planet, PLANETS)] * u.day).to(u.h)


def rotation_smear(planet, diameter, duration):
    """How far the middle of a planet's disc moves by its rotation.

    Parameters
    ----------
    planet : str
        One of `PLANETS`.
    diameter : Quantity [angle]
        Apparent equatorial diameter.
    duration : Quantity [time]

    Returns
    -------
    Quantity [arcsec]
        Radius times the sine of the angle turned, at most the radius.
    """
    diameter = as_quantity("diameter", diameter, u.arcsec, above=0)
    turned = 2 * np.pi * (as_quantity("duration", duration, u.h, minimum=0) / rotation_period(planet)).to_value("")
    return diameter / 2 * np.sin(np.minimum(turned, np.pi / 2))


def longest_film(planet, diameter, tolerance):
    """Longest time over which the middle of the disc moves by no more than a tolerance.

    Parameters
    ----------
    planet : str
        One of `PLANETS`.
    diameter, tolerance : Quantity [angle]

    Returns
    -------
    Quantity [s]
    """
    diameter = as_quantity("diameter", diameter, u.arcsec, above=0)
    tolerance = as_quantity("tolerance", tolerance, u.arcsec, above=0)
    turned = np.arcsin(np.minimum((2 * tolerance / diameter).to_value(""), 1.0))
    return (rotation_period(planet) * turned / (2 * np.pi)).to(u.s)


def coherence_time(atmosphere, wavelength=500 * u.nm, airmass=1):
    """Time over which the air keeps its shape: 0.314 r0 / V with the 5/3 mean wind V.

    Parameters
    ----------
    atmosphere : helpers.seeing.air.Atmosphere
    wavelength : Quantity
    airmass : float

    Returns
    -------
    Quantity [ms]

    References
    ----------
    Roddier 1981, Progress in Optics 19, 281, section 5.3; Hardy 1998, "Adaptive optics for astronomical telescopes",
    3.4.
    """
    check_atmosphere(atmosphere)
    speeds = np.array([layer.wind_speed.to_value(u.m / u.s) for layer in atmosphere.layers])
    shares = np.array([layer.fraction for layer in atmosphere.layers])
    mean = np.sum(shares * speeds ** (5 / 3)) ** 0.6
    if mean == 0:
        raise ValueError("atmosphere: expected a wind above 0 in at least one layer, found none")
    return (0.314 * fried_parameter(atmosphere.fwhm, wavelength, airmass) / (mean * u.m / u.s)).to(u.ms)


def lucky_share(diameter, atmosphere, wavelength=500 * u.nm, airmass=1):
    """Share of very short exposures that the air leaves nearly undisturbed (wavefront rms below 1 radian).

    Parameters
    ----------
    diameter : Quantity [length]
        Aperture.
    atmosphere : helpers.seeing.air.Atmosphere
    wavelength : Quantity
    airmass : float

    Returns
    -------
    float
        5.6 exp(-0.1557 (D / r0)^2), at most 1; good for D / r0 above 3.5.

    References
    ----------
    Fried 1978, J. Opt. Soc. Am. 68, 1651, eq. 1.
    """
    diameter = as_quantity("diameter", diameter, u.m, above=0, ndim=0)
    check_atmosphere(atmosphere)
    ratio = (diameter / fried_parameter(atmosphere.fwhm, wavelength, airmass)).to_value("")
    return float(min(1.0, 5.6 * np.exp(-0.1557 * ratio**2)))


def finest_detail(diameter, wavelength, fwhm=None, airmass=1):
    """Width of a point: of the aperture alone (a lucky picture), or with the air (a long exposure).

    Parameters
    ----------
    diameter, wavelength : Quantity [length]
    fwhm : Quantity [angle], optional
        Seeing at 500 nm and zenith; None for a picture that the air left alone.
    airmass : float

    Returns
    -------
    Quantity [arcsec]
        1.029 lambda / D, or the width of a long exposure through air without outer scale and a clear aperture.
    """
    diameter = as_quantity("diameter", diameter, u.m, above=0)
    wavelength = as_quantity("wavelength", wavelength, u.m, above=0)
    as_number("airmass", airmass, minimum=1)
    aperture = diffraction_fwhm(diameter, wavelength)
    if fwhm is None:
        return aperture
    r0 = fried_parameter(fwhm, wavelength, airmass)
    star = optics.LongExposure(r0.value, np.inf, diameter.value, wavelength.value)
    return (star.fwhm_rad * u.rad).to(u.arcsec)
