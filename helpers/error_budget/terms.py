"""From a rig to the number on its log and the star in its picture: the terms, and what each is worth.

A prediction goes through the sections of its workbook: which stars are used and how well they are measured, what false
errors they report, how the mount moves when it answers them, what of it is in the log, what in the picture. All
motion is on the sky: axis 0 along right ascension, axis 1 along declination.
"""

from dataclasses import dataclass, field, replace
from functools import lru_cache

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord

from helpers.correction_loop import loop as correction_loop
from helpers.correction_loop import mount as mount_motion
from helpers.correction_loop import picture as final_image
from helpers.error_budget import guided_air
from helpers.guide_field.stars import GuideStars, middling_stars, some_stars, stars_at
from helpers.guide_field.targets import meridian_passage
from helpers.guide_field.usable import choose_stars
from helpers.rig.parts import Rig
from helpers.seeing.air import MAXIMUM_AIRMASS, Atmosphere, at_airmass
from helpers.seeing.named_air import ATMOSPHERES
from helpers.shared import sky
from helpers.shared.checks import instance, number, optional, quantity, takes
from helpers.shared.recursion import recursion
from helpers.starlight.spectra import as_magnitude
from helpers.starlight.view import view_of_arrived
from helpers.starlight.widths import guide_star_fwhm, picture_star, picture_star_fwhm

# Of a width or rms. The width of a star is known to 1.5 per cent (it is tested against transfer functions), the
# weight of the motion in it to 1 to 2 per cent of the motion's own part: together less than this.
MODEL_ERROR = 0.02

EXPOSURES, _MOST_EXPOSURES = 600, 6000  # at least and at most so many guide exposures
WORM_PHASES = 8  # starts of the worm that stand for all; exact for the squares of up to three waves a turn
_FINE = 4  # steps to an exposure, for what the mount does within it
PLACES = 12  # places on the sensor whose air is told apart; further stars share them
_RUNS = 16  # of the simulation that tells what the play of the gears changes
_SEED = 7  # the same air and noise for every rig, so that two predictions differ by the rigs and not by luck
_UNIT_SEEING = 1 * u.arcsec
LEAST_TAKEN = 0.02  # squared widths of a star, the most that guiding can take from the wander in it
_LITTLE_MOTION = 0.1  # of a star's width: rms of the mount's own motion whose shape does not show in the picture
AIR, NOISE, MOUNT = "air", "centroid noise", "mount and its play"
PICTURE_PARTS = ("air and diffraction", MOUNT, "corrections of air", "corrections of noise", "flexure", "fast shake")


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
        Their Gaia G as it reaches the camera, what the pick-off keeps back included.
    centroid_error : Quantity
        One axis, of the mean of the stars.
    guide_star_fwhm : Quantity
        Width of a star on the guide sensor.
    guidable : bool
        False when no star is good enough, and the best of the poor ones was taken.
    airmass : float
        At the meridian.
    intervals : dict of str to (low, high) Quantity
        logged_rms, pointing_rms, final_fwhm: where 95 of 100 such nights lie. Empty when no `rng` was given.
    rig, target
        What the prediction was made for.
    guide_field : GuideStars
        All stars on the sensor.
    middling : bool
        True when they are the sky's average there, False when they were given.
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
    guide_star_fwhm: u.Quantity
    guidable: bool
    airmass: float
    rig: Rig
    target: SkyCoord
    guide_field: GuideStars
    middling: bool
    intervals: dict = field(default_factory=dict)


@dataclass(frozen=True)
class Aim:
    """Where a rig looks, and the stars on its guide sensor; a Budget tells the same under the same names."""

    target: SkyCoord
    airmass: float
    guide_field: GuideStars
    middling: bool


def aim_at(rig, target=None, stars=None):
    """The aim of a rig at a target, its own if None; `stars`: those on its sensor, a middling field if None."""
    field = middling_stars(rig, target) if stars is None else _placed(rig, stars, target)
    if len(field) == 0:
        raise ValueError("stars: expected at least one star, found none")
    return Aim(field.target, meridian_passage(field.target, rig.site.latitude).airmass, field, stars is None)


@dataclass(frozen=True)
class StarsInUse:
    """The guide stars that are used and how well they are measured; plain numbers in arcsec, one axis."""

    field: GuideStars
    used: np.ndarray
    errors: np.ndarray
    weights: np.ndarray
    noise: float
    guidable: bool
    airmass: float
    fwhm: float


@dataclass(frozen=True)
class GuidedMotion:
    """Variances [arcsec2] of both axes (2,), by part, and the mount's own motion after guiding.

    logged : dict of the parts of the log; pointing : the mount's true motion; picture : dict of the parts added to
    the star;
    mount, unseen : series (n, 2, phases) and (n, 2); within : variance inside exposures (2,); rows, exposures to a
    picture.
    """

    logged: dict
    pointing: np.ndarray
    picture: dict
    mount: np.ndarray
    unseen: np.ndarray
    within: np.ndarray
    rows: int


@takes(
    rig=instance(Rig),
    magnitudes=as_magnitude,
    airmass=number(minimum=1, maximum=MAXIMUM_AIRMASS),
    fwhm=quantity(u.arcsec, above=0, maximum=1e6),
    read_noises=optional(number(minimum=0, ndim=1)),
)
def centroid_errors(rig, magnitudes, airmass, fwhm, read_noises=None):
    """Centroid errors [arcsec, one axis] of stars, and whether each is saturated; arrays (N,).

    For several widths (W,) they are arrays (W, N), and under several read noises [electron] (R,) the errors (W, R, N).
    """
    seen = view_of_arrived(rig, airmass=airmass, fwhm=np.ravel(fwhm)[0])
    seen = seen if read_noises is None else seen.with_read_noises(read_noises)
    found = [seen.at_width(width).signal(np.atleast_1d(magnitudes)) for width in np.atleast_1d(fwhm)]
    errors, full = [one.centroid_error.value for one in found], [one.saturated for one in found]
    return (np.array(errors), np.array(full)) if np.ndim(fwhm) else (errors[0], full[0])


def _stars(rig, aim, blur):
    """Section 1: the stars that are used."""
    stars, airmass = aim.guide_field, aim.airmass
    fwhm = np.hypot(guide_star_fwhm(rig, airmass), blur).to_value(u.arcsec)
    errors, saturated = centroid_errors(rig, stars.magnitudes, airmass, fwhm * u.arcsec)
    weights, guidable = choose_stars(errors, saturated, rig.guiding.stars)
    used = np.flatnonzero(weights)
    used = used[np.argsort(errors[used], kind="stable")]
    noise = np.sqrt(np.sum((weights[used] * errors[used]) ** 2))
    return StarsInUse(stars, used, errors[used], weights[used], float(noise), bool(guidable), airmass, fwhm)


@lru_cache(maxsize=32)
def unit_air(outer_scale, name, airmass):
    """Air with the layers of a named atmosphere and a seeing of 1 arcsec, along the line of sight."""
    air = Atmosphere(_UNIT_SEEING, outer_scale, ATMOSPHERES[name].layers)
    return at_airmass(air, airmass)


def _false_errors(rig, stars, count):
    """Section 2: spectra of the motion by the air that guide stars and target show."""
    air = unit_air(rig.site.outer_scale, rig.site.atmosphere, round(stars.airmass, 4))
    offsets = stars.field.offsets.to_value(u.arcmin)[:PLACES]
    weights = np.zeros(len(offsets))
    np.add.at(weights, stars.used % len(offsets), stars.weights)
    aperture, exposure = rig.guide_optics.aperture.to_value(u.m), rig.guiding.exposure.to_value(u.s)
    unit = guided_air.air_spectra(offsets, weights, aperture, air, exposure, count)
    return unit.scaled(seeing_factor(rig.site.seeing))


def air_before_the_loop(rig):
    """Motion by the air that the mean of the guide stars shows to a mount that stands still [arcsec, both axes]."""
    stars, (count, _) = _stars(rig, aim_at(rig), 0 * u.arcsec), exposures_of(rig)
    air = _false_errors(rig, stars, count)
    return float(np.sqrt(guided_air.mean_power(air.guide * guided_air.seen_in(count, air.length)).sum()))


def seeing_factor(fwhm):
    """Motion by air of this seeing over that of 1 arcsec: variance ~ r0^(-5/3) (Fried 1965), r0 ~ 1 / seeing."""
    return (fwhm / _UNIT_SEEING).to_value(u.one) ** (5 / 6)


def exposures_of(rig):
    """Guide exposures of the log that is predicted, and of a picture."""
    guiding = rig.guiding
    rows = max(1, round(float(guiding.picture_exposure / guiding.exposure)))
    if rows > _MOST_EXPOSURES:
        raise ValueError(
            f"guiding.picture_exposure: expected at most {_MOST_EXPOSURES} guide exposures, "
            f"{_MOST_EXPOSURES * guiding.exposure:g}, found {guiding.picture_exposure:g}"
        )
    return max(EXPOSURES, rows), rows


@lru_cache(maxsize=128)
def mount_paths(mount, exposure, declination_deg, count):
    """What the mount does unguided for each start of the worm: means (n, 2, phases) and variance within (2, phases)."""
    means, within = [], []
    phases = WORM_PHASES if mount.periodic_error > 0 else 1
    for phase in np.arange(phases) / phases:
        fine = mount_motion.mount_motion(
            mount, _FINE * count, exposure / _FINE, declination=declination_deg * u.deg, worm_phase=phase
        )
        means.append(mount_motion.step_means(fine, _FINE).value)
        within.append(mount_motion.motion_within(fine, _FINE).value.mean(axis=0))
    return tuple(np.repeat(np.stack(part, axis=-1), WORM_PHASES // phases, axis=-1) for part in (means, within))


def linear_pointing(disturbance, false, gain, delay):
    """`correction_loop.run_loop` without play and dead band, by its difference equation; arrays (n, ...)."""
    closed = np.array([1.0, -1.0, 0.0])
    closed[1 + delay] += gain
    pushed = np.diff(disturbance, axis=0, prepend=0)
    pushed[1 + delay :] -= gain * false[: -1 - delay]
    return recursion(closed, pushed)


def _covariance(first, second):
    """Covariance over time (axis 0) of series (n, 2, ...), mean over all but the axes on the sky; shape (2,)."""
    both = (first - first.mean(axis=0)) * (second - second.mean(axis=0))
    return both.mean(axis=0).reshape(2, -1).mean(axis=1)


def cut_in_pictures(series, rows):
    """(n, 2, ...) to (rows, 2, pictures x ...), whole pictures only."""
    count = len(series) // rows
    cut = series[: count * rows].reshape(count, rows, *series.shape[1:])
    return np.moveaxis(cut, 0, -1).reshape(rows, 2, -1)


def _parts(mount, air, noise, shaken, target, unseen, rows):
    """Shares of mount, air and noise in the log, in the mount's motion and in the picture.

    mount, air, noise: pointing that comes of each, (n, 2, runs), the mount's with all that play makes of it; shaken:
    false errors by air and by noise; target: its motion by the air.
    """
    pointing = mount + air + noise
    logged = pointing + shaken[0] + shaken[1]
    whole = cut_in_pictures(pointing + unseen[..., None] + 2 * target, rows)
    log = {
        AIR: _covariance(air + shaken[0], logged),
        NOISE: _covariance(noise + shaken[1], logged),
        MOUNT: _covariance(mount, logged),
    }
    parts = {MOUNT: mount, "corrections of air": air, "corrections of noise": noise}
    picture = {name: _covariance(cut_in_pictures(part, rows), whole) for name, part in parts.items()}
    return log, _covariance(pointing, pointing), picture


def _play_changes(rig, stars, air, paths, still, unseen, rows):
    """What play and dead band add to log, pointing and picture: simulated, less the same series without them."""
    guiding, count = rig.guiding, len(paths)
    rng = np.random.default_rng(_SEED)
    guide, target = guided_air.draw_series(air, count, _RUNS, rng)
    noise = stars.noise * rng.standard_normal(guide.shape)
    phase = np.arange(_RUNS) % WORM_PHASES
    play = np.array([[0.0], [rig.mount.backlash.to_value(u.arcsec)]])
    dead_band = guiding.dead_band.to_value(u.arcsec)
    pointing, _ = correction_loop.run_loop(
        paths[..., phase], guide + noise, guiding.loop_gain, guiding.delay, dead_band, play
    )
    of_air, of_noise = (linear_pointing(0 * part, part, guiding.loop_gain, guiding.delay) for part in (guide, noise))
    rest = ((guide, noise), target, unseen, rows)
    real = _parts(pointing - of_air - of_noise, of_air, of_noise, *rest)
    ideal = _parts(still[..., phase], of_air, of_noise, *rest)
    return _difference(real, ideal)


def _difference(first, second):
    if isinstance(first, dict):
        return {name: first[name] - second[name] for name in first}
    if isinstance(first, tuple):
        return tuple(_difference(*pair) for pair in zip(first, second, strict=True))
    return first - second


def _guided(rig, stars, air, declination):
    """Section 3: how the guided mount moves."""
    guiding = rig.guiding
    count, rows = exposures_of(rig)
    gain = correction_loop.check_gain(guiding.loop_gain, guiding.delay)
    paths, within = mount_paths(rig.mount, guiding.exposure, round(declination.to_value(u.deg), 6), count)
    unseen = mount_motion.flexure(count, guiding.exposure, rig.guide_optics.flexure).value
    still = linear_pointing(paths, 0 * paths, gain, guiding.delay)
    false = guided_air.linear_variances(air, stars.noise, gain, guiding.delay, count, rows)
    own = _covariance(still, still)
    logged = {AIR: false.logged_air, NOISE: false.logged_noise, MOUNT: own}
    pointing = own + false.pointing_air + false.pointing_noise
    bent = cut_in_pictures(unseen, rows)
    still_cut = cut_in_pictures(still, rows)
    bent_cut = np.repeat(bent, still.shape[-1], axis=-1)
    picture = {
        MOUNT: _covariance(still_cut, still_cut + bent_cut),
        "corrections of air": false.picture_air,
        "corrections of noise": false.picture_noise,
        "flexure": _covariance(bent_cut, still_cut + bent_cut),
    }
    if rig.mount.backlash > 0 * u.arcsec or guiding.dead_band > 0 * u.arcsec:
        more = _play_changes(rig, stars, air, paths, still, unseen, rows)
        logged = {name: value + more[0][name] for name, value in logged.items()}
        pointing = pointing + more[1]
        picture = {name: value + more[2].get(name, 0) for name, value in picture.items()}
    within = within.mean(axis=-1)
    picture[MOUNT] = picture[MOUNT] + within
    picture["fast shake"] = np.full(2, rig.mount.jitter.to_value(u.arcsec) ** 2)
    return GuidedMotion(logged, pointing, picture, still, unseen, within, rows)


def _signed_root(square):
    return float(np.sign(square) * np.sqrt(abs(square))) * u.arcsec


def _terms(motion):
    """Section 4: parts of the log."""
    return {name: _signed_root(np.sum(part)) for name, part in motion.logged.items()}


def _picture(rig, stars, motion):
    """Section 5: width and elongation of the star in the picture, and the parts of its width."""
    star = picture_star_fwhm(rig, stars.airmass).to_value(u.arcsec)
    shape = picture_star(rig, stars.airmass)
    fwhm, elongation = _star_that_moves(star, shape, motion)
    added = {name: float(np.sum(part)) for name, part in motion.picture.items()}
    weight = (fwhm**2 - star**2) / (sum(added.values()) or 1.0)
    parts = {"air and diffraction": star * u.arcsec}
    parts |= {name: _signed_root(weight * value) for name, value in added.items()}
    return fwhm * u.arcsec, elongation, {name: parts[name] for name in PICTURE_PARTS}


def _star_that_moves(star, shape, motion):
    """FWHM [arcsec] and elongation of a star: the mount's own motion in its true shape, the rest Gaussian."""
    moved = np.moveaxis(cut_in_pictures(motion.mount + motion.unseen[..., None], motion.rows), -1, 0)
    moved = moved - moved.mean(axis=1, keepdims=True)
    own = np.einsum("pka,pkb->ab", moved, moved) / (moved.shape[0] * moved.shape[1])
    total = sum(motion.picture.values())
    # no more is taken from the wander in a star than can be
    total = np.maximum(total, -LEAST_TAKEN * star**2)
    if np.trace(own) < (_LITTLE_MOTION * star) ** 2:
        along = final_image.add_motion(star * u.arcsec, total * u.arcsec**2, shape).to_value(u.arcsec)
    else:
        extra = np.diag(total - np.diag(own))
        along = final_image.picture_widths(moved, star, extra=extra, shape=shape)
    axes = np.linalg.eigvalsh(np.diag(total) + own - np.diag(np.diag(own)))
    shortest, longest = final_image.add_motion(star * u.arcsec, axes * u.arcsec**2, shape).value
    return float(np.sqrt(np.mean(along**2))), float(longest / shortest)


@takes(
    rig=instance(Rig),
    target=optional(sky.as_place),
    stars=optional(some_stars),
    blur=quantity(u.arcsec, minimum=0, maximum=3600, ndim=0),
)
def evaluate(rig, target=None, stars=None, blur=0 * u.arcsec):
    """A prediction without interval; `predict.predict` is what most readers want.

    Parameters
    ----------
    rig : Rig
    target : SkyCoord, optional
    stars : GuideStars, optional
        Stars on the sensor; else a middling field of the sky at the target.
    blur : Quantity [arcsec], optional
        Width that coma and defocus add in squares to the guide stars, from `guide_field.unsharpness`.

    Returns
    -------
    Budget
        Without intervals.
    """
    aim = aim_at(rig, target, stars)
    seen = _stars(rig, aim, blur)
    air = _false_errors(rig, seen, exposures_of(rig)[0])
    motion = _guided(rig, seen, air, aim.target.dec)
    fwhm, elongation, picture_terms = _picture(rig, seen, motion)
    return Budget(
        logged_rms=_signed_root(np.sum(sum(motion.logged.values()))),
        pointing_rms=_signed_root(np.sum(motion.pointing)),
        final_fwhm=fwhm,
        elongation=elongation,
        terms=_terms(motion),
        picture_terms=picture_terms,
        stars=len(seen.used),
        magnitudes=aim.guide_field.magnitudes[seen.used],
        centroid_error=seen.noise * u.arcsec,
        guide_star_fwhm=seen.fwhm * u.arcsec,
        guidable=seen.guidable,
        airmass=aim.airmass,
        rig=rig,
        target=aim.target,
        guide_field=aim.guide_field,
        middling=aim.middling,
    )


def _placed(rig, stars, target):
    """Stars with a target: their own, the one given, or the rig's default."""
    if stars.target is not None and target is None:
        return stars
    chosen = middling_stars(rig, target).target
    return replace(stars, target=chosen)


@takes(
    rig=instance(Rig),
    magnitudes=number(minimum=-30, maximum=40, ndim=1, most_values=1000),
    target=optional(sky.as_place),
)
def stars_like(rig, magnitudes, target=None):
    """Guide stars of given brightnesses at places where stars of a middling field stand.

    Parameters
    ----------
    rig : Rig
    magnitudes : array, shape (N,)
        Gaia G as they reach the camera.
    target : SkyCoord, optional

    Returns
    -------
    GuideStars

    Raises
    ------
    ValueError, TypeError
        No magnitude, or no numbers.
    """
    middling = middling_stars(rig, target)
    places = middling.offsets[np.arange(magnitudes.size) % len(middling)]
    return stars_at(rig, places, magnitudes, middling.target)
