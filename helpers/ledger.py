"""The reader's numbers from the first room to the last, each taken from the room that shows it."""

from dataclasses import dataclass, field
from functools import lru_cache

import astropy.units as u

from helpers.error_budget.predict import predict
from helpers.guide_field.targets import default_target
from helpers.pixel_scale import scale as pixel_scale
from helpers.rig.parts import Rig
from helpers.seeing.named_air import atmosphere_for
from helpers.seeing.wander import image_motion
from helpers.shared.checks import instance, takes
from helpers.starlight.view import view

FAINTEST_ERROR = 0.1 * u.arcsec  # a star is usable when its centroid is known to this, one axis


@dataclass(frozen=True)
class Ledger:
    """What a rig can do, number by number in the order of the rooms.

    Attributes
    ----------
    picture_notices : Quantity [arcsec]
        Movement, one-axis rms, that widens a star of the main picture by 5 per cent.
    guide_star_fwhm : Quantity [arcsec]
        Width of a guide star overhead.
    faintest_star : float
        Gaia G, as in a star list, of the faintest star whose centroid error is 0.1 arcsec on one axis, overhead; where
        coarse pixels let no star be known so well, of the brightest that leaves them unfilled.
    light_share : float
        Of the beam that reaches the middle of the guide sensor; 1 without pick-off.
    stars : int
        Guide stars used, in a middling field of the sky about the rig's default target; one poor star where none is
        good enough.
    stars_after_flip : int
        The same after the meridian flip: a guide telescope keeps its field, a pick-off gets another, middling too.
    air : Quantity [arcsec]
        Wander of one star in one exposure by the air overhead, one axis.
    noise : Quantity [arcsec]
        Centroid error of the mean of the stars, one axis.
    logged_rms, pointing_rms : Quantity [arcsec]
        Both axes together: what the log shows, and what the mount really does.
    final_fwhm : Quantity [arcsec]
        Star in the picture.
    own : frozenset of str
        Names of the numbers above that rest on values the reader gave, and on none of a demo rig.
    """

    picture_notices: u.Quantity
    guide_star_fwhm: u.Quantity
    faintest_star: float
    light_share: float
    stars: int
    stars_after_flip: int
    air: u.Quantity
    noise: u.Quantity
    logged_rms: u.Quantity
    pointing_rms: u.Quantity
    final_fwhm: u.Quantity
    own: frozenset = field(default=frozenset())


_AIR = {"site.seeing", "site.outer_scale"}
_LAYERS = {*_AIR, "site.atmosphere"}
_OPTICS = {f"guide_optics.{name}" for name in ("aperture", "focal_length", "central_obstruction", "transmission")}
_MIRROR = {f"guide_optics.{name}" for name in ("kind", "mirror_size", "mirror_distance")}
_LIT = {*_MIRROR, "guide_optics.aperture", "guide_optics.focal_length", "guide_optics.central_obstruction"}
_COLOURS = {
    "guide_optics.filter",
    "guide_camera.mosaic",
    "guide_camera.peak_quantum_efficiency",
    "guide_camera.quantum_efficiency_850",
    "site.height",
}
_WIDTH = {*_AIR, *_COLOURS, "guide_optics.aperture", "guide_optics.central_obstruction"}
_SENSOR = {f"guide_camera.{name}" for name in ("pixel_size", "binning", "read_noise", "dark_current", "full_well")}
_STAR = {*_WIDTH, *_OPTICS, *_LIT, *_SENSOR, "guide_camera.bit_depth", "site.sky_brightness", "guiding.exposure"}
_FIELD = {
    *_STAR,
    "guide_optics.off_axis_distance",
    "guide_camera.columns",
    "guide_camera.rows",
    "guiding.stars",
    "site.latitude",
}
_LOOP = {
    *_FIELD,
    *_LAYERS,
    *(f"mount.{name}" for name in ("worm_period", "periodic_error", "polar_error", "backlash")),
    *(f"guiding.{name}" for name in ("loop_gain", "delay", "dead_band", "picture_exposure")),
}
# What each number hangs on.
RESTS_ON = {
    "picture_notices": {
        *_AIR,
        "telescope.aperture",
        "telescope.focal_length",
        "telescope.central_obstruction",
        "main_camera.pixel_size",
        "main_camera.binning",
    },
    "guide_star_fwhm": _WIDTH,
    "faintest_star": _STAR,
    "light_share": _LIT,
    "stars": _FIELD,
    "stars_after_flip": _FIELD,
    "air": {*_LAYERS, "guide_optics.aperture", "guiding.exposure"},
    "noise": _FIELD,
    "logged_rms": _LOOP,
    "pointing_rms": _LOOP,
    "final_fwhm": {
        *_LOOP,
        "telescope.aperture",
        "telescope.central_obstruction",
        "mount.jitter",
        "guide_optics.flexure",
    },
}


@lru_cache(maxsize=64)
def _numbers(rig):
    budget = predict(rig, default_target(rig))
    overhead = view(rig)
    return {
        "picture_notices": pixel_scale.compare_scales(rig).noticed,
        "guide_star_fwhm": overhead.fwhm,
        "faintest_star": float(overhead.faintest(FAINTEST_ERROR)),
        "light_share": float(overhead.light_share),
        "stars": budget.stars,
        "stars_after_flip": budget.stars,
        "air": image_motion(rig.guide_optics.aperture, atmosphere_for(rig.site), rig.guiding.exposure),
        "noise": budget.centroid_error,
        "logged_rms": budget.logged_rms,
        "pointing_rms": budget.pointing_rms,
        "final_fwhm": budget.final_fwhm,
    }


@takes(rig=instance(Rig))
def ledger(rig):
    """The chain of a rig's numbers, from what the picture notices to the star in the picture.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    Ledger
        Remembered for rigs that were asked for before.

    Raises
    ------
    TypeError
        `rig` is no Rig.
    ValueError
        Values with which no prediction can be made, such as an outer scale too small for the seeing.
    """
    return Ledger(**_numbers(rig), own=frozenset(name for name, keys in RESTS_ON.items() if keys <= rig.own))


# Label, room that explains it, names of the numbers it shows.
_STRIP = (
    ("what the picture notices", "01_pixel_scale", ("picture_notices",)),
    ("faintest usable star", "02_starlight", ("faintest_star",)),
    ("what the pick-off lets through", "03_guide_field", ("light_share",)),
    ("stars now, after the flip", "03_guide_field", ("stars", "stars_after_flip")),
    ("air in one exposure", "04_seeing", ("air",)),
    ("noise of the stars' mean", "05_multi_star", ("noise",)),
    ("what the loop leaves, both axes", "07_correction_loop", ("pointing_rms",)),
    ("star in the picture, FWHM", "10_error_budget", ("final_fwhm",)),
)


def _written(name, value):
    if name == "faintest_star":
        return f"G = {value:.1f}"
    if name == "light_share":
        return f"{value:.0%} of the light"
    if isinstance(value, u.Quantity):
        return f"{value.to_value(u.arcsec):.2f} arcsec"
    return str(value)


@takes(ledger=instance(Ledger), room=instance(str))
def strip_entries(ledger, room):
    """The numbers as the strip at the top of a workbook shows them.

    Parameters
    ----------
    ledger : Ledger
    room : str
        File name of the workbook that shows the strip, without ending: "04_seeing".

    Returns
    -------
    list of tuple
        (label, text, own, room that explains it, here), as `classroom.ledger_strip.show` takes them.

    Raises
    ------
    TypeError
        `ledger` is no Ledger, `room` no text.
    """
    return [
        (
            label,
            ", ".join(_written(name, getattr(ledger, name)) for name in names),
            all(name in ledger.own for name in names),
            explained,
            explained == room,
        )
        for label, explained, names in _STRIP
    ]
