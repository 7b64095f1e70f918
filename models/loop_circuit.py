"""What a clamp-on meter sees: the electrode in series with everything else that it is tied to."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from models import electrode

Array = NDArray[np.float64]

# Rest of the loop through a multi-grounded neutral: a few tenths of an ohm; common practice, no source.
NETWORK_REST_LOW_OHM, NETWORK_REST_HIGH_OHM = 0.1, 1.5
# The rest is known well enough while its plausible bounds move ln(reading - rest) by less than this.
KNOWN_WITHIN_LOG = 0.10
BOUND_SD = 1.645  # a 90 % interval of the site's resistivity
# Where the grid's buried length is not on record: meshes of some tens of metres, either way.
USUAL_CONDUCTOR_PER_SIDE, UNRECORDED_CONDUCTOR_FACTOR = 12.0, 1.3


def loop_readings_ohm(electrode_ohm: ArrayLike) -> Array:
    """Give the loop reading of each of n electrodes tied together, shape (n,): R_i + 1 / sum_{j != i} 1/R_j.

    Raises ValueError with fewer than two: a single electrode has no loop. It leaves out the soil that the
    electrodes share, so real readings in a dense grid come out lower.
    """
    ohm = np.asarray(electrode_ohm, dtype=np.float64)
    if ohm.size < 2:
        raise ValueError("A loop needs two electrodes or more.")
    if np.any(ohm <= 0):
        raise ValueError("Resistances must be above zero.")
    conductance = 1 / ohm
    return ohm + 1 / (conductance.sum() - conductance)


def solve_loop_set(reading_ohm: ArrayLike) -> Array:
    """Solve a complete set of n loop readings back to the electrodes' resistances, shape (n,).

    With y = 1/reading and G the sum of the conductances g: y = g - g^2/G. Each g is a root of a quadratic
    given G, and only one electrode can carry more than half of G; G is the root of sum g = G. Raises
    ValueError with fewer than three readings, and where no set of electrodes gives these readings.
    """
    reading = np.asarray(reading_ohm, dtype=np.float64)
    if reading.size < 3:
        raise ValueError(
            "Two loop readings are both the sum of the two electrodes: "
            "a set needs three readings or more to be told apart."
        )
    if not np.all(np.isfinite(reading)) or np.any(reading <= 0):
        raise ValueError("Loop readings must be above zero.")
    y = 1 / reading
    largest = int(np.argmax(y))
    if y[largest] >= y.sum() - y[largest]:
        raise ValueError(
            "No set of electrodes gives these loop readings: the lowest one is too low beside the others."
        )
    sign = -np.ones(y.size)

    def root(inverse_g: float) -> Array:
        return np.sqrt(np.maximum(1 - 4 * y * inverse_g, 0.0))

    def excess(inverse_g: float) -> float:
        # Divided by 1/G so that the trivial root at 1/G = 0 goes away.
        return float(np.sum(1 + sign * root(inverse_g)) - 2) / inverse_g

    limit = 1 / (4 * y[largest])
    if excess(limit) < 0:
        sign[largest] = 1.0
    inverse = brentq(excess, limit * 1e-9, limit, xtol=1e-300, rtol=1e-14)
    return 1 / ((1 + sign * root(inverse)) / (2 * inverse))


def _site_terms(sites: pl.DataFrame, alone: pl.DataFrame, resistivity: pl.DataFrame) -> pl.DataFrame:
    """Give one row a site: the mean conductance of a rod, the count of rods, the grid and the resistivity."""
    rods = alone.group_by("site_id").agg(
        (1 / pl.col("formula_ohm")).mean().alias("_rod_siemens"), pl.len().alias("_listed")
    )
    wanted = ("return_path", "grid_area_m2", "grid_conductor_m", "grid_depth_m", "rod_count")
    absent = [pl.lit(None, dtype=pl.Float64).alias(c) for c in wanted[1:] if c not in sites.columns]
    return (
        sites.with_columns(absent)
        .select(
            "site_id",
            pl.col("return_path").fill_null("unknown"),
            *(pl.col(c).cast(pl.Float64) for c in wanted[1:]),
        )
        .join(rods, on="site_id", how="left")
        .join(resistivity.select("site_id", "resistivity_ohm_m", "sd_log"), on="site_id", how="left")
        .with_columns(
            pl.max_horizontal(pl.col("rod_count"), pl.col("_listed").cast(pl.Float64)).alias("_rods"),
        )
    )


def _grid_rest(terms: pl.DataFrame) -> pl.DataFrame:
    """Add the rest through the site's own grid: Sverak's grid beside the other rods, with its bounds."""
    area = pl.col("grid_area_m2")
    recorded = pl.col("grid_conductor_m") > 0
    length = pl.when(recorded).then("grid_conductor_m").otherwise(area.sqrt() * USUAL_CONDUCTOR_PER_SIDE)
    depth = pl.col("grid_depth_m").fill_null(0.5)
    spread = (1 + 1 / (1 + depth * (20 / area).sqrt())) / (20 * area).sqrt()
    widened = pl.when(recorded).then(1.0).otherwise(UNRECORDED_CONDUCTOR_FACTOR)
    factor = (BOUND_SD * pl.col("sd_log")).exp() * widened
    others = (pl.col("_rods") - 1).clip(lower_bound=0) * pl.col("_rod_siemens").fill_null(0.0)
    return terms.with_columns(
        pl.when(area > 0).then(pl.col("resistivity_ohm_m") * (1 / length + spread)).alias("_grid")
    ).with_columns(
        # Rods inside a grid share its soil: their full conductance is the most that they can add (the low
        # bound), none the least (the high one).
        (1 / (1 / pl.col("_grid") + 0.5 * others)).alias("_rest"),
        (1 / (1 / pl.col("_grid") + others) / factor).alias("_rest_low"),
        (pl.col("_grid") * factor).alias("_rest_high"),
    )


def _reason() -> pl.Expr:
    """Say in a sentence why the rest is or is not taken off."""
    path = pl.col("return_path")
    span = pl.format("{} to {} ohm", pl.col("rest_low_ohm").round(2), pl.col("rest_high_ohm").round(2))
    return (
        pl.when(path.is_in(["unknown", "single_electrode"]))
        .then(pl.lit("The return path of the loop is not on record, so the reading stays as it stands."))
        .when(pl.col("formula_ohm").is_null())
        .then(pl.lit("The site's resistivity is not known, so the rest of the loop cannot be judged."))
        .when(pl.col("rest_ohm").is_null())
        .then(pl.lit("The site's grid is not on record, so the rest of the loop cannot be judged."))
        .when(pl.col("known"))
        .then(pl.format("The rest of the loop is {}, small beside this rod, and is taken off.", span))
        .otherwise(pl.format("The rest of the loop is {}, too much beside this rod to take it off.", span))
    )


def rest_of_loop(sites: pl.DataFrame, electrodes: pl.DataFrame, resistivity: pl.DataFrame) -> pl.DataFrame:
    """Judge for each electrode whether the rest of its loop is known: one row an electrode.

    Gives electrode_id, rest_ohm, rest_low_ohm, rest_high_ohm (null: cannot be said), known, ratio_basis
    (`rod_net` | `loop_raw`), reason. `sites` has return_path and the grid; `resistivity` is the frame of
    soil.site_resistivity. Known means that the bounds move ln(reading - rest) by less than KNOWN_WITHIN_LOG
    at the rod-formula reading.
    """
    alone = electrodes.select("electrode_id", "site_id").with_columns(
        electrode.isolated_ohm(electrodes, resistivity)["formula_ohm"]
    )
    terms = _grid_rest(_site_terms(sites, alone, resistivity))
    path, formula = pl.col("return_path"), pl.col("formula_ohm")
    network, grid = path == "multi_grounded_neutral", path == "site_grid"
    middle = (NETWORK_REST_LOW_OHM * NETWORK_REST_HIGH_OHM) ** 0.5
    bounded = alone.join(terms, on="site_id", how="left", maintain_order="left").with_columns(
        path.fill_null("unknown"),
        pl.when(network).then(middle).when(grid).then("_rest").alias("rest_ohm"),
        # Unknown return path: anything up to a rest as large as the rod itself.
        pl.when(network)
        .then(NETWORK_REST_LOW_OHM)
        .when(grid)
        .then("_rest_low")
        .otherwise(0.0)
        .alias("rest_low_ohm"),
        pl.when(network)
        .then(NETWORK_REST_HIGH_OHM)
        .when(grid)
        .then("_rest_high")
        .otherwise(formula)
        .alias("rest_high_ohm"),
    )
    reading = formula + pl.col("rest_ohm")
    left = reading - pl.col("rest_high_ohm")
    moves = pl.when(left > 0).then(((reading - pl.col("rest_low_ohm")) / left).log())
    known = ((network | grid) & (moves < KNOWN_WITHIN_LOG)).fill_null(False)
    return bounded.with_columns(known.alias("known")).select(
        "electrode_id",
        "rest_ohm",
        "rest_low_ohm",
        "rest_high_ohm",
        "known",
        pl.when("known").then(pl.lit("rod_net")).otherwise(pl.lit("loop_raw")).alias("ratio_basis"),
        _reason().alias("reason"),
    )
