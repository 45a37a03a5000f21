"""The reader's own housing: fields of the form on spacers and focus, and what it answers in words."""

import astropy.units as u

from helpers.guide_field.fit import fit, focus_tolerance, needed_opening
from helpers.rig.parts import Rig
from helpers.shared.checks import instance, takes

_DEPTH, _SHORTEST = 12.5, 20.0  # mm, seat to sensor, and mirror to main sensor at least: invented
_SPACER = 3.0  # mm in hand, invented; with it the guide sensor stands as far from the mirror as the rig says
# mm; spacers come in such steps (common practice, no source), which leave half of it
SPACER_STEP = 0.5


def _field(key, label, value, **more):
    return {"key": key, "label": label, "unit": "mm", "value": float(value)} | more


@takes(rig=instance(Rig))
def demo_housing(rig):
    """Invented lengths in mm for the form, about as long as the rig's own way from mirror to guide sensor."""
    if rig.guide_optics.kind != "pick-off":
        return {"focus": 30.0, "travel": 20.0, "depth": _DEPTH, "spacer": 0.0}
    distance = max(rig.guide_optics.mirror_distance.to_value(u.mm), _SHORTEST)
    seat = round(distance - _DEPTH - _SPACER, 1)
    return {"main": float(distance), "glass": 2.0, "seat": max(seat, 0.0), "depth": _DEPTH, "spacer": _SPACER}


@takes(rig=instance(Rig))
def fit_fields(rig):
    """Fields of the form that finds the spacer; for a guide telescope, whether its focuser reaches the focus."""
    demo = demo_housing(rig)
    depth = _field("depth", "seat of the guide camera to its sensor", demo["depth"], typical="10 to 20")
    spacer = _field("spacer", "spacer between them in hand", demo["spacer"])
    if rig.guide_optics.kind != "pick-off":
        unknown = "Hold paper behind the tube where a far lamp is sharp. Never the Sun."
        return [
            _field("focus", "seat to the focus, focuser all the way in", demo["focus"], if_unknown=unknown),
            _field("travel", "way of the focuser outwards", demo["travel"]),
            depth,
            spacer,
        ]
    return [
        _field("main", "middle of the mirror to the main sensor", demo["main"], typical="50 to 80"),
        _field("glass", "filter glass between mirror and main sensor", demo["glass"], typical="0 to 3"),
        _field("seat", "middle of the mirror to the seat of the guide camera", demo["seat"]),
        depth,
        spacer,
    ]


def fit_of(answers):
    """The `Fit` of the answers of a form for a pick-off."""
    keys = {"main_distance": "main", "seat_distance": "seat", "sensor_depth": "depth", "spacer": "spacer"}
    return fit(**{name: answers[key] * u.mm for name, key in keys.items()}, glass=answers["glass"] * u.mm)


@takes(rig=instance(Rig))
def fit_reply(rig):
    """What the form answers: a function of its answers."""
    tolerance = focus_tolerance(rig).value
    said = f"The guide star bears {tolerance:.2f} mm out of focus, either way."

    def reply(answers):
        if rig.guide_optics.kind != "pick-off":
            return f"{_of_guide_telescope(answers)} {said}"
        found = fit_of(answers)
        lengths = f"Mirror to guide sensor: {found.present.value:.1f} mm, wanted {found.needed.value:.1f}."
        return f"{lengths} {_of_pick_off(found, answers['spacer'], tolerance)} {said} {_barrel(rig, answers)}"

    return reply


def _barrel(rig, answers):
    opening = needed_opening(rig, answers["depth"] * u.mm).value
    return f"The camera's barrel must be open {opening:.1f} mm wide at the seat."


def _of_pick_off(found, in_hand, tolerance):
    move, spacer = found.move.value, found.spacer.value
    if abs(move) <= tolerance:
        return "It fits: both cameras are in focus at once."
    where = f"The guide camera must come {abs(move):.1f} mm {'farther out' if move > 0 else 'nearer to the mirror'}"
    if spacer >= 0:
        instead = f" in place of {in_hand:g} mm" if in_hand else ""
        slide = ", then slide the camera in its seat" if tolerance < SPACER_STEP / 2 else ""
        return f"{where}: take a spacer of {spacer:.1f} mm{instead}{slide}."
    return (
        f"{where}, and even without a spacer it is {-spacer:.1f} mm too far out: put {-spacer:.1f} mm more between "
        "housing and main camera, if the distance of a corrector allows it."
    )


def _of_guide_telescope(answers):
    for key in ("focus", "travel", "depth", "spacer"):
        if not 0 <= answers[key] <= 5000:
            raise ValueError(f"{key}: expected 0 to 5000 mm, found {answers[key]:g} mm")
    turned_out = answers["focus"] - answers["depth"] - answers["spacer"]
    start = "Nothing but the focuser's own way counts for a guide telescope."
    if turned_out < 0:
        return (
            f"{start} The sensor lies {-turned_out:.1f} mm behind the focus even with the focuser all the way in: take "
            "that much out of spacers or tube."
        )
    if turned_out > answers["travel"]:
        more = turned_out - answers["travel"]
        return f"{start} It is {more:.1f} mm too short: add a spacer of {more:.1f} mm, or somewhat more."
    return f"{start} The focus is reached {turned_out:.1f} mm out of {answers['travel']:g} mm."
