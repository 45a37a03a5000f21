"""Names that would run as script if a page took them for markup: in a rig, a log, a star list, and the cards of frames.

A test of anything that shows such names uses `marked_rig` or `write_marked_files`, opens what it made in a browser, and
ends with ``assert_nothing_ran(page)``.
"""

import dataclasses
import os
from html.parser import HTMLParser

import numpy as np
from astropy.io import fits

from helpers import rig as rigs

RAN = "window.markupRan"
MARKUP = f"<img src=x onerror={RAN}=1>"
IN_MARKDOWN = f"[a](javascript:{RAN}=1) <b>b</b> | `c` $d$"
# Elements that only markup from a name can have made.
_MADE = "img[src='x'], [onerror], a[href^='javascript:']"


def marked_rig():
    """The demo rig with markup for each of its names."""
    rig = rigs.demo_rig()
    parts = {
        key: dataclasses.replace(getattr(rig, key), name=f"{MARKUP}{key}")
        for key in ("main_camera", "guide_camera", "site")
    }
    return dataclasses.replace(rig, name=f"{MARKUP}{IN_MARKDOWN}", **parts)


def write_marked_files(folder):
    """Write rig, log, star list and frames with markup in names, columns, cells and cards; paths by kind."""
    stem = MARKUP if os.name == "posix" else "marked &lt;b&gt;"
    paths = {kind: folder / f"{stem}{kind}.{ending}" for kind, ending in _ENDINGS.items()}
    rigs.save_rig(marked_rig(), paths["rig"])
    rng = np.random.default_rng(5)
    head = f"{MARKUP}time,{MARKUP}ra,{MARKUP}dec,{MARKUP}camera"
    errors = rng.normal(0, 0.4, (400, 2))
    rows = [f"{k},{ra:.3f},{dec:.3f},{MARKUP}{'AB'[k // 200]}" for k, (ra, dec) in enumerate(errors)]
    paths["log"].write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    paths["stars"].write_text(f"{MARKUP}ra,dec,{MARKUP}\n1,2,{MARKUP}\n", encoding="utf-8")
    # The same with columns that are understood, so that cells and the names of further columns come further.
    night = [f"time,ra_error,dec_error,camera,{MARKUP}", *(f"{row},{MARKUP}" for row in rows)]
    paths["night"].write_text("\n".join(night) + "\n", encoding="utf-8")
    places = rng.normal((188.0, 33.0), 0.2, (200, 2))
    field = [f"{ra:.5f},{dec:.5f},{9 + 0.03 * number:.2f},{MARKUP}" for number, (ra, dec) in enumerate(places)]
    paths["field"].write_text("\n".join([f"ra,dec,magnitude,{MARKUP}", *field]) + "\n", encoding="utf-8")
    cards = {"IMAGETYP": MARKUP, "GAIN": MARKUP, "INSTRUME": MARKUP, "EXPTIME": 1.0}
    picture = rng.normal(300, 4, (48, 64)).astype(np.uint16)
    fits.PrimaryHDU(picture, fits.Header(cards)).writeto(paths["frame"])
    return paths


_ENDINGS = {"rig": "toml", "log": "csv", "stars": "csv", "night": "csv", "field": "csv", "frame": "fits"}


class _Elements(HTMLParser):
    """Elements of a page that only a name can have made."""

    def __init__(self, page):
        super().__init__()
        self.made = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attrs):
        values = {name: value or "" for name, value in attrs}
        is_address = values.get("href", "").lower().startswith("javascript:")
        if "onerror" in values or is_address or (tag == "img" and values.get("src") == "x"):
            self.made.append(self.get_starttag_text())


def elements_made(page):
    """What became an element in HTML though it stood in a name; a list, empty if all of it is text."""
    return _Elements(page).made


def assert_nothing_ran(page):
    """Fail if a script of `MARKUP` ran on a page of Playwright's, or if it became an element there."""
    page.wait_for_timeout(300)  # a broken picture calls its script a moment later
    assert page.evaluate(f"{RAN} === undefined"), "a script in a name ran"
    assert page.locator(_MADE).count() == 0, "markup in a name became an element"
