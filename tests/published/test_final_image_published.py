"""The final image against images drawn by GalSim."""

import astropy.units as u
import numpy as np
import pytest

from helpers.correction_loop.picture import add_motion, final_image

galsim = pytest.importorskip("galsim")


def width_along_axes(profile, scale=0.02, size=701):
    """FWHM along x and y of a drawn image, by linear interpolation at half the peak."""
    image = profile.drawImage(nx=size, ny=size, scale=scale, method="no_pixel").array
    widths = []
    for cut in (image[size // 2], image[:, size // 2]):
        half = cut[size // 2] / 2
        beyond = np.flatnonzero(cut[size // 2 :] < half)[0] + size // 2
        edge = beyond - (half - cut[beyond]) / (cut[beyond - 1] - cut[beyond])
        widths.append(2 * (edge - size // 2) * scale)
    return widths


@pytest.mark.parametrize("rms", [0.1, 0.3, 0.495, 1.0, 3.0])
def test_a_moved_seeing_star_is_the_drawn_one(rms):
    # GalSim: Kolmogorov star of 2 arcsec convolved with round Gaussian motion.
    drawn = galsim.Convolve(galsim.Kolmogorov(fwhm=2.0), galsim.Gaussian(sigma=rms)).calculateFWHM()
    assert add_motion(2 * u.arcsec, rms**2 * u.arcsec**2).value == pytest.approx(drawn, rel=0.004)


@pytest.mark.parametrize("rms", [0.1, 0.3, 0.5, 1.0, 3.0])
def test_a_star_of_a_finite_outer_scale(rms):
    # GalSim: von Karman star (r0 0.0503 m, outer scale 20 m); its shape differs a little from the one we weigh with.
    star = galsim.VonKarman(lam=500, r0=0.0503, L0=20)
    drawn = galsim.Convolve(star, galsim.Gaussian(sigma=rms)).calculateFWHM()
    assert add_motion(star.calculateFWHM() * u.arcsec, rms**2 * u.arcsec**2).value == pytest.approx(drawn, rel=0.012)


@pytest.mark.parametrize(("x", "y"), [(0.3, 0.3), (0.5, 0.5), (0.8, 0.2), (0.02, 0.5)])
def test_a_star_moved_more_along_one_axis(x, y):
    # GalSim: Kolmogorov star of 2 arcsec convolved with elliptical Gaussian motion, drawn and measured along the axes.
    motion = galsim.Gaussian(sigma=1.0).transform(x, 0, 0, y)
    drawn = width_along_axes(galsim.Convolve(galsim.Kolmogorov(fwhm=2.0), motion))
    pointing = np.array([[x, y], [x, -y], [-x, y], [-x, -y]]) * u.arcsec
    found = final_image(pointing, 2 * u.arcsec)
    assert found.fwhm.value == pytest.approx(drawn, rel=0.02)
    assert found.elongation == pytest.approx(max(drawn) / min(drawn), rel=0.03)


def test_adding_squares_promises_too_small_a_star():
    # GalSim again: sqrt(2^2 + 8 ln 2 x 0.495^2) = 2.315, drawn 2.367.
    drawn = galsim.Convolve(galsim.Kolmogorov(fwhm=2.0), galsim.Gaussian(sigma=0.495)).calculateFWHM()
    assert 1.02 < drawn / np.sqrt(4 + 8 * np.log(2) * 0.495**2) < 1.03
