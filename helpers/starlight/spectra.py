"""Light by wavelength: stars, sky, air, filters, colour mosaics and sensors, as small tables and smooth curves."""

from functools import lru_cache

import astropy.units as u
import numpy as np
from astropy import constants
from scipy.interpolate import PchipInterpolator

from helpers.rig.parts import FILTERS, Camera
from helpers.shared.checks import as_number, as_quantity, choice, instance, number, quantity, takes

_STEP_NM = 5.0
_GRID_NM = np.arange(320.0, 1100.1, _STEP_NM)
_GRID_NM.setflags(write=False)
# what a table of cameras calls the two shares that describe a sensor
SHARES_THAT_COUNT = "light that counts at best, without dyes", "the same in the near infrared, at 850 nm"
WAVELENGTHS = _GRID_NM * u.nm

# Effective wavelength, width and flux density of magnitude 0.
# U to I: flux and wavelength from Bessell, Castelli & Plez 1998 (A&A 333, 231), table A2; the width is the integral of
# the response of Bessell 1990 (PASP 102, 1181; as distributed with the library speclite 1.0), its peak taken as 1.
# G: pivot wavelength and flux of Gaia DR3 from memory, width the integral of its response over the peak.
BANDS = {
    "U": (366 * u.nm, 64.0 * u.nm, 1.790e-20 * u.erg / u.s / u.cm**2 / u.Hz),
    "B": (438 * u.nm, 95.9 * u.nm, 4.063e-20 * u.erg / u.s / u.cm**2 / u.Hz),
    "V": (545 * u.nm, 89.3 * u.nm, 3.636e-20 * u.erg / u.s / u.cm**2 / u.Hz),
    "R": (641 * u.nm, 159.1 * u.nm, 3.064e-20 * u.erg / u.s / u.cm**2 / u.Hz),
    "I": (798 * u.nm, 149.5 * u.nm, 2.416e-20 * u.erg / u.s / u.cm**2 / u.Hz),
    "G": (622 * u.nm, 441.6 * u.nm, 3.229e-20 * u.erg / u.s / u.cm**2 / u.Hz),
}

# Response of Gaia's G band from 325 nm in steps of 25 nm, its peak taken as 1: Riello et al. 2021 (A&A 649, A3), every
# 25th value as distributed with the library speclite 1.0.
_G_RESPONSE_NM = np.arange(325.0, 1076.0, 25.0)
_G_RESPONSE = np.array(
    [
        0.0,
        0.175,
        0.151,
        0.474,
        0.716,
        0.810,
        0.861,
        0.895,
        0.922,
        0.943,
        0.960,
        0.976,
        0.989,
        0.998,
        0.998,
        0.987,
        0.958,
        0.911,
        0.842,
        0.751,
        0.645,
        0.529,
        0.414,
        0.304,
        0.207,
        0.130,
        0.072,
        0.034,
        0.013,
        0.003,
        0.0,
    ]
)

# Effective temperature of dwarf stars: Pecaut & Mamajek 2013 (ApJS 208, 9), online table of 2022.
SPECTRAL_CLASSES = {
    "F0": 7220 * u.K,
    "F5": 6550 * u.K,
    "G0": 5930 * u.K,
    "G2": 5770 * u.K,
    "K0": 5270 * u.K,
    "K5": 4440 * u.K,
    "M0": 3850 * u.K,
    "M2": 3560 * u.K,
}


MOSAIC_COLOURS = ("red", "green", "blue")


def as_magnitude(name, value, minimum=None, maximum=None):
    """Magnitude as float or array; a plain number or a quantity in mag."""
    if isinstance(value, u.Quantity) and value.unit == u.mag:
        value = value.value
    return as_number(name, value, minimum=minimum, maximum=maximum, ndim=None)


def as_wavelength_pair(name, value):
    """A shorter and a longer wavelength [nm]."""
    limits = as_quantity(name, value, u.nm, minimum=100, maximum=3000, ndim=1)
    if limits.shape != (2,) or not limits[0] < limits[1]:
        raise ValueError(f"{name}: expected a shorter and a longer wavelength, found {limits.value.tolist()} nm")
    return limits


_WAVELENGTH = quantity(u.nm, minimum=100, maximum=3000)
_CLASS = choice(tuple(SPECTRAL_CLASSES))


def integral(values):
    """Trapezium rule over the grid, last axis."""
    return _STEP_NM * (values.sum(axis=-1) - 0.5 * (values[..., 0] + values[..., -1]))


def _zero_point(band):
    """Photons / (s m2) of magnitude 0 in a band."""
    wavelength, width, flux = BANDS[band]
    return (flux / (constants.h * wavelength) * width).to_value(1 / (u.s * u.m**2))


@takes(magnitude=lambda name, value: as_magnitude(name, value, minimum=-30, maximum=40), band=choice(tuple(BANDS)))
def photon_flux(magnitude, band):
    """Photons of a star that reach the top of the atmosphere in a band.

    Parameters
    ----------
    magnitude : float, array or Quantity in mag
    band : str
        A name in `BANDS`.

    Returns
    -------
    Quantity, photon / (s m2)
        Same shape as `magnitude`: flux density of the magnitude at the effective wavelength times the band's width.

    Raises
    ------
    ValueError, TypeError
        Unknown band; magnitude not finite or outside -30 to 40.

    References
    ----------
    Bessell, Castelli & Plez 1998, A&A 333, 231, table A2.
    """
    return _zero_point(band) * 10 ** (-0.4 * magnitude) * u.photon / (u.s * u.m**2)


def black_body_photons(wavelength_nm, temperature_k):
    """Planck's law as photons per wavelength, in arbitrary units; plain arrays."""
    return 1 / (wavelength_nm**4 * np.expm1(1.438777e7 / (wavelength_nm * temperature_k)))


@lru_cache
def star_grid(spectral_class):
    """Photons / (s m2 nm) of a star of G = 0 above the atmosphere, on the grid; plain array.

    A black body of the class' temperature, scaled so that its light in Gaia's wide G band is right. G covers much the
    same wavelengths as a bare sensor, so the sum of electrons depends little on the shape. The shape itself gives V - I
    within 0.14 mag of real dwarf stars from F5 to K5 (too red for F and G), and is 0.24 mag too blue at M2: there the
    light near 800 nm is about a fifth too little against that near 550 nm.
    """
    shape = black_body_photons(_GRID_NM, SPECTRAL_CLASSES[spectral_class].value)
    in_band = integral(shape * np.interp(_GRID_NM, _G_RESPONSE_NM, _G_RESPONSE, left=0, right=0))
    return shape * (_zero_point("G") / in_band)


@takes(spectral_class=_CLASS)
def gaia_minus_visual(spectral_class):
    """Gaia G less the visual magnitude V of a usual star of a class.

    Parameters
    ----------
    spectral_class : str
        A name in `SPECTRAL_CLASSES`.

    Returns
    -------
    float
        Magnitudes, of a black body: within 0.1 of real dwarf stars from F5 to K5; one of M2 is 0.2 brighter in G.

    Raises
    ------
    ValueError, TypeError
    """
    wavelength = BANDS["V"][0].value
    light = np.interp(wavelength, _GRID_NM, star_grid(spectral_class))
    return float(2.5 * np.log10(light / _per_nm("V")))


# Night sky without lamps, mag / arcsec2: Patat 2003 (A&A 400, 1183) for V, R, I; B and the value at 890 nm (z 19.2 AB),
# where the air itself glows, from memory.
_DARK_SKY_V = 21.6
_DARK_SKY_BANDS = {"B": 22.6, "V": _DARK_SKY_V, "R": 20.9, "I": 19.7}
_DARK_SKY_890_AB = 19.2
# Invented spectrum of scattered lamp light, photons per wavelength against 545 nm.
_LAMPS_NM = (350, 400, 450, 500, 545, 600, 641, 700, 798, 900, 1000, 1100)
_LAMPS = (0.1, 0.3, 0.8, 0.9, 1.0, 1.2, 0.9, 0.6, 0.4, 0.3, 0.25, 0.2)


def _per_nm(band):
    return _zero_point(band) / BANDS[band][1].value


@lru_cache
def _sky_parts():
    """Dark sky and lamps alone, photons / (s m2 nm arcsec2) on the grid, each for its V brightness of magnitude 0."""
    wavelengths = [BANDS[band][0].value for band in _DARK_SKY_BANDS] + [890.0]
    photons = [_per_nm(band) * 10 ** (-0.4 * magnitude) for band, magnitude in _DARK_SKY_BANDS.items()]
    flux = _DARK_SKY_890_AB * u.ABmag
    photons.append((flux.physical / (constants.h * 890 * u.nm)).to_value(1 / (u.s * u.m**2 * u.nm)))
    dark = np.exp(np.interp(_GRID_NM, wavelengths, np.log(photons))) * 10 ** (0.4 * _DARK_SKY_V)
    lamps = np.interp(_GRID_NM, _LAMPS_NM, _LAMPS) * _per_nm("V")
    return dark, lamps


@lru_cache
def sky_grid(brightness):
    """Photons / (s m2 nm arcsec2) of the night sky at the ground, on the grid; plain array.

    The dark sky's own glow, which brightens towards the near infrared (Patat 2003, A&A 400, 1183), plus lamp light
    (invented) up to a V brightness in mag / arcsec2.
    """
    dark, lamps = _sky_parts()
    natural = min(10 ** (-0.4 * brightness), 10 ** (-0.4 * _DARK_SKY_V))
    return natural * dark + (10 ** (-0.4 * brightness) - natural) * lamps


@lru_cache
def transmission_of_air(airmass, height_m):
    return 10 ** (-0.4 * airmass * _extinction(_GRID_NM, height_m))


def _extinction(wavelength_nm, height_m):
    """Magnitudes per airmass: molecules and haze."""
    inverse = (1000.0 / wavelength_nm) ** 2  # 1 / micrometre squared
    refraction = 0.23465 + 107.6 / (146 - inverse) + 0.93161 / (41 - inverse)
    molecules = 9.4977e-3 * inverse**2 * refraction**2 * np.exp(-height_m / 7996)
    haze = 1.0857 * 0.05 * (1000.0 / wavelength_nm) ** 1.3 * np.exp(-height_m / 3000)
    return molecules + haze


@takes(
    wavelength=quantity(u.nm, minimum=300, maximum=1100),
    airmass=number(minimum=1, maximum=40),
    height=quantity(u.m, minimum=-500, maximum=9000, ndim=0),
)
def extinction(wavelength, airmass=1, height=0 * u.m):
    """Light lost in clear air.

    Parameters
    ----------
    wavelength : Quantity, nm
        300 to 1100 nm.
    airmass : float
        1 to 40.
    height : Quantity, m
        Of the site above the sea.

    Returns
    -------
    Quantity, mag
        Molecules (Rayleigh) and haze of a clear lowland night; without ozone and the bands of water vapour near 720,
        820 and 940 nm.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Hayes & Latham 1975, ApJ 197, 593: Rayleigh term with its scale height, haze as 0.05 wavelength^-1.3 (from memory).
    The scale height of the haze, 3 km, is chosen so that published values of two mountain sites come out to 0.04 mag.
    """
    return airmass * _extinction(wavelength.value, height.value) * u.mag


def _edge(wavelength_nm, centre_nm, width_nm):
    """Smooth step from 0 to 1."""
    return 1 / (1 + np.exp(-(wavelength_nm - centre_nm) / width_nm))


def _filter(name, wavelength_nm):
    if name == "infrared-blocking":
        return 0.95 * _edge(wavelength_nm, 400, 4) * (1 - _edge(wavelength_nm, 680, 4))
    if name == "long-pass":
        return 0.95 * _edge(wavelength_nm, 700, 4)
    return np.ones_like(wavelength_nm)


@takes(name=choice(FILTERS), wavelength=_WAVELENGTH)
def filter_transmission(name, wavelength):
    """Share of light that passes a filter in front of the guide sensor (invented curves).

    Parameters
    ----------
    name : {"none", "infrared-blocking", "long-pass"}
        The second passes 400 to 680 nm, the third what is beyond 700 nm.
    wavelength : Quantity, nm

    Returns
    -------
    float or ndarray

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    return _filter(name, wavelength.value)


def _dye(colour, wavelength_nm):
    """Invented; what is common practice, no source: a third to half passes in the visible, nearly all beyond 850 nm."""
    if colour == "red":
        window, opens = 0.92 * _edge(wavelength_nm, 586, 9), 780
    elif colour == "green":
        window, opens = 0.88 * _edge(wavelength_nm, 478, 12) * (1 - _edge(wavelength_nm, 598, 12)), 785
    else:
        window, opens = 0.85 * _edge(wavelength_nm, 395, 8) * (1 - _edge(wavelength_nm, 516, 14)), 795
    visible = 0.07 + 0.93 * window
    return visible + (0.96 - visible) * _edge(wavelength_nm, opens, 14)


@takes(colour=choice((*MOSAIC_COLOURS, "mean")), wavelength=_WAVELENGTH)
def mosaic_transmission(colour, wavelength):
    """Share of light that passes the dye over a pixel of a colour mosaic (invented curves).

    Parameters
    ----------
    colour : {"red", "green", "blue", "mean"}
        "mean" is the average over a mosaic of one red, two green and one blue pixel.
    wavelength : Quantity, nm

    Returns
    -------
    float or ndarray

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    if colour == "mean":
        return sum(_dye(name, wavelength.value) for name in ("red", "green", "green", "blue")) / 4
    return _dye(colour, wavelength.value)


_SENSOR_NM = (300, 350, 400, 450, 500, 550, 600, 850, 900, 950, 1000, 1050, 1100)
_BLUE_SHARES = (0.0, 0.30, 0.62, 0.85, 0.96, 1.0, 0.97)  # of the peak, 300 to 600 nm
_RED_SHARES = (1.0, 0.74, 0.46, 0.22, 0.06, 0.0)  # of the value at 850 nm, 850 to 1100 nm


@lru_cache
def _silicon_curve(peak, at_850):
    values = [peak * share for share in _BLUE_SHARES] + [at_850 * share for share in _RED_SHARES]
    return PchipInterpolator(_SENSOR_NM, values, extrapolate=False)


def _silicon(peak, at_850, wavelength_nm):
    values = np.nan_to_num(_silicon_curve(float(peak), float(at_850))(wavelength_nm), nan=0.0)
    return np.clip(values, 0, peak)


@takes(camera=instance(Camera), wavelength=_WAVELENGTH)
def quantum_efficiency(camera, wavelength):
    """Electrons per photon of a camera's sensor, behind the dyes if it has a colour mosaic.

    An invented smooth shape through the two numbers that describe the camera.

    Parameters
    ----------
    camera : rig.Camera
    wavelength : Quantity, nm

    Returns
    -------
    float or ndarray
        The share of light that the dyes pass is not in it: see `mosaic_transmission`.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also when the camera's value at 850 nm is above its peak.
    """
    _check_peak(camera)
    return _silicon(camera.peak_quantum_efficiency, camera.quantum_efficiency_850, wavelength.value)


def _check_peak(camera):
    if camera.quantum_efficiency_850 > camera.peak_quantum_efficiency:
        raise ValueError(
            f"quantum_efficiency_850: expected at most the peak quantum efficiency {camera.peak_quantum_efficiency:g}, "
            f"found {camera.quantum_efficiency_850:g}"
        )


def check_curve(curve):
    """A reader's own curve: wavelengths in nm and electrons per photon, both plain and checked.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        No pair, different lengths, fewer than two points, wavelengths that do not rise, values outside 0 to 1.
    """
    try:
        wavelength, efficiency = curve
    except (TypeError, ValueError) as error:
        raise TypeError(f"curve: expected (wavelengths, values), found {type(curve).__name__}") from error
    wavelength_nm = as_quantity("curve wavelengths", wavelength, u.nm, minimum=100, maximum=3000, ndim=1).value
    values = as_number("curve values", efficiency, minimum=0, maximum=1, ndim=1)
    if len(values) != len(wavelength_nm) or len(values) < 2:
        raise ValueError(
            f"curve: expected as many values as wavelengths, at least 2, found {len(values)} and {len(wavelength_nm)}"
        )
    if not np.all(np.diff(wavelength_nm) > 0):
        raise ValueError("curve wavelengths: expected each above the one before, found one that is not")
    return wavelength_nm, values


def as_curve(_, value):
    """A reader's own curve as it was given, once `check_curve` found nothing wrong with it."""
    check_curve(value)
    return value


@lru_cache
def _mosaic_grid(colour):
    return mosaic_transmission(colour, WAVELENGTHS)


@lru_cache
def _filter_grid(name):
    return _filter(name, _GRID_NM)


@lru_cache
def _silicon_grid(peak, at_850):
    return _silicon(peak, at_850, _GRID_NM)


def sensor_response(camera, filter_name="none", curve=None, colour="mean"):
    """Electrons per photon on the grid, filter and colour mosaic included; plain array.

    Parameters
    ----------
    camera : rig.Camera
    filter_name : str
    curve : (Quantity, array), optional
        Wavelengths and electrons per photon of a pixel as the reader's source gives them, dyes included; taken as 0
        beyond its ends.
    colour : {"mean", "red", "green", "blue"}
        Pixel of a colour mosaic, or the mean over its pixels.
    """
    if curve is not None:
        wavelength_nm, values = check_curve(curve)
        response = np.interp(_GRID_NM, wavelength_nm, values, left=0, right=0)
    else:
        _check_peak(camera)
        response = _silicon_grid(float(camera.peak_quantum_efficiency), float(camera.quantum_efficiency_850))
        if camera.mosaic:
            response = response * _mosaic_grid(colour)
    return response * _filter_grid(filter_name)


def window_of(band):
    """Weight of each grid point for a wavelength range (Quantity pair), 1 everywhere for None; plain array."""
    if band is None:
        return 1.0
    limits = as_wavelength_pair("band", band).value
    half = _STEP_NM / 2
    covered = np.minimum(_GRID_NM + half, limits[1]) - np.maximum(_GRID_NM - half, limits[0])
    return np.clip(covered / _STEP_NM, 0, 1)
