"""The outlook by shards, from what is loaded: what a whole run says under the same calibration."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import shards
from pipeline.calibrations import kept_calibrations
from pipeline.errors import WorkError
from pipeline.large_fleet import OUTLOOK, large_outlook
from pipeline.run_tables import columns_of
from pipeline.settings import Settings
from pipeline.stages import run_fleet
from pipeline.store import Store
from tests.flows.small_fleets import published, read_yearly, rodfleet, rods

# Levels and baselines are medians of draws: a run of the whole fleet draws others.
_DRAWN = {"baseline_ohm": 0.05, "baseline_sd_log": 0.4, "level_ohm": 0.05, "ratio_now": 0.1}


def _load(folder: Path, sites: int, last: int = 2024) -> None:
    fleet = read_yearly(rods(sites, 3), 2010, last, growth_per_year=0.02)
    for k, row in enumerate(fleet.tables["readings"]):
        row["method"] = "fall_of_potential" if k == 7 else "clamp_on"  # the one is set aside
    assert rodfleet(folder, "load", fleet.write(folder)).exit_code == 0


def _outlook(folder: Path, asked: str = "latest", as_of: date | None = None) -> tuple[pl.DataFrame, str]:
    settings = Settings.load(folder)
    done = large_outlook(folder, settings, as_of=as_of, say=lambda _: None, calibration=asked)
    assert done.ok
    return pl.read_parquet(settings.output_folder / "large" / OUTLOOK), " ".join(done.lines)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    fleet = tmp_path_factory.mktemp("large")
    _load(fleet, 6)
    return fleet


@pytest.fixture(autouse=True)
def _small_shards(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shards.cut_in_shards, "__defaults__", (7,))
    monkeypatch.setattr(shards.lay_out, "__defaults__", (None, False, 7))


def test_the_shards_say_what_a_whole_run_says_under_the_same_calibration(folder: Path) -> None:
    by_shards, said = _outlook(folder)
    assert "Calibration c1 was fitted anew: none is kept yet." in said
    settings = Settings.load(folder)
    assert run_fleet(folder, settings, as_of=None, say=lambda _: None, calibration="c1").ok
    whole = published(folder)["electrode_outlook"]
    assert set(columns_of("electrode_outlook", settings.horizons_years)) <= set(by_shards.columns)
    drawn = list(_DRAWN)
    same = whole.select(by_shards.columns)
    assert_frame_equal(by_shards.drop(drawn), same.drop(drawn), rel_tol=1e-3, abs_tol=1e-3)
    for column, within in _DRAWN.items():
        assert by_shards[column].to_list() == pytest.approx(same[column].to_list(), rel=within)


def test_a_second_pass_is_made_under_the_kept_calibration_and_gives_the_same(folder: Path) -> None:
    _outlook(folder)
    first, said = _outlook(folder)
    assert "Calibration c1: fitted 0 days before, and it still holds." in said
    again, _ = _outlook(folder)
    assert_frame_equal(first, again, check_exact=True)
    assert list((folder / "out/large").iterdir()) == [folder / "out/large" / OUTLOOK]


def test_vetted_readings_are_kept_until_something_is_loaded(folder: Path) -> None:
    _outlook(folder)
    path = Settings.load(folder).store_path
    with Store.open(path) as store:
        before = store.table("_vetted_readings")
        assert store.frame("vetted_is_current", until=date(2024, 1, 1))["current"].item()
    assert before.height == 6 * 3 * 15
    assert before.filter(pl.col("verdict") == "set_aside").height == 1
    _load(folder, 6, 2025)
    with Store.open(path) as store:
        assert not store.frame("vetted_is_current", until=date(2024, 1, 1))["current"].item()
    later, _ = _outlook(folder)
    with Store.open(path) as store:
        assert store.table("_vetted_readings").height == 6 * 3 * 16
        assert kept_calibrations(store).height >= 1
    assert later["as_of"][0].year == 2025


def test_readings_in_parquet_files_give_the_same_and_need_no_vetting(folder: Path) -> None:
    from_store, _ = _outlook(folder, "new")
    with Store.open(Settings.load(folder).store_path) as store:
        rows = store.table("_vetted_readings")
        name = kept_calibrations(store)["name"][0]
    (folder / "lake").mkdir()
    for year, part in rows.group_by(pl.col("taken_at").dt.year()):
        part.write_parquet(folder / f"lake/readings_{year[0]}.parquet")
    (folder / "fleet.toml").write_text(f'readings_parquet = "{folder}/lake/*.parquet"\n', encoding="utf-8")
    try:
        from_files, _ = _outlook(folder, name)
    finally:
        (folder / "fleet.toml").unlink()
    assert_frame_equal(from_files, from_store, check_exact=True)


def test_an_empty_store_is_said(tmp_path: Path) -> None:
    with pytest.raises(WorkError, match="holds no site with an electrode"):
        _outlook(tmp_path)
