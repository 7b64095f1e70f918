"""The regressions behind questions: against another library, by site, and where nothing happened."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.accelerated_life import fit_accelerated_life
from models.hypothesis_words import Question
from models.question_data import Data, gather, held_columns
from models.question_fits import estimate, fit_log_mean, fit_log_rate, fit_outcome

RNG = 5


def drawn(sites: int = 40, wells: int = 8) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Give design with ones, a group by site and a number, site, breaks and years."""
    rng = np.random.default_rng(RNG)
    site = np.repeat(np.arange(sites), wells)
    x = np.column_stack([np.ones(site.size), (site % 2).astype(float), rng.normal(2, 1, site.size)])
    years = rng.uniform(5, 15, site.size)
    rate = np.exp(x @ [-3.5, 0.5, 0.2] + rng.normal(0, 0.4, sites)[site])
    broken = (rng.random(site.size) < -np.expm1(-rate * years)).astype(float)
    return x, site, broken, years


def as_data(x: np.ndarray, site: np.ndarray) -> Data:
    rows = pl.DataFrame({"site_id": site})
    return Data(rows, x[:, 1], x[:, 1] > 0.5, site, np.ones(site.size, dtype=bool), x[:, 2:], 0)


def test_breaks_agree_with_another_library() -> None:
    """statsmodels' binomial model with a complementary log-log link, clustered by site."""
    import statsmodels.api as sm

    x, site, broken, years = drawn()
    own = fit_log_rate(broken, x, np.log(years))
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    other = sm.GLM(broken, x, family=family, offset=np.log(years)).fit()
    assert own.converged
    assert own.beta == pytest.approx(other.params, abs=1e-6)
    assert own.log_likelihood == pytest.approx(other.llf, abs=1e-6)
    # A coefficient that is no group has the plain sandwich times G / (G - 1); the other library's has in
    # addition (n - 1) / (n - k).
    plain = estimate(own, as_data(x, site), column=2).error
    n, k = x.shape
    robust = sm.GLM(broken, x, family=family, offset=np.log(years)).fit(
        cov_type="cluster", cov_kwds={"groups": site}
    )
    assert plain == pytest.approx(robust.bse[2] / np.sqrt((n - 1) / (n - k)), rel=0.02)


def test_growth_agrees_with_another_library_where_that_one_works() -> None:
    """statsmodels' Poisson with weights, on growth that is never below zero; below zero it has no answer."""
    import statsmodels.api as sm

    x, site, _, years = drawn()
    rng = np.random.default_rng(RNG)
    growth = 0.05 * np.exp(0.3 * x[:, 1]) * rng.gamma(4, 0.25, site.size)
    weight = years / years.mean()
    own = fit_log_mean(growth, x, np.zeros(site.size), weight)
    other = sm.GLM(growth, x, family=sm.families.Poisson(), var_weights=weight).fit()
    assert own.beta == pytest.approx(other.params, abs=1e-5)
    sinking = fit_log_mean(growth - 0.03, x, np.zeros(site.size), weight)
    assert sinking.converged
    assert (growth - 0.03).min() < 0
    group = x[:, 1] > 0
    plain = fit_log_mean(growth - 0.03, x[:, :2], np.zeros(site.size), weight)
    means = [np.average((growth - 0.03)[g], weights=weight[g]) for g in (~group, group)]
    assert plain.beta[1] == pytest.approx(np.log(means[1] / means[0]), abs=1e-6)


def test_a_life_is_turned_back_to_its_own_columns() -> None:
    rng = np.random.default_rng(RNG)
    x, site, _, _ = drawn()
    times = np.exp(x @ [2.0, 0.3, -0.2]) * rng.weibull(2, site.size)
    lower = np.minimum(np.floor(times), 12)
    upper = np.where(times < 12, lower + 1, np.inf)
    rows = pl.DataFrame({"lower_years": lower, "upper_years": upper, "site_id": site})
    data = Data(rows, x[:, 1], x[:, 1] > 0.5, site, np.isfinite(upper), x[:, 2:], 0)
    own = fit_outcome(data, x, "time_to_threshold")
    plain = fit_accelerated_life(lower, upper, x)
    assert own.beta == pytest.approx(plain.beta, abs=1e-6)
    assert own.bread == pytest.approx(plain.covariance, abs=1e-7)
    assert own.scores == pytest.approx(plain.scores, abs=1e-4)
    shifted = fit_outcome(data, x, "time_to_threshold", 0.25 * x[:, 1])
    assert shifted.beta[1] == pytest.approx(own.beta[1] - 0.25, abs=1e-6)


def test_much_alike_lives_are_fitted_whichever_group_is_called_second() -> None:
    """From sigma 1 the search stops short of these (sigma 0.23) on one of the two sides."""
    rng = np.random.default_rng(1)
    site = np.repeat(np.arange(24), 5)
    sand = (site >= 12).astype(float)
    times = np.where(sand > 0, 22, 10) * np.exp(rng.normal(0, 0.25, 120))
    lower, upper = np.maximum(np.floor(times), 2), np.maximum(np.ceil(times), 3)
    upper = np.where(times > 24, np.inf, upper)
    lower = np.minimum(lower, 24)
    rows = pl.DataFrame({"lower_years": lower, "upper_years": upper, "site_id": site})
    ratios = []
    for x in (sand, 1 - sand):
        data = Data(rows, x, x > 0.5, site, np.isfinite(upper), np.empty((120, 0)), 0)
        fit = fit_outcome(data, data.design(), "time_to_threshold")
        assert fit.converged
        ratios.append(fit.beta[1])
    assert ratios[0] == pytest.approx(-ratios[1], abs=1e-6)


def test_what_cannot_be_fitted_says_so() -> None:
    x, site, broken, years = drawn()
    with pytest.raises(ValueError, match="Nothing has happened"):
        fit_log_rate(np.zeros(site.size), x, np.log(years))
    with pytest.raises(ValueError, match="not above zero"):
        fit_log_mean(-years, x, np.zeros(site.size), years)
    one_sided = np.where(x[:, 1] > 0, broken, 0.0)
    assert not fit_log_rate(one_sided, x, np.log(years)).converged


def test_a_group_of_few_sites_is_as_little_known_as_it_is() -> None:
    _, site, broken, years = drawn()
    few = np.where(site < 4, 1.0, 0.0)
    design = np.column_stack([np.ones(site.size), few])
    fit = fit_log_rate(broken, design, np.log(years))
    data = Data(
        pl.DataFrame({"site_id": site}), few, few > 0.5, site, broken > 0, np.empty((site.size, 0)), 0
    )
    found = estimate(fit, data)
    assert found.freedom < 10
    even = np.where(site < 20, 1.0, 0.0)
    fit = fit_log_rate(broken, np.column_stack([np.ones(site.size), even]), np.log(years))
    data = Data(
        pl.DataFrame({"site_id": site}), even, even > 0.5, site, broken > 0, np.empty((site.size, 0)), 0
    )
    assert estimate(fit, data).freedom > 25


ROWS = pl.DataFrame(
    {
        "electrode_id": [f"e{k}" for k in range(24)],
        "site_id": [f"s{k // 2}" for k in range(24)],
        "lower_years": [5.0] * 24,
        "upper_years": [6.0] * 12 + [float("inf")] * 12,
        "soil_class": ["clay"] * 8 + ["sand"] * 8 + ["peat"] * 4 + [None] * 4,
        "ph": [4.0, 5.0] * 6 + [6.0, None] * 6,
        "material": ["clad"] * 20 + ["bare"] * 4,
        "installed_on": [None] * 24,
    }
)


def test_groups_splits_and_slopes_lay_out_the_rows_that_are_meant() -> None:
    pair = gather(ROWS, Question("soil_class", "clay", "sand"))
    assert (pair.rows.height, pair.sites, pair.second.sum()) == (16, 8, 8)
    split = gather(ROWS, Question("ph", split_at=5.0))
    assert split.rows.height == 18
    assert split.second.sum() == 12
    slope = gather(ROWS, Question("ph", slope="doubling"))
    assert np.median(slope.x) == 0
    assert slope.x.max() - slope.x.min() == pytest.approx(np.log2(6 / 4))
    only = gather(ROWS, Question("soil_class", "clay", "sand", between=(("ph", 4.5, float("inf")),)))
    assert set(only.rows["ph"]) == {5.0, 6.0}
    peat = gather(ROWS, Question("material", "clad", "bare", where=(("soil_class", ("peat",)),)))
    assert peat.rows.height == 4
    listed = gather(ROWS, Question("purchase", "other purchases", "the purchase", listed=("e0", "e5")))
    assert listed.rows.filter(pl.Series(listed.second))["electrode_id"].to_list() == ["e0", "e5"]
    held = gather(ROWS, Question("soil_class", "clay", "sand", held_fixed=("ph",)))
    assert (held.rows.height, held.dropped) == (14, 2)


def test_what_is_held_becomes_columns_that_say_something_of_their_own() -> None:
    everything = held_columns(ROWS, ("soil_class", "ph"))
    # clay, sand stand apart; peat and not known are two sites each, taken together.
    assert everything.shape[1] == 3
    assert np.linalg.matrix_rank(np.column_stack([np.ones(24), everything])) == 4
    twice = held_columns(ROWS.with_columns(pl.col("soil_class").alias("again")), ("soil_class", "again"))
    assert twice.shape[1] == held_columns(ROWS, ("soil_class",)).shape[1]
    happened = np.arange(24) >= 8
    assert held_columns(ROWS, ("soil_class",), happened).shape[1] == 1
