"""The command line: what a newcomer meets first, and every way in which it can fail."""

import contextlib
import errno
import http.client
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import nbformat
import pytest

from helpers import __main__ as command_line
from helpers.command import environment, lab, run_tests, workbooks
from helpers.command.environment import SetupError

ROOT = Path(__file__).resolve().parent.parent


def run_here(*arguments, **options):
    command = [sys.executable, "-m", "helpers", *arguments]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, **options)


# Commands


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ((), ("lab", "pages", "test", "report", "refresh", "first command sets up")),
        (("lab",), ("--no-browser", "--port", "this computer only")),
        (
            ("test",),
            ("-- -k seeing", "--quick", "--slow", "BROWSER_TESTS=required", "Exit status 0 only if all passed"),
        ),
        (("report",), ("rig file", "HTML page")),
        (("wheels",), ("without network", "same system, processor and version of Python", "lab --offline")),
        (("pages",), ("no Python", "stick", "--rig", "below 80 MB", "goes on where it was stopped")),
        (("refresh",), ("01_pixel_scale", "demo rig", "stays as it was")),
    ],
)
def test_help_is_useful_everywhere(command, words):
    shown = run_here(*command, "--help")
    assert shown.returncode == 0
    told = " ".join(shown.stdout.split())
    for word in words:
        assert word in told


@pytest.mark.parametrize("arguments", [(), ("nonsense",), ("lab", "--port", "0"), ("lab", "--port", "many")])
def test_wrong_use_ends_with_a_reason(arguments):
    shown = run_here(*arguments)
    assert shown.returncode == 2
    assert "error:" in shown.stderr
    assert "Traceback" not in shown.stderr


def test_a_taken_port_is_told(capsys):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert command_line.main(["lab", "--port", str(port)]) == 1
    assert capsys.readouterr().err.startswith(
        f"Port {port} can't be used, perhaps another JupyterLab is running: choose"
    )


def test_lab_listens_on_this_computer_only_and_runs_as_root_only_for_root():
    command = lab.lab_command("python", 8888, browser=True, as_root=False)
    assert "--ServerApp.ip=127.0.0.1" in command
    assert "--allow-root" not in command
    assert "--no-browser" not in command
    assert "--allow-root" in lab.lab_command("python", 8888, browser=True, as_root=True)
    assert "--no-browser" in lab.lab_command("python", 8888, browser=False, as_root=False)


@pytest.mark.usefixtures("ctrl_c")
@pytest.mark.long
def test_lab_starts_tells_its_address_needs_the_token_and_stops():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "helpers", "lab", "--no-browser", "--port", str(port)]
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True, start_new_session=True
    ) as process:
        try:
            address = next(line.strip() for line in process.stdout if "http://" in line)
            assert address.startswith(f"http://127.0.0.1:{port}/doc/tree/workbooks/00_your_rig.ipynb?token=")
            api = f"http://127.0.0.1:{port}/api/contents/workbooks/00_your_rig.ipynb?content=0"
            with urllib.request.urlopen(f"{api}&token={address.partition('token=')[2]}", timeout=30) as answer:
                assert answer.status == http.client.OK
            with pytest.raises(urllib.error.HTTPError, match="403"):
                urllib.request.urlopen(api, timeout=30)
        finally:
            os.killpg(process.pid, signal.SIGINT)  # as Ctrl+C does: to this command and to JupyterLab
        process.communicate(timeout=20)
        assert process.returncode == 0


TOY = """
import sys
from helpers.command import processes
command = [sys.executable, "-m", "helpers.command.workbooks", *sys.argv[1:]]
try:
    print("starts", flush=True)
    sys.exit(processes.run(command, processes.surroundings()))
except KeyboardInterrupt:
    sys.exit("Stopped")
"""


def group_is_gone(leader):
    with contextlib.suppress(ProcessLookupError):
        os.killpg(leader, 0)
        return False
    return True


@pytest.mark.skipif(os.name == "nt", reason="POSIX signals")
@pytest.mark.usefixtures("ctrl_c")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("moment", ["early", "running"])
@pytest.mark.long
def test_what_a_command_runs_ends_with_it_and_says_nothing(tmp_path, number, moment):
    told = tmp_path / "pid"
    cell = f"import os, time; open({str(told)!r}, 'w').write(str(os.getpid())); time.sleep(100)"
    books = [write_workbook(tmp_path / f"0{k}_toy.ipynb", cell) for k in range(2)]
    before = [book.read_bytes() for book in books]
    command = [sys.executable, "-c", TOY, *map(str, books)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        if moment == "running":
            wait_for(told.exists)
        else:
            process.stdout.readline()
            time.sleep(0.3)
        process.send_signal(number)
        _, errors = process.communicate(timeout=60)
    assert process.returncode == (1 if number == signal.SIGINT else 128 + number)
    assert errors.strip() == ("Stopped" if number == signal.SIGINT else "")
    assert [book.read_bytes() for book in books] == before
    assert not list(tmp_path.glob("*.partial"))
    if moment == "running":
        wait_for(lambda: group_is_gone(int(told.read_text())))


def wait_for(condition, seconds=60):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, condition
        time.sleep(0.05)


@pytest.mark.parametrize(
    ("prepared", "arguments", "told"),
    [
        ("", ["none.toml"], "none.toml: no such rig file"),
        ("", ["--output", "."], ". is a folder: name a file"),
        ("", ["--output", ".", "--overwrite"], ". is a folder: name a file"),
        ("there.html", ["--output", "there.html"], "there.html is there already"),
        ("", ["--output", "no/report.html"], "no: no such folder"),
    ],
)
def test_a_report_that_cannot_be_is_refused_before_anything_is_set_up(
    tmp_path, monkeypatch, capsys, prepared, arguments, told
):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(environment, "prepare", lambda kind: pytest.fail("must not be set up"))
    if prepared:
        (tmp_path / prepared).write_text("mine")
    assert command_line.main(["report", *arguments]) == 1
    assert capsys.readouterr().err.startswith(told)
    assert [path.read_text() for path in tmp_path.iterdir()] == (["mine"] if prepared else [])


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EACCES])
def test_a_folder_that_takes_no_report_is_told(tmp_path, monkeypatch, number):
    def fail(**_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(command_line.tempfile, "TemporaryFile", fail)
    with pytest.raises(SetupError, match=os.strerror(number)):
        command_line.check_files(None, tmp_path / "report.html", overwrite=False)


def test_workbooks_are_chosen_by_name_in_reading_order(tmp_path):
    for name in ("01_b", "00_a", "notes"):
        (tmp_path / f"{name}.ipynb").touch()
    assert [path.stem for path in command_line.chosen_workbooks([], tmp_path)] == ["00_a", "01_b"]
    assert command_line.chosen_workbooks(["workbooks/01_b.ipynb"], tmp_path) == [tmp_path / "01_b.ipynb"]
    with pytest.raises(SetupError, match="no workbook '02_c'; there are 00_a, 01_b"):
        command_line.chosen_workbooks(["02_c"], tmp_path)


# `test`: one summary, and success only when all went well


@pytest.mark.parametrize(
    ("bodies", "options", "status", "summary"),
    [
        ({"one": "def test_a(): pass", "two": "def test_b(): pass"}, [], 0, "2 passed, 0 failed, 0 skipped"),
        ({"one": "def test_a(): pass", "two": "def test_b(): assert False"}, [], 1, "1 passed, 1 failed, 0 skipped"),
        ({"one": "def test_a(): pass", "two": "import nowhere"}, [], 1, "1 passed, 1 failed, 0 skipped"),
        ({"one": "import pytest\ndef test_a(): pytest.skip('why')"}, [], 1, "0 passed, 0 failed, 1 skipped"),
        ({"one": "def test_a(): pass", "two": ""}, [], 1, "1 passed, 0 failed, 0 skipped"),
        (
            {"one": "def test_a(): pass", "two": "def test_b(): pass"},
            ["-k", "test_a"],
            0,
            "1 passed, 0 failed, 0 skipped",
        ),
        (
            {"one": "def test_a(): pass", "two": "def test_b(): pass"},
            ["-k", "none"],
            1,
            "0 passed, 0 failed, 0 skipped",
        ),
    ],
)
@pytest.mark.long
def test_the_test_command_sums_up(tmp_path, monkeypatch, capfd, bodies, options, status, summary):
    def parts(extra, quick, slow, exact):
        return {name: [str(tmp_path / f"test_{name}.py"), "-q", *extra] for name in bodies}

    for name, body in bodies.items():
        (tmp_path / f"test_{name}.py").write_text(body + "\n")
    monkeypatch.setattr(run_tests, "parts_of_tests", parts)
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")  # starts quicker
    monkeypatch.setattr(environment, "prepare", lambda kind: sys.executable)
    assert command_line.main(["test", "--", *options]) == status
    assert capfd.readouterr().out.rstrip().endswith(summary)


def test_every_test_is_in_one_part():
    parts = run_tests.parts_of_tests(["-x"])
    assert parts["helpers"][:2] == ["tests", "--ignore=tests/browser"]
    quick = run_tests.parts_of_tests(["-x"], quick=True)
    assert list(quick) == ["helpers"]
    left_out = [option.removeprefix("--ignore=") for option in quick["helpers"] if option.startswith("--ignore=")]
    assert len(left_out) > 1 and all((ROOT / path).exists() for path in left_out)
    drawing = quick["helpers"].index("-k") + 1
    assert quick["helpers"][drawing] == "not test_any" and "-k" not in parts["helpers"]
    chosen = run_tests.parts_of_tests(["-k", "seeing"], quick=True)["helpers"]
    assert chosen[-2:] == ["-k", "seeing"]  # what is asked for comes last, and counts
    assert "not slow and not long" in parts["helpers"]
    assert "-m" not in run_tests.parts_of_tests([], slow=True)["helpers"]
    assert parts["browser"][0] == "tests/browser"
    assert parts["workbooks"][:2] == ["workbooks", "--nbval-lax"]
    assert run_tests.parts_of_tests([], exact=True)["workbooks"][:2] == ["workbooks", "--nbval"]
    assert all(arguments[-1] == "-x" for arguments in parts.values())
    needs = {name: "no:nbval" not in arguments for name, arguments in parts.items()}
    assert needs == {"helpers": False, "workbooks": True, "browser": False}


# `refresh`


def write_workbook(path, *cells):
    made = [nbformat.v4.new_code_cell(cell) for cell in cells]
    workbook = nbformat.v4.new_notebook(cells=made, metadata={"language_info": {"name": "python"}})
    nbformat.write(workbook, path)
    return path


PANEL = """
figure, axes = figures.new_figure()
(line,) = axes.plot([0, 1], [0, 1])
def move(slope):
    line.set_ydata([0, slope])
    return f"The slope is {slope}."
sliders.panel([sliders.slider("slope", "Slope", 0, 9, 3)], figure, [line], move, alt="A line.")
"""


@pytest.mark.long
def test_refresh_leaves_pictures_in_place_of_panels(tmp_path):
    imports = f"import sys; sys.path.insert(0, {str(ROOT)!r})\nfrom helpers.classroom import figures, sliders, forms"
    form = "forms.form([{'key': 'a', 'section': 's', 'label': 'A', 'unit': '', 'value': 'x', 'choices': None}], print)"
    path = write_workbook(tmp_path / "00_toy.ipynb", imports, PANEL, form, "import os; print('ä', os.getcwd())")
    workbooks.refresh(path)
    text = path.read_text(encoding="utf-8")
    assert text.endswith("}\n")
    assert "ä" in text
    assert workbooks.WIDGET_VIEW not in text
    saved = nbformat.read(path, as_version=4)
    assert saved.metadata == {"language_info": {"name": "python"}}
    assert [cell.execution_count for cell in saved.cells] == [1, 2, 3, 4]
    assert all("execution" not in cell.metadata for cell in saved.cells)
    picture, words = (output.data for output in saved.cells[1].outputs)
    assert {"image/png", "text/plain"} == set(picture)
    assert words["text/plain"] == "The slope is 3."
    assert saved.cells[2].outputs[0].data["text/plain"].startswith("A form to fill")
    assert saved.cells[3].outputs[0].text.split() == ["ä", str(tmp_path)], "cells run in the workbook's own folder"
    assert [file.name for file in tmp_path.iterdir()] == ["00_toy.ipynb"]


@pytest.mark.long
def test_a_workbook_that_fails_stays_as_it_was_and_its_cell_is_named(tmp_path, capsys):
    path = write_workbook(tmp_path / "00_toy.ipynb", "good = 1", "# the bad one\nbad = 1 / 0", "never = 1")
    before = path.read_bytes()
    assert workbooks.main([str(path)]) == 1
    told = capsys.readouterr().out
    assert "00_toy" in told
    assert "cell 2 ('# the bad one'): ZeroDivisionError: division by zero" in told
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["00_toy.ipynb"]
