"""A site's page: its wells, readings and findings as typed, frozen objects."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import polars as pl

from reports import words
from reports.books import source
from reports.charts import Columns
from reports.classes import thinned
from reports.numbers import Finding, PlannedWork, found, planned, site_names, site_page
from reports.staged import Row, Staged
from reports.thresholds import threshold_ohm

CURVE_POINTS = 40
# A set-aside reading a thousand times too high would press the others flat: it is drawn no further off.
FARTHEST = 3.0
HORIZONS = ("now", "1y", "3y", "5y", "10y")


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
    readings: tuple[ReadingRow, ...]


@dataclass(frozen=True)
class SitePage:
    """All that a site's page says."""

    site_id: str
    site: str
    page: str
    headline: str
    action: str
    sureness: str
    rods: str
    meaning: str
    facts: tuple[tuple[str, str], ...]
    findings: tuple[Finding, ...]
    works: tuple[PlannedWork, ...]
    wells: tuple[WellRow, ...]
    panels: tuple[WellPanel, ...]


@dataclass(frozen=True)
class SiteTables:
    """The rows of one site, and what the run says of all."""

    site_id: str
    name: str
    site: Row
    outlook: Row
    rank: Row | None
    plan: pl.DataFrame
    electrodes: pl.DataFrame
    curves: Mapping[str, pl.DataFrame]
    readings: Mapping[str, pl.DataFrame]
    findings: tuple[Finding, ...]
    as_of: date | None
    currency: str
    settings: Mapping[str, Any]


def site_pages(staged: Staged, currency: str) -> Iterator[SitePage]:
    """Give the page of every site that any table names, in the order of their ids."""
    for tables in _split(staged, currency):
        yield site_of(tables)


def _by(frame: pl.DataFrame, key: str) -> dict[str, pl.DataFrame]:
    return {
        name: part for (name,), part in frame.partition_by(key, as_dict=True, maintain_order=True).items()
    }


def _split(staged: Staged, currency: str) -> Iterator[SiteTables]:
    """Cut the run's tables into sites once: 300 filters of a long table would take longer than the pages."""
    names = site_names(staged)
    single = {
        table: {row["site_id"]: row for row in staged[table].iter_rows(named=True)}
        for table in ("sites", "site_outlook", "site_ranking")
    }
    plans, electrodes = _by(staged["plan"], "site_id"), _by(staged["electrode_outlook"], "site_id")
    curves = _by(staged["electrode_curves"].sort("age_years"), "site_id")
    readings = _by(staged["reading_verdicts"].sort("taken_at", "row_id"), "site_id")
    as_of = _as_of(staged.run.get("as_of"))
    for site_id in sorted(names):
        yield SiteTables(
            site_id=site_id,
            name=names[site_id],
            site=single["sites"].get(site_id, {}),
            outlook=single["site_outlook"].get(site_id, {}),
            rank=single["site_ranking"].get(site_id),
            plan=plans.get(site_id, staged["plan"].clear()).sort("year"),
            electrodes=electrodes.get(site_id, staged["electrode_outlook"].clear()).sort("electrode_id"),
            curves=_by(curves[site_id], "electrode_id") if site_id in curves else {},
            readings=_by(readings[site_id], "electrode_id") if site_id in readings else {},
            findings=found(staged, names, site_id),
            as_of=as_of,
            currency=currency,
            settings=staged.run.get("settings") or {},
        )


def _as_of(value: object) -> date | None:
    try:
        return date.fromisoformat(str(value)[:10])
    except ValueError:
        return None


def site_of(tables: SiteTables) -> SitePage:
    """Turn the rows of one site into its page."""
    works = tuple(planned(row, {tables.site_id: tables.name}) for row in tables.plan.iter_rows(named=True))
    outlooks = {row["electrode_id"]: row for row in tables.electrodes.iter_rows(named=True)}
    # An electrode that has readings and no outlook (retired, say) is shown all the same.
    shown = [*outlooks, *sorted(set(tables.readings) - set(outlooks) - {None})]
    return SitePage(
        site_id=tables.site_id,
        site=tables.name,
        page=site_page(tables.site_id),
        headline=headline(tables),
        action=action(tables, works),
        sureness=sureness(tables),
        rods=rods_sentence(tables.outlook),
        meaning=meaning(tables.outlook),
        facts=site_facts(tables),
        findings=tables.findings,
        works=works,
        wells=tuple(well_row(row) for row in outlooks.values()),
        panels=tuple(well_panel(tables, electrode, outlooks.get(electrode, {})) for electrode in shown),
    )


def headline(tables: SiteTables) -> str:
    """Say the site's state in one sentence."""
    outlook, electrodes = tables.outlook, tables.electrodes
    if not outlook:
        return f"{tables.name}: this run has no outlook for the site."
    bad = electrodes.filter(pl.col("state").is_in(["past", "broken"])).height
    measured = words.count(electrodes.height, "measured electrode")
    says = f"{tables.name}: {bad} of {measured} past threshold or broken"
    limit = f"chance of being past the site's limit {words.chance(outlook['p_limit_now'])} now"
    return f"{says}; {limit}, {words.chance(outlook['p_limit_5y'])} in 5 years."


def action(tables: SiteTables, works: tuple[PlannedWork, ...]) -> str:
    """Say what is to be done, danger first."""
    first = "Attend to the findings below before anything else. " if tables.findings else ""
    if not works:
        return f"{first}The plan within the budget holds no work here."
    said = [
        f"{work.action} in {work.year}"
        + (f", {words.count(round(work.rods), 'rod')}" if work.rods else "")
        + f", for {words.money(work.cost, tables.currency)}"
        for work in works
    ]
    return f"{first}Planned: {'; '.join(said)}."


def sureness(tables: SiteTables) -> str:
    """Say how sure the site's place and its limit's date are."""
    parts = []
    if tables.rank:
        low, high = tables.rank["rank_p10"], tables.rank["rank_p90"]
        interval = "" if low is None or high is None else f" (10-90 % of the draws: {low:.0f} to {high:.0f})"
        parts.append(f"Rank {tables.rank['rank']}{interval}.")
    if tables.outlook:
        low, mid, high = (tables.outlook[f"years_to_limit_{q}"] for q in ("p10", "p50", "p90"))
        parts.append(
            f"Years until the limit: middle {words.years(mid)}, 10-90 % {words.years_between(low, high)}."
        )
    stuck = tables.electrodes.filter(~pl.col("converged").fill_null(True)).height
    if stuck:
        parts.append(f"The fit of {words.count(stuck, 'electrode')} did not converge: read it with care.")
    return " ".join(parts) or "Nothing in this run says how sure."


def rods_sentence(outlook: Row) -> str:
    """Say what is known of the rods without a test well."""
    if not outlook:
        return "Nothing is known of the rods without a test well."
    rods, wells = outlook["rod_count"], outlook["wells"]
    now, later = (words.figure(outlook[f"expected_rods_past_{h}"], digits=2) for h in ("now", "5y"))
    expected = f"Of all rods {now} are expected past threshold now, {later} in 5 years."
    if rods is None or wells is None:
        return f"How many rods have no test well is not known. {expected}"
    unmeasured = max(rods - wells, 0)
    judged = (
        "judged by their neighbours and the soil class, never measured" if unmeasured else "all are measured"
    )
    return (
        f"{words.count(rods, 'driven rod')}, {unmeasured} of them without a test well: {judged}. {expected}"
    )


def meaning(outlook: Row) -> str:
    """Say what the bad rods mean for the resistance of the site as a whole."""
    now, lost = (outlook.get(name) for name in ("site_ohm_now", "site_ohm_if_past_rods_lost"))
    if not now or lost is None or not math.isfinite(lost):
        return "What the bad rods mean for the site's resistance is not known in this run."
    rise = lost / now - 1
    weight = "little" if rise < 0.05 else "something" if rise < 0.25 else "much"
    rose = "under 1 %" if rise < 0.01 else f"{100 * rise:.0f} %"
    return (
        f"Losing the rods past threshold would change the site's resistance by {weight}: "
        f"{words.resistance(now)} to {words.resistance(lost)} ({rose} up)."
    )


def site_facts(tables: SiteTables) -> tuple[tuple[str, str], ...]:
    """Give what is recorded of the site."""
    site, outlook = tables.site, tables.outlook
    return (
        ("Site", tables.site_id),
        ("Region", site.get("region") or words.UNKNOWN),
        ("Soil class", site.get("soil_class") or words.UNKNOWN),
        ("Voltage", words.figure(site.get("voltage_kv"), "kV")),
        ("Commissioned on", words.day(site.get("commissioned_on"))),
        ("Return path", words.plain(site.get("return_path"))),
        (
            "Readings",
            f"{words.day(site.get('first_reading_on'))} to {words.day(site.get('last_reading_on'))}",
        ),
        ("The site's limit", outlook.get("limit_text") or words.UNKNOWN),
        ("Highest current found on a lead", words.figure(outlook.get("current_max_a"), "A")),
        ("Highest sum of a visit", words.figure(outlook.get("current_sum_a"), "A")),
    )


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


def well_panel(tables: SiteTables, electrode: str, outlook: Row) -> WellPanel:
    """Turn one electrode's readings and curve into a chart's columns and a sentence."""
    readings = tables.readings.get(electrode)
    curve = curve_columns(tables.curves.get(electrode), outlook, tables.as_of)
    rows = [] if readings is None else readings.to_dicts()
    well = outlook.get("well_id") or next((row["well_id"] for row in rows if row["well_id"]), None)
    return WellPanel(
        heading=f"{well}, {electrode}" if well else electrode,
        sentence=well_sentence(outlook),
        curve=curve,
        marks=mark_tables(curve, outlook, tables),
        points=point_columns(rows),
        readings=tuple(reading_row(row) for row in rows),
    )


def well_sentence(outlook: Row) -> str:
    """Say one electrode's state, level and forecast."""
    if not outlook:
        return "Readings only: this run has no outlook for it."
    says = f"{words.state(outlook['state'])}: {words.resistance(outlook['level_ohm'])} now"
    says += f", {words.figure(outlook['ratio_now'], digits=2)} times its resistance when new"
    now, later = words.chance(outlook["p_past_now"]), words.chance(outlook["p_past_5y"])
    return f"{says}; past threshold {now} now, {later} in 5 years."


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


def mark_tables(curve: Columns, outlook: Row, tables: SiteTables) -> dict[str, Columns]:
    """Give today, the threshold, the crossing interval and its middle, cut to the years that the chart shows.

    What is not known, or lies outside those years, is an empty table.
    """
    marks: dict[str, Columns] = {"today": {}, "threshold": {}, "crossing": {}, "middle": {}}
    limit = _short(threshold_ohm(tables.settings, outlook))
    if tables.as_of and curve:
        marks["today"] = {"year": [as_year(tables.as_of)]}
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
        "clean": [_short(row["corrected_ohm"]) for row in drawn],
        "kind": kinds,
        "said": [words.resistance(row["resistance_ohm"], row["range_mark"]) for row in drawn],
    }


def _kind(row: Row) -> str:
    return row["range_mark"] or ("aside" if row["verdict"] == "set_aside" else "read")


def reading_row(row: Row) -> ReadingRow:
    """Say one reading, with the file and line that it came from."""
    return ReadingRow(
        taken_on=words.day(row["taken_at"]),
        reading=words.resistance(row["resistance_ohm"], row["range_mark"]),
        corrected="" if row["corrected_ohm"] is None else words.resistance(row["corrected_ohm"]),
        verdict=words.verdict(row["verdict"]),
        reason=row["reason"] or words.plain(row["rule"]) if row["reason"] or row["rule"] else "",
        season="" if row["season_factor"] is None else f"{row['season_factor']:.2f}",
        campaign="" if row["campaign_factor"] is None else f"{row['campaign_factor']:.2f}",
        source=source(row),
    )
