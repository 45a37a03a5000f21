"""How air bends starlight towards the zenith, by how much in each colour, and what that moves in a picture."""

import astropy.units as u
import numpy as np

from helpers.shared.checks import as_number, as_quantity

_LARGEST_ZENITH_ANGLE = 85  # degrees; nearer to the horizon the two-term formula and sec z fail

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
    height = as_quantity("height", height, u.m, minimum=-500, maximum=11000).value
    temperature = _SEA_LEVEL_K - _LAPSE_K_PER_M * height
    return _SEA_LEVEL_HPA * (temperature / _SEA_LEVEL_K) ** _PRESSURE_EXPONENT * u.hPa, temperature * u.K


def _as_kelvin(temperature):
    if isinstance(temperature, u.Quantity) and temperature.unit == u.deg_C:
        temperature = temperature.to(u.K, equivalencies=u.temperature())
    return as_quantity("temperature", temperature, u.K, minimum=200, maximum=340).value


def _moist_air(pressure, temperature, relative_humidity):
    """Pressure [Pa], temperature [K] and molar share of water vapour; plain arrays."""
    pressure_pa = as_quantity("pressure", pressure, u.Pa, minimum=1000, maximum=120000).value
    temperature_k = _as_kelvin(temperature)
    humidity = as_number("relative_humidity", relative_humidity, minimum=0, maximum=1, ndim=None)
    try:
        pressure_pa, temperature_k, humidity = np.broadcast_arrays(pressure_pa, temperature_k, humidity)
    except ValueError as error:
        raise ValueError("pressure, temperature, relative_humidity: expected shapes that fit together") from error
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


def _as_micrometres(name, wavelength):
    return as_quantity(name, wavelength, u.um, minimum=0.3, maximum=1.7).value


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
    wavelength_um = _as_micrometres("wavelength", wavelength)
    air = _moist_air(pressure, temperature, relative_humidity)
    _check_fit(wavelength=wavelength_um, pressure=air[0])
    value = _refractivity(wavelength_um, *air)
    return float(value) if np.ndim(value) == 0 else value


def _check_fit(**arrays):
    try:
        np.broadcast_shapes(*(np.shape(array) for array in arrays.values()))
    except ValueError as error:
        found = ", ".join(f"{name} {np.shape(array)}" for name, array in arrays.items())
        raise ValueError(f"{', '.join(arrays)}: expected shapes that fit together, found {found}") from error


def _bending(refractivity, zenith_rad, temperature_k):
    """Refraction in radian: Stone 1996, PASP 108, 1051, eq. 4, at the strength of gravity of sea level."""
    scale_height = 0.001254 * temperature_k / 273.15  # of the air, over the Earth's radius
    tangent = np.tan(zenith_rad)
    straight = refractivity * (1 - scale_height) * tangent
    return straight - refractivity * (scale_height - refractivity / 2) * tangent**3


def _as_zenith_angle(zenith_angle):
    return as_quantity("zenith_angle", zenith_angle, u.rad, minimum=0, maximum=np.radians(_LARGEST_ZENITH_ANGLE)).value


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
    wavelength_um = _as_micrometres("wavelength", wavelength)
    zenith = _as_zenith_angle(zenith_angle)
    air = _moist_air(pressure, temperature, relative_humidity)
    _check_fit(wavelength=wavelength_um, zenith_angle=zenith, pressure=air[0])
    return (_bending(_refractivity(wavelength_um, *air), zenith, air[1]) * u.rad).to(u.arcsec)


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
    first = _as_micrometres("wavelength", wavelength)
    second = _as_micrometres("reference_wavelength", reference_wavelength)
    zenith = _as_zenith_angle(zenith_angle)
    air = _moist_air(pressure, temperature, relative_humidity)
    _check_fit(wavelength=first, reference_wavelength=second, zenith_angle=zenith, pressure=air[0])
    bendings = [_bending(_refractivity(colour, *air), zenith, air[1]) for colour in (first, second)]
    return ((bendings[0] - bendings[1]) * u.rad).to(u.arcsec)


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
    """
    value = 1 / np.cos(_as_zenith_angle(zenith_angle))
    return float(value) if np.ndim(value) == 0 else value


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
    hour = as_quantity("hour_angle", hour_angle, u.rad, minimum=-100, maximum=100).value
    delta = as_quantity("declination", declination, u.rad, minimum=-np.pi / 2, maximum=np.pi / 2).value
    phi = as_quantity("latitude", latitude, u.rad, minimum=-np.pi / 2, maximum=np.pi / 2).value
    _check_fit(hour_angle=hour, declination=delta, latitude=phi)
    up = np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(hour)
    east = np.cos(phi) * np.sin(hour)
    north = np.sin(phi) * np.cos(delta) - np.cos(phi) * np.sin(delta) * np.cos(hour)
    zenith_angle = np.arctan2(np.hypot(east, north), up)
    return (zenith_angle * u.rad).to(u.deg), (np.arctan2(east, north) * u.rad).to(u.deg)


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
    shift = as_quantity("towards_zenith", towards_zenith, u.arcsec, minimum=-1e6, maximum=1e6)
    angle = as_quantity("parallactic_angle", parallactic_angle, u.rad, minimum=-100, maximum=100).value
    _check_fit(towards_zenith=shift, parallactic_angle=angle)
    return np.stack([shift * np.sin(angle), shift * np.cos(angle)], axis=-1)
