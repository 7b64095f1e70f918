"""The files: same bytes from the same seed, and each planted mistake at the line that the truth names."""

import csv
import gzip
import hashlib
import json
import time
from datetime import date
from pathlib import Path
from typing import Any

import fastexcel
import polars as pl
import pytest

from synthetic_fleet.fleet import Written, simulate, synthesize
from synthetic_fleet.mistakes import SHARES
from synthetic_fleet.sheet_mistakes import SHEET_SHARES
from synthetic_fleet.workbook import PIN_HEADINGS, READING_HEADINGS, SOIL_HEADINGS

SITES = 24
BUDGET_S = 20.0  # for 300 sites
# Headings of each crew: well, moment, resistance, the cell that says how it went, current.
CELLS = {
    "csv": ("well_id", "taken_at", "resistance_ohm", "outcome", "current_a"),
    "xlsx": ("Well", "Date", "Loop resistance (ohm)", "Result", "Current (mA)"),
    "jsonl": ("tag", "ts", "r", "st", "i_ma"),
}


@pytest.fixture(scope="module")
def crews(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return synthesize(tmp_path_factory.mktemp("crews"), sites=SITES, seed=9)


def _digests(folder: Path) -> dict[str, str]:
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def _sheet(path: Path, name: str) -> pl.DataFrame:
    return fastexcel.read_excel(path).load_sheet(name, header_row=2, dtypes="string").to_polars()


def _rows(path: Path) -> tuple[str, dict[int, dict[str, Any]]]:
    """Read a file's rows by line with nothing of the program: its form, and its cells by heading."""
    if path.suffix == ".xlsx":
        sheet = _sheet(path, "Rod readings")
        return "xlsx", dict(enumerate(sheet.iter_rows(named=True), 4))
    raw = path.read_bytes()
    lines = (gzip.decompress(raw) if path.suffix == ".gz" else raw).decode().splitlines()
    if ".jsonl" in path.name:
        return "jsonl", {i: json.loads(line) for i, line in enumerate(lines, 1)}
    return "csv", dict(enumerate(csv.DictReader(lines), 2))


@pytest.mark.parametrize("layouts", ["crews", "contract"])
def test_same_seed_same_bytes(tmp_path: Path, layouts: str) -> None:
    for name in ("one", "two"):
        synthesize(tmp_path / name, sites=6, seed=3, layouts=layouts)
        time.sleep(1.1 if name == "one" else 0)  # a time of making would show
    synthesize(tmp_path / "other", sites=6, seed=4, layouts=layouts)
    assert _digests(tmp_path / "one") == _digests(tmp_path / "two")
    assert _digests(tmp_path / "one") != _digests(tmp_path / "other")


def test_files_are_those_of_the_layouts(crews: Written) -> None:
    found = {str(p.relative_to(crews.folder).as_posix()) for p in crews.folder.rglob("*") if p.is_file()}
    assert found == set(crews.files) | {
        "truth/electrodes.parquet",
        "truth/mistakes.parquet",
        "truth/files.txt",
    }
    page = Path(__file__).parents[2] / "synthetic_fleet" / "LAYOUTS.md"
    written = page.read_text(encoding="utf-8")
    for name in crews.files:
        assert f"`{name.split('/')[1]}`" in written, name
    for heading in (*READING_HEADINGS, *SOIL_HEADINGS, *PIN_HEADINGS):
        assert f"`{heading}`" in written, heading


def test_rows_of_the_files_are_those_that_were_read(crews: Written) -> None:
    total = sum(len(_rows(crews.folder / f)[1]) for f in crews.files if not f.startswith("office/"))
    assert total == crews.readings
    truth = pl.read_parquet(crews.folder / "truth/electrodes.parquet")
    assert truth.equals(crews.truth)


def test_every_kind_of_mistake_is_planted(crews: Written) -> None:
    assert set(crews.mistakes["kind"]) == set(SHARES) | set(SHEET_SHARES)
    assert crews.mistakes.equals(pl.read_parquet(crews.folder / "truth/mistakes.parquet"))


def _shows(kind: str, form: str, row: dict[str, Any], true: dict[str, Any], before: dict[str, Any]) -> bool:
    """Say whether a row shows the mistake that the truth says it has."""
    well, moment, ohm, outcome, amp = (row.get(h) or None for h in CELLS[form])
    day = true["taken_at"].isoformat() if form != "xlsx" else true["taken_at"].strftime("%d/%m/%Y")
    right_day = str(moment).startswith((day, true["taken_at"].isoformat()))
    own_well = well == true["electrode_id"][:-2]
    checks = {
        "duplicate": row == before,
        "well_number_only": str(well).isdigit(),
        "empty_cells": ohm is None and outcome is None and amp is None,
        "unknown_electrode": "-W9" in str(well),
        "text_in_number": any(c in str(ohm) for c in ("a", "e", "?", "--")),
        "impossible_date": any(c in str(moment) for c in ("02-31", "06-31", "31/02", "31/06")),
        "future_date": "2091" in str(moment),
        "before_installation": own_well and not right_day,
        "swapped_wells": not own_well and right_day,
    }
    numeric = kind in ("decimal_slipped", "kilo_ohm", "corrected_later", *SHEET_SHARES)
    return checks.get(kind, numeric and own_well and right_day and ohm is not None)


def test_each_mistake_stands_at_its_line(crews: Written) -> None:
    for file, group in crews.mistakes.group_by("file"):
        form, rows = _rows(crews.folder / str(file[0]))
        other = 0
        for true in group.iter_rows(named=True):
            line, kind = true["line"], true["kind"]
            assert _shows(kind, form, rows[line], true, rows.get(line - 1, {})), (file, line, kind)
            other += kind == "text_in_number" and _shows(kind, form, rows[line - 1], true, {})
        assert other <= 1  # the check can fail: a neighbour's cell holds a number


def test_a_wrong_value_is_wrong_by_its_factor(crews: Written) -> None:
    """Against the level that the rod really had: a slip of ten or a thousand can't hide in noise."""
    plain = simulate(SITES, seed=9, mistakes=False)
    keys = ["electrode_id", "day"]
    level = (
        plain.tables["readings"]
        .with_columns(day=pl.col("taken_at").dt.date())
        .group_by(keys)
        .agg(pl.col("resistance_ohm").first())
    )
    seen = 0
    for true in crews.mistakes.filter(pl.col("kind").is_in(["kilo_ohm", "decimal_slipped"])).iter_rows(
        named=True
    ):
        form, rows = _rows(crews.folder / true["file"])
        value = float(str(rows[true["line"]][CELLS[form][2]]).replace(",", "."))
        ohm = level.filter(
            (pl.col("electrode_id") == true["electrode_id"]) & (pl.col("day") == true["taken_at"])
        )
        factor = value / ohm["resistance_ohm"][0]
        wanted = [0.001] if true["kind"] == "kilo_ohm" else [10, 0.1]
        seen += 1
        if ohm["resistance_ohm"][0] > 1:
            assert any(factor == pytest.approx(w, rel=0.3) for w in wanted), true
    assert seen >= 2


def test_workbook_units_are_the_crew_s(crews: Written) -> None:
    fleet = simulate(SITES, seed=9)
    book = crews.folder / "wendrick/Wendrick rod log.xlsx"
    ours = fleet.tables["soundings"].filter(pl.col("site_id").str.starts_with("WEN"))
    feet = _sheet(book, "Four pin")["Pin spacing (ft)"].str.replace(",", ".").cast(pl.Float64)
    assert (feet * 0.3048 - ours["spacing_m"]).abs().max() < 0.01
    samples = _sheet(book, "Soil samples")
    surveys = fleet.tables["soil_surveys"].filter(pl.col("site_id").str.starts_with("WEN"))
    rho = samples["Resistivity (ohm-cm)"].str.replace(",", ".").cast(pl.Float64) / 100
    assert (rho - surveys["resistivity_ohm_m"]).abs().max() < 0.006
    log = _sheet(book, "Rod readings")
    temp = log["Soil temp (F)"].drop_nulls().str.replace(",", ".").cast(pl.Float64)
    assert 40 < temp.mean() < 70
    rings = log["Check ring (ohm)"].drop_nulls()
    rings = rings.filter(rings.str.contains(r"[.,]"))  # a whole number has no mark
    assert rings.str.contains(",").mean() == pytest.approx(1 / 7, abs=0.05)


def test_contract_layout_is_one_csv_a_table(tmp_path: Path) -> None:
    done = synthesize(tmp_path, sites=6, seed=3, layouts="contract")
    tables = simulate(6, seed=3).tables
    assert set(done.files) == {f"{t}.csv" for t in tables}
    readings = pl.read_csv(tmp_path / "readings.csv", infer_schema=False)
    assert readings.height == done.readings
    assert pl.read_csv(tmp_path / "sites.csv")["site_id"].to_list() == tables["sites"]["site_id"].to_list()


def test_a_fleet_written_before_is_replaced_and_the_rest_is_left(tmp_path: Path) -> None:
    synthesize(tmp_path, sites=6, seed=3, layouts="contract")
    (tmp_path / "fleet.toml").write_text("")
    done = synthesize(tmp_path, sites=6, seed=3)
    assert not (tmp_path / "readings.csv").exists()
    assert (tmp_path / "fleet.toml").exists()
    assert all((tmp_path / f).exists() for f in done.files)


def test_unknown_layout_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no layout 'paper'"):
        synthesize(tmp_path, sites=2, layouts="paper")


def test_three_hundred_sites_are_written_in_good_time(tmp_path: Path) -> None:
    began = time.perf_counter()
    done = synthesize(tmp_path, sites=300, seed=1)
    assert time.perf_counter() - began < BUDGET_S
    assert done.electrodes >= 2500
    assert done.truth["crossing_age"].null_count() == 0
    assert done.mistakes["taken_at"].max() <= date(2025, 12, 31)
