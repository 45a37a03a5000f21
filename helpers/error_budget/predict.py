"""What a rig gets on its log and in its picture, and within which limits."""

import astropy.units as u
import numpy as np

from helpers.error_budget import nights
from helpers.error_budget.terms import evaluate
from helpers.guide_field.stars import some_stars
from helpers.rig.parts import Rig
from helpers.shared import sky
from helpers.shared.checks import count, function, instance, optional, takes
from helpers.shared.limits import LONG_DRAWS


@takes(
    rig=instance(Rig),
    target=optional(sky.as_place),
    rng=optional(instance(np.random.Generator)),
    stars=optional(some_stars),
    draws=count(minimum=20, maximum=LONG_DRAWS),
    progress=optional(function()),
)
def predict(rig, target=None, rng=None, *, stars=None, draws=nights.DRAWS, progress=None):
    """Predict the log and the picture of a rig.

    Parameters
    ----------
    rig : Rig
    target : SkyCoord, optional
        The rig's `default_target` if not given. The prediction holds for its passage of the meridian.
    rng : numpy.random.Generator, optional
        Given, intervals are computed from nights in which seeing, wind and layers of the air, outer scale, mount,
        stars, air and noise differ: see `nights`.
    stars : GuideStars, optional
        Stars on the guide sensor, from `guide_field.usable_stars`; else a middling field of the sky there.
    draws : int
        Nights, 20 to 10,000; with the 1,600 that are usual an end of an interval differs by some 3 per cent from seed
        to seed.
    progress : function, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    Budget

    Raises
    ------
    TypeError
        `rig` is no Rig, `target` no single SkyCoord, `rng` no Generator.
    ValueError
        The target never rises at the site, or an exposure too long for the correction loop's model.
    """
    budget = evaluate(rig, target, stars)
    if rng is not None:
        drawn = nights.draw_nights(rng, draws)
        found = nights.numbers(rig, drawn, budget, progress=progress)
        limits = np.quantile(found, [0.025, 0.975], axis=0) * u.arcsec
        budget.intervals.update({name: tuple(limits[:, k]) for k, name in enumerate(nights.NUMBERS)})
    return budget
