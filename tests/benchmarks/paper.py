"""A hundred million electrodes on paper: bytes moved, a worker's memory, and time, from what a shard costs.

    python -m tests.benchmarks.paper                        the table, from the costs written down below
    python -m tests.benchmarks.paper --measure              the same from the costs of this machine, now
    python -m tests.benchmarks.paper --workers 64,256 --failures 0.1

Regions of a million electrodes have a store each and share a calibration. A region's readings are laid out by
one worker (laying out is one query), which frees the region's shards for all workers; a worker reads a shard,
fits it, writes its rows. Shards differ in size by chance, workers die by chance and come back, and what they
had begun is done again from the start. Everything that moves is counted. Not counted: making the outlooks of
regions into one table (they stay a folder of Parquet files, which DuckDB and polars read as one).
"""

import argparse
import heapq
import os
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.benchmarks.measure import work

REGION = 1_000_000
GIGA, MEGA = 1e9, 1e6


@dataclass(frozen=True)
class Costs:
    """What an electrode with fifteen readings costs, in CPU seconds and bytes, and what a shard costs.

    source_b: in the region's own Parquet files. spool_b: laid out by shard. outlook_b: written. layout_s,
    fit_s: CPU seconds. shard: electrodes of one. worker_mb: peak of a process that fits one shard. job_b:
    what the scheduler sends with a job (the calibration, most of all).
    """

    source_b: float
    spool_b: float
    outlook_b: float
    layout_s: float
    fit_s: float
    shard: int
    worker_mb: float
    job_b: float


@dataclass(frozen=True)
class Cluster:
    """Workers of one core each. mb_s, all_mb_s: what one, and all together, move a second from the store.

    failures: deaths of a worker an hour. restart_s: until it is missed and another stands there. job_s: what
    the scheduler takes to hand out one job. jitter: sd of the log of a shard's time.
    """

    workers: int
    mb_s: float = 100.0
    all_mb_s: float = 10_000.0
    failures: float = 0.02
    restart_s: float = 60.0
    job_s: float = 0.001
    jitter: float = 0.15


@dataclass(frozen=True)
class Passed:
    """What a simulated pass took: seconds, share of the workers' time that was work kept, jobs done again."""

    seconds: float
    used: float
    again: int
    moved_gb: float


def simulate(costs: Costs, cluster: Cluster, electrodes: int, rng: np.random.Generator) -> Passed:
    """Run a pass event by event: each worker that falls free takes the next job that may begin."""
    regions = max(1, round(electrodes / REGION))
    size = electrodes / regions
    shards = max(1, round(size / costs.shard))
    speed = MEGA * min(cluster.mb_s, cluster.all_mb_s / cluster.workers)
    layout = size * costs.layout_s + size * (costs.source_b + costs.spool_b) / speed
    one = costs.shard * costs.fit_s + costs.shard * (costs.spool_b + costs.outlook_b) / speed
    waiting = [
        (0.0, 0, region, layout) for region in range(regions)
    ]  # may begin at, laid out?, region, seconds
    heapq.heapify(waiting)
    free = [0.0] * cluster.workers
    scheduler, last, kept, spent, again, moved = 0.0, 0.0, 0.0, 0.0, 0, 0.0
    while waiting:
        ready, laid, region, seconds = heapq.heappop(waiting)
        at = max(heapq.heappop(free), ready, scheduler)
        scheduler = at + cluster.job_s if at == scheduler else scheduler + cluster.job_s
        took = seconds * float(np.exp(cluster.jitter * rng.normal()))
        moved += costs.job_b + (size * costs.source_b if not laid else costs.shard * costs.spool_b)
        dies = float(rng.exponential(3600.0 / cluster.failures)) if cluster.failures else np.inf
        if dies < took:
            again, spent = again + 1, spent + dies
            heapq.heappush(free, at + dies + cluster.restart_s)
            heapq.heappush(waiting, (at + dies + cluster.restart_s, laid, region, seconds))
            continue
        end = at + took
        heapq.heappush(free, end)
        kept, spent, last = kept + took, spent + took, max(last, end)
        moved += size * costs.spool_b if not laid else costs.shard * costs.outlook_b
        if not laid:
            for _ in range(shards):
                heapq.heappush(waiting, (end, 1, region, one))
    return Passed(last, kept / (last * cluster.workers), again, moved / GIGA)


def measured(electrodes: int = 10_000) -> Costs:
    """Take the costs from a fleet made, laid out and fitted here."""
    with tempfile.TemporaryDirectory(prefix="rodfleet-paper-") as scratch:
        folder = Path(scratch)
        work("make_fleet", folder, str(electrodes))
        work("lend_calibration", folder, str(electrodes))
        found = work("shard_costs", folder, str(electrodes))
    return Costs(worker_mb=found.peak_mb, **found.facts["costs"])


# Measured by --measure on two cores of a busy machine; CPU seconds, so that others' work weighs little.
WRITTEN_DOWN = Costs(
    source_b=75.0,
    spool_b=184.0,
    outlook_b=177.0,
    layout_s=14e-6,
    fit_s=1.33e-3,
    shard=2_000,
    worker_mb=885.0,
    job_b=17_700.0,
)


def table(costs: Costs, electrodes: int, workers: Sequence[int], failures: float, seed: int) -> list[str]:
    """Write the costs and a line for each count of workers."""
    n = electrodes
    lines = [
        f"{n:,} electrodes, fifteen readings each, {n // REGION:,} regions, {n // costs.shard:,} shards",
        f"read {n * costs.source_b / GIGA:,.0f} GB, laid out {n * costs.spool_b / GIGA:,.0f} GB, "
        f"outlook {n * costs.outlook_b / GIGA:,.0f} GB, jobs {n / costs.shard * costs.job_b / GIGA:,.1f} GB",
        f"CPU: laying out {n * costs.layout_s / 3600:,.1f} h, fitting {n * costs.fit_s / 3600:,.1f} h; "
        f"{1e6 * costs.fit_s:,.0f} us an electrode",
        f"memory of a worker {costs.worker_mb:,.0f} MB, whatever the fleet",
        f"{'workers':>8} {'minutes':>9} {'kept work':>10} {'done again':>11} {'GB moved':>9}",
    ]
    for count in workers:
        cluster = replace(Cluster(count), failures=failures)
        got = simulate(costs, cluster, electrodes, np.random.default_rng([seed, count]))
        row = f"{count:>8,} {got.seconds / 60:>9,.1f} {got.used:>9.1%} {got.again:>11,} {got.moved_gb:>9,.0f}"
        lines.append(row)
    return lines


def main(words: Sequence[str] | None = None) -> None:
    """Print the table."""
    ask = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.paper",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    ask.add_argument("--electrodes", type=int, default=100_000_000)
    ask.add_argument("--workers", default="16,64,256,1024", help="counts, comma separated")
    ask.add_argument("--failures", type=float, default=0.02, help="deaths of a worker an hour")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--measure", action="store_true", help="take the costs of this machine, now")
    given = ask.parse_args(words)
    costs = measured() if given.measure else WRITTEN_DOWN
    if given.measure:
        print(f"{costs}\n", file=sys.stderr)
    counts = [int(w) for w in given.workers.split(",")]
    print("\n".join(table(costs, given.electrodes, counts, given.failures, given.seed)))


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main()
