"""The set-up: what a newcomer meets first, and every way in which it can fail."""

import ast
import errno
import json
import os
import random
import shlex
import signal
import subprocess
import sys
import zipfile
from pathlib import Path, PurePosixPath, PureWindowsPath
from types import SimpleNamespace

import pytest

from helpers.command import environment, lab, processes, wheels
from helpers.command.environment import SetupError

ROOT = Path(__file__).resolve().parent.parent
COMMAND = ROOT / "helpers" / "command"


@pytest.fixture
def project(tmp_path):
    """A project folder whose requirements come from a folder of wheels: a set-up that needs no network."""
    folder = tmp_path / "stars, ä and 'quotes'"
    (folder / "wheels").mkdir(parents=True)
    (folder / "tests").mkdir()
    for name, module in (("matplotlib", "font_manager"), ("checker", "checks")):
        information = f"{name}-1.0.dist-info"
        with zipfile.ZipFile(folder / "wheels" / f"{name}-1.0-py3-none-any.whl", "w") as wheel:
            wheel.writestr(f"{name}/__init__.py", "")
            wheel.writestr(f"{name}/{module}.py", "")
            wheel.writestr(f"{information}/METADATA", f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
            wheel.writestr(f"{information}/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n")
            wheel.writestr(f"{information}/RECORD", "")
    wheels = (folder / "wheels").as_uri()
    (folder / "requirements.txt").write_text(f"--no-index\n--find-links {wheels}\nmatplotlib\n", encoding="utf-8")
    (folder / "tests" / "requirements.txt").write_text("checker\n")
    return folder


def prepare(project, kind="reader"):
    return environment.prepare(kind, project / ".venv", project)


@pytest.fixture
def commands(monkeypatch):
    """Takes the place of the commands of the set-up: notes the important word of each and does nothing else."""
    seen = []

    def note(command, trouble, read=None):
        words = [str(word) for word in command]
        seen.append(next(word for word in words if word in ("venv", "install", "import matplotlib.font_manager")))

    monkeypatch.setattr(environment, "_run", note)
    monkeypatch.setattr(
        environment,
        "own_python",
        lambda folder: "3.11.7" if (folder / "unfinished").exists() or environment.stamp_file(folder).exists() else "",
    )
    return seen


ALL_STEPS = ["venv", "install", "import matplotlib.font_manager"]


def test_python_of_an_environment_is_found_on_every_system():
    assert environment.venv_python(PureWindowsPath("C:/stars/.venv"), "nt") == PureWindowsPath(
        "C:/stars/.venv/Scripts/python.exe"
    )
    assert environment.venv_python(PurePosixPath("/stars/.venv"), "posix") == PurePosixPath("/stars/.venv/bin/python")


# Nothing goes into another Python


def lead_astray(folder):
    """What an interrupted removal leaves: a Python that is a bare link to the one it was made with."""
    (folder / "bin").mkdir(parents=True)
    (folder / "bin" / "python").symlink_to(sys._base_executable)


@pytest.mark.skipif(os.name == "nt", reason="links")
def test_a_python_of_another_place_is_never_believed(project):
    folder = project / ".venv"
    lead_astray(folder)
    assert environment.own_python(folder) == ""
    stamp = {"reader": environment.fingerprint("reader", project), "python": "3.11.7"}
    environment.stamp_file(folder).write_text(environment.json.dumps(stamp))
    assert not environment.is_ready("reader", folder, project)
    with pytest.raises(SetupError, match="belongs to another Python"):
        environment._install("reader", folder, project)


@pytest.mark.skipif(os.name == "nt", reason="links")
@pytest.mark.long
def test_a_real_set_up_replaces_a_python_of_another_place_and_is_believed(project, capsys, monkeypatch, tmp_path):
    folder, elsewhere = project / ".venv", tmp_path / "elsewhere"
    lead_astray(folder)
    for name in ("PIP_TARGET", "PIP_PREFIX", "PIP_ROOT", "PYTHONPATH"):
        monkeypatch.setenv(name, str(elsewhere))
    monkeypatch.setenv("PIP_USER", "1")
    python = prepare(project)
    monkeypatch.delenv("PYTHONPATH")
    code = "import sys, matplotlib; print(sys.prefix, matplotlib.__file__)"
    shown = subprocess.check_output([python, "-c", code], text=True)
    assert shown.startswith(f"{folder} {folder}")
    assert not elsewhere.exists()
    assert "[2/3] Installing the libraries" in capsys.readouterr().out
    assert environment.is_ready("reader", folder, project)
    assert not environment.is_ready("checks", folder, project)
    prepare(project)
    assert capsys.readouterr().out == "", "a finished set-up says nothing"
    prepare(project, "checks")
    subprocess.run([python, "-c", "import checker"], check=True)
    assert environment.is_ready("reader", folder, project)


@pytest.mark.skipif(os.name == "nt", reason="links")
def test_pip_itself_refuses_a_python_of_another_place(project, monkeypatch):
    lead_astray(project / ".venv")
    monkeypatch.setattr(environment, "own_python", lambda folder: "3.11.7")
    with pytest.raises(SetupError, match=r"can't be installed \(ERROR: Could not find an activated virtualenv"):
        environment._install("reader", project / ".venv", project)


@pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="needs an alarm clock")
@pytest.mark.long
def test_no_interruption_of_a_removal_leaves_what_the_next_start_trusts(project, commands, monkeypatch):
    folder, draw = project / ".venv", random.Random(7)
    reached = {"before": 0, "while removing": 0, "after": 0}

    def interrupt(*_):
        raise KeyboardInterrupt

    def own_python(folder):  # as the real one judges what a removal leaves, without the time of starting Python
        whole = (folder / "bin" / "python").is_symlink() and (folder / "pyvenv.cfg").exists()
        return "3.11.7" if whole and not (folder / "unfinished").exists() else ""

    monkeypatch.setattr(environment, "own_python", own_python)
    before = signal.signal(signal.SIGALRM, interrupt)
    try:
        for _ in range(40):
            for k in range(40):
                (folder / "lib" / f"package{k}").mkdir(parents=True, exist_ok=True)
                for n in range(10):
                    (folder / "lib" / f"package{k}" / f"{n}.py").touch()
            if not (folder / "bin").exists():
                lead_astray(folder)
            (folder / "pyvenv.cfg").touch()
            (folder / "unfinished").touch()
            commands.clear()
            try:
                signal.setitimer(signal.ITIMER_REAL, draw.uniform(0.0005, 0.02))
                environment._put_aside(folder)
                signal.setitimer(signal.ITIMER_REAL, 0)
                reached["after"] += 1
            except KeyboardInterrupt:
                reached["before" if folder.exists() else "while removing"] += 1
            signal.setitimer(signal.ITIMER_REAL, 0)
            assert not folder.exists() or (folder / "unfinished").exists(), "half removed under its own name"
            assert not environment.is_ready("reader", folder, project)
            with pytest.raises(SetupError):  # the faked commands make no Python, so it ends before pip
                prepare(project)
            assert commands == ["venv"], "the next start makes it anew and installs nothing before"
    finally:
        signal.signal(signal.SIGALRM, before)
    print(reached)
    assert reached["while removing"] >= 10
    assert not list(project.glob(".venv.old-*"))


@pytest.mark.slow
def test_a_set_up_killed_half_way_is_done_again(project):
    code = (
        f"from pathlib import Path; from helpers.command import environment as e; p = Path({str(project)!r});"
        "e._install = lambda *a: (print('installing', flush=True), __import__('time').sleep(60));"
        "e.prepare('reader', p / '.venv', p)"
    )
    seen = []
    with subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        for line in process.stdout:
            seen.append(line)
            if line == "installing\n":
                process.kill()
    assert "installing\n" in seen
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
    monkeypatch.setattr(environment, "own_python", lambda folder: "3.14.0")
    prepare(project)
    assert commands == ALL_STEPS + ALL_STEPS[1:]


def test_a_python_too_old_inside_is_not_believed(project, monkeypatch):
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", project / ".venv"], check=True)
    assert environment.own_python(project / ".venv")
    monkeypatch.setattr(environment, "OLDEST_PYTHON", (sys.version_info[0], sys.version_info[1] + 1))
    assert environment.own_python(project / ".venv") == ""


@pytest.mark.parametrize("stamp", ["", "{", "[]", '{"reader": "something else", "python": "3.11.7"}'])
def test_a_damaged_stamp_is_not_believed(project, commands, stamp):
    prepare(project)
    environment.stamp_file(project / ".venv").write_text(stamp)
    assert not environment.is_ready("reader", project / ".venv", project)


@pytest.mark.parametrize("failing", ALL_STEPS)
def test_no_stamp_after_a_failure_at_any_step(project, commands, monkeypatch, failing):
    def fail(command, trouble, read=None):
        if failing in [str(word) for word in command]:
            raise SetupError("no")

    monkeypatch.setattr(environment, "_run", fail)
    with pytest.raises(SetupError, match="no"):
        prepare(project)
    assert not environment.stamp_file(project / ".venv").exists()
    assert (project / ".venv" / "unfinished").exists()


def test_a_second_set_up_waits_for_the_first(project):
    code = (
        f"from pathlib import Path; from helpers.command import environment as e; p = Path({str(project)!r})\n"
        "with e._one_at_a_time(p): print('mine', flush=True)"
    )
    with environment._one_at_a_time(project):
        process = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, text=True)
        assert process.stdout.readline().startswith("Another set-up is at work")
    assert process.communicate()[0] == "mine\n"


@pytest.mark.skipif(os.name == "nt", reason="the lock is handed on")
@pytest.mark.long
def test_a_second_set_up_waits_for_what_a_killed_one_left_running(project):
    code = (
        "from pathlib import Path; import sys; from helpers.command import environment as e\n"
        f"p = Path({str(project)!r}); code = 'import time; print(1, flush=True); time.sleep(3)'\n"
        "with e._one_at_a_time(p): e._run([sys.executable, '-c', code], '', lambda line: print('runs', flush=True))"
    )
    with subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, text=True) as first:
        assert first.stdout.readline() == "runs\n"
        first.kill()
    code = code.partition("e._run")[0] + "print('mine')"
    shown = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert shown.stdout.splitlines() == ["Another set-up is at work in this folder; waiting for it.", "mine"]


def test_too_old_a_python_is_told_in_one_sentence():
    with pytest.raises(SetupError, match=r"^Python 3\.11 or newer is needed, and this is Python 3\.10: .*\.$"):
        environment.check_python((3, 10, 4))
    environment.check_python((3, 11, 0))
    environment.check_python((4, 0, 0))


# What runs before anything is installed
FIRST = [ROOT / "helpers" / "__init__.py", ROOT / "helpers" / "__main__.py", COMMAND / "__init__.py"]
FIRST += [
    COMMAND / name
    for name in ("environment.py", "processes.py", "lab.py", "pages_folder.py", "run_tests.py", "show.py", "wheels.py")
]


@pytest.mark.parametrize("path", FIRST, ids=lambda path: f"{path.parent.name}.{path.stem}")
def test_old_pythons_can_read_the_files_that_turn_them_away(path):
    ast.parse(path.read_text(encoding="utf-8"), feature_version=(3, 6))


@pytest.mark.parametrize("path", FIRST, ids=lambda path: f"{path.parent.name}.{path.stem}")
def test_set_up_needs_only_the_standard_library(path):
    known = {f"{file.parent.name}.{file.stem}" for file in FIRST}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom):
            inner = [f"{node.module}.{alias.name}" for alias in node.names]
            names = inner if node.module == "helpers.command" else [node.module]
        for imported in names:
            top, _, rest = imported.partition(".")
            assert top in sys.stdlib_module_names or rest in known, imported


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


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EDQUOT])
def test_a_folder_that_takes_nothing_is_told(project, commands, monkeypatch, number):
    def fail(*_, **__):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(environment.Path, "mkdir", fail)
    with pytest.raises(SetupError, match=rf"can't write in .* \({os.strerror(number)}\): make room or allow it"):
        prepare(project)


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root writes everywhere")
def test_a_read_only_folder_is_told(project):
    project.chmod(0o500)
    try:
        with pytest.raises(SetupError, match="can't write in"):
            prepare(project)
    finally:
        project.chmod(0o700)


@pytest.mark.slow
def test_no_network_is_told_by_a_real_pip(project, monkeypatch):
    for name in [name for name in os.environ if name.startswith("PIP_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("PIP_CONFIG_FILE", os.devnull)
    # nobody answers there
    (project / "requirements.txt").write_text("--index-url http://127.0.0.1:9/simple\nmatplotlib\n")
    with pytest.raises(SetupError, match=r"^The libraries can't be installed \(ERROR: .*: check the network connect"):
        prepare(project)
    assert not environment.is_ready("reader", project / ".venv", project)


def test_a_foreign_folder_is_left_alone(project):
    (project / ".venv").mkdir()
    (project / ".venv" / "letters.txt").write_text("mine")
    with pytest.raises(SetupError, match="is no Python environment: move it away"):
        prepare(project)
    assert (project / ".venv" / "letters.txt").read_text() == "mine"


@pytest.mark.parametrize("kind", ["file", "link", "broken link"])
@pytest.mark.skipif(os.name == "nt", reason="links")
def test_a_link_or_a_file_is_left_alone(project, kind):
    folder, other = project / ".venv", project / "other"
    if kind == "file":
        folder.write_text("mine")
    else:
        if kind == "link":
            other.mkdir()
        folder.symlink_to(other)
    with pytest.raises(SetupError, match="is a link or a file: move it away"):
        prepare(project)
    assert folder.is_symlink() or folder.read_text() == "mine"
    assert not other.exists() or not list(other.iterdir())


# uv where there is one, and no network at all


@pytest.fixture
def installs(monkeypatch):
    """Notes the whole command of each installation; `failing` makes the ones fail whose first word is in it."""
    seen, failing = [], set()

    def note(command, trouble, read=None):
        seen.append([str(word) for word in command])
        if Path(seen[-1][0]).stem in failing:
            raise SetupError(trouble)

    monkeypatch.setattr(environment, "_run", note)
    monkeypatch.setattr(environment, "own_python", lambda folder: "3.11.7")
    return seen, failing


@pytest.mark.parametrize("uv_works", [None, True, False])
def test_uv_installs_where_it_can_and_pip_otherwise(project, installs, monkeypatch, capsys, uv_works):
    seen, failing = installs
    monkeypatch.setattr(environment.shutil, "which", lambda name: None if uv_works is None else "/opt/uv")
    failing |= set() if uv_works else {"uv"}
    environment._install("reader", project / ".venv", project)
    tools = ["uv" if command[0] == "/opt/uv" else "pip" for command in seen]
    assert tools == {None: ["pip"], True: ["uv"], False: ["uv", "pip"]}[uv_works]
    for command in seen:
        assert str(environment.venv_python(project / ".venv")) in command
        assert command[-2:] == ["-r", str(project / "requirements.txt")]
        assert "--no-index" not in command
    assert ("trying pip" in capsys.readouterr().out) == (uv_works is False)


@pytest.mark.parametrize("uv", [None, "/opt/uv"])
def test_a_folder_of_wheels_takes_the_place_of_the_network(project, installs, monkeypatch, uv):
    monkeypatch.setattr(environment.shutil, "which", lambda name: uv)
    environment._install("reader", project / ".venv", project, project / "wheels")
    (command,) = installs[0]
    place = command.index("--no-index")
    assert command[place : place + 3] == ["--no-index", "--find-links", str(project / "wheels")]


@pytest.mark.long
def test_a_real_set_up_from_wheels_asks_no_network(project, monkeypatch, capsys):
    monkeypatch.setenv("PIP_INDEX_URL", "http://127.0.0.1:9/simple")
    monkeypatch.setattr(environment.shutil, "which", lambda name: None)
    (project / "requirements.txt").write_text("matplotlib\n")
    python = environment.prepare("reader", project / ".venv", project, project / "wheels")
    subprocess.run([python, "-c", "import matplotlib"], check=True)
    told = capsys.readouterr().out
    assert "without network" in told and "MB of disk" in told


def test_where_the_home_cannot_be_written_a_folder_takes_its_place(tmp_path, monkeypatch):
    for name in list(os.environ):
        if name.startswith(("JUPYTER", "IPYTHON", "MPL")):
            monkeypatch.delenv(name)
    for name in ("HOME", "USERPROFILE"):
        monkeypatch.setenv(name, str(tmp_path))
    assert processes.where_to_write("elsewhere") == {}
    for name in ("HOME", "USERPROFILE"):
        monkeypatch.setenv(name, str(tmp_path / "not there"))
    monkeypatch.setenv("IPYTHONDIR", "set by the reader")
    assert processes.where_to_write("elsewhere")["MPLCONFIGDIR"] == os.path.join("elsewhere", "mplconfigdir")
    with lab.lab_surroundings("a token") as variables:
        assert variables["IPYTHONDIR"] == "set by the reader"
        place = Path(variables["JUPYTER_RUNTIME_DIR"])
        assert place.is_dir() and Path(variables["JUPYTER_DATA_DIR"]).parent == place
        assert Path(variables["JUPYTERLAB_SETTINGS_DIR"]).parent == place
    assert not place.exists()


def test_the_command_told_for_a_folder_of_wheels_can_be_typed_as_it_stands(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(environment, "prepare", lambda kind: "python")
    monkeypatch.setattr(wheels.processes, "run", lambda command, variables: 0)
    wheels.run(SimpleNamespace(folder=tmp_path / "for the club"))
    told = capsys.readouterr().out.splitlines()[-1]
    assert shlex.split(told.partition(": ")[2]) == ["python3", "-m", "helpers", "lab", "--offline", "for the club"]


def test_a_folder_of_wheels_says_for_whom_it_is(tmp_path, monkeypatch):
    with pytest.raises(
        SetupError, match="holds no libraries: fill it where there is network, with 'python3 -m helpers wheels"
    ):
        wheels.check(tmp_path)
    (tmp_path / wheels.ABOUT).write_text(json.dumps(wheels.this_kind()))
    wheels.check(tmp_path)
    monkeypatch.setattr(wheels.platform, "machine", lambda: "other")
    with pytest.raises(SetupError, match="is for .*, and this is .* other "):
        wheels.check(tmp_path)


def test_wheels_are_marked_only_when_all_are_there(tmp_path, monkeypatch):
    monkeypatch.setattr(environment, "prepare", lambda kind: Path(sys.executable))
    target, statuses = tmp_path / "wheels", [1, 0]
    monkeypatch.setattr(wheels.processes, "run", lambda command, variables: statuses.pop(0))
    options = SimpleNamespace(folder=target)
    with pytest.raises(SetupError, match="Not all libraries"):
        wheels.run(options)
    assert not (target / wheels.ABOUT).exists()
    assert wheels.run(options) == 0
    wheels.check(target)
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").touch()
    with pytest.raises(SetupError, match="holds something else"):
        wheels.run(SimpleNamespace(folder=tmp_path / "mine"))
