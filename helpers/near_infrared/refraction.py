"""How air bends starlight towards the zenith, by how much in each colour, and what that moves in a picture."""

import astropy.units as u
import numpy as np

from helpers.shared.checks import as_quantity, number, quantity, takes

_LARGEST_ZENITH_ANGLE = 85  # degrees; nearer to the horizon the two-term formula and sec z fail


def _kelvin(name, value):
    if isinstance(value, u.Quantity) and value.unit == u.deg_C:
        value = value.to(u.K, equivalencies=u.temperature())
    return as_quantity(name, value, u.K, minimum=200, maximum=340)


_COLOUR = quantity(u.um, minimum=0.3, maximum=1.7)
_ZENITH_ANGLE = quantity(u.rad, minimum=0, maximum=np.radians(_LARGEST_ZENITH_ANGLE) * (1 + 1e-12))
_LATITUDE = quantity(u.rad, minimum=-np.pi / 2, maximum=np.pi / 2)
_AIR = {
    "pressure": quantity(u.Pa, minimum=1000, maximum=120000),
    "temperature": _kelvin,
    "relative_humidity": number(minimum=0, maximum=1, ndim=None),
}
_AIR_NAMES = " ".join(_AIR)

# Standard atmosphere, ISO 2533:1975 (as US Standard Atmosphere 1976): pressure and temperature at sea level, lapse
# rate.
_SEA_LEVEL_HPA, _SEA_LEVEL_K, _LAPSE_K_PER_M, _PRESSURE_EXPONENT = 1013.25, 288.15, 0.0065, 5.255880

# Ciddor 1996, Applied Optics 35, 1566, appendix A: dispersion of dry air with 450 ppm CO2 and of water vapour
# (wavelength in um), densities at which these hold, and the compressibility of moist air.
_K0, _K1, _K2, _K3 = 238.0185, 5792105, 57.362, 167917
_W0, _W1, _W2, _W3 = 295.235, 2.6422, -0.032380, 0.004028
_A0, _A1, _A2, _B0, _B1 = 1.58123e-6, -2.9331e-8, 1.1043e-10, 5.707e-6, -2.051e-8
_C0, _C1, _D, _E = 1.9898e-4, -2.376e-6, 1.83e-11, -0.765e-8
_GAS_CONSTANT, _DRY_KG_PER_MOL, _WATER_KG_PER_MOL = 8.314510, 0.0289635 + 1.2011e-8 * (450 - 400), 0.018015


@takes(height=quantity(u.m, minimum=-500, maximum=11000))
def standard_air(height):
    """Pressure and temperature of the standard atmosphere; good enough where no barometer is at hand.

    Parameters
    ----------
    height : Quantity [length]
        Above the sea, -500 to 11,000 m.

    Returns
    -------
    pressure : Quantity [hPa]
    temperature : Quantity [K]

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    ISO 2533:1975, Standard Atmosphere.
    """
    temperature = _SEA_LEVEL_K - _LAPSE_K_PER_M * height.value
    return _SEA_LEVEL_HPA * (temperature / _SEA_LEVEL_K) ** _PRESSURE_EXPONENT * u.hPa, temperature * u.K


def _moist_air(pressure, temperature, relative_humidity):
    """Pressure [Pa], temperature [K] and molar share of water vapour; plain arrays."""
    pressure_pa, temperature_k, humidity = np.broadcast_arrays(pressure.value, temperature.value, relative_humidity)
    celsius = temperature_k - 273.15
    # Saturation over water and the enhancement of its pressure in air: Davis 1992, Metrologia 29, 67, as used by
    # Ciddor.
    saturation = np.exp(
        1.2378847e-5 * temperature_k**2 - 1.9121316e-2 * temperature_k + 33.93711047 - 6343.1645 / temperature_k
    )
    share = humidity * (1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * celsius**2) * saturation / pressure_pa
    if np.any(share > 0.5):
        raise ValueError(
            f"relative_humidity: expected at most half of the air to be water vapour, found {share.max():.3g} of it; "
            "is the pressure too low or the temperature too high?"
        )
    return pressure_pa, temperature_k, share


def _compressibility(pressure_pa, temperature_k, water):
    celsius, ratio = temperature_k - 273.15, pressure_pa / temperature_k
    virial = _A0 + _A1 * celsius + _A2 * celsius**2 + (_B0 + _B1 * celsius) * water + (_C0 + _C1 * celsius) * water**2
    return 1 - ratio * virial + ratio**2 * (_D + _E * water**2)


def _density(pressure_pa, temperature_k, water, share, kg_per_mol):
    """kg/m^3 of a component with a molar share, in air with the molar share `water` of vapour."""
    compressibility = _compressibility(pressure_pa, temperature_k, water)
    return share * pressure_pa * kg_per_mol / (compressibility * _GAS_CONSTANT * temperature_k)


def _refractivity(wavelength_um, pressure_pa, temperature_k, water):
    inverse = wavelength_um**-2
    dry = 1e-8 * (_K1 / (_K0 - inverse) + _K3 / (_K2 - inverse))
    vapour = 1.022e-8 * (_W0 + _W1 * inverse + _W2 * inverse**2 + _W3 * inverse**3)
    dry_density = _density(pressure_pa, temperature_k, water, 1 - water, _DRY_KG_PER_MOL)
    vapour_density = _density(pressure_pa, temperature_k, water, water, _WATER_KG_PER_MOL)
    dry_standard = _density(101325, 288.15, 0, 1, _DRY_KG_PER_MOL)
    vapour_standard = _density(1333, 293.15, 1, 1, _WATER_KG_PER_MOL)
    return dry * dry_density / dry_standard + vapour * vapour_density / vapour_standard


@takes(f"wavelength {_AIR_NAMES}", wavelength=_COLOUR, **_AIR)
def refractivity(wavelength, pressure, temperature, relative_humidity):
    """Refractive index of air less one.

    Parameters
    ----------
    wavelength : Quantity [length]
        In vacuum, 300 to 1700 nm.
    pressure : Quantity [pressure]
        10 to 1200 hPa.
    temperature : Quantity [temperature]
        200 to 340 K; degrees Celsius are understood.
    relative_humidity : float
        0 to 1, over water.

    Returns
    -------
    float or ndarray
        Arguments broadcast. For 450 ppm of carbon dioxide; 100 ppm more would add 0.005 per cent.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Ciddor 1996, Applied Optics 35, 1566.
    """
    value = _refractivity(wavelength.value, *_moist_air(pressure, temperature, relative_humidity))
    return float(value) if np.ndim(value) == 0 else value


def _bending(refractivity, zenith_rad, temperature_k):
    """Refraction in radian: Stone 1996, PASP 108, 1051, eq. 4, at the strength of gravity of sea level."""
    scale_height = 0.001254 * temperature_k / 273.15  # of the air, over the Earth's radius
    tangent = np.tan(zenith_rad)
    straight = refractivity * (1 - scale_height) * tangent
    return straight - refractivity * (scale_height - refractivity / 2) * tangent**3


@takes(f"wavelength zenith_angle {_AIR_NAMES}", wavelength=_COLOUR, zenith_angle=_ZENITH_ANGLE, **_AIR)
def refraction(wavelength, zenith_angle, pressure, temperature, relative_humidity):
    """Angle by which a star stands higher than it would without air.

    Parameters
    ----------
    wavelength : Quantity [length]
        300 to 1700 nm.
    zenith_angle : Quantity [angle]
        As seen, 0 to 85 deg.
    pressure, temperature, relative_humidity
        At the telescope, as in `refractivity`.

    Returns
    -------
    Quantity [arcsec]
        Arguments broadcast. Within 0.1 per cent of a ray followed through the air to 75 deg, 0.5 per cent at 80 deg and
        5 per cent at 85 deg.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Stone 1996, PASP 108, 1051, eq. 4; refractivity: Ciddor 1996, Applied Optics 35, 1566.
    """
    air = _moist_air(pressure, temperature, relative_humidity)
    return (_bending(_refractivity(wavelength.value, *air), zenith_angle.value, air[1]) * u.rad).to(u.arcsec)


@takes(
    f"wavelength reference_wavelength zenith_angle {_AIR_NAMES}",
    wavelength=_COLOUR,
    reference_wavelength=_COLOUR,
    zenith_angle=_ZENITH_ANGLE,
    **_AIR,
)
def differential_refraction(wavelength, reference_wavelength, zenith_angle, pressure, temperature, relative_humidity):
    """How much higher a star stands in one colour than in another.

    Parameters
    ----------
    wavelength, reference_wavelength : Quantity [length]
        300 to 1700 nm.
    zenith_angle : Quantity [angle]
        As seen, 0 to 85 deg.
    pressure, temperature, relative_humidity
        At the telescope, as in `refractivity`.

    Returns
    -------
    Quantity [arcsec]
        Refraction at `wavelength` less that at `reference_wavelength`, towards the zenith: positive for the bluer
        colour.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    As `refraction`; Filippenko 1982, PASP 94, 715 gives a much used table of it.
    """
    air, zenith = _moist_air(pressure, temperature, relative_humidity), zenith_angle.value
    colours = wavelength.value, reference_wavelength.value
    bendings = [_bending(_refractivity(colour, *air), zenith, air[1]) for colour in colours]
    return ((bendings[0] - bendings[1]) * u.rad).to(u.arcsec)


@takes(zenith_angle=_ZENITH_ANGLE)
def airmass(zenith_angle):
    """Air that starlight crosses, against the zenith: 1 / cos(zenith angle).

    Parameters
    ----------
    zenith_angle : Quantity [angle]
        0 to 85 deg. The curved Earth makes it 1 per cent less at 75 deg, 3 per cent at 80 deg, 11 per cent at 85 deg.

    Returns
    -------
    float or ndarray

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    Notes
    -----
    Air in flat layers, as everywhere in this room: the angle that belongs to an airmass is had back exactly. Against
    `shared.sky.airmass`, of the curved Earth, it is 0.3 per cent more at 60 deg and 1.5 per cent at 75 deg.
    """
    value = 1 / np.cos(zenith_angle.value)
    return float(value) if np.ndim(value) == 0 else value


@takes(
    "hour_angle declination latitude",
    hour_angle=quantity(u.rad, minimum=-100, maximum=100),
    declination=_LATITUDE,
    latitude=_LATITUDE,
)
def zenith_direction(hour_angle, declination, latitude):
    """Where the zenith lies as seen from a star.

    Parameters
    ----------
    hour_angle : Quantity [angle]
        Of the star, positive west of the meridian; u.hourangle is understood.
    declination, latitude : Quantity [angle]
        -90 to 90 deg.

    Returns
    -------
    zenith_angle : Quantity [deg]
        0 overhead, above 90 below the horizon.
    parallactic_angle : Quantity [deg]
        Direction from the star to the zenith, from north through east: positive west of the meridian. 0 where it has no
        meaning, at the zenith.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Meeus, Astronomical Algorithms, 2nd ed., eq. 13.6 and 14.1.
    """
    hour, delta, phi = hour_angle.value, declination.value, latitude.value
    up = np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(hour)
    east = np.cos(phi) * np.sin(hour)
    north = np.sin(phi) * np.cos(delta) - np.cos(phi) * np.sin(delta) * np.cos(hour)
    zenith_angle = np.arctan2(np.hypot(east, north), up)
    return (zenith_angle * u.rad).to(u.deg), (np.arctan2(east, north) * u.rad).to(u.deg)


@takes(
    "towards_zenith parallactic_angle",
    towards_zenith=quantity(u.arcsec, minimum=-1e6, maximum=1e6),
    parallactic_angle=quantity(u.rad, minimum=-100, maximum=100),
)
def along_axes(towards_zenith, parallactic_angle):
    """Split a shift towards the zenith into right ascension and declination.

    Parameters
    ----------
    towards_zenith : Quantity [angle], shape (n,)
    parallactic_angle : Quantity [angle], shape (n,)

    Returns
    -------
    Quantity [arcsec], shape (n, 2)
        East (along right ascension, as an angle on the sky) and north.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    return np.stack([towards_zenith * np.sin(parallactic_angle), towards_zenith * np.cos(parallactic_angle)], axis=-1)
