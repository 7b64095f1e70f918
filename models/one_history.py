"""Plain statistics of one history of readings: a trend, one change of level, one hinge; no model of a fleet.

They take the readings as they stand, each as free of the others: of neighbours, of what the season has left,
of readings out of range they know nothing. They are for a second look at one rod, no verdict.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar
from scipy.special import log_ndtr
from scipy.stats import f as fisher
from scipy.stats import kendalltau, norm

Array = NDArray[np.float64]

# Up to so many values without ties p is exact (scipy's is, from all orders); beyond, the normal limit.
EXACT_UP_TO = 20
LEAST_TREND, LEAST_CHANGE, LEAST_HINGE, LEAST_PLACES = 4, 8, 8, 5
# Neither side of a change has fewer values than this.
LEAST_A_SIDE = 3
EXCHANGES = 1999


@dataclass(frozen=True)
class Trend:
    """Kendall's sum over pairs with its tau and two-sided p, and the median slope of all pairs (Sen 1968)."""

    sum_of_signs: int
    tau: float
    z: float
    p_value: float
    slope: float
    slope_low: float
    slope_high: float
    intercept: float
    exact: bool


def _paired(x: ArrayLike, y: ArrayLike, least: int) -> tuple[Array, Array]:
    """Give x and y (n,) in the order of x; raise ValueError where there are too few, or x is all one."""
    at, value = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if at.shape != value.shape or at.ndim != 1 or not np.all(np.isfinite(at + value)):
        raise ValueError("x and y must be of one length, and finite.")
    if at.size < least or np.unique(at).size < 2:
        raise ValueError(f"There must be at least {least} values, not all at one place.")
    order = np.argsort(at, kind="stable")
    return at[order], value[order]


def trend(x: ArrayLike, y: ArrayLike, level: float = 0.95) -> Trend:
    """Test whether y rises or falls with x, whatever the shape; x, y (n,). Raises ValueError for under four.

    Mann (1945) and Kendall (1975), ties in either, continuity corrected; p exact for few values without ties.
    Slope: the median over pairs (Theil 1950, Sen 1968), its interval by Gilbert (1987), 16.5.
    """
    at, value = _paired(x, y, LEAST_TREND)
    n = at.size
    i, j = np.triu_indices(n, 1)
    run, rise = at[j] - at[i], value[j] - value[i]
    s = int(np.sum(np.sign(run) * np.sign(rise)))
    spread = float(np.sqrt(_variance_of_sum(at, value)))
    z = float(np.sign(s) * max(abs(s) - 1, 0) / spread) if spread > 0 else 0.0
    exact = n <= EXACT_UP_TO and np.unique(at).size == n and np.unique(value).size == n
    p = float(kendalltau(at, value, method="exact").pvalue) if exact else float(2 * norm.sf(abs(z)))
    slopes = np.sort(rise[run > 0] / run[run > 0])
    slope = float(np.median(slopes))
    half = float(norm.ppf((1 + level) / 2)) * spread
    rank = np.arange(1, slopes.size + 1)
    low, high = (
        float(np.interp(r, rank, slopes))
        for r in ((slopes.size - half) / 2, (slopes.size + half) / 2 + 1)
    )  # fmt: skip
    start = float(np.median(value) - slope * np.median(at))
    return Trend(s, s / (n * (n - 1) / 2), z, p, slope, low, high, start, exact)


def _variance_of_sum(x: Array, y: Array) -> float:
    """Give the variance of Kendall's sum under no trend, ties in both taken off (Kendall 1975, ch. 4)."""
    n = x.size
    t, u = (np.unique(v, return_counts=True)[1].astype(np.float64) for v in (x, y))

    def third(c: Array) -> float:
        return float(np.sum(c * (c - 1) * (2 * c + 5)))

    def triples(c: Array) -> float:
        return float(np.sum(c * (c - 1) * (c - 2)))

    def pairs(c: Array) -> float:
        return float(np.sum(c * (c - 1)))

    base = (n * (n - 1) * (2 * n + 5) - third(t) - third(u)) / 18
    return (
        base + triples(t) * triples(u) / (9 * n * (n - 1) * (n - 2)) + pairs(t) * pairs(u) / (2 * n * (n - 1))
    )


@dataclass(frozen=True)
class Change:
    """One change of level: values up to `last` (position) have the mean `before`, those after it `after`.

    earliest_last, latest_last: 95 % interval of `last`, as positions; f: the largest F over all places.
    """

    last: int
    earliest_last: int
    latest_last: int
    before: float
    after: float
    f: float
    p_value: float


def change_of_level(y: ArrayLike, rng: np.random.Generator, level: float = 0.95) -> Change:
    """Find the one change of level that fits y (n,), in order, best by least squares.

    Raises ValueError for under 8 values. p: of the largest F under exchange of the
    values, so that what hangs together from value to value makes it too small. Interval: Bai (1997), each
    side with its own spread.
    """
    value = np.asarray(y, dtype=np.float64)
    if value.ndim != 1 or value.size < LEAST_CHANGE or not np.all(np.isfinite(value)):
        raise ValueError(f"There must be at least {LEAST_CHANGE} finite values.")
    n = value.size
    best, largest = _largest_f(value[None, :])
    turned = rng.permuted(np.tile(value, (EXCHANGES, 1)), axis=1)
    p = float((1 + np.sum(_largest_f(turned)[1] >= largest[0] - 1e-9)) / (EXCHANGES + 1))
    last = int(best[0])
    one, two = value[: last + 1], value[last + 1 :]
    step = abs(float(two.mean() - one.mean()))
    back, ahead = _reach(step, float(one.std()), float(two.std()), (1 - level) / 2)
    earliest = max(int(np.floor(last - ahead)), LEAST_A_SIDE - 1)
    latest = min(int(np.ceil(last + back)), n - LEAST_A_SIDE - 1)
    return Change(last, earliest, latest, float(one.mean()), float(two.mean()), float(largest[0]), p)


def _largest_f(rows: Array) -> tuple[NDArray[np.int64], Array]:
    """Give for each row (R, n) the position before the best change, and the F there."""
    n = rows.shape[1]
    centred = rows - rows.mean(axis=1, keepdims=True)
    count = np.arange(LEAST_A_SIDE, n - LEAST_A_SIDE + 1)
    sums = np.cumsum(centred, axis=1)[:, count - 1]
    gained = sums**2 * n / (count * (n - count))
    k = np.argmax(gained, axis=1)
    most = gained[np.arange(rows.shape[0]), k]
    left = np.maximum(np.sum(centred**2, axis=1) - most, 1e-12 * np.maximum(most, 1e-300))
    return count[k] - 1, most / (left / (n - 2))


def _reach(step: float, sd_before: float, sd_after: float, tail: float) -> tuple[float, float]:
    """Give how far the true place may lie after, and before, the one found, in values, each missed by `tail`.

    The place of the top of two random walks that fall away from the true place by step^2 a value, with
    spreads 2 step sd: Bai (1997), here from the first passage of Brownian motion with drift.
    """
    if step <= 0 or min(sd_before, sd_after) <= 0:
        return (np.inf, np.inf) if step <= 0 else (0.0, 0.0)

    def until(own: float, other: float) -> float:
        fall, against = step / (2 * own), step * own / other**2
        reach = np.geomspace(1e-8, 200.0, 4000) / fall**2
        density = 2 * fall * (_passing(reach, fall, fall) - _passing(reach, fall + against, fall))
        pieces = np.diff(reach) * (density[1:] + density[:-1]) / 2
        beyond = np.append(np.cumsum(pieces[::-1])[::-1], 0.0)
        return float(np.interp(-tail, -beyond, reach)) if beyond[0] > tail else 0.0

    return until(sd_before, sd_after), until(sd_after, sd_before)


def _passing(t: Array, slope: float, fall: float) -> Array:
    """Give e^((slope^2 - fall^2) t / 2) times the integral over m of the first passage of m at time t."""
    lift, root = (slope * slope - fall * fall) * t / 2, np.sqrt(t)
    near = np.exp(lift + norm.logpdf(slope * root)) / root
    return np.asarray(near - slope * np.exp(lift + log_ndtr(-slope * root)))


@dataclass(frozen=True)
class Hinge:
    """A line that bends once: where, its standard error and 95 % interval, slopes, and p of no bend."""

    place: float
    error: float
    low: float
    high: float
    slope_before: float
    slope_after: float
    value_there: float
    residual_sum: float
    p_value: float


def hinge(x: ArrayLike, y: ArrayLike, weight: ArrayLike | None = None, level: float = 0.95) -> Hinge:
    """Fit a line that bends once by least squares, the place by search; x, y, weight (n,).

    Standard error from the tangent (Muggeo 2003); interval by the profile of the residual sum. p compares
    with a straight line by F, two degrees for the bend and its place: an approximation (Hinkley 1971).
    Raises ValueError for under 8 values, or under 5 places.
    """
    at, value = _paired(x, y, LEAST_HINGE)
    order = np.argsort(np.asarray(x, dtype=np.float64), kind="stable")
    root = np.ones(at.size) if weight is None else np.sqrt(np.asarray(weight, dtype=np.float64))[order]
    places = np.unique(at)
    if places.size < LEAST_PLACES:
        raise ValueError(f"A hinge needs values at {LEAST_PLACES} places at least.")

    def left(place: float) -> float:
        return _bent(at, value, root, place)[1]

    # Between two neighbouring values of x the sum has one valley at most but for its ends.
    inner = places[1:-1]
    tried = []
    for a, b in pairwise(inner):
        found = minimize_scalar(left, bounds=(a, b), method="bounded", options={"xatol": 1e-9 * (b - a)})
        tried.append((float(found.fun), float(found.x)))
    tried += [(left(p), float(p)) for p in inner]
    least, place = min(tried)
    (start, before, bend), _ = _bent(at, value, root, place)
    spare = at.size - 4
    variance = least / spare
    tangent = np.column_stack([np.ones(at.size), at, np.maximum(at - place, 0), -bend * (at > place)])
    inverse = np.linalg.pinv((tangent * root[:, None] ** 2).T @ tangent)
    line = np.polyval(np.polyfit(at, value, 1, w=root), at)
    straight = float(np.sum((root * (value - line)) ** 2))
    f = (straight - least) / 2 / max(variance, 1e-300)
    limit = least + variance * float(fisher.ppf(level, 1, spare))
    grid = np.linspace(inner[0], inner[-1], 400)
    inside = np.append(grid[np.array([left(g) for g in grid]) <= limit], place)
    return Hinge(
        place=place,
        error=float(np.sqrt(variance * inverse[3, 3])),
        low=float(inside.min()),
        high=float(inside.max()),
        slope_before=float(before),
        slope_after=float(before + bend),
        value_there=float(start + before * place),
        residual_sum=least,
        p_value=float(fisher.sf(f, 2, spare)),
    )


def _bent(at: Array, value: Array, root: Array, place: float) -> tuple[Array, float]:
    """Give (start, slope, bend) of the line that bends at a place, and its weighted residual sum."""
    columns = np.column_stack([np.ones(at.size), at, np.maximum(at - place, 0)]) * root[:, None]
    found = np.linalg.lstsq(columns, value * root, rcond=None)[0]
    return np.asarray(found, dtype=np.float64), float(np.sum((value * root - columns @ found) ** 2))


@dataclass(frozen=True)
class PlainTests:
    """What the plain tests say of a history; None where there are too few readings for one."""

    readings: int
    trend: Trend | None
    change: Change | None
    change_between: tuple[float, float] | None
    """The last place before the change and the first one after it."""
    hinge: Hinge | None


def plain_tests(x: ArrayLike, y: ArrayLike, rng: np.random.Generator) -> PlainTests:
    """Put all three to one history, y at x (n,), as far as its readings reach."""
    at, value = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    order = np.argsort(at, kind="stable")
    at, value = at[order], value[order]
    places = np.unique(at).size
    moved = change_of_level(value, rng) if value.size >= LEAST_CHANGE and np.ptp(value) > 0 else None
    return PlainTests(
        readings=int(value.size),
        trend=trend(at, value) if value.size >= LEAST_TREND and places > 1 else None,
        change=moved,
        change_between=None if moved is None else (float(at[moved.last]), float(at[moved.last + 1])),
        hinge=hinge(at, value) if value.size >= LEAST_HINGE and places >= LEAST_PLACES else None,
    )
