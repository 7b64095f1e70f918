"""What the cells of a foreign column speak for: numbers, dates, words."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.intake.amounts import is_over_word
from pipeline.intake.choice_words import CHOICE_WORDS, YES_NO_WORDS
from pipeline.intake.dates import ISO, find_dates
from pipeline.intake.headings import words_alike
from pipeline.intake.tables import Column, Kind

_MOST_WORDS = 40


@dataclass(frozen=True)
class Evidence:
    """Hold what the cells of a column are, as shares of those that are filled."""

    cells: pl.Series
    numbers: pl.Series
    """Those cells that hold a number, range marks and units taken off."""
    filled: float
    """Share of the rows in which something stands."""
    starts_filled: bool
    numeric: float
    bare: float
    """Share that are numbers and nothing else."""
    dated: float
    distinct: float
    words: tuple[str, ...]
    """The different texts, where there are few."""
    today: date
    from_1904: bool


def evidence_of(cells: pl.Series, today: date, text_only: bool, from_1904: bool) -> Evidence:  # noqa: ARG001
    """Look at a column of text cells."""
    filled = cells.drop_nulls()
    count = max(filled.len(), 1)
    marked = filled.str.replace(r"^[<>]\s*", "")
    pattern = r"^[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
    numeric = marked.str.contains(pattern + r"\s*(?:[^\d\s].{0,9})?$") & ~marked.str.contains(
        r"^\d+[./-]\d+[./-]\d+"
    )
    over = pl.select(is_over_word(pl.lit(filled))).to_series() if filled.len() else numeric
    numbers = (
        marked.filter(numeric)
        .str.extract(f"({pattern})", 1)
        .str.replace(",", ".")
        .cast(pl.Float64, strict=False)
    )
    found = find_dates(filled, today, True, from_1904)
    iso = float(filled.str.contains(ISO).sum()) / count
    dated = 1.0 if found.forms or found.could_be else iso
    serial = any(f.startswith("serial") or f == "%Y%m%d" for f in found.forms)
    unique = filled.unique(maintain_order=True)
    return Evidence(
        cells,
        numbers.drop_nulls(),
        filled.len() / max(cells.len(), 1),
        cells.len() > 0 and cells[0] is not None,
        float((numeric | over).sum()) / count,
        float(marked.str.contains(pattern + "$").sum()) / count,
        0.7 if serial else dated,
        unique.len() / count,
        tuple(unique.to_list()) if unique.len() <= _MOST_WORDS else (),
        today,
        from_1904,
    )


def fits_kind(seen: Evidence, column: Column) -> float:  # noqa: PLR0911 - one for each kind
    """Say how far the cells could stand in such a column, 0 to 1."""
    match column.kind:
        case Kind.NUMBER | Kind.WHOLE:
            share = seen.numeric
            if column.kind is Kind.WHOLE and seen.numbers.len():
                share *= _share(seen.numbers == seen.numbers.round())
            return share * _within(seen, column)
        case Kind.RANGED:
            return seen.numeric
        case Kind.DAY | Kind.MOMENT:
            return seen.dated
        case Kind.MONTH:
            return max(seen.dated, _share(seen.cells.drop_nulls().str.contains(r"^\d{4}-\d{1,2}$")))
        case Kind.CHOICE:
            return _of_words(
                seen,
                {
                    c: f"{c.replace('_', ' ')}|{CHOICE_WORDS.get(column.name, {}).get(c, c)}"
                    for c in column.choices
                },
            )
        case Kind.YES_NO:
            return _of_words(seen, {k: f"{k}|{v}|{int(k == 'true')}" for k, v in YES_NO_WORDS.items()})
        case _:
            identity = column.name.endswith("_id")
            if seen.dated >= 0.9:
                return 0.1
            if (
                column.name in ("note", "retired_reason", "soil_class", "site_name", "crew")
                and seen.bare > 0.9
            ):
                return 0.3
            if seen.numeric > 0.9 and seen.numbers.len():
                if (seen.numbers != seen.numbers.round()).any():
                    return 0.1
                return 1.0 if identity else 0.6
            return 1.0


def _share(true: pl.Series) -> float:
    return float(true.sum()) / max(true.len(), 1)


def _within(seen: Evidence, column: Column) -> float:
    """Halve what lies beyond the column's limits; units may move a number, so they count little."""
    if not seen.numbers.len() or column.name.endswith(("_c", "_pct")):
        return 1.0
    good = pl.Series([True] * seen.numbers.len())
    if column.high is not None:
        good &= seen.numbers <= column.high
    if column.low is not None:
        good &= seen.numbers >= column.low
    return 0.4 + 0.6 * _share(good)


def _of_words(seen: Evidence, choices: dict[str, str]) -> float:
    if not seen.words:
        return 0.2
    known = sum(max(words_alike(w, p) for p in choices.values()) >= 0.8 for w in seen.words)
    return 0.45 + 0.55 * known / len(seen.words) if known else 0.3
