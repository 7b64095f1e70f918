"""What to measure next: sites and wells by what another reading would be worth to next year's decisions."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from reports import words
from reports.run_facts import RunFacts, run_facts
from reports.staged import Row, Staged, site_names

MOST_ROUNDS = 100
MOST_WELLS = 100


@dataclass(frozen=True)
class Round:
    """A site: what measuring all its wells once would be worth, in money, and what it costs."""

    site: str
    page: str
    wells: int
    value: float | None
    cost: float | None
    p_change: float | None
    best_well: str
    worth_it: bool | None
    reason: str


@dataclass(frozen=True)
class WellReading:
    """A well: what one reading would be worth, and how much it would narrow what is known."""

    electrode: str
    well: str
    site: str
    page: str
    value: float | None
    p_change: float | None
    p_past_5y: float | None
    narrower: str
    reason: str


@dataclass(frozen=True)
class Again:
    """An electrode whose newest reading leaves a question: what was found, and how to read it right."""

    electrode: str
    site: str
    page: str
    taken_on: str
    reading: str
    reason: str
    how: str
    last_good_on: str


@dataclass(frozen=True)
class MeasurePage:
    """All that measure.html says."""

    headline: str
    sentence: str
    rounds: tuple[Round, ...]
    wells: tuple[WellReading, ...]
    left_out: str
    has_cost: bool
    again: tuple[Again, ...]
    again_sentence: str


def measure_page(staged: Staged) -> MeasurePage:
    """Turn the values of readings and rounds into the page."""
    run, names = run_facts(staged.run), site_names(staged)
    rounds, readings = staged["next_rounds"], staged["next_readings"]
    worth = rounds.filter(pl.col("value") > 0)
    wells = readings.filter(pl.col("value") > 0)
    # Where no amounts are on record, the readings that narrow most come first.
    shown = wells if wells.height else readings.filter(pl.col("value").is_null())
    shown = shown.sort("value", "sd_reduction", descending=True, nulls_last=True)
    return MeasurePage(
        headline=headline(rounds, run, names),
        sentence=_sentence(rounds, readings, run),
        rounds=tuple(_round(row, names) for row in worth.head(MOST_ROUNDS).iter_rows(named=True)),
        wells=tuple(_well(row, names) for row in shown.head(MOST_WELLS).iter_rows(named=True)),
        left_out=_left_out(shown.height, worth.height),
        has_cost=bool(rounds["visit_cost"].is_not_null().any()),
        again=tuple(
            _again(row, names) for row in staged["measure_again"].head(MOST_WELLS).iter_rows(named=True)
        ),
        again_sentence=_again_sentence(staged["measure_again"]),
    )


def _again_sentence(table: pl.DataFrame) -> str:
    if table.is_empty():
        return "No electrode's newest reading leaves a question."
    sites = table["site_id"].n_unique()
    return (
        f"The newest reading of {words.count(table.height, 'electrode')} at {words.count(sites, 'site')} "
        "leaves a question that a clamp round the lead can settle."
    )


def _again(row: Row, names: dict[str, str]) -> Again:
    site = str(row["site_id"])
    return Again(
        electrode=row["electrode_id"],
        site=names.get(site, site),
        page=words.site_page(site),
        taken_on=words.day(row["taken_at"]),
        reading=words.resistance(row["resistance_ohm"]),
        reason=row["reason"] or "",
        how=row["how"] or "",
        last_good_on=words.day(row["last_good_on"]) if row["last_good_on"] else "none yet",
    )


def headline(rounds: pl.DataFrame, run: RunFacts, names: dict[str, str]) -> str:
    """Say where a round next year would be worth most."""
    if rounds.is_empty():
        return "This run does not say what another reading would be worth."
    if rounds["value"].is_null().all():
        return "No money is on record: readings are ordered by how much they would narrow what is known."
    first = rounds.row(0, named=True)
    if not first["value"]:
        return "No likely reading of next year would change what is best at any site."
    name, worth = names.get(first["site_id"], first["site_id"]), words.money(first["value"], run.currency)
    return f"A round next year is worth most at {name}: about {worth} by what it may change there."


def _sentence(rounds: pl.DataFrame, readings: pl.DataFrame, run: RunFacts) -> str:
    if rounds.is_empty() or rounds["value"].is_null().all():
        return "Amounts of money by site (consequence, mobilisation, rods) would let a reading be valued."
    moved = rounds.filter(pl.col("value") > 0).height
    says = (
        f"At {moved} of {words.count(rounds.height, 'site')} a reading may change the decision: "
        f"{readings.filter(pl.col('value') > 0).height:,} of {words.count(readings.height, 'well')}."
    )
    price = rounds["price_of_money"].drop_nulls()
    if not price.is_empty() and price[0] > 1.005:
        says += (
            f" Money is counted at {price[0]:.1f} times its amount: that is what it earns in the best work "
            "that next year's budget leaves out."
        )
    cost = rounds["visit_cost"].drop_nulls()
    if cost.is_empty():
        return f"{says} What a visit costs is not set (visit_cost in fleet.toml)."
    worth = int(rounds["worth_the_visit"].fill_null(False).sum())
    return f"{says} A visit costs {words.money(cost[0], run.currency)}: worth it for its own sake at {worth}."


def _left_out(wells: int, rounds: int) -> str:
    more = [
        words.count(n - most, what)
        for n, most, what in ((rounds, MOST_ROUNDS, "more site"), (wells, MOST_WELLS, "more well"))
        if n > most
    ]
    return f"{' and '.join(more)} in the CSV." if more else ""


def _round(row: Row, names: dict[str, str]) -> Round:
    site = str(row["site_id"])
    return Round(
        site=names.get(site, site),
        page=words.site_page(site),
        wells=row["wells"] or 0,
        value=row["value"],
        cost=row["visit_cost"],
        p_change=row["p_change_of_decision"],
        best_well=row["best_well"] or words.UNKNOWN,
        worth_it=row["worth_the_visit"],
        reason=row["reason"] or "",
    )


def _well(row: Row, names: dict[str, str]) -> WellReading:
    site = str(row["site_id"])
    less = row["sd_reduction"]
    return WellReading(
        electrode=row["electrode_id"],
        well=row["well_id"] or words.UNKNOWN,
        site=names.get(site, site),
        page=words.site_page(site),
        value=row["value"],
        p_change=row["p_change_of_decision"],
        p_past_5y=row["p_past_5y"],
        narrower=words.UNKNOWN if less is None else f"{100 * less:.0f}{words.NB}%",
        reason=row["reason"] or "",
    )
