"""Cases that lead to two measured logs: what each log may have had, drawn and weighted by how well it fits.

Seeing moves a log most and is least known, so it is drawn so that a draw fits, and the draw is weighted for it
(importance sampling: Robert & Casella, "Monte Carlo statistical methods", section 3.3). Stars, air and mount are those
of a night and the same for both logs; faults are each log's own. So of each night several draws of either log are
tried, by tables, each of the one with each of the other; some of all these pairs, the likelier the more often, are
then computed by the log model itself.
"""

import numpy as np

from helpers.error_budget import cases
from helpers.error_budget.terms import MODEL_ERROR

_SEEING_STEPS = np.geomspace(0.3, 3.3, 7)  # over the site's own, where a log's rms is computed to find what fits
_WIDER = 1.4  # of the proposal, over the error of the measured rms
_TRIES = 10  # draws of each log in a night
_SEARCHED = 12  # draws of each log that are tried by tables, over the draws asked for
_KEPT = 4  # draws asked for, over the pairs that are kept and computed by the model itself
_AT_LEAST = 0.35  # share of draws that have a rare fault, other stars or poor focus


# Which of the drawn values, and which of the models, a cause takes from the other log.
DRAWN = {
    "stars used": "number",
    "brightness of the stars": "shift",
    "camera fault": "factor",
    "focus": "blur",
    "seeing between the runs": "seeing",
    "read noise": "read_noise",
}


def variance(case, drawn, side, changed=None):
    """Squared rms of a log in each draw; `changed` names the cause that comes from the other log."""
    other = "b" if side == "a" else "a"

    def value(name):
        return drawn[f"{name}_{other if DRAWN.get(changed) == name else side}"]

    model = case.models.get((side, changed), case.models[side])
    magnitudes = case.fields[drawn["field"]] + value("shift")[:, None]
    found = model.rms(
        value("seeing"),
        drawn["state"],
        magnitudes,
        worm=drawn["worm"],
        drift=drawn["drift"],
        read_noise=value("read_noise") * value("factor"),
        blur=value("blur"),
        most=value("number"),
    )
    return found**2


def logs(measured):
    """Logarithm of both rms values and their errors, that of the model included; arrays (2,)."""
    rms, error = np.array(measured).T
    return np.log(rms), np.hypot(error / rms, MODEL_ERROR)


def _stars(case, drawn, side):
    """The stars of a log as its table of noise knows them."""
    field, shift, number = drawn["field"], drawn[f"shift_{side}"], drawn[f"number_{side}"]
    return case.tables[side].of_stars(field, shift, number, drawn[f"read_noise_{side}"] * drawn[f"factor_{side}"])


def _quick_log(case, drawn, side, stars, seeing):
    """Logarithm of the rms of a log at a seeing, from tables; array (draws,)."""
    noise = case.tables[side].noise(stars, seeing, drawn[f"blur_{side}"])
    return np.log(case.models[side].rms_with(noise, seeing, drawn["state"], drawn["worm"], drawn["drift"]))


class _SeeingCurve:
    """Logarithm of a log's rms against that of the seeing, for each draw: a table, and straight lines."""

    def __init__(self, case, drawn, side, stars):
        logs = [_quick_log(case, drawn, side, stars, step) for step in _SEEING_STEPS]
        # a star that is lost in poor seeing moves no more with it: a slope that is never 0 keeps the curve invertible
        self._logs = np.maximum.accumulate(np.array(logs), axis=0) + 1e-4 * np.arange(len(logs))[:, None]
        self._steps = np.log(_SEEING_STEPS)
        self._every = np.arange(drawn["field"].size)

    def _between(self, index):
        index = np.clip(index, 0, len(self._steps) - 2)
        low, high = self._logs[index, self._every], self._logs[index + 1, self._every]
        return index, low, (high - low) / (self._steps[index + 1] - self._steps[index])

    def seeing(self, log):
        """Where the curve has this value, and whether the table reaches so far."""
        index, low, slope = self._between((self._logs < log).sum(axis=0) - 1)
        found = self._steps[index] + (log - low) / slope
        return found, self._holds(found)

    def log(self, seeing):
        """The value and the slope, and whether the table reaches so far."""
        index, low, slope = self._between(np.searchsorted(self._steps, seeing) - 1)
        return low + slope * (seeing - self._steps[index]), slope, self._holds(seeing)

    def _holds(self, seeing):
        return (seeing >= self._steps[0]) & (seeing <= self._steps[-1])


def _gauss(value, spread):
    return np.exp(-0.5 * (value / spread) ** 2) / spread


def _nearly(off, error):
    """Likelihood of a log that the tables give so far off: with long tails, for the tables are not exact."""
    return (1 + 0.5 * (off / (_WIDER * error)) ** 2) ** -1.5


def _tried(case, priors, common, side, log, error, rng):
    """Draws of one log: what it had, the logarithm of its seeing, and what the draw counts; seeing's law is left out.

    Half of the draws take a seeing that fits the log, half one that is likely; both kinds are weighted by the density
    of the mixture, so that no draw gets a weight out of all proportion.
    """
    field, often = common["field"], cases.oftener(priors, _AT_LEAST)
    own = cases.draw_log(case, often, side, field, rng)
    weight = cases.balance(case, priors, often, side, field, own)
    drawn = common | {f"{name}_{side}": value for name, value in own.items()}
    stars = _stars(case, drawn, side)
    curve = _SeeingCurve(case, drawn, side, stars)
    fitting, inside = curve.seeing(log + _WIDER * error * rng.standard_normal(field.size))
    mean, spread = cases.seeing_law(case, priors, side)
    seeing = mean + spread * rng.standard_normal(field.size)
    seeing = np.where((rng.random(field.size) < 0.5) & inside, fitting, seeing)
    there, slope, inside = curve.log(seeing)
    fits = np.where(inside, _gauss(there - log, _WIDER * error) * slope, 0.0)
    proposed = 0.5 * fits + 0.5 * _gauss(seeing - mean, spread)
    drawn[f"seeing_{side}"] = np.exp(seeing)
    likely = _nearly(_quick_log(case, drawn, side, stars, drawn[f"seeing_{side}"]) - log, error)
    return drawn, seeing, weight * likely / proposed


def weighted(case, priors, measured, draws, rng):
    """Pairs of logs, and what each counts as it was computed; `cut` makes shares of it.

    Parameters
    ----------
    case, priors
    measured : ((float, float), (float, float))
        Rms and standard error [arcsec] of both logs.
    draws : int
    rng : numpy.random.Generator

    Returns
    -------
    drawn : dict of str to array, shape (pairs,)
        What both logs had.
    weight : array, shape (pairs,)
    night : int array, shape (pairs,)
        Pairs of one night are not independent.
    share : float
        Mean likelihood of the cases likely beforehand, by the tables; times the sum of the weights, by the model.
    """
    number = -(-_SEARCHED * draws // _TRIES)
    every = np.repeat(np.arange(number), _TRIES)
    common = {name: value[every] for name, value in cases.draw_common(case, rng, number).items()}
    tried = [
        _tried(case, priors, common, side, log, error, rng)
        for side, log, error in zip("ab", *logs(measured), strict=True)
    ]
    chosen, times, share = _chosen_pairs(case, priors, tried, number, draws // _KEPT, rng)
    night, first, second = np.unravel_index(chosen, (number, _TRIES, _TRIES))
    drawn = {name: value[night * _TRIES + second] for name, value in tried[1][0].items()}
    drawn |= {name: value[night * _TRIES + first] for name, value in tried[0][0].items()}
    return drawn, times / times.sum() * _corrections(case, drawn, measured), night, share


def cut(weight, measured):
    """Weights that sum to 1, and what they summed to, without the few of which one would decide all.

    None stays above sqrt(n) times their mean: Ionides 2008, "Truncated importance sampling", Journal of Computational
    and Graphical Statistics 17, 295. The few are cases of which the tables, that chose them, were far off.

    Raises
    ------
    ValueError
        When no case fits.
    """
    weight = np.minimum(weight, weight.mean() * np.sqrt(weight.size))
    total = float(weight.sum())
    if not total > 0:
        (first, _), (second, _) = measured
        raise ValueError(
            f"measured_a, measured_b: expected values that this rig can log, found {first:g} and {second:g} arcsec"
        )
    return weight / total, total


def fitted(case, priors, measured, draws, rng):
    """Pairs of logs that fit: what `weighted` gives, with weights that `cut` made sum to 1.

    The last value is about the share of the cases likely beforehand that fit: their mean likelihood, 1 where a log is
    met.
    """
    drawn, weight, night, share = weighted(case, priors, measured, draws, rng)
    weight, total = cut(weight, measured)
    return drawn, weight, night, share * total


def _chosen_pairs(case, priors, tried, number, kept, rng):
    """Of all pairs of the draws of a night, some in proportion to their weights; indices, how often, mean weight."""
    (_, first, weight_a), (_, second, weight_b) = tried
    first, weight_a = (value.reshape(number, _TRIES, 1) for value in (first, weight_a))
    second, weight_b = (value.reshape(number, 1, _TRIES) for value in (second, weight_b))
    mean, spread = cases.seeing_law(case, priors, "a")
    weight = weight_a * _gauss(first - mean, spread) * weight_b
    mean, spread = cases.seeing_law(case, priors, "b", first)
    weight = (weight * _gauss(second - mean, spread)).ravel()
    # at even steps from a random start
    places = (np.arange(kept) + rng.random()) / kept
    total = np.cumsum(weight)
    chosen, times = np.unique(np.searchsorted(total / total[-1], places), return_counts=True)
    return chosen, times, float(weight.mean())


def _corrections(case, drawn, measured):
    """Likelihood of each pair by the model itself, over that by the quick tables."""
    weight = 1.0
    for side, log, error in zip("ab", *logs(measured), strict=True):
        exact = 0.5 * np.log(variance(case, drawn, side))
        quick = _quick_log(case, drawn, side, _stars(case, drawn, side), drawn[f"seeing_{side}"])
        weight = weight * np.exp(-0.5 * ((exact - log) / error) ** 2) / _nearly(quick - log, error)
    return weight


def effective_draws(told, weight, night):
    """Independent draws that would tell a share as well; told: bool array.

    The variance of a share found in nights taken at random, of which each gives several pairs: ratio estimator of
    cluster sampling (Cochran 1977, "Sampling techniques", section 9A.3).
    """
    chance = np.sum(weight * told)
    spread = np.sum(np.bincount(night, weights=weight * (told - chance)) ** 2)
    if spread < 1e-12:  # all the same
        return float(1 / np.sum(np.bincount(night, weights=weight) ** 2))
    return float(chance * (1 - chance) / spread)
