"""A rig in a small TOML file that a reader can open and mend with any editor."""

import os
import shutil
import tempfile
import tomllib
from pathlib import Path

import astropy.units as u
import tomlkit
import tomlkit.exceptions

from helpers.rig.demo import demo_rig, demo_values
from helpers.rig.parts import KEYS, SECTIONS, RigError
from helpers.rig.values import flat, rig_from_values, rig_values
from helpers.shared.files import existing_file

SAVED_RIG = "my_rig.toml"
RIG_VARIABLE = "GUIDING_RIG_FILE"
OWN_VARIABLE = "GUIDING_OWN_RIG"
_NOT_YET = "from_demo"  # in the file: keys of the values that nobody gave yet
_MOST_BYTES = 1_000_000
_LONGEST_LINE = 10_000  # names of very many parts take the readers of TOML minutes


def _as_text(value):
    return f"{float(value.value)!r} {value.unit}" if isinstance(value, u.Quantity) else value


def _parsed(path, parse):
    """The file at `path` through one of the two TOML readers; RigError with the file's name otherwise."""
    if path.stat().st_size > _MOST_BYTES:
        raise RigError(f"{path.name}: expected a rig file, found {path.stat().st_size:,} bytes")
    try:
        text = path.read_bytes().decode("utf-8-sig")
        if any(len(line) > _LONGEST_LINE for line in text.splitlines()):
            raise RigError(
                f"{path.name}: expected TOML in lines of at most {_LONGEST_LINE:,} characters, found a longer one"
            )
        return parse(text)
    except UnicodeDecodeError as error:
        raise RigError(f"{path.name}: expected TOML, found bytes that are no text ({error.reason})") from error
    except RecursionError:
        raise RigError(f"{path.name}: expected TOML, found tables nested too deep") from None
    except RigError:
        raise
    except ValueError as error:  # both readers' errors, and whole numbers of thousands of digits
        reason = " ".join(str(error).split())[:200]
        raise RigError(f"{path.name}: expected TOML, found: {reason}") from error


def _own(path, values):
    """Keys of the values that somebody gave: all but those said to be the demo's that still are."""
    listed = values.pop(_NOT_YET, [])
    if not isinstance(listed, list) or not all(isinstance(key, str) and key in KEYS for key in listed):
        raise RigError(f"{path.name}: {_NOT_YET}: expected a list of keys such as 'mount.jitter', found {listed!r:.80}")
    rig = rig_from_values(values)
    demos = demo_values()
    return frozenset(key for key, value in flat(rig).items() if key not in listed or value not in demos[key])


def load_rig(path):
    """Read a rig file.

    Parameters
    ----------
    path : str or Path
        TOML; quantities are texts with a unit: ``pixel_size = "2.9 um"``. ``from_demo`` may list keys of values that
        are still those of a demo rig; all others count as the reader's own.

    Returns
    -------
    Rig

    Raises
    ------
    FileNotFoundError
        No such file.
    RigError
        No TOML, or wrong, missing or unknown keys, each named.
    """
    try:
        path = existing_file(path)
        values = _parsed(path, tomllib.loads)
        own = _own(path, values)
        return rig_from_values(values, own)
    except PermissionError:
        raise RigError(f"{Path(path).name}: this file may not be read by you") from None
    except ValueError as error:
        lines = [line.removeprefix(f"{Path(path).name}: ") for line in str(error).splitlines()]
        raise RigError("\n".join(f"{Path(path).name}: {line}" for line in lines)) from error


def save_rig(rig, path):
    """Write a rig file; an existing file keeps its comments, layout, permissions and links, and only its values change.

    Parameters
    ----------
    rig : Rig
    path : str or Path

    Raises
    ------
    TypeError
        `rig` is no Rig.
    RigError
        The file that is there is no TOML or holds something else in place of a section; it is left as it was.
    """
    values = rig_values(rig)
    path = Path(path)
    if path.is_dir():
        raise RigError(f"{path.name}: expected a file, found a folder")
    there = path.exists() and path.stat().st_size > 0
    document = _parsed(path, tomlkit.parse) if there else tomlkit.document()
    for key in SECTIONS:
        if key in document and not isinstance(document[key], dict):
            raise RigError(f"{path.name}: {key}: expected a table [{key}], found {str(document[key])[:40]!r}")
    # top-level values stand before the first table
    _put(document, "name", values.pop("name"))
    _put(document, _NOT_YET, [key for key in KEYS if key not in rig.own])
    if not document[_NOT_YET]:
        del document[_NOT_YET]
    else:
        document[_NOT_YET].multiline(True)
    for key, section in values.items():
        if key not in document:
            document[key] = tomlkit.table()
        labels = {name: item.metadata["label"] for name, item in SECTIONS[key].__dataclass_fields__.items()}
        for name, value in section.items():
            _put(document[key], name, _as_text(value), labels[name])
    _replace(path, tomlkit.dumps(document))


def _put(table, name, value, comment=None):
    if name in table and table[name] == value:
        return
    item = tomlkit.item(value)
    if comment and name not in table:
        item.comment(comment)
    table[name] = item  # the reader's comment behind the old value stays


def _replace(path, text):
    """Put a new text in the place of a file in one step, so that nothing is lost when writing fails."""
    target = Path(os.path.realpath(path))  # a link stays a link
    handle, partial = tempfile.mkstemp(dir=target.parent, prefix=target.name, suffix=".partial")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
        if target.exists():
            shutil.copymode(target, partial)
        else:
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(partial, 0o666 & ~mask)
        os.replace(partial, target)
    except BaseException:
        Path(partial).unlink(missing_ok=True)
        raise


def own_rig_file():
    """Where the reader's own rig is kept: `my_rig.toml` in this folder, unless GUIDING_OWN_RIG names another file.

    Returns
    -------
    Path
    """
    return Path(os.environ.get(OWN_VARIABLE, SAVED_RIG))


def working_rig():
    """The rig the workbooks work with: the reader's own if one was saved, else the demo club rig.

    The environment variable GUIDING_RIG_FILE names another file, or "demo" for the demo rig whatever was saved.

    Returns
    -------
    Rig
    """
    chosen, own = os.environ.get(RIG_VARIABLE, SAVED_RIG), own_rig_file()
    if chosen == SAVED_RIG:
        return load_rig(own) if own.exists() else demo_rig()
    return demo_rig() if chosen == "demo" else load_rig(chosen)
