"""Text files, plain or gzipped, piece by piece; the encoding is found out where nobody says it."""

import codecs
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import FileRefusedError
from pipeline.intake.packed import pieces_of

PEEK_BYTES = 65_536
BLOCK_BYTES = 32 * 2**20  # of a text are looked at at a time: memory stays bounded
_BYTE_ORDER_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_ZERO_BYTES = "the text holds zero bytes, so it is not text or is damaged; send it again"


@dataclass(frozen=True)
class Encoding:
    """Name how a file's text is written, and tell so where it is not UTF-8."""

    name: str
    found: tuple[str, ...] = ()
    is_plain: bool = False
    """UTF-8 without a mark before it, seen to be whole: it need not be decoded again."""


def find_encoding(path: Path) -> Encoding:
    """Find the encoding of a whole text file: UTF-8, UTF-16 (by its mark, or its zero bytes) or cp1252.

    Raises FileRefusedError with the line where it is none of them.
    """
    head = next(pieces_of(path, PEEK_BYTES), b"")
    if (marked := _by_head(head)) is not None:
        return marked
    if _is_utf8(pieces_of(path)):
        return Encoding("utf-8", is_plain=True)
    try:
        for _ in decoded(pieces_of(path), "utf-8"):
            pass
    except FileRefusedError as not_utf8:
        # UTF-8 with a tear in it would turn into nonsense letters as cp1252.
        if _mostly_utf8(pieces_of(path)):
            raise
        try:
            for _ in decoded(pieces_of(path), "cp1252"):
                pass
        except FileRefusedError:
            raise not_utf8 from None
        return Encoding("cp1252", ("cp1252",))
    return Encoding("utf-8", is_plain=True)


def _is_utf8(pieces: Iterator[bytes]) -> bool:
    decoder, torn = codecs.getincrementaldecoder("utf-8")(), False
    try:
        for piece in pieces:
            if torn or not piece.isascii():  # plain ASCII needs no look
                decoder.decode(piece)
                torn = not piece.isascii()
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def text_of(path: Path, encoding: Encoding) -> Iterator[bytes]:
    """Give a file's text as UTF-8, piece by piece, torn anywhere; every end of line is a newline.

    Raises FileRefusedError where it is not in that encoding, or holds zero bytes.
    """
    held = b""
    for piece in _as_utf8(path, encoding):
        if b"\x00" in piece:
            raise FileRefusedError(_ZERO_BYTES)
        whole = held + piece if held else piece
        held = b"\r" if whole.endswith(b"\r") else b""  # half of a \r\n, perhaps
        yield _with_newlines(whole[: len(whole) - len(held)])
    if held:
        yield b"\n"


def _as_utf8(path: Path, encoding: Encoding) -> Iterator[bytes]:
    if encoding.is_plain:
        yield from pieces_of(path, BLOCK_BYTES)
    else:
        yield from (text.encode() for text in decoded(pieces_of(path, BLOCK_BYTES), encoding.name))


def _with_newlines(text: bytes) -> bytes:
    return text.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in text else text


def head_of(path: Path, encoding: str | None) -> tuple[str, tuple[str, ...]]:
    """Read the beginning of a text file, in the encoding given or found there; also what was found."""
    content = next(pieces_of(path, PEEK_BYTES), b"")
    found = Encoding(encoding) if encoding is not None else _by_head(content)
    if found is not None:
        return _beginning(content, found.name), found.found
    try:
        return _beginning(content, "utf-8"), ()
    except FileRefusedError as not_utf8:
        if _mostly_utf8(iter([content])):
            raise
        try:
            return _beginning(content, "cp1252"), ("cp1252",)
        except FileRefusedError:
            raise not_utf8 from None


def _beginning(content: bytes, encoding: str) -> str:
    """Decode what may be torn through its last character."""
    text = "".join(decoded(iter([content]), encoding, final=False))
    if "\x00" in text:
        raise FileRefusedError(_ZERO_BYTES)
    return text.removesuffix("\r").replace("\r\n", "\n").replace("\r", "\n")


def decoded(pieces: Iterator[bytes], encoding: str, final: bool = True) -> Iterator[str]:
    """Decode text piece by piece; raise FileRefusedError with the line that is not in that encoding."""
    try:
        decoder = codecs.getincrementaldecoder(
            "utf-8-sig" if encoding.lower() in ("utf-8", "utf8") else encoding
        )()
    except LookupError as fault:
        raise FileRefusedError(
            f"there is no encoding '{encoding}'; correct it in the source profile"
        ) from fault
    line = 1
    try:
        for piece in pieces:
            text = decoder.decode(piece)
            line += text.count("\n")
            yield text
        if final and (text := decoder.decode(b"", final=True)):
            yield text
    except UnicodeError as fault:
        at = fault.object.count(b"\n", 0, fault.start) if isinstance(fault, UnicodeDecodeError) else 0
        raise FileRefusedError(
            f"the text is not {encoding.upper()} (line {line + at}); save it as UTF-8, or give a source "
            "profile with its encoding"
        ) from fault


def _by_head(head: bytes) -> Encoding | None:
    for mark, name in _BYTE_ORDER_MARKS:
        if head.startswith(mark):
            return Encoding(name, () if name == "utf-8-sig" else (name,))
    wide = _utf16_by_zeros(head)
    return Encoding(wide, (wide,)) if wide else None


def _utf16_by_zeros(content: bytes) -> str | None:
    """Know UTF-16 without a mark by its zero bytes: nearly all on one side, as in European text."""
    head = content[:4096]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) / 2
    if odd > 0.7 * half and even < 0.05 * half:
        return "utf-16-le"
    if even > 0.7 * half and odd < 0.05 * half:
        return "utf-16-be"
    return None


def _mostly_utf8(pieces: Iterator[bytes]) -> bool:
    """Say whether letters beyond ASCII stand there as UTF-8 more often than not."""
    decoder = codecs.getincrementaldecoder("utf-8")(errors="replace")
    right = wrong = 0
    for piece in pieces:
        text = decoder.decode(piece)
        torn = text.count("\ufffd")
        wrong += torn
        right += 0 if text.isascii() else sum(not c.isascii() for c in text) - torn
    return right > wrong
