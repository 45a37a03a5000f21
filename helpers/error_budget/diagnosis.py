"""Two logs of one night differ: which cause made the largest part, and what to measure next. Bayes' rule by simulation.

What the reader does not know is drawn from `Priors`; what a draw counts is how well it leads to the two rms values that
were measured. Seeing moves a log most and is least known, so it is drawn so that a draw fits, and the draw is weighted
for it (importance sampling: Robert & Casella, "Monte Carlo statistical methods", section 3.3). In a night, stars and
air are the same for both logs while faults are each log's own, so of each night several draws of either log are
tried, each of one with each of the other.

The part of a cause in a draw is the mean of what it takes off the squared rms when it alone is brought
from the first log's state to the second's, and when it alone is still missing: Shapley's value as long as no more
than two causes act together.
"""

from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from helpers.error_budget.cases import (
    CHANCES,
    HARDWARE,
    KNOWN_SEEING,
    Priors,
    balance,
    case_of,
    draw_common,
    draw_log,
    draw_seeing,
)
from helpers.error_budget.fitting import DRAWN, cut, effective_draws, fitted, logs, variance, weighted
from helpers.error_budget.terms import MODEL_ERROR
from helpers.shared.checks import as_instance, as_quantity, count, instance, number, optional, takes
from helpers.shared.limits import WEIGHED_DRAWS

CAUSES = (
    "stars used",
    "brightness of the stars",
    "camera fault",
    "read noise",
    "efficiency, near infrared",
    "efficiency, visible",
    "colour mosaic",
    "exposure",
    "focus",
    "seeing between the runs",
    "chance",
)
MEASUREMENTS = (
    "the star count of each log",
    "a camera check of both cameras",
    "star widths in main frames of both runs",
    "star widths on the guide camera in both runs",
    "one more turn of each camera",
    "the brightness of the stars of each log",
)
_FITS_HARDLY = 1e-6  # share of what was taken to be likely; below, no chance is worth stating
_OFTEN = 0.05  # a cause with this chance counts for the number of effective draws
_USUAL = Priors()
_UNKNOWN = 0.5  # below this no cause is named alone
_GROUPS = 20  # of nights, each left out in turn
_ABOUT_EQUAL = 2  # standard errors


@dataclass(frozen=True)
class Diagnosis:
    """What two logs say about their difference.

    Attributes
    ----------
    probabilities : dict of str to float
        For each of `CAUSES` the chance that it made the largest part of the change; they sum to 1.
    shares : dict of str to (low, median, high) Quantity [arcsec]
        Part of each cause in the measured change, where it lies in 95 of 100 cases that fit; positive where it makes
        the second log the smaller one.
    information : dict of str to float
        What each measurement would tell on the average about the largest cause, in bits.
    decides_most : str
        The measurement that would tell most.
    likeliest, tell_most : tuple of str
        The likeliest cause, and the measurement that would tell most, each with those that come so near that this
        sample can't tell which is first: by less than twice the standard error of the difference.
    sentence : str
    effective_draws : float
        Independent draws that would tell the chances as well; below some hundreds, take more.
    fits : float
        About the share of the cases taken to be likely beforehand that lead to both logs.
    seeing : dict of str to (low, median, high) Quantity [arcsec]
        Of the first log, "a", and of the second, "b": where it lies in 95 of 100 cases that fit.
    read_noise_with_fault : float
        Share, of the cases in which read noise made the largest part, in which either camera has a fault as well.
    faint_for_read_noise : float or None
        Gaia G of the first log's brightest star in the middle one of those without a fault; None where there are none.
    """

    probabilities: dict
    shares: dict
    information: dict
    decides_most: str
    likeliest: tuple
    tell_most: tuple
    sentence: str
    effective_draws: float
    fits: float
    seeing: dict
    read_noise_with_fault: float
    faint_for_read_noise: float | None


def _active(case, drawn):
    """Causes in which the two logs can differ at all."""
    names = []
    for name in CAUSES[:-1]:
        if name in HARDWARE:
            differs = ("a", name) in case.models
        else:
            key = DRAWN[name]
            differs = bool(np.any(drawn[f"{key}_a"] != drawn[f"{key}_b"]))
        if differs:
            names.append(name)
    return names


def _shares(case, drawn, change):
    """Part of each cause in the measured change (arcsec, one number or one a draw), for each draw: (causes, draws)."""
    before, after = (variance(case, drawn, side) for side in "ab")
    parts = np.zeros((len(CAUSES), before.size))
    for name in _active(case, drawn):
        alone = before - variance(case, drawn, "a", name)
        last = variance(case, drawn, "b", name) - after
        parts[CAUSES.index(name)] = (alone + last) / 2
    # what three and more causes do together goes to all, by their size
    missing = before - after - parts.sum(axis=0)
    size = np.abs(parts)
    parts += missing * size / np.maximum(size.sum(axis=0), 1e-12)
    parts /= np.sqrt(before) + np.sqrt(after)
    parts[-1] = change - (np.sqrt(before) - np.sqrt(after))
    return parts


def _largest(parts, change):
    """Index of the cause with the largest part in the direction of the change."""
    return np.argmax(parts * np.where(np.asarray(change) >= 0, 1, -1), axis=0)


def _outcomes(case, priors, drawn, measured, rng):
    """What each measurement would show in each draw, as whole numbers; measurements already made are left out."""
    draws, known = drawn["field"].size, case.known

    def pair(values, edges):
        first, second = (np.digitize(value, edges) for value in values)
        return first * (len(edges) + 1) + second

    def both(name):
        return [drawn[f"{name}_{side}"] for side in "ab"]

    found = {MEASUREMENTS[3]: pair(both("blur"), [0.5, 1.5])}
    if not {"stars_a", "stars_b"} <= known.keys():
        found[MEASUREMENTS[0]] = pair(both("number"), [1.5, 2.5, 4.5])
    if not {"read_noise_a", "read_noise_b"} <= known.keys():
        found[MEASUREMENTS[1]] = pair(both("factor"), [1.5, 3, 6])
    if not {"seeing_a", "seeing_b"} <= known.keys():
        ratio = np.log(drawn["seeing_b"] / drawn["seeing_a"]) + KNOWN_SEEING * rng.standard_normal(draws)
        found[MEASUREMENTS[2]] = np.digitize(ratio, np.arange(-0.25, 0.26, 0.05))
    if not {"brightest_a", "brightest_b"} <= known.keys():
        brightest = case.fields[drawn["field"], 0]
        fainter = np.digitize(drawn["shift_a"] - drawn["shift_b"], [-1.5, -0.5, 0.5, 1.5])
        found[MEASUREMENTS[5]] = 5 * np.digitize(brightest + drawn["shift_b"], [14, 15.5]) + fainter
    found[MEASUREMENTS[4]] = _next_turn(case, priors, drawn, measured, rng)
    return {name: found[name] for name in MEASUREMENTS if name in found}


def _next_turn(case, priors, drawn, measured, rng):
    """What one more turn of each camera would show: the ratio of its two logs, in steps of its own error."""
    errors = logs(measured)[1] * np.sqrt([case.known.get(f"turns_{side}", 1) for side in "ab"])
    later = dict(drawn)
    draws, later_logs, seeing = drawn["field"].size, [], drawn["seeing_b"]
    for side, error in zip("ab", errors, strict=True):
        seeing = seeing * np.exp(priors.drift * rng.standard_normal(draws))
        later[f"seeing_{side}"] = seeing
        later_logs.append(0.5 * np.log(variance(case, later, side)) + error * rng.standard_normal(draws))
    ratio = later_logs[0] - later_logs[1]
    return np.digitize((ratio - np.median(ratio)) / np.hypot(*errors), [-2, -1, 0, 1, 2])


def _information(cause, outcome, weight, effective):
    """Mutual information of two whole-number variables in bits, less its usual excess in a finite sample.

    Miller 1955, "Note on the bias of information estimates": (R - 1)(C - 1) / (2 n ln 2) bits.
    """
    columns = outcome.max() + 1
    joint = np.bincount(cause * columns + outcome, weights=weight, minlength=(cause.max() + 1) * columns)
    joint = joint.reshape(-1, columns)
    joint = joint[joint.any(axis=1)][:, joint.any(axis=0)]
    expected = np.outer(joint.sum(axis=1), joint.sum(axis=0))
    there = joint > 1e-12
    bits = np.sum(joint[there] * np.log2(joint[there] / expected[there]))
    return max(0.0, float(bits - (joint.shape[0] - 1) * (joint.shape[1] - 1) / (2 * effective * np.log(2))))


def _told(cause, outcomes, weight, night, effective):
    """Information of each measurement, and the names of those that tell about most; the first tells most.

    The error of a difference comes from leaving out a twentieth of the nights in turn (jackknife: Efron & Tibshirani
    1993, "An introduction to the bootstrap", chapter 11).
    """

    def of(kept, share):
        shares = weight[kept] / weight[kept].sum()
        return [_information(cause[kept], outcome[kept], shares, share * effective) for outcome in outcomes.values()]

    whole = np.array(of(np.ones(weight.size, bool), 1))
    rest = np.array([of(night % _GROUPS != group, 1 - 1 / _GROUPS) for group in range(_GROUPS)])
    behind = rest[:, [whole.argmax()]] - rest
    error = np.sqrt((_GROUPS - 1) * behind.var(axis=0))
    return dict(zip(outcomes, whole.tolist(), strict=True)), _about_first(list(outcomes), whole, error)


def _about_first(names, values, errors):
    """Names from the largest value on, as long as they are behind it by less than twice the error of the difference."""
    order = np.argsort(-values, kind="stable")
    near = values.max() - values < _ABOUT_EQUAL * errors
    return tuple(names[k] for k in order if k == order[0] or near[k])


def _likeliest(cause, probabilities, weight, night):
    """Names of the likeliest cause and of those that are about as likely.

    The error of a difference is that of a ratio in nights taken at random (Cochran 1977, as in `effective_draws`).
    """
    first = np.argmax(probabilities)
    errors = np.zeros(len(CAUSES))
    for k in range(len(CAUSES)):
        differs = (cause == first) * 1.0 - (cause == k) - (probabilities[first] - probabilities[k])
        errors[k] = np.sqrt(np.sum(np.bincount(night, weights=weight * differs) ** 2))
    return _about_first(CAUSES, probabilities, errors)


def _measured(name, value):
    plain = isinstance(value, (tuple, list)) or (isinstance(value, u.Quantity) and value.ndim == 1)
    if not plain or len(value) != 2:
        raise TypeError(f"{name}: expected a pair (rms, standard error), found {value!r:.60}")
    rms, error = value
    rms = as_quantity(f"{name}: rms", rms, u.arcsec, minimum=0.001, maximum=1000, ndim=0)
    error = as_quantity(f"{name}: standard error", error, u.arcsec, above=0, maximum=1000, ndim=0)
    return float(rms.value), float(error.value)


@takes(
    measured_a=_measured,
    measured_b=_measured,
    rng=optional(instance(np.random.Generator)),
    draws=count(minimum=500, maximum=WEIGHED_DRAWS),
    priors=instance(Priors),
)
def diagnose(measured_a, measured_b, known=None, rng=None, draws=20_000, *, priors=_USUAL):
    """Which cause made the difference between two logs of one night, and what to measure next.

    Parameters
    ----------
    measured_a, measured_b : (Quantity, Quantity) [angle]
        Total rms (both axes) of each log, and its standard error.
    known : dict, optional
        What the reader knows: see `KNOWN`.
    rng : numpy.random.Generator, optional
        Seeded with 0 if not given.
    draws : int
        500 to 200,000.
    priors : Priors, optional
        What is taken to be likely of all that is not known.

    Returns
    -------
    Diagnosis

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument; also when no case that the priors allow comes near the measured values.
    """
    rng = np.random.default_rng(0) if rng is None else rng
    case = case_of(known)
    return _diagnose(case, priors, (measured_a, measured_b), rng, draws)


def _diagnose(case, priors, measured, rng, draws):
    drawn, weight, night, fits = fitted(case, priors, measured, draws, rng)
    parts = _shares(case, drawn, measured[0][0] - measured[1][0])
    outcomes = _outcomes(case, priors, drawn, measured, rng)
    return _read(case, measured, drawn, weight, night, fits, parts, outcomes)


def _other_chances(name, value):
    if not isinstance(value, (tuple, list)):
        raise TypeError(f"{name}: expected a list of Priors, found {value!r:.60}")
    for priors in value:
        as_instance(f"{name}: each", priors, Priors)
        if replace(priors, **{chance: getattr(_USUAL, chance) for chance in CHANCES}) != _USUAL:
            raise ValueError(f"{name}: expected priors that differ from the usual ones in chances only, found {priors}")
    return tuple(value)


@takes(
    measured_a=_measured,
    measured_b=_measured,
    rng=optional(instance(np.random.Generator)),
    draws=count(minimum=500, maximum=WEIGHED_DRAWS),
    others=_other_chances,
)
def diagnose_anew(measured_a, measured_b, known=None, rng=None, draws=20_000, *, others):
    """The diagnosis as it is, and what it becomes when something else is taken to be likely.

    The cases that fit are drawn once, and count more or less under the other priors.

    Parameters
    ----------
    measured_a, measured_b, known, rng, draws
        As in `diagnose`.
    others : sequence of Priors
        They differ from the usual ones in chances only.

    Returns
    -------
    list of Diagnosis
        With the usual priors first, then one for each of `others`.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    rng = np.random.default_rng(0) if rng is None else rng
    case, measured = case_of(known), (measured_a, measured_b)
    drawn, weight, night, share = weighted(case, _USUAL, measured, draws, rng)
    parts = _shares(case, drawn, measured_a[0] - measured_b[0])
    outcomes = _outcomes(case, _USUAL, drawn, measured, rng)  # chances do not change what would be seen
    found = []
    for priors in (_USUAL, *others):
        ratio = 1.0
        for side in "ab":
            own = {name.removesuffix(f"_{side}"): value for name, value in drawn.items() if name.endswith(f"_{side}")}
            ratio = ratio * balance(case, priors, _USUAL, side, drawn["field"], own)
        again, total = cut(weight * ratio, measured)
        found.append(_read(case, measured, drawn, again, night, share * total, parts, outcomes))
    return found


def _read(case, measured, drawn, weight, night, fits, parts, outcomes):
    """What weighted cases say."""
    change = measured[0][0] - measured[1][0]
    cause = _largest(parts, change)
    probabilities = np.bincount(cause, weights=weight, minlength=len(CAUSES))
    effective = min(effective_draws(cause == k, weight, night) for k in np.flatnonzero(probabilities > _OFTEN))
    information, tell_most = _told(cause, outcomes, weight, night, effective)
    likeliest = _likeliest(cause, probabilities, weight, night)
    limits = [_middle(part, weight) * u.arcsec for part in parts]
    site = case.rigs[0].site.seeing.to(u.arcsec)
    with_fault, faint = _of_read_noise(case, drawn, weight, cause)
    return Diagnosis(
        probabilities={name: float(chance) for name, chance in zip(CAUSES, probabilities, strict=True)},
        shares={name: tuple(limit) for name, limit in zip(CAUSES, limits, strict=True)},
        information=information,
        decides_most=tell_most[0],
        likeliest=likeliest,
        tell_most=tell_most,
        sentence=_sentence(probabilities, limits, change, likeliest, tell_most, fits),
        effective_draws=effective,
        fits=fits,
        seeing={side: tuple(_middle(drawn[f"seeing_{side}"], weight) * site) for side in "ab"},
        read_noise_with_fault=with_fault,
        faint_for_read_noise=faint,
    )


def _of_read_noise(case, drawn, weight, cause):
    """How often a fault multiplies the read noise where that is the largest cause, and the stars where none does."""
    weight = weight * (cause == CAUSES.index("read noise"))
    healthy = weight * (drawn["factor_a"] == 1) * (drawn["factor_b"] == 1)
    if not healthy.sum() > 0:
        return float(weight.sum() > 0), None
    brightest = case.fields[drawn["field"], 0] + drawn["shift_a"]
    return float(1 - healthy.sum() / weight.sum()), float(_middle(brightest, healthy / healthy.sum())[1])


def _middle(values, weight):
    """Where weighted values lie in 95 of 100 cases, and their median: low, median, high."""
    order = np.argsort(values)
    return np.interp((0.025, 0.5, 0.975), np.cumsum(weight[order]), values[order])


def listed(words):
    """Such as "one, two and three"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def most_telling(names):
    """Measurements of `Diagnosis.tell_most` in words."""
    return listed(list(names)) + (" (about equally)" if len(names) > 1 else "")


def causes_that_fit(probabilities, likeliest, template="{} ({} in 100)"):
    """The likeliest causes with their chances, in words: all that are about as likely, two at least."""
    order = sorted(probabilities, key=lambda name: -probabilities[name])
    names = likeliest if len(likeliest) > 1 else order[:2]
    told = listed([template.format(name, round(100 * probabilities[name])) for name in names])
    return f"{told} {'both' if len(names) == 2 else 'all'} fit"


def _sentence(probabilities, limits, change, likeliest, tell_most, fits):
    order = np.argsort(probabilities, kind="stable")[::-1]
    first, second = (CAUSES[k] for k in order[:2])
    one, two = (round(100 * probabilities[k]) for k in order[:2])
    size = f"{abs(change):.2f} arcsec"
    if fits < _FITS_HARDLY:
        return (
            f"Hardly any of the cases that were taken to be likely explains {size} between these logs. Check what you "
            f"gave as known, then do this: {most_telling(tell_most)}."
        )
    if probabilities[order[0]] >= _UNKNOWN:
        part = abs(limits[order[0]][1].value)
        return (
            f"Of the {size} between the logs, {first} most likely made the largest part (chance {one} in 100), about "
            f"{part:.2f} arcsec; next comes {second} ({two} in 100)."
        )
    fit = causes_that_fit(dict(zip(CAUSES, probabilities, strict=True)), likeliest)
    return (
        f"Why the logs differ by {size} can't be told from these numbers: {fit}. What would tell most: "
        f"{most_telling(tell_most)}."
    )


@takes(
    rng=instance(np.random.Generator),
    number=count(minimum=1, maximum=100_000),
    priors=instance(Priors),
    relative_error=number(above=0, maximum=1),
)
def invented_nights(rng, number, known=None, priors=_USUAL, relative_error=0.04):
    """Nights drawn from the priors, of which the largest cause is known: to try `diagnose` on.

    Parameters
    ----------
    rng : numpy.random.Generator
    number : int
    known : dict, optional
        As in `diagnose`.
    priors : Priors
    relative_error : float
        Standard error of a measured rms over the rms.

    Returns
    -------
    measured : list of ((Quantity, Quantity), (Quantity, Quantity))
        As `diagnose` takes them.
    causes : list of str
    """
    case = case_of(known)
    measured, causes = _invent(case, priors, rng, number, relative_error)
    return [tuple((rms * u.arcsec, error * u.arcsec) for rms, error in pair) for pair in measured], causes


def _invent(case, priors, rng, number, relative_error):
    drawn = draw_common(case, rng, number)
    for side in "ab":
        own = draw_log(case, priors, side, drawn["field"], rng)
        drawn |= {f"{name}_{side}": value for name, value in own.items()}
    drawn["seeing_a"], drawn["seeing_b"] = draw_seeing(case, priors, rng, number)
    spread = np.hypot(relative_error, MODEL_ERROR)
    seen = [np.sqrt(variance(case, drawn, side)) * np.exp(spread * rng.standard_normal(number)) for side in "ab"]
    change = seen[0] - seen[1]
    causes = [CAUSES[k] for k in _largest(_shares(case, drawn, change), change)]
    pairs = [tuple((float(rms), float(relative_error * rms)) for rms in both) for both in zip(*seen, strict=True)]
    return pairs, causes
