"""A fleet too large for one piece: sites in shards, each from its readings to its electrodes' outlook.

Shards are cut by the data, so that they are the same whoever works on them. The readings are laid out once,
one Parquet folder a shard; a worker reads its shard and writes that shard's outlook, and nothing else passes
between them. What they share is the calibration.
"""

import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from models.calibration import Calibration, adapt
from models.forecast import fit_electrodes, levels, outlook_frame
from models.histories import Histories
from models.history_frames import build_histories
from models.vetting import vet
from pipeline.calibrations import Fit, fit_of
from pipeline.engine import RunShards, one_blas_thread, shards_in_turn
from pipeline.inference import fit_stream, with_facts
from pipeline.run_tables import as_declared
from pipeline.store import Store

SHARD_ELECTRODES = 2_000  # a fit of so many takes some hundred megabytes
VETTED = ("verdict", "sd_extra_log")
VETTED_COLUMNS = (
    *("row_id", "electrode_id", "site_id", "taken_at", "resistance_ohm"),
    *("range_mark", "verdict", "sd_extra_log"),
)


@dataclass(frozen=True)
class Spool:
    """A fleet laid out in shards below a folder: electrodes, works and readings of each, and instruments."""

    folder: Path
    shards: int
    as_of: date

    def electrodes(self, shard: int) -> Path:
        """Give the file of a shard's electrodes."""
        return self.folder / "electrodes" / f"{shard}.parquet"

    def readings(self, shard: int) -> list[Path]:
        """Give the files of a shard's readings, in order; none where it has none."""
        return sorted((self.folder / "readings" / f"shard={shard}").glob("*.parquet"))

    @property
    def works(self) -> Path:
        """Give the file of the fleet's works."""
        return self.folder / "works.parquet"

    @property
    def instruments(self) -> Path:
        """Give the file of the fleet's instruments."""
        return self.folder / "instruments.parquet"


@dataclass(frozen=True)
class Job:
    """One shard's work, small enough to be sent anywhere: where it lies, and what it is fitted under.

    calibration: None where the shard is to be vetted only.
    """

    shard: int
    spool: Spool
    out: Path
    calibration: Calibration | None
    horizons: tuple[int, ...]
    seed: int


@dataclass(frozen=True)
class ShardDone:
    """What became of a shard: its file, counts, how its readings took the calibration, and CPU seconds."""

    shard: int
    path: Path
    electrodes: int
    readings: int
    fit: Fit
    read_s: float
    fit_s: float
    write_s: float


def cut_in_shards(electrodes: pl.DataFrame, size: int = SHARD_ELECTRODES) -> pl.DataFrame:
    """Return the electrodes by site, each with its shard and its place there; a site is never cut.

    size: about so many electrodes make a shard; a site goes where its first electrode falls.
    """
    of_site = electrodes.group_by("site_id").len().sort("site_id")
    before = of_site["len"].cum_sum() - of_site["len"]
    of_site = of_site.select("site_id", (before // size).rank("dense").cast(pl.Int32).alias("shard") - 1)
    return (
        electrodes.join(of_site, on="site_id")
        .sort("site_id", "electrode_id")
        .with_columns(pl.int_range(pl.len(), dtype=pl.Int32).over("shard").alias("place"))
    )


def lay_out(
    store: Store,
    electrodes: pl.DataFrame,
    folder: Path,
    as_of: date,
    readings: str | None = None,
    vetted: bool = False,
    size: int = SHARD_ELECTRODES,
) -> Spool:
    """Lay out electrodes, works and readings by shard below an empty folder.

    electrodes: as fleet_inputs works them out. readings: Parquet files (a path or glob that DuckDB reads),
    else the store's: vetted ones (`_vetted_readings`) or all that were accepted.
    """
    placed = cut_in_shards(electrodes, size)
    spool = Spool(folder, placed["shard"].n_unique(), as_of)
    (folder / "electrodes").mkdir(parents=True)
    for (shard,), part in placed.group_by("shard", maintain_order=True):
        part.drop("shard", "place").write_parquet(spool.electrodes(int(str(shard))), compression="lz4")
    store.table("core_works").write_parquet(spool.works)
    store.table("core_instruments").write_parquet(spool.instruments)
    binds = {"until": as_of + timedelta(days=1), "folder": str(folder / "readings")}
    with store.lent("_places", placed.select("electrode_id", "shard", "place")):
        if readings is not None:
            store.allow_paths(readings)
            store.run("spool_parquet_readings", readings=readings, **binds)
        else:
            store.run("spool_vetted_readings" if vetted else "spool_accepted_readings", **binds)
    return spool


def fit_shard(job: Job) -> ShardDone:
    """Fit one shard's electrodes and write their lives; the file appears whole or not at all."""
    if job.calibration is None:
        raise ValueError("A shard is fitted under a calibration.")
    with one_blas_thread():
        at = [time.thread_time()]
        electrodes, readings = read_shard(job.spool, job.shard)
        works = pl.read_parquet(job.spool.works)
        h = build_histories(electrodes, readings, works, job.spool.as_of)
        at.append(time.thread_time())
        threshold = dict(electrodes.select("electrode_id", "threshold_ratio").iter_rows())
        log_threshold = np.log(np.array([threshold[e] for e in h.electrode_id]))
        rng = fit_stream(job.seed)
        fit = fit_electrodes(h, job.calibration, log_threshold, rng)
        level = levels(fit, rng, points=0)
        at.append(time.thread_time())
        outlook = outlook_frame(fit, level, job.spool.as_of, job.horizons)
        lives = with_facts(outlook, electrodes, job.spool.as_of, readings)
        path = job.out / f"{job.shard:06d}.parquet"
        _write(as_declared({"electrode_lives": lives}, job.horizons)["electrode_lives"], path)
        at.append(time.thread_time())
    took = fit_of(fit, outlook["state"])
    return ShardDone(job.shard, path, h.electrodes, int(h.age.size), took, *np.diff(at).round(4).tolist())


def fit_together(done: list[ShardDone]) -> Fit:
    """Say how all shards' readings took the calibration, each shard by its weight."""
    readings, electrodes = (np.array([getattr(d, c) for d in done]) for c in ("readings", "electrodes"))

    def mean(name: str, weight: npt.NDArray[np.int64]) -> float:
        return float(np.average([getattr(d.fit, name) for d in done], weights=np.maximum(weight, 1)))

    return Fit(
        mean("squared_noise", readings), mean("wild_share", readings), mean("not_understood", electrodes)
    )


def vet_shard(job: Job) -> Path:
    """Vet one shard's readings and write them as `_vetted_readings` has them."""
    _, rows = read_shard(job.spool, job.shard)
    path = job.out / f"{job.shard:06d}.parquet"
    _write(rows.select(VETTED_COLUMNS), path)
    return path


def read_shard(spool: Spool, shard: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Read a shard's electrodes and its readings, vetted; those that came without a verdict are vetted here.

    An instrument's usual value on its check resistor, its drift once it has lapsed and what a district's
    campaigns are compared with are then the shard's own.
    """
    electrodes = pl.read_parquet(spool.electrodes(shard))
    files = spool.readings(shard)
    if not files:
        return electrodes, _no_readings()
    rows = pl.concat([pl.read_parquet(f) for f in files], how="diagonal_relaxed").sort("place", "row_id")
    rows = rows.with_columns(
        electrodes["electrode_id"].gather(rows["place"]).alias("electrode_id"),
        electrodes["site_id"].gather(rows["place"]).alias("site_id"),
    ).drop("place")
    if set(VETTED) <= set(rows.columns):
        return electrodes, rows
    formula = electrodes.select("electrode_id", "formula_ohm")
    verdicts = vet(rows, electrodes, pl.DataFrame(), pl.read_parquet(spool.instruments), formula)
    return electrodes, rows.drop("range_mark").join(verdicts, on="row_id", how="left", maintain_order="left")


def _no_readings() -> pl.DataFrame:
    text = ("electrode_id", "site_id", "range_mark", "verdict")
    return pl.DataFrame(
        schema={
            "row_id": pl.Int64(),
            "taken_at": pl.Datetime("us"),
            "resistance_ohm": pl.Float64(),
            "sd_extra_log": pl.Float64(),
            **{c: pl.String() for c in text},
        }
    )


def _write(frame: pl.DataFrame, path: Path) -> None:
    """Write a file in one step, so that a worker that dies leaves nothing that could be taken for whole."""
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    frame.write_parquet(beside, compression="lz4")
    os.replace(beside, path)


def sample_of_sites(spool: Spool, count: int) -> Histories:
    """Lay out the histories of so many sites, spread evenly over soil classes and electrodes a site."""
    files = [spool.electrodes(k) for k in range(spool.shards)]
    sites = (
        pl.concat([pl.read_parquet(f, columns=["site_id", "soil_class"]) for f in files])
        .group_by("site_id")
        .agg(pl.col("soil_class").first(), pl.len())
        .sort("soil_class", "len", "site_id")
    )
    evenly = np.linspace(0, sites.height - 1, min(count, sites.height)).round().astype(np.int64)
    picked = sites["site_id"].gather(evenly).implode()
    both = [
        [f.filter(pl.col("site_id").is_in(picked)) for f in read_shard(spool, k)] for k in range(spool.shards)
    ]
    electrodes, readings = (pl.concat([b[i] for b in both], how="diagonal_relaxed") for i in (0, 1))
    return build_histories(electrodes, readings, pl.read_parquet(spool.works), spool.as_of)


def fit_shards(
    spool: Spool,
    cal: Calibration,
    horizons: tuple[int, ...],
    seed: int,
    out: Path,
    run: RunShards = shards_in_turn,
) -> list[ShardDone]:
    """Fit every shard under a calibration into `out`, one file a shard; the files' order is the fleet's."""
    out.mkdir(parents=True, exist_ok=True)
    cal = _adapted(spool, cal)
    jobs = [Job(shard, spool, out, cal, horizons, seed) for shard in range(spool.shards)]
    return run(fit_shard, jobs)


def _adapted(spool: Spool, cal: Calibration) -> Calibration:
    """Give the calibration the whole fleet's classes, so that every shard draws from the same one."""
    kinds = ["soil_class", "material"]
    files = [spool.electrodes(k) for k in range(spool.shards)]
    each = [pl.read_parquet(f).unique(kinds, maintain_order=True) for f in files]
    if not each:
        return cal
    met = pl.concat(each).unique(kinds, maintain_order=True)
    h = build_histories(met, _no_readings(), pl.read_parquet(spool.works), spool.as_of)
    return adapt(cal, h)


def lives_of(done: list[ShardDone]) -> pl.LazyFrame:
    """Give the electrodes' lives of all shards, in the fleet's order, without reading them yet."""
    return pl.scan_parquet([d.path for d in sorted(done, key=lambda d: d.shard)])


@contextmanager
def spool_folder(beside: Path) -> Iterator[Path]:
    """Give an empty folder on the disk of `beside`, which is gone afterwards."""
    beside.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".shards-", dir=beside) as folder:
        yield Path(folder)
