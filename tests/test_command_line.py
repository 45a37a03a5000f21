"""The command line and the set-up: what a newcomer meets first, and every way in which it can fail."""

import ast
import errno
import http.client
import os
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
import zipfile
from pathlib import Path, PurePosixPath, PureWindowsPath

import nbformat
import pytest

from helpers import __main__ as command_line
from helpers.command import environment, workbooks
from helpers.command.environment import SetupError

ROOT = Path(__file__).resolve().parent.parent


def run_here(*arguments, **options):
    command = [sys.executable, "-m", "helpers", *arguments]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, **options)


# Set-up


@pytest.fixture
def project(tmp_path):
    """A project folder whose requirements come from a folder of wheels: a set-up that needs no network."""
    (tmp_path / "wheels").mkdir()
    (tmp_path / "tests").mkdir()
    for name, module in (("matplotlib", "font_manager"), ("checker", "checks")):
        information = f"{name}-1.0.dist-info"
        with zipfile.ZipFile(tmp_path / "wheels" / f"{name}-1.0-py3-none-any.whl", "w") as wheel:
            wheel.writestr(f"{name}/__init__.py", "")
            wheel.writestr(f"{name}/{module}.py", "")
            wheel.writestr(f"{information}/METADATA", f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
            wheel.writestr(f"{information}/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n")
            wheel.writestr(f"{information}/RECORD", "")
    (tmp_path / "requirements.txt").write_text(f"--no-index\n--find-links {tmp_path / 'wheels'}\nmatplotlib\n")
    (tmp_path / "tests" / "requirements.txt").write_text("checker\n")
    return tmp_path


def prepare(project, kind="reader"):
    return environment.prepare(kind, project / ".venv", project)


@pytest.fixture
def commands(monkeypatch):
    """Takes the place of the commands of the set-up: notes the important word of each and does nothing else."""
    seen = []

    def note(command, folder, read=None):
        words = [str(word) for word in command]
        seen.append(next(word for word in words if word in ("venv", "install", "import matplotlib.font_manager")))

    monkeypatch.setattr(environment, "_run", note)
    monkeypatch.setattr(
        environment,
        "_python_of",
        lambda folder: "3.11.7" if (folder / "unfinished").exists() or environment.stamp_file(folder).exists() else "",
    )
    return seen


ALL_STEPS = ["venv", "install", "import matplotlib.font_manager"]


def test_python_of_an_environment_is_found_on_every_system():
    assert environment.venv_python(PureWindowsPath("C:/stars/.venv"), "nt") == PureWindowsPath(
        "C:/stars/.venv/Scripts/python.exe"
    )
    assert environment.venv_python(PurePosixPath("/stars/.venv"), "posix") == PurePosixPath("/stars/.venv/bin/python")


def test_a_real_set_up_works_and_is_believed_afterwards(project, capsys):
    python = prepare(project)
    subprocess.run([python, "-c", "import matplotlib"], check=True)
    assert "[2/3] Installing the libraries" in capsys.readouterr().out
    assert environment.is_ready("reader", project / ".venv", project)
    assert not environment.is_ready("checks", project / ".venv", project)
    prepare(project)
    assert capsys.readouterr().out == "", "a finished set-up says nothing"

    prepare(project, "checks")
    subprocess.run([python, "-c", "import checker"], check=True)
    assert environment.is_ready("reader", project / ".venv", project)


def test_a_set_up_killed_half_way_is_done_again(project):
    code = (
        f"from pathlib import Path; from helpers import environment as e; p = Path({str(project)!r});"
        "e._install = lambda *a: (print('installing', flush=True), __import__('time').sleep(60));"
        "e.prepare('reader', p / '.venv', p)"
    )
    with subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        for line in process.stdout:
            if line == "installing\n":
                process.kill()
    assert not environment.is_ready("reader", project / ".venv", project)
    leftover = project / ".venv" / "leftover"
    leftover.touch()
    prepare(project)
    assert environment.is_ready("reader", project / ".venv", project)
    assert not leftover.exists(), "what an interrupted set-up left behind is not used"


def test_nothing_is_installed_twice_until_a_requirement_changes(project, commands):
    prepare(project)
    assert commands == ALL_STEPS
    prepare(project)
    assert commands == ALL_STEPS
    (project / "requirements.txt").write_bytes((project / "requirements.txt").read_bytes().replace(b"\n", b"\r\n"))
    prepare(project)
    assert commands == ALL_STEPS, "other line ends are no change"
    with open(project / "requirements.txt", "a") as file:
        file.write("numpy\n")
    prepare(project)
    assert commands == ALL_STEPS + ALL_STEPS[1:]


def test_only_the_checks_need_what_only_checks_need(project, commands):
    prepare(project, "checks")
    (project / "tests" / "requirements.txt").write_text("checker\nanother\n")
    prepare(project, "reader")
    assert commands == ALL_STEPS
    prepare(project, "checks")
    assert commands == ALL_STEPS + ALL_STEPS[1:]


def test_another_python_makes_the_environment_again(project, commands, monkeypatch):
    prepare(project)
    monkeypatch.setattr(environment, "_python_of", lambda folder: "3.14.0")
    prepare(project)
    assert commands == ALL_STEPS + ALL_STEPS[1:]


@pytest.mark.parametrize("stamp", ["", "{", "[]", '{"reader": "something else", "python": "3.11.7"}'])
def test_a_damaged_stamp_is_not_believed(project, commands, stamp):
    prepare(project)
    environment.stamp_file(project / ".venv").write_text(stamp)
    assert not environment.is_ready("reader", project / ".venv", project)


@pytest.mark.parametrize("failing", ALL_STEPS)
def test_no_stamp_after_a_failure_at_any_step(project, commands, monkeypatch, failing):
    def fail(command, folder, read=None):
        if failing in [str(word) for word in command]:
            raise SetupError("no")

    monkeypatch.setattr(environment, "_run", fail)
    with pytest.raises(SetupError, match="no"):
        prepare(project)
    assert not environment.stamp_file(project / ".venv").exists()
    assert (project / ".venv" / "unfinished").exists()


def test_a_second_set_up_waits_for_the_first(project, commands):
    code = (
        f"from pathlib import Path; from helpers import environment as e; p = Path({str(project)!r})\n"
        "with e._one_at_a_time(p): print('mine', flush=True)"
    )
    with environment._one_at_a_time(project):
        process = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, text=True)
        assert process.stdout.readline().startswith("Another set-up is at work")
    assert process.communicate()[0] == "mine\n"


def test_too_old_a_python_is_told_in_one_sentence():
    with pytest.raises(SetupError, match=r"^Python 3\.11 or newer is needed, and this is Python 3\.10: .*\.$"):
        environment.check_python((3, 10, 4))
    environment.check_python((3, 11, 0))
    environment.check_python((4, 0, 0))


@pytest.mark.parametrize("name", ["__init__.py", "__main__.py", "environment.py"])
def test_old_pythons_can_read_the_files_that_turn_them_away(name):
    ast.parse((ROOT / "helpers" / name).read_text(encoding="utf-8"), feature_version=(3, 6))


@pytest.mark.parametrize("name", ["__main__.py", "environment.py"])
def test_set_up_needs_only_the_standard_library(name):
    for node in ast.walk(ast.parse((ROOT / "helpers" / name).read_text(encoding="utf-8"))):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        names += [node.module] if isinstance(node, ast.ImportFrom) else []
        for imported in names:
            top = imported.split(".")[0]
            assert top in sys.stdlib_module_names or imported in ("helpers", "helpers.command.environment")


def test_a_missing_venv_module_is_told(project, monkeypatch):
    monkeypatch.setattr(environment.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(SetupError, match="no 'venv' module.*python3-venv"):
        prepare(project)


def test_too_little_disk_space_is_told_before_anything_is_made(project, monkeypatch):
    usage = environment.shutil.disk_usage(project)
    monkeypatch.setattr(environment.shutil, "disk_usage", lambda path: usage._replace(free=300_000_000))
    with pytest.raises(SetupError, match="Too little disk space: about 1200 MB .* 300 MB are free"):
        prepare(project)
    assert not (project / ".venv").exists()


def test_a_disk_that_fills_up_is_told(project, commands, monkeypatch):
    def fail(command, folder, read=None):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(environment, "_run", fail)
    with pytest.raises(SetupError, match="disk is full"):
        prepare(project)


def test_no_network_is_told_by_a_real_pip(project, monkeypatch):
    for name in [name for name in os.environ if name.startswith("PIP_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("PIP_CONFIG_FILE", os.devnull)
    (project / "requirements.txt").write_text(
        "--index-url http://127.0.0.1:9/simple\nmatplotlib\n"
    )  # nobody answers there
    with pytest.raises(SetupError, match="^The package index can't be reached: check the network.*again\\.$"):
        prepare(project)
    assert not environment.is_ready("reader", project / ".venv", project)


@pytest.mark.parametrize(
    ("output", "sentence"),
    [
        (
            "ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device\n",
            "The disk is full",
        ),
        (
            "WARNING: Retrying ... [Errno -3] Temporary failure in name resolution\nERROR: No matching",
            "can't be reached",
        ),
        ("ReadTimeoutError: HTTPSConnectionPool", "can't be reached"),
        ("Error: Command '[..., '-m', 'ensurepip']' returned non-zero exit status 1.", "'venv' package"),
        ("Collecting a\nERROR: Could not find a version that satisfies a", r"\(ERROR: Could not find a version"),
        ("", "no reason was given"),
    ],
)
def test_failures_are_put_in_one_sentence(output, sentence):
    with pytest.raises(AssertionError, match=sentence):
        raise AssertionError(environment._explain(output, Path(".venv")))


def test_a_foreign_folder_is_left_alone(project):
    (project / ".venv").mkdir()
    (project / ".venv" / "letters.txt").write_text("mine")
    with pytest.raises(SetupError, match="is no Python environment: move it away"):
        prepare(project)
    assert (project / ".venv" / "letters.txt").read_text() == "mine"


# Commands


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ((), ("lab", "test", "report", "refresh", "first command sets up")),
        (("lab",), ("--no-browser", "--port", "this computer only")),
        (("test",), ("-- -k seeing", "BROWSER_TESTS=required", "Exit status 0 only if all passed")),
        (("report",), ("rig file", "HTML page")),
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
    command = command_line.lab_command("python", 8888, browser=True, as_root=False)
    assert "--ServerApp.ip=127.0.0.1" in command
    assert "--allow-root" not in command
    assert "--no-browser" not in command
    assert "--allow-root" in command_line.lab_command("python", 8888, browser=True, as_root=True)
    assert "--no-browser" in command_line.lab_command("python", 8888, browser=False, as_root=False)


@pytest.fixture
def ctrl_c():
    # Where the tests themselves were started in the background, Ctrl+C is ignored, and what they start would ignore it
    # too.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("ctrl_c")
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
            assert address.startswith(f"http://127.0.0.1:{port}/lab/tree/workbooks/00_your_rig.ipynb?token=")
            api = f"http://127.0.0.1:{port}/api/contents/workbooks/00_your_rig.ipynb?content=0"
            with urllib.request.urlopen(f"{api}&token={address.partition('token=')[2]}", timeout=30) as answer:
                assert answer.status == http.client.OK
            with pytest.raises(urllib.error.HTTPError, match="403"):
                urllib.request.urlopen(api, timeout=30)
        finally:
            os.killpg(process.pid, signal.SIGINT)  # as Ctrl+C does: to this command and to JupyterLab
        process.communicate(timeout=20)
        assert process.returncode == 0


def test_report_says_when_its_workbook_is_missing(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(command_line, "WORKBOOKS", tmp_path)
    assert command_line.main(["report"]) == 2
    assert "not built yet" in capsys.readouterr().err


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
def test_the_test_command_sums_up(tmp_path, monkeypatch, capfd, bodies, options, status, summary):
    def parts(extra):
        return {name: [str(tmp_path / f"test_{name}.py"), "-q", *extra] for name in bodies}

    for name, body in bodies.items():
        (tmp_path / f"test_{name}.py").write_text(body + "\n")
    monkeypatch.setattr(command_line, "parts_of_tests", parts)
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")  # starts quicker
    monkeypatch.setattr(environment, "prepare", lambda kind: sys.executable)
    assert command_line.main(["test", "--", *options]) == status
    assert capfd.readouterr().out.rstrip().endswith(summary)


def test_every_test_is_in_one_part():
    parts = command_line.parts_of_tests(["-x"])
    assert parts["helpers"][:2] == ["tests", "--ignore=tests/browser"]
    assert parts["browser"][0] == "tests/browser"
    assert parts["workbooks"][:2] == ["workbooks", "--nbval"]
    assert all(arguments[-1] == "-x" for arguments in parts.values())


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


def test_a_workbook_that_fails_stays_as_it_was_and_its_cell_is_named(tmp_path, capsys):
    path = write_workbook(tmp_path / "00_toy.ipynb", "good = 1", "# the bad one\nbad = 1 / 0", "never = 1")
    before = path.read_bytes()
    assert workbooks.main([str(path)]) == 1
    told = capsys.readouterr().out
    assert "00_toy" in told
    assert "cell 2 ('# the bad one'): ZeroDivisionError: division by zero" in told
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["00_toy.ipynb"]
