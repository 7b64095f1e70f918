"""What vetting said, counted by rule, crew, meter and year, and which of them stand out."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.stats import binom

COUNTED = ("crew", "instrument_id", "year")
LEAST_VISITS = 3  # of a group under a rule, before it can stand out
LEAST_TIMES = 1.5  # as often as elsewhere
LEVEL = 0.01  # chance of one standing out by chance among all groups looked at
_MEDIAN_OF_CHI_SQUARE = 0.4549  # one degree of freedom


def verdict_counts(verdicts: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """Count the verdicts by rule, crew, meter and year; `of` is all readings of that crew, meter and year.

    verdicts: row_id, taken_at, rule (null where none spoke), verdict. readings: row_id, crew, instrument_id.
    """
    who = readings.select("row_id", *(_named(readings, c) for c in ("crew", "instrument_id")))
    rows = verdicts.select("row_id", "rule", "verdict", pl.col("taken_at").dt.year().alias("year")).join(
        who, on="row_id", how="left"
    )
    total = rows.group_by(COUNTED).agg(pl.len().alias("of"))
    return (
        rows.filter(pl.col("rule").is_not_null())
        .group_by("rule", "verdict", *COUNTED)
        .agg(pl.len().alias("readings"))
        .join(total, on=COUNTED, nulls_equal=True)
        .select("rule", "verdict", *COUNTED, "readings", "of")
        .sort("rule", "verdict", *COUNTED, nulls_last=True)
    )


def _named(frame: pl.DataFrame, column: str) -> pl.Expr:
    known = pl.col(column) if column in frame.columns else pl.lit(None, dtype=pl.String)
    return known.cast(pl.String).alias(column)


def verdicts_that_stand_out(verdicts: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """Give the crews, meters and years of which a rule speaks far more often than of the others.

    rule, by (crew, instrument_id or year), group, readings, of, visits (with such a reading), times (share
    of its visits over that of the others; null where the rule speaks of no other), p_value. Counted in
    visits, as the readings of one go right or wrong together. Groups differ more than by chance: the count
    and its chances are shrunk by how much they do (by the median of the squared deviations, which one bad
    meter doesn't move). Arguments as of verdict_counts, and site_id in verdicts.
    """
    schema = {
        **dict.fromkeys(("rule", "by", "group"), pl.String),
        **dict.fromkeys(("readings", "of", "visits"), pl.Int64),
        **dict.fromkeys(("times", "p_value"), pl.Float64),
    }
    who = readings.select("row_id", *(_named(readings, c) for c in ("crew", "instrument_id")))
    visit = pl.struct("site_id", pl.col("taken_at").dt.date()).alias("visit")
    year = pl.col("taken_at").dt.year().cast(pl.String).alias("year")
    rows = verdicts.select("row_id", "rule", visit, year).join(who, on="row_id", how="left")
    found = [f for by in COUNTED for f in _beside_the_others(rows.drop_nulls(by), by)]
    groups = pl.concat(found or [pl.DataFrame(schema=schema)])
    often = (pl.col("times").fill_null(np.inf) >= LEAST_TIMES) & (pl.col("visits") >= LEAST_VISITS)
    return (
        groups.filter(often & (pl.col("p_value") * groups.height < LEVEL))
        .select(pl.col(c).cast(t) for c, t in schema.items())
        .sort("rule", "p_value", "by", "group")
    )


def _beside_the_others(rows: pl.DataFrame, by: str) -> list[pl.DataFrame]:
    """Compare each group of one kind with all others, under each rule; none where there is but one group."""
    total = rows.group_by(by).agg(pl.len().alias("of"), pl.col("visit").n_unique().alias("n"))
    if total.height < 2:
        return []
    said = (
        rows.drop_nulls("rule")
        .group_by("rule", by)
        .agg(pl.len().alias("readings"), pl.col("visit").n_unique().alias("visits"))
    )
    return [
        _with_chances(total.join(part.drop("rule"), on=by, how="left").sort(by), by, str(rule))
        for (rule,), part in said.sort("rule").group_by("rule", maintain_order=True)
    ]


def _with_chances(groups: pl.DataFrame, by: str, rule: str) -> pl.DataFrame:
    groups = groups.with_columns(pl.col("readings", "visits").fill_null(0))
    x, n = (groups[c].to_numpy().astype(float) for c in ("visits", "n"))
    elsewhere = np.maximum(n.sum() - n, 1.0)
    share = (x.sum() - x + 0.5) / (elsewhere + 1.0)
    square = (x - n * share) ** 2 / (n * share * (1 - share) * (1 + n / elsewhere))
    spread = max(1.0, float(np.median(square)) / _MEDIAN_OF_CHI_SQUARE)
    p = binom.sf(np.ceil(x / spread) - 1, np.ceil(n / spread), share)
    others = (x.sum() - x) / elsewhere
    with np.errstate(divide="ignore", invalid="ignore"):
        times = np.where(others > 0, x / n / others, np.nan)
    return groups.select(
        pl.lit(rule).alias("rule"),
        pl.lit(by).alias("by"),
        pl.col(by).alias("group"),
        *(pl.col(c).cast(pl.Int64) for c in ("readings", "of", "visits")),
        pl.Series("times", times, nan_to_null=True),
        pl.Series("p_value", p),
    )
