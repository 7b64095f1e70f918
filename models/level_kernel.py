"""Medians and bands of every electrode's level, compiled: what `outlook.level_draws` draws, and its summary.

Each electrode has a stream of random numbers of its own, from a number that its name gives: the same draws
whichever electrodes stand beside it and whoever does the work.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from models.accelerating_kernel import risen_to
from models.calibration import Calibration, Prepared
from models.curve_posterior import (
    Posterior,
)
from models.histories import Floats, Histories
from models.history_grid import inverse_spd
from models.outlook import (
    Step,
)
from models.site_pass import ForEach, SitePass, in_turn

DRAWS = 160
Seeds = npt.NDArray[np.uint64]
_FNV_START, _FNV_PRIME = np.uint64(0xCBF29CE484222325), np.uint64(0x100000001B3)


def electrode_seeds(names: Sequence[str], seed: int) -> Seeds:
    """Return (N,) a seed for each name: FNV-1a over its bytes (Fowler, Noll, Vo), begun at the run's seed."""
    at = np.frombuffer(b"".join(n.encode() for n in names), dtype=np.uint8)
    size = np.array([len(n.encode()) for n in names], dtype=np.int64)
    return _fnv(at, size, np.uint64(seed) ^ _FNV_START)


@njit(cache=True)
def _fnv(letters, size, start):  # type: ignore[no-untyped-def]
    out = np.empty(size.size, dtype=np.uint64)
    at = 0
    for i in range(size.size):
        value = start
        for _ in range(size[i]):
            value = (value ^ np.uint64(letters[at])) * _FNV_PRIME
            at += 1
        out[i] = value
    return out


@dataclass(frozen=True)
class LevelSummary:
    """Medians over an electrode's draws, logarithms, (N,) each, and the band of its curve.

    base, base_sd: log baseline and its spread. level, ratio: log level and log ratio at age_now. band:
    (N, B, 3) log level at the ages asked for, 5, 50 and 95 %.
    """

    base: Floats
    base_sd: Floats
    level: Floats
    ratio: Floats
    band: Floats


def known_levels(h: Histories, cal: Calibration) -> Floats:
    """Return (N,) the log baseline from formula, fleet, class and basis, its own terms left out."""
    fixed = dict(zip(cal.fixed_names, cal.fixed, strict=True))
    of_soil = {s: float(fixed[f"offset_{s}"]) for s in set(h.soil)}
    offset = np.array([of_soil[s] for s in h.soil], dtype=float)
    return np.asarray(h.log_formula + fixed["intercept"] + offset + h.raw * fixed["loop_raw"])


@dataclass(frozen=True)
class _Steps:
    """Steps of all electrodes, one after the other: start (N+1,), then share, age, jump and its sd (K,).

    mass: (B, G) curves' mass given a step; mass_row: (N,) row of each electrode in it, -1 for none.
    """

    start: npt.NDArray[np.int64]
    share: Floats
    age: Floats
    jump: Floats
    jump_sd: Floats
    mass: npt.NDArray[np.float32]
    mass_row: npt.NDArray[np.int64]


def _flat_steps(steps: Mapping[int, Sequence[Step]], post: Posterior, electrodes: int) -> _Steps:
    having = sorted(i for i, found in steps.items() if found)
    each = [s for i in having for s in steps[i]]
    count, row = np.zeros(electrodes, dtype=np.int64), np.full(electrodes, -1, dtype=np.int64)
    for k, i in enumerate(having):
        count[i], row[i] = len(steps[i]), k
    G = post.whole.shape[1]
    mass = np.stack([post.broken[i] for i in having]) if having else np.zeros((0, G))
    of_electrode = np.repeat(post.p_broken[having], count[having]) if having else np.zeros(0)
    return _Steps(
        np.concatenate([[0], np.cumsum(count)]),
        of_electrode * np.array([s.share for s in each]),
        np.array([s.age for s in each]),
        np.array([s.jump for s in each]),
        np.array([s.jump_sd for s in each]),
        mass.astype(np.float32),
        row,
    )


def level_summary(
    h: Histories,
    p: Prepared,
    found: SitePass,
    post: Posterior,
    steps: Mapping[int, Sequence[Step]],
    known: Floats,
    seeds: Seeds,
    ages: Floats | None = None,
    draws: int = DRAWS,
    each: ForEach = in_turn,
) -> LevelSummary:
    """Draw baselines and curves of every electrode and take their medians and bands.

    steps: of the electrodes whose record holds some (Crossing.steps). known: (N,) log baseline from formula,
    fleet, class and basis. seeds: (N,) from electrode_seeds. ages: (N, B) years at which the band is wanted.
    """
    N = h.electrodes
    ages = np.zeros((N, 0)) if ages is None else np.ascontiguousarray(ages, dtype=float)
    out, band = np.empty((N, 4)), np.empty((N, ages.shape[1], 3))
    flat = _flat_steps(steps, post, N)
    scale = found.scale_weight @ p.scale[0] ** 2
    noise = p.noise_var * scale[h.reading_electrode] + h.meter_var + 100.0 * found.wild_p
    whole = np.ascontiguousarray(post.whole, dtype=np.float32)
    edges = np.log(p.grid.onset_edges), np.log(p.grid.growth_edges)

    def one(s: int) -> None:
        precision, eta = found.factors[s]
        _site_levels(
            h.site_start[s], h.site_start[s + 1], h.reading_start, h.age, p.resid, h.side, noise, h.visit,
            p.rod_var, p.prior_precision[s], precision, eta, whole, flat.mass, flat.mass_row, flat.start,
            flat.share, flat.age, flat.jump, flat.jump_sd, post.p_broken, *edges, p.grid.ceiling,
            p.grid.ceiling_sd, p.grid.straight, h.age_now, seeds, draws, ages, out, band,
        )  # fmt: skip

    each(one, range(h.sites))
    out[:, [0, 2]] += known[:, None]
    return LevelSummary(out[:, 0], out[:, 1], out[:, 2], out[:, 3], band + known[:, None, None])


@njit(cache=True, nogil=True)
def _next(state):  # type: ignore[no-untyped-def]
    """Step a stream (1,) of random bits: SplitMix64 (Steele, Lea and Flood 2014)."""
    state[0] += np.uint64(0x9E3779B97F4A7C15)
    z = state[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@njit(cache=True, nogil=True)
def _uniform(state):  # type: ignore[no-untyped-def]
    """Return a number inside (0, 1)."""
    return (np.float64(_next(state) >> np.uint64(11)) + 0.5) * 2.0**-53


@njit(cache=True, nogil=True)
def _normals(state, out):  # type: ignore[no-untyped-def]
    """Fill out (n,) with standard normals, two at a time (Box and Muller 1958)."""
    for k in range(0, out.size, 2):
        radius = math.sqrt(-2.0 * math.log(_uniform(state)))
        angle = 2.0 * math.pi * _uniform(state)
        out[k] = radius * math.cos(angle)
        if k + 1 < out.size:
            out[k + 1] = radius * math.sin(angle)


@njit(cache=True, nogil=True, fastmath=True)
def _block_sums(mass, width, out):  # type: ignore[no-untyped-def]
    for b in range(out.size):
        total = np.float32(0.0)
        for g in range(b * width, (b + 1) * width):
            total += mass[g]
        out[b] = total


@njit(cache=True, nogil=True)
def _picks(mass, width, blocks, out):  # type: ignore[no-untyped-def]
    """Fill out (n,) with grid indices at evenly spaced shares of the mass (G,), as they lie in order."""
    _block_sums(mass, width, blocks)
    step = blocks.sum() / out.size
    b, before = 0, 0.0
    g, upto = 0, float(mass[0])
    for k in range(out.size):
        goal = (k + 0.5) * step
        while b < blocks.size - 1 and before + blocks[b] < goal:
            before += blocks[b]
            b += 1
            g = b * width
            upto = before + mass[g]
        while g < (b + 1) * width - 1 and upto < goal:
            g += 1
            upto += mass[g]
        out[k] = g


@njit(cache=True, nogil=True)
def _own_field(prior, precision, eta, total, total_eta, e):  # type: ignore[no-untyped-def]
    """Return mean (D,) and covariance (D, D) of the field as all electrodes but e tell it (others_field)."""
    cov, _, is_density = inverse_spd(prior + total - precision[e])
    if not is_density:
        return np.zeros(prior.shape[0]), inverse_spd(prior)[0]
    return cov @ (total_eta - eta[e]), cov


@njit(cache=True, nogil=True)
def _quantile(ordered, share):  # type: ignore[no-untyped-def]
    """Return a quantile of ordered values, linear between them."""
    at = share * (ordered.size - 1)
    low = int(at)
    if low >= ordered.size - 1:
        return ordered[ordered.size - 1]
    return ordered[low] + (at - low) * (ordered[low + 1] - ordered[low])


@njit(cache=True, nogil=True)
def _late_sums(precision):  # type: ignore[no-untyped-def]
    """Return Q (m+1,), R (m+1, m): sums of the precision over the readings from k on, both ways and one."""
    m = precision.shape[0]
    Q, R = np.zeros(m + 1), np.zeros((m + 1, m))
    for k in range(m - 1, -1, -1):
        for n in range(m):
            R[k, n] = R[k + 1, n] + precision[k, n]
        Q[k] = R[k, k:].sum()
    return Q, R


@njit(cache=True, nogil=True)
def _site_levels(  # type: ignore[no-untyped-def]
    e0,
    e1,
    reading_start,
    age,
    resid,
    side,
    noise,
    visit,
    rod_var,
    prior,
    precision,
    eta,
    whole,
    broken,
    broken_row,
    step_start,
    step_share,
    step_age,
    step_jump,
    step_jump_sd,
    p_broken,
    onset_edges,
    growth_edges,
    ceiling,
    ceiling_sd,
    straight,
    age_now,
    seeds,
    draws,
    ages,
    out,
    band,
):
    """Fill out (N, 4) and band (N, B, 3) for the electrodes e0 up to e1 of one site."""
    R = growth_edges.size - 1
    T = onset_edges.size - 1
    total, total_eta = precision.sum(axis=0), eta.sum(axis=0)
    blocks, state = np.empty(ceiling.size * T), np.empty(1, dtype=np.uint64)
    room = draws + 8 + step_age.size  # each part's count is rounded by itself
    base, now = np.empty(room), np.empty(room)
    onset, growth, top = np.empty(room), np.empty(room), np.empty(room)
    jump, jump_age = np.empty(room), np.empty(room)
    faster = np.empty(room, dtype=np.bool_)
    curve = np.empty(room)
    for i in range(e0, e1):
        state[0] = seeds[i]
        mean, cov = _own_field(prior, precision, eta, total, total_eta, i - e0)
        m = 0
        for j in range(reading_start[i], reading_start[i + 1]):
            m += side[j] == 0
        t, y, link, rising = np.empty(m), np.empty(m), np.empty(m), np.empty(m)
        of, S = np.empty(m, dtype=np.int64), np.empty((m, m))
        k = 0
        for j in range(reading_start[i], reading_start[i + 1]):
            if side[j] == 0:
                t[k], of[k] = age[j], visit[j] + 1
                y[k] = resid[j] - mean[0]
                link[k] = cov[0, 0] + rod_var[i]
                if of[k] > 0:
                    y[k] -= mean[of[k]]
                    link[k] += cov[0, of[k]]
                S[k, k] = noise[j]
                k += 1
        for a in range(m):
            for b in range(a + 1):
                s = cov[0, 0] + rod_var[i]
                if of[a] > 0:
                    s += cov[0, of[a]]
                if of[b] > 0:
                    s += cov[0, of[b]]
                if of[a] > 0 and of[b] > 0:
                    s += cov[of[a], of[b]]
                if a == b:
                    S[a, a] += s
                else:
                    S[a, b] = s
                    S[b, a] = s
        inverse = inverse_spd(S)[0] if m else S
        weights = inverse @ link
        left = math.sqrt(max(cov[0, 0] + rod_var[i] - link @ weights, 0.0))
        Q, late_with = _late_sums(inverse)
        n = 0
        parts = step_start[i + 1] - step_start[i] + 1
        for part in range(parts):
            stepped = part > 0
            at = step_start[i] + part - 1
            share = step_share[at] if stepped else (1.0 - p_broken[i] if parts > 1 else 1.0)
            count = math.floor(share * draws + 0.5)
            if count < 1:
                continue
            g = np.empty(count, dtype=np.int64)
            _picks(broken[broken_row[i]] if stepped else whole[i], R, blocks, g)
            z, own, step = np.empty(count), np.empty(count), np.zeros(count)
            _normals(state, z)
            _normals(state, own)
            if stepped:
                _normals(state, step)
            since = step_age[at] if stepped else np.inf
            for d in range(count):
                c, left_over = g[d] // (T * R), g[d] % (T * R)
                o, r = left_over // R, left_over % R
                tau = math.exp(onset_edges[o] + (onset_edges[o + 1] - onset_edges[o]) * _uniform(state))
                rate = math.exp(growth_edges[r] + (growth_edges[r + 1] - growth_edges[r]) * _uniform(state))
                up = step_jump[at] + step_jump_sd[at] * step[d] if stepped else 0.0
                quick = c >= straight
                first = m  # readings from here on lie on the ceiling
                while first > 0 and risen_to(rate, max(t[first - 1] - tau, 0.0), quick) > ceiling[c]:
                    first -= 1
                for k in range(m):
                    rising[k] = risen_to(rate, max(t[k] - tau, 0.0), quick)
                pull = 0.0
                if first < m:
                    for k in range(m):
                        rise = min(rising[k], ceiling[c])
                        pull += late_with[first, k] * (y[k] - rise - (up if t[k] >= since else 0.0))
                weight = Q[first] + 1.0 / ceiling_sd[c] ** 2
                high = ceiling[c] + pull / weight + own[d] / math.sqrt(weight)
                centre = mean[0]
                for k in range(m):
                    rise = min(rising[k], high)
                    centre += weights[k] * (y[k] - rise - (up if t[k] >= since else 0.0))
                base[n], faster[n] = centre + left * z[d], quick
                onset[n], growth[n], top[n], jump[n], jump_age[n] = tau, rate, high, up, since
                now[n] = min(risen_to(rate, max(age_now[i] - tau, 0.0), quick), high)
                now[n] += up if age_now[i] >= since else 0.0
                n += 1
        out[i, 0] = np.median(base[:n])
        out[i, 1] = base[:n].std()
        out[i, 2] = np.median(base[:n] + now[:n])
        out[i, 3] = np.median(now[:n])
        for b in range(ages.shape[1]):
            for d in range(n):
                rise = risen_to(growth[d], max(ages[i, b] - onset[d], 0.0), faster[d])
                curve[d] = base[d] + min(rise, top[d])
                curve[d] += jump[d] if ages[i, b] >= jump_age[d] else 0.0
            ordered = np.sort(curve[:n])
            band[i, b, 0] = _quantile(ordered, 0.05)
            band[i, b, 1] = _quantile(ordered, 0.5)
            band[i, b, 2] = _quantile(ordered, 0.95)
