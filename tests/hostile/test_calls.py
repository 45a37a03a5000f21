"""Odd arguments by the thousand: a function answers with finite numbers, or refuses the argument by its name."""

import functools
from collections import Counter

import astropy.units as u
import pytest
from calls import anything, calls
from good_calls import ROOMS
from outcomes import CLASSES, RIGHT, run_all
from test_hostile import check_report

from helpers.classroom import exercises

SEED, OTHER_SEED = 11, 1
FEW = ("shared.sky",)  # the others come in longer runs
GOOD_ONLY = {"error_budget"}  # a call takes seconds there: the odd ones are left to the slow run


@pytest.fixture(scope="module")
def total():
    """Counts by class of all rooms that were tried here, printed at the end."""
    counts = Counter()
    yield counts
    print(f"\n{counts.total():,} calls in all rooms tried")
    for kind in CLASSES:
        print(f"  {counts[kind]:7,} {kind}")


def check_room(room, seed, every, total):
    report = run_all(functools.partial(calls, room=room, every=every), seed)
    print(f"{room}: {report}")
    total.update(report.counts)
    assert report.counts[RIGHT] > 0
    check_report(report)


@pytest.mark.parametrize(
    "room", [room if room in FEW else pytest.param(room, marks=pytest.mark.long) for room in ROOMS]
)
def test_some_calls(room, total):
    check_room(room, SEED, every=0 if room in GOOD_ONLY else 40, total=total)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [SEED, OTHER_SEED])
@pytest.mark.parametrize("room", ROOMS)
def test_half_of_the_calls(room, seed, total):
    check_room(room, seed, every=2, total=total)


@pytest.mark.slow
def test_there_are_twenty_thousand():
    assert sum(1 for room in ROOMS for _ in calls(SEED, room, every=2)) >= 20_000


def test_any_answer_to_an_exercise_is_judged():
    for answer in anything().values():
        found = exercises.check_number(answer, 7.25 * u.arcsec, u.arcsec, percent=5)
        assert isinstance(found, exercises.Outcome) and found.state != exercises.RIGHT
        found = exercises.check_choice(answer, "a", {"a": "the air", "b": "the mount"})
        assert isinstance(found, exercises.Outcome) and found.state != exercises.RIGHT
