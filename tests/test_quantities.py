"""The shared checks of arguments: wrong values are named, right ones pass."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from helpers.shared.checks import as_choice, as_count, as_number, as_quantity


def test_quantity_is_converted_and_text_is_understood():
    assert as_quantity("pixel_size", "2.9 um", u.mm).value == pytest.approx(0.0029)
    assert as_quantity("length", [1, 2] * u.m, u.cm).value.tolist() == [100, 200]


@pytest.mark.parametrize(
    ("value", "error", "found"),
    [
        (3, TypeError, "int"),
        (None, TypeError, "NoneType"),
        (3 * u.s, u.UnitsError, "'s'"),
        (np.nan * u.mm, ValueError, "nan"),
        (np.inf * u.mm, ValueError, "inf"),
        (-1 * u.mm, ValueError, "-1"),
        (0 * u.mm, ValueError, "0"),
        (11 * u.mm, ValueError, "11"),
        ([] * u.mm, ValueError, "none"),
        ([1, 2] * u.mm, ValueError, "(2,)"),
        ("three mm", ValueError, "three"),
    ],
)
def test_wrong_quantities_are_named(value, error, found):
    with pytest.raises(error, match="pixel_size") as caught:
        as_quantity("pixel_size", value, u.mm, above=0, maximum=10, ndim=0)
    assert found in str(caught.value)


@pytest.mark.parametrize("value", [None, True, "3", 1 * u.m, np.nan, np.inf, -0.1, 2.0, [1.0]])
def test_wrong_numbers_are_named(value):
    with pytest.raises((TypeError, ValueError, u.UnitsError), match="gain"):
        as_number("gain", value, minimum=0, maximum=1)


def test_numbers_pass():
    assert as_number("gain", 50 * u.percent) == 0.5
    assert as_number("gain", [1, 2], ndim=None).tolist() == [1.0, 2.0]


@pytest.mark.parametrize("value", [2.5, "2", True, None, -1, 9])
def test_wrong_counts_are_named(value):
    with pytest.raises((TypeError, ValueError), match="stars"):
        as_count("stars", value, maximum=8)


@given(st.integers(0, 8))
def test_counts_pass(count):
    assert as_count("stars", np.int64(count), maximum=8) == count


def test_choice():
    assert as_choice("kind", "a", ("a", "b")) == "a"
    with pytest.raises(ValueError, match="kind: expected one of 'a', 'b', found 'c'"):
        as_choice("kind", "c", ("a", "b"))
