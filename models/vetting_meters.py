"""What is known of the meter that took a reading: calibration, range, accuracy, step of its display."""

from __future__ import annotations

import numpy as np
import polars as pl

# A meter whose accuracy is not on record: 3 % of the reading (common practice, no source).
USUAL_ACCURACY_PCT = 3.0
# A limit of accuracy is taken as the half width of an even spread; so is half a step of the display.
LIMIT_TO_SD = 1 / np.sqrt(3.0)
# Further spread, as a share of the reading, of a meter out of calibration (common practice, no source).
LAPSED_SD = 0.05
AT_THE_LIMIT = 1e-3  # a value this near to the meter's limit is the limit, written without its mark
STEP_READINGS = 10  # of a meter in a decade, by which the step of its display is known
STEP_SHARE = 0.98  # of them that are whole steps
STEPS = (50, 20, 10, 5, 2, 1)  # of the third digit

CALIBRATION = {
    "instrument_id": pl.String,
    "calibrated_on": pl.Date,
    "calibration_due_on": pl.Date,
    "range_low_ohm": pl.Float64,
    "range_high_ohm": pl.Float64,
    "accuracy_pct": pl.Float64,
    "accuracy_ohm": pl.Float64,
    "as_found_error_pct": pl.Float64,
}
_PLAIN = ("range_low_ohm", "range_high_ohm", "accuracy_pct", "accuracy_ohm")


def complete(frame: pl.DataFrame, schema: dict[str, type[pl.DataType]]) -> pl.DataFrame:
    """Give the frame with each column of the schema, cast, null where it was not there."""
    return frame.with_columns(
        (pl.col(name).cast(kind) if name in frame.columns else pl.lit(None, dtype=kind).alias(name))
        for name, kind in schema.items()
    )


def _in_force(rows: pl.DataFrame, table: pl.DataFrame) -> pl.DataFrame:
    """Add the calibration in force on the day of each meter and day, and what the next one found."""
    dated = table.filter(pl.col("calibrated_on").is_not_null()).sort("calibrated_on")
    found = dated.select("instrument_id", pl.col("calibrated_on").alias("_next_on"), "as_found_error_pct")
    on_day = rows.join_asof(
        dated.drop("as_found_error_pct"), left_on="_day", right_on="calibrated_on", by="instrument_id",
        strategy="backward", check_sortedness=False,
    )  # fmt: skip
    # The error that the next calibration found was there when this reading was taken.
    return on_day.join_asof(
        found, left_on="_day", right_on="_next_on", by="instrument_id", strategy="forward",
        check_sortedness=False,
    )  # fmt: skip


def meter_days(rows: pl.DataFrame, instruments: pl.DataFrame) -> pl.DataFrame:
    """Give for each meter and day its range, accuracy, calibration and whether that had lapsed.

    instrument_id, _day, the columns of CALIBRATION, _lapsed, lapsed_years (since the last good calibration;
    null where none is known or it holds).
    """
    table = complete(instruments, CALIBRATION).select(list(CALIBRATION)).drop_nulls("instrument_id")
    # A meter listed without dates still has its range and accuracy.
    plain = table.group_by("instrument_id").agg(
        pl.col(_PLAIN).drop_nulls().last(), pl.col("calibrated_on").is_not_null().any().alias("_dates_kept")
    )
    days = rows.select("instrument_id", "_day").drop_nulls().unique().sort("_day", "instrument_id")
    joined = _in_force(days, table).join(plain, on="instrument_id", how="left", suffix="_plain")
    never = pl.col("calibrated_on").is_null() & pl.col("_dates_kept").fill_null(False)
    years = (pl.col("_day") - pl.col("calibrated_on")).dt.total_days() / 365.25
    return joined.with_columns(
        *(pl.coalesce(name, f"{name}_plain").alias(name) for name in _PLAIN),
        ((pl.col("_day") > pl.col("calibration_due_on")).fill_null(False) | never).alias("_lapsed"),
    ).select(
        "instrument_id", "_day", "calibration_due_on", *_PLAIN, "as_found_error_pct", "_lapsed",
        pl.when("_lapsed").then(years).alias("lapsed_years"),
    )  # fmt: skip


def with_meter(rows: pl.DataFrame, instruments: pl.DataFrame) -> pl.DataFrame:
    """Add what is known of each reading's meter that day, the step of its display, marks at its limits."""
    ring = pl.col("check_ring_ohm").median().over("instrument_id").alias("_ring_ohm")
    joined = rows.join(
        meter_days(rows, instruments), on=["instrument_id", "_day"], how="left", maintain_order="left"
    ).with_columns(pl.col("_lapsed").fill_null(False), ring)
    return _with_step(joined.with_columns(_mark()))


def _mark() -> pl.Expr:
    value = pl.col("resistance_ohm")
    return (
        pl.when(pl.col("range_mark").is_not_null())
        .then("range_mark")
        .when((value / pl.col("range_high_ohm") - 1).abs() < AT_THE_LIMIT)
        .then(pl.lit("over"))
        .when((value / pl.col("range_low_ohm") - 1).abs() < AT_THE_LIMIT)
        .then(pl.lit("under"))
        .alias("range_mark")
    )


def _with_step(rows: pl.DataFrame) -> pl.DataFrame:
    """Add _step_ohm: what the meter's display moves by at that value, null where too few readings tell.

    The coarsest step of which nearly all of that meter's readings in that decade are whole multiples.
    """
    value = pl.when((pl.col("resistance_ohm") > 0) & pl.col("range_mark").is_null()).then("resistance_ohm")
    decade = (value.log10() + 1e-9).floor().cast(pl.Int32)
    rows = rows.with_columns(decade.alias("_decade"))
    third = value / pl.lit(10.0).pow(pl.col("_decade") - 2)
    whole = third.round()
    shown = rows.select(
        "instrument_id",
        "_decade",
        pl.when((third - whole).abs() < 1e-4).then(whole.cast(pl.Int32, strict=False)).alias("_third"),
    ).filter(pl.col("_decade").is_not_null() & pl.col("instrument_id").is_not_null())
    shares = shown.group_by("instrument_id", "_decade").agg(
        pl.len().alias("_n"),
        *(((pl.col("_third") % c) == 0).fill_null(False).mean().alias(f"_{c}") for c in STEPS),
    )
    step = pl.coalesce(*(pl.when(pl.col(f"_{c}") >= STEP_SHARE).then(pl.lit(float(c))) for c in STEPS))
    known = shares.filter(pl.col("_n") >= STEP_READINGS).select(
        "instrument_id", "_decade", (step * pl.lit(10.0).pow(pl.col("_decade") - 2)).alias("_step_ohm")
    )
    joined = rows.join(known, on=["instrument_id", "_decade"], how="left", maintain_order="left")
    return joined.drop("_decade")


def with_spread(rows: pl.DataFrame, drift: pl.DataFrame) -> pl.DataFrame:
    """Add sd_extra_log: the meter's own relative standard deviation at the value.

    Accuracy, the step of the display, what the next calibration found; for a lapsed meter how far it has
    drifted beside the others (drift: instrument_id, drift_log and drift_se a year), or LAPSED_SD.
    """
    value = pl.col("resistance_ohm")
    rows = rows.join(drift, on="instrument_id", how="left", maintain_order="left").with_columns(
        (pl.col("drift_log") * pl.col("lapsed_years")).alias("_drifted_log"),
        (pl.col("drift_se") * pl.col("lapsed_years")).alias("_drifted_se"),
    )
    accuracy = (
        pl.col("accuracy_pct").fill_null(USUAL_ACCURACY_PCT) / 100
        + pl.when(value > 0).then(pl.col("accuracy_ohm").fill_null(0.0) / value).otherwise(0.0)
    ) * LIMIT_TO_SD
    step = (
        pl.when(value > 0).then(pl.col("_step_ohm").fill_null(0.0) / 2 / value * LIMIT_TO_SD).otherwise(0.0)
    )
    measured = (pl.col("_drifted_log").pow(2) + pl.col("_drifted_se").pow(2)).sqrt()
    lapsed = pl.when("_lapsed").then(measured.fill_null(LAPSED_SD)).otherwise(0.0)
    as_found = pl.col("as_found_error_pct").fill_null(0.0) / 100
    spread = (accuracy.pow(2) + step.pow(2) + lapsed.pow(2) + as_found.pow(2)).sqrt().fill_null(0.0)
    return rows.with_columns(spread.clip(0.0, 1.0).alias("sd_extra_log"))
