"""The workbooks as pages: what is saved in them as HTML, before any kernel runs."""

import base64
import html
import io
import re
from dataclasses import dataclass

import nbformat
from PIL import Image

from helpers.classroom import reading
from helpers.command.pages.words import markdown_to_html

_QUESTION = re.compile(r"\*\*The question:\*\*\s*\*(.+?)\*\s*$", re.MULTILINE | re.DOTALL)
_WIDE = 640  # pixels of the pictures on the front page


@dataclass(frozen=True)
class Piece:
    """One cell of a page: text, or code with what it showed when the workbook was saved."""

    number: int  # of the cell, from 1
    page: str  # HTML
    source: str = ""  # of a cell to run
    wide: bool = False


@dataclass(frozen=True)
class Room:
    """A workbook as `show` serves it."""

    stem: str
    title: str
    question: str
    core: int  # minutes to the answer
    whole: int  # and with everything
    picture: bytes  # PNG
    alt: str
    pieces: tuple
    cells: int  # in the file


def to_html(text, stems=()):
    """Markdown as HTML; a workbook's page lies beside the others."""
    return markdown_to_html(text, stems, address=str)


def _picture(data, metadata):
    alt = metadata.get("image/png", {}).get("alt", "")
    source = "".join(data["image/png"].split())
    return f'<img src="data:image/png;base64,{source}" alt="{html.escape(alt, quote=True)}">'


def saved(output, stems=()):
    """HTML of one saved output."""
    data, metadata = output.get("data", {}), output.get("metadata", {})
    if "image/png" in data:
        return f'<div class="picture">{_picture(data, metadata)}</div>'
    if "text/html" in data:
        return data["text/html"]
    if "text/markdown" in data:
        return to_html(data["text/markdown"], stems)
    return f"<p>{html.escape(data.get('text/plain', output.get('text', '')))}</p>"


def _pieces(workbook, stems):
    for number, cell in enumerate(workbook.cells, start=1):
        if cell.cell_type == "markdown":
            yield Piece(number, to_html(cell.source, stems))
        elif cell.cell_type == "code":
            outputs = cell.outputs
            kinds = {output.get("metadata", {}).get("classroom") for output in outputs}
            page = "".join(saved(output, stems) for output in outputs)
            yield Piece(number, page, cell.source, "panel" in kinds)


def _small(png):
    with Image.open(io.BytesIO(base64.b64decode(png))) as picture:
        picture = picture.convert("RGB")
        picture.thumbnail((_WIDE, _WIDE))
        file = io.BytesIO()
        picture.save(file, "png", optimize=True)
        return file.getvalue()


def read(path, stems=()):
    """A workbook file as a Room; where another of `stems` is named, a link stands.

    Raises
    ------
    ValueError
        It has no title, question or picture.
    """
    workbook = nbformat.read(path, as_version=4)
    first = workbook.cells[0].source
    question = _QUESTION.search(first)
    pictures = [
        output for cell in workbook.cells for output in cell.get("outputs", []) if "image/png" in output.get("data", {})
    ]
    if not first.startswith("# ") or not question or not pictures:
        raise ValueError(f"{path.name}: expected a title, a question and a picture")
    core, whole = reading.minutes(workbook)
    alt = pictures[0].metadata.get("image/png", {}).get("alt", "")
    words = " ".join(question[1].split())
    return Room(
        path.stem,
        first.splitlines()[0][2:].strip(),
        words[0].upper() + words[1:],
        round(core),
        round(whole),
        _small(pictures[0].data["image/png"]),
        alt,
        tuple(_pieces(workbook, stems)),
        len(workbook.cells),
    )


def read_all(folder):
    """All workbooks of a folder by name, in reading order."""
    paths = sorted(folder.glob("[0-9][0-9]_*.ipynb"))
    stems = [path.stem for path in paths]
    return {path.stem: read(path, stems) for path in paths}
