"""Which units the magnitudes of a column allow: one is proposed, two are asked about."""

from dataclasses import dataclass

import polars as pl

from pipeline.intake.headings import names_ambiguous_unit, unit_in
from pipeline.intake.tables import Column
from pipeline.intake.units import IN_CELL, factor, spelt, units_of

# Between which values, in the contract's unit, the middle value of a column lies. Wide on purpose: a unit
# outside is not meant, and where two lie inside the analyst is asked. Common practice, no source.
_MIDDLES: dict[str, tuple[float, float]] = {
    "resistance_ohm": (0.05, 5_000.0),
    "baseline_ohm": (0.05, 5_000.0),
    "check_ring_ohm": (0.05, 1_000.0),
    "range_low_ohm": (0.0, 1.0),
    "range_high_ohm": (50.0, 20_000.0),
    "accuracy_ohm": (0.0, 10.0),
    "current_a": (1e-5, 100.0),
    "length_m": (0.5, 40.0),
    "diameter_mm": (5.0, 100.0),
    "cladding_um": (5.0, 2_000.0),
    "top_depth_m": (0.0, 5.0),
    "sample_depth_m": (0.05, 30.0),
    "grid_depth_m": (0.1, 5.0),
    "grid_conductor_m": (5.0, 50_000.0),
    "grid_area_m2": (10.0, 1e6),
    "spacing_m": (0.2, 150.0),
    "resistivity_ohm_m": (1.0, 20_000.0),
    "soil_temp_c": (-8.0, 38.0),
    "air_temp_c": (-40.0, 45.0),
    "rain_mm": (0.0, 1_500.0),
    "voltage_kv": (0.2, 1_200.0),
    "fault_current_ka": (0.05, 100.0),
    "clearing_time_s": (0.01, 10.0),
    "soil_moisture_pct": (0.0, 100.0),
    "redox_mv": (-800.0, 1_500.0),
    "test_frequency_hz": (10.0, 100_000.0),
    "chloride_ppm": (0.0, 50_000.0),
    "sulphate_ppm": (0.0, 100_000.0),
}
# Units that nobody uses for a column without saying so.
_NEVER_UNSAID = frozenset(("yd", "uA", "ohm_ft", "kHz", "ha"))


@dataclass(frozen=True)
class UnitGuess:
    """Hold the unit proposed for a column, or the units between which the analyst has to choose."""

    unit: str | None = None
    because: str = ""
    could_be: tuple[str, ...] = ()
    bare: str | None = None
    """Of a column whose cells name units: that of a cell without one, where the heading says it."""

    @property
    def asks(self) -> bool:
        """Say whether the analyst has to choose."""
        return bool(self.could_be)


def guess_unit(heading: str, cells: pl.Series, numbers: pl.Series, column: Column) -> UnitGuess:
    """Propose the unit of a column from what its cells name, its heading names, and its magnitudes allow.

    `numbers` are the column's numbers as written. A unit that is named and yet impossible by its magnitude is
    asked about; so is one that nobody names where two are possible.
    """
    own = units_of(column.name)
    named = unit_in(heading, column.name)
    if _units_in_cells(cells, column.name):
        return UnitGuess(IN_CELL, "the cells name their units", bare=named)
    if names_ambiguous_unit(heading):
        return UnitGuess(could_be=tuple(u for u in own), because="'M' before a unit may be milli or mega")
    possible = [u for u in own if u not in _NEVER_UNSAID and _possible(numbers, column.name, u)]
    if named is not None and (not len(numbers) or _possible(numbers, column.name, named)):
        return UnitGuess(named, "the heading says so")
    if named is not None:
        because = f"the heading says {named}, but the numbers would be far from usual"
        return UnitGuess(could_be=(named, *(u for u in possible if u != named)), because=because)
    return _unnamed(numbers, possible, [u for u in own if u not in _NEVER_UNSAID])


def _unnamed(numbers: pl.Series, possible: list[str], usual: list[str]) -> UnitGuess:
    """Take the one unit that the magnitudes allow, or ask."""
    if not len(numbers):
        return UnitGuess(could_be=tuple(usual), because="there is no number")
    if len(possible) == 1:
        return UnitGuess(possible[0], "the only unit in which the numbers are usual")
    return UnitGuess(could_be=tuple(possible or usual), because=f"{_shown(numbers)} could be any of them")


def any_possible(heading: str, cells: pl.Series, numbers: pl.Series, column: str) -> bool:
    """Say whether the numbers would be usual in any unit, or in the one that the heading names."""
    if not len(numbers) or column not in _MIDDLES or _units_in_cells(cells, column):
        return True
    named = unit_in(heading, column)
    return any(_possible(numbers, column, u) for u in ([named] if named else units_of(column)))


def _units_in_cells(cells: pl.Series, column: str) -> bool:
    """Say whether a good part of the cells hold a number with a unit behind it."""
    filled = cells.drop_nulls().head(200).to_list()
    # A line of units below the headings holds a unit and no number.
    tails = [_tail(cell) for cell in filled if any(letter.isdigit() for letter in cell)]
    named = sum(bool(t) and spelt(t, column) is not None for t in tails)
    return named > 0 and named * 10 >= len(filled)


def _tail(cell: str) -> str:
    return cell.lstrip("<> +-").lstrip("0123456789.,").strip()


def _possible(numbers: pl.Series, column: str, unit: str) -> bool:
    both = factor(column, unit)
    if both is None:
        return False
    low, high = _MIDDLES.get(column, (float("-inf"), float("inf")))
    values = (numbers + both[0]) * both[1]
    middle = float(values.median() or 0.0)  # type: ignore[arg-type]
    if not low <= middle <= high:
        return False
    if column == "soil_moisture_pct":
        top = float(numbers.max() or 0.0)  # type: ignore[arg-type]
        return top <= 1.0 if unit == "share" else top <= 100.0
    return True


def _shown(numbers: pl.Series) -> str:
    low, high = float(numbers.min() or 0.0), float(numbers.max() or 0.0)  # type: ignore[arg-type]
    return f"{low:g} to {high:g}"
