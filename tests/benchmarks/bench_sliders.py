"""Key press to new picture in a real browser, for every panel of the workbooks; prints a table. Run by hand:

    .venv/bin/python -m pytest -s tests/benchmarks/bench_sliders.py
    SLIDER_WORKBOOKS="01 04" .venv/bin/python -m pytest -s tests/benchmarks/bench_sliders.py

Three ways answer the same key in turn: the panel; a callback that only swaps two ready-made pictures (what a round trip
to the kernel costs at the least); and ipywidgets' own `interactive_output` making, drawing and showing the same figure.
Times are medians, in milliseconds, from the key to the first frame that holds the new picture. The keys lead to a value
not seen before, as far as the slider's range allows. "No pause" presses the next key as soon as the picture is there,
which leaves no time to draw pictures ahead; "blank" counts frames with no picture to paint. Guesses are skipped first;
a panel without a slider is named and left out.
"""

import os
import re

import nbformat
import numpy as np
from playwright.sync_api import TimeoutError

pytest_plugins = ["tests.browser.conftest"]

PRESSES = 16
SETUP = """
import pickle, sys; sys.path.insert(0, "..")
import ipywidgets as _w
from IPython import get_ipython
from IPython.display import display
from helpers.classroom import sliders as _s
from helpers.classroom.ahead import one_step
get_ipython().run_line_magic("matplotlib", "inline")
_panels, _make = [], _s.panel

def _remember(*arguments, **keywords):
    _panels.append(_make(*arguments, **keywords))
    return _panels[-1]

_s.panel = _remember

def _slider_of(panel):
    return next((control.name, widget) for control, widget in panel.inputs if hasattr(widget, "max"))

def _copy(control):
    return type(control)(**{k: getattr(control, k) for k in ("value", "min", "max", "step")})

def bench_swap(k):
    panel = _panels[k]; name, control = _slider_of(panel)
    panel.asked.skip()
    first = panel.png
    for direction in (1, -1):
        while panel.png == first and one_step(control, direction) is not None:  # some steps change the sentence only
            panel.set(**{name: one_step(control, direction)})
    second = panel.png
    panel.reset()
    image, other = _w.Image(format="png", value=first), _copy(control)
    state = {"second": False}
    def swap(_):
        state["second"] = not state["second"]
        image.value = second if state["second"] else first
    other.observe(swap, "value")
    display(_w.VBox([other, image]))

def bench_plain(k):
    panel = _panels[k]; name, control = _slider_of(panel)
    figure, moving = panel._figure, panel._moving
    other, values = _copy(control), panel._raw()
    for artist in moving:
        artist.set_animated(False)
    try:
        saved = pickle.dumps(figure)
    except AttributeError:  # axes with units can't be pickled: the plain way is then let off making a figure
        saved = pickle.dumps(None)
    for artist in moving:
        artist.set_animated(True)
    def draw(value):
        pickle.loads(saved)  # making a figure anew takes as long (3 to 8 ms)
        panel._update(**panel._handed(values | {name: value}))
        for artist in moving:
            artist.set_animated(False)
        figure.set_layout_engine("constrained")
        display(figure)
        figure.set_layout_engine("none")
        for artist in moving:
            artist.set_animated(True)
        panel._background = None
    display(_w.VBox([other, _w.interactive_output(draw, {"value": other})]))
"""
PROBE = """(cell) => {
    const painted = () => [...cell.querySelectorAll('img')].filter(i => i.naturalWidth > 50);
    const last = () => {
        const all = painted().filter(i => i.complete);
        return all.length ? all[all.length - 1].src : '';
    };
    const before = last(), height = cell.getBoundingClientRect().height;
    window.probe = {time: null, blank: 0, jump: 0};
    let start = null;
    window.addEventListener('keydown', () => { start = performance.now(); }, {capture: true, once: true});
    const look = () => {
        if (!painted().length) window.probe.blank += 1;
        window.probe.jump = Math.max(window.probe.jump, Math.abs(cell.getBoundingClientRect().height - height));
        if (start !== null && last() && last() !== before) { window.probe.time = performance.now() - start; return; }
        requestAnimationFrame(look);
    };
    requestAnimationFrame(look);
}"""
SETTLE = """(cell) => {
    const image = () => { const all = cell.querySelectorAll('img'); return all.length ? all[all.length - 1].src : ''; };
    window.burst = {pictures: 0, last: performance.now()};
    let before = image();
    const look = () => {
        if (image() !== before) { before = image(); window.burst.pictures += 1; window.burst.last = performance.now(); }
        requestAnimationFrame(look);
    };
    requestAnimationFrame(look);
}"""


def measured(page, cell, key, pause=100):
    """Time from a key to the next picture [ms] (NaN where the picture stays the same), frames without picture, and the
    largest change of height [px].
    """
    cell.get_by_role("slider").first.focus()
    page.evaluate(PROBE, cell.element_handle())
    page.keyboard.press(key)
    try:
        page.wait_for_function("window.probe.time !== null", timeout=2_000, polling="raf" if not pause else 20)
    except TimeoutError:  # some steps change the sentence only
        page.evaluate("window.probe.time = NaN")
    page.wait_for_timeout(pause)
    probe = page.evaluate("window.probe")
    return float(probe["time"]), probe["blank"], probe["jump"]


def next_key(cell, key):
    """The same key as before, or the opposite one at the end of the slider."""
    slider = cell.get_by_role("slider").first
    lowest, highest, now = (float(slider.get_attribute(f"aria-value{name}")) for name in ("min", "max", "now"))
    ends = {"ArrowRight": (highest, "ArrowLeft"), "ArrowLeft": (lowest, "ArrowRight")}
    end, other = ends[key]
    return other if abs(now - end) < 1e-6 * (highest - lowest) else key


def burst(page, cell, presses=40):
    """Pictures shown while keys repeat 30 times a second, and time from the last key to the last picture [ms]."""
    cell.get_by_role("slider").first.focus()
    page.evaluate(SETTLE, cell.element_handle())
    for press in range(presses):
        page.keyboard.press("ArrowRight" if press % 20 < 10 else "ArrowLeft")
        page.wait_for_timeout(33)
    ended = page.evaluate("performance.now()")
    page.wait_for_timeout(1500)
    state = page.evaluate("window.burst")
    return state["pictures"], max(0.0, state["last"] - ended)


def with_others(path, panels):
    """A copy of a workbook with what the other two ways need: a cell before all others, and two a panel at its end."""
    workbook = nbformat.read(path, 4)
    workbook["cells"].insert(0, nbformat.v4.new_code_cell(SETUP))
    for k in range(panels):
        for way in (
            "swap",
            "plain",
        ):  # of a panel without a slider they fail, and the cells after them run all the same
            cell = nbformat.v4.new_code_cell(f"bench_{way}({k})", metadata={"tags": ["raises-exception"]})
            workbook["cells"].append(cell)
    target = path.with_name("bench_" + path.name)
    nbformat.write(workbook, target)
    return target


def row(page, three):
    """Of a panel and the two other ways beside it: what the table says."""
    times, blank, jump, keys = ([], [], []), 0, 0.0, ["ArrowRight"] * 3
    for press in range(PRESSES):
        for way, cell in enumerate(three):
            keys[way] = next_key(cell, keys[way])
            time, missing, moved = measured(page, cell, keys[way])
            if press >= 4:  # the first ones warm up
                times[way].append(time)
                if way == 0:
                    blank, jump = blank + missing, max(jump, moved)
    ours, swap, plain = map(np.nanmedian, times)
    quick = []
    for _ in range(PRESSES):
        keys[0] = next_key(three[0], keys[0])
        quick.append(measured(page, three[0], keys[0], pause=0)[0])
    pictures, settle = burst(page, three[0])
    return (
        f"{ours:.0f} | {swap:.0f} | {plain:.0f} | {ours / swap:.2f} | {ours / plain:.2f} | {np.nanmedian(quick):.0f} | "
        f"{blank} | {jump:.0f} px | {pictures} pictures, {settle:.0f} ms"
    )


def test_every_panel(lab, browser):
    from tests.browser.conftest import OpenWorkbook

    names = os.environ.get("SLIDER_WORKBOOKS", "").split()
    print(
        "\n| workbook, panel | panel | swap only | plain | to swap | to plain | panel, no pause | blank frames | "
        "jump | burst of 40 keys |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for path in sorted((lab.folder / "workbooks").glob("[0-9]*.ipynb")):
        if names and path.name[:2] not in names:
            continue
        count = len(re.findall(r"(?:sliders|panels)\.panel\(", path.read_text(encoding="utf-8")))
        page = browser.new_page(viewport={"width": 1400, "height": 1000})
        opened = OpenWorkbook(page, lab, with_others(path, count).relative_to(lab.folder))
        opened.run_all()
        page.wait_for_timeout(500)
        panels, cells = opened.panels(), page.locator(".jp-Notebook .jp-Cell")
        assert len(panels) == count, f"{path.name}: expected {count} panels, found {len(panels)}"
        first = cells.count() - 2 * count
        for k, panel in enumerate(panels):
            found = "no slider"
            if panel.sliders():
                found = row(page, [panel.box, cells.nth(first + 2 * k), cells.nth(first + 2 * k + 1)])
            print(f"| {path.stem}, {k + 1} | {found} |", flush=True)
        page.close()
        lab.stop_kernels()
