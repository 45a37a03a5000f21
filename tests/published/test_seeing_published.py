"""The air against published numbers and general-purpose libraries."""

import astropy.units as u
import galsim
import numpy as np
import pytest
from scipy import integrate, special

from helpers.seeing import named_air
from helpers.seeing.air import Atmosphere, Layer, at_airmass
from helpers.seeing.instant_pictures import star_images
from helpers.seeing.named_air import ATMOSPHERES
from helpers.seeing.tilt_spectrum import phase_spectrum
from helpers.seeing.wander import image_motion, image_motion_axes
from helpers.seeing.widths import fried_parameter, seeing_fwhm, spot_fwhm


def one_layer(outer_scale=np.inf * u.m, fwhm=2 * u.arcsec, wind=10 * u.m / u.s):
    return Atmosphere(fwhm, outer_scale, [Layer(0 * u.m, 1, wind)])


# Widths


@pytest.mark.parametrize("r0_m", [0.05, 0.1, 0.2])
def test_kolmogorov_width(r0_m):
    """Second route: galsim.Kolmogorov (Rowe et al. 2015, Astronomy and Computing 10, 121)."""
    other = galsim.Kolmogorov(lam=500, r0=r0_m).fwhm
    assert seeing_fwhm(r0_m * u.m).value == pytest.approx(other, rel=1e-3)


@pytest.mark.parametrize("r0_m", [0.05, 0.1, 0.15])
@pytest.mark.parametrize("outer_scale_m", [10, 20, 50])
def test_width_with_an_outer_scale(r0_m, outer_scale_m):
    """Tokovinin's formula (2002, PASP 114, 1156, eq. 19) against the full profile of galsim.VonKarman."""
    other = galsim.VonKarman(lam=500, r0=r0_m, L0=outer_scale_m).calculateFWHM()
    ours = seeing_fwhm(r0_m * u.m, outer_scale=outer_scale_m * u.m).value
    assert ours == pytest.approx(other, rel=0.02)


def test_width_with_an_outer_scale_by_hand():
    """r0 0.05 m, L0 20 m: 2.0129 x sqrt(1 - 2.183 x 0.0025^0.356) = 1.733 arcsec, computed by hand from eq. 19."""
    assert seeing_fwhm(0.05 * u.m, outer_scale=20 * u.m).value == pytest.approx(1.733, abs=5e-4)


@pytest.mark.parametrize(("airmass", "factor"), [(2**0.5, 1.231), (2, 1.516)])
def test_airmass(airmass, factor):
    """FWHM as airmass^(3/5) (Roddier 1981, Progress in Optics 19, 281): 2^0.3 and 2^0.6."""
    assert seeing_fwhm(fried_parameter(2 * u.arcsec, airmass=airmass)).value == pytest.approx(2 * factor, rel=5e-4)
    assert at_airmass(one_layer(), airmass).fwhm.value == pytest.approx(2 * factor, rel=5e-4)


@pytest.mark.parametrize(("wavelength_nm", "factor"), [(850, 0.8993), (400, 1.0456), (2200, 0.7435)])
def test_wavelength(wavelength_nm, factor):
    """FWHM as wavelength^(-1/5) (Fried 1966, JOSA 56, 1372), factors from a pocket calculator."""
    wavelength = wavelength_nm * u.nm
    assert seeing_fwhm(fried_parameter(1 * u.arcsec, wavelength), wavelength).value == pytest.approx(factor, abs=2e-4)


@pytest.mark.parametrize("outer_scale_m", [5, 20, np.inf])
@pytest.mark.parametrize(
    ("seeing", "diameter_mm", "obstruction", "wavelength_nm"),
    [(2.5, 250, 0.32, 550), (2.5, 250, 0, 550), (1, 400, 0.32, 550), (0.5, 500, 0.45, 450), (6, 50, 0.1, 900)],
)
def test_air_aperture_and_obstruction(seeing, diameter_mm, obstruction, wavelength_nm, outer_scale_m):
    """Width of a star against galsim.VonKarman or Kolmogorov convolved with galsim.Airy."""
    r0 = fried_parameter(seeing * u.arcsec, wavelength_nm * u.nm).value
    if np.isinf(outer_scale_m):
        air = galsim.Kolmogorov(lam=wavelength_nm, r0=r0)
    else:
        air = galsim.VonKarman(lam=wavelength_nm, r0=r0, L0=outer_scale_m, do_delta=True)
    star = galsim.Convolve(air, galsim.Airy(lam=wavelength_nm, diam=diameter_mm / 1000, obscuration=obstruction))
    found = spot_fwhm(
        diameter_mm * u.mm,
        Atmosphere(seeing * u.arcsec, outer_scale_m * u.m, one_layer().layers),
        wavelength_nm * u.nm,
        obstruction=obstruction,
    )
    assert found.value == pytest.approx(star.calculateFWHM(), rel=0.004)


@pytest.mark.long
def test_pictures_of_a_star_add_up_to_the_long_exposure():
    """Mean of many pictures against galsim.VonKarman convolved with galsim.Airy, by the light inside circles."""
    rng = np.random.default_rng(6)
    air = one_layer(20 * u.m)
    times = 4 * np.arange(4) * u.s
    mean = np.mean(
        [star_images(0.2 * u.m, air, times, rng, 0.25 * u.arcsec, 64).mean(axis=0) for _ in range(300)], axis=0
    )
    r0_m = fried_parameter(air.fwhm).value
    profile = galsim.Convolve(galsim.VonKarman(lam=500, r0=r0_m, L0=20), galsim.Airy(lam=500, diam=0.2))
    other = profile.drawImage(nx=64, ny=64, scale=0.25, method="no_pixel").array
    y, x = (np.indices(mean.shape) - 31.5) * 0.25
    for radius in (1, 2, 3, 5):
        inside = np.hypot(x, y) < radius
        assert mean[inside].sum() == pytest.approx(other[inside].sum(), rel=0.04)


# Spectrum and motion


def zernike_variance(filter_of_argument):
    """Variance in units of (D/r0)^(5/3) rad^2, of the phase spectrum seen through a filter of pi f D, with D =
    r0 = 1.
    """

    logarithm = np.arange(np.log(1e-15), np.log(100), 2e-4)
    frequency = np.exp(logarithm)
    power = 2 * np.pi * frequency**2 * phase_spectrum(frequency, 1, np.inf) * filter_of_argument(np.pi * frequency)
    return integrate.trapezoid(power, logarithm)


def test_phase_variance_of_noll():
    """Noll 1976, JOSA 66, 207, table IV: the variance is 1.0299 after piston, 0.134 after both tilts."""
    without_piston = zernike_variance(lambda x: np.where(x < 1e-3, x**2 / 4, 1 - (2 * special.j1(x) / x) ** 2))
    both_tilts = zernike_variance(lambda x: 4 * (2 * special.jv(2, x) / x) ** 2)  # his eqs. 8 and 22, Z2 and Z3
    assert without_piston == pytest.approx(1.0299, rel=3e-3)
    assert without_piston - both_tilts == pytest.approx(0.134, abs=2e-3)


def test_zernike_tilt_against_gradient_tilt():
    """One-axis coefficients 0.182 (Zernike tilt) and 0.170 (gradient tilt) of (lambda/D)^2 (D/r0)^(5/3) rad^2.

    Fried 1965, JOSA 55, 1427 and 1975, Radio Science 10, 71; both in Tokovinin 2002, PASP 114, 1156, section 2.
    """
    zernike = zernike_variance(lambda x: 4 * (2 * special.jv(2, x) / x) ** 2) / 2 * (2 / np.pi) ** 2
    assert zernike == pytest.approx(0.182, rel=5e-3)
    for diameter in (0.05, 0.2, 1) * u.m:
        r0 = fried_parameter(2 * u.arcsec)
        unit = (500 * u.nm / diameter).to_value(u.one) * u.rad * (diameter / r0).to_value(u.one) ** (5 / 6)
        coefficient = (image_motion(diameter, one_layer()) / unit).to_value(u.one) ** 2
        assert coefficient == pytest.approx(0.170, rel=5e-3)


def test_wander_is_the_same_at_every_wavelength():
    """(lambda/D)^2 (D/r0)^(5/3) with r0 as lambda^(6/5) has no lambda left (Fried 1965)."""
    values = []
    for wavelength in (400, 850, 2200) * u.nm:
        r0 = fried_parameter(2 * u.arcsec, wavelength)
        values.append((wavelength / (0.2 * u.m)).to_value(u.one) * (0.2 * u.m / r0).to_value(u.one) ** (5 / 6))
    assert np.ptp(values) < 1e-9 * values[0]


@pytest.mark.parametrize(
    ("diameter_m", "kolmogorov", "outer_20_m"),
    [(0.05, 0.845, 0.753), (0.10, 0.753, 0.648), (0.20, 0.671, 0.550), (0.25, 0.647, 0.520), (0.50, 0.576, 0.430)],
)
def test_motion_of_a_star(diameter_m, kolmogorov, outer_20_m):
    """Seeing 2 arcsec, gradient tilt: integral and closed form, computed outside the project."""
    assert image_motion(diameter_m * u.m, one_layer()).value == pytest.approx(kolmogorov, abs=1e-3)
    assert image_motion(diameter_m * u.m, one_layer(20 * u.m)).value == pytest.approx(outer_20_m, abs=1e-3)


@pytest.mark.parametrize(
    ("ratio", "reduction"), [(0.005, 0.739), (0.01, 0.672), (0.02, 0.588), (0.05, 0.446), (0.1, 0.319)]
)
def test_reduction_by_the_outer_scale(ratio, reduction):
    """Variance against Kolmogorov, computed outside the project; leading term 1 - 1.525 (D/L0)^(1/3)."""
    variances = [image_motion(0.2 * u.m, one_layer(scale)).value ** 2 for scale in (0.2 / ratio * u.m, np.inf * u.m)]
    assert variances[0] / variances[1] == pytest.approx(reduction, abs=2e-3)
    tiny = image_motion(0.2 * u.m, one_layer(0.2e6 * u.m)).value ** 2 / variances[1]
    assert tiny == pytest.approx(1 - 1.525 * 1e-2, abs=1e-3)


@pytest.mark.parametrize(
    ("exposure_s", "along", "across", "mean"),
    [
        (0, 0.553, 0.553, 0.553),
        (0.1, 0.350, 0.444, 0.400),
        (0.5, 0.163, 0.290, 0.236),
        (1, 0.096, 0.224, 0.172),
        (2, 0.050, 0.166, 0.122),
        (4, 0.0251, 0.120, 0.0865),
    ],
)
def test_exposure_averaging(exposure_s, along, across, mean):
    """D 0.2 m, r0 0.05 m, L0 20 m, 10 m/s: spectral integral and triangle-weighted covariance, outside the project.

    Method: Martin 1987, PASP 99, 1360; Conan, Rousset & Madec 1995, JOSA A 12, 1559.
    """
    air = one_layer(20 * u.m, seeing_fwhm(0.05 * u.m))
    found = image_motion_axes(0.2 * u.m, air, exposure_s * u.s).value
    assert found == pytest.approx([along, across], rel=0.01, abs=1e-3)
    assert image_motion(0.2 * u.m, air, exposure_s * u.s).value == pytest.approx(mean, rel=0.01)


# Named atmospheres


def test_hufnagel_valley_5_7():
    """The model's name: r0 5 cm and isoplanatic angle 7 microradian at 500 nm (Andrews & Phillips, Laser Beam
    Propagation through Random Media, section 12.2), by r0 = (0.423 k^2 Int Cn2 dh)^(-3/5) and
    theta0 = (2.914 k^2 Int Cn2 h^(5/3) dh)^(-3/5) (Fried 1966; Fried 1982, JOSA 72, 52)."""
    height = np.linspace(0, 30e3, 30001)
    strength = named_air._hufnagel_valley(height)
    wavenumber = 2 * np.pi / 500e-9
    r0 = (0.423 * wavenumber**2 * integrate.simpson(strength, x=height)) ** -0.6
    theta0 = (2.914 * wavenumber**2 * integrate.simpson(strength * height ** (5 / 3), x=height)) ** -0.6
    assert r0 == pytest.approx(0.05, rel=0.02)
    assert theta0 == pytest.approx(7e-6, rel=0.02)
    layers = ATMOSPHERES["Hufnagel-Valley"].layers
    assert fried_parameter(ATMOSPHERES["Hufnagel-Valley"].fwhm).value == pytest.approx(0.05)
    moment = sum(layer.fraction * layer.height.value ** (5 / 3) for layer in layers)
    total = integrate.simpson(strength, x=height)
    assert moment == pytest.approx(integrate.simpson(strength * height ** (5 / 3), x=height) / total, rel=0.02)


def test_bufton_wind():
    """Bufton 1973, Applied Optics 12, 1785: 30 m/s above the ground wind at 9.4 km; at 9.4 -+ 4.8 km 30/e of it."""
    assert named_air._bufton_wind(9400) == pytest.approx(35)
    assert named_air._bufton_wind(np.array([4600, 14200])) == pytest.approx(5 + 30 / np.e)


def test_high_mountain_profile():
    """Keck Adaptive Optics Note 303 as carried by hcipy 0.7 (make_keck_atmospheric_layers): r0 0.2 m, L0 20 m."""
    air = ATMOSPHERES["high mountain"]
    assert fried_parameter(air.fwhm).value == pytest.approx(0.2)
    assert [layer.height.value for layer in air.layers] == [0, 2100, 4100, 6500, 9000, 12000, 14800]
    assert [layer.wind_speed.value for layer in air.layers] == [6.7, 13.9, 20.8, 29, 29, 29, 29]
    assert [layer.fraction for layer in air.layers] == pytest.approx([0.369, 0.219, 0.127, 0.101, 0.046, 0.111, 0.027])
