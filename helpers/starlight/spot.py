"""A star's spot as pixels sample it: its shape, and how well its centre can be known from it.

The air's long-exposure spot, widened by diffraction, is round; a pixel widens it further. Sums over pixels, averaged
over all places of a star within a pixel, are integrals over this profile, so that one set of integrals along the
radius gives what pixels, photon noise, background and a colour mosaic do.
"""

from collections import namedtuple
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import optimize, special

from helpers.shared.optics import AIRY_WIDTH, FWHM_PER_SIGMA, KOLMOGOROV_WIDTH, aperture_transfer, phase_structure
from helpers.starlight.faint_stars import measuring_window

WIDEST_DIFFRACTION = 0.99  # share of the spot's width
WIDEST_OUTER_ANGLE = 0.3  # of the spot's width
COLOUR_COUNTS = np.array([0.25, 0.5, 0.25])  # red, green and blue among the pixels of a colour mosaic
_FREQUENCY = np.arange(0.005, 3, 0.01)  # cycles per FWHM
_STEP = 0.02  # of the radius, in FWHM
_LEAST_SHARE = 1e-9
_RATIOS = np.geomspace(1e-7, 1e4, 89)  # background in a square of one FWHM over the star's light
_LEAST_RATIO = 1e-5  # below, the fit's window ends at its box
_REACH = 2.5  # half a measuring box, in FWHM


class Shape(namedtuple("Shape", ["diffraction", "obstruction", "outer_angle"], defaults=(0.0, 0.0, 0.0))):
    """What shapes a spot besides its width; by default air alone, without outer scale.

    diffraction, FWHM of a clear aperture's pattern over that of the whole spot, 0 to 0.99; obstruction, share of the
    diameter; outer_angle, wavelength / outer scale over the spot's FWHM, 0 to 0.3.
    """


AIR_ALONE = Shape()


def _air_and_aperture(frequency, air, shape):
    """Transfer function of a spot of FWHM 1; `air`, the FWHM that its air would have without outer scale."""
    # lengths in units of wavelength / FWHM: two points at this distance make waves of this frequency
    outer_scale = 1 / shape.outer_angle if shape.outer_angle else np.inf
    phase = phase_structure(frequency, KOLMOGOROV_WIDTH / air, outer_scale)
    return np.exp(-phase / 2) * aperture_transfer(frequency * shape.diffraction / AIRY_WIDTH, shape.obstruction)


def _half_light(log_air, shape):
    """How much brighter than half its peak a spot is at half the distance 1 from its centre, over the peak."""
    light = _air_and_aperture(_FREQUENCY, np.exp(log_air), shape) * _FREQUENCY
    return light @ special.j0(np.pi * _FREQUENCY) / light.sum() - 0.5


@lru_cache(maxsize=256)
def _air_width(shape):
    """Width that the air would have without outer scale, in units of the whole spot's FWHM."""
    if shape == AIR_ALONE:
        return 1.0
    return np.exp(optimize.brentq(_half_light, np.log(0.01), np.log(5), args=(shape,), xtol=1e-6))


def transfer_function(frequency, fwhm, shape=AIR_ALONE):
    """Fourier transform of a spot of total 1: long exposure through turbulent air, and an aperture.

    Parameters
    ----------
    frequency : array
        Cycles per pixel.
    fwhm : float
        Of the whole spot, in pixels.
    shape : Shape

    Returns
    -------
    ndarray

    References
    ----------
    Fried 1966, J. Opt. Soc. Am. 56, 1372: exp(-3.44 (wavelength f / r0)^(5/3)), FWHM 0.97586 wavelength / r0; outer
    scale and aperture as in `shared.optics`.
    """
    return _air_and_aperture(np.asarray(frequency) * fwhm, _air_width(shape), shape)


def _pixel_transfer(frequency):
    """Transfer function of a square pixel, averaged over all directions; cycles per pixel."""
    angle = (np.arange(16) + 0.5) / 16 * np.pi / 2
    along_x, along_y = (np.multiply.outer(frequency, part) for part in (np.cos(angle), np.sin(angle)))
    return np.mean(np.sinc(along_x) * np.sinc(along_y), axis=-1)


@lru_cache
def _waves():
    """Radii in FWHM, and the waves J0 and J1 at radii x frequencies."""
    radius = np.arange(_STEP / 2, 6, _STEP)
    phase = 2 * np.pi * np.multiply.outer(radius, _FREQUENCY)
    return radius, special.j0(phase), special.j1(phase)


def _profile(transfer):
    """Share of the light per FWHM squared along the radius, and its slope, of a round spot."""
    _, j0, j1 = _waves()
    weighted = transfer * _FREQUENCY * (_FREQUENCY[1] - _FREQUENCY[0])
    return 2 * np.pi * (j0 @ weighted), -4 * np.pi**2 * (j1 @ (weighted * _FREQUENCY))


def _around(values):
    """Integral over the plane of round values along the radius, last axis."""
    return 2 * np.pi * _STEP * (values @ _waves()[0])


def _information(share, slope, width):
    """What one electron tells of the centre, for each of `_RATIOS`, 1 / FWHM squared; lowered as phases differ.

    Winick 1986, eq. 20: sum of (slope along x)^2 / (light + background) over pixels, whose mean over all places
    within a pixel is an integral. Where pixels are coarse, some places tell more than others: the error's mean square
    is that of 1 / information, to second order in how much it changes along each axis.
    """
    radius = _waves()[0]
    density = slope**2 / (share + _RATIOS[:, None])
    mean = _around(density) / 2
    wave = 2 * np.pi * width * radius  # one turn per pixel
    j0, j2 = special.j0(wave), special.jn(2, wave)
    changes = [np.clip(_around(density * part) / 2 / mean, -0.4, 0.4) for part in (j0 - j2, j0 + j2)]
    return mean / (1 + 2 * changes[0] ** 2 + 2 * changes[1] ** 2)


def _floors(share, slope, width):
    """Rms shift of a fitted Gaussian spot by the places of the pixels, in FWHM, for each of `_RATIOS`.

    The fit's weights make it a centre of mass under a window. Pixels sample light times window, and a colour mosaic
    does so with two different hands: each spatial frequency at which they repeat shifts the centre by a wave of the
    star's place (Poisson's sum). Returns the shifts by the pixels themselves, by red against blue along an axis, and
    by green against both; the last two for a contrast of 1.
    """
    radius = _waves()[0]
    gauss, _ = _profile(np.exp(-2 * (np.pi * _FREQUENCY) ** 2 / (8 * np.log(2))) * _pixel_transfer(_FREQUENCY / width))
    sigma = np.hypot(1 / FWHM_PER_SIGMA, np.sqrt(1 / 12) / width)
    model = np.exp(-((radius / sigma) ** 2) / 2) / (2 * np.pi * sigma**2)
    window = model / (model + np.maximum(_RATIOS, _LEAST_RATIO)[:, None]) * (radius < _REACH)
    response = -_around(slope * radius * window) / 2
    left = share - gauss * (_around(share * window) / _around(gauss * window))[:, None]  # what the fitted model lacks

    def shift(light, along_x, along_y):
        frequency = np.hypot(along_x, along_y)
        wave = radius * special.j1(2 * np.pi * frequency * width * radius)
        return _around(light * window * wave) * along_x / frequency / response

    def rms(light, places):
        """Of waves at these places and at those with -y, -x or both."""
        return np.sqrt(sum((4 if y else 2) * shift(light, x, y) ** 2 for x, y in places))

    pixels = rms(left, [(1, 0), (1, 1)])
    red_blue = rms(share, [(0.5, 0), (0.5, 1), (1, 0.5), (1.5, 0)])
    green = rms(share, [(0.5, 0.5), (1.5, 0.5), (0.5, 1.5)])
    return pixels, red_blue, green


@dataclass(frozen=True)
class SampledSpot:
    """A spot on pixels: what its shape makes of light and background. Lengths in pixels, light in electrons.

    peak_share, of the light, in the pixel on whose centre the star stands; noise_pixels, how many pixels' noise a
    star's light competes with (King 1983, PASP 95, 163); window_light, the sum of the light times the window in which
    faint stars are measured (1 in its middle), and window_square, that of the light times the window's square.
    """

    width: float
    peak_share: float
    noise_pixels: float
    window_light: float
    window_square: float
    _share: np.ndarray
    _log_information: np.ndarray
    _shifts: tuple

    def share_of_pixel(self, distance):
        """Share of the light in a pixel whose middle is so far [pixels] from the star, mean of all directions."""
        return np.interp(distance / self.width, _waves()[0], self._share, right=0.0) / self.width**2

    def _ratio(self, electrons, background):
        return np.log(np.clip(background * self.width**2 / electrons, _RATIOS[0], None))

    def _information_of(self, electrons, background):
        ratio = self._ratio(electrons, background)
        steps = np.log(_RATIOS)
        beyond = np.maximum(ratio - steps[-1], 0)  # background alone: as its inverse
        return np.exp(np.interp(ratio, steps, self._log_information) - beyond)

    def noise_error(self, electrons, background, shares=None, backgrounds=None):
        """One-axis error of the centre by noise, the least that any way of measuring reaches (Cramer-Rao bound).

        With `shares` (3,), the light of red, green and blue pixels against the mean pixel, and their `backgrounds`
        (3,), each colour tells its part.
        """
        if shares is None:
            return self.width / np.sqrt(electrons * self._information_of(electrons, background))
        parts = zip(COLOUR_COUNTS, shares, backgrounds, strict=True)
        known = sum(
            c * share * self._information_of(electrons * share, behind) for c, share, behind in parts if share > 0
        )
        return self.width / np.sqrt(electrons * known)

    def sampling_floor(self, electrons, background, shares=(1, 1, 1)):
        """One-axis rms over all places within the pixels of an error that light does not cure."""
        red, green, blue = shares
        contrasts = 1, (red - blue) / 4, (red + blue) / 4 - green / 2
        ratio, steps = self._ratio(electrons, background), np.log(_RATIOS)
        square = sum((c * np.interp(ratio, steps, part)) ** 2 for c, part in zip(contrasts, self._shifts, strict=True))
        return self.width * np.sqrt(square)


@lru_cache(maxsize=512)
def sampled_spot(width, shape=AIR_ALONE):
    """The spot of FWHM `width` pixels and a `Shape`.

    Notes
    -----
    Profiles end 6 FWHM from the centre. Errors of the centre are within 2 per cent for holes up to 0.6 of the diameter;
    with one of 0.9, whose rings reach farther, they come out 5 per cent too large.

    References
    ----------
    Winick 1986, J. Opt. Soc. Am. A 3, 1809 (the bound, on pixels); King 1983, PASP 95, 163 (noise pixels).
    """
    whole = _air_and_aperture(_FREQUENCY, _air_width(shape), shape) * _pixel_transfer(_FREQUENCY / width)
    share, slope = _profile(whole)
    share = np.maximum(share, _LEAST_SHARE)
    peak = 2 * np.pi * (whole @ _FREQUENCY) * (_FREQUENCY[1] - _FREQUENCY[0])
    window = np.exp(-((_waves()[0] * width / measuring_window(width)) ** 2) / 2)
    return SampledSpot(
        width=width,
        peak_share=peak / width**2,
        noise_pixels=width**2 / _around(share**2),
        window_light=_around(share * window),
        window_square=_around(share * window**2),
        _share=share,
        _log_information=np.log(_information(share, slope, width)),
        _shifts=_floors(share, slope, width),
    )
