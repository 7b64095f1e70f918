"""Print how well known truths are recovered: discrimination beside rules, coverage, calibration by tenths.

Run as `make recovery`, or `python -m tests.recovery --mechanisms field,nothing --seeds 1,2 --sites 100`.
"""

import argparse
import time

from models.track_record import by_tenths
from pipeline.engine import one_blas_thread
from tests.recovery.fleets import MECHANISMS, judge, judged_fleet, pooled


def main() -> None:
    """Run the mechanisms and seeds asked for and print the table."""
    ask = argparse.ArgumentParser(prog="python -m tests.recovery", description=__doc__)
    ask.add_argument("--mechanisms", default=",".join(MECHANISMS), help="comma separated")
    ask.add_argument("--seeds", default="1,2,3", help="comma separated")
    ask.add_argument("--sites", type=int, default=150)
    given = ask.parse_args()
    seeds = [int(s) for s in given.seeds.split(",")]
    print(
        f"{given.sites} sites a fleet, seeds {given.seeds}; threshold twice the new value; horizon 5 years."
    )
    print("AUC: crossing within 5 years among electrodes not past now. Intervals: sites resampled whole.\n")
    for mechanism in given.mechanisms.split(","):
        start = time.monotonic()
        with one_blas_thread():
            fleets = [judged_fleet(given.sites, seed, mechanism) for seed in seeds]
        for line in judge(fleets):
            print(line)
        people = pooled(fleets)
        print("  calibration by tenths, 5 years ahead, among electrodes not past now:")
        table = by_tenths(people.p_5y, people.past_5y, people.site)
        for row in table.iter_rows(named=True):
            print(
                f"    {row['bin']:>9}  {row['electrodes']:6d}  forecast {row['forecast']:.3f}"
                f"  observed {row['observed']:.3f}  ({row['z']:+.1f} standard errors)"
            )
        print(f"  {time.monotonic() - start:.0f} s\n", flush=True)


if __name__ == "__main__":
    main()
