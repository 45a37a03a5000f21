"""The risk of being left without a guide star: by a cloud, by a telescope that points beside, and what to do before."""

import astropy.units as u
import numpy as np

from helpers.guide_field.stars import some_stars, usable_on_sensor
from helpers.rig.parts import Rig
from helpers.shared.checks import count, instance, number, quantity, takes
from helpers.shared.limits import DRAWS, VALUES, check_work
from helpers.starlight.view import view_of_arrived

_NO_LIMIT = 3600 * u.arcsec  # a centroid error that any star meets which stands out of the noise


@takes(rig=instance(Rig), stars=some_stars)
def cloud_that_hides(rig, stars, exposure=None, airmass=1):
    """How much light a cloud must take until not one of the stars stands out of the noise.

    Parameters
    ----------
    rig : Rig
    stars : GuideStars
    exposure : Quantity [time], optional
        The rig's guide exposure if not given.
    airmass : float

    Returns
    -------
    float
        Magnitudes; a signal-to-noise ratio of 3 is the end. Below 0 where no star is seen without a cloud.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    return view_of_arrived(rig, exposure, airmass).faintest(_NO_LIMIT) - float(stars.magnitudes.min())


@takes(
    rig=instance(Rig),
    stars=some_stars,
    pointing_error=quantity(u.arcmin, minimum=0, maximum=600, ndim=0),
    rng=instance(np.random.Generator),
    draws=count(minimum=1, maximum=DRAWS),
)
def chance_of_missing(rig, stars, pointing_error, rng, draws=2000):
    """How often no star is left on the sensor when the telescope points beside its aim.

    Parameters
    ----------
    rig : Rig
    stars : GuideStars
    pointing_error : Quantity [angle]
        One-axis rms of the error.
    rng : numpy.random.Generator
    draws : int

    Returns
    -------
    float
        0 to 1. A star counts as lost off the sensor, or where the pick-off leaves it too little light for a centroid
        error of 0.1 arcsec; one that is poorer from the start, only off the sensor.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    check_work("draws", draws * len(stars), VALUES / 10, "draws of all stars together")
    shift = rng.standard_normal((draws, 1, 2)) * (pointing_error * rig.guide_optics.focal_length).to_value(
        u.mm, u.dimensionless_angles()
    )
    places = stars.on_sensor.to_value(u.mm) + shift
    faintest = max(view_of_arrived(rig).faintest(0.1 * u.arcsec), float(stars.magnitudes.min()) + 1)
    magnitudes = np.broadcast_to(stars.catalogue_magnitudes, places.shape[:2])
    _, usable = usable_on_sensor(places[..., 0], places[..., 1], magnitudes, rig, faintest, -np.inf, 0.0)
    return float(np.mean(~usable.any(axis=1)))


@takes(
    rig=instance(Rig),
    magnitude=number(minimum=-30, maximum=40),
    centroid_error=quantity(u.arcsec, minimum=1e-6, maximum=3600, ndim=0),
    longest=quantity(u.s, minimum=0.05, maximum=3600, ndim=0),
)
def fallback_exposure(rig, magnitude, centroid_error=0.1 * u.arcsec, longest=20 * u.s, airmass=1):
    """The shortest exposure with which a star is known well enough.

    Parameters
    ----------
    rig : Rig
    magnitude : float
        As it reaches the camera.
    centroid_error : Quantity [angle]
        Wanted, one axis.
    longest : Quantity [time]
    airmass : float

    Returns
    -------
    Quantity [s] or None
        At least 0.01 s. None if even the longest is not enough.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """

    def enough(seconds):
        found = view_of_arrived(rig, seconds * u.s, airmass).signal(magnitude)
        return bool(found.measurable) and bool(found.centroid_error <= centroid_error)

    low, high = 0.01, longest.value
    if not enough(high):
        return None
    if enough(low):
        return low * u.s
    while high / low > 1.02:
        middle = np.sqrt(low * high)
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high * u.s
