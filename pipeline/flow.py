"""The unattended night: the same plain stages as by hand, with states and times kept by Prefect.

Works offline: an own server is started for the night, its home lies in the fleet's folder, and nothing is
looked up outside. The everyday commands do not import Prefect. Where Prefect itself fails, the night goes on
without it and says so.
"""

import os
import signal
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from pipeline import night, stages
from pipeline.engine import offline
from pipeline.errors import StoreError
from pipeline.intake.load import load
from pipeline.night import Morning, Step
from pipeline.result import RunResult
from pipeline.settings import Settings
from pipeline.store import Store

Say = Callable[[str], None]
Steps = dict[str, Callable[[], None]]
_HOME = ".prefect"


def end_left_server(home: Path) -> None:
    """End the Prefect server that a killed night left running, known by its home (Linux alone tells)."""
    mark = f"PREFECT_HOME={home.resolve()}".encode()
    for process in Path("/proc").glob("[0-9]*"):
        try:
            its_own = mark in (process / "environ").read_bytes().split(b"\0")
            if its_own and b"uvicorn" in (process / "cmdline").read_bytes():
                os.kill(int(process.name), signal.SIGTERM)
        except OSError:  # gone meanwhile, or another's
            continue


def nightly(fleet: Path, settings: Settings, inbox: Sequence[Path], say: Say) -> RunResult:
    """Load the inbox, list dangers, run and publish; say in the morning what failed.

    A step that fails does not stop the next: the dangers are listed from what is loaded, the run works on it.
    The run that was shown stays shown until a whole new one is there. Raises StoreError where another process
    holds the store: no step could do anything.
    """
    output, before = settings.output_folder, night.last(settings.output_folder)
    morning = night.begin(output)
    if before is not None and before.was_killed:
        end_left_server(fleet / _HOME)
    _with_the_store(settings, morning)
    shown: list[RunResult] = []

    def run() -> Step:
        result = stages.run_fleet(fleet, settings, as_of=settings.as_of, say=say)
        shown.append(result)
        return Step("run", result.ok, tuple(result.lines))

    def step(name: str, work: Callable[[], Step]) -> Callable[[], None]:
        def done() -> None:
            say(f"Night: {name}")
            morning.steps.append(night.guarded(name, work))
            morning.write(output)

        return done

    _carried_by_prefect(
        fleet,
        morning,
        {
            "load": step("load", lambda: load_inbox(fleet, settings, inbox, date.today())),
            "attend first": step("attend first", lambda: attend_first(fleet, settings)),
            "run": step("run", run),
        },
    )
    night.close(morning, output)
    last = shown[0] if shown else RunResult("")
    return RunResult(last.run_id, last.page, morning.lines(), morning.ok)


def _with_the_store(settings: Settings, morning: Morning) -> None:
    """Open the store once; where it can't be, close the report with the reason and raise it."""
    try:
        Store.open(settings.store_path).close()
    except StoreError as fault:
        morning.steps.append(Step("store", False, (str(fault),)))
        night.close(morning, settings.output_folder)
        raise


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


def _carried_by_prefect(fleet: Path, morning: Morning, steps: Steps) -> None:
    """Do the steps as tasks of a flow; those that Prefect did not come to are done without it."""
    begun: set[str] = set()

    def once(name: str) -> None:
        begun.add(name)
        steps[name]()

    try:
        offline(fleet / _HOME)
        from prefect import flow, task

        @flow(name="rodfleet nightly", validate_parameters=False)
        def whole_night() -> None:
            for name in steps:
                task(name=name)(once)(name)

        whole_night()
    except Exception as fault:
        first = (str(fault).splitlines() or [""])[0]
        words = f"Prefect could not carry the night ({type(fault).__name__}: {first}); it went on without it."
        morning.steps.append(Step("prefect", False, (words,)))
        for name in steps:
            if name not in begun:
                once(name)
