"""Names: aliases before and after what they speak of, sites renamed and merged, rods under an old number."""

import shutil
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.dangers import find_dangers
from pipeline.intake.load import LoadReport, load
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.unknown_names import unknown_names, unplaced_sentence

TODAY = date(2026, 11, 24)
SITES = "site_id,site_name,rod_count\nA,Aber Moor,2\nB,Bel Fen,1\nN,New Moor,2\n"
ELECTRODES = (
    "electrode_id,site_id,well_id,installed_on,retired_on,baseline_ohm,baseline_on\n"
    "A-1,A,A-W1,2000-05-01,,10,2000-06-01\n"
    "A-2,A,A-W2,2000-05-01,,,\n"
    "B-1,B,B-W1,2001-01-01,,,\n"
    "N-1,N,N-W1,2000-05-01,,,\n"
    "N-2,N,N-W2,2000-05-01,2012-03-01,,\n"
    "N-2b,N,N-W2,2012-03-05,,,\n"
)
READINGS = "electrode_id,well_id,taken_at,resistance_ohm,corrects,instrument_id\n"
ALIASES = "kind,alias,means,site_id,decision\n"
WORKS = "site_id,electrode_id,done_on,work\n"


@pytest.fixture(scope="module")
def known_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a store that knows three sites, once."""
    folder = tmp_path_factory.mktemp("known")
    with Store.open(folder / "store.duckdb") as store:
        send(store, folder, sites=SITES, electrodes=ELECTRODES)
    return folder / "store.duckdb"


@pytest.fixture
def store(known_store: Path, tmp_path: Path) -> Iterator[Store]:
    """Give a store that knows three sites; whatever a test does to it, its checks must hold in the end."""
    shutil.copy(known_store, tmp_path / "store.duckdb")
    with Store.open(tmp_path / "store.duckdb") as opened:
        yield opened
        assert [check.name for check in opened.checks() if not check.passed] == []


def send(store: Store, folder: Path, today: date = TODAY, **texts: str) -> LoadReport:
    """Load texts, each as the table that it is named by (readings_2 is another file of readings)."""
    paths = []
    for name, text in texts.items():
        path = folder / f"{name}.csv"
        path.write_text(text, encoding="utf-8")
        paths.append(path)
    return load(store, paths, today, lambda _: None, [folder / "layouts"])


def standing(store: Store) -> list[tuple[object, ...]]:
    rows = store.table("core_readings").sort("electrode_id", "taken_at", "resistance_ohm")
    return rows.select("electrode_id", "site_id", pl.col("taken_at").dt.year(), "resistance_ohm").rows()


def open_refused(store: Store) -> list[str]:
    return store.table("core_refused").filter(~pl.col("settled"))["reason"].to_list()


MISNAMED = READINGS + ",Moor one,2010-05-01,11,,\n,A-W1,2010-06-01,12,,\nrod 2,,2010-05-01,21,,\n"
THEIRS = ALIASES + "well,Moor one,A-W1,,\nelectrode,rod 2,A-2,,\n"


def test_an_alias_that_comes_after_its_readings_leaves_what_one_that_comes_before_leaves(
    store: Store, tmp_path: Path, known_store: Path
) -> None:
    assert send(store, tmp_path, readings=MISNAMED).total("refused") == 2
    send(store, tmp_path, aliases=THEIRS)
    assert send(store, tmp_path, readings=MISNAMED).total("taken") == 2
    assert open_refused(store) == []
    late = standing(store)
    other = tmp_path / "other"
    other.mkdir()
    shutil.copy(known_store, other / "store.duckdb")
    with Store.open(other / "store.duckdb") as early:
        report = send(early, other, aliases=THEIRS, readings=MISNAMED)
        assert report.total("refused") == 0
        assert (
            standing(early)
            == late
            == [("A-1", "A", 2010, 11.0), ("A-1", "A", 2010, 12.0), ("A-2", "A", 2010, 21.0)]
        )
    assert send(store, tmp_path, readings=MISNAMED).total("taken") == 0


def test_one_reading_under_two_names_of_a_well_is_held_once(store: Store, tmp_path: Path) -> None:
    send(store, tmp_path, aliases=THEIRS, readings=MISNAMED)
    again = MISNAMED.replace("Moor one", "A-W1").replace("rod 2", "A-2")
    assert send(store, tmp_path, readings_2=again).total("held") == 3
    assert len(standing(store)) == 3


TWICE = READINGS + ",A-W1,2010-05-01,11,,\n,A-W1,2010-05-01,11,,\n,A-W2,2011-05-01,15,,\n"
TWICE_NEW = READINGS + ",N-W1,2010-05-01,11,,\n,N-W1,2010-05-01,11,,\n,N-W1,2011-05-01,16,,\n"
MERGED_WELL = ALIASES + "well,A-W1,N-W1,,\nelectrode,A-1,N-1,,\n"


@pytest.mark.parametrize("alias_first", [True, False])
def test_two_registered_names_of_one_well_show_each_reading_once(
    store: Store, tmp_path: Path, alias_first: bool
) -> None:
    if alias_first:
        send(store, tmp_path, aliases=MERGED_WELL)
    send(store, tmp_path, readings=TWICE, readings_2=TWICE_NEW)
    send(store, tmp_path, aliases=MERGED_WELL)
    before = store.table("raw_rows").height
    assert send(store, tmp_path, readings=TWICE, readings_2=TWICE_NEW).total("taken") == 0
    assert store.table("raw_rows").height == before
    wanted = [("A-2", "A", 2011, 15.0), *2 * [("N-1", "N", 2010, 11.0)], ("N-1", "N", 2011, 16.0)]
    assert standing(store) == wanted  # equal values of one file are repeats, of two names the same rows
    assert "A-1" not in store.table("core_electrodes")["electrode_id"]


@pytest.mark.parametrize("alias_first", [True, False])
def test_a_correction_under_the_other_name_takes_the_place_of_the_value(
    store: Store, tmp_path: Path, alias_first: bool
) -> None:
    corrected = READINGS + ",N-W1,2010-05-01,110,true,\n"
    if alias_first:
        send(store, tmp_path, aliases=MERGED_WELL)
    send(store, tmp_path, readings=READINGS + ",A-W1,2010-05-01,11,,\n")
    send(store, tmp_path, readings_2=corrected, aliases=MERGED_WELL)
    assert standing(store) == [("N-1", "N", 2010, 110.0)]


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("well,Moor one,A-W9,,", "means: the well 'A-W9' is not known"),
        ("site,A-W1,A-W1,,", "alias 'A-W1' means itself"),
        ("site,X,A,B,", "site_id goes with the alias of a well alone; leave it empty"),
        ("well,X,A-W1,Z,", "site_id 'Z' is not known"),
        ("meter,X,A-W1,,", "kind 'meter'"),
    ],
)
def test_an_alias_that_can_not_be_is_refused_with_the_reason(
    store: Store, tmp_path: Path, row: str, reason: str
) -> None:
    assert send(store, tmp_path, aliases=ALIASES + row + "\n").total("refused") == 1
    assert open_refused(store)[0].startswith(reason)


def test_chains_lead_to_their_end_and_circles_are_refused(store: Store, tmp_path: Path) -> None:
    chain = ALIASES + "well,old,older name,,\nwell,older name,A-W1,,\n"
    assert (
        send(store, tmp_path, aliases=chain, readings=READINGS + ",old,2010-05-01,11,,\n").total("refused")
        == 0
    )
    assert standing(store) == [("A-1", "A", 2010, 11.0)]
    assert send(store, tmp_path, aliases_2=ALIASES + "well,A-W1,old,,\n").total("refused") == 1
    assert "circle" in open_refused(store)[0]
    both = ALIASES + "site,x,y,,\nsite,y,x,,\n"
    assert send(store, tmp_path, aliases_3=both).total("refused") == 2


def test_a_meaning_that_is_corrected_moves_the_readings_and_one_turned_down_is_remembered(
    store: Store, tmp_path: Path
) -> None:
    send(store, tmp_path, aliases=THEIRS, readings=MISNAMED)
    send(store, tmp_path, today=TODAY + timedelta(1), aliases_2=ALIASES + "well,Moor one,B-W1,,same\n")
    assert ("B-1", "B", 2010, 11.0) in standing(store)
    store.look_back(datetime(2026, 11, 24, 23, 59, 59))
    assert ("A-1", "A", 2010, 11.0) in standing(store)
    store.look_back(datetime(9999, 1, 1))
    send(store, tmp_path, today=TODAY + timedelta(2), aliases_3=ALIASES + "well,Moor one,B-W1,,different\n")
    assert ("A-1", "A", 2010, 11.0) in standing(store)
    decisions = store.table("core_aliases").filter(pl.col("alias") == "Moor one")
    assert sorted(decisions.select("means", "decision").rows(), key=str) == [
        ("A-W1", None),
        ("B-W1", "different"),
    ]


def test_readings_whose_meaning_was_turned_down_wait_and_still_warn(store: Store, tmp_path: Path) -> None:
    large = "well_id,taken_at,resistance_ohm,current_a\nMoor one,2011-05-01,12,14.5\n"
    send(store, tmp_path, aliases=THEIRS, readings=MISNAMED, readings_2=large)
    before = standing(store)
    send(store, tmp_path, today=TODAY + timedelta(1), aliases_2=ALIASES + "well,Moor one,A-W1,,different\n")
    assert len(standing(store)) == len(before) - 2
    assert not [check for check in store.checks() if check.offending.height]
    (told,) = unplaced_sentence(store.table("core_unplaced"))
    assert told.startswith("2 readings count for no electrode")
    assert "'Moor one'" in told
    (unknown,) = unknown_names(store)
    assert (unknown.kind, unknown.name, unknown.waiting) == ("well", "Moor one", 2)
    found = find_dangers(store, Settings())
    assert found.select("finding", "value").rows() == [("current_danger", 14.5)]
    send(store, tmp_path, today=TODAY + timedelta(2), aliases_3=ALIASES + "well,Moor one,B-W1,,same\n")
    assert ("B-1", "B", 2011, 12.0) in standing(store)
    assert store.table("core_unplaced").is_empty()
    store.look_back(datetime.combine(TODAY + timedelta(1), datetime.max.time()))
    assert store.table("core_unplaced")["understood"].str.contains("14.5").any()


PROFILE = """files = ["log*.csv"]
[[maps]]
table = "readings"
well_number_with = "Site"
[maps.columns]
well_id = "Well"
taken_at = "Date"
resistance_ohm = "Ohm"
"""


def test_a_name_that_holds_at_one_site_holds_there_alone_under_old_and_new_names_of_it(
    store: Store, tmp_path: Path
) -> None:
    (tmp_path / "layouts").mkdir()
    (tmp_path / "layouts" / "log.toml").write_text(PROFILE, encoding="utf-8")
    log = "Site,Well,Date,Ohm\nA,east,2010-05-01,11\nB,east,2010-05-01,12\n"
    log += "Old A,east,2011-05-01,13\nOld A,2,2011-05-01,21\n"
    send(store, tmp_path, aliases=ALIASES + "well,east,A-W1,A,\nsite,Old A,A,,\n")
    report = send(store, tmp_path, log=log)
    assert (report.total("taken"), report.total("refused")) == (3, 1)
    assert standing(store) == [("A-1", "A", 2010, 11.0), ("A-1", "A", 2011, 13.0), ("A-2", "A", 2011, 21.0)]
    assert open_refused(store) == ["well_id 'east' is not known"]
    send(store, tmp_path, aliases_2=ALIASES + "well,east,A-W2,A,\n")
    assert [row[0] for row in standing(store)] == ["A-2", "A-2", "A-2"]


def test_a_merged_site_drops_out_and_all_that_speaks_of_it_speaks_of_the_other(
    store: Store, tmp_path: Path
) -> None:
    send(
        store,
        tmp_path,
        readings=READINGS + ",A-W1,2010-05-01,11,,\n",
        works=WORKS + "A,A-1,2011-01-01,connection_remade\nA,,2011-01-01,surge\nN,,2011-01-01,surge\n",
        soil_surveys="site_id,surveyed_on,ph\nA,2009-01-01,6\nN,2009-01-01,6\nN,2009-02-01,7\n",
        soundings="site_id,surveyed_on,spacing_m,resistance_ohm\nA,2009-01-01,2,5\n",
        weather="site_id,month,rain_mm\nA,2010-01,50\nN,2010-01,60\nA,2010-02,70\n",
    )
    before = {t: store.table(f"core_{t}") for t in ("sites", "electrodes", "readings", "works", "weather")}
    send(store, tmp_path, today=TODAY + timedelta(1), aliases=ALIASES + "site,A,N,,\n")
    sites = store.table("core_sites").sort("site_id")
    assert sites.select("site_id", "rod_count").rows() == [("B", 1), ("N", 4)]  # 2 can't hold the four listed
    electrodes = store.table("core_electrodes")
    assert set(electrodes.filter(pl.col("site_id") == "N")["electrode_id"]) == {
        "A-1",
        "A-2",
        "N-1",
        "N-2",
        "N-2b",
    }
    assert standing(store) == [("A-1", "N", 2010, 11.0)]
    assert sorted(store.table("core_works").select("site_id", "work").rows()) == [
        ("N", "connection_remade"), ("N", "surge"),
    ]  # fmt: skip
    assert store.table("core_soil_surveys")["site_id"].to_list() == ["N", "N"]  # one survey under two names
    assert store.table("core_soundings")["site_id"].to_list() == ["N"]
    assert sorted(store.table("core_weather")["rain_mm"]) == [60.0, 70.0]
    later = READINGS + ",A-W2,2012-05-01,31,,\n"
    surge, after = WORKS + "N,A-1,2013-01-01,surge\n", TODAY + timedelta(1)
    assert send(store, tmp_path, today=after, readings_2=later, works_2=surge).total("refused") == 0
    store.look_back(datetime(2026, 11, 24, 23, 59, 59))
    for table, then in before.items():
        assert store.table(f"core_{table}").sort("row_id").equals(then.sort("row_id")), table
    store.look_back(datetime(9999, 1, 1))


def test_a_meter_under_another_name_is_that_meter(store: Store, tmp_path: Path) -> None:
    meters = "instrument_id,calibrated_on,range_high_ohm\nM1,2010-01-01,1500\nM1 old,2009-01-01,1500\n"
    send(store, tmp_path, instruments=meters, readings=READINGS + ",A-W1,2010-05-01,11,,M1 old\n")
    send(store, tmp_path, aliases=ALIASES + "instrument,M1 old,M1,,\n")
    assert store.table("core_instruments")["instrument_id"].to_list() == ["M1", "M1"]
    assert store.table("core_readings")["instrument_id"].to_list() == ["M1"]


REPLACED = WORKS + "A,A-1,2010-06-01,replaced\n"
OVER_TIME = READINGS + (
    ",A-W1,2009-05-01,40,,\nA-1,,2010-05-01,42,,\n,A-W1,2010-06-01,10,,\n"
    "A-1,,2011-05-01,11,,\nA-1~2,,2012-05-01,12,,\n"
)


@pytest.mark.parametrize("works_first", [True, False])
def test_a_rod_replaced_under_its_old_number_begins_a_new_life(
    store: Store, tmp_path: Path, works_first: bool
) -> None:
    if works_first:
        send(store, tmp_path, works=REPLACED)
    send(store, tmp_path, readings=OVER_TIME.replace("A-1~2", "A-1"))
    send(store, tmp_path, today=TODAY + timedelta(1), works=REPLACED, readings_2=OVER_TIME)
    lives = store.table("core_electrodes").filter(pl.col("well_id") == "A-W1").sort("electrode_id")
    assert lives.select(
        "electrode_id", "installed_on", "retired_on", "retired_reason", "baseline_ohm"
    ).rows() == [
        ("A-1", date(2000, 5, 1), date(2010, 6, 1), "replaced", 10.0),
        ("A-1~2", date(2010, 6, 1), None, None, None),
    ]
    meant = store.table("core_readings").sort("taken_at")["electrode_id"].to_list()
    assert meant == ["A-1", "A-1", "A-1~2", "A-1~2", "A-1~2"]
    assert store.table("core_works")["electrode_id"].to_list() == ["A-1"]
    send(store, tmp_path, works_2=WORKS + "A,A-1,2012-01-01,connection_remade\nA,A-1~2,2013-01-01,replaced\n")
    assert store.table("core_works").sort("done_on")["electrode_id"].to_list() == ["A-1", "A-1~2", "A-1~2"]
    assert "A-1~3" in store.table("core_electrodes")["electrode_id"]
    if not works_first:
        store.look_back(datetime(2026, 11, 24, 23, 59, 59))
        assert store.table("core_readings")["electrode_id"].unique().to_list() == ["A-1"]
        store.look_back(datetime(9999, 1, 1))


@pytest.mark.parametrize(
    "works",
    [
        "N,N-2,2012-03-03,replaced",  # the register knows: retired about that day
        "N,N-2b,2012-03-05,replaced",  # the job that put it in
        "A,A-1,2000-06-15,replaced",
    ],
)
def test_what_the_register_knows_begins_no_new_life(store: Store, tmp_path: Path, works: str) -> None:
    before = store.table("core_electrodes").sort("electrode_id")
    send(store, tmp_path, works=WORKS + works + "\n")
    assert store.table("core_electrodes").sort("electrode_id").equals(before)


def test_a_successor_in_the_well_is_the_new_rod_though_the_old_was_never_retired(
    store: Store, tmp_path: Path
) -> None:
    text = ELECTRODES.replace(
        "A-2,A,A-W2,2000-05-01,,,\n", "A-2,A,A-W2,2000-05-01,,,\nA-2b,A,A-W2,2010-07-01,,,\n"
    )
    send(store, tmp_path, electrodes_2=text, works=WORKS + "A,A-2,2010-06-01,replaced\n")
    assert store.table("core_electrodes").filter(pl.col("electrode_id").str.contains("~")).is_empty()


def test_a_baseline_taken_after_the_replacement_belongs_to_the_new_rod(store: Store, tmp_path: Path) -> None:
    text = ELECTRODES.replace("A-1,A,A-W1,2000-05-01,,10,2000-06-01", "A-1,A,A-W1,2000-05-01,,10,2010-06-10")
    send(store, tmp_path, electrodes_2=text, works=REPLACED)
    lives = store.table("core_electrodes").filter(pl.col("well_id") == "A-W1").sort("electrode_id")
    assert lives["baseline_ohm"].to_list() == [None, 10.0]


def test_a_split_is_taken_back_by_an_alias(store: Store, tmp_path: Path) -> None:
    send(store, tmp_path, works=REPLACED, readings=OVER_TIME)
    send(store, tmp_path, aliases=ALIASES + "electrode,A-1~2,A-1,,\n")
    assert store.table("core_electrodes").filter(pl.col("well_id") == "A-W1")["electrode_id"].to_list() == [
        "A-1"
    ]
    assert store.table("core_readings")["electrode_id"].unique().to_list() == ["A-1"]


def test_two_records_of_one_job_make_one_new_life_and_two_jobs_two(store: Store, tmp_path: Path) -> None:
    send(store, tmp_path, works=REPLACED + "A,A-1,2010-06-20,replaced\nA,A-1,2018-01-01,replaced\n")
    lives = store.table("core_electrodes").filter(pl.col("well_id") == "A-W1").sort("electrode_id")
    assert lives["electrode_id"].to_list() == ["A-1", "A-1~2", "A-1~3"]
    assert lives["retired_on"].to_list() == [date(2010, 6, 1), date(2018, 1, 1), None]
