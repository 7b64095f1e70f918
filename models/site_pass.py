"""The site pass: every electrode of a site weighed together with the field that moves them all."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from models.breaks import Structures
from models.class_prior import CurvePrior
from models.corrosion_curves import CurveGrid
from models.histories import Floats, Histories, Ints
from models.site_kernel import likely_cells, site_pass_kernel
from models.step_hazard import StepModel, hazard_ahead
from models.step_kernel import site_rows

ForEach = Callable[[Callable[[int], None], Iterable[int]], None]


# Share of a factor's change that is taken on, by round: a site that swings to and fro is led more gently.
_DAMPING = (0.8, 0.8, 0.5, 0.5, 0.3)


def in_turn(work: Callable[[int], None], items: Iterable[int]) -> None:
    """Run the work on one item after another."""
    for item in items:
        work(item)


@dataclass(frozen=True)
class FieldSpread:
    """Spreads of the site field, all of the log reading.

    site_sd: offset of a site. visit_sd: one visit, correlated over visit_years by exp(-gap/visit_years).
    shift_sd: a lasting shift at a known date. rod_sd: an electrode's own term.
    """

    site_sd: float = 0.3
    visit_sd: float = 0.08
    visit_years: float = 1.0
    shift_sd: float = 0.25
    rod_sd: float = 0.25


def field_covariance(h: Histories, s: int, spread: FieldSpread) -> Floats:
    """Return the prior covariance (1+T, 1+T) of the field of site s: its offset, then its T visits."""
    t = h.visit_year[h.visit_start[s] : h.visit_start[s + 1]]
    first = h.site_start[s]
    survey = float(h.survey_var[first]) if h.site_start[s + 1] > first else 0.0
    cov = np.zeros((t.size + 1, t.size + 1))
    cov[0, 0] = spread.site_sd**2 + survey
    cov[1:, 1:] = spread.visit_sd**2 * np.exp(-np.abs(t[:, None] - t) / spread.visit_years)
    for year in h.shifts[s]:
        after = (t >= year).astype(float)
        cov[1:, 1:] += spread.shift_sd**2 * np.outer(after, after)
    cov[np.diag_indices_from(cov)] += 1e-8
    return cov


@dataclass(frozen=True)
class SitePass:
    """What a pass over all sites found.

    like: (N, T*R) likelihood of each curve over its largest, structures, noise scales and field integrated
    out, the end mixed by its shares. like_top: (N,) log of what it is over. whole, whole_top: (N, A*T*R)
    the same without the structures that hold a step, for each end; or empty. stepped: of the structures
    with one, over like_top, a row for each electrode that has any; stepped_at: (N,) the row, or -1. reaching:
    (N, F*T*R) of whole, families apart and ceilings mixed, the part whose ceiling lies above the threshold.
    ceiling_weight: (N, A) posterior shares of the ends. struct_weight, struct_jump,
    struct_jump_var: (K,) posterior weight and step size of each structure. struct_onset: (K, 2) the weight
    times the mean share of the step's span that lies after the onset, and times the mean years from onset to
    step or last reading (0 where ends are apart). scale_weight: (N, F). noise_score, noise_sq,
    wild_p: (M,). base_mean, base_var, rod_sq, evidence: (N,). field_mean, field_cov: per site (D,),
    (D, D). factors: per site, the electrodes' factors (E, D, D), (E, D). moved: (S,) largest change of the
    field in the last sweep, in units of its spread; travelled: (S,) the sum of it over all rounds.
    """

    like: npt.NDArray[np.float32]
    like_top: Floats
    whole: npt.NDArray[np.float32]
    stepped: npt.NDArray[np.float32]
    stepped_at: Ints
    reaching: npt.NDArray[np.float32]
    whole_top: Floats
    ceiling_weight: Floats
    struct_weight: Floats
    struct_jump: Floats
    struct_jump_var: Floats
    struct_onset: Floats
    scale_weight: Floats
    noise_score: Floats
    noise_sq: Floats
    wild_p: Floats
    base_mean: Floats
    base_var: Floats
    rod_sq: Floats
    evidence: Floats
    field_mean: list[Floats]
    field_cov: list[Floats]
    factors: list[tuple[Floats, Floats]]
    moved: Floats
    travelled: Floats

    @property
    def log_like(self) -> npt.NDArray[Any]:
        """Return the log-likelihoods that like holds."""
        return np.asarray(np.log(self.like) + self.like_top[:, None])


@dataclass(frozen=True)
class Focus:
    """The cells of a grid that are worth weighing: (N, T) from which to before which growth rate."""

    low: Ints
    high: Ints


def focus_of(
    like: npt.NDArray[np.float32],
    prior: CurvePrior,
    group: Ints,
    node_weight: Floats,
    fine: CurveGrid,
    known: npt.NDArray[np.bool_],
) -> Focus:
    """Return what a pass with fewer onsets, ceilings mixed, leaves to be weighed on the finer grid.

    like: (N, T*R) of that pass, prior: its own, group (N,) into it, node_weight: (N, K) of its nodes.
    known: (N,) whether its account of the electrode still stands; where not, all cells are. Cells that
    together have a hundred thousandth of the mass or less are left out, all but the neighbours of those
    that have more.
    """
    T = prior.grid.onset_years.size
    low, high = np.empty((like.shape[0], T), np.int64), np.empty((like.shape[0], T), np.int64)
    likely_cells(like, node_weight, prior.onset, prior.growth, group, low, high)
    at = np.searchsorted(prior.grid.onset_edges, fine.onset_years, side="right") - 1
    low[~known], high[~known] = 0, prior.grid.growth.size
    at = np.clip(at, 0, T - 1)
    # As the full focus lies in memory: for another order every kernel would be compiled once more.
    return Focus(np.ascontiguousarray(low[:, at]), np.ascontiguousarray(high[:, at]))


def no_factors(h: Histories) -> list[tuple[Floats, Floats]]:
    """Return factors that say nothing, for every site."""
    out = []
    for s in range(h.sites):
        E = int(h.site_start[s + 1] - h.site_start[s])
        D = int(h.visit_start[s + 1] - h.visit_start[s]) + 1
        out.append((np.zeros((E, D, D)), np.zeros((E, D))))
    return out


def site_pass(
    h: Histories,
    resid: Floats,
    noise_var: Floats,
    rod_var: Floats,
    prior_precision: list[Floats],
    structures: Structures,
    steps: StepModel,
    scale: tuple[Floats, Floats],
    prior: CurvePrior,
    group: Ints,
    node_weight: Floats,
    share: Floats,
    factors: list[tuple[Floats, Floats]],
    sweeps: int = 2,
    each: ForEach = in_turn,
    log_threshold: Floats | None = None,
    rounds: int = 1,
    settled: float = 0.1,
    focus: "Focus | None" = None,
    damping: tuple[float, ...] = _DAMPING,
) -> SitePass:
    """Weigh all electrodes with their site's field integrated out.

    resid: (M,) log readings less formula and fixed terms. noise_var: (M,). rod_var: (N,). scale: noise scale
    factors (F,) and log weights (F,). group: (N,) index into the priors, node_weight: (N, K) of their
    nodes; share: (N, A) of the ends. factors: a warm start, not changed. log_threshold: (N,) keep the
    likelihood of each end apart, with and without steps, and what of it can reach this. focus: what is
    weighed at all; everything where it is None. damping: share of a factor's change that is taken on, by
    round; 0 leaves the field as it stands.
    """
    N, M, K, F = h.electrodes, h.age.size, structures.breaks.size, scale[0].size
    grid = prior.grid
    A, T, R = grid.shape
    apart = log_threshold is not None
    threshold = np.zeros(0) if log_threshold is None else log_threshold
    focus = focus or Focus(np.zeros((N, T), np.int64), np.full((N, T), R))
    like = np.empty((N, T * R), dtype=np.float32)
    whole = np.empty((N if apart else 0, A * T * R), dtype=np.float32)
    may_step = np.bincount(structures.electrode, structures.standing >= 0, minlength=N) > 0
    stepped_at = np.where(may_step, np.cumsum(may_step) - 1, -1)
    stepped = np.empty((int(may_step.sum()) if apart else 0, A * T * R), dtype=np.float32)
    reaching = np.empty((N if apart else 0, len(grid.families) * T * R), dtype=np.float32)
    tops = np.zeros(N), np.zeros(whole.shape[0])
    ceiling_w = np.zeros((N, A))
    by_k = np.zeros(K), np.zeros(K), np.zeros(K), np.zeros((K, 2))
    scale_w = np.zeros((N, F))
    by_m = np.zeros(M), np.zeros(M), np.zeros(M)
    by_n = np.zeros(N), np.zeros(N), np.zeros(N), np.zeros(N)
    moved, travelled = np.zeros(h.sites), np.zeros(h.sites)
    state = [(a.copy(), b.copy()) for a, b in factors]
    means = [np.zeros(p.shape[0]) for p in prior_precision]
    covs = [np.zeros((m.size, m.size)) for m in means]

    ahead = hazard_ahead(h, steps)

    def rows_of(s: int) -> Floats:
        first, last = h.site_start[s], h.site_start[s + 1]
        rows = np.empty((int(structures.start[last] - structures.start[first]), 3, T))
        site_rows(
            first, last, h.reading_start, h.age, structures.start, structures.breaks, ahead,
            steps.after_rate, grid.onset_years, rows,
        )  # fmt: skip
        return rows

    def sweep(s: int, taken: float, rows: Floats) -> float:
        return float(site_pass_kernel(
            h.site_start[s], h.site_start[s + 1], h.reading_start, h.age, resid, h.side, h.meter_var,
            noise_var, h.visit, rod_var, prior_precision[s], structures.start, structures.breaks,
            structures.ends, structures.opened, structures.wilds, structures.log_prior, rows, *steps.jumps(),
            steps.wild_sd**2, *scale, node_weight, prior.onset, prior.growth, group, focus.low, focus.high,
            share, grid.onset_years, grid.growth, grid.ceiling, grid.ceiling_sd, grid.straight, sweeps, taken,
            *state[s], like, whole, stepped, stepped_at, reaching, threshold, *tops, ceiling_w, *by_k,
            scale_w, *by_m, *by_n, means[s], covs[s],
        ))  # fmt: skip

    def one(s: int) -> None:
        rows = rows_of(s)
        for done in range(rounds):
            moved[s] = sweep(s, damping[min(done, len(damping) - 1)], rows)
            travelled[s] += moved[s]
            if moved[s] < settled:
                break

    each(one, range(h.sites))
    return SitePass(
        like, tops[0], whole, stepped, stepped_at, reaching, tops[1], ceiling_w, *by_k, scale_w, *by_m, *by_n,
        means, covs, state, moved, travelled,
    )  # fmt: skip
