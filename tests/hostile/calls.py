"""Odd arguments for every public function: good ones, of which one (sometimes two) is spoiled."""

import datetime
import decimal
import fractions
import functools
import zlib
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.coordinates import AltAz, SkyCoord
from astropy.table import Table
from astropy.time import Time
from drawing import check_finite
from good_calls import SEED, SLOW, good_arguments, public_functions
from outcomes import NOT_FINITE, RIGHT, WRONG, Case, refusal

from helpers import rig


class _NoSuchThing:
    def __repr__(self):
        return "<something else>"


def anything():
    """Values that are odd whatever is expected."""
    return {
        "None": None,
        "True": True,
        "False": False,
        "0": 0,
        "-1": -1,
        "1": 1,
        "1.5": 1.5,
        "1e300": 1e300,
        "-1e300": -1e300,
        "1e-300": 1e-300,
        "nan": np.nan,
        "inf": np.inf,
        "-inf": -np.inf,
        "10**9": 10**9,
        "10**400": 10**400,
        "1j": 1j,
        "''": "",
        "'x'": "x",
        "'nan'": "nan",
        "'1 arcsec'": "1 arcsec",
        "'1_5'": "1_5",
        "digits of another script": "\u0661\u0662",
        "markup": "<img src=x onerror=alert(1)>",
        "b'x'": b"x",
        "[]": [],
        "()": (),
        "{}": {},
        "set": {1},
        "[nan]": [np.nan],
        "[None]": [None],
        "uneven rows": [[1, 2], [3]],
        "['a']": ["a"],
        "object": _NoSuchThing(),
        "class": dict,
        "function": len,
        "range": range(3),
        "generator": iter([1]),
        "Fraction": fractions.Fraction(1, 3),
        "Decimal": decimal.Decimal("1.5"),
        "date": datetime.date(2026, 11, 7),
        "Time": Time("2026-11-07"),
        "masked": np.ma.masked,
        "masked array": np.ma.array([1.0, 2.0], mask=[0, 1]),
        "empty array": np.array([]),
        "text array": np.array(["a", "b"]),
        "object array": np.array([object()]),
        "bool array": np.array([True]),
        "complex array": np.array([1j]),
        "five dimensions": np.ones((1, 1, 1, 1, 1)),
        "scalar array": np.array(1.0),
        "1 cd": 1 * u.cd,
        "nan cd": np.nan * u.cd,
        "1 s": 1 * u.s,
        "1 m": 1 * u.m,
        "1 arcsec": 1 * u.arcsec,
        "1 mag": 1 * u.mag,
        "1 dimensionless": 1 * u.one,
        "no elements s": [] * u.s,
        "angles in rows": [[1, 2], [3, 4]] * u.arcsec,
        "Table": Table(),
        "Table without rows": Table({"time": []}),
        "SkyCoord": SkyCoord(10 * u.deg, 20 * u.deg),
        "several SkyCoord": SkyCoord([1, 2] * u.deg, [3, 4] * u.deg),
        "AltAz": SkyCoord(10 * u.deg, 20 * u.deg, frame=AltAz()),
        "Rig": rig.demo_rig(),
        "Camera": rig.demo_rig().guide_camera,
        "Site": rig.demo_rig().site,
        "path": Path("none"),
        "seeded generator": np.random.default_rng(1),
        "old random state": np.random.RandomState(1),
        "million": np.ones(10**6),
        "million s": np.ones(10**6) * u.s,
        "million arcsec": np.ones(10**6) * u.arcsec,
    }


def _spoiled(value):
    """Odd values made from a valid one."""
    made = {}
    if isinstance(value, (bool, str)) or value is None:
        if isinstance(value, str):
            made |= {"blank behind": value + " ", "doubled": [value, value], "upper and lower": value.swapcase()}
        return made
    if isinstance(value, (int, float, u.Quantity, np.ndarray)) and not isinstance(value, (SkyCoord, Time)):
        unit = value.unit if isinstance(value, u.Quantity) else 1
        made |= {"negative": -1.0 * value, "times 0": 0.0 * value}
        with np.errstate(all="ignore"):
            for factor in (np.nan, np.inf, -np.inf, 1e300, 1e-300, 1e6, 1e-6, 1e3, 10.0, 0.5):
                made[f"times {factor:g}"] = factor * value
        bare = np.asarray(getattr(value, "value", value), float)
        made |= {
            "in a list": [value],
            "empty": np.array([]) * unit,
            "two rows": np.stack([bare, bare]) * unit,
            "text": str(value),
            "complex": (bare + 1j) * unit,
            "integers": bare.astype(int) * unit,
            "single": bare.astype("f4") * unit,
            "column": bare.reshape(-1, 1) * unit,
        }
        if isinstance(value, u.Quantity):
            made |= {
                "without unit": bare,
                "per second": value / u.s,
                "squared": value**2,
                "in thousands": value.to(u.Unit(1000 * value.unit)),
                "strange unit": bare * u.cd * u.mol,
            }
        if bare.ndim:
            for name, put in (("nan", np.nan), ("inf", np.inf), ("1e300", 1e300), ("-1", -1)):
                changed = bare.copy()
                changed.flat[changed.size // 2] = put
                made[f"one {name}"] = changed * unit
            made |= {
                "one row": bare[:1] * unit,
                "turned": bare.T * unit,
                "all alike": (0 * bare + bare.flat[0]) * unit,
                "backward": bare[::-1] * unit,
                "masked": np.ma.array(bare, mask=bare > bare.mean()),
                "broadcast": np.broadcast_to(bare, (2, *bare.shape)) * unit,
            }
    elif isinstance(value, Table):
        made["no rows"], made["first row"] = value[:0], value[:1]
        for name in value.colnames:
            left, wrong = value.copy(), value.copy()
            left.remove_column(name)
            wrong[name] = ["x"] * len(wrong)
            made |= {f"without {name}": left, f"text as {name}": wrong}
            if value[name].dtype.kind == "f":
                for word, put in (("nan", np.nan), ("inf", np.inf), ("1e300", 1e300)):
                    holed = value.copy()
                    holed[name][len(holed) // 2] = put
                    made[f"{name} one {word}"] = holed
    elif isinstance(value, (list, tuple)) and value:
        made |= {
            "twice": [*value, *value],
            "first": value[:1],
            "nested": [value],
            "first gone": value[1:],
            "with None": [*value, None],
            "as dict": dict.fromkeys(range(2), value[0]),
        }
    return made


def _call(function, arguments, spoiled):
    arguments = {**arguments, **spoiled}
    if "rng" in arguments and arguments["rng"] is None and "rng" not in spoiled:
        arguments["rng"] = np.random.default_rng(SEED)
    try:
        result = function(**arguments)
    except Exception as error:  # noqa: BLE001  any kind is a result here
        return refusal(error, spoiled)
    try:
        check_finite(result)
    except AssertionError as error:
        return NOT_FINITE, str(error)[:200]
    return RIGHT, ""


def _good_call(function, arguments):
    kind, word = _call(function, arguments, {})
    return (kind, word) if kind == RIGHT else (WRONG, f"good arguments: {kind}: {word}")


def _ways(arguments):
    """Name of an argument -> odd values by what is odd about them."""
    odd = anything()
    asked = [key for key in arguments if key not in ("progress", "executor")]
    return {key: {**odd, **_spoiled(arguments[key])} for key in asked}


def _spoiled_arguments(ways, rng):
    """What is odd -> spoiled arguments: each argument in each way, and some pairs."""
    for key, values in ways.items():
        for word, value in values.items():
            yield f"{key}: {word}", {key: value}
    for _ in range(12 if len(ways) > 1 else 0):
        keys = rng.choice(list(ways), 2, replace=False)
        words = [rng.choice(list(ways[key])) for key in keys]
        label = ", ".join(f"{key}: {word}" for key, word in zip(keys, words, strict=True))
        yield label, {key: ways[key][word] for key, word in zip(keys, words, strict=True)}


def calls(seed, room, every=1):
    """Cases for each public function of a room: the good call, and of the spoiled ones one of `every` (0: none)."""
    for name, function in public_functions(room):
        arguments = good_arguments(room, name, function)
        yield Case(f"{name} good", functools.partial(_good_call, function, arguments))
        if every == 0:
            continue
        rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
        step = 10 * every if name in SLOW else every
        first = rng.integers(step)
        for number, (word, spoiled) in enumerate(_spoiled_arguments(_ways(arguments), rng)):
            if number % step == first:
                yield Case(f"{name} {word}", functools.partial(_call, function, arguments, spoiled))
