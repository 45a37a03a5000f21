"""What the main camera's long exposure makes of guiding: FWHM along each axis, and elongation.

How the parts add up, without counting the air twice. `star_fwhm` is the star of perfect guiding: long-exposure seeing
(and diffraction), in which all wander by the air is contained. Along an axis, and as variances,

    image = star + variance(pointing) + 2 covariance(pointing, air) + motion within exposures + fast shake

where `air` is the air's motion of the target in the main telescope. variance(air) itself is missing on purpose: the
seeing holds it. The covariance says whether the mount's motion, which partly copies the air, adds to the air's wander
or takes from it; it is 0 when guide star and target do not share their air.

Variances add; squares of FWHM only nearly do, for a star's core is sharper and its wings are wider than a Gaussian's:
`add_motion` follows the true shape.
"""

import functools
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.stats import gaussian_sigma_to_fwhm
from scipy import interpolate, optimize, special

from helpers.shared.checks import as_count, as_quantity


@dataclass(frozen=True)
class FinalImage:
    """The star in the main camera's long exposure.

    Attributes
    ----------
    fwhm : Quantity [arcsec], shape (2,)
        Along right ascension and declination.
    mean_fwhm : Quantity [arcsec]
        Root mean square of the two.
    elongation : float
        Longest over shortest FWHM, whatever their direction; 1 is round.
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


@functools.cache
def _motion_weight():
    """Weight of the squared motion against adding squares, as a function of motion rms over the star's FWHM.

    From the seeing's transfer function exp(-3.44 (lambda f / r0)^(5/3)), FWHM 0.976 lambda / r0 (Fried 1966), times
    that of Gaussian motion; the width is read off the transformed profile.
    """
    frequency = np.linspace(0, 3, 1501)  # cycles in a FWHM; exp(-20) at the end
    seeing = frequency * np.exp(-3.44 * (0.976 * frequency) ** (5 / 3))

    def width(rms):
        transfer = seeing * np.exp(-2 * (np.pi * frequency * rms) ** 2)

        def above_half(radius):
            wave = special.j0(2 * np.pi * frequency * radius)
            return np.trapezoid(transfer * (wave - 0.5), frequency)

        return 2 * optimize.brentq(above_half, 1e-3, 2 + 3 * rms)

    still = width(0.0)
    ratios = np.concatenate([[0.01], np.geomspace(0.03, 6, 40)])
    weights = [((width(r * still) / still) ** 2 - 1) / (gaussian_sigma_to_fwhm * r) ** 2 for r in ratios]
    return interpolate.PchipInterpolator(ratios, weights), ratios[0], ratios[-1]


def add_motion(star_fwhm, variance):
    """FWHM of a star of long-exposure seeing that also moves.

    Parameters
    ----------
    star_fwhm : Quantity [angle]
    variance : Quantity [arcsec2]
        Of the motion along the axis in question; may be negative when guiding takes from the wander that `star_fwhm`
        contains.

    Returns
    -------
    Quantity [arcsec]
        Root of FWHM^2 + 8 ln(2) weight variance, where the weight (1.21 for little motion, 1.13 for an rms of half the
        FWHM) comes from the star's true shape. Plain adding of squares (weight 1, right for Gaussian stars) promises
        stars up to 3.5 per cent too small. Good to 1 per cent for round stars of any outer scale; across the long axis
        of a very long star up to 2 per cent too small.

    Raises
    ------
    ValueError
        More motion would be taken away than the star contains.
    """
    star_fwhm = as_quantity("star_fwhm", star_fwhm, u.arcsec, above=0)
    variance = as_quantity("variance", variance, u.arcsec**2)
    weight, least, most = _motion_weight()
    ratio = np.sqrt(np.maximum(variance, 0 * u.arcsec**2)) / star_fwhm
    square = star_fwhm**2 + gaussian_sigma_to_fwhm**2 * weight(np.clip(ratio.value, least, most)) * variance
    if np.any(square <= 0):
        raise ValueError(
            f"variance: expected no less than what a star of {star_fwhm.min():.3g} contains, found {variance.min():g}"
        )
    return np.sqrt(square)


def _optional(name, value, shape, unit=u.arcsec):
    if value is None:
        return np.zeros(shape)
    value = as_quantity(name, value, unit, ndim=2)
    if value.shape != shape:
        raise ValueError(f"{name}: expected the shape of pointing {shape}, found {value.shape}")
    return value.value


def final_image(pointing, star_fwhm, *, air=None, within=None, unseen=None, shake=0 * u.arcsec, rows=None):
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

    Returns
    -------
    FinalImage

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        Naming the argument.
    """
    pointing = as_quantity("pointing", pointing, u.arcsec, ndim=2).value
    if pointing.shape[1] != 2:
        raise ValueError(f"pointing: expected shape (n, 2), found {pointing.shape}")
    star_fwhm = as_quantity("star_fwhm", star_fwhm, u.arcsec, above=0, ndim=0)
    shake = as_quantity("shake", shake, u.arcsec, minimum=0, ndim=0).value
    shape = pointing.shape
    air, unseen = _optional("air", air, shape), _optional("unseen", unseen, shape)
    within = _optional("within", within, shape, u.arcsec**2)
    if np.any(within < 0):
        raise ValueError(f"within: expected variances of at least 0 arcsec2, found {within.min():g} arcsec2")
    rows = shape[0] if rows is None else as_count("rows", rows, minimum=1, maximum=shape[0])
    pictures = shape[0] // rows

    def covariance(series):
        cut = series[: pictures * rows].reshape(pictures, rows, 2)
        cut = cut - cut.mean(axis=1, keepdims=True)
        return np.einsum("pra,prb->pab", cut, cut) / rows

    added = covariance(pointing + unseen + air) - covariance(air)
    inside = within[: pictures * rows].reshape(pictures, rows, 2).mean(axis=1) + shake**2
    added += inside[:, :, None] * np.eye(2)
    mean = added.mean(axis=0)
    along = add_motion(star_fwhm, np.diagonal(added, axis1=1, axis2=2) * u.arcsec**2)
    fwhm = add_motion(star_fwhm, np.diagonal(mean) * u.arcsec**2)
    shortest, longest = add_motion(star_fwhm, np.linalg.eigvalsh(mean) * u.arcsec**2)
    return FinalImage(fwhm, np.sqrt(np.mean(fwhm**2)), float(longest / shortest), mean * u.arcsec**2, along)
