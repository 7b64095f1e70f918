"""The register of questions: what was asked when, by whom, on which data, and what has changed since."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

import polars as pl

from models import hypotheses
from models.hypothesis_words import Question, question_of

REGISTER = "questions.parquet"
# Asked by the program itself, of the classes with the most sites; not asked again once others have more.
OWN = "rodfleet"
NEWS = {
    "question_id": pl.String,
    "question": pl.String,
    "was_on": pl.Date,
    "was_run": pl.String,
    "was_verdict": pl.String,
    "was_effect": pl.Float64,
    "now_verdict": pl.String,
    "now_effect": pl.Float64,
    "sentence": pl.String,
}


def read_register(folder: Path) -> pl.DataFrame:
    """Read the register of all questions asked in an output folder; empty where nobody has asked yet.

    A register of an earlier version has nulls in the columns that it lacked.
    """
    path = folder / REGISTER
    if not path.is_file():
        return pl.DataFrame(schema=hypotheses.HYPOTHESES)
    kept = pl.read_parquet(path)
    return kept.select(
        (pl.col(n) if n in kept.columns else pl.lit(None)).cast(kind).alias(n)
        for n, kind in hypotheses.HYPOTHESES.items()
    )


def write_register(folder: Path, register: pl.DataFrame) -> None:
    """Replace the register in one step, so that no reader meets half of it."""
    beside = folder / f".{REGISTER}.{os.getpid()}"
    try:
        register.write_parquet(beside)
        os.replace(beside, folder / REGISTER)
    finally:
        beside.unlink(missing_ok=True)


def enter(register: pl.DataFrame, answers: pl.DataFrame) -> pl.DataFrame:
    """Give the register with new answers entered, p values adjusted over the newest asking of every question.

    An answer of the same question and day replaces the earlier one; older days stay as they were. Who first
    asked, when and why, stays with a question that is asked again by a run.
    """
    key = ["question_id", "asked_on"]
    since = _since(register, answers)
    kept = register.join(since.select(key), on=key, how="anti")
    together = pl.concat(
        [kept.select(list(hypotheses.HYPOTHESES)), since.select(list(hypotheses.HYPOTHESES))]
    )
    newest = hypotheses.adjust(together)
    return pl.concat([together.join(newest.select(key), on=key, how="anti"), newest]).sort(key)


def _since(register: pl.DataFrame, answers: pl.DataFrame) -> pl.DataFrame:
    """Give the answers with the day on which each question was asked first."""
    first = register.group_by("question_id").agg(
        pl.coalesce("first_asked_on", "asked_on").min().alias("_first")
    )
    return (
        answers.join(first, on="question_id", how="left", maintain_order="left")
        .with_columns(pl.min_horizontal("first_asked_on", "_first").alias("first_asked_on"))
        .drop("_first")
    )


def enter_run(register: pl.DataFrame, answers: pl.DataFrame, run_id: str) -> pl.DataFrame:
    """Enter a run's answers, but for those that rest on the same data as the newest on file."""
    newest = _newest(register).select("question_id", pl.col("fingerprint").alias("_held"))
    fresh = (
        answers.join(newest, on="question_id", how="left", maintain_order="left")
        .filter(~pl.col("fingerprint").eq_missing(pl.col("_held")))
        .drop("_held")
        .with_columns(pl.lit(run_id).alias("run_id"))
    )
    return enter(register, fresh) if fresh.height else register


def _newest(register: pl.DataFrame) -> pl.DataFrame:
    return register.sort("asked_on", maintain_order=True).unique(
        "question_id", keep="last", maintain_order=True
    )


def questions_on(register: pl.DataFrame) -> list[Question]:
    """Give every question on the register, as it was asked last."""
    return [_question(row) for row in _newest(register).iter_rows(named=True) if row["asked_by"] != OWN]


def _question(row: Mapping[str, object]) -> Question:
    if row["spec"]:
        return question_of(str(row["spec"]))
    held = tuple(name for name in str(row["held_fixed"] or "").split(", ") if name)
    return Question(str(row["compare"]), str(row["first"]), str(row["second"]), str(row["outcome"]), held)


def news_of(register: pl.DataFrame, answers: pl.DataFrame) -> pl.DataFrame:
    """Name the questions whose answer is another than on other data before: its verdict, or its effect.

    An effect is another where it lies outside its interval of before. What the register holds of the same
    data (the same fingerprint) is no earlier answer, so that a run made twice has the same news.
    """
    earlier = register.join(
        answers.select("question_id", pl.col("fingerprint").alias("_now")), on="question_id"
    ).filter(pl.col("fingerprint").is_not_null() & (pl.col("fingerprint") != pl.col("_now")))
    before = {row["question_id"]: row for row in _newest(earlier).iter_rows(named=True)}
    rows = [_changed(before[now["question_id"]], now) for now in answers.iter_rows(named=True)
            if now["question_id"] in before]  # fmt: skip
    return pl.DataFrame([r for r in rows if r is not None], schema=NEWS)


def _changed(was: Mapping[str, object], now: Mapping[str, object]) -> dict[str, object] | None:
    """Give the row of a changed answer, or None."""
    moved = (
        was["effect"] is not None
        and now["effect"] is not None
        and not float(was["effect_low"]) <= float(now["effect"]) <= float(was["effect_high"])  # type: ignore[arg-type]
    )
    if was["verdict"] == now["verdict"] and not moved:
        return None
    said = f"On {was['asked_on']} the answer was: {was['verdict']}"
    said += f", {was['effect']:.2f} times" if was["effect"] is not None else ""
    said += f". It is now: {now['verdict']}"
    said += f", {now['effect']:.2f} times" if now["effect"] is not None else ""
    return {
        "question_id": now["question_id"],
        "question": now["question"],
        "was_on": was["asked_on"],
        "was_run": was["run_id"],
        "was_verdict": was["verdict"],
        "was_effect": was["effect"],
        "now_verdict": now["verdict"],
        "now_effect": now["effect"],
        "sentence": f"{said}. {now['sentence']}",
    }
