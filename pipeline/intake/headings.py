"""Headings of foreign sheets compared with the words of the trade: how alike, and which unit they name."""

import re
import unicodedata
from difflib import SequenceMatcher
from functools import cache

from pipeline.intake.trade_words import COLUMN_WORDS
from pipeline.intake.units import spelt

_UMLAUTS = str.maketrans(
    {
        "\u00e4": "ae",
        "\u00f6": "oe",
        "\u00fc": "ue",
        "\u00df": "ss",
        "\u00c4": "Ae",
        "\u00d6": "Oe",
        "\u00dc": "Ue",
    }
)
_SIGNS = str.maketrans({"\u00d8": " diameter ", "\u00f8": " diameter ", "\u2300": " diameter ", "#": " no "})
_FILLERS = frozenset(
    [
        "of",
        "the",
        "de",
        "la",
        "le",
        "les",
        "du",
        "des",
        "der",
        "die",
        "das",
        "den",
        "in",
        "am",
        "on",
        "for",
        "at",
        "d",
        "l",
        "el",
        "en",
        "per",
        "and",
        "y",
        "und",
        "et",
    ]
)
_NUMBERS = frozenset(
    ["id", "no", "nr", "num", "number", "code", "ref", "nummer", "numero", "numero", "n", "kennung", "key"]
)
_BRACKETS = r"[(\[{<]([^)\]}>]*)[)\]}>]"


@cache
def plain_words(text: str) -> tuple[str, ...]:
    """Give the words of a text in small plain letters: no accents, `siteName` and `site_name` in two."""
    text = text.translate(_UMLAUTS).translate(_SIGNS)
    text = unicodedata.normalize("NFKD", text)
    text = "".join(c for c in text if not unicodedata.combining(c))
    text = re.sub(r"(?<=[a-z]{2})(?=[A-Z])", " ", text)  # siteName, not pH
    return tuple(re.findall(r"[a-z]+\d*|\d+", text.lower()))


@cache
def unit_in(heading: str, column: str) -> str | None:
    """Name the unit that a heading gives for a column: in brackets, behind a comma, or as last words."""
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
def _phrases_of(column: str) -> tuple[tuple[str, ...], ...]:
    phrases = (*COLUMN_WORDS.get(column, "").split("|"), column.replace("_", " "))
    return tuple(dict.fromkeys(words for p in phrases if (words := plain_words(p))))


@cache
def _vocabulary() -> tuple[frozenset[str], frozenset[str]]:
    """Give the words of all phrases, and the phrases each written as one word."""
    phrases = [p for column in COLUMN_WORDS for p in _phrases_of(column)]
    return frozenset(w for p in phrases for w in p), frozenset("".join(p) for p in phrases if len(p) > 1)


@cache
def _near(word: str) -> dict[str, float]:
    """Give the words of the vocabulary that are like this one, with how much."""
    return {other: score for other in _vocabulary()[0] if (score := _word_alike(word, other))}


@cache
def _near_joined(word: str) -> dict[str, float]:
    both = _vocabulary()[0] | _vocabulary()[1]
    return {other: score for other in both if (score := _word_alike(word, other)) >= 0.85}


@cache
def alike(heading: str, column: str) -> float:
    """Say how well a heading names a column of ours, 0 to 1."""
    best = 0.0
    for words in {_without_units(heading, column), plain_words(heading)}:
        near = [_near(w) for w in words]
        joined = _near_joined("".join(words)) if len(words) > 1 else {}
        initials = words[0] if len(words) == 1 and len(words[0]) in (2, 3) else None
        for phrase in _phrases_of(column):
            if initials and len(phrase) > 1 and initials == "".join(w[0] for w in phrase):
                best = max(best, 0.7)
            best = max(best, _phrase_alike(words, near, phrase), 0.97 * joined.get("".join(phrase), 0.0))
            if len(phrase) > 1 and len(words) == 1:
                best = max(best, 0.97 * _near_joined(words[0]).get("".join(phrase), 0.0))
    return best


def _phrase_alike(words: tuple[str, ...], near: list[dict[str, float]], phrase: tuple[str, ...]) -> float:
    if words == phrase:
        return 1.0
    there = _share(words, [max(n.get(o, 0.0) for o in phrase) for n in near])
    if not there:
        return 0.0
    back = _share(phrase, [max(n.get(o, 0.0) for n in near) for o in phrase])
    return 0.98 * 2 * there * back / (there + back) if back else 0.0


def _share(words: tuple[str, ...], found: list[float]) -> float:
    """Give how much of the words is found; fillers and words for 'number' weigh little."""
    weights = [_weight(w) for w in words]
    return sum(w * f for w, f in zip(weights, found, strict=True)) / (sum(weights) or 1.0)


@cache
def _weight(word: str) -> float:
    return 0.1 if word in _FILLERS else 0.35 if word in _NUMBERS or word.isdigit() else 1.0


@cache
def words_alike(text: str, phrases: str) -> float:
    """Say how well a text agrees with the best of several phrases, 0 to 1."""
    words = plain_words(text)
    return max((_phrases_alike(words, plain_words(p)) for p in phrases.split("|")), default=0.0)


def _phrases_alike(left: tuple[str, ...], right: tuple[str, ...]) -> float:
    if not left or not right:
        return 0.0
    return _phrase_alike(left, [{o: _word_alike(w, o) for o in right} for w in left], right)


@cache
def _word_alike(left: str, right: str) -> float:  # noqa: PLR0911 - the first that holds
    """Compare two words: equal, shortened, part of a compound, mistyped; else 0."""
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
    if len(short) >= 4 and len(long) - len(short) <= 3 and (short[0] == long[0] or short[-1] == long[-1]):
        ratio = SequenceMatcher(None, left, right, autojunk=False).ratio()
        if ratio >= 0.75:
            return ratio
    if len(short) <= 5 and short[0] == long[0] and _shortens(short, long):
        return 0.78 if len(short) >= 3 else 0.6
    return 0.0


def _shortens(short: str, long: str) -> bool:
    """Say whether the letters stand in the word in this order, few vowels among them: `rdg`, `dt`."""
    place = 0
    for letter in short:
        place = long.find(letter, place) + 1
        if place == 0:
            return False
    return sum(c in "aeiou" for c in short[1:]) <= len(short) // 3
