"""The corrosion curve of one electrode, and the grid on which its two unknowns are weighed.

The curve is the logarithm of the electrode's resistance over the same when new: nothing until the
cladding or a joint gives way (onset age tau, years), then growth (rate r, per year), up to a ceiling, since a
stub and a bad joint still conduct. With d = max(age - tau, 0), h(age) by family:

    onset         min(r d, ceiling)                                      a steady share goes each year
    accelerating  min(-ln(1 - d / lambda), ceiling), lambda = 2 ln2 / r  length goes at a constant rate

Lambda is such that both families double in the same ln2 / r years after the onset: what a class says of tau
and r holds for either, and only the shape between and after differs. A rod that has corroded since the day it
was driven is of the onset family's first onset cell.

No two stubs are alike: a ceiling is one of a few classes, each with a spread of its own about its centre.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.special import ndtr

Floats = npt.NDArray[np.float64]

NEVER_YEARS = 200.0
_LEAST_LEFT = 1e-9  # share of the length: a log ratio of 21, above any ceiling


@dataclass(frozen=True)
class Family:
    """One shape of growth after the onset; all arguments broadcast.

    risen(growth, years): log ratio so many years after the onset, no ceiling. years_to(growth, log_ratio):
    its inverse. slope(growth, log_ratio): growth of the log ratio a year where it stands.
    """

    name: str
    risen: Callable[[Floats, Floats], Floats]
    years_to: Callable[[Floats, Floats], Floats]
    slope: Callable[[Floats, Floats], Floats]


def _accelerating(growth: Floats, years: Floats) -> Floats:
    return np.asarray(-np.log(np.maximum(1.0 - growth * years / (2.0 * np.log(2.0)), _LEAST_LEFT)))


ONSET, ACCELERATING = 0, 1
FAMILIES = (
    Family(
        "onset",
        lambda growth, years: np.asarray(growth * years),
        lambda growth, h: np.asarray(h / growth),
        lambda growth, h: np.asarray(growth + 0.0 * h),
    ),
    Family(
        "accelerating",
        _accelerating,
        lambda growth, h: np.asarray(-2.0 * np.log(2.0) * np.expm1(-h) / growth),
        lambda growth, h: np.asarray(growth * np.exp(h) / (2.0 * np.log(2.0))),
    ),
)


@dataclass(frozen=True)
class CurveGrid:
    """Grid of ends, onset ages and growth rates; a point stands for its whole cell.

    onset_years: (T,) onset ages, years, increasing. growth: (R,) ln2 over the years from onset to a doubling,
    increasing. onset_edges, growth_edges: (T+1,), (R+1,) cell edges. families: indices into FAMILIES,
    increasing. An end is one family's ceiling, families one after the other: ceiling: (A,) centres of the log
    ratio at which a corroded electrode stays; ceiling_sd: (A,) spread about each. Points are numbered by end,
    then onset, then growth.
    """

    onset_years: Floats
    growth: Floats
    onset_edges: Floats
    growth_edges: Floats
    ceiling: Floats
    ceiling_sd: Floats
    families: tuple[int, ...] = (ONSET,)

    @property
    def shape(self) -> tuple[int, int, int]:
        """Counts of ends, onsets and growth rates."""
        return self.ceiling.size, self.onset_years.size, self.growth.size

    @property
    def family(self) -> npt.NDArray[np.int64]:
        """(A,) family of each end."""
        return np.repeat(np.array(self.families), self.ceiling.size // len(self.families))

    @property
    def straight(self) -> int:
        """Count of the ends of the onset family, which come first."""
        return int((self.family == ONSET).sum())

    @property
    def size(self) -> int:
        """Count of grid points."""
        return int(np.prod(self.shape))

    def coarser(self, growth_too: bool = True) -> "CurveGrid":
        """Return the grid with each two neighbouring onsets merged, and growth rates too.

        A site's field found with half the onsets is off by 0.07 of its spread, with half the growth rates by
        0.27: enough to look for steps by, too much for anything else.
        """

        def merged(edges: Floats) -> Floats:
            return np.append(edges[:-1:2], edges[-1])

        onset = merged(self.onset_edges)
        growth = merged(self.growth_edges) if growth_too else self.growth_edges
        return replace(
            self,
            onset_years=np.sqrt(onset[1:] * onset[:-1]),
            growth=np.sqrt(growth[1:] * growth[:-1]),
            onset_edges=onset,
            growth_edges=growth,
        )

    def points(self) -> tuple[Floats, Floats, Floats]:
        """Return ceiling, onset and growth of every point, (G,) each."""
        c, t, r = np.meshgrid(self.ceiling, self.onset_years, self.growth, indexing="ij")
        return c.ravel(), t.ravel(), r.ravel()


CEILINGS = (0.5, 1.0, 1.6, 2.4)
CEILING_SDS = (0.15, 0.16, 0.2, 0.3)


def curve_grid(
    ceiling: tuple[float, ...] = CEILINGS,
    ceiling_sd: tuple[float, ...] = CEILING_SDS,
    last_onset_years: float = 300.0,
    families: tuple[int, ...] = (ONSET,),
) -> CurveGrid:
    """Build the standard grid: onset cells about a year wide in working life, growth cells of a quarter.

    Cells widen as a share of age below 5 and above 45 years, where readings say less. The last onset cells
    lie beyond 200 years: their weight is the probability of never crossing.
    """
    early = np.geomspace(0.25, 5.0, 11)
    middle = np.arange(5.8, 45.0, 0.8)
    late = np.geomspace(46.5, last_onset_years, 13)
    onset_edges = np.concatenate([early, middle, late])
    growth_edges = np.geomspace(0.007, 2.5, 31)
    return CurveGrid(
        onset_years=np.sqrt(onset_edges[1:] * onset_edges[:-1]),
        growth=np.sqrt(growth_edges[1:] * growth_edges[:-1]),
        onset_edges=onset_edges,
        growth_edges=growth_edges,
        ceiling=np.tile(np.asarray(ceiling, dtype=float), len(families)),
        ceiling_sd=np.tile(np.asarray(ceiling_sd, dtype=float), len(families)),
        families=families,
    )


def risen(growth: Floats, years: Floats, family: int | npt.NDArray[Any] = ONSET) -> Floats:
    """Return the log ratio so many years after the onset, had it no ceiling (all arguments broadcast)."""
    steady = FAMILIES[ONSET].risen(growth, years)
    if not np.any(family):
        return steady
    return np.where(np.asarray(family) == ONSET, steady, FAMILIES[ACCELERATING].risen(growth, years))


def log_ratio(
    age_years: Floats,
    onset_years: Floats,
    growth: Floats,
    ceiling: float | Floats,
    family: int | npt.NDArray[Any] = ONSET,
) -> Floats:
    """Evaluate h(age), the log of resistance over resistance when new (all arguments broadcast)."""
    return np.minimum(risen(growth, np.maximum(age_years - onset_years, 0.0), family), ceiling)


def crossing_age(
    log_threshold: float | Floats,
    onset_years: Floats,
    growth: Floats,
    ceiling: float | Floats,
    family: int = ONSET,
) -> Floats:
    """Return the age in years at which the log ratio reaches log_threshold; inf above the ceiling."""
    age = onset_years + FAMILIES[family].years_to(growth, np.maximum(log_threshold, 0.0))
    return np.where(np.asarray(log_threshold) <= ceiling, age, np.inf)


@dataclass(frozen=True)
class CellPoints:
    """Points spread evenly inside each cell, so that a cell's mass is not heaped on its centre.

    onset_years, growth: (T*R, P) for the cells of one ceiling (onset-major) and P points a cell.
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


def cells_crossed(grid: CurveGrid, log_threshold: float, ages: Floats) -> Floats:
    """Return (F*T*R, A): the share of each cell that has risen to the threshold by each age, ceilings apart.

    The cells of one of the grid's families follow another's.
    """
    points = cell_points(grid)
    at = [
        crossing_age(log_threshold, points.onset_years, points.growth, np.inf, family)
        for family in grid.families
    ]
    crossed_at = np.sort(np.concatenate(at), axis=1)
    return np.asarray(_counted(crossed_at, np.asarray(ages, dtype=float))) / crossed_at.shape[1]


@njit(cache=True, nogil=True)
def _counted(crossed_at, ages):  # type: ignore[no-untyped-def]
    """Return (G, A) how many of a row's times (G, P) lie no later than ages (A,), both increasing."""
    count = np.empty((crossed_at.shape[0], ages.size))
    for g in range(crossed_at.shape[0]):
        past = 0
        for a in range(ages.size):
            while past < crossed_at.shape[1] and crossed_at[g, past] <= ages[a]:
                past += 1
            count[g, a] = past
    return count


def ceiling_reaches(grid: CurveGrid, log_threshold: float) -> Floats:
    """Return (A,) the chance that the ceiling of each end lies above the threshold."""
    return np.asarray(ndtr((grid.ceiling - log_threshold) / grid.ceiling_sd))


def crossing_table(grid: CurveGrid, log_threshold: float, ages: Floats) -> Floats:
    """Tabulate the share of each cell that has crossed by each age.

    log_threshold: log of the threshold ratio. ages: (A,) years, increasing. A ceiling below the threshold is
    never crossed; its spread decides what share of its cells that is. Returns (G, A); posterior weights times
    this table is the distribution of the crossing age.
    """
    share = cells_crossed(grid, log_threshold, ages).reshape(len(grid.families), 1, -1, ages.size)
    reached = ceiling_reaches(grid, log_threshold).reshape(len(grid.families), -1, 1, 1)
    return (reached * share).reshape(grid.size, ages.size)
