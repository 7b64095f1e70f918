"""Lasting shifts of a whole site that no works record explains: a question for the owner, not corrosion.

A changed neutral or shield wire, a neighbour that failed, a grid tied in: all wells of the site move
together, on one day and for good. Corrosion of all rods moves them too, but never on one day and not all
alike. Without the shift on record a pass may take it for the visits' wandering, or for a break of every rod
on the same day; which of the two accounts is the better one, the evidence of both decides.
"""

from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from scipy.special import expit

from models.breaks import Structures, plain_structures
from models.calibration import (
    Calibration,
    Prepared,
    State,
    end_shares,
    layout_of,
    prepare,
    search,
)
from models.class_prior import curve_prior
from models.histories import Floats, Histories
from models.site_pass import FieldSpread, ForEach, SitePass, in_turn, no_factors, site_pass

# Shifts a site-year that nobody wrote down, and how sure one has to be before it is asked about (common
# practice, no source).
RATE_PER_YEAR = 0.01
SURE = 0.95
_WORTH_A_LOOK = 3.0  # log Bayes factor from the field alone
_JUMP = 3.8  # of all rods together, in spreads of a visit: less leaves the chance of a shift far below SURE
_CLEAR = 3.0  # a shift's size in its own spreads
_ROUNDS = 6
# Accounts without a shift: by how much (ln) rods begin later and grow faster than their class, and the log
# chance of it. A yard may simply be harsher than its class, and must not be talked out of it.
_YARDS = ((0.0, 0.0, 0.0), (-0.7, 0.4, float(np.log(0.1))), (-1.4, 0.4, float(np.log(0.1))))


@dataclass(frozen=True)
class LastingShift:
    """One site's shift.

    site: index. year: decimal, half way between the two visits. size_log, size_sd_log: of the shift, ln.
    log_bayes_factor: of the shift against none. probability: that there was one, wherever likeliest.
    """

    site: int
    year: float
    size_log: float
    size_sd_log: float
    log_bayes_factor: float
    probability: float


def gap_evidence(
    prior_precision: Floats, mean: Floats, cov: Floats, shift_sd: float
) -> tuple[Floats, Floats, Floats]:
    """Return log Bayes factor, mean and sd of a shift before each visit but the first, (T-1,) each.

    prior_precision P, cov: (1+T, 1+T) of the field before and after the readings; mean (1+T,). What the
    readings say about the field is Gaussian, so that a shift is one more direction of the prior: its pull is
    a'P mean, its information a'(P - P cov P) a, a = 1 from the visit on.
    """
    pull = (prior_precision @ mean)[1:]
    info = (prior_precision - prior_precision @ cov @ prior_precision)[1:, 1:]
    # Where a history cannot tell the field from its own curve its factor may widen the field: no evidence.
    values, vectors = np.linalg.eigh(0.5 * (info + info.T))
    told = values > 1e-6 * values.max()
    across = np.cumsum(vectors[::-1], axis=0)[::-1][1:]
    pull_after = across[:, told] @ (vectors[:, told].T @ pull)
    info_after = across[:, told] ** 2 @ values[told]
    weight = 1.0 + shift_sd**2 * info_after
    log_bf = -0.5 * np.log(weight) + 0.5 * (shift_sd * pull_after) ** 2 / weight
    return log_bf, shift_sd**2 * pull_after / weight, shift_sd / np.sqrt(weight)


def _log_mass(precision: Floats, eta: Floats) -> float:
    """Return the log of the integral of exp(-z'Pz/2 + eta'z), less constants; -inf where there is none."""
    values, vectors = np.linalg.eigh(precision)
    if values[0] <= 0.0:
        return -np.inf
    return 0.5 * float(((vectors.T @ eta) ** 2 / values).sum()) - 0.5 * float(np.log(values).sum())


def site_log_evidence(prior_precision: Floats, factors: tuple[Floats, Floats], evidence: Floats) -> float:
    """Return a site's log evidence by expectation propagation (Minka 2001, eq. 21).

    evidence: (E,) log evidence of each electrode against what the others say. -inf where factors are no
    density.
    """
    precision, eta = factors
    whole, centre = prior_precision + precision.sum(axis=0), eta.sum(axis=0)
    total = _log_mass(whole, centre)
    if not np.isfinite(total):
        return -np.inf
    parts = [
        ev + _log_mass(whole - p, centre - e) - total
        for p, e, ev in zip(precision, eta, evidence, strict=True)
    ]
    return total - _log_mass(prior_precision, np.zeros_like(centre)) + float(sum(parts))


def common_jumps(h: Histories, resid: Floats, s: int) -> Floats:
    """Return (T-1,) by how much the rods of a site rose at each gap, beyond their rise at its other gaps.

    The median over rods of the mean of two visits after less the mean of two before; 0 where no rod was read
    on both sides.
    """
    jump = np.zeros(int(h.visit_start[s + 1] - h.visit_start[s]) - 1)
    _common_rise(h.site_start[s], h.site_start[s + 1], h.reading_start, h.visit, h.side, resid, jump)
    return jump


@njit(cache=True, nogil=True)
def _common_rise(e0, e1, reading_start, visit, side, resid, jump):  # type: ignore[no-untyped-def]
    """Fill jump (T-1,), zeros, for the electrodes e0 up to e1 of one site."""
    rise = np.full((jump.size, e1 - e0), np.nan)
    for e in range(e1 - e0):
        r = np.arange(reading_start[e0 + e], reading_start[e0 + e + 1])
        r = r[(visit[r] >= 0) & (side[r] == 0)]
        for k in range(1, r.size):
            up = resid[r[k : k + 2]].mean() - resid[r[max(k - 2, 0) : k]].mean()
            rise[visit[r[k - 1]] : visit[r[k]], e] = up
    read = np.zeros(jump.size, dtype=np.bool_)
    for g in range(jump.size):
        known = rise[g][~np.isnan(rise[g])]
        if known.size:
            read[g] = True
            jump[g] = np.median(known)
    if read.any():
        usual = np.median(jump[read])
        for g in range(jump.size):
            if read[g]:
                jump[g] -= usual


def _candidates(h: Histories, p: Prepared, state: State, spread: FieldSpread) -> list[tuple[int, int]]:
    """Return (site, visit) where a shift may have come: by the field, or by what the rods did together.

    A pass that did not know of a shift may have given it to the visits, to a step of every rod, or to their
    curves; the readings themselves show where they moved.
    """
    found: set[tuple[int, int]] = set()
    for s in range(h.sites):
        T, E = int(h.visit_start[s + 1] - h.visit_start[s]), int(h.site_start[s + 1] - h.site_start[s])
        if T < 3 or E < 2:
            continue
        precision, eta = state.factors[s]
        cov = np.linalg.inv(p.prior_precision[s] + precision.sum(axis=0))
        log_bf, _, _ = gap_evidence(p.prior_precision[s], cov @ eta.sum(axis=0), cov, spread.shift_sd)
        if float(log_bf.max()) > _WORTH_A_LOOK:
            found.add((s, int(np.argmax(log_bf)) + 1))
        jump = np.abs(common_jumps(h, p.resid, s))
        if float(jump.max()) > _JUMP * spread.visit_sd:
            found.add((s, int(np.argmax(jump)) + 1))
    return sorted(found)


@dataclass(frozen=True)
class _Pass:
    """A pass over some sites that knew nothing beforehand; evidence: (S,) log, NaN where there is none."""

    prepared: Prepared
    state: State
    found: SitePass
    evidence: Floats


def _pass_of(h: Histories, cal: Calibration, node_weight: Floats, each: ForEach) -> _Pass:
    layout, p = layout_of(h, cal), prepare(h, cal)
    state = State(plain_structures(h.electrodes), no_factors(h), node_weight)
    state = search(h, cal, p, layout, state, each)
    found = site_pass(
        h, p.resid, p.noise_var, p.rod_var, p.prior_precision, state.structures, cal.steps, p.scale,
        curve_prior(cal.theta, layout, p.grid.coarser()), layout.group, node_weight,
        end_shares(cal, layout), state.factors, 1, each, rounds=_ROUNDS,
    )  # fmt: skip
    evidence = np.array([
        site_log_evidence(p.prior_precision[s], found.factors[s], found.evidence[a:b])
        for s, (a, b) in enumerate(zip(h.site_start[:-1], h.site_start[1:], strict=True))
    ])  # fmt: skip
    state = replace(state, factors=found.factors)
    return _Pass(p, state, found, np.where(np.isfinite(evidence), evidence, np.nan))


@dataclass(frozen=True)
class Asked:
    """Lasting shifts found, one a site; the histories with them; the state of a pass that knows of them."""

    shifts: tuple[LastingShift, ...]
    histories: Histories
    state: State


def ask_for_shifts(
    h: Histories, cal: Calibration, p: Prepared, state: State, each: ForEach = in_turn
) -> Asked:
    """Find the lasting shifts, not on record, of which the readings leave hardly a doubt.

    p, state: as a site pass under cal takes and leaves them. Sites that may have one are weighed from the
    start, with the shift and without it; without it also as yards harsher than their class. What any other
    site takes away is what it brought, so that a fleet in pieces gives the same.
    """
    pairs = _candidates(h, p, state, cal.spread)
    if not pairs:
        return Asked((), h, state)
    site, visit = np.array(pairs, dtype=np.int64).T
    part = h.sample_sites(site)  # a site with two candidates stands in it twice
    rods = np.concatenate([np.arange(h.site_start[s], h.site_start[s + 1]) for s in site])
    weight = state.node_weight[rods]
    year, gap = np.array([_between(part, i, int(v)) for i, v in enumerate(visit)]).T
    moved = _pass_of(with_shifts(part, dict(enumerate(year.tolist()))), cal, weight, each)
    log_bf = moved.evidence - _without_shift(part, cal, weight, moved.evidence, gap, each)
    chance = _chance(log_bf, gap)
    best: dict[int, tuple[int, LastingShift]] = {}
    for i in np.flatnonzero(chance >= SURE).tolist():
        size, sd = _size(moved, i, int(visit[i]), cal.spread.shift_sd)
        if abs(size) < _CLEAR * sd:
            continue  # the two passes parted over something else than the shift
        one = LastingShift(int(site[i]), float(year[i]), size, sd, float(log_bf[i]), float(chance[i]))
        if one.site not in best or one.log_bayes_factor > best[one.site][1].log_bayes_factor:
            best[one.site] = (i, one)
    return Asked(
        tuple(one for _, one in best.values()),
        with_shifts(h, {s: one.year for s, (_, one) in best.items()}),
        _in_place(h, state, part, moved.state, {s: i for s, (i, _) in best.items()}),
    )


def _in_place(h: Histories, state: State, part: Histories, found: State, at: dict[int, int]) -> State:
    """Return the state with some sites' factors and structures as found of a part; at: site to its place."""
    if not at:
        return state
    factors = list(state.factors)
    picks = [
        np.arange(a, b) for a, b in zip(state.structures.start[:-1], state.structures.start[1:], strict=True)
    ]
    old, new = state.structures, found.structures
    for s, i in at.items():
        factors[s] = found.factors[i]
        for e in range(int(h.site_start[s + 1] - h.site_start[s])):
            j = part.site_start[i] + e
            picks[h.site_start[s] + e] = old.breaks.size + np.arange(new.start[j], new.start[j + 1])
    order = np.concatenate(picks)
    both = {
        k: np.concatenate([getattr(old, k), getattr(new, k)])[order]
        for k in ("breaks", "opened", "wilds", "log_prior", "ends")
    }
    start = np.concatenate([[0], np.cumsum([k.size for k in picks])]).astype(np.int64)
    return State(Structures(start=start, **both), factors, state.node_weight)


def _chance(log_bf: Floats, gap: Floats) -> Floats:
    """Return the probability of a shift in a gap of so many years; 0 where no evidence was to be had."""
    log_odds = log_bf + np.log(RATE_PER_YEAR * gap)
    return np.where(np.isfinite(log_bf), expit(np.nan_to_num(log_odds)), 0.0)


def _without_shift(
    h: Histories, cal: Calibration, weight: Floats, within: Floats, gap: Floats, each: ForEach
) -> Floats:
    """Return the log evidence of the best account without a shift; of the others only where it is needed."""
    best = np.full(h.sites, -np.inf)
    left = np.arange(h.sites)
    for onset, growth, prior in _YARDS:
        if left.size:
            rods = np.isin(h.electrode_site, left)
            harsher = _harsher(cal, onset, growth)
            found = _pass_of(h.sample_sites(left), harsher, weight[rods], each)
            best[left] = np.fmax(best[left], prior + found.evidence)
            left = left[_chance(within[left] - best[left], gap[left]) >= SURE]
    return best


def _harsher(cal: Calibration, onset: float, growth: float) -> Calibration:
    """Return the calibration with all classes' mean log onset and log growth moved."""
    at = {"onset_fleet": onset, "growth_fleet": growth}
    return replace(cal, theta=cal.theta + np.array([at.get(n, 0.0) for n in cal.theta_names]))


def _between(h: Histories, s: int, visit: int) -> tuple[float, float]:
    """Return the middle, as a decimal year, and the length in years of the gap before a visit."""
    t = h.visit_year[h.visit_start[s] : h.visit_start[s + 1]]
    return float(0.5 * (t[visit - 1] + t[visit])), max(float(t[visit] - t[visit - 1]), 1e-3)


def _size(moved: _Pass, s: int, visit: int, sd: float) -> tuple[float, float]:
    """Return mean and sd of the shift as part of a field whose prior holds it already."""
    mean, cov = moved.found.field_mean[s], moved.found.field_cov[s]
    link = np.zeros(mean.size)
    link[1 + visit :] = sd**2  # its covariance with the field
    gain = moved.prepared.prior_precision[s] @ link
    left = sd**2 - float(link @ gain) + float(gain @ cov @ gain)
    return float(gain @ mean), float(np.sqrt(max(left, 0.0)))


def with_shifts(h: Histories, years: dict[int, float]) -> Histories:
    """Return the histories with shifts beside those on record: site index to decimal year."""
    added = {s: (y,) for s, y in years.items()}
    return replace(
        h,
        shifts=tuple(tuple(sorted((*on_record, *added.get(s, ())))) for s, on_record in enumerate(h.shifts)),
    )
