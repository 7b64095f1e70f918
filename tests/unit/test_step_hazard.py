"""The hazard of sudden steps against integrals written out, and its rates against those that were planted."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from models.breaks import Structures, plain_structures
from models.calibration import calibrate
from models.class_prior import CurvePrior
from models.corrosion_curves import crossing_table, curve_grid
from models.histories import Floats, Histories
from models.site_pass import FieldSpread, SitePass, field_covariance, no_factors, site_pass
from models.step_hazard import StepModel, aged, hazard_ahead, log_step_odds, steady_hazard
from models.step_kernel import EXPOSED, ROW, SHARE, onset_rows
from models.step_rates import PRIOR_YEARS, Counted, Rates, count_steps, rates_given
from models.steps_to_come import Alone, not_past, with_steps
from tests.recovery.own_model import Plan, draw_fleet, known_calibration
from tests.unit.small_histories import site_history

MODEL = StepModel(break_rate=0.004, soil_factor={"clay": 1.5}, age_power=1.3, after_rate=0.02)
ONSETS = np.array([0.5, 3.0, 6.2, 8.0, 11.0, 30.0])


def _hazard(age: float, onset: float) -> float:
    """Return the hazard of a step a year in clay, written out."""
    return 0.004 * 1.5 * 1.3 * (age / 40.0) ** 0.3 + 0.02 * (age > onset)


def _come(age: float, onset: float) -> float:
    return quad(_hazard, 0.0, age, args=(onset,), points=[min(onset, age)], epsabs=1e-12)[0]


def _history() -> Histories:
    ages = [2.0, 5.0, 7.0, 10.0]
    return site_history([ages], [[0.1] * 4], [2000.0 + a for a in ages], [range(4)])


def test_the_rate_of_a_class_is_its_mean_over_working_life() -> None:
    mean = quad(lambda a: _hazard(a, np.inf), 0.0, 40.0)[0] / 40.0
    assert mean == pytest.approx(MODEL.rates(["clay"])[0], rel=1e-9)
    assert MODEL.rates(["clay", "elsewhere"]) == pytest.approx([0.006, 0.004])


def test_no_step_since_a_rod_was_driven() -> None:
    ages = np.array([0.0, 4.0, 25.0])
    none = MODEL.survived("clay", ONSETS, ages)
    for t, onset in enumerate(ONSETS):
        assert none[t] == pytest.approx([np.exp(-_come(a, onset)) for a in ages], rel=1e-8)
    half = MODEL.survived("clay", ONSETS, ages, part=0.5)
    assert half == pytest.approx(np.sqrt(none))


def test_the_age_of_a_step_is_where_its_hazard_has_come_to_what_was_needed() -> None:
    needed = np.array([0.01, 0.2, 1.7])
    for onset in ONSETS:
        age = MODEL.age_of_step(needed, np.array(0.006), np.array(onset))
        assert [_come(a, onset) for a in age] == pytest.approx(needed, rel=1e-7)
    steady = StepModel(break_rate=0.01)
    assert steady.age_of_step(np.array([0.3]), np.array([0.01]), ONSETS[:1]) == pytest.approx([30.0])


@pytest.mark.parametrize("brk", [-1, 0, 2])
def test_the_odds_of_a_step_given_the_onset_are_those_of_the_integrals(brk: int) -> None:
    h, last = _history(), 10.0
    ahead, rows = hazard_ahead(h, MODEL), np.empty((3, ONSETS.size))
    onset_rows(h.age, brk, ahead, MODEL.after_rate, ONSETS, rows)
    steady = np.exp(-_come(last, np.inf))
    since, until = (0.0, 2.0) if brk == 0 else (5.0, 7.0)
    for t, onset in enumerate(ONSETS):
        chance = np.exp(-_come(last, onset))
        if brk >= 0:
            chance = quad(
                lambda a, onset=onset: _hazard(a, onset) * np.exp(-_come(a, onset)), since, until,
                points=[np.clip(onset, since, until)],
            )[0]  # fmt: skip
        odds = rows[ROW, t] + (log_step_odds(ahead[[brk]])[0] if brk >= 0 else 0.0)
        assert odds == pytest.approx(np.log(chance / steady), abs=1e-6)
        if brk >= 0:  # the chance that the step is the onset's own
            own, steady_part = 0.02 * (until - since), _come(until, np.inf) - _come(since, np.inf)
            after = 0.02 * np.clip(until - onset, 0.0, until - since)
            share = rows[SHARE, t] * own / (own + steady_part)
            assert share == pytest.approx(after / (after + steady_part))
        else:
            assert rows[SHARE, t] == 0.0
        ends = [last] if brk < 0 else [since, until]
        seen = np.mean([max(e - max(onset, 2.0), 0.0) for e in ends])  # from the first reading on, at 2 years
        assert rows[EXPOSED, t] == pytest.approx(0.0 if brk == 0 else seen)


def test_without_a_hazard_after_the_onset_all_onsets_are_alike() -> None:
    h, rows = _history(), np.empty((3, ONSETS.size))
    steady = replace(MODEL, after_rate=0.0)
    for brk in (-1, 0, 3):
        onset_rows(h.age, brk, hazard_ahead(h, steady), 0.0, ONSETS, rows)
        assert (rows[ROW] == 0.0).all()
    one_rate = hazard_ahead(h, StepModel(break_rate=0.01))
    since, until = np.array([10.0, 8.0, 5.0, 3.0]), np.array([8.0, 5.0, 3.0, 0.0])
    assert log_step_odds(one_rate) == pytest.approx(np.log(np.exp(0.01 * since) - np.exp(0.01 * until)))


def test_a_surge_on_record_counts_like_years_of_the_steady_hazard_at_its_date() -> None:
    h = replace(_history(), surges=((6.0,),))
    model = StepModel(break_rate=0.002, surge_years=10.0)
    none = np.zeros(2, np.int64)
    assert steady_hazard(h, model, none, np.array([5.9, 6.0])) == pytest.approx([0.002 * 5.9, 0.002 * 16.0])
    plain, struck = (np.exp(log_step_odds(hazard_ahead(x, model))) for x in (_history(), h))
    assert struck[2] / plain[2] == pytest.approx(6.0, rel=0.02)  # two years have become twelve
    assert struck[3] == pytest.approx(plain[3])
    assert struck[1] == pytest.approx(plain[1], rel=0.03)


def _passed(h: Histories, model: StepModel, s: Structures, mass: Floats) -> SitePass:
    grid = curve_grid()
    precision = [np.linalg.inv(field_covariance(h, 0, FieldSpread()))]
    growth = np.zeros((1, 1, grid.growth.size), np.float32)
    growth[0, 0, 0] = 1.0
    return site_pass(
        h, h.log_ohm, np.full(h.age.size, 0.08**2), np.full(1, 0.2**2), precision, s, model,
        (np.ones(1), np.zeros(1)), CurvePrior(grid, mass[None, None, :].astype(np.float32), growth),
        np.zeros(1, np.int64), np.ones((1, 1)), np.full((1, 4), 0.25), no_factors(h), 1,
    )  # fmt: skip


def test_the_site_pass_weighs_each_onset_with_its_odds_of_a_step() -> None:
    """Growth is hardly any: the readings say nothing of the onset, the step alone does."""
    ages = [2.0, 5.0, 7.0, 10.0]
    log = [2.0, 2.0, 2.9, 2.9]
    h = site_history([ages], [log], [2000.0 + a for a in ages], [range(4)])
    s = Structures(
        np.array([0, 2]), np.array([-1, 2]), np.zeros(2, np.int64), np.full((2, 3), -1), np.array([0.0, -3.0])
    )
    grid = curve_grid()
    mass = np.zeros(grid.onset_years.size)
    early, late = np.searchsorted(grid.onset_edges, [4.0, 60.0])
    mass[[early, late]] = 0.5
    steady, after = (_passed(h, replace(MODEL, after_rate=r), s, mass) for r in (0.0, 0.02))
    rows = np.empty((2, 3, grid.onset_years.size))
    for k in range(2):
        onset_rows(h.age, s.breaks[k], hazard_ahead(h, MODEL), 0.02, grid.onset_years, rows[k])
    assert after.struct_weight[1] > 0.99
    # curves of an early onset: likelihood with the row over likelihood without it
    R = grid.growth.size
    moved = after.log_like[0] - steady.log_like[0]
    at = early * R
    assert moved[at] - moved[late * R] == pytest.approx(rows[1, ROW, early], abs=2e-3)
    share, exposed = after.struct_onset[1] / after.struct_weight[1]
    weight = exposed / rows[1, EXPOSED, early]  # of the early onset
    assert share == pytest.approx(weight * rows[1, SHARE, early], rel=1e-4)
    before = steady.struct_onset[1, 1] / rows[1, EXPOSED, early]
    odds = weight / (1 - weight) / (before / (1 - before))
    assert np.log(odds) == pytest.approx(rows[1, ROW, early], abs=0.02)


def test_steps_to_come_meet_what_corrosion_has_done_onset_by_onset() -> None:
    grid, ages = curve_grid(), np.linspace(0.0, 60.0, 121)
    C, T, R = grid.shape
    rng = np.random.default_rng(3)
    whole = rng.dirichlet(np.full(C * T * R, 0.02), 2).astype(np.float32)
    above = crossing_table(grid, np.log(2.0), np.array([1e9])).reshape(C, T * R)[:, 0]
    reaching = np.einsum("c,ncg->ng", above, whole.reshape(2, C, -1)).astype(np.float32)
    h = replace(_history(), age_now=np.array([10.0]))
    h = h.sample_sites(np.array([0]))
    two = site_history([[2.0, 10.0], []], [[0.0, 0.0], []], [2002.0, 2010.0], [[0, 1], []])
    table = crossing_table(grid, np.log(2.0), ages)
    alone = 1.0 - np.maximum.accumulate(whole @ table, axis=1)
    none: dict[int, Floats] = {}
    left = Alone(whole, reaching, np.zeros(2), alone, none, none)
    all_reach = replace(MODEL, open_share=1.0)
    out = not_past(two, all_reach, left, np.full(2, np.log(2.0)), grid, ages)
    for n, last in enumerate([10.0, 0.0]):
        ahead = MODEL.survived("clay", grid.onset_years, np.maximum(ages, last))
        ahead = ahead / MODEL.survived("clay", grid.onset_years, np.array([last]))
        expected = 1.0 - whole[n] @ with_steps(table, ahead, grid)
        assert out[n] == pytest.approx(expected, abs=2e-5)
    lesser = not_past(two, MODEL, left, np.full(2, np.log(2.0)), grid, ages)
    assert (lesser >= out - 1e-6).all()
    assert (lesser <= alone + 1e-6).all()
    assert h.electrodes == 1


def test_with_one_steady_rate_steps_to_come_are_a_share_of_what_is_left() -> None:
    grid, ages = curve_grid(), np.linspace(0.0, 60.0, 121)
    rng = np.random.default_rng(4)
    whole = rng.dirichlet(np.full(grid.size, 0.02), 1).astype(np.float32)
    h, model = _history(), StepModel(break_rate=0.01, open_share=1.0)
    alone = np.linspace(1.0, 0.3, ages.size)[None, :]
    left = Alone(whole, whole[:, : grid.size // 4], np.zeros(1), alone, {}, {})
    out = not_past(h, model, left, np.full(1, np.log(2.0)), grid, ages)
    assert out == pytest.approx(alone * np.exp(-0.01 * np.maximum(ages - 10.0, 0.0)))


def _drawn(rng: np.random.Generator, rods: int, power: float, rates: Floats, after: float) -> Counted:
    """Draw rods whose steps and onsets are all known, read once a year for 25 years or until the step."""
    soil = rng.integers(0, rates.size, rods)
    onset = np.exp(rng.normal(np.log(12.0), 0.6, rods))
    model = StepModel(age_power=power, after_rate=after)
    at = model.age_of_step(rng.exponential(size=rods), rates[soil], onset)
    came = np.flatnonzero(at < 25.0)
    since = np.floor(at[came])
    part = np.clip(since + 1.0 - onset[came], 0.0, 1.0)
    steady = rates[soil[came]] * (aged(since + 1.0, power) - aged(since, power))
    part = part * (after + steady) / (part * after + steady)
    end = np.where(at < 25.0, np.floor(at), 25.0)
    high = np.where(at < 25.0, end + 1.0, 25.0)
    exposed = np.maximum(0.5 * (end + high) - onset, 0.0).sum()
    return Counted(
        np.ones(came.size), soil[came], since, since + 1.0, np.zeros(came.size), part, soil, np.ones(rods),
        np.zeros(rods), end, high, np.zeros(rods), float(exposed), rates.size,
    )  # fmt: skip


def test_rates_by_class_and_after_onset_are_found_where_steps_are_known() -> None:
    true = np.array([0.002, 0.01])
    c = _drawn(np.random.default_rng(1), 8000, 1.4, true, 0.03)
    start = Rates(0.003, np.full(2, 0.003), 0.003)
    values = {}
    for power in (0.7, 1.0, 1.4, 2.0):
        found, values[power] = rates_given(c, power, 10.0, start)
        if power == 1.4:
            assert found.of_soil == pytest.approx(true, rel=0.15)
            assert found.after == pytest.approx(0.03, rel=0.1)
    assert max(values, key=lambda p: values[p]) == 1.4


def test_steps_and_years_are_counted_from_the_first_reading_on() -> None:
    """One rod read from 2 to 10 years of age; a surge came before anyone read, another in between."""
    h = replace(_history(), surges=((1.0, 6.0),))
    s = Structures(
        np.array([0, 3]), np.array([-1, 0, 2]), np.zeros(3, np.int64), np.full((3, 3), -1), np.zeros(3)
    )
    mass = np.full(curve_grid().onset_years.size, 1.0 / curve_grid().onset_years.size)
    found = replace(_passed(h, MODEL, s, mass), struct_weight=np.array([0.5, 0.3, 0.2]))
    c = count_steps(h, ("clay",), found, s)
    assert c.steps == pytest.approx([0.2])
    assert (c.since[0], c.until[0], c.surges[0]) == (5.0, 7.0, 1.0)
    assert 0.5 * (c.end_low + c.end_high) - c.first == pytest.approx([8.0, 0.0, 4.0])
    assert c.seen == pytest.approx([1.0, 0.0, 0.0])
    rates, _ = rates_given(replace(c, steps=np.zeros(1)), 1.0, 10.0, Rates(0.003, np.full(1, 0.003), 0.003))
    assert rates.fleet == pytest.approx(1.0 / (PRIOR_YEARS + 0.5 * 18.0 + 0.2 * 4.0))


def test_planted_hazards_come_back_from_the_readings_of_a_whole_fleet() -> None:
    """What a rod's own onset was, and whether a step came before or after it, is nowhere said."""
    cal = known_calibration()
    planted = replace(cal.steps, break_rate=0.004, soil_factor={"sand": 3.0}, after_rate=0.03)
    plan = Plan(sites=50, rods=(6, 10), years=(12, 15))
    h, truth = draw_fleet(replace(cal, steps=planted), np.random.default_rng(11), plan)
    found = calibrate(h, by_soil_and_age=True).steps
    # 80 steps after the onset in 2,590 years, 0.024 beside the steady part; many before any reading
    assert 0.5 * 0.03 < found.after_rate < 1.3 * 0.03
    clay, sand = found.rates(["clay", "sand"])
    assert 0.002 < clay < 0.008
    assert 0.006 < sand < 0.02
    assert sand > 1.6 * clay
    assert 0.6 < found.age_power < 1.6
    told = np.minimum(truth.broken_at, truth.age_now)
    assert (truth.broken_at < truth.age_now).sum() / told.sum() > 0.008  # such fleets are full of steps


def test_rates_lean_on_the_fleet_and_the_fleet_on_its_prior() -> None:
    nothing = _drawn(np.random.default_rng(1), 1, 1.0, np.array([1e-9]), 0.0)
    found, _ = rates_given(nothing, 1.0, 10.0, Rates(0.003, np.full(1, 0.003), 0.003))
    assert found.fleet == pytest.approx(1.0 / (PRIOR_YEARS + 40.0 * (25.0 / 40.0)), rel=1e-6)
    assert found.of_soil == pytest.approx([found.fleet])
    few = _drawn(np.random.default_rng(2), 600, 1.0, np.array([0.002, 0.02]), 0.0)
    own, _ = rates_given(few, 1.0, 10.0, Rates(0.003, np.full(2, 0.003), 0.003))
    counts = np.bincount(few.soil, minlength=2)
    years = np.bincount(few.rod_soil, 0.5 * (few.end_low + few.end_high))
    assert counts[0] / years[0] < own.of_soil[0] < own.fleet < own.of_soil[1] < counts[1] / years[1]


def test_structures_that_hold_no_step_are_priced_alike_at_the_latest_onset() -> None:
    assert (plain_structures(2).log_prior == 0.0).all()
    assert (plain_structures(2).standing == -1).all()
