"""The beam of one star where it meets the mirror of a pick-off: how much of it passes."""

import astropy.units as u
import numpy as np

from helpers.rig.parts import GuideOptics
from helpers.shared.checks import as_instance, takes

TILT = np.cos(np.radians(45))  # a mirror at 45 degrees looks shorter by this along its tilt


def _corner_area(x, y):
    """Area of the unit disc between its centre lines and x, y; odd in both, so that areas of rectangles are
    differences.
    """
    across, up = np.minimum(np.abs(x), 1), np.minimum(np.abs(y), 1)

    def under_arc(t):
        return (t * np.sqrt(1 - t * t) + np.arcsin(t)) / 2

    flat = np.minimum(across, np.sqrt(1 - up * up))
    return np.sign(x) * np.sign(y) * (up * flat + under_arc(across) - under_arc(flat))


def _disc_in_rectangle(x, y, radius, half_width, half_height):
    """Area of a disc centred at x, y that lies inside a rectangle centred at 0."""
    left, right = (-half_width - x) / radius, (half_width - x) / radius
    low, high = (-half_height - y) / radius, (half_height - y) / radius
    area = _corner_area(right, high) - _corner_area(left, high) - _corner_area(right, low) + _corner_area(left, low)
    return area * radius**2


def as_optics(name, optics):
    """Guide optics whose mirror, if any, lies before the focus; TypeError or ValueError otherwise."""
    as_instance(name, optics, GuideOptics)
    if optics.kind == "pick-off" and optics.mirror_distance >= optics.focal_length:
        raise ValueError(
            f"{name}.mirror_distance: expected below the focal length {optics.focal_length:g}, "
            f"found {optics.mirror_distance:g}"
        )
    return optics


def checked_optics(optics):
    return as_optics("optics", optics)


@takes(optics=as_optics)
def beam_width(optics):
    """Width of the light of one star where it meets the pick-off mirror: mirror distance over focal ratio.

    Parameters
    ----------
    optics : GuideOptics

    Returns
    -------
    Quantity, mm
        0 mm for a guide telescope.
    """
    return (optics.mirror_distance * optics.aperture / optics.focal_length).to(u.mm)


@takes(optics=as_optics)
def mirror_outline(optics):
    """Width and height of the mirror as the beam sees it, in mm; the height runs away from the main axis, along the
    tilt.
    """
    side = optics.mirror_size.to(u.mm)
    return side, side * TILT


def beam_share(x_mm, y_mm, optics):
    """Share of a star's light that reaches places on the sensor, arrays in mm from its centre; unchecked."""
    if optics.kind != "pick-off":
        return np.ones(x_mm.shape)
    # The beam narrows towards the focus, and its axis leans: the mirror's shadow is a little larger on the sensor.
    shrink = 1 - (optics.mirror_distance / optics.focal_length).to_value("")
    half_width, half_height = (length.value / 2 for length in mirror_outline(optics))
    outer = max(beam_width(optics).value / 2, 1e-6)  # a mirror that touches the sensor has a sharp edge
    inner = outer * optics.central_obstruction
    passed = _disc_in_rectangle(x_mm * shrink, y_mm * shrink, outer, half_width, half_height)
    if inner > 1e-9:
        passed = passed - _disc_in_rectangle(x_mm * shrink, y_mm * shrink, inner, half_width, half_height)
    return np.clip(passed / (np.pi * (outer**2 - inner**2)), 0, 1)


@takes(optics=as_optics)
def middle_share(optics):
    """Share of a star's light that reaches the middle of the guide field; 1 for a guide telescope."""
    return float(beam_share(np.zeros(1), np.zeros(1), optics)[0])
