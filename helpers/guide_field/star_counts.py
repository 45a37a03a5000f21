"""How many stars a square degree of sky holds, and the chance that enough of them fall on a small field."""

import astropy.units as u
import numpy as np
from scipy import special

from helpers.shared.checks import count, quantity, takes
from helpers.starlight.spectra import as_magnitude

BRIGHTEST, FAINTEST = 6.0, 17.0  # Gaia G magnitudes between which the model was fitted
MOST_WANTED = 1_000_000  # stars on a sensor
# Made by star_counts_fit.py, where the sources stand: softening of the latitude term, then polynomials in (G - 11) / 5:
# four coefficients of the level, three of the latitude term, three of the term towards the galactic centre.
COEFFICIENTS = (0.3824, 0.6009, 1.3362, -0.3843, 0.0161, 0.4697, 0.3103, 0.0512, 0.0687, 0.1267, 0.0550)


def log10_density(coefficients, magnitude, latitude_deg, longitude_deg):
    """log10 of the number per square degree, unchecked plain numbers; `star_density` is for use.

    The longer the path through the disc of the Milky Way the more stars: 1 / sin b, softened because dust ends the view
    in the plane; the exponent grows with magnitude, and fainter stars crowd towards the galactic centre.
    """
    scaled = (magnitude - 11) / 5
    level, plane, centre = (
        np.polynomial.polynomial.polyval(scaled, part)
        for part in (coefficients[1:5], coefficients[5:8], coefficients[8:11])
    )
    latitude = np.radians(latitude_deg)
    path = 1 / np.hypot(np.sin(latitude), coefficients[0])
    return level + plane * path + centre * np.cos(latitude) * np.cos(np.radians(longitude_deg))


def magnitudes(name, value, minimum=BRIGHTEST, maximum=FAINTEST, shape=None):
    """Plain numbers or Quantities in mag; a rule for `takes`. One number only with the shape ()."""
    found = as_magnitude(name, value, minimum=minimum, maximum=maximum)
    if shape is not None and np.shape(found) != shape:
        raise ValueError(f"{name}: expected one number, found shape {np.shape(found)}")
    return found


_PLACE = {
    "latitude": quantity(u.deg, minimum=-90, maximum=90),
    "longitude": quantity(u.deg, minimum=-360, maximum=360),
}


@takes("magnitude latitude longitude", magnitude=magnitudes, **_PLACE)
def star_density(magnitude, latitude, longitude=90 * u.deg):
    """Stars per square degree brighter than a magnitude.

    Parameters
    ----------
    magnitude : float, array or Quantity in mag
        Gaia G, from 6 to 17.
    latitude, longitude : Quantity, angle
        Galactic; the shapes of all three are broadcast.

    Returns
    -------
    Quantity, 1 / deg2

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Outside 6 to 17 mag or -90 to 90 degrees, not finite, or without unit.

    References
    ----------
    Own fit (star_counts_fit.py) to Gaia DR3 counts (G < 10), the all-sky mean of Allen's Astrophysical Quantities and
    the latitude trend of Bahcall & Soneira 1980, ApJS 44, 73, eq. B1.
    """
    return 10 ** log10_density(COEFFICIENTS, magnitude, latitude.value, longitude.value) / u.deg**2


def _relative_error(magnitude, latitude_deg):
    # Measured: scatter of the Gaia counts about the model in cells of 86 square degrees, 5 % at the poles to 24 % in
    # the plane. Estimated: 4 % a magnitude beyond the counts (published level and trend disagree by about that much).
    patchy = 0.05 + 0.20 * np.exp(-np.abs(np.sin(np.radians(latitude_deg))) / 0.35)
    return np.hypot(patchy, 0.04 * np.maximum(magnitude - 10, 0))


@takes("magnitude latitude longitude", magnitude=magnitudes, **_PLACE)
def star_density_band(magnitude, latitude, longitude=90 * u.deg):
    """The range in which the true density lies in about two of three places.

    Parameters
    ----------
    magnitude, latitude, longitude
        As for `star_density`.

    Returns
    -------
    low, high : Quantity, 1 / deg2
        Below and above `star_density` by the same factor.
    """
    density = 10 ** log10_density(COEFFICIENTS, magnitude, latitude.value, longitude.value) / u.deg**2
    factor = 1 + _relative_error(magnitude, latitude.value)
    return density / factor, density * factor


@takes(
    "density area",
    density=quantity(1 / u.deg**2, minimum=0, maximum=1e15),
    area=quantity(u.deg**2, minimum=0, maximum=1e6),
    at_least=count(maximum=MOST_WANTED),
)
def chance_of_stars(density, area, at_least):
    """Chance that a field holds at least so many stars, when they are strewn at random.

    Parameters
    ----------
    density : Quantity, 1 / angle^2
    area : Quantity, angle^2
        Broadcast with `density`.
    at_least : int

    Returns
    -------
    float or ndarray
        From 0 to 1.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Negative or not finite values, a number of stars that is not whole.

    References
    ----------
    Poisson 1837. Star fields near the plane are more uneven than that: in the Gaia counts the variance is 1.6 to 2.7
    times the mean there.
    """
    return poisson_chance((density * area).value, at_least)


def poisson_chance(expected, at_least):
    """`chance_of_stars` for a mean number that is known, unchecked."""
    chance = np.where(np.greater(at_least, 0), special.gammainc(np.maximum(at_least, 1), expected), 1.0)
    return float(chance) if np.ndim(chance) == 0 else chance
