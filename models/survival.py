"""Time to threshold beside the curves: first crossings between visits, their share by age, Weibull lives.

Crossings taken from readings are biased early and late by the scatter of the readings (model notes); what is
here is the data's own account, to be set beside the fitted curves, not in their place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.accelerated_life import fit_accelerated_life
from models.turnbull import turnbull_band

Array = NDArray[np.float64]

DAYS_PER_YEAR = 365.25
# A crossing counts when the next visit is past as well, or when it is past by half as much again.
BY_SIZE = 1.5
NOT_SURVEYED = "not surveyed"
# Fewer rows than these carry no curve of their own.
LEAST_ELECTRODES, LEAST_CROSSED = 8, 3
Z90 = 1.6449

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
MODELS = {
    "soil_class": pl.String,
    "model": pl.String,
    "shape": pl.Float64,
    "scale_years": pl.Float64,
    "median_years": pl.Float64,
    "median_low": pl.Float64,
    "median_high": pl.Float64,
    "electrodes": pl.Int64,
    "converged": pl.Boolean,
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
class _Class:
    """The crossings of one class as arrays (n,)."""

    name: str
    lower: Array
    upper: Array
    site: NDArray[np.object_]


def _classes(crossings: pl.DataFrame) -> list[_Class]:
    """Split the crossings that say anything by soil class, in the order of the names."""
    told = crossings.filter((pl.col("lower_years") > 0) | pl.col("upper_years").is_finite())
    groups = told.sort("soil_class", "electrode_id").partition_by("soil_class", maintain_order=True)
    return [
        _Class(
            g["soil_class"][0],
            g["lower_years"].to_numpy(),
            g["upper_years"].to_numpy(),
            g["site_id"].to_numpy(),
        )
        for g in groups
        if g.height >= LEAST_ELECTRODES
    ]


def survival_curves(
    crossings: pl.DataFrame, rng: np.random.Generator, resamples: int = 120, step_years: float = 1.0
) -> pl.DataFrame:
    """Give the share past threshold by age and class (Turnbull) with a 90 % band over resampled sites.

    `at_risk` counts the electrodes known not to be past at that age and still watched. A curve ends at the
    last age at which anything was seen. Classes of fewer than LEAST_ELECTRODES have none.
    """
    frames = []
    for group in _classes(crossings):
        seen = float(np.max(np.where(np.isfinite(group.upper), group.upper, group.lower)))
        ages = np.arange(0.0, np.floor(seen / step_years) * step_years + step_years / 2, step_years)
        band = turnbull_band(group.lower, group.upper, group.site, ages, rng, resamples=resamples)
        if not band.converged:
            continue
        risk = (group.lower[None, :] >= ages[:, None]).sum(axis=1)
        frames.append(
            pl.DataFrame(
                {
                    "soil_class": [group.name] * ages.size,
                    "method": ["turnbull"] * ages.size,
                    "age_years": ages,
                    "share_past": band.share_past,
                    "low": band.low,
                    "high": band.high,
                    "at_risk": risk,
                }
            ).with_columns(pl.col("low", "high").fill_nan(None))
        )
    if not frames:
        return pl.DataFrame(schema=CURVES)
    return pl.concat(frames).select(pl.col(name).cast(kind) for name, kind in CURVES.items())


def weibull_by_class(crossings: pl.DataFrame) -> pl.DataFrame:
    """Fit a Weibull life to each class's intervals; the median's 90 % interval is clustered by site.

    A class of which too little has crossed, or whose fit does not converge, has converged false and nulls.
    """
    rows = []
    for group in _classes(crossings):
        row: dict[str, object] = dict.fromkeys(MODELS)
        row |= {
            "soil_class": group.name,
            "model": "weibull",
            "electrodes": group.lower.size,
            "converged": False,
        }
        enough = np.isfinite(group.upper).sum() >= LEAST_CROSSED and np.unique(group.site).size >= 2
        if enough:
            fit = fit_accelerated_life(group.lower, group.upper, cluster=group.site)
            if fit.converged:
                middle, error = fit.quantile([1.0], 0.5)
                row |= {
                    "shape": 1 / fit.sigma,
                    "scale_years": float(np.exp(fit.beta[0])),
                    "median_years": float(np.exp(middle)),
                    "median_low": float(np.exp(middle - Z90 * error)),
                    "median_high": float(np.exp(middle + Z90 * error)),
                    "converged": True,
                }
        rows.append(row)
    return pl.DataFrame(rows, schema=MODELS)
