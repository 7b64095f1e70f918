"""Rows of one sheet into the store: taken, held or refused, superseding and settling what they answer."""

import getpass
import hashlib
import os
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from functools import cached_property, lru_cache
from importlib.metadata import version
from io import BytesIO
from pathlib import Path

import polars as pl

from pipeline.intake.books import Book
from pipeline.intake.cells import typed_names
from pipeline.intake.judged import JudgedSheet, Part
from pipeline.intake.places import Places
from pipeline.intake.profiles import Recognised
from pipeline.intake.tables import Kind, Table
from pipeline.intake.told_apart import PLACE, hashes_of, summed
from pipeline.store import Store

_SHOWN_REASONS = 3


@dataclass
class Delivery:
    """Hold what is the same for all files of one load."""

    store: Store
    today: date
    known_from: datetime
    say: Callable[[str], None]
    _limits: dict[str, float] | None = None
    _places: Places | None = None

    def limits_for(self, table: Table) -> dict[str, float]:
        """Make the store ready for a sheet; give the upper end of each meter's range where it is readings."""
        if table.name != "readings":
            self.forget()
            return {}
        if self._limits is None:
            self.store.run("begin_readings")
            self._limits = dict(self.store.frame("meter_limits").iter_rows())
        return self._limits

    @property
    def places(self) -> Places:
        """Give what says which electrode a reading means; `limits_for` has made the store ready for it."""
        if self._places is None:
            self._places = Places(self.store)
        return self._places

    def forget(self) -> None:
        """Look anew at what readings refer to: it may have changed, or was taken back."""
        self._limits = self._places = None

    @property
    def person(self) -> str:
        """Name who loads: the user of this process."""
        try:
            return getpass.getuser()
        except (KeyError, OSError):  # a user without a name, as in a container
            return f"user {os.getuid()}"


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
    def table_name(self) -> str | None:
        """Name the table that the sheet is."""
        return self.what.table.name if self.what else None

    @cached_property
    def layout(self) -> str | None:
        """Give a fingerprint of all that says how the sheet is read: its layout, the program's version."""
        if self.what is None:
            return None
        told = repr((replace(self.what, found=()), version("rodfleet")))
        return hashlib.sha256(told.encode()).hexdigest()

    @property
    def found_words(self) -> str:
        """Write what was found out: `found: ';' between cells, decimal comma, cp1252`."""
        return f"found: {', '.join(self.found)}"


def held_before(delivery: Delivery, one: Found) -> Book | None:
    """Enter the books of a sheet that was taken before, read in the same layout, and give them; else None.

    The same bytes give the same rows: where none of them was refused then, all of them are held.
    """
    store = delivery.store
    before = store.frame(
        "taken_before",
        content=content_of(one.path),
        sheet=one.sheet,
        table_name=one.table_name,
        layout=one.layout,
    )
    if before.is_empty():
        return None
    rows, day = int(before["rows_read"][0]), before["loaded_at"][0].date()
    again = (
        f"the very file of {day}, taken then"
        if before["file"][0] == one.name
        else (f"the same content as {before['file'][0]}, taken on {day}")
    )
    one = replace(one, found=(again,))
    file_id = int(store.frame("next_numbers")["file_id"][0])
    counts = Counter(read=rows, held=rows)
    _enter_book(delivery, one, file_id, counts)
    return _closed(delivery, one, counts)


def take(delivery: Delivery, one: Found, table: Table, sheet: JudgedSheet) -> Book:
    """Sort a sheet's rows into taken, held and refused, and enter all of it in the store.

    To be called inside a transaction.
    """
    store = delivery.store
    numbers = store.frame("next_numbers")
    entry = _Entry(delivery, one, table, int(numbers["file_id"][0]))
    store.run("begin_file")
    row_id = int(numbers["row_id"][0])
    for part in sheet.parts():
        row_id += entry.add(part, row_id)
    one = replace(one, found=sheet.found)
    _enter_book(delivery, one, entry.file_id, entry.counts)
    if entry.counts["taken"]:
        entry.counts["superseding"] = _supersede(delivery, table, entry.file_id)
    return _closed(delivery, one, entry.counts, tuple(entry.reasons))


def _closed(
    delivery: Delivery, one: Found, counts: Counter[str], reasons: tuple[tuple[int, str], ...] = ()
) -> Book:
    """Settle earlier refusals of the whole file and give its books."""
    delivery.store.run("settle_refused_file", file=one.name, sheet=one.sheet, known_from=delivery.known_from)
    return Book(
        file=one.name,
        sheet=one.sheet,
        table=one.table_name,
        profile=one.profile,
        read=counts["read"],
        taken=counts["taken"],
        held=counts["held"],
        refused=counts["refused"],
        superseding=counts["superseding"],
        reasons=reasons,
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

    def add(self, part: Part, row_id: int) -> int:
        """Enter one part of the rows, numbered from row_id on; give how many were taken."""
        store, delivery, table = self.delivery.store, self.delivery, self.table
        rows = _referred(delivery, table, part.judged).with_columns(
            pl.coalesce("_reason", "_unknown").alias("_why")
        )
        # The cells of rows that may be taken are written out only where a refused row waits for one of them.
        waiting = not store.frame("any_refused", table_name=table.name).is_empty()
        rows = rows.with_columns(_cells=_cells(part.came, rows["_why"].is_not_null() | waiting))
        rows = _seen(store, table, rows, self.file_id)
        held = pl.col("_reason").is_null() & pl.col("_seen")
        refused = rows.filter(~held & pl.col("_why").is_not_null())
        is_taken = rows.select(~held & pl.col("_why").is_null()).to_series()
        taken, came = (
            (rows, part.came) if is_taken.all() else (rows.filter(is_taken), part.came.filter(is_taken))
        )
        _enter_taken(delivery, table, self.file_id, row_id, taken)
        _keep(store, self.file_id, came)
        self.counts += Counter(
            read=rows.height,
            taken=taken.height,
            held=rows.height - taken.height - refused.height,
            refused=refused.height,
            refused_before=_enter_refused(delivery, self.one, table, self.file_id, refused),
        )
        if waiting and taken.height:
            _settle(delivery, self.one, table, self.file_id, taken)
        if (room := _SHOWN_REASONS - len(self.reasons)) > 0:
            self.reasons += [
                (int(n), str(w)) for n, w in refused.select("_line", "_why").head(room).iter_rows()
            ]
        return taken.height


def _cells(came: pl.DataFrame, wanted: pl.Series) -> pl.Series:
    """Write the wanted rows as they came as JSON; null elsewhere."""
    if not wanted.any():
        return pl.repeat(None, came.height, dtype=pl.String, eager=True)
    row = pl.struct(pl.exclude("_line").cast(pl.String)).struct.json_encode()
    if wanted.all():
        return came.select(row).to_series()
    written = came.filter(wanted).select("_line", row.alias("cells"))
    return came.select("_line").join(written, on="_line", how="left", maintain_order="left")["cells"]


def _keep(store: Store, file_id: int, came: pl.DataFrame) -> None:
    """Keep rows as they came, whole, their own headings above them."""
    if came.is_empty():
        return
    packed = BytesIO()
    came.write_parquet(packed, compression="zstd", compression_level=1, statistics=False)
    first, last = int(came["_line"][0]), int(came["_line"][-1])
    store.run("keep_as_it_came", file_id=file_id, first_line=first, last_line=last, rows=packed.getvalue())


def _referred(delivery: Delivery, table: Table, rows: pl.DataFrame) -> pl.DataFrame:
    """Look up what the rows refer to: `_unknown` (why not, or null), `_place`, `_place_told`, `_key`."""
    if table.name == "readings":
        return delivery.places.of(rows).with_columns(_key="_place")
    store = delivery.store
    asked = rows.rename({"_line": "line"})
    electrode = "electrode_id" if table.name == "works" else pl.lit(None, pl.String).alias("electrode_id")
    site = "site_id" if table.name != "sites" and "site_id" in table.names else None
    known, lookup = [site or pl.lit(None, pl.String).alias("site_id"), electrode], "sites_of_rows"
    if table.name == "aliases":
        known, lookup = [pl.col(table.names)], "meanings_of_aliases"
    with store.lent("_incoming", asked.select("line", *known)):
        found = store.frame(lookup)
    place = rows[table.key[0]]
    rows = rows.with_columns(_place=place, _place_told=hashes_of(PLACE, place), _unknown=found["reason"])
    return rows.with_columns(_key=_plain(pl.col("_place")) + "|" + _plain(_moment(table)))


def _moment(table: Table) -> pl.Expr:
    """Write what a row speaks of beside its place: the moment of a reading, the rest of another's key."""
    if table.name == "readings":
        return pl.col("taken_at").dt.strftime("%Y-%m-%dT%H:%M:%S%.f")
    _, *rest = table.key
    return pl.concat_str([_plain(pl.col(c)) for c in rest], separator="|") if rest else pl.lit("")


def _plain(column: pl.Expr) -> pl.Expr:
    return column.cast(pl.String).fill_null("")


def _seen(store: Store, table: Table, rows: pl.DataFrame, file_id: int) -> pl.DataFrame:
    """Add `_hash` of each row's typed content and whether such a row is held already (`_seen`)."""
    told = summed((rows["_content"], rows["_place_told"]), rows.height)
    unread = rows.filter(pl.col("_reason").is_not_null())
    if unread.height:  # has no typed content: such a row is known by its cells
        hashed = rows.select("_line", told.alias("told"))
        hashed = hashed.join(_cell_hashes(store, unread), on="_line", how="left", maintain_order="left")
        told = hashed.select(pl.coalesce("row_hash", "told")).to_series()
    return rows.with_columns(_hash=told, _seen=_seen_before(store, table, file_id, "row", told))


def _cell_hashes(store: Store, rows: pl.DataFrame) -> pl.DataFrame:
    """Hash rows by their cells: `_line`, `row_hash`."""
    with store.lent("_incoming", rows.select(line="_line", content="_cells")):
        return store.frame("hashes").rename({"line": "_line"})


def _seen_before(store: Store, table: Table, file_id: int, kind: str, hashed: pl.Series) -> pl.Series:
    """Say of the rows of a part, by their hashes, whether each is held already.

    The n-th equal row of a file is held when n equal rows are known: repeats within a file stay apart; a file
    that comes again, whole or in parts, under this name or another, changes nothing. Rows whose content is
    known from elsewhere are noted: they count for the later parts of the file.
    """
    rows = hashed.alias("row_hash").to_frame()
    with store.lent("_hashed", rows):
        known = store.frame("seen_before", table_name=table.name, file_id=file_id, kind=kind)
    if known.is_empty():
        return pl.repeat(False, rows.height, dtype=pl.Boolean, eager=True)
    rows = rows.join(known, on="row_hash", how="left", maintain_order="left")
    again = rows.select(pl.col("row_hash").filter(pl.col("times").is_not_null()), kind=pl.lit(kind))
    store.append("_of_file", again)
    nth = pl.int_range(1, pl.len() + 1).over("row_hash") if hashed.is_duplicated().any() else pl.lit(1)
    return rows.select((nth + pl.col("earlier") <= pl.col("times")).fill_null(False)).to_series()


def _enter_taken(delivery: Delivery, table: Table, file_id: int, row_id: int, taken: pl.DataFrame) -> None:
    numbered = taken.with_columns(row_id=pl.int_range(row_id, row_id + pl.len(), dtype=pl.Int64))
    with delivery.store.lent(
        "_taken", numbered.select("row_id", line="_line", row_key="_key", row_hash="_hash")
    ):
        delivery.store.run(
            "enter_rows", file_id=file_id, table_name=table.name, known_from=delivery.known_from
        )
    beside = ["site_hint"] if table.name == "readings" else []
    filled = [c for c in (*typed_names(table), *beside) if taken[c].null_count() < taken.height]
    delivery.store.append(f"raw_{table.name}", numbered.select("row_id", *filled))


def _enter_refused(delivery: Delivery, one: Found, table: Table, file_id: int, refused: pl.DataFrame) -> int:
    """Keep the refused rows that are not kept already; give the number of those that are."""
    if refused.is_empty():
        return 0
    store = delivery.store
    refused = refused.with_columns(_hash=_cell_hashes(store, refused)["row_hash"])
    new = refused.filter(~_seen_before(store, table, file_id, "refused", refused["_hash"]))
    store.append(
        "raw_refused",
        new.select(
            pl.lit(file_id, pl.Int32).alias("file_id"),
            pl.lit(one.name).alias("file"),
            pl.lit(one.sheet).alias("sheet"),
            pl.col("_line").alias("line"),
            pl.lit(table.name).alias("table_name"),
            pl.col("_why").alias("reason"),
            pl.col("_cells").alias("cells"),
            _understood(table).alias("understood"),
            pl.col("_place").alias("row_place"),
            _moment(table).alias("row_moment"),
            pl.col("_hash").alias("content_hash"),
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


def _enter_book(delivery: Delivery, one: Found, file_id: int, counts: Counter[str]) -> None:
    """Enter the books of one file or sheet."""
    delivery.store.run(
        "enter_book",
        file_id=file_id,
        file=one.name,
        sheet=one.sheet,
        table_name=one.table_name,
        profile=one.profile,
        layout=one.layout,
        content=content_of(one.path),
        loaded_at=delivery.known_from,
        loaded_by=delivery.person,
        **{what: counts[what] for what in ("read", "taken", "held", "refused", "refused_before")},
    )


def _supersede(delivery: Delivery, table: Table, file_id: int) -> int:
    """Let the rows just taken take the place of the earlier ones that they replace; give their number."""
    store = delivery.store
    if not table.key and store.frame("any_correction").is_empty():
        return 0  # no row of the store corrects another
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
    return int(store.frame("book_of_file", file_id=file_id)["rows_superseding"][0])


def _settle(delivery: Delivery, one: Found, table: Table, file_id: int, taken: pl.DataFrame) -> None:
    """Settle what was refused earlier and has now come right."""
    store = delivery.store
    with store.lent(
        "_fresh",
        taken.select(
            line="_line", cells="_cells", row_place="_place", row_moment=_moment(table), mark="_mark"
        ),
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
    store, table = delivery.store, one.table_name
    with store.transaction():
        file_id = int(store.frame("next_numbers")["file_id"][0])
        _enter_book(delivery, one, file_id, Counter())
        store.run(
            "refuse_file",
            file_id=file_id,
            file=one.name,
            sheet=one.sheet,
            table_name=table,
            reason=reason,
            content=content_of(one.path),
            known_from=delivery.known_from,
        )
    book = Book(one.name, one.sheet, table, one.profile, failure=reason)
    delivery.say(f"{book.name}: refused as a whole: {reason}")
    return book


def content_of(path: Path) -> str:
    """Give the SHA-256 of a file's bytes, once for all of its sheets."""
    return _sha256(path, fingerprint(path))


def fingerprint(path: Path) -> tuple[int, int, int]:
    """Give what changes with a file's content: which file it is, its size, when it was written."""
    told = path.stat()
    return told.st_ino, told.st_size, told.st_mtime_ns


@lru_cache(maxsize=256)
def _sha256(path: Path, _: tuple[int, int, int]) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
