"""Furniture: figures, panels, exercises, forms."""

import datetime
import html
import io
import threading
import time

import astropy.units as u
import mistune
import numpy as np
import pytest
from PIL import Image

from helpers.classroom import cards, exercises, figures, forms, guesses, ledger_strip, memory, panels, reading, sliders
from helpers.classroom.ahead import one_step

HOSTILE = "<img src=x onerror=alert(1)> a|b `c` **d** [e](javascript:f) $g$ http://h.example\n# i"


@pytest.fixture(autouse=True)
def new_session():
    memory.forget()


@pytest.fixture
def shown(monkeypatch):
    """What is displayed, as (data, metadata)."""
    found = []
    monkeypatch.setattr(
        "IPython.display.display", lambda data, metadata=None, raw=False: found.append((data, metadata))
    )
    return found


def wave_panel(update=None, **keywords):
    figure, axes = figures.new_figure()
    x = np.linspace(0, 10, 200)
    (line,) = axes.plot(x, np.sin(x), **figures.line_look(0))
    axes.set_ylim(-4, 4)
    figures.label(axes, "time [s]", "motion [arcsec]")

    def default(size, camera):
        line.set_ydata(size * np.sin(x))
        if size > 3:
            raise ValueError("size: expected at most 3, found 4")
        return f"The wave is {size:.1f} arcsec high with camera {camera}."

    controls = [
        sliders.slider("size", "Size", 0.5, 4.0, 1.0, 0.5, unit="arcsec"),
        sliders.choice("camera", "Camera", ["A", "B"]),
    ]
    return sliders.panel(controls, figure, [line], update or default, alt="A wave", **keywords), line


def pixels(png):
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))


def test_panel_answers_and_resets():
    panel, _ = wave_panel()
    start = panel.png
    panel.set(size=2.0)
    assert panel.sentence == "The wave is 2.0 arcsec high with camera A."
    assert not np.array_equal(pixels(panel.png), pixels(start))
    assert pixels(panel.png).shape == pixels(start).shape
    panel.reset()
    assert panel.values == {"size": 1.0, "camera": "A"}
    assert np.array_equal(pixels(panel.png), pixels(start))


def test_quick_drawing_gives_the_same_picture_as_a_whole_drawing():
    panel, line = wave_panel()
    panel.set(size=2.5)
    quick = pixels(panel.png)
    line.set_animated(False)
    whole = pixels(figures.png_of(panel._figure))
    # the moving line lies over the frame in one and under it in the other: nothing else may differ
    assert np.mean(np.any(quick != whole, axis=-1)) < 0.001


@pytest.mark.parametrize("compression", [1, 6])
@pytest.mark.parametrize("shape", [(1, 1), (7, 3), (300, 421)])
def test_a_picture_is_read_by_others_as_it_was_drawn(shape, compression):
    rgba = np.random.default_rng(1).integers(0, 256, (*shape, 4), dtype=np.uint8)
    png = figures.encode_png(rgba, compression)
    with Image.open(io.BytesIO(png)) as picture:  # Pillow checks the sums of all parts
        picture.verify()
    with Image.open(io.BytesIO(png)) as picture:
        assert (picture.format, picture.mode) == ("PNG", "RGB")
        assert np.array_equal(np.asarray(picture), rgba[..., :3])


def test_a_picture_made_quickly_is_about_as_small_as_other_quick_ones():
    panel, _ = wave_panel()
    file = io.BytesIO()
    Image.fromarray(pixels(panel.png)).save(file, "png", compress_level=1)
    assert len(panel.png) < 1.5 * len(file.getvalue())


def test_a_change_of_what_stands_still_is_drawn():
    figure, axes = figures.new_figure()
    (line,) = axes.plot([0, 1], [0, 1])
    figures.label(axes, "x [-]", "y [-]")

    def update(top):
        axes.set_ylim(0, top)
        return f"up to {top}"

    panel = sliders.panel([sliders.slider("top", "Top", 1, 9, 1)], figure, [line], update, alt="A line")
    before = pixels(panel.png)
    panel.set(top=5)
    left = slice(0, 60)  # the tick labels
    assert not np.array_equal(before[:, left], pixels(panel.png)[:, left])


def test_an_error_is_said_in_the_panel_and_the_picture_stays():
    panel, _ = wave_panel()
    panel.set(size=2.0)
    picture = panel.png
    panel.set(size=4.0)
    assert panel.failed
    assert "expected at most 3, found 4" in panel.sentence
    assert panel.png == picture
    panel.set(size=1.5)
    assert not panel.failed


def test_rounding_by_the_browser_is_not_taken_for_a_move():
    panel, _ = wave_panel()
    panel._inputs["size"].value = 1 - 1e-16
    assert panel.values["size"] == 1.0
    panel._inputs["size"].value = 1.5
    assert panel.values["size"] == 1.5


def test_a_move_of_the_slider_itself_updates_the_panel():
    panel, _ = wave_panel()
    panel._inputs["size"].value = 2.5
    assert "2.5 arcsec" in panel.sentence
    assert 'aria-live="polite"' in panel._readout.value
    panel._reset.click()
    assert "1.0 arcsec" in panel.sentence


def sent_ahead(panel, monkeypatch):
    """What the panel sends to its part in the browser from here on."""
    sent = []
    monkeypatch.setattr(panel._ahead, "send", lambda content, buffers=(): sent.append((content, list(buffers))))
    return sent


def test_a_picture_is_drawn_ahead_when_the_browser_asks(monkeypatch):
    panel, _ = wave_panel()
    sent, before = sent_ahead(panel, monkeypatch), (panel.png, panel.sentence, panel.values)
    panel._ahead._asked(None, {"control": 0, "direction": 1}, [])
    panel._ahead._asked(None, {"control": 1, "direction": 1}, [])
    assert (panel.png, panel.sentence, panel.values) == before, "the panel itself stays as it is"
    (larger, picture), (other, _) = sent
    assert (larger["kind"], larger["at"], other["at"]) == ("picture", [1.5, 0], [1.0, 1])
    assert "The wave is 1.5 arcsec high with camera A." in larger["html"]
    assert "The wave is 1.0 arcsec high with camera B." in other["html"]
    panel.set(size=1.5)
    assert sent[2:] == [({"kind": "answer", "at": [1.5, 0]}, [])]
    assert picture == [panel._image.value]


def test_panels_answer_from_several_threads_at_once():
    # JupyterLab sends the messages of some widgets to one thread of the kernel and of others to another
    panel, _ = wave_panel()
    update = panel._update

    def slow(**values):
        sentence = update(**values)
        time.sleep(0.001)  # lets the other thread in
        return sentence

    panel._update = slow
    start, wrong = panel.png, []

    def ask():
        for _ in range(60):
            _, picture, _ = panel._draw_ahead(0, 1)
            wrong.append(picture == panel._image.value)

    asking = threading.Thread(target=ask)
    asking.start()
    while asking.is_alive():
        panel.set(size=2.0)
        panel.set(size=1.0)
        wrong.append(panel.png != start)
    assert len(wrong) > 60
    assert not any(wrong)


def test_nothing_is_drawn_ahead_beyond_the_end_or_where_it_fails(monkeypatch):
    panel, _ = wave_panel()
    panel.set(size=3.0)
    sent = sent_ahead(panel, monkeypatch)
    panel._ahead._asked(None, {"control": 0, "direction": 1}, [])  # 3.5 raises an error
    panel._ahead._asked(None, {"control": 1, "direction": -1}, [])  # the list begins with this camera
    assert sent == [({"kind": "nothing"}, [])] * 2
    assert not panel.failed


@pytest.mark.parametrize(
    ("control", "up", "down"),
    [
        (sliders.slider("n", "N", 1, 9, 9), None, 8),
        (sliders.slider("n", "N", 0.0, 1.0, 0.5, 0.25), 0.75, 0.25),
        (sliders.slider("n", "N", 1.0, 100.0, 10.0, 0.5, logarithmic=True), 10**1.5, 10**0.5),
        (sliders.choice("c", "C", ["x", "y"]), "y", None),
        (sliders.switch("s", "S", True), False, None),
        (sliders.player("p", "P", 5), 1, None),
    ],
)
def test_one_step_is_what_a_key_press_does(control, up, down):
    made = control.make()[0]
    for direction, expected in ((1, up), (-1, down)):
        value = one_step(made, direction)
        assert value == (pytest.approx(expected) if isinstance(expected, float) else expected)
        assert value is None or type(value) is type(made.value)


def test_a_viewer_without_kernel_gets_the_start_picture(monkeypatch):
    shown = []
    monkeypatch.setattr("IPython.display.display", lambda data, **keywords: shown.append((data, keywords)))
    panel, _ = wave_panel(question="What happens?")
    panel.set(size=2.0)
    panel._ipython_display_()
    (data, keywords), (words, _) = shown
    assert data["image/png"]
    assert keywords["metadata"]["image/png"]["alt"] == "A wave"
    assert "application/vnd.jupyter.widget-view+json" in data
    assert "The wave is 1.0 arcsec high" in words["text/html"]


@pytest.mark.parametrize(
    "make",
    [
        lambda: sliders.slider("a", "A", 2, 1, 1),
        lambda: sliders.slider("a", "A", 0.0, 1.0, 0.5, logarithmic=True),
        lambda: sliders.choice("a", "A", ["x"], "y"),
        lambda: sliders.panel([], None, [], None, "alt"),
        lambda: wave_panel()[0].set(nothing=1),
        lambda: figures.show(figures.new_figure()[0], " "),
        lambda: figures.label(figures.new_figure()[1], "time", "y [m]"),
    ],
)
def test_wrong_use_is_refused(make):
    with pytest.raises(ValueError, match="expected"):
        make()


def test_sliders_of_each_kind():
    whole = sliders.slider("n", "Stars", 1, 20, 7).make()[0]
    assert (whole.value, whole.step) == (7, 1)
    log = sliders.slider("t", "Exposure", 0.1, 10.0, 1.0, logarithmic=True, unit="s").make()[0]
    assert log.value == 1.0
    assert log.description == "Exposure [s]"
    assert sliders.switch("s", "Filter", True).make()[0].value is True
    wide = sliders.slider("e", "Error", 0.0, 30.0, 45.0).make()[0]
    assert (wide.max, wide.value) == (45.0, 45.0)
    control, play = sliders.player("frame", "Frame", 20).make()
    assert (control.max, play.max) == (19, 19)


@pytest.mark.parametrize(
    ("minimum", "maximum", "start", "step", "logarithmic"),
    [
        (0.5, 4.5, 2.37, 0.1, False),
        (0.5, 4.5, 0.52, 0.1, False),
        (0.0, 30.0, 9.0, 0.5, False),
        (20.0, 20000.0, 5000.0, None, True),
        (120, 900, 638, 30, False),
    ],
)
def test_the_start_value_lies_on_a_step(minimum, maximum, start, step, logarithmic):
    # else the browser would move it there by itself, and the panel would not start with the reader's own value
    control = sliders.slider("x", "X", minimum, maximum, start, step, logarithmic=logarithmic).make()[0]
    place = np.log10(control.value) if logarithmic else control.value
    steps = (place - control.min) / control.step
    assert steps == pytest.approx(round(steps), abs=1e-6)
    assert control.value == start


def test_every_look_differs_without_colour():
    looks = [figures.look(index) for index in range(7)]
    assert len({str(look["linestyle"]) for look in looks}) == 7
    assert len({look["marker"] for look in looks}) == 7


def test_colours_can_be_told_apart_in_grey():
    weights = np.array([0.2126, 0.7152, 0.0722])  # luminance, ITU-R BT.709
    grey = sorted(np.dot([int(c[i : i + 2], 16) / 255 for i in (1, 3, 5)], weights) for c in figures.COLOURS[:3])
    assert min(np.diff(grey)) > 0.01


def test_pixels_are_drawn_on_their_grid():
    _, axes = figures.new_figure()
    picture = figures.show_pixels(axes, np.zeros((4, 6)), scale=0.5, unit="arcsec")
    assert picture.get_extent() == [-0.25, 2.75, -0.25, 1.75]


CHECK = {
    "right": 0.598 * u.arcsec,
    "unit": u.arcsec,
    "percent": 2,
    "reconsider": [(1.196, "binning?")],
    "hint": "divide",
}


@pytest.mark.parametrize(
    ("answer", "state"),
    [
        (None, "not yet"),
        (..., "not yet"),
        (0.6, "right"),
        ("0.6 arcsec", "right"),
        (600 * u.mas, "right"),
        (np.float32(0.6), "right"),
        (1.2, "wrong"),
        (-3, "wrong"),
        ("six", "wrong"),
        (0.6 * u.m, "wrong"),
        (np.nan, "wrong"),
        (True, "wrong"),
        ([1, 2], "wrong"),
    ],
)
def test_three_states(answer, state):
    outcome = exercises.check_number(answer, **CHECK)
    assert outcome.state == state
    assert outcome.message
    assert "Traceback" not in outcome.message


def test_a_wrong_answer_says_what_to_reconsider():
    assert exercises.check_number(1.19, **CHECK).message == "binning?"
    assert "too large" in exercises.check_number(9, **CHECK).message
    assert "unit 'm'" in exercises.check_number(1 * u.m, **CHECK).message


def test_tolerances():
    assert exercises.check_number(0.0, 0.0, absolute=0.1).state == "right"
    assert exercises.check_number(0.2, 0.0, absolute=0.1).state == "wrong"
    with pytest.raises(ValueError, match="tolerance"):
        exercises.check_number(1, 1)


def test_choices():
    options = {"a": "the air", "b": "the mount"}
    assert exercises.check_choice(None, "a", options).state == "not yet"
    assert exercises.check_choice(" A ", "a", options).state == "right"
    outcome = exercises.check_choice("b", "a", options, {"b": "the mount was off"})
    assert (outcome.state, outcome.message) == ("wrong", "the mount was off")
    assert exercises.check_choice("z", "a", options).state == "wrong"
    with pytest.raises(ValueError, match="options"):
        exercises.check_choice("a", "q", options)


def test_hint_and_solution_are_folded():
    page = exercises.check_number(None, **CHECK, solution="0.598")._repr_mimebundle_()["text/html"]
    assert page.count("<details>") == 2


FIELDS = [
    {"key": "name", "section": "rig", "label": "name", "unit": "", "value": "x", "choices": None},
    {"key": "camera.pixel", "section": "camera", "label": "pixel", "unit": "um", "value": 3.0, "choices": None},
    {
        "key": "camera.mosaic",
        "section": "camera",
        "label": "mosaic",
        "unit": "",
        "value": True,
        "choices": (True, False),
    },
    {"key": "camera.rows", "section": "camera", "label": "rows", "unit": "", "value": 10, "choices": None},
]


def test_form_hands_over_its_answers():
    got = []
    form = forms.form(FIELDS, lambda answers: got.append(answers) or "saved")
    form.set(camera__pixel=3.8)
    form.save()
    assert form.message == "saved"
    assert got == [{"name": "x", "camera.pixel": 3.8, "camera.mosaic": True, "camera.rows": 10}]
    form.fill(FIELDS)
    assert form.answers["camera.pixel"] == 3.0


def test_form_knows_what_the_reader_touched():
    fields = [field | {"own": False} for field in FIELDS]
    form = forms.form(fields, lambda answers: "saved")
    form.suggest({"camera.pixel": 4.4})
    assert form.touched == frozenset() and form.answers["camera.pixel"] == 4.4
    assert form._inputs["camera.pixel"].description.endswith("(demo)")
    form._inputs["camera.pixel"].value = 4.5
    assert form.touched == {"camera.pixel"}
    assert form._inputs["camera.pixel"].description.endswith("(yours)")


def test_form_says_what_is_wrong():
    def refuse(answers):
        raise ValueError("pixel: expected above 0 um, found -1 um\nrows: <b>")

    form = forms.form(FIELDS, refuse)
    form.save()
    assert form.message.startswith("Not done. pixel: expected above 0 um")
    assert "&lt;b&gt;" in form._said.value


def test_a_progress_bar_moves(monkeypatch):
    shown = []
    monkeypatch.setattr(forms, "_show", lambda widget, text: shown.append((widget, text)))
    move = forms.progress_bar("Drawing nights")
    ((bar, text),) = shown
    assert (bar.value, text) == (0.0, "Drawing nights: a bar shows how far it is.")
    move(np.float64(0.25))
    assert (bar.value, bar.description) == (0.25, "Drawing nights")


# Text


def test_text_of_others_is_shown_and_not_obeyed():
    render = mistune.create_markdown(escape=False, plugins=["table", "url", "strikethrough"])  # obeys HTML
    plain = render(figures.say("# Rig\n\n{name}", name=HOSTILE).data)
    table = render(figures.table(["name", "b"], [[HOSTILE, 1], [figures.marked("**{n:.1f}**", n=2), "x"]]))
    for page in (plain, table, render(figures.say(f"From {HOSTILE}").data)):
        assert "<img" not in page
    for page in (plain, table):
        assert not any(tag in page for tag in ("<code>", "<a ", "<h1>i", "<strong>d"))
        assert "&lt;img src=x onerror=alert(1)&gt; a|b `c` **d** [e](javascript:f) $g$ http://h.example # i" in page
    assert table.count("<td>") == 4
    assert "<strong>2.0</strong>" in table


def test_numbers_stay_as_they_are_formatted():
    said = figures.say("**{a:.2f}** and {b:.1f}, {c:+.1f}, {d}", a=1.234, b=2 * u.arcsec, c=-3.0, d=-4).data
    assert said == "**1.23** and 2.0 arcsec, -3.0, -4"


def test_tables_have_rows_of_one_length():
    with pytest.raises(ValueError, match="row 2"):
        figures.table(["a", "b"], [[1, 2], [1]])


def test_more_is_folded_and_holds_markdown():
    block = figures.more("why <b>", "It is $x^2$, {value:.1f}.", value=1.25).data
    assert block.startswith("<details><summary><b>More:</b> why &lt;b&gt;</summary>\n\nIt is $x^2$")
    assert block.endswith("\n\n</details>")


def test_all_furniture_escapes(shown):
    guess = guesses.choices("x.1", HOSTILE, [HOSTILE, "b"], "b", HOSTILE)
    question = exercises.Question(
        "x.2", HOSTILE, 1.0, percent=1, mistakes=((2, HOSTILE),), hint=HOSTILE, solution=HOSTILE
    )
    field = {"key": "k", "section": "s", "label": HOSTILE, "unit": "", "value": HOSTILE, "choices": None}
    asked, box = guesses.ask(guess), exercises.box(question)
    asked.commit(HOSTILE)
    box.check(HOSTILE)
    box.check("2")
    form = forms.form([field | {"typical": HOSTILE}], lambda answers: HOSTILE)
    form.save()
    pieces = [asked, box, form, cards.card(HOSTILE, HOSTILE, HOSTILE), ledger_strip.show([(HOSTILE,) * 2])]
    for piece in pieces:
        piece._ipython_display_()
    pages = [data["text/html"] for data, _ in shown]
    assert len(pages) == len(pieces)
    for page in [*pages, asked._told.value, box._said.value, form._said.value]:
        assert "<img" not in page
        assert "&lt;img" in page


# Guesses


def wave_with_guess():
    options = {"a half": 0.5, "a third less": 0.67, "nothing": 1}
    guess = guesses.choices("00.wave", "What is left?", options, 0.7, "It is a third less, because of the wind.")
    return wave_panel(guess=guess)[0]


def test_a_guess_opens_its_panel_and_is_answered():
    panel = wave_with_guess()
    assert all(control.disabled for control in panel._inputs.values())
    panel.asked.commit()
    assert "Choose one first" in panel.asked._told.value
    assert panel.sentence not in panel._readout.value and guesses.WAITING in panel._readout.value
    panel.asked.commit("a half")
    assert not any(control.disabled for control in panel._inputs.values())
    assert panel.sentence in panel._readout.value
    assert "third less" not in panel.asked._told.value
    panel.asked._open.click()
    assert panel.asked.line == "You said “a half”: no. It is a third less, because of the wind."
    assert "third less" in panel.asked._told.value


def test_a_guess_can_be_skipped_and_is_kept_for_the_session():
    panel = wave_with_guess()
    panel.asked.skip()
    assert not panel._reset.disabled
    panel.asked.reveal()
    assert panel.asked.line == "It is a third less, because of the wind."
    panel = wave_with_guess()
    assert not panel._reset.disabled
    assert panel.asked.said is None


def test_a_guess_with_a_number():
    guess = guesses.number("00.n", "How far?", 0 * u.arcsec, 2 * u.arcsec, 0.5 * u.arcsec, "It is 0.5.", "arcsec")
    assert guesses.resolve(guess, 0.55) == "You said 0.55 arcsec: close. It is 0.5."
    assert "too much" in guesses.resolve(guess, 1.0)
    assert "too little" in guesses.resolve(guess, 0.1)
    asked = guesses.ask(guess)
    asked.commit()
    assert asked.said == 1.0
    assert asked.line.startswith("You said 1 arcsec")


def test_the_nearest_option_is_the_right_one():
    assert guesses.choices("n", "?", {"a": 0.1, "b": 0.5}, 0.4, "x").right == "b"
    with pytest.raises(ValueError, match="expected one of"):
        guesses.choices("n", "?", ["a", "b"], "c", "x")


def test_a_saved_panel_holds_question_choices_answer_and_what_can_be_moved(shown):
    wave_with_guess()._ipython_display_()
    kinds = [metadata["classroom"] for _, metadata in shown]
    assert kinds == ["guess", "panel", "words"]
    page = shown[0][0]["text/html"]
    assert "What is left?" in page
    assert page.count("<li>") == 3
    assert "<details><summary>The answer</summary><p>It is a third less" in page
    assert "Size [arcsec], 0.5 to 4, start: 1 arcsec; Camera: A, B, start: A" in shown[2][0]["text/html"]


# What waits for the guess


def half_hidden_panel(guess, name="00.h"):
    figure, axes = figures.new_figure()
    (line,) = axes.plot([0, 1], [0, 1])
    (answer,) = axes.plot([0, 1], [1, 0], color=figures.COLOURS[6])

    def update(size):
        line.set_ydata([0, size])
        answer.set_ydata([size, 0])
        return f"{size:g} high"

    drawing = panels.Drawing(figure, [line], update, "Two lines", hidden=(answer,))
    asked = guesses.choices(name, "?", ["a", "b"], "a", "x") if guess else None
    return panels.panel([panels.slider("size", "Size", 0.1, 1.0, 0.5)], drawing, asked), answer


def of_colour(picture, colour):
    """How many pixels have it."""
    wanted = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    return int(np.all(np.asarray(picture)[..., :3] == wanted, axis=-1).sum())


@pytest.mark.parametrize("way", ["commit", "skip"])
def test_what_would_answer_the_guess_appears_after_it(way):
    panel, answer = half_hidden_panel(guess=True, name=f"00.{way}")
    colour = answer.get_color()
    assert of_colour(pixels(panel.png), colour) == of_colour(panel.in_part(), colour) == 0
    assert guesses.WAITING_IN_PART in html.unescape(panel._readout.value)
    assert of_colour(panel.still()[1], colour) > 50, "pages and saved workbooks have the whole picture beside it"
    panel.set(size=0.8)
    assert of_colour(pixels(panel.png), colour) == 0
    getattr(panel.asked, way)(*["a"][: way == "commit"])
    assert of_colour(pixels(panel.png), colour) > 50
    assert "0.8 high" in panel._readout.value
    again, _ = half_hidden_panel(guess=True, name=f"00.{way}")  # "Run all" once more: the guess is known
    assert of_colour(pixels(again.png), colour) > 50


def test_nothing_is_hidden_where_nothing_is_asked():
    panel, answer = half_hidden_panel(guess=False)
    assert of_colour(pixels(panel.png), answer.get_color()) > 50
    assert panel.in_part() is None


# Values with units


def test_sliders_and_choices_hand_quantities():
    figure, axes = figures.new_figure()
    (line,) = axes.plot([0, 1], [0, 1])
    got = []
    controls = [
        panels.slider("exposure", "Exposure", 0.1, 10, 500 * u.ms, unit=u.s, logarithmic=True),
        panels.choice("night", "Night", {"calm": 1 * u.arcsec, "windy": 3 * u.arcsec}),
    ]
    drawing = panels.Drawing(figure, [line], lambda **values: got.append(values) or "moved", "A line")
    guess = guesses.choices("00.u", "?", ["a", "b"], "a", "x")
    panel = panels.panel(controls, drawing, guess)
    assert got[-1] == {"exposure": 0.5 * u.s, "night": 1 * u.arcsec}
    panel.set(exposure=2.0, night="windy")
    assert got[-1] == panel.values == {"exposure": 2 * u.s, "night": 3 * u.arcsec}
    assert panel._draw_ahead(1, -1)[0]
    assert got[-1]["night"] == 1 * u.arcsec


# Boxes


def box_question(right=0.598 * u.arcsec):
    mistakes = ((1.196 * u.arcsec, "binning?"),)
    return exercises.Question(
        "00.9", "How wide?", right, u.arcsec, percent=2, mistakes=mistakes, hint="divide", solution="0.6"
    )


@pytest.mark.parametrize(
    ("answer", "state"),
    [
        ("", "not yet"),
        ("0.6 arcsec", "right"),
        ("0,6 arcsec", "right"),
        ("0.6", "right"),
        ('0.6"', "right"),
        ("600 mas", "right"),
        ("1.2 arcsec", "wrong"),
        ("0.6 kg", "wrong"),
        ("six", "wrong"),
        ("1e999", "wrong"),
        ("9" * 5000, "wrong"),
        ("0,6,1", "wrong"),
    ],
)
def test_a_box_has_three_states(answer, state):
    box = exercises.box(box_question())
    box.check(answer)
    assert box.outcome.state == state, box.outcome
    assert box.outcome.message


def test_a_comma_may_part_the_thousands():
    assert box_question(1200 * u.arcsec).check("1,200 arcsec").state == "right"
    assert box_question(1.2 * u.arcsec).check("1,200 arcsec").state == "right"


def test_answers_survive_a_second_run_with_the_same_right_answer_only():
    exercises.box(box_question()).check("1.2")
    assert exercises.box(box_question()).outcome.message == "binning?"
    assert exercises.box(box_question(0.7 * u.arcsec)).outcome.state == "not yet"


def test_a_box_of_choices(shown):
    question = exercises.Question(
        "00.8", "Which?", "air", options=("air", "mount"), mistakes=(("mount", "off"),), hint="h", solution="s"
    )
    box = exercises.box(question)
    assert box.outcome.state == "not yet"
    box.check("mount")
    assert (box.outcome.state, box.outcome.message) == ("wrong", "off")
    box.check("air")
    assert box.outcome.state == "right"
    box._ipython_display_()
    assert shown[0][0]["text/html"].count("<details>") == 2


@pytest.mark.parametrize(
    "change", [{"percent": None}, {"hint": ""}, {"options": ("a", "b")}, {"absolute": 1.0}, {"mistakes": ()}]
)
def test_an_incomplete_exercise_is_refused(change):
    whole = {"percent": 2, "mistakes": ((2, "x"),), "hint": "h", "solution": "s"}
    with pytest.raises(ValueError, match="expected"):
        exercises.Question("n", "t", 1, **(whole | change))


# Strip, card, reading time


def test_the_strip_marks_own_numbers_and_the_room_without_colour(shown):
    entries = [("air", "0.24 arcsec", True, "04_seeing", True), ("stars", "7", False, "03_guide_field", False)]
    ledger_strip.show(entries)._ipython_display_()
    page = shown[0][0]["text/html"]
    assert '<a href="04_seeing.ipynb">air</a>' in page
    assert page.count('aria-current="true"') == 1
    assert "<b>0.24 arcsec</b>" in page
    assert page.count("<small>demo</small>") == 1
    assert "flex-wrap:wrap" in page
    assert "▸ <a" in page
    assert "Marked ▸: explained in this workbook." in page
    ledger_strip.show(entries[1:])._ipython_display_()
    assert "▸" not in shown[1][0]["text/html"]  # nothing is marked: nothing is said of marks


def test_a_card_holds_three_texts(shown):
    cards.card("0.24 arcsec", "It is air.", "Nothing.")._ipython_display_()
    assert all(head in shown[0][0]["text/html"] for head in cards.HEADS)
    with pytest.raises(ValueError, match="action"):
        cards.card("1", "2", " ")


def test_reading_time_counts_words_pictures_panels_and_exercises():
    words = {"cell_type": "markdown", "source": "word " * 200 + "<details>" + "word " * 400 + "</details>"}

    def output(kind):
        return {"cell_type": "code", "outputs": [{"data": {"image/png": ""}, "metadata": {"classroom": kind}}]}

    rest = {"cell_type": "markdown", "source": "word " * 200 + "\n\n## 4. Exercises"}
    cells = [words, output("figure"), output("panel"), rest, output("exercise"), output("exercise")]
    core, whole = reading.minutes({"cells": cells})
    assert core == pytest.approx(1 + 0.75 + 2 + 1)  # what stands above the heading belongs to the core
    assert whole == pytest.approx(core + 2 + 4, abs=0.02)


def test_the_answer_of_a_guess_without_a_panel_is_read_at_once():
    def output(kind):
        page = "<details>" + "word " * 200 + "</details>"
        return {"data": {"text/html": page}, "metadata": {"classroom": kind}}

    alone = {"cell_type": "code", "outputs": [output("guess")]}
    assert reading.minutes({"cells": [alone]}) == pytest.approx((0.5 + 1, 0.5 + 1))
    panel = {"cell_type": "code", "outputs": [output("guess"), output("panel")]}
    assert reading.minutes({"cells": [panel]}) == pytest.approx((2, 2 + 2))


# Drawing


def test_axes_name_what_has_a_unit_and_never_show_an_empty_one():
    _, axes = figures.new_figure()
    figures.label(axes, "exposure [s]", "share of stars [-]")
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("exposure [s]", "share of stars")
    figures.label(axes, "exposure [s]")
    assert axes.get_ylabel() == ""


def test_ticks_outlines_rulers_and_names_of_curves():
    figure, axes = figures.new_figure()
    axes.loglog([1, 10, 100] * u.s, [1, 2, 3] * u.arcsec)
    figures.log_ticks(axes, x=[1, 10, 100], y=[0.3, 1, 3])
    drawn = figures.ruler(axes, notices=350 * u.mas, air=0.24 * u.arcsec)
    name = figures.label_curve(axes, [1, 10] * u.s, [1, 2] * u.arcsec, "air", at=1)
    figure.canvas.draw()
    assert [tick.get_text() for tick in axes.get_yticklabels()] == ["0.3", "1", "3"]
    assert [artist.get_text() for artist in drawn[1::2]] == ["shows in the picture", "air in one exposure"]
    assert [artist.get_va() for artist in drawn[1::2]] == ["baseline", "top"]  # the lower line's name below it
    swapped = figures.ruler(axes, notices=0.1 * u.arcsec, air=0.24 * u.arcsec)
    assert [artist.get_va() for artist in swapped[1::2]] == ["top", "baseline"]
    assert name.xy == (10, 2)
    x, y = figures.outline(4, 2)
    assert (np.ptp(x), np.ptp(y), x[0], y[0]) == (4, 2, x[-1], y[-1])


def test_a_folded_figure_keeps_its_words(shown):
    figure, axes = figures.new_figure()
    axes.plot([0, 1], [0, 1])
    figures.show(figure, "A rising <line>.", "It rises.", fold="the line")._ipython_display_()
    ((data, metadata),) = shown
    page = data["text/html"]
    assert page.startswith("<details><summary><b>More:</b> the line</summary><img")
    assert 'alt="A rising &lt;line&gt;."' in page
    assert "It rises." in page
    assert metadata["classroom"] == "figure"


# Forms


def test_first_fields_stand_open_and_say_what_helps():
    first = {"folded": False, "own": False, "typical": "2 to 4", "if_unknown": "Leave it.", "check": str}
    form = forms.form([FIELDS[1] | first, *FIELDS[2:]], lambda answers: "saved")
    inputs = form._inputs["camera.pixel"]
    assert inputs in form.box.children
    assert inputs.description == "pixel [µm] (demo)"
    assert form._accordion.selected_index is None
    assert any("Typical: 2 to 4. Not known? Leave it." in str(getattr(row, "value", "")) for row in form.box.children)
    inputs.value = 4.0
    assert any("4.0" in str(getattr(row, "value", "")) for row in form.box.children if row is not inputs)


def test_a_field_without_a_section_stands_open():
    form = forms.form([{"key": "n", "label": "stars", "value": 3}, *FIELDS], lambda answers: "saved")
    inputs = form._inputs["n"]
    assert inputs in form.box.children
    assert inputs.description == "stars"
    assert form._inputs["name"] not in form.box.children


def sent(picker, name, content):
    (field,) = [row for row in picker.box.children if hasattr(row, "accept")]
    file = {"name": name, "type": "", "size": len(content), "content": memoryview(content)}
    field.set_trait("value", (file | {"last_modified": datetime.datetime(2024, 5, 1, tzinfo=datetime.UTC)},))


def test_an_uploaded_file_is_read_from_a_copy_and_stays_in_its_folder():
    got = []
    picker = forms.upload("Log", lambda paths: got.append(paths[0]) or paths[0].read_text(), limit=1)
    picker.read()
    assert picker.message == "Not done. Pick a file first."
    sent(picker, "../../evil.csv", b"one")
    picker.read()
    assert picker.message == "one"
    assert got[0].name == "evil.csv"
    assert ".." not in got[0].parts
    sent(picker, "big.csv", bytes(1_100_000))
    picker.read()
    assert "expected at most 1 MB, found 1.1 MB" in picker.message


def test_a_file_is_chosen_in_a_folder(tmp_path):
    (tmp_path / "logs").mkdir()
    for name in ("b.csv", "a.CSV", "c.txt", "logs/d.csv"):
        (tmp_path / name).write_text(name)
    picker = forms.choose_file("Log", lambda paths: paths[0].read_text(), ["*.csv"], tmp_path)
    _, _, folders, listed, *_ = picker.box.children
    assert [name for name, _ in listed.options] == ["a.CSV", "b.csv"]
    listed.value = tmp_path / "b.csv"
    picker.read()
    assert picker.message == "b.csv"
    folders.value = tmp_path / "logs"
    assert [name for name, _ in listed.options] == ["d.csv"]
    listed.value = None
    picker.read()
    assert "Pick a file first" in picker.message
