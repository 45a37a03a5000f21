"""Housing of a guide camera: spacer, focus tolerance, shadow on the picture, and what the form answers."""

import re

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, quantities
from scipy import special

from helpers import guide_field
from helpers.rig import changed
from helpers.shared import optics
from helpers.starlight.view import view_of_arrived
from helpers.starlight.widths import detected_wavelength, guide_star_fwhm
from tests.three_rigs import CLUB, GUIDE_TELESCOPE, REFRACTOR, RIGS


def test_any_fit():
    lengths = {
        "main_distance": quantities(u.mm, 20, 200),
        "seat_distance": quantities(u.mm, 0, 200),
        "sensor_depth": quantities(u.mm, 0, 50),
        "spacer": quantities(u.mm, 0, 50),
        "glass": quantities(u.mm, 0, 10),
    }
    check_any_call(guide_field.fit, lengths, spoiled={name: [-1 * u.mm] for name in lengths})


def test_the_spacer_brings_both_sensors_to_one_distance():
    found = guide_field.fit(62 * u.mm, 40 * u.mm, 12 * u.mm, 3 * u.mm)
    assert (found.needed, found.present, found.move, found.spacer) == (62 * u.mm, 55 * u.mm, 7 * u.mm, 10 * u.mm)
    again = guide_field.fit(62 * u.mm, 40 * u.mm, 12 * u.mm, found.spacer)
    assert again.move.value == pytest.approx(0, abs=1e-12)


def test_a_filter_moves_the_focus_as_refraction_says():
    # Snell's law at both faces for a ray 0.01 rad from the axis
    glass, angle = 3.0, 0.01
    inside = np.arcsin(np.sin(angle) / guide_field.GLASS_INDEX)
    back = glass - glass * np.tan(inside) / np.tan(angle)
    found = guide_field.fit(60 * u.mm, 40 * u.mm, 12 * u.mm, glass=glass * u.mm)
    assert 60 - found.needed.value == pytest.approx(back, rel=1e-3)
    with pytest.raises(ValueError, match="glass"):
        guide_field.fit(1 * u.mm, 0 * u.mm, 0 * u.mm, glass=9 * u.mm)


def test_blur_of_a_tenth_of_a_millimetre():
    # f/5.4: 0.1 mm / 5.4 = 18.5 um, seen from 1350 mm
    blur = guide_field.blur_diameter([-0.1, 0.1] * u.mm, CLUB.guide_optics)
    assert blur.value == pytest.approx(206265 * 0.1 / 5.4 / 1350, rel=1e-4)


def true_transfer(rig, blur_rad, points):
    """Frequencies [cycles per radian] and there the product of the transfer functions of air, aperture and ring."""
    wave, guide = detected_wavelength(rig).to_value(u.m), rig.guide_optics
    r0 = optics.fried_parameter_m(rig.site.seeing.to_value(u.rad), wave)
    aperture, hole = guide.aperture.to_value(u.m), guide.central_obstruction
    star = optics.LongExposure(r0, rig.site.outer_scale.to_value(u.m), aperture, wave, hole)
    frequency = (np.arange(points) + 0.5) / points * min(8 * r0, aperture) / wave

    def disc(diameter):
        x = np.pi * diameter * frequency + 1e-12
        return 2 * special.j1(x) / x

    ring = (disc(blur_rad) - hole**2 * disc(hole * blur_rad)) / (1 - hole**2)
    return frequency, star.transfer(frequency) * ring


def true_fwhm(rig, blur_rad):
    """FWHM of that star, from its profile (Hankel transform)."""
    frequency, transfer = true_transfer(rig, blur_rad, 2000)
    radius = np.linspace(0, 1.5 * np.hypot(guide_star_fwhm(rig).to_value(u.rad), blur_rad), 1500)
    profile = special.j0(2 * np.pi * np.outer(radius, frequency)) @ (transfer * frequency)
    return 2 * radius[np.argmax(profile < profile[0] / 2)]


def true_bound(rig, defocus):
    """Least error [arcsec] of the faintest usable star's centre, from the true profile on small pixels.

    Winick 1986, J. Opt. Soc. Am. A 3, 1809: what is known is the sum of (slope along x)^2 / (light + background).
    """
    blur_rad = guide_field.blur_diameter(defocus, rig.guide_optics).to_value(u.rad)
    frequency, transfer = true_transfer(rig, blur_rad, 1000)
    star = view_of_arrived(rig).signal(guide_field.usable_limits(rig).faint)
    pixel = star.pixel_scale.value * u.arcsec.to(u.rad)
    transfer = transfer * np.sinc(frequency * pixel / np.sqrt(2)) ** 2  # the diagonal, near the mean of all directions
    step = frequency[1] - frequency[0]
    radius = (np.arange(800) + 0.5) / 800 * 5 * (star.fwhm.to_value(u.rad) + blur_rad)
    wave = 2 * np.pi * np.outer(radius, frequency)
    light = star.electrons.value * 2 * np.pi * step * (special.j0(wave) @ (transfer * frequency))
    slope = star.electrons.value * 4 * np.pi**2 * step * (special.j1(wave) @ (transfer * frequency**2))
    known = slope**2 / 2 / (np.maximum(light, 0) + star.background.value / pixel**2) * 2 * np.pi * radius
    return (known.sum() * (radius[1] - radius[0])) ** -0.5 * u.rad.to(u.arcsec)


@pytest.mark.parametrize("share", [0, 0.5, 1])
@pytest.mark.parametrize("rig", RIGS.values(), ids=RIGS)
def test_widths_added_in_squares_are_near_those_of_transfer_functions(rig, share):
    blur = share * guide_star_fwhm(rig)
    defocus = blur / guide_field.blur_diameter(1 * u.mm, rig.guide_optics) * u.mm
    exact = true_fwhm(rig, blur.to_value(u.rad)) * u.rad.to(u.arcsec)
    assert guide_field.defocused_fwhm(rig, defocus).value == pytest.approx(exact, rel=0.09 if share else 0.01)


def test_a_ring_of_light_is_as_wide_as_said():
    rng = np.random.default_rng(3)
    places = rng.uniform(-1, 1, (400_000, 2))
    far = np.hypot(*places.T)
    hole = CLUB.guide_optics.central_obstruction
    sigma = places[(far <= 1) & (far >= hole), 0].std() / 2  # of a ring of diameter 1
    wide = guide_field.defocused_fwhm(CLUB, 100 * u.mm) / guide_field.blur_diameter(100 * u.mm, CLUB.guide_optics)
    assert wide.value == pytest.approx(2.3548 * sigma, rel=0.01)  # more than 6 standard errors


@pytest.mark.parametrize("rig", RIGS.values(), ids=RIGS)
def test_at_the_tolerance_the_error_has_grown_by_the_share_asked_for(rig):
    sharp = guide_field.defocused_error(rig, 0 * u.mm)
    assert sharp.value == pytest.approx(guide_field.usable_limits(rig).error.value, rel=1e-3)
    tolerances = [guide_field.focus_tolerance(rig, worse) for worse in (0.25, 1)]
    for worse, tolerance in zip((0.25, 1), tolerances, strict=True):
        grown = guide_field.defocused_error(rig, -tolerance).value
        assert grown / sharp.value == pytest.approx(1 + worse, rel=0.01)
    assert tolerances[0] < tolerances[1]


@pytest.mark.parametrize("rig", [CLUB, REFRACTOR], ids=["club", "refractor"])
def test_the_error_grows_as_that_of_the_true_shape(rig):
    tolerance = guide_field.focus_tolerance(rig)
    sharp = true_bound(rig, 0 * u.mm)
    for times, grown in ((1, 1.25), (2, None)):
        found = guide_field.defocused_error(rig, times * tolerance) / guide_field.defocused_error(rig, 0 * u.mm)
        assert true_bound(rig, times * tolerance) / sharp == pytest.approx(grown or found.value, rel=0.03)


@pytest.mark.parametrize(("off", "size"), [(16, 9), (13, 9), (9, 6), (20, 9)])
def test_the_shadow_is_that_of_rays_thrown_at_random(off, size):
    rig = changed(CLUB, guide_optics__off_axis_distance=off * u.mm, guide_optics__mirror_size=size * u.mm)
    rng, focal, distance = np.random.default_rng(11), 1350.0, 60.0
    rim = rng.uniform(-125, 125, (400_000, 2))
    far = np.hypot(*rim.T)
    rim = rim[(far <= 125) & (far >= 0.32 * 125)]
    place = np.array([0, min(7.6, off)])  # the middle of the long edge, or under the mirror
    passes = place + (rim - place) * distance / focal
    middle = off * (1 - distance / focal)  # where the middle of the guide field's light meets the mirror
    hit = (np.abs(passes[:, 0]) < size / 2) & (np.abs(passes[:, 1] - middle) < size / 2 * np.sqrt(0.5))
    found = guide_field.picture_shadow(rig)
    assert found.share == pytest.approx(hit.mean(), abs=5e-3)  # more than 5 standard errors
    assert (found.share > 0) is bool(found.clearance < 0 * u.mm)


def test_the_mirror_moved_out_as_said_leaves_the_light():
    short = guide_field.picture_shadow(CLUB)
    assert short.share > 0 and short.farther > 0 * u.mm
    off = CLUB.guide_optics.off_axis_distance + short.farther
    moved = guide_field.picture_shadow(changed(CLUB, guide_optics__off_axis_distance=off))
    assert moved.share == pytest.approx(0, abs=1e-9) and moved.clearance.value == pytest.approx(0, abs=1e-9)
    with pytest.raises(ValueError, match="rig: expected one with a pick-off"):
        guide_field.picture_shadow(GUIDE_TELESCOPE)


def number_before(unit_and_words, said):
    return float(re.search(rf"([\d.]+) {unit_and_words}", said)[1])


@pytest.mark.parametrize("rig", [CLUB, REFRACTOR], ids=["club", "refractor"])
def test_the_reply_of_a_pick_off(rig):
    reply, held = guide_field.fit_reply(rig), {"main": 60.0, "glass": 0.0, "seat": 40.0, "depth": 12.5, "spacer": 3.0}
    said = reply(held)
    assert "4.5 mm farther out: take a spacer of 7.5 mm in place of 3 mm" in said
    assert number_before("mm out of focus", said) == pytest.approx(guide_field.focus_tolerance(rig).value, abs=0.005)
    assert "It fits" in reply(held | {"spacer": 7.5})
    assert "2.5 mm nearer to the mirror: take a spacer of 7.5 mm" in reply(held | {"spacer": 10.0})
    too_far = reply(held | {"seat": 50.0, "spacer": 1.0})
    assert "3.5 mm nearer" in too_far and "2.5 mm more between housing and main camera" in too_far
    mended = reply(held | {"seat": 50.0, "spacer": 0.0, "main": 62.5})
    assert "It fits" in mended
    with pytest.raises(ValueError, match="seat_distance"):
        reply(held | {"seat": -1.0})


def test_the_reply_of_a_guide_telescope():
    reply = guide_field.fit_reply(GUIDE_TELESCOPE)
    held = {"focus": 30.0, "travel": 15.0, "depth": 12.5, "spacer": 5.0}
    assert "reached 12.5 mm out of 15 mm" in reply(held)
    assert "add a spacer of 2.5 mm" in reply(held | {"spacer": 0.0})
    assert "7.5 mm behind the focus" in reply(held | {"spacer": 25.0})
    with pytest.raises(ValueError, match="travel"):
        reply(held | {"travel": -1.0})


@pytest.mark.parametrize("rig", RIGS.values(), ids=RIGS)
def test_the_form_starts_with_an_answer(rig):
    fields = guide_field.fit_fields(rig)
    assert {field["key"]: field["value"] for field in fields} == guide_field.demo_housing(rig)
    assert "either way" in guide_field.fit_reply(rig)(guide_field.demo_housing(rig))
