"""One line of a field sheet: as it came, what it was read as, what became of it, and who loaded it when."""

import json
from datetime import datetime
from typing import Any

from pipeline.errors import RequestError
from pipeline.intake.kept import as_it_came
from pipeline.store import Store

Row = dict[str, Any]


def what_became_of(store: Store, file: str, line: int) -> list[str]:
    """Tell of one line of a file, by its name or the end of its path, in lines of text.

    Raises RequestError where no row of that line was ever taken or refused.
    """
    rows = store.frame("rows_of_line", file=file, line=line).rows(named=True)
    if not rows:
        raise RequestError(
            f"Nothing was taken or refused from {file}, line {line}. A row that another file had brought "
            "before stands under that file."
        )
    return [text for row in rows for text in [*_told(store, row, line), ""]][:-1]


def _told(store: Store, row: Row, line: int) -> list[str]:
    sheet = f" [{row['sheet']}]" if row["sheet"] else ""
    if row["row_id"] is None:
        cells, read = json.loads(row["cells"]), {}
    else:
        cells, read = as_it_came(store, row["row_id"]), _read_as(store, row)
    words = [
        (f"{row['file']}{sheet}, line {line}", ""),
        ("  as it came", _pairs(cells)),
        (f"  read as {row['table_name']}", _pairs(read)),
        ("  what became of it", _fate(row)),
        ("  loaded", f"{_day(row['loaded_at'])} by {row['loaded_by'] or 'a person not on record'}"),
        ("  layout", row["profile"] or "the contract's own names"),
        ("  file", f"SHA-256 {row['content_sha256']}"),
    ]
    width = max(len(name) for name, text in words if text)
    return [f"{name:<{width}}  {text}".rstrip() for name, text in words if text or name == words[0][0]]


def _read_as(store: Store, row: Row) -> Row:
    typed = store.row(f"raw_{row['table_name']}", row["row_id"])
    return {name: value for name, value in typed.items() if name != "row_id"}


def _fate(row: Row) -> str:
    if row["reason"] is not None:
        since = f"settled {_day(row['settled_at'])}" if row["settled_at"] else "it waits for its correction"
        return f"refused: {row['reason']}; {since}"
    if row["superseded_at"] is not None:
        by = f"{row['superseded_in']}, line {row['superseded_on']}"
        return f"taken, and replaced {_day(row['superseded_at'])} by {by}"
    return "taken, and it stands"


def _pairs(cells: Row) -> str:
    return ", ".join(f"{name} {_plain(value)}" for name, value in cells.items() if value is not None)


def _plain(value: Any) -> str:
    return value.isoformat(sep=" ") if isinstance(value, datetime) else str(value)


def _day(moment: datetime) -> str:
    return f"on {moment:%Y-%m-%d %H:%M}"
