"""What to change next: changes ranked by what they take off the star in the picture."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.error_budget import nights
from helpers.error_budget.terms import MODEL_ERROR, aim_at
from helpers.guide_field.stars import some_stars
from helpers.rig.parts import Rig, RigError
from helpers.rig.values import changed
from helpers.shared import sky
from helpers.shared.checks import as_instance, as_number, count, function, instance, optional, takes
from helpers.shared.limits import CHANGES, DRAWS_OF_EACH


@dataclass(frozen=True)
class Option:
    """A change and what it does to the star in the picture.

    Attributes
    ----------
    name : str
    gain : Quantity [arcsec]
        FWHM that it takes off, mean of the nights that were drawn; negative: it makes the star larger.
    interval : (low, high) Quantity [arcsec]
        Where the gain lies in 95 of 100 nights.
    logged_gain : Quantity [arcsec]
        Mean for the log's total rms.
    gain_per_cost : float or None
        arcsec per unit of cost.
    worthwhile : bool
        The interval lies above 0, and the gain above what the model can tell.
    place : int
        Rank, 1 the best. Changes whose gain is smaller than the model's own error, one way or the other, share a
        place: no change that this model can tell.
    can_tell : bool
        False for those.
    """

    name: str
    gain: u.Quantity
    interval: tuple
    logged_gain: u.Quantity
    gain_per_cost: float | None
    worthwhile: bool
    place: int
    can_tell: bool


@takes(rig=instance(Rig))
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


def _as_changes(name, value):
    """At most 100 changes by name, each a dictionary as `rig.changed` takes it; a rule for `takes`."""
    changes = as_instance(name, value, dict)
    if len(changes) > CHANGES:
        raise ValueError(f"{name}: expected at most {CHANGES}, found {len(changes):,}")
    for key, change in changes.items():
        as_instance(f"{name}: a name", key, str)
        as_instance(f"{name}: {key:.60}", change, dict)
    return changes


@takes(
    rig=instance(Rig),
    target=optional(sky.as_place),
    rng=optional(instance(np.random.Generator)),
    changes=optional(_as_changes),
    costs=optional(instance(dict)),
    stars=optional(some_stars),
    draws=count(minimum=20, maximum=DRAWS_OF_EACH),
    progress=optional(function()),
)
def what_next(rig, target=None, rng=None, *, changes=None, costs=None, stars=None, draws=100, progress=None):
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
    stars : GuideStars, optional
        As in `predict`.
    draws : int
        20 to 2000; nights for the intervals; every change is tried on the same ones.
    progress : function, optional

    Returns
    -------
    list of Option
        Largest gain first; "nothing" among them. Changes that lead to no valid rig are left out.

    Raises
    ------
    ValueError
        A cost for a change that is not among them, or a change of the optics with given stars.
    """
    rng = np.random.default_rng(0) if rng is None else rng
    changes = usual_changes(rig) if changes is None else changes
    costs = _checked_costs(costs, changes)
    if stars is not None:
        _check_same_optics(changes)
    rigs = _valid_rigs(rig, changes)
    drawn = nights.draw_nights(rng, draws)
    now = nights.numbers(rig, drawn, aim_at(rig, target, stars))
    gains = {}

    def tried(other):
        return now if other is rig else nights.numbers(other, drawn, aim_at(other, target, stars))

    for done, (name, then) in enumerate(zip(rigs, nights.side_by_side(tried, rigs.values()), strict=True)):
        gains[name] = now - then
        if progress is not None:
            progress((done + 1) / len(rigs))
    return _ranked(gains, costs, MODEL_ERROR * now[:, 2].mean())


def _checked_costs(costs, changes):
    costs = costs or {}
    for name, cost in costs.items():
        if name not in changes:
            raise ValueError(f"costs: expected the name of a change, found {name!r}")
        as_number(f"costs: {name}", cost, above=0)
    return costs


def _check_same_optics(changes):
    for name, change in changes.items():
        if any(key.startswith(("guide_optics.", "telescope.", "guide_camera.pixel")) for key in change):
            raise ValueError(f"changes: {name}: expected no other optics with stars, for they change which are seen")


def _valid_rigs(rig, changes):
    rigs = {}
    for name, change in changes.items():
        try:
            rigs[name] = changed(rig, change) if change else rig
        except RigError:
            continue
    return rigs


def _ranked(gains, costs, least):
    """Options, best first; gains (nights, 3) by name, least the smallest gain that the model can tell."""
    mean = {name: found.mean(axis=0) for name, found in gains.items()}
    order = sorted(gains, key=lambda name: -mean[name][2])
    options, unclear = [], None
    for place, name in enumerate(order, start=1):
        gain = mean[name][2]
        can_tell = bool(abs(gain) > least)
        unclear = place if unclear is None and not can_tell else unclear
        low, high = np.quantile(gains[name][:, 2], [0.025, 0.975]) * u.arcsec
        options.append(
            Option(
                name=name,
                gain=gain * u.arcsec,
                interval=(low, high),
                logged_gain=mean[name][0] * u.arcsec,
                gain_per_cost=gain / costs[name] if name in costs else None,
                worthwhile=bool(can_tell and low > 0),
                place=place if can_tell else unclear,
                can_tell=can_tell,
            )
        )
    return options
