"""Words of the trade: none is used in a workbook before the one that explains it, in the order of reading."""

import html
import json
import re
from pathlib import Path

import pytest

from helpers.rig.questions import WORDS

WORKBOOKS = sorted((Path(__file__).resolve().parents[2] / "workbooks").glob("*.ipynb"))
IN_THE_TABLE = [word for words, _ in WORDS for word in words.removeprefix("loop ").split(", ")]
# Words that a workbook sets in bold or italics where it explains them.
IN_BOLD = re.split(
    r",\s",
    """amplification, amplifier glow, arcsecond, bias, centroid, correlation, diffraction, dyes, field of view,
flat frame, focal ratio, Fried parameter, Gaia G, guide telescope, hot pixel, infrared-blocking, long-pass,
meridian flip, near infrared, periodic error, photon, pick-off, polar alignment, position angle, rms,
signal-to-noise, smear,
standard error, telegraph pixel, worm""",
)
# A question may hold the word that the next cells explain; a panel shows it above its own words.
CELLS_AHEAD = 4
EVERYWHERE = re.compile(r"Working with:|what the picture notices .* star in the picture")  # begin each workbook


def texts():
    """Workbook number, cell, and what it says: Markdown, and the words of saved outputs with their bold type."""
    for path in WORKBOOKS:
        for number, cell in enumerate(json.loads(path.read_text(encoding="utf-8"))["cells"]):
            if cell["cell_type"] == "markdown":
                yield path.stem[:2], number, "".join(cell["source"])
                continue
            for output in cell.get("outputs", []):
                data = output.get("data", {})
                text = "".join(data.get("text/markdown", data.get("text/html", "")))
                text = re.sub(r"<(style|script|svg).*?</\1>|src=\"[^\"]*\"", "", text, flags=re.DOTALL)
                text = html.unescape(re.sub(r"<(?!/?(?:b|i|em|strong)\b)[^>]*>", " ", text))
                if not EVERYWHERE.search(re.sub(r"\s+", " ", re.sub(r"<[^>]*>", "", text))):
                    yield path.stem[:2], number, text


TEXTS = list(texts())


def first(pattern):
    return next(((room, cell) for room, cell, text in TEXTS if re.search(pattern, text, re.IGNORECASE)), None)


def where_explained(word):
    """Workbook and cell where the word stands in bold or italics, or in the table of words."""
    marked = rf"(?:\*|<(?:b|i|em|strong)>)[^*<]{{0,30}}\b{re.escape(word)}(?:s|es)?\b[^*<]{{0,20}}(?:\*|</)"
    table = rf"\| [^|]*\b{re.escape(word)}\b[^|]* \| [^|]{{20,}} \|"
    return first(table if word in IN_THE_TABLE else marked)


@pytest.mark.parametrize("word", sorted({*IN_THE_TABLE, *IN_BOLD}, key=str.lower))
def test_no_word_before_its_explanation(word):
    explained, used = where_explained(word), first(rf"\b{re.escape(word)}(?:s|es)?\b")
    assert explained, "no workbook explains it"
    assert used[0] == explained[0], f"used in {used}, explained in {explained}"
    assert word in IN_THE_TABLE or used[1] >= explained[1] - CELLS_AHEAD, f"used in {used}, explained in {explained}"


def test_a_word_that_nobody_explains_is_found():
    assert where_explained("thixotropy") is None
    assert where_explained("electrons that a pixel") is None  # stands in the table, but not as a word of it
