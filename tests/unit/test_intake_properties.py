"""However readings are written, cut into files, ordered and repeated, the store ends the same, or asks.

The expected content is worked out here from the true readings, not by loading them another way.
"""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.store import Store
from tests.conftest import examples
from tests.unit.intake_writings import (
    UNCLEAR_DAYS,
    Reading,
    content,
    deliveries,
    in_a_folder,
    load_all,
    new_store,
    put,
    readings,
    writings,
)

# A day above the twelfth settles the order of day and month.
UNCLEAR = st.lists(readings(st.integers(1, 28), decimals=4), min_size=1, max_size=5, unique=True)
CLEAR = st.lists(readings(st.integers(13, 28)), min_size=1, max_size=8, unique=True)


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return new_store(tmp_path_factory.mktemp("new"))


@examples(10)
@given(data=st.data(), rows=CLEAR, zipped=st.booleans())
def test_every_way_of_writing_ends_in_the_same_store(
    template: Path, data: st.DataObject, rows: list[Reading], zipped: bool
) -> None:
    pieces = data.draw(deliveries(rows, writings()))

    def check(folder: Path) -> None:
        put(pieces, folder / "field", zipped)
        shutil.copy(template, folder / "store.duckdb")
        with Store.open(folder / "store.duckdb") as store:
            report = load_all(store, folder / "field")
            assert report.ok, report.lines()
            read = sum(piece.rows for piece in pieces)
            assert (report.total("read"), report.total("refused")) == (read, 0), report.lines()
            assert content(store) == sorted((row.held for row in rows), key=str)
            renamed = replace(pieces[0], name=f"again/readings_x_{Path(pieces[0].name).name}")
            put([renamed], folder / "more", zipped=False)
            again = load_all(store, folder / "field", folder / "more")
            assert (again.total("read"), again.total("held")) == (read + renamed.rows,) * 2
            assert content(store) == sorted((row.held for row in rows), key=str)
            assert [check.name for check in store.checks() if not check.passed] == []

    in_a_folder(check)


@examples(10)
@given(data=st.data(), rows=UNCLEAR)
def test_what_can_be_read_in_two_ways_is_asked_or_refused_and_never_misread(
    template: Path, data: st.DataObject, rows: list[Reading]
) -> None:
    pieces = data.draw(deliveries(rows, writings(days=UNCLEAR_DAYS)))

    def check(folder: Path) -> None:
        put(pieces, folder / "field", zipped=False)
        shutil.copy(template, folder / "store.duckdb")
        with Store.open(folder / "store.duckdb") as store:
            report = load_all(store, folder / "field")
            assert set(content(store)) <= {row.held for row in rows}
            failed = {book.file for book in report.failures}
            assert report.total("read") == sum(piece.rows for piece in pieces if piece.name not in failed)
            for book in report.failures:
                assert book.failure
                assert "source profile" in book.failure
            assert all(kept["reason"] for kept in store.table("core_refused").iter_rows(named=True))

    in_a_folder(check)
