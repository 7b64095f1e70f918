"""Any accepted form of file to a grid of text cells that knows file, sheet and line."""

import csv
import gzip
import io
import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.errors import FileRefusedError

FORMS = {
    ".csv": "csv",
    ".tsv": "tsv",
    ".xlsx": "xlsx",
    ".parquet": "parquet",
    ".jsonl": "jsonl",
    ".ndjson": "jsonl",
}
_MOST_COLUMNS = 500  # more cells on a line than this is no table
_PEEK_BYTES = 65_536


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
    path: Path, encoding: str = "utf-8", peek: int | None = None, only: str | None = None
) -> list[Sheet]:
    """Read every sheet of a file, or `only` the one of that name, or only the first `peek` rows of each.

    Raises FileRefusedError for an empty, truncated or wrongly encoded file.
    """
    form = form_of(path)
    if form is None:
        raise FileRefusedError(
            f"'{path.suffix}' is no form that can be read; save it as CSV, TSV, XLSX, Parquet or JSON Lines"
        )
    if path.stat().st_size == 0:
        raise FileRefusedError("the file is empty (0 bytes); send it again")
    if form in ("csv", "tsv"):
        return [_delimited(_text(path, encoding, peek), "\t" if form == "tsv" else None)]
    if form == "jsonl":
        return [_json_lines(_text(path, encoding, peek))]
    if form == "parquet":
        return [_parquet(path, peek)]
    return _workbook(path, peek, only)


def rows_under(sheet: Sheet, heading_line: int | None = None) -> Rows:
    """Give the rows below the headings: those of line `heading_line`, or of the first line that is not empty.

    Raises FileRefusedError where there are no headings or one stands twice.
    """
    grid = sheet.grid
    top = grid.head(1) if heading_line is None else grid.filter(pl.col("_line") == heading_line)
    if top.is_empty():
        raise FileRefusedError("there is no line of headings; check that the whole file was sent")
    headings = _headings(top)
    start = int(top["_line"][0])
    below = grid.filter(pl.col("_line") > start)
    names = [*headings, *(f"column_{k + 1}" for k in range(len(headings), _columns(grid)))]
    expected = len(headings)
    fault = pl.col("_fault")
    if sheet.ragged:
        said = pl.format("the line has {} cells and the headings are {}", pl.col("_width"), pl.lit(expected))
        fault = pl.coalesce(fault, pl.when(pl.col("_width") != expected).then(said))
    cells = [f"c{k}" for k in range(_columns(grid))]
    frame = below.select(
        "_line", fault.alias("_fault"), *(pl.col(c).alias(n) for c, n in zip(cells, names, strict=True))
    )
    filled = pl.any_horizontal(pl.col(names).is_not_null(), pl.col("_fault").is_not_null())
    return Rows(headings, frame.filter(filled))


def _headings(top: pl.DataFrame) -> tuple[str, ...]:
    cells = [top[f"c{k}"][0] for k in range(_columns(top))]
    while cells and not (cells[-1] or "").strip():
        cells.pop()
    names = [(cell or "").strip() or f"column_{k + 1}" for k, cell in enumerate(cells)]
    if not names:
        raise FileRefusedError("the line of headings is empty; check that the whole file was sent")
    if twice := {n for n in names if names.count(n) > 1}:
        raise FileRefusedError(f"the heading '{min(twice)}' stands twice; give each column its own heading")
    return tuple(names)


def _columns(grid: pl.DataFrame) -> int:
    return grid.width - 3


def _text(path: Path, encoding: str, peek: int | None) -> str:
    opener = gzip.open if path.suffix.lower() == ".gz" else open
    try:
        with opener(path, "rb") as stream:
            content: bytes = stream.read(-1 if peek is None else _PEEK_BYTES)
    except (EOFError, gzip.BadGzipFile, zlib.error) as fault:
        raise FileRefusedError(f"the gzip file is damaged or cut short ({fault}); send it again") from fault
    except OSError as fault:
        raise FileRefusedError(f"it can't be opened ({fault.strerror}); check who may read it") from fault
    if peek is not None:
        return content.decode("utf-8-sig" if encoding == "utf-8" else encoding, errors="replace")
    try:
        return content.decode("utf-8-sig" if encoding == "utf-8" else encoding)
    except UnicodeDecodeError as fault:
        line = content.count(b"\n", 0, fault.start) + 1
        raise FileRefusedError(
            f"the text is not {encoding.upper()} (line {line}); save it as UTF-8, or give a source profile "
            "with its encoding"
        ) from fault


def _delimited(text: str, separator: str | None) -> Sheet:
    """Read delimited text; whole columns at once unless there are quotes, which only a parser can follow."""
    if "\x00" in text:
        raise FileRefusedError("the text holds zero bytes, so it is not text or is damaged; send it again")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    separator = separator or _separator(text)
    grid = _quoted(text, separator) if '"' in text else _plain(text, separator)
    if grid.is_empty():
        raise FileRefusedError("the file holds no lines; send it again")
    return Sheet("", grid, ragged=True)


def _separator(text: str) -> str:
    """Choose the separator that the first line with any uses most."""
    for line in text.split("\n"):
        counts = {s: line.count(s) for s in (",", ";", "\t", "|")}
        best = max(counts, key=lambda s: counts[s])
        if counts[best]:
            return best
    return ","


def _plain(text: str, separator: str) -> pl.DataFrame:
    lines = (
        pl.DataFrame({"whole": text.split("\n")}, schema={"whole": pl.String})
        .with_row_index("_line", offset=1)
        .filter(pl.col("whole").str.strip_chars(" ") != "")
        .select(pl.col("_line").cast(pl.Int64), pl.col("whole").str.split(separator).alias("cells"))
    )
    width = _checked_width(int(lines["cells"].list.len().max() or 0))  # type: ignore[arg-type]
    return lines.select(
        "_line",
        pl.col("cells").list.len().cast(pl.Int64).alias("_width"),
        pl.lit(None, pl.String).alias("_fault"),
        *(_cell(pl.col("cells").list.get(k, null_on_oob=True)).alias(f"c{k}") for k in range(width)),
    )


def _quoted(text: str, separator: str) -> pl.DataFrame:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=False)
    lines, rows, start = [], [], 1
    try:
        for row in reader:
            if any(row):
                lines.append(start)
                rows.append(row)
            start = reader.line_num + 1
    except csv.Error as fault:
        raise FileRefusedError(f"line {start} can't be read ({fault}); check its quotation marks") from fault
    width = _checked_width(max(map(len, rows), default=0))
    columns = {f"c{k}": [row[k] if k < len(row) else None for row in rows] for k in range(width)}
    return pl.DataFrame(
        {"_line": lines, "_width": list(map(len, rows)), "_fault": [None] * len(rows), **columns},
        schema={
            "_line": pl.Int64,
            "_width": pl.Int64,
            "_fault": pl.String,
            **dict.fromkeys(columns, pl.String),
        },
    ).with_columns(_cell(pl.col(c)).alias(c) for c in columns)


def _checked_width(width: int) -> int:
    if width > _MOST_COLUMNS:
        raise FileRefusedError(f"a line has {width} cells, so this is no table; check the file")
    return width


def _cell(text: pl.Expr) -> pl.Expr:
    """Take the blanks off; an empty cell is 'not known'."""
    stripped = text.str.strip_chars()
    return pl.when(stripped != "").then(stripped)


def _json_lines(text: str) -> Sheet:
    """Read one JSON object a line; a line that is none keeps its text and its fault."""
    lines: list[int] = []
    faults: list[str | None] = []
    objects: list[dict[str, str | None]] = []
    names: dict[str, None] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        if not line.strip():
            continue
        lines.append(number)
        fields, fault = _json_object(line)
        faults.append(fault)
        objects.append(fields)
        names.update(dict.fromkeys(fields))
    if not names:
        raise FileRefusedError("the file holds no JSON object; send it again")
    columns = {name: [fields.get(name) for fields in objects] for name in names}
    return _under_field_names(
        pl.DataFrame(columns, schema=dict.fromkeys(names, pl.String)),
        pl.Series("_line", lines, pl.Int64),
        pl.Series("_fault", faults, pl.String),
    )


def _json_object(line: str) -> tuple[dict[str, str | None], str | None]:
    try:
        fields = json.loads(line, parse_float=str, parse_int=str)
    except json.JSONDecodeError as fault:
        return {"line_text": line}, f"the line is not JSON ({fault.msg} at character {fault.pos + 1})"
    if not isinstance(fields, dict):
        return {"line_text": line}, "the line is not a JSON object"
    return {name: _json_cell(value) for name, value in fields.items()}, None


def _json_cell(value: object) -> str | None:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(value, ensure_ascii=False)


def _parquet(path: Path, peek: int | None) -> Sheet:
    source: Path | io.BytesIO = path
    try:
        if path.suffix.lower() == ".gz":
            source = io.BytesIO(gzip.decompress(path.read_bytes()))
        frame = pl.read_parquet(source, n_rows=peek)
    except (pl.exceptions.PolarsError, OSError, EOFError, zlib.error) as fault:
        raise FileRefusedError(
            f"it is not a whole Parquet file ({str(fault).splitlines()[0]}); send it again"
        ) from fault
    lines = pl.int_range(1, frame.height + 1, dtype=pl.Int64, eager=True).alias("_line")
    faults = pl.repeat(None, frame.height, dtype=pl.String, eager=True).alias("_fault")
    return _under_field_names(frame.select(_as_text(frame)), lines, faults)


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
    cells = renamed.select(_cell(pl.all()))
    body = pl.DataFrame([lines, faults]).select(
        "_line", pl.lit(len(names), pl.Int64).alias("_width"), "_fault"
    )
    return Sheet("", pl.concat([top, pl.concat([body, cells], how="horizontal")]), ragged=False)


def _workbook(path: Path, peek: int | None, only: str | None) -> list[Sheet]:
    import fastexcel

    source: Path | bytes = path
    try:
        if path.suffix.lower() == ".gz":
            source = gzip.decompress(path.read_bytes())
        book = fastexcel.read_excel(source)
        found = [_worksheet(book, name, peek) for name in ([only] if only else book.sheet_names)]
    except (fastexcel.FastExcelError, OSError, EOFError, zlib.error) as fault:
        first = str(fault).splitlines()[0]
        raise FileRefusedError(f"it is not a whole XLSX workbook ({first}); send it again") from fault
    kept = [sheet for sheet in found if sheet is not None]
    if not kept:
        raise FileRefusedError("the workbook holds no filled cell; send it again")
    return kept


def _worksheet(book: "fastexcel.ExcelReader", name: str, peek: int | None) -> Sheet | None:  # type: ignore[name-defined] # noqa: F821
    # skip_rows=0 keeps the empty rows on top, so that a row's number is the one that the crew sees.
    loaded = book.load_sheet(name, header_row=None, skip_rows=0, n_rows=peek, dtypes="string").to_polars()
    if loaded.width == 0:
        return None
    frame = loaded.select(
        (pl.int_range(1, pl.len() + 1, dtype=pl.Int64)).alias("_line"),
        pl.lit(loaded.width, pl.Int64).alias("_width"),
        pl.lit(None, pl.String).alias("_fault"),
        *(_cell(pl.col(c)).alias(f"c{k}") for k, c in enumerate(loaded.columns)),
    )
    cells: Sequence[str] = [f"c{k}" for k in range(loaded.width)]
    frame = frame.filter(pl.any_horizontal(pl.col(cells).is_not_null()))
    return None if frame.is_empty() else Sheet(name, frame, ragged=False)
