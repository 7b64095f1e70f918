"""The rows as they came, under their own headings: a number is followed back without the file at hand."""

import json
from io import BytesIO

import polars as pl

from pipeline.errors import RequestError
from pipeline.store import Store


def as_it_came(store: Store, row_id: int) -> dict[str, str | None]:
    """Give the cells of an accepted row as they came, by heading.

    Raises RequestError where there is no such row.
    """
    found = store.frame("kept_row", row_id=row_id)
    if found.is_empty():
        raise RequestError(f"There is no row {row_id} in the store.")
    if found["cells"][0] is not None:  # taken before rows were kept by the sheet
        return dict(json.loads(found["cells"][0]))
    rows = pl.read_parquet(BytesIO(found["rows"][0]))
    of_line = rows.filter(pl.col("_line") == found["line"][0])
    (row,) = of_line.select(pl.exclude("_line").cast(pl.String)).rows(named=True)
    return row
