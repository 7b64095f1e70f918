"""Small fleets written down row by row as plain tables, and the command line to put them through."""

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
from click.testing import CliRunner, Result

from pipeline.cli import main

Table = list[dict[str, Any]]


@dataclass
class SmallFleet:
    """The rows of each table, by the contract's names; a table without rows is not written."""

    tables: dict[str, Table] = field(default_factory=dict)

    def write(self, folder: Path) -> Path:
        """Write one CSV a table into folder/field."""
        field_folder = folder / "field"
        field_folder.mkdir(parents=True, exist_ok=True)
        for name, rows in self.tables.items():
            pl.DataFrame(rows, infer_schema_length=None, strict=False).write_csv(field_folder / f"{name}.csv")
        return field_folder


def rods(sites: int, wells: int, installed: date = date(1996, 5, 1), **of_site: Any) -> SmallFleet:
    """Lay out sites of so many wells each, without a reading."""
    names = [f"S{s:02d}" for s in range(1, sites + 1)]
    return SmallFleet(
        {
            "sites": [{"site_id": s, "site_name": f"Fen {s}", **of_site} for s in names],
            "electrodes": [
                {
                    "electrode_id": f"{s}-{w}",
                    "site_id": s,
                    "well_id": f"{s}-W{w}",
                    "kind": "driven_rod",
                    "material": "galvanized_steel",
                    "length_m": 3.0,
                    "diameter_mm": 16.0,
                    "installed_on": installed,
                }
                for s in names
                for w in range(1, wells + 1)
            ],
        }
    )


def _log_ratio(k: int, years: int, growth_per_year: float) -> float:
    """Give rod k's log ratio to the fleet's start: its own level, its growth, and some scatter."""
    return 0.07 * (k % 3) + growth_per_year * years + 0.04 * math.sin(37.0 * k + 11.3 * years)


def read_yearly(
    fleet: SmallFleet, first: int, last: int, start_ohm: float = 20.0, growth_per_year: float = 0.0
) -> SmallFleet:
    """Add one clamp reading a year and well, each June, growing from the first year on, scattered by 4 %."""
    fleet.tables["readings"] = [
        {
            "well_id": rod["well_id"],
            "taken_at": date(year, 6, 1) + timedelta(days=2 * k),
            "resistance_ohm": round(start_ohm * math.exp(_log_ratio(k, year - first, growth_per_year)), 2),
        }
        for k, rod in enumerate(fleet.tables["electrodes"])
        for year in range(first, last + 1)
    ]
    return fleet


def rodfleet(fleet: Path, *words: str | Path) -> Result:
    """Put words to the command line of a fleet folder."""
    return CliRunner().invoke(main, ["--fleet", str(fleet), *map(str, words)])


def published(fleet: Path) -> dict[str, pl.DataFrame]:
    """Read every table of the run that is shown."""
    return {p.stem: pl.read_parquet(p) for p in sorted((fleet / "out/current").glob("*.parquet"))}


def facts(fleet: Path) -> dict[str, Any]:
    """Read run.json of the run that is shown."""
    found = json.loads((fleet / "out/current/run.json").read_text(encoding="utf-8"))
    assert isinstance(found, dict)
    return found


def one_sentence(result: Result, status: int) -> str:
    """Give the one line that tells the error; fail where there is another, or a traceback."""
    assert result.exit_code == status, result.output
    assert "Traceback" not in result.output
    (line,) = [line for line in result.output.splitlines() if line.startswith("Error:")]
    assert line.endswith(".")
    return line


def loaded_and_run(fleet: SmallFleet, folder: Path, *words: str) -> Sequence[str]:
    """Load the fleet and run it, both without a fault; give the lines that the run printed."""
    loaded = rodfleet(folder, "load", fleet.write(folder))
    assert loaded.exit_code == 0, loaded.output
    done = rodfleet(folder, "run", *words)
    assert done.exit_code == 0, done.output
    return done.output.splitlines()
