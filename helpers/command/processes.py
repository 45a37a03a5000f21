"""Programs that a command starts: they end when it does, by Ctrl+C, by a polite kill or on their own."""

import contextlib
import os
import signal
import subprocess
import sys

from helpers.command.environment import ROOT

_STOPPED = 130
_PATIENCE = 10  # seconds until a program that does not end is made to


def surroundings(**extra):
    """The variables of a child process: its own kernel first, then `extra`."""
    return {**os.environ, "JUPYTER_PREFER_ENV_PATH": "1", **extra}


def where_to_write(folder):
    """Variables that lead what JupyterLab, IPython and matplotlib keep for a user into a folder.

    None where the home can be written. Without that, JupyterLab opens no workbook, since it keeps signatures there.
    """
    if os.access(os.path.expanduser("~"), os.W_OK):
        return {}
    names = ("JUPYTER_DATA_DIR", "JUPYTER_CONFIG_DIR", "JUPYTERLAB_SETTINGS_DIR", "JUPYTERLAB_WORKSPACES_DIR")
    names += ("IPYTHONDIR", "MPLCONFIGDIR")
    return {name: os.path.join(folder, name.lower()) for name in names if name not in os.environ}


def fixed_surroundings():
    """For results that are the same everywhere: the demo rig, no windows, one thread for each of the workers."""
    return surroundings(GUIDING_RIG_FILE="demo", MPLBACKEND="Agg", OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")


@contextlib.contextmanager
def running(command, variables):
    """Start a program in the project's folder; it has ended, with all that it started, when the block is left.

    Ctrl+C reaches this process only, so that one place decides what is said and in which order things end.
    """
    polite = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, _leave) for number in polite}
    apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP} if os.name == "nt" else {"start_new_session": True}
    process = subprocess.Popen(command, cwd=ROOT, env=variables, **apart)
    try:
        yield process
    finally:
        _end(process)
        for number, handler in before.items():
            signal.signal(number, handler)


def run(command, variables):
    """Run a program to its end and return its exit status."""
    with running(command, variables) as process:
        return process.wait()


def _leave(number, frame):
    sys.exit(128 + number)


def _send(process, number):
    with contextlib.suppress(ProcessLookupError, PermissionError):
        if os.name == "nt":
            process.terminate()
        else:
            os.killpg(process.pid, number)  # it leads a group of its own


def _end(process):
    if process.poll() is None:
        _send(process, signal.SIGTERM)
        try:
            process.wait(timeout=_PATIENCE)
        except (subprocess.TimeoutExpired, KeyboardInterrupt):
            _send(process, getattr(signal, "SIGKILL", signal.SIGTERM))
            process.wait()


def politely(main, *arguments):
    """Exit status of `main` inside a program that `run` starts: a polite kill lets it tidy up, and nothing is said."""
    try:
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        return main(*arguments)
    except KeyboardInterrupt:
        return _STOPPED
