"""How high a faint star stands among the pixels of a raw colour mosaic, as it is measured in a box.

Red, green and blue pixels take different shares of a star's light and of the sky's. So a narrow star is brighter on
some pixels than on others; and the edge of a small box, off which the level of the sky is read, may hold more pixels
of one colour than the mosaic does.
"""

import numpy as np

from helpers.starlight.faint_stars import edge_depth, measuring_box, measuring_window
from helpers.starlight.simulated_frames import MOSAIC

__all__ = ["mosaic_heights"]

_PLACES = (0.125, 0.375)  # of a star on its pixel, along each axis: both sides of a pixel's middle are alike


def mosaic_heights(spot, star_shares, sky):
    """Light under the window for a faint star, for stars on a pixel of each colour and at several places on it.

    The star stands within half a pixel of the middle of its box.

    Parameters
    ----------
    spot : SampledSpot
    star_shares : (3,) array
        Light of red, green and blue pixels against the mean pixel.
    sky : (3,) array
        What red, green and blue pixels hold besides [electron].

    Returns
    -------
    light : (16,) array
        Under the window, over the star's whole light.
    level : (16,) array
        What the sky adds under the window [electron], after the level read off the edge of the box was taken off.
    """
    box, window = measuring_box(spot.width), measuring_window(spot.width)
    depth, away = edge_depth(box), np.arange(box) - box // 2
    edge = np.ones((box, box), bool)
    edge[depth:-depth, depth:-depth] = False
    light, level = [], []
    for first_row, first_column in np.ndindex(2, 2):
        tile = np.tile(np.roll(MOSAIC, (-first_row, -first_column), axis=(0, 1)), (box // 2 + 1, box // 2 + 1))
        colour = tile[:box, :box]
        rest = sky[colour] - sky[colour][edge].mean()
        for x in _PLACES:
            for y in _PLACES:
                distance = np.hypot((away - y)[:, None], away - x)
                under = np.exp(-((distance / window) ** 2) / 2)
                light.append(np.sum(spot.share_of_pixel(distance) * star_shares[colour] * under))
                level.append(np.sum(rest * under))
    return np.array(light), np.array(level)
