"""`wheels`: the libraries as a folder for a stick, so that a computer of the same kind sets up without network."""

import json
import platform
import sys

from helpers.command import environment, processes
from helpers.command.environment import ROOT, SetupError

ABOUT = "wheels.json"


def this_kind():
    """What computers must share to share libraries: system, processor, version of Python."""
    return {
        "system": platform.system(),
        "processor": platform.machine(),
        "python": ".".join(map(str, sys.version_info[:2])),
    }


def _typed(folder):
    """A folder's name as one types it in a command."""
    return f'"{folder.name}"' if " " in folder.name else folder.name


def check(folder):
    """SetupError if a folder holds no libraries for this computer.

    Parameters
    ----------
    folder : Path
    """
    try:
        about = json.loads((folder / ABOUT).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise SetupError(
            f"{folder} holds no libraries: fill it where there is network, with "
            f"'python3 -m helpers wheels {_typed(folder)}'."
        ) from error
    here = this_kind()
    if {name: about.get(name) for name in here} != here:
        there = " ".join(str(about.get(name)) for name in here)
        raise SetupError(
            f"{folder} is for {there}, and this is {' '.join(here.values())}: fill one on such a computer."
        )


def run(options):
    """Fill the folder; the mark that makes it good is written last."""
    folder = options.folder.resolve()
    if folder.exists() and (not folder.is_dir() or (any(folder.iterdir()) and not any(folder.glob("*.whl")))):
        raise SetupError(f"{folder} holds something else: name a new or an empty folder.")
    python = environment.prepare("reader")
    folder.mkdir(parents=True, exist_ok=True)
    (folder / ABOUT).unlink(missing_ok=True)
    print(f"Loading the libraries into {folder}: about {environment.LOAD_MB} MB.", flush=True)
    command = [str(python), "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--only-binary=:all:"]
    status = processes.run(
        [*command, "-d", str(folder), "-r", str(ROOT / "requirements.txt")], processes.surroundings()
    )
    if status:
        raise SetupError("Not all libraries could be loaded: check the network, then run the same command again.")
    (folder / ABOUT).write_text(json.dumps(this_kind()) + "\n", encoding="utf-8")
    size = sum(path.stat().st_size for path in folder.glob("*.whl")) / 1e6
    kind = " ".join(this_kind().values())
    print(f"{size:.0f} MB. On another computer ({kind}): python3 -m helpers lab --offline {_typed(folder)}")
    return 0
