"""The recipe of the demo logs: made anew they are the files, and they tell the story that was put in."""

import astropy.units as u
import numpy as np
import pytest

from demo_data import make_night_logs
from helpers.night_comparison import clean_log, load_log

DEMO = make_night_logs.HERE


@pytest.fixture(scope="module")
def anew(tmp_path_factory):
    folder = tmp_path_factory.mktemp("logs")
    make_night_logs.main(folder)
    return folder


@pytest.mark.parametrize("name", ["night_log.ecsv", "night_log_gaps.csv"])
def test_the_files_are_what_the_recipe_makes(anew, name):
    kept, made = load_log(DEMO / name), load_log(anew / name)
    for column in ("ra_error", "dec_error"):
        # rounded to 0.001 arcsec; a loop lets last bits grow a little
        assert np.allclose(kept[column], made[column], atol=0.0021, equal_nan=True)
    assert kept["camera"].tolist() == made["camera"].tolist()
    assert kept["star_count"].tolist() == made["star_count"].tolist()
    assert np.allclose(kept["time"], made["time"], atol=0.011)


def test_the_story():
    log = load_log(DEMO / "night_log.ecsv")
    totals = {}
    for name in "AB":
        rows = log[log["camera"] == name]
        totals[name] = np.sqrt(np.var(rows["ra_error"]) + np.var(rows["dec_error"]))
        low, high = make_night_logs.TRUTH.stars[name]
        assert (rows["star_count"].min(), rows["star_count"].max()) == (low, high)
    assert totals["A"] == pytest.approx(0.66, abs=0.01)
    assert totals["B"] == pytest.approx(0.47, abs=0.01)
    assert np.median(np.diff(log["time"])) == pytest.approx(make_night_logs.TRUTH.exposure.to_value(u.s))
    assert len(clean_log(log)[0]) == len(log) == 2400
