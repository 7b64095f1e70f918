"""A column of text worked out on its distinct cells: field files say the same few things over and over."""

from collections.abc import Callable

import numpy as np
import polars as pl

_FEW = 2000  # rows are sooner worked out one by one than sorted out first


def are_few(rows: int) -> bool:
    """Say whether so many rows are sooner worked out one by one than sorted out first."""
    return rows <= _FEW


def sorted_out(frame: pl.DataFrame) -> pl.DataFrame:
    """Bring columns of text into a form that keeps each distinct cell once; few rows stay as they are."""
    if are_few(frame.height):
        return frame
    texts = [c for c, kind in frame.schema.items() if kind == pl.String]
    # Each its own categories: they are the distinct cells of that column then, and its codes their places.
    return frame.with_columns(pl.col(c).cast(pl.Categorical(pl.Categories.random())) for c in texts).rechunk()


def _distinct(cells: pl.Series) -> tuple[pl.Series, pl.Series]:
    """Give the distinct texts of a column that was sorted out, and the place of each cell among them."""
    places = cells.to_physical()
    seen = places.drop_nulls().to_numpy()
    end = int(seen.max()) + 1 if seen.size else 0
    codes = pl.DataFrame({cells.name: range(end)}, schema={cells.name: pl.UInt32})
    return codes.select(pl.all().cat.to(cells.dtype).cast(pl.String)).to_series(), places


def over_distinct(cells: pl.Series, worked_out: Callable[[pl.DataFrame], pl.DataFrame]) -> pl.DataFrame:
    """Work something out of a column of text, once for each distinct cell.

    worked_out: from a frame with that column to one with as many rows, each of which looks at its own cell
    alone and is null throughout where the cell is null. Returns one row for each cell, in the same order.
    """
    if cells.null_count() == cells.len():
        one = worked_out(pl.DataFrame({cells.name: pl.Series([None], dtype=pl.String)}))
        return one.clear(cells.len())
    if cells.dtype == pl.String:
        cells = sorted_out(cells.to_frame()).to_series()
        if cells.dtype == pl.String:
            return worked_out(cells.to_frame())
    distinct, places = _distinct(cells)
    return gathered(worked_out(distinct.to_frame()), places)


def gathered(frame: pl.DataFrame, places: pl.Series) -> pl.DataFrame:
    """Give the rows of a frame at those places, in their order; at none (null) a row of nulls."""
    nothing = {c.name for c in frame if c.null_count() == c.len()}
    return pl.DataFrame(
        pl.repeat(None, places.len(), dtype=c.dtype, eager=True).alias(c.name)
        if c.name in nothing
        else c.gather(places)
        for c in frame
    )


def ways(frame: pl.DataFrame) -> tuple[pl.Series, pl.DataFrame]:
    """Number the distinct rows of a frame as they come: each row's number, and the distinct rows in order."""
    numbers = pl.repeat(0, frame.height, dtype=pl.Int64, eager=True)
    for column in frame:
        if column.null_count() < frame.height:
            codes, end = _codes(column)
            both = numbers * end + codes  # below 2^63: each is at most the height
            numbers = pl.Series(both.to_arrow().dictionary_encode().indices, dtype=pl.Int64)
    return numbers, frame[numbers.arg_unique()]


def _codes(column: pl.Series) -> tuple[pl.Series, int]:
    """Give a number below the second one for each value, an equal one for equal ones and for nulls."""
    if isinstance(column.dtype, pl.Categorical):
        distinct, places = _distinct(column)
        return places.cast(pl.Int64).fill_null(distinct.len()), distinct.len() + 1
    coded = column.rechunk().to_arrow().dictionary_encode(null_encoding="encode")
    return pl.Series(coded.indices, dtype=pl.Int64), len(coded.dictionary)


def counted(cells: pl.Series) -> pl.DataFrame:
    """Give the distinct cells of a column, as they come, and how often each stands there: `cell`, `times`."""
    filled = cells.drop_nulls().alias("cell")
    if filled.dtype == pl.String:
        return filled.to_frame().group_by("cell", maintain_order=True).agg(pl.len().alias("times"))
    distinct, places = _distinct(filled)
    times = np.bincount(places.to_numpy(), minlength=distinct.len()).astype(np.uint32)
    return pl.DataFrame({"cell": distinct, "times": times}).filter(pl.col("times") > 0)
