"""What may have happened to a history beside corrosion: a sudden step that stays, or single wild readings.

Each combination is a structure with its own prior probability; the likelihood is their sum. Structures that a
history gives no weight are dropped, the rest are kept exactly (they are part of the likelihood, not a filter
after it).
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from models.class_prior import CurvePrior
from models.histories import Floats, Histories, Ints
from models.site_kernel import (
    LASTING,
    ODD,
)
from models.step_hazard import StepModel, hazard_ahead, log_step_odds
from models.step_search_kernel import LOG_MENDED, LOG_NOT_MENDED, LOG_ODD, MOST, search_site


@dataclass(frozen=True)
class Structures:
    """K structures in all, electrode by electrode.

    start: (N+1,) first structure of each electrode. breaks: (K,) position of the first reading after the
    step or -1, or ODD (-2) for a rod unlike its record from the start. opened: (K,) 1 where the step is to
    an open or nearly open lead, 0 where a lesser one. wilds: (K, 3) positions of wild readings, -1 for
    none. log_prior: (K,), for an onset after the last reading; step_kernel.onset_rows says how it differs
    for an earlier one. ends: (K,) position of the first reading after works that mended the step (the count
    of readings where none has been taken since), LASTING where it stands.
    """

    start: Ints
    breaks: Ints
    opened: Ints
    wilds: Ints
    log_prior: Floats
    ends: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    def __post_init__(self) -> None:
        if self.ends.size != self.breaks.size:
            object.__setattr__(self, "ends", np.full(self.breaks.size, LASTING))

    @property
    def electrode(self) -> Ints:
        """(K,) electrode index of each structure."""
        return np.repeat(np.arange(self.start.size - 1), np.diff(self.start))

    @property
    def standing(self) -> Ints:
        """(K,) breaks, -1 where the step has been mended since."""
        return np.where(self.ends < LASTING, -1, self.breaks)


def joined(old: Structures, new: Structures, renewed: npt.NDArray[np.bool_]) -> Structures:
    """Return the new structures of the electrodes that renewed (N,) marks, the old ones of all others."""
    count = np.where(renewed, np.diff(new.start), np.diff(old.start))
    start = np.concatenate([[0], np.cumsum(count)])
    first = np.where(renewed, old.breaks.size + new.start[:-1], old.start[:-1])
    pick = np.repeat(first - start[:-1], count) + np.arange(start[-1])
    parts = (
        np.concatenate([getattr(old, k), getattr(new, k)])[pick]
        for k in ("breaks", "opened", "wilds", "log_prior", "ends")
    )
    return Structures(start, *parts)


def unlike(one: Structures, other: Structures) -> npt.NDArray[np.bool_]:
    """Return (N,) which electrodes have other structures in the one than in the other."""
    count = np.diff(one.start)
    differ = count != np.diff(other.start)
    at = np.repeat(np.where(differ, 0, other.start[:-1]) - one.start[:-1], count) + np.arange(one.breaks.size)
    other_at = np.minimum(at, max(other.breaks.size - 1, 0))
    changed = np.zeros(one.breaks.size, dtype=bool)
    for k in ("breaks", "opened", "wilds", "ends"):
        a, b = getattr(one, k), getattr(other, k)[other_at]
        changed |= (a != b).reshape(a.shape[0], -1).any(axis=1)
    return np.asarray(differ | (np.bincount(one.electrode, changed, minlength=count.size) > 0))


def plain_structures(electrodes: int) -> Structures:
    """Return the structure of undisturbed histories for every electrode."""
    return Structures(
        np.arange(electrodes + 1),
        np.full(electrodes, -1, dtype=np.int64),
        np.zeros(electrodes, dtype=np.int64),
        np.full((electrodes, 3), -1, dtype=np.int64),
        np.zeros(electrodes),
    )


def search_structures(
    h: Histories,
    model: StepModel,
    resid: Floats,
    noise: Floats,
    rod_var: Floats,
    prior_precision: list[Floats],
    factors: list[tuple[Floats, Floats]],
    prior: CurvePrior,
    group: Ints,
    node_weight: Floats,
    share: Floats,
    each: Callable[[Callable[[int], None], Iterable[int]], None],
    sites: Iterable[int] | None = None,
) -> Structures:
    """Find for each electrode the structures that its history gives weight, by growing from the plain one.

    A screen on a coarser grid: what it lets through is weighed exactly in the site pass.

    resid, noise: (M,) log readings less known terms, and their variances. prior_precision: per site (D, D).
    factors: per site, what each electrode says of the site's field. prior: on a coarser
    grid will do; group (N,) into it, node_weight: (N, K) of
    its nodes. share: (N, A) of the ends. each runs a function over sites.
    """
    N = h.electrodes
    counts = np.zeros(N, np.int64)
    breaks = np.full((N, MOST), -1, np.int64)
    ends, mended = np.full((N, MOST), LASTING, np.int64), mended_before(h)
    opened = np.zeros((N, MOST), np.int64)
    jumps, grid, ahead = model.jumps(), prior.grid, hazard_ahead(h, model)
    wilds = np.full((N, MOST, 3), -1, np.int64)
    values = np.full((N, MOST), -np.inf)

    def one(s: int) -> None:
        search_site(
            h.site_start[s], h.site_start[s + 1], h.reading_start, h.age, resid, h.side, noise, h.visit,
            rod_var, prior_precision[s], *factors[s], *jumps, model.wild_sd**2, mended, ahead,
            model.after_rate, model.open_share, model.wild_share, grid.onset_years, grid.growth, grid.ceiling,
            grid.ceiling_sd, grid.straight, node_weight, prior.onset, prior.growth, group, share, counts,
            breaks, ends, opened, wilds, values,
        )  # fmt: skip

    each(one, range(h.sites) if sites is None else sites)
    start = np.concatenate([[0], np.cumsum(counts)])
    take = np.arange(MOST)[None, :] < counts[:, None]
    found = Structures(start, breaks[take], opened[take], wilds[take], np.zeros(int(start[-1])), ends[take])
    return reprice(h, model, found)


def reprice(h: Histories, model: StepModel, s: Structures) -> Structures:
    """Return the structures with prior probabilities under the model's present rates."""
    ahead, stepped = hazard_ahead(h, model), s.breaks >= 0
    at = ahead[(h.reading_start[s.electrode] + s.breaks)[stepped]]
    log_prior = np.log(model.wild_share / (1.0 - model.wild_share)) * (s.wilds >= 0).sum(axis=1)
    log_prior += LOG_ODD * (s.breaks == ODD)
    log_prior[stepped] += log_step_odds(at)
    log_prior[stepped] += np.log(np.where(s.opened[stepped] == 1, model.open_share, 1.0 - model.open_share))
    remade = mended_before(h)[(h.reading_start[s.electrode] + s.breaks)[stepped]] < LASTING
    mended = np.where(s.ends[stepped] < LASTING, LOG_MENDED, LOG_NOT_MENDED)
    log_prior[stepped] += np.where(remade, mended, 0.0)
    return replace(s, log_prior=log_prior)


def mended_before(h: Histories) -> Ints:
    """Return (M,) before which reading a step that came before each was mended: its position, or LASTING.

    By the first works after the reading that remade the joint; the count of readings where none came after.
    Works of the day of a reading come before it.
    """
    out = np.full(h.age.size, LASTING)
    for i in [i for i, remade in enumerate(h.remade) if remade]:
        mine = slice(h.reading_start[i], h.reading_start[i + 1])
        works = np.append(np.sort(h.remade[i]), np.inf)
        next_one = works[np.searchsorted(works, h.age[mine], side="right")]
        at = np.searchsorted(h.age[mine], next_one, side="left")
        out[mine] = np.where(np.isfinite(next_one), at, LASTING)
    return out


def read_before_mending(h: Histories, s: Structures, weight: Floats) -> Floats:
    """Return (M,) the chance that a reading was of a joint which has been remade since; weight: (K,)."""
    out, of = np.zeros(h.age.size), s.electrode
    for k in np.flatnonzero((s.ends < LASTING) & (s.breaks >= 0)):
        first, last = h.reading_start[of[k]], h.reading_start[of[k] + 1]
        out[first + s.breaks[k] : min(first + s.ends[k], last)] += weight[k]
    return out
