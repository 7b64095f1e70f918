"""The loop circuit: solving sets back, and when the rest of the loop is known."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models import loop_circuit
from models.electrode import isolated_ohm
from models.grid import grid_ohm


def test_random_sets_come_back() -> None:
    rng = np.random.default_rng(2)
    for _ in range(200):
        ohm = np.exp(rng.normal(3.0, 1.2, rng.integers(3, 30)))
        back = loop_circuit.solve_loop_set(loop_circuit.loop_readings_ohm(ohm))
        np.testing.assert_allclose(back, ohm, rtol=1e-6)


def test_one_electrode_that_carries_most_of_the_current_comes_back() -> None:
    ohm = np.array([0.5, 80.0, 120.0, 90.0])
    np.testing.assert_allclose(
        loop_circuit.solve_loop_set(loop_circuit.loop_readings_ohm(ohm)), ohm, rtol=1e-6
    )


def test_two_readings_cannot_be_told_apart() -> None:
    with pytest.raises(ValueError, match="three readings or more"):
        loop_circuit.solve_loop_set([30.0, 30.0])


def test_readings_that_no_set_gives_are_refused() -> None:
    with pytest.raises(ValueError, match="No set of electrodes"):
        loop_circuit.solve_loop_set([1.0, 100.0, 100.0])
    with pytest.raises(ValueError, match="above zero"):
        loop_circuit.solve_loop_set([1.0, 0.0, 100.0])


def test_single_electrode_has_no_loop() -> None:
    with pytest.raises(ValueError, match="two electrodes"):
        loop_circuit.loop_readings_ohm([10.0])


def fleet(return_path: str | None, rho: float | None = 100.0, sd_log: float = 0.2, **grid: float) -> dict:
    """Judge one site of six rods of 3 m, by return path, resistivity and grid; give the first rod's row."""
    sites = pl.DataFrame(
        {
            "site_id": ["s"],
            "return_path": pl.Series([return_path], dtype=pl.String),
            "rod_count": [6],
            **{
                k: pl.Series([grid.get(k)], dtype=pl.Float64)
                for k in ("grid_area_m2", "grid_conductor_m", "grid_depth_m")
            },
        }
    )
    electrodes = pl.DataFrame(
        {
            "electrode_id": [f"e{i}" for i in range(6)],
            "site_id": ["s"] * 6,
            "kind": ["driven_rod"] * 6,
            "length_m": [3.0] * 6,
            "diameter_mm": [16.0] * 6,
        }
    )
    soil = pl.DataFrame(
        {
            "site_id": ["s"],
            "resistivity_ohm_m": pl.Series([rho], dtype=pl.Float64),
            "sd_log": pl.Series([sd_log], dtype=pl.Float64),
        }
    )
    rest = loop_circuit.rest_of_loop(sites, electrodes, soil)
    assert rest["electrode_id"].to_list() == electrodes["electrode_id"].to_list()
    assert isolated_ohm(electrodes, soil).height == 6
    return rest.row(0, named=True)


def test_network_rest_is_taken_off_a_rod_of_tens_of_ohm() -> None:
    row = fleet("multi_grounded_neutral")
    assert (row["ratio_basis"], row["known"]) == ("rod_net", True)
    assert row["rest_low_ohm"] < row["rest_ohm"] < row["rest_high_ohm"]


def test_network_rest_stays_in_where_the_rod_is_as_small() -> None:
    row = fleet("multi_grounded_neutral", rho=20.0)
    assert (row["ratio_basis"], row["known"]) == ("loop_raw", False)
    assert row["rest_high_ohm"] == pytest.approx(1.5)


def test_large_grid_is_known_and_its_rest_is_at_most_the_grid() -> None:
    grid = {"grid_area_m2": 4900.0, "grid_conductor_m": 1540.0, "grid_depth_m": 0.5}
    row = fleet("site_grid", **grid)
    assert row["ratio_basis"] == "rod_net"
    assert row["rest_ohm"] < grid_ohm(100.0, 4900.0, 1540.0, 0.5)
    assert row["rest_low_ohm"] < row["rest_ohm"] < row["rest_high_ohm"]


def test_small_grid_in_badly_known_soil_is_not_known() -> None:
    row = fleet("site_grid", sd_log=0.6, grid_area_m2=60.0, grid_conductor_m=60.0)
    assert row["ratio_basis"] == "loop_raw"
    assert row["rest_high_ohm"] > row["rest_low_ohm"] > 0


@pytest.mark.parametrize(
    ("path", "rho", "word"),
    [
        ("unknown", 100.0, "return path"),
        (None, 100.0, "return path"),
        ("single_electrode", 100.0, "return path"),
        ("site_grid", 100.0, "grid is not on record"),
        ("site_grid", None, "resistivity is not known"),
        ("multi_grounded_neutral", None, "resistivity is not known"),
    ],
)
def test_what_is_not_on_record_leaves_the_reading_as_it_stands(
    path: str | None, rho: float | None, word: str
) -> None:
    row = fleet(path, rho)
    assert (row["ratio_basis"], row["known"]) == ("loop_raw", False)
    assert word in row["reason"]
    assert row["reason"].endswith(".")
