"""What workbook 04 says, for three rigs: it agrees with the calculation and with itself."""

import re

import astropy.units as u
import numpy as np
import pytest

from helpers import ledger, pixel_scale, seeing
from helpers import rig as rigs
from helpers.correction_loop import own_settings
from helpers.error_budget.predict import predict
from helpers.pixel_scale import drawings as pixel_drawings
from helpers.seeing import drawings, questions
from tests.three_rigs import RIGS
from tests.workbooks.test_sentences_00 import numbers


@pytest.fixture(params=RIGS, ids=str)
def rig(request):
    return RIGS[request.param]


def air(rig):
    return seeing.atmosphere_for(rig.site)


def wander(rig, exposure=0 * u.s):
    return seeing.image_motion(rig.guide_optics.aperture, air(rig), exposure).value


def test_the_film_strays_as_far_as_said(rig):
    guess, track = questions.wander_in_the_film(rig), drawings.film(rig).track
    strays, share, width = numbers(guess.answer)[:3]
    assert strays == pytest.approx(np.sqrt(np.mean(track.var(axis=0))), abs=0.006)
    assert share == pytest.approx(100 * strays / width, abs=1.5)  # of rounded numbers
    assert guess.right == "a quarter of its width" and 15 < share < 40
    assert numbers(guess.answer)[-1] == pytest.approx(wander(rig), abs=0.006)
    assert f"strays {strays:.2f} arcsec" in drawings.boiling_star(rig).update(0)


def test_ten_times_the_aperture_takes_off_less_than_half(rig):
    guess = questions.larger_aperture(rig)
    small, large, less = numbers(guess.answer)[:3]
    assert less == pytest.approx(100 * (1 - large / small), abs=1.5)
    assert guess.right == "a half or so"
    after = [float(found) for found in re.findall(r"([\d.]+) behind", guess.answer)]
    assert after[1] / after[0] > large / small  # the aperture matters even less after an exposure


def test_a_doubled_exposure_leaves_about_three_quarters(rig):
    guess = questions.doubled_exposure(rig)
    two, one = numbers(guess.answer)[:2]
    assert (one, two) == pytest.approx([wander(rig, t * u.s) for t in (1, 2)], abs=0.006)
    assert wander(rig, 2 * u.s) / wander(rig, 1 * u.s) == pytest.approx(0.75, abs=0.1)
    assert guess.right == "three quarters"
    _, rows = questions.table_of_layers(rig)
    most = max(rows, key=lambda row: float(row[4]))
    assert f"layer at {most[0]} m, where the wind is {most[2]} m/s" in guess.answer


def test_the_own_number_is_that_of_the_strip_the_table_the_card_and_the_form(rig):
    said, mine = questions.own_number(rig), ledger.ledger(rig)
    one, both = (float(text) for text in re.search(r"leaves ([\d.]+) .* axis, ([\d.]+) in total", said).groups())
    assert one == pytest.approx(mine.air.value, abs=0.006)
    assert both == pytest.approx(2**0.5 * mine.air.value, abs=0.006)
    assert f"What the loop leaves, {mine.pointing_rms.value:.2f} in the strip" in questions.still_mount(rig)
    instant = float(re.search(r"star by ([\d.]+)", said)[1])
    two = float(re.search(r"leaves ([\d.]+) on each\.", said)[1])
    exposure = rig.guiding.exposure
    assert (instant, two) == pytest.approx([wander(rig, k * exposure) for k in (0, 2)], abs=0.006)
    assert questions.card(rig)[0].startswith(f"{one:.2f} arcsec")
    answers = {field["key"]: field["value"] for field in questions.air_fields(rig)}
    assert f"leaves {one:.2f} arcsec rms on each axis, {both:.2f} in total" in questions.air_reply(rig)(answers)
    rows = {row[0]: float(row[1]) for row in questions.table_of_exposures(rig)[1]}
    assert rows[f"left after {rig.guiding.exposure.value:g} s"] == one


def test_squares_of_the_layers_add_up(rig):
    _, rows = questions.table_of_layers(rig)
    for column, exposure in ((3, 0 * u.s), (4, rig.guiding.exposure)):
        parts = [float(row[column]) for row in rows]
        assert np.hypot.reduce(parts) == pytest.approx(wander(rig, exposure), abs=0.01)


def test_width_is_told_from_wander(rig):
    said = questions.width_is_not_wander(rig)
    width, moved, blur = (
        float(re.search(pattern, said)[1])
        for pattern in (r"star is ([\d.]+)", r"strays ([\d.]+)", r"would be ([\d.]+)")
    )
    normal = np.random.default_rng(1).normal(0, moved, 400_000)
    counts, edges = np.histogram(normal, 60)
    above = edges[:-1][counts > counts.max() / 2]
    assert blur == pytest.approx(np.ptp(above) + edges[1] - edges[0], rel=0.15)  # the width of a pile of such places
    assert blur < width


def test_low_stars_are_wider_and_wander_more(rig):
    _, rows = questions.table_of_exposures(rig)
    for name, overhead, low in rows:
        overhead, low = float(overhead), float(low)
        assert low == pytest.approx(2**0.5 * overhead, abs=0.0125), name  # root of the airmass; rounded to 0.01
    here, there = (questions._guide_width(rig, seeing.at_airmass(air(rig), airmass)) for airmass in (1, 2))
    # airmass to the power 0.6, less where diffraction is wider, a little more by the outer scale
    assert 0 < np.log2(float(there / here)) < 0.65


def test_each_width_of_one_star_is_that_of_its_place(rig):
    names, widths = zip(*questions.table_of_widths(rig)[1], strict=True)
    quoted, large, guide, picture, on_pixels, height, guided = map(float, widths)
    assert quoted == pytest.approx(rig.site.seeing.value, abs=0.006)
    assert f"{large:.2f} arcsec wide in a large telescope" in questions.width_in_numbers(rig) and large < quoted
    end = seeing.spot_fwhm(20 * u.m, air(rig), 500 * u.nm).value
    assert large == pytest.approx(end, rel=0.02)  # good to 2 per cent, by its source
    said = drawings.width_and_wander(rig).update(rig.guide_optics.aperture, rig.site.seeing, 1.0)
    assert f"The star is {guide:.2f} arcsec wide" in said
    assert f"a star is {guide:.2f} arcsec wide" in questions.width_is_not_wander(rig)
    optics = rig.telescope
    found = seeing.spot_fwhm(optics.aperture, air(rig), 550 * u.nm, obstruction=optics.central_obstruction).value
    assert picture == pytest.approx(found, abs=0.006) and "550 nm" in names[3]
    still = pixel_drawings.widened_star(rig).update(motion=0 * u.arcsec, seen=rig.site.seeing)
    assert f"on your pixels, the star is {on_pixels:.2f} arcsec wide" in still, "as workbook 01 says"
    airmass = float(re.search(r"airmass ([\d.]+)", names[5])[1])
    assert picture <= height < guided and airmass >= 1
    assert height == pytest.approx(picture * airmass**0.6, abs=0.03)


def test_colour_changes_the_width_as_said(rig):
    said, optics = questions.redder(rig), rig.guide_optics
    words, colour = re.match(r"(Redder|Bluer) .* at (\d+) nm, ", said).groups()
    assert (words == "Redder") is bool(float(colour) > 550)
    told = re.search(rf"([\d.]+) arcsec at {colour} nm, ([\d.]+) at 550 nm", said).groups()
    for nm, width in zip((colour, 550), told, strict=True):
        found = seeing.spot_fwhm(optics.aperture, air(rig), float(nm) * u.nm, obstruction=optics.central_obstruction)
        assert float(width) == pytest.approx(found.value, abs=0.012)  # the colour is rounded too
    r0 = [seeing.fried_parameter(rig.site.seeing, nm * u.nm) for nm in (float(colour), 550)]
    by_air = [
        seeing.seeing_fwhm(size, nm * u.nm, rig.site.outer_scale)
        for size, nm in zip(r0, (float(colour), 550), strict=True)
    ]
    assert bool(by_air[0] < by_air[1]) is (float(colour) > 550)


def test_the_lowest_point_and_the_crossing_are_where_the_words_say(rig):
    found, said = drawings.balance(rig), drawings.air_and_mount(rig).sentence
    best, least = (float(text) for text in re.search(r"near ([\d.]+) s: ([\d.]+) arcsec", said).groups())
    assert least == pytest.approx(found.both.min(), abs=0.006)
    assert found.both[found.exposures == best] == found.both.min()
    assert np.all(np.diff(found.both[: found.best + 1]) < 0) and np.all(np.diff(found.both[found.best :]) > 0)
    crossing = float(re.search(r"Below ([\d.]+) s", said)[1])
    assert np.all((found.air > found.mount)[found.exposures < 0.95 * crossing])
    assert np.all((found.air < found.mount)[found.exposures > 1.05 * crossing])


def test_a_mount_above_the_line_need_not_show_as_said(rig):
    """As workbook 07 finds with whole loops: at its longest exposure the star is as wide as at best, to 3 %."""
    found, notices = drawings.balance(rig), pixel_scale.compare_scales(rig).noticed
    said, longest = drawings.slow_motion_in_words(rig), own_settings.EXPOSURES[-1]
    whole = found.mount[found.exposures == longest.value][0]
    within = drawings.within_a_picture(rig)
    assert within < whole * u.arcsec
    assert bool(said) == bool(within < notices < whole * u.arcsec)
    if said:
        assert (
            f"At {longest.value:g} s the mount's {whole:.2f} lies above" in said and f"by {within.value:.2f}." in said
        )
        assert said in drawings.air_and_mount(rig).sentence
        widths = own_settings.map_of(rig).mean
        assert widths[-1].min() < 1.03 * widths.min(), "no picture shows a difference"
    # of a whole number of worms in a picture nothing is slower than the picture
    slow = rigs.changed(rig, {"guiding.picture_exposure": 2 * rig.mount.worm_period})
    assert drawings.within_a_picture(slow).value == pytest.approx(whole, rel=0.03)


def test_the_last_width_holds_what_guiding_leaves_and_the_fast_shake(rig):
    (name, width) = questions.table_of_widths(rig)[1][-1]
    terms = predict(rig).picture_terms
    assert "too fast for guiding" in name and terms["fast shake"] > 0 * u.arcsec
    assert float(width) == pytest.approx(
        np.sqrt(sum(part.value * abs(part.value) for part in terms.values())), abs=0.01
    )


def test_the_card_leaves_the_exposure_to_the_correction_loop(rig):
    found, now = drawings.balance(rig), rig.guiding.exposure.value
    _, meaning, action = questions.card(rig)
    at_present = float(np.interp(now, found.exposures, found.both))
    assert action.startswith("Nothing")
    assert ("workbook 07" in action) is bool(at_present > 1.2 * found.both.min())
    at = found.exposures == now
    assert ("air, not the mount" in meaning) is bool(found.air[at] >= found.mount[at])


def test_the_jet_stream_is_averaged_away_and_the_ground_stays(rig):
    jet = drawings.layered_air(rig, "jet-stream night")
    fast = int(np.argmax([layer.wind_speed.value for layer in jet.layers]))
    low = int(np.argmin([layer.height.value for layer in jet.layers]))
    parts = [seeing.motion_by_layer(rig.guide_optics.aperture, jet, t * u.s).value ** 2 for t in (0, 2)]
    instant, left = (part / part.sum() for part in parts)
    assert jet.layers[fast].fraction > 0.2 and instant[fast] > 0.2
    assert left[fast] < 0.1 and left[low] > 0.5


def test_a_longer_exposure_is_found_with_the_panel(rig):
    asked = questions.longer_exposure(rig)
    wanted = float(re.search(r"leaves ([\d.]+) arcsec", asked.task)[1])
    said = drawings.averaging(rig).update(exposure=asked.right, name=rig.site.atmosphere)
    assert f": {wanted:.2f} arcsec, of " in said


def test_layers_add_by_squares_as_the_panel_says(rig):
    said = drawings.averaging(rig).update(exposure=rig.guiding.exposure, name=rig.site.atmosphere)
    alone, again, share, whole, twice = re.search(
        r"alone leaves ([\d.]+)\. .*: ([\d.]+) x [\d.]+ is (\d+)% of ([\d.]+) x ([\d.]+)\.", said
    ).groups()
    assert alone == again and whole == twice
    assert float(share) == pytest.approx(100 * float(alone) ** 2 / float(whole) ** 2, abs=1)
    assert float(whole) == pytest.approx(wander(rig, rig.guiding.exposure), abs=6e-4)
    assert max(float(row[4]) for row in questions.table_of_layers(rig)[1]) == pytest.approx(float(alone), abs=0.006)


def test_a_large_aperture_is_left_with_waves_wider_than_itself(rig):
    """Cause told with the apertures: eddies no larger than the telescope add hardly anything to its wander."""
    assert "what is left comes from wider ones" in questions.larger_aperture(rig).answer
    small_eddies = seeing.Atmosphere(rig.site.seeing, 0.5 * u.m, air(rig).layers)
    for_all = seeing.image_motion(500 * u.mm, air(rig))
    assert (seeing.image_motion(500 * u.mm, small_eddies) / for_all) ** 2 < 0.2
