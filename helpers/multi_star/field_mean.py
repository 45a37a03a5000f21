"""The mean of the guide stars of a field: what air and measuring errors leave in it."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.guide_field.stars import GuideStars, some_stars
from helpers.multi_star.averaging import mean_variance, motion_covariance, snr_weights
from helpers.rig.parts import Rig
from helpers.seeing.named_air import atmosphere_for
from helpers.shared.checks import as_count, count, instance, number, takes
from helpers.shared.limits import STARS
from helpers.starlight.view import view_of_arrived


@dataclass(frozen=True)
class MeanMotion:
    """What the mean of some stars shows while the mount stands still; Quantities in arcsec, rms of one axis."""

    air: u.Quantity
    noise: u.Quantity

    @property
    def both(self):
        """Air and noise together."""
        return np.hypot(self.air, self.noise)


@dataclass(frozen=True, eq=False)
class MeasuredStars:
    """Guide stars as one exposure measures them, best measured first; made by `measure_field`.

    Attributes
    ----------
    stars : GuideStars
    errors : Quantity [arcsec], shape (N,)
        One-axis centroid errors.
    air : Quantity [arcsec2], shape (2, N, N)
        Covariance of their motion by the air overhead.
    """

    stars: GuideStars
    errors: u.Quantity
    air: u.Quantity

    def __len__(self):
        return len(self.errors)

    def mean(self, count=None, weights=None):
        """What the mean of the first `count` stars shows.

        Parameters
        ----------
        count : int, optional
            All if not given.
        weights : array, shape (count,), optional
            Sum to 1; 1 / error^2 if not given.

        Returns
        -------
        MeanMotion

        Raises
        ------
        ValueError, TypeError
        """
        count = as_count("count", len(self) if count is None else count, minimum=1, maximum=len(self))
        weights = snr_weights(self.errors[:count]) if weights is None else weights
        air = np.sqrt(mean_variance(self.air[:, :count, :count], weights).mean())
        return MeanMotion(air, np.sqrt(np.sum((np.asarray(weights) * self.errors[:count]) ** 2)))


@takes(
    rig=instance(Rig),
    stars=some_stars,
    fainter=number(minimum=-30, maximum=30),
    most=count(minimum=1, maximum=STARS),
)
def measure_field(rig, stars, exposure=None, airmass=1, fainter=0, most=40):
    """How well the stars of a guide field are measured, and how alike the air moves them.

    Parameters
    ----------
    rig : Rig
    stars : GuideStars
    exposure : Quantity [time], optional
        The rig's guide exposure if not given.
    airmass : float
        For the light of the stars; the air's motion is that of a star overhead.
    fainter : float
        Magnitudes by which all stars are fainter, as behind a cloud.
    most : int
        Stars to keep, the best measured ones.

    Returns
    -------
    MeasuredStars
        Without the stars that are lost in the noise or fill a pixel, if any others are left.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    seen = view_of_arrived(rig, exposure, airmass)
    signal = seen.signal(stars.magnitudes + fainter)
    good = signal.measurable & ~signal.saturated
    kept = np.flatnonzero(good if good.any() else np.ones_like(good))
    kept = kept[np.argsort(signal.centroid_error[kept], kind="stable")][:most]
    air = motion_covariance(stars[kept], rig.guide_optics.aperture, atmosphere_for(rig.site), seen.exposure)
    return MeasuredStars(stars[kept], signal.centroid_error[kept], air)
