"""Every workbook as a page, for several rigs: names stay text, nothing vanishes, nobody is shut out, panels fit."""

import base64
import io
import json
import re

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image

from tests.every_workbook import NAMES, ROOT, Reader, fill_with
from tests.hostile.markup import MARKUP, assert_nothing_ran, elements_made, marked_rig, write_marked_files
from tests.three_rigs import GUIDE_TELESCOPE, REFRACTOR

PHONE = {"width": 360, "height": 740}
PROJECTOR = {"width": 1366, "height": 768}
ALIKE = ("panel", "guess", "exercise", "form", "figure", "strip", "card")
FEW = ("01_pixel_scale", "05_multi_star")  # the others come in longer runs
each_workbook = pytest.mark.parametrize(
    "name", [name if name in FEW else pytest.param(name, marks=pytest.mark.long) for name in NAMES]
)
NO_NUMBER = re.compile(r"\b(nan|inf|None(?! of)|NaN|Infinity)\b|Traceback")


@pytest.fixture(scope="module")
def marked(tmp_path_factory):
    """A reader whose rig has markup for names, and who writes and sends markup."""
    files = tmp_path_factory.mktemp("files")
    paths = [path for kind, path in write_marked_files(files).items() if kind != "rig"]
    return Reader(marked_rig(), tmp_path_factory.mktemp("marked"), fill_with(MARKUP, paths))


@pytest.fixture(scope="module", params=[REFRACTOR, GUIDE_TELESCOPE], ids=lambda rig: rig.name)
def reader(request, tmp_path_factory):
    """Readers whose rigs differ from the demo's."""
    return Reader(request.param, tmp_path_factory.mktemp("reader"))


@pytest.fixture
def page(browser):
    """A page that may load nothing but files; what it complains of fails the test."""
    context = browser.new_context(viewport=PROJECTOR, offline=True)
    page, faults = context.new_page(), []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
    yield page
    context.close()
    assert faults == []


def open_room(page, ran, size=PROJECTOR):
    page.set_viewport_size(size)
    page.goto(ran.page.as_uri())
    page.evaluate("document.querySelectorAll('.guess .skip').forEach(each => each.click())")


@each_workbook
def test_names_in_fields_files_columns_and_cards_are_text_in_every_workbook(marked, page, name):
    ran = marked.ran(name)
    shown = "\n".join(ran.live)
    assert elements_made(shown) == []
    page.set_content(shown)  # as the widgets of a notebook put it on the page
    assert (MARKUP in page.inner_text("body")) == (ran.filled > 0)  # some forms ask for numbers only
    assert_nothing_ran(page)


@each_workbook
def test_names_of_the_rig_are_text_on_every_page(marked, page, name):
    assert elements_made(marked.ran(name).page.read_text(encoding="utf-8")) == []
    open_room(page, marked.ran(name))
    assert MARKUP in page.inner_text("main")
    assert_nothing_ran(page)


@each_workbook
def test_every_page_is_accessible_and_as_wide_as_a_phone(marked, page, name):
    open_room(page, marked.ran(name), PHONE)
    page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
    page.wait_for_timeout(200)
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    pictures = page.locator(".window img, .frame").all()
    assert pictures
    assert all(picture.bounding_box()["width"] <= PHONE["width"] for picture in pictures)
    found = Axe().run(page, options={"preload": False}).response
    assert len(found["passes"]) > 10
    serious = [each for each in found["violations"] if each["impact"] in ("serious", "critical")]
    assert [(each["id"], [node["html"][:150] for node in each["nodes"][:3]]) for each in serious] == []


@each_workbook
def test_every_panel_fits_a_projector_with_its_controls(marked, page, name):
    open_room(page, marked.ran(name))
    heights = page.evaluate(
        """[...document.querySelectorAll('.panel')].map(panel => Math.max(
            panel.querySelector('.controls').getBoundingClientRect().bottom,
            panel.querySelector('.sentence').getBoundingClientRect().bottom)
            - panel.querySelector('.beside').getBoundingClientRect().top)"""
    )
    assert max(heights) <= PROJECTOR["height"], heights


def saved_outputs(name):
    """Data and metadata of what each code cell shows, as the workbook is saved for the demo's rig."""
    cells = json.loads((ROOT / "workbooks" / f"{name}.ipynb").read_text(encoding="utf-8"))["cells"]
    return [
        [(output.get("data", {}), output.get("metadata", {})) for output in cell.get("outputs", [])] for cell in cells
    ]


def outline(outputs):
    """Of one cell: how many of each piece it shows, and the rows of its tables."""
    kinds = [metadata.get("classroom") for _, metadata in outputs]
    rows = [
        line for data, _ in outputs for line in "".join(data.get("text/markdown", "")).splitlines() if line[:1] == "|"
    ]
    return {kind: kinds.count(kind) for kind in ALIKE if kind in kinds} | {"rows": len(rows)}


def has_ink(png):
    """Whether a picture is more than paper."""
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(png))).convert("L")).std() > 2


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_another_rig_finds_all_that_the_demo_has(reader, page, name):
    ran = reader.ran(name)
    for number, (shown, saved) in enumerate(zip(ran.outputs, saved_outputs(name), strict=True), start=1):
        found, there = outline(shown), outline(saved)
        # a plan may need more turns with another rig
        assert found == there | {"rows": max(found["rows"], there["rows"])}, f"cell {number}"
        assert all(has_ink(data["image/png"]) for data, _ in shown if "image/png" in data), f"cell {number}"
    open_room(page, ran)
    page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
    page.evaluate("document.querySelectorAll('img').forEach(each => each.loading = 'eager')")
    page.wait_for_function("[...document.images].every(each => each.complete)")
    assert page.evaluate("[...document.images].every(each => each.naturalWidth > 0)")
    text = page.inner_text("body")
    assert NO_NUMBER.search(text) is None, NO_NUMBER.search(text)
    assert "can't be shown" not in text
    assert all(page.locator(".sentence").all_inner_texts())
