"""A star's light on a rig: right limits, right trends, and every wrong value named."""

import time

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, numbers, quantities
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers import guide_field, starlight
from helpers import rig as rigs

E, PIX, ARCSEC = u.electron, u.pix, u.arcsec
QUICK = settings(max_examples=30, deadline=None, derandomize=True)
RIG_A, RIG_B = rigs.demo_rig("club", "A"), rigs.demo_rig("club", "B")

JUNK = [
    None,
    True,
    "text",
    "2 arcsec",
    -1,
    0,
    3.5,
    np.nan,
    np.inf,
    [],
    [1.0, 2.0],
    [[1.0]],
    5 * u.kg,
    0 * ARCSEC,
    -2 * ARCSEC,
    np.nan * ARCSEC,
    np.inf * u.s,
    2 * ARCSEC,
    [1, 2, 3] * ARCSEC,
    [] * ARCSEC,
    0 * E,
    400 * E,
    [400, 500] * E,
    3 * E / PIX,
    -3 * E / PIX,
    1e30 * E / PIX,
    0.5 * ARCSEC / PIX,
    0 * ARCSEC / PIX,
    600 * u.nm,
    [500, 700] * u.nm,
    [700, 500] * u.nm,
    9 * u.mag,
    1 * u.s,
    1e9 * u.s,
    "K0",
    "Z9",
    "V",
    10 * u.m,
    20 * u.mag / ARCSEC**2,
    (450, 250),
    RIG_B,
    RIG_B.guide_camera,
]


def numbers_in(result):
    """All numbers in a result: of a quantity, an array, a number, a tuple or a dataclass."""
    if hasattr(result, "__dataclass_fields__"):
        result = tuple(getattr(result, name) for name in result.__dataclass_fields__)
    if isinstance(result, tuple):
        return np.concatenate([numbers_in(part) for part in result])
    return np.ravel(np.asarray(getattr(result, "value", result), float))


def finite_or_named(function, names, *values, **keywords):
    """The function gives finite numbers, or an error of a documented kind that names an argument."""
    try:
        result = function(*values, **keywords)
    except (ValueError, TypeError, u.UnitsError) as error:
        assert any(name in str(error) for name in names), str(error)
    else:
        assert np.isfinite(numbers_in(result)).all()


def signal_of(rig, magnitude, **setting):
    return starlight.view(rig, **setting).signal(magnitude)


# photon_flux


def test_five_magnitudes_are_a_factor_of_a_hundred():
    bright, faint = starlight.photon_flux([3, 8], "R")
    assert (bright / faint).value == pytest.approx(100)
    assert starlight.photon_flux(3 * u.mag, "R") == bright
    assert bright.unit == u.photon / (u.s * u.m**2)


def test_unknown_bands_and_magnitudes_are_named():
    with pytest.raises(ValueError, match="band: expected one of 'U', 'B', 'V', 'R', 'I', 'G', found 'W'"):
        starlight.photon_flux(1, "W")
    for wrong in (np.nan, None, "bright", 3 * u.m, 99):
        with pytest.raises((ValueError, TypeError), match="magnitude"):
            starlight.photon_flux(wrong, "V")


# signal_to_noise


def test_signal_to_noise_limits():
    bright = starlight.signal_to_noise(1e6 * E, 0 * E / PIX, 9, 0 * E)
    assert bright == pytest.approx(1000)
    assert starlight.signal_to_noise(0 * E, 0 * E / PIX, 9, 0 * E) == 0
    both = starlight.signal_to_noise([100, 400] * E, 2 * E / PIX, 25, 3 * E)
    assert both == pytest.approx([100 / np.sqrt(100 + 25 * 11), 400 / np.sqrt(400 + 25 * 11)])


# centroid_error

SPOT = {"fwhm": 3 * ARCSEC, "pixel_scale": 1 * ARCSEC / PIX}


def test_a_bright_star_is_limited_by_its_own_photons():
    expected = np.hypot(3 / 2.354820, np.sqrt(1 / 12)) / 100
    for method in ("least squares", "maximum likelihood"):
        error = starlight.centroid_error(electrons=1e4 * E, background=0 * E / PIX, method=method, **SPOT)
        assert error.to_value(ARCSEC) == pytest.approx(expected, rel=1e-6)
    unweighted = starlight.centroid_error(electrons=1e4 * E, background=0 * E / PIX, method="unweighted fit", **SPOT)
    assert unweighted.value == pytest.approx(4 / 3 * expected, rel=1e-6)


@QUICK
@given(st.floats(10, 1e6), st.floats(0, 1e5), st.floats(0.3, 30), st.floats(0.1, 10))
def test_more_light_helps_and_background_harms(electrons, background, fwhm, pixel):
    def error(light, behind, method):
        return starlight.centroid_error(
            fwhm * ARCSEC, light * E, behind * E / PIX, pixel * ARCSEC / PIX, method=method
        ).value

    for method in ("least squares", "maximum likelihood", "unweighted fit"):
        reference = error(electrons, background, method)
        assert 0 < error(2 * electrons, background, method) < reference
        assert error(electrons, 2 * background + 1, method) > reference
    # no unbiased fit can do better than maximum likelihood; an unweighted one does at most a third worse
    best, usual = error(electrons, background, "maximum likelihood"), error(electrons, background, "unweighted fit")
    assert best <= usual * (1 + 1e-9) <= best * 4 / 3 * (1 + 1e-6)


def test_maximum_likelihood_series_joins_the_closed_form():
    backgrounds = np.geomspace(1, 1e8, 4001) * E / PIX
    error = starlight.centroid_error(electrons=1e3 * E, background=backgrounds, method="maximum likelihood", **SPOT)
    slope = np.diff(np.log(error.value)) / np.diff(np.log(backgrounds.value))
    assert np.all(slope > 0)
    assert slope.max() <= 0.5 + 1e-6
    assert np.abs(np.diff(slope)).max() < 1e-3


@QUICK
@given(st.floats(0.001, 5), st.floats(0, 1e5), st.floats(0.3, 30), st.floats(0.1, 10))
def test_electrons_needed_is_the_reverse(error, background, fwhm, pixel):
    spot = {"fwhm": fwhm * ARCSEC, "background": background * E / PIX, "pixel_scale": pixel * ARCSEC / PIX}
    needed = starlight.electrons_needed(error * ARCSEC, **spot)
    assert starlight.centroid_error(electrons=needed, **spot).value == pytest.approx(error, rel=1e-9)


def test_shapes_that_do_not_fit_are_named():
    with pytest.raises(ValueError, match=r"fit together.*electrons \(3,\), background \(2,\)"):
        starlight.centroid_error(electrons=[1, 2, 3] * E, background=[1, 2] * E / PIX, **SPOT)


def test_any_call_of_a_signal_or_an_error():
    behind = quantities(E / PIX, 0, 1e5)
    spot = {"fwhm": quantities(ARCSEC, 0.3, 30), "background": behind, "pixel_scale": quantities(ARCSEC / PIX, 0.1, 10)}
    spoiled = {"fwhm": [0 * ARCSEC], "background": [-1 * E / PIX, 1e30 * E / PIX], "pixel_scale": [0 * ARCSEC / PIX]}
    light = quantities(E, 1, 1e8)
    check_any_call(
        starlight.centroid_error,
        {**spot, "electrons": light, "method": st.sampled_from(["least squares", "maximum likelihood"])},
        spoiled=spoiled,
    )
    check_any_call(starlight.electrons_needed, {**spot, "error": quantities(ARCSEC, 1e-3, 5)}, spoiled=spoiled)
    check_any_call(
        starlight.signal_to_noise,
        {"electrons": light, "background": behind, "pixels": numbers(1, 500), "read_noise": quantities(E, 0, 20)},
        spoiled={"electrons": [-1 * E], "pixels": [0]},
    )


def test_any_call_for_a_rig():
    rig = st.sampled_from([RIG_A, RIG_B])
    star = {"rig": rig, "spectral_class": st.sampled_from(list(starlight.SPECTRAL_CLASSES)), "airmass": numbers(1, 3)}
    check_any_call(starlight.detected_spectrum, {**star, "magnitude": numbers(0, 20)}, spoiled={"airmass": [0.9, 41]})
    check_any_call(starlight.mosaic_shares, star)
    check_any_call(
        lambda magnitude, **setting: starlight.view(**setting).signal(magnitude),
        {**star, "magnitude": numbers(5, 18), "exposure": quantities(u.s, 0.05, 60), "gain": numbers(0.2, 8)},
        spoiled={"exposure": [0 * u.s, 1e9 * u.s], "gain": [0]},
    )
    check_any_call(
        starlight.photon_flux,
        {"magnitude": numbers(-5, 25), "band": st.sampled_from(list(starlight.BANDS))},
        spoiled={"magnitude": [99], "band": ["W"]},
    )


# gain_setting


def test_gain_trades_full_well_for_noise():
    camera = RIG_A.guide_camera
    plain, high = starlight.gain_setting(camera), starlight.gain_setting(camera, 4)
    assert plain.read_noise == camera.read_noise
    assert plain.full_well == camera.full_well
    assert high.full_well == camera.full_well / 4
    assert high.step == plain.step / 4
    assert camera.read_noise * np.sqrt(0.5) < high.read_noise < camera.read_noise
    dim, amplified = signal_of(RIG_A, 13), signal_of(RIG_A, 13, gain=4)
    assert amplified.electrons == dim.electrons  # no setting makes light
    assert amplified.centroid_error < dim.centroid_error
    assert amplified.peak_fraction == pytest.approx(4 * dim.peak_fraction)


# star_signal


def test_a_signal_adds_up_from_its_parts():
    signal = signal_of(RIG_A, 10, exposure=2 * u.s)
    camera, step = RIG_A.guide_camera, RIG_A.guide_camera.full_well.value / 4095
    assert signal.dark.value == pytest.approx(2 * camera.dark_current.value)
    readout = camera.read_noise.value**2 + step**2 / 12
    assert signal.background.value == pytest.approx(signal.sky.value + signal.dark.value + readout)
    assert signal.pixel_scale.value == pytest.approx(206.264806 * 3.0 / 1350, rel=1e-6)
    published = starlight.centroid_error(signal.fwhm, signal.electrons, signal.background, signal.pixel_scale)
    assert 1.15 < signal.centroid_error / published < 1.4  # a spot made by air has wings that a Gaussian lacks
    assert signal.centroid_error.value == pytest.approx(np.hypot(signal.noise_error, signal.sampling_floor).value)
    star, sky = starlight.detected_spectrum(RIG_A, 10)
    step_nm = np.diff(starlight.WAVELENGTHS.value)[0]
    share = starlight.view(RIG_A).light_share  # of the pick-off
    assert signal.electrons.value == pytest.approx(2 * share * star.value.sum() * step_nm, rel=1e-3)
    behind = 2 * share * sky.value.sum() * step_nm * signal.pixel_scale.value**2
    assert signal.sky.value == pytest.approx(behind, rel=1e-3)
    assert not signal.saturated
    assert signal_of(RIG_A, 3).saturated


def test_aperture_obstruction_transmission_exposure_and_magnitude_scale_the_light():
    def light_of(rig, magnitude=10, **keywords):
        return signal_of(rig, magnitude, light_share=1, **keywords).electrons.value

    light = light_of(RIG_A)
    half = rigs.changed(RIG_A, {"telescope.transmission": RIG_A.telescope.transmission / 2})
    assert light_of(half) == pytest.approx(light / 2)
    wide = rigs.changed(RIG_A, {"telescope.aperture": 2 * RIG_A.telescope.aperture})
    assert light_of(wide) == pytest.approx(4 * light)
    clear = rigs.changed(RIG_A, {"telescope.central_obstruction": 0.0})
    assert light_of(clear) == pytest.approx(light / (1 - 0.32**2))
    assert light_of(RIG_A, exposure=3 * u.s) == pytest.approx(3 * light)
    assert light_of(RIG_A, [10, 12.5]) == pytest.approx([light, light / 10])
    assert 0.7 < light_of(RIG_A, airmass=2) / light < 0.95


def test_parts_of_the_spectrum_add_up():
    whole = signal_of(RIG_B, 10)
    parts = [signal_of(RIG_B, 10, band=[low, high] * u.nm) for low, high in ((300, 553), (553, 801), (801, 1200))]
    assert sum(part.electrons.value for part in parts) == pytest.approx(whole.electrons.value, rel=1e-3)
    assert sum(part.sky.value for part in parts) == pytest.approx(whole.sky.value, rel=1e-3)


@pytest.mark.parametrize("rig", [RIG_A, rigs.demo_rig("starter")])
def test_a_band_has_one_wavelength_for_width_and_diffraction(rig):
    for low, high in ((450, 650), (800, 1000)):
        band = [low, high] * u.nm
        wavelength = starlight.detected_wavelength(rig, 1.3, band)
        assert low * u.nm < wavelength < high * u.nm
        seen = starlight.view(rig, airmass=1.3, band=band)
        assert seen.fwhm.value == pytest.approx(starlight.guide_star_fwhm(rig, 1.3, wavelength).value, rel=1e-9)
        # FWHM of the diffraction pattern of a clear aperture: 1.029 wavelengths over its diameter
        pattern = (1.029 * wavelength / rig.guide_optics.aperture * u.rad).to_value(ARCSEC)
        assert seen.shape.diffraction == pytest.approx(pattern / seen.fwhm.value, abs=2e-3)
    whole = starlight.detected_wavelength(rig, 1.3)
    assert starlight.detected_wavelength(rig, 1.3, [300, 1200] * u.nm).value == pytest.approx(whole.value, rel=1e-3)
    with pytest.raises(ValueError, match="band: expected some light"):
        starlight.detected_wavelength(rig, 1.3, [1200, 1300] * u.nm)


def test_in_g_the_colour_of_a_star_changes_its_light_little_but_the_near_infrared_share_much():
    light = [signal_of(RIG_A, 10, spectral_class=name).electrons.value for name in starlight.SPECTRAL_CLASSES]
    assert max(light) / min(light) < 1.06
    red = [
        signal_of(RIG_A, 10, spectral_class=name, band=[800, 1000] * u.nm).electrons.value
        for name in starlight.SPECTRAL_CLASSES
    ]
    assert np.all(np.diff(red) > 0)
    assert red[-1] / red[0] > 2


def test_an_infrared_blocking_filter_takes_away_what_the_dyes_let_through():
    blocked = rigs.changed(RIG_B, {"guide_optics.filter": "infrared-blocking"})
    long_pass = rigs.changed(RIG_B, {"guide_optics.filter": "long-pass"})
    beyond = [750, 1000] * u.nm
    with_filter = signal_of(blocked, 10, band=beyond).electrons
    assert with_filter < 1e-4 * signal_of(RIG_B, 10, band=beyond).electrons
    visible = signal_of(RIG_B, 10, band=[450, 650] * u.nm).electrons
    assert signal_of(long_pass, 10, band=[450, 650] * u.nm).electrons < 1e-3 * visible


def test_a_curve_of_ones_counts_photons_and_a_known_curve_is_reproduced():
    flat = signal_of(RIG_A, 10, curve=([300, 1200] * u.nm, [1.0, 1.0])).electrons.value
    half = signal_of(RIG_A, 10, curve=([300, 1200] * u.nm, [0.5, 0.5])).electrons.value
    assert half == pytest.approx(flat / 2)
    own = (starlight.WAVELENGTHS, starlight.quantum_efficiency(RIG_A.guide_camera, starlight.WAVELENGTHS))
    assert signal_of(RIG_A, 10, curve=own).electrons.value == pytest.approx(
        signal_of(RIG_A, 10).electrons.value, rel=1e-9
    )


@pytest.mark.parametrize(
    ("curve", "said"),
    [
        ("curve.csv", "curve"),
        (([500, 400] * u.nm, [0.1, 0.2]), "curve wavelengths: expected each above"),
        (([400, 500] * u.nm, [10, 20]), "curve values: expected at least 0 and at most 1, found 10"),
        (([400, 500, 600] * u.nm, [0.1, 0.2]), "curve: expected as many values"),
        (([400, 500], [0.1, 0.2]), "curve wavelengths: expected a quantity"),
        (([400, 500] * u.nm, [0.1, np.nan]), "curve values"),
        (([400] * u.nm, [0.1]), "curve: expected as many values as wavelengths, at least 2"),
    ],
)
def test_wrong_curves_are_named(curve, said):
    with pytest.raises((ValueError, TypeError), match=said):
        signal_of(RIG_A, 10, curve=curve)


def test_binning_adds_pixels_and_the_noise_of_reading_each():
    binned = rigs.changed(RIG_A, {"guide_camera.binning": 2})
    one, four = signal_of(RIG_A, 10), signal_of(binned, 10)
    assert four.electrons == one.electrons
    assert four.background.value == pytest.approx(4 * one.background.value, rel=1e-6)
    assert four.full_well == 4 * one.full_well
    assert four.pixel_scale.value == pytest.approx(2 * one.pixel_scale.value, rel=1e-6)
    assert four.centroid_error > one.centroid_error


def test_faintest_and_brightest_are_where_they_say():
    view = starlight.view(RIG_B, 0.5 * u.s, 1.5, spectral_class="G2")
    limit = view.faintest([0.05, 0.2] * ARCSEC)
    assert view.signal(limit).centroid_error.value == pytest.approx([0.05, 0.2], rel=1e-3)
    assert limit[1] > limit[0] == pytest.approx(view.faintest(0.05 * ARCSEC))
    view = starlight.view(RIG_B, 2 * u.s)
    assert view.signal(view.brightest()).peak_fraction == pytest.approx(1)
    assert not view.signal(view.brightest() + 0.01).saturated
    with pytest.raises(ValueError, match="exposure: expected one in which sky"):
        starlight.view(RIG_B, exposure=1e5 * u.s).brightest()


def test_no_star_below_a_signal_to_noise_of_3_is_foretold():
    view = starlight.view(RIG_B)
    limit = view.faintest(3000 * ARCSEC)
    at_limit, below = view.signal(limit), view.signal(limit + 0.01)
    assert at_limit.signal_to_noise == pytest.approx(3, rel=1e-4) and at_limit.measurable
    assert not below.measurable and below.centroid_error == below.noise_error == below.fwhm
    assert at_limit.centroid_error < 0.5 * at_limit.fwhm
    assert np.array_equal(view.signal([10, 25]).measurable, [True, False])


def test_where_no_star_is_known_so_well_the_limit_is_saturation():
    view = starlight.view(rigs.demo_rig("starter", "B"))
    assert view.faintest(0.05 * ARCSEC) == pytest.approx(view.brightest())
    assert view.signal(view.brightest()).sampling_floor > 0.08 * ARCSEC
    assert starlight.view(rigs.demo_rig("starter", "A")).faintest(0.1 * ARCSEC) > 11


def test_a_pick_off_takes_its_share_once():
    dimmed, whole = starlight.view(RIG_A), starlight.view(RIG_A, light_share=1)
    share = dimmed.light_share
    assert share == pytest.approx(float(guide_field.lit_fraction(0 * u.mm, 0 * u.mm, RIG_A.guide_optics)))
    assert 0.5 < share < 0.6
    assert (dimmed.zero_point / whole.zero_point).value == pytest.approx(share)
    assert (dimmed.sky / whole.sky).value == pytest.approx(share)
    fainter = whole.signal(10 - 2.5 * np.log10(share)).electrons.value
    assert fainter == pytest.approx(dimmed.signal(10).electrons.value)
    assert starlight.view(rigs.demo_rig("starter")).light_share == 1
    # a star is the same star, told by its list or by what reaches the camera
    arrived = starlight.view_of_arrived(RIG_A)
    magnitudes = np.array([9.0, 13.0, 15.0])
    listed, reached = dimmed.signal(magnitudes), arrived.signal(magnitudes - 2.5 * np.log10(share))
    for name in ("electrons", "centroid_error", "peak_fraction"):
        np.testing.assert_allclose(getattr(listed, name), getattr(reached, name), rtol=1e-9)
    limits = dimmed.faintest(0.1 * ARCSEC), dimmed.brightest()
    assert limits == pytest.approx(
        (arrived.faintest(0.1 * ARCSEC) + 2.5 * np.log10(share), arrived.brightest() + 2.5 * np.log10(share))
    )


def test_coarse_pixels_and_a_mosaic_leave_a_floor_that_light_does_not_cure():
    fine, coarse = (starlight.view(RIG_B, fwhm=width * ARCSEC) for width in (3, 0.6))
    assert fine.signal(9).sampling_floor < 1e-3 * fine.pixel_scale * u.pix
    assert coarse.signal([8, 9]).sampling_floor.value == pytest.approx(2 * [0.03 * coarse.pixel_scale.value], rel=0.4)
    mono = starlight.view(RIG_A, fwhm=0.6 * ARCSEC).signal(9)
    assert mono.sampling_floor < coarse.signal(9).sampling_floor / 5


def test_binning_a_mosaic_by_two_takes_most_of_the_floor_away_and_costs_light():
    starter = rigs.demo_rig("starter", "B")
    wide = 5 * ARCSEC
    raw, binned = (
        starlight.view(rigs.changed(starter, {"guide_camera.binning": number}), fwhm=wide) for number in (1, 2)
    )
    assert binned.signal(9).sampling_floor < raw.signal(9).sampling_floor
    assert binned.signal(12).noise_error > 1.05 * raw.signal(12).noise_error


def test_the_most_lit_colour_fills_first():
    mono = rigs.changed(RIG_B, {"guide_camera.mosaic": False})
    shares = starlight.mosaic_shares(RIG_B)[0]
    view, plain = starlight.view(RIG_B, 0.01 * u.s), starlight.view(mono, 0.01 * u.s)
    fainter = view.brightest() - plain.brightest() - 2.5 * np.log10((view.zero_point / plain.zero_point).value)
    assert fainter == pytest.approx(2.5 * np.log10(shares.max()), abs=0.02)


def test_no_light_at_all_is_said():
    with pytest.raises(ValueError, match="band: expected some light"):
        starlight.view(RIG_A, band=[1200, 1300] * u.nm)
    with pytest.raises(ValueError, match="band: expected a shorter and a longer"):
        starlight.view(RIG_A, band=[700, 600] * u.nm)


def test_near_infrared_light_makes_a_smaller_spot_behind_a_large_aperture_only():
    starter = rigs.demo_rig("starter")
    assert starlight.guide_star_fwhm(RIG_A, wavelength=850 * u.nm) < starlight.guide_star_fwhm(
        RIG_A, wavelength=500 * u.nm
    )
    assert starlight.guide_star_fwhm(starter, wavelength=850 * u.nm) > starlight.guide_star_fwhm(
        starter, wavelength=500 * u.nm
    )
    assert starlight.guide_star_fwhm(RIG_A, airmass=2) > starlight.guide_star_fwhm(RIG_A)


def test_mosaic_shares_average_to_one():
    for shares in starlight.mosaic_shares(RIG_B, "K5", 1.5):
        assert np.dot(shares, [0.25, 0.5, 0.25]) == pytest.approx(1)
        assert shares[0] > shares[2]
    for shares in starlight.mosaic_shares(RIG_A):
        assert shares == pytest.approx(np.ones(3))


def test_a_value_at_850_above_the_peak_is_named():
    with pytest.raises(ValueError, match="quantum_efficiency_850: expected at most the peak"):
        rigs.changed(RIG_A, {"guide_camera.quantum_efficiency_850": 0.9})


SETTING = {
    "exposure": 1 * u.s,
    "airmass": 1.2,
    "spectral_class": "K0",
    "fwhm": 2 * ARCSEC,
    "band": None,
    "curve": None,
    "gain": 2.0,
    "light_share": 0.5,
}
NAMES = ("rig", "magnitude", "centroid_error", *SETTING)


@pytest.mark.parametrize("name", SETTING)
@pytest.mark.parametrize("wrong", JUNK)
def test_one_wrong_value_in_a_setting_is_named(name, wrong):
    finite_or_named(lambda **setting: starlight.view(RIG_B, **setting).signal(10), NAMES, **SETTING | {name: wrong})


@pytest.mark.parametrize("wrong", JUNK)
def test_other_wrong_values_are_named(wrong):
    view = starlight.view(RIG_B)
    finite_or_named(view.signal, NAMES, wrong)
    finite_or_named(view.faintest, NAMES, wrong)
    finite_or_named(starlight.gain_setting, NAMES, RIG_B.guide_camera, wrong)
    finite_or_named(starlight.guide_star_fwhm, (*NAMES, "wavelength"), RIG_B, 1, wrong)
    finite_or_named(starlight.detected_spectrum, NAMES, RIG_B, wrong)
    finite_or_named(starlight.mosaic_shares, NAMES, RIG_B, wrong)
    finite_or_named(starlight.photon_flux, (*NAMES, "band"), wrong, "V")
    if not isinstance(wrong, rigs.Rig):
        with pytest.raises(TypeError, match="rig"):
            starlight.view(wrong)


@QUICK
@given(
    st.sampled_from(["club", "starter"]),
    st.sampled_from("AB"),
    st.floats(-2, 22),
    st.sampled_from(["F0", "G2", "M2"]),
    st.floats(1, 10),
    st.floats(0.001, 600),
    st.floats(0.2, 20),
    st.floats(0.1, 100),
    st.integers(1, 8),
)
def test_any_reasonable_star_gives_positive_numbers(name, camera, magnitude, kind, airmass, exposure, fwhm, gain, bins):
    rig = rigs.changed(rigs.demo_rig(name, camera), {"guide_camera.binning": bins})
    signal = signal_of(
        rig, magnitude, exposure=exposure * u.s, airmass=airmass, spectral_class=kind, fwhm=fwhm * ARCSEC, gain=gain
    )
    assert np.isfinite(numbers_in(signal)).all()
    assert (numbers_in(signal)[:-4] >= 0).all() and signal.centroid_error > 0


def quickest(function):
    times = []
    for _ in range(30):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)


def test_quick_enough_for_a_slider():
    view, magnitudes = starlight.view(RIG_B), np.linspace(8, 16, 40)
    assert quickest(lambda: view.signal(magnitudes)) < 0.001
    assert quickest(lambda: view.faintest(0.1 * ARCSEC)) < 0.002
