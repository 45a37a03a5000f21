"""What workbooks 06 and 11 say, for three rigs: claims hold, rows stay, old claims are refused."""

import json
import re
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest

from helpers import near_infrared, pixel_scale, planetary, seeing
from helpers import rig as rigs
from helpers.near_infrared import drawings as infrared
from helpers.near_infrared import questions as about_infrared
from helpers.planetary import drawings as films
from helpers.planetary import questions as about_films
from helpers.planetary.light import on_axis
from helpers.starlight import questions as about_starlight
from helpers.starlight.spectra import mosaic_transmission
from helpers.starlight.widths import detected_wavelength, picture_star_fwhm
from tests.three_rigs import CLUB, RIGS

FOLDER = Path(__file__).resolve().parent.parent.parent / "workbooks"


@pytest.fixture(params=RIGS, ids=str)
def rig(request):
    return RIGS[request.param]


def words_of(name):
    cells = json.loads((FOLDER / name).read_text(encoding="utf-8"))["cells"]
    return " ".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown")


def test_dyes_keep_back_half_of_the_green_and_little_of_the_near_infrared():
    assert "keep back about half of the green light, and hardly any" in words_of("06_near_infrared.ipynb")
    green, red = (mosaic_transmission("mean", np.arange(start, start + 101) * u.nm).mean() for start in (500, 800))
    assert green == pytest.approx(0.5, abs=0.05) and red > 0.9


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


def test_rows_name_width_and_light_and_what_they_make_of_the_error(rig):
    # "as the width, and as one over the root of the light": a bright star, whose own light makes all the noise,
    # on fine pixels without dyes; elsewhere pixels and sky shift the width's part by some per cent
    plain = infrared.with_cameras(CLUB)["demo camera A"]
    for bands in (infrared.SLICES, infrared.FILTERED):
        bright = near_infrared.light_against_width(plain, bands, 6, airmass=1.2)
        first, second = bright
        light, spot = (float(second[name] / first[name]) for name in ("electrons", "spot"))
        assert second["width_alone"] == pytest.approx(spot, rel=0.03)
        assert second["light_alone"] == pytest.approx(light**-0.5, rel=0.03)
        assert infrared.what_changes(bright)[:2] == (f"width × {spot:.2f}: ", f"light × {light:.2f}: ")
    # "a fainter star pays more for lost light": the filter on the own star, and on one a magnitude fainter
    lost = []
    for fainter in (-6, 0, 1):
        how = {"magnitude": infrared.own_star(rig) + fainter, "airmass": infrared.airmass_at(infrared.ALTITUDE)}
        none, passed = near_infrared.light_against_width(infrared.bare(rig), infrared.FILTERED, **how)
        lost.append(float(passed["light_alone"] / (none["electrons"] / passed["electrons"]) ** 0.5))
    assert lost[0] == pytest.approx(1, abs=0.01) and lost[0] < lost[1] < lost[2]
    drawing = infrared.width_and_light(rig)
    drawing.update("mine", infrared.own_star(rig) * u.mag, infrared.ALTITUDE)
    how = {"magnitude": infrared.own_star(rig), "airmass": infrared.airmass_at(infrared.ALTITUDE)}
    table = near_infrared.light_against_width(infrared.bare(rig), infrared.SLICES, **how)
    shown = [text.get_text() for text in drawing.moving[8:12]]
    assert shown == [
        f"{change}error × {factor:.2f}"
        for change, factor in zip(infrared.what_changes(table), infrared.factors(table[1]), strict=True)
    ]


def test_one_measurement_is_drawn_and_is_air_and_centre_together(rig):
    drawing = infrared.beside_the_air(rig)
    said = drawing.update(rig.guiding.exposure, infrared.ALTITUDE, "usual (K0)")
    none, both = drawing.moving[0].get_ydata(), drawing.moving[3].get_ydata()
    air = drawing.moving[-2].get_ydata()[0]
    known = np.isfinite(none)
    assert both[known] == pytest.approx(np.hypot(none, air)[known])
    assert f"{infrared.ALTITUDE.value:.0f} degrees above the horizon the air leaves {air:.3f} arcsec" in said
    overhead = seeing.image_motion(rig.guide_optics.aperture, seeing.atmosphere_for(rig.site), rig.guiding.exposure)
    assert f"(overhead {overhead.value:.3f})" in said and overhead.value < air


def test_the_outer_scale_narrows_red_stars_more_most_of_all_in_calm_air(rig):
    site = seeing.atmosphere_for(rig.site)
    endless = seeing.Atmosphere(rig.site.seeing, np.inf * u.m, site.layers)
    first_law = near_infrared.wavelength_gain("fwhm", infrared.GREEN, infrared.RED, 1 * u.m, endless)
    assert first_law == pytest.approx((850 / 550) ** -0.2)
    usual, calm = (about_infrared._spot_factor(rig, "fwhm", width) for width in (None, about_infrared.calm_seeing(rig)))
    assert calm < usual < first_law
    said = about_infrared.colours_in_numbers(rig)
    places = [said.index(infrared.percent(factor)) for factor in (first_law, usual, calm)]
    assert places == sorted(places)
    assert infrared.percent(calm) in about_infrared.calm_night(rig).answer, "section 1 says the same"


def test_the_light_of_all_pieces_is_that_of_section_2(rig):
    how = {"magnitude": infrared.own_star(rig), "airmass": infrared.airmass_at(infrared.ALTITUDE)}
    green, red = near_infrared.light_against_width(infrared.bare(rig), infrared.SLICES, **how)
    stars = [near_infrared.guide_star(infrared.bare(rig), band, **how) for band in infrared.SLICES.values()]
    pieces = near_infrared.gain_pieces(*stars)
    assert pieces["light"] * pieces["extinction"] == pytest.approx(float(red["electrons"] / green["electrons"]))


def test_shape_and_sky_make_the_rest_of_the_part_of_the_width_as_said(rig):
    said, how = about_infrared.width_is_not_all(rig), {"airmass": infrared.airmass_at(infrared.ALTITUDE)}
    told = [float(text) for text in re.findall(r"× ([\d.]+)", said)][:4]
    for bands, shape, below in ((infrared.SLICES, *told[::2]), (infrared.FILTERED, *told[1::2])):
        first, last = near_infrared.light_against_width(infrared.bare(rig), bands, infrared.own_star(rig), **how)
        width = float(last["spot"] / first["spot"])
        assert width * shape * below == pytest.approx(last["width_alone"], abs=0.012), "they make up the whole part"
        bright = near_infrared.light_against_width(infrared.bare(rig), bands, -2, **how)[1]
        assert width * shape == pytest.approx(bright["width_alone"], abs=0.007), (
            "still brighter: only the shape is left"
        )
    # with a darker sky the filter gains less by the sky that it takes
    skies = [rigs.changed(rig, {"site.sky_brightness": sky * u.mag / u.arcsec**2}) for sky in (19, 23)]
    bright, dark = (about_infrared.beyond_width(one, infrared.FILTERED)[1] for one in skies)
    assert bright < dark < 1.005
    assert 0.2 < about_infrared.sky_kept(rig) < 0.8


def test_the_own_star_pays_more_for_light_than_a_bright_one_as_said(rig):
    said = about_infrared.pays_for_light(rig)
    assert said in about_infrared.width_is_not_all(rig)
    told = [float(text) for text in re.findall(r"× (\d+\.\d+)", said)]
    for k, bands in enumerate((infrared.SLICES, infrared.FILTERED)):
        own, bright = (
            float(
                near_infrared.light_against_width(
                    infrared.bare(rig), bands, star, airmass=infrared.airmass_at(infrared.ALTITUDE)
                )[1]["light_alone"]
            )
            for star in (infrared.own_star(rig), -2)
        )
        assert abs(np.log(own)) >= abs(np.log(bright)) - 1e-3
        if told:
            assert [told[k], told[k + 2]] == pytest.approx([own, bright], abs=0.006)
        else:
            assert own == pytest.approx(bright, abs=0.011)


def test_the_thin_line_ends_where_the_words_of_the_figure_say(rig):
    drawing = infrared.beside_the_air(rig)
    drawing.update(rig.guiding.exposure, infrared.ALTITUDE, "usual (K0)")
    none, both = drawing.moving[0].get_ydata(), drawing.moving[3].get_ydata()
    last, air = np.flatnonzero(np.isfinite(none))[-1], drawing.moving[-2].get_ydata()[0]
    assert ("joins the curve" in drawing.alt) == (both[last] < 1.05 * none[last])
    assert ("rises above it" in drawing.alt) == (both[last] >= max(1.05 * none[last], 1.05 * air))


def test_all_pieces_are_drawn_in_the_form_of_section_2(rig, monkeypatch):
    drawn = []
    monkeypatch.setattr(infrared.figures, "show", lambda figure, alt, sentence: drawn.append((figure, sentence)))
    infrared.all_pieces(rig)
    (figure, said), how = drawn[0], {"magnitude": infrared.own_star(rig)}
    table = near_infrared.light_against_width(
        infrared.bare(rig), infrared.SLICES, airmass=infrared.airmass_at(infrared.ALTITUDE), **how
    )
    axes, red = figure.axes[0], table[1]
    texts = dict(zip(infrared.ROWS, (text.get_text() for text in axes.texts), strict=True))
    marks = dict(zip(infrared.ROWS, (float(line.get_xdata()[0]) for line in axes.lines[2::2]), strict=True))
    assert texts["light"] == f"{infrared.what_changes(table)[1]}error × {red['light_alone']:.2f}"
    assert texts["centroid"] == f"× {red['centroid']:.2f}" and texts["image_motion"] == "the same"
    assert texts["spot"] == f"× {float(red['spot'] / table[0]['spot']):.2f}"
    assert f"one measurement is {texts['error']}" in said and f"smear is {texts['smear']}," in said
    left, right = axes.get_xlim()
    assert left < right, "better is left, where the error is smaller, as in section 2"
    assert marks["light"] == pytest.approx(red["light_alone"]) and marks["smear"] < 1 < marks["diffraction"]


def test_cameras_are_told_in_the_words_of_workbook_02(rig):
    head, _ = about_infrared.table_of_cameras(rig)
    asked = [row[0] for row in about_starlight.table_of_cameras(rig)[1]]
    assert set(head[3:]) <= set(asked)


def test_the_spot_is_as_wide_in_both_colours_where_the_words_say(rig):
    air, beam = seeing.atmosphere_for(rig.site), rig.guide_optics
    apertures = np.geomspace(25, 500, 24)
    how = (air, infrared.airmass_at(infrared.ALTITUDE), beam.central_obstruction)

    def factor(aperture):
        return near_infrared.wavelength_gain("spot", infrared.GREEN, infrared.RED, aperture * u.mm, *how)

    crossing = infrared.narrower_from(apertures, factor(apertures))
    assert factor(crossing) == pytest.approx(1, abs=0.005)
    assert infrared.narrower_from(apertures, np.full(24, 0.9)) is None
    assert infrared.narrower_from(apertures, np.full(24, 1.1)) is None


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
    said = infrared.two_colours(rig).update(rig.site.seeing, infrared.ALTITUDE)
    assert infrared.percent(about_infrared._spot_factor(rig)) in said
    assert ("wider" in said.split(".")[0]) == (about_infrared._spot_factor(rig) > 1.005)


def test_diffraction_takes_back_what_is_said_of_what_the_air_gives(rig):
    guess, calm = about_infrared.calm_night(rig), about_infrared.calm_seeing(rig)
    said = guess.answer
    factors = [about_infrared._spot_factor(rig, of, calm) for of in ("spot", "fwhm")]
    assert factors[1] < 1 and infrared.percent(factors[1]) in said and infrared.percent(factors[0]) in said.lower()
    assert ("part of that" in said) == (factors[1] < factors[0] < 1)
    assert ("all of that and more" in said) == (factors[0] >= 1)
    assert "counts little behind" not in said  # of an aperture of 250 mm it takes back half


def test_calm_air_leaves_more_to_diffraction_as_said(rig):
    guess, calm = about_infrared.calm_night(rig), about_infrared.calm_seeing(rig)
    assert infrared.CALMEST <= calm < rig.site.seeing and f"{calm.value:.1f} arcsec" in guess.ask
    usual, then = (float(about_infrared._spot_factor(rig, width=width)) for width in (None, calm))
    assert then > usual and infrared.percent(usual) in guess.ask
    # the panel says the same when it is moved there, and the first figure does not
    said = infrared.two_colours(rig).update(calm, infrared.ALTITUDE)
    assert infrared.percent(then) in said
    assert guess.answer.split(".")[0] not in infrared.four_stars(rig).sentence


def test_the_two_factors_of_a_small_opening_are_told_and_have_the_named_causes(rig):
    air, obstruction = seeing.atmosphere_for(rig.site), rig.guide_optics.central_obstruction
    cases = ((1, 0), (infrared.airmass_at(infrared.ALTITUDE), 0), (1, 0.3))
    clear, lower, holed = (
        near_infrared.wavelength_gain("spot", infrared.GREEN, infrared.RED, 50 * u.mm, air, airmass, hole)
        for airmass, hole in cases
    )
    assert lower < clear and holed < clear, "more air and a hole both lessen the factor"
    drawing = infrared.two_colours(rig)
    drawing.update(rig.site.seeing, infrared.ALTITUDE)
    below = np.interp(50, u.Quantity(drawing.moving[0].get_xdata(), u.mm).value, drawing.moving[0].get_ydata())
    sentence = infrared.four_stars(rig).sentence
    said = re.search(r"50 mm that is ([\d.]+) times, in the next figure ([\d.]+) times", sentence)
    if said:
        assert [float(part) for part in said.groups()] == pytest.approx([clear, below], abs=0.06)
        assert ("hole like yours" in sentence) == bool(obstruction)
    else:
        assert below == pytest.approx(clear, abs=0.1)


def test_all_stars_of_the_page_stand_at_the_height_that_its_words_name():
    assert f"stars stand {infrared.ALTITUDE.value:.0f} degrees above the horizon" in words_of("06_near_infrared.ipynb")
    low = infrared.airmass_at(infrared.ALTITUDE)
    stars = [near_infrared.guide_star(CLUB, "none", 9, airmass=airmass) for airmass in (low, 2 * low)]
    assert stars[0].smear < stars[1].smear, "the longer the lower it stands"


def test_no_row_vanishes(rig):
    assert len(about_infrared.table_of_cameras(rig)[1]) == len(about_infrared.table_of_light(rig)[1]) == 3
    assert len(about_infrared.table_of_drift(rig)[1]) == 3
    assert len(about_films.table_of_planets(rig)[1]) == len(about_films.table_of_galaxies(rig)[1]) == 3
    assert len(about_films.table_of_rates(rig)[1]) == 4


def test_small_galaxies_as_said(rig):
    said, whole = about_films.galaxies_in_words(rig), planetary.galaxies_in_field(rig)
    if 0 < len(whole) < len(planetary.GALAXIES):
        assert f"{len(whole)} fit the field ({', '.join(whole)}); M101" in said and "M101" not in whole
    frames = float(re.search(r"an hour takes ([\d,]+) such frames", said)[1].replace(",", ""))
    assert frames == pytest.approx(3600 / planetary.sky_limited_exposure(rig).value, rel=0.01, abs=0.6)
    short, best = (float(text) for text in re.search(r"reaches ([\d.]+), in long ones ([\d.]+) mag", said).groups())
    assert short < best
    edge = planetary.EDGE_OF_A_GALAXY.value
    word = "in frames of 1 s." if short >= edge else "long frames only" if best >= edge else "stays hidden"
    assert word in said[said.index("that edge") :]
    assert "galax" not in about_films.card(rig)[1], "what is folded is not on the card"


def test_near_infrared_is_narrower_in_long_exposures_and_coarser_in_lucky_frames_as_said(rig):
    said, air = about_films.calmer_not_sharper(rig), seeing.atmosphere_for(rig.site)
    optics = rig.telescope.aperture, air
    widths = [
        seeing.spot_fwhm(*optics, colour, 1, rig.telescope.central_obstruction) for colour in (films.GREEN, films.RED)
    ]
    assert ("In a long exposure a star is indeed narrower" in said) == (widths[1] < widths[0])
    shown = re.search(r"is ([\d.]+) times coarser, ([\d.]+) instead of ([\d.]+)", said).groups()
    times, coarse, fine = map(float, shown)
    assert times == pytest.approx(coarse / fine, abs=0.07), "as the shown digits give it"
    # air makes most of it, as said: by far more than the opening alone
    if widths[1] < widths[0]:
        assert seeing.seeing_fwhm(seeing.fried_parameter(air.fwhm), outer_scale=air.outer_scale) > 0.7 * widths[0]


def test_the_old_camera_reaches_deeper_for_want_of_dyes(rig):
    if "old camera A reaches deeper" not in about_films.galaxies_in_words(rig):
        return
    cameras = films.demo_cameras(rig)
    old, new = cameras["demo camera A"], cameras["demo camera B"]
    reached = {}
    for name, seen in {
        "old": old,
        "new": new,
        "no dyes": rigs.changed(new, guide_camera__mosaic=False),
        "quiet": rigs.changed(old, guide_camera__read_noise=new.guide_camera.read_noise),
    }.items():
        reached[name] = planetary.faintest_surface(seen, [1, 60] * u.s).value
    assert reached["old"][0] < reached["new"][0] and reached["old"][1] > reached["new"][1]
    assert reached["no dyes"][1] > reached["old"][1]  # without dyes the new one is the better
    quieter = reached["quiet"] - reached["old"]
    assert quieter[0] > 3 * quieter[1]  # read noise counts in short frames


def test_a_star_among_galaxies_is_as_wide_as_in_the_light_that_the_camera_takes(rig):
    said = about_films.galaxies_in_words(rig)
    width, pixels = re.search(r"is ([\d.]+) arcsec wide: ([\d.]+) pixels", said).groups()
    camera_light = detected_wavelength(on_axis(rig))
    assert float(width) == pytest.approx(picture_star_fwhm(rig, wavelength=camera_light).value, abs=0.051)
    seen = pixel_scale.pixel_scale(rig.guide_camera.pixel_size, rig.telescope.focal_length).value
    assert float(pixels) * seen == pytest.approx(float(width), abs=0.1)
    optics, own = rig.guide_optics, rig.telescope
    if (optics.kind, optics.focal_length, optics.filter) == ("pick-off", own.focal_length, "none"):
        assert float(pixels) == pytest.approx(pixel_scale.compare_scales(rig).guide_star_pixels, abs=0.25)


def test_the_brightest_pixel_is_told_from_the_mean_one_as_said(rig):
    said, one = about_films.dyes_in_words(rig), planetary.disc_signal(rig, "Jupiter", 2 * u.m, 1 * u.ms)
    times = one.filling * rig.guide_camera.full_well.value / one.electrons.value
    assert (
        times == pytest.approx(about_films.MIDDLE_OVER_MEAN)
        if not said
        else f"brightest pixel {times:.1f} times" in said
    )
    assert bool(said) == rig.guide_camera.mosaic


def test_the_limit_of_the_frames_is_named_and_light_is_above_read_noise(rig):
    for link in planetary.LINKS:
        said = films.light_and_time(rig).update("Jupiter", "all light", films.extender(rig), link)
        side = films.region(rig, "Jupiter", rig.telescope.focal_length * films.extender(rig))
        rates = planetary.link_rate((side, side), 12, link), planetary.sensor_rate((side, side), 12)
        assert ("sensor is the limit" in said) == (rates[1] <= rates[0])
    light, noise, read = re.search(
        r"gets (\d+) electrons .* own noise, (\d+), is above the read noise, ([\d.]+):",
        about_films.what_limits(rig).answer,
    ).groups()
    assert int(noise) == pytest.approx(int(light) ** 0.5, abs=0.6) and int(noise) > 2 * float(read)


def test_bits_of_number_card_and_advice_agree(rig):
    said, bits = about_films.bits_in_words(rig), about_films.BITS_OF_PLAN
    step, noise = map(float, re.search(r"step of 8 bit is (\d+) electrons, .* light (\d+)\.", said).groups())
    assert (f"take {bits} bit" in said) == (step > noise)
    assert f"{bits} bit" in about_films.card(rig)[2] or "lucky" in about_films.card(rig)[2]
    assert f"({bits} bit" in about_films.own_number(rig)


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
    number, (_, _, action) = about_films.own_number(rig), about_films.card(rig)
    ratio = plan["factor"] * (rig.telescope.focal_length / rig.telescope.aperture).to_value(u.one)
    assert f"(f/{ratio:.1f}, " in number and f"{plan['rate']:.0f} frames a second of {plan['side']} x" in number
    length = float(re.search(r"focal length of ([\d,]+) mm", number)[1].replace(",", ""))
    assert length == pytest.approx(ratio * rig.telescope.aperture.to_value(u.mm), rel=0.05)
    if "Film in green" in action:
        assert f"xposures near {plan['still']:.1f} ms" in number and f"xposures near {plan['still']:.1f} ms" in action
    words = words_of("11_planetary.ipynb")
    assert words.index("**lucky frame**") < words.index("Lucky frames against") and "are **lost**" not in words
