"""Survival of a soil class for its panel: numbers at risk, hazard, years ahead, and what the models say."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import polars as pl

from reports import words
from reports.charts import Columns
from reports.staged import Staged

TURNBULL = "turnbull"
LIVES = {
    "weibull": "Weibull",
    "weibull_site": "Weibull with site effect",
    "lognormal": "log-normal",
    "lognormal_site": "log-normal with site effect",
}
HAZARDS = {TURNBULL: "visits alone", "weibull": "Weibull life", "lognormal": "log-normal life"}
OTHERWISE = {
    "retired_past": "rods retired before they were seen past were past on the day of their retirement",
    "retired_sound": "rods retired before they were seen past would be sound to this day",
    "no_follow_ups": "visits made for a suspicion are left out",
    "first_reading_past": "the first reading past counts without confirmation",
    "from_first_visit": "lives count from the first visit on, rods past by then left out",
}
# A difference in AIC of less than this tells two models apart hardly at all (Burnham and Anderson 2002).
HARDLY = 2.0


@dataclass(frozen=True)
class AheadRow:
    """A rod not past at an age: the chance to be past so many years later, by visits and by the life."""

    age: str
    years: str
    visits: str
    life: str


@dataclass(frozen=True)
class ClassSurvival:
    """What stands below a class's survival chart."""

    risk: Columns
    hazard: Columns
    hazard_sentence: str
    ahead: tuple[AheadRow, ...]
    band_sentence: str
    lives_sentence: str
    otherwise: tuple[str, ...]
    residuals: Columns
    residuals_sentence: str
    missing_sentence: str


def class_survival(staged: Staged, name: str) -> ClassSurvival:
    """Turn the survival tables of one soil class into columns and sentences."""
    of = {
        table: staged[table].filter(pl.col("soil_class") == name)
        for table in (
            "survival_curves",
            "survival_models",
            "survival_hazard",
            "survival_ahead",
            "survival_sensitivity",
            "survival_truncation",
            "survival_residuals",
        )
    }
    visits = of["survival_curves"].filter(pl.col("method") == TURNBULL).sort("age_years")
    hazard = of["survival_hazard"].filter(pl.col("hazard_per_year").is_finite()).sort("method", "age_years")
    return ClassSurvival(
        risk=_risk(visits),
        hazard=_hazard(hazard),
        hazard_sentence=_hazard_sentence(hazard),
        ahead=_ahead(of["survival_ahead"]),
        band_sentence=_band_sentence(visits),
        lives_sentence=_lives_sentence(of["survival_models"]),
        otherwise=_otherwise(of["survival_sensitivity"]),
        residuals=_residuals(of["survival_residuals"]),
        residuals_sentence=_residuals_sentence(of["survival_residuals"], of["survival_models"]),
        missing_sentence=_missing_sentence(of["survival_truncation"]),
    )


def _risk(visits: pl.DataFrame) -> Columns:
    """Numbers at risk at every tenth year, as far as Turnbull's curve goes."""
    shown = visits.filter(pl.col("age_years") % 10 == 0).select(
        age=pl.col("age_years"), said=pl.col("at_risk").cast(pl.Int64).cast(pl.String)
    )
    return shown.to_dict(as_series=False)


def _hazard(hazard: pl.DataFrame) -> Columns:
    shown = hazard.select(
        series=pl.col("method").replace(HAZARDS),
        age=pl.col("age_years").round(2),
        low=(100 * pl.col("low")).round(2),
        mid=(100 * pl.col("hazard_per_year")).round(2),
        high=(100 * pl.col("high")).round(2),
    )
    return shown.to_dict(as_series=False)


def _residuals(left: pl.DataFrame) -> Columns:
    shown = left.sort("residual").select(
        pl.col("residual").round(2),
        *((pl.col(c) * 100).round(2) for c in ("share", "low", "high", "expected")),
    )
    return shown.to_dict(as_series=False)


def _residuals_sentence(left: pl.DataFrame, models: pl.DataFrame) -> str:
    """Say how far the residuals of the best life lie from the unit exponential."""
    if left.is_empty():
        return ""
    life = LIVES.get(left["model"][0], left["model"][0])
    best = models.filter(pl.col("best").fill_null(False) & pl.col("residual_gap").is_not_null())
    told = ""
    if best.height:
        leaves = "leave" if best["residuals_leave"][0] else "stay within"
        told = f" At most {100 * best['residual_gap'][0]:.0f} points apart; they {leaves} their band."
    return (
        f"Residuals of the {life} life: the share of rods past by the hazard that it had laid up for them "
        f"(Turnbull's estimate, 90 % band of the whole curve), beside the line that a true life gives.{told}"
    )


def _hazard_sentence(hazard: pl.DataFrame) -> str:
    """Say the hazard of the life at ten and at twenty years, or where it ends."""
    life = hazard.filter(pl.col("method") != TURNBULL)
    said = []
    for age in (10.0, 20.0, 30.0):
        for row in life.filter((pl.col("age_years") - age).abs() < 0.01).iter_rows(named=True):
            said.append(
                f"{words.chance(row['hazard_per_year'])} a year at {words.years(age)} "
                f"({words.chance(row['low'])} to {words.chance(row['high'])})"
            )
    return f"Of the rods not past yet, crossing: {'; '.join(said)}." if said else "Crossings a year by age."


def _told(row: dict[str, Any] | None) -> str:
    if row is None:
        return "not known"
    return f"{words.chance(row['p_past'])} ({words.chance(row['low'])} to {words.chance(row['high'])})"


def _ahead(ahead: pl.DataFrame) -> tuple[AheadRow, ...]:
    rows = []
    for key, group in ahead.sort("age_years", "ahead_years").group_by(
        ["age_years", "ahead_years"], maintain_order=True
    ):
        by = {row["method"]: row for row in group.iter_rows(named=True)}
        life = next((row for method, row in by.items() if method != TURNBULL), None)
        now, years = (float(v) for v in key)
        rows.append(AheadRow(words.years(now), words.years(years), _told(by.get(TURNBULL)), _told(life)))
    return tuple(rows)


def _band_sentence(visits: pl.DataFrame) -> str:
    claimed = visits.filter(pl.col("low_all_ages").is_not_null())["age_years"]
    if claimed.is_empty():
        return "Too little has crossed for a band that holds over all ages at once."
    first, last = (words.years(a) for a in (claimed[0], claimed[-1]))
    return (
        f"The shaded band of the visits holds the share at one age in 90{words.NB}% of cases; between the "
        f"dotted lines the whole curve lies, from {first} to {last}. Outside too few rods are past, or "
        "left to watch, and no band is claimed."
    )


def _lives_sentence(models: pl.DataFrame) -> str:
    """Say which life fits best by AIC, how far the others are behind, and what its residuals show."""
    good = models.filter("converged", pl.col("aic").is_not_null()).sort("aic")
    best = good.filter(pl.col("best").fill_null(False))
    if best.is_empty():
        return ""
    row = best.row(0, named=True)
    behind = [
        f"{LIVES.get(r['model'], r['model'])} {r['aic'] - row['aic']:.1f}"
        for r in good.filter(pl.col("model") != row["model"]).iter_rows(named=True)
    ]
    said = f"By AIC {LIVES.get(row['model'], row['model'])} fits best"
    said += (
        f"; behind it by {', '.join(behind)} (less than {HARDLY:.0f} is hardly a difference)."
        if behind
        else "."
    )
    if row["site_sd"]:
        said += f" Between sites lives differ by a factor of {_factor(row)} (one standard deviation)."
    return said + _residual_words(row)


def _factor(row: dict[str, Any]) -> str:
    middle, low, high = (
        None if row[c] is None else math.exp(row[c]) for c in ("site_sd", "site_sd_low", "site_sd_high")
    )
    return f"{words.figure(middle)}, {words.figure(low)} to {words.figure(high)}"


def _residual_words(row: dict[str, Any]) -> str:
    if row["residual_gap"] is None:
        return ""
    gap = f"{100 * row['residual_gap']:.0f}{words.NB}points"
    if row["residuals_leave"]:
        return f" Its residuals stray by up to {gap}, more than chance: lean on the visits."
    return f" Its residuals stay within chance of what they should be (largest gap {gap})."


def _otherwise(rows: pl.DataFrame) -> tuple[str, ...]:
    """Say under each alternative where the share past would be, and whether that is within the band."""
    said = []
    by = {row["alternative"]: row for row in rows.iter_rows(named=True)}
    base = by.get("as_read")
    if base is None or base["share_past"] is None:
        return ()
    for alternative, meaning in OTHERWISE.items():
        row = by.get(alternative)
        if row is None or row["share_past"] is None:
            continue
        within = {True: "within the band", False: "outside the band", None: "no band to compare with"}
        said.append(
            f"If {meaning}: {words.chance(row['share_past'])} past by {words.years(row['age_years'])} "
            f"in place of {words.chance(base['share_past'])}, {within[row['within_band']]}."
        )
    return tuple(said)


def _missing_sentence(rows: pl.DataFrame) -> str:
    """Say whether rods that had crossed before records began are missing."""
    row = rows.row(0, named=True) if rows.height else None
    if row is None or not row["before_records"]:
        return ""
    counts = f"{row['past_at_first_visit']} of {row['before_records']} rods older than their site's records"
    if row["still_there"] is None:
        return f"{counts} were past at their first visit: too few to tell whether such rods are missing."
    share = "{}, {} to {}".format(
        *(words.figure(row[c], digits=2) for c in ("still_there", "still_there_low", "still_there_high"))
    )
    if row["from_first_visit"]:
        return (
            f"{counts} were past at their first visit, {share} times what the later crossings let expect: "
            "such rods were renewed before records began. Lives count from the first visit on."
        )
    return (
        f"{counts} were past at their first visit, {share} times what the later crossings let expect: "
        "no sign that rods that had crossed were renewed before records began."
    )
