"""Tables in plain text, found by their shape: a line of names above lines of the same number of values.

Lines before it, comments between rows and several runs in one file are found; what does not fit is named with its row.
"""

import csv
import re
from dataclasses import dataclass

import numpy as np

MOST_ROWS, MOST_COLUMNS, MOST_CELLS = 2_000_000, 500, 8_000_000
_LONGEST_LINE = 20_000
# A comment; what a spreadsheet writes for a value that it could not compute also begins so, and is none.
_COMMENT = re.compile(r"\s*#(?!REF!|N/A|VALUE!|DIV/0!|NAME\?|NUM!|NULL!)")
_CHUNK = 50_000  # rows that are split at a time, so that not every cell is in memory as a text of its own
_VALUE = re.compile(r"\s*[-+]?(?:\d[\d.,:eE+\-TZ ]*|\.\d+|nan|inf)\s*")  # a number, a date or a time of the day


class TableError(ValueError):
    """A file can't be used; the message names the file and the place, what was found and what was expected."""


@dataclass(frozen=True)
class Run:
    """Rows under one line of names.

    Attributes
    ----------
    names : list of str
    rows : int
    preview : list of list of str
        The first three rows.
    line : int
        Place of the line of names in the file, counted from 1.
    """

    names: list
    rows: int
    preview: list
    line: int

    def __str__(self):
        first = "; ".join(", ".join(row) for row in self.preview[:1])
        return f"{self.rows:,} rows under line {self.line}, first row: {first:.80}"


@dataclass(frozen=True)
class TextTable:
    """One run of rows: columns (name to array of texts), all names, the delimiter, and how many lines are no rows."""

    columns: dict
    names: list
    delimiter: str
    skipped: int


@dataclass
class _Section:
    names: list
    line: int
    text: str
    lines: list

    @property
    def rows(self):
        return len(self.lines)

    def chunks(self, delimiter, place):
        """Columns of many rows at a time, as tuples of texts."""
        for first in range(0, len(self.lines), _CHUNK):
            rows = [
                _cells(line, delimiter, place(k)) for k, line in enumerate(self.lines[first : first + _CHUNK], first)
            ]
            wrong = next((k for k, row in enumerate(rows, first) if len(row) != len(self.names)), None)
            if wrong is not None:
                found = len(rows[wrong - first])
                raise TableError(
                    f"{place(wrong)}: expected {len(self.names)} values as in the line of column names, found {found}"
                )
            yield list(zip(*rows, strict=True))


@dataclass
class _EvenSection:
    """Rows of a text in which every line has as many values as the first: cut at C speed, not line by line."""

    names: list
    line: int
    body: str
    ends: np.ndarray  # of the lines of the body

    @property
    def rows(self):
        return self.ends.size

    @property
    def lines(self):
        return self.body[: self.ends[min(2, self.ends.size - 1)]].split("\n") if self.ends.size else []

    def chunks(self, delimiter, _):
        begin = 0
        for first in range(0, self.ends.size, _CHUNK):
            end = int(self.ends[min(first + _CHUNK, self.ends.size) - 1])
            flat = self.body[begin:end].replace("\n", delimiter).split(delimiter)
            yield [flat[k :: len(self.names)] for k in range(len(self.names))]
            begin = end + 1


def _even_section(text):
    """The one section of a text of nothing but a line of names and lines of as many values; None for any other text."""
    text = text.rstrip()
    head, _, body = text.partition("\n")
    if not body or '"' in text or not text.isascii() or head.lstrip().startswith("#") or len(head) > _LONGEST_LINE:
        return None
    delimiter = _delimiter(text[:20_000].split("\n")[:200])
    lines = [(1, head), (2, body[:_LONGEST_LINE].partition("\n")[0])]
    if not _is_head(lines, 0, delimiter, ""):
        return None
    if re.search(r"^(?:[^\d\n]*|\s*#.*)$", body, re.MULTILINE):  # comments, empty lines, other lines of names
        return None
    raw = np.frombuffer(body.encode("ascii"), np.uint8)
    ends = np.concatenate([np.flatnonzero(raw == ord("\n")), [raw.size]])
    marks = np.searchsorted(np.flatnonzero(raw == ord(delimiter)), ends)
    names = [cell.strip() for cell in head.split(delimiter)]
    even = np.all(np.diff(marks, prepend=0) == len(names) - 1)
    if not even or np.diff(ends, prepend=0).max() > _LONGEST_LINE or ends.size > MOST_ROWS:
        return None
    return _EvenSection(names, 1, body, ends), delimiter


def _cells(line, delimiter, place):
    """Values of one line; a quote that is not closed on its line is refused: it would swallow the lines below."""
    if '"' not in line:
        return line.split(delimiter)
    try:
        (cells,) = csv.reader([line], delimiter=delimiter, strict=True, skipinitialspace=True)
    except csv.Error:
        raise TableError(f"{place}: expected quotes in pairs around a value, found {line.strip()!r:.60}") from None
    if any('"' in cell for cell in cells):
        raise TableError(f"{place}: expected quotes around whole values, found {line.strip()!r:.60}")
    return cells


def _delimiter(lines):
    """The mark that stands in most of the first lines; a comma may be a decimal sign, so the others go first."""
    sample = lines[:200]
    counts = {mark: sum(mark in line for line in sample) for mark in (";", "\t", "|", ",")}
    return max(counts, key=counts.get)


def _values_in(cells):
    return sum(_VALUE.fullmatch(cell) is not None for cell in cells)


def _is_head(lines, index, delimiter, place):
    """Whether a line names columns: no values, and a line of as many values (some may be missing) comes next."""
    cells = _cells(lines[index][1], delimiter, place)
    if _values_in(cells) or sum(bool(cell.strip()) for cell in cells) < max(2, len(cells) - 1):
        return False
    if index + 1 == len(lines):
        return True
    below = lines[index + 1][1]
    following = below.split(delimiter)
    return any(map(str.isdigit, below)) and abs(len(following) - len(cells)) <= len(cells) // 2


def _numbered(text):
    """Lines with their places, without empty lines and comments."""
    lines = enumerate(text.split("\n"), 1)
    return [(place, line) for place, line in lines if line.strip() and not _COMMENT.match(line)]


def _sections(name, text):
    """Sections of a text, their delimiter, and the lines that belong to none."""
    found = _even_section(text)
    if found is not None:
        return [found[0]], found[1], []
    lines = _numbered(text)
    if not lines:
        raise TableError(f"{name}: expected a line of column names, found none")
    longest = max(lines, key=lambda line: len(line[1]))
    if len(longest[1]) > _LONGEST_LINE:
        raise TableError(
            f"{name}: line {longest[0]}: expected at most {_LONGEST_LINE:,} characters, found {len(longest[1]):,}"
        )
    if len(lines) > MOST_ROWS:
        raise TableError(f"{name}: expected at most {MOST_ROWS:,} rows, found {len(lines):,}")
    delimiter = _delimiter([line for _, line in lines])
    found, skipped = [], []
    words_only = {i for i, (_, line) in enumerate(lines) if not any(map(str.isdigit, line[:40]))}
    for index, (place, line) in enumerate(lines):
        where = f"{name}: line {place}"
        again = bool(found) and line == found[0].text
        if (index in words_only or not found or again) and _is_head(lines, index, delimiter, where):
            names = [cell.strip() for cell in _cells(line, delimiter, where)]
            found.append(_Section(names, place, line, []))
            continue
        if found and line.count(delimiter) + 1 == len(found[-1].names):
            found[-1].lines.append(line)
            continue
        cells = _cells(line, delimiter, f"{name}: data row {len(found[-1].lines) + 1}" if found else where)
        if found and len(cells) == len(found[-1].names):
            found[-1].lines.append(line)
        elif found and 2 * _values_in(cells) >= len(cells) and _values_in(cells) >= 2:
            names, row = found[-1].names, len(found[-1].lines) + 1
            more = "more" if len(cells) > len(names) else "fewer"
            raise TableError(
                f"{name}: data row {row}: expected {len(names)} values as in the line of column names, found {more}: "
                f"{len(cells)}"
            )
        else:
            skipped.append(place)
    if not found:
        raise TableError(f"{name}: expected a line of column names above rows of values, found none")
    return found, delimiter, skipped


def runs(name, text):
    """What runs of rows a text holds.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    text : str

    Returns
    -------
    list of Run

    Raises
    ------
    TableError
    """
    sections, delimiter, _ = _sections(name, text)
    return [
        Run(
            section.names,
            section.rows,
            [[cell.strip() for cell in _cells(line, delimiter, name)] for line in section.lines[:3]],
            section.line,
        )
        for section in sections
    ]


def read_text(name, text, run=None, wanted=None):
    """Columns of one run as arrays of text.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    text : str
    run : int, optional
        Which run, counted from 1; needed where there are several.
    wanted : function, optional
        From a column's name to whether it is needed; all are if not given.

    Returns
    -------
    TextTable

    Raises
    ------
    TableError
        Also for more than 500 columns, 2 million rows or 8 million cells.
    """
    sections, delimiter, skipped = _sections(name, text)
    if len(sections) > 1 and run is None:
        listed = "; ".join(f"run {k}: {s.rows:,} rows under line {s.line}" for k, s in enumerate(sections[:9], 1))
        raise TableError(f"{name}: expected one run of rows or the number of the one you want, found {listed}")
    if run is not None and not 1 <= run <= len(sections):
        raise TableError(f"{name}: expected a run from 1 to {len(sections)}, found {run}")
    section = sections[(run or 1) - 1]
    names, rows = section.names, section.rows
    if len(names) > MOST_COLUMNS:
        raise TableError(f"{name}: expected at most {MOST_COLUMNS} columns, found {len(names):,}")
    if len(names) * rows > MOST_CELLS:
        raise TableError(f"{name}: expected at most {MOST_CELLS:,} cells, found {len(names) * rows:,}")
    if len(set(names)) < len(names):
        seen = set()
        repeated = min(found for found in names if found in seen or seen.add(found))
        raise TableError(f"{name}: expected column names that differ, found '{repeated}' twice")
    keep = [index for index, found in enumerate(names) if wanted is None or wanted(found)]
    parts = [[] for _ in keep]
    for columns in section.chunks(delimiter, lambda k: f"{name}: data row {k + 1}"):
        for part, index in zip(parts, keep, strict=True):
            part.append(np.strings.strip(np.array(columns[index], dtype=str)))
    empty = np.array([], dtype="U1")
    gathered = [np.concatenate(part) if part else empty for part in parts]
    columns = {names[index]: cells for index, cells in zip(keep, gathered, strict=True)}
    return TextTable(columns, names, delimiter, len(skipped))
