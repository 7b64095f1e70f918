"""The unattended night under Prefect, in processes of its own: spoilt files, a kill, a held store."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline import flow, night
from pipeline.night import Step
from pipeline.result import RunResult
from pipeline.settings import Settings
from tests.flows.small_fleets import one_sentence, published, read_yearly, rodfleet, rods

PATIENCE_S = 90

# Stands in for the network: every name that a process of the night looks up is written down, and only this
# machine's own are answered.
WATCHED = """
import os, socket
_real = socket.getaddrinfo
def getaddrinfo(host, *given, **named):
    with open(os.environ["LOOKED_UP"], "a") as out:
        out.write(f"{host}\\n")
    if host not in (None, "", "localhost", "127.0.0.1", "::1", "0.0.0.0"):
        raise socket.gaierror(f"{host} is outside")
    return _real(host, *given, **named)
socket.getaddrinfo = getaddrinfo
"""


def _start(fleet: Path, watch: Path) -> subprocess.Popen[bytes]:
    (watch / "sitecustomize.py").write_text(WATCHED, encoding="utf-8")
    env = {k: v for k, v in os.environ.items() if not k.startswith("PREFECT_") and k != "DO_NOT_TRACK"}
    env |= {
        "PYTHONPATH": os.pathsep.join([str(watch), str(Path.cwd())]),
        "LOOKED_UP": str(watch / "looked_up"),
    }
    words = [sys.executable, "-m", "pipeline.cli", "--fleet", str(fleet), "nightly", str(fleet / "field")]
    # Into files: a server that outlives its night would hold a pipe open.
    with (watch / "said").open("w") as said, (watch / "faults").open("w") as faults:
        return subprocess.Popen(words, env=env, stdout=said, stderr=faults, start_new_session=True)


def _report(fleet: Path) -> dict[str, Any]:
    try:
        found = json.loads((fleet / "out" / night.REPORT).read_text(encoding="utf-8"))
    except OSError:
        return {"steps": []}
    assert isinstance(found, dict)
    return found


def _servers(fleet: Path) -> set[int]:
    """Give the processes that have their Prefect home in the fleet's folder and are not the night itself."""
    mark, found = f"PREFECT_HOME={fleet / '.prefect'}".encode(), set()
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            if mark in (process / "environ").read_bytes().split(b"\0"):
                found.add(int(process.name))
    return found


def _until_loaded(fleet: Path, process: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + PATIENCE_S
    while "load" not in [s["name"] for s in _report(fleet)["steps"]]:
        assert process.poll() is None, "the night ended early"
        assert time.monotonic() < until, "the night did not come to its end of loading"
        time.sleep(0.05)


@dataclass(frozen=True)
class Night:
    """A night that was killed after loading, and the night after it."""

    fleet: Path
    watch: Path
    killed: dict[str, Any]
    left: set[int]
    status: int
    said: str
    faults: str


@pytest.fixture(scope="module")
def second(tmp_path_factory: pytest.TempPathFactory) -> Night:
    fleet, watch = tmp_path_factory.mktemp("night"), tmp_path_factory.mktemp("watch")
    small = read_yearly(rods(2, 3), 2018, 2024)
    for k, row in enumerate(small.tables["readings"]):
        row["current_a"] = 14.0 if k == 0 else 0.0
    field = small.write(fleet)
    (field / "works.csv").write_text("site_id,work\nS01,surge\n", encoding="utf-8")
    first = _start(fleet, watch)
    processes = [first]
    try:
        _until_loaded(fleet, first)
        first.kill()
        first.wait()
        left, killed = _servers(fleet), _report(fleet)
        processes.append(_start(fleet, watch))
        status = processes[1].wait(timeout=PATIENCE_S)
        said, faults = ((watch / name).read_text(encoding="utf-8") for name in ("said", "faults"))
        return Night(fleet, watch, killed, left, status, said, faults)
    finally:
        for process in processes:  # each leads a session of its own, its Prefect server in it
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def test_a_killed_night_has_written_down_what_it_had_done(second: Night) -> None:
    assert second.killed["finished_at"] is None
    assert second.killed["ok"] is False
    assert [s["name"] for s in second.killed["steps"]] == ["load"]


def test_the_next_night_recovers_and_says_that_the_one_before_was_cut_off(second: Night) -> None:
    report = _report(second.fleet)
    steps = {s["name"]: s for s in report["steps"]}
    assert list(steps) == ["night before", "load", "attend first", "run"]
    assert "was cut off; done: load." in steps["night before"]["lines"][0]
    assert report["finished_at"] is not None
    assert (
        "0 taken, 50 held" in steps["load"]["lines"][0]
    )  # nothing that was loaded was lost, nothing is loaded twice


@pytest.mark.skipif(not Path("/proc/self/environ").exists(), reason="processes are told apart by /proc")
def test_the_server_that_a_killed_night_left_is_ended(second: Night) -> None:
    assert second.left
    assert not second.left & _servers(second.fleet)


def test_a_spoilt_file_fails_the_night_and_nothing_else(second: Night) -> None:
    assert second.status == 1, second.faults
    steps = {s["name"]: s for s in _report(second.fleet)["steps"]}
    assert not steps["load"]["ok"]
    assert "works.csv: refused as a whole: the column done_on is missing" in steps["load"]["lines"][1]
    assert steps["attend first"]["ok"]
    assert "ATTEND FIRST" in steps["attend first"]["lines"][0]
    assert steps["run"]["ok"]
    assert published(second.fleet)["attend_first"]["value"].to_list() == [14.0]
    assert "Page: " in second.said
    (error,) = [line for line in second.faults.splitlines() if line.startswith("Error:")]
    assert "is published, but not every step went well" in error
    assert "Traceback" not in second.said + second.faults


def test_the_night_looks_nothing_up_outside_and_keeps_its_home_in_the_fleet(second: Night) -> None:
    hosts = set((second.watch / "looked_up").read_text(encoding="utf-8").split())
    assert hosts
    assert hosts <= {"None", "localhost", "127.0.0.1", "::1", "0.0.0.0"}
    assert (second.fleet / ".prefect").is_dir()


def test_status_tells_of_the_failed_night(second: Night) -> None:
    said = rodfleet(second.fleet, "status").output
    assert "FAILED in: night before, load." in said
    assert "works.csv: refused as a whole" in said


def test_a_held_store_is_one_sentence_and_the_shown_run_stays(second: Night) -> None:
    shown = (second.fleet / "out/current").resolve()
    hold = (
        "import duckdb, sys, time; c = duckdb.connect(sys.argv[1]); print('held', flush=True); time.sleep(60)"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", hold, str(second.fleet / "store.duckdb")], stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    try:
        assert holder.stdout.readline() == "held\n"
        words = f"in use by process {holder.pid}"
        assert words in one_sentence(rodfleet(second.fleet, "nightly", second.fleet / "field"), 1)
        assert words in one_sentence(rodfleet(second.fleet, "run"), 1)
        assert words in one_sentence(rodfleet(second.fleet, "load", second.fleet / "field"), 1)
        assert words in one_sentence(rodfleet(second.fleet, "status"), 1)
    finally:
        holder.kill()
        holder.communicate()
    report = _report(second.fleet)
    assert [(s["name"], s["ok"]) for s in report["steps"]] == [("store", False)]
    assert words in report["steps"][0]["lines"][0]
    assert (second.fleet / "out/current").resolve() == shown


def test_where_prefect_fails_the_night_goes_on_without_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "prefect", None)  # importing it raises ImportError
    monkeypatch.setattr(flow, "offline", lambda _: None)
    done: list[str] = []

    def step(name: str) -> Step:
        done.append(name)
        return Step(name, True)

    def run(*_: Any, **__: Any) -> RunResult:
        done.append("run")
        return RunResult("r1", tmp_path / "index.html", ["3 sites."])

    monkeypatch.setattr(flow, "load_inbox", lambda *_: step("load"))
    monkeypatch.setattr(flow, "attend_first", lambda *_: step("attend first"))
    monkeypatch.setattr(flow.stages, "run_fleet", run)
    result = flow.nightly(tmp_path, Settings.load(tmp_path), [], lambda _: None)
    assert done == ["load", "attend first", "run"]
    assert not result.ok
    assert result.run_id == "r1"
    assert any("Prefect could not carry the night (ModuleNotFoundError" in line for line in result.lines)


def test_a_step_that_fails_in_an_unforeseen_way_does_not_stop_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: Any, **__: Any) -> None:
        raise ValueError("no such thing")

    monkeypatch.setattr(flow, "load", fails)
    settings = Settings.load(tmp_path)
    (tmp_path / "inbox").mkdir()

    def loading() -> Step:
        return flow.load_inbox(tmp_path, settings, [tmp_path / "inbox"], date.today())

    step = night.guarded("load", loading)
    assert step == Step("load", False, ("Not foreseen: ValueError: no such thing",))
