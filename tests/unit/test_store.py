"""The store: migrations, bound values, transactions, locks, and errors that show the SQL."""

import os
import subprocess
import sys
from pathlib import Path

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.errors import StoreError
from pipeline.intake.cells import typed_names
from pipeline.intake.tables import TABLES
from pipeline.store import SQL_FOLDER, Store

_HOLD = """
import sys, duckdb
connection = duckdb.connect(sys.argv[1])
print("held", flush=True)
sys.stdin.read()
"""


def test_a_new_store_has_every_table_typed_and_empty(tmp_path: Path) -> None:
    with Store.open(tmp_path / "deep/store.duckdb") as store:
        for table in TABLES.values():
            rows = store.table(f"core_{table.name}")
            assert rows.is_empty()
            expected = {*typed_names(table), "row_id", "file", "sheet", "line"}
            assert expected <= set(rows.columns), table.name
        assert {"electrode_id", "well_id", "site_id"} <= set(store.table("core_readings").columns)
        assert store.table("core_readings").schema["taken_at"] == pl.Datetime("us")
        assert store.table("core_electrodes").schema["installed_on"] == pl.Date
        assert store.table("core_refused").columns[:7] == [
            *("file", "sheet", "line", "table_name", "reason", "cells", "settled")
        ]
        assert "rows_held" in store.table("core_books").columns


def test_the_store_takes_the_very_choices_that_a_reading_can_have(tmp_path: Path) -> None:
    with Store.open(tmp_path / "store.duckdb") as store:
        shown = store.table("core_readings").schema
    with duckdb.connect(str(tmp_path / "store.duckdb")) as opened:
        columns = opened.execute(
            "SELECT column_name, data_type FROM duckdb_columns() WHERE table_name = 'raw_readings'"
        ).fetchall()
    told = {c.name: c.choices for c in TABLES["readings"].columns if c.choices}
    told["range_mark"] = ("over", "under")
    kept = {c: tuple(kind[5:-1].split(", ")) for c, kind in columns if kind.startswith("ENUM(")}
    assert kept == {c: tuple(f"'{choice}'" for choice in choices) for c, choices in told.items()}
    assert {shown[c] for c in told} == {pl.String()}


def test_opening_twice_migrates_once(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    names = sorted(file.stem for file in (SQL_FOLDER / "migrations").glob("*.sql"))
    for _ in range(2):
        with Store.open(path) as store:
            assert store.table("_migrations")["name"].to_list() == names


def test_extensions_are_never_looked_for(tmp_path: Path) -> None:
    with Store.open(tmp_path / "store.duckdb") as store:
        for setting in ("autoinstall_known_extensions", "autoload_known_extensions"):
            value = store._rows(f"SELECT current_setting('{setting}') AS value", "setting", {})
            assert value["value"].to_list() == [False]


def test_reading_only_needs_a_store_and_can_not_write(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    with pytest.raises(StoreError, match="There is no store"):
        Store.open(path, read_only=True)
    Store.open(path).close()
    with Store.open(path, read_only=True) as store, pytest.raises(StoreError, match="read-only"):
        store.write("_stage", pl.DataFrame({"a": [1]}))


def test_an_older_store_is_brought_up_to_date_before_reading(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    duckdb.connect(str(path)).close()
    with Store.open(path, read_only=True) as store:
        assert store.table("core_sites").is_empty()


def test_a_newer_store_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    with Store.open(path) as store:
        store.append("_migrations", pl.DataFrame({"name": ["9999_later"]}))
    with pytest.raises(StoreError, match=r"newer rodfleet \(9999_later\)"):
        Store.open(path)


def test_write_replaces_and_append_adds(tmp_path: Path) -> None:
    frame = pl.DataFrame({"a": [1, 2], "b": ["x", None]})
    with Store.open(tmp_path / "store.duckdb") as store:
        store.write("_stage", frame)
        store.write("_stage", frame)
        assert_frame_equal(store.table("_stage"), frame)
        store.append("_stage", pl.DataFrame({"b": ["y"]}))
        assert store.table("_stage").rows() == [(1, "x"), (2, None), (None, "y")]


def _fail_halfway(store: Store) -> None:
    with store.transaction():
        store.append("_stage", pl.DataFrame({"a": [2]}))
        raise RuntimeError("power cut")


def test_a_transaction_is_all_or_nothing(tmp_path: Path) -> None:
    with Store.open(tmp_path / "store.duckdb") as store:
        store.write("_stage", pl.DataFrame({"a": [1]}))
        with pytest.raises(RuntimeError, match="power cut"):
            _fail_halfway(store)
        assert store.table("_stage")["a"].to_list() == [1]


def test_values_are_bound_and_never_pasted(tmp_path: Path) -> None:
    with Store.open(tmp_path / "store.duckdb") as store:
        hostile = "x'; DROP TABLE raw_rows; --"
        store.run("settle_refused_file", file=hostile, sheet="", known_from=None)
        assert store.table("raw_rows").is_empty()
        with pytest.raises(StoreError, match="not a table's name"):
            store.table('raw_rows"; DROP TABLE raw_rows; --')


def test_errors_show_the_sql(tmp_path: Path) -> None:
    with Store.open(tmp_path / "store.duckdb") as store:
        with pytest.raises(StoreError, match="No value was given for file_id"):
            store.frame("book_of_file")
        with pytest.raises(StoreError, match=r"_hashed does not exist(.|\n)*WITH hashed AS"):
            store.frame("seen_before", table_name="sites", file_id=1, kind="row")
        with pytest.raises(StoreError, match=r"no SQL file nowhere\.sql"):
            store.run("nowhere")


def test_a_store_held_by_another_process_says_by_which(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    Store.open(path).close()
    holder = subprocess.Popen(
        [sys.executable, "-c", _HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    try:
        assert holder.stdout is not None
        holder.stdout.readline()
        with pytest.raises(StoreError) as caught:
            Store.open(path)
    finally:
        holder.communicate(b"")
    assert f"in use by process {holder.pid}" in str(caught.value)
    assert str(os.getpid()) not in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_no_store_is_said_so(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    path.write_bytes(b"this is no database" * 1000)
    with pytest.raises(StoreError, match="can't be opened"):
        Store.open(path)


def test_two_modes_in_one_process_are_said_so(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    with Store.open(path), pytest.raises(StoreError, match="already open in this process"):
        Store.open(path, read_only=True)
