"""Checks of arguments, shared by all helper modules: a wrong value is named with what was found and what was expected."""

import operator

import astropy.units as u
import numpy as np


def _limits_text(minimum, maximum, above, unit=""):
    parts = []
    if above is not None:
        parts.append(f"above {above:g}")
    if minimum is not None:
        parts.append(f"at least {minimum:g}")
    if maximum is not None:
        parts.append(f"at most {maximum:g}")
    text = " and ".join(parts)
    return f"{text} {unit}".strip()


def _check_array(name, array, unit, minimum, maximum, above, ndim):
    if array.size == 0:
        raise ValueError(f"{name}: expected at least one value, found none")
    if ndim is not None and array.ndim != ndim:
        raise ValueError(f"{name}: expected {ndim} dimension(s), found shape {array.shape}")
    bad = ~np.isfinite(array)
    expected = "a finite number"
    if not bad.any():
        expected = _limits_text(minimum, maximum, above, unit)
        if above is not None:
            bad |= array <= above
        if minimum is not None:
            bad |= array < minimum
        if maximum is not None:
            bad |= array > maximum
    if bad.any():
        found = f"{array[bad].flat[0]:g} {unit}".strip()
        raise ValueError(f"{name}: expected {expected}, found {found}")


def as_quantity(name, value, unit, minimum=None, maximum=None, above=None, ndim=None):
    """Return `value` in `unit` after checking it.

    Parameters
    ----------
    name : str
        The argument's name, for the message.
    value : Quantity or str
        Scalar or array; text such as "2.9 um" is understood.
    unit : Unit or str
        The unit wanted.
    minimum, maximum, above : float, optional
        Limits in `unit`; `above` excludes the limit itself.
    ndim : int, optional
        Number of dimensions wanted (0 for a scalar).

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
    try:
        converted = value.to(unit)
    except u.UnitConversionError as error:
        raise u.UnitsError(f"{name}: expected a unit such as {unit}, found '{value.unit}'") from error
    converted = converted.astype(float, copy=False)
    _check_array(name, np.asarray(converted.value), unit, minimum, maximum, above, ndim)
    return converted


def as_number(name, value, minimum=None, maximum=None, above=None, ndim=0):
    """Return `value` as float (or float64 array when `ndim` is not 0; None allows any shape) after checking it.

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
    found = np.asarray(value)
    if found.dtype.kind not in "iuf":
        raise TypeError(f"{name}: expected a number, found {type(value).__name__} {value!r:.60}")
    array = found.astype(float)
    _check_array(name, array, "", minimum, maximum, above, ndim)
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
        raise ValueError(f"{name}: expected a whole number {expected}, found {count}")
    return count


def as_choice(name, value, choices):
    """Return `value` if it is one of `choices` (texts); ValueError naming them otherwise."""
    if not isinstance(value, str) or value not in choices:
        listed = ", ".join(repr(choice) for choice in choices)
        raise ValueError(f"{name}: expected one of {listed}, found {value!r:.60}")
    return value
