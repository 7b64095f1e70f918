"""Cells: numbers, ranges, units, dates, words; and a reason for each that does not fit."""

from datetime import date, datetime

import polars as pl
import pytest

from pipeline.intake.cells import Writing, typed
from pipeline.intake.tables import ELECTRODES, INSTRUMENTS, READINGS, SITES, SOIL_SURVEYS, WEATHER, Table

TODAY = date(2026, 11, 24)


@pytest.fixture(autouse=True, params=[2000, 0], ids=["few", "many"])
def how_many_are_few(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Few rows are worked out at once, many by their distinct cells: with the same outcome."""
    monkeypatch.setattr("pipeline.intake.distinct._FEW", request.param)


GOOD_READING = {"well_id": "A-W1", "taken_at": "2020-03-01", "resistance_ohm": "12.5"}


def _typed(table: Table, *rows: dict[str, str], how: Writing | None = None) -> pl.DataFrame:
    frame = pl.DataFrame(
        [{"_line": k + 2, "_fault": None, **dict.fromkeys(table.names), **row} for k, row in enumerate(rows)],
        schema={"_line": pl.Int64, "_fault": pl.String, **dict.fromkeys(table.names, pl.String)},
    )
    return typed(frame, table, how or Writing(TODAY))


def _one(table: Table, how: Writing | None = None, **cells: str) -> dict[str, object]:
    return _typed(table, cells, how=how).row(0, named=True)


def _reading(how: Writing | None = None, **cells: str) -> dict[str, object]:
    return _one(READINGS, how, **{**GOOD_READING, **cells})


@pytest.mark.parametrize(
    ("cell", "value", "mark"),
    [
        ("12.5", 12.5, None),
        (".5", 0.5, None),
        ("1e3", 1000.0, None),
        ("+7", 7.0, None),
        (">1500", 1500.0, "over"),
        ("> 1500", 1500.0, "over"),
        ("<0.02", 0.02, "under"),
        ("< 0.02", 0.02, "under"),
    ],
)
def test_a_resistance_is_a_number_or_the_limit_of_the_range(
    cell: str, value: float, mark: str | None
) -> None:
    row = _reading(resistance_ohm=cell)
    assert (row["resistance_ohm"], row["range_mark"], row["_reason"]) == (value, mark, None)


@pytest.mark.parametrize(
    "cell",
    [
        "n/a",
        "12.4?",
        "12,4",
        "1 500",
        "nan",
        "inf",
        "1e999",
        "0x10",
        "1_000",
        ">",
        "><5",
        "12 ohm",
        "--5",
        ".",
    ],
)
def test_text_in_a_number_is_refused_with_the_text(cell: str) -> None:
    row = _reading(resistance_ohm=cell)
    assert row["resistance_ohm"] is None
    assert row["range_mark"] is None
    said, _, hint = row["_reason"].partition(" (")
    assert said == f"resistance_ohm '{cell}' is not a number, or > or < and a number"
    assert ("outcome" in hint) == (cell in {"n/a", "nan", "inf", ">", "."})
    assert ("units in the cells" in hint) == (cell == "12 ohm")


@pytest.mark.parametrize("cell", ["0", "-3", "<0"])
def test_a_resistance_is_above_zero(cell: str) -> None:
    assert "has to be above 0" in str(_reading(resistance_ohm=cell)["_reason"])


def test_units_and_decimal_marks_are_brought_to_ours() -> None:
    how = Writing(
        TODAY,
        decimal_marks=".,",
        units={"current_a": (0.0, 1e-3), "soil_temp_c": (-32.0, 5 / 9), "resistance_ohm": (0.0, 1e3)},
    )
    row = _reading(how, resistance_ohm="< 0,5", current_a="250", soil_temp_c="50", soil_moisture_pct="12,4")
    assert row["resistance_ohm"] == pytest.approx(500.0)
    assert row["range_mark"] == "under"
    assert row["current_a"] == pytest.approx(0.25)
    assert row["soil_temp_c"] == pytest.approx(10.0)
    assert row["soil_moisture_pct"] == pytest.approx(12.4)


@pytest.mark.parametrize(
    ("cell", "moment"),
    [
        ("2020-03-01", datetime(2020, 3, 1)),
        ("2020-03-01T10:22", datetime(2020, 3, 1, 10, 22)),
        ("2020-03-01 10:22:30", datetime(2020, 3, 1, 10, 22, 30)),
        ("2020-03-01T10:22:00+01:00", datetime(2020, 3, 1, 10, 22)),  # what the local clock showed
        ("2020-03-01T10:22:00.250Z", datetime(2020, 3, 1, 10, 22, 0, 250000)),
        ("2020-03-01T23:30:00-0800", datetime(2020, 3, 1, 23, 30)),
        ("2024-02-29", datetime(2024, 2, 29)),
    ],
)
def test_a_moment_is_the_local_clock(cell: str, moment: datetime) -> None:
    row = _reading(taken_at=cell)
    assert (row["taken_at"], row["_reason"]) == (moment, None)


@pytest.mark.parametrize(
    "cell", ["2019-02-31", "2019-13-01", "31/02/2019", "14/03/2019", "20190314", "March 2019"]
)
def test_an_impossible_date_is_refused(cell: str) -> None:
    assert _reading(taken_at=cell)["_reason"] == (
        f"taken_at '{cell}' is not a date of the calendar such as 2026-03-14"
    )


def test_a_profile_adds_its_forms_of_dates_and_iso_stays() -> None:
    how = Writing(TODAY, dates=("%d/%m/%Y",))
    rows = _typed(
        READINGS,
        *({**GOOD_READING, "taken_at": t} for t in ("04/03/2019", "2019-03-05", "31/02/2019")),
        how=how,
    )
    assert rows["taken_at"].to_list() == [datetime(2019, 3, 4), datetime(2019, 3, 5), None]


def test_dates_after_the_day_of_loading_are_refused_and_that_day_is_not() -> None:
    assert _reading(taken_at="2026-11-24T23:59:00")["_reason"] is None
    assert "lies after the day of loading (2026-11-24)" in str(_reading(taken_at="2026-11-25")["_reason"])
    assert "lies before 1900" in str(_reading(taken_at="1019-03-14")["_reason"])
    due = _one(INSTRUMENTS, instrument_id="M", calibrated_on="2026-01-01", calibration_due_on="2027-01-01")
    assert due["_reason"] is None


@pytest.mark.parametrize(
    ("cells", "reason"),
    [
        ({"resistance_ohm": ""}, "resistance_ohm, current_a and outcome are all empty"),
        ({"resistance_ohm": "", "outcome": "read"}, "there is neither resistance nor current"),
        ({"outcome": "no_reading"}, "nothing was read, but there is a resistance"),
        ({"well_id": ""}, "electrode_id or well_id is needed"),
        ({"outcome": "wet"}, "outcome 'wet' is not one of read, no_reading, flooded, inaccessible, noise"),
        ({"corrects": "perhaps"}, "corrects 'perhaps' is not true or false"),
        ({"repeat_no": "1.5"}, "repeat_no '1.5' is not a whole number"),
        ({"soil_moisture_pct": "140"}, "soil_moisture_pct '140' is above 100"),
        ({"current_a": "-1"}, "current_a '-1' is below 0"),
    ],
)
def test_the_rules_of_a_reading(cells: dict[str, str], reason: str) -> None:
    given = {k: v for k, v in {**GOOD_READING, **cells}.items() if v}
    assert reason in str(_one(READINGS, **given)["_reason"])


@pytest.mark.parametrize(
    ("cells", "outcome"),
    [
        ({}, "read"),
        ({"resistance_ohm": "", "current_a": "0.3"}, "read"),
        ({"resistance_ohm": "", "outcome": "flooded"}, "flooded"),
        ({"resistance_ohm": "", "outcome": "No reading"}, "no_reading"),
        ({"outcome": "noise"}, "noise"),
    ],
)
def test_what_an_empty_outcome_and_method_mean(cells: dict[str, str], outcome: str) -> None:
    given = {k: v for k, v in {**GOOD_READING, **cells}.items() if v}
    row = _one(READINGS, **given)
    assert (row["outcome"], row["method"], row["_reason"]) == (outcome, "clamp_on", None)


def test_all_that_is_wrong_in_a_row_is_one_sentence() -> None:
    row = _reading(taken_at="2019-02-31", resistance_ohm="n/a", soil_temp_c="warm")
    assert row["_reason"] == (
        "taken_at '2019-02-31' is not a date of the calendar such as 2026-03-14; "
        "resistance_ohm 'n/a' is not a number, or > or < and a number "
        "(where nothing was read leave it empty and give the outcome); "
        "soil_temp_c 'warm' is not a number"
    )


def test_a_required_cell_that_is_empty_is_named() -> None:
    assert _one(SITES, site_id="A")["_reason"] == "site_name is empty"


def test_words_choices_months_and_yes_no() -> None:
    electrode = _one(
        ELECTRODES,
        electrode_id="E",
        site_id="A",
        installed_on="2000-05-01",
        material="Galvanized steel",
        has_test_well="yes",
        baseline_tied_in="0",
    )
    assert electrode["material"] == "galvanized_steel"
    assert (electrode["has_test_well"], electrode["baseline_tied_in"]) == (True, False)
    assert electrode["_reason"] is None
    assert _one(WEATHER, region="North", month="2026-03")["month"] == date(2026, 3, 1)
    assert _one(WEATHER, region="North", month="2026-03-17")["month"] == date(2026, 3, 1)
    assert "is not a month" in str(_one(WEATHER, region="North", month="spring")["_reason"])
    assert (
        _one(SOIL_SURVEYS, site_id="A", surveyed_on="2020-01-01", ph="15")["_reason"] == "ph '15' is above 14"
    )


def test_an_electrode_is_not_retired_before_it_was_installed() -> None:
    row = _one(ELECTRODES, electrode_id="E", site_id="A", installed_on="2010-01-01", retired_on="2009-01-01")
    assert row["_reason"] == "retired_on lies before installed_on"


def test_a_fault_of_the_line_is_the_only_reason() -> None:
    frame = pl.DataFrame(
        {"_line": [2], "_fault": ["the line is torn"], **{n: [None] for n in SITES.names}},
        schema_overrides=dict.fromkeys(SITES.names, pl.String),
    )
    assert typed(frame, SITES, Writing(TODAY))["_reason"].to_list() == ["the line is torn"]
