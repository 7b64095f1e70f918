"""Two wells of one visit written on each other's line: what the exchange would gain both histories.

The current on a lead is the well's own as the resistance is its rod's, and stands on the same line of the
sheet: where crews note it, it tells wells of like resistance apart.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from models.vetting_history import LEAST_WELLS, STEP_LOG, Bools, Days, Floats, Ints, movement

Pair = tuple[Ints, Ints]

# By how much (log) an exchange must make both readings more likely. Some 8 pairs in 10,000 readings are
# exchanged, most of them lines that follow one another on the sheet; a visit has ten of those among fifty
# pairs (common practice, no source).
SWAP_GAIN_BESIDE, SWAP_GAIN = 4.5, 8.0
WHOLE_LINE = 0.8  # of the exchanges, those that took the current on the lead with them
# Log density (times its sd) below which a reading is odd enough to try: 1.5 and 2 sd off its own level.
ODD, VERY_ODD = -0.5 * 1.5**2, -0.5 * 2.0**2
STRAY_FLOOR = 0.05  # density, a natural log wide, of a value that is off by any factor
MOVED_SD_LOG = 0.2  # of a visit whose other wells don't tell how it moved
FEW_TO_TRY = 8  # wells of a visit all pairs of which are tried where one is very odd
# A level that moves for good between two visits; once it did, a value halfway.
MOVED_SHARE, MOVED_BETWEEN_SHARE = 0.02, 0.2
STRAY_SHARE, STRAY_SD_LOG = 0.02, 0.7  # readings that fit neither


def _log_density(d: Days, here: Floats, at: Ints) -> Floats:
    """Return the log density of values at the places of the days `at`, in those electrodes' histories.

    Near the level between before and after; near either of the two where it moved for good just then; or,
    now and then, far off for no reason.
    """
    before, after, sd = d.before[at], d.after[at], d.sd[at]
    before, after = np.where(np.isnan(before), after, before), np.where(np.isnan(after), before, after)
    share = np.where(np.abs(before - after) < STEP_LOG, 1 - 2 * MOVED_SHARE, MOVED_BETWEEN_SHARE)
    off = here - (before + after) / 2
    total = STRAY_SHARE * np.maximum(np.exp(-0.5 * (off / STRAY_SD_LOG) ** 2) / STRAY_SD_LOG, STRAY_FLOOR)
    for level, weight in (((before + after) / 2, share), (before, (1 - share) / 2), (after, (1 - share) / 2)):
        total = total + (1 - STRAY_SHARE) * weight / sd * np.exp(-0.5 * ((here - level) / sd) ** 2)
    return np.asarray(np.log(total + 1e-300))


def swapped_pairs(d: Days, current: Days) -> tuple[Ints, Ints, Floats]:
    """Return days (P,), their partners (P,) and the gain in log likelihood of exchanging them.

    All pairs of a visit are tried; a pair is given once each way, and only where each is the other's best.
    The visit's movement is taken from its other wells, as two exchanged ones pull it their way. current: the
    same days with the currents on the leads in place of the resistances, `aside` where none was noted.
    """
    one, two = _candidates(d, current)
    total = _gain(d, one, two)
    # The line was exchanged with its current, or the resistances alone.
    total += np.logaddexp(np.log(WHOLE_LINE) + _gain(current, one, two), np.log(1 - WHOLE_LINE))
    beside = np.abs(_line(d)[one] - _line(d)[two]) == 1
    total -= np.where(beside, SWAP_GAIN_BESIDE, SWAP_GAIN)
    good = total > 0
    both, other = np.concatenate([one[good], two[good]]), np.concatenate([two[good], one[good]])
    value = np.tile(total[good], 2)
    best = np.full(d.ln.size, -np.inf)
    np.maximum.at(best, both, value)
    mutual = (value == best[both]) & (value == best[other])
    return both[mutual], other[mutual], value[mutual]


def _gain(d: Days, one: Ints, two: Ints) -> Floats:
    """Return (P,) the gain in log likelihood of exchanging pairs, 0 where one of them is not known."""
    moved, told = _moved_without(d, one, two)
    as_read, exchanged = (_together(d, (one, two), to, moved, told) for to in ((one, two), (two, one)))
    return np.where(_known(d)[one] & _known(d)[two], exchanged - as_read, 0.0)


def _together(d: Days, of: Pair, to: Pair, moved: Floats, told: Bools) -> Floats:
    """Return (P,) the log likelihood of two values `of` in the histories `to`, under their visit's movement.

    Where too few other wells tell the movement, the two may share any that weather makes.
    """
    fixed = _log_density(d, d.ln[of[0]] - moved, to[0]) + _log_density(d, d.ln[of[1]] - moved, to[1])
    level = d.local
    own = (d.ln[of[0]] - level[to[0]] + d.ln[of[1]] - level[to[1]]) / 2
    free = _log_density(d, d.ln[of[0]] - own, to[0]) + _log_density(d, d.ln[of[1]] - own, to[1])
    free = free - 0.5 * (own / MOVED_SD_LOG) ** 2
    return np.where(told, fixed, np.maximum(fixed, np.nan_to_num(free, nan=-np.inf)))


def _known(d: Days) -> Bools:
    return np.isfinite(d.local) & ~d.over & ~d.aside


def _oddness(d: Days) -> Floats:
    """Return (D,) the log density, times its sd, of each value in its own history; 0 where it has none."""
    odd = _log_density(d, d.ln - d.moved, np.arange(d.ln.size)) + np.log(d.sd)
    return np.where(_known(d), odd, 0.0)


def _candidates(d: Days, current: Days) -> tuple[Ints, Ints]:
    """Return the pairs worth trying: both odd, or any two of few wells with an odd one among them."""
    known = np.isfinite(d.local) & ~d.over
    odd = np.minimum(_oddness(d), _oddness(current))
    visits = int(d.visit.max()) + 1 if d.visit.size else 0
    very = np.bincount(d.visit, known & (odd < VERY_ODD), minlength=visits)[d.visit] > 0
    return _pairs_within(np.flatnonzero(known & very & ((odd < ODD) | (d.wells <= FEW_TO_TRY))), d.visit)


def _moved_without(d: Days, one: Ints, two: Ints) -> tuple[Floats, Bools]:
    """Return (P,) the movement of each pair's visit by its other wells, and whether they are enough."""
    shift = d.ln - d.local
    use = np.flatnonzero(np.isfinite(shift) & ~d.over & ~d.aside & np.isin(d.visit, d.visit[one]))
    use = use[np.argsort(d.visit[use], kind="stable")]
    visits, start, count = np.unique(d.visit[use], return_index=True, return_counts=True)
    width = int(count.max()) if count.size else 1
    rows = np.full((visits.size, width), np.inf)
    place = np.full(d.ln.size, -1)
    place[use] = np.arange(use.size) - np.repeat(start, count)
    rows[np.repeat(np.arange(visits.size), count), place[use]] = shift[use]
    if not visits.size:
        return np.zeros(one.size), np.zeros(one.size, dtype=bool)
    at = np.minimum(np.searchsorted(visits, d.visit[one]), visits.size - 1)
    others = np.where((visits[at] == d.visit[one])[:, None], rows[at], np.inf)
    for member in (one, two):
        there = np.flatnonzero(place[member] >= 0)
        others[there, place[member][there]] = np.inf
    others.sort(axis=1)
    n = np.isfinite(others).sum(axis=1)
    pair = np.arange(one.size)
    low, high = np.maximum(n - 1, 0) // 2, np.minimum(n // 2, width - 1)
    middle = np.where(n > 0, (others[pair, low] + others[pair, high]) / 2, 0.0) if one.size else np.empty(0)
    return movement(middle, n), n >= LEAST_WELLS


def _line(d: Days) -> Ints:
    """Return (D,) each day's place among those of its visit, in the order of the electrodes."""
    order = np.argsort(d.visit, kind="stable")
    visit = d.visit[order]
    first = np.r_[True, visit[1:] != visit[:-1]] if visit.size else np.zeros(0, dtype=bool)
    place = np.arange(visit.size)
    out = np.empty(visit.size, dtype=np.int64)
    out[order] = place - np.maximum.accumulate(np.where(first, place, 0))
    return out


def _pairs_within(members: Ints, group: Ints) -> tuple[Ints, Ints]:
    """Return all pairs of members that share a group, each once."""
    members = members[np.argsort(group[members], kind="stable")]
    g = group[members]
    firsts: list[Ints] = []
    seconds: list[Ints] = []
    for lag in range(1, members.size):
        same = g[lag:] == g[:-lag]
        if not same.any():
            break
        firsts.append(members[:-lag][same])
        seconds.append(members[lag:][same])
    if not firsts:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    return np.concatenate(firsts), np.concatenate(seconds)


def swaps_frame(days: pl.DataFrame, d: Days, current: Days) -> pl.DataFrame:
    """Give electrode_id, _day, _swapped_with, _swap_gain of the pairs that look exchanged."""
    of, other, gain = swapped_pairs(d, current)
    pairs = days.select("electrode_id", "_day")[of].with_columns(
        days["electrode_id"].gather(other).alias("_swapped_with"), pl.Series("_swap_gain", gain)
    )
    return pairs.unique(["electrode_id", "_day"], keep="first", maintain_order=True)
