"""Straight buried wires and rods that share one soil: their resistances by average potential.

Uniform soil under a flat surface; each piece leads its current out evenly along its length, and the surface
is a mirror. It is what the closed formulas stand beside: rods inside and beside a grid, two electrodes at any
place. Cut long wires into pieces (`mesh_wires`) so that "evenly" holds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
POINTS = 8  # of Gauss and Legendre along a piece


@dataclass(frozen=True)
class Wires:
    """Straight pieces: start and end (n, 3) in metre, depth downwards as the third; radius (n,) in metre."""

    start: Array
    end: Array
    radius_m: Array

    def __add__(self, other: Wires) -> Wires:
        """Give both sets as one, the other's pieces last."""
        return Wires(
            np.vstack([self.start, other.start]),
            np.vstack([self.end, other.end]),
            np.r_[self.radius_m, other.radius_m],
        )


def mesh_wires(side_m: float, meshes: int, depth_m: float, diameter_mm: float = 10.0) -> Wires:
    """Give a square grid of `meshes` by `meshes`, its wires cut at the crossings, from (0, 0) on."""
    line = np.linspace(0.0, side_m, meshes + 1)
    across, along = np.meshgrid(line, line[:-1], indexing="ij")
    at, step, gap = across.ravel(), along.ravel(), side_m / meshes
    deep = np.full(at.size, depth_m)
    start = np.vstack([np.c_[at, step, deep], np.c_[step, at, deep]])
    end = np.vstack([np.c_[at, step + gap, deep], np.c_[step + gap, at, deep]])
    return Wires(start, end, np.full(len(start), diameter_mm / 2000))


def driven_rod(
    x_m: float, y_m: float, length_m: float, diameter_mm: float, top_depth_m: float = 0.0, pieces: int = 4
) -> Wires:
    """Give a driven rod as `pieces` one below the other."""
    depth = np.linspace(top_depth_m, top_depth_m + length_m, pieces + 1)
    place = np.tile([x_m, y_m], (pieces, 1))
    return Wires(np.c_[place, depth[:-1]], np.c_[place, depth[1:]], np.full(pieces, diameter_mm / 2000))


def _potential(points: Array, start: Array, end: Array) -> Array:
    """Give ln((r1 + r2 + l) / (r1 + r2 - l)) / l of line sources (n,) at points (m, 3): (m, n)."""
    length = np.linalg.norm(end - start, axis=1)
    reach = np.linalg.norm(points[:, None] - start, axis=2) + np.linalg.norm(points[:, None] - end, axis=2)
    return np.log((reach + length) / np.maximum(reach - length, 1e-12)) / length


def mutual_matrix_ohm(resistivity_ohm_m: float, wires: Wires) -> Array:
    """Give (n, n) what one ampere led out of each piece lifts each piece to, in ohm, symmetric.

    The mean potential along a piece of the other and of its mirror image above the surface; on a piece itself
    at its radius. E. D. Sunde, "Earth Conduction Effects in Transmission Systems" (1949), ch. 3.
    """
    node, weight = np.polynomial.legendre.leggauss(POINTS)
    along = (node + 1) / 2
    n = len(wires.start)
    axis = wires.end - wires.start
    # A point of a piece lies at its surface, beside the axis.
    beside = np.cross(axis, np.where(np.abs(axis[:, [2]]) > 0, [[1.0, 0.0, 0.0]], [[0.0, 0.0, 1.0]]))
    beside *= (wires.radius_m / np.linalg.norm(beside, axis=1))[:, None]
    points = (wires.start + beside)[:, None] + axis[:, None] * along[:, None]
    mirror = np.array([1.0, 1.0, -1.0])
    seen = _potential(points.reshape(-1, 3), wires.start, wires.end)
    seen = seen + _potential(points.reshape(-1, 3), wires.start * mirror, wires.end * mirror)
    mean = np.einsum("npm,p->nm", seen.reshape(n, POINTS, n), weight / 2)
    return resistivity_ohm_m / (4 * np.pi) * (mean + mean.T) / 2


def electrode_matrix_ohm(resistivity_ohm_m: float, wires: Wires, electrode: ArrayLike) -> Array:
    """Give (k, k) self and mutual resistances of k electrodes; `electrode` (n,) says 0..k-1 for each piece.

    Every electrode's pieces stand at one potential. The diagonal is each electrode with the others floating.
    """
    of = np.asarray(electrode, dtype=np.int64)
    member = (of[:, None] == np.arange(of.max() + 1)).astype(float)
    matrix = mutual_matrix_ohm(resistivity_ohm_m, wires)
    return np.asarray(np.linalg.inv(member.T @ np.linalg.solve(matrix, member)))


def loop_between_ohm(matrix: Array, first: int = 0, second: int = 1) -> float:
    """Give what a clamp-on meter sees of a loop of two electrodes through their shared soil.

    R11 + R22 - 2 R12: in at one, out at the other. `matrix` as from electrode_matrix_ohm.
    """
    return float(matrix[first, first] + matrix[second, second] - 2 * matrix[first, second])
