"""How the cells of one file are written, found out from whole columns where no profile says it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import polars as pl

from pipeline.errors import FileRefusedError
from pipeline.intake.dates import SERIAL, SERIAL_1904, DateEvidence, FoundDates, find_dates
from pipeline.intake.distinct import counted
from pipeline.intake.tables import Kind, Table

_WORDS = {"dmy": "day before month", "mdy": "month before day", "ymd": "year first"}
_FORMS = {"dmy": "%d/%m/%Y", "mdy": "%m/%d/%Y", "ymd": "%Y/%m/%d"}
_NUMERIC = (Kind.NUMBER, Kind.WHOLE, Kind.RANGED)
_DATED = (Kind.DAY, Kind.MOMENT)
_SIGN = r"^[<>]?\s*[+-]?"


@dataclass(frozen=True)
class Found:
    """Hold what the columns themselves told, and the same in words."""

    decimal_marks: str = "."
    dates_of: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    words: tuple[str, ...] = ()


class WritingEvidence:
    """Gather from a sheet's text cells under our columns' names, a part at a time, how they are written.

    `text_only`: numbers were typed as text (CSV), so that a point is someone's writing too;
    `semicolons`: they stand between cells, as where the comma is the decimal mark and the point may part
    thousands. `marks` and `dates_given` hold what a profile says; it is not looked for then.
    """

    def __init__(
        self,
        table: Table,
        *,
        text_only: bool,
        from_1904: bool = False,
        marks: str | None = None,
        dates_given: bool = False,
        headings: Mapping[str, str] | None = None,
        semicolons: bool = False,
    ) -> None:
        self._marks, self._text_only, self._semicolons = marks, text_only, semicolons
        self._headings = headings or {}
        self._numbers = NumberEvidence([c.name for c in table.columns if c.kind in _NUMERIC])
        self._dates = {
            c.name: DateEvidence(c.may_lie_ahead, from_1904)
            for c in table.columns
            if c.kind in _DATED and not dates_given
        }
        self._countable = [c.name for c in table.columns if c.kind in _NUMERIC and c.high is None]

    def add(self, frame: pl.DataFrame) -> None:
        """Look at some more rows."""
        if self._marks is None:
            self._numbers.add(frame)
        for name, dates in self._dates.items():
            dates.add(frame[name])

    def found(self, today: date) -> Found:
        """Say how the cells are written, as far as those so far tell.

        Raises FileRefusedError with the question where dates or numbers can be read in more than one way.
        """
        words: list[str] = []
        marks = self._marks
        if marks is None:
            marks = self._numbers.decimal_marks(self._text_only)
            words += ["decimal comma"] if "," in marks else []
            if (
                self._semicolons
                and marks == "."
                and (asked := self._numbers.thousands_question(self._countable))
            ):
                raise FileRefusedError(asked)
        forms, told = _agreed({n: d.found(today) for n, d in self._dates.items()}, self._headings)
        return Found(marks, forms, (*words, *told))


@dataclass
class _Numbers:
    """Count the cells of one column that tell of the marks in its numbers."""

    comma: int = 0
    point: int = 0
    """Cells in which the mark can only be a decimal mark: `12,4` is one, `1,234` is not."""
    comma_thousands: int = 0
    point_thousands: int = 0
    """Cells that may be thousands: `1,234`."""
    example: str = ""


class NumberEvidence:
    """Gather from columns of text, a part at a time, which mark parts whole from fraction."""

    def __init__(self, columns: Sequence[str]) -> None:
        self._of = {column: _Numbers() for column in columns}

    def add(self, frame: pl.DataFrame) -> None:
        """Look at some more rows."""
        for name, of in self._of.items():
            if frame[name].null_count() == frame.height:
                continue
            told = counted(frame[name]).select(
                pl.col("times"),
                *(_clear(m).alias(n) for n, m in (("comma", ","), ("point", r"\."))),
                pl.col("cell").str.contains(_SIGN + r"[1-9]\d{0,2},\d{3}$").alias("comma_thousands"),
                pl.col("cell").str.contains(_SIGN + r"[1-9]\d{0,2}\.\d{3}$").alias("point_thousands"),
                pl.col("cell"),
            )
            of.comma, of.point, of.comma_thousands, of.point_thousands = (
                getattr(of, n) + int(told.filter(n)["times"].sum())
                for n in ("comma", "point", "comma_thousands", "point_thousands")
            )
            if not of.example and (some := told.filter("point_thousands")["cell"]).len():
                of.example = str(some[0])

    def decimal_marks(self, text_only: bool) -> str:
        """Say which mark it is: `.`, or `,`, or both where numbers came as numbers."""
        comma = sum(of.comma for of in self._of.values())
        if comma <= sum(of.comma_thousands for of in self._of.values()):
            return "."
        point = sum(of.point for of in self._of.values())
        if not text_only:
            # Where commas part the fraction and every point stands before three digits, `1.200` is typed
            # text and a thousand: it is refused, not read as 1.2.
            thousands = any(of.point_thousands for of in self._of.values())
            return "," if thousands and not point else ".,"
        return "," if comma > point else "."

    def thousands_question(self, columns: Sequence[str]) -> str | None:
        """Ask in one sentence where every point of those columns could part thousands as well as decimals."""
        of = {c: self._of[c] for c in columns if c in self._of}
        if not any(o.point_thousands for o in of.values()) or any(o.point for o in of.values()):
            return None
        example = max(of.values(), key=lambda o: o.point_thousands).example
        return (
            f"'{example}' may be a decimal or thousands, and no number settles it; write decimal_marks = '.' "
            "(or ',') in a source profile (rodfleet profile makes one)"
        )


def decimal_marks(frame: pl.DataFrame, text_only: bool) -> str:
    """Find the decimal mark of the columns of a frame (NumberEvidence)."""
    evidence = NumberEvidence(frame.columns)
    evidence.add(frame)
    return evidence.decimal_marks(text_only)


def thousands_question(frame: pl.DataFrame, table: Table) -> str | None:
    """Ask in one sentence whether the points in a table's numbers part thousands; None where it is plain."""
    names = [
        c.name for c in table.columns if c.kind in _NUMERIC and c.high is None and c.name in frame.columns
    ]
    evidence = NumberEvidence(names)
    evidence.add(frame)
    return evidence.thousands_question(names)


def _clear(mark: str) -> pl.Expr:
    """Say of a cell whether the mark can only be a decimal mark."""
    other = "," if mark != "," else r"\."
    groups = rf"(?:\d*{mark}\d{{1,2}}|\d+{mark}\d{{4,}}|0+{mark}\d+|\d{{4,}}{mark}\d+)"
    cell = pl.col("cell")
    return cell.str.contains(rf"{_SIGN}{groups}(?:[^\d.,].*)?$") & ~cell.str.contains(other)


def _agreed(
    found: Mapping[str, FoundDates], headings: Mapping[str, str]
) -> tuple[dict[str, tuple[str, ...]], list[str]]:
    """Bring the columns together: one that leaves the order open takes that of the others, if they agree."""
    orders = {f.order for f in found.values() if f.order}
    forms = {name: f.forms for name, f in found.items() if f.forms}
    for name, one in found.items():
        if one.could_be and not (len(orders) == 1 and next(iter(orders)) in one.could_be):
            raise FileRefusedError(question(headings.get(name, name), one))
        if one.could_be:
            sure = next(f for f in found.values() if f.order)
            forms[name] = tuple(
                dict.fromkeys(f for s in found.values() if s.order == sure.order for f in s.forms)
            )
    return forms, _told(found, orders)


def _told(found: Mapping[str, FoundDates], orders: set[str]) -> list[str]:
    words = [_WORDS[o] for o in sorted(orders) if o != "ymd"]
    if any(f.short_years and f.forms for f in found.values()):
        words.append("two-digit years: the last such year not after today")
    kinds = {form for f in found.values() for form in f.forms}
    words += ["dates as day numbers from 1900"] if SERIAL in kinds else []
    words += ["dates as day numbers from 1904"] if SERIAL_1904 in kinds else []
    return words


def question(heading: str, one: FoundDates) -> str:
    """Ask in one sentence how the dates of a column are meant, and say where to write the answer."""
    year = "%y" if one.short_years else "%Y"
    gap = next((c for c in one.example if not c.isalnum()), "/")
    forms = [_FORMS[o].replace("%Y", year).replace("/", gap) for o in one.could_be]
    ways = " or ".join(_WORDS[o] for o in one.could_be)
    settings = " or ".join(f'dates = ["{form}"]' for form in forms)
    return (
        f"the dates in '{heading}' (such as '{one.example}') can be read {ways}, and no cell settles it; "
        f"write {settings} in a source profile (rodfleet profile makes one)"
    )


def heading_dates(names: Sequence[str], today: date) -> FoundDates:
    """Find how the headings of a wide sheet's visits are written, like a column of dates."""
    return find_dates(pl.Series(list(names), dtype=pl.String), today)
