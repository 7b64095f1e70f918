"""What the morning should know of the night: its steps, written down as they end."""

import json
import os
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path

from pipeline.errors import FleetError
from pipeline.publish import is_alive

REPORT = "last_night.json"


@dataclass(frozen=True)
class Step:
    """One step of the night: its name, whether it went well, and what it says."""

    name: str
    ok: bool
    lines: tuple[str, ...] = ()


@dataclass
class Morning:
    """The report of a night; written after every step, so that a killed night leaves what it had done."""

    started_at: str
    pid: int
    finished_at: str | None = None
    steps: list[Step] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """Say whether the night came to its end and every step went well."""
        return self.finished_at is not None and all(s.ok for s in self.steps)

    @property
    def was_killed(self) -> bool:
        """Say whether its process is gone and it did not come to its end."""
        return self.finished_at is None and not is_alive(str(self.pid))

    def write(self, output: Path) -> None:
        """Replace the report in one step; a disk that is full does not stop the night."""
        beside = output / f".{REPORT}.{os.getpid()}"
        try:
            output.mkdir(parents=True, exist_ok=True)
            beside.write_text(json.dumps({**asdict(self), "ok": self.ok}, indent=1) + "\n", encoding="utf-8")
            os.replace(beside, output / REPORT)
        except OSError:
            beside.unlink(missing_ok=True)

    def lines(self) -> list[str]:
        """Write the night step by step."""
        told = []
        for step in self.steps:
            told.append(f"{step.name}: {'done' if step.ok else 'FAILED'}")
            told += [f"  {line}" for line in step.lines]
        return told


def last(output: Path) -> Morning | None:
    """Read the report of the last night; None where there is none that can be read."""
    try:
        was = json.loads((output / REPORT).read_text(encoding="utf-8"))
        steps = [Step(s["name"], bool(s["ok"]), tuple(s["lines"])) for s in was["steps"]]
        return Morning(str(was["started_at"]), int(was["pid"]), was["finished_at"], steps)
    except (OSError, ValueError, KeyError, TypeError):
        return None


def cut_off(night: Morning) -> str:
    """Say in a sentence that a night did not come to its end, or has not yet."""
    done = ", ".join(s.name for s in night.steps) or "nothing"
    became = "was cut off" if night.was_killed else f"has not ended yet (process {night.pid})"
    return f"The night that began at {night.started_at} {became}; done: {done}."


def guarded(name: str, work: Callable[[], Step]) -> Step:
    """Do one step; a failure becomes a step that says so."""
    try:
        return work()
    except FleetError as fault:
        return Step(name, False, (str(fault),))
    except Exception as fault:  # whatever it was, the morning must hear of it and the next step must go on
        first = (str(fault).splitlines() or [""])[0]
        return Step(name, False, (f"Not foreseen: {type(fault).__name__}: {first}",))


def begin(output: Path) -> Morning:
    """Open the morning's report; a night before that was cut off is its first line."""
    before = last(output)
    morning = Morning(datetime.now().astimezone().isoformat(timespec="seconds"), os.getpid())
    if before is not None and before.finished_at is None:
        morning.steps.append(Step("night before", False, (cut_off(before),)))
    morning.write(output)
    return morning


def close(morning: Morning, output: Path) -> None:
    """Finish the report."""
    morning.finished_at = datetime.now().astimezone().isoformat(timespec="seconds")
    morning.write(output)
