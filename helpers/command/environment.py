"""The environment `.venv`: made once, renewed when the requirements change, never half trusted.

Standard library only, since nothing else is there when it runs. The stamp inside `.venv` is the last thing that is
written; without a stamp that fits the requirements, nothing in `.venv` is believed. Nothing is ever installed into a
Python that is not the one of `.venv`. What is not whole is renamed before it is removed, so that an interrupted removal
leaves nothing behind under the name that is trusted.
"""

import contextlib
import functools
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
VENV = ROOT / ".venv"
OLDEST_PYTHON = (3, 11)
# What has to be installed for whom. "checks" holds "reader".
REQUIREMENTS = {
    "reader": ("requirements.txt",),
    "checks": ("requirements.txt", "tests/requirements.txt"),
}
SPACE_MB = {"reader": 1200, "checks": 2500}  # measured 655 and 1,500 when finished; the rest is for pip to work in
LOAD_MB = 150  # for "reader", measured on Linux; what is in the installer's own store is not loaded again
# What an environment is made of; a folder with anything else at its top is somebody's own.
PARTS = {"bin", "include", "lib", "lib64", "share", "etc", "scripts", "pyvenv.cfg", "installed.json", "unfinished"}
PARTS |= {"installed.partial", ".gitignore", "cachedir.tag"}


class SetupError(Exception):
    """Set-up can't go on; the message is one sentence for the reader."""


def check_python(version=sys.version_info):
    """Stop if this Python is too old."""
    if tuple(version[:2]) < OLDEST_PYTHON:
        raise SetupError(
            "Python {}.{} or newer is needed, and this is Python {}.{}: install a newer one from python.org or your "
            "system, then run the same command with it.".format(*OLDEST_PYTHON, *version[:2])
        )


def venv_python(folder=VENV, os_name=os.name):
    """Path of the Python inside an environment: `Scripts` on Windows, `bin` on macOS and Linux."""
    return folder / ("Scripts/python.exe" if os_name == "nt" else "bin/python")


def stamp_file(folder=VENV):
    """The file that says what was completely installed."""
    return folder / "installed.json"


def _marker(folder):
    """A file that is there only while something is being made or installed."""
    return folder / "unfinished"


def fingerprint(kind, root=ROOT):
    """Hash of the requirement files of a kind, whatever the line ends."""
    digest = hashlib.sha256()
    for name in REQUIREMENTS[kind]:
        digest.update((name + "\n" + (root / name).read_text(encoding="utf-8")).encode())
    return digest.hexdigest()


def _surroundings():
    """Variables for a Python of `.venv`: none that lead it, or what pip installs, to another place."""
    elsewhere = {"PYTHONHOME", "PYTHONPATH", "PIP_TARGET", "PIP_PREFIX", "PIP_ROOT", "PIP_USER", "PIP_PYTHON"}
    elsewhere |= {"UV_SYSTEM_PYTHON", "UV_PYTHON", "UV_TARGET", "UV_PREFIX", "UV_BREAK_SYSTEM_PACKAGES", "UV_NO_INDEX"}
    kept = {name: value for name, value in os.environ.items() if name not in elsewhere}
    return {**kept, "PIP_REQUIRE_VIRTUALENV": "1", "PYTHONUTF8": "1"}


def own_python(folder=VENV):
    """Version text of the Python inside an environment; empty when it doesn't run or belongs to another place."""
    code = "import sys; print(sys.prefix, sys.base_prefix, '.'.join(map(str, sys.version_info[:3])), sep='\\n')"
    command = [str(venv_python(folder)), "-c", code]
    try:
        shown = subprocess.run(command, capture_output=True, encoding="utf-8", check=True, env=_surroundings())
        prefix, base, version = shown.stdout.splitlines()
        is_own = os.path.samefile(prefix, folder) and not os.path.samefile(prefix, base)
    except (OSError, ValueError, subprocess.CalledProcessError):
        return ""
    return version if is_own and tuple(map(int, version.split(".")[:2])) >= OLDEST_PYTHON else ""


def is_ready(kind, folder=VENV, root=ROOT):
    """Whether the stamp says that exactly these requirements were completely installed for the Python that is there."""
    try:
        stamp = json.loads(stamp_file(folder).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    if not isinstance(stamp, dict) or _marker(folder).exists() or folder.is_symlink():
        return False
    return stamp.get(kind) == fingerprint(kind, root) and stamp.get("python") == own_python(folder) != ""


def prepare(kind, folder=VENV, root=ROOT, wheels=None):
    """Make the environment fit for "reader" or "checks" and return the path of its Python.

    Parameters
    ----------
    kind : str
    folder, root : Path
        The environment, and the folder of the requirement files.
    wheels : Path, optional
        Folder that holds all libraries, so that no network is needed.

    Raises
    ------
    SetupError
        With one sentence that says what is missing.
    """
    if not is_ready(kind, folder, root):
        try:
            with _one_at_a_time(root):
                if not is_ready(kind, folder, root):  # another set-up may have finished meanwhile
                    _set_up(kind, folder, root, wheels)
        except OSError as error:
            raise SetupError(
                f"The set-up can't write in {folder.parent} ({error.strerror or error}): make room or allow it there, "
                "or move this folder to a place of your own, then run the same command again."
            ) from error
    return venv_python(folder)


def _set_up(kind, folder, root, wheels=None):
    began = time.monotonic()
    _check_place(kind, folder)
    loaded = f"about {LOAD_MB} MB over the network" + (" and more for the checks" if kind == "checks" else "")
    loaded = loaded if wheels is None else f"from {wheels}, without network"
    print(f"Setting up .venv, a minute or two: {loaded}; it needs {SPACE_MB[kind]} MB of disk.", flush=True)
    # pip believes what it finds, so what an interrupted set-up left behind is thrown away; pip's own store of downloads
    # makes the second try quick.
    if _marker(folder).exists() or not own_python(folder):
        print("[1/3] Making the environment", flush=True)
        _put_aside(folder)
        folder.mkdir()
        _marker(folder).touch()
        _run([sys.executable, "-m", "venv", folder], "The environment can't be made")
    _marker(folder).touch()
    stamp_file(folder).unlink(missing_ok=True)
    print("[2/3] Installing the libraries", flush=True)
    _install(kind, folder, root, wheels)
    print("[3/3] Looking for fonts", flush=True)
    # Otherwise matplotlib would say in a reader's first figure that it is doing this.
    _run([venv_python(folder), "-c", "import matplotlib.font_manager"], "The libraries don't start")
    contained = [name for name, files in REQUIREMENTS.items() if set(files) <= set(REQUIREMENTS[kind])]
    stamp = {"python": own_python(folder), **{name: fingerprint(name, root) for name in contained}}
    partial = stamp_file(folder).with_suffix(".partial")
    partial.write_text(json.dumps(stamp, indent=1) + "\n", encoding="utf-8")
    partial.replace(stamp_file(folder))
    _marker(folder).unlink()
    print(f"Set-up finished after {time.monotonic() - began:.0f} s.", flush=True)


def _check_place(kind, folder):
    """SetupError where `.venv` can't be made, or is not ours to remove."""
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise SetupError(f"{folder} is a link or a file: move it away, then run the same command again.")
    inside = [path.name.lower() for path in folder.iterdir()] if folder.exists() else []
    if set(inside) - PARTS and "pyvenv.cfg" not in inside:
        raise SetupError(
            f"{folder} exists and is no Python environment: move it away, then run the same command again."
        )
    if importlib.util.find_spec("venv") is None or importlib.util.find_spec("ensurepip") is None:
        raise SetupError(
            "This Python has no 'venv' module, which makes the environment: install it (on Debian or Ubuntu with "
            "'sudo apt install python3-venv'), then run the same command again."
        )
    if Path(sys.prefix).resolve() == folder.resolve() and (_marker(folder).exists() or not own_python(folder)):
        raise SetupError("The environment must be made anew: run the same command with a Python outside .venv.")
    free_mb = shutil.disk_usage(folder.parent).free / 1e6
    if not inside and free_mb < SPACE_MB[kind]:
        raise SetupError(
            f"Too little disk space: about {SPACE_MB[kind]} MB are needed for the set-up and {free_mb:.0f} MB are free."
        )


def _put_aside(folder):
    """Give what is there another name, then remove it, and what earlier removals left."""
    if folder.exists():
        folder.rename(folder.with_name(f"{folder.name}.old-{time.time_ns()}"))
    for old in folder.parent.glob(f"{folder.name}.old-*"):
        try:
            shutil.rmtree(old, ignore_errors=True)
        except OSError as problem:  # Ctrl+C in the midst of closing a folder makes rmtree close it twice
            if not isinstance(problem.__context__, KeyboardInterrupt):
                raise
            raise KeyboardInterrupt from problem


def _install(kind, folder, root, wheels=None):
    if not own_python(folder):
        raise SetupError(f"{venv_python(folder)} belongs to another Python: remove {folder}, then start again.")
    wanted = [] if wheels is None else ["--no-index", "--find-links", wheels]
    for name in REQUIREMENTS[kind]:
        wanted += ["-r", root / name]
    trouble, uv = "The libraries can't be installed", shutil.which("uv")
    if uv:
        try:
            _run([uv, "pip", "install", "--python", venv_python(folder), "--no-progress", *wanted], trouble)
            return
        except SetupError:
            print("      uv can't do it here; trying pip", flush=True)
    # The last option makes pip itself refuse any other Python than one of an environment.
    options = ["--no-input", "--disable-pip-version-check", "--no-warn-script-location", "--progress-bar=off"]
    command = [venv_python(folder), "-m", "pip", "--require-virtualenv", "install", "--retries=2", *options]
    _run([*command, *wanted], trouble, _show_news)


def _show_news(line):
    """One changing line on a terminal for what pip is doing; nothing elsewhere."""
    words = line.split()
    if sys.stdout.isatty() and words[:1] in (["Collecting"], ["Downloading"], ["Installing"]):
        news = f"{words[0]} {words[1].rpartition('/')[2]}" if words[0] != "Installing" else "Unpacking"
        width = shutil.get_terminal_size().columns - 1
        print(f"\r{f'      {news} ...'[:width]:{width}}", end="\n" if news == "Unpacking" else "", flush=True)


def _run(command, trouble, read=None):
    """Run a command silently; its lines go to `read`, and its complaint into the error if it fails."""
    lines = []
    with subprocess.Popen(
        [str(part) for part in command],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        errors="replace",
        env=_surroundings(),
        close_fds=os.name == "nt",  # elsewhere it keeps the lock while it runs, even if this process is killed
    ) as process:
        try:
            for line in process.stdout:
                lines.append(line.strip())
                if read:
                    read(line)
        except BaseException:
            process.terminate()
            raise
    if process.returncode:
        told = [line for line in lines if line.startswith(("ERROR", "Error"))] or [line for line in lines if line]
        free_mb = shutil.disk_usage(ROOT).free / 1e6
        raise SetupError(
            f"{trouble} ({(told or ['no reason was given'])[0]:.200}): check the network connection and the free disk "
            f"space ({free_mb:.0f} MB), then run the same command again."
        )


@contextlib.contextmanager
def _one_at_a_time(root):
    """Let a second set-up in the same folder wait for the first; the lock ends with the processes that hold it."""
    with open(root / "requirements.txt", "rb") as file:
        if os.name == "nt":
            import msvcrt

            file.seek(1 << 30)  # a byte that nobody reads
            lock = functools.partial(msvcrt.locking, file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            os.set_inheritable(file.fileno(), True)
            lock = functools.partial(fcntl.flock, file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        said = False
        while True:
            try:
                lock()
                break
            except OSError:
                if not said:
                    print("Another set-up is at work in this folder; waiting for it.", flush=True)
                    said = True
                time.sleep(0.5)
        yield
