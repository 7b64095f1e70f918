"""The workbook and the CSV copies: typed cells, and no text of the data is ever taken for a formula."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

from reports import words
from reports.staged import TABLES, Staged

COPIED = (
    "site_ranking", "plan", "sites", "site_outlook", "electrode_outlook", "attend_first", "class_curves",
    "load_books", "refused_rows", "hypotheses", "question_confounders", "question_overlap", "question_news",
    "soil_importance", "soil_dependence", "model_checks", "residual_checks", "not_understood",
    "verdict_counts", "verdict_groups",
    "next_readings", "next_rounds", "loop_dependence", "measure_again",
)  # fmt: skip
# What a spreadsheet takes for the start of a formula when it opens a CSV.
FORMULA_START = r"^[=+\-@\t\r]"
MOST_SHEET_ROWS = 1_048_575

NUMBER_FORMATS = {
    "p_": "0.0%", "share_": "0.0%", "cost": "#,##0", "expected_benefit": "#,##0", "benefit_per_cost": "0.00",
    "_ohm": "0.000", "ohm_": "0.000", "_years": "0.0", "years_": "0.0", "_age_": "0.0", "age_": "0.0",
    "current_": "0.00", "latitude": "0.00000", "longitude": "0.00000", "ratio_": "0.00",
    "expected_rods": "0.0", "rank_p": "0", "rods": "0", "growth_": "0.0000",
}  # fmt: skip


def number_format(column: str) -> str:
    """Give a real column's number format from its name; the names carry the units."""
    for mark, form in NUMBER_FORMATS.items():
        if column.startswith(mark) or (mark.startswith("_") and mark in column):
            return form
    return "General"


def write_workbook(staged: Staged, path: Path) -> Path:
    """Write rodfleet.xlsx: ranking, plan, sites, electrodes, attend-first, verdict counts."""
    path.parent.mkdir(parents=True, exist_ok=True)
    never_guess = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(str(path), never_guess)
    # The run's own time, so that the same run gives the same file.
    book.set_properties({"title": "rodfleet", "created": _finished(staged.run.get("finished_at"))})
    writer = _Sheets(book)
    for name, frame in sheets(staged).items():
        writer.add(name, frame)
    writer.add("about", _about(staged))
    book.close()
    return path


def sheets(staged: Staged) -> dict[str, pl.DataFrame]:
    """Give the sheets' tables by name, in their order."""
    verdicts = staged["reading_verdicts"]
    counts = verdicts.group_by("verdict", "rule", year=pl.col("taken_at").dt.year()).len("readings")
    outlook = staged["site_outlook"].drop("as_of", "wells", "rod_count")
    return {
        "ranking": staged["site_ranking"].sort("rank", "site_id"),
        "plan": staged["plan"].sort("year", maintain_order=True),
        "sites": staged["sites"].join(outlook, on="site_id", how="left", maintain_order="left"),
        "electrodes": staged["electrode_outlook"].sort("site_id", "electrode_id"),
        "attend first": staged["attend_first"].sort("taken_at", descending=True, nulls_last=True),
        "verdict counts": counts.sort("year", "verdict", "rule", nulls_last=True),
    }


def _about(staged: Staged) -> pl.DataFrame:
    run = staged.run
    rows = [("run", str(run.get("run_id"))), ("judged as of", str(run.get("as_of")))]
    rows += [("money in", str(run.get("currency") or ""))]
    rows += [("caution", caution) for caution in words.CAUTIONS]
    return pl.DataFrame(rows, schema=["what", "text"], orient="row")


def _finished(value: object) -> datetime:
    try:
        moment = datetime.fromisoformat(str(value))
    except ValueError:
        return datetime(2000, 1, 1)
    return moment.astimezone(UTC).replace(tzinfo=None) if moment.tzinfo else moment


class _Sheets:
    """Writes tables as sheets of one workbook, sharing its formats."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        self._book = book
        self._head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        self._formats: dict[str, Any] = {}

    def add(self, name: str, frame: pl.DataFrame) -> None:
        """Add `frame` as the sheet `name`: header frozen and filtered, every cell of its column's type."""
        sheet = self._book.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        frame = frame.head(MOST_SHEET_ROWS)
        for at, column in enumerate(frame.columns):
            values = frame[column].to_list()
            sheet.write_string(0, at, column, self._head)
            sheet.set_column(at, at, _width(column, values))
            never = words.BEYOND if column.startswith("years_to_limit") else words.NEVER
            form = self._format(_form(column, frame[column].dtype))
            for row, value in enumerate(values, start=1):
                write_cell(sheet, row, at, value, form, never)
        if frame.width and frame.height:
            sheet.autofilter(0, 0, frame.height, frame.width - 1)

    def _format(self, form: str) -> Any:
        if form not in self._formats:
            self._formats[form] = self._book.add_format({"num_format": form})
        return self._formats[form]


def _form(column: str, dtype: pl.DataType) -> str:
    if isinstance(dtype, pl.Datetime):
        return "yyyy-mm-dd hh:mm"
    if isinstance(dtype, pl.Date):
        return "yyyy-mm-dd"
    if isinstance(dtype, pl.Float64):
        return number_format(column)
    return "0" if dtype.is_integer() else "General"


def _width(column: str, values: list[Any]) -> float:
    longest = max((len(value) for value in values[:200] if isinstance(value, str)), default=10)
    return min(max(longest, len(column) * 0.7, 9), 60)


def write_cell(sheet: Any, row: int, at: int, value: Any, form: Any, never: str) -> None:
    """Write one value as its own type; infinity as words, None as an empty cell, text never as a formula."""
    if value is None:
        return
    if isinstance(value, bool):
        sheet.write_boolean(row, at, value)
    elif isinstance(value, date):
        sheet.write_datetime(row, at, value, form)
    elif isinstance(value, int | float):
        if math.isfinite(value):
            sheet.write_number(row, at, value, form)
        else:
            sheet.write_string(row, at, never)
    else:
        sheet.write_string(row, at, str(value))


def write_copies(staged: Path, out: Path) -> list[Path]:
    """Write the tables that people open as CSV, an apostrophe before text that a spreadsheet would compute.

    Every table linked from the pages is written, a missing one as its header alone.
    """
    tables = {name: _as_staged(staged, name) for name in COPIED}
    written = []
    for name, table in tables.items():
        path = out / f"{name}.csv"
        # The mark at the front tells spreadsheets that the text is UTF-8.
        unformulated(table).write_csv(path, include_bom=True)
        written.append(path)
    return written


def _as_staged(staged: Path, name: str) -> pl.DataFrame:
    path = staged / f"{name}.parquet"
    return pl.read_parquet(path) if path.exists() else pl.DataFrame(schema=TABLES[name])


def unformulated(frame: pl.DataFrame) -> pl.DataFrame:
    """Put an apostrophe before every text that a spreadsheet would take for a formula."""
    texts = [pl.col(name) for name, dtype in frame.schema.items() if dtype == pl.String]
    return frame.with_columns(
        pl.when(text.str.contains(FORMULA_START))
        .then(pl.concat_str(pl.lit("'"), text))
        .otherwise(text)
        .name.keep()
        for text in texts
    )
