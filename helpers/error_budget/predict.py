"""From a rig to the number on its log and the star in its picture: the terms, and what each is worth."""

from dataclasses import dataclass, field, replace
from functools import lru_cache

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord
from scipy import stats

from helpers import pixel_scale
from helpers.correction_loop import loop as correction_loop
from helpers.correction_loop import mount as mount_motion
from helpers.correction_loop import picture as final_image
from helpers.guide_field import chances, pick_off, star_counts
from helpers.guide_field.targets import meridian_passage
from helpers.multi_star import averaging as multi_star
from helpers.rig.parts import Rig
from helpers.rig.values import changed, rig_values
from helpers.seeing import air as seeing
from helpers.shared.checks import as_count
from helpers.starlight.view import view
from helpers.starlight.widths import detected_wavelength, guide_star_fwhm, picture_star, picture_star_fwhm

DEMO_TARGET = SkyCoord(188.0 * u.deg, 33.0 * u.deg)  # the invented target of the demo star lists
USABLE_ERROR = 0.1 * u.arcsec  # a star is used when its centroid is known to this, one axis

# How uncertain the inputs are, as a spread of the logarithm (0.2: about 20 per cent). Choices made here, no source:
# seeing within a night, outer scale between nights, what owners know of their mounts.
SPREADS = {
    "site.seeing": 0.15,
    "site.outer_scale": 0.4,
    "mount.periodic_error": 0.2,
    "mount.polar_error": 0.3,
    "mount.jitter": 0.3,
}
_LIMITS = {"site.seeing": (0.1, 20.0), "site.outer_scale": (1.0, 1000.0)}

_EXPOSURES, _MOST_EXPOSURES, _RUNS = 600, 6000, 2  # at least and at most so many guide exposures
_SEED = 7  # the same air and noise for every rig, so that two predictions differ by the rigs and not by luck
_MOST_STARS = 40  # fainter ones add next to nothing
_PLACES = 12  # places on the sensor whose air is drawn; further stars share them
_UNIT_SEEING = 1 * u.arcsec
_MAGNITUDES = np.linspace(star_counts.BRIGHTEST + 0.25, star_counts.FAINTEST, 44)


@dataclass(frozen=True)
class Budget:
    """What a rig gets. Lengths in arcsec.

    Attributes
    ----------
    logged_rms, pointing_rms : Quantity
        Total (both axes) rms of what the log shows, and of what the mount really does.
    final_fwhm : Quantity
        Star in the main camera, mean of both axes.
    elongation : float
        Long over short axis of that star.
    terms : dict of str to Quantity
        Parts of `logged_rms`; their squares add up to its square.
    picture_terms : dict of str to Quantity
        Parts of `final_fwhm`; their squares add up to its square, a negative part counting as a negative square.
    stars : int
        Guide stars used.
    magnitudes : array
        Their Gaia G, dimming at the edge of the field included.
    centroid_error : Quantity
        One axis, of the mean of the stars.
    guidable : bool
        False when no star is good enough, and the best of the poor ones was taken.
    airmass : float
        At the meridian.
    intervals : dict of str to (low, high) Quantity
        logged_rms, pointing_rms, final_fwhm: where 95 of 100 such nights lie. Empty when no `rng` was given.
    rig, target, field_stars
        What the prediction was made for.
    """

    logged_rms: u.Quantity
    pointing_rms: u.Quantity
    final_fwhm: u.Quantity
    elongation: float
    terms: dict
    picture_terms: dict
    stars: int
    magnitudes: np.ndarray
    centroid_error: u.Quantity
    guidable: bool
    airmass: float
    rig: Rig
    target: SkyCoord
    field_stars: object = None
    intervals: dict = field(default_factory=dict)


def check_budget(name, budget):
    """Return a Budget; TypeError naming the argument otherwise."""
    if not isinstance(budget, Budget):
        raise TypeError(f"{name}: expected a Budget from predict, found {type(budget).__name__}")
    return budget


def _target(target):
    if target is None:
        return DEMO_TARGET
    if not isinstance(target, SkyCoord) or not target.isscalar:
        raise TypeError(f"target: expected one SkyCoord or None, found {type(target).__name__}")
    return target


@lru_cache(maxsize=64)
def _counts(optics, width_mm, height_mm, latitude_deg, longitude_deg):
    lit = pick_off.sensor_field(optics, width_mm * u.mm, height_mm * u.mm)
    place = latitude_deg * u.deg, longitude_deg * u.deg
    return np.maximum([chances.expected_stars(lit, magnitude, None, *place) for magnitude in _MAGNITUDES], 1e-9)


def _sensor_size(camera):
    pixel = camera.pixel_size.to_value(u.mm)
    return camera.columns * pixel, camera.rows * pixel


def sky_magnitudes(rig, target=None, rng=None):
    """Magnitudes of the stars that fall on the guide sensor, usable or not.

    Parameters
    ----------
    rig : Rig
    target : SkyCoord, optional
        The demo target if not given.
    rng : numpy.random.Generator, optional
        Draws a field at random. Without it, the k-th star is as bright as in a middling field.

    Returns
    -------
    array
        Gaia G, brightest first, at most 40; one star of G = 17, the end of the star counts, when there is none.
    """
    place = _target(target).galactic
    width, height = _sensor_size(rig.guide_camera)
    expected = _counts(rig.guide_optics, width, height, round(place.b.deg, 3), round(place.l.deg, 3))
    if rng is None:
        # the k-th of Poisson events comes, in half of all cases, before a mean count of k - 0.3
        counts = np.arange(1, _MOST_STARS + 1) - 0.3
    else:
        counts = np.cumsum(rng.exponential(size=_MOST_STARS))
    counts = counts[counts < expected[-1]]
    if counts.size == 0:
        return _MAGNITUDES[-1:]
    return np.interp(np.log(counts), np.log(expected), _MAGNITUDES)


@lru_cache(maxsize=16)
def _air(positions, aperture_mm, site, airmass, exposure_s, count, seed):
    """Motion by air of unit seeing at the target and the guide stars, (runs, count, 1 + stars, 2) in arcsec."""
    rng = np.random.default_rng(seed)
    air = seeing.at_airmass(seeing.atmosphere_for(site), airmass)
    places = np.vstack([[0.0, 0.0], positions]) * u.arcmin
    arguments = places, aperture_mm * u.mm, air, exposure_s * u.s, count, rng
    return np.stack([multi_star.simulate_motion(*arguments).value for _ in range(_RUNS)])


def _star_places(rig, count):
    """Well spread places on the sensor, in arcmin from the target, the same for every rig.

    The R2 sequence, multiples of powers of the plastic number (Roberts 2018, "The unreasonable effectiveness of
    quasirandom sequences").
    """
    width, height = _sensor_size(rig.guide_camera)
    off_axis, focal = (getattr(rig.guide_optics, name).to_value(u.mm) for name in ("off_axis_distance", "focal_length"))
    share = (0.5 + np.arange(1, count + 1)[:, None] * [0.7548776662466927, 0.5698402909980532]) % 1 - 0.5
    return _arcmin(share * [width, height] + [0, off_axis], focal)


def _arcmin(place_mm, focal_length_mm):
    return tuple(map(tuple, np.degrees(np.arctan(place_mm / focal_length_mm)) * 60))


def _chosen(rig, magnitudes, airmass, fwhm):
    """Indices of the stars that are used, their centroid errors [arcsec], and whether any is good enough."""
    signal = view(rig, airmass=airmass, fwhm=fwhm, light_share=1).signal(magnitudes)
    errors = np.atleast_1d(signal.centroid_error.value)
    usable = (errors <= USABLE_ERROR.value) & ~np.atleast_1d(signal.saturated)
    if usable.any():
        best = np.flatnonzero(usable)
    else:
        dark = np.flatnonzero(~np.atleast_1d(signal.saturated))
        best = dark[[np.argmin(errors[dark])]] if dark.size else np.array([errors.size - 1])
    best = best[np.argsort(errors[best], kind="stable")][: rig.guiding.stars]
    return best, errors[best], bool(usable.any())


def _share(part, whole):
    """Covariance of a part with the whole, both axes together, of arrays (..., n, 2)."""
    part, whole = (series - series.mean(axis=-2, keepdims=True) for series in (part, whole))
    return float(np.mean(np.sum(part * whole, axis=-1)))


def _all_signs(series, which):
    """Runs with all four pairs of signs of air (which 0) and noise (1): what they share by chance cancels."""
    signs = ((1, -1, 1, -1), (1, 1, -1, -1))[which]
    return np.concatenate([sign * series for sign in signs])


def _signed_root(square):
    return float(np.sign(square) * np.sqrt(abs(square))) * u.arcsec


def evaluate(rig, target=None, field_stars=None, *, spot_rig=None, magnitudes=None, seed=_SEED):
    """A prediction without interval; `predict` is what most readers want.

    Parameters
    ----------
    rig : Rig
    target : SkyCoord, optional
    field_stars : GuideStars, optional
        Stars on the sensor, from `guide_field.usable_stars`; else a middling field of the sky at the target.
    spot_rig : Rig, optional
        Rig whose colours set the width of the spot on the guide sensor, to tell that cause from others.
    magnitudes : array, optional
        Stars on the sensor in place of the middling field's.
    seed : int
        Of air and noise.

    Returns
    -------
    Budget
        Without intervals.
    """
    target = _target(target)
    passage = meridian_passage(target, rig.site.latitude)
    settings, optics = rig.guiding, rig.guide_optics
    fwhm = guide_star_fwhm(
        rig, passage.airmass, detected_wavelength(rig if spot_rig is None else spot_rig, passage.airmass)
    )
    if field_stars is not None:
        magnitudes = field_stars.magnitudes
        places = tuple(map(tuple, field_stars.offsets.value))
    else:
        magnitudes = sky_magnitudes(rig, target) if magnitudes is None else np.asarray(magnitudes, float)
        places = _star_places(rig, _PLACES)
    if magnitudes.size == 0:
        raise ValueError("field_stars: expected at least one star, found none")
    used, errors, guidable = _chosen(rig, magnitudes, passage.airmass, fwhm)
    weights = np.asarray(multi_star.snr_weights(errors * u.arcsec))
    noise_rms = np.sqrt(np.sum((weights * errors) ** 2))

    exposure_s = settings.exposure.to_value(u.s)
    rows = max(1, round(float(settings.picture_exposure / settings.exposure)))
    if rows > _MOST_EXPOSURES:
        raise ValueError(
            f"guiding.picture_exposure: expected at most {_MOST_EXPOSURES} guide exposures, "
            f"{_MOST_EXPOSURES * settings.exposure:g}, found {settings.picture_exposure:g}"
        )
    count = max(_EXPOSURES, rows)  # at least one whole picture, in which drift and flexure have their full effect
    plain_site = replace(rig.site, seeing=_UNIT_SEEING)
    unit = _air(places, optics.aperture.to_value(u.mm), plain_site, round(passage.airmass, 4), exposure_s, count, seed)
    # variance of image motion ~ r0^(-5/3) (Fried 1965) and r0 ~ 1 / seeing
    unit = unit * float(rig.site.seeing / _UNIT_SEEING) ** (5 / 6)
    target_air = unit[:, :, 0]
    air = np.einsum("rnja,j->rna", unit[:, :, 1 + used % len(places)], weights)
    noise = noise_rms * np.random.default_rng(seed + 1).standard_normal(air.shape)
    fine = mount_motion.mount_motion(rig.mount, 4 * count, settings.exposure / 4, declination=target.dec)
    mount, within = mount_motion.step_means(fine, 4), mount_motion.motion_within(fine, 4)
    unseen = mount_motion.flexure(count, settings.exposure, optics.flexure)

    gain = correction_loop.check_gain(settings.loop_gain, settings.delay)

    def loop(disturbance, false, backlash):
        # all runs side by side: (n, 2, runs)
        pointing, _ = correction_loop.run_loop(
            disturbance.value[:, :, None],
            np.moveaxis(false, 0, -1),
            gain,
            settings.delay,
            settings.dead_band.to_value(u.arcsec),
            backlash.to_value(u.arcsec)[:, None],
        )
        pointing = np.moveaxis(pointing, -1, 0)
        return pointing + false, pointing

    still, play = 0 * mount, [0, 1] * rig.mount.backlash
    signed_air, signed_noise = _all_signs(air, 0), _all_signs(noise, 1)
    logged, pointing = loop(mount, signed_air + signed_noise, play)
    air_logged, air_pointing = (_all_signs(part, 0) for part in loop(still, air, 0 * play))
    noise_logged, noise_pointing = (_all_signs(part, 1) for part in loop(still, noise, 0 * play))
    target_air = _all_signs(target_air, 0)
    parts = {
        "air": air_logged,
        "centroid noise": noise_logged,
        "mount and its play": logged - air_logged - noise_logged,
    }
    terms = {name: _signed_root(_share(part, logged)) for name, part in parts.items()}

    star = picture_star_fwhm(rig, passage.airmass)
    whole_pictures = count // rows * rows

    def in_a_row(series):
        """All runs one after the other, whole pictures only; what is the same in all runs is repeated."""
        series = np.broadcast_to(series, (*pointing.shape[:-2], *series.shape[-2:]))[:, :whole_pictures]
        return series.reshape(-1, 2)

    image = final_image.final_image(
        in_a_row(pointing) * u.arcsec,
        star,
        air=in_a_row(target_air) * u.arcsec,
        within=in_a_row(within.value) * within.unit,
        unseen=in_a_row(unseen.value) * u.arcsec,
        shake=rig.mount.jitter,
        rows=rows,
        shape=picture_star(rig, passage.airmass),
    )
    final = image.mean_fwhm.value

    def cut(series):
        return in_a_row(series).reshape(-1, rows, 2)

    # what is added to the star is the covariance of all motion with itself, less that of the air alone
    whole = cut(pointing + unseen.value + 2 * target_air)
    added = {
        "mount and its play": _share(cut(pointing - air_pointing - noise_pointing), whole) + 2 * within.value.mean(),
        "corrections of air": _share(cut(air_pointing), whole),
        "corrections of noise": _share(cut(noise_pointing), whole),
        "flexure": _share(cut(unseen.value), whole),
        "fast shake": 2 * rig.mount.jitter.value**2,
    }
    per_variance = (final**2 - star.value**2) / (sum(added.values()) or 1)
    picture = {"air and diffraction": star} | {
        name: _signed_root(per_variance * value) for name, value in added.items()
    }
    return Budget(
        logged_rms=np.sqrt(_share(logged, logged)) * u.arcsec,
        pointing_rms=np.sqrt(_share(pointing, pointing)) * u.arcsec,
        final_fwhm=final * u.arcsec,
        elongation=image.elongation,
        terms=terms,
        picture_terms=picture,
        stars=len(used),
        magnitudes=magnitudes[used],
        centroid_error=noise_rms * u.arcsec,
        guidable=guidable,
        airmass=passage.airmass,
        rig=rig,
        target=target,
        field_stars=field_stars,
    )


def drawn_rig(rig, rng):
    """The rig as it may really be: each input of `SPREADS` drawn about its stated value."""
    values = rig_values(rig)
    changes = {}
    for key, spread in SPREADS.items():
        section, name = key.split(".")
        value = values[section][name] * np.exp(spread * rng.standard_normal())
        low, high = _LIMITS.get(key, (0.0, np.inf))
        changes[key] = np.clip(value.value, low, high) * value.unit
    return changed(rig, changes)


def drawn_budget(rig, target, field_stars, rng):
    """One night out of many that fit what is known of a rig: inputs, stars, air and noise drawn."""
    rig = drawn_rig(rig, rng)
    magnitudes = None if field_stars is not None else sky_magnitudes(rig, target, rng)
    return evaluate(rig, target, field_stars, magnitudes=magnitudes, seed=int(rng.integers(2**31)))


def predict(rig, target=None, rng=None, *, field_stars=None, draws=100, progress=None):
    """Predict the log and the picture of a rig.

    Parameters
    ----------
    rig : Rig
    target : SkyCoord, optional
        The demo target if not given. The prediction holds for its passage of the meridian.
    rng : numpy.random.Generator, optional
        Given, intervals are computed from `draws` nights in which seeing, outer scale, mount, stars, air and noise
        differ.
    field_stars : GuideStars, optional
        Stars on the guide sensor, from `guide_field.usable_stars`; else a middling field of the sky there.
    draws : int
    progress : function, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    Budget

    Raises
    ------
    TypeError
        `rig` is no Rig, `target` no single SkyCoord, `rng` no Generator.
    ValueError
        The target never rises at the site, or an exposure too long for the correction loop's model.
    """
    if not isinstance(rig, Rig):
        raise TypeError(f"rig: expected a Rig, found {type(rig).__name__}")
    if rng is not None and not isinstance(rng, np.random.Generator):
        raise TypeError(f"rng: expected a numpy.random.Generator, found {type(rng).__name__}")
    budget = evaluate(rig, target, field_stars)
    if rng is None:
        return budget
    found = []
    for index in range(as_count("draws", draws, minimum=20)):
        night = drawn_budget(rig, target, field_stars, rng)
        found.append([getattr(night, name).value for name in ("logged_rms", "pointing_rms", "final_fwhm")])
        if progress is not None:
            progress((index + 1) / draws)
    # the next night lies there in 95 of 100 cases, if the logarithms scatter as normal values
    logs = np.log(found)
    half = stats.t.ppf(0.975, len(logs) - 1) * logs.std(axis=0, ddof=1) * np.sqrt(1 + 1 / len(logs))
    low, high = np.exp(logs.mean(axis=0) + np.array([-1, 1])[:, None] * half) * u.arcsec
    names = ("logged_rms", "pointing_rms", "final_fwhm")
    budget.intervals.update({name: (low[k], high[k]) for k, name in enumerate(names)})
    return budget


def guide_scale(rig):
    """Scale of the guide camera; Quantity [arcsec / pix]."""
    camera = rig.guide_camera
    return pixel_scale.pixel_scale(camera.pixel_size, rig.guide_optics.focal_length, camera.binning)
