"""Names and lives through the whole line: aliases, sites renamed and merged, a rod under its old number."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.intake.load import load
from pipeline.known_on import run_known_on
from pipeline.settings import Settings
from pipeline.stages import run_fleet
from pipeline.store import Store
from tests.flows.small_fleets import SmallFleet, one_sentence, published, read_yearly, rodfleet, rods

THEN, NOW = date(2026, 1, 31), date(2026, 3, 31)
REPLACED_ON = date(2018, 1, 15)


def silent(_: str) -> None:
    return None


def _fleet() -> SmallFleet:
    """Eight sites read yearly; S01-1 rises and is back at its first level when it is replaced, unrecorded."""
    fleet = read_yearly(rods(8, 3), 2008, 2024)
    for row in fleet.tables["readings"]:
        year = row["taken_at"].year
        if row["well_id"] == "S01-W1" and 2011 < year < 2018:
            row["resistance_ohm"] = round(row["resistance_ohm"] * 1.28 ** (year - 2011), 2)
        if row["well_id"] == "S02-W2" and year >= 2020:
            row["well_id"] = "Fen S02, well 2"
    return fleet


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, pl.DataFrame]]:
    """Load and run what is known on one day, then load names and a job of a later one, and run again."""
    folder = tmp_path_factory.mktemp("fleet")
    settings = Settings.load(folder)
    with Store.open(settings.store_path) as store:
        load(store, [_fleet().write(folder)], THEN, silent)
    run_fleet(folder, settings, as_of=None, say=silent, today=THEN)
    before = published(folder)
    later = SmallFleet(
        {
            "sites": [{"site_id": "N3", "site_name": "Fen S03 new"}],
            "aliases": [
                {"kind": "site", "alias": "S03", "means": "N3"},  # renamed
                {"kind": "site", "alias": "S05", "means": "S04"},  # merged
                {"kind": "well", "alias": "Fen S02, well 2", "means": "S02-W2"},
            ],
            "works": [
                {"site_id": "S01", "electrode_id": "S01-1", "done_on": REPLACED_ON, "work": "replaced"},
            ],
        }
    )
    with Store.open(settings.store_path) as store:
        load(store, [later.write(folder / "later")], NOW, silent)
        load(store, [folder / "field"], NOW, silent)
        assert [c.name for c in store.checks() if not c.passed] == []
    run_fleet(folder, settings, as_of=None, say=silent, today=NOW)
    return folder, before


def test_sites_are_renamed_and_merged_and_the_readings_go_with_them(
    told: tuple[Path, dict[str, pl.DataFrame]],
) -> None:
    folder, before = told
    now = published(folder)
    sites = dict(now["site_outlook"].select("site_id", "wells").iter_rows())
    assert not {"S03", "S05"} & set(sites)
    assert (sites["N3"], sites["S04"]) == (3, 6)
    read = dict(now["sites"].select("site_id", "readings").iter_rows())
    was = dict(before["sites"].select("site_id", "readings").iter_rows())
    assert read["N3"] == was["S03"]
    assert read["S04"] == was["S04"] + was["S05"]
    assert read["S02"] == was["S02"] + 5  # the rows that waited for the well's name


def test_a_split_rod_has_two_lives_and_the_second_starts_anew(
    told: tuple[Path, dict[str, pl.DataFrame]],
) -> None:
    now = published(told[0])
    lives = (
        now["electrode_lives"].filter(pl.col("electrode_id").str.starts_with("S01-1")).sort("electrode_id")
    )
    assert lives.select("electrode_id", "retired_on", "in_service").rows() == [
        ("S01-1", REPLACED_ON, False),
        ("S01-1~2", None, True),
    ]
    assert "S01-1" not in now["electrode_outlook"]["electrode_id"]
    first, second = lives["ratio_now"]
    assert first > 2.0
    assert second < 1.5
    assert lives["readings_used"].to_list() == [10, 7]
    curve = now["electrode_curves"].filter(pl.col("electrode_id") == "S01-1~2")
    assert curve["on_date"].min() >= REPLACED_ON
    explained = rodfleet(told[0], "explain", "S01-1~2")
    assert explained.exit_code == 0, explained.output
    assert str(REPLACED_ON) in explained.output


def test_the_run_of_then_knows_nothing_of_the_names_of_now(
    told: tuple[Path, dict[str, pl.DataFrame]],
) -> None:
    folder, before = told
    run_known_on(folder, Settings.load(folder), THEN, as_of=None, say=silent, today=NOW)
    then = folder / "out/known_on/2026-01-31/current"
    for name, table in before.items():
        assert table.equals(pl.read_parquet(then / f"{name}.parquet")), name


def test_names_are_proposed_accepted_and_turned_down(tmp_path: Path) -> None:
    _fleet().write(tmp_path)
    assert rodfleet(tmp_path, "load", tmp_path / "field").exit_code == 0
    assert "look at the proposals first" in one_sentence(
        rodfleet(tmp_path, "names", "--accept", "1", "--by", "A"), 2
    )
    listed = rodfleet(tmp_path, "names")
    assert listed.exit_code == 0, listed.output
    lines = listed.output.splitlines()
    name = next(line for line in lines if "'Fen S02, well 2' means S02-W2 (5 rows wait)" in line)
    rod = next(line for line in lines if "S01-1 was replaced about" in line)
    assert min(float(name.split()[1]), float(rod.split()[1])) > 0.8
    assert one_sentence(rodfleet(tmp_path, "names", "--accept", "1"), 2).startswith("Error: Say who decides")
    assert "no proposal 99" in one_sentence(rodfleet(tmp_path, "names", "--accept", "99", "--by", "A"), 2)
    wrote = rodfleet(tmp_path, "names", "--write", tmp_path / "to_correct")
    assert wrote.exit_code == 0, wrote.output
    aliases = pl.read_csv(tmp_path / "to_correct" / "aliases.csv")
    assert {"score", "why", "rows_waiting"} < set(aliases.columns)
    words = ("--accept", name.split()[0], "--reject", rod.split()[0], "--by", "The analyst")
    done = rodfleet(tmp_path, "names", *words)
    assert done.exit_code == 0, done.output
    assert "5 refused rows are loaded again" in done.output
    with Store.open(tmp_path / "store.duckdb", read_only=True) as store:
        assert store.table("core_refused").filter(~pl.col("settled")).is_empty()
        assert store.table("core_readings").height == 8 * 3 * 17
        assert store.table("core_aliases")["decided_by"].to_list() == ["The analyst"]
        assert store.table("core_works").select("electrode_id", "work").rows() == [("S01-1", "other")]
    again = rodfleet(tmp_path, "names").output
    assert "Fen S02, well 2" not in again
    assert "S01-1 was replaced" not in again
    same = rodfleet(tmp_path, "load", tmp_path / "field")
    assert same.exit_code == 0, same.output
    with Store.open(tmp_path / "store.duckdb", read_only=True) as store:
        assert store.table("core_readings").height == 8 * 3 * 17


def test_rows_that_waited_come_in_where_the_aliases_came_as_a_file(tmp_path: Path) -> None:
    _fleet().write(tmp_path)
    assert rodfleet(tmp_path, "load", tmp_path / "field").exit_code == 0
    assert "No refused row waits" in rodfleet(tmp_path, "names", "--retake").output
    text = 'kind,alias,means\nwell,"Fen S02, well 2",S02-W2\n'
    (tmp_path / "aliases.csv").write_text(text, encoding="utf-8")
    assert rodfleet(tmp_path, "load", tmp_path / "aliases.csv").exit_code == 0
    assert "5 refused rows have names that are known by now" in rodfleet(tmp_path, "names").output
    assert rodfleet(tmp_path, "names", "--retake").exit_code == 0
    with Store.open(tmp_path / "store.duckdb", read_only=True) as store:
        assert store.table("core_refused").filter(~pl.col("settled")).is_empty()
