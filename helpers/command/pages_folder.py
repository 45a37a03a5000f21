"""The folder that pages are written into; standard library only, so that it is looked at before anything is set up."""

MARKER = "pages.json"


class FolderError(Exception):
    """Pages can't be written there; the message is one sentence for the reader."""


def check(folder):
    """FolderError if a folder holds something that is not ours, or can't be made; nothing is written.

    Parameters
    ----------
    folder : Path
    """
    if folder.exists() and not folder.is_dir():
        raise FolderError(f"{folder} is a file: name a folder. No pages were made.")
    if not folder.parent.is_dir():
        raise FolderError(f"{folder.parent}: no such folder. No pages were made.")
    if folder.is_dir() and any(folder.iterdir()) and not (folder / MARKER).is_file():
        raise FolderError(f"{folder} holds other files: name a new or an empty folder. No pages were made.")


def claim(folder):
    """Make the folder and mark it as ours.

    Parameters
    ----------
    folder : Path
    """
    check(folder)
    folder.mkdir(exist_ok=True)
    (folder / MARKER).write_text('{"made by": "python3 -m helpers pages"}\n', encoding="utf-8", newline="\n")
