"""One setting of a rig's guide camera: light, sky, noise, pixels and the width of a star, and what follows for a
star."""

from dataclasses import dataclass, replace
from functools import cached_property

import astropy.units as u
import numpy as np

from helpers.pixel_scale.scale import pixel_scale
from helpers.rig import beam
from helpers.rig.parts import Rig
from helpers.shared.checks import as_quantity, instance, number, optional, quantity, takes
from helpers.shared.optics import AIRY_WIDTH
from helpers.starlight import light, spectra
from helpers.starlight.faint_on_mosaic import mosaic_heights
from helpers.starlight.faint_stars import (
    edge_depth,
    error_over_law,
    found_frames,
    least_height,
    measuring_box,
    measuring_window,
)
from helpers.starlight.simulated_frames import hot_pixel_map, render_frames
from helpers.starlight.spot import WIDEST_DIFFRACTION, WIDEST_OUTER_ANGLE, Shape, sampled_spot
from helpers.starlight.widths import detected_wavelength, guide_star_fwhm

LEAST_SIGNAL_TO_NOISE = 3  # below, noise makes spots as bright as the star, and no error is foretold
_FAINT_STARS = 1.5  # the best centroid of simulated frames errs by 1 + this / (S/N)^2 times the bound: measured
_SURE, _HIDDEN = 6, 5  # S/N from which the error is that of all exposures, and below which that of the found ones
_GRID, _REFINEMENTS = 300, 3


@dataclass(frozen=True)
class StarSignal:
    """A star on the guide camera in one exposure; values per pixel are per binned pixel.

    electrons, of the whole star [electron]; sky and dark per pixel [electron / pix]; background, the variance per pixel
    with read noise and rounding to whole digital steps [electron / pix]; pixel_scale [arcsec / pix]; fwhm [arcsec];
    full_well [electron]; peak_fraction, how full the most lit pixel is when the star stands on its centre (a red one
    of a colour mosaic, mostly); signal_to_noise.

    noise_error [arcsec], one axis: error of the centre by photons, sky, dark current and reading, new in each exposure.
    sampling_floor [arcsec], one axis: rms, over all places within the pixels, of an error that comes from coarse pixels
    and from a raw colour mosaic. It depends on nothing but the place, and no light cures it: for a star that stays put
    within a tenth of a pixel it is an offset that never changes and harms nothing, for one that drifts it is a slow
    error of that size, and for one that wanders over a pixel or more it acts as noise. centroid_error [arcsec]: both
    together, as a star shows that wanders over pixels.

    measurable: False where the signal-to-noise ratio is below 3. There no error is foretold: noise_error and
    centroid_error then hold the star's whole FWHM, to say that the centre is no better known than that. From 6 on the
    best centroid of simulated frames errs as foretold, within 10 per cent. Between, noise hides the star in some
    exposures, and the centres in the others are better than centroid_error (of stars narrower than 1.5 pixels no
    better), which is for weights and for sums over all exposures: one without a star tells nothing. `View.found` tells
    how many they are, and the error in those.
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
    noise_error: u.Quantity
    sampling_floor: u.Quantity
    centroid_error: u.Quantity
    measurable: bool

    @property
    def saturated(self):
        """True where the brightest pixel is full."""
        return self.peak_fraction >= 1


@dataclass(frozen=True, eq=False)
class View:
    """A rig's guide camera at one setting, made by `view`; values per pixel are per binned pixel.

    rig; exposure [s]; airmass; spectral_class; light_share, of the beam, that reaches the camera; gain_setting; fwhm
    of a star [arcsec]; pixel_scale [arcsec / pix]; sky, dark and background (variance, with reading) [electron /
    pix]; full_well [electron]; zero_point, light of a star of magnitude 0 [electron]; star_shares and sky_shares
    (3,), light of red, green and blue pixels against the mean pixel, or None without a colour mosaic.
    """

    rig: Rig
    exposure: u.Quantity
    airmass: float
    spectral_class: str
    light_share: float
    gain_setting: light.GainSetting
    fwhm: u.Quantity
    pixel_scale: u.Quantity
    sky: u.Quantity
    dark: u.Quantity
    background: u.Quantity
    full_well: u.Quantity
    zero_point: u.Quantity
    star_shares: np.ndarray | None
    sky_shares: np.ndarray | None
    wavelength: u.Quantity  # of the light that is detected, on the average

    @cached_property
    def shape(self):
        """`spot.Shape` of a star on the sensor."""
        optics, width = self.rig.guide_optics, self.fwhm.to_value(u.rad)
        pattern, outer_angle = (
            self.wavelength.to_value(u.m) / length.to_value(u.m) / width
            for length in (optics.aperture, self.rig.site.outer_scale)
        )
        return Shape(
            round(min(float(AIRY_WIDTH * pattern), WIDEST_DIFFRACTION), 4),
            optics.central_obstruction,
            round(min(float(outer_angle), WIDEST_OUTER_ANGLE), 5),
        )

    def at_width(self, fwhm):
        """The same setting for stars of another width (Quantity); quicker than another `view`."""
        return replace(self, fwhm=as_quantity("fwhm", fwhm, u.arcsec, minimum=1e-3, maximum=3600, ndim=0))

    def with_read_noises(self, read_noises):
        """The same setting read with other noises [electron], array (R,): `signal` then gives arrays (R, stars)."""
        noises = np.asarray(read_noises, float)[:, None]
        reading = _reading(self.rig.guide_camera.binning, noises, self.gain_setting.step.value)
        return replace(self, background=self.sky + self.dark + reading * u.electron / u.pix)

    @cached_property
    def _spot(self):
        return sampled_spot(round(float(self.fwhm.value / self.pixel_scale.value), 6), self.shape)

    @cached_property
    def _colours(self):
        """Light and background of red, green and blue pixels, as binning leaves them; None for what sees no colours."""
        binning = self.rig.guide_camera.binning
        if self.star_shares is None or binning % 2 == 0:  # an even number of pixels holds all colours alike
            return None
        star, sky = (1 + (shares - 1) / binning for shares in (self.star_shares, self.sky_shares))
        return star, np.array([self.background.value + self.sky.value * (share - 1) for share in sky])

    @cached_property
    def _filling(self):
        """How full each colour's pixel is by sky and dark current, and by a star of magnitude 0 on its centre."""
        binning = self.rig.guide_camera.binning
        spot = sampled_spot(round(float(self.fwhm.value / self.pixel_scale.value * binning), 6), self.shape)
        star, sky = (1.0 if shares is None else shares for shares in (self.star_shares, self.sky_shares))
        behind = (self.sky.value * sky + self.dark.value) / binning**2
        full = self.gain_setting.full_well.value
        return np.atleast_1d(behind / full), np.atleast_1d(self.zero_point.value * spot.peak_share * star / full)

    def _signal_to_noise(self, electrons):
        return electrons / np.sqrt(electrons + self._spot.noise_pixels * self.background.value)

    def _errors(self, electrons):
        """Noise error and sampling floor [arcsec] of stars with this light, without regard to the least S/N."""
        behind = self.background.value
        noise = self._spot.noise_error(electrons, behind, *(self._colours or ()))
        floor = self._spot.sampling_floor(electrons, behind, *(self._colours or ())[:1])
        faint = 1 + _FAINT_STARS / self._signal_to_noise(electrons) ** 2
        return noise * faint * self.pixel_scale.value, floor * self.pixel_scale.value

    @cached_property
    def _seen_variance(self):
        """Variance per pixel as it is read off the edge of a box: the colours of a mosaic's sky look like noise."""
        if self._colours is None:
            return self.background.value
        red, green, blue = self._colours[1]
        return self.background.value + ((red - green) ** 2 + (green - blue) ** 2) / 4

    @cached_property
    def _heights(self):
        """Light of faint stars under the window, over the whole, and what the sky adds there [electron]; (places,)."""
        if self._colours is None:
            return np.array([self._spot.window_light]), np.zeros(1)
        return mosaic_heights(self._spot, *self._colours)

    def _found_by_law(self, electrons):
        """Share of the exposures in which stars with this light are found, and noise error in those [arcsec].

        Both by the law of the highest spots; what the centroid makes of it, `error_over_law` tells.
        """
        spot, behind = self._spot, self.background.value
        box, window = measuring_box(spot.width), measuring_window(spot.width)
        area, edge = np.pi * window**2, 4 * edge_depth(box) * (box - edge_depth(box))
        level = 4 * area / edge
        variance = behind * area + electrons * spot.window_square
        noise = np.sqrt(self._seen_variance * area * (1 + level) / variance)  # as judged, over that at the star
        bound = spot.noise_error(electrons, behind, *(self._colours or ()))
        ratio = self._signal_to_noise(electrons)
        share, square = 0.0, 0.0
        for star, rest in zip(*self._heights, strict=True):
            each, error = found_frames(
                np.maximum((electrons * star + rest) / np.sqrt(variance), 1e-3),
                noise * least_height(4 * window**2, 4 * window, window),
                noise * least_height((box - 3) ** 2, 2 * (box - 3), window),
                level * behind * area / variance,
                window / (bound * ratio),
            )
            share, square = share + each, square + each * error**2
        error = np.sqrt(square / np.maximum(share, 1e-300))
        return share / len(self._heights[0]), error * bound * self.pixel_scale.value

    def _total_error(self, electrons):
        return np.hypot(*self._errors(electrons))

    @cached_property
    def _reach(self):
        """Logarithm of the light of stars from a S/N of 3 to saturation, and the least error down to each [arcsec]."""
        # S/N^2 = L^2 / (L + n B)
        pixels, square = self._spot.noise_pixels * self.background.value, LEAST_SIGNAL_TO_NOISE**2
        faint = np.log((square + np.sqrt(square**2 + 4 * square * pixels)) / 2) + 1e-6
        bright = np.log(self.zero_point.value) - 0.4 * np.log(10) * self.brightest()
        light = np.linspace(min(faint, bright), bright, _GRID)
        return light, np.minimum.accumulate(self._total_error(np.exp(light)))

    def signal(self, magnitude):
        """What the camera gets from a star in one exposure, and what that is worth.

        Parameters
        ----------
        magnitude : float, array or Quantity in mag
            Gaia G, the magnitude of star lists and counts.

        Returns
        -------
        StarSignal
            Values that depend on the star have the shape of `magnitude`.

        Raises
        ------
        ValueError, TypeError
        """
        magnitude = spectra.as_magnitude("magnitude", magnitude, minimum=-30, maximum=40)
        electrons = self.zero_point.value * 10 ** (-0.4 * magnitude)
        ratio = self._signal_to_noise(electrons)
        noise, floor = self._errors(electrons)
        measurable = ratio >= LEAST_SIGNAL_TO_NOISE
        noise = np.where(measurable, noise, self.fwhm.value)
        by_sky, by_star = self._filling
        return StarSignal(
            electrons=electrons * u.electron,
            sky=self.sky,
            dark=self.dark,
            background=self.background,
            pixel_scale=self.pixel_scale,
            fwhm=self.fwhm,
            full_well=self.full_well,
            peak_fraction=np.max(by_sky + np.multiply.outer(10 ** (-0.4 * magnitude), by_star), axis=-1),
            signal_to_noise=ratio,
            noise_error=noise * u.arcsec,
            sampling_floor=floor * u.arcsec,
            centroid_error=np.where(measurable, np.hypot(noise, floor), self.fwhm.value) * u.arcsec,
            measurable=measurable,
        )

    def found(self, magnitude):
        """In how many exposures a star is found, and how well its centre is known in those.

        From a signal-to-noise ratio of 6 on the error is the `centroid_error` of `signal`. Below, only exposures count
        in which noise lifts the star, and it is smaller, but for stars narrower than 1.5 pixels. The better centroid of
        simulated frames reaches it within 10 per cent from a ratio of 3 on, without colours, on a raw colour mosaic and
        on a binned one; where the sky is so dark or the exposure so short that reading is all the noise, stars of 1
        pixel err up to 18 per cent less.

        Parameters
        ----------
        magnitude : float, array or Quantity in mag
            Gaia G.

        Returns
        -------
        share : float or ndarray
            Of the exposures, 0 to 1; 0 below a ratio of 3. It is that of a star within half a pixel of its usual place,
            in a box of five times its FWHM, mean of all such places, and good to 0.15.
        error : Quantity, arcsec
            One-axis rms in those, sampling floor included; the star's whole FWHM below a ratio of 3.

        Raises
        ------
        ValueError, TypeError

        References
        ----------
        `found_frames`.
        """
        signal = self.signal(magnitude)
        share, law = self._found_by_law(signal.electrons.value)
        found = law * error_over_law(self._spot.width, signal.signal_to_noise)
        noise = signal.noise_error.value
        hidden = np.clip((_SURE - signal.signal_to_noise) / (_SURE - _HIDDEN), 0, 1)
        error = np.hypot(noise + (found - noise) * hidden, signal.sampling_floor.value)
        share = np.where(signal.measurable, share, 0.0)
        error = np.where(signal.measurable, error, self.fwhm.value) * u.arcsec
        return (float(share) if share.ndim == 0 else share), error

    def brightest(self):
        """The magnitude at which a star just fills the most lit pixel when it stands on the pixel's centre.

        Returns
        -------
        float
            Gaia G. Brighter stars are cut off at the top in some frames; one that stands on a corner of four pixels
            may be brighter.

        Raises
        ------
        ValueError
            Sky and dark current alone fill a pixel.
        """
        by_sky, by_star = self._filling
        if by_sky.max() >= 1:
            raise ValueError(
                "exposure: expected one in which sky and dark current leave room in a pixel, found a longer"
            )
        return float(-2.5 * np.log10(np.min((1 - by_sky) / by_star)))

    def faintest(self, centroid_error):
        """The faintest star whose centre is still known to a wanted error.

        Parameters
        ----------
        centroid_error : Quantity, arcsec
            One-axis rms, sampling floor included.

        Returns
        -------
        float or ndarray
            Gaia G; same shape as `centroid_error`. Never fainter than a signal-to-noise ratio of 3 allows, however
            large the error, and never brighter than `brightest()`: that magnitude says that no star which leaves the
            pixels unfilled is known so well (`signal` tells the error it has).

        Raises
        ------
        ValueError, TypeError, astropy.units.UnitsError
        """
        wanted = as_quantity("centroid_error", centroid_error, u.arcsec, minimum=1e-9, maximum=3600).value
        light, least = self._reach
        # the first, from the faint end, that is good enough, and the one before it
        place = np.searchsorted(-least, -wanted)
        at = np.clip(place, 1, len(light) - 1)
        low, high = light[at - 1], light[at]
        for _ in range(_REFINEMENTS):
            middle = (low + high) / 2
            enough = self._total_error(np.exp(middle)) <= wanted
            low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        known = [np.log(self._total_error(np.exp(end))) for end in (low, high)]
        slope = np.minimum(known[1] - known[0], -1e-15)
        between = low + (high - low) * np.clip((np.log(wanted) - known[0]) / slope, 0, 1)
        electrons = np.exp(np.where(place == 0, light[0], np.where(place == len(light), light[-1], between)))
        magnitude = -2.5 * np.log10(electrons / self.zero_point.value)
        return float(magnitude) if magnitude.ndim == 0 else magnitude

    def frames(
        self,
        positions,
        magnitudes,
        motion,
        rng,
        shape=None,
        profile="kolmogorov",
        hot_share=0.0,
        hot_rate=50 * u.electron / u.s,
        offset=20,
    ):
        """Frames of a star field as the guide camera would record them, with its own pixels (not binned).

        Parameters
        ----------
        positions : (N, 2) array or Quantity, pix
            As in `render_frames`.
        magnitudes : (N,) array or Quantity in mag
            Gaia G.
        motion : Quantity, arcsec, (frames, N, 2)
        rng : numpy.random.Generator
        shape : (int, int), optional
            Columns and rows; the whole sensor if not given.
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
        camera = self.rig.guide_camera
        rate = as_quantity("hot_rate", hot_rate, u.electron / u.s, minimum=0, maximum=1e3, ndim=0)
        shape = (camera.columns, camera.rows) if shape is None else shape
        magnitudes = np.atleast_1d(spectra.as_magnitude("magnitudes", magnitudes, minimum=-30, maximum=40))
        if magnitudes.shape != np.shape(positions)[:1]:
            raise ValueError(f"magnitudes: expected one for each position, found shape {magnitudes.shape}")
        cells = camera.binning**2
        sky_shares = 1.0 if self.sky_shares is None else self.sky_shares
        return render_frames(
            positions,
            self.zero_point * 10 ** (-0.4 * magnitudes),
            motion,
            self.fwhm,
            self.pixel_scale / camera.binning,
            shape,
            rng,
            sky=self.sky / cells * sky_shares,
            dark=hot_pixel_map(shape, self.dark / cells, hot_share, rate * self.exposure / u.pix, rng),
            read_noise=self.gain_setting.read_noise,
            full_well=self.gain_setting.full_well,
            bit_depth=camera.bit_depth,
            offset=offset,
            profile=profile,
            colour_shares=self.star_shares,
            shape_of_stars=self.shape,
        )


def _reading(binning, read_noise, step):
    """Variance that reading adds to a binned pixel: each pixel is read, and rounded to whole digital steps."""
    return binning**2 * (read_noise**2 + step**2 / 12)


@takes(
    rig=instance(Rig),
    exposure=optional(quantity(u.s, minimum=1e-6, maximum=1e5, ndim=0)),
    airmass=light.AIRMASS,
    spectral_class=light.CLASS,
    fwhm=optional(quantity(u.arcsec, minimum=1e-3, maximum=3600, ndim=0)),
    band=optional(spectra.as_wavelength_pair),
    curve=light.CURVE,
    light_share=optional(number(above=0, maximum=1)),
)
def view(
    rig,
    exposure=None,
    airmass=1,
    *,
    spectral_class="K0",
    fwhm=None,
    band=None,
    curve=None,
    gain=1,
    light_share=None,
):
    """Light, sky, noise, pixels and width of a star for one setting of a rig's guide camera.

    Parameters
    ----------
    rig : Rig
    exposure : Quantity, s, optional
        The rig's guide exposure if not given.
    airmass : float
        1 to 40.
    spectral_class : str
        A name in `SPECTRAL_CLASSES`; K0 is a usual star of the field.
    fwhm : Quantity, arcsec, optional
        Width of a star on the sensor; `guide_star_fwhm` at the `detected_wavelength` of the band if not given.
    band : Quantity pair, nm, optional
        Only light between two wavelengths; all if not given.
    curve : (Quantity, array), optional
        The reader's own quantum efficiency: wavelengths and electrons per photon, dyes included.
    gain : float
        As in `gain_setting`.
    light_share : float, optional
        Share of the beam that reaches the camera, above 0 and at most 1. If not given, what the mirror of a pick-off
        passes to the middle of its field; 1 for a guide telescope. For stars whose magnitudes hold that loss already,
        as those of `GuideStars` do, see `view_of_arrived`.

    Returns
    -------
    View

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also where the sensor gets no light at all.
    """
    star, sky = light.detected(rig, spectral_class, airmass, curve)
    time = rig.guiding.exposure.to(u.s) if exposure is None else exposure
    wavelength = detected_wavelength(rig, airmass, band)
    width = guide_star_fwhm(rig, airmass, wavelength) if fwhm is None else fwhm
    share = beam.middle_share(rig.guide_optics) if light_share is None else light_share
    camera, setting = rig.guide_camera, light.gain_setting(rig.guide_camera, gain)
    window = spectra.window_of(band)
    zero_point = share * spectra.integral(star * window) * time.value
    if zero_point <= 0:
        raise ValueError("band: expected some light between these wavelengths on this sensor, found none")
    cells = camera.binning**2  # binning adds up pixels after each was read
    pixel = pixel_scale(camera.pixel_size, rig.guide_optics.focal_length, camera.binning)
    seen = share * spectra.integral(sky * window) * time.value * pixel.value**2
    dark = cells * camera.dark_current.value * time.value
    reading = _reading(camera.binning, setting.read_noise.value, setting.step.value)
    per_pixel = u.electron / u.pix
    shares = light.mosaic_shares(rig, spectral_class, airmass, band) if camera.mosaic else (None, None)
    return View(
        rig=rig,
        exposure=time,
        airmass=airmass,
        spectral_class=spectral_class,
        light_share=share,
        gain_setting=setting,
        fwhm=width,
        pixel_scale=pixel,
        sky=seen * per_pixel,
        dark=dark * per_pixel,
        background=(seen + dark + reading) * per_pixel,
        full_well=cells * setting.full_well,
        zero_point=zero_point * u.electron,
        star_shares=shares[0],
        sky_shares=shares[1],
        wavelength=wavelength,
    )


def view_of_arrived(rig, *arguments, **keywords):
    """`view` for stars whose magnitudes are as they reach the camera, as those of `GuideStars` are.

    What the mirror of a pick-off keeps back of a star is in its magnitude; of the sky it keeps back as much, everywhere
    what it does in the middle of the field.

    Parameters
    ----------
    rig, *arguments, **keywords
        As in `view`.

    Returns
    -------
    View
    """
    seen = view(rig, *arguments, **keywords)
    return replace(seen, zero_point=seen.zero_point / seen.light_share)
