"""One meter or crew off for a whole round of a district, and how far a lapsed meter has drifted.

Both are read off visits: how far a visit as a whole stands off the same wells before and after. A dry year
moves the visits of every meter in the district; a meter or a crew moves its own alone.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from models.vetting_history import LEAST_WELLS, REACH, TURNS, WEATHER_LOG, Days, Floats, Ints, numbered

LEAST_VISITS = 3  # of the campaign, and of the others beside it
# Standard errors between a campaign and the others of its year; of crews there are more to be taken in by.
CAMPAIGN_SD = {"instrument_id": 4.5, "crew": 5.0}
CAMPAIGN_LOG = float(np.log(1.12))  # less is within what meters and days do anyway
WITHIN_SD = 2.0  # visits farther from their group's median count as if they stood there
SEASON_RIDGE = 4.0  # visits' worth of no season in a district's own
LEAST_VISIT_SD = 0.03
DRIFT_VISITS = 5  # visits by which a lapsed meter's drift can be told
NOT_A_ROUND = ("follow_up", "after_work", "commissioning")  # visits to chosen wells, on other days


def visit_frame(days: pl.DataFrame, d: Days) -> pl.DataFrame:
    """Give site_id, _day, district, year, instrument_id, crew, visit_reason, shift, inside of visits.

    Those whose shift is known.
    inside: most of its wells were read before and after.
    """
    table = days.select("site_id", "_day", "district", "instrument_id", "crew", "visit_reason").with_columns(
        pl.Series("shift", d.shift),
        pl.Series("wells", d.wells),
        pl.Series("inside", np.isfinite(d.before) & np.isfinite(d.after)),
    )
    seen = table.group_by("site_id", "_day", maintain_order=True).agg(
        pl.col("district", "instrument_id", "crew", "visit_reason", "shift", "wells").first(),
        pl.col("inside").mean() >= 0.5,
    )
    told = (pl.col("wells") >= LEAST_WELLS) & (pl.col("shift").abs() < WEATHER_LOG)
    kept = seen.filter(told.fill_null(False)).with_columns(pl.col("_day").dt.year().alias("year"))
    return without_season(kept)


def of_a_round() -> pl.Expr:
    """Tell a visit of a round from one to chosen wells."""
    return ~pl.col("visit_reason").is_in(NOT_A_ROUND).fill_null(False)


def without_season(visits: pl.DataFrame) -> pl.DataFrame:
    """Take off what a visit's shift owes to its day of the year beside its site's other visits."""
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


def with_spread_of_visits(visits: pl.DataFrame) -> pl.DataFrame:
    """Add sd: the spread of a visit about those of its district and year, apart for ends of histories."""
    left = (pl.col("shift") - pl.col("shift").median().over("district", "year")).abs()
    own = (1.4826 * left.median()).over("inside").fill_null(0.0)
    return visits.with_columns(own.clip(lower_bound=LEAST_VISIT_SD).alias("sd"))


def _beside_others(visits: pl.DataFrame, by: str) -> pl.DataFrame:
    """Give for each campaign (district, year, one meter or crew) its shift beside the others of its year.

    Means by precision, visits far off their own group's median drawn in.
    """
    place = ["district", "year"]
    shift, sd = pl.col("shift"), pl.col("sd")
    middle = shift.median().over(*place, by)
    named = visits.filter(pl.col(by).is_not_null() & pl.col("district").is_not_null()).with_columns(
        shift.clip(middle - WITHIN_SD * sd, middle + WITHIN_SD * sd), sd.pow(-2).alias("w")
    )
    groups = named.group_by([*place, by]).agg(
        (pl.col("w") * shift).sum().alias("sum"), pl.col("w").sum(), pl.len().alias("n")
    )
    rest = {c: pl.col(c).sum().over(place) - pl.col(c) for c in ("sum", "w", "n")}
    beside = groups.with_columns(rest[c].alias(f"{c}_others") for c in rest).filter(pl.col("n_others") > 0)
    own, others = pl.col("sum") / pl.col("w"), pl.col("sum_others") / pl.col("w_others")
    return beside.select(
        *place, pl.col(by).alias("who"), pl.lit(by).alias("by"), "n", "n_others",
        own.alias("own"), others.alias("others"), (own - others).alias("apart"),
        (1 / pl.col("w") + 1 / pl.col("w_others")).sqrt().alias("error"),
    )  # fmt: skip


def campaigns_off(visits: pl.DataFrame) -> pl.DataFrame:
    """Give by, who, district, year, factor of the campaigns that are off; one a district and year.

    Off: beside the others of that district and year, by CAMPAIGN_SD standard errors, and farther from the
    same wells' readings before and after than those others are.
    """
    schema = {
        "by": pl.String,
        "who": pl.String,
        "district": pl.String,
        "year": pl.Int32,
        "factor": pl.Float64,
    }
    if visits.is_empty():
        return pl.DataFrame(schema=schema)
    rounds = with_spread_of_visits(visits).filter(of_a_round())
    found = pl.concat([_beside_others(rounds, by) for by in CAMPAIGN_SD])
    enough = (pl.col("n") >= LEAST_VISITS) & (pl.col("n_others") >= LEAST_VISITS)
    off = (pl.col("apart").abs() > CAMPAIGN_LOG) & (pl.col("own").abs() > pl.col("others").abs())
    return (
        found.with_columns(
            (pl.col("apart").abs() / pl.col("error")).alias("_errors"), pl.col("apart").exp().alias("factor")
        )
        .filter(enough & off & (pl.col("_errors") > pl.col("by").replace_strict(CAMPAIGN_SD)))
        .sort("_errors", "by", "who", descending=[True, True, False])
        .unique(["district", "year"], keep="first", maintain_order=True)
        .select(pl.col(c).cast(t) for c, t in schema.items())
    )


def without_drift(visits: pl.DataFrame, lapsed: pl.DataFrame, drift: pl.DataFrame) -> pl.DataFrame:
    """Take off each visit what its lapsed meter has drifted by: a drift is no campaign."""
    both = visits.join(lapsed, on=["instrument_id", "_day"], how="left", maintain_order="left").join(
        drift, on="instrument_id", how="left", maintain_order="left"
    )
    drifted = (pl.col("drift_log") * pl.col("lapsed_years")).fill_null(0.0)
    return both.with_columns(pl.col("shift") - drifted).select(visits.columns)


def lapsed_drift(visits: pl.DataFrame, lapsed: pl.DataFrame) -> pl.DataFrame:
    """Estimate how meters out of calibration have drifted: instrument_id, drift_log, drift_se, a year.

    lapsed: instrument_id, _day, lapsed_years (since its last good calibration), one row a meter and day. The
    shift of its visits is taken beside the other meters' of the same district and year, and grows in
    proportion to the years. What the same meter read at those wells before and after has drifted too: the
    years of those visits are taken off.
    """
    rows = []
    dated = with_spread_of_visits(visits).join(
        lapsed, on=["instrument_id", "_day"], how="left", maintain_order="left"
    )
    known = dated.filter(pl.col("lapsed_years") > 0)["instrument_id"].drop_nulls()
    for meter, n in known.value_counts(sort=True).sort("instrument_id").iter_rows():
        if n >= DRIFT_VISITS:
            rows.append((meter, *_drift_of(dated, meter)))
    return pl.DataFrame(
        rows,
        schema={"instrument_id": pl.String, "drift_log": pl.Float64, "drift_se": pl.Float64},
        orient="row",
    )


def _drift_of(dated: pl.DataFrame, meter: str) -> tuple[float, float]:
    """Return the drift of one lapsed meter a year, and its standard error."""
    mine = (pl.col("instrument_id") == meter) & (pl.col("lapsed_years") > 0)
    years = pl.when(mine.fill_null(False)).then("lapsed_years").otherwise(0.0)
    rows = dated.with_columns(years.alias("x"), years.alias("level"), mine.alias("mine")).sort(
        "site_id", "_day"
    )
    # The level of a history is that of the visits around it, freed of their own movement beside those around
    # them, and so on: as often as judge_days turns.
    for _ in range(TURNS):
        sides = [
            pl.mean_horizontal(pl.col("level").shift(sign * k).over("site_id") for k in range(1, REACH + 1))
            for sign in (1, -1)
        ]
        rows = rows.with_columns(pl.mean_horizontal(sides).fill_null(0.0).alias("level"))
    rows = rows.with_columns(pl.col("x") - pl.col("level"))
    others = (
        rows.filter(~pl.col("mine").fill_null(False))
        .group_by("district", "year")
        .agg(pl.col("shift").median().alias("usual"), pl.col("x").mean().alias("usual_x"))
    )
    own = rows.filter("mine").join(others, on=["district", "year"], how="left", nulls_equal=True)
    own = own.with_columns(pl.col("usual", "usual_x").fill_null(0.0))
    x = own.select(pl.col("x") - pl.col("usual_x")).to_series().to_numpy()
    d = own.select(pl.col("shift") - pl.col("usual")).to_series().to_numpy()
    return _slope(x, d, own["sd"].to_numpy(), numbered(own, "district", "year"))


def _slope(years: Floats, d: Floats, sd: Floats, cluster: Ints) -> tuple[float, float]:
    """Fit d = slope x years through 0, visits that fit badly weighed down (Huber); slope, standard error.

    The error is the greater of the visits' own and of what years of a district differ by, as all visits of
    one are taken beside the same others.
    """
    weight, slope, spread = sd**-2, 0.0, 1.0
    for _ in range(10):
        slope = float((weight * years * d).sum() / (weight * years**2).sum())
        left = np.abs(d - slope * years) / sd
        spread = max(1.0, 1.4826 * float(np.median(left)))
        weight = sd**-2 * np.minimum(1.0, 1.5 * spread / np.maximum(left, 1e-12))
    known = float((weight * years**2).sum())
    pulls = np.bincount(cluster, weight * years * (d - slope * years))
    some = pulls.size / max(pulls.size - 1.0, 1.0)
    return slope, max(spread / np.sqrt(known), float(np.sqrt(some * (pulls**2).sum())) / known)
