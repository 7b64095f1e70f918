"""First crossings out of readings, the band of Turnbull's estimator, and Weibull lives by class."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import numpy as np
import polars as pl
import pytest
from threadpoolctl import threadpool_limits

from models import survival
from models.accelerated_life import fit_accelerated_life
from models.survival_tables import MODELS, class_fits, models_frame
from models.turnbull import turnbull, turnbull_band

# Share of simulated truths that a 90 % band must hold at one age: 24 draws have a standard error of 6 points.
DRAWS = 24
COVERAGE_AT_LEAST = 0.75


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    """Keep the linear algebra to one thread: many small fits on shared cores spend their time waiting."""
    with threadpool_limits(1):
        yield


def readings(ratios: dict[str, list[float | None]], **cells: object) -> pl.DataFrame:
    """Give yearly readings of electrodes with baseline 10 ohm, first in the year 2005 (age 5)."""
    rows = [
        {
            "electrode_id": name,
            "taken_at": dt.datetime(2005 + year, 1, 1),
            "corrected_ohm": None if ratio is None else 10.0 * ratio,
            "verdict": "set_aside" if ratio is None else "good",
            "range_mark": None,
        }
        for name, series in ratios.items()
        for year, ratio in enumerate(series)
    ]
    return pl.DataFrame(
        rows, schema_overrides={"range_mark": pl.String, "corrected_ohm": pl.Float64}
    ).with_columns(**{k: pl.lit(v) for k, v in cells.items()})


def crossings(vetted: pl.DataFrame, threshold: float | pl.DataFrame = 2.0) -> dict[str, tuple[float, float]]:
    names = vetted["electrode_id"].unique().to_list()
    electrodes = pl.DataFrame(
        {
            "electrode_id": names,
            "site_id": ["s"] * len(names),
            "installed_on": [dt.date(2000, 1, 1)] * len(names),
        }
    )
    baseline = pl.DataFrame({"electrode_id": names, "baseline_ohm": [10.0] * len(names)})
    found = survival.first_crossings(vetted, baseline, threshold, electrodes)
    assert list(found.schema) == list(survival.CROSSINGS)
    return {
        r["electrode_id"]: (
            round(r["lower_years"]),
            r["upper_years"] if r["upper_years"] == np.inf else round(r["upper_years"]),
        )
        for r in found.iter_rows(named=True)
    }


def test_crossing_lies_between_two_visits() -> None:
    assert crossings(readings({"a": [1.0, 1.2, 1.5, 2.1, 2.4]})) == {"a": (7, 8)}


def test_past_at_the_first_visit_is_left_censored_and_never_past_right_censored() -> None:
    found = crossings(readings({"old": [2.6, 2.7, 2.9], "sound": [1.0, 1.0, 1.1]}))
    assert found == {"old": (0, 5), "sound": (7, np.inf)}


def test_single_high_reading_that_returns_is_no_crossing() -> None:
    assert crossings(readings({"a": [1.0, 2.3, 1.1, 1.2]})) == {"a": (8, np.inf)}


def test_newest_reading_counts_only_by_its_size() -> None:
    found = crossings(readings({"little": [1.0, 1.1, 2.1], "much": [1.0, 1.1, 3.4]}))
    assert found == {"little": (6, np.inf), "much": (6, 7)}


def test_over_range_is_past_by_size_and_set_aside_says_nothing() -> None:
    vetted = readings({"a": [1.0, None, 1.1, 150.0]}).with_columns(
        pl.when(pl.col("corrected_ohm") == 1500.0).then(pl.lit("over")).alias("range_mark")
    )
    assert crossings(vetted) == {"a": (7, 8)}


def test_over_range_below_the_threshold_tells_neither_side() -> None:
    vetted = readings({"a": [1.0, 1.0, 1.5, 1.0]}).with_columns(
        pl.when(pl.col("corrected_ohm") == 15.0).then(pl.lit("over")).alias("range_mark")
    )
    assert crossings(vetted) == {"a": (8, np.inf)}


def test_threshold_of_its_own_for_each_electrode() -> None:
    table = pl.DataFrame({"electrode_id": ["a", "b"], "threshold_ratio": [1.4, 3.0]})
    vetted = readings({"a": [1.0, 1.5, 1.6], "b": [1.0, 2.2, 2.4]})
    assert crossings(vetted, table) == {"a": (5, 6), "b": (7, np.inf)}


def fleet(rng: np.random.Generator, sites: int = 60, wells: int = 6, site_sd: float = 0.3) -> pl.DataFrame:
    """Draw Weibull lives (shape 2, scale 20) with site effects, seen at yearly visits from a random age."""
    n = sites * wells
    site = np.repeat(np.arange(sites), wells)
    life = 20 * rng.weibull(2, n) * np.exp(rng.normal(0, site_sd, sites))[site]
    first = rng.uniform(0.5, 12, sites)[site]
    visits = first[:, None] + np.arange(12)
    seen = (visits < life[:, None]).sum(axis=1)
    rows = np.arange(n)
    return pl.DataFrame(
        {
            "electrode_id": rows.astype(str),
            "site_id": site.astype(str),
            "soil_class": ["clay"] * n,
            "material": ["copper_bonded_steel"] * n,
            "lower_years": np.where(seen > 0, visits[rows, np.maximum(seen - 1, 0)], 0.0),
            "upper_years": np.where(seen < 12, visits[rows, np.minimum(seen, 11)], np.inf),
            "entry_years": np.zeros(n),
        }
    )


def true_share(age: float, site_sd: float = 0.3) -> float:
    scale = 20 * np.exp(np.random.default_rng(99).normal(0, site_sd, 20_000))
    return float(np.mean(-np.expm1(-((age / scale) ** 2))))


def test_band_over_sites_holds_the_truth_and_is_wider_than_over_electrodes() -> None:
    rng = np.random.default_rng(4)
    truth = true_share(14.0)
    held, widths, naive = 0, [], []
    for _ in range(DRAWS):
        data = fleet(rng, site_sd=0.3)
        low, up = data["lower_years"].to_numpy(), data["upper_years"].to_numpy()
        band = turnbull_band(low, up, data["site_id"].to_numpy(), [14.0], rng, resamples=40)
        held += int(band.low[0] <= truth <= band.high[0])
        widths.append(band.high[0] - band.low[0])
        alone = turnbull_band(low, up, np.arange(low.size), [14.0], rng, resamples=40)
        naive.append(alone.high[0] - alone.low[0])
    assert held / DRAWS >= COVERAGE_AT_LEAST
    assert np.mean(widths) > np.mean(naive)


def test_curves_table() -> None:
    rng = np.random.default_rng(5)
    curves = survival.survival_curves(fleet(rng), rng, resamples=40)
    assert list(curves.schema) == list(survival.CURVES)
    assert curves["share_past"].is_sorted()
    assert curves["at_risk"].is_sorted(descending=True)
    assert curves["age_years"][0] == 0.0
    assert curves.filter(pl.col("low") > pl.col("share_past") + 1e-6).height <= 1
    weak = survival.survival_curves(fleet(rng, sites=1, wells=5), rng)
    assert weak.is_empty()


def test_models_find_their_parameters_and_admit_what_they_cannot_fit() -> None:
    rng = np.random.default_rng(6)
    good = fleet(rng, sites=120, site_sd=0.0)
    never = fleet(rng, sites=10).with_columns(
        pl.lit("sand").alias("soil_class"), pl.lit(np.inf).alias("upper_years")
    )
    models = models_frame(class_fits(survival.lives_by_class(pl.concat([good, never])), 1))
    assert list(models.schema) == list(MODELS)
    assert models["model"].to_list() == [
        "weibull", "weibull_site", "lognormal", "lognormal_site", "weibull",
    ]  # fmt: skip
    clay, sand = models.row(0, named=True), models.row(4, named=True)
    assert clay["converged"]
    assert clay["best"]
    assert clay["residual_gap"] < 0.06
    assert not clay["residuals_leave"]
    assert clay["shape"] == pytest.approx(2.0, rel=0.12)
    assert clay["scale_years"] == pytest.approx(20.0, rel=0.08)
    assert clay["median_low"] < 20 * np.log(2) ** 0.5 < clay["median_high"]
    assert models["site_sd_low"][1] == 0.0
    assert models["residual_gap"][2] is None
    assert not sand["converged"]
    assert sand["median_years"] is None


@pytest.mark.parametrize("spread", [0.05, 0.1, 0.2])
def test_lives_that_are_much_alike_are_fitted_wherever_the_search_sets_out(spread: float) -> None:
    """The times to a power that makes sigma about 1, where the search begins, must give the same fit."""
    for seed in range(8):
        rng = np.random.default_rng([17, seed])
        second = rng.random(150) < 0.5
        life = 14 * rng.weibull(1, 150) ** spread * np.exp(0.25 * second)
        visits = rng.uniform(0.5, 12, 25).repeat(6)[:, None] + np.arange(20)
        seen = (visits < life[:, None]).sum(axis=1)
        row = np.arange(150)
        low = np.where(seen > 0, visits[row, np.maximum(seen - 1, 0)], 0.0)
        up = np.where(seen < 20, visits[row, np.minimum(seen, 19)], np.inf)
        x = np.column_stack([np.ones(150), second])
        fit = fit_accelerated_life(low, up, x)
        raised = fit_accelerated_life((low / 14) ** (1 / spread), (up / 14) ** (1 / spread), x)
        assert fit.converged
        assert fit.sigma == pytest.approx(raised.sigma * spread, rel=1e-5)
        assert fit.beta[1] == pytest.approx(raised.beta[1] * spread, abs=1e-6)


def test_weibull_fit_does_not_hang_on_the_unit_of_time() -> None:
    data = fleet(np.random.default_rng(7))
    low, up = data["lower_years"].to_numpy(), data["upper_years"].to_numpy()
    years, days = fit_accelerated_life(low, up), fit_accelerated_life(low * 365.25, up * 365.25)
    assert days.sigma == pytest.approx(years.sigma, rel=1e-6)
    assert days.beta[0] - years.beta[0] == pytest.approx(np.log(365.25), abs=1e-6)


def test_analytic_scores_are_the_derivative_of_the_likelihood() -> None:
    data = fleet(np.random.default_rng(8))
    fit = fit_accelerated_life(data["lower_years"].to_numpy(), data["upper_years"].to_numpy())
    np.testing.assert_allclose(fit.scores.sum(axis=0), 0.0, atol=1e-4)


def test_nothing_crossed_and_impossible_intervals_are_refused() -> None:
    with pytest.raises(ValueError, match="No row has crossed"):
        fit_accelerated_life([5.0, 6.0], [np.inf, np.inf])
    with pytest.raises(ValueError, match="Intervals need"):
        fit_accelerated_life([5.0], [4.0])
    with pytest.raises(ValueError, match="Intervals need"):
        turnbull([5.0], [4.0])
    with pytest.raises(ValueError, match="constant"):
        fit_accelerated_life([1.0, 2.0, 3.0], [2.0, 3.0, 4.0], [[1.0], [2.0], [4.0]])
