"""Twelve visitors of `show` who all move sliders: time from a change to its picture, and memory. Run by hand:

    .venv/bin/python -m tests.benchmarks.bench_show [VISITORS] [SECONDS] [ahead]

Each visitor is a light websocket client with one workbook open, and moves one slider every half second. Server and
kernels are held to two processors, where the system can do that. Pictures drawn ahead do not count: every change is
answered by the kernel, so that these are the longest times that a reader meets. With `ahead` each visitor also asks for
the pictures that may come next, between two changes, as a page in a browser does: these must not keep others waiting.
"""

import os
import statistics
import sys
import tempfile
import threading
import time

import numpy as np
import psutil

from tests.live_client import Server, Visitor

ROOMS = ("00_your_rig", "01_pixel_scale", "04_seeing", "05_multi_star", "06_near_infrared", "11_planetary")
EVERY = 0.5  # seconds between two changes of one visitor


class Mover(threading.Thread):
    """A visitor who opens a workbook, skips the guesses and moves the first slider that can be moved."""

    def __init__(self, server, number, start, ahead):
        super().__init__(daemon=True)
        self.room, self._start, self.seconds, self.times, self.first = ROOMS[number % len(ROOMS)], start, 0, [], None
        self._wants_ahead, self.ahead = ahead, 0
        self._visitor = Visitor(server, f"v{number}")

    def run(self):
        began = time.monotonic()
        page = self._visitor.open(self.room).connect()
        page.play(seconds=900)
        self.first = time.monotonic() - began
        for skip in page.find(_view_name="ButtonView", description="Skip"):
            page.press(skip)
        page.listen(2)
        kinds = ("FloatSliderView", "IntSliderView", "FloatLogSliderView")
        sliders = [one for kind in kinds for one in page.find(_view_name=kind, disabled=False)]
        slider = next(one for one in sliders if "[" in page.models[one]["description"])
        self._start.wait()
        end = time.monotonic() + self.seconds
        rng = np.random.default_rng(1)
        while time.monotonic() < end:
            began = time.monotonic()
            self._move(page, slider, rng.uniform(0.1, 0.9), began)
            if self._wants_ahead:
                self._ask_ahead(page, slider, began + EVERY)
            while (left := began + EVERY - time.monotonic()) > 0:
                page.hear(left)

    def _move(self, page, slider, share, began):
        state = page.models[slider]
        value = state["min"] + share * (state["max"] - state["min"])
        step = state["step"]
        value = state["min"] + round((value - state["min"]) / step) * step
        if "base" in state:
            value = state["base"] ** value
        asked = page.set(slider, value=value)
        while time.monotonic() < began + 20:
            heard = page.hear(5)
            if heard is None:
                break
            _, parent, content, buffers = heard
            if parent == asked and buffers and ["value"] in content["data"].get("buffer_paths", []):
                self.times.append(1000 * (time.monotonic() - began))
                return

    def _ask_ahead(self, page, slider, end):
        """Ask for one picture after the other, as helpers/classroom/ahead.js does, until the next change is due."""
        panel, state = next((one, state) for one, state in page.models.items() if slider in state.get("controls", ()))
        for number in range(2 * len(state["controls"])):
            content = {"control": number // 2, "direction": 1 - 2 * (number % 2)}
            asked = page.ask("comm_msg", {"comm_id": panel, "data": {"method": "custom", "content": content}})
            while (left := end - time.monotonic()) > 0:
                heard = page.hear(left)
                if heard and heard[1] == asked and heard[2].get("data", {}).get("method") == "custom":
                    self.ahead += 1
                    break
            else:
                return


def main(count=12, seconds=60, ahead=False):
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    print(f"load before: {load:.1f} on {os.cpu_count()} processors")
    with tempfile.TemporaryDirectory() as folder:
        server = Server(folder, "--share", visitors=count)
        if hasattr(os, "sched_setaffinity"):
            os.sched_setaffinity(server.process.pid, set(list(os.sched_getaffinity(0))[:2]))
        try:
            server.wait()
            start = threading.Barrier(count + 1)
            movers = [Mover(server, number, start, ahead) for number in range(count)]
            for mover in movers:
                mover.seconds = seconds
                mover.start()
            start.wait(1800)
            children = psutil.Process(server.process.pid).children(recursive=True)
            before = used([psutil.Process(server.process.pid)]), used(children)
            for mover in movers:
                mover.join()
            after = used([psutil.Process(server.process.pid)]), used(children)
            memory = [child.memory_info().rss / 1e6 for child in children]
            unshared = [child.memory_full_info().uss / 1e6 for child in children]
        finally:
            server.stop()
    report(movers, memory, unshared, *(late - early for early, late in zip(before, after, strict=True)))


def used(processes):
    """Processor time of processes so far in ms; on a busy machine it tells more than the clock."""
    return 1000 * sum(sum(process.cpu_times()[:2]) for process in processes)


def report(movers, memory, unshared, server_ms, kernels_ms):
    every = [one for mover in movers for one in mover.times]
    print(f"changes with a picture: {len(every)}; from {min(len(mover.times) for mover in movers)} a visitor")
    print(f"pictures drawn ahead: {sum(mover.ahead for mover in movers)}")
    medians = [statistics.median(mover.times) for mover in movers if mover.times]
    print(f"change to picture: median {statistics.median(every):.0f} ms, 95 % within {np.percentile(every, 95):.0f} ms")
    each = f"{server_ms / len(every):.1f} ms in the server, {kernels_ms / len(every):.1f} ms in the kernel"
    print(f"processor time of a change: {each}")
    print(f"medians of single visitors: {min(medians):.0f} to {max(medians):.0f} ms")
    print(f"all cells run after {max(mover.first for mover in movers):.0f} s (all came at once)")
    print(
        f"memory of a kernel: {statistics.mean(memory):.0f} MB, at most {max(memory):.0f}; unshared {max(unshared):.0f}"
    )
    print(f"load after: {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "")


if __name__ == "__main__":
    main(*(word == "ahead" or int(word) for word in sys.argv[1:]))
