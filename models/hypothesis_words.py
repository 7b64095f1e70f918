"""What a question to the fleet is, and what it and its answer say in the trade's words."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, fields

# The power is stated for finding that one group takes half as long again; for a slope, an eighth a doubling.
POWER_RATIO, POWER_RATIO_SLOPE = 1.5, 1.125
# A ratio this near to 1 changes no decision: what equivalence is tested against where the analyst names no
# margin. A choice of ours, stated beside the answer.
MATTERS = 1.25
PLACES = ("soil_class", "region")
UNITS = {"ph": "", "chloride_ppm": " ppm", "resistivity_ohm_m": " ohm m", "installed_year": ""}
NAMES = {
    "ph": "pH",
    "chloride_ppm": "chloride",
    "resistivity_ohm_m": "soil resistivity",
    "installed_year": "year of installation",
    "soil_class": "soil class",
    "region": "district",
    "decade": "decade of installation",
}
LISTED, OTHERS = "the purchase", "other purchases"


def said(column: str) -> str:
    """Give a column's name in the trade's words."""
    return NAMES.get(column, column.replace("_", " "))


@dataclass(frozen=True)
class Outcome:
    """How an outcome is spoken of; `more` and `less` are what a ratio above and below 1 means for rods."""

    column: str
    asked: str
    effect_unit: str
    more: str
    less: str
    span: str


OUTCOMES = {
    "time_to_threshold": Outcome(
        "upper_years", "time to threshold", "ratio of times to threshold", "get there later",
        "get there sooner", "take {} as long",
    ),
    "onset": Outcome(
        "upper_years", "time until a lasting rise by a quarter", "ratio of times to onset",
        "begin to rise later", "begin to rise sooner", "take {} as long",
    ),
    "growth": Outcome(
        "growth", "how fast they rise once they have begun", "ratio of growth rates", "rise faster",
        "rise more slowly", "rise at {} the rate",
    ),
    "sudden_breaks": Outcome(
        "broken", "how often they break suddenly", "ratio of breaks a year", "break more often",
        "break less often", "break {} as often",
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Question:
    """One question: what is compared and how, the outcome, what is held fixed, and which rods are meant.

    Either two values `first` and `second` of a column, or a number `split_at` (below against from there on),
    or a `slope` (`doubling` or `unit`) of a number. `where` holds (column, values allowed), `between` holds
    (column, from, to), either end None; `listed` (electrode ids), `installed` (two ISO dates) and `lot` (a
    value of the column purchase) say which rods a purchase was, to be set beside all others. `margin` is the
    ratio that would matter, for the equivalence test.
    """

    compare: str
    first: str = ""
    second: str = ""
    outcome: str = "time_to_threshold"
    held_fixed: tuple[str, ...] = ()
    split_at: float | None = None
    slope: str = ""
    where: tuple[tuple[str, tuple[str, ...]], ...] = ()
    between: tuple[tuple[str, float | None, float | None], ...] = ()
    listed: tuple[str, ...] = ()
    installed: tuple[str, ...] = ()
    lot: str = ""
    margin: float = MATTERS
    power_ratio: float = POWER_RATIO
    asked_by: str = ""
    note: str = ""

    @property
    def question_id(self) -> str:
        """Give a name that is the same whenever the same question is asked, by whomever and why ever."""
        values: tuple[str, ...] = (self.first, self.second)
        if self.slope:
            values = (f"per {self.slope}",)
        elif self.split_at is not None:
            values = (f"split at {self.split_at:g}",)
        parts = [self.outcome, self.compare, *sorted(values), *sorted(self.held_fixed)]
        narrowed = [self.where, self.between, self.listed, self.installed, self.lot]
        if any(narrowed):
            parts.append(hashlib.sha256(json.dumps(narrowed).encode()).hexdigest()[:8])
        return "/".join("-".join(part.split()) for part in parts)

    @property
    def groups(self) -> tuple[str, str]:
        """Give the names of the two groups; of a slope, of its lower and upper half."""
        if self.slope:
            return "lower half", "upper half"
        if self.split_at is not None:
            unit = UNITS.get(self.compare, "")
            return f"below {self.split_at:g}{unit}", f"{self.split_at:g}{unit} or more"
        return self.first, self.second

    @property
    def words(self) -> str:
        """Give the question as a sentence."""
        held = f", with {listing(self.held_fixed)} held fixed" if self.held_fixed else ""
        asked = OUTCOMES[self.outcome].asked
        if self.slope:
            return f"Does {said(self.compare)} change the rods' {asked}{held}?".replace("rods' how", "rods:")
        first, second = self.groups
        return f"Do rods {self.at(second)} and {self.at(first)} differ in {asked}{held}?"

    @property
    def spec(self) -> str:
        """Give the question as JSON, to be asked again."""
        return json.dumps({f.name: getattr(self, f.name) for f in fields(self)}, sort_keys=True)

    @property
    def of_purchase(self) -> bool:
        """Tell whether one purchase is set beside all others."""
        return bool(self.listed or self.installed or self.lot)

    def at(self, name: str) -> str:
        """Give a group in the trade's words: in a soil or a district, of a material, with a chloride."""
        plain = name.replace("_", " ")
        if self.compare in PLACES:
            return f"in {plain}"
        if self.compare == "drainage":
            return f"in ground of {plain} drainage"
        if self.compare == "decade":
            return f"installed in the {plain}"
        if self.slope or self.split_at is not None:
            return f"with {said(self.compare)} {plain}"
        return f"of {plain}"

    def half(self, name: str) -> str:
        """Say 'half of the rods' of a group."""
        if self.compare in PLACES or self.compare in ("drainage", "decade"):
            return f"{self.at(name)} half of the rods"
        if self.slope or self.split_at is not None or name in (LISTED, OTHERS):
            return f"half of the rods {self.at(name)}"
        return f"half of the {name.replace('_', ' ')} rods"

    def step(self) -> str:
        """Say by how much the compared number grows in the ratio of a slope."""
        return "each doubling of" if self.slope == "doubling" else "each unit more of"


def question_of(spec: str) -> Question:
    """Read a question from its JSON; keys that this version does not know are left out."""
    known = {f.name for f in fields(Question)}
    given: Mapping[str, object] = json.loads(spec)

    def frozen(value: object) -> object:
        return tuple(frozen(v) for v in value) if isinstance(value, list) else value

    return Question(**{k: frozen(v) for k, v in given.items() if k in known})  # type: ignore[arg-type]


def listing(names: tuple[str, ...] | list[str]) -> str:
    """Name columns in a row."""
    plain = [said(n) for n in names]
    return plain[0] if len(plain) == 1 else ", ".join(plain[:-1]) + f" and {plain[-1]}"


@dataclass(frozen=True)
class Level:
    """What is typical of a group: a median age, a rate a year; its 90 % interval; how far was seen."""

    value: float
    low: float
    high: float
    seen_to: float
    converged: bool


def half_past(half: str, level: Level, outcome: str) -> str:
    """Say by when half of a group's rods are past, or that the data do not reach so far."""
    past = "are past threshold" if outcome == "time_to_threshold" else "have begun to rise"
    if not level.converged:
        return f"when {half} get there can't be said, too few have in {level.seen_to:.0f} years"
    if level.value > 1.5 * level.seen_to:
        wait = past.replace("are", "are not").replace("have begun", "have not begun")
        return f"{half} {wait} within the {level.seen_to:.0f} years seen"
    if level.high > 1.5 * level.seen_to:
        return f"{half} {past} by {level.value:.0f} years ({level.low:.0f} at the earliest)"
    return f"{half} {past} by {level.value:.0f} years ({level.low:.0f}-{level.high:.0f})"


def typical(question: Question, name: str, level: Level) -> str:
    """Say what is typical of a group, in the outcome's own terms."""
    if question.outcome in ("time_to_threshold", "onset"):
        return half_past(question.half(name), level, question.outcome)
    rods = f"rods {question.at(name)}"
    if question.outcome == "growth":
        if not level.converged:
            return f"how fast {rods} rise can't be said"
        return f"{rods} rise by {level.value:.1f} % a year ({level.low:.1f}-{level.high:.1f}) once begun"
    if not level.converged:
        return f"of {rods} hardly any has broken in {level.seen_to:.0f} electrode-years"
    span = f"{1000 * level.value:.1f} ({1000 * level.low:.1f}-{1000 * level.high:.1f})"
    return f"of {rods} {span} break in 1,000 electrode-years"


def times_as_much(row: Mapping[str, object], span: str) -> str:
    """Say the ratio with its interval, or the one bound that the data give."""
    low, high = float(row["effect_low"]), float(row["effect_high"])  # type: ignore[arg-type]
    if row["effect"] is not None:
        times = f"{row['effect']:.2f} times"
        return f"{span.format(times)} ({low:.2f}-{high:.2f})"
    if low == 0 and high == float("inf"):
        return span.format("a number of times that the data do not bound")
    return span.format(f"at least {low:.2f} times" if low > 0 else f"at most {high:.2f} times")


def closing(question: Question, verdict: str, row: Mapping[str, object]) -> str:
    """Say what the verdict is and why; `row` has effect, its bounds, power, margin."""
    outcome = OUTCOMES[question.outcome]
    span = times_as_much(row, outcome.span)
    if question.slope:
        who = f"with {question.step()} {said(question.compare)} rods"
    else:
        who = f"rods {question.at(question.groups[1])}"
    named = who[0].upper() + who[1:]
    if verdict == "supported":
        word = outcome.more if float(row["effect_low"]) > 1 else outcome.less  # type: ignore[arg-type]
        small = ""
        low, high = float(row["effect_low"]), float(row["effect_high"])  # type: ignore[arg-type]
        if 1 / question.margin < low and high < question.margin:
            small = f" The difference is smaller than the {question.margin:g} times that would matter."
        return f"{named} {word}: they {span}.{small}"
    if verdict == "not supported":
        return f"A difference that matters ({question.margin:g} times or more) is not there: {who} {span}."
    close = f"Whether they differ can't be told: {who} {span}"
    if row["power"] is not None:
        close += (
            f", and the data had a chance of {row['power']:.0%} to show a ratio of {question.power_ratio:g}"
        )
    return close + "."


def sentence_of(
    question: Question, verdict: str, levels: tuple[Level, Level] | None, row: Mapping[str, object]
) -> str:
    """Give the answer as a plain sentence; levels of the two groups, None where there are none to say."""
    facts = ""
    if levels is not None:
        first, second = (typical(question, n, v) for n, v in zip(question.groups, levels, strict=True))
        facts = f"{first}; {second}. "
        facts = facts[0].upper() + facts[1:]
    return facts + closing(question, verdict, row)
