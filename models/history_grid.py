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
def curve_loglik(  # type: ignore[no-untyped-def]  # noqa: PLR0912, PLR0915  # compiled: one pass is one function
    last_age,
    age,
    y,
    precision,
    logdet,
    onset,
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
):
    """Fill out (C, T*R) with the log-likelihood of one history for each onset before last_age.

    Returns (B, value): the first B onsets were filled; value is the log-likelihood of each later one.

    last_age: no reading is later. age: (n,) years, not decreasing. y: (n,) log readings less all known
    effects and prior means. precision, logdet: inverse (n, n) and log determinant of the readings'
    covariance. ceilings, ceiling_sd: (C,), increasing. limit_side: +1 where an over-range reading is to be
    honoured, -1 under range, 0 none. It lies at age limit_age; limit_gap is ln(limit) less its prior mean;
    limit_link (n,) is its covariance with the readings; limit_sd is the standard deviation of that reading
    given the others. step: (n,) 1 for readings after a sudden step (empty where there is none), its size a
    priori normal (jump_mean, jump_var) and up: a step down is no break.
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
    link = precision @ limit_link if n > 0 else np.zeros(0)
    w0 = running(link)
    wa = running(link * age)
    expected = np.dot(link, y)
    stepped = step.size > 0
    j0 = np.zeros(n + 1)
    ja = np.zeros(n + 1)
    jump_gap = 0.0
    jump_left = 1.0
    up = 0.0
    if stepped:
        lean = precision @ step if n > 0 else np.zeros(0)
        j0 = running(lean)
        ja = running(lean * age)
        jump_gap = np.dot(lean, y)
        jump_left = max(jump_var - jump_var * jump_var * np.dot(step, lean), 1e-10)
        up = log_normal_cdf(jump_mean / math.sqrt(jump_var))
    tails = stepped or limit_side != 0
    nothing = base
    if stepped:
        nothing += _log_up((jump_mean + jump_var * jump_gap) / math.sqrt(jump_left)) - up
    if limit_side != 0:
        nothing += _log_up(limit_side * (expected - limit_gap) / limit_sd)
    C, T, R = ceilings.size, onset.size, growth.size
    flat = np.empty(n + 1)
    for k in range(n + 1):
        flat[k] = _block(t0, k, n, k, n)
    # A stub's own ceiling differs from its class's by a normal deviation, integrated out in closed form.
    firm = np.empty((C, n + 1))
    loose = np.empty((C, n + 1))
    for c in range(C):
        weight = 1.0 / (ceiling_sd[c] * ceiling_sd[c])
        for k in range(n + 1):
            firm[c, k] = 1.0 / (flat[k] + weight)
            loose[c, k] = 0.5 * math.log1p(flat[k] / weight) if k < n else 0.0
    first = 0
    b = 0
    for t in range(T):
        tau = onset[t]
        if tau >= last_age:
            break
        first = t + 1
        while b < n and age[b] <= tau:
            b += 1
        row = t * R
        span = last_age - tau
        lin = (qa[n] - qa[b]) - tau * (q0[n] - q0[b])
        square = (
            _block(t2, b, n, b, n) - 2.0 * tau * _block(t1, b, n, b, n) + tau * tau * _block(t0, b, n, b, n)
        )
        free = 0
        while free < R and growth[free] * span <= ceilings[C - 1]:
            free += 1
        for r in range(free):
            g = growth[r]
            out[C - 1, row + r] = base + g * lin - 0.5 * g * g * square
        if tails:
            for r in range(free):
                g = growth[r]
                value = 0.0
                if stepped:
                    left = jump_gap - g * ((ja[n] - ja[b]) - tau * (j0[n] - j0[b]))
                    value += _log_up((jump_mean + jump_var * left) / math.sqrt(jump_left)) - up
                if limit_side != 0:
                    h = g * max(limit_age - tau, 0.0)
                    seen = expected - g * ((wa[n] - wa[b]) - tau * (w0[n] - w0[b]))
                    value += _log_up(limit_side * (h + seen - limit_gap) / limit_sd)
                out[C - 1, row + r] += value
        for c in range(C):
            ceiling = ceilings[c]
            r = 0
            while r < free and growth[r] * span <= ceiling:
                out[c, row + r] = out[C - 1, row + r]
                r += 1
            k = n
            while r < R:
                reach = tau + ceiling / growth[r]
                while k > b and age[k - 1] > reach:
                    k -= 1
                # one run: every growth rate at which readings k.. lie on the ceiling
                lin_k = (qa[k] - qa[b]) - tau * (q0[k] - q0[b])
                top = q0[n] - q0[k]
                square_k = (
                    _block(t2, b, k, b, k)
                    - 2.0 * tau * _block(t1, b, k, b, k)
                    + tau * tau * _block(t0, b, k, b, k)
                )
                cross = _block(t1, b, k, k, n) - tau * _block(t0, b, k, k, n)
                rest = top - ceiling * flat[k]
                constant = base + ceiling * (top - 0.5 * ceiling * flat[k]) - loose[c, k]
                linear = lin_k - ceiling * cross
                curved = -0.5 * square_k
                if k < n:
                    constant += 0.5 * rest * rest * firm[c, k]
                    linear -= rest * cross * firm[c, k]
                    curved += 0.5 * cross * cross * firm[c, k]
                while True:
                    g = growth[r]
                    value = constant + g * (linear + g * curved)
                    if tails:
                        off = (rest - g * cross) * firm[c, k] if k < n else 0.0
                        if stepped:
                            left = (
                                jump_gap
                                - g * ((ja[k] - ja[b]) - tau * (j0[k] - j0[b]))
                                - (ceiling + off) * (j0[n] - j0[k])
                            )
                            # the ceiling's own deviation leaves the jump less well known
                            sway = jump_var * (j0[n] - j0[k])
                            spread = math.sqrt(jump_left + sway * sway * firm[c, k])
                            value += _log_up((jump_mean + jump_var * left) / spread) - up
                        if limit_side != 0:
                            reach = tau + ceiling / g
                            h = min(g * max(limit_age - tau, 0.0), ceiling)
                            share = -(w0[n] - w0[k])
                            if limit_age > reach:
                                h += off
                                share += 1.0
                            seen = (
                                expected
                                - g * ((wa[k] - wa[b]) - tau * (w0[k] - w0[b]))
                                - (ceiling + off) * (w0[n] - w0[k])
                            )
                            sd = math.sqrt(limit_sd * limit_sd + share * share * firm[c, k])
                            value += _log_up(limit_side * (h + seen - limit_gap) / sd)
                    out[c, row + r] = value
                    r += 1
                    if r == R or (k > b and age[k - 1] > tau + ceiling / growth[r]):
                        break
    return first, nothing
