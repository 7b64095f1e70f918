"""Delimited text to grids of cells, a block of whole lines at a time; the separator is found out and told.

A block in which every line has the same number of cells, as nearly every block of nearly every file, is read
by a parser of whole columns. Others are taken apart line by line, with the same outcome; so is the rest of a
text whose quotation marks don't stand round whole cells, as only a parser can follow them.
"""

import csv
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.errors import FileRefusedError
from pipeline.intake.texts import BLOCK_BYTES, PEEK_BYTES

SEPARATORS = {",": "','", ";": "';'", "\t": "tab", "|": "'|'"}
_MOST_COLUMNS = 500  # more cells on a line than this is no table
_LONGEST_LINE = 2 * BLOCK_BYTES
_PARSED_ROWS = 100_000  # at a time, where a parser follows the quotes
_LINES_LOOKED_AT = 200
_NEWLINE, _QUOTE = 10, 34
_BLANKS = (b" ", b"\t", b"\v", b"\f", b"\r")

Places = npt.NDArray[np.int64]


def find_separator(text: str) -> str:
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


def grids(texts: Iterable[bytes], separator: str) -> Iterator[pl.DataFrame]:
    """Read delimited text (UTF-8) that comes in pieces, torn anywhere; give grids of whole lines, in order.

    A grid has `_line` (Int64, from 1), `_width` (cells of that line, Int64), `_fault` (text, null) and `c0`,
    `c1`, ... (text; empty cells null). Raises FileRefusedError for what is no table.
    """
    rest, line = b"", 1
    pieces = _ended(texts)
    for text in pieces:
        rest = rest + text if rest else text
        quotes = _quotes(rest, separator.encode()) if b'"' in rest else None
        if quotes is not None and not quotes.round_whole_cells:
            yield from _parsed(chain([rest], pieces), separator, line)
            return
        end = quotes.end if quotes is not None else rest.rfind(b"\n") + 1
        if not end and len(rest) > _LONGEST_LINE:
            raise FileRefusedError(f"line {line} does not end, so this is no table; check the file")
        if end:
            whole = rest[:end]
            newlines = _count(whole, _NEWLINE)
            yield _grid(whole, separator, line, newlines, quotes)
            line += newlines
            rest = rest[end:]
    if rest:  # in a cell whose quotation mark was not closed
        yield from _parsed([rest], separator, line)


def _ended(texts: Iterable[bytes]) -> Iterator[bytes]:
    """Let the last line end as the others do."""
    last = b""
    for text in texts:
        if text:
            yield text
            last = text
    if last and not last.endswith(b"\n"):
        yield b"\n"


@dataclass(frozen=True)
class _Quotes:
    """Hold what the quotation marks of a text do to its lines, as far as they are whole."""

    end: int
    """Where the last whole line ends; 0: none is whole."""
    ends: Places
    """The newlines that end a row; those within quoted cells don't."""
    newlines: Places
    separators: Places
    """Those outside quoted cells."""
    round_whole_cells: bool = True
    """Each begins or ends a cell, or is one of two that stand for one."""


def _quotes(text: bytes, separator: bytes) -> _Quotes:
    there = np.frombuffer(text, np.uint8)
    quotes = np.flatnonzero(there == _QUOTE)
    newlines = np.flatnonzero(there == _NEWLINE)
    ends = _outside(newlines, quotes)
    if not ends.size:
        return _Quotes(0, ends, ends, ends)
    end = int(ends[-1]) + 1
    quotes = quotes[: np.searchsorted(quotes, end)]
    newlines = newlines[: np.searchsorted(newlines, end)]
    separators = _outside(np.flatnonzero(there[:end] == separator[0]), quotes)
    opening, closing = quotes[0::2], quotes[1::2]
    before = np.where(opening > 0, there[opening - 1], _NEWLINE)
    beside = np.array((separator[0], _NEWLINE, _QUOTE), np.uint8)
    whole = np.isin(before, beside).all() and np.isin(there[closing + 1], beside).all()
    return _Quotes(end, ends, newlines, separators, bool(whole))


def _outside(places: Places, quotes: Places) -> Places:
    return places[np.searchsorted(quotes, places) % 2 == 0]


def _count(text: bytes, mark: int) -> int:
    return int(np.count_nonzero(np.frombuffer(text, np.uint8) == mark))


def _grid(text: bytes, separator: str, line: int, newlines: int, quotes: _Quotes | None) -> pl.DataFrame:
    """Read whole lines, the first of which is number `line`."""
    width = _width(text, separator.encode(), newlines, quotes)
    if width > 1:
        schema = dict.fromkeys(_names(checked_width(width)), pl.String)
        mark = '"' if quotes is not None else None
        with suppress(pl.exceptions.ComputeError):  # a row with more cells, made up for by one with fewer
            columns = pl.read_csv(text, has_header=False, schema=schema, separator=separator, quote_char=mark)
            lines = _lines_of(line, newlines, quotes)
            if columns.height == lines.len():
                return _with_lines(
                    columns, lines, width, quotes is None and _has_no_outer_blanks(text, separator)
                )
    if quotes is not None:
        return pl.concat(_parsed([text], separator, line), how="diagonal")
    return _split(text.decode(), separator, line)


def _width(text: bytes, separator: bytes, newlines: int, quotes: _Quotes | None) -> int:
    """Give the number of cells of every row, or 0 where they differ.

    Without quotes the sum is what counts: where it is right and no row has more, none has fewer.
    """
    if quotes is None:
        width = text.count(separator, 0, text.index(b"\n")) + 1
        return width if _count(text, separator[0]) == newlines * (width - 1) else 0
    width = int(np.searchsorted(quotes.separators, quotes.ends[0])) + 1
    if width == 1 or quotes.separators.size != quotes.ends.size * (width - 1):
        return 0
    by_row = quotes.separators.reshape(-1, width - 1)
    in_row = (by_row[1:, 0] > quotes.ends[:-1]).all() and (by_row[:, -1] < quotes.ends).all()
    return width if in_row else 0


def _has_no_outer_blanks(text: bytes, separator: str) -> bool:
    """Say whether no cell of a text without quotes can begin or end with a blank of any kind."""
    if not text.isascii():
        return False
    if not any(blank in text for blank in _BLANKS if blank != separator.encode()):
        return True
    there = np.frombuffer(text, np.uint8)
    blanks = np.flatnonzero(there <= ord(" "))
    blanks = blanks[there[blanks] != _NEWLINE]
    inner = np.concatenate([there[blanks - 1], there[blanks + 1]])  # the text ends with a newline
    return not (blanks.size and blanks[0] == 0) and bool(
        (inner > ord(" ")).all() and (inner != ord(separator)).all()
    )


def _lines_of(line: int, newlines: int, quotes: _Quotes | None) -> pl.Series:
    """Give the number of the line on which each row begins."""
    if quotes is None or quotes.newlines.size == quotes.ends.size:
        return pl.int_range(line, line + newlines, dtype=pl.Int64, eager=True)
    begins = np.concatenate([[0], quotes.ends[:-1] + 1])
    return pl.Series(line + np.searchsorted(quotes.newlines, begins))


def _with_lines(columns: pl.DataFrame, lines: pl.Series, width: int, plain: bool) -> pl.DataFrame:
    return columns.select(
        lines.alias("_line"),
        pl.lit(width, pl.Int64).alias("_width"),
        pl.lit(None, pl.String).alias("_fault"),
        pl.all() if plain else cell(pl.all()),
    )


def _names(width: int) -> list[str]:
    return [f"c{k}" for k in range(width)]


def _split(text: str, separator: str, line: int) -> pl.DataFrame:
    """Take lines without quotes apart, whatever the number of their cells; blank lines are left out."""
    lines = (
        pl.DataFrame({"whole": text.removesuffix("\n").split("\n")}, schema={"whole": pl.String})
        .with_row_index("_line", offset=line)
        .filter(pl.col("whole").str.strip_chars(" ") != "")
        .select(pl.col("_line").cast(pl.Int64), pl.col("whole").str.split(separator).alias("cells"))
    )
    width = checked_width(int(lines["cells"].list.len().max() or 0))  # type: ignore[arg-type]
    return lines.select(
        "_line",
        pl.col("cells").list.len().cast(pl.Int64).alias("_width"),
        pl.lit(None, pl.String).alias("_fault"),
        *(cell(pl.col("cells").list.get(k, null_on_oob=True)).alias(n) for k, n in enumerate(_names(width))),
    )


def _parsed(texts: Iterable[bytes], separator: str, line: int) -> Iterator[pl.DataFrame]:
    """Read text that begins on a line with a parser that follows the quotes; blank rows are left out."""
    reader = csv.reader(_lines(texts), delimiter=separator, strict=False)
    starts: list[int] = []
    rows: list[list[str]] = []
    start = line
    try:
        for row in reader:
            if any(row):
                starts.append(start)
                rows.append(row)
            start = line + reader.line_num
            if len(rows) == _PARSED_ROWS:
                yield _of_rows(starts, rows)
                starts, rows = [], []
    except csv.Error as fault:
        raise FileRefusedError(f"line {start} can't be read ({fault}); check its quotation marks") from fault
    yield _of_rows(starts, rows)


def _lines(texts: Iterable[bytes]) -> Iterator[str]:
    rest = b""
    for text in texts:
        *whole, rest = (rest + text).split(b"\n")
        yield from (one.decode() + "\n" for one in whole)
    if rest:
        yield rest.decode()


def _of_rows(lines: list[int], rows: list[list[str]]) -> pl.DataFrame:
    names = _names(checked_width(max(map(len, rows), default=0)))
    columns = {name: [row[k] if k < len(row) else None for row in rows] for k, name in enumerate(names)}
    return pl.DataFrame(
        {"_line": lines, "_width": list(map(len, rows)), "_fault": [None] * len(rows), **columns},
        schema={
            "_line": pl.Int64,
            "_width": pl.Int64,
            "_fault": pl.String,
            **dict.fromkeys(names, pl.String),
        },
    ).with_columns(cell(pl.col(c)).alias(c) for c in names)


def checked_width(width: int) -> int:
    """Give a number of columns back; raise FileRefusedError where no table has so many."""
    if width > _MOST_COLUMNS:
        raise FileRefusedError(f"a line has {width} cells, so this is no table; check the file")
    return width


def cell(text: pl.Expr) -> pl.Expr:
    """Take the blanks off; an empty cell is 'not known'."""
    stripped = text.str.strip_chars()
    return pl.when(stripped != "").then(stripped)
