"""Refused rows written in the layout that they came in, corrected there, settled by loading them again."""

import csv
import json
from pathlib import Path

import fastexcel
import polars as pl
import pytest
import xlsxwriter

from pipeline.store import Store
from synthetic_fleet.fleet import synthesize
from tests.flows.small_fleets import one_sentence, rodfleet


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Load a fleet of three crews' layouts, mistakes and all."""
    folder = tmp_path_factory.mktemp("fleet")
    synthesize(folder / "field", 18, 3)
    loaded = rodfleet(folder, "load", folder / "field")
    assert loaded.exit_code == 0, loaded.output
    return folder


def waiting(fleet: Path) -> pl.DataFrame:
    with Store.open(fleet / "store.duckdb", read_only=True) as store:
        return store.table("core_refused").filter(~pl.col("settled"))


def corrected(cells: dict[str, str]) -> dict[str, str]:
    """Put a number where there is a word, and leave the rest."""
    words = ("n/a", "?", "see note", "abt ", " or so", "--")
    return {
        k: "17.5" if v and k != "why_refused" and any(w in v for w in words) else v for k, v in cells.items()
    }


def correct_csv(path: Path) -> None:
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(corrected(row) for row in rows)


def correct_workbook(path: Path) -> None:
    book = fastexcel.read_excel(path)
    sheets = {
        name: book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string").to_polars()
        for name in book.sheet_names
    }
    with xlsxwriter.Workbook(path) as out:
        for name, frame in sheets.items():
            page = out.add_worksheet(name)
            names = [str(k) for k in range(frame.width)]
            for k, row in enumerate(frame.iter_rows()):
                for c, cell in enumerate(corrected(dict(zip(names, row, strict=True))).values()):
                    if cell:
                        page.write_string(k, c, cell)


def correct_json(path: Path) -> None:
    lines = [json.dumps(corrected(json.loads(x))) for x in path.read_text(encoding="utf-8").splitlines()]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def test_rows_are_listed_written_corrected_and_settled(fleet: Path, tmp_path: Path) -> None:
    before = waiting(fleet)
    words = before.filter(pl.col("reason").str.contains("is not a number"))
    assert words.height >= 3
    folder = tmp_path / "to_correct"
    told = rodfleet(fleet, "refused", "--write", folder)
    assert told.exit_code == 0, told.output
    assert f"line {words['line'][0]}: " in told.output or "more" in told.output
    files = [p for p in folder.rglob("*") if p.is_file()]
    assert {p.suffix for p in files} >= {".csv", ".xlsx", ".jsonl"}
    for path in files:
        {".csv": correct_csv, ".xlsx": correct_workbook, ".jsonl": correct_json}[path.suffix](path)
    rodfleet(fleet, "load", folder)
    after = waiting(fleet)
    key = ["file", "sheet", "line"]
    assert words.join(after, on=key, how="semi").is_empty()
    assert after.join(before, on=key, how="anti", nulls_equal=True).is_empty(), "nothing new waits"
    with Store.open(fleet / "store.duckdb") as store:
        assert all(check.passed for check in store.checks())


def test_a_folder_in_use_and_an_empty_list_are_said(fleet: Path, tmp_path: Path) -> None:
    (tmp_path / "something").write_text("here", encoding="utf-8")
    assert "not empty" in one_sentence(rodfleet(fleet, "refused", "--write", tmp_path), 2)
    none = rodfleet(fleet, "refused", "--table", "weather")
    assert none.exit_code == 0
    assert "No refused row waits" in none.output
