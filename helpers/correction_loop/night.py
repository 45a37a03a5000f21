"""What a rig's guiding is up against for an hour, and what comes of it: mount, air of the chosen stars, centroid noise.

The air is that of `multi_star.simulate_motion`, drawn in short steps; an exposure of several steps sees their mean,
exactly.
"""

from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from helpers.correction_loop import (
    loop as correction_loop,
)
from helpers.correction_loop import (
    mount as mount_motion,
)
from helpers.correction_loop import (
    picture as final_image,
)
from helpers.guide_field.stars import some_stars
from helpers.guide_field.targets import default_target
from helpers.multi_star import averaging as multi_star
from helpers.rig.parts import Rig
from helpers.rig.values import changed
from helpers.seeing.air import at_airmass
from helpers.seeing.named_air import atmosphere_for
from helpers.shared import sky
from helpers.shared.checks import as_count, count, instance, number, optional, quantity, takes
from helpers.shared.limits import PLACES_OF_A_NIGHT, STEPS, check_work
from helpers.starlight.view import view_of_arrived
from helpers.starlight.widths import guide_star_fwhm, picture_star, picture_star_fwhm

_SECONDS = quantity(u.s, minimum=1e-6, maximum=1e5, ndim=0)  # as in starlight.view
_RNG = instance(np.random.Generator)


@takes(
    rig=instance(Rig),
    magnitudes=number(minimum=-30, maximum=40, ndim=1, most_values=1000),
    exposures=quantity(u.s, minimum=1e-6, maximum=1e5, most_values=1000),
    weights=optional(number(minimum=-10, maximum=10, ndim=1)),
    airmass=number(minimum=1, maximum=40),
)
def mean_centroid_error(rig, magnitudes, exposures, weights=None, airmass=1):
    """Centroid error of the weighted mean of the guide stars.

    Parameters
    ----------
    rig : Rig
    magnitudes : array, shape (N,)
        Gaia G of the guide stars, as they reach the camera.
    exposures : Quantity [time], shape (E,) or scalar
    weights : array, shape (N,), optional
        Sum to 1; those best for the centroid noise of each exposure if not given.
    airmass : float

    Returns
    -------
    Quantity [arcsec], shape (E,) or scalar
        One-axis rms.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument.
    """
    if exposures.ndim > 1:
        raise ValueError(f"exposures: expected one or a row of them, found shape {exposures.shape}")
    if weights is not None and (weights.shape != magnitudes.shape or abs(weights.sum() - 1) > 1e-6):
        raise ValueError(f"weights: expected {magnitudes.size} numbers that sum to 1, found {weights!r:.60}")
    width = guide_star_fwhm(rig, airmass)
    result = []
    for exposure in np.atleast_1d(exposures):
        signal = view_of_arrived(rig, exposure, airmass, fwhm=width).signal(magnitudes)
        used = multi_star.snr_weights(signal.centroid_error) if weights is None else weights
        result.append(np.sqrt(np.sum((np.asarray(used) * signal.centroid_error.value) ** 2)))
    return (result[0] if exposures.ndim == 0 else np.array(result)) * u.arcsec


@dataclass(frozen=True)
class GuideNight:
    """Everything that happens to a rig in some stretches of a night, before anybody corrects it; made by `guide_night`.

    Attributes
    ----------
    rig : Rig
    magnitudes, weights : array, shape (N,)
        Of the guide stars.
    airmass : float
    step : Quantity [s]
    mount : Quantity [arcsec], shape (1, n, 2)
    air : Quantity [arcsec], shape (runs, n, 2)
        Motion of the weighted mean of the guide stars.
    target_air : Quantity [arcsec], shape (runs, n, 2)
        Motion of the target.
    unseen : Quantity [arcsec], shape (n, 2)
        Flexure, which only the main camera sees.
    wavelength : Quantity [nm]
        Of the picture.
    star_fwhm : Quantity [arcsec]
        Star in the main camera with perfect guiding.
    """

    rig: Rig
    magnitudes: np.ndarray
    weights: np.ndarray
    airmass: float
    step: u.Quantity
    mount: u.Quantity
    air: u.Quantity
    target_air: u.Quantity
    unseen: u.Quantity
    wavelength: u.Quantity
    star_fwhm: u.Quantity

    @property
    def star_shape(self):
        """Shape of the star in the main camera with perfect guiding, as `shared.optics.LongExposure`."""
        return picture_star(self.rig, self.airmass, self.wavelength)

    def centroid_error(self, exposures):
        """One-axis centroid error of the mean of the guide stars for one or several exposures; Quantity [arcsec]."""
        return _steady(mean_centroid_error(self.rig, self.magnitudes, exposures, self.weights, self.airmass))


@takes(
    rig=instance(Rig),
    stars=some_stars,
    rng=_RNG,
    duration=_SECONDS,
    step=quantity(u.s, minimum=1e-3, maximum=1e5, ndim=0),
    runs=count(minimum=1, maximum=1000),
    hour_angle=quantity(u.deg, minimum=-180, maximum=180, ndim=0),
    gust_rms=quantity(u.arcsec, minimum=0, maximum=3600, ndim=0),
    gust_time=quantity(u.s, minimum=1e-3, maximum=1e5, ndim=0),
    wavelength=quantity(u.nm, minimum=100, maximum=1e5, ndim=0),
)
def guide_night(
    rig,
    stars,
    rng,
    *,
    duration=1 * u.h,
    step=0.2 * u.s,
    runs=4,
    hour_angle=0 * u.deg,
    gust_rms=0 * u.arcsec,
    gust_time=5 * u.s,
    wavelength=550 * u.nm,
):
    """Draw the mount's and the air's motion for a rig.

    Parameters
    ----------
    rig : Rig
    stars : GuideStars
        Without target, they are taken to surround the `default_target` of the rig.
    rng : numpy.random.Generator
    duration, step : Quantity [time]
    runs : int
        Stretches drawn, each with its own air; the mount does the same in all. In all of them at
        most 6,000,000 places, of the stars and of the target.
    hour_angle : Quantity [angle]
        Of the target at the start, positive west of the meridian; its height then gives the airmass.
    gust_rms : Quantity [angle]
        One-axis shake by wind, slow enough to be followed in part; none if not given.
    gust_time : Quantity [time]
        Its correlation time.
    wavelength : Quantity [length]
        Of the picture.

    Returns
    -------
    GuideNight
        Target and guide stars are moved as the guide optics' aperture sees it. A main telescope of another aperture
        sees slightly less or more (of 250 mm: 8 per cent less variance than of 60 mm), which hardly changes the
        picture.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument; also when the target is below the horizon.
    """
    target = default_target(rig) if stars.target is None else stars.target
    altitude = sky.altitude(target.dec, rig.site.latitude, hour_angle)
    if altitude <= 0 * u.deg:
        raise ValueError(f"stars: expected a target above the horizon at this hour angle, found one at {altitude:.1f}")
    airmass = sky.airmass(altitude)
    n = as_count("duration / step", round(float(duration / step)), minimum=2, maximum=STEPS)
    places = (len(stars) + 1) * n * runs
    check_work("duration, step, runs", places, PLACES_OF_A_NIGHT, "places of stars in all")
    air_above = at_airmass(atmosphere_for(rig.site), airmass)
    optics = rig.guide_optics
    signal = view_of_arrived(rig, airmass=airmass, fwhm=guide_star_fwhm(rig, airmass)).signal(stars.magnitudes)
    weights = multi_star.snr_weights(signal.centroid_error)
    everything = np.vstack([np.zeros((1, 2)), stars.offsets.value]) * u.arcmin
    motion = [multi_star.simulate_motion(everything, optics.aperture, air_above, step, n, rng) for _ in range(runs)]
    mount = mount_motion.mount_motion(rig.mount, n, step, hour_angle, target.dec)
    if gust_rms > 0:
        mount = mount + mount_motion.gusts(n, step, gust_rms, gust_time, rng)
    return GuideNight(
        rig=rig,
        magnitudes=stars.magnitudes,
        weights=weights,
        airmass=airmass,
        step=step,
        mount=_steady(mount[None]),
        air=_steady(np.stack([np.einsum("kja,j->ka", one[:, 1:], weights) for one in motion])),
        target_air=_steady(np.stack([one[:, 0] for one in motion])),
        unseen=mount_motion.flexure(n, step, optics.flexure),
        wavelength=wavelength,
        star_fwhm=picture_star_fwhm(rig, airmass, wavelength),
    )


def _steady(angles):
    """Rounded to a millionth of an arcsec: last bits differ between machines, and the play of gears lets them grow."""
    return np.round(angles.to_value(u.arcsec), 6) * u.arcsec


@takes(night=instance(GuideNight), fwhm=quantity(u.arcsec, minimum=0.1, maximum=20, ndim=0))  # as in rig.parts
def at_seeing(night, fwhm):
    """The same night with better or poorer air: all motion by the air scales as seeing^(5/6), and stars grow.

    Parameters
    ----------
    night : GuideNight
    fwhm : Quantity [angle]
        Seeing at 500 nm and zenith, as in the site of a rig.

    Returns
    -------
    GuideNight

    References
    ----------
    Variance of image motion ~ r0^(-5/3): Fried 1965, JOSA 55, 1427; r0 ~ 1 / FWHM.
    """
    rig = changed(night.rig, {"site.seeing": fwhm})
    scale = float(rig.site.seeing / night.rig.site.seeing) ** (5 / 6)
    star = picture_star_fwhm(rig, night.airmass, night.wavelength)
    return replace(night, rig=rig, air=night.air * scale, target_air=night.target_air * scale, star_fwhm=star)


@takes(night=instance(GuideNight))
def perfect_mount(night):
    """The same night on a mount without any fault: all that is left to correct is false."""
    faults = {"periodic_error": u.arcsec, "polar_error": u.arcmin, "backlash": u.arcsec, "jitter": u.arcsec}
    rig = changed(night.rig, {f"mount.{name}": 0 * unit for name, unit in faults.items()})
    return replace(night, rig=rig, mount=0 * night.mount, unseen=0 * night.unseen)


@takes(
    night=instance(GuideNight),
    exposure=optional(_SECONDS),
    gain=optional(number(minimum=0, ndim=None)),
    rng=optional(_RNG),
    run=count(),
    delay=optional(count(maximum=1)),
    dead_band=optional(quantity(u.arcsec, minimum=0)),
)
def guide(night, exposure=None, gain=None, rng=None, *, run=0, delay=None, dead_band=None, seen=None):
    """Guide through one stretch of the night.

    Parameters
    ----------
    night : GuideNight
    exposure : Quantity [time], optional
        A whole number of the night's steps. This and the following: the rig's own setting if not given.
    gain : float or pair of floats, optional
    rng : numpy.random.Generator, optional
        For the centroid noise; seeded with the number of the run if not given.
    run : int
    delay : int, optional
    dead_band : Quantity [angle], optional
    seen : bool array, optional
        See `correction_loop.simulate_loop`.

    Returns
    -------
    loop : correction_loop.LoopResult
    image : final_image.FinalImage

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument.
    """
    settings = night.rig.guiding
    exposure = settings.exposure if exposure is None else exposure
    run = as_count("run", run, maximum=len(night.air) - 1)
    size = round(float(exposure / night.step))
    if size < 1 or abs(float(exposure / night.step) - size) > 1e-6 * size:
        raise ValueError(f"exposure: expected a whole multiple of the step {night.step:g}, found {exposure:g}")
    rng = np.random.default_rng(run) if rng is None else rng
    mount, air, target, unseen = (
        mount_motion.step_means(series, size)
        for series in (night.mount[0], night.air[run], night.target_air[run], night.unseen)
    )
    loop = correction_loop.simulate_loop(
        mount,
        air + night.centroid_error(exposure) * rng.standard_normal(air.shape),
        settings.loop_gain if gain is None else gain,
        settings.delay if delay is None else delay,
        settings.dead_band if dead_band is None else dead_band,
        backlash=[0, 1] * night.rig.mount.backlash,
        seen=seen,
    )
    image = final_image.final_image(
        loop.pointing,
        night.star_fwhm,
        air=target,
        within=mount_motion.motion_within(night.mount[0], size),
        unseen=unseen,
        shake=night.rig.mount.jitter,
        rows=min(len(mount), max(1, round(float(settings.picture_exposure / exposure)))),
        shape=night.star_shape,
    )
    return loop, image
