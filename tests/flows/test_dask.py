"""Shards on a local Dask cluster: the same tables as in this process, and where a worker is killed."""

import os
import signal
import sys
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.calibration import first_guess
from models.history_frames import build_histories
from pipeline.engine import shards_over_dask
from pipeline.errors import RequestError
from pipeline.shards import Job, ShardDone, Spool, fit_shard, fit_shards, lay_out, lives_of, read_shard
from pipeline.store import Store
from tests.benchmarks.continent import into_store
from tests.unit.test_shards import AS_OF, HORIZONS, known

# Not imported: Prefect reads its environment when it is, and the runner has to set that up before.
pytestmark = pytest.mark.skipif(find_spec("prefect_dask") is None, reason="the extra `dask` is not installed")

_ELECTRODES, _SIZE = 60, 15


def killing(job: Job) -> ShardDone:
    """Fit a shard; the first worker to come to the second one is killed in the middle of it."""
    marker = job.out / "killed"
    if job.shard == 1 and not marker.exists():
        marker.write_text(str(os.getpid()), encoding="utf-8")
        os.kill(os.getpid(), signal.SIGKILL)
    return fit_shard(job)


@pytest.fixture(scope="module")
def spool(tmp_path_factory: pytest.TempPathFactory) -> Spool:
    folder = tmp_path_factory.mktemp("dask")
    into_store(folder / "store.duckdb", _ELECTRODES)
    with Store.open(folder / "store.duckdb") as store:
        return lay_out(store, known(store), folder / "spool", AS_OF, vetted=True, size=_SIZE)


@pytest.fixture(scope="module", autouse=True)
def _as_before() -> Iterator[None]:
    """Leave the environment as it was: the runner keeps Prefect to a folder of this test."""
    before = dict(os.environ)
    yield
    os.environ.clear()
    os.environ.update(before)


def _jobs(spool: Spool, out: Path) -> list[Job]:
    out.mkdir(parents=True)
    electrodes = pl.concat([pl.read_parquet(spool.electrodes(k)) for k in range(spool.shards)])
    _, rows = read_shard(spool, 0)
    cal = first_guess(build_histories(electrodes, rows, pl.read_parquet(spool.works), AS_OF))
    return [Job(k, spool, out, cal, HORIZONS, 7) for k in range(spool.shards)]


def test_two_workers_give_the_same_tables_though_one_is_killed(spool: Spool, tmp_path: Path) -> None:
    # one cluster, as each takes long to start; other counts of workers: tests/unit/test_shards.py, on threads
    jobs = _jobs(spool, tmp_path / "alone")
    alone = lives_of(fit_shards(spool, jobs[0].calibration, HORIZONS, 7, tmp_path / "alone")).collect()
    done = shards_over_dask("local", tmp_path / "prefect", 2)(killing, _jobs(spool, tmp_path / "dask"))
    assert (tmp_path / "dask/killed").exists()
    assert [d.shard for d in done] == list(range(spool.shards))
    assert_frame_equal(lives_of(done).collect(), alone, rel_tol=1e-9, abs_tol=0.0)


def test_without_the_extra_it_is_said_what_to_install(
    spool: Spool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "prefect_dask", None)
    with pytest.raises(RequestError, match=r"pip install 'rodfleet\[dask\]'"):
        shards_over_dask("local", tmp_path / "prefect")(fit_shard, _jobs(spool, tmp_path / "out"))
