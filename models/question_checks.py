"""What an answer rests on, checked; what is typical of each group; the data of its chart."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import norm

from models.accelerated_life import LOGNORMAL, fit_accelerated_life
from models.hypothesis_words import Level, Question
from models.question_data import Data
from models.question_fits import Fit, estimate, fit_log_mean, fit_log_rate, fit_outcome
from models.question_inference import DRAWN_TO_ONE, THIN_SITES, fewest_sites, power_of
from models.rank_tests import rank_scores, rank_test
from models.turnbull import rounded, turnbull_band

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]

LEVEL = 0.05
LEAST_EVENTS = 3
TIMES = ("time_to_threshold", "onset")
RESAMPLES = 100
FIFTHS = 5
POWER_RATIOS = np.geomspace(1.0, 3.0, 23)
CHARTS = {
    "question_id": pl.String,
    "series": pl.String,
    "kind": pl.String,
    "x": pl.Float64,
    "mid": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "at_risk": pl.Int64,
}
BUILT = ("observed_tied_in", "observed_isolated")


def _ends(data: Data) -> tuple[Array, Array]:
    lower, upper = (data.rows[n].to_numpy().astype(np.float64) for n in ("lower_years", "upper_years"))
    return lower, upper


def checks_of(data: Data, question: Question) -> str:
    """Say how the assumptions stand, in one line of notes."""
    notes = _life_notes(data, question) if question.outcome in TIMES else _rate_notes(data, question)
    if "baseline_source" in data.rows.columns and question.outcome in TIMES:
        notes += _baseline_note(data, question)
    if data.dropped:
        notes.append(f"{data.dropped} electrodes left out for want of what is held fixed")
    return "; ".join(notes)


def _life_notes(data: Data, question: Question) -> list[str]:
    lower, upper = _ends(data)
    notes = [] if question.slope else [_common_shape(data)]
    other = fit_accelerated_life(lower, upper, data.design(), family=LOGNORMAL)
    if other.converged:
        notes.append(f"a log-normal life would put the ratio at {np.exp(other.beta[1]):.2f}")
    else:
        notes.append("a log-normal life did not converge")
    if question.slope:
        notes.append(_bend(data, question))
    elif not data.within_sites and data.held.shape[1] == 0:
        # Rounded visits keep the pooled estimate's cells few.
        scores = rank_scores(*rounded(lower, upper, 0.25), climb_to=1e-4)
        rank = rank_test(scores, data.second, data.site)
        notes.append(f"a rank test that takes no shape of life for granted has p {rank.p_value:.2g}")
    left, right = np.mean(lower == 0), np.mean(~np.isfinite(upper))
    notes.append(f"{left:.0%} were there at their first visit, {right:.0%} are not there yet")
    if question.outcome in DRAWN_TO_ONE:
        drawn = question.margin ** DRAWN_TO_ONE[question.outcome]
        notes.append(f"ratios of onsets come out a little near to 1: equivalence is held to {drawn:.2f}")
    return notes


def _common_shape(data: Data) -> str:
    """Compare the shape of life of the groups: a ratio of times takes one shape for both."""
    lower, upper = _ends(data)
    logs, variances = [], []
    for group in (~data.second, data.second):
        if data.event[group].sum() >= LEAST_EVENTS and data.sites_of(group) > 1:
            own = fit_accelerated_life(lower[group], upper[group], cluster=data.site[group])
            if own.converged:
                logs.append(np.log(own.sigma))
                variances.append(own.covariance[-1, -1])
    if len(logs) < 2:
        return "common shape could not be checked"
    p = 2 * norm.sf(abs(logs[1] - logs[0]) / np.sqrt(sum(variances)))
    return f"common shape {'doubtful' if p < LEVEL else 'not contradicted'} (p {p:.2g})"


def _bend(data: Data, question: Question) -> str:
    """Test whether the slope bends: a square term, by sites."""
    bent = np.hstack([data.design(), (data.x**2)[:, None]])
    try:
        fit = fit_outcome(data, bent, question.outcome)
    except ValueError:
        return "whether the slope bends could not be checked"
    if not fit.converged:
        return "whether the slope bends could not be checked"
    found = estimate(fit, data, column=bent.shape[1] - 1)
    p = 2 * norm.sf(abs(found.value) / found.error)
    return f"straight slope {'doubtful' if p < LEVEL else 'not contradicted'} (p {p:.2g})"


def _baseline_note(data: Data, question: Question) -> list[str]:
    """Ask again of the rods whose resistance was measured when new: other baselines lean on the model."""
    built = data.rows["baseline_source"].is_in(BUILT).to_numpy()
    if not built.any() or built.all():
        return []
    part = data.part(built, question.held_fixed)
    if min(part.sites_of(part.event & part.second), part.sites_of(part.event & ~part.second)) < LEAST_EVENTS:
        return [f"too few of the {int(built.sum())} rods measured when new have got there to ask them alone"]
    design = part.design()
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return []
    fit = fit_outcome(part, design, question.outcome)
    if not fit.converged:
        return []
    found = estimate(fit, part)
    low, high = np.exp(found.value + np.array([-1.96, 1.96]) * found.error)
    ratio = f"{np.exp(found.value):.2f} ({low:.2f}-{high:.2f})"
    return [f"of the {int(built.sum())} rods measured when new the ratio is {ratio}"]


def _rate_notes(data: Data, question: Question) -> list[str]:
    notes = [_bend(data, question)] if question.slope else []
    if question.outcome == "growth":
        years = data.rows["growth_years"].to_numpy()
        notes.append(f"slopes over {np.median(years):.0f} years in the middle")
        below = float(np.mean(data.rows["growth"].to_numpy() <= 0))
        notes.append(f"{below:.0%} of the rods did not rise over those years")
        drawn = question.margin ** DRAWN_TO_ONE["growth"]
        notes.append(f"slow rods are seen when they are fast, so that equivalence is held to {drawn:.2f}")
        return notes
    watched = float(data.rows["watched_years"].sum())
    broken = data.rows.select("site_id", pl.Series("_event", data.event)).filter("_event")
    most = max(broken.group_by("site_id").len()["len"].to_list(), default=0)
    notes.append(f"{int(data.event.sum())} confirmed breaks in {watched:,.0f} electrode-years")
    notes.append(f"at most {most} at one site")
    return notes


def levels_of(data: Data, question: Question) -> tuple[Level, Level] | None:
    """Give what is typical of each group, nothing held, with a 90 % interval; None of a slope."""
    if question.slope:
        return None
    first, second = (level_of(data, g, question.outcome) for g in (~data.second, data.second))
    return first, second


def level_of(data: Data, group: Marks, outcome: str) -> Level:
    """Give a group's median age, its growth in % a year, or its breaks a year."""
    part = data.part(group)
    rows = part.rows
    if outcome in TIMES:
        return _median(part)
    if outcome == "growth":
        years = rows["risen_years"].to_numpy()
        return _rate(part, lambda: fit_log_mean(
            rows["growth"].to_numpy(), np.ones((rows.height, 1)), np.zeros(rows.height), years / years.mean()
        ), 100.0, float(years.sum()))  # fmt: skip
    years = rows["watched_years"].to_numpy()
    return _rate(part, lambda: fit_log_rate(
        part.event.astype(np.float64), np.ones((rows.height, 1)), np.log(years)
    ), 1.0, float(years.sum()))  # fmt: skip


def _median(part: Data) -> Level:
    lower, upper = _ends(part)
    seen = float(np.max(np.where(np.isfinite(upper), upper, lower)))
    nothing = Level(np.nan, np.nan, np.nan, seen, False)
    if part.event.sum() < LEAST_EVENTS:
        return Level(np.inf, np.nan, np.nan, seen, False)
    fit = fit_accelerated_life(lower, upper, cluster=part.site)
    if not fit.converged:
        return nothing
    middle, error = fit.quantile([1.0], 0.5)
    ages = np.exp(np.clip(middle + error * norm.ppf([0.05, 0.5, 0.95]), -20, 20))
    return Level(float(ages[1]), float(ages[0]), float(ages[2]), seen, True)


def _rate(part: Data, fitted, unit: float, years: float) -> Level:  # type: ignore[no-untyped-def]
    try:
        fit: Fit = fitted()
    except ValueError:
        return Level(np.nan, np.nan, np.nan, years, False)
    if not fit.converged or part.sites < 2:
        return Level(np.nan, np.nan, np.nan, years, False)
    found = estimate(fit, part, column=0)
    rate = unit * np.exp(found.value + found.error * norm.ppf([0.05, 0.5, 0.95]))
    return Level(float(rate[1]), float(rate[0]), float(rate[2]), years, True)


def chart_of(
    data: Data, question: Question, rng: np.random.Generator, resamples: int = RESAMPLES
) -> pl.DataFrame:
    """Give the data of the question's chart, columns CHARTS.

    kind `share`: share there by age in years (Turnbull, 90 % band over sites) of the two groups. kind `rate`:
    the groups' growth in % a year, or breaks in 1,000 electrode-years. kind `slope`: the same, or a median
    age, in fifths of the sites by what is compared; x is its middle there. kind `power`, of every question
    that could be fitted: the chance (mid) that these data show a true ratio x. Empty where there is nothing.
    """
    if not question.slope and question.outcome in TIMES:
        parts = [
            _shares(data, group, name, rng, resamples)
            for name, group in zip(question.groups, (~data.second, data.second), strict=True)
        ]
    elif question.slope:
        parts = [_fifths(data, question)]
    else:
        parts = [
            _point(data, group, question, name, None)
            for name, group in zip(question.groups, (~data.second, data.second), strict=True)
        ]
    parts.append(_power(data, question))
    frame = pl.concat([p for p in parts if p is not None] or [pl.DataFrame(schema=CHARTS)])
    return frame.with_columns(pl.lit(question.question_id).alias("question_id")).select(
        pl.col(n).cast(kind) for n, kind in CHARTS.items()
    )


def _shares(
    data: Data, group: Marks, name: str, rng: np.random.Generator, resamples: int
) -> pl.DataFrame | None:
    lower, upper = (ends[group] for ends in _ends(data))
    if lower.size < LEAST_EVENTS or not np.any(np.isfinite(upper)):
        return None
    seen = float(np.max(np.where(np.isfinite(upper), upper, lower)))
    ages = np.arange(0.0, np.floor(seen) + 0.5, 1.0)
    band = turnbull_band(lower, upper, data.site[group], ages, rng, resamples=resamples)
    return pl.DataFrame(
        {
            "question_id": "",
            "series": name,
            "kind": "share",
            "x": ages,
            "mid": band.share_past,
            "low": band.low,
            "high": band.high,
            "at_risk": (lower[None, :] >= ages[:, None]).sum(axis=1),
        },
        schema=CHARTS,
    ).with_columns(pl.col("mid", "low", "high").fill_nan(None))


def _power(data: Data, question: Question) -> pl.DataFrame | None:
    """Give the chance to show each of POWER_RATIOS at this question's own standard error."""
    design = data.design()
    thin = question.outcome != "growth" and fewest_sites(data) < THIN_SITES
    if data.sites < 2 * LEAST_EVENTS or thin or np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    try:
        fit = fit_outcome(data, design, question.outcome)
    except ValueError:
        return None
    if not fit.converged:
        return None
    found, none = estimate(fit, data), [None] * POWER_RATIOS.size
    return pl.DataFrame(
        {
            "question_id": "",
            "series": "chance to be shown",
            "kind": "power",
            "x": POWER_RATIOS,
            "mid": [power_of(found, ratio) for ratio in POWER_RATIOS],
            "low": none,
            "high": none,
            "at_risk": [data.x.size] * POWER_RATIOS.size,
        },
        schema=CHARTS,
    )


def _fifths(data: Data, question: Question) -> pl.DataFrame | None:
    """Cut the rods in fifths by what is compared, sites kept whole as far as its values are theirs."""
    value = data.rows[question.compare].cast(pl.Float64).to_numpy().astype(np.float64)
    edges = np.unique(np.quantile(value, np.linspace(0, 1, FIFTHS + 1)))
    place = np.clip(np.searchsorted(edges, value, side="right") - 1, 0, max(edges.size - 2, 0))
    parts = [
        _point(data, place == k, question, "fifths of the rods", float(np.median(value[place == k])))
        for k in range(max(edges.size - 1, 0))
        if np.any(place == k)
    ]
    return pl.concat([p for p in parts if p is not None]) if any(p is not None for p in parts) else None


def _point(data: Data, group: Marks, question: Question, name: str, x: float | None) -> pl.DataFrame | None:
    level = level_of(data, group, question.outcome)
    if not level.converged:
        return None
    unit = 1000.0 if question.outcome == "sudden_breaks" else 1.0
    values = [min(unit * v, 1e3) for v in (level.value, level.low, level.high)]
    return pl.DataFrame(
        {
            "question_id": [""],
            "series": [name],
            "kind": ["rate" if x is None else "slope"],
            "x": [x],
            "mid": values[:1],
            "low": values[1:2],
            "high": values[2:],
            "at_risk": [int(group.sum())],
        },
        schema=CHARTS,
    )
