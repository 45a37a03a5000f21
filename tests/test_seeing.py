"""The air: widths, motion, exposure, named atmospheres; wrong values are named."""

import time

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, numbers, quantities
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special

from helpers import rig as rigs
from helpers import seeing
from helpers.rig import parts
from helpers.seeing.air import Atmosphere, Layer, at_airmass
from helpers.seeing.named_air import ATMOSPHERES, atmosphere_for
from helpers.seeing.wander import exposure_for_motion, image_motion, image_motion_axes, motion_by_layer
from helpers.seeing.widths import diffraction_fwhm, fried_parameter, seeing_fwhm, spot_fwhm

quick = settings(max_examples=30, deadline=None, derandomize=True)


def one_layer(outer_scale=20 * u.m, wind=10 * u.m / u.s, direction=0 * u.deg, fwhm=2 * u.arcsec):
    return Atmosphere(fwhm, outer_scale, [Layer(100 * u.m, 1, wind, direction)])


# Layers and atmospheres


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ({"height": -1 * u.m}, "height"),
        ({"height": 3}, "height"),
        ({"height": 1 * u.s}, "height"),
        ({"fraction": 0}, "fraction"),
        ({"fraction": 1.2}, "fraction"),
        ({"fraction": np.nan}, "fraction"),
        ({"wind_speed": -5 * u.m / u.s}, "wind_speed"),
        ({"wind_speed": 5 * u.m}, "wind_speed"),
        ({"wind_direction": np.inf * u.deg}, "wind_direction"),
    ],
)
def test_wrong_layers_are_named(values, name):
    good = {"height": 1 * u.km, "fraction": 1, "wind_speed": 36 * u.km / u.h, "wind_direction": 0 * u.deg}
    assert Layer(**good).wind_speed == 10 * u.m / u.s
    with pytest.raises((ValueError, TypeError, u.UnitsError), match=name):
        Layer(**good | values)


@pytest.mark.parametrize(
    ("fwhm", "outer_scale", "layers", "name"),
    [
        (0 * u.arcsec, 20 * u.m, None, "fwhm"),
        (2, 20 * u.m, None, "fwhm"),
        (2 * u.arcsec, -20 * u.m, None, "outer_scale"),
        (2 * u.arcsec, np.nan * u.m, None, "outer_scale"),
        (2 * u.arcsec, -np.inf * u.m, None, "outer_scale"),
        (2 * u.arcsec, 20 * u.s, None, "outer_scale"),
        (2 * u.arcsec, 20 * u.m, [], "layers"),
        (2 * u.arcsec, 20 * u.m, ["layer"], "layers"),
        (2 * u.arcsec, 20 * u.m, 5, "layers"),
        (2 * u.arcsec, 20 * u.m, [Layer(0 * u.m, 0.4, 1 * u.m / u.s)] * 2, "sum of 0.8"),
    ],
)
def test_wrong_atmospheres_are_named(fwhm, outer_scale, layers, name):
    layers = [Layer(0 * u.m, 1, 1 * u.m / u.s)] if layers is None else layers
    with pytest.raises((ValueError, TypeError, u.UnitsError), match=name):
        Atmosphere(fwhm, outer_scale, layers)


def test_named_atmospheres_are_complete():
    assert {"valley night", "jet-stream night", "calm night", "Hufnagel-Valley"} <= set(ATMOSPHERES)
    for atmosphere in ATMOSPHERES.values():
        assert sum(layer.fraction for layer in atmosphere.layers) == pytest.approx(1)
        assert 0 * u.arcsec < image_motion(0.2 * u.m, atmosphere, 1 * u.s) < 1 * u.arcsec


def test_atmosphere_of_a_site():
    rig = rigs.demo_rig()
    air = atmosphere_for(rig.site)
    assert (air.fwhm, air.outer_scale) == (rig.site.seeing, rig.site.outer_scale)
    assert air.layers == ATMOSPHERES[rig.site.atmosphere].layers
    assert set(ATMOSPHERES) == set(parts.ATMOSPHERES)  # what a rig may name
    with pytest.raises(ValueError, match=r"site.atmosphere.*'valley night'.*'moon'"):
        atmosphere_for(rigs.changed(rig, {"site.atmosphere": "moon"}).site)
    with pytest.raises(TypeError, match="site"):
        atmosphere_for(rig)


def test_a_slanted_view_crosses_more_air_farther_away():
    slanted = at_airmass(one_layer(), 2)
    assert slanted.fwhm == 2 * u.arcsec * 2**0.6
    assert slanted.layers[0].height == 200 * u.m
    variance = (image_motion(0.2 * u.m, slanted) / image_motion(0.2 * u.m, one_layer())) ** 2
    assert variance.value == pytest.approx(2)  # the variance is proportional to the air crossed
    assert at_airmass(one_layer(), 1) == one_layer()
    for wrong in (0.9, np.nan, 41, 2 * u.m):
        with pytest.raises((ValueError, TypeError), match="airmass"):
            at_airmass(one_layer(), wrong)


# Widths


def test_round_trip_and_scaling_of_widths():
    r0 = fried_parameter(2 * u.arcsec)
    assert seeing_fwhm(r0).to_value(u.arcsec) == pytest.approx(2)
    red = fried_parameter(2 * u.arcsec, 850 * u.nm)
    assert seeing_fwhm(red, 850 * u.nm).value == pytest.approx(2 * (850 / 500) ** -0.2)
    low = fried_parameter(2 * u.arcsec, airmass=[1, 2])
    assert seeing_fwhm(low).value.tolist() == pytest.approx([2, 2 * 2**0.6])


@quick
@given(st.floats(0.02, 0.5), st.floats(1, 1e4))
def test_a_smaller_outer_scale_makes_smaller_stars(r0, ratio):
    infinite = seeing_fwhm(r0 * u.m)
    if ratio < 20:
        with pytest.raises(ValueError, match="outer_scale"):
            seeing_fwhm(r0 * u.m, outer_scale=ratio * r0 * u.m)
    else:
        finite = seeing_fwhm(r0 * u.m, outer_scale=ratio * r0 * 1.0001 * u.m)
        wider = seeing_fwhm(r0 * u.m, outer_scale=2 * ratio * r0 * u.m)
        assert 0 < finite < wider < infinite


def test_a_spot_is_seeing_and_diffraction():
    air = one_layer()
    small, large = spot_fwhm(0.05 * u.m, air), spot_fwhm(20 * u.m, air)
    seeing_only = seeing_fwhm(fried_parameter(air.fwhm), outer_scale=air.outer_scale)
    assert large.value == pytest.approx(seeing_only.value, rel=0.01)  # as far as the short formula holds
    # adding squares, right for Gaussians, promises too narrow a star
    squares = np.hypot(seeing_only.value, diffraction_fwhm(0.05 * u.m).value)
    assert squares < small.value < 1.04 * squares


def test_a_spot_without_air_is_that_of_the_aperture():
    still = Atmosphere(0.01 * u.arcsec, np.inf * u.m, [Layer(0 * u.m, 1, 0 * u.m / u.s)])
    assert spot_fwhm(0.1 * u.m, still).value == pytest.approx(diffraction_fwhm(0.1 * u.m).value, rel=2e-3)
    assert spot_fwhm(0.1 * u.m, still, obstruction=0.4) < 0.95 * spot_fwhm(0.1 * u.m, still)


def test_an_obstruction_widens_the_spot_behind_air():
    shares = [0, 0.2, 0.32, 0.45]
    widths = spot_fwhm(0.25 * u.m, one_layer(), 550 * u.nm, 1, shares).value
    assert np.all(np.diff(widths) > 0)
    apart = [spot_fwhm(0.25 * u.m, one_layer(), 550 * u.nm, 1, share).value for share in shares]
    assert widths == pytest.approx(apart, rel=1e-9)


def test_any_call_of_a_width():
    wavelengths, airmasses = quantities(u.nm, 200, 5e4), numbers(1, 38)
    check_any_call(
        fried_parameter,
        {"fwhm": quantities(u.arcsec, 0.05, 50), "wavelength": wavelengths, "airmass": airmasses},
        spoiled={"fwhm": [0 * u.arcsec, 1e300 * u.deg], "wavelength": [1e300 * u.m], "airmass": [0.9, 41]},
    )
    check_any_call(
        seeing_fwhm,
        {
            "fried_parameter": quantities(u.cm, 0.5, 50),
            "wavelength": wavelengths,
            "outer_scale": st.one_of(quantities(u.m, 11, 1e6), st.just(np.inf * u.m)),
        },
        spoiled={"fried_parameter": [0 * u.m], "outer_scale": [-np.inf * u.m]},
    )
    check_any_call(diffraction_fwhm, {"diameter": quantities(u.m, 1e-3, 100), "wavelength": wavelengths})


def test_any_call_for_the_motion_by_air():
    diameters, exposures = quantities(u.m, 0.01, 10), quantities(u.s, 0, 1e5)
    air = st.sampled_from(list(ATMOSPHERES.values()))
    for function in (image_motion, image_motion_axes, motion_by_layer):
        check_any_call(
            function,
            {"diameter": diameters, "atmosphere": air, "exposure": exposures},
            examples=15,
            spoiled={"diameter": [0 * u.m], "exposure": [-1 * u.s, np.ones(20_000) * u.s]},
        )
    check_any_call(
        exposure_for_motion,
        {"diameter": diameters, "atmosphere": air, "motion": quantities(u.arcsec, 0.05, 5)},
        examples=15,
        spoiled={"motion": [0 * u.arcsec]},
    )
    check_any_call(at_airmass, {"atmosphere": air, "airmass": numbers(1, 38)}, examples=15)


@pytest.mark.parametrize("wrong", [0 * u.m, -1 * u.m, np.nan * u.m, np.inf * u.m, 5, 5 * u.s, [] * u.m, None])
def test_wrong_lengths_are_named(wrong):
    refused = (ValueError, TypeError, u.UnitsError)
    with pytest.raises(refused, match="fried_parameter"):
        seeing_fwhm(wrong)
    with pytest.raises(refused, match="wavelength"):
        fried_parameter(1 * u.arcsec, wrong)
    with pytest.raises(refused, match="diameter"):
        diffraction_fwhm(wrong)
    with pytest.raises(refused, match="diameter"):
        image_motion(wrong, one_layer())
    with pytest.raises(refused, match="fwhm"):
        fried_parameter(wrong)
    with pytest.raises(TypeError, match="atmosphere"):
        image_motion(1 * u.m, wrong)
    with pytest.raises(TypeError, match="atmosphere"):
        spot_fwhm(1 * u.m, wrong)


# Motion


def brute_force_variance(diameter, outer_scale, path, axis):
    """The two-dimensional integral over wavenumbers, done by adaptive quadrature in r0 = lambda = 1."""

    def over_angle(frequency):
        angle = (np.arange(4000) + 0.5) * (np.pi / 2 / 4000)
        part = np.cos(angle) if axis == 0 else np.sin(angle)
        return 2 * np.pi * np.mean(part**2 * np.sinc(frequency * np.cos(angle) * path) ** 2)

    def integrand(logarithm):
        frequency = np.exp(logarithm)
        filtered = (2 * special.j1(np.pi * frequency * diameter) / (np.pi * frequency * diameter)) ** 2
        spectrum = 0.0228956 * (frequency**2 + outer_scale**-2) ** (-11 / 6)
        return frequency**4 * spectrum * filtered * over_angle(frequency)

    return integrate.quad(integrand, np.log(1e-4 / outer_scale), np.log(20 / diameter), limit=400, epsrel=1e-6)[0]


@pytest.mark.parametrize(("diameter", "path"), [(0.05, 0), (0.2, 0.1), (0.2, 3), (0.5, 40)])
def test_motion_is_the_integral_of_its_spectrum(diameter, path):
    air = one_layer(wind=1 * u.m / u.s)
    axes = image_motion_axes(diameter * u.m, air, path * u.s)
    unit = (500e-9 * u.rad).to_value(u.arcsec) * fried_parameter(air.fwhm).value ** (-5 / 6)
    for axis in (0, 1):
        expected = unit * np.sqrt(brute_force_variance(diameter, 20, path, axis))
        assert axes[axis].value == pytest.approx(expected, rel=2e-3)


def test_motion_does_not_depend_on_the_unit_or_on_how_values_are_grouped():
    air = ATMOSPHERES["valley night"]
    table = image_motion([[50], [200]] * u.mm, air, [0, 1, 4] * u.s)
    assert table.shape == (2, 3)
    assert table[1, 2].value == pytest.approx(image_motion(20 * u.cm, air, 4000 * u.ms).value)
    assert image_motion_axes([50, 200] * u.mm, air).shape == (2, 2)
    with pytest.raises(ValueError, match="exposure"):
        image_motion([50, 200] * u.mm, air, [0, 1, 2] * u.s)


def test_the_mean_of_the_axes_does_not_depend_on_the_wind_direction():
    straight, turned = (one_layer(direction=angle * u.deg) for angle in (0, 60))
    means = [image_motion(0.2 * u.m, air, 1 * u.s).value for air in (straight, turned)]
    assert means[0] == pytest.approx(means[1])
    along, across = image_motion_axes(0.2 * u.m, straight, 1 * u.s)
    assert along < across / 2
    swapped = image_motion_axes(0.2 * u.m, one_layer(direction=90 * u.deg), 1 * u.s)
    assert swapped.value == pytest.approx([across.value, along.value])


def test_layers_share_the_variance():
    halves = [Layer(0 * u.m, 0.5, v * u.m / u.s) for v in (5, 20)]
    both = image_motion(0.2 * u.m, Atmosphere(2 * u.arcsec, 20 * u.m, halves), 1 * u.s)
    each = [image_motion(0.2 * u.m, one_layer(wind=v * u.m / u.s), 1 * u.s).value for v in (5, 20)]
    assert both.value == pytest.approx(np.sqrt(np.mean(np.square(each))))


@quick
@given(
    st.floats(0.01, 5),
    st.floats(0.5, 1e5) | st.just(np.inf),
    st.floats(0, 1e4),
    st.floats(0, 100),
    st.floats(-400, 400),
)
def test_motion_is_finite_and_falls_with_aperture_exposure_and_outer_scale(
    diameter, outer_scale, exposure, wind, angle
):
    air = one_layer(outer_scale * u.m, wind * u.m / u.s, angle * u.deg)
    motion = image_motion_axes(diameter * u.m, air, exposure * u.s)
    assert np.all(np.isfinite(motion)) and np.all(motion > 0)
    mean = image_motion(diameter * u.m, air, exposure * u.s)
    slack = 1 + 1e-6
    assert image_motion(1.5 * diameter * u.m, air, exposure * u.s) <= mean * slack
    assert image_motion(diameter * u.m, air, 1.5 * exposure * u.s) <= mean * slack
    larger = one_layer(2 * outer_scale * u.m, wind * u.m / u.s, angle * u.deg)
    assert image_motion(diameter * u.m, larger, exposure * u.s) >= mean / slack


def test_limits_of_short_exposure_still_air_and_infinite_outer_scale():
    instant = image_motion(0.2 * u.m, one_layer()).value
    assert image_motion(0.2 * u.m, one_layer(), 1e-5 * u.s).value == pytest.approx(instant, rel=1e-6)
    assert image_motion(0.2 * u.m, one_layer(wind=0 * u.m / u.s), 60 * u.s).value == pytest.approx(instant)
    infinite = image_motion(0.2 * u.m, one_layer(np.inf * u.m), [0, 1] * u.s)
    nearly = image_motion(0.2 * u.m, one_layer(1e9 * u.m), [0, 1] * u.s)
    assert nearly.value == pytest.approx(infinite.value, rel=2e-3)


def test_slopes_with_exposure_once_the_outer_scale_has_blown_past():
    """Variance falls as T^-2 along the wind and T^-1 across it."""
    axes = image_motion_axes(0.2 * u.m, one_layer(), [200, 400] * u.s).value ** 2
    assert axes[:, 0] / axes[:, 1] == pytest.approx([4, 2], rel=0.02)


@pytest.mark.parametrize("exposure", [0, 2] * u.s)
def test_layers_add_up(exposure):
    air = ATMOSPHERES["valley night"]
    parts = motion_by_layer(0.2 * u.m, air, exposure)
    assert parts.shape == (3,)
    assert np.sum(parts**2).value == pytest.approx(image_motion(0.2 * u.m, air, exposure).value ** 2)
    if exposure == 0:
        assert (parts**2 / np.sum(parts**2)).value == pytest.approx([layer.fraction for layer in air.layers])
    else:
        assert parts[0] > 2 * parts[2]  # the slow layer near the ground is what stays
    with pytest.raises(TypeError, match="atmosphere"):
        motion_by_layer(0.2 * u.m, None)


@quick
@given(st.floats(0.02, 1), st.floats(0.01, 2))
def test_the_exposure_that_leaves_a_given_motion(diameter, motion):
    air = ATMOSPHERES["valley night"]
    exposure = exposure_for_motion(diameter * u.m, air, motion * u.arcsec)
    left = image_motion(diameter * u.m, air, exposure).value
    assert left == pytest.approx(motion, rel=1e-3) if exposure > 0 else left <= motion


def test_no_exposure_is_long_enough_for_still_air():
    with pytest.raises(ValueError, match="motion"):
        exposure_for_motion(0.2 * u.m, one_layer(wind=0 * u.m / u.s), 0.1 * u.arcsec)
    for wrong in (0 * u.arcsec, np.nan * u.arcsec, 1, 1 * u.s):
        with pytest.raises((ValueError, TypeError, u.UnitsError), match="motion"):
            exposure_for_motion(0.2 * u.m, one_layer(), wrong)


@pytest.mark.parametrize("wrong", [-1 * u.s, np.nan * u.s, 1, 1 * u.m])
def test_wrong_exposures_are_named(wrong):
    with pytest.raises((ValueError, TypeError, u.UnitsError), match="exposure"):
        image_motion(0.2 * u.m, one_layer(), wrong)


def test_quick_enough_for_a_slider():
    air = ATMOSPHERES["valley night"]
    exposures = np.linspace(0, 5, 60) * u.s
    times = []
    for _ in range(5):
        start = time.perf_counter()
        image_motion_axes(0.2 * u.m, air, exposures)
        times.append(time.perf_counter() - start)
    assert min(times) < 0.05  # some 5 ms; the wide margin is for a busy machine


def test_nothing_is_shared_between_calls():
    before = seeing.ATMOSPHERES["calm night"].layers
    image_motion(0.1 * u.m, seeing.ATMOSPHERES["calm night"], 1 * u.s)
    assert seeing.ATMOSPHERES["calm night"].layers is before
