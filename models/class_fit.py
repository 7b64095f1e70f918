"""The class parameters from what electrodes say: the evidence of their grids, its gradient, the fit.

See `class_prior.py` for the parameters and their prior.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from models.class_prior import (
    ClassLayout,
    Floats,
    GroupTables,
    Ints,
    Normal,
    fine_log_prior,
    fine_nodes,
    group_tables,
    site_nodes,
    weigh_sites,
)
from models.corrosion_curves import CurveGrid

_LEAST = 1e-30  # of a likelihood scaled to a largest value of 1; its inverse must fit single precision


@dataclass(frozen=True)
class NodeEvidence:
    """log_l: (N, K) log marginal likelihood of each electrode at each site node. site_log_l: (S,).

    site_weight: (S, K) posterior weight of the nodes. others_weight: (N, K) the same without the electrode
    itself.
    """

    log_l: Floats
    site_log_l: Floats
    site_weight: Floats
    others_weight: Floats


def _by_group(layout: ClassLayout) -> list[Ints]:
    return [np.flatnonzero(layout.group == q) for q in range(layout.soil.size)]


def _softmax(a: Floats) -> Floats:
    p = np.exp(a - a.max(axis=1, keepdims=True))
    return p / p.sum(axis=1, keepdims=True)


def node_evidence(
    likelihood: npt.NDArray[Any], log_scale: Floats, layout: ClassLayout, tables: GroupTables
) -> NodeEvidence:
    """Weigh the site nodes.

    likelihood: (N, T, R) scaled to a largest value of 1; log_scale: (N,) what was taken out.
    """
    N, K = likelihood.shape[0], tables.onset.shape[1]
    marginal = np.empty((N, K))
    for q, members in enumerate(_by_group(layout)):
        if members.size:
            a = np.matmul(tables.onset[q].astype(likelihood.dtype), likelihood[members])
            growth = tables.growth[q].astype(likelihood.dtype)
            marginal[members] = np.matmul(a[:, :, None, :], growth[:, :, None])[:, :, 0, 0]
    log_l = np.log(np.maximum(marginal, 1e-300)) + log_scale[:, None]
    site_weight, site_log_l, others = weigh_sites(log_l, layout.site, tables.shift)
    return NodeEvidence(log_l, site_log_l, site_weight, others)


@dataclass(frozen=True)
class GridEvidence:
    """Likelihoods laid out for large matrix products.

    For each group its members (n,) and their grid flat (T, n*R). log_scale: (N,) what was taken out of each
    electrode's likelihood. electrodes: N.
    """

    members: list[Ints]
    flat: list[npt.NDArray[np.float32]]
    log_scale: Floats


def grid_evidence(likelihood: npt.NDArray[Any], log_scale: Floats, layout: ClassLayout) -> GridEvidence:
    """Lay out likelihoods (N, T, R), each electrode's largest value 1, by group, in single precision.

    Gradients are analytic, so that no difference of nearly equal sums is ever taken in it.
    """
    members = _by_group(layout)
    T = likelihood.shape[1]
    flat = [
        np.ascontiguousarray(likelihood[i].transpose(1, 0, 2), dtype=np.float32).reshape(T, -1)
        for i in members
    ]
    return GridEvidence(members, flat, log_scale)


def log_posterior(
    theta: Floats, evidence: GridEvidence, layout: ClassLayout, grid: CurveGrid
) -> tuple[float, Floats]:
    """Return the log posterior density of theta and its analytic gradient (same shape as theta)."""
    tables = group_tables(theta, layout, grid)
    K, R = tables.onset.shape[1], grid.growth.size
    inner, marginal = [], np.empty((evidence.log_scale.size, K))
    for q, i in enumerate(evidence.members):
        inner.append((tables.onset[q].astype(np.float32) @ evidence.flat[q]).reshape(K, i.size, R))
        growth = tables.growth[q].astype(np.float32)
        marginal[i] = np.matmul(inner[q], growth[:, :, None])[:, :, 0].T
    marginal = np.maximum(marginal, _LEAST)
    at_nodes = np.zeros((layout.sites, K))
    np.add.at(at_nodes, layout.site, np.log(marginal))
    fine, prior = fine_nodes(), fine_log_prior(tables.shift)
    total = at_nodes @ fine.spline.T + prior
    peak = total.max(axis=1)
    value = float((peak + np.log(np.exp(total - peak[:, None]).sum(axis=1))).sum() + evidence.log_scale.sum())
    site_weight = _softmax(total)
    share = (site_weight @ fine.spline)[layout.site] / marginal
    d_onset, d_growth = np.empty_like(tables.onset), np.empty_like(tables.growth)
    for q, i in enumerate(evidence.members):
        weight = np.ascontiguousarray(share[i].T)
        weight = weight.astype(np.float32)
        d_growth[q] = np.matmul(weight[:, None, :], inner[q])[:, 0]
        spread = weight[:, :, None] * tables.growth[q].astype(np.float32)[:, None, :]
        d_onset[q] = spread.reshape(K, -1) @ evidence.flat[q].T
    by_survey = _to_coefficients(site_weight - np.exp(prior), theta, layout)
    gradient = np.concatenate([_chain(d_onset, d_growth, tables, layout), by_survey])
    mean, sd = layout.prior()
    z = (theta - mean) / sd
    return value - 0.5 * float(z @ z), gradient - z / sd


def _to_coefficients(moved: Floats, theta: Floats, layout: ClassLayout) -> Floats:
    """Return (P,) derivatives by the coefficients; moved: (S, J) posterior less prior weights of nodes."""
    if not layout.covariates:
        return np.zeros(0)
    return np.asarray(((moved @ fine_nodes().nodes) * layout.shift(theta)[1]) @ layout.ground)


def _moments(d: Floats, n: Normal) -> tuple[Floats, Floats, Floats]:
    """Return derivatives (Q, K) by mean, (Q, K) by log spread and (Q, K) by the share of the part."""
    dp = d * n.mass
    total = dp.sum(axis=-1)
    z2 = n.dev * n.dev
    to_mean = np.einsum("qkx,qkx->qk", dp, n.dev) - total * np.einsum("qkx,qkx->qk", n.mass, n.dev)
    to_spread = np.einsum("qkx,qkx->qk", dp, z2) - total * np.einsum("qkx,qkx->qk", n.mass, z2)
    return to_mean / n.spread[:, None], to_spread * n.follows[:, None], total


def _chain(d_onset: Floats, d_growth: Floats, t: GroupTables, layout: ClassLayout) -> Floats:
    """Carry derivatives from masses to parameters."""
    u, _ = site_nodes()
    C, M = len(layout.soils), len(layout.materials)
    share = t.flawed_share
    m_s, s_s, w_s = _moments(d_onset, t.sound)
    m_f, s_f, w_f = _moments(d_onset, t.flawed)
    m_t, s_t = (1.0 - share) * m_s + share * m_f, (1.0 - share) * s_s + share * s_f
    m_r, s_r, _ = _moments(d_growth, t.grown)
    by_t, by_r = m_t.sum(axis=1), m_r.sum(axis=1)
    along_t, along_r = -t.onset_factor * (m_t @ u), t.growth_factor * (m_r @ u)
    odds = share * (1.0 - share) * float((w_f - w_s).sum())
    head = [
        by_t.sum(), by_r.sum(), float(by_r @ layout.raw), s_t.sum(), s_r.sum(), along_t.sum(), along_r.sum(),
        odds, -share * m_f.sum(),
    ]  # fmt: skip

    def spread(values: Floats, index: Ints, size: int) -> Floats:
        return np.bincount(index, values, minlength=size).astype(np.float64, copy=False)

    of_soil = (
        by_t, by_r, s_t.sum(axis=1), s_r.sum(axis=1), t.onset_load * along_t, t.growth_load * along_r
    )  # fmt: skip
    return np.concatenate(
        [
            head,
            *[spread(v, layout.soil, C) for v in of_soil],
            *[spread(v, layout.material, M) for v in (by_t, by_r)],
        ]
    )


@dataclass(frozen=True)
class ClassFit:
    """Fitted parameters: theta (P,), names, covariance (P, P) by Laplace, whether it converged, and how."""

    theta: Floats
    names: tuple[str, ...]
    covariance: Floats
    log_posterior: float
    converged: bool
    method: str


def fit_class_prior(
    likelihood: npt.NDArray[Any],
    log_scale: Floats,
    layout: ClassLayout,
    grid: CurveGrid,
    start: Floats | None = None,
    steps: int = 200,
    with_covariance: bool = True,
) -> ClassFit:
    """Find the most probable parameters by L-BFGS with analytic gradients.

    The covariance comes from differences of the gradient.

    likelihood: (N, T, R), each electrode's largest value 1. log_scale: (N,).
    """
    first = layout.start() if start is None else start

    evidence = grid_evidence(likelihood, log_scale, layout)

    def target(theta: Floats) -> tuple[float, Floats]:
        value, gradient = log_posterior(theta, evidence, layout, grid)
        return -value, -gradient

    fit = minimize(
        target, first, jac=True, method="L-BFGS-B", options={"maxiter": steps, "ftol": 3e-9, "gtol": 1e-2}
    )
    P = first.size
    covariance = np.zeros((P, P))
    if with_covariance:
        covariance = _laplace(target, fit.x)
    return ClassFit(
        fit.x, layout.names, covariance, -float(fit.fun), bool(fit.success), "L-BFGS-B, analytic gradient"
    )


def _laplace(target, at: Floats) -> Floats:  # type: ignore[no-untyped-def]
    """Return the inverse Hessian from differences of the gradient, kept positive definite."""
    P = at.size
    hessian = np.empty((P, P))
    step = 1e-4
    here = target(at)[1]
    for p in range(P):
        e = np.zeros(P)
        e[p] = step
        hessian[p] = (target(at + e)[1] - here) / step
    hessian = 0.5 * (hessian + hessian.T)
    values, vectors = np.linalg.eigh(hessian)
    values = np.maximum(values, 1.0)  # no direction is known worse than its prior of about 1 says
    return (vectors / values) @ vectors.T
