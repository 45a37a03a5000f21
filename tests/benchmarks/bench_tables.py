"""Large logs and star lists: processor time and memory of each reader in a process of its own, ours and others'."""

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROWS, DATES, STARS = 1_000_000, 200_000, 1_000_000


def write(folder):
    rng = np.random.default_rng(1)
    errors = rng.normal(0, 0.5, (ROWS, 2))
    lines = [f"{k},{ra:.3f},{dec:.3f}" for k, (ra, dec) in enumerate(errors)]
    (folder / "rows.csv").write_text("\n".join(["time,ra_error,dec_error", *lines]) + "\n")
    instants = np.datetime64("2026-11-07T20:00:00") + np.arange(DATES)
    lines = [f"{t},{ra:.3f},{dec:.3f}" for t, (ra, dec) in zip(instants, errors, strict=False)]
    (folder / "dates.csv").write_text("\n".join(["time,ra_error,dec_error", *lines]) + "\n")
    cells = np.column_stack([rng.uniform(0, 360, STARS), rng.uniform(-90, 90, STARS), rng.uniform(6, 18, STARS)])
    rows = "".join(f"<TR><TD>{a:.5f}</TD><TD>{b:.5f}</TD><TD>{c:.2f}</TD></TR>\n" for a, b, c in cells)
    fields = "".join(
        f'<FIELD name="{name}" datatype="double" unit="{unit}"/>'
        for name, unit in (("ra", "deg"), ("dec", "deg"), ("magnitude", "mag"))
    )
    (folder / "stars.vot").write_text(
        '<?xml version="1.0"?><VOTABLE version="1.4" xmlns="http://www.ivoa.net/xml/VOTable/v1.3"><RESOURCE><TABLE>'
        f"{fields}<DATA><TABLEDATA>{rows}</TABLEDATA></DATA></TABLE></RESOURCE></VOTABLE>"
    )


def _pandas(path):
    import pandas

    return pandas.read_csv(path, parse_dates=["time"] if path.name == "dates.csv" else False)


def _astropy(path):
    from astropy.table import Table

    return Table.read(path)


def _ours(path):
    from helpers.guide_field import load_catalogue
    from helpers.night_comparison import load_log

    return load_catalogue(path) if path.suffix == ".vot" else load_log(path)


READERS = {"ours": _ours, "astropy": _astropy, "pandas": _pandas}


def measure(reader, path):
    """Printed by a process of its own: seconds of processor time without imports, most memory in MB."""
    small = path.with_name("small" + path.suffix)  # read first, so that imports do not count
    began = None
    for each in (small, path):
        began = time.process_time()
        READERS[reader](each)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    print(f"{path.name:10} {reader:8} {time.process_time() - began:7.2f} s {memory:7.0f} MB", flush=True)


if __name__ == "__main__":
    if len(sys.argv) == 3:
        measure(sys.argv[1], Path(sys.argv[2]))
        sys.exit()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder)
        for file in ("rows.csv", "dates.csv", "stars.vot"):
            path = folder / file
            text = path.read_text()
            end = [k for k, mark in enumerate(text[:2000]) if mark == "\n"][8] + 1
            tail = "</TABLEDATA></DATA></TABLE></RESOURCE></VOTABLE>" if path.suffix == ".vot" else ""
            path.with_name("small" + path.suffix).write_text(text[:end] + tail)
            for reader in READERS:
                if reader != "pandas" or path.suffix == ".csv":
                    subprocess.run([sys.executable, __file__, reader, str(path)], check=True)
