"""What a rig gets in the final image, what made a difference, and what to change next."""

import itertools
import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord
from scipy import stats

from helpers.error_budget.predict import (
    DEMO_TARGET,
    SPREADS,
    USABLE_ERROR,
    Budget,
    check_budget,
    drawn_budget,
    drawn_rig,
    evaluate,
    predict,
    sky_magnitudes,
)
from helpers.rig.parts import Rig, RigError
from helpers.rig.values import changed, rig_from_values, rig_values
from helpers.shared.checks import as_count, as_number, as_quantity

__all__ = [
    "DEMO_TARGET",
    "FACTORS",
    "SPREADS",
    "USABLE_ERROR",
    "Budget",
    "Option",
    "attribute",
    "attribute_intervals",
    "drawn_budget",
    "drawn_rig",
    "fwhm_map",
    "predict",
    "sky_magnitudes",
    "unexplained",
    "usual_changes",
    "what_next",
]

# Causes of a difference between two rigs: name to the keys that make it. What is in none of them is "everything else".
FACTORS = {
    "quantum efficiency, visible": ("guide_camera.peak_quantum_efficiency",),
    "quantum efficiency, near infrared": ("guide_camera.quantum_efficiency_850",),
    "read noise": ("guide_camera.read_noise",),
    "colour mosaic": ("guide_camera.mosaic",),
    "number of stars": ("guiding.stars",),
    "exposure": ("guiding.exposure",),
    "loop settings": ("guiding.loop_gain", "guiding.delay", "guiding.dead_band"),
    "pick-off mirror": ("guide_optics.mirror_size", "guide_optics.mirror_distance", "guide_optics.off_axis_distance"),
    "mount": tuple(f"mount.{name}" for name in ("worm_period", "periodic_error", "polar_error", "backlash", "jitter")),
    "seeing": ("site.seeing",),
}
_SPOT, _FIELD, _ELSE = "spot size by band", "star field", "everything else"
_MOST_FACTORS = 9


def _flat(rig):
    values = rig_values(rig)
    return {"name": values.pop("name")} | {
        f"{section}.{name}": value for section, part in values.items() for name, value in part.items()
    }


def _rig_of(flat):
    values = {"name": flat["name"]}
    for key, value in flat.items():
        section, _, name = key.rpartition(".")
        if section:
            values.setdefault(section, {})[name] = value
    return rig_from_values(values)


def _factors(before, after):
    """Names of the causes in which two budgets differ, each with its keys; and the flat values of both rigs."""
    old, new = _flat(before.rig), _flat(after.rig)
    differ = {key for key in old if not np.all(old[key] == new[key])} - {"name"}
    named = {name: keys for name, keys in FACTORS.items() if differ.intersection(keys)}
    if "guide_optics.kind" in differ:
        named.pop("pick-off mirror", None)  # a guide telescope has none: all optics change together
    rest = differ.difference(*named.values(), {"guide_camera.name", "main_camera.name", "site.name"})
    if named.keys() & {"quantum efficiency, visible", "quantum efficiency, near infrared", "colour mosaic"}:
        named[_SPOT] = ()
    if before.field_stars is not after.field_stars or not _same_place(before.target, after.target):
        named[_FIELD] = ()
    names = list(named)
    if len(names) + bool(rest) > _MOST_FACTORS:
        for name in names[_MOST_FACTORS - 1 :]:
            rest = rest.union(named.pop(name))
    if rest:
        named[_ELSE] = tuple(rest)
    return named, old, new


def _same_place(one, other):
    if one is None or other is None:
        return one is other
    return one.is_equivalent_frame(other) and bool(one.separation(other) == 0)


def _shapley(names, value_of):
    """Shapley values of a function of sets of names: the mean, over all orders, of what a name adds when it comes."""
    count = len(names)
    values = {
        chosen: value_of(frozenset(chosen))
        for size in range(count + 1)
        for chosen in map(frozenset, itertools.combinations(names, size))
    }
    shares = {}
    for name in names:
        others = [other for other in names if other != name]
        shares[name] = sum(
            math.factorial(size)
            * math.factorial(count - size - 1)
            / math.factorial(count)
            * (values[frozenset((*chosen, name))] - values[frozenset(chosen)])
            for size in range(count)
            for chosen in itertools.combinations(others, size)
        )
    return shares


@dataclass(frozen=True)
class _Night:
    """What one night draws, the same for every rig that is compared on it; the middling night draws nothing."""

    air_seed: int | None = None
    star_seed: int | None = None
    factors: tuple = ()

    def budget(self, rig, place, spot_rig=None):
        if self.air_seed is None:
            return evaluate(rig, place.target, place.field_stars, spot_rig=spot_rig)
        rig = _scaled(rig, self.factors)
        spot_rig = None if spot_rig is None else _scaled(spot_rig, self.factors)
        stars = None
        if place.field_stars is None:
            stars = sky_magnitudes(rig, place.target, np.random.default_rng(self.star_seed))
        return evaluate(rig, place.target, place.field_stars, spot_rig=spot_rig, magnitudes=stars, seed=self.air_seed)


def _scaled(rig, factors):
    flat = _flat(rig)
    return changed(rig, {key: flat[key] * factor for key, factor in factors})


def _nights(rig, rng, draws):
    for _ in range(draws):
        drawn = _flat(drawn_rig(rig, rng))
        old = _flat(rig)
        factors = tuple((key, float(drawn[key] / old[key])) for key in SPREADS if old[key].value > 0)
        yield _Night(int(rng.integers(2**31)), int(rng.integers(2**31)), factors)


def _spread(values):
    """Half of the interval about the mean in which the next of normally scattered values lies in 95 of 100 cases."""
    count = len(values)
    return stats.t.ppf(0.975, count - 1) * np.std(values, ddof=1) * np.sqrt(1 + 1 / count)


def _check_rig_and_rng(rig, rng):
    if not isinstance(rig, Rig):
        raise TypeError(f"rig: expected a Rig, found {type(rig).__name__}")
    if rng is not None and not isinstance(rng, np.random.Generator):
        raise TypeError(f"rng: expected a numpy.random.Generator, found {type(rng).__name__}")


def _attribute(before, after, night):
    named, old, new = _factors(before, after)

    def logged(chosen):
        keys = {key for name in chosen for key in named[name]}
        rig = _rig_of({key: new[key] if key in keys else old[key] for key in old})
        place = after if _FIELD in chosen else before
        spot = None
        if _SPOT in named:
            spot = after.rig if _SPOT in chosen else before.rig
        return night.budget(rig, place, spot).logged_rms.to_value(u.arcsec)

    return {name: -share * u.arcsec for name, share in _shapley(list(named), logged).items()}


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
    check_budget("before", before), check_budget("after", after)
    return _attribute(before, after, _Night())


def attribute_intervals(before, after, rng, draws=12, progress=None):
    """The shares of `attribute` over nights that fit what is known: seeing, mount, stars, air and noise drawn.

    Parameters
    ----------
    before, after : Budget
    rng : numpy.random.Generator
    draws : int
        Nights; each takes two evaluations for every further cause doubled, some seconds for six causes.
    progress : function, optional

    Returns
    -------
    dict of str to (low, high) Quantity [arcsec]
        Where the share lies in 95 of 100 nights.
    """
    check_budget("before", before), check_budget("after", after)
    _check_rig_and_rng(before.rig, rng)
    draws = as_count("draws", draws, minimum=3)
    found = []
    for index, night in enumerate(_nights(before.rig, rng, draws)):
        found.append(_attribute(before, after, night))
        if progress is not None:
            progress((index + 1) / draws)
    intervals = {}
    for name in found[0]:
        shares = np.array([one[name].value for one in found])
        spread = _spread(shares)
        intervals[name] = ((shares.mean() - spread) * u.arcsec, (shares.mean() + spread) * u.arcsec)
    return intervals


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
    check_budget("before", before), check_budget("after", after)
    first = as_quantity("measured_before", measured_before, u.arcsec, above=0, ndim=0)
    second = as_quantity("measured_after", measured_after, u.arcsec, above=0, ndim=0)

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


@dataclass(frozen=True)
class Option:
    """A change and what it does to the star in the picture.

    gain is the FWHM [arcsec] that it takes off, mean of the nights that were drawn (negative: it makes the star
    larger), interval where the gain lies in 95 of 100 nights, logged_gain the mean for the log's total
    rms, gain_per_cost [arcsec per unit of cost] or None, and worthwhile whether the interval lies above 0.
    """

    name: str
    gain: u.Quantity
    interval: tuple
    logged_gain: u.Quantity
    gain_per_cost: float | None
    worthwhile: bool


def usual_changes(rig):
    """Changes that readers could make to a rig: name to what they change.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    dict of str to dict
        As `rig.changed` takes them.
    """
    camera, settings, mount, optics = rig.guide_camera, rig.guiding, rig.mount, rig.guide_optics
    changes = {
        "nothing": {},
        "guide camera with half the read noise": {"guide_camera.read_noise": camera.read_noise / 2},
        "guide camera with quantum efficiency 0.9 and 0.6 at 850 nm": {
            "guide_camera.peak_quantum_efficiency": 0.9,
            "guide_camera.quantum_efficiency_850": 0.6,
        },
        "half the guide exposure": {"guiding.exposure": settings.exposure / 2},
        "twice the guide exposure": {"guiding.exposure": settings.exposure * 2},
        "half the loop gain": {"guiding.loop_gain": settings.loop_gain / 2},
        "polar alignment four times better": {"mount.polar_error": mount.polar_error / 4},
        "mount with half the periodic error": {"mount.periodic_error": mount.periodic_error / 2},
        "half the fast shake (wind screen, stiffer pier)": {"mount.jitter": mount.jitter / 2},
        "one star only": {"guiding.stars": 1},
        "up to 30 stars": {"guiding.stars": 30},
    }
    if settings.loop_gain * 1.5 < (1 if settings.delay else 2):
        changes["loop gain half as large again"] = {"guiding.loop_gain": settings.loop_gain * 1.5}
    if optics.kind == "pick-off":
        changes["pick-off mirror half as large again"] = {"guide_optics.mirror_size": 1.5 * optics.mirror_size}
        changes["guide telescope of 60 mm, 240 mm focal length, 4 arcsec/h flexure"] = {
            "guide_optics.kind": "guide telescope",
            "guide_optics.aperture": 60 * u.mm,
            "guide_optics.focal_length": 240 * u.mm,
            "guide_optics.central_obstruction": 0.0,
            "guide_optics.transmission": 0.9,
            "guide_optics.flexure": 4 * u.arcsec / u.h,
        }
    else:
        telescope = rig.telescope
        changes["pick-off mirror of 8 mm in place of the guide telescope"] = {
            "guide_optics.kind": "pick-off",
            "guide_optics.mirror_size": 8 * u.mm,
            "guide_optics.mirror_distance": 60 * u.mm,
            "guide_optics.off_axis_distance": 15 * u.mm,
            "guide_optics.aperture": telescope.aperture,
            "guide_optics.focal_length": telescope.focal_length,
            "guide_optics.central_obstruction": telescope.central_obstruction,
            "guide_optics.transmission": telescope.transmission,
        }
    return changes


def what_next(rig, target=None, rng=None, *, changes=None, costs=None, field_stars=None, draws=20, progress=None):
    """Rank changes by what they take off the star in the picture.

    Parameters
    ----------
    rig : Rig
    target : SkyCoord, optional
    rng : numpy.random.Generator, optional
        Seeded with 0 if not given.
    changes : dict of str to dict, optional
        `usual_changes` if not given.
    costs : dict of str to float, optional
        In any unit; a change without cost is ranked by its gain alone.
    field_stars : GuideStars, optional
        As in `predict`.
    draws : int
        Nights for the intervals; every change is tried on the same ones.
    progress : function, optional

    Returns
    -------
    list of Option
        Largest gain first; "nothing" among them. Changes that lead to no valid rig are left out.
    """
    _check_rig_and_rng(rig, rng)
    rng = np.random.default_rng(0) if rng is None else rng
    draws = as_count("draws", draws, minimum=3)
    changes = usual_changes(rig) if changes is None else dict(changes)
    if field_stars is not None:
        for name, change in changes.items():
            if any(key.startswith(("guide_optics.", "telescope.", "guide_camera.pixel")) for key in change):
                raise ValueError(
                    f"changes: {name}: expected no other optics with field_stars, for they change which stars are seen"
                )
    costs = costs or {}
    for name, cost in costs.items():
        if name not in changes:
            raise ValueError(f"costs: expected the name of a change, found {name!r}")
        as_number(f"costs: {name}", cost, above=0)
    rigs = {}
    for name, change in changes.items():
        try:
            rigs[name] = changed(rig, change)
        except RigError as error:
            raise ValueError(f"changes: {name}: {error}") from error
    now = evaluate(rig, target, field_stars)
    fwhm, logged = ({name: [] for name in rigs} for _ in range(2))
    for done, night in enumerate(_nights(rig, rng, draws)):
        base = night.budget(rig, now)
        for name, other in rigs.items():
            after = night.budget(other, now)
            fwhm[name].append((base.final_fwhm - after.final_fwhm).value)
            logged[name].append((base.logged_rms - after.logged_rms).value)
        if progress is not None:
            progress((done + 1) / draws)
    options = []
    for name, gains in fwhm.items():
        mean, spread = np.mean(gains), _spread(gains)
        per_cost = mean / costs[name] if name in costs else None
        interval = ((mean - spread) * u.arcsec, (mean + spread) * u.arcsec)
        options.append(
            Option(name, mean * u.arcsec, interval, np.mean(logged[name]) * u.arcsec, per_cost, bool(mean > spread))
        )
    return sorted(options, key=lambda option: -option.gain.value)


def fwhm_map(rig, seeings, latitudes, longitude=90 * u.deg):
    """Final FWHM and logged rms over seeing and galactic latitude, for targets high in the sky.

    Parameters
    ----------
    rig : Rig
    seeings : Quantity [angle], shape (S,)
    latitudes : Quantity [angle], shape (B,)
        Galactic.
    longitude : Quantity [angle]
        Galactic.

    Returns
    -------
    fwhm, logged : Quantity [arcsec], shape (B, S)
    """
    _check_rig_and_rng(rig, None)
    seeings = as_quantity("seeings", seeings, u.arcsec, above=0, ndim=1)
    latitudes = as_quantity("latitudes", latitudes, u.deg, minimum=-90, maximum=90, ndim=1)
    longitude = as_quantity("longitude", longitude, u.deg, ndim=0)
    fwhm, logged = np.empty((latitudes.size, seeings.size)), np.empty((latitudes.size, seeings.size))
    high = SkyCoord(0 * u.deg, min(rig.site.latitude, 60 * u.deg))
    for row, latitude in enumerate(latitudes):
        stars = sky_magnitudes(rig, SkyCoord(longitude, latitude, frame="galactic").icrs)
        for column, fwhm_seeing in enumerate(seeings):
            budget = evaluate(changed(rig, {"site.seeing": fwhm_seeing}), high, magnitudes=stars)
            fwhm[row, column], logged[row, column] = budget.final_fwhm.value, budget.logged_rms.value
    return fwhm * u.arcsec, logged * u.arcsec
