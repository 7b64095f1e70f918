"""Readings, and every way of writing them into files, for the property tests of the intake."""

import csv
import gzip
import io
import json
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl
import xlsxwriter
from hypothesis import strategies as st

from pipeline.intake.load import LoadReport, load
from pipeline.store import Store

TODAY = date(2026, 11, 24)
WELLS = ("A-W1", "A-W2", "A-W3")
SITES = "site_id,site_name\nA,Aber Moor\n"
ELECTRODES = "electrode_id,site_id,well_id,installed_on\n" + "".join(
    f"A-{k},A,{well},1950-05-01\n" for k, well in enumerate(WELLS, start=1)
)
HEADINGS = ("well_id", "taken_at", "resistance_ohm", "repeat_no", "note")
# No mark of UTF-8 is hidden in these letters' cp1252, so that a text is the one or the other.
LETTERS = "abz 09éüßñ;,|\t'=#.-"


@dataclass(frozen=True, order=True)
class Reading:
    """One true reading: what the store must hold of it in the end."""

    well: str
    day: date
    ohm: str
    """The resistance, with a point."""
    repeat: int | None = None
    note: str = ""

    @property
    def held(self) -> tuple[object, ...]:
        """Give the reading as `content` shows it."""
        moment = datetime(self.day.year, self.day.month, self.day.day)
        return (f"A-{self.well[-1]}", moment, float(self.ohm), self.repeat, self.note.strip() or None)


def readings(days: st.SearchStrategy[int], decimals: int = 2) -> st.SearchStrategy[Reading]:
    """Draw a reading on a day of the month out of `days`, with up to that many decimals."""
    when = st.builds(date, st.integers(1960, 2025), st.integers(1, 12), days)
    note = st.text(LETTERS, max_size=6).map(lambda text: " ".join(text.split()))
    whole, parts = st.integers(0, 9999), st.text("0123456789", max_size=decimals)
    ohm = st.builds(lambda a, b: f"{a}.{b}" if b else str(a), whole, parts).filter(lambda o: float(o) > 0)
    return st.builds(Reading, st.sampled_from(WELLS), when, ohm, st.none() | st.integers(1, 3), note)


@dataclass(frozen=True)
class Writing:
    """How one file is written."""

    form: str
    order: tuple[str, ...]
    separator: str
    comma: bool
    """A decimal comma."""
    day: str
    """The form of dates, as strftime writes it."""
    encoding: str
    quoting: int
    ends: str
    """What ends a line."""
    shouted: bool
    """Headings in capitals."""
    extra: bool
    """A column that is none of ours."""
    blanks: int
    """Blank lines between the rows."""
    titles: int
    """Lines above the headings."""
    padded: int
    """Empty cells behind every line."""
    packed: bool


FORMS = ("csv", "tsv", "xlsx", "parquet", "jsonl")
# With two digits for the year, or a day that may be a month, only a whole column tells, or nothing does.
UNCLEAR_DAYS = ("%d/%m/%y", "%m/%d/%y", "%y-%m-%d", "%d.%m.%y", "%d-%m-%Y", "%m-%d-%Y", "%d %b %y", "%Y%m%d")
CLEAR_DAYS = ("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%d %b %Y", "%Y-%m-%dT00:00:00Z")


def writings(
    forms: tuple[str, ...] = FORMS, days: tuple[str, ...] = CLEAR_DAYS
) -> st.SearchStrategy[Writing]:
    """Draw a way of writing a file."""
    few = st.sampled_from((0, 0, 0, 1, 2))
    return st.builds(
        Writing,
        form=st.sampled_from(forms),
        order=st.permutations(HEADINGS).map(tuple),
        separator=st.sampled_from(",;\t|"),
        comma=st.booleans(),
        day=st.sampled_from(days),
        encoding=st.sampled_from(("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252")),
        quoting=st.sampled_from((csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC)),
        ends=st.sampled_from(("\n", "\r\n", "\r")),
        shouted=st.booleans(),
        extra=st.booleans(),
        blanks=few,
        titles=few,
        padded=few,
        packed=st.booleans(),
    )


def written(rows: list[Reading], how: Writing) -> tuple[str, bytes]:
    """Write readings into one file; give the end of its name and its content."""
    if how.form in ("csv", "tsv"):
        content = _delimited(rows, how)
    elif how.form == "xlsx":
        content = _workbook(rows, how)
    elif how.form == "jsonl":
        names = _names(how)
        objects = [dict(zip(names, _cells(row, how), strict=True)) for row in rows]
        text = "".join(
            json.dumps({k: v for k, v in o.items() if v}) + "\n" * (1 + how.blanks) for o in objects
        )
        content = text.encode(how.encoding)
    else:
        content = _parquet(rows, how)
    return (f"{how.form}.gz", gzip.compress(content)) if how.packed else (how.form, content)


def _names(how: Writing) -> list[str]:
    names = [*how.order, *(["Weather that day"] if how.extra else [])]
    return [n.upper() for n in names] if how.shouted else names


def _cells(row: Reading, how: Writing) -> list[str]:
    cells = {
        "well_id": row.well,
        "taken_at": row.day.strftime(how.day),
        "resistance_ohm": row.ohm.replace(".", ",") if how.comma else row.ohm,
        "repeat_no": "" if row.repeat is None else str(row.repeat),
        "note": row.note,
    }
    return [*(cells[n] for n in how.order), *(["dry, mild"] if how.extra else [])]


def _lines(rows: list[Reading], how: Writing) -> Iterator[list[str]]:
    """Give the lines of a sheet; an empty one is a blank line."""
    yield from [["Rod log"]] * how.titles
    yield [*_names(how), *[""] * how.padded]
    for row in rows:
        yield from [[]] * how.blanks
        yield [*_cells(row, how), *[""] * how.padded]


def _delimited(rows: list[Reading], how: Writing) -> bytes:
    text = io.StringIO()
    separator = "\t" if how.form == "tsv" else how.separator
    writer = csv.writer(text, delimiter=separator, quoting=how.quoting, lineterminator=how.ends)
    writer.writerows(_lines(rows, how))
    return text.getvalue().encode(how.encoding)


def _workbook(rows: list[Reading], how: Writing) -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"strings_to_formulas": False, "in_memory": True}) as book:
        sheet = book.add_worksheet("readings")
        for k, line in enumerate(_lines(rows, how)):
            for c, cell in enumerate(line):
                sheet.write_string(k, c, cell)
    return out.getvalue()


def _parquet(rows: list[Reading], how: Writing) -> bytes:
    names = _names(how)
    columns = list(zip(*(_cells(row, how) for row in rows), strict=True))
    out = io.BytesIO()
    pl.DataFrame({n: list(c) for n, c in zip(names, columns, strict=True)}).write_parquet(out)
    return out.getvalue()


@dataclass(frozen=True)
class Piece:
    """One file of a delivery."""

    name: str
    content: bytes
    rows: int


@st.composite
def deliveries(draw: st.DrawFn, rows: list[Reading], how: st.SearchStrategy[Writing]) -> list[Piece]:
    """Cut readings into files in any order, some into several files, each file written in its own way."""
    count = draw(st.integers(1, 3))
    homes = [draw(st.sets(st.integers(0, count - 1), min_size=1)) for _ in rows]
    pieces = []
    for k in range(count):
        own = draw(st.permutations([row for row, home in zip(rows, homes, strict=True) if k in home]))
        if own:
            end, content = written(list(own), draw(how))
            folder = draw(st.sampled_from(("", "north/", "box 2/")))
            pieces.append(Piece(f"{folder}readings_{draw(st.integers(0, 9))}{k}.{end}", content, len(own)))
    return pieces


def put(pieces: list[Piece], folder: Path, zipped: bool) -> None:
    """Write the files below a folder, or into a zip there."""
    folder.mkdir(exist_ok=True)
    if zipped:
        with zipfile.ZipFile(folder / "drawer.zip", "w") as drawer:
            for piece in pieces:
                drawer.writestr(piece.name, piece.content)
        return
    for piece in pieces:
        path = folder / piece.name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(piece.content)


def load_all(store: Store, *paths: Path) -> LoadReport:
    """Load, and see that the books of every file close."""
    report = load(store, paths, TODAY, lambda _: None)
    for book in report.books:
        assert book.read == book.taken + book.held + book.refused
    return report


def content(store: Store) -> list[tuple[object, ...]]:
    """Give the accepted readings that stand, sorted."""
    columns = ["electrode_id", "taken_at", "resistance_ohm", "repeat_no", "note"]
    return sorted(store.table("core_readings").select(columns).rows(), key=str)


def new_store(folder: Path) -> Path:
    """Make a store that knows the sites and the electrodes."""
    path = folder / "store.duckdb"
    (folder / "sites.csv").write_text(SITES, encoding="utf-8")
    (folder / "electrodes.csv").write_text(ELECTRODES, encoding="utf-8")
    with Store.open(path) as store:
        load_all(store, folder / "sites.csv", folder / "electrodes.csv")
    return path


def in_a_folder(check: Callable[[Path], None]) -> None:
    """Run a check in a folder of its own, gone afterwards: a fixture would be shared by all examples."""
    with TemporaryDirectory(prefix="rodfleet-") as folder:
        check(Path(folder))
