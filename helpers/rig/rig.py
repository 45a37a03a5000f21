"""A rig: telescope, cameras, guide optics, mount, site and settings, checked, and kept in a small TOML file."""

import dataclasses
import difflib
import functools
import os
from dataclasses import dataclass, field
from pathlib import Path

import astropy.units as u
import numpy as np

from helpers.shared import files as tables
from helpers.shared.checks import as_choice, as_count, as_number, as_quantity

TELESCOPE_KINDS = ("reflector", "refractor", "catadioptric")
GUIDE_KINDS = ("pick-off", "guide telescope")
FILTERS = ("none", "infrared-blocking", "long-pass")
SAVED_RIG = "my_rig.toml"
RIG_VARIABLE = "GUIDING_RIG_FILE"


class RigError(ValueError):
    """A rig or rig file holds wrong values; the message lists each with its key, what was found and what was
    expected.
    """


def _quantity(unit, label, **limits):
    return field(
        metadata={"check": functools.partial(as_quantity, unit=unit, ndim=0, **limits), "unit": unit, "label": label}
    )


def _number(label, **limits):
    return field(metadata={"check": functools.partial(as_number, **limits), "label": label})


def _count(label, **limits):
    return field(metadata={"check": functools.partial(as_count, **limits), "label": label})


def _choice(label, choices):
    return field(metadata={"check": functools.partial(as_choice, choices=choices), "choices": choices, "label": label})


def _text(label):
    return field(metadata={"check": _check_text, "label": label})


def _flag(label):
    return field(metadata={"check": _check_flag, "choices": (True, False), "label": label})


def _check_text(name, value):
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{name}: expected some text, found {value!r:.60}")
    return value.strip()


def _check_flag(name, value):
    if not isinstance(value, bool):
        raise TypeError(f"{name}: expected true or false, found {value!r:.60}")
    return value


def _check_section(section, values):
    """Checked values and the list of problems of one section's fields."""
    clean, problems = {}, []
    for name, value in values.items():
        check = section.__dataclass_fields__[name].metadata["check"]
        try:
            clean[name] = check(f"{section.section}.{name}", value)
        except (TypeError, ValueError, u.UnitsError) as error:
            problems.append(str(error))
    return clean, problems


class _Section:
    def __post_init__(self):
        values = {item.name: getattr(self, item.name) for item in dataclasses.fields(self)}
        clean, problems = _check_section(type(self), values)
        if problems:
            raise RigError("\n".join(problems))
        for name, value in clean.items():
            object.__setattr__(self, name, value)


@dataclass(frozen=True)
class Telescope(_Section):
    """The main telescope."""

    section = "telescope"
    kind: str = _choice("kind of telescope", TELESCOPE_KINDS)
    aperture: u.Quantity = _quantity("mm", "aperture (clear diameter)", above=0, maximum=20000)
    focal_length: u.Quantity = _quantity("mm", "focal length", above=0, maximum=200000)
    central_obstruction: float = _number("central obstruction, share of the diameter", minimum=0, maximum=0.9)
    transmission: float = _number("share of light that passes the optics", above=0, maximum=1)


@dataclass(frozen=True)
class Camera(_Section):
    """A camera; `section` tells main camera and guide camera apart in messages."""

    section = "camera"
    name: str = _text("name")
    pixel_size: u.Quantity = _quantity("um", "pixel size", above=0, maximum=100)
    columns: int = _count("columns of pixels", minimum=1)
    rows: int = _count("rows of pixels", minimum=1)
    mosaic: bool = _flag("colour mosaic in front of the pixels")
    read_noise: u.Quantity = _quantity("electron", "read noise", minimum=0, maximum=1000)
    peak_quantum_efficiency: float = _number("peak quantum efficiency, 0 to 1", above=0, maximum=1)
    quantum_efficiency_850: float = _number("quantum efficiency at 850 nm, 0 to 1", minimum=0, maximum=1)
    dark_current: u.Quantity = _quantity("electron / s", "dark current per pixel", minimum=0, maximum=10000)
    full_well: u.Quantity = _quantity("electron", "full well", above=0, maximum=10_000_000)
    bit_depth: int = _count("bits per pixel", minimum=1, maximum=32)
    binning: int = _count("binning", minimum=1, maximum=16)


@dataclass(frozen=True)
class GuideOptics(_Section):
    """What brings light to the guide camera: a pick-off in the main beam or a small guide telescope."""

    section = "guide_optics"
    kind: str = _choice("kind of guide optics", GUIDE_KINDS)
    aperture: u.Quantity = _quantity("mm", "aperture", above=0, maximum=20000)
    focal_length: u.Quantity = _quantity("mm", "focal length", above=0, maximum=200000)
    central_obstruction: float = _number("central obstruction, share of the diameter", minimum=0, maximum=0.9)
    transmission: float = _number("share of light that passes the optics", above=0, maximum=1)
    mirror_size: u.Quantity = _quantity("mm", "pick-off mirror, side length", minimum=0, maximum=200)
    mirror_distance: u.Quantity = _quantity("mm", "pick-off mirror to guide sensor", minimum=0, maximum=2000)
    off_axis_distance: u.Quantity = _quantity("mm", "guide field centre from the main axis", minimum=0, maximum=500)
    flexure: u.Quantity = _quantity("arcsec / h", "flexure of guide against main telescope", minimum=0, maximum=10000)
    filter: str = _choice("filter in front of the guide sensor", FILTERS)


@dataclass(frozen=True)
class Mount(_Section):
    """The mount and its faults."""

    section = "mount"
    worm_period: u.Quantity = _quantity("s", "worm period", above=0, maximum=100000)
    periodic_error: u.Quantity = _quantity("arcsec", "periodic error, peak to peak", minimum=0, maximum=1000)
    polar_error: u.Quantity = _quantity("arcmin", "polar alignment error", minimum=0, maximum=600)
    backlash: u.Quantity = _quantity("arcsec", "backlash in declination", minimum=0, maximum=1000)
    jitter: u.Quantity = _quantity("arcsec", "fast shake, one-axis rms (wind, gears)", minimum=0, maximum=100)


@dataclass(frozen=True)
class Site(_Section):
    """Where the rig stands."""

    section = "site"
    name: str = _text("name")
    latitude: u.Quantity = _quantity("deg", "latitude, north positive", minimum=-90, maximum=90)
    longitude: u.Quantity = _quantity("deg", "longitude, east positive", minimum=-180, maximum=360)
    height: u.Quantity = _quantity("m", "height above the sea", minimum=-500, maximum=9000)
    sky_brightness: u.Quantity = _quantity("mag / arcsec2", "sky brightness in V", minimum=10, maximum=23)
    seeing: u.Quantity = _quantity("arcsec", "seeing (FWHM at 500 nm, zenith)", minimum=0.1, maximum=20)
    outer_scale: u.Quantity = _quantity("m", "outer scale of the turbulence", minimum=1, maximum=1000)
    atmosphere: str = _text("named atmosphere")


@dataclass(frozen=True)
class Guiding(_Section):
    """Settings of guiding and of the main picture."""

    section = "guiding"
    exposure: u.Quantity = _quantity("s", "guide exposure", above=0, maximum=600)
    loop_gain: float = _number("loop gain: share of the measured error that is corrected", above=0, maximum=2)
    delay: int = _count("delay of a correction in whole exposures", minimum=0, maximum=1)
    dead_band: u.Quantity = _quantity("arcsec", "dead band: smaller errors are left alone", minimum=0, maximum=60)
    stars: int = _count("most stars used", minimum=1, maximum=1000)
    picture_exposure: u.Quantity = _quantity("s", "main camera exposure", above=0, maximum=36000)


@dataclass(frozen=True)
class MainCamera(Camera):
    """The main camera."""

    section = "main_camera"


@dataclass(frozen=True)
class GuideCamera(Camera):
    """The guide camera."""

    section = "guide_camera"


SECTIONS = {part.section: part for part in (Telescope, MainCamera, GuideOptics, GuideCamera, Mount, Site, Guiding)}
# A pick-off sits in the main beam, so these come from the telescope unless given; the rest has no meaning for one kind.
_FROM_TELESCOPE = ("aperture", "focal_length", "central_obstruction", "transmission")
_ZERO_FOR = {
    "pick-off": {"flexure": 0 * u.arcsec / u.h},
    "guide telescope": {name: 0 * u.mm for name in ("mirror_size", "mirror_distance", "off_axis_distance")},
}


@dataclass(frozen=True)
class Rig:
    """A whole rig.

    Raises
    ------
    RigError
        A part is of the wrong type, or a pick-off has no mirror size.
    """

    name: str
    telescope: Telescope
    main_camera: MainCamera
    guide_optics: GuideOptics
    guide_camera: GuideCamera
    mount: Mount
    site: Site
    guiding: Guiding

    def __post_init__(self):
        problems = []
        try:
            object.__setattr__(self, "name", _check_text("name", self.name))
        except ValueError as error:
            problems.append(str(error))
        for key, part in SECTIONS.items():
            if not isinstance(getattr(self, key), part):
                problems.append(f"{key}: expected a {part.__name__}, found {type(getattr(self, key)).__name__}")
        if not problems and self.guide_optics.kind == "pick-off" and self.guide_optics.mirror_size <= 0 * u.mm:
            problems.append("guide_optics.mirror_size: expected above 0 mm for a pick-off, found 0 mm")
        if problems:
            raise RigError("\n".join(problems))


def _unknown(name, known):
    close = difflib.get_close_matches(name, known, n=1)
    return f"; did you mean '{close[0]}'?" if close else f"; expected one of {', '.join(known)}"


def _completed(values):
    """Fill what follows from other values: a pick-off's optics, and lengths that the other kind does not have."""
    optics = dict(values.get("guide_optics", {}))
    telescope = values.get("telescope", {})
    if optics.get("kind") == "pick-off":
        optics = {name: telescope[name] for name in _FROM_TELESCOPE if name in telescope} | optics
    optics = _ZERO_FOR.get(optics.get("kind"), {}) | optics
    return values | {"guide_optics": optics}


def rig_from_values(values):
    """Build a rig from a plain mapping, naming every wrong value.

    Parameters
    ----------
    values : dict
        "name" and one dict per section: quantities (or text such as "2.9 um"), numbers, texts.

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
        clean, wrong = _check_section(part, {name: given[name] for name in names if name in given})
        problems += wrong
        if len(clean) == len(names):
            parts[key] = part(**clean)
    if "name" not in values:
        problems.append("name: missing; expected some text")
    if problems:
        raise RigError("\n".join(problems))
    return Rig(name=values["name"], **parts)


def rig_values(rig):
    """The rig as a plain mapping, the reverse of `rig_from_values`; a quantity stays a quantity."""
    sections = {
        key: {item.name: getattr(getattr(rig, key), item.name) for item in dataclasses.fields(part)}
        for key, part in SECTIONS.items()
    }
    return {"name": rig.name} | sections


def changed(rig, changes):
    """A checked copy of a rig with some values replaced.

    Parameters
    ----------
    rig : Rig
    changes : dict
        Such as ``{"guide_camera.read_noise": 1.2 * u.electron, "name": "what if"}``. A pick-off that shared a value
        with the telescope goes on sharing it.

    Returns
    -------
    Rig

    Raises
    ------
    RigError
        An unknown key or a wrong value.
    """
    values = rig_values(rig)
    if rig.guide_optics.kind == "pick-off":
        for name in _FROM_TELESCOPE:
            if values["guide_optics"][name] == values["telescope"][name]:
                del values["guide_optics"][name]
    kind = changes.get("guide_optics.kind", rig.guide_optics.kind)
    if kind != rig.guide_optics.kind and kind in _ZERO_FOR:
        values["guide_optics"] |= _ZERO_FOR[kind]
    for key, value in changes.items():
        section, _, name = key.rpartition(".")
        if not section:
            values[name] = value
        elif section in SECTIONS:
            values[section] = values[section] | {name: value}
        else:
            raise RigError(f"{key}: unknown{_unknown(section, list(SECTIONS))}")
    return rig_from_values(values)


def _as_text(value):
    return f"{float(value.value)!r} {value.unit}" if isinstance(value, u.Quantity) else value


def load_rig(path):
    """Read a rig file.

    Parameters
    ----------
    path : str or Path
        TOML; quantities are texts with a unit: ``pixel_size = "2.9 um"``.

    Returns
    -------
    Rig

    Raises
    ------
    FileNotFoundError
        No such file.
    RigError
        No TOML, or wrong, missing or unknown keys, each named.
    """
    try:
        return rig_from_values(tables.read_toml(path))
    except ValueError as error:
        message = str(error)
        if isinstance(error, tables.TableError):
            raise RigError(message) from error
        raise RigError("\n".join(f"{Path(path).name}: {line}" for line in message.splitlines())) from error


def save_rig(rig, path):
    """Write a rig file; an existing file keeps its comments and layout, and only its values change.

    Parameters
    ----------
    rig : Rig
    path : str or Path

    Raises
    ------
    TypeError
        `rig` is no Rig.
    RigError
        The file that is there is no TOML; it is left as it was.
    """
    if not isinstance(rig, Rig):
        raise TypeError(f"rig: expected a Rig, found {type(rig).__name__}")
    values, comments = {"name": rig.name}, {}
    for key, section in rig_values(rig).items():
        if key == "name":
            continue
        values[key] = {name: _as_text(value) for name, value in section.items()}
        comments |= {(key, name): item.metadata["label"] for name, item in SECTIONS[key].__dataclass_fields__.items()}
    try:
        tables.update_toml(path, values, comments)
    except tables.TableError as error:
        raise RigError(str(error)) from error


def working_rig():
    """The rig the workbooks work with: the reader's own if one was saved in this folder, else the demo club rig.

    The environment variable GUIDING_RIG_FILE names another file, or "demo" for the demo rig whatever was saved.

    Returns
    -------
    Rig
    """
    chosen = os.environ.get(RIG_VARIABLE, SAVED_RIG)
    if chosen == "demo" or (chosen == SAVED_RIG and not Path(chosen).exists()):
        return demo_rig()
    return load_rig(chosen)


def describe(rig):
    """One line that names a rig on screen."""
    telescope, optics, camera = rig.telescope, rig.guide_optics, rig.guide_camera
    guide = (
        f"pick-off mirror of {optics.mirror_size.value:g} mm"
        if optics.kind == "pick-off"
        else f"guide telescope of {optics.aperture.value:g} mm, focal length {optics.focal_length.value:g} mm"
    )
    return (
        f"Working with: {rig.name} ({telescope.aperture.value:g} mm {telescope.kind}, focal length "
        f"{telescope.focal_length.value:g} mm; {guide}; {camera.name}, {camera.pixel_size.value:g} µm pixels)"
    )


def angle_of(size, distance):
    """Angle under which something of a given size is seen from a distance.

    Parameters
    ----------
    size, distance : Quantity [length]

    Returns
    -------
    Quantity [arcsec]
        2 atan(size / (2 distance)); size / distance in radian when it is small.
    """
    size = as_quantity("size", size, u.m, minimum=0)
    distance = as_quantity("distance", distance, u.m, above=0)
    return (2 * np.arctan(size.value / (2 * distance.value)) * u.rad).to(u.arcsec)


def form_fields(rig):
    """What a form needs to ask for a rig: one plain dict a field, in order.

    Returns
    -------
    list of dict
        Keys: key ("section.name"), section, label, unit (text or ""), value (plain number, text or truth value),
        choices (tuple or None).
    """
    fields = [
        {"key": "name", "section": "rig", "label": "name of the rig", "unit": "", "value": rig.name, "choices": None}
    ]
    for key, section in rig_values(rig).items():
        if key == "name":
            continue
        for name, value in section.items():
            metadata = SECTIONS[key].__dataclass_fields__[name].metadata
            fields.append(
                {
                    "key": f"{key}.{name}",
                    "section": key,
                    "label": metadata["label"],
                    "unit": metadata.get("unit", ""),
                    "value": float(value.value) if isinstance(value, u.Quantity) else value,
                    "choices": metadata.get("choices"),
                }
            )
    return fields


def rig_from_form(answers):
    """The rig that a filled form describes.

    Parameters
    ----------
    answers : dict
        Key ("section.name") to plain value in the unit that `form_fields` names. For a pick-off the guide optics'
        aperture, focal length, obstruction and transmission are taken from the telescope, and what only the other kind
        has is zero.

    Returns
    -------
    Rig

    Raises
    ------
    RigError
        Each wrong value named.
    """
    values = {}
    for key, value in answers.items():
        section, _, name = key.rpartition(".")
        if not section:
            values[name] = value
            continue
        unit = SECTIONS[section].__dataclass_fields__[name].metadata.get("unit")
        values.setdefault(section, {})[name] = value * u.Unit(unit) if unit else value
    optics = values.get("guide_optics", {})
    kind = optics.get("kind")
    unused = (*_FROM_TELESCOPE, *_ZERO_FOR[kind]) if kind == "pick-off" else tuple(_ZERO_FOR.get(kind, ()))
    values["guide_optics"] = {name: value for name, value in optics.items() if name not in unused}
    return rig_from_values(values)


# The invented rigs and cameras of the demo scenario.
_GUIDE_CAMERAS = {
    "A": {
        "name": "guide camera A",
        "mosaic": False,
        "read_noise": "3.2 electron",
        "peak_quantum_efficiency": 0.70,
        "quantum_efficiency_850": 0.25,
        "dark_current": "0.5 electron / s",
        "full_well": "14000 electron",
    },
    "B": {
        "name": "guide camera B",
        "mosaic": True,
        "read_noise": "0.9 electron",
        "peak_quantum_efficiency": 0.85,
        "quantum_efficiency_850": 0.50,
        "dark_current": "0.2 electron / s",
        "full_well": "12000 electron",
    },
}
_GUIDE_SENSOR = {"pixel_size": "3.0 um", "columns": 1800, "rows": 1000, "bit_depth": 12, "binning": 1}
_MAIN_CAMERA = {
    "name": "main camera",
    "pixel_size": "3.8 um",
    "columns": 6000,
    "rows": 4000,
    "mosaic": False,
    "read_noise": "1.5 electron",
    "peak_quantum_efficiency": 0.80,
    "quantum_efficiency_850": 0.30,
    "dark_current": "0.01 electron / s",
    "full_well": "50000 electron",
    "bit_depth": 16,
    "binning": 1,
}
_SITE = {
    "name": "Quillmere Hollow Observatory",
    "latitude": "47 deg",
    "longitude": "0 deg",
    "height": "310 m",
    "sky_brightness": "19.2 mag / arcsec2",
    "seeing": "2.5 arcsec",
    "outer_scale": "20 m",
    "atmosphere": "valley night",
}
_GUIDING = {
    "exposure": "1 s",
    "loop_gain": 0.5,
    "delay": 0,
    "dead_band": "0 arcsec",
    "stars": 12,
    "picture_exposure": "180 s",
}
_DEMO = {
    "club": {
        "name": "club rig",
        "telescope": {
            "kind": "reflector",
            "aperture": "250 mm",
            "focal_length": "1350 mm",
            "central_obstruction": 0.32,
            "transmission": 0.75,
        },
        "guide_optics": {
            "kind": "pick-off",
            "mirror_size": "9 mm",
            "mirror_distance": "60 mm",
            "off_axis_distance": "16 mm",
            "filter": "none",
        },
        "mount": {
            "worm_period": "480 s",
            "periodic_error": "9 arcsec",
            "polar_error": "2 arcmin",
            "backlash": "2 arcsec",
            "jitter": "0.15 arcsec",
        },
    },
    "starter": {
        "name": "starter rig",
        "telescope": {
            "kind": "refractor",
            "aperture": "70 mm",
            "focal_length": "420 mm",
            "central_obstruction": 0.0,
            "transmission": 0.92,
        },
        "guide_optics": {
            "kind": "guide telescope",
            "aperture": "50 mm",
            "focal_length": "200 mm",
            "central_obstruction": 0.0,
            "transmission": 0.90,
            "flexure": "4 arcsec / h",
            "filter": "none",
        },
        "mount": {
            "worm_period": "600 s",
            "periodic_error": "20 arcsec",
            "polar_error": "4 arcmin",
            "backlash": "5 arcsec",
            "jitter": "0.25 arcsec",
        },
    },
}


def demo_rig(name="club", guide_camera="B"):
    """An invented rig of the demo scenario.

    Parameters
    ----------
    name : {"club", "starter"}
    guide_camera : {"A", "B"}
        A: older, monochrome; B: newer, colour mosaic; same size and pixel.

    Returns
    -------
    Rig

    Raises
    ------
    ValueError
        Another name.
    """
    as_choice("name", name, tuple(_DEMO))
    as_choice("guide_camera", guide_camera, tuple(_GUIDE_CAMERAS))
    camera = _GUIDE_SENSOR | _GUIDE_CAMERAS[guide_camera]
    shared = {"main_camera": _MAIN_CAMERA, "guide_camera": camera, "site": _SITE, "guiding": _GUIDING}
    return rig_from_values(_DEMO[name] | shared)
