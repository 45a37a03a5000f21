"""The gain of the near infrared against profiles drawn by GalSim and published scalings."""

import astropy.units as u
import numpy as np
import pytest

from helpers import seeing
from helpers.near_infrared.gains import guide_star, picture_drift, wavelength_gain
from helpers.rig import demo_rig
from helpers.rig.values import changed

galsim = pytest.importorskip("galsim")
erfa = pytest.importorskip("erfa")
LAYERS = seeing.ATMOSPHERES["valley night"].layers


def air(fried_parameter, outer_scale):
    """Atmosphere of a Fried parameter in m at 500 nm."""
    fwhm = (0.97586 * 500e-9 / fried_parameter * u.rad).to(u.arcsec)
    return seeing.Atmosphere(fwhm, outer_scale * u.m, LAYERS)


def drawn(wavelength, fried_parameter, outer_scale, diameter=None):
    """Width in arcsec of a long exposure of GalSim's, alone or behind a clear aperture."""
    r0 = fried_parameter * (wavelength / 500) ** 1.2
    if np.isinf(outer_scale):
        star = galsim.Kolmogorov(lam=wavelength, r0=r0)
    else:
        star = galsim.VonKarman(lam=wavelength, r0=r0, L0=outer_scale)
    if diameter is not None:
        star = galsim.Convolve(star, galsim.Airy(lam=wavelength, diam=diameter))
    return star.calculateFWHM()


@pytest.mark.parametrize(("fried_parameter", "outer_scale"), [(0.05, np.inf), (0.05, 20), (0.1, 20), (0.05, 50)])
def test_seeing_gain_is_that_of_drawn_stars(fried_parameter, outer_scale):
    # GalSim's Kolmogorov and VonKarman profiles (exact structure functions).
    expected = drawn(850, fried_parameter, outer_scale) / drawn(550, fried_parameter, outer_scale)
    gain = wavelength_gain("fwhm", 550 * u.nm, 850 * u.nm, 0.2 * u.m, air(fried_parameter, outer_scale))
    assert gain == pytest.approx(expected, rel=0.004)


def test_seeing_gain_of_kolmogorov_air():
    # Fried 1966, JOSA 56, 1372; Roddier 1981, Progress in Optics 19, 281: FWHM ~ wavelength^(-1/5).
    gain = wavelength_gain("fwhm", 550 * u.nm, 850 * u.nm, 0.2 * u.m, air(0.05, np.inf))
    assert gain == pytest.approx(0.917, abs=5e-4)


@pytest.mark.parametrize("diameter", [0.05, 0.1, 0.2, 0.4])
@pytest.mark.parametrize(("fried_parameter", "outer_scale"), [(0.05, 20), (0.1, 20), (0.1, np.inf)])
def test_spot_gain_is_that_of_drawn_stars(diameter, fried_parameter, outer_scale):
    # GalSim: the same profiles convolved with its Airy pattern.
    old, new = (drawn(wavelength, fried_parameter, outer_scale, diameter) for wavelength in (550, 850))
    gain = wavelength_gain("spot", 550 * u.nm, 850 * u.nm, diameter * u.m, air(fried_parameter, outer_scale))
    assert gain == pytest.approx(new / old, rel=0.03)


def spot_centres(screens, wavelength, diameter, step):
    """Centres in arcsec of the instant images of a circular aperture behind phase screens [rad], along one axis."""
    n, padded = screens.shape[-1], 4 * screens.shape[-1]
    place = (np.arange(n) - (n - 1) / 2) * step
    aperture = np.hypot(*np.meshgrid(place, place)) <= diameter / 2
    waves = np.fft.fft2(aperture * np.exp(1j * screens), s=(padded, padded))
    images = np.abs(np.fft.fftshift(waves, axes=(-2, -1))) ** 2
    angle = np.fft.fftshift(np.fft.fftfreq(padded, step)) * wavelength * 206264.806
    return images.sum(axis=-2) @ angle / images.sum(axis=(-2, -1))


def test_wander_of_drawn_images_is_alike_in_both_colours():
    # AOtools (Townson et al. 2019, Optics Express 27, 31316): von Karman phase screens of each colour's own Fried
    # parameter, through a 60 mm aperture to instant images; the widths of these images differ by the diffraction.
    screen = pytest.importorskip("aotools.turbulence.phasescreen").ft_sh_phase_screen
    diameter, n, centres = 0.06, 32, []
    for wavelength in (550e-9, 850e-9):
        r0 = 0.07 * (wavelength / 500e-9) ** 1.2
        screens = np.array([screen(r0, n, diameter / n, 20, 1e-3, seed=seed) for seed in range(60)])
        centres.append(spot_centres(screens, wavelength, diameter, diameter / n))
    gain = wavelength_gain("image_motion", 550 * u.nm, 850 * u.nm, diameter * u.m, air(0.07, 20))
    assert gain == pytest.approx(np.std(centres[1]) / np.std(centres[0]), rel=0.03)


def test_drift_is_that_of_erfas_refraction():
    # ERFA (IAU SOFA) refco for the refraction in both colours and hd2ae, hd2pa for the direction of the zenith.
    rig = changed(demo_rig("club"), {"guide_optics.filter": "long-pass", "site.height": 0 * u.m})
    hour_angle, declination, latitude = np.linspace(-60, 60, 9), np.radians(20), rig.site.latitude.to_value(u.rad)
    angles = np.radians(hour_angle)
    tangent = 1 / np.tan(erfa.hd2ae(angles, declination, latitude)[1])
    direction = erfa.hd2pa(angles, declination, latitude)
    bent = []
    for wavelength in (450, guide_star(rig, airmass=1.5).wavelength.value):
        a, b = erfa.refco(1013.25, 15, 0, wavelength / 1000)
        bent.append((a * tangent + b * tangent**3) * 206264.806)
    shift = (bent[0] - bent[1]) * np.array([np.sin(direction), np.cos(direction)])
    ours = picture_drift(rig, 450 * u.nm, hour_angle * u.deg, 20 * u.deg)
    # The guide band is broad, and its middle shifts by some nanometres with altitude.
    assert ours.value == pytest.approx((shift - shift[:, :1]).T, abs=0.03)
