"""Pictures of a star through moving air: width, wander and light agree with the integrals of `seeing`."""

import astropy.units as u
import numpy as np
import pytest
from drawing import check_any_call, generators, numbers, quantities
from hypothesis import strategies as st

from helpers.seeing.air import Atmosphere, Layer
from helpers.seeing.instant_pictures import star_images
from helpers.seeing.named_air import ATMOSPHERES
from helpers.seeing.wander import image_motion
from helpers.seeing.widths import spot_fwhm


def one_layer(outer_scale=20 * u.m, fwhm=2 * u.arcsec, wind=10 * u.m / u.s):
    return Atmosphere(fwhm, outer_scale, [Layer(0 * u.m, 1, wind)])


def width_of(picture):
    """Full width at half maximum, in pixels, of the azimuthal mean about the centre of light."""
    y, x = np.indices(picture.shape)
    radius = np.hypot(y - np.sum(y * picture) / picture.sum(), x - np.sum(x * picture) / picture.sum())
    ring = radius.astype(int)
    counts = np.bincount(ring.ravel())
    mean = np.bincount(ring.ravel(), picture.ravel()) / counts
    where = np.bincount(ring.ravel(), radius.ravel()) / counts
    top = np.polyval(np.polyfit(where[:4] ** 2, mean[:4], 2), 0)
    return 2 * np.interp(-top / 2, -mean[: len(mean) // 2], where[: len(mean) // 2])


def pictures(runs):
    rng = np.random.default_rng(2)
    times = 3 * np.arange(4) * u.s  # 30 m of air between them: independent
    return np.concatenate([star_images(0.2 * u.m, one_layer(), times, rng, 0.2 * u.arcsec, 80) for _ in range(runs)])


@pytest.fixture(scope="module")
def many_pictures():
    return pictures(500)


@pytest.mark.long
def test_the_mean_of_many_pictures_has_the_width_of_a_long_exposure(many_pictures):
    width = width_of(many_pictures.mean(axis=0)) * 0.2
    assert width == pytest.approx(spot_fwhm(0.2 * u.m, one_layer()).value, rel=0.04)


@pytest.mark.long
def test_the_centre_of_light_wanders_as_much_as_image_motion_says(many_pictures):
    angle = 0.2 * np.arange(80)
    light = many_pictures.sum(axis=(1, 2))
    x = many_pictures.sum(axis=1) @ angle / light
    y = many_pictures.sum(axis=2) @ angle / light
    rms = np.sqrt((x.var() + y.var()) / 2)
    assert rms == pytest.approx(image_motion(0.2 * u.m, one_layer()).value, rel=0.06)


def test_light_is_conserved():
    assert pictures(40).sum(axis=(1, 2)).mean() == pytest.approx(1, abs=0.03)
    calm = star_images(
        0.2 * u.m, one_layer(fwhm=0.02 * u.arcsec), [0] * u.s, np.random.default_rng(1), 0.05 * u.arcsec, 200
    )
    assert calm.sum() == pytest.approx(0.95, abs=0.04)  # the rest lies in rings of the Airy pattern beyond the picture


def test_without_air_the_star_is_the_airy_pattern():
    calm = star_images(
        0.2 * u.m, one_layer(fwhm=0.02 * u.arcsec), [0] * u.s, np.random.default_rng(1), 0.05 * u.arcsec, 64
    )
    assert width_of(calm[0]) * 0.05 == pytest.approx(1.029 * 500e-9 / 0.2 * 206264.8, rel=0.03)


def test_the_picture_moves_with_the_wind_and_repeats_with_the_seed():
    def draw(times, air):
        return star_images(0.2 * u.m, air, times * u.s, np.random.default_rng(5))

    air = ATMOSPHERES["valley night"]
    first, second = draw(np.array([0, 1e-4]), air), draw(np.array([0, 1.0]), air)
    assert np.array_equal(first[0], second[0])
    assert np.abs(first[1] - first[0]).sum() < 0.1 < np.abs(second[1] - second[0]).sum()
    still = draw(np.array([0, 50]), one_layer(wind=0 * u.m / u.s))
    assert np.array_equal(still[0], still[1])


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ({"diameter": 0 * u.m}, "diameter"),
        ({"diameter": 30 * u.m}, "diameter"),
        ({"atmosphere": None}, "atmosphere"),
        ({"times": 3 * u.s}, "times"),
        ({"times": [np.nan] * u.s}, "times"),
        ({"rng": 5}, "rng"),
        ({"pixel_scale": 0 * u.arcsec}, "pixel_scale"),
        ({"pixels": 1.5}, "pixels"),
        ({"wavelength": 1 * u.s}, "wavelength"),
        ({"central_obstruction": 1}, "central_obstruction"),
    ],
)
def test_wrong_values_are_named(values, name):
    good = {"diameter": 0.1 * u.m, "atmosphere": one_layer(), "times": [0] * u.s, "rng": np.random.default_rng(0)}
    with pytest.raises((ValueError, TypeError, u.UnitsError), match=name):
        star_images(**good | values)


def check_pictures(pictures):
    # pixels coarser than the speckles of a large aperture sample the light rather than collect it: the sum scatters
    # about 1
    assert np.all(np.isfinite(pictures)) and np.all(pictures >= 0) and np.all(pictures.sum(axis=(1, 2)) <= 1.2)


def test_any_call():
    scales = st.one_of(numbers(1, 1e4), st.just(np.inf))
    airs = st.builds(lambda outer_scale, fwhm: one_layer(outer_scale * u.m, fwhm * u.arcsec), scales, numbers(0.5, 5))
    check_any_call(
        lambda **arguments: star_images(pixels=16, pixel_scale=0.2 * u.arcsec, **arguments),
        {
            "diameter": quantities(u.m, 0.02, 0.4),
            "atmosphere": airs,
            "times": st.just([0, 1] * u.s),
            "rng": generators(),
            "wavelength": quantities(u.nm, 450, 1500),
            "central_obstruction": numbers(0, 0.8),
        },
        examples=20,
        spoiled={"diameter": [0 * u.m, 1e6 * u.m], "central_obstruction": [1]},
        check=check_pictures,
    )
