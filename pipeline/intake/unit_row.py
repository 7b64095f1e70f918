"""A line of units below the headings, held against the units in which the columns are read."""

import polars as pl

from pipeline.errors import FileRefusedError
from pipeline.intake.profiles import Recognised, in_cell_units, number_units
from pipeline.intake.units import factor, spelt, units_of

_LINES = 3
_AS_NAMED = (0.0, 1.0)


def check_units_row(ours: pl.DataFrame, what: Recognised) -> None:
    """Raise FileRefusedError where a line of units contradicts those that the columns are read in.

    `ours`: a sheet's first rows under our columns' names. Such a line is refused by itself; without this
    the numbers below it would be taken in a unit that the sheet denies.
    """
    for row in ours.head(_LINES).iter_rows(named=True):
        cells = {c: row[c] for c in what.table.names if isinstance(row.get(c), str)}
        if any(any(letter.isdigit() for letter in cell) for cell in cells.values()):
            continue
        named = {c: unit for c, cell in cells.items() if (unit := _named(cell, c))}
        other = [f"{c} in {unit}" for c, unit in named.items() if factor(c, unit) != _read_as(c, what)]
        if other:
            raise FileRefusedError(
                f"a line below the headings says {', '.join(other)}, and the numbers are read otherwise; "
                "write these units into a source profile (rodfleet profile makes one)"
            )


def _named(cell: str, column: str) -> str | None:
    return spelt(cell.strip().strip("[](){}"), column, letters_too=False) if units_of(column) else None


def _read_as(column: str, what: Recognised) -> tuple[float, float] | None:
    """Say what brings a bare number of the column to our unit; None where such a number is not read."""
    in_cell = in_cell_units(what)
    if column in in_cell:
        bare = in_cell[column]
        return factor(column, bare) if bare else None
    return number_units(what).get(column, _AS_NAMED)
