"""Questions put to the fleet: do two groups of rods differ in the time that they take to threshold?

An answer has an effect (a ratio of times) with its interval, clustered by site, the power that the data had,
the checks of what it rests on, and a sentence in the trade's words. "No evidence" is never "no effect".
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import beta, chi2, norm
from scipy.stats import t as student

from models.accelerated_life import LOGNORMAL, AcceleratedLife, fit_accelerated_life
from models.hypothesis_words import POWER_RATIO, Median, Question, sentence_of
from models.rank_tests import rank_scores, rank_test
from models.turnbull import rounded

Array = NDArray[np.float64]

LEVEL = 0.05
# A ratio of times this near to 1 changes no decision: an interval wholly inside it says that there is no
# difference that matters. A choice of ours, stated beside the answer.
MATTERS = 1.25
LEAST_SITES, LEAST_ELECTRODES, LEAST_CROSSED = 3, 10, 3
# Scatter of the readings alone makes 1 to 2 % of sound rods look past threshold. Unless a group's share past
# is surely (95 %) above this, a difference may be one of scatter.
LEAST_SHARE = 0.03
# With fewer crossed sites than this in a group only a bound of the ratio can be given.
THIN_SITES = 5
WIDEST_LOG_RATIO = 4.0
# With fewer crossed sites than this in a group the clustered interval is too narrow to test by: sites are
# exchanged.
PERMUTE_BELOW_SITES = 25
PERMUTATIONS = 1999
TAKEN_BACK = " But among"

HYPOTHESES = {
    "question_id": pl.String,
    "asked_on": pl.Date,
    "question": pl.String,
    "outcome": pl.String,
    "compared": pl.String,
    "compare": pl.String,
    "first": pl.String,
    "second": pl.String,
    "held_fixed": pl.String,
    "electrodes": pl.Int64,
    "sites": pl.Int64,
    "effect": pl.Float64,
    "effect_low": pl.Float64,
    "effect_high": pl.Float64,
    "effect_unit": pl.String,
    "p_value": pl.Float64,
    "p_adjusted": pl.Float64,
    "method": pl.String,
    "converged": pl.Boolean,
    "verdict": pl.String,
    "sentence": pl.String,
    "power": pl.Float64,
    "power_ratio": pl.Float64,
    "checks": pl.String,
}


@dataclass(frozen=True)
class _Data:
    """The rows of both groups: intervals, sites, which rows are the second group, standardised covariates."""

    lower: Array
    upper: Array
    site: NDArray[np.object_]
    second: NDArray[np.bool_]
    held: Array
    dropped: int

    def design(self) -> Array:
        return np.column_stack([np.ones(self.lower.size), self.second.astype(float), self.held])

    def sites_of(self, group: NDArray[np.bool_]) -> int:
        return int(np.unique(self.site[group]).size)


def _gather(frame: pl.DataFrame, question: Question) -> _Data:
    rows = frame.rename({"lower_years": "lower", "upper_years": "upper"}, strict=False)
    if "group" not in rows.columns:
        rows = rows.with_columns(pl.col(question.compare).alias("group"))
    rows = rows.filter(
        pl.col("group").is_in([question.first, question.second])
        & ((pl.col("lower") > 0) | pl.col("upper").is_finite())
    )
    held = [pl.col(name).cast(pl.Float64) for name in question.held_fixed]
    whole = rows.drop_nulls(list(question.held_fixed)) if held else rows
    matrix = np.empty((whole.height, 0))
    if held:
        matrix = whole.select(held).to_numpy()
        spread = matrix.std(axis=0)
        matrix = (matrix - matrix.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
    return _Data(
        whole["lower"].to_numpy().astype(np.float64),
        whole["upper"].to_numpy().astype(np.float64),
        whole["site_id"].to_numpy(),
        (whole["group"] == question.second).to_numpy(),
        matrix,
        rows.height - whole.height,
    )


def _too_little(data: _Data, question: Question) -> str | None:
    """Say what is missing to ask at all, or None."""
    for name, group in ((question.first, ~data.second), (question.second, data.second)):
        if data.sites_of(group) < LEAST_SITES or group.sum() < LEAST_ELECTRODES:
            return (
                f"{name} has {int(group.sum())} electrodes on {data.sites_of(group)} sites with usable "
                f"readings, too few to compare (at least {LEAST_ELECTRODES} on {LEAST_SITES} are needed)"
            )
    crossed = np.isfinite(data.upper)
    groups = ~data.second, data.second
    share = [float(crossed[group].mean()) for group in groups]
    surely = [float(beta.ppf(0.05, max(crossed[g].sum(), 0.5), (~crossed[g]).sum() + 1)) for g in groups]
    if max(surely) < LEAST_SHARE or data.sites_of(crossed) < THIN_SITES:
        return f"hardly any rod of the two has reached threshold yet ({share[0]:.0%} and {share[1]:.0%})"
    if _thin(data) and _mixed_sites(data):
        return "in one of the two hardly any rod has reached threshold yet"
    return None


def _thin(data: _Data) -> bool:
    """Tell whether one group has too few crossed sites for the spread between sites to be seen."""
    crossed = np.isfinite(data.upper)
    return min(data.sites_of(crossed & data.second), data.sites_of(crossed & ~data.second)) < THIN_SITES


def _median(data: _Data, group: NDArray[np.bool_]) -> Median:
    low, up = data.lower[group], data.upper[group]
    seen = float(np.max(np.where(np.isfinite(up), up, low)))
    if np.isfinite(up).sum() < LEAST_CROSSED:
        return Median(np.inf, np.nan, np.nan, seen, False)
    fit = fit_accelerated_life(low, up, cluster=data.site[group])
    if not fit.converged:
        return Median(np.nan, np.nan, np.nan, seen, False)
    middle, error = fit.quantile([1.0], 0.5)
    ages = np.exp(np.clip(middle + error * norm.ppf([0.05, 0.5, 0.95]), -20, 20))
    return Median(float(ages[1]), float(ages[0]), float(ages[2]), seen, True)


def _mixed_sites(data: _Data) -> bool:
    """Tell whether some site has rods of both groups, so that whole sites cannot be exchanged."""
    both = set(data.site[data.second]) & set(data.site[~data.second])
    return bool(both)


def _permutation_p(data: _Data, rng: np.random.Generator) -> float | None:
    """Give the p value of exchanging whole sites between the groups; None where a site has both.

    The statistic is the site sums of the score of the fit without the group (Finkelstein 1986, clustered),
    centred by the group's share of electrodes, over their own spread.
    """
    _, number = np.unique(data.site, return_inverse=True)
    if _mixed_sites(data):
        return None
    size = np.bincount(number)
    seconds = np.bincount(number, weights=data.second)
    null = np.column_stack([np.ones(data.lower.size), data.held])
    residual = fit_accelerated_life(data.lower, data.upper, null).scores[:, 0]
    sums = np.bincount(number, weights=residual)
    label = (seconds > 0).astype(float)
    orders = rng.permuted(np.tile(label, (PERMUTATIONS, 1)), axis=1)

    def statistic(labels: Array) -> Array:
        share = labels @ size / size.sum()
        score = labels @ sums - share * sums.sum()
        spread = np.sqrt(((labels - share[:, None]) ** 2) @ sums**2)
        return np.asarray(np.abs(score) / np.maximum(spread, 1e-12))

    seen = statistic(label[None, :])[0]
    return float((1 + np.sum(statistic(orders) >= seen - 1e-9)) / (PERMUTATIONS + 1))


def _checks(data: _Data, fit: AcceleratedLife, log_likelihood_null: float) -> str:
    """Say how the assumptions stand: common shape, the family, the censoring."""
    notes = []
    logs, variances = [], []
    for group in (~data.second, data.second):
        if np.isfinite(data.upper[group]).sum() >= LEAST_CROSSED:
            own = fit_accelerated_life(data.lower[group], data.upper[group], cluster=data.site[group])
            if own.converged:
                logs.append(np.log(own.sigma))
                variances.append(own.covariance[-1, -1])
    if len(logs) == 2:
        z = (logs[1] - logs[0]) / np.sqrt(sum(variances))
        p = 2 * norm.sf(abs(z))
        notes.append(f"common shape {'doubtful' if p < LEVEL else 'not contradicted'} (p {p:.2g})")
    else:
        notes.append("common shape could not be checked")
    other = fit_accelerated_life(data.lower, data.upper, data.design(), family=LOGNORMAL)
    gain = other.log_likelihood - fit.log_likelihood
    notes.append(
        f"a log-normal life would put the ratio at {np.exp(other.beta[1]):.2f} "
        f"(log-likelihood {gain:+.1f} beside the Weibull's)"
        if other.converged
        else "a log-normal life did not converge"
    )
    if not _mixed_sites(data):
        # Rounded visits keep the pooled estimate's cells few.
        scores = rank_scores(*rounded(data.lower, data.upper, 0.25), climb_to=1e-4)
        rank = rank_test(scores, data.second, data.site)
        notes.append(f"a rank test that takes no shape of life for granted has p {rank.p_value:.2g}")
    left, right = np.mean(data.lower == 0), np.mean(~np.isfinite(data.upper))
    notes.append(f"{left:.0%} were past at their first visit, {right:.0%} are not past yet")
    notes.append(f"likelihood ratio {2 * (fit.log_likelihood - log_likelihood_null):.1f} before clustering")
    if data.dropped:
        notes.append(f"{data.dropped} electrodes left out for want of what is held fixed")
    return "; ".join(notes)


def judge(p_adjusted: float | None, low: float | None, high: float | None, converged: bool) -> str:
    """Give the verdict: 'supported', 'not supported' (the interval excludes what matters) or "can't tell"."""
    if not converged or p_adjusted is None or low is None or high is None:
        return "can't tell"
    if p_adjusted < LEVEL and (low > 1 or high < 1):
        return "supported"
    return "not supported" if low > 1 / MATTERS and high < MATTERS else "can't tell"


def compare_two(
    frame: pl.DataFrame,
    question: Question,
    rng: np.random.Generator,
    asked_on: dt.date,
) -> pl.DataFrame:
    """Answer whether two groups differ in time to threshold: one row of the table `hypotheses`.

    `frame`: lower, upper (or lower_years, upper_years), group (or the column question.compare), site_id, and
    numeric columns for question.held_fixed. The effect is the ratio of times, second over first, of a Weibull
    accelerated life; its 95 % interval is Wald's, clustered by site with sites - 2 degrees of freedom; with
    few sites the p value is that of exchanging whole sites. p_adjusted equals p_value until `adjust`.
    """
    data = _gather(frame, question)
    row: dict[str, object] = dict.fromkeys(HYPOTHESES)
    row |= {
        "question_id": question.question_id,
        "asked_on": asked_on,
        "question": question.words,
        "outcome": question.outcome,
        "compared": f"{question.compare}: {question.first}, {question.second}",
        "compare": question.compare,
        "first": question.first,
        "second": question.second,
        "held_fixed": ", ".join(question.held_fixed),
        "electrodes": data.lower.size,
        "sites": int(np.unique(data.site).size),
        "effect_unit": "ratio of times to threshold, second over first",
        "converged": False,
        "verdict": "can't tell",
        "power_ratio": POWER_RATIO,
    }
    missing = _too_little(data, question)
    if missing:
        row |= {"method": "not fitted", "sentence": f"It can't be told: {missing}."}
        return pl.DataFrame([row], schema=HYPOTHESES)
    medians = (_median(data, ~data.second), _median(data, data.second))
    if _thin(data):
        row |= _bounded(data, rng)
        return _answered(row, question, medians)
    fit = fit_accelerated_life(data.lower, data.upper, data.design(), cluster=data.site)
    if not fit.converged:
        row |= {
            "method": "Weibull accelerated life, not converged",
            "sentence": "It can't be told: the comparison could not be fitted to these readings.",
        }
        return pl.DataFrame([row], schema=HYPOTHESES)
    row |= _estimate(data, fit, rng)
    null = fit_accelerated_life(data.lower, data.upper, np.delete(data.design(), 1, axis=1))
    row["checks"] = _checks(data, fit, null.log_likelihood)
    return _answered(row, question, medians)


def _answered(row: dict[str, object], question: Question, medians: tuple[Median, Median]) -> pl.DataFrame:
    """Give the row with its verdict and sentence as a table."""
    low, high = (float(row[k]) for k in ("effect_low", "effect_high"))  # type: ignore[arg-type]
    row["verdict"] = judge(float(row["p_value"]), low, high, True)  # type: ignore[arg-type]
    row["sentence"] = sentence_of(question, str(row["verdict"]), medians, row)
    return pl.DataFrame([row], schema=HYPOTHESES)


def _estimate(data: _Data, fit: AcceleratedLife, rng: np.random.Generator) -> dict[str, object]:
    """Give effect, interval, p value, power and method."""
    error = float(np.sqrt(fit.covariance[1, 1]))
    freedom = max(fit.clusters - 2 - data.held.shape[1], 1)
    wide = float(student.ppf(0.975, freedom)) * error
    wald = float(2 * student.sf(abs(fit.beta[1]) / error, freedom))
    crossed = np.isfinite(data.upper)
    fewest = min(data.sites_of(crossed & ~data.second), data.sites_of(crossed & data.second))
    exchanged = _permutation_p(data, rng) if fewest < PERMUTE_BELOW_SITES else None
    reach = np.log(POWER_RATIO) / error
    limit = float(student.ppf(0.975, freedom))
    method = "Weibull accelerated life on intervals, clustered by site; p of "
    return {
        "effect": float(np.exp(fit.beta[1])),
        "effect_low": float(np.exp(fit.beta[1] - wide)),
        "effect_high": float(np.exp(fit.beta[1] + wide)),
        "p_value": wald if exchanged is None else exchanged,
        "p_adjusted": wald if exchanged is None else exchanged,
        "power": float(norm.sf(limit - reach) + norm.cdf(-limit - reach)),
        "method": method + ("Wald's test" if exchanged is None else "whole sites exchanged"),
        "converged": True,
    }


def _bounded(data: _Data, rng: np.random.Generator) -> dict[str, object]:
    """Bound the ratio where one group has hardly crossed: a profile of the likelihood, widened.

    The profile is over the ratio (times of the second group divided by it), its limit chi-squared's times the
    design effect of the score by sites (Rao and Scott 1981); p is that of exchanging whole sites.
    """
    null = np.column_stack([np.ones(data.lower.size), data.held])
    residual = fit_accelerated_life(data.lower, data.upper, null).scores[:, 0] * (
        data.second - data.second.mean()
    )
    _, number = np.unique(data.site, return_inverse=True)
    effect = max(float(np.sum(np.bincount(number, weights=residual) ** 2) / np.sum(residual**2)), 1.0)
    logs = np.linspace(-WIDEST_LOG_RATIO, WIDEST_LOG_RATIO, 41)
    height = np.empty(logs.size)
    for k, log_ratio in enumerate(logs):
        scale = np.exp(-log_ratio * data.second)
        height[k] = fit_accelerated_life(data.lower * scale, data.upper * scale, null).log_likelihood
    inside = 2 * (height.max() - height) <= chi2.ppf(0.95, 1) * effect
    first, last = int(np.argmax(inside)), int(logs.size - 1 - np.argmax(inside[::-1]))
    best = int(np.argmax(height))
    both = first > 0 and last < logs.size - 1
    p = _permutation_p(data, rng)
    return {
        "effect": float(np.exp(logs[best])) if both else None,
        "effect_low": float(np.exp(logs[first - 1])) if first > 0 else 0.0,
        "effect_high": float(np.exp(logs[last + 1])) if last < logs.size - 1 else float("inf"),
        "p_value": p,
        "p_adjusted": p,
        "method": "Weibull accelerated life, profile widened by site clustering; p of whole sites exchanged",
        "converged": True,
        "checks": f"one group has crossed on fewer than {THIN_SITES} sites; design effect {effect:.1f}",
    }


def adjust(rows: pl.DataFrame) -> pl.DataFrame:
    """Adjust the p values of all questions asked (Benjamini and Hochberg 1995), the newest asking of each.

    Questions that could not be answered have no p value and count for nothing. Verdicts are judged anew;
    where the adjustment takes one back the sentence says so. Adjusting twice changes nothing.
    """
    from statsmodels.stats.multitest import multipletests

    newest = rows.sort("asked_on", maintain_order=True).unique(
        "question_id", keep="last", maintain_order=True
    )
    asked = newest.filter(pl.col("p_value").is_not_null())
    if asked.is_empty():
        return newest
    adjusted = multipletests(asked["p_value"].to_numpy(), alpha=LEVEL, method="fdr_bh")[1]
    table = dict(zip(asked["question_id"], adjusted, strict=True))
    return pl.DataFrame([_judged(row, table) for row in newest.iter_rows(named=True)], schema=newest.schema)


def _judged(row: dict[str, object], adjusted: dict[str, float]) -> dict[str, object]:
    """Give the row with its adjusted p value, and its verdict and sentence under that."""
    p = adjusted.get(str(row["question_id"]))
    verdict = judge(p, row["effect_low"], row["effect_high"], bool(row["converged"]))  # type: ignore[arg-type]
    alone = judge(row["p_value"], row["effect_low"], row["effect_high"], bool(row["converged"]))  # type: ignore[arg-type]
    sentence = str(row["sentence"]).split(TAKEN_BACK)[0]
    if alone == "supported" and verdict != "supported":
        sentence += f"{TAKEN_BACK} {len(adjusted)} questions asked this is no more than chance may bring."
    return row | {"p_adjusted": p, "verdict": verdict, "sentence": sentence}


def two_most_populated(
    crossings: pl.DataFrame, compare: str = "soil_class", *, leave_out: Sequence[str] = ()
) -> tuple[str, str] | None:
    """Give the two groups with the most sites, which no outcome has chosen; None where there are not two.

    Choosing the pair that differs most and then testing it would find a difference in any fleet.
    """
    told = crossings.filter((pl.col("lower_years") > 0) | pl.col("upper_years").is_finite())
    sizes = (
        told.filter(pl.col(compare).is_not_null() & ~pl.col(compare).is_in(list(leave_out)))
        .group_by(compare)
        .agg(pl.col("site_id").n_unique().alias("sites"), pl.len().alias("electrodes"))
        .filter((pl.col("sites") >= LEAST_SITES) & (pl.col("electrodes") >= LEAST_ELECTRODES))
        .sort(["sites", "electrodes", compare], descending=[True, True, False])
    )
    if sizes.height < 2:
        return None
    first, second = sorted(sizes[compare].head(2).to_list())
    return first, second
