"""How many frames a second a camera reads out and a link carries."""

import astropy.units as u

from helpers.shared.checks import choice, count, frame_shape, number, optional, takes

# Bytes a second that a link really carries.
LINKS = {
    "USB 2": 37.5e6,  # common practice, no source: 35 to 40 MB/s of the 60 MB/s that 480 Mbit/s would be
    "USB 3": 380e6,  # common practice, no source: of the 500 MB/s that 5 Gbit/s carries after 8b/10b coding
    "gigabit Ethernet": 125e6 * 1472 / 1538,  # IEEE 802.3 frames of 1538 bytes with 1472 bytes of UDP data
}
# Rows a second that a sensor of this class reads out, by the bytes it sends. Common practice, no source: about 90
# frames a second at 8 bit and 70 at 16 bit (12 bit converted, sent as two bytes) for 1080 rows.
ROWS_PER_SECOND = {1: 90 * 1080, 2: 70 * 1080}

_SHAPE, _BITS, _LINK = frame_shape(), count(minimum=8, maximum=16), choice(tuple(LINKS))
_ROWS = optional(number(minimum=1, maximum=1e9))


def bytes_of(bit_depth):
    """Bytes that a pixel takes on its way: 1 for 8 bit, 2 for 9 to 16."""
    return 1 if bit_depth == 8 else 2


@takes(shape=_SHAPE, bit_depth=_BITS, link=_LINK)
def link_rate(shape, bit_depth, link):
    """Frames a second that a link carries.

    Parameters
    ----------
    shape, bit_depth, link
        As in `frame_rate`.

    Returns
    -------
    Quantity [1 / s]

    Raises
    ------
    ValueError, TypeError
    """
    columns, rows = shape
    return LINKS[link] / (columns * rows * bytes_of(bit_depth)) / u.s


@takes(shape=_SHAPE, bit_depth=_BITS, rows_per_second=_ROWS)
def sensor_rate(shape, bit_depth, rows_per_second=None):
    """Frames a second that the sensor reads out: its own limit, over the quickest link.

    Parameters
    ----------
    shape, bit_depth, rows_per_second
        As in `frame_rate`.

    Returns
    -------
    Quantity [1 / s]

    Raises
    ------
    ValueError, TypeError
    """
    return (rows_per_second or ROWS_PER_SECOND[bytes_of(bit_depth)]) / shape[1] / u.s


@takes(shape=_SHAPE, bit_depth=_BITS, link=_LINK, rows_per_second=_ROWS)
def frame_rate(shape, bit_depth, link, rows_per_second=None):
    """Frames a second: the slower of the sensor's rows and the link's bytes.

    Parameters
    ----------
    shape : tuple of int
        (columns, rows) that are read out; a smaller region is quicker.
    bit_depth : int
        8, or 9 to 16: those are sent as two bytes.
    link : str
        One of `LINKS`.
    rows_per_second : float, optional
        That the sensor reads out at this bit depth: its rows times the highest rate that its data sheet names.
        `ROWS_PER_SECOND` if not given.

    Returns
    -------
    Quantity [1 / s]

    Raises
    ------
    ValueError, TypeError

    References
    ----------
    Common practice, no source, for a sensor of two million pixels: 90 a second at 8 bit, 70 at 16 bit over USB 3.
    """
    return min(link_rate(shape, bit_depth, link), sensor_rate(shape, bit_depth, rows_per_second))
