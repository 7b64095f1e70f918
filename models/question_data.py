"""The rows that a question is about: who is compared, the outcome's columns, sites, what is held fixed."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.hypothesis_words import LISTED, OTHERS, Question

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

# A level of what is held fixed with fewer sites than this joins the others: a column of its own would
# describe those sites, not hold anything fixed.
LEAST_SITES_A_LEVEL = 3
# What is measured over decades is held, and compared by doublings, on its logarithm.
ON_LOG = ("chloride_ppm", "resistivity_ohm_m")
SMALLEST = 1e-6


@dataclass(frozen=True)
class Data:
    """The rows of a question: arrays (n,) but for `held` (n, k), standardised columns of what is held."""

    rows: pl.DataFrame
    x: Array
    """1 for the second group; of a slope, doublings or units from the middle site's value."""
    second: NDArray[np.bool_]
    site: Whole
    event: NDArray[np.bool_]
    held: Array
    dropped: int

    @property
    def sites(self) -> int:
        """Count the sites."""
        return int(self.site.max()) + 1 if self.site.size else 0

    @property
    def within_sites(self) -> bool:
        """Tell whether x differs within a site, so that whole sites cannot be exchanged."""
        low = np.full(self.sites, np.inf)
        high = np.full(self.sites, -np.inf)
        np.minimum.at(low, self.site, self.x)
        np.maximum.at(high, self.site, self.x)
        return bool(np.any(high - low > 1e-9))

    def sites_of(self, rows: NDArray[np.bool_]) -> int:
        """Count the sites of the marked rows (n,)."""
        return int(np.unique(self.site[rows]).size)

    def design(self, with_x: bool = True) -> Array:
        """Give the columns of the regression: ones, x, what is held fixed."""
        ones = np.ones((self.x.size, 1))
        return np.hstack([ones, self.x[:, None], self.held] if with_x else [ones, self.held])

    def holding(self, rows: pl.DataFrame, names: tuple[str, ...]) -> Data:
        """Give the same rows with these columns held fixed in place of what was asked."""
        held = held_columns(rows, names, self.event)
        return Data(rows, self.x, self.second, self.site, self.event, held, self.dropped)

    def part(self, kept: NDArray[np.bool_], names: tuple[str, ...] = ()) -> Data:
        """Give the marked rows (n,) alone, with these columns held fixed."""
        _, site = np.unique(self.site[kept], return_inverse=True)
        rows = self.rows.filter(pl.Series(kept))
        held = held_columns(rows, names, self.event[kept])
        return Data(rows, self.x[kept], self.second[kept], site.astype(np.int64), self.event[kept], held, 0)


def narrowed(frame: pl.DataFrame, question: Question) -> pl.DataFrame:
    """Keep the rods that the question means: its filters by value and by range."""
    for column, values in question.where:
        frame = frame.filter(pl.col(column).cast(pl.String).is_in(list(values)))
    for column, start, end in question.between:
        value = pl.col(column).cast(pl.Float64)
        frame = frame.filter(value.is_not_null())
        frame = frame if start is None else frame.filter(value >= start)
        frame = frame if end is None else frame.filter(value <= end)
    return frame


def _marked(frame: pl.DataFrame, question: Question) -> pl.DataFrame:
    """Add `_x` (number) and keep the rows of the groups."""
    if question.of_purchase:
        mine = pl.col("electrode_id").is_in(list(question.listed)) if question.listed else pl.lit(True)
        if question.installed:
            start, end = (dt.date.fromisoformat(day) for day in question.installed)
            mine &= pl.col("installed_on").is_between(start, end)
        mine &= (pl.col("purchase") == question.lot) if question.lot else pl.lit(True)
        name = pl.when(mine.fill_null(False)).then(pl.lit(LISTED)).otherwise(pl.lit(OTHERS))
        return frame.with_columns((name == question.second).cast(pl.Float64).alias("_x"))
    column = pl.col("group") if "group" in frame.columns else pl.col(question.compare)
    if question.slope:
        value = column.cast(pl.Float64)
        known = frame.filter(value.is_not_null() & ((value > 0) if question.slope == "doubling" else True))
        scaled = value.log(2.0) if question.slope == "doubling" else value
        return known.with_columns((scaled - scaled.median()).alias("_x"))
    if question.split_at is not None:
        known = frame.filter(column.is_not_null())
        return known.with_columns((column.cast(pl.Float64) >= question.split_at).cast(pl.Float64).alias("_x"))
    named = frame.filter(column.is_in([question.first, question.second]))
    return named.with_columns((column == question.second).cast(pl.Float64).alias("_x"))


def usable(frame: pl.DataFrame, outcome: str) -> pl.DataFrame:
    """Keep the rows whose outcome says anything."""
    if outcome in ("time_to_threshold", "onset"):
        return frame.filter((pl.col("lower_years") > 0) | pl.col("upper_years").is_finite())
    if outcome == "growth":
        return frame.filter(pl.col("growth").is_finite() & (pl.col("growth_years") > 0))
    return frame.filter(pl.col("broken").is_not_null() & (pl.col("watched_years") > 0))


def gather(frame: pl.DataFrame, question: Question) -> Data:
    """Lay out the rows of a question.

    frame: one row an electrode: electrode_id, site_id, the outcome's columns (lower_years and upper_years;
    growth, growth_years and risen_years; broken and watched_years) and those by which rods are compared, held
    or chosen.
    """
    named = frame.rename({"lower": "lower_years", "upper": "upper_years"}, strict=False)
    rows = _marked(usable(narrowed(named, question), question.outcome), question)
    whole = rows.drop_nulls(list(question.held_fixed)) if question.held_fixed else rows
    _, site = np.unique(whole["site_id"].to_numpy(), return_inverse=True)
    x = whole["_x"].to_numpy().astype(np.float64)
    event = _event(whole, question.outcome)
    return Data(
        rows=whole,
        x=x,
        second=x > (0 if question.slope else 0.5),
        site=site.astype(np.int64),
        event=event,
        held=held_columns(whole, question.held_fixed, event),
        dropped=rows.height - whole.height,
    )


def _event(rows: pl.DataFrame, outcome: str) -> NDArray[np.bool_]:
    if outcome in ("time_to_threshold", "onset"):
        return np.asarray(np.isfinite(rows["upper_years"].to_numpy().astype(np.float64)))
    if outcome == "growth":
        return np.ones(rows.height, dtype=bool)
    return rows["broken"].to_numpy().astype(bool)


def held_columns(rows: pl.DataFrame, names: tuple[str, ...], event: NDArray[np.bool_] | None = None) -> Array:
    """Give what is held fixed as columns (n, k): numbers in spreads from their mean, names as 0 and 1.

    Levels of few sites, and those at which nothing has happened (`event`, (n,)), are taken together: a rate
    of their own would be no number. Columns that others already make are left out. A missing value counts as
    a level of its own, of a number as its mean.
    """
    happened = np.ones(rows.height, dtype=bool) if event is None else event
    blocks = [_number(rows, n) if rows[n].dtype.is_numeric() else _levels(rows, n, happened) for n in names]
    whole = np.hstack([np.empty((rows.height, 0)), *blocks])
    kept: list[int] = []
    basis = np.ones((rows.height, 1)) / np.sqrt(max(rows.height, 1))
    for j in range(whole.shape[1]):
        column = whole[:, j]
        left = column - basis @ (basis.T @ column)
        size = float(np.linalg.norm(left))
        if size > 1e-6 * max(float(np.linalg.norm(column)), 1e-12):
            basis = np.hstack([basis, (left / size)[:, None]])
            kept.append(j)
    return whole[:, kept]


def _number(rows: pl.DataFrame, name: str) -> Array:
    value = rows[name].cast(pl.Float64).to_numpy().astype(np.float64)
    if name in ON_LOG:
        value = np.log(np.maximum(value, SMALLEST))
    if not np.any(np.isfinite(value)):
        return np.zeros((value.size, 1))
    spread = np.nanstd(value)
    return (np.nan_to_num((value - np.nanmean(value)) / (spread if spread > 0 else 1.0)))[:, None]


def _levels(rows: pl.DataFrame, name: str, happened: NDArray[np.bool_]) -> Array:
    level = rows.select(pl.col(name).cast(pl.String).fill_null("not known").alias("level"), "site_id")
    level = level.with_columns(pl.Series("event", happened))
    sites = level.group_by("level").agg(pl.col("site_id").n_unique(), pl.col("event").any())
    own = (
        sites.filter((pl.col("site_id") >= LEAST_SITES_A_LEVEL) & pl.col("event"))
        .sort("site_id", "level")["level"]
        .to_list()
    )
    value = level["level"].to_numpy()
    # The level of most sites, and what is taken together with none, is the one that the others differ from.
    columns = [(value == one).astype(np.float64) for one in own[:-1]]
    few = ~np.isin(value, own)
    if few.any() and own:
        columns.append(few.astype(np.float64))
    return np.column_stack(columns) if columns else np.empty((rows.height, 0))
