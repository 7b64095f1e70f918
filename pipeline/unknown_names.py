"""Names that refused rows wait for: sites, wells and electrodes that the register does not know."""

import json
import re
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import polars as pl

from pipeline.store import Store

_UNKNOWN = re.compile(r"^(site|well|electrode)_id '(.*)' is not known$")
_NAMES_SHOWN = 5
_ROWS_LOOKED_AT = 60  # of one name: more would say no more


@dataclass(frozen=True)
class Row:
    """What a refused row says, as far as it could be read."""

    file: str
    day: date | None
    crew: str | None
    ohm: float | None
    well_id: str | None


@dataclass
class Unknown:
    """One name that nobody knows: kind, name, the site written beside it, and the rows that wait for it."""

    kind: str
    name: str
    hint: str | None
    tables: set[str] = field(default_factory=set)
    rows: list[Row] = field(default_factory=list)
    waiting: int = 0


def unknown_names(store: Store) -> list[Unknown]:
    """Collect the names of the refused rows that still wait, the same name at two sites twice.

    A reading at a site that is not known itself waits for the site.
    """
    open_rows = turned_away(store).filter(~pl.col("settled") & pl.col("line").is_not_null())
    open_rows = open_rows.filter(pl.col("reason").str.contains(_UNKNOWN.pattern))
    known = known_sites(store)
    found: dict[tuple[str, str, str | None], Unknown] = {}
    columns = ("table_name", "reason", "file", "understood")
    for table, reason, file, understood in open_rows.select(columns).iter_rows():
        told = _told(understood)
        kind, name = _UNKNOWN.match(reason).groups()  # type: ignore[union-attr]
        hint = _text(told.get("site_id")) if kind != "site" else None
        if kind == "well" and hint is not None and hint not in known:
            kind, name, hint = "site", hint, None
        one = found.setdefault((kind, name, hint), Unknown(kind, name, hint))
        one.waiting += 1
        one.tables.add(table)
        if len(one.rows) < _ROWS_LOOKED_AT:
            one.rows.append(_row(file, told))
    return sorted(found.values(), key=lambda u: (u.kind, u.hint or "", u.name))


def turned_away(store: Store) -> pl.DataFrame:
    """Give the refused rows, and the readings whose name means nothing since its meaning was turned down."""
    unplaced = store.table("core_unplaced").drop("row_id")
    return pl.concat([store.table("core_refused"), unplaced])


def unplaced_sentence(unplaced: pl.DataFrame) -> list[str]:
    """Say which readings (core_unplaced) count for nothing until their name has a meaning, if any do."""
    if unplaced.is_empty():
        return []
    names = unplaced["row_place"].unique().sort()
    more = ["..."] if names.len() > _NAMES_SHOWN else []
    told = ", ".join([*(f"'{n}'" for n in names.head(_NAMES_SHOWN)), *more])
    return [
        f"{unplaced.height:,} readings count for no electrode, as a person turned down what their name "
        f"meant ({told}); `rodfleet names` proposes another meaning."
    ]


def known_sites(store: Store) -> dict[str, str]:
    """Give every name that a site is known by, and the site that it means."""
    names = store.frame("site_names")
    return dict(names.select("name", "site_id").iter_rows())


def _told(understood: str | None) -> dict[str, Any]:
    held = json.loads(understood or "{}")
    return held if isinstance(held, dict) else {}


def _text(value: Any) -> str | None:
    return None if value is None else str(value)


def _row(file: str, told: dict[str, Any]) -> Row:
    ohm = told.get("resistance_ohm")
    plain = ohm is not None and told.get("range_mark") is None
    value = float(ohm) if ohm is not None and plain else None
    return Row(file, _day(told.get("taken_at")), _text(told.get("crew")), value, _text(told.get("well_id")))


def _day(value: Any) -> date | None:
    try:
        return datetime.fromisoformat(str(value)).date() if value else None
    except ValueError:
        return None
