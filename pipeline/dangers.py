"""What must be attended to first, from the store: only rows that can bear on it leave the database."""

import polars as pl

from models.danger import OPEN_FACTOR, attend_first, gravest_first, refused_as_readings
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.unknown_names import turned_away

_ROWS_A_PART = 6_000_000  # of readings, by site, are looked at at a time: memory stays bounded
_WHOLE = -1


def find_dangers(store: Store, settings: Settings) -> pl.DataFrame:
    """List what comes before any spending, from accepted and refused rows, without any model.

    Sites of which a row was refused or a finding cleared are looked at whole, all others through the rows
    that can bear on the list; it is the same as from all rows (tests/unit/test_dangers_of_store.py).
    """
    refused, works = turned_away(store), store.table("core_works")
    note, danger = settings.current_note_a, settings.current_danger_a
    whole = _whole_sites(store, refused, works)
    parts = 1 + store.frame("count_readings")["readings"][0] // _ROWS_A_PART
    found = []
    for part in (*range(parts), *([_WHOLE] if whole.height or refused.height else [])):
        with store.lent("_whole_sites", whole):
            rows = store.frame(
                "rows_that_may_matter",
                part=part,
                parts=parts,
                note_a=note,
                danger_a=danger,
                open_factor=OPEN_FACTOR,
            )
        of_part = refused if part == _WHOLE else refused.clear()
        found.append(attend_first(rows, of_part, works, note, danger))
    return gravest_first(found)


def _whole_sites(store: Store, refused: pl.DataFrame, works: pl.DataFrame) -> pl.DataFrame:
    """Give the sites whose list hangs on more than the readings of one lead or visit."""
    places = store.table("core_electrodes").select("site_id", "electrode_id", "well_id")
    spoken_of = refused_as_readings(refused, places)
    cleared = works.filter(pl.col("work") == "finding_cleared")
    named = pl.concat([spoken_of.select("site_id"), cleared.select("site_id")])
    for name in ("electrode_id", "well_id"):
        there = places.join(spoken_of.select(name).drop_nulls(), on=name, how="semi")
        named = pl.concat([named, there.select("site_id")])
    return named.drop_nulls().unique().sort("site_id")
