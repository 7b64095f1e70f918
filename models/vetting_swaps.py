"""Two wells of one visit written on each other's line: what the exchange would gain both histories."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.vetting_history import Days, Floats, Ints

# Of two readings of one visit: how much more likely (log) both must become by the exchange. A pair of a visit
# is exchanged once in some 7,000 (8 pairs in 10,000 readings, ten wells a visit; common practice, no source).
SWAP_GAIN = 8.8
CANDIDATE_SD = 1.5  # a reading nearer than this to its own level is not worth exchanging
STRAY_SHARE, STRAY_SD_LOG = 0.02, 0.7  # readings that fit neither


def _log_density(off: Floats, sd: Floats) -> Floats:
    """Return the log density of standing so far off a level, now and then far off for no reason."""
    near = (1 - STRAY_SHARE) / sd * np.exp(-0.5 * (off / sd) ** 2)
    stray = STRAY_SHARE / STRAY_SD_LOG * np.exp(-0.5 * (off / STRAY_SD_LOG) ** 2)
    return np.log(near + stray + 1e-300)


def swapped_pairs(d: Days) -> tuple[Ints, Ints, Floats]:
    """Return days (P,), their partners (P,) and the gain in log likelihood of exchanging them.

    All pairs of a visit are tried; a pair is given once each way, and only where each is the other's best.
    """
    far = np.flatnonzero((np.abs(np.nan_to_num(d.off)) > CANDIDATE_SD * d.sd) & ~d.over)
    one, two = _pairs_within(far, d.visit)
    here = d.ln - d.moved
    local = d.local

    def gain(a: Ints, b: Ints) -> Floats:
        return _log_density(here[a] - local[b], d.sd[b]) - _log_density(here[a] - local[a], d.sd[a])

    total = gain(one, two) + gain(two, one)
    good = total > SWAP_GAIN
    both = np.concatenate([one[good], two[good]])
    other = np.concatenate([two[good], one[good]])
    value = np.concatenate([total[good], total[good]])
    best = np.full(d.ln.size, -np.inf)
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
