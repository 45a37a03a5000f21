"""The shared checks of arguments: wrong values are named, right ones pass."""

import inspect
from collections import OrderedDict
from dataclasses import dataclass

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, generators, numbers, quantities
from hypothesis import given
from hypothesis import strategies as st

from helpers.shared.checks import (
    as_choice,
    as_count,
    as_number,
    as_quantity,
    choice,
    count,
    flag,
    frame_shape,
    frames,
    instance,
    number,
    odd,
    optional,
    places,
    quantity,
    take_fields,
    takes,
)
from helpers.shared.limits import check_work


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


# Declared at the head


@takes(
    "fwhm motion",
    fwhm=quantity(u.arcsec, above=0, maximum=60),
    motion=quantity(u.arcsec, minimum=0, most_values=100),
    frames=count(minimum=1, maximum=100),
    shape=frame_shape(),
    kind=choice(("round", "long")),
    share=number(minimum=0, below=1),
    rng=optional(instance(np.random.Generator)),
)
def width(fwhm, motion=0 * u.arcsec, *, frames=1, shape=(4, 3), kind="round", share=0.5, rng=None):
    """A toy."""
    assert isinstance(frames, int)
    assert fwhm.unit == u.arcsec
    assert fwhm.dtype == np.float64
    return np.hypot(fwhm, motion) * frames * shape[0] * (1 - share)


ARGUMENTS = {
    "fwhm": quantities(u.arcsec, 0.1, 60),
    "motion": quantities(u.arcsec, 0, 5, shape=(3,)),
    "frames": st.integers(1, 100),
    "shape": st.tuples(st.integers(1, 100), st.integers(1, 100)),
    "kind": st.sampled_from(["round", "long"]),
    "share": numbers(0, 0.99),
    "rng": generators(),
}


def test_any_call_of_a_declared_function():
    spoiled = {
        "fwhm": [0 * u.arcsec, 61 * u.arcsec, -1 * u.arcsec, 3, True, np.inf * u.arcsec, 1j * u.arcsec],
        "motion": [np.zeros(101) * u.arcsec, None],
        "frames": [0, 101, 2.5, True],
        "shape": [(1,), (1, 2, 3), (0, 5), "ab", (1.5, 2), 7, (10**9, 1)],
        "share": [1, -0.1, [0.5, 0.5], [[1], [1, 2]]],
        "rng": [0, np.random],
    }
    assert check_any_call(width, ARGUMENTS, spoiled=spoiled) == 1


def test_a_share_below_four_fifths_is_noticed():
    @takes(share=number(minimum=0.5))
    def picky(share):
        return share

    with pytest.raises(AssertionError):
        check_any_call(picky, {"share": numbers(0, 1)})


def test_a_wrong_number_let_through_is_noticed():
    with pytest.raises(AssertionError, match="is accepted"):
        check_any_call(lambda share: 1, {"share": numbers(0, 1)})
    with pytest.raises(AssertionError, match="not finite"):
        check_any_call(lambda share: {"a": [share * np.nan * u.m]}, {"share": numbers(0, 1)})


def test_units_defaults_and_text_are_converted_at_the_head():
    assert width(1 * u.arcmin).to_value(u.arcsec) == pytest.approx(60 * 4 * 0.5)
    assert width("2 arcsec", frames=np.int64(3)).to_value(u.arcsec) == pytest.approx(2 * 3 * 4 * 0.5)
    assert width.__doc__ == "A toy."
    assert inspect.signature(width).parameters["frames"].default == 1


def test_shapes_that_do_not_fit_are_named():
    with pytest.raises(ValueError, match=r"fit together, found fwhm \(2,\), motion \(3,\)"):
        width([1, 2] * u.arcsec, [1, 2, 3] * u.arcsec)
    assert width([[1], [2]] * u.arcsec, [1, 2, 3] * u.arcsec).shape == (2, 3)


def test_missing_and_unknown_arguments_are_named():
    with pytest.raises(TypeError, match="fwhm"):
        width()
    with pytest.raises(TypeError, match="colour"):
        width(1 * u.arcsec, colour=1)
    with pytest.raises(TypeError, match="no argument colour"):
        takes(colour=flag())(lambda size: size)


def test_classes_may_be_named_where_importing_them_would_be_against_the_order():
    rule = instance("collections:OrderedDict")
    assert rule("table", OrderedDict()) == {}
    with pytest.raises(TypeError, match="table: expected a OrderedDict, found dict"):
        rule("table", {})


def test_flags_and_shapes():
    assert flag()("on", np.True_) is True
    with pytest.raises(TypeError, match="on: expected True or False, found int 1"):
        flag()("on", 1)
    offsets = quantity(u.arcmin, shape=(None, 2))
    assert offsets("positions", [[1, 2]] * u.arcmin).shape == (1, 2)
    with pytest.raises(ValueError, match=r"positions: expected shape \(any, 2\), found \(2,\)"):
        offsets("positions", [1, 2] * u.arcmin)


def test_one_of_several_shapes():
    centre = quantity(u.pix, shape=[(2,), (None, 2)])
    assert centre("centre", [1, 2] * u.pix).shape == (2,) and centre("centre", [[1, 2]] * u.pix).shape == (1, 2)
    with pytest.raises(ValueError, match=r"centre: expected shape \(2,\) or \(any, 2\), found \(3,\)"):
        centre("centre", [1, 2, 3] * u.pix)


def test_frames_keep_their_kind_of_numbers():
    small = np.zeros((2, 3, 4), np.uint16)
    assert frames()("frames", small) is small
    assert frames()("frames", u.Quantity(small, u.DN, dtype=np.uint16)).dtype == np.uint16
    for wrong, said in (
        (small[0], r"frames: expected shape \(frames, rows, columns\), found \(3, 4\)"),
        (np.full((1, 2, 2), np.nan), "frames: expected finite numbers"),
        ([[[1, 2], [3]]], "frames: expected numbers in rows of one length"),
        (np.ma.masked_equal(small, 0), "frames: expected numbers only, found masked"),
        (small * u.m, "frames: expected plain numbers, found the unit 'm'"),
        ("frames", "frames: expected numbers, found str"),
    ):
        with pytest.raises((ValueError, TypeError, u.UnitsError), match=said):
            frames()("frames", wrong)
    assert np.isnan(frames(largest=None)("frames", np.full((1, 2, 2), np.nan))).all()


def test_odd_numbers_and_places():
    assert odd(minimum=5)("box", 7) == 7
    with pytest.raises(ValueError, match="box: expected an odd number, found 8"):
        odd()("box", 8)
    assert places()("positions", [[1, 2]] * u.pix).tolist() == places()("positions", [[1, 2]]).tolist() == [[1.0, 2.0]]
    with pytest.raises(u.UnitsError, match="positions"):
        places()("positions", [[1, 2]] * u.arcsec)


def test_more_work_than_a_call_may_make_is_refused():
    check_work("draws", 5, 5, "draws")
    with pytest.raises(ValueError, match="draws: expected at most 1,000 draws of all stars, found 1,001"):
        check_work("draws", 1001, 1000, "draws of all stars")


def test_fields_of_a_record():
    @dataclass(frozen=True)
    class Layer:
        height: u.Quantity

        def __post_init__(self):
            take_fields(self, height=quantity(u.km, minimum=0))

    assert Layer(500 * u.m).height == 0.5 * u.km
    with pytest.raises(ValueError, match="height: expected at least 0 km, found -1 km"):
        Layer(-1 * u.km)
