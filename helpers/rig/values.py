"""A rig as a mapping, nested as in its file or flat ("guide_camera.read_noise"), and checked copies of it."""

import dataclasses
import difflib

from helpers.rig.parts import FROM_TELESCOPE, KEYS, SECTIONS, ZERO_FOR, Rig, RigError, as_keys, check_section
from helpers.shared.checks import instance, optional, takes


def _unknown(name, known):
    close = difflib.get_close_matches(name, known, n=1)
    return f"; did you mean '{close[0]}'?" if close else f"; expected one of {', '.join(known)}"


def _completed(values):
    """Fill what follows from other values: a pick-off's optics, and lengths that the other kind does not have."""
    optics = dict(values.get("guide_optics", {}))
    telescope = values.get("telescope", {})
    if optics.get("kind") == "pick-off":
        optics = {name: telescope[name] for name in FROM_TELESCOPE if name in telescope} | optics
    kind = optics.get("kind")
    optics = (ZERO_FOR[kind] if isinstance(kind, str) and kind in ZERO_FOR else {}) | optics
    return values | {"guide_optics": optics}


@takes(values=instance(dict), own=as_keys)
def rig_from_values(values, own=()):
    """Build a rig from a plain mapping, naming every wrong value.

    Parameters
    ----------
    values : dict
        "name" and one dict per section: quantities (or text such as "2.9 um"), numbers, texts.
    own : iterable of str
        Keys of the values that somebody gave, such as "telescope.aperture"; see `Rig`.

    Returns
    -------
    Rig

    Raises
    ------
    RigError
        All wrong, missing and unknown keys, one a line.
    """
    problems, parts = [], {}
    for key in values:
        if key != "name" and key not in SECTIONS:
            problems.append(f"{key}: unknown{_unknown(key, ['name', *SECTIONS])}")
    for key in SECTIONS:
        if not isinstance(values.get(key, {}), dict):
            problems.append(f"{key}: expected a table of values, found {values[key]!r:.60}")
    if problems:
        raise RigError("\n".join(problems))
    values = _completed(values)
    for key, part in SECTIONS.items():
        given, names = values.get(key, {}), list(part.__dataclass_fields__)
        for name in given:
            if name not in names:
                problems.append(f"{key}.{name}: unknown{_unknown(name, names)}")
        for name in names:
            if name not in given:
                unit = part.__dataclass_fields__[name].metadata.get("unit")
                problems.append(f"{key}.{name}: missing; expected " + (f"a value in {unit}" if unit else "a value"))
        known = {name: given[name] for name in names if name in given}
        if len(known) < len(names):
            problems += check_section(part, known)[1]
            continue
        try:
            parts[key] = part(**known)
        except RigError as error:
            problems += str(error).splitlines()
    if "name" not in values:
        problems.append("name: missing; expected some text")
    if problems:
        raise RigError("\n".join(problems))
    return Rig(name=values["name"], **parts, own=own)


@takes(rig=instance(Rig))
def rig_values(rig):
    """The rig as a plain mapping, the reverse of `rig_from_values`; a quantity stays a quantity."""
    sections = {
        key: {item.name: getattr(getattr(rig, key), item.name) for item in dataclasses.fields(part)}
        for key, part in SECTIONS.items()
    }
    return {"name": rig.name} | sections


def flat(rig):
    """All values of a rig by key: "name", "telescope.aperture" and so on, in the order of `parts.KEYS`; dict."""
    values = rig_values(rig)
    name = values.pop("name")
    return {"name": name} | {f"{key}.{item}": value for key, part in values.items() for item, value in part.items()}


@takes(values=instance(dict), own=as_keys)
def from_flat(values, own=()):
    """The rig of a flat mapping, the reverse of `flat`.

    Parameters
    ----------
    values : dict
        Key to value, as `flat` gives; a quantity may be text such as "2.9 um". For a pick-off, what is missing of the
        guide optics' aperture, focal length, obstruction and transmission is the telescope's.
    own : iterable of str
        Keys of the values that somebody gave; see `Rig`.

    Returns
    -------
    Rig

    Raises
    ------
    RigError
        All wrong, missing and unknown keys, one a line.
    """
    nested = {}
    for key, value in values.items():
        section, _, name = str(key).rpartition(".")
        if not section:
            nested[name] = value
        elif section in SECTIONS:
            nested.setdefault(section, {})[name] = value
        else:
            raise RigError(f"{key}: unknown{_unknown(section, list(SECTIONS))}")
    return rig_from_values(nested, own)


@takes(rig=instance(Rig), changes=optional(instance(dict)))
def changed(rig, changes=None, **more):
    """A checked copy of a rig with some values replaced.

    Parameters
    ----------
    rig : Rig
    changes : dict, optional
        Such as ``{"guide_camera.read_noise": 1.2 * u.electron, "name": "what if"}``. A pick-off that shared a value
        with the telescope goes on sharing it.
    **more
        The same as keywords, with two underscores for the point: ``guide_camera__binning=2``.

    Returns
    -------
    Rig
        The changed values count as given by somebody.

    Raises
    ------
    RigError
        An unknown key or a wrong value.
    """
    changes = (changes or {}) | {key.replace("__", "."): value for key, value in more.items()}
    values = flat(rig)
    if rig.guide_optics.kind == "pick-off":
        for name in FROM_TELESCOPE:
            if values[f"guide_optics.{name}"] == values[f"telescope.{name}"]:
                del values[f"guide_optics.{name}"]
    kind = changes.get("guide_optics.kind", rig.guide_optics.kind)
    if isinstance(kind, str) and kind != rig.guide_optics.kind and kind in ZERO_FOR:
        values |= {f"guide_optics.{name}": zero for name, zero in ZERO_FOR[kind].items()}
    return from_flat(values | changes, rig.own | (set(changes) & set(KEYS)))
