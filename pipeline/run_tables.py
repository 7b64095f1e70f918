"""The tables of a run: the columns and types that other programs rely on, declared once and held to."""

from collections.abc import Sequence

import polars as pl

Columns = dict[str, pl.DataType]
TEXT, REAL, WHOLE, FLAG, DAY = pl.String(), pl.Float64(), pl.Int64(), pl.Boolean(), pl.Date()
MOMENT = pl.Datetime("us")


def _columns(*groups: tuple[pl.DataType, str]) -> Columns:
    """Spell out `(type, "column column")` groups as one column-to-type map."""
    return {column: dtype for dtype, names in groups for column in names.split()}


_OUTLOOK = _columns(
    (TEXT, "electrode_id site_id soil_class material"),
    (DAY, "as_of"),
    (REAL, "age_years"),
    (WHOLE, "readings_used"),
    (TEXT, "ratio_basis baseline_source"),
    (REAL, "baseline_ohm baseline_sd_log level_ohm ratio_now p_past_now"),
    (REAL, "crossing_age_p05 crossing_age_p10 crossing_age_p25 crossing_age_p50"),
    (REAL, "crossing_age_p75 crossing_age_p90 crossing_age_p95 p_broken"),
    (TEXT, "break_state"),
    (REAL, "growth_per_year onset_age_p50"),
    (TEXT, "state"),
    (FLAG, "converged"),
    (TEXT, "well_id kind"),
    (DAY, "installed_on last_taken_on"),
    (REAL, "last_ohm"),
)
# p_past_1y and the like are not here: their names follow the owner's horizons.
TABLES: dict[str, Columns] = {
    "electrode_outlook": _OUTLOOK,
    "electrode_lives": _OUTLOOK | _columns((DAY, "retired_on"), (FLAG, "in_service")),
    "site_outlook": _columns(
        (TEXT, "site_id"),
        (DAY, "as_of"),
        (WHOLE, "wells rod_count"),
        (REAL, "expected_rods_past_now expected_rods_past_5y p_limit_now p_limit_5y"),
        (REAL, "years_to_limit_p10 years_to_limit_p50 years_to_limit_p90"),
        (REAL, "site_ohm_now site_ohm_if_past_rods_lost current_max_a current_sum_a"),
        (REAL, "potential_rise_v potential_rise_if_past_rods_lost_v clearing_time_s body_current_a"),
        (FLAG, "attend_first"),
        (WHOLE, "attend_first_findings"),
        (TEXT, "limit_text"),
    ),
    "site_ranking": _columns(
        (WHOLE, "rank rank_p10 rank_p90"),
        (TEXT, "site_id site_name region reason soil_class"),
        (REAL, "expected_benefit cost benefit_per_cost p_limit_now p_limit_5y"),
        (FLAG, "attend_first"),
    ),
    "plan": _columns(
        (TEXT, "site_id"), (WHOLE, "year"), (TEXT, "action"), (WHOLE, "rods"), (REAL, "cost expected_benefit")
    ),
    "class_curves": _columns(
        (TEXT, "soil_class material"),
        (REAL, "age_years ratio_p10 ratio_p50 ratio_p90 share_past"),
        (WHOLE, "electrodes"),
    ),
    "reading_verdicts": _columns(
        (WHOLE, "row_id line"),
        (TEXT, "electrode_id site_id well_id range_mark verdict rule reason file sheet"),
        (MOMENT, "taken_at"),
        (REAL, "resistance_ohm season_factor campaign_factor weight corrected_ohm p_wild"),
    ),
    "verdict_counts": _columns((TEXT, "rule verdict crew instrument_id"), (WHOLE, "year readings of")),
    "verdict_groups": _columns(
        (TEXT, "rule by group"), (WHOLE, "readings of visits"), (REAL, "times p_value")
    ),
    "attend_first": _columns(
        (TEXT, "site_id electrode_id"), (MOMENT, "taken_at"), (TEXT, "finding why"), (REAL, "value")
    ),
    "hypotheses": _columns(
        (TEXT, "question_id question outcome compared held_fixed effect_unit method verdict sentence"),
        (TEXT, "leans_on asked_by note spec fingerprint run_id"),
        (DAY, "asked_on first_asked_on"),
        (WHOLE, "electrodes sites"),
        (REAL, "effect effect_low effect_high p_value p_adjusted p_holm margin p_equivalence"),
        (REAL, "p_equivalence_adjusted p_equivalence_held power power_ratio findable_ratio"),
        (FLAG, "converged"),
    ),
    "question_overlap": _columns(
        (TEXT, "question_id factor level"),
        (WHOLE, "first_electrodes first_sites second_electrodes second_sites"),
    ),
    "question_confounders": _columns(
        (TEXT, "question_id factor says"),
        (REAL, "explained inflation effect_held effect_held_low effect_held_high p_held p_equivalence_held"),
        (WHOLE, "shared_sites"),
        (FLAG, "separable takes_it_away"),
    ),
    "question_charts": _columns(
        (TEXT, "question_id series kind"), (REAL, "x mid low high"), (WHOLE, "at_risk")
    ),
    "question_news": _columns(
        (TEXT, "question_id question was_run was_verdict now_verdict sentence"),
        (DAY, "was_on"),
        (REAL, "was_effect now_effect"),
    ),
    "soil_importance": _columns(
        (TEXT, "property stands_for says"),
        (REAL, "importance low high alone explained_by_all association"),
        (WHOLE, "known_sites"),
    ),
    "soil_dependence": _columns((TEXT, "property column label"), (REAL, "value hazard low high")),
    "site_ground": _columns(
        (TEXT, "site_id drainage sulphide moisture corrosivity"),
        (REAL, "resistivity_ohm_m ph chloride_ppm sulphate_ppm redox_mv corrosivity_points"),
    ),
    "soil_groups": _columns((TEXT, "soil_class"), (WHOLE, "sites"), (REAL, "stability")),
    "track_record": _columns(
        (DAY, "forecast_on judged_on"),
        (REAL, "horizon_years"),
        (WHOLE, "electrodes"),
        (REAL, "expected_past"),
        (WHOLE, "observed_past"),
        (REAL, "brier"),
    ),
    "track_tenths": _columns(
        (DAY, "forecast_on judged_on"),
        (REAL, "horizon_years forecast observed standard_error"),
        (TEXT, "tenth"),
        (WHOLE, "electrodes"),
    ),
    "sites": _columns(
        (TEXT, "site_id site_name region soil_class return_path"),
        (REAL, "latitude longitude voltage_kv"),
        (DAY, "commissioned_on first_reading_on last_reading_on"),
        (WHOLE, "rod_count wells readings"),
    ),
    "electrode_curves": _columns(
        (TEXT, "electrode_id site_id"), (REAL, "age_years ohm_p05 ohm_p50 ohm_p95"), (DAY, "on_date")
    ),
    "survival_curves": _columns(
        (TEXT, "soil_class method"),
        (REAL, "age_years share_past low high"),
        (WHOLE, "at_risk"),
        (REAL, "low_all_ages high_all_ages"),
    ),
    "survival_models": _columns(
        (TEXT, "soil_class model"),
        (REAL, "shape scale_years median_years median_low median_high"),
        (WHOLE, "electrodes"),
        (FLAG, "converged"),
        (REAL, "log_likelihood aic"),
        (FLAG, "best"),
        (REAL, "site_sd site_sd_low site_sd_high residual_gap"),
        (FLAG, "residuals_leave"),
    ),
    "survival_hazard": _columns((TEXT, "soil_class method"), (REAL, "age_years hazard_per_year low high")),
    "survival_ahead": _columns((TEXT, "soil_class method"), (REAL, "age_years ahead_years p_past low high")),
    "survival_sensitivity": _columns(
        (TEXT, "soil_class alternative"),
        (WHOLE, "electrodes crossed"),
        (REAL, "age_years share_past share_change median_years"),
        (FLAG, "within_band"),
    ),
    "survival_residuals": _columns((TEXT, "soil_class model"), (REAL, "residual share low high expected")),
    "survival_truncation": _columns(
        (TEXT, "soil_class"),
        (WHOLE, "electrodes before_records past_at_first_visit"),
        (REAL, "still_there still_there_low still_there_high"),
        (FLAG, "from_first_visit converged"),
    ),
    "model_checks": _columns(
        (TEXT, "soil_class rods summary meaning says"),
        (WHOLE, "electrodes"),
        (REAL, "observed replicas_p05 replicas_p50 replicas_p95 p_value"),
        (FLAG, "flagged"),
    ),
    "residual_checks": _columns(
        (TEXT, "by group reason"),
        (WHOLE, "place readings sites"),
        (REAL, "shift_pct shift_low_pct shift_high_pct scatter p_shift p_scatter share"),
        (FLAG, "flagged"),
    ),
    "not_understood": _columns(
        (TEXT, "electrode_id site_id well_id soil_class state why look_at"),
        (WHOLE, "readings"),
        (DAY, "farthest_on"),
        (REAL, "noise_times wild_share farthest_z fall_pct severity"),
    ),
    "loop_dependence": _columns(
        (TEXT, "electrode_id"),
        (REAL, "rest_low_ohm rest_high_ohm ratio_as_read ratio_low ratio_high"),
        (REAL, "p_past_now p_past_now_high p_past_5y p_past_5y_high"),
        (FLAG, "depends"),
    ),
    "measure_again": _columns(
        (TEXT, "site_id electrode_id well_id rule reason how"),
        (MOMENT, "taken_at"),
        (REAL, "resistance_ohm"),
        (DAY, "last_good_on"),
    ),
    "next_readings": _columns(
        (TEXT, "site_id electrode_id well_id reason"),
        (WHOLE, "rods_now rods_above rods_below"),
        (REAL, "value p_change_of_decision p_past_5y above_ohm below_ohm"),
        (REAL, "ratio_sd_now ratio_sd_after sd_reduction"),
    ),
    "next_rounds": _columns(
        (TEXT, "site_id best_well reason"),
        (WHOLE, "wells rods_now"),
        (REAL, "value p_change_of_decision gain_now visit_cost price_of_money"),
        (FLAG, "worth_the_visit"),
    ),
    "load_books": _columns(
        (WHOLE, "file_id rows_read rows_taken rows_held rows_refused rows_superseding"),
        (TEXT, "file sheet table_name profile"),
        (MOMENT, "loaded_at"),
    ),
    "refused_rows": _columns(
        (TEXT, "file sheet table_name reason cells"), (WHOLE, "line"), (FLAG, "settled")
    ),
}


def columns_of(table: str, horizons: Sequence[int]) -> Columns:
    """Give the declared columns of a table with their types, p_past_1y and the like included."""
    declared = dict(TABLES[table])
    if table in ("electrode_outlook", "electrode_lives"):
        declared |= {f"p_past_{y}y": REAL for y in horizons}
    return declared


def as_declared(tables: dict[str, pl.DataFrame], horizons: Sequence[int]) -> dict[str, pl.DataFrame]:
    """Give every table its declared types, also where it is empty; other columns stay as they are.

    Raises polars' InvalidOperationError where a value does not fit its column.
    """
    return {
        name: frame.with_columns(
            pl.col(c).cast(kind) for c, kind in columns_of(name, horizons).items() if c in frame.columns
        )
        if name in TABLES
        else frame
        for name, frame in tables.items()
    }


def not_as_declared(tables: dict[str, pl.DataFrame], horizons: Sequence[int]) -> list[str]:
    """Name every declared table or column that a run lacks, or that is of another type."""
    faults = []
    for name in TABLES:
        if name not in tables:
            faults.append(name)
            continue
        schema = tables[name].schema
        faults += [f"{name}.{c}" for c, kind in columns_of(name, horizons).items() if schema.get(c) != kind]
    return faults
