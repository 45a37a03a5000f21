"""Widths of stars: what air and an aperture make of a point of light, and numbers of shape that several rooms need.

Plain float64 numbers and arrays in the units that the names give. A long exposure multiplies two transfer functions,
that of turbulent air with a von Karman spectrum (outer scale) and that of a circular aperture with a central
obstruction; both depend on the separation of two points in the aperture, wavelength x spatial frequency.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy import special
from scipy.interpolate import CubicSpline

FWHM_PER_SIGMA = 2 * np.sqrt(2 * np.log(2))  # of a Gaussian, 2.3548
AIRY_WIDTH = 1.028993969962188  # FWHM of a clear circular aperture in wavelength / diameter: Born & Wolf, section 8.5.2
# FWHM of a long exposure in wavelength / r0: Roddier 1981, Progress in Optics 19, 281 (the trade rounds to 0.98).
KOLMOGOROV_WIDTH = 0.97586
# Structure function of the phase, (separation / r0)^(5/3) times this, exactly 2 [24/5 Gamma(6/5)]^(5/6): Fried 1966.
STRUCTURE = 2 * (4.8 * special.gamma(1.2)) ** (5 / 6)
# Exponents of Moffat profiles: nearest to the star that air makes (Trujillo et al. 2001, MNRAS 328, 977), and of stars
# with stronger wings, as poor optics make them (a choice made here, no source).
MOFFAT_OF_AIR = 4.765
MOFFAT_WITH_WINGS = 2.5
SEEING_WAVELENGTH_M = 500e-9  # seeing and Fried parameters are quoted at this wavelength and at the zenith

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(128)
_NODES, _WEIGHTS = (_NODES + 1) / 2, _WEIGHTS / 2
_FARTHEST = 4  # in outer scales; beyond it phases have nothing in common


def fried_parameter_m(fwhm_rad, wavelength_m=SEEING_WAVELENGTH_M, airmass=1):
    """r0 at a wavelength and airmass, for a seeing at 500 nm and zenith."""
    at_reference = KOLMOGOROV_WIDTH * SEEING_WAVELENGTH_M / fwhm_rad
    return at_reference * (wavelength_m / SEEING_WAVELENGTH_M) ** 1.2 * airmass**-0.6


def _missing_from_phase(y):
    """1 - y^(5/6) K_5/6(y) 2^(1/6) / Gamma(5/6), without loss of digits for small y."""
    order = 5 / 6
    small = np.minimum(y, 2)
    quarter = small**2 / 4
    rising = sum(quarter**k / (special.factorial(k) * special.gamma(k + 1 + order)) for k in range(12))
    falling = sum(quarter**k / (special.factorial(k) * special.gamma(k + 1 - order)) for k in range(1, 12))
    series = special.gamma(1 - order) * ((small / 2) ** (2 * order) * rising - falling)
    large = np.maximum(y, 1)
    closed = 1 - 2 ** (1 - order) / special.gamma(order) * large**order * special.kv(order, large)
    return np.where(y < 1.5, series, closed)


@lru_cache(maxsize=1)
def _outer_scale_share():
    """Structure function with outer scale over that without, as a spline over ln(separation / outer scale)."""
    ratio = np.geomspace(1e-9, _FARTHEST, 500)
    order = 5 / 6
    # (y/2)^(5/3) Gamma(1/6) / Gamma(11/6) is the first term of the series, which alone is left without outer scale
    without = special.gamma(1 - order) / special.gamma(1 + order) * (np.pi * ratio) ** (2 * order)
    return CubicSpline(np.log(ratio), _missing_from_phase(2 * np.pi * ratio) / without)


def phase_structure(separation_m, r0_m, outer_scale_m):
    """Structure function of the phase in radian^2, for von Karman turbulence; the outer scale may be infinite.

    Conan 2000, PhD thesis, Universite de Nice: Bessel function K_5/6; 6.88 (separation / r0)^(5/3) without outer scale.
    """
    reach = np.minimum(separation_m, _FARTHEST * outer_scale_m)
    share = _outer_scale_share()(np.log(np.maximum(reach / outer_scale_m, 1e-9)))
    return STRUCTURE * (reach / r0_m) ** (5 / 3) * np.where(np.isinf(outer_scale_m), 1, share)


def aperture_transfer(share, obstruction):
    """Transfer function of an aperture at a separation of `share` diameters; obstruction as a share of the diameter.

    Area that the ring has in common with itself moved aside, over its area: O'Neill 1956, JOSA 46, 285.
    """
    distance = 2 * np.asarray(share, dtype=float)  # radius of the aperture: 1
    hole = np.maximum(obstruction, 1e-9)

    def equal_circles(radius):
        cosine = np.minimum(distance / (2 * radius), 1)
        return 2 * radius**2 * (np.arccos(cosine) - cosine * np.sqrt(1 - cosine**2))

    apart = np.clip(distance, 1 - hole, 1 + hole)
    kite = np.sqrt(np.maximum(((1 + hole) ** 2 - apart**2) * (apart**2 - (1 - hole) ** 2), 0)) / 2
    at_centre = np.arccos(np.minimum((apart**2 + 1 - hole**2) / (2 * apart), 1))
    at_hole = np.arccos(np.clip((apart**2 + hole**2 - 1) / (2 * apart * hole), -1, 1))
    both = at_centre + hole**2 * at_hole - kite
    area = equal_circles(1.0) + equal_circles(hole) - 2 * both
    return np.maximum(area, 0) / (np.pi * (1 - hole**2))


@dataclass(frozen=True)
class LongExposure:
    """A star in a long exposure through air and aperture; all wander by the air is contained.

    Attributes
    ----------
    r0_m, outer_scale_m, diameter_m : float or array
        Fried parameter at the wavelength, outer scale and aperture; the last two may be infinite.
    wavelength_m : float or array
    obstruction : float or array
        Central obstruction, share of the diameter.
    """

    r0_m: float
    outer_scale_m: float
    diameter_m: float
    wavelength_m: float
    obstruction: float = 0.0

    def transfer(self, frequency_rad):
        """Transfer function, 1 at frequency 0; frequency in cycles per radian."""
        return self._transfer(self.wavelength_m * np.asarray(frequency_rad))

    def _transfer(self, separation_m):
        air = np.exp(-phase_structure(separation_m, self.r0_m, self.outer_scale_m) / 2)
        return air * aperture_transfer(separation_m / self.diameter_m, self.obstruction)

    @cached_property
    def fwhm_rad(self):
        """Full width at half maximum, from the profile itself: a Hankel transform of the product of both functions.

        Within 0.1 per cent of much finer quadratures for outer scales of at least 5 Fried parameters.
        """
        names = ("r0_m", "outer_scale_m", "diameter_m", "wavelength_m", "obstruction")
        parts = np.broadcast_arrays(*(np.asarray(getattr(self, name), dtype=float) for name in names))
        r0, outer_scale, diameter, wavelength, obstruction = (part[..., None] for part in parts)
        # beyond 8 r0 nothing is left, unless a small outer scale keeps distant phases alike
        lost = (outer_scale > 40 * r0) | np.isinf(diameter)
        largest = np.where(lost, np.minimum(diameter, 8 * r0), diameter)
        star = LongExposure(r0, outer_scale, diameter, wavelength, obstruction)
        separation = largest * _NODES**3  # close nodes where air wider than the aperture leaves something
        weight = _WEIGHTS * _NODES**5 * star._transfer(separation)
        wave = 2 * np.pi * separation / wavelength
        # start: squares of both widths added
        width = np.hypot(KOLMOGOROV_WIDTH * wavelength / r0, AIRY_WIDTH * wavelength / diameter)
        half = weight.sum(axis=-1, keepdims=True) / 2
        for _ in range(20):  # Newton
            phase = wave * (width / 2)
            excess = (weight * special.j0(phase)).sum(axis=-1, keepdims=True) - half
            slope = (weight * wave * special.j1(phase)).sum(axis=-1, keepdims=True) / 2
            step = np.clip(excess / np.where(slope > 0, slope, np.inf), -width / 3, width / 3)
            width = width + step
            if np.all(np.abs(step) < 1e-6 * width):
                break
        return width[..., 0]
