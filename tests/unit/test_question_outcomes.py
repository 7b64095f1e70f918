"""Onset, growth and breaks from readings, on rods written down by hand."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from models.question_outcomes import BASELINE_SD_LOG, breaks_seen, growth_slopes, onset_crossings

BORN = dt.date(2000, 1, 1)


def readings(ratios: dict[str, list[float]], first: int = 1) -> pl.DataFrame:
    """Lay out yearly readings from an age of `first` years on, as ratios to 10 ohm."""
    rows = [
        (rod, dt.datetime(2000 + first + k, 1, 1), 10.0 * r)
        for rod, rs in ratios.items()
        for k, r in enumerate(rs)
    ]
    table = pl.DataFrame(rows, schema=["electrode_id", "taken_at", "corrected_ohm"], orient="row")
    return table.with_columns(pl.lit("good").alias("verdict"), pl.lit(None, pl.String).alias("range_mark"))


def lives(*rods: str, **columns: list[object]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "electrode_id": list(rods),
            "site_id": [f"s{r}" for r in rods],
            "baseline_ohm": [10.0] * len(rods),
            "installed_on": [BORN] * len(rods),
            "break_state": ["none"] * len(rods),
            **columns,
        }
    )


def test_onset_lies_between_the_visits_of_the_first_lasting_rise() -> None:
    found = onset_crossings(
        readings(
            {"late": [1.0, 1.1, 1.3, 1.4], "wild": [1.0, 1.4, 1.0, 1.0], "before": [1.4, 1.5, 1.6, 1.7]}
        ),
        lives("late", "wild", "before"),
    )
    spans = {r: (low, up) for r, low, up in found.iter_rows()}
    assert spans["late"] == pytest.approx((2, 3), abs=0.01)
    assert spans["wild"][1] == np.inf  # one high reading that the next takes back is no beginning
    assert spans["before"] == pytest.approx((0, 1), abs=0.01)


def test_a_rod_whose_baseline_is_vague_has_no_onset() -> None:
    vague = lives("a", "b", baseline_sd_log=[0.05, BASELINE_SD_LOG + 0.1])
    assert onset_crossings(readings({"a": [1.0, 1.0], "b": [1.0, 1.5, 1.6]}), vague)[
        "electrode_id"
    ].to_list() == ["a"]


def test_growth_is_the_slope_after_the_rise_and_below_the_ceiling() -> None:
    steady = [1.0, 1.0, *np.exp(0.08 * np.arange(4, 14)).tolist()]
    topped = [1.0, 1.0, *np.minimum(np.exp(0.3 * np.arange(1, 11)), 6.0).tolist()]
    found = growth_slopes(
        readings({"steady": steady, "topped": topped, "short": [1.0, 1.3, 1.4], "flat": [1.0] * 8}),
        lives("steady", "topped", "short", "flat"),
    )
    growth = dict(found.select("electrode_id", "growth").iter_rows())
    assert set(growth) == {"steady", "topped"}
    assert growth["steady"] == pytest.approx(0.08, abs=1e-3)
    assert growth["topped"] == pytest.approx(0.3, abs=2e-3)  # the readings at its ceiling are left out
    # Both have been read as long since they rose: the fast one weighs no less for being soon at its ceiling.
    years = {r: (g, w) for r, g, w in found.select("electrode_id", "growth_years", "risen_years").iter_rows()}
    assert years["topped"] == pytest.approx((2.0, 8.0), abs=0.02)
    assert years["steady"] == pytest.approx((8.0, 8.0), abs=0.02)


def test_two_readings_two_years_apart_tell_a_growth() -> None:
    every_other = readings({"fast": [1.0, *np.exp(0.2 * np.arange(1, 10)).tolist()]}).filter(
        pl.col("taken_at").dt.year() % 2 == 1
    )
    found = growth_slopes(every_other, lives("fast"))
    assert found["growth"].to_list() == pytest.approx([0.2], abs=1e-3)
    assert found["growth_years"].to_list() == pytest.approx([2.0], abs=0.01)


def test_a_rod_with_a_break_has_no_growth_and_counts_as_broken_once_confirmed() -> None:
    rise = [1.0, 1.0, *np.exp(0.08 * np.arange(4, 14)).tolist()]
    vetted = readings({"a": rise, "b": rise, "c": rise, "once": [1.0]})
    table = lives("a", "b", "c", "once", break_state=["none", "suspected", "confirmed", "none"])
    assert growth_slopes(vetted, table)["electrode_id"].to_list() == ["a"]
    seen = breaks_seen(vetted, table)
    assert dict(seen.select("electrode_id", "broken").iter_rows()) == {"a": False, "b": False, "c": True}
    assert seen["watched_years"].to_list() == pytest.approx([11.0] * 3, abs=0.01)
