"""One meter or crew off for a whole round of a district, and how far a lapsed meter has drifted.

Both are read off visits: how far a visit as a whole stands off the same wells before and after. A dry year
moves the visits of every meter in the district; a meter or a crew moves its own alone.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from models.vetting_history import LEAST_WELLS, WEATHER_LOG, Days, numbered

LEAST_VISITS = 3  # of the campaign, and of the others beside it
CAMPAIGN_SD = 4.0  # standard errors between a campaign and the others of its year
CAMPAIGN_LOG = float(np.log(1.12))  # less is within what meters and days do anyway
WITHIN_SD = 2.0  # visits farther from their group's median count as if they stood there
SEASON_RIDGE = 4.0  # visits' worth of no season in a district's own
LEAST_VISIT_SD = 0.03
DRIFT_VISITS = 5  # visits by which a lapsed meter's drift can be told
GROUPS = {"instrument_id": "meter", "crew": "crew"}


def visit_frame(days: pl.DataFrame, d: Days) -> pl.DataFrame:
    """Give site_id, _day, district, year, instrument_id, crew, shift of the visits whose shift is known."""
    table = days.select("site_id", "_day", "district", "instrument_id", "crew").with_columns(
        pl.Series("shift", d.shift), pl.Series("wells", d.wells)
    )
    seen = table.group_by("site_id", "_day", maintain_order=True).agg(
        pl.col("district", "instrument_id", "crew", "shift", "wells").first()
    )
    told = (pl.col("wells") >= LEAST_WELLS) & (pl.col("shift").abs() < WEATHER_LOG)
    kept = seen.filter(told.fill_null(False)).with_columns(pl.col("_day").dt.year().alias("year"))
    return without_season(kept)


def without_season(visits: pl.DataFrame) -> pl.DataFrame:
    """Take off what a visit's shift owes to being early or late in the year beside its site's other visits."""
    if visits.is_empty():
        return visits
    place = numbered(visits, "district")
    turn = visits.select(pl.col("_day").dt.ordinal_day() * (2 * np.pi / 365.25)).to_series().to_numpy()
    waves = np.column_stack([f(k * turn) for k in (1, 2) for f in (np.cos, np.sin)])
    site = numbered(visits, "site_id")
    mean = np.stack([np.bincount(site, w) / np.bincount(site) for w in waves.T], axis=1)
    waves = waves - mean[site]
    left = visits.select(pl.col("shift") - pl.col("shift").median().over("district", "year"))
    beside = np.clip(left.to_series().to_numpy(), -0.5, 0.5)
    season = np.zeros(visits.height)
    for p in range(int(place.max()) + 1):
        x = waves[place == p]
        season[place == p] = x @ np.linalg.solve(x.T @ x + SEASON_RIDGE * np.eye(4), x.T @ beside[place == p])
    return visits.with_columns(pl.col("shift") - pl.Series(season))


def _typical(sd: float) -> pl.Expr:
    """Return the mean of a group's shifts, those far off counted as if nearer."""
    shift = pl.col("shift")
    return shift.clip(shift.median() - WITHIN_SD * sd, shift.median() + WITHIN_SD * sd).mean()


def _visit_sd(visits: pl.DataFrame) -> float:
    """Return the spread of one visit about those of its district and year, robustly."""
    left = visits.select((pl.col("shift") - pl.col("shift").median().over("district", "year")).abs().median())
    return max(1.4826 * float(left.item() or 0.0), LEAST_VISIT_SD)


def _beside_others(visits: pl.DataFrame, by: str, sd: float) -> pl.DataFrame:
    """Give for each campaign (district, year, one meter or crew) its shift beside the others of its year."""
    place = ["district", "year"]
    named = visits.filter(pl.col(by).is_not_null() & pl.col("district").is_not_null())
    groups = named.group_by([*place, by]).agg(
        _typical(sd).alias("own"), pl.len().alias("n")
    )
    pairs = groups.join(named.select(*place, pl.col(by).alias("_by"), "shift"), on=place).filter(
        pl.col("_by") != pl.col(by)
    )
    beside = pairs.group_by([*place, by]).agg(
        pl.col("own", "n").first(), _typical(sd).alias("others"), pl.len().alias("n_others")
    )
    return beside.rename({by: "who"}).with_columns(pl.lit(by).alias("by"))


def campaigns_off(visits: pl.DataFrame) -> pl.DataFrame:
    """Give by, who, district, year, factor of the campaigns that are off; one a district and year.

    Off: beside the others of that district and year, by CAMPAIGN_SD standard errors, and farther from the
    same wells' readings before and after than those others are.
    """
    schema = {"by": pl.String, "who": pl.String, "district": pl.String, "year": pl.Int32, "factor": pl.Float64}
    if visits.is_empty():
        return pl.DataFrame(schema=schema)
    sd = _visit_sd(visits)
    found = pl.concat([_beside_others(visits, by, sd) for by in GROUPS])
    apart = pl.col("own") - pl.col("others")
    error = sd * (1 / pl.col("n") + 1 / pl.col("n_others")).sqrt()
    enough = (pl.col("n") >= LEAST_VISITS) & (pl.col("n_others") >= LEAST_VISITS)
    off = (apart.abs() > CAMPAIGN_LOG) & (pl.col("own").abs() > pl.col("others").abs())
    return (
        found.with_columns((apart.abs() / error).alias("_errors"), apart.exp().alias("factor"))
        .filter(enough & off & (pl.col("_errors") > CAMPAIGN_SD))
        .sort("_errors", "by", "who", descending=[True, True, False])
        .unique(["district", "year"], keep="first", maintain_order=True)
        .select(pl.col(c).cast(t) for c, t in schema.items())
    )


def without_drift(visits: pl.DataFrame, lapsed: pl.DataFrame, drift: pl.DataFrame) -> pl.DataFrame:
    """Take off each visit what its lapsed meter has drifted by, so that a drift is not told again as a campaign."""
    both = visits.join(lapsed, on=["instrument_id", "_day"], how="left", maintain_order="left").join(
        drift, on="instrument_id", how="left", maintain_order="left"
    )
    drifted = (pl.col("drift_log") * pl.col("lapsed_years")).fill_null(0.0)
    return both.with_columns(pl.col("shift") - drifted).select(visits.columns)


def lapsed_drift(visits: pl.DataFrame, lapsed: pl.DataFrame) -> pl.DataFrame:
    """Estimate how meters out of calibration have drifted: instrument_id, drift_log, drift_se, a year.

    lapsed: instrument_id, _day, lapsed_years (since its last good calibration), one row a meter and day. The
    shift of its visits is taken beside the other meters' of the same district and year, and grows in
    proportion to the years. Wells that the same meter read before and after pull the estimate towards 0.
    """
    beside = visits.join(lapsed, on=["instrument_id", "_day"], how="left")
    others = (
        beside.filter(pl.col("lapsed_years").is_null())
        .group_by("district", "year")
        .agg(pl.col("shift").median().alias("usual"))
    )
    mine = beside.filter(pl.col("lapsed_years") > 0).join(others, on=["district", "year"], how="left")
    mine = mine.with_columns((pl.col("shift") - pl.col("usual").fill_null(0.0)).alias("d"))
    sd = _visit_sd(visits)
    rows = []
    for (meter,), part in mine.group_by("instrument_id", maintain_order=True):
        if part.height >= DRIFT_VISITS:
            rows.append((meter, *_slope(part["lapsed_years"].to_numpy(), part["d"].to_numpy(), sd)))
    return pl.DataFrame(
        rows,
        schema={"instrument_id": pl.String, "drift_log": pl.Float64, "drift_se": pl.Float64},
        orient="row",
    )


def _slope(years: Floats, d: Floats, sd: float) -> tuple[float, float]:
    """Fit d = slope x years through 0, visits that fit badly weighed down (Huber); slope, standard error."""
    weight = np.ones(d.size)
    slope = 0.0
    for _ in range(10):
        slope = float((weight * years * d).sum() / (weight * years**2).sum())
        left = np.abs(d - slope * years)
        spread = max(sd, 1.4826 * float(np.median(left)))
        weight = np.minimum(1.0, 1.5 * spread / np.maximum(left, 1e-12))
    return slope, spread / float(np.sqrt((weight * years**2).sum()))
