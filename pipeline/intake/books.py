"""The books of a load: for each file and sheet, rows read = taken + already held + refused."""

from collections.abc import Sequence
from dataclasses import dataclass, field


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

    @property
    def found(self) -> str:
        """Give what was found out to read it, without the name of its source profile."""
        _, mark, told = (self.profile or "").partition("found: ")
        return mark + told


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

    @property
    def ok(self) -> bool:
        """Say whether there was something to load and no file or sheet was refused as a whole."""
        return bool(self.books) and not self.failures

    def total(self, what: str) -> int:
        """Add up `read`, `taken`, `held`, `refused` or `superseding` over all files."""
        return sum(getattr(b, what) for b in self.books)

    def lines(self) -> list[str]:
        """Write the books as a table for the terminal, then why rows and files were refused."""
        heading = ("file", "table", "read", "= taken", "+ held", "+ refused", "superseding")
        counts = ("read", "taken", "held", "refused", "superseding")
        rows = [(b.name, b.table or "?", *(str(getattr(b, c)) for c in counts)) for b in self.books]
        lines = aligned([heading, *rows, ("total", "", *(str(self.total(c)) for c in counts))])
        for book in self.books:
            if book.profile and "found: " in book.profile:
                lines.append(f"{book.name}: {book.profile}")
            lines += [f"{book.name}, line {line}: refused: {reason}" for line, reason in book.reasons]
            if (more := book.refused - len(book.reasons)) > 0:
                lines.append(f"{book.name}: {more} more refused, kept in the store with their reasons")
        lines += [f"{b.name}: refused as a whole: {b.failure}" for b in self.failures]
        lines += [f"left aside: {what}" for what in self.left_aside]
        return lines


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Set rows of cells in columns: words to the left, whole numbers under a heading to the right."""
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    numeric = [all(row[k].isdigit() for row in rows[1:]) for k in range(len(rows[0]))]
    return [
        "  ".join(
            cell.rjust(w) if right else cell.ljust(w)
            for cell, w, right in zip(row, widths, numeric, strict=True)
        ).rstrip()
        for row in rows
    ]
