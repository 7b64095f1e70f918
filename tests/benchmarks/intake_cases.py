"""The cases of intake: files of a million and of ten million readings, beside DuckDB's bare read_csv."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from tests.benchmarks.measure import Measured, best, command, work

if TYPE_CHECKING:
    from tests.benchmarks.cases import Place, Row

TIMES_FIRST, TIMES_AGAIN, MOST_MB = 3.0, 2.0, 4000.0
LARGE_MILLIONS = 10


def intake(place: "Place") -> Iterator["Row"]:
    """`rodfleet load` of a million readings, whole processes; baseline: read_csv into a table."""
    yield from _loads(place.million(), place.folder / "million_fleet")


def large_intake(place: "Place") -> Iterator["Row"]:
    """`rodfleet load` of ten million readings, whole processes; baseline: read_csv into a table."""
    from tests.benchmarks.cases import Row

    large = place.folder / "ten_million"
    large.mkdir()
    work("make_large_file", large, str(LARGE_MILLIONS))
    rows = list(_loads(large, place.folder / "ten_million_fleet"))
    yield from rows
    one, ten = (
        [r.seconds for r in measured[:2]]
        for measured in (list(_loads(place.million(), place.folder / "again_million_fleet", once=True)), rows)
    )
    per_million = (ten[1] - one[1]) / (LARGE_MILLIONS - 1)
    note = f"{per_million:.2f} s a million; bare read {(ten[0] - one[0]) / (LARGE_MILLIONS - 1):.2f}"
    yield Row("each million from the second to the tenth", per_million, None, per_million / one[1], note)


def _loads(folder: Path, fleet: Path, once: bool = False) -> Iterator["Row"]:
    from tests.benchmarks.cases import Row

    fleet.mkdir()
    bare = best(*(work("bare_read_csv", folder) for _ in range(2)))
    command(fleet, "load", folder / "field")
    note = f"{bare.facts['rows']:,} rows"
    yield Row("baseline: DuckDB read_csv into a table", bare.seconds, bare.peak_mb, 1.0, note)
    files = {"rodfleet load": "readings.csv"}
    if not once:
        files |= {"the same file again": "readings.csv", "the same rows in another file": "readings_2.csv"}
        work("one_row_more", folder)
    for k, (what, name) in enumerate(files.items()):
        found = command(fleet, "load", folder / name)
        kept = work("books", fleet).facts
        books = ", ".join(f"{kept[f'rows_{c}'][k]:,} {c}" for c in ("taken", "held", "refused"))
        yield _judged(what, found, bare, TIMES_FIRST if k == 0 else TIMES_AGAIN, books)


def _judged(what: str, found: Measured, bare: Measured, most: float, books: str) -> "Row":
    from tests.benchmarks.cases import Row, _verdict

    times = found.seconds / bare.seconds
    note = f"{_verdict(times, most, 'times')}, {_verdict(found.peak_mb, MOST_MB, 'MB')}; {books}"
    return Row(what, found.seconds, found.peak_mb, times, note)
