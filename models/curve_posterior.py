"""Each electrode's posterior on the grid, averaged over draws of the class parameters."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from numba import njit

from models.calibration import Calibration, end_shares, group_ends
from models.class_prior import ClassLayout, GroupTables, group_tables, weigh_sites
from models.corrosion_curves import CurveGrid
from models.histories import Floats
from models.site_pass import SitePass

HARDLY_BROKEN = 1e-3  # a chance of a step below it changes nothing that is shown


def parameter_draws(cal: Calibration, rng: np.random.Generator, draws: int) -> Floats:
    """Return (draws, P) class parameters from their Laplace approximation, each with its mirror image."""
    values, vectors = np.linalg.eigh(cal.theta_cov)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    half = rng.normal(size=((draws + 1) // 2, cal.theta.size))
    return cal.theta + np.concatenate([half, -half])[:draws] @ root.T


@dataclass(frozen=True)
class Posterior:
    """Posterior mass on the curve grid.

    whole: (N, G), single precision, given that no step is in the record; reaching: (N, F*T*R) of it the
    part whose ceiling lies above the electrode's threshold; broken: {electrode: (G,)} given that
    one is. p_broken: (N,). nodes: (S, K) posterior of the site effect. curves: (Q, K, T*R) prior of a group's
    curves at each node, averaged over the draws; ends: (Q, A) shares of its ends.
    """

    whole: npt.NDArray[np.float32]
    reaching: npt.NDArray[np.float32]
    broken: dict[int, Floats]
    p_broken: Floats
    nodes: Floats
    curves: npt.NDArray[np.float32]
    ends: Floats

    @cached_property
    def new_rod(self) -> Floats:
        """(Q, K, G) masses of a rod nobody measured, by group and node."""
        apart = self.ends[:, None, :, None] * self.curves[:, :, None, :]
        return np.asarray(apart.reshape(*self.curves.shape[:2], -1), dtype=float)


def posterior(
    cal: Calibration,
    layout: ClassLayout,
    found: SitePass,
    grid: CurveGrid,
    rng: np.random.Generator,
    draws: int = 16,
) -> Posterior:
    """Average the electrodes' posteriors over draws of the class parameters.

    found: a pass that kept the ends apart.
    """
    N = found.like.shape[0]
    A, T, R = grid.shape
    G = T * R
    ends = group_ends(cal, layout)
    shares = end_shares(cal, layout).astype(np.float32)
    whole_scale = np.exp(np.maximum(found.whole_top - found.like_top, -600.0))
    tables = [group_tables(theta, layout, grid) for theta in parameter_draws(cal, rng, draws)]
    marginal = _by_draw(found.like.reshape(N, T, R), layout, tables)
    by_draw, _, others = weigh_sites(
        np.log(marginal), layout.site, np.stack([t.shift for t in tables], axis=1)
    )
    nodes = by_draw.mean(axis=1)
    # a draw's prior of the curves over its own mean likelihood, averaged over the draws
    total = np.maximum(np.einsum("ndk,ndk->nd", others, marginal), 1e-30)  # within single precision
    weight = (others / (draws * total[:, :, None])).astype(np.float32).reshape(N, -1)
    prior = np.empty((N, G), np.float32)
    mean = np.empty((layout.soil.size, nodes.shape[1], G), np.float32)
    for q in range(layout.soil.size):
        onset, growth = (np.concatenate([getattr(t, k)[q] for t in tables]) for k in ("onset", "growth"))
        curves = onset.astype(np.float32)[:, :, None] * growth.astype(np.float32)[:, None, :]
        curves = curves.reshape(-1, G)
        mean[q] = curves.reshape(draws, -1, G).mean(axis=0)
        i = np.flatnonzero(layout.group == q)
        if i.size:
            prior[i] = weight[i] @ curves
    whole, reaching = np.empty_like(found.whole), np.empty_like(found.reaching)
    p_broken = np.empty(N)
    _weigh_whole(found.whole, found.reaching, shares, prior, whole_scale, whole, reaching, p_broken)
    given_step = {}
    for e in np.flatnonzero((p_broken > HARDLY_BROKEN) & (found.stepped_at >= 0)):
        left = found.stepped[found.stepped_at[e]].reshape(A, G) * shares[e][:, None] * prior[e]
        given_step[int(e)] = left.ravel() / max(left.sum(), 1e-300)
    return Posterior(whole, reaching, given_step, p_broken, nodes, mean, ends)


@njit(cache=True, nogil=True, fastmath=True)
def _weigh_whole(whole, reaching, shares, prior, scale, out, out_reaching, p_broken):  # type: ignore[no-untyped-def]
    """Fill out (N, A*G), out_reaching (N, F*G): masses given no step; and p_broken (N,), the rest.

    whole, reaching: likelihoods without steps over their largest; scale (N,): that over the largest of all.
    """
    N, G = prior.shape
    C = shares.shape[1]
    for n in range(N):
        total = np.float32(0.0)
        for c in range(C):
            mine = np.float32(0.0)
            for g in range(G):
                v = whole[n, c * G + g] * prior[n, g]
                out[n, c * G + g] = v
                mine += v
            total += mine * shares[n, c]
        p_broken[n] = min(max(1.0 - total * scale[n], 0.0), 1.0)
        over = np.float32(1.0) / max(total, np.float32(1e-30))  # nearly nothing where only a step explains it
        for c in range(C):
            w = over * shares[n, c]
            for g in range(G):
                out[n, c * G + g] *= w
        for f in range(reaching.shape[1] // G):
            for g in range(G):
                out_reaching[n, f * G + g] = reaching[n, f * G + g] * prior[n, g] * over


def _by_draw(like: npt.NDArray[np.float32], layout: ClassLayout, tables: list[GroupTables]) -> Floats:
    """Return (N, D, K) marginal likelihoods of electrodes for each draw of the parameters and site node."""
    N, T, R = like.shape
    D, K = len(tables), tables[0].onset.shape[1]
    out = np.empty((N, D, K))
    for q in range(layout.soil.size):
        i = np.flatnonzero(layout.group == q)
        if i.size:
            onset = np.concatenate([t.onset[q] for t in tables]).astype(np.float32)
            growth = np.concatenate([t.growth[q] for t in tables]).astype(np.float32)
            inner = (onset @ like[i].transpose(1, 0, 2).reshape(T, -1)).reshape(D * K, i.size, R)
            out[i] = np.matmul(inner, growth[:, :, None])[:, :, 0].T.reshape(-1, D, K)
    return np.maximum(out, 1e-300)
