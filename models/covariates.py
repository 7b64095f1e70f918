"""What a site's survey says of how harsh its ground is: a shift of the site effect, fitted with the classes.

Onset and growth of a site's rods move together with its effect u ~ N(0, 1) (class_prior). Where resistivity,
acidity, chloride, drainage, copper grid and stray current are known, u ~ N(x'b, 1) instead: the integral over
u keeps its nodes and only their weights change, so that nothing on the curve grid is worked out anew.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.histories import Floats

COVARIATES = ("log_resistivity", "ph", "log_chloride", "poor_drainage", "copper_grid", "stray_dc")
PRIOR_SD = 0.3  # of a coefficient for one standard deviation within a class (common practice, no source)
_STEPS = 30
_MOST = 1.5  # of x'b: further out the nodes no longer carry the integral


def site_covariates(
    soil_surveys: pl.DataFrame, sites: pl.DataFrame, site_id: tuple[str, ...], soil: tuple[str, ...]
) -> Floats:
    """Return (S, 6), in the order of COVARIATES: standard deviations from the mean of the site's class.

    soil_surveys: site_id, resistivity_ohm_m, ph, chloride_ppm, drainage. sites: site_id, grid_material,
    stray_dc. soil: (S,) class of each site; what is common to a class is the class's own parameter. Not
    known: 0.
    """
    drainage = pl.col("drainage").replace_strict(
        {"good": 0.0, "fair": 0.5, "poor": 1.0}, default=None, return_dtype=pl.Float64
    )
    resistivity = pl.col("resistivity_ohm_m").filter(pl.col("resistivity_ohm_m") > 0)
    surveyed = soil_surveys.group_by("site_id").agg(
        resistivity.log().mean().alias("log_resistivity"),
        pl.col("ph").mean(),
        (pl.col("chloride_ppm") + 10.0).log().mean().alias("log_chloride"),
        drainage.mean().alias("poor_drainage"),
    )  # fmt: skip
    built = sites.select(
        "site_id",
        (pl.col("grid_material") == "copper").cast(pl.Float64).alias("copper_grid"),
        pl.col("stray_dc").cast(pl.Float64),
    ).unique("site_id")
    rows = (
        pl.DataFrame({"site_id": site_id, "soil": soil}, schema={"site_id": pl.String, "soil": pl.String})
        .join(surveyed, on="site_id", how="left", maintain_order="left")
        .join(built, on="site_id", how="left", maintain_order="left")
        .with_columns(pl.col(c) - pl.col(c).mean().over("soil") for c in COVARIATES)
    )
    X = rows.select(COVARIATES).fill_null(0.0).to_numpy().astype(float)
    sd = X.std(axis=0)
    return np.asarray(X / np.where(sd > 1e-9, sd, 1.0))


def node_log_weights(log_weight: Floats, nodes: Floats, shift: Floats) -> Floats:
    """Return (S, K) log weights of the nodes for u ~ N(shift, 1), each site's adding up to 1.

    log_weight, nodes: (K,) of the rule for N(0, 1). shift: (S,).
    """
    m = np.clip(shift, -_MOST, _MOST)[:, None]
    out = log_weight + nodes * m - 0.5 * m * m
    peak = out.max(axis=1, keepdims=True)
    return np.asarray(out - peak - np.log(np.exp(out - peak).sum(axis=1, keepdims=True)))


@dataclass(frozen=True)
class HarshnessFit:
    """coefficient (P,) with its covariance (P, P); log_gain: log likelihood over that without covariates."""

    coefficient: Floats
    covariance: Floats
    log_gain: float
    converged: bool
    method: str = "Newton, posterior mode"


def fit_harshness(
    node_log_l: Floats, log_weight: Floats, nodes: Floats, X: Floats, prior_sd: float = PRIOR_SD
) -> HarshnessFit:
    """Fit the coefficients b of u ~ N(x'b, 1) from what the readings say about each site's u.

    node_log_l: (S, K) log-likelihood of each site's readings at each node, without the node's weight. X:
    (S, P). Score and information of a site by x: the posterior mean of u less x'b, and 1 less its variance.
    """
    P = X.shape[1]
    b = np.zeros(P)
    prior = np.eye(P) / prior_sd**2
    done, info = False, prior
    for _ in range(_STEPS):
        shift = X @ b
        weight = node_log_weights(log_weight, nodes, shift) + node_log_l
        share = np.exp(weight - weight.max(axis=1, keepdims=True))
        share /= share.sum(axis=1, keepdims=True)
        mean = share @ nodes
        var = share @ nodes**2 - mean**2
        told = np.clip(1.0 - var, 0.0, 1.0)
        info = (X * told[:, None]).T @ X + prior
        step = np.linalg.solve(info, X.T @ (mean - shift) - b / prior_sd**2)
        b = b + step
        if float(np.abs(step).max(initial=0.0)) < 1e-6:
            done = True
            break

    def log_l(shift: Floats) -> float:
        total = node_log_weights(log_weight, nodes, shift) + node_log_l
        peak = total.max(axis=1)
        return float((peak + np.log(np.exp(total - peak[:, None]).sum(axis=1))).sum())

    gain = log_l(X @ b) - log_l(np.zeros(X.shape[0]))
    return HarshnessFit(b, np.asarray(np.linalg.inv(info)), gain, done)
