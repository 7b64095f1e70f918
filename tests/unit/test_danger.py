"""The danger list: what stands on it, what it says, and what takes it off."""

from __future__ import annotations

import datetime as dt
import json

import polars as pl
import pytest

from models.danger import attend_first
from models.refused_cells import read_cells

NO_REFUSED = pl.DataFrame(
    schema={
        "file": pl.String,
        "sheet": pl.String,
        "line": pl.Int64,
        "table_name": pl.String,
        "reason": pl.String,
        "cells": pl.String,
        "settled": pl.Boolean,
    }
)
NO_WORKS = pl.DataFrame(
    schema={"site_id": pl.String, "electrode_id": pl.String, "done_on": pl.Date, "work": pl.String}
)


def reading(
    electrode: str, day: str, ohm: float | None = 20.0, amps: float | None = None, **more: object
) -> dict:
    return {
        "site_id": "north",
        "electrode_id": electrode,
        "well_id": f"well {electrode}",
        "taken_at": dt.datetime.fromisoformat(day),
        "resistance_ohm": ohm,
        "range_mark": None,
        "current_a": amps,
        "current_kind": "ac",
        "conductor": None,
        **more,
    }


def table(*rows: dict) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema_overrides={"range_mark": pl.String, "resistance_ohm": pl.Float64})


def refused(cells: dict, settled: bool = False) -> pl.DataFrame:
    row = {
        "file": "north.csv",
        "sheet": None,
        "line": 7,
        "table_name": "readings",
        "reason": "the date lies ahead",
        "cells": json.dumps(cells),
        "settled": settled,
    }
    return pl.DataFrame([row], schema=NO_REFUSED.schema)


def cleared(day: str, electrode: str | None = None) -> pl.DataFrame:
    row = {
        "site_id": "north",
        "electrode_id": electrode,
        "done_on": dt.date.fromisoformat(day),
        "work": "finding_cleared",
    }
    return pl.DataFrame([row], schema=NO_WORKS.schema)


def found(
    readings: pl.DataFrame, refused_rows: pl.DataFrame = NO_REFUSED, works: pl.DataFrame = NO_WORKS
) -> list:
    frame = attend_first(readings, refused_rows, works, note_a=1.0, danger_a=10.0)
    assert frame.columns == ["site_id", "electrode_id", "taken_at", "finding", "value", "why"]
    return frame.select("electrode_id", "finding", "value").rows()


def test_danger_and_note_are_different_words_and_the_limit_itself_counts() -> None:
    readings = table(
        reading("a", "2020-05-01", amps=10.0),
        reading("b", "2020-05-02", amps=1.0),
        reading("c", "2020-05-03", amps=0.9),
    )
    assert found(readings) == [("a", "current_danger", 10.0), ("b", "current_note", 1.0)]


def test_direct_current_of_either_sign_is_judged_by_its_size() -> None:
    assert found(table(reading("a", "2020-05-01", amps=-14.0)))[0] == ("a", "current_danger", 14.0)


def test_currents_are_summed_over_the_leads_of_a_visit_once_each() -> None:
    readings = table(
        *(reading(e, "2020-05-01", amps=4.0) for e in "abc"),
        reading("a", "2020-05-01", amps=3.9),
        reading("d", "2020-05-02", amps=4.0),
    )
    rows = found(readings)
    assert rows[0] == (None, "summed_current_danger", 12.0)
    assert [r for r in rows if r[1] == "summed_current_note"] == []


def test_small_currents_add_up_to_a_note() -> None:
    readings = table(*(reading(e, "2020-05-01", amps=0.5) for e in "abc"))
    assert found(readings) == [(None, "summed_current_note", 1.5)]


def test_lead_over_range_or_far_above_its_history_reads_open() -> None:
    history = [reading("a", f"201{y}-05-01", ohm=15.0 + y / 10) for y in range(5)]
    assert found(table(*history, reading("a", "2020-05-01", ohm=50.0))) == []
    assert found(table(*history, reading("a", "2020-05-01", ohm=700.0))) == [("a", "lead_reads_open", 700.0)]
    over = reading("a", "2020-05-01", ohm=1500.0, range_mark="over")
    assert found(table(*history, over)) == [("a", "lead_reads_open", 1500.0)]


def test_open_lead_asks_for_a_retest_and_names_a_later_ordinary_reading() -> None:
    rows = [reading("a", f"201{y}-05-01", ohm=15.0) for y in range(3)]
    rows += [reading("a", "2014-05-01", ohm=1500.0, range_mark="over"), reading("a", "2015-05-01", ohm=15.5)]
    why = attend_first(table(*rows), NO_REFUSED, NO_WORKS, 1.0, 10.0)["why"].item()
    assert "retest" in why
    assert "15.5 ohm" in why


def test_refused_rows_count_with_file_and_line() -> None:
    cells = {"electrode_id": "a", "taken_at": "2099-01-01", "current_a": "32,5"}
    readings = table(reading("a", "2020-05-01"))
    row = attend_first(readings, refused(cells), NO_WORKS, 1.0, 10.0).row(0, named=True)
    assert (row["site_id"], row["electrode_id"], row["value"]) == ("north", "a", 32.5)
    assert "north.csv, line 7" in row["why"]
    assert found(readings, refused(cells, settled=True)) == []


def test_refused_row_of_a_foreign_layout_and_of_an_unknown_place_still_counts() -> None:
    cells = {"Station": "north", "Well": "9", "Date": "32/13/2020", "Current (mA)": "14000", "AC/DC": "DC"}
    frame = attend_first(table(reading("a", "2020-05-01")), refused(cells), NO_WORKS, 1.0, 10.0)
    assert frame.select("site_id", "taken_at", "value").row(0) == ("north", None, 14.0)
    assert "Well 9." in frame["why"].item()
    nowhere = attend_first(table(reading("a", "2020-05-01")), refused({"current_a": 12}), NO_WORKS, 1.0, 10.0)
    assert nowhere.select("site_id", "electrode_id", "finding").row(0) == (None, None, "current_danger")


def test_what_the_intake_understood_goes_before_the_row_as_it_came() -> None:
    cells = '{"tag": "W1", "i_ma": "15000", "ts": "2024-05-01"}'
    assert read_cells(cells)["current_a"] == 15.0
    understood = (
        '{"well_id": "W1", "site_id": "north", "current_a": 15.0, "taken_at": "2024-05-01 00:00:00.000000"}'
    )
    rows = refused({}).with_columns(pl.lit(cells).alias("cells"), pl.lit(understood).alias("understood"))
    frame = attend_first(table(reading("a", "2020-05-01")), rows, NO_WORKS, 1.0, 10.0)
    assert frame.select("site_id", "taken_at", "finding", "value").rows() == [
        ("north", dt.datetime(2024, 5, 1), "current_danger", 15.0)
    ]


@pytest.mark.parametrize(
    "text", [None, "", "not json", "[1, 2]", "{}", '{"current_a": null}', '{"current_a": "none"}']
)
def test_unreadable_cells_say_nothing(text: str | None) -> None:
    assert read_cells(text)["current_a"] is None


def test_finding_stands_until_a_later_work_clears_it() -> None:
    readings = table(reading("a", "2020-05-01", amps=20.0), reading("b", "2020-05-01", amps=0.2))
    assert len(found(readings, works=cleared("2020-04-30"))) == 2
    assert len(found(readings, works=cleared("2020-05-01"))) == 2
    assert found(readings, works=cleared("2020-05-02")) == []
    assert found(readings, works=cleared("2020-06-01", "a")) == []
    assert len(found(readings, works=cleared("2020-06-01", "b"))) == 1
    again = pl.concat([readings, table(reading("a", "2021-05-01", amps=20.0))])
    assert found(again, works=cleared("2020-06-01")) == [("a", "current_danger", 20.0)]


def test_every_danger_says_keep_away_and_none_suggests_opening_a_conductor() -> None:
    readings = table(
        reading("a", "2020-05-01", amps=20.0),
        reading("b", "2020-05-01", amps=20.0),
        reading("c", "2020-05-01", ohm=1500.0, range_mark="over"),
    )
    frame = attend_first(readings, NO_REFUSED, NO_WORKS, 1.0, 10.0)
    assert frame.height == 4
    for why in frame["why"]:
        assert "Keep people away" in why
        assert "licensed staff" in why
        assert "local rules" in why
        assert not any(word in why.lower() for word in ("disconnect", "open the", "cut ", "remove the"))


def test_danger_below_note_is_refused() -> None:
    with pytest.raises(ValueError, match="must not be below"):
        attend_first(table(reading("a", "2020-05-01")), NO_REFUSED, NO_WORKS, 10.0, 1.0)


def test_no_findings_give_an_empty_table() -> None:
    assert found(table(reading("a", "2020-05-01", amps=0.0))) == []
    assert found(pl.DataFrame(schema={"electrode_id": pl.String})) == []


def test_an_open_lead_of_a_rod_replaced_since_stands_and_says_so() -> None:
    rows = table(reading("a", "2015-05-01"), reading("a", "2016-05-01", 1500.0, range_mark="over"))
    replaced = NO_WORKS.vstack(cleared("2017-03-01", "a").with_columns(work=pl.lit("replaced")))
    frame = attend_first(rows, NO_REFUSED, replaced, note_a=1.0, danger_a=10.0)
    assert frame["finding"].to_list() == ["lead_reads_open"]
    assert "replaced since (2017-03-01)" in frame["why"][0]
    earlier = replaced.with_columns(done_on=pl.lit(dt.date(2015, 6, 1)))
    assert "replaced" not in attend_first(rows, NO_REFUSED, earlier, note_a=1.0, danger_a=10.0)["why"][0]
