"""The compiled search for steps and wild readings: one electrode's structures, grown from the plain one."""

import math

import numpy as np
from numba import njit

from models.history_grid import curve_bends, inverse_spd, whole_grid
from models.site_kernel import (
    LASTING,
    LITTLE,
    ODD,
    ODD_VAR,
    curve_heights,
    end_moments,
    exp_into,
    largest,
    mix_prior,
    structure_loglik,
    structure_readings,
)
from models.step_kernel import ROW, add_row, log_odds_of_step, onset_rows

# a structure e^-4.5 below the best on the coarse grid is not carried on; the plain one always is
_KEEP_WITHIN = 4.5
MOST = 6
# before a structure is weighed on the grid, a normal approximation must put it at most this far below (log)
_SCREEN = 5.5
_RISE = 0.25  # or the reading must stand off its neighbours by so much (log) and as many sds of noise as
_RISE_SDS = 1.5
_DEPTH = 3
# of steps, those that remaking the joint mends: it is not always the joint (common practice, no source)
LOG_MENDED, LOG_NOT_MENDED = math.log(0.8), math.log(0.2)
LOG_ODD = math.log(0.01 / 0.99)  # of a rod unlike its record (common practice, no source)


@njit(cache=True, nogil=True)
def _log_prior(brk, opened, wild, log_step, open_share, wild_share, mending):  # type: ignore[no-untyped-def]
    """Return a structure's log prior, the onset after the last reading; log_step (n,): log odds of a step.

    mending: log share of steps that remaking the joint mended, or not; 0 where it was not remade.
    """
    value = 0.0
    if brk == ODD:
        value += LOG_ODD
    if brk >= 0:
        # a step before the first reading hides in the level, but not from the rod formula
        value += log_step[brk]
        value += math.log(open_share if opened == 1 else 1.0 - open_share) + mending
    for w in range(3):
        if wild[w] >= 0:
            value += math.log(wild_share / (1.0 - wild_share))
    return value


@njit(cache=True, nogil=True)
def _step_odds(age, ahead, after_rate):  # type: ignore[no-untyped-def]
    """Return (n,) log odds of a step before each reading: for the latest onset and for the earliest."""
    n = age.size
    late = np.empty(n)
    early = np.empty(n)
    for j in range(n):
        since = age[j - 1] if j > 0 else 0.0
        late[j] = log_odds_of_step(ahead[j, 0], ahead[j, 1])
        early[j] = log_odds_of_step(
            ahead[j, 0] + after_rate * (age[n - 1] - since),
            ahead[j, 1] + after_rate * (age[n - 1] - age[j]),
        )
    return late, early


@njit(cache=True, nogil=True)
def _evidence(ll, size, nothing, prior, share):  # type: ignore[no-untyped-def]
    """Return the log evidence of a structure on the grid; leave each point's weight in ll, and its top."""
    top = nothing
    for c in range(share.size):
        top = max(top, largest(ll[c, :size]))
    bits = np.empty(size, np.int32)
    like = np.empty(size, np.float32)
    left = 0.0
    for g in range(size, prior.size):
        left += prior[g]
    beyond = left * math.exp(nothing - top)
    total = beyond
    for c in range(share.size):
        exp_into(ll[c, :size], np.float32(top), like, bits)
        for g in range(size):
            w = like[g] * prior[g] * np.float32(share[c])
            ll[c, g] = w
            total += w
    return top + math.log(total), total, beyond


@njit(cache=True, nogil=True)
def _step_gain(q, a, mean, var):  # type: ignore[no-untyped-def]
    """Return what a step of size N(mean, var) adds to a log density with its score q, information a."""
    pulled = q + mean / var
    return 0.5 * (pulled * pulled / (a + 1.0 / var) - mean * mean / var - math.log1p(var * a))


@njit(cache=True, nogil=True)
def _wild_gain(t, p, var):  # type: ignore[no-untyped-def]
    """Return what a further variance var of a reading adds to a log density with score t, information p."""
    return 0.5 * (t * t * var / (1.0 + var * p) - math.log1p(var * p))


@njit(cache=True, nogil=True)
def _screen(  # type: ignore[no-untyped-def]
    index,
    y,
    t,
    inner,
    behind,
    noise,
    jump_mean,
    jump_var,
    wild_var,
    log_step,
    open_share,
    wild_share,
    gain,
):
    """Raise gain (n, 3) to what a step (two kinds) or a wild reading would add, priors included.

    t (m,), inner (m, m): score and information of the readings that index picks, a curve given; behind:
    how far that curve lies behind all curves together, log. log_step: (n,) log odds of a step, for the onset
    that makes it likeliest.
    """
    m = index.size
    none = np.full(3, -1, np.int64)
    q = 0.0
    a = 0.0
    for i in range(m - 1, -1, -1):
        j = index[i]
        q += t[i]
        a += inner[i, i]
        for k in range(i + 1, m):
            a += 2.0 * inner[i, k]
        for kind in range(2):
            # where the curve alone would follow a step, the normal approximation has no information left
            value = _step_gain(q, max(a, 0.0), jump_mean[kind], jump_var[kind]) + behind
            if value > -12.0:
                value += _log_prior(j, kind, none, log_step, open_share, wild_share, 0.0)
            gain[j, kind] = max(gain[j, kind], value)
        value = (
            _wild_gain(t[i], max(inner[i, i], 0.0), wild_var)
            + math.log(wild_share / (1.0 - wild_share))
            + behind
        )
        gain[j, 2] = max(gain[j, 2], value)
        near = 0.0
        count = 0
        far = _RISE + _RISE_SDS * math.sqrt(2.0 * noise[j])
        if i > 0:
            near += y[i - 1]
            count += 1
            rise = y[i] - y[i - 1]
            if i + 1 < m:
                rise = max(rise, y[i + 1] - y[i - 1])
            if rise > far:
                gain[j, 0] = np.inf
                gain[j, 1] = np.inf
        elif y[i] > far:  # a level above the rod formula's may be a step before anyone measured
            gain[j, 0] = np.inf
            gain[j, 1] = np.inf
        if i + 1 < m:
            near += y[i + 1]
            count += 1
        if count > 0 and abs(y[i] - near / count) > far:
            gain[j, 2] = np.inf


@njit(cache=True, nogil=True)
def _search_electrode(  # type: ignore[no-untyped-def]  # compiled: one search
    age,
    resid,
    side,
    noise,
    visit,
    mean,
    cov,
    rod_var,
    jump_mean,
    jump_var,
    wild_var,
    mended,
    ahead,
    after_rate,
    open_share,
    wild_share,
    onset,
    growth,
    ceilings,
    ceiling_sd,
    straight,
    prior,
    share,
    ll,
    breaks,
    ends,
    opened,
    wilds,
    values,
):
    """Fill the kept structures and values, their log evidence with prior; return their count."""
    n = age.size
    none = np.full(3, -1, np.int64)
    late, early = _step_odds(age, ahead, after_rate)
    calm = np.empty((3, onset.size))
    rows = np.empty((3, onset.size))
    onset_rows(age, -1, ahead, after_rate, onset, calm)
    plain = structure_readings(
        age,
        resid,
        side,
        noise,
        visit,
        mean,
        cov,
        rod_var,
        -1,
        LASTING,
        none,
        jump_mean[0],
        jump_var[0],
        wild_var,
    )
    cells = whole_grid(age[n - 1] if n > 0 else -1.0, onset, growth)
    bends = curve_bends(age[side == 0], cells, growth, ceilings[:straight])
    heights = curve_heights(age[side == 0], cells, growth, ceilings, straight)
    size = bends[1].shape[1]
    nothing = structure_loglik(
        age,
        side,
        visit,
        mean,
        cov,
        rod_var,
        -1,
        LASTING,
        jump_mean[0],
        jump_var[0],
        cells,
        growth,
        ceilings,
        ceiling_sd,
        straight,
        resid,
        plain,
        bends,
        heights,
        ll,
    )
    places = np.arange(cells[3].size - 1)
    add_row(calm[ROW], places, cells[3], ll)
    value, total, beyond = _evidence(ll, size, nothing, prior, share)
    gain = np.full((n, 3), -np.inf)
    odd = -np.inf
    index, y, precision, limit = plain[0], plain[1], plain[2], plain[5]
    m = index.size
    if limit >= 0 or m < n:
        gain[:] = np.inf
    else:
        weight, eh, ehh = end_moments(
            age[index],
            y,
            precision,
            ll,
            beyond,
            LITTLE * total,
            cells,
            growth,
            ceilings,
            ceiling_sd,
            straight,
            bends,
            heights,
        )
        eh = eh / weight
        ch = ehh / weight - np.outer(eh, eh)
        t = precision @ (y - eh) if m > 0 else np.zeros(0)
        inner = precision - precision @ ch @ precision if m > 0 else np.zeros((0, 0))
        args = (noise, jump_mean, jump_var, wild_var, early, open_share, wild_share, gain)
        _screen(index, y, t, inner, 0.0, *args)
        flat = precision @ y if m > 0 else np.zeros(0)
        behind = math.log(max(beyond / total, 1e-30))
        _screen(index, y, flat, precision, behind, *args)
        if m > 0:
            odd = _wild_gain(t.sum(), max(inner.sum(), 0.0), ODD_VAR)
            odd = max(odd, _wild_gain(flat.sum(), precision.sum(), ODD_VAR) + behind) + LOG_ODD
    for j in range(n):
        if mended[j] < LASTING:  # the screen knows steps that last
            gain[j, 0] = np.inf
            gain[j, 1] = np.inf
    most = 3 * n * (_DEPTH + 1) * 3 + 4
    found_b = np.full(most, -1, np.int64)
    found_e = np.full(most, LASTING, np.int64)
    found_o = np.zeros(most, np.int64)
    found_w = np.full((most, 3), -1, np.int64)
    found_v = np.full(most, -np.inf)
    expanded = np.zeros(most, np.bool_)
    count = 1
    found_v[0] = value
    if odd > -_SCREEN:
        now = structure_readings(
            age,
            resid,
            side,
            noise,
            visit,
            mean,
            cov,
            rod_var,
            ODD,
            LASTING,
            none,
            jump_mean[0],
            jump_var[0],
            wild_var,
        )
        nothing = structure_loglik(
            age, side, visit, mean, cov, rod_var, ODD, LASTING, jump_mean[0], jump_var[0], cells, growth,
            ceilings, ceiling_sd, straight, resid, now, bends, heights, ll,
        )  # fmt: skip
        add_row(calm[ROW], places, cells[3], ll)
        found_b[1] = ODD
        found_v[1] = _evidence(ll, size, nothing, prior, share)[0] + LOG_ODD
        count = 2
    for _ in range(_DEPTH):
        best = -1
        top = found_v[:count].max()
        for c in range(count):
            if not expanded[c] and found_v[c] > top - 2.0 and (best < 0 or found_v[c] > found_v[best]):
                best = c
        if not expanded[0]:  # whatever is likelier so far, one wild reading of a sound rod must be looked at
            best = 0
        if best < 0:
            break
        expanded[best] = True
        depth = 0
        while depth < 3 and found_w[best, depth] >= 0:
            depth += 1
        grown = False
        for j in range(n):
            for what in range(6):
                if count >= most:
                    break
                if what == 3:  # a rod unlike its record may have wild readings as one with a step may
                    if j > 0 or depth == 0 or found_b[best] != -1 or odd < -_SCREEN:
                        continue
                elif what > 3:  # a step that remaking the joint did not mend
                    if mended[j] == LASTING:
                        continue
                elif gain[j, what] < -_SCREEN:
                    continue
                wild = found_w[best].copy()
                brk = found_b[best]
                end = found_e[best]
                kind = found_o[best]
                if what == 3:
                    brk = ODD
                elif what != 2:
                    since = 0.0
                    level = 0.0
                    if j > 0:
                        since = age[j - 1]
                        level = resid[j - 1]
                    if brk >= 0 or age[j] - since <= 0.02:
                        continue
                    kind = what if what < 2 else what - 4
                    if kind == 1 and resid[j] - level < 1.2:
                        continue
                    brk = j
                    end = mended[j] if what < 2 else LASTING
                else:
                    if depth >= 3 or wild[0] == j or wild[1] == j or wild[2] == j:
                        continue
                    wild[depth] = j
                now = structure_readings(
                    age,
                    resid,
                    side,
                    noise,
                    visit,
                    mean,
                    cov,
                    rod_var,
                    brk,
                    end,
                    wild,
                    jump_mean[kind],
                    jump_var[kind],
                    wild_var,
                )
                nothing = structure_loglik(
                    age,
                    side,
                    visit,
                    mean,
                    cov,
                    rod_var,
                    brk,
                    end,
                    jump_mean[kind],
                    jump_var[kind],
                    cells,
                    growth,
                    ceilings,
                    ceiling_sd,
                    straight,
                    resid,
                    now,
                    bends,
                    heights,
                    ll,
                )
                if brk >= 0 and after_rate > 0.0:
                    onset_rows(age, brk, ahead, after_rate, onset, rows)
                    add_row(rows[ROW], places, cells[3], ll)
                elif brk < 0:
                    add_row(calm[ROW], places, cells[3], ll)
                mending = 0.0
                if brk >= 0 and mended[brk] < LASTING:
                    mending = LOG_MENDED if end < LASTING else LOG_NOT_MENDED
                found_b[count] = brk
                found_e[count] = end
                found_o[count] = kind
                found_w[count] = wild
                found_v[count] = _evidence(ll, size, nothing, prior, share)[0] + _log_prior(
                    brk, kind, wild, late, open_share, wild_share, mending
                )
                if found_v[count] > found_v[best] - 1.0:
                    grown = True
                count += 1
        if not grown:
            break
    order = np.argsort(-found_v[:count])
    breaks[0] = -1
    ends[0] = LASTING
    opened[0] = 0
    wilds[0] = -1
    values[0] = found_v[0]
    kept = 1
    for c in order:
        if kept >= MOST or found_v[c] < found_v[order[0]] - _KEEP_WITHIN:
            break
        double = False
        for k in range(kept):
            same = breaks[k] == found_b[c] and opened[k] == found_o[c] and ends[k] == found_e[c]
            for w in range(3):
                hit = found_w[c, w] < 0
                for x in range(3):
                    if wilds[k, x] == found_w[c, w]:
                        hit = True
                same = same and hit
            same = same and (wilds[k] >= 0).sum() == (found_w[c] >= 0).sum()
            double = double or same
        if double:
            continue
        breaks[kept] = found_b[c]
        ends[kept] = found_e[c]
        opened[kept] = found_o[c]
        wilds[kept] = found_w[c]
        values[kept] = found_v[c]
        kept += 1
    return kept


@njit(cache=True, nogil=True)
def search_site(  # type: ignore[no-untyped-def]
    first,
    last,
    reading_start,
    age,
    resid,
    side,
    noise,
    visit,
    rod_var,
    prior_precision,
    factor_precision,
    factor_eta,
    jump_mean,
    jump_var,
    wild_var,
    mended,
    ahead,
    after_rate,
    open_share,
    wild_share,
    onset,
    growth,
    ceilings,
    ceiling_sd,
    straight,
    node_weight,
    onset_mass,
    growth_mass,
    group,
    share,
    counts,
    breaks,
    ends,
    opened,
    wilds,
    values,
):
    """Search one site's electrodes first..last; fill counts (N,), their structures, their log evidence."""
    D = prior_precision.shape[0]
    precision = prior_precision.copy()
    eta = np.zeros(D)
    ll = np.empty((ceilings.size, onset.size * growth.size), np.float32)
    prior = np.empty(ll.shape[1], np.float32)
    every = np.arange(onset.size)
    all_cells = whole_grid(np.inf, onset, growth)
    for e in range(last - first):
        precision += factor_precision[e]
        eta += factor_eta[e]
    for e in range(last - first):
        i = first + e
        cov, _, good = inverse_spd(precision - factor_precision[e])
        if good:
            mean = cov @ (eta - factor_eta[e])
        else:
            cov, _, _ = inverse_spd(prior_precision)
            mean = np.zeros(D)
        mix_prior(node_weight[i], onset_mass[group[i]], growth_mass[group[i]], every, all_cells, prior)
        r0, r1 = reading_start[i], reading_start[i + 1]
        counts[i] = _search_electrode(
            age[r0:r1],
            resid[r0:r1],
            side[r0:r1],
            noise[r0:r1],
            visit[r0:r1],
            mean,
            cov,
            rod_var[i],
            jump_mean,
            jump_var,
            wild_var,
            mended[r0:r1],
            ahead[r0:r1],
            after_rate,
            open_share,
            wild_share,
            onset,
            growth,
            ceilings,
            ceiling_sd,
            straight,
            prior,
            share[i],
            ll,
            breaks[i],
            ends[i],
            opened[i],
            wilds[i],
            values[i],
        )
