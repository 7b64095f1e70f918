"""Runs under a kept calibration: made again to the last bit, and calibrated anew where it holds no more."""

import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from polars.testing import assert_frame_equal

from pipeline import inference
from pipeline.calibrations import kept_calibrations, read_calibration
from pipeline.errors import RequestError
from pipeline.settings import Settings
from pipeline.stages import run_fleet
from pipeline.store import Store
from tests.flows.small_fleets import (
    facts,
    loaded_and_run,
    one_sentence,
    published,
    read_yearly,
    rodfleet,
    rods,
)

_SITES, _WELLS = 4, 3


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a small fleet, loaded and run once, so that one calibration is kept."""
    folder = tmp_path_factory.mktemp("kept")
    loaded_and_run(read_yearly(rods(_SITES, _WELLS), 2010, 2024, growth_per_year=0.02), folder)
    return folder


def _run(fleet: Path, asked: str = "latest", as_of: date | None = None) -> dict[str, Any]:
    settings = Settings.load(fleet)
    assert run_fleet(fleet, settings, as_of=as_of, say=lambda _: None, calibration=asked).ok
    found = facts(fleet)["calibrated"]
    assert isinstance(found, dict)
    return found


def test_a_second_run_is_made_under_the_first_ones_calibration_and_gives_its_tables(fleet: Path) -> None:
    first, by = published(fleet), facts(fleet)["calibrated"]
    assert (by["name"], by["anew"], by["why"]) == ("c1", True, "none is kept yet")
    with Store.open(Settings.load(fleet).store_path) as store:
        kept = kept_calibrations(store)
        cal = read_calibration(store)
    assert kept.select("sites", "electrodes", "readings").row(0) == (_SITES, 12, 12 * 15)
    assert kept["last_on"].item() == kept["as_of"].item() == first["electrode_outlook"]["as_of"][0]
    assert cal is not None
    if not cal.converged:
        pytest.fail("the small fleet's calibration must converge for this test")
    again = _run(fleet)
    assert (again["name"], again["anew"]) == ("c1", False)
    second = published(fleet)
    for name, table in first.items():
        assert_frame_equal(table, second[name], check_exact=True)


def test_one_is_fitted_anew_where_asked_where_stale_and_where_it_fits_no_more(
    fleet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert _run(fleet, "new")["name"] == "c2"
    early = _run(fleet, as_of=date(2020, 1, 1))
    assert (early["name"], early["why"]) == ("c3", "those that are kept look from after 2020-01-01")
    newer = _run(fleet)
    assert (newer["name"], newer["anew"]) == ("c2", False)
    monkeypatch.setattr(inference, "fits_worse", lambda *_: "fits no more: as the test says")
    worse = _run(fleet)
    assert (worse["name"], worse["anew"]) == ("c4", True)
    assert worse["why"] == "c2 fits no more: as the test says"


def test_one_asked_for_by_name_is_used_whatever_speaks_against_it(fleet: Path) -> None:
    by = _run(fleet, "c1", as_of=date(2020, 1, 1))
    assert (by["name"], by["why"]) == ("c1", "asked for by name")
    warned = " ".join(facts(fleet)["warnings"])
    assert "Calibration c1 was asked for by name: it was fitted to readings up to 2024-" in warned
    with pytest.raises(RequestError, match="No calibration 'spring' is kept"):
        _run(fleet, "spring")
    asked = rodfleet(fleet, "run", "--calibration", "cc1")
    assert "No calibration 'cc1' is kept (did you mean c1" in one_sentence(asked, 2)


def test_status_lists_the_calibrations_the_newest_first(fleet: Path) -> None:
    _run(fleet, "new")
    with Store.open(Settings.load(fleet).store_path, read_only=True) as store:
        kept = kept_calibrations(store)
    said = rodfleet(fleet, "status").output
    listed = [line.split()[0] for line in said.splitlines() if ", as of 20" in line and line.startswith("  ")]
    assert listed == kept["name"].to_list()
    newest = kept.row(0, named=True)
    assert (
        f"{newest['name']}  {newest['fitted_at']:%Y-%m-%d %H:%M}, as of {newest['as_of']}: asked for." in said
    )


def test_a_night_says_what_a_full_run_under_the_same_calibration_says(tmp_path: Path) -> None:
    night, full = tmp_path / "night", tmp_path / "full"
    fleet = read_yearly(rods(_SITES, _WELLS), 2010, 2024, growth_per_year=0.02)
    night.mkdir()
    (night / "fleet.toml").write_text("recalibrate_days = 400\n", encoding="utf-8")
    loaded_and_run(fleet, night)
    shutil.copytree(night, full, ignore=shutil.ignore_patterns("out"))
    last = fleet.tables["readings"][-1]
    fleet.tables["readings"] = [{**last, "taken_at": date(2025, 1, 20), "resistance_ohm": 71.0}]
    for folder in (night, full):
        assert rodfleet(folder, "load", fleet.write(folder / "later")).exit_code == 0
    assert (_run(night)["name"], facts(night)["as_of"]) == ("c1", "2025-01-20")
    assert _run(full, "c1")["name"] == "c1"
    one, other = published(night), published(full)
    assert one["electrode_outlook"]["last_taken_on"].max() == date(2025, 1, 20)
    for name, table in one.items():
        if name not in ("load_books", "refused_rows"):  # these tell when and from where
            assert_frame_equal(table, other[name], check_exact=True)


def test_a_fleet_that_has_grown_is_calibrated_anew(fleet: Path) -> None:
    more = read_yearly(rods(_SITES + 1, _WELLS), 2010, 2024, growth_per_year=0.02)
    assert rodfleet(fleet, "load", more.write(fleet / "more")).exit_code == 0
    by = _run(fleet)
    assert by["anew"]
    assert "was fitted to 180 readings, now there are 225" in by["why"]
