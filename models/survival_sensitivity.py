"""What the share past threshold would be under other readings of the same visits: a stated sensitivity.

Suspects are visited more often and renewed first. As long as the readings that led to it are in the data that
does no harm; these alternatives say how far the curve would move if it did, or if the calls were others.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.survival import CROSSINGS, LEAST_ELECTRODES
from models.survival_truncation import from_first_visit, watched_from
from models.turnbull import Turnbull, rounded, turnbull

Array = NDArray[np.float64]

AS_READ = "as_read"
# In the order in which they are shown.
ALTERNATIVES = (
    AS_READ,
    "retired_past",
    "retired_sound",
    "no_follow_ups",
    "first_reading_past",
    "from_first_visit",
)
SENSITIVITY = {
    "soil_class": pl.String,
    "alternative": pl.String,
    "electrodes": pl.Int64,
    "crossed": pl.Int64,
    "age_years": pl.Float64,
    "share_past": pl.Float64,
    "share_change": pl.Float64,
    "median_years": pl.Float64,
    "within_band": pl.Boolean,
}
ROUND_TO = 0.25
CLIMB_TO = 1e-3


def retired_as_past(crossings: pl.DataFrame) -> pl.DataFrame:
    """Take every rod that was retired while not known to be past as past on the day of its retirement."""
    unknown = pl.col("upper_years").is_infinite() & pl.col("retired_years").is_not_null()
    day = pl.max_horizontal("retired_years", pl.col("lower_years") + 1e-6)
    return crossings.with_columns(pl.when(unknown).then(day).otherwise("upper_years").alias("upper_years"))


def retired_as_sound(crossings: pl.DataFrame) -> pl.DataFrame:
    """Take every rod retired while not known to be past as sound to the last age seen in its class."""
    unknown = pl.col("upper_years").is_infinite() & pl.col("retired_years").is_not_null()
    oldest = pl.max_horizontal(
        pl.col("lower_years").max().over("soil_class"),
        pl.col("upper_years").filter(pl.col("upper_years").is_finite()).max().over("soil_class"),
    )
    return crossings.with_columns(pl.when(unknown).then(oldest).otherwise("lower_years").alias("lower_years"))


def alternatives(
    crossings: pl.DataFrame, no_follow_ups: pl.DataFrame, first_reading_past: pl.DataFrame
) -> dict[str, pl.DataFrame]:
    """Give the crossings (CROSSINGS) under each alternative, by name.

    no_follow_ups, first_reading_past: `first_crossings` without the visits that were made for a suspicion,
    and without confirmation.
    """
    own = list(CROSSINGS)
    return {
        AS_READ: crossings.select(own),
        "retired_past": retired_as_past(crossings).select(own),
        "retired_sound": retired_as_sound(crossings).select(own),
        "no_follow_ups": no_follow_ups.select(own),
        "first_reading_past": first_reading_past.select(own),
        "from_first_visit": from_first_visit(crossings).select(own),
    }


@dataclass(frozen=True)
class _Curve:
    """A curve from an age on, and the share past by then (0 where it begins at 0)."""

    fit: Turnbull
    before: float

    def share(self, age: float) -> float:
        return 1 - (1 - self.before) * (1 - float(self.fit.share_past([age])[0]))

    def median(self) -> float:
        return self.fit.quantile(1 - 0.5 / (1 - self.before)) if self.before < 0.5 else float("nan")


def _rows(rows: pl.DataFrame) -> tuple[Array, Array, Array]:
    """Give the ends and entries (n,) of the rows that say anything, rounded as the curves are."""
    told = rows.filter((pl.col("lower_years") > 0) | pl.col("upper_years").is_finite())
    low, up = rounded(told["lower_years"].to_numpy(), told["upper_years"].to_numpy(), ROUND_TO)
    entry = np.floor(told["entry_years"].to_numpy() / ROUND_TO) * ROUND_TO
    return low, up, np.minimum(entry, up - ROUND_TO).clip(0.0)


def _curve(rows: pl.DataFrame) -> Turnbull | None:
    """Fit Turnbull's curve to one class under one alternative; None where too few rods say anything."""
    low, up, entry = _rows(rows)
    return turnbull(low, up, entry, climb_to=CLIMB_TO) if low.size >= LEAST_ELECTRODES else None


def _later_curve(rows: pl.DataFrame, base: Turnbull) -> _Curve | None:
    """Fit the curve from the age on at which enough rods are watched; what lies before is the base's.

    Before it one crossing among the youngest few would carry the whole curve up.
    """
    low, up, entry = _rows(rows)
    begin = watched_from(up, entry)
    if begin is None:
        return None
    late = up > begin
    fit = turnbull(low[late].clip(begin), up[late], entry[late].clip(begin), climb_to=CLIMB_TO)
    return _Curve(fit, float(base.share_past([begin])[0]))


def sensitivity(read: dict[str, pl.DataFrame], curves: pl.DataFrame) -> pl.DataFrame:
    """Give by class the share past at one age, and the median, under each alternative.

    read: of `alternatives`; curves: `survival_curves` of what was read, whose age nearest to a half past (or
    last) is taken, and whose pointwise band at that age says whether an alternative stays within.
    """
    frames = []
    for base in curves.filter(method="turnbull").partition_by("soil_class", maintain_order=True):
        at = base.sort((pl.col("share_past") - 0.5).abs(), "age_years").row(0, named=True)
        of_class = {k: f.filter(pl.col("soil_class") == at["soil_class"]) for k, f in read.items()}
        own = _curve(of_class[AS_READ])
        for name, rows in of_class.items():
            if name == "from_first_visit":
                found = _later_curve(rows, own) if own else None
            else:
                fit = own if name == AS_READ else _curve(rows)
                found = None if fit is None else _Curve(fit, 0.0)
            frames.append(_told(name, rows, at, found))
    return pl.DataFrame(frames, schema=SENSITIVITY)


def _told(name: str, rows: pl.DataFrame, at: dict[str, Any], found: _Curve | None) -> dict[str, Any]:
    """Give a row: what one alternative says of one class, beside the curve's own row `at`."""
    share = found.share(at["age_years"]) if found else None
    median = found.median() if found else None
    known = share is not None and at["low"] is not None and at["high"] is not None
    return {
        "soil_class": at["soil_class"],
        "alternative": name,
        "electrodes": rows.height,
        "crossed": int(rows["upper_years"].is_finite().sum()),
        "age_years": at["age_years"],
        "share_past": share,
        "share_change": None if share is None else share - at["share_past"],
        "median_years": None if median is None or np.isnan(median) else median,
        "within_band": bool(at["low"] <= share <= at["high"]) if known else None,
    }
