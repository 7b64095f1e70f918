"""How far to trust the run: forecasts against what came, replicas, residuals, what is not understood."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from reports import words
from reports.charts import Columns
from reports.staged import Row, Staged, site_names
from reports.verdict_marks import VerdictMarks, verdict_marks

MOST_CLASSES = 10
MOST_GROUPS = 24
MOST_UNNAMED = 400
# A group of which so little is known would press all others flat; the table has it all the same.
WIDEST_PCT = 30.0
ALL = "all classes"
SURVIVAL = "share_past_turnbull"
TITLES = {
    "ratio_over_1_5": "Last reading over 1.5 times the first",
    "ratio_over_2": "Last reading over twice the first",
    "ratio_over_3": "Last reading over three times the first",
    "reading_scatter": "Scatter of successive readings (log)",
    "unequal_scatter": "How unlike electrodes scatter (log)",
    "jump_up": "Readings half as high again as the one before",
    "drop": "Readings a third below the one before",
    "stands_alone": "Readings off both neighbours",
    "over_range": "Readings over the meter's range",
    "lag_1": "Correlation of successive residuals",
    "common_movement": "Wells of a site moving together (log)",
    SURVIVAL: "Mean share past threshold (Turnbull)",
}
SHARES = {"ratio_over_1_5", "ratio_over_2", "ratio_over_3", "jump_up", "drop", "stands_alone", "over_range",
          SURVIVAL}  # fmt: skip
WAYS = {
    "month": "By month",
    "age": "By age of the electrode",
    "meter": "By meter",
    "method": "By method",
    "campaign": "By campaign: district and year",
    "meter_season": "By meter and quarter of the year",
}
ACCELERATES = "curve_accelerating_"
RODS = {"new": "rods drawn afresh from their class", "same": "the same rods read anew"}


@dataclass(frozen=True)
class Figure:
    """A figure: its heading, its tables by name, what it says, and the template that draws it."""

    heading: str
    template: str
    tables: Mapping[str, Columns]
    sentence: str


@dataclass(frozen=True)
class FlaggedCheck:
    """A summary in which the readings lie outside the replicas."""

    soil_class: str
    rods: str
    title: str
    observed: str
    replicas: str
    says: str


@dataclass(frozen=True)
class FlaggedGroup:
    """A group of readings with a shift or a scatter of its own."""

    way: str
    group: str
    reason: str
    interval: str
    scatter: str
    readings: str
    sites: str


@dataclass(frozen=True)
class Puzzle:
    """An electrode that the model does not understand."""

    electrode: str
    well: str
    site: str
    page: str
    why: str
    look_at: str
    readings: str
    state: str


@dataclass(frozen=True)
class TrustPage:
    """All that trust.html says."""

    headline: str
    sentences: tuple[str, ...]
    fared: Figure | None
    tenths: Figure | None
    checks: tuple[Figure, ...]
    flagged_checks: tuple[FlaggedCheck, ...]
    survival: tuple[FlaggedCheck, ...]
    survival_sentence: str
    residuals: tuple[Figure, ...]
    flagged_groups: tuple[FlaggedGroup, ...]
    puzzles: tuple[Puzzle, ...]
    verdicts: VerdictMarks


def trust_page(staged: Staged) -> TrustPage:
    """Turn the tables of checks into the page."""
    checks, groups = staged["model_checks"], staged["residual_checks"]
    flagged = tuple(_flagged_check(row) for row in checks.filter("flagged").iter_rows(named=True))
    names = site_names(staged)
    puzzles = tuple(_puzzle(row, names) for row in staged["not_understood"].iter_rows(named=True))
    flagged_groups = tuple(_flagged_group(row) for row in groups.filter("flagged").iter_rows(named=True))
    survival = tuple(f for f in flagged if f.title == TITLES[SURVIVAL])
    return TrustPage(
        headline=headline(checks, groups, len(puzzles)),
        sentences=_sentences(staged, flagged, flagged_groups),
        fared=_fared(staged["track_tenths"]),
        tenths=_tenths(groups),
        checks=_check_figures(checks),
        flagged_checks=tuple(f for f in flagged if f not in survival),
        survival=survival,
        survival_sentence=_survival_sentence(checks, survival),
        residuals=_residual_figures(groups),
        flagged_groups=flagged_groups,
        puzzles=puzzles,
        verdicts=verdict_marks(staged),
    )


def headline(checks: pl.DataFrame, groups: pl.DataFrame, puzzles: int) -> str:
    """Say in a sentence how the readings compare with what the model would make."""
    if not checks.height:
        return "This run was not checked against replicas of its model."
    inside = checks.filter(~pl.col("flagged")).height
    odd = groups.filter("flagged").height
    said = [
        words.count(n, one, many)
        for n, one, many in (
            (odd, "group of readings", "groups of readings"), (puzzles, "electrode", "electrodes")
        )
        if n
    ]  # fmt: skip
    ends = (
        f"{' and '.join(said)} {'does' if odd + puzzles == 1 else 'do'} not fit it" if said else "all fit it"
    )
    return f"In {inside} of {checks.height} summaries the readings look like the model's own; {ends}."


def _sentences(
    staged: Staged, flagged: Sequence[FlaggedCheck], groups: Sequence[FlaggedGroup]
) -> tuple[str, ...]:
    said = []
    if staged["track_tenths"].is_empty():
        said.append(
            "No earlier forecast has been judged yet (rodfleet backtest --cut DATE): until then the checks "
            "below are all that speaks for the forecasts."
        )
    whole = [f for f in flagged if f.soil_class == ALL]
    if whole:
        said.append(
            "Over the whole fleet the readings leave the model in: "
            + "; ".join(dict.fromkeys(f.title.lower() for f in whole))
            + ". In a large fleet small differences show; look at their size below."
        )
    if curves := _curves_sentence(staged.run.get("calibration") or {}):
        said.append(curves)
    if groups:
        worst = "; ".join(f"{g.group} {g.reason}" for g in groups[:3])
        said.append(f"Groups of readings that stand out: {worst}.")
    return tuple(said)


def _curves_sentence(calibration: Mapping[str, object]) -> str:
    """Say which classes' curves speed up and what that gained; nothing where none does."""
    found = {
        name.removeprefix(ACCELERATES): share
        for name, share in calibration.items()
        if name.startswith(ACCELERATES) and isinstance(share, float) and share > 0.0
    }
    gain = calibration.get("curve_families_gain_in_log_score")
    if not found or not isinstance(gain, float):
        return ""
    shares = "; ".join(f"{soil} {100 * share:.0f} %" for soil, share in sorted(found.items()))
    return (
        "Readings that were held out are better predicted where some curves speed up after their onset "
        f"(log score {gain:+.1f}). Weight of such curves by soil class: {shares}."
    )


def value_of(summary: str, value: float | None) -> str:
    """Say a summary's value: shares in percent, others with three digits."""
    if value is None:
        return words.UNKNOWN
    return f"{100 * value:.1f}{words.NB}%" if summary in SHARES else words.figure(value)


def _flagged_check(row: Row) -> FlaggedCheck:
    name = row["summary"]
    band = f"{value_of(name, row['replicas_p05'])} to {value_of(name, row['replicas_p95'])}"
    return FlaggedCheck(
        soil_class=row["soil_class"],
        rods=RODS.get(row["rods"], words.plain(row["rods"])),
        title=TITLES.get(name, words.plain(name)),
        observed=value_of(name, row["observed"]),
        replicas=band,
        says=row["says"] or "",
    )


def _flagged_group(row: Row) -> FlaggedGroup:
    low, high = row["shift_low_pct"], row["shift_high_pct"]
    known = low is not None and high is not None
    return FlaggedGroup(
        way=WAYS.get(row["by"], words.plain(row["by"])),
        group=row["group"],
        reason=row["reason"] or "",
        interval=f"{low:+.1f} to {high:+.1f}{words.NB}%" if known else words.UNKNOWN,
        scatter=words.figure(row["scatter"]),
        readings=words.whole(row["readings"]),
        sites=words.whole(row["sites"]),
    )


def _puzzle(row: Row, names: dict[str, str]) -> Puzzle:
    site = str(row["site_id"])
    return Puzzle(
        electrode=row["electrode_id"],
        well=row["well_id"] or words.UNKNOWN,
        site=names.get(site, site),
        page=words.site_page(site),
        why=row["why"] or "",
        look_at=row["look_at"] or "",
        readings=words.whole(row["readings"]),
        state=words.state(row["state"]),
    )


def _fared(tenths: pl.DataFrame) -> Figure | None:
    """Pool the backtests by horizon and tenth, weighed by electrodes."""
    if tenths.is_empty():
        return None
    n = pl.col("electrodes")
    pooled = (
        tenths.group_by("horizon_years", "tenth")
        .agg(
            n.sum(),
            *[(pl.col(c) * n).sum() / n.sum() for c in ("forecast", "observed")],
            ((pl.col("standard_error") * n) ** 2).sum().sqrt() / n.sum(),
        )
        .sort("horizon_years", "forecast")
    )
    rows = list(pooled.iter_rows(named=True))
    inside = sum(abs(r["observed"] - r["forecast"]) <= 3 * r["standard_error"] for r in rows)
    data = {
        "horizon": [words.years(r["horizon_years"]) for r in rows],
        "forecast": [round(100 * r["forecast"], 1) for r in rows],
        "observed": [round(100 * r["observed"], 1) for r in rows],
        "low": [round(100 * max(r["observed"] - 2 * r["standard_error"], 0), 1) for r in rows],
        "high": [round(100 * min(r["observed"] + 2 * r["standard_error"], 1), 1) for r in rows],
        "electrodes": [r["electrodes"] for r in rows],
        "said": [f"{100 * r['forecast']:.0f} %, {100 * r['observed']:.0f} %" for r in rows],
    }
    dates = sorted({words.day(d) for d in tenths["forecast_on"]})
    sentence = (
        f"Forecasts made as of {', '.join(dates)}, judged by the readings since: {inside} of {len(rows)} "
        "tenths within three standard errors of what was seen. Bars: two standard errors, clustered by site."
    )
    return Figure(
        "Forecast against seen, by tenths", "fared", {"fared": data, "even": {"at": [0, 100]}}, sentence
    )


def _tenths(groups: pl.DataFrame) -> Figure | None:
    rows = groups.filter(pl.col("by") == "tenth").sort("place")
    if rows.is_empty():
        return None
    shares = [round(100 * s, 1) for s in rows["share"]]
    sentence = (
        f"Each of {rows['readings'][0]:,} readings in the tenth of the forecast that the electrode's other "
        f"readings and its neighbours make for it: {min(shares):.1f} to {max(shares):.1f} % in a tenth; "
        "10 % in each would be perfect."
    )
    data = {"tenth": {"group": rows["group"].to_list(), "share": shares}, "even": {"level": [10]}}
    return Figure("Readings against their forecasts, by tenths", "tenth", data, sentence)


def _check_figures(checks: pl.DataFrame) -> tuple[Figure, ...]:
    """Give one figure a summary: new rods by class, the whole fleet last."""
    new = checks.filter(pl.col("rods") == "new")
    sizes = new.filter(pl.col("soil_class") != ALL).group_by("soil_class").agg(pl.col("electrodes").max())
    shown = [
        *sizes.sort("electrodes", "soil_class", descending=[True, False])["soil_class"][:MOST_CLASSES],
        ALL,
    ]
    order = pl.DataFrame({"soil_class": shown, "at": list(range(len(shown)))})
    figures = []
    for name, title in TITLES.items():
        rows = new.filter(pl.col("summary") == name).join(order, on="soil_class").sort("at")
        if rows.height:
            figures.append(_check_figure(name, title, list(rows.iter_rows(named=True))))
    return tuple(figures)


def _check_figure(name: str, title: str, rows: list[Row]) -> Figure:
    scale = 100 if name in SHARES else 1
    columns = {"low": "replicas_p05", "mid": "replicas_p50", "high": "replicas_p95", "own": "observed"}
    data = {
        "name": [r["soil_class"] for r in rows],
        **{k: [round(scale * r[c], 4) for r in rows] for k, c in columns.items()},
        "flag": ["yes" if r["flagged"] else "no" for r in rows],
        "said": [value_of(name, r["observed"]) for r in rows],
        "band": [f"{value_of(name, r['replicas_p05'])} to {value_of(name, r['replicas_p95'])}" for r in rows],
    }
    out = [r["soil_class"] for r in rows if r["flagged"]]
    says = f"Beyond all replicas: {', '.join(out)}." if out else "No class lies beyond all replicas."
    unit = ", %" if name in SHARES else ""
    return Figure(f"{title}{unit}", "check", {"check": data}, says)


def _residual_figures(groups: pl.DataFrame) -> tuple[Figure, ...]:
    figures = []
    for way, title in WAYS.items():
        known = pl.col("shift_high_pct") - pl.col("shift_low_pct") < WIDEST_PCT
        rows = groups.filter((pl.col("by") == way) & (known | pl.col("flagged"))).sort("place")
        if rows.height < 2:
            continue
        named = rows.height <= MOST_GROUPS
        if not named:  # the surest stay where there are too many to draw
            rows = rows.sort("readings", descending=True).head(MOST_UNNAMED).sort("place")
        figures.append(_shift_figure(title, named, list(rows.iter_rows(named=True))))
    return tuple(figures)


def _shift_figure(title: str, named: bool, rows: list[Row]) -> Figure:
    data = {
        "group": [r["group"] for r in rows],
        "low": [round(r["shift_low_pct"], 2) for r in rows],
        "mid": [round(r["shift_pct"], 2) for r in rows],
        "high": [round(r["shift_high_pct"], 2) for r in rows],
        "readings": [r["readings"] for r in rows],
        "scatter": [round(r["scatter"], 2) for r in rows],
        "flag": ["yes" if r["flagged"] else "no" for r in rows],
        "said": [f"{r['shift_pct']:+.1f} %" for r in rows],
    }
    out = [f"{r['group']} {r['reason']}" for r in rows if r["flagged"]]
    largest = max(rows, key=lambda r: abs(r["shift_pct"]))
    calm = f"No group stands out; the largest shift is {largest['shift_pct']:+.1f} % ({largest['group']})."
    sentence = f"{'; '.join(out[:4])}{' and others' if len(out) > 4 else ''}." if out else calm
    return Figure(title, "shift" if named else "shifts", {"shift": data, "zero": {"level": [0]}}, sentence)


def _survival_sentence(checks: pl.DataFrame, parted: Sequence[FlaggedCheck]) -> str:
    """Say how the data's first crossings lie beside the replicas'."""
    rows = checks.filter(pl.col("summary") == SURVIVAL)
    if rows.is_empty():
        return "No class has enough crossings to be set beside replicas."
    if not parted:
        classes = words.count(rows.height, "class", "classes")
        return f"In all {classes} the data's crossings lie among the replicas'."
    named = ", ".join(f.soil_class for f in parted)
    return f"Data and replicas part in {named}; in {rows.height - len(parted)} other classes they do not."
