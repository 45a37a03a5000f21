"""What a form asks for a rig, and the rig that a filled form describes."""

import astropy.units as u

from helpers.rig.demo import demo_values
from helpers.rig.parts import FROM_TELESCOPE, GUIDE_KINDS, KEYS, SECTIONS, ZERO_FOR, Rig, RigError, as_keys
from helpers.rig.values import flat, from_flat
from helpers.shared.checks import choice, instance, takes

# Where a form changes the kind of guide optics and says no more: those of the demo rigs, which count as the demo's.
_SMALL_GUIDE_TELESCOPE = {
    "aperture": 50.0,
    "focal_length": 200.0,
    "central_obstruction": 0.0,
    "transmission": 0.9,
    "flexure": 4.0,
}
_USUAL_PICK_OFF = {"mirror_size": 9.0, "mirror_distance": 60.0, "off_axis_distance": 16.0}


@takes(rig=instance(Rig))
def form_fields(rig):
    """What a form needs to ask for a rig: one plain dict a field, in order.

    Returns
    -------
    list of dict
        Keys: key ("section.name"), section, label, unit (text or ""), value (plain number, text or truth value),
        choices (tuple or None), own (whether somebody gave this value; else it is a demo rig's).
    """
    fields = []
    for key, value in flat(rig).items():
        section, _, name = key.rpartition(".")
        about = SECTIONS[section].__dataclass_fields__[name].metadata if section else {"label": "name of the rig"}
        fields.append(
            {
                "key": key,
                "section": section or "rig",
                "label": about["label"],
                "unit": about.get("unit", ""),
                "value": float(value.value) if isinstance(value, u.Quantity) else value,
                "choices": about.get("choices"),
                "own": key in rig.own,
            }
        )
    return fields


@takes(kind=choice(GUIDE_KINDS), answers=instance(dict))
def usual_optics(kind, answers):
    """What a form puts into the fields of the guide optics when their kind is changed.

    Parameters
    ----------
    kind : str
        One of `GUIDE_KINDS`.
    answers : dict
        What the form holds, by key.

    Returns
    -------
    dict
        Key to plain value, in the units that `form_fields` names: a small guide telescope without mirror, or a usual
        pick-off in the telescope's own beam.

    Raises
    ------
    ValueError
        Another kind.
    """
    if kind == "guide telescope":
        usual = _SMALL_GUIDE_TELESCOPE | dict.fromkeys(_USUAL_PICK_OFF, 0.0)
    else:
        missing = [name for name in FROM_TELESCOPE if f"telescope.{name}" not in answers]
        if missing:
            raise ValueError(f"answers: expected telescope.{missing[0]} among the keys, found none")
        usual = {name: answers[f"telescope.{name}"] for name in FROM_TELESCOPE} | _USUAL_PICK_OFF | {"flexure": 0.0}
    return {f"guide_optics.{name}": value for name, value in usual.items()}


def _other_kind(answers):
    """Values that were left behind by the other kind of guide optics, replaced by usual ones.

    A guide telescope has no mirror and a pick-off has one, so a mirror's size shows that only the kind was changed.
    """
    kind, size = answers.get("guide_optics.kind"), answers.get("guide_optics.mirror_size", 0)
    usual = {}
    if kind == "guide telescope" and size != 0:
        for name, value in _SMALL_GUIDE_TELESCOPE.items():
            left_over = 0 if name == "flexure" else answers.get(f"telescope.{name}")
            if answers.get(f"guide_optics.{name}") in (None, left_over):
                usual[f"guide_optics.{name}"] = value
    if kind == "pick-off" and size == 0:
        usual = {f"guide_optics.{name}": value for name, value in _USUAL_PICK_OFF.items()}
    return answers | usual


@takes(answers=instance(dict), own=as_keys)
def rig_from_form(answers, own=()):
    """The rig that a filled form describes.

    Parameters
    ----------
    answers : dict
        Key ("section.name") to plain value in the unit that `form_fields` names. For a pick-off the guide optics'
        aperture, focal length, obstruction and transmission are taken from the telescope, and what only the other kind
        has is zero. Where only the kind was changed, a usual guide telescope or pick-off is put in.
    own : iterable of str
        Keys of the values that the reader gave, if they equal a demo rig's: those the reader touched, and `rig.own` of
        the rig that the form began with. Values that no demo rig has are the reader's in any case.

    Returns
    -------
    Rig

    Raises
    ------
    RigError
        Each wrong value named.
    """
    if not answers:
        raise RigError("answers: expected what a form asks for, found nothing")
    unknown = [key for key in answers if key not in KEYS]
    if unknown:
        raise RigError(f"answers: {unknown[0]!r:.60} unknown; expected keys as form_fields gives")
    complete = _other_kind(answers)
    kind = complete.get("guide_optics.kind")
    unused = (
        (*FROM_TELESCOPE, *ZERO_FOR[kind])
        if kind == "pick-off"
        else tuple(ZERO_FOR[kind] if isinstance(kind, str) and kind in ZERO_FOR else ())
    )
    values = {}
    for key, value in complete.items():
        section, _, name = key.rpartition(".")
        if section == "guide_optics" and name in unused:
            continue
        unit = SECTIONS[section].__dataclass_fields__[name].metadata.get("unit") if section else None
        try:
            values[key] = value * u.Unit(unit) if unit else value
        except TypeError:
            raise RigError(f"{key}: expected a number, found {value!r:.60}") from None
    rig, demos = from_flat(values), demo_values()
    given = {
        key for key, value in flat(rig).items() if value not in demos[key] and answers.get(key) == complete.get(key)
    }
    return from_flat(flat(rig), given | set(own))
