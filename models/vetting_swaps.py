"""Two wells of one visit written on each other's line: what the exchange would gain both histories."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.vetting_history import STEP_LOG, Days, Floats, Ints

# Of two readings of one visit: how much more likely (log) both must become by the exchange. A pair of a visit
# is exchanged once in some 7,000 (8 pairs in 10,000 readings, ten wells a visit; common practice, no source).
SWAP_GAIN = 8.8
# Log density (times its sd) below which a reading is worth exchanging: 1.2 sd off its own level.
AT_HOME = -0.5 * 1.2**2
MOVED_SHARE, MOVED_BETWEEN_SHARE = 0.02, 0.2  # a level that moves for good between two visits; once it did, of a
# value halfway
STRAY_SHARE, STRAY_SD_LOG = 0.02, 0.7  # readings that fit neither


def _log_density(d: Days, here: Floats, at: Ints) -> Floats:
    """Return the log density of values at the places of the days `at`, in those electrodes' histories.

    Near the level between before and after; near either of the two where it moved for good just then; or,
    now and then, far off for no reason.
    """
    before, after, sd = d.before[at], d.after[at], d.sd[at]
    before, after = np.where(np.isnan(before), after, before), np.where(np.isnan(after), before, after)
    share = np.where(np.abs(before - after) < STEP_LOG, 1 - 2 * MOVED_SHARE, MOVED_BETWEEN_SHARE)
    total = STRAY_SHARE / STRAY_SD_LOG * np.exp(-0.5 * ((here - (before + after) / 2) / STRAY_SD_LOG) ** 2)
    for level, weight in (((before + after) / 2, share), (before, (1 - share) / 2), (after, (1 - share) / 2)):
        total = total + (1 - STRAY_SHARE) * weight / sd * np.exp(-0.5 * ((here - level) / sd) ** 2)
    return np.asarray(np.log(total + 1e-300))


def swapped_pairs(d: Days) -> tuple[Ints, Ints, Floats]:
    """Return days (P,), their partners (P,) and the gain in log likelihood of exchanging them.

    All pairs of a visit are tried; a pair is given once each way, and only where each is the other's best.
    """
    here = d.ln - d.moved
    known = np.isfinite(d.local) & ~d.over
    every = np.arange(here.size)
    odd = np.nan_to_num(_log_density(d, here, every) + np.log(d.sd))
    one, two = _pairs_within(np.flatnonzero(known & (odd < AT_HOME)), d.visit)
    total = sum(_log_density(d, here[a], b) - _log_density(d, here[a], a) for a, b in ((one, two), (two, one)))
    good = np.asarray(total) > SWAP_GAIN
    both, other = np.concatenate([one[good], two[good]]), np.concatenate([two[good], one[good]])
    value = np.tile(np.asarray(total)[good], 2)
    best = np.full(here.size, -np.inf)
    np.maximum.at(best, both, value)
    mutual = (value == best[both]) & (value == best[other])
    return both[mutual], other[mutual], value[mutual]


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


def swaps_frame(days: pl.DataFrame, d: Days) -> pl.DataFrame:
    """Give electrode_id, _day, _swapped_with, _swap_gain of the pairs that look exchanged."""
    of, other, gain = swapped_pairs(d)
    pairs = days.select("electrode_id", "_day")[of].with_columns(
        days["electrode_id"].gather(other).alias("_swapped_with"), pl.Series("_swap_gain", gain)
    )
    return pairs.unique(["electrode_id", "_day"], keep="first", maintain_order=True)
