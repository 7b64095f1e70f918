"""Results under stated alternatives: each does what it says, and says how far the curve moves."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models import survival_sensitivity as alternative
from models.survival import CROSSINGS, survival_curves


def crossings(rng: np.random.Generator, sites: int = 40, wells: int = 6) -> pl.DataFrame:
    """Draw lives seen yearly from age 3 on; half of the rods not past by 15 are retired then."""
    n = sites * wells
    life = 20 * rng.weibull(2, n)
    visits = 3.0 + np.arange(22)
    retired = np.where(rng.random(n) < 0.5, 15.5, np.nan)
    last = np.where(np.isnan(retired), 22, 13)
    seen = np.minimum((visits[None, :] < life[:, None]).sum(axis=1), last)
    return pl.DataFrame(
        {
            "electrode_id": [f"e{i:03d}" for i in range(n)],
            "site_id": np.repeat(np.arange(sites), wells).astype(str),
            "soil_class": ["clay"] * n,
            "material": ["copper_bonded_steel"] * n,
            "lower_years": np.where(seen > 0, visits[np.maximum(seen - 1, 0)], 0.0),
            "upper_years": np.where(seen < last, visits[np.minimum(seen, 21)], np.inf),
            "entry_years": np.zeros(n),
            "first_visit_years": np.full(n, 3.0),
            "records_years": np.full(n, 2.0),
            "retired_years": retired,
        }
    ).with_columns(pl.col("retired_years").fill_nan(None))


def test_retired_rods_bound_the_curve_from_both_sides() -> None:
    rng = np.random.default_rng(1)
    data = crossings(rng)
    read = alternative.alternatives(data, data, data)
    told = alternative.sensitivity(read, survival_curves(data, rng, resamples=40))
    assert list(told.schema) == list(alternative.SENSITIVITY)
    assert told["alternative"].to_list() == list(alternative.ALTERNATIVES)
    by = {r["alternative"]: r for r in told.iter_rows(named=True)}
    assert by["as_read"]["share_change"] == pytest.approx(0.0, abs=1e-3)
    assert by["retired_past"]["crossed"] > by["as_read"]["crossed"]
    assert by["retired_past"]["median_years"] <= by["as_read"]["median_years"] + 0.3
    late = survival_curves(data, rng, resamples=40).with_columns(
        pl.when(pl.col("age_years") == 20.0).then(0.5).otherwise(0.0).alias("share_past")
    )
    by = {r["alternative"]: r for r in alternative.sensitivity(read, late).iter_rows(named=True)}
    sound, base, past = (by[k]["share_past"] for k in ("retired_sound", "as_read", "retired_past"))
    assert sound < base - 0.02
    assert past > base + 0.02
    assert by["no_follow_ups"]["share_past"] == base


def test_retired_rod_that_had_crossed_stays_as_it_was() -> None:
    data = (
        crossings(np.random.default_rng(2))
        .head(3)
        .with_columns(
            lower_years=pl.Series([4.0, 9.0, 9.0]),
            upper_years=pl.Series([5.0, np.inf, np.inf]),
            retired_years=pl.Series([8.0, 8.5, None]),
        )
    )
    past = alternative.retired_as_past(data)
    # Retired on the day of its last reading or before: past just after that reading.
    assert past["upper_years"].to_list() == [5.0, pytest.approx(9.0, abs=1e-5), np.inf]
    assert (past["upper_years"] > past["lower_years"]).all()
    sound = alternative.retired_as_sound(data)
    assert sound["lower_years"].to_list() == [4.0, 9.0, 9.0]
    assert sound["upper_years"].to_list() == [5.0, np.inf, np.inf]
    assert list(past.select(list(CROSSINGS)).schema) == list(CROSSINGS)


def test_counting_from_first_visits_agrees_where_nothing_is_missing() -> None:
    rng = np.random.default_rng(3)
    data = crossings(rng, sites=150)
    read = alternative.alternatives(data, data, data)
    told = alternative.sensitivity(read, survival_curves(data, rng, resamples=40))
    moved = told.filter(alternative="from_first_visit").row(0, named=True)
    assert abs(moved["share_change"]) < 0.02
    assert moved["electrodes"] == data.filter(pl.col("lower_years") > 0).height
