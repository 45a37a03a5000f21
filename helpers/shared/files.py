"""Reading the reader's files through astropy, with errors that name file, row, column, what was found and expected.

Files are only read.
"""

import io
import os
import re
import warnings
from pathlib import Path
from xml.parsers import expat

import astropy.units as u
import numpy as np
from astropy.table import Column, MaskedColumn, Table

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


class TableError(ValueError):
    """A file can't be used; the message names the file and the place, what was found and what was expected."""


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


def _text_of(path):
    """The file as text with one kind of line end; a byte order mark is dropped."""
    raw = path.read_bytes()
    if b"\0" in raw:
        raise TableError(f"{path.name}: expected a text file, found binary data at byte {raw.index(0)}")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")  # every byte has a meaning there, so names with accents do not stop the reading
    return text.replace("\r\n", "\n").replace("\r", "\n")


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
        start = file.read(512).lstrip(b"\xef\xbb\xbf").lstrip()
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


def _delimiter(header):
    counts = {mark: header.count(mark) for mark in (",", ";", "\t", "|")}
    return max(counts, key=counts.get)


def _read_csv(path):
    from astropy.io import ascii as astropy_ascii

    lines = [line for line in _text_of(path).split("\n") if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise TableError(f"{path.name}: expected a line of column names, found none")
    delimiter = _delimiter(lines[0])
    names = [name.strip().strip('"') for name in lines[0].split(delimiter)]
    repeated = {name for name in names if names.count(name) > 1}
    if repeated:
        raise TableError(f"{path.name}: expected column names that differ, found '{min(repeated)}' twice")
    try:
        return astropy_ascii.read(
            lines,
            format="csv",
            delimiter=delimiter,
            guess=False,
            fast_reader=False,
            converters={"*": [astropy_ascii.convert_numpy(str)]},
            fill_values=[],
        )
    except astropy_ascii.InconsistentTableError as error:
        row = next((i for i, line in enumerate(lines[1:], 1) if line.count(delimiter) + 1 > len(names)), "?")
        raise TableError(
            f"{path.name}: data row {row}: expected {len(names)} values as in the line of column names, found more"
        ) from error


def _read_any(path):
    kind = file_format(path)
    if kind == "CSV":
        return _read_csv(path)
    with warnings.catch_warnings():
        # A damaged file must not be read in part with only a warning.
        warnings.simplefilter("error")
        warnings.filterwarnings("ignore", category=u.UnitsWarning)
        warnings.filterwarnings("ignore", message=".*(W03|W06|W22|W27|W35|W42|W46|W50|W53).*")
        try:
            if kind == "ECSV":
                return Table.read(_text_of(path), format="ascii.ecsv")
            if kind == "VOTable":
                content = path.read_bytes()
                refuse_outside_streams(content, path.name)
                return Table.read(io.BytesIO(content), format="votable")
            return Table.read(path, format="fits")
        except TableError:
            raise
        except Exception as error:  # astropy's readers raise many kinds; the reader needs one sentence
            reason = " ".join(str(error).split())[:200]
            raise TableError(f"{path.name}: expected a readable {kind} table, found: {reason}") from error


def _find_column(path, table, name, wanted):
    if wanted in table.colnames:
        return wanted
    same = [found for found in table.colnames if found.lower() == wanted.lower()]
    if len(same) == 1:
        return same[0]
    asked = f"'{wanted}'" if wanted == name else f"'{wanted}' (asked for as {name})"
    raise TableError(f"{path.name}: expected a column {asked}, found {', '.join(table.colnames)}")


def _numbers(path, column, label, missing):
    """A column as float64 with NaN where missing; text is read number by number so that a wrong one is named."""
    masked = np.ma.getmaskarray(column) if isinstance(column, MaskedColumn) else np.zeros(len(column), bool)
    if column.ndim != 1:
        raise TableError(f"{path.name}: column '{label}': expected one value a row, found shape {column.shape[1:]}")
    if column.dtype.kind in "iufb":
        values = np.where(masked, np.nan, np.asarray(column, float))
    elif column.dtype.kind in "USO":
        values = np.empty(len(column))
        for row, cell in enumerate(column):
            text = "" if masked[row] else str(cell).strip()
            if text.lower() in ("", "nan", "null", "none", "n/a", "--"):
                values[row] = np.nan
                continue
            try:
                values[row] = float(text)
            except ValueError:
                hint = " (a comma as decimal sign? write a point)" if "," in text else ""
                raise TableError(
                    f"{path.name}: data row {row + 1}, column '{label}': expected a number, found {text!r:.40}{hint}"
                ) from None
    else:
        raise TableError(f"{path.name}: column '{label}': expected numbers, found type {column.dtype}")
    bad = ~np.isfinite(values) if missing == "error" else np.isinf(values)
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        found = "nothing" if np.isnan(values[row]) else values[row]
        raise TableError(f"{path.name}: data row {row + 1}, column '{label}': expected a number, found {found}")
    return values


def read_table(path, required, optional=None, columns=None, missing="error"):
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
    source = _read_any(path)
    result = Table()
    for name, unit in known.items():
        absent = name.lower() not in [found.lower() for found in source.colnames]
        if absent and name in optional and name not in columns:
            continue
        column = source[_find_column(path, source, name, columns.get(name, name))]
        if unit is None or not isinstance(column, Column):
            result[name] = column
            continue
        values = _numbers(path, column, column.name, missing)
        if column.unit is not None:
            try:
                values = u.Quantity(values, column.unit).to_value(unit)
            except (u.UnitConversionError, TypeError, ValueError):
                raise TableError(
                    f"{path.name}: column '{column.name}': expected a unit such as {unit}, found '{column.unit}'"
                ) from None
        result[name] = Column(values, unit=unit)
    if len(result) == 0:
        raise TableError(f"{path.name}: expected at least one row, found none")
    return result


def column_names(path):
    """The names of the columns of a table file, for a form that asks which is which."""
    return list(_read_any(existing_file(path)).colnames)


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
        No FITS, cut short, without a picture, or of other dimensions.
    """
    from astropy.io import fits

    path = existing_file(path)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            with fits.open(path, memmap=False) as file:
                for part in file:
                    if part.is_image and part.header.get("NAXIS", 0) > 0:
                        data, header = part.data, part.header.copy()
                        break
                else:
                    raise TableError(f"{path.name}: expected a picture, found none in the file")
        except TableError:
            raise
        except Exception as error:  # one sentence, whatever astropy met in a damaged file
            reason = " ".join(str(error).split())[:200]
            raise TableError(f"{path.name}: expected a readable FITS picture, found: {reason}") from error
    if data is None or data.ndim not in (2, 3) or data.size == 0:
        found = "no pixels" if data is None or data.size == 0 else f"shape {data.shape}"
        raise TableError(f"{path.name}: expected a picture of 2 or 3 dimensions, found {found}")
    return data, header
