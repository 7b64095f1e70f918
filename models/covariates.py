"""What a site's survey says of how harsh its ground is: a shift of the site effect, fitted with the classes.

Onset and growth of a site's rods move together with its effect u ~ N(0, 1) (class_prior). Where resistivity,
acidity, chloride, drainage, copper grid, stray current or protection are known, u ~ N(x'b, 1) instead, x in
spreads from the mean of the site's soil class: the integral over u keeps its nodes and only their weights
change, so that nothing on the curve grid is worked out anew.

The coefficients b are class parameters like the others (class_prior.log_posterior): fitted with them, with
their joint Laplace covariance, drawn with them for the outlook. No covariate is picked or dropped by how well
it did: what says nothing is held near 0 by its prior, with a spread that falls as 1/sqrt(sites), so that it
costs little; picking would keep the luckiest and claim to be surer than it is. Left out beforehand is only
what hardly varies within classes, or is known of hardly any site (standards_of). A value that is not known
counts as its class's mean.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

COVARIATES = (
    "log_resistivity", "ph", "log_chloride", "poor_drainage", "copper_grid", "stray_dc",
    "cathodic_protection",
)  # fmt: skip
GROUND_COLUMNS = tuple(f"ground_{c}" for c in COVARIATES)
PRIOR_SD = 0.3  # of a coefficient for one standard deviation within a class (common practice, no source)
LEAST_SITES = 20  # beyond one a class, of which a covariate must be known
_LEAST_APART = 5  # sites that must lie on either side of their class's mean
_FARTHEST = 3.0  # spreads; a value typed wrongly says no more than this
YES_OR_NO = ("copper_grid", "stray_dc", "cathodic_protection")
_MOST = 2.0  # of a shift: further out the nodes no longer carry the integral


def site_covariates(
    soil_surveys: pl.DataFrame, sites: pl.DataFrame, resistivity: pl.DataFrame
) -> pl.DataFrame:
    """Return site_id and GROUND_COLUMNS, as measured; null where not known. One row for each site.

    soil_surveys: site_id, ph, chloride_ppm, drainage; of several surveys the mean. sites: site_id,
    grid_material, stray_dc, cathodic_protection. resistivity: site_id, resistivity_ohm_m
    (soil.site_resistivity).
    """
    drainage = pl.col("drainage").replace_strict(
        {"good": 0.0, "fair": 0.5, "poor": 1.0}, default=None, return_dtype=pl.Float64
    )
    measured = soil_surveys.select(
        "site_id",
        pl.col("ph").cast(pl.Float64).alias("ground_ph"),
        (pl.col("chloride_ppm").cast(pl.Float64).clip(lower_bound=0.0) + 10.0)
        .log()
        .alias("ground_log_chloride"),
        drainage.alias("ground_poor_drainage"),
    )
    surveyed = (
        measured.sort(measured.columns)  # a mean's last digits must not hang on the order of the files
        .group_by("site_id", maintain_order=True)
        .mean()
    )
    ohm_m = pl.col("resistivity_ohm_m").cast(pl.Float64)
    ground = resistivity.select(
        "site_id", pl.when(ohm_m > 0).then(ohm_m).log().alias("ground_log_resistivity")
    )
    built = sites.select(
        "site_id",
        (pl.col("grid_material").cast(pl.String) == "copper").cast(pl.Float64).alias("ground_copper_grid"),
        *(pl.col(c).cast(pl.Float64).alias(f"ground_{c}") for c in ("stray_dc", "cathodic_protection")),
    ).unique("site_id", keep="first", maintain_order=True)
    return (
        built.join(surveyed, on="site_id", how="left", maintain_order="left")
        .join(ground.unique("site_id"), on="site_id", how="left", maintain_order="left")
        .select("site_id", *GROUND_COLUMNS)
    )


@dataclass(frozen=True)
class Standards:
    """By what measured values become spreads from their class's mean: a fleet's, kept for its parts.

    names: P of COVARIATES. mean: (C, P) by soil class, nan where no site of it is known. sd: (P,), within
    classes; of what is yes or no at least a third, or the rarest would have the widest prior.
    """

    names: tuple[str, ...] = ()
    mean: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    sd: Floats = field(default_factory=lambda: np.zeros(0))

    def spreads(self, measured: Floats | None, soil: Ints) -> Floats:
        """Return (S, P): spreads from the class's mean, at most 3; 0 where site or class are not known.

        measured: (S, all of COVARIATES), nan where not known, or None where nothing is. soil: (S,) class.
        """
        if measured is None or not self.names:
            return np.zeros((soil.size, len(self.names)))
        at = [COVARIATES.index(n) for n in self.names]
        x = (measured[:, at] - self.mean[soil]) / self.sd
        return np.clip(np.where(np.isfinite(x), x, 0.0), -_FARTHEST, _FARTHEST)

    def with_classes(self, count: int) -> "Standards":
        """Return the standards with so many classes more, of which nothing is known."""
        more = np.full((count, len(self.names)), np.nan)
        return Standards(self.names, np.concatenate([self.mean, more]), self.sd) if self.names else self


def standards_of(measured: Floats | None, soil: Ints, classes: int) -> Standards:
    """Work out a fleet's standards; a covariate that hardly varies, or is hardly known, is left out.

    measured: (S, all of COVARIATES), nan where not known. soil: (S,) class of each site, of so many.
    """
    if measured is None:
        return Standards()
    names, means, sds = [], [], []
    for name, value in zip(COVARIATES, measured.T, strict=True):
        known = np.isfinite(value)
        count = np.bincount(soil[known], minlength=classes)
        mean = np.bincount(soil[known], value[known], minlength=classes) / np.where(count > 0, count, np.nan)
        apart = value[known] - mean[soil[known]]
        free = int(known.sum() - (count > 0).sum())
        sides = min(int((apart > 1e-9).sum()), int((apart < -1e-9).sum()))
        if free < LEAST_SITES or sides < _LEAST_APART:
            continue
        names.append(name)
        means.append(mean)
        sd = float(np.sqrt((apart**2).sum() / free))
        sds.append(max(sd, 1.0 / _FARTHEST) if name in YES_OR_NO else sd)
    return Standards(tuple(names), np.stack(means, axis=1), np.array(sds)) if names else Standards()


def node_log_weights(log_weight: Floats, nodes: Floats, shift: Floats) -> Floats:
    """Return (..., K) log weights of the nodes for u ~ N(shift, 1), each site's adding up to 1.

    log_weight, nodes: (K,) of the rule for N(0, 1). shift: (...), as bounded_shift gives it.
    """
    m = np.asarray(shift)[..., None]
    out = log_weight + nodes * m - 0.5 * m * m
    peak = out.max(axis=-1, keepdims=True)
    return np.asarray(out - peak - np.log(np.exp(out - peak).sum(axis=-1, keepdims=True)))


def bounded_shift(x: Floats, coefficient: Floats) -> tuple[Floats, Floats]:
    """Return (S,) x'b, bent so that the nodes carry the integral, and (S,) its derivative by x'b.

    Bent, not cut: at a corner the fit would have neither a gradient nor a covariance. x: (S, P). coefficient:
    (P,).
    """
    bent = np.tanh(x @ coefficient / _MOST)
    return _MOST * bent, 1.0 - bent * bent


def sites_soil(site_start: Ints, soil: Sequence[int] | Ints) -> Ints:
    """Return (S,) the class of each site's first electrode; 0 for a site without any. soil: (N,)."""
    of_rods = np.append(np.asarray(soil, dtype=np.int64), 0)
    return np.where(np.diff(site_start) > 0, of_rods[site_start[:-1]], 0)
