"""What may pass between a visitor's page and a kernel: values of controls one way, pictures and words the other.

A page speaks the messaging protocol of Jupyter (over a websocket, in the form `PROTOCOL`). Only messages about widgets
that are there pass into a kernel, put together anew from the parts that count; what asks to run, complete, inspect or
stop anything is refused, and questions about the kernel itself are answered without it.
"""

import json
from itertools import pairwise

PROTOCOL = "v1.kernel.websocket.jupyter.org"
CONTROL_TARGET = "jupyter.widget.control"  # by which a page asks for the state of widgets that exist already
ANSWERED = ("kernel_info_request", "comm_info_request")
_HEADER = ("msg_id", "session", "date", "version")
TO_PAGE = {"comm_open", "comm_msg", "comm_close", "status"}
KERNEL_INFO = {
    "status": "ok",
    "protocol_version": "5.3",
    "implementation": "workbooks",
    "implementation_version": "1",
    "language_info": {"name": "python", "version": "3", "mimetype": "text/x-python", "file_extension": ".py"},
    "banner": "",
    "help_links": [],
}


class Refused(Exception):
    """A message that may not pass; the text says what it was."""


def _word(value, most=200):
    """A short text, as identifiers are."""
    if not isinstance(value, str) or len(value) > most:
        raise Refused(f"expected a short text, found {value!r:.60}")
    return value


def pack(channel, parts):
    """Parts of a message as one piece of bytes: how many places, the places, the channel, the parts."""
    pieces = [channel.encode(), *parts]
    places = [8 * (len(pieces) + 2)]
    for piece in pieces:
        places.append(places[-1] + len(piece))
    return b"".join([number.to_bytes(8, "little") for number in (len(places), *places)] + pieces)


def unpack(raw):
    """The channel and the parts of what `pack` has made; any error for other bytes."""
    count = int.from_bytes(raw[:8], "little")
    places = [int.from_bytes(raw[start : start + 8], "little") for start in range(8, 8 * (min(count, 1000) + 1), 8)]
    channel, *parts = (raw[start:end] for start, end in pairwise(places))
    return channel.decode(), parts


def from_page(raw):
    """Read a websocket message of a page.

    Parameters
    ----------
    raw : bytes

    Returns
    -------
    kind : str
        One of `ANSWERED`, or "comm_msg", "comm_open", "comm_close".
    header, content : dict
        Made anew from what is needed.
    buffers : list of bytes

    Raises
    ------
    Refused
        Anything else.
    """
    try:
        channel, (sent, _, _, content, *buffers) = unpack(raw)
        sent, content = json.loads(sent), json.loads(content)
        kind = sent["msg_type"]
    except Exception as error:  # whatever the bytes of an attacker lead to
        raise Refused("no message of the protocol") from error
    if channel != "shell" or not isinstance(kind, str) or not isinstance(content, dict):
        raise Refused(f"a message on the channel {channel!r:.40}")
    header = {name: _word(sent.get(name, "")) for name in _HEADER}
    header |= {"msg_type": kind, "username": "visitor"}
    if kind in ANSWERED:
        return kind, header, {}, []
    return kind, header, _comm_content(kind, content), buffers


def _comm_content(kind, content):
    comm, data = _word(content.get("comm_id")), content.get("data", {})
    if not isinstance(data, dict):
        raise Refused("data that is no object")
    if kind == "comm_open":
        if content.get("target_name") != CONTROL_TARGET:
            raise Refused(f"a new object of the kind {content.get('target_name')!r:.60}")
        return {"comm_id": comm, "target_name": CONTROL_TARGET, "data": {}}
    if kind not in ("comm_msg", "comm_close"):
        raise Refused(f"a message of the kind {kind!r:.60}")
    return {"comm_id": comm, "data": data}


def is_ahead(content):
    """Whether a page asks for a picture that nobody waits for yet (helpers/classroom/ahead.py)."""
    asked = content["data"].get("content")
    return content["data"].get("method") == "custom" and isinstance(asked, dict) and "direction" in asked


def _packed(part):
    return json.dumps(part, default=str).encode()


def to_page(message):
    """A message of a kernel as a page reads it, in bytes; None where it may not pass."""
    if message["header"]["msg_type"] not in TO_PAGE:
        return None
    return _for_page("iopub", message)


def _for_page(channel, message):
    parts = [_packed(message[name]) for name in ("header", "parent_header", "metadata", "content")]
    return pack(channel, [*parts, *map(bytes, message["buffers"])])


def answers(kind, header):
    """What a page gets for a question about the kernel: busy, the answer, idle."""
    content = KERNEL_INFO if kind == "kernel_info_request" else {"status": "ok", "comms": {}}
    parts = [
        ("iopub", "status", {"execution_state": "busy"}),
        ("shell", kind.replace("request", "reply"), content),
        ("iopub", "status", {"execution_state": "idle"}),
    ]
    return [_answer(channel, name, content, header) for channel, name, content in parts]


def _answer(channel, kind, content, parent):
    header = {"msg_id": f"{parent['msg_id']}-{kind}-{channel}", "session": "server", "username": "server"}
    header |= {"msg_type": kind, "version": "5.3", "date": parent["date"]}
    message = {"header": header, "parent_header": parent, "metadata": {}, "content": content, "buffers": []}
    return _for_page(channel, message)
