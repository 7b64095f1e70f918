"""A synthetic fleet of three crews goes through the intake: nothing is lost, no mistake unseen."""

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.intake.load import LoadReport, load
from pipeline.store import Store
from synthetic_fleet.fleet import synthesize

TODAY = date(2026, 11, 24)
SITES, SEED = 36, 5

# What the intake has to refuse; the others are plausible rows, left to the vetting of readings.
REFUSED = {
    *(
        "empty_cells",
        "unknown_electrode",
        "text_in_number",
        "impossible_date",
        "future_date",
        "before_installation",
    ),
}
TAKEN = {
    *("decimal_slipped", "kilo_ohm", "swapped_wells", "duplicate", "metal_loop", "open_clamp"),
    *("copied_reading", "copied_sheet", "frozen_ground", "campaign_off"),
}


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet") / "field"
    synthesize(folder, SITES, SEED)
    return folder


@pytest.fixture(scope="module")
def loaded(field: Path) -> Iterator[tuple[Store, LoadReport]]:
    with Store.open(field.parent / "store.duckdb") as store:
        yield store, load(store, [field], TODAY, lambda _: None)


def _mistakes(field: Path) -> pl.DataFrame:
    return pl.read_parquet(field / "truth/mistakes.parquet")


def test_every_row_of_every_file_is_in_the_books(field: Path, loaded: tuple[Store, LoadReport]) -> None:
    store, report = loaded
    assert report.failures == ()
    assert report.left_aside == ()
    files = {
        p.relative_to(field).as_posix() for p in field.rglob("*") if p.is_file() and p.parent.name != "truth"
    }
    assert {book.file for book in report.books} == files
    assert report.total("held") == 0
    assert report.total("read") == report.total("taken") + report.total("refused")
    assert [check.name for check in store.checks() if not check.passed] == []
    lines = sum(p.read_bytes().count(b"\n") - 1 for p in field.rglob("readings*.csv"))
    read = sum(b.read for b in report.books if b.file.endswith(".csv") and b.table == "readings")
    assert lines == read > 0


def test_each_planted_mistake_is_refused_or_taken_as_it_should_be(
    field: Path, loaded: tuple[Store, LoadReport]
) -> None:
    store, _ = loaded
    refused = store.table("core_refused").select("file", "line", "reason")
    mistakes = _mistakes(field).join(refused, on=["file", "line"], how="left")
    outcome = mistakes.group_by("kind").agg(planted=pl.len(), refused=pl.col("reason").is_not_null().sum())
    seen = {kind: (planted, gone) for kind, planted, gone in outcome.rows()}
    for kind in REFUSED & seen.keys():
        assert seen[kind][0] == seen[kind][1], kind
    for kind in TAKEN & seen.keys():
        assert seen[kind][1] == 0, kind
    assert len(REFUSED & seen.keys()) >= 5
    unplanted = refused.join(mistakes, on=["file", "line"], how="anti")
    assert unplanted.rows() == []


def test_a_well_number_is_resolved_only_where_the_crew_gave_the_site(
    field: Path, loaded: tuple[Store, LoadReport]
) -> None:
    store, _ = loaded
    planted = (
        _mistakes(field).filter(pl.col("kind") == "well_number_only").select("file", "line", "electrode_id")
    )
    accepted = store.table("core_readings").select("file", "line", meant="electrode_id")
    found = planted.join(accepted, on=["file", "line"], how="left")
    in_workbook = pl.col("file").str.ends_with(".xlsx")
    assert found.filter(~in_workbook)["meant"].null_count() == found.filter(~in_workbook).height
    with_site = found.filter(in_workbook)
    assert with_site["meant"].to_list() == with_site["electrode_id"].to_list()


def test_loading_again_changes_nothing(field: Path, loaded: tuple[Store, LoadReport]) -> None:
    store, first = loaded
    before = {t: store.table(t).sort(pl.all()) for t in ("core_readings", "core_refused", "core_electrodes")}
    again = load(store, [field], TODAY, lambda _: None)
    assert again.total("taken") == 0
    assert again.total("held") == first.total("taken")
    assert again.total("refused") == first.total("refused")
    for table, rows in before.items():
        assert_frame_equal(store.table(table).sort(pl.all()), rows)


def test_the_crews_layouts_and_the_plain_tables_give_the_same_readings(
    loaded: tuple[Store, LoadReport], tmp_path: Path
) -> None:
    plain = tmp_path / "plain"
    synthesize(plain, SITES, SEED, layouts="contract")
    with Store.open(tmp_path / "store.duckdb") as store:
        load(store, [plain], TODAY, lambda _: None)
        from_plain = _by_electrode(store)
    by_crews = _by_electrode(loaded[0])
    # The planted mistakes fall on other rows in each layout: compare what neither of them touched.
    both = by_crews.join(from_plain, on=["electrode_id", "on"], suffix="_plain")
    same = (both["resistance_ohm"] - both["resistance_ohm_plain"]).abs() < 1e-9
    assert both.height > 0.9 * max(by_crews.height, from_plain.height)
    assert same.sum() > 0.97 * both.filter(pl.col("resistance_ohm").is_not_null()).height
    for column in ("soil_temp_c", "soil_moisture_pct", "current_a"):
        apart = (both[column] - both[f"{column}_plain"]).abs()
        assert (apart.drop_nulls() < 0.06).mean() > 0.97, column


def _by_electrode(store: Store) -> pl.DataFrame:
    """Give the readings whose electrode was read once that day."""
    readings = store.table("core_readings").with_columns(on=pl.col("taken_at").dt.date())
    once = pl.len().over("electrode_id", "on") == 1
    return readings.filter(once).select(
        "electrode_id", "on", "resistance_ohm", "soil_temp_c", "soil_moisture_pct", "current_a"
    )
