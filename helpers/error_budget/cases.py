"""What two logs of one night may have had: what is known, what is taken to be likely of the rest, and draws of both."""

from dataclasses import dataclass, fields, replace
from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers.error_budget import nights
from helpers.error_budget.causes import FACTORS, mixed
from helpers.error_budget.log_model import READ_NOISES, LogModel, NoiseTable
from helpers.error_budget.terms import evaluate
from helpers.guide_field.stars import drawn_magnitudes
from helpers.guide_field.usable import USABLE_ERROR
from helpers.rig.demo import demo_rig
from helpers.rig.parts import Rig
from helpers.shared.checks import as_count, as_instance, as_number, as_quantity

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
    "turns_a": "turns of the first camera, taken alternately with those of the second; one if not given",
    "turns_b": "of the second camera",
}
# Causes that are the cameras' or the settings' own: what they are made of.
HARDWARE = {
    name: FACTORS[name] for name in ("efficiency, near infrared", "efficiency, visible", "colour mosaic", "exposure")
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
KNOWN_SEEING = 0.03  # spread of the logarithm of a seeing that was measured
_FIELDS, _MOST_STARS = 100, 8  # star fields, and stars of each; fainter ones weigh next to nothing
_SHIFT_STEP = 1 / 3  # mag, as the tables of errors have
_LEAST_NOISE = 0.1  # electrons


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
            limits = {"minimum": 0, "maximum": 1} if each.name in CHANCES else {"above": 0, "maximum": 100}
            object.__setattr__(self, each.name, as_number(each.name, getattr(self, each.name), **limits))


CHANCES = ("fewer_stars", "other_stars", "out_of_focus", "fault")


def _checked_known(known):
    if known is not None and not isinstance(known, dict):
        raise TypeError(f"known: expected a dictionary of what is known, found {type(known).__name__} {known!r:.60}")
    known = dict(known or {})
    for name in known:
        if name not in KNOWN:
            raise ValueError(f"known: expected names among {', '.join(KNOWN)}, found {name!r:.60}")
    rules = {
        "rig": lambda name, value: as_instance(name, value, Rig),
        "exposure": lambda name, value: as_quantity(name, value, u.s, minimum=0.01, maximum=600, ndim=0),
        "seeing": lambda name, value: as_quantity(name, value, u.arcsec, minimum=0.1, maximum=20, ndim=0),
        "turns": lambda name, value: as_count(name, value, minimum=1, maximum=1000),
        "stars": lambda name, value: as_count(name, value, minimum=1, maximum=1000),
        "brightest": lambda name, value: as_number(name, value, minimum=-5, maximum=25),
        "read_noise": lambda name, value: as_quantity(name, value, u.electron, minimum=0, maximum=1000, ndim=0),
    }
    return {name: rules[name[:-2]](f"known: {name}", value) for name, value in known.items()}


def _rigs_of(known):
    """Both rigs as far as they are known; ValueError where they differ in more than the camera."""
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


@dataclass(frozen=True)
class Case:
    """Both rigs, what is known, and what all draws need.

    Attributes
    ----------
    rigs : tuple of two Rig
    known : dict
    models : dict
        LogModel of each side, "a" and "b", and of a side with a cause of `HARDWARE` taken from the other.
    fields : array, shape (F, N)
        Magnitudes of star fields, brightest star first.
    available : int array, shape (F,)
        Usable stars in each.
    tables : dict
        NoiseTable of each side.
    """

    rigs: tuple
    known: dict
    models: dict
    fields: np.ndarray
    available: np.ndarray
    tables: dict


def case_of(known):
    """The case of what a reader knows; `known` as in `diagnosis.diagnose`."""
    return _remembered_case(tuple(sorted(_checked_known(known).items())))


@lru_cache(maxsize=8)
def _remembered_case(items):
    known = dict(items)
    rigs = _rigs_of(known)
    budgets = [evaluate(rig) for rig in rigs]
    models = {side: LogModel(rig, budget, READ_NOISES) for side, rig, budget in zip("ab", rigs, budgets, strict=True)}
    for name, keys in HARDWARE.items():
        for side, own, other in (("a", rigs[0], rigs[1]), ("b", rigs[1], rigs[0])):
            rig = mixed(own, other, keys)
            if rig != own:
                models[side, name] = LogModel(rig, evaluate(rig), READ_NOISES)
    stars = drawn_magnitudes(rigs[0], budgets[0].target, np.random.default_rng(0), _FIELDS)[:, :_MOST_STARS]
    each = [models["a"].noise(np.ones(_FIELDS), stars[:, k : k + 1])[0] for k in range(_MOST_STARS)]
    available = np.maximum(np.sum(np.array(each) <= USABLE_ERROR.value, axis=0), 1)
    case = Case(rigs, known, models, stars, available, {})
    case.tables.update({side: _table(case, side) for side in "ab"})
    return case


def _table(case, side):
    """Noise of the stars of all fields; of those no fainter or brighter than `draw_log` will ask for."""
    shifts = np.arange(-4, 4 + _SHIFT_STEP, _SHIFT_STEP)
    if f"brightest_{side}" in case.known:
        shift = case.known[f"brightest_{side}"] - case.fields[:, 0]
        shifts = np.arange(shift.min(), shift.max() + 2 * _SHIFT_STEP, _SHIFT_STEP)
    most = int(most_stars(case, side, np.arange(len(case.fields))).max())
    numbers = [case.known[f"stars_{side}"]] if f"stars_{side}" in case.known else range(1, most + 1)
    return NoiseTable(case.models[side], case.fields, shifts, numbers)


def draw_common(case, rng, draws):
    """What both logs of a night share: dict of arrays (draws,).

    "field" and "state" of the air (indices), "worm" and "drift" of the mount (factors).
    """
    return {
        "field": rng.integers(len(case.fields), size=draws),
        "state": rng.integers(nights.STATES, size=draws),
        "worm": np.exp(nights.SPREADS["mount.periodic_error"] * rng.standard_normal(draws)),
        "drift": np.exp(nights.SPREADS["mount.polar_error"] * rng.standard_normal(draws)),
    }


def draw_log(case, priors, side, field, rng):
    """What one log had of its own, in each star field: dict of arrays.

    "number" of stars, "shift" of their brightness [mag], "read_noise" [electron] and the "factor" on it by a fault,
    "blur" out of focus [arcsec].
    """
    draws, known, most = len(field), case.known, most_stars(case, side, field)
    own = max(float(_rig(case, side).guide_camera.read_noise.value), _LEAST_NOISE)

    def rarely(chance, value, usual):
        return np.where(rng.random(draws) < chance, value, usual)

    octaves = rng.uniform(*np.log([priors.fault_least, priors.fault_most]), size=draws)
    drawn = {
        "number": rarely(priors.fewer_stars, 1 + (rng.random(draws) * most).astype(int), most),
        "shift": rarely(priors.other_stars, priors.brightness * rng.standard_normal(draws), 0.0),
        "factor": rarely(priors.fault, np.exp(octaves), 1.0),
        "blur": rarely(priors.out_of_focus, priors.defocus * np.abs(rng.standard_normal(draws)), 0.0),
        "read_noise": np.full(draws, own),
    }
    if f"stars_{side}" in known:
        drawn["number"] = np.full(draws, known[f"stars_{side}"])
    if f"brightest_{side}" in known:
        drawn["shift"] = known[f"brightest_{side}"] - case.fields[field, 0]
    if f"read_noise_{side}" in known:
        drawn["factor"] = np.full(draws, max(float(known[f"read_noise_{side}"].value) / own, 1.0))
    return drawn


def _rig(case, side):
    return case.rigs["ab".index(side)]


def most_stars(case, side, field):
    """Stars that a log can use in each field; int array."""
    return np.minimum(case.available[field], _rig(case, side).guiding.stars)


def oftener(priors, least):
    """Priors under which what is rare comes at least this often."""
    raised = {name: max(getattr(priors, name), least) for name in CHANCES if 0 < getattr(priors, name) < 1}
    return replace(priors, **raised)


def balance(case, priors, others, side, field, drawn):
    """How much likelier each draw of a log is under `priors` than under `others` that differ in chances; array."""
    weight = np.ones(len(field))
    for name, key, usual in (("other_stars", "shift", 0.0), ("fault", "factor", 1.0), ("out_of_focus", "blur", 0.0)):
        if f"{_KNOWN_AS.get(key)}_{side}" not in case.known:
            chance, other = getattr(priors, name), getattr(others, name)
            rare, common = (chance / other if other else 1.0), ((1 - chance) / (1 - other) if other < 1 else 1.0)
            weight *= np.where(drawn[key] != usual, rare, common)
    if f"stars_{side}" not in case.known:
        most = most_stars(case, side, field)
        chance, other = (
            each.fewer_stars / most + np.where(drawn["number"] == most, 1 - each.fewer_stars, 0.0)
            for each in (priors, others)
        )
        weight *= np.divide(chance, other, out=np.ones_like(weight), where=other > 0)
    return weight


_KNOWN_AS = {"shift": "brightest", "factor": "read_noise"}


def seeing_law(case, priors, side, first=None):
    """Mean and spread of the logarithm of a log's seeing over the site's own: normal laws.

    Parameters
    ----------
    case : Case
    priors : Priors
    side : str
        "a" or "b".
    first : array, optional
        Logarithm of the first log's; without it the law of the second log holds for any first one.

    Returns
    -------
    mean, spread : float or array
        Of what is likely beforehand, and of what was measured where it was.
    """
    # cameras that take turns see the same sky on the average: of a steady change and of a wandering one 1 / turns stays
    drift = priors.drift / min(case.known.get("turns_a", 1), case.known.get("turns_b", 1))
    site = case.rigs[0].site.seeing
    measured = {each: np.log(float(case.known[f"seeing_{each}"] / site)) for each in "ab" if _seen(case, each)}
    laws = {"a": [(0.0, priors.seeing)], "b": [(0.0, np.hypot(priors.seeing, drift))]}[side]
    if first is not None:
        laws = [(first, drift)]
    if side in measured:
        laws.append((measured[side], KNOWN_SEEING))
    other = "b" if side == "a" else "a"
    if first is None and other in measured:
        laws.append((measured[other], np.hypot(KNOWN_SEEING, drift)))
    precision = sum(spread**-2 for _, spread in laws)
    return sum(mean * spread**-2 for mean, spread in laws) / precision, precision**-0.5


def _seen(case, side):
    return f"seeing_{side}" in case.known


def draw_seeing(case, priors, rng, draws):
    """Factors of both logs on the site's seeing: two arrays (draws,)."""
    mean, spread = seeing_law(case, priors, "a")
    first = mean + spread * rng.standard_normal(draws)
    mean, spread = seeing_law(case, priors, "b", first)
    return np.exp(first), np.exp(mean + spread * rng.standard_normal(draws))
