"""The fleet's page: run tables to typed, frozen objects. No wording is left to the template but headings."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from reports import words
from reports.plan import PlanYear, plan_sentence, plan_years
from reports.run_facts import RunFacts, run_facts
from reports.staged import Row, Staged, site_names

TOP = 25
MOST_MAPPED = 4000


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
    is_danger: bool


@dataclass(frozen=True)
class DangerSite:
    """A site with findings of danger: how many, the gravest of them, and when the newest was taken."""

    site: str
    page: str
    findings: int
    gravest: Finding
    newest_on: str


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
    def dangers(self) -> tuple[Finding, ...]:
        """The findings that are a danger to people."""
        return tuple(finding for finding in self.findings if finding.is_danger)

    @property
    def danger_sites(self) -> tuple[DangerSite, ...]:
        """The findings of danger by site, in the order of each site's gravest."""
        by_site: dict[str, list[Finding]] = {}
        for finding in self.dangers:
            by_site.setdefault(finding.site_id, []).append(finding)
        return tuple(
            DangerSite(
                site=found[0].site,
                page=found[0].page,
                findings=len(found),
                gravest=found[0],
                newest_on=_newest(found),
            )
            for found in by_site.values()
        )

    @property
    def notes(self) -> tuple[Finding, ...]:
        """The findings that are noted, below the danger level."""
        return tuple(finding for finding in self.findings if not finding.is_danger)

    @property
    def top(self) -> tuple[RankedSite, ...]:
        """The places shown first."""
        return self.ranking[:TOP]


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
        page=words.site_page(row["site_id"]),
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
    """Give the attend-first findings, gravest first as the table has them; all, or those of `site_id`."""
    table = staged["attend_first"]
    if site_id is not None:
        table = table.filter(pl.col("site_id") == site_id)
    return tuple(_finding(row, names) for row in table.iter_rows(named=True))


def _finding(row: Row, names: Mapping[str, str]) -> Finding:
    site_id, finding = row["site_id"], row["finding"] or ""
    return Finding(
        site_id=site_id or "",
        site=names.get(site_id, site_id) if site_id else "site not known",
        page=words.site_page(site_id) if site_id else "",
        electrode=row["electrode_id"] or ("whole site" if "summed" in finding else words.UNKNOWN),
        taken_on=words.day(row["taken_at"]),
        finding=words.plain(finding),
        value=words.figure(row["value"], finding_unit(finding)),
        why=row["why"] or "",
        is_danger=not finding.endswith("_note"),
    )


def _newest(findings: list[Finding]) -> str:
    days = (finding.taken_on for finding in findings)
    return max((day for day in days if day != words.UNKNOWN), default=words.UNKNOWN)


def finding_unit(finding: str) -> str:
    """Give the unit of a finding's value: currents in ampere, leads that read open in ohm."""
    return "A" if "current" in finding else "Ω"


def attend_headline(findings: tuple[Finding, ...]) -> str:
    """Say how many findings are a danger to people, at how many sites, and how many are only noted."""
    dangers = [finding for finding in findings if finding.is_danger]
    noted = len(findings) - len(dangers)
    extra = f" {words.count(noted, 'lesser current')} noted." if noted else ""
    if not dangers:
        return f"No finding of danger to people stands in this run. That is not a proof of safety.{extra}"
    sites = words.count(len({finding.site_id for finding in dangers}), "site")
    says = words.count(len(dangers), "finding of danger", "findings of danger")
    return f"{says} at {sites}: attend to {'it' if len(dangers) == 1 else 'them'} before any spending.{extra}"


def map_points(staged: Staged, names: Mapping[str, str]) -> tuple[MapPoint, ...]:
    """Give the sites whose coordinates are known."""
    chances = dict(staged["site_outlook"].select("site_id", "p_limit_5y").iter_rows())
    known = staged["sites"].filter(pl.col("latitude").is_finite() & pl.col("longitude").is_finite())
    points = [
        MapPoint(
            row["site_id"],
            names[row["site_id"]],
            words.site_page(row["site_id"]),
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
    missing = words.count(sites - len(points), "site")
    why = "without coordinates" if len(points) < MOST_MAPPED else "without coordinates or less likely"
    return f"{says}; {missing} not shown, {why}." if sites > len(points) else f"{says}."


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
