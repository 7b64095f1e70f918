"""Which electrode each reading means: each way in which files name one is asked once a load."""

import polars as pl

from pipeline.intake.distinct import gathered, ways
from pipeline.intake.told_apart import PLACE, hashes_of
from pipeline.store import Store

_WAY = ["electrode_id", "well_id", "site_hint"]
_MANY = 1000  # where the first block of a load names so many, the whole register is asked for at once


class Places:
    """Look up the electrodes of readings in a register that stays as it is meanwhile."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._known: pl.DataFrame | None = None

    def of(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Look up the electrodes of readings.

        rows: `electrode_id`, `well_id`, `taken_at`, `_site` (that a crew wrote beside a well). Gives them
        with `well_id` in full, `site_hint` (`_site`, where the well's name is an alias at that site alone),
        `_place` (the well, or the electrode where there is none), what tells it apart (`_place_told`) and
        `_unknown`: why a reading can't be taken where no electrode answers, else null.
        """
        day = pl.when(pl.col("electrode_id").is_null()).then(pl.col("taken_at").dt.date())
        numbers, named = ways(rows.select("electrode_id", "well_id", site_hint="_site", day=day))
        named = named.with_columns(pl.col("electrode_id", "well_id").cast(pl.String))
        told = self._found(named).select(
            *("well_id", "site_hint"),
            _place="place",
            _place_told="place_told",
            _unknown="reason",
            _from="installed_on",
            _until="retired_on",
        )
        return _in_its_time(rows.with_columns(gathered(told, numbers))).drop("_from", "_until")

    def _found(self, named: pl.DataFrame) -> pl.DataFrame:
        """Give the answer for each way; those that hang on a day, and so are many, are not remembered."""
        dated = named["day"].is_not_null()
        if dated.all():
            return self._asked(named)
        if not dated.any():
            return self._remembered(named)
        found = pl.concat([self._remembered(named.filter(~dated)), self._asked(named.filter(dated))])
        return found[pl.concat([(~dated).arg_true(), dated.arg_true()]).arg_sort()]

    def _remembered(self, named: pl.DataFrame) -> pl.DataFrame:
        if self._known is None:
            first = self._store.frame("ways_of_register") if named.height > _MANY else named
            self._known = self._answered(first)
        found = self._looked_up(named)
        if (new := named.filter(found["answered"].is_null())).height:
            self._known = pl.concat([self._known, self._answered(new)])
            found = self._looked_up(named)
        return found.select(pl.exclude(_WAY, "answered")).rename(
            {"_well_id": "well_id", "_site_hint": "site_hint"}
        )

    def _looked_up(self, named: pl.DataFrame) -> pl.DataFrame:
        assert self._known is not None
        return named.select(_WAY).join(
            self._known, on=_WAY, how="left", nulls_equal=True, maintain_order="left"
        )

    def _answered(self, named: pl.DataFrame) -> pl.DataFrame:
        """Give the ways, and beside them their answers."""
        answers = self._asked(named).rename({"well_id": "_well_id", "site_hint": "_site_hint"})
        return named.select(*_WAY, answered=pl.lit(True)).hstack(answers)

    def _asked(self, named: pl.DataFrame) -> pl.DataFrame:
        with self._store.lent("_incoming", named.with_row_index("way")):
            found = self._store.frame("places_of_readings").drop("way")
        return found.with_columns(place_told=hashes_of(PLACE, found["place"]))


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
