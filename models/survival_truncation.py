"""Rods that were retired before records began: are those that had crossed missing from the books?

A rod stands in the data because it was still in the ground when its site's records began. Where rods that had
crossed by then were renewed sooner than others, those that are left are too good. If none had been renewed
for it, as many must be past at their first visit as the later crossings let expect; how many of them are
there is estimated, and only where they are missing does a life count from its first visit on (left
truncation, the rods past by then left out): that holds whatever was renewed before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

from models.accelerated_life import (
    LOGNORMAL,
    WEIBULL,
    Family,
    clustered,
    fit_accelerated_life,
    inverse,
    minimise,
)

Array = NDArray[np.float64]

Z90 = 1.6449
# One class in two hundred is called short of rods where none is missing (common practice, no source).
Z_MISSING = 2.5758
LEAST_AT_FIRST, LEAST_LATER = 5, 5
LEAST_WATCHED = 10

TRUNCATION = {
    "soil_class": pl.String,
    "electrodes": pl.Int64,
    "before_records": pl.Int64,
    "past_at_first_visit": pl.Int64,
    "still_there": pl.Float64,
    "still_there_low": pl.Float64,
    "still_there_high": pl.Float64,
    "from_first_visit": pl.Boolean,
    "converged": pl.Boolean,
}


@dataclass(frozen=True)
class StillThere:
    """How many of the rods that had crossed before records began stand in them, per one that had not.

    share: 1 where crossing had no rod renewed, 0 where all that had crossed are gone. error: of its log.
    """

    share: float
    error: float
    family: str
    log_likelihood: float
    converged: bool

    def between(self, z: float = Z90) -> tuple[float, float]:
        """Give the interval of the share, z standard errors of its log to either side."""
        return self.share * float(np.exp(-z * self.error)), self.share * float(np.exp(z * self.error))


@dataclass(frozen=True)
class _Rows:
    """Rows (n,): logs of the ends and of the age when records began (-inf: it came later), and whether past
    at its first visit."""

    lower: Array
    upper: Array
    began: Array
    at_first: NDArray[np.bool_]


def _likelihood(theta: Array, rows: _Rows, family: Family) -> tuple[Array, Array]:
    """Give each row's log-likelihood (n,) and its derivative by (mean, ln sigma, ln share) (n, 3).

    A row that had not crossed when records began is seen with probability 1, one that had with q:
    S(L) - S(U), or for those past at the first visit q F(R) + S(R) - S(U), over q F(R) + S(R).
    """
    mean, log_sigma, log_q = theta
    sigma, q = np.exp(np.clip(log_sigma, -20, 20)), np.exp(np.clip(log_q, -20, 20))

    def survival(ln_t: Array) -> tuple[Array, Array]:
        # S and its derivative by (mean, ln sigma): f/sigma and f z; 1 at age 0, 0 at infinite age.
        z = np.clip((ln_t - mean) / sigma, -1e4, 1e4)
        s = np.exp(family.log_survival(z))
        f = np.exp(np.clip(family.log_density(z), -700, 700))
        inside = np.isfinite(ln_t)[:, None]
        slope = np.where(inside, np.column_stack([f / sigma, f * np.where(np.isfinite(ln_t), z, 0.0)]), 0.0)
        return np.where(np.isneginf(ln_t), 1.0, np.where(np.isposinf(ln_t), 0.0, s)), slope

    with np.errstate(invalid="ignore", over="ignore"):
        (s_low, d_low), (s_up, d_up), (s_in, d_in) = map(survival, (rows.lower, rows.upper, rows.began))
    first = rows.at_first
    above = np.maximum(np.where(first, q * (1 - s_in) + s_in - s_up, s_low - s_up), 1e-300)
    d_above = np.where(first[:, None], (1 - q) * d_in - d_up, d_low - d_up) / above[:, None]
    seen = np.maximum(q * (1 - s_in) + s_in, 1e-300)
    d_seen = (1 - q) * d_in / seen[:, None]
    by_q = np.where(first, q * (1 - s_in) / above, 0.0) - q * (1 - s_in) / seen
    return np.log(above) - np.log(seen), np.column_stack([d_above - d_seen, by_q])


def still_there(
    lower: ArrayLike,
    upper: ArrayLike,
    records: ArrayLike,
    cluster: ArrayLike,
    family: Family = WEIBULL,
) -> StillThere:
    """Estimate how many of the rods that had crossed before records began are in them, by maximum likelihood.

    lower, upper (n,): ages between which each crossed, lower 0 past at its first visit; records (n,): its age
    when records began, 0 where it came later; cluster (n,): sites. The life is of one family, the error
    clustered by site. Raises ValueError for impossible intervals and where nothing has crossed.
    """
    low, up, began = (np.asarray(v, dtype=np.float64) for v in (lower, upper, records))
    # Left out: past at the first visit tells nothing of a rod that came after records began but its age.
    start = fit_accelerated_life(low, up, family=family)
    scale = float(np.exp(start.beta[0]))
    with np.errstate(divide="ignore"):
        rows = _Rows(np.log(low / scale), np.log(up / scale), np.log(began / scale), (low <= 0) & (began > 0))

    def loss(theta: Array) -> tuple[float, Array]:
        value, score = _likelihood(theta, rows, family)
        return -float(value.mean()), -score.mean(axis=0)

    theta, curvature, good = minimise(loss, np.array([0.0, np.log(start.sigma), 0.0]))
    value, score = _likelihood(theta, rows, family)
    covariance = clustered(inverse(curvature * low.size), score, np.asarray(cluster))
    variance = float(covariance[2, 2])
    good = good and np.isfinite(variance) and variance > 0
    error = float(np.sqrt(variance)) if good else float("nan")
    return StillThere(float(np.exp(theta[2])), error, family.name, float(value.sum()), bool(good))


def _found(group: pl.DataFrame) -> StillThere | None:
    """Estimate the share of one class by the family that fits better; None where too little has crossed."""
    at_first = (group["lower_years"] <= 0) & (group["records_years"] > 0)
    later = (group["lower_years"] > 0) & group["upper_years"].is_finite()
    if at_first.sum() < LEAST_AT_FIRST or later.sum() < LEAST_LATER or group["site_id"].n_unique() < 3:
        return None
    columns = (group[c].to_numpy() for c in ("lower_years", "upper_years", "records_years", "site_id"))
    low, up, began, site = columns
    plain = {f.name: fit_accelerated_life(low, up, family=f).log_likelihood for f in (WEIBULL, LOGNORMAL)}
    better = WEIBULL if plain[WEIBULL.name] >= plain[LOGNORMAL.name] else LOGNORMAL
    fit = still_there(low, up, began, site, better)
    return fit if fit.converged else None


def missing_before_records(crossings: pl.DataFrame) -> pl.DataFrame:
    """Give by class how many rods that had crossed before records began are still there, with 90 % interval.

    crossings: of `first_crossings`. still_there is null where the class cannot tell; from_first_visit says
    that rods are missing beyond doubt (its 99 % interval lies below 1) and lives count from the first visit.
    """
    rows = []
    for group in crossings.sort("soil_class", "electrode_id").partition_by("soil_class", maintain_order=True):
        told = group.filter((pl.col("lower_years") > 0) | pl.col("upper_years").is_finite())
        found = _found(told) if told.height else None
        low, high = found.between() if found else (None, None)
        rows.append(
            {
                "soil_class": group["soil_class"][0],
                "electrodes": told.height,
                "before_records": int((told["records_years"] > 0).sum()),
                "past_at_first_visit": int(((told["lower_years"] <= 0) & (told["records_years"] > 0)).sum()),
                "still_there": found.share if found else None,
                "still_there_low": low,
                "still_there_high": high,
                "from_first_visit": bool(found and found.between(Z_MISSING)[1] < 1),
                "converged": found is not None,
            }
        )
    return pl.DataFrame(rows, schema=TRUNCATION)


def from_first_visit(crossings: pl.DataFrame) -> pl.DataFrame:
    """Count each life that began before records from its first visit on, rods past by then left out.

    Holds whatever was renewed before records began, as long as nothing sound was renewed sooner for being
    about to cross; what is lost is what the rods past at their first visit tell.
    """
    older = pl.col("records_years") > 0
    return crossings.filter(~(older & (pl.col("lower_years") <= 0))).with_columns(
        pl.when(older).then("first_visit_years").otherwise("entry_years").alias("entry_years")
    )


def with_entry(crossings: pl.DataFrame, missing: pl.DataFrame) -> pl.DataFrame:
    """Set entry_years in the classes in which rods are missing; all other classes stay as they are."""
    short = missing.filter("from_first_visit")["soil_class"].implode()
    in_short = pl.col("soil_class").is_in(short)
    parts = [crossings.filter(~in_short), from_first_visit(crossings.filter(in_short))]
    return pl.concat(parts).sort("electrode_id")


def watched_from(upper: Array, entry: Array) -> float | None:
    """Give the age from which LEAST_WATCHED rods (n,) are under watch; None where that never is.

    A curve with entries begins there: before, one crossing among the youngest few would carry it all up.
    """
    ages = np.unique(entry)
    watched = ((entry[None, :] <= ages[:, None]) & (upper[None, :] > ages[:, None])).sum(axis=1)
    enough = np.flatnonzero(watched >= LEAST_WATCHED)
    return float(ages[enough[0]]) if enough.size else None
