"""Visitors: a name and a secret in the address, a folder for the rig, nothing else.

Whoever knows the whole address is that visitor; nobody else can guess it. So no cookies and no accounts are needed,
and a visitor can go on with another device by opening the same address there.
"""

import re
import secrets
import shutil
import tempfile
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from helpers import rig as rigs

NAME = r"[a-z0-9]{1,20}"
SECRET = r"[a-z2-7]{20}"  # 100 bits
ADDRESS = rf"{NAME}-{SECRET}"
MOST_BYTES = 100_000  # of a rig file that a visitor sends
MOST_VISITORS = 1000
_LETTERS = "abcdefghijklmnopqrstuvwxyz234567"


class VisitorError(ValueError):
    """What a visitor sent can't be taken; the message says why, in words."""


@dataclass(frozen=True)
class Visitor:
    """One visitor; `address` is name and secret, `folder` where the rig is kept (made when one is saved)."""

    address: str
    folder: Path

    @property
    def name(self):
        return self.address.partition("-")[0]

    @property
    def rig_file(self):
        return self.folder / rigs.SAVED_RIG


def plain_name(text):
    """A name of small letters and digits, made of what somebody typed; "guest" where nothing is left."""
    letters = unicodedata.normalize("NFKD", str(text)[:200]).lower()
    return re.sub(r"[^a-z0-9]", "", letters)[:20] or "guest"


class Visitors:
    """All visitors of a folder; those who saved a rig are known again when the server starts anew.

    Parameters
    ----------
    folder : Path
        Holds one folder for each visitor; made here if it is not there.
    """

    def __init__(self, folder):
        self.folder = Path(folder).resolve()
        self.folder.mkdir(parents=True, exist_ok=True)
        kept = [path.name for path in self.folder.iterdir() if re.fullmatch(ADDRESS, path.name) and path.is_dir()]
        self._known = {address: Visitor(address, self.folder / address) for address in kept}

    def add(self, typed):
        """A new visitor with a name as typed.

        Raises
        ------
        VisitorError
            Too many already.
        """
        if len(self._known) >= MOST_VISITORS:
            raise VisitorError(f"{MOST_VISITORS} visitors are known already; no more are taken this evening.")
        address = f"{plain_name(typed)}-{''.join(secrets.choice(_LETTERS) for _ in range(20))}"
        self._known[address] = Visitor(address, self.folder / address)
        return self._known[address]

    def find(self, address):
        """The visitor of an address, or None."""
        return self._known.get(address) if re.fullmatch(ADDRESS, address) else None

    def with_rigs(self):
        """Visitors who have saved a rig, by name."""
        return sorted((one for one in self._known.values() if one.rig_file.is_file()), key=lambda one: one.address)


def prepare_folder(visitor):
    """Make the place for a visitor's rig; readable by this user only where the system knows such a thing."""
    visitor.folder.mkdir(mode=0o700, exist_ok=True)


def take_rig(visitor, content):
    """Keep a rig file that a visitor sent, if it is one.

    Parameters
    ----------
    visitor : Visitor
    content : bytes

    Returns
    -------
    str
        The rig in words.

    Raises
    ------
    VisitorError
        Too large, or no rig; what was kept before stays.
    """
    if len(content) > MOST_BYTES:
        raise VisitorError(f"expected a rig file of at most {MOST_BYTES:,} bytes, found {len(content):,}")
    with tempfile.TemporaryDirectory() as trial:
        sent = Path(trial, rigs.SAVED_RIG)
        sent.write_bytes(content)
        try:
            rig = rigs.load_rig(sent)
        except ValueError as error:
            raise VisitorError(str(error)) from error
        prepare_folder(visitor)
        partial = visitor.folder / f"{rigs.SAVED_RIG}.partial"
        shutil.copyfile(sent, partial)
        partial.replace(visitor.rig_file)
    return rigs.describe(rig)
