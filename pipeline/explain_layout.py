"""How an explanation is set for a terminal: wrapped lines, small tables, numbers, places."""

import math
import textwrap
from collections.abc import Sequence
from datetime import date
from typing import Any

from reports import words

WIDTH = 79


def wrapped(said: str, indent: str = "  ", hang: str = "") -> list[str]:
    """Wrap a text to the terminal's width."""
    lines = textwrap.wrap(
        said, WIDTH, initial_indent=indent, subsequent_indent=indent + hang, break_on_hyphens=False
    )
    return [line.replace(words.NB, " ") for line in lines]


def dated(when: date, said: str) -> list[str]:
    """Set a day before what is said of it."""
    return wrapped(f"{words.day(when)}  {said}", "  ", " " * 12)


def table(rows: Sequence[Sequence[str]], left: Sequence[int] = (0,), gap: str = "  ") -> list[str]:
    """Set cells in columns: those in `left` to the left, all others to the right."""
    widths = [max(len(r[k]) for r in rows) for k in range(len(rows[0]))]

    def line(row: Sequence[str]) -> str:
        set_in = zip(row, widths, strict=True)
        cells = (c.ljust(w) if k in left else c.rjust(w) for k, (c, w) in enumerate(set_in))
        return ("  " + gap.join(cells)).rstrip()

    return [line(row) for row in rows]


def percent(p: float) -> str:
    """Say a chance with a tenth of a per cent, as small moves are compared here."""
    if p < 0.001:
        return "<0.1"
    return ">99.9" if p > 0.999 else f"{100 * p:.1f}"


def signed(change: float) -> str:
    """Say a change of a chance in points, nothing where it is none."""
    return "" if abs(change) < 0.0005 else f"{100 * change:+.1f}"


def age(value: float, places: int = 0) -> str:
    """Say an age, or that it is never reached."""
    return "never" if math.isinf(value) else f"{value:.{places}f}"


def ohm(value: float | None, mark: str | None = None) -> str:
    """Say a resistance, with the mark of a meter's limit."""
    if value is None:
        return "-"
    return {"over": ">", "under": "<"}.get(mark or "", "") + words.figure(value)


def place(row: dict[str, Any]) -> str:
    """Say where a row stands: file, sheet, line."""
    name = f"{row['file']} [{row['sheet']}]" if row.get("sheet") else row["file"]
    return f"{name}, line {row['line']}" if row.get("line") is not None else str(name)
