"""Source profiles: which file is which table, and how a crew's own layout maps onto the table's columns."""

import fnmatch
import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import RequestError
from pipeline.intake.distinct import over_distinct
from pipeline.intake.files import Sheet
from pipeline.intake.profile_values import wrong_source, wrong_value
from pipeline.intake.tables import TABLES, Kind, Table
from pipeline.intake.units import IN_CELL, UNITS, factor, units_of
from pipeline.intake.visits import Visits

LAYOUTS_FOLDER = Path(__file__).resolve().parent / "layouts"


@dataclass(frozen=True)
class Source:
    """Say where one of our columns comes from."""

    heading: str
    unit: str | None = None
    words: tuple[tuple[str, str], ...] = ()
    """(their word, our word); compared without regard to case."""
    bare: str | None = None
    """Of a column whose cells hold number and unit: the unit of a cell that names none."""


@dataclass(frozen=True)
class Profile:
    """Map one sheet of a foreign layout onto one table."""

    name: str
    table: Table
    columns: dict[str, Source]
    files: tuple[str, ...] = ()
    """Patterns of file names; empty: any file whose headings fit."""
    sheet: str | None = None
    heading_line: int | None = None
    decimal_marks: str | None = None
    """None, here and below: found out from the file, and told."""
    dates: tuple[str, ...] = ()
    """Forms of dates beside ISO 8601, as strptime writes them (or `serial`: day numbers)."""
    encoding: str | None = None
    separator: str | None = None
    well_number_with: str | None = None
    """The heading of the site, where a crew writes a well by its number within the site."""
    fill_down: tuple[str, ...] = ()
    """Headings under which an empty cell means the value above it (merged cells, a site written once)."""
    visits: Visits | None = None
    """Of a wide sheet: which headings are visits, and what their cells are."""

    def fits(self, path: Path, sheet: Sheet) -> bool:
        """Say whether a sheet of a file is in this layout.

        A layout with file names fits where the name, the sheet and any of its headings do, so that a missing
        heading is named; one without them has to find all headings that its table needs.
        """
        name = path.name.lower()
        if self.files and not any(fnmatch.fnmatchcase(name, p.lower()) for p in self.files):
            return False
        if self.sheet is not None and sheet.sheet.strip().lower() != self.sheet.lower():
            return False
        headings = {h.lower() for h in _headings_at(sheet, self.heading_line)}
        if self.files:
            return any(s.heading.lower() in headings for s in self.columns.values())
        return self.is_heading(headings)

    def is_heading(self, cells: set[str]) -> bool:
        """Say whether the cells of a line, in lower case, hold all headings that the table needs."""
        needed = [s.heading.lower() for c, s in self.columns.items() if self.table.column(c).required]
        either = [self.columns[c].heading.lower() for c in self.table.one_of if c in self.columns]
        if not cells.issuperset(needed) or (either and cells.isdisjoint(either)):
            return False
        return self.visits is None or bool(self.visits.headings_among(sorted(cells)))


@dataclass(frozen=True)
class Recognised:
    """Say what a sheet is: which table, in whose layout (None: under the table's own names)."""

    table: Table
    profile: Profile | None
    sheet: str = ""
    """The sheet's name in the workbook."""
    lines: tuple[int, int | None] | None = None
    """Of a sheet with a title or several tables: this one's line of headings, and where it ends."""
    visit: str | None = None
    """Of a wide sheet: the heading of the one visit that is meant."""
    found: tuple[str, ...] = ()
    """What was found out about the whole of the sheet."""


def heading_test(profiles: Sequence[Profile]) -> Callable[[set[str]], bool]:
    """Give the test whether the cells of a line are headings: those of a profile, or of a table of ours."""

    def is_heading(cells: set[str]) -> bool:
        if any(profile.is_heading(cells) for profile in profiles):
            return True
        return bool(_tables_of(cells))

    return is_heading


def visits_of(recognised: Recognised, sheet: Sheet) -> list[str]:
    """Give the headings of a wide sheet that are visits, in order; none for a long one."""
    profile = recognised.profile
    if profile is None or profile.visits is None:
        return []
    return profile.visits.headings_among(_headings_in_order(sheet, profile.heading_line))


def load_profiles(folders: Sequence[Path] = ()) -> list[Profile]:
    """Read the profiles of the owner's folders, then those that come with the program.

    Raises RequestError for a profile that names an unknown table, column, unit or key.
    """
    files = [f for folder in (*folders, LAYOUTS_FOLDER) for f in sorted(folder.glob("*.toml"))]
    return [profile for file in files for profile in _profiles(file)]


def recognise(path: Path, sheet: Sheet, profiles: Sequence[Profile]) -> Recognised | None:
    """Find out what a sheet is: by a source profile, else by its or the file's name, else by its headings."""
    for profile in profiles:
        if profile.fits(path, sheet):
            return Recognised(profile.table, profile)
    if table := table_named(sheet.sheet):
        return Recognised(table, None)
    if table := table_named(path.name):
        # A workbook named after a table may have a sheet of remarks beside it.
        is_one = not sheet.sheet or _has_headings_of(sheet, table)
        return Recognised(table, None) if is_one else None
    if table := _table_of_headings(_headings_at(sheet, None)):
        return Recognised(table, None, found=(f"{table.name} by its headings",))
    return None


def _table_of_headings(headings: set[str]) -> Table | None:
    """Give the table that knows most of the headings, of those of which all that they require is there."""
    found = _tables_of({h.lower() for h in headings})
    best = [table for table, known in found.items() if known == max(found.values())]
    return TABLES[best[0]] if len(best) == 1 else None


def _tables_of(cells: set[str]) -> dict[str, int]:
    """Name the tables whose required headings are all among the cells, and how many of theirs are."""
    return {
        table.name: known
        for table in TABLES.values()
        if cells.issuperset(table.required)
        and (not table.one_of or not cells.isdisjoint(table.one_of))
        and (known := len(cells & set(table.names))) > 1  # one alone, such as `month`, stands in many files
    }


def table_named(name: str) -> Table | None:
    """Give the table that a name starts with: `readings_2024`, `soil-surveys-07`, `Works (2)`."""
    plain = re.sub(r"[ \-]+", "_", name.strip().lower())
    for table in TABLES.values():
        if re.match(rf"{table.name}(?![a-z])", plain):
            return table
    return None


def mapped(frame: pl.DataFrame, recognised: Recognised, above: dict[str, str] | None = None) -> pl.DataFrame:
    """Bring a sheet's text cells under our columns' names and words; numbers keep their unit and form.

    Gives `_line`, `_fault` and one text column for each column of the table (null where the file has none).
    `above` carries what is filled down from one block of a long sheet to the next.
    """
    profile, carried = recognised.profile, above if above is not None else {}
    by_lower = {c.lower(): c for c in frame.columns}
    filled = {h.lower() for h in profile.fill_down} if profile else set()
    columns = []
    for column in recognised.table.columns:
        source = source_of(recognised, column.name)
        found = by_lower.get(source.heading.lower()) if source else None
        cells = (
            frame[found] if found is not None else pl.repeat(None, frame.height, dtype=pl.String, eager=True)
        )
        if found is not None and found.lower() in filled and frame.height:
            cells = cells.cast(pl.String).forward_fill()
            if column.name in carried:
                cells = cells.fill_null(carried[column.name])
            if cells[-1] is not None:
                carried[column.name] = cells[-1]
        if recognised.visit is not None and profile and profile.visits and column.name == profile.visits.date:
            day = profile.visits.day_of(recognised.visit).isoformat()
            cells = pl.repeat(day, frame.height, dtype=pl.String, eager=True)
        if source and source.words:
            theirs = {a.lower(): b for a, b in source.words}
            cells = _in_our_words(cells, theirs)
        columns.append(cells.alias(column.name))
    return frame.select("_line", "_fault", *columns)


def _in_our_words(cells: pl.Series, theirs: dict[str, str]) -> pl.Series:
    def worked_out(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.select(pl.all().str.to_lowercase().replace(theirs))

    return over_distinct(cells, worked_out).to_series()


def source_of(recognised: Recognised, column: str) -> Source | None:
    """Say where a column of ours comes from; None where the layout has none for it."""
    profile = recognised.profile
    if profile is None:
        return Source(column)
    if profile.visits and recognised.visit is not None and column == profile.visits.value:
        return Source(recognised.visit, profile.visits.unit, (), profile.visits.bare)
    return profile.columns.get(column)


def without_other_visits(frame: pl.DataFrame, recognised: Recognised) -> pl.DataFrame:
    """Drop the columns of a wide sheet's other visits."""
    profile = recognised.profile
    if recognised.visit is None or profile is None or profile.visits is None:
        return frame
    return frame.drop(h for h in profile.visits.headings_among(frame.columns) if h != recognised.visit)


def rows_of_visit(frame: pl.DataFrame, recognised: Recognised) -> pl.Series:
    """Say of each row of a wide sheet whether the one visit that is meant is filled; of a long sheet, yes."""
    if recognised.visit is None:
        return pl.repeat(True, frame.height, dtype=pl.Boolean, eager=True)
    return frame[recognised.visit].is_not_null()


def _has_headings_of(sheet: Sheet, table: Table) -> bool:
    headings = {h.lower() for h in _headings_at(sheet, None)}
    return not headings.isdisjoint(table.names)


def _headings_at(sheet: Sheet, line: int | None) -> set[str]:
    return set(_headings_in_order(sheet, line))


def _headings_in_order(sheet: Sheet, line: int | None) -> list[str]:
    grid = sheet.grid
    top = grid.head(1) if line is None else grid.filter(pl.col("_line") == line)
    if top.is_empty():
        return []
    return [str(v).strip() for v in top.drop("_line", "_width", "_fault").row(0) if v is not None]


def _profiles(file: Path) -> list[Profile]:
    try:
        given = tomllib.loads(file.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as fault:  # of TOML, of UTF-8, or of a number without end
        raise RequestError(f"The source profile {file.name} can't be read: {fault}; correct it.") from fault
    maps = given.pop("maps", [])
    if not isinstance(maps, list) or not maps or not all(isinstance(one, dict) for one in maps):
        raise _wrong(file, "has no [[maps]]", "add one for each table in the file")
    return [_profile(file, {**given, **one}) for one in maps]


def _wrong(file: Path, what: str, to_do: str) -> RequestError:
    return RequestError(f"The source profile {file.name} {what}; {to_do}.")


_PROFILE_KEYS = (
    *("files", "sheet", "heading_line", "decimal_marks", "dates", "encoding", "separator"),
    *("well_number_with", "fill_down", "visits"),
)


def _profile(file: Path, given: dict[str, Any]) -> Profile:
    table = TABLES.get(str(given.pop("table", "")))
    if table is None:
        raise _wrong(file, "names no known table", f"give one of {', '.join(TABLES)}")
    columns, theirs = {}, given.pop("columns", {})
    if not isinstance(theirs, dict):
        raise _wrong(file, f"has columns = {theirs!r}", "give a table [maps.columns]")
    for name, source in theirs.items():
        if name not in table.names:
            raise _wrong(file, f"maps '{name}'", f"{table.name} has only {', '.join(table.names)}")
        columns[name] = _source(file, name, source)
    given.pop("about", None)
    if unknown := given.keys() - set(_PROFILE_KEYS):
        raise _wrong(file, f"has the unknown key '{min(unknown)}'", f"known are {', '.join(_PROFILE_KEYS)}")
    if fault := wrong_value(given):
        raise _wrong(file, *fault)
    given |= {name: tuple(given[name]) for name in ("files", "dates", "fill_down") if name in given}
    given["visits"] = visits = _visits(file, table, given.get("visits"))
    there = {*columns, *([visits.value, visits.date] if visits else [])}
    if missing := [c for c in table.required if c not in there]:
        raise _wrong(file, f"maps nothing to {table.name}.{missing[0]}", "add it")
    return Profile(name=file.stem, table=table, columns=columns, **given)


def _visits(file: Path, table: Table, given: Any) -> Visits | None:
    if given is None:
        return None
    try:
        visits = Visits(**given)
    except (TypeError, ValueError) as fault:
        raise _wrong(
            file, f"has visits that can't be used ({fault})", "give form, value, date, on"
        ) from fault
    for column in (visits.value, visits.date):
        if column not in table.names:
            raise _wrong(file, f"has visits of '{column}'", f"{table.name} has only {', '.join(table.names)}")
    _check_unit(file, visits.value, visits.unit, visits.bare)
    return visits


def _source(file: Path, name: str, given: str | dict[str, Any]) -> Source:
    if isinstance(given, str):
        return Source(given)
    if wrong_source(given) or isinstance(given, str):
        raise _wrong(file, f"maps '{name}' wrongly", "give from, and if need be unit, bare and words")
    unit, bare = given.get("unit"), given.get("bare")
    _check_unit(file, name, unit, bare)
    return Source(given["from"], unit, tuple(given.get("words", {}).items()), bare)


def _check_unit(file: Path, name: str, unit: str | None, bare: str | None) -> None:
    for one in (unit, bare):
        if one is None or (one == IN_CELL and one is unit and units_of(name)):
            continue
        if not isinstance(one, str) or one not in UNITS:
            raise _wrong(file, f"gives '{name}' the unknown unit '{one}'", f"known are {', '.join(UNITS)}")
        if factor(name, one) is None:
            can = ", ".join((*units_of(name), IN_CELL)) or "none: it has no unit"
            raise _wrong(file, f"gives '{name}' the unit '{one}'", f"it can be {can}")


def number_units(what: Recognised) -> dict[str, tuple[float, float]]:
    """Give for each column in a foreign unit what is added, then multiplied, to bring it to ours."""
    units = {}
    for name, source in _numeric_sources(what):
        if source.unit and source.unit != IN_CELL and (both := factor(name, source.unit)) is not None:
            units[name] = both
    return units


def in_cell_units(what: Recognised) -> dict[str, str | None]:
    """Give the columns whose cells hold number and unit, each with the unit of a cell that names none."""
    return {name: source.bare for name, source in _numeric_sources(what) if source.unit == IN_CELL}


def _numeric_sources(what: Recognised) -> list[tuple[str, Source]]:
    if what.profile is None:
        return []
    numeric = [c.name for c in what.table.columns if c.kind in (Kind.NUMBER, Kind.WHOLE, Kind.RANGED)]
    return [(name, source) for name in numeric if (source := source_of(what, name)) is not None]
