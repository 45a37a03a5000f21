"""The command line: `python3 -m helpers lab | test | report | refresh`, from the folder that holds README.md.

Standard library only: the first command makes the environment, and what needs more runs inside that.
"""

import argparse
import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from xml.etree import ElementTree

from helpers.command import environment
from helpers.command.environment import ROOT, SetupError

WORKBOOKS = ROOT / "workbooks"
FIRST = "workbooks/00_your_rig.ipynb"
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
_NO_TEST_RAN = 5  # pytest's exit status when nothing was collected


def _parser():
    parser = argparse.ArgumentParser(
        prog="python3 -m helpers",
        description="Workbooks on keeping a telescope on target. The first command sets up what is needed in the "
        "folder "
        ".venv (a minute or two, network needed once); later ones start at once.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="lab | test | report | refresh")

    def add(name, run, summary, details):
        command = commands.add_parser(name, help=summary, description=f"{summary[0].upper()}{summary[1:]}. {details}")
        command.set_defaults(run=run)
        return command

    lab = add("lab", run_lab, "open the workbooks in JupyterLab", "Listens on this computer only. Stop it with Ctrl+C.")
    lab.add_argument("--no-browser", action="store_true", help="print the address only, for machines without a browser")
    lab.add_argument("--port", type=_port, default=8888, help="port to listen on (8888 if not given)")
    test = add(
        "test",
        run_test,
        "run every test",
        "Helpers, published checks, all workbooks, and a real browser if one is found. BROWSER_TESTS=required in the "
        "surroundings makes a missing browser a failure. Exit status 0 only if all passed.",
    )
    test.add_argument("pytest", nargs="*", metavar="-- OPTION", help="options for pytest, such as: -- -k seeing -x")
    report = add(
        "report",
        run_report,
        "write a report on a rig",
        "Runs workbook 10 on it and writes one self-contained HTML page.",
    )
    report.add_argument(
        "rig", nargs="?", type=Path, help="rig file, such as workbooks/my_rig.toml (the demo rig if none)"
    )
    report.add_argument(
        "--output", type=Path, default=Path("report.html"), help="file to write (report.html if not given)"
    )
    report.add_argument("--overwrite", action="store_true", help="replace a report that is there")
    refresh = add(
        "refresh",
        run_refresh,
        "run workbooks and save them with their outputs",
        "Always with the demo rig, so that the saved numbers are the same for everybody. A workbook with a failing "
        "cell stays as it was, and the cell is named.",
    )
    refresh.add_argument("names", nargs="*", metavar="NAME", help="such as 01_pixel_scale (all workbooks if none)")
    return parser


def _port(text):
    port = int(text)
    if not 1 <= port <= 65535:
        raise argparse.ArgumentTypeError(f"expected 1 to 65535, found {port}")
    return port


def _settings(**extra):
    """The surroundings of a child process: its own kernel first, then `extra`."""
    return {**os.environ, "JUPYTER_PREFER_ENV_PATH": "1", **extra}


def _fixed_settings():
    """For results that are the same everywhere: the demo rig, no windows, one thread for each of the workers."""
    return _settings(GUIDING_RIG_FILE="demo", MPLBACKEND="Agg", OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")


def lab_command(python, port, browser, as_root, folder=ROOT):
    """The command that starts JupyterLab; its token is handed over in JUPYTER_TOKEN, which no list of
    processes shows.
    """
    command = [
        str(python),
        "-m",
        "jupyterlab",
        f"--ServerApp.root_dir={folder}",
        "--ServerApp.ip=127.0.0.1",
        f"--ServerApp.port={port}",
        "--ServerApp.port_retries=0",
        f"--LabApp.default_url=/lab/tree/{FIRST}",
        "--ServerApp.answer_yes=True",
        "--log-level=ERROR",
        "--LabApp.log_level=ERROR",
        "--LabApp.news_url=None",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--LabApp.extension_manager=readonly",
    ]
    return command + ([] if browser else ["--no-browser"]) + (["--allow-root"] if as_root else [])


def _is_free(port):
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


def run_lab(options):
    if not _is_free(options.port):
        raise SetupError(
            f"Port {options.port} can't be used, perhaps another JupyterLab is running: choose another one, "
            f"such as 'python3 -m helpers lab --port {options.port % 65535 + 1}'."
        )
    python = environment.prepare("reader")
    token = secrets.token_hex(24)
    as_root = getattr(os, "geteuid", lambda: 1)() == 0
    command = lab_command(python, options.port, not options.no_browser, as_root)
    server = subprocess.Popen(command, cwd=ROOT, env=_settings(JUPYTER_TOKEN=token))
    signal.signal(signal.SIGTERM, lambda *_: server.terminate())
    try:
        while server.poll() is None and not _answers(options.port):
            time.sleep(0.1)
        if server.poll() is None:
            print(
                f"\nJupyterLab is running. Its address, if no browser opens by itself:\n\n"
                f"    http://127.0.0.1:{options.port}/lab/tree/{FIRST}?token={token}\n\n"
                "Keep this window open while you read; stop with Ctrl+C.",
                flush=True,
            )
        return server.wait()
    except KeyboardInterrupt:
        # Ctrl+C has reached the server too; it saves nothing and stops its kernels.
        try:
            server.wait(timeout=10)
        except subprocess.TimeoutExpired:
            server.terminate()
            server.wait()
        print("\nJupyterLab has stopped.")
        return 0


def find_browser():
    return next((path for path in map(shutil.which, BROWSERS) if path), None)


def parts_of_tests(pytest_options):
    """Name and pytest arguments of each part of the tests."""
    two_workers = ["-n", "2", "--dist", "loadscope"]
    quiet = ["-q", "-rs", "--color=auto", *pytest_options]
    return {
        "helpers": ["tests", "--ignore=tests/browser", *two_workers, *quiet],
        "workbooks": ["workbooks", "--nbval", "--nbval-current-env", "--nbval-cell-timeout=300", *two_workers, *quiet],
        "browser": ["tests/browser", *quiet],
    }


def count_results(report):
    """Passed, failed and skipped tests in a JUnit XML file; None if there is no such file."""
    try:
        suites = ElementTree.parse(report).getroot().iter("testsuite")
    except (OSError, ElementTree.ParseError):
        return None
    passed = failed = skipped = 0
    for suite in suites:
        broken = int(suite.get("failures")) + int(suite.get("errors"))
        failed += broken
        skipped += int(suite.get("skipped"))
        passed += int(suite.get("tests")) - broken - int(suite.get("skipped"))
    return passed, failed, skipped


def run_test(options):
    python = environment.prepare("checks")
    settings = _fixed_settings()
    browser = settings.get("GUIDING_BROWSER") or find_browser()
    if browser:
        settings["GUIDING_BROWSER"] = browser
    elif settings.get("BROWSER_TESTS") != "required":
        print("No Chromium or Chrome found: the browser tests will be skipped.", flush=True)
    total, all_well, lines = [0, 0, 0], True, []
    with tempfile.TemporaryDirectory() as folder:
        for name, arguments in parts_of_tests(options.pytest).items():
            print(f"\n=== {name} ===", flush=True)
            began = time.monotonic()
            report = Path(folder, f"{name}.xml")
            command = [str(python), "-m", "pytest", *arguments, f"--junitxml={report}"]
            status = subprocess.run(command, check=False, cwd=ROOT, env=settings).returncode
            counts = count_results(report)
            # Nothing to run is a fault, unless the options chose some tests only.
            well = status == 0 or (status == _NO_TEST_RAN and bool(options.pytest))
            all_well = all_well and well
            counts = counts or (0, 0, 0)
            total = [a + b for a, b in zip(total, counts)]
            lines.append(
                "{:10} {:>5} passed {:>4} failed {:>4} skipped {:>6.0f} s   {}".format(
                    name,
                    *counts,
                    time.monotonic() - began,
                    "well" if well else f"NOT WELL (pytest ended with {status})",
                )
            )
    print("\n=== summary ===", *lines, sep="\n")
    print("{} passed, {} failed, {} skipped".format(*total))
    return 0 if all_well and total[0] else 1


def run_report(options):
    if not (WORKBOOKS / "10_error_budget.ipynb").exists():
        print("Workbook 10, the error budget, is not built yet, so there is no report.", file=sys.stderr)
        return 2
    python = environment.prepare("reader")
    arguments = ["--output", str(options.output.resolve())]
    arguments += ["--overwrite"] if options.overwrite else []
    arguments += [str(options.rig.resolve())] if options.rig else []
    return subprocess.run([str(python), "-m", "helpers.command.report", *arguments], check=False, cwd=ROOT).returncode


def chosen_workbooks(names, folder=WORKBOOKS):
    """Paths of the named workbooks, all in reading order if none is named."""
    known = {path.stem: path for path in sorted(folder.glob("[0-9][0-9]_*.ipynb"))}
    chosen = [Path(name).name.removesuffix(".ipynb") for name in names] or list(known)
    for name in chosen:
        if name not in known:
            raise SetupError(f"There is no workbook {name!r}; there are {', '.join(known)}.")
    return [known[name] for name in chosen]


def run_refresh(options):
    paths = chosen_workbooks(options.names)
    python = environment.prepare("reader")
    command = [str(python), "-m", "helpers.command.workbooks", *map(str, paths)]
    return subprocess.run(command, check=False, cwd=ROOT, env=_fixed_settings()).returncode


def main(arguments=None):
    try:
        environment.check_python()
        options = _parser().parse_args(arguments)
        return options.run(options)
    except SetupError as error:
        print(error, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\nStopped. The same command goes on from here.", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main())
