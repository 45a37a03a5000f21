"""Why one log is lower than another of the same night: each suspect alone, all else kept as it is.

What the log model has no setting for, focus and faults of the camera, makes every star as badly measured as a fainter
one; that fainter star stands for it.
"""

from dataclasses import dataclass, fields, replace
from functools import lru_cache

import astropy.units as u
import numpy as np
from scipy import special

from helpers.camera_check.costs import with_stripes
from helpers.error_budget import nights
from helpers.error_budget.causes import FACTORS, mixed
from helpers.error_budget.terms import Budget, centroid_errors, evaluate, stars_like
from helpers.guide_field.targets import default_target, meridian_passage
from helpers.rig.demo import demo_rig
from helpers.rig.parts import Rig
from helpers.rig.values import changed
from helpers.seeing.air import MAXIMUM_AIRMASS
from helpers.shared.checks import (
    as_number,
    count,
    flag,
    function,
    instance,
    number,
    optional,
    quantity,
    take_fields,
    takes,
)
from helpers.shared.limits import DRAWS_OF_EACH
from helpers.starlight.view import view_of_arrived
from helpers.starlight.widths import guide_star_fwhm

# A field as a small pick-off shows it over a city: several stars, none of them bright (an invented one).
SEVERAL = (13.2, 14.0, 14.5, 15.0)
# How far each suspect goes: choices made here, no source.
FAINTER = 1.3  # magnitudes: three tenths of the light
OUT_OF_FOCUS = 2.0  # times as wide
FAULTY = 15 * u.electron  # read noise of a camera that is not well
STRIPES = 5 * u.electron  # that all pixels of a row share
POORER = 1.2  # times the seeing
_MOSAIC = "colour mosaic"
_CAMERA = ("read noise", "efficiency, visible", "efficiency, near infrared", _MOSAIC)
_MAGNITUDES = np.linspace(4, 21, 171)


@dataclass(frozen=True)
class Suspect:
    """A run with one thing changed.

    Attributes
    ----------
    name : str
    cause : str
        Which of `diagnosis.CAUSES` it belongs to; empty for a run with nothing changed.
    base : str
        Name of the run it differs from in one thing.
    logged_rms, final_fwhm : Quantity [arcsec]
        On a middling night.
    logged_change, picture_change : Quantity [arcsec]
        Against the run it differs from in one thing; positive: larger.
    logged_interval, picture_interval : (low, high) Quantity [arcsec], or None
        Where log and star lie in 95 of 100 nights in which the run it differs from is as on the middling one.
    """

    name: str
    cause: str
    base: str
    logged_rms: u.Quantity
    final_fwhm: u.Quantity
    logged_change: u.Quantity
    picture_change: u.Quantity
    logged_interval: tuple | None = None
    picture_interval: tuple | None = None


def city_rigs():
    """The club's rig with camera A and with camera B under a city sky and poor seeing: tuple of two Rig."""
    there = {"site.seeing": 3 * u.arcsec, "site.sky_brightness": 17.5 * u.mag / u.arcsec**2}
    return tuple(changed(demo_rig("club", camera), there) for camera in "AB")


@lru_cache(maxsize=256)
def run_of(rig, magnitudes):
    """Budget of a rig's run on stars of these magnitudes (a tuple), where stars of a middling field stand."""
    return evaluate(rig, None, stars_like(rig, magnitudes))


def logged(run):
    """The log [arcsec] of a Budget or Suspect as far as this model tells it, to 0.01.

    The play of the gears is simulated, which leaves a spread of 0.003 to chance.
    """
    return round(run.logged_rms.to_value(u.arcsec), 2)


# What `together` gives of the older camera; "rest" is all that the others leave.
_OLDER = {"infrared": FACTORS["efficiency, near infrared"], "noise": FACTORS["read noise"]}
SENSOR = ("infrared", "noise", "rest")


@lru_cache(maxsize=256)
def together(chosen):
    """Budget of the newer camera's run over a city with several things at once as the older run may have had them.

    Parameters
    ----------
    chosen : tuple of str
        Of the older camera "infrared", "noise" and "rest", all three of which make it the older camera; "short", half
        the exposure; "one" star only; "faint" stars; "fault", a camera with the read noise of one that is not well.

    Returns
    -------
    Budget
    """
    old, new = city_rigs()
    camera = {f"guide_camera.{each.name}" for each in fields(old.guide_camera)}
    keys = _OLDER | {"rest": camera.difference(*_OLDER.values())}
    rig = mixed(new, old, [key for name in chosen for key in keys.get(name, ())])
    changes = {
        "short": {"guiding.exposure": rig.guiding.exposure / 2},
        "one": {"guiding.stars": 1},
        "fault": {"guide_camera.read_noise": FAULTY},
    }
    rig = changed(rig, {key: value for name in chosen for key, value in changes.get(name, {}).items()})
    return run_of(rig, tuple(magnitude + FAINTER * ("faint" in chosen) for magnitude in SEVERAL))


@dataclass(frozen=True)
class Fault:
    """What spoils the measured stars besides what a rig says.

    Attributes
    ----------
    blur : float
        Width of a star over its width in focus.
    stripes : float
        Noise that all pixels of a row share [electron].
    clipped : bool
        The camera's offset is too low: what would be below it reads zero.
    """

    blur: float = 1.0
    stripes: float = 0.0
    clipped: bool = False

    def __post_init__(self):
        take_fields(self, blur=number(above=0, maximum=1000), stripes=number(minimum=0, maximum=1e6), clipped=flag())


@takes(threshold=number(minimum=-1e100, maximum=1e100, ndim=None))
def known_share(threshold):
    """Share of the information on a level that is left when readings below a threshold are cut off there.

    Fisher's information on the mean of a normal distribution of unit width that is censored below `threshold` (from
    the definition; Tobin 1958, Econometrica 26, 24, treats such data).
    """
    density, below = np.exp(-0.5 * threshold**2) / np.sqrt(2 * np.pi), special.ndtr(threshold)
    return 1 - below + threshold * density + density**2 / np.maximum(below, 1e-300)


_STARS = {
    "rig": instance(Rig),
    "magnitudes": number(minimum=-30, maximum=40, ndim=1, most_values=1000),
    "fault": instance(Fault),
}


@takes(
    airmass=number(minimum=1, maximum=MAXIMUM_AIRMASS),
    fwhm=quantity(u.arcsec, above=0, maximum=3600, ndim=0),
    **_STARS,
)
def faulty_errors(rig, magnitudes, fault, airmass, fwhm):
    """Centroid errors [arcsec, root mean square of both axes] of stars with a fault; array."""
    setting = view_of_arrived(rig, airmass=airmass, fwhm=fault.blur * fwhm)
    background, read_noise = setting.background.value, rig.guide_camera.read_noise.value
    if fault.clipped:
        variance = background + read_noise**2
        background = variance / known_share(-background / np.sqrt(variance)) - read_noise**2
    setting = replace(setting, background=background * setting.background.unit)
    striped = with_stripes(setting, rig.guide_camera, fault.stripes * u.electron)
    axes = [each.signal(magnitudes) for each in (setting, striped)]
    return np.sqrt(np.mean([axis.centroid_error.to_value(u.arcsec) ** 2 for axis in axes], axis=0))


@takes(**_STARS)
def as_faint(rig, magnitudes, fault):
    """Magnitudes of stars that the rig without fault would measure as badly as these with it; array.

    Parameters
    ----------
    rig : Rig
    magnitudes : array, shape (N,)
    fault : Fault
    """
    airmass = meridian_passage(default_target(rig), rig.site.latitude).airmass
    fwhm = guide_star_fwhm(rig, airmass)
    plain = np.maximum.accumulate(np.log(centroid_errors(rig, _MAGNITUDES, airmass, fwhm)[0]))
    errors = np.log(faulty_errors(rig, magnitudes, fault, airmass, fwhm))
    return np.maximum(magnitudes, np.interp(errors, plain, _MAGNITUDES))


def _runs(old, new, magnitudes):
    """Name, cause, rig, stars, and number of the run it differs from, of each run; the first two are new and old."""
    magnitudes = np.asarray(magnitudes, float)
    exposure, noise = old.guiding.exposure, old.guide_camera.read_noise
    runs = [("the new camera", "", new, magnitudes, 0), ("the old camera, healthy", "", old, magnitudes, 0)]
    for cause in _CAMERA:
        name = "no colour mosaic, as in the old one" if cause == _MOSAIC and not old.guide_camera.mosaic else ""
        runs.append((name or f"the old one's {cause}", cause, mixed(new, old, FACTORS[cause]), magnitudes, 0))

    def with_old(name, cause, change=None, stars=magnitudes):
        runs.append((name, cause, changed(old, change or {}), stars, 1))

    with_old("one star only", "stars used", {"guiding.stars": 1})
    with_old(f"stars {FAINTER:g} magnitudes fainter", "brightness of the stars", stars=magnitudes + FAINTER)
    with_old(f"exposure {exposure.value / 2:g} s", "exposure", {"guiding.exposure": exposure / 2})
    with_old("guide stars twice as wide", "focus", stars=as_faint(old, magnitudes, Fault(blur=OUT_OF_FOCUS)))
    with_old(
        f"read noise {FAULTY.value:g} electrons",
        "camera fault",
        {"guide_camera.read_noise": max(FAULTY, noise)},
    )
    with_old(
        f"stripes of {STRIPES.value:g} electrons",
        "camera fault",
        stars=as_faint(old, magnitudes, Fault(stripes=STRIPES.value)),
    )
    with_old("offset clipped at zero", "camera fault", stars=as_faint(old, magnitudes, Fault(clipped=True)))
    poorer = {"site.seeing": POORER * old.site.seeing}
    with_old(f"seeing {POORER * old.site.seeing.value:.1f} arcsec", "seeing between the runs", poorer)
    return runs


@takes(rig=instance(Rig), budget=instance(Budget), draws=count(minimum=20, maximum=DRAWS_OF_EACH))
def chance_share(rig, budget, draws=100):
    """Limit, over the log's rms, of the difference of two logs of one rig under the same sky in 95 of 100 pairs."""
    drawn = nights.draw_nights(np.random.default_rng(1), draws)
    ones = np.ones(len(drawn))
    same = replace(
        drawn,
        seeing=ones,
        periodic_error=ones,
        polar_error=ones,
        state=np.full(len(drawn), nights.STATES // 2),
        field=np.zeros(len(drawn), int),
    )
    logged = nights.numbers(rig, same, budget)[:, 0]
    return 1.96 * np.sqrt(2) * float(logged.std(ddof=1) / logged.mean())


def _magnitudes(name, value):
    return tuple(as_number(name, value, ndim=1, minimum=-5, maximum=20, most_values=1000))


@takes(
    old=instance(Rig),
    new=instance(Rig),
    magnitudes=_magnitudes,
    rng=optional(instance(np.random.Generator)),
    draws=count(minimum=20, maximum=DRAWS_OF_EACH),
    progress=optional(function()),
)
def suspects(old, new, magnitudes=SEVERAL, rng=None, *, draws=100, progress=None):
    """What each suspect alone does to the log and to the picture.

    Parameters
    ----------
    old, new : Rig
        That differ in their guide cameras.
    magnitudes : array, shape (N,)
        Gaia G of the guide stars, as they reach the camera.
    rng : numpy.random.Generator, optional
        Given, intervals are computed from nights that are drawn, the same for every suspect.
    draws : int
        Nights, 20 to 2000.
    progress : function, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    list of Suspect
        The new run; the old one, healthy; the new one with one property of the old camera each; the old one with one
        thing wrong each; last, the same run twice: chance.

    Raises
    ------
    TypeError, ValueError
        Naming the argument.
    """
    runs = _runs(old, new, magnitudes)
    budgets = [run_of(rig, tuple(stars.tolist())) for _, _, rig, stars, _ in runs]
    drawn = None if rng is None else nights.draw_nights(rng, draws)
    found, numbers = [], []

    def over_nights(budget):
        return None if drawn is None else nights.numbers(budget.rig, drawn, budget)[:, [0, 2]]

    several = zip(runs, budgets, nights.side_by_side(over_nights, budgets), strict=True)
    for k, ((name, cause, _, _, base), budget, over) in enumerate(several):
        intervals = {}
        numbers.append(over)
        if drawn is not None:
            ratios = np.quantile(numbers[k] / numbers[base], [0.025, 0.975], axis=0)
            at_base = np.array([budgets[base].logged_rms.value, budgets[base].final_fwhm.value])
            log, picture = (ratios * at_base).T * u.arcsec
            intervals = {"logged_interval": tuple(log), "picture_interval": tuple(picture)}
        found.append(_suspect((name, cause, runs[base][0]), budget, budgets[base], intervals))
        if progress is not None:
            progress((k + 1) / (len(runs) + 1))
    share = chance_share(old, budgets[1])
    limits = tuple(budgets[1].logged_rms * factor for factor in (1 - share, 1 + share))
    by_chance = _suspect(
        ("the same again: chance", "chance", runs[1][0]), budgets[1], budgets[1], {"logged_interval": limits}
    )
    if progress is not None:
        progress(1.0)
    return [*found, by_chance]


def _suspect(names, budget, base, intervals):
    return Suspect(
        *names,
        budget.logged_rms,
        budget.final_fwhm,
        budget.logged_rms - base.logged_rms,
        budget.final_fwhm - base.final_fwhm,
        **intervals,
    )
