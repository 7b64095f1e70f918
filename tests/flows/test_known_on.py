"""The past asked for: the run that would have been made then, to the last number."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import RequestError
from pipeline.intake.load import load
from pipeline.known_on import run_known_on
from pipeline.settings import Settings
from pipeline.stages import run_fleet
from pipeline.store import Store
from tests.flows.small_fleets import published, read_yearly, rodfleet, rods

THEN, NOW = date(2026, 1, 31), date(2026, 3, 31)


def silent(_: str) -> None:
    return None


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, pl.DataFrame]]:
    """Load and run on one day; on a later one correct a reading and a rod, add a visit, settle a row."""
    fleet = tmp_path_factory.mktemp("fleet")
    small = read_yearly(rods(8, 3), 2012, 2024)
    spoilt = small.tables["readings"][5]["resistance_ohm"]
    small.tables["readings"][5]["resistance_ohm"] = "see note"
    settings = Settings.load(fleet)
    with Store.open(settings.store_path) as store:
        load(store, [small.write(fleet)], THEN, silent)
    run_fleet(fleet, settings, as_of=None, say=silent, today=THEN)
    before = published(fleet)
    first, sixth = small.tables["readings"][0], small.tables["readings"][5]
    later = [
        {**first, "resistance_ohm": 400.0, "corrects": True},
        {**sixth, "resistance_ohm": spoilt, "corrects": None},
        {**first, "taken_at": date(2025, 6, 1), "resistance_ohm": 55.0, "corrects": None},
    ]
    small.tables["readings"] = later
    small.tables["electrodes"][3]["installed_on"] = date(1999, 1, 1)
    with Store.open(settings.store_path) as store:
        load(store, [small.write(fleet)], NOW, silent)
    return fleet, before


def test_the_run_of_then_is_made_again_to_the_last_number(
    told: tuple[Path, dict[str, pl.DataFrame]],
) -> None:
    fleet, before = told
    store = fleet / "store.duckdb"
    size = store.stat().st_mtime_ns
    done = run_known_on(fleet, Settings.load(fleet), THEN, as_of=None, say=silent, today=NOW)
    again = {
        p.stem: pl.read_parquet(p) for p in (fleet / "out/known_on/2026-01-31/current").glob("*.parquet")
    }
    assert set(again) == set(before)
    for name, table in before.items():
        assert table.equals(again[name]), name
    assert "end of 2026-01-31" in done.lines[-1]
    assert store.stat().st_mtime_ns == size
    assert not list((fleet / "out/known_on/2026-01-31").glob("*.duckdb*"))
    assert published(fleet)["electrode_outlook"].equals(before["electrode_outlook"])


def test_the_run_of_now_is_another(told: tuple[Path, dict[str, pl.DataFrame]]) -> None:
    fleet, before = told
    with Store.open(fleet / "store.duckdb", read_only=True) as store:
        now = store.table("core_readings")
        store.look_back(pl.Series([THEN]).cast(pl.Datetime("us")).dt.offset_by("1d")[0])
        assert store.table("core_readings").height == before["reading_verdicts"].height
    assert now.height == before["reading_verdicts"].height + 2
    assert now["taken_at"].max().year == 2025


def test_a_day_to_come_is_refused(told: tuple[Path, dict[str, pl.DataFrame]]) -> None:
    fleet, _ = told
    with pytest.raises(RequestError, match="lies ahead"):
        run_known_on(fleet, Settings.load(fleet), date(2026, 4, 1), as_of=None, say=silent, today=NOW)
    asked = rodfleet(fleet, "run", "--known-on", "2999-01-01")
    assert asked.exit_code == 2
    assert "lies after today" in asked.output
