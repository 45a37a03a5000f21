"""The server behind `show`: front page, workbooks as live pages, rigs of visitors; no way to run code.

Called as ``python -m helpers.command.live.server`` by ``python3 -m helpers show``.
"""

import argparse
import asyncio
import json
import logging
import os
import re
import secrets
import signal
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import tornado.httpserver
import tornado.template
import tornado.web
import tornado.websocket

from helpers import rig as rigs
from helpers.command import processes
from helpers.command.environment import ROOT
from helpers.command.live import assets, kernels, messages, rooms, runs, visitors, words

HERE = Path(__file__).resolve().parent
_WAY = rf"/r/(?P<address>{visitors.ADDRESS})"
_RUN = r"(?P<run>[0-9a-f]{32})"
_SAFE = {
    "Content-Security-Policy": (
        "default-src 'self'; img-src 'self' data: blob:; style-src 'self' 'unsafe-inline'; font-src 'self' data:; "
        "script-src 'self' 'unsafe-eval' blob:; frame-ancestors 'none'; base-uri 'self'; form-action 'self'"
    ),
    "Referrer-Policy": "no-referrer",  # an address is a key
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
}


class Evening:
    """All that is going on: visitors, places, open pages."""

    def __init__(self, folder, places, token, alone):
        self.visitors, self.places, self.token, self.alone = visitors.Visitors(folder), places, token, alone
        self.rooms = rooms.read_all(ROOT / "workbooks")
        self._runs = {}

    def open(self, visitor, room):
        """A new run for a page; the page that the visitor had before falls asleep.

        Raises
        ------
        kernels.Full
        """
        place = self.places.hold(visitor.address)
        before = self._runs.get(visitor.address)
        if before is not None:
            before.end()
        visitors.prepare_folder(visitor)
        self._runs[visitor.address] = run = runs.Run(visitor, room, place, self.rooms, self.places.quiet)
        place.touch()
        return run

    def run(self, visitor, number):
        """The run of this number if it is this visitor's and goes on, or None."""
        run = self._runs.get(visitor.address)
        fits = run is not None and secrets.compare_digest(run.id, number) and not run.over
        return run if fits and self.places.taken.get(visitor.address) is run.place else None


class Page(tornado.web.RequestHandler):
    """What all pages share."""

    def initialize(self, evening):
        self.evening = evening

    def set_default_headers(self):
        for name, value in _SAFE.items():
            self.set_header(name, value)

    def visitor_of(self, address):
        visitor = self.evening.visitors.find(address)
        if visitor is None:
            raise tornado.web.HTTPError(404)
        return visitor

    def show(self, name, **values):
        self.finish(self.settings["pages"].load(name).generate(**values))

    def write_error(self, status_code, **_):
        title, text = words.TROUBLE.get(status_code, words.TROUBLE[500])
        self.show("plain.html", title=title, text=text, again=0)


class Nothing(Page):
    def prepare(self):
        raise tornado.web.HTTPError(404)


class Entry(Page):
    """The way in: a name for one's rig."""

    def check_token(self):
        if not secrets.compare_digest(self.get_argument("token", "").encode(), self.evening.token.encode()):
            raise tornado.web.HTTPError(403)

    def get(self):
        self.check_token()
        known = self.evening.visitors.with_rigs() if self.evening.alone else []
        self.show("entry.html", token=self.evening.token, known=known)

    def post(self):
        self.check_token()
        try:
            visitor = self.evening.visitors.add(self.get_body_argument("name", ""))
        except visitors.VisitorError as error:
            self.set_status(503)
            self.show("plain.html", title="Full", text=str(error), again=0)
            return
        self.redirect(f"/r/{visitor.address}/", status=303)


class Front(Page):
    """The twelve workbooks, and what a visitor may do with a rig."""

    def get(self, address, said="", wrong=False):
        visitor = self.visitor_of(address)
        own = visitor.rig_file.is_file()
        self.show("front.html", rooms=self.evening.rooms.values(), visitor=visitor, own=own, said=said, wrong=wrong)


class Rig(Front):
    """A visitor's rig file, to take away or to bring."""

    def get(self, address):
        visitor = self.visitor_of(address)
        if not visitor.rig_file.is_file():
            raise tornado.web.HTTPError(404)
        self.set_header("Content-Type", "application/toml; charset=utf-8")
        self.set_header("Content-Disposition", f'attachment; filename="{rigs.SAVED_RIG}"')
        self.finish(visitor.rig_file.read_bytes())

    def post(self, address):
        visitor = self.visitor_of(address)
        sent = self.request.files.get("rig", [])
        try:
            if len(sent) != 1:
                raise visitors.VisitorError("Choose a file first.")
            said, wrong = f"Taken: {visitors.take_rig(visitor, sent[0]['body'])}", False
        except visitors.VisitorError as error:
            self.set_status(400)
            said, wrong = f"Not taken. {error}", True
        super().get(address, said, wrong)


class Workbook(Page):
    """A workbook: saved pictures at once, live ones as its cells run."""

    def get(self, address, stem):
        visitor, room = self.visitor_of(address), self.evening.rooms.get(stem)
        if room is None:
            raise tornado.web.HTTPError(404)
        try:
            run = self.evening.open(visitor, room)
        except kernels.Full:
            self.set_status(503)
            title, text = words.FULL
            self.show("plain.html", title=title, text=text.format(most=self.evening.places.most), again=30)
            return
        stems = list(self.evening.rooms)
        place = stems.index(stem)
        after = self.evening.rooms[stems[place + 1]] if place + 1 < len(stems) else None
        config = assets.page_config(f"/r/{address}/", run.id)
        own = visitor.rig_file.is_file()
        values = {"config": config, "upload_mb": kernels.UPLOAD_MB, "own": own, "after": after, "run": run.id}
        self.show("room.html", room=room, visitor=visitor, **values)


class OfRun(Page):
    """What belongs to one run of a page."""

    def prepare(self):
        visitor = self.visitor_of(self.path_kwargs["address"])
        self.run_here = self.evening.run(visitor, self.path_kwargs["run"])


class State(OfRun):
    """Whether a page is still awake."""

    def get(self, address, run):
        self.finish({"awake": self.run_here is not None})


class Model(OfRun):
    """What the page's programme asks about its kernel before it connects."""

    def get(self, address, run):
        if self.run_here is None:
            raise tornado.web.HTTPError(404)
        self.finish({"id": run, "name": "python3", "execution_state": "idle", "connections": 1})


class Left(OfRun):
    """A page says that it is being closed."""

    def post(self, address, run):
        self.set_status(204)
        self.finish()


class _Socket(tornado.websocket.WebSocketHandler):
    """A websocket of one run; others than its visitor's own page are turned away."""

    def initialize(self, evening):
        self.evening, self.run_here = evening, None

    def prepare(self):
        visitor = self.evening.visitors.find(self.path_kwargs["address"])
        self.run_here = self.evening.run(visitor, self.path_kwargs["run"]) if visitor else None
        if self.run_here is None:
            raise tornado.web.HTTPError(404)

    def send(self, message):
        if self.ws_connection is not None and not self.ws_connection.is_closing():
            task = asyncio.ensure_future(self._write(message))
            task.add_done_callback(lambda done: done.exception())

    async def _write(self, message):
        await self.write_message(message, binary=isinstance(message, bytes))


class Channels(_Socket):
    """Widgets of a page and their kernel."""

    def select_subprotocol(self, subprotocols):
        return messages.PROTOCOL if messages.PROTOCOL in subprotocols else None

    async def open(self, address, run):
        self.run_here.pages.add(self)
        self.run_here.place.pages += 1
        self.set_nodelay(True)

    async def on_message(self, message):  # the next one is read when this one is done
        pause = self.run_here.pause(time.monotonic())
        if pause:
            await asyncio.sleep(pause)
        try:
            kind, header, content, buffers = messages.from_page(message)
        except messages.Refused:
            return
        self.run_here.place.touch()
        if kind in messages.ANSWERED:
            for answer in messages.answers(kind, header):
                self.send(answer)
        else:
            self.run_here.say(kind, header, content, buffers)

    def on_close(self):
        if self in self.run_here.pages:
            self.run_here.pages.discard(self)
            self.run_here.place.pages -= 1
            self.run_here.place.touch()


class Results(_Socket):
    """Outputs of cells as they come; what the page sends means only "begin"."""

    def on_message(self, message):
        self.run_here.begin(self._tell)

    def _tell(self, result):
        if result is None:
            self.close()
        else:
            self.send(json.dumps(result))


class Picture(Page):
    def get(self, stem):
        room = self.evening.rooms.get(stem)
        if room is None:
            raise tornado.web.HTTPError(404)
        self.set_header("Content-Type", "image/png")
        self.set_header("Cache-Control", "max-age=3600")
        self.finish(room.picture)


def application(evening):
    """The tornado application of an evening: nothing but these addresses is answered."""
    here = {"evening": evening}
    stem = r"/(?P<stem>\d\d_[a-z_]{1,40})(?:\.ipynb)?"
    handlers = [
        (r"/", Entry, here),
        (rf"{_WAY}/", Front, here),
        (rf"{_WAY}/{re.escape(rigs.SAVED_RIG)}", Rig, here),
        (_WAY + stem, Workbook, here),
        (rf"{_WAY}/state/{_RUN}", State, here),
        (rf"{_WAY}/api/kernels/{_RUN}", Model, here),
        (rf"{_WAY}/api/kernels/{_RUN}/channels", Channels, here),
        (rf"{_WAY}/voila/execution/{_RUN}", Results, here),
        (rf"{_WAY}/voila/api/shutdown/{_RUN}", Left, here),
        (r"/picture/(?P<stem>\d\d_[a-z_]{1,40})", Picture, here),
        (r"/own/(show\.css|show\.js|formulas\.js)", tornado.web.StaticFileHandler, {"path": str(HERE)}),
        *assets.handlers(),
    ]
    return tornado.web.Application(
        handlers,
        default_handler_class=Nothing,
        default_handler_args=here,
        pages=tornado.template.Loader(str(HERE), autoescape="xhtml_escape"),
        websocket_max_message_size=int((kernels.UPLOAD_MB + 1) * 1e6),
        websocket_ping_interval=20,
        compress_response=True,
        log_function=lambda handler: None,
    )


async def _look_after(evening):
    told = None
    while True:
        await asyncio.sleep(15)
        await evening.places.tidy()
        memory = evening.places.memory()
        if memory and told != len(memory):
            told = len(memory)
            print(words.memory(memory, evening.places.most), flush=True)


async def serve(options, stop):
    """Serve until `stop` is set."""
    token = options.token or secrets.token_urlsafe(12)
    short = "/tmp" if os.name != "nt" and os.access("/tmp", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="show-", dir=short, ignore_cleanup_errors=True) as sockets:
        variables = kernels.environment() | processes.where_to_write(sockets)
        start = partial(_started, Path(sockets), variables)
        places = kernels.Places(start, options.visitors, options.visitors if options.share else 1)
        evening = Evening(options.folder, places, token, alone=not options.share)
        server = tornado.httpserver.HTTPServer(
            application(evening), max_body_size=1_000_000, max_buffer_size=2_000_000, idle_connection_timeout=300
        )
        server.listen(options.port, "0.0.0.0" if options.share else "127.0.0.1")
        places.fill()
        words.welcome(options, token)
        care = asyncio.ensure_future(_look_after(evening))
        await stop.wait()
        care.cancel()
        server.stop()
        await places.close()


async def _started(folder, variables):
    return await kernels.Kernel(folder, variables).start()


async def _until_told(options):
    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    for name in ("SIGTERM", "SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda *_: loop.call_soon_threadsafe(stop.set))
    parent = os.getppid()

    async def watch():
        while os.getppid() == parent:  # on Windows always so; there the kernels end with this process
            await asyncio.sleep(2)
        stop.set()

    watching = asyncio.ensure_future(watch())
    await serve(options, stop)
    watching.cancel()


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--visitors", type=int, required=True)
    parser.add_argument("--share", action="store_true")
    parser.add_argument("--no-browser", action="store_true")
    parser.add_argument("--token", default=os.environ.get("SHOW_TOKEN", ""))
    options = parser.parse_args(arguments)
    for name in ("tornado", "asyncio", "jupyter_client", "traitlets"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    asyncio.run(_until_told(options))
    return 0


if __name__ == "__main__":
    sys.exit(main())
