"""What the ground was like on the day of a reading, beyond what is usual there in that month."""

import numpy as np
import polars as pl

from models.histories import Floats, Histories, harmonics

WEATHER = ("temp_beyond_c", "frozen", "dry_month", "dry_year")
_LEAST_YEARS = 3  # of a district's weather before a month can be called dry
_LEAST_RAIN_MM = 5.0  # added before the logarithm: a month of drizzle is about as dry as one without rain
_BORROWED_DAYS = 3.0  # weight of the fleet's share of frozen days beside a district's own, in days


def ground_at_readings(
    h: Histories, readings: pl.DataFrame, weather: pl.DataFrame, sites: pl.DataFrame
) -> Floats:
    """Return (M, 4), in the order of WEATHER, for Histories.weather.

    readings: row_id, site_id, taken_at, soil_temp_c. weather: site_id, region, month, rain_mm, air_temp_c,
    soil_temp_c, any of which but month may be missing. sites: site_id, region. A site's own weather goes
    before its region's.

    temp_beyond_c: degrees by which the soil is warmer than is usual at that site on that day of the year;
    frozen: 1 with topsoil below 0 C, less the district's mean share of such days over a year. dry_month,
    dry_year: ln of the usual rain over the rain of the month before, and of the twelve before. What was not
    measured stands at its expected value for the district and month: 0, or the share of frozen days.
    """
    day = pl.col("taken_at").cast(pl.Date)
    rows = readings.select("row_id", "site_id", day.alias("day"), _column(readings, "soil_temp_c"))
    # sums hang on the order of their terms, and that must not be the files' or the threads'
    rows = rows.sort("site_id", "day", "soil_temp_c")
    places = sites.select("site_id", pl.col("region").fill_null("")).unique("site_id")
    days = (
        rows.group_by("site_id", "day", maintain_order=True)
        .agg(pl.col("soil_temp_c").mean())
        .join(places, on="site_id", how="left")
        .with_columns(pl.col("region").fill_null(""), pl.col("day").dt.strftime("%Y-%m").alias("month"))
        .sort("site_id", "day")
    )
    days = _with_weather(days, _monthly(weather))
    beyond = pl.Series("measured_beyond", _beyond_usual(days), nan_to_null=True)
    days = days.with_columns(beyond).with_columns(
        pl.coalesce("measured_beyond", "soil_beyond").fill_null(0.0).alias("temp_beyond_c"),
        pl.coalesce("soil_temp_c", "month_soil_c", "month_air_c").alias("topsoil_c"),
        pl.col("dry_month", "dry_year").fill_null(0.0),
    )
    days = days.with_columns(pl.Series("frozen", _frozen(days)))
    at = rows.select("row_id", "site_id", "day").join(days, on=["site_id", "day"]).select("row_id", *WEATHER)
    return (
        pl.DataFrame({"row_id": h.row})
        .join(at.unique("row_id"), on="row_id", how="left", maintain_order="left")
        .select(pl.col(WEATHER).fill_null(0.0))
        .to_numpy()
        .astype(float)
    )


def _column(frame: pl.DataFrame, name: str) -> pl.Expr:
    """Return the column as numbers, null where the frame has none of that name."""
    kept = pl.col(name).cast(pl.Float64) if name in frame.columns else pl.lit(None, dtype=pl.Float64)
    return kept.alias(name)


def _monthly(weather: pl.DataFrame) -> pl.DataFrame:
    """Return one row for each place and month: what fell, how warm it was, and how far from usual.

    place: s/site or r/region. dry_month and dry_year speak of the months before this one.
    """

    def named(column: str, mark: str) -> pl.Expr:
        known = pl.col(column) if column in weather.columns else pl.lit(None, dtype=pl.String)
        return pl.lit(mark) + known.cast(pl.String)

    rows = (
        weather.select(
            pl.coalesce(named("site_id", "s/"), named("region", "r/")).alias("place"),
            pl.col("month").cast(pl.String).str.head(7).alias("month"),
            *[_column(weather, c) for c in ("rain_mm", "air_temp_c", "soil_temp_c")],
        )
        .drop_nulls("place")
        .sort("place", "month", "rain_mm", "air_temp_c", "soil_temp_c")
        .group_by("place", "month", maintain_order=True)
        .agg(pl.col("rain_mm", "air_temp_c", "soil_temp_c").mean())
    )
    count = pl.col("month").str.head(4).cast(pl.Int64) * 12 + pl.col("month").str.tail(2).cast(pl.Int64) - 1
    usual = ["place", "of_year"]
    enough = pl.len().over(usual) >= _LEAST_YEARS
    rain = (pl.col("rain_mm") + _LEAST_RAIN_MM).log()
    rows = rows.with_columns(count.alias("m"), pl.col("month").str.tail(2).alias("of_year")).with_columns(
        pl.when(enough).then(rain.mean().over(usual) - rain).alias("dry"),
        pl.when(enough)
        .then(pl.col("soil_temp_c") - pl.col("soil_temp_c").mean().over(usual))
        .alias("soil_beyond"),
    )
    before = rows.select("place", (pl.col("m") + 1).alias("m"), pl.col("dry").alias("dry_month"))
    next_months = pl.int_ranges(pl.col("m") + 1, pl.col("m") + 13).alias("m")
    year = (
        rows.drop_nulls("dry").select("place", "dry", next_months)
        .explode("m")
        .group_by("place", "m", maintain_order=True)
        .agg((pl.col("dry").sum() / 12.0).alias("dry_year"))
    )  # fmt: skip
    return (
        before.join(year, on=["place", "m"], how="full", coalesce=True)
        .join(rows.drop("dry"), on=["place", "m"], how="full", coalesce=True)
        .select(
            "place", "m", "dry_month", "dry_year", "soil_beyond",
            pl.col("soil_temp_c").alias("month_soil_c"), pl.col("air_temp_c").alias("month_air_c"),
        )
    )  # fmt: skip


def _with_weather(days: pl.DataFrame, monthly: pl.DataFrame) -> pl.DataFrame:
    """Add the month's weather to site-days, the site's own before the region's."""
    m = pl.col("month").str.head(4).cast(pl.Int64) * 12 + pl.col("month").str.tail(2).cast(pl.Int64) - 1
    keyed = days.with_columns(
        m.alias("m"),
        (pl.lit("s/") + pl.col("site_id")).alias("own"),
        (pl.lit("r/") + pl.col("region")).alias("near"),
    )
    names = [c for c in monthly.columns if c not in {"place", "m"}]
    both = keyed.join(
        monthly, left_on=["own", "m"], right_on=["place", "m"], how="left", maintain_order="left"
    ).join(
        monthly.rename({c: f"{c}_near" for c in names}),
        left_on=["near", "m"],
        right_on=["place", "m"],
        how="left",
        maintain_order="left",
    )
    return both.with_columns(pl.coalesce(c, f"{c}_near") for c in names)


def _decimal_year(days: pl.DataFrame) -> Floats:
    at = days.select(pl.col("day").dt.year() + pl.col("day").dt.ordinal_day() / 366.0)
    return at.to_numpy()[:, 0].astype(float)


def _beyond_usual(days: pl.DataFrame) -> Floats:
    """Return (D,) measured soil temperature less the yearly wave of the region and the site's own mean.

    NaN where none was measured. Regions and sites are shrunk to the fleet, as a region measured twice has no
    wave of its own.
    """
    out = np.full(days.height, np.nan)
    known = days["soil_temp_c"].is_not_null().to_numpy()
    if not known.any():
        return out
    seen = days.filter(known)
    _, region = np.unique(seen["region"].to_numpy().astype(str), return_inverse=True)
    _, site = np.unique(seen["site_id"].to_numpy().astype(str), return_inverse=True)
    wave = np.column_stack([np.ones(seen.height), harmonics(_decimal_year(seen), 1)])
    temp = seen["soil_temp_c"].to_numpy().astype(float)
    of_region = np.eye(region.max() + 1)[region]
    X = np.concatenate([wave, *(of_region * wave[:, [k]] for k in range(3))], axis=1)
    ridge = np.concatenate([np.full(3, 1e-6), np.full(X.shape[1] - 3, 0.5)])
    left = temp - X @ np.linalg.solve(X.T @ X + np.diag(ridge), X.T @ temp)
    count = np.bincount(site)
    out[known] = left - (np.bincount(site, left) / (count + 1.0))[site]
    return out


def _frozen(days: pl.DataFrame) -> Floats:
    """Return (D,) whether the topsoil was frozen, or its expected share, less the region's mean share."""
    month = days["month"].str.tail(2).cast(pl.Int64).to_numpy() - 1
    names, region = np.unique(days["region"].to_numpy().astype(str), return_inverse=True)
    known = days["topsoil_c"].is_not_null().to_numpy()
    cold = (days["topsoil_c"].fill_null(1.0).to_numpy() < 0.0).astype(float)
    count, total = np.zeros((2, names.size, 12))
    np.add.at(count, (region[known], month[known]), 1.0)
    np.add.at(total, (region[known], month[known]), cold[known])
    fleet = total.sum(axis=0) / np.maximum(count.sum(axis=0), 1.0)
    share = (total + _BORROWED_DAYS * fleet) / (count + _BORROWED_DAYS)
    return np.asarray(np.where(known, cold, share[region, month]) - share.mean(axis=1)[region])
