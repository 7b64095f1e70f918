"""A line of units below the headings is believed or asked about, never passed over."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.intake.load import LoadReport, load
from pipeline.intake.tables import READINGS
from pipeline.intake.unit_guess import guess_unit
from pipeline.store import Store

TODAY = date(2026, 11, 24)
HEAD = "well_id,taken_at,resistance_ohm,current_a\n"
ROWS = "W1,2020-05-01,1100,350\nW1,2020-06-01,1200,20\n"


def _load(folder: Path, units: str, layout: str = "") -> tuple[LoadReport, list[tuple[object, ...]]]:
    field, layouts = folder / "field", folder / "layouts"
    field.mkdir()
    layouts.mkdir()
    (field / "sites.csv").write_text("site_id,site_name\nA,Aber Moor\n", encoding="utf-8")
    rods = "electrode_id,site_id,well_id,installed_on\nA-1,A,W1,2000-05-01\n"
    (field / "electrodes.csv").write_text(rods, encoding="utf-8")
    (field / "readings.csv").write_text(HEAD + units + ROWS, encoding="utf-8")
    if layout:
        (layouts / "crew.toml").write_text(layout, encoding="utf-8")
    with Store.open(folder / "s.duckdb") as store:
        report = load(store, [field], TODAY, lambda _: None, [layouts])
        got = store.table("core_readings").sort("taken_at").select("resistance_ohm", "current_a").rows()
    return report, got


@pytest.mark.parametrize(
    "units", [",,mohm,mA\n", ",,[m\u03a9],[mA]\n", ",,k\u03a9,A\n", ",,,mA\n", "\n,,,(mA)\n"]
)
def test_units_that_the_columns_are_not_read_in_hold_the_sheet_back(tmp_path: Path, units: str) -> None:
    report, got = _load(tmp_path, units)
    assert not report.ok
    assert got == []
    told = " ".join(report.lines())
    assert "a line below the headings says" in told
    assert "source profile" in told


@pytest.mark.parametrize("units", ["", ",,ohm,A\n", ",,[\u03a9],[A]\n"])
def test_units_that_are_the_columns_own_stand_in_no_ones_way(tmp_path: Path, units: str) -> None:
    report, got = _load(tmp_path, units)
    assert report.ok
    assert got == [(1100.0, 350.0), (1200.0, 20.0)]


def test_a_profile_that_gives_those_units_takes_the_rows(tmp_path: Path) -> None:
    layout = (
        'files = ["readings.csv"]\n[[maps]]\ntable = "readings"\n[maps.columns]\n'
        'well_id = "well_id"\ntaken_at = "taken_at"\n'
        'resistance_ohm = { from = "resistance_ohm", unit = "mohm" }\n'
        'current_a = { from = "current_a", unit = "mA" }\n'
    )
    report, got = _load(tmp_path, ",,m\u03a9,mA\n", layout)
    assert report.ok
    assert [v for row in got for v in row] == pytest.approx([1.1, 0.35, 1.2, 0.02])


def test_a_line_of_units_is_no_unit_in_each_cell() -> None:
    column = next(c for c in READINGS.columns if c.name == "resistance_ohm")
    guess = guess_unit(
        "resistance", pl.Series(["m\u03a9", "1100", "1200"]), pl.Series([1100.0, 1200.0]), column
    )
    assert guess.unit != "in_cell"
