"""From counts of rods to the tables on sites: outlook, ranking with reasons, plan."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.grid import grid_and_rods_ohm
from models.ground_potential import body_current_a, potential_rise_v
from models.site import SiteCounts, years_to
from models.spending import Case, Ranks, plan_work, rank_sites, rods_to_replace
from pipeline.fleet_inputs import FleetInputs
from pipeline.run_tables import TABLES
from pipeline.settings import Settings

DANGERS = ("current_danger", "summed_current_danger", "lead_reads_open")
USUAL_ROD_M, USUAL_ROD_MM = 3.0, 16.0


@dataclass(frozen=True)
class SiteFacts:
    """One site: its row of core_sites, the soil's resistivity, counts, mean rod length and ratio."""

    row: dict[str, object]
    resistivity_ohm_m: float | None
    counts: SiteCounts
    rod_length_m: float
    mean_ratio: float


def _number(value: object) -> float | None:
    return None if value is None else float(value)  # type: ignore[arg-type]


def site_ohm(site: SiteFacts, rods: float) -> float | None:
    """Return the resistance of grid and so many whole rods (Schwarz), None where no grid is on record."""
    area, length = _number(site.row["grid_area_m2"]), _number(site.row["grid_conductor_m"])
    depth = _number(site.row["grid_depth_m"]) or 0.5
    if site.resistivity_ohm_m is None or area is None or length is None or area <= 0 or length <= 0:
        return None
    value = grid_and_rods_ohm(
        site.resistivity_ohm_m,
        area,
        conductor_m=length,
        depth_m=depth,
        rod_count=max(rods, 0.01),
        rod_length_m=site.rod_length_m,
    )
    return float(value)


def limit_need(site: SiteFacts, settings: Settings) -> tuple[int, str]:
    """Return at how many rods past threshold the site is past its own limit, and the limit in words.

    A share of rods; of the rods' conductance (a rod past threshold keeps at most 1/threshold of it); or a
    site resistance, with the rods past threshold counted as lost.
    """
    rods, value = max(site.counts.rods, 1), settings.site_limit_value
    if settings.site_limit_kind == "conductance_lost":
        lost = 1.0 - 1.0 / settings.threshold_ratio
        need = math.ceil(value * rods / lost - 1e-9)
        return max(need, 1), f"{value:.0%} of the rods' conductance lost"
    if settings.site_limit_kind == "site_ohm":
        for m in range(rods + 1):
            ohm = site_ohm(site, rods - m)
            if ohm is not None and ohm >= value:
                return m, f"site resistance of {value:g} ohm"
        return rods + 1, f"site resistance of {value:g} ohm"
    return max(math.ceil(value * rods - 1e-9), 1), f"{value:.0%} of the rods past threshold"


def site_facts(
    inputs: FleetInputs, counts: Mapping[str, SiteCounts], outlook: pl.DataFrame
) -> list[SiteFacts]:
    """Gather for each site of the counts, in their order, what its tables need."""
    rows = {r["site_id"]: r for r in inputs.sites.iter_rows(named=True)}
    rho = dict(inputs.resistivity.select("site_id", "resistivity_ohm_m").iter_rows())
    length = dict(
        inputs.electrodes.group_by("site_id")
        .agg(pl.col("length_m").mean().fill_null(USUAL_ROD_M))
        .iter_rows()
    )
    ratio = dict(outlook.group_by("site_id").agg(pl.col("ratio_now").log().mean().exp()).iter_rows())
    return [
        SiteFacts(
            rows[s], _number(rho.get(s)), c, float(length.get(s) or USUAL_ROD_M), float(ratio.get(s) or 1.0)
        )
        for s, c in counts.items()
    ]


def site_outlook(
    inputs: FleetInputs, facts: list[SiteFacts], settings: Settings, danger: pl.DataFrame
) -> pl.DataFrame:
    """Return site_outlook, one row for each site with an electrode."""
    grave = danger.filter(pl.col("finding").is_in(DANGERS)).group_by("site_id").len()
    findings = dict(grave.iter_rows())
    currents = {r["site_id"]: r for r in inputs.currents.iter_rows(named=True)}
    rows = []
    for f in facts:
        s = str(f.row["site_id"])
        need, words = limit_need(f, settings)
        p = f.counts.at_least(need)
        past = float(f.counts.expected[0])
        ohm, if_lost = site_ohm(f, f.counts.rods / max(f.mean_ratio, 1.0)), site_ohm(f, f.counts.rods - past)
        now = currents.get(s, {})
        rows.append(
            {
                "site_id": s,
                "as_of": inputs.as_of,
                "wells": f.counts.measured,
                "rod_count": f.counts.rods,
                "expected_rods_past_now": past,
                "expected_rods_past_5y": float(f.counts.expected[5]),
                "p_limit_now": float(p[0]),
                "p_limit_5y": float(p[5]),
                "years_to_limit_p10": years_to(p, 0.10),
                "years_to_limit_p50": years_to(p, 0.50),
                "years_to_limit_p90": years_to(p, 0.90),
                "site_ohm_now": ohm,
                "site_ohm_if_past_rods_lost": if_lost,
                "current_max_a": now.get("current_max_a"),
                "current_sum_a": now.get("current_sum_a"),
                **_at_a_fault(f, ohm, if_lost),
                "attend_first": findings.get(s, 0) > 0,
                "attend_first_findings": int(findings.get(s, 0)),
                "limit_text": words,
            }
        )
    return pl.DataFrame(rows, schema=TABLES["site_outlook"])


def _at_a_fault(site: SiteFacts, ohm: float | None, if_lost: float | None) -> dict[str, float | None]:
    """Return what the recorded fault would lift the site to, now and without its bad rods, where known."""
    current, share = _number(site.row.get("fault_current_ka")), _number(site.row.get("fault_split_factor"))
    seconds = _number(site.row.get("clearing_time_s"))

    def rise(resistance: float | None) -> float | None:
        if current is None or share is None or resistance is None or not 0 <= share <= 1:
            return None
        return float(potential_rise_v(current, share, resistance))

    timed = seconds is not None and 0.03 <= seconds <= 3.0
    return {
        "potential_rise_v": rise(ohm),
        "potential_rise_if_past_rods_lost_v": rise(if_lost),
        "clearing_time_s": seconds,
        "body_current_a": float(body_current_a(seconds)) if timed and seconds is not None else None,
    }


@dataclass(frozen=True)
class Money:
    """Cases in the order of the sites, and in words what had to be assumed about money.

    on_record: whether amounts are the owner's; where they are not, only the order of the sites counts.
    """

    cases: list[Case]
    assumed: list[str]
    on_record: bool


def money_of(facts: list[SiteFacts], settings: Settings) -> Money:
    """Lay out each site's case; what is not on record is taken from the rest of the fleet, and said."""
    assumed: list[str] = []
    unknown: list[str] = []

    def column(name: str, words: str) -> list[float]:
        values = [_number(f.row[name]) for f in facts]
        known = [v for v in values if v is not None]
        missing = len(values) - len(known)
        if values and not known:
            unknown.append(words)
        elif missing:
            assumed.append(
                f"The {words} is not on record for {missing} of {len(values)} sites: the fleet's median is "
                "used."
            )
        fill = float(np.median(known)) if known else 1.0
        return [fill if v is None else v for v in values]

    consequence = column("consequence_per_year", "consequence of a year with a degraded earth")
    mobilise = column("mobilisation_cost", "cost of mobilising")
    per_rod = column("rod_replacement_cost", "cost of replacing a rod")
    if unknown:
        assumed.append(
            f"No site has on record the {', the '.join(unknown)}: 1 is used everywhere. The order of the "
            "sites can be used; the amounts mean nothing, and no plan is made of them."
        )
    cases = []
    for f, c, m, r in zip(facts, consequence, mobilise, per_rod, strict=True):
        replace = rods_to_replace(f.counts)
        cases.append(Case(f.counts, limit_need(f, settings)[0], replace, c, m + replace * r))
    return Money(cases, assumed, not unknown)


def reason(f: SiteFacts, case: Case, settings: Settings, as_of_year: int, gain: float | None) -> str:
    """Say in a sentence why a site stands where it stands; without gain where no money is on record."""
    p = f.counts.at_least(case.need)
    past, soon = float(f.counts.expected[0]), float(f.counts.expected[5])
    _, limit = limit_need(f, settings)
    rods = "1 rod" if case.replace == 1 else f"{case.replace} rods"
    sentence = (
        f"About {past:.0f} of {f.counts.rods} rods are past threshold now, {soon:.0f} by {as_of_year + 5}: "
        f"{_percent(p[5])} chance of passing the limit ({limit}) by then"
    )
    if gain is None:
        return f"{sentence}; {rods} would be renewed."
    worth = "worth" if gain > case.cost else "not worth"
    return f"{sentence}; renewing {rods} is {worth} its cost."


def _percent(p: float) -> str:
    if p < 0.01:
        return "under 1 %"
    return "over 99 %" if p > 0.99 else f"{100 * p:.0f} %"


def ranking(
    facts: list[SiteFacts], money: Money, outlook: pl.DataFrame, settings: Settings, as_of_year: int,
    rng: np.random.Generator,
) -> tuple[pl.DataFrame, Ranks]:  # fmt: skip
    """Return site_ranking, rank 1 first, and the ranks behind it."""
    ranks = rank_sites(money.cases, settings.planning_years, settings.discount_rate, rng)
    frame = pl.DataFrame(
        {
            "rank": ranks.rank.astype(np.int64),
            "site_id": pl.Series([str(f.row["site_id"]) for f in facts], dtype=pl.String),
            "site_name": pl.Series([f.row["site_name"] for f in facts], dtype=pl.String),
            "region": pl.Series([f.row["region"] for f in facts], dtype=pl.String),
            "expected_benefit": ranks.expected_benefit,
            "cost": [c.cost for c in money.cases],
            "benefit_per_cost": ranks.benefit_per_cost,
            "rank_p10": ranks.rank_p10.astype(np.int64),
            "rank_p90": ranks.rank_p90.astype(np.int64),
            "reason": [
                reason(f, c, settings, as_of_year, float(g) if money.on_record else None)
                for f, c, g in zip(facts, money.cases, ranks.expected_benefit, strict=True)
            ],
            "soil_class": [str(f.row["soil_class"]) for f in facts],
        }
    )
    beside = outlook.select("site_id", "attend_first", "p_limit_now", "p_limit_5y")
    return frame.join(beside, on="site_id", how="left").sort("rank"), ranks


def plan(facts: list[SiteFacts], money: Money, settings: Settings, first_year: int) -> pl.DataFrame:
    """Return the plan: what to do in which year within the budget; empty where no money is on record."""
    cases = money.cases if money.on_record else []
    work = plan_work(
        cases, settings.budget, settings.plan_years, settings.planning_years, settings.discount_rate
    )
    return pl.DataFrame(
        [
            {
                "site_id": str(facts[w.site].row["site_id"]),
                "year": first_year + w.year,
                "action": "renew rods",
                "rods": w.rods,
                "cost": w.cost,
                "expected_benefit": w.expected_benefit,
            }
            for w in work
        ],
        schema=TABLES["plan"],
    )
