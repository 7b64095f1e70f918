"""The plan within the budget: work by year with its totals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from reports import words
from reports.run_facts import RunFacts
from reports.staged import Row, Staged


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
        page=words.site_page(site_id),
        action=words.plain(row["action"]),
        rods=row["rods"],
        cost=row["cost"],
        benefit=row["expected_benefit"],
    )


def plan_sentence(plan: tuple[PlanYear, ...], run: RunFacts) -> str:
    """Say what the plan does in all, against the budget where it is known."""
    if not plan:
        return "The plan holds no work: nothing repays its cost within the budget."
    works = sum(len(year.works) for year in plan)
    cost, benefit = sum(year.cost for year in plan), sum(year.benefit for year in plan)
    first, last = plan[0].year, plan[-1].year
    when = f"in {first}" if first == last else f"from {first} to {last}"
    says = f"{words.count(works, 'piece')} of work {when}"
    says += f" for {words.money(cost, run.currency)}, expected to avoid {words.money(benefit, run.currency)}"
    limit = "no limit set" if run.budget is None else words.money(run.budget, run.currency)
    return f"{says}; budget a year: {limit}."
