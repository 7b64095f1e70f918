"""Publishing: one step from whole run to whole run, whatever fails on the way."""

import json
import os
import shutil
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

import reports.build
import reports.pages
from pipeline import publish as publishing
from pipeline.errors import WorkError
from pipeline.publish import KEEP_RUNS, publish, swap, tidy
from tests.unit.staged_run import write_staged_run

Run = tuple[dict[str, pl.DataFrame], dict[str, Any]]


@pytest.fixture(scope="module")
def staged(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Give the tables and facts of a small made-up run."""
    folder = write_staged_run(tmp_path_factory.mktemp("staged"), years=4)
    tables = {p.stem: pl.read_parquet(p) for p in folder.glob("*.parquet")}
    return tables, json.loads((folder / "run.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def first_run(staged: Run, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give an output folder with one run shown, to be left as it is."""
    output = tmp_path_factory.mktemp("first") / "out"
    assert publish(output, "run-1", *staged) == output / "current/index.html"
    return output


@pytest.fixture
def shown(first_run: Path, tmp_path: Path) -> Path:
    """Give an output folder of its own with one run shown."""
    return Path(shutil.copytree(first_run, tmp_path / "out", symlinks=True))


def _fake_run(output: Path, run_id: str) -> None:
    folder = output / "runs" / run_id
    folder.mkdir(parents=True)
    for name in ("a", "b"):
        (folder / name).write_text(run_id, encoding="utf-8")


def _old_run_stands(output: Path) -> bool:
    left = {p.name for p in (output / "runs").iterdir()}
    hidden = [p.name for p in output.iterdir() if p.name.startswith(".")]
    current = output / "current"
    whole = (current / "index.html").is_file() and (current / "electrode_outlook.parquet").is_file()
    return whole and left == {"run-1"} and hidden == []


def test_a_run_is_shown_whole_and_its_pages_lead_to_its_tables(shown: Path) -> None:
    assert _old_run_stands(shown)
    assert (shown / "current").is_symlink()
    assert json.loads((shown / "current/run.json").read_text(encoding="utf-8"))["as_of"]


@pytest.mark.parametrize(
    "fault", [OSError(28, "No space left on device"), PermissionError(13, "Permission denied")]
)
@pytest.mark.parametrize("where", ["stage", "build", "replace", "symlink and copy"])
def test_a_disk_that_fails_leaves_the_old_run(
    shown: Path, staged: Run, monkeypatch: pytest.MonkeyPatch, where: str, fault: OSError
) -> None:
    def fails(*_: Any, **__: Any) -> None:
        raise fault

    if where == "replace":
        monkeypatch.setattr(os, "replace", fails)
    elif where == "symlink and copy":
        monkeypatch.setattr(Path, "symlink_to", fails)
        monkeypatch.setattr(shutil, "copytree", fails)
    else:
        monkeypatch.setattr(publishing, where, fails)
    with pytest.raises(
        WorkError, match=r"could not be published in .*the run shown before stays in place\. Make room"
    ):
        publish(shown, "run-2", *staged)
    assert _old_run_stands(shown)


def test_a_really_full_disk_leaves_the_old_run(shown: Path, staged: Run, tmp_path: Path) -> None:
    small = tmp_path / "small"
    small.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(small)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("a small file system can be mounted by root alone")
    try:
        shutil.copytree(shown, small / "out", symlinks=True, ignore=shutil.ignore_patterns("assets-*"))
        with pytest.raises(WorkError, match="No space left on device"):
            publish(small / "out", "run-2", *staged)
        assert _old_run_stands(small / "out")
    finally:
        subprocess.run(["umount", str(small)], check=True)


def test_a_page_that_fails_leaves_the_old_run_and_is_named(
    shown: Path, staged: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: Any) -> str:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setitem(reports.pages.environment().filters, "whole", fails)
    place = r"the page \w+\.html, line \d+ of its template,"
    with pytest.raises(
        WorkError, match=rf"{place} failed with ZeroDivisionError \(division by zero\)"
    ) as said:
        publish(shown, "run-2", *staged)
    assert "the run shown before stays in place" in str(said.value)
    assert "--debug" in str(said.value)
    assert _old_run_stands(shown)


def test_numbers_that_fail_are_named_by_their_place(
    shown: Path, staged: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: Any) -> None:
        raise KeyError("soil")

    monkeypatch.setattr(reports.build, "readings_page", fails)
    with pytest.raises(WorkError, match=r"write_pages in build\.py, line \d+, failed with KeyError"):
        publish(shown, "run-2", *staged)
    assert _old_run_stands(shown)

    def noted(*_: Any) -> None:
        fault = KeyError("soil")
        fault.add_note("the page sites/x.html")
        raise fault

    monkeypatch.setattr(reports.build, "readings_page", noted)
    with pytest.raises(WorkError, match=r"the page sites/x\.html failed with KeyError"):
        publish(shown, "run-2", *staged)


def test_an_interrupt_leaves_the_old_run(shown: Path, staged: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(publishing, "build", interrupted)
    with pytest.raises(KeyboardInterrupt):
        publish(shown, "run-2", *staged)
    assert _old_run_stands(shown)


def test_a_reader_never_meets_a_missing_or_mixed_run(tmp_path: Path) -> None:
    for k in range(2):
        _fake_run(tmp_path, f"run-{k}")
    swap(tmp_path, "run-0")
    seen: list[tuple[str, str]] = []
    faults: list[BaseException] = []
    done = threading.Event()

    def read() -> None:
        while not done.is_set():
            try:
                run = (tmp_path / "current").resolve(strict=True)
                seen.append(
                    ((run / "a").read_text(encoding="utf-8"), (run / "b").read_text(encoding="utf-8"))
                )
            except OSError as fault:
                faults.append(fault)

    reader = threading.Thread(target=read)
    reader.start()
    for k in range(20):
        swap(tmp_path, f"run-{k % 2}")
    done.set()
    reader.join()
    assert faults == []
    assert seen
    assert all(a == b for a, b in seen)


def _without_links(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: Any, **__: Any) -> None:
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "symlink_to", refused)


def test_where_links_cannot_be_made_the_run_is_copied(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for k in range(3):
        _fake_run(tmp_path, f"run-{k}")
    swap(tmp_path, "run-0")
    _without_links(monkeypatch)
    for k in (1, 2):
        swap(tmp_path, f"run-{k}")
        assert not (tmp_path / "current").is_symlink()
        assert (tmp_path / "current/a").read_text(encoding="utf-8") == f"run-{k}"
    monkeypatch.undo()
    swap(tmp_path, "run-0")
    assert (tmp_path / "current").is_symlink()
    assert {p.name for p in tmp_path.iterdir()} == {"current", "runs"}


def test_a_swap_without_links_that_is_cut_off_is_mended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for k in range(2):
        _fake_run(tmp_path, f"run-{k}")
    _without_links(monkeypatch)
    swap(tmp_path, "run-0")
    real: Callable[..., None] = os.replace

    def second_fails(source: Path, target: Path) -> None:
        if Path(target).name == "current" and ".old" not in Path(source).name:
            raise OSError(5, "Input/output error")
        real(source, target)

    monkeypatch.setattr(os, "replace", second_fails)
    with pytest.raises(OSError, match="Input/output"):
        swap(tmp_path, "run-1")
    assert (tmp_path / "current/a").read_text(encoding="utf-8") == "run-0"
    monkeypatch.setattr(os, "replace", real)
    os.replace(tmp_path / "current", tmp_path / ".current.old")  # killed between the two renames
    swap(tmp_path, "run-1")
    assert (tmp_path / "current/a").read_text(encoding="utf-8") == "run-1"
    assert {p.name for p in tmp_path.iterdir()} == {"current", "runs"}


def test_tidy_keeps_the_newest_runs_and_the_shown_one(tmp_path: Path) -> None:
    for k in range(KEEP_RUNS + 4):
        _fake_run(tmp_path, f"run-{k:02d}")
    dead = subprocess.Popen(["true"])
    dead.wait()
    living = tmp_path / "runs" / f".run-98.{os.getppid()}.building"
    killed = tmp_path / "runs" / f".run-99.{dead.pid}.building"
    for folder in (living, killed):
        folder.mkdir()
    (tmp_path / f".current.{dead.pid}").symlink_to("runs/run-00")
    swap(tmp_path, "run-00")
    tidy(tmp_path)
    kept = sorted(p.name for p in (tmp_path / "runs").iterdir())
    newest = [f"run-{k:02d}" for k in range(5, KEEP_RUNS + 4)]
    assert kept == [living.name, "run-00", *newest]
    assert len(newest) == KEEP_RUNS - 1
    assert {p.name for p in tmp_path.iterdir()} == {"current", "runs"}
