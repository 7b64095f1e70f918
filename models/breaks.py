"""What may have happened to a history beside corrosion: a sudden step that stays, or single wild readings.

Each combination is a structure with its own prior probability; the likelihood is their sum. Structures that a
history gives no weight are dropped, the rest are kept exactly (they are part of the likelihood, not a filter
after it).
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numba import njit

from models.corrosion_curves import CoarseGrid
from models.histories import Floats, Histories, Ints
from models.history_grid import inverse_spd
from models.site_kernel import structure_loglik

# a structure e^-4.5 below the best on the coarse grid is not carried on; the plain one always is
_KEEP_WITHIN = 4.5
_MOST = 6
_DEPTH = 3


@dataclass(frozen=True)
class Structures:
    """K structures in all, electrode by electrode.

    start: (N+1,) first structure of each electrode. breaks: (K,) position of the first reading after the step
    or -1. opened: (K,) 1 where the step is to an open or nearly open lead, 0 where a lesser one. wilds: (K,
    3) positions of wild readings, -1 for none. log_prior: (K,).
    """

    start: Ints
    breaks: Ints
    opened: Ints
    wilds: Ints
    log_prior: Floats

    @property
    def electrode(self) -> Ints:
        """(K,) electrode index of each structure."""
        return np.repeat(np.arange(self.start.size - 1), np.diff(self.start))


@dataclass(frozen=True)
class StepModel:
    """Rates and sizes: break_rate a year, jump_mean and jump_sd (log), wild_share of readings, wild_sd (log).

    open_share of the breaks leave an open lead, a step of open_mean, open_sd (log): from 15 ohm to over 1500
    is 4.6.
    """

    break_rate: float = 0.003
    jump_mean: float = 0.9
    jump_sd: float = 0.5
    wild_share: float = 0.01
    wild_sd: float = 0.8
    open_share: float = 0.2
    open_mean: float = 4.0
    open_sd: float = 1.5

    def jumps(self) -> tuple[Floats, Floats]:
        """Return means and variances of the two kinds of step."""
        return np.array([self.jump_mean, self.open_mean]), np.array([self.jump_sd**2, self.open_sd**2])


def plain_structures(electrodes: int) -> Structures:
    """Return the structure of undisturbed histories for every electrode."""
    return Structures(
        np.arange(electrodes + 1),
        np.full(electrodes, -1, dtype=np.int64),
        np.zeros(electrodes, dtype=np.int64),
        np.full((electrodes, 3), -1, dtype=np.int64),
        np.zeros(electrodes),
    )


@njit(cache=True, nogil=True)
def _log_prior(age, brk, opened, wild, break_rate, open_share, wild_share):  # type: ignore[no-untyped-def]
    value = 0.0
    if brk >= 0:
        since = 0.0  # a step before the first reading hides in the level, but not from the rod formula
        if brk > 0:
            since = age[brk - 1]
        value += math.log(max(break_rate * (age[brk] - since), 1e-12))
        value += math.log(open_share if opened == 1 else 1.0 - open_share)
    for w in range(3):
        if wild[w] >= 0:
            value += math.log(wild_share / (1.0 - wild_share))
    return value


@njit(cache=True, nogil=True)
def _evidence(ll, logprior):  # type: ignore[no-untyped-def]
    top = -np.inf
    for g in range(ll.size):
        v = ll[g] + logprior[g]
        top = max(top, v)
    s = 0.0
    for g in range(ll.size):
        d = ll[g] + logprior[g] - top
        if d > -30.0:
            s += math.exp(d)
    return top + math.log(s)


@njit(cache=True, nogil=True)
def _search_electrode(  # type: ignore[no-untyped-def]  # noqa: PLR0912, PLR0915  # compiled: one search
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
    break_rate,
    open_share,
    wild_share,
    onset,
    growth,
    ceilings,
    ceiling_sd,
    logprior,
    breaks,
    opened,
    wilds,
    values,
):
    """Fill the kept structures (breaks, wilds, values = log evidence with prior); return their count."""
    n = age.size
    ll = np.empty(logprior.size)
    none = np.full(3, -1, np.int64)
    structure_loglik(
        age,
        resid,
        side,
        noise,
        visit,
        mean,
        cov,
        rod_var,
        -1,
        none,
        jump_mean[0],
        jump_var[0],
        wild_var,
        onset,
        growth,
        ceilings,
        ceiling_sd,
        ll,
    )
    most = 3 * n * (_DEPTH + 1) * 3 + 4
    found_b = np.full(most, -1, np.int64)
    found_o = np.zeros(most, np.int64)
    found_w = np.full((most, 3), -1, np.int64)
    found_v = np.full(most, -np.inf)
    expanded = np.zeros(most, np.bool_)
    count = 1
    found_v[0] = _evidence(ll, logprior)
    for _ in range(_DEPTH):
        best = -1
        top = found_v[:count].max()
        for c in range(count):
            if not expanded[c] and found_v[c] > top - 2.0 and (best < 0 or found_v[c] > found_v[best]):
                best = c
        if best < 0:
            break
        expanded[best] = True
        depth = 0
        while depth < 3 and found_w[best, depth] >= 0:
            depth += 1
        grown = False
        for j in range(n):
            for what in range(3):
                if count >= most:
                    break
                wild = found_w[best].copy()
                brk = found_b[best]
                kind = found_o[best]
                if what < 2:
                    since = 0.0
                    level = 0.0
                    if j > 0:
                        since = age[j - 1]
                        level = resid[j - 1]
                    if brk >= 0 or age[j] - since <= 0.02:
                        continue
                    if what == 1 and resid[j] - level < 1.2:
                        continue
                    brk = j
                    kind = what
                else:
                    if depth >= 3 or wild[0] == j or wild[1] == j or wild[2] == j:
                        continue
                    wild[depth] = j
                structure_loglik(
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
                    jump_mean[kind],
                    jump_var[kind],
                    wild_var,
                    onset,
                    growth,
                    ceilings,
                    ceiling_sd,
                    ll,
                )
                found_b[count] = brk
                found_o[count] = kind
                found_w[count] = wild
                found_v[count] = _evidence(ll, logprior) + _log_prior(
                    age, brk, kind, wild, break_rate, open_share, wild_share
                )
                if found_v[count] > found_v[best] - 1.0:
                    grown = True
                count += 1
        if not grown:
            break
    order = np.argsort(-found_v[:count])
    breaks[0] = -1
    opened[0] = 0
    wilds[0] = -1
    values[0] = found_v[0]
    kept = 1
    for c in order:
        if kept >= _MOST or found_v[c] < found_v[order[0]] - _KEEP_WITHIN:
            break
        double = False
        for k in range(kept):
            same = breaks[k] == found_b[c] and opened[k] == found_o[c]
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
        opened[kept] = found_o[c]
        wilds[kept] = found_w[c]
        values[kept] = found_v[c]
        kept += 1
    return kept


@njit(cache=True, nogil=True)
def _search_site(  # type: ignore[no-untyped-def]
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
    break_rate,
    open_share,
    wild_share,
    onset,
    growth,
    ceilings,
    ceiling_sd,
    logprior,
    counts,
    breaks,
    opened,
    wilds,
    values,
):
    D = prior_precision.shape[0]
    precision = prior_precision.copy()
    eta = np.zeros(D)
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
            break_rate,
            open_share,
            wild_share,
            onset,
            growth,
            ceilings,
            ceiling_sd,
            logprior[i],
            breaks[i],
            opened[i],
            wilds[i],
            values[i],
        )


def search_structures(
    h: Histories,
    model: StepModel,
    resid: Floats,
    noise: Floats,
    rod_var: Floats,
    prior_precision: list[Floats],
    factors: list[tuple[Floats, Floats]],
    screen: CoarseGrid,
    each: Callable[[Callable[[int], None], Iterable[int]], None],
) -> Structures:
    """Find for each electrode the structures that its history gives weight, by growing from the plain one.

    A screen on a coarser grid: what it lets through is weighed exactly in the site pass.

    resid, noise: (M,) log readings less known terms, and their variances. prior_precision: per site (D, D).
    factors: per site, what each electrode says of the site's field. screen: the grid for it. each runs a
    function over sites.
    """
    N = h.electrodes
    counts = np.zeros(N, np.int64)
    breaks = np.full((N, _MOST), -1, np.int64)
    opened = np.zeros((N, _MOST), np.int64)
    jumps = model.jumps()
    wilds = np.full((N, _MOST, 3), -1, np.int64)
    values = np.full((N, _MOST), -np.inf)

    def one(s: int) -> None:
        _search_site(
            h.site_start[s], h.site_start[s + 1], h.reading_start, h.age, resid, h.side, noise, h.visit,
            rod_var, prior_precision[s], *factors[s], *jumps, model.wild_sd**2, model.break_rate,
            model.open_share, model.wild_share, screen.onset_years, screen.growth, screen.ceiling,
            screen.ceiling_sd, screen.log_mass, counts, breaks, opened, wilds, values,
        )  # fmt: skip

    each(one, range(h.sites))
    start = np.concatenate([[0], np.cumsum(counts)])
    take = np.arange(_MOST)[None, :] < counts[:, None]
    found = Structures(start, breaks[take], opened[take], wilds[take], np.zeros(int(start[-1])))
    return reprice(h, model, found)


def reprice(h: Histories, model: StepModel, s: Structures) -> Structures:
    """Return the structures with prior probabilities under the model's present rates."""
    log_prior = np.empty(s.breaks.size)
    for k, i in enumerate(s.electrode):
        age = h.age[h.reading_start[i] : h.reading_start[i + 1]]
        log_prior[k] = _log_prior(
            age, s.breaks[k], s.opened[k], s.wilds[k], model.break_rate, model.open_share, model.wild_share
        )
    return Structures(s.start, s.breaks, s.opened, s.wilds, log_prior)
