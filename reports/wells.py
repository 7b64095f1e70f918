"""A site's electrodes: outlook, chart columns and readings as typed, frozen objects."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import polars as pl

from reports import words
from reports.books import source
from reports.charts import Columns
from reports.classes import thinned
from reports.staged import Row
from reports.thresholds import threshold_ohm

CURVE_POINTS = 40
# A well that is logged every day is drawn and listed in part; the run's tables hold the rest.
MOST_POINTS, MOST_LISTED = 1000, 400
HORIZONS = ("now", "1y", "3y", "5y", "10y")
# A set-aside reading a thousand times too high would press the others flat: it is drawn no further off.
FARTHEST = 3.0


@dataclass(frozen=True)
class WellRow:
    """One electrode in words; `chances` of being past threshold now and in 1, 3, 5, 10 years."""

    electrode: str
    well: str
    material: str
    installed_on: str
    age: str
    level: str
    ratio: str
    basis: str
    baseline: str
    chances: tuple[str, ...]
    crossing: str
    state: str
    break_state: str
    readings_used: str
    converged: bool


@dataclass(frozen=True)
class ReadingRow:
    """One reading with its verdict, the factors taken off and the field file's line."""

    taken_on: str
    reading: str
    corrected: str
    verdict: str
    reason: str
    season: str
    campaign: str
    source: str


@dataclass(frozen=True)
class WellPanel:
    """One electrode's chart (columns: years as decimals, resistances in ohm), sentence and readings."""

    heading: str
    sentence: str
    curve: Columns
    marks: Mapping[str, Columns]
    points: Columns
    corrected: Columns
    readings: tuple[ReadingRow, ...]
    readings_held: int


def well_row(row: Row) -> WellRow:
    """Say one electrode's outlook."""
    middle = words.years(row["crossing_age_p50"])
    span = words.years_between(row["crossing_age_p05"], row["crossing_age_p95"])
    return WellRow(
        electrode=row["electrode_id"],
        well=row["well_id"] or "no well",
        material=words.plain(row["material"]),
        installed_on=words.day(row["installed_on"]),
        age=words.years(row["age_years"]),
        level=words.resistance(row["level_ohm"]),
        ratio=words.figure(row["ratio_now"]),
        basis=words.BASES.get(row["ratio_basis"] or "", words.plain(row["ratio_basis"])),
        baseline=f"{words.resistance(row['baseline_ohm'])}, "
        + words.BASELINES.get(row["baseline_source"] or "", words.plain(row["baseline_source"])),
        chances=tuple(words.chance(row[f"p_past_{h}"]) for h in HORIZONS),
        crossing=span if span in (words.UNKNOWN, words.NEVER) else f"{middle} ({span})",
        state=words.state(row["state"]),
        break_state=words.BREAKS.get(row["break_state"] or "", words.plain(row["break_state"])),
        readings_used=words.whole(row["readings_used"]),
        converged=row["converged"] is not False,
    )


@dataclass(frozen=True)
class WellTables:
    """What the run holds of one electrode: its outlook's row, readings and curve (either may be missing)."""

    electrode: str
    outlook: Row
    readings: pl.DataFrame | None
    curve: pl.DataFrame | None


def well_panel(well: WellTables, as_of: date | None, settings: Mapping[str, Any]) -> WellPanel:
    """Turn one electrode's readings and curve into a chart's columns and a sentence."""
    outlook = well.outlook
    curve = curve_columns(well.curve, outlook, as_of)
    rows = [] if well.readings is None else well.readings.to_dicts()
    place = outlook.get("well_id") or next((row["well_id"] for row in rows if row["well_id"]), None)
    return WellPanel(
        heading=_heading(well.electrode, place),
        sentence=well_sentence(outlook),
        curve=curve,
        marks=mark_tables(curve, outlook, as_of, threshold_ohm(settings, outlook)),
        points=point_columns(_drawn(rows)),
        corrected=corrected_columns(_drawn(rows)),
        readings=tuple(reading_row(row) for row in rows[-MOST_LISTED:]),
        readings_held=len(rows),
    )


def _heading(electrode: str, well: str | None) -> str:
    """Name an electrode with its well, once where the one's name holds the other's."""
    return electrode if not well or electrode.startswith(well) else f"{well}, {electrode}"


def well_sentence(outlook: Row) -> str:
    """Say one electrode's state, level and forecast."""
    if not outlook:
        return "Readings only: no outlook in this run (no longer in service, or none made)."
    says = f"{words.state(outlook['state'])}: {words.resistance(outlook['level_ohm'])} now"
    says += f", {words.figure(outlook['ratio_now'], digits=2)} times its resistance when new"
    now, later = words.chance(outlook["p_past_now"]), words.chance(outlook["p_past_5y"])
    says = f"{says}; past threshold {now} now, {later} in 5 years."
    if outlook.get("depends"):
        at_most = (words.chance(outlook[f"p_past_{when}_high"]) for when in ("now", "5y"))
        says += (
            f" This leans on what the loop is: with the most of its plausible rest, "
            f"{words.resistance(outlook['rest_high_ohm'])}, taken off, the ratio is "
            f"{words.figure(outlook['ratio_high'], digits=2)} and the chances are {' and '.join(at_most)}."
        )
    return says


def as_year(moment: date | datetime) -> float:
    """Give a date as a decimal year, free of any time zone."""
    return round(moment.year + (moment.timetuple().tm_yday - 1) / 365.25, 2)


def curve_columns(curve: pl.DataFrame | None, outlook: Row, as_of: date | None) -> Columns:
    """Give the curve's columns; `part` is 0 in the past, 1 in the forecast, 2 where they meet."""
    if curve is None:
        return {}
    drawn: list[tuple[float, Row]] = []
    for row in thinned(curve, CURVE_POINTS).iter_rows(named=True):
        on, age = row["on_date"], row["age_years"]
        year = as_year(on) if on else _year_at(outlook.get("installed_on"), age)
        if year is not None and _drawable(row["ohm_p50"]):
            drawn.append((year, row))
    years = [year for year, _ in drawn]
    past = sum(year <= (as_year(as_of) if as_of else math.inf) for year in years)
    part = [0] * past + [1] * (len(years) - past)
    if 0 < past < len(years):
        part[past - 1] = 2
    low, mid, high = ([_short(row[f"ohm_{q}"]) for _, row in drawn] for q in ("p05", "p50", "p95"))
    return {"year": years, "low": low, "mid": mid, "high": high, "part": part}


def _year_at(installed: date | None, age: float | None) -> float | None:
    if installed is None or age is None or not math.isfinite(age):
        return None
    return round(as_year(installed) + age, 2)


def _drawable(value: float | None) -> bool:
    return value is not None and 0 < value < math.inf


def _short(value: float | None) -> float | None:
    """Four significant digits; null where a logarithmic axis has no place for it."""
    return float(f"{value:.4g}") if value is not None and _drawable(value) else None


def mark_tables(
    curve: Columns, outlook: Row, as_of: date | None, threshold: float | None
) -> dict[str, Columns]:
    """Give today, the threshold, the crossing interval and its middle, cut to the years that the chart shows.

    What is not known, or lies outside those years, is an empty table.
    """
    marks: dict[str, Columns] = {"today": {}, "threshold": {}, "crossing": {}, "middle": {}}
    limit = _short(threshold)
    if as_of and curve:
        marks["today"] = {"year": [as_year(as_of)]}
    if limit is None or not curve or not curve["year"]:
        return marks
    marks["threshold"] = {"ohm": [limit]}
    first, last = curve["year"][0], curve["year"][-1]
    ages = (outlook.get(f"crossing_age_{q}") for q in ("p05", "p50", "p95"))
    early, middle, late = (_year_at_or_end(outlook.get("installed_on"), age) for age in ages)
    if early is not None and late is not None and early < last and late > first:
        marks["crossing"] = {"early": [max(early, first)], "late": [min(late, last)], "ohm": [limit]}
    if middle is not None and first <= middle <= last:
        marks["middle"] = {"year": [middle], "ohm": [limit]}
    return marks


def _year_at_or_end(installed: date | None, age: float | None) -> float | None:
    if age is not None and math.isinf(age):
        return math.inf
    return _year_at(installed, age)


def _drawn(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Give the readings to draw: all, or every n-th of many with every remarkable one of the newest."""
    if len(rows) <= MOST_POINTS:
        return rows
    step = math.ceil(2 * len(rows) / MOST_POINTS)
    remarkable = {i for i, row in enumerate(rows) if _kind(row) != "read"}
    kept = {*range(0, len(rows), step), *sorted(remarkable)[-MOST_POINTS // 2 :]}
    return [rows[i] for i in sorted(kept)]


def point_columns(rows: list[dict[str, Any]]) -> Columns:
    """Give the readings' columns: as they came, corrected, and which sign each is drawn with."""
    drawn = [row for row in rows if row["taken_at"] and _drawable(row["resistance_ohm"])]
    used = [row["resistance_ohm"] for row in drawn if row["verdict"] != "set_aside"]
    floor, ceiling = (min(used) / FARTHEST, max(used) * FARTHEST) if used else (0.0, math.inf)
    kinds = [_kind(row) for row in drawn]
    raw = [
        min(max(row["resistance_ohm"], floor), ceiling) if kind == "aside" else row["resistance_ohm"]
        for row, kind in zip(drawn, kinds, strict=True)
    ]
    return {
        "year": [as_year(row["taken_at"]) for row in drawn],
        "day": [words.day(row["taken_at"]) for row in drawn],
        "raw": [_short(value) for value in raw],
        "kind": kinds,
        "said": [words.resistance(row["resistance_ohm"], row["range_mark"]) for row in drawn],
    }


def corrected_columns(rows: list[dict[str, Any]]) -> Columns:
    """Give the corrected readings' columns; a bound has no corrected value, only its arrow is drawn."""
    drawn = [
        row
        for row in rows
        if row["taken_at"] and row["range_mark"] is None and _drawable(row["corrected_ohm"])
    ]
    return {
        "year": [as_year(row["taken_at"]) for row in drawn],
        "clean": [_short(row["corrected_ohm"]) for row in drawn],
    }


def _kind(row: Row) -> str:
    return row["range_mark"] or ("aside" if row["verdict"] == "set_aside" else "read")


def reading_row(row: Row) -> ReadingRow:
    """Say one reading, with the file and line that it came from."""
    return ReadingRow(
        taken_on=words.day(row["taken_at"]),
        reading=words.resistance(row["resistance_ohm"], row["range_mark"]),
        corrected=""
        if row["corrected_ohm"] is None
        else words.resistance(row["corrected_ohm"], row["range_mark"]),
        verdict=words.verdict(row["verdict"]),
        reason=row["reason"] or words.plain(row["rule"]) if row["reason"] or row["rule"] else "",
        season="" if row["season_factor"] is None else f"{row['season_factor']:.2f}",
        campaign="" if row["campaign_factor"] is None else f"{row['campaign_factor']:.2f}",
        source=source(row),
    )
