"""Which electrode a reading means does not hang on how many others are asked for beside it."""

from datetime import date, datetime
from pathlib import Path

import polars as pl

from pipeline.intake import places
from pipeline.intake.load import load
from pipeline.intake.places import Places
from pipeline.store import Store

TODAY = date(2026, 11, 24)
SITES, RODS = 30, 50


def _register(folder: Path) -> None:
    rows = ["electrode_id,site_id,well_id,kind,material,installed_on,retired_on"]
    for site in range(SITES):
        for rod in range(RODS):
            well = f"S{site}-W{rod}" if rod % 5 else ""
            retired = "2015-06-30" if rod % 7 == 1 else ""
            rows.append(f"S{site}-E{rod},S{site},{well},driven_rod,copper_bonded_steel,2000-01-01,{retired}")
    (folder / "electrodes.csv").write_text("\n".join(rows) + "\n")
    sites = "".join(f"S{k},Site {k}\n" for k in range(SITES))
    (folder / "sites.csv").write_text("site_id,site_name\n" + sites)
    (folder / "aliases.csv").write_text(
        "kind,alias,site_id,means\nwell,MAST 7,S3,S3-W7\nelectrode,ROD-X,,S4-E9\nsite,NORTH,,S5\n"
    )


def _rows() -> pl.DataFrame:
    """Give readings that name their electrodes in every way, rightly and wrongly."""
    every = [(f"S{s}-E{r}", f"S{s}-W{r}" if r % 5 else None, None) for s in range(SITES) for r in range(RODS)]
    ways = [
        *every,
        *((None, well, None) for _, well, _ in every[::3] if well),
        *((electrode, None, None) for electrode, _, _ in every[::4]),
        *((electrode, "S0-W1", None) for electrode, _, _ in every[::50]),
        *((f"NEW-{k}", None, None) for k in range(40)),
        *((None, str(k), "S5") for k in range(12)),
        *((None, str(k), "NORTH") for k in range(12)),
        *((None, "MAST 7", site) for site in ("S3", "S4", None)),
        *(("ROD-X", well, None) for well in (None, "S4-W8", "S4-W9")),
        (None, None, None),
    ]
    rows = [(*way, datetime(2000 + k % 25, 3, 1, 9)) for k, way in enumerate(ways)]
    kinds = {
        "electrode_id": pl.String,
        "well_id": pl.String,
        "_site": pl.String,
        "taken_at": pl.Datetime("us"),
    }
    return pl.DataFrame(rows, schema=kinds, orient="row")


def test_asked_all_at_once_or_a_few_at_a_time_the_answer_is_the_same(tmp_path: Path) -> None:
    _register(tmp_path)
    rows = _rows()
    with Store.open(tmp_path / "store.duckdb") as store:
        assert not [b.reasons for b in load(store, [tmp_path], TODAY, lambda _: None).books if b.refused]
        store.run("begin_readings")
        at_once, bit_by_bit = Places(store), Places(store)
        whole = at_once.of(rows)
        parts = pl.concat([bit_by_bit.of(rows[k : k + 60]) for k in range(0, rows.height, 60)])
        again = at_once.of(rows.reverse()).reverse()
    assert rows.height > places._MANY
    assert parts.equals(whole)
    assert again.equals(whole)
    said = whole["_unknown"].drop_nulls()
    for words in ("is not known", "but the row says", "was retired", "no electrode stood"):
        assert said.str.contains(words).any(), words
    of_alias = whole.filter((pl.col("electrode_id") == "ROD-X") & pl.col("well_id").is_null())
    assert of_alias["_unknown"].null_count() == 1
