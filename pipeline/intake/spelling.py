"""How alike two names are, after what the trade does to names: case, separators, leading zeros, the site."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import lru_cache

# Words that say what a thing is and not which one: dropped from a name.
_THING_WORDS = frozenset(
    [
        "w",
        "well",
        "wells",
        "testwell",
        "test",
        "tw",
        "pit",
        "inspection",
        "rod",
        "rods",
        "r",
        "electrode",
        "el",
        "earth",
        "e",
        "point",
        "pt",
        "position",
        "pos",
        "p",
        "no",
        "nr",
        "n",
        "number",
        "site",
        "station",
        "substation",
        "ss",
        "sub",
        "stn",
        "point",
        "brunnen",
        "erder",
        "schacht",
        "puits",
        "piquet",
        "regard",
        "pozo",
        "pica",
        "jabalina",
        "arqueta",
    ]
)
_NUMBER_WORDS = dict(
    zip(
        ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"],
        (str(n) for n in range(1, 13)),
        strict=True,
    )
)
_ROMAN = {"i": 1, "v": 5, "x": 10}
_PARTS = re.compile(r"[0-9]+|[^\W\d_]+")


@lru_cache(maxsize=200_000)
def parts_of(name: str) -> tuple[str, ...]:
    """Part a name into words and numbers: no case, separators, leading zeros; o and l among digits read."""
    text = re.sub(r"(?<=[0-9])[oO](?![a-zA-Z])|(?<![a-zA-Z])[oO](?=[0-9])", "0", name)
    text = re.sub(r"(?<=[0-9])[lI](?![a-zA-Z])|(?<![a-zA-Z])[lI](?=[0-9])", "1", text)
    found = (p.lower() for p in _PARTS.findall(text))
    return tuple(str(int(p)) if p.isdigit() else _NUMBER_WORDS.get(p, p) for p in found)


def roman(word: str) -> int | None:
    """Read a small Roman number; None where the word is none."""
    if not word or any(letter not in _ROMAN for letter in word):
        return None
    values = [_ROMAN[letter] for letter in word]
    total = sum(-v if v < after else v for v, after in zip(values, [*values[1:], 0], strict=True))
    return total if total <= 39 else None


def ratio(a: str, b: str) -> float:
    """Give how alike two texts are, 0 to 1 (share of letters in matching blocks)."""
    if not a or not b:
        return 0.0
    return SequenceMatcher(None, a, b, autojunk=False).ratio()


@dataclass(frozen=True)
class Spelt:
    """What a name says beside a site: whether it names that site, and what is left without it."""

    says_site: bool
    rest: tuple[str, ...]

    @property
    def number(self) -> str | None:
        """Give the last number of the rest, in whatever way it is written; None where there is none."""
        for part in reversed(self.rest):
            if part.isdigit():
                return part
        for part in reversed(self.rest):
            if part not in _THING_WORDS and (value := roman(part)) is not None and len(self.rest) <= 2:
                return str(value)
        return None

    @property
    def letter(self) -> int | None:
        """Give the place in the alphabet of a rest that is one letter and no number; None otherwise."""
        letters = [p for p in self.rest if len(p) == 1 and p.isalpha()]
        if self.number_written or len(letters) != 1 or len(self.rest) > 2:
            return None
        return ord(letters[0]) - ord("a") + 1

    @property
    def number_written(self) -> bool:
        """Say whether the rest has a number in digits."""
        return any(p.isdigit() for p in self.rest)


@dataclass(frozen=True)
class SiteWords:
    """How a site may be named: parts of its id, parts of its name, its initials."""

    ways: tuple[tuple[str, ...], ...]

    @classmethod
    @lru_cache(maxsize=100_000)
    def of(cls, site_id: str, site_name: str) -> "SiteWords":
        """Collect the ways; longer ones first, since they are taken off first."""
        name = tuple(p for p in parts_of(site_name) if p not in _THING_WORDS) or parts_of(site_name)
        initials = ("".join(p[0] for p in name),) if len(name) > 1 else ()
        ways = {parts_of(site_id), name, ("".join(name),), initials, ("".join(parts_of(site_id)),)}
        return cls(tuple(sorted((w for w in ways if w), key=len, reverse=True)))


def spelt_at(name: str, site: SiteWords) -> Spelt:
    """Take the site off a name, where the name says it."""
    parts = parts_of(name)
    for way in site.ways:
        for k in range(len(parts) - len(way) + 1):
            window = parts[k : k + len(way)]
            if window == way or (len("".join(way)) >= 5 and _nearly(window, way)):
                return Spelt(True, parts[:k] + parts[k + len(way) :])
    return Spelt(False, parts)


def _nearly(window: Sequence[str], way: Sequence[str]) -> bool:
    """Say whether words agree but for a slip of the pen; numbers have to agree."""
    if any(a != b for a, b in zip(window, way, strict=True) if a.isdigit() or b.isdigit()):
        return False
    return ratio("".join(window), "".join(way)) >= 0.85


def named_parts(name: str) -> tuple[str, ...]:
    """Part a site's name and leave out the words that say what it is."""
    parts = parts_of(name)
    return tuple(p for p in parts if p not in _THING_WORDS) or parts


def plain(parts: Sequence[str]) -> str:
    """Write parts together without the words that say what a thing is."""
    return "".join(p for p in parts if p not in _THING_WORDS) or "".join(parts)


def near_number(a: str | None, b: str | None) -> float:
    """Give how near two unequal numbers are as a slip of the pen: digits exchanged, one wrong or left out."""
    if a is None or b is None or a == b:
        return 0.0
    if sorted(a) == sorted(b):
        return 1.0
    return max(0.0, ratio(a, b) - 0.4) if max(len(a), len(b)) > 1 else 0.0
