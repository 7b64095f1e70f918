"""Each vetting rule finds its planted mistake, and leaves the readings beside it alone."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from models.vetting import RULES, SEVERITY, vet

WELLS = ("a", "b", "c", "d")
LEVELS = (12.3, 25.4, 47.6, 18.7)
YEARS = 8


def clean_site() -> pl.DataFrame:
    """Give four wells read once a year for eight years, with a few per cent of scatter that never repeats."""
    rows = []
    for year in range(YEARS):
        for well, level in zip(WELLS, LEVELS, strict=True):
            wobble = 1 + 0.05 * np.sin(1.7 * year + level)
            rows.append(
                {
                    "row_id": len(rows),
                    "electrode_id": well,
                    "site_id": "s",
                    "taken_at": dt.datetime(2010 + year, 6, 3, 9, len(rows) % 60),
                    "resistance_ohm": round(level * wobble, 2),
                    "range_mark": None,
                    "method": "clamp_on",
                    "outcome": "read",
                    "current_a": 0.1,
                    "instrument_id": "m1",
                    "check_ring_ohm": 25.0,
                    "soil_temp_c": 12.0,
                    "file": f"{2010 + year}.csv",
                }
            )
    return pl.DataFrame(rows, schema_overrides={"range_mark": pl.String, "resistance_ohm": pl.Float64})


def changed(readings: pl.DataFrame, row: int, **values: object) -> pl.DataFrame:
    """Give the readings with some cells of one row replaced."""
    return readings.with_columns(
        pl.when(pl.col("row_id") == row).then(pl.lit(value)).otherwise(pl.col(name)).alias(name)
        for name, value in values.items()
    )


def judge(
    readings: pl.DataFrame, formula: float | None = 25.0, due: int = 2030, **of_site: object
) -> pl.DataFrame:
    """Vet the site's readings with one meter calibrated in 2009 and due in `due`."""
    electrodes = pl.DataFrame(
        {
            "electrode_id": list(WELLS),
            "site_id": ["s"] * 4,
            "installed_on": [dt.date(2005, 1, 1)] * 4,
            "retired_on": pl.Series([None] * 4, dtype=pl.Date),
        }
    )
    meters = pl.DataFrame(
        {
            "instrument_id": ["m1"],
            "calibrated_on": [dt.date(2009, 1, 1)],
            "calibration_due_on": [dt.date(due, 1, 1)],
            "accuracy_pct": [1.5],
            "accuracy_ohm": [0.05],
            "range_low_ohm": [0.02],
            "range_high_ohm": [1500.0],
        }
    )
    formulas = pl.DataFrame(
        {"electrode_id": list(WELLS), "formula_ohm": pl.Series([formula] * 4, dtype=pl.Float64)}
    )
    return vet(readings, electrodes, pl.DataFrame([{"site_id": "s"} | of_site]), meters, formulas)


def flags(verdicts: pl.DataFrame) -> dict[int, tuple[str, str]]:
    """Give the rows that a rule speaks of: row_id to verdict and rule."""
    bad = verdicts.filter(pl.col("rule").is_not_null())
    return {r["row_id"]: (r["verdict"], r["rule"]) for r in bad.iter_rows(named=True)}


def row_of(year: int, well: str) -> int:
    return (year - 2010) * 4 + WELLS.index(well)


def test_clean_site_is_all_good_and_in_order() -> None:
    readings = clean_site().sample(fraction=1.0, shuffle=True, seed=3)
    verdicts = judge(readings)
    assert flags(verdicts) == {}
    assert verdicts["row_id"].to_list() == readings["row_id"].to_list()
    assert verdicts["weight"].to_list() == [1.0] * readings.height


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        ({"resistance_ohm": None, "outcome": "flooded"}, ("set_aside", "no_resistance")),
        ({"resistance_ohm": 0.0}, ("set_aside", "not_a_resistance")),
        ({"method": "fall_of_potential"}, ("set_aside", "not_clamp_on")),
        ({"resistance_ohm": 0.31}, ("set_aside", "metal_loop")),
        ({"resistance_ohm": 1500.0, "range_mark": "over"}, ("doubtful", "open_lead")),
        ({"resistance_ohm": 1500.0}, ("doubtful", "open_lead")),
        ({"resistance_ohm": 770.0}, ("doubtful", "open_lead")),
        ({"current_a": 8.0}, ("doubtful", "current_too_high")),
        ({"current_a": -8.0}, ("doubtful", "current_too_high")),
        ({"outcome": "noise"}, ("doubtful", "noisy_outcome")),
        ({"check_ring_ohm": 31.0}, ("doubtful", "check_ring_off")),
        ({"resistance_ohm": 254.0}, ("set_aside", "slipped_decimal")),
        ({"resistance_ohm": 2.54}, ("set_aside", "slipped_decimal")),
        ({"resistance_ohm": 25_400.0}, ("set_aside", "slipped_decimal")),
        ({"resistance_ohm": 0.0254}, ("set_aside", "metal_loop")),
        ({"soil_temp_c": -1.5}, ("good", "frozen_ground")),
    ],
)
def test_rule_finds_its_mistake_and_nothing_else(cells: dict[str, object], expected: tuple[str, str]) -> None:
    row = row_of(2013, "b")
    assert flags(judge(changed(clean_site(), row, **cells))) == {row: expected}


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        ({"resistance_ohm": 1500.0, "range_mark": "over"}, ("censored", "over_range")),
        ({"resistance_ohm": 1500.0}, ("censored", "over_range")),
        ({"resistance_ohm": 1700.0}, ("doubtful", "beyond_meter")),
        ({"resistance_ohm": 254.0}, ("doubtful", "maybe_slipped")),
        ({"resistance_ohm": 0.31}, ("set_aside", "metal_loop")),
        ({"resistance_ohm": 64.0}, None),
    ],
)
def test_newest_reading_is_judged_by_what_came_before(
    cells: dict[str, object], expected: tuple[str, str] | None
) -> None:
    row = row_of(2017, "b")
    assert flags(judge(changed(clean_site(), row, **cells))) == ({row: expected} if expected else {})


def test_lead_that_stays_open_keeps_its_limits() -> None:
    readings = clean_site()
    for year in (2015, 2016, 2017):
        readings = changed(readings, row_of(year, "b"), resistance_ohm=1500.0, range_mark="over")
    assert set(flags(judge(readings)).values()) == {("censored", "over_range")}


def test_slip_of_a_thousand_in_the_range_of_the_meter() -> None:
    readings = clean_site().with_columns(pl.col("resistance_ohm") / 50)
    row = row_of(2014, "a")
    readings = changed(readings, row, resistance_ohm=246.0)
    assert flags(judge(readings, formula=None))[row] == ("set_aside", "slipped_decimal")


def test_newest_reading_up_tenfold_is_doubtful_only() -> None:
    row = row_of(2017, "c")
    assert flags(judge(changed(clean_site(), row, resistance_ohm=480.0))) == {
        row: ("doubtful", "maybe_slipped")
    }


def test_slip_beside_a_repeat_of_the_same_day_is_set_aside_at_once() -> None:
    readings = clean_site()
    newest = row_of(2017, "c")
    slipped = readings.filter(pl.col("row_id") == newest).with_columns(
        pl.lit(900, dtype=pl.Int64).alias("row_id"), (pl.col("resistance_ohm") * 10.2).alias("resistance_ohm")
    )
    assert flags(judge(pl.concat([readings, slipped]))) == {900: ("set_aside", "slipped_decimal")}


def test_break_that_stays_is_not_taken_for_a_slip() -> None:
    readings = clean_site()
    for year in range(2013, 2018):
        row = row_of(year, "d")
        readings = changed(readings, row, resistance_ohm=187.0 + 7.3 * (year % 3) + 0.01 * year)
    assert flags(judge(readings)) == {}


def test_steady_corrosion_and_a_dry_year_are_good() -> None:
    year = pl.col("taken_at").dt.year() - 2010
    grown = pl.when(pl.col("electrode_id") == "a").then(1.25**year).otherwise(1.0)
    dry = pl.when(year == 5).then(1.8).otherwise(1.0)
    readings = clean_site().with_columns((pl.col("resistance_ohm") * grown * dry).round(2))
    assert flags(judge(readings)) == {}


def test_whole_visit_in_the_wrong_unit() -> None:
    milliohm = pl.when(pl.col("taken_at").dt.year() == 2014).then(1000.0).otherwise(1.0)
    readings = clean_site().with_columns(pl.col("resistance_ohm") / 50 * milliohm)
    found = flags(judge(readings, formula=None))
    assert set(found) == {row_of(2014, w) for w in WELLS}
    assert {verdict for verdict, _ in found.values()} == {"set_aside"}


def test_swapped_wells_are_proposed_as_a_pair() -> None:
    readings = clean_site()
    one, two = row_of(2015, "a"), row_of(2015, "c")
    ohm = dict(zip(readings["row_id"], readings["resistance_ohm"], strict=True))
    readings = changed(changed(readings, one, resistance_ohm=ohm[two]), two, resistance_ohm=ohm[one])
    assert flags(judge(readings)) == {one: ("doubtful", "swapped_wells"), two: ("doubtful", "swapped_wells")}


def test_copied_sheet_is_doubtful_from_the_copy_on() -> None:
    readings = clean_site()
    for well in WELLS:
        old = readings.filter(pl.col("row_id") == row_of(2013, well))["resistance_ohm"].item()
        readings = changed(readings, row_of(2014, well), resistance_ohm=old)
    found = flags(judge(readings))
    assert found == {row_of(2014, w): ("doubtful", "copied_forward") for w in WELLS}


def test_one_well_with_the_same_three_digits_for_three_years() -> None:
    readings = clean_site()
    for year in (2012, 2013, 2014):
        readings = changed(readings, row_of(year, "b"), resistance_ohm=25.31)
    assert set(flags(judge(readings))) == {row_of(2013, "b"), row_of(2014, "b")}


def test_same_reading_from_a_second_file_counts_once() -> None:
    readings = clean_site()
    copy = readings.filter(pl.col("row_id") == 5).with_columns(
        pl.lit(900, dtype=pl.Int64).alias("row_id"), pl.lit("again.csv").alias("file")
    )
    repeat = copy.with_columns(pl.lit(901, dtype=pl.Int64).alias("row_id"), pl.lit("2011.csv").alias("file"))
    found = flags(judge(pl.concat([readings, copy, repeat])))
    assert found == {900: ("set_aside", "repeated_in_another_file")}


def test_life_of_the_electrode() -> None:
    readings = changed(clean_site(), 1, taken_at=dt.datetime(2004, 5, 1))
    assert flags(judge(readings)) == {1: ("set_aside", "before_installation")}


def test_lapsed_calibration_is_doubtful_with_more_spread() -> None:
    verdicts = judge(clean_site(), due=2012)
    lapsed = verdicts.filter(pl.col("rule") == "calibration_lapsed")
    assert lapsed.height == 6 * 4
    good = verdicts.filter(pl.col("verdict") == "good")
    assert lapsed["sd_extra_log"].min() > good["sd_extra_log"].max()


def test_meter_accuracy_grows_as_the_value_falls() -> None:
    readings = changed(clean_site(), 0, resistance_ohm=5.0)
    spread = dict(judge(readings).select("row_id", "sd_extra_log").iter_rows())
    assert spread[0] == pytest.approx((0.015 + 0.05 / 5.0) / np.sqrt(3))
    assert spread[0] > spread[2]


def test_dense_grid_in_conductive_soil_is_not_a_metal_loop() -> None:
    readings = clean_site().with_columns((pl.col("resistance_ohm") / 50).round(4))
    assert flags(judge(readings, formula=1.5)) == {}


def test_site_that_reads_far_below_its_survey_is_not_all_metal() -> None:
    readings = clean_site().with_columns((pl.col("resistance_ohm") / 30).round(3))
    assert flags(judge(readings, formula=25.0)) == {}
    row = row_of(2013, "b")
    assert flags(judge(changed(readings, row, resistance_ohm=0.03), formula=25.0)) == {
        row: ("set_aside", "metal_loop")
    }


def test_under_range_is_kept_where_soil_allows_it_and_set_aside_where_not() -> None:
    row = row_of(2013, "b")
    readings = changed(clean_site(), row, resistance_ohm=0.02, range_mark="under")
    assert flags(judge(readings))[row] == ("set_aside", "metal_loop")
    bare = flags(judge(readings, formula=None))
    assert bare[row] == ("set_aside", "metal_loop")
    wide = changed(clean_site(), row, resistance_ohm=5.0, range_mark="under")
    assert flags(judge(wide)) == {row: ("censored", "under_range")}


def test_every_flag_has_a_sentence_and_every_rule_a_physics() -> None:
    readings = changed(clean_site(), 9, resistance_ohm=0.3)
    reason = judge(readings).filter(pl.col("row_id") == 9)["reason"].item()
    assert reason.endswith(".")
    assert all(rule.function.__doc__ and rule.verdict in SEVERITY for rule in RULES)


def test_gravest_rule_comes_first() -> None:
    """But two wells exchanged before two slips that match, and an open lead before its meter's limit."""
    plain = [rule for rule in RULES if rule.name not in ("swapped_wells", "open_lead")]
    order = [SEVERITY.index(rule.verdict) for rule in plain]
    assert order == sorted(order)
    names = [rule.name for rule in RULES]
    assert names.index("swapped_wells") < names.index("slipped_decimal")
    assert names.index("open_lead") < names.index("over_range")


def test_bare_columns_and_no_instruments_are_enough() -> None:
    readings = clean_site().select("row_id", "electrode_id", "site_id", "taken_at", "resistance_ohm")
    empty = pl.DataFrame(schema={"electrode_id": pl.String, "formula_ohm": pl.Float64})
    electrodes = pl.DataFrame({"electrode_id": list(WELLS)})
    verdicts = vet(readings, electrodes, pl.DataFrame(), pl.DataFrame(), empty)
    assert verdicts["verdict"].unique().to_list() == ["good"]
    assert verdicts["sd_extra_log"].min() > 0


def test_low_reading_in_a_grid_stays_good_and_is_said_to_be_a_baseline_only() -> None:
    """A rod alone of 25 ohm that may read 15 inside a large grid (common practice, no source)."""
    in_grid = {"return_path": "site_grid", "grid_area_m2": 4900.0}
    low = judge(clean_site(), 60.0, **in_grid).filter(pl.col("rule") == "low_in_grid")
    assert low.height > 0
    assert low["verdict"].unique().to_list() == ["good"]
    assert low["weight"].min() == 1.0
    assert "no absolute value" in low["reason"][0]
    for elsewhere in ({"return_path": "multi_grounded_neutral", "grid_area_m2": 4900.0}, {}):
        assert "low_in_grid" not in judge(clean_site(), 60.0, **elsewhere)["rule"].to_list()
    assert "low_in_grid" not in judge(clean_site(), 12.0, **in_grid)["rule"].to_list()
