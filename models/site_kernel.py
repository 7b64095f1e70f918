"""The compiled half of the site pass: one site's electrodes, its shared field, and the curve grid.

The field of a site is z = (b, v_1 .. v_T): the offset of the whole site and one effect for each visit. Given
z the electrodes are independent; given an electrode's curve everything is Gaussian. Each electrode's evidence
about z is held as a Gaussian factor matched in mean and covariance (expectation propagation, Minka 2001), so
that the electrode is weighed against what the *others* say about the field, spread included, never against a
point.
"""

import math

import numpy as np
from numba import njit
from scipy.special import ndtr

from models.accelerating_kernel import (
    accelerating_heights,
    accelerating_loglik,
    accelerating_moments,
    add_accelerating_reaching,
)
from models.history_grid import (
    PLACE,
    curve_bends,
    curve_loglik,
    inverse_spd,
    log_normal_cdf,
    prefix_sums,
    running,
)
from models.step_kernel import ROW, add_means, add_row

_STEPS = 64  # of the table of Phi from -4 to 4, in one; straight lines between are off by 1e-5 at most
_PHI = ndtr(np.arange(-4.0, 4.0 + 1.5 / _STEPS, 1.0 / _STEPS))
_HARDLY_LIKELY = 1e-7  # likelihood over its largest below which a point reaches nothing
_LEAST_PRIOR = np.float32(1e-18)  # of a curve
_A_CELL = 1e-7  # share of all mass below which a cell is not worth weighing on a finer grid
LITTLE = 1e-5  # share of an explanation's weight below which an onset is left out of its moments
_HARDLY = 1e-3  # share of all weight below which an explanation is left out of the moments
_WILD_LIMIT = math.log(0.005)  # a wild reading on a sound rod hardly ever lands beyond the range


_NEXT = PLACE(1)
ODD = -2  # in place of a step's position: no step, but a rod unlike what is on record of it, from the start
LASTING = 1 << 30  # in place of the reading before which a step was mended: it never was
ODD_VAR = 0.8**2  # of its log resistance beside the rod term (common practice, no source)


@njit(cache=True, nogil=True)
def own_rod_var(rod_var, brk):  # type: ignore[no-untyped-def]
    """Return the variance of the rod's own term under a structure."""
    return rod_var + (ODD_VAR if brk == ODD else 0.0)


@njit(cache=True, nogil=True)
def _covariance(visit, cov, rod_var, noise, index):  # type: ignore[no-untyped-def]
    """Return the covariance (m, m) of the readings picked by index, under the field's covariance cov."""
    m = index.size
    out = np.empty((m, m))
    for i in range(m):
        vi = visit[index[i]] + 1
        for j in range(i + 1):
            vj = visit[index[j]] + 1
            s = rod_var + cov[0, 0]
            if vi > 0:
                s += cov[0, vi]
            if vj > 0:
                s += cov[0, vj]
            if vi > 0 and vj > 0:
                s += cov[vi, vj]
            if i == j:
                s += noise[index[i]]
            out[i, j] = s
            out[j, i] = s
    return out


@njit(cache=True, nogil=True)
def _field_link(visit, cov, index):  # type: ignore[no-untyped-def]
    """Return (D, m): covariance of the field with each picked reading."""
    D = cov.shape[0]
    m = index.size
    out = np.empty((D, m))
    for j in range(m):
        vj = visit[index[j]] + 1
        for d in range(D):
            out[d, j] = cov[d, 0] + (cov[d, vj] if vj > 0 else 0.0)
    return out


@njit(cache=True, nogil=True)
def structure_readings(  # type: ignore[no-untyped-def]
    age, resid, side, noise, visit, mean, cov, rod_var, brk, ends, wild, jump_mean, jump_var, wild_var
):
    """Return what a structure makes of the readings.

    A structure says which readings are wild (wild: up to three positions, -1 for none) and before which
    reading a sudden step came (brk: position, -1 for none) and before which it was mended (ends: position,
    LASTING where never). index (m,) picks the readings in range, y their residuals, step (m,) which of them
    lie between the step and its mending; limit is the position of the first sound reading out of range, or
    -1. Returns (index, y, precision, log determinant, step, limit, offset, noise (n,)).
    """
    n = age.size
    count = 0
    limit = -1
    index = np.empty(n, np.int64)
    offset = 0.0
    for j in range(n):
        is_wild = wild[0] == j or wild[1] == j or wild[2] == j
        if side[j] == 0:
            index[count] = j
            count += 1
        elif is_wild:
            offset += _WILD_LIMIT
        elif limit < 0:
            limit = j
    index = index[:count]
    y = np.empty(count)
    step = np.zeros(count)
    own_noise = noise.copy()
    for w in range(3):
        if wild[w] >= 0:
            own_noise[wild[w]] += wild_var
    for i in range(count):
        j = index[i]
        y[i] = resid[j] - mean[0] - (mean[visit[j] + 1] if visit[j] >= 0 else 0.0)
        if brk >= 0 and brk <= j < ends:
            step[i] = 1.0
            y[i] -= jump_mean
    s = _covariance(visit, cov, own_rod_var(rod_var, brk), own_noise, index)
    for i in range(count):
        for j in range(count):
            s[i, j] += jump_var * step[i] * step[j]
    precision, logdet, _ = inverse_spd(s)
    return index, y, precision, logdet, step, limit, offset, own_noise


# exp in single precision, laid out so that the compiler makes vector code of it; to 4e-6 relative
_LOG2E = np.float32(1.4426950408889634)
_P1, _P2, _P3 = (
    np.float32(0.6931471805599453),
    np.float32(0.2402265069591007),
    np.float32(0.05550410866482158),
)
_P4, _P5, _P6 = (
    np.float32(0.009618129107628477),
    np.float32(0.0013333558146428443),
    np.float32(0.00015403530393381608),
)
# Nothing below it: with a least prior and share its products are still normal numbers, as subnormal ones take
# a processor a hundred times as long.
_LOWEST = np.float32(-36.0)
_ONE, _UP = np.float32(1.0), np.float32(200.5)


@njit(cache=True, nogil=True, fastmath=True)
def exp_into(x, top, out, bits):  # type: ignore[no-untyped-def]
    """Fill out with exp(x - top), 0 below exp(-36); all single precision, bits (n,) int32 is scratch."""
    for i in range(x.size):
        v = x[i] - top
        low = v < _LOWEST
        v = _LOWEST if low else v
        z = v * _LOG2E
        k = np.int32(z + _UP) - np.int32(200)
        f = z - np.float32(k)
        out[i] = _ONE + f * (_P1 + f * (_P2 + f * (_P3 + f * (_P4 + f * (_P5 + f * _P6)))))
        bits[i] = np.int32(0) if low else (k + np.int32(127)) << np.int32(23)
    scale = bits.view(np.float32)
    for i in range(x.size):
        out[i] *= scale[i]


@njit(cache=True, nogil=True, fastmath=True)
def largest(x):  # type: ignore[no-untyped-def]
    """Return the largest of x, or -inf where there is none."""
    top = np.float32(-np.inf)
    for i in range(x.size):
        top = max(top, x[i])
    return top


@njit(cache=True, nogil=True, fastmath=True)
def _weighed_sum(like, prior, share, out, total):  # type: ignore[no-untyped-def]
    """Fill out with like * prior * share, add like * share to total; return the sum of out."""
    s = np.float32(0.0)
    for g in range(like.size):
        v = like[g] * share
        total[g] += v
        v *= prior[g]
        out[g] = v
        s += v
    return s


@njit(cache=True, nogil=True, fastmath=True)
def add_into(x, out):  # type: ignore[no-untyped-def]
    """Add x to out in place."""
    for i in range(x.size):
        out[i] += x[i]


@njit(cache=True, nogil=True, fastmath=True)
def _times(x, factor):  # type: ignore[no-untyped-def]
    for i in range(x.size):
        x[i] *= factor


@njit(cache=True, nogil=True, fastmath=True)
def sum_of(x):  # type: ignore[no-untyped-def]
    """Return the sum of x, in single precision."""
    s = np.float32(0.0)
    for i in range(x.size):
        s += x[i]
    return s


@njit(cache=True, nogil=True)
def curve_heights(age, cells, growth, ceilings, straight):  # type: ignore[no-untyped-def]
    """Return accelerating_heights; nothing where all ends are of the onset family."""
    if straight == ceilings.size:
        return np.zeros((0, 0))
    return accelerating_heights(age, cells, growth, ceilings[straight:])


@njit(cache=True, nogil=True)
def structure_loglik(  # type: ignore[no-untyped-def]
    age,
    side,
    visit,
    mean,
    cov,
    rod_var,
    brk,
    ends,
    jump_mean,
    jump_var,
    cells,
    growth,
    ceilings,
    ceiling_sd,
    straight,
    resid,
    laid_out,
    bends,
    heights,
    out,
):
    """Fill out (A, X) with the log-likelihood of each curve under one structure, the field's cavity given.

    straight: the first so many ends are of the onset family, the rest accelerating. laid_out: what
    structure_readings made of the readings; bends: curve_bends of those in range, of the onset family's ends;
    heights: curve_heights of them, of the others. Returns the value at each onset after the last reading.
    """
    index, y, precision, logdet, step, limit, offset, own_noise = laid_out
    count = index.size
    limit_side = 0
    gap = 0.0
    link = np.zeros(count)
    sd = 1.0
    limit_age = 0.0
    if limit >= 0:
        limit_side = side[limit]
        limit_age = age[limit]
        gap = resid[limit] - mean[0] - (mean[visit[limit] + 1] if visit[limit] >= 0 else 0.0)
        stepped = brk >= 0 and brk <= limit < ends
        if stepped:
            gap -= jump_mean
        both = np.empty(count + 1, np.int64)
        both[:count] = index
        both[count] = limit
        full = _covariance(visit, cov, own_rod_var(rod_var, brk), own_noise, both)
        for i in range(count):
            link[i] = full[i, count] + (jump_var * step[i] if stepped else 0.0)
        own = full[count, count] + (jump_var if stepped else 0.0)
        sd = math.sqrt(max(own - np.dot(link, precision @ link), 1e-8))
    after = step
    if brk < 0:
        after = step[:0]
    nothing = 0.0
    if straight > 0:
        nothing = curve_loglik(
            age[index],
            y,
            precision,
            logdet,
            cells,
            growth,
            ceilings[:straight],
            ceiling_sd[:straight],
            bends,
            out[:straight],
            limit_side,
            limit_age,
            gap,
            link,
            sd,
            after,
            jump_mean,
            jump_var,
        )
    if straight < ceilings.size:
        nothing = accelerating_loglik(
            age[index],
            y,
            precision,
            logdet,
            cells,
            growth,
            ceilings[straight:],
            ceiling_sd[straight:],
            out[straight:],
            limit_side,
            limit_age,
            gap,
            link,
            sd,
            after,
            jump_mean,
            jump_var,
            heights,
        )
    if offset != 0.0:
        for c in range(out.shape[0]):
            for g in range(bends[1].shape[1]):
                out[c, g] += offset
        nothing += offset
    return nothing


@njit(cache=True, nogil=True)
def curve_moments(  # type: ignore[no-untyped-def]
    a, y, precision, weight, flat_weight, least, cells, growth, ceilings, ceiling_sd, bends
):
    """Return total weight, weighted sums of h (m,) and of h h' (m, m) over the grid.

    weight: (C, X) of the cells, and maybe more; flat_weight is that of all curves that have not begun by the
    last reading. An onset whose points weigh less than least together is left out of the moments. Where
    readings lie on the ceiling, the stub's own deviation from it is taken at its mean and spread given them.

    Between bends h is linear in age and in growth. So each run of points that bend between the same readings
    (the curve begins before reading b, comes to its ceiling before reading k) needs a few sums only; the
    moments of reading i and j are sums of those over all b <= i and k > j.
    """
    m = a.size
    C = ceilings.size
    onset, low, _, place = cells
    begun, tops = bends
    ones = np.ones(m)
    t0 = prefix_sums(precision, ones, ones)
    t1 = prefix_sums(precision, a, ones)
    q0 = running(precision @ y if m > 0 else np.zeros(0))
    firm = np.empty((C, m + 1))
    level = np.empty((C, m + 1))
    for c in range(C):
        for k in range(m + 1):
            flat = t0[m, m] - t0[k, m] - t0[m, k] + t0[k, k]
            firm[c, k] = 1.0 / (flat + 1.0 / (ceiling_sd[c] * ceiling_sd[c]))
            level[c, k] = ceilings[c] + (q0[m] - q0[k] - ceilings[c] * flat) * firm[c, k]
    # by (b, k): growth, growth * onset; the same of squared growth; of growth times the top; rows are sums
    sums = np.zeros((m + 1, m + 1, 7))
    top_mean = np.zeros(m + 1)
    top_square = np.zeros(m + 1)
    cross = np.zeros(m + 1)
    row_sums = np.zeros((3, m + 1))
    M = PLACE(m)
    total = flat_weight
    for t in range(begun.size):
        start, end = place[t], place[t + 1]
        shift = PLACE(low[t] - start)
        mass = 0.0
        for c in range(C):
            mass += sum_of(weight[c, start:end])
        total += mass
        if mass < least:
            continue
        tau = onset[t]
        b = PLACE(begun[t])
        for k in range(b, M):
            c0 = t0[k, M] - t0[b, M] - t0[k, k] + t0[b, k]
            cross[k] = t1[k, M] - t1[b, M] - t1[k, k] + t1[b, k] - tau * c0
        last = PLACE(end)
        for c in range(C):
            x = PLACE(start)
            while x < last:
                k = tops[c, x]
                w0 = 0.0
                w1 = 0.0
                w2 = 0.0
                other = x + _NEXT
                while other < last and tops[c, other] == k:
                    other += _NEXT
                for z in range(x, other):
                    v = np.float64(weight[c, z])
                    g = growth[z + shift]
                    w0 += v
                    v *= g
                    w1 += v
                    w2 += v * g
                x = other
                row_sums[0, k] += w1
                row_sums[1, k] += w2
                if k < m and w0 > 0.0:
                    lean = -cross[k] * firm[c, k]
                    mean = level[c, k] * w0 + lean * w1
                    mixed = level[c, k] * w1 + lean * w2
                    row_sums[2, k] += mixed
                    top_mean[k] += mean
                    top_square[k] += level[c, k] * mean + lean * mixed + w0 * firm[c, k]
        for k in range(b, M + _NEXT):
            w1 = row_sums[0, k]
            w2 = row_sums[1, k]
            w3 = row_sums[2, k]
            sums[b, k, 0] += w1
            sums[b, k, 1] += tau * w1
            sums[b, k, 2] += w2
            sums[b, k, 3] += tau * w2
            sums[b, k, 4] += tau * tau * w2
            sums[b, k, 5] += w3
            sums[b, k, 6] += tau * w3
            row_sums[0, k] = 0.0
            row_sums[1, k] = 0.0
            row_sums[2, k] = 0.0
    for i in range(1, m + 1):
        for j in range(m + 1):
            for which in range(7):
                sums[i, j, which] += sums[i - 1, j, which]
    for i in range(m + 1):
        for j in range(m - 1, -1, -1):
            for which in range(7):
                sums[i, j, which] += sums[i, j + 1, which]
    first = np.zeros(m)
    second = np.empty((m, m))
    top0 = 0.0
    top2 = 0.0
    for i in range(m):
        top0 += top_mean[i]
        top2 += top_square[i]
        first[i] = a[i] * sums[i, i + 1, 0] - sums[i, i + 1, 1] + top0
        for j in range(i, m):
            both = a[i] * a[j] * sums[i, j + 1, 2] - (a[i] + a[j]) * sums[i, j + 1, 3] + sums[i, j + 1, 4]
            one = a[i] * (sums[i, i + 1, 5] - sums[i, j + 1, 5]) - (sums[i, i + 1, 6] - sums[i, j + 1, 6])
            v = both + one + top2
            second[i, j] = v
            second[j, i] = v
    return total, first, second


@njit(cache=True, nogil=True)
def end_moments(  # type: ignore[no-untyped-def]
    a, y, precision, weight, flat_weight, least, cells, growth, ceilings, ceiling_sd, straight, bends, heights
):
    """Return what curve_moments returns, of ends of which the first `straight` are of the onset family."""
    if straight == 0:
        return accelerating_moments(
            a, y, precision, weight, flat_weight, least, cells, growth, ceilings, ceiling_sd, heights
        )
    total, first, second = curve_moments(
        a, y, precision, weight[:straight], flat_weight, least, cells, growth, ceilings[:straight],
        ceiling_sd[:straight], bends,
    )  # fmt: skip
    if straight < ceilings.size:
        more, first_more, second_more = accelerating_moments(
            a, y, precision, weight[straight:], 0.0, least, cells, growth, ceilings[straight:],
            ceiling_sd[straight:], heights,
        )  # fmt: skip
        total += more
        first += first_more
        second += second_more
    return total, first, second


@njit(cache=True, nogil=True, fastmath=True)
def mix_prior(weight, onset_mass, growth_mass, rows, cells, out):  # type: ignore[no-untyped-def]
    """Fill out (X,) with the prior mass of the cells, site nodes mixed by weight (K,).

    rows: (B,) places of the cells' onsets in the prior.
    """
    _, low, high, at = cells
    K, R = growth_mass.shape
    row = np.empty(R, np.float32)
    for t in range(rows.size):
        row[:] = _LEAST_PRIOR
        for k in range(K):
            if weight[k] < 1e-6:
                continue
            p = np.float32(weight[k]) * onset_mass[k, rows[t]]
            for r in range(R):
                row[r] += p * growth_mass[k, r]
        shift = at[t] - low[t]
        for r in range(low[t], high[t]):
            out[r + shift] = row[r]


@njit(cache=True, nogil=True)
def likely_cells(like, node_weight, onset_mass, growth_mass, group, low, high):  # type: ignore[no-untyped-def]
    """Fill low, high (N, T): from and before which growth rate cells have mass, or have neighbours with mass.

    like: (N, T*R). An onset between, or beside, onsets with mass has their rates too.
    """
    N, T = low.shape
    R = growth_mass.shape[2]
    prior = np.empty(T * R, np.float32)
    every = np.arange(T)
    cells = (np.zeros(T), np.zeros(T, np.int64), np.full(T, R), R * np.arange(T + 1))
    first = np.empty(T + 2, np.int64)
    last = np.empty(T + 2, np.int64)
    for i in range(N):
        mix_prior(node_weight[i], onset_mass[group[i]], growth_mass[group[i]], every, cells, prior)
        total = 0.0
        for x in range(T * R):
            prior[x] *= like[i, x]
            total += prior[x]
        floor = _A_CELL * total
        first[:] = R
        last[:] = 0
        for t in range(T):
            for r in range(R):
                if prior[t * R + r] > floor:
                    first[t + 1] = min(first[t + 1], max(r - 1, 0))
                    last[t + 1] = max(last[t + 1], min(r + 2, R))
        for t in range(T):
            low[i, t] = min(first[t], first[t + 1], first[t + 2])
            high[i, t] = max(last[t], last[t + 1], last[t + 2])


@njit(cache=True, nogil=True)
def later_prior(weight, onset_mass, first):  # type: ignore[no-untyped-def]
    """Return the prior mass of the onsets from the first-th on, site nodes mixed by weight (K,)."""
    total = 0.0
    for k in range(onset_mass.shape[0]):
        if weight[k] >= 1e-6:
            total += weight[k] * sum_of(onset_mass[k, first:])
    return max(total, 1e-30)


@njit(cache=True, nogil=True)
def _add_reaching(  # type: ignore[no-untyped-def]
    t0, t1, q0, like, share, threshold, cells, growth, c, ceiling, ceiling_sd, bends, out
):
    """Add to out (X,) the part of like (X,) whose ceiling lies above the threshold, as its readings tell it.

    t0, t1, q0: sums of the precision, weighted by age, and of precision times readings. c: the ceiling's
    place in bends.
    """
    m = q0.size - 1
    onset, low, _, at = cells
    begun, tops = bends
    a_priori = np.float32(share * math.exp(log_normal_cdf((ceiling - threshold) / ceiling_sd)))
    height = np.empty(m + 1)
    firm = np.empty(m + 1)
    lean = np.empty(m + 1)
    for k in range(m + 1):
        flat = t0[m, m] - t0[k, m] - t0[m, k] + t0[k, k]
        firm[k] = 1.0 / (flat + 1.0 / (ceiling_sd * ceiling_sd))
        height[k] = (ceiling + (q0[m] - q0[k] - ceiling * flat) * firm[k] - threshold) / math.sqrt(firm[k])
    for t in range(begun.size):
        start, end = at[t], at[t + 1]
        if tops[c, end - 1] == m or largest(like[start:end]) < _HARDLY_LIKELY:
            for x in range(start, end):
                out[x] += a_priori * like[x]
            continue
        b = begun[t]
        tau = onset[t]
        for k in range(b, m):
            c0 = t0[k, m] - t0[b, m] - t0[k, k] + t0[b, k]
            lean[k] = (t1[k, m] - t1[b, m] - t1[k, k] + t1[b, k] - tau * c0) * math.sqrt(firm[k])
        for x in range(start, end):
            v = like[x]
            k = tops[c, x]
            if k == m or v < _HARDLY_LIKELY:
                out[x] += a_priori * v
                continue
            z = height[k] - growth[x - start + low[t]] * lean[k]
            if z > 4.0:
                out[x] += share * v
            elif z > -4.0:
                z = (z + 4.0) * _STEPS
                i = int(z)
                out[x] += share * v * (_PHI[i] + (z - i) * (_PHI[i + 1] - _PHI[i]))


@njit(cache=True, nogil=True)
def _cells_of(low, high, onset, last_age):  # type: ignore[no-untyped-def]
    """Return the cells (see curve_bends) from low (T,) to high (T,) growth rates of onsets before last_age.

    Beside them the places (B,) of their onsets, and the count of all onsets before last_age.
    """
    begun = 0
    while onset.size > begun and onset[begun] < last_age:
        begun += 1
    rows = np.flatnonzero(high[:begun] > low[:begun])
    at = np.zeros(rows.size + 1, np.int64)
    for t in range(rows.size):
        at[t + 1] = at[t] + high[rows[t]] - low[rows[t]]
    return (onset[rows], low[rows], high[rows], at), rows, begun


@njit(cache=True, nogil=True)
def _spread_cells(x, rows, cells, R, out):  # type: ignore[no-untyped-def]
    """Put what stands at the cells, x (X,), at its place in out (T*R,), 0 elsewhere."""
    _, low, _, at = cells
    done = 0
    for t in range(rows.size):
        shift = rows[t] * R + low[t] - at[t]
        out[done : at[t] + shift] = 0.0
        for i in range(at[t], at[t + 1]):
            out[i + shift] = x[i]
        done = at[t + 1] + shift
    out[done:] = 0.0


@njit(cache=True, nogil=True)
def electrode_pass(  # type: ignore[no-untyped-def]
    age,
    resid,
    side,
    meter_var,
    noise_var,
    visit,
    rod_var,
    mean,
    cov,
    breaks,
    ends,
    opened,
    wilds,
    struct_logprior,
    struct_rows,
    jump_mean,
    jump_var,
    wild_var,
    scale,
    scale_logw,
    node_weight,
    onset_mass,
    growth_mass,
    low,
    high,
    share,
    onset,
    growth,
    ceilings,
    ceiling_sd,
    straight,
    ll,
    out_like,
    out_whole,
    out_stepped,
    out_reaching,
    log_threshold,
    ceiling_w,
    struct_w,
    struct_jump,
    struct_jump_var,
    struct_onset,
    scale_w,
    noise_score,
    noise_sq,
    wild_p,
):
    """Weigh one electrode's structures, noise scales and curves given the cavity (mean, cov) of the field.

    node_weight: (K,) of the site nodes, onset_mass (K, T) and growth_mass (K, R) the prior at each. low,
    high: (T,) from and before which growth rate curves are weighed; those that begin after the last reading
    always are. share: (A,) of the ends, of which the first `straight` are of the onset family. ll: (J, A,
    T*R) scratch, J at least structures times scales. struct_rows (K, 3, T): step_kernel.onset_rows; unless
    ends are apart, struct_onset (K, 2) gets the weighted sums of its SHARE and EXPOSED. Fills out_like (T*R,)
    with the likelihood of each curve, its end mixed by share, summed over structures and scales. Where they
    have a size, out_whole and out_stepped (A*T*R,) get that of the structures without and with a step that
    still stands, each end apart, and out_reaching (families*T*R,) of the former the part whose ceiling lies
    above log_threshold, ceilings mixed, families apart. All are over their largest, out_stepped over that of
    all. Fills ceiling_w (A,). Returns the tilted mean and covariance of the field, the evidence, the
    posterior mean and variance of the baseline (rod + site offset), the second moment of the rod's own term,
    and the logs of what out_like and out_whole are over.
    """
    K, F, n = breaks.size, scale.size, age.size
    C, R, TR = ceilings.size, growth.size, onset.size * growth.size
    families = out_reaching.size // TR
    per = C // max(families, 1)  # ends of a family
    D = mean.size
    last_age = age[n - 1] if n > 0 else 0.0
    cells, rows, begun = _cells_of(low, high, onset, last_age)
    size = cells[3][rows.size]
    prior = np.empty(size, np.float32)
    mix_prior(node_weight, onset_mass, growth_mass, rows, cells, prior)
    prior_left = later_prior(node_weight, onset_mass, begun)
    bends = curve_bends(age[side == 0], cells, growth, ceilings[:straight])
    heights = curve_heights(age[side == 0], cells, growth, ceilings, straight)
    noise = np.empty(n)
    nothing = np.empty(K * F)
    laid_out = [
        structure_readings(
            age, resid, side, noise_var, visit, mean, cov, rod_var, -1, LASTING, wilds[0], 0.0, 1.0, wild_var
        )
        for _ in range(0)
    ]
    for k in range(K):
        for f in range(F):
            for j in range(n):
                noise[j] = noise_var[j] * scale[f] ** 2 + meter_var[j]
            now = structure_readings(
                age,
                resid,
                side,
                noise,
                visit,
                mean,
                cov,
                rod_var,
                breaks[k],
                ends[k],
                wilds[k],
                jump_mean[opened[k]],
                jump_var[opened[k]],
                wild_var,
            )
            laid_out.append(now)
            nothing[k * F + f] = structure_loglik(
                age,
                side,
                visit,
                mean,
                cov,
                rod_var,
                breaks[k],
                ends[k],
                jump_mean[opened[k]],
                jump_var[opened[k]],
                cells,
                growth,
                ceilings,
                ceiling_sd,
                straight,
                resid,
                now,
                bends,
                heights,
                ll[k * F + f],
            )
            add_row(struct_rows[k, ROW], rows, cells[3], ll[k * F + f])
    top = -np.inf
    whole_top = -np.inf
    offset = np.empty(K * F)
    for j in range(K * F):
        offset[j] = struct_logprior[j // F] + scale_logw[j % F]
        best = nothing[j]
        for c in range(C):
            best = max(best, largest(ll[j, c, :size]))
        top = max(top, best + offset[j])
        if breaks[j // F] < 0 or ends[j // F] < LASTING:
            whole_top = max(whole_top, best + offset[j])
    like = np.empty(size, np.float32)
    bits = np.empty(size, np.int32)
    apart = out_whole.size > 0
    stepped = out_stepped.size > 0
    weight = np.zeros(K * F)
    later = np.zeros(K * F)
    evidence = 0.0
    ceiling_w[:] = 0.0
    mixed = np.zeros(size, np.float32)
    step_by_end = np.zeros((C if stepped else 0, size), np.float32)
    whole_by_end = np.zeros((C if apart else 0, size), np.float32)
    reaching = np.zeros((families, size), np.float32)
    all_later = 0.0
    whole_later = 0.0
    step_later = 0.0
    struct_onset[:] = 0.0
    below = np.float32(math.exp(whole_top - top))
    for j in range(K * F):
        plain = breaks[j // F] < 0 or ends[j // F] < LASTING  # no step that still stands
        beyond = math.exp(nothing[j] + offset[j] - top)
        all_later += beyond
        later[j] = beyond * prior_left
        weight[j] = later[j]
        table0 = np.zeros((0, 0))
        table1 = table0
        sum0 = np.zeros(0)
        if apart and plain:
            whole_later += math.exp(nothing[j] + offset[j] - whole_top)
            index, y, precision = laid_out[j][0], laid_out[j][1], laid_out[j][2]
            read = age[index]
            ones = np.ones(read.size)
            table0 = prefix_sums(precision, ones, ones)
            table1 = prefix_sums(precision, read, ones)
            sum0 = running(precision @ y if read.size > 0 else np.zeros(0))
        if not plain:
            step_later += beyond
        for c in range(C):
            if plain:
                exp_into(ll[j, c, :size], np.float32(whole_top - offset[j]), like, bits)
                if apart:
                    add_into(like, whole_by_end[c])
                    if c < straight:
                        _add_reaching(
                            table0,
                            table1,
                            sum0,
                            like,
                            share[c],
                            log_threshold,
                            cells,
                            growth,
                            c,
                            ceilings[c],
                            ceiling_sd[c],
                            bends,
                            reaching[c // per],
                        )
                    else:
                        add_accelerating_reaching(
                            age[laid_out[j][0]],
                            laid_out[j][1],
                            laid_out[j][2],
                            like,
                            share[c],
                            log_threshold,
                            cells,
                            growth,
                            ceilings[c],
                            ceiling_sd[c],
                            heights,
                            reaching[c // per],
                        )
                if below < 1.0:
                    _times(like, below)
            else:
                exp_into(ll[j, c, :size], np.float32(top - offset[j]), like, bits)
                if stepped:
                    add_into(like, step_by_end[c])
            mine = _weighed_sum(like, prior, share[c], ll[j, c, :size], mixed)
            weight[j] += mine
            ceiling_w[c] += mine + later[j] * share[c]
        if not apart:
            add_means(struct_rows[j // F], rows, cells[3], ll[j], struct_onset[j // F])
        evidence += weight[j]
    _spread_cells(mixed, rows, cells, R, out_like)
    out_like[begun * R :] = all_later
    for f in range(families):
        _spread_cells(reaching[f], rows, cells, R, out_reaching[f * TR : (f + 1) * TR])
        out_reaching[f * TR + begun * R : (f + 1) * TR] = 0.0
    for c in range(whole_by_end.shape[0]):
        above = math.exp(log_normal_cdf((ceilings[c] - log_threshold) / ceiling_sd[c]))
        _spread_cells(whole_by_end[c], rows, cells, R, out_whole[c * TR : (c + 1) * TR])
        out_whole[c * TR + begun * R : (c + 1) * TR] = whole_later
        f = c // per
        out_reaching[f * TR + begun * R : (f + 1) * TR] += np.float32(whole_later * share[c] * above)
    for c in range(step_by_end.shape[0]):
        _spread_cells(step_by_end[c], rows, cells, R, out_stepped[c * TR : (c + 1) * TR])
        out_stepped[c * TR + begun * R : (c + 1) * TR] = step_later
    ceiling_w /= ceiling_w.sum()
    struct_onset /= evidence
    tilted_mean = np.zeros(D)
    tilted_sq = np.zeros((D, D))
    base_m = 0.0
    base_s = 0.0
    rod_sq = 0.0
    used = 0.0
    struct_w[:] = 0.0
    struct_jump[:] = 0.0
    struct_jump_var[:] = 0.0
    scale_w[:] = 0.0
    noise_score[:] = 0.0
    noise_sq[:] = 0.0
    wild_p[:] = 0.0
    for k in range(K):
        for f in range(F):
            c = k * F + f
            part = weight[c] / evidence
            if part < _HARDLY:
                struct_w[k] += part
                scale_w[f] += part
                continue
            for j in range(n):
                noise[j] = noise_var[j] * scale[f] ** 2 + meter_var[j]
            index, y, precision, _, step, _, _, _ = laid_out[c]
            total, first, second = end_moments(
                age[index],
                y,
                precision,
                ll[c],
                later[c],
                LITTLE * weight[c],
                cells,
                growth,
                ceilings,
                ceiling_sd,
                straight,
                bends,
                heights,
            )
            m = index.size
            eh = first / total
            ch = second / total - np.outer(eh, eh)
            t = precision @ (y - eh) if m > 0 else np.zeros(0)
            inner = precision - precision @ ch @ precision if m > 0 else np.zeros((0, 0))
            link = _field_link(visit, cov, index)
            shift = link @ t if m > 0 else np.zeros(D)
            part_mean = mean + shift
            part_cov = cov - link @ inner @ link.T if m > 0 else cov.copy()
            used += part
            tilted_mean += part * part_mean
            tilted_sq += part * (part_cov + np.outer(part_mean, part_mean))
            one_t = t.sum()
            one_inner = inner.sum()
            own_rod = own_rod_var(rod_var, breaks[k])
            rod_m = rod_var * one_t
            rod_v = rod_var - rod_var * rod_var * one_inner
            if breaks[k] == ODD:  # tells nothing of how rods differ otherwise
                rod_m, rod_v = 0.0, rod_var
            rod_sq += part * (rod_m * rod_m + rod_v)
            both = link[0] + own_rod
            bm = mean[0] + (np.dot(both, t) if m > 0 else 0.0)
            bv = cov[0, 0] + own_rod - (np.dot(both, inner @ both) if m > 0 else 0.0)
            base_m += part * bm
            base_s += part * (bv + bm * bm)
            struct_w[k] += part
            scale_w[f] += part
            if breaks[k] >= 0:
                jump_v = jump_var[opened[k]]
                jm = jump_mean[opened[k]] + jump_v * (np.dot(step, t) if m > 0 else 0.0)
                jv = jump_v - jump_v**2 * (np.dot(step, inner @ step) if m > 0 else 0.0)
                struct_jump[k] += part * jm
                struct_jump_var[k] += part * (jv + jm * jm)
            for i in range(m):
                j = index[i]
                is_wild = wilds[k][0] == j or wilds[k][1] == j or wilds[k][2] == j
                # read at a joint that has been remade since: of the rod as it stands it tells nothing
                if is_wild or (ends[k] < LASTING and step[i] > 0.0):
                    wild_p[j] += part
                    noise_score[j] += part * t[i]
                    continue
                noise_score[j] += part * t[i]
                em = noise[j] * t[i]
                ev = noise[j] - noise[j] ** 2 * inner[i, i]
                noise_sq[j] += part * (em * em + ev) * noise_var[j] / noise[j]
            for w in range(3):
                j = wilds[k][w]
                if j >= 0 and side[j] != 0:
                    wild_p[j] += part
            if ends[k] < LASTING:
                for j in range(max(breaks[k], 0), min(ends[k], n)):
                    is_wild = wilds[k][0] == j or wilds[k][1] == j or wilds[k][2] == j
                    if side[j] != 0 and not is_wild:
                        wild_p[j] += part
    tilted_mean /= used
    tilted_sq = tilted_sq / used - np.outer(tilted_mean, tilted_mean)
    for k in range(K):
        if struct_jump_var[k] != 0.0:
            heavy = 0.0
            for f in range(F):
                part = weight[k * F + f] / evidence
                heavy += part if part >= _HARDLY else 0.0
            struct_jump[k] /= heavy
            struct_jump_var[k] = max(struct_jump_var[k] / heavy - struct_jump[k] ** 2, 1e-8)
        elif breaks[k] >= 0:
            struct_jump[k] = jump_mean[opened[k]]
            struct_jump_var[k] = jump_var[opened[k]]
    noise_score /= used
    noise_sq /= used
    wild_p /= used
    base_m /= used
    base_s = max(base_s / used - base_m * base_m, 1e-10)
    return tilted_mean, tilted_sq, top + math.log(evidence), base_m, base_s, rod_sq / used, top, whole_top


@njit(cache=True, nogil=True)
def site_pass_kernel(  # type: ignore[no-untyped-def]
    first,
    last,
    reading_start,
    age,
    resid,
    side,
    meter_var,
    noise_var,
    visit,
    rod_var,
    prior_precision,
    struct_start,
    breaks,
    ends,
    opened,
    wilds,
    struct_logprior,
    struct_rows,
    jump_mean,
    jump_var,
    wild_var,
    scale,
    scale_logw,
    node_weight,
    onset_mass,
    growth_mass,
    group,
    low,
    high,
    share,
    onset,
    growth,
    ceilings,
    ceiling_sd,
    straight,
    sweeps,
    damping,
    factor_precision,
    factor_eta,
    out_like,
    out_whole,
    out_stepped,
    stepped_at,
    out_reaching,
    log_threshold,
    like_top,
    whole_top,
    ceiling_w,
    struct_w,
    struct_jump,
    struct_jump_var,
    struct_onset,
    scale_w,
    noise_score,
    noise_sq,
    wild_p,
    base_mean,
    base_var,
    rod_sq,
    evidence,
    field_mean,
    field_cov,
):
    """Sweep one site's electrodes first..last, so that the field's factors settle; fill all outputs in place.

    low, high: (N, T) cells that are weighed; see electrode_pass. factor_precision (E, D, D)
    and factor_eta (E, D) are read as a warm start and updated. Returns the largest
    change of the field's mean in the last sweep, in units of its spread.
    """
    D = prior_precision.shape[0]
    E = last - first
    precision = prior_precision.copy()
    eta = np.zeros(D)
    for e in range(E):
        precision += factor_precision[e]
        eta += factor_eta[e]
    moved = 0.0
    most = 1
    for e in range(E):
        most = max(most, struct_start[first + e + 1] - struct_start[first + e])
    points = onset.size * growth.size
    ll = np.empty((most * scale.size, ceilings.size, points), np.float32)
    nothing = np.empty(0, np.float32)
    cov, _, good = inverse_spd(precision)
    if not good:
        factor_precision[:] = 0.0
        factor_eta[:] = 0.0
        precision = prior_precision.copy()
        eta = np.zeros(D)
        cov, _, good = inverse_spd(precision)
    mean = cov @ eta
    for _ in range(sweeps):
        before = mean.copy()
        lost = False
        for e in range(E):
            i = first + e
            cavity = precision - factor_precision[e]
            cavity_cov, _, good = inverse_spd(cavity)
            if not good:
                factor_precision[e] = 0.0
                factor_eta[e] = 0.0
                precision = prior_precision.copy()
                eta = np.zeros(D)
                for other in range(E):
                    precision += factor_precision[other]
                    eta += factor_eta[other]
                cavity = precision.copy()
                cavity_cov, _, good = inverse_spd(cavity)
                if not good:  # the others' factors are no density together: the prior speaks for the field
                    lost = True
                    cavity = prior_precision.copy()
                    cavity_cov, _, _ = inverse_spd(cavity)
            cavity_eta = eta - factor_eta[e]
            if not good:
                cavity_eta = np.zeros(D)
            cavity_mean = cavity_cov @ cavity_eta
            whole = nothing
            stepped = nothing
            reaching = nothing
            threshold = 0.0
            if out_whole.shape[0] > 0:
                whole = out_whole[i]
                reaching = out_reaching[i]
                threshold = log_threshold[i]
                if stepped_at[i] >= 0:
                    stepped = out_stepped[stepped_at[i]]
            r0, r1 = reading_start[i], reading_start[i + 1]
            s0, s1 = struct_start[i], struct_start[i + 1]
            tm, tc, ev, bm, bv, rs, lt, wt = electrode_pass(
                age[r0:r1],
                resid[r0:r1],
                side[r0:r1],
                meter_var[r0:r1],
                noise_var[r0:r1],
                visit[r0:r1],
                rod_var[i],
                cavity_mean,
                cavity_cov,
                breaks[s0:s1],
                ends[s0:s1],
                opened[s0:s1],
                wilds[s0:s1],
                struct_logprior[s0:s1],
                struct_rows[s0 - struct_start[first] : s1 - struct_start[first]],
                jump_mean,
                jump_var,
                wild_var,
                scale,
                scale_logw,
                node_weight[i],
                onset_mass[group[i]],
                growth_mass[group[i]],
                low[i],
                high[i],
                share[i],
                onset,
                growth,
                ceilings,
                ceiling_sd,
                straight,
                ll,
                out_like[i],
                whole,
                stepped,
                reaching,
                threshold,
                ceiling_w[i],
                struct_w[s0:s1],
                struct_jump[s0:s1],
                struct_jump_var[s0:s1],
                struct_onset[s0:s1],
                scale_w[i],
                noise_score[r0:r1],
                noise_sq[r0:r1],
                wild_p[r0:r1],
            )
            base_mean[i] = bm
            base_var[i] = bv
            rod_sq[i] = rs
            evidence[i] = ev
            like_top[i] = lt
            if out_whole.shape[0] > 0:
                whole_top[i] = wt
            tilted_precision, _, good = inverse_spd(tc)
            if not good:
                continue
            new_precision = tilted_precision - cavity
            new_eta = tilted_precision @ tm - cavity_eta
            trial = precision + damping * (new_precision - factor_precision[e])
            trial_cov, _, good = inverse_spd(trial)
            if not good:
                continue
            eta = eta + damping * (new_eta - factor_eta[e])
            factor_precision[e] += damping * (new_precision - factor_precision[e])
            factor_eta[e] += damping * (new_eta - factor_eta[e])
            precision = trial
            cov = trial_cov
            mean = cov @ eta
        moved = 0.0
        for d in range(D):
            moved = max(moved, abs(mean[d] - before[d]) / math.sqrt(cov[d, d]))
        if lost:
            moved = np.inf
    field_mean[:] = mean
    field_cov[:] = cov
    return moved
