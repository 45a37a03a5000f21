"""Coma: what a plain reflector without corrector makes of a guide star away from its axis."""

from functools import lru_cache

import astropy.units as u
import numpy as np

from helpers.guide_field.pick_off import off_axis_angle
from helpers.rig.parts import Rig
from helpers.shared.checks import instance, number, quantity, takes
from helpers.shared.optics import phase_structure
from helpers.starlight.widths import guide_star, guide_star_fwhm

# Of the sums below; twice as many of each change the club's width by less than half a per cent.
_FREQUENCIES, _DIRECTIONS, _POINTS = 40, 12, 4000
_SHARPEST = 1.5  # Fried parameters: of detail as fine as two points of the mirror so far apart show, air leaves nothing


@takes(
    "focal_ratio field_angle",
    focal_ratio=number(minimum=0.1, maximum=1000, ndim=None),
    field_angle=quantity(u.arcsec, minimum=0, maximum=324_000),
)
def coma_length(focal_ratio, field_angle):
    """Length of the comet-like image of a star away from the axis of a plain reflector (paraboloid, no corrector).

    An estimate: third order, no other error of the mirror, no corrector in front. Most of the light lies in the third
    next to the head; the width is two thirds of the length.

    Parameters
    ----------
    focal_ratio : float
        0.1 to 1000.
    field_angle : Quantity, angle
        From the main axis, 0 to 90 degrees.

    Returns
    -------
    Quantity, arcsec

    References
    ----------
    Schroeder, Astronomical Optics, 2nd ed. 2000, chapter 6: tangential coma of a paraboloid 3 theta / (16 F^2).
    """
    return 3 * field_angle / (16 * focal_ratio**2)


@takes(rig=instance(Rig))
def coma_shift(rig):
    """How far coma moves the middle of a guide star's light away from the axis; without a corrector.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    Quantity [arcsec]
        The same in every exposure. It grows in step with the distance from the axis, as if the focal length were
        longer by the shift over `off_axis_angle`: guiding does not notice it.

    References
    ----------
    Schroeder, as for `width_without_corrector`: the mean of 2 C r^2 over a mirror with a hole, C (1 + hole^2).
    """
    return _length(rig) / 3 * (1 + rig.guide_optics.central_obstruction**2)


@takes(rig=instance(Rig))
def width_without_corrector(rig):
    """Width of a round star whose centre is known as badly as that of the comet of a plain reflector.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    Quantity [arcsec]
        FWHM; for stars that are faint against sky and reading. Both by the best way to measure them: a program that
        takes a comet for a round star errs up to a quarter more.

    References
    ----------
    Schroeder, Astronomical Optics, 2nd ed. 2000, chapters 5 and 10: coma bends the wave by C R r^2 x at a place (x, y),
    r from the middle of a mirror of radius R (both over R), with C = theta / (16 F^2); transfer function of a mirror as
    the overlap of its bent wave with the same moved aside.
    Winick 1986, J. Opt. Soc. Am. A 3, 1809: behind a noisy background the variance of a centre goes with 1 / (sum of
    the squared slopes of the image), for one shape with the fourth power of its width.
    """
    optics = rig.guide_optics
    return guide_star_fwhm(rig) * _broader(guide_star(rig), _length(rig).to_value(u.rad), optics.central_obstruction)


def _length(rig):
    optics = rig.guide_optics
    return coma_length(float(optics.focal_length / optics.aperture), off_axis_angle(optics))


@lru_cache(maxsize=64)
def _broader(star, length_rad, hole):
    """Fourth root of what a comet does to the variance of a centre, mean of both axes."""
    radius = star.diameter_m / 2
    apart = (np.arange(_FREQUENCIES) + 0.5) / _FREQUENCIES * min(_SHARPEST * star.r0_m, star.diameter_m)
    direction = (np.arange(_DIRECTIONS) + 0.5) / _DIRECTIONS * np.pi
    bent = length_rad / 3 * radius * 2 * np.pi / star.wavelength_m
    plain, comet = _transfer(apart / radius, direction, 0.0, hole), _transfer(apart / radius, direction, bent, hole)
    air = apart**3 * np.exp(-phase_structure(apart, star.r0_m, star.outer_scale_m))  # the square of its transfer
    variances = [
        np.mean([1 / (air @ transfer**2 @ share) for share in (np.cos(direction) ** 2, np.sin(direction) ** 2)])
        for transfer in (plain, comet)
    ]
    return float((variances[1] / variances[0]) ** 0.25)


def _transfer(apart, direction, bent, hole):
    """Transfer function of a mirror of radius 1 whose wave is bent by `bent` r^2 x [rad]; (distances, directions)."""
    number = np.arange(_POINTS) + 0.5
    turn = np.pi * (3 - np.sqrt(5)) * number  # evenly strewn: Vogel 1979, Mathematical Biosciences 44, 179
    place = np.sqrt(number / _POINTS) * np.exp(1j * turn)
    found = np.zeros((apart.size, direction.size))
    for k, distance in enumerate(apart):
        shift = distance / 2 * np.exp(1j * direction)[:, None]
        phase, inside = 0.0, 1.0
        for side in (-1, 1):
            there = place + side * shift
            size = np.abs(there)
            inside = inside * ((size <= 1) & (size >= hole))
            phase = phase + side * bent * size**2 * there.real
        found[k] = np.abs(np.mean(inside * np.exp(1j * phase), axis=1)) / (1 - hole**2)
    return found
