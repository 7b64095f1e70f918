"""Field files into the store, with the books: rows read = taken + already held + refused."""

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

import polars as pl

from pipeline.errors import FileRefusedError, RequestError
from pipeline.intake.cells import Writing, typed, typed_names
from pipeline.intake.files import Rows, Sheet, form_of, rows_under, sheets
from pipeline.intake.profiles import Profile, Recognised, load_profiles, mapped, number_units, recognise
from pipeline.intake.tables import TABLES, Table
from pipeline.store import Store

_PEEK_ROWS = 40  # enough to see the headings below a workbook's title
_SHOWN_REASONS = 3
_TRUTH = "truth"  # a synthetic fleet's known truth lies beside its data and is never read


@dataclass(frozen=True)
class Book:
    """Hold the books of one file or sheet; `read` = `taken` + `held` + `refused`."""

    file: str
    sheet: str
    table: str | None
    profile: str | None = None
    read: int = 0
    taken: int = 0
    held: int = 0
    refused: int = 0
    superseding: int = 0
    """Of the rows taken: put in place of an earlier row, which stays in the history."""
    failure: str | None = None
    """Why the whole file or sheet was refused, or null."""
    reasons: tuple[tuple[int, str], ...] = ()
    """(line, reason) of the first refused rows."""

    @property
    def name(self) -> str:
        """Name the file and its sheet."""
        return f"{self.file} [{self.sheet}]" if self.sheet else self.file


@dataclass(frozen=True)
class LoadReport:
    """Hold the books of one load."""

    books: tuple[Book, ...]
    left_aside: tuple[str, ...] = field(default=())
    """Files of a folder that are no tables, and further sheets of a workbook that are none."""

    @property
    def failures(self) -> tuple[Book, ...]:
        """Give the books of the files and sheets that were refused as a whole."""
        return tuple(b for b in self.books if b.failure)

    def total(self, what: str) -> int:
        """Add up `read`, `taken`, `held`, `refused` or `superseding` over all files."""
        return sum(getattr(b, what) for b in self.books)


@dataclass(frozen=True)
class _Delivery:
    """Hold what is the same for all files of one load."""

    store: Store
    today: date
    known_from: datetime
    say: Callable[[str], None]


@dataclass(frozen=True)
class _Found:
    """Hold one sheet of a file, and what it was recognised as."""

    path: Path
    name: str
    sheet: str = ""
    what: Recognised | None = None

    @property
    def profile(self) -> str | None:
        """Name the source profile, if the sheet is in one's layout."""
        return self.what.profile.name if self.what and self.what.profile else None


def load(
    store: Store,
    paths: Sequence[Path],
    today: date,
    say: Callable[[str], None],
    layouts: Sequence[Path] = (),
) -> LoadReport:
    """Load files and folders of files into the store; one transaction for each file or sheet.

    `layouts` are folders with the owner's own source profiles. Raises RequestError where a path does not exist;
    what is wrong with a file or a row is in the report and in `core_refused`, never an error.
    """
    files, left_aside = _expanded(paths)
    delivery = _Delivery(store, today, datetime.combine(today, datetime.now().time()), say)
    profiles = load_profiles(layouts)
    found: list[tuple[_Found, Recognised]] = []
    books: list[Book] = []
    for path, name in files:
        try:
            seen, aside = _recognised(path, name, profiles)
            found += seen
            left_aside += aside
        except FileRefusedError as fault:
            books.append(_refuse_file(delivery, _Found(path, name), str(fault)))
    for one, what in sorted(found, key=_loading_order):
        try:
            books.append(_load_sheet(delivery, one, what))
        except FileRefusedError as fault:
            books.append(_refuse_file(delivery, one, str(fault)))
    return LoadReport(tuple(books), tuple(left_aside))


def _loading_order(found: tuple[_Found, Recognised]) -> tuple[int, str, str]:
    """Sort what is referred to before what refers to it, then by name, whatever order the files were given in."""
    one, what = found
    return list(TABLES).index(what.table.name), one.name, one.sheet


def _expanded(paths: Sequence[Path]) -> tuple[list[tuple[Path, str]], list[str]]:
    """Find the files of each path with the name that they go by: as given, or below the folder given."""
    files: dict[Path, str] = {}
    left_aside: list[str] = []
    for path in paths:
        if not path.exists():
            raise RequestError(f"There is no file or folder {path}; check the path.")
        if path.is_file():
            files[path.resolve()] = path.name if path.is_absolute() else path.as_posix()
            continue
        for file in _files_below(path):
            name = file.relative_to(path).as_posix()
            if form_of(file) is None:
                left_aside.append(f"{name}: not a form that can be read")
            else:
                files.setdefault(file.resolve(), name)
    return sorted(files.items(), key=lambda item: item[1]), left_aside


def _files_below(folder: Path) -> Iterator[Path]:
    for file in sorted(folder.rglob("*")):
        below = file.relative_to(folder).parts
        hidden = any(part.startswith((".", "~$")) for part in below)
        if file.is_file() and not hidden and _TRUTH not in below[:-1]:
            yield file


def _recognised(
    path: Path, name: str, profiles: Sequence[Profile]
) -> tuple[list[tuple[_Found, Recognised]], list[str]]:
    """Find out what the sheets of a file are; raise FileRefusedError where none of them is a table."""
    looked_at = sheets(path, peek=_PEEK_ROWS)
    what = [(s, recognise(path, s, profiles)) for s in looked_at]
    found = [(_Found(path, name, s.sheet, w), w) for s, w in what if w is not None]
    if not found:
        raise FileRefusedError(
            "neither its name nor its headings say which table it is; name it like readings_2024.csv, "
            "or write a source profile"
        )
    return found, [f"{name} [{s.sheet}]: this sheet is no table" for s, w in what if w is None]


def _load_sheet(delivery: _Delivery, one: _Found, what: Recognised) -> Book:
    """Read, judge and take the rows of one sheet."""
    profile, table = what.profile, what.table
    encoding = profile.encoding if profile else "utf-8"
    sheet = _sheet_named(sheets(one.path, encoding), one.sheet)
    rows = rows_under(sheet, profile.heading_line if profile else None)
    _check_headings(rows, table, profile)
    how = Writing(
        delivery.today,
        profile.decimal_marks if profile else ".",
        profile.dates if profile else (),
        number_units(profile),
    )
    judged = typed(mapped(rows.frame, what), table, how)
    with delivery.store.transaction():
        book = _take(delivery, one, table, judged, _as_they_came(rows, profile))
    delivery.say(
        f"{book.name}: {table.name}, {book.read} rows read = {book.taken} taken + {book.held} already held "
        f"+ {book.refused} refused"
    )
    return book


def _sheet_named(found: Sequence[Sheet], name: str) -> Sheet:
    return next(s for s in found if s.sheet == name)


def _check_headings(rows: Rows, table: Table, profile: Profile | None) -> None:
    """Raise FileRefusedError where a column that the table needs is not among the headings."""
    theirs = {h.lower() for h in rows.headings}

    def heading(column: str) -> str | None:
        if profile is None:
            return column
        return profile.columns[column].heading if column in profile.columns else None

    for column in table.required:
        if (wanted := heading(column)) is None or wanted.lower() not in theirs:
            raise FileRefusedError(
                f"the column {wanted or column} is missing; add it or map it in a source profile"
            )
    either = [h for c in table.one_of if (h := heading(c))]
    if table.one_of and not any(h.lower() in theirs for h in either):
        raise FileRefusedError(f"one of the columns {' or '.join(either)} is needed; add it")


def _as_they_came(rows: Rows, profile: Profile | None) -> pl.DataFrame:
    """Give `_line`, `_cells` (JSON of the whole row) and `_site` (the site that a crew wrote beside a well)."""
    frame = rows.frame
    site = profile.well_number_with if profile else None
    return frame.select(
        "_line",
        pl.struct(pl.exclude("_line", "_fault")).struct.json_encode().alias("_cells"),
        (pl.col(site) if site in frame.columns else pl.lit(None, pl.String)).alias("_site"),
    )


def _take(delivery: _Delivery, one: _Found, table: Table, judged: pl.DataFrame, came: pl.DataFrame) -> Book:
    """Sort the rows into taken, held and refused, and enter all of it in the store."""
    store = delivery.store
    rows = _referred(store, table, judged.join(came, on="_line", maintain_order="left"))
    rows = _seen(store, table, rows)
    held = pl.col("_reason").is_null() & pl.col("_seen")
    refused = rows.filter(~held & pl.coalesce("_reason", "_unknown").is_not_null())
    taken = rows.filter(~held & pl.coalesce("_reason", "_unknown").is_null())
    numbers = store.frame("next_numbers")
    file_id, row_id = int(numbers["file_id"][0]), int(numbers["row_id"][0])
    _enter_taken(delivery, table, file_id, row_id, taken)
    counts = {
        "read": rows.height,
        "taken": taken.height,
        "held": rows.height - taken.height - refused.height,
        "refused": refused.height,
        "refused_before": _enter_refused(delivery, one, table, file_id, refused),
    }
    _enter_book(delivery, one, file_id, counts)
    _supersede(delivery, table, file_id, rows)
    _settle(delivery, one, table, file_id, taken)
    book = store.frame("book_of_file", file_id=file_id).row(0, named=True)
    reasons = refused.select("_line", pl.coalesce("_reason", "_unknown")).head(_SHOWN_REASONS).rows()
    return Book(
        one.name,
        one.sheet,
        table.name,
        one.profile,
        *(book[f"rows_{what}"] for what in ("read", "taken", "held", "refused", "superseding")),
        reasons=tuple((int(line), str(reason)) for line, reason in reasons),
    )


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


def _seen(store: Store, table: Table, rows: pl.DataFrame) -> pl.DataFrame:
    """Add `_hash` of each row's typed content and whether such a row is held already (`_seen`)."""
    identity = [
        c for c in typed_names(table) if table.name != "readings" or c not in ("electrode_id", "well_id")
    ]
    content = pl.concat_str([_plain(pl.col(c)) for c in ("_place", *identity)], separator="\x1f")
    # A refused row has no typed content: it is told apart by its cells.
    told = pl.when(pl.col("_reason").is_null()).then(content).otherwise("_cells").alias("content")
    with store.lent("_incoming", rows.select(pl.col("_line").alias("line"), told)):
        seen = store.frame("seen_before", table_name=table.name)
    return rows.with_columns(_hash=seen["row_hash"], _seen=seen["seen"])


def _enter_taken(delivery: _Delivery, table: Table, file_id: int, row_id: int, taken: pl.DataFrame) -> None:
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


def _enter_refused(
    delivery: _Delivery, one: _Found, table: Table, file_id: int, refused: pl.DataFrame
) -> int:
    """Keep the refused rows that are not kept already; give the number of those that are."""
    store = delivery.store
    with store.lent(
        "_incoming", refused.select(pl.col("_line").alias("line"), pl.col("_cells").alias("content"))
    ):
        seen = store.frame("seen_before", table_name=table.name)
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
            pl.col("_place").alias("row_place"),
            pl.col("_moment").alias("row_moment"),
            "content_hash",
            pl.lit(delivery.known_from).alias("refused_at"),
        ),
    )
    return refused.height - new.height


def _enter_book(delivery: _Delivery, one: _Found, file_id: int, counts: dict[str, int]) -> None:
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


def _supersede(delivery: _Delivery, table: Table, file_id: int, rows: pl.DataFrame) -> None:
    """Let the rows just taken take the place of the earlier ones that they replace."""
    store = delivery.store
    if table.key:
        with store.lent("_hashes", rows.select(pl.col("_hash").alias("row_hash"))):
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


def _settle(delivery: _Delivery, one: _Found, table: Table, file_id: int, taken: pl.DataFrame) -> None:
    """Settle what was refused earlier and has now come right."""
    store = delivery.store
    with store.lent(
        "_fresh", taken.select(line="_line", cells="_cells", row_place="_place", row_moment="_moment")
    ):
        store.run(
            "settle_refused",
            file_id=file_id,
            table_name=table.name,
            file=one.name,
            sheet=one.sheet,
            known_from=delivery.known_from,
        )
    store.run("settle_refused_file", file=one.name, sheet=one.sheet, known_from=delivery.known_from)


def _refuse_file(delivery: _Delivery, one: _Found, reason: str) -> Book:
    """Enter a file or sheet that can't be taken at all: in the books without rows, in the refused without a line."""
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
