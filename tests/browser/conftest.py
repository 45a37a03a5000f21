"""JupyterLab on a copy of the project, and a real browser that opens workbooks in it."""

import json
import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from functools import partial
from pathlib import Path

import matplotlib
import nbformat
import pytest

from helpers.command import run_tests
from helpers.command.lab import lab_command

ROOT = Path(__file__).resolve().parent.parent.parent
CHROMIUM_OPTIONS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
NOTEBOOK = "window.jupyterapp.shell.currentWidget"


def pytest_collection_modifyitems(items):
    for item in items:
        if item.path.is_relative_to(Path(__file__).parent):
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def browser():
    path = os.environ.get("GUIDING_BROWSER") or run_tests.find_browser()
    if path is None:
        reason = "no Chromium or Chrome on this machine"
        if os.environ.get("BROWSER_TESTS") == "required":
            pytest.fail(reason + ", and BROWSER_TESTS=required")
        pytest.skip(reason)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=CHROMIUM_OPTIONS)
        yield browser
        browser.close()


def copy_project(folder):
    """What a reader's folder holds, so that nothing the tests do changes the project."""
    leave = shutil.ignore_patterns("my_*", "__pycache__", ".ipynb_checkpoints")
    for name in ("workbooks", "helpers", "demo_data"):
        shutil.copytree(ROOT / name, folder / name, ignore=leave)
    return folder


class Lab:
    """A running JupyterLab; `folder` is what it shows."""

    def __init__(self, folder, port, token):
        self.folder, self._address, self._token = folder, f"http://127.0.0.1:{port}", token

    def page_address(self, path):
        return f"{self._address}/lab/tree/{urllib.parse.quote(str(path))}?reset&token={self._token}"

    def api(self, method, path):
        """The decoded answer of JupyterLab's REST interface; None when it answers nothing."""
        headers = {"Authorization": f"token {self._token}"}
        request = urllib.request.Request(f"{self._address}/api/{path}", method=method, headers=headers)
        with urllib.request.urlopen(request, timeout=30) as answer:
            text = answer.read()
        return json.loads(text) if text else None

    def copy_project(self, name):
        """A second copy of the project, in the folder `name`."""
        shutil.rmtree(self.folder / name, ignore_errors=True)
        return copy_project(self.folder / name)

    def stop_kernels(self):
        for session in self.api("GET", "sessions"):
            self.api("DELETE", f"sessions/{session['id']}")


@pytest.fixture(scope="session")
def lab(browser, tmp_path_factory):
    folder = copy_project(tmp_path_factory.mktemp("lab"))
    home = tmp_path_factory.mktemp("home")
    # All cells of a workbook stay on the page, so that they can be looked at without scrolling.
    settings = home / "settings" / "@jupyterlab" / "notebook-extension" / "tracker.jupyterlab-settings"
    settings.parent.mkdir(parents=True)
    settings.write_text('{"windowingMode": "none"}')
    environment = {name: value for name, value in os.environ.items() if name != "GUIDING_RIG_FILE"}
    environment |= {
        "HOME": str(home),
        "JUPYTER_CONFIG_DIR": str(home / "config"),
        "JUPYTER_DATA_DIR": str(home / "data"),
        "JUPYTER_RUNTIME_DIR": str(home / "runtime"),
        "JUPYTERLAB_SETTINGS_DIR": str(home / "settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(home / "workspaces"),
        "MPLCONFIGDIR": matplotlib.get_configdir(),
        "JUPYTER_TOKEN": (token := secrets.token_hex(16)),
        "JUPYTER_PREFER_ENV_PATH": "1",
    }
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = lab_command(sys.executable, port, False, os.geteuid() == 0, folder)
    command.append("--LabApp.expose_app_in_browser=True")
    with subprocess.Popen(command, cwd=folder, env=environment, stdin=subprocess.DEVNULL) as server:
        try:
            lab = Lab(folder, port, token)
            _wait_for(lab, server)
            yield lab
        finally:
            server.terminate()


def _wait_for(lab, server, seconds=60):
    for _ in range(seconds * 5):
        assert server.poll() is None, "JupyterLab ended at once"
        try:
            return lab.api("GET", "status")
        except OSError:
            time.sleep(0.2)
    raise AssertionError(f"JupyterLab does not answer after {seconds} s")


class OpenWorkbook:
    """A workbook in the browser; `page` is Playwright's page."""

    def __init__(self, page, lab, path):
        self.page, self.faults = page, []
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.set_default_timeout(60_000)
        page.goto(lab.page_address(path))
        page.wait_for_function(f"window.jupyterapp && {NOTEBOOK}?.context?.path === {json.dumps(str(path))}")
        self._finish(
            f"""const notebook = {NOTEBOOK};
            await Promise.all([notebook.context.ready, notebook.sessionContext.ready, notebook.revealed]);
            await notebook.sessionContext.session.kernel.info;""",
            60,
        )

    def _finish(self, script, seconds):
        """Run a script on the page until it ends."""
        self.page.evaluate(
            f"""() => Promise.race([
                (async () => {{ {script} }})(),
                new Promise((_, fail) => setTimeout(
                    () => fail(new Error('not done in {seconds} s')), {seconds * 1000})),
            ])"""
        )

    def run_all(self):
        """Run all cells and wait until the last one is done."""
        self._finish("await window.jupyterapp.commands.execute('notebook:run-all-cells');", 300)

    def run_first(self, count):
        """Run the first cells, text cells counted."""
        for index in range(count):
            self._finish(
                f"""{NOTEBOOK}.content.activeCellIndex = {index};
                await window.jupyterapp.commands.execute('notebook:run-cell');""",
                120,
            )

    def cells(self):
        """The code cells as they are now, as a workbook file would hold them."""
        cells = self.page.evaluate(f"() => {NOTEBOOK}.content.widgets.map(cell => cell.model.toJSON())")
        return [nbformat.from_dict(cell) for cell in cells if cell["cell_type"] == "code"]

    def panels(self):
        """One locator for each panel on the page; the guesses that keep some of them still are skipped."""
        skips = self.page.get_by_role("button", name="Skip", exact=True)
        while left := skips.count():
            skips.first.click()
            # The kernel hides the button; asking again before that would find the same one.
            for _ in range(300):
                if skips.count() < left:
                    break
                self.page.wait_for_timeout(100)
        boxes = self.page.locator(".classroom-panel")
        return [Panel(boxes.nth(index)) for index in range(boxes.count())]


class Panel:
    """A panel on the page: its sliders, its picture and its sentence."""

    def __init__(self, box):
        self.box = box
        self.image, self.sentence_box = box.locator("img"), box.get_by_role("status")
        self.reset_button = box.get_by_role("button", name="Back to start values")

    def sliders(self):
        sliders = self.box.get_by_role("slider")
        return [sliders.nth(index) for index in range(sliders.count())]

    def sentence(self):
        return self.sentence_box.inner_text()

    def picture(self):
        """A short text that stands for the bytes of the picture on the screen."""
        return self.image.evaluate(
            """async image => {
                const bytes = await (await fetch(image.src)).arrayBuffer();
                const digest = await crypto.subtle.digest('SHA-256', bytes);
                return Array.from(new Uint8Array(digest), byte => byte.toString(16)).join('');
            }"""
        )

    def shows(self):
        return self.picture(), self.sentence()

    def wait_until(self, condition, seconds=10):
        """Wait until `condition(picture, sentence)` holds; whether it came to hold."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if condition(*self.shows()):
                return True
            time.sleep(0.03)
        return False

    def settle(self, seconds=0.25):
        """Wait until picture and sentence stay the same, and return them."""
        last = None
        while (now := self.shows()) != last:
            last = now
            time.sleep(seconds)
        return now

    def movements(self):
        """Functions that each move one control of the panel by one step, by keyboard."""
        for slider in self.sliders():
            yield partial(self._step, slider)
        lists = self.box.get_by_role("combobox")
        for index in range(lists.count()):
            yield partial(self._choose_another, lists.nth(index))
        switches = self.box.get_by_role("checkbox")
        for index in range(switches.count()):
            yield partial(switches.nth(index).press, "Space")

    @staticmethod
    def _step(slider):
        lowest, highest, now = (float(slider.get_attribute(f"aria-value{name}")) for name in ("min", "max", "now"))
        slider.focus()
        slider.press("ArrowRight" if now < highest or now == lowest else "ArrowLeft")

    @staticmethod
    def _choose_another(box):
        options = box.locator("option").all_inner_texts()
        chosen = box.evaluate("box => box.selectedIndex")
        box.select_option(index=(chosen + 1) % len(options))


@pytest.fixture
def open_workbook(browser, lab):
    """A function that opens a workbook, named by its path below the folder that JupyterLab shows."""
    contexts = []

    def open_path(path):
        contexts.append(browser.new_context(viewport={"width": 1300, "height": 1000}))
        return OpenWorkbook(contexts[-1].new_page(), lab, path)

    yield open_path
    for context in contexts:
        context.close()
    lab.stop_kernels()
