"""Steps and wild readings: what is suspected, confirmed, or neither, and the prior of each explanation."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from models.breaks import Structures, plain_structures, reprice
from models.calibration import first_guess
from models.forecast import Fitted, fit_electrodes, levels, outlook_frame
from models.histories import Floats, Histories
from models.site_kernel import ODD
from models.step_hazard import StepModel
from tests.unit.small_histories import LOG_DOUBLE, site_history, together

NOISE = 0.06
YEARS = 10
BREAKS = 20
STEP = 50.0 / 15.0


def _site(
    first: Sequence[float], side: Sequence[int] | None = None, neighbours: int = 3, seed: int = 0
) -> Histories:
    """Lay out a site whose first electrode reads as given (ohm), beside steady neighbours at 15 ohm."""
    rng = np.random.default_rng(seed)
    n = len(first)
    ages = [6.0 + k for k in range(n)]
    logs = [list(np.log(first))] + [list(np.log(15.0) + rng.normal(0, NOISE, n)) for _ in range(neighbours)]
    sides = [list(side or [0] * n)] + [[0] * n] * neighbours
    return site_history(
        [ages] * (neighbours + 1), logs, [2000.0 + a for a in ages], [range(n)] * (neighbours + 1), sides,
        log_formula=float(np.log(15.0)),
    )  # fmt: skip


def _steady(seed: int = 3) -> list[float]:
    return list(15.0 * np.exp(np.random.default_rng(seed).normal(0, NOISE, YEARS)))


def _fit(h: Histories, intercept: float = 0.0) -> Fitted:
    cal = first_guess(h)
    fixed: Floats = np.zeros(cal.fixed.size)
    fixed[0] = intercept
    cal = replace(cal, fixed=fixed)
    return fit_electrodes(h, cal, np.full(h.electrodes, LOG_DOUBLE), np.random.default_rng(1))


def _states(fit: Fitted) -> list[str]:
    frame = outlook_frame(
        fit, levels(fit, np.random.default_rng(2), points=2), np.datetime64("2026-01-01").item()
    )
    return frame["break_state"].to_list()


def test_a_break_of_15_to_50_ohm_is_suspected_at_once_and_confirmed_at_the_second_reading() -> None:
    rows = [
        [*_steady(seed), *50.0 * np.exp(np.random.default_rng(seed).normal(0, NOISE, 2))]
        for seed in range(BREAKS)
    ]
    once = _states(_fit(together([_site(row[:-1]) for row in rows])))
    fit = _fit(together([_site(row) for row in rows]))
    twice = _states(fit)
    broken = np.arange(BREAKS) * 4
    assert {once[i] for i in range(4 * BREAKS) if i not in broken} == {"none"}
    assert {twice[i] for i in range(4 * BREAKS) if i not in broken} == {"none"}
    assert "confirmed" not in once
    assert sum(once[i] == "suspected" for i in broken) >= 0.95 * BREAKS
    assert sum(twice[i] == "confirmed" for i in broken) >= 0.95 * BREAKS
    assert fit.crossing.cdf[broken, 4 * 30].min() > 0.99
    for i in broken:
        best = max(fit.crossing.steps[int(i)], key=lambda s: s.share)
        assert best.age == pytest.approx(6.0 + YEARS - 0.5)
        assert best.jump == pytest.approx(np.log(50.0 / 15.0), abs=0.2)


@pytest.mark.parametrize("at", [3, 7, YEARS])
@pytest.mark.parametrize("ohm", [50.0, 150.0, 5.0])
def test_a_single_wild_reading_is_never_confirmed(at: int, ohm: float) -> None:
    read = [*_steady(), 15.2]
    read[at] = ohm
    fit = _fit(_site(read))
    assert "confirmed" not in _states(fit)
    if at < YEARS:
        assert fit.found.wild_p[at] > 0.95
        assert fit.posterior.p_broken[0] < 0.05


@pytest.mark.parametrize("at", [4, 8])
def test_a_wild_reading_of_a_rod_high_from_the_start_confirms_no_step_before_it(at: int) -> None:
    high = 3.0 * np.array([*_steady(), *_steady(7)])
    wild = high.copy()
    wild[at] *= STEP
    calm, disturbed = (_fit(_site(list(read))) for read in (high, wild))
    assert disturbed.found.wild_p[at] > 0.95
    assert disturbed.posterior.p_broken[0] == pytest.approx(calm.posterior.p_broken[0], abs=0.15)
    assert _states(disturbed)[0] == _states(calm)[0]


def test_steady_histories_hold_no_step_and_no_wild_reading() -> None:
    fit = _fit(_site([*_steady(), 15.1]))
    assert fit.posterior.p_broken.max() < 0.02
    assert fit.found.wild_p.max() < 0.1
    assert set(_states(fit)) == {"none"}


def test_slow_corrosion_is_not_a_step() -> None:
    age = np.arange(YEARS + 4.0)
    read = 15.0 * np.exp(
        0.16 * np.maximum(age - 4.0, 0.0) + np.random.default_rng(4).normal(0, NOISE, age.size)
    )
    fit = _fit(_site(list(read)))
    assert fit.posterior.p_broken[0] < 0.2
    assert fit.crossing.cdf[0, 4 * 20] > 0.95


def test_a_whole_site_that_shifts_is_not_a_row_of_broken_rods_but_a_single_riser_is_a_step() -> None:
    shared = np.exp(np.r_[np.zeros(YEARS), np.full(3, 0.35)])
    rng = np.random.default_rng(8)
    ages = [6.0 + k for k in range(YEARS + 3)]
    logs = [list(np.log(15.0 * shared) + rng.normal(0, NOISE, YEARS + 3)) for _ in range(6)]
    h = site_history(
        [ages] * 6, logs, [2000.0 + a for a in ages], [range(YEARS + 3)] * 6, log_formula=np.log(15.0)
    )
    works = replace(h, shifts=((2000.0 + 6.0 + YEARS - 0.5,),))
    assert _fit(works).posterior.p_broken.max() < 0.3
    assert _fit(works).posterior.p_broken.max() <= _fit(h).posterior.p_broken.max() + 0.05


def test_the_prior_of_an_explanation() -> None:
    h = site_history([[1.0, 3.0, 7.0]], [[0.0, 0.0, 0.0]], [2001.0, 2003.0, 2007.0], [[0, 1, 2]])
    model = StepModel(break_rate=0.01, wild_share=0.02, open_share=0.1)
    odds = np.log(0.02 / 0.98)
    wilds = np.full((6, 3), -1)
    wilds[2, 0], wilds[3, :2] = 1, (0, 2)
    s = Structures(
        np.array([0, 6]), np.array([-1, 2, 1, -1, 0, 2]), np.array([0, 0, 0, 0, 0, 1]), wilds, np.zeros(6)
    )
    lesser, opened = np.log(0.9), np.log(0.1)

    def span(since: float, until: float) -> float:
        """Give the log odds of a step then against none by the last reading, at 7 years."""
        return float(np.log(np.exp(0.01 * (7.0 - since)) - np.exp(0.01 * (7.0 - until))))

    assert reprice(h, model, s).log_prior == pytest.approx(
        [
            0.0, span(3.0, 7.0) + lesser, span(1.0, 3.0) + lesser + odds, 2 * odds,
            span(0.0, 1.0) + lesser, span(3.0, 7.0) + opened,
        ]
    )  # fmt: skip
    plain = plain_structures(3)
    assert plain.electrode.tolist() == [0, 1, 2]
    assert (plain.log_prior == 0.0).all()
    assert (plain.breaks == -1).all()


@pytest.mark.parametrize("times", [1, 2, 3, 5])
def test_over_range_on_a_rod_that_used_to_read_15_is_weighed_without_wild_readings_before_it(
    times: int,
) -> None:
    fit = _fit(_site([*_steady(), *[1500.0] * times], [*[0] * YEARS, *[1] * times]))
    mine = slice(fit.structures.start[0], fit.structures.start[1])
    assert fit.posterior.p_broken[0] > (0.3 if times == 1 else 0.95)
    assert fit.found.wild_p[:YEARS].max() < 0.05
    if times > 1:
        plain_step = (fit.structures.breaks[mine] == YEARS) & (fit.structures.wilds[mine] < 0).all(axis=1)
        assert fit.found.struct_weight[mine][plain_step].sum() > 0.9


@pytest.mark.parametrize("ratio", [0.5, 0.65])
def test_a_lasting_fall_is_no_break(ratio: float) -> None:
    after = 15.0 * ratio * np.exp(np.random.default_rng(5).normal(0, NOISE, 4))
    fit = _fit(_site([*_steady(), *after]))
    assert _states(fit)[0] != "confirmed"


def test_the_jump_to_over_range_does_not_depend_on_where_the_level_is_written_down() -> None:
    h = _site([*_steady(), 100.0, 100.0], [*[0] * YEARS, 1, 1])
    in_formula = _fit(h)
    in_intercept = _fit(replace(h, log_formula=h.log_formula - 0.7), intercept=0.7)
    assert in_intercept.posterior.p_broken == pytest.approx(in_formula.posterior.p_broken, abs=1e-6)
    assert in_intercept.crossing.steps[0][0].jump == pytest.approx(
        in_formula.crossing.steps[0][0].jump, abs=1e-6
    )


def test_a_rod_unlike_its_record_from_the_start_is_no_break_where_breaks_are_rare() -> None:
    high = list(15.0 * 2.4 * np.exp(np.random.default_rng(6).normal(0, NOISE, YEARS)))
    h = _site(high)
    cal = first_guess(h)
    fixed: Floats = np.zeros(cal.fixed.size)
    rare = replace(cal.steps, break_rate=1e-4)
    # rods of a fleet where nothing corrodes: beginning after a hundred years
    theta = cal.theta.copy()
    theta[cal.theta_names.index("onset_fleet")] = 5.0
    cal = replace(cal, fixed=fixed, steps=rare, theta=theta, spread=replace(cal.spread, rod_sd=0.17))
    fit = fit_electrodes(h, cal, np.full(h.electrodes, LOG_DOUBLE), np.random.default_rng(1))
    mine = slice(fit.structures.start[0], fit.structures.start[1])
    odd = fit.structures.breaks[mine] == ODD
    assert fit.found.struct_weight[mine][odd].sum() > 0.4
    assert fit.posterior.p_broken[0] < 0.3
    assert _states(fit)[0] == "none"
