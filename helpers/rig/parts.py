"""The parts of a rig and what may stand in each: telescope, cameras, guide optics, mount, site and settings."""

import dataclasses
import functools
from dataclasses import dataclass, field

import astropy.units as u
import numpy as np

from helpers.shared.checks import as_choice, as_count, as_instance, as_number, as_quantity, quantity, takes

TELESCOPE_KINDS = ("reflector", "refractor", "catadioptric")
GUIDE_KINDS = ("pick-off", "guide telescope")
FILTERS = ("none", "infrared-blocking", "long-pass")
ATMOSPHERES = (
    "valley night",
    "jet-stream night",
    "calm night",
    "high mountain",
    "Hufnagel-Valley",
)  # described in the room on seeing
SHORTEST_EXPOSURE = 1e-3  # s


class RigError(ValueError):
    """A rig or rig file holds wrong values; the message lists each with its key, what was found and what was
    expected.
    """


def _quantity(unit, label, **limits):
    check = functools.partial(as_quantity, unit=u.Unit(unit), ndim=0, **limits)  # its text is read once, not each time
    return field(metadata={"check": check, "unit": unit, "label": label})


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


def check_section(section, values):
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
        clean, problems = check_section(type(self), values)
        if problems:
            raise RigError("\n".join(problems))
        for name, value in clean.items():
            object.__setattr__(self, name, value)
        self._check_together()

    def _check_together(self):
        """Refuse values that are right one by one and can't be together."""


@dataclass(frozen=True)
class Telescope(_Section):
    """The main telescope."""

    section = "telescope"
    kind: str = _choice("kind of telescope", TELESCOPE_KINDS)
    aperture: u.Quantity = _quantity("mm", "aperture (clear diameter)", minimum=5, maximum=20000)
    focal_length: u.Quantity = _quantity("mm", "focal length", minimum=10, maximum=200000)
    central_obstruction: float = _number("central obstruction, share of the diameter", minimum=0, maximum=0.9)
    transmission: float = _number("share of light that passes the optics", minimum=1e-4, maximum=1)


@dataclass(frozen=True)
class Camera(_Section):
    """A camera; `section` tells main camera and guide camera apart in messages."""

    section = "camera"
    name: str = _text("name")
    pixel_size: u.Quantity = _quantity("um", "pixel size", minimum=0.1, maximum=100)
    columns: int = _count("columns of pixels", minimum=1, maximum=100_000)
    rows: int = _count("rows of pixels", minimum=1, maximum=100_000)
    mosaic: bool = _flag("colour mosaic in front of the pixels")
    read_noise: u.Quantity = _quantity("electron", "read noise", minimum=0, maximum=1000)
    peak_quantum_efficiency: float = _number("peak quantum efficiency, 0 to 1", minimum=1e-4, maximum=1)
    quantum_efficiency_850: float = _number(
        "quantum efficiency in the near infrared (850 nm), 0 to 1", minimum=0, maximum=1
    )
    dark_current: u.Quantity = _quantity("electron / s", "dark current per pixel", minimum=0, maximum=10000)
    full_well: u.Quantity = _quantity("electron", "full well", minimum=10, maximum=10_000_000)
    bit_depth: int = _count("bits per pixel", minimum=1, maximum=32)
    binning: int = _count("binning", minimum=1, maximum=16)

    def _check_together(self):
        if self.quantum_efficiency_850 > self.peak_quantum_efficiency:
            raise RigError(
                f"{self.section}.quantum_efficiency_850: expected at most the peak quantum efficiency "
                f"{self.peak_quantum_efficiency:g}, found {self.quantum_efficiency_850:g}"
            )


@dataclass(frozen=True)
class GuideOptics(_Section):
    """What brings light to the guide camera: a pick-off in the main beam or a small guide telescope."""

    section = "guide_optics"
    kind: str = _choice("kind of guide optics", GUIDE_KINDS)
    aperture: u.Quantity = _quantity("mm", "aperture", minimum=5, maximum=20000)
    focal_length: u.Quantity = _quantity("mm", "focal length", minimum=10, maximum=200000)
    central_obstruction: float = _number("central obstruction, share of the diameter", minimum=0, maximum=0.9)
    transmission: float = _number("share of light that passes the optics", minimum=1e-4, maximum=1)
    mirror_size: u.Quantity = _quantity("mm", "pick-off mirror, side length", minimum=0, maximum=200)
    mirror_distance: u.Quantity = _quantity("mm", "pick-off mirror to guide sensor", minimum=0, maximum=2000)
    off_axis_distance: u.Quantity = _quantity("mm", "guide field centre from the main axis", minimum=0, maximum=500)
    flexure: u.Quantity = _quantity("arcsec / h", "flexure of guide against main telescope", minimum=0, maximum=10000)
    filter: str = _choice("filter in front of the guide sensor", FILTERS)


@dataclass(frozen=True)
class Mount(_Section):
    """The mount and its faults."""

    section = "mount"
    worm_period: u.Quantity = _quantity("s", "worm period", minimum=1, maximum=100000)
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
    seeing: u.Quantity = _quantity("arcsec", "seeing (a star's FWHM overhead, in green light)", minimum=0.1, maximum=20)
    outer_scale: u.Quantity = _quantity("m", "outer scale of the turbulence", minimum=1, maximum=1000)
    atmosphere: str = _choice("named atmosphere", ATMOSPHERES)


@dataclass(frozen=True)
class Guiding(_Section):
    """Settings of guiding and of the main picture."""

    section = "guiding"
    exposure: u.Quantity = _quantity("s", "guide exposure", minimum=SHORTEST_EXPOSURE, maximum=600)
    loop_gain: float = _number("loop gain: share of the measured error that is corrected", minimum=1e-4, below=2)
    delay: int = _count("delay of a correction in whole exposures", minimum=0, maximum=1)
    dead_band: u.Quantity = _quantity("arcsec", "dead band: smaller errors are left alone", minimum=0, maximum=60)
    stars: int = _count("most stars used", minimum=1, maximum=1000)
    picture_exposure: u.Quantity = _quantity("s", "main camera exposure", minimum=SHORTEST_EXPOSURE, maximum=36000)

    def _check_together(self):
        if self.delay == 1 and self.loop_gain >= 1:  # the limit is derived in the room on the correction loop
            raise RigError(
                f"guiding.loop_gain: expected below 1 with a delay of one exposure, found {self.loop_gain:g}; "
                "the mount would swing ever wider"
            )


@dataclass(frozen=True)
class MainCamera(Camera):
    """The main camera."""

    section = "main_camera"


@dataclass(frozen=True)
class GuideCamera(Camera):
    """The guide camera."""

    section = "guide_camera"


SECTIONS = {part.section: part for part in (Telescope, MainCamera, GuideOptics, GuideCamera, Mount, Site, Guiding)}
KEYS = ("name", *(f"{key}.{name}" for key, part in SECTIONS.items() for name in part.__dataclass_fields__))


# A pick-off sits in the main beam, so these come from the telescope unless given; the rest has no meaning for one kind.
FROM_TELESCOPE = ("aperture", "focal_length", "central_obstruction", "transmission")
ZERO_FOR = {
    "pick-off": {"flexure": 0 * u.arcsec / u.h},
    "guide telescope": {name: 0 * u.mm for name in ("mirror_size", "mirror_distance", "off_axis_distance")},
}


@dataclass(frozen=True)
class Rig:
    """A whole rig.

    Attributes
    ----------
    name, telescope, main_camera, guide_optics, guide_camera, mount, site, guiding
        Text, and one object a part.
    own : frozenset of str
        Keys ("telescope.aperture") of the values that somebody gave; the others are those of a demo rig. Two rigs with
        the same values are equal, whoever gave them.

    Raises
    ------
    RigError
        A part is of the wrong type, a pick-off has no mirror size, or another obstruction than its telescope.
    """

    name: str
    telescope: Telescope
    main_camera: MainCamera
    guide_optics: GuideOptics
    guide_camera: GuideCamera
    mount: Mount
    site: Site
    guiding: Guiding
    own: frozenset = field(default=frozenset(), compare=False, repr=False)

    def __post_init__(self):
        problems = []
        try:
            object.__setattr__(self, "name", _check_text("name", self.name))
        except ValueError as error:
            problems.append(str(error))
        for key, part in SECTIONS.items():
            if not isinstance(getattr(self, key), part):
                problems.append(f"{key}: expected a {part.__name__}, found {type(getattr(self, key)).__name__}")
        try:
            own = as_keys("own", self.own)
        except (TypeError, ValueError) as error:
            problems.append(str(error))
        if not problems and self.guide_optics.kind == "pick-off":
            problems += _pick_off_problems(self.telescope, self.guide_optics)
        if problems:
            raise RigError("\n".join(problems))
        object.__setattr__(self, "own", _with_followers(own, self.telescope, self.guide_optics))


def as_keys(name, keys):
    """Keys of a rig as a frozenset; TypeError or RigError where they are none."""
    if isinstance(keys, str) or not np.iterable(keys):
        raise TypeError(f"{name}: expected keys of a rig such as 'mount.jitter', found {keys!r:.60}")
    found = set()
    for key in keys:
        if not isinstance(key, str) or key not in KEYS:
            raise RigError(f"{name}: expected keys of a rig, found {key!r:.60}")
        found.add(key)
    return frozenset(found)


def _with_followers(own, telescope, optics):
    """Keys that somebody gave, where values of the guide optics follow from the telescope or from their kind."""
    for name in FROM_TELESCOPE:
        if optics.kind == "pick-off" and getattr(optics, name) == getattr(telescope, name):
            own = (own | {f"guide_optics.{name}"}) if f"telescope.{name}" in own else own - {f"guide_optics.{name}"}
    without_meaning = {f"guide_optics.{name}" for name in ZERO_FOR[optics.kind]}
    return own | without_meaning if "guide_optics.kind" in own else own - without_meaning


def _pick_off_problems(telescope, optics):
    problems = []
    if optics.mirror_size <= 0 * u.mm:
        problems.append("guide_optics.mirror_size: expected above 0 mm for a pick-off, found 0 mm")
    if optics.central_obstruction != telescope.central_obstruction:
        problems.append(
            f"guide_optics.central_obstruction: expected the telescope's {telescope.central_obstruction:g}, for a "
            f"pick-off sits in its beam, found {optics.central_obstruction:g}"
        )
    return problems


@takes(rig=lambda name, value: as_instance(name, value, Rig))
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


@takes("size distance", size=quantity(u.m, minimum=0), distance=quantity(u.m, above=0))
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
    return (2 * np.arctan(size.value / (2 * distance.value)) * u.rad).to(u.arcsec)
