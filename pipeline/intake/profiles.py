"""Source profiles: which file is which table, and how a crew's own layout maps onto the table's columns."""

import fnmatch
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import RequestError
from pipeline.intake.files import Sheet
from pipeline.intake.tables import TABLES, Kind, Table

LAYOUTS_FOLDER = Path(__file__).resolve().parent / "layouts"

# Unit of a foreign column -> (added first, then times): into the SI unit that the column's name says.
UNITS: dict[str, tuple[float, float]] = {
    "mA": (0.0, 1e-3),
    "kA": (0.0, 1e3),
    "mohm": (0.0, 1e-3),
    "kohm": (0.0, 1e3),
    "ohm_cm": (0.0, 1e-2),
    "degF": (-32.0, 5.0 / 9.0),
    "ft": (0.0, 0.3048),  # exact: the international foot
    "in_to_mm": (0.0, 25.4),  # exact: the international inch
    "in_to_m": (0.0, 0.0254),
    "mil_to_um": (0.0, 25.4),
    "cm": (0.0, 1e-2),
    "share": (0.0, 100.0),
}


@dataclass(frozen=True)
class Source:
    """Say where one of our columns comes from."""

    heading: str
    unit: str | None = None
    words: tuple[tuple[str, str], ...] = ()
    """(their word, our word); compared without regard to case."""


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
    decimal_marks: str = "."
    dates: tuple[str, ...] = ()
    """Forms of dates beside ISO 8601, as strptime writes them."""
    encoding: str = "utf-8"
    well_number_with: str | None = None
    """The heading of the site, where a crew writes a well by its number within the site."""

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
        needed = [s.heading.lower() for c, s in self.columns.items() if self.table.column(c).required]
        either = [self.columns[c].heading.lower() for c in self.table.one_of if c in self.columns]
        return headings.issuperset(needed) and (not either or not headings.isdisjoint(either))


@dataclass(frozen=True)
class Recognised:
    """Say what a sheet is: which table, in whose layout (None: under the table's own names)."""

    table: Table
    profile: Profile | None


def load_profiles(folders: Sequence[Path] = ()) -> list[Profile]:
    """Read the profiles of the owner's folders, then those that come with the program.

    Raises RequestError for a profile that names an unknown table, column, unit or key.
    """
    files = [f for folder in (*folders, LAYOUTS_FOLDER) for f in sorted(folder.glob("*.toml"))]
    return [profile for file in files for profile in _profiles(file)]


def recognise(path: Path, sheet: Sheet, profiles: Sequence[Profile]) -> Recognised | None:
    """Find out what a sheet is: by a source profile, else by the sheet's or the file's name."""
    for profile in profiles:
        if profile.fits(path, sheet):
            return Recognised(profile.table, profile)
    if table := table_named(sheet.sheet):
        return Recognised(table, None)
    table = table_named(path.name)
    if table is None or (sheet.sheet and not _has_headings_of(sheet, table)):
        return None  # a workbook named after a table may have a sheet of remarks beside it
    return Recognised(table, None)


def table_named(name: str) -> Table | None:
    """Give the table that a name starts with: `readings_2024`, `soil-surveys-07`, `Works (2)`."""
    plain = re.sub(r"[ \-]+", "_", name.strip().lower())
    for table in TABLES.values():
        if re.match(rf"{table.name}(?![a-z])", plain):
            return table
    return None


def mapped(frame: pl.DataFrame, recognised: Recognised) -> pl.DataFrame:
    """Bring a sheet's text cells under our columns' names and words; numbers keep their unit and form.

    Gives `_line`, `_fault` and one text column for each column of the table (null where the file has none).
    """
    profile = recognised.profile
    by_lower = {c.lower(): c for c in frame.columns}
    columns = []
    for column in recognised.table.columns:
        source = profile.columns.get(column.name) if profile else Source(column.name)
        found = by_lower.get(source.heading.lower()) if source else None
        cells = pl.col(found) if found is not None else pl.lit(None, pl.String)
        if source and source.words:
            theirs = {a.lower(): b for a, b in source.words}
            cells = cells.str.to_lowercase().replace(theirs)
        columns.append(cells.alias(column.name))
    return frame.select("_line", "_fault", *columns)


def _has_headings_of(sheet: Sheet, table: Table) -> bool:
    headings = {h.lower() for h in _headings_at(sheet, None)}
    return not headings.isdisjoint(table.names)


def _headings_at(sheet: Sheet, line: int | None) -> set[str]:
    grid = sheet.grid
    top = grid.head(1) if line is None else grid.filter(pl.col("_line") == line)
    if top.is_empty():
        return set()
    return {str(v).strip() for v in top.drop("_line", "_width", "_fault").row(0) if v is not None}


def _profiles(file: Path) -> list[Profile]:
    try:
        given = tomllib.loads(file.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise RequestError(f"The source profile {file.name} can't be read: {fault}; correct it.") from fault
    maps = given.pop("maps", [])
    if not isinstance(maps, list) or not maps:
        raise _wrong(file, "has no [[maps]]", "add one for each table in the file")
    return [_profile(file, {**given, **one}) for one in maps]


def _wrong(file: Path, what: str, to_do: str) -> RequestError:
    return RequestError(f"The source profile {file.name} {what}; {to_do}.")


_PROFILE_KEYS = ("files", "sheet", "heading_line", "decimal_marks", "dates", "encoding", "well_number_with")


def _profile(file: Path, given: dict[str, Any]) -> Profile:
    table = TABLES.get(given.pop("table", ""))
    if table is None:
        raise _wrong(file, "names no known table", f"give one of {', '.join(TABLES)}")
    columns = {}
    for name, source in given.pop("columns", {}).items():
        if name not in table.names:
            raise _wrong(file, f"maps '{name}'", f"{table.name} has only {', '.join(table.names)}")
        columns[name] = _source(file, name, source)
    given.pop("about", None)
    if unknown := given.keys() - set(_PROFILE_KEYS):
        raise _wrong(file, f"has the unknown key '{min(unknown)}'", f"known are {', '.join(_PROFILE_KEYS)}")
    for name in ("files", "dates"):
        given[name] = tuple(given.get(name, ()))
    if missing := [c for c in table.required if c not in columns]:
        raise _wrong(file, f"maps nothing to {table.name}.{missing[0]}", "add it")
    return Profile(name=file.stem, table=table, columns=columns, **given)


def _source(file: Path, name: str, given: str | dict[str, Any]) -> Source:
    if isinstance(given, str):
        return Source(given)
    if "from" not in given or given.keys() - {"from", "unit", "words"}:
        raise _wrong(file, f"maps '{name}' wrongly", "give from, and if need be unit and words")
    unit = given.get("unit")
    if unit is not None and unit not in UNITS:
        raise _wrong(file, f"gives '{name}' the unknown unit '{unit}'", f"known are {', '.join(UNITS)}")
    return Source(given["from"], unit, tuple(given.get("words", {}).items()))


def number_units(profile: Profile | None) -> dict[str, tuple[float, float]]:
    """Give for each column in a foreign unit what is added, then multiplied, to bring it to ours."""
    if profile is None:
        return {}
    numeric = (Kind.NUMBER, Kind.WHOLE, Kind.RANGED)
    return {
        name: UNITS[source.unit]
        for name, source in profile.columns.items()
        if source.unit and profile.table.column(name).kind in numeric
    }
