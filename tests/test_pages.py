"""Pages without Python: the pictures are the panels' own, nothing is fetched from elsewhere, nothing is half made."""

import html
import io
import json
import os
import re
import sys
from html.parser import HTMLParser
from pathlib import Path

import ipywidgets as widgets
import nbformat
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from helpers import __main__ as command_line
from helpers.classroom import exercises, sliders, stills
from helpers.command import pages_folder as folder
from helpers.command.pages import make, pieces, run, strips, words

ROOT = Path(__file__).resolve().parent.parent
NASTY = '<img src=x onerror="alert(1)"></script><script>alert(2)</script>'
SMALL_TEXT = r"""# Small

**The question:** *how small?*

See `98_small` and [a source](https://example.org/).

$$\frac{a}{b} \sqrt N$$

<details><summary><b>More:</b> it</summary>

The $r_0$.

</details>
"""
SMALL_CODE = f"""
import astropy.units as u
from helpers.classroom import cards, exercises, figures, guesses, panels
NASTY = {NASTY!r}
figures.say('Working with **{{rig}}**', rig=NASTY)
---
figure, axes = figures.new_figure(width=4, height=3)
(line,) = axes.plot([0, 1], [0, 1])
def update(height, shape, above, frame):
    if height > 4.5 * u.m:
        raise ValueError("too high")
    line.set_data([0, 1], [0, height.value / 5 * (0.5 if shape == "flat" else 1)])
    line.set_color("red" if above else "blue")
    line.set_linewidth(1 + frame)
    return f"{{height.value:.2f}} m, {{shape}}, {{above}}, {{frame}}, {{NASTY}}"
panels.panel(
    [
        panels.slider("height", "Height", 0.0, 5.0, 2 * u.m, unit=u.m),
        panels.choice("shape", NASTY, ["steep", "flat"]),
        panels.switch("above", "Above"),
        panels.player("frame", "Picture", 12),
    ],
    panels.Drawing(figure, [line], update, NASTY),
    guesses.choices("98.a", NASTY, ["yes", NASTY], NASTY, NASTY),
)
---
guesses.ask(guesses.number("98.n", "How many?", 0, 10, 4, "Four.", "m"))
---
exercises.box(exercises.Question(
    "98.1", NASTY, 2.0, u.m, percent=5, mistakes=((4.0, NASTY),), hint=NASTY, solution=NASTY))
---
exercises.box(exercises.Question(
    "98.2", "Which?", "a", options=("a", NASTY), mistakes=((NASTY, "no"),), hint="h", solution="s"))
---
figures.show(figure, NASTY, NASTY)
---
from helpers.classroom import forms
forms.progress_bar("A bar")(1)
figures.say("Beside **the bar**.")
---
cards.card(NASTY, "m", "d")
"""


def write_small(path, text=SMALL_TEXT):
    """A workbook with one of each piece, and names that would like to be scripts."""
    made = nbformat.v4.new_notebook()
    made["cells"] = [nbformat.v4.new_markdown_cell(text)]
    made["cells"] += [nbformat.v4.new_code_cell(source.strip()) for source in SMALL_CODE.split("---\n")]
    nbformat.write(made, path)
    return path


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """The small workbook and its page."""
    home = tmp_path_factory.mktemp("small")
    path = write_small(home / "98_small.ipynb")
    target = home / "pages"
    folder.claim(target)
    before = Path.cwd()
    os.chdir(home)
    try:
        make.make_room(path, target, ["98_small"], [12])
        yield path, target
    finally:
        os.chdir(before)


@pytest.fixture(scope="module")
def real(tmp_path_factory):
    """The panels of a workbook of ours, and its page made by itself."""
    target = tmp_path_factory.mktemp("real") / "pages"
    folder.claim(target)
    path = ROOT / "workbooks" / "05_multi_star.ipynb"
    before = Path.cwd()
    os.chdir(path.parent)
    try:
        cells = list(run.cells(path))
        make.write_room(path, cells, target / path.stem, [path.stem], [12])
        yield [cell.value for cell in cells if isinstance(cell.value, sliders.Panel)], target / path.stem
    finally:
        os.chdir(before)


def data_of(page, kind):
    """What the script of the page gets for each piece of a kind, in order."""
    found = [json.loads(text) for text in re.findall(r'<script type="application/json">(.*?)</script>', page)]
    key = {"panel": "rows", "guess": "heads", "exercise": ("right", "replies")}[kind]
    keys = key if isinstance(key, tuple) else (key,)
    return [values for values in found if any(key in values for key in keys)]


class Elements(HTMLParser):
    """Every element of a page with its attributes, and the text that is shown."""

    def __init__(self, page):
        super().__init__()
        self.found, self.shown, self._inside = [], [], []
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        self.found.append((tag, dict(attributes)))
        self._inside = [tag]

    def handle_endtag(self, tag):
        self._inside = []

    def handle_data(self, text):
        if self._inside != ["script"]:
            self.shown.append(text)


# Pictures


def shown_by(panel, kept, row_key, place):
    """The panel's own picture and sentence with its controls where a row of the page has them."""
    *fixed, moving = map(int, row_key.split("-"))
    at = dict(zip(kept.keeping, fixed, strict=True)) | {moving: place}
    if panel.asked is not None:
        panel.asked.skip()  # what it hides is seen then
    panel.reset()
    panel.set(**{kept.controls[number].name: kept.values[number][each] for number, each in at.items()})
    return strips.pixels_of(panel.png), panel.sentence, panel.failed


def in_the_strip(home, values, row_key, place, width):
    row, most = values["rows"][row_key], values["a_strip"]
    strip = np.asarray(Image.open(home / row["files"][place // most]).convert("RGB"))
    left = place % most * width
    return strip[:, left : left + width], row["sentences"][place]


def check_states(panels, home, pictures, count, seed):
    rng = np.random.default_rng(seed)
    kept_in_page = data_of((home / "index.html").read_text(encoding="utf-8"), "panel")
    assert len(kept_in_page) == len(panels) > 0
    compared, differ = 0, set()
    for panel, values in zip(panels, kept_in_page, strict=True):
        kept = stills.stills(panel, pictures)
        states = [(key, place) for key, row in values["rows"].items() for place in range(len(row["sentences"]))]
        for number in rng.choice(len(states), min(count, len(states)), replace=False):
            key, place = states[number]
            expected, sentence, failed = shown_by(panel, kept, key, place)
            found, told = in_the_strip(home, values, key, place, expected.shape[1])
            assert told == sentence
            if not failed:  # else the picture before stays, which depends on the way there
                np.testing.assert_array_equal(found, expected)
                compared += 1
                differ.add(found.tobytes())
    return compared, len(differ)


@pytest.mark.long
def test_pictures_are_those_of_the_panel_byte_for_byte(real):
    panels, home = real
    compared, differ = check_states(panels, home, 12, 5, seed=1)
    assert compared >= 0.9 * 5 * len(panels)  # all but what can't be shown
    assert differ > compared / 2  # they move


@pytest.mark.long
def test_all_states_of_a_small_panel_choices_included(small):
    path, target = small
    (panel,) = [cell.value for cell in run.cells(path) if isinstance(cell.value, sliders.Panel)]
    _, differ = check_states([panel], target / "98_small", 12, 1000, seed=2)
    assert differ > 30
    values = data_of((target / "98_small" / "index.html").read_text(encoding="utf-8"), "panel")[0]
    assert len(values["rows"]) == 2 * 2 * 2  # two choices, on or off, two that move
    failed = [told for row in values["rows"].values() for told in row["sentences"] if told.startswith("This can't")]
    assert failed and all("too high" in told for told in failed)
    assert values["controls"][3]["interval"] == 100


def test_a_panel_of_choices_only_has_all_its_states():
    panel = sliders.panel([sliders.choice("a", "A", ["x", "y"]), sliders.switch("b", "B")], *moving_line("a", "b"))
    kept = stills.stills(panel, 20)
    assert (kept.keeping, kept.moving, kept.kinds()) == ([0], [1], ["list", "switch"])
    assert len([row for row in kept.rows() for _ in row.sentences]) == 4


def moving_line(*names):
    from helpers.classroom import figures

    figure, axes = figures.new_figure(width=2, height=2)
    (line,) = axes.plot([0, 1], [0, 1])
    return figure, [line], lambda **values: f"{[values[name] for name in names]}", "A line."


@settings(max_examples=60, deadline=None)
@given(st.floats(0.1, 5), st.floats(0.2, 50), st.floats(0, 1), st.booleans(), st.integers(9, 40))
def test_places_hold_the_start_and_both_ends(low, span, share, logarithmic, most):
    high = low + span
    start = min(high, low + share * span)
    control = sliders.slider("a", "A", low, high, start, logarithmic=logarithmic)
    widget = control.make()[0]
    values = stills.places(control, widget, most)
    assert start in values and values == sorted(values)
    assert len(values) <= most + 2
    ends = (widget.base**widget.min, widget.base**widget.max) if logarithmic else (widget.min, widget.max)
    step = (widget.base**widget.step - 1) * high if logarithmic else widget.step
    assert values[0] == pytest.approx(ends[0], abs=0.11 * step)
    assert values[-1] == pytest.approx(ends[1], abs=0.11 * step)


def test_values_are_written_as_beside_the_live_slider():
    number = sliders.slider("a", "A", 0.0, 10.0, 2.5, 0.5, "mm")
    assert stills.said(number, number.make()[0], 3.0) == "3.0 mm"
    wide = sliders.slider("a", "A", 0.1, 1000.0, 1.0, unit="s", logarithmic=True)
    assert stills.said(wide, wide.make()[0], 12.589254) == "12.6 s"
    whole = sliders.slider("a", "Stars", 1, 9, 3)
    assert stills.said(whole, whole.make()[0], 4) == "4"
    assert isinstance(whole.make()[0], widgets.IntSlider)


def test_strips_lose_nothing_and_are_smaller_than_single_pictures():
    rng = np.random.default_rng(5)
    pictures = [np.full((40, 900, 3), 255, dtype=np.uint8) for _ in range(11)]
    scenery = rng.integers(0, 255, (40, 900, 3), dtype=np.uint8)
    for number, picture in enumerate(pictures):
        picture[:] = scenery
        picture[10:20, 80 * number : 80 * number + 10] = 0
    made = strips.strips(pictures)
    assert [Image.open(io.BytesIO(strip)).size[0] for strip in made] == [9 * 900, 2 * 900]
    back = np.hstack([np.asarray(Image.open(io.BytesIO(strip))) for strip in made])
    np.testing.assert_array_equal(back, np.hstack(pictures))
    assert sum(map(len, made)) < 0.4 * sum(len(strips.webp(picture)) for picture in pictures)


# Nothing from elsewhere, nothing that obeys


def loaded_by(page):
    """Addresses that a browser loads by itself when it shows a page."""
    for tag, attributes in Elements(page).found:
        for name in ("src", "srcset", "poster", "data", "background", "action", "formaction", "style"):
            if attributes.get(name):
                yield attributes[name]
        if tag == "link":
            yield attributes["href"]


@pytest.fixture(params=["small", pytest.param("real", marks=pytest.mark.long)])
def room(request):
    made = request.getfixturevalue(request.param)
    return made[1] / "98_small" if request.param == "small" else made[1]


@pytest.mark.long
def test_nothing_is_loaded_from_the_network(room):
    page = (room / "index.html").read_text(encoding="utf-8")
    loaded = list(loaded_by(page))
    assert len(loaded) > 5
    for address in loaded:
        assert not re.search(r"//|url\(|https?:", address), address
    for tag, attributes in Elements(page).found:
        if tag == "img":
            assert (room / attributes["src"]).is_file() and attributes["loading"] == "lazy"
            assert attributes["alt"].strip()
    for values in data_of(page, "panel"):
        for row in values["rows"].values():
            assert all((room / name).is_file() for name in row["files"])
    for name in ("pages.css", "pages.js"):
        text = (make._LOOK / name).read_text(encoding="utf-8")
        assert not re.search(r"https?:|url\(|@import|fetch\(|XMLHttp|WebSocket|EventSource|sendBeacon|import\(", text)


def test_no_path_of_this_machine_is_told(room):
    page = (room / "index.html").read_text(encoding="utf-8") + (room / make._STAMP).read_text(encoding="utf-8")
    for place in (ROOT, Path.home(), sys.prefix):
        assert str(place) not in page


def test_texts_of_others_are_shown_and_not_obeyed(small):
    page = (small[1] / "98_small" / "index.html").read_text(encoding="utf-8")
    elements = Elements(page)
    scripts = [attributes for tag, attributes in elements.found if tag == "script"]
    assert scripts[0] == {"defer": None, "src": "../pages.js"}
    assert all(attributes == {"type": "application/json"} for attributes in scripts[1:])
    for tag, attributes in elements.found:
        assert not any(name.startswith("on") for name in attributes), (tag, attributes)
        assert attributes.get("src") != "x"
    assert "alert(2)" in "".join(elements.shown)
    assert data_of(page, "guess")[0]["answer"] == NASTY
    assert data_of(page, "exercise")[0]["mistakes"][0][2] == NASTY


@settings(max_examples=50, deadline=None)
@given(st.text())
def test_data_cannot_leave_its_element(text):
    made = pieces.data({"a": text})
    inside = made.removeprefix('<script type="application/json">').removesuffix("</script>")
    assert not re.search(r"[<>&\u2028\u2029]", inside)
    assert json.loads(inside) == {"a": text}


def test_what_lives_with_a_kernel_only_leaves_nothing_behind(small):
    page = (small[1] / "98_small" / "index.html").read_text(encoding="utf-8")
    assert "A bar" not in page and "<pre>" not in page
    assert "Beside <strong>the bar</strong>." in page  # what the same cell gives in the end


def test_words_links_and_formulas():
    page = words.markdown_to_html(SMALL_TEXT, ["98_small"])
    assert '<a href="../98_small/index.html"><code>98_small</code></a>' in page
    assert page.count("<math") == 2 and "<mfrac>" in page and "$" not in page
    assert "<details><summary><b>More:</b> it</summary>" in page
    assert words.links_to_pages('<a href="04_seeing.ipynb">') == '<a href="../04_seeing/index.html">'


@pytest.mark.parametrize("path", sorted((ROOT / "workbooks").glob("*.ipynb")), ids=lambda path: path.stem)
def test_every_formula_of_the_workbooks_is_typeset(path):
    text = "\n\n".join(cell["source"] for cell in nbformat.read(path, 4)["cells"] if cell["cell_type"] == "markdown")
    page = words.markdown_to_html(text)
    shown = html.unescape(re.sub(r"<[^>]*>", "", page))
    assert "$" not in shown and "\\" not in shown
    assert page.count("<math") == len(re.findall(r"\$\$.+?\$\$|\$[^$\n]+?\$", text, re.DOTALL))


# Answers


def questions_of(small):
    return [cell.value.question for cell in run.cells(small[0]) if isinstance(cell.value, exercises.Box)]


def test_exercises_carry_what_checks_them(small):
    number, chosen = data_of((small[1] / "98_small" / "index.html").read_text(encoding="utf-8"), "exercise")
    assert number["right"] == pytest.approx([1.9, 2.1]) and number["mistakes"][0][:2] == pytest.approx([3.8, 4.2])
    assert number["units"]["cm"] == pytest.approx(0.01) and number["units"]["arcsec"] is None
    assert number["words"]["px"] is None and number["words"]["micron"] == pytest.approx(1e-6)
    assert [state for state, _ in chosen["replies"]] == ["✓ Right", "✗ Not right yet"]
    assert questions_of(small)[0].check("200 cm").state == exercises.RIGHT


def test_guesses_carry_the_line_of_every_answer(small):
    in_panel, alone = data_of((small[1] / "98_small" / "index.html").read_text(encoding="utf-8"), "guess")
    assert in_panel["heads"] == ["You said “yes”: no. ", f"You said “{NASTY}”: yes. "]
    assert (in_panel["alone"], alone["alone"]) == (False, True)
    assert len(alone["heads"]) == 101
    assert alone["heads"][40] == "You said 4 m: close. " and alone["heads"][90] == "You said 9 m: too much. "


# Never half made


def files_of(target):
    return {path: (path.stat().st_mtime_ns, path.stat().st_ino) for path in sorted(target.rglob("*")) if path.is_file()}


def test_what_has_not_changed_is_not_made_again(small):
    path, target = small
    before = files_of(target)
    assert make.make_room(path, target, ["98_small"], [12]) == "as it was"
    assert files_of(target) == before


@pytest.mark.parametrize("error", [KeyboardInterrupt, pytest.param(OSError, marks=pytest.mark.slow)])
@pytest.mark.long
def test_an_interrupted_run_leaves_the_old_page_whole(tmp_path, monkeypatch, error):
    monkeypatch.chdir(tmp_path)
    target = tmp_path / "pages"
    folder.claim(target)
    path = write_small(tmp_path / "98_small.ipynb", "# First\n")
    make.make_room(path, target, ["98_small"], [10])
    before = files_of(target / "98_small")
    write_small(path, "# Second\n")
    calls = []

    def fails(pictures):
        calls.append(pictures)
        if len(calls) == 3:
            raise error("stopped")
        return [b"half"]

    monkeypatch.setattr(strips, "strips", fails)
    with pytest.raises(error):
        make.make_room(path, target, ["98_small"], [10])
    monkeypatch.undo()
    monkeypatch.chdir(tmp_path)
    assert files_of(target / "98_small") == before
    assert (target / ".98_small.partial").is_dir()
    assert " s, " in make.make_room(path, target, ["98_small"], [10])
    assert make.made_of(target / "98_small")["title"] == "Second"
    assert [each.name for each in target.iterdir() if each.is_dir()] == ["98_small"]


@pytest.mark.long
def test_a_cell_that_fails_is_named_and_the_others_are_made(tmp_path, monkeypatch, capsys):
    write_small(tmp_path / "98_small.ipynb", "# Good\n")
    bad = nbformat.v4.new_notebook()
    bad["cells"] = [nbformat.v4.new_markdown_cell("# Bad"), nbformat.v4.new_code_cell("1 / 0")]
    nbformat.write(bad, tmp_path / "97_bad.ipynb")
    monkeypatch.setattr(make, "_WORKERS", 1)
    monkeypatch.setattr(make, "PICTURES", (10,))
    target = tmp_path / "pages"
    assert make.make([tmp_path / "97_bad.ipynb", tmp_path / "98_small.ipynb"], target) is False
    told = capsys.readouterr().out
    assert "97_bad: not made. 97_bad, cell 2: ZeroDivisionError" in told and "98_small: " in told
    front = (target / "index.html").read_text(encoding="utf-8")
    assert "98_small/index.html" in front and "97_bad" not in front


@pytest.mark.long
def test_a_page_that_is_too_large_is_made_with_fewer_pictures(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = write_small(tmp_path / "98_small.ipynb", "# Small\n")
    folder.claim(target := tmp_path / "pages")
    monkeypatch.setattr(make, "ROOM_MB", 0.001)
    make.make_room(path, target, ["98_small"], [60, 10])
    assert make.made_of(target / "98_small")["pictures"] == 10


def test_folders_of_others_are_left_alone(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("dear")
    (tmp_path / "file").write_text("x")
    for place, told in (("mine", "holds other files"), ("file", "is a file"), ("no/where", "no such folder")):
        with pytest.raises(folder.FolderError, match=told):
            folder.check(tmp_path / place)
        assert command_line.main(["pages", str(tmp_path / place)]) == 1
    folder.claim(tmp_path / "new")
    folder.check(tmp_path / "new")


# Sizes


@pytest.mark.long
def test_a_workbook_of_ours_is_within_its_size(real):
    size = sum(file.stat().st_size for file in real[1].iterdir())
    assert 0.1e6 < size < make.ROOM_MB * 1e6
    assert make.made_of(real[1])["pictures"] == 12
    assert 12 * make.ROOM_MB < 80 and make.ROOM_MB < 8


@pytest.mark.slow
def test_all_workbooks_are_made_within_their_sizes(tmp_path):
    target = tmp_path / "pages"
    paths = sorted((ROOT / "workbooks").glob("[0-9][0-9]_*.ipynb"))
    assert make.make(paths, target)
    sizes = {room.name: make.made_of(room)["size"] / 1e6 for room in target.iterdir() if room.is_dir()}
    print(sizes)
    assert set(sizes) == {path.stem for path in paths}
    assert max(sizes.values()) < 8 and sum(file.stat().st_size for file in target.rglob("*")) < 80e6
    assert all(make.made_of(target / name)["pictures"] == make.PICTURES[0] for name in sizes)
    names = set(sizes)
    for name in names:
        page = (target / name / "index.html").read_text(encoding="utf-8")
        links = {attributes["href"] for tag, attributes in Elements(page).found if tag == "a"}
        inside = {address for address in links if not re.match("https?:|#", address)}
        assert all((target / name / address).resolve().is_file() for address in inside), inside
        assert not any(re.search(r"//", address) for address in loaded_by(page))
