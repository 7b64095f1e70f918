"""Synthetic fleets judged against their truth: the same stages as a run, without store and pages."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import polars as pl
from sklearn.metrics import roc_auc_score

from models.calibration import search_calibration
from models.electrode import isolated_ohm
from models.forecast import corrections_frame, fit_electrodes, levels, outlook_frame
from models.histories import DAYS_A_YEAR
from models.history_frames import build_histories, fill_formula
from models.loop_circuit import rest_of_loop
from models.soil import site_resistivity
from models.track_record import auc_difference, brier, interval_score, simple_rules, taught_logistic
from models.vetting import vet
from pipeline.engine import over_threads
from synthetic_fleet.fleet import simulate

MECHANISMS = ("clean", "campaign", "field", "breaks", "nothing", "sparse")
AS_OF = date(2025, 12, 31)
HORIZON = 5.0
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Fleet:
    """One judged fleet: mechanism, seed, one row an electrode in service, whether the search converged."""

    mechanism: str
    seed: int
    rows: pl.DataFrame
    converged: bool


def judged_fleet(sites: int, seed: int, mechanism: str) -> Fleet:
    """Simulate a fleet, run the whole inference on what its crews wrote down, and put the truth beside it."""
    sim = simulate(sites, seed, mechanism)
    t = sim.tables
    resistivity = site_resistivity(t["soundings"], t["soil_surveys"], t["sites"].select("site_id"))
    soil = (
        t["soil_surveys"]
        .sort("surveyed_on")
        .group_by("site_id")
        .agg(pl.col("soil_class").drop_nulls().last())
    )
    electrodes = fill_formula(
        t["electrodes"]
        .join(t["sites"].select("site_id", "region"), on="site_id")
        .join(soil, on="site_id", how="left")
        .with_columns(pl.col("soil_class").fill_null("unknown"))
        .join(isolated_ohm(t["electrodes"], resistivity), on="electrode_id")
        .join(rest_of_loop(t["sites"], t["electrodes"], resistivity).drop("reason"), on="electrode_id")
    )
    readings = t["readings"]
    if "row_id" not in readings.columns:
        readings = readings.with_row_index("row_id").with_columns(pl.col("row_id").cast(pl.Int64))
    verdicts = vet(
        readings, electrodes, t["sites"], t["instruments"], electrodes.select("electrode_id", "formula_ohm")
    )
    vetted = readings.drop("range_mark").join(verdicts, on="row_id")
    h = build_histories(electrodes, vetted, t["works"], AS_OF)
    each = over_threads()
    searched = search_calibration(h, each)
    cal = searched.calibration
    rng = np.random.default_rng(seed)
    fit = fit_electrodes(h, cal, np.full(h.electrodes, np.log(2.0)), rng, each, searched.state)
    outlook = outlook_frame(fit, levels(fit, rng, each=each), AS_OF)
    return Fleet(
        mechanism,
        seed,
        _beside_truth(outlook, electrodes, vetted, corrections_frame(fit), sim.truth),
        cal.converged,
    )


def _beside_truth(
    outlook: pl.DataFrame,
    electrodes: pl.DataFrame,
    vetted: pl.DataFrame,
    corrections: pl.DataFrame,
    truth: pl.DataFrame,
) -> pl.DataFrame:
    rows = corrections.join(vetted.select("row_id", "taken_at", "verdict"), on="row_id").join(
        electrodes.select("electrode_id", "installed_on"), on="electrode_id"
    )
    age = (pl.col("taken_at").cast(pl.Date) - pl.col("installed_on")).dt.total_days() / DAYS_A_YEAR
    rows = rows.filter(pl.col("verdict") != "censored").with_columns(age.alias("age_years"))
    rules = simple_rules(rows.select("electrode_id", "age_years", "corrected_ohm"), HORIZON)
    first = rows.group_by("electrode_id").agg(pl.col("age_years").min().alias("first_age"))
    standing = electrodes.filter(pl.col("retired_on").is_null()).select("electrode_id")
    crossing = (
        pl.when(pl.col("ratio_basis") == "rod_net").then("crossing_age").otherwise("loop_raw_crossing_age")
    )
    return (
        outlook.join(standing, on="electrode_id", how="semi")
        .join(
            truth.select("electrode_id", "crossing_age", "loop_raw_crossing_age", "break_age"),
            on="electrode_id",
        )
        .join(rules, on="electrode_id", how="left")
        .join(first, on="electrode_id", how="left")
        .with_columns(crossing.alias("true_crossing"))
        .with_columns(
            pl.col("straight_line", "last_over_first", "slope").fill_null(0.0),
            pl.col("age").fill_null(pl.col("age_years")),
            (pl.col("true_crossing") <= pl.col("first_age").fill_null(1e9)).alias("past_at_first"),
            (pl.col("true_crossing") > pl.col("age_years")).alias("not_past"),
            (pl.col("true_crossing") <= pl.col("age_years") + HORIZON).alias("past_5y"),
            (
                pl.col("true_crossing").is_between(pl.col("crossing_age_p05"), pl.col("crossing_age_p95"))
                | ((pl.col("true_crossing") > 200) & pl.col("crossing_age_p95").is_infinite())
            ).alias("held"),
        )
    )


@dataclass(frozen=True)
class People:
    """Electrodes of several fleets not past at AS_OF: forecast, outcome, scores of the rules, site."""

    p_5y: Floats
    past_5y: npt.NDArray[np.bool_]
    site: npt.NDArray[np.int64]
    rules: dict[str, Floats]


def pooled(fleets: list[Fleet]) -> People:
    """Pool the electrodes not past now; sites of different fleets stay different."""
    rows = pl.concat(
        [
            f.rows.filter("not_past").with_columns(
                (pl.lit(f"{f.seed}/") + pl.col("site_id")).alias("cluster")
            )
            for f in fleets
        ]
    )
    outcome = rows["past_5y"].to_numpy()
    _, site = np.unique(rows["cluster"].to_numpy(), return_inverse=True)
    rules = {
        name: rows[name].to_numpy().astype(float) for name in ("straight_line", "last_over_first", "age")
    }
    if outcome.any() and not outcome.all():
        classes = rows.select(pl.col("soil_class")).to_dummies().to_numpy().astype(float)
        features = np.column_stack(
            [classes, rules["age"], rules["last_over_first"], rows["slope"].to_numpy()]
        )
        rules["taught_logistic"] = taught_logistic(features, outcome, site)
    return People(rows["p_past_5y"].to_numpy(), outcome, site, rules)


def _coverage(rows: pl.DataFrame) -> str:
    """Say which share of the 90 % intervals held, with the site-clustered standard error."""
    if rows.is_empty():
        return "none"
    held = rows["held"].mean()
    by_site = rows.group_by("site_id").agg((pl.col("held") - held).sum().alias("s"))
    error = float(np.sqrt((by_site["s"] ** 2).sum())) / rows.height
    return f"{held:.3f} +- {1.96 * error:.3f} of {rows.height}"


def judge(fleets: list[Fleet]) -> list[str]:
    """Say how the fleets of one mechanism fared, a line for each property."""
    rows = pl.concat(
        [f.rows.with_columns((pl.lit(f"{f.seed}/") + pl.col("site_id")).alias("site_id")) for f in fleets]
    )
    past = float((~rows["not_past"]).mean())  # type: ignore[arg-type]
    lines = [
        f"{fleets[0].mechanism}: {rows.height} electrodes, {past:.0%} past now, "
        f"{rows['past_at_first'].mean():.0%} past at their first reading, calibrations converged "
        f"{sum(f.converged for f in fleets)}/{len(fleets)}",
        f"  mean p_past_now {rows['p_past_now'].mean():.3f}, truth {past:.3f}",
        "  90 % interval holds: not past at first reading "
        f"{_coverage(rows.filter(~pl.col('past_at_first')))}; "
        f"others {_coverage(rows.filter('past_at_first'))}",
    ]
    by_class = (
        rows.filter(~pl.col("past_at_first"))
        .group_by("soil_class")
        .agg(pl.col("held").mean())
        .sort("soil_class")
    )
    lines.append("  by class: " + ", ".join(f"{c} {h:.2f}" for c, h in by_class.iter_rows()))
    seen = rows.filter(~pl.col("past_at_first"))
    score = interval_score(
        *(seen[c].to_numpy() for c in ("true_crossing", "crossing_age_p05", "crossing_age_p95"))
    )
    lines.append(f"  interval score (ages capped at 100 years): {score:.1f}")
    people = pooled(fleets)
    y = people.past_5y
    if not y.any() or y.all():
        called = int((rows["p_past_now"] >= 0.5).sum())
        return [*lines, f"  nothing to discriminate; electrodes called past now: {called}"]
    rng = np.random.default_rng(1)
    lines.append(f"  AUC {roc_auc_score(y, people.p_5y):.3f}, Brier {brier(people.p_5y, y):.4f}")
    for name, values in people.rules.items():
        d = auc_difference(y, people.p_5y, values, people.site, rng)
        extra = f", Brier {brier(values, y):.4f}" if name == "taught_logistic" else ""
        lines.append(
            f"    {name:<16} AUC {roc_auc_score(y, values):.3f}; "
            f"ahead by {d.value:+.3f} ({d.low:+.3f} to {d.high:+.3f}){extra}"
        )
    return lines
