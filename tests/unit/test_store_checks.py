"""Each SQL check finds what it is made to find, on inline values, and nothing else."""

from pathlib import Path

import duckdb
import pytest

from pipeline.store import SQL_FOLDER, Store

_FILES = (
    "raw_files(file_id, file, sheet, rows_read, rows_taken, rows_held, rows_refused, rows_refused_before)"
)
_ROWS = "raw_rows(row_id, file_id, table_name, row_key, line, superseded_at, superseded_by)"
_REFUSED = "raw_refused(file_id, line)"


def _offending(check: str, tables: dict[str, str]) -> list[dict[str, object]]:
    """Run a check with inline VALUES standing in for the tables that it reads."""
    sql = (SQL_FOLDER / "checks" / f"{check}.sql").read_text(encoding="utf-8")
    stand_ins = ", ".join(f"{name} AS (VALUES {values})" for name, values in tables.items())
    start = sql.index("WITH ")
    connection = duckdb.connect()
    relation = connection.sql(f"{sql[:start]}WITH {stand_ins}, {sql[start + 5 :]}")
    return relation.to_arrow_table().to_pylist()


def _row(
    row_id: int, file_id: int = 1, table: str = "sites", key: str = "A|", rest: str = "NULL, NULL"
) -> str:
    return f"({row_id}, {file_id}, '{table}', '{key}', 2, {rest})"


@pytest.mark.parametrize(
    ("book", "rows", "refused", "offends"),
    [
        ("(1, 'f', '', 3, 1, 1, 1, 0)", _row(1), "(1, 4)", False),
        ("(1, 'f', '', 3, 1, 1, 1, 1)", _row(1), "(1, NULL)", False),  # its refused row was kept before
        ("(1, 'f', '', 4, 1, 1, 1, 0)", _row(1), "(1, 4)", True),  # a row read is nowhere
        ("(1, 'f', '', 4, 2, 1, 1, 0)", _row(1), "(1, 4)", True),  # a row taken is missing
        ("(1, 'f', '', 3, 1, 1, 1, 0)", _row(1), "(1, NULL)", True),  # a refused row is missing
        (
            "(1, 'f', '', 3, 1, 1, 1, 0)",
            f"{_row(1)}, {_row(2, file_id=9)}",
            "(1, 4)",
            True,
        ),  # rows without books
        ("(1, 'f', '', 1, 1, 0, 0, 0)", _row(1), "(9, 4)", True),  # refused rows without books
    ],
)
def test_books_close(book: str, rows: str, refused: str, offends: bool) -> None:
    found = _offending("books_close", {_FILES: book, _ROWS: rows, _REFUSED: refused})
    assert bool(found) is offends


def test_keys_are_unique() -> None:
    superseded = _row(1, rest="now(), 2")
    assert not _offending("keys_are_unique", {_ROWS: f"{superseded}, {_row(2)}, {_row(3, key='B|')}"})
    assert _offending("keys_are_unique", {_ROWS: f"{_row(1)}, {_row(2)}"})
    repeats = ", ".join(_row(k, table="readings") for k in (1, 2))
    assert not _offending("keys_are_unique", {_ROWS: repeats})


def test_superseded_by_known_rows() -> None:
    assert not _offending("superseded_by_known_rows", {_ROWS: f"{_row(1, rest='now(), 2')}, {_row(2)}"})
    assert _offending("superseded_by_known_rows", {_ROWS: f"{_row(1, rest='now(), 7')}, {_row(2)}"})
    assert _offending("superseded_by_known_rows", {_ROWS: f"{_row(1, rest='now(), NULL')}, {_row(2)}"})
    other = f"{_row(1, rest='now(), 2')}, {_row(2, key='B|')}"
    assert _offending("superseded_by_known_rows", {_ROWS: other})
    assert _offending("superseded_by_known_rows", {_ROWS: _row(1, rest="now(), 1")})


def test_readings_resolve_once() -> None:
    assert not _offending("readings_resolve_once", {"core_readings(row_id)": "(1), (2)"})
    assert _offending("readings_resolve_once", {"core_readings(row_id)": "(1), (1)"}) == [
        {"row_id": 1, "times": 2}
    ]


def test_readings_have_electrode() -> None:
    tables = {
        _ROWS: f"{_row(1, table='readings')}, {_row(2, table='readings')}, {_row(3, table='sites')}",
        "raw_files(file_id, file, sheet)": "(1, 'f', '')",
        "raw_readings(row_id, well_id, electrode_id, taken_at)": "(1, 'W', '', now()), (2, 'W', '', now())",
        "_meant_readings(row_id)": "(1), (2)",
        "core_unplaced(row_id)": "(7)",
    }
    assert not _offending("readings_have_electrode", tables)
    tables["_meant_readings(row_id)"] = "(1)"
    assert len(_offending("readings_have_electrode", tables)) == 1
    tables["core_unplaced(row_id)"] = "(2)"
    assert not _offending("readings_have_electrode", tables)


def _content(**extra: str) -> dict[str, str]:
    names = (
        "sites",
        "electrodes",
        "instruments",
        "soil_surveys",
        "soundings",
        "works",
        "weather",
        "readings",
        "aliases",
    )
    return {f"raw_{n}(row_id)": extra.get(n, f"({k + 1})") for k, n in enumerate(names)}


def test_rows_have_content() -> None:
    names = (
        "sites",
        "electrodes",
        "instruments",
        "soil_surveys",
        "soundings",
        "works",
        "weather",
        "readings",
        "aliases",
    )
    rows = ", ".join(_row(k + 1, table=n) for k, n in enumerate(names))
    assert not _offending("rows_have_content", {_ROWS: rows, **_content()})
    assert _offending("rows_have_content", {_ROWS: rows, **_content(works="(60)")})
    assert _offending("rows_have_content", {_ROWS: rows, **_content(readings="(8), (8)")})


def test_refers_to_known_sites() -> None:
    tables = {
        "core_sites(site_id)": "('A')",
        "core_electrodes(electrode_id, site_id, file, line)": "('A-1', 'A', 'e', 2)",
        "core_soil_surveys(site_id, file, line)": "('A', 's', 2)",
        "core_soundings(site_id, file, line)": "('A', 'p', 2)",
        "core_works(site_id, electrode_id, file, line)": "('A', 'A-1', 'w', 2), ('A', NULL, 'w', 3)",
        "core_weather(site_id, file, line)": "('A', 'm', 2), (NULL, 'm', 3)",
        "core_readings(site_id, electrode_id, file, line)": "('A', 'A-1', 'r', 2)",
    }
    assert not _offending("refers_to_known_sites", tables)
    works = {**tables, "core_works(site_id, electrode_id, file, line)": "('A', 'A-9', 'w', 2)"}
    assert [row["file"] for row in _offending("refers_to_known_sites", works)] == ["w"]
    soil = {**tables, "core_soil_surveys(site_id, file, line)": "('Z', 's', 2)"}
    assert [row["file"] for row in _offending("refers_to_known_sites", soil)] == ["s"]


def test_every_check_is_tested_here_and_passes_on_an_empty_store(tmp_path: Path) -> None:
    with Store.open(tmp_path / "store.duckdb") as store:
        results = store.checks()
    assert all(result.passed for result in results)
    here = Path(__file__).read_text(encoding="utf-8")
    assert all(f'_offending("{result.name}"' in here for result in results if result.name in _INTAKE_CHECKS)
    assert {result.name for result in results} >= _INTAKE_CHECKS


_INTAKE_CHECKS = {
    "books_close",
    "keys_are_unique",
    "readings_have_electrode",
    "readings_resolve_once",
    "refers_to_known_sites",
    "rows_have_content",
    "superseded_by_known_rows",
}
