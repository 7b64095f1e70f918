"""Sudden steps that may still come: what they add to corrosion, exactly for each onset of the grid.

Whether an onset has come decides the hazard, and the same onset decides how far corrosion has got, so that
the two are summed together. With A the hazard after the onset, L the age at the last reading and tau the
onset, the chance of no step up to age x is exp(A(L|tau)) * exp(-A(x|tau)), times the steady part: the first
factor belongs to the electrode, the second to the table, and one product of matrices does it.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.corrosion_curves import CurveGrid, ceiling_reaches, cells_crossed
from models.histories import Floats, Histories, Ints
from models.step_hazard import StepModel, last_ages, surges_by

Single = npt.NDArray[np.float32]
_COARSE = 4  # of the ages, every so many carry what steps leave to corrosion


@dataclass(frozen=True)
class Alone:
    """What corrosion and the steps of the record leave: chances of not being past by each age.

    whole: (N, G) mass of the curves given no step in the record, reaching (N, F*T*R) of it what can reach the
    threshold, families apart. p_broken: (N,). not_past: (N, A) steps in the record included; stepped
    {electrode: (A,)} the same given that one is there, onset {electrode: (T,)} the mass of the onsets then.
    """

    whole: Single
    reaching: Single
    p_broken: Floats
    not_past: Floats
    stepped: dict[int, Floats]
    onset: dict[int, Floats]


def steady_to_come(h: Histories, model: StepModel, ages: Floats) -> Floats:
    """Return (N, A) the steady hazard between the last reading and each age, 0 before it."""
    last = last_ages(h)
    years = np.maximum(model.aged(ages)[None, :] - model.aged(last)[:, None], 0.0)
    for i in [i for i, at in enumerate(h.surges) if at]:
        this = np.full(ages.size, i)
        seen = surges_by(h, this, ages) - surges_by(h, np.array([i]), last[[i]])
        years[i] += model.surge_years * np.maximum(seen, 0.0)
    return np.asarray(model.rates(h.soil)[:, None] * years)


def not_past(
    h: Histories, model: StepModel, alone: Alone, log_threshold: Floats, grid: CurveGrid, ages: Floats
) -> Floats:
    """Return (N, A) the chance of not being past by each age, steps to come included.

    A step that does not reach the threshold by itself, of its mean size, leaves corrosion the less to do.
    Where a step is in the record, a further one does not ask how far corrosion has got.
    """
    calm = np.exp(-steady_to_come(h, model, ages))
    last = last_ages(h)
    out = np.empty_like(alone.not_past)
    for value in np.unique(log_threshold):
        mine = np.flatnonzero(log_threshold == value)
        still = alone.not_past[mine]
        low = float(value) - model.lesser_jump(float(value))
        reach = ceiling_reaches(grid, low).astype(np.float32)
        whole = alone.whole[mine].reshape(mine.size, grid.ceiling.size, -1)
        families = len(grid.families)
        by_family = whole.reshape(mine.size, families, -1, whole.shape[2])
        lesser = np.einsum("fc,nfcg->nfg", reach.reshape(families, -1), by_family).reshape(mine.size, -1)
        lowered = np.clip(1.0 - _coarsely(lesser, grid, low, ages), 0.0, still)
        spared, spared_low = still, lowered
        if model.after_rate > 0.0:
            by_onset = whole.sum(axis=1).reshape(mine.size, grid.onset_years.size, -1).sum(axis=2)
            passed = _Passed(grid, model.after_rate, last[mine], by_onset)
            before = ages[None, :] < last[mine, None]
            spared = passed.not_crossed(alone.reaching[mine], float(value), ages)
            _mix_stepped(alone, mine, spared, passed, ages)
            spared = np.where(before, still, np.clip(spared, 0.0, still))
            low_table = 1.0 - _interpolated(
                1.0 - passed.not_crossed(lesser, low, ages[::_COARSE]), ages[::_COARSE], ages
            )
            spared_low = np.where(before, lowered, np.clip(low_table, 0.0, np.minimum(spared, lowered)))
        after_one = np.maximum(lowered - calm[mine] * spared_low, 0.0)
        out[mine] = calm[mine] * spared + (1.0 - model.reaching(value)) * after_one
    return np.minimum.accumulate(out, axis=1)


class _Passed:
    """The hazard after the onset, from the last reading on, beside the curves of some electrodes (n,)."""

    def __init__(self, grid: CurveGrid, rate: float, last: Floats, by_onset: Single) -> None:
        self.grid, self.rate, self.last = grid, rate, last
        years = np.maximum(last[:, None] - grid.onset_years, 0.0)
        self.grown = np.exp(rate * years).astype(np.float32)
        self.by_onset = by_onset * self.grown

    def spared(self, ages: Floats) -> Single:
        """Return (T, A): the chance of none since the onset."""
        years = np.maximum(ages[None, :] - self.grid.onset_years[:, None], 0.0)
        return np.exp(-self.rate * years).astype(np.float32)

    def not_crossed(self, mass: Single, log_threshold: float, ages: Floats) -> Floats:
        """Return (n, A) the chance of no step and no crossing by ages; mass (n, F*T*R) can reach it."""
        spared = self.spared(ages)
        F, (_, T, R) = len(self.grid.families), self.grid.shape
        crossed = cells_crossed(self.grid, log_threshold, ages).astype(np.float32)
        crossed = (crossed.reshape(F, T, R, -1) * spared[:, None, :]).reshape(F * T * R, -1)
        mine = (mass.reshape(-1, F, T, R) * self.grown[:, None, :, None]).reshape(-1, F * T * R)
        return np.asarray(self.by_onset @ spared - mine @ crossed, dtype=float)


def _mix_stepped(alone: Alone, mine: Ints, spared: Floats, passed: _Passed, ages: Floats) -> None:
    """Put the mixture with the step's account in place where the record holds one."""
    for n in np.flatnonzero([int(i) in alone.stepped for i in mine]):
        i = int(mine[n])
        p, onset = alone.p_broken[i], alone.onset[i]
        none_since = (onset * passed.grown[n]) @ passed.spared(ages)
        spared[n] = (1.0 - p) * spared[n] + p * alone.stepped[i] * np.minimum(none_since, 1.0)


def _coarsely(mass: Single, grid: CurveGrid, log_threshold: float, ages: Floats) -> Floats:
    """Return (n, A) the share of mass (n, F*T*R) that has crossed, worked out at every fourth age."""
    some = ages[::_COARSE]
    return _interpolated(mass @ cells_crossed(grid, log_threshold, some).astype(np.float32), some, ages)


def _interpolated(values: Floats | Single, some: Floats, ages: Floats) -> Floats:
    """Return (n, A) values (n, B) at the ages some (B,) on straight lines between them."""
    at = np.minimum(np.searchsorted(some, ages, side="right"), some.size - 1)
    share = (ages - some[at - 1]) / (some[at] - some[at - 1])
    return np.asarray(values[:, at - 1] * (1.0 - share) + values[:, at] * share)


def with_steps(table: Floats, survived: Floats, grid: CurveGrid) -> Floats:
    """Return (G, A) shares past by corrosion (table) or a step; survived (T, A): no step for each onset."""
    left = (1.0 - table).reshape(*grid.shape, -1) * survived[None, :, None, :]
    return np.asarray(1.0 - left.reshape(table.shape))
