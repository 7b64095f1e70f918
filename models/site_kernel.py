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

from models.history_grid import curve_loglik, inverse_spd, log_normal_cdf, prefix_sums, running
from models.step_kernel import ROW, add_means, add_row

_SQRT_HALF = math.sqrt(0.5)
_HARDLY_LIKELY = 1e-7  # likelihood over its largest below which a point reaches nothing
_LEAST_PRIOR = np.float32(1e-30)  # of a curve, so that its logarithm is a number
_HARDLY = 1e-3  # share of all weight below which an explanation is left out of the moments
_WILD_LIMIT = math.log(0.005)  # a wild reading on a sound rod hardly ever lands beyond the range


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
_ONE, _LOWEST, _UP = np.float32(1.0), np.float32(-86.0), np.float32(200.5)


@njit(cache=True, nogil=True, fastmath=True)
def exp_into(x, top, out, bits):  # type: ignore[no-untyped-def]
    """Fill out with exp(x - top), never below exp(-86); all single precision, bits (n,) int32 is scratch."""
    for i in range(x.size):
        v = x[i] - top
        v = v if v > _LOWEST else _LOWEST
        z = v * _LOG2E
        k = np.int32(z + _UP) - np.int32(200)
        f = z - np.float32(k)
        out[i] = _ONE + f * (_P1 + f * (_P2 + f * (_P3 + f * (_P4 + f * (_P5 + f * _P6)))))
        bits[i] = (k + np.int32(127)) << np.int32(23)
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
def _sum(x):  # type: ignore[no-untyped-def]
    s = np.float32(0.0)
    for i in range(x.size):
        s += x[i]
    return s


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
    onset,
    growth,
    ceilings,
    ceiling_sd,
    resid,
    laid_out,
    out,
):
    """Fill out (C, T*R) with the log-likelihood of each curve under one structure, the field's cavity given.

    laid_out: what structure_readings made of the readings. Returns the count of onsets filled and the value
    at each later one.
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
    last_age = -1.0
    if age.size > 0:
        last_age = age[age.size - 1]
    first, nothing = curve_loglik(
        last_age,
        age[index],
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
        gap,
        link,
        sd,
        after,
        jump_mean,
        jump_var,
    )
    if offset != 0.0:
        for c in range(out.shape[0]):
            for g in range(first * growth.size):
                out[c, g] += offset
        nothing += offset
    return first, nothing


@njit(cache=True, nogil=True)
def curve_moments(  # type: ignore[no-untyped-def]
    a, y, precision, weight, flat_weight, last_age, size, onset, growth, ceilings, ceiling_sd
):
    """Return total weight, weighted sums of h (m,) and of h h' (m, m) over the grid.

    weight: (C, T*R), of which the first size points of each ceiling count; flat_weight is that of all curves
    that have not begun by last_age. Where readings lie on the ceiling, the stub's own deviation from it is
    taken at its mean and spread given them.

    Between bends h is linear in age and in growth. So each run of points that bend between the same readings
    (the curve begins before reading b, comes to its ceiling before reading k) needs a few sums only; the
    moments of reading i and j are sums of those over all b <= i and k > j.
    """
    m = a.size
    R = growth.size
    C = ceilings.size
    ones = np.ones(m)
    t0 = prefix_sums(precision, ones, ones)
    t1 = prefix_sums(precision, a, ones)
    q0 = running(precision @ y if m > 0 else np.zeros(0))
    # by (b, k): growth, growth * onset; the same of squared growth; of growth times the top; rows are sums
    sums = np.zeros((7, m + 1, m + 1))
    top_mean = np.zeros(m + 1)
    top_square = np.zeros(m + 1)
    total = flat_weight
    b = 0
    for t in range(size // R):
        tau = onset[t]
        span = last_age - tau
        while b < m and a[b] <= tau:
            b += 1
        row = t * R
        s1 = 0.0
        s2 = 0.0
        for c in range(C):
            r = 0
            while r < R and growth[r] * span <= ceilings[c]:
                v = weight[c, row + r]
                total += v
                v *= growth[r]
                s1 += v
                s2 += v * growth[r]
                r += 1
            k = m
            while r < R:
                reach = tau + ceilings[c] / growth[r]
                while k > b and a[k - 1] > reach:
                    k -= 1
                least = 0.0 if k == b else ceilings[c] / (a[k - 1] - tau)
                w0 = 0.0
                w1 = 0.0
                w2 = 0.0
                while True:
                    v = weight[c, row + r]
                    w0 += v
                    v *= growth[r]
                    w1 += v
                    w2 += v * growth[r]
                    r += 1
                    if r == R or (k > b and growth[r] > least):
                        break
                total += w0
                if k == m:
                    s1 += w1
                    s2 += w2
                elif w0 != 0.0:
                    flat = t0[m, m] - t0[k, m] - t0[m, k] + t0[k, k]
                    cross = (
                        t1[k, m]
                        - t1[b, m]
                        - t1[k, k]
                        + t1[b, k]
                        - tau * (t0[k, m] - t0[b, m] - t0[k, k] + t0[b, k])
                    )
                    firm = 1.0 / (flat + 1.0 / (ceiling_sd[c] * ceiling_sd[c]))
                    level = ceilings[c] + (q0[m] - q0[k] - ceilings[c] * flat) * firm
                    lean = -cross * firm
                    mean = level * w0 + lean * w1
                    mixed = level * w1 + lean * w2
                    sums[0, b, k] += w1
                    sums[1, b, k] += tau * w1
                    sums[2, b, k] += w2
                    sums[3, b, k] += tau * w2
                    sums[4, b, k] += tau * tau * w2
                    sums[5, b, k] += mixed
                    sums[6, b, k] += tau * mixed
                    top_mean[k] += mean
                    top_square[k] += level * mean + lean * mixed + w0 * firm
        sums[0, b, m] += s1
        sums[1, b, m] += tau * s1
        sums[2, b, m] += s2
        sums[3, b, m] += tau * s2
        sums[4, b, m] += tau * tau * s2
    for x in range(7):
        for i in range(m + 1):
            if i > 0:
                for k in range(m + 1):
                    sums[x, i, k] += sums[x, i - 1, k]
        for i in range(m + 1):
            for k in range(m - 1, -1, -1):
                sums[x, i, k] += sums[x, i, k + 1]
    first = np.zeros(m)
    second = np.empty((m, m))
    top0 = 0.0
    top2 = 0.0
    for i in range(m):
        top0 += top_mean[i]
        top2 += top_square[i]
        first[i] = a[i] * sums[0, i, i + 1] - sums[1, i, i + 1] + top0
        for j in range(i, m):
            both = a[i] * a[j] * sums[2, i, j + 1] - (a[i] + a[j]) * sums[3, i, j + 1] + sums[4, i, j + 1]
            one = a[i] * (sums[5, i, i + 1] - sums[5, i, j + 1]) - (sums[6, i, i + 1] - sums[6, i, j + 1])
            v = both + one + top2
            second[i, j] = v
            second[j, i] = v
    return total, first, second


@njit(cache=True, nogil=True, fastmath=True)
def mix_prior(weight, onset_mass, growth_mass, out):  # type: ignore[no-untyped-def]
    """Fill out (T*R,) with the prior mass of the curves, site nodes mixed by weight (K,)."""
    K, T = onset_mass.shape
    R = growth_mass.shape[1]
    out[:] = _LEAST_PRIOR
    for k in range(K):
        if weight[k] < 1e-6:
            continue
        w = np.float32(weight[k])
        for t in range(T):
            p = w * onset_mass[k, t]
            for r in range(R):
                out[t * R + r] += p * growth_mass[k, r]


@njit(cache=True, nogil=True)
def _add_reaching(  # type: ignore[no-untyped-def]
    a, t0, t1, q0, like, share, threshold, last_age, size, onset, growth, ceiling, ceiling_sd, out
):
    """Add to out (T*R,) the part of like whose ceiling lies above the threshold, as its readings tell it.

    t0, t1, q0: sums of the precision, weighted by age, and of precision times readings.
    """
    m = a.size
    R = growth.size
    a_priori = share * math.exp(log_normal_cdf((ceiling - threshold) / ceiling_sd))
    b = 0
    for t in range(size // R):
        tau = onset[t]
        span = last_age - tau
        while b < m and a[b] <= tau:
            b += 1
        row = t * R
        r = 0
        while r < R and growth[r] * span <= ceiling:
            out[row + r] += a_priori * like[row + r]
            r += 1
        k = m
        while r < R:
            reach = tau + ceiling / growth[r]
            while k > b and a[k - 1] > reach:
                k -= 1
            v = like[row + r]
            if k == m:
                out[row + r] += a_priori * v
            elif v > _HARDLY_LIKELY:
                flat = t0[m, m] - t0[k, m] - t0[m, k] + t0[k, k]
                cross = (
                    t1[k, m]
                    - t1[b, m]
                    - t1[k, k]
                    + t1[b, k]
                    - tau * (t0[k, m] - t0[b, m] - t0[k, k] + t0[b, k])
                )
                firm = 1.0 / (flat + 1.0 / (ceiling_sd * ceiling_sd))
                level = ceiling + (q0[m] - q0[k] - ceiling * flat - growth[r] * cross) * firm
                z = (level - threshold) / math.sqrt(firm)
                if z > 4.0:
                    out[row + r] += share * v
                elif z > -4.0:
                    out[row + r] += share * v * 0.5 * math.erfc(-z * _SQRT_HALF)
            r += 1


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
    prior,
    share,
    onset,
    growth,
    ceilings,
    ceiling_sd,
    ll,
    out_like,
    out_whole,
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

    prior: (T*R,) prior mass of the curves, share: (C,) of the ceilings. ll: (J, C, T*R) scratch, J at least
    structures times scales. Fills out_like (where it has a size), (T*R,) with the likelihood of each curve,
    its ceiling mixed by share, or (C*T*R,) each apart, summed over structures and scales; where out_whole
    is as long, that gets the same without the structures that hold a step which still stands, and
    out_reaching (T*R,) of that the part whose ceiling lies above log_threshold, ceilings mixed. All are over
    their largest.
    struct_rows (K, 3, T): step_kernel.onset_rows; unless ceilings are apart, struct_onset (K, 2) gets the
    weighted sums of its SHARE and EXPOSED. Fills ceiling_w (C,).
    Returns the tilted mean and covariance of the field, the evidence, the posterior mean
    and variance of the baseline (rod + site offset), the second moment of the rod's own term, and the logs
    of what out_like and out_whole are over.
    """
    K, F, n = breaks.size, scale.size, age.size
    C, R, TR = ceilings.size, growth.size, prior.size
    D = mean.size
    noise = np.empty(n)
    size = 0
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
            first_flat, value = structure_loglik(
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
                onset,
                growth,
                ceilings,
                ceiling_sd,
                resid,
                now,
                ll[k * F + f],
            )
            add_row(struct_rows[k, ROW], first_flat, ll[k * F + f])
            size = first_flat * R
            nothing[k * F + f] = value
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
    apart = out_like.size > TR
    out_like[:] = 0.0
    last_age = age[n - 1] if n > 0 else 0.0
    prior_left = _sum(prior[size:])
    weight = np.zeros(K * F)
    later = np.zeros(K * F)
    evidence = 0.0
    ceiling_w[:] = 0.0
    unmixed = np.empty(size if apart else 0, np.float32)
    above = np.empty(C if apart else 0)
    for c in range(above.size):
        above[c] = math.exp(log_normal_cdf((ceilings[c] - log_threshold) / ceiling_sd[c]))
    if apart:
        out_whole[:] = 0.0
        out_reaching[:] = 0.0
    all_later = 0.0
    whole_later = 0.0
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
        read = sum0
        if apart and plain:
            whole_later += math.exp(nothing[j] + offset[j] - whole_top)
            index, y, precision = laid_out[j][0], laid_out[j][1], laid_out[j][2]
            read = age[index]
            ones = np.ones(read.size)
            table0 = prefix_sums(precision, ones, ones)
            table1 = prefix_sums(precision, read, ones)
            sum0 = running(precision @ y if read.size > 0 else np.zeros(0))
        for c in range(C):
            if plain:
                exp_into(ll[j, c, :size], np.float32(whole_top - offset[j]), like, bits)
                if apart:
                    add_into(like, out_whole[c * TR : c * TR + size])
                    _add_reaching(
                        read,
                        table0,
                        table1,
                        sum0,
                        like,
                        share[c],
                        log_threshold,
                        last_age,
                        size,
                        onset,
                        growth,
                        ceilings[c],
                        ceiling_sd[c],
                        out_reaching,
                    )
                if below < 1.0:
                    _times(like, below)
            else:
                exp_into(ll[j, c, :size], np.float32(top - offset[j]), like, bits)
            if apart:
                add_into(like, out_like[c * TR : c * TR + size])
                mine = _weighed_sum(like, prior[:size], share[c], ll[j, c, :size], unmixed)
            else:
                mine = _weighed_sum(like, prior[:size], share[c], ll[j, c, :size], out_like[:size])
            weight[j] += mine
            ceiling_w[c] += mine + later[j] * share[c]
        if not apart:
            add_means(struct_rows[j // F], size // R, ll[j], struct_onset[j // F])
        evidence += weight[j]
    if apart:
        for c in range(C):
            out_like[c * TR + size : (c + 1) * TR] = all_later
            out_whole[c * TR + size : (c + 1) * TR] = whole_later
            out_reaching[size:] += np.float32(whole_later * share[c] * above[c])
    else:
        out_like[size:] = all_later
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
            total, first, second = curve_moments(
                age[index],
                y,
                precision,
                ll[c],
                later[c],
                last_age,
                size,
                onset,
                growth,
                ceilings,
                ceiling_sd,
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
    share,
    onset,
    growth,
    ceilings,
    ceiling_sd,
    sweeps,
    damping,
    factor_precision,
    factor_eta,
    out_like,
    out_whole,
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

    factor_precision (E, D, D) and factor_eta (E, D) are read as a warm start and updated. Returns the largest
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
    prior = np.empty(points, np.float32)
    nothing = prior[:0]
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
            mix_prior(node_weight[i], onset_mass[group[i]], growth_mass[group[i]], prior)
            whole = nothing
            reaching = nothing
            threshold = 0.0
            if out_whole.shape[0] > 0:
                whole = out_whole[i]
                reaching = out_reaching[i]
                threshold = log_threshold[i]
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
                prior,
                share[i],
                onset,
                growth,
                ceilings,
                ceiling_sd,
                ll,
                out_like[i],
                whole,
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
