"""What every room asks and says, for several rigs: guesses are resolved, right answers pass, mistakes are told."""

import functools
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


@functools.cache
def asked(function, rig_name):
    """What a function of the questions gives for a rig; computed once for all tests."""
    return function(RIGS[rig_name])


def check_guess(guess):
    assert "?" in guess.ask
    for said in (*guess.options, *guess.scale):
        line = guesses.resolve(guess, said)
        assert line.startswith("You said ")
        assert line.endswith(guess.answer)
    assert guesses.resolve(guess) == guess.answer
    assert "nan" not in guess.answer
    assert len(set(guess.options)) == len(guess.options)
    assert "<details>" in guesses.page_of(guess)


def _typed(value, unit):
    """An answer as a reader would type it."""
    if isinstance(value, u.Quantity):
        value = value.to_value(unit or u.one)
    return f"{value:.12g} {unit or ''}".strip()


def check_exercise(question):
    assert question.check(None).state == question.check("  ").state == NOT_YET
    if question.options:
        assert [text for text in question.options if question.check(text).state == RIGHT] == [question.right]
        for wrong, reply in question.mistakes:
            assert (question.check(wrong).state, question.check(wrong).message) == (WRONG, reply)
        return
    assert question.check(_typed(question.right, question.unit)).state == RIGHT
    assert question.check(_typed(question.right, question.unit).replace(".", ",", 1)).state == RIGHT
    for wrong, reply in question.mistakes:
        outcome = question.check(_typed(wrong, question.unit))
        assert (outcome.state, outcome.message) == (WRONG, reply)
    right = (
        question.right.to_value(question.unit or u.one)
        if isinstance(question.right, u.Quantity)
        else float(question.right)
    )
    margin = question.absolute if question.percent is None else abs(right) * question.percent / 100
    for value in (right + 1.01 * margin, right - 1.01 * margin, 7.3 * right + 11 * margin):
        assert question.check(_typed(value, question.unit)).state == WRONG
    for nonsense in ("many", "nan", "1e999", "3 kg", "<b>2</b>"):
        assert question.check(nonsense).state == WRONG


@pytest.mark.parametrize("rig_name", ["club", pytest.param("starter", marks=pytest.mark.long)])
@pytest.mark.parametrize("function", list(asking()))
def test_what_is_asked_and_said(function, rig_name):
    """A guess and an exercise do what they promise; everything else says something, and no "nan"."""
    found = asked(function, rig_name)
    if isinstance(found, guesses.Guess):
        check_guess(found)
    elif isinstance(found, exercises.Question):
        check_exercise(found)
    else:
        assert " nan" not in str(found)


def test_no_two_share_a_name():
    found = [asked(param.values[0], "club") for param in asking()]
    names = [one.name for one in found if isinstance(one, guesses.Guess | exercises.Question)]
    assert len(names) > 60
    assert len(set(names)) == len(names)
