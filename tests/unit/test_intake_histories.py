"""Any sequence of loads leaves the store as the plain rules of intake_books.py say, after every step.

Files come, come again, in parts, under another name, with corrections; refused rows go out and come back
corrected, or wrong again; the store is looked back at while the next file is loaded.
"""

import csv
import io
import json
import shutil
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import polars as pl
import pytest
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from pipeline.intake import load as loading
from pipeline.intake.judged import MARK, WHY
from pipeline.refused import open_rows, write_refused
from pipeline.store import Store
from tests.conftest import examples
from tests.unit.intake_books import HEADINGS, Books, Row
from tests.unit.intake_writings import TODAY, WELLS, load_all, new_store

SOUND = frozenset({"2010-05-13", "2011-06-14"})
ROWS = st.builds(
    Row,
    # One well is unknown until its electrode is loaded; one date is none, one lies ahead.
    well_id=st.sampled_from((WELLS[0], WELLS[1], "A-W9")),
    taken_at=st.sampled_from((*sorted(SOUND), "2010-13-45", "2030-01-01")),
    resistance_ohm=st.sampled_from(("12.5", "13.5", "wet")),
    corrects=st.sampled_from(("", "true")),
    note=st.sampled_from(("", "muddy")),
)
GOOD_ROWS = st.builds(
    Row,
    well_id=st.sampled_from(WELLS[:2]),
    taken_at=st.sampled_from(sorted(SOUND)),
    resistance_ohm=st.sampled_from(("12.5", "13.5", "14.5")),
    corrects=st.sampled_from(("", "true")),
)
FILES = st.lists(st.one_of(GOOD_ROWS, ROWS), min_size=1, max_size=4)
NAMES = st.sampled_from(("readings_a.csv", "readings_b.csv", "north/readings_a.csv"))


class _Clock(datetime):
    """Tell a later minute at each load, so that each load is a moment of its own to look back to."""

    minutes = 0

    @classmethod
    def now(cls, tz: Any = None) -> datetime:  # noqa: ARG003
        return datetime.combine(TODAY, datetime.min.time()) + timedelta(minutes=cls.minutes)


def _text(rows: list[Row]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([HEADINGS, *(row.cells for row in rows)])
    return text.getvalue()


class Loads(RuleBasedStateMachine):
    """Load files into a store and into the reference."""

    template: Path
    sent = Bundle("sent")

    def __init__(self) -> None:
        super().__init__()
        self.opened = TemporaryDirectory(prefix="rodfleet-")
        self.folder = Path(self.opened.name)
        shutil.copy(self.template, self.folder / "store.duckdb")
        self.store = Store.open(self.folder / "store.duckdb")
        self.books = Books(SOUND, set(WELLS))
        self.number = 0

    def teardown(self) -> None:
        self.store.close()
        self.opened.cleanup()

    def _load(self, files: dict[str, list[Row]], inbox: Path | None = None) -> None:
        """Load a folder of files; its books are those of the reference."""
        if inbox is None:
            inbox = self._new_folder()
            for name, rows in files.items():
                (inbox / name).parent.mkdir(parents=True, exist_ok=True)
                (inbox / name).write_text(_text(rows), encoding="utf-8")
        self.books.loads += 1
        _Clock.minutes = self.books.loads
        expected = {name: self.books.load(name, rows) for name, rows in sorted(files.items())}
        report = load_all(self.store, inbox)
        assert {b.file: (b.read, b.taken, b.held, b.refused) for b in report.books} == expected

    def _new_folder(self) -> Path:
        self.number += 1
        path = self.folder / str(self.number)
        path.mkdir()
        return path

    @initialize(target=sent, rows=FILES)
    def begin(self, rows: list[Row]) -> list[Row]:
        self._load({"readings_a.csv": rows})
        return rows

    @rule(target=sent, name=NAMES, rows=FILES)
    def a_file_comes(self, name: str, rows: list[Row]) -> list[Row]:
        self._load({name: rows})
        return rows

    @rule(name=NAMES, rows=sent)
    def it_comes_again_as_it_was_or_under_another_name(self, name: str, rows: list[Row]) -> None:
        self._load({name: rows})

    @rule(name=NAMES, rows=sent, data=st.data())
    def a_part_of_it_comes(self, name: str, rows: list[Row], data: st.DataObject) -> None:
        kept = data.draw(st.lists(st.sampled_from(rows), min_size=1, max_size=len(rows)))
        self._load({name: kept})

    @rule(first=FILES, second=sent)
    def two_files_come_together(self, first: list[Row], second: list[Row]) -> None:
        self._load({"readings_c.csv": first, "readings_d.csv": second})

    @rule(rows=sent, data=st.data())
    def a_correction_comes(self, rows: list[Row], data: st.DataObject) -> None:
        told = data.draw(st.sampled_from(rows))
        ohm = data.draw(st.sampled_from(("15.5", "16.5")))
        self._load({"readings_e.csv": [Row(told.well_id, told.taken_at, ohm, "true")]})

    @rule()
    def the_unknown_well_becomes_known(self) -> None:
        inbox = self._new_folder()
        (inbox / "electrodes.csv").write_text(
            "electrode_id,site_id,well_id,installed_on\nA-9,A,A-W9,2000-05-01\n", encoding="utf-8"
        )
        self.books.loads += 1
        self.books.files += 1
        _Clock.minutes = self.books.loads
        load_all(self.store, inbox)
        self.books.wells.add("A-W9")

    @precondition(lambda self: any(r.settled is None for r in self.books.refused))
    @rule(data=st.data())
    def refused_rows_are_written_out_and_come_back(self, data: st.DataObject) -> None:
        inbox = self._new_folder()
        files: dict[str, list[Row]] = {}
        for path in write_refused(open_rows(self.store), inbox):
            with path.open(encoding="utf-8", newline="") as stream:
                lines = list(csv.DictReader(stream))
            rows = [
                Row(*(line[h] for h in HEADINGS), mark=line[MARK])
                if data.draw(st.booleans(), label="left as it is")
                else data.draw(GOOD_ROWS | ROWS).marked(line[MARK])
                for line in lines
            ]
            with path.open("w", encoding="utf-8", newline="") as stream:
                csv.writer(stream).writerows(
                    [(*HEADINGS, WHY, MARK), *((*row.cells, "why", row.mark) for row in rows)]
                )
            files[path.relative_to(inbox).as_posix()] = rows
        self._load(files, inbox)

    @rule(rows=FILES, data=st.data())
    def a_file_comes_while_someone_looks_back(self, rows: list[Row], data: st.DataObject) -> None:
        load = data.draw(st.integers(1, self.books.loads))
        self.store.close()
        shutil.copy(self.folder / "store.duckdb", self.folder / "then.duckdb")
        self.store = Store.open(self.folder / "store.duckdb")
        at = datetime.combine(TODAY, datetime.min.time()) + timedelta(minutes=load)
        with Store.open(self.folder / "then.duckdb") as then:
            then.look_back(at)
            expected = self.books.standing(load), self.books.waiting(load)
            assert _held(then) == expected
            self._load({"readings_f.csv": rows})
            assert _held(then) == expected

    @invariant()
    def the_store_is_as_the_rules_say(self) -> None:
        assert _held(self.store) == (self.books.standing(), self.books.waiting())

    @invariant()
    def every_check_passes(self) -> None:
        assert [check.name for check in self.store.checks() if not check.passed] == []


def _held(store: Store) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
    """Give the readings that stand and the rows that were refused, as the reference does."""
    readings = store.table("core_readings").select(
        "well_id", "taken_at", "resistance_ohm", pl.col("corrects").fill_null(False), "note"
    )
    refused = []
    for row in store.table("core_refused").iter_rows(named=True):
        cells = json.loads(row["cells"])
        assert row["reason"]
        refused.append((row["file"], row["line"], *(cells[h] or "" for h in HEADINGS), row["settled"]))
    return sorted(readings.rows(), key=str), sorted(refused)


def test_any_history_of_loads_is_as_the_rules_say(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loading, "datetime", _Clock)
    Loads.template = new_store(tmp_path_factory.mktemp("new"))
    run_state_machine_as_test(Loads, settings=examples(5, steps=8))
