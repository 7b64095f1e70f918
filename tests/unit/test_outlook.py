"""The outlook: quantiles in closed form, posterior masses, steps, coverage on the model's own fleet."""

from dataclasses import replace

import numpy as np
import pytest

from models.calibration import first_guess
from models.corrosion_curves import CurveGrid, crossing_age, curve_grid
from models.curve_posterior import (
    parameter_draws,
)
from models.forecast import draws_of, fit_electrodes, levels, outlook_frame, readings_used
from models.histories import ROUTINE, Floats, harmonics
from models.outlook import (
    AGES,
    Step,
    _crossing_with_step,
    cdf_at,
    mean_growth,
    onset_median,
    others_field,
    quantile_of,
)
from tests.unit.small_histories import LOG_DOUBLE, own_calibration, own_fit, own_fleet, site_history, yearly


def test_quantiles_of_an_exponential_in_closed_form() -> None:
    rate = np.array([0.01, 0.05, 0.3])
    cdf = 1.0 - np.exp(-rate[:, None] * AGES[None, :])
    for q in (0.05, 0.5, 0.8):
        want = -np.log(1 - q) / rate
        inside = want < AGES[-1]
        assert quantile_of(cdf, q)[inside] == pytest.approx(want[inside], abs=0.02)
    assert np.isinf(quantile_of(cdf, 0.9)[0])


def test_quantiles_of_what_never_or_always_was_so() -> None:
    flat = np.stack([np.zeros(AGES.size), np.full(AGES.size, 0.4), np.ones(AGES.size)])
    assert quantile_of(flat, 0.5).tolist() == [np.inf, np.inf, 0.0]
    assert quantile_of(flat, 0.3).tolist() == [np.inf, 0.0, 0.0]


def test_shares_at_an_age_are_interpolated_and_held_beyond_the_table() -> None:
    cdf = np.tile(AGES / AGES[-1], (5, 1))
    at = np.array([0.0, 10.1, 59.9, 140.3, 900.0])
    assert cdf_at(cdf, at) == pytest.approx(np.minimum(at, AGES[-1]) / AGES[-1])


def test_the_share_at_a_quantile_is_the_quantile() -> None:
    cdf = np.sort(np.random.default_rng(2).uniform(0, 1, (20, AGES.size)), axis=1)
    cdf[:, 0] = 0.0
    assert cdf_at(cdf, quantile_of(cdf, 0.37)) == pytest.approx(np.full(20, 0.37))


def test_onset_median_and_growth_of_known_masses() -> None:
    grid = curve_grid((1.6,), (0.2,))
    T, R = grid.onset_years.size, grid.growth.size
    mass = np.zeros((2, T, R))
    mass[0, 20, 7] = 1.0
    # spread evenly in the logarithm between two edges, the median is their geometric middle
    log_width = np.diff(np.log(grid.onset_edges))
    mass[1, 10:30, 4] = log_width[10:30] / log_width[10:30].sum()
    flat = mass.reshape(2, -1)
    got = onset_median(flat, grid)
    assert got[0] == pytest.approx(grid.onset_years[20])
    assert got[1] == pytest.approx(np.sqrt(grid.onset_edges[10] * grid.onset_edges[30]))
    assert mean_growth(flat, grid) == pytest.approx(grid.growth[[7, 4]])


def test_parameter_draws_have_the_spread_they_are_given() -> None:
    cal = own_calibration()
    draws = parameter_draws(cal, np.random.default_rng(4), 4000)
    assert np.cov(draws.T) == pytest.approx(cal.theta_cov, abs=0.06 * np.diag(cal.theta_cov).max())
    still = replace(cal, theta_cov=np.zeros_like(cal.theta_cov))
    assert parameter_draws(still, np.random.default_rng(4), 3) == pytest.approx(np.tile(cal.theta, (3, 1)))


def test_a_step_in_the_record_shifts_the_threshold_that_is_left() -> None:
    edges_t, edges_r = np.array([9.9, 10.1, 30.1]), np.array([0.09, 0.11])
    grid = CurveGrid(
        np.array([10.0, 20.0]), np.array([0.1]), edges_t, edges_r, np.array([1.6]), np.array([0.2])
    )
    mass = np.array([0.25, 0.75])
    step = Step(after=12.0, until=16.0, jump=0.3, jump_sd=0.1, share=1.0, visits_after=2)
    got = _crossing_with_step(mass, step, LOG_DOUBLE, grid, AGES)
    rng = np.random.default_rng(3)
    jump = 0.3 + 0.1 * rng.normal(size=200_000)
    came = rng.uniform(12.0, 16.0, jump.size)
    tau = np.where(rng.random(jump.size) < 0.25, 10.0, 20.0)
    before = crossing_age(LOG_DOUBLE, tau, np.array(0.1), 1.6)
    after = np.maximum(crossing_age(LOG_DOUBLE - jump, tau, np.array(0.1), 1.6), came)
    at = np.where(before < came, before, after)
    # three nodes stand for the jump: medians and means, not the whole curve
    assert got[-1] == pytest.approx(1.0)
    mean = AGES[1:] @ np.diff(got)
    assert mean == pytest.approx(at.mean(), abs=0.2)
    large = Step(after=12.0, until=16.0, jump=1.5, jump_sd=0.01, share=1.0, visits_after=2)
    past = _crossing_with_step(mass, large, LOG_DOUBLE, grid, AGES)
    assert past[AGES <= 12.0].max() == 0.0
    # crossed the moment it came, anywhere in the span alike: nine moments, a quarter year to a cell of ages
    inside = (AGES > 12.0) & (AGES <= 16.0)
    assert past[inside] == pytest.approx((AGES[inside] - 12.0) / 4.0, abs=1.0 / 9.0)
    assert past[AGES == 16.0] == pytest.approx([1.0])
    known = Step(after=14.0, until=14.0, jump=1.5, jump_sd=0.01, share=1.0, visits_after=2)
    assert _crossing_with_step(mass, known, LOG_DOUBLE, grid, AGES) == pytest.approx((AGES >= 14.0) * 1.0)


def test_curves_without_a_step_have_a_mass_even_where_a_step_is_certain() -> None:
    post = own_fit().posterior
    assert (post.p_broken > 0.999).any()
    assert post.whole.sum(axis=1) == pytest.approx(np.ones(post.whole.shape[0]))


def test_posterior_masses_are_shares() -> None:
    post = own_fit().posterior
    whole = post.whole.sum(axis=1)[post.p_broken < 0.999]
    assert whole == pytest.approx(np.ones(whole.size))
    assert post.nodes.sum(axis=1) == pytest.approx(np.ones(post.nodes.shape[0]))
    assert post.new_rod.sum(axis=2) == pytest.approx(np.ones(post.new_rod.shape[:2]))
    assert ((post.p_broken >= 0) & (post.p_broken <= 1)).all()
    for mass in post.broken.values():
        assert mass.sum() == pytest.approx(1.0)


def test_the_crossing_distribution_rises_and_stays_a_share() -> None:
    cdf = own_fit().crossing.cdf
    assert (np.diff(cdf, axis=1) >= -1e-12).all()
    assert cdf.min() >= 0.0
    assert cdf.max() <= 1.0


def _truth() -> tuple[Floats, Floats]:
    """Return each electrode's true crossing age, steps included, and its age at the first reading."""
    h, truth = own_fleet()
    at = crossing_age(LOG_DOUBLE, truth.onset, truth.growth, 1.6)
    # the fleet's steps average exp(0.9): most carry a rod past a doubling at once
    return np.minimum(at, truth.broken_at), h.age[h.reading_start[:-1]]


def test_the_crossing_interval_holds_its_share_of_the_models_own_electrodes() -> None:
    fit = own_fit()
    at, first = _truth()
    low, high = quantile_of(fit.crossing.cdf, 0.05), quantile_of(fit.crossing.cdf, 0.95)
    judged = at > first
    assert judged.sum() > 120
    held = ((at >= low) & (at <= high))[judged].mean()
    assert 0.82 <= held <= 0.97


def test_those_past_are_told_from_those_that_are_not() -> None:
    fit = own_fit()
    at, _ = _truth()
    age = fit.histories.age_now
    p = cdf_at(fit.crossing.cdf, age)
    past = at <= age
    assert p[past].mean() > 0.75
    assert p[~past].mean() < 0.25
    assert p.mean() == pytest.approx(past.mean(), abs=0.05)


def _baseline_errors() -> tuple[Floats, Floats]:
    """Return each baseline's error in its own spreads, and where a step came before its first reading.

    Visits all fall in one third of the year: level and season are known together, at the time of the visits.
    """
    (h, truth), fit = own_fleet(), own_fit()
    got = levels(fit, np.random.default_rng(2), points=3)
    assert (got.band[:, :, 0] <= got.band[:, :, 1]).all()
    assert (got.band[:, :, 1] <= got.band[:, :, 2]).all()
    terms = fit.prepared.terms
    routine = h.kind == ROUTINE
    fitted = terms.season_part(fit.calibration.fixed)[routine].mean()
    drawn = (harmonics(h.year[routine]) @ np.array([0.1, 0.02, 0.05, 0.03])).mean()
    z = (np.log(got.baseline_ohm) + fitted - truth.base - drawn) / got.baseline_sd_log
    return z, truth.broken_at < h.age[h.reading_start[:-1]]


def test_baselines_come_back_within_their_stated_spread() -> None:
    z, broken_before = _baseline_errors()
    z = z[~broken_before]
    assert abs(np.median(z)) < 0.7
    assert 0.6 < np.quantile(np.abs(z), 0.683) < 1.5


def test_a_step_before_the_first_reading_leaves_the_baseline_open() -> None:
    z, broken_before = _baseline_errors()
    assert broken_before.sum() >= 4
    assert np.median(np.abs(z[broken_before])) < 3.0


def test_draws_tie_baseline_and_curve_to_the_readings() -> None:
    rng = np.random.default_rng(1)
    h = yearly(list(1.0 + np.r_[np.zeros(8), 0.2, 0.4, 0.6, 0.8] + rng.normal(0, 0.05, 12)))
    fit = fit_electrodes(h, first_guess(h), np.array([LOG_DOUBLE]), np.random.default_rng(3))
    d = draws_of(fit, 0, np.random.default_rng(4), 400)
    level = d.log_ohm_at(h.age)
    assert np.median(level, axis=0) == pytest.approx(h.log_ohm, abs=0.15)
    # together they are known far better than the baseline alone would let them be
    assert level.std(axis=0).max() < 0.2


def test_an_electrode_never_read_gets_the_class_and_its_neighbours() -> None:
    n = 8
    ages = [6.0 + k for k in range(n)]
    read = list(np.random.default_rng(5).normal(0.0, 0.05, n))
    h = site_history(
        [ages, [], ages], [read, [], read], [2006.0 + k for k in range(n)], [range(n), [], range(n)]
    )
    fit = fit_electrodes(h, first_guess(h), np.full(3, LOG_DOUBLE), np.random.default_rng(3))
    frame = outlook_frame(fit, levels(fit, np.random.default_rng(1)), np.datetime64("2026-01-01").item())
    assert frame["state"][1] == "too_few_readings"
    assert readings_used(fit)[1] == 0.0
    assert np.isfinite(frame["p_past_now"].to_numpy()).all()
    assert frame["p_past_now"][1] > frame["p_past_now"][0]
    assert frame["baseline_sd_log"][1] > 0.2


def test_onset_and_growth_of_a_rod_with_a_suspected_step_weigh_both_explanations() -> None:
    read = list(np.r_[np.random.default_rng(5).normal(0.0, 0.06, 10), 1.2])
    h = yearly(read)
    fit = fit_electrodes(h, first_guess(h), np.array([LOG_DOUBLE]), np.random.default_rng(3))
    p = fit.posterior.p_broken[0]
    assert 0.1 < p < 0.9
    both = (1 - p) * fit.posterior.whole + p * fit.posterior.broken[0][None, :]
    frame = outlook_frame(fit, levels(fit, np.random.default_rng(1)), np.datetime64("2026-01-01").item())
    grid = fit.prepared.grid
    assert onset_median(both, grid)[0] != pytest.approx(onset_median(fit.posterior.whole, grid)[0], rel=1e-3)
    assert frame["onset_age_p50"][0] == pytest.approx(onset_median(both, grid)[0])


def test_the_others_field_is_a_density_even_where_their_factors_are_none() -> None:
    prior = np.diag([4.0, 9.0])
    precision = np.stack([np.diag([1.0, 2.0]), np.diag([3.0, -1.0]), np.diag([-9.0, 0.0])])
    eta = np.array([[1.0, 0.5], [2.0, -1.0], [0.3, 0.0]])
    mean, cov = others_field(prior, precision, eta, 2)
    assert cov == pytest.approx(np.diag([1 / 8.0, 1 / 10.0]))
    assert mean == pytest.approx([3.0 / 8.0, -0.5 / 10.0])
    mean, cov = others_field(prior, precision, eta, 0)  # 4 + 3 - 9 is below zero: no density
    assert np.array_equal(mean, np.zeros(2))
    assert cov == pytest.approx(np.linalg.inv(prior))
