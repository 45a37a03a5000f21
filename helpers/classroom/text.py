"""The one door through which text reaches a page: what comes from files, names and forms is shown as it is, never
obeyed.

Two kinds of text meet in a sentence. What we wrote may hold Markdown; what somebody else wrote (a rig's name, a
column, a
card of a file) may hold anything, and must not become a heading, a link, a picture or a script.
"""

import html
import re
import string

import numpy as np

# What means something to Markdown, HTML or mathematics: anywhere; at the start of a line; in an address or a
# numbered list.
_SPECIAL = re.compile(r"[#$&*<>@\[\\\]_`|~]|^[-+=]|:(?=//)|\.(?=[^\W\d])|(?<=\d)[.)](?=\s|$)")

TIGHT = 'style="line-height:1.4;margin:0.3em 0"'  # of a paragraph in a widget, where lines would stand far apart


class Marked(str):
    """Markdown that is safe to show: written by us, with the text of others escaped in it; made by `marked` or
    `table`.
    """

    __slots__ = ()


def escape(text):
    """Text of others as Markdown that shows it letter by letter, on one line.

    Parameters
    ----------
    text : object
        Its ``str`` is taken.

    Returns
    -------
    Marked
    """
    one_line = " ".join(str(text).split())
    return Marked(_SPECIAL.sub(lambda found: f"&#{ord(found.group())};", one_line))


class _Escaping(string.Formatter):
    """``str.format`` that escapes every value which is neither a number nor already `Marked`."""

    def format_field(self, value, format_spec):
        shown = super().format_field(value, format_spec)
        number = isinstance(value, (int, float, complex, np.number)) or hasattr(value, "unit")
        return shown if number or isinstance(value, Marked) else escape(shown)

    def convert_field(self, value, conversion):
        return value if conversion is None else str(super().convert_field(value, conversion))


def marked(template, **values):
    """Our Markdown with values put in; texts among them are escaped.

    Parameters
    ----------
    template : str
        Such as ``"A star is **{width:.2f}** wide in {rig}."``
    **values
        Numbers and Quantities are formatted, texts are escaped, `Marked` is taken as it is.

    Returns
    -------
    Marked
    """
    return Marked(_Escaping().vformat(template, (), values))


def table(head, rows):
    """A Markdown table; each cell is escaped unless it is `Marked`.

    Parameters
    ----------
    head : sequence of str
        The first may be empty.
    rows : sequence of sequences
        Texts, numbers or `Marked`; each row as long as `head`.

    Returns
    -------
    Marked
        To be shown by `say`, alone or within a template.

    Raises
    ------
    ValueError
        A row of another length.
    """
    lines = [_row(head), "| " + " | ".join("---" for _ in head) + " |"]
    for number, row in enumerate(rows, start=1):
        if len(row) != len(head):
            raise ValueError(f"rows: expected {len(head)} cells in row {number}, found {len(row)}")
        lines.append(_row(row))
    return Marked("\n".join(lines))


def _row(cells):
    return "| " + " | ".join(cell if isinstance(cell, Marked) else escape(cell) for cell in cells) + " |"


def say(text, **values):
    """Text with computed numbers (Markdown) as the output of a cell.

    Parameters
    ----------
    text : str
        With `values`, a template as `marked` takes it. Without, Markdown of ours; no tag of HTML in it is obeyed.
    **values
        What fills the template; texts are escaped.

    Returns
    -------
    IPython.display.Markdown
    """
    from IPython.display import Markdown

    if values:
        text = marked(text, **values)
    return Markdown(text if isinstance(text, Marked) else re.sub(r"<(?=[a-zA-Z/!?])", "&lt;", text))


def more(title, text, **values):
    """A folded block of Markdown and mathematics, for formulas, sources and special cases.

    A text cell can hold the same by hand; the empty lines let Markdown and mathematics in::

        <details><summary><b>More:</b> title</summary>

        The star is $0.98\\,\\lambda/r_0$ wide.

        </details>

    Parameters
    ----------
    title : str
        What the reader sees of it.
    text : str
        As `say` takes it; mathematics between dollar signs.
    **values
        As for `say`.

    Returns
    -------
    IPython.display.Markdown
    """
    from IPython.display import Markdown

    inner = say(text, **values).data
    return Markdown(f"<details><summary><b>More:</b> {html.escape(title)}</summary>\n\n{inner}\n\n</details>")


def paragraphs(text):
    """Plain text as HTML paragraphs, escaped."""
    return "".join(f"<p>{html.escape(part)}</p>" for part in str(text).split("\n\n"))


def folded(title, page):
    """A folded block of HTML; `page` is HTML, `title` plain text."""
    return f"<details><summary>{html.escape(title)}</summary>{page}</details>"
