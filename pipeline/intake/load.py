"""Field files into the store, with the books: rows read = taken + already held + refused."""

from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime
from pathlib import Path

import polars as pl

from pipeline.errors import FileRefusedError, RequestError
from pipeline.intake.accept import MARK, WHY, Delivery, Found, refuse_file, take
from pipeline.intake.books import Book, LoadReport
from pipeline.intake.cells import Writing, typed
from pipeline.intake.files import Rows, form_of, rows_under, sheets
from pipeline.intake.profiles import Profile, Recognised, load_profiles, mapped, number_units, recognise
from pipeline.intake.tables import TABLES, Table
from pipeline.store import Store

__all__ = ["Book", "LoadReport", "load"]

_PART_ROWS = 200_000  # of a sheet are judged and entered at a time: memory stays bounded
_PEEK_ROWS = 40  # enough to see the headings below a workbook's title
_TRUTH = "truth"  # a synthetic fleet's known truth lies beside its data and is never read


def load(
    store: Store,
    paths: Sequence[Path],
    today: date,
    say: Callable[[str], None],
    layouts: Sequence[Path] = (),
) -> LoadReport:
    """Load files and folders of files into the store; one transaction for each file or sheet.

    `layouts` are folders with the owner's own source profiles. What is wrong with a file or a row is in the
    report and in `core_refused`; RequestError is raised only where a path does not exist.
    """
    files, left_aside = _expanded(paths)
    delivery = Delivery(store, today, datetime.combine(today, datetime.now().time()), say)
    profiles = load_profiles(layouts)
    found: list[tuple[Found, Recognised]] = []
    books: list[Book] = []
    for path, name in files:
        try:
            seen, aside = _recognised(path, name, profiles)
            found += seen
            left_aside += aside
        except FileRefusedError as fault:
            books.append(refuse_file(delivery, Found(path, name), str(fault)))
    for one, what in sorted(found, key=_loading_order):
        try:
            books.append(_load_sheet(delivery, one, what))
        except FileRefusedError as fault:
            books.append(refuse_file(delivery, one, str(fault)))
    return LoadReport(tuple(books), tuple(left_aside))


def _loading_order(found: tuple[Found, Recognised]) -> tuple[int, str, str]:
    """Sort what is referred to before what refers to it, then by name, in whatever order they were given."""
    one, what = found
    return list(TABLES).index(what.table.name), one.name, one.sheet


def _expanded(paths: Sequence[Path]) -> tuple[list[tuple[Path, str]], list[str]]:
    """Find the files of each path with the name that they go by: as given, or below the folder given."""
    files: dict[Path, str] = {}
    left_aside: list[str] = []
    for path in paths:
        if not path.exists():
            raise RequestError(f"There is no file or folder {path}; check the path.")
        if _TRUTH in (path.resolve().name, path.resolve().parent.name):
            left_aside.append(f"{path.name}: what lies under truth/ is never read")
            continue
        if path.is_file():
            files[path.resolve()] = path.name if path.is_absolute() else path.as_posix()
            continue
        for file in _files_below(path):
            name = file.relative_to(path).as_posix()
            if form_of(file) is None:
                left_aside.append(f"{name}: not a form that can be read")
            else:
                files.setdefault(file.resolve(), name)
    return sorted(files.items(), key=lambda item: item[1]), left_aside


def _files_below(folder: Path) -> Iterator[Path]:
    for file in sorted(folder.rglob("*")):
        below = file.relative_to(folder).parts
        hidden = any(part.startswith((".", "~$")) for part in below)
        if file.is_file() and not hidden and _TRUTH not in below[:-1]:
            yield file


def _recognised(
    path: Path, name: str, profiles: Sequence[Profile]
) -> tuple[list[tuple[Found, Recognised]], list[str]]:
    """Find out what the sheets of a file are; raise FileRefusedError where none of them is a table."""
    looked_at = sheets(path, peek=_PEEK_ROWS)
    what = [(s, recognise(path, s, profiles)) for s in looked_at]
    found = [(Found(path, name, s.sheet, w), w) for s, w in what if w is not None]
    if not found:
        raise FileRefusedError(
            "neither its name nor its headings say which table it is; name it like readings_2024.csv, "
            "or write a source profile"
        )
    return found, [f"{name} [{s.sheet}]: this sheet is no table" for s, w in what if w is None]


def _load_sheet(delivery: Delivery, one: Found, what: Recognised) -> Book:
    """Read, judge and take the rows of one sheet; nothing of a file that changes meanwhile."""
    before = _fingerprint(one.path)
    profile, table = what.profile, what.table
    encoding = profile.encoding if profile else "utf-8"
    (sheet,) = sheets(one.path, encoding, only=one.sheet)
    rows = rows_under(sheet, profile.heading_line if profile else None)
    _check_headings(rows, table, profile)
    how = Writing(
        delivery.today,
        profile.decimal_marks if profile else ".",
        profile.dates if profile else (),
        number_units(profile),
    )
    parts = (
        (typed(mapped(part, what), table, how), _as_they_came(part, profile))
        for part in rows.frame.iter_slices(_PART_ROWS)
    )
    with delivery.store.transaction():
        book = take(delivery, one, table, parts)
        if _fingerprint(one.path) != before:
            raise FileRefusedError("the file changed while it was read; load it again when it is complete")
    delivery.say(
        f"{book.name}: {table.name}, {book.read} rows read = {book.taken} taken + {book.held} already held "
        f"+ {book.refused} refused"
    )
    return book


def _fingerprint(path: Path) -> tuple[int, int, int]:
    """Give what changes with a file's content: which file it is, its size, when it was written."""
    told = path.stat()
    return told.st_ino, told.st_size, told.st_mtime_ns


def _check_headings(rows: Rows, table: Table, profile: Profile | None) -> None:
    """Raise FileRefusedError where a column that the table needs is not among the headings."""
    theirs = {h.lower() for h in rows.headings}

    def heading(column: str) -> str | None:
        if profile is None:
            return column
        return profile.columns[column].heading if column in profile.columns else None

    for column in table.required:
        if (wanted := heading(column)) is None or wanted.lower() not in theirs:
            raise FileRefusedError(
                f"the column {wanted or column} is missing; add it or map it in a source profile"
            )
    either = [h for c in table.one_of if (h := heading(c))]
    if table.one_of and not any(h.lower() in theirs for h in either):
        raise FileRefusedError(f"one of the columns {' or '.join(either)} is needed; add it")


def _as_they_came(frame: pl.DataFrame, profile: Profile | None) -> pl.DataFrame:
    """Give `_line`, `_cells` (JSON of the whole row), `_site` (that a crew wrote beside a well) and `_mark`.

    What `rodfleet refused --write` put beside the row is none of it; `_mark` says which row it answers.
    """
    site = profile.well_number_with if profile else None
    return frame.select(
        "_line",
        pl.struct(pl.exclude("_line", "_fault", WHY, MARK)).struct.json_encode().alias("_cells"),
        (pl.col(site) if site in frame.columns else pl.lit(None, pl.String)).alias("_site"),
        (pl.col(MARK) if MARK in frame.columns else pl.lit(None, pl.String)).alias("_mark"),
    )
