"""A column of text worked out on its distinct cells: field files say the same few things over and over."""

from collections.abc import Callable

import polars as pl

FEW = 2000  # rows are sooner worked out one by one than sorted out first
_WORTH_IT = 0.5  # of the cells may be distinct before working out every one is as quick


def over_distinct(cells: pl.Series, worked_out: Callable[[pl.DataFrame], pl.DataFrame]) -> pl.DataFrame:
    """Work something out of a column of text, once for each distinct cell.

    worked_out: from a frame with that column to one with as many rows, each of which looks at its own cell
    alone and is null throughout where the cell is null. Returns one row for each cell, in the same order.
    """
    if cells.null_count() == cells.len():
        one = worked_out(pl.DataFrame({cells.name: pl.Series([None], dtype=pl.String)}))
        return one.clear(cells.len())
    coded = cells.rechunk().to_arrow().dictionary_encode()
    distinct = pl.Series(cells.name, coded.dictionary, dtype=pl.String)
    if distinct.len() > _WORTH_IT * cells.len():
        return worked_out(cells.to_frame())
    codes = pl.Series("code", coded.indices)
    return worked_out(distinct.to_frame()).select(pl.all().gather(codes))


def ways(frame: pl.DataFrame) -> tuple[pl.Series, pl.DataFrame]:
    """Number the distinct rows of a frame as they come: each row's number, and the distinct rows in order."""
    numbers = pl.repeat(0, frame.height, dtype=pl.Int64, eager=True)
    for column in frame:
        coded = column.rechunk().to_arrow().dictionary_encode(null_encoding="encode")
        beside = pl.Series(coded.indices, dtype=pl.Int64)
        both = (
            numbers * max(len(coded.dictionary), 1) + beside
        ).to_arrow()  # below 2^63: each is below the height
        numbers = pl.Series(both.dictionary_encode().indices, dtype=pl.Int64)
    return numbers, frame[numbers.arg_unique()]


def counted(cells: pl.Series) -> pl.DataFrame:
    """Give the distinct cells of a column, as they come, and how often each stands there: `cell`, `times`."""
    filled = cells.drop_nulls().alias("cell").to_frame()
    return filled.group_by("cell", maintain_order=True).agg(pl.len().alias("times"))
