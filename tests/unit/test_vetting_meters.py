"""Whole campaigns, drifted meters, coarse displays and exchanged lines, in an invented district."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from models.vetting import vet

SITES, WELLS, YEARS = 24, 6, 10
FIRST = 2010


def district(seed: int = 5, dry_log: float = 0.0, decimals: int = 2) -> pl.DataFrame:
    """Give a district read once a year with meter a at one half of the sites and meter b at the other.

    The halves change every year. Readings scatter by 6 %, visits by 5 %; the year 2015 is drier by dry_log.
    """
    rng = np.random.default_rng(seed)
    level = rng.normal(np.log(20.0), 0.4, (SITES, WELLS))
    amp = rng.normal(np.log(0.05), 0.8, (SITES, WELLS))
    rows = []
    for year in range(YEARS):
        half = rng.permutation(SITES) < SITES // 2
        for site in range(SITES):
            visit = rng.normal(0, 0.05) + (dry_log if FIRST + year == 2015 else 0.0)
            day = dt.datetime(FIRST + year, 6, 1) + dt.timedelta(days=int(rng.integers(0, 40)))
            for well in range(WELLS):
                ohm = np.exp(level[site, well] + visit + rng.normal(0, 0.06))
                rows.append(
                    {
                        "row_id": len(rows),
                        "electrode_id": f"s{site:02d}w{well}",
                        "site_id": f"s{site:02d}",
                        "taken_at": day,
                        "resistance_ohm": round(float(ohm), decimals),
                        "current_a": round(float(np.exp(amp[site, well] + rng.normal(0, 0.2))), 4),
                        "instrument_id": "a" if half[site] else "b",
                        "crew": f"c{site % 3}",
                    }
                )
    return pl.DataFrame(rows)


def judged(readings: pl.DataFrame, due: dict[str, int] | None = None) -> pl.DataFrame:
    """Vet the readings, the meters' calibrations due in these years; give them with their verdicts."""
    due = due or {}
    electrodes = (
        readings.select("electrode_id", "site_id")
        .unique()
        .with_columns(pl.lit(dt.date(2000, 1, 1)).alias("installed_on"))
    )
    sites = readings.select("site_id").unique().with_columns(pl.lit("north").alias("region"))
    meters = pl.DataFrame(
        {
            "instrument_id": ["a", "b"],
            "calibrated_on": [dt.date(2009, 1, 1)] * 2,
            "calibration_due_on": [dt.date(due.get(m, 2030), 1, 1) for m in "ab"],
            "accuracy_pct": [1.5] * 2,
        }
    )
    formula = electrodes.select("electrode_id", pl.lit(25.0).alias("formula_ohm"))
    return readings.join(vet(readings, electrodes, sites, meters, formula), on="row_id")


def times(readings: pl.DataFrame, where: pl.Expr, factor: pl.Expr | float) -> pl.DataFrame:
    value = pl.col("resistance_ohm")
    return readings.with_columns(pl.when(where).then((value * factor).round(2)).otherwise(value))


IN_2015 = pl.col("taken_at").dt.year() == 2015
BY_A = pl.col("instrument_id") == "a"


def test_plain_district_has_next_to_no_marks() -> None:
    marks = [judged(district(seed))["rule"].count() for seed in (1, 2, 3)]
    assert sum(marks) <= 0.005 * 3 * SITES * WELLS * YEARS


@pytest.mark.parametrize("factor", [0.78, 1.3])
def test_one_meter_off_for_a_round_is_told_with_its_factor(factor: float) -> None:
    found = judged(times(district(), IN_2015 & BY_A, factor))
    off = found.filter(pl.col("rule") == "campaign_off")
    assert off.height >= 0.95 * found.filter(IN_2015 & BY_A).height
    assert off.filter(~(IN_2015 & BY_A)).is_empty()
    reason = off["reason"][0]
    assert reason.startswith("All readings of meter a in north in 2015 stand ")
    assert float(reason.split(" stand ")[1].split(" ")[0]) == pytest.approx(factor, rel=0.08)


def test_one_crew_off_for_a_round() -> None:
    crew = pl.col("crew") == "c1"
    off = judged(times(district(), IN_2015 & crew, 1.35)).filter(pl.col("rule") == "campaign_off")
    assert off.filter(IN_2015 & crew).height == off.height >= 40
    assert "crew c1" in off["reason"][0]


@pytest.mark.parametrize("dry_log", [-0.3, 0.3])
def test_dry_or_wet_year_that_moves_every_meter_is_no_campaign(dry_log: float) -> None:
    found = judged(district(dry_log=dry_log))
    assert found.filter(pl.col("rule") == "campaign_off").is_empty()


def test_follow_ups_of_the_meter_are_not_its_round() -> None:
    readings = times(district(), IN_2015 & BY_A, 1.3).with_columns(
        pl.when(pl.col("site_id") == "s03").then(pl.lit("follow_up")).otherwise(pl.lit("routine"))
        .alias("visit_reason")
    )  # fmt: skip
    off = judged(readings).filter(pl.col("rule") == "campaign_off")
    assert off.height > 0
    assert off.filter(pl.col("site_id") == "s03").is_empty()


def drifted(per_year: float) -> pl.DataFrame:
    """Give the district with meter a, last calibrated in 2009, off by so much more every year."""
    years = (pl.col("taken_at").dt.date() - dt.date(2009, 1, 1)).dt.total_days() / 365.25
    return times(district(), BY_A, (per_year * years).exp())


def test_drift_of_a_lapsed_meter_is_measured_against_the_other() -> None:
    found = judged(drifted(0.02), {"a": 2010})
    lapsed = found.filter(BY_A)
    assert set(lapsed["rule"]) == {"calibration_lapsed"}
    last = lapsed.filter(pl.col("taken_at").dt.year() == 2019).row(0, named=True)
    told = last["reason"].split("it reads ")[1]
    centre, low, high = (int(told.split(mark)[0].split()[-1].strip("(")) for mark in (" %", " to", " %)"))
    assert low <= 100 * (np.exp(0.02 * 10.5) - 1) <= high
    assert low < centre < high
    assert last["sd_extra_log"] == pytest.approx(0.02 * 10.5, abs=0.06)
    first = lapsed.filter(pl.col("taken_at").dt.year() == 2010)["sd_extra_log"].max()
    assert first < 0.07


def test_lapsed_meter_without_drift_is_cleared_of_it() -> None:
    lapsed = judged(district(), {"a": 2010}).filter(BY_A)
    assert lapsed["reason"].str.ends_with("no drift shows.").all()
    assert lapsed["sd_extra_log"].max() < 0.08


def test_step_of_a_coarse_display_is_part_of_the_spread() -> None:
    fine, coarse = judged(district()), judged(district(decimals=0))
    step = (coarse["sd_extra_log"] ** 2 - fine["sd_extra_log"] ** 2).sqrt()
    under_100 = coarse["resistance_ohm"].is_between(10, 99).to_numpy()
    wanted = (1 / np.sqrt(12) / coarse["resistance_ohm"]).to_numpy()
    assert np.allclose(step.to_numpy()[under_100], wanted[under_100], rtol=0.05)


def exchanged(readings: pl.DataFrame, one: str, two: str, whole_line: bool) -> pl.DataFrame:
    """Write two wells of the visit of 2015 on each other's line, with their currents or without."""
    pair = readings.filter(IN_2015 & pl.col("electrode_id").is_in([one, two])).sort("electrode_id")
    rows, columns = pair["row_id"].to_list(), ["resistance_ohm", *(["current_a"] if whole_line else [])]
    for row, other in zip(rows, rows[::-1], strict=True):
        values = pair.filter(pl.col("row_id") == other)
        readings = readings.with_columns(
            pl.when(pl.col("row_id") == row).then(values[c].item()).otherwise(pl.col(c)).alias(c)
            for c in columns
        )
    return readings


def swaps(readings: pl.DataFrame) -> set[str]:
    found = judged(readings).filter(IN_2015 & (pl.col("rule") == "swapped_wells"))
    return set(found["electrode_id"])


def test_wells_of_other_values_are_told_with_their_currents_and_without() -> None:
    value, electrode = pl.col("resistance_ohm"), pl.col("electrode_id")
    usual = value / value.median().over("electrode_id")
    readings = district().with_columns(
        pl.when(electrode == "s04w2")
        .then((usual * 18).round(2))
        .when(electrode == "s04w3")
        .then((usual * 40).round(2))
        .otherwise(value)
        .alias("resistance_ohm")
    )
    for whole_line in (True, False):
        assert swaps(exchanged(readings, "s04w2", "s04w3", whole_line)) == {"s04w2", "s04w3"}


def test_wells_of_like_values_are_told_by_their_currents_alone() -> None:
    level = pl.col("resistance_ohm")
    same = district()
    of_w2 = same.filter(pl.col("electrode_id") == "s04w2").select("taken_at", level.alias("_like"))
    rng = np.random.default_rng(3)
    like = same.join(of_w2, on="taken_at", how="left").with_columns(
        pl.when(pl.col("electrode_id") == "s04w3")
        .then((pl.col("_like") * pl.Series(np.exp(rng.normal(0.15, 0.05, same.height)))).round(2))
        .otherwise(level)
        .alias("resistance_ohm"),
        pl.when(pl.col("electrode_id") == "s04w3")
        .then((pl.col("current_a") * 20).round(4))
        .otherwise("current_a")
        .alias("current_a"),
    )
    like = like.drop("_like").sort("row_id")
    assert swaps(like) == set()
    assert swaps(exchanged(like, "s04w2", "s04w3", whole_line=True)) == {"s04w2", "s04w3"}


def test_month_s_weather_stands_in_for_a_soil_temperature() -> None:
    readings = district()
    electrodes = readings.select("electrode_id", "site_id").unique()
    weather = pl.DataFrame(
        {"region": ["north"] * 2, "month": ["2015-06", "2015-07"], "soil_temp_c": [-2.0, 4.0]}
    )
    sites = readings.select("site_id").unique().with_columns(pl.lit("north").alias("region"))
    formula = electrodes.select("electrode_id", pl.lit(25.0).alias("formula_ohm"))
    verdicts = vet(readings, electrodes, sites, pl.DataFrame(), formula, weather)
    found = readings.join(verdicts, on="row_id").filter(pl.col("rule") == "frozen_ground")
    june = readings.filter(IN_2015 & (pl.col("taken_at").dt.month() == 6))
    assert set(found["row_id"]) <= set(june["row_id"])
    assert found.height >= 0.98 * june.height
    assert set(found["verdict"]) == {"good"}
    assert found["weight"].min() == 1.0
