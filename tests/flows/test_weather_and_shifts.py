"""Weather and unexplained shifts of a site, from field files to pages: taken off, and asked about."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.history_frames import build_histories
from pipeline.fleet_inputs import gather, vetted_readings
from pipeline.inference import histories_of
from pipeline.settings import Settings
from pipeline.store import Store
from tests.flows.small_fleets import SmallFleet, facts, loaded_and_run, published, read_yearly, rodfleet, rods

FROZEN_TIMES = 1.6  # a reading on frozen topsoil, over one that is not
MOVED_TIMES = 1.5
_FIRST, _LAST = 2008, 2024


def _is_frozen(site: str, year: int) -> bool:
    return (7 * int(site[1:]) + 3 * year) % 5 < 2


def _winter_fleet(weather: bool) -> SmallFleet:
    """Six sites read each January; the ground is frozen at some of them, at others in another year."""
    fleet = read_yearly(rods(6, 2, region="Northmoor"), _FIRST, _LAST)
    for row in fleet.tables["readings"]:
        site, year = row["well_id"][:3], row["taken_at"].year
        row["taken_at"] = date(year, 1, 10 + int(site[1:]))
        if _is_frozen(site, year):
            row["resistance_ohm"] = round(row["resistance_ohm"] * FROZEN_TIMES, 2)
    if weather:
        fleet.tables["weather"] = [
            {"site_id": s["site_id"], "month": f"{y}-01", "soil_temp_c": -3.0 if frozen else 3.0}
            for s in fleet.tables["sites"]
            for y in range(_FIRST, _LAST + 1)
            for frozen in [_is_frozen(s["site_id"], y)]
        ]
    return fleet


def _frozen_over_not(folder: Path, column: str) -> float:
    """Return the frozen readings' mean over the others', of a column of the verdicts."""
    rows = published(folder)["reading_verdicts"].filter(pl.col(column).is_not_null())
    mean = {True: [], False: []}  # type: dict[bool, list[float]]
    for site, at, value in rows.select("site_id", "taken_at", column).iter_rows():
        mean[_is_frozen(site, at.year)].append(value)
    return float(np.mean(mean[True]) / np.mean(mean[False]))


def test_frozen_ground_is_taken_off_where_the_weather_is_known(tmp_path: Path) -> None:
    known, not_known = tmp_path / "known", tmp_path / "not_known"
    loaded_and_run(_winter_fleet(weather=True), known)
    loaded_and_run(_winter_fleet(weather=False), not_known)
    with_it, without = facts(known)["calibration"], facts(not_known)["calibration"]
    assert with_it["season_frozen"] == pytest.approx(np.log(FROZEN_TIMES), abs=0.06)
    assert "season_frozen" not in without
    assert _frozen_over_not(known, "resistance_ohm") == pytest.approx(FROZEN_TIMES, rel=0.05)
    assert _frozen_over_not(known, "season_factor") == pytest.approx(FROZEN_TIMES, rel=0.05)
    assert _frozen_over_not(not_known, "season_factor") == pytest.approx(1.0, abs=0.01)
    assert without["visit_sd"] > 2 * with_it["visit_sd"]
    _explained_with_the_same_season(known, "S01-1")
    _no_weather_leaves_the_histories_alone(not_known)


def _explained_with_the_same_season(folder: Path, electrode_id: str) -> None:
    told = rodfleet(folder, "explain", electrode_id, "--json")
    assert told.exit_code == 0, told.output
    anew = {row["row_id"]: row["season_factor"] for row in json.loads(told.output)["readings"]}
    rows = published(folder)["reading_verdicts"].filter(pl.col("electrode_id") == electrode_id)
    assert anew == pytest.approx(dict(rows.select("row_id", "season_factor").iter_rows()))


def _no_weather_leaves_the_histories_alone(folder: Path) -> None:
    settings = Settings.load(folder)
    with Store.open(settings.store_path, read_only=True) as store:
        inputs = gather(store, settings, None, date.today())
    verdicts = vetted_readings(inputs)
    plain = vars(build_histories(inputs.electrodes, verdicts, inputs.works, inputs.as_of))
    got = vars(histories_of(inputs, verdicts))
    assert got["weather"] is None
    for name, value in plain.items():
        np.testing.assert_array_equal(got[name], value)


def test_weather_after_the_day_of_the_outlook_is_not_known_yet(tmp_path: Path) -> None:
    fleet = _winter_fleet(weather=True)
    assert rodfleet(tmp_path, "load", fleet.write(tmp_path)).exit_code == 0
    settings = Settings.load(tmp_path)
    with Store.open(settings.store_path, read_only=True) as store:
        months = gather(store, settings, date(2015, 6, 1), date.today()).weather["month"]
    assert months.max() == date(2015, 1, 1)
    assert months.len() == 6 * 8


def test_an_outlook_by_shards_says_that_weather_did_not_enter_and_where_it_lies(tmp_path: Path) -> None:
    fleet = _winter_fleet(weather=True)
    assert rodfleet(tmp_path, "load", fleet.write(tmp_path)).exit_code == 0
    done = rodfleet(tmp_path, "outlook", "--as-of", "2020-06-30")
    assert done.exit_code == 0, done.output
    assert "Weather and soil temperatures did not enter, as they do in a run." in done.output
    path = tmp_path / "out/large/electrode_outlook.parquet"
    assert f"The outlook: {path}" in done.output
    rows = pl.read_parquet(path)
    assert (rows.height, rows["as_of"].unique().to_list()) == (12, [date(2020, 6, 30)])


def _moved_fleet(**work: Any) -> SmallFleet:
    """Six sites of four wells; all wells of the second read half as much again from 2016 on."""
    fleet = read_yearly(rods(6, 4), _FIRST, _LAST)
    for row in fleet.tables["readings"]:
        if row["well_id"].startswith("S02") and row["taken_at"].year >= 2016:
            row["resistance_ohm"] = round(row["resistance_ohm"] * MOVED_TIMES, 2)
    if work:
        fleet.tables["works"] = [{"site_id": "S02", "done_on": date(2015, 10, 1), **work}]
    return fleet


def test_a_site_that_moved_is_asked_about_unless_the_works_say_why(tmp_path: Path) -> None:
    silent, explained = tmp_path / "silent", tmp_path / "explained"
    said = loaded_and_run(_moved_fleet(), silent)
    (shift,) = facts(silent)["lasting_shifts"]
    assert (shift["site_id"], shift["after"][:4], shift["by"][:4]) == ("S02", "2015", "2016")
    assert shift["change_pct"] == pytest.approx(100 * (MOVED_TIMES - 1), abs=12)
    assert shift["sentence"] in facts(silent)["warnings"]
    assert f"Note: {shift['sentence']}" in said
    pages = {p.stem: p.read_text(encoding="utf-8") for p in (silent / "out/current/sites").glob("*.html")}
    assert [name for name, text in pages.items() if shift["sentence"] in text] == ["S02"]
    assert published(silent)["attend_first"].is_empty()
    loaded_and_run(_moved_fleet(work="network_changed"), explained)
    assert facts(explained)["lasting_shifts"] == []
    assert not any("ask what was changed" in w for w in facts(explained)["warnings"])
