"""Odd arguments by the thousand: a function answers with finite numbers, or refuses the argument by its name."""

import functools

import pytest
from calls import calls
from good_calls import ROOMS
from outcomes import run_all
from test_hostile import check_report

SEED = 11


def check_room(room, every):
    report = run_all(functools.partial(calls, room=room, every=every), SEED)
    print(f"{room}: {report}")
    check_report(report)


@pytest.mark.parametrize("room", ROOMS)
def test_good_calls(room):
    check_room(room, every=0)


@pytest.mark.slow
@pytest.mark.parametrize("room", ROOMS)
def test_all_calls(room):
    check_room(room, every=1)
