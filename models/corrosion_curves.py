"""The corrosion curve of one electrode, and the grid on which its two unknowns are weighed.

The curve is the logarithm of the electrode's resistance over the same when new: nothing until the
cladding or a joint gives way (onset age tau, years), then steady growth (rate r, per year), up to a
ceiling, since a stub and a bad joint still conduct:

    h(age) = min(r * max(age - tau, 0), ceiling)
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

NEVER_YEARS = 200.0


@dataclass(frozen=True)
class CurveGrid:
    """Grid of onset ages and growth rates; a point stands for its whole cell.

    onset_years: (T,) onset ages, years, increasing.
    growth: (R,) growth of the log resistance per year after onset, increasing.
    onset_edges, growth_edges: (T+1,), (R+1,) cell edges.
    ceiling: largest log ratio a corroded electrode reaches.
    """

    onset_years: Floats
    growth: Floats
    onset_edges: Floats
    growth_edges: Floats
    ceiling: float

    @property
    def size(self) -> int:
        """Count of grid points, onset-major."""
        return self.onset_years.size * self.growth.size

    def with_ceiling(self, ceiling: float) -> "CurveGrid":
        """Return the same grid under another ceiling (log ratio)."""
        return CurveGrid(self.onset_years, self.growth, self.onset_edges, self.growth_edges, ceiling)


def curve_grid(ceiling: float = 2.0, last_onset_years: float = 300.0) -> CurveGrid:
    """Build the standard grid: onset cells about a year wide in working life, growth cells of a fifth.

    Cells widen as a share of age below 5 and above 45 years, where readings say less. The last onset cells
    lie beyond 200 years: their weight is the probability of never crossing.
    """
    early = np.geomspace(0.25, 5.0, 11)
    middle = np.arange(5.9, 45.0, 0.9)
    late = np.geomspace(46.5, last_onset_years, 16)
    onset_edges = np.concatenate([early, middle, late])
    growth_edges = np.geomspace(0.006, 3.0, 31)
    return CurveGrid(
        onset_years=np.sqrt(onset_edges[1:] * onset_edges[:-1]),
        growth=np.sqrt(growth_edges[1:] * growth_edges[:-1]),
        onset_edges=onset_edges,
        growth_edges=growth_edges,
        ceiling=ceiling,
    )


def log_ratio(age_years: Floats, onset_years: Floats, growth: Floats, ceiling: float) -> Floats:
    """Evaluate h(age), the log of resistance over resistance when new (all arguments broadcast)."""
    return np.minimum(growth * np.maximum(age_years - onset_years, 0.0), ceiling)


def crossing_age(
    log_threshold: float | Floats, onset_years: Floats, growth: Floats, ceiling: float
) -> Floats:
    """Return the age in years at which the log ratio reaches log_threshold; inf above the ceiling."""
    age = onset_years + np.maximum(log_threshold, 0.0) / growth
    return np.where(np.asarray(log_threshold) <= ceiling, age, np.inf)


@dataclass(frozen=True)
class CellPoints:
    """Points spread evenly inside each cell, so that a cell's mass is not heaped on its centre.

    onset_years, growth: (G, P) for G grid points (onset-major) and P points a cell.
    """

    onset_years: Floats
    growth: Floats


def cell_points(grid: CurveGrid, across: int = 4) -> CellPoints:
    """Spread across x across points inside each cell, evenly in the logarithms."""
    share = (np.arange(across) + 0.5) / across

    def inside(edges: Floats) -> Floats:
        low, high = np.log(edges[:-1, None]), np.log(edges[1:, None])
        return np.exp(low + (high - low) * share)

    onset, growth = inside(grid.onset_edges), inside(grid.growth_edges)
    T, R = grid.onset_years.size, grid.growth.size
    onset_g = np.broadcast_to(onset[:, None, :, None], (T, R, across, across))
    growth_g = np.broadcast_to(growth[None, :, None, :], (T, R, across, across))
    return CellPoints(onset_g.reshape(T * R, -1).copy(), growth_g.reshape(T * R, -1).copy())


def crossing_table(grid: CurveGrid, log_threshold: float, ages: Floats) -> Floats:
    """Tabulate the share of each cell that has crossed by each age.

    log_threshold: log of the threshold ratio. ages: (A,) years, increasing.
    Returns (G, A), onset-major; posterior weights times this table is the distribution of the crossing age.
    """
    points = cell_points(grid)
    crossed_at = np.sort(crossing_age(log_threshold, points.onset_years, points.growth, grid.ceiling), axis=1)
    table = np.empty((grid.size, ages.size))
    for g in range(grid.size):
        table[g] = np.searchsorted(crossed_at[g], ages, side="right")
    return table / crossed_at.shape[1]
