"""How many usable stars to expect on a guide sensor, and the chance of enough of them, here and all over the sky."""

import concurrent.futures
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.coordinates import Galactic, SkyCoord, get_sun
from astropy.time import Time

from helpers.guide_field import star_counts
from helpers.guide_field.pick_off import LitField, lit_field
from helpers.rig.parts import Rig
from helpers.rig.values import changed
from helpers.shared.checks import choice, count, flags, function, instance, number, optional, quantity, takes
from helpers.shared.limits import CELLS

_LEVELS = 12  # classes of light into which the places of a sensor are sorted; 48 change a count by less than 1 %


@dataclass(frozen=True)
class SkyGrid:
    """Places all over the sky, shape (rows, columns): across and up in the frame asked for, and their galactic
    angles.
    """

    across: u.Quantity
    up: u.Quantity
    latitude: u.Quantity
    longitude: u.Quantity


@dataclass(frozen=True)
class Sweep:
    """chance (exposures, mirror sizes, rows, columns of sky): of at least `at_least` usable stars."""

    exposures: u.Quantity
    mirror_sizes: u.Quantity
    sky: SkyGrid
    at_least: int
    chance: np.ndarray


def _light_levels(field):
    """Sky areas in square degrees, and the loss of light in each in magnitudes."""
    fraction = field.fraction[field.fraction > 0.01]
    if fraction.size == 0:
        return np.zeros(1), np.zeros(1)
    edges = np.linspace(fraction.min(), fraction.max() * (1 + 1e-9), _LEVELS + 1)
    if edges[0] == edges[-1]:
        edges = np.array([edges[0], edges[0] + 1])
    number, _ = np.histogram(fraction, edges)
    light, _ = np.histogram(fraction, edges, weights=fraction)
    filled = number > 0
    area = number[filled] * field.cell_area.to_value(u.deg**2)
    return area, -2.5 * np.log10(light[filled] / number[filled])


def _cumulative(magnitude, latitude_deg, longitude_deg):
    """Density brighter than a magnitude; none brighter than the model's bright end, where there is a star in 6
    deg^2.
    """
    if magnitude <= star_counts.BRIGHTEST:
        return 0.0
    return 10 ** star_counts.log10_density(star_counts.COEFFICIENTS, magnitude, latitude_deg, longitude_deg)


def _expected(levels, limiting, saturation, latitude_deg, longitude_deg):
    total = np.zeros(np.broadcast_shapes(np.shape(latitude_deg), np.shape(longitude_deg)))
    for area, loss in zip(*levels, strict=True):
        faint = _cumulative(limiting - loss, latitude_deg, longitude_deg)
        bright = 0.0 if saturation is None else _cumulative(saturation - loss, latitude_deg, longitude_deg)
        total = total + area * np.maximum(faint - bright, 0)
    return total


def _one_magnitude(name, value):
    return star_counts.magnitudes(name, value, minimum=-30, shape=())


_FIELD = {
    "field": instance(LitField),
    "limiting_magnitude": _one_magnitude,
    "saturation_magnitude": optional(_one_magnitude),
    "latitude": quantity(u.deg, minimum=-90, maximum=90),
    "longitude": quantity(u.deg, minimum=-360, maximum=360),
}
_AT_LEAST = count(maximum=star_counts.MOST_WANTED)


@takes("latitude longitude", **_FIELD)
def expected_stars(field, limiting_magnitude, saturation_magnitude, latitude, longitude=90 * u.deg):
    """Mean number of usable stars on a guide sensor.

    Where less light arrives, the faint limit and the bright limit both move to brighter stars.

    Parameters
    ----------
    field : LitField
        From `lit_field` or `sensor_field`.
    limiting_magnitude : float
        Faintest usable star in the full beam, Gaia G, at most 17 (`starlight.limiting_magnitude`).
    saturation_magnitude : float or None
        Brightest usable star in the full beam (`starlight.saturation_magnitude`); None leaves the bright ones in.
    latitude, longitude : Quantity, angle
        Galactic; broadcast.

    Returns
    -------
    float or ndarray

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    expected = _expected(
        _light_levels(field), limiting_magnitude, saturation_magnitude, latitude.value, longitude.value
    )
    return float(expected) if np.ndim(expected) == 0 else expected


@takes("latitude longitude", at_least=_AT_LEAST, **_FIELD)
def chance_on_sensor(field, limiting_magnitude, saturation_magnitude, latitude, longitude=90 * u.deg, at_least=1):
    """Chance of at least so many usable stars on a guide sensor; arguments as for `expected_stars`.

    Returns
    -------
    float or ndarray
        0 to 1.
    """
    expected = _expected(
        _light_levels(field), limiting_magnitude, saturation_magnitude, latitude.value, longitude.value
    )
    return star_counts.poisson_chance(expected, at_least)


@takes(frame=choice(("galactic", "equatorial")), step=quantity(u.deg, minimum=0.5, maximum=30, ndim=0))
def sky_grid(frame="galactic", step=2 * u.deg):
    """Places all over the sky for a map.

    Parameters
    ----------
    frame : {"galactic", "equatorial"}
    step : Quantity, angle
        From 0.5 to 30 degrees.

    Returns
    -------
    SkyGrid
        across runs over -180 to 180 degrees, up over -90 to 90; middles of cells.
    """
    columns, rows = round(360 / step.value), round(180 / step.value)
    across, up = np.meshgrid(
        (np.arange(columns) + 0.5) / columns * 360 - 180, (np.arange(rows) + 0.5) / rows * 180 - 90
    )
    across, up = across * u.deg, up * u.deg
    if frame == "galactic":
        return SkyGrid(across, up, latitude=up, longitude=across)
    place = SkyCoord(across, up, frame="icrs").galactic
    return SkyGrid(across, up, latitude=place.b.to(u.deg), longitude=place.l.to(u.deg))


_CHANCE = number(minimum=0, maximum=1, ndim=None)


def _mean(chance, sky, where=True):
    if np.shape(chance)[-2:] != sky.up.shape:
        raise ValueError(
            f"chance: expected shape (..., {sky.up.shape[0]}, {sky.up.shape[1]}), found {np.shape(chance)}"
        )
    weight = np.cos(sky.up.to_value("rad")) * where
    mean = (chance * weight).sum(axis=(-2, -1)) / weight.sum()
    return float(mean) if mean.ndim == 0 else mean


@takes(chance=_CHANCE, sky=instance(SkyGrid), where=optional(flags(ndim=2)))
def mean_chance(chance, sky, where=None):
    """Mean over equal areas of the sky.

    Parameters
    ----------
    chance : ndarray, shape (..., rows, columns)
    sky : SkyGrid
    where : ndarray of bool, shape (rows, columns), optional
        Only these places.

    Returns
    -------
    float or ndarray, shape (...)

    Raises
    ------
    ValueError
        Shapes that differ, or no place chosen.
    """
    if where is None:
        return _mean(chance, sky)
    if where.shape != sky.up.shape:
        raise ValueError(f"where: expected truth values of shape {sky.up.shape}, found shape {where.shape}")
    if not where.any():
        raise ValueError("where: expected at least one place on the sky, found none")
    return _mean(chance, sky, where)


@takes(
    chance=_CHANCE,
    sky=instance(SkyGrid),
    site_latitude=quantity(u.deg, minimum=-90, maximum=90, ndim=0),
    minimum_altitude=quantity(u.deg, minimum=-90, maximum=89, ndim=0),
)
def mean_chance_by_month(chance, sky, site_latitude, minimum_altitude=30 * u.deg):
    """Mean chance over the sky that stands high at midnight in the middle of each month.

    Parameters
    ----------
    chance : ndarray, shape (..., rows, columns)
    sky : SkyGrid
    site_latitude : Quantity, angle
    minimum_altitude : Quantity, angle

    Returns
    -------
    ndarray, shape (12, ...)

    References
    ----------
    Local midnight: the Sun's right ascension plus twelve hours is on the meridian. sin(altitude) = sin(latitude)
    sin(dec) + cos(latitude) cos(dec) cos(hour angle).
    """
    latitude, lowest = site_latitude.to_value("rad"), minimum_altitude.to_value("rad")
    place = SkyCoord(l=sky.longitude, b=sky.latitude, frame=Galactic).icrs
    midnight = get_sun(Time([f"2025-{month:02d}-15" for month in range(1, 13)], scale="tt")).ra.rad + np.pi
    months = []
    for meridian in midnight:
        sine = np.sin(latitude) * np.sin(place.dec.rad)
        sine = sine + np.cos(latitude) * np.cos(place.dec.rad) * np.cos(meridian - place.ra.rad)
        high = sine >= np.sin(lowest)
        if not high.any():
            raise ValueError(
                f"minimum_altitude: expected one that some place reaches in every month, found {minimum_altitude:g}"
            )
        months.append(_mean(chance, sky, high))
    return np.array(months)


def _sweep_task(levels, limiting, saturation, latitude_deg, longitude_deg, at_least):
    return star_counts.poisson_chance(_expected(levels, limiting, saturation, latitude_deg, longitude_deg), at_least)


def _row_of_magnitudes(name, value):
    found = star_counts.magnitudes(name, value, minimum=-30)
    if np.ndim(found) != 1:
        raise ValueError(f"{name}: expected one for each exposure, found shape {np.shape(found)}")
    return found


@takes(
    rig=instance(Rig),
    exposures=quantity(u.s, minimum=1e-6, maximum=1e5, ndim=1, most_values=1000),
    limiting_magnitudes=_row_of_magnitudes,
    mirror_sizes=quantity(u.mm, above=0, maximum=200, ndim=1, most_values=1000),
    at_least=_AT_LEAST,
    saturation_magnitudes=optional(_row_of_magnitudes),
    sky=optional(instance(SkyGrid)),
    executor=optional(instance(concurrent.futures.Executor)),
    progress=optional(function()),
)
def sweep_chances(
    rig,
    exposures,
    limiting_magnitudes,
    mirror_sizes,
    at_least=1,
    saturation_magnitudes=None,
    sky=None,
    executor=None,
    progress=None,
):
    """Chance of enough usable stars over the sky for each exposure and each size of the pick-off mirror.

    Parameters
    ----------
    rig : Rig
        With a pick-off.
    exposures : Quantity, time, shape (n,)
    limiting_magnitudes : array, shape (n,)
        Of each exposure, in the full beam (`starlight.limiting_magnitude`).
    mirror_sizes : Quantity, length, shape (m,)
    at_least : int
    saturation_magnitudes : array, shape (n,), optional
    sky : SkyGrid, optional
        Galactic, every 4 degrees, if not given.
    executor : concurrent.futures.Executor, optional
        Works on the n m tasks: a pool of processes, or the executor of a cluster's client. Without it they run here,
        one after the other. The results are the same; here at most 5,000,000 cells (exposures x mirror sizes x places
        of the sky) are worked out, there 50,000,000.
    progress : function, optional
        Called with (tasks done, all tasks) after each.

    Returns
    -------
    Sweep

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    if rig.guide_optics.kind != "pick-off":
        raise ValueError(f"rig: expected one with a pick-off, found a {rig.guide_optics.kind}")
    saturation_magnitudes = [None] * len(exposures) if saturation_magnitudes is None else saturation_magnitudes
    for name, values in (
        ("limiting_magnitudes", limiting_magnitudes),
        ("saturation_magnitudes", saturation_magnitudes),
    ):
        if np.shape(values) != exposures.shape:
            raise ValueError(f"{name}: expected one for each of {len(exposures)} exposures, found {np.shape(values)}")
    sky = sky_grid(step=4 * u.deg) if sky is None else sky
    cells, most = exposures.size * mirror_sizes.size * sky.up.size, CELLS * (1 if executor is None else 10)
    if cells > most:
        raise ValueError(
            f"exposures, mirror_sizes, sky: expected at most {most:,} cells in all, found {cells:,}; take a coarser sky"
        )
    levels = [
        _light_levels(lit_field(changed(rig, {"guide_optics.mirror_size": size}).guide_optics, rig.guide_camera))
        for size in mirror_sizes
    ]
    limits = list(zip(limiting_magnitudes, saturation_magnitudes, strict=True))
    latitude_deg, longitude_deg = sky.latitude.to_value("deg"), sky.longitude.to_value("deg")
    tasks = [(level, *limit, latitude_deg, longitude_deg, at_least) for limit in limits for level in levels]
    results = _run_here(tasks, progress) if executor is None else _run_on(executor, tasks, progress)
    chance = np.reshape(results, (len(exposures), len(mirror_sizes), *latitude_deg.shape))
    return Sweep(exposures, mirror_sizes, sky, at_least, chance)


def _run_here(tasks, progress):
    results = []
    for task in tasks:
        results.append(_sweep_task(*task))
        if progress:
            progress(len(results), len(tasks))
    return results


def _run_on(executor, tasks, progress):
    waiting = [executor.submit(_sweep_task, *task) for task in tasks]
    try:
        for done, future in enumerate(concurrent.futures.as_completed(waiting), 1):
            future.result()  # a task that failed ends the sweep at once
            if progress:
                progress(done, len(waiting))
        return [future.result() for future in waiting]
    finally:
        for future in waiting:
            future.cancel()
