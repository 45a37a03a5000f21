"""The band of good settings: found on invented maps whose band is known, and on a simulated night."""

import astropy.units as u
import numpy as np
import pytest

from helpers.correction_loop.band import band_of
from helpers.correction_loop.settings import SettingsMap

EXPOSURES = [0.5, 1, 2, 4] * u.s
GAINS = np.geomspace(0.05, 1, 12)


def invented(best_gain, runs=4, scatter=1e-4):
    """A map whose star grows with the square of the logarithm of gain over `best_gain` at each exposure."""
    off = np.log(GAINS / np.asarray(best_gain)[:, None])
    width = 2 * (1 + 0.05 * off**2)
    rng = np.random.default_rng(1)
    fwhm = (width + scatter * rng.standard_normal((runs, 1, 1))) * u.arcsec
    return SettingsMap(EXPOSURES, GAINS, fwhm, 0.2 * fwhm, 0.1 * fwhm)


def test_the_band_is_where_the_star_is_within_three_per_cent():
    found = band_of(invented([0.1, 0.2, 0.4, 0.8]), 1 * u.s)
    reach = np.exp(np.sqrt(0.03 / 0.05))  # from 0.05 off^2 = 0.03
    step = GAINS[1] / GAINS[0]
    for best, low, high in zip([0.1, 0.2, 0.4, 0.8], found.low, found.high, strict=True):
        assert max(best / reach, GAINS[0]) / step < low < max(best / reach, GAINS[0]) * step
        assert min(best * reach, GAINS[-1]) / step < high < min(best * reach, GAINS[-1]) * step


def test_the_setting_is_the_middle_and_keeps_the_exposure_in_use_where_that_is_as_free():
    found = band_of(invented([0.2, 0.2, 0.2, 0.2]), 2 * u.s)
    assert found.exposure == 2 * u.s
    low, high = found.at_setting
    assert found.gain == pytest.approx(np.sqrt(low * high))
    assert low < found.gain < high


def test_an_exposure_without_good_gains_has_none_and_is_not_chosen():
    star = np.tile(2 * (1 + 0.05 * np.log(GAINS / 0.2) ** 2), (4, 4, 1))
    star[:, 3] = 3
    found = band_of(SettingsMap(EXPOSURES, GAINS, star * u.arcsec, star * u.arcsec, star * u.arcsec), 4 * u.s)
    assert found.exposure < 4 * u.s
    assert found.gains_at(4 * u.s) is None
    assert found.gains_at(20 * u.s) is None
    assert found.gains_at(1.5 * u.s) == pytest.approx((found.low[1], found.high[1]))


def test_wrong_arguments_are_named():
    with pytest.raises(TypeError, match="found"):
        band_of(3)
    with pytest.raises(u.UnitsError, match="exposure"):
        band_of(invented([0.1] * 4), 1 * u.m)
    with pytest.raises(ValueError, match="within"):
        band_of(invented([0.1] * 4), within=0)
