"""What matters in the soil: the property that was planted comes first, what stands for it is named."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.soil_importance import DEPENDENCE, IMPORTANCE, association, soil_importance


def fleet(rng: np.random.Generator, sites: int, strength: float, wells: int = 6) -> pl.DataFrame:
    """Draw sites whose chloride drives their rods; resistivity is its shadow, pH is nothing."""
    site = np.repeat(np.arange(sites), wells)
    z = rng.normal(size=sites)
    life = 15 * rng.weibull(2, site.size) * np.exp(-strength * z + rng.normal(0, 0.2, sites))[site]
    end = rng.uniform(8, 25, sites)[site]
    lower = np.where(life < end, np.floor(life), end)
    return pl.DataFrame(
        {
            "electrode_id": [f"e{k}" for k in range(site.size)],
            "site_id": [f"s{k}" for k in site],
            "lower_years": lower,
            "upper_years": np.where(life < end, np.floor(life) + 1, np.inf),
            "chloride_ppm": np.exp(4 + z)[site],
            "resistivity_ohm_m": np.exp(4 - 0.9 * z + 0.3 * rng.normal(size=sites))[site],
            "ph": rng.normal(6.5, 0.8, sites)[site],
            "drainage": rng.choice(["good", "fair", "poor"], sites)[site],
            "region": rng.choice(["north", "south", "east"], sites)[site],
        }
    )


def test_the_planted_property_comes_first_and_its_shadow_is_named() -> None:
    found = soil_importance(fleet(np.random.default_rng(1), 150, 0.6), seed=3)
    table = {r["property"]: r for r in found.importance.iter_rows(named=True)}
    assert found.importance.schema == pl.Schema(IMPORTANCE)
    single = [p for p in found.importance["property"] if not p.startswith("all ")]
    assert single[0] == "chloride"
    assert table["chloride"]["low"] > 0
    assert table["resistivity"]["stands_for"] == "chloride"
    assert "stands for chloride" in table["resistivity"]["says"]
    # By itself the shadow explains much; beside its source hardly any is lost without it.
    assert table["resistivity"]["alone"] > 5 * max(table["acidity"]["alone"], 0.01)
    assert table["resistivity"]["importance"] < table["chloride"]["importance"] / 2
    assert table["acidity"]["importance"] < 0.05
    line = found.dependence.filter(pl.col("column") == "chloride_ppm").sort("value")
    assert found.dependence.schema == pl.Schema(DEPENDENCE)
    assert line["hazard"][-1] > 3 * line["hazard"][0]
    assert found.dependence.filter(pl.col("column") == "drainage")["label"].to_list() == [
        "good",
        "fair",
        "poor",
    ]


def test_where_nothing_matters_nothing_is_explained_at_sites_not_seen() -> None:
    found = soil_importance(fleet(np.random.default_rng(2), 100, 0.0), seed=3)
    assert found.importance["explained_by_all"][0] < 0.02
    assert found.importance.filter(pl.col("property") != "all surveyed ground")["importance"].max() < 0.06


def test_too_few_sites_say_nothing() -> None:
    found = soil_importance(fleet(np.random.default_rng(3), 20, 0.6), seed=3)
    assert found.importance.is_empty()
    assert found.dependence.is_empty()


@pytest.mark.parametrize(("noise", "low", "high"), [(0.01, 0.95, 1.0), (100.0, 0.0, 0.25)])
def test_association_runs_from_none_to_one(noise: float, low: float, high: float) -> None:
    rng = np.random.default_rng(4)
    z = rng.normal(size=300)
    other = z + noise * rng.normal(size=300)
    table = pl.DataFrame(
        {
            "ph": z,
            "redox_mv": other,
            "soil_class": np.where(z > 0, "a", "b"),
            "region": np.where(other > 0, "x", "y"),
        }
    )
    assert low <= association(table, "ph", "redox_mv") <= high
    assert low <= association(table, "soil_class", "region") <= high
    assert association(table, "ph", "region") >= 0.8 * low
