"""The night: load, attend first, run; what failed is written down for the morning, and the rest goes on."""

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from pathlib import Path

from pipeline import stages
from pipeline.errors import FleetError
from pipeline.intake.load import load
from pipeline.result import RunResult
from pipeline.settings import Settings
from pipeline.store import Store

Say = Callable[[str], None]
REPORT = "last_night.json"


@dataclass(frozen=True)
class Step:
    """One step of the night: its name, whether it went well, and what it says."""

    name: str
    ok: bool
    lines: tuple[str, ...] = ()


@dataclass
class Morning:
    """What the morning should know; written after every step, so that a killed night leaves what it had done."""

    started_at: str
    pid: int
    finished_at: str | None = None
    steps: list[Step] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """Say whether the night came to its end and every step went well."""
        return self.finished_at is not None and all(s.ok for s in self.steps)

    def write(self, output: Path) -> None:
        """Replace the report in one step; a disk that is full does not stop the night."""
        beside = output / f".{REPORT}.{os.getpid()}"
        try:
            output.mkdir(parents=True, exist_ok=True)
            beside.write_text(json.dumps({**asdict(self), "ok": self.ok}, indent=1) + "\n", encoding="utf-8")
            os.replace(beside, output / REPORT)
        except OSError:
            beside.unlink(missing_ok=True)


def unfinished(output: Path) -> str | None:
    """Say in a sentence that the night before did not come to its end, or None."""
    try:
        before = json.loads((output / REPORT).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if before.get("finished_at"):
        return None
    done = ", ".join(s["name"] for s in before.get("steps", [])) or "nothing"
    return f"The night that began at {before.get('started_at')} was cut off; it had done: {done}."


def load_inbox(fleet: Path, settings: Settings, inbox: Sequence[Path], today: date) -> Step:
    """Load what lies in the inbox; a file that can't be taken is said and does not stop the night."""
    if not inbox:
        return Step("load", True, ("No inbox was given; what is already loaded is used.",))
    missing = [p for p in inbox if not p.exists()]
    there = [p for p in inbox if p.exists()]
    with Store.open(settings.store_path) as store:
        books = load(store, there, today, lambda _: None, layouts=[fleet / "layouts"])
    counts = ", ".join(f"{books.total(c):,} {c}" for c in ("read", "taken", "held", "refused"))
    failures = [f"{b.name}: refused as a whole: {b.failure}" for b in books.failures]
    failures += [f"There is no file or folder {p}; check the inbox." for p in missing]
    return Step("load", not failures, (f"{len(books.books)} files and sheets, rows: {counts}.", *failures))


def attend_first(fleet: Path, settings: Settings) -> Step:
    """List dangers, from what is loaded, before any model."""
    result = stages.attend_first(fleet, settings, lambda _: None)
    return Step("attend first", True, tuple(result.lines))


def run(fleet: Path, settings: Settings, say: Say) -> tuple[Step, RunResult]:
    """Run everything and publish."""
    result = stages.run_fleet(fleet, settings, as_of=settings.as_of, say=say)
    return Step("run", result.ok, tuple(result.lines)), result


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
    morning = Morning(datetime.now().astimezone().isoformat(timespec="seconds"), os.getpid())
    cut_off = unfinished(output)
    if cut_off:
        morning.steps.append(Step("night before", False, (cut_off,)))
    morning.write(output)
    return morning


def close(morning: Morning, output: Path) -> list[str]:
    """Finish the report and return its lines."""
    morning.finished_at = datetime.now().astimezone().isoformat(timespec="seconds")
    morning.write(output)
    lines = []
    for step in morning.steps:
        lines.append(f"{step.name}: {'done' if step.ok else 'FAILED'}")
        lines += [f"  {line}" for line in step.lines]
    return lines
