"""What the main camera's long exposure makes of guiding: FWHM along each axis, and elongation.

How the parts come together, without counting the air twice. `star_fwhm` is the star of perfect guiding: long-exposure
seeing (and diffraction), in which all wander by the air is contained. The picture is that star, moved as the mount
moves; its transfer function is

    star x mean of exp(2 pi i q . pointing) x exp(-4 pi^2 q . covariance(pointing, air) . q)

with the spatial frequency q, and `air` the air's motion of the target in the main telescope. The mean follows the true
shape of the motion, be it noise, a drift, a sine or a jump. The last factor says whether the mount's motion, which
partly copies the air, adds to the wander in the star or takes from it; the air's own motion is Gaussian, so its
covariance with the pointing is all that counts. As variances,

    added = variance(pointing) + 2 covariance(pointing, air) + motion within exposures + fast shake

and variance(air) itself is missing on purpose: the seeing holds it (`added_motion`).

A width is the full width at half maximum of a cut through the brightest point of the picture, from the first place
above half of it to the last.
"""

from dataclasses import dataclass
from functools import lru_cache

import astropy.units as u
import numpy as np
from scipy import fft

from helpers.shared.checks import count, instance, optional, quantity, takes
from helpers.shared.limits import PIXELS_OF_STARS
from helpers.shared.optics import FWHM_PER_SIGMA, KOLMOGOROV_WIDTH, LongExposure, phase_structure

# All of the following in widths (FWHM) of the star.
_FINEST = 2.2  # cycles; hardly anything of a star is left there
_PIXELS = 6  # to a width
_ROOM = 8  # round the motion, so that the picture does not reach into its own repetition
_MOST_MOTION = 300
_MOST_SPREAD = 50  # rms of Gaussian motion
_MOST_TAKEN = 0.085  # variance that can be taken away, about half of what a star holds; beyond it no shape is known
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_NODES, _WEIGHTS = _FINEST * ((_NODES + 1) / 2) ** 2, _FINEST * (_NODES + 1) / 2 * _WEIGHTS  # dense at low frequencies


@dataclass(frozen=True)
class FinalImage:
    """The star in the main camera's long exposure.

    Attributes
    ----------
    fwhm : Quantity [arcsec], shape (2,)
        Along right ascension and declination; root mean square of the pictures.
    mean_fwhm : Quantity [arcsec]
        Root mean square of the two.
    elongation : float
        FWHM along over FWHM across the direction of most motion, or the other way round; at least 1, which is round.
    added_motion : Quantity [arcsec2], shape (2, 2)
        Covariance of what guiding adds to the star, mean over the pictures. Negative on the diagonal if it takes from
        the wander.
    picture_fwhm : Quantity [arcsec], shape (pictures, 2)
        Along the axes, of each picture.
    """

    fwhm: u.Quantity
    mean_fwhm: u.Quantity
    elongation: float
    added_motion: u.Quantity
    picture_fwhm: u.Quantity


def added_motion(pointing, air=0.0, rows=None, part=None):
    """What motion adds to the star of each picture: covariance of all motion less that of the air, which it holds.

    Parameters
    ----------
    pointing : array, shape (n, ..., 2)
        All motion but the air's own, time first; any unit.
    air : array, optional
        Motion of the target by the air, shape that fits `pointing`.
    rows : int, optional
        Rows to a picture; all if not given. An incomplete picture at the end is left out.
    part : array, optional
        One of several parts that sum to `pointing`; then what it contributes. The contributions of all parts sum to
        that of the whole.

    Returns
    -------
    array, shape (pictures, ..., 2, 2)
        Of the unit squared.
    """
    part, whole = np.broadcast_arrays(pointing if part is None else part, pointing + 2 * np.asarray(air))
    rows = len(whole) if rows is None else rows
    part, whole = (_pictures(series, rows) for series in (part, whole))
    whole = whole - whole.mean(axis=1, keepdims=True)
    covariance = np.einsum("pk...a,pk...b->p...ab", part, whole) / rows
    return (covariance + np.swapaxes(covariance, -1, -2)) / 2


def _pictures(series, rows):
    count = len(series) // rows
    return series[: count * rows].reshape(count, rows, *series.shape[1:])


def _transfer(shape, frequency):
    """Transfer function of a star; frequency in cycles per FWHM. Without a shape that of Kolmogorov's long exposure."""
    if shape is None:
        return np.exp(-phase_structure(frequency, KOLMOGOROV_WIDTH, np.inf) / 2)
    return shape.transfer(frequency / float(shape.fwhm_rad))


def _check_taken(name, variance, star_fwhm):
    """ValueError where guiding would take more from the star, in arcsec^2, than its shape is known for."""
    most = _MOST_TAKEN * star_fwhm**2
    if np.min(variance) < -most:
        raise ValueError(
            f"{name}: expected no less than {-most:.3g} arcsec2, which a star of {star_fwhm:.3g} arcsec contains, "
            f"found {np.min(variance):.3g} arcsec2"
        )


@lru_cache(maxsize=32)
def _star_matrix(shape):
    return _transfer(shape, np.hypot(_NODES[:, None], _NODES))


_STAR = quantity(u.arcsec, minimum=1e-3, maximum=3600, ndim=0)
_SHAPE = optional(instance(LongExposure))


@takes(star_fwhm=_STAR, variance=quantity(u.arcsec**2, most_values=200_000), shape=_SHAPE)
def add_motion(star_fwhm, variance, shape=None):
    """FWHM of a star of long-exposure seeing that also moves, the motion being Gaussian along each axis.

    Parameters
    ----------
    star_fwhm : Quantity [angle]
        Scalar.
    variance : Quantity [arcsec2], shape (..., 2)
        Of the motion along both axes; may be negative when guiding takes from the wander that `star_fwhm` contains.
    shape : shared.optics.LongExposure, optional
        Of the star; that of Kolmogorov turbulence, stretched to `star_fwhm`, if not given.

    Returns
    -------
    Quantity [arcsec], shape (..., 2)
        FWHM along both axes, within 0.4 % of pictures drawn. Adding squares, right for Gaussian stars, promises stars
        up to 3.5 % too small.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Also if more motion would be taken away than the star contains.
    """
    star = star_fwhm.value
    if variance.ndim == 0 or variance.shape[-1] != 2:
        raise ValueError(f"variance: expected shape (..., 2), found {variance.shape}")
    _check_taken("variance", variance.value, star)
    if np.max(variance.value) > (_MOST_MOTION * star) ** 2:
        raise ValueError(
            f"variance: expected motion of at most {_MOST_MOTION} times the star's width, found an rms of "
            f"{np.sqrt(np.max(variance.value)):.4g} arcsec"
        )
    pairs = variance.value.reshape(-1, 2) / star**2
    motion = np.exp(-2 * np.pi**2 * np.multiply.outer(pairs, _NODES**2))  # (pairs, 2, nodes)
    across = (motion * _WEIGHTS) @ _star_matrix(shape)  # each axis summed for the cut along the other
    spectrum = motion * across[:, ::-1] * _WEIGHTS
    half = spectrum.sum(axis=-1) / 2
    # start: squares added
    radius = np.sqrt(np.maximum(1 + FWHM_PER_SIGMA**2 * pairs, 0.3)) / 2
    wave = 2 * np.pi * _NODES
    for _ in range(12):  # Newton
        phase = radius[..., None] * wave
        excess = np.einsum("mak,mak->ma", spectrum, np.cos(phase)) - half
        slope = np.einsum("mak,mak->ma", spectrum, wave * np.sin(phase))
        step = np.clip(excess / np.where(slope > 0, slope, np.inf), -radius / 3, radius / 3)
        radius = radius + step
        if np.all(np.abs(step) < 1e-7 * radius):
            break
    return (2 * star * radius).reshape(variance.shape) * u.arcsec


def _bump(distance):
    """Cubic B-spline with knots at whole numbers, total 1."""
    distance = np.abs(distance)
    near, far = 2 / 3 - distance**2 + distance**3 / 2, np.maximum(2 - distance, 0) ** 3 / 6
    return np.where(distance < 1, near, far)


def _deposited(places, sides):
    """Share of points on each pixel of a grid, each point as a cubic spline; places (pictures, points, 2)."""
    pictures, points, _ = places.shape
    first = np.floor(places).astype(int) - 1
    offsets = np.arange(4)
    share = _bump(places[..., None] - first[..., None] - offsets)  # (pictures, points, axis, 4)
    column, row = (first[..., axis, None] + offsets for axis in (0, 1))
    index = column[..., :, None] * sides[1] + row[..., None, :]
    index = index + (np.arange(pictures) * sides[0] * sides[1])[:, None, None, None]
    weight = share[..., 0, :, None] * share[..., 1, None, :] / points
    grid = np.bincount(index.ravel(), weight.ravel(), pictures * sides[0] * sides[1])
    return grid.reshape(pictures, *sides)


@lru_cache(maxsize=32)
def _grid(shape, sides):
    """Frequencies along both axes, and the star's transfer function over that of the points' spline."""
    along, across = (_PIXELS * np.fft.fftfreq(side) for side in sides)
    distance = np.hypot(along[:, None], across)
    spline = np.sinc(along / _PIXELS)[:, None] ** 4 * np.sinc(across / _PIXELS) ** 4
    return along, across, np.where(distance <= _FINEST, _transfer(shape, np.minimum(distance, _FINEST)) / spline, 0)


def _vertex(before, here, after):
    """Where, in pixels from the middle one, a parabola through three values is highest."""
    bend = np.minimum(before - 2 * here + after, -1e-12)
    return np.clip((before - after) / (2 * bend), -0.5, 0.5)


def _cut_width(spectrum, frequency, peak):
    """Full width at half maximum of cuts, from their spectra (pictures, n); the peak's place in widths of the star."""

    def waves(place):
        return spectrum * np.exp(2j * np.pi * frequency * place[:, None])

    half = waves(peak).real.sum(axis=1) / 2
    profile = spectrum.shape[1] * np.fft.ifft(spectrum, axis=1).real - half[:, None]
    above = profile >= 0
    here = np.arange(len(profile))
    ends = []
    for inside, outward in ((above.argmax(axis=1), -1), (above.shape[1] - 1 - above[:, ::-1].argmax(axis=1), 1)):
        inner, outer = profile[here, inside], profile[here, (inside + outward) % above.shape[1]]
        place = (inside + outward * inner / (inner - outer)) / _PIXELS
        for _ in range(3):  # Newton, from the straight line between two pixels
            wave = waves(place)
            slope = -(2 * np.pi * frequency * wave.imag).sum(axis=1)
            step = -(wave.real.sum(axis=1) - half) / np.where(slope * outward < 0, slope, -outward * np.inf)
            place = place + np.clip(step, -0.5 / _PIXELS, 0.5 / _PIXELS)
        ends.append(place)
    return ends[1] - ends[0]


def _widths(places, extra, shape):
    """FWHM along both axes of a star that was at `places` (pictures, points, 2), and moved by a Gaussian besides.

    `extra` (pictures, 2, 2) is the covariance of that Gaussian. All in widths of the star; shape (pictures, 2).
    """
    low, high = places.min(axis=1), places.max(axis=1)
    beyond = 6 * np.sqrt(max(0.0, extra[:, [0, 1], [0, 1]].max()))
    span = (high - low).max(axis=0) + beyond
    sides = tuple(int(32 * np.ceil(_PIXELS * (side + _ROOM) / 32)) for side in span)
    pixels = _PIXELS * (places - ((low + high) / 2)[:, None]) + np.array(sides) / 2
    along, across, star = _grid(shape, sides)
    q = extra[:, :, :, None, None]
    growth = q[:, 0, 0] * along[:, None] ** 2 + 2 * q[:, 0, 1] * along[:, None] * across + q[:, 1, 1] * across**2
    spectrum = fft.fft2(_deposited(pixels, sides)) * star * np.exp(-2 * np.pi**2 * np.where(star > 0, growth, 0))
    image = fft.ifft2(spectrum).real
    x, y = np.unravel_index(image.reshape(len(image), -1).argmax(axis=1), sides)
    each = np.arange(len(image))
    peak_x = x + _vertex(*(image[each, (x + k) % sides[0], y] for k in (-1, 0, 1)))
    peak_y = y + _vertex(*(image[each, x, (y + k) % sides[1]] for k in (-1, 0, 1)))
    peak = np.stack([peak_x, peak_y]) / _PIXELS
    spectrum /= spectrum[:, :1, :1].real
    cut_x = np.einsum("pij,pj->pi", spectrum, np.exp(2j * np.pi * across * peak[1][:, None]))
    cut_y = np.einsum("pij,pi->pj", spectrum, np.exp(2j * np.pi * along * peak[0][:, None]))
    return np.stack([_cut_width(cut_x, along, peak[0]), _cut_width(cut_y, across, peak[1])], axis=-1)


@lru_cache(maxsize=32)
def _width_at_rest(shape):
    """FWHM of the star itself as the grid has it; 1 but for some 0.0002."""
    return _widths(np.zeros((1, 1, 2)), np.zeros((1, 2, 2)), shape)[0, 0]


def _check_span(name, places):
    span = np.ptp(places, axis=1).max()
    if span > _MOST_MOTION:
        raise ValueError(
            f"{name}: expected motion of at most {_MOST_MOTION} times the star's width in a picture, found {span:.4g}"
        )


def picture_widths(motion, star_fwhm, *, within=None, extra=0.0, shape=None):
    """FWHM along both axes of a star in pictures during which it moved; plain numbers.

    Parameters
    ----------
    motion : array, shape (pictures, rows, 2)
        Where the star was in each row of each picture, in arcsec.
    star_fwhm : float
        Of the star at rest, in arcsec.
    within : array, shape (pictures, rows, 2), optional
        Variance of the motion inside each row, in arcsec^2.
    extra : array, shape (pictures, 2, 2), optional
        Covariance of further, Gaussian motion, in arcsec^2; negative if it takes from the star.
    shape : shared.optics.LongExposure, optional
        Of the star; that of Kolmogorov turbulence if not given.

    Returns
    -------
    array, shape (pictures, 2)
        In arcsec; within 0.5 % of the full width of pictures drawn by convolution.

    Raises
    ------
    ValueError
        The motion is more than 300 times as wide as the star, or there are too many pictures of it.
    """
    places = motion / star_fwhm
    _check_span("pointing", places)
    if within is not None and np.any(within > 0):
        # two places a row, with signs in turn so that motion along both axes is not taken for motion along a slant
        aside = np.sqrt(within) / star_fwhm
        aside = aside * np.stack([np.ones(places.shape[1]), (-1.0) ** np.arange(places.shape[1])], axis=-1)
        places = np.concatenate([places + aside, places - aside], axis=1)
        _check_span("within", places)
    extra = np.broadcast_to(extra, (len(places), 2, 2)) / star_fwhm**2
    pixels = (_PIXELS * (np.ptp(places, axis=1).max() + 6 * np.sqrt(max(0.0, extra.max())) + _ROOM)) ** 2
    if pixels * len(places) > PIXELS_OF_STARS:
        raise ValueError(
            f"rows: expected at most {int(PIXELS_OF_STARS / pixels):,} pictures of this much motion, found "
            f"{len(places):,}; take more rows to a picture"
        )
    size = max(1, int(2_000_000 / pixels))  # pictures at a time, to spare memory
    parts = [_widths(places[k : k + size], extra[k : k + size], shape) for k in range(0, len(places), size)]
    return star_fwhm / _width_at_rest(shape) * np.concatenate(parts)


_PATH = quantity(u.arcsec, minimum=-1e6, maximum=1e6, shape=(None, 2), most_values=4_000_000)


@takes(
    pointing=_PATH,
    star_fwhm=_STAR,
    air=optional(_PATH),
    within=optional(quantity(u.arcsec**2, minimum=0, maximum=1e12, shape=(None, 2))),
    unseen=optional(_PATH),
    shake=quantity(u.arcsec, minimum=0, maximum=3600, ndim=0),
    rows=optional(count(minimum=1)),
    shape=_SHAPE,
)
def final_image(pointing, star_fwhm, *, air=None, within=None, unseen=None, shake=0 * u.arcsec, rows=None, shape=None):
    """FWHM and elongation of a star in the main camera's long exposures.

    Parameters
    ----------
    pointing : Quantity [angle], shape (n, 2)
        True pointing of the mount in each guide exposure (`LoopResult.pointing`).
    star_fwhm : Quantity [angle]
        FWHM with perfect guiding, all air included.
    air : Quantity [angle], shape (n, 2), optional
        Motion of the target by the air, in the main telescope, mean over the same exposures. Not given: independent of
        the pointing.
    within : Quantity [arcsec2], shape (n, 2), optional
        Variance of the mount's motion inside each exposure (`mount_motion.motion_within`).
    unseen : Quantity [angle], shape (n, 2), optional
        Motion that the guide camera never sees, such as flexure of a guide telescope.
    shake : Quantity [angle]
        One-axis rms of motion too fast for the guide camera.
    rows : int, optional
        Guide exposures to a picture; all of them make one picture if not given. A slow shift from picture to picture
        blurs none. An incomplete picture at the end is left out.
    shape : shared.optics.LongExposure, optional
        Of the star with perfect guiding, as `widths.picture_star` makes it; that of Kolmogorov turbulence if not given.

    Returns
    -------
    FinalImage

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument. Also when guiding would take more from the star than it contains.
    """
    star, shake, size = star_fwhm.value, shake.value, pointing.shape
    for name, series in (("air", air), ("within", within), ("unseen", unseen)):
        if series is not None and series.shape != size:
            raise ValueError(f"{name}: expected the shape of pointing {size}, found {series.shape}")
    air, within, unseen = (0.0 * pointing.value if one is None else one.value for one in (air, within, unseen))
    if rows is not None and rows > size[0]:
        raise ValueError(f"rows: expected at most those of pointing, {size[0]}, found {rows}")
    rows = size[0] if rows is None else rows

    moved = pointing.value + unseen
    inside = _pictures(within, rows)
    extra = added_motion(moved, air, rows) - added_motion(moved, 0, rows) + shake**2 * np.eye(2)
    added = added_motion(moved, 0, rows) + extra + inside.mean(axis=1)[..., None] * np.eye(2)
    _check_taken("air", np.linalg.eigvalsh(added), star)
    if np.max(extra) > (_MOST_SPREAD * star) ** 2:
        raise ValueError(
            f"air, shake: expected motion of at most {_MOST_SPREAD} times the star's width, found an rms of "
            f"{np.sqrt(np.max(extra)):.4g} arcsec"
        )
    mean = added.mean(axis=0)
    motion = _pictures(moved, rows)
    motion = motion - motion.mean(axis=1, keepdims=True)
    along = picture_widths(motion, star, within=inside, extra=extra, shape=shape)
    _, turn = np.linalg.eigh(mean)
    turned = picture_widths(motion @ turn, star, within=inside @ turn**2, extra=turn.T @ extra @ turn, shape=shape)
    fwhm = np.sqrt(np.mean(along**2, axis=0))
    shortest, longest = np.sort(np.sqrt(np.mean(turned**2, axis=0)))
    return FinalImage(
        fwhm * u.arcsec,
        np.sqrt(np.mean(fwhm**2)) * u.arcsec,
        float(longest / shortest),
        mean * u.arcsec**2,
        along * u.arcsec,
    )
