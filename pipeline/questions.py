"""Questions to the fleet: asked of the last published run, asked again by every run."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from models import hypotheses, question_outcomes, survival
from models.confounding import CONFOUNDERS, OVERLAP
from models.hypothesis_words import Question
from models.question_checks import CHARTS, chart_of
from pipeline.errors import RequestError, WorkError
from pipeline.fleet_inputs import threshold_ratios
from pipeline.question_files import NUMBERS, read_question
from pipeline.question_register import (
    NEWS,
    OWN,
    enter,
    news_of,
    questions_on,
    read_register,
    write_register,
)  # fmt: skip
from pipeline.result import RunResult
from pipeline.settings import Settings

TABLES = ("reading_verdicts", "electrode_outlook", "sites")
LIVES = "electrode_lives"  # the outlook with the renewed electrodes in it
GROUND = "site_ground"
# What of a site's survey rods may be compared by; further columns of the published tables.
OF_GROUND = (
    "drainage",
    "sulphide",
    "moisture",
    "ph",
    "chloride_ppm",
    "sulphate_ppm",
    "redox_mv",
    "resistivity_ohm_m",
)
OF_ROD = ("kind", "ratio_basis", "baseline_source", "baseline_sd_log", "break_state", "installed_on")
OF_SITE = ("region", "return_path")


def threshold_of(outlook: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Give frame electrode_id, threshold_ratio: the material's, or the class's, or the fleet's."""
    return threshold_ratios(outlook, settings).select("electrode_id", "threshold_ratio")


def crossings_of(
    reading_verdicts: pl.DataFrame, electrode_outlook: pl.DataFrame, sites: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """Give the first crossings of a run's electrodes, with the columns by which they may be compared."""
    found = survival.first_crossings(
        reading_verdicts,
        electrode_outlook.select("electrode_id", "baseline_ohm"),
        threshold_of(electrode_outlook, settings),
        electrode_outlook,
    )
    return _with_groups(found, electrode_outlook, sites)


def _with_groups(found: pl.DataFrame, lives: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Add what the published tables say of rod and site, decade and purchase included."""
    own = [c for c in OF_ROD if c in lives.columns and c not in found.columns]
    of_site = [c for c in OF_SITE if c in sites.columns and c not in (*own, *found.columns)]
    joined = found.join(
        lives.select("electrode_id", *own), on="electrode_id", how="left", maintain_order="left"
    ).join(sites.select("site_id", *of_site), on="site_id", how="left", maintain_order="left")
    year = pl.col("installed_on").cast(pl.Date).dt.year()
    return joined.with_columns(
        year.cast(pl.Float64).alias("installed_year"),
        ((year // 10) * 10).cast(pl.String).add("s").alias("decade"),
        pl.concat_str(
            pl.col("material").str.replace_all("_", " "), year.cast(pl.String), separator=" "
        ).alias("purchase"),
    )


@dataclass
class QuestionRows:
    """A run's rods, one row each with what they may be compared by, and each outcome's columns on demand."""

    verdicts: pl.DataFrame
    lives: pl.DataFrame
    sites: pl.DataFrame
    ground: pl.DataFrame
    settings: Settings
    _kept: dict[str, pl.DataFrame] = field(default_factory=dict)

    def of(self, outcome: str) -> pl.DataFrame:
        """Give the rows of an outcome: its columns (question_data.gather) and all groups."""
        if outcome not in self._kept:
            self._kept[outcome] = self._made(outcome)
        return self._kept[outcome]

    def _made(self, outcome: str) -> pl.DataFrame:
        if outcome == "time_to_threshold":
            crossed = crossings_of(self.verdicts, self.lives, self.sites, self.settings)
            return self._on_ground(crossed)
        named = [c for c in ("electrode_id", "site_id", "soil_class", "material") if c in self.lives.columns]
        base = _with_groups(self.lives.select(named), self.lives, self.sites).with_columns(
            pl.col("soil_class").fill_null(survival.NOT_SURVEYED)
        )
        make = {
            "onset": question_outcomes.onset_crossings,
            "growth": question_outcomes.growth_slopes,
            "sudden_breaks": question_outcomes.breaks_seen,
        }[outcome]
        return self._on_ground(
            base.join(make(self.verdicts, self.lives), on="electrode_id", maintain_order="left")
        )

    def _on_ground(self, rows: pl.DataFrame) -> pl.DataFrame:
        there = [c for c in OF_GROUND if c in self.ground.columns]
        if not there:
            return rows
        return rows.join(
            self.ground.select("site_id", *there), on="site_id", how="left", maintain_order="left"
        )


@dataclass(frozen=True)
class Answers:
    """All answers of a run: `hypotheses`, and by question what lies beside them."""

    hypotheses: pl.DataFrame
    overlap: pl.DataFrame
    confounders: pl.DataFrame
    charts: pl.DataFrame
    news: pl.DataFrame
    not_asked: list[str]

    def tables(self) -> dict[str, pl.DataFrame]:
        """Give them by the names of the published tables."""
        return {
            "hypotheses": self.hypotheses,
            "question_overlap": self.overlap,
            "question_confounders": self.confounders,
            "question_charts": self.charts,
            "question_news": self.news,
        }


def standing_questions(
    rows: QuestionRows,
    *,
    asked_on: dt.date,
    register: pl.DataFrame | None = None,
    folder: Path | None = None,
) -> Answers:
    """Ask the fleet's own first question, every question on the register and in the folder of questions.

    The first question compares the two soil classes with the most sites. folder: TOML files, one a question.
    Adjusted p values are over all of them. A question that can't be asked is named in `not_asked`.
    """
    held = register if register is not None else pl.DataFrame(schema=hypotheses.HYPOTHESES)
    pair = hypotheses.two_most_populated(
        rows.of("time_to_threshold"), leave_out=[survival.NOT_SURVEYED, "unknown"]
    )
    asked = [Question("soil_class", *pair, asked_by=OWN)] if pair is not None else []
    asked += questions_on(held)
    found, faults = _in_folder(folder)
    questions = {q.question_id: q for q in (*asked, *found)}
    answers, charts = [], []
    for question in questions.values():
        frame = rows.of(question.outcome)
        if absent := [c for c in _columns_of(question) if c not in frame.columns]:
            faults.append(f"{question.words} was not asked: this run holds no {absent[0]}.")
            continue
        answers.append(hypotheses.answer(frame, question, draws_of(rows.settings, question), asked_on))
        charts.append(chart_of(answers[-1].data, question, draws_of(rows.settings, question)))
    return _together(answers, charts, held, faults)


def _together(
    answers: Sequence[hypotheses.Answer],
    charts: Sequence[pl.DataFrame],
    register: pl.DataFrame,
    faults: list[str],
) -> Answers:
    if not answers:
        schemas = (hypotheses.HYPOTHESES, OVERLAP, CONFOUNDERS, CHARTS, NEWS)
        row, over, beside, drawn, news = (pl.DataFrame(schema=s) for s in schemas)
        return Answers(row, over, beside, drawn, news, faults)
    table = hypotheses.adjust(pl.concat([a.row for a in answers])).sort("question_id")
    first = register.group_by("question_id").agg(
        pl.coalesce("first_asked_on", "asked_on").min().alias("_first")
    )
    table = (
        table.join(first, on="question_id", how="left", maintain_order="left")
        .with_columns(pl.min_horizontal("first_asked_on", "_first").alias("first_asked_on"))
        .drop("_first")
    )
    return Answers(
        table,
        pl.concat([a.overlap for a in answers]).sort("question_id", "factor", "level"),
        pl.concat([a.confounders for a in answers]).sort("question_id", maintain_order=True),
        pl.concat(charts).sort("question_id", maintain_order=True),
        news_of(register, table),
        faults,
    )


def _in_folder(folder: Path | None) -> tuple[list[Question], list[str]]:
    """Read the fleet's folder of questions; a file that can't be read is named, and the others are asked."""
    found, faults = [], []
    for path in sorted(folder.glob("*.toml")) if folder is not None and folder.is_dir() else []:
        try:
            found.append(read_question(path))
        except RequestError as fault:
            faults.append(f"The question in {path.name} was not asked: {fault}")
    return found, faults


def _columns_of(question: Question) -> list[str]:
    """Name every column that a question needs."""
    narrowed = [c for c, _ in question.where] + [c for c, _, _ in question.between]
    compared = [] if question.of_purchase and not question.lot else [question.compare]
    return [*compared, *question.held_fixed, *narrowed]


def draws_of(settings: Settings, question: Question) -> np.random.Generator:
    """Give a generator that hangs on the run's seed and the question alone, not on what else is asked."""
    return np.random.default_rng([settings.seed, *question.question_id.encode()])


def ask(fleet: Path, settings: Settings, *, question: Question, say: Callable[[str], None]) -> RunResult:
    """Answer one question from the last published run and enter it in the register.

    `say` is told which run is asked; the answer is in the result's lines.
    Raises RequestError where a column or group is not there, WorkError where no run is published.
    """
    folder = _output_folder(fleet, settings)
    rows, run_id = read_published(folder, settings)
    say(f"Asked of run {run_id}.")
    frame = rows.of(question.outcome)
    check_question(frame, question)
    found = hypotheses.answer(frame, question, draws_of(settings, question), dt.date.today())
    row = found.row.with_columns(pl.lit(run_id).alias("run_id"))
    register = enter(read_register(folder), row)
    write_register(folder, register)
    shown = (
        register.filter(pl.col("question_id") == question.question_id).sort("asked_on").row(-1, named=True)
    )
    told = _told(shown, register["question_id"].n_unique())
    return RunResult(run_id=run_id, lines=told + _beside(found.confounders))


def _output_folder(fleet: Path, settings: Settings) -> Path:
    folder = settings.output_folder
    return folder if folder.is_absolute() or fleet in folder.parents else fleet / folder


def read_published(folder: Path, settings: Settings) -> tuple[QuestionRows, str]:
    """Give the rods of the run that is shown (renewed ones too: their lives count) and the run's id."""
    current = (folder / "current").resolve()  # all of one run, whatever is swapped in meanwhile
    lives = (current / f"{LIVES}.parquet").is_file()
    names = [LIVES if lives and name == "electrode_outlook" else name for name in TABLES]
    absent = [name for name in names if not (current / f"{name}.parquet").is_file()]
    if absent:
        raise WorkError(
            f"No complete run is published in {folder}; make one with `rodfleet run` and ask again."
        )
    verdicts, outlook, sites = (pl.read_parquet(current / f"{name}.parquet") for name in names)
    ground = current / f"{GROUND}.parquet"
    surveyed = pl.read_parquet(ground) if ground.is_file() else pl.DataFrame(schema={"site_id": pl.String})
    record = current / "run.json"
    run_id = json.loads(record.read_text(encoding="utf-8")).get("run_id", "") if record.is_file() else ""
    return QuestionRows(verdicts, outlook, sites, surveyed, settings), run_id


def check_question(frame: pl.DataFrame, question: Question) -> None:
    """Raise RequestError where a run's rods lack a column or a value that the question names."""
    for name in _columns_of(question):
        if name not in frame.columns:
            raise RequestError(
                f"The published run says nothing of {name}; make a new one with `rodfleet run`."
            )
        if name in NUMBERS and frame[name].drop_nulls().is_empty():
            raise RequestError(f"No rod with readings has a known {name}; nothing can be asked of it.")
    if question.listed:
        unknown = sorted(set(question.listed) - set(frame["electrode_id"].to_list()))
        if len(unknown) == len(question.listed):
            raise RequestError(f"None of the listed electrodes has readings; the first is {unknown[0]!r}.")
    for column, values in question.where:
        _check_values(frame, column, values)
    if question.lot:
        _check_values(frame, "purchase", (question.lot,))
    if not (question.slope or question.split_at is not None or question.of_purchase):
        _check_values(frame, question.compare, (question.first, question.second))


def _check_values(frame: pl.DataFrame, column: str, values: Sequence[str]) -> None:
    names = sorted(frame[column].cast(pl.String).drop_nulls().unique().to_list())
    for value in values:
        if value not in names:
            some = ", ".join(names[:20]) + (" and more" if len(names) > 20 else "")
            raise RequestError(f"No rod with readings has {column} {value!r}; there are {some or 'none'}.")


def _told(row: dict[str, object], questions: int) -> list[str]:
    """Give the answer as lines: the question, the sentence, then the numbers."""
    lines = [str(row["question"]), str(row["sentence"])]

    def number(name: str) -> str:
        value = row[name]
        return "not known" if value is None else f"{float(value):.3g}"  # type: ignore[arg-type]

    table = {
        "verdict": str(row["verdict"]),
        "electrodes, sites": f"{row['electrodes']}, {row['sites']}",
        "effect": f"{number('effect')} ({number('effect_low')} to {number('effect_high')})",
        "effect is the": str(row["effect_unit"]),
        "p value": (
            f"{number('p_value')}; among {questions} questions asked {number('p_adjusted')} "
            f"(Benjamini and Hochberg), {number('p_holm')} (Holm)"
        ),
        "no difference": (
            f"p {number('p_equivalence')} that the ratio lies outside 1/{number('margin')} "
            f"to {number('margin')}"
        ),
        "power": (
            f"{number('power')} to find a ratio of {number('power_ratio')}; eight times in ten one of "
            f"{number('findable_ratio')} is found"
        ),
        "method": str(row["method"]),
        "checks": str(row["checks"] or "none made"),
    }
    width = max(map(len, table))
    return lines + [f"  {name:<{width}}  {value}" for name, value in table.items()]


def _beside(confounders: pl.DataFrame) -> list[str]:
    """Say what else lies in the comparison."""
    if confounders.is_empty():
        return []
    return ["What else lies in the comparison:", *(f"  {s}" for s in confounders["says"])]
