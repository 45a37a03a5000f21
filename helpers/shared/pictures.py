"""Pictures in FITS files: how large they are is known, and refused where too large, before a pixel is read."""

import bz2
import contextlib
import gzip
import warnings
from pathlib import Path

import numpy as np

from helpers.shared.files import TableError, existing_file

LARGEST_FILE = 2e9  # bytes of pixels in one file; announced or unpacked, more is refused before it is read
_MORE_THAN_ANNOUNCED = 50e6  # bytes of further parts in a packed file
_MOST_PARTS = 100  # that are looked through for a picture
_MOST_AXES = 999  # FITS Standard 4.0, section 4.4.1
_BLOCK = 2880  # bytes (FITS Standard 4.0, section 3.1)
_MOST_COLUMNS = 999  # FITS Standard 4.0, section 7.3.1
_TILES = ("RICE_1", "RICE_ONE", "GZIP_1", "GZIP_2", "NOCOMPRESS")
_END = b"END".ljust(80)
_LONGEST_HEADER = 1000  # blocks


def axes_of(path, header):
    """Sizes of the axes of a picture, from a header; the first axis of the data first."""
    prefix = "Z" if header.get("ZIMAGE") is True else ""
    try:
        count = header[f"{prefix}NAXIS"]
        axes = [header[f"{prefix}NAXIS{number}"] for number in range(min(count, _MOST_AXES), 0, -1)]
    except Exception as error:  # a card that is missing or can't be read
        raise TableError(f"{path.name}: expected the sizes of the picture in the header (NAXIS), found none") from error
    if not all(type(size) is int for size in (count, *axes)) or any(size < 0 for size in axes):
        raise TableError(f"{path.name}: expected positive whole sizes in the header (NAXIS), found {axes}")
    return axes


def check_size(path, header):
    """Bytes of data that a header announces; TableError when they are more than we read, before one of them is read."""
    axes = axes_of(path, header)
    depth = header.get("ZBITPIX" if header.get("ZIMAGE") is True else "BITPIX", 8)
    bits = abs(depth) if type(depth) is int else 64
    size = int(np.prod(axes, dtype=object)) * bits // 8 if axes else 0
    if size > LARGEST_FILE:
        raise TableError(
            f"{path.name}: expected at most {LARGEST_FILE / 1e9:g} GB of pixels in one file, found {size / 1e9:.3g} GB "
            f"announced in the header (axes {axes}); split the cube"
        )
    if header.get("ZIMAGE") is True:
        _check_tiles(path, header, axes)
    if header.get("XTENSION", "").strip() == "BINTABLE":
        rows = [header.get(name, 0) for name in ("NAXIS1", "NAXIS2", "PCOUNT")]
        if not all(type(value) is int and value >= 0 for value in rows):
            raise TableError(f"{path.name}: expected positive whole sizes in the header (NAXIS, PCOUNT), found {rows}")
        columns = header.get("TFIELDS", 0)
        if type(columns) is not int or not 0 <= columns <= _MOST_COLUMNS:
            raise TableError(f"{path.name}: expected at most {_MOST_COLUMNS} columns (TFIELDS), found {columns!r:.40}")
        size = max(size, rows[0] * rows[1] + rows[2])
    return size


def _check_tiles(path, header, axes):
    """TableError where tiles and sizes don't fit, or are packed in a way whose unpacking trusts what stands in them.

    A damaged tile of HCOMPRESS or PLIO can end the whole program.

    References
    ----------
    FITS Standard 4.0, section 10.1 (tiled images).
    """
    kind = str(header.get("ZCMPTYPE", "")).strip()
    if kind not in _TILES:
        raise TableError(f"{path.name}: expected tiles packed by {', '.join(_TILES)}, found {kind!r:.40}")
    sizes = [header.get(f"ZTILE{k}", axes[-1] if k == 1 else 1) for k in range(1, len(axes) + 1)]
    if not all(type(size) is int and size > 0 for size in sizes):
        raise TableError(f"{path.name}: expected positive whole sizes of tiles in the header (ZTILE), found {sizes}")
    tiles = int(np.prod([-(-axis // size) for axis, size in zip(axes[::-1], sizes, strict=True)], dtype=object))
    if tiles != header.get("NAXIS2"):
        raise TableError(f"{path.name}: expected {tiles} tiles as its sizes tell, found {header.get('NAXIS2')}")


def _next_header(path, stream):
    """The next header of a stream, read block by block so that one without end is not read for ever."""
    from astropy.io import fits

    blocks = []
    while not blocks or not any(blocks[-1][k : k + 80] == _END for k in range(0, _BLOCK, 80)):
        blocks.append(stream.read(_BLOCK))
        if not blocks[0]:
            raise TableError(f"{path.name}: expected a picture, found none in the file")
        if len(blocks[-1]) < _BLOCK or len(blocks) > _LONGEST_HEADER or blocks[0][:1] not in b"SX":
            raise TableError(f"{path.name}: expected a readable FITS picture, found no whole header")
    return fits.Header.fromstring(b"".join(blocks).decode("latin-1"))


def check_parts(path):
    """TableError when a file announces sizes, or unpacks to more, than we read; astropy takes any size at its word."""
    with path.open("rb") as file:
        start = file.read(2)
    opener = {b"\x1f\x8b": gzip.open, b"BZ": bz2.open}.get(start, open)
    with opener(path, "rb") as stream:
        for _ in range(_MOST_PARTS):
            header = _next_header(path, stream)
            announced = check_size(path, header)
            kind = header.get("XTENSION", "IMAGE")
            if announced and (header.get("ZIMAGE") is True or str(kind).strip() == "IMAGE"):
                break
            stream.seek(-(-announced // _BLOCK) * _BLOCK, 1)
        else:
            raise TableError(f"{path.name}: expected a picture in the first {_MOST_PARTS} parts, found none")
        left = min(announced + _MORE_THAN_ANNOUNCED, LARGEST_FILE)
        while opener is not open and (part := stream.read(1 << 22)):
            left -= len(part)
            if left < 0:
                raise TableError(
                    f"{path.name}: expected {announced / 1e6:.3g} MB of pixels once unpacked, as in its header and at "
                    f"most {LARGEST_FILE / 1e9:g} GB, found more"
                )


def first_picture(path, file):
    """The first part of an open file that holds a picture, its size checked, and its number."""
    number = 0
    while True:
        try:
            part = file[number]
        except IndexError:
            raise TableError(f"{path.name}: expected a picture, found none in the file") from None
        check_size(path, part.header)
        if part.is_image and part.header.get("NAXIS", 0) > 0:
            return part, number
        number += 1


@contextlib.contextmanager
def told_in_words(path):
    """Whatever astropy meets in a damaged file, its warnings too, as a TableError of one sentence."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a damaged file must not be read in part with only a warning
        try:
            yield
        except TableError:
            raise
        except Exception as error:
            reason = " ".join(str(error).split())[:200] or type(error).__name__
            raise TableError(f"{path.name}: expected a readable FITS picture, found: {reason}") from error


def read_fits_image(path):
    """Read the first picture of a FITS file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    data : ndarray
        Two or three dimensions (a cube: frames, rows, columns), as stored, scaling applied.
    header : astropy.io.fits.Header

    Raises
    ------
    FileNotFoundError, TableError
        No FITS, cut short, larger than `LARGEST_FILE`, without a picture, or of other dimensions.
    """
    from astropy.io import fits

    path = existing_file(path)
    with told_in_words(path):
        check_parts(path)
        with fits.open(path, memmap=False, lazy_load_hdus=True) as file:
            part, _ = first_picture(path, file)
            data, header = part.data, part.header.copy()
    if data is None or data.ndim not in (2, 3) or data.size == 0:
        found = "no pixels" if data is None or data.size == 0 else f"shape {data.shape}"
        raise TableError(f"{path.name}: expected a picture of 2 or 3 dimensions, found {found}")
    return data, header


def positive_card(path, header, name, most, default=None):
    """A header card that must be a number above 0 and at most `most`; `default` if the card isn't there.

    A header may hold anything: text, truth values, numbers that are infinite once read.
    """
    try:
        value = header.get(name, default)
    except Exception:  # noqa: BLE001  astropy's words on a broken card help nobody
        value = "rubbish"
    if value is None or value is default:
        return default
    name_of_file = Path(path).name
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value <= most:
        raise TableError(
            f"{name_of_file}: expected a number above 0 and at most {most:g} as {name}, found {value!r:.40}"
        )
    return float(value)
