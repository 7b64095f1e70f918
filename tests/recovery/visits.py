"""How far the visit effects are from their truth, beside how far they claim to be."""

import numpy as np
import numpy.typing as npt
import polars as pl

from models.calibration import period_effects
from models.forecast import Fitted
from models.histories import DAYS_A_YEAR

Floats = npt.NDArray[np.float64]


def visit_errors(fit: Fitted, true_visit: Floats) -> pl.DataFrame:
    """Return site, whether its loop is raw, error and claimed sd of each visit, and of its deviation.

    The deviation is from the mean over the site's visits.

    true_visit: (M,) log effect of the visit on each reading, nan outside any. An effect is the
    district-year's and the visit's own together; a site's mean of them trades with its level, deviations
    from it do not.
    """
    h = fit.histories
    of_site = h.electrode_site[h.reading_electrode]
    seen = (h.visit >= 0) & np.isfinite(true_visit)
    at = (h.visit_start[of_site] + h.visit)[seen]
    V = h.visit_year.size
    counts = np.maximum(np.bincount(at, minlength=V), 1)
    truth = np.bincount(at, true_visit[seen], minlength=V) / counts
    period = np.bincount(at, period_effects(h, fit.calibration)[seen], minlength=V) / counts
    met = np.bincount(at, minlength=V) > 0
    raw = np.bincount(h.electrode_site, h.raw, minlength=h.sites) / np.maximum(np.diff(h.site_start), 1)
    frames = []
    for s in range(h.sites):
        v = slice(h.visit_start[s], h.visit_start[s + 1])
        k = np.flatnonzero(met[v])
        if not k.size:
            continue
        cov = np.asarray(fit.found.field_cov[s])[1:, 1:][np.ix_(k, k)]
        error = fit.found.field_mean[s][1:][k] + period[v][k] - truth[v][k]
        centre = np.eye(k.size) - 1.0 / k.size
        frames.append(
            pl.DataFrame(
                {
                    "site_id": [h.site_id[s]] * k.size, "raw": [raw[s] > 0.5] * k.size,
                    "error": error, "sd": np.sqrt(np.diag(cov)),
                    "deviation_error": centre @ error,
                    "deviation_sd": np.sqrt(np.maximum(np.diag(centre @ cov @ centre), 0.0)),
                }
            )
        )  # fmt: skip
    return pl.concat(frames)


def effect_on_reading(truth: pl.DataFrame, gain: Floats, raw: npt.NDArray[np.bool_]) -> Floats:
    """Return (n,) what the visit and its meter did to the log of what the model is given of each reading.

    A visit moves the rod. Where the loop is raw the rest of it dilutes that, and where the rest is taken off
    a meter's drift is of the whole loop and falls on the rod alone: neither is the rod's own effect.

    truth: level_ohm, season_log, visit_log, rest_ohm of each reading. gain: (n,) log of the meter's drift.
    """
    still = truth["level_ohm"].to_numpy() * np.exp(truth["season_log"].to_numpy())
    moved, rest = still * np.exp(truth["visit_log"].to_numpy()), truth["rest_ohm"].to_numpy()
    shown = (moved + rest) * np.exp(gain)
    net = np.maximum(shown - rest, 0.3 * shown) / np.maximum(still, 0.3 * (still + rest))
    return np.asarray(np.log(np.where(raw, shown / (still + rest), net)))


def spread_ratio(error: Floats, sd: Floats) -> float:
    """Return the size of the errors over the size that they claim (root mean squares)."""
    return float(np.sqrt(np.mean(error**2) / np.mean(sd**2)))


def log_gain(readings: pl.DataFrame, instruments: pl.DataFrame) -> Floats:
    """Return (n,) the log of what each reading's meter showed over what there was, by its drift.

    readings: taken_at, instrument_id (may be null: no drift known). instruments: a row for each calibration,
    with what was found before adjusting. A meter drifts evenly, so that what was found over the years since
    the calibration before is its drift a year.
    """
    years = pl.col("calibrated_on").diff().over("instrument_id").dt.total_days() / DAYS_A_YEAR
    dated = instruments.sort("instrument_id", "calibrated_on").with_columns(
        (pl.col("as_found_error_pct") / years).median().over("instrument_id").fill_null(0.0).alias("drift")
    )
    rows = readings.with_row_index("_at").with_columns(pl.col("taken_at").cast(pl.Date).alias("day"))
    told = rows.sort("day").join_asof(
        dated.select("instrument_id", "drift", "calibrated_on").sort("calibrated_on"),
        left_on="day", right_on="calibrated_on", by="instrument_id", check_sortedness=False,
    )  # fmt: skip
    since = (pl.col("day") - pl.col("calibrated_on")).dt.total_days() / DAYS_A_YEAR
    gain = told.sort("_at").select((1.0 + pl.col("drift") / 100.0 * since).log().fill_null(0.0))
    return gain.to_series().to_numpy()
