"""The only door to DuckDB: opens the store, migrates it, runs the SQL files with bound values."""

import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from threading import RLock
from types import TracebackType
from typing import Any

import duckdb
import polars as pl

from pipeline.errors import StoreError

SQL_FOLDER = Path(__file__).resolve().parent.parent / "sql"
# A fleet's data never needs an extension from a network, and must not wait for one.
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}
# Rows that go out in hundreds of Parquet folders at once are written as they come: a third of the memory, and
# quicker (measured on 15 million rows in 500 folders).
_SESSION = "SET partitioned_write_flush_threshold = 8192; SET partitioned_write_max_open_files = 600"
_LENDING = RLock()  # names of this module are those of every thread
_BIND = re.compile(r"\$([a-z_][a-z0-9_]*)")
_PID = re.compile(r"PID (\d+)")


@dataclass(frozen=True)
class CheckResult:
    """Hold the outcome of one SQL check; `offending` are the rows that should not exist."""

    name: str
    offending: pl.DataFrame

    @property
    def passed(self) -> bool:
        """Say whether no row offended."""
        return self.offending.is_empty()


class Store:
    """Hold the one connection to a fleet's store."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, path: Path) -> None:
        self._connection = connection
        self.path = path

    @classmethod
    def open(cls, path: Path, read_only: bool = False) -> "Store":
        """Open the store, making or migrating it unless `read_only`.

        Raises StoreError where another process holds it, where there is none to read, or where the file
        is not a store.
        """
        if read_only and not path.exists():
            raise StoreError(f"There is no store at {path}; load the field files first (`rodfleet load`).")
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            connection = duckdb.connect(str(path), read_only=read_only, config=_CONFIG)
        except duckdb.Error as fault:
            raise StoreError(_why_not_open(path, str(fault))) from fault
        store = cls(connection, path)
        try:
            connection.execute(_SESSION)
            if not read_only:
                store._migrate()
            elif store._pending():
                store.close()
                cls.open(path).close()  # an older program's store is brought up to date before it is read
                return cls.open(path, read_only=True)
        except BaseException:
            store.close()
            raise
        return store

    def __enter__(self) -> "Store":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection; what was committed stays."""
        self._connection.close()

    def look_back(self, at: datetime) -> None:
        """Let every `core_*` view of this connection show what was known at a moment; nothing is written.

        Rows that came later are not there, and rows that were superseded or settled later still stand.
        """
        for view in sorted((SQL_FOLDER / "views").glob("core_*.sql")):
            shown = view.stem
            then = f"TIMESTAMP '{at.isoformat(sep=' ')}'"
            sql = f"CREATE OR REPLACE TEMP VIEW {shown} AS FROM {shown.replace('core_', 'known_', 1)}({then})"
            self._execute(sql, shown, {})

    def run(self, name: str, **binds: Any) -> None:
        """Run the SQL file `sql/NAME.sql` with values bound to its `$names`; StoreError shows the SQL."""
        self._execute(_sql(name), name, binds)

    def frame(self, name: str, **binds: Any) -> pl.DataFrame:
        """Run the SQL file `sql/NAME.sql` and give its rows."""
        return self._rows(_sql(name), name, binds)

    def table(self, name: str) -> pl.DataFrame:
        """Give all rows of one table or view."""
        return self._rows(f'FROM "{_checked_name(name)}"', name, {})

    def row(self, table: str, row_id: int) -> dict[str, Any]:
        """Give the row of that number of one table; raise StoreError where there is none."""
        sql = f'FROM "{_checked_name(table)}" WHERE row_id = $row_id'
        rows = self._rows(sql, table, {"row_id": row_id}).rows(named=True)
        if not rows:
            raise StoreError(f"There is no row {row_id} in {table}.")
        return rows[0]

    def write(self, table: str, frame: pl.DataFrame) -> None:
        """Replace the whole table `table` by a frame; for the `_` tables between the stages."""
        with self.lent("_lent", frame):
            self._execute(f'CREATE OR REPLACE TABLE "{_checked_name(table)}" AS FROM _lent', table, {})

    def append(self, table: str, frame: pl.DataFrame) -> None:
        """Add the rows of a frame to a table by column name; a column that the frame lacks is null."""
        if frame.height:
            with self.lent("_lent", frame):
                self._execute(f'INSERT INTO "{_checked_name(table)}" BY NAME FROM _lent', table, {})

    def allow_paths(self, path: str) -> None:
        """Bring in what DuckDB needs for files of an object store; it must be installed on this machine."""
        if "://" in path:
            self._execute("LOAD httpfs", "httpfs", {})

    @contextmanager
    def lent(self, name: str, frame: pl.DataFrame) -> Iterator[None]:
        """Let SQL see a frame under a name for a while, without copying it into the store."""
        # DuckDB finds the frame among the names of this module. Registered frames would stay in memory until
        # the transaction ends: its catalog keeps them.
        with _LENDING:
            globals()[_checked_name(name)] = frame
            try:
                yield
            finally:
                del globals()[name]

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Commit all of what is done inside, or nothing of it where an error leaves the block."""
        self._connection.execute("BEGIN")
        try:
            yield
        except BaseException:
            # A fault of the disk may have ended the transaction already.
            with suppress(duckdb.Error):
                self._connection.execute("ROLLBACK")
            raise
        self._execute("COMMIT", "commit", {})

    def checks(self) -> list[CheckResult]:
        """Run every check of `sql/checks/`, in order of name; each gives the rows that should not exist."""
        names = sorted(p.stem for p in (SQL_FOLDER / "checks").glob("*.sql"))
        return [CheckResult(name, self.frame(f"checks/{name}")) for name in names]

    def _pending(self) -> list[Path]:
        """Give the migrations that this store has not had; raise StoreError where it has had later ones."""
        tables = self._rows("SELECT table_name FROM duckdb_tables()", "tables", {})["table_name"]
        had = set(self.table("_migrations")["name"]) if "_migrations" in tables else set()
        files = sorted((SQL_FOLDER / "migrations").glob("*.sql"))
        if unknown := had - {f.stem for f in files}:
            raise StoreError(
                f"The store {self.path} was made by a newer rodfleet ({max(unknown)}); update rodfleet first."
            )
        return [f for f in files if f.stem not in had]

    def _migrate(self) -> None:
        """Run the pending migrations, each in its own transaction; make the views."""
        self._execute(
            "CREATE TABLE IF NOT EXISTS _migrations (name TEXT PRIMARY KEY, applied_at TIMESTAMP)",
            "tables",
            {},
        )
        for file in self._pending():
            with self.transaction():
                self._execute(file.read_text(encoding="utf-8"), file.stem, {})
                applied = "INSERT INTO _migrations VALUES ($name, current_localtimestamp())"
                self._execute(applied, "tables", {"name": file.stem})
        with self.transaction():
            for view in sorted((SQL_FOLDER / "views").glob("*.sql")):
                self._execute(view.read_text(encoding="utf-8"), view.stem, {})

    def _execute(self, sql: str, name: str, binds: dict[str, Any]) -> None:
        with _explained(sql, name):
            self._connection.execute(sql, _used(sql, binds))

    def _rows(self, sql: str, name: str, binds: dict[str, Any]) -> pl.DataFrame:
        with _explained(sql, name):
            relation = self._connection.sql(sql, params=_used(sql, binds))
            if relation is None:
                raise StoreError(f"The SQL of {name} gives no rows:\n{sql}")
            rows = pl.from_arrow(relation.to_arrow_table())
        assert isinstance(rows, pl.DataFrame)
        return rows


def _checked_name(name: str) -> str:
    """Give a table's name back if it is a plain one: names can't be bound, so nothing else gets into SQL."""
    if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", name):
        raise StoreError(f"{name!r} is not a table's name.")
    return name


def _sql(name: str) -> str:
    """Read a SQL file named by its path below `sql/`, or by its bare name within `sql/queries/`."""
    for path in (SQL_FOLDER / f"{name}.sql", SQL_FOLDER / "queries" / f"{name}.sql"):
        if path.is_file():
            return path.read_text(encoding="utf-8")
    raise StoreError(f"There is no SQL file {name}.sql below sql/ or sql/queries/.")


def _used(sql: str, binds: dict[str, Any]) -> dict[str, Any] | None:
    """Keep the binds that the SQL names: DuckDB refuses one that it does not ask for."""
    without_comments = re.sub(r"--[^\n]*", "", sql)
    asked = set(_BIND.findall(without_comments))
    if missing := asked - binds.keys():
        raise StoreError(f"No value was given for {', '.join(sorted(missing))} in:\n{sql}")
    return {key: binds[key] for key in asked} or None


@contextmanager
def _explained(sql: str, name: str) -> Iterator[None]:
    try:
        yield
    except duckdb.Error as fault:
        if "No space left" in str(fault):
            raise StoreError(
                "No space left on the disk of the store: what was being written was not taken, what was "
                "there stands; make room, then do it again."
            ) from fault
        raise StoreError(f"The store could not run {name}: {fault}\n{sql}") from fault


def _why_not_open(path: Path, fault: str) -> str:
    if "lock" in fault.lower():
        pid = _PID.search(fault)
        who = f"process {pid.group(1)}" if pid else "another process"
        return f"The store {path} is in use by {who}; wait until it is done, or end it, then try again."
    if "different configuration" in fault:
        return f"The store {path} is already open in this process in another mode; close it first."
    return f"The store {path} can't be opened ({fault.splitlines()[0]}); put a sound copy in its place."
