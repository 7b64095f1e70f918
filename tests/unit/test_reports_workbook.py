"""The workbook and the CSV copies: types, formats, and no text that becomes a formula."""

import csv
import re
import zipfile
from pathlib import Path
from xml.etree import ElementTree as ET

import fastexcel
import polars as pl
import pytest

from reports.staged import read_staged
from reports.workbook import unformulated, write_copies, write_workbook
from tests.unit.staged_run import SITE_NAMES, write_staged_run

CELLS = {"m": "http://schemas.openxmlformats.org/spreadsheetml/2006/main"}


@pytest.fixture(scope="module")
def staged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_staged_run(tmp_path_factory.mktemp("staged"))


@pytest.fixture(scope="module")
def book(staged: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_workbook(read_staged(staged), tmp_path_factory.mktemp("book") / "rodfleet.xlsx")


def sheet_xml(book: Path, number: int) -> ET.Element:
    with zipfile.ZipFile(book) as parts:
        return ET.fromstring(parts.read(f"xl/worksheets/sheet{number}.xml"))


def test_the_sheets_that_people_ask_for(book: Path) -> None:
    assert fastexcel.read_excel(book).sheet_names == [
        "ranking",
        "plan",
        "sites",
        "electrodes",
        "attend first",
        "verdict counts",
        "about",
    ]


def test_no_cell_holds_a_formula_or_a_link(book: Path) -> None:
    with zipfile.ZipFile(book) as parts:
        for name in parts.namelist():
            if name.startswith("xl/worksheets/"):
                root = ET.fromstring(parts.read(name))
                assert not list(root.iter(f"{{{CELLS['m']}}}f"))
                assert not list(root.iter(f"{{{CELLS['m']}}}hyperlink"))


def test_hostile_names_come_back_as_they_were(book: Path) -> None:
    ranking = fastexcel.read_excel(book).load_sheet("ranking").to_polars()
    assert ranking["site_name"].to_list() == list(SITE_NAMES)


def test_numbers_dates_and_truths_are_typed(book: Path, staged: Path) -> None:
    excel = fastexcel.read_excel(book)
    ranking = excel.load_sheet("ranking").to_polars()
    assert ranking["cost"].to_list() == pl.read_parquet(staged / "site_ranking.parquet")["cost"].to_list()
    assert ranking["attend_first"].dtype == pl.Boolean
    electrodes = excel.load_sheet("electrodes").to_polars()
    assert electrodes["installed_on"].dtype in (pl.Date, pl.Datetime("ms"))
    counts = excel.load_sheet("verdict counts").to_polars()
    assert counts["readings"].sum() == 540


def test_infinity_is_said_in_words(book: Path) -> None:
    with zipfile.ZipFile(book) as parts:
        assert "not within 200 years" in parts.read("xl/sharedStrings.xml").decode()


def test_the_header_is_frozen_and_numbers_are_formatted(book: Path) -> None:
    for number in range(1, 8):
        pane = sheet_xml(book, number).find(".//m:pane", CELLS)
        assert pane is not None
        assert (pane.get("state"), pane.get("ySplit")) == ("frozen", "1")
    with zipfile.ZipFile(book) as parts:
        styles = parts.read("xl/styles.xml").decode()
    assert "yyyy-mm-dd" in styles
    assert re.search(r'formatCode="0\.0%"', styles)


def test_copies_disarm_formulas_and_keep_numbers(staged: Path, tmp_path: Path) -> None:
    write_copies(staged, tmp_path)
    with (tmp_path / "site_ranking.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    names = [row["site_name"] for row in rows]
    assert "'=1+1" in names
    assert "'@SUM(A1)" in names
    assert "'-2+3 Fen" in names
    assert "Müllerhöhe Süd" in names
    assert float(rows[0]["expected_benefit"]) == 42000.0
    for path in tmp_path.glob("*.csv"):
        with path.open(encoding="utf-8-sig", newline="") as file:
            for row in csv.reader(file):
                for cell in row:
                    assert not re.match(r"[=+@\t\r]", cell), (path.name, cell)


def test_a_missing_table_is_copied_as_its_header(tmp_path: Path) -> None:
    run = write_staged_run(tmp_path / "staged")
    (run / "plan.parquet").unlink()
    write_copies(run, tmp_path)
    text = (tmp_path / "plan.csv").read_text(encoding="utf-8-sig")
    assert text.split() == ["site_id,action,year,rods,cost,expected_benefit"]


def test_only_text_is_disarmed() -> None:
    frame = pl.DataFrame({"text": ["-1", "a=1", None], "number": [-1.0, 2.0, None]})
    disarmed = unformulated(frame)
    assert disarmed["text"].to_list() == ["'-1", "a=1", None]
    assert disarmed["number"].to_list() == [-1.0, 2.0, None]


def test_a_workbook_of_an_empty_run_opens(tmp_path: Path) -> None:
    (tmp_path / "run.json").write_text("{}", encoding="utf-8")
    book = write_workbook(read_staged(tmp_path), tmp_path / "empty.xlsx")
    assert fastexcel.read_excel(book).load_sheet("ranking").to_polars().height == 0
