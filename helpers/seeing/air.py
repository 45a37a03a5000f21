"""The air above the telescope: its seeing, its largest eddies and the layers that share the turbulence."""

from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from helpers.shared.checks import as_instance, as_quantity, instance, number, quantity, take_fields, takes

REFERENCE_WAVELENGTH = 500 * u.nm  # seeing and Fried parameters are quoted at this wavelength and at the zenith
MAXIMUM_AIRMASS = 40  # at the horizon it is about 38 (Kasten & Young 1989, Applied Optics 28, 4735)


@dataclass(frozen=True)
class Layer:
    """A thin layer of turbulent air that the wind carries along.

    Parameters
    ----------
    height : Quantity [length]
        Above the telescope.
    fraction : float
        Share of the whole turbulence (of the refractive-index structure integral), above 0 up to 1.
    wind_speed : Quantity [speed]
    wind_direction : Quantity [angle]
        Where the layer moves to: 0 deg along +x, 90 deg along +y.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is no finite number, out of range or of the wrong physical type.
    """

    height: u.Quantity
    fraction: float
    wind_speed: u.Quantity
    wind_direction: u.Quantity = 0 * u.deg

    def __post_init__(self):
        take_fields(
            self,
            height=quantity(u.m, minimum=0, maximum=1e7, ndim=0),
            fraction=number(above=0, maximum=1),
            wind_speed=quantity(u.m / u.s, minimum=0, maximum=200, ndim=0),
            wind_direction=quantity(u.deg, minimum=-1e6, maximum=1e6, ndim=0),
        )


@dataclass(frozen=True)
class Atmosphere:
    """Seeing, outer scale and the layers that share the turbulence.

    Parameters
    ----------
    fwhm : Quantity [angle]
        Seeing for Kolmogorov turbulence at 500 nm, looking to the zenith, without the correction for the outer scale.
    outer_scale : Quantity [length]
        Size of the largest eddies; may be infinite (Kolmogorov turbulence).
    layers : sequence of Layer
        Their fractions must sum to 1.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is out of range or of the wrong physical type, no layers, or fractions that do not sum to 1.
    """

    fwhm: u.Quantity
    outer_scale: u.Quantity
    layers: tuple

    def __post_init__(self):
        take_fields(
            self,
            fwhm=quantity(u.arcsec, minimum=0.01, maximum=100, ndim=0),
            outer_scale=lambda _, value: as_outer_scale(value, ndim=0),
            layers=_as_layers,
        )


def _as_layers(name, value):
    """A tuple of layers whose fractions sum to 1."""
    if isinstance(value, Layer) or not np.iterable(value) or isinstance(value, u.Quantity):
        raise TypeError(f"{name}: expected a sequence of Layer, found {type(value).__name__}")
    layers = tuple(as_instance(name, layer, Layer) for layer in value)
    if not layers:
        raise ValueError(f"{name}: expected at least one Layer, found none")
    total = sum(layer.fraction for layer in layers)
    if abs(total - 1) > 1e-6:
        raise ValueError(f"{name}: expected fractions that sum to 1, found a sum of {total:.6g}")
    return layers


def as_outer_scale(outer_scale, ndim=None):
    """The outer scale in metres; positive infinity is allowed and stands for Kolmogorov turbulence."""
    if isinstance(outer_scale, u.Quantity) and outer_scale.unit.is_equivalent(u.m):
        infinite = np.isposinf(np.asarray(outer_scale.value, dtype=float))
        finite = u.Quantity(np.where(infinite, 1, outer_scale.to_value(u.m)), u.m)
        checked = as_quantity("outer_scale", finite, u.m, above=0, ndim=ndim)
        return u.Quantity(np.where(infinite, np.inf, checked.value), u.m)
    return as_quantity("outer_scale", outer_scale, u.m, above=0, ndim=ndim)


@takes(atmosphere=instance(Atmosphere), airmass=number(minimum=1, maximum=MAXIMUM_AIRMASS))
def at_airmass(atmosphere, airmass):
    """The same air along a slanted line of sight: more of it, and farther away.

    Parameters
    ----------
    atmosphere : Atmosphere
    airmass : float
        1 at the zenith.

    Returns
    -------
    Atmosphere
        Its `fwhm` grows as airmass^(3/5) and its layers stand at height x airmass. Wind is left as it is, though a wind
        along the line of sight would seem slower.

    Raises
    ------
    ValueError, TypeError
        An airmass below 1 or no Atmosphere.
    """
    layers = tuple(replace(layer, height=layer.height * airmass) for layer in atmosphere.layers)
    return replace(atmosphere, fwhm=atmosphere.fwhm * airmass**0.6, layers=layers)
