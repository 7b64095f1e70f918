"""The regressions that questions are answered by, in one form: lives, breaks, growth; clustered by site."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.accelerated_life import fit_accelerated_life
from models.question_data import Data

Array = NDArray[np.float64]

MOST_STEPS = 60
FLAT = 1e-9
TINY = 1e-12


@dataclass(frozen=True)
class Fit:
    """A fit: beta (k,), inverse information (m, m), each row's scores (n, m); m >= k, nuisance last."""

    beta: Array
    bread: Array
    scores: Array
    log_likelihood: float
    converged: bool
    nuisance: Array
    """ln sigma of a life; empty for rates."""


def fit_outcome(data: Data, design: Array, outcome: str, shift: Array | None = None) -> Fit:
    """Fit an outcome on the design (n, k): log times, or log rates; `shift` (n,) is taken as given.

    time_to_threshold and onset: Weibull accelerated life on intervals. sudden_breaks: chance of having broken
    in the years watched, 1 - exp(-rate years) (complementary log-log; McCullagh and Nelder 1989, 4.3).
    growth: log mean of the growth rate, weighted by the years read since the rod rose (quasi-likelihood,
    ibid. ch. 9; it may be below zero in a rod). Raises ValueError where nothing has happened.
    """
    moved = np.zeros(data.x.size) if shift is None else shift
    if outcome in ("time_to_threshold", "onset"):
        lower, upper = (data.rows[n].to_numpy().astype(np.float64) for n in ("lower_years", "upper_years"))
        return _life(lower * np.exp(-moved), upper * np.exp(-moved), design)
    if outcome == "sudden_breaks":
        years = data.rows["watched_years"].to_numpy().astype(np.float64)
        return fit_log_rate(data.event.astype(np.float64), design, np.log(years) + moved)
    growth, years = (data.rows[n].to_numpy().astype(np.float64) for n in ("growth", "risen_years"))
    return fit_log_mean(growth, design, moved, years / years.mean())


def _life(lower: Array, upper: Array, design: Array) -> Fit:
    """Fit a Weibull life on centred columns, from which the search sets out better, and turn them back."""
    width = design.shape[1]
    turn = np.eye(width)
    turn[0, 1:] = design[:, 1:].mean(axis=0)  # design = centred @ turn
    centred = np.hstack([design[:, :1], design[:, 1:] - turn[0, 1:]])
    life = fit_accelerated_life(lower, upper, centred)
    back = np.eye(width + 1)
    back[0, 1:width] = -turn[0, 1:]
    return Fit(
        beta=back[:width, :width] @ life.beta,
        bread=back @ life.covariance @ back.T,
        scores=life.scores @ np.linalg.inv(back),
        log_likelihood=life.log_likelihood,
        converged=life.converged,
        nuisance=np.array([np.log(life.sigma)]),
    )


def fit_log_rate(y: Array, design: Array, offset: Array) -> Fit:
    """Fit P(y = 1) = 1 - exp(-exp(design b + offset)) by scoring; y (n,) of 0 and 1.

    Raises ValueError where no row is 1.
    """
    if not np.any(y > 0):
        raise ValueError("Nothing has happened: a rate cannot be fitted.")

    def parts(beta: Array) -> tuple[float, Array, Array]:
        mu = np.exp(np.clip(design @ beta + offset, -30.0, 30.0))
        p = np.maximum(-np.expm1(-mu), TINY)
        value = float(np.sum(np.where(y > 0, np.log(p), -mu)))
        return value, mu * (y / p - 1.0), mu**2 * np.exp(-mu) / p

    start = np.zeros(design.shape[1])
    start[0] = np.log(y.sum() / np.exp(offset).sum())
    fit = _scored(parts, design, start)
    if not fit.converged:
        return fit
    # The search goes by the expected information; the sandwich rests on the observed one.
    mu = np.exp(np.clip(design @ fit.beta + offset, -30.0, 30.0))
    rise = np.expm1(mu)
    observed = np.where(y > 0, mu * (mu * np.exp(mu) - rise) / np.maximum(rise, TINY) ** 2, mu)
    bread = np.asarray(np.linalg.inv(design.T @ (design * observed[:, None])), dtype=np.float64)
    return Fit(fit.beta, bread, fit.scores, fit.log_likelihood, True, fit.nuisance)


def fit_log_mean(y: Array, design: Array, offset: Array, weight: Array) -> Fit:
    """Fit E y = exp(design b + offset) by the weighted quasi-score of Poisson's form; y (n,) of any sign.

    Raises ValueError where the mean of y is not above zero.
    """
    mean = float(np.average(y, weights=weight))
    if mean <= 0:
        raise ValueError("The mean is not above zero: it has no logarithm.")

    def parts(beta: Array) -> tuple[float, Array, Array]:
        eta = np.clip(design @ beta + offset, -30.0, 30.0)
        mu = np.exp(eta)
        return float(np.sum(weight * (y * eta - mu))), weight * (y - mu), weight * mu

    start = np.zeros(design.shape[1])
    start[0] = np.log(mean)
    return _scored(parts, design, start)


def _scored(parts, design: Array, beta: Array) -> Fit:  # type: ignore[no-untyped-def]
    """Climb by Fisher's scoring with halved steps; parts(beta) gives value, row slopes, row information."""
    value, slope, information = parts(beta)
    for _ in range(MOST_STEPS):
        matrix = design.T @ (design * information[:, None])
        gradient = design.T @ slope
        if np.max(np.abs(gradient)) < FLAT * max(y_scale(slope), 1.0):
            break
        step = np.linalg.lstsq(matrix, gradient, rcond=None)[0]
        for _ in range(30):
            ahead = parts(beta + step)
            if np.isfinite(ahead[0]) and ahead[0] >= value - 1e-12:
                break
            step = step / 2
        beta, (value, slope, information) = beta + step, ahead
    matrix = design.T @ (design * information[:, None])
    flat = bool(np.max(np.abs(design.T @ slope)) < 1e-6 * max(y_scale(slope), 1.0))
    sound = bool(np.linalg.cond(matrix) < 1e10 and np.max(np.abs(beta[1:]), initial=0.0) < 15.0)
    bread = np.linalg.inv(matrix) if sound else np.full(matrix.shape, np.nan)
    return Fit(beta, bread, design * slope[:, None], value, flat and sound, np.empty(0))


def y_scale(slope: Array) -> float:
    """Give the size of the rows' slopes, by which a flat gradient is told."""
    return float(np.sum(np.abs(slope)))


@dataclass(frozen=True)
class Estimate:
    """One coefficient: its value, clustered standard error, degrees of freedom."""

    value: float
    error: float
    freedom: float


def estimate(fit: Fit, data: Data, column: int = 1) -> Estimate:
    """Give a coefficient of a fit with its error by sites (sandwich; Liang and Zeger 1986).

    Where each site is of one group the two groups' parts are widened each by its own count of sites, with the
    degrees of freedom of Welch (1947): a group of few sites is as little known as it is. Else by all sites.
    """
    sums = np.zeros((data.sites, fit.scores.shape[1]))
    np.add.at(sums, data.site, fit.scores)
    pull = (sums @ fit.bread[:, column]) ** 2
    sites, held = data.sites, data.held.shape[1]
    freedom = max(sites - 2.0 - held, 1.0)
    two_valued = np.unique(data.x).size == 2
    if column != 1 or not two_valued or data.within_sites:
        variance = float(pull.sum()) * sites / max(sites - 1, 1)
        return Estimate(float(fit.beta[column]), float(np.sqrt(variance)), freedom)
    second = np.zeros(sites, dtype=bool)
    second[data.site[data.second]] = True
    parts, spare = [], []
    for group in (second, ~second):
        count = int(group.sum())
        parts.append(float(pull[group].sum()) * count / max(count - 1, 1))
        spare.append(max(count - 1, 1))
    variance = sum(parts)
    welch = variance**2 / max(sum(p**2 / n for p, n in zip(parts, spare, strict=True)), TINY**2)
    return Estimate(
        float(fit.beta[1]), float(np.sqrt(variance)), float(np.clip(welch - held / 2, 1.0, freedom))
    )
