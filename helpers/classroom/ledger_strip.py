"""The strip at the top of a workbook: the reader's numbers so far, each a link to the workbook that explains it."""

import html
from dataclasses import dataclass

from helpers.classroom import figures

_CELL = "flex:1 1 105px;min-width:0;box-sizing:border-box;padding:4px 8px;margin:0;list-style:none;line-height:1.3;"
_HERE = "▸"  # stays where a page is printed without borders


@dataclass(frozen=True)
class Entry:
    """One number of the strip.

    Parameters
    ----------
    label : str
        What it is, in few words: "air in one exposure".
    text : str
        Number with its unit: "0.24 arcsec".
    own : bool
        Whether it rests on values the reader gave; else it is marked as the demo's.
    room : str
        File name of the workbook that explains it, without ending: "04_seeing"; empty for none.
    here : bool
        Whether it is the number of the workbook that shows the strip.
    """

    label: str
    text: str
    own: bool = False
    room: str = ""
    here: bool = False


def _cell(entry):
    label, text = html.escape(entry.label), html.escape(entry.text)
    shown = f"<b>{text}</b>" if entry.own else f'<i style="color:{figures.GREY}">{text}</i> <small>demo</small>'
    name = f'<a href="{html.escape(entry.room, quote=True)}.ipynb">{label}</a>' if entry.room else label
    border = "border:3px solid currentColor;" if entry.here else "border:1px solid #8c8c8c;"
    here = (' aria-current="true"', f"{_HERE} ") if entry.here else ("", "")
    return f'<li{here[0]} style="{_CELL}{border}"><small>{here[1]}{name}</small><br>{shown}</li>'


class Strip:
    """The strip as a cell's output; made by `show`."""

    def __init__(self, entries):
        self.entries = [entry if isinstance(entry, Entry) else Entry(*entry) for entry in entries]

    def _ipython_display_(self):
        cells = "".join(map(_cell, self.entries))
        key = "In bold: yours. In grey and marked “demo”: rests on values of the demo rig."
        if any(entry.here for entry in self.entries):
            key += f" Marked {_HERE}: explained in this workbook."
        page = (
            '<ul aria-label="Your numbers so far" style="display:flex;flex-wrap:wrap;gap:4px;margin:0;padding:0">'
            f"{cells}</ul><p><small>{key}</small></p>"
        )
        plain = "; ".join(
            f"{entry.label}: {entry.text}{'' if entry.own else ' (demo)'}{' (here)' if entry.here else ''}"
            for entry in self.entries
        )
        figures.show_piece("strip", page, plain)


def show(entries):
    """The strip of the reader's numbers; make it the last expression of a cell.

    Parameters
    ----------
    entries : list of Entry, or of tuples (label, text, own, room, here)

    Returns
    -------
    Strip
    """
    return Strip(entries)
