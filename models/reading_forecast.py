"""What a reading of an electrode a year ahead may be, and what each outcome would say of its curve.

Every curve of the grid, with or without a step in the record, forecasts the reading, given all before it.
Outcomes are intervals of the reading, each of which weighs the grid anew: exactly the posterior that a meter
would leave which told no more than the interval.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from models.corrosion_curves import crossing_table, risen
from models.forecast import Fitted
from models.histories import ROUTINE, Floats, Ints
from models.outlook import Step, others_field

OUTCOMES = 16
AHEAD_YEARS = 1.0
_SCORES = 2.4  # outcomes are spread over so many standard scores, the tails being the outermost two
_LEVELS = 96  # what forecasts the same reading is told apart by nothing: gathered into so many levels at most
_LOOSE_JUMP_SD = 1.0
_NEGLIGIBLE = 1e-4


@dataclass(frozen=True)
class Futures:
    """What may be true of one electrode, gathered by the reading that it forecasts.

    weight: (L,) probabilities. level: (L,) expected log reading a year ahead, beyond formula and fixed terms,
    at the class's mean season. sd: of a reading about it. past: (L, Y+1) chance of being past the threshold
    now and in each of Y years. ratio, ratio_sq: (L,) mean log ratio a year ahead, and mean square. now: mean
    log level today.
    """

    weight: Floats
    level: Floats
    sd: float
    past: Floats
    ratio: Floats
    ratio_sq: Floats
    now: float


@dataclass(frozen=True)
class Points:
    """Points of the grid kept for one electrode under one story of steps, before they are gathered.

    weight, level, today, ratio: (P,), level a year ahead and today. spread: variance of the level given the
    point. past: (P, Y+1).
    """

    weight: Floats
    level: Floats
    today: Floats
    ratio: Floats
    spread: float
    past: Floats


class CrossedTable:
    """Shares of the grid's cells that have crossed by each whole year of age, by threshold."""

    def __init__(self, fit: Fitted, years: int) -> None:
        last = float(fit.histories.age_now.max(initial=0.0)) + years + 2.0
        self.ages: Floats = np.arange(0.0, last + 1.0)
        grid = fit.prepared.grid
        self._by = {
            float(v): crossing_table(grid, float(v), self.ages).astype(np.float32)
            for v in np.unique(fit.log_threshold)
        }

    def at(self, threshold: float, points: Ints, ages: Floats) -> Floats:
        """Return (P, A) shares crossed of grid points (P,) by ages (A,), years, one apart."""
        low = min(int(ages[0]), self.ages.size - ages.size - 1)
        share = np.float32(ages[0] - low)
        rows = self._by[threshold][points, low : low + ages.size + 1]
        return np.asarray(rows[:, :-1] * (1.0 - share) + rows[:, 1:] * share, dtype=float)


def reading_sd(fit: Fitted, i: int) -> float:
    """Return the sd of the log of a reading of electrode i about its level and visit: meter, noise, year."""
    h, cal, p = fit.histories, fit.calibration, fit.prepared
    noise = float(cal.noise_sd[cal.soils.index(h.soil[i])]) ** 2
    scale = float(fit.found.scale_weight[i] @ p.scale[0] ** 2)
    own = slice(h.reading_start[i], h.reading_start[i + 1])
    meters = h.meter_var[own][h.kind[own] == ROUTINE]
    meter = float(np.median(meters)) if meters.size else 0.0
    return float(np.sqrt(noise * scale + meter + cal.period_sd**2))


def futures_of(fit: Fitted, i: int, table: CrossedTable, years: int) -> Futures:
    """Work out what may be true of electrode i and what each forecasts for a reading a year from now."""
    steps = fit.crossing.steps.get(i, [])
    broken = float(fit.posterior.p_broken[i]) if steps and i in fit.posterior.broken else 0.0
    stories: list[tuple[float, Step | None]] = [(1.0 - broken, None)]
    stories += [(broken * s.share, s) for s in steps if broken * s.share > 1e-3]
    parts = [_points(fit, i, share, step, table, years) for share, step in stories if share > 1e-3]
    now = sum(float(p.weight @ p.today) for p in parts)
    sd = reading_sd(fit, i)
    spread = max(p.spread for p in parts)
    return _gathered(parts, float(np.sqrt(sd**2 + spread)), now)


def _points(fit: Fitted, i: int, share: float, step: Step | None, table: CrossedTable, years: int) -> Points:
    """Return the grid points that carry weight under one story, each with its level given the readings."""
    h, grid, post = fit.histories, fit.prepared.grid, fit.posterior
    mass = np.asarray(post.whole[i] if step is None else post.broken[i], dtype=float)
    g = np.flatnonzero(mass > _NEGLIGIBLE * mass.max())
    of_ceiling, of_onset, of_growth = np.unravel_index(g, grid.shape)
    tau, rate, ceiling = grid.onset_years[of_onset], grid.growth[of_growth], grid.ceiling[of_ceiling]
    family = grid.family[of_ceiling]

    def curve(age: Floats) -> Floats:
        rise = risen(rate[:, None], np.maximum(age - tau[:, None], 0.0), family[:, None])
        return np.asarray(np.minimum(rise, ceiling[:, None]))

    base, level_sd = _base_given(fit, i, curve, step)
    ages = h.age_now[i] + np.arange(years + 1.0)
    threshold = float(fit.log_threshold[i])
    today, ratio = curve(h.age_now[i] + np.array([0.0, AHEAD_YEARS])).T
    past = table.at(threshold, g, ages)
    jump = 0.0
    if step is not None:
        jump = step.jump
        left = (curve(ages) + jump - threshold) / max(step.jump_sd, 0.05)
        past = np.maximum(past, ndtr(left))
    weight = share * mass[g] / mass[g].sum()
    return Points(weight, base + ratio, base + today, ratio + jump, level_sd**2, past)


def _base_given(
    fit: Fitted, i: int, curve: Callable[[Floats], Floats], step: Step | None
) -> tuple[Floats, float]:
    """Return each point's expected base (P,) a year ahead and its sd, given all readings.

    A step's size is in it, and what the last visit says of the next, which remembers it. Under the story
    without a step, readings that a likely step would have moved count by how likely it is that they are
    sound.
    """
    h, p, found = fit.histories, fit.prepared, fit.found
    site = int(h.electrode_site[i])
    mean, cov = others_field(p.prior_precision[site], *found.factors[site], int(i - h.site_start[site]))
    r = np.arange(h.reading_start[i], h.reading_start[i + 1])
    r = r[h.side[r] == 0]
    scale = float(found.scale_weight[i] @ p.scale[0] ** 2)
    sound = 1.0 - found.wild_p[r]
    moved = np.zeros(r.size)
    if step is None:
        for s in fit.crossing.steps.get(i, []):
            sound *= 1.0 - fit.posterior.p_broken[i] * s.share * (h.age[r] >= s.until - 1e-9)
    else:
        moved = (h.age[r] >= step.until - 1e-9).astype(float)
    noise = (p.noise_var[r] * scale + h.meter_var[r]) / np.maximum(sound, 1e-3)
    H = np.zeros((r.size, mean.size))
    H[:, 0] = 1.0
    seen = np.flatnonzero(h.visit[r] >= 0)
    H[seen, h.visit[r][seen] + 1] = 1.0
    loose = 0.0 if step is None else _LOOSE_JUMP_SD**2
    jump = 0.0 if step is None else step.jump
    S = H @ cov @ H.T + p.rod_var[i] + loose * np.outer(moved, moved) + np.diag(noise)
    ahead, visit_var = _next_visit(fit, i, mean.size)
    link = H @ (cov @ ahead) + p.rod_var[i] + loose * moved
    prior = float(ahead @ cov @ ahead) + p.rod_var[i] + loose + visit_var
    if not r.size:
        return np.full(curve(np.zeros(1)).shape[0], ahead @ mean + jump), float(np.sqrt(prior))
    weights = np.linalg.solve(S, link)
    free = p.resid[r] - H @ mean - jump * moved
    centre = ahead @ mean + jump + free @ weights - curve(h.age[r]) @ weights
    return centre, float(np.sqrt(max(prior - float(link @ weights), 0.0)))


def _next_visit(fit: Fitted, i: int, size: int) -> tuple[Floats, float]:
    """Return how the site's field (size,) enters a reading a year ahead, and the variance new in it."""
    h, spread = fit.histories, fit.calibration.spread
    ahead = np.zeros(size)
    ahead[0] = 1.0
    last = h.reading_start[i + 1] - 1
    if size < 2 or last < h.reading_start[i]:
        return ahead, spread.visit_sd**2
    now = h.year[last] + h.age_now[i] - h.age[last]
    gap = now + AHEAD_YEARS - h.visit_year[h.visit_start[h.electrode_site[i] + 1] - 1]
    memory = float(np.exp(-max(gap, 0.0) / spread.visit_years))
    ahead[-1] = memory
    return ahead, spread.visit_sd**2 * (1.0 - memory**2)


def _gathered(parts: list[Points], sd: float, now: float) -> Futures:
    """Gather points that forecast the same reading, within a quarter of its sd."""
    weight, level, ratio = (
        np.concatenate([getattr(p, k) for p in parts]) for k in ("weight", "level", "ratio")
    )
    past = np.concatenate([p.past for p in parts])
    low, high = float(level.min()), float(level.max())
    count = int(np.clip(np.ceil((high - low) / (0.25 * sd)), 1, _LEVELS))
    at = np.minimum(((level - low) / max(high - low, 1e-12) * count).astype(np.int64), count - 1)
    order = np.argsort(at, kind="stable")
    begin = np.flatnonzero(np.diff(at[order], prepend=-1))
    every = np.column_stack([np.ones(weight.size), level, ratio, ratio**2, past])
    sums = np.add.reduceat((weight[:, None] * every)[order], begin, axis=0)
    total, means = sums[:, 0], sums[:, 1:] / sums[:, :1]
    return Futures(total / total.sum(), means[:, 0], sd, means[:, 3:], means[:, 1], means[:, 2], now)


@dataclass(frozen=True)
class Outcomes:
    """The intervals that a reading may fall into: edges (K+1,) log levels, chance (K,), given (K, L).

    given: the weights of what may be true once the reading lies in that interval.
    """

    edges: Floats
    chance: Floats
    given: Floats


def outcomes_of(f: Futures, count: int = OUTCOMES) -> Outcomes:
    """Cut the forecast of the reading into count intervals and weigh the futures anew in each."""
    at = np.linspace(f.level.min() - 4.0 * f.sd, f.level.max() + 4.0 * f.sd, 120)
    below = f.weight @ ndtr((at - f.level[:, None]) / f.sd)
    score = np.linspace(-_SCORES, _SCORES, count - 1) if count > 1 else np.zeros(0)
    inner = np.interp(ndtr(score), below, at)
    edges = np.concatenate([[-np.inf], inner, [np.inf]])
    share = np.diff(ndtr((edges - f.level[:, None]) / f.sd), axis=1)
    joint = f.weight[:, None] * share
    chance = joint.sum(axis=0)
    return Outcomes(edges, chance, (joint / np.maximum(chance, 1e-300)).T)


def about_published(given: Floats, mean: Floats, published: Floats) -> Floats:
    """Return chances (K, Y) like given, of mean (Y,), moved so that their mean is the published (Y,).

    What the grid alone leaves out (steps to come) comes to every outcome alike, as a further hazard or as a
    share less.
    """
    more = 1.0 - (1.0 - given) * ((1.0 - published) / np.maximum(1.0 - mean, 1e-12))
    less = given * (published / np.maximum(mean, 1e-12))
    return np.clip(np.where(published >= mean, more, less), 0.0, 1.0)
