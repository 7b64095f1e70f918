"""Which electrode each reading means, asked once for each way in which a file names one."""

import polars as pl

from pipeline.intake.distinct import ways
from pipeline.store import Store


def placed(store: Store, rows: pl.DataFrame) -> pl.DataFrame:
    """Look up the electrodes of readings.

    rows: `electrode_id`, `well_id`, `taken_at`, `_site` (that a crew wrote beside a well). Gives them
    with `well_id` in full, `site_hint` (`_site`, where the well's name is an alias at that site alone),
    `_place` (the well, or the electrode where there is none) and `_unknown`: why a reading can't be
    taken where no electrode answers, else null.
    """
    day = pl.when(pl.col("electrode_id").is_null()).then(pl.col("taken_at").dt.date())
    numbers, named = ways(rows.select("electrode_id", "well_id", site_hint="_site", day=day))
    with store.lent("_incoming", named.with_row_index("way")):
        found = store.frame("places_of_readings")
    told = found.select(
        *("well_id", "site_hint"),
        _place="place",
        _unknown="reason",
        _from="installed_on",
        _until="retired_on",
    ).select(pl.all().gather(numbers))
    return _in_its_time(rows.with_columns(told.get_columns())).drop("_from", "_until")


def _in_its_time(rows: pl.DataFrame) -> pl.DataFrame:
    """Say of readings that name an electrode which was not there on their day that it was not."""
    named = pl.col("electrode_id").is_not_null() & pl.col("_unknown").is_null()
    early, late = pl.col("taken_at") < pl.col("_from"), pl.col("taken_at").dt.date() > pl.col("_until")
    if not rows.select((named & (early | late)).any()).item():
        return rows
    day = pl.col("taken_at").dt.date()
    before = pl.format("taken on {}, before electrode {} was installed ({})", day, "electrode_id", "_from")
    after = pl.format("taken on {}, after electrode {} was retired ({})", day, "electrode_id", "_until")
    return rows.with_columns(
        pl.when(named & early)
        .then(before)
        .when(named & late)
        .then(after)
        .otherwise("_unknown")
        .alias("_unknown")
    )
