"""The accelerating family's likelihoods and moments, beside those of the onset family, compiled.

Length is lost at a constant rate after the onset, so that the log ratio is h = -ln(1 - u) with
u = r d / (2 ln 2) for d years since onset: it is not linear in the growth r, and each quadratic form is a sum
over the readings below the ceiling. Heights of a run of growth rates lie side by side, so that the compiler
makes vector code of the sums. Readings on the ceiling take the two-way sums of the precision, and the stub's
own deviation from its class is integrated out in closed form, as in `history_grid.curve_loglik`.
"""

import math

import numpy as np
from numba import njit

from models.history_grid import log_normal_cdf, running

YEARS_TO_DOUBLE = 2.0 * math.log(2.0)  # u = growth * years / this: at u = 1/2 both families have doubled
_SURE = 5.0  # ln Phi beyond it is nothing: -3e-7
_SQRT_HALF = math.sqrt(0.5)
_LEAST_LEFT = 1e-9  # share of the length: a log ratio of 21
_HARDLY_LIKELY = 1e-7  # likelihood over its largest below which a point reaches nothing

# ln in single precision to 1e-7, for vector code: Cephes logf (Moshier 1989), on [sqrt 1/2, sqrt 2)
_L0, _L1, _L2 = np.float32(7.0376836292e-2), np.float32(-1.1514610310e-1), np.float32(1.1676998740e-1)
_L3, _L4, _L5 = np.float32(-1.2420140846e-1), np.float32(1.4249322787e-1), np.float32(-1.6668057665e-1)
_L6, _L7, _L8 = np.float32(2.0000714765e-1), np.float32(-2.4999993993e-1), np.float32(3.3333331174e-1)
_HALF, _ONE, _LN2 = np.float32(0.5), np.float32(1.0), np.float32(0.69314718056)
_ROOT_HALF_BITS, _MANTISSA = np.int32(0x3F3504F3), np.int32(23)


@njit(cache=True, nogil=True, fastmath=True)
def _minus_logs(x, bits, powers, out):  # type: ignore[no-untyped-def]
    """Fill out (n,) with -ln(x), single precision x in (0, 1]; bits, powers (n,) int32 are scratch."""
    raw = x.view(np.int32)
    for i in range(x.size):
        k = (raw[i] - _ROOT_HALF_BITS) >> _MANTISSA
        powers[i] = k
        bits[i] = raw[i] - (k << _MANTISSA)
    rest = bits.view(np.float32)
    for i in range(x.size):
        f = rest[i] - _ONE
        z = f * f
        p = _L0 * f + _L1
        p = p * f + _L2
        p = p * f + _L3
        p = p * f + _L4
        p = p * f + _L5
        p = p * f + _L6
        p = p * f + _L7
        p = p * f + _L8
        out[i] = -(f + (f * z * p - _HALF * z) + np.float32(powers[i]) * _LN2)


@njit(cache=True, nogil=True, fastmath=True)
def _heights(age, tau, b, scaled, most, left, bits, powers, h):  # type: ignore[no-untyped-def]
    """Fill h (n*R,) from reading b on, growth side by side, with log ratios; u at most `most`.

    left, bits, powers: (n*R,) scratch.
    """
    n, R = age.size, scaled.size
    for i in range(b, n):
        since = np.float32(age[i] - tau)
        for r in range(R):
            u = scaled[r] * since
            left[i * R + r] = _ONE - (u if u < most else most)
    _minus_logs(left[b * R :], bits[b * R :], powers[b * R :], h[b * R :])


@njit(cache=True, nogil=True)
def accelerating_heights(age, cells, growth, ceilings):  # type: ignore[no-untyped-def]
    """Return (B, n*R) log ratios at each reading, growth side by side, of each onset's curves.

    age: (n,) years of the readings in range, cells: as in history_grid.curve_bends. Up to the highest
    ceiling; 0 before the onset. They are the same whatever structure or noise the readings are weighed under.
    """
    onset = cells[0]
    n, R = age.size, growth.size
    h = np.zeros((onset.size, n * R))
    scaled = (growth / YEARS_TO_DOUBLE).astype(np.float32)
    most = np.float32(-math.expm1(-ceilings[ceilings.size - 1]))
    left = np.empty(n * R, np.float32)
    bits = np.empty(n * R, np.int32)
    powers = np.empty(n * R, np.int32)
    b = 0
    for t in range(onset.size):
        while b < n and age[b] <= onset[t]:
            b += 1
        _heights(age, onset[t], b, scaled, most, left, bits, powers, h[t])
    return h


@njit(cache=True, nogil=True, fastmath=True)
def _take_below(i, b, R, least, upto, row, score, h, half, square, linear):  # type: ignore[no-untyped-def]
    """Add reading i's part of h'Ph/2 and of y'Ph, growth side by side; row (n,) of P; half (R,): scratch."""
    own = 0.5 * row[i]
    for r in range(least, upto):
        half[r] = own * h[i * R + r]
    for j in range(b, i):
        p = row[j]
        for r in range(least, upto):
            half[r] += p * h[j * R + r]
    for r in range(least, upto):
        square[r] += half[r] * h[i * R + r]
        linear[r] += score * h[i * R + r]


@njit(cache=True, nogil=True, fastmath=True)
def _across(b, k, R, r0, r1, late, h, out):  # type: ignore[no-untyped-def]
    """Fill out r0..r1 with the sum of readings b..k-1 times late (n,), their tie to those on the ceiling."""
    for r in range(r0, r1):
        out[r] = 0.0
    for i in range(b, k):
        p = late[i]
        for r in range(r0, r1):
            out[r] += p * h[i * R + r]


@njit(cache=True, nogil=True, fastmath=True)
def _add_below(b, R, r0, r1, below, h, held, over, first, second):  # type: ignore[no-untyped-def]
    """Add to first (m,), second (m, m) the moments below the ceiling; below (m+1, R): weights by k."""
    m = first.size
    for r in range(r0, r1):
        held[r] = 0.0
    for j in range(m - 1, b - 1, -1):
        s = 0.0
        for r in range(r0, r1):
            held[r] += below[j + 1, r]
            over[r] = held[r] * h[j * R + r]
            s += over[r]
        first[j] += s
        for i in range(b, j + 1):
            s = 0.0
            for r in range(r0, r1):
                s += over[r] * h[i * R + r]
            second[i, j] += s


@njit(cache=True, nogil=True)
def years_to(growth, log_ratio, accelerating):  # type: ignore[no-untyped-def]
    """Return the years from onset to a log ratio under either family."""
    if accelerating:
        return -YEARS_TO_DOUBLE * math.expm1(-log_ratio) / growth
    return log_ratio / growth


@njit(cache=True, nogil=True)
def risen_to(growth, years, accelerating):  # type: ignore[no-untyped-def]
    """Return the log ratio so many years after the onset under either family."""
    if accelerating:
        return -math.log(max(1.0 - growth * years / YEARS_TO_DOUBLE, _LEAST_LEFT))
    return growth * years


@njit(cache=True, nogil=True)
def _log_up(x):  # type: ignore[no-untyped-def]
    return 0.0 if x > _SURE else log_normal_cdf(x)


@njit(cache=True, nogil=True)
def _reaches(ceilings):  # type: ignore[no-untyped-def]
    """Return (C,) growth times years at which each ceiling is come to."""
    out = np.empty(ceilings.size)
    for c in range(ceilings.size):
        out[c] = YEARS_TO_DOUBLE * -math.expm1(-ceilings[c])
    return out


@njit(cache=True, nogil=True)
def _late(precision):  # type: ignore[no-untyped-def]
    """Return flat (n+1,), the sum of the precision over readings k.. both ways, and (n+1, n) over one way."""
    n = precision.shape[0]
    flat = np.zeros(n + 1)
    with_late = np.zeros((n + 1, n))
    for k in range(n - 1, -1, -1):
        for i in range(n):
            with_late[k, i] = with_late[k + 1, i] + precision[k, i]
        flat[k] = with_late[k, k:].sum()
    return flat, with_late


@njit(cache=True, nogil=True)
def _first_beyond(growth, rate, least, upto):  # type: ignore[no-untyped-def]
    """Return the first index from least, below upto, whose growth is above the rate; upto where none is."""
    r = upto
    while r > least and growth[r - 1] > rate:
        r -= 1
    return r


@njit(cache=True, nogil=True)
def accelerating_loglik(  # type: ignore[no-untyped-def]
    age,
    y,
    precision,
    logdet,
    cells,
    growth,
    ceilings,
    ceiling_sd,
    out,
    limit_side,
    limit_age,
    limit_gap,
    limit_link,
    limit_sd,
    step,
    jump_mean,
    jump_var,
    heights,
):
    """Fill out (C, X) with the log-likelihood of one history under the accelerating family.

    heights: accelerating_heights of these readings. Other arguments and the result as in
    history_grid.curve_loglik, which takes bends instead.
    """
    n = age.size
    onset, low, high_rate, at = cells
    C, R = ceilings.size, growth.size
    py = precision @ y if n > 0 else np.zeros(0)
    q0 = running(py)
    base = -0.5 * (np.dot(y, py) + logdet)
    link = precision @ limit_link if n > 0 else np.zeros(0)
    w0 = running(link)
    expected = np.dot(link, y)
    stepped = step.size > 0
    lean = np.zeros(n)
    j0 = np.zeros(n + 1)
    jump_gap = 0.0
    jump_left = 1.0
    up = 0.0
    if stepped:
        lean = precision @ step if n > 0 else np.zeros(0)
        j0 = running(lean)
        jump_gap = np.dot(lean, y)
        jump_left = max(jump_var - jump_var * jump_var * np.dot(step, lean), 1e-10)
        up = log_normal_cdf(jump_mean / math.sqrt(jump_var))
    limited = limit_side != 0
    tails = stepped or limited
    nothing = base
    if stepped:
        nothing += _log_up((jump_mean + jump_var * jump_gap) / math.sqrt(jump_left)) - up
    if limited:
        nothing += _log_up(limit_side * (expected - limit_gap) / limit_sd)
    flat, with_late = _late(precision)
    reaches = _reaches(ceilings)
    square = np.empty(R)
    linear = np.empty(R)
    leaning = np.zeros(R)
    linked = np.zeros(R)
    cross = np.empty(R)
    start = np.empty(C, np.int64)
    until = np.empty(C, np.int64)
    b = 0
    for t in range(onset.size):
        tau = onset[t]
        while b < n and age[b] <= tau:
            b += 1
        row = at[t] - low[t]
        h = heights[t]
        square[:] = 0.0
        linear[:] = 0.0
        leaning[:] = 0.0
        linked[:] = 0.0
        start[:] = high_rate[t]
        for k in range(b, n + 1):
            if k > b:
                i = k - 1  # below the ceiling from here on
                upto = start[C - 1]
                _take_below(i, b, R, low[t], upto, precision[i], py[i], h, cross, square, linear)
                if tails:
                    for r in range(low[t], upto):
                        leaning[r] += lean[i] * h[i * R + r]
                        linked[r] += link[i] * h[i * R + r]
            until[:] = start
            start[:] = low[t]
            if k < n:
                over = 1.0 / (age[k] - tau)
                for c in range(C):
                    start[c] = _first_beyond(growth, reaches[c] * over, low[t], until[c])
                _across(b, k, R, start[0], until[C - 1], with_late[k], h, cross)
            for c in range(C - 1, -1, -1):
                r0, r1 = start[c], until[c]
                if r0 == r1:
                    continue
                ceiling = ceilings[c]
                if k < n:
                    top = q0[n] - q0[k]
                    rest = top - ceiling * flat[k]
                    weight = 1.0 / (ceiling_sd[c] * ceiling_sd[c])
                    firm = 1.0 / (flat[k] + weight)
                    constant = base + ceiling * (top - 0.5 * ceiling * flat[k])
                    constant -= 0.5 * math.log1p(flat[k] / weight)
                    for r in range(r0, r1):
                        off = rest - cross[r]
                        out[c, row + r] = (
                            constant + linear[r] - square[r] - ceiling * cross[r] + 0.5 * off * off * firm
                        )
                else:
                    rest = 0.0
                    firm = ceiling_sd[c] * ceiling_sd[c]
                    for r in range(r0, r1):
                        out[c, row + r] = base + linear[r] - square[r]
                if not tails:
                    continue
                for r in range(r0, r1):
                    reached = limited and growth[r] * (limit_age - tau) > reaches[c]
                    if k == n and c < C - 1 and not reached:
                        out[c, row + r] = out[C - 1, row + r]
                        continue
                    off = (rest - cross[r]) * firm if k < n else 0.0
                    value = 0.0
                    if stepped:
                        gap = jump_gap - leaning[r] - (ceiling + off) * (j0[n] - j0[k])
                        # the ceiling's own deviation leaves the jump less well known
                        sway = jump_var * (j0[n] - j0[k])
                        spread = math.sqrt(jump_left + sway * sway * firm)
                        value += _log_up((jump_mean + jump_var * gap) / spread) - up
                    if limited:
                        high = 0.0
                        share = -(w0[n] - w0[k])
                        if reached:
                            high = ceiling + off
                            share += 1.0
                        elif limit_age > tau:
                            high = -math.log1p(-growth[r] * (limit_age - tau) / YEARS_TO_DOUBLE)
                        seen = expected - linked[r] - (ceiling + off) * (w0[n] - w0[k])
                        sd = math.sqrt(limit_sd * limit_sd + share * share * firm)
                        value += _log_up(limit_side * (high + seen - limit_gap) / sd)
                    out[c, row + r] += value
    return nothing


@njit(cache=True, nogil=True)
def accelerating_moments(  # type: ignore[no-untyped-def]
    a, y, precision, weight, flat_weight, least, cells, growth, ceilings, ceiling_sd, heights
):
    """Return total weight, weighted sums of h (m,) and of h h' (m, m) under the accelerating family.

    Arguments as in site_kernel.curve_moments, heights in the place of bends.
    """
    m = a.size
    onset, low, high_rate, at = cells
    R, C = growth.size, ceilings.size
    q0 = running(precision @ y if m > 0 else np.zeros(0))
    flat, with_late = _late(precision)
    reaches = _reaches(ceilings)
    below = np.empty((m + 1, R))
    held, over, cross = np.empty(R), np.empty(R), np.empty(R)
    start = np.empty(C, np.int64)
    until = np.empty(C, np.int64)
    first, second, mixed = np.zeros(m), np.zeros((m, m)), np.zeros((m, m + 1))
    top_mean, top_square = np.zeros(m + 1), np.zeros(m + 1)
    total = flat_weight
    b = 0
    for t in range(onset.size):
        mass = 0.0
        for c in range(C):
            for x in range(at[t], at[t + 1]):
                mass += weight[c, x]
        total += mass
        if mass < least:
            continue
        tau = onset[t]
        while b < m and a[b] <= tau:
            b += 1
        row = at[t] - low[t]
        h = heights[t]
        below[b:] = 0.0
        start[:] = high_rate[t]
        for k in range(b, m + 1):
            until[:] = start
            start[:] = low[t]
            if k < m:
                for c in range(C):
                    start[c] = _first_beyond(growth, reaches[c] / (a[k] - tau), low[t], until[c])
                _across(b, k, R, start[0], until[C - 1], with_late[k], h, cross)
            for c in range(C):
                r0, r1 = start[c], until[c]
                if r0 == r1:
                    continue
                for r in range(r0, r1):
                    below[k, r] += weight[c, row + r]
                if k == m:
                    continue
                ceiling = ceilings[c]
                rest = q0[m] - q0[k] - ceiling * flat[k]
                firm = 1.0 / (flat[k] + 1.0 / (ceiling_sd[c] * ceiling_sd[c]))
                for r in range(r0, r1):
                    w = weight[c, row + r]
                    if w * R <= least:
                        continue
                    high = ceiling + (rest - cross[r]) * firm
                    lifted = w * high
                    top_mean[k] += lifted
                    top_square[k] += lifted * high + w * firm
                    for i in range(b, k):
                        mixed[i, k] += lifted * h[i * R + r]
        _add_below(b, R, low[t], high_rate[t], below, h, held, over, first, second)
    top0 = 0.0
    top2 = 0.0
    for i in range(m):
        top0 += top_mean[i]
        top2 += top_square[i]
        first[i] += top0
        across = 0.0
        for j in range(i, m):
            if j > i:
                across += mixed[i, j]
            second[i, j] += across + top2
            second[j, i] = second[i, j]
    return total, first, second


@njit(cache=True, nogil=True)
def add_accelerating_reaching(  # type: ignore[no-untyped-def]
    a, y, precision, like, share, threshold, cells, growth, ceiling, ceiling_sd, heights, out
):
    """Add to out (X,) the part of like (X,) whose ceiling lies above the threshold, as readings tell it."""
    m = a.size
    onset, low, high_rate, at = cells
    a_priori = share * math.exp(log_normal_cdf((ceiling - threshold) / ceiling_sd))
    R = growth.size
    q0 = running(precision @ y if m > 0 else np.zeros(0))
    flat, with_late = _late(precision)
    reach = YEARS_TO_DOUBLE * -math.expm1(-ceiling)
    b = 0
    for t in range(onset.size):
        tau = onset[t]
        while b < m and a[b] <= tau:
            b += 1
        row = at[t] - low[t]
        k = m
        for r in range(low[t], high_rate[t]):
            while k > b and growth[r] * (a[k - 1] - tau) > reach:
                k -= 1
            v = like[row + r]
            if k == m:
                out[row + r] += a_priori * v
            elif v > _HARDLY_LIKELY:
                cross = 0.0
                for i in range(b, k):
                    cross += with_late[k, i] * heights[t, i * R + r]
                firm = 1.0 / (flat[k] + 1.0 / (ceiling_sd * ceiling_sd))
                level = ceiling + (q0[m] - q0[k] - ceiling * flat[k] - cross) * firm
                z = (level - threshold) / math.sqrt(firm)
                if z > 4.0:
                    out[row + r] += share * v
                elif z > -4.0:
                    out[row + r] += share * v * 0.5 * math.erfc(-z * _SQRT_HALF)
