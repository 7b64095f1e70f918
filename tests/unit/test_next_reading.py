"""What one more reading is worth: never negative, nothing on a certain rod, and as brute force has it."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.stats import binom, norm

from models.forecast import Fitted
from models.histories import Histories
from models.next_reading import (
    Choice,
    choice_of,
    next_readings,
    others_count,
    shadow_price,
    worth_of,
    worth_of_all,
)
from models.outlook import cdf_at
from models.reading_forecast import CrossedTable, Futures, futures_of, outcomes_of
from models.site import SiteCounts, site_counts
from models.spending import Case, benefit
from tests.unit.model_fleets import calibration, fitted, true_fit
from tests.unit.small_histories import site_history

YEARS, RATE = 10, 0.05


def one_rod(last: list[float]) -> Histories:
    """Lay out a clay rod read every year from its fifth, flat but for its last readings."""
    log_ohm = [2.7, 2.72, 2.69, 2.71, 2.70, 2.68, 2.72, 2.70, *last]
    n = len(log_ohm)
    ages = [5.0 + k for k in range(n)]
    h = site_history([ages], [log_ohm], [2000.0 + a for a in ages], [range(n)], log_formula=2.7)
    return replace(h, age_now=np.array([ages[-1] + 0.01]))


@cache
def rising() -> Fitted:
    """Fit a rod that has begun to rise and may or may not be past a doubling soon."""
    return fitted(one_rod([2.85, 2.97, 3.12]))


def counts_of(p: np.ndarray, years: int = 60) -> SiteCounts:
    """Return the counts of rods that are past independently with chances p (rods, years+1)."""
    pmf = np.ones((years + 1, 1))
    for own in p:
        q = own[:, None]
        pad = np.zeros_like(q)
        pmf = np.concatenate([pmf * (1 - q), pad], axis=1) + np.concatenate([pad, pmf * q], axis=1)
    tail = np.concatenate([np.cumsum(pmf[:, ::-1], axis=1)[:, ::-1], pad], axis=1)
    fresh = 1.0 - np.exp(-0.002 * np.arange(years + 1.0))
    return SiteCounts(p.shape[0], p.shape[0], tail, tail[:, 1:].sum(axis=1), fresh)


def rod_chances(fit: Fitted, i: int = 0) -> np.ndarray:
    age = fit.histories.age_now[[i]]
    return np.array([cdf_at(fit.crossing.cdf[[i]], age + y)[0] for y in range(61)])


def case_of(fit: Fitted, cost: float) -> Case:
    return Case(counts_of(rod_chances(fit)[None]), 1, 1, 1000.0, cost)


def value_at(fit: Fitted, cost: float) -> tuple[float, float]:
    found = next_readings(
        fit, np.array([True]), [case_of(fit, cost)], [0.0], None, YEARS, RATE, np.random.default_rng(1)
    )
    return float(found.value[0]), float(found.p_change[0])


def test_the_grid_weighed_by_a_forecast_reading_is_the_fit_with_that_reading() -> None:
    fit = rising()
    h = fit.histories
    f = futures_of(fit, 0, CrossedTable(fit, YEARS), YEARS)
    # The district's year is not known ahead, and is known to be nothing where this fit is made again.
    f = replace(f, sd=float(np.sqrt(f.sd**2 - calibration().period_sd ** 2)))
    offset = float(h.log_ohm[-1] - fit.prepared.resid[-1])
    n = h.age.size
    for z in (-1.5, -0.5, 0.5, 1.5):
        mean = f.weight @ f.level
        y = mean + z * np.sqrt(f.sd**2 + f.weight @ (f.level - mean) ** 2)
        weight = f.weight * norm.pdf(y, f.level, f.sd)
        predicted = (weight / weight.sum()) @ f.past[:, 5]
        ages = [*h.age, h.age_now[0] + 1.0]
        grown = site_history(
            [ages], [[*h.log_ohm, offset + y]], [2000.0 + a for a in ages], [range(n + 1)], log_formula=2.7
        )
        again = fitted(replace(grown, age_now=h.age_now))
        exact = cdf_at(again.crossing.cdf, h.age_now + 5.0)[0]
        # The noise of this very electrode, and a step, are weighed anew there; here they are held.
        assert predicted == pytest.approx(exact, abs=0.06), z


def test_the_value_is_that_of_brute_force() -> None:
    fit = rising()
    f = futures_of(fit, 0, CrossedTable(fit, YEARS), YEARS)
    p = rod_chances(fit)
    case = case_of(fit, 0.0)
    cost = benefit(case, YEARS, RATE)  # a coin toss
    case = replace(case, cost=cost)
    value, p_change = value_at(fit, cost)
    rng = np.random.default_rng(5)
    true = rng.choice(f.weight.size, size=4000, p=f.weight)
    y = f.level[true] + f.sd * rng.normal(size=true.size)
    weight = f.weight * norm.pdf(y[:, None], f.level, f.sd)
    weight /= weight.sum(axis=1, keepdims=True)
    grid_mean, chances = f.weight @ f.past, weight @ f.past
    left = (1 - p[: YEARS + 1]) / np.maximum(1 - grid_mean, 1e-12)
    own = np.where(
        p[: YEARS + 1] >= grid_mean, 1 - (1 - chances) * left, chances * p[: YEARS + 1] / grid_mean
    )
    gains = []
    for row in own:
        full = p.copy()
        full[: YEARS + 1] = row
        gains.append(benefit(replace(case, counts=counts_of(full[None])), YEARS, RATE) - cost)
    brute = float(np.mean(np.maximum(gains, 0.0)) - max(0.0, np.mean(gains)))
    assert value == pytest.approx(brute, rel=0.1)
    assert value <= brute * 1.05
    assert value > 0.02 * cost
    assert p_change == pytest.approx(np.mean(np.array(gains) > 0), abs=0.1) or p_change == pytest.approx(
        np.mean(np.array(gains) < 0), abs=0.1
    )


def test_more_outcomes_are_worth_more_and_settle() -> None:
    fit = rising()
    f = futures_of(fit, 0, CrossedTable(fit, YEARS), YEARS)
    p = rod_chances(fit)[None, : YEARS + 1]
    case = case_of(fit, 0.0)
    choice = choice_of(replace(case, cost=benefit(case, YEARS, RATE)), 0.0, p, 1.0, YEARS, RATE)
    values = []
    for count in (1, 2, 8, 16, 64):
        seen = outcomes_of(f, count)
        values.append(worth_of(choice, choice.pull[:, 0] @ (seen.given @ f.past).T, seen.chance).value)
    assert values[0] == 0.0
    assert values[1] > 0.0
    assert values[3] == pytest.approx(values[4], rel=0.03)
    assert values[2] <= values[4] * 1.001


def test_outcomes_are_a_partition_whose_mean_is_what_is_known_now() -> None:
    f = futures_of(rising(), 0, CrossedTable(rising(), YEARS), YEARS)
    seen = outcomes_of(f)
    assert seen.chance.sum() == pytest.approx(1.0)
    assert seen.chance @ seen.given == pytest.approx(f.weight, abs=1e-9)
    assert seen.given.sum(axis=1) == pytest.approx(np.ones(seen.chance.size))
    # Higher readings make a rod more likely past.
    assert (np.diff(seen.given @ f.past[:, 5]) > -1e-9).all()


def test_a_certain_rod_is_worth_nothing_and_one_at_the_edge_more_than_others() -> None:
    gone = fitted(one_rod([4.0, 4.1, 4.1, 4.1]))
    sound = fitted(one_rod([2.70, 2.71, 2.69, 2.70]))
    assert rod_chances(gone)[0] > 0.99
    for fit in (gone, sound):
        cost = 0.5 * benefit(case_of(fit, 0.0), YEARS, RATE)
        assert value_at(fit, cost)[0] < 1e-3 * cost
    gain = benefit(case_of(rising(), 0.0), YEARS, RATE)
    edge, nearby, far = (value_at(rising(), c * gain)[0] for c in (1.0, 1.3, 6.0))
    assert edge > nearby > far >= 0.0
    assert far == 0.0


def test_a_reading_that_tells_a_step_from_a_wild_value_moves_most() -> None:
    suspected = fitted(one_rod([2.70, 2.71, 2.69, 3.9]))
    assert 0.1 < suspected.posterior.p_broken[0] < 0.9
    f = futures_of(suspected, 0, CrossedTable(suspected, YEARS), YEARS)
    chances = outcomes_of(f).given @ f.past[:, 1]
    assert chances[0] < 0.05
    assert chances[-1] > 0.9


def test_values_are_never_negative_and_a_price_above_all_makes_deferring_certain() -> None:
    fit = true_fit()
    h = fit.histories
    counts = site_counts(fit, np.ones(h.electrodes, bool), list(h.electrode_id), [12] * h.sites)
    rng = np.random.default_rng(2)
    cases: list[Case | None] = [
        Case(c, 4, max(int(c.expected[5]), 1), 900.0 * rng.random(), 3000.0) for c in counts
    ]
    cases[0] = None
    standing = np.ones(h.electrodes, bool)
    standing[-1] = False
    found = next_readings(
        fit, standing, cases, [300.0] * h.sites, None, YEARS, RATE, np.random.default_rng(1)
    )
    told = h.electrode_site > 0
    told[-1] = False
    assert np.isnan(found.value[~told]).all()
    assert (found.value[told] >= 0).all()
    assert found.value[told].max() > 0
    assert ((found.p_change[told] >= 0) & (found.p_change[told] <= 1)).all()
    assert (found.sd_after[told] <= found.sd_now[told] + 1e-12).all()
    # Measuring all wells is worth at least the best of them.
    best = np.array([np.nanmax(found.value[h.electrode_site == s]) for s in range(1, h.sites)])
    assert (found.site_value[1:] >= best).all()
    dear = [None if c is None else replace(c, cost=1e9) for c in cases]
    never = next_readings(fit, standing, dear, [300.0] * h.sites, None, YEARS, RATE, np.random.default_rng(1))
    assert np.nanmax(never.value) == 0.0
    assert np.nanmax(never.site_value) == 0.0
    again = next_readings(
        fit, standing, cases, [300.0] * h.sites, None, YEARS, RATE, np.random.default_rng(1)
    )
    assert np.array_equal(again.site_value, found.site_value, equal_nan=True)


def test_the_other_rods_of_a_site_are_what_is_left_of_its_count() -> None:
    p = np.array([[0.1], [0.7], [0.4], [0.9]]) * np.ones((4, 61))
    others = others_count(counts_of(p), p[:, : YEARS + 1], YEARS)
    for e in range(4):
        left = counts_of(np.delete(p, e, axis=0))
        exact = left.tail[: YEARS + 1, :-1] - left.tail[: YEARS + 1, 1:]
        assert others[e, :, :4] == pytest.approx(exact, abs=1e-9)
    same = np.full((6, 61), 0.3)
    assert others_count(counts_of(same), same[:, :11], 10)[0, 0, :6] == pytest.approx(
        binom.pmf(np.arange(6), 5, 0.3), abs=1e-9
    )


def test_how_a_rod_pulls_is_the_slope_of_the_benefit() -> None:
    rng = np.random.default_rng(3)
    p = np.sort(rng.uniform(0.1, 0.9, (5, 61)), axis=1)
    case = Case(counts_of(p), 2, 2, 1000.0, 500.0)
    choice = choice_of(case, 100.0, p[:, : YEARS + 1], 1.0, YEARS, RATE)
    j = int(np.flatnonzero(choice.rods == 2)[0])
    assert choice.gain[j] == pytest.approx(benefit(case, YEARS, RATE) - 500.0)
    assert choice.gain[j + 1] == pytest.approx(benefit(replace(case, replace=3), YEARS, RATE) - 600.0)
    up, down = p.copy(), p.copy()
    # The same shift in every year keeps the benefit clear of its bounds.
    up[1] += 0.004
    down[1] -= 0.004
    slope = (
        benefit(replace(case, counts=counts_of(up)), YEARS, RATE)
        - benefit(replace(case, counts=counts_of(down)), YEARS, RATE)
    ) / 0.008
    assert choice.pull[j, 1].sum() == pytest.approx(slope, rel=0.02)


def test_all_wells_at_once_on_a_choice_written_out() -> None:
    # A gain of -1, moved by ten up or down at each of two wells: to -21, -1, 19.
    choice = Choice(np.array([0, 1]), np.array([0.0, -1.0]), np.zeros((2, 2, 1)), 1e-9)
    chance = np.array([0.5, 0.5])
    one = worth_of(choice, np.array([[0.0, 0.0], [-10.0, 10.0]]), chance)
    assert one.value == pytest.approx(4.5)
    assert one.p_change == pytest.approx(0.5)
    both, p_change = worth_of_all(choice, [one, one], [chance, chance], np.random.default_rng(1), 20000)
    assert both == pytest.approx(4.75, rel=0.05)
    assert p_change == pytest.approx(0.25, abs=0.02)


def test_the_price_of_money_is_the_best_that_the_budget_leaves_out() -> None:
    fit = rising()
    gain = benefit(case_of(fit, 0.0), YEARS, RATE)
    cases = [case_of(fit, gain / k) for k in (4.0, 3.0, 2.0, 0.5)]
    assert shadow_price(cases, None, YEARS, RATE) == 1.0
    # a coin more than the two best cost: the sum itself rounds to either side
    assert shadow_price(cases, (gain / 4 + gain / 3) * (1 + 1e-9), YEARS, RATE) == pytest.approx(2.0)
    assert shadow_price(cases, 0.0, YEARS, RATE) == pytest.approx(4.0)
    assert shadow_price([], 10.0, YEARS, RATE) == 1.0


def test_futures_without_readings_are_the_class() -> None:
    h = one_rod([2.7])
    none = np.zeros(0, dtype=np.int64)
    empty = replace(
        h, reading_start=np.zeros(2, np.int64), visit_start=np.zeros(2, np.int64),
        visit_year=none.astype(float), visit_period=none,
        **{k: getattr(h, k)[none] for k in (
            "age", "log_ohm", "side", "meter_var", "year", "kind", "visit", "row")},
    )  # fmt: skip
    fit = fitted(empty)
    f: Futures = futures_of(fit, 0, CrossedTable(fit, YEARS), YEARS)
    spread = calibration().spread
    assert f.sd > np.hypot(spread.site_sd, spread.rod_sd)
    assert f.weight.sum() == pytest.approx(1.0)
