"""The command line: `python3 -m helpers lab`, `show`, `pages` and so on, from the folder that holds README.md.

Standard library only: the first command makes the environment, and what needs more runs inside that.
"""

import argparse
import os
import sys
import tempfile
from pathlib import Path

from helpers.command import environment, lab, pages_folder, processes, run_tests, show, wheels
from helpers.command.environment import ROOT, SetupError

WORKBOOKS = ROOT / "workbooks"


def _parser():
    parser = argparse.ArgumentParser(
        prog="python3 -m helpers",
        description="Workbooks on keeping a telescope on target. The first command sets up what is needed in the "
        "folder .venv (a minute or two, network needed once); later ones start at once.",
    )
    commands = parser.add_subparsers(
        dest="command", required=True, metavar="lab | show | pages | test | report | refresh | wheels"
    )

    def add(name, run, summary, details):
        command = commands.add_parser(name, help=summary, description=f"{summary[0].upper()}{summary[1:]}. {details}")
        command.set_defaults(run=run)
        return command

    open_lab = add(
        "lab", lab.run, "open the workbooks in JupyterLab", "Listens on this computer only. Stop it with Ctrl+C."
    )
    open_lab.add_argument(
        "--no-browser", action="store_true", help="print the address only, for machines without a browser"
    )
    open_lab.add_argument(
        "--offline",
        type=_folder,
        metavar="WHEELS",
        help="set up from a folder that 'wheels' filled, without network",
    )
    open_lab.add_argument("--port", type=_port, default=8888, help="port to listen on (8888 if not given)")
    shown = add(
        "show",
        show.run,
        "show the workbooks as live pages",
        "No code and no menus: sliders, guesses, exercises and forms, for you or, with --share, for everybody in your "
        "network. Stop it with Ctrl+C.",
    )
    shown.add_argument("--share", action="store_true", help="let others in this network open them, with their own rigs")
    shown.add_argument("--port", type=_port, default=8899, help="port to listen on (8899 if not given)")
    shown.add_argument("--no-browser", action="store_true", help="print the address only")
    shown.add_argument("--visitors", type=_count, default=12, help="most visitors at once (12 if not given)")
    shown.add_argument("--folder", type=Path, default=show.FOLDER, help="where visitors' rigs are kept (.show)")
    pages = add(
        "pages",
        run_pages,
        "write the workbooks as pages that need no Python",
        "A folder for a stick or any web server: no kernel, no network, panels drawn beforehand; some minutes, below "
        "80 MB. The same command goes on where it was stopped, and makes anew only what has changed.",
    )
    pages.add_argument("folder", type=Path, help="folder to write: new, empty, or made by this command before")
    pages.add_argument("--rig", type=Path, help="rig file, such as workbooks/my_rig.toml (the demo rig if none)")
    wheels_of = add(
        "wheels",
        wheels.run,
        "fill a folder with all libraries, for computers without network",
        "It serves computers with the same system, processor and version of Python, which then take "
        "python3 -m helpers lab --offline FOLDER.",
    )
    wheels_of.add_argument("folder", type=Path, help="folder to fill: new, empty, or filled by this command before")
    test = add(
        "test",
        run_tests.run,
        "run every test",
        "Helpers, published checks, all workbooks, and a real browser if one is found. BROWSER_TESTS=required in the "
        "surroundings makes a missing browser a failure. Exit status 0 only if all passed.",
    )
    much = test.add_mutually_exclusive_group()
    much.add_argument("--quick", action="store_true", help="the helpers only, without their longest tests")
    much.add_argument("--slow", action="store_true", help="long tests and statistical studies too")
    test.add_argument(
        "--exact", action="store_true", help="compare the workbooks with their saved numbers to the letter"
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
    report.add_argument("--stars", type=Path, help="star list about your next target, for the angle to set")
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


def _folder(text):
    return Path(text).resolve()


def _port(text):
    if not text.isdecimal() or not 1 <= int(text) <= 65535:
        raise argparse.ArgumentTypeError(f"expected a whole number from 1 to 65535, found {text!r:.40}")
    return int(text)


def _count(text):
    if not text.isdecimal() or not 1 <= int(text) <= 1000:
        raise argparse.ArgumentTypeError(f"expected a whole number from 1 to 1000, found {text!r:.40}")
    return int(text)


def check_files(rig, target, overwrite):
    """SetupError if a report can't be made of this rig file or written to this place; nothing has run then.

    Parameters
    ----------
    rig : Path or None
    target : Path
        The page to write; its folder must be there and take files.
    overwrite : bool
        Whether a page that is there may be replaced.
    """
    if rig is not None and not rig.is_file():
        raise SetupError(f"{rig}: no such rig file. No report was written.")
    if target.is_dir():
        raise SetupError(f"{target} is a folder: name a file with --output. No report was written.")
    if target.exists() and not overwrite:
        raise SetupError(f"{target} is there already: name another file with --output, or say --overwrite.")
    if not target.parent.is_dir():
        raise SetupError(f"{target.parent}: no such folder. No report was written.")
    try:
        if rig is not None:
            rig.open("rb").close()
        with tempfile.TemporaryFile(dir=target.parent) as trial:  # about the size of a page
            trial.write(bytes(1_000_000))
    except OSError as error:
        name = rig if error.filename == str(rig) else target.parent
        raise SetupError(f"{name}: {error.strerror}. No report was written.") from error


def run_report(options):
    check_files(options.rig, options.output, options.overwrite)
    python = environment.prepare("reader")
    arguments = ["--output", str(options.output.resolve())]
    arguments += ["--overwrite"] if options.overwrite else []
    arguments += ["--stars", str(options.stars.resolve())] if options.stars else []
    arguments += [str(options.rig.resolve())] if options.rig else []
    return processes.run([str(python), "-m", "helpers.command.report", *arguments], processes.surroundings())


def run_pages(options):
    target = options.folder.resolve()
    try:
        pages_folder.check(target)
    except pages_folder.FolderError as error:
        raise SetupError(str(error)) from error
    variables = processes.fixed_surroundings()
    if options.rig is not None:
        if not options.rig.is_file():
            raise SetupError(f"{options.rig}: no such rig file. No pages were made.")
        variables["GUIDING_RIG_FILE"] = str(options.rig.resolve())
    python = environment.prepare("reader")
    return processes.run([str(python), "-m", "helpers.command.pages.make", str(target)], variables)


def chosen_workbooks(names, folder=WORKBOOKS):
    """Paths of the named workbooks, all in reading order if none is named."""
    known = {path.stem: path for path in sorted(folder.glob("[0-9][0-9]_*.ipynb"))}
    chosen = [os.path.basename(name) for name in names] or list(known)
    chosen = [name.removesuffix(".ipynb") for name in chosen]
    for name in chosen:
        if name not in known:
            raise SetupError(f"There is no workbook {name!r}; there are {', '.join(known)}.")
    return [known[name] for name in chosen]


def run_refresh(options):
    paths = chosen_workbooks(options.names)
    python = environment.prepare("reader")
    command = [str(python), "-m", "helpers.command.workbooks", *map(str, paths)]
    return processes.run(command, processes.fixed_surroundings())


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
