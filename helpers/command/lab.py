"""`lab`: the workbooks in JupyterLab, on this computer only."""

import contextlib
import os
import secrets
import socket
import tempfile
import time
from pathlib import Path

from helpers.command import environment, processes, wheels
from helpers.command.environment import ROOT, SetupError

FIRST = "workbooks/00_your_rig.ipynb"
SETTINGS = Path(__file__).resolve().parent / "lab_settings"  # no questions about news, the simple view


def lab_command(python, port, browser, as_root, folder=ROOT):
    """The command that starts JupyterLab; the token is handed over in a variable, which no list of processes shows."""
    command = [
        str(python),
        "-m",
        "jupyterlab",
        f"--ServerApp.root_dir={folder}",
        "--ServerApp.ip=127.0.0.1",
        f"--ServerApp.port={port}",
        "--ServerApp.port_retries=0",
        f"--LabApp.default_url=/doc/tree/{FIRST}",
        "--ServerApp.answer_yes=True",
        "--log-level=ERROR",
        "--LabApp.log_level=ERROR",
        "--LabApp.news_url=None",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--LabApp.extension_manager=readonly",
    ]
    if os.name != "nt":  # sockets in a folder of the user's own instead of open ports between server and kernels
        command.append("--KernelManager.transport=ipc")
    return command + ([] if browser else ["--no-browser"]) + (["--allow-root"] if as_root else [])


@contextlib.contextmanager
def lab_surroundings(token):
    """The variables of the server, and a folder for its sockets with a name short enough for every system."""
    short = "/tmp" if os.name != "nt" and os.access("/tmp", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="lab-", dir=short, ignore_cleanup_errors=True) as folder:
        paths = [str(SETTINGS), *filter(None, [os.environ.get("JUPYTER_CONFIG_PATH")])]
        yield processes.surroundings(
            JUPYTER_TOKEN=token,
            JUPYTER_RUNTIME_DIR=folder,
            JUPYTER_CONFIG_PATH=os.pathsep.join(paths),
            **processes.where_to_write(folder),
        )


def is_free(port):
    """Whether a server can listen on this port."""
    with socket.socket() as probe:
        if os.name != "nt":  # on Windows this option would allow two servers on one port
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


def _answers(port):
    with socket.socket() as probe:
        probe.settimeout(0.5)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def check(options):
    """SetupError if the port is taken."""
    if not is_free(options.port):
        raise SetupError(
            f"Port {options.port} can't be used, perhaps another JupyterLab is running: choose another one, "
            f"such as 'python3 -m helpers lab --port {options.port % 65535 + 1}'."
        )


def run(options):
    """Serve until Ctrl+C, which is the usual end once the address is told."""
    check(options)
    if options.offline is not None:
        wheels.check(options.offline)
    python = environment.prepare("reader", wheels=options.offline)
    token, told = secrets.token_hex(24), False
    as_root = getattr(os, "geteuid", lambda: 1)() == 0
    command = lab_command(python, options.port, not options.no_browser, as_root)
    try:
        with lab_surroundings(token) as variables, processes.running(command, variables) as server:
            while server.poll() is None and not _answers(options.port):
                time.sleep(0.1)
            if server.poll() is None:
                told = True
                print(
                    f"\nJupyterLab is running. Its address, if no browser opens by itself:\n\n"
                    f"    http://127.0.0.1:{options.port}/doc/tree/{FIRST}?token={token}\n\n"
                    "Keep this window open while you read; stop with Ctrl+C.",
                    flush=True,
                )
            return server.wait()
    except KeyboardInterrupt:
        if not told:
            raise
        print("\nJupyterLab has stopped.")
        return 0
