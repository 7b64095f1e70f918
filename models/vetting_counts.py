"""What vetting said, counted by rule, crew, meter and year, and which of them stand out."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.stats import binom

COUNTED = ("crew", "instrument_id", "year")
LEAST_READINGS = 5  # of a group under a rule, before it can stand out
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

    rule, by (crew, instrument_id or year), group, readings, of, times (as often as elsewhere), p_value.
    Groups differ more than by chance: the count and its chances are shrunk by how much they do (by the
    median of the squared deviations, which one bad meter doesn't move). Arguments as of verdict_counts.
    """
    schema = {
        **dict.fromkeys(("rule", "by", "group"), pl.String),
        **dict.fromkeys(("readings", "of"), pl.Int64),
        **dict.fromkeys(("times", "p_value"), pl.Float64),
    }
    who = readings.select("row_id", *(_named(readings, c) for c in ("crew", "instrument_id")))
    rows = verdicts.select("row_id", "rule", pl.col("taken_at").dt.year().cast(pl.String).alias("year")).join(
        who, on="row_id", how="left"
    )
    rules = rows["rule"].drop_nulls().unique().sort()
    found = [_stands_out(rows, by, rule) for rule in rules for by in COUNTED]
    groups = pl.concat([f for f in found if f is not None] or [pl.DataFrame(schema=schema)])
    out = (pl.col("p_value") * groups.height < LEVEL) & (pl.col("times") >= LEAST_TIMES)
    return (
        groups.filter(out & (pl.col("readings") >= LEAST_READINGS))
        .select(pl.col(c).cast(t) for c, t in schema.items())
        .sort("rule", "p_value", "by", "group")
    )


def _stands_out(rows: pl.DataFrame, by: str, rule: str) -> pl.DataFrame | None:
    """Compare each group of one kind with all others under a rule; none where there is but one group."""
    said = (pl.col("rule") == rule).fill_null(False)
    groups = rows.drop_nulls(by).group_by(by).agg(said.sum().alias("readings"), pl.len().alias("of")).sort(by)
    x, n = (groups[c].to_numpy().astype(float) for c in ("readings", "of"))
    if groups.height < 2 or not x.sum():
        return None
    elsewhere = np.maximum(n.sum() - n, 1.0)
    share = (x.sum() - x + 0.5) / (elsewhere + 1.0)
    square = (x - n * share) ** 2 / (n * share * (1 - share) * (1 + n / elsewhere))
    spread = max(1.0, float(np.median(square)) / _MEDIAN_OF_CHI_SQUARE)
    p = binom.sf(np.ceil(x / spread) - 1, np.ceil(n / spread), share)
    return groups.select(
        pl.lit(rule).alias("rule"), pl.lit(by).alias("by"), pl.col(by).alias("group")
    ).hstack(
        [
            pl.Series("readings", x.astype(np.int64)),
            pl.Series("of", n.astype(np.int64)),
            pl.Series("times", x / n / share),
            pl.Series("p_value", p),
        ]
    )
