"""The published run: built beside, checked, swapped in whole by one replaced link."""

import json
import os
import re
import shutil
import traceback
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import WorkError
from pipeline.run_tables import not_as_declared
from reports.build import build

CURRENT, RUNS, _OLD = "current", "runs", ".current.old"
KEEP_RUNS = 5
_BUILDING = re.compile(r"\.(?P<run>.+)\.(?P<pid>\d+)\.building")


@dataclass(frozen=True)
class RunCheck:
    """A check of a run before it is shown: its name, how many rows offend, and where, in words."""

    name: str
    rows: int
    where: str = ""

    @property
    def passed(self) -> bool:
        """Say whether no row offends."""
        return self.rows == 0


def check_tables(tables: dict[str, pl.DataFrame], horizons: tuple[int, ...]) -> list[RunCheck]:
    """Check what must hold of every run; each check counts the rows that should not be."""
    undeclared = not_as_declared(tables, horizons)
    declared = RunCheck("tables_as_declared", len(undeclared), ", ".join(undeclared[:5]))
    if not declared.passed:
        return [declared]  # the other checks would ask for columns that are not there
    outlook, sites, ranks = tables["electrode_outlook"], tables["site_outlook"], tables["site_ranking"]
    p = ["p_past_now", *[f"p_past_{y}y" for y in sorted(horizons)]]
    ages = [f"crossing_age_p{q}" for q in ("05", "10", "25", "50", "75", "90", "95")]
    return [
        declared,
        RunCheck("probabilities_between_0_and_1", outlook.filter(_outside([*p, "p_broken"])).height),
        RunCheck("probabilities_rise_with_the_horizon", outlook.filter(_falling(p)).height),
        RunCheck("crossing_ages_rise_with_the_share", outlook.filter(_falling(ages)).height),
        RunCheck(
            "levels_are_resistances", outlook.filter(_no_resistance(["baseline_ohm", "level_ohm"])).height
        ),
        RunCheck("one_row_an_electrode", outlook.height - outlook["electrode_id"].n_unique()),
        RunCheck("one_row_a_site", sites.height - sites["site_id"].n_unique()),
        RunCheck(
            "site_chances_between_0_and_1", sites.filter(_outside(["p_limit_now", "p_limit_5y"])).height
        ),
        RunCheck("ranks_are_a_permutation", int(sorted(ranks["rank"]) != list(range(1, ranks.height + 1)))),
        RunCheck("every_site_is_ranked", sites.join(ranks, on="site_id", how="anti").height),
        RunCheck("every_ranked_site_has_rods", sites.filter(pl.col("rod_count") < 1).height),
        RunCheck("every_electrode_has_a_site", outlook.join(sites, on="site_id", how="anti").height),
        RunCheck(
            "rank_within_its_interval",
            ranks.filter(~pl.col("rank").is_between(pl.col("rank_p10"), pl.col("rank_p90"))).height,
        ),
    ]


def _outside(columns: list[str]) -> pl.Expr:
    """Say of a row whether one of its probabilities is none."""
    inside = [pl.col(c).is_between(-1e-9, 1 + 1e-9).fill_null(False) & ~pl.col(c).is_nan() for c in columns]
    return ~pl.all_horizontal(inside)


def _no_resistance(columns: list[str]) -> pl.Expr:
    """Say of a row whether one of its resistances is not a positive number."""
    sound = [(pl.col(c) > 0).fill_null(False) & pl.col(c).is_finite().fill_null(False) for c in columns]
    return ~pl.all_horizontal(sound)


def _falling(columns: list[str]) -> pl.Expr:
    """Say of a row whether its values fall somewhere along the columns, or are not known."""
    rising = [
        (pl.col(b) >= pl.col(a) - 1e-6).fill_null(False) & ~pl.col(b).is_nan() for a, b in pairwise(columns)
    ]
    return ~pl.all_horizontal(rising)


def stage(folder: Path, tables: dict[str, pl.DataFrame], facts: dict[str, Any]) -> None:
    """Write the run's tables as Parquet and its facts as run.json into a new folder."""
    folder.mkdir(parents=True)
    for name, frame in tables.items():
        frame.write_parquet(folder / f"{name}.parquet")
    text = json.dumps(facts, indent=1, default=str, sort_keys=True, allow_nan=False)
    (folder / "run.json").write_text(text + "\n", encoding="utf-8")


def publish(output: Path, run_id: str, tables: dict[str, pl.DataFrame], facts: dict[str, Any]) -> Path:
    """Build the run beside the current one and swap it in whole; return the path of its first page.

    Raises WorkError where the disk, the folder or a page does not let it; the run that was current stays
    current and nothing half built is left.
    """
    building = output / RUNS / f".{run_id}.{os.getpid()}.building"
    finished = output / RUNS / run_id
    left = building
    try:
        shutil.rmtree(building, ignore_errors=True)
        stage(building, tables, facts)
        build(building, building, run_id)
        os.replace(building, finished)
        left = finished
        swap(output, run_id)
    except BaseException as fault:  # an interrupt, too, must leave nothing half built
        if (output / CURRENT).resolve() != left.resolve():
            shutil.rmtree(left, ignore_errors=True)
        if isinstance(fault, Exception):
            raise WorkError(_why_not_published(output, fault)) from fault
        raise
    tidy(output)
    return output / CURRENT / "index.html"


def _why_not_published(output: Path, fault: Exception) -> str:
    """Say in a sentence what kept a run from being published, and what to do."""
    stays = "the run shown before stays in place"
    if isinstance(fault, OSError):
        return (
            f"The run could not be published in {output}: {fault.strerror or fault}; {stays}. "
            "Make room or give write permission, then run again."
        )
    first = (str(fault).splitlines() or [""])[0]
    return (
        f"The run could not be published: {_place_of(fault)} failed with {type(fault).__name__} ({first}); "
        f"{stays}. Run again with --debug before the command's name and report what it shows."
    )


def _place_of(fault: Exception) -> str:
    """Say what could not be built: the fault's own note, the template, or the innermost place in our code."""
    if notes := getattr(fault, "__notes__", []):
        return str(notes[-1])
    frames = traceback.extract_tb(fault.__traceback__)
    for frame in reversed(frames):
        if Path(frame.filename).suffix == ".html":
            return f"the page {Path(frame.filename).name}, line {frame.lineno} of its template,"
    for frame in reversed(frames):
        own = Path(frame.filename).parent.name in ("reports", "pipeline")
        if own and not frame.name.startswith("<"):
            return f"{frame.name} in {Path(frame.filename).name}, line {frame.lineno},"
    return "building it"


def swap(output: Path, run_id: str) -> None:
    """Make `current` the given run in one step; where links can't be made, by a rename of folders."""
    current, fresh = output / CURRENT, output / f".{CURRENT}.{os.getpid()}"
    _mend(output)
    fresh.unlink(missing_ok=True)
    try:
        fresh.symlink_to(Path(RUNS) / run_id, target_is_directory=True)
    except OSError:
        shutil.copytree(output / RUNS / run_id, fresh)
    try:
        if current.is_dir() and (not current.is_symlink() or not fresh.is_symlink()):
            os.replace(current, output / _OLD)  # a folder can't be replaced in one step
        os.replace(fresh, current)
    finally:
        _mend(output)
        _remove(fresh)


def _mend(output: Path) -> None:
    """Put the old `current` back where a swap was cut off between two renames; else drop it."""
    current, old = output / CURRENT, output / _OLD
    if old.is_dir() and not current.exists():
        os.replace(old, current)
    _remove(old)


def _remove(path: Path) -> None:
    if path.is_symlink():
        path.unlink(missing_ok=True)
    else:
        shutil.rmtree(path, ignore_errors=True)


def tidy(output: Path) -> None:
    """Keep the newest runs and the one that is shown; what a killed run left half built goes too."""
    shown = (output / CURRENT).resolve().name
    folders = sorted(p for p in (output / RUNS).iterdir() if p.is_dir() and p.name != shown)
    finished = [p for p in folders if not p.name.startswith(".")]
    left = [p for p in folders if p not in finished and not _is_being_built(p)]
    for folder in left + finished[: -(KEEP_RUNS - 1)]:
        shutil.rmtree(folder, ignore_errors=True)
    for fresh in output.glob(f".{CURRENT}.*"):
        if not is_alive(fresh.suffix[1:]):
            _remove(fresh)


def _is_being_built(folder: Path) -> bool:
    """Say whether a process that still lives is building there."""
    named = _BUILDING.fullmatch(folder.name)
    return named is not None and is_alive(named["pid"])


def is_alive(pid: str) -> bool:
    """Say whether there is a process of this number on this machine, itself not counted."""
    if not pid.isdigit() or int(pid) == os.getpid():
        return False
    if os.name != "posix":
        return True  # elsewhere asking would end it
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
