"""Packed files opened with care: gzip, zips, workbooks (zips themselves); a bomb is refused while read."""

import gzip
import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO

from pipeline.errors import FileRefusedError

# Common practice, no source: field tables pack ten- to thirtyfold, a bomb a thousandfold and more.
MOST_TIMES = 100
ALWAYS_ALLOWED_BYTES = 16 * 2**20  # a small file may pack well: the same line again and again
MOST_BYTES = 4 * 2**30
MOST_MEMBERS = 20_000
MOST_CELLS = 200_000_000  # a sheet is laid out as a full rectangle before any cell can be looked at
MOST_REPEATED = 1_000_000  # filled cells that an ODS sheet says by "the same again"; a crew's have a handful
_PIECE = 2**20
_FAULTS = (zipfile.BadZipFile, EOFError, zlib.error, NotImplementedError, RuntimeError, OSError, ValueError)


@dataclass
class Meter:
    """Count what comes out of a packed file; raise FileRefusedError where it is too much for what went in."""

    packed: int
    unpacked: int = 0

    def add(self, piece: bytes) -> None:
        """Count a piece that was unpacked."""
        self.unpacked += len(piece)
        if self.unpacked > MOST_BYTES:
            raise FileRefusedError(
                f"it unpacks to more than {MOST_BYTES // 2**30} GB; split it, and send the parts"
            )
        if self.unpacked > max(ALWAYS_ALLOWED_BYTES, MOST_TIMES * self.packed):
            raise FileRefusedError(
                f"it unpacks to more than {MOST_TIMES} times its size, as no field file does; "
                "send the file that it was packed from"
            )


def pieces_of(path: Path, size: int = _PIECE) -> Iterator[bytes]:
    """Read a file piece by piece, unpacked if its name ends in `.gz`.

    Raises FileRefusedError where it can't be opened, is damaged, or is a bomb.
    """
    try:
        if path.suffix.lower() != ".gz":
            with path.open("rb") as stream:
                yield from _pieces(stream, size)
            return
        meter = Meter(path.stat().st_size)
        with gzip.open(path, "rb") as packed:
            for piece in _pieces(packed, size):
                meter.add(piece)
                yield piece
    except (EOFError, gzip.BadGzipFile, zlib.error) as fault:
        raise FileRefusedError(f"the gzip file is damaged or cut short ({fault}); send it again") from fault
    except OSError as fault:
        raise FileRefusedError(f"it can't be opened ({fault.strerror}); check who may read it") from fault


def _pieces(stream: IO[bytes] | gzip.GzipFile, size: int = _PIECE) -> Iterator[bytes]:
    while piece := stream.read(size):
        yield piece


@dataclass(frozen=True)
class Unpacked:
    """Hold what came of a zip: the members that were unpacked, and those that were not, with the reason."""

    members: tuple[tuple[str, Path], ...]
    """(name inside the zip, where it lies now)."""
    refused: tuple[tuple[str, str], ...]
    """(name inside the zip, why it was refused)."""


def unzipped(path: Path, into: Path) -> Unpacked:
    """Unpack a zip below the folder `into` and nowhere else.

    A member whose path leaves the folder, or that is locked or damaged, is refused by itself. Raises
    FileRefusedError where the whole is no zip or a bomb (measured on what comes out, not on what it claims).
    """
    members, refused = [], []
    try:
        with zipfile.ZipFile(path) as archive:
            meter = Meter(path.stat().st_size)
            entries = [e for e in archive.infolist() if not e.is_dir()]
            if len(entries) > MOST_MEMBERS:
                raise FileRefusedError(f"the zip holds more than {MOST_MEMBERS} files; send them in parts")
            for number, entry in enumerate(entries):
                reason = _leaves(entry)
                target = into / str(number) / PurePosixPath(entry.filename.replace("\\", "/")).name
                if reason is None:
                    reason = _unpack(archive, entry, target, meter)
                if reason is None:
                    members.append((entry.filename.replace("\\", "/"), target))
                else:
                    refused.append((entry.filename, reason))
    except _FAULTS as fault:
        raise FileRefusedError(f"it is not a whole zip file ({_first(fault)}); send it again") from fault
    return Unpacked(tuple(members), tuple(refused))


def _leaves(entry: zipfile.ZipInfo) -> str | None:
    """Say why a member may not be unpacked: its path leads out of the folder, or it is a link."""
    name = entry.filename.replace("\\", "/")
    parts = PurePosixPath(name).parts
    if not parts or name.startswith("/") or ".." in parts or re.match(r"^[A-Za-z]:", name) or "\x00" in name:
        return "its path leads out of the zip's folder; pack it again without that path"
    if (entry.external_attr >> 16) & 0o170000 == 0o120000:
        return "it is a link and no file; pack the file itself"
    return None


def _unpack(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path, meter: Meter) -> str | None:
    if entry.flag_bits & 0x1:
        return "it is locked with a password; send it unlocked"
    target.parent.mkdir(parents=True)
    try:
        with archive.open(entry) as stream, target.open("wb") as out:
            for piece in _pieces(stream):
                meter.add(piece)
                out.write(piece)
    except _FAULTS as fault:
        return f"this file in the zip is damaged ({_first(fault)}); send it again"
    return None


def _first(fault: BaseException) -> str:
    return (str(fault).splitlines() or [type(fault).__name__])[0]


@dataclass(frozen=True)
class BookFacts:
    """Hold what the reader of workbooks does not tell."""

    errors: int
    """Cells whose formula failed (#N/A): they are read as empty."""
    merged: int
    """Ranges of merged cells: only the first cell of each holds its value."""
    days_from_1904: bool
    """Days are counted from 1904 and not from 1900."""


def check_workbook(source: Path | bytes) -> BookFacts:
    """Unpack every part of a workbook once, keeping none of it, before a reader lays it out in memory.

    Raises FileRefusedError for a bomb, or for a sheet that is far wider or longer than any table.
    """
    size = len(source) if isinstance(source, bytes) else source.stat().st_size
    errors = merged = 0
    from_1904 = False
    meter = Meter(size)
    try:
        with zipfile.ZipFile(io.BytesIO(source) if isinstance(source, bytes) else source) as archive:
            for entry in archive.infolist():
                sheet = entry.filename.startswith("xl/worksheets/") and entry.filename.endswith(".xml")
                extent, repeats = _Extent(), _Repeats()
                with archive.open(entry) as stream:
                    for text in _between_tags(_pieces(stream), meter):
                        if sheet:
                            extent.see(text)
                        elif entry.filename == "content.xml":
                            repeats.see(text)
                        from_1904 |= entry.filename == "xl/workbook.xml" and b'date1904="1"' in text
                errors, merged = errors + extent.errors, merged + extent.merged
    except _FAULTS as fault:
        raise FileRefusedError(f"it is not a whole XLSX workbook ({_first(fault)}); send it again") from fault
    return BookFacts(errors, merged, from_1904)


def _between_tags(pieces: Iterator[bytes], meter: Meter) -> Iterator[bytes]:
    """Cut the pieces anew so that no tag is torn in two."""
    rest = b""
    for piece in pieces:
        meter.add(piece)
        text = rest + piece
        cut = max(text.rfind(b"<"), 0)
        yield text[:cut]
        rest = text[cut:]
    yield rest


class _Extent:
    """Follow how far a sheet's cells reach."""

    def __init__(self) -> None:
        self.rows = self.columns = self.errors = self.merged = 0

    def see(self, text: bytes) -> None:
        for letters in set(re.findall(rb'<(?:\w+:)?c [^>]{0,40}?r="([A-Z]{1,3})\d', text)):
            self.columns = max(self.columns, _column_number(letters))
        if rows := re.findall(rb'<(?:\w+:)?(?:row|c) [^>]{0,40}?r="[A-Z]{0,3}(\d{1,9})"', text)[-200:]:
            self.rows = max(self.rows, *map(int, rows))
        self.errors += text.count(b't="e"')
        self.merged += text.count(b"<mergeCell ")
        if self.rows * self.columns > MOST_CELLS or self.columns > 16_384:
            raise FileRefusedError(
                f"a sheet reaches to row {self.rows} and column {self.columns}, so this is no table; "
                "delete the stray cells far out"
            )


class _Repeats:
    """Count the filled cells that an ODS sheet does not write out: a few bytes can stand for millions."""

    _TAG = re.compile(rb"<table:table-(row|cell)\b([^>]*)>")

    def __init__(self) -> None:
        self.rows, self.cells = 1, 0

    def see(self, text: bytes) -> None:
        for what, told in self._TAG.findall(text):
            found = re.search(rb'-repeated="(\d+)"', told)
            times = int(found[1]) if found else 1
            if what == b"row":
                self.rows = times
            elif b"value-type=" in told:
                self.cells += self.rows * times - 1
        if self.cells > MOST_REPEATED:
            raise FileRefusedError(
                f"filled cells are repeated {self.cells} times, so this is no table; delete them"
            )


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number
