"""What a pick-off mirror lets through: how much of the beam each place of the guide sensor receives."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.rig.beam import beam_share, checked_optics
from helpers.rig.parts import Camera, GuideOptics
from helpers.shared.checks import count, instance, quantity, takes

# Width and height in mm of the usual sensor formats; the names go back to the tubes of old television cameras. Common
# practice, no source.
SENSOR_FORMATS = {'1/3"': (4.8, 3.6), '1/2"': (6.4, 4.8), '2/3"': (8.8, 6.6), '1"': (12.8, 9.6), '4/3"': (17.3, 13.0)}


@dataclass(frozen=True)
class LitField:
    """A guide sensor in the light of its optics.

    x (columns,) and y (rows,) are places on the sensor from its centre, in mm; y points away from the main axis.
    fraction (rows, columns) is the share of the beam that arrives; cell_area the sky behind one place.
    """

    x: u.Quantity
    y: u.Quantity
    fraction: np.ndarray
    cell_area: u.Quantity

    @property
    def area(self):
        """Sky behind the whole sensor, lit or not."""
        return (self.cell_area * self.fraction.size).to(u.arcmin**2)

    @property
    def lit_area(self):
        """Sky that the sensor would see with the full beam and still get as much light in all."""
        return (self.cell_area * self.fraction.sum()).to(u.arcmin**2)


def _as_optics(name, value):
    return checked_optics(instance(GuideOptics)(name, value))


_SIDE, _CELLS = quantity(u.mm, above=0, maximum=1000, ndim=0), count(minimum=1, maximum=2000)
_PLACE = quantity(u.mm, minimum=-1e4, maximum=1e4, most_values=4_000_000)


@takes("x y", x=_PLACE, y=_PLACE, optics=_as_optics)
def lit_fraction(x, y, optics):
    """Share of a star's light that reaches a place behind the guide optics.

    The beam of a star is a disc (with the shadow of the secondary mirror) where it meets the pick-off mirror; what
    falls beside the mirror is lost. The mirror is square, at 45 degrees, its tilt away from the main axis.

    Parameters
    ----------
    x, y : Quantity, length
        From the centre of the field, y away from the main axis; broadcast.
    optics : GuideOptics

    Returns
    -------
    ndarray or float
        0 to 1; 1 everywhere for a guide telescope.

    References
    ----------
    Geometry of shadows (vignetting); areas of a disc cut by a rectangle, exact.
    """
    fraction = beam_share(*np.broadcast_arrays(x.value, y.value), optics)
    return float(fraction) if fraction.ndim == 0 else fraction


@takes(optics=_as_optics, camera=instance(Camera), cells=_CELLS)
def lit_field(optics, camera, cells=48):
    """The guide sensor of a rig in the light of its optics.

    Parameters
    ----------
    optics : GuideOptics
    camera : Camera
        Its long side (columns) lies across the tilt of the mirror.
    cells : int
        Places along the long side at which the light is computed.

    Returns
    -------
    LitField
    """
    width, height = (camera.pixel_size * number for number in (camera.columns, camera.rows))
    return sensor_field(optics, width, height, cells)


@takes(optics=_as_optics, width=_SIDE, height=_SIDE, cells=_CELLS)
def sensor_field(optics, width, height, cells=48):
    """`lit_field` for a sensor of a given width and height (Quantity, length)."""
    longest = max(width, height)
    columns, rows = (max(round(float(side / longest) * cells), 1) for side in (width, height))
    x = ((np.arange(columns) + 0.5) / columns - 0.5) * width
    y = ((np.arange(rows) + 0.5) / rows - 0.5) * height
    fraction = lit_fraction(x[None, :], y[:, None], optics)
    cell_area = width * height / (columns * rows) / optics.focal_length**2
    return LitField(x, y, np.atleast_2d(fraction), cell_area.to(u.arcmin**2, u.dimensionless_angles()))


@takes(optics=_as_optics)
def off_axis_angle(optics):
    """How far the centre of the guide field is from the main axis on the sky."""
    return np.arctan2(optics.off_axis_distance, optics.focal_length).to(u.arcmin)
