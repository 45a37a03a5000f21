"""What a fault of the guide camera costs: on the centre of a star, on the log, in the picture.

A star's centre is measured with weights that fit a round star (least squares, or a window as wide as the star); for a
Gaussian star all of it can be written down. The formulas for single pixels are those of `starlight.centroid_noise`.
"""

from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from helpers.correction_loop.loop import noise_gain
from helpers.correction_loop.picture import add_motion
from helpers.multi_star.averaging import snr_weights
from helpers.rig.parts import GuideCamera, Rig
from helpers.shared.checks import count, instance, number, optional, quantity, take_fields, takes
from helpers.shared.limits import FOLLOWED
from helpers.shared.optics import FWHM_PER_SIGMA
from helpers.starlight.view import View, view, view_of_arrived

_STEPS, _SETTLED = 400, 1e-10  # of the search for a centre that a hot pixel pulls


_STAR = {
    "fwhm": quantity(u.arcsec, minimum=1e-3, maximum=3600, ndim=0),
    "pixel_scale": quantity(u.arcsec / u.pix, minimum=1e-6, maximum=3600, ndim=0),
}
_LIGHT = quantity(u.electron, minimum=1e-6, maximum=1e15)
_MAGNITUDES = number(minimum=-30, maximum=40, ndim=1, most_values=100_000)
_NOISE = quantity(u.electron, minimum=0, maximum=1e9, ndim=0)


def _sigma(fwhm, pixel_scale):
    """Width of a star in pixels (sigma), as a plain number."""
    return float(fwhm / FWHM_PER_SIGMA / pixel_scale / u.pix)


@takes(**_STAR)
def shared_noise_weight(fwhm, pixel_scale):
    """How many times more variance the centre gets from noise that whole columns share than from pixels of that noise.

    Pixels of a star that lie in one column move it sideways together, so their noise does not average out. Up and
    down they move nothing.

    Parameters
    ----------
    fwhm : Quantity [angle]
        Of the star on the sensor.
    pixel_scale : Quantity [arcsec / pix]

    Returns
    -------
    float
        2 sqrt(pi) sigma, sigma in pixels: the weights x g(x, y) of a Gaussian star, squared after and before they are
        added up along y.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    return 2 * np.sqrt(np.pi) * _sigma(fwhm, pixel_scale)


@dataclass(frozen=True)
class CameraNoise:
    """Noise of reading out [electron]: of single pixels, and what whole rows and whole columns share."""

    pixels: u.Quantity
    rows: u.Quantity = 0 * u.electron
    columns: u.Quantity = 0 * u.electron

    def __post_init__(self):
        take_fields(self, pixels=_NOISE, rows=_NOISE, columns=_NOISE)


@takes(setting=instance(View), camera=instance(GuideCamera), stripes=_NOISE)
def with_stripes(setting, camera, stripes):
    """A view in which noise that whole columns (or rows) share stands as background that costs as much.

    Parameters
    ----------
    setting : View
        Of the camera without stripes.
    camera : GuideCamera
    stripes : Quantity [electron]
        Noise that all pixels of a column share; it counts across the columns only.

    Returns
    -------
    View
    """
    weight = shared_noise_weight(setting.fwhm, setting.pixel_scale / camera.binning)
    # binning adds up pixels after each was read
    added = camera.binning**2 * weight * stripes.to_value(u.electron) ** 2
    return replace(setting, background=setting.background + added * u.electron / u.pix)


@takes(
    rig=instance(Rig),
    magnitudes=_MAGNITUDES,
    noise=optional(instance(CameraNoise)),
    exposure=optional(quantity(u.s, minimum=1e-6, maximum=1e5, ndim=0)),
    light_share=optional(number(above=0, maximum=1)),
)
def star_errors(rig, magnitudes, noise=None, exposure=None, light_share=None):
    """Centroid error along both axes of the mean of the guide stars, for a camera with this noise.

    Parameters
    ----------
    rig : Rig
    magnitudes : array, shape (N,)
        Gaia G of the guide stars, as they reach the camera.
    noise : CameraNoise, optional
        That of the rig's guide camera, without stripes, if not given.
    exposure : Quantity [time], optional
        The rig's own if not given.
    light_share : float, optional
        Of the beam, as in `starlight.view`: given, the magnitudes are those of a star list.

    Returns
    -------
    error : Quantity [arcsec], shape (2,)
        Along rows (x) and along columns (y), one-axis rms. Noise that columns share counts along x, that of rows
        along y: as single pixels of `shared_noise_weight` times its variance would.
    found : bool
        Whether a star stands out of the noise at all; if not, the error is the width of a star.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    noise = CameraNoise(rig.guide_camera.read_noise) if noise is None else noise
    exposure = rig.guiding.exposure if exposure is None else exposure
    if light_share is None:
        setting = view_of_arrived(rig, exposure)
    else:
        setting = view(rig, exposure, light_share=light_share)
    added = rig.guide_camera.binning**2 * (noise.pixels.value**2 - setting.gain_setting.read_noise.value**2)
    like_it = replace(setting, background=setting.background + added * u.electron / u.pix)
    errors, found = [], True
    for shared in (noise.columns, noise.rows):
        signal = with_stripes(like_it, rig.guide_camera, shared).signal(magnitudes)
        weights = snr_weights(signal.centroid_error)
        errors.append(np.sqrt(np.sum((weights * signal.centroid_error) ** 2)))
        found &= bool(signal.measurable.any())
    return u.Quantity(errors), found


@takes(rig=instance(Rig), magnitudes=_MAGNITUDES, count=count(minimum=1, maximum=100_000))
def stars_in_use(rig, magnitudes, count):
    """The stars that a rig guides on: the best known of those that do not fill a pixel; array (count,)."""
    signal = view_of_arrived(rig).signal(magnitudes)
    order = np.argsort(np.where(signal.saturated, np.inf, signal.centroid_error.value), kind="stable")
    return magnitudes[np.sort(order[:count])]


_ERROR = quantity(u.arcsec, minimum=0, maximum=3600, shape=[(), (2,)])


@takes(
    logged_rms=quantity(u.arcsec, minimum=0, maximum=1e6, ndim=0),
    star_fwhm=_STAR["fwhm"],
    error=_ERROR,
    error_before=_ERROR,
    gain=number(minimum=0),
    delay=count(maximum=1),
)
def log_and_picture(logged_rms, star_fwhm, error, error_before, gain, delay=0):
    """What the log shows and how wide the star in the picture becomes when the centroid error changes.

    Parameters
    ----------
    logged_rms : Quantity [arcsec]
        Both axes together, with `error_before`.
    star_fwhm : Quantity [arcsec]
        Star in the picture, with `error_before`.
    error, error_before : Quantity [arcsec], scalar or shape (2,)
        Of the mean of the guide stars, one-axis rms, new in each exposure.
    gain, delay
        Of the loop, as in `correction_loop.noise_gain`.

    Returns
    -------
    logged_rms, star_fwhm : Quantity [arcsec]
        The log shows all of the added noise and what the loop makes of it, variance 1 + `noise_gain`: what an exposure
        adds is not yet in the corrections made before. The picture gets the corrections only.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    added = np.broadcast_to((error**2 - error_before**2).value, (2,)) * u.arcsec**2
    handed_on = noise_gain(gain, delay)
    total = logged_rms**2 + (1 + handed_on) * added.sum()
    if total < 0:
        raise ValueError("error_before: expected no more than the log holds, found more")
    try:
        widths = add_motion(star_fwhm, handed_on * added)
    except ValueError as refused:
        raise ValueError(f"error, error_before: expected less against the star; {refused}") from refused
    return np.sqrt(total), np.sqrt(np.mean(widths**2))


@takes("electrons slope", electrons=_LIGHT, slope=quantity(u.electron / u.pix, minimum=-1e12, maximum=1e12), **_STAR)
def slope_shift(fwhm, pixel_scale, electrons, slope):
    """How far light that gets brighter across a star pulls its measured centre to the bright side.

    Parameters
    ----------
    fwhm : Quantity [angle]
        Of the star on the sensor.
    pixel_scale : Quantity [arcsec / pix]
    electrons : Quantity [electron]
        All light of the star in one exposure.
    slope : Quantity [electron / pix]
        How much more light each next pixel gets in that exposure.

    Returns
    -------
    Quantity [arcsec]
        8 pi sigma^4 slope / electrons, in pixels: the weights x g(x, y) of a Gaussian star, scaled to measure its
        place, times a background of that slope. What is even falls out.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    pixels = 8 * np.pi * _sigma(fwhm, pixel_scale) ** 4 * slope.value / electrons.value
    return pixels * pixel_scale.value * u.arcsec


@takes(
    distance=number(minimum=-1e6, maximum=1e6, ndim=1, most_values=FOLLOWED),
    share=number(minimum=0, maximum=1e6),
)
def pulled_place(distance, share):
    """Where a star is measured that stands near a hot pixel.

    Parameters
    ----------
    distance : array
        Of the star from the hot pixel, in sigmas of the star (its FWHM is 2.35 of them); the first is where the search
        begins, and each next begins where the one before ended, as a star is followed.
    share : float
        Light of the hot pixel over that of the whole star.

    Returns
    -------
    ndarray
        Measured distance from the hot pixel, in sigmas: the place c at which a window as wide as the star sees as much
        on one side as on the other, d/4 exp(-d^2/4) + share (-c) exp(-c^2/2) = 0 with d = distance - c.

    Raises
    ------
    ValueError, TypeError
    """
    measured, place = [], distance[0]
    for star in distance:
        for _ in range(_STEPS):
            away = star - place
            by_star, by_pixel = np.exp(-(away**2) / 4), share * np.exp(-(place**2) / 2)
            # Both as weighted means: half the way to the star, all the way to the pixel, as a window sees them.
            seen = max(by_star / 4 + by_pixel, 1e-300)  # where neither is seen it stays
            step = (by_star * away / 4 - by_pixel * place) / seen
            place += step
            if abs(step) < _SETTLED:
                break
        measured.append(place)
    return np.array(measured)


@takes("electrons hot", electrons=_LIGHT, hot=quantity(u.electron, minimum=0, maximum=1e15), **_STAR)
def hot_pixel_pull(fwhm, pixel_scale, electrons, hot):
    """The most that a hot pixel of constant light pulls the centre of a star that is far brighter than it.

    Parameters
    ----------
    fwhm, pixel_scale, electrons
        As in `slope_shift`.
    hot : Quantity [electron]
        Light of the hot pixel in one exposure.

    Returns
    -------
    Quantity [arcsec]
        4 sigma exp(-1/2) hot / electrons, when the pixel is one sigma from the centre.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    pixels = 4 * np.exp(-0.5) * _sigma(fwhm, pixel_scale) * hot.value / electrons.value
    return pixels * pixel_scale.value * u.arcsec
