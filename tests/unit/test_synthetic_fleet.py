"""The fleet in memory: its size, its shares, and what each mechanism switches on."""

import numpy as np
import polars as pl
import pytest

from synthetic_fleet.fleet import Simulated, simulate
from synthetic_fleet.world import AS_OF


@pytest.fixture(scope="module")
def field() -> Simulated:
    return simulate(300, seed=1)


def _ages(fleet: Simulated) -> pl.DataFrame:
    """Return each read electrode with the ages of its first and last reading and its crossing."""
    return (
        fleet.tables["readings"]
        .join(fleet.tables["electrodes"].select("electrode_id", "installed_on"), on="electrode_id")
        .with_columns(age=(pl.col("taken_at").dt.date() - pl.col("installed_on")).dt.total_days() / 365.25)
        .filter(pl.col("age") > 0)
        .group_by("electrode_id")
        .agg(
            pl.col("age").min().alias("first"), pl.col("age").max().alias("last"), pl.len().alias("readings")
        )
        .join(fleet.truth, on="electrode_id")
    )


def test_same_seed_same_fleet_other_seed_another() -> None:
    one, same, other = simulate(12, seed=7), simulate(12, seed=7), simulate(12, seed=8)
    for name, table in one.tables.items():
        assert table.equals(same.tables[name]), name
    assert one.truth.equals(same.truth)
    assert one.mistakes.equals(same.mistakes)
    assert not one.tables["readings"].equals(other.tables["readings"])


def test_size_and_ids(field: Simulated) -> None:
    sites, electrodes, readings = (field.tables[t] for t in ("sites", "electrodes", "readings"))
    assert sites.height == 300
    assert sites["site_id"].is_unique().all()
    assert sites.select("region", "site_name").is_unique().all()
    assert electrodes.height >= 2500
    assert electrodes["electrode_id"].is_unique().all()
    assert set(field.truth["electrode_id"]) == set(electrodes["electrode_id"])
    assert set(electrodes["site_id"]) == set(sites["site_id"])
    wells = electrodes.group_by("site_id").agg(pl.col("well_id").n_unique())["well_id"]
    assert wells.min() >= 5
    assert wells.max() <= 14
    assert sites["rod_count"].is_between(12, 60).all()
    assert readings["taken_at"].max().date() <= AS_OF.item()
    assert readings.height > 25_000


def test_shares_lie_where_a_real_fleet_s_would(field: Simulated) -> None:
    ages = _ages(field)
    crossed = (ages["crossing_age"] <= ages["last"]).mean()
    assert 0.2 <= crossed <= 0.5
    assert (ages["crossing_age"] <= ages["first"]).mean() > 0.08
    electrodes, readings = field.tables["electrodes"], field.tables["readings"]
    assert 0.25 <= electrodes["baseline_ohm"].is_not_null().mean() <= 0.38
    assert electrodes["baseline_tied_in"].drop_nulls().mean() == pytest.approx(0.75, abs=0.05)
    surveyed = field.tables["soil_surveys"]["site_id"].n_unique() / 300
    assert 0.88 <= surveyed <= 0.96
    assert field.reading_truth["wild"].mean() == pytest.approx(0.01, abs=0.003)
    assert 0.005 <= (readings["range_mark"] == "over").sum() / readings.height <= 0.04
    assert (readings["range_mark"] == "under").sum() > 0
    assert ages["readings"].median() >= 10


def test_soils_differ_strongly(field: Simulated) -> None:
    medians = dict(field.truth.group_by("soil_class").agg(pl.col("crossing_age").median()).iter_rows())
    assert len(medians) == 6
    assert 7 <= medians["saline marsh silt"] <= 11
    assert 15 <= medians["stiff clay"] <= 25
    assert medians["dry dune sand"] >= 50


def test_currents_are_small_save_at_a_few_sites(field: Simulated) -> None:
    amps = field.tables["readings"].drop_nulls("current_a")
    assert (amps["current_a"] < 1).mean() > 0.98
    assert amps["current_a"].median() < 0.2
    dangerous = amps.filter(pl.col("current_a") >= 10)
    assert 2 <= dangerous["site_id"].n_unique() <= 8
    assert amps["current_a"].max() <= 30


def test_renewals_leave_a_retired_rod_and_its_successor_in_the_well(field: Simulated) -> None:
    electrodes = field.tables["electrodes"]
    retired = electrodes.filter(pl.col("retired_on").is_not_null())
    successors = electrodes.join(
        retired.select("well_id", pl.col("retired_on").alias("installed_on")), on=["well_id", "installed_on"]
    )
    assert retired.height > 50
    assert successors.height == retired.height
    late = field.tables["readings"].join(retired, on="electrode_id")
    planted = late["taken_at"].dt.date() > late["retired_on"]
    assert not planted.any()
    replaced = field.tables["works"].filter(pl.col("work") == "replaced")
    assert set(replaced["electrode_id"]) == set(retired["electrode_id"])


def test_suspects_are_visited_again_after_the_round_and_renewed_first(field: Simulated) -> None:
    again = field.tables["readings"].filter(pl.col("visit_reason") == "follow_up")
    round_days = field.tables["readings"].filter(pl.col("visit_reason") == "routine")
    keys = ["electrode_id", "taken_at"]
    assert again.height > 500
    assert again.join(round_days, on=keys).filter(pl.col("corrects").not_()).height == 0
    truth = field.truth.with_columns(past=pl.col("ratio_now") >= 2)
    visited = truth.join(again.select("electrode_id").unique(), on="electrode_id")
    assert visited["past"].mean() > 1.3 * truth["past"].mean()
    renewed = truth.filter(pl.col("past_now").is_null())
    assert renewed["past"].mean() > 1.3 * truth["past"].mean()


def test_visits_have_the_spread_that_the_mechanism_says(field: Simulated) -> None:
    visits = field.reading_truth.with_columns(site=pl.col("true_electrode_id").str.slice(0, 7)).unique(
        ["site", "true_taken_on"], maintain_order=True
    )
    # A site's visits: 0.08 of its own and 0.06 of its district's year.
    assert visits["visit_log"].std() == pytest.approx(np.hypot(0.08, 0.06), rel=0.12)
    assert visits["season_log"].abs().max() < 0.35
    clean = simulate(30, seed=1, mechanism="clean").reading_truth
    assert (clean["visit_log"] == 0).all()
    assert not clean["wild"].any()


def test_few_readings_each_where_the_fleet_is_sparse() -> None:
    fleet = simulate(60, seed=3, mechanism="sparse", mistakes=False)
    days = fleet.tables["readings"].group_by("electrode_id").agg(pl.col("taken_at").dt.date().n_unique())
    assert days["taken_at"].max() <= 4
    assert days["taken_at"].median() >= 2


def test_breaks_are_prominent_where_they_should_be() -> None:
    field, breaks = simulate(60, seed=3).truth, simulate(60, seed=3, mechanism="breaks").truth
    by_now = [(t["break_age"] <= t["age_now"]).mean() for t in (field, breaks)]
    assert by_now[1] > 2 * by_now[0] > 0
    assert simulate(20, seed=3, mechanism="clean").truth["break_age"].is_infinite().all()


@pytest.mark.parametrize("sites", [1, 2, 7])
def test_small_fleets_are_whole(sites: int) -> None:
    fleet = simulate(sites, seed=1)
    assert fleet.tables["sites"].height == sites
    assert fleet.tables["soil_surveys"].height >= 1
    assert fleet.tables["readings"].height > 10


def test_a_fleet_without_a_site_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one site"):
        simulate(0)
