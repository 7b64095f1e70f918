"""Time to threshold beside the curves: first crossings between visits, their share by age, Weibull lives.

Crossings taken from readings are biased early and late by the scatter of the readings (model notes); what is
here is the data's own account, to be set beside the fitted curves, not in their place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.survival_truncation import watched_from
from models.turnbull import Band, turnbull_band

Array = NDArray[np.float64]

DAYS_PER_YEAR = 365.25
# A crossing counts when the next visit is past as well, or when it is past by half as much again.
BY_SIZE = 1.5
NOT_SURVEYED = "not surveyed"
# Fewer rows than these carry no curve of their own.
LEAST_ELECTRODES = 8

CROSSINGS = {
    "electrode_id": pl.String,
    "site_id": pl.String,
    "soil_class": pl.String,
    "material": pl.String,
    "lower_years": pl.Float64,
    "upper_years": pl.Float64,
    "entry_years": pl.Float64,
    "first_visit_years": pl.Float64,
    "records_years": pl.Float64,
    "retired_years": pl.Float64,
}
CURVES = {
    "soil_class": pl.String,
    "method": pl.String,
    "age_years": pl.Float64,
    "share_past": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "at_risk": pl.Int64,
    "low_all_ages": pl.Float64,
    "high_all_ages": pl.Float64,
}


def _ratios(vetted: pl.DataFrame, baseline: pl.DataFrame, threshold: float | pl.DataFrame) -> pl.DataFrame:
    """Give one row for each electrode and day: its ratio and whether that is past its threshold."""
    limit = (
        baseline.select("electrode_id").with_columns(pl.lit(float(threshold)).alias("_limit"))
        if not isinstance(threshold, pl.DataFrame)
        else threshold.select("electrode_id", pl.col("threshold_ratio").cast(pl.Float64).alias("_limit"))
    )
    mark = pl.col("range_mark") if "range_mark" in vetted.columns else pl.lit(None, dtype=pl.String)
    sure = baseline.filter(pl.col("baseline_ohm") > 0).select("electrode_id", "baseline_ohm")
    ratio = pl.col("corrected_ohm") / pl.col("baseline_ohm")
    return (
        vetted.filter(pl.col("corrected_ohm").is_not_null() & (pl.col("verdict") != "set_aside"))
        .with_columns(mark.alias("_mark"), pl.col("taken_at").dt.date().alias("_day"))
        .join(sure, on="electrode_id")
        .join(limit, on="electrode_id")
        .with_columns((ratio / pl.col("_limit")).alias("_part"))
        # Over range below the threshold, or under range above it, tells neither side.
        .filter(
            pl.col("_mark").is_null()
            | ((pl.col("_mark") == "over") & (pl.col("_part") >= 1))
            | ((pl.col("_mark") == "under") & (pl.col("_part") < 1))
        )
        .group_by("electrode_id", "_day")
        .agg(pl.col("_part").median())
        .sort("electrode_id", "_day")
    )


def _confirmed(days: pl.DataFrame, confirm: bool) -> pl.DataFrame:
    """Mark each day past or not; a last day past that nothing confirms yet is left out."""
    past = pl.col("_part") >= 1
    if not confirm:
        return days.with_columns(past.alias("_past"))
    after = pl.col("_part").shift(-1).over("electrode_id")
    sure = past & ((after >= 1).fill_null(False) | (pl.col("_part") >= BY_SIZE))
    return days.with_columns(sure.alias("_past"), (past & ~sure & after.is_null()).alias("_pending")).filter(
        ~pl.col("_pending")
    )


def _lives(electrodes: pl.DataFrame, vetted: pl.DataFrame) -> pl.DataFrame:
    """Give each electrode its class, its dates, and the day on which its site's records begin."""
    given = electrodes.with_columns(
        (pl.col(name).cast(kind) if name in electrodes.columns else pl.lit(None, kind).alias(name))
        for name, kind in (
            ("soil_class", pl.String),
            ("material", pl.String),
            ("retired_on", pl.Date),
            ("in_service", pl.Boolean),
        )
    ).select(
        "electrode_id",
        "site_id",
        "soil_class",
        "material",
        pl.col("installed_on").cast(pl.Date),
        # A day of retirement that has been set but has not come says nothing yet.
        pl.when(pl.col("in_service").fill_null(False)).then(None).otherwise("retired_on").alias("retired_on"),
    )
    began = (
        vetted.select("electrode_id", pl.col("taken_at").dt.date().alias("_day"))
        .join(given.select("electrode_id", "site_id"), on="electrode_id")
        .group_by("site_id")
        .agg(pl.col("_day").min().alias("_records"))
    )
    return given.join(began, on="site_id", how="left", maintain_order="left")


def _years(since: str, until: str) -> pl.Expr:
    return (pl.col(until) - pl.col(since)).dt.total_days() / DAYS_PER_YEAR


def first_crossings(
    vetted: pl.DataFrame,
    baseline: pl.DataFrame,
    threshold: float | pl.DataFrame,
    electrodes: pl.DataFrame,
    *,
    confirm: bool = True,
) -> pl.DataFrame:
    """Give for each electrode the ages between which it crossed: one row an electrode with usable readings.

    Needs vetted (electrode_id, taken_at, corrected_ohm, verdict, range_mark), baseline (electrode_id,
    baseline_ohm on the same basis), threshold (a ratio, or frame electrode_id, threshold_ratio), electrodes
    (electrode_id, site_id, installed_on; soil_class, material, retired_on, in_service). Gives lower_years
    (0: past at its first visit), upper_years (infinite: not past yet), first_visit_years, records_years (its
    age when its site's records begin, 0 where it came later), retired_years (null: stands). A crossing is
    confirmed by the next visit or by its size; without `confirm` the first reading past counts. A renewal is
    a new electrode_id and so a new life. entry_years is 0: being in the books does not tell that a rod had
    not crossed, as those past at their first visit show; `survival_truncation.with_entry` sets it where rods
    that had crossed are missing.
    """
    days = _confirmed(_ratios(vetted, baseline, threshold), confirm)
    aged = (
        days.join(_lives(electrodes, vetted), on="electrode_id")
        .with_columns(_years("installed_on", "_day").alias("_age"))
        .filter(pl.col("_age") > 0)
    )
    first = pl.col("_age").filter(pl.col("_past")).min()
    before = pl.col("_first").is_null() | (pl.col("_age") < pl.col("_first"))
    spans = (
        aged.with_columns(first.over("electrode_id").alias("_first"))
        .group_by("electrode_id", "site_id", "soil_class", "material")
        .agg(
            pl.col("_age").filter(before).max().alias("lower_years"),
            pl.col("_first").first().alias("upper_years"),
            pl.col("_age").min().alias("first_visit_years"),
            _years("installed_on", "_records").first().clip(lower_bound=0.0).alias("records_years"),
            _years("installed_on", "retired_on").first().alias("retired_years"),
        )
        .with_columns(
            pl.col("soil_class").fill_null(NOT_SURVEYED),
            pl.col("lower_years").fill_null(0.0),
            pl.col("upper_years").fill_null(float("inf")),
            pl.lit(0.0).alias("entry_years"),
        )
        .sort("electrode_id")
    )
    return spans.select(pl.col(name).cast(kind) for name, kind in CROSSINGS.items())


@dataclass(frozen=True)
class ClassLives:
    """The crossings of one soil class as arrays (n,): the ages between which, the age at entry, the site."""

    name: str
    lower: Array
    upper: Array
    entry: Array
    site: NDArray[np.object_]

    def entered(self) -> Array | None:
        """Give the ages at entry, or None where no row has one."""
        return self.entry if np.any(self.entry > 0) else None


def lives_by_class(crossings: pl.DataFrame) -> list[ClassLives]:
    """Split the crossings that say anything by soil class, in the order of the names.

    Classes of fewer than LEAST_ELECTRODES are left out. Where lives count from an entry, those that end
    before enough rods are watched are left out, and the others count from that age at the soonest.
    """
    told = crossings.filter((pl.col("lower_years") > 0) | pl.col("upper_years").is_finite())
    groups = told.sort("soil_class", "electrode_id").partition_by("soil_class", maintain_order=True)
    return [_class_lives(g) for g in groups if g.height >= LEAST_ELECTRODES]


def _class_lives(rows: pl.DataFrame) -> ClassLives:
    low, up, entry = (rows[c].to_numpy() for c in ("lower_years", "upper_years", "entry_years"))
    site, name = rows["site_id"].to_numpy(), rows["soil_class"][0]
    begin = watched_from(up, entry) if np.any(entry > 0) else None
    if not begin:
        return ClassLives(name, low, up, entry, site)
    late = up > begin
    return ClassLives(name, low[late].clip(begin), up[late], entry[late].clip(begin), site[late])


@dataclass(frozen=True)
class ClassBand:
    """Turnbull's curve of a class with its bands, and how many rods are under watch at each age (T,)."""

    lives: ClassLives
    band: Band
    at_risk: NDArray[np.int64]


def class_bands(
    lives: list[ClassLives], rng: np.random.Generator, resamples: int = 120, step_years: float = 1.0
) -> list[ClassBand]:
    """Fit Turnbull's curve to each class, from age 0 to the last age at which anything was seen."""
    found = []
    for of in lives:
        seen = float(np.max(np.where(np.isfinite(of.upper), of.upper, of.lower)))
        ages = np.arange(0.0, np.floor(seen / step_years) * step_years + step_years / 2, step_years)
        band = turnbull_band(of.lower, of.upper, of.site, ages, rng, entry=of.entered(), resamples=resamples)
        watched = (of.lower[None, :] >= ages[:, None]) & (of.entry[None, :] <= ages[:, None])
        if band.converged:
            found.append(ClassBand(of, band, watched.sum(axis=1)))
    return found


def curves_frame(bands: list[ClassBand]) -> pl.DataFrame:
    """Lay the classes' curves out as CURVES; a band is null where it is not claimed or cannot be had."""
    frames = [
        pl.DataFrame(
            {
                "soil_class": [of.lives.name] * of.band.age_years.size,
                "method": ["turnbull"] * of.band.age_years.size,
                "age_years": of.band.age_years,
                "share_past": of.band.share_past,
                "low": of.band.low,
                "high": of.band.high,
                "at_risk": of.at_risk,
                "low_all_ages": of.band.low_all,
                "high_all_ages": of.band.high_all,
            }
        ).with_columns(pl.col("low", "high", "low_all_ages", "high_all_ages").fill_nan(None))
        for of in bands
    ]
    if not frames:
        return pl.DataFrame(schema=CURVES)
    return pl.concat(frames).select(pl.col(name).cast(kind) for name, kind in CURVES.items())


def survival_curves(
    crossings: pl.DataFrame, rng: np.random.Generator, resamples: int = 120, step_years: float = 1.0
) -> pl.DataFrame:
    """Give the share past threshold by age and class (Turnbull) with 90 % bands over resampled sites.

    low, high hold at one age; low_all_ages, high_all_ages the whole curve over the ages at which they are
    given. `at_risk` counts the electrodes known not to be past at that age and still watched.
    """
    return curves_frame(class_bands(lives_by_class(crossings), rng, resamples, step_years))
