"""Reading and judging long logs, beside pandas and astropy; prints table rows (time of the processor). Run by hand."""

import resource
import sys
import tempfile
import time
from pathlib import Path

import astropy.units as u
import numpy as np

from helpers import night_comparison as nights


def _write(path, rows, dated):
    errors = np.random.default_rng(1).normal(0, 0.4, (rows, 2))
    start = np.datetime64("2026-11-07T20:40:00.00", "ms")
    times = start + (1500 * np.arange(rows)).astype("timedelta64[ms]") if dated else 1.5 * np.arange(rows)
    with path.open("w", encoding="utf-8") as file:
        file.write("time,ra_error,dec_error,camera,star_count\n")
        file.writelines(f"{t},{ra:.3f},{dec:.3f},B,9\n" for t, (ra, dec) in zip(times, errors, strict=True))


def _seconds(function):
    start = time.process_time()
    result = function()
    return time.process_time() - start, result


def main():
    import pandas
    from astropy.table import Table

    print("| what | ours | pandas | astropy, fast reader |\n| --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder:
        for rows, dated in ((200_000, True), (1_000_000, False)):
            path = Path(folder) / f"{rows}.csv"
            _write(path, rows, dated)
            ours, log = _seconds(lambda path=path: nights.load_log(path))
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform != "darwin" else 1024**2)
            dates = ["time"] if dated else None
            theirs, _ = _seconds(lambda path=path, dates=dates: pandas.read_csv(path, parse_dates=dates))
            other, _ = _seconds(lambda path=path: Table.read(path, format="ascii.fast_csv"))
            kind = "dates" if dated else "seconds"
            print(f"| {rows:,} rows, {kind}; peak {peak:.0f} MB | {ours:.2f} s | {theirs:.2f} s | {other:.2f} s |")
            clean, _ = _seconds(lambda log=log: nights.clean_log(log))
            errors = np.column_stack([log["ra_error"], log["dec_error"]]) * u.arcsec
            interval, _ = _seconds(lambda errors=errors: nights.rms_interval(errors))
            print(f"| clean_log and rms_interval of them | {clean:.2f} s and {interval:.2f} s | | |")


if __name__ == "__main__":
    main()
