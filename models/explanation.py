"""Why a forecast says what it says: the same fit made again on less, or with less known.

Nothing here weighs a reading in a way of its own. An electrode's site is fitted again under the same
calibration and the same parameter draws, each time without something (a reading, a visit, the neighbours, all
that the fleet has taught), and the answers are laid side by side.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from models.calibration import Calibration
from models.class_prior import class_layout
from models.forecast import Fitted, fit_electrodes
from models.histories import ROUTINE, Floats, Histories, Ints
from models.outlook import Step, cdf_at, mean_growth, quantile_of
from models.site_pass import ForEach, in_turn

Mask = npt.NDArray[np.bool_]
BAND = (0.05, 0.50, 0.95)
_AT_ONCE = 240  # electrodes fitted together: 8,400 curves each, so some 100 MB

# The bodies of evidence.
KIND, SITE, READINGS, ALONE, ALL = "kind", "site", "readings", "alone", "all"

_READING_ARRAYS = ("age", "log_ohm", "side", "meter_var", "year", "kind", "visit", "row")
_ELECTRODE_ARRAYS = ("log_formula", "survey_var", "raw", "age_now")
_NAMES = ("soil", "material", "electrode_id", "remade", "surges")
_VISIT_ARRAYS = ("visit_year", "visit_period")


@dataclass(frozen=True)
class Account:
    """What one body of evidence says of an electrode.

    p_past_now: chance that it is past threshold. p_past: by each horizon, those past now included.
    crossing_age, onset_age: years at 5, 50 and 95 %, infinity where never. growth: growth of the log a year
    after onset at 5, 50 and 95 %; growth_mean its mean. p_broken: chance that a sudden step is in the record.
    """

    p_past_now: float
    p_past: tuple[float, ...]
    crossing_age: tuple[float, float, float]
    onset_age: tuple[float, float, float]
    growth: tuple[float, float, float]
    growth_mean: float
    p_broken: float

    def moved_from(self, other: "Account") -> float:
        """Return the largest difference of the chances, now or by any horizon."""
        mine, its = (self.p_past_now, *self.p_past), (other.p_past_now, *other.p_past)
        return max(abs(a - b) for a, b in zip(mine, its, strict=True))


@dataclass(frozen=True)
class Terms:
    """Under what an electrode is fitted.

    calibration: what the fleet shares. log_threshold: log of the electrode's threshold ratio. seed: of the
    parameter draws, so that every account is averaged over the same. horizons: years ahead. each: where work
    runs. stream: makes of the seed the random numbers that a run's fit begins with.
    """

    calibration: Calibration
    log_threshold: float
    seed: int
    horizons: tuple[int, ...] = (1, 3, 5, 10)
    each: ForEach = in_turn
    stream: Callable[[int], np.random.Generator] = np.random.default_rng

    def fit(self, h: Histories) -> Fitted:
        """Fit all electrodes of h, at this electrode's threshold."""
        threshold = np.full(h.electrodes, self.log_threshold)
        return fit_electrodes(h, self.calibration, threshold, self.stream(self.seed), self.each)


@dataclass(frozen=True)
class Explanation:
    """An electrode's accounts by body of evidence, and by what was left out.

    fit: the site's own fit; electrode: index in it. accounts: KIND a rod of its class and material at a site
    of which only a survey is known; SITE the same at this site, as the other rods tell; READINGS its own
    readings and nothing that the fleet has taught of corrosion; ALONE the kind and the readings, no
    neighbour; ALL everything.
    without_reading, without_visit: by index of the reading in fit.histories.
    """

    fit: Fitted
    electrode: int
    accounts: dict[str, Account]
    without_reading: dict[int, Account]
    without_visit: dict[int, Account]

    @property
    def readings(self) -> Ints:
        """Indices of the electrode's readings in fit.histories, by age."""
        start = self.fit.histories.reading_start
        return np.arange(start[self.electrode], start[self.electrode + 1])

    @property
    def steps(self) -> list[Step]:
        """The steps that the record allows, the likeliest first."""
        return sorted(self.fit.crossing.steps.get(self.electrode, []), key=lambda s: -s.share)


def account(fit: Fitted, i: int, horizons: Sequence[int]) -> Account:
    """Read off what a fit says of electrode i."""
    cdf, now = fit.crossing.cdf[[i]], fit.histories.age_now[[i]]
    stepped = fit.posterior.broken.get(i)
    mass = np.asarray(fit.posterior.whole[[i]], dtype=float)
    if stepped is not None:
        p = fit.posterior.p_broken[i]
        mass = (1.0 - p) * mass + p * stepped
    grid = fit.prepared.grid
    curves = mass.reshape(grid.shape)
    return Account(
        p_past_now=float(cdf_at(cdf, now)[0]),
        p_past=tuple(float(cdf_at(cdf, now + y)[0]) for y in horizons),
        crossing_age=_three(float(quantile_of(cdf, q)[0]) for q in BAND),
        onset_age=_band(curves.sum(axis=(0, 2)), grid.onset_edges),
        growth=_band(curves.sum(axis=(0, 1)), grid.growth_edges),
        growth_mean=float(mean_growth(mass, grid)[0]),
        p_broken=float(fit.posterior.p_broken[i]),
    )


def _three(values) -> tuple[float, float, float]:  # type: ignore[no-untyped-def]
    low, middle, high = values
    return low, middle, high


def _band(mass: Floats, edges: Floats) -> tuple[float, float, float]:
    """Return the quantiles of a mass (X,) spread evenly over the logs of its cells' edges (X+1,)."""
    total = np.concatenate([[0.0], np.cumsum(mass)]) / mass.sum()
    return _three(float(np.exp(np.interp(q, total, np.log(edges)))) for q in BAND)


def restrict(h: Histories, electrodes: Mask, readings: Mask) -> Histories:
    """Return one site's histories with some electrodes (N,) and readings (M,) only.

    Its visits stay: one that nobody read at integrates out. Raises ValueError for more than one site.
    """
    if h.sites != 1:
        raise ValueError(f"one site is explained at a time, not {h.sites}")
    kept = readings & electrodes[h.reading_electrode]
    counts = np.bincount(h.reading_electrode[kept], minlength=h.electrodes)[electrodes]
    of_them: dict[str, Any] = {k: getattr(h, k)[kept] for k in _READING_ARRAYS}
    of_them |= {"weather": None if h.weather is None else h.weather[kept]}
    of_them |= {k: getattr(h, k)[electrodes] for k in _ELECTRODE_ARRAYS}
    of_them |= {k: tuple(x for x, in_ in zip(getattr(h, k), electrodes, strict=True) if in_) for k in _NAMES}
    return replace(
        h, site_start=np.array([0, int(electrodes.sum())]), reading_start=_starts(counts), **of_them
    )


def _starts(counts: Ints) -> Ints:
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)


def side_by_side(parts: Sequence[Histories]) -> Histories:
    """Return histories of the same district-years as one fleet, each part's sites after the last one's."""

    if any(h.periods != parts[0].periods for h in parts):
        raise ValueError("the parts do not share their district-years")

    def joined(name: str) -> npt.NDArray[Any]:
        return np.concatenate([getattr(h, name) for h in parts])

    changes: dict[str, Any] = {
        k: _starts(np.concatenate([np.diff(getattr(h, k)) for h in parts]))
        for k in ("site_start", "reading_start", "visit_start")
    }
    changes |= {k: joined(k) for k in _READING_ARRAYS + _ELECTRODE_ARRAYS + _VISIT_ARRAYS}
    changes |= {k: tuple(x for h in parts for x in getattr(h, k)) for k in (*_NAMES, "shifts", "site_id")}
    changes |= {k: None if getattr(parts[0], k) is None else joined(k) for k in ("weather", "ground")}
    return replace(parts[0], **changes)


def accounts_of(parts: Sequence[tuple[Histories, int]], terms: Terms) -> list[Account]:
    """Fit each one-site history anew and give what is said of the electrode named beside it.

    Sites share nothing but the calibration, so that many are fitted in one call.
    """
    out: list[Account] = []
    sizes = np.cumsum([h.electrodes for h, _ in parts]) // _AT_ONCE
    for batch in np.unique(sizes):
        members = [parts[k] for k in np.flatnonzero(sizes == batch).tolist()]
        fit = terms.fit(side_by_side([h for h, _ in members]))
        first = fit.histories.site_start
        out += [account(fit, int(first[k]) + e, terms.horizons) for k, (_, e) in enumerate(members)]
    return out


def untaught(cal: Calibration) -> Calibration:
    """Return the calibration as if the fleet had taught nothing of corrosion: each rod its own class.

    Onset and growth keep the model's prior means, with all that classes, materials, sites and rods may differ
    by in one spread. Season, noise, offsets and rates stay.
    """
    prior = dict(zip(cal.theta_names, zip(*_theta_prior(cal), strict=True), strict=True))
    theta = dict.fromkeys(cal.theta_names, 0.0)
    for what in ("onset", "growth"):
        fleet, spread = prior[f"{what}_fleet"], np.exp(prior[f"log_{what}_spread"][0])
        classes = [prior[f"{what}_soil_{cal.soils[0]}"], prior[f"{what}_material_{cal.materials[0]}"]]
        load = prior[f"{what}_site_load"][0]
        width = spread**2 + load**2 + sum(sd**2 for _, sd in (fleet, *classes))
        theta |= {f"{what}_fleet": fleet[0], f"log_{what}_spread": 0.5 * np.log(width)}
    return replace(
        cal, theta=np.array([theta[n] for n in cal.theta_names]), theta_cov=np.zeros_like(cal.theta_cov)
    )


def _theta_prior(cal: Calibration) -> tuple[Floats, Floats]:
    none = np.zeros(0, dtype=np.int64)
    return class_layout(
        (), (), none.astype(bool), none, cal.soils, cal.materials, cal.standards.names
    ).prior()


def _left_out(h: Histories, readings: Ints, drop: Sequence[Mask], e: int, terms: Terms) -> dict[int, Account]:
    everyone = np.ones(h.electrodes, dtype=bool)
    parts = [(restrict(h, everyone, ~gone), e) for gone in drop]
    return dict(zip((int(r) for r in readings), accounts_of(parts, terms) if parts else [], strict=True))


def explain_electrode(h: Histories, e: int, terms: Terms, visits: bool = False) -> Explanation:
    """Fit the one site h again with less and less of what electrode e's forecast rests on.

    visits: leave out each whole visit as well (all rods' readings of it). Raises ValueError for more than one
    site.
    """
    everyone, alone = np.ones(h.electrodes, dtype=bool), np.arange(h.electrodes) == e
    every, mine = np.ones(h.age.size, dtype=bool), h.reading_electrode == e
    none = np.zeros(h.age.size, dtype=bool)
    by_itself = restrict(h, alone, every)
    fit = terms.fit(restrict(h, everyone, every))
    kind, site, own = accounts_of(
        [(restrict(h, alone, none), 0), (restrict(h, everyone, ~mine), e), (by_itself, 0)], terms
    )
    (readings,) = accounts_of([(by_itself, 0)], replace(terms, calibration=untaught(fit.calibration)))
    everything = account(fit, e, terms.horizons)
    accounts = {KIND: kind, SITE: site, READINGS: readings, ALONE: own, ALL: everything}
    at = np.flatnonzero(mine)
    index = np.arange(h.age.size)
    without = _left_out(h, at, [index == r for r in at], e, terms)
    seen = at[(h.kind[at] == ROUTINE) & (h.visit[at] >= 0)] if visits else at[:0]
    whole = _left_out(h, seen, [(h.visit == h.visit[r]) & (h.kind == ROUTINE) for r in seen], e, terms)
    return Explanation(fit, e, accounts, without, whole)


def most_telling(left_out: dict[int, Account], whole: Account, least: float = 0.01) -> int | None:
    """Return the reading whose absence moves the chances most, or None where none moves them by least."""
    if not left_out:
        return None
    reading, found = max(left_out.items(), key=lambda item: item[1].moved_from(whole))
    return reading if found.moved_from(whole) >= least else None
