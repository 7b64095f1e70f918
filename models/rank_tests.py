"""Rank tests: no shape of life assumed; by rows or by clusters of rows, from intervals or exact times."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2, norm

from models.turnbull import CLIMB_TO, turnbull

Array = NDArray[np.float64]

KINDS = ("logrank_sun", "logrank_finkelstein", "wilcoxon")


def rank_scores(
    lower: ArrayLike, upper: ArrayLike, kind: str = "logrank_finkelstein", *, climb_to: float = CLIMB_TO
) -> Array:
    """Give each row's score (n,) under one distribution for all; large for early crossings, sum zero.

    From the pooled Turnbull estimate S: wilcoxon S(L) + S(R) - 1; the log-rank ones
    (S(L) ln S(L) - S(R) ln S(R)) / (S(L) - S(R)), Sun's form taking ln S from summed hazards. Sun (1996),
    Finkelstein (1986), Fay and Shaw (2010). Raises ValueError for another kind.
    """
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}.")
    low, up = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    fit = turnbull(low, up, climb_to=climb_to)
    survival = np.concatenate([[1.0], 1.0 - np.cumsum(fit.mass)])
    survival = np.where(survival < 1e-9, 0.0, survival)
    # S at L: less the masses of all cells that end at or before L; no end ever splits a cell.
    at_low = np.searchsorted(fit.right, low, side="right")
    at_up = np.searchsorted(fit.right, up, side="right")
    s_low, s_up = survival[at_low], survival[at_up]
    if kind == "wilcoxon":
        return s_low + s_up - 1.0
    with np.errstate(divide="ignore"):
        if kind == "logrank_sun":
            logs = np.concatenate([[0.0], -np.cumsum(fit.mass / np.maximum(survival[:-1], 1e-300))])
        else:
            logs = np.log(survival)
    weighted = np.where(survival > 0, survival * np.where(survival > 0, logs, 0.0), 0.0)
    return (weighted[at_low] - weighted[at_up]) / np.maximum(s_low - s_up, 1e-300)


@dataclass(frozen=True)
class RankTest:
    """The sum of the scores of the marked rows, its standard value under permutation, and the p value."""

    sum_of_scores: float
    z: float
    p_value: float


def rank_test(score: ArrayLike, marked: ArrayLike, cluster: ArrayLike | None = None) -> RankTest:
    """Test whether the marked rows (n,) score otherwise than the rest, by the permutation's normal limit.

    With `cluster` whole clusters are what is exchanged: each must be marked as a whole. Raises ValueError
    where a cluster is of both kinds.
    """
    c = np.asarray(score, dtype=np.float64)
    mark = np.asarray(marked, dtype=bool)
    c = c - c.mean()
    if cluster is not None:
        _, number = np.unique(np.asarray(cluster), return_inverse=True)
        size, marks = np.bincount(number), np.bincount(number, weights=mark)
        if np.any((marks > 0) & (marks < size)):
            raise ValueError("A cluster holds marked and other rows: whole clusters cannot be exchanged.")
        c, mark = np.bincount(number, weights=c).astype(np.float64), marks > 0
    n, k = c.size, int(mark.sum())
    total = float(c[mark].sum())
    variance = k * (n - k) / (n * (n - 1)) * float(np.sum((c - c.mean()) ** 2))
    z = total / np.sqrt(variance) if variance > 0 else 0.0
    return RankTest(total, float(z), float(2 * norm.sf(abs(z))))


def score_test(lower: ArrayLike, upper: ArrayLike, marked: ArrayLike) -> RankTest:
    """Test for proportional hazards of the marked rows (n,), each row independent of the others.

    The score is that of `logrank_finkelstein`; its variance the observed information, the pooled hazards at
    the masses of Turnbull's estimate taken out (Finkelstein 1986). z^2 is chi-square with one degree. Raises
    ValueError where the pooled estimate is of a single mass, which no test can order.
    """
    low, up = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    x = np.asarray(marked, dtype=np.float64)
    fit = turnbull(low, up)
    held = fit.mass > 0
    right, survival = fit.right[held], 1.0 - np.cumsum(fit.mass[held])
    if survival.size < 2:
        raise ValueError("All rows may have crossed at the same time: they have no order.")
    hazard = np.concatenate([[0.0], -np.log(survival[:-1]), [np.inf]])
    at_low, at_up = (np.searchsorted(right, ends, side="right") for ends in (low, up))
    u, v = hazard[at_low], hazard[at_up]
    finite = np.where(np.isfinite(v), v, 0.0)
    past_low, past_up = np.exp(-u), np.exp(-v)
    chance = past_low - past_up
    by_u, by_v = -past_low / chance, past_up / chance
    # Parameters: the log ratio of hazards, then ln hazard at each mass but the last.
    place = np.arange(1, survival.size)
    rows_u = np.column_stack([x, at_low[:, None] == place])
    rows_v = np.column_stack([x, at_up[:, None] == place])
    both = past_low * past_up / chance**2
    second_u = (-by_u - by_u**2) * u**2 + by_u * u
    second_v = (-by_v - by_v**2) * finite**2 + by_v * finite
    cross = (rows_u * (both * u * finite)[:, None]).T @ rows_v
    parts = (rows_u * second_u[:, None]).T @ rows_u + (rows_v * second_v[:, None]).T @ rows_v
    information = -(parts + cross + cross.T)
    total = float(np.sum(x * (by_u * u + by_v * finite)))
    spare = np.linalg.lstsq(information[1:, 1:], information[1:, 0], rcond=None)[0]
    variance = float(information[0, 0] - information[0, 1:] @ spare)
    z = total / np.sqrt(variance) if variance > 0 else 0.0
    return RankTest(total, float(z), float(2 * norm.sf(abs(z))))


@dataclass(frozen=True)
class LogRank:
    """Crossings observed and expected among the marked rows, chi-square with one degree, and the p value."""

    observed: float
    expected: float
    chi_square: float
    p_value: float


def log_rank(
    time: ArrayLike,
    crossed: ArrayLike,
    marked: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    kind: str = "logrank",
) -> LogRank:
    """Test whether the marked rows (n,) cross otherwise than the rest, from times known to the day.

    time (n,) of the crossing, or where not `crossed` until which nothing had; entry (n,): watched after it
    only. kind: `logrank`, or `gehan`, weighted by the number at risk (Gehan 1965). The variance is the
    hypergeometric one, or with `cluster` that of the clusters' sums (Wei, Lin and Weissfeld 1989). Raises
    ValueError for another kind.
    """
    if kind not in ("logrank", "gehan"):
        raise ValueError("kind must be logrank or gehan.")
    t, died = np.asarray(time, dtype=np.float64), np.asarray(crossed, dtype=bool)
    mark = np.asarray(marked, dtype=np.float64)
    start = np.full(t.size, -np.inf) if entry is None else np.asarray(entry, dtype=np.float64)
    at = np.unique(t[died])

    def under_watch(rows: NDArray[np.bool_]) -> Array:
        # Watched at an age: not ended before it, less those that had not come yet.
        ended, came = np.sort(t[rows]), np.sort(start[rows])
        late = came.size - np.searchsorted(came, at, side="left")
        return np.asarray(ended.size - np.searchsorted(ended, at, side="left") - late, dtype=np.float64)

    n, n_marked = under_watch(np.ones(t.size, dtype=bool)), under_watch(mark > 0)
    d = np.bincount(np.searchsorted(at, t[died]), minlength=at.size).astype(np.float64)
    w = n if kind == "gehan" else np.ones(at.size)
    part = n_marked / n
    observed = float(w @ np.bincount(np.searchsorted(at, t[died]), mark[died], at.size))
    expected = float(w @ (d * part))
    if cluster is None:
        spare = np.where(n > 1, (n - d) / np.maximum(n - 1, 1), 0.0)
        variance = float(w**2 @ (d * part * (1 - part) * spare))
    else:
        variance = _variance_by_cluster(np.asarray(cluster), t, died, mark, start, at, w, d / n, part)
    square = (observed - expected) ** 2 / variance if variance > 0 else 0.0
    return LogRank(observed, expected, float(square), float(chi2.sf(square, 1)))


def _variance_by_cluster(
    cluster: NDArray[np.generic],
    t: Array,
    died: NDArray[np.bool_],
    mark: Array,
    start: Array,
    at: Array,
    w: Array,
    hazard: Array,
    part: Array,
) -> float:
    """Sum the squares of the clusters' sums of each row's w (mark - part) d(count - hazard)."""
    by_mark = np.concatenate([[0.0], np.cumsum(w * hazard)])
    by_part = np.concatenate([[0.0], np.cumsum(w * hazard * part)])
    last, first = np.searchsorted(at, t, side="right"), np.searchsorted(at, start, side="right")
    row = -(mark * (by_mark[last] - by_mark[first]) - (by_part[last] - by_part[first]))
    here = np.minimum(last - 1, at.size - 1)
    row += np.where(died, w[here] * (mark - part[here]), 0.0)
    _, number = np.unique(cluster, return_inverse=True)
    return float(np.sum(np.bincount(number, weights=row) ** 2))
