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

from models.history_grid import curve_loglik, inverse_spd

_NEGLIGIBLE = 1e-6
_FAR = -40.0  # a grid point this far below the best, prior included, adds nothing to a sum
_NEAR = 1e-14  # below it a sum of terms is told by its largest
_WILD_LIMIT = math.log(0.005)  # a wild reading on a sound rod hardly ever lands beyond the range


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
    age, resid, side, noise, visit, mean, cov, rod_var, brk, wild, jump_mean, jump_var, wild_var
):
    """Return what a structure makes of the readings.

    A structure says which readings are wild (wild: up to three positions, -1 for none) and before which
    reading a sudden step came (brk: position, -1 for none). index (m,) picks the readings in range, y their
    residuals, step (m,) which of them lie after the step; limit is the position of the first sound reading
    out of range, or -1. Returns (index, y, precision, log determinant, step, limit, offset, noise (n,)).
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
        if brk >= 0 and j >= brk:
            step[i] = 1.0
            y[i] -= jump_mean
    s = _covariance(visit, cov, rod_var, own_noise, index)
    for i in range(count):
        for j in range(count):
            s[i, j] += jump_var * step[i] * step[j]
    precision, logdet, _ = inverse_spd(s)
    return index, y, precision, logdet, step, limit, offset, own_noise


@njit(cache=True, nogil=True)
def structure_loglik(  # type: ignore[no-untyped-def]
    age,
    resid,
    side,
    noise,
    visit,
    mean,
    cov,
    rod_var,
    brk,
    wild,
    jump_mean,
    jump_var,
    wild_var,
    onset,
    growth,
    ceilings,
    ceiling_sd,
    out,
):
    """Fill out (G,) with one structure's log-likelihood of every curve."""
    index, y, precision, logdet, step, limit, offset, own_noise = structure_readings(
        age, resid, side, noise, visit, mean, cov, rod_var, brk, wild, jump_mean, jump_var, wild_var
    )
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
        stepped = brk >= 0 and limit >= brk
        if stepped:
            gap -= jump_mean
        both = np.empty(count + 1, np.int64)
        both[:count] = index
        both[count] = limit
        full = _covariance(visit, cov, rod_var, own_noise, both)
        for i in range(count):
            link[i] = full[i, count] + (jump_var * step[i] if stepped else 0.0)
        own = full[count, count] + (jump_var if stepped else 0.0)
        sd = math.sqrt(max(own - np.dot(link, precision @ link), 1e-8))
    after = step
    if brk < 0:
        after = step[:0]
    curve_loglik(
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
        out += offset


@njit(cache=True, nogil=True)
def _curve_moments(a, y, precision, weight, onset, growth, ceilings, ceiling_sd):  # type: ignore[no-untyped-def]
    """Return total weight, weighted sums of h (m,) and of h h' (m, m) over the grid.

    Where readings lie on the ceiling, the stub's own deviation from it is taken at its mean and spread given
    them.
    """
    m = a.size
    total = 0.0
    first = np.zeros(m)
    second = np.zeros((m, m))
    h = np.empty(m)
    py = precision @ y if m > 0 else np.zeros(0)
    R = growth.size
    TR = onset.size * R
    for g in range(weight.size):
        w = weight[g]
        if w < _NEGLIGIBLE:
            continue
        c = g // TR
        tau = onset[(g % TR) // R]
        rate = growth[g % R]
        ceiling = ceilings[c]
        total += w
        late = m
        for i in range(m):
            rise = rate * max(a[i] - tau, 0.0)
            if rise > ceiling:
                rise = ceiling
                late = min(late, i)
            h[i] = rise
        if late < m:
            pull = 0.0
            flat = 0.0
            for j in range(late, m):
                pull += py[j]
                for i in range(m):
                    pull -= precision[j, i] * h[i]
                for i in range(late, m):
                    flat += precision[j, i]
            spread = 1.0 / (flat + 1.0 / (ceiling_sd[c] * ceiling_sd[c]))
            for j in range(late, m):
                h[j] += spread * pull
                for i in range(late, m):
                    second[j, i] += w * spread
        for i in range(m):
            first[i] += w * h[i]
            if h[i] != 0.0:
                for j in range(i, m):
                    second[i, j] += w * h[i] * h[j]
                    if j > i:
                        second[j, i] += w * h[i] * h[j]
    return total, first, second


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
    opened,
    wilds,
    struct_logprior,
    jump_mean,
    jump_var,
    wild_var,
    scale,
    scale_logw,
    logprior,
    onset,
    growth,
    ceilings,
    ceiling_sd,
    out_l,
    out_whole,
    struct_w,
    struct_jump,
    struct_jump_var,
    scale_w,
    noise_score,
    noise_sq,
    wild_p,
):
    """Weigh one electrode's structures, noise scales and curves given the cavity (mean, cov) of the field.

    Fills out_l (G,) with the log-likelihood of each curve, summed over structures and scales; where out_whole
    has size G too, that gets the same without the structures that hold a step. Returns the tilted mean and
    covariance of the field, the evidence, the posterior mean and variance of the baseline (rod + site
    offset), and the second moment of the rod's own term.
    """
    K, F, G, n = breaks.size, scale.size, out_l.size, age.size
    D = mean.size
    ll = np.empty((K * F, G))
    noise = np.empty(n)
    for k in range(K):
        for f in range(F):
            for j in range(n):
                noise[j] = noise_var[j] * scale[f] ** 2 + meter_var[j]
            structure_loglik(
                age,
                resid,
                side,
                noise,
                visit,
                mean,
                cov,
                rod_var,
                breaks[k],
                wilds[k],
                jump_mean[opened[k]],
                jump_var[opened[k]],
                wild_var,
                onset,
                growth,
                ceilings,
                ceiling_sd,
                ll[k * F + f],
            )
            ll[k * F + f] += struct_logprior[k] + scale_logw[f]
    top = -np.inf
    for c in range(K * F):
        for g in range(G):
            v = ll[c, g] + logprior[g]
            top = max(top, v)
    evidence = 0.0
    weight = np.empty((K * F, G))
    for c in range(K * F):
        for g in range(G):
            d = ll[c, g] + logprior[g] - top
            w = math.exp(d) if d > _FAR else 0.0
            weight[c, g] = w
            evidence += w
    for g in range(G):
        s = 0.0
        whole = 0.0
        for c in range(K * F):
            s += weight[c, g]
            if breaks[c // F] < 0:
                whole += weight[c, g]
        back = top - logprior[g]
        if s > _NEAR:
            out_l[g] = math.log(s) + back
        else:  # far from the best: the largest term will do
            peak = ll[0, g]
            for c in range(1, K * F):
                peak = max(peak, ll[c, g])
            out_l[g] = peak
        if out_whole.size > 0:
            if whole > _NEAR:
                out_whole[g] = math.log(whole) + back
            else:
                peak = -np.inf
                for c in range(K * F):
                    if breaks[c // F] < 0:
                        peak = max(peak, ll[c, g])
                out_whole[g] = peak
    weight /= evidence
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
            share = weight[c].sum()
            if share < 1e-4:
                continue
            for j in range(n):
                noise[j] = noise_var[j] * scale[f] ** 2 + meter_var[j]
            index, y, precision, _, step, _, _, _ = structure_readings(
                age,
                resid,
                side,
                noise,
                visit,
                mean,
                cov,
                rod_var,
                breaks[k],
                wilds[k],
                jump_mean[opened[k]],
                jump_var[opened[k]],
                wild_var,
            )
            total, first, second = _curve_moments(
                age[index], y, precision, weight[c], onset, growth, ceilings, ceiling_sd
            )
            if total <= 0.0:
                continue
            m = index.size
            eh = first / total
            ch = second / total - np.outer(eh, eh)
            t = precision @ (y - eh) if m > 0 else np.zeros(0)
            inner = precision - precision @ ch @ precision if m > 0 else np.zeros((0, 0))
            link = _field_link(visit, cov, index)
            shift = link @ t if m > 0 else np.zeros(D)
            part_mean = mean + shift
            part_cov = cov - link @ inner @ link.T if m > 0 else cov.copy()
            used += share
            tilted_mean += share * part_mean
            tilted_sq += share * (part_cov + np.outer(part_mean, part_mean))
            one_t = t.sum()
            one_inner = inner.sum()
            rod_m = rod_var * one_t
            rod_v = rod_var - rod_var * rod_var * one_inner
            rod_sq += share * (rod_m * rod_m + rod_v)
            both = link[0] + rod_var
            bm = mean[0] + (np.dot(both, t) if m > 0 else 0.0)
            bv = cov[0, 0] + rod_var - (np.dot(both, inner @ both) if m > 0 else 0.0)
            base_m += share * bm
            base_s += share * (bv + bm * bm)
            struct_w[k] += share
            scale_w[f] += share
            if breaks[k] >= 0:
                jump_v = jump_var[opened[k]]
                jm = jump_mean[opened[k]] + jump_v * (np.dot(step, t) if m > 0 else 0.0)
                jv = jump_v - jump_v**2 * (np.dot(step, inner @ step) if m > 0 else 0.0)
                struct_jump[k] += share * jm
                struct_jump_var[k] += share * (jv + jm * jm)
            for i in range(m):
                j = index[i]
                is_wild = wilds[k][0] == j or wilds[k][1] == j or wilds[k][2] == j
                if is_wild:
                    wild_p[j] += share
                    noise_score[j] += share * t[i]
                    continue
                noise_score[j] += share * t[i]
                em = noise[j] * t[i]
                ev = noise[j] - noise[j] ** 2 * inner[i, i]
                noise_sq[j] += share * (em * em + ev) * noise_var[j] / noise[j]
            for w in range(3):
                j = wilds[k][w]
                if j >= 0 and side[j] != 0:
                    wild_p[j] += share
    tilted_mean /= used
    tilted_sq = tilted_sq / used - np.outer(tilted_mean, tilted_mean)
    for k in range(K):
        if struct_w[k] > 0.0:
            struct_jump[k] /= struct_w[k]
            struct_jump_var[k] = max(struct_jump_var[k] / struct_w[k] - struct_jump[k] ** 2, 1e-8)
        struct_w[k] /= used
    scale_w /= used
    noise_score /= used
    noise_sq /= used
    wild_p /= used
    base_m /= used
    base_s = max(base_s / used - base_m * base_m, 1e-10)
    return tilted_mean, tilted_sq, top + math.log(evidence), base_m, base_s, rod_sq / used


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
    opened,
    wilds,
    struct_logprior,
    jump_mean,
    jump_var,
    wild_var,
    scale,
    scale_logw,
    logprior,
    onset,
    growth,
    ceilings,
    ceiling_sd,
    sweeps,
    damping,
    factor_precision,
    factor_eta,
    out_l,
    out_whole,
    struct_w,
    struct_jump,
    struct_jump_var,
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
    nothing = out_l[0, :0]
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
            if out_whole.shape[0] > 0:
                whole = out_whole[i]
            r0, r1 = reading_start[i], reading_start[i + 1]
            s0, s1 = struct_start[i], struct_start[i + 1]
            tm, tc, ev, bm, bv, rs = electrode_pass(
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
                opened[s0:s1],
                wilds[s0:s1],
                struct_logprior[s0:s1],
                jump_mean,
                jump_var,
                wild_var,
                scale,
                scale_logw,
                logprior[i],
                onset,
                growth,
                ceilings,
                ceiling_sd,
                out_l[i],
                whole,
                struct_w[s0:s1],
                struct_jump[s0:s1],
                struct_jump_var[s0:s1],
                scale_w[i],
                noise_score[r0:r1],
                noise_sq[r0:r1],
                wild_p[r0:r1],
            )
            base_mean[i] = bm
            base_var[i] = bv
            rod_sq[i] = rs
            evidence[i] = ev
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
