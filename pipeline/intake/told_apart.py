"""What tells rows apart, a number each: one reading has one, however and by whom it was written down.

A row's number is the sum, modulo 2^64, of a hash (BLAKE2, RFC 7693) of each filled column's name and value.
It hangs on no order of columns, an empty column adds nothing, each distinct value is hashed only once. Two
rows that differ share one by chance alone: for 100 million rows, once in some 3,700 such stores.
"""

from collections.abc import Iterable
from functools import lru_cache
from hashlib import blake2b

import numpy as np
import polars as pl

from pipeline.intake.distinct import are_few, over_distinct
from pipeline.intake.tables import TABLES, Table
from pipeline.store import Store


def hashes(column: str, plain: pl.Series) -> pl.Series:
    """Hash values written as plain text (UInt64; null stays null)."""
    texts = plain.to_list()
    known = {text: None if text is None else _hash(column, text) for text in set(texts)}
    return pl.Series(column, [known[text] for text in texts], dtype=pl.UInt64)


@lru_cache(maxsize=2**16)  # one block of a file says again what the one before said
def _hash(column: str, text: str) -> int:
    return int.from_bytes(blake2b(f"{column}\x1f{text}".encode(), digest_size=8).digest(), "little")


def hashes_of(column: str, values: pl.Series) -> pl.Series:
    """Hash the values of a typed column, each distinct one once."""
    plain = values.cast(pl.String).alias("plain")
    if are_few(plain.len()):
        return hashes(column, plain)
    return over_distinct(plain, lambda cells: hashes(column, cells["plain"]).to_frame()).to_series()


def summed(hashed: Iterable[pl.Series], rows: int) -> pl.Series:
    """Add hashes up row by row, modulo 2^64; a null adds nothing."""
    total = np.zeros(rows, np.uint64)
    for one in hashed:
        if one.null_count() < rows:
            total += one.fill_null(0).to_numpy()
    return pl.Series(total)


def telling_columns(table: Table, typed_names: Iterable[str]) -> list[str]:
    """Give the columns that count; a reading's well and electrode don't: crews write the one or the other."""
    return [c for c in typed_names if table.name != "readings" or c not in ("electrode_id", "well_id")]


PLACE = "_place"
"""The name under which the place counts: a reading's well (or electrode), another row's first key."""


def count_anew(store: Store) -> None:
    """Give rows that an older program took the numbers that tell rows apart now; once for each store."""
    if store.frame("taken_by_older").is_empty():
        return
    with store.transaction():
        for table in TABLES.values():
            rows = store.frame("rows_of_older", table_name=table.name).join(
                store.table(f"raw_{table.name}"), on="row_id", maintain_order="left"
            )
            names = telling_columns(table, [c for c in rows.columns if c not in ("row_id", "row_key")])
            place = rows["row_key"] if table.name == "readings" else rows[table.key[0]]
            told = [hashes_of(PLACE, place), *(hashes_of(c, rows[c]) for c in names)]
            with store.lent("_counted", rows.select("row_id", row_hash=summed(told, rows.height))):
                store.run("count_anew")
        store.run("older_counted")
