"""What one more reading of each well would be worth: the expected gain of deciding with it in hand.

Pre-posterior analysis (Raiffa and Schlaifer 1961, chapters 4 and 5). Each outcome that a reading a year ahead
may have (`models/reading_forecast.py`) moves the electrode's chance of being past in each year, and with it
what the site gains by renewing so many rods rather than deferring. The value is the mean of the best decision
after the reading, less the best one now: never negative, and a little too small rather than too large, as
outcomes are intervals and what the reading tells of the site's other rods is left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from models.forecast import Fitted
from models.histories import Floats, Ints
from models.outlook import cdf_at
from models.reading_forecast import CrossedTable, Outcomes, about_published, futures_of, outcomes_of
from models.site import SiteCounts
from models.site_pass import ForEach, in_turn
from models.spending import Case, benefit, discount

_FEWER = 3  # rods fewer or more than planned that are weighed too
_STAKE = 1e-3  # of a site's cost: a difference below it changes no decision


def others_count(counts: SiteCounts, p: Floats, years: int) -> Floats:
    """Return (E, Y+1, rods+1) the distribution of how many *other* rods are past, for each of E rods.

    p: (E, Y+1) each rod's own chance. The rod is taken out of the site's count as an independent trial; what
    rods share makes that an approximation, and small negative masses are cut.
    """
    pmf = np.maximum(counts.tail[: years + 1, :-1] - counts.tail[: years + 1, 1:], 0.0)
    rods = counts.rods
    out = np.zeros((*p.shape, rods + 1))
    up, down = np.zeros(p.shape), np.zeros(p.shape)
    high = p > 0.5
    q = np.clip(p, 1e-9, 1.0 - 1e-9)
    backward = np.zeros_like(out)
    for m in range(rods):
        up = np.clip((pmf[:, m] - q * up) / (1.0 - q), 0.0, 1.0)
        out[..., m] = up
    for m in range(rods, 0, -1):
        down = np.clip((pmf[:, m] - (1.0 - q) * down) / q, 0.0, 1.0)
        backward[..., m - 1] = down
    out = np.where(high[..., None], backward, out)
    return np.asarray(out / np.maximum(out.sum(axis=-1, keepdims=True), 1e-12))


@dataclass(frozen=True)
class Choice:
    """What can be done at a site: defer (first), or renew so many rods (rods, (J,)).

    gain: (J,) benefit less cost at the price of money, now. pull: (J, E, Y+1) by how much each rod's chance
    of being past in each year adds to it. stake: money below which a difference is none.
    """

    rods: Ints
    gain: Floats
    pull: Floats
    stake: float


def choice_of(case: Case, rod_cost: float, p: Floats, price: float, years: int, rate: float) -> Choice:
    """Lay out deferring, renewing as many rods as planned, and up to three rods fewer or more.

    p: (E, years+1) chance of each measured rod of being past. rod_cost: of one rod more. price: what a unit
    of money earns elsewhere. A rod matters where the others make it the one that takes the site past its
    limit, and less where that would hold after renewing too.
    """
    others = others_count(case.counts, p, years)
    padded = np.concatenate([np.zeros((*p.shape, 1)), others, np.zeros((*p.shape, 3))], axis=-1)
    y = np.arange(years + 1)

    def one_short(of: Floats) -> Floats:
        """Return (E, years+1) the chance that the other rods past are one short of counts `of` (years+1,)."""
        at = np.clip(of - 1.0, -1.0, case.counts.rods + 1.0)
        low = np.floor(at).astype(np.int64)
        share = at - low
        return np.asarray(padded[:, y, low + 1] * (1.0 - share) + padded[:, y, low + 2] * share)

    worth = discount(years, rate)
    mid = 0.5 * (np.concatenate([worth, [0.0]]) + np.concatenate([[0.0], worth]))
    need = np.full(years + 1, float(case.need))
    numbers = np.arange(
        max(case.replace - _FEWER, 1), max(min(case.replace + _FEWER, case.counts.rods), 1) + 1
    )
    gain, pull = [0.0], [np.zeros(p.shape)]
    for n in numbers:
        cost = case.cost + (int(n) - case.replace) * rod_cost
        gain.append(benefit(replace(case, replace=int(n)), years, rate) - price * cost)
        after = need + n - n * case.counts.fresh[: years + 1]
        pull.append(case.consequence_per_year * mid * (one_short(need) - one_short(after)))
    rods = np.concatenate([[0], numbers])
    return Choice(rods, np.array(gain), np.stack(pull), _STAKE * max(case.cost, 1e-9))


@dataclass(frozen=True)
class Worth:
    """What a reading is worth, money; how likely it changes the decision; what would be done then.

    moves: (J, K) how each outcome moves the gain of each choice. best: (K,) the choice after each outcome,
    the one of now where another gains less than the stake.
    """

    value: float
    p_change: float
    moves: Floats
    best: Ints


def worth_of(choice: Choice, moves: Floats, chance: Floats) -> Worth:
    """Return what a reading is worth whose outcomes, of chance (K,), move the gains by moves (J, K)."""
    moves = moves - (moves @ chance)[:, None]
    now = int(choice.gain.argmax())
    after = choice.gain[:, None] + moves
    best = after.argmax(axis=0)
    regret = after.max(axis=0) - after[now]
    value = float(chance @ regret)
    best = np.where(regret > choice.stake, best, now)
    return Worth(value if value > 1e-3 * choice.stake else 0.0, float(chance @ (best != now)), moves, best)


def worth_of_all(
    choice: Choice, worths: list[Worth], chances: list[Floats], rng: np.random.Generator, draws: int = 1000
) -> tuple[float, float]:
    """Return value and chance of a change when all wells are measured, their outcomes independent draws."""
    total = np.zeros((choice.gain.size, draws))
    for w, chance in zip(worths, chances, strict=True):
        k = rng.choice(chance.size, size=draws, p=chance / chance.sum())
        total += w.moves[:, k]
    w = worth_of(choice, total, np.full(draws, 1.0 / draws))
    return w.value, w.p_change


def shadow_price(cases: list[Case], budget: float | None, years: int, rate: float) -> float:
    """Return what a unit of money earns elsewhere: the best benefit per cost that a year's budget leaves out.

    One where the budget leaves nothing out that is worth its cost.
    """
    gains = np.array([benefit(c, years, rate) for c in cases])
    cost = np.array([max(c.cost, 1e-9) for c in cases])
    money, left = np.inf if budget is None else budget, 1.0
    for s in np.lexsort((np.arange(cost.size), -gains / cost)):
        if gains[s] <= cost[s]:
            break
        if cost[s] > money:
            left = max(left, float(gains[s] / cost[s]))
        else:
            money -= float(cost[s])
    return left


@dataclass(frozen=True)
class NextReadings:
    """What a reading of each electrode, or of all of a site's, is worth.

    For each electrode (N,): value (money), p_change of the decision, sd of its log ratio a year ahead now and
    after; above, below: level of the reading, over today's level (log), beyond which the decision is another
    (nan: none), and rods renewed then (rods_above, rods_below, 0 to defer). For each site (S,): rods_now,
    gain of that over deferring, value and p_change of measuring all wells at once (approximate). price: what
    a unit of money earns elsewhere. nan where there is nothing to decide or to read.
    """

    value: Floats
    p_change: Floats
    sd_now: Floats
    sd_after: Floats
    above: Floats
    rods_above: Floats
    below: Floats
    rods_below: Floats
    rods_now: Floats
    site_gain: Floats
    site_value: Floats
    site_p_change: Floats
    price: float


def next_readings(
    fit: Fitted,
    in_service: npt.NDArray[np.bool_],
    cases: Sequence[Case | None],
    rod_cost: Sequence[float],
    budget: float | None,
    years: int,
    rate: float,
    rng: np.random.Generator,
    each: ForEach = in_turn,
) -> NextReadings:
    """Work out for every electrode what a reading a year from now is worth, and for every site all of them.

    in_service: (N,). cases: (S,) each site's money, None where it has no rod. rod_cost: (S,) of one rod more.
    years: over which the benefit counts. rate: discount a year. Measuring all wells takes their outcomes as
    independent: the visit that they share is left out.
    """
    h = fit.histories
    table = CrossedTable(fit, years)
    price = shadow_price([c for c in cases if c is not None], budget, years, rate)
    by_rod, by_site = np.full((8, h.electrodes), np.nan), np.full((4, h.sites), np.nan)
    seeds = rng.integers(0, 2**63 - 1, size=max(h.sites, 1))

    def one(s: int) -> None:
        case = cases[s]
        mine = np.arange(h.site_start[s], h.site_start[s + 1])
        mine = mine[in_service[mine]]
        if case is None or not mine.size:
            return
        age = h.age_now[mine]
        p = np.stack([cdf_at(fit.crossing.cdf[mine], age + y) for y in range(years + 1)], axis=1)
        choice = choice_of(case, rod_cost[s], p, price, years, rate)
        own = np.random.default_rng(seeds[s])
        by_rod[:, mine], by_site[:, s] = _of_site(fit, mine, p, choice, table, own)

    each(one, range(h.sites))
    return NextReadings(*(*by_rod, *by_site, price))


def _of_site(
    fit: Fitted, mine: Ints, p: Floats, choice: Choice, table: CrossedTable, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Return (8, E) and (4,) of one site, in the order of NextReadings."""
    rods = np.empty((8, mine.size))
    worths, chances = [], []
    for e, i in enumerate(mine):
        f = futures_of(fit, int(i), table, p.shape[1] - 1)
        seen = outcomes_of(f)
        given = about_published(seen.given @ f.past, f.weight @ f.past, p[e])
        worth = worth_of(choice, choice.pull[:, e] @ given.T, seen.chance)
        worths.append(worth)
        chances.append(seen.chance)
        before = np.sqrt(max(float(f.weight @ f.ratio_sq - (f.weight @ f.ratio) ** 2), 0.0))
        left = seen.chance @ (seen.given @ f.ratio_sq - (seen.given @ f.ratio) ** 2)
        after = min(np.sqrt(max(float(left), 0.0)), before)
        rods[:, e] = worth.value, worth.p_change, before, after, *_tips(choice, worth, seen, f.now)
    value, p_change = worth_of_all(choice, worths, chances, rng)
    now = int(choice.gain.argmax())
    best = np.array([max(value, rods[0].max()), max(p_change, rods[1].max())])
    return rods, np.array([choice.rods[now], choice.gain[now], *best])


def _tips(choice: Choice, worth: Worth, seen: Outcomes, now: float) -> tuple[float, float, float, float]:
    """Return beyond which readings, above and below, another decision is made, and how many rods then."""
    other = worth.best != int(choice.gain.argmax())
    none = float("nan")
    above, below = (none, none), (none, none)
    if other.all():
        return (*above, *below)
    if other[-1]:
        k = int(np.flatnonzero(~other)[-1]) + 1
        above = (float(seen.edges[k]) - now, float(choice.rods[worth.best[-1]]))
    if other[0]:
        k = int(np.flatnonzero(~other)[0])
        below = (float(seen.edges[k]) - now, float(choice.rods[worth.best[0]]))
    return (*above, *below)
