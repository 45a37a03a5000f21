"""Pixel scale and stars on pixels against published instruments and general-purpose libraries."""

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS

from helpers.pixel_scale import (
    blurred_fwhm,
    centroid,
    centroid_limit,
    field_of_view,
    phase_error,
    pixel_scale,
    star_image,
)
from helpers.starlight.centroid_noise import centroid_error

galsim = pytest.importorskip("galsim")


@pytest.mark.parametrize(
    ("pixel_um", "focal_m", "published", "source"),
    [
        (24, 12.5, 0.396, "SDSS imaging camera: Gunn et al. 1998, AJ 116, 3040; 2.5 m at f/5 (from memory)"),
        (10, 8.0, 0.258, "Pan-STARRS1: Chambers et al. 2016, arXiv:1612.05560 (from memory)"),
        (10, 10.31, 0.200, "Rubin Observatory: Ivezic et al. 2019, ApJ 873, 111 (from memory)"),
    ],
)
def test_scale_of_published_survey_cameras(pixel_um, focal_m, published, source):
    assert pixel_scale(pixel_um * u.um, focal_m * u.m).value == pytest.approx(published, abs=0.0006), source


@pytest.mark.parametrize("focal_mm", [50, 200, 1350])
def test_field_is_that_of_a_tangent_projection(focal_mm):
    # astropy.wcs (FITS WCS paper II, Calabretta & Greisen 2002, A&A 395, 1077): gnomonic projection, scale at the axis.
    columns, rows, pixel = 6000, 4000, 3.8 * u.um
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crpix = [columns / 2 + 0.5, rows / 2 + 0.5]
    wcs.wcs.cdelt = 2 * [(pixel / (focal_mm * u.mm)).to_value(u.one) * 180 / np.pi]
    wcs.wcs.crval = [30, 0]
    middle = [columns / 2 - 0.5, rows / 2 - 0.5]
    edges = [[-0.5, middle[1]], [columns - 0.5, middle[1]], [middle[0], -0.5], [middle[0], rows - 0.5]]
    sky = SkyCoord(*np.transpose(wcs.wcs_pix2world(edges, 0)), unit="deg")
    expected = u.Quantity([sky[0].separation(sky[1]), sky[2].separation(sky[3])]).to_value(u.arcmin)
    assert field_of_view((columns, rows), pixel, focal_mm * u.mm).value == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("fwhm", [0.7, 1.5, 4.0])
def test_star_on_pixels_is_galsims(fwhm):
    # GalSim (Rowe et al. 2015, Astronomy & Computing 10, 121) draws a Gaussian convolved with the pixel by FFT.
    drawn = galsim.Gaussian(fwhm=fwhm, flux=1).shift(0.31, -0.22).drawImage(nx=31, ny=31, scale=1.0).array
    assert star_image([15.31, 14.78] * u.pix, fwhm * u.pix, (31, 31)).value == pytest.approx(drawn, abs=2e-4)


def test_centroid_is_that_of_photutils():
    # photutils.centroids.centroid_com (Bradley et al., astropy project): centre of mass of the whole image.
    photutils = pytest.importorskip("photutils.centroids")
    rng = np.random.default_rng(2)
    places = 10 + rng.uniform(-1, 1, (20, 2))
    frames = rng.poisson(star_image(places * u.pix, 3 * u.pix, (21, 21), 900 * u.electron).value).astype(float)
    expected = [photutils.centroid_com(frame) for frame in frames]
    assert centroid(frames).value == pytest.approx(np.array(expected), abs=1e-9)


@pytest.mark.parametrize("fwhm", [0.4, 0.7, 1.0, 1.5])
def test_phase_error_is_the_aliased_part_of_the_star(fwhm):
    # Alexander & Ng 1991, Optical Engineering 30, 1320: sampling at whole pixels folds the star's spectrum F at k
    # cycles per pixel into a centroid error of (-1)^k F(k) sin(2 pi k x) / (pi k), summed over k; F of a Gaussian in
    # closed form.
    sigma = fwhm / np.sqrt(8 * np.log(2))
    phase = np.linspace(-0.5, 0.5, 11)
    k = np.arange(1, 200)[:, np.newaxis]
    terms = (-1.0) ** k * np.exp(-2 * (np.pi * sigma * k) ** 2) * np.sin(2 * np.pi * k * phase) / (np.pi * k)
    assert phase_error(fwhm * u.pix, phase * u.pix).value == pytest.approx(terms.sum(axis=0), abs=1e-7)


def test_centroid_limit_is_the_published_form_without_background():
    # Thompson, Larson & Webb 2002, Biophys. J. 82, 2775, eq. 17, as the project's own module on light has it.
    arguments = 3 * u.arcsec, 1500 * u.electron
    scale = 1.1 * u.arcsec / u.pix
    other = centroid_error(*arguments, 0 * u.electron / u.pix, scale)
    assert centroid_limit(*arguments, scale).value == pytest.approx(other.value, rel=1e-12)


@pytest.mark.parametrize("motion", [0.2, 0.5, 1.0])
def test_motion_widens_a_gaussian_star_by_squares_and_a_seeing_star_a_little_more(motion):
    # GalSim: width at half maximum of the drawn profiles convolved with Gaussian motion.
    moved = galsim.Gaussian(sigma=motion)
    gaussian = galsim.Convolve(galsim.Gaussian(fwhm=2.0), moved).calculateFWHM()
    seeing = galsim.Convolve(galsim.Kolmogorov(fwhm=2.0), moved).calculateFWHM()
    ours = blurred_fwhm(2 * u.arcsec, motion * u.arcsec).value
    assert ours == pytest.approx(gaussian, rel=3e-3)  # GalSim reads its widths off a drawn image
    assert 1.0 < seeing / ours < 1.036
