"""What lives say: hazards and chances against closed forms, medians, residuals that tell a wrong family."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from threadpoolctl import threadpool_limits

from models import survival_lives as account
from models.accelerated_life import LOGNORMAL, fit_accelerated_life
from models.survival import class_bands, lives_by_class
from models.survival_frailty import fit_frailty_life
from models.survival_tables import (
    AHEAD,
    HAZARD,
    RESIDUALS,
    ahead_frame,
    class_fits,
    hazard_frame,
    residuals_frame,
)
from models.turnbull import turnbull_band
from tests.unit.test_survival import fleet
from tests.unit.test_survival_frailty import lives


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    with threadpool_limits(1):
        yield


def test_weibull_without_frailty_has_the_closed_forms() -> None:
    low, up, site = lives(np.random.default_rng(1), 40, 6, 0.0)
    fit = fit_accelerated_life(low, up, cluster=site)
    shape, scale = 1 / fit.sigma, np.exp(fit.beta[0])
    rng, ages = np.random.default_rng(2), np.array([5.0, 10.0, 20.0])
    hazard = account.hazard_by_age(fit, ages, rng)
    assert hazard.value == pytest.approx(shape / scale * (ages / scale) ** (shape - 1))
    assert np.all((hazard.low < hazard.value) & (hazard.value < hazard.high))
    ahead = account.chance_ahead(fit, 10.0, [5.0, 10.0], rng)
    then = ((10.0 / scale) ** shape) - ((np.array([15.0, 20.0]) / scale) ** shape)
    assert ahead.value == pytest.approx(-np.expm1(then))
    assert np.all((ahead.low < ahead.value) & (ahead.value < ahead.high))
    middle, error = account.median_life(fit)
    assert (middle, error) == pytest.approx(fit.quantile([1.0], 0.5), rel=1e-4)
    assert account.aic(fit) == pytest.approx(4 - 2 * fit.log_likelihood)


def test_frailty_is_summed_over() -> None:
    low, up, site = lives(np.random.default_rng(3), 60, 8, 0.5)
    fit = fit_frailty_life(low, up, site)
    rng = np.random.default_rng(4)
    effect = rng.normal(0, fit.frailty_sd, 200_000)
    by_draws = -np.expm1(-((15 / np.exp(fit.beta[0] + effect)) ** (1 / fit.sigma))).mean()
    assert account.share_by_age(fit, [15.0], rng).value[0] == pytest.approx(by_draws, abs=0.003)
    middle, _ = account.median_life(fit)
    assert account.share_by_age(fit, [np.exp(middle)], rng).value[0] == pytest.approx(0.5, abs=1e-8)
    # Sites differ: those that are still sound at a great age are the better ones, and the hazard lags.
    late = account.hazard_by_age(fit, [60.0], rng).value[0]
    assert late < 2 / np.exp(fit.beta[0]) * (60 / np.exp(fit.beta[0]))


def test_turnbulls_own_hazard_and_chance_agree_with_the_truth() -> None:
    low, up, site = lives(np.random.default_rng(5), 80, 8, 0.0)
    band = turnbull_band(low, up, site, np.arange(0, 30.0), np.random.default_rng(6), resamples=40)
    hazard = account.turnbull_hazard(band)
    assert hazard.age_years[0] == 2.5
    truth = 2 * hazard.age_years / 400
    held = (hazard.low[1:] <= truth[1:]) & (truth[1:] <= hazard.high[1:])
    assert held.mean() >= 0.6
    ahead = account.turnbull_ahead(band, 10.0, [5.0, 100.0])
    assert ahead.low[0] < -np.expm1(100 / 400 - 225 / 400) < ahead.high[0]
    assert np.isnan(ahead.value[1])


def test_residuals_show_a_wrong_shape() -> None:
    rng = np.random.default_rng(7)
    low, up, site = lives(rng, 80, 8, 0.0)
    fit = fit_accelerated_life(low, up)
    right = account.residuals(fit, low, up, site, rng)
    assert right.farthest < 0.05
    assert not right.leaves
    other = account.residuals(fit_accelerated_life(low, up, family=LOGNORMAL), low, up, site, rng)
    assert other.farthest > right.farthest
    wrong = account.residuals(replace(fit, sigma=1.6 * fit.sigma), low, up, site, rng)
    assert wrong.leaves
    assert wrong.farthest > right.farthest


def test_frames_by_class() -> None:
    rng = np.random.default_rng(8)
    both = pl.concat(
        [fleet(rng, sites=40), fleet(rng, sites=3, wells=3).with_columns(soil_class=pl.lit("silt"))]
    )
    by_class = lives_by_class(both)
    bands, fits = class_bands(by_class, rng, resamples=40), class_fits(by_class, 1)
    hazard, ahead = hazard_frame(bands, fits, rng), ahead_frame(bands, fits, rng)
    assert (dict(hazard.schema), dict(ahead.schema)) == (HAZARD, AHEAD)
    assert hazard.filter(soil_class="clay")["method"].unique().len() == 2
    assert ahead["p_past"].is_between(0, 1).all()
    assert hazard.filter(pl.col("low") > pl.col("high")).is_empty()
    left = residuals_frame(fits)
    assert dict(left.schema) == RESIDUALS
    clay = left.filter(soil_class="clay")
    assert clay["expected"].to_list() == pytest.approx((1 - np.exp(-clay["residual"].to_numpy())).tolist())
    assert clay["share"].is_not_null().sum() > 5
    assert (clay["share"] - clay["expected"]).abs().max() < 0.15  # a true life's lie near the line
