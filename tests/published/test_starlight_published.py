"""Starlight against published numbers and general-purpose libraries; the source stands beside each check."""

from pathlib import Path

import astropy.units as u
import galsim
import numpy as np
import pytest
from astropy import constants
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.centroids import centroid_2dg
from photutils.utils import calc_total_error
from scipy import integrate, optimize, special

from helpers import starlight
from helpers.rig import changed, demo_rig
from helpers.starlight import spectra
from helpers.starlight.spot import Shape, sampled_spot
from helpers.starlight.widths import guide_star

E, PIX, ARCSEC = u.electron, u.pix, u.arcsec
GRID = spectra.WAVELENGTHS.value


def test_flux_densities_of_magnitude_0():
    # Bessell, Castelli & Plez 1998 (A&A 333, 231), table A2: f_nu / 1e-20 erg / (s cm2 Hz), effective wavelength / nm
    published = {"U": (1.790, 366), "B": (4.063, 438), "V": (3.636, 545), "R": (3.064, 641), "I": (2.416, 798)}
    for band, (flux, wavelength) in published.items():
        photons = starlight.photon_flux(0, band).value / starlight.BANDS[band][1].to_value(u.nm)
        expected = flux * 1e-23 / (6.62607015e-34 * wavelength)  # W / (m2 Hz) over h lambda, per nm
        assert photons == pytest.approx(expected, rel=1e-6)


def test_a_star_of_v_0_gives_a_thousand_photons():
    # the trade's round number: 1000 photons / (s cm2 Angstrom) = 1e8 / (s m2 nm); common practice, no source
    per_nm = starlight.photon_flux(0, "V").value / starlight.BANDS["V"][1].value
    assert per_nm == pytest.approx(1e8, rel=0.02)


def test_photons_in_a_band_agree_with_the_older_calibration():
    # Bessell 1979 (PASP 91, 589), flux in Jy and relative width, with 1.51e7 photons / (s m2 Jy) per relative width;
    # as in Binney & Merrifield, Galactic Astronomy, table 2.1 (from memory). Widths were rounded then: 16 %.
    published = {"U": (1810, 0.15), "B": (4260, 0.22), "V": (3640, 0.16), "R": (3080, 0.23), "I": (2550, 0.19)}
    for band, (jansky, width) in published.items():
        assert starlight.photon_flux(0, band).value == pytest.approx(1.51e7 * jansky * width, rel=0.16), band


def vega_photons():
    """Photons / (s m2 nm) of Vega: CALSPEC model, as distributed with GalSim."""
    wavelength, flux = np.loadtxt(Path(galsim.meta_data.share_dir) / "SEDs" / "vega.txt", unpack=True)
    energy = (constants.h * constants.c).to_value(u.erg * u.nm) / wavelength
    return wavelength, flux / energy * 1e4


def test_photons_of_vega_through_the_v_band():
    # response: Bessell 1990 (PASP 102, 1181), table 2, from 470 nm in steps of 10 nm; V of Vega 0.03 (Bessell 1998)
    response = [
        0,
        0.030,
        0.163,
        0.458,
        0.780,
        0.967,
        1,
        0.973,
        0.898,
        0.792,
        0.684,
        0.574,
        0.461,
        0.359,
        0.270,
        0.197,
        0.135,
        0.081,
        0.045,
        0.025,
        0.017,
        0.013,
        0.009,
        0,
    ]
    fine = np.arange(470, 700.1, 0.5)
    passed = np.interp(fine, *vega_photons()) * np.interp(fine, np.arange(470, 701, 10), response)
    assert starlight.photon_flux(0.03, "V").value == pytest.approx(np.trapezoid(passed, fine), rel=0.04)


def test_photons_of_vega_through_gaia_g():
    fine = np.arange(325, 1075.1, 0.5)
    response = np.interp(fine, spectra._G_RESPONSE_NM, spectra._G_RESPONSE)
    passed = np.trapezoid(np.interp(fine, *vega_photons()) * response, fine)
    assert starlight.photon_flux(0.03, "G").value == pytest.approx(passed, rel=0.05)
    # Gaia EDR3 zero point: 25.6874 mag for one electron / s with a pupil of 0.7278 m2 and a peak response of 0.7186
    # (Riello et al. 2021, A&A 649, A3; Gaia Collaboration 2016, A&A 595, A1; from memory)
    assert starlight.photon_flux(0, "G").value == pytest.approx(10 ** (0.4 * 25.6874) / 0.7278 / 0.7186, rel=0.05)


def colour(spectral_class, blue, red):
    """Colour index of the model star, from its photons at the bands' effective wavelengths."""
    star = spectra.star_grid(spectral_class)
    zero = [starlight.photon_flux(0, band).value / starlight.BANDS[band][1].value for band in (blue, red)]
    light = [np.interp(starlight.BANDS[band][0].value, GRID, star) for band in (blue, red)]
    return -2.5 * np.log10(light[0] / zero[0] * zero[1] / light[1])


@pytest.mark.parametrize(("spectral_class", "v_i"), [("F5", 0.51), ("G2", 0.71), ("K0", 0.85), ("K5", 1.30)])
def test_a_black_body_has_nearly_the_colour_of_a_star_from_f_to_k(spectral_class, v_i):
    # V - I of dwarfs: Pecaut & Mamajek 2013 (ApJS 208, 9), online table, rounded, from memory
    assert colour(spectral_class, "V", "I") == pytest.approx(v_i, abs=0.14)


def test_a_black_body_is_too_blue_for_an_m_star():
    # M2: V - I 2.0, same source. This keeps the docstring of star_grid honest.
    lacking = 2.0 - colour("M2", "V", "I")
    assert lacking == pytest.approx(0.24, abs=0.02)
    assert 1 - 10 ** (-0.4 * lacking) == pytest.approx(1 / 5, abs=0.02)


def test_g_minus_v_of_the_model_stars():
    # Gaia EDR3 documentation, table 5.7: G - V against BP - RP (Riello et al. 2021), BP - RP of dwarfs from Pecaut &
    # Mamajek's table, both from memory
    for name, c in (("F5", 0.587), ("G2", 0.823), ("K0", 0.98), ("K5", 1.43)):
        relation = -0.02704 + 0.01424 * c - 0.2156 * c**2 + 0.01426 * c**3
        assert starlight.gaia_minus_visual(name) == pytest.approx(relation, abs=0.1), name
    relation = -0.02704 + 0.01424 * 2.2 - 0.2156 * 2.2**2 + 0.01426 * 2.2**3  # M2
    assert starlight.gaia_minus_visual("M2") == pytest.approx(relation + 0.2, abs=0.03)


@pytest.mark.parametrize(
    ("height", "published", "tolerance"),
    [
        # La Palma, 2390 m: pages of the Telescopio Nazionale Galileo; a mountain of the Caucasus, 2100 m: site survey
        (2390 * u.m, {"V": 0.15, "R": 0.11, "I": 0.07}, 0.04),
        (2100 * u.m, {"V": 0.17, "R": 0.13, "I": 0.09}, 0.04),
        # clear lowland, middle of the usual range, from memory
        (100 * u.m, {"V": 0.24, "R": 0.155, "I": 0.095}, 0.03),
    ],
)
def test_extinction(height, published, tolerance):
    for band, lost in published.items():
        wavelength = starlight.BANDS[band][0]
        assert spectra.extinction(wavelength, height=height).value == pytest.approx(lost, abs=tolerance), band


def test_rayleigh_scattering_of_clean_air():
    # Allen's Astrophysical Quantities, section on the Earth's atmosphere: optical depth of sea-level air at 550 nm
    # 0.098 to 0.1 without haze (from memory); haze adds 1.0857 * 0.05 * 0.55^-1.3
    haze = 1.0857 * 0.05 * 0.55**-1.3
    molecules = spectra.extinction(550 * u.nm).value - haze
    assert molecules / 1.0857 == pytest.approx(0.098, abs=0.003)


def test_dark_sky():
    # Patat 2003 (A&A 400, 1183): V 21.6, R 20.9, I 19.7 mag / arcsec2
    sky = spectra.sky_grid(21.6)
    for band, brightness in (("V", 21.6), ("R", 20.9), ("I", 19.7)):
        per_nm = starlight.photon_flux(brightness, band).value / starlight.BANDS[band][1].value
        assert np.interp(starlight.BANDS[band][0].value, GRID, sky) == pytest.approx(per_nm, rel=0.02)


def test_ccd_equation_worked_example():
    # Howell, Handbook of CCD Astronomy, section 4.4: 24,013 ADU at 5 electrons each, sky 620 ADU, dark 1.8, read noise
    # 5, one pixel: signal to noise 342 (from memory)
    value = starlight.signal_to_noise(24013 * 5 * E, (620 * 5 + 1.8) * E / PIX, 1, 5 * E)
    assert value == pytest.approx(342, abs=0.5)


def test_signal_to_noise_against_photutils():
    # photutils.aperture_photometry with photutils.utils.calc_total_error
    star, sky, noise = 4000.0, 6.0, 2.5
    frame = np.zeros((41, 41))
    frame[15:26, 15:26] = star / 121
    error = calc_total_error(frame, np.full(frame.shape, np.sqrt(sky + noise**2)), 1.0)
    table = aperture_photometry(frame, CircularAperture((20, 20), 9), error=error)
    ours = starlight.signal_to_noise(star * E, sky * E / PIX, np.pi * 81, noise * E)
    assert ours == pytest.approx(table["aperture_sum"][0] / table["aperture_sum_err"][0], rel=1e-6)


@pytest.mark.parametrize("tau", [1e-6, 1e-3, 0.1, 1.0, 30.0, 900.0, 2e4])
def test_maximum_likelihood_integral(tau):
    # Mortensen et al. 2010, eq. 5, integrated by QUADPACK; the logarithm as weight so that the corner at 0 does no harm
    value = 1 + integrate.quad(lambda t: np.log(t) / (1 + t / tau), 0, 1, epsabs=1e-13, epsrel=1e-11, limit=500)[0]
    sigma, electrons = 1.5, 1000.0
    background = tau * electrons / (2 * np.pi * (sigma**2 + 1 / 12))
    ours = starlight.centroid_error(
        sigma * 2.3548200450309493 * ARCSEC, electrons * E, background * E / PIX, 1 * ARCSEC / PIX, "maximum likelihood"
    ).value
    assert ours == pytest.approx(np.sqrt((sigma**2 + 1 / 12) / electrons / value), rel=1e-4)


@pytest.mark.parametrize(("electrons", "background"), [(200, 5), (1000, 20), (20000, 4), (3000, 0.1)])
def test_maximum_likelihood_against_the_cramer_rao_bound(electrons, background):
    # Winick 1986 (J. Opt. Soc. Am. A 3, 1809): Fisher information of a Gaussian spot integrated over pixels
    sigma, edges = 1.7, np.arange(-15.5, 16)
    shape = np.diff(special.ndtr(edges / sigma))
    slope = -np.diff(np.exp(-0.5 * (edges / sigma) ** 2)) / np.sqrt(2 * np.pi) / sigma
    expected = electrons * np.outer(shape, shape) + background
    bound = 1 / np.sqrt(np.sum((electrons * np.outer(shape, slope)) ** 2 / expected))
    ours = starlight.centroid_error(
        sigma * 2.3548200450309493 * ARCSEC, electrons * E, background * E / PIX, 1 * ARCSEC / PIX, "maximum likelihood"
    ).value
    assert ours == pytest.approx(bound, rel=0.02)


def star_frames(electrons, sky, frames=300, fwhm=4.0, read_noise=1.0, profile="gaussian"):
    """Frames of one star as electrons, and the variance of the background."""
    rng = np.random.default_rng(20)
    motion = rng.uniform(-0.5, 0.5, (frames, 1, 2)) * ARCSEC
    pictures = starlight.render_frames(
        [[10, 10]],
        electrons * E,
        motion,
        fwhm * ARCSEC,
        1 * ARCSEC / PIX,
        (21, 21),
        rng,
        sky=sky * E / PIX,
        read_noise=read_noise * E,
        full_well=65535 * E,
        bit_depth=16,
        offset=100,
        profile=profile,
    )
    return pictures - 100.0, motion[:, 0].value, sky + read_noise**2 + 1 / 12


@pytest.mark.parametrize(
    ("electrons", "sky"),
    [pytest.param(2000, 3.0, marks=pytest.mark.slow), (20000, 3.0), pytest.param(5000, 60.0, marks=pytest.mark.slow)],
)
@pytest.mark.long
def test_centroid_formulas_against_simulated_frames(electrons, sky):
    # fits of a Gaussian by photutils.centroids.centroid_2dg, trusting all pixels alike, and weighted by the true noise
    frames, motion, background = star_frames(electrons, sky)
    y, x = np.indices((21, 21))
    spot = np.exp(-((x - 10) ** 2 + (y - 10) ** 2) / (2 * (4 / 2.3548) ** 2))
    true_noise = np.sqrt(electrons * spot / spot.sum() + background)
    for method, error in (("unweighted fit", None), ("maximum likelihood", true_noise)):
        places = np.array([centroid_2dg(frame - sky, error=error) for frame in frames])
        measured = np.sqrt(np.mean((places - 10 - motion) ** 2))
        predicted = starlight.centroid_error(
            4 * ARCSEC, electrons * E, background * E / PIX, 1 * ARCSEC / PIX, method
        ).value
        assert measured == pytest.approx(predicted, rel=4 / np.sqrt(4 * len(frames)) + 0.03), method
    # Thompson et al. 2002 call their sum an interpolation that is up to a third too good between its limits
    thompson = starlight.centroid_error(4 * ARCSEC, electrons * E, background * E / PIX, 1 * ARCSEC / PIX).value
    assert 0.7 * measured < thompson < 1.1 * measured


GALSIM = {
    "gaussian": lambda fwhm: galsim.Gaussian(fwhm=fwhm),
    "moffat": lambda fwhm: galsim.Moffat(beta=2.5, fwhm=fwhm),
    "kolmogorov": lambda fwhm: galsim.Kolmogorov(fwhm=fwhm),
}


@pytest.mark.parametrize("profile", GALSIM)
@pytest.mark.parametrize("fwhm", [1.13, 2.0, 5.37])
def test_stars_against_galsim(profile, fwhm):
    # GalSim draws the same star, integrated over pixels; flux and second moments in the same window
    side = 2 * int(3 * fwhm + 2) + 1
    middle = side // 2
    offset = np.array([0.27, -0.41])
    light, frames = 5e4, 300
    motion = np.broadcast_to(offset, (frames, 1, 2)) * ARCSEC
    pictures = starlight.render_frames(
        [[middle, middle]],
        light * E,
        motion,
        fwhm * ARCSEC,
        1 * ARCSEC / PIX,
        (side, side),
        np.random.default_rng(7),
        full_well=65535 * E,
        bit_depth=16,
        offset=0,
        profile=profile,
    )
    ours = pictures.mean(axis=0)
    reference = galsim.Image(side, side, scale=1.0)
    GALSIM[profile](fwhm).withFlux(light).drawImage(reference, offset=offset)
    reference = reference.array.astype(float)
    assert ours.sum() == pytest.approx(reference.sum(), rel=0.01)
    y, x = np.indices(ours.shape)
    for axis in (x, y):
        centre = np.average(axis, weights=reference)
        assert np.average(axis, weights=ours) == pytest.approx(centre, abs=0.005)
        second = [np.average((axis - centre) ** 2, weights=picture) for picture in (ours, reference)]
        assert second[0] == pytest.approx(second[1], rel=0.01)
    assert ours.max() == pytest.approx(reference.max(), rel=0.01)


OTHER_RIGS = [  # central obstruction, seeing [arcsec], aperture [mm], outer scale [m]
    (0.32, 2.5, 130, 20),
    (0.5, 1.0, 130, 20),
    (0.33, 3.0, 280, 20),
    (0.0, 4.0, 30, 20),
    (0.0, 0.6, 150, 5),
    (0.6, 1.0, 200, 20),
]


@pytest.mark.parametrize(("hole", "seeing", "aperture", "outer_scale"), OTHER_RIGS)
def test_the_spot_of_a_rig_against_galsim(hole, seeing, aperture, outer_scale):
    # GalSim convolves air with an outer scale and an aperture with a hole; the bound is Winick 1986, eq. 20, summed
    # over its pixels at places in a pixel
    values = {f"{part}.central_obstruction": hole for part in ("telescope", "guide_optics")}
    values |= {f"{part}.aperture": aperture * u.mm for part in ("telescope", "guide_optics")}
    rig = changed(demo_rig(), values | {"site.seeing": seeing * ARCSEC, "site.outer_scale": outer_scale * u.m})
    view = starlight.view(rig)
    star, scale = guide_star(rig, 1, view.wavelength), view.pixel_scale.value
    nm = star.wavelength_m * 1e9
    air = galsim.VonKarman(lam=nm, r0=star.r0_m, L0=star.outer_scale_m)
    drawn = galsim.Convolve(air, galsim.Airy(lam=nm, diam=star.diameter_m, obscuration=star.obstruction))
    assert drawn.calculateFWHM() == pytest.approx(view.fwhm.value, rel=5e-3)  # it counts whole pixels of a picture
    width = float(view.fwhm.value / scale)
    side = 2 * int(9 * width) + 33
    light = drawn.drawImage(nx=side, ny=side, scale=scale).array
    spot = sampled_spot(round(width, 6), view.shape)
    assert spot.peak_share == pytest.approx(light.max(), rel=2e-3)
    pictures = [
        [drawn.drawImage(nx=side, ny=side, scale=scale, offset=(x + step, y)).array for step in (-0.02, 0, 0.02)]
        for x, y in ((0, 0), (0.3, 0.1), (0.5, 0.5), (-0.2, 0.4))
    ]
    pixels = [1 / np.sum(middle.astype(float) ** 2) for _, middle, _ in pictures]
    assert spot.noise_pixels == pytest.approx(np.mean(pixels), rel=0.02)
    electrons = 1e4
    for ratio in (1e-4, 0.1, 1, 10):
        behind = ratio * electrons / width**2
        known = [
            np.sum(
                (electrons * (after.astype(float) - before) / 0.04) ** 2 / (electrons * np.maximum(middle, 0) + behind)
            )
            for before, middle, after in pictures
        ]
        bound = np.sqrt(np.mean(1 / np.array(known)))
        assert spot.noise_error(electrons, behind) == pytest.approx(bound, rel=0.02)


@pytest.mark.parametrize("width", [1.13, 2.0, 5.37])
@pytest.mark.parametrize("diffraction", [0.0, 0.22, 0.73])
def test_a_spot_of_air_and_aperture_against_galsim(width, diffraction):
    # GalSim convolves long-exposure air (Fried 1966) and the pattern of a clear aperture, FWHM 1.0290 wavelength / D;
    # which air makes a spot of this width is found with GalSim's own width
    def spot(air):
        parts = [galsim.Kolmogorov(fwhm=air)]
        if diffraction:
            parts.append(galsim.Airy(lam_over_diam=diffraction * width / 1.029))
        return galsim.Convolve(parts)

    def excess(air):
        picture = spot(air).drawImage(nx=256, ny=256, scale=width / 24, method="no_pixel")
        return picture.FindAdaptiveMom().moments_sigma and picture.calculateFWHM() * 1.0 - width

    air = width if diffraction == 0 else optimize.brentq(excess, 0.05 * width, width, xtol=1e-3)
    picture = spot(air).drawImage(nx=121, ny=121, scale=1.0).array.astype(float)
    ours = sampled_spot(width, Shape(diffraction))
    assert ours.peak_share == pytest.approx(picture.max(), rel=0.01)


@pytest.mark.parametrize("width", [1.1, 1.5, 3.0, 8.0])
def test_the_bound_of_a_seeing_spot_against_galsim(width):
    # Winick 1986, J. Opt. Soc. Am. A 3, 1809, eq. 20, summed over GalSim's pixels at random places in a pixel
    side, step, profile = 2 * int(4 * width) + 9, 0.02, galsim.Kolmogorov(fwhm=width)
    phases = np.random.default_rng(1).uniform(-0.5, 0.5, (12, 2))

    def drawn(x, y):
        return profile.drawImage(nx=side, ny=side, scale=1, offset=(x, y)).array.astype(float)

    electrons = 1e4
    pictures = [(drawn(x, y), (drawn(x + step, y) - drawn(x - step, y)) / 2 / step) for x, y in phases]
    for ratio in (1e-4, 0.1, 1, 10):
        behind = ratio * electrons / width**2
        known = [np.sum((electrons * slope) ** 2 / (electrons * light + behind)) for light, slope in pictures]
        bound = np.sqrt(np.mean(1 / np.array(known)))
        assert sampled_spot(width).noise_error(electrons, behind) == pytest.approx(
            bound, rel=0.07 if width < 2 else 0.02
        )


def test_a_gaussian_spot_is_known_a_fifth_better_than_a_seeing_spot():
    # Winick 1986, Mortensen et al. 2010 eq. 5 for the Gaussian of the same FWHM: it has no wings, which tell little
    light = 1e4
    for ratio, least, most in ((1e-4, 1.15, 1.22), (1, 1.15, 1.35), (30, 1.15, 1.45)):
        behind = ratio * light / 16
        gauss = starlight.centroid_error(
            4 * ARCSEC, light * E, behind * E / PIX, 1 * ARCSEC / PIX, "maximum likelihood"
        )
        assert least < sampled_spot(4.0).noise_error(light, behind) / gauss.value < most
