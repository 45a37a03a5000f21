"""The air above the telescope: how wide it makes a star, how far it moves it, and what an exposure averages away.

All motion is that of the gradient (G-) tilt, which is what the centroid of a star measures, for turbulence with a von
Karman spectrum that layers carry past the telescope without change (frozen flow, Taylor's hypothesis).
"""

import itertools
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
from scipy import optimize

from helpers.seeing.tilt_spectrum import path_integrals, tilt_scale_arcsec2
from helpers.shared import optics
from helpers.shared.checks import as_number, as_quantity, instance, number, quantity, takes
from helpers.shared.optics import AIRY_WIDTH, KOLMOGOROV_WIDTH

REFERENCE_WAVELENGTH = 500 * u.nm  # seeing and Fried parameters are quoted at this wavelength and at the zenith
# Tokovinin (2002) gives his formula for outer scales above 20 Fried parameters.
_SMALLEST_OUTER_SCALE = 20
_MAXIMUM_AIRMASS = 40  # at the horizon it is about 38 (Kasten & Young 1989, Applied Optics 28, 4735)


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
        checked = {
            "height": as_quantity("height", self.height, u.m, minimum=0, maximum=1e7, ndim=0),
            "fraction": as_number("fraction", self.fraction, above=0, maximum=1),
            "wind_speed": as_quantity("wind_speed", self.wind_speed, u.m / u.s, minimum=0, maximum=200, ndim=0),
            "wind_direction": as_quantity("wind_direction", self.wind_direction, u.deg, ndim=0),
        }
        for name, value in checked.items():
            object.__setattr__(self, name, value)


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
        object.__setattr__(self, "fwhm", as_quantity("fwhm", self.fwhm, u.arcsec, minimum=0.01, maximum=100, ndim=0))
        object.__setattr__(self, "outer_scale", _as_outer_scale(self.outer_scale, ndim=0))
        if isinstance(self.layers, Layer) or not hasattr(self.layers, "__iter__"):
            raise TypeError(f"layers: expected a sequence of Layer, found {type(self.layers).__name__}")
        layers = tuple(self.layers)
        for layer in layers:
            if not isinstance(layer, Layer):
                raise TypeError(f"layers: expected a sequence of Layer, found {type(layer).__name__} in it")
        if not layers:
            raise ValueError("layers: expected at least one Layer, found none")
        total = sum(layer.fraction for layer in layers)
        if abs(total - 1) > 1e-6:
            raise ValueError(f"layers: expected fractions that sum to 1, found a sum of {total:.6g}")
        object.__setattr__(self, "layers", layers)


def _as_outer_scale(outer_scale, ndim=None):
    """The outer scale in metres; positive infinity is allowed and stands for Kolmogorov turbulence."""
    if isinstance(outer_scale, u.Quantity) and outer_scale.unit.is_equivalent(u.m):
        infinite = np.isposinf(np.asarray(outer_scale.value, dtype=float))
        finite = u.Quantity(np.where(infinite, 1, outer_scale.to_value(u.m)), u.m)
        checked = as_quantity("outer_scale", finite, u.m, above=0, ndim=ndim)
        return u.Quantity(np.where(infinite, np.inf, checked.value), u.m)
    return as_quantity("outer_scale", outer_scale, u.m, above=0, ndim=ndim)


def check_atmosphere(atmosphere):
    """Return `atmosphere` if it is one; TypeError otherwise."""
    if not isinstance(atmosphere, Atmosphere):
        raise TypeError(f"atmosphere: expected an Atmosphere, found {type(atmosphere).__name__}")
    return atmosphere


def fried_parameter(fwhm, wavelength=REFERENCE_WAVELENGTH, airmass=1):
    """Size of a patch of air that is still optically calm.

    Parameters
    ----------
    fwhm : Quantity [angle]
        Seeing at 500 nm looking to the zenith (Kolmogorov).
    wavelength : Quantity [length]
        Where the result is wanted.
    airmass : float or array
        At which the result is wanted, 1 at the zenith.

    Returns
    -------
    Quantity [m]
        r0 = 0.97586 lambda / FWHM at 500 nm; it grows as wavelength^(6/5) and shrinks as airmass^(-3/5).

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is not positive and finite, an airmass is below 1, or a physical type is wrong.

    References
    ----------
    Fried 1966, JOSA 56, 1372; Roddier 1981, Progress in Optics 19, 281.
    """
    fwhm = as_quantity("fwhm", fwhm, u.rad, above=0)
    wavelength = as_quantity("wavelength", wavelength, u.m, above=0)
    airmass = as_number("airmass", airmass, minimum=1, maximum=_MAXIMUM_AIRMASS, ndim=None)
    return optics.fried_parameter_m(fwhm.value, wavelength.value, airmass) * u.m


def seeing_fwhm(fried_parameter, wavelength=REFERENCE_WAVELENGTH, outer_scale=np.inf * u.m):
    """Width of a star in a long exposure through a large, perfect telescope.

    Parameters
    ----------
    fried_parameter : Quantity [length]
        At `wavelength`.
    wavelength : Quantity [length]
    outer_scale : Quantity [length]
        Infinite for Kolmogorov turbulence; else at least 20 Fried parameters, where the formula is good to 2 %.

    Returns
    -------
    Quantity [arcsec]
        0.97586 lambda / r0 x sqrt(1 - 2.183 (r0 / L0)^0.356).

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is not positive, the outer scale is below 20 Fried parameters, or a physical type is wrong.

    References
    ----------
    Tokovinin 2002, PASP 114, 1156, eq. 19.
    """
    r0 = as_quantity("fried_parameter", fried_parameter, u.m, above=0)
    wavelength = as_quantity("wavelength", wavelength, u.m, above=0)
    outer_scale = _as_outer_scale(outer_scale)
    share = (r0 / outer_scale).value
    if np.any(share > 1 / _SMALLEST_OUTER_SCALE):
        raise ValueError(
            f"outer_scale: expected at least {_SMALLEST_OUTER_SCALE} Fried parameters, where the formula holds, "
            f"found {1 / np.max(share):.3g}"
        )
    kolmogorov = KOLMOGOROV_WIDTH * (wavelength / r0).to_value(u.one) * u.rad
    return (kolmogorov * np.sqrt(1 - 2.183 * share**0.356)).to(u.arcsec)


def diffraction_fwhm(diameter, wavelength=REFERENCE_WAVELENGTH):
    """Width of a star without air: 1.029 lambda / D for a clear circular aperture.

    Parameters
    ----------
    diameter, wavelength : Quantity [length]

    Returns
    -------
    Quantity [arcsec]

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is not positive and finite, or a physical type is wrong.

    References
    ----------
    Born & Wolf, Principles of Optics, section 8.5.2.
    """
    diameter = as_quantity("diameter", diameter, u.m, above=0)
    wavelength = as_quantity("wavelength", wavelength, u.m, above=0)
    return (AIRY_WIDTH * (wavelength / diameter).to_value(u.one) * u.rad).to(u.arcsec)


@takes(
    "diameter wavelength airmass obstruction",
    diameter=quantity(u.m, above=0),
    atmosphere=instance(Atmosphere),
    wavelength=quantity(u.m, above=0),
    airmass=number(minimum=1, maximum=_MAXIMUM_AIRMASS, ndim=None),
    obstruction=number(minimum=0, maximum=0.95, ndim=None),
)
def spot_fwhm(diameter, atmosphere, wavelength=REFERENCE_WAVELENGTH, airmass=1, obstruction=0):
    """Width of a star on the sensor in a long exposure: air and diffraction.

    Parameters
    ----------
    diameter : Quantity [length]
    atmosphere : Atmosphere
    wavelength : Quantity [length]
    airmass : float or array
    obstruction : float or array
        Central obstruction, as a share of the diameter, 0 to 0.95.

    Returns
    -------
    Quantity [arcsec]
        Full width at half maximum of the image whose transfer function is the product of those of the air (von Karman)
        and of the aperture, within 0.1 % for outer scales of at least 5 Fried parameters. Below, the image may have a
        sharp core on a wide halo, and a width says little.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    As `shared.optics`.
    """
    r0 = optics.fried_parameter_m(atmosphere.fwhm.to_value(u.rad), wavelength.value, airmass)
    star = optics.LongExposure(r0, atmosphere.outer_scale.value, diameter.value, wavelength.value, obstruction)
    return (star.fwhm_rad * u.rad).to(u.arcsec)


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
    check_atmosphere(atmosphere)
    airmass = as_number("airmass", airmass, minimum=1, maximum=_MAXIMUM_AIRMASS)
    layers = tuple(replace(layer, height=layer.height * airmass) for layer in atmosphere.layers)
    return replace(atmosphere, fwhm=atmosphere.fwhm * airmass**0.6, layers=layers)


def tilt_scale(atmosphere):
    """Plain factor of all tilt spectra of an Atmosphere, in arcsec^2 m^(1/3), for the kernels of `tilt_spectrum`."""
    wavelength_m = REFERENCE_WAVELENGTH.to_value(u.m)
    return tilt_scale_arcsec2(fried_parameter(atmosphere.fwhm).value, wavelength_m)


def _axis_variances(diameter_m, atmosphere, exposure_s):
    """One-axis variances in arcsec^2 along x and y, shape (2, n) for exposures (n,)."""
    total = np.zeros((2, exposure_s.size))
    for layer in atmosphere.layers:
        paths = layer.wind_speed.value * exposure_s
        along, across = path_integrals(diameter_m, atmosphere.outer_scale.value, paths)
        cosine2 = np.cos(layer.wind_direction.to_value(u.rad)) ** 2
        total += layer.fraction * np.array(
            [along * cosine2 + across * (1 - cosine2), along * (1 - cosine2) + across * cosine2]
        )
    return tilt_scale(atmosphere) * total


def image_motion_axes(diameter, atmosphere, exposure=0 * u.s):
    """Motion of a star's centroid that an exposure leaves, for each axis.

    Parameters
    ----------
    diameter : Quantity [length]
        Of the aperture; scalar or array.
    atmosphere : Atmosphere
    exposure : Quantity [time]
        Scalar or array, broadcast against `diameter`; 0 s for an instant.

    Returns
    -------
    Quantity [arcsec]
        One-axis rms along x and along y, shape (2, ...). With one layer and wind direction 0 deg, x is along the wind
        and y across it.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is negative or no finite number, the shapes don't fit, or a physical type is wrong.

    References
    ----------
    Spectrum and aperture filter: Tokovinin 2002, PASP 114, 1156, section 2; exposure in frozen flow: Martin 1987, PASP
    99, 1360; closed forms of the mean over directions: Gradshteyn & Ryzhik, 8.411.
    """
    check_atmosphere(atmosphere)
    diameter = as_quantity("diameter", diameter, u.m, minimum=1e-3, maximum=100)
    exposure = as_quantity("exposure", exposure, u.s, minimum=0, maximum=1e6)
    try:
        diameters, exposures = np.broadcast_arrays(diameter.value, exposure.value)
    except ValueError as error:
        raise ValueError(
            f"exposure: expected a shape that fits diameter's {diameter.shape}, found {exposure.shape}"
        ) from error
    result = np.empty((2, *diameters.shape))
    for value in np.unique(diameter.value):
        same = diameters == value
        result[:, same] = _axis_variances(value, atmosphere, exposures[same])
    return np.sqrt(result) * u.arcsec


def image_motion(diameter, atmosphere, exposure=0 * u.s):
    """Motion of a star's centroid that an exposure leaves: one-axis rms, as the root of the mean variance of both axes.

    Parameters
    ----------
    diameter : Quantity [length]
        Of the aperture; scalar or array.
    atmosphere : Atmosphere
    exposure : Quantity [time]
        Scalar or array, broadcast against `diameter`; 0 s for an instant.

    Returns
    -------
    Quantity [arcsec]
        For an instant and Kolmogorov turbulence 0.170 (lambda/D)^2 (D/r0)^(5/3) rad^2 of variance, at any wavelength.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        As `image_motion_axes`.

    References
    ----------
    As `image_motion_axes`.
    """
    return np.sqrt(np.mean(image_motion_axes(diameter, atmosphere, exposure) ** 2, axis=0))


def motion_by_layer(diameter, atmosphere, exposure=0 * u.s):
    """The share of each layer in the motion of a star's centroid.

    Parameters
    ----------
    diameter : Quantity [length]
        Of the aperture; scalar.
    atmosphere : Atmosphere
    exposure : Quantity [time]
        Scalar.

    Returns
    -------
    Quantity [arcsec], shape (number of layers,)
        One-axis rms that each layer alone would cause; their squares add up to that of `image_motion`.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        As `image_motion_axes`.
    """
    check_atmosphere(atmosphere)
    parts = [
        image_motion(diameter, replace(atmosphere, layers=(replace(layer, fraction=1),)), exposure)
        * layer.fraction**0.5
        for layer in atmosphere.layers
    ]
    return u.Quantity(parts)


def exposure_for_motion(diameter, atmosphere, motion):
    """The shortest exposure that leaves no more than a given motion by the air.

    Parameters
    ----------
    diameter : Quantity [length]
        Of the aperture; scalar.
    atmosphere : Atmosphere
    motion : Quantity [angle]
        One-axis rms (mean of both axes); scalar, above 0.

    Returns
    -------
    Quantity [s]
        0 s if even an instant moves the star no more.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is out of range or of the wrong physical type, or no exposure up to an hour is long enough.
    """
    motion = as_quantity("motion", motion, u.arcsec, above=0, ndim=0)
    if image_motion(diameter, atmosphere) <= motion:
        return 0 * u.s

    def excess(logarithm):
        return np.log(image_motion(diameter, atmosphere, np.exp(logarithm) * u.s) / motion).value

    shortest, longest = np.log(1e-4), np.log(3600)
    if excess(longest) > 0:
        least = image_motion(diameter, atmosphere, np.exp(longest) * u.s).value
        raise ValueError(
            f"motion: expected at least {least:.3g} arcsec, left by an exposure of an hour, found {motion:.3g}"
        )
    if excess(shortest) <= 0:
        return 0 * u.s
    return np.exp(optimize.brentq(excess, shortest, longest, xtol=1e-6)) * u.s


def _layers(*rows):
    """Layers from (height in m, fraction, wind speed in m/s, direction in deg)."""
    total = sum(row[1] for row in rows)
    return tuple(
        Layer(height * u.m, fraction / total, speed * u.m / u.s, direction * u.deg)
        for height, fraction, speed, direction in rows
    )


def _hufnagel_valley(height_m, high_wind=21, ground=1.7e-14):
    """Refractive-index structure constant in m^(-2/3) of the Hufnagel-Valley 5/7 model; height in m."""
    high = 0.00594 * (high_wind / 27) ** 2 * (1e-5 * height_m) ** 10 * np.exp(-height_m / 1000)
    return high + 2.7e-16 * np.exp(-height_m / 1500) + ground * np.exp(-height_m / 100)


def _bufton_wind(height_m, ground_wind=5):
    """Wind speed in m/s at a height in m."""
    return ground_wind + 30 * np.exp(-(((height_m - 9400) / 4800) ** 2))


def _slabs(edges_m):
    """Hufnagel-Valley air with Bufton wind in layers, each at the height and with the wind that keep its 5/3
    moments.
    """
    rows = []
    for low, high in itertools.pairwise(edges_m):
        height = np.linspace(low, high, 400)
        strength = _hufnagel_valley(height)
        mean_height = (np.sum(strength * height ** (5 / 3)) / np.sum(strength)) ** 0.6
        mean_wind = (np.sum(strength * _bufton_wind(height) ** (5 / 3)) / np.sum(strength)) ** 0.6
        rows.append((mean_height, np.mean(strength) * (high - low), mean_wind, 0))
    return _layers(*rows)


# Named atmospheres with their sources. The invented ones are teaching examples, not measurements of any place.
ATMOSPHERES = {
    # Invented: most of the turbulence lies near the ground; winds turn with height.
    "valley night": Atmosphere(
        2.5 * u.arcsec, 20 * u.m, _layers((50, 0.6, 5, 0), (1000, 0.2, 10, 40), (8000, 0.2, 25, 90))
    ),
    # Invented: a strong, fast layer at the height of the jet stream.
    "jet-stream night": Atmosphere(
        2.5 * u.arcsec, 25 * u.m, _layers((50, 0.35, 4, 0), (2000, 0.2, 12, 60), (10000, 0.45, 45, 90))
    ),
    # Invented: weak turbulence, light winds.
    "calm night": Atmosphere(
        1.2 * u.arcsec, 20 * u.m, _layers((30, 0.5, 2, 0), (1000, 0.3, 5, 30), (9000, 0.2, 12, 60))
    ),
    # Keck Adaptive Optics Note 303, Mauna Kea profile (heights, shares and winds as carried by hcipy's
    # make_keck_atmospheric_layers, with its r0 of 20 cm at 500 nm and outer scale of 20 m). Directions: chosen here.
    "high mountain": Atmosphere(
        (KOLMOGOROV_WIDTH * REFERENCE_WAVELENGTH / (20 * u.cm)).to_value(u.one) * u.rad,
        20 * u.m,
        _layers(
            (0, 0.369, 6.7, 0),
            (2100, 0.219, 13.9, 0),
            (4100, 0.127, 20.8, 0),
            (6500, 0.101, 29, 0),
            (9000, 0.046, 29, 0),
            (12000, 0.111, 29, 0),
            (14800, 0.027, 29, 0),
        ),
    ),
    # Hufnagel-Valley 5/7 (Hufnagel 1974, OSA Digest on Optical Propagation through Turbulence, WA1; Valley 1980,
    # Applied Optics 19, 574; constants as in Andrews & Phillips, Laser Beam Propagation through Random Media, eq.
    # 12.2): r0 of 5 cm at 500 nm. Wind: Bufton 1973, Applied Optics 12, 1785. Outer scale and directions are choices
    # made here.
    "Hufnagel-Valley": Atmosphere(
        (KOLMOGOROV_WIDTH * REFERENCE_WAVELENGTH / (5 * u.cm)).to_value(u.one) * u.rad,
        20 * u.m,
        _slabs((0, 100, 500, 2000, 6000, 12000, 25000)),
    ),
}


def atmosphere_for(site):
    """The air above a site: its own seeing and outer scale, with the layers of its named atmosphere.

    Parameters
    ----------
    site : Site
        Part of a rig: `seeing`, `outer_scale` and `atmosphere` (a name in `ATMOSPHERES`).

    Returns
    -------
    Atmosphere

    Raises
    ------
    TypeError
        No site.
    ValueError
        An unknown name.
    """
    try:
        seeing, outer_scale, name = site.seeing, site.outer_scale, site.atmosphere
    except AttributeError as error:
        raise TypeError(f"site: expected the site of a rig, found {type(site).__name__}") from error
    if name not in ATMOSPHERES:
        raise ValueError(f"site.atmosphere: expected one of {', '.join(map(repr, ATMOSPHERES))}, found {name!r:.60}")
    return Atmosphere(seeing, outer_scale, ATMOSPHERES[name].layers)
