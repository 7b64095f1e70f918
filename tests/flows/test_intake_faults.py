"""What can go wrong while files are taken: the store opens afterwards, and its books balance."""

import contextlib
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import StoreError
from pipeline.intake import load as loading
from pipeline.intake.load import load
from pipeline.store import Store
from tests.flows.small_fleets import one_sentence, read_yearly, rodfleet, rods

TODAY = date(2026, 1, 31)
KILLS = 3


def _drawer(folder: Path, sites: int = 8, files: int = 12) -> Path:
    """Write a fleet whose readings come in so many files."""
    small = read_yearly(rods(sites, 4), 2000, 2024)
    rows = small.tables.pop("readings")
    field = small.write(folder)
    for k in range(files):
        pl.DataFrame(rows[k::files]).write_csv(field / f"readings_{k:02d}.csv")
    return field


def _balanced(store: Store) -> bool:
    """Say whether every check of the store passes and the books of each file add up to the rows there are."""
    books = store.table("core_books").filter(pl.col("table_name") == "readings")
    taken = int(books["rows_taken"].sum())
    closed = pl.col("rows_read") == pl.col("rows_taken") + pl.col("rows_held") + pl.col("rows_refused")
    every = all(check.passed for check in store.checks())
    return every and bool(books.select(closed.all()).item()) and taken == store.table("raw_readings").height


def test_a_load_killed_at_any_moment_leaves_whole_files_and_goes_on(tmp_path: Path) -> None:
    """kill -9 at moments spread over a load: each time some files are in, whole; at the end all are, once."""
    field, pick = _drawer(tmp_path), random.Random(4)
    words = [sys.executable, "-m", "pipeline.cli", "--fleet", str(tmp_path), "load", str(field)]
    seen = []
    for k in range(KILLS):
        process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        assert process.stdout is not None
        for _ in range(pick.randrange(1, 5) + k):  # lines of the books that have come out by then
            process.stdout.readline()
        time.sleep(pick.random() / 20)
        with contextlib.suppress(ProcessLookupError):
            os.kill(process.pid, signal.SIGKILL)
        process.communicate()
        with Store.open(tmp_path / "store.duckdb") as store:
            assert _balanced(store)
            seen.append(store.table("raw_readings").height)
    assert seen == sorted(seen)
    with Store.open(tmp_path / "store.duckdb") as store:
        load(store, [field], TODAY, lambda _: None)
        assert _balanced(store)
        assert store.table("core_readings").height == 8 * 4 * 25


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    disk = tmp_path / "small"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("a small file system can be mounted by root alone")
    try:
        yield disk
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def test_a_full_disk_stops_the_load_with_a_sentence_and_the_store_stands(
    small_disk: Path, tmp_path: Path
) -> None:
    field = _drawer(tmp_path, files=3)
    with Store.open(small_disk / "store.duckdb") as store:
        load(store, [field / "sites.csv", field / "electrodes.csv"], TODAY, lambda _: None)
    with contextlib.suppress(OSError), (small_disk / "ballast").open("wb") as stream:
        while True:
            stream.write(bytes(65_536))
            stream.flush()
    with pytest.raises(StoreError, match="No space left"), Store.open(small_disk / "store.duckdb") as store:
        load(store, [field], TODAY, lambda _: None)
    (small_disk / "ballast").unlink()
    with Store.open(small_disk / "store.duckdb") as store:
        assert _balanced(store)
        load(store, [field], TODAY, lambda _: None)
        assert _balanced(store)
        assert store.table("core_readings").height == 8 * 4 * 25


def test_a_second_writer_gets_one_sentence_that_says_who_holds_the_store(tmp_path: Path) -> None:
    field = _drawer(tmp_path, files=1)
    hold = (
        "import sys; from pathlib import Path; from pipeline.store import Store; "
        "s = Store.open(Path(sys.argv[1])); print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", hold, str(tmp_path / "store.duckdb")],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    try:
        assert holder.stdout is not None
        holder.stdout.readline()
        assert str(holder.pid) in one_sentence(rodfleet(tmp_path, "load", field), 1)
    finally:
        holder.communicate(b"")
    assert rodfleet(tmp_path, "load", field).exit_code == 0


def test_a_file_that_changes_while_it_is_read_is_refused_and_can_come_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    field = _drawer(tmp_path, files=1)
    real = loading.take

    def grown(delivery: object, one: object, *more: object) -> object:
        done = real(delivery, one, *more)  # type: ignore[arg-type]
        path = one.path  # type: ignore[attr-defined]
        if path.stem == "readings_00":
            with path.open("a", encoding="utf-8") as stream:
                stream.write("S01-W1,2025-01-01,12\n")
        return done

    with Store.open(tmp_path / "store.duckdb") as store:
        with monkeypatch.context() as patch:
            patch.setattr(loading, "take", grown)
            report = load(store, [field], TODAY, lambda _: None)
        (book,) = [b for b in report.books if b.file == "readings_00.csv"]
        assert book.failure is not None
        assert "changed while it was read" in book.failure
        assert store.table("raw_readings").is_empty()
        assert _balanced(store)
        load(store, [field], TODAY, lambda _: None)
        assert store.table("core_readings").height == 8 * 4 * 25 + 1
        assert _balanced(store)


_TAKES = """
import resource, sys
from datetime import date, timedelta
from pathlib import Path
from pipeline.intake import texts
from pipeline.intake.load import load
from pipeline.store import Store
texts.BLOCK_BYTES = 2**19
folder = Path(sys.argv[1])
with Store.open(folder / "store.duckdb") as store:
    report = load(store, [folder / "field"], date(2026, 1, 31), lambda _: None)
    assert all(check.passed for check in store.checks())
print(report.total("taken"), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


def test_a_file_of_many_blocks_takes_no_more_memory_than_one_of_few(tmp_path: Path) -> None:
    """What lets a file of 2 GB in (one is taken by `python -m tests.benchmarks --only 13`)."""
    found = []
    for days in (100, 800):
        folder = tmp_path / str(days)
        small = read_yearly(rods(10, 10), 2000, 2001)
        small.tables["readings"] = []
        field = small.write(folder)
        with (field / "readings.csv").open("w", encoding="utf-8") as out:
            out.write("well_id,taken_at,resistance_ohm,note\n")
            for day in range(days):
                taken = date(2010, 1, 1) + timedelta(days=day)
                for k in range(100):
                    well = f"S{k // 10 + 1:02d}-W{k % 10 + 1}"
                    note = f"written on day {day} of well {k} by a crew that used more words than it had to"
                    out.write(f"{well},{taken},{10 + k + day / 1000:.3f},{note}\n")
        words = [sys.executable, "-c", _TAKES, str(folder)]
        told = subprocess.run(words, capture_output=True, text=True, check=True).stdout.split()
        assert int(told[0]) == days * 100 + 10 + 100
        found.append(int(told[1]))
    few, many = found
    assert many < few + 70  # MB; read whole, the larger file takes 110 more


def test_a_formula_in_a_cell_stays_text_and_is_harmless_in_what_goes_out(tmp_path: Path) -> None:
    field = _drawer(tmp_path, sites=3, files=1)
    with (field / "readings_00.csv").open("a", encoding="utf-8") as stream:
        stream.write("S01-W1,2025-01-01,=1+1\n")
    loaded = rodfleet(tmp_path, "load", field)
    assert "'=1+1' is not a number" in loaded.output
    assert rodfleet(tmp_path, "run").exit_code == 0
    told = pl.read_csv(tmp_path / "out/current/refused_rows.csv", infer_schema_length=0)
    cells = [c for row in told.iter_rows() for c in row if c]
    assert not any(c.startswith("=") for c in cells)
