"""A camera's FITS frames on disk: checked when opened, read one at a time, sorted into bias, darks and flats."""

import os
import warnings
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np

from helpers.shared.files import TableError, existing_file, read_fits_image

IN_MEMORY = 100e6  # bytes; larger sets are read one frame at a time
LARGEST = 1e12  # no camera writes larger numbers; larger ones are damage
# Words of the header card IMAGETYP, or of the names of file and folder (common practice, no source).
_KINDS = {"bias": ("bias", "offset", "zero"), "dark": ("dark",), "flat": ("flat",)}
# Header cards that must not change within a check (common practice, no source).
_SETTINGS = ("GAIN", "OFFSET", "XBINNING", "YBINNING", "READOUTM", "BAYERPAT")


@dataclass(frozen=True)
class _Place:
    """Where one frame is: its file, its plane in a cube, and where its bytes start if they can be read as they are."""

    path: Path
    plane: int
    planes: int
    first_byte: int | None

    def __str__(self):
        return self.path.name if self.planes == 1 else f"{self.path.name}, frame {self.plane + 1}"


class Frames:
    """Frames in FITS files as if they were one array of shape (n, rows, columns), read when they are asked for.

    Indexing and loops read; ``numpy.asarray(frames)`` reads all. Made by `open_frames`.
    """

    ndim = 3

    def __init__(self, places, shape, dtype, headers):
        self.places, self.dtype, self.headers = tuple(places), np.dtype(dtype), tuple(headers)
        self.shape = (len(self.places), *shape)

    def __len__(self):
        return len(self.places)

    def __getitem__(self, index):
        if isinstance(index, slice):
            return Frames(self.places[index], self.shape[1:], self.dtype, self.headers[index])
        return _read(self.places[index], self.shape[1:], self.dtype)

    def place(self, number):
        """File (and plane of a cube) of a frame, in words."""
        return str(self.places[number])

    def __iter__(self):
        return (_read(place, self.shape[1:], self.dtype) for place in self.places)

    def __array__(self, dtype=None, copy=None):
        whole = np.empty(self.shape, dtype or self.dtype)
        for number, frame in enumerate(self):
            whole[number] = frame
        return whole


def _read(place, shape, dtype):
    """One frame, with a check of what a header can't tell."""
    if place.first_byte is not None:
        size = int(np.prod(shape))
        start = place.first_byte + place.plane * size * dtype.itemsize
        stored = np.fromfile(place.path, dtype.newbyteorder(">"), size, offset=start)
        if stored.size < size:
            raise TableError(f"{place}: the file is cut short: expected {size} pixels, found {stored.size}")
        frame = stored.astype(dtype).reshape(shape)
        if dtype == np.uint16:
            # FITS knows signed integers only; unsigned ones are stored less 32768 (FITS Standard 4.0, table 11).
            frame ^= 0x8000
        return frame
    data, _ = read_fits_image(place.path)
    frame = data.reshape(-1, *shape)[place.plane] if data.size == place.planes * np.prod(shape) else data
    if frame.shape != tuple(shape) or frame.dtype.newbyteorder("=") != dtype:
        raise TableError(f"{place}: the file changed while it was read")
    if dtype.kind == "f" and not np.all(np.abs(frame) <= LARGEST):
        row, column = np.argwhere(~(np.abs(frame) <= LARGEST))[0]
        raise TableError(
            f"{place}: row {row}, column {column}: expected a number of a camera, found {frame[row, column]}"
        )
    return frame.astype(dtype, copy=False)


def _plain_dtype(header):
    """Type of the pixels once scaled, if their bytes can be taken as they are, else None."""
    if any(card in header for card in ("BLANK", "CHECKSUM", "DATASUM")):
        return None
    stored = header["BITPIX"], header.get("BZERO", 0), header.get("BSCALE", 1)
    # Floats go through astropy and a check for NaN. Unsigned 16 bit: FITS Standard 4.0, table 11.
    return {
        (8, 0, 1): np.dtype("u1"),
        (16, 0, 1): np.dtype("i2"),
        (32, 0, 1): np.dtype("i4"),
        (16, 2**15, 1): np.dtype("u2"),
    }.get(stored)


def _plain(path):
    """Shape, type, header and first byte of a file that holds one plain picture and nothing unusual, else None.

    Quicker than opening the file through astropy, which looks at all that None is returned for.
    """
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            with path.open("rb") as file:
                if file.read(10) != b"SIMPLE  = ":
                    return None
                file.seek(0)
                header = fits.Header.fromfile(file)
                start = file.tell()
            axes = [header[f"NAXIS{number}"] for number in range(header["NAXIS"], 0, -1)]
            dtype = _plain_dtype(header)
            usual = header["SIMPLE"] is True and header.get("PCOUNT", 0) == 0 and not header.get("GROUPS", False)
        except Exception:  # noqa: BLE001  whatever it is, the full reader finds the words for it
            return None
    if not usual or dtype is None or len(axes) not in (2, 3) or not all(type(n) is int and n > 0 for n in axes):
        return None
    size = start + -(-int(np.prod(axes, dtype=object)) * dtype.itemsize // 2880) * 2880
    return (tuple(axes), dtype, header, start) if path.stat().st_size == size else None


def _through_astropy(path):
    """The same of any file, read in full once: checks its sums and its packed bytes, and finds words for what
    is wrong.
    """
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a damaged file must not be read in part with only a warning
        try:
            with fits.open(path, memmap=False, checksum=True) as file:
                part = next((part for part in file if part.is_image and part.header.get("NAXIS", 0) > 0), None)
                if part is None:
                    raise TableError(f"{path.name}: expected a picture, found none in the file")
                shape, header = np.shape(part.data), part.header
                if header.get("SIMPLE", True) is not True:
                    raise TableError(f"{path.name}: expected a FITS file (SIMPLE is true), found {header['SIMPLE']}")
                return shape, None if part.data is None else part.data.dtype.newbyteorder("="), header, None
        except TableError:
            raise
        except Exception as error:  # one sentence, whatever astropy met in a damaged file
            reason = " ".join(str(error).split())[:200] or type(error).__name__
            raise TableError(f"{path.name}: expected a readable FITS picture, found: {reason}") from error


def _open(path):
    """Places, shape, type and header of the frames of one file, from its header only where that is enough."""
    path = existing_file(path)
    shape, dtype, header, start = _plain(path) or _through_astropy(path)
    if len(shape) not in (2, 3) or 0 in shape:
        raise TableError(f"{path.name}: expected a picture of 2 or 3 dimensions, found shape {tuple(shape)}")
    if str(_card(path, header, "CTYPE3")).strip().upper() == "RGB":
        raise TableError(f"{path.name}: expected a raw frame, found a finished colour picture (CTYPE3 is RGB)")
    planes = shape[0] if len(shape) == 3 else 1
    return [_Place(path, plane, planes, start) for plane in range(planes)], tuple(shape[-2:]), dtype, header


def open_frames(paths):
    """Open FITS files as one set of frames, without reading their pixels yet.

    Parameters
    ----------
    paths : path or list of paths
        Single frames or cubes (frames, rows, columns), all of one size and type.

    Returns
    -------
    Frames

    Raises
    ------
    FileNotFoundError, TableError
        No file, no FITS, damaged, listed twice, or of another size or type than the first; the file is named.
    """
    paths = [paths] if isinstance(paths, (str, os.PathLike)) else list(paths)
    if not paths:
        raise ValueError("paths: expected at least one file, found none")
    places, headers, first, seen = [], [], None, set()
    for path in paths:
        found, shape, dtype, header = _open(path)
        name = found[0].path
        if name.resolve() in seen:
            raise TableError(f"{name.name}: the file is listed twice")
        seen.add(name.resolve())
        first = first or (name, shape, dtype)
        if shape != first[1]:
            raise TableError(
                f"{name.name}: expected {first[1][0]} rows and {first[1][1]} columns as in {first[0].name}, "
                f"found {shape[0]} and {shape[1]}"
            )
        if dtype != first[2]:
            raise TableError(f"{name.name}: expected numbers of type {first[2]} as in {first[0].name}, found {dtype}")
        places += found
        headers += [header] * len(found)
    return Frames(places, first[1], first[2], headers)


def read_frames(paths, in_memory=IN_MEMORY):
    """Read FITS files into one array of frames.

    Parameters
    ----------
    paths : path or list of paths
        Single frames or cubes, all of one size and type.
    in_memory : float
        Bytes; above it the result stays on disk.

    Returns
    -------
    frames : ndarray, or Frames for a set larger than `in_memory`
        Shape (n, rows, columns), as stored, integer scaling applied. `Frames` has the same shape, is indexed and looped
        over in the same way, and reads one frame at a time.
    headers : list of astropy.io.fits.Header
        One for each frame.

    Raises
    ------
    FileNotFoundError, TableError
        See `open_frames`; also NaN or infinite pixels, with file, row and column.
    """
    frames = open_frames(paths)
    headers = list(frames.headers)
    if np.prod(frames.shape, dtype=float) * frames.dtype.itemsize > in_memory:
        return frames, headers
    return np.asarray(frames), headers


@dataclass(frozen=True)
class CameraFiles:
    """Frames of one camera sorted by kind: `bias` (Frames or None), `darks` and `flats` (lists of (exposure, Frames)).

    `mosaic` is True when the headers name a colour mosaic, else None; `setting_changes` are sentences on settings that
    differ from file to file; `temperatures` is the range of the sensor's temperature [deg C] if the headers tell it.
    """

    bias: Frames | None
    darks: list
    flats: list
    mosaic: bool | None = None
    setting_changes: tuple = ()
    temperatures: tuple = ()


def _card(path, header, name):
    """Value of a header card, or None; a card that can't be read is named."""
    from astropy.io import fits

    try:
        return header.get(name)
    except fits.VerifyError as error:
        raise TableError(f"{path.name}: expected a value in the header card {name}, found rubbish") from error


def _kind(path, header):
    """ "bias", "dark" or "flat" from the header, else from the names of file and folder."""
    texts = (str(_card(path, header, "IMAGETYP") or ""), path.stem, path.parent.name)
    for text in texts:
        kinds = [kind for kind, words in _KINDS.items() if any(word in text.lower() for word in words)]
        if len(kinds) == 1:
            return kinds[0]
    raise TableError(
        f"{path.name}: is it a bias, dark or flat frame? expected one of these words in the header (IMAGETYP), "
        f"in the name of the file or of its folder, found {texts[0] or 'none'!r}"
    )


def _exposure(path, header):
    """Exposure in seconds, or None."""
    for card in ("EXPTIME", "EXPOSURE"):
        value = _card(path, header, card)
        if value is not None:
            if not _is_number(value) or value < 0:
                raise TableError(f"{path.name}: expected {card} in seconds, found {value!r}")
            return float(value)
    return None


def _setting_changes(files):
    changes = []
    for card in _SETTINGS:
        found = {}
        for path, header in files.items():
            found.setdefault(str("not given" if (value := _card(path, header, card)) is None else value), path.name)
        if len(found) > 1:
            texts = [f"{value} in {name}" for value, name in found.items()]
            changes.append(f"{card} is {', '.join(texts[:3])}")
    return tuple(changes)


def _temperatures(files):
    values = [_card(path, header, "CCD-TEMP") for path, header in files.items()]
    known = [float(value) for value in values if _is_number(value)]
    return (min(known), max(known)) if known else ()


def _is_number(value):
    return isinstance(value, (int, float)) and not isinstance(value, bool) and np.isfinite(value)


def sort_frames(paths):
    """Sort FITS files of one camera into bias, darks and flats by their headers, else by their names.

    Parameters
    ----------
    paths : path of a folder, or list of paths of files
        In a folder, files ending in .fits, .fit or .fts are taken, in sub-folders too.

    Returns
    -------
    CameraFiles

    Raises
    ------
    FileNotFoundError, TableError
        See `open_frames`; also a file whose kind or exposure can't be told, and a folder without FITS files.
    """
    if isinstance(paths, (str, os.PathLike)):
        folder = Path(paths)
        if not folder.is_dir():
            raise FileNotFoundError(f"{folder}: expected a folder of FITS files, found none")
        paths = sorted(path for path in folder.rglob("*") if path.suffix.lower() in (".fits", ".fit", ".fts"))
        if not paths:
            raise TableError(f"{folder.name}: expected FITS files in the folder, found none")
    frames = open_frames(paths)
    groups = {"bias": {}, "dark": {}, "flat": {}}
    files = {}
    for number, (place, header) in enumerate(zip(frames.places, frames.headers, strict=True)):
        files.setdefault(place.path, header)
        kind = _kind(place.path, header)
        exposure = _exposure(place.path, header)
        if kind == "bias":
            exposure = None
        elif exposure == 0 or (kind == "dark" and exposure is None):
            raise TableError(
                f"{place.path.name}: expected the exposure of a {kind} in seconds (EXPTIME), found {exposure}"
            )
        groups[kind].setdefault(exposure, []).append(number)

    def chosen(numbers):
        return Frames(
            [frames.places[i] for i in numbers], frames.shape[1:], frames.dtype, [frames.headers[i] for i in numbers]
        )

    def several(kind):
        known = sorted(exposure for exposure in groups[kind] if exposure is not None)
        listed = [(exposure * u.s, chosen(groups[kind][exposure])) for exposure in known]
        return listed + ([(None, chosen(groups[kind][None]))] if None in groups[kind] else [])

    mosaic = True if any("BAYERPAT" in header for header in files.values()) else None
    return CameraFiles(
        bias=chosen(groups["bias"][None]) if groups["bias"] else None,
        darks=several("dark"),
        flats=several("flat"),
        mosaic=mosaic,
        setting_changes=_setting_changes(files),
        temperatures=_temperatures(files),
    )
