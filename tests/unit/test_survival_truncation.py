"""Rods renewed before records began: how many are missing is found, and lives count from the first visit."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from scipy.optimize import approx_fprime

from models import survival_truncation as truncation
from models.accelerated_life import LOGNORMAL, WEIBULL, Family
from models.survival import first_crossings
from models.turnbull import turnbull

SHAPE, SCALE = 2.0, 20.0
# Of 20 fleets with none missing so many may have a 90 % interval that ends below 1; 2 expected at most.
FALSE_CALLS = 4
# Of 12 fleets with most of them missing (expected 10.8; 8 or fewer once in fifty).
HELD_AT_LEAST = 9


def fleet(rng: np.random.Generator, kept: float, sites: int = 80, wells: int = 8) -> pl.DataFrame:
    """Draw lives of sites 4 to 24 years old when records begin; of those past by then a share is kept."""
    n = sites * wells
    site = np.repeat(np.arange(sites), wells)
    life = SCALE * rng.weibull(SHAPE, n) * np.exp(rng.normal(0, 0.1, sites))[site]
    began = rng.uniform(4, 24, sites)[site]
    there = (life > began) | (rng.random(n) < kept)
    visits = began[:, None] + 0.3 + np.arange(10)
    seen = (visits < life[:, None]).sum(axis=1)
    rows = np.arange(n)
    return pl.DataFrame(
        {
            "electrode_id": [f"e{i:04d}" for i in rows],
            "site_id": site.astype(str),
            "soil_class": ["clay"] * n,
            "lower_years": np.where(seen > 0, visits[rows, np.maximum(seen - 1, 0)], 0.0),
            "upper_years": np.where(seen < 10, visits[rows, np.minimum(seen, 9)], np.inf),
            "entry_years": np.zeros(n),
            "first_visit_years": visits[:, 0],
            "records_years": began,
        }
    ).filter(pl.Series(there))


@pytest.mark.parametrize("family", [WEIBULL, LOGNORMAL])
def test_scores_are_the_derivative_of_the_likelihood(family: Family) -> None:
    ends = np.log([[2.0, 5.0, 2.0], [1e-300, 4.0, 2.5], [1e-300, 4.0, 1e-300], [6.0, 1e300, 3.0]])
    rows = truncation._Rows(
        np.where(ends[:, 0] < -600, -np.inf, ends[:, 0]),
        np.where(ends[:, 1] > 600, np.inf, ends[:, 1]),
        np.where(ends[:, 2] < -600, -np.inf, ends[:, 2]),
        np.array([False, True, False, False]),
    )
    theta = np.array([1.3, -0.4, -0.7])
    _, score = truncation._likelihood(theta, rows, family)
    for i in range(4):
        slope = approx_fprime(theta, lambda t, i=i: truncation._likelihood(t, rows, family)[0][i], 1e-7)
        assert score[i] == pytest.approx(slope, abs=1e-5)


def test_share_still_there_is_found() -> None:
    rng = np.random.default_rng(1)
    found = pl.concat([truncation.missing_before_records(fleet(rng, kept=0.3, sites=50)) for _ in range(12)])
    held = found.filter((pl.col("still_there_low") < 0.3) & (pl.col("still_there_high") > 0.3))
    assert held.height >= HELD_AT_LEAST
    assert found["from_first_visit"].sum() >= HELD_AT_LEAST
    assert (found["before_records"] == found["electrodes"]).all()


def test_nothing_missing_is_seldom_called_missing() -> None:
    rng = np.random.default_rng(2)
    tables = [truncation.missing_before_records(fleet(rng, kept=1.0, sites=50)) for _ in range(20)]
    found = pl.concat(tables)
    assert found["converged"].all()
    assert found.filter(pl.col("still_there_high") < 1).height <= FALSE_CALLS
    assert found["from_first_visit"].sum() <= 1


def test_counting_from_the_first_visit_mends_the_curve() -> None:
    rng = np.random.default_rng(3)
    data = fleet(rng, kept=0.1, sites=300)
    entered = truncation.with_entry(data, truncation.missing_before_records(data))
    assert entered.filter(pl.col("lower_years") <= 0).is_empty()
    truth = 1 - np.exp(-((16 / SCALE) ** SHAPE)) / np.exp(-((8 / SCALE) ** SHAPE))

    def share(rows: pl.DataFrame) -> float:
        low, up, entry = (rows[c].to_numpy() for c in ("lower_years", "upper_years", "entry_years"))
        late = up > 8
        curve = turnbull(low[late].clip(8), up[late], entry[late].clip(8), climb_to=1e-4)
        return float(curve.share_past([16.0])[0])

    assert share(entered) == pytest.approx(truth, abs=0.05)
    # Left as they were, the same rows say that far fewer cross.
    assert share(data) < truth - 0.1


def test_entry_stays_nought_where_nothing_is_missing_or_nothing_can_be_told() -> None:
    data = fleet(np.random.default_rng(4), kept=1.0)
    few = data.head(12).with_columns(pl.lit("sand").alias("soil_class"), pl.col("electrode_id") + "x")
    both = pl.concat([data, few]).sort("electrode_id")
    told = truncation.missing_before_records(both)
    assert told["still_there"].is_null().to_list() == [False, True]
    assert truncation.with_entry(both, told).equals(both)


def test_rod_that_came_after_records_began_is_never_missing() -> None:
    data = fleet(np.random.default_rng(5), kept=1.0).with_columns(pl.lit(0.0).alias("records_years"))
    told = truncation.missing_before_records(data).row(0, named=True)
    assert (told["before_records"], told["still_there"]) == (0, None)
    assert truncation.from_first_visit(data).equals(data)


def test_crossings_say_when_records_began_and_when_a_rod_was_retired() -> None:
    vetted = pl.DataFrame(
        {
            "electrode_id": ["old", "old", "new"],
            "taken_at": [dt.datetime(2004, 1, 1), dt.datetime(2008, 1, 1), dt.datetime(2010, 1, 1)],
            "corrected_ohm": [None, 10.0, 10.0],
            "verdict": ["set_aside", "good", "good"],
        },
        schema_overrides={"corrected_ohm": pl.Float64},
    )
    electrodes = pl.DataFrame(
        {
            "electrode_id": ["old", "new"],
            "site_id": ["s", "s"],
            "installed_on": [dt.date(2000, 1, 1), dt.date(2009, 1, 1)],
            "retired_on": [dt.date(2009, 1, 1), dt.date(2030, 1, 1)],
            "in_service": [False, True],
        }
    )
    baseline = pl.DataFrame({"electrode_id": ["old", "new"], "baseline_ohm": [10.0, 10.0]})
    found = first_crossings(vetted, baseline, 2.0, electrodes).sort("electrode_id", descending=True)
    assert found["records_years"].to_list() == pytest.approx([4.0, 0.0], abs=0.01)
    assert found["first_visit_years"].to_list() == pytest.approx([8.0, 1.0], abs=0.01)
    assert found["retired_years"].to_list() == [pytest.approx(9.0, abs=0.01), None]
    assert found["entry_years"].to_list() == [0.0, 0.0]


def test_curve_with_entries_begins_where_enough_rods_are_watched() -> None:
    assert truncation.watched_from(np.array([5.0, 6.0]), np.array([1.0, 1.0])) is None
    upper, entry = np.full(12, 9.0), np.arange(12) / 2
    assert truncation.watched_from(upper, entry) == 4.5
