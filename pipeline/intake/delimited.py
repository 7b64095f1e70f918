"""Text files to grids of cells: encoding and separator are found out where nobody says them, and told."""

import csv
import io
import json
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.errors import FileRefusedError
from pipeline.intake.packed import gunzipped

PEEK_BYTES = 65_536
SEPARATORS = {",": "','", ";": "';'", "\t": "tab", "|": "'|'"}
_MOST_COLUMNS = 500  # more cells on a line than this is no table
_LINES_LOOKED_AT = 200
_BYTE_ORDER_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


@dataclass(frozen=True)
class Text:
    """Hold a file's text and what was found out to read it."""

    text: str
    found: tuple[str, ...] = ()
    """What differs from UTF-8, in words: `cp1252`."""


def read_text(path: Path, encoding: str | None, peek: int | None) -> Text:
    """Read a text file, plain or gzipped, in the encoding given or found.

    Found are UTF-8, UTF-16 (by its mark, or by where its zero bytes stand) and cp1252. Raises
    FileRefusedError where it is none of them.
    """
    content = _content(path, None if peek is None else PEEK_BYTES)
    if encoding is not None:
        return Text(_decoded(content, encoding, cut=peek is not None))
    for mark, name in _BYTE_ORDER_MARKS:
        if content.startswith(mark):
            found = () if name == "utf-8-sig" else (name,)
            return Text(_decoded(content, name, cut=peek is not None), found)
    if (wide := _utf16_by_zeros(content)) is not None:
        return Text(_decoded(content, wide, cut=peek is not None), (wide,))
    try:
        return Text(_decoded(content, "utf-8", cut=peek is not None))
    except FileRefusedError as not_utf8:
        # UTF-8 with a tear in it would turn into nonsense letters as cp1252.
        if _mostly_utf8(content):
            raise
        try:
            return Text(_decoded(content, "cp1252", cut=False), ("cp1252",))
        except FileRefusedError:
            raise not_utf8 from None


def _content(path: Path, most: int | None) -> bytes:
    if path.suffix.lower() == ".gz":
        return gunzipped(path, most)
    try:
        with path.open("rb") as stream:
            return stream.read(-1 if most is None else most)
    except OSError as fault:
        raise FileRefusedError(f"it can't be opened ({fault.strerror}); check who may read it") from fault


def _decoded(content: bytes, encoding: str, cut: bool) -> str:
    """Decode; `cut` says that the end may be torn through a character."""
    name = "utf-8-sig" if encoding.lower() in ("utf-8", "utf8") else encoding
    try:
        return content.decode(name)
    except UnicodeDecodeError as fault:
        if cut and fault.start >= len(content) - 4:
            return content[: fault.start].decode(name)
        line = content.count(b"\n", 0, fault.start) + 1
        raise FileRefusedError(
            f"the text is not {encoding.upper()} (line {line}); save it as UTF-8, or give a source profile "
            "with its encoding"
        ) from fault
    except LookupError as fault:
        raise FileRefusedError(
            f"there is no encoding '{encoding}'; correct it in the source profile"
        ) from fault


def _utf16_by_zeros(content: bytes) -> str | None:
    """Know UTF-16 without a mark by its zero bytes: nearly all on one side, as in European text."""
    head = content[:4096]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) / 2
    if odd > 0.7 * half and even < 0.05 * half:
        return "utf-16-le"
    if even > 0.7 * half and odd < 0.05 * half:
        return "utf-16-be"
    return None


def _mostly_utf8(content: bytes) -> bool:
    """Say whether letters beyond ASCII stand there as UTF-8 more often than not."""
    text = content.decode("utf-8", errors="replace")
    wrong = text.count("\ufffd")
    right = sum(not c.isascii() for c in text) - wrong
    return right > wrong


@dataclass(frozen=True)
class Delimited:
    """Hold the grid of a delimited text and what was found out to read it."""

    grid: pl.DataFrame
    found: tuple[str, ...]


def delimited(text: str, separator: str | None) -> Delimited:
    """Read delimited text; whole columns at once unless there are quotes, which only a parser can follow.

    `separator` None: found out, and told where it is no comma. Raises FileRefusedError for no line.
    """
    if "\x00" in text:
        raise FileRefusedError("the text holds zero bytes, so it is not text or is damaged; send it again")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    found: tuple[str, ...] = ()
    if separator is None:
        separator = _separator(text)
        found = () if separator == "," else (f"{SEPARATORS[separator]} between cells",)
    grid = _quoted(text, separator) if '"' in text else _plain(text, separator)
    if grid.is_empty():
        raise FileRefusedError("the file holds no lines; send it again")
    return Delimited(grid, found)


def _separator(text: str) -> str:
    """Choose the separator by which most of the first lines fall into the same number of cells."""
    lines = [s for s in text[:PEEK_BYTES].split("\n")[:_LINES_LOOKED_AT] if s.strip()]
    if len(text) > PEEK_BYTES and len(lines) > 1:
        lines.pop()
    best, best_score = ",", 0.0
    for separator in SEPARATORS:
        counts = [_outside_quotes(line).count(separator) for line in lines]
        filled = [c for c in counts if c]
        if not filled:
            continue
        usual = max(set(filled), key=lambda c: (filled.count(c), c))
        # How many lines agree; many cells a line break a tie, as does the first line with any.
        score = filled.count(usual) / len(lines) + usual / 1000 + (0.01 if counts[0] == usual else 0.0)
        if score > best_score:
            best, best_score = separator, score
    return best


def _outside_quotes(line: str) -> str:
    return "".join(line.split('"')[::2]) if '"' in line else line


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
        *(cell(pl.col("cells").list.get(k, null_on_oob=True)).alias(f"c{k}") for k in range(width)),
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
    ).with_columns(cell(pl.col(c)).alias(c) for c in columns)


def _checked_width(width: int) -> int:
    if width > _MOST_COLUMNS:
        raise FileRefusedError(f"a line has {width} cells, so this is no table; check the file")
    return width


def cell(text: pl.Expr) -> pl.Expr:
    """Take the blanks off; an empty cell is 'not known'."""
    stripped = text.str.strip_chars()
    return pl.when(stripped != "").then(stripped)


@dataclass(frozen=True)
class JsonRows:
    """Hold the objects of a JSON Lines file: cells under field names, with line and fault of each."""

    cells: pl.DataFrame
    lines: pl.Series
    faults: pl.Series


def json_lines(text: str) -> JsonRows:
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
    _checked_width(len(names))
    columns = {name: [fields.get(name) for fields in objects] for name in names}
    return JsonRows(
        pl.DataFrame(columns, schema=dict.fromkeys(names, pl.String)),
        pl.Series("_line", lines, pl.Int64),
        pl.Series("_fault", faults, pl.String),
    )


def _json_object(line: str) -> tuple[dict[str, str | None], str | None]:
    try:
        fields = json.loads(line, parse_float=str, parse_int=str)
    except json.JSONDecodeError as fault:
        return {"line_text": line}, f"the line is not JSON ({fault.msg} at character {fault.pos + 1})"
    except RecursionError:
        return {"line_text": line}, "the line is JSON nested too deep"
    if not isinstance(fields, dict):
        return {"line_text": line}, "the line is not a JSON object"
    return {name: _json_cell(value) for name, value in fields.items()}, None


def _json_cell(value: object) -> str | None:
    if value is None or isinstance(value, str):
        return None if value is None else _sound(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(value, ensure_ascii=False)


def _sound(text: str) -> str:
    """Write half characters (lone surrogates of an escape) as a mark: no store takes them."""
    return text.encode("utf-8", errors="replace").decode("utf-8")
