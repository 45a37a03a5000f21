"""A camera's FITS frames on disk: checked when opened, read one at a time, sorted into bias, darks and flats."""

import os
import re
import warnings
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np

from helpers.shared import checks
from helpers.shared.files import TableError, existing_file
from helpers.shared.pictures import axes_of, check_parts, first_picture, read_fits_image, told_in_words

IN_MEMORY = 100e6  # bytes; larger sets are read one frame at a time
LARGEST = 1e12  # no camera writes larger numbers; larger ones are damage
# Words of the header card IMAGETYP, or of the names of file and folder (common practice, no source).
_KINDS = {"bias": ("bias", "offset", "zero"), "dark": ("dark",), "flat": ("flat",)}
_ENDING = re.compile(r"\.(fits|fit|fts)(\.(gz|fz|bz2))?$", re.IGNORECASE)
_LONGEST_EXPOSURE = 1e5  # seconds
_LONGEST_BIAS = 1.0  # seconds (common practice, no source)
# Header cards that must not change within a check (common practice, no source).
_SETTINGS = ("GAIN", "OFFSET", "XBINNING", "YBINNING", "READOUTM", "BAYERPAT")


@dataclass(frozen=True)
class _Place:
    """Where one frame is: its file, its plane in a cube, and whether its numbers can be taken as they are stored."""

    path: Path
    plane: int
    planes: int
    plain: bool

    def __str__(self):
        return self.path.name if self.planes == 1 else f"{self.path.name}, frame {self.plane + 1}"


class FrameSet:
    """Frames as if they were one array of shape (n, rows, columns), each looked up when it is asked for.

    Has `shape`, `dtype`, an index and a `place` in words for each frame; made by `open_frames` and `choose`.
    """

    ndim = 3

    def __len__(self):
        return self.shape[0]

    def __iter__(self):
        return (self[number] for number in range(len(self)))


class _Chosen(FrameSet):
    """Some frames of a set."""

    def __init__(self, frames, numbers, kind):
        self.frames, self.numbers, self.kind = frames, numbers, kind
        self.shape, self.dtype = (len(numbers), *frames.shape[1:]), frames.dtype

    def place(self, number):
        return place_of(self.frames, int(self.numbers[number]), self.kind)

    def __getitem__(self, number):
        return self.frames[int(self.numbers[number])]


def choose(frames, numbers, kind):
    """Some frames of an array or of a `FrameSet`, which stay where they are; `kind` names them in words."""
    return _Chosen(frames, numbers, kind)


def place_of(frames, number, kind):
    """Where a frame of a set is: its file, or its number."""
    return frames.place(number) if isinstance(frames, FrameSet) else f"{kind} frame {number + 1}"


class Frames(FrameSet):
    """Frames in FITS files. ``numpy.asarray(frames)`` reads all. Made by `open_frames`.

    Of packed files and those of broken numbers the last one read is kept: going through the frames of a cube reads it
    once.
    """

    def __init__(self, places, shape, dtype, headers):
        self.places, self.dtype, self.headers = tuple(places), np.dtype(dtype), tuple(headers)
        self.shape = (len(self.places), *shape)
        self._kept = (None, None)

    def __getitem__(self, index):
        if isinstance(index, slice):
            return Frames(self.places[index], self.shape[1:], self.dtype, self.headers[index])
        place, shape = self.places[index], self.shape[1:]
        if place.plain:
            return _read_plain(place, shape, self.dtype)
        if self._kept[0] != place.path:
            self._kept = (None, None)  # let go of the last one before the next is read
            self._kept = (place.path, _read_whole(place, shape, self.dtype))
        frame = self._kept[1][place.plane]
        return frame if place.planes > 1 else frame.copy()

    def place(self, number):
        """File (and plane of a cube) of a frame, in words."""
        return str(self.places[number])

    def __array__(self, dtype=None, copy=None):
        whole = np.empty(self.shape, dtype or self.dtype)
        for number, frame in enumerate(self):
            whole[number] = frame
        return whole


def _read_plain(place, shape, dtype):
    """One frame of whole numbers as they are stored."""
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            with fits.open(place.path, memmap=False, do_not_scale_image_data=True, lazy_load_hdus=True) as file:
                part = file[0]
                if part.shape[-2:] != tuple(shape) or len(part.shape) != 2 + (place.planes > 1):
                    raise TableError(f"{place}: the file changed while it was read")
                frame = part.section[place.plane] if place.planes > 1 else part.data
        except TableError:
            raise
        except Exception as error:  # one sentence, whatever astropy met in a damaged file
            raise TableError(f"{place}: the file is cut short or changed while it was read") from error
    frame = np.asarray(frame).astype(f"i{dtype.itemsize}" if dtype.itemsize > 1 else "u1").reshape(shape)
    if dtype.kind == "u" and dtype.itemsize > 1:
        # FITS knows signed integers only; unsigned ones are stored less half their range (FITS Standard 4.0, table 11).
        frame = frame.view(dtype)
        frame ^= dtype.type(1 << (8 * dtype.itemsize - 1))
    return frame


def _read_whole(place, shape, dtype):
    """All frames of a file, with a check of what a header can't tell."""
    data, _ = read_fits_image(place.path)
    if data.size != place.planes * np.prod(shape) or data.shape[-2:] != tuple(shape):
        raise TableError(f"{place}: the file changed while it was read")
    if data.dtype.newbyteorder("=") != dtype:
        raise TableError(f"{place}: the file changed while it was read")
    data = data.reshape(-1, *shape)
    if dtype.kind == "f":
        for plane, frame in enumerate(data):
            if not np.all(np.abs(frame) <= LARGEST):
                row, column = np.argwhere(~(np.abs(frame) <= LARGEST))[0]
                at = _Place(place.path, plane, place.planes, place.plain)
                raise TableError(
                    f"{at}: row {row}, column {column}: expected a number of a camera, found {frame[row, column]}"
                )
    return data.astype(dtype, copy=False)


def _plain_dtype(header):
    """Type of the pixels once scaled, if the stored numbers can be taken as they are, else None."""
    if any(card in header for card in ("BLANK", "CHECKSUM", "DATASUM")):
        return None
    stored = header["BITPIX"], header.get("BZERO", 0), header.get("BSCALE", 1)
    # Floats are read whole, for a check for NaN. Unsigned 16 bit: FITS Standard 4.0, table 11.
    return {
        (8, 0, 1): np.dtype("u1"),
        (16, 0, 1): np.dtype("i2"),
        (32, 0, 1): np.dtype("i4"),
        (16, 2**15, 1): np.dtype("u2"),
    }.get(stored)


def _open_whole(path):
    """Shape, type and header of the first picture of a file, and whether its numbers can be taken as they are stored.

    A file of one plain picture is known by its header and its length; any other is read in full once, which checks its
    sums and its packed bytes.
    """
    from astropy.io import fits

    with told_in_words(path):
        check_parts(path)
        with fits.open(path, memmap=False, lazy_load_hdus=True, checksum=False) as file:
            part, number = first_picture(path, file)
            header = part.header
            if number == 0 and _is_plain(path, header):
                return tuple(axes_of(path, header)), _plain_dtype(header), header.copy(), True
        with fits.open(path, memmap=False, checksum=True) as file:
            part, number = first_picture(path, file)
            if part.header.get("SIMPLE", True) is not True:
                raise TableError(f"{path.name}: expected a FITS file (SIMPLE is true), found {part.header['SIMPLE']}")
            data = part.data
            return np.shape(data), None if data is None else data.dtype.newbyteorder("="), part.header, False


def _is_plain(path, header):
    """Whether a file is one plain picture of whole numbers and nothing else, by its header and its length."""
    axes = axes_of(path, header)
    dtype = _plain_dtype(header)
    if dtype is None or len(axes) not in (2, 3) or 0 in axes or header.get("SIMPLE") is not True:
        return False
    if header.get("PCOUNT", 0) != 0 or header.get("GROUPS", False):
        return False
    start = len(header.tostring())
    return path.stat().st_size == start + -(-int(np.prod(axes, dtype=object)) * dtype.itemsize // 2880) * 2880


def _open(path):
    """Places, shape, type and header of the frames of one file, from its header only where that is enough."""
    path = existing_file(path)
    shape, dtype, header, plain = _open_whole(path)
    if len(shape) not in (2, 3) or 0 in shape:
        raise TableError(f"{path.name}: expected a picture of 2 or 3 dimensions, found shape {tuple(shape)}")
    if str(_card(path, header, "CTYPE3")).strip().upper() == "RGB":
        raise TableError(f"{path.name}: expected a raw frame, found a finished colour picture (CTYPE3 is RGB)")
    planes = shape[0] if len(shape) == 3 else 1
    return [_Place(path, plane, planes, plain) for plane in range(planes)], tuple(shape[-2:]), dtype, header


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
    if isinstance(paths, (str, os.PathLike)):
        paths = [paths]
    if isinstance(paths, bytes) or not hasattr(paths, "__iter__"):
        raise TypeError(f"paths: expected the name of a file or a list of names, found {paths!r:.40}")
    paths = list(paths)
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


@checks.takes(in_memory=checks.number(minimum=0))
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
    differ from file to file; `remarks` are sentences on what was decided about doubtful files; `temperatures` is the
    range of the sensor's temperature [deg C] if the headers tell it.
    """

    bias: Frames | None
    darks: list
    flats: list
    mosaic: bool | None = None
    setting_changes: tuple = ()
    remarks: tuple = ()
    temperatures: tuple = ()


def _card(path, header, name):
    """Value of a header card, or None; a card that can't be read is named."""
    from astropy.io import fits

    try:
        return header.get(name)
    except fits.VerifyError as error:
        raise TableError(f"{path.name}: expected a value in the header card {name}, found rubbish") from error


def _kinds_in(text):
    return [kind for kind, words in _KINDS.items() if any(word in text.lower() for word in words)]


def _kind(path, header):
    """ "bias", "dark" or "flat" from the header, else from the names of file and folder; and a remark or ""."""
    said = str(_card(path, header, "IMAGETYP") or "").strip()
    of_header = _kinds_in(said)
    named = next((kinds for text in (path.stem, path.parent.name) if len(kinds := _kinds_in(text)) == 1), [])
    if len(of_header) == 1:
        # Only the name of the file speaks against its header: folders are called all sorts of things.
        of_name = _kinds_in(path.stem)
        if len(of_name) == 1 and of_name != of_header:
            raise TableError(
                f"{path.name}: expected one kind of frame, found {said!r} in the header (IMAGETYP) and "
                f"{of_name[0]!r} in the name of the file; which is it?"
            )
        if named and named != of_header:
            return of_header[0], (
                f"{path.name} is in the folder {path.parent.name!r}, but its header says {said!r}: "
                f"taken as a {of_header[0]}"
            )
        return of_header[0], ""
    if not named:
        raise TableError(
            f"{path.name}: is it a bias, dark or flat frame? expected one of these words in the header (IMAGETYP), "
            f"in the name of the file or of its folder, found {said or 'none'!r}"
        )
    remark = f"the header of {path.name} says {said!r}, its name says {named[0]}: taken as a {named[0]}" if said else ""
    return named[0], remark


def _exposure(path, header):
    """Exposure in seconds, or None."""
    for card in ("EXPTIME", "EXPOSURE"):
        value = _card(path, header, card)
        if value is not None:
            if not _is_number(value) or not 0 <= value <= _LONGEST_EXPOSURE:
                raise TableError(f"{path.name}: expected {card} in seconds, found {value!r:.40}")
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


def _files_in(folder):
    """FITS files of a folder and its sub-folders, packed ones too."""
    if not folder.is_dir():
        raise FileNotFoundError(f"{folder}: expected a folder of FITS files, found none")
    found = sorted(path for path in folder.rglob("*") if _ENDING.search(path.name) and path.is_file())
    if not found:
        raise TableError(f"{folder.name}: expected FITS files in the folder, found none")
    return found


def _told(place, header):
    """Kind, exposure and remark of one frame; TableError where they can't be told or make no sense."""
    path = place.path
    if place.planes == 3:
        raise TableError(
            f"{path.name}: expected single frames or a cube of many, found 3 planes, as in a finished colour picture; "
            "if they are three raw frames, save them one by one"
        )
    kind, remark = _kind(path, header)
    exposure = _exposure(path, header)
    if kind == "bias":
        if exposure is not None and exposure > _LONGEST_BIAS:
            raise TableError(
                f"{path.name}: expected the shortest exposure of the camera for a bias (at most {_LONGEST_BIAS:g} s), "
                f"found EXPTIME {exposure:g} s; a dark?"
            )
        return kind, None, remark
    if exposure == 0 or (kind == "dark" and exposure is None):
        raise TableError(f"{path.name}: expected the exposure of a {kind} in seconds (EXPTIME), found {exposure}")
    return kind, exposure, remark


def sort_frames(paths):
    """Sort FITS files of one camera into bias, darks and flats by their headers, else by their names.

    Parameters
    ----------
    paths : path of a folder, or list of paths of files
        In a folder, files ending in .fits, .fit or .fts are taken, packed ones (.gz, .fz, .bz2) and sub-folders too.

    Returns
    -------
    CameraFiles

    Raises
    ------
    TypeError, FileNotFoundError, TableError
        See `open_frames`; also a file whose kind or exposure can't be told or makes no sense, a finished colour
        picture, and a folder without FITS files.
    """
    if isinstance(paths, (str, os.PathLike)):
        paths = _files_in(Path(paths))
    frames = open_frames(paths)
    groups, files, remarks = {"bias": {}, "dark": {}, "flat": {}}, {}, []
    for number, (place, header) in enumerate(zip(frames.places, frames.headers, strict=True)):
        if place.path not in files:
            files[place.path] = header
            kind, exposure, remark = _told(place, header)
            remarks += [remark] if remark else []
        groups[kind].setdefault(exposure, []).append(number)

    def chosen(numbers):
        headers = [frames.headers[number] for number in numbers]
        return Frames([frames.places[number] for number in numbers], frames.shape[1:], frames.dtype, headers)

    def several(kind):
        known = sorted(exposure for exposure in groups[kind] if exposure is not None)
        listed = [(exposure * u.s, chosen(groups[kind][exposure])) for exposure in known]
        return listed + ([(None, chosen(groups[kind][None]))] if None in groups[kind] else [])

    if len(remarks) > 2:
        remarks = [*remarks[:2], f"and {len(remarks) - 2} more files like these"]
    return CameraFiles(
        bias=chosen(groups["bias"][None]) if groups["bias"] else None,
        darks=several("dark"),
        flats=several("flat"),
        mosaic=True if any("BAYERPAT" in header for header in files.values()) else None,
        setting_changes=_setting_changes(files),
        remarks=tuple(remarks),
        temperatures=_temperatures(files),
    )
