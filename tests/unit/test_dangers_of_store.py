"""The list of dangers out of a store is the one that all of its rows give."""

from datetime import date, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.danger import attend_first
from pipeline import dangers
from pipeline.intake.load import load
from pipeline.settings import Settings
from pipeline.store import Store

TODAY = date(2026, 11, 24)


def _readings(rng: np.random.Generator) -> pl.DataFrame:
    """Make a fleet's readings in which every finding occurs, at its limits too; a few rows are refused."""
    rows = 900
    site, well = rng.integers(0, 12, rows), rng.integers(1, 4, rows)
    ohm = 15 * np.exp(rng.normal(0, 0.2, rows)) * np.where(rng.random(rows) < 0.01, 25.0, 1.0)
    amps = rng.choice([0.0, 0.2, 0.5, 1.0, 6.0, 10.0], rows, p=[0.3, 0.5, 0.14, 0.03, 0.02, 0.01])
    taken = [
        datetime(2001 + int(y), int(m), 5, 8, k % 60, k // 60)
        for k, (y, m) in enumerate(zip(rng.integers(0, 20, rows), rng.integers(1, 5, rows), strict=True))
    ]
    over = rng.random(rows) < 0.005
    refused = rng.random(rows) < 0.01
    return pl.DataFrame({
        "well_id": [f"S{s:02d}-W{w}" for s, w in zip(site, well, strict=True)],
        "taken_at": [
            f"20x{t:%y-%m}" if r else t.isoformat() for t, r in zip(taken, refused, strict=True)
        ],
        "resistance_ohm": [">1500" if o else f"{v:.2f}" for o, v in zip(over, ohm, strict=True)],
        "current_a": amps,
        "conductor": rng.choice(["", "west"], rows),
    })  # fmt: skip


@pytest.mark.parametrize("seed", range(6))
def test_the_list_from_the_store_is_that_from_all_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    monkeypatch.setattr(dangers, "_ROWS_A_PART", 300)
    field = tmp_path / "field"
    field.mkdir()
    sites = [f"S{s:02d}" for s in range(12)]
    pl.DataFrame({"site_id": sites, "site_name": sites}).write_csv(field / "sites.csv")
    pl.DataFrame({
        "electrode_id": [f"{s}-R{w}" for s in sites for w in range(1, 4)],
        "site_id": [s for s in sites for _ in range(3)],
        "well_id": [f"{s}-W{w}" for s in sites for w in range(1, 4)],
        "installed_on": "2000-01-01",
    }).write_csv(field / "electrodes.csv")  # fmt: skip
    pl.DataFrame({
        "site_id": ["S01", "S02"],
        "electrode_id": ["S01-R1", None],
        "done_on": ["2012-01-01", "2015-01-01"],
        "work": "finding_cleared",
    }).write_csv(field / "works.csv")  # fmt: skip
    _readings(rng).write_csv(field / "readings.csv")
    settings = Settings()
    with Store.open(tmp_path / "store.duckdb") as store:
        load(store, [field], TODAY, lambda _: None)
        found = dangers.find_dangers(store, settings)
        every = [store.table(t) for t in ("core_readings", "core_refused", "core_works")]
    limits = settings.current_note_a, settings.current_danger_a
    assert_frame_equal(found, attend_first(*every, *limits), rel_tol=1e-12)  # sums differ in their order
    assert found["finding"].n_unique() >= 4
