"""A run as it would have been made on an earlier day, from what was known by then."""

import shutil
from dataclasses import replace
from datetime import date, datetime, time
from pathlib import Path

import polars as pl

from pipeline.calibrations import LATEST
from pipeline.errors import RequestError
from pipeline.inference import Say
from pipeline.question_register import read_register, write_register
from pipeline.result import RunResult
from pipeline.settings import Settings
from pipeline.stages import read_track_record, run_fleet
from pipeline.store import Store

FOLDER = "known_on"


def run_known_on(
    fleet: Path,
    settings: Settings,
    day: date,
    *,
    as_of: date | None,
    say: Say,
    today: date | None = None,
    calibration: str = LATEST,
) -> RunResult:
    """Make the run that would have been made at the end of a day, under today's settings and program.

    Rows, refused rows, books, calibrations, questions and the track record are as they were known then; the
    newest day that it may look from is that day. It is published beside the others, in `out/known_on/DAY/`,
    and neither the store nor the run that is shown is touched. Raises RequestError for a day to come, and as
    run_fleet.
    """
    if day > (today or date.today()):
        raise RequestError(
            f"{day} lies ahead: what will be known then cannot be asked for; give an earlier day."
        )
    at = datetime.combine(day, time.max)
    output = settings.output_folder / FOLDER / day.isoformat()
    output.mkdir(parents=True, exist_ok=True)
    copy = output / "store.duckdb"
    try:
        _copied(settings.store_path, copy)
        with Store.open(copy) as store:
            store.run("forget_calibrations", known_at=at)
        _as_then(settings.output_folder, output, day)
        then = replace(settings, store_path=copy, output_folder=output)
        done = run_fleet(fleet, then, as_of=as_of, say=say, today=day, calibration=calibration, known_at=at)
    finally:
        copy.unlink(missing_ok=True)
    note = f"This is what was known at the end of {day}; the run that is shown stays as it is."
    return replace(done, lines=[*done.lines, note])


def _copied(store: Path, copy: Path) -> None:
    """Copy the store, whole: nobody writes to it while it is held open here, and a writer is waited out."""
    with Store.open(store, read_only=True):
        shutil.copyfile(store, copy)


def _as_then(now: Path, then: Path, day: date) -> None:
    """Bring the questions asked and the forecasts judged by that day beside the run."""
    register = read_register(now)
    write_register(then, register.filter(pl.col("asked_on") <= day))
    for name in ("track_record", "track_tenths"):
        record = read_track_record(now, name).filter(pl.col("judged_on") <= day)
        if record.height:
            record.write_parquet(then / f"{name}.parquet")
