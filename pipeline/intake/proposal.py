"""A source profile proposed for an unknown file: which table, which column, which unit, and how sure."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl
from scipy.optimize import linear_sum_assignment

from pipeline.errors import FileRefusedError
from pipeline.intake.choice_words import CHOICE_WORDS, YES_NO_WORDS
from pipeline.intake.column_evidence import Evidence, evidence_of, fits_kind
from pipeline.intake.dates import FoundDates, find_dates
from pipeline.intake.files import Rows, Sheet, rows_under, sheets
from pipeline.intake.headings import alike, words_alike
from pipeline.intake.tables import TABLES, Column, Kind, Table
from pipeline.intake.trade_words import TABLE_WORDS
from pipeline.intake.unit_guess import UnitGuess, any_possible, guess_unit
from pipeline.intake.units import units_of
from pipeline.intake.writing import decimal_marks, heading_dates

SURE, LIKELY, UNSURE = 0.85, 0.66, 0.45
_LOOKED_AT = 5_000  # rows
_HEADING_LINES = 40
_NO_NAME = re.compile(r"^[<>+-]?[\d.,:/]")


@dataclass(frozen=True)
class Guess:
    """Hold what one heading is taken for."""

    heading: str
    column: Column
    score: float
    """0 to 1."""
    unit: UnitGuess
    dates: FoundDates = field(default_factory=FoundDates)
    words: tuple[tuple[str, str | None], ...] = ()
    """(their word, our word or None: not understood) of a column with a list of words."""
    rivals: tuple[str, ...] = ()
    """Other columns of ours that the heading names nearly as well."""

    @property
    def asked(self) -> str | None:
        """Put the question that has to be answered before the line can be used, or None."""
        if self.score < LIKELY:
            others = f", or {' or '.join(self.rivals)}" if self.rivals else ""
            return f"is '{self.heading}' our {self.column.name}{others}?"
        if self.unit.asks:
            return f"which unit: {' or '.join(self.unit.could_be)}? ({self.unit.because})"
        return None


@dataclass(frozen=True)
class WideVisits:
    """Hold the headings of a wide sheet that look like visits."""

    headings: tuple[str, ...]
    dates: FoundDates
    years_only: bool
    unit: UnitGuess


@dataclass(frozen=True)
class TableGuess:
    """Hold what one table of a sheet is taken for."""

    sheet: str
    heading_line: int
    table: Table
    score: float
    guesses: tuple[Guess, ...]
    unused: tuple[str, ...]
    """Headings that answer to nothing of ours."""
    missing: tuple[str, ...]
    """Columns that the table needs and no heading names."""
    marks: str
    rows: Rows
    found: tuple[str, ...]
    text_only: bool
    visits: WideVisits | None = None
    fill_down: tuple[str, ...] = ()

    @property
    def date_question(self) -> Guess | None:
        """Give the column whose order of day and month is open, or None."""
        return next((g for g in self.guesses if g.dates.could_be and g.score >= LIKELY), None)


def propose(path: Path, today: date) -> tuple[TableGuess, ...]:
    """Guess what the sheets of an unknown file are; raise FileRefusedError where none is a table."""
    found = []
    for sheet in sheets(path, peek=_LOOKED_AT):
        starts = heading_rows(sheet)
        ends = [*starts[1:], None]
        for start, end in zip(starts, ends, strict=True):
            hint = f"{sheet.sheet} {path.name.split('.')[0]}"
            if (guess := _table_guess(sheet, start, end, hint, today)) is not None:
                found.append(guess)
    if not found:
        raise FileRefusedError("no line in it looks like the headings of a table; check the file")
    return tuple(found)


def heading_rows(sheet: Sheet) -> list[int]:
    """Find the lines of headings: the first that names most, and such a line after each blank line."""
    grid = sheet.grid.head(_LOOKED_AT)
    lines = grid["_line"].to_list()
    rows = list(grid.drop("_line", "_width", "_fault").iter_rows())
    top = max(range(min(len(rows), _HEADING_LINES)), key=lambda k: (_named(rows[k]), -k))
    if not _named(rows[top]):
        return [lines[next((k for k, row in enumerate(rows) if sum(c is not None for c in row) > 1), 0)]]
    starts = [
        lines[k]
        for k in range(len(rows))
        if k == top or (lines[k] > lines[k - 1] + 1 and k != 0 and _named(rows[k]) >= 2 and _is_text(rows[k]))
    ]
    return starts if sheet.sheet or sheet.ragged else starts[:1]


def _named(row: Sequence[str | None]) -> float:
    """Count the cells of a line that name a column of ours, each by how well it does."""
    if not _is_text(row):
        return 0.0
    cells = {c for c in row if c and sum(x.isdigit() for x in c) < 3 and len(c) < 60}
    return sum(best for c in cells if (best := _best_name(c)) >= UNSURE)


@cache
def _best_name(cell: str) -> float:
    return max(alike(cell, c.name) for t in TABLES.values() for c in t.columns)


def _is_text(row: Sequence[str | None]) -> bool:
    filled = [c for c in row if c]
    named = [c for c in filled if not _NO_NAME.match(c)]
    return len(named) >= 2 and (len(named) * 4 >= len(filled) * 3 or _all_new(filled))


def _all_new(filled: Sequence[str]) -> bool:
    """Say whether the cells that are no names are years or dates: a wide sheet's visits."""
    rest = [c for c in filled if _NO_NAME.match(c)]
    return all(sum(x.isdigit() for x in c) >= 4 for c in rest) and len(set(rest)) == len(rest)


def _table_guess(sheet: Sheet, start: int, end: int | None, hint: str, today: date) -> TableGuess | None:
    try:
        rows = rows_under(sheet, start, (start, end))
    except FileRefusedError:
        if end is not None:
            return None
        raise
    frame = rows.frame
    visits, wide = _visit_headings(rows, today)
    headings = [h for h in rows.headings if h not in visits]
    evidence = {h: evidence_of(frame[h], today, sheet.ragged, sheet.days_from_1904) for h in headings}
    best = max(
        (_assigned(table, evidence, hint, bool(visits)) for table in TABLES.values()), key=lambda a: a.total
    )
    marks = decimal_marks(frame.select([h for h in headings if h]), sheet.ragged)
    guesses = tuple(_guess(h, c, s, evidence[h], best) for h, c, s in best.pairs)
    used = {g.heading for g in guesses}
    unit = None
    if wide is not None:
        value = best.table.column("resistance_ohm") if "resistance_ohm" in best.table.names else None
        unit = replace(wide, unit=_wide_unit(frame, wide, value, today, sheet)) if value else None
    there = {g.column.name for g in guesses if g.score >= LIKELY} | (
        {"taken_at", "resistance_ohm"} if unit else set()
    )
    missing = [c for c in best.table.required if c not in there]
    if best.table.one_of and not there & set(best.table.one_of):
        missing.append(" or ".join(best.table.one_of))
    return TableGuess(
        sheet.sheet,
        start,
        best.table,
        best.sureness,
        guesses,
        tuple(h for h in headings if h not in used),
        tuple(missing),
        marks,
        rows,
        sheet.found,
        sheet.ragged,
        unit,
        _gaps(guesses, evidence),
    )


def _visit_headings(rows: Rows, today: date) -> tuple[list[str], WideVisits | None]:
    """Find the headings that are dates or years; one alone is no wide sheet."""
    years = [h for h in rows.headings if h.isdigit() and len(h) == 4 and 1950 <= int(h) <= today.year]
    if len(years) > 1:
        return years, WideVisits(tuple(years), FoundDates(("%Y",)), True, UnitGuess())
    dated = [h for h in rows.headings if evidence_of(pl.Series([h]), today, True, False).dated == 1.0]
    if len(dated) < 2:
        return [], None
    found = heading_dates(dated, today)
    if not found.forms and not found.could_be:
        clock = " 00:00:00" if any(":" in h for h in dated) else ""
        found = FoundDates(("%Y-%m-%d" + clock.replace("00:00:00", "%H:%M:%S"),))
    return dated, WideVisits(tuple(dated), found, False, UnitGuess())


def _wide_unit(frame: pl.DataFrame, wide: WideVisits, value: Column, today: date, sheet: Sheet) -> UnitGuess:
    cells = pl.concat([frame[h].alias("all") for h in wide.headings])
    seen = evidence_of(cells, today, sheet.ragged, False)
    return guess_unit(" ", cells, seen.numbers, value)


@dataclass(frozen=True)
class _Assignment:
    table: Table
    pairs: tuple[tuple[str, Column, float], ...]
    total: float
    sureness: float
    scores: dict[tuple[str, str], float]


def _assigned(table: Table, evidence: dict[str, Evidence], hint: str, wide: bool) -> _Assignment:
    """Give each heading at most one column of the table, so that they agree best together."""
    headings = list(evidence)
    scores = np.array([[_score(h, c, evidence[h]) for c in table.columns] for h in headings]).reshape(
        len(headings), len(table.columns)
    )
    _only_date(table, evidence, scores)
    rows, columns = linear_sum_assignment(-(scores**2))
    pairs = [
        (headings[r], table.columns[c], float(scores[r, c]))
        for r, c in zip(rows, columns, strict=True)
        if scores[r, c] >= UNSURE
    ]
    there = {c.name for _, c, _ in pairs} | (
        {"taken_at", "resistance_ohm"} if wide and table.name == "readings" else set()
    )
    needed = [c in there for c in table.required] + (
        [bool(there & set(table.one_of))] if table.one_of else []
    )
    share = sum(needed) / max(len(needed), 1)
    named = 0.8 * max(words_alike(w, TABLE_WORDS[table.name]) for w in (hint, *hint.split()))
    shape = _shape_of(table, evidence, pairs)
    key = 1.5 * (wide and table.name == "readings")
    total = sum(s for _, _, s in pairs) + 1.5 * share + named + key + shape
    by_pair = {
        (h, c.name): float(scores[i, j]) for i, h in enumerate(headings) for j, c in enumerate(table.columns)
    }
    strength = sum(s for _, _, s in pairs) / max(len(headings), 1)
    return _Assignment(table, tuple(pairs), total, min(1.0, 0.5 * share + 0.5 * strength), by_pair)


def _only_date(table: Table, evidence: dict[str, Evidence], scores: np.ndarray) -> None:
    """Let the one column of dates in a sheet be the one date that its table has."""
    dated = [k for k, seen in enumerate(evidence.values()) if seen.dated >= 0.95]
    days = [k for k, c in enumerate(table.columns) if c.kind in (Kind.DAY, Kind.MOMENT)]
    if len(dated) == len(days) == 1:
        known = scores[dated[0], days[0]]
        scores[dated[0], days[0]] = max(known, 0.7 if known >= 0.2 else 0.6)


def _shape_of(
    table: Table, evidence: dict[str, Evidence], pairs: Sequence[tuple[str, Column, float]]
) -> float:
    """Weigh how rows repeat: a master table names each thing once, a reading comes again and again."""
    key = table.key[0] if table.key else "well_id"
    heading = next((h for h, c, _ in pairs if c.name in (key, "electrode_id")), None)
    if heading is None or table.name not in ("sites", "electrodes", "readings"):
        return 0.0
    once = evidence[heading].distinct >= 0.999
    return 0.4 if once == (table.name != "readings") else -0.4


def _score(heading: str, column: Column, seen: Evidence) -> float:
    """Say how well a heading and its cells fit a column: the name counts, the cells can speak against it."""
    name = alike(heading, column.name)
    if name < 0.3:
        return 0.0
    if seen.filled == 0:
        return 0.9 * name
    fit = fits_kind(seen, column)
    if column.kind in (Kind.NUMBER, Kind.RANGED) and not any_possible(
        heading, seen.cells, seen.numbers, column.name
    ):
        fit *= 0.5
    return name * (0.35 + 0.65 * fit) if fit < 0.9 else min(1.0, name * (0.9 + 0.1 * fit))


def _guess(heading: str, column: Column, score: float, seen: Evidence, best: _Assignment) -> Guess:
    rivals = sorted(
        (
            c.name
            for c in best.table.columns
            if c is not column and best.scores[heading, c.name] >= max(UNSURE, score - 0.12)
        ),
        key=lambda name: -best.scores[heading, name],
    )
    unit = UnitGuess()
    if column.kind in (Kind.NUMBER, Kind.RANGED) and units_of(column.name):
        unit = guess_unit(heading, seen.cells, seen.numbers, column)
    dates = (
        find_dates(seen.cells, seen.today, column.may_lie_ahead, seen.from_1904)
        if column.kind in (Kind.DAY, Kind.MOMENT)
        else FoundDates()
    )
    return Guess(heading, column, score, unit, dates, _word_guesses(column, seen), tuple(rivals[:2]))


def _word_guesses(column: Column, seen: Evidence) -> tuple[tuple[str, str | None], ...]:
    """Propose our words for theirs, where a column takes words from a list; ours are left out."""
    own: tuple[str, ...]
    if column.kind is Kind.YES_NO:
        choices, own = YES_NO_WORDS, ("true", "yes", "y", "t", "1", "false", "no", "n", "f", "0")
    elif column.kind is Kind.CHOICE:
        choices, own = CHOICE_WORDS.get(column.name, {}), column.choices
    else:
        return ()
    words = []
    for theirs in seen.words:
        if theirs.lower().replace(" ", "_").replace("-", "_") in own:
            continue
        scored = sorted(((words_alike(theirs, p), ours) for ours, p in choices.items()), reverse=True)
        words.append((theirs, scored[0][1] if scored and scored[0][0] >= 0.8 else None))
    return tuple(words)


def _gaps(guesses: Sequence[Guess], evidence: dict[str, Evidence]) -> tuple[str, ...]:
    """Name the headings of key columns whose cells are written once and left empty below."""
    keys = ("site_id", "well_id", "electrode_id", "taken_at", "surveyed_on")
    return tuple(
        g.heading
        for g in guesses
        if g.column.name in keys
        and 0 < evidence[g.heading].filled < 0.8
        and evidence[g.heading].starts_filled
    )
