"""Two logs of one night differ: which cause made the largest part, and what to measure next. Bayes' rule by simulation.

What the reader does not know is drawn from `Priors`. For each draw the log model tells both rms values; a draw counts
by how well it fits the two that were measured. Seeing moves a log most and is least known, so it is not drawn from
its prior but so that the draw fits, and the draw is weighted for it (importance sampling: Robert & Casella, "Monte
Carlo statistical methods", section 3.3).

The part of a cause in a draw is the mean of what it takes off the squared rms when it alone is brought from the first
log's state to the second's, and when it alone is still missing: Shapley's value as long as no more than two causes
act together.
"""

from dataclasses import dataclass, fields, replace
from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers.error_budget import nights
from helpers.error_budget.causes import mixed
from helpers.error_budget.log_model import READ_NOISES, LogModel
from helpers.error_budget.terms import MODEL_ERROR, USABLE_ERROR, evaluate
from helpers.guide_field.stars import drawn_magnitudes
from helpers.rig.demo import demo_rig
from helpers.rig.parts import Rig
from helpers.shared.checks import as_count, as_instance, as_number, as_quantity, count, instance, optional, takes

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
KNOWN = {
    "rig_a": "Rig of the first log; the demo club rig with camera A if not given",
    "rig_b": "Rig of the second log; the same with camera B",
    "exposure_a": "guide exposure of the first log; the rig's own if not given",
    "exposure_b": "of the second log",
    "seeing_a": "seeing at 500 nm and zenith during the first log (such as from main frames)",
    "seeing_b": "during the second log",
    "stars_a": "number of guide stars the first log used",
    "stars_b": "the second log",
    "brightest_a": "Gaia G of the brightest star the first log used",
    "brightest_b": "the second log",
    "read_noise_a": "read noise of the first camera as measured",
    "read_noise_b": "of the second camera",
}
MEASUREMENTS = (
    "the star count of each log",
    "a camera check of both cameras",
    "star widths in main frames of both runs",
    "star widths on the guide camera in both runs",
    "one more turn of each camera",
)
_HARDWARE = {
    "efficiency, near infrared": ("guide_camera.quantum_efficiency_850",),
    "efficiency, visible": ("guide_camera.peak_quantum_efficiency",),
    "colour mosaic": ("guide_camera.mosaic",),
    "exposure": ("guiding.exposure",),
}
_CAMERA = {
    "name",
    "mosaic",
    "read_noise",
    "peak_quantum_efficiency",
    "quantum_efficiency_850",
    "dark_current",
    "full_well",
}
_SEEING_STEPS = np.geomspace(
    0.3, 3.3, 7
)  # over the site's own, where a log's rms is computed to find the seeing that fits
_KNOWN_SEEING = 0.03  # spread of the logarithm of a seeing that was measured
_WIDER = 1.4  # of the proposal, over the error of the measured rms
_FIELDS, _MOST_STARS = 100, 8  # star fields, and stars of each; fainter ones weigh next to nothing
_OFTEN = 0.35  # share of draws at least that have a rare fault, other stars or poor focus
_NEGLIGIBLE = 1e-8  # of all weight: draws with less can change no answer
_FEW = 30  # effective draws; below, no chance is worth stating
_UNKNOWN = 0.5  # below this no cause is named alone


@dataclass(frozen=True)
class Priors:
    """What is taken to be likely before the logs are looked at: choices made here, no source.

    Attributes
    ----------
    seeing, drift : float
        Spread of the logarithm of the seeing about the site's own, and of its change from one run to the other.
    fewer_stars : float
        Chance that a log used fewer stars than the sky offers (any number from one up is then as likely).
    other_stars, brightness : float
        Chance that a log used other stars than the brightest, and the spread of their brightness [mag].
    out_of_focus, defocus : float
        Chance that a guide camera is out of focus, and by how much that widens a star in quadrature [arcsec,
        half-normal].
    fault, fault_least, fault_most : float
        Chance that a camera has a fault that raises its read noise, and the factors between which it lies (as likely in
        each octave).
    """

    seeing: float = 0.25
    drift: float = 0.10
    fewer_stars: float = 0.3
    other_stars: float = 0.3
    brightness: float = 1.0
    out_of_focus: float = 0.25
    defocus: float = 1.5
    fault: float = 0.15
    fault_least: float = 2.0
    fault_most: float = 10.0

    def __post_init__(self):
        for each in fields(self):
            limits = {"minimum": 0, "maximum": 1} if each.name in _CHANCES else {"above": 0, "maximum": 100}
            object.__setattr__(self, each.name, as_number(each.name, getattr(self, each.name), **limits))


_CHANCES = ("fewer_stars", "other_stars", "out_of_focus", "fault")


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
    sentence : str
    effective_draws : float
        Draws that the answer rests on; below some hundreds, take more.
    """

    probabilities: dict
    shares: dict
    information: dict
    decides_most: str
    sentence: str
    effective_draws: float


@dataclass(frozen=True)
class _Case:
    """Both rigs, what is known, and the log models that draws need."""

    rigs: tuple
    known: dict
    models: dict
    fields: np.ndarray
    available: np.ndarray


def _checked_known(known):
    known = dict(known or {})
    for name in known:
        if name not in KNOWN:
            raise ValueError(f"known: expected names among {', '.join(KNOWN)}, found {name!r:.60}")
    rules = {
        "rig": lambda name, value: as_instance(name, value, Rig),
        "exposure": lambda name, value: as_quantity(name, value, u.s, minimum=0.01, maximum=600, ndim=0),
        "seeing": lambda name, value: as_quantity(name, value, u.arcsec, minimum=0.1, maximum=20, ndim=0),
        "stars": lambda name, value: as_count(name, value, minimum=1, maximum=1000),
        "brightest": lambda name, value: as_number(name, value, minimum=-5, maximum=25),
        "read_noise": lambda name, value: as_quantity(name, value, u.electron, minimum=0, maximum=1000, ndim=0),
    }
    return {name: rules[name[:-2]](f"known: {name}", value) for name, value in known.items()}


def _rigs(known):
    rigs = []
    for side, camera in zip("ab", "AB", strict=True):
        rig = known.get(f"rig_{side}", demo_rig("club", camera))
        if f"exposure_{side}" in known:
            rig = replace(rig, guiding=replace(rig.guiding, exposure=known[f"exposure_{side}"]))
        rigs.append(rig)
    first, second = rigs
    for section in ("telescope", "guide_optics", "mount", "site"):
        if getattr(first, section) != getattr(second, section):
            raise ValueError(f"known: rig_b: expected the {section} of rig_a, for two cameras of one night")
    for each in fields(first.guide_camera):
        if each.name not in _CAMERA and getattr(first.guide_camera, each.name) != getattr(
            second.guide_camera, each.name
        ):
            raise ValueError(f"known: rig_b: expected guide_camera.{each.name} of rig_a, found another")
    return tuple(rigs)


def _case(known):
    return _remembered_case(tuple(sorted(_checked_known(known).items())))


@lru_cache(maxsize=8)
def _remembered_case(items):
    known = dict(items)
    rigs = _rigs(known)
    budgets = [evaluate(rig) for rig in rigs]
    models = {side: LogModel(rig, budget, READ_NOISES) for side, rig, budget in zip("ab", rigs, budgets, strict=True)}
    for name, keys in _HARDWARE.items():
        for side, own, other in (("a", rigs[0], rigs[1]), ("b", rigs[1], rigs[0])):
            rig = mixed(own, other, keys)
            if rig != own:
                models[side, name] = LogModel(rig, evaluate(rig), READ_NOISES)
    stars = drawn_magnitudes(rigs[0], budgets[0].target, np.random.default_rng(0), _FIELDS)[:, :_MOST_STARS]
    each = [models["a"].noise(np.ones(_FIELDS), stars[:, k : k + 1])[0] for k in range(_MOST_STARS)]
    available = np.maximum(np.sum(np.array(each) <= USABLE_ERROR.value, axis=0), 1)
    return _Case(rigs, known, models, stars, available)


def _flags(rng, draws, chance, often):
    """True with this chance, and the weight of each draw; rare ones are drawn `often` and count for less."""
    proposed = chance if chance in (0.0, 1.0) else max(chance, often)
    flags = rng.random(draws) < proposed
    weights = np.where(
        flags, chance / proposed if proposed else 1.0, (1 - chance) / (1 - proposed) if proposed < 1 else 1.0
    )
    return flags, weights


def _draw(case, priors, rng, draws, often=0.0):
    """What each draw holds besides the seeing: arrays by name, with a side "a" or "b" where the logs may differ.

    What is rare (faults, other stars, poor focus) is drawn at least this `often`; "weight" makes up for it.
    """
    field = rng.integers(_FIELDS, size=draws)
    drawn = {
        "field": field,
        "state": rng.integers(nights.STATES, size=draws),
        "worm": np.exp(nights.SPREADS["mount.periodic_error"] * rng.standard_normal(draws)),
        "drift": np.exp(nights.SPREADS["mount.polar_error"] * rng.standard_normal(draws)),
        "weight": np.ones(draws),
    }
    for side, rig in zip("ab", case.rigs, strict=True):
        most = np.minimum(case.available[field], rig.guiding.stars)
        chances = (priors.fewer_stars, priors.other_stars, priors.fault, priors.out_of_focus)
        drawn_flags = [_flags(rng, draws, chance, often) for chance in chances]
        fewer, others, faulty, blurred = (flags for flags, _ in drawn_flags)
        drawn["weight"] = drawn["weight"] * np.prod([weights for _, weights in drawn_flags], axis=0)
        number = np.where(fewer, 1 + np.floor(rng.random(draws) * most).astype(int), most)
        shift = np.where(others, priors.brightness * rng.standard_normal(draws), 0.0)
        octaves = np.log([priors.fault_least, priors.fault_most])
        factor = np.where(faulty, np.exp(rng.uniform(*octaves, size=draws)), 1.0)
        blur = np.abs(priors.defocus * rng.standard_normal(draws)) * blurred
        known = case.known
        if f"stars_{side}" in known:
            number = np.full(draws, known[f"stars_{side}"])
        if f"brightest_{side}" in known:
            shift = known[f"brightest_{side}"] - case.fields[field, 0]
        if f"read_noise_{side}" in known:
            own = max(rig.guide_camera.read_noise.value, 0.1)
            factor = np.full(draws, max(known[f"read_noise_{side}"].value / own, 1.0))
        drawn |= {f"number_{side}": number, f"shift_{side}": shift, f"factor_{side}": factor, f"blur_{side}": blur}
    return drawn


# Which of the drawn values, and which of the models, a cause takes from the other log.
_DRAWN = {
    "stars used": "number",
    "brightness of the stars": "shift",
    "camera fault": "factor",
    "focus": "blur",
    "seeing between the runs": "seeing",
    "read noise": "read_noise",
}


def _variance(case, drawn, side, changed=None):
    """Squared rms of a log in each draw; `changed` names the cause that comes from the other log."""
    other = "b" if side == "a" else "a"

    def value(name):
        return drawn[f"{name}_{other if _DRAWN.get(changed) == name else side}"]

    model = case.models.get((side, changed), case.models[side])
    magnitudes = case.fields[drawn["field"]] + value("shift")[:, None]
    found = model.rms(
        value("seeing"),
        drawn["state"],
        magnitudes,
        worm=drawn["worm"],
        drift=drawn["drift"],
        read_noise=value("read_noise") * value("factor"),
        blur=value("blur"),
        most=value("number"),
    )
    return found**2


def _read_noises(case, draws):
    return {
        f"read_noise_{side}": np.full(draws, max(rig.guide_camera.read_noise.value, 0.1))
        for side, rig in zip("ab", case.rigs, strict=True)
    }


class _SeeingCurve:
    """A log's rms against the seeing, for each draw: a table, and straight lines between logarithms."""

    def __init__(self, case, drawn, side):
        draws = drawn["field"].size
        logs = [
            0.5 * np.log(_variance(case, drawn | {f"seeing_{side}": np.full(draws, step)}, side))
            for step in _SEEING_STEPS
        ]
        # a star that is lost in poor seeing moves no more with it: a slope that is never 0 keeps the curve invertible
        self._logs = np.maximum.accumulate(np.array(logs), axis=0) + 1e-4 * np.arange(len(logs))[:, None]
        self._steps = np.log(_SEEING_STEPS)
        self._every = np.arange(draws)

    def _between(self, index):
        index = np.clip(index, 0, len(self._steps) - 2)
        low, high = self._logs[index, self._every], self._logs[index + 1, self._every]
        return index, low, (high - low) / (self._steps[index + 1] - self._steps[index])

    def seeing(self, rms):
        """Seeing factor at which the log has this rms; NaN where none of the table has."""
        wanted = np.log(rms)
        index, low, slope = self._between((self._logs < wanted).sum(axis=0) - 1)
        found = self._steps[index] + (wanted - low) / slope
        inside = (found >= self._steps[0]) & (found <= self._steps[-1])
        return np.where(inside, np.exp(np.where(inside, found, 0.0)), np.nan)

    def rms(self, seeing):
        """The rms at a seeing factor, and d ln(rms) / d ln(seeing)."""
        index, low, slope = self._between(np.searchsorted(self._steps, np.log(seeing)) - 1)
        return np.exp(low + slope * (np.log(seeing) - self._steps[index])), slope

    def holds(self, seeing):
        """True where the table reaches."""
        return (np.log(seeing) >= self._steps[0]) & (np.log(seeing) <= self._steps[-1])


def _gauss(value, spread):
    return np.exp(-0.5 * (value / spread) ** 2) / spread


def _seeing_law(case, priors, side, first=None):
    """Mean and spread of the logarithm of a seeing factor, of the first log's or, after it, of the second's."""
    site = case.rigs[0].site.seeing
    laws = [(0.0, priors.seeing)] if side == "a" else [(np.log(first), priors.drift)]
    for name, value in case.known.items():
        if name == f"seeing_{side}":
            laws.append((np.log(float(value / site)), _KNOWN_SEEING))
        elif name == "seeing_b" and side == "a":
            laws.append((np.log(float(value / site)), np.hypot(_KNOWN_SEEING, priors.drift)))
    precision = sum(spread**-2 for _, spread in laws)
    return sum(mean * spread**-2 for mean, spread in laws) / precision, precision**-0.5


def _seeing_prior(case, priors, first, second):
    """Density of both seeing factors, as logarithms."""
    site = case.rigs[0].site.seeing
    density = _gauss(np.log(first), priors.seeing) * _gauss(np.log(second / first), priors.drift)
    for name, value in (("seeing_a", first), ("seeing_b", second)):
        if name in case.known:
            density = density * _gauss(np.log(value / float(case.known[name] / site)), _KNOWN_SEEING)
    return density


def _condition(case, priors, drawn, measured, rng):
    """Give each draw a seeing for both logs, and a weight; `measured`: (rms, error) of both, plain.

    Half of the draws take a seeing that fits the log, half one from the prior; both kinds are weighted by the density
    of the mixture, so that no draw gets a weight out of all proportion.
    """
    draws = drawn["field"].size
    drawn = drawn | _read_noises(case, draws)
    weight = drawn["weight"].copy()
    for side, (rms, error) in zip("ab", measured, strict=True):
        error = np.hypot(error, MODEL_ERROR * rms)
        mean, spread = _seeing_law(case, priors, side, drawn.get("seeing_a"))
        wanted = np.maximum(rms + _WIDER * error * rng.standard_normal(draws), 0.05 * rms)
        curve = _SeeingCurve(case, drawn, side)
        fitting = curve.seeing(wanted)
        plain = np.exp(mean + spread * rng.standard_normal(draws))
        seeing = np.where((rng.random(draws) < 0.5) & np.isfinite(fitting), fitting, plain)
        there, slope = curve.rms(seeing)
        fits = np.where(curve.holds(seeing), _gauss(there - rms, _WIDER * error) * there * slope, 0.0)
        weight *= _gauss(there - rms, error) / (0.5 * fits + 0.5 * _gauss(np.log(seeing) - mean, spread))
        drawn[f"seeing_{side}"] = seeing
    weight *= _seeing_prior(case, priors, drawn["seeing_a"], drawn["seeing_b"])
    return drawn, weight


def _active(case, drawn):
    """Causes in which the two logs can differ at all."""
    names = []
    for name in CAUSES[:-1]:
        if name in _HARDWARE:
            differs = ("a", name) in case.models
        else:
            key = _DRAWN[name]
            differs = bool(np.any(drawn[f"{key}_a"] != drawn[f"{key}_b"]))
        if differs:
            names.append(name)
    return names


def _shares(case, drawn, change):
    """Part of each cause in the measured change `change` (arcsec), for each draw: array (causes, draws)."""
    before, after = (_variance(case, drawn, side) for side in "ab")
    parts = np.zeros((len(CAUSES), before.size))
    for name in _active(case, drawn):
        alone = before - _variance(case, drawn, "a", name)
        last = _variance(case, drawn, "b", name) - after
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
    return np.argmax(parts * (1 if change >= 0 else -1), axis=0)


def _outcomes(case, drawn, parts, error, rng):
    """What each measurement would show in each draw, as whole numbers; measurements already made are left out."""
    draws = drawn["field"].size
    known = case.known

    def pair(name, edges):
        first, second = (np.digitize(drawn[f"{name}_{side}"], edges) for side in "ab")
        return first * (len(edges) + 1) + second

    found = {}
    if not {"stars_a", "stars_b"} <= known.keys():
        found[MEASUREMENTS[0]] = pair("number", [1.5, 2.5, 4.5])
    if not {"read_noise_a", "read_noise_b"} <= known.keys():
        found[MEASUREMENTS[1]] = pair("factor", [1.5, 3, 6])
    if not {"seeing_a", "seeing_b"} <= known.keys():
        ratio = np.log(drawn["seeing_b"] / drawn["seeing_a"]) + 0.03 * rng.standard_normal(draws)
        found[MEASUREMENTS[2]] = np.digitize(ratio, np.arange(-0.25, 0.26, 0.05))
    found[MEASUREMENTS[3]] = pair("blur", [0.5, 1.5])
    found[MEASUREMENTS[4]] = np.digitize(
        parts[-1] + error * rng.standard_normal(draws), error * np.array([-2, -1, 0, 1, 2])
    )
    return found


def _information(cause, outcome, weight, effective):
    """Mutual information of two whole-number variables in bits, less its usual excess in a finite sample.

    Miller 1955, "Note on the bias of information estimates": (R - 1)(C - 1) / (2 n ln 2) bits.
    """
    rows, columns = (np.unique(part, return_inverse=True) for part in (cause, outcome))
    joint = np.zeros((len(rows[0]), len(columns[0])))
    np.add.at(joint, (rows[1], columns[1]), weight)
    joint /= joint.sum()
    joint = joint[joint.sum(axis=1) > 0][:, joint.sum(axis=0) > 0]
    expected = np.outer(joint.sum(axis=1), joint.sum(axis=0))
    there = joint > 1e-12
    bits = np.sum(joint[there] * np.log2(joint[there] / expected[there]))
    return max(0.0, float(bits - (joint.shape[0] - 1) * (joint.shape[1] - 1) / (2 * effective * np.log(2))))


def _measured(name, value):
    try:
        rms, error = value
    except (TypeError, ValueError) as problem:
        raise TypeError(f"{name}: expected a pair (rms, standard error), found {value!r:.60}") from problem
    rms = as_quantity(f"{name}: rms", rms, u.arcsec, minimum=0.001, maximum=1000, ndim=0)
    error = as_quantity(f"{name}: standard error", error, u.arcsec, above=0, maximum=1000, ndim=0)
    return float(rms.value), float(error.value)


@takes(
    measured_a=_measured,
    measured_b=_measured,
    rng=optional(instance(np.random.Generator)),
    draws=count(minimum=500, maximum=1_000_000),
    priors=instance(Priors),
)
def diagnose(measured_a, measured_b, known=None, rng=None, draws=20_000, *, priors=Priors()):
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
    case = _case(known)
    return _diagnose(case, priors, (measured_a, measured_b), rng, draws)


def _diagnose(case, priors, measured, rng, draws):
    drawn, weight = _condition(case, priors, _draw(case, priors, rng, draws, _OFTEN), measured, rng)
    if not weight.sum() > 0:
        raise ValueError(
            f"measured_a, measured_b: expected values that this rig can log, found {measured[0][0]:g} and "
            f"{measured[1][0]:g} arcsec"
        )
    counts = weight > _NEGLIGIBLE * weight.sum()
    drawn = {name: value[counts] for name, value in drawn.items()}
    weight = weight[counts] / weight[counts].sum()
    effective = 1 / np.sum(weight**2)
    change = measured[0][0] - measured[1][0]
    parts = _shares(case, drawn, change)
    cause = _largest(parts, change)
    probabilities = np.bincount(cause, weights=weight, minlength=len(CAUSES))
    outcomes = _outcomes(case, drawn, parts, np.hypot(measured[0][1], measured[1][1]), rng)
    information = {name: _information(cause, found, weight, effective) for name, found in outcomes.items()}
    decides = max(information, key=information.get)
    limits = [_weighted_quantiles(part, weight, (0.025, 0.5, 0.975)) * u.arcsec for part in parts]
    return Diagnosis(
        probabilities={name: float(chance) for name, chance in zip(CAUSES, probabilities, strict=True)},
        shares={name: tuple(limit) for name, limit in zip(CAUSES, limits, strict=True)},
        information=information,
        decides_most=decides,
        sentence=_sentence(probabilities, limits, change, decides, effective),
        effective_draws=float(effective),
    )


def _weighted_quantiles(values, weight, shares):
    order = np.argsort(values)
    return np.interp(shares, np.cumsum(weight[order]), values[order])


def _sentence(probabilities, limits, change, decides, effective):
    order = np.argsort(probabilities, kind="stable")[::-1]
    first, second = (CAUSES[k] for k in order[:2])
    one, two = (round(100 * probabilities[k]) for k in order[:2])
    size = f"{abs(change):.2f} arcsec"
    if effective < _FEW:
        return (
            f"Hardly any of the cases that were taken to be likely explains {size} between these logs. Check what you "
            f"gave as known, then do this: {decides}."
        )
    if probabilities[order[0]] >= _UNKNOWN:
        part = abs(limits[order[0]][1].value)
        return (
            f"Of the {size} between the logs, {first} most likely made the largest part (chance {one} in 100), about "
            f"{part:.2f} arcsec; next comes {second} ({two} in 100)."
        )
    return (
        f"Why the logs differ by {size} can't be told from these numbers: {first} ({one} in 100) and {second} "
        f"({two} in 100) both fit. Do this next: {decides}."
    )


def invented_nights(rng, number, known=None, priors=Priors(), relative_error=0.04):
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
    case = _case(known)
    measured, causes = _invent(case, priors, as_instance("rng", rng, np.random.Generator), number, relative_error)
    return [tuple((rms * u.arcsec, error * u.arcsec) for rms, error in pair) for pair in measured], causes


def _invent(case, priors, rng, number, relative_error):
    drawn = _draw(case, priors, rng, number) | _read_noises(case, number)
    drawn["seeing_a"], drawn["seeing_b"] = _drawn_seeing(case, priors, rng, number)
    true = [np.sqrt(_variance(case, drawn, side)) for side in "ab"]
    seen = [rms * (1 + MODEL_ERROR * rng.standard_normal(number)) for rms in true]
    seen = [rms * (1 + relative_error * rng.standard_normal(number)) for rms in seen]
    errors = [relative_error * rms for rms in seen]
    causes = []
    for k in range(number):
        change = seen[0][k] - seen[1][k]
        one = {name: np.asarray(value)[k : k + 1] for name, value in drawn.items()}
        causes.append(CAUSES[int(_largest(_shares(case, one, change), change)[0])])
    pairs = [tuple((float(seen[i][k]), float(errors[i][k])) for i in (0, 1)) for k in range(number)]
    return pairs, causes


def _drawn_seeing(case, priors, rng, number):
    site = case.rigs[0].site.seeing
    first = np.exp(priors.seeing * rng.standard_normal(number))
    if "seeing_a" in case.known:
        first = float(case.known["seeing_a"] / site) * np.exp(_KNOWN_SEEING * rng.standard_normal(number))
    second = first * np.exp(priors.drift * rng.standard_normal(number))
    if "seeing_b" in case.known:
        second = float(case.known["seeing_b"] / site) * np.exp(_KNOWN_SEEING * rng.standard_normal(number))
    return first, second
