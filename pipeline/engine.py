"""Where work runs: threads, or a Dask cluster; over the data's own shards, the same answer at any count.

Two kinds of work: sites of one fleet in this process, which write into arrays that they share
(`over_threads`), and shards of a fleet too large for that, which share nothing (`shards_over_threads`,
`shards_over_dask`).
"""

import logging
import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Protocol, TypeVar

from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from pipeline.errors import RequestError

J = TypeVar("J")
R = TypeVar("R")
ForEach = Callable[[Callable[[int], None], Iterable[int]], None]


class RunShards(Protocol):
    """Do work on every job and give what it returned, in the jobs' order.

    The work and the jobs can be sent to another process, and a job that is done twice does the same twice.
    """

    def __call__(self, work: Callable[[J], R], jobs: Sequence[J]) -> list[R]:
        """Run them all; raise what the first one that failed raised."""
        ...


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


def shards_in_turn(work: Callable[[J], R], jobs: Sequence[J]) -> list[R]:
    """Do one job after another in this thread."""
    return [work(job) for job in jobs]


def shards_over_threads(workers: int | None = None) -> RunShards:
    """Return a runner that does so many jobs at a time in threads of this process."""
    count = workers or worker_count()

    def run(work: Callable[[J], R], jobs: Sequence[J]) -> list[R]:
        if count == 1:
            return shards_in_turn(work, jobs)
        # The limit is the process's: a job that ended would take it off those that still run.
        with one_blas_thread(), ThreadPoolExecutor(count) as pool:
            return list(pool.map(work, jobs))

    return run


def offline(home: Path) -> None:
    """Keep Prefect to this machine and this fleet; must come before Prefect is imported."""
    home.mkdir(parents=True, exist_ok=True)
    os.environ.setdefault("PREFECT_HOME", str(home.resolve()))
    os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
    os.environ.setdefault("DO_NOT_TRACK", "1")
    os.environ.setdefault("PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS", "120")
    os.environ.setdefault("PREFECT_LOGGING_LEVEL", "WARNING")
    os.environ.setdefault("PREFECT_LOGGING_TO_API_ENABLED", "false")


def shards_over_dask(scheduler: str, home: Path, workers: int | None = None) -> RunShards:
    """Return a runner that hands jobs to a Dask cluster, in a Prefect flow of its own.

    scheduler: its address (`tcp://host:8786`), or "local" for workers of this machine, a process each. home:
    a folder that Prefect keeps its states in. A job whose worker dies is done again by another. Raises
    RequestError where the extra `dask` is not installed.
    """
    where: dict[str, Any] = {"address": scheduler}
    if scheduler == "local":
        local = {"n_workers": workers or worker_count(), "threads_per_worker": 1, "dashboard_address": None}
        where = {"cluster_kwargs": local}

    def run(work: Callable[[J], R], jobs: Sequence[J]) -> list[R]:
        offline(home)
        os.environ.setdefault("DASK_LOGGING__DISTRIBUTED", "error")  # for the workers
        try:
            from prefect import flow
            from prefect.context import FlowRunContext
            from prefect_dask import DaskTaskRunner
        except ImportError as fault:
            raise RequestError(
                f"Shards can't go to Dask ({fault}); install the extra: pip install 'rodfleet[dask]'."
            ) from fault
        logging.getLogger("distributed").setLevel(logging.ERROR)
        runner: Any = DaskTaskRunner(**where)

        @flow(name="rodfleet shards", task_runner=runner, validate_parameters=False)
        def shards() -> list[R]:
            # Futures of Dask's own: a task of Prefect's would have every worker start a Prefect server.
            client = FlowRunContext.get().task_runner.client  # type: ignore[union-attr]
            return list(client.gather(client.map(work, jobs, pure=False)))

        return shards()

    return run
