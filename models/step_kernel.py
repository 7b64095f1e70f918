"""The compiled half of the step hazard: what each onset age makes of a history with or without a step.

All is told against the steady hazard of no step by the last reading. With L the age at the last reading, B
the steady hazard that was still to come at an age, A the hazard after the onset by then, and a step between
ages s and u:

    no step     exp(-A(L))
    a step      exp(B(s) - A(s)) - exp(B(u) - A(u))

Onsets after the last reading leave the steady hazard alone.
"""

import math

import numpy as np
from numba import njit

from models.step_hazard import LEAST_ODDS

ROW, SHARE, EXPOSED = 0, 1, 2


@njit(cache=True, nogil=True)
def log_odds_of_step(since, until):  # type: ignore[no-untyped-def]
    """Return the log odds of a step against none by the last reading.

    since, until: hazard to come up to the last reading, from the reading before the step and after it.
    """
    return math.log(max(math.exp(since) - math.exp(until), LEAST_ODDS))


@njit(cache=True, nogil=True)
def onset_rows(age, brk, ahead, after_rate, onset, out):  # type: ignore[no-untyped-def]
    """Fill out (3, T) for a step before reading brk of age (n,), or none (brk < 0), at onsets (T,).

    ROW: log of its odds over those of an onset after the last reading. SHARE: how much of the span in which
    the step came lies after the onset, such that SHARE times what the onset's own hazard would have of the
    hazards of a span wholly after it is the chance that the step is the onset's. EXPOSED: years after the
    onset between the first reading and the step, or the last reading. ahead: (n, 2) steady hazard to come, as
    step_hazard.hazard_ahead has it.
    """
    out[:] = 0.0
    n = age.size
    if n == 0:
        return
    last = age[n - 1]
    if brk < 0:
        for t in range(onset.size):
            out[ROW, t] = -after_rate * max(last - onset[t], 0.0)
            out[EXPOSED, t] = max(last - max(onset[t], age[0]), 0.0)
        return
    until = age[brk]
    since = age[brk - 1] if brk > 0 else 0.0
    steady = log_odds_of_step(ahead[brk, 0], ahead[brk, 1])
    by_age = max(ahead[brk, 0] - ahead[brk, 1], 1e-12)
    own = after_rate * (until - since)
    for t in range(onset.size):
        before = max(since - onset[t], 0.0)
        by = max(until - onset[t], 0.0)
        if by > 0.0:
            out[ROW, t] = (
                log_odds_of_step(ahead[brk, 0] - after_rate * before, ahead[brk, 1] - after_rate * by)
                - steady
            )
            part = (by - before) / max(until - since, 1e-9)
            out[SHARE, t] = part * (own + by_age) / (part * own + by_age)
            if brk > 0:  # it is told of the years in which it can be seen
                seen = max(onset[t], age[0])
                out[EXPOSED, t] = 0.5 * (max(since - seen, 0.0) + max(until - seen, 0.0))


@njit(cache=True, nogil=True)
def site_rows(  # type: ignore[no-untyped-def]
    first, last, reading_start, age, struct_start, breaks, ahead, after_rate, onset, out
):
    """Fill out (K, 3, T) with onset_rows of all structures of electrodes first to last."""
    k0 = struct_start[first]
    for i in range(first, last):
        r0, r1 = reading_start[i], reading_start[i + 1]
        for k in range(struct_start[i], struct_start[i + 1]):
            onset_rows(age[r0:r1], breaks[k], ahead[r0:r1], after_rate, onset, out[k - k0])


@njit(cache=True, nogil=True, fastmath=True)
def add_row(row, places, at, ll):  # type: ignore[no-untyped-def]
    """Add row (T,) to the cells of ll (C, X), all ceilings and growths alike.

    Cells at[b] to at[b + 1] are of the onset places[b]; at: (B+1,).
    """
    for b in range(places.size):
        v = np.float32(row[places[b]])
        if v == 0.0:
            continue
        for c in range(ll.shape[0]):
            for x in range(at[b], at[b + 1]):
                ll[c, x] += v


@njit(cache=True, nogil=True, fastmath=True)
def add_means(rows, places, at, weight, out):  # type: ignore[no-untyped-def]
    """Add to out (2,) the sums of SHARE and EXPOSED (rows (3, T)) under weight (C, X), single precision.

    places, at: as in add_row.
    """
    for b in range(places.size):
        t = places[b]
        if rows[EXPOSED, t] == 0.0 and rows[SHARE, t] == 0.0:
            continue
        w = np.float32(0.0)
        for c in range(weight.shape[0]):
            for x in range(at[b], at[b + 1]):
                w += weight[c, x]
        out[0] += w * rows[SHARE, t]
        out[1] += w * rows[EXPOSED, t]
