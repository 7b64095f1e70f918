"""Where next year's money goes: benefit of renewing now against deferring, ranks with their spread, the plan.

The benefit is the discounted consequence avoided: what the owner puts on a year with a degraded earth, times
the years past the site's limit that renewing now takes away. Danger to people is not in it: that is a list of
its own.
"""

from dataclasses import dataclass

import numpy as np

from models.histories import Floats
from models.site import SiteCounts


@dataclass(frozen=True)
class Case:
    """One site's money: what is at stake, what acting costs.

    need: rods past threshold at which the site is past its limit. replace: rods that would be renewed now.
    consequence_per_year, cost: money.
    """

    counts: SiteCounts
    need: int
    replace: int
    consequence_per_year: float
    cost: float


def rods_to_replace(counts: SiteCounts, within_years: int = 5) -> int:
    """Return how many rods to renew: those expected past threshold within the years, at least one."""
    return int(np.clip(np.ceil(counts.expected[within_years] - 1e-9), 1, max(counts.rods, 1)))


def degraded(case: Case, start: int = 0) -> tuple[Floats, Floats]:
    """Return (Y+1,) the chance that the site is past its limit in each year: left alone, and renewed.

    The renewal is at year start. With renewal the rods renewed start anew: the site is past its limit when as
    many of the others and of the new rods are past as it takes. The others go on ageing until then and after.
    """
    alone = case.counts.at_least(case.need)
    past_anew = np.zeros(alone.size)
    past_anew[start:] = case.replace * case.counts.fresh[: alone.size - start]
    renewed = np.minimum(case.counts.at_least(case.need + case.replace - past_anew), alone)
    return alone, np.concatenate([alone[:start], np.maximum.accumulate(renewed[start:])])


def discount(years: int, rate: float) -> Floats:
    """Return (years,) the present value of one unit in the middle of each year."""
    return np.asarray((1.0 + rate) ** -(np.arange(years) + 0.5))


def benefit(case: Case, years: int, rate: float, start: int = 0) -> float:
    """Return the discounted consequence avoided over the planning years when acting at year start."""
    alone, after = degraded(case, start)
    saved = np.maximum(alone - after, 0.0)
    mid = 0.5 * (saved[:years] + saved[1 : years + 1])
    mid[:start] = 0.0  # the year before the renewal gains nothing of it, though its end is the renewal's day
    return float(case.consequence_per_year * mid @ discount(years, rate))


@dataclass(frozen=True)
class Ranks:
    """Benefit, benefit per cost, rank and its 10-90 % interval, (S,) each; rank 1 is where to spend first."""

    expected_benefit: Floats
    benefit_per_cost: Floats
    rank: Floats
    rank_p10: Floats
    rank_p90: Floats


def rank_sites(
    cases: list[Case], years: int, rate: float, rng: np.random.Generator, draws: int = 400
) -> Ranks:
    """Rank sites by benefit per cost, with the spread of the rank over posterior draws.

    A draw fixes for each site when it reaches its limit with and without renewal (the same quantile of both),
    and with it the benefit; ranks are taken within each draw. Sites whose intervals overlap are a tie.
    """
    S = len(cases)
    expected = np.array([benefit(c, years, rate) for c in cases])
    cost = np.array([max(c.cost, 1e-9) for c in cases])
    drawn = np.empty((draws, S))
    for s, case in enumerate(cases):
        drawn[:, s] = _drawn_benefit(case, years, rate, rng.random(draws)) / cost[s]
    order = np.argsort(np.argsort(-drawn - 1e-9 * rng.random(drawn.shape), axis=1), axis=1) + 1
    per_cost = expected / cost
    rank = np.empty(S)
    rank[np.lexsort((cost, -per_cost))] = np.arange(1, S + 1)
    low, high = (np.quantile(order, q, axis=0) for q in (0.1, 0.9)) if S else (np.zeros(0), np.zeros(0))
    return Ranks(expected, per_cost, rank, np.minimum(np.floor(low), rank), np.maximum(np.ceil(high), rank))


def _drawn_benefit(case: Case, years: int, rate: float, u: Floats) -> Floats:
    """Return (D,) discounted consequence avoided where the site's fate is at quantile u (D,)."""
    alone, after = degraded(case)
    grid = np.arange(alone.size, dtype=float)

    def reached(p: Floats) -> Floats:
        at = np.interp(u, np.concatenate([[0.0], p]), np.concatenate([[0.0], grid]))
        return np.where(u > p[-1], np.inf, at)

    start, end = np.minimum(reached(alone), years), np.minimum(reached(after), years)
    end = np.maximum(end, start)
    force = np.log1p(rate)
    if force < 1e-12:
        return np.asarray(case.consequence_per_year * (end - start))
    return np.asarray(case.consequence_per_year * (np.exp(-force * start) - np.exp(-force * end)) / force)


@dataclass(frozen=True)
class PlannedWork:
    """One line of the plan: the site (index), the year counted from 0, rods, cost and expected benefit."""

    site: int
    year: int
    rods: int
    cost: float
    expected_benefit: float


def plan_work(
    cases: list[Case], budget: float | None, plan_years: int, years: int, rate: float
) -> list[PlannedWork]:
    """Fill each year's budget with the sites of the largest benefit per cost among those worth their cost.

    A site that does not fit is passed over for the next that does. Without a budget, everything worth its
    cost is done in the first year.
    """
    left = set(range(len(cases)))
    out: list[PlannedWork] = []
    for year in range(min(plan_years, years)):
        money = np.inf if budget is None else budget
        gains = {s: benefit(cases[s], years, rate, start=year) for s in left}
        for s in sorted(left, key=lambda s: (-gains[s] / max(cases[s].cost, 1e-9), s)):
            if gains[s] <= cases[s].cost or cases[s].cost > money:
                continue
            money -= cases[s].cost
            left.discard(s)
            out.append(PlannedWork(s, year, cases[s].replace, cases[s].cost, gains[s]))
    return out
