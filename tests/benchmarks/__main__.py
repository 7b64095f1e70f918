"""Measure what the program takes on this machine, beside a named baseline in the same run.

    make bench
    python -m tests.benchmarks --only 1,3

1. the whole `rodfleet run` of an invented fleet of 300 sites in three layouts (made and loaded before, not
   counted; one tiny run before compiles the kernels) against a straight line per electrode and a mixed model
   (random intercept and slope) on the same readings. Targets: under 60 s, under 2 GB.
2. a CSV file of a million readings through `rodfleet load`, the same file again, and its rows in another
   file, against DuckDB's bare read_csv into a table.
3. the vetting of a million readings against a median per electrode of the same frame.
4. the pages, workbook and copies of a run of 300 sites.
5. the site pass under a stored calibration at 75, 150 and 300 sites: seconds per 1,000 electrodes should stay
   flat.
6. what general tools take for the readings of a large fleet (fifteen an electrode): a straight line per
   electrode by polars and by pandas, a mixed model by statsmodels and by mixedlm-rs (the extra `bench`).
7. a large fleet's outlook by shards under a stored calibration, from the store to the outlook, at 10,000,
   30,000 and 100,000 electrodes: seconds per 1,000 should stay flat, memory too. Target for a million: 180 s,
   4 GB.
8. a calibration on a sample of sites, and how far its forecasts are from those of a calibration on all.
9. a night of 6,000 electrodes by shards. Targets: under 5 s under the stored calibration, 30 s with a new
   one.
10. Turnbull's curve with its bands, and a Weibull regression, of 100,000 electrodes, beside lifelines.
   Targets: under 20 s and under 60 s.
11. two layers fitted to the soundings of 1,000 sites, beside a bare optimiser. Target: under 60 s.
12. as 2, a file of ten million readings (1 GB), and what each million more takes. Targets: three times the
   bare read, twice where the rows are held already, 4 GB.
13. a file of twenty million readings (2 GB). Target: 4 GB of memory.

Each measurement has a process of its own. Seconds are wall seconds: in 1 of the whole process, in 2 to
5 of the work itself with its input in memory, the best of two or three where that is cheap. Peak is the
largest resident memory of the whole process. `x base` is seconds over the seconds of the case's baseline.
Nothing here is asserted: a machine that others use slows everything down; ratios bear that better.
"""

import argparse
import os
import platform
import tempfile
import time
from pathlib import Path

from tests.benchmarks.cases import CASES, Place, Row

_WIDTH = 44


def _cells(row: Row) -> str:
    peak = "" if row.peak_mb is None else f"{row.peak_mb:,.0f}"
    times = "" if row.times_baseline is None else f"{row.times_baseline:.2f}"
    return f"{row.what:<{_WIDTH}} {row.seconds:>8.2f} {peak:>8} {times:>8}  {row.note}".rstrip()


def main() -> None:
    """Run the cases asked for and print the table."""
    ask = argparse.ArgumentParser(
        prog="python -m tests.benchmarks",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    ask.add_argument("--only", default=",".join(map(str, CASES)), help="numbers of cases, comma separated")
    only = ask.parse_args().only.split(",")
    if unknown := [n for n in only if n not in map(str, CASES)]:
        ask.error(f"there is no case {', '.join(unknown)}; choose from {', '.join(map(str, CASES))}")
    start = time.monotonic()
    load = f", load {os.getloadavg()[0]:.1f} at the start" if hasattr(os, "getloadavg") else ""
    print(f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores{load}")
    print(f"{'':<{_WIDTH}} {'seconds':>8} {'peak MB':>8} {'x base':>8}")
    with tempfile.TemporaryDirectory(prefix="rodfleet-bench-") as scratch:
        place = Place(Path(scratch))
        for number in sorted(map(int, set(only))):
            case = CASES[number]
            print(f"\n{number}. {(case.__doc__ or '').rstrip('.')}", flush=True)
            for row in case(place):
                print(_cells(row), flush=True)
    print(f"\n{time.monotonic() - start:.0f} s in all")


if __name__ == "__main__":
    main()
