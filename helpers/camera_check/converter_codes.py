"""Which numbers a camera writes: bit depth, scaling, codes that never come, values piled up at the ends."""

from dataclasses import dataclass

import numpy as np

_DEPTHS = (8, 10, 12, 14, 16)
_MANY = 40  # values beside a code that never comes, so that chance can't have left it out
PILE = 1e-3  # share of values at one end that no noise explains
_OFF_STEP = 1e-4  # share of values that may be damaged without hiding the step of the rest


@dataclass(frozen=True)
class CodeUse:
    """How the numbers of a set of frames are spaced.

    Attributes
    ----------
    step : float
        Distance of neighbouring values in the file; 0 when the values are spread without a step.
    stretch : float
        Mean distance of neighbouring values in steps: 1, or more when numbers were multiplied after conversion.
    bits : int or None
        Bit depth of the converter; `bits_at_least` is True when no value reached its top.
    lowest, highest : float
    piled_low, piled_high : bool
        More values at the lowest (highest) number than any noise explains: the rest was cut off.
    missing : int
        Codes that never came although their neighbours did; `missing_share` of all codes that should have come,
        `missing_example` the first in the file's numbers.
    off_step : int
        Single values that do not fit the step.
    """

    step: float
    stretch: float
    bits: int | None
    bits_at_least: bool
    lowest: float
    highest: float
    piled_low: bool
    piled_high: bool
    missing: int
    missing_share: float
    missing_example: float | None
    off_step: int


def _step(codes, counts):
    """Step of the numbers, and how many values do not fit it."""
    if codes.size < 2:
        return 1.0, 0
    anchor = codes[np.argmax(counts)]
    whole = np.all(codes == np.rint(codes))
    if not whole:
        # Numbers with a fraction: the smallest distance is the step if all others are multiples of it.
        distance = np.diff(codes)
        step = distance[distance > 1e-3 * np.median(distance)].min()
        steps = (codes - anchor) / step
        off = np.abs(steps - np.rint(steps)) > 0.1
        return (float(step), 0) if not off.any() else (0.0, 0)
    away = (codes - anchor).astype(np.int64)
    for step in (256, 128, 64, 32, 16, 8, 4, 2):
        off = (away & (step - 1)) != 0
        if (~off).sum() >= 8 and counts[off].sum() <= _OFF_STEP * counts.sum():
            return float(step), int(counts[off].sum())
    return 1.0, 0


def _stretch(places, counts):
    """Mean distance of neighbouring codes where all distances are one of two neighbouring numbers, else 1."""
    often = (counts[:-1] >= _MANY) & (counts[1:] >= _MANY)
    gaps = np.diff(places)[often]
    if gaps.size < 16:
        return 1.0
    gaps = gaps[gaps <= 3 * np.median(gaps)]  # not those between the levels of different sets
    low = int(np.percentile(gaps, 5))
    if np.mean((gaps == low) | (gaps == low + 1)) < 0.95:
        return 1.0
    mean = float(gaps.mean())
    return mean if mean > 1.01 else 1.0


def _between(counts):
    """For each code the smaller count of its two neighbours: what it should have at least, about."""
    padded = np.pad(counts, 1)
    return np.minimum(padded[:-2], padded[2:])


def _never(counts, period):
    """Codes of which every `period`-th never comes, though the codes beside it do in at least three places."""
    found = np.zeros(counts.size, bool)
    expected = _between(counts)
    for last in range(period):
        wanted = expected[last::period]
        if wanted.sum() >= 2 * _MANY and (wanted > 0).sum() >= 3 and counts[last::period].sum() <= 0.005 * wanted.sum():
            found[last::period] = wanted > 0
    return found


def _missing(sets, size):
    """Codes that never come: single ones, those with certain last bits, and blocks that a stuck bit leaves out.

    `sets` are pairs of places (whole numbers from 0, places that are multiples of 256 keep their last bits) and counts.
    """
    dense = np.zeros(size, np.int64)
    for places, counts in sets:
        dense += np.bincount(places, weights=counts, minlength=size).astype(np.int64)
    # A single code, where the counts do not just fall off the side of a narrow peak.
    padded = np.pad(dense, 2)
    before, after = (padded[:-4], padded[1:-3]), (padded[4:], padded[3:-1])
    gentle = [(far < 4 * near) & (near < 4 * far) for far, near in (before, after)]
    found = (dense == 0) & (_between(dense) >= 2 * _MANY) & gentle[0] & gentle[1]
    for period in (2, 4, 8, 16):
        found |= _never(dense, period)
    # In the sets with most codes, one at a time: the levels of different sets stand apart in a regular way too.
    for places, counts in sorted(sets, key=lambda pair: len(pair[0]))[-2:]:
        for bit in range(1, 8):
            blocks = np.bincount(places >> bit, weights=counts)
            gone = np.flatnonzero(_never(blocks, 2))
            found[(gone[:, None] * 2**bit + np.arange(2**bit)).ravel()[: found.size]] = True
    return found & (dense == 0), int((dense > 0).sum())


def _periodic(numbers):
    """Whether the missing codes all have the same last bits, as a faulty converter leaves them out."""
    return any(np.unique(numbers % 2**bits).size == 1 for bits in range(1, 5))


def _cut(counts, at):
    """Whether a histogram was cut off at its lowest (`at` 0) or highest (-1) value: a pile with a broad tail
    beside it.
    """
    if counts.size < 5:
        return False
    beside = counts[1:5] if at == 0 else counts[-2:-6:-1]
    total = counts.sum()
    broad = (beside > 1e-4 * total).all() and beside.sum() > 0.02 * total
    return bool(counts[at] > PILE * total and counts[at] > 3 * beside[0] and broad)


def code_use(histograms):
    """How a camera uses the numbers it can write.

    Parameters
    ----------
    histograms : list of (codes, counts)
        Values met in a set of frames and how often, one entry for each set (bias first).

    Returns
    -------
    CodeUse

    Raises
    ------
    ValueError
        No values at all.
    """
    histograms = [(np.asarray(codes, float), np.asarray(counts)) for codes, counts in histograms if len(codes)]
    if not histograms:
        raise ValueError("histograms: expected at least one value, found none")
    codes, place = np.unique(np.concatenate([codes for codes, _ in histograms]), return_inverse=True)
    counts = np.bincount(place, weights=np.concatenate([counts for _, counts in histograms])).astype(np.int64)
    step, off_step = _step(codes, counts)
    lowest, highest = float(codes[0]), float(codes[-1])
    ends = {lowest: 0, highest: -1}
    # The share of the set that has most values at the end, and whether a cut tail is seen beside it.
    share = {end: max(c[k == end].sum() / c.sum() for k, c in histograms) for end in ends}
    cut = {end: any(k[at] == end and _cut(c, at) for k, c in histograms) for end, at in ends.items()}
    cut[lowest] = bool(histograms[0][0][0] == lowest and _cut(histograms[0][1], 0))
    # At zero, and at the largest number that so many bits can write, the pile may hide everything beside it.
    full = step > 0 and highest > 0 and np.log2(highest / step + 1) % 1 < 1e-6
    piled_low = cut[lowest] or (lowest == 0 and share[lowest] > PILE)
    piled_high = highest > lowest and (cut[highest] or bool(full and share[highest] > PILE))
    missing, present, stretch, first = np.empty(0, int), 1, 1.0, None
    if step > 0 and (highest - lowest) / step < 2**18:
        # Places in steps, from a multiple of 256, so that the last bits of the converter's code can be told.
        start = np.floor(lowest / step / 256) * 256
        stretch = _stretch(np.rint(codes / step), counts)
        sets = [(np.rint(k / step - start).astype(np.int64), c) for k, c in histograms]
        found, present = _missing(sets, int(np.rint(highest / step - start)) + 2)
        missing = np.flatnonzero(found)
        if stretch > 1 and not (missing.size and _periodic(missing)):
            missing = missing[:0]  # regular gaps of a multiplication, no fault of the converter
        else:
            stretch = 1.0
            first = float((missing[0] + start) * step) if missing.size else None
    bits = None
    if step > 0:
        span = (highest / (step * stretch)) + 1
        bits = next((depth for depth in _DEPTHS if span <= 2**depth * 1.001), None)
    return CodeUse(
        step=step,
        stretch=stretch,
        bits=bits,
        bits_at_least=not piled_high,
        lowest=lowest,
        highest=highest,
        piled_low=piled_low,
        piled_high=bool(piled_high),
        missing=int(missing.size),
        missing_share=float(missing.size / (missing.size + present)),
        missing_example=first,
        off_step=off_step,
    )
