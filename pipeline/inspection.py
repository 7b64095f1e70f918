"""Look at the environment and the store without changing either."""

import importlib.metadata
import json
import os
import re
import sys
import tomllib
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import night
from pipeline.calibrations import kept_calibrations
from pipeline.errors import FleetError
from pipeline.intake.books import aligned
from pipeline.settings import Settings
from pipeline.store import Store

_MOST_ROWS_SHOWN = 5
_MOST_CALIBRATIONS_SHOWN = 10


@dataclass(frozen=True)
class Inspection:
    """Hold the outcome of one check."""

    what: str
    passed: bool
    details: tuple[str, ...] = ()


def status_lines(settings: Settings) -> list[str]:
    """Say what the store holds and which run is published; raise StoreError where there is no store."""
    with Store.open(settings.store_path, read_only=True) as store:
        tables = store.frame("held_by_table")
        (dates,) = store.frame("store_dates").rows(named=True)
        kept = kept_calibrations(store)
    lines = [f"Store: {settings.store_path}"]
    heading = ("table", "rows", "superseded", "refused, open")
    lines += aligned([heading, *([str(cell) for cell in row] for row in tables.rows())])
    lines.append(
        f"Readings from {dates['first_reading_on']} to {dates['last_reading_on']}."
        if dates["first_reading_on"]
        else "No readings yet."
    )
    if dates["files_loaded"]:
        last = f"{dates['last_loaded_at']:%Y-%m-%d %H:%M}"
        lines.append(f"{dates['files_loaded']} files and sheets loaded, the last at {last}.")
    if dates["files_refused_open"]:
        lines.append(f"{dates['files_refused_open']} of them refused as a whole and still open.")
    return [
        *lines,
        *_calibration_lines(kept),
        _run_line(settings.output_folder),
        *_night_lines(settings.output_folder),
    ]


def _calibration_lines(kept: pl.DataFrame) -> list[str]:
    """List the kept calibrations, the newest first: name, when and from which day it was fitted, why."""
    if kept.is_empty():
        return ["No calibration is kept yet; the first run fits one."]
    heading = "Kept calibrations (`rodfleet run --calibration NAME`)"
    if kept.height > _MOST_CALIBRATIONS_SHOWN:
        heading += f", the newest {_MOST_CALIBRATIONS_SHOWN} of {kept.height}"
    rows = kept.head(_MOST_CALIBRATIONS_SHOWN).select("name", "fitted_at", "as_of", "why").iter_rows()
    return [f"{heading}:", *(f"  {n}  {at:%Y-%m-%d %H:%M}, as of {day}: {why}." for n, at, day, why in rows)]


def _facts_in(path: Path) -> dict[str, Any] | None:
    """Read a JSON record; None where there is none that can be read."""
    try:
        facts = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return facts if isinstance(facts, dict) else None


def _moment(text: object) -> str:
    """Give an ISO time as a person reads it; what is none is given back as it is."""
    try:
        return f"{datetime.fromisoformat(str(text)):%Y-%m-%d %H:%M}"
    except ValueError:
        return str(text)


def _run_line(output: Path) -> str:
    run = _facts_in(output / "current" / "run.json")
    if run is None:
        return "No run is published yet (`rodfleet run`)."
    when = f", made on {_moment(run['finished_at'])}" if run.get("finished_at") else ""
    return f"Published run: {run.get('run_id', '?')}, as of {run.get('as_of', '?')}{when}."


def _night_lines(output: Path) -> list[str]:
    """Say how the last unattended night went; nothing where there was none."""
    last = night.last(output)
    if last is None:
        return []
    began = _moment(last.started_at)
    if last.ok:
        return [f"The last night ({began}) went well."]
    if last.finished_at is None:
        return [f"{night.cut_off(last)} See {output / night.REPORT}."]
    failed = [step for step in last.steps if not step.ok]
    lines = [f"The last night ({began}) FAILED in: {', '.join(step.name for step in failed)}."]
    return lines + [f"  {step.name}: {line}" for step in failed for line in step.lines[-3:]]


def check_environment(fleet: Path) -> list[Inspection]:
    """Check Python, the libraries that the program needs, and the fleet folder."""
    version = ".".join(map(str, sys.version_info[:3]))
    return [
        Inspection(f"Python {version} (3.11 or newer is needed)", sys.version_info >= (3, 11)),
        _libraries(),
        Inspection(f"the fleet folder {fleet} can be written to", os.access(fleet, os.W_OK)),
    ]


def _libraries() -> Inspection:
    """Compare the installed libraries with the oldest versions that the program was built for."""
    project = Path(__file__).resolve().parent.parent / "pyproject.toml"
    wanted = tomllib.loads(project.read_text(encoding="utf-8"))["project"]["dependencies"]
    faults = []
    for name, oldest in (re.split(r"\s*>=\s*", line) for line in wanted):
        try:
            found = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            faults.append(f"{name} is not installed; run `make setup`")
            continue
        if _numbers(found) < _numbers(oldest):
            faults.append(f"{name} is {found}, {oldest} or newer is needed; run `make setup`")
    return Inspection(f"{len(wanted)} libraries as pyproject.toml asks", not faults, tuple(faults))


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", version)[:3])


def check_store(settings: Settings) -> list[Inspection]:
    """Run every SQL check of the store; a fleet without a store passes, as nothing is loaded yet."""
    if not settings.store_path.exists():
        return [Inspection(f"no store at {settings.store_path} yet: nothing is loaded", True)]
    try:
        with Store.open(settings.store_path, read_only=True) as store:
            checks = store.checks()
    except FleetError as fault:
        return [Inspection("the store can be opened", False, (str(fault),))]
    return [
        Inspection(
            f"store check {check.name}",
            check.passed,
            tuple(str(row) for row in check.offending.head(_MOST_ROWS_SHOWN).rows(named=True)),
        )
        for check in checks
    ]
