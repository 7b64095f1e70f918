"""The staged tables of one run, read with the columns and types that the pages rely on."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

TEXT, REAL, WHOLE, FLAG, DAY = pl.String(), pl.Float64(), pl.Int64(), pl.Boolean(), pl.Date()
MOMENT = pl.Datetime("us")
Columns = dict[str, pl.DataType]
Row = Mapping[str, Any]


def _columns(*groups: tuple[pl.DataType, str]) -> Columns:
    """Spell out `(type, "column column")` groups as one column-to-type map."""
    return {column: dtype for dtype, names in groups for column in names.split()}


# A column that a run leaves out is read as "not known"; a table that a run leaves out is read as empty.
TABLES: dict[str, Columns] = {
    "sites": _columns(
        (TEXT, "site_id site_name region soil_class return_path"),
        (REAL, "latitude longitude voltage_kv"),
        (DAY, "commissioned_on first_reading_on last_reading_on"),
        (WHOLE, "rod_count wells readings"),
    ),
    "electrode_outlook": _columns(
        (TEXT, "electrode_id site_id well_id soil_class material kind"),
        (TEXT, "ratio_basis baseline_source break_state state"),
        (DAY, "as_of installed_on last_taken_on"),
        (WHOLE, "readings_used"),
        (FLAG, "converged"),
        (REAL, "age_years baseline_ohm baseline_sd_log level_ohm ratio_now last_ohm"),
        (REAL, "p_past_now p_past_1y p_past_3y p_past_5y p_past_10y p_broken growth_per_year onset_age_p50"),
        (REAL, "crossing_age_p05 crossing_age_p10 crossing_age_p25 crossing_age_p50"),
        (REAL, "crossing_age_p75 crossing_age_p90 crossing_age_p95"),
    ),
    "site_outlook": _columns(
        (TEXT, "site_id limit_text"),
        (DAY, "as_of"),
        (WHOLE, "wells rod_count attend_first_findings"),
        (FLAG, "attend_first"),
        (REAL, "expected_rods_past_now expected_rods_past_5y p_limit_now p_limit_5y"),
        (REAL, "years_to_limit_p10 years_to_limit_p50 years_to_limit_p90"),
        (REAL, "site_ohm_now site_ohm_if_past_rods_lost current_max_a current_sum_a"),
        (REAL, "potential_rise_v potential_rise_if_past_rods_lost_v clearing_time_s body_current_a"),
    ),
    "site_ranking": _columns(
        (WHOLE, "rank"),
        (TEXT, "site_id site_name region soil_class"),
        (REAL, "expected_benefit cost benefit_per_cost rank_p10 rank_p90 p_limit_now p_limit_5y"),
        (FLAG, "attend_first"),
        (TEXT, "reason"),
    ),
    "plan": _columns((TEXT, "site_id action"), (WHOLE, "year"), (REAL, "rods cost expected_benefit")),
    "class_curves": _columns(
        (TEXT, "soil_class material"),
        (REAL, "age_years ratio_p10 ratio_p50 ratio_p90 share_past"),
        (WHOLE, "electrodes"),
    ),
    "reading_verdicts": _columns(
        (WHOLE, "row_id"),
        (TEXT, "electrode_id site_id well_id"),
        (MOMENT, "taken_at"),
        (TEXT, "range_mark verdict rule reason file sheet"),
        (REAL, "resistance_ohm corrected_ohm season_factor campaign_factor weight p_wild"),
        (WHOLE, "line"),
    ),
    "verdict_counts": _columns((TEXT, "rule verdict crew instrument_id"), (WHOLE, "year readings of")),
    "verdict_groups": _columns(
        (TEXT, "rule by group"), (WHOLE, "readings of visits"), (REAL, "times p_value")
    ),
    "attend_first": _columns(
        (TEXT, "site_id electrode_id"), (MOMENT, "taken_at"), (TEXT, "finding why"), (REAL, "value")
    ),
    "electrode_curves": _columns(
        (TEXT, "electrode_id site_id"), (REAL, "age_years ohm_p05 ohm_p50 ohm_p95"), (DAY, "on_date")
    ),
    "survival_curves": _columns(
        (TEXT, "soil_class method"),
        (REAL, "age_years share_past low high at_risk low_all_ages high_all_ages"),
    ),
    "survival_models": _columns(
        (TEXT, "soil_class model"),
        (REAL, "shape scale_years median_years median_low median_high aic"),
        (REAL, "site_sd site_sd_low site_sd_high residual_gap"),
        (WHOLE, "electrodes"),
        (FLAG, "converged best residuals_leave"),
    ),
    "survival_hazard": _columns((TEXT, "soil_class method"), (REAL, "age_years hazard_per_year low high")),
    "survival_ahead": _columns((TEXT, "soil_class method"), (REAL, "age_years ahead_years p_past low high")),
    "survival_sensitivity": _columns(
        (TEXT, "soil_class alternative"),
        (REAL, "age_years share_past share_change median_years"),
        (FLAG, "within_band"),
    ),
    "survival_residuals": _columns((TEXT, "soil_class model"), (REAL, "residual share low high expected")),
    "survival_truncation": _columns(
        (TEXT, "soil_class"),
        (WHOLE, "before_records past_at_first_visit"),
        (REAL, "still_there still_there_low still_there_high"),
        (FLAG, "from_first_visit"),
    ),
    "hypotheses": _columns(
        (TEXT, "question_id question outcome compared held_fixed effect_unit method verdict sentence checks"),
        (TEXT, "compare first second leans_on asked_by note fingerprint run_id"),
        (DAY, "asked_on first_asked_on"),
        (WHOLE, "electrodes sites"),
        (REAL, "effect effect_low effect_high p_value p_adjusted p_holm margin p_equivalence"),
        (REAL, "power power_ratio findable_ratio"),
        (FLAG, "converged"),
    ),
    "question_overlap": _columns(
        (TEXT, "question_id factor level"),
        (WHOLE, "first_electrodes first_sites second_electrodes second_sites"),
    ),
    "question_confounders": _columns(
        (TEXT, "question_id factor says"),
        (REAL, "explained inflation effect_held effect_held_low effect_held_high"),
        (FLAG, "separable takes_it_away"),
    ),
    "question_charts": _columns(
        (TEXT, "question_id series kind"), (REAL, "x mid low high"), (WHOLE, "at_risk")
    ),
    "question_news": _columns((TEXT, "question_id question sentence"), (DAY, "was_on")),
    "soil_importance": _columns(
        (TEXT, "property stands_for says"),
        (REAL, "importance low high alone explained_by_all association"),
        (WHOLE, "known_sites"),
    ),
    "soil_dependence": _columns((TEXT, "property column label"), (REAL, "value hazard low high")),
    "track_record": _columns(
        (DAY, "forecast_on judged_on"),
        (REAL, "horizon_years expected_past brier"),
        (WHOLE, "electrodes observed_past"),
    ),
    "track_tenths": _columns(
        (DAY, "forecast_on judged_on"),
        (REAL, "horizon_years forecast observed standard_error"),
        (TEXT, "tenth"),
        (WHOLE, "electrodes"),
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
    "site_ground": _columns(
        (TEXT, "site_id corrosivity"), (REAL, "resistivity_ohm_m ph chloride_ppm corrosivity_points")
    ),
    "soil_groups": _columns(
        (TEXT, "soil_class"),
        (WHOLE, "sites"),
        (REAL, "stability resistivity_ohm_m ph chloride_ppm sulphate_ppm redox_mv"),
    ),
    "loop_dependence": _columns(
        (TEXT, "electrode_id"),
        (REAL, "rest_high_ohm ratio_high p_past_now_high p_past_5y_high"),
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
        (TEXT, "file_id file sheet table_name profile"),
        (MOMENT, "loaded_at"),
        (WHOLE, "rows_read rows_taken rows_held rows_refused rows_superseding"),
    ),
    "refused_rows": _columns(
        (TEXT, "file sheet table_name reason cells"), (WHOLE, "line"), (FLAG, "settled")
    ),
}

WITH_SITES = (
    "sites",
    "site_outlook",
    "site_ranking",
    "electrode_outlook",
    "plan",
    "attend_first",
    "reading_verdicts",
)


@dataclass(frozen=True)
class Staged:
    """One run as staged: `tables` by name (missing ones empty), `present` names found, `run` facts."""

    tables: dict[str, pl.DataFrame]
    present: frozenset[str]
    run: dict[str, Any]

    def __getitem__(self, name: str) -> pl.DataFrame:
        return self.tables[name]


def read_staged(folder: Path) -> Staged:
    """Read every staged table and run.json of `folder`.

    Raises FileNotFoundError where run.json is missing: a folder without it is not a run.
    """
    run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    present = frozenset(name for name in TABLES if (folder / f"{name}.parquet").exists())
    tables = {
        name: _fit(
            pl.read_parquet(folder / f"{name}.parquet") if name in present else pl.DataFrame(), columns
        )
        for name, columns in TABLES.items()
    }
    return Staged(tables, present, run)


def _fit(frame: pl.DataFrame, columns: Columns) -> pl.DataFrame:
    """Give `frame` exactly `columns`; NaN counts as not known, infinity stays."""
    if not frame.columns:
        return pl.DataFrame(schema=columns)
    fitted = [
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(dtype, strict=False).alias(name)
        for name, dtype in columns.items()
    ]
    return frame.select(fitted).with_columns(pl.col(pl.Float64).fill_nan(None))


def site_names(staged: Staged) -> dict[str, str]:
    """Give the name of every site that any table speaks of; a site without one is called by its id."""
    named: dict[str, str] = {}
    for table in WITH_SITES:
        named |= dict.fromkeys(staged[table]["site_id"].drop_nulls(), "")
    for table in ("site_ranking", "sites"):
        for site_id, name in staged[table].select("site_id", "site_name").drop_nulls().iter_rows():
            named[site_id] = name
    return {site_id: name or site_id for site_id, name in named.items()}
