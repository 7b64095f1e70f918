"""From the fit to the tables that say how far to trust it, and what to measure next."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.forecast import Fitted
from models.next_reading import NextReadings, next_readings
from models.not_understood import not_understood
from models.outlook import cdf_at
from models.posterior_checks import model_checks
from models.residual_checks import residual_checks
from models.spending import Case
from models.survival_replicas import known_of, replica_curves, replica_frame, survival_checks
from pipeline.engine import over_threads
from pipeline.run_tables import TABLES
from pipeline.settings import Settings
from pipeline.site_tables import Money, SiteFacts


def check_tables_of(
    fit: Fitted, lives: pl.DataFrame, readings: pl.DataFrame, survival: pl.DataFrame, seed: int
) -> dict[str, pl.DataFrame]:
    """Return model_checks, residual_checks, not_understood, and survival_curves with the replicas beside.

    lives: electrode_lives, in the order of the fit. readings: row_id, instrument_id, method. survival:
    survival_curves of the data and of the curves.
    """
    each = over_threads()
    rng = np.random.default_rng([seed, 5])
    data = survival.filter(pl.col("method") == "turnbull")
    replicas = replica_curves(fit, known_of(fit, lives), data, rng, each)
    names = _of_readings(fit, readings)
    checks = [model_checks(fit, rng, each), survival_checks(fit, lives, data, replicas)]
    return {
        "model_checks": pl.concat(checks),
        "residual_checks": residual_checks(fit, names["instrument_id"], names["method"]),
        "not_understood": _named(not_understood(fit, lives["state"].to_list()), lives),
        "survival_curves": pl.concat(
            [survival, replica_frame(data, replicas).select(survival.columns)], how="vertical_relaxed"
        ),
    }


def _of_readings(fit: Fitted, readings: pl.DataFrame) -> dict[str, list[str | None]]:
    """Give meter and method of each reading of the fit."""
    rows = pl.DataFrame({"row_id": fit.histories.row})
    known = readings.select("row_id", "instrument_id", "method").unique("row_id")
    joined = rows.join(known, on="row_id", how="left", maintain_order="left")
    return {c: joined[c].to_list() for c in ("instrument_id", "method")}


def _named(found: pl.DataFrame, lives: pl.DataFrame) -> pl.DataFrame:
    """Keep the electrodes that still stand, each with its well and state."""
    facts = lives.filter("in_service").select("electrode_id", "well_id", "state")
    return found.join(facts, on="electrode_id", how="inner", maintain_order="left").select(
        list(TABLES["not_understood"])
    )


@dataclass(frozen=True)
class _Money:
    """Each site's case and what one rod more costs, in the order of the fit; whether amounts are known."""

    cases: list[Case | None]
    rod_cost: list[float]
    on_record: bool


def _money_by_site(fit: Fitted, facts: Sequence[SiteFacts], money: Money) -> _Money:
    cases = {str(f.row["site_id"]): c for f, c in zip(facts, money.cases, strict=True)}
    cost = {str(f.row["site_id"]): f.row["rod_replacement_cost"] for f in facts}
    known = [float(v) for v in cost.values() if v is not None]  # type: ignore[arg-type]
    usual = float(np.median(known)) if known else 1.0
    sites = fit.histories.site_id
    costs = [float(cost[s]) if cost.get(s) is not None else usual for s in sites]  # type: ignore[arg-type]
    return _Money([cases.get(s) for s in sites], costs, money.on_record)


def next_tables_of(
    fit: Fitted, lives: pl.DataFrame, facts: Sequence[SiteFacts], money: Money, settings: Settings
) -> dict[str, pl.DataFrame]:
    """Return next_readings and next_rounds: what a reading of each well, or of all of a site's, is worth."""
    own = _money_by_site(fit, facts, money)
    standing = lives["in_service"].to_numpy()
    found = next_readings(
        fit, standing, own.cases, own.rod_cost, settings.budget, settings.planning_years,
        settings.discount_rate, np.random.default_rng([settings.seed, 6]), over_threads(),
    )  # fmt: skip
    readings = _reading_rows(fit, lives, found, own.on_record)
    return {
        "next_readings": readings,
        "next_rounds": _round_rows(fit, readings, found, own.on_record, settings.visit_cost),
    }


def _reading_rows(fit: Fitted, lives: pl.DataFrame, found: NextReadings, on_record: bool) -> pl.DataFrame:
    h = fit.histories
    site = h.electrode_site
    level = lives["level_ohm"].to_numpy()
    soon = cdf_at(fit.crossing.cdf, h.age_now + 5.0)
    rows = []
    for i in np.flatnonzero(np.isfinite(found.value)):
        row: dict[str, object] = dict.fromkeys(TABLES["next_readings"])
        row |= {
            "site_id": h.site_id[site[i]], "electrode_id": h.electrode_id[i],
            "well_id": lives["well_id"][int(i)], "p_past_5y": float(soon[i]),
            "ratio_sd_now": float(found.sd_now[i]), "ratio_sd_after": float(found.sd_after[i]),
            "sd_reduction": 1.0 - float(found.sd_after[i]) / max(float(found.sd_now[i]), 1e-12),
        }  # fmt: skip
        if on_record:
            row |= {
                "value": float(found.value[i]), "p_change_of_decision": float(found.p_change[i]),
                "rods_now": int(found.rods_now[site[i]]),
                "rods_above": _count(found.rods_above[i]), "rods_below": _count(found.rods_below[i]),
                "above_ohm": _ohm(level[i], found.above[i]), "below_ohm": _ohm(level[i], found.below[i]),
            }  # fmt: skip
        row["reason"] = reading_reason(row)
        rows.append(row)
    frame = pl.DataFrame(rows, schema=TABLES["next_readings"])
    return frame.sort(
        "value", "sd_reduction", "electrode_id", descending=[True, True, False], nulls_last=True
    )


def _count(value: float) -> int | None:
    return int(value) if np.isfinite(value) else None


def _ohm(level: float, over: float) -> float | None:
    return float(level * np.exp(over)) if np.isfinite(over) else None


def _doing(rods: object) -> str:
    if not rods:
        return "defer"
    return "renew 1 rod" if rods == 1 else f"renew {rods} rods"


def reading_reason(row: dict[str, object]) -> str:
    """Say in a sentence what a reading of this well would decide."""
    if row["value"] is None:
        return (
            "No money is on record to value it by; it would narrow the ratio's spread a year ahead by "
            f"{row['sd_reduction']:.0%}."
        )
    now = _doing(row["rods_now"])
    turns = [
        f"{side} {row[f'{side}_ohm']:.3g} Ω, {_doing(row[f'rods_{side}'])}"
        for side in ("above", "below")
        if row[f"{side}_ohm"] is not None
    ]
    if row["value"]:
        told = f"A reading {'; '.join(turns)}" if turns else "A reading may change that"
        return f"Now best: {now}. {told}."
    soon: float = row["p_past_5y"]  # type: ignore[assignment]
    if soon > 0.99:
        return "Past its threshold whatever it reads."
    if soon < 0.01:
        return "Sound for five years whatever it reads."
    return f"No likely reading changes what is best: {now}."


def _round_rows(
    fit: Fitted, readings: pl.DataFrame, found: NextReadings, on_record: bool, visit_cost: float | None
) -> pl.DataFrame:
    wells = dict(readings.group_by("site_id").len().iter_rows())
    best = dict(readings.group_by("site_id", maintain_order=True).agg(pl.col("well_id").first()).iter_rows())
    rows = []
    for s in np.flatnonzero(np.isfinite(found.site_gain)):
        name = fit.histories.site_id[s]
        row: dict[str, object] = dict.fromkeys(TABLES["next_rounds"])
        row |= {"site_id": name, "wells": wells.get(name, 0), "visit_cost": visit_cost}
        if on_record:
            value = float(found.site_value[s])
            row |= {
                "value": value, "p_change_of_decision": float(found.site_p_change[s]),
                "gain_now": float(found.site_gain[s]), "price_of_money": found.price,
                "rods_now": int(found.rods_now[s]), "best_well": best.get(name) if value > 0 else None,
                "worth_the_visit": None if visit_cost is None else value > visit_cost,
            }  # fmt: skip
        row["reason"] = round_reason(row)
        rows.append(row)
    frame = pl.DataFrame(rows, schema=TABLES["next_rounds"])
    return frame.sort("value", "site_id", descending=[True, False], nulls_last=True)


def round_reason(row: dict[str, object]) -> str:
    """Say in a sentence what a round of all wells of a site would decide."""
    if row["value"] is None:
        return "No money is on record to value a round by."
    if not row["value"]:
        return f"Whatever the wells read, best is: {_doing(row['rods_now'])}."
    p: float = row["p_change_of_decision"]  # type: ignore[assignment]
    chance = "under 1 %" if p < 0.01 else f"{p:.0%}"
    worth = {None: "", True: "; worth the visit", False: "; not worth a visit for its own sake"}
    return (
        f"Now best: {_doing(row['rods_now'])}; {chance} chance that the readings say otherwise"
        f"{worth[row['worth_the_visit']]}."  # type: ignore[index]
    )
