"""By how much an electrode's answer depends on what is not known of its loop.

A reading is the rod and the rest in series, so that a ratio of readings understates the rod's: with the rest
half of the rod, a rod that doubles raises the loop by two thirds only. Here the same posterior is asked again
with the plausible ends of the rest taken off.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

from models.forecast import Fitted
from models.outlook import cdf_at, crossing

Array = NDArray[np.float64]

MOST_OF_BASELINE = 0.6  # a rest above this leaves no rod to speak of
_STEP = 0.02  # thresholds are rounded to this in the logarithm: each other one is another pass over the grid
DEPENDS = 0.10  # chances that part by more are said to depend on the rest


def threshold_on_reading(threshold: ArrayLike, baseline_ohm: ArrayLike, rest_ohm: ArrayLike) -> Array:
    """Give at which ratio of readings the rod's own ratio is at `threshold`, with `rest_ohm` in both.

    1 + (threshold - 1) (1 - rest / baseline); baseline_ohm is the reading when new, rest included. A negative
    rest (too much was taken off) raises it. The rest counts at most MOST_OF_BASELINE of the baseline.
    """
    share = np.minimum(np.asarray(rest_ohm, dtype=np.float64) / np.asarray(baseline_ohm), MOST_OF_BASELINE)
    return 1 + (np.asarray(threshold, dtype=np.float64) - 1) * (1 - share)


def ratio_of_rod(ratio: ArrayLike, baseline_ohm: ArrayLike, rest_ohm: ArrayLike) -> Array:
    """Give the rod's own ratio behind a ratio of readings with `rest_ohm` in both: the inverse."""
    share = np.minimum(np.asarray(rest_ohm, dtype=np.float64) / np.asarray(baseline_ohm), MOST_OF_BASELINE)
    return 1 + (np.asarray(ratio, dtype=np.float64) - 1) / (1 - share)


def _asked_again(fit: Fitted, log_threshold: Array) -> Array:
    """Return the crossing distributions (N, A) of the fit at other thresholds."""
    again = crossing(
        fit.histories, fit.prepared.resid, fit.calibration, fit.posterior, fit.found,
        fit.structures.standing, fit.structures.electrode, log_threshold, fit.prepared.grid,
    )  # fmt: skip
    return again.cdf


def loop_dependence(fit: Fitted, outlook: pl.DataFrame, rest: pl.DataFrame) -> pl.DataFrame:
    """Give, for each electrode whose reading stands as it is (`loop_raw`), what the rest would change.

    `outlook`: electrode_id, baseline_ohm, ratio_now; `rest`: electrode_id, rest_low_ohm, rest_high_ohm. Gives
    electrode_id, rest_low_ohm, rest_high_ohm, ratio_as_read, ratio_low, ratio_high, p_past_now,
    p_past_now_high, p_past_5y, p_past_5y_high, depends (the high ends part from the others by more than
    DEPENDS). Electrodes whose bounds cannot be said are left out.
    """
    h = fit.histories
    known = pl.DataFrame({"electrode_id": list(h.electrode_id), "_raw": h.raw}).join(
        rest.select("electrode_id", "rest_low_ohm", "rest_high_ohm"), on="electrode_id", how="left",
        maintain_order="left",
    )  # fmt: skip
    rows = known.join(
        outlook.select("electrode_id", "baseline_ohm", "ratio_now"), on="electrode_id", how="left",
        maintain_order="left",
    )  # fmt: skip
    most = MOST_OF_BASELINE * pl.col("baseline_ohm")
    rows = rows.with_columns(
        pl.min_horizontal(pl.col(c).cast(pl.Float64), pl.when(pl.col(c).is_not_null()).then(most)).alias(c)
        for c in ("rest_low_ohm", "rest_high_ohm")
    )
    high = rows["rest_high_ohm"].fill_null(np.nan).to_numpy()
    mine = h.raw & np.isfinite(high) & rows["baseline_ohm"].is_not_null().to_numpy()
    at = np.log(threshold_on_reading(np.exp(fit.log_threshold), rows["baseline_ohm"].to_numpy(), high))
    log_threshold = np.where(mine, np.round(at / _STEP) * _STEP, fit.log_threshold)
    cdf = _asked_again(fit, log_threshold) if mine.any() else fit.crossing.cdf
    # Five years whatever the owner's horizons are.
    chances = [
        pl.Series(f"p_past_{when}{end}", cdf_at(crossed, h.age_now + years))
        for when, years in (("now", 0.0), ("5y", 5.0))
        for end, crossed in (("", fit.crossing.cdf), ("_high", cdf))
    ]
    rows = rows.with_columns(chances).filter(pl.Series(mine))
    ratio, new = rows["ratio_now"].to_numpy(), rows["baseline_ohm"].to_numpy()
    gap = pl.max_horizontal(
        pl.col("p_past_now_high") - pl.col("p_past_now"), pl.col("p_past_5y_high") - pl.col("p_past_5y")
    )
    return rows.with_columns(
        pl.col("ratio_now").alias("ratio_as_read"),
        pl.Series("ratio_low", ratio_of_rod(ratio, new, rows["rest_low_ohm"].fill_null(0.0).to_numpy())),
        pl.Series("ratio_high", ratio_of_rod(ratio, new, rows["rest_high_ohm"].to_numpy())),
        (gap > DEPENDS).alias("depends"),
    ).select(
        "electrode_id", "rest_low_ohm", "rest_high_ohm", "ratio_as_read", "ratio_low", "ratio_high",
        "p_past_now", "p_past_now_high", "p_past_5y", "p_past_5y_high", "depends",
    )  # fmt: skip
