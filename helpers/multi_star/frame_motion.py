"""What the stars of a run of guide frames do together and apart, and what that tells of air, camera and field.

What all stars share, the mount's motion above all, drops out of the differences between them. What is left is air that
two lines of sight do not share, and errors of measuring: two parts of known shape, whose sizes are fitted.
"""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from scipy import linalg, special

from helpers.multi_star.averaging import motion_covariance, pair_covariance
from helpers.multi_star.own_frames import GuideRun
from helpers.seeing.air import Atmosphere, at_airmass
from helpers.shared import series
from helpers.shared.checks import as_instance, as_quantity, instance, takes

_CONFIDENCE = 0.95
_GROUPS = 5  # of pairs of stars, by distance
_FEWEST_FOR_NOISE = 4  # stars from which air and errors of measuring are told apart
_TOLD_APART = 0.5  # relative error of the squared errors of measuring, from which they are not told from air
_STEPS = 30


@dataclass(frozen=True, eq=False)
class Estimate:
    """A value with its 95 % interval; plain numbers or Quantities, scalars or arrays."""

    value: u.Quantity
    low: u.Quantity
    high: u.Quantity


@dataclass(frozen=True, eq=False)
class FrameMotion:
    """What a run of guide frames tells; movements are one-axis rms in arcsec, errors of measuring taken off.

    Attributes
    ----------
    stars : Estimate, (N,)
        What each star really moved in this run, without the slow turning of the field.
    together, apart : Estimate
        The part of it that all stars share, and the rest; their squares add up to the mean square of `stars`.
    distance : Quantity [arcmin], shape (G,)
        Mean distance of the stars of each group of pairs.
    alike : Estimate, (G,)
        Correlation of the movements of two stars, mount included, on the long run with this much shared motion.
    noise : Estimate or None
        Errors of measuring over the least possible ones. None with fewer than four stars, or where they can't be told
        from air: they are then taken for the least possible.
    seeing : Estimate
        FWHM at 500 nm overhead that the movements apart call for, if the layers are those of `atmosphere`.
    turning : Estimate
        Of the field, x towards y, in arcsec a minute of angle.
    atmosphere : Atmosphere
        The layers assumed, along the line of sight, with the seeing found.
    diameter : Quantity [m]
    exposure : Quantity [s]
    """

    stars: Estimate
    together: Estimate
    apart: Estimate
    distance: u.Quantity
    alike: Estimate
    noise: Estimate | None
    seeing: Estimate
    turning: Estimate
    atmosphere: object
    diameter: u.Quantity
    exposure: u.Quantity

    def foretold(self, distance):
        """Correlation of two stars' movements by the model, at distances [angle] of shape (P,), mean of directions."""
        apart = as_quantity("distance", distance, u.arcmin, minimum=0, ndim=1).value
        turns = np.radians([0, 45, 90, 135])
        separations = np.concatenate([np.outer(apart, [np.cos(a), np.sin(a)]) for a in turns] + [np.zeros((1, 2))])
        found = pair_covariance(separations * u.arcmin, self.diameter, self.atmosphere, self.exposure).value
        lost = (found[:, -1:] - found[:, :-1]).mean(axis=0).reshape(len(turns), -1).mean(axis=0)
        return 1 - lost / np.mean(self.stars.value.value**2)


def _interval(mean_square, error, freedom, power):
    """Estimate of mean_square**power whose logarithm has a Student's t error."""
    half = special.stdtrit(freedom, (1 + _CONFIDENCE) / 2) * error / mean_square
    return [mean_square**power * np.exp(sign * power * half) for sign in (0, -1, 1)]


def _mean_error(values, time_s):
    """Standard error of the mean of a series that remembers, and its degrees of freedom."""
    error, freedom = series.relative_error(values, time_s)
    return abs(error * values.mean()), freedom


def _turning(places, centres, time):
    """Rate at which the field turns [arcsec / min], its Estimate, and the centres turned back."""
    square = np.sum(places**2)
    angle = np.einsum("tk,k->t", centres[..., 1], places[:, 0]) - np.einsum("tk,k->t", centres[..., 0], places[:, 1])
    rate, error = series.drift_rate(time, angle / square * u.rad.to(u.arcsec) * u.arcsec)
    minutes = (time - time.mean()).to_value(u.min)
    turned = (rate.value * u.arcsec.to(u.rad)) * minutes[:, None, None] * places[:, ::-1] * [-1, 1]
    half = special.ndtri((1 + _CONFIDENCE) / 2) * error
    return Estimate(rate, rate - half, rate + half), centres - turned


def _fit(centres, air, errors, with_noise):
    """Quadratic forms (2, 2, N, N) of two sizes, for each axis: of the air's movements apart (against `air`, (2, N, N))
    and of squared errors of measuring (against `errors`**2); or (1, 2, N, N), of the air alone. And what is to be taken
    off the mean of the first.

    Scoring steps of maximum likelihood for Gaussian movements end in such forms. The mean over the frames of a form is
    its size, and the scatter of that mean, memory included, its error.
    """
    contrast = linalg.helmert(len(errors))
    moved = centres - centres.mean(axis=0)
    covariance = np.einsum("kn,tna,tma,lm->akl", contrast, moved, moved, contrast, optimize=True) / (len(moved) - 1)
    parts = [contrast @ air @ contrast.T, np.stack([contrast @ np.diag(errors**2) @ contrast.T] * 2)]
    sizes = np.array([max(np.trace(covariance[0]) / np.trace(parts[0][0]), 1e-3), 1.0])
    for _ in range(_STEPS):
        inverse = np.linalg.inv(sizes[0] * parts[0] + sizes[1] * parts[1])
        weights = [inverse @ part for part in parts]
        known = np.array([[np.einsum("aij,aji->", p, q) / 2 for q in weights] for p in weights])
        scores = np.stack([weight @ inverse / 2 for weight in weights])
        forms = np.einsum("pq,qaij->paij", np.linalg.pinv(known), scores) if with_noise else scores[:1] / known[0, 0]
        found = np.einsum("paij,aji->p", forms, covariance)
        found = found if with_noise else np.array([found[0] - known[0, 1] / known[0, 0], 1.0])
        before, sizes = sizes, np.maximum(found, [1e-6, 1e-2])
        if np.allclose(before, sizes, rtol=1e-6):
            break
    off = 0.0 if with_noise else known[0, 1] / known[0, 0]
    return np.einsum("kn,paki,im->panm", contrast, forms, contrast, optimize=True), off


def _over_time(form, centres):
    """A quadratic form (2, N, N) of the movements in each frame, whose mean is unbiased; shape (n,)."""
    moved = centres - centres.mean(axis=0)
    series_of_form = np.einsum("tna,anm,tma->t", moved, form, moved, optimize=True)
    return series_of_form * len(moved) / (len(moved) - 1)


def _seeing(sizes, time_s, atmosphere):
    """Estimate of the seeing that a series of sizes calls for."""
    size = sizes.mean()
    error, freedom = _mean_error(sizes, time_s)
    if size <= 0 or error > size:
        raise ValueError(
            "frames: expected stars that move against each other by more than errors of measuring, found no such motion"
        )
    return Estimate(*(part * atmosphere.fwhm for part in _interval(size, error, freedom, 0.6)))


@dataclass(frozen=True, eq=False)
class _Noise:
    """Squared errors of measuring: the least ones (N,), their factor, its form (2, N, N) and its standard error.

    Without a form the factor is taken for 1, not measured.
    """

    least: np.ndarray
    factor: float = 1.0
    form: np.ndarray | float = 0.0
    error: float = 0.0


def _by_noise(forms, noise, covariance, count):
    """Variance of quadratic forms (Q, 2, N, N) by errors of measuring beside a motion that is given; shape (Q,)."""
    errors = np.diag(noise.factor * noise.least)
    between = forms @ errors @ forms
    moved = covariance - errors
    return (4 * np.einsum("qaij,aji->q", between, moved) + 2 * np.einsum("qaij,ji->q", between, errors)) / count


def _movements(wanted, noise, covariance, count):
    """Estimates of what really moved in this run, for quadratic forms (Q, N, N) of one axis: rms [arcsec].

    Errors of measuring are taken off as measured. What is then left of them is foretold from their size; and the factor
    of the errors itself is uncertain by the air, whose scatter it shares.
    """
    share = np.einsum("qii,i->q", wanted, noise.least)
    forms = np.repeat(wanted[:, None] / 2, 2, axis=1)
    fixed = share
    by_air = 0.0
    if noise.error:
        forms = forms - share[:, None, None, None] * noise.form
        fixed = 0.0
        by_air = max(noise.error**2 - _by_noise(noise.form[None], noise, covariance, count)[0], 0.0)
    value = np.einsum("qaij,aji->q", forms, covariance) - fixed
    spread = np.sqrt(np.maximum(_by_noise(forms, noise, covariance, count), 0) + share**2 * by_air)
    half = special.ndtri((1 + _CONFIDENCE) / 2) * spread
    return [np.sqrt(np.maximum(part, 0)) * u.arcsec for part in (value, value - half, value + half)]


def _groups(places):
    """Pairs of stars (first, second, group) by distance, and the mean distance [arcmin] of each group."""
    first, second = np.triu_indices(len(places), 1)
    apart = np.hypot(*(places[first] - places[second]).T) / 60
    order = np.argsort(apart, kind="stable")
    groups = np.array_split(order, min(_GROUPS, len(order)))
    return [(first[group], second[group], apart[group].mean()) for group in groups]


def _alike(centres, groups, noise, total, time_s):
    """Estimate of each group's correlation: 1 less half the mean square of a difference over that of one star."""
    rows = []
    for first, second, _ in groups:
        form = np.zeros((2, len(noise.least), len(noise.least)))
        for one, other in zip(first, second, strict=True):
            form[:, [one, other], [one, other]] += 1 / 4 / len(first)
            form[:, [one, other], [other, one]] -= 1 / 4 / len(first)
        share = np.einsum("ii,i->", form.sum(axis=0), noise.least)
        fixed = 0.0 if noise.error else share
        lost = _over_time(form - (share * noise.form if noise.error else 0.0), centres) - fixed
        error, freedom = _mean_error(lost, time_s)
        half = special.stdtrit(freedom, (1 + _CONFIDENCE) / 2) * error
        rows.append([1 - part / total for part in (lost.mean(), lost.mean() + half, lost.mean() - half)])
    return Estimate(*np.array(rows).T)


@takes(run=instance(GuideRun), atmosphere=instance(Atmosphere))
def analyse_run(run, diameter, atmosphere, airmass=1):
    """What the stars of a run of guide frames do together and apart.

    Parameters
    ----------
    run : GuideRun
    diameter : Quantity [length]
        Of the aperture.
    atmosphere : Atmosphere
        Its layers, winds and outer scale are assumed; its seeing is not used.
    airmass : float
        Of the stars.

    Returns
    -------
    FrameMotion

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also where the stars do not move against each other.

    Notes
    -----
    The seeing rests on the difference of the tilts of two lines of sight. Air near the ground moves all stars alike and
    is not measured, but inferred from what the layers above show: with other heights of the layers, another seeing
    (`seeing_by_layers`). An exposure that is long against the time in which a layer crosses the aperture leaves little
    of it. What else moves stars apart, such as a colour mosaic that is not binned, counts as air. The least possible
    errors follow from the light of a Gaussian core (`measure_stars`), so that their factor is good to about a tenth.

    References
    ----------
    Seeing from differential image motion: Sarazin & Roddier 1990, A&A 227, 294; Tokovinin 2002, PASP 114, 1156, both
    for two apertures on one star; here one aperture and two stars, with the covariance of `pair_covariance`. Scoring of
    variance components: Rao 1971, J. Multivariate Analysis 1, 445. Batch means: see `shared.series`.
    """
    centres, places, time_s, model = _prepared(run, diameter, atmosphere, airmass)
    turning, centres = _turning(places, centres, run.time)
    sizes, noise, estimate = _air_and_noise(run, centres, model)
    seeing = _seeing(sizes, time_s, atmosphere)
    count = len(run)
    covariance = np.stack([np.cov(centres[..., axis].T) for axis in (0, 1)])
    unit, shared = np.eye(count), (np.ones((count, count)) - np.eye(count)) / (count * (count - 1))
    wanted = np.concatenate([unit[:, :, None] * unit[:, None, :], [shared, unit / count - shared, unit / count]])
    values = _movements(wanted, noise, covariance, len(centres) - 1)
    groups = _groups(places)
    return FrameMotion(
        stars=Estimate(*(part[:count] for part in values)),
        together=Estimate(*(part[count] for part in values)),
        apart=Estimate(*(part[count + 1] for part in values)),
        distance=np.array([group[2] for group in groups]) * u.arcmin,
        alike=_alike(centres, groups, noise, values[0][count + 2].value ** 2, time_s),
        noise=estimate,
        seeing=seeing,
        turning=turning,
        atmosphere=at_airmass(_with_seeing(atmosphere, seeing.value), airmass),
        diameter=diameter,
        exposure=run.exposure,
    )


def _as_atmospheres(name, value):
    if not isinstance(value, dict) or not value:
        raise TypeError(f"{name}: expected a dictionary of Atmosphere by name, found {value!r:.60}")
    return {key: as_instance(name, air, Atmosphere) for key, air in value.items()}


@takes(run=instance(GuideRun), atmospheres=_as_atmospheres)
def seeing_by_layers(run, diameter, atmospheres, airmass=1):
    """The seeing that one run calls for under other assumptions on the layers.

    Parameters
    ----------
    run : GuideRun
    diameter : Quantity [length]
    atmospheres : dict of str to Atmosphere
    airmass : float

    Returns
    -------
    dict of str to Estimate
    """
    found = {}
    for name, atmosphere in atmospheres.items():
        centres, places, time_s, model = _prepared(run, diameter, atmosphere, airmass)
        _, centres = _turning(places, centres, run.time)
        found[name] = _seeing(_air_and_noise(run, centres, model)[0], time_s, atmosphere)
    return found


def _air_and_noise(run, centres, model):
    """Sizes of the air's movements apart over time (n,), the errors of measuring, and their factor's Estimate or None.

    Errors of measuring are fitted where the stars are enough, and differ enough, to tell them from air; else they are
    taken for the least possible.
    """
    least = run.errors.value**2
    if len(run) >= _FEWEST_FOR_NOISE:
        forms, _ = _fit(centres, model, run.errors.value, with_noise=True)
        factors = _over_time(forms[1], centres)
        error, freedom = _mean_error(factors, run.time.value)
        factor = float(factors.mean())
        if error < _TOLD_APART * factor:
            estimate = Estimate(*_interval(factor, error, freedom, 0.5))
            return _over_time(forms[0], centres), _Noise(least, factor, forms[1], error), estimate
    forms, off = _fit(centres, model, run.errors.value, with_noise=False)
    return _over_time(forms[0], centres) - off, _Noise(least), None


def _prepared(run, diameter, atmosphere, airmass):
    """Plain centres, places and times of a run, and the covariance (2, N, N) of the air assumed."""
    air = at_airmass(atmosphere, airmass)
    model = motion_covariance(run.places, diameter, air, run.exposure).value
    return run.centres.value, run.places.value, run.time.value, model


def _with_seeing(atmosphere, fwhm):
    return type(atmosphere)(fwhm, atmosphere.outer_scale, atmosphere.layers)
