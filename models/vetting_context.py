"""The columns that the vetting rules judge by: history of the electrode, visit, meter, campaign.

Names that begin with an underscore are steps between and never leave vetting.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from models.vetting_campaigns import campaigns_off, lapsed_drift, of_a_round, visit_frame, without_drift
from models.vetting_copies import copied
from models.vetting_history import (
    LN10,
    SLIP_WITHIN_LOG,
    Bools,
    Days,
    Floats,
    judge_days,
    numbered,
    opened_once,
    slipped,
    slipped_alone,
    slipped_at_an_end,
)
from models.vetting_meters import complete, with_meter, with_spread
from models.vetting_swaps import swaps_frame

METAL_SHARE_OF_FORMULA = 0.1  # a reading under a tenth of the rod formula and under 1 ohm has not met soil
METAL_SHARE_OF_HISTORY = 0.25  # or under a quarter of what the electrode read before and after
METAL_BELOW_OHM = 1.0
SITE_READINGS = 10  # by which a site tells how far its soil is off its survey
SAME_VALUE_LOG = 0.3  # repeats of a day this near to one another are one value

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
    "crew": pl.String,
    "visit_reason": pl.String,
    "soil_temp_c": pl.Float64,
}


def _with_electrode(
    readings: pl.DataFrame, electrodes: pl.DataFrame, sites: pl.DataFrame, rod_formula_ohm: pl.DataFrame
) -> pl.DataFrame:
    lives = complete(electrodes, {"installed_on": pl.Date, "retired_on": pl.Date}).select(
        "electrode_id", "installed_on", "retired_on"
    )
    value = next(name for name in rod_formula_ohm.columns if name != "electrode_id")
    formula = rod_formula_ohm.select("electrode_id", pl.col(value).cast(pl.Float64).alias("formula_ohm"))
    return (
        complete(readings.drop("district", strict=False), OPTIONAL)
        .with_row_index("_order")
        .with_columns(
            pl.col("resistance_ohm").cast(pl.Float64),
            pl.col("method").fill_null("clamp_on"),
            pl.col("taken_at").dt.date().alias("_day"),
        )
        .join(lives, on="electrode_id", how="left")
        .join(formula, on="electrode_id", how="left")
        .join(_districts(sites, electrodes), on="site_id", how="left")
        .join(_gridded(sites), on="site_id", how="left")
    )


def _gridded(sites: pl.DataFrame) -> pl.DataFrame:
    """Give the sites whose loop closes through their own grid: site_id, _in_grid (true)."""
    if not {"site_id", "return_path", "grid_area_m2"} <= set(sites.columns):
        return pl.DataFrame(schema={"site_id": pl.String, "_in_grid": pl.Boolean})
    own = sites.filter((pl.col("return_path") == "site_grid") & (pl.col("grid_area_m2") > 0))
    return own.select("site_id", pl.lit(True).alias("_in_grid")).unique("site_id")


def _districts(sites: pl.DataFrame, electrodes: pl.DataFrame) -> pl.DataFrame:
    """Give the district of each site, out of the sites or of what is known of the electrodes."""
    for table in (sites, electrodes):
        if {"site_id", "region"} <= set(table.columns):
            named = table.select("site_id", pl.col("region").cast(pl.String).alias("district"))
            return named.unique("site_id", keep="first", maintain_order=True)
    return pl.DataFrame(schema={"site_id": pl.String, "district": pl.String})


def _copies(rows: pl.DataFrame) -> pl.DataFrame:
    """Add _copy_of: the first row with the same electrode, moment and value, out of another file."""
    same = ["electrode_id", "taken_at", "resistance_ohm", "range_mark", "method", "repeat_no"]
    more = rows.filter(pl.col("resistance_ohm").is_not_null() & pl.col("file").is_not_null())
    more = more.filter(pl.struct("electrode_id", "taken_at", "resistance_ohm").is_duplicated())
    first = pl.struct("row_id", "file").sort_by("row_id").first().over(same)
    found = more.with_columns(first.alias("_first")).filter(
        pl.col("file") != pl.col("_first").struct.field("file")
    )
    copies = found.select("row_id", pl.col("_first").struct.field("row_id").alias("_copy_of"))
    return rows.join(copies, on="row_id", how="left", maintain_order="left")


def _with_soil(rows: pl.DataFrame) -> pl.DataFrame:
    """Add _soil_ohm: the rod formula, less where the whole site reads less than its survey says."""
    ratio = pl.when((pl.col("resistance_ohm") > 0) & (pl.col("method") == "clamp_on")).then(
        pl.col("resistance_ohm") / pl.col("formula_ohm")
    )
    known = ratio.count().over("site_id") >= SITE_READINGS
    usual = pl.when(known).then(ratio.median().over("site_id").clip(upper_bound=1.0)).otherwise(1.0)
    return rows.with_columns((pl.col("formula_ohm") * usual.fill_null(1.0)).alias("_soil_ohm"))


def _usable(rows: pl.DataFrame) -> pl.DataFrame:
    """Give the readings that can speak of their electrode, with their logarithms and what is metal."""
    in_life = (pl.col("_day") >= pl.col("installed_on")).fill_null(True) & (
        pl.col("_day") <= pl.col("retired_on")
    ).fill_null(True)
    value = pl.col("resistance_ohm")
    clamped = (pl.col("method") == "clamp_on") & pl.col("_copy_of").is_null()
    under = pl.col("range_mark").eq_missing("under")
    metal = (value < METAL_BELOW_OHM) & (value < METAL_SHARE_OF_FORMULA * pl.col("_soil_ohm"))
    return rows.filter((value > 0) & clamped & in_life).select(
        "row_id", "electrode_id", "site_id", "_day", "district", "instrument_id", "crew", "visit_reason",
        "_step_ohm", "resistance_ohm", "formula_ohm", "range_mark",
        pl.when(pl.col("current_a").abs() > 0).then(pl.col("current_a").abs().log()).alias("_ln_a"),
        value.log().alias("_ln"),
        (under | metal.fill_null(False)).alias("_aside"),
        pl.col("range_mark").eq_missing("over").alias("_over"),
    )  # fmt: skip


def _days(usable: pl.DataFrame) -> pl.DataFrame:
    """Give one value an electrode and day: of repeats, the one nearest to what is usual there."""
    plain = ~pl.col("_aside") & ~pl.col("_over")
    usual = usable.group_by("electrode_id").agg(pl.col("_ln").filter(plain).median().alias("_usual_ln"))
    far = (pl.col("_ln") - pl.col("_usual_ln")).abs()
    return (
        usable.join(usual, on="electrode_id", how="left")
        .with_columns(pl.when(plain).then(far).otherwise(far + 100.0).alias("_far"))
        .sort("electrode_id", "_day", "_far", "row_id", nulls_last=True)
        .unique(["electrode_id", "_day"], keep="first", maintain_order=True)
        .drop("_far", "row_id")
    )


def _judged(days: pl.DataFrame) -> Days:
    electrode = days.select(pl.col("electrode_id").rle_id()).to_series().to_numpy().astype(np.int64)
    return judge_days(
        electrode,
        numbered(days, "site_id", "_day"),
        days["_ln"].to_numpy().astype(float),
        days["_over"].to_numpy(),
        days["_aside"].to_numpy(),
    )


def _currents(days: pl.DataFrame, d: Days) -> Days:
    """Judge the currents on the leads as the resistances are: by history and the visit's movement."""
    noted = days["_ln_a"].is_not_null().to_numpy()
    none = np.zeros(noted.size, dtype=bool)
    return judge_days(d.electrode, d.visit, days["_ln_a"].fill_null(0.0).to_numpy(), none, ~noted)


def _step_log(days: pl.DataFrame) -> Floats:
    """Return the display's step over the value; where not known, of the last digit that the value shows."""
    value = days["resistance_ohm"].to_numpy()
    unit = 10.0 ** (np.floor(np.log10(value) + 1e-9) - 4)
    digits = np.round(value / unit)
    shown = np.ones(value.size)
    for power in (10.0, 100.0, 1000.0, 10000.0):
        shown = np.where(digits % power == 0, power, shown)
    known = days["_step_ohm"].to_numpy().astype(float)
    return np.where(np.isnan(known), shown * unit, known) / value


def _copied(days: pl.DataFrame, d: Days) -> tuple[Bools, Bools]:
    last = pl.col("resistance_ohm").shift(1).over("electrode_id")
    plain = pl.col("range_mark").is_null() & pl.col("range_mark").shift(1).over("electrode_id").is_null()
    found = days.select(
        (last.is_not_null() & plain).alias("has_last"),
        ((pl.col("resistance_ohm") == last) & plain).fill_null(False).alias("same"),
    )
    return copied(d, found["same"].to_numpy(), found["has_last"].to_numpy(), _step_log(days))


def _metal_by_history(d: Days) -> Bools:
    """Tell which values lie under 1 ohm and far below what the electrode read before, and after if it did.

    The first of a history may as well be sound and all that follows risen: it has to stand lower still.
    """
    below, first_below = np.log(METAL_SHARE_OF_HISTORY), np.log(METAL_SHARE_OF_FORMULA)
    with np.errstate(invalid="ignore"):
        fallen = d.ln - d.before < below
        fallen |= np.isnan(d.before) & (d.ln - d.after < first_below)
        stays = ~np.isnan(d.after) & ~(d.ln - d.after < below)
    return np.asarray(fallen & ~stays & (d.ln < np.log(METAL_BELOW_OHM)) & ~d.over)


def _history(days: pl.DataFrame, d: Days) -> pl.DataFrame:
    """Give electrode_id, _day and what the day's value looks like beside its history and its visit."""
    above = days.select(pl.col("_ln") - pl.col("formula_ohm").log()).to_series().to_numpy().astype(float)
    sheet, alone = _copied(days, d)
    flags = {
        "_slip": slipped(d),
        "_slip_end": slipped_at_an_end(d) | slipped_alone(d, above),
        "_opened": opened_once(d),
        "_metal_history": _metal_by_history(d),
        "_copied_sheet": sheet,
        "_copied_alone": alone,
    }
    return days.select(
        "electrode_id", "_day", pl.col("_ln").alias("_day_ln"),
        *(pl.Series(name, value) for name, value in flags.items()),
        pl.Series("_local_ohm", np.exp(d.local), nan_to_null=True),
        pl.Series("_dev_before", d.ln - d.before, nan_to_null=True),
        pl.Series("_visit_shift", d.shift, nan_to_null=True),
        pl.Series("_visit_wells", d.wells),
    )  # fmt: skip


def _of_readings(usable: pl.DataFrame, history: pl.DataFrame, swaps: pl.DataFrame) -> pl.DataFrame:
    """Give row_id and its day's columns; a repeat that differs from its day's value keeps only that."""
    by = ["electrode_id", "_day"]
    joined = usable.select("row_id", *by, "_ln", "_over", "_aside").join(history, on=by, how="left")
    joined = joined.join(swaps, on=by, how="left")
    apart = pl.col("_ln") - pl.col("_day_ln")
    close = apart.abs() < SAME_VALUE_LOG
    steps = (apart / LN10).round()
    off_repeat = (
        steps.abs().is_between(1, 3) & ((apart - steps * LN10).abs() < SLIP_WITHIN_LOG) & ~pl.col("_over")
    )
    flags = [name for name, kind in history.schema.items() if kind == pl.Boolean]
    return joined.with_columns(
        *((pl.col(name) & close).alias(name) for name in flags),
        pl.when(close).then("_swapped_with").alias("_swapped_with"),
        (off_repeat & pl.col("_local_ohm").is_not_null()).alias("_off_its_repeat"),
    ).drop(*by, "_ln", "_over", "_aside", "_day_ln")


def _with_campaigns(rows: pl.DataFrame, visits: pl.DataFrame) -> pl.DataFrame:
    """Add _campaign_factor, _campaign_who to the readings of a campaign that is off."""
    off = campaigns_off(visits)
    year = pl.col("_day").dt.year().cast(pl.Int32)
    rows = rows.with_columns(year.alias("_year"))
    for by in ("instrument_id", "crew"):
        mine = off.filter(pl.col("by") == by).select(
            "district", pl.col("year").alias("_year"), pl.col("who").alias(by),
            pl.col("factor").alias(f"_factor_{by}"),
        )  # fmt: skip
        rows = rows.join(mine, on=["district", "_year", by], how="left", maintain_order="left")
    meter = pl.col("_factor_instrument_id").is_not_null()
    return rows.with_columns(
        pl.when(of_a_round())
        .then(pl.coalesce("_factor_instrument_id", "_factor_crew"))
        .alias("_campaign_factor"),
        pl.when(meter)
        .then(pl.format("meter {}", "instrument_id"))
        .otherwise(pl.format("crew {}", "crew"))
        .alias("_campaign_who"),
    )


def _with_frost(rows: pl.DataFrame, weather: pl.DataFrame | None) -> pl.DataFrame:
    """Add _topsoil_c: measured with the reading, or the month's of the site or its district."""
    if weather is None or "month" not in weather.columns:
        return rows.with_columns(pl.col("soil_temp_c").alias("_topsoil_c"))
    known = complete(
        weather,
        {"site_id": pl.String, "region": pl.String, "soil_temp_c": pl.Float64, "air_temp_c": pl.Float64},
    ).with_columns(
        pl.col("month").cast(pl.String).str.head(7).alias("_month"),
        pl.coalesce("soil_temp_c", "air_temp_c").alias("_month_c"),
    )
    rows = rows.with_columns(pl.col("_day").dt.strftime("%Y-%m").alias("_month"))
    for key, of in (("site_id", "site_id"), ("region", "district")):
        mine = known.drop_nulls(key).group_by(key, "_month").agg(pl.col("_month_c").mean())
        mine = mine.rename({key: of, "_month_c": f"_c_{of}"})
        rows = rows.join(mine, on=[of, "_month"], how="left", maintain_order="left")
    return rows.with_columns(
        pl.coalesce("soil_temp_c", "_c_site_id", "_c_district").alias("_topsoil_c")
    ).drop("_month")


def prepare(
    readings: pl.DataFrame,
    electrodes: pl.DataFrame,
    sites: pl.DataFrame,
    instruments: pl.DataFrame,
    rod_formula_ohm: pl.DataFrame,
    weather: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Give the readings with every column that a rule may ask for; `_order` is their place in the input."""
    rows = _with_electrode(readings, electrodes, sites, rod_formula_ohm)
    rows = _with_soil(_with_frost(_copies(with_meter(rows, instruments)), weather))
    usable = _usable(rows)
    days = _days(usable)
    d = _judged(days)
    visits = visit_frame(days, d)
    lapsed = rows.filter("_lapsed").select("instrument_id", "_day", "lapsed_years").unique()
    drift = lapsed_drift(visits, lapsed)
    rows = with_spread(rows, drift)
    found = _of_readings(usable, _history(days, d), swaps_frame(days, d, _currents(days, d)))
    usual = days.group_by("electrode_id").agg(pl.col("_usual_ln").first().exp().alias("_history_ohm"))
    rows = rows.join(found, on="row_id", how="left", maintain_order="left")
    rows = rows.join(usual, on="electrode_id", how="left", maintain_order="left")
    return _with_campaigns(rows, without_drift(visits, lapsed, drift))
