"""Checks of arguments, shared by all helper modules: a wrong value is named with what was found and what was expected.

`takes` declares them once at the head of a function; the `as_...` functions check a single value where a declaration
does not reach.
"""

import functools
import inspect
import itertools
import math
import operator
import pkgutil

import astropy.units as u
import numpy as np


def _limits_text(minimum, maximum, above, below=None, unit=""):
    parts = []
    if above is not None:
        parts.append(f"above {above:g}")
    if minimum is not None:
        parts.append(f"at least {minimum:g}")
    if maximum is not None:
        parts.append(f"at most {maximum:g}")
    if below is not None:
        parts.append(f"below {below:g}")
    text = " and ".join(parts)
    return f"{text} {unit}".strip()


def _fits(wanted, found):
    return len(wanted) == len(found) and all(want in (None, has) for want, has in zip(wanted, found, strict=True))


def _shapes_text(shapes):
    lengths = [["any" if length is None else str(length) for length in shape] for shape in shapes]
    return " or ".join(f"({', '.join(one)}{',' if len(one) == 1 else ''})" for one in lengths)


def _check_shape(name, array, ndim, shape, most_values):
    if array.size == 0:
        raise ValueError(f"{name}: expected at least one value, found none")
    if ndim is not None and array.ndim != ndim:
        raise ValueError(f"{name}: expected {ndim} dimension(s), found shape {array.shape}")
    if shape is not None:
        shapes = shape if isinstance(shape, list) else [shape]
        if not any(_fits(wanted, array.shape) for wanted in shapes):
            raise ValueError(f"{name}: expected shape {_shapes_text(shapes)}, found {array.shape}")
    if most_values is not None and array.size > most_values:
        raise ValueError(f"{name}: expected at most {most_values:,} values, found {array.size:,}")


def _check_array(name, array, unit, minimum, maximum, above, ndim, below=None, shape=None, most_values=None):
    _check_shape(name, array, ndim, shape, most_values)
    # smallest and largest tell all of a good array, and are NaN where a value is
    least, most = (float(array),) * 2 if array.ndim == 0 else (float(array.min()), float(array.max()))
    inside = (
        math.isfinite(least)
        and math.isfinite(most)
        and (above is None or least > above)
        and (minimum is None or least >= minimum)
        and (maximum is None or most <= maximum)
        and (below is None or most < below)
    )
    if not inside:
        expected, found = _first_outside(array, unit, minimum, maximum, above, below)
        raise ValueError(f"{name}: expected {expected}, found {f'{found:g} {unit}'.strip()}")


def _first_outside(array, unit, minimum, maximum, above, below):
    """What was expected of an array that is not within its limits, and the first value that is not."""
    bad = ~np.isfinite(array)
    if bad.any():
        return "a finite number", array[bad].flat[0]
    for limit, beyond in ((above, np.less_equal), (minimum, np.less), (maximum, np.greater), (below, np.greater_equal)):
        if limit is not None:
            bad |= beyond(array, limit)
    return _limits_text(minimum, maximum, above, below, unit), array[bad].flat[0]


def as_quantity(
    name, value, unit, minimum=None, maximum=None, above=None, ndim=None, below=None, shape=None, most_values=None
):
    """Return `value` in `unit` after checking it.

    Parameters
    ----------
    name : str
        The argument's name, for the message.
    value : Quantity or str
        Scalar or array; text such as "2.9 um" is understood.
    unit : Unit or str
        The unit wanted.
    minimum, maximum, above, below : float, optional
        Limits in `unit`; `above` and `below` exclude the limit itself.
    ndim : int, optional
        Number of dimensions wanted (0 for a scalar).
    shape : tuple or list of tuples, optional
        Shape wanted, or those allowed; None for a length that is free: (None, 2) for places.
    most_values : int, optional
        Largest number of values.

    Returns
    -------
    Quantity
        float64, same shape, in `unit`.

    Raises
    ------
    TypeError
        `value` is no quantity (a plain number has no unit).
    astropy.units.UnitsError
        The unit is of another physical type.
    ValueError
        NaN, infinite, empty, out of limits or of the wrong number of dimensions.
    """
    unit = u.Unit(unit)
    if isinstance(value, str):
        try:
            value = u.Quantity(value)
        except (TypeError, ValueError) as error:
            raise ValueError(f"{name}: expected a number with a unit such as '1 {unit}', found {value!r}") from error
    if not isinstance(value, u.Quantity):
        if unit != u.dimensionless_unscaled:
            raise TypeError(
                f"{name}: expected a quantity with a unit such as {unit}, found {type(value).__name__} {value!r:.60}"
            )
        value = as_number(name, value, ndim=ndim) * unit
    if value.dtype.kind not in "iuf":
        raise TypeError(f"{name}: expected real numbers, found {value.dtype} {value!r:.60}")
    mask = getattr(value, "mask", None)
    if mask is not None and np.any(mask):
        raise ValueError(f"{name}: expected numbers only, found masked values")
    try:
        converted = value.to(unit)
    except u.UnitConversionError as error:
        raise u.UnitsError(f"{name}: expected a unit such as {unit}, found '{value.unit}'") from error
    converted = converted.astype(float, copy=False)
    array = np.asarray(converted.value)
    _check_array(name, array, unit, minimum, maximum, above, ndim, below, shape, most_values)
    return converted


def as_number(name, value, minimum=None, maximum=None, above=None, ndim=0, below=None, shape=None, most_values=None):
    """Return `value` as float (or float64 array when `ndim` is not 0; None allows any shape) after checking it.

    Limits and shape as in `as_quantity`.

    Raises
    ------
    TypeError
        `value` is not numeric (a quantity with a unit, text, a truth value, None).
    ValueError
        NaN, infinite, empty, out of limits or of the wrong number of dimensions.
    """
    if isinstance(value, u.Quantity):
        if value.unit.physical_type != "dimensionless":
            raise u.UnitTypeError(f"{name}: expected a plain number, found the unit '{value.unit}'")
        value = value.to_value(u.dimensionless_unscaled)
    if np.ma.is_masked(value):
        raise ValueError(f"{name}: expected numbers only, found masked values")
    try:
        found = np.asarray(value)
    except ValueError as error:  # rows of different lengths
        raise ValueError(f"{name}: expected numbers in rows of one length, found {value!r:.60}") from error
    if found.dtype.kind not in "iuf":
        raise TypeError(f"{name}: expected a number, found {type(value).__name__} {value!r:.60}")
    array = found.astype(float)
    _check_array(name, array, "", minimum, maximum, above, None if shape else ndim, below, shape, most_values)
    return float(array) if array.ndim == 0 else array


def as_count(name, value, minimum=0, maximum=None):
    """Return `value` as int after checking that it is a whole number within the limits.

    Raises
    ------
    TypeError
        `value` is not a whole number.
    ValueError
        Out of limits.
    """
    if isinstance(value, (bool, np.bool_)):
        raise TypeError(f"{name}: expected a whole number, found {value!r}")
    try:
        count = operator.index(value)
    except TypeError as error:
        raise TypeError(f"{name}: expected a whole number, found {type(value).__name__} {value!r:.60}") from error
    if count < minimum or (maximum is not None and count > maximum):
        expected = _limits_text(minimum, maximum, None)
        found = count if abs(count) < 10**18 else "one of many digits"
        raise ValueError(f"{name}: expected a whole number {expected}, found {found}")
    return count


def as_choice(name, value, choices):
    """Return `value` if it is one of `choices` (texts); ValueError naming them otherwise."""
    if not isinstance(value, str) or value not in choices:
        listed = ", ".join(repr(choice) for choice in choices)
        raise ValueError(f"{name}: expected one of {listed}, found {value!r:.60}")
    return value


def as_flag(name, value):
    """Return `value` as bool; TypeError if it is neither True nor False."""
    if not isinstance(value, (bool, np.bool_)):
        raise TypeError(f"{name}: expected True or False, found {type(value).__name__} {value!r:.60}")
    return bool(value)


def as_flags(name, value, ndim=1, length=None):
    """Return `value` as bool array of `ndim` dimensions; TypeError or ValueError if it holds anything else.

    `length` is the number of rows wanted, if it is known.
    """
    try:
        found = np.asarray(value)
    except ValueError as error:  # rows of different lengths
        raise ValueError(f"{name}: expected truth values in rows of one length, found {value!r:.60}") from error
    if found.dtype != bool or np.ma.is_masked(value):
        raise TypeError(f"{name}: expected truth values, found {type(value).__name__} {value!r:.60}")
    if found.ndim != ndim or length not in (None, len(found)):
        wanted = "" if length is None else f"{length} "
        raise ValueError(f"{name}: expected {wanted}truth values of {ndim} dimension(s), found shape {found.shape}")
    return found


def as_instance(name, value, kind):
    """Return `value` if it is of class `kind`; TypeError naming the class otherwise.

    `kind` is a class, or its name as "helpers.rig:Rig" where importing it would go against the reading order.
    """
    wanted = pkgutil.resolve_name(kind) if isinstance(kind, str) else kind
    if not isinstance(value, wanted):
        raise TypeError(f"{name}: expected a {wanted.__name__}, found {type(value).__name__} {value!r:.60}")
    return value


def as_function(name, value):
    """Return `value` if it can be called; TypeError otherwise."""
    if not callable(value):
        raise TypeError(f"{name}: expected a function, found {type(value).__name__} {value!r:.60}")
    return value


def as_frame_shape(name, value, maximum=100_000):
    """Return `value` as (columns, rows), two whole numbers from 1 to `maximum`; ValueError or TypeError otherwise."""
    no_pair = isinstance(value, (str, bytes, u.Quantity)) or not np.iterable(value)
    if no_pair or len(found := tuple(itertools.islice(value, 3))) != 2:
        raise TypeError(f"{name}: expected two whole numbers (columns, rows), found {value!r:.60}")
    return tuple(as_count(name, part, minimum=1, maximum=maximum) for part in found)


_OF_PIXELS = (u.DN, u.adu, u.electron, u.dimensionless_unscaled)


def as_frames(name, value, largest=1e30):
    """Return `value` as an array of pictures, (frames, rows, columns), in its own kind of numbers.

    Raises
    ------
    TypeError, ValueError
        No numbers, none at all, another shape, masked pixels; NaN, infinite or beyond `largest`, unless that is None.
    """
    if isinstance(value, u.Quantity):
        if value.unit not in _OF_PIXELS:
            raise u.UnitsError(f"{name}: expected plain numbers, found the unit '{value.unit}'")
        value = value.value
    if np.ma.is_masked(value):
        raise ValueError(f"{name}: expected numbers only, found masked values")
    try:
        frames = np.asanyarray(value)  # a file that is mapped into memory stays so
    except ValueError as error:  # rows of different lengths
        raise ValueError(f"{name}: expected numbers in rows of one length, found {value!r:.60}") from error
    if frames.dtype.kind not in "iuf":
        raise TypeError(f"{name}: expected numbers, found {type(value).__name__} {value!r:.60}")
    if frames.ndim != 3 or frames.size == 0:
        raise ValueError(f"{name}: expected shape (frames, rows, columns), found {frames.shape}")
    if largest is not None and frames.dtype.kind == "f" and not (np.abs(frames) <= largest).all():
        raise ValueError(f"{name}: expected finite numbers of at most {largest:g}, found others")
    return frames


def as_places(name, value):
    """Places (x, y) of stars in a frame, shape (N, 2), as plain numbers of pixels; plain numbers or Quantities."""
    if isinstance(value, u.Quantity):
        value = as_quantity(name, value, u.pix).value
    return as_number(name, value, minimum=-1e6, maximum=1e6, shape=(None, 2))


def as_odd(name, value, minimum=1, maximum=999):
    """Return `value` as int if it is an odd number within the limits; ValueError or TypeError otherwise."""
    number = as_count(name, value, minimum, maximum)
    if number % 2 == 0:
        raise ValueError(f"{name}: expected an odd number, found {number}")
    return number


# Rules for `takes`: a rule is any function of an argument's name and value that returns the value to hand on.


def _rule(check):
    def rule(*limits, **named_limits):
        return lambda name, value: check(name, value, *limits, **named_limits)

    return rule


quantity, number, count = _rule(as_quantity), _rule(as_number), _rule(as_count)
choice, flag, flags = _rule(as_choice), _rule(as_flag), _rule(as_flags)
instance, function, frame_shape = _rule(as_instance), _rule(as_function), _rule(as_frame_shape)


def optional(rule):
    """The rule for an argument that may also be None."""
    return lambda name, value: None if value is None else rule(name, value)


_MOST_TOGETHER = 10_000_000  # values; a row and a column of them are soon more than a computer holds


def check_together(values):
    """ValueError if the shapes in `values`, a dictionary name -> array, don't fit together (broadcast), or make up more
    than 10,000,000 values.
    """
    shapes = {name: np.shape(value) for name, value in values.items() if value is not None}
    found = ", ".join(f"{name} {shape}" for name, shape in shapes.items() if shape)
    try:
        together = np.broadcast_shapes(*shapes.values())
    except ValueError as error:
        raise ValueError(f"expected shapes that fit together, found {found}") from error
    if math.prod(together) > _MOST_TOGETHER:
        raise ValueError(f"expected shapes that make up at most {_MOST_TOGETHER:,} values together, found {found}")


def takes(*together, **rules):
    """Declare at a function's head what it takes; it is then called with checked values only.

    Parameters
    ----------
    *together : str
        Names of arguments, separated by blanks, whose shapes must fit together.
    **rules
        One rule an argument: `quantity(unit, ...)`, `number(...)`, `count(...)`, `choice(names)`, `flag()`,
        `flags()`, `instance(class)`, `function()`, `frame_shape()`, with the limits of the `as_...` function of the
        same name; `optional(rule)` where None is allowed; or a function of name and value of your own. Defaults are
        checked too.

    Returns
    -------
    callable
        A decorator that keeps signature and docstring. Quantities arrive in the unit declared, as float64.

    Raises
    ------
    TypeError, ValueError, astropy.units.UnitsError
        From the decorated function: what was found and what was expected, with the argument's name in front.
    """
    groups = [group.split() for group in together]

    def decorate(function):
        signature = inspect.signature(function)
        unknown = set(rules).union(*groups) - set(signature.parameters)
        if unknown:
            raise TypeError(f"{function.__name__} has no argument {', '.join(sorted(unknown))}")

        @functools.wraps(function)
        def checked(*positional, **named):
            bound = signature.bind(*positional, **named)
            bound.apply_defaults()
            values = bound.arguments
            for name, rule in rules.items():
                values[name] = rule(name, values[name])
            for group in groups:
                check_together({name: values[name] for name in group})
            return function(*bound.args, **bound.kwargs)

        return checked

    return decorate


frames, places, odd = _rule(as_frames), _rule(as_places), _rule(as_odd)


def take_fields(record, **rules):
    """Check fields of a frozen dataclass in its `__post_init__`, and keep what the rules hand on."""
    for name, rule in rules.items():
        object.__setattr__(record, name, rule(name, getattr(record, name)))
