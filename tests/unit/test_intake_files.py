"""Files of every form become the same grid of cells with the same lines."""

import gzip
import json
from datetime import date, datetime
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from pipeline.errors import FileRefusedError
from pipeline.intake.files import form_of, rows_under, sheets

HEADINGS = ("site_id", "site_name", "region")


def _rows(path: Path, heading_line: int | None = None) -> list[tuple[object, ...]]:
    (sheet,) = sheets(path)
    return rows_under(sheet, heading_line).frame.rows()


def _write(path: Path, content: str | bytes) -> Path:
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def test_the_form_is_told_by_the_suffix() -> None:
    assert form_of(Path("a/readings.CSV.gz")) == "csv"
    assert form_of(Path("a.b.parquet")) == "parquet"
    assert form_of(Path("notes.txt")) is None
    assert form_of(Path("readings")) is None


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_delimited_text_with_any_usual_separator(tmp_path: Path, separator: str, end: str) -> None:
    lines = [HEADINGS, ("A", "Aber Moor", "North"), ("", "", ""), ("B", "Bel Fen", "")]
    text = end.join(separator.join(line) for line in lines) + end
    path = _write(tmp_path / "sites.csv", b"\xef\xbb\xbf" + text.encode())
    expected = [(2, None, "A", "Aber Moor", "North"), (4, None, "B", "Bel Fen", None)]
    assert _rows(path) == expected
    assert _rows(_write(tmp_path / "sites.csv.gz", gzip.compress(text.encode()))) == expected


def test_quotes_do_not_shift_the_line_numbers(tmp_path: Path) -> None:
    text = 'site_id,site_name\nA,"one, two"\nB,"first\nsecond"\n\nC,"say ""so"""\n'
    assert _rows(_write(tmp_path / "sites.csv", text)) == [
        (2, None, "A", "one, two"),
        (3, None, "B", "first\nsecond"),
        (6, None, "C", 'say "so"'),
    ]


@pytest.mark.parametrize("quote", ["", '"'])
def test_a_line_with_too_few_or_too_many_cells_is_at_fault_and_kept(tmp_path: Path, quote: str) -> None:
    text = f"site_id,site_name\n{quote}A{quote}\nB,Bel,extra\nC,Cor\n"
    rows = _rows(_write(tmp_path / "sites.csv", text))
    assert [r[1] for r in rows] == [
        "the line has 1 cells and the headings are 2",
        "the line has 3 cells and the headings are 2",
        None,
    ]
    assert rows[1][2:] == ("B", "Bel", "extra")


def test_json_lines_keep_numbers_as_written_and_name_the_broken_line(tmp_path: Path) -> None:
    text = '{"a": 1.50, "b": true}\n\n{"a": 12\n[1]\n{"b": null, "c": {"d": 1}}\n'
    (sheet,) = sheets(_write(tmp_path / "readings.jsonl", text))
    frame = rows_under(sheet).frame
    assert frame["_line"].to_list() == [1, 3, 4, 5]
    assert frame["a"].to_list() == ["1.50", None, None, None]
    assert frame["b"].to_list() == ["true", None, None, None]
    faults = frame["_fault"].to_list()
    assert "is not JSON" in faults[1]
    assert faults[2] == "the line is not a JSON object"
    assert frame["line_text"][1] == '{"a": 12'
    assert json.loads(frame["c"][3]) == {"d": "1"}


def test_parquet_types_become_text(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {
            "day": [date(2020, 3, 1), None],
            "at": [datetime(2020, 3, 1, 10, 30), None],
            "zoned": pl.Series([datetime(2020, 3, 1, 10, 30), None]).dt.replace_time_zone("Europe/Oslo"),
            "ok": [True, False],
            "x": [12.5, float("nan")],
            "n": [3, None],
        }
    )
    frame.write_parquet(tmp_path / "t.parquet")
    assert _rows(tmp_path / "t.parquet") == [
        (1, None, "2020-03-01", "2020-03-01 10:30:00", "2020-03-01 10:30:00", "true", "12.5", "3"),
        (2, None, None, None, None, "false", "NaN", None),
    ]


def test_a_workbook_keeps_row_numbers_and_dates(tmp_path: Path) -> None:
    book = xlsxwriter.Workbook(tmp_path / "log.xlsx")
    sheet = book.add_worksheet("Log")
    sheet.write(0, 0, "a title")
    sheet.write_row(2, 1, ["Well", "Date", "Ohm"])
    day = book.add_format({"num_format": "dd/mm/yyyy"})
    sheet.write(3, 1, "W1")
    sheet.write_datetime(3, 2, datetime(2024, 3, 1), day)
    sheet.write_number(3, 3, 12.4)
    sheet.write_row(5, 1, ["W2", "02/03/2024", "12,4"])
    book.add_worksheet("empty")
    book.close()
    (found,) = sheets(tmp_path / "log.xlsx")
    rows = rows_under(found, 3)
    assert found.sheet == "Log"
    assert rows.headings == ("column_1", "Well", "Date", "Ohm")
    assert rows.frame.rows() == [
        (4, None, None, "W1", "2024-03-01 00:00:00", "12.4"),
        (6, None, None, "W2", "02/03/2024", "12,4"),
    ]


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.csv", b"", "the file is empty"),
        ("a.csv", b"\n\n", "holds no lines"),
        ("a.csv", b"site_id\nMoor\x81\n", r"is not UTF-8 \(line 2\)"),
        ("a.csv", b"site_id\nA\x00\n", "zero bytes"),
        ("a.csv", b"a," * 900, "so this is no table"),
        ("a.csv", b"site_id,site_id\nA,B\n", "'site_id' stands twice"),
        ("a.csv", b",,\nA,B,C\n", "line of headings is empty"),
        ("a.csv.gz", b"plain text", "gzip file is damaged"),
        ("a.csv.gz", gzip.compress(b"site_id\n" * 500, mtime=0)[:-12], "gzip file is damaged or cut short"),
        ("a.xlsx", b"PK\x03\x04 cut short", "not a whole XLSX workbook"),
        ("a.parquet", b"PAR1 cut short", "not a whole Parquet file"),
        ("a.jsonl", b"\n", "holds no JSON object"),
        ("a.doc", b"x", "'.doc' is no form that can be read"),
    ],
)
def test_a_spoilt_file_says_why(tmp_path: Path, name: str, content: bytes, words: str) -> None:
    path = _write(tmp_path / name, content)
    with pytest.raises(FileRefusedError, match=words) as caught:
        _rows(path)
    assert "\n" not in str(caught.value)


def test_a_named_encoding_is_read(tmp_path: Path) -> None:
    path = _write(tmp_path / "a.csv", "site_id\nMoor\u00e9\n".encode("cp1252"))
    (sheet,) = sheets(path, encoding="cp1252")
    assert rows_under(sheet).frame["site_id"].to_list() == ["Moor\u00e9"]


def test_a_peek_sees_the_headings_of_every_form(tmp_path: Path) -> None:
    frame = pl.DataFrame({"site_id": [f"S{k}" for k in range(200)]})
    frame.write_parquet(tmp_path / "a.parquet")
    frame.write_csv(tmp_path / "a.csv")
    frame.write_ndjson(tmp_path / "a.jsonl")
    for name in ("a.parquet", "a.csv", "a.jsonl"):
        (sheet,) = sheets(tmp_path / name, peek=40)
        assert rows_under(sheet).headings == ("site_id",)
