"""The simulation of a large pass against cases that can be worked out by hand."""

from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.paper import REGION, WRITTEN_DOWN, Cluster, Passed, simulate, table

COSTS = replace(
    WRITTEN_DOWN,
    source_b=100.0,
    spool_b=200.0,
    outlook_b=300.0,
    layout_s=1e-5,
    fit_s=1e-3,
    shard=10_000,
    job_b=0.0,
)
STILL = Cluster(1, mb_s=100.0, failures=0.0, job_s=0.0, jitter=0.0)
_LAYOUT = REGION * 1e-5 + REGION * 300.0 / 1e8  # 10 s of work, 3 s of moving
_SHARD = 10_000 * 1e-3 + 10_000 * 500.0 / 1e8  # 10 s and 0.05 s


def _simulated(cluster: Cluster, electrodes: int = REGION, seed: int = 1) -> Passed:
    return simulate(COSTS, cluster, electrodes, np.random.default_rng(seed))


def test_one_worker_takes_the_sum_and_moves_every_byte_once() -> None:
    got = _simulated(STILL)
    assert got.seconds == pytest.approx(_LAYOUT + 100 * _SHARD)
    assert got.used == pytest.approx(1.0)
    assert got.moved_gb == pytest.approx(REGION * (100 + 200 + 200 + 300) / 1e9)


def test_workers_share_shards_but_not_the_laying_out_of_a_region() -> None:
    got = _simulated(replace(STILL, workers=8))
    assert got.seconds == pytest.approx(_LAYOUT + np.ceil(100 / 8) * _SHARD)
    both = _simulated(replace(STILL, workers=2), 2 * REGION)
    assert both.seconds == pytest.approx(_LAYOUT + 100 * _SHARD)


def test_the_store_is_shared_by_all_workers() -> None:
    narrow = _simulated(replace(STILL, workers=8, all_mb_s=80.0))
    assert narrow.seconds == pytest.approx(
        REGION * 1e-5 + REGION * 300.0 / 1e7 + 13 * (10.0 + 10_000 * 500.0 / 1e7)
    )


def test_a_scheduler_that_is_slow_holds_everyone_up() -> None:
    slow = _simulated(replace(STILL, workers=1000, job_s=5.0))
    assert slow.seconds == pytest.approx(_LAYOUT + 99 * 5.0 + _SHARD, rel=0.02)


def test_a_worker_that_dies_costs_what_it_had_begun() -> None:
    failing = replace(STILL, workers=4, failures=30.0)
    found = [_simulated(failing, seed=s) for s in range(20)]
    again = np.mean([f.again for f in found])
    # Each of 101 jobs of about 10 s fails with probability 1 - exp(-10 s / 120 s), until it does not.
    p = 1.0 - np.exp(-_SHARD / 120.0)
    assert again == pytest.approx(100 * p / (1 - p), rel=0.25)
    assert min(f.seconds for f in found) > _simulated(replace(STILL, workers=4)).seconds


def test_the_table_has_a_line_for_each_count() -> None:
    lines = table(COSTS, 3 * REGION, (4, 16), 0.0, 1)
    assert lines[0] == "3,000,000 electrodes, fifteen readings each, 3 regions, 300 shards"
    assert [line.split()[0] for line in lines[-2:]] == ["4", "16"]
