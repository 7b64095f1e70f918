"""From frames to flat arrays: visits, repeats, what is taken off, shifts, and the day of the view."""

from datetime import date, datetime
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.histories import AS_INSTALLED, DAYS_A_YEAR, ISOLATED, ROUTINE, Histories
from models.history_frames import DOUBTFUL_SD_LOG, UNSURVEYED_SD_LOG, build_histories, fill_formula

AS_OF = date(2024, 6, 30)
ELECTRODE_TYPES = {
    "electrode_id": pl.String, "site_id": pl.String, "region": pl.String, "soil_class": pl.String,
    "material": pl.String, "installed_on": pl.Date, "baseline_ohm": pl.Float64, "baseline_on": pl.Date,
    "baseline_tied_in": pl.Boolean, "formula_ohm": pl.Float64, "survey_sd_log": pl.Float64,
    "rest_ohm": pl.Float64, "ratio_basis": pl.String,
}  # fmt: skip
READING_TYPES = {
    "row_id": pl.Int64, "electrode_id": pl.String, "site_id": pl.String, "taken_at": pl.Datetime,
    "resistance_ohm": pl.Float64, "range_mark": pl.String, "verdict": pl.String, "sd_extra_log": pl.Float64,
}  # fmt: skip


def _electrode(name: str, site: str = "s1", **other: Any) -> dict[str, Any]:
    usual = {
        "region": "north", "soil_class": "clay", "material": "clad", "installed_on": date(2000, 1, 1),
        "baseline_ohm": None, "baseline_on": None, "baseline_tied_in": None, "formula_ohm": 20.0,
        "survey_sd_log": 0.0, "rest_ohm": None, "ratio_basis": "loop_raw",
    }  # fmt: skip
    return {"electrode_id": name, "site_id": site, **usual, **other}


def _reading(
    row: int, electrode: str, day: date, ohm: float, site: str = "s1", **other: Any
) -> dict[str, Any]:
    usual = {"range_mark": None, "verdict": "good", "sd_extra_log": 0.0}
    at = datetime(day.year, day.month, day.day, 10)
    return {
        "row_id": row, "electrode_id": electrode, "site_id": site, "taken_at": at, "resistance_ohm": ohm,
        **usual, **other,
    }  # fmt: skip


def _build(
    electrodes: list[dict[str, Any]], readings: list[dict[str, Any]], works: Any = (), as_of: date = AS_OF
) -> Histories:
    return build_histories(
        pl.DataFrame(electrodes, schema=ELECTRODE_TYPES),
        pl.DataFrame(readings, schema=READING_TYPES),
        pl.DataFrame(
            list(works), schema={"site_id": pl.String, "done_on": pl.Date, "work": pl.String}, orient="row"
        ),
        as_of,
    )


def test_visits_are_numbered_by_site_and_days_close_together_are_one() -> None:
    h = _build(
        [_electrode("a"), _electrode("b"), _electrode("c", "s2")],
        [
            _reading(1, "a", date(2020, 5, 1), 10.0), _reading(2, "b", date(2020, 5, 15), 11.0),
            _reading(3, "a", date(2021, 5, 1), 12.0), _reading(4, "b", date(2019, 5, 1), 11.0),
            _reading(5, "c", date(2021, 9, 1), 30.0, "s2"),
        ],
    )  # fmt: skip
    assert h.electrode_id == ("a", "b", "c")
    assert h.site_start.tolist() == [0, 2, 3]
    assert h.reading_start.tolist() == [0, 2, 4, 5]
    assert h.row.tolist() == [1, 3, 4, 2, 5]
    assert h.visit.tolist() == [1, 2, 0, 1, 0]
    assert h.visit_start.tolist() == [0, 3, 4]
    assert h.visit_year[1] == pytest.approx(2020 + (121 + 135) / 2 / DAYS_A_YEAR)
    assert [h.periods[p] for p in h.visit_period] == [("north", y) for y in (2019, 2020, 2021, 2021)]
    assert [h.periods[p][1] for p in h.reading_period] == [2020, 2021, 2019, 2020, 2021]


def test_repeats_of_a_day_become_their_median_and_out_of_range_ones_stay_apart() -> None:
    day = date(2020, 5, 1)
    h = _build(
        [_electrode("a")],
        [
            *[_reading(k, "a", day, ohm) for k, ohm in enumerate((10.0, 14.0, 90.0))],
            _reading(7, "a", day, 1500.0, range_mark="over"),
            _reading(8, "a", date(2021, 5, 1), 0.1, range_mark="under"),
        ],
    )  # fmt: skip
    assert h.log_ohm == pytest.approx(np.log([14.0, 1500.0, 0.1]))
    assert h.side.tolist() == [0, 1, -1]
    assert h.visit.tolist() == [0, 0, 1]
    assert h.age[0] == pytest.approx((day - date(2000, 1, 1)).days / DAYS_A_YEAR)


def test_the_rest_of_the_loop_comes_off_only_where_the_ratio_is_of_the_rod() -> None:
    day = date(2020, 5, 1)
    h = _build(
        [
            _electrode("a", rest_ohm=2.0, ratio_basis="rod_net"),
            _electrode("b", rest_ohm=2.0, ratio_basis="loop_raw"),
            _electrode("c", ratio_basis="rod_net"), _electrode("d", rest_ohm=9.0, ratio_basis="rod_net"),
        ],
        [_reading(k, e, day, 10.0) for k, e in enumerate("abcd")],
    )  # fmt: skip
    assert np.exp(h.log_ohm) == pytest.approx([8.0, 10.0, 10.0, 3.0])
    assert h.raw.tolist() == [False, True, False, False]


def test_values_written_down_at_installation_are_of_their_own_kind() -> None:
    h = _build(
        [
            _electrode("a", baseline_ohm=9.0, baseline_tied_in=True, rest_ohm=1.0, ratio_basis="rod_net"),
            _electrode("b", baseline_ohm=30.0, baseline_tied_in=False, rest_ohm=1.0, ratio_basis="rod_net"),
            _electrode("c", baseline_ohm=9.0, baseline_on=date(2001, 1, 1)),
        ],
        [_reading(1, "a", date(2020, 5, 1), 11.0)],
    )
    assert h.kind.tolist() == [AS_INSTALLED, ROUTINE, ISOLATED, AS_INSTALLED]
    assert np.exp(h.log_ohm) == pytest.approx([8.0, 10.0, 30.0, 9.0])
    assert h.visit.tolist() == [-1, 0, -1, -1]
    assert h.row.tolist() == [-1, 1, -1, -1]
    assert h.age[[0, 3]] == pytest.approx([0.0, 366 / DAYS_A_YEAR])


def test_what_is_set_aside_or_later_or_from_before_the_rod_is_not_looked_at() -> None:
    h = _build(
        [_electrode("a"), _electrode("late", installed_on=date(2024, 7, 1))],
        [
            _reading(1, "a", date(2020, 5, 1), 10.0),
            _reading(2, "a", date(2020, 6, 1), 10.0, verdict="set_aside"),
            _reading(3, "a", date(2024, 7, 1), 99.0), _reading(4, "a", date(1999, 5, 1), 10.0),
            _reading(5, "late", date(2024, 8, 1), 10.0), _reading(6, "a", date(2022, 5, 1), 0.0),
            _reading(7, "a", AS_OF, 12.0),
        ],
    )  # fmt: skip
    assert h.electrode_id == ("a",)
    assert h.row.tolist() == [1, 7]
    assert h.visit_year.size == 2
    assert h.age_now == pytest.approx([(AS_OF - date(2000, 1, 1)).days / DAYS_A_YEAR])


def test_a_value_written_down_after_as_of_is_not_looked_at() -> None:
    h = _build(
        [_electrode("a", installed_on=date(2024, 6, 1), baseline_ohm=9.0, baseline_on=date(2024, 8, 1))], []
    )
    assert h.age.size == 0


def test_doubtful_readings_and_meters_widen_the_variance() -> None:
    h = _build(
        [_electrode("a")],
        [
            _reading(1, "a", date(2020, 5, 1), 10.0, sd_extra_log=0.1),
            _reading(2, "a", date(2021, 5, 1), 10.0, sd_extra_log=None, verdict="doubtful"),
        ],
    )
    assert h.meter_var == pytest.approx([0.01, DOUBTFUL_SD_LOG**2])


def test_works_that_move_the_whole_site_become_its_shifts() -> None:
    h = _build(
        [_electrode("a"), _electrode("c", "s2")],
        [_reading(1, "a", date(2020, 5, 1), 10.0)],
        [
            ("s1", date(2015, 1, 1), "grid_extended"), ("s1", date(2010, 7, 2), "network_changed"),
            ("s1", date(2016, 1, 1), "connection_remade"), ("s1", date(2025, 1, 1), "grid_extended"),
        ],
    )  # fmt: skip
    assert h.shifts[0] == pytest.approx((2010 + 182 / DAYS_A_YEAR, 2015.0))
    assert h.shifts[1] == ()


def test_electrodes_without_any_reading_are_there_all_the_same() -> None:
    h = _build([_electrode("a"), _electrode("c", "s2")], [])
    assert (h.electrodes, h.sites, h.age.size, h.visit_year.size) == (2, 2, 0, 0)
    assert h.reading_start.tolist() == [0, 0, 0]
    assert h.reading_period.size == 0


def test_a_formula_is_filled_from_the_class_then_the_fleet_then_usual_soil() -> None:
    frame = pl.DataFrame(
        {
            "electrode_id": list("abcd"), "soil_class": ["clay", "clay", "sand", "clay"],
            "formula_ohm": [10.0, 30.0, None, None], "length_m": [3.0] * 4,
        }
    )  # fmt: skip
    filled = fill_formula(frame)
    assert filled["formula_ohm"].to_list() == [10.0, 30.0, 20.0, 20.0]
    assert filled["survey_sd_log"].to_list() == [0.0, 0.0, UNSURVEYED_SD_LOG, UNSURVEYED_SD_LOG]
    none = fill_formula(frame.with_columns(pl.lit(None, dtype=pl.Float64).alias("formula_ohm")))
    assert none["formula_ohm"].to_list() == pytest.approx([33.0] * 4)
