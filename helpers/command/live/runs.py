"""A page that is open: the cells of its workbook run one after the other, and its widgets speak with the kernel."""

import asyncio
import secrets
import sys

from helpers.command.live import messages
from helpers.command.live.kernels import KernelGone
from helpers.command.live.rooms import to_html

FAILED = "This part could not be worked out. Load the page again; if that does not help, tell whoever runs the evening."


class Run:
    """One opening of a workbook's page by a visitor; `id` stands in for the kernel's, which no page ever learns."""

    def __init__(self, visitor, room, place, stems=()):
        self.id, self.visitor, self.room, self.place = secrets.token_hex(16), visitor, room, place
        self.stems = stems
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
            for piece in self.room.pieces:
                outputs = await kernel.run(piece.source) if piece.source else []
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
            data = {"text/markdown": f"*{FAILED}*"}
            shown = [{"output_type": "display_data", "data": data, "metadata": {}}]
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
        """Hand a message of the page on to the kernel."""
        if self._kernel is not None and not self.over:
            self._kernel.send(kind, header, content, buffers)

    def end(self):
        """Another page takes over, or nobody is there any more."""
        self.over = True
        if self._task:
            self._task.cancel()
        if self._kernel and self._kernel.listener == self._hear:
            self._kernel.listener = None
        for page in list(self.pages):
            page.close()
