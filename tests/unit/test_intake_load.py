"""The books: what is taken, held, refused, superseded and settled, whatever the order and the form."""

import json
import shutil
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from pipeline.errors import RequestError
from pipeline.intake.kept import as_it_came
from pipeline.intake.load import Book, LoadReport, load
from pipeline.store import Store

TODAY = date(2026, 11, 24)
SITES = "site_id,site_name\nA,Aber Moor\nB,Bel Fen\n"
ELECTRODES = (
    "electrode_id,site_id,well_id,installed_on,retired_on\n"
    "A-1a,A,A-W1,2000-05-01,2015-06-01\n"
    "A-1b,A,A-W1,2015-06-01,\n"
    "A-2a,A,A-W2,2000-05-01,\n"
    "B-1a,B,,2001-01-01,\n"
)
READINGS = "well_id,taken_at,resistance_ohm,corrects,note\n"


@pytest.fixture(scope="module")
def new_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("new") / "store.duckdb"
    Store.open(path).close()
    return path


@pytest.fixture
def store(new_store: Path, tmp_path: Path) -> Iterator[Store]:
    """Give an empty store; whatever a test has done to it, its checks must hold in the end."""
    shutil.copy(new_store, tmp_path / "store.duckdb")
    with Store.open(tmp_path / "store.duckdb") as opened:
        yield opened
        assert [check.name for check in opened.checks() if not check.passed] == []


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    (folder / "sites.csv").write_text(SITES, encoding="utf-8")
    (folder / "electrodes.csv").write_text(ELECTRODES, encoding="utf-8")
    return folder


def _load(store: Store, *paths: Path, today: date = TODAY) -> LoadReport:
    report = load(store, paths, today, lambda _: None)
    for book in report.books:
        assert book.read == book.taken + book.held + book.refused
    return report


def _send(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def _counts(report: LoadReport, file: str) -> tuple[int, int, int, int]:
    book = _book(report, file)
    return book.read, book.taken, book.held, book.refused


def _book(report: LoadReport, file: str) -> Book:
    (book,) = (b for b in report.books if b.file == file)
    return book


def _standing(store: Store) -> list[tuple[object, ...]]:
    readings = store.table("core_readings").sort("electrode_id", "taken_at", "resistance_ohm")
    return readings.select("electrode_id", pl.col("taken_at").dt.date(), "resistance_ohm").rows()


def _everything(store: Store) -> dict[str, list[tuple[object, ...]]]:
    """Give all that the store holds, the log of loads apart."""
    tables = [
        f"core_{t}" for t in ("sites", "electrodes", "readings", "soundings", "works", "weather", "refused")
    ]
    return {t: sorted(store.table(t).rows(), key=str) for t in [*tables, "raw_rows"]}


def test_the_books_close_and_a_second_load_changes_nothing(store: Store, inbox: Path) -> None:
    _send(
        inbox,
        "readings.csv",
        READINGS
        + "A-W1,2010-03-01,12.5,,\n"
        + "A-W1,2010-03-01,12.5,,\n"  # an equal value is a repeat
        + "A-W1,2010-03-01,12.6,,\n"
        + "A-W2,2010-03-01,n/a,,\n"
        + "A-W2,2010-03-02,n/a,,\n"
        + "A-W2,2010-03-01,>1500,,broken?\n",
    )
    first = _load(store, inbox)
    assert _counts(first, "readings.csv") == (6, 4, 0, 2)
    assert first.ok
    before = _everything(store)
    second = _load(store, inbox)
    assert _counts(second, "readings.csv") == (6, 0, 4, 2)
    assert _counts(second, "sites.csv") == (2, 0, 2, 0)
    assert _everything(store) == before
    assert store.table("core_books").height == 6


def test_the_same_rows_under_another_name_form_and_key_are_held(store: Store, inbox: Path) -> None:
    path = _send(
        inbox,
        "readings.csv",
        READINGS + "A-W1,2016-03-01,12.5,,\nA-W1,2016-03-01,12.5,,\nA-W2,2016-03-01,>1500,,\n",
    )
    _load(store, inbox)
    before = _everything(store)
    rows = pl.read_csv(path, infer_schema=False)
    rows.write_parquet(inbox / "readings_copy.parquet")
    rows.write_ndjson(inbox / "readings_copy.jsonl")
    rows.write_csv(inbox / "readings_copy.tsv", separator="\t")
    rows.write_excel(inbox / "readings_copy.xlsx", worksheet="readings")
    electrodes = {"A-W1": "A-1b", "A-W2": "A-2a"}  # the same wells, by the electrode that stood there
    named = rows.select(pl.col("well_id").replace(electrodes).alias("electrode_id"), pl.exclude("well_id"))
    named.write_csv(inbox / "readings_by_electrode.csv")
    report = _load(store, inbox)
    for name in ("copy.parquet", "copy.jsonl", "copy.tsv", "copy.xlsx", "by_electrode.csv"):
        assert _counts(report, f"readings_{name}") == (3, 0, 3, 0), name
    assert _everything(store) == before


def test_a_third_equal_value_in_a_longer_file_is_a_third_repeat(store: Store, inbox: Path) -> None:
    row = "A-W1,2010-03-01,12.5,,\n"
    _send(inbox, "readings.csv", READINGS + row * 2)
    _load(store, inbox)
    _send(inbox, "readings.csv", READINGS + row * 3)
    assert _counts(_load(store, inbox), "readings.csv") == (3, 1, 2, 0)
    assert len(_standing(store)) == 3


def test_a_well_means_the_electrode_of_that_date(store: Store, inbox: Path) -> None:
    days = ("2000-04-30", "2000-05-01", "2015-05-31", "2015-06-01", "2020-01-01")
    _send(inbox, "readings.csv", READINGS + "".join(f"A-W1,{d},5,,\n" for d in days))
    report = _load(store, inbox)
    assert [row[0] for row in _standing(store)] == ["A-1a", "A-1a", "A-1b", "A-1b"]
    assert _book(report, "readings.csv").reasons == ((2, "no electrode stood in well A-W1 on 2000-04-30"),)
    assert store.table("core_readings")["site_id"].unique().to_list() == ["A"]


def test_a_reading_on_the_day_of_retirement_is_the_last_one(store: Store, inbox: Path) -> None:
    head = "electrode_id,site_id,well_id,installed_on,retired_on\n"
    _send(inbox, "electrodes_2.csv", head + "B-2a,B,B-W2,2000-05-01,2010-03-01\n")
    _send(inbox, "readings.csv", READINGS + "B-W2,2010-03-01,5,,\nB-W2,2010-03-02,5,,\n")
    report = _load(store, inbox)
    assert _standing(store) == [("B-2a", date(2010, 3, 1), 5.0)]
    assert _book(report, "readings.csv").reasons == ((3, "no electrode stood in well B-W2 on 2010-03-02"),)


def test_equal_values_of_other_wells_are_other_readings(store: Store, inbox: Path) -> None:
    _load(store, inbox)
    _load(store, _send(inbox, "readings_1.csv", READINGS + "A-W1,2010-03-01,12.5,,\n"))
    report = _load(store, _send(inbox, "readings_2.csv", READINGS + "A-W2,2010-03-01,12.5,,\n"))
    assert report.total("taken") == 1
    assert [row[0] for row in _standing(store)] == ["A-1a", "A-2a"]


def test_a_corrected_installation_moves_the_readings_with_it(store: Store, inbox: Path) -> None:
    _send(inbox, "readings.csv", READINGS + "A-W1,2015-03-01,5,,\n")
    _load(store, inbox)
    assert _standing(store)[0][0] == "A-1a"
    moved = ELECTRODES.replace("2015-06-01", "2014-06-01")
    _send(inbox, "electrodes.csv", moved)
    report = _load(store, inbox)
    assert _counts(report, "electrodes.csv") == (4, 2, 2, 0)
    assert _book(report, "electrodes.csv").superseding == 2
    assert _counts(report, "readings.csv") == (1, 0, 1, 0)
    assert _standing(store)[0][0] == "A-1b"


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("A-W9,,2010-03-01,5", "well_id 'A-W9' is not known"),
        (",A-9,2010-03-01,5", "electrode_id 'A-9' is not known"),
        ("A-W2,A-1a,2010-03-01,5", "electrode A-1a is in well A-W1, but the row says A-W2"),
        (",A-1b,2010-03-01,5", "taken on 2010-03-01, before electrode A-1b was installed (2015-06-01)"),
        (",A-1a,2018-03-01,5", "taken on 2018-03-01, after electrode A-1a was retired (2015-06-01)"),
    ],
)
def test_a_reading_without_its_electrode_is_refused(store: Store, inbox: Path, row: str, reason: str) -> None:
    _send(inbox, "readings.csv", f"well_id,electrode_id,taken_at,resistance_ohm\n{row}\n")
    assert _book(_load(store, inbox), "readings.csv").reasons == ((2, reason),)


def test_refused_rows_are_kept_whole_with_file_line_and_reason(store: Store, inbox: Path) -> None:
    _send(
        inbox, "north/readings.csv", "well_id,taken_at,resistance_ohm,extra\nA-W2,2019-02-31,n/a,kept too\n"
    )
    _load(store, inbox)
    (row,) = store.table("core_refused").rows(named=True)
    assert (row["file"], row["sheet"], row["line"], row["table_name"]) == (
        "north/readings.csv",
        "",
        2,
        "readings",
    )
    assert "taken_at '2019-02-31'" in row["reason"]
    assert "resistance_ohm 'n/a'" in row["reason"]
    assert json.loads(row["cells"]) == {
        "well_id": "A-W2",
        "taken_at": "2019-02-31",
        "resistance_ohm": "n/a",
        "extra": "kept too",
    }
    assert row["settled"] is False


def test_what_could_be_read_of_a_refused_row_is_told_under_our_names(store: Store, inbox: Path) -> None:
    _send(
        inbox,
        "handheld_1.jsonl",
        '{"tag": "A-W2", "ts": "2091-03-01", "r": 5, "i_ma": 15000, "i_kind": "ac"}\n',
    )
    _load(store, inbox)
    (row,) = store.table("core_refused").rows(named=True)
    understood = json.loads(row["understood"])
    assert understood["well_id"] == "A-W2"
    assert understood["current_a"] == 15.0
    assert understood["current_kind"] == "ac"
    assert datetime.fromisoformat(understood["taken_at"]) == datetime(2091, 3, 1)
    assert json.loads(row["cells"])["i_ma"] == "15000"


def test_accepted_rows_keep_their_extra_columns_in_the_record(store: Store, inbox: Path) -> None:
    _send(inbox, "readings.csv", "well_id,taken_at,resistance_ohm,battery\nA-W2,2019-02-01,5,87\n")
    _load(store, inbox)
    (row_id,) = store.table("core_readings")["row_id"]
    assert as_it_came(store, row_id)["battery"] == "87"


CORRECTION = READINGS + "A-W2,2010-03-01,13.5,true,misread\n"


def test_a_correction_supersedes_and_yesterday_can_be_seen_again(store: Store, inbox: Path) -> None:
    _send(inbox, "readings_1.csv", READINGS + "A-W2,2010-03-01,15.3,,\nA-W2,2011-03-01,15.5,,\n")
    _load(store, inbox)
    yesterday = datetime.combine(TODAY, datetime.max.time())
    _send(inbox, "readings_2.csv", CORRECTION)
    report = _load(store, inbox, today=date(2026, 11, 26))
    assert _book(report, "readings_2.csv").superseding == 1
    assert _counts(report, "readings_1.csv") == (2, 0, 2, 0)
    assert [row[2] for row in _standing(store)] == [13.5, 15.5]
    then = store._rows("FROM known_readings($at)", "then", {"at": yesterday})
    assert sorted(then["resistance_ohm"]) == [15.3, 15.5]
    _load(store, inbox, today=date(2026, 11, 27))
    assert [row[2] for row in _standing(store)] == [13.5, 15.5]


@pytest.mark.parametrize(
    "names", [("readings_1.csv", "readings_2.csv"), ("readings_2.csv", "readings_1.csv")]
)
@pytest.mark.parametrize("apart", [True, False])
def test_the_order_of_correction_and_value_does_not_matter(
    store: Store, inbox: Path, names: tuple[str, str], apart: bool
) -> None:
    _load(store, inbox)
    value = _send(inbox, names[0], READINGS + "A-W2,2010-03-01,15.3,,\n")
    correction = _send(inbox, names[1], CORRECTION)
    deliveries = [[correction], [value]] if apart else [[value, correction]]
    for delivery in deliveries:
        _load(store, *delivery)
    assert [row[2] for row in _standing(store)] == [13.5]


def test_a_repeat_that_comes_after_an_answered_correction_is_kept(store: Store, inbox: Path) -> None:
    _send(inbox, "readings_1.csv", READINGS + "A-W2,2010-03-01,15.3,,\n")
    _send(inbox, "readings_2.csv", CORRECTION)
    _load(store, inbox)
    _load(store, _send(inbox, "readings_3.csv", READINGS + "A-W2,2010-03-01,14.1,,a late repeat\n"))
    assert [row[2] for row in _standing(store)] == [13.5, 14.1]


def test_a_correction_of_a_correction_counts_and_one_repeat_can_be_named(store: Store, inbox: Path) -> None:
    head = "well_id,taken_at,resistance_ohm,repeat_no,corrects\n"
    _send(inbox, "readings_1.csv", head + "A-W2,2010-03-01,15,1,\nA-W2,2010-03-01,16,2,\n")
    _load(store, inbox)
    _load(
        store, _send(inbox, "readings_2.csv", head + "A-W2,2010-03-01,17,2,true\nA-W2,2010-03-01,18,2,true\n")
    )
    assert [row[2] for row in _standing(store)] == [15.0, 18.0]
    _load(store, _send(inbox, "readings_3.csv", head + "A-W2,2010-03-01,19,,true\n"))
    assert [row[2] for row in _standing(store)] == [19.0]


def test_a_correction_touches_no_other_moment_or_well(store: Store, inbox: Path) -> None:
    others = "A-W2,2010-03-02,15.3,,\nA-W1,2010-03-01,15.3,,\n"
    _send(inbox, "readings_1.csv", READINGS + others)
    _send(inbox, "readings_2.csv", CORRECTION)
    _load(store, inbox)
    assert len(_standing(store)) == 3


def _open_refusals(store: Store) -> list[tuple[object, ...]]:
    refused = store.table("core_refused").filter(~pl.col("settled"))
    return sorted(refused.select("file", "line").rows(), key=str)


def test_a_refused_row_is_settled_by_its_correction(store: Store, inbox: Path) -> None:
    name = "readings.csv"
    _send(inbox, name, READINGS + "A-W2,2010-03-01,n/a,,\nA-W2,2010-13-01,15,,\nA-W1,2010-05-01,oops,,\n")
    _load(store, inbox)
    assert _open_refusals(store) == [(name, 2), (name, 3), (name, 4)]
    # The same place and moment, from elsewhere.
    _load(store, _send(inbox, "readings_late.csv", READINGS + "A-W2,2010-03-01,14.9,,\n"))
    assert _open_refusals(store) == [(name, 3), (name, 4)]
    fixed = (
        READINGS + "A-W2,2010-03-01,n/a,,\nA-W2,2010-12-01,15,,\nA-W1,2010-05-01,oops,,\n"
    )  # place and line
    report = _load(store, _send(inbox, name, fixed))
    assert _counts(report, name) == (3, 1, 0, 2)
    assert _open_refusals(store) == [(name, 4)]
    assert len(_standing(store)) == 2


def test_a_repeat_beside_a_refused_row_is_no_correction_of_it(store: Store, inbox: Path) -> None:
    _send(inbox, "readings.csv", READINGS + "A-W2,2010-03-01,n/a,,\nA-W2,2010-03-01,14.9,,\n")
    _load(store, inbox)
    assert _open_refusals(store) == [("readings.csv", 2)]


def test_another_months_file_of_the_same_name_settles_nothing(store: Store, inbox: Path) -> None:
    _send(inbox, "readings.csv", READINGS + "A-W2,2010-03-01,n/a,,\n")
    _load(store, inbox)
    _load(store, _send(inbox, "readings.csv", READINGS + "A-W1,2010-04-01,14.9,,\n"))
    assert _open_refusals(store) == [("readings.csv", 2)]


def test_rows_refused_for_an_unknown_site_come_right_when_it_is_known(store: Store, inbox: Path) -> None:
    _send(inbox, "works.csv", "site_id,done_on,work\nC,2010-01-01,surge\n")
    _load(store, inbox)
    assert _open_refusals(store) == [("works.csv", 2)]
    _send(inbox, "sites_2.csv", "site_id,site_name\nC,Cor Heath\n")
    assert _counts(_load(store, inbox), "works.csv") == (1, 1, 0, 0)
    assert _open_refusals(store) == []


def test_a_later_master_row_supersedes_and_an_old_file_brings_nothing_back(store: Store, inbox: Path) -> None:
    _load(store, inbox)
    report = _load(store, _send(inbox, "sites_new.csv", "site_id,site_name\nA,Aber Moor East\nB,Bel Fen\n"))
    assert _counts(report, "sites_new.csv") == (2, 1, 1, 0)
    assert _book(report, "sites_new.csv").superseding == 1
    _load(store, inbox)
    assert sorted(store.table("core_sites")["site_name"]) == ["Aber Moor East", "Bel Fen"]
    assert store.table("raw_sites").height == 3


def test_findings_of_one_day_stay_together_and_a_new_delivery_replaces_what_changed(
    store: Store, inbox: Path
) -> None:
    head = "site_id,surveyed_on,spacing_m,resistance_ohm\n"
    _send(inbox, "soundings.csv", head + "A,2010-01-01,2,30\nA,2010-01-01,2,32\nA,2010-01-01,4,11\n")
    _load(store, inbox)
    assert store.table("core_soundings").height == 3
    _send(inbox, "soundings.csv", head + "A,2010-01-01,2,30\nA,2010-01-01,2,33\nA,2010-01-01,4,11\n")
    assert _counts(_load(store, inbox), "soundings.csv") == (3, 1, 2, 0)
    assert sorted(store.table("core_soundings")["resistance_ohm"]) == [11.0, 30.0, 33.0]


def test_the_order_of_the_paths_does_not_matter(store: Store, inbox: Path) -> None:
    readings = _send(inbox, "a_first/readings.csv", READINGS + "A-W1,2010-03-01,12.5,,\n")
    report = _load(store, readings, inbox / "electrodes.csv", inbox / "sites.csv")
    assert [b.table for b in report.books] == ["sites", "electrodes", "readings"]
    assert report.total("taken") == 7


def test_a_spoilt_file_does_not_hold_up_the_rest(store: Store, inbox: Path) -> None:
    _send(inbox, "readings_good.csv", READINGS + "A-W1,2010-03-01,12.5,,\n")
    _send(inbox, "readings_lame.csv", "well_id,resistance_ohm\nA-W1,12\n")
    _send(inbox, "electrodes_old.csv", "electrode_id,site_id,installed_on\n")
    _send(inbox, "readings_empty.csv", "")
    (inbox / "readings_latin.csv").write_bytes(READINGS.encode() + b"A-W1,2010-03-01,12.5,,caf\x81\n")
    (inbox / "readings_cut.xlsx").write_bytes(b"PK\x03\x04")
    _send(inbox, "pressure.csv", "a,b\n1,2\n")
    _send(inbox, "notes.txt", "call the crew")
    _send(inbox, "truth/electrodes.csv", "electrode_id\nX\n")
    _send(inbox, ".hidden/readings.csv", "x\n")
    report = _load(store, inbox)
    assert not report.ok
    assert {b.file: b.failure for b in report.failures} == {
        "readings_lame.csv": "the column taken_at is missing; add it or map it in a source profile",
        "readings_empty.csv": "the file is empty (0 bytes); send it again",
        "readings_latin.csv": _book(report, "readings_latin.csv").failure,
        "readings_cut.xlsx": _book(report, "readings_cut.xlsx").failure,
        "pressure.csv": _book(report, "pressure.csv").failure,
    }
    assert "is not UTF-8 (line 2)" in str(_book(report, "readings_latin.csv").failure)
    assert report.left_aside == ("notes.txt: not a form that can be read",)
    assert _counts(report, "readings_good.csv") == (1, 1, 0, 0)
    assert _counts(report, "electrodes_old.csv") == (0, 0, 0, 0)
    whole = store.table("core_refused").filter(pl.col("line").is_null())
    assert set(whole["file"]) == {b.file for b in report.failures}
    _load(store, inbox)
    assert store.table("core_refused").height == 5
    _send(inbox, "readings_lame.csv", READINGS + "A-W1,2010-04-01,12,,\n")
    _load(store, inbox)
    assert "readings_lame.csv" not in {file for file, _ in _open_refusals(store)}


def test_a_workbook_is_loaded_sheet_by_sheet(store: Store, tmp_path: Path) -> None:
    book = xlsxwriter.Workbook(tmp_path / "fleet.xlsx")
    for name, text in (("Sites", SITES), ("electrodes", ELECTRODES), ("Remarks", "by,the crew\nx,y\n")):
        sheet = book.add_worksheet(name)
        for r, line in enumerate(text.splitlines()):
            sheet.write_row(r, 0, line.split(","))
    book.close()
    report = _load(store, tmp_path / "fleet.xlsx")
    assert [(b.sheet, b.taken) for b in report.books] == [("Sites", 2), ("electrodes", 4)]
    assert report.left_aside == ("fleet.xlsx [Remarks]: this sheet is no table",)
    assert report.ok


def test_a_file_of_any_name_is_known_by_the_headings_of_one_table_alone(store: Store, inbox: Path) -> None:
    _send(inbox, "crew 7, spring.csv", READINGS + "A-W1,2010-03-01,12.5,,\n")
    _send(inbox, "pins.csv", "site_id,surveyed_on,spacing_m,resistance_ohm\nA,2010-03-01,2,40\n")
    _send(inbox, "months.csv", "month,visits\n2010-03,4\n")
    _send(inbox, "diary.csv", "well_id,resistance_ohm\nA-W1,12.5\n")
    report = _load(store, inbox)
    tables = {b.file: b.table for b in report.books}
    assert (tables["crew 7, spring.csv"], tables["pins.csv"]) == ("readings", "soundings")
    assert str(_book(report, "crew 7, spring.csv").profile) == "found: readings by its headings"
    assert {b.file for b in report.failures} == {"months.csv", "diary.csv"}


def test_a_workbook_named_after_its_table_may_have_remarks(store: Store, inbox: Path) -> None:
    book = xlsxwriter.Workbook(inbox / "readings-07.xlsx")
    for name, rows in (
        ("Sheet1", [["well_id", "taken_at", "resistance_ohm"], ["A-W1", "2010-03-01", 12.5]]),
        ("Remarks", [["who", "what"], ["crew", "muddy"]]),
    ):
        sheet = book.add_worksheet(name)
        for r, cells in enumerate(rows):
            sheet.write_row(r, 0, cells)
    book.close()
    report = _load(store, inbox)
    assert report.ok
    assert _counts(report, "readings-07.xlsx") == (1, 1, 0, 0)
    assert report.left_aside == ("readings-07.xlsx [Remarks]: this sheet is no table",)


def test_a_hidden_sheet_is_taken_and_told_of(store: Store, inbox: Path) -> None:
    book = xlsxwriter.Workbook(inbox / "spring.xlsx")
    for name, value in (("Round", 12.5), ("Draft", 99.0)):
        sheet = book.add_worksheet(name)
        sheet.write_row(0, 0, ["well_id", "taken_at", "resistance_ohm"])
        sheet.write_row(1, 0, ["A-W1", f"2010-03-0{len(name) - 4}", value])
        if name == "Draft":
            sheet.hide()
    book.close()
    told = {b.sheet: b.profile for b in _load(store, inbox).books if b.file == "spring.xlsx"}
    assert told["Draft"] == "found: readings by its headings, a hidden sheet"
    assert told["Round"] == "found: readings by its headings"


def test_a_well_by_its_number_is_found_where_the_crew_gave_the_site(store: Store, inbox: Path) -> None:
    _send(inbox, "electrodes_2.csv", "electrode_id,site_id,well_id,installed_on\nB-2a,B,B-W2,2000-05-01\n")
    book = xlsxwriter.Workbook(inbox / "North rod log.xlsx")
    sheet = book.add_worksheet("Rod readings")
    sheet.write_row(2, 0, ["Station", "Well", "Date", "Loop resistance (ohm)"])
    sheet.write_row(3, 0, ["B", "2", "14/03/2019", "12,4"])
    sheet.write_row(4, 0, ["B", "7", "14/03/2019", "12,4"])
    book.close()
    report = _load(store, inbox)
    assert _standing(store) == [("B-2a", date(2019, 3, 14), 12.4)]
    assert _book(report, "North rod log.xlsx").reasons == ((5, "well_id '7' is not known"),)
    assert _book(report, "North rod log.xlsx").profile == "district_workbook"


def test_a_well_of_two_sites_asks_for_the_electrode(store: Store, inbox: Path) -> None:
    _send(inbox, "electrodes_2.csv", "electrode_id,site_id,well_id,installed_on\nB-2a,B,A-W2,2000-05-01\n")
    _send(inbox, "readings.csv", READINGS + "A-W2,2010-03-01,5,,\n")
    (reason,) = _book(_load(store, inbox), "readings.csv").reasons
    assert reason[1] == "well_id 'A-W2' is in use at 2 sites; give the electrode_id"


def test_a_path_that_is_not_there_is_a_wrong_request(store: Store, tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="There is no file or folder"):
        _load(store, tmp_path / "nowhere")


def test_the_truth_of_a_synthetic_fleet_is_never_read(store: Store, inbox: Path) -> None:
    truth = _send(inbox, "truth/sites.csv", SITES)
    for path in (truth, truth.parent):
        report = _load(store, path)
        assert not report.books
        assert "never read" in report.left_aside[0]


def test_an_interrupted_file_leaves_no_trace_and_can_be_loaded_again(
    store: Store, inbox: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _send(inbox, "readings.csv", READINGS + "A-W1,2010-03-01,12.5,,\n")
    real = Store.run

    def cut(self: Store, name: str, **binds: object) -> None:
        if name == "settle_refused_file" and binds["file"] == "readings.csv":
            raise KeyboardInterrupt
        real(self, name, **binds)

    with monkeypatch.context() as patch:
        patch.setattr(Store, "run", cut)
        with pytest.raises(KeyboardInterrupt):
            load(store, [inbox], TODAY, lambda _: None)
    assert store.table("core_readings").is_empty()
    assert store.table("raw_files").height == 2
    assert _counts(_load(store, inbox), "readings.csv") == (1, 1, 0, 0)


def test_parts_of_a_file_give_the_store_that_the_whole_gives(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Repeats within the file, rows already held and refused ones fall into different parts."""
    rows = ["A-W1,2010-03-01,12.5,,", "A-W1,2010-03-01,12.5,,", "A-W1,20x0,12.5,,", "A-W2,2011-03-01,9,,"] * 5
    kept = []
    for rows_a_part in (3, 1000):
        monkeypatch.setattr("pipeline.intake.judged._PART_ROWS", rows_a_part)
        monkeypatch.setattr("pipeline.intake.distinct._FEW", 2000 if rows_a_part > 3 else 0)
        folder = tmp_path / str(rows_a_part)
        folder.mkdir()
        with Store.open(folder / "store.duckdb") as store:
            _send(folder, "sites.csv", SITES)
            _send(folder, "electrodes.csv", ELECTRODES)
            _send(folder, "readings.csv", READINGS + "\n".join(rows[:7]) + "\n")
            _load(store, folder)
            _send(folder, "readings.csv", READINGS + "\n".join(rows) + "\n")
            _load(store, folder)
            kept.append([store.table(t) for t in ("core_readings", "core_refused", "core_books")])
    for part, whole in zip(*kept, strict=True):
        moments = [c for c in part.columns if c in ("loaded_at", "refused_at", "known_from")]
        order = [c for c in ("row_id", "file_id", "file", "line") if c in part.columns]
        assert part.drop(moments).sort(order).equals(whole.drop(moments).sort(order))


def test_rows_of_an_older_program_are_known_again(store: Store, inbox: Path) -> None:
    """Its rows had other numbers and no layout: they are counted anew, and their files are held."""
    _send(inbox, "readings.csv", READINGS + "A-W2,2010-03-01,15.3,,\nA-W2,2010-03-01,15.3,,\n")
    _load(store, inbox)
    before = store.table("raw_rows").sort("row_id")
    store._execute("UPDATE raw_rows SET row_hash = 7; UPDATE raw_files SET layout = NULL", "older", {})
    report = _load(store, inbox)
    assert report.total("taken") == 0
    assert store.table("raw_rows").sort("row_id").equals(before)
    assert store.frame("taken_by_older").is_empty()
