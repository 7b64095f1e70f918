"""Questions put to the fleet: do rods differ in crossing, in onset, in growth, in sudden breaks?

An answer has an effect (a ratio) with its interval, clustered by site, the power that the data had, a test
of equivalence, what else lies in the comparison, the checks of what it rests on, and a sentence in the
trade's words. "No evidence" is never "no effect".
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import beta

from models.confounding import CONFOUNDERS, confounders, overlap, rivals_of
from models.hypothesis_words import OUTCOMES, Question, listing, said, sentence_of
from models.question_checks import checks_of, levels_of
from models.question_data import Data, gather
from models.question_fits import fit_outcome
from models.question_inference import THIN_SITES, Inference, bounded, fewest_sites, inference

__all__ = [
    "HYPOTHESES",
    "THIN_SITES",
    "Answer",
    "Question",
    "adjust",
    "answer",
    "compare_two",
    "judge",
    "two_most_populated",
]

LEVEL = 0.05
LEAST_SITES, LEAST_ELECTRODES = 3, 10
# Scatter of the readings alone makes 1 to 2 % of sound rods look past threshold. Unless a group's share past
# is surely (95 %) above this, a difference may be one of scatter.
LEAST_SHARE = 0.03
TAKEN_BACK = " But among"
COLUMNS = {
    "time_to_threshold": ("lower_years", "upper_years"),
    "onset": ("lower_years", "upper_years"),
    "growth": ("growth", "growth_years", "risen_years"),
    "sudden_breaks": ("broken", "watched_years"),
}

HYPOTHESES = {
    "question_id": pl.String,
    "asked_on": pl.Date,
    "question": pl.String,
    "outcome": pl.String,
    "compared": pl.String,
    "compare": pl.String,
    "first": pl.String,
    "second": pl.String,
    "held_fixed": pl.String,
    "electrodes": pl.Int64,
    "sites": pl.Int64,
    "effect": pl.Float64,
    "effect_low": pl.Float64,
    "effect_high": pl.Float64,
    "effect_unit": pl.String,
    "p_value": pl.Float64,
    "p_adjusted": pl.Float64,
    "p_holm": pl.Float64,
    "margin": pl.Float64,
    "p_equivalence": pl.Float64,
    "p_equivalence_adjusted": pl.Float64,
    "method": pl.String,
    "converged": pl.Boolean,
    "verdict": pl.String,
    "sentence": pl.String,
    "power": pl.Float64,
    "power_ratio": pl.Float64,
    "findable_ratio": pl.Float64,
    "checks": pl.String,
    "leans_on": pl.String,
    "p_equivalence_held": pl.Float64,
    "asked_by": pl.String,
    "note": pl.String,
    "spec": pl.String,
    "fingerprint": pl.String,
    "run_id": pl.String,
    "first_asked_on": pl.Date,
}


@dataclass(frozen=True)
class Answer:
    """An answer: one row of HYPOTHESES, and what lies beside it (OVERLAP, CONFOUNDERS), and its rows."""

    row: pl.DataFrame
    overlap: pl.DataFrame
    confounders: pl.DataFrame
    data: Data


def too_little(data: Data, question: Question) -> str | None:
    """Say what is missing to ask at all, or None."""
    if np.unique(data.x).size < 2:
        return "all rods with usable readings are alike in what is compared"
    for name, group in zip(question.groups, (~data.second, data.second), strict=True):
        if data.sites_of(group) < LEAST_SITES or group.sum() < LEAST_ELECTRODES:
            return (
                f"{name} has {int(group.sum())} electrodes on {data.sites_of(group)} sites with usable "
                f"readings, too few to compare (at least {LEAST_ELECTRODES} on {LEAST_SITES} are needed)"
            )
    design = data.design()
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return "what is held fixed and what is compared cannot be told apart in these rods"
    return _hardly_any(data, question)


def _hardly_any(data: Data, question: Question) -> str | None:
    """Say that too little has happened to compare, or None."""
    if question.outcome == "growth":
        return None
    groups = ~data.second, data.second
    share = [float(data.event[group].mean()) for group in groups]
    happened = {
        "time_to_threshold": "reached threshold", "onset": "begun to rise", "sudden_breaks": "broken suddenly"
    }[question.outcome]  # fmt: skip
    surely = [
        float(beta.ppf(0.05, max(data.event[g].sum(), 0.5), (~data.event[g]).sum() + 1)) for g in groups
    ]
    scatter = max(surely) < LEAST_SHARE and question.outcome != "sudden_breaks"
    if scatter or data.sites_of(data.event) < THIN_SITES:
        return f"hardly any rod of the two has {happened} yet ({share[0]:.0%} and {share[1]:.0%})"
    if fewest_sites(data) < THIN_SITES and (data.within_sites or question.slope):
        return f"in one of the two hardly any rod has {happened} yet"
    return None


def fingerprint(data: Data, question: Question) -> str:
    """Give a short name of the data that an answer rests on: the same rows and values, the same name."""
    columns = ("electrode_id", "site_id", "_x", *question.held_fixed, *COLUMNS[question.outcome])
    rows = data.rows.select(c for c in columns if c in data.rows.columns)
    asked = f"{question.question_id} {question.margin:g} {question.power_ratio:g}"
    text = f"{asked}\n{rows.sort(rows.columns).write_csv()}"
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def judge(
    p_adjusted: float | None,
    low: float | None,
    high: float | None,
    converged: bool,
    p_equivalence: float | None = None,
    leans_on: str | None = None,
) -> str:
    """Give the verdict: 'supported', 'not supported' (no difference that matters is left) or "can't tell".

    p_adjusted and p_equivalence: over all questions on file. Where the answer leans on something else that
    takes the difference away (leans_on), p_equivalence is that with it held.
    """
    if not converged or low is None or high is None:
        return "can't tell"
    if p_adjusted is not None and p_adjusted < LEVEL and (low > 1 or high < 1) and not leans_on:
        return "supported"
    return "not supported" if p_equivalence is not None and p_equivalence < LEVEL else "can't tell"


def _begun(data: Data, question: Question, asked_on: dt.date) -> dict[str, object]:
    """Give the row as it stands before anything is fitted."""
    first, second = question.groups
    row: dict[str, object] = dict.fromkeys(HYPOTHESES)
    return row | {
        "question_id": question.question_id,
        "asked_on": asked_on,
        "question": question.words,
        "outcome": question.outcome,
        "compared": (
            f"{question.compare} per {question.slope}"
            if question.slope
            else f"{question.compare}: {first}, {second}"
        ),
        "compare": question.compare,
        "first": first,
        "second": second,
        "held_fixed": ", ".join(question.held_fixed),
        "electrodes": data.x.size,
        "sites": data.sites,
        "effect_unit": OUTCOMES[question.outcome].effect_unit
        + (f", per {question.slope}" if question.slope else ", second over first"),
        "converged": False,
        "verdict": "can't tell",
        "margin": question.margin,
        "power_ratio": question.power_ratio,
        "asked_by": question.asked_by,
        "note": question.note,
        "spec": question.spec,
        "fingerprint": fingerprint(data, question),
        "first_asked_on": asked_on,
    }


METHODS = {
    "time_to_threshold": "Weibull accelerated life on intervals",
    "onset": "Weibull accelerated life on intervals",
    "growth": "log mean of the rods' slopes, by years",
    "sudden_breaks": "complementary log-log on rods broken in the years watched",
}


def answer(frame: pl.DataFrame, question: Question, rng: np.random.Generator, asked_on: dt.date) -> Answer:
    """Answer one question: effect, interval, p values, equivalence, what else lies in the comparison.

    `frame`: see question_data.gather. The effect is a ratio (times, rates, breaks), second group over first
    or for each step of the slope; its 95 % interval is clustered by site; with few sites the p value is that
    of exchanging whole sites or the signs of their scores. Adjusted p values equal their own until `adjust`.
    """
    data = gather(frame, question)
    row = _begun(data, question, asked_on)
    factors = rivals_of(question, data.rows)
    nothing = pl.DataFrame(schema=CONFOUNDERS)
    missing = too_little(data, question)
    if missing:
        row |= {"method": "not fitted", "sentence": f"It can't be told: {missing}."}
        return Answer(pl.DataFrame([row], schema=HYPOTHESES), overlap(data, question, factors), nothing, data)
    found = fitted(data, question, rng)
    if found is None:
        row |= {
            "method": f"{METHODS[question.outcome]}, not converged",
            "sentence": "It can't be told: the comparison could not be fitted to these readings.",
        }
        return Answer(pl.DataFrame([row], schema=HYPOTHESES), overlap(data, question, factors), nothing, data)
    differs = found.low > 1 or found.high < 1
    rivals = confounders(data, question, found.ratio if differs else None, factors)
    row |= _numbers(found, question) | _leaning(rivals)
    row["checks"] = checks_of(data, question)
    return Answer(_worded(row, data, question), overlap(data, question, factors), rivals, data)


def fitted(data: Data, question: Question, rng: np.random.Generator) -> Inference | None:
    """Fit the comparison; None where it does not converge."""
    if question.outcome != "growth" and fewest_sites(data) < THIN_SITES:
        return bounded(data, question.outcome, rng)
    try:
        fit = fit_outcome(data, data.design(), question.outcome)
    except ValueError:
        return None
    if not fit.converged:
        return None
    return inference(data, fit, question.outcome, (question.margin, question.power_ratio), rng)


def _numbers(found: Inference, question: Question) -> dict[str, object]:
    return {
        "effect": found.ratio,
        "effect_low": found.low,
        "effect_high": found.high,
        "p_value": found.p_value,
        "p_adjusted": found.p_value,
        "p_holm": found.p_value,
        "p_equivalence": found.p_equivalence,
        "p_equivalence_adjusted": found.p_equivalence,
        "power": found.power,
        "findable_ratio": found.findable,
        "method": f"{METHODS[question.outcome]}, clustered by site; p of {found.how}",
        "converged": True,
    }


def _leaning(rivals: pl.DataFrame) -> dict[str, object]:
    """Name what takes the difference away when it is held; of several the one that explains most."""
    away = rivals.filter("takes_it_away").sort("explained", descending=True, maintain_order=True)
    single = away.filter(pl.col("factor") != "all of these")
    if away.is_empty():
        return {"leans_on": None, "p_equivalence_held": None}
    shown = (single if single.height else away).row(0, named=True)
    return {
        "leans_on": f"{said(shown['factor'])}: {shown['effect_held']:.2f} "
        f"({shown['effect_held_low']:.2f}-{shown['effect_held_high']:.2f})",
        "p_equivalence_held": shown["p_equivalence_held"],
    }


def _worded(row: dict[str, object], data: Data, question: Question) -> pl.DataFrame:
    """Give the row with its verdict and sentence as a table."""
    row["verdict"] = _verdict(row, row["p_value"], row["p_equivalence"])  # type: ignore[arg-type]
    alone = dict(row) | {"leans_on": None}
    unleaning = _verdict(alone, row["p_value"], row["p_equivalence"])  # type: ignore[arg-type]
    sentence = sentence_of(question, unleaning, levels_of(data, question), row)
    if row["leans_on"] and unleaning == "supported":
        what, ratio = str(row["leans_on"]).split(": ")
        sentence += (
            f" But it need not be the {said(question.compare)}: with {what} held the ratio is {ratio}"
            + (
                ", and no difference that matters is left."
                if row["verdict"] == "not supported"
                else ", and no such difference is shown."
            )
        )
    row["sentence"] = sentence + _held_words(question)
    return pl.DataFrame([row], schema=HYPOTHESES)


def _held_words(question: Question) -> str:
    return f" Held fixed: {listing(question.held_fixed)}." if question.held_fixed else ""


def _verdict(row: Mapping[str, object], p: float | None, p_equivalence: float | None) -> str:
    leans = row["leans_on"]
    equal = row["p_equivalence_held"] if leans else p_equivalence
    return judge(p, row["effect_low"], row["effect_high"], bool(row["converged"]), equal, leans)  # type: ignore[arg-type]


def compare_two(
    frame: pl.DataFrame, question: Question, rng: np.random.Generator, asked_on: dt.date
) -> pl.DataFrame:
    """Answer a question with its row of the table `hypotheses` alone."""
    return answer(frame, question, rng, asked_on).row


def adjust(rows: pl.DataFrame) -> pl.DataFrame:
    """Adjust the p values of all questions asked, the newest asking of each; judge anew.

    p_adjusted: Benjamini and Hochberg (1995), by which verdicts are judged; p_holm: Holm (1979), the chance
    of any false one at all; p_equivalence_adjusted: the former over the tests of equivalence. Questions that
    could not be answered have no p value and count for nothing. Adjusting twice changes nothing.
    """
    newest = rows.sort("asked_on", maintain_order=True).unique(
        "question_id", keep="last", maintain_order=True
    )
    ways = {
        "p_adjusted": ("p_value", "fdr_bh"),
        "p_holm": ("p_value", "holm"),
        "p_equivalence_adjusted": ("p_equivalence", "fdr_bh"),
    }
    tables = {name: _over_all(newest, *way) for name, way in ways.items()}
    judged = [_judged(row, tables) for row in newest.iter_rows(named=True)]
    return pl.DataFrame(judged, schema=newest.schema) if judged else newest


def _over_all(rows: pl.DataFrame, column: str, method: str) -> dict[str, float]:
    """Give question_id to the adjusted value of a column of p values."""
    from statsmodels.stats.multitest import multipletests

    asked = rows.filter(pl.col(column).is_not_null())
    if asked.is_empty():
        return {}
    adjusted = multipletests(asked[column].to_numpy(), alpha=LEVEL, method=method)[1]
    return dict(zip(asked["question_id"], adjusted, strict=True))


def _judged(row: dict[str, object], tables: dict[str, dict[str, float]]) -> dict[str, object]:
    """Give the row with its adjusted p values, and its verdict and sentence under them."""
    row = row | {name: table.get(str(row["question_id"])) for name, table in tables.items()}
    verdict = _verdict(row, row["p_adjusted"], row["p_equivalence_adjusted"])  # type: ignore[arg-type]
    alone = _verdict(row, row["p_value"], row["p_equivalence"])  # type: ignore[arg-type]
    sentence = str(row["sentence"]).split(TAKEN_BACK)[0]
    asked = len(tables["p_adjusted"])
    if alone == "supported" and verdict == "can't tell":
        sentence += f"{TAKEN_BACK} {asked} questions asked this is no more than chance may bring."
    elif alone == "not supported" and verdict == "can't tell":
        sentence += f"{TAKEN_BACK} {asked} questions asked that is not sure enough to be said."
    return row | {"verdict": verdict, "sentence": sentence}


def two_most_populated(
    crossings: pl.DataFrame, compare: str = "soil_class", *, leave_out: Sequence[str] = ()
) -> tuple[str, str] | None:
    """Give the two groups with the most sites, which no outcome has chosen; None where there are not two.

    Choosing the pair that differs most and then testing it would find a difference in any fleet.
    """
    told = crossings.filter((pl.col("lower_years") > 0) | pl.col("upper_years").is_finite())
    sizes = (
        told.filter(pl.col(compare).is_not_null() & ~pl.col(compare).is_in(list(leave_out)))
        .group_by(compare)
        .agg(pl.col("site_id").n_unique().alias("sites"), pl.len().alias("electrodes"))
        .filter((pl.col("sites") >= LEAST_SITES) & (pl.col("electrodes") >= LEAST_ELECTRODES))
        .sort(["sites", "electrodes", compare], descending=[True, True, False])
    )
    if sizes.height < 2:
        return None
    first, second = sorted(sizes[compare].head(2).to_list())
    return first, second
