"""What electrodes share: onset age and growth by soil class and material, with a site effect on both.

ln(onset) ~ N(mu_t + soil_t + material_t - load_t u, s_t^2) and ln(growth) ~ N(mu_r + soil_r + material_r +
raw_r + load_r u, s_r^2), u ~ N(0, 1) one for each site: in a harsh yard rods give way earlier and go
faster; where a survey says how harsh the ground is, u ~ N(x'b, 1) (covariates). A few rods were scratched
in driving: for a share of them the onset lies earlier by some factor, more widely spread, so that they do
not pull the others' onset forward. The spreads s_t, s_r and the weights of u differ by soil: sites without a
survey are a mixture of soils, unlike from yard to yard and alike within one. Soil and material terms are
shrunk to the fleet by normal priors, so that a class with three electrodes leans on it and one with three
thousand stands alone. The integral over u is a sum over even nodes, over the curve grid a matrix product.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from models.corrosion_curves import CurveGrid
from models.covariates import PRIOR_SD, bounded_shift, node_log_weights

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NODES, LAST_NODE = 17, 4.0
_BETWEEN = 8  # points at which a site's likelihood is read off between two nodes
# A mass that counts for none. In single precision the products of smaller ones would be subnormal numbers,
# which take a processor a hundred times as long.
_NOTHING = 1e-18
# Prior beliefs, wide: log onset, log growth. Working life of a clad rod is 5 to 20 years (common practice,
# no source).
_FLEET_MEAN = (np.log(25.0), np.log(0.12))
_FLEET_SD = (1.5, 0.7)
_SOIL_SD = (0.8, 0.5)
_MATERIAL_SD = (0.8, 0.5)
_RAW_SD = 0.4
_LOG_SPREAD_MEAN = (np.log(0.5), np.log(0.5))
_LOG_SPREAD_SD = (0.5, 0.4)
_SOIL_SPREAD_SD = (0.35, 0.25)
_SOIL_LOAD_SD = 0.5
_FLAWED_MEAN = (np.log(0.05 / 0.95), 1.3)  # log odds of a flawed rod; how much earlier it begins, log
_FLAWED_SD = (1.0, 0.5)
FLAWED_SPREAD = 0.8  # sd of the log onset of flawed rods (common practice, no source)
UNSURVEYED = "unknown"
_UNSURVEYED_LOAD = 0.6  # sites of any soil differ more than sites of one: prior mean of the log factor
_HEAD = (
    "onset_fleet", "growth_fleet", "growth_loop_raw", "log_onset_spread", "log_growth_spread",
    "onset_site_load", "growth_site_load", "flawed_log_odds", "flawed_earlier",
)  # fmt: skip
_BY_SOIL = (
    "onset_soil", "growth_soil", "onset_spread_soil", "growth_spread_soil", "log_onset_load_soil",
    "log_growth_load_soil",
)  # fmt: skip
_AT_ONCE = 128  # electrodes
_LOAD_MEAN = (0.25, 0.15)
_LOAD_SD = (0.25, 0.2)


def site_nodes() -> tuple[Floats, Floats]:
    """Return the nodes (K,) of the site effect u and their weights (K,).

    Even and close: ten rods of a yard know its effect to about 0.3, and where nodes lie further apart than
    that the likelihood has a mode at each.
    """
    x = np.linspace(-LAST_NODE, LAST_NODE, NODES)
    w = np.exp(-0.5 * x * x)
    return x, w / w.sum()


@dataclass(frozen=True)
class FineNodes:
    """The site effect on finer nodes (J,) than those at which electrodes are weighed (K,).

    spline: (J, K) from values at the nodes to values between them. log_weight: (J,).
    """

    nodes: Floats
    spline: Floats
    log_weight: Floats


@cache
def fine_nodes() -> FineNodes:
    """Lay out the finer nodes.

    One electrode's log-likelihood is smooth from node to node, a whole site's is not: ten rods of an
    unsurveyed yard know u to 0.15. Summed over the nodes alone, as if u could lie nowhere else, such sites
    seem to know their class's mean better than so few of them can.
    """
    x, _ = site_nodes()
    fine = np.linspace(-LAST_NODE, LAST_NODE, (NODES - 1) * _BETWEEN + 1)
    log_w = -0.5 * fine * fine
    return FineNodes(fine, CubicSpline(x, np.eye(NODES))(fine), log_w - np.log(np.exp(log_w).sum()))


def fine_log_prior(shift: Floats) -> Floats:
    """Return (..., J) prior log weights of the finer nodes, the site effect moved by shift (...)."""
    fine = fine_nodes()
    return node_log_weights(fine.log_weight, fine.nodes, shift)


def node_weights(log_l: Floats, shift: Floats) -> tuple[Floats, Floats]:
    """Return posterior weights (..., K) of the nodes and the log marginal likelihood (...).

    The weights give means of what is smooth from node to node; where a site is so sure of its effect that
    some would be negative, these are nought.

    log_l: (..., K) log-likelihood at the nodes, of one electrode or the sum over several. shift: (...) of the
    effect's prior mean, as surveys have it.
    """
    fine = fine_nodes()
    total = log_l @ fine.spline.T + fine_log_prior(shift)
    peak = total.max(axis=-1)
    p = np.exp(total - peak[..., None])
    mass = p.sum(axis=-1)
    weight = np.maximum(p @ fine.spline, 0.0)
    return np.asarray(weight / weight.sum(axis=-1, keepdims=True)), np.asarray(peak + np.log(mass))


def weights_of_others(log_l: Floats, total: Floats, site: Ints, shift: Floats) -> Floats:
    """Return (N, ..., K) weights of each electrode's site nodes, as the others at its site tell them.

    log_l: (N, ..., K) log-likelihood of each electrode at the nodes; total: (S, ..., K) its sums by site;
    site: (N,); shift: (S, ...). As node_weights of what is left without the electrode; in single precision,
    as there is one for every electrode and draw, with the largest taken out first.
    """
    fine = fine_nodes()
    spline = fine.spline.astype(np.float32)
    at_site = total - total.max(axis=-1, keepdims=True)
    whole = (at_site @ fine.spline.T + fine_log_prior(shift)).astype(np.float32)
    out = np.empty(log_l.shape)
    for first in range(0, site.size, _AT_ONCE):  # as many as stay in a processor's cache
        some = slice(first, first + _AT_ONCE)
        mine = log_l[some] - log_l[some].max(axis=-1, keepdims=True)
        left = whole[site[some]]
        left -= mine.astype(np.float32) @ spline.T
        left -= left.max(axis=-1, keepdims=True)
        np.exp(left, out=left)
        weight = np.maximum(left @ spline, np.float32(0.0))
        out[some] = weight / weight.sum(axis=-1, keepdims=True)
    return out


def weigh_sites(log_l: Floats, site: Ints, shift: Floats) -> tuple[Floats, Floats, Floats]:
    """Return (S, ..., K) weights of the sites' nodes, (S, ...) log marginals, and the others' weights.

    log_l: (N, ..., K) of each electrode; site: (N,); shift: (S, ...). See node_weights, weights_of_others.
    """
    total = np.zeros((shift.shape[0], *log_l.shape[1:]))
    np.add.at(total, site, log_l)
    return *node_weights(total, shift), weights_of_others(log_l, total, site, shift)


@dataclass(frozen=True)
class ClassLayout:
    """Which electrode belongs where, and how the parameter vector is laid out.

    group: (N,) index of the electrode's (soil, material, raw) group. soil, material, raw: (Q,) of each group.
    site: (N,) site index, not decreasing. soils, materials: names. covariates: P names of what surveys say of
    a site's ground; ground: (S, P) in spreads, 0 where nothing is known.
    """

    group: Ints
    soil: Ints
    material: Ints
    raw: Ints
    site: Ints
    soils: tuple[str, ...]
    materials: tuple[str, ...]
    covariates: tuple[str, ...] = ()
    ground: Floats = field(default_factory=lambda: np.zeros((0, 0)))

    @property
    def sites(self) -> int:
        """Count of sites."""
        known = int(self.site.max()) + 1 if self.site.size else 0
        return max(known, self.ground.shape[0])

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, in the order of the vector."""
        by_class = [f"{a}_{k}" for a in _BY_SOIL for k in self.soils]
        by_material = [f"{a}_{k}" for a in ("onset_material", "growth_material") for k in self.materials]
        return (*_HEAD, *by_class, *by_material, *(f"harshness_{k}" for k in self.covariates))

    def start(self) -> Floats:
        """Return the prior mean as a start."""
        head = [*_FLEET_MEAN, 0.0, *_LOG_SPREAD_MEAN, *_LOAD_MEAN, *_FLAWED_MEAN]
        loads = [_UNSURVEYED_LOAD if k == UNSURVEYED else 0.0 for k in self.soils]
        return np.concatenate(
            [
                head, np.zeros(4 * len(self.soils)), loads, loads,
                np.zeros(2 * len(self.materials) + len(self.covariates)),
            ]
        )  # fmt: skip

    def prior(self) -> tuple[Floats, Floats]:
        """Return prior means and standard deviations of the parameters."""
        C, M = len(self.soils), len(self.materials)
        sd = np.concatenate(
            [
                [*_FLEET_SD, _RAW_SD, *_LOG_SPREAD_SD, *_LOAD_SD, *_FLAWED_SD],
                np.repeat((*_SOIL_SD, *_SOIL_SPREAD_SD, _SOIL_LOAD_SD, _SOIL_LOAD_SD), C),
                np.repeat(_MATERIAL_SD, M),
                np.full(len(self.covariates), PRIOR_SD),
            ]
        )
        return self.start(), sd

    def shift(self, theta: Floats) -> tuple[Floats, Floats]:
        """Return (S,) by how much surveys move the site effects, and the derivative by x'b."""
        P = len(self.covariates)
        if not P:
            return np.zeros(self.sites), np.ones(self.sites)
        return bounded_shift(self.ground, theta[-P:])


def class_layout(
    soil: Sequence[str],
    material: Sequence[str],
    raw: npt.NDArray[np.bool_],
    site: Ints,
    soils: tuple[str, ...],
    materials: tuple[str, ...],
    covariates: tuple[str, ...] = (),
    ground: Floats | None = None,
) -> ClassLayout:
    """Group electrodes by soil class, material and ratio basis.

    soil, material: N names, each among soils and materials. raw: (N,) true where the ratio is of the raw
    loop. site: (N,) site index. covariates, ground: as the layout has them. Raises ValueError for a name that
    the parameters do not have.
    """
    s = np.array([soils.index(k) for k in soil], dtype=np.int64)
    m = np.array([materials.index(k) for k in material], dtype=np.int64)
    keys, group = np.unique(np.stack([s, m, raw.astype(np.int64)], axis=1), axis=0, return_inverse=True)
    known = np.zeros((0, len(covariates))) if ground is None else ground
    return ClassLayout(
        group.reshape(-1), keys[:, 0], keys[:, 1], keys[:, 2], site, soils, materials, covariates, known
    )


@dataclass(frozen=True)
class GroupTables:
    """Prior masses on the grid: onset (Q, K, T) and growth (Q, K, R), each summing to one over its last axis.

    shift: (S,) of each site's effect, as surveys have it. For the gradient: the parts of the onset (sound
    rods, flawed rods) and the growth as Normals, the share of flawed rods, the groups' factors (Q,) on the
    site effect and the fleet's loads of it on both logs.
    """

    onset: Floats
    growth: Floats
    shift: Floats
    sound: "Normal"
    flawed: "Normal"
    grown: "Normal"
    flawed_share: float
    onset_factor: Floats
    growth_factor: Floats
    onset_load: float
    growth_load: float


@dataclass(frozen=True)
class Normal:
    """A normal on cells: masses and standardised deviations (Q, K, X), spread (Q,).

    follows: (Q,) what a unit of the sound rods' log spread adds to its own.
    """

    mass: Floats
    dev: Floats
    spread: Floats
    follows: Floats


def _normal(
    x: Floats, log_width: Floats, mean: Floats, spread: Floats, follows: Floats | None = None
) -> Normal:
    z = (x - mean[..., None]) / spread[:, None, None]
    logp = -0.5 * z * z + log_width
    logp -= logp.max(axis=-1, keepdims=True)
    p = np.exp(logp)
    p /= p.sum(axis=-1, keepdims=True)
    p[p < _NOTHING] = 0.0
    return Normal(p, z, spread, np.ones_like(spread) if follows is None else follows)


def site_weights(theta: Floats, layout: ClassLayout) -> Floats:
    """Return (S, K) prior weights of the nodes of each site, as its survey says."""
    u, w = site_nodes()
    if not layout.covariates:
        return np.tile(w, (layout.sites, 1))
    return np.asarray(np.exp(node_log_weights(np.log(w), u, layout.shift(theta)[0])))


def group_tables(theta: Floats, layout: ClassLayout, grid: CurveGrid) -> GroupTables:
    """Return the prior masses of every group at every site node under the parameters theta."""
    C, M, H = len(layout.soils), len(layout.materials), len(_HEAD)
    head, rest = theta[:H], theta[H:]
    soil_t, soil_r, spread_t, spread_r, load_t, load_r = rest[: 6 * C].reshape(6, C)[:, layout.soil]
    mat_t, mat_r = rest[6 * C : 6 * C + 2 * M].reshape(2, M)[:, layout.material]
    u, _ = site_nodes()
    factor_t, factor_r = np.exp(load_t), np.exp(load_r)
    mean_t = (head[0] + soil_t + mat_t)[:, None] - head[5] * factor_t[:, None] * u
    mean_r = (head[1] + soil_r + mat_r + head[2] * layout.raw)[:, None] + head[6] * factor_r[:, None] * u
    s_t, s_r = np.exp(head[3] + spread_t), np.exp(head[4] + spread_r)
    s_f = np.sqrt(s_t**2 + FLAWED_SPREAD**2)
    at_t, at_r = np.log(grid.onset_years), np.log(grid.growth)
    wide_t, wide_r = (np.log(np.diff(np.log(e))) for e in (grid.onset_edges, grid.growth_edges))
    sound = _normal(at_t, wide_t, mean_t, s_t)
    flawed = _normal(at_t, wide_t, mean_t - head[8], s_f, (s_t / s_f) ** 2)
    grown = _normal(at_r, wide_r, mean_r, s_r)
    share = float(1.0 / (1.0 + np.exp(-head[7])))
    onset = (1.0 - share) * sound.mass + share * flawed.mass
    loads = float(head[5]), float(head[6])
    shift, _ = layout.shift(theta)
    return GroupTables(onset, grown.mass, shift, sound, flawed, grown, share, factor_t, factor_r, *loads)


@dataclass(frozen=True)
class CurvePrior:
    """Prior masses on a grid of curves for each group and site node: onset (Q, K, T), growth (Q, K, R)."""

    grid: CurveGrid
    onset: npt.NDArray[np.float32]
    growth: npt.NDArray[np.float32]


def curve_prior(theta: Floats, layout: ClassLayout, grid: CurveGrid) -> CurvePrior:
    """Lay out the prior for site passes, in single precision."""
    t = group_tables(theta, layout, grid)
    return CurvePrior(grid, t.onset.astype(np.float32), t.growth.astype(np.float32))
