"""A visitor without a browser: plain HTTP and websockets, for tests and for the benchmark of `show`."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
import uuid
from pathlib import Path

import websocket

from helpers.command.live import messages
from helpers.command.live.messages import pack, unpack

ROOT = Path(__file__).resolve().parent.parent


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Server:
    """The server of `show` as a process of its own."""

    def __init__(self, folder, *options, visitors=4):
        self.port, self.token, self.folder = free_port(), "a-token-for-tests", Path(folder)
        command = [sys.executable, "-m", "helpers.command.live.server", f"--port={self.port}", f"--folder={folder}"]
        command += [f"--visitors={visitors}", "--no-browser", f"--token={self.token}", *options]
        variables = os.environ | {"JUPYTER_PREFER_ENV_PATH": "1", "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            command, cwd=ROOT, env=variables, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True
        )

    @property
    def address(self):
        return f"http://127.0.0.1:{self.port}"

    def wait(self, seconds=120):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            assert self.process.poll() is None, "the server ended at once"
            try:
                return urllib.request.urlopen(f"{self.address}/?token={self.token}", timeout=10)
            except OSError:
                time.sleep(0.2)
        raise AssertionError(f"the server does not answer after {seconds} s")

    def stop(self):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            self.process.wait(30)
        self.process.stdout.close()


def request(address, data=None, headers=None, timeout=60):
    """Status, headers and text of an answer, whatever the status; redirects are not followed."""

    class Still(urllib.request.HTTPRedirectHandler):
        def redirect_request(self, *_):
            return None

    asked = urllib.request.Request(address, data=data, headers=headers or {})
    try:
        with urllib.request.build_opener(Still).open(asked, timeout=timeout) as answer:
            return answer.status, answer.headers, answer.read().decode("utf-8", "replace")
    except urllib.error.HTTPError as error:
        return error.code, error.headers, error.read().decode("utf-8", "replace")


class Visitor:
    """One visitor of a server."""

    def __init__(self, server, name):
        self.server = server
        form = urllib.parse.urlencode({"token": server.token, "name": name}).encode()
        status, headers, _ = request(f"{server.address}/", form)
        assert status == 303
        self.home = server.address + headers["Location"]

    def get(self, path=""):
        return request(self.home + path)

    def send_rig(self, content):
        """Send a rig file as the form on the front page does."""
        edge = uuid.uuid4().hex
        head = f'--{edge}\r\nContent-Disposition: form-data; name="rig"; filename="my_rig.toml"\r\n\r\n'
        body = head.encode() + content + f"\r\n--{edge}--\r\n".encode()
        return request(f"{self.home}my_rig.toml", body, {"Content-Type": f"multipart/form-data; boundary={edge}"})

    def open(self, room):
        """Open a workbook as a page does."""
        return OpenPage(self, room)


class OpenPage:
    """A workbook's page: its kernel's messages, and the outputs of its cells."""

    def __init__(self, visitor, room):
        self.visitor = visitor
        self.status, _, self.text = visitor.get(room)
        found = re.search(r'"kernelId": "([0-9a-f]{32})"', self.text)
        self.run = found[1] if found else None
        self.models, self.results, self.answered = {}, [], []

    def connect(self):
        """Open both websockets."""
        assert self.run, f"the page is not there: status {self.status}\n{self.text}"
        base = self.visitor.home.replace("http://", "ws://")
        self.channels = websocket.create_connection(
            f"{base}api/kernels/{self.run}/channels?session_id=test", subprotocols=[messages.PROTOCOL], timeout=60
        )
        self.cells = websocket.create_connection(f"{base}voila/execution/{self.run}", timeout=60)
        return self

    def ask(self, kind, content, channel="shell", buffers=()):
        """Send a message; its identifier."""
        header = {"msg_id": uuid.uuid4().hex, "msg_type": kind, "session": "test", "username": "", "version": "5.3"}
        parts = [json.dumps(part).encode() for part in (header | {"date": "2026-01-01T00:00:00Z"}, {}, {}, content)]
        self.channels.send_binary(pack(channel, [*parts, *buffers]))
        return header["msg_id"]

    def hear(self, seconds):
        """The next message: type, parent's identifier, content, buffers; None after so many seconds without one."""
        self.channels.settimeout(seconds)
        try:
            raw = self.channels.recv()
        except websocket.WebSocketTimeoutException:
            return None
        _, (header, parent, _, content, *buffers) = unpack(raw)
        kind, parent, content = json.loads(header)["msg_type"], json.loads(parent).get("msg_id"), json.loads(content)
        if kind == "comm_open":
            self.models[content["comm_id"]] = dict(content["data"]["state"])
        if kind == "comm_msg" and content["data"].get("method") == "update":
            self.models.setdefault(content["comm_id"], {}).update(content["data"]["state"])
        return kind, parent, content, buffers

    def play(self, until=None, seconds=240):
        """Let the cells run until all are done, or until one of number `until` is; the outputs of each."""
        self.cells.send(json.dumps({"action": "execute", "payload": {}}))
        end = time.monotonic() + seconds
        self.cells.settimeout(0.02)
        while time.monotonic() < end:
            while self.hear(0.02) is not None:
                pass
            try:
                result = json.loads(self.cells.recv())["payload"]
            except websocket.WebSocketTimeoutException:
                continue
            self.results.append(result)
            if result["cell_index"] + 1 >= (until or result["total_cell"]):
                self.listen(0.5)
                return self.results
        raise AssertionError(f"the cells are not done after {seconds} s")

    def listen(self, seconds):
        """All messages of so many seconds of quiet."""
        heard = []
        while (message := self.hear(seconds)) is not None:
            heard.append(message)
        return heard

    def find(self, **state):
        """Identifiers of the widgets whose state holds these values, in the order they were made."""
        return [
            one for one, values in self.models.items() if all(values.get(name) == want for name, want in state.items())
        ]

    def set(self, model, **state):
        return self.ask("comm_msg", {"comm_id": model, "data": {"method": "update", "state": state}})

    def press(self, model):
        content = {"method": "custom", "content": {"event": "click"}}
        return self.ask("comm_msg", {"comm_id": model, "data": content})

    def close(self):
        for socket_ in (self.channels, self.cells):
            socket_.close()
