"""What a question to the fleet and its answer say, in the trade's words."""

from __future__ import annotations

from dataclasses import dataclass

# The power is stated for finding that one group takes half as long again.
POWER_RATIO = 1.5
PLACES = ("soil_class", "region")


@dataclass(frozen=True)
class Question:
    """One question: which column is compared, its two values, and what is held fixed."""

    compare: str
    first: str
    second: str
    outcome: str = "time_to_threshold"
    held_fixed: tuple[str, ...] = ()

    @property
    def question_id(self) -> str:
        """Give a name that is the same whenever the same question is asked."""
        parts = (self.outcome, self.compare, *sorted((self.first, self.second)), *sorted(self.held_fixed))
        return "/".join("-".join(part.split()) for part in parts)

    @property
    def words(self) -> str:
        """Give the question as a sentence."""
        held = f", with {' and '.join(self.held_fixed)} held fixed" if self.held_fixed else ""
        return f"Do rods {self.at(self.second)} and {self.at(self.first)} differ in time to threshold{held}?"

    def at(self, name: str) -> str:
        """Give a group in the trade's words: in a soil or a region, of a material."""
        plain = name.replace("_", " ")
        return f"in {plain}" if self.compare in PLACES else f"of {plain}"

    def half(self, name: str) -> str:
        """Say 'half of the rods' of a group."""
        plain = name.replace("_", " ")
        return f"in {plain} half of the rods" if self.compare in PLACES else f"half of the {plain} rods"


@dataclass(frozen=True)
class Median:
    """A group's median age at threshold, its 90 % interval, and the last age that was seen in it."""

    age: float
    low: float
    high: float
    seen_to: float
    converged: bool


def half_past(half: str, median: Median) -> str:
    """Say by when half of a group's rods are past, or that the data do not reach so far."""
    if not median.converged:
        return f"when {half} get there can't be said, too few have in {median.seen_to:.0f} years"
    if median.age > 1.5 * median.seen_to:
        return f"{half} are not past threshold within the {median.seen_to:.0f} years seen"
    if median.high > 1.5 * median.seen_to:
        return f"{half} are past threshold by {median.age:.0f} years ({median.low:.0f} at the earliest)"
    span = f"{median.age:.0f} years ({median.low:.0f}-{median.high:.0f})"
    return f"{half} are past threshold by {span}"


def times_as_long(row: dict[str, object]) -> str:
    """Say the ratio of times with its interval, or the one bound that the data give."""
    low, high = float(row["effect_low"]), float(row["effect_high"])  # type: ignore[arg-type]
    if row["effect"] is not None:
        return f"{row['effect']:.2f} times as long ({low:.2f}-{high:.2f})"
    if low == 0 and high == float("inf"):
        return "a time that the data do not bound"
    return f"at least {low:.2f} times as long" if low > 0 else f"at most {high:.2f} times as long"


def sentence_of(
    question: Question, verdict: str, medians: tuple[Median, Median], row: dict[str, object]
) -> str:
    """Give the answer as a plain sentence; `row` has effect, effect_low, effect_high and power."""
    halves = question.half(question.first), question.half(question.second)
    at_second = question.at(question.second)
    facts = f"{half_past(halves[0], medians[0])}; {half_past(halves[1], medians[1])}."
    facts = facts[0].upper() + facts[1:]
    span = times_as_long(row)
    if verdict == "supported":
        word = "later" if float(row["effect_low"]) > 1 else "sooner"  # type: ignore[arg-type]
        close = f"Rods {at_second} get there {word}: they take {span}."
    elif verdict == "not supported":
        close = f"A difference that matters (a quarter or more) is not there: rods {at_second} take {span}."
    else:
        close = f"Whether they differ can't be told: rods {at_second} take {span}"
        if row["power"] is not None:
            close += f", and the data had a chance of {row['power']:.0%} to show a ratio of {POWER_RATIO:g}"
        close += "."
    return f"{facts} {close}"
