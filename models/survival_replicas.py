"""First crossings called on replicated fleets, to set beside the data's own: where they part, what remains.

A first passage taken from readings comes early where they scatter and late where visits are rare. The same
calls on fleets drawn from the fitted model carry the same bias, so that what is left between data and
replicas is something else: informative visits, renewals, inferred baselines, or the curves' own misfit.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.forecast import Fitted
from models.histories import DAYS_A_YEAR, ROUTINE, Floats
from models.posterior_checks import MODEL_CHECKS, flagged_far, predictive_p
from models.replicas import Lives, Record, Retaken, new_rods, record_of, retake
from models.site_pass import ForEach, in_turn
from models.survival import CURVES, LEAST_ELECTRODES, first_crossings
from models.turnbull import turnbull_of_many

DRAWS = 29
SUMMARY = "share_past_turnbull"
# From where on an explanation is still in the running (common practice, no source).
RENEWED_SHARE, INFERRED_SHARE, SOONER = 0.03, 0.25, 0.85


@dataclass(frozen=True)
class Known:
    """What the calls take from the outlook, (N,): dates of installation, threshold ratios, baseline doubt.

    frame: electrode_id, site_id, soil_class, material, installed_on, baseline_ohm (1), threshold_ratio.
    baseline_sd_log: sd of the log of the baseline that a ratio is taken over.
    """

    frame: pl.DataFrame
    baseline_sd_log: Floats


def known_of(fit: Fitted, lives: pl.DataFrame) -> Known:
    """Take from the outlook of all lives, in the order of the fit, what the calls on replicas need."""
    frame = lives.select("electrode_id", "site_id", "soil_class", "material", "installed_on").with_columns(
        pl.lit(1.0).alias("baseline_ohm"), pl.Series("threshold_ratio", np.exp(fit.log_threshold))
    )
    return Known(frame, lives["baseline_sd_log"].to_numpy())


def _retaken_frame(
    fit: Fitted, record: Record, lives: Lives, d: int, known: Known, rng: np.random.Generator
) -> pl.DataFrame:
    """Give fleet d's readings as corrected ratios: as far off as corrections and baselines are known."""
    h, r, e = fit.histories, record.reading, record.electrode
    taken: Retaken = retake(fit, record, lives, d, rng)
    visit_sd = np.concatenate(
        [np.zeros(0), *[np.sqrt(np.maximum(np.diag(fit.found.field_cov[s])[1:], 0.0)) for s in record.sites]]
    )
    left = visit_sd * rng.normal(size=visit_sd.size)
    moved = np.append(left - lives.visit[d], 0.0)[record.visit]
    off = known.baseline_sd_log[record.electrodes] * rng.normal(size=record.electrodes.size)
    log_ratio = taken.free - lives.base[d, e] + moved + off[e]
    keep, i = record.routine, record.electrodes[e]
    days = np.round(h.age[r] * DAYS_A_YEAR).astype(np.int64)
    installed = known.frame["installed_on"].to_numpy().astype("datetime64[D]")
    return pl.DataFrame(
        {
            "electrode_id": np.asarray(h.electrode_id, dtype=str)[i[keep]],
            "taken_at": (installed[i[keep]] + days[keep]).astype("datetime64[us]"),
            "corrected_ohm": np.exp(log_ratio[keep]),
            "verdict": np.full(int(keep.sum()), "good"),
            "range_mark": np.array(["", "over", "under"])[taken.side[keep]],
        }
    ).with_columns(pl.col("range_mark").replace("", None))


def replica_curves(
    fit: Fitted, known: Known, data: pl.DataFrame, rng: np.random.Generator, each: ForEach = in_turn,
    draws: int = DRAWS,
) -> dict[str, Floats]:  # fmt: skip
    """Return by class (draws, A) Turnbull shares of replicated fleets, at the ages of the data's own curve.

    data: survival_curves of the readings. Classes without a curve there have none here.
    """
    ages = {
        str(k): g["age_years"].to_numpy()
        for (k,), g in data.sort("soil_class", "age_years").partition_by("soil_class", as_dict=True).items()
    }
    record = record_of(fit)
    lives = new_rods(fit, record, draws, rng)
    seeds = rng.integers(0, 2**63 - 1, size=draws)
    threshold = known.frame.select("electrode_id", "threshold_ratio")
    found: list[pl.DataFrame] = [pl.DataFrame()] * draws

    def one(d: int) -> None:
        frame = _retaken_frame(fit, record, lives, d, known, np.random.default_rng(seeds[d]))
        crossings = first_crossings(frame, known.frame, threshold, known.frame)
        found[d] = crossings.select("soil_class", "lower_years", "upper_years", pl.lit(d).alias("which"))

    each(one, range(draws))
    told = (pl.col("lower_years") > 0) | pl.col("upper_years").is_finite()
    of_class = pl.concat(found).filter(told).partition_by("soil_class", as_dict=True)
    out = {}
    for k, own in ages.items():
        if (rows := of_class.get((k,))) is not None:
            low, up, which = (rows[c].to_numpy() for c in ("lower_years", "upper_years", "which"))
            curves = turnbull_of_many(low, up, which, draws, own)
            out[k] = curves[np.isfinite(curves).all(axis=1)]
    return out


def replica_frame(data: pl.DataFrame, replicas: dict[str, Floats]) -> pl.DataFrame:
    """Return the replicas' median curve and 5-95 % band in the columns of survival_curves."""
    frames = []
    for k, curves in sorted(replicas.items()):
        if not curves.shape[0]:
            continue
        own = data.filter(pl.col("soil_class") == k).sort("age_years")
        low, middle, high = np.quantile(curves, (0.05, 0.5, 0.95), axis=0)
        frames.append(
            own.select("soil_class", "age_years", "at_risk").with_columns(
                pl.lit("replicas").alias("method"), pl.Series("share_past", middle), pl.Series("low", low),
                pl.Series("high", high), pl.lit(None, pl.Float64).alias("low_all_ages"),
                pl.lit(None, pl.Float64).alias("high_all_ages"),
            )
        )  # fmt: skip
    if not frames:
        return pl.DataFrame(schema=CURVES)
    return pl.concat(frames).select(pl.col(name).cast(kind) for name, kind in CURVES.items())


def survival_checks(
    fit: Fitted, lives: pl.DataFrame, data: pl.DataFrame, replicas: dict[str, Floats]
) -> pl.DataFrame:
    """Return rows of model_checks: the mean share past up to the last age, data beside replicas, by class.

    lives: soil_class, retired_on, baseline_source. Where they part, `says` names the explanations that
    remain.
    """
    rows = []
    for k, curves in sorted(replicas.items()):
        if curves.shape[0] < DRAWS // 2:
            continue
        own = data.filter(pl.col("soil_class") == k).sort("age_years")
        observed, drawn = own["share_past"].to_numpy().mean(keepdims=True), curves.mean(axis=1)[:, None]
        p = predictive_p(observed, drawn)
        flagged = bool(flagged_far(observed, drawn, p)[0])
        low, middle, high = np.quantile(drawn[:, 0], (0.05, 0.5, 0.95))
        mine = lives.filter(pl.col("soil_class") == k)
        says = _remaining(fit, str(k), mine, float(observed[0]), float(middle)) if flagged else ""
        rows.append((
            k, "new", SUMMARY, "mean share past threshold up to the last age seen (Turnbull)", mine.height,
            float(observed[0]), low, middle, high, float(p[0]), flagged, says,
        ))  # fmt: skip
    return pl.DataFrame(rows, schema=MODEL_CHECKS, orient="row")


def _remaining(fit: Fitted, soil: str, lives: pl.DataFrame, observed: float, middle: float) -> str:
    """Say which way the crossings part, and which explanations remain and which do not."""
    way = "earlier" if observed > middle else "later"
    renewed = float(lives["retired_on"].is_not_null().to_numpy().mean())
    inferred = float((lives["baseline_source"] == "inferred").to_numpy().mean())
    sooner = visits_after_suspicion(fit, soil)
    stay: list[str] = []
    gone = ["first-passage noise (the replicas have it too)"]
    (stay if sooner < SOONER else gone).append(
        f"visits (the next visit comes after {sooner:.0%} of the usual time where a reading was high)"
    )
    (stay if renewed > RENEWED_SHARE else gone).append(f"renewals ({renewed:.0%} of the lives)")
    (stay if inferred > INFERRED_SHARE else gone).append(f"baselines ({inferred:.0%} not measured when new)")
    stay.append("curves that do not fit this class")
    return (
        f"The readings cross {way} than replicas of the model do. What remains: {'; '.join(stay)}. "
        f"What it is not: {'; '.join(gone)}."
    )


def visits_after_suspicion(fit: Fitted, soil: str) -> float:
    """Return the mean time to the next visit after a high reading, over that after others (same electrodes).

    High: over 1.3 times the electrode's first reading. 1 where nothing can be told.
    """
    h = fit.histories
    mine = np.array([s == soil for s in h.soil], dtype=bool)[h.reading_electrode] & (h.kind == ROUTINE)
    at = np.flatnonzero(mine)
    e = h.reading_electrode[at]
    if at.size < 2:
        return 1.0
    joined = e[1:] == e[:-1]
    _, start = np.unique(e, return_index=True)
    first = fit.prepared.resid[at[start]][np.unique(e, return_inverse=True)[1]]
    high = (fit.prepared.resid[at] - first > np.log(1.3))[:-1][joined]
    gap = np.diff(h.year[at])[joined]
    # Both kinds in one electrode, so that sites that are visited often do not count twice.
    of = e[:-1][joined]
    N = h.electrodes
    n_high, n_low = np.bincount(of, high, minlength=N), np.bincount(of, ~high, minlength=N)
    both = (n_high > 0) & (n_low > 0)
    if both.sum() < LEAST_ELECTRODES:
        return 1.0
    after_high = np.bincount(of, gap * high, minlength=N)[both] / n_high[both]
    after_low = np.bincount(of, gap * ~high, minlength=N)[both] / n_low[both]
    return float(after_high.sum() / max(after_low.sum(), 1e-9))
