"""Fleets of known truth put through the whole inference: synthetic ones, and some drawn from the model.

The stages are a run's, without store and pages.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import polars as pl

from models.calibration import Calibrated, Calibration, search_calibration
from models.class_curves import share_past_curves
from models.covariates import site_covariates
from models.electrode import isolated_ohm
from models.family_choice import with_families
from models.forecast import Fitted, corrections_frame, fit_electrodes, levels, outlook_frame
from models.histories import DAYS_A_YEAR, ROUTINE, Histories
from models.history_frames import build_histories, fill_formula
from models.loop_circuit import rest_of_loop
from models.outlook import cdf_at, quantile_of
from models.soil import site_resistivity
from models.track_record import simple_rules
from models.vetting import vet
from pipeline.engine import over_threads
from synthetic_fleet.fleet import Simulated, simulate
from tests.recovery.class_medians import AGES_JUDGED, mix_of, parameter_medians
from tests.recovery.own_model import ModelTruth, Plan, draw_fleet, known_calibration
from tests.recovery.visits import effect_on_reading, log_gain, visit_errors

OWN = "own model"
MECHANISMS = ("clean", "campaign", "field", "breaks", "nothing", "sparse", OWN)
AS_OF = date(2025, 12, 31)
HORIZON = 5.0
LOG_DOUBLE = float(np.log(2.0))
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Fleet:
    """One judged fleet.

    rows: one an electrode in service, the truth beside the outlook; oracle_next, oracle_low, oracle_high,
    for OWN only: what the same model says at its true hyperparameters. visits: error and claimed sd of each
    visit's effect. classes: soil_class, what, low, high: 90 % intervals of class medians and shares;
    mix: the electrodes that they speak of, by material and basis. calibration: as fitted. simulated: the
    generator's, None for OWN.
    """

    mechanism: str
    seed: int
    rows: pl.DataFrame
    visits: pl.DataFrame
    classes: pl.DataFrame
    mix: pl.DataFrame
    calibration: Calibration
    simulated: Simulated | None


def office_electrodes(sim: Simulated) -> pl.DataFrame:
    """Return the electrodes with what the office knows of each: soil class, formula, rest of the loop."""
    t = sim.tables
    resistivity = site_resistivity(t["soundings"], t["soil_surveys"], t["sites"].select("site_id"))
    soil = (
        t["soil_surveys"]
        .sort("surveyed_on")
        .group_by("site_id")
        .agg(pl.col("soil_class").drop_nulls().last())
    )
    return fill_formula(
        t["electrodes"]
        .join(t["sites"].select("site_id", "region"), on="site_id")
        .join(soil, on="site_id", how="left")
        .join(site_covariates(t["soil_surveys"], t["sites"], resistivity), on="site_id", how="left")
        .with_columns(pl.col("soil_class").fill_null("unknown"))
        .join(isolated_ohm(t["electrodes"], resistivity), on="electrode_id")
        .join(rest_of_loop(t["sites"], t["electrodes"], resistivity).drop("reason"), on="electrode_id")
    )


def numbered_readings(sim: Simulated) -> pl.DataFrame:
    """Return the readings with a row_id each, in the order of the simulation's truth of readings."""
    readings = sim.tables["readings"]
    if "row_id" in readings.columns:
        return readings
    return readings.with_row_index("row_id").with_columns(pl.col("row_id").cast(pl.Int64))


def _inferred(h: Histories, seed: int) -> tuple[Fitted, Calibrated, pl.DataFrame]:
    each = over_threads()
    searched = with_families(h, search_calibration(h, each), each)
    rng = np.random.default_rng(seed)
    threshold = np.full(h.electrodes, LOG_DOUBLE)
    fit = fit_electrodes(h, searched.calibration, threshold, rng, each, searched.state)
    return fit, searched, outlook_frame(fit, levels(fit, rng, each=each), AS_OF)


def _classes(fit: Fitted, seed: int) -> pl.DataFrame:
    """Return 90 % intervals of what is said of each class: medians of onset and growth, share past by age."""
    shares = share_past_curves(fit, np.random.default_rng([seed, 2])).filter(
        pl.col("age_years").is_in(list(AGES_JUDGED))
    )
    by_age = shares.select(
        "soil_class", pl.format("past by {}", pl.col("age_years").cast(pl.Int64)).alias("what"), "low", "high"
    )
    return pl.concat([by_age, parameter_medians(fit, np.random.default_rng([seed, 3]))])


def _as_read(verdicts: pl.DataFrame) -> pl.DataFrame:
    """Take every reading that has a value as good, censoring kept: what vetting is judged against."""
    limit = pl.col("range_mark").is_not_null()
    return verdicts.with_columns(
        pl.when(pl.col("rule") == "no_resistance")
        .then("verdict")
        .otherwise(pl.when(limit).then(pl.lit("censored")).otherwise(pl.lit("good")))
        .alias("verdict")
    )


def judged_fleet(
    sites: int,
    seed: int,
    mechanism: str,
    as_read: bool = False,
    sheet_shares: Mapping[str, float] | None = None,
) -> Fleet:
    """Run the whole inference on what a fleet's crews wrote down, and put the truth beside it.

    as_read: with no verdict but the meter's limits. sheet_shares: as of simulate.
    """
    if mechanism == OWN:
        return _own_fleet(sites, seed)
    sim = simulate(sites, seed, mechanism, sheet_shares=sheet_shares)
    electrodes, readings = office_electrodes(sim), numbered_readings(sim)
    verdicts = vet(
        readings, electrodes, sim.tables["sites"], sim.tables["instruments"],
        electrodes.select("electrode_id", "formula_ohm"),
    )  # fmt: skip
    if as_read:
        verdicts = _as_read(verdicts)
    vetted = readings.drop("range_mark").join(verdicts, on="row_id")
    h = build_histories(electrodes, vetted, sim.tables["works"], AS_OF)
    fit, searched, outlook = _inferred(h, seed)
    rows = (
        corrections_frame(fit)
        .join(vetted.select("row_id", "taken_at", "verdict"), on="row_id")
        .join(electrodes.select("electrode_id", "installed_on"), on="electrode_id")
    )
    age = (pl.col("taken_at").cast(pl.Date) - pl.col("installed_on")).dt.total_days() / DAYS_A_YEAR
    rows = rows.filter(pl.col("verdict") != "censored").with_columns(age.alias("age_years"))
    standing = electrodes.filter(pl.col("retired_on").is_null()).select("electrode_id")
    crossing = (
        pl.when(pl.col("ratio_basis") == "rod_net").then("crossing_age").otherwise("loop_raw_crossing_age")
    )
    judged = (
        outlook.join(standing, on="electrode_id", how="semi")
        .join(sim.truth.select("electrode_id", "crossing_age", "loop_raw_crossing_age"), on="electrode_id")
        .with_columns(
            crossing.alias("true_crossing"),
            *(pl.lit(None, dtype=pl.Float64).alias(c) for c in ("oracle_next", "oracle_low", "oracle_high")),
        )
    )
    # a visit is read with one meter: its drift moves all rods alike
    basis = readings.select("electrode_id").join(
        electrodes.select("electrode_id", "ratio_basis"), on="electrode_id", how="left", maintain_order="left"
    )
    raw = (basis["ratio_basis"] != "rod_net").fill_null(True).to_numpy()
    truth = effect_on_reading(sim.reading_truth, log_gain(readings, sim.tables["instruments"]), raw)
    true_visit = np.where(h.row >= 0, truth[np.maximum(h.row, 0)], np.nan)
    return Fleet(
        mechanism, seed, _beside_rules(judged, rows), visit_errors(fit, true_visit), _classes(fit, seed),
        mix_of(h), searched.calibration, sim,
    )  # fmt: skip


def _own_fleet(sites: int, seed: int) -> Fleet:
    """Draw a fleet from the model; its oracle is the same model at its true hyperparameters."""
    cal = known_calibration()
    h, truth = draw_fleet(cal, np.random.default_rng(seed), Plan(sites=sites, rods=(4, 12), years=(3, 15)))
    fit, searched, outlook = _inferred(h, seed)
    known = fit_electrodes(
        h, cal, np.full(h.electrodes, LOG_DOUBLE), np.random.default_rng(seed), over_threads()
    )
    by_now, later = (cdf_at(known.crossing.cdf, h.age_now + years) for years in (0.0, HORIZON))
    age = pl.DataFrame({"row_id": h.row, "age_years": h.age, "side": h.side})
    rows = corrections_frame(fit).join(age, on="row_id").filter(pl.col("side") == 0)
    judged = outlook.with_columns(
        pl.Series("true_crossing", truth.crossing),
        pl.Series("oracle_next", (later - by_now) / np.maximum(1.0 - by_now, 1e-9)),
        pl.Series("oracle_low", quantile_of(known.crossing.cdf, 0.05)),
        pl.Series("oracle_high", quantile_of(known.crossing.cdf, 0.95)),
    )
    true_visit = _by_reading(h, truth)
    return Fleet(
        OWN, seed, _beside_rules(judged, rows), visit_errors(fit, true_visit), _classes(fit, seed),
        mix_of(h), searched.calibration, None,
    )  # fmt: skip


def _by_reading(h: Histories, truth: ModelTruth) -> Floats:
    of_site = h.electrode_site[h.reading_electrode]
    at = np.where(h.kind == ROUTINE, h.visit_start[of_site] + h.visit, 0)
    return np.where(h.kind == ROUTINE, truth.visit[at], np.nan)


def _line_intervals(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the 90 % interval of the crossing age by a least squares line through each history's logs.

    Twice the line's value at the first reading, by the slope less and plus 1.645 of its standard errors.
    """
    x, y = pl.col("age_years"), pl.col("corrected_ohm").log()
    sxx = ((x - x.mean()) ** 2).sum()
    slope = ((x - x.mean()) * (y - y.mean())).sum() / sxx
    left = ((y - y.mean()) ** 2).sum() - slope**2 * sxx
    error = (left.clip(lower_bound=1e-6) / (pl.len() - 2) / sxx).sqrt()

    def reached(rate: pl.Expr) -> pl.Expr:
        return pl.when(rate > 1e-6).then(pl.col("_first") + LOG_DOUBLE / rate).otherwise(np.inf)

    return (
        rows.filter(pl.col("corrected_ohm") > 0)
        .group_by("electrode_id")
        .agg(
            slope.alias("_slope"),
            error.alias("_error"),
            x.min().alias("_first"),
            pl.len().alias("_n"),
            sxx.alias("_sxx"),
        )
        .filter((pl.col("_n") > 2) & (pl.col("_sxx") > 1e-6))
        .select(
            "electrode_id",
            reached(pl.col("_slope") + 1.645 * pl.col("_error")).alias("line_low"),
            reached(pl.col("_slope") - 1.645 * pl.col("_error")).alias("line_high"),
        )
    )


def _beside_rules(judged: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Put what happened and what the simple rules say beside the outlook; rows: the corrected readings."""
    rules = simple_rules(rows.select("electrode_id", "age_years", "corrected_ohm"), HORIZON)
    first = rows.group_by("electrode_id").agg(pl.col("age_years").min().alias("first_age"))
    return (
        judged.join(rules, on="electrode_id", how="left")
        .join(first, on="electrode_id", how="left")
        .join(_line_intervals(rows), on="electrode_id", how="left")
        .with_columns(
            pl.col("straight_line", "last_over_first", "slope", "line_low").fill_null(0.0),
            pl.col("line_high").fill_null(np.inf),
            pl.col("age").fill_null(pl.col("age_years")),
            # of one that is not past now, the chance to be by the horizon
            (
                (pl.col(f"p_past_{HORIZON:.0f}y") - pl.col("p_past_now"))
                / (1.0 - pl.col("p_past_now")).clip(1e-9)
            )
            .clip(0.0, 1.0)
            .alias("p_next"),
            (pl.col("true_crossing") <= pl.col("first_age").fill_null(1e9)).alias("past_at_first"),
            (pl.col("true_crossing") > pl.col("age_years")).alias("not_past"),
            (pl.col("true_crossing") <= pl.col("age_years") + HORIZON).alias("past_5y"),
            (
                pl.col("true_crossing").is_between(pl.col("crossing_age_p05"), pl.col("crossing_age_p95"))
                | ((pl.col("true_crossing") > 200) & pl.col("crossing_age_p95").is_infinite())
            ).alias("held"),
        )
    )
