"""Mistakes of clamp, meter and sheet: each is what its kind says, and nothing else of the fleet moves."""

import numpy as np
import polars as pl
import pytest

from synthetic_fleet.fleet import Simulated, simulate
from synthetic_fleet.sheet_mistakes import CAMPAIGN_FACTORS, METAL_OHM, SHEET_SHARES

SITES, SEED = 60, 4


@pytest.fixture(scope="module")
def fleets() -> tuple[Simulated, Simulated]:
    return simulate(SITES, SEED), simulate(SITES, SEED, sheet_shares={})


def beside(fleets: tuple[Simulated, Simulated]) -> pl.DataFrame:
    """Give the readings with and without these mistakes side by side."""
    made, plain = fleets
    return made.tables["readings"].with_columns(
        made.reading_truth["mistake"],
        plain.tables["readings"]["resistance_ohm"].alias("true_ohm"),
        plain.reading_truth["mistake"].alias("of_the_pen"),
    )


def test_all_else_stays_as_it_was(fleets: tuple[Simulated, Simulated]) -> None:
    made, plain = fleets
    assert made.truth.equals(plain.truth)
    for name, table in made.tables.items():
        if name != "readings":
            assert table.equals(plain.tables[name]), name
    moved = ["resistance_ohm", "range_mark", "soil_temp_c"]
    assert made.tables["readings"].drop(moved).equals(plain.tables["readings"].drop(moved))
    rows = beside(fleets)
    changed = rows.filter(pl.col("resistance_ohm").ne_missing(pl.col("true_ohm")))
    assert set(changed["mistake"]) <= set(SHEET_SHARES)
    assert changed["of_the_pen"].is_null().all()
    pen = rows.filter(pl.col("of_the_pen").is_not_null())
    assert pen["mistake"].equals(pen["of_the_pen"].alias("mistake"))


def test_none_are_planted_where_none_are_asked(fleets: tuple[Simulated, Simulated]) -> None:
    assert not set(fleets[1].mistakes["kind"]) & set(SHEET_SHARES)
    assert set(SHEET_SHARES) <= set(fleets[0].mistakes["kind"])


def test_metal_is_far_below_and_an_open_clamp_far_above(fleets: tuple[Simulated, Simulated]) -> None:
    rows = beside(fleets)
    metal = rows.filter(pl.col("mistake") == "metal_loop")
    assert metal.filter(
        (pl.col("range_mark").is_null()) & (pl.col("resistance_ohm") > METAL_OHM[1])
    ).is_empty()
    assert (metal["resistance_ohm"] < metal["true_ohm"]).all()
    opened = rows.filter(pl.col("mistake") == "open_clamp")
    assert (opened["resistance_ohm"] > 3 * opened["true_ohm"]).all()


def test_copies_have_the_digits_of_the_visit_before(fleets: tuple[Simulated, Simulated]) -> None:
    rows = beside(fleets).sort("electrode_id", "taken_at")
    last = pl.col("resistance_ohm").shift(1).over("electrode_id")
    rows = rows.with_columns((pl.col("resistance_ohm") == last).alias("same"))
    copies = rows.filter(pl.col("mistake").is_in(["copied_reading", "copied_sheet"]))
    assert copies["same"].all()
    sheets = copies.filter(pl.col("mistake") == "copied_sheet").group_by("site_id", "taken_at").len()
    assert (sheets["len"] >= 3).all()


def test_frost_lies_on_a_whole_visit_in_winter(fleets: tuple[Simulated, Simulated]) -> None:
    frozen = beside(fleets).filter(pl.col("mistake") == "frozen_ground")
    assert (frozen["soil_temp_c"] < 0).all()
    assert frozen["taken_at"].dt.month().is_in([12, 1, 2, 3]).all()
    assert (frozen["resistance_ohm"] > frozen["true_ohm"]).all()


def test_campaign_is_one_meter_s_round_off_by_one_factor(fleets: tuple[Simulated, Simulated]) -> None:
    off = beside(fleets).filter((pl.col("mistake") == "campaign_off") & pl.col("range_mark").is_null())
    off = off.with_columns(pl.col("site_id").str.head(3).alias("district"), pl.col("taken_at").dt.year())
    for _, part in off.group_by("district", "instrument_id", "taken_at"):
        ratio = (part["resistance_ohm"] / part["true_ohm"]).median()
        assert np.isclose(float(ratio), CAMPAIGN_FACTORS, rtol=0.03).any()  # type: ignore[arg-type]
        assert part["site_id"].n_unique() >= 2
