"""The order of the house: what lies where, who imports whom, and what every workbook has."""

import ast
import json
import re
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

ROOT = Path(__file__).resolve().parent.parent
REQUIREMENTS = ["requirements.txt", "tests/requirements.txt"]
HELPERS = ROOT / "helpers"
WORKBOOKS = sorted((ROOT / "workbooks").glob("*.ipynb"))
WIDGET_VIEW = "application/vnd.jupyter.widget-view+json"

# All calculations, in reading order: a module imports only modules named before it.
ORDER = [
    "shared.checks",
    "shared.limits",
    "shared.text_tables",
    "shared.files",
    "shared.pictures",
    "shared.series",
    "shared.recursion",
    "shared.sky",
    "shared.optics",
    "rig.parts",
    "rig.values",
    "rig.demo",
    "rig.form",
    "rig.finding",
    "rig.files",
    "rig.beam",
    "starlight.spectra",
    "starlight.widths",
    "pixel_scale.scale",
    "starlight.centroid_noise",
    "starlight.faint_stars",
    "starlight.spot",
    "starlight.simulated_frames",
    "starlight.faint_on_mosaic",
    "starlight.light",
    "starlight.view",
    "guide_field.star_counts",
    "guide_field.star_lists",
    "guide_field.pick_off",
    "guide_field.coma",
    "guide_field.chances",
    "guide_field.targets",
    "guide_field.stars",
    "guide_field.meridian_flip",
    "guide_field.usable",
    "guide_field.plan",
    "guide_field.own_field",
    "guide_field.field_rotation",
    "guide_field.fit",
    "guide_field.own_fit",
    "seeing.air",
    "seeing.widths",
    "seeing.tilt_spectrum",
    "seeing.wander",
    "seeing.named_air",
    "seeing.instant_pictures",
    "seeing.simulated_motion",
    "multi_star.centroids",
    "multi_star.averaging",
    "multi_star.field_mean",
    "multi_star.losing",
    "multi_star.own_frames",
    "multi_star.frame_motion",
    "multi_star.simulated_run",
    "near_infrared.refraction",
    "near_infrared.gains",
    "correction_loop.loop",
    "correction_loop.picture",
    "correction_loop.mount",
    "correction_loop.log_check",
    "correction_loop.night",
    "correction_loop.settings",
    "correction_loop.band",
    "correction_loop.own_settings",
    "camera_check.converter_codes",
    "camera_check.files",
    "camera_check.statistics",
    "camera_check.photon_transfer",
    "camera_check.darks",
    "camera_check.bad_pixels",
    "camera_check.measure",
    "camera_check.verdict",
    "camera_check.simulated_camera",
    "camera_check.costs",
    "night_comparison.times",
    "night_comparison.log",
    "night_comparison.sky",
    "night_comparison.compare",
    "night_comparison.power",
    "night_comparison.false_winners",
    "night_comparison.main_frames",
    "error_budget.guided_air",
    "error_budget.terms",
    "error_budget.nights",
    "error_budget.predict",
    "error_budget.log_model",
    "error_budget.causes",
    "error_budget.next_change",
    "error_budget.cases",
    "error_budget.fitting",
    "error_budget.diagnosis",
    "error_budget.own_log",
    "error_budget.suspects",
    "planetary.sampling",
    "planetary.frames",
    "planetary.planets",
    "planetary.light",
    "planetary.lucky",
    "ledger",
]
# A room stands where its last part does: two parts of starlight serve the room before it as well.
ROOMS = list(dict.fromkeys(name.split(".")[0] for name in reversed(ORDER) if not name.startswith("shared.")))[::-1]
# Not calculations: the furniture, the command line and what it runs. Drawings and questions belong to one workbook.
APART = {"classroom", "command", "__main__", "__init__"}
FOR_THE_WORKBOOK = {"drawings", "questions"}
# These read or write files.
READERS = {
    "rig.files",
    "shared.files",
    "shared.pictures",
    "guide_field.star_lists",
    "multi_star.own_frames",
    "camera_check.files",
    "camera_check.verdict",
    "night_comparison.log",
    "night_comparison.main_frames",
}
AT_ONCE = {"numpy", "scipy", "astropy", "tomlkit"}  # imported when a module is
WHEN_NEEDED = {"photutils", "pyvo", "requests"}  # slow to import, so inside the function that needs them


def tree_of(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def is_module(name):
    path = ROOT / name.replace(".", "/")
    return path.is_dir() or path.with_suffix(".py").exists()


def imports_of(nodes):
    """Full names of the modules that are imported; `from helpers.seeing import air` gives `helpers.seeing.air`."""
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports name the whole module"
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield inner if node.module.startswith("helpers") and is_module(inner) else node.module


def helpers_imported(text):
    """Names of the rooms that a Python source imports."""
    names = imports_of(ast.walk(ast.parse(text)))
    return {name.split(".")[1] for name in names if name.startswith("helpers.")}


def modules_of_rooms():
    """Dotted names of all calculations, drawings and questions left out."""
    for path in HELPERS.rglob("*.py"):
        name = ".".join(path.relative_to(HELPERS).with_suffix("").parts)
        if name.split(".")[0] not in APART and path.stem != "__init__" and path.stem not in FOR_THE_WORKBOOK:
            yield name


def path_of(name):
    return (HELPERS / name.replace(".", "/")).with_suffix(".py")


def helper_of(workbook_path):
    """Name of the helper module of a workbook: its own name, and `rig` for the first."""
    return workbook_path.stem[3:].removeprefix("your_")


def test_the_visible_top_level_is_exactly_seven_entries():
    made_by_use = {"__pycache__"}
    visible = {
        path.name
        for path in ROOT.iterdir()
        if not path.name.startswith(".")
        and path.name not in made_by_use
        and not path.match("report*.html")
        and not (path / "pages.json").is_file()
    }
    assert visible == {
        "README.md",
        "DEVELOPERS.md",
        "requirements.txt",
        "workbooks",
        "helpers",
        "tests",
        "demo_data",
    }


def test_each_helper_has_its_place_in_the_order():
    assert len(set(ORDER)) == len(ORDER)
    assert set(modules_of_rooms()) == set(ORDER)


def test_the_map_names_each_room_in_reading_order():
    import helpers

    named = [line.split()[0] for line in helpers.__doc__.splitlines()[2:] if line]
    assert named[: len(ROOMS)] == ROOMS
    assert set(named) == {path.stem for path in HELPERS.iterdir() if not path.name.startswith("__")}


@pytest.mark.parametrize("name", ORDER)
def test_calculations_import_only_what_comes_before(name):
    tree = tree_of(path_of(name))
    for imported in imports_of(ast.walk(tree)):
        top, _, rest = imported.partition(".")
        if top == "helpers":
            assert rest in ORDER, f"{name} imports {rest}: name the part of the room"
            assert ORDER.index(rest) < ORDER.index(name), f"{name} imports {rest}, which comes later"
        else:
            assert top in AT_ONCE | WHEN_NEEDED | sys.stdlib_module_names, f"{name} imports {imported}"
    at_once = {imported.partition(".")[0] for imported in imports_of(tree.body)}
    assert not at_once & WHEN_NEEDED, f"{name} imports {at_once & WHEN_NEEDED} before it is needed"


@pytest.mark.parametrize("path", sorted(HELPERS.rglob("*.py")), ids=lambda path: f"{path.parent.name}.{path.stem}")
def test_drawings_and_questions_are_for_the_workbook_alone(path):
    if path.stem not in {*FOR_THE_WORKBOOK, "report"}:  # the report is a workbook in print
        assert not {imported.rpartition(".")[2] for imported in imports_of(ast.walk(tree_of(path)))} & FOR_THE_WORKBOOK


@pytest.mark.parametrize("name", sorted(set(ORDER) - READERS))
def test_calculations_touch_no_files_and_print_nothing(name):
    called = {
        node.func.id
        for node in ast.walk(tree_of(path_of(name)))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not called & {"open", "print", "input", "exec", "eval", "Path"}


@pytest.mark.parametrize("path", sorted((HELPERS / "classroom").glob("*.py")), ids=lambda path: path.stem)
def test_furniture_knows_nothing_of_telescopes(path):
    for imported in imports_of(ast.walk(tree_of(path))):
        assert not imported.startswith("helpers.") or imported.startswith("helpers.classroom."), imported


def test_helpers_import_no_furniture():
    code = (
        "import sys, importlib; [importlib.import_module('helpers.' + name) for name in sys.argv[1:]];"
        "print([name for name in ('matplotlib', 'ipywidgets', 'IPython', 'photutils', 'pyvo') if name in sys.modules])"
    )
    shown = subprocess.run([sys.executable, "-c", code, *ORDER], cwd=ROOT, capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"
    assert shown.stderr == ""


@pytest.mark.parametrize("name", REQUIREMENTS)
def test_each_requirement_has_a_range_and_a_reason(name):
    for line in (ROOT / name).read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            assert re.fullmatch(r"[A-Za-z0-9_-]+>=[0-9.]+,<[0-9.]+ +# \S.{4,}", line), line


def test_the_oldest_versions_are_the_lower_ends_of_the_ranges():
    lines = [line for name in REQUIREMENTS for line in (ROOT / name).read_text(encoding="utf-8").splitlines()]
    floors = re.findall(r"^([\w-]+)>=([\d.]+)", "\n".join(lines), re.MULTILINE)
    pins = re.findall(
        r"^([\w-]+)==([\d.]+)$", (ROOT / "tests" / "oldest.txt").read_text(encoding="utf-8"), re.MULTILINE
    )
    assert dict(pins) == {name: version for name, version in floors if name != "playwright"}


@pytest.mark.parametrize("what", [["check", "--output-format=concise"], ["format", "--check"]], ids=["check", "format"])
def test_the_code_is_tidy_in_workbooks_too(what):
    shown = subprocess.run(
        [sys.executable, "-m", "ruff", *what, "--no-cache", "."],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert shown.returncode == 0, shown.stdout + shown.stderr


def texts_in(tree):
    """Strings of a source that are no docstrings."""
    docs = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node) is not None:
            docs.add(node.body[0].value)
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in docs
    ]


def outside_addresses(text):
    hosts = re.findall(r"(?:https?|ftp)://([\w.-]*\w)", text)
    return [host for host in hosts if host not in ("127.0.0.1", "localhost")]


def test_no_code_calls_an_outside_address_of_its_own():
    for folder in ("helpers", "demo_data"):
        for path in (ROOT / folder).rglob("*.py"):
            for text in texts_in(tree_of(path)):
                assert not outside_addresses(text), f"{path.name}: {text}"
    for path in WORKBOOKS:
        for text in code_cells(read(path)):
            asked_first = re.search(r"^\w+ = False\b", text, re.MULTILINE)  # a switch that the reader must turn
            assert asked_first or not outside_addresses(text), f"{path.name}: {text}"


# Workbooks


def read(path):
    return json.loads(path.read_text(encoding="utf-8"))


def code_cells(workbook):
    return ["".join(cell["source"]) for cell in workbook["cells"] if cell["cell_type"] == "code"]


@pytest.fixture(params=WORKBOOKS, ids=lambda path: path.stem)
def workbook_path(request):
    return request.param


@pytest.fixture
def workbook(workbook_path):
    return read(workbook_path)


def headings(workbook):
    text = "\n".join("".join(cell["source"]) for cell in workbook["cells"] if cell["cell_type"] == "markdown")
    return re.findall(r"^#+ (.*)$", text, re.MULTILINE)


def test_each_workbook_has_a_helper_of_its_name(workbook_path):
    assert re.fullmatch(r"\d\d_[a-z_]+", workbook_path.stem)
    assert is_module(f"helpers.{helper_of(workbook_path)}")


def test_workbook_numbers_follow_each_other():
    numbers = [int(path.stem[:2]) for path in WORKBOOKS]
    assert numbers == list(range(len(numbers)))


def test_helpers_of_workbooks_are_in_reading_order():
    places = [ROOMS.index(helper_of(path)) for path in WORKBOOKS]
    assert places == sorted(places)


def test_a_workbook_uses_its_own_helper_and_earlier_ones(workbook_path, workbook):
    # Parts of later ones are open to it: the first workbook shows what all the others explain.
    later = {f"helpers.{helper_of(path)}" for path in WORKBOOKS if path.stem > workbook_path.stem}
    sources = code_cells(workbook)
    assert helper_of(workbook_path) in set().union(*map(helpers_imported, sources))
    assert not later.intersection(*[imports_of(ast.walk(ast.parse("\n".join(sources))))])


def test_workbook_file_is_saved_the_same_way_everywhere(workbook_path, workbook):
    raw = workbook_path.read_bytes()
    assert raw.endswith(b"}\n")
    assert b"\r" not in raw
    assert raw.decode() == nbformat.writes(nbformat.read(workbook_path, as_version=4)).rstrip("\n") + "\n"
    assert set(workbook["metadata"]) <= {"kernelspec", "language_info"}
    assert workbook["metadata"]["kernelspec"]["name"] == "python3"
    assert "version" not in workbook["metadata"].get("language_info", {})


def test_workbook_was_run_from_top_to_bottom_without_errors(workbook):
    cells = [cell for cell in workbook["cells"] if cell["cell_type"] == "code"]
    assert [cell["execution_count"] for cell in cells] == list(range(1, len(cells) + 1))
    for cell in cells:
        assert "execution" not in cell["metadata"]
        for output in cell["outputs"]:
            assert output["output_type"] != "error"
            assert output.get("name") != "stderr", output
            assert WIDGET_VIEW not in output.get("data", {})


def test_no_cell_is_kept_from_being_checked(workbook):
    for cell in workbook["cells"]:
        assert not set(cell["metadata"].get("tags", [])) & {"nbval-skip", "nbval-raises-exception", "raises-exception"}
        assert "NBVAL" not in "".join(cell["source"])


def test_pictures_are_there_without_a_kernel_and_told_in_words(workbook):
    for cell in workbook["cells"]:
        source = "".join(cell["source"])
        if cell["cell_type"] == "code" and re.search(
            r"^(sliders\.panel|panels\.panel|figures\.show)\(", source, re.MULTILINE
        ):
            pictures = [output for output in cell["outputs"] if "image/png" in output.get("data", {})]
            assert pictures, source
            assert all(output["metadata"]["image/png"]["alt"].strip() for output in pictures)
            assert "This figure in words" in json.dumps(cell["outputs"])


def test_workbook_begins_with_its_question_and_one_import_cell(workbook):
    assert workbook["cells"][0]["cell_type"] == "markdown"
    assert "".join(workbook["cells"][0]["source"]).startswith("# ")
    assert "?" in "".join(workbook["cells"][0]["source"])
    first, *others = code_cells(workbook)
    assert first.startswith('import sys\n\nsys.path.insert(0, "..")\n')
    for source in others:
        assert not helpers_imported(source), "helpers are imported in the first code cell"


PARTS = ["will be able to decide", "Where people go wrong", "Exercises", "With your own", "Decide"]
NEW_PARTS = ["More", "Where people go wrong", "Exercises", "With your own", "Your card"]
FEWEST = {"panel": 2, "guess": 2, "exercise": 3, "card": 1}  # pieces of furniture


def in_new_form(workbook):
    """Whether drawings and questions of the workbook stand in its helper."""
    return any(
        re.search(r"^from helpers\.\w+ import .*questions", source, re.MULTILINE) for source in code_cells(workbook)
    )


def test_workbook_has_all_its_parts(workbook):
    found = headings(workbook)
    for part in NEW_PARTS if in_new_form(workbook) else PARTS:
        assert any(part in heading for heading in found), f"no part '{part}'; there are {found}"
    assert len(workbook["cells"]) <= 40
    sources = "\n".join(code_cells(workbook))
    assert "rigs.describe(" in sources, "every workbook names the rig it works with"
    if not in_new_form(workbook):
        assert len(re.findall(r"^sliders\.panel\(|= sliders\.panel\(", sources, re.MULTILINE)) >= 2
        assert len(re.findall(r"exercises\.check_", sources)) >= 3


def test_a_reader_meets_no_code(workbook):
    if not in_new_form(workbook):
        pytest.skip("not yet in the form in which cells are folded")
    for cell in workbook["cells"]:
        if cell["cell_type"] == "code":
            source = "".join(cell["source"])
            assert cell["metadata"].get("jupyter", {}).get("source_hidden"), source
            assert len(source.splitlines()) <= 12, source
            assert all(len(line) <= 110 for line in source.splitlines()), source
            assert not re.search(r"\bright=|my_answer", source), f"gives away an answer: {source}"


def test_what_is_asked_can_be_read_without_a_kernel(workbook):
    if not in_new_form(workbook):
        pytest.skip("not yet in the form with guesses and boxes")
    outputs = [output for cell in workbook["cells"] for output in cell.get("outputs", [])]
    kinds = [output.get("metadata", {}).get("classroom") for output in outputs]
    for kind, fewest in FEWEST.items():
        assert kinds.count(kind) >= fewest, f"expected {fewest} of {kind}, found {kinds.count(kind)}"
    for output, kind in zip(outputs, kinds, strict=True):
        page = "".join(output.get("data", {}).get("text/html", ""))
        if kind == "guess":
            assert "Guess first." in page
            assert re.search(r"<li>|from .* to ", page), "what can be guessed"
            assert re.search(r"<details><summary>The answer</summary><p>.{20,}</p></details>", page)
        if kind == "exercise":
            assert page.count("<details>") == 2, "hint and solution"


def test_workbook_names_no_place_on_one_computer(workbook):
    for cell in workbook["cells"]:
        texts = ["".join(cell["source"])]
        for output in cell.get("outputs", []):
            texts.append("".join(output.get("text", "")))
            texts += ["".join(value) for kind, value in output.get("data", {}).items() if kind.startswith("text/")]
        for text in texts:
            assert not re.search(r"(?<![\w.])/(home|root|work|tmp|Users|usr|var|opt)/|\b[A-Z]:\\|object at 0x", text), (
                text
            )
