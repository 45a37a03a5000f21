"""A page that is open: the cells of its workbook run one after the other, and its widgets speak with the kernel."""

import asyncio
import secrets
import sys

import nbformat

from helpers.command.live import messages
from helpers.command.live.kernels import PROCESSOR_SECONDS, KernelGone
from helpers.command.live.rooms import to_html

A_SECOND, AT_ONCE = 100, 200  # messages of a page that are taken; more wait in its browser
_LOOK_AGAIN = 0.05  # seconds
_MOST_HELD = 50  # panels of a page that wait for pictures drawn ahead
TOO_LONG = "This part would keep the computer of this evening too long with these numbers. It was left out."
FAILED = "This part could not be worked out. Load the page again; if that does not help, tell whoever runs the evening."


def _said(text):
    return nbformat.v4.new_output("display_data", {"text/markdown": f"*{text}*"})


async def _outputs(kernel, piece, most):
    """What a piece shows, unless the kernel has used more than `most` seconds of a processor."""
    if not piece.source:
        return []
    if kernel.processor_seconds() <= most:
        outputs = await kernel.run(piece.source, most)
        if kernel.processor_seconds() <= most:
            return outputs
    return [_said(TOO_LONG)]


class Run:
    """One opening of a workbook's page by a visitor; `id` stands in for the kernel's, which no page ever learns."""

    def __init__(self, visitor, room, place, stems=(), is_quiet=lambda: True):
        self.id, self.visitor, self.room, self.place = secrets.token_hex(16), visitor, room, place
        self.stems, self._is_quiet, self._held, self._taken_until = stems, is_quiet, {}, 0.0
        self.pages, self.over, self._kernel, self._task = set(), False, None, None

    def begin(self, tell):
        """Run the cells, once; `tell` is called with each result, and with None when there is no kernel any more."""
        if self._task is None and not self.over:
            self._task = asyncio.ensure_future(self._play(tell))

    async def _play(self, tell):
        try:
            kernel = await self.place.coming
            if not await kernel.interrupt():
                raise KernelGone
            kernel.listener = None
            variables = {"GUIDING_OWN_RIG": str(self.visitor.rig_file)}
            await kernel.run(f"from helpers.command.live import kernel_side; kernel_side.begin({variables!r})")
            self._kernel, kernel.listener = kernel, self._hear
            most = kernel.processor_seconds() + PROCESSOR_SECONDS
            for piece in self.room.pieces:
                outputs = await _outputs(kernel, piece, most)
                if piece.source or piece.number == self.room.cells:
                    tell(self._result(piece.number, outputs))
        except (KernelGone, OSError, RuntimeError, AttributeError, TimeoutError):
            self.over = True
            tell(None)

    def _result(self, number, outputs):
        """What the page's programme expects for a cell; what a reader must not meet is taken out."""
        shown = [output for output in outputs if output.output_type != "stream" or output.name == "stdout"]
        for error in [output for output in shown if output.output_type == "error"]:
            print(f"{self.room.stem}, cell {number}: {error.ename}: {error.evalue:.200}", file=sys.stderr, flush=True)
            shown = [_said(FAILED)]
        shown = [self._in_html(output) for output in shown]
        cell = {"cell_type": "code", "metadata": {}, "execution_count": None, "outputs": shown}
        content = {"output_cell": cell, "cell_index": number - 1, "total_cell": self.room.cells}
        return {"action": "execution_result", "payload": content}

    def _in_html(self, output):
        """An output with its Markdown as HTML, so that formulas need no programme from the network."""
        if "text/markdown" not in output.get("data", {}):
            return output
        data = dict(output["data"])
        page = to_html(data.pop("text/markdown"), self.stems)
        return dict(output) | {"data": data | {"text/html": page}}

    def _hear(self, message):
        text = messages.to_page(message)
        if text is not None:
            for page in list(self.pages):
                page.send(text)

    def say(self, kind, header, content, buffers):
        """Hand a message of the page on to the kernel; pictures drawn ahead wait until a processor is free."""
        if self._kernel is None or self.over:
            return
        if kind != "comm_msg" or not messages.is_ahead(content):
            self._kernel.send(kind, header, content, buffers)
        elif len(self._held) < _MOST_HELD:
            is_first = not self._held
            self._held[content["comm_id"]] = kind, header, content, buffers  # one a panel: it asks anew after a change
            if is_first:
                self._let_go()

    def _let_go(self):
        if self._held and not self.over and self._is_quiet():
            self._kernel.send(*self._held.pop(next(iter(self._held))))
        if self._held and not self.over:
            asyncio.get_running_loop().call_later(_LOOK_AGAIN, self._let_go)

    def pause(self, now):
        """Seconds that the next message of a page has to wait, so that none takes more than its share.

        Parameters
        ----------
        now : float
            A clock's seconds.
        """
        self._taken_until = max(now, self._taken_until) + 1 / A_SECOND
        return max(0.0, self._taken_until - now - AT_ONCE / A_SECOND)

    def end(self):
        """Another page takes over, or nobody is there any more."""
        self.over = True
        if self._task:
            self._task.cancel()
        if self._kernel and self._kernel.listener == self._hear:
            self._kernel.listener = None
        for page in list(self.pages):
            page.close()
