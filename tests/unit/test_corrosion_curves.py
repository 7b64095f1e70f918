"""The curve, its crossing age, and the table of crossing ages against draws inside the cells."""

import numpy as np
import pytest
from scipy.stats import norm

from models.corrosion_curves import CurveGrid, crossing_age, crossing_table, curve_grid, log_ratio

DRAWS = 40_000
# 16 points stand for a cell. The line of equal crossing age cuts at most seven of their sixteen squares, each
# wrongly counted by up to a half and in either direction: two points are a sure sign of a fault.
CELL_SHARE_OFF = 2.0 / 16


def test_the_curve_is_flat_then_steady_then_at_its_ceiling() -> None:
    age = np.array([0.0, 9.99, 10.0, 12.0, 17.0, 90.0])
    assert log_ratio(age, np.array(10.0), np.array(0.25), 1.5) == pytest.approx([0, 0, 0, 0.5, 1.5, 1.5])


def test_a_threshold_above_the_ceiling_is_never_crossed() -> None:
    onset, growth = np.array([10.0, 30.0]), np.array([0.1, 0.05])
    below = crossing_age(0.7, onset, growth, 0.71)
    assert log_ratio(below, onset, growth, 0.71) == pytest.approx([0.7, 0.7])
    assert below == pytest.approx([17.0, 44.0])
    assert np.isinf(crossing_age(0.72, onset, growth, 0.71)).all()
    assert crossing_age(-0.3, onset, growth, 0.71) == pytest.approx(onset)


def test_cells_tile_the_grid_and_hold_their_points() -> None:
    grid = curve_grid()
    for points, edges in ((grid.onset_years, grid.onset_edges), (grid.growth, grid.growth_edges)):
        assert (np.diff(edges) > 0).all()
        assert ((points > edges[:-1]) & (points < edges[1:])).all()
    assert grid.onset_edges[-1] > 200.0
    assert grid.size == grid.ceiling.size * grid.onset_years.size * grid.growth.size
    ceiling, onset, growth = grid.points()
    assert (ceiling[:2] == grid.ceiling[0]).all()
    assert onset[grid.growth.size] == grid.onset_years[1]
    assert (growth[:3] == grid.growth[:3]).all()


@pytest.mark.parametrize("log_threshold", [0.2, np.log(2.0), 1.59])
def test_the_crossing_table_agrees_with_draws_inside_each_cell(log_threshold: float) -> None:
    onset_edges, growth_edges = np.array([4.0, 8.0, 16.0]), np.array([0.05, 0.1, 0.3])
    grid = CurveGrid(
        np.sqrt(onset_edges[1:] * onset_edges[:-1]), np.sqrt(growth_edges[1:] * growth_edges[:-1]),
        onset_edges, growth_edges, np.array([1.0, 1.6]), np.array([0.1, 0.2]),
    )  # fmt: skip
    ages = np.linspace(0.0, 60.0, 121)
    table = crossing_table(grid, float(log_threshold), ages).reshape(2, 4, -1)
    rng = np.random.default_rng(3)
    for t in range(2):
        for r in range(2):
            tau = np.exp(rng.uniform(*np.log(onset_edges[t : t + 2]), DRAWS))
            rate = np.exp(rng.uniform(*np.log(growth_edges[r : r + 2]), DRAWS))
            at = np.sort(tau + log_threshold / rate)
            drawn = np.searchsorted(at, ages, side="right") / DRAWS
            for c, (centre, sd) in enumerate(((1.0, 0.1), (1.6, 0.2))):
                reached = norm.sf(log_threshold, centre, sd)
                off = table[c, t * 2 + r] - reached * drawn
                assert np.abs(off).max() < CELL_SHARE_OFF
                assert np.abs(off.mean()) < 0.01


def test_shares_rise_with_age_and_stay_shares() -> None:
    grid = curve_grid((1.6,), (1e-6,))
    ages = np.linspace(0.0, 200.0, 401)
    table = crossing_table(grid, float(np.log(2.0)), ages)
    assert (np.diff(table, axis=1) >= 0).all()
    assert table.min() == 0.0
    assert table.max() == 1.0
    assert crossing_table(grid, 1.7, ages).max() == 0.0
