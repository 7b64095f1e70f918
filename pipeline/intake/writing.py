"""How the cells of one file are written, found out from whole columns where no profile says it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import polars as pl

from pipeline.errors import FileRefusedError
from pipeline.intake.dates import SERIAL, SERIAL_1904, FoundDates, find_dates
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


def find_writing(
    frame: pl.DataFrame,
    table: Table,
    today: date,
    *,
    text_only: bool,
    from_1904: bool = False,
    marks: str | None = None,
    dates_given: bool = False,
    headings: Mapping[str, str] | None = None,
    semicolons: bool = False,
) -> Found:
    """Find the decimal mark and the forms of dates in a sheet's text cells under our columns' names.

    `text_only`: numbers were typed as text (CSV), so that a point is someone's writing too;
    `semicolons`: they stand between cells, as where the comma is the decimal mark and the point may part
    thousands. `marks` and `dates_given` hold what a profile says; it is not looked for then. Raises
    FileRefusedError with the question where dates or numbers can be read in more than one way.
    """
    words: list[str] = []
    if marks is None:
        numeric = [c.name for c in table.columns if c.kind in _NUMERIC]
        marks = decimal_marks(frame.select(numeric), text_only)
        words += ["decimal comma"] if "," in marks else []
        if semicolons and marks == "." and (asked := thousands_question(frame, table)) is not None:
            raise FileRefusedError(asked)
    forms: dict[str, tuple[str, ...]] = {}
    if not dates_given:
        found = {
            c.name: find_dates(frame[c.name], today, c.may_lie_ahead, from_1904)
            for c in table.columns
            if c.kind in _DATED
        }
        forms, told = _agreed(found, headings or {})
        words += told
    return Found(marks, forms, tuple(words))


def decimal_marks(frame: pl.DataFrame, text_only: bool) -> str:
    """Find the decimal mark of a file's number cells: `.`, or `,`, or both where numbers came as numbers.

    Only a cell that can be read in one way speaks: `12,4` does, `1,234` may be a thousand and does not.
    """
    comma = sum(_clear(frame[c], ",") for c in frame.columns)
    if comma <= sum(_count(frame[c], r"[1-9]\d{0,2},\d{3}$") for c in frame.columns):
        return "."
    if not text_only:
        return ".,"
    point = sum(_clear(frame[c], r"\.") for c in frame.columns)
    return "," if comma > point else "."


def _count(cells: pl.Series, pattern: str) -> int:
    return int(cells.str.contains(_SIGN + pattern).sum() or 0)


def thousands_question(frame: pl.DataFrame, table: Table) -> str | None:
    """Ask in one sentence where every point of a table's numbers could part thousands as well as decimals."""
    names = [
        c.name for c in table.columns if c.kind in _NUMERIC and c.high is None and c.name in frame.columns
    ]
    either = {c: _count(frame[c], r"[1-9]\d{0,2}\.\d{3}$") for c in names}
    if not any(either.values()) or any(_clear(frame[c], r"\.") for c in names):
        return None
    name = max(either, key=lambda c: either[c])
    example = frame[name].filter(frame[name].str.contains(r"\d\.\d{3}$"))[0]
    return (
        f"'{example}' may be a decimal or thousands, and no number settles it; write decimal_marks = '.' "
        "(or ',') in a source profile (rodfleet profile makes one)"
    )


def _clear(cells: pl.Series, mark: str) -> int:
    """Count the cells in which the mark can only be a decimal mark."""
    other = "," if mark != "," else r"\."
    groups = rf"(?:\d*{mark}\d{{1,2}}|\d+{mark}\d{{4,}}|0+{mark}\d+|\d{{4,}}{mark}\d+)"
    clear = cells.str.contains(rf"{_SIGN}{groups}(?:[^\d.,].*)?$") & ~cells.str.contains(other)
    return int(clear.sum() or 0)


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
