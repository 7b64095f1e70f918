"""Spoilt field files beside sound ones: sound rows are published, no spoilt one is lost or silent."""

import gzip
import io
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from click.testing import Result

from pipeline.store import Store
from tests.flows.small_fleets import one_sentence, published, read_yearly, rodfleet, rods

HEAD = "well_id,taken_at,resistance_ohm\n"


def _half_a_workbook() -> bytes:
    whole = io.BytesIO()
    with xlsxwriter.Workbook(whole) as book:
        sheet = book.add_worksheet("readings")
        sheet.write_row(0, 0, HEAD.strip().split(","))
        for k in range(1, 200):
            sheet.write_row(k, 0, ["S01-W1", "2020-03-05", 12.0 + k])
    return whole.getvalue()[: len(whole.getvalue()) // 2]


# name: (content, words of the reason)
WHOLE: dict[str, tuple[bytes, str]] = {
    "readings_no_date.csv": (b"well_id,resistance_ohm\nS01-W1,12\n", "the column taken_at is missing"),
    "readings_half.xlsx": (_half_a_workbook(), "not a whole XLSX workbook"),
    "readings_empty.csv": (b"", "the file is empty"),
    "readings_latin.csv": (HEAD.encode() + b"S01-W1,2020-03-06,zw\x81lf\n", "not UTF-8"),
    "readings_zeros.csv": (HEAD.encode() + b"S01-W1,2020-03-07,12\x00\n", "zero bytes"),
    "readings_cut.csv.gz": (gzip.compress((HEAD + "S01-W1,2020-03-09,12\n" * 50).encode())[:40], "cut short"),
    "readings_cut.parquet": (b"PAR1xxxx", "not a whole Parquet file"),
}
# name: (lines after the heading, (line, words of the reason), rows taken)
ROWS: dict[str, tuple[str, tuple[int, str], int]] = {
    "readings_stranger.csv": ("X-W9,2020-03-01,12\nS01-W1,2020-03-01,12\n", (2, "'X-W9' is not known"), 1),
    "readings_words.csv": ("S01-W1,2020-03-02,wet\nS01-W1,2020-03-03,13\n", (2, "'wet' is not a number"), 1),
    "readings_date.csv": (
        "S01-W1,2020-02-30,12\nS01-W1,2020-03-04,13\n",
        (2, "not a date of the calendar"),
        1,
    ),
    "readings_torn.csv": (
        "S01-W1,2020-03-08,12\nS01-W2,2020-0",
        (3, "has 2 cells and the headings are 3"),
        1,
    ),
    "readings_comma.csv": ('S01-W3,2020-03-10,"1,250"\n', (2, "'1,250' is not a number"), 0),
}


@pytest.fixture(scope="module")
def spoilt(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    folder = tmp_path_factory.mktemp("spoilt")
    field = read_yearly(rods(2, 3), 2018, 2024).write(folder)
    for name, (content, _) in WHOLE.items():
        (field / name).write_bytes(content)
    for name, (lines, _, _) in ROWS.items():
        (field / name).write_text(HEAD + lines, encoding="utf-8")
    return folder, rodfleet(folder, "load", field)


def test_the_load_fails_and_says_of_each_file_what_is_wrong(spoilt: tuple[Path, Result]) -> None:
    _, loaded = spoilt
    assert "Not every file could be loaded" in one_sentence(loaded, 1)
    for name, (_, words) in WHOLE.items():
        (line,) = [s for s in loaded.output.splitlines() if s.startswith(f"{name}: refused as a whole")]
        assert words in line
    for name, (_, (line_no, words), _) in ROWS.items():
        (line,) = [s for s in loaded.output.splitlines() if s.startswith(f"{name}, line {line_no}: refused")]
        assert words in line


def test_the_books_close_and_every_refused_row_is_kept_whole(spoilt: tuple[Path, Result]) -> None:
    folder, _ = spoilt
    assert rodfleet(folder, "check").exit_code == 0
    with Store.open(folder / "store.duckdb", read_only=True) as store:
        books, refused = store.table("core_books"), store.table("core_refused")
    sums = books.select(pl.col("rows_taken") + pl.col("rows_held") + pl.col("rows_refused")).to_series()
    assert (books["rows_read"] == sums).all()
    taken = dict(books.select("file", "rows_taken").iter_rows())
    for name, (_, (line_no, _), rows) in ROWS.items():
        assert taken[name] == rows, name
        (cells,) = refused.filter((pl.col("file") == name) & (pl.col("line") == line_no))["cells"]
        assert "2020-0" in cells
    assert set(WHOLE) <= set(refused.filter(pl.col("line").is_null())["file"])


def test_the_rest_is_run_and_published(spoilt: tuple[Path, Result]) -> None:
    folder, _ = spoilt
    done = rodfleet(folder, "run")
    assert done.exit_code == 0, done.output
    tables = published(folder)
    sound = 2 * 3 * 7
    assert tables["reading_verdicts"].height == sound + sum(taken for _, _, taken in ROWS.values())
    assert tables["refused_rows"].height == len(ROWS) + len(WHOLE)
    page = (folder / "out/current/readings.html").read_text(encoding="utf-8")
    assert "readings_words.csv" in page


def test_a_corrected_file_settles_what_was_open(spoilt: tuple[Path, Result], tmp_path: Path) -> None:
    folder, _ = spoilt
    field = tmp_path / "again"
    field.mkdir()
    (field / "readings_words.csv").write_text(
        HEAD + "S01-W1,2020-03-02,14\nS01-W1,2020-03-03,13\n", encoding="utf-8"
    )
    (field / "readings_empty.csv").write_text(HEAD + "S01-W2,2020-03-11,14\n", encoding="utf-8")
    assert rodfleet(folder, "load", field).exit_code == 0
    with Store.open(folder / "store.duckdb", read_only=True) as store:
        still = store.table("core_refused").filter(~pl.col("settled"))["file"]
    assert not {"readings_words.csv", "readings_empty.csv"} & set(still)
