"""Frames of vetted readings and electrodes to the flat arrays that the model works on."""

from datetime import date

import numpy as np
import polars as pl

from models.covariates import GROUND_COLUMNS
from models.histories import AS_INSTALLED, DAYS_A_YEAR, ISOLATED, ROUTINE, Floats, Histories, Ints

VISIT_GAP_DAYS = 21
DOUBTFUL_SD_LOG = 0.15  # what a doubtful reading may be off by, beside the noise (common practice, no source)
SOLVED_SD_LOG = 0.04  # of a clamp reading in a set that is solved back (common practice, no source)
UNSURVEYED_SD_LOG = 0.6
USUAL_RESISTIVITY_OHM_M = 100.0
_SHIFT_WORKS = ("grid_extended", "network_changed")


def fill_formula(electrodes: pl.DataFrame) -> pl.DataFrame:
    """Give every electrode a formula resistance and say how much less it is known where none was surveyed.

    electrodes: electrode_id, soil_class, formula_ohm (null where the site's resistivity is not known),
    length_m. Adds survey_sd_log: 0 where surveyed, else the spread of sites within a class. Falls back to the
    class's median, the fleet's, then a rod in 100 ohm-m.
    """
    usual = USUAL_RESISTIVITY_OHM_M * 0.33
    return electrodes.with_columns(
        pl.when(pl.col("formula_ohm").is_null())
        .then(UNSURVEYED_SD_LOG)
        .otherwise(0.0)
        .alias("survey_sd_log"),
        pl.col("formula_ohm")
        .fill_null(pl.col("formula_ohm").median().over("soil_class"))
        .fill_null(pl.col("formula_ohm").median())
        .fill_null(usual)
        .alias("formula_ohm"),
    )


def _decimal_year(column: pl.Expr) -> pl.Expr:
    start = pl.date(column.dt.year(), 1, 1)
    return column.dt.year() + (column.cast(pl.Date) - start).dt.total_days() / DAYS_A_YEAR


def net_ohm(ohm: pl.Expr) -> pl.Expr:
    """Take the rest of the loop off where it is known, never more than seven tenths of the reading.

    By ratio_basis and rest_ohm; `_solved_ohm`, the rest that the visit itself was solved for, goes before it.
    """
    rest = pl.when(pl.col("ratio_basis") == "rod_net").then(pl.col("rest_ohm")).otherwise(0.0).fill_null(0.0)
    least = pl.max_horizontal(ohm - rest, 0.3 * ohm)
    return pl.when(pl.col("_solved_ohm") < ohm).then(ohm - pl.col("_solved_ohm")).otherwise(least)


def with_solved_rests(readings: pl.DataFrame) -> pl.DataFrame:
    """Add `_solved_ohm`: a reading's own solved_rest_ohm, else the usual one of its electrode, or null."""
    if "solved_rest_ohm" not in readings.columns:
        return readings.with_columns(pl.lit(None, pl.Float64).alias("_solved_ohm"))
    own = pl.col("solved_rest_ohm")
    return readings.with_columns(own.fill_null(own.median().over("electrode_id")).alias("_solved_ohm"))


def _routine_rows(readings: pl.DataFrame, electrodes: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Pick the readings that the curves may use; repeats of a day become their median."""
    used = (
        readings.filter(
            (pl.col("verdict") != "set_aside")
            & (pl.col("resistance_ohm") > 0)
            & (pl.col("taken_at").cast(pl.Date) <= as_of)
        )
        .with_columns(pl.col("taken_at").cast(pl.Date).alias("day"))
        .join(
            electrodes.select("electrode_id", "installed_on", "rest_ohm", "ratio_basis"), on="electrode_id"
        )
        .pipe(with_solved_rests)
        .with_columns(
            net_ohm(pl.col("resistance_ohm")).log().alias("log_ohm"),
            pl.when(pl.col("range_mark") == "over").then(1).when(pl.col("range_mark") == "under").then(-1)
            .otherwise(0).alias("side"),
            (pl.col("sd_extra_log").fill_null(0.0) ** 2
             + pl.when(pl.col("verdict") == "doubtful").then(DOUBTFUL_SD_LOG**2).otherwise(0.0))
            .alias("meter_var"),
        )
    )  # fmt: skip
    if "solved_gain" in used.columns:
        # A solved rod carries the others' errors too.
        more = (pl.col("solved_gain") ** 2 - 1).clip(lower_bound=0.0).fill_null(0.0)
        meter = pl.col("meter_var")
        used = used.with_columns((meter + more * (meter + SOLVED_SD_LOG**2)).alias("meter_var"))
    return used.group_by("electrode_id", "site_id", "day", "side", maintain_order=True).agg(
        pl.col("log_ohm").median(),
        pl.col("meter_var").mean(),
        pl.col("row_id").first(),
        ((pl.col("day").first() - pl.col("installed_on").first()).dt.total_days() / DAYS_A_YEAR).alias("age"),
        pl.lit(ROUTINE).alias("kind"),
    )


def _installed_rows(electrodes: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Turn the values written down at installation into readings of their own kind."""
    day = pl.col("baseline_on").fill_null(pl.col("installed_on"))
    isolated = ~pl.col("baseline_tied_in").fill_null(True)
    written = electrodes.filter((pl.col("baseline_ohm") > 0) & (day <= as_of))
    return written.with_columns(pl.lit(None, pl.Float64).alias("_solved_ohm")).select(
        "electrode_id",
        "site_id",
        day.alias("day"),
        pl.lit(0).alias("side"),
        pl.when(isolated)
        .then(pl.col("baseline_ohm").log())
        .otherwise(net_ohm(pl.col("baseline_ohm")).log())
        .alias("log_ohm"),
        pl.lit(0.0).alias("meter_var"),
        pl.lit(-1, dtype=pl.Int64).alias("row_id"),
        ((day - pl.col("installed_on")).dt.total_days() / DAYS_A_YEAR).clip(lower_bound=0.0).alias("age"),
        pl.when(isolated).then(ISOLATED).otherwise(AS_INSTALLED).alias("kind"),
    )


def _visits(rows: pl.DataFrame) -> pl.DataFrame:
    """Number the visits of each site: days less than VISIT_GAP_DAYS apart are one visit."""
    days = rows.filter(pl.col("kind") == ROUTINE).select("site_id", "day").unique().sort("site_id", "day")
    new = (pl.col("day").diff().dt.total_days() > VISIT_GAP_DAYS).fill_null(False).over("site_id")
    return days.with_columns(new.cast(pl.Int64).cum_sum().over("site_id").alias("visit"))


def _starts(counts: Ints) -> Ints:
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)


def build_histories(
    electrodes: pl.DataFrame, readings: pl.DataFrame, works: pl.DataFrame, as_of: date
) -> Histories:
    """Lay out the histories of all electrodes installed by as_of.

    electrodes: electrode_id, site_id, region, soil_class, material, installed_on, baseline_ohm, baseline_on,
    baseline_tied_in, formula_ohm, survey_sd_log (fill_formula), rest_ohm, ratio_basis
    (loop_circuit.rest_of_loop), and GROUND_COLUMNS of the site where surveys are known. readings: row_id,
    electrode_id, site_id, taken_at, resistance_ohm, range_mark, verdict, sd_extra_log
    (vetting.vet); solved_rest_ohm, solved_gain where visits were solved back (loop_sets.solved_rests). works:
    site_id, electrode_id (null: the whole site; the column may be missing), done_on, work. Later rows than
    as_of are not looked at.
    """
    known = electrodes.filter(pl.col("installed_on") <= as_of).sort("site_id", "electrode_id")
    rows = pl.concat(
        [_routine_rows(readings, known, as_of), _installed_rows(known, as_of)], how="diagonal_relaxed"
    ).filter(pl.col("age") >= 0.0)
    visits = _visits(rows)
    order = known.select("electrode_id").with_row_index("e")
    routine = pl.col("kind") == ROUTINE
    rows = (
        rows.join(order, on="electrode_id")
        .join(visits, on=["site_id", "day"], how="left")
        .with_columns(pl.when(routine).then(pl.col("visit")).otherwise(-1).fill_null(-1).alias("visit"))
        .with_columns(_decimal_year(pl.col("day")).alias("year"))
        .sort("e", "age", "row_id")
    )
    site_names = known["site_id"].unique(maintain_order=True)
    per_visit = (
        visits.group_by("site_id", "visit").agg(_decimal_year(pl.col("day")).mean().alias("year"))
        .join(known.select("site_id", "region").unique("site_id"), on="site_id")
        .join(pl.DataFrame({"site_id": site_names}).with_row_index("s"), on="site_id")
        .sort("s", "visit")
        .with_columns(pl.col("region").fill_null(""), pl.col("year").floor().cast(pl.Int64).alias("y"))
    )  # fmt: skip
    periods = per_visit.select("region", "y").unique().sort("region", "y").with_row_index("p")
    per_visit = per_visit.join(periods, on=["region", "y"], how="left", maintain_order="left")
    counts = known.group_by("site_id", maintain_order=True).len()["len"].to_numpy()
    visits_of = np.bincount(per_visit["s"].to_numpy(), minlength=site_names.len())
    return Histories(
        site_start=_starts(counts),
        reading_start=_starts(np.bincount(rows["e"].to_numpy(), minlength=known.height)),
        age=rows["age"].to_numpy().astype(float),
        log_ohm=rows["log_ohm"].to_numpy().astype(float),
        side=rows["side"].to_numpy().astype(np.int64),
        meter_var=rows["meter_var"].to_numpy().astype(float),
        year=rows["year"].to_numpy().astype(float),
        kind=rows["kind"].to_numpy().astype(np.int64),
        visit=rows["visit"].to_numpy().astype(np.int64),
        visit_start=_starts(visits_of),
        visit_year=per_visit["year"].to_numpy().astype(float),
        visit_period=per_visit["p"].to_numpy().astype(np.int64),
        periods=tuple((str(r), int(y)) for r, y in periods.select("region", "y").iter_rows()),
        log_formula=np.log(known["formula_ohm"].to_numpy().astype(float)),
        survey_var=known["survey_sd_log"].to_numpy().astype(float) ** 2,
        soil=tuple(known["soil_class"]),
        material=tuple(known["material"].fill_null("other")),
        raw=(known["ratio_basis"] == "loop_raw").to_numpy(),
        shifts=_shifts(works, site_names, as_of),
        age_now=((pl.Series([as_of] * known.height) - known["installed_on"]).dt.total_days() / DAYS_A_YEAR)
        .to_numpy()
        .copy(),  # one that may be written, as everywhere else: or the kernels are compiled for both kinds
        electrode_id=tuple(known["electrode_id"]),
        site_id=tuple(site_names),
        row=rows["row_id"].to_numpy().astype(np.int64),
        ground=_ground(known),
        remade=_works_by_age(works, known, "connection_remade", as_of),
        surges=_works_by_age(works, known, "surge", as_of),
    )


def _ground(known: pl.DataFrame) -> Floats | None:
    """Return (S, P) what surveys say of each site, nan where not known; none where nothing is."""
    if not set(GROUND_COLUMNS) <= set(known.columns):
        return None
    of_site = known.unique("site_id", keep="first", maintain_order=True).select(GROUND_COLUMNS)
    measured = of_site.cast(pl.Float64).fill_null(np.nan).to_numpy().astype(float)
    return measured if np.isfinite(measured).any() else None


def _shifts(works: pl.DataFrame, sites: pl.Series, as_of: date) -> tuple[tuple[float, ...], ...]:
    """Give each site the decimal years of works that move all its readings for good."""
    dated = (
        works.filter(pl.col("work").is_in(_SHIFT_WORKS) & (pl.col("done_on") <= as_of))
        .select("site_id", _decimal_year(pl.col("done_on")).alias("year"))
        .group_by("site_id")
        .agg(pl.col("year").sort())
    )
    by_site = dict(zip(dated["site_id"], dated["year"].to_list(), strict=True))
    return tuple(tuple(by_site.get(s, ())) for s in sites)


def _works_by_age(
    works: pl.DataFrame, known: pl.DataFrame, kind: str, as_of: date
) -> tuple[tuple[float, ...], ...]:
    """Give each electrode its ages, years, at works of one kind: its own, and those of its whole site."""
    mine = works.filter((pl.col("work") == kind) & (pl.col("done_on") <= as_of))
    if mine.is_empty():
        return ((),) * known.height
    if "electrode_id" not in mine.columns:
        mine = mine.with_columns(pl.lit(None, pl.String).alias("electrode_id"))
    rods = known.select("site_id", "installed_on", pl.col("electrode_id").alias("of"))
    age = (pl.col("done_on") - pl.col("installed_on")).dt.total_days() / DAYS_A_YEAR
    dated = (
        mine.join(rods, on="site_id")
        .filter(pl.col("electrode_id").is_null() | (pl.col("electrode_id") == pl.col("of")))
        .select("of", age.alias("age"))
        .filter(pl.col("age") > 0.0)
        .group_by("of")
        .agg(pl.col("age").unique().sort())
    )
    by_electrode = dict(zip(dated["of"], dated["age"].to_list(), strict=True))
    return tuple(tuple(by_electrode.get(e, ())) for e in known["electrode_id"])
