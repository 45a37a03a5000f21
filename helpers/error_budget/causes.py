"""What made a difference between two rigs: shares of named causes in the change of the log, and what they leave."""

import itertools
import math
from dataclasses import replace

import astropy.units as u
import numpy as np

from helpers.error_budget import nights
from helpers.error_budget.log_model import LogModel
from helpers.error_budget.terms import Budget, evaluate
from helpers.rig.parts import KEYS, SECTIONS, Rig
from helpers.rig.values import flat
from helpers.shared.checks import count, function, instance, optional, quantity, takes
from helpers.shared.limits import LONG_DRAWS

# Causes of a difference between two rigs: name to the keys that make it. What is in none of them is "everything else".
FACTORS = {
    "efficiency, visible": ("guide_camera.peak_quantum_efficiency",),
    "efficiency, near infrared": ("guide_camera.quantum_efficiency_850",),
    "read noise": ("guide_camera.read_noise",),
    "colour mosaic": ("guide_camera.mosaic",),
    "number of stars": ("guiding.stars",),
    "exposure": ("guiding.exposure",),
    "loop settings": ("guiding.loop_gain", "guiding.delay", "guiding.dead_band"),
    "pick-off mirror": ("guide_optics.mirror_size", "guide_optics.mirror_distance", "guide_optics.off_axis_distance"),
    "mount": tuple(f"mount.{name}" for name in ("worm_period", "periodic_error", "polar_error", "backlash", "jitter")),
    "seeing": ("site.seeing",),
}
_RMS = quantity(u.arcsec, above=0, maximum=1e6, ndim=0)
_FIELD, _ELSE = "star field", "everything else"
_MOST_FACTORS = 9


@takes(first=instance(Rig), second=instance(Rig))
def mixed(first, second, keys):
    """The first rig with these values ("section.name") of the second; ValueError for a name that a rig has not."""
    for key in keys:
        if key not in KEYS:
            raise ValueError(f"keys: expected names of a rig's values such as 'site.seeing', found {key!r:.60}")
    parts = {}
    for section in SECTIONS:
        names = [key.partition(".")[2] for key in keys if key.partition(".")[0] == section]
        if names:
            other = getattr(second, section)
            parts[section] = replace(getattr(first, section), **{name: getattr(other, name) for name in names})
    return replace(first, **parts)


def _factors(before, after):
    """Names of the causes in which two budgets differ, each with its keys."""
    old, new = flat(before.rig), flat(after.rig)
    differ = {key for key in old if not np.all(old[key] == new[key])} - {"name"}
    named = {name: keys for name, keys in FACTORS.items() if differ.intersection(keys)}
    if "guide_optics.kind" in differ:
        named.pop("pick-off mirror", None)  # a guide telescope has none: all optics change together
    rest = differ.difference(*named.values(), {"guide_camera.name", "main_camera.name", "site.name"})
    if not _same_field(before, after):
        named[_FIELD] = ()
    names = list(named)
    if len(names) + bool(rest) > _MOST_FACTORS:
        for name in names[_MOST_FACTORS - 1 :]:
            rest = rest.union(named.pop(name))
    if rest:
        named[_ELSE] = tuple(rest)
    return named


def _same_field(before, after):
    """True when both rigs look at the same stars (the sky's average at one target counts as such)."""
    if before.middling != after.middling or before.target.separation(after.target) > 0 * u.deg:
        return False
    return before.middling or (
        len(before.guide_field) == len(after.guide_field)
        and bool(np.all(before.guide_field.magnitudes == after.guide_field.magnitudes))
        and bool(np.all(before.guide_field.offsets == after.guide_field.offsets))
    )


def _shapley(names, value_of):
    """Shapley values of a function of sets of names: the mean, over all orders, of what a name adds when it comes."""
    number = len(names)
    values = {
        chosen: value_of(frozenset(chosen))
        for size in range(number + 1)
        for chosen in map(frozenset, itertools.combinations(names, size))
    }
    shares = {}
    for name in names:
        others = [other for other in names if other != name]
        shares[name] = sum(
            math.factorial(size)
            * math.factorial(number - size - 1)
            / math.factorial(number)
            * (values[frozenset((*chosen, name))] - values[frozenset(chosen)])
            for size in range(number)
            for chosen in itertools.combinations(others, size)
        )
    return shares


def _coalition(before, after, named, chosen):
    """Rig, target and given stars when the chosen causes have come."""
    rig = mixed(before.rig, after.rig, [key for name in chosen for key in named[name]])
    place = after if _FIELD in chosen else before
    return rig, place.target, None if place.middling else place.guide_field


@takes(before=instance(Budget), after=instance(Budget))
def attribute(before, after):
    """Shares of named causes in the change of the logged rms.

    Parameters
    ----------
    before, after : Budget
        From `predict`.

    Returns
    -------
    dict of str to Quantity [arcsec]
        Positive where a cause made the number smaller. The shares add up to ``before.logged_rms - after.logged_rms``.
        Empty when the rigs do not differ.

    Raises
    ------
    TypeError
        No budgets.

    References
    ----------
    Shapley 1953, "A value for n-person games", Contributions to the Theory of Games II, 307: the mean over all orders
    in which the causes could come; exact, for up to 9 causes.
    """
    named = _factors(before, after)

    def logged(chosen):
        return evaluate(*_coalition(before, after, named, chosen)).logged_rms.to_value(u.arcsec)

    return {name: -share * u.arcsec for name, share in _shapley(list(named), logged).items()}


@takes(
    before=instance(Budget),
    after=instance(Budget),
    rng=instance(np.random.Generator),
    draws=count(minimum=20, maximum=LONG_DRAWS),
    progress=optional(function()),
)
def attribute_intervals(before, after, rng, draws=400, progress=None):
    """The shares of `attribute` over nights that fit what is known: seeing, air, mount and stars drawn.

    Parameters
    ----------
    before, after : Budget
    rng : numpy.random.Generator
    draws : int
        Nights, 20 to 10,000.
    progress : function, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    dict of str to (low, high) Quantity [arcsec]
        Where the share lies in 95 of 100 nights; the chance of a single log is left out.
    """
    named = _factors(before, after)
    drawn = nights.draw_nights(rng, draws)
    done, whole = itertools.count(1), 2 ** len(named)

    def logged(chosen):
        rig, target, stars = _coalition(before, after, named, chosen)
        found = _expected_log(rig, evaluate(rig, target, stars), drawn)
        if progress is not None:
            progress(next(done) / whole)
        return found

    shares = _shapley(list(named), logged)
    limits = {name: np.quantile(-share, [0.025, 0.975]) * u.arcsec for name, share in shares.items()}
    return {name: (low, high) for name, (low, high) in limits.items()}


def _expected_log(rig, budget, drawn):
    """Total rms of the log [arcsec] in each night, without the chance of a single log."""
    fields = nights.fields_of(rig, drawn, budget)
    return LogModel(rig, budget).rms(
        drawn.seeing,
        drawn.state,
        fields[drawn.field % len(fields)],
        worm=drawn.periodic_error,
        drift=drawn.polar_error,
    )


@takes(before=instance(Budget), after=instance(Budget), measured_before=_RMS, measured_after=_RMS)
def unexplained(before, after, measured_before, measured_after):
    """What a measured change holds beyond the predicted one.

    Parameters
    ----------
    before, after : Budget
    measured_before, measured_after : Quantity [angle]
        Total rms of both logs.

    Returns
    -------
    dict of str to Quantity [arcsec]
        "measured change", "predicted change", "unexplained change", and "extra in the first log", "extra in the second
        log": what would have to be added in squares to the prediction to give the measured rms (negative: the
        prediction is too large).
    """
    first, second = measured_before, measured_after

    def extra(measured, budget):
        square = (measured**2 - budget.logged_rms**2).value
        return np.sign(square) * np.sqrt(abs(square)) * u.arcsec

    predicted = before.logged_rms - after.logged_rms
    return {
        "measured change": first - second,
        "predicted change": predicted,
        "unexplained change": first - second - predicted,
        "extra in the first log": extra(first, before),
        "extra in the second log": extra(second, after),
    }
