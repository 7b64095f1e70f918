"""What questions ask of readings beside the crossing: when a rod begins to rise, how fast it rises, breaks.

None of it leans on the fitted curves: those draw each rod to its soil class, so that comparing classes by
them would find what was put in. Onset is the first lasting rise between two visits; growth is the slope of a
rod's own readings after it; a break is one that two visits have confirmed.
"""

from __future__ import annotations

import polars as pl

from models.survival import DAYS_PER_YEAR, first_crossings

# A rise of a quarter, confirmed by the next visit, is two to three times the scatter of a pair of readings
# (visits 0.08, a rod's own 0.04 to 0.10 in the logarithm). A choice of ours.
RISE_RATIO = 1.25
# Past four times its new resistance a rod nears the ceiling of what a stub still conducts: its growth bends.
GROWTH_UP_TO = 4.0
# Two readings will do where visits are years apart: with three the fastest rods would fall out.
# Two years, less some days by which crews come early.
LEAST_READINGS, LEAST_YEARS = 2, 1.9
# Where the resistance when new is known worse than this (log), a rise of a quarter may be the baseline's.
BASELINE_SD_LOG = 0.12


def onset_crossings(vetted: pl.DataFrame, lives: pl.DataFrame) -> pl.DataFrame:
    """Give the ages between which each rod began to rise: electrode_id, lower_years, upper_years.

    vetted: as survival.first_crossings takes it; lives: electrode_id, site_id, installed_on, baseline_ohm
    and, where known, baseline_sd_log: rods whose baseline is too vague are left out.
    """
    known = lives
    if "baseline_sd_log" in lives.columns:
        known = lives.filter(pl.col("baseline_sd_log").fill_null(0.0) <= BASELINE_SD_LOG)
    found = first_crossings(vetted, known.select("electrode_id", "baseline_ohm"), RISE_RATIO, known)
    return found.select("electrode_id", "lower_years", "upper_years")


def growth_slopes(vetted: pl.DataFrame, lives: pl.DataFrame) -> pl.DataFrame:
    """Give each rod's growth once begun: electrode_id, growth (of ln R, a year), growth_years, risen_years.

    The least-squares slope of the log of its corrected readings after the visit that first showed a lasting
    rise (which is high by its own scatter, and so is left out), up to GROWTH_UP_TO; growth_years: the years
    of those readings. risen_years, by which rods weigh: the years read since that visit whatever the level,
    for a fast rod is soon past what is used and would weigh least. Rods with a break, known or
    suspected, and those with under LEAST_READINGS over LEAST_YEARS there have none.
    """
    whole = lives
    if "break_state" in lives.columns:
        whole = lives.filter(pl.col("break_state").fill_null("none") == "none")
    begun = onset_crossings(vetted, whole.drop("baseline_sd_log", strict=False)).filter(
        pl.col("upper_years").is_finite()
    )
    born = whole.select("electrode_id", "baseline_ohm", pl.col("installed_on").cast(pl.Date))
    aged = (
        vetted.filter(pl.col("corrected_ohm").is_not_null() & (pl.col("verdict") != "set_aside"))
        .filter(pl.col("range_mark").is_null() if "range_mark" in vetted.columns else pl.lit(True))
        .join(begun.select("electrode_id", "upper_years"), on="electrode_id")
        .join(born, on="electrode_id")
        .with_columns(
            ((pl.col("taken_at").dt.date() - pl.col("installed_on")).dt.total_days() / DAYS_PER_YEAR).alias(
                "_age"
            ),
            (pl.col("corrected_ohm") / pl.col("baseline_ohm")).log().alias("_log"),
        )
        .filter(pl.col("_age") > pl.col("upper_years") + 0.01)
        .sort("electrode_id", "_age", "_log")
        .with_columns((pl.col("_age").max() - pl.col("_age").min()).over("electrode_id").alias("risen_years"))
        .filter(pl.col("_log") < pl.lit(GROWTH_UP_TO).log())
    )
    apart = pl.col("_age") - pl.col("_age").mean()
    return (
        aged.group_by("electrode_id", maintain_order=True)
        .agg(
            ((apart * pl.col("_log")).sum() / (apart**2).sum()).alias("growth"),
            (pl.col("_age").max() - pl.col("_age").min()).alias("growth_years"),
            pl.col("risen_years").first(),
            pl.len().alias("_readings"),
        )
        .filter((pl.col("_readings") >= LEAST_READINGS) & (pl.col("growth_years") >= LEAST_YEARS))
        .select("electrode_id", "growth", "growth_years", "risen_years")
    )


def breaks_seen(vetted: pl.DataFrame, lives: pl.DataFrame) -> pl.DataFrame:
    """Give which rods have broken: electrode_id, broken (confirmed), watched_years between its readings.

    lives: electrode_id, break_state. Rods that were read once are watched for no time and left out.
    """
    watched = (
        vetted.filter(pl.col("verdict") != "set_aside")
        .group_by("electrode_id")
        .agg(
            ((pl.col("taken_at").max() - pl.col("taken_at").min()).dt.total_days() / DAYS_PER_YEAR).alias(
                "watched_years"
            )
        )
    )
    return (
        lives.select("electrode_id", (pl.col("break_state") == "confirmed").fill_null(False).alias("broken"))
        .join(watched, on="electrode_id")
        .filter(pl.col("watched_years") > 0.5)
        .sort("electrode_id")
    )
