"""The mistakes that crews make when they write a reading down, planted at known rows."""

from dataclasses import dataclass

import numpy as np
import polars as pl

# Share of the readings that carry each mistake; at least one of each kind where there are rows enough.
SHARES: dict[str, float] = {
    "decimal_slipped": 0.0020,
    "kilo_ohm": 0.0010,
    "swapped_wells": 0.0008,  # pairs
    "duplicate": 0.0025,
    "well_number_only": 0.0020,
    "empty_cells": 0.0015,
    "unknown_electrode": 0.0010,
    "text_in_number": 0.0015,
    "impossible_date": 0.0006,
    "future_date": 0.0005,
    "before_installation": 0.0006,
    "corrected_later": 0.0008,  # a slipped decimal and, in the next row, its correction
}
NOT_ACCEPTED = (
    "duplicate", "well_number_only", "empty_cells", "unknown_electrode", "text_in_number", "impossible_date",
    "future_date", "before_installation", "corrected_later",
)  # fmt: skip
GARBLED = ("n/a", "{}?", "see note", "abt {}", "{} or so", "--")


@dataclass(frozen=True)
class FieldRows:
    """Hold readings as their crews wrote them.

    readings: the typed readings, with `mistake` (kind or null), `value_text` and `date_text` (what stands in
    the cell where it can't be typed), `true_electrode_id`, `true_taken_on`.
    """

    readings: pl.DataFrame

    def accepted(self) -> pl.DataFrame:
        """Return the rows that a faultless intake keeps, as they stand."""
        return self.readings.filter(pl.col("mistake").is_null() | ~pl.col("mistake").is_in(NOT_ACCEPTED))

    def planted(self) -> pl.DataFrame:
        """Return what was planted: kind, electrode_id, taken_at."""
        rows = self.readings.filter(pl.col("mistake").is_not_null())
        return rows.select(kind="mistake", electrode_id="true_electrode_id", taken_at="true_taken_on")


def plant(
    rng: np.random.Generator, readings: pl.DataFrame, electrodes: pl.DataFrame, mistakes: bool
) -> FieldRows:
    """Plant mistakes in some of the readings (none where `mistakes` is false)."""
    frame = readings.with_columns(
        mistake=pl.lit(None, pl.String),
        value_text=pl.lit(None, pl.String),
        date_text=pl.lit(None, pl.String),
        true_electrode_id="electrode_id",
        true_taken_on=pl.col("taken_at").cast(pl.Date),
    )
    if not mistakes:
        return FieldRows(frame)
    kind = _choose(rng, frame)
    frame = _swap(frame, kind == "swapped_wells").with_columns(
        mistake=pl.Series(kind).replace("", None),
        _draw=pl.Series(rng.random(frame.height)),
        _row=pl.int_range(frame.height),
    )
    frame = frame.join(
        electrodes.select("electrode_id", "installed_on"),
        on="electrode_id",
        how="left",
        maintain_order="left",
    )
    first = pl.when(pl.col("mistake") != "duplicate").then("mistake")  # the second of two is the mistake
    frame = pl.concat([_spoil(frame).with_columns(mistake=first), _second_rows(frame)])
    frame = frame.sort("_row", "corrects", maintain_order=True)
    return FieldRows(frame.drop("_draw", "_row", "installed_on"))


def _choose(rng: np.random.Generator, frame: pl.DataFrame) -> np.ndarray:
    """Choose a kind for some rows that hold a plain value, at most one each; '' for the others."""
    n = frame.height
    kind = np.full(n, "", dtype="<U24")
    plain = (frame["resistance_ohm"].is_not_null() & frame["range_mark"].is_null()).to_numpy()
    same = np.r_[
        (frame["site_id"][1:] == frame["site_id"][:-1])
        & (frame["true_taken_on"][1:] == frame["true_taken_on"][:-1]),
        False,
    ]
    same &= np.r_[(frame["electrode_id"][1:] != frame["electrode_id"][:-1]), False]
    pairs = np.flatnonzero(same & plain & np.r_[plain[1:], False])
    taken: set[int] = set()
    for row in rng.permutation(pairs)[: max(1, round(SHARES["swapped_wells"] * n))]:
        if row not in taken and row + 1 not in taken:
            taken.update((int(row), int(row) + 1))
            kind[row : row + 2] = "swapped_wells"
    free = rng.permutation(np.flatnonzero(plain & (kind == "")))
    start = 0
    for name, share in SHARES.items():
        if name != "swapped_wells":
            count = max(1, round(share * n))
            kind[free[start : start + count]] = name
            start += count
    return kind


def _swap(frame: pl.DataFrame, swapped: np.ndarray) -> pl.DataFrame:
    """Exchange the wells of each pair of marked rows that follow one another."""
    order = np.arange(frame.height)
    rows = np.flatnonzero(swapped)
    order[rows[0::2]], order[rows[1::2]] = rows[1::2], rows[0::2]
    return frame.with_columns(frame["electrode_id"].gather(order), frame["well_id"].gather(order))


def _spoil(frame: pl.DataFrame) -> pl.DataFrame:
    """Write down each marked row wrongly."""
    kind, draw, ohm = pl.col("mistake"), pl.col("_draw"), pl.col("resistance_ohm")
    slipped = pl.when(draw < 0.6).then(ohm * 10).otherwise(ohm / 10).round(3)
    emptied = kind == "empty_cells"
    early = pl.col("installed_on").dt.year() - 1 - (draw * 4).cast(pl.Int32)
    first = pl.col("taken_at").dt.replace(day=1)
    garbled = pl.Series([GARBLED[int(d * len(GARBLED))] for d in frame["_draw"]])
    day, year = pl.col("true_taken_on"), pl.col("true_taken_on").dt.year().cast(pl.String)
    nonsense = pl.when(draw < 0.5).then(year + "-02-31").otherwise(year + "-06-31")
    unknown = frame["well_id"].str.replace(r"-W\d\d$", "-W9") + pl.Series(
        [str(int(d * 10)) for d in frame["_draw"]]
    )
    return frame.with_columns(
        resistance_ohm=pl.when(kind.is_in(["decimal_slipped", "corrected_later"]))
        .then(slipped)
        .when(kind == "kilo_ohm")
        .then((ohm / 1000).round(5))
        .when(emptied)
        .then(None)
        .otherwise(ohm),
        outcome=pl.when(emptied).then(None).otherwise("outcome"),
        current_a=pl.when(emptied).then(None).otherwise("current_a"),
        current_kind=pl.when(emptied).then(None).otherwise("current_kind"),
        taken_at=pl.when(kind == "before_installation")
        .then(first.dt.replace(year=early))
        .otherwise("taken_at"),
        electrode_id=pl.when(kind == "unknown_electrode").then(unknown + "-A").otherwise("electrode_id"),
        well_id=pl.when(kind == "unknown_electrode").then(unknown).otherwise("well_id"),
        value_text=pl.when(kind == "text_in_number").then(garbled),
        date_text=pl.when(kind == "impossible_date")
        .then(nonsense)
        .when(kind == "future_date")
        .then(day.dt.strftime("2091-%m-28")),
    )


def _second_rows(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the copies (kind `duplicate`, in the second row) and the corrections of slipped decimals."""
    copies = frame.filter(pl.col("mistake") == "duplicate")
    corrections = frame.filter(pl.col("mistake") == "corrected_later").with_columns(
        corrects=pl.lit(True), mistake=pl.lit(None, pl.String)
    )
    return pl.concat([copies, corrections])
