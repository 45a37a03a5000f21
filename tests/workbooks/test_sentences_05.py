"""What workbook 05 says, against its own numbers and those of other workbooks, for several rigs."""

import re

import astropy.units as u
import numpy as np
import pytest

from helpers import guide_field, seeing, starlight
from helpers import ledger as ledgers
from helpers.multi_star import drawings, questions
from tests.three_rigs import CLUB, RIGS


@pytest.fixture(params=RIGS, ids=str)
def rig(request):
    return RIGS[request.param]


def test_stars_and_noise_are_those_of_the_ledger(rig):
    mine, count = ledgers.ledger(rig), drawings.used(rig)
    assert count == mine.stars
    mean = drawings.own_field(rig).mean(count)
    assert mean.noise.value == pytest.approx(mine.noise.value, rel=1e-3)
    assert f"{mine.noise.value:.2f} arcsec" in questions.card(rig)[0]
    assert mean.air <= mine.air * 1.001
    assert f"{mine.noise.value:.2f} arcsec" in questions.own_number(rig)


def test_stars_stand_where_the_guide_optics_see_them(rig):
    """What the mirror keeps back is taken off, and a guide telescope's stars are spread over its field."""
    field, stars = drawings.own_field(rig), guide_field.middling_stars(rig)
    share = starlight.view(rig).light_share
    assert set(np.round(field.stars.magnitudes, 6)) <= set(np.round(stars.magnitudes, 6))
    assert (field.stars.light.min() < 0.95) == (share < 0.95)
    width = (rig.guide_camera.columns * rig.guide_camera.pixel_size / rig.guide_optics.focal_length).to_value(
        u.arcmin, u.dimensionless_angles()
    )
    assert np.ptp(drawings.spread(rig).value[:, 0]) == pytest.approx(0.9 * width, rel=0.02)


def test_air_is_shared_and_errors_are_not(rig):
    _, kept = drawings.eight(rig)
    guess = questions.mean_of_eight(rig)
    assert guess.right == "two thirds or more" and kept > 2 / 3
    assert f"{kept:.0%}" in guess.answer and "35%" in guess.answer


def test_the_flip_in_words_is_the_flip_in_numbers():
    head, rows = questions.flip_table()
    numbers = [[float(text) for text in row[1:]] for row in rows[:3]]
    air, noise, both = np.array(numbers)
    assert both == pytest.approx(np.hypot(air, noise), abs=1.5e-3)
    assert head[1:] == ("before: 7 stars", "after: one star")
    answer = questions.lone_star(CLUB).answer
    assert f"By {both[1] / both[0] - 1:.0%}" in answer
    club, before, after = drawings.demo_fields()
    assert (len(before), len(after)) == (7, 1)
    assert np.sum(before.magnitudes < after.magnitudes[0]) == 6, "fainter than most of them"
    one = seeing.image_motion(club.guide_optics.aperture, seeing.atmosphere_for(club.site), 1 * u.s)
    assert air[1] == pytest.approx(one.value, abs=1e-3)
    assert float(rows[3][2].removeprefix("1/")) < float(rows[3][1].removeprefix("1/"))
    assert float(rows[4][2].rstrip("%")) > 5 * float(rows[4][1].rstrip("%"))


def test_the_lone_star_is_lost_in_the_panel_when_the_table_says_so():
    _, rows = questions.flip_table()
    update, limit = drawings.flip().update, 2.5 * np.log10(float(rows[3][2].removeprefix("1/")))
    assert "is lost" in update(cloud=limit + 0.15, exposure=1 * u.s)
    assert "lost" not in update(cloud=limit - 0.15, exposure=1 * u.s)


def test_the_fall_back_exposure_is_enough_and_a_shorter_one_is_not():
    club, _, after = drawings.demo_fields()
    seconds = float(re.search(r"with ([\d.]+) s instead", questions.flip_words()).group(1))
    for time, enough in ((seconds + 0.1, True), (0.9 * seconds, False)):
        seen = starlight.view(club, time * u.s, drawings.demo_airmass(), light_share=1)
        assert (seen.signal(after.magnitudes[0] + 2.5).centroid_error <= 0.1 * u.arcsec) == enough


def test_more_stars_do_no_harm_while_one_would_use_them(rig):
    """Not with stars of magnitude 19: with those known to 0.1 arcsec, and the point from which they harm."""
    found = re.search(r"alone moves ([.0-9]+) arcsec;.* ([.0-9]+)[.] Five .* worse than ([.0-9]+) arcsec;", _harm(rig))
    alone, together, limit = map(float, found.groups())
    assert together < alone
    covariance, _ = drawings.eight(rig)
    six = covariance[:, :6, :6].mean(axis=0).value
    for error, harms in ((0.9 * limit, False), (1.1 * limit, True)):
        errors = np.array([0.1 * six[0, 0] ** 0.5, *[error] * 5])
        assert (np.sqrt(six.mean() + np.sum(errors**2) / 36) > alone) == harms


def _harm(rig):
    return questions.more_cannot_harm(rig)


def test_nine_bright_stars_gain_little_and_faint_ones_much(rig):
    gains = 1 - drawings.nine_against_one(rig)[:, 1] / drawings.nine_against_one(rig)[:, 0]
    assert np.all(np.diff(gains) > 0.05) and gains[0] < 1 / 3 and gains[-1] < 2 / 3


def test_no_word_of_another_rig(rig):
    texts = [questions.own_number(rig), questions.own_words(rig), *questions.card(rig)]
    assert all("nan" not in text and "inf" not in text for text in texts)
    for table in (questions.table_of_likeness(rig), questions.table_of_weights(rig), questions.table_of_methods(rig)):
        assert all(len(row) == len(table[0]) for row in table[1])
    ways = {row[0]: float(row[2]) for row in questions.table_of_methods(rig)[1]}
    # 800 coordinates: an rms is uncertain by 2.5 per cent; five times that comes in fewer than one case in a million
    assert 0.875 < ways["fit of a spot"] < 1.2
    assert ways["plain centre of mass"] > 2
    assert ways["windowed centre"] > 0.875


def test_a_field_that_is_typed_in(rig):
    reply = questions.field_reply(rig)
    assert "The mean of 3 moves" in reply({"magnitudes": "11, 11.5; 12", "exposure": 2.0})
    with pytest.raises(ValueError, match="your guide stars"):
        reply({"magnitudes": "eleven", "exposure": 2.0})
    with pytest.raises(ValueError, match="your guide stars"):
        reply({"magnitudes": "  ", "exposure": 2.0})


def test_panels_answer_at_every_end(rig):
    panel = drawings.mean_of_own(rig)
    for count in (1, drawings.most_stars(rig)):
        for fainter in (0.0, 4.0):
            for exposure in drawings.exposures(rig).values():
                assert "nan" not in panel.update(count=count, fainter=fainter, exposure=exposure)
    arrows = drawings.arrows(rig)
    assert "Exposure 100 of 100" in arrows.update(number=99)
