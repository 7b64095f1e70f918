"""Small sites without a grid: each visit solved back, a failed neighbour no corrosion of the others."""

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.flows.small_fleets import SmallFleet, loaded_and_run, published, rods

YEARS = range(2006, 2026)
FAILED_FROM = 2014


def triples(return_path: str) -> SmallFleet:
    """Write sites of three rods whose loop is one another; at every other site the first rod fails."""
    fleet = rods(12, 3, return_path=return_path, grid_area_m2=0, grid_conductor_m=0, rod_count=3)
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


def beside_failed(run: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Give the outlook of the sound rods beside failed ones."""
    odd = [f"S{k:02d}" for k in range(2, 13, 2)]
    return run["electrode_outlook"].filter(
        pl.col("site_id").is_in(odd) & ~pl.col("electrode_id").str.ends_with("-1")
    )


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, pl.DataFrame]]:
    made = {}
    for path in ("site_grid", "unknown"):
        folder: Path = tmp_path_factory.mktemp(path)
        loaded_and_run(triples(path), folder)
        made[path] = published(folder)
    return made


def test_solved_sets_are_of_the_rod_and_neighbours_stand_where_they_stood(
    runs: dict[str, dict[str, pl.DataFrame]],
) -> None:
    solved, raw = (beside_failed(runs[path]) for path in ("site_grid", "unknown"))
    assert solved["ratio_basis"].unique().to_list() == ["rod_net"]
    assert raw["ratio_basis"].unique().to_list() == ["loop_raw"]
    assert solved["ratio_now"].median() == pytest.approx(1.0, abs=0.06)
    assert solved["p_past_now"].max() < 0.2


def test_the_failed_rods_are_found(runs: dict[str, dict[str, pl.DataFrame]]) -> None:
    failed = runs["site_grid"]["electrode_outlook"].filter(
        pl.col("electrode_id").str.ends_with("-1")
        & pl.col("site_id").is_in([f"S{k:02d}" for k in range(2, 13, 2)])
    )
    assert (failed["p_past_now"] > 0.95).all()


def test_levels_are_the_rods_own(runs: dict[str, dict[str, pl.DataFrame]]) -> None:
    """About 20 ohm, as drawn; the loops read half as much again."""
    assert runs["site_grid"]["electrode_outlook"]["baseline_ohm"].median() == pytest.approx(20.0, rel=0.12)
    assert runs["unknown"]["electrode_outlook"]["baseline_ohm"].median() > 26.0
