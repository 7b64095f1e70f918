"""Text cells to typed columns, whole columns at once; every cell that does not fit says why."""

from collections.abc import Mapping, Set
from dataclasses import dataclass, field
from datetime import date

import polars as pl

from pipeline.intake.amounts import amount_in_cell, is_over_word
from pipeline.intake.dates import moments
from pipeline.intake.distinct import are_few, over_distinct
from pipeline.intake.tables import Column, Kind, Table
from pipeline.intake.told_apart import hashes, hashes_of, summed, telling_columns

EARLIEST = date(1900, 1, 1)  # no earthing rod in service is older: a date before it is a slip of the pen
_YES = ("true", "yes", "y", "t", "1")
_NO = ("false", "no", "n", "f", "0")
_A_DAY = "a date of the calendar such as 2026-03-14"
_WANTED = {
    Kind.TEXT: "a text",
    Kind.NUMBER: "a number",
    Kind.WHOLE: "a whole number",
    Kind.YES_NO: "true or false",
    Kind.RANGED: "a number, or > or < and a number",
    Kind.MONTH: "a month such as 2026-03",
    Kind.DAY: _A_DAY,
    Kind.MOMENT: _A_DAY,
}
_NO_LIMIT = (
    "says over range, but the range of its meter is not known; load its range_high_ohm, or write >1500"
)
_NOTHING_READ = "where nothing was read leave it empty and give the outcome"
_UNIT_IN_CELL = "`rodfleet profile` makes a source profile that reads units in the cells"
_WITH_UNIT = r"^[<>]?\s*[+-]?\d[\d.,]*\s*[\p{L}\p{So}\u00b0%][\p{L}\p{So}\u00b0%/\-\u00b7 ]*\.?$"


@dataclass(frozen=True)
class Writing:
    """Say how the cells of one file are written."""

    today: date
    """The day of loading: later dates are refused."""
    decimal_marks: str = "."
    dates: tuple[str, ...] = ()
    """Forms of dates beside ISO 8601, as strptime writes them."""
    units: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """column -> what is added, then multiplied, to bring a number to the column's unit."""
    dates_of: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """column -> its own forms of dates, before `dates`."""
    in_cell: Mapping[str, str | None] = field(default_factory=dict)
    """column whose cells hold number and unit -> the unit of a cell that names none (None: refused)."""
    over_limits: Mapping[str, float] = field(default_factory=dict)
    """instrument -> upper end of its range (ohm): what a cell 'OL' means."""


def typed(frame: pl.DataFrame, table: Table, how: Writing) -> pl.DataFrame:
    """Read text columns as the table's typed columns and collect all that is wrong in each row.

    Takes `_line`, `_fault` and the table's columns as text. Gives `_line`, the typed columns (`range_mark`
    beside a ranged one), `_reason` (null, or every complaint about the row in one sentence) and `_content`
    (what tells the row from others of its place; told_apart).
    """
    rows = frame.rename({name: _text(name) for name in table.names})
    rows = _read_at_once(rows, table, how) if are_few(rows.height) else _read_by_column(rows, table, how)
    rows = rows.with_columns(c.alias(f"{_SAID}row_{k}") for k, c in enumerate(_row_complaints(table)))
    said = [c for c in rows.columns if c.startswith(_SAID) and rows[c].null_count() < rows.height]
    together = pl.concat_str(said, separator="; ", ignore_nulls=True) if said else pl.lit("")
    rows = rows.with_columns(pl.coalesce("_fault", together).alias("_reason"))
    rows = rows.with_columns(_defaults(table))
    told = [
        rows[_TOLD + c] if _TOLD + c in rows.columns else hashes_of(c, rows[c])
        for c in telling_columns(table, typed_names(table))
    ]
    reason = pl.when(pl.col("_reason") != "").then("_reason").alias("_reason")
    content = summed(told, rows.height).alias("_content")
    return rows.select("_line", *typed_names(table), reason, content)


_MARKS = pl.Enum(["over", "under"])
_SAID, _TOLD = "_said_", "_told_"
_DEFAULTED = ("method", "outcome")
"""Columns in which an empty cell means something: what tells their values apart is worked out after that."""


def _read_at_once(rows: pl.DataFrame, table: Table, how: Writing) -> pl.DataFrame:
    """Add the typed columns and what is wrong with each cell (or null)."""
    values = rows.with_columns(value for column in table.columns for value in _values(column, how))
    return values.with_columns(
        pl.coalesce(_complaint(c, how), _empty(c)).alias(_SAID + c.name) for c in table.columns
    )


def _read_by_column(rows: pl.DataFrame, table: Table, how: Writing) -> pl.DataFrame:
    """Do the same with each distinct cell of a column once, and add what tells the values apart."""
    telling = {*telling_columns(table, typed_names(table))} - {*_DEFAULTED}
    return rows.with_columns(read for column in table.columns for read in _read(rows, column, how, telling))


def _read(rows: pl.DataFrame, column: Column, how: Writing, telling: Set[str]) -> list[pl.Series]:
    cell = _text(column.name)
    # A text is its cell, as it was sorted out: its distinct texts need not be found again.
    typed = [] if column.kind is Kind.TEXT else _typed_as(column)

    def worked_out(cells: pl.DataFrame) -> pl.DataFrame:
        values = cells.with_columns(_values(column, how))
        told = [
            hashes(c, values[c].cast(pl.String)).alias(_TOLD + c) for c in _typed_as(column) if c in telling
        ]
        return values.select(*typed, *told, _complaint(column, how).alias(_SAID + column.name))

    if column.kind is Kind.RANGED and how.over_limits:  # what 'OL' means hangs on the meter
        read = worked_out(rows.select(pl.col(cell, _text("instrument_id")).cast(pl.String)))
    else:
        read = over_distinct(rows[cell], worked_out)
    if column.required and rows[cell].null_count():
        said = rows.select(cell).hstack(read).select(pl.coalesce(_SAID + column.name, _empty(column)))
        read = read.with_columns(said.to_series().alias(_SAID + column.name))
    if column.kind is Kind.TEXT:
        read = read.with_columns(rows[cell].alias(column.name))
    return read.get_columns()


def _empty(column: Column) -> pl.Expr:
    """Say that a cell is empty that must not be, or null."""
    if not column.required:
        return pl.lit(None, pl.String)
    return _where(pl.col(_text(column.name)).is_null(), f"{column.name} is empty")


def typed_names(table: Table) -> list[str]:
    """Give the names of the table's typed columns: its own, and `range_mark` behind a ranged one."""
    return [name for column in table.columns for name in _typed_as(column)]


def _typed_as(column: Column) -> list[str]:
    return [column.name, "range_mark"] if column.kind is Kind.RANGED else [column.name]


def _text(name: str) -> str:
    return f"_text_{name}"


def _values(column: Column, how: Writing) -> list[pl.Expr]:
    """Give the typed column (null where the cell does not fit), with its range mark where it is ranged."""
    cell = pl.col(_text(column.name))
    match column.kind:
        case Kind.TEXT:
            value = cell
        case Kind.NUMBER:
            value = _number(cell, column.name, how)
        case Kind.WHOLE:
            number = _number(cell, column.name, how)
            value = pl.when(number == number.round()).then(number).cast(pl.Int64, strict=False)
        case Kind.YES_NO:
            lower = cell.str.to_lowercase()
            value = pl.when(lower.is_in(_YES)).then(True).when(lower.is_in(_NO)).then(False)
        case Kind.CHOICE:
            word = cell.str.to_lowercase().str.replace_all(r"[ \-]+", "_")
            value = pl.when(word.is_in(column.choices)).then(word).cast(pl.Enum(column.choices))
        case Kind.DAY:
            value = _moment(cell, column, how).dt.date()
        case Kind.MOMENT:
            value = _moment(cell, column, how)
        case Kind.MONTH:
            whole = pl.when(cell.str.contains(r"^\d{4}-\d{1,2}$")).then(cell + "-01").otherwise(cell)
            value = _moment(whole, column, how).dt.date().dt.month_start()
        case Kind.RANGED:
            return _ranged(cell, column.name, how)
    return [value.alias(column.name)]


def _ranged(cell: pl.Expr, name: str, how: Writing) -> list[pl.Expr]:
    """Give the number, or the limit where the meter was out of its range, and the mark that says so."""
    value = _number(cell.str.replace(r"^[<>]\s*", ""), name, how)
    limit = pl.lit(None, pl.Float64)
    if how.over_limits:
        meter = pl.col(_text("instrument_id"))
        limit = meter.replace_strict(dict(how.over_limits), default=None, return_dtype=pl.Float64)
    over = is_over_word(cell)
    marks = {">": "over", "<": "under"}
    mark = cell.str.slice(0, 1).replace_strict(marks, default=None, return_dtype=pl.String)
    return [
        pl.when(over).then(limit).otherwise(value).alias(name),
        pl.when(over)
        .then(pl.lit("over"))
        .when(value.is_not_null())
        .then(mark)
        .cast(_MARKS)
        .alias("range_mark"),
    ]


def _number(cell: pl.Expr, name: str, how: Writing) -> pl.Expr:
    """Read plain decimal numbers: 'nan', 'inf', thousands marks and units in the cell are no numbers."""
    if name in how.in_cell:
        return amount_in_cell(cell, name, how.decimal_marks, how.in_cell[name])
    mark = "[" + "".join(f"\\{m}" for m in how.decimal_marks) + "]"
    plain = cell.str.contains(rf"^[+-]?(\d+({mark}\d*)?|{mark}\d+)([eE][+-]?\d+)?$")
    number = pl.when(plain).then(cell.str.replace(mark, ".")).cast(pl.Float64, strict=False)
    number = pl.when(number.is_finite()).then(number)
    if name in how.units:
        added, times = how.units[name]
        number = (number + added) * times
    return number


def _moment(cell: pl.Expr, column: Column, how: Writing) -> pl.Expr:
    forms = (*how.dates_of.get(column.name, ()), *how.dates)
    return moments(cell, forms, how.today, column.may_lie_ahead)


def _complaint(column: Column, how: Writing) -> pl.Expr:
    """Say what is wrong with a filled cell of one column, or null."""
    cell, value = pl.col(_text(column.name)), pl.col(column.name)
    unread = cell.is_not_null() & value.is_null()
    plain = f"is not {_wanted(column, how)}"
    wrong: list[tuple[pl.Expr, str]] = []  # of one cell the first counts
    if column.kind is Kind.RANGED:
        wrong += [
            (unread & is_over_word(cell), _NO_LIMIT),
            (unread & ~cell.str.contains(r"\d"), f"{plain} ({_NOTHING_READ})"),
        ]
    if column.kind in (Kind.NUMBER, Kind.RANGED) and column.name not in how.in_cell:
        wrong.append((unread & cell.str.contains(_WITH_UNIT), f"{plain} ({_UNIT_IN_CELL})"))
    wrong.append((unread, plain))
    if column.kind in (Kind.DAY, Kind.MOMENT, Kind.MONTH):
        day = value.cast(pl.Date)
        wrong.append((day < EARLIEST, f"lies before {EARLIEST.year}"))
        if not column.may_lie_ahead:
            wrong.append((day > how.today, f"lies after the day of loading ({how.today})"))
    if column.above is not None:
        wrong.append((value <= column.above, f"has to be above {column.above:g}"))
    if column.low is not None:
        wrong.append((value < column.low, f"is below {column.low:g}"))
    if column.high is not None:
        wrong.append((value > column.high, f"is above {column.high:g}"))
    shown = cell.str.slice(0, 60)
    said: list[pl.Expr] = [
        pl.when(w).then(pl.format(f"{column.name} '{{}}' {words}", shown)) for w, words in wrong
    ]
    return pl.coalesce(said)


def _wanted(column: Column, how: Writing) -> str:
    if column.name in how.in_cell:
        bare = how.in_cell[column.name]
        return "a number with a unit that is known" if bare is None else "a number, or one with a known unit"
    if column.kind is Kind.CHOICE:
        return "one of " + ", ".join(column.choices)
    return _WANTED[column.kind]


def _row_complaints(table: Table) -> list[pl.Expr]:
    """Say what is wrong between the cells of a row."""
    said = []
    if table.one_of:
        nothing = pl.all_horizontal(pl.col(_text(n)).is_null() for n in table.one_of)
        said.append(_where(nothing, f"{' or '.join(table.one_of)} is needed"))
    if table.name == "readings":
        silent = pl.col(_text("resistance_ohm")).is_null() & pl.col(_text("current_a")).is_null()
        outcome, text = pl.col("outcome"), pl.col(_text("outcome"))
        said += [
            _where(silent & text.is_null(), "resistance_ohm, current_a and outcome are all empty"),
            _where(
                silent & (outcome == "read"), "outcome is read, but there is neither resistance nor current"
            ),
            _where(
                outcome.is_in(["no_reading", "inaccessible"]) & pl.col("resistance_ohm").is_not_null(),
                "outcome says that nothing was read, but there is a resistance",
            ),
        ]
    if table.name == "electrodes":
        said.append(
            _where(pl.col("retired_on") < pl.col("installed_on"), "retired_on lies before installed_on")
        )
    return said


def _where(wrong: pl.Expr, words: str) -> pl.Expr:
    return pl.when(wrong).then(pl.lit(words))


def _defaults(table: Table) -> list[pl.Expr]:
    """Fill in what an empty cell of a reading means."""
    if table.name != "readings":
        return []
    stands = pl.col("resistance_ohm").is_not_null() | pl.col("current_a").is_not_null()
    return [
        pl.col("method").fill_null("clamp_on"),
        pl.when(pl.col("outcome").is_null() & stands)
        .then(pl.lit("read"))
        .otherwise("outcome")
        .alias("outcome"),
    ]
