"""Damage and odd arguments by the thousand: nothing is read wrongly, nothing hangs, no number is NaN."""

import pytest
from damaged_files import all_files
from outcomes import HANG, NOT_FINITE, OTHER, UNCLEAR, WRONG, run_all

SEED = 20261107


def check_report(report):
    for kind in (WRONG, HANG, NOT_FINITE, OTHER):
        assert report.counts[kind] == 0, str(report)
    assert report.counts[UNCLEAR] <= max(2, 0.01 * sum(report.counts.values())), str(report)  # 2: of a small share


def check(make, seed, share, least):
    report = run_all(make, seed, share)
    print(report)
    assert sum(report.counts.values()) >= least
    check_report(report)


@pytest.mark.long
def test_some_files():
    check(all_files, SEED, share=12, least=200)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [SEED, 1])
def test_all_files(seed):
    check(all_files, seed, share=1, least=3000)
