"""Headings of foreign sheets compared with the words of the trade: how alike, and which unit they name."""

import re
import unicodedata
from difflib import SequenceMatcher
from functools import cache

from pipeline.intake.trade_words import COLUMN_WORDS
from pipeline.intake.units import spelt

_UMLAUTS = str.maketrans({"\u00e4": "ae", "\u00f6": "oe", "\u00fc": "ue", "\u00df": "ss", "\u00c4": "Ae", "\u00d6": "Oe", "\u00dc": "Ue"})
_FILLERS = frozenset("of the de la le les du des der die das den in am on for at d l el en per and y und et".split())
_NUMBERS = frozenset("id no nr num number code ref nummer numero numero n kennung key".split())
_BRACKETS = r"[(\[{<]([^)\]}>]*)[)\]}>]"


@cache
def plain_words(text: str) -> tuple[str, ...]:
    """Give the words of a text in small plain letters: no accents, `siteName` and `site_name` in two."""
    text = text.translate(_UMLAUTS)
    text = unicodedata.normalize("NFKD", text)
    text = "".join(c for c in text if not unicodedata.combining(c))
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    return tuple(re.findall(r"[a-z]+\d*|\d+", text.lower()))


@cache
def unit_in(heading: str, column: str) -> str | None:
    """Name the unit that a heading gives for a column: in brackets, behind a slash or comma, or as last words."""
    for inside in reversed(re.findall(_BRACKETS, heading)):
        if (unit := spelt(inside, column)) is not None:
            return unit
    bare = re.sub(_BRACKETS, " ", heading).strip()
    pieces = re.split(r"[\s_/,;:]+", bare)
    for count in (3, 2, 1):
        if len(pieces) < count or (len(pieces) == count and count > 1):
            continue
        tail = "".join(pieces[-count:])
        if (unit := spelt(tail, column, letters_too=len(pieces) > 1)) is not None:
            return unit
    if (glued := re.search(r"[a-z\d\)](?=[A-Z\u03a9\u2126])(\S{2,8})$", bare)) is not None:
        return spelt(glued.group(1), column, letters_too=False)
    return None


def names_ambiguous_unit(heading: str) -> bool:
    """Say whether a heading names a unit that can be read in two ways (`Mohm`: milli or mega?)."""
    return re.search(r"(?<![A-Za-z])M(?:\u03a9|\u2126|[Oo][Hh][Mm][Ss]?)(?![A-Za-z])", heading) is not None


@cache
def _without_units(heading: str, column: str) -> tuple[str, ...]:
    bare = re.sub(_BRACKETS, " ", heading)
    words = plain_words(bare)
    if len(words) > 1:
        pieces = re.split(r"[\s_/,;:]+", bare.strip())
        kept = [p for k, p in enumerate(pieces) if k == 0 or spelt(p, column) is None]
        words = plain_words(" ".join(kept)) or words
    return words or plain_words(heading)


@cache
def alike(heading: str, column: str) -> float:
    """Say how well a heading names a column of ours, 0 to 1."""
    best = 0.0
    phrases = (*COLUMN_WORDS.get(column, "").split("|"), column.replace("_", " "))
    for words in {_without_units(heading, column), plain_words(heading)}:
        for phrase in phrases:
            if phrase and (score := _phrases_alike(words, plain_words(phrase))) > best:
                best = score
    return best


@cache
def words_alike(text: str, phrases: str) -> float:
    """Say how well a text agrees with the best of several phrases, 0 to 1."""
    words = plain_words(text)
    return max((_phrases_alike(words, plain_words(p)) for p in phrases.split("|")), default=0.0)


@cache
def _phrases_alike(left: tuple[str, ...], right: tuple[str, ...]) -> float:
    if not left or not right:
        return 0.0
    if left == right:
        return 1.0
    joined = _word_alike("".join(left), "".join(right)) if len("".join(left)) > 3 else 0.0
    there, back = _cover(left, right), _cover(right, left)
    both = 2 * there * back / (there + back) if there and back else 0.0
    return max(0.98 * both, 0.97 * joined)


def _cover(words: tuple[str, ...], by: tuple[str, ...]) -> float:
    """Give how much of the words is found among the others; fillers and words for 'number' weigh little."""
    total = found = 0.0
    for word in words:
        weight = 0.1 if word in _FILLERS else 0.35 if word in _NUMBERS or word.isdigit() else 1.0
        total += weight
        found += weight * max(_word_alike(word, other) for other in by)
    return found / total


@cache
def _word_alike(left: str, right: str) -> float:
    """Compare two words: equal, shortened, part of a compound, mistyped; 0 where they have little in common."""
    if left == right:
        return 1.0
    if left in _NUMBERS and right in _NUMBERS:
        return 0.9
    short, long = sorted((left, right), key=len)
    if len(short) < 2:
        return 0.0
    if len(short) >= 3 and long.startswith(short):
        return 0.9 if len(long) - len(short) <= 2 else 0.86
    if len(short) >= 5 and short in long:
        return 0.85
    ratio = SequenceMatcher(None, left, right, autojunk=False).ratio()
    if ratio >= 0.75 and min(len(left), len(right)) >= 4:
        return ratio
    if len(short) <= 5 and short[0] == long[0] and _shortens(short, long):
        return 0.78 if len(short) >= 3 else 0.6
    return 0.0


def _shortens(short: str, long: str) -> bool:
    """Say whether the letters stand in the word in this order, few vowels among them: `rdg`, `instr`, `dt`."""
    place = 0
    for letter in short:
        place = long.find(letter, place) + 1
        if place == 0:
            return False
    return sum(c in "aeiou" for c in short[1:]) <= len(short) // 3
