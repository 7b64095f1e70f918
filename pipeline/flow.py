"""The Prefect flow of the night: the same plain stages as by hand, with states, retries and times kept by Prefect.

Works offline: an own server is started for the night, its home lies in the fleet's folder, and nothing is looked up
outside. The everyday commands do not import this module.
"""

import os
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from pipeline.result import RunResult
from pipeline.settings import Settings

Say = Callable[[str], None]


def _offline(home: Path) -> None:
    """Keep Prefect to this machine and this fleet; must come before Prefect is imported."""
    home.mkdir(parents=True, exist_ok=True)
    os.environ.setdefault("PREFECT_HOME", str(home))
    os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
    os.environ.setdefault("DO_NOT_TRACK", "1")
    os.environ.setdefault("PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS", "120")
    os.environ.setdefault("PREFECT_LOGGING_LEVEL", "WARNING")
    os.environ.setdefault("PREFECT_LOGGING_TO_API_ENABLED", "false")


def nightly(fleet: Path, settings: Settings, inbox: Sequence[Path], say: Say) -> RunResult:
    """Load the inbox, list dangers, run and publish; say in the morning what failed.

    A step that fails does not stop the next: the dangers are listed from what is loaded, the run works on it. The run
    that was shown stays shown until a whole new one is there.
    """
    _offline(fleet / ".prefect")
    from prefect import flow, task

    from pipeline import night

    output = settings.output_folder
    morning = night.begin(output)
    shown: list[RunResult] = []

    def step(name: str, work: Callable[[], night.Step]) -> None:
        morning.steps.append(night.guarded(name, work))
        morning.write(output)

    def whole_run() -> night.Step:
        done, result = night.run(fleet, settings, say)
        shown.append(result)
        return done

    @task(name="load")
    def load_task() -> None:
        step("load", lambda: night.load_inbox(fleet, settings, inbox, date.today()))

    @task(name="attend first")
    def attend_task() -> None:
        step("attend first", lambda: night.attend_first(fleet, settings))

    @task(name="run")
    def run_task() -> None:
        step("run", whole_run)

    @flow(name="rodfleet nightly", validate_parameters=False)
    def whole_night() -> None:
        load_task()
        attend_task()
        run_task()

    whole_night()
    lines = night.close(morning, output)
    page = shown[0].page if shown else None
    return RunResult(shown[0].run_id if shown else "", page, lines, morning.ok)
