"""Moments in which the air happens to hold still: how long they last, how rare they are, and what they show."""

from functools import lru_cache

import astropy.units as u
import numpy as np
from scipy import optimize, special
from scipy.interpolate import PchipInterpolator

from helpers.seeing.air import Atmosphere
from helpers.seeing.widths import diffraction_fwhm, fried_parameter
from helpers.shared import optics
from helpers.shared.checks import instance, number, optional, quantity, takes
from helpers.shared.limits import SPOTS, check_work

_ORDERS = 30  # radial orders of Zernike polynomials that are followed one by one
_WITHOUT_TILT = 0.134  # rad^2 at D = r0, tilt removed, all orders: Noll 1976, table IV
_RATIOS = np.concatenate([[0.3, 0.6], np.arange(1, 41)])
_WAVELENGTH = quantity(u.m, minimum=1e-7, maximum=1e-4)
_AIRMASS = number(minimum=1, maximum=40)


@takes(atmosphere=instance(Atmosphere), wavelength=quantity(u.m, minimum=1e-7, maximum=1e-4, ndim=0), airmass=_AIRMASS)
def coherence_time(atmosphere, wavelength=500 * u.nm, airmass=1):
    """Time over which the air keeps its shape: 0.314 r0 / V with the 5/3 mean wind V.

    Parameters
    ----------
    atmosphere : Atmosphere
    wavelength : Quantity
    airmass : float

    Returns
    -------
    Quantity [ms]

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also when there is no wind.

    References
    ----------
    Roddier 1981, Progress in Optics 19, 281, section 5.3; Hardy 1998, "Adaptive optics for astronomical telescopes",
    3.4.
    """
    speeds = np.array([layer.wind_speed.to_value(u.m / u.s) for layer in atmosphere.layers])
    shares = np.array([layer.fraction for layer in atmosphere.layers])
    mean = np.sum(shares * speeds ** (5 / 3)) ** 0.6
    if mean == 0:
        raise ValueError("atmosphere: expected a wind above 0 in at least one layer, found none")
    return (0.314 * fried_parameter(atmosphere.fwhm, wavelength, airmass) / (mean * u.m / u.s)).to(u.ms)


def _modes():
    """Variances [rad^2] at D = r0 of the statistically independent shapes of the wavefront, tilt left out.

    Eigenvalues of the covariances of Zernike polynomials: Noll 1976, JOSA 66, 207, eq. 25 (with the sign of Wang &
    Markey 1978, JOSA 68, 78).
    """
    found = []
    for azimuth in range(_ORDERS + 1):
        orders = np.arange(azimuth, _ORDERS + 1, 2)
        first, second = np.meshgrid(orders[orders >= 2], orders[orders >= 2])
        size = np.exp(special.gammaln((first + second - 5 / 3) / 2) - special.gammaln((first + second + 23 / 3) / 2))
        apart = special.rgamma((first - second + 17 / 3) / 2) * special.rgamma((second - first + 17 / 3) / 2)
        sign = (-1.0) ** ((first + second - 2 * azimuth) // 2)
        scale = 0.0072 * np.pi ** (8 / 3) * special.gamma(14 / 3) * np.sqrt((first + 1) * (second + 1))
        values = np.linalg.eigvalsh(scale * sign * size * apart)
        found.append(np.repeat(values, 1 if azimuth == 0 else 2))  # cosine and sine
    return np.concatenate(found)


def _log_chance(modes, rest, limit=1.0):
    """Logarithm of the chance that a sum of squared Gaussians of variances `modes`, and `rest`, stays below `limit`.

    Saddle point with the correction of Barndorff-Nielsen, as in Kuonen 1999, Biometrika 86, 929.
    """
    room = limit - rest
    if room <= 0:
        return -np.inf

    def mean(tilt):
        return np.sum(modes / (1 - 2 * tilt * modes))

    low, high = -1.0, 0.5 / modes.max() * (1 - 1e-12)
    while mean(low) > room:
        low *= 2
    tilt = optimize.brentq(lambda value: mean(value) - room, low, high)
    tilted = 1 - 2 * tilt * modes
    far = np.sign(tilt) * np.sqrt(2 * (tilt * room + 0.5 * np.log(tilted).sum()))
    steep = tilt * np.sqrt(2 * np.sum((modes / tilted) ** 2))
    return special.log_ndtr(far + np.log(steep / far) / far)


@lru_cache(maxsize=1)
def _log_share():
    """Logarithm of the share of lucky frames as a curve over D / r0."""
    modes = _modes()
    rest = _WITHOUT_TILT - modes.sum()
    growth = _RATIOS ** (5 / 3)
    logarithms = np.array([_log_chance(modes * g, rest * g) for g in growth])
    kept = np.isfinite(logarithms)
    return PchipInterpolator(_RATIOS[kept], logarithms[kept]), _RATIOS[kept][-1]


@takes(
    "diameter wavelength",
    diameter=quantity(u.m, minimum=1e-3, maximum=100),
    atmosphere=instance(Atmosphere),
    wavelength=_WAVELENGTH,
    airmass=_AIRMASS,
)
def lucky_share(diameter, atmosphere, wavelength=500 * u.nm, airmass=1):
    """Share of very short exposures that the air leaves nearly undisturbed (wavefront rms below 1 radian, tilt aside).

    Parameters
    ----------
    diameter : Quantity [length]
        Aperture.
    atmosphere : Atmosphere
    wavelength : Quantity
    airmass : float

    Returns
    -------
    float or ndarray
        1 for apertures much smaller than the Fried parameter, 0 where none is to be expected (D / r0 above 25 or so).

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError

    References
    ----------
    Fried 1978, J. Opt. Soc. Am. 68, 1651, the definition; the chance is computed here from Noll's covariances, for any
    D / r0. Fried's own fit, 5.6 exp(-0.1557 (D / r0)^2), given for 3.5 and more, lies above his table (by a fifth at
    5, more below) until about 6.
    """
    ratio = (diameter / fried_parameter(atmosphere.fwhm, wavelength, airmass)).to_value(u.one)
    curve, last = _log_share()
    share = np.where(ratio <= last, np.exp(curve(np.clip(ratio, _RATIOS[0], last))), 0.0)
    return float(share) if share.ndim == 0 else share


@takes(
    "diameter wavelength fwhm airmass",
    diameter=quantity(u.m, minimum=1e-3, maximum=100),
    wavelength=_WAVELENGTH,
    fwhm=optional(quantity(u.arcsec, minimum=1e-3, maximum=100)),
    airmass=number(minimum=1, maximum=40, ndim=None),
)
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
        1.029 lambda / D, or the width of a long exposure through air without outer scale and a clear aperture; of at
        most 50,000 stars at a time.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    aperture = diffraction_fwhm(diameter, wavelength)
    if fwhm is None:
        return aperture
    together = np.broadcast(diameter, wavelength, fwhm, airmass).size
    check_work("diameter, wavelength, fwhm, airmass", together, SPOTS, "stars")
    r0 = fried_parameter(fwhm, wavelength, airmass)
    star = optics.LongExposure(r0.value, np.inf, diameter.value, wavelength.value)
    return (star.fwhm_rad * u.rad).to(u.arcsec)
