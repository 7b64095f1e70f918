"""A site's page: its wells, readings and findings as typed, frozen objects."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import polars as pl

from reports import words
from reports.numbers import Finding, found
from reports.plan import PlannedWork, planned
from reports.run_facts import shifts_by_site
from reports.staged import Row, Staged, site_names
from reports.wells import WellPanel, WellRow, WellTables, well_panel, well_row


@dataclass(frozen=True)
class SitePage:
    """All that a site's page says."""

    site_id: str
    site: str
    page: str
    headline: str
    action: str
    sureness: str
    question: str
    rods: str
    meaning: str
    at_a_fault: str
    facts: tuple[tuple[str, str], ...]
    findings: tuple[Finding, ...]
    works: tuple[PlannedWork, ...]
    wells: tuple[WellRow, ...]
    panels: tuple[WellPanel, ...]

    @property
    def in_danger(self) -> bool:
        """Whether a finding of this site is a danger to people."""
        return _in_danger(self.findings)


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
    shift: str = ""
    ground: Row = field(default_factory=dict)


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
        for table in ("sites", "site_outlook", "site_ranking", "site_ground")
    }
    outlooks = staged["electrode_outlook"].join(
        staged["loop_dependence"].unique("electrode_id", maintain_order=True),
        on="electrode_id", how="left", maintain_order="left",
    )  # fmt: skip
    plans, electrodes = _by(staged["plan"], "site_id"), _by(outlooks, "site_id")
    curves = _by(staged["electrode_curves"].sort("age_years"), "site_id")
    readings = _by(staged["reading_verdicts"].sort("taken_at", "row_id"), "site_id")
    as_of, shifts = _as_of(staged.run.get("as_of")), shifts_by_site(staged.run)
    for site_id in sorted(names):
        yield SiteTables(
            site_id=site_id,
            name=names[site_id],
            site=single["sites"].get(site_id, {}),
            outlook=single["site_outlook"].get(site_id, {}),
            rank=single["site_ranking"].get(site_id),
            plan=plans.get(site_id, staged["plan"].clear()).sort("year"),
            electrodes=electrodes.get(site_id, outlooks.clear()).sort("electrode_id"),
            curves=_by(curves[site_id], "electrode_id") if site_id in curves else {},
            readings=_by(readings[site_id], "electrode_id") if site_id in readings else {},
            findings=found(staged, names, site_id),
            as_of=as_of,
            currency=currency,
            settings=staged.run.get("settings") or {},
            shift=shifts.get(site_id, ""),
            ground=single["site_ground"].get(site_id, {}),
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
    wells = [
        WellTables(name, outlooks.get(name, {}), tables.readings.get(name), tables.curves.get(name))
        for name in shown
    ]
    return SitePage(
        site_id=tables.site_id,
        site=tables.name,
        page=words.site_page(tables.site_id),
        headline=headline(tables),
        action=action(tables, works),
        sureness=sureness(tables),
        question=tables.shift,
        rods=rods_sentence(tables.outlook),
        meaning=meaning(tables.outlook),
        at_a_fault=at_a_fault(tables.outlook),
        facts=site_facts(tables),
        findings=tables.findings,
        works=works,
        wells=tuple(well_row(row) for row in outlooks.values()),
        panels=tuple(well_panel(well, tables.as_of, tables.settings) for well in wells),
    )


def _in_danger(findings: tuple[Finding, ...]) -> bool:
    return any(finding.is_danger for finding in findings)


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
    first = "Attend to the findings below before anything else. " if _in_danger(tables.findings) else ""
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
        parts.append(f"Time until the limit: {time_to_limit(low, mid, high)}.")
    stuck = tables.electrodes.filter(~pl.col("converged").fill_null(True)).height
    if stuck:
        parts.append(f"The fit of {words.count(stuck, 'electrode')} did not converge: read it with care.")
    return " ".join(parts) or "Nothing in this run says how sure."


def time_to_limit(low: float | None, middle: float | None, high: float | None) -> str:
    """Say when the site's limit is reached: years at probabilities of 10, 50 and 90 %."""
    if high == 0:
        return "none left, with a probability of 90 % or more"
    span = words.years_between(low, high, words.BEYOND)
    if span in (words.BEYOND, words.UNKNOWN):
        return span
    said = "already reached" if middle == 0 else words.years(middle, words.BEYOND)
    return f"middle {said}, 10-90 % {span}"


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
    weight = "a little" if rise < 0.05 else "somewhat" if rise < 0.25 else "much"
    rose = "under 1 %" if rise < 0.01 else f"{100 * rise:.0f} %"
    return (
        f"Losing the rods past threshold would raise the site's resistance {weight}: "
        f"{words.resistance(now)} to {words.resistance(lost)} ({rose} up)."
    )


def at_a_fault(outlook: Row) -> str:
    """Say what the recorded fault would lift the site to, and that this judges no touch or step voltage."""
    now, lost = outlook.get("potential_rise_v"), outlook.get("potential_rise_if_past_rods_lost_v")
    if not now or lost is None or not math.isfinite(lost):
        return ""
    body, seconds = outlook.get("body_current_a"), outlook.get("clearing_time_s")
    taken = (
        f" For a fault cleared in {seconds:g} s IEEE Std 80 takes {body:.2f} A through a body of 50 kg as "
        "bearable."
        if body and seconds
        else ""
    )
    return (
        f"At the fault current on record the site would rise by about {words.figure(now / 1000, 'kV')} over "
        f"remote earth, {words.figure(lost / 1000, 'kV')} with the rods past threshold lost.{taken} Whether "
        "touch and step voltages stay within what the local code allows is for licensed engineers to work "
        "out; nothing here says so."
    )


def corrosivity(ground: Row) -> str:
    """Say what published schemes call the ground: a scheme's word for it, no rate of a rod."""
    if not ground.get("corrosivity"):
        return words.UNKNOWN
    points = ground.get("corrosivity_points")
    scored = (
        "" if points is None else f"; {points:g} points of AWWA C105 (Roberge's Table 2.28), 10 is aggressive"
    )
    return f"{ground['corrosivity']} by its {words.figure(ground['resistivity_ohm_m'])} ohm m{scored}"


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
        ("Corrosivity of the ground", corrosivity(tables.ground)),
        (
            "Readings",
            f"{words.day(site.get('first_reading_on'))} to {words.day(site.get('last_reading_on'))}",
        ),
        ("The site's limit", outlook.get("limit_text") or words.UNKNOWN),
        ("Highest current found on a lead", words.figure(outlook.get("current_max_a"), "A")),
        ("Highest sum of a visit", words.figure(outlook.get("current_sum_a"), "A")),
    )
