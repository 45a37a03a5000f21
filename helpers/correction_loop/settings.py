"""Which exposure and which gain give the smallest star in the final image: a map over both, and its plateau."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.correction_loop import loop as correction_loop
from helpers.correction_loop import picture as final_image
from helpers.shared.checks import as_number, as_quantity


@dataclass(frozen=True)
class SettingsMap:
    """Guiding simulated for each exposure and gain, several times over.

    Attributes
    ----------
    exposures : Quantity [s], shape (E,)
    gains : array, shape (G,)
    fwhm : Quantity [arcsec], shape (R, E, G)
        Mean FWHM of the final image (root mean square of the two axes), for each of R runs with their own air and noise.
    logged_rms, pointing_rms : Quantity [arcsec], shape (R, E, G)
        Total (two-axis) rms of the log and of the mount's true pointing, each about its mean.
    """

    exposures: u.Quantity
    gains: np.ndarray
    fwhm: u.Quantity
    logged_rms: u.Quantity
    pointing_rms: u.Quantity

    @property
    def mean(self):
        """FWHM over the runs; Quantity [arcsec], shape (E, G)."""
        return self.fwhm.mean(axis=0)

    @property
    def uncertainty(self):
        """Standard error of `mean` from the scatter of the runs; Quantity [arcsec], shape (E, G)."""
        return self.fwhm.std(axis=0, ddof=1) / np.sqrt(len(self.fwhm))

    @property
    def best(self):
        """Index (exposure, gain) of the smallest mean FWHM."""
        return tuple(int(i) for i in np.unravel_index(np.argmin(self.mean), self.mean.shape))

    @property
    def lowest_log(self):
        """Index (exposure, gain) of the smallest logged rms, which need not be the best picture."""
        logged = self.logged_rms.mean(axis=0)
        return tuple(int(i) for i in np.unravel_index(np.argmin(logged), logged.shape))

    @property
    def misleading(self):
        """Index (exposure, gain) of the widest star among all settings whose log is no worse than that of the best picture."""
        logged = self.logged_rms.mean(axis=0)
        tempting = np.where(logged <= logged[self.best], self.mean.value, 0)
        return tuple(int(i) for i in np.unravel_index(np.argmax(tempting), tempting.shape))

    def plateau(self, within=0.03):
        """Settings whose FWHM is within a share of the best, also after allowing for two standard errors.

        The runs are compared pair by pair (same air, same mount), so that a night's luck falls out.

        Parameters
        ----------
        within : float
            Above 0; 0.03 is 3 per cent.

        Returns
        -------
        bool array, shape (E, G)
        """
        within = as_number("within", within, above=0)
        ratio = (self.fwhm / self.fwhm[(slice(None), *self.best)][:, None, None]).value
        error = ratio.std(axis=0, ddof=1) / np.sqrt(len(ratio))
        return ratio.mean(axis=0) + 2 * error <= 1 + within


def _runs(name, value, runs=None, rows=None):
    value = as_quantity(name, value, u.arcsec, ndim=3)
    if value.shape[2] != 2 or (runs and value.shape[0] not in (1, runs)) or (rows and value.shape[1] != rows):
        expected = f"({runs}, {rows}, 2)" if runs else "(runs, n, 2)"
        raise ValueError(f"{name}: expected shape {expected}, found {value.shape}")
    return np.moveaxis(value.value, 0, 1)[:, None]  # (n, 1 for the gains, runs, 2)


def settings_map(
    disturbance,
    air,
    centroid_errors,
    step,
    exposures,
    gains,
    star_fwhm,
    rng,
    *,
    target_air=None,
    unseen=None,
    picture_exposure=180 * u.s,
    delay=0,
    dead_band=0 * u.arcsec,
    backlash=0 * u.arcsec,
    shake=0 * u.arcsec,
):
    """Guide with every exposure and every gain through the same nights.

    Parameters
    ----------
    disturbance : Quantity [angle], shape (1 or R, n, 2)
        Mount without guiding, means over steps (`mount_motion.mount_motion`, gusts added as wished).
    air : Quantity [angle], shape (R, n, 2)
        Motion of the measured position (the mean of the guide stars) by the air, for R runs; means over steps.
    centroid_errors : Quantity [angle], shape (E,)
        One-axis rms of the measured position at each exposure.
    step : Quantity [time]
    exposures : Quantity [time], shape (E,)
        Whole multiples of `step`: an exposure's mean is the mean of its steps.
    gains : array, shape (G,)
    star_fwhm : Quantity [angle]
        Star in the main camera with perfect guiding.
    rng : numpy.random.Generator
        For the centroid noise.
    target_air : Quantity [angle], shape (R, n, 2), optional
        Motion of the target by the air; see `final_image`.
    unseen : Quantity [angle], shape (n, 2), optional
        Motion that only the main camera sees; see `final_image`.
    picture_exposure : Quantity [time]
    delay, dead_band, backlash
        See `correction_loop.simulate_loop`.
    shake : Quantity [angle]
        See `final_image.final_image`.

    Returns
    -------
    SettingsMap

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument.
    """
    air = _runs("air", air)
    n, _, runs, _ = air.shape
    if runs < 2:
        raise ValueError(f"air: expected at least 2 runs to tell the uncertainty, found {runs}")
    disturbance = _runs("disturbance", disturbance, runs, n)
    target_air = None if target_air is None else _runs("target_air", target_air, runs, n)
    if unseen is not None:
        unseen = _runs("unseen", as_quantity("unseen", unseen, u.arcsec, ndim=2)[None], 1, n)
    step_s = as_quantity("step", step, u.s, above=0, ndim=0).value
    exposures = as_quantity("exposures", exposures, u.s, above=0, ndim=1)
    errors = as_quantity("centroid_errors", centroid_errors, u.arcsec, minimum=0, ndim=1).value
    if errors.shape != exposures.shape:
        raise ValueError(f"centroid_errors: expected one for each of {exposures.size} exposures, found {errors.size}")
    gains = as_number("gains", np.asarray(gains), minimum=0, ndim=1)
    correction_loop.check_gain(gains, delay)
    picture_s = as_quantity("picture_exposure", picture_exposure, u.s, above=0, ndim=0).value
    dead_band = as_quantity("dead_band", dead_band, u.arcsec, minimum=0).value
    backlash = as_quantity("backlash", backlash, u.arcsec, minimum=0).value
    shake = as_quantity("shake", shake, u.arcsec, minimum=0, ndim=0).value
    if not isinstance(rng, np.random.Generator):
        raise TypeError(f"rng: expected a numpy.random.Generator, found {type(rng).__name__}")
    steps = exposures.value / step_s
    if np.any(np.abs(steps - np.round(steps)) > 1e-6 * steps) or np.any(np.round(steps) < 1):
        raise ValueError(f"exposures: expected whole multiples of the step {step_s:g} s, found {exposures}")
    shape = (runs, exposures.size, gains.size)
    added, logged, pointed = np.empty((*shape, 2)), np.empty(shape), np.empty(shape)
    for index, (size, error) in enumerate(zip(np.round(steps).astype(int), errors, strict=True)):
        rows = max(1, round(picture_s / (size * step_s)))
        if rows * size > n:
            raise ValueError(
                f"picture_exposure: expected at most the simulated {n * step_s:g} s, found {picture_s:g} s"
            )
        moved = _means(disturbance, size)
        noise = _means(air, size) + error * rng.standard_normal((n // size, 1, runs, 2))
        pointing, _ = correction_loop._run_loop(
            moved, noise, gains[:, None, None], delay, dead_band, backlash, np.inf, None
        )
        here = _moments(pointing, pointing)
        pointed[:, index] = np.sqrt(here.sum(axis=-1)).T
        logged[:, index] = np.sqrt((here + 2 * _moments(pointing, noise) + _moments(noise, noise)).sum(axis=-1)).T
        if unseen is not None:
            pointing += _means(unseen, size)
        target = None if target_air is None else _means(target_air, size)
        inside = _groups(disturbance, size).var(axis=1).mean(axis=0)
        added[:, index] = np.moveaxis(_added_motion(pointing, target, rows) + inside + shake**2, 0, 1)
    along = final_image.add_motion(star_fwhm, added * u.arcsec**2)
    fwhm = np.sqrt((along**2).mean(axis=-1))
    return SettingsMap(exposures, gains, fwhm, logged * u.arcsec, pointed * u.arcsec)


def _groups(series, size):
    count = len(series) // size
    return series[: count * size].reshape(count, size, *series.shape[1:])


def _means(series, size):
    return series if size == 1 else _groups(series, size).mean(axis=1)


def _moments(first, second):
    """Covariance over time of two (n, gains or 1, runs, 2) series; shape (gains, runs, 2)."""
    product = np.einsum("kgra,kgra->gra", *np.broadcast_arrays(first, second)) / len(first)
    return product - first.mean(axis=0) * second.mean(axis=0)


def _added_motion(pointing, air, rows):
    """Mean over pictures of variance(pointing) + 2 covariance(pointing, air); shape (gains, runs, 2)."""
    cut = _groups(pointing, rows)
    centre = cut.mean(axis=1)
    variance = np.einsum("pkgra,pkgra->gra", cut, cut) / rows - (centre**2).sum(axis=0)
    if air is not None:
        other = _groups(air, rows)
        both = np.einsum("pkgra,pkgra->gra", *np.broadcast_arrays(cut, other)) / rows
        variance += 2 * (both - (centre * other.mean(axis=1)).sum(axis=0))
    return variance / len(cut)
