"""From a run's verdicts and lives to its survival tables: the readings' own account, beside the curves."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.class_curves import share_past_curves
from models.forecast import Fitted
from models.survival import CURVES, class_bands, curves_frame, first_crossings, lives_by_class
from models.survival_sensitivity import alternatives, sensitivity
from models.survival_tables import ahead_frame, class_fits, hazard_frame, models_frame, residuals_frame
from models.survival_truncation import missing_before_records, with_entry
from pipeline.engine import one_blas_thread, over_threads
from pipeline.questions import threshold_of
from pipeline.settings import Settings

FOLLOW_UP = "follow_up"


def survival_account(
    crossings: pl.DataFrame,
    fit: Fitted,
    verdicts: pl.DataFrame,
    lives: pl.DataFrame,
    readings: pl.DataFrame,
    settings: Settings,
) -> dict[str, pl.DataFrame]:
    """Return the survival tables of a run by name.

    crossings: of `first_crossings`; verdicts: reading_verdicts; lives: electrode_lives, in the order of the
    fit; readings: row_id, visit_reason.
    """
    seed = settings.seed
    missing = missing_before_records(crossings)
    entered = with_entry(crossings, missing)
    by_class = lives_by_class(entered)
    with one_blas_thread():
        bands = class_bands(by_class, np.random.default_rng([seed, 20]))
        fits = class_fits(by_class, seed, over_threads())
    rng = np.random.default_rng([seed, 21])
    turnbull, curve = curves_frame(bands), share_past_curves(fit, rng)
    return {
        "survival_curves": _together(turnbull, curve),
        "survival_models": models_frame(fits),
        "survival_hazard": hazard_frame(bands, fits, rng),
        "survival_ahead": ahead_frame(bands, fits, rng),
        "survival_residuals": residuals_frame(fits),
        "survival_truncation": missing,
        "survival_sensitivity": sensitivity(
            _read_otherwise(crossings, verdicts, lives, readings, settings), turnbull
        ),
    }


def _together(turnbull: pl.DataFrame, curve: pl.DataFrame) -> pl.DataFrame:
    """Put the curves of both methods into one table; the fitted curves have no band over all ages."""
    lacking = [pl.lit(None, kind).alias(c) for c, kind in CURVES.items() if c not in curve.columns]
    frames = [turnbull, curve.with_columns(lacking)]
    return pl.concat([f.select(pl.col(c).cast(kind) for c, kind in CURVES.items()) for f in frames])


def _read_otherwise(
    crossings: pl.DataFrame,
    verdicts: pl.DataFrame,
    lives: pl.DataFrame,
    readings: pl.DataFrame,
    settings: Settings,
) -> dict[str, pl.DataFrame]:
    """Call the crossings again without follow-up visits, and without waiting for a confirmation."""
    baseline = lives.select("electrode_id", "baseline_ohm")
    limit = threshold_of(lives, settings)
    for_a_suspicion = readings.filter(pl.col("visit_reason") == FOLLOW_UP).select("row_id")
    planned = verdicts.join(for_a_suspicion, on="row_id", how="anti", maintain_order="left")
    no_follow_ups = (
        crossings if planned.height == verdicts.height else first_crossings(planned, baseline, limit, lives)
    )
    return alternatives(
        crossings, no_follow_ups, first_crossings(verdicts, baseline, limit, lives, confirm=False)
    )
