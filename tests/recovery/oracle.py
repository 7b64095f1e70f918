"""How well anyone could tell: scores taught with the true outcomes of other sites of the same generator.

For fleets drawn from the model the oracle is the model at its true hyperparameters (fleets.py). For the
generator's there is none in closed form; boosted trees are taught with the true outcomes of a large fleet of
other seeds, on readings freed of the true season and of the true rest of the loop, with everything that the
office knows. A second score is taught, across sites, with our own outlook beside all that: what it gains is
what our outlook leaves lying.
"""

import numpy as np
import numpy.typing as npt
import polars as pl
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.model_selection import GroupKFold, cross_val_predict

from models.histories import DAYS_A_YEAR
from synthetic_fleet.fleet import Simulated, simulate
from synthetic_fleet.soils import MATERIALS, SOILS
from tests.recovery.fleets import AS_OF, HORIZON, Fleet, numbered_readings, office_electrodes

Floats = npt.NDArray[np.float64]

TEACHING_SITES = 700
TEACHING_SEEDS = (9001, 9002)
OUTLOOK = (
    "p_next", "p_past_now", "p_past_5y", "ratio_now", "crossing_age_p05", "crossing_age_p50",
    "growth_per_year",
    "onset_age_p50", "p_broken", "baseline_sd_log", "age_years",
)  # fmt: skip


def _freed_logs(sim: Simulated, electrodes: pl.DataFrame) -> pl.DataFrame:
    """Return electrode_id, site_id, age, y (log reading over the formula, freed of season and rest), over."""
    truth = sim.reading_truth.select("season_log", "rest_ohm")
    net = pl.max_horizontal(pl.col("resistance_ohm") - pl.col("rest_ohm"), 0.2 * pl.col("resistance_ohm"))
    day = pl.col("taken_at").cast(pl.Date)
    rows = (
        pl.concat([numbered_readings(sim), truth], how="horizontal")
        .filter((pl.col("outcome") == "read") & (pl.col("resistance_ohm") > 0) & (day <= AS_OF))
        .join(electrodes.select("electrode_id", "installed_on", "formula_ohm"), on="electrode_id")
        .with_columns(
            (net.log() - pl.col("season_log") - pl.col("formula_ohm").log()).alias("y"),
            ((day - pl.col("installed_on")).dt.total_days() / DAYS_A_YEAR).alias("age"),
            (pl.col("range_mark") == "over").fill_null(False).alias("over"),
            day.alias("day"),
        )
        .filter(pl.col("age") >= 0.0)
    )
    # what a visit did to all rods of a site alike, by the middle of their gaps to their own middles
    gap = pl.col("y") - pl.col("y").median().over("electrode_id")
    return rows.with_columns((pl.col("y") - gap.median().over("site_id", "day")).alias("freed"))


def _numbered(column: str, names: list[str]) -> pl.Expr:
    """Number the names that there are; any other is one short of the first."""
    return pl.col(column).replace_strict(
        {n: k for k, n in enumerate(names)}, default=-1, return_dtype=pl.Int64
    )


def features(sim: Simulated) -> pl.DataFrame:
    """Return one row an electrode in service: electrode_id, site_id and numbers to learn from."""
    electrodes = office_electrodes(sim).filter(pl.col("retired_on").is_null())
    x, t = pl.col("age"), pl.col("y")
    rows = _freed_logs(sim, electrodes).sort("electrode_id", "age")

    def slope(y: pl.Expr) -> pl.Expr:
        return ((x - x.mean()) * (y - y.mean())).sum() / (((x - x.mean()) ** 2).sum() + 0.5)

    own = rows.group_by("electrode_id").agg(
        x.min().alias("first_age"), x.max().alias("last_age"), pl.len().alias("count"),
        t.first().alias("first"), t.last().alias("last"), t.tail(2).median().alias("last_two"),
        t.tail(4).median().alias("last_four"), t.head(3).median().alias("first_three"),
        t.min().alias("least"), t.quantile(0.25).alias("low"), t.max().alias("most"),
        slope(t).alias("slope"), slope(pl.col("freed")).alias("slope_freed"),
        (t.tail(3).mean() - t.slice(-6, 3).mean()).alias("lately"),
        (pl.col("freed").tail(2).mean() - pl.col("freed").slice(-5, 3).mean()).alias("lately_freed"),
        t.diff().max().alias("largest_rise"), t.diff().std().alias("scatter"),
        pl.col("over").sum().alias("over"),
    )  # fmt: skip
    site = own.join(electrodes.select("electrode_id", "site_id"), on="electrode_id").group_by("site_id").agg(
        pl.col("first_three").sum().alias("s_first"), pl.col("last_two").sum().alias("s_last"),
        pl.col("slope").sum().alias("s_slope"), pl.col("over").sum().alias("s_over"),
        pl.len().alias("s_count"),
    )  # fmt: skip
    surveys = (
        sim.tables["soil_surveys"]
        .group_by("site_id")
        .agg(pl.col("ph", "chloride_ppm", "sulphate_ppm", "redox_mv", "resistivity_ohm_m").mean())
    )
    others = (pl.col("s_count") - 1).clip(lower_bound=1)
    as_of = pl.lit(AS_OF, dtype=pl.Date)
    return (
        electrodes.join(own, on="electrode_id", how="left")
        .join(site, on="site_id", how="left")
        .join(surveys, on="site_id", how="left")
        .join(sim.tables["sites"].select("site_id", "grid_material", "return_path"), on="site_id")
        .with_columns(
            ((pl.col("s_first") - pl.col("first_three")) / others).alias("others_first"),
            ((pl.col("s_last") - pl.col("last_two")) / others).alias("others_last"),
            ((pl.col("s_slope") - pl.col("slope")) / others).alias("others_slope"),
            (pl.col("s_over") - pl.col("over")).alias("others_over"),
            ((as_of - pl.col("installed_on")).dt.total_days() / DAYS_A_YEAR).alias("age_now"),
            (pl.col("baseline_ohm") / pl.col("formula_ohm")).log().alias("new"),
            _numbered("soil_class", [s.name for s in SOILS]).alias("soil"),
            _numbered("material", [m.name for m in MATERIALS]).alias("metal"),
            (pl.col("grid_material") == "copper").alias("copper"),
            (pl.col("ratio_basis") == "loop_raw").alias("raw"),
        )
        .select(
            "electrode_id", "site_id",
            *(pl.col(c).cast(pl.Float64) for c in (
                *[c for c in own.columns if c != "electrode_id"], "others_first", "others_last",
                "others_slope", "others_over", "s_count", "age_now", "new", "soil", "metal", "copper", "raw",
                "baseline_tied_in", "cladding_um", "length_m", "ph", "chloride_ppm", "sulphate_ppm",
                "redox_mv", "resistivity_ohm_m")),
        )
    )  # fmt: skip


def _outcomes(sim: Simulated, rows: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of electrodes not past now, with past_5y; both by the basis that the office has."""
    raw = pl.col("raw") > 0.5
    crossing = pl.when(raw).then("loop_raw_crossing_age").otherwise("crossing_age")
    truth = sim.truth.select("electrode_id", "crossing_age", "loop_raw_crossing_age")
    return (
        rows.join(truth, on="electrode_id")
        .with_columns(crossing.alias("_at"))
        .filter(pl.col("_at") > pl.col("age_now"))
        .with_columns((pl.col("_at") <= pl.col("age_now") + HORIZON).alias("past_5y"))
        .drop("_at", "crossing_age", "loop_raw_crossing_age")
    )


def teaching_fleets(mechanism: str, sites: int = TEACHING_SITES) -> list[Simulated]:
    """Simulate the fleets whose truth is learnt from."""
    return [simulate(sites, seed, mechanism) for seed in TEACHING_SEEDS]


def _learner() -> HistGradientBoostingClassifier:
    return HistGradientBoostingClassifier(
        max_iter=250,
        learning_rate=0.05,
        max_leaf_nodes=12,
        min_samples_leaf=30,
        l2_regularization=5.0,
        random_state=1,
    )


def taught_scores(fleets: list[Fleet], teaching: list[Simulated]) -> dict[str, Floats]:
    """Return scores of the judged electrodes not past now, in the order of fleets.pooled.

    taught: by trees that saw the teaching fleets only. taught, ours beside: across sites of the judged
    fleets, from that score, our outlook and all features.
    """
    lessons = pl.concat([_outcomes(s, features(s)) for s in teaching])
    names = [c for c in lessons.columns if c not in ("electrode_id", "site_id", "past_5y")]
    tree = _learner().fit(lessons.select(names).to_numpy(), lessons["past_5y"].to_numpy())
    parts, outcomes, groups = [], [], []
    for f in fleets:
        assert f.simulated is not None
        known = f.rows.filter("not_past").select("electrode_id", "site_id", "past_5y", *OUTLOOK)
        both = known.join(
            features(f.simulated).drop("site_id"), on="electrode_id", how="left", maintain_order="left"
        )
        x = both.select(names).to_numpy()
        taught = tree.predict_proba(x)[:, 1]
        ours = np.nan_to_num(both.select(OUTLOOK).to_numpy().astype(float), posinf=300.0)
        parts.append(np.column_stack([taught, ours, x]))
        outcomes.append(both["past_5y"].to_numpy())
        groups.append([f"{f.seed}/{s}" for s in both["site_id"]])
    x, y = np.concatenate(parts), np.concatenate(outcomes)
    _, site = np.unique(np.concatenate(groups), return_inverse=True)
    beside = cross_val_predict(_learner(), x, y, groups=site, cv=GroupKFold(5), method="predict_proba")[:, 1]
    return {"taught": x[:, 0], "taught, ours beside": np.asarray(beside)}


def known_scores(fleets: list[Fleet]) -> dict[str, Floats]:
    """Return the scores of the model at its true hyperparameters, for fleets drawn from it."""
    return {
        "the model, all known": np.concatenate(
            [f.rows.filter("not_past")["oracle_next"].to_numpy() for f in fleets]
        )
    }
