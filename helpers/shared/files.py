"""Reading the reader's files through astropy, with errors that name file, row, column, what was found and expected.

Files are only read.
"""

import hashlib
import io
import os
import re
import warnings
import zlib
from pathlib import Path
from xml.parsers import expat

import astropy.units as u
import numpy as np
from astropy.table import Column, MaskedColumn, Table
from astropy.time import Time, TimeDelta

from helpers.shared import text_tables
from helpers.shared.text_tables import MOST_CELLS, MOST_COLUMNS, MOST_ROWS, TableError

__all__ = [
    "TableError",
    "column_names",
    "existing_file",
    "file_format",
    "read_table",
    "refuse_outside_streams",
    "runs",
]

MOST_BYTES = 300_000_000  # of a table, unpacked
_FORMATS = {
    ".ecsv": "ECSV",
    ".csv": "CSV",
    ".txt": "CSV",
    ".tsv": "CSV",
    ".dat": "CSV",
    ".fits": "FITS",
    ".fit": "FITS",
    ".fts": "FITS",
    ".vot": "VOTable",
    ".votable": "VOTable",
    ".xml": "VOTable",
}


def existing_file(path):
    """The path of a file that is there and not empty; an error names what is wrong otherwise."""
    if not isinstance(path, (str, os.PathLike)):
        raise TypeError(f"path: expected the name of a file, found {type(path).__name__} {path!r:.40}")
    path = Path(path)
    if path.is_dir():
        raise TableError(f"{path.name}: expected a file, found a folder")
    if not path.exists():
        raise FileNotFoundError(f"{path.name}: no such file in {path.absolute().parent}")
    if path.stat().st_size == 0:
        raise TableError(f"{path.name}: the file is empty")
    return path


def _content(path):
    """The file's bytes, unpacked if it was packed by gzip; more than the limit is refused before it is in memory."""
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise TableError(f"{path.name}: expected at most {MOST_BYTES:,} bytes, found {size:,}")
    raw = path.read_bytes()
    if not raw.startswith(b"\x1f\x8b"):
        return raw
    unpacker, parts, found, rest = zlib.decompressobj(31), [], 0, raw
    try:
        while rest and not unpacker.eof:
            parts.append(unpacker.decompress(rest, 1 << 24))
            found += len(parts[-1])
            if found > MOST_BYTES:
                raise TableError(f"{path.name}: expected at most {MOST_BYTES:,} bytes when unpacked, found more")
            rest = unpacker.unconsumed_tail
    except zlib.error as error:
        raise TableError(f"{path.name}: expected a whole gzip file, found: {error}") from error
    if not unpacker.eof:
        raise TableError(f"{path.name}: expected a whole gzip file, found one that was cut short")
    return b"".join(parts)


def _decoded(path, raw):
    """Text with one kind of line end; a byte order mark is dropped."""
    if b"\0" in raw:
        raise TableError(f"{path.name}: expected a text file, found binary data at byte {raw.index(0)}")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")  # every byte has a meaning there, so names with accents do not stop the reading
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def _text_of(path):
    return _decoded(path, _content(path))


# Written so in every encoding whose first 128 characters are ASCII; files in other encodings are looked through in
# full.
_SUSPICIOUS = re.compile(rb"<!(?:DOCTYPE|ENTITY)|<(?:[\w.-]+:)?(?:STREAM|include)\b")
_PLAIN_ENCODING = re.compile(rb"""<\?xml[^>]*encoding\s*=\s*["'](?:utf-8|us-ascii|iso-8859-1?\d)["']""", re.IGNORECASE)


def refuse_outside_streams(source, name=None):
    """Refuse an XML table (VOTable) that sends its reader to another file or address, or that defines entities.

    Nothing is opened or called: only tags are looked at. What is no XML at all passes; the reader of the table names
    that.

    Parameters
    ----------
    source : bytes, str or Path
        The file's content, or its path.
    name : str, optional
        Of the file, for the message; that of the path if not given.

    Raises
    ------
    TableError
        A STREAM with an address (VOTable 1.5, section 5.2), an inclusion (XInclude 1.0), a DOCTYPE or an ENTITY.
    """
    if not isinstance(source, bytes):
        path = existing_file(source)
        source, name = path.read_bytes(), name or path.name
    name = name or "the table"
    if source.startswith((b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"PK")):
        raise TableError(f"{name}: expected a table as plain text, found a packed one; unpack it first")
    plain = b"\0" not in source[:200] and (
        b"encoding" not in source[:200] or _PLAIN_ENCODING.search(source[:200]) is not None
    )
    if plain and not _SUSPICIOUS.search(source):
        return
    told = f"{name}: expected a table with all its rows in the file itself, found"

    def element(tag, attributes):
        kind = tag.rpartition(":")[2]
        address = next((value for key, value in attributes.items() if key.rpartition(":")[2] == "href"), None)
        if (kind == "STREAM" and address is not None) or kind == "include":
            raise TableError(f"{told} the address {address or ''!r:.60} in a {kind}; it was not followed")

    def definition(*_):
        raise TableError(f"{told} a document type or entities, which can lead elsewhere; it was not read")

    parser = expat.ParserCreate()
    parser.StartElementHandler = element
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = parser.ExternalEntityRefHandler = definition
    try:
        parser.Parse(source, True)
    except (expat.ExpatError, LookupError, ValueError) as error:
        if isinstance(error, TableError):
            raise
        # Damaged: what stands before the damage was looked at, and the reader of the table refuses the rest. Still,
        # nothing that looks like an address after the damage may get through a more patient reader.
        if _SUSPICIOUS.search(source):
            raise TableError(f"{told} damaged XML: {error}") from error


def file_format(path):
    """The kind of a table file: "ECSV", "CSV", "FITS" or "VOTable", from its first bytes, else from its ending."""
    path = existing_file(path)
    with path.open("rb") as file:
        start = file.read(512)
    if start.startswith(b"\x1f\x8b"):
        start = zlib.decompressobj(31).decompress(start, 512)
    return _kind_of(path, start)


def _kind_of(path, start):
    start = start[:512].lstrip(b"\xef\xbb\xbf").lstrip()
    if start.startswith(b"SIMPLE"):
        return "FITS"
    if start.startswith(b"# %ECSV"):
        return "ECSV"
    if start.startswith((b"<?xml", b"<VOTABLE")) or b"<VOTABLE" in start:
        return "VOTable"
    suffixes = [suffix.lower() for suffix in path.suffixes if suffix.lower() != ".gz"]
    try:
        return _FORMATS[suffixes[-1]]
    except (IndexError, KeyError):
        known = ", ".join(_FORMATS)
        raise TableError(f"{path.name}: unknown kind of file; expected one ending in {known}") from None


_TFORM = re.compile(r"(\d*)([LXBIJKAEDCMPQ])")
_TFORM_BYTES = {"L": 1, "B": 1, "I": 2, "J": 4, "K": 8, "A": 1, "E": 4, "D": 8, "C": 8, "M": 16, "P": 8, "Q": 16}


def _check_fits_sizes(name, content):
    """Refuse headers whose sizes are negative, beyond limits or file, or at odds with the columns' formats.

    References
    ----------
    FITS Standard 4.0, sections 4.4.1 (sizes) and 7.3 (binary tables).
    """
    from astropy.io import fits

    place = 0
    while place < len(content):
        end = re.compile(rb"END {77}").search(content, place, place + 2880 * 200)
        if end is None:
            raise TableError(f"{name}: expected a FITS header that ends within 200 blocks, found none")
        cards = fits.Header.fromstring(content[place : end.end()].decode("latin-1"))
        place += -(-(end.end() - place) // 2880) * 2880
        try:
            dimensions = int(cards.get("NAXIS", 0))
            axes = [int(cards.get(f"NAXIS{k}", 0)) for k in range(1, min(dimensions, 999) + 1)]
            bits, extra, groups = (
                abs(int(cards.get("BITPIX", 8))),
                int(cards.get("PCOUNT", 0)),
                int(cards.get("GCOUNT", 1)),
            )
        except (TypeError, ValueError) as error:
            raise TableError(f"{name}: expected whole numbers as sizes in the FITS header, found: {error}") from error
        if dimensions < 0 or min([0, extra, *axes]) < 0 or groups < 1 or dimensions > 999:
            raise TableError(f"{name}: expected sizes of 0 and more in the FITS header, found {axes}")
        size = bits // 8 * groups * (extra + int(np.prod([float(axis) for axis in axes]))) if axes else 0
        if size > MOST_BYTES or place + size > len(content):
            raise TableError(
                f"{name}: expected {len(content) - place:,} bytes of data in the FITS file, found {size:,} announced"
            )
        if str(cards.get("XTENSION", "")).strip() == "BINTABLE":
            _check_fits_columns(name, cards, axes)
        place += -(-size // 2880) * 2880


def _check_fits_columns(name, cards, axes):
    columns = int(cards.get("TFIELDS", 0))
    if columns > MOST_COLUMNS or columns * axes[1] > MOST_CELLS:
        raise TableError(
            f"{name}: expected at most {MOST_COLUMNS} columns and {MOST_CELLS:,} cells, found {columns:,} and "
            f"{columns * axes[1]:,}"
        )
    width = 0
    for k in range(1, columns + 1):
        form = _TFORM.match(str(cards.get(f"TFORM{k}", "")).strip())
        if form is None:
            raise TableError(
                f"{name}: expected a format for column {k} in the FITS header, found {cards.get(f'TFORM{k}')!r}"
            )
        count = int(form[1] or 1)
        width += -(-count // 8) if form[2] == "X" else count * _TFORM_BYTES[form[2]]
    if width != axes[0]:
        raise TableError(f"{name}: expected rows of {axes[0]} bytes in the FITS table, found formats of {width} bytes")


def _read_fits_table(path, content):
    from astropy.io import fits

    _check_fits_sizes(path.name, content)
    with fits.open(io.BytesIO(content), checksum=True, memmap=False) as file:
        return Table.read(file, format="fits")


def _check_ecsv(name, text):
    """Refuse what would be read in part: quotes that are not closed on their line, and too many cells."""
    lines = text.split("\n")
    head = sum(line.startswith("#") for line in lines[:5000])
    if not (len(lines) <= MOST_ROWS and len(text[: text.find("\n", 0)]) < 1000):
        raise TableError(f"{name}: expected at most {MOST_ROWS:,} rows, found {len(lines):,}")
    columns = sum(line.startswith("# - ") for line in lines[:head])
    if columns > MOST_COLUMNS or columns * len(lines) > MOST_CELLS:
        raise TableError(f"{name}: expected at most {MOST_CELLS:,} cells, found {columns * len(lines):,}")
    for row, line in enumerate(lines[head + 1 :], 1):
        if '"' in line and line.count('"') % 2:
            raise TableError(f"{name}: data row {row}: expected quotes in pairs, found {line.strip()!r:.60}")
    if head < len(lines):
        delimiter = "," if any("delimiter: ','" in line for line in lines[:head]) else " "
        names = lines[head].split(delimiter)
        if len(set(names)) < len(names):
            repeated = next(found for k, found in enumerate(names) if found in names[:k])
            raise TableError(f"{name}: expected column names that differ, found '{repeated}' twice")


_last_votable = {}  # by the digest of its file


def _read_votable(content):
    """The table of a VOTable; the last one is kept, since its names, columns and units are asked for one by one."""
    digest = hashlib.sha256(content).digest()
    table = _last_votable.get(digest)
    if table is None:
        table = Table.read(io.BytesIO(content), format="votable")
        _last_votable.clear()
        _last_votable[digest] = table
    return table.copy()


def _read_any(path, run=None, wanted=None):
    content = _content(path)
    kind = _kind_of(path, content)
    if kind == "CSV":
        found = text_tables.read_text(path.name, _decoded(path, content), run, wanted)
        meta = {"names": found.names, "delimiter": found.delimiter, "skipped": found.skipped}
        return Table(found.columns, meta=meta, copy=False)
    if run not in (None, 1):
        raise TableError(f"{path.name}: expected one run of rows in a file of this kind, found run {run} asked for")
    with warnings.catch_warnings():
        # A damaged file must not be read in part with only a warning.
        warnings.simplefilter("error")
        warnings.filterwarnings("ignore", category=u.UnitsWarning)
        warnings.filterwarnings("ignore", message=".*(W03|W06|W22|W27|W35|W42|W46|W50|W53).*")
        try:
            if kind == "ECSV":
                text = _decoded(path, content)
                _check_ecsv(path.name, text)
                return Table.read(text, format="ascii.ecsv")
            if kind == "VOTable":
                refuse_outside_streams(content, path.name)
                if content.count(b"<FIELD") > MOST_COLUMNS or content.count(b"<TR") > MOST_ROWS:
                    raise TableError(
                        f"{path.name}: expected at most {MOST_COLUMNS} columns and {MOST_ROWS:,} rows, found more"
                    )
                return _read_votable(content)
            return _read_fits_table(path, content)
        except TableError:
            raise
        except Exception as error:  # astropy's readers raise many kinds; the reader needs one sentence
            reason = " ".join(str(error).split())[:200]
            raise TableError(f"{path.name}: expected a readable {kind} table, found: {reason}") from error


def runs(path):
    """What runs of rows a text file holds, for a form that asks which is meant; other kinds of files hold one.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    list of text_tables.Run
    """
    path = existing_file(path)
    content = _content(path)
    if _kind_of(path, content) == "CSV":
        return text_tables.runs(path.name, _decoded(path, content))
    table = _read_any(path)
    preview = [[str(value) for value in row] for row in table[:3]]
    return [text_tables.Run(list(table.colnames), len(table), preview, 1)]


def _find_column(path, table, name, wanted):
    if wanted in table.colnames:
        return wanted
    same = [found for found in table.colnames if found.lower() == wanted.lower()]
    if len(same) == 1:
        return same[0]
    asked = f"'{wanted}'" if wanted == name else f"'{wanted}' (asked for as {name})"
    raise TableError(
        f"{path.name}: expected a column {asked}, found {', '.join(table.meta.get('names', table.colnames)[:30])}"
    )


_MISSING = ("", "nan", "null", "none", "n/a", "--")


def first_failing(convert, values):
    """Index of the first value that `convert`, which takes many at once, can't take; found by halving."""
    low, high = 0, len(values)
    while high - low > 1:
        middle = (low + high) // 2
        try:
            convert(values[low:middle])
        except (ValueError, TypeError):
            high = middle
        else:
            low = middle
    return low


def _floats(texts):
    return np.fromiter(map(float, texts.tolist()), float, len(texts))


def text_numbers(path, texts, label, empty=_MISSING):
    """Numbers in texts, NaN where one is missing; a wrong one is named by its row."""
    texts = np.strings.strip(texts)
    try:
        values = _floats(texts)
    except ValueError:
        missing = np.isin(np.strings.lower(texts), empty)
        filled = np.where(missing, "nan", texts)
        try:
            values = _floats(filled)
        except ValueError:
            row = first_failing(_floats, filled)
            found, hint = str(texts[row]), " (a comma as decimal sign? write a point)" if "," in texts[row] else ""
            raise TableError(
                f"{path.name}: data row {row + 1}, column '{label}': expected a number, found {found!r:.40}{hint}"
            ) from None
    # Python reads 1_5 as 15.
    joined = np.flatnonzero(np.strings.find(texts, "_") >= 0)
    if joined.size:
        row = joined[0]
        raise TableError(
            f"{path.name}: data row {row + 1}, column '{label}': expected a number, found {str(texts[row])!r:.40}"
        )
    return values


def _numbers(path, column, label, missing):
    """A column as float64 with NaN where missing."""
    masked = np.ma.getmaskarray(column) if isinstance(column, MaskedColumn) else np.zeros(len(column), bool)
    if column.ndim != 1:
        raise TableError(f"{path.name}: column '{label}': expected one value a row, found shape {column.shape[1:]}")
    if column.dtype.kind in "iuf":
        values = np.where(masked, np.nan, np.asarray(column, float))
    elif column.dtype.kind in "USO":
        if column.dtype.kind != "U" or masked.any():
            column = np.array(["" if hidden else cell for hidden, cell in zip(masked, column, strict=True)], dtype=str)
        values = text_numbers(path, np.asarray(column), label)
    else:
        found = "truth values" if column.dtype.kind == "b" else f"type {column.dtype}"
        raise TableError(f"{path.name}: column '{label}': expected numbers, found {found}")
    bad = ~np.isfinite(values) if missing == "error" else np.isinf(values)
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        found = "nothing" if np.isnan(values[row]) else values[row]
        raise TableError(f"{path.name}: data row {row + 1}, column '{label}': expected a number, found {found}")
    return values


def _converted(path, column, unit, missing):
    values = _numbers(path, column, column.info.name, missing)
    if column.unit is None:
        return Column(values, unit=unit)
    try:
        return Column(u.Quantity(values, column.unit).to_value(unit), unit=unit)
    except (u.UnitConversionError, TypeError, ValueError):
        raise TableError(
            f"{path.name}: column '{column.info.name}': expected a unit such as {unit}, found '{column.unit}'"
        ) from None


def read_table(path, required, optional=None, columns=None, missing="error", run=None):
    """Read an ECSV, CSV, FITS or VOTable file into a table with the names and units asked for.

    Parameters
    ----------
    path : str or Path
    required : dict
        Column name to unit; None for a column that is kept as it is (text, times).
    optional : dict, optional
        The same for columns that may be absent.
    columns : dict, optional
        Our name to the name in the file, where they differ: ``{"magnitude": "Gmag"}``.
    missing : {"error", "keep"}
        What to do with empty cells of numeric columns: refuse them with their place, or keep them as NaN.
    run : int, optional
        Which run of rows of a text file, counted from 1; needed where there are several (`runs`).

    Returns
    -------
    astropy.table.Table
        Only the columns asked for, in that order. A column of the file that has no unit is taken to be in the unit
        asked for; one with a unit is converted.

    Raises
    ------
    FileNotFoundError, TableError
    """
    path = existing_file(path)
    columns = dict(columns or {})
    optional = dict(optional or {})
    known = {**required, **optional}
    for name in columns:
        if name not in known:
            raise TableError(f"columns: expected one of {', '.join(known)}, found '{name}'")
    names = {columns.get(name, name).lower() for name in known}
    source = _read_any(path, run, lambda found: found.lower() in names)
    result = Table(meta=source.meta)
    for name, unit in known.items():
        absent = name.lower() not in [found.lower() for found in source.colnames]
        if absent and name in optional and name not in columns:
            continue
        column = source[_find_column(path, source, name, columns.get(name, name))]
        plain = isinstance(column, (Column, u.Quantity))
        if not plain and (unit is not None or not isinstance(column, (Time, TimeDelta))):
            label = columns.get(name, name)
            raise TableError(f"{path.name}: column '{label}': expected plain values, found {type(column).__name__}")
        result[name] = column if unit is None else _converted(path, column, unit, missing)
    if len(result) == 0:
        raise TableError(f"{path.name}: expected at least one row, found none")
    return result


def column_names(path, run=None):
    """The names of the columns of a table file, for a form that asks which is which."""
    path = existing_file(path)
    content = _content(path)
    if _kind_of(path, content) == "CSV":
        return text_tables.runs(path.name, _decoded(path, content))[(run or 1) - 1].names
    return list(_read_any(path).colnames)
