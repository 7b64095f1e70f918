"""The fleet's page: run tables to typed, frozen objects. No wording is left to the template but headings."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from reports import words
from reports.staged import Row, Staged

TOP = 25
MOST_MAPPED = 4000
WITH_SITES = (
    "sites",
    "site_outlook",
    "site_ranking",
    "electrode_outlook",
    "plan",
    "attend_first",
    "reading_verdicts",
)


@dataclass(frozen=True)
class Finding:
    """A danger to people that someone must attend to before any money is spent."""

    site_id: str
    site: str
    page: str
    electrode: str
    taken_on: str
    finding: str
    value: str
    why: str


@dataclass(frozen=True)
class RankedSite:
    """One place of the ranking: `rank_low` to `rank_high` holds 80 % of the draws, chances are 0..1."""

    rank: int
    rank_low: float
    rank_high: float
    site_id: str
    site: str
    page: str
    region: str
    soil_class: str
    benefit: float | None
    cost: float | None
    benefit_per_cost: float | None
    p_limit_now: float | None
    p_limit_5y: float | None
    reason: str
    attend_first: bool


@dataclass(frozen=True)
class PlannedWork:
    """One piece of work of the plan; money in the run's currency."""

    year: int
    site_id: str
    site: str
    page: str
    action: str
    rods: float | None
    cost: float | None
    benefit: float | None


@dataclass(frozen=True)
class PlanYear:
    """A year of the plan with its totals."""

    year: int
    works: tuple[PlannedWork, ...]
    rods: float
    cost: float
    benefit: float


@dataclass(frozen=True)
class MapPoint:
    """A site where it lies, degrees; chance 0..1 of being past its limit in five years."""

    site_id: str
    site: str
    page: str
    region: str
    longitude: float
    latitude: float
    p_limit_5y: float | None


@dataclass(frozen=True)
class RegionRow:
    """A region's sites: how many, how many more likely than not past their limit in five years."""

    region: str
    sites: int
    likely_5y: int
    expected_5y: float


@dataclass(frozen=True)
class RunFacts:
    """What a reader needs to tell this run from another, and to trust it or not."""

    run_id: str
    as_of: str
    finished_at: str
    currency: str
    threshold_ratio: float | None
    budget: float | None
    seed: str
    versions: tuple[tuple[str, str], ...]
    checks: tuple[tuple[str, bool, str], ...]
    warnings: tuple[str, ...]

    @property
    def failed(self) -> tuple[str, ...]:
        """Name the checks that did not pass."""
        return tuple(name for name, passed, _ in self.checks if not passed)


@dataclass(frozen=True)
class FleetPage:
    """All that index.html says."""

    headline: str
    sureness: str
    attend_headline: str
    findings: tuple[Finding, ...]
    ranking: tuple[RankedSite, ...]
    plan: tuple[PlanYear, ...]
    plan_sentence: str
    points: tuple[MapPoint, ...]
    regions: tuple[RegionRow, ...]
    map_sentence: str
    facts: tuple[tuple[str, str], ...]
    run: RunFacts

    @property
    def top(self) -> tuple[RankedSite, ...]:
        """The places shown first."""
        return self.ranking[:TOP]


def site_page(site_id: str) -> str:
    """Give the page of a site, relative to the run's folder."""
    return f"sites/{words.safe_id(site_id)}.html"


def site_names(staged: Staged) -> dict[str, str]:
    """Give the name of every site that any table speaks of; a site without one is called by its id."""
    named: dict[str, str] = {}
    for table in WITH_SITES:
        named |= dict.fromkeys(staged[table]["site_id"].drop_nulls(), "")
    for table in ("site_ranking", "sites"):
        for site_id, name in staged[table].select("site_id", "site_name").drop_nulls().iter_rows():
            named[site_id] = name
    return {site_id: name or site_id for site_id, name in named.items()}


def fleet_page(staged: Staged) -> FleetPage:
    """Turn the run's tables into the fleet's page."""
    run = run_facts(staged.run)
    names = site_names(staged)
    ranking = ranked_sites(staged)
    findings = found(staged, names)
    plan = plan_years(staged, names)
    points = map_points(staged, names)
    return FleetPage(
        headline=headline(ranking, run.currency),
        sureness=sureness(ranking),
        attend_headline=attend_headline(findings),
        findings=findings,
        ranking=ranking,
        plan=plan,
        plan_sentence=plan_sentence(plan, run),
        points=points,
        regions=region_rows(ranking),
        map_sentence=map_sentence(points, len(names)),
        facts=fleet_facts(staged),
        run=run,
    )


def run_facts(run: Mapping[str, Any]) -> RunFacts:
    """Read run.json's facts; what it leaves out is said to be not known."""
    settings = run.get("settings") or {}
    threshold, budget = settings.get("threshold_ratio"), settings.get("budget")
    return RunFacts(
        run_id=str(run.get("run_id", words.UNKNOWN)),
        as_of=str(run.get("as_of", words.UNKNOWN)),
        finished_at=str(run.get("finished_at") or words.UNKNOWN),
        currency=str(run.get("currency") or settings.get("currency") or ""),
        threshold_ratio=float(threshold) if isinstance(threshold, int | float) else None,
        budget=float(budget) if isinstance(budget, int | float) else None,
        seed=str(run.get("seed", words.UNKNOWN)),
        versions=tuple((str(k), str(v)) for k, v in (run.get("versions") or {}).items()),
        checks=tuple(_check(check) for check in run.get("checks") or ()),
        warnings=tuple(str(sentence) for sentence in run.get("warnings") or ()),
    )


def _check(check: Mapping[str, Any]) -> tuple[str, bool, str]:
    rows = check.get("rows")
    return str(check.get("name")), bool(check.get("passed")), "" if rows is None else str(rows)


def ranked_sites(staged: Staged) -> tuple[RankedSite, ...]:
    """Give the ranking, first place first."""
    return tuple(_ranked(row) for row in staged["site_ranking"].sort("rank", "site_id").iter_rows(named=True))


def _ranked(row: Row) -> RankedSite:
    rank = int(row["rank"])
    low, high = row["rank_p10"], row["rank_p90"]
    return RankedSite(
        rank=rank,
        rank_low=rank if low is None else low,
        rank_high=rank if high is None else high,
        site_id=row["site_id"],
        site=row["site_name"] or row["site_id"],
        page=site_page(row["site_id"]),
        region=row["region"] or words.UNKNOWN,
        soil_class=row["soil_class"] or words.UNKNOWN,
        benefit=row["expected_benefit"],
        cost=row["cost"],
        benefit_per_cost=row["benefit_per_cost"],
        p_limit_now=row["p_limit_now"],
        p_limit_5y=row["p_limit_5y"],
        reason=row["reason"] or "",
        attend_first=bool(row["attend_first"]),
    )


def tied_places(ranking: tuple[RankedSite, ...]) -> int:
    """Count the first places that the readings do not tell apart: rank intervals that reach the first's."""
    for n, place in enumerate(ranking):
        if place.rank_low > ranking[0].rank_high:
            return n
    return len(ranking)


def headline(ranking: tuple[RankedSite, ...], currency: str) -> str:
    """Say where to spend first."""
    if not ranking:
        return "This run ranks no site."
    first = ranking[0]
    if not first.benefit or first.benefit <= 0:
        return "No site repays being renewed now: none has an expected benefit above zero."
    cost, benefit = words.money(first.cost, currency), words.money(first.benefit, currency)
    return (
        f"Spend first at {first.site} ({first.region}): {cost} there is expected to avoid {benefit} of loss."
    )


def sureness(ranking: tuple[RankedSite, ...]) -> str:
    """Say how sure the first place is, from the rank intervals."""
    if not ranking:
        return "Nothing can be said about an order."
    tied = tied_places(ranking)
    if tied == 1:
        says = "First place is clear: no other site's 10-90 % rank interval reaches it"
    elif tied == len(ranking):
        says = f"All {tied} places are a tie: the readings do not tell these sites apart by benefit per cost"
    else:
        says = f"Places 1 to {tied} are a tie: their 10-90 % rank intervals reach that of the first"
    beyond = sum(place.rank_low <= ranking[0].rank_high for place in ranking[tied:])
    extra = f"; so does that of {words.count(beyond, 'later place')}" if beyond else ""
    limit = words.chance(ranking[0].p_limit_5y)
    return f"{says}{extra}. Chance that the first place is past its limit within 5 years: {limit}."


def found(staged: Staged, names: Mapping[str, str], site_id: str | None = None) -> tuple[Finding, ...]:
    """Give the attend-first findings, newest first; of one site where `site_id` is given."""
    table = staged["attend_first"]
    if site_id is not None:
        table = table.filter(pl.col("site_id") == site_id)
    rows = table.sort("taken_at", "site_id", "electrode_id", descending=[True, False, False], nulls_last=True)
    return tuple(
        Finding(
            site_id=row["site_id"],
            site=names.get(row["site_id"], row["site_id"]),
            page=site_page(row["site_id"]),
            electrode=row["electrode_id"] or "whole site",
            taken_on=words.day(row["taken_at"]),
            finding=words.plain(row["finding"]),
            value=words.figure(row["value"], finding_unit(row["finding"])),
            why=row["why"] or "",
        )
        for row in rows.iter_rows(named=True)
    )


def finding_unit(finding: str | None) -> str:
    """Give the unit of a finding's value: currents in ampere, leads that read open in ohm."""
    return "A" if "current" in (finding or "") else "Ω"


def attend_headline(findings: tuple[Finding, ...]) -> str:
    """Say how many findings need attending to, and at how many sites."""
    if not findings:
        return "No finding of danger to people stands in this run. That is not a proof of safety."
    sites = len({finding.site_id for finding in findings})
    stand = "stands" if len(findings) == 1 else "stand"
    says = f"{words.count(len(findings), 'finding')} at {words.count(sites, 'site')}"
    return f"{says} {stand} before any spending."


def plan_years(staged: Staged, names: Mapping[str, str]) -> tuple[PlanYear, ...]:
    """Give the plan by year, the order of each year as the plan has it."""
    years: dict[int, list[PlannedWork]] = {}
    for row in staged["plan"].sort("year", maintain_order=True).iter_rows(named=True):
        years.setdefault(row["year"], []).append(planned(row, names))
    return tuple(
        PlanYear(
            year,
            tuple(works),
            rods=sum(work.rods or 0 for work in works),
            cost=sum(work.cost or 0 for work in works),
            benefit=sum(work.benefit or 0 for work in works),
        )
        for year, works in years.items()
    )


def planned(row: Row, names: Mapping[str, str]) -> PlannedWork:
    """Turn one row of the plan into a piece of work."""
    site_id = row["site_id"]
    return PlannedWork(
        year=row["year"],
        site_id=site_id,
        site=names.get(site_id, site_id),
        page=site_page(site_id),
        action=words.plain(row["action"]),
        rods=row["rods"],
        cost=row["cost"],
        benefit=row["expected_benefit"],
    )


def plan_sentence(plan: tuple[PlanYear, ...], run: RunFacts) -> str:
    """Say what the plan does in all, against the budget where it is known."""
    if not plan:
        return "The plan holds no work: nothing pays within the budget, or no budget was set."
    works = sum(len(year.works) for year in plan)
    cost, benefit = sum(year.cost for year in plan), sum(year.benefit for year in plan)
    says = f"{words.count(works, 'piece')} of work from {plan[0].year} to {plan[-1].year}"
    says += f" for {words.money(cost, run.currency)}, expected to avoid {words.money(benefit, run.currency)}"
    return (
        f"{says}."
        if run.budget is None
        else f"{says}; budget a year: {words.money(run.budget, run.currency)}."
    )


def map_points(staged: Staged, names: Mapping[str, str]) -> tuple[MapPoint, ...]:
    """Give the sites whose coordinates are known."""
    chances = dict(staged["site_outlook"].select("site_id", "p_limit_5y").iter_rows())
    known = staged["sites"].filter(pl.col("latitude").is_finite() & pl.col("longitude").is_finite())
    points = [
        MapPoint(
            row["site_id"],
            names[row["site_id"]],
            site_page(row["site_id"]),
            row["region"] or words.UNKNOWN,
            row["longitude"],
            row["latitude"],
            chances.get(row["site_id"]),
        )
        for row in known.sort("site_id").iter_rows(named=True)
    ]
    # The likely ones are drawn last, on top; where there are too many to draw, the unlikely ones give way.
    points.sort(key=lambda point: point.p_limit_5y or 0.0)
    return tuple(points[-MOST_MAPPED:])


def region_rows(ranking: tuple[RankedSite, ...]) -> tuple[RegionRow, ...]:
    """Sum the ranking by region, the region with most to expect first."""
    grouped: dict[str, list[float]] = {}
    for place in ranking:
        grouped.setdefault(place.region, []).append(place.p_limit_5y or 0.0)
    rows = [RegionRow(r, len(p), sum(x > 0.5 for x in p), math.fsum(p)) for r, p in grouped.items()]
    return tuple(sorted(rows, key=lambda row: (-row.expected_5y, row.region)))


def map_sentence(points: tuple[MapPoint, ...], sites: int) -> str:
    """Say what the map shows and which sites it cannot show."""
    likely = sum((point.p_limit_5y or 0) > 0.5 for point in points)
    says = f"{likely} of {words.count(len(points), 'mapped site')} more likely than not past limit in 5 years"
    missing = sites - len(points)
    return (
        f"{says}; {words.count(missing, 'site')} not shown, most without coordinates."
        if missing
        else f"{says}."
    )


def fleet_facts(staged: Staged) -> tuple[tuple[str, str], ...]:
    """Count what the run rests on: sites, wells, readings, verdicts, states."""
    verdicts = dict(staged["reading_verdicts"].group_by("verdict").len().iter_rows())
    states = Counter(staged["electrode_outlook"]["state"].to_list())
    settled = staged["refused_rows"]["settled"].fill_null(False).sum()
    bases = Counter(staged["electrode_outlook"]["ratio_basis"].to_list())
    facts = [
        ("Sites", f"{len(site_names(staged)):,}"),
        ("Electrodes with an outlook", f"{staged['electrode_outlook'].height:,}"),
        *((f"of these {words.state(term)}", f"{states[term]:,}") for term in words.STATES if states[term]),
        *((f"ratio of: {said}", f"{bases[term]:,}") for term, said in words.BASES.items() if bases[term]),
        ("Readings", f"{staged['reading_verdicts'].height:,}"),
        *((f"of these {words.verdict(v)}", f"{verdicts.get(v, 0):,}") for v in words.VERDICTS),
        ("Rows refused and not settled", f"{staged['refused_rows'].height - settled:,}"),
    ]
    first, last = _span(staged["sites"])
    return (*facts, ("Readings from", f"{words.day(first)} to {words.day(last)}"))


def _span(sites: pl.DataFrame) -> tuple[date | None, date | None]:
    span = sites.select(pl.col("first_reading_on").min(), pl.col("last_reading_on").max())
    first, last = span.row(0)
    return first, last
