"""A fleet of any size, quickly made straight into a store or Parquet: yearly visits, onset, growth, noise.

Made in blocks of sites, so that memory stays flat. Readings come vetted (`_vetted_readings`), since the pass
that is measured begins there.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.store import Store

Floats = npt.NDArray[np.float64]
SOILS = ("clay", "loam", "marsh", "sand")
MATERIALS = ("copper_bonded_steel", "galvanized_steel")
WELLS, VISITS = 10, 15
FIRST_YEAR = 2010
REGIONS = 40
BLOCK_SITES = 5_000
_EPOCH = date(1970, 1, 1)


@dataclass(frozen=True)
class Block:
    """Some sites of the fleet with their electrodes, surveys and vetted readings."""

    sites: pl.DataFrame
    electrodes: pl.DataFrame
    soil_surveys: pl.DataFrame
    readings: pl.DataFrame


def blocks(electrodes: int, seed: int = 1, block_sites: int = BLOCK_SITES) -> Iterator[Block]:
    """Make a fleet of so many electrodes, ten at a site, fifteen readings each."""
    sites = electrodes // WELLS
    for first in range(0, sites, block_sites):
        names = np.arange(first, min(first + block_sites, sites))
        yield _block(names, np.random.default_rng([seed, first]))


def _days(year: Any) -> npt.NDArray[np.int64]:
    """Return days since 1970 of decimal years."""
    return np.round((np.asarray(year) - 1970.0) * 365.25).astype(np.int64)


def _block(site: npt.NDArray[np.int64], rng: np.random.Generator) -> Block:
    S, N = site.size, site.size * WELLS
    soil, of_site = site % len(SOILS), np.repeat(np.arange(S), WELLS)
    material = rng.integers(0, len(MATERIALS), N)
    installed = 1985.0 + 20.0 * rng.random(S)[of_site] + rng.random(N)
    base = np.log(25.0) + 0.3 * rng.normal(size=S)[of_site] + 0.25 * rng.normal(size=N)
    onset = np.exp(
        np.log(22.0 - 2.0 * soil)[of_site] + 0.15 * rng.normal(size=S)[of_site] + 0.45 * rng.normal(size=N)
    )
    growth = np.exp(np.log(0.06) + 0.6 * rng.normal(size=N))
    visit = (
        FIRST_YEAR
        + np.arange(VISITS)[None, :]
        + 0.15
        + 0.7 * rng.random((S, 1))
        + 0.02 * rng.random((S, VISITS))
    )
    field = 0.08 * rng.normal(size=(S, VISITS))
    age = np.maximum(visit[of_site] - installed[:, None], 0.0)
    log_ohm = base[:, None] + np.minimum(growth[:, None] * np.maximum(age - onset[:, None], 0.0), 1.6)
    season = 0.1 * np.cos(2.0 * np.pi * visit)
    log_ohm = log_ohm + (field + season)[of_site] + 0.08 * rng.normal(size=(N, VISITS))
    site_id = pl.Series(site).cast(pl.String).str.zfill(7).str.pad_start(8, "S")
    names = site_id.gather(of_site)
    well = pl.Series(np.tile(np.arange(WELLS), S)).cast(pl.String)
    electrodes = pl.DataFrame({"site_id": names, "well_id": names + "-W" + well}).select(
        (pl.col("well_id") + "A").alias("electrode_id"), "site_id", "well_id",
        pl.lit(True).alias("has_test_well"), pl.lit("driven_rod").alias("kind"),
        pl.Series(np.asarray(MATERIALS)[material]).alias("material"),
        pl.lit(3.0).alias("length_m"), pl.lit(16.0).alias("diameter_mm"),
        pl.Series(_days(installed)).cast(pl.Int32).cast(pl.Date).alias("installed_on"),
    )  # fmt: skip
    day = np.maximum(_days(visit)[of_site], _days(installed)[:, None])
    readings = pl.DataFrame(
        {
            "row_id": np.arange(site[0] * WELLS * VISITS, (site[-1] + 1) * WELLS * VISITS),
            "electrode_id": electrodes["electrode_id"].gather(np.repeat(np.arange(N), VISITS)),
            "site_id": names.gather(np.repeat(np.arange(N), VISITS)),
            "taken_at": pl.Series(day.ravel()).cast(pl.Int32).cast(pl.Date).cast(pl.Datetime("us")),
            "resistance_ohm": np.exp(log_ohm).ravel().round(2),
        }
    ).with_columns(
        pl.lit(None, dtype=pl.String).alias("range_mark"),
        pl.lit("good").alias("verdict"),
        pl.lit(0.02).alias("sd_extra_log"),
    )
    return Block(
        pl.DataFrame({"site_id": site_id, "site_name": site_id}).with_columns(
            (pl.lit("R") + pl.Series(site % REGIONS).cast(pl.String)).alias("region"),
            pl.lit("multi_grounded_neutral").alias("return_path"),
            pl.lit(WELLS + 4, dtype=pl.Int64).alias("rod_count"),
        ),
        electrodes,
        pl.DataFrame({"site_id": site_id}).with_columns(
            pl.lit(date(2009, 6, 1)).alias("surveyed_on"),
            pl.Series(np.asarray(SOILS)[soil]).alias("soil_class"),
            pl.Series(np.exp(np.log(80.0) + 0.3 * rng.normal(size=S))).alias("resistivity_ohm_m"),
        ),
        readings,
    )


def into_store(path: Path, electrodes: int, seed: int = 1, parquet: Path | None = None) -> None:
    """Write the fleet into a new store; its readings into `_vetted_readings`, or Parquet files by region."""
    with Store.open(path) as store:
        row = 0
        for number, block in enumerate(blocks(electrodes, seed)):
            for table in ("sites", "electrodes", "soil_surveys"):
                row = _accept(store, table, getattr(block, table), row)
            if parquet is not None:
                parquet.mkdir(parents=True, exist_ok=True)
                block.readings.write_parquet(parquet / f"readings_{number:04d}.parquet")
            else:
                store.append("_vetted_readings", block.readings)
        store.run("mark_vetted", until=date(FIRST_YEAR + VISITS, 12, 31))


def _accept(store: Store, table: str, frame: pl.DataFrame, row: int) -> int:
    """Put rows into a table as the intake would, without the words that they came in."""
    ids = pl.Series("row_id", np.arange(row, row + frame.height))
    at = {"file_id": 1, "table_name": table, "row_key": "", "row_hash": 0, "cells": "{}"}
    store.append(f"raw_{table}", frame.with_columns(ids))
    store.append(
        "raw_rows",
        pl.DataFrame({"row_id": ids, "line": ids}).with_columns(
            *(pl.lit(v).alias(c) for c, v in at.items()),
            pl.lit(_EPOCH).cast(pl.Datetime("us")).alias("known_from"),
        ),
    )
    if row == 0:
        store.append("raw_files", _file())
    return row + frame.height


def _file() -> pl.DataFrame:
    counts = (
        "rows_read",
        "rows_taken",
        "rows_held",
        "rows_refused",
        "rows_refused_before",
        "rows_superseding",
    )
    return pl.DataFrame(
        {
            "file_id": 1, "file": "made", "sheet": "", "content_sha256": "", "loaded_at": _EPOCH,
            **dict.fromkeys(counts, 0),
        }
    )  # fmt: skip
