"""The books of a load: for each file and sheet, rows read = taken + already held + refused."""

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
