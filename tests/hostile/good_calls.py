"""Good arguments for every public function: from them odd calls are made."""

import functools
import importlib
import inspect
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.table import Table

from helpers import error_budget, guide_field, near_infrared, rig, seeing
from helpers.camera_check.files import sort_frames
from helpers.camera_check.simulated_camera import SimulatedCamera, take_frames
from helpers.ledger import ledger
from helpers.multi_star import simulate_run
from helpers.planetary import LINKS, PLANETS

DEMO = Path(__file__).resolve().parent.parent.parent / "demo_data"
ROOMS = (
    "rig",
    "pixel_scale",
    "starlight",
    "guide_field",
    "seeing",
    "multi_star",
    "near_infrared",
    "correction_loop",
    "camera_check",
    "night_comparison",
    "error_budget",
    "planetary",
    "ledger",
    "shared.sky",
    "shared.series",
)
# Their good call takes a second and more: a tenth of the spoiled ones is tried.
SLOW = {"attribute_intervals", "diagnose", "diagnose_anew", "suspects", "what_next"}
# Called with files in their own place, or with nothing; `cone_search` uses the network; `run_loop` is the kernel of
# `simulate_loop` and says that it checks nothing.
LEFT_OUT = {
    "cone_search",
    "load_catalogue",
    "load_log",
    "load_rig",
    "save_rig",
    "working_rig",
    "read_night",
    "log_fields",
    "runs",
    "read_frames",
    "read_guide_run",
    "run_loop",
}
ARCSEC, PIX, SCALE, ELECTRON = u.arcsec, u.pix, u.arcsec / u.pix, u.electron
SEED = 11


def _log(start="2026-11-07T20:00:00"):
    rng = np.random.default_rng(SEED)
    count = 400
    log = Table({"time": np.arange(count) * 1.0 * u.s})
    log["ra_error"], log["dec_error"] = rng.normal(0, 0.5, (2, count)) * ARCSEC
    log["camera"], log["star_count"] = ["A"] * count, [5] * count
    log.meta = {"start": start, "file": "log", "notes": []}
    return log


@functools.cache
def _run():
    demo = rig.demo_rig()
    return simulate_run(demo, guide_field.middling_stars(demo), np.random.default_rng(SEED), frames=130).run


@functools.cache
def _camera_frames():
    rng = np.random.default_rng(SEED)
    return take_frames(SimulatedCamera(), rng, shape=(32, 48), bias=8, darks=3, flats=2, levels=4)


@functools.cache
def _pool():
    """A good value for each name of an argument, whatever the function; functions make it when it is asked for."""
    rng = np.random.default_rng(SEED)
    demo = rig.demo_rig()
    stars = guide_field.middling_stars(demo)
    target = guide_field.DEMO_TARGET
    places = target.directional_offset_by(np.arange(40) * 9 * u.deg, np.linspace(1, 60, 40) * u.arcmin)
    catalogue = Table({"ra": places.ra, "dec": places.dec, "magnitude": np.linspace(8, 13, 40) * u.mag})
    pairs = np.array([[0, 0], [4, 1], [-3, 6]]) * u.arcmin
    times = np.arange(200.0) * u.s
    changed = rig.changed(demo, {"guiding.exposure": 2 * u.s})
    return {
        "rig": demo,
        "run": _run,
        "atmospheres": dict(list(seeing.ATMOSPHERES.items())[:2]),
        "old": demo,
        "new": changed,
        "stars": stars,
        "target": target,
        "centre": target,
        "catalogue": catalogue,
        "optics": demo.guide_optics,
        "camera": demo.guide_camera,
        "site": demo.site,
        "atmosphere": seeing.atmosphere_for(demo.site),
        "band": "V",
        "spectral_class": "K0",
        "planet": next(iter(PLANETS)),
        "link": next(iter(LINKS)),
        "rng": None,
        "airmass": 1.2,
        "exposure": 1 * u.s,
        "exposures": np.array([1, 2, 4]) * u.s,
        "wavelength": 600 * u.nm,
        "reference_wavelength": 550 * u.nm,
        "from_wavelength": 550 * u.nm,
        "to_wavelength": 850 * u.nm,
        "picture_wavelength": 550 * u.nm,
        "diameter": 0.2 * u.m,
        "aperture": 200 * u.mm,
        "obstruction": 0.3,
        "pixel_size": 3 * u.um,
        "focal_length": 1000 * u.mm,
        "fwhm": 2.4 * ARCSEC,
        "star_fwhm": 2.4 * ARCSEC,
        "seeing": 2 * ARCSEC,
        "motion": 0.5 * ARCSEC,
        "pixel_scale": 1.1 * SCALE,
        "electrons": 3000 * ELECTRON,
        "background": 20 * ELECTRON / PIX,
        "pixels": 25,
        "read_noise": 2 * ELECTRON,
        "magnitude": 10.0,
        "magnitudes": np.array([10.0, 11.0, 12.0]),
        "latitude": 47 * u.deg,
        "longitude": 90 * u.deg,
        "site_latitude": 47 * u.deg,
        "declination": 33 * u.deg,
        "polar_error": 2 * u.arcmin,
        "defocus": 0.1 * u.mm,
        "sensor_depth": 12 * u.mm,
        "hour_angle": 10 * u.deg,
        "altitude": 50 * u.deg,
        "zenith_angle": 40 * u.deg,
        "position_angle": 60 * u.deg,
        "pressure": 950 * u.hPa,
        "temperature": 10 * u.deg_C,
        "relative_humidity": 0.6,
        "height": 500 * u.m,
        "limiting_magnitude": 13.0,
        "saturation_magnitude": 7.0,
        "density": 50 / u.deg**2,
        "area": 0.1 * u.deg**2,
        "at_least": 2,
        "shape": (64, 48),
        "positions": pairs,
        "separations": pairs,
        "step": 2 * u.deg,
        "covariance": np.array([[2, 1, 0.5], [1, 3, 1], [0.5, 1, 2]]) * ARCSEC**2,
        "errors": rng.normal(0, 0.4, (200, 2)) * ARCSEC,
        "time": times,
        "lags": 20,
        "error": rng.normal(0, 0.4, 200) * ARCSEC,
        "gain": 0.5,
        "delay": 1,
        "frequency": np.array([0.01, 0.1]) / u.s,
        "rate": 0.01 * ARCSEC / u.s,
        "disturbance": rng.normal(0, 0.5, (100, 2)) * ARCSEC,
        "noise": rng.normal(0, 0.1, (100, 2)) * ARCSEC,
        "ratio": 0.8,
        "correlation_time": 3 * u.s,
        "pairs": 4,
        "rms": 0.7 * ARCSEC,
        "wanted": 3,
        "count": 50,
        "draws": 100,
        "before": lambda: error_budget.evaluate(demo),
        "after": lambda: error_budget.evaluate(changed),
        "log": _log(),
        "log_a": _log(),
        "log_b": _log("2026-11-07T21:00:00"),
        "logs": [_log()],
        "bias": lambda: _camera_frames().bias,
        "darks": lambda: _camera_frames().darks,
        "flats": lambda: _camera_frames().flats,
        "bias_frames": lambda: _camera_frames().bias,
        "flat_frames": lambda: _camera_frames().flats,
        "widening": 0.05,
        "box": 9,
        "n_exposures": 20,
        "bit_depth": 12,
        "focal_ratio": 5.0,
        "field_angle": 0.5 * u.deg,
        "x": 1 * u.mm,
        "y": 2 * u.mm,
        "duration": 1 * u.min,
        "tolerance": 0.5 * ARCSEC,
        "angle": 40 * ARCSEC,
        "phase": 0.2 * PIX,
        "image": np.add.outer(np.arange(15.0), np.arange(15.0)) * ELECTRON,
        "factor": 2,
        "curve": None,
        "measured_a": (1.2 * ARCSEC, 0.05 * ARCSEC),
        "measured_b": (1.5 * ARCSEC, 0.05 * ARCSEC),
        "measured_before": 1.4 * ARCSEC,
        "measured_after": 1.1 * ARCSEC,
        "values": rng.normal(0, 1, 200),
        "ledger": lambda: ledger(demo),
        "room": "04",
        "progress": None,
        "executor": None,
        "found": lambda: guide_field.try_list(catalogue, target, demo, guide_field.usable_limits(demo)),
        "files": lambda: sort_frames(DEMO / "camera_drawer" / "clipped_offset"),
        "limits": guide_field.usable_limits(demo),
        "sky": lambda: guide_field.sky_grid(step=20 * u.deg),
    }


@functools.cache
def _own():
    """Good values where a name means something else in one function."""
    rng = np.random.default_rng(SEED)
    demo = rig.demo_rig()
    fields = rig.form_fields(demo)
    answers = {one["key"]: one["value"] for one in fields}
    places = np.array([[14.2, 15.1], [40.3, 30.8]])
    y, x = np.mgrid[:48, :64]
    light = sum(800 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 4) for a, b in places)
    frames = (100 + light + rng.normal(0, 3, (100, 48, 64))).astype(np.uint16)
    sky = guide_field.sky_grid(step=20 * u.deg)
    lit = functools.cache(lambda: guide_field.lit_field(demo.guide_optics, demo.guide_camera, cells=12))
    chance = 0.5 + 0 * sky.latitude.value
    guide = {"rms": 0.7 * ARCSEC, "wanted": 0.6 * ARCSEC}
    star = near_infrared.guide_star(demo)
    quick = {"draws": 20}
    two_cameras = _log()
    two_cameras["camera"] = ["A"] * 200 + ["B"] * 200
    measured = {"frames": frames, "positions": places * PIX, "box": 11}
    return {
        "angle_of": {"size": 3 * u.mm, "distance": 1 * u.m},
        "worm_period": {"teeth": 180},
        "guide_field_place": {"east": 3 * u.arcmin, "north": 4 * u.arcmin},
        "from_flat": {"values": rig.flat(demo)},
        "rig_from_values": {"values": rig.rig_values(demo)},
        "rig_from_form": {"answers": answers},
        "usual_optics": {"kind": demo.guide_optics.kind, "answers": answers},
        "changed": {"changes": {"guiding.exposure": 2 * u.s}},
        "phase_error": {"fwhm": 2.4 * PIX, "box": 15},
        "inside_pixel_error": {"fwhm": 2.4 * ARCSEC},
        "star_image": {"centre": [10.2, 9.7] * PIX, "fwhm": 2.4 * PIX, "shape": (20, 20)},
        "bin_frames": {"frames": frames},
        "electrons_needed": {"error": 0.1 * ARCSEC},
        "hot_pixel_map": {"dark": 1 * ELECTRON / PIX, "share": 0.01, "strength": 20 * ELECTRON / PIX},
        "found_frames": {"signal_to_noise": 6.0, "near": 4.0, "far": 5.0},
        "render_frames": {
            "positions": places * PIX,
            "electrons": [500, 800] * ELECTRON,
            "motion": np.zeros((3, 2, 2)) * ARCSEC,
        },
        "chance_on_sensor": {"field": lit},
        "expected_stars": {"field": lit},
        "fit": {"main_distance": 60 * u.mm, "seat_distance": 40 * u.mm, "glass": 2 * u.mm},
        "frame_kept": {"turn": 20 * u.deg, "columns": 640, "rows": 480},
        "mean_chance": {"chance": chance},
        "mean_chance_by_month": {"chance": chance},
        "sensor_field": {"width": 5 * u.mm, "height": 3 * u.mm},
        "stars_at": {"offsets": [[3, 4], [-2, 5]] * u.arcmin, "magnitudes": np.array([10.0, 11.0])},
        "sweep_chances": {
            "limiting_magnitudes": np.array([12.0, 13.0, 14.0]),
            "mirror_sizes": [6, 8] * u.mm,
            "sky": sky,
        },
        "usable_in_words": {"number": 3},
        "what_to_set": {"angle": 40.0},
        "seeing_fwhm": {"fried_parameter": 0.1 * u.m},
        "sky_grid": {"step": 20 * u.deg},
        "chance_of_missing": {"pointing_error": 5 * u.arcmin, "draws": 50},
        "find_stars": {"frames": frames, "box": 11},
        "measure_run": {"frames": frames, "gain": 1 * ELECTRON / u.DN},
        "simulate_run": {"frames": 105, "stars": guide_field.middling_stars(demo)[:3]},
        "measure_centroids": measured,
        "measure_stars": measured,
        "robust_mean": {"offsets": rng.normal(0, 1, (5, 4, 2)) * ARCSEC},
        "snr_weights": {"errors": [0.1, 0.2, 0.3] * ARCSEC},
        "with_centroid_noise": {"errors": [0.1, 0.2, 0.3] * ARCSEC},
        "along_axes": {"towards_zenith": [0.1, 0.2] * ARCSEC, "parallactic_angle": [10, 20] * u.deg},
        "gain_pieces": {"old": star, "new": star},
        "light_against_width": {"bands": {"all": "none", "red": "long-pass"}},
        "picture_drift": {"hour_angle": [-10, 0, 10] * u.deg},
        "wavelength_gain": {"quantity": "fwhm"},
        "run_loop": {"disturbance": rng.normal(0, 1, (100, 2)), "noise": rng.normal(0, 1, (100, 2))},
        "linearity": {
            "signals": np.array([300, 601, 1199, 1800, 2400]) * u.DN,
            "exposures": np.array([1, 2, 4, 6, 8]) * u.s,
            "saturation": 4000 * u.DN,
        },
        "photon_transfer": {"flat_frames": lambda: np.concatenate([frame for _, frame in _camera_frames().flats])},
        "night_comparison.plan": guide,
        "simulate_night": {"block": 1 * u.min},
        "compare": {"n_resamples": 200},
        "longest_film": {"diameter": 40 * ARCSEC},
        "rotation_smear": {"diameter": 40 * ARCSEC},
        "invented_nights": {"number": 50},
        "diagnose": {"draws": 2000},
        "diagnose_anew": {"draws": 2000, "others": [error_budget.Priors(fault=0.5)]},
        "facts_of": {"log": two_cameras},
        "attribute_intervals": quick,
        "predict": quick,
        "suspects": quick,
        "what_next": quick,
    }


def public_functions(room):
    """Name and function of all that a room offers; of a single module what declares its arguments."""
    module = importlib.import_module(f"helpers.{room}")
    offered = getattr(module, "__all__", None)
    for name in vars(module) if offered is None else offered:
        function = getattr(module, name)
        if not inspect.isfunction(function) or name.startswith("_") or name in LEFT_OUT:
            continue
        if offered is not None or (function.__module__ == module.__name__ and hasattr(function, "__wrapped__")):
            yield name, function


def good_arguments(room, name, function):
    """Good values for the arguments that have no default, and for those with one that the pool knows."""
    own = _own().get(f"{room}.{name}", _own().get(name, {}))
    known = {**_pool(), **own}
    found = {}
    for key, parameter in inspect.signature(function).parameters.items():
        if parameter.kind in (parameter.VAR_KEYWORD, parameter.VAR_POSITIONAL):
            continue
        if parameter.default is parameter.empty:
            found[key] = known[key]() if callable(known[key]) else known[key]
        else:
            found[key] = own.get(key, parameter.default)
    return found
