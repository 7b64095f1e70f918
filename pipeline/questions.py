"""Questions to the fleet: asked of the last published run, kept in a register beside the runs."""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

from models import hypotheses, survival
from pipeline.errors import RequestError, WorkError
from pipeline.fleet_inputs import threshold_ratios
from pipeline.result import RunResult
from pipeline.settings import Settings

OUTCOMES = ("time_to_threshold",)
TABLES = ("reading_verdicts", "electrode_outlook", "sites")
LIVES = "electrode_lives"  # the outlook with the renewed electrodes in it
REGISTER = "questions.parquet"
# Columns of the published tables by which rods may be compared.
GROUPS = ("soil_class", "material", "kind", "region", "return_path", "ratio_basis", "baseline_source")


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
    own = [c for c in GROUPS if c in electrode_outlook.columns and c not in found.columns]
    of_site = [c for c in GROUPS if c in sites.columns and c not in (*own, *found.columns)]
    return found.join(
        electrode_outlook.select("electrode_id", *own), on="electrode_id", how="left", maintain_order="left"
    ).join(sites.select("site_id", *of_site), on="site_id", how="left", maintain_order="left")


def read_register(folder: Path) -> pl.DataFrame:
    """Read the register of all questions asked in an output folder; empty where nobody has asked yet."""
    path = folder / REGISTER
    return pl.read_parquet(path) if path.is_file() else pl.DataFrame(schema=hypotheses.HYPOTHESES)


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

    An answer of the same question and day replaces the earlier one; older days stay as they were.
    """
    key = ["question_id", "asked_on"]
    kept = register.join(answers.select(key), on=key, how="anti")
    together = pl.concat([kept.select(list(hypotheses.HYPOTHESES)), answers])
    newest = hypotheses.adjust(together)
    return pl.concat([together.join(newest.select(key), on=key, how="anti"), newest]).sort(key)


def standing_questions(
    reading_verdicts: pl.DataFrame,
    electrode_outlook: pl.DataFrame,
    sites: pl.DataFrame,
    settings: Settings,
    *,
    asked_on: dt.date,
    register: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Ask a run's tables the fleet's own first question, and every question on the register again.

    The first question compares the two soil classes with the most sites. Gives the table `hypotheses`, p
    values adjusted over all of them; empty where the fleet has nothing to compare. Writes nothing.
    """
    crossings = crossings_of(reading_verdicts, electrode_outlook, sites, settings)
    asked: list[hypotheses.Question] = []
    pair = hypotheses.two_most_populated(crossings, leave_out=[survival.NOT_SURVEYED])
    if pair is not None:
        asked.append(hypotheses.Question("soil_class", *pair))
    for row in (register if register is not None else pl.DataFrame()).iter_rows(named=True):
        held = tuple(name for name in row["held_fixed"].split(", ") if name)
        asked.append(hypotheses.Question(row["compare"], row["first"], row["second"], row["outcome"], held))
    answers = [
        hypotheses.compare_two(crossings, question, _draws(settings, question), asked_on)
        for question in {q.question_id: q for q in reversed(asked) if q.compare in crossings.columns}.values()
    ]
    if not answers:
        return pl.DataFrame(schema=hypotheses.HYPOTHESES)
    return hypotheses.adjust(pl.concat(answers)).sort("question_id")


def _draws(settings: Settings, question: hypotheses.Question) -> np.random.Generator:
    """Give a generator that hangs on the run's seed and the question alone, not on what else is asked."""
    return np.random.default_rng([settings.seed, *question.question_id.encode()])


def ask(
    fleet: Path,
    settings: Settings,
    *,
    outcome: str,
    compare: str,
    first: str,
    second: str,
    say: Callable[[str], None],
) -> RunResult:
    """Answer one question from the last published run and enter it in the register.

    `say` is told which run is asked; the answer is in the result's lines.
    Raises RequestError where outcome, column or group is not there, WorkError where no run is published.
    """
    folder = _output_folder(fleet, settings)
    tables, run_id = read_published(folder)
    if outcome not in OUTCOMES:
        raise RequestError(f"There is no outcome {outcome!r}; ask about {', '.join(OUTCOMES)}.")
    say(f"Asked of run {run_id}.")
    crossings = crossings_of(*tables, settings)
    _check_groups(crossings, compare, first, second)
    question = hypotheses.Question(compare, first, second, outcome)
    answer = hypotheses.compare_two(crossings, question, _draws(settings, question), dt.date.today())
    register = enter(read_register(folder), answer)
    write_register(folder, register)
    row = register.filter(pl.col("question_id") == question.question_id).sort("asked_on").row(-1, named=True)
    return RunResult(run_id=run_id, lines=_told(row, register["question_id"].n_unique()))


def _output_folder(fleet: Path, settings: Settings) -> Path:
    folder = settings.output_folder
    return folder if folder.is_absolute() or fleet in folder.parents else fleet / folder


def read_published(folder: Path) -> tuple[tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame], str]:
    """Give verdicts, electrodes (renewed ones too: their lives count) and sites of the run that is shown."""
    current = (folder / "current").resolve()  # all of one run, whatever is swapped in meanwhile
    lives = (current / f"{LIVES}.parquet").is_file()
    names = [LIVES if lives and name == "electrode_outlook" else name for name in TABLES]
    absent = [name for name in names if not (current / f"{name}.parquet").is_file()]
    if absent:
        raise WorkError(
            f"No complete run is published in {folder}; make one with `rodfleet run` and ask again."
        )
    verdicts, outlook, sites = (pl.read_parquet(current / f"{name}.parquet") for name in names)
    record = current / "run.json"
    run_id = json.loads(record.read_text(encoding="utf-8")).get("run_id", "") if record.is_file() else ""
    return (verdicts, outlook, sites), run_id


def _check_groups(crossings: pl.DataFrame, compare: str, first: str, second: str) -> None:
    known = [name for name in GROUPS if name in crossings.columns]
    if compare not in known:
        raise RequestError(f"Rods can't be compared by {compare!r}; compare by one of {', '.join(known)}.")
    names = sorted(crossings[compare].drop_nulls().unique().to_list())
    for name in (first, second):
        if name not in names:
            raise RequestError(
                f"No rod with readings has {compare} {name!r}; there are {', '.join(names) or 'none'}."
            )
    if first == second:
        raise RequestError(
            f"{first!r} can't be compared with itself; name two different values of {compare}."
        )


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
        "p value": f"{number('p_value')}; {number('p_adjusted')} among {questions} questions asked",
        "power": f"{number('power')} to find a ratio of {number('power_ratio')}",
        "method": str(row["method"]),
        "checks": str(row["checks"] or "none made"),
    }
    width = max(map(len, table))
    return lines + [f"  {name:<{width}}  {value}" for name, value in table.items()]
