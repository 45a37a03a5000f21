"""Nights that fit what is known of a rig: what they draw, and what the rig's log and picture would be.

Seeing, the mount's faults, the stars and the chance of a single log are drawn for each night. The air's layers, wind
and outer scale are drawn from a design of `STATES` states, spread evenly over what nights have, so that their spectra
are computed once for all nights.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache

import astropy.units as u
import numpy as np
from scipy import special
from scipy.interpolate import RegularGridInterpolator

from helpers.correction_loop import loop as correction_loop
from helpers.correction_loop import mount as mount_motion
from helpers.correction_loop import picture as final_image
from helpers.error_budget import guided_air
from helpers.error_budget.terms import (
    LEAST_TAKEN,
    WORM_PHASES,
    centroid_errors,
    cut_in_pictures,
    exposures_of,
    mount_paths,
    seeing_factor,
)
from helpers.guide_field.stars import drawn_magnitudes
from helpers.guide_field.usable import choose_stars
from helpers.seeing.air import Atmosphere, at_airmass
from helpers.seeing.named_air import ATMOSPHERES
from helpers.seeing.widths import fried_parameter
from helpers.shared import limits, optics
from helpers.shared.checks import count, instance, takes
from helpers.starlight.widths import detected_wavelength, picture_star

NUMBERS = ("logged_rms", "pointing_rms", "final_fwhm")
DRAWS = 1600
# How uncertain the inputs are, as a spread of the logarithm (0.2: about 20 per cent). Choices made here, no source:
# seeing within a night, outer scale and wind between nights, what owners know of their mounts.
SPREADS = {
    "site.seeing": 0.15,
    "site.outer_scale": 0.4,
    "wind speed": 0.35,
    "mount.periodic_error": 0.2,
    "mount.polar_error": 0.3,
    "mount.jitter": 0.3,
}
LAYERS = tuple(ATMOSPHERES)  # all as likely, for nobody sees which layers are above
STATES = 25  # states of the air, five with the layers of each named atmosphere
_FIELDS = 100  # star fields drawn
AIR_PLACES = 4  # places on the sensor whose pairs stand for all
_BLOCK = 100  # nights at a time, which limits the memory
_PICTURE_WAVELENGTH = 550 * u.nm
_LEAST_OUTER_SCALE = 5  # in Fried parameters at 900 nm: draws stay where the width of a star says something
_LONGEST = 900 * u.nm


@dataclass(frozen=True)
class Nights:
    """What some nights draw, the same for every rig that is compared on them; arrays of one value a night.

    seeing, periodic_error, polar_error, jitter : factors; state : index into `air_states`; phase : start of the worm;
    field : number of the star field; seed : of air and noise.
    """

    seeing: np.ndarray
    periodic_error: np.ndarray
    polar_error: np.ndarray
    jitter: np.ndarray
    state: np.ndarray
    phase: np.ndarray
    field: np.ndarray
    seed: int

    def __len__(self):
        return len(self.seeing)


@takes(rng=instance(np.random.Generator), draws=count(minimum=20, maximum=limits.DRAWS))
def draw_nights(rng, draws):
    """Nights, with `SPREADS` about what a rig says.

    Parameters
    ----------
    rng : numpy.random.Generator
    draws : int
        At least 20.

    Returns
    -------
    Nights
    """
    names = ("site.seeing", "mount.periodic_error", "mount.polar_error", "mount.jitter")
    factors = [np.exp(SPREADS[name] * np.clip(rng.standard_normal(draws), -3, 3)) for name in names]
    return Nights(
        *factors,
        state=rng.permutation(np.arange(draws) % STATES),
        phase=rng.integers(WORM_PHASES, size=draws),
        field=np.arange(draws) % min(draws, _FIELDS),
        seed=int(rng.integers(2**31)),
    )


@lru_cache(maxsize=32)
def air_states(outer_scale_m, least_m):
    """Layers, wind and outer scale of `STATES` nights: list of Atmosphere with a seeing of 1 arcsec, at the zenith."""
    each = STATES // len(LAYERS)
    states = []
    for number, name in enumerate(LAYERS):
        for k in range(each):
            # evenly spread over both: multiples of powers of the plastic number (Roberts 2018), as for places of stars
            place = (0.5 + (number * each + k + 1) * np.array([0.7548776662466927, 0.5698402909980532, 0.43])) % 1
            wind, scale = np.exp(special.ndtri(place[:2]) * [SPREADS["wind speed"], SPREADS["site.outer_scale"]])
            layers = tuple(
                replace(
                    layer,
                    wind_speed=layer.wind_speed * wind,
                    wind_direction=layer.wind_direction + 360 * place[2] * u.deg,
                )
                for layer in ATMOSPHERES[name].layers
            )
            scale_m = max(outer_scale_m * scale, min(least_m, outer_scale_m))
            states.append(Atmosphere(1 * u.arcsec, scale_m * u.m, layers))
    return states


def states_for(rig):
    """The states of the air over a rig's site."""
    return air_states(float(rig.site.outer_scale.to_value(u.m)), _least_scale(rig))


def _least_scale(rig):
    best = rig.site.seeing * np.exp(-3 * SPREADS["site.seeing"])  # when the Fried parameter is largest
    return round(_LEAST_OUTER_SCALE * fried_parameter(best, _LONGEST).to_value(u.m), 6)


def star_widths(rig, airmass, seeing_factors, outer_scales_m, optic="guide_optics"):
    """Widths [arcsec] of a star on the guide sensor, or in the picture (optic "telescope"), under other air; arrays."""
    wavelength = detected_wavelength(rig, airmass) if optic == "guide_optics" else _PICTURE_WAVELENGTH
    wavelength_m, part = wavelength.to_value(u.m), getattr(rig, optic)
    r0_m = optics.fried_parameter_m(rig.site.seeing.to_value(u.rad) * seeing_factors, wavelength_m, airmass)
    diameter_m, obstruction = part.aperture.to_value(u.m), part.central_obstruction
    star = optics.LongExposure(r0_m, outer_scales_m, diameter_m, wavelength_m, obstruction)
    return star.fwhm_rad * u.rad.to(u.arcsec)


def along(rig, airmass):
    """The states of the air along a slanted line of sight."""
    return _along(float(rig.site.outer_scale.to_value(u.m)), _least_scale(rig), round(airmass, 4))


@lru_cache(maxsize=32)
def _along(outer_scale_m, least_m, airmass):
    return [at_airmass(state, airmass) for state in air_states(outer_scale_m, least_m)]


def _noise(rig, airmass, widths, magnitudes):
    """Noise of the mean of the stars [arcsec, one axis] and sum of squared weights, one for each night."""
    grid = np.geomspace(widths.min(), widths.max() * 1.001, 5)
    faint = np.isfinite(magnitudes)
    steps = np.linspace(magnitudes[faint].min() - 1e-6, magnitudes[faint].max() + 1e-6, 40)
    of_steps, full_steps = centroid_errors(rig, steps, airmass, grid * u.arcsec)
    errors = RegularGridInterpolator((np.log(grid), steps), np.log(of_steps))
    full = RegularGridInterpolator((np.log(grid), steps), full_steps.astype(float))
    places = np.stack(np.broadcast_arrays(np.log(widths)[:, None], np.where(faint, magnitudes, steps[-1])), axis=-1)
    error = np.where(faint, np.exp(errors(places)), 1e6)
    weights, _ = choose_stars(error, full(places) > 0.5, rig.guiding.stars)
    return np.sqrt(np.sum((weights * error) ** 2, axis=1)), np.sum(weights**2, axis=1)


def _spectra(rig, aim, count):
    """Spectra of one star, of a pair, and with the target, for each state of the air: (states, 2, F)."""
    aperture, exposure = rig.guide_optics.aperture.to_value(u.m), rig.guiding.exposure.to_value(u.s)
    offsets = tuple(map(tuple, aim.guide_field.offsets.to_value(u.arcmin)[:AIR_PLACES]))
    length = guided_air.series_length(count)
    parts = [guided_air.mean_pairs(offsets, aperture, air, exposure, length) for air in along(rig, aim.airmass)]
    return [np.array(part) for part in zip(*parts, strict=True)]


def numbers(rig, nights, aim, progress=None):
    """Logged rms, pointing rms and final FWHM [arcsec] of a rig in each night, shape (nights, 3).

    Parameters
    ----------
    rig : Rig
    nights : Nights
    aim : Aim or Budget
        From `terms.aim_at` or `terms.evaluate`, of this rig.
    progress : function, optional
    """
    correction_loop.check_gain(rig.guiding.loop_gain, rig.guiding.delay)
    scales = np.array([state.outer_scale.value for state in states_for(rig)])[nights.state]
    guide, star = (
        star_widths(rig, aim.airmass, nights.seeing, scales, optic) for optic in ("guide_optics", "telescope")
    )
    fields = fields_of(rig, nights, aim)
    noise, concentration = _noise(rig, aim.airmass, guide, fields[nights.field % len(fields)])
    count, rows = exposures_of(rig)
    shape = picture_star(rig, aim.airmass)
    spectra = _spectra(rig, aim, count)
    path = _MountBasis(rig, aim.target.dec, count)
    rng = np.random.default_rng(nights.seed)
    found = []
    for start in range(0, len(nights), _BLOCK):
        part = slice(start, start + _BLOCK)
        air = _air(spectra, nights, concentration, part)
        series, within = path.of(nights, part)
        moved = _guide(rig, air, seeing_factor(rig.site.seeing * nights.seeing[part]), noise[part], series, rng)
        found.append(_statistics(rig, *moved, path.unseen, within, nights.jitter[part], star[part], rows, shape))
        if progress is not None:
            progress(min(1.0, (start + _BLOCK) / len(nights)))
    return np.concatenate(found)


def side_by_side(compute, several):
    """`compute` of each of several things, in their order, two at once: numpy lets threads run beside each other."""
    with ThreadPoolExecutor(2) as pool:
        yield from pool.map(compute, several)


def fields_of(rig, nights, aim):
    """Magnitudes of the stars of each drawn field, (fields, N), not finite where there is no star."""
    if not aim.middling:
        return aim.guide_field.magnitudes[None]
    return drawn_magnitudes(rig, aim.target, np.random.default_rng(nights.seed), min(len(nights), _FIELDS))


def _air(spectra, nights, concentration, part):
    own, pair, both = (one[nights.state[part]] for one in spectra)
    share = concentration[part][:, None, None]
    return guided_air.AirSpectra(share * own + (1 - share) * pair, own, both, 2 * (own.shape[-1] - 1))


class _MountBasis:
    """The mount's unguided path as a sum of what its worm and its polar axis do."""

    def __init__(self, rig, declination, count):
        worm, drift = (
            mount_paths(
                replace(rig.mount, **{name: 0 * getattr(rig.mount, name).unit}),
                rig.guiding.exposure,
                round(declination.to_value(u.deg), 6),
                count,
            )
            for name in ("polar_error", "periodic_error")
        )
        self._worm, self._drift = worm, drift
        self.unseen = mount_motion.flexure(count, rig.guiding.exposure, rig.guide_optics.flexure).value

    def of(self, nights, part):
        """Paths (n, 2, nights) and the variance within exposures (2, nights)."""
        phase, worm, drift = nights.phase[part], nights.periodic_error[part], nights.polar_error[part]
        series = worm * self._worm[0][..., phase] + drift * self._drift[0][..., phase]
        return series, worm**2 * self._worm[1][..., phase] + drift**2 * self._drift[1][..., phase]


def _guide(rig, unit_air, seeing, noise, mount, rng):
    """Log, pointing and the target's motion, (n, 2, nights); `seeing`: how much more the air moves than `unit_air`."""
    guiding = rig.guiding
    guide, target = (seeing * part for part in guided_air.draw_series(unit_air, len(mount), len(noise), rng))
    false = guide + noise * rng.standard_normal(guide.shape)
    play = np.array([[0.0], [rig.mount.backlash.to_value(u.arcsec)]])
    pointing, _ = correction_loop.run_loop(
        mount, false, guiding.loop_gain, guiding.delay, guiding.dead_band.to_value(u.arcsec), play
    )
    return pointing + false, pointing, target


def _statistics(rig, logged, pointing, target, unseen, within, jitter, star, rows, shape):
    moved = pointing + unseen[..., None]
    count, nights = len(moved) // rows, moved.shape[-1]
    pictures, air = (cut_in_pictures(part, rows).reshape(rows, 2, count, nights) for part in (moved, target))
    whole = pictures + 2 * air
    added = ((pictures - pictures.mean(axis=0)) * (whole - whole.mean(axis=0))).mean(axis=(0, 2))
    added += within + (rig.mount.jitter.to_value(u.arcsec) * jitter) ** 2
    added = np.maximum(added / star**2, -LEAST_TAKEN)  # in widths of the star
    along = star * final_image.add_motion(1 * u.arcsec, added.T * u.arcsec**2, shape).to_value(u.arcsec).T
    total = [np.sqrt(part.var(axis=0).sum(axis=0)) for part in (logged, pointing)]
    return np.column_stack([*total, np.sqrt((along**2).mean(axis=0))])
