"""Furniture: figures, panels, exercises, forms."""

import io
import threading
import time

import astropy.units as u
import numpy as np
import pytest
from PIL import Image

from helpers.classroom import exercises, figures, forms, sliders
from helpers.classroom.ahead import one_step


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
