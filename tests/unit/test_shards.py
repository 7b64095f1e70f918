"""Shards: cut by the data, complete, and the same tables whoever works on them and in whatever pieces."""

import shutil
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.calibration import Calibration, first_guess
from models.covariates import GROUND_COLUMNS, Standards
from models.history_frames import build_histories
from models.soil import site_resistivity
from pipeline.engine import RunShards, shards_in_turn, shards_over_threads
from pipeline.errors import StoreError
from pipeline.fleet_inputs import known_electrodes
from pipeline.run_tables import columns_of
from pipeline.settings import Settings
from pipeline.shards import Spool, cut_in_shards, fit_shards, lay_out, lives_of, read_shard, spool_folder
from pipeline.store import Store
from tests.benchmarks.continent import into_store

AS_OF, HORIZONS = date(2025, 1, 1), (1, 5)
ELECTRODES, SIZE = 120, 35


@dataclass(frozen=True)
class Small:
    """A small fleet in a store, its electrodes as worked out, and a calibration of the priors.

    Of surveys the calibration has learnt that low resistivity makes a site harsher.
    """

    store: Path
    electrodes: pl.DataFrame
    readings: pl.DataFrame
    works: pl.DataFrame
    calibration: Calibration


def known(store: Store) -> pl.DataFrame:
    sites = store.table("core_sites")
    soundings, surveys = store.table("core_soundings"), store.table("core_soil_surveys")
    resistivity = site_resistivity(soundings, surveys, sites.select("site_id"))
    soil = store.frame("soil_class_by_site")
    return known_electrodes(sites, store.table("core_electrodes"), soil, surveys, resistivity, Settings())


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Small:
    path = tmp_path_factory.mktemp("continent") / "store.duckdb"
    into_store(path, ELECTRODES)
    with Store.open(path) as store:
        electrodes, readings = known(store), store.table("_vetted_readings")
        works = store.table("core_works")
    h = build_histories(electrodes, readings, works, AS_OF)
    return Small(path, electrodes, readings, works, _surveyed(first_guess(h)))


def _surveyed(cal: Calibration) -> Calibration:
    P = cal.theta.size + 1
    cov = np.zeros((P, P))
    cov[-1, -1] = 0.1**2
    mean = np.full((len(cal.soils), 1), np.log(80.0))
    return replace(
        cal, theta=np.append(cal.theta, -0.6), theta_cov=cov,
        theta_names=(*cal.theta_names, "harshness_log_resistivity"),
        standards=Standards(("log_resistivity",), mean, np.array([0.3])),
    )  # fmt: skip


def _laid(small: Small, folder: Path, **how: Any) -> Spool:
    with Store.open(small.store, read_only=True) as store:
        return lay_out(store, small.electrodes, folder, AS_OF, **{"vetted": True, "size": SIZE} | how)


def _lives(small: Small, spool: Spool, out: Path, run: RunShards = shards_in_turn) -> pl.DataFrame:
    return lives_of(fit_shards(spool, small.calibration, HORIZONS, 7, out, run)).collect()


@pytest.fixture(scope="module")
def alone(small: Small, tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    folder = tmp_path_factory.mktemp("alone")
    return _lives(small, _laid(small, folder / "spool"), folder / "out")


def test_a_site_is_never_cut_and_the_cut_is_the_datas() -> None:
    rng = np.random.default_rng(3)
    site = np.repeat(np.arange(40), rng.integers(1, 9, 40))
    fleet = pl.DataFrame(
        {"site_id": [f"S{s:02d}" for s in site], "electrode_id": [f"E{k}" for k in range(site.size)]}
    )
    cut = cut_in_shards(fleet, 20)
    assert (cut.group_by("site_id").agg(pl.col("shard").n_unique())["shard"] == 1).all()
    sizes = cut.group_by("shard", maintain_order=True).len()
    assert sizes["shard"].to_list() == list(range(sizes.height))
    assert sizes["len"].max() < 20 + 9  # type: ignore[operator]
    assert (cut["shard"].diff().drop_nulls() >= 0).all()
    for _, shard in cut.group_by("shard"):
        assert shard["place"].to_list() == list(range(shard.height))
    shuffled = cut_in_shards(fleet.sample(fraction=1.0, shuffle=True, seed=4), 20)
    assert_frame_equal(cut, shuffled.select(cut.columns))


def test_the_shards_hold_every_electrode_and_reading_once(small: Small, tmp_path: Path) -> None:
    spool = _laid(small, tmp_path / "spool")
    assert spool.shards == 4
    both = [read_shard(spool, k) for k in range(spool.shards)]
    assert_frame_equal(pl.concat([e for e, _ in both]), small.electrodes)
    rows = pl.concat([r for _, r in both]).select(small.readings.columns)
    assert_frame_equal(rows.sort("row_id"), small.readings.sort("row_id"))


def test_later_readings_than_the_day_stay_out(small: Small, tmp_path: Path) -> None:
    with Store.open(small.store, read_only=True) as store:
        spool = lay_out(store, small.electrodes, tmp_path / "spool", date(2015, 1, 1), vetted=True)
    _, rows = read_shard(spool, 0)
    assert rows["taken_at"].max() < pl.Series([date(2015, 1, 2)]).cast(pl.Datetime)[0]
    assert rows.height == small.readings.filter(pl.col("taken_at") < date(2015, 1, 2)).height


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_the_same_tables_at_any_count_of_workers(
    small: Small, alone: pl.DataFrame, tmp_path: Path, workers: int
) -> None:
    lives = _lives(small, _laid(small, tmp_path / "spool"), tmp_path / "out", shards_over_threads(workers))
    assert_frame_equal(lives, alone, check_exact=True)


def test_what_comes_out_is_a_row_of_every_electrode_as_declared(small: Small, alone: pl.DataFrame) -> None:
    assert alone["electrode_id"].to_list() == small.electrodes["electrode_id"].to_list()
    assert {c: alone.schema[c] for c in columns_of("electrode_lives", HORIZONS)} == columns_of(
        "electrode_lives", HORIZONS
    )
    assert (alone["readings_used"] >= 13).all()
    assert alone["last_taken_on"].null_count() == 0


def test_the_pieces_change_nothing_but_rounding(small: Small, alone: pl.DataFrame, tmp_path: Path) -> None:
    whole = _lives(small, _laid(small, tmp_path / "spool", size=10_000), tmp_path / "out")
    # The grid's masses are single precision: chances part by some 3e-7. A quantile where the distribution is
    # flat magnifies that, the 95 % one to some 2e-5 of the age.
    ages = pl.selectors.starts_with("crossing_age_")
    assert_frame_equal(whole.select(~ages), alone.select(~ages), rel_tol=2e-6, abs_tol=2e-6)
    assert_frame_equal(whole.select(ages), alone.select(ages), rel_tol=1e-4, abs_tol=1e-5)


def test_what_surveys_say_of_a_site_goes_with_its_shard(
    small: Small, alone: pl.DataFrame, tmp_path: Path
) -> None:
    bare = replace(small, electrodes=small.electrodes.drop(GROUND_COLUMNS))
    without = _lives(bare, _laid(bare, tmp_path / "spool"), tmp_path / "out")
    ground = dict(small.electrodes.select("electrode_id", "ground_log_resistivity").iter_rows())
    moved = (alone["p_past_5y"] - without["p_past_5y"]).to_numpy()
    spreads = np.array([ground[e] for e in alone["electrode_id"]]) - np.log(80.0)
    assert np.abs(moved).max() > 0.01
    assert np.corrcoef(moved, -spreads)[0, 1] > 0.4


def test_readings_in_parquet_files_give_the_same(small: Small, alone: pl.DataFrame, tmp_path: Path) -> None:
    for name, part in (("north", small.readings[::2]), ("south", small.readings[1::2])):
        (tmp_path / f"region={name}").mkdir()
        part.write_parquet(tmp_path / f"region={name}/readings.parquet")
    spool = _laid(small, tmp_path / "spool", readings=str(tmp_path / "region=*/*.parquet"))
    assert_frame_equal(_lives(small, spool, tmp_path / "out"), alone, check_exact=True)


def test_readings_that_are_not_vetted_yet_are_vetted_by_the_shard(small: Small, tmp_path: Path) -> None:
    raw = small.readings.drop("verdict", "sd_extra_log").with_columns(
        pl.when(pl.col("row_id") == 0).then(-1.0).otherwise("resistance_ohm").alias("resistance_ohm")
    )
    raw.write_parquet(tmp_path / "readings.parquet")
    spool = _laid(small, tmp_path / "spool", readings=str(tmp_path / "readings.parquet"))
    _, rows = read_shard(spool, 0)
    assert rows.filter(pl.col("row_id") == 0)["verdict"].item() == "set_aside"
    assert (rows["sd_extra_log"] > 0.0).all()


def test_a_shard_without_readings_is_forecast_from_what_the_fleet_knows(small: Small, tmp_path: Path) -> None:
    spool = _laid(small, tmp_path / "spool")
    shutil.rmtree(spool.folder / "readings" / "shard=1")
    lives = _lives(small, spool, tmp_path / "out")
    bare = lives.filter(pl.col("readings_used") == 0)
    assert bare.height == 30
    assert set(bare["state"]) == {"too_few_readings"}
    assert lives.height == ELECTRODES


def test_a_shards_file_appears_whole_or_not_at_all(
    small: Small, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def half(_: pl.DataFrame, path: Path, **__: Any) -> None:
        path.write_bytes(b"half")
        raise OSError("the disk is full")

    spool = _laid(small, tmp_path / "spool")
    monkeypatch.setattr(pl.DataFrame, "write_parquet", half)
    with pytest.raises(OSError, match="disk is full"):
        _lives(small, spool, tmp_path / "out")
    assert list((tmp_path / "out").glob("*.parquet")) == []


def test_an_object_store_needs_its_extension_installed(small: Small, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="httpfs"):
        _laid(small, tmp_path / "spool", readings="s3://somewhere/readings/*.parquet")


def test_the_spool_is_gone_afterwards(tmp_path: Path) -> None:
    with spool_folder(tmp_path / "out") as folder:
        (folder / "x").write_text("x", encoding="utf-8")
    assert list((tmp_path / "out").iterdir()) == []
