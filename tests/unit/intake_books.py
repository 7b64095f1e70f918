"""What the store must hold after any sequence of files: the rules of the intake, row by row, in Python."""

from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import datetime

HEADINGS = ("well_id", "taken_at", "resistance_ohm", "corrects", "note")


@dataclass(frozen=True)
class Row:
    """One line of a file, as it is written."""

    well_id: str
    taken_at: str
    resistance_ohm: str
    corrects: str = ""
    note: str = ""
    mark: str = ""
    """Of a row that was written out to be corrected: which refused row it answers."""

    @property
    def cells(self) -> tuple[str, ...]:
        """Give the cells under HEADINGS."""
        return (self.well_id, self.taken_at, self.resistance_ohm, self.corrects, self.note)

    def marked(self, mark: str) -> "Row":
        """Give the row as the answer to a refused one."""
        return replace(self, mark=mark)


@dataclass(frozen=True)
class Taken:
    """A row in the history."""

    row: Row
    delivered: tuple[int, str, int]
    """(load, file, line)."""
    file_no: int

    @property
    def key(self) -> tuple[str, str]:
        """Give place and moment, by which a correction finds what it corrects."""
        return self.row.well_id, self.row.taken_at


@dataclass
class Refused:
    """A row that was refused, and the load by which it was settled."""

    row: Row
    file: str
    line: int
    load: int
    file_no: int
    settled: int | None = None


@dataclass
class Books:
    """The reference: taken, refused and superseded rows after each load."""

    dates: frozenset[str]
    """The dates that a reading may have."""
    wells: set[str]
    taken: list[Taken] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    gone: dict[Taken, tuple[int, Taken]] = field(default_factory=dict)
    """Superseded row -> (load, the row that took its place)."""
    loads: int = 0
    files: int = 2
    """Sheets of which there are books: those of the sites and the electrodes first."""

    def sound(self, row: Row) -> bool:
        """Say whether a row can be taken."""
        number = row.resistance_ohm.replace(".", "", 1).isdigit()
        return number and row.taken_at in self.dates and row.well_id in self.wells

    def load(self, name: str, rows: list[Row]) -> tuple[int, int, int, int]:
        """Enter one file of a load; give rows read, taken, held and refused."""
        self.files += 1
        known = Counter(t.row.cells for t in self.taken)
        waiting = Counter(r.row.cells for r in self.refused)
        seen: Counter[tuple[str, ...]] = Counter()
        fresh: list[Taken] = []
        refused = 0
        for line, row in enumerate(rows, start=2):
            seen[row.cells] += 1
            plain, where = replace(row, mark=""), (self.loads, name, line)
            if not self.sound(row):
                refused += 1
                if seen[row.cells] > waiting[row.cells]:
                    self._refuse(row, Refused(plain, name, line, self.loads, self.files))
            elif seen[row.cells] > known[row.cells]:
                fresh.append(Taken(plain, where, self.files))
                self._settle(row, name, line)
        self.taken += fresh
        self._supersede({t.key for t in fresh})
        return len(rows), len(fresh), len(rows) - len(fresh) - refused, refused

    def _refuse(self, row: Row, kept: Refused) -> None:
        """Keep a refused row; one that answers an earlier one waits in its place."""
        self._settle_marked(row.mark)
        self.refused.append(kept)

    def _settle_marked(self, mark: str) -> None:
        for r in self.refused:
            if mark and mark == mark_of(r) and r.settled is None and r.file_no != self.files:
                r.settled = self.loads

    def _settle(self, row: Row, name: str, line: int) -> None:
        """Settle what a row now taken answers: by its mark, its place and moment, or its line."""
        self._settle_marked(row.mark)
        for r in self.refused:
            if r.settled is not None or r.file_no == self.files:
                continue
            place = r.row.well_id == row.well_id
            moment = r.row.taken_at == row.taken_at  # of a date that can't be read there is none
            same_line = (r.file, r.line) == (name, line)
            if (place and moment) or (same_line and (place or moment)):
                r.settled = self.loads

    def _supersede(self, keys: set[tuple[str, str]]) -> None:
        """Let corrections take the place of what they correct; one that came first waits for its value."""
        answered = {by for _, by in self.gone.values()}
        standing = [t for t in self.taken if t not in self.gone and t.key in keys]
        for earlier in standing:
            by = [
                c
                for c in standing
                if c.row.corrects
                and c is not earlier
                and c.key == earlier.key
                and self.files in (c.file_no, earlier.file_no)
                and (
                    earlier.delivered < c.delivered
                    if earlier.row.corrects
                    else earlier.delivered[0] <= c.delivered[0] or c not in answered
                )
            ]
            if by:
                self.gone[earlier] = (self.loads, max(by, key=lambda c: c.delivered))

    def standing(self, load: int | None = None) -> list[tuple[object, ...]]:
        """Give the readings that stood after a load (None: now), as the store shows them, sorted."""
        load = self.loads if load is None else load
        rows = [
            t.row
            for t in self.taken
            if t.delivered[0] <= load and (t not in self.gone or self.gone[t][0] > load)
        ]
        shown = [
            (
                r.well_id,
                datetime.fromisoformat(r.taken_at),
                float(r.resistance_ohm),
                r.corrects == "true",
                note,
            )
            for r, note in ((r, r.note or None) for r in rows)
        ]
        return sorted(shown, key=str)

    def waiting(self, load: int | None = None) -> list[tuple[object, ...]]:
        """Give file, line, cells and whether settled of each row that was refused up to a load, sorted."""
        load = self.loads if load is None else load
        return sorted(
            (r.file, r.line, *r.row.cells, r.settled is not None and r.settled <= load)
            for r in self.refused
            if r.load <= load
        )


def mark_of(refused: Refused) -> str:
    """Give the mark that `refused --write` puts beside a row."""
    return f"{refused.file}||{refused.line}|{refused.file_no}"
