"""Read what a refused row of readings says, kept as it came: place, moment, current, range.

Only for the danger list: a current that a crew found stays a current where the row was refused for its date.
"""

from __future__ import annotations

import json
import re
from datetime import datetime
from typing import Any

# Headings under which a refused row, kept as it came, may hold what is looked for.
NAMES = {
    "site_id": ("site_id", "site", "station", "substation"),
    "electrode_id": ("electrode_id", "electrode", "rod", "rod_id"),
    "well_id": ("well_id", "well", "test_well"),
    "taken_at": ("taken_at", "date", "taken", "time", "datetime", "read_at", "when", "ts", "timestamp"),
    "resistance_ohm": ("resistance_ohm", "resistance", "loop_resistance", "ohm", "ohms", "reading", "r"),
    "conductor": ("conductor", "lead"),
    "current_kind": ("current_kind", "ac_dc", "kind"),
}
CURRENT_WORDS = {"current", "amp", "amps", "ampere", "amperes"}
CURRENT_KEYS = {"i", "i_a", "i_ma"}
DATES = ("%d/%m/%Y", "%d.%m.%Y", "%d-%m-%Y", "%Y/%m/%d", "%d/%m/%Y %H:%M")


def _key(heading: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", heading.lower()).strip("_")


def _number(cell: Any) -> float | None:
    """Give the first number of a cell, decimal comma or point; None where there is none."""
    found = re.search(r"-?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?", str(cell))
    return float(found.group().replace(",", ".")) if found else None


def _moment(cell: Any) -> datetime | None:
    text = str(cell).strip()
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        pass
    for form in DATES:
        try:
            return datetime.strptime(text, form)
        except ValueError:
            continue
    return None


def _current(cells: dict[str, Any]) -> float | None:
    """Give the current in ampere from a cell whose heading speaks of current; it may say mA."""
    for key, cell in cells.items():
        words = key.split("_")
        if not (CURRENT_WORDS & set(words) or key in CURRENT_KEYS) or {"kind", "type"} & set(words):
            continue
        value = _number(cell)
        milli = {"ma", "milliamp", "milliampere"} & set(words) or re.search(r"\d\s*mA\b", str(cell))
        if value is not None:
            return abs(value) / 1000 if milli else abs(value)
    return None


def _leaves(cells: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    """Flatten nested cells to heading and value; inner headings keep the outer one before them."""
    flat: dict[str, Any] = {}
    for heading, cell in cells.items():
        name = _key(f"{prefix}{heading}")
        if isinstance(cell, dict):
            flat.update(_leaves(cell, f"{name}_"))
        elif cell not in (None, ""):
            flat[name] = cell
    return flat


def _object(text: str | None) -> dict[str, Any]:
    """Give the object that a JSON text holds; empty where it holds none."""
    try:
        held = json.loads(text or "{}")
    except json.JSONDecodeError:
        return {}
    return held if isinstance(held, dict) else {}


def _found(cells: dict[str, Any], headings: tuple[str, ...]) -> Any:
    """Give the cell under one of the headings, or one with its unit behind it: Loop resistance (ohm)."""
    plain = (cells[h] for h in headings if h in cells)
    with_unit = (cells[k] for k in cells for h in headings if len(h) > 2 and k.startswith(f"{h}_"))
    return next(plain, next(with_unit, None))


def read_cells(cells: str | None, understood: str | None = None) -> dict[str, Any]:
    """Read what a refused row says about place, moment, current and range, as far as it can be read.

    `cells` is the row as it came (JSON text); `understood`, what the intake made of it under the contract's
    names and units (JSON text), goes before.
    """
    came, known = _leaves(_object(cells)), _leaves(_object(understood))
    row: dict[str, Any] = {"current_a": known.get("current_a", _current(came))}
    for name, headings in NAMES.items():
        row[name] = known.get(name, _found(came, headings))
    for name in ("site_id", "electrode_id", "well_id", "conductor", "current_kind"):
        row[name] = None if row[name] is None else str(row[name])
    over = str(row["resistance_ohm"]).strip().startswith(">")
    row["range_mark"] = "over" if over else known.get("range_mark")
    row["resistance_ohm"] = None if row["resistance_ohm"] is None else _number(row["resistance_ohm"])
    row["taken_at"] = None if row["taken_at"] is None else _moment(row["taken_at"])
    row["current_a"] = None if row["current_a"] is None else abs(float(row["current_a"]))
    return row
