"""Money: benefit of acting now, its discounting, ranks and the plan, beside sums written out by hand."""

import numpy as np
import pytest
from scipy.stats import binom

from models.site import YEARS_AHEAD, SiteCounts
from models.spending import (
    Case,
    _drawn_benefit,
    benefit,
    degraded,
    discount,
    plan_work,
    rank_sites,
    rods_to_replace,
)

Y = YEARS_AHEAD
RATE = 0.05


def _counts(rods: int, hazard: float, fresh_hazard: float = 0.0, now: float = 0.0) -> SiteCounts:
    """Build the counts of a site whose rods fail independently at one hazard, a share of them by now."""
    y = np.arange(Y + 1.0)
    p = 1.0 - (1.0 - now) * np.exp(-hazard * y)
    m = np.arange(rods + 2)
    return SiteCounts(
        rods, rods, binom.sf(m[None, :] - 1, rods, p[:, None]), rods * p, 1.0 - np.exp(-fresh_hazard * y)
    )


def _case(hazard: float, cost: float = 10.0, fresh: float = 0.0, now: float = 0.0, rods: int = 6) -> Case:
    return Case(_counts(rods, hazard, fresh, now), need=2, replace=2, consequence_per_year=8.0, cost=cost)


def test_a_unit_a_year_forever_is_worth_its_closed_form() -> None:
    factors = discount(400, RATE)
    assert factors[:2] == pytest.approx([1.05**-0.5, 1.05**-1.5])
    assert factors.sum() == pytest.approx(1.05**0.5 / 0.05, rel=1e-6)
    assert discount(7, 0.0).sum() == 7.0


def test_nothing_is_gained_where_nothing_can_be_past() -> None:
    case = _case(0.0)
    assert benefit(case, 30, RATE) == 0.0
    assert degraded(case)[0].max() == 0.0


@pytest.mark.parametrize("hazard", [0.001, 0.02, 0.1, 1.0])
@pytest.mark.parametrize("fresh", [0.0, 0.02, 2.0])
def test_the_benefit_is_never_negative_and_never_more_than_what_is_at_stake(
    hazard: float, fresh: float
) -> None:
    case = _case(hazard, fresh=fresh)
    alone, after = degraded(case)
    assert (after <= alone + 1e-12).all()
    assert (np.diff(after) >= -1e-12).all()
    gain = benefit(case, 30, RATE)
    mid = 0.5 * (alone[:30] + alone[1:31])
    assert 0.0 <= gain <= case.consequence_per_year * mid @ discount(30, RATE) + 1e-12


def test_the_benefit_by_a_sum_written_out() -> None:
    case = _case(0.06)
    alone, after = case.counts.tail[:, 2], case.counts.tail[:, 4]
    by_hand = 0.0
    for y in range(20):
        saved = 0.5 * ((alone[y] - after[y]) + (alone[y + 1] - after[y + 1]))
        by_hand += 8.0 * saved / 1.05 ** (y + 0.5)
    assert benefit(case, 20, RATE) == pytest.approx(by_hand)


def test_a_site_certain_to_be_past_that_renewal_cures_is_worth_the_annuity() -> None:
    counts = SiteCounts(2, 2, np.tile([1.0, 1.0, 1.0, 0.0], (Y + 1, 1)), np.full(Y + 1, 2.0), np.zeros(Y + 1))
    case = Case(counts, need=1, replace=2, consequence_per_year=100.0, cost=1.0)
    assert benefit(case, 10, RATE) == pytest.approx(100.0 * discount(10, RATE).sum())
    assert benefit(case, 10, RATE, start=4) == pytest.approx(100.0 * discount(10, RATE)[4:].sum())


def test_renewal_with_rods_that_fail_at_once_gains_nothing() -> None:
    counts = _counts(6, 0.05)
    worthless = SiteCounts(6, 6, counts.tail, counts.expected, np.ones(Y + 1))
    assert benefit(Case(worthless, 2, 2, 8.0, 1.0), 30, RATE) == pytest.approx(0.0)


@pytest.mark.parametrize("hazard", [0.02, 0.06])
def test_putting_off_never_raises_the_benefit_where_new_rods_do_not_age(hazard: float) -> None:
    case = _case(hazard)
    gains = [benefit(case, 25, RATE, start=k) for k in range(12)]
    alone, after = degraded(case)
    mid = 0.5 * ((alone - after)[:25] + (alone - after)[1:26]) * discount(25, RATE) * 8.0
    assert (np.diff(gains) <= 1e-9).all()
    assert gains == pytest.approx([mid[k:].sum() for k in range(12)])


@pytest.mark.parametrize(("expected", "rods", "want"), [(0.0, 5, 1), (2.0, 5, 2), (2.1, 5, 3), (9.0, 5, 5)])
def test_how_many_rods_to_renew(expected: float, rods: int, want: int) -> None:
    counts = SiteCounts(rods, rods, np.zeros((Y + 1, rods + 2)), np.full(Y + 1, expected), np.zeros(Y + 1))
    assert rods_to_replace(counts) == want


def test_ranks_are_a_permutation_by_benefit_per_cost_inside_their_spread() -> None:
    rng = np.random.default_rng(5)
    cases = [_case(h, c) for h, c in zip(rng.uniform(0, 0.1, 12), rng.uniform(1, 40, 12), strict=True)]
    ranks = rank_sites(cases, 25, RATE, rng)
    assert sorted(ranks.rank) == list(range(1, 13))
    assert (np.diff(ranks.benefit_per_cost[np.argsort(ranks.rank)]) <= 0).all()
    assert (ranks.rank_p10 <= ranks.rank).all()
    assert (ranks.rank_p90 >= ranks.rank).all()
    assert ranks.expected_benefit == pytest.approx([benefit(c, 25, RATE) for c in cases])


def test_equal_sites_are_a_tie_and_a_clear_leader_is_not() -> None:
    leader = Case(_counts(6, 0.5), need=2, replace=6, consequence_per_year=8.0, cost=0.5)
    cases = [_case(0.03) for _ in range(8)] + [leader]
    ranks = rank_sites(cases, 25, RATE, np.random.default_rng(2))
    assert ranks.rank[8] == 1.0
    assert ranks.rank_p90[8] <= 2.0
    assert (ranks.rank_p90[:8] - ranks.rank_p10[:8]).min() >= 5.0


def test_no_sites_rank_without_complaint() -> None:
    assert rank_sites([], 25, RATE, np.random.default_rng(1)).rank.size == 0


def test_the_plan_keeps_its_budget_and_does_each_site_once() -> None:
    rng = np.random.default_rng(9)
    cases = [_case(h, c) for h, c in zip(rng.uniform(0, 0.3, 30), rng.uniform(5, 40, 30), strict=True)]
    plan = plan_work(cases, 60.0, 4, 25, RATE)
    assert 4 <= len(plan) < 30
    assert len({w.site for w in plan}) == len(plan)
    for year in range(4):
        assert sum(w.cost for w in plan if w.year == year) <= 60.0
    for w in plan:
        assert w.expected_benefit > w.cost
        assert w.expected_benefit == pytest.approx(benefit(cases[w.site], 25, RATE, start=w.year))


def test_without_a_budget_all_that_is_worth_its_cost_is_done_at_once() -> None:
    cases = [_case(0.3), _case(0.0), _case(0.3, cost=1e6), _case(0.2)]
    plan = plan_work(cases, None, 3, 25, RATE)
    assert {w.site for w in plan if w.year == 0} == {0, 3}
    assert not [w for w in plan if w.site in {1, 2}]
    assert plan_work(cases, 0.0, 3, 25, RATE) == []


def test_the_mean_of_drawn_benefits_is_the_benefit() -> None:
    case = _case(0.06)
    u = (np.arange(20_000) + 0.5) / 20_000
    # half-year sums against continuous discounting
    assert _drawn_benefit(case, 25, RATE, u).mean() == pytest.approx(benefit(case, 25, RATE), rel=0.01)
