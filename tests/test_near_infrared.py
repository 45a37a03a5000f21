"""The near infrared piece by piece, and the drift between two colours."""

import dataclasses

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.near_infrared.gains import (
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
from helpers.seeing import air as seeing

QUICK = settings(max_examples=25, deadline=None, derandomize=True)
DOCUMENTED = (ValueError, TypeError, u.UnitsError)
VISIBLE, RED = (500, 600) * u.nm, (800, 900) * u.nm
AIR = seeing.ATMOSPHERES["valley night"]
KOLMOGOROV = seeing.Atmosphere(2 * u.arcsec, np.inf * u.m, AIR.layers)
anything = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, -1.0, 5e-324, 1e308]))
units = st.sampled_from([u.nm, u.um, u.m, u.mm, u.deg, u.hourangle, u.s, u.one])


@st.composite
def quantities(draw):
    return draw(anything) * draw(units)


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
    across = np.hypot(star.seeing, star.diffraction)
    along = np.hypot(across, star.smear)
    assert star.smear > 0.2 * u.arcsec, "else this shows nothing"
    assert star.spot.value**2 == pytest.approx((along.value**2 + across.value**2) / 2)


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


def finite_or_documented(function, *arguments):
    try:
        result = function(*arguments)
    except DOCUMENTED as error:
        assert ":" in str(error)
        return
    stars = result.values() if isinstance(result, dict) else [result]
    for star in stars:
        values = vars(star).values() if isinstance(star, GuideStar) else [star]
        assert all(np.all(np.isfinite(u.Quantity(value).value)) for value in values)


@QUICK
@given(st.sampled_from([*GAIN_QUANTITIES, "other"]), quantities(), quantities(), quantities(), anything)
def test_any_gain_is_finite_or_refused(quantity, first, second, third, airmass):
    finite_or_documented(wavelength_gain, quantity, first, second, third, AIR, airmass)


@QUICK
@given(quantities(), quantities(), anything, anything, st.sampled_from(["K0", "M2", "none"]))
def test_any_guide_star_is_finite_or_refused(first, second, magnitude, airmass, spectral_class):
    rig = demo_rig("starter")
    finite_or_documented(guide_star, rig, [first, second], magnitude, spectral_class, airmass)
    finite_or_documented(guide_star, rig, None, magnitude, spectral_class, airmass)
    finite_or_documented(compare_filters, rig, magnitude, spectral_class, airmass)


@QUICK
@given(quantities(), quantities(), quantities(), st.sampled_from(["K0", "none"]))
def test_any_drift_is_finite_or_refused(wavelength, hour_angle, declination, spectral_class):
    rig = demo_rig("club")
    finite_or_documented(picture_drift, rig, wavelength, hour_angle * [0, 0.5, 1], declination, spectral_class)


@QUICK
@given(st.floats(0, 15), st.floats(1, 10), st.floats(0.5, 10), st.floats(30, 500))
def test_sensible_rigs_always_get_an_answer(magnitude, airmass, width, aperture):
    rig = changed(demo_rig("starter"), {"site.seeing": width * u.arcsec, "guide_optics.aperture": aperture * u.mm})
    star = guide_star(rig, RED, magnitude, "K0", airmass)
    assert np.isfinite(star.error.value) and star.spot >= np.hypot(star.seeing, star.diffraction) * (1 - 1e-12)


def test_width_and_light_are_told_apart():
    """A long-pass band makes a narrower spot, so a better centre of equal light; but too little light is left."""
    rig = demo_rig("club", "A")
    bands = {"all": None, "beyond 700 nm": [700, 1000] * u.nm}
    found = light_against_width(rig, bands, magnitude=13)
    assert list(found["band"]) == list(bands)
    first, long = found
    assert first["width_alone"] == first["light_alone"] == first["centroid"] == pytest.approx(1)
    assert long["spot"] < first["spot"] and long["wavelength"] > first["wavelength"]
    assert long["width_alone"] < 1 < long["centroid"] < long["light_alone"]
    alone = guide_star(rig, bands["beyond 700 nm"], magnitude=13).centroid
    both = guide_star(rig, None, magnitude=13).centroid
    assert long["centroid"] == pytest.approx(float(alone / both))


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
