"""The camera on planets: limits, errors, and figures of the trade."""

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, numbers, quantities
from hypothesis import strategies as st

from helpers import planetary, seeing
from helpers.planetary import light
from helpers.rig import demo_rig
from helpers.rig.values import changed
from helpers.starlight import spectra

AIR = seeing.ATMOSPHERES["valley night"]


def test_sampling():
    assert planetary.critical_focal_ratio(2.9 * u.um, 550 * u.nm) == pytest.approx(10.545, abs=0.01)
    factor = planetary.amplifier(3 * u.um, 550 * u.nm, 250 * u.mm, 1350 * u.mm)
    assert factor * 1350 / 250 == pytest.approx(planetary.critical_focal_ratio(3 * u.um, 550 * u.nm))
    assert planetary.pixels_across(49 * u.arcsec, 3 * u.um, 2700 * u.mm) == pytest.approx(213.8, rel=0.01)


def test_a_critical_pixel_is_half_the_finest_period():
    # the finest period an aperture passes is lambda / D; in arcsec two critical pixels cover just that
    focal = 250 * u.mm * planetary.critical_focal_ratio(3 * u.um, 550 * u.nm)
    period = (550 * u.nm / (250 * u.mm)).to_value(u.one) * u.rad
    assert planetary.pixels_across(period.to(u.arcsec), 3 * u.um, focal) == pytest.approx(2, rel=1e-3)
    assert planetary.critical_pixel(250 * u.mm, 550 * u.nm).value == pytest.approx(period.to_value(u.arcsec) / 2)


def test_frame_rates_of_the_trade():
    # common practice, no source: 2 million pixels on USB 3: about 90 a second at 8 bit, 70 at 16 bit; USB 2: 35 to 40
    # MB/s
    full = (1920, 1080)
    assert planetary.frame_rate(full, 8, "USB 3").value == pytest.approx(90, abs=3)
    assert planetary.frame_rate(full, 16, "USB 3").value == pytest.approx(70, abs=3)
    assert planetary.frame_rate(full, 8, "USB 3") == planetary.sensor_rate(full, 8)  # the sensor's own limit
    assert 35e6 < planetary.frame_rate(full, 8, "USB 2").value * 1920 * 1080 < 40e6


def test_a_smaller_region_is_quicker_until_the_rows_decide():
    rates = [planetary.frame_rate((side, side), 8, "USB 3").value for side in (200, 400, 800)]
    assert rates == sorted(rates, reverse=True)
    assert planetary.frame_rate((100, 400), 8, "USB 3") == planetary.frame_rate((400, 400), 8, "USB 3")


def test_the_slower_of_sensor_and_link_decides():
    full = (1800, 1000)
    for bits in (8, 12, 16):
        for link in planetary.LINKS:
            parts = planetary.link_rate(full, bits, link), planetary.sensor_rate(full, bits)
            assert planetary.frame_rate(full, bits, link) == min(parts)
    own = 40 * full[1]  # a data sheet that says 40 frames a second
    assert planetary.frame_rate(full, 8, "USB 3", own).value == pytest.approx(40)
    assert planetary.frame_rate(full, 8, "USB 2", own) == planetary.link_rate(full, 8, "USB 2")
    assert planetary.link_rate(full, 12, "USB 2") == planetary.link_rate(full, 8, "USB 2") / 2


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ((5, 8, "USB 3"), "shape"),
        (((0, 5), 8, "USB 3"), "shape"),
        (((5, 5), 7, "USB 3"), "bit_depth"),
        (((5, 5), 8, "USB 4"), "link"),
    ],
)
def test_wrong_frames_are_named(arguments, named):
    with pytest.raises((ValueError, TypeError), match=named):
        planetary.frame_rate(*arguments)


def test_rotation():
    film = planetary.longest_film("Jupiter", 49 * u.arcsec, 0.3 * u.arcsec)
    assert planetary.rotation_smear("Jupiter", 49 * u.arcsec, film).value == pytest.approx(0.3)
    assert 1 < film.to_value(u.min) < 2
    assert planetary.longest_film("Mars", 24 * u.arcsec, 0.3 * u.arcsec) > film
    assert planetary.rotation_smear("Mars", 24 * u.arcsec, 100 * u.h) == 12 * u.arcsec
    with pytest.raises(ValueError, match="planet"):
        planetary.rotation_period("Pluto")


def test_the_air_changes_in_milliseconds():
    assert 1 < planetary.coherence_time(AIR).to_value(u.ms) < 20
    assert planetary.coherence_time(AIR, 850 * u.nm) > planetary.coherence_time(AIR)


def test_near_infrared_trades_detail_for_lucky_moments():
    for diameter in (100, 250, 400) * u.mm:
        assert planetary.finest_detail(diameter, 850 * u.nm) > planetary.finest_detail(diameter, 550 * u.nm)
        visible, infrared = (planetary.lucky_share(diameter, AIR, wave) for wave in (550 * u.nm, 850 * u.nm))
        assert infrared >= visible


def test_a_long_exposure_is_as_wide_as_the_seeing_says():
    wide = planetary.finest_detail(10 * u.m, 500 * u.nm, 2 * u.arcsec)
    assert wide.value == pytest.approx(2, rel=1e-3)


def test_lucky_frames_below_and_above_the_published_fit():
    """Every aperture has its share: nearly all for small ones, none for huge ones, ever fewer in between."""
    r0 = seeing.fried_parameter(AIR.fwhm)
    shares = planetary.lucky_share(np.geomspace(0.03, 200, 60) * r0, AIR)
    assert np.all(np.diff(shares) <= 0) and np.all(shares >= 0) and shares[0] == pytest.approx(1)
    assert planetary.lucky_share(200 * r0, AIR) == 0


def test_lucky_share_is_that_of_drawn_wavefronts():
    """Second route: random wavefronts, the sum of their squared shapes below 1 rad^2. False alarm below 1e-5."""
    from helpers.planetary import lucky

    modes = np.sort(lucky._modes())[::-1]
    rng, draws = np.random.default_rng(5), 40_000
    squares = np.zeros(draws)
    for variance in modes[:120]:
        squares += variance * rng.standard_normal(draws) ** 2
    squares += lucky._WITHOUT_TILT - modes[:120].sum()
    r0 = seeing.fried_parameter(AIR.fwhm)
    for ratio in (2.5, 4, 5):
        drawn = np.mean(squares * ratio ** (5 / 3) < 1)
        share = planetary.lucky_share(ratio * r0, AIR)
        assert share == pytest.approx(drawn, abs=4.5 * np.sqrt(drawn * (1 - drawn) / draws) + 0.02 * drawn)


JUPITER = {"planet": "Jupiter", "focal_length": 2700 * u.mm}


def test_light_of_a_planet_pixel_by_pixel():
    rig = demo_rig()

    def light_of(focal_length, exposure, band=None):
        return planetary.disc_signal(rig, "Jupiter", focal_length, exposure, band).electrons.value

    one = light_of(2700 * u.mm, 10 * u.ms)
    assert light_of(2700 * u.mm, 20 * u.ms) / one == pytest.approx(2)
    assert light_of(5400 * u.mm, 10 * u.ms) / one == pytest.approx(0.25, rel=1e-6)
    parts = [light_of(2700 * u.mm, 10 * u.ms, band) for band in ([300, 550] * u.nm, [550, 1200] * u.nm)]
    assert sum(parts) / one == pytest.approx(1, rel=1e-3)
    filled = planetary.filling_exposure(rig, share=0.7, **JUPITER)
    assert planetary.disc_signal(rig, exposure=filled, **JUPITER).filling == pytest.approx(0.7)
    assert planetary.disc_signal(rig, exposure=10 * u.ms, **JUPITER).signal_to_noise < np.sqrt(one)


def test_light_of_a_planet_is_that_of_a_star_spread_over_its_disc():
    """Second route: all electrons of a sunlike star of the planet's magnitude, over the pixels of its disc."""
    from helpers.starlight import view

    rig = light.on_axis(demo_rig(guide_camera="A"))
    brightness = planetary.surface_brightness("Jupiter").value
    area = np.pi * 20**2  # arcsec^2, a round disc of 40 arcsec
    g_less_v = -2.5 * np.log10(_g_of_a_v_star())
    star = view(rig, 1 * u.s, spectral_class="G2").signal(brightness - 2.5 * np.log10(area) + g_less_v)
    pixels = area / (3e-3 / 2700 * 206264.806) ** 2
    found = planetary.disc_signal(demo_rig(guide_camera="A"), exposure=1 * u.s, **JUPITER).electrons
    assert (found * pixels / star.electrons).value == pytest.approx(1, rel=2e-3)


def _g_of_a_v_star():
    """Light in G of a sunlike star of V = 0, over that of one of G = 0; V from a narrow window at 545 nm."""
    narrow = np.abs(spectra.WAVELENGTHS.value - 545) < 21
    photons = np.mean(spectra.star_grid("G2")[narrow])
    return spectra.photon_flux(0, "V").value / 89.3 / photons


def test_a_guide_telescope_changes_nothing_at_the_main_focus():
    club = planetary.disc_signal(demo_rig("starter"), exposure=10 * u.ms, **JUPITER)
    other = changed(demo_rig("starter"), {"guide_optics.aperture": 30 * u.mm, "guide_optics.filter": "long-pass"})
    assert planetary.disc_signal(other, exposure=10 * u.ms, **JUPITER) == club


def test_small_galaxies():
    rig = demo_rig()
    stack = planetary.faintest_surface(rig, [0.5, 5, 60, 600] * u.s)
    assert stack.unit == u.mag / u.arcsec**2 and np.all(np.diff(stack) > 0)
    limit = planetary.sky_limited_exposure(rig, 0.05)
    endless = planetary.faintest_surface(rig, 1e5 * u.s, total=1e5 * u.s)
    at_limit = planetary.faintest_surface(rig, limit, total=1e5 * u.s)
    # noise 5 % up, so the surface that is just seen is 5 % brighter
    assert 10 ** (0.4 * (endless - at_limit).value) == pytest.approx(1.05, abs=0.002)
    noisy = planetary.faintest_surface(demo_rig(guide_camera="A"), 1 * u.s)
    assert noisy < planetary.faintest_surface(rig, 1 * u.s)
    long = planetary.faintest_surface(rig, 60 * u.s, total=16 * u.h) - planetary.faintest_surface(rig, 60 * u.s)
    assert long.value == pytest.approx(2.5 * np.log10(4), abs=0.03)


def test_galaxies_fit_a_field_that_is_wide_enough_either_way():
    rig = demo_rig()
    scale = rig.guide_camera.pixel_size / rig.telescope.focal_length * u.rad
    for columns, rows in ((1800, 1000), (1000, 1800), (600, 300), (10_000, 10_000), (64, 64)):
        seen = changed(rig, {"guide_camera.columns": columns, "guide_camera.rows": rows})
        wide, high = (number * scale.to_value(u.arcmin, u.dimensionless_angles()) for number in (columns, rows))
        whole = [
            name
            for name, (length, width) in planetary.GALAXIES.items()
            if (length.value <= wide and width.value <= high) or (length.value <= high and width.value <= wide)
        ]
        assert planetary.galaxies_in_field(seen) == whole
    assert len(planetary.galaxies_in_field(changed(rig, {"guide_camera.columns": 64}))) == 0


PIXEL, WAVELENGTH = quantities(u.um, 1, 20), quantities(u.nm, 350, 1000)
APERTURE, FOCAL_LENGTH = quantities(u.mm, 50, 1000), quantities(u.mm, 100, 10000)
PLANET, ANGLE = st.sampled_from(planetary.PLANETS), quantities(u.arcsec, 1, 60)
SHAPE = st.tuples(st.integers(8, 6000), st.integers(8, 4000))
BITS, LINK = st.integers(8, 16), st.sampled_from(list(planetary.LINKS))
ROWS = numbers(1e3, 1e6)
AIRS, AIRMASS = st.sampled_from(list(seeing.ATMOSPHERES.values())), numbers(1, 3)
RIGS = st.builds(demo_rig, st.sampled_from(["club", "starter"]), st.sampled_from("AB"))
BAND = st.sampled_from([[450, 500] * u.nm, [600, 1000] * u.nm])
EXPOSURE = quantities(u.s, 1e-4, 100)
AT_FOCUS = {"rig": RIGS, "planet": PLANET, "focal_length": FOCAL_LENGTH, "band": BAND, "airmass": AIRMASS}


@pytest.mark.parametrize(
    ("name", "valid"),
    [
        ("critical_focal_ratio", {"pixel_size": PIXEL, "wavelength": WAVELENGTH}),
        ("critical_pixel", {"aperture": APERTURE, "wavelength": WAVELENGTH}),
        (
            "amplifier",
            {"pixel_size": PIXEL, "wavelength": WAVELENGTH, "aperture": APERTURE, "focal_length": FOCAL_LENGTH},
        ),
        ("pixels_across", {"angle": ANGLE, "pixel_size": PIXEL, "focal_length": FOCAL_LENGTH}),
        ("frame_rate", {"shape": SHAPE, "bit_depth": BITS, "link": LINK, "rows_per_second": ROWS}),
        ("link_rate", {"shape": SHAPE, "bit_depth": BITS, "link": LINK}),
        ("sensor_rate", {"shape": SHAPE, "bit_depth": BITS, "rows_per_second": ROWS}),
        ("rotation_period", {"planet": PLANET}),
        ("surface_brightness", {"planet": PLANET}),
        ("rotation_smear", {"planet": PLANET, "diameter": ANGLE, "duration": quantities(u.min, 0.1, 1e4)}),
        ("longest_film", {"planet": PLANET, "diameter": ANGLE, "tolerance": quantities(u.arcsec, 0.01, 100)}),
        ("coherence_time", {"atmosphere": AIRS, "wavelength": WAVELENGTH, "airmass": AIRMASS}),
        (
            "lucky_share",
            {"diameter": APERTURE, "atmosphere": AIRS, "wavelength": WAVELENGTH, "airmass": AIRMASS},
        ),
        (
            "finest_detail",
            {
                "diameter": APERTURE,
                "wavelength": WAVELENGTH,
                "fwhm": quantities(u.arcsec, 0.3, 6),
                "airmass": AIRMASS,
            },
        ),
        ("disc_signal", {**AT_FOCUS, "exposure": EXPOSURE}),
        ("filling_exposure", {**AT_FOCUS, "share": numbers(0.01, 1)}),
        ("sky_limited_exposure", {"rig": RIGS, "more_noise": numbers(0.001, 1), "airmass": AIRMASS}),
        (
            "faintest_surface",
            {
                "rig": RIGS,
                "exposure": EXPOSURE,
                "total": quantities(u.h, 0.1, 10),
                "area": quantities(u.arcsec**2, 1, 1000),
                "signal_to_noise": numbers(1, 50),
                "airmass": AIRMASS,
            },
        ),
    ],
)
@pytest.mark.long
def test_any_call(name, valid):
    wrong = {"planet": ["Pluto"], "link": ["USB 4"], "bit_depth": [7, 17], "shape": [(0, 5), 5], "airmass": [0.5]}
    check_any_call(getattr(planetary, name), valid, spoiled={key: wrong.get(key, []) for key in valid}, examples=25)
