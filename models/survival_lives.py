"""What fitted lives say: share past, hazard by age, the chance of a rod not past at an age, and residuals.

A life is a regression of `accelerated_life` or one with a site frailty of `survival_frailty`. Shares and
hazards are those of rods taken at random: the sites' effects are summed over, not set to their middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from models.accelerated_life import FAMILIES, AcceleratedLife
from models.survival_frailty import FrailtyLife
from models.turnbull import Band, turnbull_band

Array = NDArray[np.float64]

SITE_NODES = 21
DRAWS = 400
LEVEL = 0.90
# The log hazard never strays so far that its exponential overflows.
MOST_DRAWN = 8.0

Fit = AcceleratedLife | FrailtyLife


def frailty_sd(fit: Fit) -> float:
    """Give the sd of the sites' effects on ln T; 0 where the fit has none."""
    return fit.frailty_sd if isinstance(fit, FrailtyLife) else 0.0


def parameters(fit: Fit) -> int:
    """Count the parameters of a fit."""
    return fit.beta.size + 1 + isinstance(fit, FrailtyLife)


def aic(fit: Fit) -> float:
    """Give Akaike's criterion: twice the parameters less twice the log-likelihood; the lowest is best."""
    return 2.0 * parameters(fit) - 2.0 * fit.log_likelihood


def _survival_and_density(fit: Fit, theta: Array, row: Array, age: Array) -> tuple[Array, Array]:
    """Give S and f by age, each (D, T), for draws theta (D, k + 2) of (beta, ln sigma, ln frailty sd)."""
    family = FAMILIES[fit.family]
    z, w = np.polynomial.hermite_e.hermegauss(SITE_NODES)
    sigma, sd = np.exp(theta[:, -2]), np.exp(theta[:, -1])
    with np.errstate(divide="ignore"):
        ln_t = np.log(np.asarray(age, dtype=np.float64))
    mean = (theta[:, :-2] @ row)[:, None, None] + sd[:, None, None] * z[None, :, None]
    at = np.clip((ln_t[None, None, :] - mean) / sigma[:, None, None], -1e4, 1e4)
    weight = (w / w.sum())[None, :, None]
    survival = (weight * np.exp(family.log_survival(at))).sum(axis=1)
    density = (weight * np.exp(np.maximum(family.log_density(at), -700.0))).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_age = density / (sigma[:, None] * np.exp(ln_t)[None, :])
    return survival, np.where(np.isneginf(ln_t), 0.0, by_age)


def _theta(fit: Fit) -> Array:
    sd = frailty_sd(fit)
    return np.concatenate([fit.beta, [np.log(fit.sigma), np.log(sd) if sd > 0 else -np.inf]])


def _draws(fit: Fit, rng: np.random.Generator, draws: int) -> Array:
    """Draw (D, k + 2) parameters from the normal that the fit's covariance gives."""
    middle = _theta(fit)
    known = fit.covariance.shape[0] if frailty_sd(fit) > 0 else fit.beta.size + 1
    covariance = fit.covariance[:known, :known]
    root = np.linalg.cholesky(covariance + 1e-12 * np.eye(known))
    out = np.tile(middle, (draws, 1))
    out[:, :known] += np.clip(rng.normal(size=(draws, known)) @ root.T, -MOST_DRAWN, MOST_DRAWN)
    return out


@dataclass(frozen=True)
class ByAge:
    """A quantity by age with a pointwise 90 % interval, each (T,)."""

    age_years: Array
    value: Array
    low: Array
    high: Array


def _between(age: Array, value: Array, drawn: Array) -> ByAge:
    tail = (1 - LEVEL) / 2
    low, high = np.quantile(drawn, [tail, 1 - tail], axis=0)
    return ByAge(age, value, low, high)


def share_by_age(
    fit: Fit, age_years: ArrayLike, rng: np.random.Generator, row: ArrayLike = (1.0,), draws: int = DRAWS
) -> ByAge:
    """Give the share past threshold by age (T,) at covariates `row` (k,)."""
    age, x = np.asarray(age_years, dtype=np.float64), np.asarray(row, dtype=np.float64)
    middle, _ = _survival_and_density(fit, _theta(fit)[None, :], x, age)
    drawn, _ = _survival_and_density(fit, _draws(fit, rng, draws), x, age)
    return _between(age, 1 - middle[0], 1 - drawn)


def median_life(fit: Fit, row: ArrayLike = (1.0,)) -> tuple[float, float]:
    """Give ln of the age by which half of the rods taken at random are past, and its standard error."""
    x, theta = np.asarray(row, dtype=np.float64), _theta(fit)

    def share_left(ln_t: float, at: Array = theta[None, :]) -> Array:
        return _survival_and_density(fit, at, x, np.exp([ln_t]))[0][:, 0] - 0.5

    about, wide = float(theta[:-2] @ x), 6.0 * (fit.sigma + frailty_sd(fit)) + 1.0
    ln_t = float(brentq(lambda v: share_left(v)[0], about - wide, about + wide, xtol=1e-10))
    known = fit.covariance.shape[0] if frailty_sd(fit) > 0 else fit.beta.size + 1
    moved = np.repeat(theta[None, :], 2 * known, axis=0)
    step = 1e-5
    for j in range(known):
        moved[2 * j, j] += step
        moved[2 * j + 1, j] -= step
    slope = share_left(ln_t, moved).reshape(known, 2) @ np.array([0.5, -0.5]) / step
    _, density = _survival_and_density(fit, theta[None, :], x, np.exp([ln_t]))
    pull = slope / (density[0, 0] * np.exp(ln_t))
    return ln_t, float(np.sqrt(pull @ fit.covariance[:known, :known] @ pull))


def hazard_by_age(
    fit: Fit, age_years: ArrayLike, rng: np.random.Generator, row: ArrayLike = (1.0,), draws: int = DRAWS
) -> ByAge:
    """Give crossings per year among rods not past yet, by age (T,), at covariates `row` (k,)."""
    age, x = np.asarray(age_years, dtype=np.float64), np.asarray(row, dtype=np.float64)

    def hazard(theta: Array) -> Array:
        survival, density = _survival_and_density(fit, theta, x, age)
        return density / np.maximum(survival, 1e-12)

    return _between(age, hazard(_theta(fit)[None, :])[0], hazard(_draws(fit, rng, draws)))


def chance_ahead(
    fit: Fit,
    now_years: float,
    ahead_years: ArrayLike,
    rng: np.random.Generator,
    row: ArrayLike = (1.0,),
    draws: int = DRAWS,
) -> ByAge:
    """Give the chance that a rod not past at age now_years is past so many years later (T,).

    For any rod of the class: its own readings, and its neighbours', say more (electrode_outlook).
    """
    ahead, x = np.asarray(ahead_years, dtype=np.float64), np.asarray(row, dtype=np.float64)
    ages = np.concatenate([[now_years], now_years + ahead])

    def chance(theta: Array) -> Array:
        survival, _ = _survival_and_density(fit, theta, x, ages)
        return 1 - survival[:, 1:] / np.maximum(survival[:, :1], 1e-12)

    return _between(ahead, chance(_theta(fit)[None, :])[0], chance(_draws(fit, rng, draws)))


def turnbull_ahead(band: Band, now_years: float, ahead_years: ArrayLike) -> ByAge:
    """Give the same from Turnbull's curve and its resampled ones; NaN where no band is claimed."""
    ahead = np.asarray(ahead_years, dtype=np.float64)
    last = band.age_years.size - 1
    now = int(np.searchsorted(band.age_years, now_years))
    then = np.searchsorted(band.age_years, now_years + ahead)
    known = (then <= last) & (now <= last)
    then, now = np.minimum(then, last), min(now, last)
    # Before any band is claimed hardly a rod has crossed: a start from there is a start from none.
    known &= band.claimed[then] & (band.claimed[now] | ~band.claimed[:now].any())

    def chance(share: Array) -> Array:
        return 1 - (1 - share[..., then]) / np.maximum(1 - share[..., now], 1e-9)[..., None]

    if not known.any():
        nothing = np.full(ahead.shape, np.nan)
        return ByAge(ahead, nothing, nothing, nothing)
    found = _between(ahead, chance(band.share_past), np.maximum(chance(band.curves), 0.0))
    return ByAge(ahead, *(np.where(known, v, np.nan) for v in (found.value, found.low, found.high)))


def turnbull_hazard(band: Band, width_years: float = 5.0) -> ByAge:
    """Give crossings per year among rods not past yet, in stretches of age, at their middles.

    From Turnbull's curve, which has no hazard at a point; stretches end where no band is claimed.
    """
    claimed = np.flatnonzero(band.claimed)
    last = band.age_years[claimed[-1]] if claimed.size else 0.0
    edges = np.arange(0.0, last + 1e-9, width_years)
    if edges.size < 2:
        nothing = np.zeros(0)
        return ByAge(nothing, nothing, nothing, nothing)
    at = np.searchsorted(band.age_years, edges)

    def hazard(share: Array) -> Array:
        left = np.maximum(1 - share[..., at], 1e-9)
        return np.maximum(np.log(left[..., :-1] / left[..., 1:]), 0.0) / width_years

    return _between((edges[:-1] + edges[1:]) / 2, hazard(band.share_past), hazard(band.curves))


@dataclass(frozen=True)
class Residuals:
    """Turnbull's estimate of the residuals -ln S(T) beside the unit exponential that they are under the fit.

    residual (T,), share and the band that holds throughout (T,), expected (T,) = 1 - e^-residual. farthest:
    the largest gap between them; leaves: whether the exponential leaves the band where that is claimed.
    """

    residual: Array
    share: Array
    low: Array
    high: Array
    expected: Array
    farthest: float
    leaves: bool


RESIDUAL_STEP, MOST_RESIDUAL = 0.1, 3.0


def residuals(
    fit: Fit,
    lower: ArrayLike,
    upper: ArrayLike,
    site: ArrayLike,
    rng: np.random.Generator,
    covariates: ArrayLike | None = None,
    resamples: int = 30,
) -> Residuals:
    """Set the residuals of intervals (n,) beside the unit exponential (Cox and Snell 1968; Turnbull's curve).

    covariates (n, k) as fitted. S is that of rods taken at random, so that residuals of one site move
    together where there is a frailty: the band is clustered by site.
    """
    low, up = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    x = np.ones((low.size, 1)) if covariates is None else np.asarray(covariates, dtype=np.float64)
    ends = np.empty((2, low.size))
    for row in np.unique(x, axis=0):
        mine = np.all(x == row, axis=1)
        for k, end in enumerate((low, up)):
            survival, _ = _survival_and_density(fit, _theta(fit)[None, :], row, end[mine])
            ends[k, mine] = np.where(np.isinf(end[mine]), np.inf, -np.log(np.maximum(survival[0], 1e-30)))
    grid = np.arange(RESIDUAL_STEP, MOST_RESIDUAL, RESIDUAL_STEP)
    band = turnbull_band(
        ends[0], np.maximum(ends[1], ends[0] + 1e-9), site, grid, rng, resamples=resamples,
        round_to=RESIDUAL_STEP / 5,
    )  # fmt: skip
    expected = -np.expm1(-grid)
    known = band.claimed & np.isfinite(band.low_all)
    gap = np.abs(band.share_past - expected)
    outside = (expected < band.low_all) | (expected > band.high_all)
    return Residuals(
        grid,
        band.share_past,
        band.low_all,
        band.high_all,
        expected,
        float(gap[known].max()) if known.any() else float("nan"),
        bool(outside[known].any()),
    )
