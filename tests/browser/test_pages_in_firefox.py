"""The pages in Firefox, opened from a folder and driven by WebDriver BiDi (W3C), which the browser speaks by itself."""

import itertools
import json
import os
import shutil
import socket
import subprocess
import time

import pytest
import websocket  # comes with JupyterLab's server

from helpers.classroom import sliders, stills
from helpers.command import pages_folder as folder
from helpers.command.pages import make, run
from tests.test_pages import write_small

FIREFOX = shutil.which("firefox-esr") or shutil.which("firefox")
pytestmark = pytest.mark.skipif(FIREFOX is None, reason="no Firefox on this machine")
RIGHT, END = "\ue014", "\ue010"  # keys, as WebDriver names them


class Firefox:
    """A Firefox without a window, with a home of its own; `heard` is what its console said."""

    def __init__(self, home):
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        command = [FIREFOX, "--headless", "--no-remote", "--profile", str(home), f"--remote-debugging-port={port}"]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self._process = subprocess.Popen(command, env={**os.environ, "HOME": str(home)}, **quiet)
        self._numbers, self.heard = itertools.count(1), []
        try:
            self._socket = self._connect(f"ws://127.0.0.1:{port}/session")
            self.call("session.new", capabilities={})
            self.call("session.subscribe", events=["log.entryAdded"])
            self._page = self.call("browsingContext.getTree")["contexts"][0]["context"]
        except BaseException:
            self.close()
            raise

    def _connect(self, address, seconds=120):
        ends = time.monotonic() + seconds
        while True:
            try:
                return websocket.create_connection(address, timeout=120, suppress_origin=True)
            except OSError:
                assert time.monotonic() < ends and self._process.poll() is None, "Firefox does not answer"
                time.sleep(0.2)

    def close(self):
        self._process.terminate()
        self._process.wait(timeout=30)

    def call(self, method, **parameters):
        number = next(self._numbers)
        self._socket.send(json.dumps({"id": number, "method": method, "params": parameters}))
        while True:
            message = json.loads(self._socket.recv())
            if message.get("method") == "log.entryAdded":
                self.heard.append(message["params"]["text"])
            if message.get("id") == number:
                assert message["type"] == "success", message
                return message["result"]

    def open(self, address, width=1366, height=900):
        self.call("browsingContext.setViewport", context=self._page, viewport={"width": width, "height": height})
        self.call("browsingContext.navigate", context=self._page, url=address, wait="complete")

    def tell(self, expression):
        """What an expression of JavaScript gives, by way of JSON."""
        target = {"context": self._page}
        wrapped = f"JSON.stringify({expression} ?? null)"
        told = self.call("script.evaluate", expression=wrapped, target=target, awaitPromise=True)
        assert told["type"] == "success", told
        return json.loads(told["result"]["value"])

    def press(self, key):
        actions = [{"type": kind, "value": key} for kind in ("keyDown", "keyUp")]
        whole = [{"type": "key", "id": "keys", "actions": actions}]
        self.call("input.performActions", context=self._page, actions=whole)

    def wait_for(self, expression, seconds=60):
        ends = time.monotonic() + seconds
        while not self.tell(f"Boolean({expression})"):
            assert time.monotonic() < ends, expression
            time.sleep(0.1)


@pytest.fixture
def firefox(tmp_path):
    home = tmp_path / "home"
    home.mkdir()
    browser = Firefox(home)
    yield browser
    browser.close()


@pytest.mark.long
def test_panels_exercises_and_formulas_in_firefox(firefox, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path, target = write_small(tmp_path / "98_small.ipynb"), tmp_path / "with ümlaut & space"
    folder.claim(target)
    make.make_room(path, target, ["98_small"], [30])
    make.write_front(target, ["98_small"])
    (panel,) = [cell.value for cell in run.cells(path) if isinstance(cell.value, sliders.Panel)]
    last = stills.stills(panel, 30).values[3][-1]

    firefox.open((target / "98_small" / "index.html").as_uri())
    assert firefox.tell("document.querySelector('[data-control]').disabled") is True
    firefox.tell("document.querySelectorAll('.skip').forEach(button => button.click())")
    firefox.tell("document.querySelectorAll('[data-control]')[3].focus()")
    firefox.press(END)
    firefox.wait_for(f"document.querySelector('.frame').dataset.shown?.endsWith(' {last}')")
    panel.set(frame=last)
    assert firefox.tell("document.querySelector('.sentence').textContent") == panel.sentence
    strip = firefox.tell(
        "[document.querySelector('.strip').naturalWidth, document.querySelector('.strip').offsetWidth, "
        "document.querySelector('.frame').offsetWidth]"
    )
    assert strip[0] == 12 * 400 and strip[1] == pytest.approx(12 * strip[2], abs=12)

    firefox.tell("document.querySelector('.exercise input').focus()")
    for key in "2.05":
        firefox.press(key)
    firefox.press("\ue007")
    assert firefox.tell("document.querySelector('.exercise .said').textContent") == "✓ Right: 2.05 m."
    assert firefox.tell("document.querySelector('mfrac').getBoundingClientRect().height") > 20  # typeset, not in a line
    firefox.open((target / "98_small" / "index.html").as_uri(), width=360, height=740)
    assert firefox.tell("document.documentElement.scrollWidth") <= 360
    firefox.open((target / "index.html").as_uri())
    assert firefox.heard == []
