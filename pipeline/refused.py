"""Refused rows as the crew wrote them, to be looked at, corrected in their own layout, and loaded again."""

import csv
import fnmatch
import io
import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import polars as pl

from pipeline.errors import RequestError
from pipeline.intake.judged import MARK, WHY
from pipeline.intake.profiles import Profile, load_profiles
from pipeline.store import Store

_SHOWN = 8


@dataclass(frozen=True)
class RefusedSheet:
    """The open refused rows of one file or sheet: headings, rows of cells, why and mark at their end."""

    file: str
    sheet: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def open_rows(store: Store, table: str | None = None) -> pl.DataFrame:
    """Give the refused rows that wait for their correction, in order of file, sheet and line.

    table: of that table alone. Whole files that were refused have no line and no cells.
    """
    rows = store.table("core_refused").filter(~pl.col("settled"))
    if table:
        rows = rows.filter(pl.col("table_name") == table)
    return rows.sort("file", "sheet", "line", nulls_last=False)


def listed(rows: pl.DataFrame, shown: int = _SHOWN) -> list[str]:
    """Say what waits: by file, how many, and the first of each with line and reason."""
    if rows.is_empty():
        return ["No refused row waits for its correction."]
    lines = []
    for (file, sheet), own in rows.group_by(["file", "sheet"], maintain_order=True):
        name = f"{file} [{sheet}]" if sheet else str(file)
        whole = own.filter(pl.col("line").is_null())
        lines += [f"{name}: refused as a whole: {why}" for why in whole["reason"]]
        single = own.filter(pl.col("line").is_not_null())
        if single.height:
            lines.append(f"{name}: {single.height} refused")
            lines += [
                f"  line {n}: {why}" for n, why in single.select("line", "reason").head(shown).iter_rows()
            ]
        if single.height > shown:
            lines.append(f"  and {single.height - shown} more")
    return lines


def sheets_of(rows: pl.DataFrame) -> list[RefusedSheet]:
    """Put the rows back into the layout that they came in, file by file."""
    made = []
    for (file, sheet), own in rows.drop_nulls("line").group_by(["file", "sheet"], maintain_order=True):
        cells = [json.loads(c) for c in own["cells"]]
        headings = tuple(dict.fromkeys(name for row in cells for name in row if name not in (WHY, MARK)))
        # Two files of one name may each have had such a line: the number of the file tells them apart.
        marks = (f"{file}|{sheet}|{line}|{n}" for line, n in own.select("line", "file_id").iter_rows())
        body = tuple(
            (*(_text(row.get(h)) for h in headings), str(why), mark)
            for row, why, mark in zip(cells, own["reason"], marks, strict=True)
        )
        made.append(RefusedSheet(str(file), str(sheet), headings, body))
    return _visits_together(made)


def _visits_together(sheets: Sequence[RefusedSheet]) -> list[RefusedSheet]:
    """Put the visits of a wide sheet, each of which has books of its own, back into the one sheet."""
    together: dict[tuple[str, str], RefusedSheet] = {}
    for sheet in sheets:
        key = (sheet.file, _own_sheet(sheet.sheet))
        before = together.get(key, RefusedSheet(*key, (), ()))
        headings = tuple(dict.fromkeys((*before.headings, *sheet.headings)))
        rows = (*_widened(before, headings), *_widened(sheet, headings))
        together[key] = RefusedSheet(*key, headings, rows)
    return list(together.values())


def _own_sheet(sheet: str) -> str:
    """Take off what the load puts behind a sheet's name for one visit: `Log, column 14.03.2019`."""
    return re.sub(r"(?:^|, )column .*$", "", sheet)


def _widened(sheet: RefusedSheet, headings: Sequence[str]) -> Iterator[tuple[str, ...]]:
    places = [sheet.headings.index(h) if h in sheet.headings else None for h in headings]
    for row in sheet.rows:
        yield (*("" if k is None else row[k] for k in places), *row[len(sheet.headings) :])


def _text(value: Any) -> str:
    return "" if value is None else str(value)


def write_refused(rows: pl.DataFrame, folder: Path, layouts: Sequence[Path] = ()) -> list[Path]:
    """Write the refused rows below a folder, each file under its own name and in its own layout.

    Corrected there and loaded again (`rodfleet load FOLDER`), they settle what they answer, by `refused_row`.
    Raises RequestError where the folder holds something already.
    """
    if folder.exists() and any(folder.iterdir()):
        raise RequestError(f"The folder {folder} is not empty; give a new one.")
    profiles = load_profiles(layouts)
    by_file: dict[str, list[RefusedSheet]] = {}
    for sheet in sheets_of(rows):
        by_file.setdefault(sheet.file, []).append(sheet)
    return [_write(folder, name, sheets, profiles) for name, sheets in by_file.items()]


def _write(folder: Path, name: str, sheets: list[RefusedSheet], profiles: Sequence[Profile]) -> Path:
    """Write one file; a packed one is written plain, Parquet as CSV."""
    place = PurePosixPath(name)
    # Only names below the folder: a name that was given with a way out of it loses that way.
    parts = [p for p in place.parts if p not in ("..", "/", "")]
    target = folder.joinpath(*parts)
    if target.suffix.lower() == ".gz":
        target = target.with_suffix("")
    form = target.suffix.lower()
    if form in (".parquet", ""):
        target = target.with_suffix(".csv")
    target.parent.mkdir(parents=True, exist_ok=True)
    if form in (".xlsx", ".ods"):
        target = target.with_suffix(".xlsx")
        _workbook(target, sheets, _heading_line(target.name, profiles))
    elif form in (".jsonl", ".ndjson"):
        target.write_text("".join(_json_lines(sheets)), encoding="utf-8")
    else:
        profile = _profile(target.name, profiles)
        separator = (profile and profile.separator) or ("\t" if form == ".tsv" else ",")
        above = "\n" * (_heading_line(target.name, profiles) - 1)
        text = "\n".join(_delimited(sheet, separator) for sheet in sheets)
        target.write_bytes((above + text).encode((profile and profile.encoding) or "utf-8", "replace"))
    return target


def _heading_line(name: str, profiles: Sequence[Profile]) -> int:
    """Return the line of the headings in the layout that the file's name belongs to; 1 where it has none."""
    profile = _profile(name, profiles)
    return (profile.heading_line if profile else None) or 1


def _profile(name: str, profiles: Sequence[Profile]) -> Profile | None:
    """Find the layout that a file's name belongs to."""
    for profile in profiles:
        if any(fnmatch.fnmatchcase(name.lower(), pattern.lower()) for pattern in profile.files):
            return profile
    return None


def _delimited(sheet: RefusedSheet, separator: str) -> str:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=separator, lineterminator="\n")
    writer.writerow([*sheet.headings, WHY, MARK])
    writer.writerows(sheet.rows)
    return text.getvalue()


def _json_lines(sheets: list[RefusedSheet]) -> Iterator[str]:
    for sheet in sheets:
        for row in sheet.rows:
            named: Mapping[str, str] = dict(zip((*sheet.headings, WHY, MARK), row, strict=True))
            yield json.dumps({k: v or None for k, v in named.items()}, ensure_ascii=False) + "\n"


def _workbook(path: Path, sheets: list[RefusedSheet], heading_line: int) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(path, {"strings_to_formulas": False, "strings_to_urls": False}) as book:
        for sheet in sheets:
            # The second table of a sheet (`Log/2`) becomes one: '/' and 32 letters can't be its name.
            page = book.add_worksheet(re.sub(r"[\[\]:*?/\\]", " ", sheet.sheet)[:31].strip() or "Sheet1")
            for k, row in enumerate(((*sheet.headings, WHY, MARK), *sheet.rows)):
                for column, cell in enumerate(row):
                    page.write_string(heading_line - 1 + k, column, cell)


def counted(rows: pl.DataFrame) -> str:
    """Say in a line how many rows of which tables wait."""
    by_table = Counter(rows.drop_nulls("line")["table_name"].fill_null("of no known table").to_list())
    return ", ".join(f"{n:,} {name}" for name, n in sorted(by_table.items()))
