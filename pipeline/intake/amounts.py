"""Cells that hold a number together with its unit, a mark of the range, or a word for 'over range'."""

import polars as pl

from pipeline.intake.units import exact_spellings, factor, spellings

# What meters show and crews write where the loop was beyond the meter's range.
OVER_WORDS = (
    "ol",
    "o.l.",
    "o.l",
    "0l",
    "0.l",
    "over",
    "overrange",
    "over range",
    "over-range",
    "overload",
    ">ol",
    "> ol",
)


def is_over_word(cell: pl.Expr) -> pl.Expr:
    """Say whether a cell says 'over range' without naming the limit."""
    return cell.str.to_lowercase().str.strip_chars(" !").is_in(OVER_WORDS).fill_null(False)


def amount_in_cell(cell: pl.Expr, column: str, decimal_marks: str, bare: str | None) -> pl.Expr:
    """Read `12.4 m\u03a9`, `0.5k`, `14,7 ohm` or the code `4k7` in the column's unit; null where it is none.

    `bare` is the unit of a cell that names none; without it such a cell is not read.
    """
    mark = "[" + "".join(f"\\{m}" for m in decimal_marks) + "]"
    pattern = rf"^([+-]?(?:\d+(?:{mark}\d*)?|{mark}\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\.?$"
    number = cell.str.extract(pattern, 1).str.replace(mark, ".").cast(pl.Float64, strict=False)
    unit = cell.str.extract(pattern, 2).str.replace_all(r"\s+", "")
    exact = dict(exact_spellings(column))
    loose = dict(spellings(column))
    ambiguous = unit.str.contains(r"^M(?i:\u03a9|\u2126|ohms?|v)$")  # mega or milli?
    name = (
        pl.when(unit == "")
        .then(pl.lit(bare, pl.String))
        .when(unit.is_in(list(exact)))
        .then(unit.replace_strict(exact, default=None, return_dtype=pl.String))
        .when(~ambiguous)
        .then(unit.str.to_lowercase().replace_strict(loose, default=None, return_dtype=pl.String))
    )
    value = pl.lit(None, pl.Float64)
    for known in {*exact.values(), *loose.values(), *([bare] if bare else [])}:
        if (both := factor(column, known)) is not None:
            value = pl.when(name == known).then((number + both[0]) * both[1]).otherwise(value)
    value = pl.when(value.is_finite()).then(value)
    return pl.coalesce(value, _resistor_code(cell)) if column.endswith("_ohm") else value


def _resistor_code(cell: pl.Expr) -> pl.Expr:
    """Read `3R3`, `R47` and `4k7`: the letter stands where the decimal mark is (IEC 60062)."""
    pattern = r"^(\d*)([RrkK])(\d+)$"
    whole, letter, part = (cell.str.extract(pattern, k) for k in (1, 2, 3))
    number = (whole + pl.lit(".") + part).cast(pl.Float64, strict=False)
    times = pl.when(letter.str.to_lowercase() == "k").then(1e3).otherwise(1.0)
    return pl.when(cell.str.contains(pattern)).then(number * times)
