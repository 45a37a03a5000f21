"""Any call of a function: valid values give finite numbers, one spoiled value is refused by the argument's name.

def test_any_width():
    check_any_call(
        pixel_scale.blurred_fwhm,
        {"fwhm": quantities(u.arcsec, 0.5, 20), "motion": quantities(u.arcsec, 0, 5)},
    )
"""

import dataclasses
import math

import astropy.units as u
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

LEAST_SHARE = 0.8  # of the valid draws must reach a number
REFUSALS = (TypeError, ValueError, u.UnitsError)
# Wrong for every argument of every function: not a number, another physical type, nothing, something else altogether.
SPOILED = [math.nan, math.nan * u.cd, 1 * u.cd, [], "no such thing", object()]


def numbers(low, high):
    """Floats from `low` to `high`; evenly in the logarithm when `low` is above 0."""
    if low > 0:
        return st.floats(math.log(low), math.log(high)).map(lambda power: min(max(math.exp(power), low), high))
    return st.floats(low, high)


def quantities(unit, low, high, shape=()):
    """Quantities from `low` to `high`, scalar or of one shape."""
    if shape == ():
        return numbers(low, high).map(lambda value: value * unit)
    size = math.prod(shape)
    values = st.lists(numbers(low, high), min_size=size, max_size=size)
    return values.map(lambda drawn: np.reshape(drawn, shape) * unit)


def generators():
    """Random generators of any seed."""
    return st.integers(0, 2**32 - 1).map(np.random.default_rng)


def parts_of(result):
    """All numbers inside a result: arrays, Quantities, tables, records, dictionaries and lists of them."""
    if dataclasses.is_dataclass(result):
        result = [getattr(result, field.name) for field in dataclasses.fields(result)]
    elif hasattr(result, "colnames"):
        result = [result[name] for name in result.colnames]
    elif isinstance(result, dict):
        result = list(result.values())
    if isinstance(result, (list, tuple)):
        for part in result:
            yield from parts_of(part)
        return
    array = np.asarray(getattr(result, "value", result))
    if array.dtype.kind in "iuf":
        yield array


def check_finite(result):
    """AssertionError if a number inside is NaN or infinite."""
    for part in parts_of(result):
        assert np.all(np.isfinite(part)), f"not finite: {part}"


def check_any_call(function, valid, examples=40, spoiled=None, check=check_finite):
    """Call `function` with drawn valid arguments, then with each argument spoiled in turn, the others valid.

    Parameters
    ----------
    function : callable
        Called with keywords.
    valid : dict
        Name of the argument -> hypothesis strategy of good values.
    examples : int
        Draws of valid arguments. A refusal is allowed where good values don't go together, and must name an argument;
        at least 80 % must reach a number.
    spoiled : dict, optional
        Name -> further wrong values (out of its limits). Names in `valid` that are missing get `SPOILED` alone.
    check : callable
        Takes the result of a valid call and asserts what must hold for it.

    Returns
    -------
    float
        Share of the valid draws that reached a number; also printed.
    """
    reached, last = [], {}

    @settings(max_examples=examples)
    @given(st.fixed_dictionaries(valid))
    def call_well(arguments):
        try:
            result = function(**arguments)
        except REFUSALS as error:
            assert any(name in str(error) for name in valid), f"names no argument: {error}"
            reached.append(False)
            return
        check(result)
        reached.append(True)
        last.update(arguments)

    call_well()
    share = sum(reached) / len(reached)
    print(f"{function.__name__}: {sum(reached)} of {len(reached)} valid draws reached a number", end=", ")
    assert share >= LEAST_SHARE
    refused = 0
    for name in valid:
        for value in [*SPOILED, *(spoiled or {}).get(name, [])]:
            try:
                result = function(**{**last, name: value})
            except REFUSALS as error:
                assert name in str(error), f"{name}={value!r} is refused without its name: {error}"
                refused += 1
            else:
                raise AssertionError(f"{name}={value!r} is accepted: {result!r:.100}")
    print(f"{refused} spoiled calls refused by name")
    return share
