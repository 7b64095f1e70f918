"""Groups of like ground: found where they are, said to be one where there are none, named for good."""

from __future__ import annotations

import numpy as np
import polars as pl
from sklearn.metrics import adjusted_rand_score

from models.soil_groups import STABLE, group_sites


def ground(
    rng: np.random.Generator, centres: list[tuple[float, float]], each: int, gaps: float = 0.0
) -> pl.DataFrame:
    """Give sites round centres of (log resistivity, pH), some cells empty."""
    log_rho, ph = (
        np.repeat([c[k] for c in centres], each) + rng.normal(0, 0.3, each * len(centres)) for k in (0, 1)
    )
    chloride = np.exp(5 - log_rho + rng.normal(0, 0.3, log_rho.size))
    frame = pl.DataFrame(
        {
            "site_id": [f"s{k:03d}" for k in range(log_rho.size)],
            "resistivity_ohm_m": np.exp(log_rho),
            "ph": ph,
            "chloride_ppm": chloride,
            "drainage": "good",
        }
    )
    empty = pl.Series(rng.random(frame.height) < gaps)
    return frame.with_columns(pl.when(empty).then(None).otherwise("ph").alias("ph"))


def test_three_grounds_are_found_and_named_from_the_most_conductive_on() -> None:
    rng = np.random.default_rng(4)
    sites = ground(rng, [(5.5, 7.0), (2.0, 8.0), (4.0, 4.5)], 40, gaps=0.1)
    found = group_sites(sites, np.random.default_rng(1))
    assert found is not None
    assert found.groups["soil_class"].to_list() == ["ground A", "ground B", "ground C"]
    assert found.groups["resistivity_ohm_m"].is_sorted()
    assert adjusted_rand_score(np.repeat([2, 0, 1], 40), found.sites["soil_class"]) > 0.9
    assert found.stability > STABLE
    assert (found.groups["stability"] > 0.75).all()
    assert "drainage" not in found.properties  # the same everywhere


def test_one_ground_is_one_class() -> None:
    found = group_sites(ground(np.random.default_rng(5), [(4.0, 7.0)], 120), np.random.default_rng(1))
    assert found is not None
    assert found.groups["soil_class"].to_list() == ["ground A"]
    assert "no groups" in found.sentence


def test_the_same_sites_in_another_order_give_the_same_groups() -> None:
    sites = ground(np.random.default_rng(6), [(5.0, 7.0), (2.0, 8.0)], 40)
    one = group_sites(sites, np.random.default_rng(1))
    other = group_sites(sites.sample(fraction=1.0, shuffle=True, seed=2), np.random.default_rng(1))
    assert one is not None
    assert other is not None
    assert one.sites.equals(other.sites)


def test_too_few_surveyed_sites_stay_unclassed() -> None:
    assert group_sites(ground(np.random.default_rng(7), [(5.0, 7.0)], 20), np.random.default_rng(1)) is None
    bare = pl.DataFrame(
        {
            "site_id": [f"s{k}" for k in range(60)],
            "resistivity_ohm_m": pl.Series([None] * 60, dtype=pl.Float64),
        }
    )
    assert group_sites(bare, np.random.default_rng(1)) is None
