"""Print how well known truths are recovered, beside rules and oracles, and which targets are met.

Run as `make recovery`, or `python -m tests.recovery --mechanisms field,nothing --seeds 1,2 --sites 100`.
"""

import argparse
import time

from pipeline.engine import one_blas_thread
from tests.recovery.fleets import MECHANISMS, OWN, judged_fleet
from tests.recovery.oracle import TEACHING_SITES, teaching_fleets
from tests.recovery.targets import Target, judge, summary


def main() -> None:
    """Run the mechanisms and seeds asked for and print the tables."""
    ask = argparse.ArgumentParser(prog="python -m tests.recovery", description=__doc__)
    ask.add_argument("--mechanisms", default=",".join(MECHANISMS), help="comma separated")
    ask.add_argument("--seeds", default="1,2,3,4,5", help="comma separated")
    ask.add_argument("--sites", type=int, default=150)
    given = ask.parse_args()
    seeds = [int(s) for s in given.seeds.split(",")]
    print(
        f"{given.sites} sites a fleet, seeds {given.seeds}; threshold twice the new value. AUC and tenths: "
        "crossing within 5 years among electrodes not past now. Intervals: sites resampled whole. "
        f"Oracles taught with other fleets of {TEACHING_SITES} sites.\n"
    )
    targets: list[Target] = []
    for mechanism in given.mechanisms.split(","):
        start = time.monotonic()
        with one_blas_thread():
            teaching = [] if mechanism == OWN else teaching_fleets(mechanism)
            lines, found = judge([judged_fleet(given.sites, s, mechanism) for s in seeds], teaching)
        print("\n".join(lines))
        targets += found
        print(f"  {time.monotonic() - start:.0f} s\n", flush=True)
    print("\n".join(summary(targets)))


if __name__ == "__main__":
    main()
