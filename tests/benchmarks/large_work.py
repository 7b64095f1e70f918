"""The works on large fleets: the pass by shards, and what general tools take for the same readings.

Each takes a folder and words; a fleet of N electrodes lies in `folder/N`, its calibration in `folder`.
"""

import pickle
import time
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from tests.benchmarks.continent import VISITS, into_store

Facts = dict[str, Any]
_AS_OF = date(2024, 12, 31)
_CALIBRATION = "large_calibration.pickle"
_LINE_BLOCK = 2_000  # electrodes at a time: pandas works through groups one by one


def make_fleet(folder: Path, electrodes: str) -> Facts:
    """Make a fleet of so many electrodes, fifteen vetted readings each, in a store."""
    start = time.perf_counter()
    into_store(folder / electrodes / "store.duckdb", int(electrodes))
    return {
        "seconds": time.perf_counter() - start,
        "megabytes": _store(folder, electrodes).stat().st_size / 1e6,
    }


def _store(folder: Path, electrodes: str) -> Path:
    return folder / electrodes / "store.duckdb"


def _outlook(fleet: Path, asked: str) -> Facts:
    from pipeline.large_fleet import large_outlook
    from pipeline.settings import Settings

    said: list[str] = []
    start = time.perf_counter()
    done = large_outlook(fleet, Settings.load(fleet), as_of=_AS_OF, say=said.append, calibration=asked)
    seconds = time.perf_counter() - start
    return {"seconds": seconds, "stages": _stages(said), "said": done.lines[0]}


def _stages(said: list[str]) -> dict[str, float]:
    """Read the seconds of each stage from what it said."""
    words = (line[:22].rsplit(maxsplit=1) for line in said)
    return {name.strip(): float(seconds) for name, seconds in words}


def lend_calibration(folder: Path, electrodes: str) -> Facts:
    """Put the first fleet's calibration into this fleet's store; the first one is calibrated itself."""
    from pipeline.calibrations import Basis, Fit, keep_calibration, read_calibration
    from pipeline.store import Store

    kept, fleet = folder / _CALIBRATION, folder / electrodes
    if not kept.exists():
        found = _outlook(fleet, "new")
        with Store.open(_store(folder, electrodes)) as store:
            kept.write_bytes(pickle.dumps(read_calibration(store)))
        return found
    with Store.open(_store(folder, electrodes)) as store:
        n, at = int(electrodes), datetime(2025, 1, 1)
        basis = Basis(_AS_OF, _AS_OF, _AS_OF, n // 10, n, n * VISITS)
        keep_calibration(store, pickle.loads(kept.read_bytes()), basis, Fit(1, 1, 1), at, "lent")
    return {"seconds": 0.0, "stages": {}}


def large_pass(folder: Path, electrodes: str) -> Facts:
    """Forecast the fleet by shards under the calibration that it was lent: from the store to the outlook."""
    return _outlook(folder / electrodes, "c1")


def shard_costs(folder: Path, electrodes: str) -> Facts:
    """Give what an electrode costs by shards, in CPU seconds and bytes, under the lent calibration."""
    from pipeline.engine import shards_in_turn
    from pipeline.large_fleet import electrodes_of
    from pipeline.settings import Settings
    from pipeline.shards import SHARD_ELECTRODES, fit_shards, lay_out, spool_folder
    from pipeline.store import Store

    n, cal = int(electrodes), pickle.loads((folder / _CALIBRATION).read_bytes())
    with spool_folder(folder / electrodes) as scratch:
        with Store.open(_store(folder, electrodes)) as store:
            store.table("_vetted_readings").write_parquet(scratch / "source.parquet")
            start = time.process_time()
            spool = lay_out(store, electrodes_of(store, Settings()), scratch / "spool", _AS_OF, vetted=True)
            laid = time.process_time() - start
        fit_shards(spool, cal, (1, 3, 5, 10), 1, scratch / "warm", lambda work, jobs: [work(jobs[0])])
        start = time.process_time()
        done = fit_shards(spool, cal, (1, 3, 5, 10), 1, scratch / "out", shards_in_turn)
        fitted = time.process_time() - start
        sizes = [_bytes(scratch / "source.parquet"), _bytes(spool.folder), sum(_bytes(d.path) for d in done)]
    costs = dict(zip(("source_b", "spool_b", "outlook_b"), (b / n for b in sizes), strict=True))
    costs |= {
        "layout_s": laid / n,
        "fit_s": fitted / n,
        "shard": SHARD_ELECTRODES,
        "job_b": float(len(pickle.dumps(cal))),
    }
    return {"seconds": laid + fitted, "costs": costs}


def _bytes(path: Path) -> int:
    """Give the bytes of a file, or of all files below a folder."""
    files = [path] if path.is_file() else [p for p in path.rglob("*") if p.is_file()]
    return sum(p.stat().st_size for p in files)


def night(folder: Path, electrodes: str) -> Facts:
    """Forecast the fleet as a night does: under the store's calibration where it holds, else a new one."""
    return _outlook(folder / electrodes, "latest")


def calibration_sample(folder: Path, words: str) -> Facts:
    """Calibrate on a sample of sites and on all, and forecast the whole fleet under both.

    words: "ELECTRODES/SITES". The loss: log likelihood a reading and forecasts, against all sites' own.
    """
    from models.calibration import calibrate
    from models.forecast import fit_electrodes, levels, outlook_frame
    from pipeline.engine import one_blas_thread, over_threads
    from pipeline.inference import fit_stream
    from pipeline.large_fleet import electrodes_of
    from pipeline.settings import Settings
    from pipeline.shards import lay_out, sample_of_sites, spool_folder
    from pipeline.store import Store

    electrodes, sites = words.split("/")
    with one_blas_thread(), spool_folder(folder / electrodes) as scratch:
        with Store.open(_store(folder, electrodes)) as store:
            known = electrodes_of(store, Settings())
            spool = lay_out(store, known, scratch / "spool", _AS_OF, vetted=True)
        whole = sample_of_sites(spool, 10**9)
        took, ahead = {}, {}
        for name, h in (("sample", sample_of_sites(spool, int(sites))), ("all", whole)):
            start = time.perf_counter()
            cal = calibrate(h, over_threads())
            took[name] = time.perf_counter() - start
            threshold = np.full(whole.electrodes, np.log(2.0))
            rng = fit_stream(1)
            fit = fit_electrodes(whole, cal, threshold, rng, over_threads())
            ahead[name] = outlook_frame(fit, levels(fit, rng, points=0), _AS_OF, (5,))
    apart = (ahead["sample"]["p_past_5y"] - ahead["all"]["p_past_5y"]).abs()
    median = (ahead["sample"]["crossing_age_p50"] - ahead["all"]["crossing_age_p50"]).abs()
    return {
        "seconds": took["sample"], "seconds_all": took["all"], "sites": int(sites), "all_sites": whole.sites,
        "mean_apart": apart.mean(), "p99_apart": apart.quantile(0.99),
        "years_apart": median.filter(median.is_finite()).median(),
    }  # fmt: skip


def _readings(folder: Path, electrodes: str) -> pl.DataFrame:
    """Give the vetted readings: electrode (number), age (years), y (log ohm)."""
    from pipeline.store import Store

    with Store.open(_store(folder, electrodes), read_only=True) as store:
        born = (
            store.table("core_electrodes").select("electrode_id", "installed_on").with_row_index("electrode")
        )
        rows = store.table("_vetted_readings").select("electrode_id", "taken_at", "resistance_ohm")
    age = (pl.col("taken_at").cast(pl.Date) - pl.col("installed_on")).dt.total_days() / 365.25
    return (
        rows.join(born, on="electrode_id")
        .select("electrode", age.alias("age"), pl.col("resistance_ohm").log().alias("y"))
        .sort("electrode", "age")
    )


def _timed(what: Callable[[], Any]) -> tuple[float, Any]:
    start = time.perf_counter()
    found = what()
    return time.perf_counter() - start, found


def line_polars(folder: Path, electrodes: str) -> Facts:
    """A straight line per electrode, polars."""
    rows = _readings(folder, electrodes)
    slope = pl.cov("age", "y") / pl.col("age").var()
    seconds, found = _timed(lambda: rows.group_by("electrode").agg(slope.alias("slope")))
    return {"seconds": seconds, "electrodes": found.height}


def line_pandas(folder: Path, electrodes: str) -> Facts:
    """A straight line per electrode, pandas with numpy's polyfit, on the first of them."""
    rows = _readings(folder, electrodes).filter(pl.col("electrode") < _LINE_BLOCK).to_pandas()
    seconds, found = _timed(
        lambda: rows.groupby("electrode")[["age", "y"]].apply(lambda g: np.polyfit(g["age"], g["y"], 1)[0])
    )
    return {"seconds": seconds, "electrodes": len(found)}


def _mixed(model: Any, rows: pl.DataFrame) -> Facts:
    import warnings

    age, y = (((v := rows[c].to_numpy()) - v.mean()) / v.std() for c in ("age", "y"))
    lines = np.column_stack([np.ones_like(age), age])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # whether it converged is printed beside its time
        seconds, fit = _timed(lambda: model(y, lines, rows["electrode"].to_numpy(), exog_re=lines).fit())
    return {
        "seconds": seconds, "electrodes": rows["electrode"].n_unique(), "converged": bool(fit.converged),
        "log_likelihood": float(fit.llf),
    }  # fmt: skip


def mixed_statsmodels(folder: Path, electrodes: str) -> Facts:
    """A line with random intercept and slope by electrode, statsmodels."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    return _mixed(MixedLM, _readings(folder, electrodes))


def mixed_compiled(folder: Path, electrodes: str) -> Facts:
    """The same by mixedlm-rs (the extra `bench`)."""
    try:
        from mixedlm_rs import MixedLM
    except ImportError:
        return {"seconds": float("nan"), "electrodes": 0, "converged": False, "missing": True}
    return _mixed(MixedLM, _readings(folder, electrodes))


LARGE_WORKS: dict[str, Callable[[Path, str], Facts]] = {
    w.__name__: w
    for w in (
        make_fleet, lend_calibration, large_pass, shard_costs, night, calibration_sample, line_polars,
        line_pandas, mixed_statsmodels, mixed_compiled,
    )
}  # fmt: skip
