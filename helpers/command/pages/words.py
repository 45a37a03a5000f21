"""Text of a workbook as HTML: Markdown, and formulas as MathML, which browsers typeset without loading anything."""

import html
import re

import mistune
from latex2mathml.converter import convert

_ROOM = re.compile(r"\d\d_[a-z_]+")
_STRIP_LINK = re.compile(r'href="(\d\d_[a-z_]+)\.ipynb"')


def address_of(room):
    """Address of a workbook's page, seen from another one's."""
    return f"../{room}/index.html"


def _formula(text, display):
    return convert(html.unescape(text), display=display)


class _Words(mistune.HTMLRenderer):
    """HTML in the text is taken as it is: ours, or text of others that `figures.say` has escaped already."""

    def __init__(self, rooms, address):
        super().__init__(escape=False)
        self._rooms, self._address = rooms, address

    def codespan(self, text):
        shown = super().codespan(text)
        return f'<a href="{self._address(text)}">{shown}</a>' if text in self._rooms else shown

    def table(self, text):
        return f'<div class="wide"><table>\n{text}</table></div>\n'

    def inline_math(self, text):
        return _formula(text, "inline")

    def block_math(self, text):
        return f'<div class="wide formula">{_formula(text, "block")}</div>\n'


def markdown_to_html(text, rooms=(), address=address_of):
    """HTML of the workbooks' Markdown with tables and formulas.

    Parameters
    ----------
    text : str
        Safe Markdown: of ours, or made by `helpers.classroom.text`.
    rooms : collection of str
        Names of the workbooks that have a page; where one is named it becomes a link.
    address : function
        Of such a name: where its page is.

    Returns
    -------
    str
    """
    return mistune.create_markdown(renderer=_Words(rooms, address), plugins=["table", "math"])(text).strip()


def links_to_pages(page):
    """HTML with the links between workbooks led to their pages."""
    return _STRIP_LINK.sub(lambda found: f'href="{address_of(found[1])}"', page)


def first_heading(text):
    """The text of the first heading; empty if there is none."""
    found = re.search(r"^# +(.*)$", text, re.MULTILINE)
    return found[1].strip() if found else ""
