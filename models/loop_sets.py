"""Small sites whose loop is their own rods alone: each visit's readings solved back for every rod.

Only where every electrode of the loop was read in one visit, three or more of them, and the records say that
there is neither a grid nor a network beside them. Two cannot be told apart: both readings are the sum. Beside
an unmeasured grid nothing is solved. A neighbour that fails raises the others' loops for good; solved
visit by visit, that is no corrosion of theirs.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

from models.electrode import isolated_ohm
from models.loop_circuit import BOUND_SD, loop_readings_ohm, rest_of_loop, solve_loop_set

Array = NDArray[np.float64]

VISIT_DAYS = 3  # rods of one visit; longer apart the ground is another
# A solved resistance carries its reading's relative error times this at most; beyond, the set tells nothing.
MOST_GAIN = 6.0
# Of a rest that comes of the others' last sure resistances: they may be off by a third by now.
STALE_GAIN = 7.0
SOLVED = {"row_id": pl.Int64, "solved_rest_ohm": pl.Float64, "solved_gain": pl.Float64}


def closed_sets(sites: pl.DataFrame, electrodes: pl.DataFrame) -> pl.DataFrame:
    """Judge which sites' loops are their own listed rods alone: frame site_id, rods, can_be_solved, reason.

    One row for each site whose records say `site_grid` as the return path and a grid of no area or no length
    (0; an empty cell is not known). `rods`: electrodes in the ground at once, as listed.
    """
    absent = [pl.lit(None, pl.Float64).alias(c) for c in ("grid_area_m2", "grid_conductor_m", "rod_count")
              if c not in sites.columns]  # fmt: skip
    without = sites.with_columns(absent).filter(
        (pl.col("return_path") == "site_grid")
        & ((pl.col("grid_area_m2") == 0) | (pl.col("grid_conductor_m") == 0)).fill_null(False)
    )
    place = pl.coalesce("well_id", "electrode_id") if "well_id" in electrodes.columns else "electrode_id"
    listed = electrodes.group_by("site_id").agg(pl.struct(place).n_unique().cast(pl.Int64).alias("rods"))
    found = without.select("site_id", pl.col("rod_count").cast(pl.Float64)).join(
        listed, on="site_id", how="left"
    )
    found = found.with_columns(pl.col("rods").fill_null(0))
    unlisted = pl.col("rod_count").is_null() | (pl.col("rod_count") > pl.col("rods"))
    return found.select(
        "site_id",
        "rods",
        (~unlisted & (pl.col("rods") >= 3)).alias("can_be_solved"),
        pl.when(pl.col("rods") == 2)
        .then(pl.lit("The loop is these two rods: both readings are their sum and cannot be told apart."))
        .when(pl.col("rods") < 2)
        .then(pl.lit("The loop is one rod and nothing else that is on record."))
        .when(unlisted)
        .then(pl.lit("Rods of this site's loop are not measured, so that the set cannot be solved back."))
        .otherwise(pl.lit("The loop is the site's own rods; each visit that reads them all is solved back."))
        .alias("reason"),
    )


def judged_rests(sites: pl.DataFrame, electrodes: pl.DataFrame, resistivity: pl.DataFrame) -> pl.DataFrame:
    """Judge the rest of every electrode's loop: loop_circuit.rest_of_loop, closed sets by their own rods.

    Where a set can be solved the rest is taken off (`rod_net`), reading by reading (solved_rests);
    rest_ohm is then what the other rods' formulas come to, for readings of visits that could not be
    solved. Where a set cannot be solved the reason says why.
    """
    rest = rest_of_loop(sites, electrodes, resistivity)
    sets = closed_sets(sites, electrodes)
    if sets.is_empty():
        return rest
    rods = (
        electrodes.select("electrode_id", "site_id")
        .with_columns(isolated_ohm(electrodes, resistivity)["formula_ohm"])
        .join(sets.rename({"reason": "_why"}), on="site_id", how="left", maintain_order="left")
        .join(resistivity.select("site_id", "sd_log"), on="site_id", how="left", maintain_order="left")
    )
    # Like rods stand for the unmeasured years: one of them beside the others.
    others = pl.col("formula_ohm").mean().over("site_id") / (pl.col("rods") - 1)
    width = (BOUND_SD * pl.col("sd_log")).exp()
    both = rest.with_columns(
        *(rods[c] for c in ("can_be_solved", "_why")),
        rods.select(others.alias("_others"))["_others"],
        rods.select(width.alias("_width"))["_width"],
    )
    solved = (pl.col("can_be_solved") & pl.col("_others").is_finite()).fill_null(False)
    return both.with_columns(
        pl.when(solved).then("_others").otherwise("rest_ohm").alias("rest_ohm"),
        pl.when(solved)
        .then(pl.col("_others") / pl.col("_width"))
        .otherwise("rest_low_ohm")
        .alias("rest_low_ohm"),
        pl.when(solved)
        .then(pl.col("_others") * pl.col("_width"))
        .otherwise("rest_high_ohm")
        .alias("rest_high_ohm"),
        (pl.col("known") | solved).alias("known"),
        pl.when(solved).then(pl.lit("rod_net")).otherwise("ratio_basis").alias("ratio_basis"),
        pl.coalesce("_why", "reason").alias("reason"),
    ).select(rest.columns)


def solved_gain(reading_ohm: ArrayLike) -> tuple[Array, Array]:
    """Give each rod's resistance (n,) of a complete set of readings, and its error over theirs (n,).

    The error is relative, every reading's the same and independent: root of the squared slopes of the
    logarithms, by small steps. Raises ValueError as solve_loop_set.
    """
    reading = np.asarray(reading_ohm, dtype=np.float64)
    solved, step = solve_loop_set(reading), 1e-5
    slopes = [
        np.log(solve_loop_set(reading * (1 + step * (np.arange(reading.size) == j))) / solved) / step
        for j in range(reading.size)
    ]
    return solved, np.sqrt(np.sum(np.square(slopes), axis=0))


def neighbour_rise(electrode_ohm: ArrayLike, failed: int) -> Array:
    """Give by how much the other rods' loop readings rise (n - 1,) when one of n rods leads nothing any more.

    Three like rods: by a third. Raises ValueError with fewer than three: then no loop is left.
    """
    ohm = np.asarray(electrode_ohm, dtype=np.float64)
    if ohm.size < 3:
        raise ValueError("Three electrodes or more are needed for a loop to be left when one fails.")
    left = np.delete(np.arange(ohm.size), failed)
    return np.asarray(loop_readings_ohm(ohm[left]) / loop_readings_ohm(ohm)[left])


def _complete_visits(readings: pl.DataFrame, electrodes: pl.DataFrame, sites: list[str]) -> pl.DataFrame:
    """Give the sound readings of those sites, with the visit that they are of."""
    days = (
        readings.filter(
            pl.col("site_id").is_in(sites)
            & (pl.col("verdict") != "set_aside")
            & (pl.col("resistance_ohm") > 0)
        )
        .with_columns(pl.col("taken_at").cast(pl.Date).alias("_day"))
        .sort("site_id", "_day", "row_id")
        .with_columns(
            (pl.col("_day").diff().dt.total_days() > VISIT_DAYS)
            .fill_null(False)
            .cum_sum()
            .over("site_id")
            .alias("_visit")
        )
    )
    lives = electrodes.filter(pl.col("site_id").is_in(sites)).select(
        "site_id", "electrode_id", "installed_on", "retired_on"
    )
    visits = days.group_by("site_id", "_visit").agg(pl.col("_day").min())
    standing = (
        visits.join(lives, on="site_id")
        .filter(
            (pl.col("installed_on") <= pl.col("_day"))
            & (pl.col("retired_on").is_null() | (pl.col("retired_on") > pl.col("_day")))
        )
        .group_by("site_id", "_visit")
        .agg(pl.col("electrode_id").n_unique().alias("_standing"))
    )
    in_range = pl.col("range_mark").is_null()
    read = pl.col("electrode_id").n_unique().over("site_id", "_visit")
    return (
        days.with_columns(read.alias("_read"), in_range.alias("_in_range"))
        .join(standing, on=["site_id", "_visit"])
        .filter(pl.col("_read") == pl.col("_standing"))
    )


def solved_rests(readings: pl.DataFrame, electrodes: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Give the rest of the loop of every reading that a solved visit yields: frame as SOLVED.

    `readings`: vetted rows (row_id, electrode_id, site_id, taken_at, resistance_ohm, range_mark, verdict);
    `electrodes`: electrode_id, site_id, installed_on, retired_on. A rod over the meter's range leads next to
    nothing and drops out of its visit's set. Where the solution would carry more than MOST_GAIN of the
    readings' error, the others' last sure resistances give the rest, at STALE_GAIN. Visits that no set of
    rods explains are left out.
    """
    sets = closed_sets(sites, electrodes).filter("can_be_solved")
    if sets.is_empty() or readings.is_empty():
        return pl.DataFrame(schema=SOLVED)
    rows = _complete_visits(readings, electrodes, sets["site_id"].to_list())
    out: list[tuple[int, float, float]] = []
    for _, site in rows.group_by(["site_id"], maintain_order=True):
        last: dict[str, float] = {}
        for _, visit in site.group_by(["_visit"], maintain_order=True):
            out += _of_visit(visit.filter("_in_range"), last)
    return pl.DataFrame(out, schema=SOLVED, orient="row")


def _of_visit(visit: pl.DataFrame, last: dict[str, float]) -> list[tuple[int, float, float]]:
    """Return the rows of a complete visit as SOLVED, and note each rod's sure resistance in `last`.

    Where the set barely tells a rod (two are left of three, say), the others' last sure resistances give its
    rest: the sum of what rose is right, and which of them rose is not known.
    """
    rods = visit.group_by("electrode_id", maintain_order=True).agg(pl.col("resistance_ohm").median())
    names = rods["electrode_id"].to_list()
    known: dict[str, tuple[float, float]] = {}
    if len(names) >= 3:
        try:
            solved, gain = solved_gain(rods["resistance_ohm"].to_numpy())
        except ValueError:  # no set of electrodes gives these readings: one of them is not what it seems
            return []
        known = {n: (r, g) for n, r, g in zip(names, solved, gain, strict=True) if g <= MOST_GAIN}
    now = last | {n: r for n, (r, _) in known.items()}
    out = []
    for row, of, ohm in visit.select("row_id", "electrode_id", "resistance_ohm").iter_rows():
        others = [now.get(n) for n in names if n != of]
        if of in known:
            rest, gain_of = ohm - known[of][0], known[of][1]
        elif others and all(r is not None for r in others):
            rest, gain_of = 1 / sum(1 / r for r in others if r is not None), STALE_GAIN
        else:
            continue
        if 0 < rest < ohm:
            out.append((row, float(rest), float(gain_of)))
    last.update({n: r for n, (r, _) in known.items()})
    return out
