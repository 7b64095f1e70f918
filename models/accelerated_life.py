"""Accelerated-life regression on intervals: ln T = x beta + sigma W, with site-clustered uncertainty.

T lies in (lower, upper]: lower 0 is left-censored, upper infinite right-censored, lower = upper exact. W is
the smallest extreme value (Weibull times), the normal or the logistic. Times are divided by their geometric
mean inside, so that the answer does not hang on the unit of time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import log_expit, log_ndtr, logit, ndtri

Array = NDArray[np.float64]

TINY = 1e-300
# The gradient of a mean log-likelihood counts as zero below this: four digits beyond what is published.
GRADIENT_TOLERANCE = 1e-6
# No time is taken to be nearer to zero than this, as z in the exponent (e^-60 of a lifetime).
Z_LIMIT = 60.0
MOST_NEWTON_STEPS, MOST_HALVINGS, LONGEST_STEP = 60, 30, 2.0


@dataclass(frozen=True)
class Family:
    """A distribution of W: log survival and log density at z, and the z by which a share is past."""

    name: str
    log_survival: Callable[[Array], Array]
    log_density: Callable[[Array], Array]
    quantile: Callable[[float], float]


WEIBULL = Family(
    "weibull",
    lambda z: -np.exp(np.minimum(z, Z_LIMIT)),
    lambda z: z - np.exp(np.minimum(z, Z_LIMIT)),
    lambda p: float(np.log(-np.log1p(-p))),
)
LOGNORMAL = Family(
    "lognormal",
    lambda z: log_ndtr(-z),
    lambda z: -0.5 * z * z - 0.5 * np.log(2 * np.pi),
    lambda p: float(ndtri(p)),
)
LOGLOGISTIC = Family(
    "loglogistic",
    lambda z: log_expit(-z),
    lambda z: log_expit(z) + log_expit(-z),
    lambda p: float(logit(p)),
)
FAMILIES = {f.name: f for f in (WEIBULL, LOGNORMAL, LOGLOGISTIC)}


@dataclass(frozen=True)
class AcceleratedLife:
    """A fit: beta (k,), sigma, and the covariance (k + 1, k + 1) of (beta, ln sigma)."""

    beta: Array
    sigma: float
    covariance: Array
    log_likelihood: float
    scores: Array
    """(n, k + 1): each row's derivative of the log-likelihood by (beta, ln sigma)."""
    converged: bool
    family: str
    clusters: int

    def quantile(self, row: ArrayLike, share: float) -> tuple[float, float]:
        """Give (ln of the time by which `share` are past at covariates `row` (k,), its error)."""
        point = np.asarray(row, dtype=np.float64)
        w = FAMILIES[self.family].quantile(share)
        slope = np.append(point, self.sigma * w)
        return float(point @ self.beta + self.sigma * w), float(np.sqrt(slope @ self.covariance @ slope))


@dataclass(frozen=True)
class Rows:
    """The data as the likelihood needs them: logs of the scaled times and what kind each row is."""

    ln_lower: Array
    ln_upper: Array
    ln_entry: Array
    x: Array
    exact: NDArray[np.bool_]


def _log_difference(high: Array, low: Array) -> Array:
    """Give ln(e^high - e^low) for high >= low."""
    return high + np.log(np.maximum(-np.expm1(np.minimum(low - high, 0.0)), TINY))


def row_likelihood(mean: Array, log_sigma: float, rows: Rows, family: Family) -> tuple[Array, Array, Array]:
    """Give each row's log-likelihood and its derivatives by its mean of ln T and by ln sigma.

    mean: of the shape of the rows' arrays, or one that they broadcast to; so are the three answers.
    """
    sigma = float(np.exp(np.clip(log_sigma, -20.0, 20.0)))
    with np.errstate(over="ignore", invalid="ignore"):
        z_low, z_up, z_in = (
            np.clip((ln_t - mean) / sigma, -1e4, 1e4)
            for ln_t in (rows.ln_lower, rows.ln_upper, rows.ln_entry)
        )
        log_low = np.where(np.isneginf(rows.ln_lower), 0.0, family.log_survival(z_low))
        log_up = np.where(np.isposinf(rows.ln_upper), -np.inf, family.log_survival(z_up))
        between = _log_difference(log_low, log_up)
        density = family.log_density(z_low)
        entered = np.where(np.isneginf(rows.ln_entry), 0.0, family.log_survival(z_in))
        value = np.where(rows.exact, density - log_sigma - rows.ln_lower, between) - entered

        def pull(z: Array, less: Array, absent: NDArray[np.bool_]) -> Array:
            return np.where(absent, 0.0, np.exp(np.minimum(family.log_density(z) - less, 700.0)))

        a_low = pull(z_low, between, np.isneginf(rows.ln_lower))
        a_up = pull(z_up, between, np.isposinf(rows.ln_upper))
        a_in = pull(z_in, entered, np.isneginf(rows.ln_entry))
        # d ln(S_L - S_U) = -f_L dz_L + f_U dz_U over the difference; dz/dmean = -1/sigma, dz/dln sigma = -z.
        step = _density_slope(z_low, family)
        by_mean = np.where(rows.exact, -step, a_low - a_up) - a_in
        by_scale = np.where(rows.exact, -step * z_low - 1.0, a_low * z_low - a_up * z_up) - a_in * z_in
    return value, by_mean / sigma, by_scale


def _likelihood(theta: Array, rows: Rows, family: Family) -> tuple[Array, Array]:
    """Give each row's log-likelihood (n,) and its derivative by (beta, ln sigma) (n, k + 1)."""
    value, by_mean, by_scale = row_likelihood(rows.x @ theta[:-1], float(theta[-1]), rows, family)
    return value, np.column_stack([rows.x * by_mean[:, None], by_scale])


def _density_slope(z: Array, family: Family) -> Array:
    """Give the derivative of the log density by z."""
    if family.name == "weibull":
        return 1.0 - np.exp(np.minimum(z, Z_LIMIT))
    return -z if family.name == "lognormal" else -np.tanh(z / 2)


def _hessian(theta: Array, gradient: Callable[[Array], Array]) -> Array:
    """Differentiate the analytic gradient by central differences."""
    step = 1e-5
    columns = [
        (gradient(theta + step * e) - gradient(theta - step * e)) / (2 * step) for e in np.eye(theta.size)
    ]
    matrix = np.column_stack(columns)
    return (matrix + matrix.T) / 2


def scaled_rows(lower: Array, upper: Array, entry: Array | None, x: Array, *, scale: float) -> Rows:
    """Take logs of the ends (n,) over a scale of time."""
    with np.errstate(divide="ignore"):
        ln_entry = np.full(lower.size, -np.inf) if entry is None else np.log(entry / scale)
        return Rows(np.log(lower / scale), np.log(upper / scale), ln_entry, x, lower == upper)


def checked_ends(lower: ArrayLike, upper: ArrayLike) -> tuple[Array, Array]:
    """Give the ends (n,) as arrays; raise ValueError for impossible ones and where nothing has crossed."""
    low, up = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    if low.size == 0 or np.any(low < 0) or np.any(up < low) or np.any(up <= 0) or np.any(np.isnan(low + up)):
        raise ValueError("Intervals need 0 <= lower <= upper and 0 < upper, and at least one row.")
    if not np.any(np.isfinite(up)):
        raise ValueError("No row has crossed: a lifetime cannot be fitted to right-censored rows alone.")
    return low, up


def fit_accelerated_life(
    lower: ArrayLike,
    upper: ArrayLike,
    covariates: ArrayLike | None = None,
    *,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    family: Family = WEIBULL,
) -> AcceleratedLife:
    """Fit by maximum likelihood; `covariates` (n, k) holds its own column of ones (default: ones alone).

    With `cluster` (n,) the covariance is the sandwich summed by cluster, times G/(G - 1) (Liang and Zeger
    1986); without, the inverse information. `entry` (n,): the age from which a row was watched. Raises
    ValueError for impossible intervals, where nothing has crossed, and for covariates without a constant.
    Meeker and Escobar (1998), ch. 8 and 17.
    """
    low, up = checked_ends(lower, upper)
    n = low.size
    x = np.ones((n, 1)) if covariates is None else np.asarray(covariates, dtype=np.float64).reshape(n, -1)
    w = np.ones(n) if weight is None else np.asarray(weight, dtype=np.float64)
    start = None if entry is None else np.asarray(entry, dtype=np.float64)
    finite = np.where(np.isfinite(up), up, low)
    scale = float(np.exp(np.mean(np.log(np.maximum(finite, 1e-9)))))
    rows = scaled_rows(low, up, start, x, scale=scale)

    def loss(theta: Array) -> tuple[float, Array]:
        value, score = _likelihood(theta, rows, family)
        return -float(w @ value) / w.sum(), -(w @ score) / w.sum()

    theta, curvature, flat = minimise(loss, np.zeros(x.shape[1] + 1))
    value, score = _likelihood(theta, rows, family)
    bread = inverse(curvature * w.sum())
    score = score * w[:, None]
    clusters = n if cluster is None else int(np.unique(np.asarray(cluster)).size)
    covariance = bread if cluster is None else clustered(bread, score, np.asarray(cluster))
    beta = theta[:-1] + np.log(scale) * unit_of_ones(x)
    spread_ok = bool(np.all(np.isfinite(covariance)) and np.all(np.diag(covariance) > 0))
    return AcceleratedLife(
        beta=beta,
        sigma=float(np.exp(theta[-1])),
        covariance=covariance,
        log_likelihood=float(w @ value) - float(w[rows.exact].sum()) * np.log(scale),
        scores=score,
        converged=flat and spread_ok,
        family=family.name,
        clusters=clusters,
    )


def unit_of_ones(x: Array) -> Array:
    """Give the coefficients (k,) by which the columns make a column of ones, to put the unit of time back."""
    unit, *_ = np.linalg.lstsq(x, np.ones(x.shape[0]), rcond=None)
    if not np.allclose(x @ unit, 1.0):
        raise ValueError("The covariates need a constant: a column of ones.")
    return np.where(np.abs(unit) < 1e-12, 0.0, unit)


def minimise(loss: Callable[[Array], tuple[float, Array]], start: Array) -> tuple[Array, Array, bool]:
    """Give the minimum, the Hessian there, and whether the gradient is flat and the Hessian positive."""

    def gradient(theta: Array) -> Array:
        return loss(theta)[1]

    theta = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 500}).x
    theta, curvature = _descend(loss, theta, gradient)
    flat = bool(np.max(np.abs(gradient(theta))) < GRADIENT_TOLERANCE and np.all(np.isfinite(curvature)))
    return theta, curvature, flat and bool(np.all(np.linalg.eigvalsh(curvature) > 0))


def _descend(
    loss: Callable[[Array], tuple[float, Array]], theta: Array, gradient: Callable[[Array], Array]
) -> tuple[Array, Array]:
    """Take Newton's steps, downhill whatever the curvature, each halved until the loss falls; Hessian there.

    A quasi-Newton search may stop far out, where a step from a curvature of another sign, or too long a one,
    would lead uphill (lives much alike, sigma under 0.2). Near the top one Hessian serves for every step; the
    errors take that of the top itself.
    """
    curvature, begun = _hessian(theta, gradient), theta
    value, slope = loss(theta)
    for _ in range(MOST_NEWTON_STEPS):
        if np.max(np.abs(slope)) < 1e-10 or not np.all(np.isfinite(curvature)):
            break
        found = _halved(loss, theta, value, _downhill(curvature, slope))
        if found is None:
            if np.array_equal(theta, begun):
                break
            curvature, begun = _hessian(theta, gradient), theta
            continue
        theta, value, slope = found
        if np.max(np.abs(theta - begun)) > 1e-3:
            curvature, begun = _hessian(theta, gradient), theta
    return theta, curvature if np.array_equal(theta, begun) else _hessian(theta, gradient)


def _downhill(curvature: Array, slope: Array) -> Array:
    """Give Newton's step, every curvature taken as upward, none too long (Nocedal and Wright 2006, 3.4)."""
    bend, turn = np.linalg.eigh(curvature)
    bend = np.maximum(np.abs(bend), 1e-12 * max(float(np.abs(bend).max()), 1e-300))
    step = -turn @ ((turn.T @ slope) / bend)
    return np.asarray(step / max(1.0, float(np.max(np.abs(step))) / LONGEST_STEP))


def _halved(
    loss: Callable[[Array], tuple[float, Array]], theta: Array, value: float, step: Array
) -> tuple[Array, float, Array] | None:
    """Give (theta, loss, slope) after the step, halved until the loss is no higher; None if never."""
    for _ in range(MOST_HALVINGS):
        ahead = theta + step
        value_ahead, slope_ahead = loss(ahead)
        if np.isfinite(value_ahead) and value_ahead <= value + 1e-14 * abs(value):
            return ahead, value_ahead, slope_ahead
        step = step / 2
    return None


def inverse(matrix: Array) -> Array:
    """Invert a square matrix; NaN where it has no inverse."""
    try:
        return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.full(matrix.shape, np.nan)


def clustered(bread: Array, score: Array, cluster: NDArray[np.generic]) -> Array:
    """Give the sandwich covariance of scores (n, k) summed by cluster (n,), times G/(G - 1); NaN for one."""
    _, number = np.unique(cluster, return_inverse=True)
    groups = int(number.max()) + 1
    if groups < 2:
        return np.full(bread.shape, np.nan)
    sums = np.zeros((groups, score.shape[1]))
    np.add.at(sums, number, score)
    return bread @ (sums.T @ sums) @ bread * groups / (groups - 1)
