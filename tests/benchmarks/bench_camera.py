"""Measuring a camera from 200 frames of 1800 x 1000 on disk, against astropy's time just to read them. Run by hand:

    .venv/bin/python tests/benchmarks/bench_camera.py [FOLDER]

Prints a row "what | ours | other | ratio" and the largest memory of the measuring process. The frames (720 MB) are
written to FOLDER, or to a temporary one that is removed again.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from astropy.io import fits

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from helpers import camera_check
from helpers.camera_check import files as frame_files

ROWS, COLUMNS = 1000, 1800
EXPOSURES = {"bias": (0.0,), "dark": (10.0, 60.0), "flat": (0.5, 1.0, 1.5, 2.0, 2.5)}
REPEATS = {"bias": 50, "dark": 25, "flat": 20}


def write(folder):
    """200 frames of a healthy camera: 12 bit, 1 electron a number, read noise 2 electrons."""
    rng = np.random.default_rng(12)
    pattern = rng.normal(100, 0.3, (ROWS, COLUMNS))
    for kind, exposures in EXPOSURES.items():
        for exposure in exposures:
            light = {"bias": 0.0, "dark": 0.02, "flat": 1400.0}[kind] * exposure
            noise = np.sqrt(2.0**2 + light)
            base = rng.normal(0, noise, (ROWS, COLUMNS)).astype(np.float32)
            for number in range(REPEATS[kind]):
                # Moving the same noise about is quicker than drawing it anew, and just as good for timing.
                frame = np.rint(pattern + light + np.roll(base, (number * 37, number * 61), (0, 1))).astype(np.uint16)
                header = fits.Header({"IMAGETYP": kind, "EXPTIME": exposure})
                fits.PrimaryHDU(frame, header).writeto(folder / f"{kind}_{exposure}_{number:02d}.fits", overwrite=True)


def read(folder):
    """What astropy needs to read each file once."""
    start = time.perf_counter()
    for path in sorted(folder.glob("*.fits")):
        with fits.open(path, memmap=False) as file:
            assert file[0].data is not None
    return time.perf_counter() - start


def measure(folder):
    start = time.perf_counter()
    camera_check.measure_files(frame_files.sort_frames(folder))
    return time.perf_counter() - start


def timed(task, folder):
    """Seconds and peak memory [MB] of a task in a process of its own."""
    code = (
        f"import sys, pathlib; sys.path.insert(0, {str(Path(__file__).parent)!r}); import bench_camera as b; "
        f"print(b.{task}(pathlib.Path({str(folder)!r})), b.memory())"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    return float(found[0]), float(found[1])


def memory():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path)
    given = parser.parse_args().folder
    with tempfile.TemporaryDirectory() as temporary:
        folder = given or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        if not any(folder.glob("*.fits")):
            write(folder)
        read(folder)  # so that both find the files in the system's cache
        runs = [(timed("read", folder), timed("measure", folder)) for _ in range(5)]
    ours, theirs = min(run[1][0] for run in runs), min(run[0][0] for run in runs)
    peak = max(run[1][1] for run in runs)
    print("| what | ours | other | ratio |\n| --- | --- | --- | --- |")
    print(
        f"| camera check of 200 frames 1800 x 1000, peak {peak:.0f} MB; other: astropy reads them | {ours:.2f} s | "
        f"{theirs:.2f} s | {ours / theirs:.2f} |"
    )


if __name__ == "__main__":
    main()
