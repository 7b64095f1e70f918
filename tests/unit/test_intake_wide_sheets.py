"""Wide sheets go in visit by visit and come back whole; what was found out to read a file is told."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from pipeline.intake.load import LoadReport, load
from pipeline.refused import open_rows, write_refused
from pipeline.store import Store

TODAY = date(2026, 11, 24)
SITES = "site_id,site_name\nA,Aber Moor\n"
ELECTRODES = "electrode_id,site_id,well_id,installed_on\n" + "".join(
    f"A-{k},A,A-W{k},2000-05-01\n" for k in range(1, 6)
)
METERS = "instrument_id,range_high_ohm\nM1,1500\n"


def _load(store: Store, *paths: Path, layouts: Path | None = None) -> LoadReport:
    report = load(store, paths, TODAY, lambda _: None, [layouts] if layouts else [])
    for book in report.books:
        assert book.read == book.taken + book.held + book.refused
    return report


def _master(folder: Path) -> None:
    for name, text in (("sites", SITES), ("electrodes", ELECTRODES), ("instruments", METERS)):
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")


def _content(store: Store) -> list[tuple[object, ...]]:
    columns = ["electrode_id", "taken_at", "resistance_ohm", "range_mark", "note"]
    return sorted(store.table("core_readings").select(columns).rows(), key=str)


def test_a_wide_sheet_is_loaded_visit_by_visit_and_each_number_has_its_column(tmp_path: Path) -> None:
    _master(tmp_path)
    with xlsxwriter.Workbook(tmp_path / "wide.xlsx") as book:
        sheet = book.add_worksheet("Log")
        sheet.write_row(0, 0, ["Rod resistance log"])
        sheet.write_row(2, 0, ["Pit", "Meter", "14.03.2019", "15.03.2020"])
        sheet.write_row(3, 0, ["A-W1", "M1", "12400", "OL"])
        sheet.write_row(4, 0, ["A-W2", "M1", "", "12,5 ohm"])
        sheet.write_row(5, 0, ["A-W3", "M7", "9000", "OL"])
    layouts = tmp_path / "layouts"
    layouts.mkdir()
    (layouts / "wide.toml").write_text(
        'files = ["wide.xlsx"]\nheading_line = 3\n[[maps]]\ntable = "readings"\n'
        'visits = { form = "%d.%m.%Y", unit = "in_cell", bare = "mohm" }\n'
        '[maps.columns]\nwell_id = "Pit"\ninstrument_id = "Meter"\n',
        encoding="utf-8",
    )
    with Store.open(tmp_path / "s.duckdb") as store:
        report = _load(store, tmp_path, layouts=layouts)
        assert report.ok, report.lines()
        got = store.table("core_readings").sort("taken_at", "electrode_id")
        columns = ["electrode_id", "resistance_ohm", "range_mark", "sheet", "line"]
        assert got.select(columns).rows() == [
            ("A-1", pytest.approx(12.4), None, "Log, column 14.03.2019", 4),
            ("A-3", pytest.approx(9.0), None, "Log, column 14.03.2019", 6),
            ("A-1", 1500.0, "over", "Log, column 15.03.2020", 4),
            ("A-2", pytest.approx(12.5), None, "Log, column 15.03.2020", 5),
        ]
        (reason,) = store.table("core_refused").filter(pl.col("line") == 6)["reason"]
        assert "the range of its meter is not known" in reason


def test_what_was_found_out_is_told_in_report_and_books(tmp_path: Path) -> None:
    _master(tmp_path)
    text = "well_id;taken_at;resistance_ohm;note\nA-W1;14.03.2019;12,5;Mooré\n"
    (tmp_path / "readings.csv").write_bytes(text.encode("cp1252"))
    with Store.open(tmp_path / "s.duckdb") as store:
        lines = _load(store, tmp_path).lines()
        told = "found: ';' between cells, cp1252, decimal comma, day before month"
        assert f"readings.csv: {told}" in lines
        assert told in store.table("core_books")["profile"].to_list()


def test_refused_visits_of_a_wide_sheet_are_corrected_in_one_file(tmp_path: Path) -> None:
    field, layouts = tmp_path / "field", tmp_path / "layouts"
    field.mkdir()
    layouts.mkdir()
    _master(field)
    (layouts / "wide.toml").write_text(
        'files = ["wide.csv"]\nseparator = ";"\n[[maps]]\ntable = "readings"\n'
        'visits = { form = "%d.%m.%Y" }\n[maps.columns]\nwell_id = "Pit"\n',
        encoding="utf-8",
    )
    (field / "wide.csv").write_text(
        "Pit;14.03.2019;15.03.2020\nA-W1;twelve;13.5\nA-W2;14.5;wet\n", encoding="utf-8"
    )
    with Store.open(tmp_path / "s.duckdb") as store:
        report = _load(store, field, layouts=layouts)
        assert (report.total("refused"), len(_content(store))) == (2, 2)
        (written,) = write_refused(open_rows(store), tmp_path / "again", [layouts])
        text = written.read_text(encoding="utf-8")
        written.write_text(text.replace("twelve", "12.5").replace("wet", "15.5"), encoding="utf-8")
        again = _load(store, tmp_path / "again", layouts=layouts)
        assert (again.total("taken"), again.total("refused")) == (2, 0)
        assert open_rows(store).is_empty()
        assert [row[2] for row in _content(store)] == [12.5, 13.5, 14.5, 15.5]


def test_a_well_written_once_is_filled_down_and_one_that_stands_above_nothing_is_not(tmp_path: Path) -> None:
    field, layouts = tmp_path / "field", tmp_path / "layouts"
    field.mkdir()
    layouts.mkdir()
    _master(field)
    (layouts / "log.toml").write_text(
        'files = ["log*.csv"]\nfill_down = ["Pit"]\n[[maps]]\ntable = "readings"\n'
        '[maps.columns]\nwell_id = "Pit"\ntaken_at = "Date"\nresistance_ohm = "Ohm"\n',
        encoding="utf-8",
    )
    (field / "log.csv").write_text(
        "Pit,Date,Ohm\n,2019-03-14,9.5\nA-W1,2019-03-14,12.5\n,2019-03-15,13.5\nA-W2,2019-03-16,14.5\n",
        encoding="utf-8",
    )
    with Store.open(tmp_path / "s.duckdb") as store:
        report = _load(store, field, layouts=layouts)
        assert (report.total("refused"), report.ok) == (1, True)
        assert [(row[0], row[2]) for row in _content(store)] == [("A-1", 12.5), ("A-1", 13.5), ("A-2", 14.5)]
        assert store.table("core_refused")["line"].to_list() == [2]


def test_what_is_filled_down_a_wide_sheet_comes_from_rows_that_a_visit_left_empty_too(tmp_path: Path) -> None:
    """The meter stands in the first row of its block alone, and that row was not read in 2019."""
    field, layouts = tmp_path / "field", tmp_path / "layouts"
    field.mkdir()
    layouts.mkdir()
    _master(field)
    (layouts / "wide.toml").write_text(
        'files = ["wide.csv"]\nseparator = ";"\nfill_down = ["Meter"]\n[[maps]]\ntable = "readings"\n'
        'visits = { form = "%d.%m.%Y" }\n[maps.columns]\nwell_id = "Pit"\ninstrument_id = "Meter"\n',
        encoding="utf-8",
    )
    (field / "wide.csv").write_text(
        "Meter;Pit;14.03.2019;15.03.2020\nM1;A-W1;11.5;12.5\nM7;A-W2;;13.5\n;A-W3;14.5;15.5\n",
        encoding="utf-8",
    )
    with Store.open(tmp_path / "s.duckdb") as store:
        assert _load(store, field, layouts=layouts).total("refused") == 0
        got = store.table("core_readings").filter(pl.col("electrode_id") == "A-3")
        assert got["instrument_id"].to_list() == ["M7", "M7"]
