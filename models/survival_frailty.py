"""Accelerated-life regression with a site frailty: ln T = x beta + u + sigma W, u normal, one for each site.

The site's effect is integrated out by Gauss-Hermite nodes laid about each site's own mode (Pinheiro and Bates
1995). Within a climb the nodes stand still, so that the gradient is that of the very sum that is maximised;
then they are laid anew, until nothing moves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize
from scipy.stats import chi2

from models.accelerated_life import (
    WEIBULL,
    AcceleratedLife,
    Family,
    Rows,
    checked_ends,
    clustered,
    fit_accelerated_life,
    inverse,
    minimise,
    row_likelihood,
    scaled_rows,
    unit_of_ones,
)

Array = NDArray[np.float64]

NODES = 11
# The nodes' places hardly matter once they are near: what is left is taken up by the last Newton steps.
ROUNDS = 6
SETTLED = 1e-3
# A frailty of less than this of a log unit is none: the likelihood is flat from there to zero.
LEAST_SD = 0.02
MOST_LN_SD = 3.0
START_SD = 0.3


@dataclass(frozen=True)
class FrailtyLife:
    """A fit: beta (k,), sigma, and the sd of the sites' effects on ln T.

    covariance (k + 2, k + 2) of (beta, ln sigma, ln frailty_sd); scores (S, k + 2): each site's derivative of
    the log-likelihood. Where no frailty is found frailty_sd is 0, the covariance's last row and column too.
    """

    beta: Array
    sigma: float
    frailty_sd: float
    covariance: Array
    log_likelihood: float
    scores: Array
    converged: bool
    family: str
    clusters: int
    without: AcceleratedLife
    """The same regression without a frailty, errors clustered by site."""

    def p_none(self) -> float:
        """Give the p value of no frailty: half a chi-square with one degree (Self and Liang 1987)."""
        more = 2 * (self.log_likelihood - self.without.log_likelihood)
        return 1.0 if more <= 0 else 0.5 * float(chi2.sf(more, 1))


@dataclass(frozen=True)
class _Sites:
    """Rows in the order of their sites: weight (n,), first row of each site (S,), site of each row (n,)."""

    rows: Rows
    weight: Array
    start: NDArray[np.int64]
    of: NDArray[np.int64]

    def sums(self, values: Array) -> Array:
        """Sum (n, ...) weighted within sites: (S, ...)."""
        weight = self.weight.reshape(-1, *[1] * (values.ndim - 1))
        return np.add.reduceat(values * weight, self.start, axis=0)


def _columns(rows: Rows) -> Rows:
    """Give the rows as columns (n, 1), to be met by nodes (n, K)."""
    return Rows(
        rows.ln_lower[:, None], rows.ln_upper[:, None], rows.ln_entry[:, None], rows.x, rows.exact[:, None]
    )


@dataclass(frozen=True)
class _Nodes:
    """Places of the standardised effect (S, K) and the logs of their weights, the normal density inside."""

    place: Array
    log_weight: Array


def _lay_nodes(theta: Array, sites: _Sites, family: Family) -> _Nodes:
    """Lay Gauss-Hermite nodes about each site's mode, as wide as the curvature there says."""
    mean, sd = sites.rows.x @ theta[:-2], float(np.exp(theta[-1]))
    v = np.zeros(sites.start.size)

    def slope(at: Array) -> Array:
        _, by_mean, _ = row_likelihood(mean + sd * at[sites.of], float(theta[-2]), sites.rows, family)
        return sd * sites.sums(by_mean) - at

    step = 1e-4
    for _ in range(12):
        bend = np.minimum((slope(v + step) - slope(v - step)) / (2 * step), -0.5)
        move = np.clip(-slope(v) / bend, -1.0, 1.0)
        v = v + move
        if np.max(np.abs(move)) < 0.02:
            break
    width = 1 / np.sqrt(-bend)
    z, w = np.polynomial.hermite.hermgauss(NODES)
    place = v[:, None] + np.sqrt(2) * width[:, None] * z
    log_weight = np.log(w) + z * z + np.log(width)[:, None] - 0.5 * np.log(np.pi) - 0.5 * place * place
    return _Nodes(place, log_weight)


def _site_likelihood(theta: Array, sites: _Sites, nodes: _Nodes, family: Family) -> tuple[Array, Array]:
    """Give each site's log-likelihood (S,) and its derivative by (beta, ln sigma, ln sd) (S, k + 2)."""
    sd = float(np.exp(theta[-1]))
    effect = sd * nodes.place[sites.of]
    mean = (sites.rows.x @ theta[:-2])[:, None] + effect
    value, by_mean, by_scale = row_likelihood(mean, float(theta[-2]), _columns(sites.rows), family)
    at_node = sites.sums(value) + nodes.log_weight
    top = at_node.max(axis=1, keepdims=True)
    mass = np.exp(at_node - top)
    total = mass.sum(axis=1, keepdims=True)
    share = (mass / total)[sites.of]
    by_mean_all = (share * by_mean).sum(axis=1)
    rowwise = np.column_stack(
        [
            sites.rows.x * by_mean_all[:, None],
            (share * by_scale).sum(axis=1),
            (share * by_mean * effect).sum(axis=1),
        ]
    )
    return (top + np.log(total))[:, 0], sites.sums(rowwise)


def _entered(sites: _Sites) -> _Sites | None:
    """Give the rows as not past at their entry: what a site's rows were conditioned on; None without any."""
    if not np.any(np.isfinite(sites.rows.ln_entry)):
        return None
    r, n = sites.rows, sites.of.size
    seen = Rows(r.ln_entry, np.full(n, np.inf), np.full(n, -np.inf), r.x, np.zeros(n, dtype=bool))
    return _Sites(seen, sites.weight, sites.start, sites.of)


Likelihood = Callable[[Array], tuple[Array, Array]]


def _with_nodes(theta: Array, sites: _Sites, family: Family) -> Likelihood:
    """Give the likelihood of the sites with nodes laid for theta; entries are divided out site by site.

    A site's rods were all watched because none had crossed before its entry: that changes what is known of
    the site's effect, so the two integrals are taken apart.
    """
    bare = sites.rows
    free = Rows(bare.ln_lower, bare.ln_upper, np.full(bare.exact.size, -np.inf), bare.x, bare.exact)
    above = _Sites(free, sites.weight, sites.start, sites.of)
    below = _entered(sites)
    nodes = _lay_nodes(theta, above, family)
    nodes_in = None if below is None else _lay_nodes(theta, below, family)

    def value(at: Array) -> tuple[Array, Array]:
        found, score = _site_likelihood(at, above, nodes, family)
        if below is None or nodes_in is None:
            return found, score
        seen, score_in = _site_likelihood(at, below, nodes_in, family)
        return found - seen, score - score_in

    return value


def _sites_of(rows: Rows, site: NDArray[np.generic], weight: Array) -> _Sites:
    """Merge rows that are alike within a site, in the order of the sites."""
    _, number = np.unique(site, return_inverse=True)
    table = np.column_stack([number, rows.ln_lower, rows.ln_upper, rows.ln_entry, rows.x])
    alike, which = np.unique(table, axis=0, return_inverse=True)
    count = np.bincount(which.reshape(-1), weights=weight).astype(np.float64)
    of = alike[:, 0].astype(np.int64)
    _, start = np.unique(of, return_index=True)
    merged = Rows(alike[:, 1], alike[:, 2], alike[:, 3], alike[:, 4:], alike[:, 1] == alike[:, 2])
    return _Sites(merged, count, start.astype(np.int64), of)


def _climb(theta: Array, sites: _Sites, family: Family, free: NDArray[np.bool_]) -> tuple[Array, Likelihood]:
    """Climb with nodes at rest, lay them anew, and so on until nothing moves; `free`: what may move."""
    total = sites.weight.sum()
    for _ in range(ROUNDS):
        likelihood = _with_nodes(theta, sites, family)

        def loss(part: Array, at: Array = theta, likelihood: Likelihood = likelihood) -> tuple[float, Array]:
            whole = at.copy()
            whole[free] = part
            value, score = likelihood(whole)
            return -float(value.sum()) / total, -score.sum(axis=0)[free] / total

        bounds: list[tuple[float | None, float | None]] = [(None, None)] * theta.size
        bounds[-1] = (float(np.log(LEAST_SD / 2)), MOST_LN_SD)
        own = [b for b, f in zip(bounds, free, strict=True) if f]
        moved = theta.copy()
        moved[free] = minimize(
            loss, theta[free], jac=True, method="L-BFGS-B", bounds=own, options={"gtol": 1e-6}
        ).x
        still = np.max(np.abs(moved - theta)) < SETTLED
        theta = moved
        if still:
            break
    return theta, _with_nodes(theta, sites, family)


@dataclass(frozen=True)
class _Problem:
    """The data of one fit, in scaled time."""

    sites: _Sites
    family: Family
    scale: float
    without: AcceleratedLife
    start: Array
    exact: float
    """Number of exact rows: what the scale of time takes off the log-likelihood."""


def _problem(
    lower: ArrayLike,
    upper: ArrayLike,
    site: ArrayLike,
    covariates: ArrayLike | None,
    entry: ArrayLike | None,
    family: Family,
) -> _Problem:
    low, up = checked_ends(lower, upper)
    n = low.size
    x = np.ones((n, 1)) if covariates is None else np.asarray(covariates, dtype=np.float64).reshape(n, -1)
    without = fit_accelerated_life(low, up, x, entry=entry, cluster=site, family=family)
    finite = np.where(np.isfinite(up), up, low)
    scale = float(np.exp(np.mean(np.log(np.maximum(finite, 1e-9)))))
    rows = scaled_rows(
        low, up, None if entry is None else np.asarray(entry, dtype=np.float64), x, scale=scale
    )
    sites = _sites_of(rows, np.asarray(site), np.ones(n))
    beta = without.beta - np.log(scale) * unit_of_ones(x)
    start = np.concatenate([beta, [np.log(without.sigma), np.log(START_SD)]])
    return _Problem(sites, family, scale, without, start, float(rows.exact.sum()))


def fit_frailty_life(
    lower: ArrayLike,
    upper: ArrayLike,
    site: ArrayLike,
    covariates: ArrayLike | None = None,
    *,
    entry: ArrayLike | None = None,
    family: Family = WEIBULL,
    robust: bool = False,
) -> FrailtyLife:
    """Fit by maximum likelihood; `covariates` (n, k) holds its own column of ones (default: ones alone).

    Times lie in (lower, upper] as in `fit_accelerated_life`; site (n,): the rows of one site share an effect.
    The covariance is the inverse information, or with `robust` the sandwich over sites. Raises ValueError for
    impossible intervals, where nothing has crossed, and for covariates without a constant.
    """
    p = _problem(lower, upper, site, covariates, entry, family)
    theta, likelihood = _climb(p.start, p.sites, family, np.ones(p.start.size, dtype=bool))
    unit = np.log(p.scale) * unit_of_ones(p.sites.rows.x)
    if np.exp(theta[-1]) < LEAST_SD:
        return _no_frailty(p)
    total = p.sites.weight.sum()

    def loss(at: Array) -> tuple[float, Array]:
        value, score = likelihood(at)
        return -float(value.sum()) / total, -score.sum(axis=0) / total

    theta, curvature, good = minimise(loss, theta)
    value, score = likelihood(theta)
    covariance = inverse(curvature * total)
    if robust:
        covariance = clustered(covariance, score, np.arange(value.size))
    sound = bool(np.all(np.isfinite(covariance)) and np.all(np.diag(covariance) > 0))
    return FrailtyLife(
        beta=theta[:-2] + unit,
        sigma=float(np.exp(theta[-2])),
        frailty_sd=float(np.exp(theta[-1])),
        covariance=covariance,
        log_likelihood=float(value.sum()) - p.exact * np.log(p.scale),
        scores=score,
        converged=good and sound,
        family=family.name,
        clusters=value.size,
        without=p.without,
    )


def _no_frailty(p: _Problem) -> FrailtyLife:
    """Give the fit on the boundary: that without a frailty."""
    w = p.without
    covariance = np.zeros((w.covariance.shape[0] + 1,) * 2)
    covariance[:-1, :-1] = w.covariance
    scores = np.zeros((p.sites.start.size, covariance.shape[0]))
    return FrailtyLife(
        w.beta, w.sigma, 0.0, covariance, w.log_likelihood, scores, w.converged, w.family, w.clusters, w
    )


def frailty_between(
    lower: ArrayLike,
    upper: ArrayLike,
    site: ArrayLike,
    covariates: ArrayLike | None = None,
    *,
    entry: ArrayLike | None = None,
    family: Family = WEIBULL,
    level: float = 0.90,
) -> tuple[float, float]:
    """Give the profile-likelihood interval of the sd of the sites' effects; 0 below where none will do.

    The effect may be none, and then a normal interval fails (Self and Liang 1987): here the sd is held at
    each value and the rest fitted.
    """
    p = _problem(lower, upper, site, covariates, entry, family)
    best, likelihood = _climb(p.start, p.sites, family, np.ones(p.start.size, dtype=bool))
    free = np.ones(best.size, dtype=bool)
    free[-1] = False
    limit = float(likelihood(best)[0].sum()) - float(chi2.ppf(level, 1)) / 2

    def above(log_sd: float) -> float:
        held = best.copy()
        held[-1] = log_sd
        theta, found = _climb(held, p.sites, family, free)
        return float(found(theta)[0].sum()) - limit

    none, top = np.log(LEAST_SD / 2), best[-1]
    low = 0.0 if above(none) > 0 else float(np.exp(brentq(above, none, top, xtol=0.01)))
    while above(top) > 0 and top < MOST_LN_SD:
        top += 0.5
    high = float("inf") if top >= MOST_LN_SD else float(np.exp(brentq(above, top - 0.5, top, xtol=0.01)))
    return low, high
