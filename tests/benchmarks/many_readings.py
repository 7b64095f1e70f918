"""A large fleet's readings, quickly made: the form and the oddities of a field file, no story behind them."""

from datetime import date, datetime

import numpy as np
import polars as pl

SITES, WELLS, VISITS = 2_000, 10, 50  # a million readings
INSTALLED, FIRST_VISIT = date(1996, 5, 1), datetime(2000, 3, 1, 9, 0)
DAYS_BETWEEN = 184
METERS = 40
METER_LIMIT_OHM = 1500.0
OVER_RANGE_SHARE, NO_READING_SHARE, SLIPPED_SHARE = 0.005, 0.01, 0.001


def many_readings(
    rng: np.random.Generator, sites: int = SITES, wells: int = WELLS, visits: int = VISITS
) -> dict[str, pl.DataFrame]:
    """Make sites, electrodes, instruments and readings, typed as the intake gives them.

    There are sites x wells x visits readings: the electrode's level times season, growth and noise; a
    few are over range, missing, or slipped by a power of ten.
    """
    electrode = np.arange(sites * wells)
    site_id = [f"LOT-{e // wells:04d}" for e in electrode]
    well_id = [f"{s}-W{e % wells:02d}" for e, s in zip(electrode, site_id, strict=True)]
    electrodes = pl.DataFrame(
        {"electrode_id": [f"{w}-A" for w in well_id], "site_id": site_id, "well_id": well_id}
    ).with_columns(
        pl.lit("driven_rod").alias("kind"),
        pl.lit(3.0).alias("length_m"),
        pl.lit(INSTALLED).alias("installed_on"),
    )
    names = electrodes.select("site_id").unique(maintain_order=True)
    readings = electrodes.select("electrode_id", "site_id", "well_id").join(
        pl.DataFrame({"visit": np.arange(visits)}), how="cross"
    )
    return {
        "sites": names.with_columns(pl.col("site_id").alias("site_name")),
        "electrodes": electrodes,
        "instruments": pl.DataFrame({"instrument_id": [f"M{k:02d}" for k in range(METERS)]}).with_columns(
            pl.lit(date(1999, 1, 4)).alias("calibrated_on"),
            pl.lit(0.02).alias("range_low_ohm"),
            pl.lit(METER_LIMIT_OHM).alias("range_high_ohm"),
            pl.lit(2.0).alias("accuracy_pct"),
        ),
        "readings": _read(readings, wells * visits, rng),
    }


def _read(rows: pl.DataFrame, rows_a_site: int, rng: np.random.Generator) -> pl.DataFrame:
    n, visits = rows.height, int(rows["visit"].max()) + 1  # type: ignore[arg-type]
    visit = rows["visit"].to_numpy()
    level = np.repeat(rng.normal(np.log(20.0), 0.7, n // visits), visits)
    growth = np.repeat(rng.gamma(0.5, 0.02, n // visits), visits)
    log_ohm = level + growth * visit / 2 + 0.15 * (-1.0) ** visit + rng.normal(0.0, 0.08, n)
    log_ohm += np.log(10.0) * (rng.random(n) < SLIPPED_SHARE)
    over, missing = rng.random(n) < OVER_RANGE_SHARE, rng.random(n) < NO_READING_SHARE
    site = np.arange(n) // rows_a_site
    days = visit * DAYS_BETWEEN + site % 60
    return rows.drop("visit").with_columns(
        (pl.lit(FIRST_VISIT) + pl.duration(days=pl.lit(pl.Series(days)))).alias("taken_at"),
        pl.when(pl.Series(missing))
        .then(None)
        .when(pl.Series(over))
        .then(METER_LIMIT_OHM)
        .otherwise(pl.Series(np.exp(log_ohm)).round_sig_figs(3))
        .alias("resistance_ohm"),
        pl.when(pl.Series(over & ~missing)).then(pl.lit("over")).alias("range_mark"),
        pl.when(pl.Series(missing)).then(pl.lit("no_reading")).otherwise(pl.lit("read")).alias("outcome"),
        pl.lit("clamp_on").alias("method"),
        pl.Series(rng.gamma(1.0, 0.1, n)).round(3).alias("current_a"),
        pl.lit("ac").alias("current_kind"),
        pl.lit(1, dtype=pl.Int64).alias("repeat_no"),
        pl.Series(10.0 + rng.normal(0.0, 0.05, n)).round(2).alias("check_ring_ohm"),
        pl.Series((site + visit) % METERS).cast(pl.String).str.zfill(2).str.pad_start(3, "M")
        .alias("instrument_id"),
        pl.lit("readings.csv").alias("file"),
        pl.int_range(n, dtype=pl.Int64).alias("row_id"),
    )  # fmt: skip


def as_written(readings: pl.DataFrame) -> pl.DataFrame:
    """Turn typed readings into the cells of a tidy file: the meter's limit with its sign, ISO moments."""
    value = pl.col("resistance_ohm").cast(pl.String)
    return readings.select(
        "electrode_id",
        "well_id",
        pl.col("taken_at").dt.strftime("%Y-%m-%dT%H:%M:%S"),
        pl.when(pl.col("range_mark") == "over").then(pl.concat_str(pl.lit(">"), value)).otherwise(value)
        .alias("resistance_ohm"),
        "outcome", "method", "current_a", "current_kind", "repeat_no",
        pl.lit("routine").alias("visit_reason"),
        "check_ring_ohm",
        "instrument_id",
        pl.lit("LOT-1").alias("crew"),
    )  # fmt: skip
