"""The command line: exit statuses, sentences, help; the stages behind it are stood in for."""

import json
import subprocess
import sys
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from click.testing import CliRunner, Result

from pipeline.cli import main
from pipeline.errors import StoreError
from pipeline.result import RunResult
from pipeline.settings import Settings

SITES = "site_id,site_name\nA,Aber Moor\n"
ELECTRODES = "electrode_id,site_id,well_id,installed_on\nA-1,A,A-W1,2000-01-01\n"
READINGS = "well_id,taken_at,resistance_ohm\nA-W1,2010-03-01,12.5\nA-W1,2010-03-01,wet\n"


def _rodfleet(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(w) for w in words])


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    field = tmp_path / "field"
    field.mkdir()
    for name, text in (("sites", SITES), ("electrodes", ELECTRODES), ("readings", READINGS)):
        (field / f"{name}.csv").write_text(text, encoding="utf-8")
    return tmp_path


@pytest.fixture
def stand_in(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[Any]]:
    """Put a function in the place of a stage; gives the list of the calls made to it."""

    def put(module: str, function: str, result: RunResult | Exception) -> list[Any]:
        calls: list[Any] = []

        def called(*given: Any, **named: Any) -> RunResult:
            calls.append((given, named))
            if isinstance(result, Exception):
                raise result
            return result

        stage = sys.modules.get(module)
        if stage is None or not getattr(stage, "stood_in", False):
            stage = ModuleType(module)
            stage.stood_in = True  # type: ignore[attr-defined]
            monkeypatch.setitem(sys.modules, module, stage)
        setattr(stage, function, called)
        return calls

    return put


@pytest.fixture
def quiet(stand_in: Callable[..., list[Any]]) -> list[Any]:
    return stand_in("pipeline.stages", "attend_first", RunResult("r", lines=["Attend first: nothing found."]))


def _one_sentence(result: Result, status: int) -> str:
    assert result.exit_code == status, result.output
    (line,) = [line for line in result.output.splitlines() if line.startswith("Error:")]
    assert "Traceback" not in result.output
    assert line.endswith(".")
    return line


def test_without_a_command_the_help_tells_the_order() -> None:
    result = _rodfleet()
    assert result.exit_code == 0
    order = [
        result.output.index(f"rodfleet {w}") for w in ("demo", "settings", "load", "status", "run", "nightly")
    ]
    assert order == sorted(order)
    for command in main.commands:
        assert _rodfleet(command, "--help").exit_code == 0
    assert set(main.commands) == {
        *("demo", "synthesize", "load", "run", "report", "nightly", "backtest", "hypothesis"),
        *("settings", "status", "check", "explain", "outlook", "refused", "profile", "names", "line"),
    }


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("frob",), "No such command 'frob'"),
        (("load",), "Missing argument 'PATHS...'"),
        (("load", "nowhere"), "There is no file or folder nowhere"),
        (("nightly", "nowhere"), "There is no file or folder nowhere"),
        (("--fleet", "nowhere", "status"), "There is no fleet folder nowhere"),
        (("run", "--as-of", "yesterday"), "'yesterday' is not a date such as 2026-03-14"),
        (("run", "--as-of", str(date.today() + timedelta(days=1))), "lies after today"),
        (("outlook", "--as-of", "soon"), "'soon' is not a date such as 2026-03-14"),
        (("run", "--calibration"), "Option '--calibration' requires an argument"),
        (("backtest",), "Missing option '--cut'"),
        (("hypothesis", "--between", "clay"), "Missing option '--and'"),
        (("synthesize", "x", "--sites", "0"), "--sites"),
        (("synthesize", "x", "--mechanism", "magic"), "magic"),
    ],
)
def test_a_wrong_request_is_status_2_and_one_sentence(
    words: tuple[str, ...], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert says in _one_sentence(_rodfleet(*words), 2)


def test_load_prints_the_books_and_what_to_attend_to_first(fleet: Path, quiet: list[Any]) -> None:
    result = _rodfleet("--fleet", fleet, "load", fleet / "field")
    assert result.exit_code == 0, result.output
    lines = [line.split() for line in result.output.splitlines()]
    assert ["readings.csv", "readings", "2", "1", "0", "1", "0"] in lines
    assert ["total", "4", "3", "0", "1", "0"] in lines
    assert "readings.csv, line 3: refused: resistance_ohm 'wet' is not a number" in result.output
    assert "Attend first: nothing found." in result.output
    assert len(quiet) == 1
    again = _rodfleet("--fleet", fleet, "load", fleet / "field")
    assert ["readings.csv", "readings", "2", "0", "1", "1", "0"] in [
        s.split() for s in again.output.splitlines()
    ]


def test_a_failing_list_of_dangers_never_hides_the_load(
    fleet: Path, stand_in: Callable[..., list[Any]]
) -> None:
    stand_in("pipeline.stages", "attend_first", ValueError("no currents"))
    result = _rodfleet("--fleet", fleet, "load", fleet / "field")
    assert "the list of dangers could not be made" in _one_sentence(result, 1)
    assert "could not be made (no currents); the load is done" in result.output
    assert "total" in result.output


def test_a_file_refused_as_a_whole_is_status_1_with_the_rest_loaded(fleet: Path, quiet: list[Any]) -> None:
    (fleet / "field/works.csv").write_text("site_id,work\nA,surge\n", encoding="utf-8")
    result = _rodfleet("--fleet", fleet, "load", fleet / "field")
    assert "Not every file could be loaded" in _one_sentence(result, 1)
    assert "works.csv: refused as a whole: the column done_on is missing" in result.output
    assert len(quiet) == 1
    status = _rodfleet("--fleet", fleet, "status")
    assert "1 of them refused as a whole and still open." in status.output


def test_an_owners_source_profile_lies_in_the_fleet_folder(fleet: Path, quiet: list[Any]) -> None:
    assert quiet == []
    (fleet / "layouts").mkdir()
    (fleet / "layouts/pits.toml").write_text(
        '[[maps]]\ntable = "readings"\nfiles = ["pit*.csv"]\n'
        '[maps.columns]\nwell_id = "Pit"\ntaken_at = "Day"\nresistance_ohm = "R"\n',
        encoding="utf-8",
    )
    (fleet / "field/pit.csv").write_text("Pit,Day,R\nA-W1,2012-03-01,13\n", encoding="utf-8")
    result = _rodfleet("--fleet", fleet, "load", fleet / "field")
    assert ["pit.csv", "readings", "1", "1", "0", "0", "0"] in [s.split() for s in result.output.splitlines()]


def test_status_says_what_is_held_and_published(fleet: Path, quiet: list[Any]) -> None:
    assert "There is no store" in _one_sentence(_rodfleet("--fleet", fleet, "status"), 1)
    _rodfleet("--fleet", fleet, "load", fleet / "field")
    assert len(quiet) == 1
    result = _rodfleet("--fleet", fleet, "status")
    assert result.exit_code == 0
    assert ["readings", "1", "0", "1"] in [line.split() for line in result.output.splitlines()]
    assert "Readings from 2010-03-01 to 2010-03-01." in result.output
    assert "No run is published yet" in result.output
    assert "No calibration is kept yet; the first run fits one." in result.output
    assert "night" not in result.output
    (fleet / "out/current").mkdir(parents=True)
    (fleet / "out/current/run.json").write_text('{"run_id": "r7", "as_of": "2010-03-01"}', encoding="utf-8")
    assert "Published run: r7, as of 2010-03-01." in _rodfleet("--fleet", fleet, "status").output
    record = {"run_id": "r7", "as_of": "2010-03-01", "finished_at": "2010-03-02T04:05:06+01:00"}
    (fleet / "out/current/run.json").write_text(json.dumps(record), encoding="utf-8")
    result = _rodfleet("--fleet", fleet, "status")
    assert "Published run: r7, as of 2010-03-01, made on 2010-03-02 04:05." in result.output


def _night(fleet: Path, finished: str | None, *steps: tuple[str, bool, str]) -> str:
    report = {
        "started_at": "2010-03-02T02:00:00+01:00",
        "pid": 2**22 + 1,  # above the largest that Linux gives
        "finished_at": finished,
        "steps": [{"name": n, "ok": ok, "lines": [line]} for n, ok, line in steps],
    }
    (fleet / "out").mkdir(exist_ok=True)
    (fleet / "out/last_night.json").write_text(json.dumps(report), encoding="utf-8")
    return _rodfleet("--fleet", fleet, "status").output


def test_status_says_how_the_last_night_went(fleet: Path, quiet: list[Any]) -> None:
    _rodfleet("--fleet", fleet, "load", fleet / "field")
    assert len(quiet) == 1
    well = ("load", True, "3 files and sheets")
    assert "The last night (2010-03-02 02:00) went well." in _night(fleet, "2010-03-02T03:00:00+01:00", well)
    failed = _night(fleet, "2010-03-02T03:00:00+01:00", well, ("run", False, "The disk is full."))
    assert "The last night (2010-03-02 02:00) FAILED in: run." in failed
    assert "  run: The disk is full." in failed
    cut = _night(fleet, None, well)
    assert "The night that began at 2010-03-02T02:00:00+01:00 was cut off; done: load." in cut
    (fleet / "out/last_night.json").write_text("{", encoding="utf-8")
    assert "night" not in _rodfleet("--fleet", fleet, "status").output


def test_check_passes_on_a_sound_fleet_and_names_what_is_broken(fleet: Path, quiet: list[Any]) -> None:
    empty = _rodfleet("--fleet", fleet, "check")
    assert empty.exit_code == 0, empty.output
    assert "nothing is loaded" in empty.output
    _rodfleet("--fleet", fleet, "load", fleet / "field")
    assert len(quiet) == 1
    sound = _rodfleet("--fleet", fleet, "check")
    assert sound.exit_code == 0, sound.output
    assert "ok    store check books_close" in sound.output
    _spoil_the_books(fleet / "store.duckdb")
    broken = _rodfleet("--fleet", fleet, "check")
    assert "1 of" in _one_sentence(broken, 1)
    assert "FAIL  store check books_close" in broken.output


def _spoil_the_books(path: Path) -> None:
    import duckdb

    with duckdb.connect(str(path)) as connection:
        connection.execute("UPDATE raw_files SET rows_read = rows_read + 1 WHERE table_name = 'readings'")


def test_settings_prints_every_key_and_names_a_wrong_one(fleet: Path) -> None:
    (fleet / "fleet.toml").write_text("budget = 1000\n", encoding="utf-8")
    result = _rodfleet("--fleet", fleet, "settings")
    assert result.exit_code == 0
    assert "budget = 1000.0 money units" in result.output
    (fleet / "fleet.toml").write_text("bugdet = 1000\n", encoding="utf-8")
    assert "did you mean budget" in _one_sentence(_rodfleet("--fleet", fleet, "settings"), 2)


def test_run_hands_over_the_day_and_prints_the_page(fleet: Path, stand_in: Callable[..., list[Any]]) -> None:
    done = RunResult("r1", page=fleet / "out/current/index.html", lines=["3 sites ranked."])
    calls = stand_in("pipeline.stages", "run_fleet", done)
    result = _rodfleet("--fleet", fleet, "run", "--as-of", "2020-02-29")
    assert result.exit_code == 0, result.output
    assert "3 sites ranked." in result.output
    assert "index.html" in result.output
    (given, named) = calls[0]
    assert given[0] == fleet
    assert named["as_of"] == date(2020, 2, 29)
    (fleet / "fleet.toml").write_text("as_of = 2019-01-01\n", encoding="utf-8")
    _rodfleet("--fleet", fleet, "run")
    assert calls[1][1]["as_of"] == date(2019, 1, 1)


@pytest.mark.parametrize(
    ("module", "function", "command"),
    [("pipeline.stages", "run_fleet", "run"), ("pipeline.large_fleet", "large_outlook", "outlook")],
)
def test_a_calibration_is_handed_over_and_is_the_latest_unless_asked(
    fleet: Path, stand_in: Callable[..., list[Any]], module: str, function: str, command: str
) -> None:
    calls = stand_in(module, function, RunResult("", lines=["The outlook: out/large/x.parquet"]))
    (fleet / "fleet.toml").write_text("as_of = 2019-01-01\n", encoding="utf-8")
    result = _rodfleet("--fleet", fleet, command)
    assert result.exit_code == 0, result.output
    assert "The outlook: out/large/x.parquet" in result.output
    _rodfleet("--fleet", fleet, command, "--calibration", "c7", "--as-of", "2018-05-05")
    asked = [(named["calibration"], named["as_of"]) for _, named in calls]
    assert asked == [("latest", date(2019, 1, 1)), ("c7", date(2018, 5, 5))]


@pytest.mark.parametrize("command", ["run", "outlook"])
def test_a_calibration_that_is_not_kept_is_said_before_anything_is_done(fleet: Path, command: str) -> None:
    said = _one_sentence(_rodfleet("--fleet", fleet, command, "--calibration", "lates"), 2)
    assert said == "Error: No calibration 'lates' is kept (did you mean latest?); none is kept yet."
    assert not (fleet / "out" / "current").exists()


@pytest.mark.parametrize(
    ("module", "function", "words"),
    [
        ("pipeline.stages", "run_fleet", ("run",)),
        ("pipeline.large_fleet", "large_outlook", ("outlook",)),
        ("pipeline.stages", "report_again", ("report",)),
        ("pipeline.flow", "nightly", ("nightly",)),
        ("pipeline.backtest", "backtest", ("backtest", "--cut", "2020-01-01")),
        ("pipeline.questions", "ask", ("hypothesis", "--between", "clay", "--and", "sand")),
    ],
)
def test_work_that_did_not_go_well_is_status_1(
    fleet: Path, stand_in: Callable[..., list[Any]], module: str, function: str, words: tuple[str, ...]
) -> None:
    stand_in(module, function, RunResult("r1", lines=["a check failed"], ok=False))
    result = _rodfleet("--fleet", fleet, *words)
    assert "Not every step went well (see above); the run shown before stays" in _one_sentence(result, 1)
    assert "a check failed" in result.output
    stand_in(module, function, RunResult("r1", page=fleet / "index.html", ok=False))
    assert "Run r1 is published, but not every step" in _one_sentence(_rodfleet("--fleet", fleet, *words), 1)
    stand_in(module, function, StoreError("The store is in use by process 7; wait until it is done."))
    assert "process 7" in _one_sentence(_rodfleet("--fleet", fleet, *words), 1)
    stand_in(module, function, ZeroDivisionError("division by zero"))
    unforeseen = _one_sentence(_rodfleet("--fleet", fleet, *words), 1)
    assert "ZeroDivisionError: division by zero" in unforeseen
    assert "--debug" in unforeseen


def test_debug_shows_the_traceback(fleet: Path, stand_in: Callable[..., list[Any]]) -> None:
    stand_in("pipeline.stages", "run_fleet", ZeroDivisionError("division by zero"))
    result = _rodfleet("--debug", "--fleet", fleet, "run")
    assert result.exit_code == 1
    assert "Traceback" in result.output


def test_demo_goes_from_nothing_to_the_page_and_never_over_other_files(
    tmp_path: Path, stand_in: Callable[..., list[Any]], quiet: list[Any]
) -> None:
    folder = tmp_path / "demo"
    calls = stand_in("pipeline.stages", "run_fleet", RunResult("r1", page=folder / "out/current/index.html"))
    for _ in range(2):
        result = _rodfleet("demo", folder, "--sites", "4", "--seed", "3")
        assert result.exit_code == 0, result.output
        assert "Page: " in result.output
        assert "readings" in result.output
    assert len(calls) == 2
    assert len(quiet) == 2
    assert Settings.load(folder).budget == 400_000
    (folder / "fleet.toml").write_text("budget = 7\n", encoding="utf-8")
    _rodfleet("demo", folder, "--sites", "4", "--seed", "3")
    assert Settings.load(folder).budget == 7
    other = tmp_path / "thesis"
    other.mkdir()
    (other / "chapter.txt").write_text("mine", encoding="utf-8")
    assert "neither empty nor an earlier demo" in _one_sentence(_rodfleet("demo", other), 2)
    assert (other / "chapter.txt").read_text(encoding="utf-8") == "mine"


def test_the_help_needs_no_slow_library() -> None:
    slow = ("prefect", "polars", "duckdb", "scipy", "altair", "pandas")
    code = f"import sys, pipeline.cli; print([m for m in {slow} if m in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
