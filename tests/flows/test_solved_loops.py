"""Small sites without a grid: each visit solved back, a failed neighbour no corrosion of the others."""

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.flows.small_fleets import SmallFleet, loaded_and_run, published, rods

YEARS = range(2006, 2026)
FAILED_FROM = 2014
# At every other site the first rod fails.
FAILED_AT = pl.col("site_id").is_in([f"S{k:02d}" for k in range(2, 13, 2)])
FIRST = pl.col("electrode_id").str.ends_with("-1")


def triples() -> SmallFleet:
    """Write sites of three rods whose loop is one another; at every other site the first rod fails."""
    fleet = rods(12, 3, return_path="site_grid", grid_area_m2=0, grid_conductor_m=0, rod_count=3)
    sites = [row["site_id"] for row in fleet.tables["sites"]]
    fleet.tables["soil_surveys"] = [
        {"site_id": s, "surveyed_on": date(2005, 6, 1), "soil_class": "loam", "resistivity_ohm_m": 60.0}
        for s in sites
    ]
    rng = np.random.default_rng(5)
    readings = []
    for k, site in enumerate(sites):
        new = 20.0 * np.exp(rng.normal(0, 0.15, 3))
        for year in YEARS:
            own = new * np.exp(rng.normal(0, 0.02, 3))
            if k % 2 and year >= FAILED_FROM:
                own[0] *= 12.0
            loop = own + 1 / (np.sum(1 / own) - 1 / own)
            readings += [
                {
                    "well_id": f"{site}-W{w + 1}",
                    "taken_at": date(year, 6, 1 + k),
                    "resistance_ohm": round(float(loop[w]), 2),
                }
                for w in range(3)
            ]
    fleet.tables["readings"] = readings
    return fleet


@pytest.fixture(scope="module")
def outlook(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    folder: Path = tmp_path_factory.mktemp("triples")
    loaded_and_run(triples(), folder)
    return published(folder)["electrode_outlook"]


def test_neighbours_of_failed_rods_stand_where_they_stood(outlook: pl.DataFrame) -> None:
    """Their loops read a third and more above what they were, and two rods left cannot be told apart."""
    sound = outlook.filter(FAILED_AT & ~FIRST)
    assert outlook["ratio_basis"].unique().to_list() == ["rod_net"]
    assert sound["ratio_now"].median() == pytest.approx(1.0, abs=0.06)
    assert sound["p_past_now"].max() < 0.2


def test_the_failed_rods_are_found(outlook: pl.DataFrame) -> None:
    assert (outlook.filter(FAILED_AT & FIRST)["p_past_now"] > 0.95).all()


def test_levels_are_the_rods_own(outlook: pl.DataFrame) -> None:
    """About 20 ohm, as drawn; the loops read half as much again."""
    assert outlook["baseline_ohm"].median() == pytest.approx(20.0, rel=0.12)


def test_an_unknown_loop_is_weighed_whatever_the_horizons(tmp_path: Path) -> None:
    """Two horizons, neither of five years: what the rest would change is said for now and five years."""
    fleet = triples()
    for site in fleet.tables["sites"]:
        site["return_path"] = "unknown"
    (tmp_path / "fleet.toml").write_text("horizons_years = [1, 3]\n", encoding="utf-8")
    loaded_and_run(fleet, tmp_path)
    told = published(tmp_path)["loop_dependence"]
    assert told.height == 36
    assert (told["p_past_5y_high"] >= told["p_past_5y"] - 1e-9).all()
    assert (told["p_past_5y"] >= told["p_past_now"] - 1e-9).all()
