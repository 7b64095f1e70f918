"""Long texts in blocks, torn anywhere, read as the whole is; how cells are written is told by the whole."""

import csv
import io
import random
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import FileRefusedError
from pipeline.intake import texts
from pipeline.intake.delimited import grids
from pipeline.intake.load import LoadReport, load
from pipeline.intake.texts import find_encoding, text_of
from pipeline.store import Store

TODAY = date(2026, 11, 24)
CELLS = [
    "",
    "a",
    " b ",
    "12.5",
    "\u00e9",
    '"',
    '""',
    '5" rod',
    '"a"',
    '"a;b"',
    '"a\nb"',
    '"say ""so"""',
    " ",
    '"x" y',
    "\t",
]


def _torn(text: bytes, pick: random.Random) -> Iterator[bytes]:
    while text:
        size = pick.randrange(1, 12)
        yield text[:size]
        text = text[size:]


def _read(text: str, separator: str, pick: random.Random) -> list[tuple[int, list[str]]]:
    found = []
    for grid in grids(_torn(text.encode(), pick), separator):
        for line, width, fault, *cells in grid.iter_rows():
            assert fault is None
            assert not any(cells[width:])
            if any(cells):
                found.append((line, [c or "" for c in cells[:width]]))
    return found


def _expected(text: str, separator: str) -> list[tuple[int, list[str]]]:
    """Read the text with the standard library's parser alone."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    found, line = [], 1
    for row in reader:
        if any(c.strip() for c in row):
            found.append((line, [c.strip() for c in row]))
        line = reader.line_num + 1
    return found


@pytest.mark.parametrize("seed", range(300))
def test_a_text_torn_anywhere_reads_as_the_whole_does(seed: int) -> None:
    """Whole columns at once or line by line: the same lines and cells as one plain parser gives."""
    pick = random.Random(seed)
    separator, odd = pick.choice(",;\t|"), pick.choice([0.0, 0.1, 0.5])
    plain = [c for c in CELLS if '"' not in c] if pick.random() < 0.4 else CELLS
    lines = []
    for _ in range(pick.randrange(1, 9)):
        width = pick.randrange(1, 5) if pick.random() < odd else 3
        lines.append(separator.join(pick.choice(plain) for _ in range(width)))
    text = "\n".join(lines) + pick.choice(["", "\n"])
    assert _read(text, separator, pick) == _expected(text, separator)


def test_ends_of_lines_and_encodings_come_out_alike_wherever_they_are_torn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = "wéll,öhm\r\nA,1\rB,2\n\r\nC,3\r"
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"):
        path = tmp_path / "readings.csv"
        path.write_bytes((text * 40).encode(encoding))
        whole = find_encoding(path)
        for size in (1, 2, 3, 7, 1000):
            monkeypatch.setattr(texts, "BLOCK_BYTES", size)
            read = b"".join(text_of(path, whole)).decode()
            assert read == (text * 40).replace("\r\n", "\n").replace("\r", "\n")


def test_a_line_without_end_is_refused_before_it_fills_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.intake.delimited._LONGEST_LINE", 1000)

    def endless() -> Iterator[bytes]:
        yield b"a,b\n"
        while True:
            yield b"x" * 300

    with pytest.raises(FileRefusedError, match="line 2 does not end"):
        list(grids(endless(), ","))


METERS = "instrument_id,range_high_ohm\nM1,1500\n"
TABLES = {
    "sites.csv": "site_id,site_name\nA,Aber Moor\n",
    "electrodes.csv": "electrode_id,site_id,well_id,installed_on\n"
    + "".join(f"A-{k},A,W{k},2000-05-01\n" for k in range(5)),
    "instruments.csv": METERS,
}


def _loaded(
    folder: Path, text: str, monkeypatch: pytest.MonkeyPatch, size: int
) -> tuple[LoadReport, pl.DataFrame]:
    monkeypatch.setattr(texts, "BLOCK_BYTES", size)
    monkeypatch.setattr("pipeline.intake.distinct._FEW", 2000 if size > 1000 else 0)
    folder.mkdir()
    for name, content in TABLES.items():
        (folder / name).write_text(content, encoding="utf-8")
    (folder / "readings.csv").write_text(text, encoding="utf-8")
    with Store.open(folder / "store.duckdb") as store:
        report = load(store, [folder], TODAY, lambda _: None)
        assert all(check.passed for check in store.checks())
        refused = store.table("core_refused").select("line", "reason")
        rows = store.table("core_readings").sort("line").drop("row_id")
        return report, pl.concat([rows, refused], how="diagonal_relaxed")


@pytest.mark.parametrize(
    ("last", "asked"),
    [
        (["W1;27.04.2019;12,5", "W2;28.04.2019;7", "W3;29.04.2019;8"], False),  # settled by the last lines
        (["W1;05.04.2019;12,5", "W2;06.04.2019;7", "W3;07.04.2019;8"], True),  # the whole file is asked about
    ],
)
def test_how_cells_are_written_is_found_from_the_whole_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, last: list[str], asked: bool
) -> None:
    rows = [f"W{k % 5};{1 + k % 12:02d}.{1 + k % 7:02d}.20{1 + k % 19:02d};{k % 9 + 1}" for k in range(80)]
    text = "\n".join(["well_id;taken_at;resistance_ohm", *rows, *last]) + "\n"
    whole, all_at_once = _loaded(tmp_path / "whole", text, monkeypatch, 1 << 20)
    parts, in_blocks = _loaded(tmp_path / "parts", text, monkeypatch, 200)
    assert in_blocks.equals(all_at_once)
    (book,) = [b for b in parts.books if b.file == "readings.csv"]
    assert (book.failure is not None) == asked
    assert book == next(b for b in whole.books if b.file == "readings.csv")
    if not asked:
        assert "decimal comma, day before month" in book.found
        assert book.taken == 83


def test_a_beginning_that_reads_otherwise_is_taken_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first blocks hold points alone, the rest shows the comma to be the mark: all is read anew."""
    rows = [f"W{k % 5};2019-03-{1 + k % 28:02d};{k + 1}" for k in range(60)]
    rows += [f"W{k % 5};2020-03-{1 + k % 28:02d};{k + 1},5" for k in range(20)]
    text = "\n".join(["well_id;taken_at;resistance_ohm", *rows]) + "\n"
    report, found = _loaded(tmp_path / "parts", text, monkeypatch, 300)
    _, expected = _loaded(tmp_path / "whole", text, monkeypatch, 1 << 20)
    assert found.equals(expected)
    assert found["resistance_ohm"].sum() == sum(range(1, 61)) + sum(k + 1.5 for k in range(20))
    assert report.total("taken") == 80 + 5 + 1 + 1


def test_over_range_means_the_meter_of_its_own_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = "well_id,taken_at,resistance_ohm,instrument_id\nW1,2019-03-01,OL,M1\nW2,2019-03-01,OL,M2\n"
    _, found = _loaded(tmp_path / "a", text, monkeypatch, 1 << 20)
    assert found["resistance_ohm"].to_list() == [1500.0, None]
    assert "range of its meter is not known" in found["reason"].to_list()[1]
