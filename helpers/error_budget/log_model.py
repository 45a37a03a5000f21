"""The rms of a log without chance, for many nights at once: what causes and diagnosis ask for thousands of times.

The linear loop's algebra, with the mean over the places of stars and the states of the air of `nights`, scaled so
that the middling night gives what `terms.evaluate` gives, play of the gears included.
"""

from dataclasses import replace
from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers.correction_loop import loop as correction_loop
from helpers.error_budget import guided_air, nights
from helpers.error_budget.terms import (
    centroid_errors,
    exposures_of,
    linear_pointing,
    mount_paths,
    seeing_factor,
    unit_air,
)
from helpers.guide_field.usable import choose_stars

_MAGNITUDES = np.linspace(0.0, 19.0, 58)
_SEEINGS = np.geomspace(0.3, 3.0, 6)  # over the site's own
READ_NOISES = (0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 64.0)  # electrons, steps of a table; between them asinh is linear
_FAINTEST = 1e6  # arcsec, error of a star that is not there


class LogModel:
    """The log of one rig under conditions given as arrays of one value a case.

    Parameters
    ----------
    rig : Rig
    budget : Budget
        From `terms.evaluate`, of a rig with the same optics and site: it tells target, airmass and places of stars.
        A budget of this very rig also fits the model to what only `evaluate` has: play of the gears, true places of
        stars.
    read_noises : sequence of float, optional
        Electrons between which the read noise will be varied; only the rig's own if not given.
    """

    def __init__(self, rig, budget, read_noises=None):
        self.rig, self.airmass = rig, budget.airmass
        self._air = _air_tables(_key(rig), _places(budget), rig, round(budget.airmass, 4))
        own = (float(rig.guide_camera.read_noise.value),)
        self._read_noises = np.arcsinh(own if read_noises is None else read_noises)
        self._errors = _error_tables(_light_key(rig), rig, round(budget.airmass, 4), tuple(np.sinh(self._read_noises)))
        self._mount = _mount_variances(rig, budget.target.dec)
        self._noise_share = noise_share(rig)
        self._factor = 1.0
        if budget.rig == rig:
            here = self.rms(np.ones(1), np.array([nights.STATES]), budget.guide_field.magnitudes[None])
            self._factor = budget.logged_rms.to_value(u.arcsec) / here[0]

    def rms(self, seeing, state, magnitudes, *, worm=1.0, drift=1.0, read_noise=None, blur=0.0, most=None, width=1.0):
        """Total rms of the log [arcsec], shape (cases,).

        Parameters
        ----------
        seeing : array, shape (cases,)
            Factors on the site's own.
        state : int array, shape (cases,)
            Of the air; `nights.STATES` is the site's own air.
        magnitudes : array, shape (cases or 1, N)
            Of the stars, not finite where there is none.
        worm, drift : float or array
            Factors on the mount's periodic error and polar error.
        read_noise : array, optional
            Electrons; the rig's own if not given.
        blur : float or array
            Width [arcsec] that defocus adds to a star in quadrature.
        most : int or int array, shape (cases,), optional
            Stars used; the rig's own setting if not given.
        width : float or array
            Factor on the width of a star, for an outer scale that is not the site's.
        """
        noise = self.noise(seeing, magnitudes, read_noise, blur, most, width)
        return self.rms_with(noise, seeing, state, worm, drift)

    def rms_with(self, noise, seeing, state, worm=1.0, drift=1.0):
        """The same, `noise` given as `noise()` or a `NoiseTable` tells it."""
        noise, concentration = noise
        own, pair = (part[state] for part in self._air)
        air = seeing_factor(self.rig.site.seeing * seeing) ** 2 * (concentration * own + (1 - concentration) * pair)
        mount = worm**2 * self._mount[0] + drift**2 * self._mount[1]
        return self._factor * np.sqrt(air + self._noise_share * noise**2 + mount)

    def noise(self, seeing, magnitudes, read_noise=None, blur=0.0, most=None, width=1.0):
        """Noise of the mean of the stars [arcsec, one axis], and the sum of their squared weights; arrays (cases,)."""
        read_noise = self.rig.guide_camera.read_noise.value if read_noise is None else read_noise
        most = self.rig.guiding.stars if most is None else most
        errors, saturated, widths = self._errors
        fwhm = self.star_width(seeing, blur, width)
        there = np.isfinite(magnitudes)
        places = (
            _place(fwhm[..., None], _width_steps(widths)),
            _place(np.arcsinh(np.asarray(read_noise, float))[..., None], self._read_noises),
            _place(np.where(there, magnitudes, _MAGNITUDES[-1]), _MAGNITUDES),
        )
        error = np.where(there, np.exp(_interpolate(errors, places)), _FAINTEST)
        full = there & (_interpolate(saturated, places) > 0.5)
        weights, _ = choose_stars(error, full, np.asarray(most)[..., None])
        return np.sqrt(np.sum((weights * error) ** 2, axis=-1)), np.sum(weights**2, axis=-1)

    def star_width(self, seeing, blur=0.0, width=1.0):
        """Logarithm of the width of a guide star [arcsec]; array."""
        fwhm = np.interp(np.log(seeing), np.log(_SEEINGS), self._errors[2]) + np.log(width)
        return np.log(np.hypot(np.exp(fwhm), blur))

    def steps(self):
        """Steps of the tables of errors: logarithms of widths, and read noises as asinh."""
        return _width_steps(self._errors[2]), self._read_noises

    def errors_at(self, i, j, magnitudes):
        """Centroid errors [arcsec] and saturation of stars at the steps i and j of width and read noise; arrays."""
        errors, saturated, _ = self._errors
        there = np.isfinite(magnitudes)
        error = np.exp(np.interp(magnitudes, _MAGNITUDES, errors[i, j]))
        full = np.interp(magnitudes, _MAGNITUDES, saturated[i, j]) > 0.5
        return np.where(there, error, _FAINTEST), there & full


class NoiseTable:
    """Noise of the mean of the stars of some fields, quickly for very many cases: a table of `LogModel.noise`.

    Parameters
    ----------
    model : LogModel
    fields : array, shape (F, N)
        Magnitudes.
    shifts : array, shape (S,)
        Magnitudes by which stars may be fainter, ascending.
    numbers : sequence of int
        Stars that may be used at most.
    """

    def __init__(self, model, fields, shifts, numbers):
        self._model, self._shifts, self._numbers = model, np.asarray(shifts, float), np.asarray(numbers)
        self._widths, self._read_noises = model.steps()
        magnitudes = fields[:, None, :] + self._shifts[:, None]
        shape = (len(numbers), len(self._widths), len(self._read_noises), *magnitudes.shape[:2])
        noise, concentration = np.empty(shape), np.empty(shape)
        for i in range(len(self._widths)):
            for j in range(len(self._read_noises)):
                error, full = model.errors_at(i, j, magnitudes)
                weights, _ = choose_stars(error, full, self._numbers[:, None, None, None])
                noise[:, i, j] = 0.5 * np.log(np.sum((weights * error) ** 2, axis=-1))
                concentration[:, i, j] = np.sum(weights**2, axis=-1)
        # the width comes last, so that all that a case needs lies together
        self._table = np.ascontiguousarray(np.moveaxis(np.stack([noise, concentration], axis=-1), 1, -1))

    def of_stars(self, field, shift, number, read_noise):
        """What `noise` needs of each case; `field` and `number` tell which stars, all are arrays (cases,)."""
        *shape, _, widths = self._table.shape
        table = self._table.reshape(-1, 2 * widths)
        row = np.minimum(np.searchsorted(self._numbers, number), len(self._numbers) - 1)
        total = 0.0
        for i, of_noise in _both(_place(np.arcsinh(read_noise), self._read_noises)):
            for j, of_shift in _both(_place(shift, self._shifts)):
                part = table[np.ravel_multi_index((row, i, field, j), shape)]
                part *= (of_noise * of_shift)[:, None]
                total += part
        # the cases come last, so that what one width needs of all lies together
        return np.ascontiguousarray(total.T).reshape(2, widths, -1)

    def noise(self, stars, seeing, blur):
        """As `LogModel.noise`, of cases that `of_stars` told; arrays (cases,), `seeing` may be one number."""
        if np.ndim(seeing):
            found = self._between(stars, np.arange(stars.shape[-1]), self._model.star_width(seeing, blur))
        else:  # stars in focus are all equally wide, and need no place in the table of their own
            found = self._between(stars, slice(None), self._model.star_width(seeing))
            blurred = np.flatnonzero(blur)
            found[:, blurred] = self._between(stars, blurred, self._model.star_width(seeing, blur[blurred]))
        noise, concentration = found
        return np.exp(noise), concentration

    def _between(self, stars, which, width):
        return sum(share * stars[:, index, which] for index, share in _both(_place(width, self._widths)))


def _places(budget):
    return tuple(map(tuple, budget.guide_field.offsets.to_value(u.arcmin)[: nights.AIR_PLACES]))


def _key(rig):
    """What the motion by unit air depends on."""
    guiding = rig.guiding
    return (rig.guide_optics.aperture, rig.site.outer_scale, rig.site.atmosphere, rig.site.seeing, guiding.exposure) + (
        float(guiding.loop_gain),
        guiding.delay,
    )


def _light_key(rig):
    camera = replace(rig.guide_camera, name="any", read_noise=0 * u.electron)
    return camera, rig.guide_optics, replace(rig.site, name="any"), rig.guiding.exposure


class _Passed:
    """An argument that a cache looks up by another one, its key."""

    def __init__(self, value):
        self.value = value

    def __eq__(self, other):
        return isinstance(other, _Passed)

    def __hash__(self):
        return 0


def _air_tables(key, places, rig, airmass):
    return _cached_air_tables(key, places, _Passed(rig), airmass)


@lru_cache(maxsize=64)
def _cached_air_tables(key, places, passed, airmass):
    """Variance on the log, both axes, of one star and of a pair for unit seeing, in each state and in its own air."""
    rig = passed.value
    count, _ = exposures_of(rig)
    gain, delay = correction_loop.check_gain(rig.guiding.loop_gain, rig.guiding.delay), rig.guiding.delay
    length = guided_air.series_length(count)
    left = np.abs(guided_air.loop_filters(gain, delay, length)[0]) ** 2 * guided_air.seen_in(count, length)
    own_air = unit_air(rig.site.outer_scale, rig.site.atmosphere, airmass)
    airs = [*nights.along(rig, airmass), own_air]
    aperture, exposure = rig.guide_optics.aperture.to_value(u.m), rig.guiding.exposure.to_value(u.s)
    found = [guided_air.mean_pairs(places, aperture, air, exposure, length)[:2] for air in airs]
    return guided_air.mean_power(np.array(found) * left).sum(axis=-1).T


def _error_tables(key, rig, airmass, read_noises):
    return _cached_error_tables(key, _Passed(rig), airmass, read_noises)


@lru_cache(maxsize=256)
def _cached_error_tables(key, passed, airmass, read_noises):
    """Logarithm of the centroid error and saturation by width, read noise and magnitude; log widths by seeing."""
    rig = passed.value
    widths = np.log(nights.star_widths(rig, airmass, _SEEINGS, rig.site.outer_scale.to_value(u.m)))
    errors, full = centroid_errors(rig, _MAGNITUDES, airmass, np.exp(_width_steps(widths)) * u.arcsec, read_noises)
    return np.log(errors), np.repeat(full[:, None].astype(float), len(read_noises), axis=1), widths


def _width_steps(widths):
    """Steps of the table of errors: from the narrowest star to one far out of focus, as logarithms."""
    return np.linspace(widths[0], max(widths[-1], widths[0] + 2.5), len(_SEEINGS))


def _place(value, steps):
    """Index of the step below, that of the next, and share of the way to it, for interpolation in a table."""
    last = len(steps) - 1
    index = np.clip(np.searchsorted(steps, value) - 1, 0, max(last - 1, 0))
    further = np.minimum(index + 1, last)
    share = (value - steps[index]) / np.where(further > index, steps[further] - steps[index], 1.0)
    return index, further, np.clip(share, 0.0, 1.0)


def _both(place):
    """The two steps round a place, each with its weight."""
    below, above, share = place
    return (below, 1 - share), (above, share)


def _interpolate(table, places):
    """Linear interpolation in a table of three axes."""
    first, second, (low, high, share) = places
    total = 0.0
    for i, of_first in _both(first):
        for j, of_second in _both(second):
            total = total + of_first * of_second * (table[i, j, low] * (1 - share) + table[i, j, high] * share)
    return total


def _mount_variances(rig, declination):
    """Variance on the log, both axes, that the worm and the polar drift leave after linear guiding."""
    count, _ = exposures_of(rig)
    found = []
    for name in ("polar_error", "periodic_error"):
        mount = replace(rig.mount, **{name: 0 * getattr(rig.mount, name).unit})
        paths, _ = mount_paths(mount, rig.guiding.exposure, round(declination.to_value(u.deg), 6), count)
        found.append(
            linear_pointing(paths, 0 * paths, rig.guiding.loop_gain, rig.guiding.delay).var(axis=0).sum(axis=0)
        )
    return [float(part.mean()) for part in found]


def noise_share(rig):
    """Variance on the log, both axes, over the squared noise of one axis."""
    count, _ = exposures_of(rig)
    length = guided_air.series_length(count)
    left = np.abs(guided_air.loop_filters(rig.guiding.loop_gain, rig.guiding.delay, length)[0]) ** 2
    return 2 * float(guided_air.mean_power(left * guided_air.seen_in(count, length)))
