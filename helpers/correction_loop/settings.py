"""Which exposure and which gain give the smallest star in the final image: a map over both, and its plateau."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.correction_loop import loop as correction_loop
from helpers.correction_loop import picture as final_image
from helpers.correction_loop.night import GuideNight
from helpers.shared.checks import as_number, count, instance, number, optional, quantity, takes
from helpers.shared.limits import PATHS, check_work

_SHOWS = 0.15  # of a star's width: rms of the mount along one axis from which the shape of its path counts


@dataclass(frozen=True)
class SettingsMap:
    """Guiding simulated for each exposure and gain, several times over.

    Attributes
    ----------
    exposures : Quantity [s], shape (E,)
    gains : array, shape (G,)
    fwhm : Quantity [arcsec], shape (R, E, G)
        Mean FWHM of the final image (root mean square of the two axes), for each of R runs with their own air and
        noise.
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
        """Index (exposure, gain) of the widest star among all settings whose log is no worse than that of the best
        picture.
        """
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


@takes(
    night=instance(GuideNight),
    exposures=quantity(u.s, minimum=1e-3, maximum=1e5, ndim=1, most_values=1000),
    gains=number(minimum=0, ndim=1, most_values=1000),
    rng=instance(np.random.Generator),
    delay=optional(count(maximum=1)),
    dead_band=optional(quantity(u.arcsec, minimum=0, ndim=0)),
)
def settings_map(night, exposures, gains, rng, *, delay=None, dead_band=None):
    """Guide with every exposure and every gain through the same night.

    Parameters
    ----------
    night : GuideNight
        Of at least 2 runs, whose scatter tells the uncertainty.
    exposures : Quantity [time], shape (E,)
        Whole multiples of the night's step: an exposure's mean is the mean of its steps.
    gains : array, shape (G,)
    rng : numpy.random.Generator
        For the centroid noise.
    delay : int, optional
        This and the following: the rig's own setting if not given; see `correction_loop.simulate_loop`.
    dead_band : Quantity [angle], optional

    Returns
    -------
    SettingsMap

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument.
    """
    sizes = _checked_sizes(night, exposures, gains)
    guiding, mount = night.rig.guiding, night.rig.mount
    delay = guiding.delay if delay is None else delay
    correction_loop.check_gain(gains, delay)
    limit = guiding.dead_band if dead_band is None else dead_band
    play = np.array([0.0, mount.backlash.to_value(u.arcsec)])
    shake = mount.jitter.to_value(u.arcsec)
    disturbance, air, target, unseen = (
        _by_run(part) for part in (night.mount, night.air, night.target_air, night.unseen)
    )
    shape = (len(night.air), exposures.size, gains.size)
    added, logged, pointed, wide = np.empty((*shape, 2)), *(np.empty(shape) for _ in range(3))
    for index, (size, error) in enumerate(zip(sizes, night.centroid_error(exposures).value, strict=True)):
        rows = _rows(night, size)
        false = _means(air, size)
        false = false + error * rng.standard_normal(false.shape)
        pointing, _ = correction_loop.run_loop(
            _means(disturbance, size), false, gains[:, None, None], delay, limit.to_value(u.arcsec), play
        )
        here = _moments(pointing, pointing)
        pointed[:, index] = np.sqrt(here.sum(axis=-1)).T
        logged[:, index] = np.sqrt((here + 2 * _moments(pointing, false) + _moments(false, false)).sum(axis=-1)).T
        pointing += _means(unseen, size)
        inside = _groups(disturbance, size).var(axis=1).mean(axis=0)
        added[:, index] = np.moveaxis(_added_motion(pointing, _means(target, size), rows) + inside + shake**2, 0, 1)
        wide[:, index] = _wide_pictures(night, pointing, added[:, index], rows)
    along = final_image.add_motion(night.star_fwhm, added * u.arcsec**2, night.star_shape).to_value(u.arcsec)
    fwhm = np.sqrt((along**2).mean(axis=-1))
    fwhm = np.where(np.isfinite(wide), wide, fwhm) * u.arcsec
    return SettingsMap(exposures, gains, fwhm, logged * u.arcsec, pointed * u.arcsec)


def _wide_pictures(night, pointing, added, rows):
    """FWHM [arcsec], shape (runs, gains), where the path of the mount shows in the star; NaN elsewhere."""
    star = night.star_fwhm.to_value(u.arcsec)
    found = np.full(added.shape[:2], np.nan)
    motion = _groups(pointing, rows)
    motion = motion - motion.mean(axis=1, keepdims=True)
    spread = np.einsum("pkgra,pkgra->rga", motion, motion) / (motion.shape[0] * rows)
    for run, gain in np.argwhere(spread.max(axis=-1) > (_SHOWS * star) ** 2):
        extra = np.diag(added[run, gain] - spread[run, gain])
        along = final_image.picture_widths(motion[:, :, gain, run], star, extra=extra, shape=night.star_shape)
        found[run, gain] = np.sqrt(np.mean(along**2))
    return found


def _checked_sizes(night, exposures, gains):
    """The night's steps in each exposure."""
    if len(night.air) < 2:
        raise ValueError(f"night: expected at least 2 runs to tell the uncertainty, found {len(night.air)}")
    steps = exposures.value / night.step.to_value(u.s)
    if np.any(np.abs(steps - np.round(steps)) > 1e-6 * steps) or np.any(np.round(steps) < 1):
        raise ValueError(f"exposures: expected whole multiples of the step {night.step:g}, found {exposures}")
    sizes = np.round(steps).astype(int)
    paths = int(gains.size * len(night.air) * np.sum(night.air.shape[1] // sizes))
    check_work("exposures, gains", paths, PATHS, "simulated exposures in all")
    return sizes


def _rows(night, size):
    """Guide exposures of `size` steps in a picture."""
    picture, steps = night.rig.guiding.picture_exposure, night.air.shape[1]
    rows = max(1, round(float(picture / (size * night.step))))
    if rows * size > steps:
        raise ValueError(
            f"night: expected at least one picture of {picture:g}, found a night of {(steps * night.step).to(u.s):g}"
        )
    return rows


def _by_run(series):
    """From (runs, n, 2) or (n, 2) to (n, 1 for the gains, runs, 2), in arcsec."""
    series = series.to_value(u.arcsec)
    return np.moveaxis(series if series.ndim == 3 else series[None], 0, 1)[:, None]


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
    cut, other = _groups(pointing, rows), _groups(air, rows)
    centre = cut.mean(axis=1)
    variance = np.einsum("pkgra,pkgra->gra", cut, cut) / rows - (centre**2).sum(axis=0)
    both = np.einsum("pkgra,pkgra->gra", *np.broadcast_arrays(cut, other)) / rows
    return (variance + 2 * (both - (centre * other.mean(axis=1)).sum(axis=0))) / len(cut)
