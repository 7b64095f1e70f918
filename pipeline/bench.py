"""The analyst's door: a published run's rods as frames, questions answered, charts, all from Python.

    run = open_run("demo")
    lives = crossings(run)                                        # one row a rod, intervals in years
    found = compare(run, compare="region", between=["Saltmere", "Wendrick"], hold=["soil_class"])
    found.row["sentence"], found.confounders, found.data          # the answer, what else lies in it, its rows
    survival_chart(share_past(run, "soil_class")).save("survival.html")

Nothing here writes to the fleet: a question asked here is not entered in the register (`rodfleet hypothesis`
does that), and its p value is adjusted for nothing.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import altair as alt
import numpy as np
import polars as pl

from models import hypotheses
from models.hypothesis_words import Question
from models.one_history import PlainTests
from models.question_checks import chart_of
from models.soil_importance import GroundImportance, soil_importance
from models.survival import DAYS_PER_YEAR
from models.turnbull import turnbull_band
from pipeline.errors import RequestError
from pipeline.plain_tests import put_to
from pipeline.question_files import question_from, read_question
from pipeline.questions import QuestionRows, check_question, draws_of, read_published
from pipeline.settings import Settings

LEAST_ROWS = 8


@dataclass(frozen=True)
class Run:
    """A published run: its id, its settings, its rods (`rows.lives`, `.verdicts`, `.sites`, `.ground`)."""

    run_id: str
    settings: Settings
    rows: QuestionRows


@dataclass(frozen=True)
class Comparison:
    """An answer: `row` (columns of the table hypotheses), and the frames beside it.

    overlap: electrodes and sites of both groups by what else differs; confounders: share explained and the
    ratio with each held; chart: what is drawn (kind share, rate, slope; power); data: the rods, one row each.
    """

    question: Question
    row: dict[str, Any]
    overlap: pl.DataFrame
    confounders: pl.DataFrame
    chart: pl.DataFrame
    data: pl.DataFrame


def open_run(fleet: Path | str) -> Run:
    """Open the run that a fleet folder shows; raises WorkError where none is published."""
    settings = Settings.load(Path(fleet))
    rows, run_id = read_published(settings.output_folder, settings)
    return Run(run_id, settings, rows)


def crossings(run: Run, outcome: str = "time_to_threshold") -> pl.DataFrame:
    """Give one row a rod: electrode_id, site_id, what it may be compared by, and the outcome's columns.

    time_to_threshold, onset: lower_years (0: before the first visit), upper_years (infinite: not yet).
    growth: growth (of ln R, a year), growth_years, risen_years. sudden_breaks: broken, watched_years.
    """
    return run.rows.of(outcome)


def compare(run: Run, question: Question | Path | str | None = None, **keys: Any) -> Comparison:
    """Answer a question: as such, a TOML file, or the file's keys; raises RequestError as asking does."""
    if question is None:
        asked = question_from(keys)
    else:
        asked = question if isinstance(question, Question) else read_question(Path(question))
    frame = run.rows.of(asked.outcome)
    check_question(frame, asked)
    found = hypotheses.answer(frame, asked, draws_of(run.settings, asked), dt.date.today())
    chart = chart_of(found.data, asked, draws_of(run.settings, asked))
    row = found.row.with_columns(pl.lit(run.run_id).alias("run_id")).row(0, named=True)
    return Comparison(asked, row, found.overlap, found.confounders, chart, found.data.rows)


def share_past(
    run: Run, by: str = "soil_class", outcome: str = "time_to_threshold", resamples: int = 200
) -> pl.DataFrame:
    """Give the share past by age: series (a value of `by`), age_years, share_past, low, high, at_risk.

    Turnbull's estimator; low and high: a 90 % band over resampled sites. Values of under 8 rods have none.
    """
    frame = crossings(run, outcome).drop_nulls([by, "lower_years"])
    told = frame.filter((pl.col("lower_years") > 0) | pl.col("upper_years").is_finite()).sort(
        by, "electrode_id"
    )
    made = []
    for (name,), part in told.partition_by(by, as_dict=True, maintain_order=True).items():
        lower, upper = part["lower_years"].to_numpy(), part["upper_years"].to_numpy()
        if part.height < LEAST_ROWS or not np.any(np.isfinite(upper)):
            continue
        seen = float(np.max(np.where(np.isfinite(upper), upper, lower)))
        ages = np.arange(0.0, np.floor(seen) + 0.5)
        rng = np.random.default_rng([run.settings.seed, *str(name).encode()])
        band = turnbull_band(lower, upper, part["site_id"].to_numpy(), ages, rng, resamples=resamples)
        risk = (lower[None, :] >= ages[:, None]).sum(axis=1)
        made.append(
            pl.DataFrame(
                {"series": str(name), "age_years": ages, "share_past": band.share_past, "low": band.low,
                 "high": band.high, "at_risk": risk}
            ).fill_nan(None)
        )  # fmt: skip
    return pl.concat(made) if made else pl.DataFrame()


def survival_chart(frame: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Draw what `share_past` gives: a step curve and a band for each series."""
    base = alt.Chart(frame).encode(
        x=alt.X("age_years:Q", title="Age, years"), color=alt.Color("series:N", title=None)
    )
    axis = alt.Axis(format="%")
    band = base.mark_area(opacity=0.15, interpolate="step-after").encode(
        y=alt.Y("low:Q", title="Share past", axis=axis), y2="high:Q"
    )
    line = base.mark_line(interpolate="step-after").encode(
        y=alt.Y("share_past:Q", axis=axis), tooltip=["series", "age_years", "share_past", "at_risk"]
    )
    return alt.layer(band, line)


def ratio_chart(found: Comparison) -> alt.LayerChart | alt.FacetChart:
    """Draw the ratio as asked and with each rival held, 95 % intervals."""
    asked = {
        "held": "as asked",
        "ratio": found.row["effect"],
        "low": found.row["effect_low"],
        "high": found.row["effect_high"],
    }
    held = found.confounders.drop_nulls("effect_held").select(
        held="factor", ratio="effect_held", low="effect_held_low", high="effect_held_high"
    )
    frame = pl.concat([pl.DataFrame([asked], schema=held.schema), held])
    base = alt.Chart(frame).encode(y=alt.Y("held:N", sort=None, title=None))
    scale = alt.Scale(type="log")
    bar = base.mark_rule().encode(x=alt.X("low:Q", scale=scale, title="Ratio"), x2="high:Q")
    return alt.layer(bar, base.mark_point(filled=True).encode(x=alt.X("ratio:Q", scale=scale)))


def plain_tests(run: Run, electrode_id: str) -> PlainTests:
    """Test one rod's readings alone for a trend, a change of level, a bend (log of corrected ohm by age).

    Raises RequestError for an electrode without readings.
    """
    installed = run.rows.lives.select("electrode_id", pl.col("installed_on").cast(pl.Date))
    mine = run.rows.verdicts.filter(pl.col("electrode_id") == electrode_id).join(installed, on="electrode_id")
    if mine.is_empty():
        raise RequestError(f"Electrode {electrode_id!r} has no readings in this run.")
    age = (pl.col("taken_at").dt.date() - pl.col("installed_on")).dt.total_days() / DAYS_PER_YEAR
    return put_to(mine.with_columns(age.alias("age_years")), electrode_id, run.settings.seed)


def ground(run: Run) -> GroundImportance:
    """Say what matters in the soil: frames importance and dependence (soil_importance)."""
    return soil_importance(crossings(run), run.settings.seed)
