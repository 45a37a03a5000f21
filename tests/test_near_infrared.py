"""The near infrared piece by piece, and the drift between two colours."""

import dataclasses

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, check_finite, numbers, quantities
from hypothesis import strategies as st

from helpers import seeing
from helpers.near_infrared import (
    GAIN_QUANTITIES,
    GuideStar,
    compare_filters,
    differential_refraction,
    gain_pieces,
    guide_star,
    light_against_width,
    picture_drift,
    standard_air,
    wavelength_gain,
)
from helpers.rig import demo_rig
from helpers.rig.parts import FILTERS
from helpers.rig.values import changed
from helpers.starlight import guide_star_fwhm, view

DOCUMENTED = (ValueError, TypeError, u.UnitsError)
VISIBLE, RED = (500, 600) * u.nm, (800, 900) * u.nm
AIR = seeing.ATMOSPHERES["valley night"]
KOLMOGOROV = seeing.Atmosphere(2 * u.arcsec, np.inf * u.m, AIR.layers)


def gain(quantity, diameter=0.2 * u.m, atmosphere=KOLMOGOROV, start=550 * u.nm, end=850 * u.nm, **more):
    return wavelength_gain(quantity, start, end, diameter, atmosphere, **more)


def test_each_piece_has_its_own_law():
    assert gain("fwhm") == pytest.approx((850 / 550) ** -0.2)
    assert gain("diffraction") == pytest.approx(850 / 550)
    for diameter in (0.05, 0.2, 2):
        assert gain("image_motion", diameter * u.m, AIR) == pytest.approx(1, abs=1e-12)
    assert all(isinstance(gain(quantity), float) for quantity in GAIN_QUANTITIES)


def test_the_outer_scale_makes_the_near_infrared_a_little_better():
    assert gain("fwhm", atmosphere=AIR) < gain("fwhm")


@pytest.mark.parametrize("quantity", GAIN_QUANTITIES)
def test_there_and_back_is_no_gain(quantity):
    back = gain(quantity, atmosphere=AIR, start=850 * u.nm, end=550 * u.nm)
    assert gain(quantity, atmosphere=AIR) * back == pytest.approx(1)
    assert gain(quantity, atmosphere=AIR, end=550 * u.nm) == 1


def test_the_spot_lies_between_its_two_parts():
    diameters = np.geomspace(0.01, 10, 30) * u.m
    spots = gain("spot", diameters, AIR)
    assert spots.shape == (30,) and np.all(np.diff(spots) < 0)
    assert spots[0] == pytest.approx(gain("diffraction"), rel=0.02)
    assert spots[-1] == pytest.approx(gain("fwhm", atmosphere=AIR), rel=0.02)


def test_low_in_the_sky_the_spot_gains_more():
    assert gain("spot", 0.1 * u.m, AIR, airmass=3) < gain("spot", 0.1 * u.m, AIR)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"quantity": "colour"}, "quantity"),
        ({"quantity": None}, "quantity"),
        ({"from_wavelength": 550}, "from_wavelength"),
        ({"from_wavelength": -5 * u.nm}, "from_wavelength"),
        ({"to_wavelength": np.nan * u.nm}, "to_wavelength"),
        ({"to_wavelength": [] * u.nm}, "to_wavelength"),
        ({"diameter": 0 * u.m}, "diameter"),
        ({"diameter": 5 * u.s}, "diameter"),
        ({"atmosphere": "good"}, "atmosphere"),
        ({"airmass": 0.9}, "airmass"),
        ({"airmass": np.inf}, "airmass"),
        ({"airmass": [1, 2], "diameter": [1, 2, 3] * u.m}, "diameter"),
    ],
)
def test_wrong_values_are_named(changes, named):
    arguments = {
        "quantity": "spot",
        "from_wavelength": 550 * u.nm,
        "to_wavelength": 850 * u.nm,
        "diameter": 0.2 * u.m,
        "atmosphere": AIR,
    }
    with pytest.raises(DOCUMENTED, match=named):
        wavelength_gain(**(arguments | changes))


def test_a_guide_star_agrees_with_the_gains_by_wavelength():
    rig = demo_rig("starter")
    atmosphere = seeing.atmosphere_for(rig.site)
    old, new = guide_star(rig, VISIBLE, airmass=1.5), guide_star(rig, RED, airmass=1.5)
    pieces = gain_pieces(old, new)
    for name in ("fwhm", "diffraction", "image_motion"):
        diameter = rig.guide_optics.aperture
        expected = wavelength_gain(name, old.wavelength, new.wavelength, diameter, atmosphere, 1.5)
        assert pieces[name] == pytest.approx(expected, rel=1e-9)
    assert pieces["extinction"] * pieces["light"] == pytest.approx((new.electrons / old.electrons).value)
    assert old.error.value == pytest.approx(np.hypot(old.centroid.value, old.wander.value))


def test_the_smear_widens_one_axis_and_the_spot_is_the_mean_of_both():
    star = guide_star(demo_rig("club"), VISIBLE, airmass=3)
    across = guide_star_fwhm(demo_rig("club"), 3, star.wavelength)
    along = np.hypot(across, star.smear)
    assert star.smear > 0.2 * u.arcsec, "else this shows nothing"
    assert star.spot.value**2 == pytest.approx((along.value**2 + across.value**2) / 2)


def test_at_the_zenith_the_spot_is_the_one_of_a_view_of_the_band():
    for name in ("club", "starter"):
        for band in (VISIBLE, RED):
            seen = view(demo_rig(name), band=band)
            star = guide_star(demo_rig(name), band)
            assert star.spot.value == pytest.approx(seen.fwhm.value, rel=1e-6)
            assert star.noise.value == pytest.approx(seen.signal(10).noise_error.value, rel=1e-6)


def test_the_smear_is_the_refraction_across_the_band():
    rig = demo_rig("club")
    star = guide_star(rig, VISIBLE, airmass=2)
    pressure, temperature = standard_air(rig.site.height)
    across = differential_refraction(500 * u.nm, 600 * u.nm, 60 * u.deg, pressure, temperature, 0)
    assert star.smear.value == pytest.approx(across.value * 2.3548 / np.sqrt(12), rel=0.05)  # an even band
    assert guide_star(rig, VISIBLE, airmass=1).smear == 0 * u.arcsec
    assert "smear" not in gain_pieces(guide_star(rig, VISIBLE), guide_star(rig, RED))
    pieces = gain_pieces(star, guide_star(rig, RED, airmass=2))
    assert 0.2 < pieces["smear"] < 0.35  # dispersion falls about as the third power of the wavelength


def test_behind_a_small_guide_telescope_the_spot_grows():
    rig = demo_rig("starter")
    small = gain_pieces(guide_star(rig, VISIBLE), guide_star(rig, RED))
    large = changed(rig, {"guide_optics.aperture": 400 * u.mm, "guide_optics.focal_length": 1600 * u.mm})
    big = gain_pieces(guide_star(large, VISIBLE), guide_star(large, RED))
    assert small["spot"] > 1.2 and big["spot"] < 1
    assert small["image_motion"] == big["image_motion"] == 1


def test_less_light_is_lost_low_in_the_sky():
    rig = demo_rig("club")
    pieces = [gain_pieces(guide_star(rig, VISIBLE, airmass=x), guide_star(rig, RED, airmass=x)) for x in (1, 2, 4)]
    extinctions = [piece["extinction"] for piece in pieces]
    assert extinctions[0] > 1 and np.all(np.diff(extinctions) > 0)
    assert [piece["light"] for piece in pieces] == pytest.approx(3 * [pieces[0]["light"]], rel=0.02)


def test_a_blocking_filter_leaves_no_near_infrared():
    rig = changed(demo_rig("club"), {"guide_optics.filter": "infrared-blocking"})
    pieces = gain_pieces(guide_star(rig, VISIBLE), guide_star(rig, RED))
    assert pieces["light"] < 1e-6
    with pytest.raises(ValueError, match="band"):
        guide_star(rig, (2000, 2100) * u.nm)


def test_filters_come_best_first():
    stars = compare_filters(demo_rig("starter"), magnitude=12)
    errors = [star.error.value for star in stars.values()]
    assert sorted(stars) == sorted(FILTERS) and errors == sorted(errors)
    assert stars["infrared-blocking"].wavelength < stars["none"].wavelength < stars["long-pass"].wavelength
    assert stars["none"].electrons > max(stars["long-pass"].electrons, stars["infrared-blocking"].electrons)


def test_gain_pieces_wants_guide_stars():
    star = guide_star(demo_rig())
    assert isinstance(star, GuideStar) and gain_pieces(star, star)["error"] == 1
    with pytest.raises(TypeError, match="new"):
        gain_pieces(star, 5)


HOURS = np.linspace(-60, 60, 25) * u.deg


def guided_in(filter_name, latitude=47 * u.deg):
    return changed(demo_rig("club"), {"guide_optics.filter": filter_name, "site.latitude": latitude})


def test_drift_starts_at_zero_and_mirrors_about_the_meridian():
    drift = picture_drift(guided_in("long-pass"), 450 * u.nm, HOURS, 20 * u.deg)
    assert drift.shape == (25, 2) and drift.unit == u.arcsec and np.all(drift[0] == 0)
    steps = np.diff(drift, axis=0).value
    assert steps[:, 0] == pytest.approx(steps[::-1, 0], abs=1e-12)
    assert steps[:, 1] == pytest.approx(-steps[::-1, 1], abs=1e-12)
    assert drift[-1, 0] > 1 * u.arcsec


def test_a_picture_in_the_guide_colour_hardly_drifts():
    rig = guided_in("long-pass")
    alike = np.abs(picture_drift(rig, guide_star(rig).wavelength, HOURS, 20 * u.deg)).max()
    blue = np.abs(picture_drift(rig, 450 * u.nm, HOURS, 20 * u.deg)).max()
    assert alike < 0.05 * u.arcsec < 20 * alike < blue
    redder = picture_drift(rig, 1000 * u.nm, HOURS, 20 * u.deg)[-1, 0]
    assert redder < 0 * u.arcsec  # the other way than a bluer picture


def test_at_the_pole_nothing_drifts():
    drift = picture_drift(guided_in("none", 90 * u.deg), 450 * u.nm, HOURS, 40 * u.deg)
    assert np.abs(drift).max() < 1e-9 * u.arcsec


def test_a_target_below_the_horizon_is_refused():
    with pytest.raises(ValueError, match="hour_angle"):
        picture_drift(guided_in("none"), 450 * u.nm, [0, 180] * u.deg, -20 * u.deg)


@pytest.mark.parametrize("wrong", [None, "club", dataclasses])
def test_no_rig_is_a_type_error(wrong):
    for function in (guide_star, compare_filters):
        with pytest.raises(TypeError, match="rig"):
            function(wrong)
    with pytest.raises(TypeError, match="rig"):
        picture_drift(wrong, 450 * u.nm, HOURS, 20 * u.deg)


def bands(low, high):
    """Pairs of wavelengths at least 20 nm apart."""
    return st.tuples(st.floats(low, high - 20), st.floats(20, 300)).map(lambda pair: [pair[0], sum(pair)] * u.nm)


CLASSES = st.sampled_from(["F5", "K0", "M2"])
RIGS = st.builds(
    lambda name, camera, seeing, aperture: changed(
        demo_rig(name, camera), {"site.seeing": seeing, "telescope.aperture": aperture}
    ),
    st.sampled_from(["club", "starter"]),
    st.sampled_from("AB"),
    quantities(u.arcsec, 0.5, 6),
    quantities(u.mm, 60, 400),
)


def test_any_gain():
    check_any_call(
        wavelength_gain,
        {
            "quantity": st.sampled_from(GAIN_QUANTITIES),
            "from_wavelength": quantities(u.nm, 300, 3000),
            "to_wavelength": quantities(u.um, 0.3, 3),
            "diameter": quantities(u.m, 0.01, 10),
            "atmosphere": st.sampled_from(list(seeing.ATMOSPHERES.values())),
            "airmass": numbers(1, 10),
            "obstruction": numbers(0, 0.6),
        },
        spoiled={"airmass": [0.9, 11], "diameter": [0 * u.m, -1 * u.m], "obstruction": [1, -0.1]},
    )


def check_star(star):
    check_finite(star)
    assert star.error > 0 * u.arcsec and star.spot > star.seeing * 0.98


def test_any_guide_star():
    check_any_call(
        guide_star,
        {
            "rig": RIGS,
            "band": bands(330, 900),
            "magnitude": numbers(0, 20),
            "spectral_class": CLASSES,
            "airmass": numbers(1, 10),
        },
        spoiled={"band": [[800, 700] * u.nm, [2000, 2100] * u.nm], "magnitude": [99], "airmass": [0.5, 20]},
        check=check_star,
    )


def test_any_choice_of_filter():
    check_any_call(
        compare_filters,
        {"rig": RIGS, "magnitude": numbers(0, 20), "spectral_class": CLASSES, "airmass": numbers(1, 10)},
        examples=15,
    )


def test_any_width_against_light():
    check_any_call(
        light_against_width,
        {
            "rig": RIGS,
            "bands": bands(330, 900).map(lambda band: {"all": None, "some": band, "filter": "long-pass"}),
            "magnitude": numbers(4, 12),
            "spectral_class": CLASSES,
            "airmass": numbers(1, 3),
        },
        examples=15,
        spoiled={"bands": [{}, {"all": "no such filter"}, [700, 800] * u.nm]},
    )


def test_any_drift():
    check_any_call(
        picture_drift,
        {
            "rig": RIGS,
            "picture_wavelength": quantities(u.nm, 300, 1700),
            "hour_angle": quantities(u.hourangle, -3, 3, shape=(4,)),
            "declination": quantities(u.deg, 0, 85),
            "spectral_class": CLASSES,
        },
        spoiled={"hour_angle": [[0, 500] * u.deg, 0 * u.deg], "picture_wavelength": [200 * u.nm]},
        examples=20,
    )


def test_width_and_light_are_told_apart():
    """A long-pass band makes a narrower spot, so a better centre of equal light; but too little light is left."""
    rig = demo_rig("club", "A")
    bands = {"all": None, "beyond 700 nm": [700, 1000] * u.nm}
    found = light_against_width(rig, bands, magnitude=13)
    assert list(found["band"]) == list(bands)
    first, long = found
    factors = ("width_alone", "light_alone", "pixels_alone", "centroid")
    assert [first[name] for name in factors] == pytest.approx([1, 1, 1, 1])
    assert long["spot"] < first["spot"] and long["wavelength"] > first["wavelength"]
    assert long["width_alone"] < 1 < long["centroid"] < long["light_alone"]
    assert np.prod([long[name] for name in factors[:3]]) == pytest.approx(long["centroid"])
    alone = guide_star(rig, bands["beyond 700 nm"], magnitude=13).centroid
    both = guide_star(rig, None, magnitude=13).centroid
    assert long["centroid"] == pytest.approx(float(alone / both))


def test_width_alone_is_that_of_a_brighter_star():
    """A second route: a star so much brighter that as many electrons come through the long-pass filter."""
    rig = demo_rig("club", "A")
    found = light_against_width(rig, {"all": "none", "long-pass": "long-pass"}, magnitude=12)[1]
    whole, passed = (guide_star(rig, name, magnitude=12) for name in ("none", "long-pass"))
    brighter = guide_star(rig, "long-pass", 12 - 2.5 * np.log10(float(whole.electrons / passed.electrons)))
    assert float(brighter.electrons / whole.electrons) == pytest.approx(1)
    assert found["width_alone"] == pytest.approx(float(brighter.noise / whole.noise), rel=1e-9)


def test_coarse_pixels_behind_a_mosaic_are_told_from_width_and_light():
    """Behind 30 mm and 120 mm a pixel is wider than the star, and the dyes make green pixels the lighter ones."""
    rig = changed(demo_rig("starter"), {"guide_optics.aperture": 30 * u.mm, "guide_optics.focal_length": 120 * u.mm})
    found = light_against_width(rig, {"green": VISIBLE, "red": RED}, magnitude=7)[1]
    assert found["pixels_alone"] < 0.6 < found["width_alone"] * found["light_alone"]


def test_a_filter_by_name_is_the_rig_with_that_filter():
    rig = demo_rig("club")
    named = guide_star(rig, "long-pass", [9, 12])
    behind = guide_star(changed(rig, {"guide_optics.filter": "long-pass"}), None, [9, 12])
    assert named.centroid.shape == (2,) and named.centroid.value == pytest.approx(behind.centroid.value)
    assert guide_star(rig, "long-pass", 12).centroid.value == pytest.approx(named.centroid[1].value)


def test_a_star_that_drowns_is_no_measure():
    with pytest.raises(ValueError, match="magnitude"):
        light_against_width(demo_rig("club"), {"all": None}, magnitude=20)


@pytest.mark.parametrize("bands", [{}, None, [700, 1000] * u.nm])
def test_bands_without_names_are_refused(bands):
    with pytest.raises(TypeError, match="bands"):
        light_against_width(demo_rig(), bands)


def test_an_obstruction_changes_what_the_colour_does():
    """Behind 100 mm in poor seeing a clear aperture loses by red light, an obstructed one hardly."""
    air = seeing.Atmosphere(2.5 * u.arcsec, np.inf * u.m, AIR.layers)
    shares = 0, 0.32
    clear, obstructed = (
        wavelength_gain("spot", 550 * u.nm, 850 * u.nm, 100 * u.mm, air, obstruction=share) for share in shares
    )
    assert clear > 1.03 and obstructed < 1.01
