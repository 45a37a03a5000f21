"""The card at the end of a workbook: your number, what it means, what to do, or that there is nothing to do."""

import html

from helpers.classroom import figures

HEADS = ("Your number", "What it means", "Do this, or nothing")


class Card:
    """The card as a cell's output; made by `card`."""

    def __init__(self, texts):
        self.texts = texts

    def _ipython_display_(self):
        rows = "".join(
            f'<p style="margin:0.5em 0 0"><b>{head}</b><br>{html.escape(text)}</p>'
            for head, text in zip(HEADS, self.texts, strict=True)
        )
        frame = "border:2px solid currentColor;border-radius:6px;padding:0.2em 1em 0.8em;max-width:44em"
        page = f'<section aria-label="Your card" style="{frame}">{rows}</section>'
        plain = "\n".join(f"{head}: {text}" for head, text in zip(HEADS, self.texts, strict=True))
        figures.show_piece("card", page, plain)


def card(number, meaning, action):
    """The card of a workbook; make it the last expression of a cell.

    Parameters
    ----------
    number, meaning, action : str
        The reader's number with its unit; what it means; one recommendation, or that nothing needs doing.

    Returns
    -------
    Card

    Raises
    ------
    ValueError
        An empty text.
    """
    for name, text in (("number", number), ("meaning", meaning), ("action", action)):
        if not str(text).strip():
            raise ValueError(f"{name}: expected a sentence, found none")
    return Card((str(number), str(meaning), str(action)))
