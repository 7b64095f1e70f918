"""Field files into the store, with the books: rows read = taken + already held + refused."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.errors import FileRefusedError, RequestError
from pipeline.intake.accept import Delivery, Found, fingerprint, held_before, refuse_file, take
from pipeline.intake.books import Book, LoadReport
from pipeline.intake.files import Sheet, form_of, lines_of, sheets, tables_on
from pipeline.intake.judged import JudgedSheet, WrittenOtherwiseError
from pipeline.intake.packed import unzipped
from pipeline.intake.profiles import Profile, Recognised, heading_test, load_profiles, recognise, visits_of
from pipeline.intake.tables import TABLES
from pipeline.intake.told_apart import count_anew
from pipeline.intake.writing import Found as Writing
from pipeline.store import Store

__all__ = ["Book", "LoadReport", "load"]

_PEEK_ROWS = 2000  # of a workbook: enough to see the headings below a title, and several tables on one sheet
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
    delivery = Delivery(store, today, datetime.combine(today, datetime.now().time()), say)
    count_anew(store)
    profiles = load_profiles(layouts)
    found: list[tuple[Found, Recognised]] = []
    books: list[Book] = []
    with ExitStack() as opened:
        files, refused, left_aside = _expanded(paths, opened)
        books += [refuse_file(delivery, Found(path, name), reason) for path, name, reason in refused]
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


_Refused = list[tuple[Path, str, str]]


def _expanded(paths: Sequence[Path], opened: ExitStack) -> tuple[list[tuple[Path, str]], _Refused, list[str]]:
    """Find the files of each path with the name that they go by: as given, or below the folder given.

    A zip is a folder too, unpacked for as long as `opened` lasts; what of it is refused has the reason.
    """
    files: dict[Path, str] = {}
    refused: _Refused = []
    left_aside: list[str] = []
    for path in paths:
        if not path.exists():
            raise RequestError(f"There is no file or folder {path}; check the path.")
        if _TRUTH in (path.resolve().name, path.resolve().parent.name):
            left_aside.append(f"{path.name}: what lies under truth/ is never read")
            continue
        if path.is_file():
            below = [(path, path.name if path.is_absolute() else path.as_posix())]
        else:
            below = [(file, file.relative_to(path).as_posix()) for file in _files_below(path)]
        for file, name in below:
            if file.suffix.lower() == ".zip":
                _open_zip(file, name, opened, files, refused, left_aside)
            elif form_of(file) is None and path.is_dir():
                left_aside.append(f"{name}: not a form that can be read")
            else:
                files.setdefault(file.resolve(), name)
    return sorted(files.items(), key=lambda item: item[1]), refused, left_aside


def _open_zip(
    zipped: Path,
    name: str,
    opened: ExitStack,
    files: dict[Path, str],
    refused: _Refused,
    left_aside: list[str],
) -> None:
    """Add the members of a zip to the files, each under the zip's name and its own."""
    folder = Path(opened.enter_context(TemporaryDirectory(prefix="rodfleet-")))
    try:
        unpacked = unzipped(zipped, folder)
    except FileRefusedError as fault:
        refused.append((zipped, name, str(fault)))
        return
    refused += [(zipped, f"{name}/{member}", reason) for member, reason in unpacked.refused]
    for member, file in unpacked.members:
        parts = Path(member).parts
        if any(part.startswith((".", "~$", "__MACOSX")) for part in parts) or _TRUTH in parts[:-1]:
            continue
        if form_of(file) is None:
            left_aside.append(f"{name}/{member}: not a form that can be read")
        else:
            files[file] = f"{name}/{member}"


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
    is_heading = heading_test(profiles)
    found, aside = [], []
    for sheet in sheets(path, peek=_PEEK_ROWS):
        parts = tables_on(sheet, is_heading)
        for number, part in enumerate(parts):
            what = recognise(path, part, profiles)
            called = _part_name(sheet.sheet, number)
            if what is None:
                aside.append(f"{name} [{called}]: this sheet is no table" if called else name)
                continue
            lines = lines_of(parts, number) if part is not sheet else None
            told = (*what.found, *_above(sheet, parts, number))
            what = replace(what, sheet=sheet.sheet, lines=lines, found=told)
            found += _by_visit(Found(path, name, called, what), what, part)
    if not found:
        raise FileRefusedError(
            "neither its name nor its headings say which table it is; name it like readings_2024.csv, "
            "or write a source profile"
        )
    return found, aside


def _part_name(sheet: str, number: int) -> str:
    """Name the tables of one sheet: the sheet, then `sheet/2` and so on."""
    return f"{sheet}/{number + 1}" if number else sheet


def _above(sheet: Sheet, parts: Sequence[Sheet], number: int) -> tuple[str, ...]:
    """Tell of the lines above the first headings, which are taken for a title."""
    skipped = sheet.grid.height - sum(part.grid.height for part in parts)
    if number or not skipped:
        return ()
    return (f"{skipped} line{'s' * (skipped > 1)} above the headings",)


def _by_visit(one: Found, what: Recognised, part: Sheet) -> list[tuple[Found, Recognised]]:
    """Part a wide sheet into its visits, each with books of its own: `sheet, column 2019-03-14`."""
    visits = visits_of(what, part)
    if not visits:
        return [(one, what)]
    sheet = f"{one.sheet}, " if one.sheet else ""
    each = [(replace(what, visit=v), f"{sheet}column {v}") for v in visits]
    return [(replace(one, sheet=called, what=w), w) for w, called in each]


def _load_sheet(delivery: Delivery, one: Found, what: Recognised) -> Book:
    """Take the rows of one sheet, or say that this very sheet is held already."""
    try:
        book = _taken_whole(delivery, one, what, None)
    except WrittenOtherwiseError as fault:
        book = _taken_whole(delivery, one, what, fault.found)
    told = f" ({book.found})" if book.found else ""
    delivery.say(
        f"{book.name}: {book.table}, {book.read} rows read = {book.taken} taken + {book.held} already held "
        f"+ {book.refused} refused{told}"
    )
    return book


def _taken_whole(delivery: Delivery, one: Found, what: Recognised, writing: Writing | None) -> Book:
    """Take a sheet in one transaction; nothing of a file that changes meanwhile."""
    before = fingerprint(one.path)
    try:
        with delivery.store.transaction():
            book = held_before(delivery, one)
            if book is None:
                limits = delivery.limits_for(what.table)
                sheet = JudgedSheet(one.path, what, delivery.today, limits, writing)
                book = take(delivery, one, what.table, sheet)
            if fingerprint(one.path) != before:
                raise FileRefusedError(
                    "the file changed while it was read; load it again when it is complete"
                )
    except BaseException:
        delivery.forget()
        raise
    return book
