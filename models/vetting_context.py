"""The columns that the vetting rules judge by: the electrode's own history, its visit, its meter.

Names that begin with an underscore are steps between and never leave vetting.
"""

from __future__ import annotations

import numpy as np
import polars as pl

LN10 = float(np.log(10.0))
# A meter whose accuracy is not on record: 3 % of the reading (common practice, no source).
USUAL_ACCURACY_PCT = 3.0
# A limit of accuracy is taken as the half width of an even spread.
LIMIT_TO_SD = 1 / np.sqrt(3.0)
# Further spread, as a share of the reading, of a meter out of calibration (common practice, no source).
LAPSED_SD = 0.05
AT_THE_LIMIT = 1e-3  # a value this near to the meter's limit is the limit, written without its mark
# A slip of the decimal point: x10 within exp(0.35) = 1.42 either way, once the site's own movement is off.
SLIP_WITHIN_LOG = 0.35
RETURNS_WITHIN_LOG = 0.9  # before and after the slip the electrode stands within a factor of 2.5
WEATHER_FACTOR = 3.0  # weather moves a whole site by this at most; more is a mistake of the sheet
# Two wells exchanged: each reads what the other used to, within 22 %, and not its own, by 50 % or more.
SWAP_MATCH_LOG, SWAP_MISS_LOG = 0.20, 0.40

OPTIONAL = {
    "outcome": pl.String,
    "method": pl.String,
    "current_a": pl.Float64,
    "check_ring_ohm": pl.Float64,
    "instrument_id": pl.String,
    "range_mark": pl.String,
    "file": pl.String,
    "repeat_no": pl.Int64,
    "site_id": pl.String,
}
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


def complete(frame: pl.DataFrame, schema: dict[str, type[pl.DataType]]) -> pl.DataFrame:
    """Give the frame with each column of the schema, cast, null where it was not there."""
    return frame.with_columns(
        (pl.col(name).cast(kind) if name in frame.columns else pl.lit(None, dtype=kind).alias(name))
        for name, kind in schema.items()
    )


def _with_electrode(
    readings: pl.DataFrame, electrodes: pl.DataFrame, rod_formula_ohm: pl.DataFrame
) -> pl.DataFrame:
    lives = complete(electrodes, {"installed_on": pl.Date, "retired_on": pl.Date}).select(
        "electrode_id", "installed_on", "retired_on"
    )
    value = next(name for name in rod_formula_ohm.columns if name != "electrode_id")
    formula = rod_formula_ohm.select("electrode_id", pl.col(value).cast(pl.Float64).alias("formula_ohm"))
    return (
        complete(readings, OPTIONAL)
        .with_row_index("_order")
        .with_columns(
            pl.col("resistance_ohm").cast(pl.Float64),
            pl.col("method").fill_null("clamp_on"),
            pl.col("taken_at").dt.date().alias("_day"),
        )
        .join(lives, on="electrode_id", how="left")
        .join(formula, on="electrode_id", how="left")
    )


def _with_meter(rows: pl.DataFrame, instruments: pl.DataFrame) -> pl.DataFrame:
    """Add the calibration in force on the day, whether it had lapsed, the range and the accuracy."""
    table = complete(instruments, CALIBRATION).select(list(CALIBRATION)).drop_nulls("instrument_id")
    known = table.select("instrument_id").unique().with_columns(pl.lit(True).alias("_meter_known"))
    dated = table.filter(pl.col("calibrated_on").is_not_null()).sort("calibrated_on")
    in_force = dated.drop("as_found_error_pct")
    found = dated.select("instrument_id", "calibrated_on", "as_found_error_pct")
    # A meter listed without dates still has its range and accuracy.
    plain = table.group_by("instrument_id").agg(
        pl.col("range_low_ohm", "range_high_ohm", "accuracy_pct", "accuracy_ohm").drop_nulls().last()
    )
    joined = (
        rows.sort("_day")
        .join_asof(
            in_force,
            left_on="_day",
            right_on="calibrated_on",
            by="instrument_id",
            strategy="backward",
            check_sortedness=False,
        )
        # The error that the next calibration found was there when this reading was taken.
        .join_asof(
            found.rename({"calibrated_on": "_next_on"}),
            left_on="_day",
            right_on="_next_on",
            by="instrument_id",
            strategy="forward",
            check_sortedness=False,
        )
        .join(plain, on="instrument_id", how="left", suffix="_plain")
        .join(known, on="instrument_id", how="left")
    )
    dates_kept = dated.select("instrument_id").unique().with_columns(pl.lit(True).alias("_dates_kept"))
    never = pl.col("calibrated_on").is_null() & pl.col("_dates_kept").fill_null(False)
    return joined.join(dates_kept, on="instrument_id", how="left").with_columns(
        *(
            pl.coalesce(name, f"{name}_plain").alias(name)
            for name in ("range_low_ohm", "range_high_ohm", "accuracy_pct", "accuracy_ohm")
        ),
        ((pl.col("_day") > pl.col("calibration_due_on")).fill_null(False) | never).alias("_lapsed"),
        pl.col("check_ring_ohm").median().over("instrument_id").alias("_ring_ohm"),
    )


def _with_range_and_spread(rows: pl.DataFrame) -> pl.DataFrame:
    """Mark values at the meter's own limits, and give its relative standard deviation at the value."""
    value = pl.col("resistance_ohm")
    mark = (
        pl.when(pl.col("range_mark").is_not_null())
        .then("range_mark")
        .when((value / pl.col("range_high_ohm") - 1).abs() < AT_THE_LIMIT)
        .then(pl.lit("over"))
        .when((value / pl.col("range_low_ohm") - 1).abs() < AT_THE_LIMIT)
        .then(pl.lit("under"))
    )
    accuracy = (
        pl.col("accuracy_pct").fill_null(USUAL_ACCURACY_PCT) / 100
        + pl.when(value > 0).then(pl.col("accuracy_ohm").fill_null(0.0) / value).otherwise(0.0)
    ) * LIMIT_TO_SD
    lapsed = pl.when("_lapsed").then(LAPSED_SD).otherwise(0.0)
    as_found = pl.col("as_found_error_pct").fill_null(0.0) / 100
    spread = (accuracy.pow(2) + lapsed**2 + as_found.pow(2)).sqrt().fill_null(0.0)
    return rows.with_columns(mark.alias("range_mark"), spread.clip(0.0, 1.0).alias("sd_extra_log"))


def _copies(rows: pl.DataFrame) -> pl.DataFrame:
    """Add _copy_of: the first row with the same electrode, moment and value, out of another file."""
    same = ["electrode_id", "taken_at", "resistance_ohm", "range_mark", "method", "repeat_no"]
    first = pl.struct("row_id", "file").sort_by("row_id").first().over(same)
    other_file = pl.col("file").ne_missing(first.struct.field("file"))
    candidate = pl.col("resistance_ohm").is_not_null() & pl.col("file").is_not_null()
    return rows.with_columns(
        pl.when(candidate & other_file).then(first.struct.field("row_id")).alias("_copy_of")
    )


def _near(log_ratio: pl.Expr) -> pl.Expr:
    """Tell whether a log ratio is a whole power of ten other than 1, up to 1000."""
    step = (log_ratio / LN10).round()
    return (step.abs().is_between(1, 3)) & ((log_ratio - step * LN10).abs() < SLIP_WITHIN_LOG)


def _history(rows: pl.DataFrame) -> pl.DataFrame:
    """Give for each usable reading the electrode's level before and after it, and how the visit moved."""
    in_life = (pl.col("_day") >= pl.col("installed_on")).fill_null(True) & (
        pl.col("_day") <= pl.col("retired_on")
    ).fill_null(True)
    usable = (
        rows.filter(
            (pl.col("resistance_ohm") > 0)
            & pl.col("range_mark").is_null()
            & (pl.col("method") == "clamp_on")
            & pl.col("_copy_of").is_null()
            & in_life
        )
        .select(
            "row_id",
            "electrode_id",
            "site_id",
            "_day",
            "resistance_ohm",
            pl.col("resistance_ohm").log().alias("_ln"),
        )
        .sort("electrode_id", "_day", "row_id")
    )
    # Levels are one value a day, so that repeats of a day do not vouch for one another.
    days = usable.group_by("electrode_id", "site_id", "_day", maintain_order=True).agg(
        pl.col("_ln").median(), pl.col("resistance_ohm").first().alias("_digits")
    )
    shifted = [pl.col("_ln").shift(k).over("electrode_id") for k in (1, 2, 3)]
    ahead = [pl.col("_ln").shift(-k).over("electrode_id") for k in (1, 2, 3)]
    days = days.with_columns(
        pl.concat_list(shifted).list.drop_nulls().list.median().alias("_ln_before"),
        pl.concat_list(ahead).list.drop_nulls().list.median().alias("_ln_after"),
        pl.col("_ln").median().over("electrode_id").exp().alias("_history_ohm"),
    ).with_columns(pl.mean_horizontal("_ln_before", "_ln_after").alias("_local_ln"))
    levels = _copied(_visits(days)).drop("site_id", "_ln")
    joined = usable.join(levels, on=["electrode_id", "_day"], how="left")
    return _slips(joined).drop("site_id", "_ln", "_digits", "resistance_ohm")


def _visits(days: pl.DataFrame) -> pl.DataFrame:
    """Add how the visit as a whole stands off its wells' levels before and after."""
    visit = ["site_id", "_day"]
    return days.with_columns(
        (pl.col("_ln") - pl.col("_local_ln")).median().over(visit).alias("_visit_shift"),
        pl.col("_local_ln").count().over(visit).alias("_visit_wells"),
        pl.col("_local_ln").exp().alias("_local_ohm"),
    )


def _slips(readings: pl.DataFrame) -> pl.DataFrame:
    """Add whether each reading stands a power of ten off its neighbours in time, and off its own repeat."""
    # With fewer than three wells the median may be the slip itself: then nothing is taken off.
    moved = pl.when(pl.col("_visit_wells") >= 3).then(pl.col("_visit_shift")).otherwise(0.0).fill_null(0.0)
    moved = pl.when(moved.abs() < np.log(WEATHER_FACTOR)).then(moved).otherwise(0.0)
    before, after = pl.col("_ln") - pl.col("_ln_before"), pl.col("_ln") - pl.col("_ln_after")
    gap = (pl.col("_ln_before") - pl.col("_ln_after")).abs()
    # The repeat of that day that lies nearest to the electrode's level.
    off = pl.col("_ln") - pl.col("_local_ln")
    nearest = pl.col("_ln").sort_by(off.abs(), nulls_last=True).first().over("electrode_id", "_day")
    return readings.with_columns(
        before.alias("_dev_before"),
        _near(before - moved).fill_null(False).alias("_slip_before"),
        _near(after - moved).fill_null(False).alias("_slip_after"),
        ((gap < RETURNS_WITHIN_LOG) & (before.sign() == after.sign())).fill_null(False).alias("_returns"),
        (_near(pl.col("_ln") - nearest) & pl.col("_local_ln").is_not_null()).alias("_off_its_repeat"),
        (pl.col("_same_as_last") & (pl.col("resistance_ohm") == pl.col("_digits"))).alias("_same_as_last"),
    )


def _copied(days: pl.DataFrame) -> pl.DataFrame:
    """Add runs of the very same digits on different days, and how much of the visit repeats the last one."""
    same = (pl.col("_digits") == pl.col("_digits").shift(1)).over("electrode_id").fill_null(False)
    run = (~pl.col("_same_as_last")).cum_sum().over("electrode_id")
    # Digits that a coarse meter repeats by chance need a longer run: 53 again and again is no wonder.
    text = pl.col("_digits").round(6).cast(pl.String).str.strip_chars_end("0").str.replace_all(r"\.", "")
    fine = text.str.strip_chars_start("0").str.len_chars() >= 3
    return (
        days.with_columns(same.alias("_same_as_last"))
        .with_columns(
            run.alias("_run"),
            pl.when(fine).then(3).otherwise(5).alias("_run_needed"),
            pl.col("_same_as_last").mean().over("site_id", "_day").alias("_same_share"),
            pl.len().over("site_id", "_day").alias("_same_wells"),
        )
        .with_columns(pl.len().over("electrode_id", "_run").alias("_run_days"))
        .drop("_run")
    )


def _swaps(history: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Give row_id, _swapped_with: pairs of a visit that each read what the other used to."""
    off = history.join(rows.select("row_id", "site_id", "resistance_ohm"), on="row_id").with_columns(
        pl.col("resistance_ohm").log().alias("_ln")
    )
    off = off.filter((pl.col("_ln") - pl.col("_local_ln")).abs() > SWAP_MISS_LOG)
    off = off.select("row_id", "electrode_id", "site_id", "_day", "_ln", "_local_ln")
    pairs = off.join(off, on=["site_id", "_day"], suffix="_other").filter(
        (pl.col("electrode_id") != pl.col("electrode_id_other"))
        & ((pl.col("_ln") - pl.col("_local_ln_other")).abs() < SWAP_MATCH_LOG)
        & ((pl.col("_ln_other") - pl.col("_local_ln")).abs() < SWAP_MATCH_LOG)
    )
    return pairs.group_by("row_id").agg(pl.col("electrode_id_other").first().alias("_swapped_with"))


def prepare(
    readings: pl.DataFrame,
    electrodes: pl.DataFrame,
    instruments: pl.DataFrame,
    rod_formula_ohm: pl.DataFrame,
) -> pl.DataFrame:
    """Give the readings with every column that a rule may ask for; `_order` is their place in the input."""
    rows = _with_electrode(readings, electrodes, rod_formula_ohm)
    rows = _copies(_with_range_and_spread(_with_meter(rows, instruments)))
    history = _history(rows)
    swapped = _swaps(history, rows)
    usual = history.group_by("electrode_id").agg(pl.col("_history_ohm").first())
    return (
        rows.join(history.drop("electrode_id", "_day", "_history_ohm"), on="row_id", how="left")
        .join(usual, on="electrode_id", how="left")
        .join(swapped, on="row_id", how="left")
    )
