"""One sheet of a file, block by block: its rows under our names, judged, beside the cells as they came."""

from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.errors import FileRefusedError
from pipeline.intake.amounts import is_over_word
from pipeline.intake.cells import Writing, typed
from pipeline.intake.distinct import sorted_out
from pipeline.intake.files import Headings, Sheet, headings_of, rows_below, sheet_in_blocks
from pipeline.intake.profiles import (
    Recognised,
    in_cell_units,
    mapped,
    number_units,
    rows_of_visit,
    source_of,
    without_other_visits,
)
from pipeline.intake.unit_row import check_units_row
from pipeline.intake.writing import Found, WritingEvidence

# What `rodfleet refused --write` puts beside a row: why it was refused, and which refused row it answers.
WHY, MARK = "why_refused", "refused_row"
_PART_ROWS = 500_000  # of a form that is not read in blocks are judged at a time


@dataclass(frozen=True)
class Part:
    """Hold some of a sheet's rows, in order, twice."""

    judged: pl.DataFrame
    """As cells.typed gives them, with `_site` (that a crew wrote beside a well) and `_mark` (the refused row
    that this one answers)."""
    came: pl.DataFrame
    """`_line`, and the cells as they came under their own headings."""


class WrittenOtherwiseError(Exception):
    """Say that the whole of a file tells another way of writing than its beginning did."""

    def __init__(self, found: Found) -> None:
        super().__init__("the file has to be read again")
        self.found = found


class JudgedSheet:
    """Read and judge the rows of one sheet.

    How its cells are written is found from the first block, and has to stand when all have been seen; else
    `parts` ends in WrittenOtherwiseError with what was `found` of all, to begin anew with. Raises
    FileRefusedError where the sheet can't be read or misses a column. limits: upper ends of meters' ranges.
    """

    def __init__(
        self,
        path: Path,
        what: Recognised,
        today: date,
        limits: Mapping[str, float],
        writing: Found | None = None,
    ) -> None:
        self._path, self._what, self._today, self._limits = path, what, today, limits
        self._writing = writing
        self._sheet_found: tuple[str, ...] = ()

    @property
    def found(self) -> tuple[str, ...]:
        """Tell in words what was found out to read the sheet."""
        written = self._writing.words if self._writing else ()
        return (*self._what.found, *self._sheet_found, *written)

    def parts(self) -> Iterator[Part]:
        """Give the rows in order, the next part judged while the one before is being taken.

        A file of any length is so read in bounded memory.
        """
        parts = self._parts()
        with ThreadPoolExecutor(1) as worker:
            coming = worker.submit(next, parts, None)
            while (part := coming.result()) is not None:
                coming = worker.submit(next, parts, None)
                yield part

    def _parts(self) -> Iterator[Part]:
        evidence = None
        for came, ours, sheet in self._rows():
            if evidence is None:
                evidence = _evidence(self._what, sheet)
                self._sheet_found = sheet.found
            evidence.add(ours)
            if self._writing is None:
                self._writing = self._settled(evidence)
            yield self._part(came, ours, self._writing)
        if evidence is not None and (whole := evidence.found(self._today)) != self._writing:
            raise WrittenOtherwiseError(whole)

    def _settled(self, evidence: WritingEvidence) -> Found:
        """Say how the cells are written by the first block, or by all of them where it leaves a question."""
        try:
            return evidence.found(self._today)
        except FileRefusedError:
            blocks = self._rows()
            next(blocks)
            for _, ours, _ in blocks:
                evidence.add(ours)
            raise WrittenOtherwiseError(evidence.found(self._today)) from None

    def _rows(self) -> Iterator[tuple[pl.DataFrame, pl.DataFrame, Sheet]]:
        """Give the rows as they came, the same under our names, and the block of the sheet they are from."""
        what, profile = self._what, self._what.profile
        encoding, separator = (profile.encoding, profile.separator) if profile else (None, None)
        headings: Headings | None = None
        above: dict[str, str] = {}
        units_checked = False
        for sheet in sheet_in_blocks(self._path, encoding, what.sheet, separator):
            if headings is None:
                headings = headings_of(sheet, profile.heading_line if profile else None, what.lines)
                _check_headings(headings.names, what)
            if headings.end is not None and sheet.grid["_line"][0] >= headings.end:
                return
            came = sorted_out(without_other_visits(rows_below(sheet, headings), what))
            ours = mapped(came, what, above)
            if not units_checked and ours.height:
                check_units_row(ours, what)
                units_checked = True
            meant = rows_of_visit(came, what)
            came, ours = came.filter(meant), ours.filter(meant)
            for k in range(0, max(came.height, 1), _PART_ROWS):
                yield came[k : k + _PART_ROWS], ours[k : k + _PART_ROWS], sheet

    def _part(self, came: pl.DataFrame, ours: pl.DataFrame, writing: Found) -> Part:
        what, profile = self._what, self._what.profile
        how = Writing(
            self._today,
            writing.decimal_marks,
            profile.dates if profile else (),
            number_units(what),
            writing.dates_of,
            in_cell_units(what),
            self._limits if self._limits and _says_over(ours) else {},
        )
        site = profile.well_number_with if profile else None
        beside = came.select(_column(came, site).alias("_site"), _column(came, MARK).alias("_mark"))
        return Part(
            typed(ours, what.table, how).hstack(beside),
            # What `rodfleet refused --write` put beside the row is none of it.
            came.select(pl.exclude("_fault", WHY, MARK)),
        )


def _column(frame: pl.DataFrame, name: str | None) -> pl.Series:
    if name in frame.columns:
        return frame[name].cast(pl.String)
    return pl.repeat(None, frame.height, dtype=pl.String, eager=True)


def _evidence(what: Recognised, sheet: Sheet) -> WritingEvidence:
    """Begin to find out how a sheet's cells are written, as far as its profile leaves it open."""
    profile = what.profile
    return WritingEvidence(
        what.table,
        text_only=sheet.ragged,
        from_1904=sheet.days_from_1904,
        marks=profile.decimal_marks if profile else None,
        dates_given=bool(profile and profile.dates),
        headings={c: s.heading for c in what.table.names if (s := source_of(what, c)) is not None},
        semicolons="';' between cells" in sheet.found,
    )


def _says_over(ours: pl.DataFrame) -> bool:
    """Say whether any cell says 'over range' without the limit."""
    return bool(ours.select(is_over_word(pl.col("resistance_ohm").unique().cast(pl.String)).any()).item())


def _check_headings(names: tuple[str, ...], what: Recognised) -> None:
    """Raise FileRefusedError where a column that the table needs is not among the headings."""
    table, profile = what.table, what.profile
    theirs = {h.lower() for h in names}

    def heading(column: str) -> str | None:
        if profile and profile.visits and column == profile.visits.date:
            return what.visit
        source = source_of(what, column)
        return source.heading if source else None

    for column in table.required:
        if (wanted := heading(column)) is None or wanted.lower() not in theirs:
            raise FileRefusedError(
                f"the column {wanted or column} is missing; add it or map it in a source profile"
            )
    either = [h for c in table.one_of if (h := heading(c))]
    if table.one_of and not any(h.lower() in theirs for h in either):
        raise FileRefusedError(f"one of the columns {' or '.join(either)} is needed; add it")
