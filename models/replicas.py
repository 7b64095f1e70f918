"""Fleets drawn from the fitted model and read as the real one was: the same visits, ages, meters and limits.

Two kinds. *New rods*: every curve, baseline, visit, noise scale and step is drawn afresh from what the
classes share, so that a class can be compared with what the model thinks of such classes (mixed replicates,
Gelman, Meng and Stern 1996). *Same rods*: each electrode keeps its own posterior, only the readings are taken
anew.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from models.calibration import group_ends
from models.class_prior import group_tables, site_weights
from models.corrosion_curves import CurveGrid, risen
from models.curve_posterior import (
    parameter_draws,
)
from models.forecast import Fitted
from models.histories import ROUTINE, Floats, Histories, Ints

MOST_SITES = 800  # a class looks no different on more
_TURNS = 4  # of drawing readings out of range and baselines
_SET_ASIDE_VAR = 100.0  # of a reading that is surely wild: it says nothing


@dataclass(frozen=True)
class Record:
    """The readings of the sites that are looked at, and what the fit took as known of them.

    sites: (S',), electrodes: (E,), reading: (M',) their indices in the fit. site_of: (E,), electrode, visit:
    (M',) places among these sites, electrodes and their visits, visit -1 outside any. free: (M',) log
    readings less formula, fixed terms and district-year; known: (M',) what was taken off. side: (M',).
    routine: (M',). limit_over, limit_under: (M',) log limits of the meters.
    """

    sites: Ints
    electrodes: Ints
    reading: Ints
    site_of: Ints
    electrode: Ints
    visit: Ints
    free: Floats
    known: Floats
    side: Ints
    routine: npt.NDArray[np.bool_]
    limit_over: Floats
    limit_under: Floats


def record_of(fit: Fitted, most_sites: int = MOST_SITES) -> Record:
    """Lay out the readings of the fleet, of an even sample of its sites where it has more than most_sites.

    A meter's limit is on record only where it was met: elsewhere it is the fleet's usual one, or the reading
    itself where that lies beyond.
    """
    h = fit.histories
    sites = np.arange(h.sites)
    if h.sites > most_sites:
        sites = np.unique(np.linspace(0, h.sites - 1, most_sites).round().astype(np.int64))
    chosen = np.zeros(h.sites, dtype=bool)
    chosen[sites] = True
    electrodes = np.flatnonzero(chosen[h.electrode_site])
    reading = np.flatnonzero(chosen[h.electrode_site[h.reading_electrode]])
    electrode = np.searchsorted(electrodes, h.reading_electrode[reading])
    site_of = np.searchsorted(sites, h.electrode_site[electrodes])
    first_visit = np.cumsum([0, *np.diff(h.visit_start)[sites]])[site_of[electrode]]
    local = h.visit[reading]
    log_ohm, side = h.log_ohm[reading], h.side[reading]
    return Record(
        sites,
        electrodes,
        reading,
        site_of,
        electrode,
        np.where(local >= 0, first_visit + local, -1),
        fit.prepared.resid[reading],
        log_ohm - fit.prepared.resid[reading],
        side,
        h.kind[reading] == ROUTINE,
        np.where(side > 0, log_ohm, np.maximum(_usual_limit(h, 1), log_ohm)),
        np.where(side < 0, log_ohm, np.minimum(_usual_limit(h, -1), log_ohm)),
    )


def _usual_limit(h: Histories, side: int) -> float:
    met = h.log_ohm[h.side == side]
    return float(np.median(met)) if met.size else side * np.inf


@dataclass(frozen=True)
class Lives:
    """What is true of D drawn fleets: (D, E) for electrodes, (D, V') for visits; all logs of ratio or ohm.

    onset, step_age: years. growth: a year. scale: factor on the noise's standard deviation. base: the
    electrode's own level beyond formula and fixed terms, its site's offset included. family: of the curve.
    """

    onset: Floats
    growth: Floats
    ceiling: Floats
    step_age: Floats
    jump: Floats
    scale: Floats
    base: Floats
    visit: Floats
    family: Ints

    def curve(self, d: int, electrode: Ints, age: Floats) -> Floats:
        """Return (M',) log ratios in fleet d of electrodes (M',) at ages (M',)."""
        years = np.maximum(age - self.onset[d, electrode], 0.0)
        rise = risen(self.growth[d, electrode], years, self.family[d, electrode])
        stepped = self.jump[d, electrode] * (age >= self.step_age[d, electrode])
        return np.asarray(np.minimum(rise, self.ceiling[d, electrode]) + stepped)


def _field_draws(
    fit: Fitted, record: Record, draws: int, rng: np.random.Generator, known: bool
) -> tuple[Floats, Floats]:
    """Draw site offsets (D, S') and visit effects (D, V'): from their posterior if known, else anew."""
    offset, visits = np.zeros((draws, record.sites.size)), [np.zeros((draws, 0))]
    for k, s in enumerate(record.sites):
        mean = fit.found.field_mean[s] if known else np.zeros(fit.prepared.prior_precision[s].shape[0])
        cov = fit.found.field_cov[s] if known else np.linalg.inv(fit.prepared.prior_precision[s])
        values, vectors = np.linalg.eigh(cov)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        z = mean + rng.normal(size=(draws, mean.size)) @ root.T
        offset[:, k] = z[:, 0]
        visits.append(z[:, 1:])
    return offset, np.concatenate(visits, axis=1)


def _inside(edges: Floats, cell: Ints, rng: np.random.Generator) -> Floats:
    """Draw within each cell, evenly in the logarithm."""
    low, high = np.log(edges[cell]), np.log(edges[cell + 1])
    return np.asarray(np.exp(low + (high - low) * rng.random(cell.shape)))


def _own_ceiling(grid: CurveGrid, cell: Ints, rng: np.random.Generator) -> Floats:
    """Draw ceilings about their classes' centres; one below zero would be no ceiling."""
    drawn = grid.ceiling[cell] + grid.ceiling_sd[cell] * rng.normal(size=cell.shape)
    return np.maximum(drawn, 0.05)


def _picked(cumulated: Floats, rng: np.random.Generator) -> Ints:
    """Draw one index from each row of cumulated masses (N, X)."""
    u = rng.random(cumulated.shape[0]) * cumulated[:, -1]
    return np.minimum((cumulated < u[:, None]).sum(axis=1), cumulated.shape[1] - 1)


def _first_steps(
    fit: Fitted, electrodes: Ints, onset: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Draw ages and sizes (D, E) of the first steps since rods were driven; onset: (D, E) of these rods."""
    h, steps, shape = fit.histories, fit.calibration.steps, onset.shape
    mean, var = steps.jumps()
    opened = (rng.random(shape) < steps.open_share).astype(np.int64)
    rate = steps.rates([h.soil[i] for i in electrodes])
    age = steps.age_of_step(rng.exponential(size=shape), rate, onset)
    for e in [e for e, i in enumerate(electrodes) if h.surges[i]]:
        for at in h.surges[electrodes[e]]:
            struck = rng.random(shape[0]) < -np.expm1(-rate[e] * steps.surge_years)
            age[:, e] = np.where(struck, np.minimum(age[:, e], at), age[:, e])
    return age, np.maximum(mean[opened] + np.sqrt(var[opened]) * rng.normal(size=shape), 0.0)


def new_rods(fit: Fitted, record: Record, draws: int, rng: np.random.Generator) -> Lives:
    """Draw fleets of new rods in the places of the old: the class parameters' own doubt included."""
    cal, layout, grid = fit.calibration, fit.layout, fit.prepared.grid
    i = record.electrodes
    shape = (draws, i.size)
    cells = np.empty((3, *shape), dtype=np.int64)
    group, ends = layout.group[i], np.cumsum(group_ends(cal, layout), axis=1)
    for d, theta in enumerate(parameter_draws(cal, rng, draws)):
        t = group_tables(theta, layout, grid)
        weights = np.cumsum(site_weights(theta, layout)[record.sites], axis=1)
        node = _picked(weights, rng)[record.site_of]
        cells[0, d] = _picked(np.cumsum(t.onset, axis=-1)[group, node], rng)
        cells[1, d] = _picked(np.cumsum(t.growth, axis=-1)[group, node], rng)
        cells[2, d] = _picked(ends[group], rng)
    offset, visit = _field_draws(fit, record, draws, rng, known=False)
    rod = np.sqrt(fit.prepared.rod_var[i]) * rng.normal(size=shape)
    onset = _inside(grid.onset_edges, cells[0], rng)
    return Lives(
        onset,
        _inside(grid.growth_edges, cells[1], rng),
        _own_ceiling(grid, cells[2], rng),
        *_first_steps(fit, i, onset, rng),
        np.exp(cal.noise_spread * rng.normal(size=shape)),
        offset[:, record.site_of] + rod,
        visit,
        grid.family[cells[2]],
    )


def same_rods(fit: Fitted, record: Record, draws: int, rng: np.random.Generator) -> Lives:
    """Draw each electrode's own curve, step, noise scale, baseline and field from its posterior.

    The field is drawn first, from what the whole site says; curves do not follow each draw of it, the
    baselines do.
    """
    grid = fit.prepared.grid
    shape = (draws, record.electrodes.size)
    cell, step_age, jump = np.zeros(shape, np.int64), np.full(shape, np.inf), np.zeros(shape)
    for e, i in enumerate(record.electrodes):
        cell[:, e], step_age[:, e], jump[:, e] = _own_draws(fit, int(i), draws, rng)
    of_ceiling, of_onset, of_growth = np.unravel_index(cell, grid.shape)
    scales = np.cumsum(fit.found.scale_weight[record.electrodes], axis=1)
    node = np.stack([_picked(scales, rng) for _ in range(draws)])
    offset, visit = _field_draws(fit, record, draws, rng, known=True)
    drawn = Lives(
        _inside(grid.onset_edges, of_onset, rng),
        _inside(grid.growth_edges, of_growth, rng),
        grid.ceiling[of_ceiling],
        step_age,
        jump,
        fit.prepared.scale[0][node],
        np.zeros(shape),
        visit,
        grid.family[of_ceiling],
    )
    base = np.stack([_own_base(fit, record, drawn, offset[d], d, rng) for d in range(draws)])
    return replace(drawn, base=base)


def _own_draws(fit: Fitted, i: int, draws: int, rng: np.random.Generator) -> tuple[Ints, Floats, Floats]:
    """Draw grid points (D,), step ages and step sizes of electrode i."""
    post, steps = fit.posterior, fit.crossing.steps.get(i, [])
    broken = (rng.random(draws) < post.p_broken[i]) & bool(steps) & (i in post.broken)
    total = np.cumsum(post.whole[i], dtype=float)
    cell = np.searchsorted(total, rng.random(draws) * total[-1])
    age, jump = np.full(draws, np.inf), np.zeros(draws)
    if broken.any():
        n = int(broken.sum())
        total = np.cumsum(post.broken[i])
        cell[broken] = np.searchsorted(total, rng.random(n) * total[-1])
        share = np.array([s.share for s in steps])
        which = rng.choice(len(steps), size=n, p=share / share.sum())
        age[broken] = np.array([s.age for s in steps])[which]
        size = np.array([[s.jump, s.jump_sd] for s in steps])[which]
        jump[broken] = size[:, 0] + size[:, 1] * rng.normal(size=n)
    return np.minimum(cell, post.whole.shape[1] - 1), age, jump


def _own_base(
    fit: Fitted, record: Record, lives: Lives, offset: Floats, d: int, rng: np.random.Generator
) -> Floats:
    """Draw (E,) baselines given fleet d's field, curves and steps.

    Readings out of range are drawn beyond their limit and the baseline again, in turn (Gibbs sampling).
    """
    h, E = fit.histories, record.electrodes.size
    r, e = record.reading, record.electrode
    scale = lives.scale[d, e] ** 2
    noise = fit.prepared.noise_var[r] * scale + h.meter_var[r] + _SET_ASIDE_VAR * fit.found.wild_p[r]
    known = offset[record.site_of[e]] + _at_visits(lives.visit[d], record.visit) + lives.curve(d, e, h.age[r])
    left = record.free - known
    cut = np.flatnonzero(record.side != 0)
    weight = np.where(record.side == 0, 1.0 / noise, 0.0)
    own = np.zeros(E)
    for turn in range(_TURNS if cut.size else 1):
        if turn > 0:
            beyond = _beyond(left[cut], own[e[cut]], np.sqrt(noise[cut]), record.side[cut], rng)
            weight[cut] = 1.0 / noise[cut]
        drawn = left.copy()
        if turn > 0:
            drawn[cut] = beyond
        precision = 1.0 / fit.prepared.rod_var[record.electrodes] + np.bincount(e, weight, minlength=E)
        centre = np.bincount(e, weight * drawn, minlength=E) / precision
        own = centre + rng.normal(size=E) / np.sqrt(precision)
    return np.asarray(offset[record.site_of] + own)


def _beyond(limit: Floats, mean: Floats, sd: Floats, side: Ints, rng: np.random.Generator) -> Floats:
    """Draw normals (n,) above their limits (side 1) or below (side -1), by the inverse of the tail."""
    tail = ndtr(side * (mean - limit) / sd) * rng.random(mean.size)
    return np.asarray(mean - side * sd * ndtri(np.clip(tail, 1e-300, 1.0 - 1e-12)))


def _at_visits(effect: Floats, visit: Ints) -> Floats:
    """Return (M',) the effects (V',) of the readings' visits, nothing outside any."""
    return np.append(effect, 0.0)[visit]


@dataclass(frozen=True)
class Retaken:
    """One drawn fleet's readings: free (M',) like Record.free, side (M',), noise (M',) what was no signal."""

    free: Floats
    side: Ints
    noise: Floats


def retake(fit: Fitted, record: Record, lives: Lives, d: int, rng: np.random.Generator) -> Retaken:
    """Read fleet d at the very visits of the record, with noise, wild readings and the meters' limits."""
    h, steps, r, e = fit.histories, fit.calibration.steps, record.reading, record.electrode
    noise = np.sqrt(fit.prepared.noise_var[r] * lives.scale[d, e] ** 2 + h.meter_var[r])
    wild = rng.random(r.size) < steps.wild_share
    off = noise * rng.normal(size=r.size) + wild * steps.wild_sd * rng.normal(size=r.size)
    moved = _at_visits(lives.visit[d], record.visit)
    log_ohm = record.known + lives.base[d, e] + moved + lives.curve(d, e, h.age[r]) + off
    over, under = log_ohm > record.limit_over, log_ohm < record.limit_under
    side = np.where(over, 1, np.where(under, -1, 0)).astype(np.int64)
    # A reading that was read at this very value is no limit: only one beyond it is cut.
    shown = np.clip(log_ohm, record.limit_under, record.limit_over)
    return Retaken(shown - record.known, side, off)
