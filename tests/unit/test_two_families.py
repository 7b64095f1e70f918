"""Both curve families at once: the site pass against its exact mixture, and the numbers that follow of it."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import logsumexp

from models.breaks import StepModel, plain_structures
from models.calibration import end_shares, first_guess, first_state, group_ends
from models.class_prior import CurvePrior, curve_prior
from models.corrosion_curves import (
    ACCELERATING,
    FAMILIES,
    ONSET,
    CurveGrid,
    Floats,
    crossing_table,
    curve_grid,
    log_ratio,
)
from models.forecast import Fitted, draws_of, fit_electrodes, levels
from models.outlook import cdf_at, curve_mass
from models.replicas import new_rods, record_of, same_rods
from models.site_pass import (
    FieldSpread,
    Focus,
    SitePass,
    field_covariance,
    focus_of,
    no_factors,
    site_pass,
)
from tests.recovery.own_model import Plan, draw_fleet, known_calibration
from tests.unit.small_histories import LOG_DOUBLE, site_history

ONSET_EDGES, GROWTH_EDGES = np.geomspace(4.0, 60.0, 9), np.geomspace(0.03, 0.4, 5)
GRID = CurveGrid(
    np.sqrt(ONSET_EDGES[1:] * ONSET_EDGES[:-1]), np.sqrt(GROWTH_EDGES[1:] * GROWTH_EDGES[:-1]),
    ONSET_EDGES, GROWTH_EDGES, np.array([1.2, 1.2]), np.array([1e-4, 1e-4]), (ONSET, ACCELERATING),
)  # fmt: skip
SPREAD = FieldSpread(site_sd=0.3, visit_sd=0.1, visit_years=1.5, rod_sd=0.2)


def test_families_double_together_and_undo_their_inverse() -> None:
    growth = np.array([0.03, 0.2, 1.0])
    for f, family in enumerate(FAMILIES):
        assert family.risen(growth, np.log(2.0) / growth) == pytest.approx(np.full(3, np.log(2.0)))
        for h in (0.05, 0.6, 1.9):
            years = family.years_to(growth, np.full(3, h))
            assert family.risen(growth, years) == pytest.approx(np.full(3, h))
            slope = (family.risen(growth, years * 1.0001) - h) / (years * 1e-4)
            assert family.slope(growth, np.full(3, h)) == pytest.approx(slope, rel=1e-3)
            assert log_ratio(5.0 + years, np.array(5.0), growth, 9.0, f) == pytest.approx(np.full(3, h))
    early = [family.risen(growth, 0.3 / growth) for family in FAMILIES]
    late = [family.risen(growth, 1.2 / growth) for family in FAMILIES]
    assert (early[ACCELERATING] < early[ONSET]).all()
    assert (late[ACCELERATING] > late[ONSET]).all()


def test_cells_of_each_family_cross_in_their_own_time() -> None:
    both, alone = curve_grid(families=(ONSET, ACCELERATING)), curve_grid()
    ages = np.arange(0.0, 120.0, 0.5)
    at_double, straight = (crossing_table(g, LOG_DOUBLE, ages) for g in (both, alone))
    # a doubling is where the families meet
    assert_allclose(at_double.reshape(2, *straight.shape)[ONSET], straight, rtol=1e-6, atol=1e-12)
    assert_allclose(at_double.reshape(2, *straight.shape)[ACCELERATING], straight, rtol=0.0, atol=1e-9)
    low, low_straight = (crossing_table(g, 0.3, ages) for g in (both, alone))
    assert_allclose(low.reshape(2, *straight.shape)[ONSET], low_straight, rtol=1e-6, atol=1e-12)
    assert (low.reshape(2, *straight.shape)[ACCELERATING] <= low_straight + 1e-12).all()


def test_one_electrode_gets_the_exact_moments_of_both_families() -> None:
    ages, y = np.array([8.0, 10.0, 12.0, 15.0, 22.0]), 0.3 + np.array([0.0, 0.05, 0.2, 0.5, 1.1])
    visits = [2008.0, 2010.0, 2012.0, 2015.0, 2022.0]
    h = site_history([list(ages)], [list(y)], visits, [range(5)])
    rng = np.random.default_rng(2)
    onset, growth = rng.dirichlet(np.ones(8)), rng.dirichlet(np.ones(4))
    prior = CurvePrior(GRID, *(m[None, None].astype(np.float32) for m in (onset, growth)))
    share = np.array([[0.35, 0.65]])
    field = field_covariance(h, 0, SPREAD)
    found = site_pass(
        h, h.log_ohm, np.full(5, 0.08**2), np.full(1, SPREAD.rod_sd**2), [np.linalg.inv(field)],
        plain_structures(1), StepModel(), (np.ones(1), np.zeros(1)), prior, np.zeros(1, np.int64),
        np.ones((1, 1)), share, no_factors(h), 30,
    )  # fmt: skip
    H = np.column_stack([np.ones(5), np.eye(5)])
    s = H @ field @ H.T + SPREAD.rod_sd**2 + np.eye(5) * (0.08**2 + 1e-4)
    gain = field @ H.T @ np.linalg.inv(s)
    logs, means = [], []
    for f in (ONSET, ACCELERATING):
        for t in range(8):
            for r in range(4):
                tau, rate = GRID.onset_years[t], GRID.growth[r]
                gap = y - log_ratio(ages, tau, rate, 1.2, f)
                density = -0.5 * (gap @ np.linalg.solve(s, gap) + np.linalg.slogdet(s)[1])
                logs.append(density + np.log(share[0, f] * onset[t] * growth[r]))
                means.append(gain @ gap)
    w = np.exp(np.array(logs) - logsumexp(logs))
    mean = w @ np.array(means)
    second = np.einsum("p,pi,pj->ij", w, np.array(means), np.array(means)) - np.outer(mean, mean)
    assert found.evidence[0] == pytest.approx(logsumexp(logs), abs=3e-4)
    assert found.ceiling_weight[0] == pytest.approx(w.reshape(2, -1).sum(axis=1), abs=1e-4)
    assert found.field_mean[0] == pytest.approx(mean, abs=1e-4)
    assert found.field_cov[0] == pytest.approx(second + field - gain @ H @ field, abs=1e-4)


@cache
def _mixed_fit() -> Fitted:
    """Fit a fleet of both families under what it was drawn from, at a threshold of one and a half."""
    known = known_calibration(("marsh", "clay"))
    cal = replace(known, family_weight=np.array([[0.3, 0.7], [0.6, 0.4]]))
    h, _ = draw_fleet(cal, np.random.default_rng(4), Plan(sites=10, rods=(5, 8), years=(4, 8)))
    return fit_electrodes(h, cal, np.full(h.electrodes, np.log(1.5)), np.random.default_rng(1))


def test_masses_of_both_families_are_one_posterior() -> None:
    fit = _mixed_fit()
    post, cal = fit.posterior, fit.calibration
    assert fit.prepared.grid.shape[0] == 2 * cal.ceiling_weight.shape[1]
    assert post.whole.sum(axis=1) == pytest.approx(np.ones(post.whole.shape[0]), abs=1e-5)
    assert post.new_rod.sum(axis=2) == pytest.approx(np.ones(post.new_rod.shape[:2]))
    assert (post.reaching.sum(axis=1) <= 1.0 + 1e-5).all()
    ends = group_ends(cal, fit.layout).reshape(fit.layout.soil.size, 2, -1)
    assert ends.sum(axis=2) == pytest.approx(cal.family_weight[fit.layout.soil])


def test_cells_that_a_rougher_pass_left_mass_give_the_same_as_all() -> None:
    fit = _mixed_fit()
    h, p, cal, layout = fit.histories, fit.prepared, fit.calibration, fit.layout
    state, share = first_state(h, cal, layout), end_shares(cal, layout)
    rough, fine = p.grid.coarser(growth_too=False), p.grid
    assert rough.families == fine.families

    def passed(grid: CurveGrid, focus: Focus | None) -> SitePass:
        return site_pass(
            h, p.resid, p.noise_var, p.rod_var, p.prior_precision, state.structures, cal.steps, p.scale,
            curve_prior(cal.theta, layout, grid), layout.group, state.node_weight, share, fit.found.factors,
            1, log_threshold=fit.log_threshold, focus=focus, damping=(0.0,),
        )  # fmt: skip

    known = np.ones(h.electrodes, dtype=np.bool_)
    seen = curve_prior(cal.theta, layout, rough), layout.group, state.node_weight
    focus = focus_of(passed(rough, None).like, *seen, fine, known)
    assert (focus.high - focus.low).sum() < 0.7 * h.electrodes * fine.size / share.shape[1]
    few, every = passed(fine, focus), passed(fine, None)
    assert few.evidence == pytest.approx(every.evidence, abs=1e-4)
    assert few.ceiling_weight == pytest.approx(every.ceiling_weight, abs=1e-4)
    assert few.base_mean == pytest.approx(every.base_mean, abs=1e-4)
    assert few.base_var == pytest.approx(every.base_var, rel=1e-3)
    prior = curve_prior(cal.theta, layout, fine)
    onset, growth = prior.onset[layout.group], prior.growth[layout.group]

    def reached(found: SitePass) -> Floats:
        by_family = found.reaching.reshape(h.electrodes, 2, *fine.shape[1:])
        mass = np.einsum("nftr,nk,nkt,nkr->nf", by_family, state.node_weight, onset, growth)
        return np.asarray(mass * np.exp(found.whole_top - found.evidence)[:, None])

    assert reached(few) == pytest.approx(reached(every), abs=1e-4)
    assert (reached(every) > 0.01).any(axis=0).all()


def test_draws_cross_when_the_outlook_says() -> None:
    fit = _mixed_fit()
    h = fit.histories
    now = cdf_at(fit.crossing.cdf, h.age_now)
    unsure = np.flatnonzero((fit.posterior.p_broken < 0.01) & (now > 0.05) & (now < 0.95))
    assert unsure.size > 3
    families = set()
    for i in unsure:
        drawn = draws_of(fit, int(i), np.random.default_rng(5), draws=2000)
        past = (drawn.log_ratio_at(h.age_now[[i]])[:, 0] >= np.log(1.5)).mean()
        assert past == pytest.approx(now[i], abs=0.06)
        families |= set(drawn.family.tolist())
    assert families == {ONSET, ACCELERATING}


def test_compiled_levels_agree_with_the_draws() -> None:
    fit = _mixed_fit()
    level = levels(fit, np.random.default_rng(3), points=0)
    for i in range(0, fit.histories.electrodes, 3):
        drawn = draws_of(fit, i, np.random.default_rng(i), draws=2000)
        ratio = np.median(drawn.log_ratio_at(fit.histories.age_now[[i]])[:, 0])
        assert np.log(level.ratio_now[i]) == pytest.approx(ratio, abs=0.1)


def test_replicas_are_of_the_families_in_their_shares() -> None:
    fit = _mixed_fit()
    record = record_of(fit)
    lives = new_rods(fit, record, 200, np.random.default_rng(2))
    soil = np.array(fit.histories.soil)[record.electrodes]
    for k, name in enumerate(fit.calibration.soils):
        if (soil == name).any():
            share = lives.family[:, soil == name].mean()
            assert share == pytest.approx(fit.calibration.family_weight[k, ACCELERATING], abs=0.06)
    same = same_rods(fit, record, 50, np.random.default_rng(2))
    mass = curve_mass(fit.posterior).reshape(fit.histories.electrodes, 2, -1).sum(axis=2)[:, ACCELERATING]
    assert same.family.mean() == pytest.approx(mass[record.electrodes].mean(), abs=0.06)


def test_a_calibration_that_has_weighed_nothing_is_all_onset() -> None:
    h = _mixed_fit().histories
    cal = first_guess(h)
    assert cal.families == (ONSET,)
    assert cal.family_shares.tolist() == [[1.0, 0.0]] * len(cal.soils)
