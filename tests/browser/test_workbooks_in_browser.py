"""A real browser opens every workbook in JupyterLab, runs it, moves sliders by keyboard and takes them back."""

import base64
import io
import re
import time
from pathlib import Path

import nbformat
import numpy as np
import pytest
from PIL import Image

from helpers import rig as rigs
from tests.browser.conftest import NOTEBOOK

FOLDER = Path(__file__).resolve().parent.parent.parent / "workbooks"
WORKBOOKS = sorted(FOLDER.glob("*.ipynb"))
FEW = ("04_seeing",)  # the others come in longer runs
IMPORTS = 'import sys; sys.path.insert(0, "..")\nfrom helpers.classroom import figures, sliders'
TOY = """
figure, axes = figures.new_figure()
(line,) = axes.plot([0, 1], [0, 1])
axes.set_ylim(0, 100)
def move(slope):
    if slope == 99:
        raise ValueError("slope: expected below 99")
    line.set_ydata([0, slope])
    return f"The slope is {slope}."
sliders.panel([sliders.slider("slope", "Slope", 0, 100, 30)], figure, [line], move, alt="A line.", question="What?")
"""


def changes_of(panel):
    """What the first movements change: True for the picture, True for the sentence; it ends when both are True."""
    picture_changed = sentence_changed = False
    for move in panel.movements():
        picture, sentence = panel.settle()
        move()
        panel.wait_until(lambda *now, was=(picture, sentence): now[0] != was[0] and now[1] != was[1], seconds=2)
        picture_now, sentence_now = panel.settle()
        picture_changed |= picture_now != picture
        sentence_changed |= sentence_now != sentence
        if picture_changed and sentence_changed:
            break
    return picture_changed, sentence_changed


@pytest.mark.parametrize(
    "path",
    [path if path.stem in FEW else pytest.param(path, marks=pytest.mark.long) for path in WORKBOOKS],
    ids=lambda path: path.stem,
)
def test_workbook_runs_and_its_panels_answer(open_workbook, path):
    workbook = open_workbook(f"workbooks/{path.name}")
    workbook.run_all()
    for cell in workbook.cells():
        assert cell.execution_count, cell.source
        for output in cell.outputs:
            assert output.output_type != "error", f"{cell.source}\n{output}"
            assert output.get("name") != "stderr", output
    panels = workbook.panels()
    assert len(panels) == sum(bool(re.search(r"(sliders|panels)\.panel\(", cell.source)) for cell in workbook.cells())
    for number, panel in enumerate(panels, start=1):
        panel.box.scroll_into_view_if_needed()
        panel.image.wait_for()
        start = panel.settle()
        assert start[1].strip()
        assert changes_of(panel) == (True, True), f"panel {number}: picture and sentence do not both change"
        panel.reset_button.click()
        assert panel.wait_until(lambda *now, was=start: now == was), f"panel {number} does not go back to {start[1]}"
    assert workbook.page.get_by_text("Error displaying widget").count() == 0
    assert workbook.faults == []


@pytest.fixture
def toy(lab, open_workbook):
    """A workbook with one small panel, run."""
    cells = [nbformat.v4.new_code_cell(source) for source in (IMPORTS, TOY)]
    kernel = {"kernelspec": {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"}}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=kernel), lab.folder / "workbooks" / "toy.ipynb")
    workbook = open_workbook("workbooks/toy.ipynb")
    workbook.run_all()
    (panel,) = workbook.panels()
    return panel


@pytest.mark.long
def test_many_quick_keys_leave_the_last_picture_and_nothing_jumps_or_goes_blank(toy):
    (slider,) = toy.sliders()
    page, place = toy.box.page, toy.image.bounding_box()
    frames = []  # what was on the screen, each time it changed
    developer_tools = page.context.new_cdp_session(page)
    developer_tools.on("Page.screencastFrame", lambda frame: frames.append(frame))
    developer_tools.send("Page.startScreencast", {"format": "png"})
    slider.focus()
    seen = []
    for _ in range(60):
        page.keyboard.press("ArrowRight")
        while frames:
            frame = frames.pop(0)
            developer_tools.send("Page.screencastFrameAck", {"sessionId": frame["sessionId"]})
            seen.append(Image.open(io.BytesIO(base64.b64decode(frame["data"]))).convert("L"))
    assert toy.wait_until(lambda picture, sentence: sentence == "The slope is 90.", seconds=5)
    assert toy.image.bounding_box() == place
    assert len(seen) > 10
    box = (place["x"], place["y"], place["x"] + place["width"], place["y"] + place["height"])
    inked = [
        np.mean(np.asarray(picture.crop(box)) < 128) for picture in seen
    ]  # share of dark pixels: axes, numbers, line
    assert min(inked) > 0.5 * max(inked) > 0


@pytest.mark.long
def test_an_error_behind_a_slider_is_told_in_words_and_goes_away(toy):
    (slider,) = toy.sliders()
    slider.focus()
    slider.press("End")
    assert toy.wait_until(lambda picture, sentence: sentence == "The slope is 100.")
    picture = toy.picture()
    slider.press("ArrowLeft")
    assert toy.wait_until(lambda now, sentence: sentence == "This can't be shown: slope: expected below 99")
    assert toy.picture() == picture, "the last good picture stays"
    toy.reset_button.click()
    assert toy.wait_until(lambda now, sentence: sentence == "The slope is 30.")


@pytest.mark.long
def test_the_next_picture_is_there_although_the_kernel_cannot_draw(toy):
    (slider,) = toy.sliders()
    before, _ = toy.settle()
    time.sleep(1)  # rest: the neighbours are drawn ahead
    toy.box.page.evaluate(f"""() => {{
        window.done = false;
        const kernel = {NOTEBOOK}.sessionContext.session.kernel;
        // no thread of the kernel can draw meanwhile
        const code = 'import time\\nwith figures.DRAWING:\\n    time.sleep(3)';
        kernel.requestExecute({{code}}).done.then(() => {{ window.done = true; }});
    }}""")
    slider.press("ArrowRight")
    assert toy.wait_until(lambda picture, sentence: sentence == "The slope is 31." and picture != before, seconds=2)
    assert not toy.box.page.evaluate("window.done"), "the kernel answered first, so this shows nothing"
    ahead = toy.picture()
    toy.box.page.wait_for_function("window.done")
    assert toy.settle() == (ahead, "The slope is 31."), "the kernel draws the same"


@pytest.mark.long
def test_sliders_are_reached_and_named_for_the_keyboard_and_for_screen_readers(toy):
    (slider,) = toy.sliders()
    assert slider.get_attribute("tabindex") == "0"
    assert toy.sentence_box.get_attribute("aria-live") == "polite"
    assert toy.box.get_by_text("start: 30").count() == 1
    assert toy.box.get_by_text("What do you expect?").count() == 1


@pytest.mark.long
def test_the_rig_form_saves_and_the_next_workbook_names_the_rig(lab, open_workbook):
    # In a folder of its own: what is saved here must not change what the other tests see.
    reader = lab.copy_project("reader")
    first = open_workbook("reader/workbooks/00_your_rig.ipynb")
    first.run_all()
    name = first.page.get_by_label("name of the rig")
    name.scroll_into_view_if_needed()
    name.fill("rig on the roof")
    name.press("Tab")
    save = first.page.get_by_role("button", name="Save my rig")
    save.click()
    first.page.get_by_text(f"Saved as {rigs.SAVED_RIG}, beside the workbooks").wait_for()
    assert rigs.load_rig(reader / "workbooks" / rigs.SAVED_RIG).name == "rig on the roof"

    second = open_workbook(f"reader/workbooks/{WORKBOOKS[1].name}")
    cells = second.cells()
    assert "rigs.describe(" in cells[0].source + cells[1].source
    second.run_first(4)
    second.page.get_by_text("Working with: rig on the roof").first.wait_for()
