"""Any accepted form of file to a grid of text cells that knows file, sheet and line."""

import io
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from pipeline.errors import FileRefusedError
from pipeline.intake.delimited import SEPARATORS, cell, find_separator, grids
from pipeline.intake.json_lines import json_lines
from pipeline.intake.packed import BookFacts, check_workbook, pieces_of
from pipeline.intake.texts import Encoding, find_encoding, head_of, text_of

FORMS = {
    ".csv": "csv",
    ".tsv": "tsv",
    ".xlsx": "xlsx",
    ".xlsm": "xlsx",
    ".ods": "xlsx",
    ".parquet": "parquet",
    ".jsonl": "jsonl",
    ".ndjson": "jsonl",
}


@dataclass(frozen=True)
class Sheet:
    """Hold one table of cells, all text, before anyone has said what they mean."""

    sheet: str
    """The sheet's name in a workbook; empty elsewhere."""
    grid: pl.DataFrame
    """`_line` (Int64; 0 for the headings of a form with field names), `_width` (cells of that line, Int64),
    `_fault` (text or null), `c0`, `c1`, ... (text, empty cells null)."""
    ragged: bool
    """Lines may have fewer or more cells than the headings, and are then at fault."""
    found: tuple[str, ...] = ()
    """What was found out to read it, in words, where it is not plain: `';' between cells`, `cp1252`."""
    whole: bool = True
    """All of the file was looked at, not only its first rows."""
    days_from_1904: bool = False
    """A workbook that counts days from 1904: tells what a plain number in a column of dates means."""


@dataclass(frozen=True)
class Rows:
    """Hold the rows of a sheet under its headings."""

    headings: tuple[str, ...]
    frame: pl.DataFrame
    """`_line`, `_fault`, and one text column for each heading (and `column_9`, ... beyond them)."""


def form_of(path: Path) -> str | None:
    """Name the form of a file by its suffix (`.gz` looked through); None where it is no table."""
    suffixes = [s.lower() for s in path.suffixes]
    if suffixes and suffixes[-1] == ".gz":
        suffixes.pop()
    return FORMS.get(suffixes[-1]) if suffixes else None


def sheets(
    path: Path,
    encoding: str | None = None,
    peek: int | None = None,
    only: str | None = None,
    separator: str | None = None,
) -> list[Sheet]:
    """Read every sheet of a file, or `only` the one of that name, or only the first `peek` rows of each.

    Encoding and separator of a text are found out where they are None. Raises FileRefusedError for an empty,
    truncated or undecodable file.
    """
    form = _checked_form(path)
    if form in _DELIMITED:
        blocks = list(_delimited(path, form, encoding, separator, peek))
        grid = pl.concat([b.grid for b in blocks], how="diagonal")
        return [replace(blocks[0], grid=grid)]
    if form == "jsonl":
        return [_json_lines(path, encoding, peek)]
    if form == "parquet":
        return [_parquet(path, peek)]
    return _workbook(path, peek, only)


def sheet_in_blocks(path: Path, encoding: str | None, only: str, separator: str | None) -> Iterator[Sheet]:
    """Read one sheet of a file as `sheets` does, a long text in blocks of whole lines."""
    form = _checked_form(path)
    if form in _DELIMITED:
        yield from _delimited(path, form, encoding, separator, None)
    else:
        yield from sheets(path, encoding, only=only)


_DELIMITED = ("csv", "tsv")


def _checked_form(path: Path) -> str:
    form = form_of(path)
    if form is None:
        raise FileRefusedError(
            f"'{path.suffix}' is no form that can be read; save it as CSV, TSV, XLSX, Parquet or JSON Lines"
        )
    if path.stat().st_size == 0:
        raise FileRefusedError("the file is empty (0 bytes); send it again")
    return form


def _delimited(
    path: Path, form: str, encoding: str | None, separator: str | None, peek: int | None
) -> Iterator[Sheet]:
    text, found = head_of(path, encoding)
    pieces: Iterator[bytes] = iter([text.encode()])
    if peek is None:
        whole = Encoding(encoding) if encoding is not None else find_encoding(path)
        pieces, found = text_of(path, whole), whole.found
    if separator is None:
        separator = "\t" if form == "tsv" else find_separator(text)
        if separator != "," and form != "tsv":
            found = (f"{SEPARATORS[separator]} between cells", *found)
    filled = (grid for grid in grids(pieces, separator) if not grid.is_empty())
    sheet = None
    for grid in filled:
        sheet = Sheet("", grid, True, found, peek is None)
        yield sheet
    if sheet is None:
        raise FileRefusedError("the file holds no lines; send it again")


def _json_lines(path: Path, encoding: str | None, peek: int | None) -> Sheet:
    if peek is not None:
        text, found = head_of(path, encoding)
    else:
        whole = Encoding(encoding) if encoding is not None else find_encoding(path)
        text, found = b"".join(text_of(path, whole)).decode(), whole.found
    rows = json_lines(text)
    sheet = _under_field_names(rows.cells, rows.lines, rows.faults)
    return replace(sheet, found=found, whole=peek is None)


def tables_on(sheet: Sheet, is_heading: Callable[[set[str]], bool]) -> list[Sheet]:
    """Part a sheet where a blank line is followed by new headings; the rows above the first ones are a title.

    `is_heading` says of the cells of a line, in lower case, whether they are headings. The sheet comes back
    as it is where no line answers.
    """
    grid = sheet.grid
    lines = grid["_line"].to_list()
    starts: list[int] = []
    for k, row in enumerate(grid.drop("_line", "_width", "_fault").iter_rows()):
        after_blank = k == 0 or lines[k] > lines[k - 1] + 1
        if (after_blank or not starts) and is_heading({str(c).strip().lower() for c in row if c is not None}):
            starts.append(k)
    if not starts or starts == [0]:
        return [sheet]
    ends = [*starts[1:], grid.height]
    return [replace(sheet, grid=_narrowed(grid[a:b])) for a, b in zip(starts, ends, strict=True)]


def _narrowed(grid: pl.DataFrame) -> pl.DataFrame:
    """Drop the columns behind the last filled one, which another table of the sheet had needed."""
    names = grid.columns[3:]
    while len(names) > 1 and grid[names[-1]].null_count() == grid.height:
        names.pop()
    return grid.select("_line", "_width", "_fault", *names)


def lines_of(parts: Sequence[Sheet], number: int) -> tuple[int, int | None]:
    """Give the first line of one of a sheet's tables, and that of the next (None: it is the last)."""
    starts = [int(part.grid["_line"][0]) for part in parts]
    return starts[number], starts[number + 1] if number + 1 < len(starts) else None


@dataclass(frozen=True)
class Headings:
    """Hold the line of headings of one table on a sheet, and where the table ends."""

    names: tuple[str, ...]
    line: int
    width: int
    """Cells of that line. A spreadsheet saved as text pads every line, this one too, to the widest."""
    end: int | None = None
    """The line at which the sheet's next table begins."""


def headings_of(
    sheet: Sheet, heading_line: int | None = None, lines: tuple[int, int | None] | None = None
) -> Headings:
    """Give the headings in line `heading_line`, or in the first line that is not empty.

    `lines` parts one table from a sheet that holds several: its first line, and the first line behind it.
    Raises FileRefusedError where there are no headings or one stands twice.
    """
    start, end = lines if lines is not None else (0, None)
    grid = _between(sheet.grid, start, end)
    top = grid.head(1) if heading_line is None else grid.filter(pl.col("_line") == heading_line)
    if top.is_empty():
        raise FileRefusedError("there is no line of headings; check that the whole file was sent")
    return Headings(_headings(top), int(top["_line"][0]), int(top["_width"][0]), end)


def _between(grid: pl.DataFrame, start: int, end: int | None) -> pl.DataFrame:
    """Keep the lines of one table of a sheet, without columns that only another one needs."""
    if start == 0 and end is None:
        return grid
    kept = grid.filter(pl.col("_line") >= start, pl.lit(True) if end is None else pl.col("_line") < end)
    return kept if kept.is_empty() else _narrowed(kept)


def rows_below(sheet: Sheet, headings: Headings) -> pl.DataFrame:
    """Give the rows of a sheet, or of one block of it, that stand below the headings.

    Returns `_line`, `_fault`, and one text column for each heading (and `column_9`, ... beyond them).
    """
    grid = _between(sheet.grid, headings.line + 1, headings.end)
    expected, there = len(headings.names), _columns(grid)
    names = [*headings.names]
    while len(names) < there:
        names.append(_nameless(len(names), names))
    fault = pl.col("_fault")
    if sheet.ragged:
        said = pl.format("the line has {} cells and the headings are {}", pl.col("_width"), pl.lit(expected))
        empty = pl.all_horizontal(pl.lit(True), *(pl.col(f"c{k}").is_null() for k in range(expected, there)))
        right = (pl.col("_width") == expected) | ((pl.col("_width") == headings.width) & empty)
        fault = pl.coalesce(fault, pl.when(~right).then(said))
    cells = [pl.col(f"c{k}") if k < there else pl.lit(None, pl.String) for k in range(len(names))]
    frame = grid.select(
        "_line", fault.alias("_fault"), *(c.alias(n) for c, n in zip(cells, names, strict=True))
    )
    return frame.filter(pl.any_horizontal(pl.col(names).is_not_null(), pl.col("_fault").is_not_null()))


def rows_under(
    sheet: Sheet, heading_line: int | None = None, lines: tuple[int, int | None] | None = None
) -> Rows:
    """Give the rows of a whole sheet under its headings; as `headings_of` and `rows_below`."""
    headings = headings_of(sheet, heading_line, lines)
    return Rows(headings.names, rows_below(sheet, headings))


def _headings(top: pl.DataFrame) -> tuple[str, ...]:
    cells = [top[f"c{k}"][0] for k in range(_columns(top))]
    while cells and not (cells[-1] or "").strip():
        cells.pop()
    names = [(cell or "").strip() for cell in cells]
    if not names:
        raise FileRefusedError("the line of headings is empty; check that the whole file was sent")
    lower = Counter(n.lower() for n in names if n)  # Note and note: which of them is meant can't be known
    if twice := [n for n in names if lower[n.lower()] > 1]:
        raise FileRefusedError(f"the heading '{twice[-1]}' stands twice; give each column its own heading")
    for k, name in enumerate(names):
        if name in ("", "_line", "_fault"):  # the last two are columns of the frame itself
            names[k] = _nameless(k, names)
    return tuple(names)


def _nameless(k: int, names: Sequence[str]) -> str:
    """Name a column without a heading by its place, apart from every heading."""
    name = f"column_{k + 1}"
    while name in names:
        name += "_"
    return name


def _columns(grid: pl.DataFrame) -> int:
    return grid.width - 3


def _parquet(path: Path, peek: int | None) -> Sheet:
    source: Path | io.BytesIO = io.BytesIO(_unpacked(path)) if _gz(path) else path
    try:
        frame = pl.read_parquet(source, n_rows=peek)
    except BaseException as fault:
        first = _first_words(fault)
        raise FileRefusedError(f"it is not a whole Parquet file ({first}); send it again") from fault
    for name, kind in frame.schema.items():
        if kind.is_nested() and "Binary" in str(kind):
            raise FileRefusedError(f"bytes within the lists of its column '{name}' are no text; leave it out")
    columns = frame.select(_as_text(frame))
    lines = pl.int_range(1, frame.height + 1, dtype=pl.Int64, eager=True).alias("_line")
    faults = pl.repeat(None, frame.height, dtype=pl.String, eager=True).alias("_fault")
    return _under_field_names(columns, lines, faults)


def _as_text(frame: pl.DataFrame) -> list[pl.Expr]:
    """Write typed columns as text; a zoned time keeps what the local clock showed."""
    columns = []
    for name, kind in frame.schema.items():
        column = pl.col(name)
        if isinstance(kind, pl.Datetime):
            column = column.dt.replace_time_zone(None).dt.strftime("%Y-%m-%d %H:%M:%S%.f")
        elif kind == pl.Boolean:
            column = pl.when(column).then(pl.lit("true")).when(~column).then(pl.lit("false"))
        elif kind.is_nested():
            column = pl.struct(column).struct.json_encode()
        elif kind == pl.Duration:
            column = column.dt.to_string()
        elif kind == pl.Binary:
            column = column.bin.encode("hex")
        columns.append(column.cast(pl.String).alias(name))
    return columns


def _under_field_names(frame: pl.DataFrame, lines: pl.Series, faults: pl.Series) -> Sheet:
    """Put the field names on top, as line 0, so that every form is a grid of cells."""
    names = frame.columns
    renamed = frame.rename({n: f"c{k}" for k, n in enumerate(names)})
    top = pl.DataFrame(
        {
            "_line": [0],
            "_width": [len(names)],
            "_fault": [None],
            **{f"c{k}": [n] for k, n in enumerate(names)},
        },
        schema={
            "_line": pl.Int64,
            "_width": pl.Int64,
            "_fault": pl.String,
            **{f"c{k}": pl.String for k in range(len(names))},
        },
    )
    cells = renamed.select(cell(pl.all()))
    body = pl.DataFrame([lines, faults]).select(
        "_line", pl.lit(len(names), pl.Int64).alias("_width"), "_fault"
    )
    return Sheet("", pl.concat([top, pl.concat([body, cells], how="horizontal")]), ragged=False)


def _workbook(path: Path, peek: int | None, only: str | None) -> list[Sheet]:
    import fastexcel

    source: Path | bytes = _unpacked(path) if _gz(path) else path
    facts = check_workbook(source)
    try:
        book = fastexcel.read_excel(source)
        found = [_worksheet(book, name, peek, facts) for name in ([only] if only else book.sheet_names)]
    except BaseException as fault:
        first = _first_words(fault)
        raise FileRefusedError(f"it is not a whole XLSX workbook ({first}); send it again") from fault
    kept = [sheet for sheet in found if sheet is not None]
    if not kept:
        raise FileRefusedError("the workbook holds no filled cell; send it again")
    return kept


def _unpacked(path: Path) -> bytes:
    return b"".join(pieces_of(path))


def _gz(path: Path) -> bool:
    return path.suffix.lower() == ".gz"


def _first_words(fault: BaseException) -> str:
    """Give the first line of an error of a library; let through what is no error of reading.

    A reader written in Rust raises its own BaseException where it gives up on a damaged file.
    """
    if not isinstance(fault, Exception) and type(fault).__name__ != "PanicException":
        raise fault
    return (str(fault).splitlines() or [type(fault).__name__])[0]


def _worksheet(
    book: "fastexcel.ExcelReader",  # type: ignore[name-defined] # noqa: F821
    name: str,
    peek: int | None,
    facts: BookFacts,
) -> Sheet | None:
    # skip_rows=0 keeps the empty rows on top, so that a row's number is the one that the crew sees.
    sheet = book.load_sheet(name, header_row=None, skip_rows=0, n_rows=peek, dtypes="string")
    loaded = sheet.to_polars()
    if loaded.width == 0:
        return None
    frame = loaded.select(
        (pl.int_range(1, pl.len() + 1, dtype=pl.Int64)).alias("_line"),
        pl.lit(loaded.width, pl.Int64).alias("_width"),
        pl.lit(None, pl.String).alias("_fault"),
        *(cell(pl.col(c)).alias(f"c{k}") for k, c in enumerate(loaded.columns)),
    )
    cells: Sequence[str] = [f"c{k}" for k in range(loaded.width)]
    frame = frame.filter(pl.any_horizontal(pl.col(cells).is_not_null()))
    if frame.is_empty():
        return None
    hidden = ["a hidden sheet"] if sheet.visible != "visible" else []
    failed = [f"{facts.errors} failed formulas in the workbook, read as empty"] if facts.errors else []
    return Sheet(name, frame, False, (*hidden, *failed), peek is None, facts.days_from_1904)
