"""The published run: built beside, checked, swapped in whole by one replaced link."""

import json
import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import WorkError
from reports.build import build

CURRENT, RUNS = "current", "runs"
KEEP_RUNS = 5
REQUIRED = (
    "electrode_outlook",
    "site_outlook",
    "site_ranking",
    "plan",
    "class_curves",
    "reading_verdicts",
    "attend_first",
    "hypotheses",
    "track_record",
)


@dataclass(frozen=True)
class RunCheck:
    """A check of a run before it is shown: its name, whether it passed, and how many rows offend."""

    name: str
    rows: int

    @property
    def passed(self) -> bool:
        """Say whether no row offends."""
        return self.rows == 0


def check_tables(tables: dict[str, pl.DataFrame], horizons: tuple[int, ...]) -> list[RunCheck]:
    """Check what must hold of every run; each check counts the rows that should not be."""
    outlook, sites, ranks = tables["electrode_outlook"], tables["site_outlook"], tables["site_ranking"]
    p = ["p_past_now", *[f"p_past_{y}y" for y in sorted(horizons)]]
    ages = [f"crossing_age_p{q}" for q in ("05", "10", "25", "50", "75", "90", "95")]
    outside = pl.any_horizontal(
        [
            ~pl.col(c).is_between(-1e-9, 1 + 1e-9) | pl.col(c).is_nan() | pl.col(c).is_null()
            for c in [*p, "p_broken"]
        ]
    )

    def falling(columns: list[str]) -> pl.Expr:
        pairs = zip(columns[:-1], columns[1:], strict=True)
        return pl.any_horizontal([pl.col(b) < pl.col(a) - 1e-6 for a, b in pairs])

    return [
        RunCheck("every_table_is_there", sum(name not in tables for name in REQUIRED)),
        RunCheck("probabilities_between_0_and_1", outlook.filter(outside).height),
        RunCheck("probabilities_rise_with_the_horizon", outlook.filter(falling(p)).height),
        RunCheck("crossing_ages_rise_with_the_share", outlook.filter(falling(ages)).height),
        RunCheck("one_row_an_electrode", outlook.height - outlook["electrode_id"].n_unique()),
        RunCheck("ranks_are_a_permutation", int(sorted(ranks["rank"]) != list(range(1, ranks.height + 1)))),
        RunCheck("every_site_is_ranked", sites.join(ranks, on="site_id", how="anti").height),
        RunCheck("every_electrode_has_a_site", outlook.join(sites, on="site_id", how="anti").height),
        RunCheck(
            "rank_within_its_interval",
            ranks.filter(~pl.col("rank").is_between(pl.col("rank_p10"), pl.col("rank_p90"))).height,
        ),
    ]


def stage(folder: Path, tables: dict[str, pl.DataFrame], facts: dict[str, Any]) -> None:
    """Write the run's tables as Parquet and its facts as run.json into a new folder."""
    folder.mkdir(parents=True)
    for name, frame in tables.items():
        frame.write_parquet(folder / f"{name}.parquet")
    text = json.dumps(facts, indent=1, default=str, sort_keys=True, allow_nan=False)
    (folder / "run.json").write_text(text + "\n", encoding="utf-8")


def publish(output: Path, run_id: str, tables: dict[str, pl.DataFrame], facts: dict[str, Any]) -> Path:
    """Build the run beside the current one and swap it in whole; return the path of its first page.

    Raises WorkError where the disk or the folder does not let it; the run that was current stays current.
    """
    building = output / RUNS / f".{run_id}.building"
    finished = output / RUNS / run_id
    try:
        shutil.rmtree(building, ignore_errors=True)
        stage(building, tables, facts)
        build(building, building, run_id)
        os.replace(building, finished)
        swap(output, run_id)
    except OSError as fault:
        shutil.rmtree(building, ignore_errors=True)
        raise WorkError(
            f"The run could not be published in {output}: {fault.strerror or fault}; the run shown before stays "
            f"in place. Make room or give write permission, then run again."
        ) from fault
    tidy(output)
    return output / CURRENT / "index.html"


def swap(output: Path, run_id: str) -> None:
    """Make `current` the given run in one step; where links can't be made, by a rename of folders."""
    current, fresh = output / CURRENT, output / f".{CURRENT}.{os.getpid()}"
    fresh.unlink(missing_ok=True)
    try:
        fresh.symlink_to(Path(RUNS) / run_id, target_is_directory=True)
    except OSError:
        _swap_by_rename(output, run_id)
        return
    if current.is_dir() and not current.is_symlink():
        os.replace(current, output / RUNS / f"replaced-{os.getpid()}")
    os.replace(fresh, current)


def _swap_by_rename(output: Path, run_id: str) -> None:
    """Copy the run to `current` through two renames (shares without links)."""
    current, fresh, old = output / CURRENT, output / f".{CURRENT}.new", output / f".{CURRENT}.old"
    shutil.rmtree(fresh, ignore_errors=True)
    shutil.rmtree(old, ignore_errors=True)
    shutil.copytree(output / RUNS / run_id, fresh)
    if current.exists():
        os.replace(current, old)
    os.replace(fresh, current)
    shutil.rmtree(old, ignore_errors=True)


def tidy(output: Path) -> None:
    """Keep the newest runs; what a killed run left half built goes too."""
    shown = (output / CURRENT).resolve().name
    runs = sorted(p for p in (output / RUNS).iterdir() if p.is_dir())
    finished = [p for p in runs if not p.name.startswith(".")]
    for folder in [p for p in runs if p.name.startswith(".")] + finished[:-KEEP_RUNS]:
        if folder.name != shown:
            shutil.rmtree(folder, ignore_errors=True)
