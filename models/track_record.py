"""How forecasts fare: discrimination, calibration by tenths, and the simple rules that they have to beat."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import brier_score_loss, roc_auc_score
from sklearn.model_selection import GroupKFold, cross_val_predict
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


def simple_rules(readings: pl.DataFrame, horizon_years: float) -> pl.DataFrame:
    """Score electrodes by a crew's rules of thumb, from the same vetted and corrected readings.

    readings: electrode_id, age_years, corrected_ohm. Gives electrode_id, straight_line (log of the ratio that
    a least squares line through the logs reaches horizon_years after its last reading, over its start),
    last_over_first (log), age (years at the last reading), slope (log a year; 0 for one reading).
    """
    x, y = pl.col("age_years"), pl.col("corrected_ohm").log()
    n = pl.len()
    spread = ((x - x.mean()) ** 2).sum()
    slope = (
        pl.when((n > 1) & (spread > 1e-9))
        .then(((x - x.mean()) * (y - y.mean())).sum() / spread)
        .otherwise(0.0)
    )
    return (
        readings.filter(pl.col("corrected_ohm") > 0)
        .sort("electrode_id", "age_years")
        .group_by("electrode_id", maintain_order=True)
        .agg(
            slope.alias("slope"),
            (y.last() - y.first()).alias("last_over_first"),
            x.last().alias("age"),
            (x.last() - x.first()).alias("_span"),
        )
        .with_columns((pl.col("slope") * (pl.col("_span") + horizon_years)).alias("straight_line"))
        .drop("_span")
    )


def taught_logistic(features: Floats, outcome: Flags, site: npt.NDArray[np.int64], folds: int = 5) -> Floats:
    """Return (N,) probabilities from a logistic regression taught with the outcomes of other sites only.

    features: (N, P). outcome: (N,). site: (N,) groups that are never split. Raises ValueError with fewer
    sites than folds.
    """
    model = make_pipeline(StandardScaler(), LogisticRegression(C=1.0, max_iter=2000))
    split = GroupKFold(n_splits=folds)
    found = cross_val_predict(model, features, outcome, groups=site, cv=split, method="predict_proba")
    return np.asarray(found[:, 1])


@dataclass(frozen=True)
class Difference:
    """A difference of two AUCs with its 95 % interval over resampled sites."""

    value: float
    low: float
    high: float


def auc_difference(
    outcome: Flags, ours: Floats, theirs: Floats, site: npt.NDArray[np.int64], rng: np.random.Generator,
    resamples: int = 300,
) -> Difference:  # fmt: skip
    """Return AUC(ours) - AUC(theirs), sites resampled whole."""
    _, index = np.unique(site, return_inverse=True)
    members = [np.flatnonzero(index == s) for s in range(int(index.max()) + 1)]
    value = roc_auc_score(outcome, ours) - roc_auc_score(outcome, theirs)
    drawn = []
    for _ in range(resamples):
        rows = np.concatenate([members[s] for s in rng.integers(0, len(members), len(members))])
        if outcome[rows].all() or not outcome[rows].any():
            continue
        drawn.append(roc_auc_score(outcome[rows], ours[rows]) - roc_auc_score(outcome[rows], theirs[rows]))
    low, high = np.quantile(drawn, (0.025, 0.975))
    return Difference(float(value), float(low), float(high))


def by_tenths(probability: Floats, outcome: Flags, site: npt.NDArray[np.int64]) -> pl.DataFrame:
    """Compare forecast and observed shares in ten bins of the forecast: 0-10 %, .. 90-100 %.

    Gives bin, electrodes, forecast, observed, standard_error (clustered by site), z (difference in standard
    errors).
    """
    bins = np.minimum((probability * 10).astype(int), 9)
    rows = []
    for b in range(10):
        mine = bins == b
        n = int(mine.sum())
        if not n:
            continue
        gap = outcome[mine] - probability[mine]
        _, index = np.unique(site[mine], return_inverse=True)
        clustered = np.sqrt((np.bincount(index, gap - gap.mean()) ** 2).sum()) / n
        binomial = np.sqrt(max(float((probability[mine] * (1 - probability[mine])).sum()), 1e-12)) / n
        error = max(float(clustered), float(binomial))
        rows.append(
            (
                f"{10 * b}-{10 * b + 10} %",
                n,
                probability[mine].mean(),
                outcome[mine].mean(),
                error,
                gap.mean() / error,
            )
        )
    names = ["bin", "electrodes", "forecast", "observed", "standard_error", "z"]
    return pl.DataFrame(rows, schema=names, orient="row")


def brier(probability: Floats, outcome: Flags) -> float:
    """Return the mean squared error of the probabilities."""
    return float(brier_score_loss(outcome, np.clip(probability, 0.0, 1.0)))


def interval_score(truth: Floats, low: Floats, high: Floats, share: float = 0.9, cap: float = 100.0) -> float:
    """Return the mean interval score (Gneiting and Raftery 2007, eq. 43) of ages capped at cap years."""
    t, a, b = (np.minimum(v, cap) for v in (truth, low, high))
    miss = 2.0 / (1.0 - share) * (np.maximum(a - t, 0.0) + np.maximum(t - b, 0.0))
    return float(np.mean(b - a + miss))
