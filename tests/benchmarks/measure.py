"""One piece of work in a process of its own: wall seconds, peak resident memory, what it reported.

This module and those that use it import nothing large: on Linux a process begins with the peak of the one
that started it, and a parent with polars in it would lend its own megabytes to every child.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
_BYTES_A_UNIT = 1 if sys.platform == "darwin" else 1024  # getrusage(2): bytes there, kilobytes elsewhere


@dataclass(frozen=True)
class Measured:
    """What one process took: seconds (wall, start of the interpreter included), peak_mb, what it reported."""

    seconds: float
    peak_mb: float
    facts: dict[str, Any] = field(default_factory=dict)

    @property
    def inside(self) -> float:
        """Give the seconds that the work itself reported: imports and the reading of its input left out."""
        return float(self.facts["seconds"])


def process(*words: str | Path) -> Measured:
    """Run `python WORDS...` from the project's root and measure it; raise RuntimeError where it fails."""
    with tempfile.TemporaryFile("w+") as said:
        start = time.monotonic()
        child = subprocess.Popen(
            [sys.executable, *map(str, words)], cwd=ROOT, stdout=said, stderr=subprocess.STDOUT
        )
        _, status, usage = os.wait4(child.pid, 0)
        seconds = time.monotonic() - start
        child.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        text = said.read()
    if child.returncode != 0:
        raise RuntimeError(
            f"`python {' '.join(map(str, words))}` ended with {child.returncode}:\n{text[-2000:]}"
        )
    return Measured(seconds, usage.ru_maxrss * _BYTES_A_UNIT / 1e6, _reported(text))


def command(fleet: Path, *words: str | Path) -> Measured:
    """Run `rodfleet --fleet FLEET WORDS...`."""
    return process("-m", "pipeline.cli", "--fleet", fleet, *words)


def work(name: str, folder: Path, *words: str | Path) -> Measured:
    """Run one of the works of tests/benchmarks/work.py on a folder."""
    return process("-m", "tests.benchmarks.work", name, folder, *words)


def best(*tries: Measured) -> Measured:
    """Give the quickest: what else runs on a machine can only slow the work down."""
    return min(tries, key=lambda m: m.seconds)


def _reported(text: str) -> dict[str, Any]:
    last = (text.strip().splitlines() or [""])[-1]
    return dict(json.loads(last)) if last.startswith("{") else {}
