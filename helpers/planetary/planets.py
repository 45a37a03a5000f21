"""Planets: how large, how bright, and how fast they turn."""

import astropy.units as u
import numpy as np

from helpers.shared.checks import choice, quantity, takes

# Rotation rates, degrees a day: Archinal et al. 2018, Celest. Mech. Dyn. Astron. 130, 22 (IAU working group, report
# 2015); Jupiter and Saturn: rotation of the magnetic field (System III).
_TURN_DEG_PER_DAY = {"Mars": 350.891982443297, "Jupiter": 870.5360000, "Saturn": 810.7939024}
# Apparent equatorial diameters at a good opposition, from memory; the almanac of the year tells the true one.
LARGEST_DIAMETER = {"Mars": 24 * u.arcsec, "Jupiter": 49 * u.arcsec, "Saturn": 20 * u.arcsec}
PLANETS = tuple(_TURN_DEG_PER_DAY)
# Share of sunlight that the full disc sends back, in V, against a white flat disc of its size (geometric albedo):
# Mallama, Krobusek & Pavlov 2017, Icarus 282, 19 (values from memory). Rings left out.
_ALBEDO_V = {"Mars": 0.170, "Jupiter": 0.538, "Saturn": 0.499}
# Mean distances from the Sun in astronomical units: JPL, "Keplerian elements for approximate positions" (from memory).
_DISTANCE_AU = {"Mars": 1.524, "Jupiter": 5.203, "Saturn": 9.537}
_SUN_V = -26.76  # at 1 astronomical unit: Willmer 2018, ApJS 236, 47 (from memory)
# The middle of a ball that scatters light evenly is brighter than the mean of its disc: Lambert 1760, from the integral
# of the cosine over the disc.
MIDDLE_OVER_MEAN = 1.5

_PLANET = choice(PLANETS)
_ANGLE = quantity(u.arcsec, minimum=1e-6, maximum=1e6)


@takes(planet=_PLANET)
def surface_brightness(planet):
    """Mean brightness of a planet's disc in V when it stands opposite the Sun.

    Parameters
    ----------
    planet : str
        One of `PLANETS`.

    Returns
    -------
    Quantity [mag / arcsec2]
        Above the atmosphere, at the mean distance from the Sun. It does not depend on the distance from the Earth. Mars
        is 0.2 mag brighter when nearest to the Sun, as much fainter when farthest.

    Raises
    ------
    ValueError

    References
    ----------
    A disc of geometric albedo p at r astronomical units from the Sun has the radiance p / (pi r^2) times the sunlight
    at 1 astronomical unit: definition, as in Mallama, Krobusek & Pavlov 2017, Icarus 282, 19.
    """
    per_steradian = _ALBEDO_V[planet] / (np.pi * _DISTANCE_AU[planet] ** 2)
    return (_SUN_V - 2.5 * np.log10(per_steradian * (u.arcsec**2).to(u.sr))) * u.mag / u.arcsec**2


@takes(planet=_PLANET)
def rotation_period(planet):
    """Time of one turn of a planet against the stars [h].

    Parameters
    ----------
    planet : str
        One of `PLANETS`.

    Returns
    -------
    Quantity [h]

    Raises
    ------
    ValueError
    """
    return (360 / _TURN_DEG_PER_DAY[planet] * u.day).to(u.h)


@takes("diameter duration", planet=_PLANET, diameter=_ANGLE, duration=quantity(u.h, minimum=0, maximum=1e6))
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

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    turned = 2 * np.pi * (duration / rotation_period(planet)).to_value(u.one)
    return diameter / 2 * np.sin(np.minimum(turned, np.pi / 2))


@takes("diameter tolerance", planet=_PLANET, diameter=_ANGLE, tolerance=_ANGLE)
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

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    turned = np.arcsin(np.minimum((2 * tolerance / diameter).to_value(u.one), 1.0))
    return (rotation_period(planet) * turned / (2 * np.pi)).to(u.s)
