"""From a few wells to all rods of a site: how many are past, when the site's own limit is reached.

Rods without a test well are drawn from the same hierarchy as the measured ones, at the site's own harshness.
Given the site effect all rods are independent, the measured ones too, so that the count of rods past
threshold is a sum of independent trials (Poisson-binomial for the measured, binomial for the others), mixed
over the site effect's posterior: what rods share widens the spread of their count.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import binom

from models.calibration import end_shares
from models.class_prior import group_tables
from models.corrosion_curves import cells_crossed, crossing_table
from models.forecast import Fitted
from models.histories import Floats
from models.outlook import AGES, cdf_at
from models.steps_to_come import with_steps

YEARS_AHEAD = 60
_AGE_STEP = 2.0


@dataclass(frozen=True)
class SiteCounts:
    """Distribution of the count of rods past threshold at one site.

    measured, rods: counts. tail: (Y+1, rods+2) probability that at least m rods are past y years from now, y
    = 0..Y. expected: (Y+1,) expected count. fresh: (Y+1,) chance that a rod driven now is past after y years.
    """

    measured: int
    rods: int
    tail: Floats
    expected: Floats
    fresh: Floats

    def at_least(self, count: float | Floats) -> Floats:
        """Return (Y+1,) the probability of at least count rods past; fractions are interpolated.

        count: one for all years, or (Y+1,) one for each.
        """
        m = np.clip(np.broadcast_to(count, self.expected.shape), 0.0, self.rods + 1.0)
        low, y = m.astype(np.int64), np.arange(m.size)
        high, share = np.minimum(low + 1, self.rods + 1), m - low
        return np.asarray(self.tail[y, low] * (1 - share) + self.tail[y, high] * share)


def _count_pmf(p: Floats) -> Floats:
    """Return (Y, n+1) pmf of the sum of n independent trials with probabilities p (Y, n)."""
    out = np.ones((p.shape[0], 1))
    for j in range(p.shape[1]):
        q = p[:, [j]]
        out = np.concatenate([out * (1 - q), np.zeros_like(q)], axis=1) + np.concatenate(
            [np.zeros_like(q), out * q], axis=1
        )
    return out


def _mixed_pmf(measured: Floats, unmeasured: int, p_nodes: Floats, weight: Floats) -> Floats:
    """Return (Y, rods+1) pmf of all rods: measured (K, Y, n), the others binomial with p_nodes (K, Y).

    Rods are independent given the node; nodes are weighed by weight (K,).
    """
    K, Y, n = measured.shape
    known = _count_pmf(measured.reshape(K * Y, n)).reshape(K, Y, n + 1) * weight[:, None, None]
    others = binom.pmf(np.arange(unmeasured + 1), unmeasured, np.clip(p_nodes, 0.0, 1.0)[:, :, None])
    out = np.zeros((Y, n + unmeasured + 1))
    for j in range(n + 1):
        out[:, j : j + unmeasured + 1] += np.einsum("ky,kym->ym", known[:, :, j], others)
    return out


def _about_mean(given: Floats, weight: Floats, mean: Floats) -> Floats:
    """Return chances by node (N, K, Y) like given, whose mean over the nodes by weight (N, K) is mean (N, Y).

    What given leaves out (steps to come or in the record, the class parameters' own doubt) comes to every
    node alike: as a further hazard where the mean is higher, as a share of the rods where it is lower.
    """
    centre = np.einsum("nk,nky->ny", weight, given)
    less = given * (mean / np.maximum(centre, 1e-12))[:, None]
    more = 1.0 - (1.0 - given) * ((1.0 - mean) / np.maximum(1.0 - centre, 1e-12))[:, None]
    return np.clip(np.where((mean <= centre)[:, None], less, more), 0.0, 1.0)


def _past_by_node(fit: Fitted, years: Floats) -> Floats:
    """Return (N, K, Y) chance that each measured rod is past in so many years, given its site's node.

    Given the node, a rod's own readings are weighed against its group's prior there; steps are left out.
    Tabulated at every second year of age: finer than what the nodes tell apart.
    """
    h, grid, cal = fit.histories, fit.prepared.grid, fit.calibration
    tables = group_tables(cal.theta, fit.layout, grid)
    ages = np.arange(0.0, h.age_now.max() + years[-1] + 2.0 * _AGE_STEP, _AGE_STEP)
    K = tables.onset.shape[1]
    A, F = grid.ceiling.size, len(grid.families)
    shares = end_shares(cal, fit.layout).astype(np.float32)
    whole = np.einsum("nc,ncg->ng", shares, fit.found.whole.reshape(h.electrodes, A, -1))
    out = np.empty((h.electrodes, K, years.size))
    for q, v in sorted(set(zip(fit.layout.group.tolist(), fit.log_threshold.tolist(), strict=True))):
        i = np.flatnonzero((fit.layout.group == q) & (fit.log_threshold == v))
        prior = np.einsum("kt,kr->trk", tables.onset[q], tables.growth[q]).reshape(-1, K)
        crossed = np.tile(prior, (F, 1))[:, :, None] * cells_crossed(grid, v, ages)[:, None, :]
        past = fit.found.reaching[i] @ crossed.reshape(crossed.shape[0], -1).astype(np.float32)
        all_curves = whole[i] @ prior.astype(np.float32)
        cdf = past.reshape(i.size, K, ages.size) / np.maximum(all_curves[:, :, None], 1e-30)
        at = (h.age_now[i, None] + years) / _AGE_STEP
        low = at.astype(np.int64)
        share = (at - low)[:, None]
        before, after = (np.take_along_axis(cdf, (low + d)[:, None], axis=2) for d in (0, 1))
        out[i] = before * (1.0 - share) + after * share
    return out


def site_counts(
    fit: Fitted,
    in_service: npt.NDArray[np.bool_],
    well: Sequence[str | None],
    rod_count: Sequence[int | None],
) -> list[SiteCounts]:
    """Work out the count of rods past threshold for every site.

    in_service: (N,) electrodes that still stand. well: (N,) well of each electrode. rod_count: (S,) all
    driven rods of the site, or None where only the measured ones are known. Rods without a well are as old as
    the first rods in the wells: nobody has renewed what nobody could measure.
    """
    h = fit.histories
    years = np.arange(YEARS_AHEAD + 1, dtype=float)
    ahead = np.stack([cdf_at(fit.crossing.cdf, h.age_now + y) for y in years], axis=1)
    by_node = _about_mean(_past_by_node(fit, years), fit.posterior.nodes[h.electrode_site], ahead)
    tables = _new_rod_tables(fit)
    out = []
    for s in range(h.sites):
        mine = np.arange(h.site_start[s], h.site_start[s + 1])
        standing = mine[in_service[mine]]
        rods = max(int(rod_count[s] or 0), standing.size)
        first = _first_rods(mine, well, h.age_now)
        others, fresh = _others(fit, tables, first, years, s)
        measured = by_node[standing].transpose(1, 2, 0)
        pmf = _mixed_pmf(measured, rods - standing.size, others, fit.posterior.nodes[s])
        tail = np.concatenate([np.cumsum(pmf[:, ::-1], axis=1)[:, ::-1], np.zeros((years.size, 1))], axis=1)
        tail = np.maximum.accumulate(np.clip(tail, 0.0, 1.0), axis=0)
        out.append(SiteCounts(standing.size, rods, tail, tail[:, 1:].sum(axis=1), fresh))
    return out


def _new_rod_tables(fit: Fitted) -> dict[tuple[int, float], Floats]:
    """Return (K, A) crossing distributions of an unmeasured rod by (group, log threshold), steps included.

    Of the steps those that reach the threshold alone.
    """
    layout, grid, steps = fit.layout, fit.prepared.grid, fit.calibration.steps
    out: dict[tuple[int, float], Floats] = {}
    tables = {float(v): crossing_table(grid, float(v), AGES) for v in np.unique(fit.log_threshold)}
    for q, v in sorted(set(zip(layout.group.tolist(), fit.log_threshold.tolist(), strict=True))):
        soil = layout.soils[layout.soil[q]]
        none = steps.survived(soil, grid.onset_years, AGES, float(steps.reaching(v)))
        out[q, v] = fit.posterior.new_rod[q] @ with_steps(tables[v], none, grid)
    return out


def _first_rods(mine: npt.NDArray[Any], well: Sequence[str | None], age_now: Floats) -> npt.NDArray[Any]:
    """Return the oldest electrode of each well (each electrode without a well counts by itself)."""
    oldest: dict[str, int] = {}
    for i in mine:
        key = well[i] or f"#{i}"
        if key not in oldest or age_now[i] > age_now[oldest[key]]:
            oldest[key] = int(i)
    return np.array(sorted(oldest.values()), dtype=np.int64)


def _past_at(cdf: Floats, ages: Floats) -> Floats:
    """Return (K, Y) chance of being past by ages (Y,); cdf: (K, A)."""
    at = np.clip(np.searchsorted(AGES, ages, side="right") - 1, 0, AGES.size - 2)
    share = np.clip((ages - AGES[at]) / (AGES[at + 1] - AGES[at]), 0.0, 1.0)
    return np.asarray(cdf[:, at] * (1.0 - share) + cdf[:, at + 1] * share)


def _others(
    fit: Fitted, tables: dict[tuple[int, float], Floats], first: npt.NDArray[Any], years: Floats, s: int,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return (K, Y) chance that a rod without a well is past, by node, and (Y,) that of a rod driven now."""
    K = fit.posterior.nodes.shape[1]
    past, fresh = np.zeros((K, years.size)), np.zeros((K, years.size))
    for i in first:
        cdf = tables[int(fit.layout.group[i]), float(fit.log_threshold[i])]
        past += _past_at(cdf, fit.histories.age_now[i] + years)
        fresh += _past_at(cdf, years)
    n = max(first.size, 1)
    return past / n, fit.posterior.nodes[s] @ fresh / n


def years_to(probability: Floats, share: float) -> float:
    """Return the years until the probability (Y+1,), one value a year, reaches share; inf beyond its end."""
    reached = np.flatnonzero(probability >= share)
    if not reached.size:
        return float("inf")
    y = int(reached[0])
    if y == 0:
        return 0.0
    rise = max(probability[y] - probability[y - 1], 1e-12)
    return float(y - 1 + (share - probability[y - 1]) / rise)
