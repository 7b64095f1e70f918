"""Electrodes: how the formulas behave at their limits, and what the frame of formula values holds."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models import buried_wires, electrode, grid, rod_damage


def test_two_layers_meet_where_the_rod_reaches_the_lower_one() -> None:
    above, below = electrode.two_layer_rod_ohm(100.0, 500.0, [3.0, 2.9999], 3.0, 16.0)
    assert above == pytest.approx(below, rel=2e-3)


@pytest.mark.parametrize("lower", [20.0, 500.0])
def test_vanishing_upper_layer_leaves_the_lower_one(lower: float) -> None:
    ohm = electrode.two_layer_rod_ohm(100.0, lower, 1e-6, 3.0, 16.0)
    assert ohm == pytest.approx(electrode.rod_ohm(lower, 3.0, 16.0), rel=1e-3)


def test_same_soil_in_both_layers_is_uniform_soil() -> None:
    ohm = electrode.two_layer_rod_ohm(100.0, 100.0, [0.5, 4.0], 3.0, 16.0)
    assert ohm == pytest.approx([electrode.rod_ohm(100.0, 3.0, 16.0)] * 2)


def test_rods_far_apart_share_nothing_and_near_ones_share_much() -> None:
    one = float(electrode.rod_ohm(100.0, 3.0, 16.0))
    far = electrode.parallel_rods_ohm(100.0, 3.0, 16.0, [0, 5000.0], [0, 0])
    near = electrode.parallel_rods_ohm(100.0, 3.0, 16.0, [0, 0.5], [0, 0])
    assert far == pytest.approx(one / 2, rel=2e-3)
    assert one / 2 * 1.3 < near < one


def test_mutual_resistance_at_the_radius_is_the_rod_itself() -> None:
    assert electrode.mutual_ohm(100.0, 3.0, 0.008) == pytest.approx(
        electrode.rod_ohm(100.0, 3.0, 16.0), rel=1e-3
    )


def test_two_rods_in_one_place_are_refused() -> None:
    with pytest.raises(ValueError, match="same place"):
        electrode.parallel_rods_ohm(100.0, 3.0, 16.0, [0.0, 0.0], [1.0, 1.0])


@pytest.mark.parametrize("sizes", [(0.0, 3.0, 16.0), (100.0, -1.0, 16.0), (100.0, 3.0, 0.0)])
def test_sizes_of_zero_or_less_are_refused(sizes: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="above zero"):
        electrode.rod_ohm(*sizes)


def test_twenty_rods_change_a_large_grid_by_about_one_per_cent() -> None:
    bare = grid.grid_ohm(400.0, 4900.0, 1540.0, 0.5)
    with_rods = grid.grid_ohm(400.0, 4900.0, 1540.0 + 20 * 7.5, 0.5)
    assert 0.003 < 1 - with_rods / bare < 0.02


def test_schwarz_lies_below_either_part_and_near_sverak() -> None:
    sizes = {"rod_count": 20, "rod_length_m": 7.5}
    r11, r22, r12 = grid.schwarz_parts(400.0, 4900.0, 1540.0, 0.5, **sizes)
    together = grid.grid_and_rods_ohm(400.0, 4900.0, 1540.0, 0.5, **sizes)
    assert together < min(r11, r22)
    assert r12 < r11
    assert together == pytest.approx(grid.grid_ohm(400.0, 4900.0, 1690.0, 0.5), rel=0.06)


def test_long_strip_reads_lower_and_plate_scales_with_resistivity() -> None:
    short, long = electrode.strip_ohm(100.0, [10.0, 40.0], 10.0, 0.6)
    assert long < short
    one, ten = electrode.plate_ohm([100.0, 1000.0], 0.81, 1.5)
    assert ten == pytest.approx(10 * one)


def test_formula_frame_by_kind_with_usual_sizes_and_nulls() -> None:
    electrodes = pl.DataFrame(
        {
            "electrode_id": ["rod", "bare", "plate", "strip", "other", "lost"],
            "site_id": ["s", "s", "s", "s", "s", "t"],
            "kind": ["driven_rod", None, "plate", "strip", "other", "driven_rod"],
            "length_m": [2.4, None, None, 20.0, 3.0, 3.0],
            "diameter_mm": [16.0, None, None, 12.0, 16.0, 16.0],
        }
    )
    resistivity = pl.DataFrame({"site_id": ["s", "t"], "resistivity_ohm_m": [100.0, None]})
    formula = dict(electrode.isolated_ohm(electrodes, resistivity).iter_rows())
    assert formula["rod"] == pytest.approx(electrode.rod_ohm(100.0, 2.4, 16.0))
    assert formula["bare"] == pytest.approx(electrode.rod_ohm(100.0, 3.0, 16.0))
    assert formula["plate"] == pytest.approx(electrode.plate_ohm(100.0, 0.81, 1.5))
    assert formula["strip"] < formula["plate"]
    assert formula["other"] is None
    assert formula["lost"] is None


def test_lost_length_moves_a_reading_and_thinning_hardly() -> None:
    whole = electrode.rod_ohm(100.0, 3.0, 16.0)
    assert electrode.rod_ohm(100.0, 1.5, 16.0) / whole > 1.7
    assert electrode.rod_ohm(100.0, 3.0, 12.0) / whole < 1.05
    assert np.isfinite(whole)


@pytest.mark.parametrize(("side", "meshes"), [(70.0, 10), (30.0, 12)])
def test_a_grid_lowers_a_rods_reading_and_hardly_moves_its_ratio(side: float, meshes: int) -> None:
    """Between the wires of a grid a rod reads 8 to 16 % under itself and the grid, whole or half gone."""
    mesh = buried_wires.mesh_wires(side, meshes, 0.5)
    at = side / 2 + side / meshes / 2
    loop, alone = [], []
    for length in (3.0, 1.5):
        rod = buried_wires.driven_rod(at, at, length, 16.0, 0.5, pieces=3)
        of = np.r_[np.zeros(len(mesh.start), dtype=int), np.ones(3, dtype=int)]
        matrix = buried_wires.electrode_matrix_ohm(100.0, mesh + rod, of)
        loop.append(buried_wires.loop_between_ohm(matrix))
        alone.append(buried_wires.electrode_matrix_ohm(100.0, rod, np.zeros(3, dtype=int))[0, 0])
    together = alone[0] + matrix[0, 0]
    assert 0.80 < loop[0] / together < 0.95
    assert loop[1] / loop[0] == pytest.approx(alone[1] / alone[0], rel=0.04)


def test_resistances_of_wires_are_mutual() -> None:
    wires = buried_wires.mesh_wires(10.0, 2, 0.5) + buried_wires.driven_rod(3.0, 4.0, 3.0, 16.0)
    matrix = buried_wires.mutual_matrix_ohm(100.0, wires)
    np.testing.assert_allclose(matrix, matrix.T)
    assert np.all(np.linalg.eigvalsh(matrix) > 0)


def test_which_damage_a_reading_tells_of() -> None:
    assert rod_damage.most_by_thinning(3.0, 16.0) < 1.3
    clad, bare = rod_damage.metal_ohm(3.0, 16.0, 254.0), rod_damage.metal_ohm(3.0, 15.5)
    assert clad < bare < 0.01
    assert rod_damage.joint_ratio(30.0, [0.0, 30.0]) == pytest.approx([1.0, 2.0])
    ratios = np.array([0.9, 1.0, 1.3, 2.0, 5.0])
    lost = rod_damage.lost_share(ratios, 3.0, 16.0)
    assert np.all(lost[:2] == 0)
    assert rod_damage.shortened_ratio(3.0, 16.0, lost[2:]) == pytest.approx(ratios[2:])
    with pytest.raises(ValueError, match="lost_share"):
        rod_damage.shortened_ratio(3.0, 16.0, 1.0)
