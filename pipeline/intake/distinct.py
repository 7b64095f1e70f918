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
    return frame.with_columns(pl.col(pl.String).cast(pl.Categorical(pl.Categories.random())))


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
    distinct = cells.drop_nulls().unique()
    codes = distinct.to_physical().to_numpy()
    place = np.zeros(int(codes.max()) + 1, np.uint32)
    place[codes] = np.arange(codes.size, dtype=np.uint32)
    known = cells.to_physical()
    each = pl.Series("place", place[known.fill_null(0).to_numpy()]).set(known.is_null(), None)
    found = worked_out(distinct.cast(pl.String).to_frame())
    nothing = [c.name for c in found if c.null_count() == c.len()]
    nulls = (pl.repeat(None, cells.len(), dtype=found[c].dtype, eager=True).alias(c) for c in nothing)
    filled = (
        found.select(pl.exclude(nothing).gather(each))
        if len(nothing) < found.width
        else found.clear(cells.len())
    )
    return filled.with_columns(nulls).select(found.columns)


def ways(frame: pl.DataFrame) -> tuple[pl.Series, pl.DataFrame]:
    """Number the distinct rows of a frame as they come: each row's number, and the distinct rows in order."""
    numbers = pl.repeat(0, frame.height, dtype=pl.Int64, eager=True)
    for column in frame:
        coded = column.rechunk().to_arrow().dictionary_encode(null_encoding="encode")
        beside = pl.Series(coded.indices, dtype=pl.Int64)
        both = numbers * max(len(coded.dictionary), 1) + beside  # below 2^63: each is below the height
        numbers = pl.Series(both.to_arrow().dictionary_encode().indices, dtype=pl.Int64)
    return numbers, frame[numbers.arg_unique()]


def counted(cells: pl.Series) -> pl.DataFrame:
    """Give the distinct cells of a column, as they come, and how often each stands there: `cell`, `times`."""
    filled = cells.drop_nulls().alias("cell").to_frame()
    told = filled.group_by("cell", maintain_order=True).agg(pl.len().alias("times"))
    return told.with_columns(pl.col("cell").cast(pl.String))
