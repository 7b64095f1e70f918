"""How forecasts would have fared: the run as of an earlier day, judged by the readings since."""

import os
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import numpy as np
import polars as pl
from sklearn.metrics import roc_auc_score

from models.histories import DAYS_A_YEAR
from models.track_record import brier, by_tenths, simple_rules
from pipeline.engine import one_blas_thread
from pipeline.errors import RequestError, WorkError
from pipeline.fleet_inputs import gather, vetted_readings
from pipeline.inference import Clock, infer
from pipeline.questions import crossings_of
from pipeline.result import RunResult
from pipeline.run_tables import TABLES
from pipeline.settings import Settings
from pipeline.stages import read_track_record
from pipeline.store import Store

Say = Callable[[str], None]
_FEWEST = 20


def _keep(output: Path, table: str, rows: pl.DataFrame) -> None:
    """Enter the rows into the register of a table, in the place of what the same forecast left there."""
    key = ["forecast_on", "judged_on", "horizon_years"]
    earlier = read_track_record(output, table).join(rows, on=key, how="anti")
    beside = output / f".{table}.parquet.{os.getpid()}"
    pl.concat([earlier, rows]).sort(key, maintain_order=True).write_parquet(beside)
    os.replace(beside, output / f"{table}.parquet")


def judged(lives: pl.DataFrame, crossings: pl.DataFrame, cut: date, horizon: float) -> pl.DataFrame:
    """Give the electrodes whose fate at cut + horizon the readings have shown: electrode_id, site_id, past.

    An electrode counts that was in service and not seen past by the cut, and was later seen past by the
    horizon, or not past at or after it. Those in between say nothing yet and are left out.
    """
    age = ((pl.lit(cut) - pl.col("installed_on")).dt.total_days() / DAYS_A_YEAR).alias("age_at_cut")
    standing = lives.filter(
        (pl.col("installed_on") <= cut) & (pl.col("retired_on").is_null() | (pl.col("retired_on") > cut))
    ).select("electrode_id", age)
    until = pl.col("age_at_cut") + horizon
    past = pl.col("upper_years") <= until
    return (
        crossings.join(standing, on="electrode_id")
        .filter(pl.col("upper_years") > pl.col("age_at_cut"))
        .filter(past | (pl.col("lower_years") >= until))
        .select("electrode_id", "site_id", past.alias("past"))
    )


def backtest(fleet: Path, settings: Settings, cut: date, say: Say) -> RunResult:
    """Forecast from what stood in the records by the cut, and judge it by the readings since.

    Needs a published run (its baselines and corrections say when an electrode was seen past). Raises
    RequestError for a cut that leaves no later readings, WorkError where no run is published.
    """
    del fleet
    shown = (settings.output_folder / "current").resolve()
    if not (shown / "electrode_lives.parquet").is_file():
        raise WorkError(f"No run is published in {settings.output_folder}; make one first (`rodfleet run`).")
    lives, verdicts, sites = (
        pl.read_parquet(shown / f"{n}.parquet") for n in ("electrode_lives", "reading_verdicts", "sites")
    )
    newest = lives["as_of"][0]
    if cut >= newest:
        raise RequestError(f"The cut {cut} leaves no later reading to judge by; the run looks from {newest}.")
    with Store.open(settings.store_path, read_only=True) as store:
        inputs = gather(store, settings, cut, cut)
    with one_blas_thread():
        then = infer(inputs, vetted_readings(inputs), settings, Clock(say))
    crossings = crossings_of(verdicts, lives, sites, settings)
    rows, tenths, lines = [], [], []
    for horizon in settings.horizons_years:
        if (newest - cut).days / DAYS_A_YEAR < horizon:
            continue
        row, told, by_tenth = _score(
            then.lives, then.verdicts, judged(lives, crossings, cut, horizon), cut, newest, horizon
        )
        lines += told
        if row is not None:
            rows.append(row)
            tenths.append(by_tenth)
    if not rows:
        lines.append(
            f"Since {cut} too few electrodes have shown their fate to judge a forecast; take an earlier cut."
        )
    else:
        _keep(settings.output_folder, "track_record", pl.DataFrame(rows, schema=TABLES["track_record"]))
        _keep(settings.output_folder, "track_tenths", pl.concat(tenths))
        lines.append("The next run shows this in its track record.")
    return RunResult(f"backtest-{cut}-{datetime.now():%H%M%S}", None, lines)


def _score(
    then: pl.DataFrame, verdicts: pl.DataFrame, fate: pl.DataFrame, cut: date, newest: date, horizon: int
) -> tuple[dict[str, object] | None, list[str], pl.DataFrame]:
    age = (pl.col("taken_at").cast(pl.Date) - pl.col("installed_on")).dt.total_days() / DAYS_A_YEAR
    known = verdicts.filter(pl.col("corrected_ohm").is_not_null() & (pl.col("verdict") != "censored")).join(
        then.select("electrode_id", "installed_on"), on="electrode_id"
    )
    rules = simple_rules(known.with_columns(age.alias("age_years")), float(horizon))
    both = (
        fate.join(
            then.select("electrode_id", "age_years", pl.col(f"p_past_{horizon}y").alias("p")),
            on="electrode_id",
        )
        .join(rules, on="electrode_id", how="left")
        .with_columns(
            pl.col("straight_line", "last_over_first").fill_null(0.0),
            pl.col("age").fill_null(pl.col("age_years")),
        )
    )
    y, p = both["past"].to_numpy(), both["p"].to_numpy()
    if both.height < _FEWEST or y.all() or not y.any():
        return (
            None,
            [f"{horizon} years ahead: {both.height} electrodes have shown their fate; too few to judge."],
            pl.DataFrame(),
        )
    lines = [
        f"{horizon} years after {cut}: {both.height:,} electrodes not past then, {int(y.sum())} seen past "
        f"since; expected {p.sum():.0f}. AUC {roc_auc_score(y, p):.3f}, Brier {brier(p, y):.4f}. "
        "Simple rules, AUC: "
        + ", ".join(
            f"{n.replace('_', ' ')} {roc_auc_score(y, both[n].to_numpy()):.3f}"
            for n in ("straight_line", "last_over_first", "age")
        )
    ]
    _, site = np.unique(both["site_id"].to_numpy(), return_inverse=True)
    tenths = by_tenths(p, y, site)
    for tenth in tenths.iter_rows(named=True):
        lines.append(
            f"    forecast {tenth['bin']:>8}: {tenth['electrodes']:5d} electrodes, "
            f"mean forecast {tenth['forecast']:.2f}, seen past {tenth['observed']:.2f}"
        )
    when = {"forecast_on": cut, "judged_on": newest, "horizon_years": float(horizon)}
    row: dict[str, object] = {
        **when, "electrodes": both.height, "expected_past": float(p.sum()), "observed_past": int(y.sum()),
        "brier": brier(p, y),
    }  # fmt: skip
    named = tenths.rename({"bin": "tenth"}).with_columns(pl.lit(v).alias(k) for k, v in when.items())
    return row, lines, named.select(pl.col(c).cast(k) for c, k in TABLES["track_tenths"].items())
