"""The calibration: what it recovers of a fleet of its own model, and the smallest fleets it must take."""

from dataclasses import replace

import numpy as np
import pytest

from models.calibration import Calibration, adapt, calibrate, carry_factors, first_guess, noise_scale, prepare
from models.forecast import fit_electrodes, levels
from models.histories import AS_INSTALLED, Histories, harmonics
from models.outlook import quantile_of
from tests.unit.small_histories import LOG_DOUBLE, own_calibration, own_fit, own_fleet, site_history, yearly


def test_noise_and_visit_spread_come_back() -> None:
    cal = own_calibration()
    assert cal.converged
    # drawn at 0.07 times a factor of its own for each electrode, and 0.08; 2 200 readings at 250 visits
    assert cal.noise_sd == pytest.approx(np.full(3, 0.07), rel=0.2)
    assert np.hypot(cal.spread.visit_sd, cal.period_sd) == pytest.approx(0.08, rel=0.2)
    assert 0.15 < cal.noise_spread < 0.45
    assert cal.spread.site_sd == pytest.approx(0.3, rel=0.4)
    assert cal.spread.rod_sd == pytest.approx(0.2, rel=0.25)
    assert cal.installed_sd == pytest.approx(0.12, rel=0.35)


def test_the_season_comes_back() -> None:
    cal = own_calibration()
    at = dict(zip(cal.fixed_names, cal.fixed, strict=True))
    got = np.array([at[f"season_{k}"] for k in ("cos1", "cos2", "sin1", "sin2")])
    drawn = np.array([0.1, 0.02, 0.05, 0.03])
    # all visits are in the same third of the year: harmonics trade with each other and the intercept, and
    # only the season over that third is known
    day = np.linspace(2020.2, 2020.6, 9)
    wave = harmonics(day) @ (got - drawn)
    assert wave - wave.mean() == pytest.approx(np.zeros(9), abs=0.05)


def test_classes_come_back_in_order_and_near_their_medians() -> None:
    cal = own_calibration()
    at = dict(zip(cal.theta_names, cal.theta, strict=True))
    # eight sites a class, a site effect of 0.3 on the log of each: 0.4 is three standard errors
    base = at["onset_fleet"] + at["onset_material_clad"]
    marsh, clay, sand = (np.exp(base + at[f"onset_soil_{k}"]) for k in ("marsh", "clay", "sand"))
    assert marsh < clay < sand
    assert np.log(marsh) == pytest.approx(np.log(10.0), abs=0.4)
    assert np.log(clay) == pytest.approx(np.log(22.0), abs=0.4)
    assert sand > 35.0
    growth = at["growth_fleet"] + at["growth_material_clad"]
    # hardly a rod in sand has begun to corrode: its growth is the prior's
    assert at["growth_soil_marsh"] > at["growth_soil_clay"]
    assert np.exp(growth + at["growth_soil_marsh"]) == pytest.approx(0.2, rel=0.35)


def test_steps_and_wild_readings_come_back_at_their_rates() -> None:
    steps = own_calibration().steps
    assert 0.0015 < steps.break_rate < 0.006
    assert (steps.after_rate, steps.age_power) == (0.0, 1.0)  # more was not asked for
    assert 0.004 < steps.wild_share < 0.02
    assert steps.jump_mean == pytest.approx(0.9, abs=0.3)


def test_the_visits_claimed_spread_is_their_error() -> None:
    fit, (h, truth) = own_fit(), own_fleet()
    mean = np.concatenate([m[1:] for m in fit.found.field_mean])
    sd = np.concatenate([np.sqrt(np.diag(c)[1:]) for c in fit.found.field_cov])
    period = np.array([fit.calibration.period_effect.get(h.periods[p], 0.0) for p in h.visit_period])
    z = (mean + period - truth.visit) / sd
    # within 15 % is asked of large fleets; errors of the visits of one site move together
    assert 0.75 < np.sqrt(np.mean(z**2)) < 1.25


def test_the_noise_scales_integrate_a_log_normal() -> None:
    factor, logw = noise_scale(0.3)
    assert np.exp(logw).sum() == pytest.approx(1.0)
    assert np.exp(logw) @ np.log(factor) == pytest.approx(0.0, abs=1e-12)
    assert np.exp(logw) @ np.log(factor) ** 2 == pytest.approx(0.09)


def _takes(h: Histories) -> Calibration:
    """Calibrate and fit a small fleet; every number published of it must be one."""
    cal = calibrate(h, rounds=3)
    assert all(np.isfinite(x).all() for x in (cal.theta, cal.theta_cov, cal.fixed, cal.noise_sd))
    fit = fit_electrodes(h, cal, np.full(h.electrodes, LOG_DOUBLE), np.random.default_rng(1))
    assert np.isfinite(fit.crossing.cdf).all()
    level = levels(fit, np.random.default_rng(2), points=3)
    assert np.isfinite(level.band).all()
    assert (level.baseline_sd_log > 0).all()
    assert not np.isnan(quantile_of(fit.crossing.cdf, 0.5)).any()
    return cal


def test_one_electrode_with_one_reading() -> None:
    cal = _takes(yearly([2.0]))
    start = first_guess(yearly([2.0]))
    # one reading teaches nothing: all stands about where the priors put it
    assert cal.theta == pytest.approx(start.theta, abs=0.2)
    assert cal.noise_sd == pytest.approx([0.08], rel=0.1)


def test_one_electrode_never_read() -> None:
    _takes(site_history([[]], [[]], [], [[]]))


def test_readings_from_installation_only() -> None:
    h = site_history([[0.0]] * 3, [[2.0], [2.1], [1.9]], [], [[-1]] * 3, kind=[[AS_INSTALLED]] * 3)
    _takes(h)


def test_constant_readings_are_steady() -> None:
    h = site_history(
        [[5.0 + k for k in range(9)]] * 4, [[2.0] * 9] * 4, [2005.0 + k for k in range(9)], [range(9)] * 4
    )
    cal = _takes(h)
    assert (cal.noise_sd < 0.08).all()
    fit = fit_electrodes(h, cal, np.full(4, LOG_DOUBLE), np.random.default_rng(1))
    assert fit.crossing.cdf[:, 4 * 13].max() < 0.1


def test_a_fleet_all_past_and_all_out_of_range() -> None:
    n = 5
    ages, visits = [[30.0 + k for k in range(n)]] * 3, [2030.0 + k for k in range(n)]
    over = site_history(ages, [[7.3] * n] * 3, visits, [range(n)] * 3, [[1] * n] * 3, log_formula=2.5)
    _takes(over)
    _takes(replace(over, side=np.zeros(3 * n, np.int64), log_ohm=over.log_ohm - 3.0))


def test_the_same_fleet_gives_the_same_calibration() -> None:
    h = own_fleet()[0].sample_sites(np.arange(3))
    a, b = calibrate(h, rounds=2), calibrate(h, rounds=2)
    assert (a.theta == b.theta).all()
    assert (a.fixed == b.fixed).all()


def test_a_soil_class_not_met_before_stands_at_the_fleets_values() -> None:
    cal = own_calibration()
    h = own_fleet()[0].sample_sites(np.arange(2))
    wider = adapt(cal, replace(h, soil=("peat",) * h.electrodes))
    assert wider.soils == (*cal.soils, "peat")
    new = dict(zip(wider.theta_names, zip(wider.theta, np.diag(wider.theta_cov), strict=True), strict=True))
    assert new["onset_soil_peat"][0] == 0.0
    assert new["onset_soil_peat"][1] == pytest.approx(0.8**2)
    old = dict(zip(cal.theta_names, cal.theta, strict=True))
    assert all(new[k][0] == v for k, v in old.items())
    fixed = dict(zip(wider.fixed_names, wider.fixed, strict=True))
    assert all(fixed[k] == v for k, v in zip(cal.fixed_names, cal.fixed, strict=True))
    assert fixed["offset_peat"] == 0.0
    fit = fit_electrodes(
        replace(h, soil=("peat",) * h.electrodes),
        cal,
        np.full(h.electrodes, LOG_DOUBLE),
        np.random.default_rng(1),
    )
    assert np.isfinite(fit.crossing.cdf).all()


def test_a_calibration_that_knows_all_classes_is_left_as_it_is() -> None:
    assert adapt(own_calibration(), own_fleet()[0]) is own_calibration()


def test_factors_move_with_the_residuals_they_were_made_from() -> None:
    fit, h = own_fit(), own_fleet()[0]
    p = prepare(h, fit.calibration)
    assert p.resid == pytest.approx(fit.prepared.resid)
    moved = carry_factors(h, fit.found.factors, np.where(h.visit >= 0, 0.3, 0.0))
    installed = np.bincount(h.reading_electrode, h.kind == AS_INSTALLED, minlength=h.electrodes) > 0
    for s, ((precision, eta), (same, new)) in enumerate(zip(fit.found.factors, moved, strict=True)):
        # readings of visits know only the sum of offset and visit; values of the installation tell them apart
        of_visits = ~installed[h.site_start[s] : h.site_start[s + 1]]
        step = np.r_[0.0, np.full(eta.shape[1] - 1, 0.3)]
        assert (same == precision).all()
        assert new[of_visits] == pytest.approx((eta + precision @ step)[of_visits], abs=1e-3)
