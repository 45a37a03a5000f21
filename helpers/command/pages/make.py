"""The workbooks as a folder of pages that need no Python, no kernel and no network.

Called as ``python -m helpers.command.pages.make FOLDER`` by ``python3 -m helpers pages``. Each workbook is made under
another name and renamed when it is whole; it is made again only when something it is made of has changed.
"""

import argparse
import hashlib
import json
import multiprocessing
import os
import platform
import re
import shutil
import sys
import time
from importlib.metadata import version
from pathlib import Path

import nbformat

from helpers.classroom import reading
from helpers.command import processes
from helpers.command.environment import ROOT
from helpers.command.pages import run, words
from helpers.command.pages.pieces import Pieces, escaped
from helpers.command.pages.run import PagesError
from helpers.command.pages_folder import FolderError, claim
from helpers.rig.files import RIG_VARIABLE

ROOM_MB = 6.5  # twelve of them below 80 MB
PICTURES = (170, 80, 40)  # of a panel, until the workbook is small enough
_LOOK = Path(__file__).resolve().parent / "look"
_STAMP = "made.json"
_WORKERS = 2
# Nothing is loaded but what lies in the folder, and no script runs but the one beside the pages.
_POLICY = (
    "default-src 'none'; img-src 'self' file: data:; style-src 'self' file: 'unsafe-inline'; script-src 'self' file:; "
    "form-action 'none'; base-uri 'none'"
)


def _page(title, up, body):
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{escaped(title)}</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        f'<link rel="stylesheet" href="{up}pages.css"><script defer src="{up}pages.js"></script></head>\n'
        f'<body><a class="skip-to" href="#text">To the text</a>\n{body}\n</body></html>\n'
    )


def _title(text, room):
    return words.first_heading(text) or room


def _question(text):
    found = re.search(r"\*\*The question:\*\* \*(.*?)\*", text, re.DOTALL)
    return found[1][:1].upper() + found[1][1:] if found else ""


def fingerprint(path, root=ROOT):
    """Hash of all that a workbook's page is made of: its cells, the helpers, the data, the rig, the libraries.

    Parameters
    ----------
    path : Path
        Of the workbook.

    Returns
    -------
    str
    """
    digest = hashlib.sha256()
    for cell in nbformat.read(path, as_version=4)["cells"]:
        digest.update(f"{cell['cell_type']}\n{cell['source']}\n".encode())
    for folder in ("helpers", "demo_data"):
        for source in sorted((root / folder).rglob("*")):
            if source.is_file() and "__pycache__" not in source.parts:
                digest.update(str(source.relative_to(root)).encode() + b"\n" + source.read_bytes())
    rig = os.environ.get(RIG_VARIABLE, "demo")
    digest.update(b"demo" if rig == "demo" else Path(rig).read_bytes())
    libraries = ("numpy", "scipy", "astropy", "matplotlib", "pillow", "mistune", "latex2mathml")
    digest.update(repr([platform.python_version(), *map(version, libraries)]).encode())
    return digest.hexdigest()


def _links(room, rooms, end=False):
    place = rooms.index(room)
    before = [f'<a rel="prev" href="{words.address_of(name)}">← {name}</a>' for name in rooms[:place][-1:]]
    after = [f'<a rel="next" href="{words.address_of(name)}">{name} →</a>' for name in rooms[place + 1 :][:1]]
    links = " ".join([*before, '<a href="../index.html">All workbooks</a>', *after])
    where = (' class="rooms end"', "at the end") if end else (' class="rooms"', "at the top")
    return f'<nav{where[0]} aria-label="Workbooks, {where[1]}">{links}</nav>'


def _clear(*folders):
    for folder in folders:
        if folder.exists():
            shutil.rmtree(folder)


def write_room(path, shown, folder, rooms, pictures):
    """Write the page and the pictures of a workbook that has run into a new folder.

    Parameters
    ----------
    path : Path
        Of the workbook.
    shown : list of run.Cell
    folder : Path
        Made here.
    rooms : list of str
        All workbooks that have a page.
    pictures : sequence of int
        Of one panel, at most; the first with which the page is within its size is taken, or the last.

    Returns
    -------
    int
        Bytes written.
    """
    for most in pictures:
        _clear(folder)
        folder.mkdir()
        pieces = Pieces(rooms, lambda name, content: (folder / name).write_bytes(content), most)
        body = "\n".join(pieces.html_of(cell) for cell in shown)
        text = f'{_links(path.stem, rooms)}\n<main id="text">{body}</main>\n{_links(path.stem, rooms, end=True)}'
        title = _title(shown[0].text, path.stem)
        (folder / "index.html").write_text(_page(title, "../", text), encoding="utf-8", newline="\n")
        size = sum(file.stat().st_size for file in folder.iterdir())
        if size <= ROOM_MB * 1e6:
            break
    core, whole = reading.minutes(json.loads(path.read_text(encoding="utf-8")))
    cover, alt = pieces.cover
    about = {"title": title, "question": _question(shown[0].text), "cover": cover, "alt": alt, "size": size}
    about |= {"minutes": [round(core), round(whole)], "pictures": most, "of": fingerprint(path)}
    (folder / _STAMP).write_text(json.dumps(about, indent=1), encoding="utf-8", newline="\n")
    return size


def made_of(folder):
    """What is known of a workbook's page; empty if there is none that is whole."""
    try:
        return json.loads((folder / _STAMP).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}


def make_room(path, target, rooms, pictures=PICTURES):
    """Run a workbook and make its page under another name, then put it in its place.

    Parameters
    ----------
    path : Path
        Of the workbook; the working directory must be the folder it lies in.
    target : Path
        Folder of the pages.
    rooms, pictures
        As for `write_room`.

    Returns
    -------
    str
        What to tell: its size, or that nothing had changed.
    """
    place = target / path.stem
    partial, old = target / f".{path.stem}.partial", target / f".{path.stem}.old"
    _clear(partial, old)
    if made_of(place).get("of") == fingerprint(path):
        return "as it was"
    began = time.monotonic()
    size = write_room(path, list(run.cells(path)), partial, rooms, pictures)
    if place.exists():
        place.rename(old)
    partial.rename(place)
    _clear(old)
    return f"{time.monotonic() - began:.0f} s, {size / 1e6:.1f} MB"


def _worker(task):
    path, target, rooms = task
    os.chdir(path.parent)
    try:
        return path.stem, make_room(path, target, rooms), True
    except PagesError as error:
        return path.stem, f"not made. {error}", False


def _front_page(target, rooms):
    """The first page: every workbook that is there, with its picture and its question."""
    entries = []
    for room in rooms:
        about = made_of(target / room)
        if about:
            core, whole = about["minutes"]
            entries.append(
                f'<li><a href="{room}/index.html" aria-hidden="true" tabindex="-1">'
                f'<img src="{room}/{about["cover"]}" alt="" loading="lazy"></a>'
                f'<h2><a href="{room}/index.html">{room[:2]} {escaped(about["title"])}</a></h2>'
                f"<p>{escaped(about['question'])}</p>"
                f'<p class="note">{core} minutes to the answer, {whole} in all</p></li>'
            )
    body = (
        '<main id="text"><h1>Keeping a telescope on target</h1>'
        "<p>A guide camera watches stars and steers the mount, so that the picture never shows that it moved. Read the "
        "workbooks in order: guess first, move the sliders, answer the questions.</p>"
        f'<ul class="front">{"".join(entries)}</ul>'
        '<p class="note">These pages need no Python and no network: every picture in them was drawn beforehand. One '
        "slider moves at a time, in steps. The live workbooks move all together, calculate with the numbers of your "
        "own rig and read your own files.</p></main>"
    )
    return _page("Keeping a telescope on target", "", body)


def _write(path, text):
    partial = path.with_name(path.name + ".partial")
    partial.write_text(text, encoding="utf-8", newline="\n")
    os.replace(partial, path)


def write_front(target, rooms):
    """Write what all pages share: the first page, the look and the script."""
    for name in ("pages.css", "pages.js"):
        _write(target / name, (_LOOK / name).read_text(encoding="utf-8"))
    _write(target / "index.html", _front_page(target, rooms))


def make(paths, target):
    """Make the pages of some workbooks, two at a time; progress is printed.

    Parameters
    ----------
    paths : list of Path
    target : Path
        Folder of the pages, new, empty, or made by this command.

    Returns
    -------
    bool
        Whether all were made.

    Raises
    ------
    PagesError
        The folder holds something else.
    """
    claim(target)
    rooms, well = [path.stem for path in paths], True
    tasks = [(path, target, rooms) for path in reversed(paths)]  # those that take longest are among the last
    with multiprocessing.get_context("spawn").Pool(min(_WORKERS, len(tasks))) as pool:
        for count, (room, told, made) in enumerate(pool.imap_unordered(_worker, tasks), start=1):
            print(f"{count:2} of {len(tasks)}  {room}: {told}", flush=True)
            well = well and made
    write_front(target, rooms)
    return well


def main(arguments=None):
    parser = argparse.ArgumentParser(prog="python3 -m helpers pages")
    parser.add_argument("folder", type=Path)
    target = parser.parse_args(arguments).folder
    began = time.monotonic()
    print("Running the workbooks and drawing all that their panels can show, some minutes ...", flush=True)
    try:
        well = make(sorted((ROOT / "workbooks").glob("[0-9][0-9]_*.ipynb")), target)
    except (OSError, FolderError) as error:
        print(f"No pages were made. {error}", file=sys.stderr)
        return 1
    size = sum(file.stat().st_size for file in target.rglob("*") if file.is_file()) / 1e6
    print(f"{size:.0f} MB in {time.monotonic() - began:.0f} s. Open {target / 'index.html'} in a browser.")
    if not well:
        print("Some workbooks are missing; the same command goes on from here.", file=sys.stderr)
    return 0 if well else 1


if __name__ == "__main__":
    sys.exit(processes.politely(main))
