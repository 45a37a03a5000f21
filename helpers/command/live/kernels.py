"""Kernels of visitors: started before somebody comes, one for each visitor, ended when nobody looks any more."""

import asyncio
import contextlib
import math
import os
import secrets
import subprocess
import time

import nbformat
import psutil
from jupyter_client.manager import AsyncKernelManager

from helpers.command.environment import ROOT

SECONDS_A_CELL = 300
PROCESSOR_SECONDS = 120  # of all cells of a workbook; the longest needs a tenth of that with the demo rig
UPLOAD_MB = 25  # of files for a form, which a page sends as one message
GRACE = 30  # seconds without an open page after which a place may be given to somebody else
IDLE = 600  # and after which a kernel is ended though nobody wants its place
_SHOWN = {"display_data", "execute_result", "error", "stream"}
_WARM = "from helpers.command.live import kernel_side; kernel_side.warm()"


class KernelGone(Exception):
    """The kernel has ended, or was ended."""


class Full(Exception):
    """All places are taken."""


def _processors():
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def environment():
    """Variables of the kernels: one thread each, no windows, files by upload only, nothing fetched from a network."""
    inherited = {name: value for name, value in os.environ.items() if not name.startswith("GUIDING_")}
    return inherited | {
        "PYTHONPATH": str(ROOT),
        "MPLBACKEND": "Agg",
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
        "GUIDING_UPLOAD_LIMIT": str(UPLOAD_MB),
        "GUIDING_OFFLINE": "1",
        "JUPYTER_WIDGETS_ECHO": "0",  # a change is told to its own page only, which knows it already
    }


def _give_way(pid):
    """Let a kernel wait where the server wants a processor, so that all visitors are answered in turn."""
    with contextlib.suppress(psutil.Error):  # it may be gone already
        process = psutil.Process(pid)
        process.nice(psutil.BELOW_NORMAL_PRIORITY_CLASS if os.name == "nt" else min(19, process.nice() + 5))


class Kernel:
    """A running kernel. `listener`, if set, is called with each message that is not the output of a cell."""

    def __init__(self, folder, variables):
        self._folder, self._variables = folder, variables
        self.listener, self._running, self._tasks, self._subshell = None, {}, [], None
        self._handed_on = set()  # messages of a page that are not answered yet
        self._manager = self._client = None

    async def start(self):
        """Start it and load what workbooks need; ended again if that is broken off."""
        try:
            await self._start()
        except BaseException:
            await self.end()
            raise
        return self

    async def _start(self):
        file = self._folder / f"k{secrets.token_hex(4)}.json"
        ipc = {"transport": "ipc"} if os.name != "nt" else {}
        self._manager = AsyncKernelManager(kernel_name="python3", connection_file=str(file), **ipc)
        await self._manager.start_kernel(
            cwd=str(ROOT / "workbooks"),
            env=self._variables,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            extra_arguments=["--HistoryManager.enabled=False"],
        )
        _give_way(self._manager.provisioner.pid)  # before it has threads: each of them begins with its starter's rank
        self._client = self._manager.client()
        self._client.start_channels()
        await self._client.wait_for_ready(timeout=60)
        await self._ask_for_subshell()
        self._tasks = [asyncio.create_task(self._listen()), asyncio.create_task(self._drain())]
        await self.run(_WARM)

    async def _ask_for_subshell(self):
        """A second thread of the kernel for widgets, where it has such, so that they answer while cells run."""
        self._client.control_channel.send(self._client.session.msg("create_subshell_request", {}))
        with contextlib.suppress(Exception):  # an older kernel does not answer
            reply = await self._client.control_channel.get_msg(timeout=2)
            self._subshell = reply["content"].get("subshell_id")

    async def _listen(self):
        while True:
            message = await self._client.iopub_channel.get_msg()
            kind, parent = message["header"]["msg_type"], message["parent_header"].get("msg_id")
            outputs, done = self._running.get(parent, (None, None))
            if outputs is not None and kind in _SHOWN:
                outputs.append(nbformat.v4.output_from_msg(message))
            elif kind == "status" and message["content"].get("execution_state") == "idle":
                self._handed_on.discard(parent)
                if done is not None and not done.done():
                    done.set_result(None)
            if self.listener and kind not in _SHOWN:
                self.listener(message)

    async def _drain(self):
        while True:
            await self._client.shell_channel.get_msg()

    async def run(self, code, most=math.inf):
        """Run code of ours (never of a visitor) and return its outputs.

        Parameters
        ----------
        code : str
        most : float
            It is interrupted when the kernel has used so many seconds of a processor, as `processor_seconds` counts.

        Raises
        ------
        KernelGone
            It ended meanwhile, or took too long.
        """
        request = self._client.session.msg(
            "execute_request",
            {"code": code, "silent": False, "store_history": False, "allow_stdin": False, "user_expressions": {}},
        )
        outputs, done = [], asyncio.get_running_loop().create_future()
        self._running[request["header"]["msg_id"]] = outputs, done
        self._client.shell_channel.send(request)
        try:
            until = time.monotonic() + SECONDS_A_CELL
            while not done.done():
                await asyncio.wait([done], timeout=2)
                if time.monotonic() > until or not await self._manager.is_alive():
                    raise KernelGone
                if self.processor_seconds() > most:
                    await self._manager.interrupt_kernel()
        finally:
            self._running.pop(request["header"]["msg_id"], None)
        return outputs

    def send(self, kind, header, content, buffers):
        """Hand on a message of a page that `messages.from_page` has let through."""
        session = self._client.session
        header = header | ({"subshell_id": self._subshell} if self._subshell else {})
        message = {"header": header, "parent_header": {}, "metadata": {}, "content": content}
        message |= {"msg_id": header["msg_id"], "msg_type": kind}
        self._handed_on.add(header["msg_id"])
        session.send(self._client.shell_channel.socket, message, buffers=buffers)

    @property
    def busy(self):
        """Whether a cell runs or a message of a page is not answered yet."""
        return bool(self._running or self._handed_on)

    async def interrupt(self):
        """Stop the cell that runs, if one does; whether the kernel is quiet now."""
        for outputs_done in list(self._running.values()):
            await self._manager.interrupt_kernel()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(asyncio.shield(outputs_done[1]), 5)
        return all(done.done() for _, done in self._running.values())

    def memory_mb(self):
        """Resident memory in MB; 0 if it is gone."""
        with contextlib.suppress(psutil.Error, AttributeError):
            return psutil.Process(self._manager.provisioner.pid).memory_info().rss / 1e6
        return 0.0

    def processor_seconds(self):
        """Time that it has kept processors at work since it was started; 0 if it is gone."""
        with contextlib.suppress(psutil.Error, AttributeError):
            return sum(psutil.Process(self._manager.provisioner.pid).cpu_times()[:2])
        return 0.0

    async def alive(self):
        return await self._manager.is_alive()

    async def end(self):
        """End it, by force if need be."""
        self.listener = None
        for task in self._tasks:
            task.cancel()
        if self._client:
            self._client.stop_channels()
        if self._manager:
            with contextlib.suppress(Exception):  # it may be gone already
                await self._manager.shutdown_kernel(now=True)


class Place:
    """What a visitor holds: a kernel that is there or coming, and whether a page is open."""

    def __init__(self, coming):
        self.coming, self.pages, self.left = coming, 0, time.monotonic()

    def touch(self):
        """Something happened on a page."""
        self.left = time.monotonic()

    def quiet_for(self):
        """Seconds since the last page was closed; 0 while one is open."""
        return 0.0 if self.pages else time.monotonic() - self.left

    def kernel(self):
        """The kernel, or None while it starts or when it could not."""
        done = self.coming.done() and not self.coming.cancelled() and self.coming.exception() is None
        return self.coming.result() if done else None


class Places:
    """At most `most` kernels of visitors, and up to `spare` that wait for one.

    Parameters
    ----------
    start : coroutine function
        Returns a started `Kernel`.
    most, spare : int
    """

    def __init__(self, start, most, spare):
        self._start, self.most, self.spare = start, most, spare
        self.taken, self._waiting, self._filling, self._ending = {}, [], None, set()

    def hold(self, visitor):
        """The place of a visitor, a new one if needed.

        Raises
        ------
        Full
            None is free.
        """
        place = self.taken.get(visitor)
        if place is None:
            if len(self.taken) >= self.most:
                self._give_up_one()
            place = self.taken[visitor] = Place(asyncio.ensure_future(self._next()))
        return place

    def _give_up_one(self):
        quiet = [(place.quiet_for(), visitor) for visitor, place in self.taken.items()]
        longest, visitor = max(quiet, default=(0, None))
        if longest < GRACE:
            raise Full
        self.drop(visitor)

    def drop(self, visitor):
        """End a visitor's kernel."""
        place = self.taken.pop(visitor, None)
        if place is not None:
            self._in_background(self._end(place))

    async def _end(self, place):
        place.coming.cancel()  # does nothing once it is there
        with contextlib.suppress(Exception, asyncio.CancelledError):
            await (await place.coming).end()

    def _in_background(self, coroutine):
        task = asyncio.ensure_future(coroutine)
        self._ending.add(task)
        task.add_done_callback(self._ending.discard)

    async def _next(self):
        while self._waiting:
            kernel = self._waiting.pop(0)  # before anything is awaited: nobody else may get the same one
            if await kernel.alive():
                break
        else:
            kernel = await self._start()
        self.fill()
        return kernel

    def fill(self):
        """Start kernels ahead, one after the other, until enough wait."""
        if self._filling is None or self._filling.done():
            self._filling = asyncio.ensure_future(self._fill())

    async def _fill(self):
        while len(self._waiting) < min(self.spare, self.most - len(self.taken)):
            self._waiting.append(await self._start())

    async def tidy(self):
        """End what nobody looks at, and forget what has died."""
        for visitor, place in list(self.taken.items()):
            kernel = place.kernel()
            dead = (place.coming.done() and kernel is None) or (kernel is not None and not await kernel.alive())
            if dead or place.quiet_for() > IDLE:
                self.drop(visitor)
        self.fill()

    def quiet(self):
        """Whether a processor is free: fewer kernels at work than there are processors."""
        kernels = [kernel for place in self.taken.values() if (kernel := place.kernel())]
        return sum(kernel.busy for kernel in kernels) < _processors()

    def memory(self):
        """Resident memory of each visitor's kernel in MB, a list."""
        return [kernel.memory_mb() for place in self.taken.values() if (kernel := place.kernel())]

    async def close(self):
        """End all."""
        filling = [self._filling] if self._filling else []
        for task in filling:
            task.cancel()
        for visitor in list(self.taken):
            self.drop(visitor)
        waiting = [kernel.end() for kernel in self._waiting]
        await asyncio.gather(*filling, *self._ending, *waiting, return_exceptions=True)
