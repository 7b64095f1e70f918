"""Everything that one electrode's readings say about its corrosion curve, on the grid of curves.

For readings y (logarithms, freed of known effects) with a joint Gaussian covariance S (own baseline, site
field, noise), the log-likelihood of a curve h is -1/2 [(y-h)' P (y-h) + ln det S] with P the inverse of S. On
the grid, h is zero before the onset, linear after it, and constant above the ceiling, so that each quadratic
form is a sum over blocks of P weighted by age: three tables of two-way prefix sums give it in constant time,
exactly, with whatever covariance, and nothing is iterated.

Between two readings at which the curve bends, the log-likelihood is a quadratic in the growth rate: one set
of coefficients serves a run of grid points. Onsets after the last reading all say the same, and ceilings that
no reading has come up to do too; such points are worked out once.

The baseline is integrated out in closed form (it is part of S): Pinheiro and Bates 2000, section 2.2.
"""

import math

import numpy as np
from numba import njit

_SURE = 5.0  # ln Phi beyond it is nothing: -3e-7
_SQRT_HALF = math.sqrt(0.5)
_LOG_SQRT_2PI = 0.5 * math.log(2.0 * math.pi)
PLACE = np.uint64  # an index that is never counted from the end, so that loops over it become vector code


@njit(cache=True, nogil=True)
def log_normal_cdf(x):  # type: ignore[no-untyped-def]
    """Return ln Phi(x) without underflow: the asymptotic series takes over in the far tail."""
    if x > -8.0:
        return math.log(0.5 * math.erfc(-x * _SQRT_HALF))
    z = 1.0 / (x * x)
    return -0.5 * x * x - _LOG_SQRT_2PI - math.log(-x) + math.log1p(-z * (1.0 - z * (3.0 - 15.0 * z)))


@njit(cache=True, nogil=True)
def inverse_spd(a):  # type: ignore[no-untyped-def]
    """Return a symmetric positive definite matrix's inverse, its log determinant, and whether it was one."""
    n = a.shape[0]
    low = np.zeros((n, n))
    logdet = 0.0
    for j in range(n):
        s = a[j, j]
        for k in range(j):
            s -= low[j, k] * low[j, k]
        if not s > 1e-300:
            return low, 0.0, False
        d = math.sqrt(s)
        low[j, j] = d
        logdet += 2.0 * math.log(d)
        for i in range(j + 1, n):
            s = a[i, j]
            for k in range(j):
                s -= low[i, k] * low[j, k]
            low[i, j] = s / d
    inv_low = np.zeros((n, n))
    for j in range(n):
        inv_low[j, j] = 1.0 / low[j, j]
        for i in range(j + 1, n):
            s = 0.0
            for k in range(j, i):
                s -= low[i, k] * inv_low[k, j]
            inv_low[i, j] = s / low[i, i]
    out = np.empty((n, n))
    for i in range(n):
        for j in range(i + 1):
            s = 0.0
            for k in range(i, n):
                s += inv_low[k, i] * inv_low[k, j]
            out[i, j] = s
            out[j, i] = s
    return out, logdet, True


@njit(cache=True, nogil=True)
def prefix_sums(precision, left, right):  # type: ignore[no-untyped-def]
    """Return (n+1, n+1) two-way prefix sums of left_i P_ij right_j."""
    n = precision.shape[0]
    out = np.zeros((n + 1, n + 1))
    for i in range(n):
        row = 0.0
        for j in range(n):
            row += left[i] * precision[i, j] * right[j]
            out[i + 1, j + 1] = out[i, j + 1] + row
    return out


@njit(cache=True, nogil=True, inline="always")
def _block(table, i0, i1, j0, j1):  # type: ignore[no-untyped-def]
    return table[i1, j1] - table[i0, j1] - table[i1, j0] + table[i0, j0]


@njit(cache=True, nogil=True)
def running(weights):  # type: ignore[no-untyped-def]
    out = np.zeros(weights.size + 1)
    for i in range(weights.size):
        out[i + 1] = out[i] + weights[i]
    return out


@njit(cache=True, nogil=True)
def _log_up(x):  # type: ignore[no-untyped-def]
    return 0.0 if x > _SURE else log_normal_cdf(x)


@njit(cache=True, nogil=True)
def whole_grid(last_age, onset, growth):  # type: ignore[no-untyped-def]
    """Return all cells of a grid whose onset lies before last_age; see curve_bends."""
    B = 0
    while onset.size > B and onset[B] < last_age:
        B += 1
    return onset[:B], np.zeros(B, np.int64), np.full(B, growth.size), growth.size * np.arange(B + 1)


@njit(cache=True, nogil=True)
def curve_bends(age, cells, growth, ceilings):  # type: ignore[no-untyped-def]
    """Return between which readings each curve bends.

    age: (n,) years, not decreasing. cells: onset (B,), the first growth rate that counts at each and the one
    after the last, low (B,) and high (B,), and where each onset's points begin, at (B+1,); with X points in
    all. Returns begun (B,), the first reading after the onset, and top (C, X), the first reading on the
    ceiling: n where none is.
    """
    onset, low, high, at = cells
    n, R, C, B = age.size, growth.size, ceilings.size, onset.size
    begun = np.empty(B, np.int64)
    top = np.empty((C, at[B]), np.uint32)  # unsigned: an index that is never counted from the end
    rise = np.empty((C, R))
    for c in range(C):
        for r in range(R):
            rise[c, r] = ceilings[c] / growth[r]
    b = 0
    for t in range(B):
        while b < n and age[b] <= onset[t]:
            b += 1
        begun[t] = b
        for c in range(C):
            k = n
            for r in range(low[t], high[t]):
                while k > b and age[k - 1] - onset[t] > rise[c, r]:
                    k -= 1
                top[c, at[t] + r - low[t]] = k
    return begun, top


@njit(cache=True, nogil=True)
def curve_loglik(  # type: ignore[no-untyped-def]  # noqa: PLR0912, PLR0915  # compiled: one pass is one function
    age,
    y,
    precision,
    logdet,
    cells,
    growth,
    ceilings,
    ceiling_sd,
    bends,
    out,
    limit_side,
    limit_age,
    limit_gap,
    limit_link,
    limit_sd,
    step,
    jump_mean,
    jump_var,
):
    """Fill out (C, X) with the log-likelihood of one history at the cells, of onsets before its last reading.

    Returns the log-likelihood of each later onset.

    age: (n,) years, not decreasing. y: (n,) log readings less all known effects and prior means. precision,
    logdet: inverse (n, n) and log determinant of the readings' covariance. ceilings, ceiling_sd: (C,),
    increasing. cells, bends: see curve_bends. limit_side: +1 where an over-range reading is
    to be honoured, -1 under range, 0 none. It lies at age limit_age; limit_gap is ln(limit) less its prior
    mean; limit_link (n,) is its covariance with the readings; limit_sd is the standard deviation of that
    reading given the others. step: (n,) 1 for readings after a sudden step (empty where there is none), its
    size a priori normal (jump_mean, jump_var) and up: a step down is no break.
    """
    n = age.size
    ones = np.ones(n)
    t0 = prefix_sums(precision, ones, ones)
    t1 = prefix_sums(precision, age, ones)
    t2 = prefix_sums(precision, age, age)
    py = precision @ y if n > 0 else np.zeros(0)
    q0 = running(py)
    qa = running(py * age)
    base = -0.5 * (np.dot(y, py) + logdet)
    tails = step.size > 0 or limit_side != 0
    stepped = step.size > 0
    lean = np.zeros(0)
    link = np.zeros(0)
    if tails:
        link = precision @ limit_link if n > 0 else np.zeros(0)
        if stepped:
            lean = precision @ step if n > 0 else np.zeros(0)
    w0 = running(link)
    wa = running(link * age) if tails else w0
    expected = np.dot(link, y) if tails else 0.0
    j0 = running(lean)
    ja = running(lean * age) if stepped else j0
    jump_gap = 0.0
    jump_left = 1.0
    up = 0.0
    nothing = base
    if stepped:
        jump_gap = np.dot(lean, y)
        jump_left = max(jump_var - jump_var * jump_var * np.dot(step, lean), 1e-10)
        up = log_normal_cdf(jump_mean / math.sqrt(jump_var))
        nothing += _log_up((jump_mean + jump_var * jump_gap) / math.sqrt(jump_left)) - up
    if limit_side != 0:
        nothing += _log_up(limit_side * (expected - limit_gap) / limit_sd)
    C = ceilings.size
    onset, low, _, at = cells
    begun, tops = bends
    # Of a curve that comes to its ceiling before the k-th reading: what does not hang on its onset. A stub's
    # own ceiling differs from its class's by a normal deviation, integrated out in closed form.
    constant = np.empty((C, n + 1))
    rest = np.empty((C, n + 1))
    firm = np.empty((C, n + 1))
    lift = np.empty((C, n + 1))
    for c in range(C):
        weight = 1.0 / (ceiling_sd[c] * ceiling_sd[c])
        for k in range(n + 1):
            flat = max(_block(t0, k, n, k, n), 0.0) if k < n else 0.0
            late = q0[n] - q0[k]
            firm[c, k] = 1.0 / (flat + weight)
            rest[c, k] = late - ceilings[c] * flat
            constant[c, k] = base + ceilings[c] * (late - 0.5 * ceilings[c] * flat)
            constant[c, k] += 0.5 * (rest[c, k] * rest[c, k] * firm[c, k] - math.log1p(flat / weight))
            lift[c, k] = ceilings[c] + rest[c, k] * firm[c, k]
    lin = np.zeros(n + 1)
    half = np.zeros(n + 1)
    cross = np.zeros(n + 1)
    linear = np.zeros((C, n + 1))
    curved = np.zeros((C, n + 1))
    N, beyond = PLACE(n), PLACE(n + 1)
    for t in range(begun.size):
        tau = onset[t]
        b = PLACE(begun[t])
        first, last, shift = PLACE(at[t]), PLACE(at[t + 1]), PLACE(at[t] - low[t])
        # of the readings before the k-th, and between them and those on the ceiling
        for k in range(b, beyond):
            lin[k] = (qa[k] - qa[b]) - tau * (q0[k] - q0[b])
            s0 = t0[k, k] - 2.0 * t0[b, k] + t0[b, b]
            s1 = t1[k, k] - t1[b, k] - t1[k, b] + t1[b, b]
            s2 = t2[k, k] - 2.0 * t2[b, k] + t2[b, b]
            half[k] = -0.5 * (s2 - tau * (2.0 * s1 - tau * s0))
            c0 = t0[N, k] - t0[b, N] - t0[k, k] + t0[b, k]
            cross[k] = t1[k, N] - t1[b, N] - t1[k, k] + t1[b, k] - tau * c0
        for c in range(C):
            for k in range(b, beyond):
                linear[c, k] = lin[k] - lift[c, k] * cross[k]
                curved[c, k] = half[k] + 0.5 * firm[c, k] * cross[k] * cross[k]
            for x in range(first, last):
                k = tops[c, x]
                g = growth[x - shift]
                out[c, x] = constant[c, k] + g * (linear[c, k] + g * curved[c, k])
            if not tails:
                continue
            for x in range(first, last):
                g = growth[x - shift]
                k = tops[c, x]
                value = 0.0
                off = (rest[c, k] - g * cross[k]) * firm[c, k]
                if stepped:
                    left = (
                        jump_gap
                        - g * ((ja[k] - ja[b]) - tau * (j0[k] - j0[b]))
                        - (ceilings[c] + off) * (j0[n] - j0[k])
                    )
                    # the ceiling's own deviation leaves the jump less well known
                    sway = jump_var * (j0[n] - j0[k])
                    spread = math.sqrt(jump_left + sway * sway * firm[c, k])
                    value += _log_up((jump_mean + jump_var * left) / spread) - up
                if limit_side != 0:
                    h = g * max(limit_age - tau, 0.0)
                    share = -(w0[n] - w0[k])
                    if h > ceilings[c]:
                        h = ceilings[c] + off
                        share += 1.0
                    seen = (
                        expected
                        - g * ((wa[k] - wa[b]) - tau * (w0[k] - w0[b]))
                        - (ceilings[c] + off) * (w0[n] - w0[k])
                    )
                    sd = math.sqrt(limit_sd * limit_sd + share * share * firm[c, k])
                    value += _log_up(limit_side * (h + seen - limit_gap) / sd)
                out[c, x] += value
    return nothing
