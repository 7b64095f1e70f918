"""Rows of one sheet into the store: taken, held or refused, superseding and settling what they answer."""

import hashlib
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

import polars as pl

from pipeline.intake.books import Book
from pipeline.intake.cells import typed_names
from pipeline.intake.profiles import Recognised
from pipeline.intake.tables import Kind, Table
from pipeline.store import Store

_SHOWN_REASONS = 3
# What `rodfleet refused --write` puts beside a row: why it was refused, and which refused row it answers.
WHY, MARK = "why_refused", "refused_row"


@dataclass(frozen=True)
class Delivery:
    """Hold what is the same for all files of one load."""

    store: Store
    today: date
    known_from: datetime
    say: Callable[[str], None]


@dataclass(frozen=True)
class Found:
    """Hold one sheet of a file, and what it was recognised as."""

    path: Path
    name: str
    sheet: str = ""
    what: Recognised | None = None
    found: tuple[str, ...] = ()
    """What was found out to read it, in words."""

    @property
    def profile(self) -> str | None:
        """Name the source profile, if the sheet is in one's layout, and what was found out beside it."""
        named = [self.what.profile.name] if self.what and self.what.profile else []
        return "; ".join([*named, *([self.found_words] if self.found else [])]) or None

    @property
    def found_words(self) -> str:
        """Write what was found out: `found: ';' between cells, decimal comma, cp1252`."""
        return f"found: {', '.join(self.found)}"


def take(
    delivery: Delivery, one: Found, table: Table, parts: Iterable[tuple[pl.DataFrame, pl.DataFrame]]
) -> Book:
    """Sort the rows into taken, held and refused, and enter all of it in the store.

    parts: the sheet's rows in order, a part at a time, judged (cells.typed) and as they came; a file of any
    length is so taken in bounded memory. To be called inside a transaction.
    """
    store = delivery.store
    numbers = store.frame("next_numbers")
    entry = _Entry(delivery, one, table, int(numbers["file_id"][0]))
    store.run("begin_file")
    row_id = int(numbers["row_id"][0])
    for judged, came in parts:
        row_id += entry.add(judged.join(came, on="_line", maintain_order="left"), row_id)
    _enter_book(delivery, one, entry.file_id, dict(entry.counts))
    if entry.counts["taken"]:
        _supersede(delivery, table, entry.file_id)
    store.run("settle_refused_file", file=one.name, sheet=one.sheet, known_from=delivery.known_from)
    (book,) = store.frame("book_of_file", file_id=entry.file_id).rows(named=True)
    return Book(
        file=one.name,
        sheet=one.sheet,
        table=table.name,
        profile=one.profile,
        read=book["rows_read"],
        taken=book["rows_taken"],
        held=book["rows_held"],
        refused=book["rows_refused"],
        superseding=book["rows_superseding"],
        reasons=tuple(entry.reasons),
    )


@dataclass
class _Entry:
    """One sheet on its way into the store: what has been counted so far."""

    delivery: Delivery
    one: Found
    table: Table
    file_id: int
    counts: Counter[str] = field(default_factory=Counter)
    reasons: list[tuple[int, str]] = field(default_factory=list)

    def add(self, rows: pl.DataFrame, row_id: int) -> int:
        """Enter one part of the rows, numbered from row_id on; give how many were taken."""
        store, delivery, table = self.delivery.store, self.delivery, self.table
        rows = _seen(store, table, _referred(store, table, rows), self.file_id)
        held = pl.col("_reason").is_null() & pl.col("_seen")
        refused = rows.filter(~held & pl.coalesce("_reason", "_unknown").is_not_null())
        taken = rows.filter(~held & pl.coalesce("_reason", "_unknown").is_null())
        _enter_taken(delivery, table, self.file_id, row_id, taken)
        self.counts += Counter(
            read=rows.height,
            taken=taken.height,
            held=rows.height - taken.height - refused.height,
            refused=refused.height,
            refused_before=_enter_refused(delivery, self.one, table, self.file_id, refused),
        )
        if taken.height:
            _settle(delivery, self.one, table, self.file_id, taken)
        if (room := _SHOWN_REASONS - len(self.reasons)) > 0:
            why = pl.coalesce("_reason", "_unknown")
            self.reasons += [(int(n), str(w)) for n, w in refused.select("_line", why).head(room).iter_rows()]
        return taken.height


def _referred(store: Store, table: Table, rows: pl.DataFrame) -> pl.DataFrame:
    """Look up what the rows refer to: adds `_unknown` (why not, or null), `_place`, `_moment` and `_key`."""
    asked = rows.rename({"_line": "line", "_site": "site_hint"})
    if table.name == "readings":
        with store.lent(
            "_incoming", asked.select("line", "electrode_id", "well_id", "taken_at", "site_hint")
        ):
            found = store.frame("places_of_readings")
        rows = rows.drop("well_id").with_columns(
            well_id=found["well_id"], _place=found["place"], _unknown=found["reason"]
        )
        moment = pl.col("taken_at").dt.strftime("%Y-%m-%dT%H:%M:%S%.f")
    else:
        electrode = "electrode_id" if table.name == "works" else pl.lit(None, pl.String).alias("electrode_id")
        site = "site_id" if table.name != "sites" and "site_id" in table.names else None
        asked = asked.select("line", site or pl.lit(None, pl.String).alias("site_id"), electrode)
        with store.lent("_incoming", asked):
            found = store.frame("sites_of_rows")
        first, *rest = table.key
        rows = rows.with_columns(_place=pl.col(first), _unknown=found["reason"])
        moment = pl.concat_str([_plain(pl.col(c)) for c in rest], separator="|") if rest else pl.lit("")
    return rows.with_columns(_moment=moment).with_columns(
        _key=pl.col("_place").fill_null("") + "|" + pl.col("_moment").fill_null("")
    )


def _plain(column: pl.Expr) -> pl.Expr:
    return column.cast(pl.String).fill_null("")


def _seen(store: Store, table: Table, rows: pl.DataFrame, file_id: int) -> pl.DataFrame:
    """Add `_hash` of each row's typed content and whether such a row is held already (`_seen`)."""
    identity = [
        c for c in typed_names(table) if table.name != "readings" or c not in ("electrode_id", "well_id")
    ]
    content = pl.concat_str([_plain(pl.col(c)) for c in ("_place", *identity)], separator="\x1f")
    # A refused row has no typed content: it is told apart by its cells.
    told = pl.when(pl.col("_reason").is_null()).then(content).otherwise("_cells").alias("content")
    with store.lent("_incoming", rows.select(pl.col("_line").alias("line"), told)):
        seen = _seen_before(store, table, file_id, "row")
    return rows.with_columns(_hash=seen["row_hash"], _seen=seen["seen"])


def _seen_before(store: Store, table: Table, file_id: int, kind: str) -> pl.DataFrame:
    """Look the rows of `_incoming` up, and note them among those of this file."""
    seen = store.frame("seen_before", table_name=table.name, file_id=file_id, kind=kind)
    store.append("_of_file", seen.select("row_hash", pl.lit(kind).alias("kind")))
    return seen


def _enter_taken(delivery: Delivery, table: Table, file_id: int, row_id: int, taken: pl.DataFrame) -> None:
    numbered = taken.with_columns(row_id=pl.int_range(row_id, row_id + pl.len(), dtype=pl.Int64))
    delivery.store.append(
        "raw_rows",
        numbered.select(
            "row_id",
            pl.lit(file_id, pl.Int32).alias("file_id"),
            pl.lit(table.name).alias("table_name"),
            pl.col("_line").alias("line"),
            pl.col("_key").alias("row_key"),
            pl.col("_hash").alias("row_hash"),
            pl.col("_cells").alias("cells"),
            pl.lit(delivery.known_from).alias("known_from"),
        ),
    )
    delivery.store.append(f"raw_{table.name}", numbered.select("row_id", *typed_names(table)))


def _enter_refused(delivery: Delivery, one: Found, table: Table, file_id: int, refused: pl.DataFrame) -> int:
    """Keep the refused rows that are not kept already; give the number of those that are."""
    if refused.is_empty():
        return 0
    store = delivery.store
    with store.lent(
        "_incoming", refused.select(pl.col("_line").alias("line"), pl.col("_cells").alias("content"))
    ):
        seen = _seen_before(store, table, file_id, "refused")
    new = refused.with_columns(content_hash=seen["row_hash"]).filter(~seen["seen"])
    store.append(
        "raw_refused",
        new.select(
            pl.lit(file_id, pl.Int32).alias("file_id"),
            pl.lit(one.name).alias("file"),
            pl.lit(one.sheet).alias("sheet"),
            pl.col("_line").alias("line"),
            pl.lit(table.name).alias("table_name"),
            pl.coalesce("_reason", "_unknown").alias("reason"),
            pl.col("_cells").alias("cells"),
            _understood(table).alias("understood"),
            pl.col("_place").alias("row_place"),
            pl.col("_moment").alias("row_moment"),
            "content_hash",
            pl.lit(delivery.known_from).alias("refused_at"),
        ),
    )
    if new["_mark"].is_not_null().any():
        # A corrected row that is refused again waits in the place of the one that it answers.
        with store.lent("_marked", new.select(mark="_mark")):
            store.run("settle_marked", file_id=file_id, known_from=delivery.known_from)
    return refused.height - new.height


def _understood(table: Table) -> pl.Expr:
    """Write what could be read of a row as JSON, under our names and in our units."""
    values = [
        pl.col(c.name).cast(pl.String) if c.kind in (Kind.DAY, Kind.MOMENT, Kind.MONTH) else pl.col(c.name)
        for c in table.columns
    ]
    if table.name == "readings":
        values += [pl.col("range_mark"), pl.col("_site").alias("site_id")]
    return pl.struct(values).struct.json_encode()


def _enter_book(delivery: Delivery, one: Found, file_id: int, counts: dict[str, int]) -> None:
    """Enter the books of one file or sheet; what `counts` does not name is zero."""
    rows = ("read", "taken", "held", "refused", "refused_before", "superseding")
    book = pl.DataFrame(
        {
            "file_id": [file_id],
            "file": [one.name],
            "sheet": [one.sheet],
            "table_name": [one.what.table.name if one.what else None],
            "profile": [one.profile],
            "content_sha256": [_sha256(one.path)],
            "loaded_at": [delivery.known_from],
            **{f"rows_{what}": [counts.get(what, 0)] for what in rows},
        },
        schema_overrides={"file_id": pl.Int32, "table_name": pl.String, "profile": pl.String},
    )
    delivery.store.append("raw_files", book)


def _supersede(delivery: Delivery, table: Table, file_id: int) -> None:
    """Let the rows just taken take the place of the earlier ones that they replace."""
    store = delivery.store
    if not table.key and store.frame("any_correction").is_empty():
        return  # no row of the store corrects another
    if table.key:
        store.run(
            "supersede_by_key",
            file_id=file_id,
            table_name=table.name,
            several=table.several_in_one_file,
            known_from=delivery.known_from,
        )
    else:
        store.run("supersede_corrected", file_id=file_id, known_from=delivery.known_from)
    store.run("record_superseding", file_id=file_id)


def _settle(delivery: Delivery, one: Found, table: Table, file_id: int, taken: pl.DataFrame) -> None:
    """Settle what was refused earlier and has now come right."""
    store = delivery.store
    if store.frame("any_refused", table_name=table.name).is_empty():
        return
    with store.lent(
        "_fresh",
        taken.select(line="_line", cells="_cells", row_place="_place", row_moment="_moment", mark="_mark"),
    ):
        store.run(
            "settle_refused",
            file_id=file_id,
            table_name=table.name,
            file=one.name,
            sheet=one.sheet,
            known_from=delivery.known_from,
        )


def refuse_file(delivery: Delivery, one: Found, reason: str) -> Book:
    """Enter a file or sheet that can't be taken at all: books without rows, a refusal without a line."""
    store, table = delivery.store, one.what.table.name if one.what else None
    with store.transaction():
        file_id = int(store.frame("next_numbers")["file_id"][0])
        _enter_book(delivery, one, file_id, {})
        store.run(
            "refuse_file",
            file_id=file_id,
            file=one.name,
            sheet=one.sheet,
            table_name=table,
            reason=reason,
            content=_sha256(one.path),
            known_from=delivery.known_from,
        )
    book = Book(one.name, one.sheet, table, one.profile, failure=reason)
    delivery.say(f"{book.name}: refused as a whole: {reason}")
    return book


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
