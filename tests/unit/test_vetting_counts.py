"""Counts of verdicts: every mark once, beside all readings of its crew, meter and year; what stands out."""

import datetime as dt

import numpy as np
import polars as pl

from models.vetting_counts import verdict_counts, verdicts_that_stand_out


def fleet(bad: float = 0.2, seed: int = 1) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give 6,000 readings by three crews and five meters in ten years; meter m4 is marked more often."""
    rng = np.random.default_rng(seed)
    n = 6_000
    meter, crew = rng.integers(0, 5, n), rng.integers(0, 3, n)
    marked = rng.random(n) < np.where(meter == 4, bad, 0.02)
    readings = pl.DataFrame(
        {
            "row_id": np.arange(n),
            "crew": [f"c{k}" for k in crew],
            "instrument_id": [f"m{k}" for k in meter],
        }
    )
    verdicts = pl.DataFrame(
        {
            "row_id": np.arange(n),
            "site_id": [f"s{k}" for k in range(n)],
            "taken_at": [dt.datetime(2010 + int(y), 5, 1) for y in rng.integers(0, 10, n)],
            "rule": ["check_ring_off" if m else None for m in marked],
            "verdict": ["doubtful" if m else "good" for m in marked],
        }
    )
    return verdicts, readings


def test_each_mark_is_counted_once_beside_all_of_its_group() -> None:
    verdicts, readings = fleet()
    counts = verdict_counts(verdicts, readings)
    assert counts["readings"].sum() == verdicts["rule"].count()
    both = verdicts.join(readings, on="row_id").with_columns(pl.col("taken_at").dt.year().alias("year"))
    row = counts.row(0, named=True)
    mine = both.filter(
        (pl.col("crew") == row["crew"])
        & (pl.col("instrument_id") == row["instrument_id"])
        & (pl.col("year") == row["year"])
    )
    assert row["of"] == mine.height
    assert row["readings"] == mine["rule"].count()


def test_unknown_crews_and_meters_are_counted_too() -> None:
    verdicts, readings = fleet()
    counts = verdict_counts(verdicts, readings.select("row_id"))
    assert counts["readings"].sum() == verdicts["rule"].count()
    assert counts["crew"].is_null().all()
    assert (counts["of"] >= counts["readings"]).all()
    assert set(verdicts_that_stand_out(verdicts, readings.select("row_id"))["by"]) <= {"year"}


def test_the_bad_meter_stands_out_and_nothing_else() -> None:
    found = verdicts_that_stand_out(*fleet())
    assert found.select("rule", "by", "group").rows() == [("check_ring_off", "instrument_id", "m4")]
    assert 7 < found["times"].item() < 14


def test_nothing_stands_out_by_chance() -> None:
    odd = [verdicts_that_stand_out(*fleet(bad=0.02, seed=s)).height for s in range(40)]
    assert sum(odd) <= 2


def test_one_bad_visit_does_not_make_a_bad_crew() -> None:
    verdicts, readings = fleet(bad=0.02)
    mine = pl.col("row_id") < 12
    readings = readings.with_columns(pl.when(mine).then(pl.lit("c9")).otherwise("crew").alias("crew"))
    one = verdicts.with_columns(
        pl.when(mine).then(pl.lit("copied_forward")).otherwise("rule").alias("rule"),
        pl.when(mine).then(pl.lit("s0")).otherwise("site_id").alias("site_id"),
        pl.when(mine).then(pl.lit(dt.datetime(2012, 5, 1))).otherwise("taken_at").alias("taken_at"),
    )
    assert "copied_forward" not in set(verdicts_that_stand_out(one, readings)["rule"])
    many = verdicts.with_columns(pl.when(mine).then(pl.lit("copied_forward")).otherwise("rule").alias("rule"))
    found = verdicts_that_stand_out(many, readings).filter(pl.col("rule") == "copied_forward")
    assert found.select("group", "readings", "of", "visits", "times").rows() == [("c9", 12, 12, 12, None)]


def test_no_marks_no_groups() -> None:
    verdicts, readings = fleet()
    silent = verdicts.with_columns(pl.lit(None, dtype=pl.String).alias("rule"))
    assert verdict_counts(silent, readings).is_empty()
    assert verdicts_that_stand_out(silent, readings).is_empty()
