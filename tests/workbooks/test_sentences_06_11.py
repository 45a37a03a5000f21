"""What workbooks 06 and 11 say, for three rigs: claims hold, rows stay, old claims are refused."""

import json
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest

from helpers import near_infrared, planetary, seeing
from helpers import rig as rigs
from helpers.near_infrared import drawings as infrared
from helpers.near_infrared import questions as about_infrared
from helpers.planetary import drawings as films
from helpers.planetary import questions as about_films
from tests.three_rigs import CLUB, RIGS

FOLDER = Path(__file__).resolve().parent.parent.parent / "workbooks"


@pytest.fixture(params=RIGS, ids=str)
def rig(request):
    return RIGS[request.param]


def words_of(name):
    cells = json.loads((FOLDER / name).read_text(encoding="utf-8"))["cells"]
    return " ".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown")


def test_slices_and_filter_are_two_comparisons(rig):
    how = {"magnitude": infrared.own_star(rig), "airmass": infrared.airmass_at(infrared.ALTITUDE)}
    slices, filtered = (
        near_infrared.light_against_width(infrared.bare(rig), bands, **how)[1]
        for bands in (infrared.SLICES, infrared.FILTERED)
    )
    assert slices["centroid"] < 1 < filtered["centroid"]  # better light on a colour camera; yet the filter is no gain
    for row in (slices, filtered):
        assert np.prod(infrared.factors(row)[:3]) == pytest.approx(row["centroid"])
    drawing = infrared.width_and_light(rig)
    said = drawing.update("mine", how["magnitude"] * u.mag, infrared.ALTITUDE)
    assert f"times {slices['centroid']:.2f}" in said and f"times {filtered['centroid']:.2f}" in said


def test_a_long_pass_filter_is_recommended_only_where_it_gains(rig):
    for magnitude in (6, 9, 12):
        stars = near_infrared.compare_filters(rig, magnitude, airmass=1.3)
        gain = 1 - float(stars["long-pass"].error / stars["none"].error)
        advice = about_infrared._advice(rig, stars)
        assert ("Try the long-pass" in advice) <= (gain >= 0.05)
    assert "long-pass filter may help" not in words_of("06_near_infrared.ipynb")
    assert about_infrared.card(rig)[2].startswith("Nothing")


def test_the_filter_that_harms_is_taken_off():
    blocked = rigs.changed(CLUB, {"guide_optics.filter": "infrared-blocking"})
    assert about_infrared.card(blocked)[2].startswith("Take the infrared-blocking filter off")


def test_the_part_of_the_near_infrared_is_small(rig):
    part = about_infrared.without_near_infrared(rig)
    assert abs(part) < 0.05 and about_infrared.without_it(rig).right == "the same within 5%"
    assert f"{abs(part):.1%}" in about_infrared.own_number(rig) and f"{abs(part):.1%}" in about_infrared.card(rig)[0]
    whole = near_infrared.guide_star(
        rig, "none", infrared.own_star(rig), airmass=infrared.airmass_at(infrared.ALTITUDE)
    )
    assert whole.wander > whole.centroid, "the air is the larger error"


def test_the_words_on_the_width_agree_with_the_curve(rig):
    said = infrared.two_colours(rig).update(rig.site.seeing, 60 * u.deg)
    assert infrared.percent(about_infrared._spot_factor(rig)) in said
    assert ("wider" in said.split(".")[0]) == (about_infrared._spot_factor(rig) > 1.005)


def test_no_row_vanishes(rig):
    assert len(about_infrared.table_of_cameras(rig)[1]) == len(about_infrared.table_of_light(rig)[1]) == 3
    assert len(about_infrared.table_of_drift(rig)[1]) == 3
    assert len(about_films.table_of_planets(rig)[1]) == len(about_films.table_of_galaxies(rig)[1]) == 3
    assert len(about_films.table_of_rates(rig)[1]) == 4


def test_common_practice_rates_are_reproduced(rig):
    rows = {(row[0].split(",")[0], row[1]): row[2:] for row in about_films.table_of_rates(rig)[1]}
    assert rows["two million pixels", "8 bit"][1] == "90 (sensor)"
    assert rows["two million pixels", "9 to 16 bit"][1] == "70 (sensor)"
    assert 35e6 < int(rows["two million pixels", "8 bit"][0]) * 1920 * 1080 < 40e6


def test_bands_of_the_first_picture_are_lost_and_found(rig):
    kept = [share for _, share in films._pictures(rig.telescope.central_obstruction)]
    assert kept == sorted(kept) and kept[0] < 0.15 and kept[1] > 0.6 and kept[3] <= 1
    assert kept[3] - kept[2] < 0.1  # "hardly stronger with the finest"


def test_both_colours_are_drawn_for_the_reader_s_aperture(rig):
    drawing = films.lucky_frames(rig)
    said = drawing.update(rig.site.seeing, 90 * u.deg)
    air = seeing.atmosphere_for(rig.site)
    mine = rig.telescope.aperture
    for line, colour in zip(drawing.moving[:2], (films.GREEN, films.RED), strict=True):
        x, y = (np.asarray(values, dtype=float) for values in line.get_data())
        assert np.all(np.isfinite(y))
        share = planetary.lucky_share(mine, air, colour)
        assert np.interp(mine.to_value(u.mm), x, y) == pytest.approx(share)
        assert films.one_in(share) in said


def test_the_film_s_numbers_agree(rig):
    plan = about_films._plan(rig)
    assert plan["frames"] == pytest.approx(plan["rate"] * plan["film"] * 60)
    assert f"{plan['rate']:.0f} frames a second" in films.light_and_time(rig).update(
        "Jupiter", "all light", films.extender(rig), "USB 3"
    )
    words = words_of("11_planetary.ipynb")
    assert words.index("**lucky frame**") < words.index("Lucky frames against") and "are **lost**" not in words
