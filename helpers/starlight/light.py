"""How much light a guide star gives a sensor, and how well its centre can be known."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.pixel_scale import pixel_scale
from helpers.rig.parts import Rig
from helpers.rig.values import changed
from helpers.shared.checks import as_choice, as_number, as_quantity
from helpers.shared.optics import FWHM_PER_SIGMA, MOFFAT_OF_AIR
from helpers.starlight import spectra
from helpers.starlight.centroid_noise import (
    CENTROID_FORMS,
    centroid_error,
    electrons_needed,
    signal_to_noise,
)
from helpers.starlight.simulated_frames import bin_frames, hot_pixel_map, render_frames
from helpers.starlight.spectra import (
    BANDS,
    SPECTRAL_CLASSES,
    WAVELENGTHS,
    as_magnitude,
    photon_flux,
    quantum_efficiency,
)
from helpers.starlight.widths import guide_star_fwhm

__all__ = [
    "BANDS",
    "SPECTRAL_CLASSES",
    "WAVELENGTHS",
    "GainSetting",
    "StarSignal",
    "bin_frames",
    "centroid_error",
    "detected_spectrum",
    "electrons_needed",
    "gain_setting",
    "hot_pixel_map",
    "limiting_magnitude",
    "mosaic_shares",
    "photon_flux",
    "quantum_efficiency",
    "render_frames",
    "rig_frames",
    "saturation_magnitude",
    "signal_to_noise",
    "star_signal",
]

_BEFORE_AMPLIFIER = 0.5  # share of the read noise variance that no gain setting lowers; invented


@dataclass(frozen=True)
class GainSetting:
    """A camera at one gain setting: read noise, full well and electrons per step of the digitised value."""

    read_noise: u.Quantity
    full_well: u.Quantity
    step: u.Quantity


def gain_setting(camera, gain=1):
    """What a gain setting does: a smaller full well, smaller digital steps, less read noise. It makes no light.

    Parameters
    ----------
    camera : rig.Camera
        Its read noise and full well are those of gain 1.
    gain : float
        Amplification against the setting that the camera is described with, 0.1 to 100.

    Returns
    -------
    GainSetting

    Raises
    ------
    ValueError, TypeError

    Notes
    -----
    Half of the read noise variance is taken to arise before the amplifier (invented), where no setting lowers it.
    """
    gain = as_number("gain", gain, minimum=0.1, maximum=100)
    full_well = camera.full_well / gain
    read_noise = camera.read_noise * np.sqrt(_BEFORE_AMPLIFIER + (1 - _BEFORE_AMPLIFIER) / gain**2)
    return GainSetting(read_noise, full_well, full_well / (2**camera.bit_depth - 1))


def _check_rig(rig):
    if not isinstance(rig, Rig):
        raise TypeError(f"rig: expected a Rig, found {type(rig).__name__}")
    return rig


def _exposure_time(rig, exposure):
    chosen = rig.guiding.exposure if exposure is None else exposure
    return as_quantity("exposure", chosen, u.s, minimum=1e-6, maximum=1e5, ndim=0)


def _collecting_area(optics):
    """Square metres that gather light, times the share that passes the optics."""
    diameter = optics.aperture.to_value(u.m)
    return np.pi / 4 * diameter**2 * (1 - optics.central_obstruction**2) * optics.transmission


def _detected(rig, spectral_class, airmass, curve, colour="mean"):
    """Electrons / (s nm) of a star of G = 0, and of an arcsec2 of sky, on the grid of wavelengths; plain arrays."""
    _check_rig(rig)
    as_choice("spectral_class", spectral_class, tuple(SPECTRAL_CLASSES))
    airmass = as_number("airmass", airmass, minimum=1, maximum=40)
    response = _collecting_area(rig.guide_optics) * spectra.sensor_response(
        rig.guide_camera, rig.guide_optics.filter, curve, colour
    )
    star = spectra.star_grid(spectral_class) * spectra.transmission_of_air(airmass, rig.site.height.to_value(u.m))
    return response * star, response * spectra.sky_grid(rig.site.sky_brightness.value.item())


def detected_spectrum(rig, magnitude, spectral_class="K0", airmass=1, curve=None):
    """Electrons a second by wavelength that the guide camera gets from a star and from the sky.

    Parameters
    ----------
    rig : Rig
    magnitude : float or Quantity in mag
        Gaia G.
    spectral_class, airmass, curve
        As in `star_signal`.

    Returns
    -------
    star : Quantity, electron / (s nm), shape of `WAVELENGTHS`
    sky : Quantity, electron / (s nm arcsec2), shape of `WAVELENGTHS`

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    magnitude = as_magnitude("magnitude", magnitude, minimum=-30, maximum=40)
    star, sky = _detected(rig, spectral_class, airmass, curve)
    unit = u.electron / (u.s * u.nm)
    return np.multiply.outer(10 ** (-0.4 * np.asarray(magnitude)), star) * unit, sky * unit / u.arcsec**2


@dataclass(frozen=True)
class StarSignal:
    """A star on the guide camera in one exposure; values per pixel are per binned pixel.

    electrons, of the whole star [electron]; sky and dark per pixel [electron / pix]; background, the variance per pixel
    with read noise and rounding to whole digital steps [electron / pix]; pixel_scale [arcsec / pix]; fwhm [arcsec];
    full_well [electron]; peak_fraction, brightest pixel over full well; signal_to_noise; centroid_error, one axis
    [arcsec].
    """

    electrons: u.Quantity
    sky: u.Quantity
    dark: u.Quantity
    background: u.Quantity
    pixel_scale: u.Quantity
    fwhm: u.Quantity
    full_well: u.Quantity
    peak_fraction: float
    signal_to_noise: float
    centroid_error: u.Quantity

    @property
    def saturated(self):
        """True where the brightest pixel is full."""
        return self.peak_fraction >= 1


@dataclass(frozen=True)
class _Exposure:
    """Everything about an exposure but the star's brightness; plain numbers per binned pixel."""

    star: float  # electrons of a star of G = 0
    sky: float
    dark: float
    noise: float  # variance of reading out
    pixel: float  # arcsec
    fwhm: float  # arcsec
    full_well: float
    peak_share: float  # share of a star's light in the brightest pixel

    @property
    def background(self):
        return self.sky + self.dark + self.noise


def _exposure(rig, spectral_class, airmass, exposure, fwhm, band, curve, gain):
    star, sky = _detected(rig, spectral_class, airmass, curve)
    window = spectra.window_of(band)
    time = _exposure_time(rig, exposure).value
    width = guide_star_fwhm(rig, airmass) if fwhm is None else fwhm
    width = as_quantity("fwhm", width, u.arcsec, minimum=1e-3, maximum=3600, ndim=0).value
    camera, setting = rig.guide_camera, gain_setting(rig.guide_camera, gain)
    cells = camera.binning**2  # binning adds up pixels after each was read
    pixel = pixel_scale(camera.pixel_size, rig.guide_optics.focal_length, camera.binning).value
    alpha = width / (2 * np.sqrt(2 ** (1 / MOFFAT_OF_AIR) - 1))
    return _Exposure(
        star=spectra.integral(star * window) * time,
        sky=spectra.integral(sky * window) * time * pixel**2,
        dark=cells * camera.dark_current.value * time,
        noise=cells * (setting.read_noise.value**2 + setting.step.value**2 / 12),
        pixel=pixel,
        fwhm=width,
        full_well=cells * setting.full_well.value,
        # light in the circle of a pixel's area round the middle of a Moffat profile
        peak_share=1 - (1 + pixel**2 / np.pi / alpha**2) ** (1 - MOFFAT_OF_AIR),
    )


def star_signal(
    rig,
    magnitude,
    spectral_class="K0",
    airmass=1,
    exposure=None,
    fwhm=None,
    band=None,
    curve=None,
    gain=1,
    method="least squares",
):
    """What a rig's guide camera gets from a star in one exposure, and what that is worth.

    For a star whose whole beam reaches the sensor. The mirror of a pick-off may pass only a share of the beam (see
    `pick_off.beam_share`); such a star counts as one fainter by -2.5 log10(share).

    Parameters
    ----------
    rig : Rig
    magnitude : float, array or Quantity in mag
        Gaia G, the magnitude of star lists and counts.
    spectral_class : str
        A name in `SPECTRAL_CLASSES`; K0 is a usual star of the field.
    airmass : float
    exposure : Quantity, s, optional
        The rig's guide exposure if not given.
    fwhm : Quantity, arcsec, optional
        Width of the spot on the sensor; `widths.guide_star_fwhm` if not given.
    band : Quantity pair, nm, optional
        Only light between two wavelengths; all if not given.
    curve : (Quantity, array), optional
        The reader's own quantum efficiency: wavelengths and electrons per photon, dyes included.
    gain : float
        As in `gain_setting`.
    method : {"least squares", "maximum likelihood", "unweighted fit"}
        As in `centroid_error`.

    Returns
    -------
    StarSignal
        Values that depend on the star have the shape of `magnitude`.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    magnitude = as_magnitude("magnitude", magnitude, minimum=-30, maximum=40)
    as_choice("method", method, tuple(CENTROID_FORMS))
    part = _exposure(rig, spectral_class, airmass, exposure, fwhm, band, curve, gain)
    electrons = part.star * 10 ** (-0.4 * magnitude)
    sigma = part.fwhm / FWHM_PER_SIGMA
    if part.star <= 0:
        raise ValueError("band: expected some light between these wavelengths on this sensor, found none")
    variance = CENTROID_FORMS[method](sigma, electrons, part.background, part.pixel)
    # King 1983 (PASP 95, 163): a star's light competes with the noise of this many pixels
    pixels = 1 + 4 * np.pi * sigma**2 / part.pixel**2
    return StarSignal(
        electrons=electrons * u.electron,
        sky=part.sky * u.electron / u.pix,
        dark=part.dark * u.electron / u.pix,
        background=part.background * u.electron / u.pix,
        pixel_scale=part.pixel * u.arcsec / u.pix,
        fwhm=part.fwhm * u.arcsec,
        full_well=part.full_well * u.electron,
        peak_fraction=(electrons * part.peak_share + part.sky + part.dark) / part.full_well,
        signal_to_noise=electrons / np.sqrt(electrons + pixels * part.background),
        centroid_error=np.sqrt(variance) * u.arcsec,
    )


def limiting_magnitude(
    rig, error, spectral_class="K0", airmass=1, exposure=None, fwhm=None, band=None, curve=None, gain=1
):
    """The faintest star whose centre is still known to a wanted error.

    Parameters
    ----------
    rig : Rig
    error : Quantity, arcsec
        One-axis rms of the centroid.
    spectral_class, airmass, exposure, fwhm, band, curve, gain
        As in `star_signal`.

    Returns
    -------
    float or ndarray
        Gaia G; same shape as `error`.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    part = _exposure(rig, spectral_class, airmass, exposure, fwhm, band, curve, gain)
    needed = electrons_needed(
        error, part.fwhm * u.arcsec, part.background * u.electron / u.pix, part.pixel * u.arcsec / u.pix
    ).value
    if part.star <= 0:
        raise ValueError("band: expected some light between these wavelengths on this sensor, found none")
    return -2.5 * np.log10(needed / part.star)


def saturation_magnitude(rig, spectral_class="K0", airmass=1, exposure=None, fwhm=None, band=None, curve=None, gain=1):
    """The magnitude at which a star centred on a pixel just fills it; brighter stars are cut off at the top.

    Parameters
    ----------
    rig : Rig
    spectral_class, airmass, exposure, fwhm, band, curve, gain
        As in `star_signal`.

    Returns
    -------
    float
        Gaia G.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also when sky and dark current alone fill the pixel.
    """
    part = _exposure(rig, spectral_class, airmass, exposure, fwhm, band, curve, gain)
    room = part.full_well - part.sky - part.dark
    if room <= 0:
        raise ValueError("exposure: expected one in which sky and dark current leave room in a pixel, found a longer")
    if part.star <= 0:
        raise ValueError("band: expected some light between these wavelengths on this sensor, found none")
    return float(-2.5 * np.log10(room / (part.star * part.peak_share)))


def mosaic_shares(rig, spectral_class="K0", airmass=1):
    """Light that red, green and blue pixels of a colour mosaic get, against the mean pixel.

    Parameters
    ----------
    rig : Rig
    spectral_class : str
    airmass : float

    Returns
    -------
    star, sky : ndarray (3,)
        One red, two green and one blue pixel average to 1; all 1 for a camera without a colour mosaic.

    Raises
    ------
    ValueError, TypeError
    """

    def light(colour):
        return [spectra.integral(part) for part in _detected(rig, spectral_class, airmass, None, colour)]

    star, sky = np.transpose([light(colour) for colour in spectra.MOSAIC_COLOURS])
    mean_star, mean_sky = light("mean")
    return star / mean_star, sky / mean_sky


def rig_frames(
    rig,
    positions,
    magnitudes,
    motion,
    rng,
    shape=None,
    spectral_class="K0",
    airmass=1,
    exposure=None,
    fwhm=None,
    gain=1,
    profile="kolmogorov",
    hot_share=0.0,
    hot_rate=50 * u.electron / u.s,
    offset=20,
):
    """Frames of a star field as the rig's guide camera would record them, with its own pixels (not binned).

    Parameters
    ----------
    rig : Rig
    positions : (N, 2) array or Quantity, pix
        As in `render_frames`.
    magnitudes : (N,) array or Quantity in mag
        Gaia G.
    motion : Quantity, arcsec, (frames, N, 2)
    rng : numpy.random.Generator
    shape : (int, int), optional
        Columns and rows; the whole sensor if not given.
    spectral_class, airmass, exposure, fwhm, gain
        As in `star_signal`; one class for all stars.
    profile, offset
        As in `render_frames`.
    hot_share : float
        Share of pixels that are hot, 0 to 1.
    hot_rate : Quantity, electron / s
        Mean extra dark current of a hot pixel.

    Returns
    -------
    ndarray of uint16, shape (frames, rows, columns)

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    if _check_rig(rig).guide_camera.binning != 1:
        rig = changed(rig, {"guide_camera.binning": 1})
    camera, setting = rig.guide_camera, gain_setting(rig.guide_camera, gain)
    time = _exposure_time(rig, exposure)
    rate = as_quantity("hot_rate", hot_rate, u.electron / u.s, minimum=0, ndim=0)
    shape = (camera.columns, camera.rows) if shape is None else shape
    magnitudes = np.atleast_1d(as_magnitude("magnitudes", magnitudes, minimum=-30, maximum=40))
    if magnitudes.shape != np.shape(positions)[:1]:
        raise ValueError(f"magnitudes: expected one for each position, found shape {magnitudes.shape}")
    signal = star_signal(rig, magnitudes, spectral_class, airmass, time, fwhm)
    star_shares, sky_shares = mosaic_shares(rig, spectral_class, airmass) if camera.mosaic else (None, 1.0)
    return render_frames(
        positions,
        signal.electrons,
        motion,
        signal.fwhm,
        signal.pixel_scale,
        shape,
        rng,
        sky=signal.sky * sky_shares,
        dark=hot_pixel_map(shape, signal.dark, hot_share, rate * time / u.pix, rng),
        read_noise=setting.read_noise,
        full_well=setting.full_well,
        bit_depth=camera.bit_depth,
        offset=offset,
        profile=profile,
        colour_shares=star_shares,
    )
