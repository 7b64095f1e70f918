"""What vetting said of the readings: by rule, with the crews, meters and years that stand out."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from reports import words
from reports.staged import Row, Staged

BY = {"crew": "crew", "instrument_id": "meter", "year": "year"}
MOST_NAMED = 3  # of a rule, those that stand out most


@dataclass(frozen=True)
class RuleMark:
    """A rule: what it did, to how many readings, and of whom it spoke most."""

    rule: str
    verdict: str
    readings: str
    share: str
    stands_out: str


@dataclass(frozen=True)
class VerdictMarks:
    """The table of rules and the sentence above it."""

    sentence: str
    rules: tuple[RuleMark, ...]


def verdict_marks(staged: Staged) -> VerdictMarks:
    """Turn the counts of verdicts into the compact table, most readings first."""
    counts, odd = staged["verdict_counts"], staged["verdict_groups"]
    total = staged["reading_verdicts"].height
    rules = (
        counts.group_by("rule", "verdict")
        .agg(pl.col("readings").sum())
        .sort("readings", "rule", "verdict", descending=[True, False, False])
    )
    named = {rule: _named(part) for (rule,), part in odd.group_by("rule", maintain_order=True)}
    marks = tuple(
        RuleMark(
            words.plain(row["rule"]),
            words.verdict(row["verdict"]),
            words.whole(row["readings"]),
            f"{100 * row['readings'] / total:.2f}{words.NB}%" if total else words.UNKNOWN,
            named.get(row["rule"], ""),
        )
        for row in rules.iter_rows(named=True)
    )
    return VerdictMarks(_sentence(marks, total, odd.height), marks)


def _sentence(marks: tuple[RuleMark, ...], total: int, odd: int) -> str:
    if not marks:
        return "No rule spoke of any reading, or this run holds no counts of them."
    groups = words.count(odd, "crew, meter or year", "crews, meters or years")
    if odd == 1:
        ends = f"{groups} stands out"
    else:
        ends = f"{groups} stand out" if odd else "no crew, meter or year stands out"
    return (
        f"Of {words.count(total, 'reading')}, what each rule spoke of; {ends} beside the others "
        "(1 % after allowing for all looked at)."
        " A rule deletes nothing: it sets a weight, a limit or a question."
    )


def _named(part: pl.DataFrame) -> str:
    said = [_one(row) for row in part.head(MOST_NAMED).iter_rows(named=True)]
    more = part.height - len(said)
    return "; ".join(said) + (f"; and {more} more" if more > 0 else "")


def _one(row: Row) -> str:
    times = row["times"]
    often = "none elsewhere" if times is None else f"{times:.1f} times as often as elsewhere"
    return f"{BY.get(row['by'], row['by'])} {row['group']}: {row['readings']:,} of {row['of']:,}, {often}"
