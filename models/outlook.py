"""From the weighed grid to what people ask: past now, past by when, how much, how sure.

Each electrode's posterior is averaged over draws of the class parameters, so that their uncertainty is in
every interval. Sums over the grid give everything; a cell's mass is spread over its cell. A sudden step is
part of the answer: steps seen in the record shift the threshold that is left, steps to come are a hazard of
their own.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from models.accelerating_kernel import years_to
from models.calibration import Calibration, Prepared
from models.corrosion_curves import NEVER_YEARS, CurveGrid, cells_crossed, risen
from models.curve_posterior import HARDLY_BROKEN, Posterior
from models.histories import Floats, Histories
from models.site_pass import SitePass
from models.steps_to_come import Alone, not_past

QUANTILES = (0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
AGES: Floats = np.concatenate([np.arange(0.0, 60.0, 0.25), np.arange(60.0, NEVER_YEARS + 0.1, 1.0)])
_JUMP_NODES = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])
_JUMP_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0


@dataclass(frozen=True)
class Step:
    """One step seen in an electrode's record.

    It came at some age between after (the last reading before it) and until (the first one after it), years;
    age is the middle. jump, jump_sd: its size (log) and the size's sd. share: its share among the steps.
    visits_after: visits with a sound reading since.
    """

    after: float
    until: float
    jump: float
    jump_sd: float
    share: float
    visits_after: int

    @property
    def age(self) -> float:
        """Return the middle of the span in which the step came, years."""
        return 0.5 * (self.after + self.until)

    def ages(self, count: int = 9) -> Floats:
        """Return count ages evenly spread over the span, years."""
        return self.after + (self.until - self.after) * (np.arange(count) + 0.5) / count


def steps_in_record(
    h: Histories,
    resid: Floats,
    found: SitePass,
    breaks: npt.NDArray[Any],
    electrode: npt.NDArray[Any],
    i: int,
) -> list[Step]:
    """Return the steps that the history of electrode i allows, with their weights.

    breaks: (K,) the reading that each structure's step comes before, -1 without one. electrode: (K,) whose it
    is, not decreasing.
    """
    mine = slice(*np.searchsorted(electrode, [i, i + 1]))
    rows = mine.start + np.flatnonzero((breaks[mine] >= 0) & (found.struct_weight[mine] > 1e-6))
    total = found.struct_weight[rows].sum()
    out = []
    first, last = h.reading_start[i], h.reading_start[i + 1]
    for k in rows:
        at = first + breaks[k]
        jump, sd = float(found.struct_jump[k]), float(np.sqrt(found.struct_jump_var[k]))
        after = slice(at, last)
        sound = found.wild_p[after] < 0.5
        read, over = (h.side[after] == 0) & sound, (h.side[after] > 0) & sound
        visits = np.unique(h.visit[after][read | over]).size
        if not read.any() and over.any():
            jump = max(jump, float((resid[after][over] - found.base_mean[i]).max()))
        before = float(h.age[at - 1]) if at > first else 0.0
        out.append(Step(before, float(h.age[at]), jump, sd, float(found.struct_weight[k] / total), visits))
    return out


@njit(cache=True, nogil=True)
def _first_at(ages, age):  # type: ignore[no-untyped-def]
    """Return the first index of ages (A,) that is no less than age; A where there is none."""
    low, high = 0, ages.size
    while low < high:
        mid = (low + high) // 2
        if ages[mid] < age:
            low = mid + 1
        else:
            high = mid
    return low


@njit(cache=True, nogil=True)
def _with_step(  # type: ignore[no-untyped-def]
    mass, onset, growth, ceiling, straight, threshold, left, weight, moments, ages
):
    """Return the distribution (A,) of the crossing age of a rod whose record holds a step.

    mass: (A*T*R,); the first `straight` ends are of the onset family. left, weight: (J,) what the step leaves
    of the threshold at the nodes of its size. moments: (M,) ages at which it may have come, evenly likely.
    """
    T, R = onset.size, growth.size
    before = np.zeros(ages.size + 1)
    after = np.zeros(ages.size + 1)
    at_once = np.zeros(moments.size)
    for g in range(mass.size):
        w = mass[g]
        if w < 1e-9:
            continue
        end = g // (T * R)
        top = ceiling[end]
        tau = onset[(g // R) % T]
        rate = growth[g % R]
        alone = tau + years_to(rate, threshold, end >= straight) if threshold <= top else np.inf
        early = 0  # at the first so many moments the step finds the rod not yet past
        while early < moments.size and moments[early] <= alone:
            early += 1
        before[_first_at(ages, alone)] += w * (moments.size - early)
        for j in range(left.size):
            later = 0.0
            if left[j] > 0.0:
                later = tau + years_to(rate, left[j], end >= straight) if left[j] <= top else np.inf
            for k in range(early):
                if later <= moments[k]:
                    at_once[k] += w * weight[j]
                else:
                    after[_first_at(ages, later)] += w * weight[j]
    for k in range(moments.size):
        after[_first_at(ages, moments[k])] += at_once[k]
    return np.cumsum(before + after)[: ages.size] / moments.size


def _crossing_with_step(mass: Floats, step: Step, threshold: float, grid: CurveGrid, ages: Floats) -> Floats:
    """Return the distribution (A,) of the crossing age of a rod whose record holds this step."""
    left = np.maximum(threshold - (step.jump + _JUMP_NODES * step.jump_sd), 0.0)
    return np.asarray(_with_step(
        mass, grid.onset_years, grid.growth, grid.ceiling, grid.straight, threshold, left, _JUMP_WEIGHTS,
        step.ages(), ages,
    ))  # fmt: skip


@dataclass(frozen=True)
class Crossing:
    """cdf: (N, A) probability that the threshold has been crossed by each of AGES; steps by electrode."""

    cdf: Floats
    steps: dict[int, list[Step]]


def crossing(
    h: Histories, resid: Floats, cal: Calibration, post: Posterior, found: SitePass, breaks: npt.NDArray[Any],
    electrode: npt.NDArray[Any], log_threshold: Floats, grid: CurveGrid,
) -> Crossing:  # fmt: skip
    """Return the distribution of each electrode's crossing age, steps past and to come included.

    resid: (M,) log readings less formula and fixed terms. log_threshold: (N,) log of the threshold ratio of
    each.
    """
    cdf = np.empty((h.electrodes, AGES.size))
    for value in np.unique(log_threshold):
        mine = np.flatnonzero(log_threshold == value)
        cdf[mine] = post.reaching[mine] @ cells_crossed(grid, float(value), AGES).astype(np.float32)
    steps: dict[int, list[Step]] = {}
    given_step: dict[int, Floats] = {}
    for i, mass in post.broken.items():
        if post.p_broken[i] < HARDLY_BROKEN:
            continue
        steps[i] = steps_in_record(h, resid, found, breaks, electrode, i)
        stepped = np.zeros(AGES.size)
        for s in steps[i]:
            stepped += s.share * _crossing_with_step(mass, s, float(log_threshold[i]), grid, AGES)
        cdf[i] = (1 - post.p_broken[i]) * cdf[i] + post.p_broken[i] * stepped
        given_step[i] = 1.0 - np.clip(stepped, 0.0, 1.0)
    # sums in single precision may fall by a last digit
    alone = 1.0 - np.maximum.accumulate(np.clip(cdf, 0.0, 1.0), axis=1)
    onset = {i: post.broken[i].reshape(grid.shape).sum(axis=(0, 2)) for i in given_step}
    left = Alone(post.whole, post.reaching, post.p_broken, alone, given_step, onset)
    return Crossing(1.0 - not_past(h, cal.steps, left, log_threshold, grid, AGES), steps)


def cdf_at(cdf: Floats, age: Floats) -> Floats:
    """Interpolate each row of cdf (N, A) at its own age (N,), held at the last value beyond the table."""
    at = np.clip(np.searchsorted(AGES, age, side="right") - 1, 0, AGES.size - 2)
    share = np.clip((age - AGES[at]) / (AGES[at + 1] - AGES[at]), 0.0, 1.0)
    row = np.arange(cdf.shape[0])
    return np.asarray(cdf[row, at] * (1 - share) + cdf[row, at + 1] * share)


def quantile_of(cdf: Floats, q: float) -> Floats:
    """Return (N,) the age by which the share q has crossed; inf where it never does."""
    reached = cdf >= q
    at = reached.argmax(axis=1)
    row = np.arange(cdf.shape[0])
    low = np.where(at > 0, cdf[row, np.maximum(at - 1, 0)], 0.0)
    rise = np.maximum(cdf[row, at] - low, 1e-12)
    width = np.where(at > 0, AGES[at] - AGES[np.maximum(at - 1, 0)], 0.0)
    age = AGES[np.maximum(at - 1, 0)] + width * np.clip((q - low) / rise, 0.0, 1.0)
    return np.where(reached.any(axis=1), age, np.inf)


def onset_median(mass: npt.NDArray[Any], grid: CurveGrid) -> Floats:
    """Return (N,) median onset age, years."""
    by_onset = mass.reshape(mass.shape[0], *grid.shape).sum(axis=(1, 3))
    total = np.cumsum(by_onset, axis=1)
    at = (total >= 0.5).argmax(axis=1)
    row = np.arange(mass.shape[0])
    before = total[row, at] - by_onset[row, at]
    share = (0.5 - before) / np.maximum(by_onset[row, at], 1e-12)
    low, high = np.log(grid.onset_edges[at]), np.log(grid.onset_edges[at + 1])
    return np.exp(low + (high - low) * np.clip(share, 0.0, 1.0))


def mean_growth(mass: npt.NDArray[Any], grid: CurveGrid) -> Floats:
    """Return (N,) posterior mean growth of the log resistance per year after onset."""
    by_growth = mass.reshape(mass.shape[0], *grid.shape).sum(axis=(1, 2))
    return np.asarray(by_growth @ grid.growth / np.maximum(by_growth.sum(axis=1), 1e-300))


def curve_mass(post: Posterior) -> npt.NDArray[np.float32]:
    """Return (N, G) posterior mass of the curves, histories with and without a step together."""
    mass = post.whole.copy()
    for i, stepped in post.broken.items():
        mass[i] = (1.0 - post.p_broken[i]) * mass[i] + post.p_broken[i] * stepped
    return mass


@dataclass(frozen=True)
class LevelDraws:
    """Draws of one electrode, (D,) each: log baseline, onset, growth, step age and size, ceiling, family."""

    base: Floats
    onset: Floats
    growth: Floats
    step_age: Floats
    jump: Floats
    ceiling: Floats
    family: npt.NDArray[np.int64]

    def log_ratio_at(self, age: Floats) -> Floats:
        """Return (D, A) the log ratio at ages (A,)."""
        years = np.maximum(age[None, :] - self.onset[:, None], 0.0)
        rise = risen(self.growth[:, None], years, self.family[:, None])
        return np.minimum(rise, self.ceiling[:, None]) + self.jump[:, None] * (
            age[None, :] >= self.step_age[:, None]
        )

    def log_ohm_at(self, age: Floats) -> Floats:
        """Return (D, A) the log level, free of season, campaign and noise."""
        return self.base[:, None] + self.log_ratio_at(age)


def _spread_picks(mass: Floats, count: int) -> npt.NDArray[np.int64]:
    """Return count grid indices at evenly spaced shares of the mass."""
    total = np.cumsum(mass)
    at = np.searchsorted(total, (np.arange(count) + 0.5) / count * total[-1])
    return np.minimum(at, mass.size - 1).astype(np.int64)


def others_field(prior_precision: Floats, precision: Floats, eta: Floats, e: int) -> tuple[Floats, Floats]:
    """Return mean (D,) and covariance (D, D) of a site's field as all its electrodes but e tell it.

    prior_precision: (D, D). precision, eta: the electrodes' factors (E, D, D), (E, D). Where the others'
    factors are no density together, the prior speaks, as in the site pass.
    """
    cavity = prior_precision + precision.sum(axis=0) - precision[e]
    if np.linalg.eigvalsh(cavity)[0] <= 0.0:
        return np.zeros(cavity.shape[0]), np.asarray(np.linalg.inv(prior_precision))
    cov = np.linalg.inv(cavity)
    return np.asarray(cov @ (eta.sum(axis=0) - eta[e])), np.asarray(cov)


def level_draws(
    h: Histories, cal: Calibration, p: Prepared, found: SitePass, post: Posterior, steps: Sequence[Step],
    i: int, site: int, rng: np.random.Generator, draws: int = 160,
) -> LevelDraws:  # fmt: skip
    """Draw baselines and curves of electrode i jointly, as its readings tie them together."""
    parts: list[tuple[float, Step | None]] = [(1.0 - float(post.p_broken[i]) if steps else 1.0, None)]
    parts += [(float(post.p_broken[i]) * s.share, s) for s in steps]
    e = i - h.site_start[site]
    mean, cov = others_field(p.prior_precision[site], *found.factors[site], int(e))
    r = np.arange(h.reading_start[i], h.reading_start[i + 1])
    r = r[h.side[r] == 0]
    scale = float(found.scale_weight[i] @ p.scale[0] ** 2)
    noise = p.noise_var[r] * scale + h.meter_var[r] + found.wild_p[r] * 100.0
    H = np.zeros((r.size, mean.size))
    H[:, 0] = 1.0
    seen = h.visit[r] >= 0
    H[np.flatnonzero(seen), h.visit[r][seen] + 1] = 1.0
    S = H @ cov @ H.T + p.rod_var[i] + np.diag(noise)
    link = H @ cov[:, 0] + p.rod_var[i]
    out = []
    for share, step in parts:
        count = round(share * draws)
        if count < 1:
            continue
        mass = post.whole[i] if step is None else post.broken[i]
        g = _spread_picks(mass, count)
        of_ceiling, of_onset, of_growth = np.unravel_index(g, p.grid.shape)
        onset = _jitter(p.grid.onset_edges, of_onset, rng)
        growth = _jitter(p.grid.growth_edges, of_growth, rng)
        ceiling = p.grid.ceiling[of_ceiling]
        jump = np.zeros(count) if step is None else step.jump + step.jump_sd * rng.normal(size=count)
        age_of = np.inf if step is None else step.age
        family = p.grid.family[of_ceiling]
        rise = risen(growth[:, None], np.maximum(h.age[r] - onset[:, None], 0.0), family[:, None])
        free = p.resid[r] - H @ mean - jump[:, None] * (h.age[r] >= age_of)
        ceiling = ceiling + _own_ceiling(rise, free, S, ceiling, p.grid.ceiling_sd[of_ceiling], rng)
        curve = np.minimum(rise, ceiling[:, None])
        curve = curve + jump[:, None] * (h.age[r] >= age_of)
        if r.size:
            weights = np.linalg.solve(S, link)
            centre = mean[0] + (p.resid[r] - H @ mean - curve) @ weights
            left = cov[0, 0] + p.rod_var[i] - float(link @ weights)
        else:
            centre, left = np.full(count, mean[0]), cov[0, 0] + p.rod_var[i]
        base = centre + np.sqrt(max(left, 0.0)) * rng.normal(size=count)
        out.append((base, onset, growth, np.full(count, age_of), jump, ceiling, family))
    columns = [np.concatenate([o[k] for o in out]) for k in range(7)]
    return LevelDraws(columns[0] + _known_level(h, cal, i), *columns[1:])


def _own_ceiling(
    rise: Floats, free: Floats, S: Floats, ceiling: Floats, sd: Floats, rng: np.random.Generator
) -> Floats:
    """Draw (D,) how far each ceiling lies from its class's, given the readings (D, m) that lie on it."""
    late = (rise > ceiling[:, None]).astype(float)
    precision = np.linalg.inv(S) if S.size else np.zeros((0, 0))
    gap = free - np.minimum(rise, ceiling[:, None])
    weight = np.einsum("dm,mn,dn->d", late, precision, late) + 1.0 / sd**2
    pull = np.einsum("dm,mn,dn->d", late, precision, gap)
    return np.asarray(pull / weight + rng.normal(size=ceiling.size) / np.sqrt(weight))


def _jitter(edges: Floats, at: npt.NDArray[np.int64], rng: np.random.Generator) -> Floats:
    low, high = np.log(edges[at]), np.log(edges[at + 1])
    return np.asarray(np.exp(low + (high - low) * rng.random(at.size)))


def _known_level(h: Histories, cal: Calibration, i: int) -> float:
    """Return the log baseline from formula, fleet, class and basis, without the electrode's own terms."""
    fixed = dict(zip(cal.fixed_names, cal.fixed, strict=True))
    raw = float(fixed["loop_raw"]) if h.raw[i] else 0.0
    return float(h.log_formula[i] + fixed["intercept"] + fixed[f"offset_{h.soil[i]}"] + raw)
