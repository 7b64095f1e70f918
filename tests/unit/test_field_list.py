"""The list of what to read again: what is on it, what takes it off, and that it opens nothing."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from models.field_list import COLUMNS, HOW, ORDER, measure_again
from models.vetting import RULES


def verdict(electrode: str, year: int, rule: str | None = None, given: str | None = None) -> dict:
    return {
        "electrode_id": electrode,
        "site_id": "north",
        "well_id": f"well {electrode}",
        "taken_at": dt.datetime(year, 5, 1, 10),
        "resistance_ohm": 20.0,
        "verdict": given or ("good" if rule is None else "doubtful"),
        "rule": rule,
        "reason": "" if rule is None else f"{rule} says so.",
    }


def table(*rows: dict) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema_overrides={"rule": pl.String})


STANDING = pl.DataFrame({"electrode_id": ["a", "b", "c"]})


def test_the_newest_question_of_each_electrode_gravest_first() -> None:
    rows = table(
        verdict("a", 2020), verdict("a", 2021, "copied_forward"), verdict("a", 2022, "calibration_lapsed"),
        verdict("b", 2022, "maybe_slipped"),
        verdict("gone", 2022, "maybe_slipped"),
    )  # fmt: skip
    found = measure_again(rows, STANDING)
    assert found.columns == list(COLUMNS)
    assert found.select("electrode_id", "rule", "last_good_on").rows() == [
        ("b", "maybe_slipped", None),
        ("a", "calibration_lapsed", dt.date(2020, 5, 1)),
    ]
    assert found["how"].to_list() == [HOW["maybe_slipped"], HOW["calibration_lapsed"]]


def test_a_good_reading_later_or_on_the_same_day_settles_it() -> None:
    rows = table(
        verdict("a", 2021, "metal_loop", "set_aside"), verdict("a", 2021), verdict("b", 2021, "open_lead")
    )
    assert measure_again(rows, STANDING)["electrode_id"].to_list() == ["b"]
    assert measure_again(table(*rows.to_dicts(), verdict("b", 2022)), STANDING).is_empty()


def test_a_good_reading_with_a_remark_settles_as_any_other() -> None:
    rows = table(verdict("a", 2021, "maybe_slipped"), verdict("a", 2022, "low_in_grid", "good"))
    assert measure_again(rows, STANDING).is_empty()
    assert measure_again(table(verdict("a", 2022, "frozen_ground", "good")), STANDING).height == 1


def test_what_no_reading_can_settle_is_not_asked_for() -> None:
    rows = table(verdict("a", 2021, "before_installation", "set_aside"), verdict("b", 2021, "not_clamp_on"))
    assert measure_again(rows, STANDING).is_empty()


def test_every_instruction_is_of_a_rule_and_none_opens_a_conductor() -> None:
    names = {rule.name for rule in RULES}
    assert set(HOW) <= names
    assert set(ORDER) <= set(HOW)
    for how in HOW.values():
        assert not any(word in how.lower() for word in ("disconnect", "unbolt", "undo", "open the", "cut "))


@pytest.mark.parametrize("rule", [r.name for r in RULES])
def test_no_rule_asks_for_an_open_conductor(rule: str) -> None:
    reason = str(next(r for r in RULES if r.name == rule).function().reason).lower()
    assert not any(word in reason for word in ("disconnect", "unbolt", "open the"))
