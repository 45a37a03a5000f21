"""The pages opened from a folder, with the network off: panels move, answers are checked, nobody is shut out."""

import io
import os
from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image

from helpers.classroom import exercises, guesses, sliders, stills
from helpers.command import pages_folder as folder
from helpers.command.pages import make, run, strips
from tests.test_pages import NASTY, ROOT, write_small

REAL = "05_multi_star"
PICTURES = 30
WHOLE = "position: 'fixed', top: '0', left: '0', zIndex: 9"  # on whole pixels, nothing over it
# What a reader may type, whatever is asked. No ties: of two equally near numbers Python writes the even one, a browser
# the larger.
TYPED = ("", " ", "2", "2.0 m", "200 cm", "2,05", "4", "4.1 m", "1,000", "1000.6", "-3", "−2", "1e3", "1.9e0 m", "3e-7")
TYPED += ("2 arcsec", "2 bananas", "about two", "2 M", "0.002 km", "2..5", "99999.5", "0.5 px", "12345 mm", "0")


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """Two workbooks as pages, and what they were made of."""
    home = tmp_path_factory.mktemp("with ümlaut & space")
    target = home / "pages"
    folder.claim(target)
    rooms = ["98_small", REAL]
    before, cells = Path.cwd(), {}
    try:
        for path in (write_small(home / "98_small.ipynb"), ROOT / "workbooks" / f"{REAL}.ipynb"):
            os.chdir(path.parent)
            cells[path.stem] = list(run.cells(path))
            make.write_room(path, cells[path.stem], target / path.stem, rooms, [PICTURES])
    finally:
        os.chdir(before)
    make.write_front(target, rooms)
    return target, cells


class Opened:
    """A page of the folder in a browser that has no network; `faults` is what it complained of, or asked for."""

    def __init__(self, browser, target, name, width=1400, height=900, **options):
        self.context = browser.new_context(viewport={"width": width, "height": height}, offline=True, **options)
        self.page, self.faults = self.context.new_page(), []
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.on("console", self._heard)
        self.page.on("request", self._asked)
        self.page.on("dialog", self._dialog)
        self.page.set_default_timeout(20_000)
        self.page.goto((target / name).as_uri())

    def _heard(self, message):
        if message.type in ("error", "warning"):
            self.faults.append(message.text)

    def _asked(self, request):
        if not request.url.startswith(("file:", "data:")):
            self.faults.append(request.url)

    def _dialog(self, dialog):
        self.faults.append(dialog.message)
        dialog.dismiss()

    def skip_guesses(self):
        for skip in self.page.locator(".guess .skip").all():
            skip.click()


@pytest.fixture
def opened(browser, built):
    pages = []

    def open_page(name, **options):
        pages.append(Opened(browser, built[0], name, **options))
        return pages[-1]

    yield open_page
    for each in pages:
        each.context.close()
    assert [fault for each in pages for fault in each.faults] == []


def picture_on_screen(panel, rows, columns):
    """Pixels of a panel's picture as the browser shows it, one for one."""
    frame = panel.locator(".frame")
    shown = np.asarray(Image.open(io.BytesIO(frame.screenshot())).convert("RGB"))
    return shown[:rows, :columns]


def test_keys_show_the_panels_own_pictures_and_sentences(opened, built):
    there = opened(f"{REAL}/index.html", width=1500)
    there.skip_guesses()
    panels = [cell.value for cell in built[1][REAL] if isinstance(cell.value, sliders.Panel)]
    boxes = there.page.locator(".panel").all()
    assert len(boxes) == len(panels) >= 2
    for panel, box in zip(panels, boxes, strict=True):
        kept = stills.stills(panel, PICTURES)
        number = kept.moving[0]
        panel.asked.skip()  # what it hides is seen then
        panel.reset()
        control, before = kept.controls[number], strips.pixels_of(panel.png)
        rows, columns = before.shape[:2]
        box.locator(".frame").evaluate(f"frame => Object.assign(frame.style, {{width: '{columns}px', {WHOLE}}})")
        slider = box.locator(f"[data-control='{number}']")
        slider.focus()
        for key, place in (("End", len(kept.values[number]) - 1), ("ArrowLeft", len(kept.values[number]) - 2)):
            there.page.keyboard.press(key)
            panel.set(**{control.name: kept.values[number][place]})
            box.locator(f".frame[data-shown$=' {place}']").wait_for()
            assert box.locator(".sentence").inner_text() == panel.sentence
            assert slider.get_attribute("aria-valuetext") == kept.texts()[number][place]
            shown = picture_on_screen(box, rows, columns)
            assert shown.shape == (rows, columns, 3)
            np.testing.assert_array_equal(shown, strips.pixels_of(panel.png))
        box.locator(".reset").focus()  # the picture may lie over it
        there.page.keyboard.press("Enter")
        box.locator(f".frame[data-shown$=' {kept.starts()[number]}']").wait_for()
        np.testing.assert_array_equal(picture_on_screen(box, rows, columns), before)
        box.locator(".frame").evaluate("frame => frame.style.position = 'relative'")


def test_choices_stay_and_one_slider_moves_at_a_time(opened):
    there = opened("98_small/index.html")
    there.skip_guesses()
    page = there.page
    height, shape, above, film = page.locator("[data-control]").all()
    sentence = page.locator(".sentence")
    shape.select_option(label="flat")
    above.check()
    height.focus()
    page.keyboard.press("Home")
    assert sentence.inner_text().startswith("0.00 m, flat, True, 0,")
    assert NASTY in sentence.inner_text()
    film.focus()
    page.keyboard.press("ArrowRight")
    assert sentence.inner_text().startswith("2.00 m, flat, True, 1,")
    assert "Back at the start value: Height." in page.locator(".panel .note").inner_text()
    page.locator(".reset").click()
    assert sentence.inner_text().startswith("2.00 m, steep, False, 0,")
    height.focus()
    page.keyboard.press("End")
    assert sentence.inner_text() == "This can't be shown: too high"
    page.locator(".play").click()
    page.locator(".sentence", has_text="False, 3,").wait_for()
    page.locator(".play").click()
    assert page.locator(".play").inner_text() == "Play"


def test_the_whole_way_by_keyboard(opened):
    there = opened("98_small/index.html")
    page = there.page
    slider = page.locator("[data-control='0']")
    assert slider.is_disabled()
    assert page.locator(".sentence").inner_text() == guesses.WAITING
    told = page.locator(".panel .guess .said")
    page.locator(".panel .guess [type=submit]").focus()
    page.keyboard.press("Enter")
    assert told.inner_text() == "Choose one first, or skip."
    page.locator(".panel .guess input").first.focus()
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    assert slider.is_enabled()
    assert page.locator(".sentence").inner_text().startswith("2.00 m, steep, False, 0,")
    assert page.evaluate("document.activeElement.textContent") == "Show the answer"
    page.keyboard.press("Enter")
    assert told.inner_text() == f"You said “yes”: no. {NASTY}"
    page.locator("main > .guess input").focus()
    page.keyboard.press("End")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert page.locator("main > .guess .said").inner_text() == "You said 10 m: too much. Four."
    page.locator(".exercise input[type=radio]").first.focus()
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    assert page.locator(".exercise .said").last.inner_text() == "✓ Right: a."


@pytest.mark.parametrize("name", ["98_small", REAL])
def test_answers_are_checked_as_in_the_workbook(opened, built, name):
    there = opened(f"{name}/index.html")
    questions = [cell.value.question for cell in built[1][name] if isinstance(cell.value, exercises.Box)]
    forms = there.page.locator(".exercise").all()
    assert len(forms) == len(questions) > 0
    states = set()
    for question, form in zip(questions, forms, strict=True):
        if question.options:
            continue
        right = question.without_kernel()["middle"]
        for text in (*TYPED, f"{right:.6g}", f"{right * 1.7:.6g} {question.unit or ''}"):
            form.locator("input").fill(text)
            form.locator("button").click()
            expected, shown = question.check(text), form.locator(".said").inner_text()
            states.add(expected.state)
            assert shown.startswith(exercises._MARKS[expected.state]), (text, shown, expected)
            if "can't be read" not in expected.message and "has the unit" not in expected.message:
                assert shown == f"{exercises._MARKS[expected.state]}: {expected.message}", text
            else:  # there the text itself stands in the message, in other quotes
                assert ("can't be read" in shown) == ("can't be read" in expected.message), (text, shown, expected)
    assert states == {exercises.NOT_YET, exercises.WRONG, exercises.RIGHT}


@pytest.mark.parametrize("width", [360, 1920])
@pytest.mark.parametrize("name", ["98_small/index.html", f"{REAL}/index.html", "index.html"])
def test_accessible_on_a_phone_and_on_a_projector(opened, name, width):
    there = opened(name, width=width, height=800)
    there.skip_guesses()
    there.page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
    there.page.wait_for_timeout(200)
    assert there.page.evaluate("document.documentElement.scrollWidth") <= width
    found = Axe().run(there.page, options={"preload": False}).response  # it would read the style file once more
    assert len(found["passes"]) > 10
    serious = [each for each in found["violations"] if each["impact"] in ("serious", "critical")]
    told = [(each["id"], [node["html"][:150] for node in each["nodes"][:3]]) for each in serious]
    assert told == []


def test_pictures_are_fetched_when_they_are_wanted(opened, built):
    there = opened(f"{REAL}/index.html", height=500)
    asked = []
    there.page.on("request", lambda request: asked.append(request.url.rpartition("/")[2]))
    there.page.reload()
    there.page.wait_for_timeout(300)

    def strips():
        return [name for name in asked if name.count("_") > 1 and not name.endswith("_in_part.webp")]

    assert not strips()  # before something is moved
    there.skip_guesses()
    there.page.locator("[data-control]").first.press("ArrowRight")
    there.page.locator(".frame .strip").first.wait_for()
    assert 1 <= len(strips()) <= 3


def test_readable_without_script_and_on_paper(opened, built):
    there = opened(f"{REAL}/index.html", java_script_enabled=False)
    assert there.page.locator(".controls").first.is_hidden()
    assert there.page.locator(".frame img").first.is_visible()
    assert there.page.get_by_text("The answer").first.is_visible()
    printed = there.page.pdf(format="A4")
    assert printed.startswith(b"%PDF") and 20_000 < len(printed) < 5_000_000
