"""The environment `.venv`: made once, renewed when the requirements change, never half trusted.

Standard library only, since nothing else is there when it runs. The stamp file inside `.venv` is the last thing that
is written; without a stamp that fits the requirements, nothing in `.venv` is believed.
"""

import contextlib
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import threading
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
_NETWORK_SIGNS = (
    "name resolution",
    "Name or service not known",
    "nodename nor servname",
    "getaddrinfo",
    "NewConnectionError",
    "Connection refused",
    "Network is unreachable",
    "ConnectTimeoutError",
    "ReadTimeoutError",
    "ProxyError",
    "SSLError",
    "Connection aborted",
    "ConnectionError",
    "Failed to establish a new connection",
)
_DISK_SIGNS = ("No space left on device", "Errno 28", "WinError 112", "Disk quota exceeded")


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


def _python_of(folder):
    """Version text of the Python inside an environment; empty when it does not run."""
    code = "import sys, pip; print('.'.join(map(str, sys.version_info[:3])))"
    try:
        found = subprocess.run([str(venv_python(folder)), "-c", code], capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        return ""
    return found.stdout.strip()


def is_ready(kind, folder=VENV, root=ROOT):
    """Whether the stamp says that exactly these requirements were completely installed for the Python that is there."""
    try:
        stamp = json.loads(stamp_file(folder).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    if not isinstance(stamp, dict) or _marker(folder).exists():
        return False
    return stamp.get(kind) == fingerprint(kind, root) and stamp.get("python") == _python_of(folder) != ""


def prepare(kind, folder=VENV, root=ROOT):
    """Make the environment fit for "reader" or "checks" and return the path of its Python.

    Raises
    ------
    SetupError
        With one sentence that says what is missing.
    """
    if is_ready(kind, folder, root):
        return venv_python(folder)
    with _one_at_a_time(root):
        if not is_ready(kind, folder, root):  # another set-up may have finished meanwhile
            try:
                _set_up(kind, folder, root)
            except OSError as error:
                raise SetupError(_explain(str(error), folder)) from error
    return venv_python(folder)


def _set_up(kind, folder, root):
    began = time.monotonic()
    if _marker(folder).exists():
        print("The last set-up was interrupted: making .venv anew (a minute or two).", flush=True)
    elif folder.exists():
        print("Checking what is installed in .venv.", flush=True)
    else:
        print("First start: setting up the environment in .venv (a minute or two).", flush=True)
    # pip believes what it finds, so what an interrupted set-up left behind is thrown away; pip's own store of downloads
    # makes the second try quick.
    if _marker(folder).exists() or not _python_of(folder):
        _make(kind, folder)
    _marker(folder).touch()
    stamp_file(folder).unlink(missing_ok=True)
    with _Progress(2, "Installing the libraries") as progress:
        _install(kind, folder, root, progress)
    with _Progress(3, "Looking for fonts"):
        # Otherwise matplotlib would say in a reader's first figure that it is doing this.
        _run([venv_python(folder), "-c", "import matplotlib.font_manager"], folder)
    stamp = {"python": _python_of(folder), **{name: fingerprint(name, root) for name in _contained(kind)}}
    _marker(folder).unlink()
    partial = stamp_file(folder).with_suffix(".partial")
    partial.write_text(json.dumps(stamp, indent=1) + "\n", encoding="utf-8")
    partial.replace(stamp_file(folder))
    print(f"Set-up finished after {time.monotonic() - began:.0f} s.", flush=True)


def _contained(kind):
    return [name for name, files in REQUIREMENTS.items() if set(files) <= set(REQUIREMENTS[kind])]


def _make(kind, folder):
    if importlib.util.find_spec("venv") is None or importlib.util.find_spec("ensurepip") is None:
        raise SetupError(
            "This Python has no 'venv' module, which makes the environment: install it (on Debian or Ubuntu with "
            "'sudo apt install python3-venv'), then run the same command again."
        )
    known = (folder / "pyvenv.cfg").exists() or _marker(folder).exists()
    if folder.exists() and any(folder.iterdir()) and not known:
        raise SetupError(
            f"{folder} exists and is no Python environment: move it away, then run the same command again."
        )
    if Path(sys.prefix).resolve() == folder.resolve():
        raise SetupError("The environment must be made anew: run the same command with a Python outside .venv.")
    free_mb = shutil.disk_usage(folder.parent).free / 1e6
    if free_mb < SPACE_MB[kind]:
        raise SetupError(
            f"Too little disk space: about {SPACE_MB[kind]} MB are needed for the set-up and {free_mb:.0f} MB are free."
        )
    with _Progress(1, "Making the environment"):
        if folder.exists():
            shutil.rmtree(folder)
        folder.mkdir()
        _marker(folder).touch()
        _run([sys.executable, "-m", "venv", folder], folder)


def _install(kind, folder, root, progress):
    command = [
        venv_python(folder),
        "-m",
        "pip",
        "install",
        "--no-input",
        "--disable-pip-version-check",
        "--retries",
        "2",
    ]
    command += ["--progress-bar", "off", "--no-warn-script-location"]
    for name in REQUIREMENTS[kind]:
        command += ["-r", root / name]
    _run(command, folder, _pip_news(progress))


def _pip_news(progress):
    """A reader of pip's lines that turns them into a word for the progress line."""

    def read(line):
        words = line.split()
        if words[:1] == ["Collecting"]:
            progress.say(f"looking up {words[1]}")
        elif words[:1] == ["Downloading"]:
            progress.say(f"fetching {words[1].rpartition('/')[2].split('-')[0]} {' '.join(words[2:])}")
        elif line.startswith("Installing collected packages"):
            progress.say(f"unpacking {len(words) - 3} packages")

    return read


def _run(command, folder, read=None):
    """Run a command silently; its lines go to `read`, and its last words into the error if it fails."""
    environment = {name: value for name, value in os.environ.items() if name not in ("PYTHONHOME", "PYTHONPATH")}
    process = subprocess.Popen(
        [str(part) for part in command],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
        errors="replace",
        env=environment,
    )
    lines = []
    try:
        for line in process.stdout:
            lines.append(line.rstrip())
            if read:
                read(line)
        process.wait()
    finally:
        if process.poll() is None:
            process.terminate()
            process.wait()
    if process.returncode:
        raise SetupError(_explain("\n".join(lines), folder))


def _explain(output, folder):
    """One sentence for what a failed command said."""
    if any(sign in output for sign in _DISK_SIGNS):
        return f"The disk is full: free some space beside {folder}, then run the same command again."
    if any(sign in output for sign in _NETWORK_SIGNS):
        return "The package index can't be reached: check the network connection, then run the same command again."
    if "ensurepip" in output:
        return (
            "This Python can't make environments with pip: install its 'venv' package (on Debian or Ubuntu with "
            "'sudo apt install python3-venv'), then run the same command again."
        )
    lines = [line for line in output.splitlines() if line.strip()]
    told = [line for line in lines if line.startswith("ERROR")] or lines or ["no reason was given"]
    return (
        f"The set-up failed ({told[0].strip()}); run the same command again, and if it fails again, ask with this line."
    )


@contextlib.contextmanager
def _one_at_a_time(root):
    """Let a second set-up in the same folder wait for the first; the lock ends with the process that holds it."""
    with open(root / "requirements.txt", "rb") as file:
        if os.name == "nt":
            import msvcrt

            file.seek(1 << 30)  # a byte that nobody reads

            def lock():
                msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            def lock():
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)

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


class _Progress:
    """A line "[2/3] Installing the libraries ... 12 s": rewritten on a terminal, written once elsewhere."""

    def __init__(self, step, text, steps=3):
        self._head, self._news = f"[{step}/{steps}] {text}", ""
        self._live, self._done = sys.stdout.isatty(), threading.Event()

    def say(self, news):
        self._news = news

    def _show(self, end):
        width = shutil.get_terminal_size().columns - 1
        line = f"{self._head} ... {time.monotonic() - self._began:.0f} s {self._news}"
        sys.stdout.write(("\r" + line[:width].ljust(width) if self._live else line) + end)
        sys.stdout.flush()

    def _tick(self):
        while not self._done.wait(0.3):
            self._show("")

    def __enter__(self):
        self._began = time.monotonic()
        if self._live:
            self._ticker = threading.Thread(target=self._tick, daemon=True)
            self._ticker.start()
        else:
            print(self._head, flush=True)
        return self

    def __exit__(self, kind, error, trace):
        self._done.set()
        if self._live:
            self._ticker.join()
            self._news = "" if kind else "done"
            self._show("\n")
