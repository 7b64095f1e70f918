"""What the values of a source profile may be: each fault in words, with what to write instead."""

import codecs
from collections.abc import Mapping
from typing import Any

_TEXTS = ("sheet", "decimal_marks", "encoding", "separator", "well_number_with")
_LISTS = ("files", "dates", "fill_down")
_MOST_LINES = 2**31
# Python's codecs that are no encodings of whole files.
_NO_FILES = ("idna", "punycode", "undefined", "unicode-escape", "raw-unicode-escape")
_SOURCE_KEYS = {"from", "unit", "words", "bare"}


def wrong_value(given: Mapping[str, Any]) -> tuple[str, str] | None:
    """Say of one map's values what is wrong, and what to write instead; None where all can be used."""
    for name in _TEXTS:
        if name in given and (not isinstance(given[name], str) or not given[name]):
            return f"has {name} = {given[name]!r}", "give a text"
    for name in _LISTS:
        listed = given.get(name, ())
        if not isinstance(listed, list | tuple) or not all(isinstance(v, str) for v in listed):
            return f"has {name} = {listed!r}", "give a list of texts"
    return _wrong_line(given.get("heading_line", 1)) or _wrong_writing(given)


def _wrong_line(line: Any) -> tuple[str, str] | None:
    if not isinstance(line, int) or isinstance(line, bool) or not 0 < line < _MOST_LINES:
        return f"has heading_line = {line!r}", "give a whole number above zero"
    return None


def _wrong_writing(given: Mapping[str, Any]) -> tuple[str, str] | None:
    if not set(given.get("decimal_marks", ".")) <= {".", ","}:
        return f"has decimal_marks = {given['decimal_marks']!r}", "give '.', ',' or '.,'"
    separator = given.get("separator", ",")
    if len(separator.encode()) != 1 or separator in '"\r\n':
        return f"has separator = {separator!r}", "give the one plain sign that stands between two cells"
    if not _is_encoding(given.get("encoding", "utf-8")):
        return f"has encoding = {given['encoding']!r}", "give one such as utf-8, cp1252 or utf-16"
    return None


def wrong_source(given: Any) -> bool:
    """Say whether what a column is mapped to is neither a heading nor `{ from, unit, bare, words }`."""
    if isinstance(given, str):
        return False
    if not isinstance(given, dict) or not isinstance(given.get("from"), str) or given.keys() - _SOURCE_KEYS:
        return True
    words = given.get("words", {})
    return not isinstance(words, dict) or not all(isinstance(w, str) for w in words.values())


def _is_encoding(name: str) -> bool:
    try:
        known = codecs.lookup(name)
        "a".encode(name)
    except (LookupError, ValueError):
        return False
    return known.name not in _NO_FILES
