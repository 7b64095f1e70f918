"""What came in and what was made of it: verdict counts, refused rows, books of loading, method."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import polars as pl

from reports import words
from reports.run_facts import RunFacts, run_facts
from reports.staged import Row, Staged

MOST_REFUSED = 300
MOST_BOOKS = 500


@dataclass(frozen=True)
class Tally:
    """Counts of readings by verdict for one rule, year or reason; `counts` in the order of the verdicts."""

    label: str
    counts: tuple[int, ...]
    total: int


@dataclass(frozen=True)
class ReasonRow:
    """A reason given for a verdict and how often."""

    verdict: str
    rule: str
    reason: str
    readings: int


@dataclass(frozen=True)
class RefusedRow:
    """A row that was not taken, where it stands and why."""

    source: str
    table: str
    reason: str
    cells: str
    settled: str


@dataclass(frozen=True)
class BookRow:
    """The book of one file and table: rows read = taken + held + refused."""

    source: str
    table: str
    profile: str
    loaded_at: str
    rows: tuple[int | None, ...]
    balanced: bool


@dataclass(frozen=True)
class ReadingsPage:
    """All that readings.html says."""

    headline: str
    by_rule: tuple[Tally, ...]
    by_year: tuple[Tally, ...]
    reasons: tuple[ReasonRow, ...]
    refused: tuple[RefusedRow, ...]
    refused_total: int
    books: tuple[BookRow, ...]
    books_total: int
    book_sums: tuple[int, ...]


@dataclass(frozen=True)
class QuestionRow:
    """A hypothesis that was asked of the fleet, and its answer."""

    question: str
    sentence: str
    effect: str
    p_adjusted: str
    rests_on: str
    checks: str
    verdict: str


@dataclass(frozen=True)
class RecordRow:
    """How an earlier forecast fared: expected and observed electrodes past threshold, Brier score."""

    forecast_on: str
    judged_on: str
    horizon: str
    electrodes: str
    expected: str
    observed: str
    brier: str


@dataclass(frozen=True)
class MethodPage:
    """All that method.html says besides its fixed text."""

    run: RunFacts
    settings: tuple[tuple[str, str], ...]
    calibration: tuple[tuple[str, str], ...]
    seconds: tuple[tuple[str, str], ...]
    counts: tuple[tuple[str, str], ...]
    questions: tuple[QuestionRow, ...]
    record: tuple[RecordRow, ...]


def readings_page(staged: Staged) -> ReadingsPage:
    """Turn verdicts, refused rows and books into the readings page."""
    verdicts, books = staged["reading_verdicts"], staged["load_books"]
    refused = staged["refused_rows"].sort("settled", "file", "line", nulls_last=True)
    sums = books.select(pl.col(BOOK_COLUMNS).sum()).row(0)
    return ReadingsPage(
        headline=_headline(verdicts, refused),
        by_rule=tallies(verdicts, pl.col("rule").fill_null("no rule spoke").str.replace_all("_", " ")),
        by_year=tallies(verdicts, pl.col("taken_at").dt.year().cast(pl.String).fill_null(words.UNKNOWN)),
        reasons=_reasons(verdicts),
        refused=tuple(_refused(row) for row in refused.head(MOST_REFUSED).iter_rows(named=True)),
        refused_total=refused.height,
        books=tuple(_book(row) for row in _newest_first(books).iter_rows(named=True)),
        books_total=books.height,
        book_sums=tuple(int(n or 0) for n in sums),
    )


BOOK_COLUMNS = ["rows_read", "rows_taken", "rows_held", "rows_refused", "rows_superseding"]


def _newest_first(books: pl.DataFrame) -> pl.DataFrame:
    order = books.sort("loaded_at", "file", "table_name", descending=[True, False, False], nulls_last=True)
    return order.head(MOST_BOOKS)


def _headline(verdicts: pl.DataFrame, refused: pl.DataFrame) -> str:
    aside = verdicts.filter(pl.col("verdict") == "set_aside").height
    doubtful = verdicts.filter(pl.col("verdict") == "doubtful").height
    open_rows = refused.filter(~pl.col("settled").fill_null(False)).height
    says = f"{words.count(verdicts.height, 'reading')}: {aside:,} set aside, {doubtful:,} doubtful"
    return f"{says}; {words.count(open_rows, 'row')} refused and waiting for a correction."


def tallies(verdicts: pl.DataFrame, key: pl.Expr) -> tuple[Tally, ...]:
    """Count readings by verdict for each value of `key`, in the order of the key."""
    counted = verdicts.group_by(key.alias("key"), "verdict").len()
    by_key: dict[str, dict[str, int]] = {}
    for name, verdict, n in counted.sort("key").iter_rows():
        by_key.setdefault(name, {})[verdict] = n
    return tuple(
        Tally(name, tuple(counts.get(v, 0) for v in words.VERDICTS), sum(counts.values()))
        for name, counts in by_key.items()
    )


def _reasons(verdicts: pl.DataFrame, most: int = 40) -> tuple[ReasonRow, ...]:
    spoken = verdicts.filter(pl.col("reason").is_not_null() & (pl.col("reason") != ""))
    counted = spoken.group_by("verdict", "rule", "reason").len("readings")
    rows = counted.sort("readings", "rule", "reason", descending=[True, False, False]).head(most)
    return tuple(
        ReasonRow(words.verdict(row["verdict"]), words.plain(row["rule"]), row["reason"], row["readings"])
        for row in rows.iter_rows(named=True)
    )


def source(row: Row) -> str:
    """Say where a row stands: file, sheet, line."""
    sheet = f", sheet {row['sheet']}" if row["sheet"] else ""
    line = f", line {row['line']}" if row.get("line") is not None else ""
    return f"{row['file'] or words.UNKNOWN}{sheet}{line}"


def _refused(row: Row) -> RefusedRow:
    return RefusedRow(
        source(row),
        row["table_name"] or words.UNKNOWN,
        row["reason"] or "",
        row["cells"] or "",
        "yes" if row["settled"] else "no",
    )


def _book(row: Row) -> BookRow:
    rows = tuple(row[name] for name in BOOK_COLUMNS)
    read, taken, held, refused = (n or 0 for n in rows[:4])
    loaded = row["loaded_at"]
    return BookRow(
        source(row),
        row["table_name"] or words.UNKNOWN,
        row["profile"] or "",
        words.UNKNOWN if loaded is None else loaded.isoformat(" ", "minutes"),
        rows,
        balanced=read == taken + held + refused,
    )


def method_page(staged: Staged) -> MethodPage:
    """Turn run.json and the questions asked into the method page."""
    run = staged.run
    return MethodPage(
        run=run_facts(run),
        settings=_pairs(run.get("settings")),
        calibration=_pairs(run.get("calibration")),
        seconds=_pairs(run.get("seconds"), " s"),
        counts=_pairs(run.get("counts")),
        questions=tuple(
            _question(row) for row in staged["hypotheses"].sort("question_id").iter_rows(named=True)
        ),
        record=tuple(
            _record(row)
            for row in staged["track_record"].sort("forecast_on", "horizon_years").iter_rows(named=True)
        ),
    )


def _record(row: Row) -> RecordRow:
    return RecordRow(
        words.day(row["forecast_on"]),
        words.day(row["judged_on"]),
        words.years(row["horizon_years"]),
        words.whole(row["electrodes"]),
        words.figure(row["expected_past"]),
        words.whole(row["observed_past"]),
        words.figure(row["brier"]),
    )


def _pairs(values: object, unit: str = "") -> tuple[tuple[str, str], ...]:
    """Give a mapping of run.json as label and text, nested ones spelled out with dots."""
    if not isinstance(values, dict):
        return () if values in (None, []) else (("all", json.dumps(values, ensure_ascii=False)),)
    pairs: list[tuple[str, str]] = []
    for name, value in values.items():
        if isinstance(value, dict) and value:
            pairs += [(f"{name}.{inner}", text) for inner, text in _pairs(value, unit)]
        else:
            pairs.append((str(name), _text(value) + unit))
    return tuple(pairs)


def _text(value: Any) -> str:
    if value is None or value == {}:
        return "not set"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, list):
        return ", ".join(_text(item) for item in value)
    return str(value)


def _question(row: Row) -> QuestionRow:
    unit = row["effect_unit"] or ""
    low, high = (words.figure(row[name]) for name in ("effect_low", "effect_high"))
    p = row["p_adjusted"]
    return QuestionRow(
        question=row["question"] or row["question_id"],
        sentence=row["sentence"] or "",
        effect=f"{words.figure(row['effect'])} ({low} to {high}) {unit}".strip(),
        p_adjusted=words.UNKNOWN if p is None else "under 0.001" if p < 0.001 else f"{p:.3f}",
        checks=row["checks"] or "",
        rests_on=f"{words.whole(row['electrodes'])} electrodes at {words.whole(row['sites'])} sites",
        verdict=(row["verdict"] or words.UNKNOWN)
        + ("" if row["converged"] is not False else ", did not converge"),
    )
