"""Questions asked of the fleet: the list with its news, and a page for each, as typed page objects."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from reports import words
from reports.charts import Columns
from reports.staged import Row, Staged

TITLES = {
    "time_to_threshold": "time to threshold",
    "onset": "beginning of the rise",
    "growth": "growth",
    "sudden_breaks": "sudden breaks",
}
AXES = {
    "time_to_threshold": "Half past threshold by, years",
    "onset": "Half have begun to rise by, years",
    "growth": "Growth, % a year",
    "sudden_breaks": "Breaks in 1,000 electrode-years",
}
SHARES = {"time_to_threshold": "Share past threshold, %", "onset": "Share that has begun to rise, %"}
FACTORS = {
    "soil_class": "soil class",
    "region": "district",
    "decade": "decade of installation",
    "ph": "pH",
    "chloride_ppm": "chloride, ppm",
    "sulphate_ppm": "sulphate, ppm",
    "resistivity_ohm_m": "resistivity, ohm m",
    "redox_mv": "redox potential, mV",
    "installed_year": "year of installation",
}
VERDICT_MARKS = {"supported": "yes", "not supported": "no", "can't tell": "open"}
AGES = (0, 5, 10, 15, 20, 25, 30, 40, 50)
OWN = "rodfleet"
WIDEST = 8.0
POWER = "power"


@dataclass(frozen=True)
class News:
    """A question whose answer has changed."""

    question: str
    page: str
    sentence: str


@dataclass(frozen=True)
class Listed:
    """A question in the list."""

    question: str
    page: str
    verdict: str
    mark: str
    effect: str
    p_adjusted: str
    asked: str
    rests_on: str
    sentence: str


@dataclass(frozen=True)
class QuestionsPage:
    """All that questions.html says; news first."""

    headline: str
    news: tuple[News, ...]
    questions: tuple[Listed, ...]


@dataclass(frozen=True)
class OverlapRow:
    """How many electrodes and sites of either group are at a level of what else differs."""

    factor: str
    level: str
    first: str
    second: str
    lonely: bool


@dataclass(frozen=True)
class RivalRow:
    """What else lies in the comparison: the share of it that goes with a factor, the ratio with that held."""

    factor: str
    explained: str
    inflation: str
    held: str
    says: str
    marked: bool


@dataclass(frozen=True)
class RiskRow:
    """Numbers at risk at an age."""

    age: str
    first: str
    second: str


@dataclass(frozen=True)
class QuestionPage:
    """One question with its answer."""

    page: str
    question: str
    verdict: str
    mark: str
    sentence: str
    change: str
    note: str
    facts: tuple[tuple[str, str], ...]
    register: tuple[tuple[str, str], ...]
    checks: tuple[str, ...]
    first: str
    second: str
    kind: str
    chart: Columns
    chart_sentence: str
    power: Columns
    power_sentence: str
    series: tuple[str, ...]
    axis: str
    x_axis: str
    log_x: bool
    at_risk: tuple[RiskRow, ...]
    ratios: Columns
    ratios_sentence: str
    margin: float
    rivals: tuple[RivalRow, ...]
    overlap: tuple[OverlapRow, ...]


def question_page_name(question_id: str) -> str:
    """Give the page of a question, relative to the run's folder."""
    return f"questions/{words.safe_id(question_id)}.html"


def questions_page(staged: Staged) -> QuestionsPage:
    """Turn the table of answers into the list."""
    rows = staged["hypotheses"].sort("question_id")
    news = tuple(
        News(row["question"] or "", question_page_name(row["question_id"]), row["sentence"] or "")
        for row in staged["question_news"].sort("question_id").iter_rows(named=True)
    )
    listed = tuple(_listed(row) for row in rows.iter_rows(named=True))
    counts = {v: sum(q.verdict == v for q in listed) for v in VERDICT_MARKS}
    told = ", ".join(f"{n} {v}" for v, n in counts.items() if n)
    headline = (
        f"{words.count(len(listed), 'question')} on file: {told}"
        if listed
        else "No question was asked in this run"
    )
    return QuestionsPage(headline, news, listed)


def _listed(row: Row) -> Listed:
    return Listed(
        question=row["question"] or row["question_id"],
        page=question_page_name(row["question_id"]),
        verdict=row["verdict"] or words.UNKNOWN,
        mark=VERDICT_MARKS.get(row["verdict"] or "", "open"),
        effect=_ratio(row["effect"], row["effect_low"], row["effect_high"]),
        p_adjusted=_p(row["p_adjusted"]),
        asked=_asked(row),
        rests_on=f"{words.whole(row['electrodes'])} electrodes, {words.whole(row['sites'])} sites",
        sentence=row["sentence"] or "",
    )


def _asked(row: Row) -> str:
    who = row["asked_by"]
    by = "of itself by every run" if who == OWN else f"by {who}" if who else ""
    day = words.day(row["first_asked_on"] or row["asked_on"])
    return by if who == OWN else f"{day} {by}".strip()


def _p(value: float | None) -> str:
    if value is None:
        return words.UNKNOWN
    return "under 0.001" if value < 0.001 else f"{value:.3f}"


def _ratio(value: float | None, low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return words.UNKNOWN
    if value is None:
        return f"at least {words.figure(low)}" if math.isinf(high) else f"at most {words.figure(high)}"
    return f"{words.figure(value)} ({words.figure(low)} to {words.figure(high)})"


def question_pages(staged: Staged) -> tuple[QuestionPage, ...]:
    """Turn each answer into its page."""
    changes = {r["question_id"]: r["sentence"] for r in staged["question_news"].iter_rows(named=True)}
    return tuple(_page(row, staged, changes) for row in staged["hypotheses"].iter_rows(named=True))


def _page(row: Row, staged: Staged, changes: Mapping[str, str]) -> QuestionPage:
    mine = pl.col("question_id") == row["question_id"]
    drawn = staged["question_charts"].filter(mine)
    chart, power = drawn.filter(pl.col("kind") != POWER), drawn.filter(pl.col("kind") == POWER)
    rivals = staged["question_confounders"].filter(mine)
    kind = chart["kind"][0] if chart.height else ""
    outcome, compare = row["outcome"] or "", row["compare"] or ""
    return QuestionPage(
        page=question_page_name(row["question_id"]),
        question=row["question"] or row["question_id"],
        verdict=row["verdict"] or words.UNKNOWN,
        mark=VERDICT_MARKS.get(row["verdict"] or "", "open"),
        sentence=row["sentence"] or "",
        change=(changes.get(row["question_id"]) or "").split(". It is now")[0],
        note=row["note"] or "",
        facts=_facts(row),
        register=_register(row, str(staged.run.get("run_id") or words.UNKNOWN)),
        checks=tuple(c for c in (row["checks"] or "").split("; ") if c),
        first=words.plain(row["first"]),
        second=words.plain(row["second"]),
        kind=kind,
        chart=_chart_columns(chart, kind),
        chart_sentence=_chart_sentence(chart, kind, outcome, compare),
        series=tuple(s.replace("_", " ") for s in chart["series"].unique(maintain_order=True)),
        axis=SHARES.get(outcome, "") if kind == "share" else AXES.get(outcome, ""),
        x_axis="Age, years" if kind == "share" else FACTORS.get(compare, words.plain(compare)),
        log_x=compare in ("chloride_ppm", "resistivity_ohm_m", "sulphate_ppm"),
        at_risk=_at_risk(chart) if kind == "share" else (),
        power=_power_columns(power),
        power_sentence=_power_sentence(row),
        ratios=_ratio_columns(row, rivals),
        ratios_sentence=_ratios_sentence(row),
        margin=float(row["margin"] or 1.25),
        rivals=tuple(_rival(r) for r in rivals.iter_rows(named=True)),
        overlap=tuple(_overlap(r) for r in staged["question_overlap"].filter(mine).iter_rows(named=True)),
    )


def _facts(row: Row) -> tuple[tuple[str, str], ...]:
    """Give the numbers of an answer as label and value."""
    margin = row["margin"]
    found = [
        ("Effect, 95 % interval", _ratio(row["effect"], row["effect_low"], row["effect_high"])),
        ("The effect is the", row["effect_unit"] or words.UNKNOWN),
        ("p value", _p(row["p_value"])),
        ("p over all questions (Benjamini and Hochberg)", _p(row["p_adjusted"])),
        ("p over all questions (Holm)", _p(row["p_holm"])),
        (f"p that the ratio lies outside {1 / margin:.2f} to {words.figure(margin)}" if margin else
         "p of equivalence", _p(row["p_equivalence"])),
        (f"Chance that a ratio of {words.figure(row['power_ratio'])} would show", words.chance(row["power"])),
        ("Ratio that shows eight times in ten", words.figure(row["findable_ratio"])),
        ("Rests on", f"{words.whole(row['electrodes'])} electrodes at {words.whole(row['sites'])} sites"),
        ("Held fixed", words.plain(row["held_fixed"]) if row["held_fixed"] else "nothing"),
        ("Method", row["method"] or words.UNKNOWN),
    ]  # fmt: skip
    return tuple(found)


def _register(row: Row, run_id: str) -> tuple[tuple[str, str], ...]:
    """Give what the register says of a question."""
    who = row["asked_by"]
    return (
        ("Asked first on", words.day(row["first_asked_on"])),
        (
            "Asked by",
            "the program itself: the two classes with most sites" if who == OWN else who or "not said",
        ),
        ("Answered as of", words.day(row["asked_on"])),
        ("Answered from run", row["run_id"] or run_id),
        ("Fingerprint of its data", row["fingerprint"] or words.UNKNOWN),
    )


def _chart_columns(chart: pl.DataFrame, kind: str) -> Columns:
    factor = 100.0 if kind == "share" else 1.0
    frame = chart.select(
        series=pl.col("series").str.replace_all("_", " "),
        x=pl.col("x").round(4),
        mid=(pl.col("mid") * factor).round(2),
        low=(pl.col("low") * factor).round(2),
        high=(pl.col("high") * factor).round(2),
        rods=pl.col("at_risk"),
    )
    return frame.to_dict(as_series=False)


def _chart_sentence(chart: pl.DataFrame, kind: str, outcome: str, compare: str) -> str:
    if not chart.height:
        return "There is too little to draw."
    if kind == "share":
        return (
            f"{SHARES[outcome].removesuffix(', %')} by age, from the visits alone (Turnbull's estimator), "
            "90 % bands over sites. Nothing is held fixed here."
        )
    what = AXES[outcome].split(",")[0].lower()
    if kind == "slope":
        return (
            f"Rods in fifths by {FACTORS.get(compare, words.plain(compare)).split(',')[0]}: {what} in each, "
            "90 % intervals by site. Nothing is held fixed here."
        )
    return f"{AXES[outcome].split(',')[0]} in each group, 90 % intervals by site. Nothing is held fixed here."


def _power_columns(power: pl.DataFrame) -> Columns:
    shown = power.sort("x").select(ratio=pl.col("x").round(3), chance=(100 * pl.col("mid")).round(1))
    return shown.to_dict(as_series=False)


def _power_sentence(row: Row) -> str:
    return (
        "The chance that these data show a true ratio of so much, or of one over it, at 5 % and before it is "
        f"adjusted: eight times in ten one of {words.figure(row['findable_ratio'])}."
    )


def _at_risk(chart: pl.DataFrame) -> tuple[RiskRow, ...]:
    names = chart["series"].unique(maintain_order=True).to_list()
    if len(names) < 2:
        return ()
    held = {(r["series"], r["x"]): r["at_risk"] for r in chart.iter_rows(named=True)}
    rows = []
    for age in AGES:
        first, second = (held.get((name, float(age))) for name in names[:2])
        if first is not None or second is not None:
            rows.append(RiskRow(f"{age}", words.whole(first) if first is not None else "none",
                                words.whole(second) if second is not None else "none"))  # fmt: skip
    return tuple(rows)


def _ratio_columns(row: Row, rivals: pl.DataFrame) -> Columns:
    """The ratio as asked and with each rival held, for one chart."""
    shown = [("as asked", row["effect"], row["effect_low"], row["effect_high"])]
    shown += [
        (f"{_factor(r['factor'])} held", r["effect_held"], r["effect_held_low"], r["effect_held_high"])
        for r in rivals.iter_rows(named=True)
        if r["effect_held"] is not None
    ]
    kept = [s for s in shown if s[1] is not None and s[2] and math.isfinite(s[3])]
    return {
        "name": [k[0] for k in kept],
        "mid": [round(k[1], 4) for k in kept],
        "low": [round(max(k[2], 1 / WIDEST), 4) for k in kept],
        "high": [round(min(k[3], WIDEST), 4) for k in kept],
        "said": [_ratio(k[1], k[2], k[3]) for k in kept],
    }


def _ratios_sentence(row: Row) -> str:
    margin = float(row["margin"] or 1.25)
    return (
        f"The ratio as asked and with more held fixed, 95 % intervals by site. Shaded: within "
        f"{1 / margin:.2f} to {words.figure(margin)}, where a difference would not matter."
    )


def _factor(name: str | None) -> str:
    return FACTORS.get(name or "", words.plain(name))


def _rival(row: Row) -> RivalRow:
    return RivalRow(
        factor=_factor(row["factor"]),
        explained=words.chance(row["explained"]),
        inflation=words.figure(row["inflation"]),
        held=_ratio(row["effect_held"], row["effect_held_low"], row["effect_held_high"])
        if row["separable"]
        else "can't be told apart",
        says=row["says"] or "",
        marked=bool(row["takes_it_away"]) or not row["separable"],
    )


def _overlap(row: Row) -> OverlapRow:
    def side(which: str) -> str:
        rods, sites = row[f"{which}_electrodes"], row[f"{which}_sites"]
        return f"{words.whole(rods)} at {words.count(sites, 'site')}" if rods else "none"

    return OverlapRow(
        factor=_factor(row["factor"]),
        level=words.plain(row["level"]),
        first=side("first"),
        second=side("second"),
        lonely=not (row["first_electrodes"] and row["second_electrodes"]),
    )
