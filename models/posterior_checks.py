"""Posterior checks: what the readings look like beside fleets drawn from the fitted model.

Each summary of a soil class's readings is set beside the same summary of replicated readings (Gelman, Meng
and Stern 1996): where it lies among them says whether the model can make such a class. What the model misses
for a month, a campaign, a meter or an age is in `models/residual_checks.py`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from models.forecast import Fitted
from models.histories import Floats, Histories, Ints
from models.replicas import Lives, Record, new_rods, record_of, retake, same_rods
from models.site_pass import ForEach, in_turn

DRAWS = 99
ALL = "all classes"
# Few rods make no class picture: their summaries jump.
LEAST_ELECTRODES = 12
_LEAST_READINGS, _LEAST_YEARS = 3, 5.0
_JUMP, _ALONE = np.log(1.5), np.log(1.35)
_CUT = 0.5  # a residual beyond this is told by other summaries

# Name of each summary, what it is of, and how it is said.
SUMMARIES = {
    "ratio_over_1_5": "share of electrodes whose last reading is over 1.5 times the first",
    "ratio_over_2": "share of electrodes whose last reading is over twice the first",
    "ratio_over_3": "share of electrodes whose last reading is over three times the first",
    "reading_scatter": "scatter of successive readings, log (their differences' robust sd over root two)",
    "unequal_scatter": "how unlike the electrodes' scatters are, log (sd of the log of each one's)",
    "jump_up": "share of readings over 1.5 times the one before",
    "drop": "share of readings under two thirds of the one before",
    "stands_alone": "share of readings a third or more off both neighbours, the same way",
    "over_range": "share of readings over the meter's range",
    "lag_1": "correlation of successive residuals from each electrode's straight line",
    "common_movement": "how far the electrodes of a site move together from visit to visit, log",
}

# Told of the same rods: the others are theirs by construction, or hang on readings beyond the meter, which
# the draws of the same rods know in part only.
OF_SAME_RODS = (
    "reading_scatter",
    "unequal_scatter",
    "jump_up",
    "drop",
    "stands_alone",
    "lag_1",
    "common_movement",
)

MODEL_CHECKS = {
    "soil_class": pl.String,
    "rods": pl.String,
    "summary": pl.String,
    "meaning": pl.String,
    "electrodes": pl.Int64,
    "observed": pl.Float64,
    "replicas_p05": pl.Float64,
    "replicas_p50": pl.Float64,
    "replicas_p95": pl.Float64,
    "p_value": pl.Float64,
    "flagged": pl.Boolean,
    "says": pl.String,
}


@dataclass(frozen=True)
class Neighbours:
    """Where a record's routine readings stand to each other: indices into the record.

    before, after: (P,) successive readings of one electrode; pair_class (P,). of_visit: (P,) number of the
    later reading's visit. middle: (Q,) pairs whose next pair starts where they end, following (Q,) that pair.
    first, last: (E,) of electrodes read often and long enough; their class. age: (M',) years. cls: (M',)
    class of each reading. electrode: (M',) as in the record. classes: names, the whole fleet not among them.
    """

    before: Ints
    after: Ints
    pair_class: Ints
    of_visit: Ints
    middle: Ints
    following: Ints
    first: Ints
    last: Ints
    whole_class: Ints
    routine: Ints
    age: Floats
    cls: Ints
    electrode: Ints
    classes: tuple[str, ...]


def neighbours_of(h: Histories, record: Record) -> Neighbours:
    """Find successive routine readings, and the electrodes read at least three times over five years."""
    soils = tuple(sorted({h.soil[i] for i in record.electrodes}))
    index = {k: c for c, k in enumerate(soils)}
    soil = np.array([index[h.soil[i]] for i in record.electrodes], dtype=np.int64)[record.electrode]
    age = h.age[record.reading]
    at = np.flatnonzero(record.routine)
    joined = record.electrode[at[1:]] == record.electrode[at[:-1]]
    before, after = at[:-1][joined], at[1:][joined]
    chained = np.flatnonzero(before[1:] == after[:-1])
    _, start, count = np.unique(record.electrode[at], return_index=True, return_counts=True)
    first, last = at[start], at[start + count - 1]
    enough = (count >= _LEAST_READINGS) & (age[last] - age[first] >= _LEAST_YEARS)
    return Neighbours(
        before, after, soil[after], record.visit[after], chained, chained + 1, first[enough], last[enough],
        soil[first[enough]], at, age, soil, record.electrode, soils,
    )  # fmt: skip


def _by_class(
    value: npt.NDArray[Any], cls: Ints, classes: int, of: Callable[[npt.NDArray[Any]], float]
) -> Floats:
    """Return (C+1,) a summary of value (X,) in each class, and in all of them; nan where there is none."""
    parts = [value[cls == c] for c in range(classes)] + [value]
    return np.array([of(v) if v.size else np.nan for v in parts])


def _share(value: Floats) -> float:
    return float(value.mean())


def _robust_sd(value: Floats) -> float:
    return float(1.4826 * np.median(np.abs(value)))


def summaries(free: Floats, side: Ints, n: Neighbours) -> Floats:
    """Return (len(SUMMARIES), C+1) summaries of readings free (M',), side (M',), by class and in all."""
    C = len(n.classes)
    gain = free[n.last] - free[n.first]
    step = free[n.after] - free[n.before]
    read = (side[n.after] == 0) & (side[n.before] == 0)
    small, small_class = step[read], n.pair_class[read]
    a, b = step[n.middle], step[n.following]
    alone = ((a > _ALONE) & (b < -_ALONE)) | ((a < -_ALONE) & (b > _ALONE))
    rows = [_by_class(gain > np.log(k), n.whole_class, C, _share) for k in (1.5, 2.0, 3.0)]
    rows += [
        _by_class(small / np.sqrt(2.0), small_class, C, _robust_sd),
        _by_class(*_own_scatter(small, n.electrode[n.after[read]], small_class), C, lambda v: float(v.std())),
        _by_class(step > _JUMP, n.pair_class, C, _share),
        _by_class(step < -_JUMP, n.pair_class, C, _share),
        _by_class(alone, n.pair_class[n.middle], C, _share),
        _by_class(side[n.routine] > 0, n.cls[n.routine], C, _share),
        _lag_1(free, n),
        _by_class(*_together(small, n.of_visit[read], small_class), C, _robust_sd),
    ]
    return np.stack(rows)


def _own_scatter(step: Floats, electrode: Ints, cls: Ints) -> tuple[Floats, Ints]:
    """Return the log of each electrode's mean size of step, of those with five steps or more, and classes."""
    count = np.bincount(electrode)
    total = np.bincount(electrode, np.minimum(np.abs(step), _CUT))
    of = np.zeros(count.size, dtype=np.int64)
    of[electrode] = cls
    kept = count >= 5
    return np.log(np.maximum(total[kept] / count[kept], 1e-3)), of[kept]


def _together(step: Floats, visit: Ints, cls: Ints) -> tuple[Floats, Ints]:
    """Return the mean step of each visit with four electrodes or more, and classes."""
    seen = visit >= 0
    visit, step, cls = visit[seen], np.clip(step[seen], -_CUT, _CUT), cls[seen]
    count, total = np.bincount(visit), np.bincount(visit, step)
    of = np.zeros(count.size, dtype=np.int64)
    of[visit] = cls
    kept = count >= 4
    return total[kept] / count[kept], of[kept]


def _lag_1(free: Floats, n: Neighbours) -> Floats:
    """Return (C+1,) the correlation of successive residuals from each electrode's least squares line."""
    e, x, y = n.electrode[n.routine], n.age[n.routine], free[n.routine]
    size = int(n.electrode.max()) + 1 if n.electrode.size else 0

    def mean(v: Floats) -> Floats:
        return np.asarray(np.bincount(e, v, size) / np.maximum(np.bincount(e, minlength=size), 1))[e]

    dx, dy = x - mean(x), y - mean(y)
    slope = mean(dx * dy) / np.maximum(mean(dx * dx), 1e-9)
    left = np.zeros(free.size)
    left[n.routine] = np.clip(dy - slope * dx, -_CUT, _CUT)
    both, own = left[n.before] * left[n.after], 0.5 * (left[n.before] ** 2 + left[n.after] ** 2)
    C = len(n.classes)
    return _by_class(both, n.pair_class, C, _share) / np.maximum(
        _by_class(own, n.pair_class, C, _share), 1e-12
    )


def replicated(
    fit: Fitted, record: Record, n: Neighbours, lives: Lives, draws: int, rng: np.random.Generator,
    each: ForEach = in_turn,
) -> Floats:  # fmt: skip
    """Return (draws, len(SUMMARIES), C+1) summaries of the replicas' readings."""
    out = np.empty((draws, len(SUMMARIES), len(n.classes) + 1))
    seeds = rng.integers(0, 2**63 - 1, size=draws)

    def one(d: int) -> None:
        taken = retake(fit, record, lives, d, np.random.default_rng(seeds[d]))
        out[d] = summaries(taken.free, taken.side, n)

    each(one, range(draws))
    return out


def predictive_p(observed: Floats, replicas: Floats) -> Floats:
    """Return the two-sided posterior predictive p-value of observed (...) among replicas (D, ...)."""
    D = replicas.shape[0]
    up = (1.0 + (replicas >= observed).sum(axis=0)) / (D + 1.0)
    down = (1.0 + (replicas <= observed).sum(axis=0)) / (D + 1.0)
    return np.minimum(1.0, 2.0 * np.minimum(up, down))


def flagged_far(observed: Floats, replicas: Floats, p: Floats) -> npt.NDArray[np.bool_]:
    """Say where the readings lie beyond all replicas, and by more than three of their standard deviations."""
    away = np.abs(observed - replicas.mean(axis=0)) > 3.0 * replicas.std(axis=0)
    return np.asarray(away & (p <= 2.0 / (replicas.shape[0] + 1.0) + 1e-9), dtype=bool)


def model_checks(
    fit: Fitted, rng: np.random.Generator, each: ForEach = in_turn, draws: int = DRAWS
) -> pl.DataFrame:
    """Return model_checks: each summary of the readings beside its replicas', by soil class.

    rods: `new` (rods drawn afresh from their class) and `same` (each rod's own posterior, read anew: how the
    readings scatter about it).
    """
    record = record_of(fit)
    if not record.routine.any():
        return pl.DataFrame(schema=MODEL_CHECKS)
    n = neighbours_of(fit.histories, record)
    observed = summaries(record.free, record.side, n)
    counts = [np.unique(n.electrode[n.cls == c]).size for c in range(len(n.classes))]
    frames = []
    for rods, drawn in (("new", new_rods), ("same", same_rods)):
        lives = drawn(fit, record, draws, rng)
        frames.append(_checks(rods, observed, replicated(fit, record, n, lives, draws, rng, each), n, counts))
    return pl.concat(frames)


def _checks(rods: str, observed: Floats, replicas: Floats, n: Neighbours, counts: list[int]) -> pl.DataFrame:
    p = predictive_p(observed, replicas)
    low, middle, high = np.quantile(replicas, (0.05, 0.5, 0.95), axis=0)
    flagged = flagged_far(observed, replicas, p)
    rows = []
    for c, (soil, electrodes) in enumerate(zip((*n.classes, ALL), (*counts, sum(counts)), strict=True)):
        for k, (name, meaning) in enumerate(SUMMARIES.items()):
            if rods == "same" and name not in OF_SAME_RODS:
                continue
            told = np.isfinite(observed[k, c]) and np.isfinite(replicas[:, k, c]).all()
            if electrodes < LEAST_ELECTRODES or not told:
                continue
            found, usual, far = observed[k, c], middle[k, c], bool(flagged[k, c])
            says = f"The readings have {'more' if found > usual else 'less'} of it than replicas."
            rows.append((
                soil, rods, name, meaning, electrodes, found, low[k, c], usual, high[k, c], p[k, c], far,
                says if far else "",
            ))  # fmt: skip
    return pl.DataFrame(rows, schema=MODEL_CHECKS, orient="row")
