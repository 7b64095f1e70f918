"""Where work runs: threads over the data's own shards, the same answer at any count of workers."""

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager

from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

ForEach = Callable[[Callable[[int], None], Iterable[int]], None]
SHARD = 16  # sites; fixed by the data, so that the count of workers changes nothing


def worker_count() -> int:
    """Return how many threads a run uses: RODFLEET_WORKERS, else the cores at hand, at most eight."""
    asked = os.environ.get("RODFLEET_WORKERS", "")
    if asked.isdigit() and int(asked) > 0:
        return int(asked)
    return max(
        1, min(8, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1)
    )


def over_threads(workers: int | None = None) -> ForEach:
    """Return a runner that hands shards of items to threads; the kernels release the interpreter's lock.

    Each item writes its own part of the outputs, so that the order in which shards end does not matter.
    """
    count = workers or worker_count()

    def each(work: Callable[[int], None], items: Iterable[int]) -> None:
        todo = list(items)
        shards = [todo[i : i + SHARD] for i in range(0, len(todo), SHARD)]

        def run(shard: list[int]) -> None:
            for item in shard:
                work(item)

        if count == 1 or len(shards) < 2:
            for shard in shards:
                run(shard)
            return
        with ThreadPoolExecutor(count) as pool:
            for done in [pool.submit(run, shard) for shard in shards]:
                done.result()

    return each


def one_blas_thread() -> AbstractContextManager[object]:
    """Hold BLAS to one thread: its small products gain nothing from more, and two pools of threads fight."""
    return threadpool_limits(1)
