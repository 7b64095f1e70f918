"""Fleets at the edge, from files to pages: the run is whole, or says in one sentence why there is none."""

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from functools import cache
from pathlib import Path

import polars as pl
import pytest

from pipeline.publish import check_tables
from pipeline.settings import Settings
from tests.flows.small_fleets import (
    SmallFleet,
    facts,
    loaded_and_run,
    one_sentence,
    published,
    read_yearly,
    rodfleet,
    rods,
)

T, R, W, F, D, M = pl.String, pl.Float64, pl.Int64, pl.Boolean, pl.Date, pl.Datetime("us")


def _typed(kind: pl.DataType | type[pl.DataType], names: str) -> dict[str, pl.DataType | type[pl.DataType]]:
    return dict.fromkeys(names.split(), kind)


# The contract's columns, written down here once more: a name that the program loses must fail.
CONTRACT = {
    "electrode_outlook": _typed(T, "electrode_id site_id soil_class material ratio_basis baseline_source")
    | _typed(T, "break_state state")
    | _typed(D, "as_of")
    | _typed(W, "readings_used")
    | _typed(R, "age_years baseline_ohm baseline_sd_log level_ohm ratio_now p_past_now p_past_1y p_past_3y")
    | _typed(R, "p_past_5y p_past_10y crossing_age_p05 crossing_age_p10 crossing_age_p25 crossing_age_p50")
    | _typed(R, "crossing_age_p75 crossing_age_p90 crossing_age_p95 p_broken growth_per_year onset_age_p50")
    | _typed(F, "converged"),
    "site_outlook": _typed(T, "site_id")
    | _typed(D, "as_of")
    | _typed(W, "wells rod_count")
    | _typed(R, "expected_rods_past_now expected_rods_past_5y p_limit_now p_limit_5y years_to_limit_p10")
    | _typed(R, "years_to_limit_p50 years_to_limit_p90 site_ohm_now site_ohm_if_past_rods_lost")
    | _typed(R, "current_max_a current_sum_a")
    | _typed(F, "attend_first"),
    "site_ranking": _typed(W, "rank rank_p10 rank_p90")
    | _typed(T, "site_id site_name region reason")
    | _typed(R, "expected_benefit cost benefit_per_cost"),
    "plan": _typed(T, "site_id action") | _typed(W, "year rods") | _typed(R, "cost expected_benefit"),
    "class_curves": _typed(T, "soil_class material")
    | _typed(R, "age_years ratio_p10 ratio_p50 ratio_p90 share_past")
    | _typed(W, "electrodes"),
    "reading_verdicts": _typed(T, "electrode_id verdict reason")
    | _typed(M, "taken_at")
    | _typed(R, "resistance_ohm season_factor campaign_factor weight"),
    "attend_first": _typed(T, "site_id electrode_id finding why")
    | _typed(M, "taken_at")
    | _typed(R, "value"),
    "hypotheses": {},
    "track_record": {},
}


def _with(change: Callable[[SmallFleet], None], sites: int = 3, wells: int = 4) -> SmallFleet:
    fleet = read_yearly(rods(sites, wells), 2015, 2024)
    change(fleet)
    return fleet


def _without_readings_of_first_wells(fleet: SmallFleet) -> None:
    kept = [r for r in fleet.tables["readings"] if not r["well_id"].endswith("W1")]
    fleet.tables["readings"] = kept


def _over_range(fleet: SmallFleet) -> None:
    for row in fleet.tables["readings"]:
        row["resistance_ohm"] = ">1500"


def _without_regions(fleet: SmallFleet) -> None:
    for row in fleet.tables["sites"]:
        row |= {"region": None, "latitude": None, "longitude": None}


def _all_retired(fleet: SmallFleet) -> None:
    for row in fleet.tables["electrodes"]:
        row["retired_on"] = date(2024, 12, 1)


def _one_reading(fleet: SmallFleet) -> None:
    fleet.tables["readings"] = fleet.tables["readings"][:1]


def _nothing(fleet: SmallFleet) -> None:
    del fleet.tables["readings"]


def _young(fleet: SmallFleet) -> None:
    for row in fleet.tables["electrodes"]:
        row["installed_on"] = date(2014, 1, 1)


WHOLE_RUNS: dict[str, tuple[SmallFleet, tuple[str, ...]]] = {
    "no optional file": (read_yearly(rods(3, 4), 2015, 2024), ()),
    "one site": (read_yearly(rods(1, 4), 2015, 2024), ()),
    "one electrode, one reading": (_with(_one_reading, 1, 1), ()),
    "nobody past": (_with(_young), ()),
    "all past": (read_yearly(rods(3, 4), 2005, 2024, growth_per_year=0.12), ()),
    "some electrodes without readings": (_with(_without_readings_of_first_wells), ()),
    "only over range": (_with(_over_range), ()),
    "no readings table": (_with(_nothing), ()),
    "no reading by the day": (read_yearly(rods(2, 2), 2015, 2024), ("--as-of", "2000-01-01")),
    "no regions, no places": (_with(_without_regions), ()),
    "all retired": (_with(_all_retired), ("--as-of", "2025-01-01")),
}


Ran = Callable[[str], tuple[Path, Sequence[str]]]


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """Give a fleet's folder and the lines that its run printed; made once, and not to be changed."""

    @cache
    def made(name: str) -> tuple[Path, Sequence[str]]:
        fleet, words = WHOLE_RUNS[name]
        folder = tmp_path_factory.mktemp("whole")
        return folder, loaded_and_run(fleet, folder, *words)

    return made


@pytest.mark.parametrize("name", list(WHOLE_RUNS))
def test_a_fleet_at_the_edge_gives_a_whole_run(name: str, ran: Ran) -> None:
    folder, _ = ran(name)
    tables = published(folder)
    for table, columns in CONTRACT.items():
        found = tables[table].schema
        assert {c: found.get(c) for c in columns} == columns, table
    assert all(check.passed for check in check_tables(tables, Settings().horizons_years))
    pages = folder / "out/current"
    assert (pages / "index.html").stat().st_size > 1000
    assert len(list((pages / "sites").glob("*.html"))) >= tables["site_ranking"].height


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("nobody past", 0.0, 0.05),
        ("all past", 0.9, 1.0),
        ("only over range", 0.9, 1.0),
    ],
)
def test_nobody_past_and_all_past_are_told_apart(name: str, low: float, high: float, ran: Ran) -> None:
    folder, _ = ran(name)
    p = published(folder)["electrode_outlook"]["p_past_now"]
    assert p.is_between(low, high).all(), (p.min(), p.max())


def test_without_a_soil_survey_the_class_is_unknown_and_without_costs_there_is_no_plan(ran: Ran) -> None:
    folder, lines = ran("no readings table")
    tables = published(folder)
    assert tables["electrode_outlook"]["soil_class"].unique().to_list() == ["unknown"]
    assert set(tables["electrode_outlook"]["state"]) == {"too_few_readings"}
    assert tables["plan"].is_empty()
    (note,) = [line for line in lines if "no plan is made" in line]
    assert "cost of mobilising" in note
    assert not any("its cost" in reason for reason in tables["site_ranking"]["reason"])


def test_with_costs_at_some_sites_the_others_take_the_median(tmp_path: Path) -> None:
    fleet = read_yearly(rods(3, 4), 2015, 2024)
    money = {"consequence_per_year": 9e9, "mobilisation_cost": 500, "rod_replacement_cost": 300}
    for row in fleet.tables["sites"][:2]:
        row.update(money)
    fleet.tables["sites"][2] |= dict.fromkeys(money)
    lines = loaded_and_run(fleet, tmp_path)
    assert sum("for 1 of 3 sites: the fleet's median is used" in line for line in lines) == 3
    planned = published(tmp_path)["plan"]
    assert planned["site_id"].n_unique() == 3
    assert (planned["cost"] == 500 + 300 * planned["rods"]).all()


def test_a_site_without_electrodes_is_named_and_not_ranked(tmp_path: Path) -> None:
    fleet = read_yearly(rods(2, 3), 2015, 2024)
    fleet.tables["sites"].append({"site_id": "S99", "site_name": "Bare Yard"})
    lines = loaded_and_run(fleet, tmp_path)
    tables = published(tmp_path)
    assert sorted(tables["site_ranking"]["site_id"]) == ["S01", "S02"]
    assert tables["sites"].filter(pl.col("site_id") == "S99")["wells"].to_list() == [0]
    assert any("no rod in service on record" in line and "S99" in line for line in lines)
    assert any("S99" in warning for warning in facts(tmp_path)["warnings"])


def test_rods_without_a_well_keep_a_site_in_the_ranking(tmp_path: Path) -> None:
    fleet = _with(_all_retired, 2, 3)
    fleet.tables["sites"][0]["rod_count"] = 9
    fleet.tables["sites"][1]["rod_count"] = None
    loaded_and_run(fleet, tmp_path, "--as-of", "2025-01-01")
    ranked = published(tmp_path)
    assert ranked["site_ranking"]["site_id"].to_list() == ["S01"]
    assert ranked["site_outlook"]["rod_count"].to_list() == [9]
    assert ranked["site_outlook"]["wells"].to_list() == [0]


def test_a_day_before_the_fleet_is_one_sentence(tmp_path: Path) -> None:
    rodfleet(tmp_path, "load", read_yearly(rods(2, 2), 2015, 2024).write(tmp_path))
    said = one_sentence(rodfleet(tmp_path, "run", "--as-of", "1990-01-01"), 1)
    assert "No electrode was installed by 1990-01-01, the first one on 1996-05-01" in said
    assert not (tmp_path / "out/current").exists()


def test_a_day_to_come_is_refused_on_the_line_and_held_to_today_in_the_settings(tmp_path: Path) -> None:
    rodfleet(tmp_path, "load", read_yearly(rods(2, 2), 2015, 2024).write(tmp_path))
    tomorrow = date.today() + timedelta(days=1)
    assert "lies after today" in one_sentence(rodfleet(tmp_path, "run", "--as-of", str(tomorrow)), 2)
    (tmp_path / "fleet.toml").write_text("as_of = 2199-01-01\n", encoding="utf-8")
    done = rodfleet(tmp_path, "run")
    assert done.exit_code == 0, done.output
    assert f"2199-01-01 lies after today; the run looks from {date.today()}" in done.output
    assert set(published(tmp_path)["electrode_outlook"]["as_of"]) == {date.today()}


def test_an_empty_store_and_sites_alone_are_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "field").mkdir()
    assert "There was no table among the files" in one_sentence(
        rodfleet(tmp_path, "load", tmp_path / "field"), 1
    )
    assert "holds no site with an electrode" in one_sentence(rodfleet(tmp_path, "run"), 1)
    rodfleet(tmp_path, "load", SmallFleet({"sites": rods(2, 1).tables["sites"]}).write(tmp_path))
    assert "holds no site with an electrode" in one_sentence(rodfleet(tmp_path, "run"), 1)
    assert "No run is published" in one_sentence(rodfleet(tmp_path, "report"), 1)


def test_a_level_that_is_no_number_is_not_published(ran: Ran) -> None:
    tables = published(ran("one site")[0])
    first = pl.int_range(pl.len()) == 0
    spoilt = pl.when(first).then(float("nan")).otherwise("level_ohm").alias("level_ohm")
    tables["electrode_outlook"] = tables["electrode_outlook"].with_columns(spoilt)
    failed = [(c.name, c.rows) for c in check_tables(tables, Settings().horizons_years) if not c.passed]
    assert failed == [("levels_are_resistances", 1)]
