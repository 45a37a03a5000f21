"""`show`: what a visitor can do, and above all what a visitor can't."""

import asyncio
import datetime
import http.client
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import astropy.units as u
import psutil
import pytest
import websocket
from astropy.coordinates import SkyCoord
from hypothesis import given
from hypothesis import strategies as st

from helpers import guide_field
from helpers import rig as rigs
from helpers.__main__ import _parser
from helpers.classroom import forms
from helpers.command import show
from helpers.command.live import assets, kernels, messages, rooms, runs, visitors, words
from tests.live_client import Server, Visitor, free_port, request

ROOM = "11_planetary"
SOME_DAY = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)


def rig_text(tmp_path, name):
    """A rig file's bytes with a name of its own."""
    values = rigs.rig_values(rigs.demo_rig()) | {"name": name}
    rigs.save_rig(rigs.rig_from_values(values), tmp_path / "sent.toml")
    return (tmp_path / "sent.toml").read_bytes()


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    server = Server(tmp_path_factory.mktemp("rigs"), visitors=12)  # a place for every visitor of the tests below
    try:
        server.wait()
        yield server
    finally:
        server.stop()


@pytest.fixture(scope="module")
def played(server):
    """A visitor with a workbook whose cells have all run."""
    page = Visitor(server, "Käthe M.").open(ROOM).connect()
    page.play()
    yield page
    page.close()


# Names and folders


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("Käthe M.", "kathem"),
        ("../../etc/passwd", "etcpasswd"),
        ("", "guest"),
        ("<script>", "script"),
        ("星", "guest"),
        ("x" * 500, "x" * 20),
        ("con", "con"),
    ],
)
def test_names_become_small_letters_and_digits(typed, name):
    assert visitors.plain_name(typed) == name


@given(st.text())
def test_no_name_leads_out_of_the_folder(typed):
    assert re.fullmatch(visitors.NAME, visitors.plain_name(typed))


def test_only_whole_addresses_are_found(tmp_path):
    known = visitors.Visitors(tmp_path)
    visitor = known.add("anna")
    assert known.find(visitor.address) == visitor
    for wrong in (
        "anna",
        visitor.address[:-1],
        visitor.address + "\n",
        "../" + visitor.address,
        visitor.address.upper(),
    ):
        assert known.find(wrong) is None


def test_visitors_with_a_rig_are_known_again(tmp_path):
    first = visitors.Visitors(tmp_path)
    anna, ben = first.add("anna"), first.add("ben")
    visitors.take_rig(anna, rig_text(tmp_path, "Anna's"))
    again = visitors.Visitors(tmp_path)
    assert again.find(anna.address).rig_file.is_file()
    assert again.find(ben.address) is None
    assert again.with_rigs() == [anna]


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"name = 3", b"x" * (visitors.MOST_BYTES + 1)])
def test_what_is_no_rig_is_not_kept(tmp_path, content):
    visitor = visitors.Visitors(tmp_path).add("anna")
    visitors.take_rig(visitor, rig_text(tmp_path, "good"))
    with pytest.raises(visitors.VisitorError):
        visitors.take_rig(visitor, content)
    assert rigs.load_rig(visitor.rig_file).name == "good"


def test_a_rig_is_kept_where_the_variable_says(tmp_path, monkeypatch):
    monkeypatch.delenv(rigs.RIG_VARIABLE, raising=False)
    monkeypatch.setenv(rigs.OWN_VARIABLE, str(tmp_path / "own.toml"))
    assert rigs.working_rig().name == rigs.demo_rig().name
    (tmp_path / "own.toml").write_bytes(rig_text(tmp_path, "elsewhere"))
    assert rigs.working_rig().name == "elsewhere"


# Messages


def packed(kind, content, channel="shell"):
    header = {"msg_id": "1", "session": "s", "date": "", "version": "5.3", "msg_type": kind}
    return messages.pack(channel, [json.dumps(part).encode() for part in (header, {}, {}, content)])


COMM = {"comm_id": "c", "data": {"method": "update", "state": {"value": 3}}}


@pytest.mark.parametrize("kind", ["comm_msg", "comm_close"])
def test_messages_of_widgets_pass(kind):
    found, header, content, buffers = messages.from_page(packed(kind, COMM | {"metadata": {"x": 1}}))
    assert (found, content, buffers) == (kind, COMM, [])
    assert set(header) == {"msg_id", "session", "date", "version", "msg_type", "username"}


@pytest.mark.parametrize(
    "kind",
    [
        "execute_request",
        "complete_request",
        "inspect_request",
        "history_request",
        "is_complete_request",
        "shutdown_request",
        "interrupt_request",
        "debug_request",
        "create_subshell_request",
        "input_reply",
        "apply_request",
        "",
        None,
        ["comm_msg"],
    ],
)
def test_messages_that_ask_for_more_are_refused(kind):
    with pytest.raises(messages.Refused):
        messages.from_page(packed(kind, {"code": "1", "comm_id": "c", "data": {}}))


@pytest.mark.parametrize("channel", ["control", "stdin", "iopub", ""])
def test_only_one_channel_takes_messages(channel):
    with pytest.raises(messages.Refused):
        messages.from_page(packed("comm_msg", COMM, channel))


@pytest.mark.parametrize("target", ["jupyter.widget", "matplotlib", None, 3])
def test_a_page_makes_no_objects_in_the_kernel(target):
    with pytest.raises(messages.Refused):
        messages.from_page(packed("comm_open", {"comm_id": "c", "target_name": target, "data": {}}))


def test_a_second_type_in_the_header_does_not_slip_through():
    header = b'{"msg_type": "execute_request", "msg_id": "1", "msg_type": "comm_msg", "session": "s"}'
    kind, made, *_ = messages.from_page(messages.pack("shell", [header, b"{}", b"{}", json.dumps(COMM).encode()]))
    assert kind == made["msg_type"] == "comm_msg"


@given(st.one_of(st.binary(max_size=300), st.text(max_size=100)))
def test_any_other_bytes_are_refused(raw):
    with pytest.raises(messages.Refused):
        messages.from_page(raw)


@given(st.lists(st.binary(max_size=50), max_size=8))
def test_packing_and_unpacking_agree(parts):
    assert messages.unpack(messages.pack("iopub", parts)) == ("iopub", parts)


def test_packed_messages_are_those_of_jupyter_server():
    from jupyter_server.services.kernels.connection.base import deserialize_msg_from_ws_v1, serialize_msg_to_ws_v1

    parts = [b'{"msg_type": "comm_msg"}', b"{}", b"{}", b"{}", b"\x00\x01"]
    assert messages.pack("shell", parts) == serialize_msg_to_ws_v1(parts, "shell")
    assert deserialize_msg_from_ws_v1(messages.pack("shell", parts)) == messages.unpack(messages.pack("shell", parts))


@pytest.mark.parametrize("kind", ["execute_input", "error", "stream", "execute_reply"])
def test_code_and_tracebacks_never_reach_a_page(kind):
    message = {"header": {"msg_type": kind}, "parent_header": {}, "metadata": {}, "content": {}, "buffers": []}
    assert messages.to_page(message) is None


# Words and pages


def test_formulas_need_no_network():
    page = rooms.to_html("So $x^2$ in `04_seeing`, not in `05_other`.\n\n$$ a_b $$", {"04_seeing"})
    assert page.count("<math") == 2
    assert '<a href="04_seeing"><code>' in page
    assert 'href="05_other"' not in page


def test_all_workbooks_have_a_page():
    found = rooms.read_all(show.ROOT / "workbooks")
    assert len(found) == 12
    for room in found.values():
        assert room.question.endswith("?")
        assert 5 <= room.core <= room.whole
        assert room.picture.startswith(b"\x89PNG")
        assert room.alt
        assert any(piece.source for piece in room.pieces)


def test_page_config_closes_no_script():
    assert "<" not in assets.page_config("/r/</script>/", "0")


def test_files_are_sent_not_chosen_where_others_work(tmp_path, monkeypatch):
    monkeypatch.setenv(forms.LIMIT_VARIABLE, "1")
    (tmp_path / "secret.csv").write_text("secret")
    picker = forms.choose_file("Log", str, ["*.csv"], tmp_path)
    assert isinstance(picker.box.children[2], forms.widgets.FileUpload)
    assert isinstance(forms.choose_file("Log", str, ["*.csv"], tmp_path, sent=False), forms.OnlyHere)
    picker.box.children[2].value = [
        {"name": "a.csv", "type": "", "size": 2_000_000, "content": b"", "last_modified": SOME_DAY}
    ]
    picker.read()
    assert "at most 1 MB" in picker.message


def test_visitors_make_this_computer_ask_no_address(monkeypatch):
    for name, value in kernels.environment().items():
        if name.startswith("GUIDING_"):
            monkeypatch.setenv(name, value)
    with pytest.raises(ValueError, match="send a file instead"):
        guide_field.cone_search("http://127.0.0.1:1/", SkyCoord(0, 0, unit="deg"), 1 * u.deg)


def test_options_of_the_command():
    options = _parser().parse_args(["show", "--share", "--port", "1234", "--visitors", "3"])
    command = show.show_command("python", options)
    assert command[1:3] == ["-m", "helpers.command.live.server"]
    assert {"--port=1234", "--visitors=3", "--share"} <= set(command)
    assert "--no-browser" not in command


def test_what_sharing_means_is_said(capsys, tmp_path):
    options = _parser().parse_args(["show", "--share", "--no-browser", "--folder", str(tmp_path)])
    words.welcome(options, "a-token")
    shown = capsys.readouterr().out
    assert "/?token=a-token" in shown
    assert "can't run code" in shown
    assert str(tmp_path) in shown
    assert "█" in shown or "▀" in shown  # the code for phones


# Places


class Still:
    """A kernel that does nothing."""

    ended = False

    async def alive(self):
        return True

    async def end(self):
        self.ended = True

    def memory_mb(self):
        return 100.0


def test_places_are_few_and_quiet_ones_are_given_on():
    async def start():
        return Still()

    async def evening():
        places = kernels.Places(start, most=2, spare=0)
        first, second = places.hold("a"), places.hold("b")
        assert places.hold("a") is first
        first.pages, second.pages = 1, 0
        kernel = await second.coming
        with pytest.raises(kernels.Full):
            places.hold("c")
        second.left -= kernels.GRACE + 1
        third = places.hold("c")
        await third.coming
        await asyncio.sleep(0.01)
        assert kernel.ended
        assert set(places.taken) == {"a", "c"}
        third.left -= kernels.IDLE + 1
        await places.tidy()
        assert set(places.taken) == {"a"}
        await places.close()

    asyncio.run(evening())


# A fair share for each


class Busy(Still):
    """A kernel that notes what it is sent; `seconds` of a processor are gone after each cell."""

    listener = None

    def __init__(self, busy=False, seconds=0.0):
        self.sent, self.busy, self._seconds, self._used = [], busy, seconds, 0.0

    def send(self, kind, header, content, buffers):
        self.sent.append(content["comm_id"])

    async def run(self, code, most):
        self._used += self._seconds
        return [code]

    def processor_seconds(self):
        return self._used


def custom(comm, content):
    return "comm_msg", {}, {"comm_id": comm, "data": {"method": "custom", "content": content}}, []


def test_a_processor_is_free_while_fewer_kernels_work_than_there_are(monkeypatch):
    monkeypatch.setattr(kernels, "_processors", lambda: 2)

    async def evening():
        coming = [Busy(), Busy(busy=True), Busy(busy=True)]

        async def start():
            return coming.pop(0)

        places, free = kernels.Places(start, most=3, spare=0), []
        for name in "abc":
            await places.hold(name).coming
            free.append(places.quiet())
        await places.close()
        return free

    assert asyncio.run(evening()) == [True, True, False]


def test_pictures_drawn_ahead_wait_for_a_free_processor():
    async def evening():
        quiet = False
        run, run._kernel = runs.Run(None, None, None, is_quiet=lambda: quiet), Busy()
        kernel = run._kernel
        ahead = {"control": 0, "direction": 1}
        for comm in ("panel 1", "panel 2", "panel 1"):
            run.say(*custom(comm, ahead))
        run.say(*custom("button", {"event": "click"}))
        await asyncio.sleep(3 * runs._LOOK_AGAIN)
        before = list(kernel.sent)
        quiet = True
        await asyncio.sleep(4 * runs._LOOK_AGAIN)
        run.say(*custom("panel 3", ahead))
        quiet = False
        for number in range(2 * runs._MOST_HELD):
            run.say(*custom(f"of nobody {number}", ahead))
        assert len(run._held) == runs._MOST_HELD
        run.end()
        return before, kernel.sent

    before, after = asyncio.run(evening())
    assert before == ["button"]
    assert after == ["button", "panel 1", "panel 2", "panel 3"]


def test_a_page_that_sends_without_end_is_slowed_down_and_others_are_not():
    greedy, other = (runs.Run(None, None, None) for _ in range(2))
    pauses, now = [], 1000.0
    for _ in range(runs.AT_ONCE + 10 * runs.A_SECOND):
        pauses.append(greedy.pause(now))
        now += pauses[-1]
    assert not any(pauses[: runs.AT_ONCE])
    assert now - 1000 == pytest.approx(10, abs=0.1)  # seconds for what was more than could come at once
    assert other.pause(now) == 0
    assert greedy.pause(now + 60) == 0  # it has rested


def test_cells_that_take_too_long_are_left_out_with_a_word():
    kernel = Busy(seconds=40)
    pieces = [rooms.Piece(1, "words"), *(rooms.Piece(number, "", f"cell {number}") for number in range(2, 7))]

    async def play():
        return [await runs._outputs(kernel, piece, 100) for piece in pieces]

    shown = asyncio.run(play())
    assert shown[:3] == [[], ["cell 2"], ["cell 3"]]
    assert all(runs.TOO_LONG in outputs[0]["data"]["text/markdown"] for outputs in shown[3:])
    assert kernel.processor_seconds() == 120  # the last two did not run


@pytest.mark.long
def test_a_kernel_stands_behind_the_server_and_ends_what_does_not_end(monkeypatch):
    monkeypatch.setattr(kernels, "_WARM", "pass")

    async def evening(folder):
        kernel = await kernels.Kernel(Path(folder), kernels.environment()).start()
        try:
            outputs = await kernel.run("while True: pass", most=kernel.processor_seconds() + 0.2)
            fine = await kernel.run("print(1)")
            return psutil.Process(kernel._manager.provisioner.pid).nice(), outputs, fine, kernel.busy
        finally:
            await kernel.end()

    # An address of a socket may have about 100 letters; the folder of a test can be longer.
    with tempfile.TemporaryDirectory(dir=None if os.name == "nt" else "/tmp") as folder:
        nice, outputs, fine, busy = asyncio.run(evening(folder))
    assert nice == (psutil.BELOW_NORMAL_PRIORITY_CLASS if os.name == "nt" else min(19, psutil.Process().nice() + 5))
    assert outputs[-1].ename == "KeyboardInterrupt"
    assert fine[0].text.strip() == "1"
    assert not busy


# The server


@pytest.mark.parametrize("query", ["", "?token=", "?token=wrong", "?token=a-token-for-test"])
def test_without_the_token_nothing_opens(server, query):
    assert request(f"{server.address}/{query}")[0] == 403
    form = query.strip("?").encode() or b"x=1"
    assert request(f"{server.address}/", form + b"&name=eve")[0] == 403


def test_front_page_shows_all_workbooks(server):
    status, headers, text = Visitor(server, "anna").get()
    assert status == 200
    assert text.count('<a href="') >= 12
    assert "0. Your rig" in text
    assert "default-src 'self'" in headers["Content-Security-Policy"]
    assert headers["Referrer-Policy"] == "no-referrer"


def test_what_is_typed_as_a_name_is_no_html(server):
    assert "<b>" not in Visitor(server, "<b>x</b>").get()[2]


PATHS = [
    "/api/contents",
    "/api/kernels",
    "/api/sessions",
    "/api/terminals",
    "/terminals/1",
    "/voila/files/README.md",
    "/voila/api/contents",
    "/voila/render/00_your_rig.ipynb",
    "/voila/static/../../../../../../../../etc/passwd",
    "/voila/static/..%2f..%2f..%2f..%2f..%2f..%2f..%2fetc/passwd",
    "/voila/static/%2e%2e/%2e%2e/base/conf.json",
    "/voila/static//etc/passwd",
    "/voila/labextensions/anywidget/../../jupyterlab-manager/package.json",
    "/voila/labextensions/anywidget/..%5c..%5cpackage.json",
    "/voila/styles/../index.html.j2",
    "/own/server.py",
    "/own/../server.py",
    "/own/%2e%2e/show.py",
    "/picture/../04_seeing",
    "/r/",
    "/r/anna",
    "/r/../",
    "/r/%2e%2e/my_rig.toml",
    "/r/anna-aaaaaaaaaaaaaaaaaaaa/",
    "/r/anna-aaaaaaaaaaaaaaaaaaaa/my_rig.toml",
    "/r/..%2f..%2fworkbooks/my_rig.toml",
    "/requirements.txt",
    "//etc/passwd",
]


@pytest.mark.parametrize("path", PATHS)
def test_no_other_address_leads_anywhere(server, path):
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=60)
    connection.request("GET", path)  # as it is, dots and all
    answer = connection.getresponse()
    text = answer.read().decode("utf-8", "replace")
    connection.close()
    assert answer.status in (400, 403, 404), text[:200]
    assert "root:" not in text
    assert "Traceback" not in text
    assert str(show.ROOT) not in text


@pytest.mark.parametrize("path", ["04_seeing/../../x", "99_nothing", "04_SEEING", "my_rig.toml", "%2e%2e/", "state/0"])
def test_a_visitors_own_address_leads_to_nothing_else(server, path):
    assert Visitor(server, "anna").get(path)[0] == 404


def test_a_page_is_readable_before_anything_runs(server):
    page = Visitor(server, "anna").open(ROOM)
    assert page.status == 200
    assert "data:image/png;base64," in page.text
    assert "jupyter-config-data" in page.text
    assert "import sys" not in page.text
    assert not [host for host in ("http://", "https://") if f'src="{host}' in page.text or f'href="{host}' in page.text]


@pytest.mark.long
def test_cells_run_and_sliders_answer(played):
    kinds = [
        output.get("metadata", {}).get("classroom")
        for result in played.results
        for output in result["output_cell"]["outputs"]
    ]
    assert kinds.count("panel") >= 2
    assert not any("could not be worked out" in json.dumps(result) for result in played.results)
    for skip in played.find(_view_name="ButtonView", description="Skip"):
        played.press(skip)
    played.listen(3)
    sliders = played.find(_view_name="FloatSliderView") + played.find(_view_name="IntSliderView")
    slider = next(one for one in sliders if not played.models[one]["disabled"])
    state = played.models[slider]
    asked = played.set(slider, value=state["min"] if state["value"] != state["min"] else state["max"])
    answers = [(kind, content) for kind, parent, content, _ in played.listen(3) if parent == asked]
    assert any(kind == "comm_msg" and "value" in content["data"].get("state", {}) for kind, content in answers)


@pytest.mark.long
@pytest.mark.parametrize("channel", ["shell", "control"])
def test_code_sent_by_a_page_does_not_run(played, tmp_path, channel):
    target = tmp_path / "written"
    code = {"code": f"open({str(target)!r}, 'w').write('x')", "silent": False, "user_expressions": {}}
    asked = [played.ask("execute_request", code, channel)]
    asked.append(played.ask("comm_open", {"comm_id": "x", "target_name": "jupyter.widget", "data": {}}))
    asked.append(played.ask("shutdown_request", {"restart": False}, channel))
    # A question that is answered shows that the kernel was asked and would have had its turn.
    known = played.find(_view_name="ButtonView")[0]
    heard, last = [], played.press(known)
    end = time.monotonic() + 30
    while time.monotonic() < end and not any(parent == last for _, parent, *_ in heard):
        heard += played.listen(0.5)
    assert any(parent == last for _, parent, *_ in heard)
    assert not any(parent in asked for _, parent, *_ in heard)
    assert not target.exists()


@pytest.mark.long
def test_questions_about_the_kernel_tell_nothing(played):
    for kind in messages.ANSWERED:
        asked = played.ask(kind, {})
        heard = [(kind, content) for kind, parent, content, _ in played.listen(1) if parent == asked]
        assert [kind for kind, _ in heard] == ["status", kind.replace("request", "reply"), "status"]
        assert not heard[1][1].get("comms")


@pytest.mark.long
def test_no_page_joins_another_ones_kernel(server, played):
    eve = Visitor(server, "eve")
    base = eve.home.replace("http://", "ws://")
    for place in (f"api/kernels/{played.run}/channels", f"voila/execution/{played.run}"):
        with pytest.raises(websocket.WebSocketBadStatusException) as refused:
            websocket.create_connection(base + place, subprotocols=[messages.PROTOCOL], timeout=30)
        assert refused.value.status_code == 404
    assert eve.get(f"api/kernels/{played.run}")[0] == 404


@pytest.mark.long
def test_other_pages_in_the_browser_cannot_connect(played):
    address = played.visitor.home.replace("http://", "ws://") + f"api/kernels/{played.run}/channels"
    with pytest.raises(websocket.WebSocketBadStatusException) as refused:
        websocket.create_connection(address, origin="http://evil.example", timeout=30)
    assert refused.value.status_code == 403


@pytest.mark.long
def test_two_visitors_have_two_rigs(server, tmp_path):
    anna, ben = Visitor(server, "anna"), Visitor(server, "ben")
    assert anna.get("my_rig.toml")[0] == 404
    status, _, text = anna.send_rig(rig_text(tmp_path, "Annas own <b>"))
    assert status == 200
    assert "Annas own &lt;b&gt;" in text
    assert "Annas own" in anna.get("my_rig.toml")[2]
    assert ben.get("my_rig.toml")[0] == 404
    shown = {}
    for visitor in (anna, ben):
        page = visitor.open("00_your_rig").connect()
        page.play(until=2)
        shown[visitor] = json.dumps(page.results)
        if visitor is ben:  # saves the form as it is
            page.play()
            page.press(page.find(_view_name="ButtonView", description="Save my rig")[0])
            for _ in range(60):
                page.listen(0.5)
                if ben.get("my_rig.toml")[0] == 200:
                    break
        page.close()
    assert "Annas own" in shown[anna]
    assert "Annas own" not in shown[ben]
    assert "Annas own" in anna.get("my_rig.toml")[2]
    assert rigs.demo_rig().name in ben.get("my_rig.toml")[2]


def test_uploads_too_large_are_turned_away(server, tmp_path):
    anna = Visitor(server, "anna")
    status, _, text = anna.send_rig(rig_text(tmp_path, "a") + b"#" * visitors.MOST_BYTES)
    assert status == 400
    assert "at most 100,000 bytes" in text
    try:
        assert anna.send_rig(b"#" * 3_000_000)[0] in (400, 413)
    except OSError:
        pass  # the server hangs up while the rest is sent
    assert anna.get("my_rig.toml")[0] == 404
    assert anna.get()[0] == 200


@pytest.mark.long
def test_a_message_too_large_closes_only_its_own_page(server, played):
    page = Visitor(server, "mallory").open(ROOM).connect()
    with pytest.raises((websocket.WebSocketConnectionClosedException, OSError)):
        page.ask("comm_msg", {"comm_id": "x", "data": {}}, buffers=[bytes(int((kernels.UPLOAD_MB + 2) * 1e6))])
        for _ in range(20):
            page.channels.recv()
    played.ask("kernel_info_request", {})
    assert played.hear(10) is not None


@pytest.mark.long
def test_fifty_who_come_at_once_get_a_place_or_a_plain_page(tmp_path):
    server = Server(tmp_path, visitors=2)
    try:
        server.wait()
        crowd = [Visitor(server, f"v{number}") for number in range(50)]
        answers = []
        threads = [threading.Thread(target=lambda one=one: answers.append(one.get(ROOM))) for one in crowd]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(status for status, *_ in answers) == [200] * 2 + [503] * 48
        full = next(text for status, _, text in answers if status == 503)
        assert "2 visitors are at work" in full
        assert 'http-equiv="refresh"' in full
        assert crowd[0].get()[0] == 200
    finally:
        server.stop()


@pytest.mark.skipif(os.name == "nt", reason="Windows ends a process without asking it")
@pytest.mark.long
def test_a_polite_end_leaves_nothing_behind(tmp_path):
    server = Server(tmp_path)
    try:
        server.wait()
        page = Visitor(server, "anna").open(ROOM).connect()
        page.play(until=2)
        started = psutil.Process(server.process.pid).children(recursive=True)
        assert started
    finally:
        server.stop()
    assert server.process.returncode == 0
    _, alive = psutil.wait_procs(started, timeout=20)
    assert not alive


@pytest.mark.skipif(os.name == "nt", reason="Windows sends no such signal to one process alone")
@pytest.mark.usefixtures("ctrl_c")
@pytest.mark.long
def test_ctrl_c_ends_the_command_with_one_sentence(tmp_path):
    ready = "import sys; from helpers.command import environment; environment.prepare = lambda kind: sys.executable; "
    start = "from helpers.__main__ import main; sys.exit(main(sys.argv[1:]))"
    command = [sys.executable, "-c", ready + start, "show", "--no-browser", "--folder", str(tmp_path)]
    command += ["--port", str(free_port())]
    with subprocess.Popen(command, cwd=show.ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as shown:
        said = []
        for line in shown.stdout:
            said.append(line)
            if "stop with Ctrl+C" in line:
                break
        started = psutil.Process(shown.pid).children(recursive=True)
        shown.send_signal(signal.SIGINT)
        said.append(shown.stdout.read())
    assert shown.returncode == 0, "".join(said)
    assert said[-1].splitlines()[-1] == "The workbooks are no longer shown."  # older kernels warn before
    assert "/?token=" in "".join(said)
    _, alive = psutil.wait_procs(started, timeout=20)
    assert not alive
