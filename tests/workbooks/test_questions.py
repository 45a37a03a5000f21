"""Guesses and exercises of every room, for several rigs: each guess is resolved, right answers pass, typical
mistakes are told.
"""

import importlib
import inspect
from pathlib import Path

import astropy.units as u
import pytest

from helpers import rig as rigs
from helpers.classroom import exercises, guesses

HELPERS = Path(__file__).resolve().parent.parent.parent / "helpers"
NOT_YET, WRONG, RIGHT = exercises.NOT_YET, exercises.WRONG, exercises.RIGHT
RIGS = {"club": rigs.demo_rig(), "starter": rigs.demo_rig("starter")}


def asking():
    """The public functions of all ``questions.py`` that take a rig and nothing else."""
    for path in sorted(HELPERS.glob("*/questions.py")):
        module = importlib.import_module(f"helpers.{path.parent.name}.questions")
        for name, function in inspect.getmembers(module, inspect.isfunction):
            own = function.__module__ == module.__name__ and not name.startswith("_")
            if own and list(inspect.signature(function).parameters) == ["rig"]:
                yield pytest.param(function, id=f"{path.parent.name}.{name}")


@pytest.fixture(scope="module", params=RIGS, ids=str)
def rig(request):
    return RIGS[request.param]


@pytest.fixture(params=asking())
def asked(request, rig):
    return request.param(rig)


def test_each_guess_is_resolved(asked):
    if not isinstance(asked, guesses.Guess):
        pytest.skip("no guess")
    assert asked.ask.rstrip().endswith("?") or "?" in asked.ask
    for said in (*asked.options, *asked.scale):
        line = guesses.resolve(asked, said)
        assert line.startswith("You said ")
        assert line.endswith(asked.answer)
    assert guesses.resolve(asked) == asked.answer
    assert "nan" not in asked.answer
    assert len(set(asked.options)) == len(asked.options)
    page = guesses.page_of(asked)
    assert "<details>" in page


def _typed(value, unit):
    """An answer as a reader would type it."""
    if isinstance(value, u.Quantity):
        value = value.to_value(unit or u.one)
    return f"{value:.12g} {unit or ''}".strip()


def test_exercises_tell_right_from_wrong(asked):
    if not isinstance(asked, exercises.Question):
        pytest.skip("no exercise")
    assert asked.check(None).state == asked.check("  ").state == NOT_YET
    if asked.options:
        assert [text for text in asked.options if asked.check(text).state == RIGHT] == [asked.right]
        for wrong, reply in asked.mistakes:
            assert (asked.check(wrong).state, asked.check(wrong).message) == (WRONG, reply)
        return
    assert asked.check(_typed(asked.right, asked.unit)).state == RIGHT
    assert asked.check(_typed(asked.right, asked.unit).replace(".", ",", 1)).state == RIGHT
    for wrong, reply in asked.mistakes:
        outcome = asked.check(_typed(wrong, asked.unit))
        assert (outcome.state, outcome.message) == (WRONG, reply)
    right = asked.right.to_value(asked.unit or u.one) if isinstance(asked.right, u.Quantity) else float(asked.right)
    margin = asked.absolute if asked.percent is None else abs(right) * asked.percent / 100
    for value in (right + 1.01 * margin, right - 1.01 * margin, 7.3 * right + 11 * margin):
        assert asked.check(_typed(value, asked.unit)).state == WRONG
    for nonsense in ("many", "nan", "1e999", "3 kg", "<b>2</b>"):
        assert asked.check(nonsense).state == WRONG


def test_no_two_share_a_name():
    names = [asked.values[0](RIGS["club"]) for asked in asking()]
    names = [found.name for found in names if isinstance(found, guesses.Guess | exercises.Question)]
    assert len(set(names)) == len(names)
