"""The works that are measured, each in a process of its own.

`python -m tests.benchmarks.work NAME FOLDER [WORD]` prints one line of JSON: `seconds` of the work itself,
its input already in memory, and what it found. The word is a number of sites, or of electrodes.
"""

import json
import pickle
import shutil
import sys
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

from tests.benchmarks.large_work import LARGE_WORKS
from tests.benchmarks.survival_work import SURVIVAL_WORKS

Facts = dict[str, Any]
_KEPT_CALIBRATION = "calibration.pickle"
DAYS_A_YEAR = 365.25
_LOTS = ("site_id", "well_id", "electrode_id", "site_name")


def _timed(what: Callable[[], Any], tries: int = 1) -> tuple[float, Any]:
    """Give the seconds of the quickest try, and what it returned."""
    took, found = float("inf"), None
    for _ in range(tries):
        start = time.perf_counter()
        found = what()
        took = min(took, time.perf_counter() - start)
    return took, found


def _readings_of_run(fleet: Path) -> pl.DataFrame:
    """Give what the published run used: electrode_id, age (years), y (log ohm)."""
    run = fleet / "out" / "current"
    lives = pl.read_parquet(run / "electrode_lives.parquet").select("electrode_id", "installed_on")
    used = pl.read_parquet(run / "reading_verdicts.parquet").filter(
        (pl.col("verdict") != "set_aside") & (pl.col("resistance_ohm") > 0)
    )
    age = (pl.col("taken_at").cast(pl.Date) - pl.col("installed_on")).dt.total_days() / DAYS_A_YEAR
    return (
        used.join(lives, on="electrode_id")
        .select("electrode_id", age.alias("age"), pl.col("resistance_ohm").log().alias("y"))
        .sort("electrode_id", "age")
    )


def straight_line(fleet: Path, _: str) -> Facts:
    """Fit a straight line of log ohm on age to each electrode."""
    rows = _readings_of_run(fleet)
    slope = pl.cov("age", "y") / pl.col("age").var()
    seconds, lines = _timed(
        lambda: rows.group_by("electrode_id").agg(
            slope.alias("slope"), (pl.col("y").mean() - slope * pl.col("age").mean()).alias("start")
        )
    )
    return {"seconds": seconds, "readings": rows.height, "electrodes": lines.height}


def mixed_model(fleet: Path, _: str) -> Facts:
    """Fit a line with random intercept and slope by electrode, centred and scaled."""
    import warnings

    from statsmodels.regression.mixed_linear_model import MixedLM

    rows = _readings_of_run(fleet)
    age, y = (((v := rows[c].to_numpy()) - v.mean()) / v.std() for c in ("age", "y"))
    lines = np.column_stack([np.ones_like(age), age])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # whether it converged is printed beside its time
        seconds, fit = _timed(lambda: MixedLM(y, lines, rows["electrode_id"].to_numpy(), exog_re=lines).fit())
    return {"seconds": seconds, "readings": rows.height, "converged": bool(fit.converged)}


def stages(fleet: Path, _: str) -> Facts:
    """Give the run's own account of its seconds, stage by stage."""
    facts = json.loads((fleet / "out" / "current" / "run.json").read_text(encoding="utf-8"))
    return {"seconds": sum(facts["seconds"].values()), "stages": facts["seconds"], "counts": facts["counts"]}


def make_readings(folder: Path, _: str) -> Facts:
    """Write a million readings as a file and as frames, and under field/ the tables that they refer to."""
    from tests.benchmarks.many_readings import as_written, many_readings

    tables = many_readings(np.random.default_rng(1))
    for name, frame in tables.items():
        (folder / "field").mkdir(parents=True, exist_ok=True)
        frame.write_parquet(folder / f"{name}.parquet")
        if name != "readings":
            frame.write_csv(folder / "field" / f"{name}.csv")
    as_written(tables["readings"]).write_csv(folder / "readings.csv")
    return {"rows": tables["readings"].height}


def make_large_file(folder: Path, millions: str) -> Facts:
    """Write so many million readings as one file, and under field/ the tables that they refer to."""
    from tests.benchmarks.many_readings import as_written, many_readings

    rng, rows = np.random.default_rng(1), 0
    masters: dict[str, list[pl.DataFrame]] = {}
    with (folder / "readings.csv").open("wb") as out:
        for k in range(int(millions)):
            tables = many_readings(rng)
            for name, frame in tables.items():
                lots = pl.col([c for c in frame.columns if c in _LOTS]).str.replace("LOT-", f"L{k}T-")
                tables[name] = frame.with_columns(lots)
            as_written(tables["readings"]).write_csv(out, include_header=k == 0)
            rows += tables.pop("readings").height
            for name, frame in tables.items():
                masters.setdefault(name, []).append(frame)
    (folder / "field").mkdir()
    for name, frames in masters.items():
        pl.concat(frames).unique(maintain_order=True).write_csv(folder / "field" / f"{name}.csv")
    return {"rows": rows}


def one_row_more(folder: Path, _: str) -> Facts:
    """Copy the file with one row more, so that its bytes are not those of a file that is known."""
    whole = (folder / "readings.csv").open("rb")
    with whole, (folder / "readings_2.csv").open("wb") as out:
        shutil.copyfileobj(whole, out, 2**24)
        whole.seek(0)
        whole.readline()
        out.write(whole.readline())
    return {}


def bare_read_csv(folder: Path, _: str) -> Facts:
    """Read the file into a table of a new database, nothing else."""
    (folder / "bare.duckdb").unlink(missing_ok=True)

    def read() -> int:
        with duckdb.connect(folder / "bare.duckdb") as base:
            base.execute("CREATE TABLE readings AS FROM read_csv($1)", [str(folder / "readings.csv")])
            (rows,) = base.execute("SELECT count(*) FROM readings").fetchone() or (0,)
            return int(rows)

    seconds, rows = _timed(read)
    return {"seconds": seconds, "rows": rows}


def take_file(fleet: Path, file: str) -> Facts:
    """Take one file into the fleet's store, opened and closed."""
    from pipeline.intake.load import load
    from pipeline.settings import Settings
    from pipeline.store import Store

    def taken() -> int:
        with Store.open(Settings.load(fleet).store_path) as store:
            return load(store, [Path(file)], date.today(), lambda _: None).total("read")

    seconds, rows = _timed(taken)
    return {"seconds": seconds, "rows": rows}


def books(fleet: Path, _: str) -> Facts:
    """Add up the books of every load of readings.csv, in order."""
    from pipeline.settings import Settings
    from pipeline.store import Store

    with Store.open(Settings.load(fleet).store_path, read_only=True) as store:
        kept = store.table("core_books").filter(pl.col("table_name") == "readings").sort("file_id")
    return {c: kept[c].to_list() for c in ("rows_read", "rows_taken", "rows_held", "rows_refused")}


def vetting(folder: Path, _: str) -> Facts:
    """Judge the million readings."""
    from models.vetting import vet

    frames = {
        n: pl.read_parquet(folder / f"{n}.parquet")
        for n in ("sites", "electrodes", "instruments", "readings")
    }
    formula = frames["electrodes"].select("electrode_id", pl.lit(33.0).alias("formula_ohm"))
    seconds, found = _timed(
        lambda: vet(
            frames["readings"], frames["electrodes"], frames["sites"], frames["instruments"], formula
        ),
        tries=2,
    )
    return {"seconds": seconds, "verdicts": dict(found.group_by("verdict").len().sort("verdict").iter_rows())}


def medians(folder: Path, _: str) -> Facts:
    """Take each electrode's median, on the same frame."""
    readings = pl.read_parquet(folder / "readings.parquet")
    seconds, found = _timed(
        lambda: readings.group_by("electrode_id").agg(pl.col("resistance_ohm").median()), tries=3
    )
    return {"seconds": seconds, "electrodes": found.height}


def pages(fleet: Path, _: str) -> Facts:
    """Build the pages, the workbook and the copies of the published run into another folder."""
    from reports.build import build

    staged = fleet / "out" / "current"
    seconds, written = _timed(lambda: build(staged, fleet / "pages", "bench"), tries=2)
    size = sum(p.stat().st_size for p in {Path(p) for p in written})
    return {"seconds": seconds, "files": len(written), "megabytes": size / 1e6}


def keep_calibration(fleet: Path, sites: str) -> Facts:
    """Calibrate on some of the sites, evenly picked, and keep the calibration."""
    from models.calibration import calibrate
    from pipeline.engine import one_blas_thread, over_threads

    h = _histories(fleet, int(sites))
    with one_blas_thread():
        seconds, cal = _timed(lambda: calibrate(h, over_threads()))
    (fleet / _KEPT_CALIBRATION).write_bytes(pickle.dumps(cal))
    return {"seconds": seconds, "converged": bool(cal.converged)}


def site_pass(fleet: Path, sites: str) -> Facts:
    """Fit the electrodes of some of the sites, evenly picked, under the kept calibration."""
    from models.forecast import fit_electrodes
    from pipeline.engine import one_blas_thread, over_threads

    cal = pickle.loads((fleet / _KEPT_CALIBRATION).read_bytes())

    def fit(h: Any) -> Any:
        threshold = np.full(h.electrodes, np.log(2.0))
        return fit_electrodes(h, cal, threshold, np.random.default_rng(1), over_threads())

    h = _histories(fleet, int(sites))
    with one_blas_thread():
        fit(_histories(fleet, 3))  # brings the compiled kernels in
        seconds, found = _timed(lambda: fit(h))
    return {
        "seconds": seconds,
        "electrodes": h.electrodes,
        "readings": int(h.age.size),
        "settled": float(np.mean(found.settled)),
    }


def _histories(fleet: Path, sites: int) -> Any:
    """Build the histories of so many sites, picked in even steps."""
    from models.history_frames import build_histories
    from pipeline.fleet_inputs import gather, vetted_readings
    from pipeline.settings import Settings
    from pipeline.store import Store

    settings = Settings.load(fleet)
    with Store.open(settings.store_path) as store:
        inputs = gather(store, settings, None, date.today())
    verdicts = vetted_readings(inputs)
    names = inputs.sites["site_id"].sort()
    picked = names.gather_every(max(1, names.len() // sites))
    electrodes = inputs.electrodes.filter(pl.col("site_id").is_in(picked.implode()))
    return build_histories(electrodes, verdicts, inputs.works, inputs.as_of)


def sounded_sites(sites: int) -> pl.DataFrame:
    """Draw six soundings at each of so many sites over two layers, 3 % of scatter."""
    from models.soundings import two_layer_apparent_ohm_m

    rng = np.random.default_rng(8)
    spacing = np.array([0.5, 1.0, 2.0, 4.0, 8.0, 16.0])
    logs = rng.normal([np.log(100.0), np.log(100.0), np.log(3.0)], [0.8, 1.2, 0.7], (sites, 3))
    seen = np.array([two_layer_apparent_ohm_m(spacing, *np.exp(row)) for row in logs])
    ohm = seen * np.exp(rng.normal(0, 0.03, seen.shape)) / (2 * np.pi * spacing)
    return pl.DataFrame(
        {
            "site_id": np.repeat([f"s{k:04d}" for k in range(sites)], spacing.size),
            "spacing_m": np.tile(spacing, sites),
            "resistance_ohm": ohm.ravel(),
        }
    )


def soundings(_: Path, sites: str) -> Facts:
    """Fit two layers, with their uncertainty, to the soundings of so many sites."""
    from models.soundings import layers_by_site

    inside, (found, _fits) = _timed(lambda: layers_by_site(sounded_sites(int(sites))))
    return {
        "seconds": inside,
        "converged": int(found["converged"].sum()),
        "apart": int(found["stand_apart"].sum()),
    }


def soundings_general(_: Path, sites: str) -> Facts:
    """Fit the same by a general optimiser with slopes by differences, one start, no uncertainty."""
    from scipy.optimize import minimize

    from models.soundings import two_layer_apparent_ohm_m

    def fit(c: np.ndarray, ohm: np.ndarray) -> None:
        seen = np.log(2 * np.pi * c * ohm)
        minimize(
            lambda x: np.sum((np.log(two_layer_apparent_ohm_m(c, *np.exp(x))) - seen) ** 2),
            [seen[0], seen[-1], np.log(3.0)],
        )

    rows = sounded_sites(int(sites)).partition_by("site_id")
    inside, _none = _timed(
        lambda: [fit(r["spacing_m"].to_numpy(), r["resistance_ohm"].to_numpy()) for r in rows]
    )
    return {"seconds": inside}


WORKS: dict[str, Callable[[Path, str], Facts]] = {
    w.__name__: w
    for w in (
        straight_line, mixed_model, stages, make_readings, make_large_file, one_row_more, bare_read_csv,
        take_file, books, vetting, medians, pages, keep_calibration, site_pass, soundings, soundings_general,
    )
} | LARGE_WORKS | SURVIVAL_WORKS  # fmt: skip


if __name__ == "__main__":
    asked, where, *more = sys.argv[1:]
    print(json.dumps(WORKS[asked](Path(where), more[0] if more else "")))
