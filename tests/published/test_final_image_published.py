"""The final image against images drawn by GalSim."""

import astropy.units as u
import numpy as np
import pytest
from scipy import signal

from helpers.correction_loop.picture import add_motion, final_image
from helpers.shared import optics

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


TIME = np.linspace(0, 1, 1800)
STILL = 0 * TIME
MOTIONS = {
    "drift": np.column_stack([3 * TIME, STILL]),
    "long drift": np.column_stack([6 * TIME, STILL]),
    "sine": np.column_stack([2 * np.sin(40 * TIME), STILL]),
    "two places": np.column_stack([3 * (TIME > 0.5), STILL]),
    "jump": np.column_stack([3 * (TIME > 0.9), STILL]),
    "far jump": np.column_stack([8 * (TIME > 0.95), STILL]),
    "slanted drift": np.column_stack([3 * TIME, 3 * TIME]),
    "noise": np.random.default_rng(3).normal(0, [0.6, 0.3], (1800, 2)),
    "slanted noise": np.random.default_rng(5).normal(0, [0.8, 0.2], (1800, 2)) @ [[0.8, 0.6], [-0.6, 0.8]],
    "drift and worm": np.column_stack([4 * TIME + np.sin(30 * TIME), 2 * np.sin(9 * TIME)]),
}
STARS = {  # seeing at 500 nm [arcsec], aperture [m], outer scale [m], obstruction
    "reflector": (2.5, 0.25, 20, 0.32),
    "short outer scale": (1.0, 0.25, 5, 0.32),
    "small lens": (1.0, 0.06, np.inf, 0.0),
}
ARCSEC = np.pi / 180 / 3600
SLOWER = [pytest.param(name, marks=pytest.mark.slow) for name in STARS if name != "reflector"]


def star_of(name):
    """A star as `LongExposure` and as GalSim draws it."""
    seeing, diameter, outer_scale, obstruction = STARS[name]
    r0 = optics.fried_parameter_m(seeing * ARCSEC, 550e-9)
    air = galsim.VonKarman(lam=550, r0=r0, L0=outer_scale, do_delta=True)
    if np.isinf(outer_scale):
        air = galsim.Kolmogorov(lam=550, r0=r0)
    drawn = galsim.Convolve(air, galsim.Airy(lam=550, diam=diameter, obscuration=obstruction))
    return optics.LongExposure(r0, outer_scale, diameter, 550e-9, obstruction), drawn


def cut_widths(star, places, scale=0.05):
    """FWHM along x and y through the peak of a drawn star convolved with a histogram of its places."""
    size = int((np.ptp(places, axis=0).max() + 25) / scale) // 2 * 2 + 1
    column, row = np.rint((places - places.mean(axis=0)) / scale).astype(int).T + size // 2
    histogram = np.zeros((size, size))
    np.add.at(histogram, (row, column), 1 / len(places))
    still = star.drawImage(nx=size, ny=size, scale=scale, method="no_pixel").array
    image = signal.fftconvolve(histogram, still, mode="same")
    y, x = np.unravel_index(image.argmax(), image.shape)
    widths = []
    for cut in (image[y], image[:, x]):
        half, (first, *_, last) = cut.max() / 2, np.flatnonzero(cut >= cut.max() / 2)
        right = last + (cut[last] - half) / (cut[last] - cut[last + 1])
        left = first - (cut[first] - half) / (cut[first] - cut[first - 1])
        widths.append((right - left) * scale)
    return widths


@pytest.mark.parametrize("star_name", ["reflector", *SLOWER])
@pytest.mark.parametrize("motion_name", MOTIONS)
@pytest.mark.long
def test_any_shape_of_motion(star_name, motion_name):
    """A GalSim star (air and obstructed aperture) convolved with a histogram of the motion."""
    shape, drawn = star_of(star_name)
    fwhm = shape.fwhm_rad / ARCSEC
    found = final_image(MOTIONS[motion_name] * u.arcsec, fwhm * u.arcsec, shape=shape)
    assert found.fwhm.value == pytest.approx(cut_widths(drawn, MOTIONS[motion_name]), rel=0.006)


def test_motion_that_copies_the_air():
    """The star of perfect guiding holds the air's wander; drawn from the rest of it and all motion together.

    The mount takes half of the air's wander away and drifts. GalSim: Kolmogorov star without wander, 1.9 arcsec; with
    it as Gaussian motion it is the star of perfect guiding.
    """
    rng = np.random.default_rng(8)
    air = rng.normal(0, 0.35, (20000, 2))
    pointing = -0.5 * air + np.column_stack([np.linspace(0, 2, 20000), np.zeros(20000)])
    rest = galsim.Kolmogorov(fwhm=1.9)
    guided = galsim.Convolve(rest, galsim.Gaussian(sigma=0.35)).calculateFWHM()
    found = final_image(pointing * u.arcsec, guided * u.arcsec, air=air * u.arcsec)
    assert found.fwhm.value == pytest.approx(cut_widths(rest, pointing + air), rel=0.015)


@pytest.mark.parametrize("rms", [0.1, 0.3, 0.495, 1.0, 3.0])
def test_a_moved_seeing_star_is_the_drawn_one(rms):
    # GalSim: Kolmogorov star of 2 arcsec convolved with round Gaussian motion.
    drawn = galsim.Convolve(galsim.Kolmogorov(fwhm=2.0), galsim.Gaussian(sigma=rms)).calculateFWHM()
    assert add_motion(2 * u.arcsec, [rms**2] * 2 * u.arcsec**2).value == pytest.approx([drawn] * 2, rel=0.004)


@pytest.mark.parametrize("star_name", STARS)
@pytest.mark.parametrize("rms", [0.1, 0.3, 1.0, 3.0])
def test_a_star_of_air_and_aperture_moved(star_name, rms):
    shape, star = star_of(star_name)
    drawn = galsim.Convolve(star, galsim.Gaussian(sigma=rms)).calculateFWHM()
    found = add_motion(shape.fwhm_rad / ARCSEC * u.arcsec, [rms**2] * 2 * u.arcsec**2, shape)
    assert found.value == pytest.approx([drawn] * 2, rel=0.004)


@pytest.mark.parametrize(("x", "y"), [(0.3, 0.3), (0.5, 0.5), (0.8, 0.2), (0.02, 0.5)])
def test_a_star_moved_more_along_one_axis(x, y):
    # GalSim: Kolmogorov star of 2 arcsec convolved with elliptical Gaussian motion, drawn and measured along the axes.
    motion = galsim.Gaussian(sigma=1.0).transform(x, 0, 0, y)
    drawn = width_along_axes(galsim.Convolve(galsim.Kolmogorov(fwhm=2.0), motion))
    found = add_motion(2 * u.arcsec, [x**2, y**2] * u.arcsec**2)
    assert found.value == pytest.approx(drawn, rel=0.003)


def test_adding_squares_promises_too_small_a_star():
    # GalSim again: sqrt(2^2 + 8 ln 2 x 0.495^2) = 2.315, drawn 2.367.
    drawn = galsim.Convolve(galsim.Kolmogorov(fwhm=2.0), galsim.Gaussian(sigma=0.495)).calculateFWHM()
    assert 1.02 < drawn / np.sqrt(4 + 8 * np.log(2) * 0.495**2) < 1.03
