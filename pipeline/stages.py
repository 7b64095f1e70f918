"""The stages of a run, each a plain function: store to models to tables to the published run."""

import json
import os
from datetime import date, datetime
from pathlib import Path

import numpy as np
import polars as pl

from models.class_curves import class_curves
from models.field_list import measure_again
from models.loop_dependence import loop_dependence
from models.metal_loss import scored_ground
from models.site import site_counts
from models.soil_importance import soil_importance
from models.vetting_counts import verdict_counts, verdicts_that_stand_out
from pipeline.calibrations import LATEST, check_name, kept_calibrations
from pipeline.dangers import find_dangers
from pipeline.engine import one_blas_thread
from pipeline.errors import WorkError
from pipeline.fleet_inputs import FleetInputs, gather, vetted_readings
from pipeline.inference import Clock, Inference, Say, in_service, infer_kept
from pipeline.publish import RunCheck, check_tables, publish
from pipeline.question_register import enter_run, read_register, write_register
from pipeline.questions import QuestionRows, standing_questions
from pipeline.result import RunResult
from pipeline.run_facts import Assumed, closing_lines, facts_of, new_run_id, shifts_to_ask_about
from pipeline.run_tables import TABLES, as_declared
from pipeline.settings import Settings
from pipeline.site_tables import money_of, plan, ranking, site_facts, site_outlook
from pipeline.store import Store
from pipeline.survival_account import survival_account
from pipeline.trust_tables import check_tables_of, next_tables_of
from pipeline.unknown_names import unplaced_sentence


def attend_first(fleet: Path, settings: Settings, say: Say) -> RunResult:
    """Publish the attend-first list by itself, straight after loading, and say what is on it."""
    del fleet, say
    with Store.open(settings.store_path, read_only=True) as store:
        found = find_dangers(store, settings)
    settings.output_folder.mkdir(parents=True, exist_ok=True)
    for suffix, write in (("parquet", pl.DataFrame.write_parquet), ("csv", pl.DataFrame.write_csv)):
        path = settings.output_folder / f"attend_first.{suffix}"
        beside = path.with_name(f".{path.name}.{os.getpid()}")
        write(found, beside)
        os.replace(beside, path)
    return RunResult("", None, _danger_lines(found, settings.output_folder / "attend_first.csv"))


def _danger_lines(found: pl.DataFrame, where: Path) -> list[str]:
    grave = found.filter(
        pl.col("finding").is_in(["current_danger", "summed_current_danger", "lead_reads_open"])
    )
    if grave.is_empty():
        return ["Attend first: nothing found in the readings."]
    counts = (
        grave.group_by("finding").agg(pl.len(), pl.col("site_id").n_unique().alias("sites")).sort("finding")
    )
    words = {
        "current_danger": "currents at the danger level on one lead",
        "summed_current_danger": "currents at the danger level summed over a visit",
        "lead_reads_open": "leads that read open",
    }
    parts = [f"{n} {words[f]} ({s} sites)" for f, n, s in counts.iter_rows()]
    return [
        f"ATTEND FIRST, before any spending: {'; '.join(parts)}.",
        f"Keep people away and call licensed staff; local rules apply. The list: {where}",
    ]


def _site_table(inputs: FleetInputs, verdicts: pl.DataFrame) -> pl.DataFrame:
    seen = verdicts.group_by("site_id").agg(
        pl.col("taken_at").min().cast(pl.Date).alias("first_reading_on"),
        pl.col("taken_at").max().cast(pl.Date).alias("last_reading_on"),
        pl.len().alias("readings"),
    )
    standing = inputs.electrodes.filter(in_service(inputs.as_of))
    wells = standing.group_by("site_id").agg(pl.len().alias("wells"))
    return (
        inputs.sites.select(
            "site_id", "site_name", "region", "latitude", "longitude", "voltage_kv", "commissioned_on",
            "soil_class", "rod_count", "return_path",
        )
        .join(wells, on="site_id", how="left")
        .join(seen, on="site_id", how="left")
        .with_columns(pl.col("wells").fill_null(0), pl.col("readings").fill_null(0))
        .sort("site_id")
    )  # fmt: skip


def tables_of(
    inputs: FleetInputs, inference: Inference, dangers: pl.DataFrame, settings: Settings, clock: Clock
) -> tuple[dict[str, pl.DataFrame], list[str]]:
    """Lay out every table of a run, and what had to be assumed on the way."""
    fit, lives = inference.fit, inference.lives
    rng = np.random.default_rng([settings.seed, 2])
    h = fit.histories
    standing = lives["in_service"].to_numpy()
    rods = dict(inputs.sites.select("site_id", "rod_count").iter_rows())
    all_counts = site_counts(fit, standing, lives["well_id"].to_list(), [rods.get(s) for s in h.site_id])
    counts = {s: c for s, c in zip(h.site_id, all_counts, strict=True) if c.rods > 0}
    outlook = lives.filter("in_service").drop("in_service", "retired_on")
    facts = site_facts(inputs, counts, outlook)
    sites_ahead = site_outlook(inputs, facts, settings, dangers)
    money = money_of(facts, settings)
    ranked, _ = ranking(facts, money, sites_ahead, settings, inputs.as_of.year, rng)
    planned = plan(facts, money, settings, inputs.as_of.year + 1)
    clock.lap("ranking", f"{ranked.height:,} sites, {planned.height:,} works planned")
    site_table = _site_table(inputs, inference.verdicts)
    rows = QuestionRows(inference.verdicts, lives, site_table, inputs.ground, settings)
    crossings = rows.of("time_to_threshold")
    survival = survival_account(crossings, fit, inference.verdicts, lives, inputs.readings, settings)
    clock.lap("survival", f"{crossings.height:,} lives")
    questions = standing_questions(
        rows, asked_on=inputs.as_of, register=read_register(settings.output_folder),
        folder=settings.questions_folder,
    )  # fmt: skip
    ground = soil_importance(crossings, settings.seed)
    clock.lap("questions", _asked_words(questions.hypotheses, questions.news))
    checks = check_tables_of(fit, lives, inputs.readings, survival["survival_curves"], settings.seed)
    flagged = sum(checks[name].filter("flagged").height for name in ("model_checks", "residual_checks"))
    clock.lap("checks", f"{flagged} of the model's checks stand out")
    ahead = next_tables_of(fit, lives, facts, money, settings)
    clock.lap("next readings", f"{ahead['next_readings'].filter(pl.col('value') > 0).height:,} of a value")
    tables = {
        "electrode_outlook": outlook,
        "electrode_lives": lives,
        "site_outlook": sites_ahead,
        "site_ranking": ranked,
        "plan": planned,
        "class_curves": class_curves(fit),
        "reading_verdicts": inference.verdicts,
        "verdict_counts": verdict_counts(inference.verdicts, inputs.readings),
        "verdict_groups": verdicts_that_stand_out(inference.verdicts, inputs.readings),
        "attend_first": dangers,
        **questions.tables(),
        "site_ground": scored_ground(inputs.ground),
        "soil_groups": inputs.grouped.groups
        if inputs.grouped
        else pl.DataFrame(schema=TABLES["soil_groups"]),
        "soil_importance": ground.importance,
        "soil_dependence": ground.dependence,
        "track_record": read_track_record(settings.output_folder),
        "track_tenths": read_track_record(settings.output_folder, "track_tenths"),
        "sites": site_table,
        "electrode_curves": inference.curves.join(
            outlook.select("electrode_id"), on="electrode_id", how="semi"
        ),
        "loop_dependence": loop_dependence(fit, lives, inputs.electrodes).join(
            outlook.select("electrode_id"), on="electrode_id", how="semi"
        ),
        "measure_again": measure_again(inference.verdicts, outlook),
        **survival,
        **checks,
        **ahead,
        "load_books": inputs.books,
        "refused_rows": inputs.refused,
    }
    assumed = money.assumed + _not_ranked(inputs, ranked) + questions.not_asked
    return as_declared(tables, settings.horizons_years), assumed


def _asked_words(answers: pl.DataFrame, news: pl.DataFrame) -> str:
    """Count the answers for the line of the stage."""
    changed = f", {news.height} changed" if news.height else ""
    return f"{answers.height} answered{changed}"


def _not_ranked(inputs: FleetInputs, ranked: pl.DataFrame) -> list[str]:
    """Say which sites have no rod in service on record: there is nothing to renew at them that we know of."""
    without = inputs.sites.join(ranked, on="site_id", how="anti")["site_id"].sort().to_list()
    if not without:
        return []
    named = ", ".join(without[:5]) + (" and others" if len(without) > 5 else "")
    many = "1 site has" if len(without) == 1 else f"{len(without)} sites have"
    return [f"{many} no rod in service on record and so no place in the ranking: {named}."]


def read_track_record(output: Path, table: str = "track_record") -> pl.DataFrame:
    """Read how earlier forecasts fared; empty where nobody has looked yet (`rodfleet backtest`).

    table: `track_record`, or `track_tenths` for the same by tenths of the forecast.
    """
    path = output / f"{table}.parquet"
    return pl.read_parquet(path) if path.is_file() else pl.DataFrame(schema=TABLES[table])


def run_fleet(
    fleet: Path,
    settings: Settings,
    *,
    as_of: date | None,
    say: Say,
    today: date | None = None,
    calibration: str = LATEST,
    known_at: datetime | None = None,
) -> RunResult:
    """Run everything from what is loaded to what is published.

    known_at: as the store was known at an earlier moment (pipeline/known_on.py). calibration: "latest" (the
    store's while it holds, else a new one), "new", or the name of a kept one. Raises WorkError where there is
    nothing to run on, or where a check of the run fails; the run before stays shown. Raises RequestError for
    a calibration that is not kept.
    """
    del fleet
    with one_blas_thread():
        return _run(settings, as_of, say, today or date.today(), calibration, known_at)


def _run(
    settings: Settings, as_of: date | None, say: Say, today: date, asked: str, known_at: datetime | None
) -> RunResult:
    started, clock = datetime.now().astimezone(), Clock(say)
    with Store.open(settings.store_path) as store:
        store_checks = [RunCheck(c.name, c.offending.height) for c in store.checks()]  # of all that it holds
        if known_at:
            store.look_back(known_at)
        check_name(kept_calibrations(store), asked)
        inputs = gather(store, settings, as_of, today)
        verdicts = vetted_readings(inputs)
        dangers = find_dangers(store, settings)
        unplaced = unplaced_sentence(store.table("core_unplaced"))
        _stop_where_failed(store_checks)
        counts = dict(verdicts.group_by("verdict").len().iter_rows())
        clock.lap("vetting", ", ".join(f"{n:,} {v.replace('_', ' ')}" for v, n in sorted(counts.items())))
        inference, by = infer_kept(store, inputs, verdicts, settings, clock, asked)
        tables, assumed = tables_of(inputs, inference, dangers, settings, clock)
        _keep(store, tables)
    checks = store_checks + check_tables(tables, settings.horizons_years)
    _stop_where_failed(checks)
    run_id = new_run_id(started, inputs.as_of)
    if as_of is not None and as_of > inputs.as_of:
        assumed.append(f"{as_of} lies after today; the run looks from {inputs.as_of}.")
    assumed += unplaced
    assumed += [*by.notes, *([inputs.grouped.sentence] if inputs.grouped else [])]
    lives, calibration = tables["electrode_lives"], inference.calibration
    shifts = shifts_to_ask_about(inference.fit)
    told = Assumed(assumed, calibration, int((~lives["converged"]).sum()), shifts)
    facts = facts_of(run_id, started, inputs.as_of, tables, settings, clock.seconds, checks, told)
    facts["calibrated"] = {"name": by.name, "anew": by.anew, "why": by.why}
    page = publish(settings.output_folder, run_id, tables, facts)
    register = read_register(settings.output_folder)
    write_register(settings.output_folder, enter_run(register, tables["hypotheses"], run_id))
    clock.lap("publishing", f"run {run_id}")
    return RunResult(run_id, page, [*closing_lines(tables, facts), by.sentence()], True)


def _stop_where_failed(checks: list[RunCheck]) -> None:
    """Raise WorkError where a check failed, before more is built on what it found."""
    if failed := [c for c in checks if not c.passed]:
        which = ", ".join(f"{c.name} ({c.rows} rows{': ' if c.where else ''}{c.where})" for c in failed)
        raise WorkError(
            f"The run was not published, as a check of it failed: {which}; the run shown before stays in "
            "place. See DEVELOPERS.md, 'A check failed'."
        )


def _keep(store: Store, tables: dict[str, pl.DataFrame]) -> None:
    """Leave the stops of the run in the store, where they can be looked at."""
    with store.transaction():
        for name in ("reading_verdicts", "electrode_outlook", "site_outlook", "site_ranking", "plan"):
            store.write(f"out_{name}", tables[name])


def report_again(fleet: Path, settings: Settings, say: Say) -> RunResult:
    """Build the pages of the run that is shown once more from its own tables, and swap them in.

    Raises WorkError where no run has been published.
    """
    del fleet
    shown = (settings.output_folder / "current").resolve()
    if not (shown / "run.json").is_file():
        raise WorkError(f"No run is published in {settings.output_folder}; make one first (`rodfleet run`).")
    facts = json.loads((shown / "run.json").read_text(encoding="utf-8"))
    tables = {p.stem: pl.read_parquet(p) for p in sorted(shown.glob("*.parquet"))}
    run_id = f"{facts['run_id'].split('-again')[0]}-again{datetime.now():%Y%m%dT%H%M%S%f}"
    facts["run_id"] = run_id
    page = publish(settings.output_folder, run_id, tables, facts)
    say(f"The pages of run {run_id} were built again.")
    return RunResult(run_id, page, [])
