"""The cases of intake: files of a million and of ten million readings, beside DuckDB's bare read_csv."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from tests.benchmarks.measure import Measured, command, work

if TYPE_CHECKING:
    from tests.benchmarks.cases import Place, Row

TIMES_FIRST, TIMES_AGAIN, MOST_MB = 3.0, 2.0, 4000.0
LARGE_MILLIONS = 10


def intake(place: "Place") -> Iterator["Row"]:
    """A file of a million readings taken into the store; baseline: read_csv into a table."""
    yield from _loads(place.million(), place.folder / "million_fleet")


def large_intake(place: "Place") -> Iterator["Row"]:
    """A file of ten million readings taken into the store; baseline: read_csv into a table."""
    from tests.benchmarks.cases import Row

    large = place.folder / "ten_million"
    large.mkdir()
    work("make_large_file", large, str(LARGE_MILLIONS))
    million = list(_loads(place.million(), place.folder / "another_million_fleet", once=True))
    rows = []
    for row in _loads(large, place.folder / "ten_million_fleet"):
        rows.append(row)
        yield row
    bare, taken = ((rows[k].seconds - million[k].seconds) / (LARGE_MILLIONS - 1) for k in range(len(million)))
    note = f"of the first million's {million[1].seconds:.2f} s; bare read: {bare:.2f} s"
    yield Row("each million from the second on", taken, None, taken / million[1].seconds, note)


def two_gigabytes(place: "Place") -> Iterator["Row"]:
    """A file of 2 GB taken into the store."""
    from tests.benchmarks.cases import Row, _verdict

    folder, fleet = place.folder / "two_gigabytes", place.folder / "two_gigabytes_fleet"
    folder.mkdir()
    fleet.mkdir()
    work("make_large_file", folder, str(2 * LARGE_MILLIONS))
    command(fleet, "load", folder / "field")
    found = work("take_file", fleet, str(folder / "readings.csv"))
    kept = work("books", fleet).facts
    size = (folder / "readings.csv").stat().st_size / 1e9
    note = f"{size:.2f} GB, {kept['rows_taken'][0]:,} rows taken, {_verdict(found.peak_mb, MOST_MB, 'MB')}"
    yield Row("taken", found.inside, found.peak_mb, None, note)


def _loads(folder: Path, fleet: Path, once: bool = False) -> Iterator["Row"]:
    from tests.benchmarks.cases import Row

    fleet.mkdir()
    bare = work("bare_read_csv", folder)
    command(fleet, "load", folder / "field")
    yield Row(
        "baseline: DuckDB read_csv into a table",
        bare.inside,
        bare.peak_mb,
        1.0,
        f"{bare.facts['rows']:,} rows",
    )
    files = {"taken": "readings.csv"}
    if not once:
        work("one_row_more", folder)
        files |= {"the same file again": "readings.csv", "the same rows in another file": "readings_2.csv"}
    for k, (what, name) in enumerate(files.items()):
        found = work("take_file", fleet, str(folder / name))
        kept = work("books", fleet).facts
        books = ", ".join(f"{kept[f'rows_{c}'][k]:,} {c}" for c in ("taken", "held", "refused"))
        yield _judged(what, found, bare, TIMES_AGAIN if k else TIMES_FIRST, books)
    if not once:
        after = command(fleet, "load", folder / "field")
        yield Row(
            "a load of nothing new, dangers listed", after.seconds, after.peak_mb, None, "whole process"
        )


def _judged(what: str, found: Measured, bare: Measured, most: float, books: str) -> "Row":
    from tests.benchmarks.cases import Row, _verdict

    times = found.inside / bare.inside
    note = f"{_verdict(times, most, 'times')}, {_verdict(found.peak_mb, MOST_MB, 'MB')}; {books}"
    return Row(what, found.inside, found.peak_mb, times, note)
